//! What PostgreSQL says of the migrated schema: row-level security, keys, rights.

use diesel::PgConnection;
use serde_json::Value;

use super::sql::{be_of, connect, names, rows, run, tenant_tables, text};
use crate::support::app::{TestApp, database};

/// Recorded facts: inserted, never changed.
const APPEND_ONLY: [&str; 20] = [
    "calibrations",
    "calibration_choices",
    "attachments",
    "attachment_versions",
    "attachment_erasures",
    "treatment_plans",
    "treatment_plan_versions",
    "treatment_entries",
    "treatment_records",
    "audit",
    "audit_chain",
    "surveys",
    "survey_versions",
    "readings",
    "findings",
    "finding_versions",
    "coats",
    "coat_versions",
    "treatments",
    "treatment_versions",
];
/// Tables of organisations that the application has no policy for. May only shrink.
const NOT_THE_APPLICATIONS: [(&str, &str); 1] =
    [("refresh_families", "sessions are found before an organisation is known, by the sign-in role alone")];
/// Keys and indexes that do not lead with the organisation. May only shrink.
const LEADING_OTHERWISE: [(&str, &str); 7] = [
    ("grants_held", "a guest finds what others granted to it: the look-up of every policy for guests"),
    ("transfers_received", "who is offered a vessel finds the offer"),
    ("jobs_claim", "the worker claims over all organisations, by time"),
    ("schedules_next", "the worker looks over all organisations, by time"),
    ("members_person", "signing in finds the memberships of a person"),
    ("refresh_families_pkey", "a session is found by its token before an organisation is known"),
    ("refresh_families_person", "a person's sessions end together"),
];
/// Unique over all organisations, so that a second one of its kind shows that there is a first. May only shrink.
const UNIQUE_OVER_ALL: [(&str, &str); 5] = [
    ("people_pkey", "a person may be a member of several organisations"),
    ("people_email_key", "the name to sign in with, before an organisation is known"),
    ("passwords_pkey", "of a person, seen by the sign-in role alone"),
    ("refresh_families_pkey", "found by a token before an organisation is known, by the sign-in role alone"),
    ("refresh_tokens_pkey", "the digest of a random text, seen by the sign-in role alone"),
];
/// More columns need a larger feature of diesel, which makes every build slower.
const MOST_COLUMNS: i64 = 32;
/// References to another organisation: what makes a grant, or a transfer. May only shrink.
const BETWEEN_ORGANISATIONS: [(&str, &str); 2] =
    [("grants_grantee", "who holds the grant"), ("transfers_to_org", "who is offered the vessel")];
const ROLES: [&str; 3] = ["garboard_app", "garboard_worker", "garboard_sign_in"];

fn quoted(names: &[&str]) -> String {
    names.iter().map(|name| format!("'{name}'")).collect::<Vec<_>>().join(", ")
}

#[test]
fn every_table_of_an_organisation_is_under_forced_row_level_security() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    for (table, _) in tenant_tables(&mut superuser) {
        let protection = rows(
            &mut superuser,
            &format!(
                "SELECT relrowsecurity AND relforcerowsecurity AS forced,
                        has_table_privilege('garboard_app', oid, 'SELECT') AS readable
                 FROM pg_class WHERE oid = '{table}'::regclass"
            ),
        );
        assert_eq!(protection[0]["forced"], true, "{table}: ENABLE and FORCE ROW LEVEL SECURITY");
        let policies = rows(
            &mut superuser,
            &format!(
                "SELECT policyname, cmd, permissive, coalesce(qual, '') AS qual, coalesce(with_check, '') AS checked
                 FROM pg_policies WHERE tablename = '{table}' AND ('garboard_app' = ANY (roles) OR 'public' = ANY (roles))"
            ),
        );
        if NOT_THE_APPLICATIONS.iter().any(|(name, _)| *name == table) {
            assert!(policies.is_empty(), "{table} has a policy now: take it off the list");
            assert_eq!(protection[0]["readable"], false, "{table}");
            continue;
        }
        assert!(!policies.is_empty(), "{table} has no policy for garboard_app");
        for policy in policies {
            let both = format!("{}{}", text(&policy, "qual"), text(&policy, "checked"));
            assert!(both.contains("current_org()"), "{table}: {policy}");
            // A policy without one of the two lets everything through that way.
            let (reads, writes) = match text(&policy, "cmd") {
                "SELECT" | "DELETE" => (true, false),
                "INSERT" => (false, true),
                _ => (true, true),
            };
            assert!(!reads || text(&policy, "qual").contains("current_org()"), "{table}: {policy}");
            assert!(!writes || text(&policy, "checked").contains("current_org()"), "{table}: {policy}");
        }
    }
}

