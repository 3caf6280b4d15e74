//! All rows of one organisation, table by table: what a whole export holds, a restoration writes and an erasure takes
//! out. The tables are those of the catalog, so that a new one is in all three without being named here.

use std::collections::{BTreeMap, BTreeSet};

use diesel::connection::SimpleConnection;
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Bool, Text};

use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::ids::OrgId;

/// Tables of an organisation that an export leaves out, and why. Erased they are all the same.
pub const LEFT_OUT: [(&str, &str); 12] = [
    ("audit_chain", "is made anew from the rows of the audit; the manifest holds its head"),
    ("creations", "keeps the answers to requests that may come twice, nothing of a record"),
    ("deliveries", "are letters on their way to subscriptions"),
    ("delivery_attempts", "are tries of those"),
    ("digest_letters", "are letters that were sent, each with a secret"),
    ("event_order", "is given anew as the events come back"),
    ("jobs", "is work, which a restoration asks for anew"),
    ("program_secrets", "are secrets: a program is given a new one"),
    ("refresh_families", "are sessions: people sign in again"),
    ("schedules", "are set anew as it comes back"),
    ("subscription_secrets", "are secrets: a subscription made anew is given one"),
    ("subscriptions", "send nothing without their secrets: they are made anew"),
];

/// Columns of secrets, left out of tables that are exported; a restored row holds nothing that could match.
pub const SECRET_COLUMNS: [(&str, &str); 2] =
    [("calendar_feeds", "secret_sha256"), ("invitations", "secret_sha256")];

/// Columns that name another organisation a row has to do with: the row goes with either, and comes back only where the
/// other one is.
const PARTNERS: [&str; 3] = ["viewer_org_id", "grantee_org_id", "to_org_id"];

/// The people who are members; the rest of what is known of a person is no organisation's.
const PEOPLE: &str = "people";

/// Rows fetched and inserted at once.
const AT_ONCE: usize = 500;

/// A table with rows of organisations.
#[derive(Debug, Clone)]
pub struct Table {
    /// Its name.
    pub name: String,
    /// The columns that are exported, in their order; those that PostgreSQL computes are not.
    pub columns: Vec<String>,
    /// Those of them that hold a time.
    times: BTreeSet<String>,
    key: Vec<String>,
    refers_to_itself: bool,
}

#[derive(QueryableByName)]
struct ColumnRow {
    #[diesel(sql_type = Text)]
    table_name: String,
    #[diesel(sql_type = Text)]
    name: String,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Bool)]
    in_key: bool,
}

#[derive(QueryableByName)]
struct Reference {
    #[diesel(sql_type = Text)]
    from_table: String,
    #[diesel(sql_type = Text)]
    to_table: String,
}

#[derive(QueryableByName)]
struct Line {
    #[diesel(sql_type = Text)]
    line: String,
}

/// The tables with rows of organisations, each after those it refers to.
///
/// # Errors
/// Those of the database.
pub fn all_tables(conn: &mut PgConnection) -> Result<Vec<Table>> {
    let columns: Vec<ColumnRow> = diesel::sql_query(
        "SELECT c.relname::text AS table_name, a.attname::text AS name, t.typname::text AS kind,
                coalesce(a.attnum = ANY (x.indkey::int2[]), false) AS in_key
         FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid JOIN pg_type t ON t.oid = a.atttypid
         LEFT JOIN pg_index x ON x.indrelid = c.oid AND x.indisprimary
         WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND a.attnum > 0 AND NOT a.attisdropped
           AND a.attgenerated = '' AND EXISTS (SELECT FROM pg_attribute o WHERE o.attrelid = c.oid AND o.attname = 'org_id' AND NOT o.attisdropped)
         ORDER BY c.relname, a.attnum",
    )
    .load(conn)?;
    let references: Vec<Reference> = diesel::sql_query(
        "SELECT s.relname::text AS from_table, t.relname::text AS to_table
         FROM pg_constraint k JOIN pg_class s ON s.oid = k.conrelid JOIN pg_class t ON t.oid = k.confrelid
         WHERE k.contype = 'f' AND s.relnamespace = 'public'::regnamespace",
    )
    .load(conn)?;
    let mut tables: BTreeMap<String, Table> = BTreeMap::new();
    for column in columns {
        let table = tables.entry(column.table_name.clone()).or_insert_with(|| Table {
            refers_to_itself: references
                .iter()
                .any(|r| r.from_table == column.table_name && r.to_table == column.table_name),
            name: column.table_name.clone(),
            columns: Vec::new(),
            times: BTreeSet::new(),
            key: Vec::new(),
        });
        if column.kind == "timestamptz" {
            table.times.insert(column.name.clone());
        }
        if column.in_key {
            table.key.push(column.name.clone());
        }
        if !SECRET_COLUMNS.contains(&(column.table_name.as_str(), column.name.as_str())) {
            table.columns.push(column.name);
        }
    }
    in_order(tables, &references)
}

