//! Questions to a database that come back as JSON.

use diesel::{Connection, PgConnection, QueryableByName, RunQueryDsl, sql_query, sql_types};
use serde_json::Value;

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = sql_types::Text)]
    row: String,
}

/// A connection of whoever the address names.
pub fn connect(url: &str) -> PgConnection {
    PgConnection::establish(url).expect("the tests' server accepts its roles")
}

/// The rows of a query, each as a JSON object.
pub fn rows(connection: &mut PgConnection, query: &str) -> Vec<Value> {
    try_rows(connection, query).unwrap_or_else(|error| unreachable!("{error} in {query}"))
}

/// As [`rows`], with what the server said when it refused.
pub fn try_rows(connection: &mut PgConnection, query: &str) -> Result<Vec<Value>, String> {
    let rows: Vec<Row> =
        sql_query(format!("SELECT to_jsonb(question)::text AS row FROM ({query}) AS question"))
            .load(connection)
            .map_err(|error| error.to_string())?;
    Ok(rows.iter().map(|row| serde_json::from_str(&row.row).expect("PostgreSQL writes JSON")).collect())
}

/// Runs a statement; the number of rows it touched, or what the server said.
pub fn run(connection: &mut PgConnection, statement: &str) -> Result<usize, String> {
    sql_query(statement).execute(connection).map_err(|error| error.to_string())
}

/// The text in a column of a row.
#[track_caller]
pub fn text<'a>(row: &'a Value, column: &str) -> &'a str {
    row[column].as_str().expect("a text in this column")
}

/// The first column of every row, which is text.
pub fn names(connection: &mut PgConnection, query: &str) -> Vec<String> {
    rows(connection, query)
        .iter()
        .filter_map(|row| row.as_object()?.values().next()?.as_str().map(str::to_owned))
        .collect()
}

/// The tables whose rows belong to an organisation, with the column that says to which.
pub fn tenant_tables(connection: &mut PgConnection) -> Vec<(String, String)> {
    // A due row belongs to the organisation that sees it.
    let query = "SELECT c.relname::text AS name, max(a.attname::text) AS owner
        FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname IN ('org_id', 'viewer_org_id')
        WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') GROUP BY c.relname ORDER BY 1";
    let tables: Vec<_> = rows(connection, query)
        .iter()
        .map(|row| (text(row, "name").to_owned(), text(row, "owner").to_owned()))
        .collect();
    assert!(tables.len() > 20, "the catalog shows {} tables with an organisation", tables.len());
    tables
}

/// Sets the organisation of the session, as the service does for a transaction; none with an empty text.
pub fn be_of(connection: &mut PgConnection, org_id: &str) {
    run(connection, &format!("SELECT set_config('app.org_id', '{org_id}', false)"))
        .expect("anybody may set a setting of their own");
}