#[test]
fn tables_without_an_organisation_are_under_it_too() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let open = names(
        &mut superuser,
        "SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')
         AND NOT (relrowsecurity AND relforcerowsecurity) AND relname <> '__diesel_schema_migrations'",
    );
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn keys_and_indexes_lead_with_the_organisation() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let indexes = rows(
        &mut superuser,
        "SELECT t.relname::text AS table_name, i.relname::text AS name, coalesce(a.attname::text, '') AS leads_with
         FROM pg_index x JOIN pg_class t ON t.oid = x.indrelid JOIN pg_class i ON i.oid = x.indexrelid
         LEFT JOIN pg_attribute a ON a.attrelid = t.oid AND a.attnum = x.indkey[0]
         WHERE t.relnamespace = 'public'::regnamespace",
    );
    let tenants = tenant_tables(&mut superuser);
    let of_tenants: Vec<&Value> = indexes
        .iter()
        .filter(|index| tenants.iter().any(|(name, _)| name == text(index, "table_name")))
        .collect();
    assert!(of_tenants.len() > tenants.len());
    for (table, _) in &tenants {
        assert!(of_tenants.iter().any(|index| text(index, "table_name") == table), "{table} has no key");
    }
    let otherwise: Vec<&str> = of_tenants
        .iter()
        .filter(|index| !matches!(text(index, "leads_with"), "org_id" | "viewer_org_id"))
        .map(|index| text(index, "name"))
        .collect();
    let listed: Vec<&str> = LEADING_OTHERWISE.iter().map(|(name, _)| *name).collect();
    let rest: Vec<_> = otherwise.iter().filter(|name| !listed.contains(name)).collect();
    assert!(rest.is_empty(), "these do not lead with the organisation: {rest:?}");
    for name in listed {
        assert!(
            otherwise.contains(&name),
            "{name} leads with the organisation or is gone: take it off the list"
        );
    }
}

#[test]
fn nothing_is_unique_over_all_organisations() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let unique = names(
        &mut superuser,
        "SELECT i.relname::text FROM pg_index x JOIN pg_class t ON t.oid = x.indrelid JOIN pg_class i ON i.oid = x.indexrelid
         LEFT JOIN pg_attribute a ON a.attrelid = t.oid AND a.attnum = x.indkey[0]
         WHERE t.relnamespace = 'public'::regnamespace AND t.relname <> '__diesel_schema_migrations'
           AND (x.indisunique OR x.indisexclusion) AND coalesce(a.attname, '') NOT IN ('org_id', 'viewer_org_id')",
    );
    let listed: Vec<&str> = UNIQUE_OVER_ALL.iter().map(|(name, _)| *name).collect();
    let rest: Vec<_> = unique.iter().filter(|name| !listed.contains(&name.as_str())).collect();
    assert!(rest.is_empty(), "these tell of other organisations: {rest:?}");
    for name in listed {
        assert!(unique.iter().any(|found| found == name), "{name} is gone: take it off the list");
    }
}

/// Functions that anybody may call and that could write: neither pure nor called by a trigger alone.
fn open_functions(superuser: &mut PgConnection) -> Vec<String> {
    names(
        superuser,
        "SELECT p.proname::text FROM pg_proc p
         WHERE p.pronamespace = 'public'::regnamespace AND p.provolatile = 'v' AND p.prorettype <> 'trigger'::regtype
           AND has_function_privilege('public', p.oid, 'EXECUTE')
           AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.classid = 'pg_proc'::regclass AND d.objid = p.oid AND d.deptype = 'e')",
    )
}

#[test]
fn no_function_that_could_write_is_open_to_everybody() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    assert_eq!(open_functions(&mut superuser), [""; 0], "REVOKE EXECUTE ... FROM PUBLIC");
    let planted = "CREATE FUNCTION planted() RETURNS void LANGUAGE sql AS 'DELETE FROM public.jobs'";
    run(&mut superuser, planted).expect("a superuser may");
    assert_eq!(open_functions(&mut superuser), ["planted"]);
}

#[test]
fn references_between_tables_of_organisations_carry_the_organisation() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let references = rows(
        &mut superuser,
        "SELECT k.conname::text AS name, s.relname::text AS from_table, t.relname::text AS to_table, EXISTS (
             SELECT FROM unnest(k.conkey, k.confkey) AS pair (here, there)
             JOIN pg_attribute a ON a.attrelid = k.conrelid AND a.attnum = pair.here
             JOIN pg_attribute b ON b.attrelid = k.confrelid AND b.attnum = pair.there
             WHERE a.attname IN ('org_id', 'viewer_org_id') AND b.attname = 'org_id') AS carried
         FROM pg_constraint k JOIN pg_class s ON s.oid = k.conrelid JOIN pg_class t ON t.oid = k.confrelid
         WHERE k.contype = 'f' AND s.relnamespace = 'public'::regnamespace",
    );
    let tenants = tenant_tables(&mut superuser);
    let is_tenant = |name: &str| tenants.iter().any(|(table, _)| table == name);
    let between: Vec<&Value> = references
        .iter()
        .filter(|row| is_tenant(text(row, "from_table")) && is_tenant(text(row, "to_table")))
        .collect();
    assert!(between.len() > 20, "{} references", between.len());
    for reference in between {
        let listed = BETWEEN_ORGANISATIONS.iter().any(|(name, _)| *name == text(reference, "name"));
        assert_eq!(reference["carried"], !listed, "{reference} crosses organisations");
    }
}

