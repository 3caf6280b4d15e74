//! The roles on a PostgreSQL of the user's own: made by someone who is no superuser, and mended.

use diesel::{Connection, PgConnection};
use garboard::db::private::PrivatePostgres;
use garboard::db::roles::{RolePasswords, ensure_database, ensure_roles, prepare_database};

use crate::scratch::{Scratch, connect, run, texts};
use crate::support::cluster::options;

const DANGEROUS: &str = "SELECT rolname::text AS value FROM pg_roles \
     WHERE rolname LIKE 'garboard\\_%' AND rolname <> 'garboard_superuser' AND (rolsuper OR rolbypassrls)";

#[test]
fn roles_that_may_do_too_much_are_mended() {
    let scratch = Scratch::new();
    let server = PrivatePostgres::start(&options(&scratch.join("data"))).expect("a start");
    let mut superuser = connect(&server.superuser_url("postgres"));
    run(&mut superuser, "ALTER ROLE garboard_app SUPERUSER BYPASSRLS");
    run(&mut superuser, "ALTER ROLE garboard_worker BYPASSRLS NOLOGIN");
    run(&mut superuser, "ALTER ROLE garboard_owner LOGIN");
    assert_eq!(texts(&mut superuser, DANGEROUS).len(), 2);
    ensure_roles(&mut superuser, None).expect("a superuser may mend them");
    assert!(texts(&mut superuser, DANGEROUS).is_empty());
    let sign_in =
        "SELECT rolname::text AS value FROM pg_roles WHERE rolname LIKE 'garboard\\_%' AND NOT rolcanlogin";
    assert_eq!(texts(&mut superuser, sign_in), ["garboard_owner"]);
    connect(&server.worker_url("garboard"));
}

#[test]
fn passwords_are_quoted() {
    let scratch = Scratch::new();
    let server = PrivatePostgres::start(&options(&scratch.join("data"))).expect("a start");
    let mut superuser = connect(&server.superuser_url("postgres"));
    let odd = r#"it's \' 100% "odd"; DROP ROLE garboard_worker; --"#.to_owned();
    let passwords = RolePasswords { app: odd.clone(), worker: odd.clone(), sign_in: odd };
    ensure_roles(&mut superuser, Some(&passwords)).expect("any text is a password");
    // The same characters percent-encoded (RFC 3986).
    let encoded = "it%27s%20%5C%27%20100%25%20%22odd%22%3B%20DROP%20ROLE%20garboard_worker%3B%20--";
    let (_, rest) = server.worker_url("garboard").split_once('@').map(own).expect("an address");
    connect(&format!("postgresql://garboard_worker:{encoded}@{rest}"));
    assert!(!format!("{passwords:?}").contains("odd"), "never printed");
}

fn own((before, after): (&str, &str)) -> (String, String) {
    (before.to_owned(), after.to_owned())
}

#[test]
fn who_may_create_roles_and_databases_needs_no_superuser() {
    let scratch = Scratch::new();
    let server = PrivatePostgres::start(&options(&scratch.join("data"))).expect("a start");
    let mut superuser = connect(&server.superuser_url("postgres"));
    // An empty server as an administrator hands it out.
    run(&mut superuser, "DROP DATABASE garboard");
    for role in ["garboard_app", "garboard_worker", "garboard_sign_in", "garboard_owner"] {
        run(&mut superuser, &format!("DROP ROLE {role}"));
    }
    run(&mut superuser, "CREATE ROLE deployer LOGIN CREATEROLE CREATEDB PASSWORD 'given'");

    let (_, rest) = server.worker_url("postgres").split_once('@').map(own).expect("an address");
    let deployer = format!("postgresql://deployer:given@{rest}");
    for round in ["made", "found"] {
        let mut connection = connect(&deployer);
        ensure_roles(&mut connection, None).expect(round);
        ensure_database(&mut connection, "garboard").expect(round);
        run(&mut connection, "SET ROLE garboard_owner");
        run(&mut connection, "RESET ROLE");
    }
    assert!(PgConnection::establish(&server.app_url("garboard")).is_err(), "no password, no way in");

    // In the database the owner needs no more: the extension is a trusted one.
    let mut connection = connect(&server.superuser_url("garboard"));
    run(&mut connection, "SET ROLE garboard_owner");
    prepare_database(&mut connection).expect("the owner may prepare its database");
    run(&mut connection, "CREATE TABLE public.theirs (id int)");
}