fn in_order(mut waiting: BTreeMap<String, Table>, references: &[Reference]) -> Result<Vec<Table>> {
    let mut ordered = Vec::new();
    while !waiting.is_empty() {
        let free: Vec<String> = waiting
            .keys()
            .filter(|name| {
                references
                    .iter()
                    .filter(|r| r.from_table == **name && r.to_table != **name)
                    .all(|r| !waiting.contains_key(&r.to_table))
            })
            .cloned()
            .collect();
        if free.is_empty() {
            return Err(Error::internal("tables that refer to each other in a ring"));
        }
        ordered.extend(free.iter().filter_map(|name| waiting.remove(name)));
    }
    Ok(ordered)
}

/// The tables of an export: the people first, then those of the organisation, each after those it refers to.
///
/// # Errors
/// Those of the database.
pub fn exported_tables(conn: &mut PgConnection) -> Result<Vec<Table>> {
    let people = Table {
        name: PEOPLE.to_owned(),
        columns: ["person_id", "email", "display_name", "created_at", "erased_at"]
            .map(str::to_owned)
            .to_vec(),
        times: ["created_at", "erased_at"].map(str::to_owned).into(),
        key: vec!["person_id".to_owned()],
        refers_to_itself: false,
    };
    let rest =
        all_tables(conn)?.into_iter().filter(|table| LEFT_OUT.iter().all(|(name, _)| *name != table.name));
    Ok(std::iter::once(people).chain(rest).collect())
}

