//! What a page weighs and how long the server takes for it, with 2,000 vessels.

use std::time::Instant;

use diesel::PgConnection;
use garboard::features::pages::PAGES;

use super::seed;
use super::sql::{connect, names, run};
use crate::support::app::TestApp;
use crate::support::page_paths::filled;
use crate::support::visitor::Visitor;

/// The most a page may weigh with what it loads, as it is sent (issue 7).
const MOST_BYTES: usize = 150_000;
const VESSELS: u32 = 2000;

/// Rows of a table once more for each further vessel, these of their fields changed.
fn copy(superuser: &mut PgConnection, table: &str, which: &str, changed: &str) {
    let written = format!(
        "SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum) FROM pg_attribute
         WHERE attrelid = '{table}'::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = ''"
    );
    let columns = names(superuser, &written).concat();
    let of_r: Vec<String> = columns.split(", ").map(|column| format!("r.{column}")).collect();
    let statement = format!(
        "INSERT INTO {table} ({columns}) SELECT {} FROM generate_series(1, {VESSELS}) n, {table} t,
         LATERAL jsonb_populate_record(NULL::{table}, to_jsonb(t) || {changed}) r WHERE {which}",
        of_r.join(", ")
    );
    run(superuser, &statement).unwrap_or_else(|said| unreachable!("{said}: {statement}"));
}

/// The files that a page loads.
fn loaded(visitor: &mut Visitor, html: &str) -> usize {
    let mut addresses: Vec<&str> =
        html.split("\"/files/").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    addresses.sort_unstable();
    addresses.dedup();
    addresses.iter().map(|address| visitor.get(&format!("/files/{address}")).expect(200).text.len()).sum()
}

#[test]
fn no_page_weighs_more_than_a_telephone_in_a_yard_can_load() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let mut superuser = connect(&app.database.superuser_url());
    // Copies need no checks: what they are copied from was checked.
    run(&mut superuser, "SET session_replication_role = replica").expect("a superuser may");
    let vessel = &ids["vessels"];
    copy(
        &mut superuser,
        "vessels",
        &format!("t.id = '{vessel}'"),
        "jsonb_build_object('id', md5('v' || n)::uuid, 'ref', 'N-' || n, 'name', 'Hull ' || n, 'hull_id_number', null)",
    );
    copy(
        &mut superuser,
        "due",
        &format!("t.vessel_id = '{vessel}'"),
        "jsonb_build_object('id', md5(t.id::text || n)::uuid, 'vessel_id', md5('v' || n)::uuid)",
    );
    run(&mut superuser, "ANALYZE").expect("statistics");
    let mut visitor = Visitor::signed_in(&app, &app.home.people["administrator"].2);
    // Whole lists are taken away, not looked at.
    let mut paths: Vec<String> = PAGES
        .iter()
        .filter(|page| page.method == "GET" && page.roles.is_some() && !page.path.contains('.'))
        .map(|page| filled(page.path, &ids))
        .collect();
    paths.extend(["/due?by=lift", "/due?limit=200", "/due?by=lift&limit=200"].map(str::to_owned));
    let mut heavy = Vec::new();
    for path in paths {
        let answer = visitor.get(&path).expect(200);
        let bytes = answer.text.len() + loaded(&mut visitor, &answer.text);
        let mut times: Vec<u128> = (0..9)
            .map(|_| {
                let begun = Instant::now();
                visitor.get(&path).expect(200);
                begun.elapsed().as_millis()
            })
            .collect();
        times.sort_unstable();
        println!("{path}: {bytes} bytes with its files, {} ms in the middle of nine, unoptimised", times[4]);
        if bytes > MOST_BYTES {
            heavy.push(format!("{path}: {bytes} bytes"));
        }
    }
    let shown = visitor.get("/due").expect(200).text;
    assert!(shown.contains("Hull "), "the copies are on the list");
    assert!(heavy.is_empty(), "{heavy:?}");
}