#[test]
fn the_services_roles_own_nothing_and_are_bound() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let roles = quoted(&ROLES);
    let owned = names(
        &mut superuser,
        &format!(
            "SELECT c.relname::text FROM pg_class c JOIN pg_roles r ON r.oid = c.relowner WHERE r.rolname IN ({roles})
             UNION ALL SELECT p.proname::text FROM pg_proc p JOIN pg_roles r ON r.oid = p.proowner WHERE r.rolname IN ({roles})
             UNION ALL SELECT n.nspname::text FROM pg_namespace n JOIN pg_roles r ON r.oid = n.nspowner WHERE r.rolname IN ({roles})
             UNION ALL SELECT d.datname::text FROM pg_database d JOIN pg_roles r ON r.oid = d.datdba WHERE r.rolname IN ({roles})"
        ),
    );
    assert!(owned.is_empty(), "{owned:?}");
    let bound = rows(
        &mut superuser,
        &format!(
            "SELECT rolname::text AS name, rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb OR rolreplication AS powerful,
                    has_schema_privilege(oid, 'public', 'CREATE') AS creates,
                    (SELECT count(*) FROM pg_auth_members m WHERE m.member = r.oid) AS memberships
             FROM pg_roles r WHERE rolname IN ({roles})"
        ),
    );
    assert_eq!(bound.len(), ROLES.len());
    for role in bound {
        assert_eq!(
            (&role["powerful"], &role["creates"], &role["memberships"]),
            (&false.into(), &false.into(), &0.into()),
            "{role}"
        );
    }
}

#[test]
fn what_is_recorded_cannot_be_changed_by_the_service() {
    let app = TestApp::start();
    let mut superuser = connect(&app.database.superuser_url());
    for table in APPEND_ONLY {
        for role in ROLES {
            let rights = rows(
                &mut superuser,
                &format!(
                    "SELECT has_table_privilege('{role}', '{table}', 'UPDATE, DELETE, TRUNCATE, TRIGGER, REFERENCES')
                         OR has_any_column_privilege('{role}', '{table}', 'UPDATE') AS changes"
                ),
            );
            assert_eq!(rights[0]["changes"], false, "{role} may change {table}");
        }
    }
    let mut application = connect(&app.database.app_url());
    be_of(&mut application, &app.home.org_id.to_string());
    let mut refused = |statement: String| {
        let said = run(&mut application, &statement).expect_err(&statement);
        assert!(said.contains("permission denied"), "{statement}: {said}");
    };
    for table in APPEND_ONLY {
        refused(format!("UPDATE {table} SET org_id = org_id"));
        refused(format!("DELETE FROM {table}"));
        refused(format!("TRUNCATE {table}"));
    }
}

#[test]
fn every_table_of_versions_is_append_only() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let versions = names(
        &mut superuser,
        r"SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relname LIKE '%\_versions' AND relkind = 'r'",
    );
    assert!(!versions.is_empty());
    for table in versions {
        assert!(APPEND_ONLY.contains(&table.as_str()), "{table} is not on the list");
    }
}

#[test]
fn views_look_with_the_eyes_of_who_asks() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let views = rows(
        &mut superuser,
        "SELECT relname::text AS name, relkind::text AS kind, coalesce(array_to_string(reloptions, ','), '') AS options FROM pg_class
         WHERE relnamespace = 'public'::regnamespace AND relkind IN ('v', 'm')",
    );
    assert!(!views.is_empty());
    for view in views {
        // A materialised view keeps what its owner saw.
        assert_eq!(text(&view, "kind"), "v", "{view}");
        assert!(text(&view, "options").contains("security_invoker=true"), "{view}");
    }
    // A function that runs as its owner would be another way around.
    let definers = names(
        &mut superuser,
        "SELECT proname::text FROM pg_proc WHERE pronamespace = 'public'::regnamespace AND prosecdef",
    );
    assert!(definers.is_empty(), "{definers:?}");
}

#[test]
fn tables_are_narrow() {
    let database = database();
    let mut superuser: PgConnection = connect(&database.superuser_url());
    let wide = rows(
        &mut superuser,
        "SELECT c.relname::text AS name, count(*) AS columns FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
         WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p', 'v') AND a.attnum > 0 AND NOT a.attisdropped
         GROUP BY c.relname",
    );
    assert!(wide.len() > 25);
    for table in wide {
        assert!(table["columns"].as_i64().is_some_and(|columns| columns <= MOST_COLUMNS), "{table}");
    }
}