impl Table {
    /// Reads the rows of the transaction's organisation in the order of the key, each as a JSON object; those of the
    /// audit in the order of its chain. Times are RFC 3339 in UTC. How many there were.
    ///
    /// # Errors
    /// Those of the database and of `each`.
    pub fn read(&self, tx: &mut Tx<'_>, each: &mut dyn FnMut(&str) -> Result<()>) -> Result<u64> {
        let org_id = tx.org_id();
        let columns: Vec<String> = self.columns.iter().map(|name| self.selected(name)).collect();
        let of_organisation = if self.name == PEOPLE {
            format!("t.person_id IN (SELECT m.person_id FROM members m WHERE m.org_id = '{org_id}')")
        } else {
            format!("t.org_id = '{org_id}'")
        };
        let order = if self.name == "audit" {
            format!(
                "(SELECT l.sequence FROM audit_chain l WHERE l.org_id = '{org_id}' AND l.audit_id = t.id)"
            )
        } else {
            self.key.iter().map(|name| format!("t.\"{name}\"")).collect::<Vec<_>>().join(", ")
        };
        // Names come from the catalog and the id is a UUID by type: nothing of a user's is in the statement.
        tx.conn().batch_execute(&format!(
            "DECLARE organisation_rows NO SCROLL CURSOR FOR SELECT row_to_json(r)::text AS line
             FROM (SELECT {} FROM \"{}\" t WHERE {of_organisation} ORDER BY {order}) r",
            columns.join(", "),
            self.name
        ))?;
        let mut rows = 0;
        loop {
            let lines: Vec<Line> =
                diesel::sql_query(format!("FETCH {AT_ONCE} FROM organisation_rows")).load(tx.conn())?;
            if lines.is_empty() {
                break;
            }
            for line in lines {
                each(&line.line)?;
                rows += 1;
            }
        }
        tx.conn().batch_execute("CLOSE organisation_rows")?;
        Ok(rows)
    }

    fn selected(&self, name: &str) -> String {
        if self.times.contains(name) {
            format!(r#"to_char(t."{name}" AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"') AS "{name}""#)
        } else {
            format!("t.\"{name}\"")
        }
    }

    /// Inserts rows as [`Table::read`] gave them, in their order, over a connection that may; rows that are there
    /// already are left alone where `keep_known`.
    ///
    /// # Errors
    /// Those of the database and of the lines.
    pub fn write(
        &self,
        conn: &mut PgConnection,
        lines: impl Iterator<Item = Result<String>>,
        keep_known: bool,
    ) -> Result<()> {
        // A row may refer to one that comes later in the file: then all go in at once.
        let most = if self.refers_to_itself { usize::MAX } else { AT_ONCE };
        let mut waiting: Vec<String> = Vec::new();
        for line in lines {
            waiting.push(line?);
            if waiting.len() >= most {
                self.insert(conn, &waiting, keep_known)?;
                waiting.clear();
            }
        }
        if waiting.is_empty() { Ok(()) } else { self.insert(conn, &waiting, keep_known) }
    }

    fn partner(&self) -> Option<&'static str> {
        PARTNERS.into_iter().find(|column| self.columns.iter().any(|name| name == column))
    }

    fn insert(&self, conn: &mut PgConnection, lines: &[String], keep_known: bool) -> Result<()> {
        let mut into: Vec<String> = self.columns.iter().map(|name| format!("\"{name}\"")).collect();
        let mut from: Vec<String> = self.columns.iter().map(|name| format!("r.\"{name}\"")).collect();
        for (_, column) in SECRET_COLUMNS.iter().filter(|(table, _)| *table == self.name) {
            into.push(format!("\"{column}\""));
            // No digest is empty, so no secret opens it.
            from.push("''::bytea".to_owned());
        }
        let conflict = if keep_known { " ON CONFLICT DO NOTHING" } else { "" };
        let partner = self.partner().map_or_else(String::new, |column| {
            format!(" WHERE EXISTS (SELECT FROM organisations o WHERE o.org_id = r.{column})")
        });
        diesel::sql_query(format!(
            "INSERT INTO \"{0}\" ({1}) SELECT {2} FROM json_populate_recordset(NULL::\"{0}\", ('[' || array_to_string($1, ',') || ']')::json) r{partner}{conflict}",
            self.name,
            into.join(", "),
            from.join(", ")
        ))
        .bind::<Array<Text>, _>(lines)
        .execute(conn)?;
        Ok(())
    }
}

#[derive(QueryableByName)]
struct Binding {
    #[diesel(sql_type = Bool)]
    unbound: bool,
}

#[derive(QueryableByName)]
struct Gone {
    #[diesel(sql_type = BigInt)]
    rows: i64,
}

/// Takes every row of an organisation out of every table: the names of the tables and how many rows went. Over a
/// connection that may act as `garboard_owner`, since the service's own roles cannot take out what was recorded.
/// `note` is told before it is final.
///
/// # Errors
/// A conflict, when the role may not; those of the database and of `note`: then nothing is gone.
pub fn erase(
    owner_url: &str,
    org_id: OrgId,
    note: impl FnOnce(&[(String, i64)]) -> Result<()>,
) -> Result<Vec<(String, i64)>> {
    connect(owner_url)?.transaction(|conn| {
        let gone = take_out(conn, org_id)?;
        note(&gone)?;
        Ok(gone)
    })
}

/// Writes rows of an organisation that come back, over a connection that may act as `garboard_owner`: what guests
/// recorded keeps its author, whom the service's own roles cannot speak for. All or nothing.
///
/// # Errors
/// A conflict, when the role may not; those of the database and of `write`.
pub fn bring_back(
    owner_url: &str,
    org_id: OrgId,
    write: impl FnOnce(&mut PgConnection) -> Result<()>,
) -> Result<()> {
    connect(owner_url)?.transaction(|conn| {
        let unbound = act_as_owner(conn)?;
        let tables = if unbound { Vec::new() } else { all_tables(conn)? };
        for table in &tables {
            conn.batch_execute(&format!("ALTER TABLE \"{}\" NO FORCE ROW LEVEL SECURITY", table.name))?;
        }
        conn.batch_execute(&format!("SELECT set_config('app.org_id', '{org_id}', true)"))?;
        write(conn)?;
        conn.batch_execute("SET CONSTRAINTS ALL IMMEDIATE")?;
        for table in &tables {
            conn.batch_execute(&format!("ALTER TABLE \"{}\" FORCE ROW LEVEL SECURITY", table.name))?;
        }
        Ok(())
    })
}

fn connect(owner_url: &str) -> Result<PgConnection> {
    PgConnection::establish(owner_url).map_err(|cause| {
        Error::new(Code::Unavailable, "Cannot connect to PostgreSQL. Check the address and the role.")
            .because(cause)
    })
}

/// Whether row-level security does not bind the role; otherwise the transaction acts as the owner of the tables.
fn act_as_owner(conn: &mut PgConnection) -> Result<bool> {
    let binding: Binding = diesel::sql_query(
        "SELECT rolsuper OR rolbypassrls AS unbound FROM pg_roles WHERE rolname = current_user",
    )
    .get_result(conn)?;
    if !binding.unbound {
        conn.batch_execute("SET LOCAL ROLE garboard_owner").map_err(|cause| {
            Error::new(
                Code::Conflict,
                "The role cannot act as garboard_owner. Use a superuser or a member of it.",
            )
            .because(cause)
        })?;
    }
    Ok(binding.unbound)
}

fn take_out(conn: &mut PgConnection, org_id: OrgId) -> Result<Vec<(String, i64)>> {
    let unbound = act_as_owner(conn)?;
    let tables = all_tables(conn)?;
    let mut gone = Vec::new();
    for table in tables.iter().rev() {
        // The owner is bound by row-level security too; for this transaction it is not.
        let open = format!("ALTER TABLE \"{}\" NO FORCE ROW LEVEL SECURITY", table.name);
        let close = format!("ALTER TABLE \"{}\" FORCE ROW LEVEL SECURITY", table.name);
        if !unbound {
            conn.batch_execute(&open)?;
        }
        // Sessions hold tokens, which belong to no organisation.
        if table.name == "refresh_families" {
            conn.batch_execute(&format!(
                "{0}DELETE FROM refresh_tokens WHERE family_id IN (SELECT family_id FROM refresh_families WHERE org_id = '{org_id}'){1}",
                if unbound { "" } else { "ALTER TABLE refresh_tokens NO FORCE ROW LEVEL SECURITY; " },
                if unbound { "" } else { "; ALTER TABLE refresh_tokens FORCE ROW LEVEL SECURITY" },
            ))?;
        }
        let partner = table.partner().map_or_else(String::new, |column| format!(" OR {column} = '{org_id}'"));
        let deleted: Gone = diesel::sql_query(format!(
            "WITH gone AS (DELETE FROM \"{}\" WHERE org_id = '{org_id}'{partner} RETURNING 1) SELECT count(*) AS rows FROM gone",
            table.name
        ))
        .get_result(conn)?;
        // Checks that wait for the commit stand in the way of changing the table back.
        if !unbound {
            conn.batch_execute("SET CONSTRAINTS ALL IMMEDIATE")?;
            conn.batch_execute(&close)?;
        }
        gone.push((table.name.clone(), deleted.rows));
    }
    Ok(gone)
}
