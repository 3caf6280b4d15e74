//! 2,000 vessels, copied from one within the database: what pages are weighed and timed with.

use diesel::PgConnection;
use garboard::features::pages::PAGES;

use super::seed::{self, Ids};
use super::sql::{connect, names, run};
use crate::support::app::TestApp;
use crate::support::page_paths::filled;

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

/// A record of every kind in the home organisation, and of its vessel 2,000 more, each launched on a day of its own, with
/// its rows of the due list and its signed survey.
pub fn two_thousand(app: &TestApp) -> Ids {
    let ids = seed::home(app);
    let mut superuser = connect(&app.database.superuser_url());
    // Copies need no checks: what they are copied from was checked.
    run(&mut superuser, "SET session_replication_role = replica").expect("a superuser may");
    let vessel = &ids["vessels"];
    let signed = format!("t.vessel_id = '{vessel}' AND t.signed_at IS NOT NULL");
    for (table, which, changed) in [
        (
            "vessels",
            format!("t.id = '{vessel}'"),
            "jsonb_build_object('id', md5('v' || n)::uuid, 'ref', 'N-' || n, 'name', 'Hull ' || n, 'hull_id_number', null,
             'launched_on', t.launched_on - n)",
        ),
        (
            "due",
            format!("t.vessel_id = '{vessel}'"),
            "jsonb_build_object('id', md5(t.id::text || n)::uuid, 'vessel_id', md5('v' || n)::uuid)",
        ),
        (
            "surveys",
            format!("t.id IN (SELECT t.survey_id FROM survey_versions t WHERE {signed})"),
            "jsonb_build_object('id', md5(t.id::text || n)::uuid, 'vessel_id', md5('v' || n)::uuid, 'ref', null,
             'haul_out_id', null)",
        ),
        (
            "survey_versions",
            signed,
            "jsonb_build_object('survey_id', md5(t.survey_id::text || n)::uuid, 'vessel_id', md5('v' || n)::uuid)",
        ),
    ] {
        copy(&mut superuser, table, &which, changed);
    }
    run(&mut superuser, "ANALYZE").expect("statistics");
    ids
}

/// The addresses of all pages that are looked at about these records; whole lists are taken away, not looked at.
pub fn pages(ids: &Ids) -> Vec<String> {
    let looked_at = PAGES
        .iter()
        .filter(|page| page.method == "GET" && page.roles.is_some() && !page.path.contains('.'))
        .map(|page| filled(page.path, ids));
    looked_at.chain(["/due?by=lift", "/due?limit=200", "/due?by=lift&limit=200"].map(str::to_owned)).collect()
}
