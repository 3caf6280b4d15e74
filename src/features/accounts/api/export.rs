//! The whole of an organisation, as one file that any tool opens: a tar archive (POSIX.1-1988, ustar) of `manifest.json`
//! and, for each table, `NAME.jsonl` (a JSON object a line, what a restoration reads) and `NAME.csv` (the same for
//! people and their spreadsheets). Fields are called and measured as in the API.

use std::fs::File;
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;

use actix_web::web::Bytes;
use actix_web::{HttpResponse, get};
use chrono::{DateTime, Utc};
use futures_util::stream;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::codes::hex;
use crate::db::organisation_rows::{LEFT_OUT, Table, exported_tables};
use crate::db::{Actor, Db, Tx, migrations};
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::http::csv::{harmless, lines};
use crate::http::problem::ReadProblems;
use crate::http::state::blocking;
use crate::http::{App, Outcome, Permit};
use crate::ids::OrgId;
use crate::permissions::Administer;

/// The form of the archive; another form gets another name.
pub const FORM: &str = "garboard organisation, form 1";
/// The first file of an archive.
pub const MANIFEST: &str = "manifest.json";

/// What an archive says of itself.
#[derive(Debug, Serialize, Deserialize)]
pub struct Manifest {
    /// [`FORM`].
    pub form: String,
    /// The newest change of the schema it was made from.
    pub schema: String,
    /// Whose it is.
    pub org_id: OrgId,
    /// When it was made.
    pub exported_at: DateTime<Utc>,
    /// How many rows the audit's chain had.
    pub audit_sequence: i64,
    /// The head of the chain, in hexadecimal.
    pub audit_head_sha256: Option<String>,
    /// The tables, each after those it refers to.
    pub tables: Vec<ManifestTable>,
    /// What is left out, and why.
    pub left_out: Vec<String>,
}

/// A table of an archive.
#[derive(Debug, Serialize, Deserialize)]
pub struct ManifestTable {
    /// Its name; its files are called by it.
    pub name: String,
    /// How many rows.
    pub rows: u64,
    /// The digest of the `.jsonl`, in hexadecimal.
    pub jsonl_sha256: String,
}

fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => harmless(text).into_owned(),
        other => other.to_string(),
    }
}

fn write_table(tx: &mut Tx<'_>, table: &Table, folder: &Path) -> Result<ManifestTable> {
    let create = |end: &str| {
        File::create(folder.join(format!("{}.{end}", table.name)))
            .map(BufWriter::new)
            .map_err(Error::internal)
    };
    let (mut jsonl, mut csv) = (create("jsonl")?, create("csv")?);
    let mut digest = Sha256::new();
    csv.write_all(&lines([&table.columns])?).map_err(Error::internal)?;
    let rows = table.read(tx, &mut |line| {
        digest.update(line.as_bytes());
        digest.update(b"\n");
        writeln!(jsonl, "{line}").map_err(Error::internal)?;
        let row: Value = serde_json::from_str(line).map_err(Error::internal)?;
        let cells: Vec<String> = table.columns.iter().map(|name| cell(&row[name])).collect();
        csv.write_all(&lines([cells])?).map_err(Error::internal)
    })?;
    jsonl.flush().map_err(Error::internal)?;
    csv.flush().map_err(Error::internal)?;
    Ok(ManifestTable { name: table.name.clone(), rows, jsonl_sha256: hex(&digest.finalize()) })
}

/// Writes the archive of the actor's organisation: one state of it, though others write on.
///
/// # Errors
/// Those of the database; internal, when a file cannot be written.
pub fn write_archive(db: &Db, actor: &Actor, target: &mut dyn Write) -> Result<Manifest> {
    let org_id = actor.org_id;
    db.write(actor, |tx| {
        let act = Act::<()> {
            action: "export_organisation",
            entity: "organisation",
            entity_id: org_id.into(),
            before: None,
            after: None,
        };
        audit::record(tx, &act)
    })?;
    let folder = tempfile::tempdir().map_err(Error::internal)?;
    let manifest = db.snapshot(actor, |tx| {
        let head = audit::head(tx)?;
        let tables = exported_tables(tx.conn())?;
        let tables =
            tables.iter().map(|table| write_table(tx, table, folder.path())).collect::<Result<_>>()?;
        Ok(Manifest {
            form: FORM.to_owned(),
            schema: migrations::latest()?,
            org_id,
            exported_at: tx.now(),
            audit_sequence: head.as_ref().map_or(0, |(sequence, _)| *sequence),
            audit_head_sha256: head.map(|(_, digest)| hex(&digest)),
            tables,
            left_out: LEFT_OUT.iter().map(|(name, why)| format!("{name}: {why}")).collect(),
        })
    })?;
    let mut archive = tar::Builder::new(target);
    archive.mode(tar::HeaderMode::Deterministic);
    let text = serde_json::to_vec_pretty(&manifest).map_err(Error::internal)?;
    let mut header = tar::Header::new_ustar();
    header.set_size(u64::try_from(text.len()).map_err(Error::internal)?);
    header.set_mode(0o600);
    archive.append_data(&mut header, MANIFEST, &text[..]).map_err(Error::internal)?;
    for table in &manifest.tables {
        for end in ["jsonl", "csv"] {
            let name = format!("{}.{end}", table.name);
            archive.append_path_with_name(folder.path().join(&name), &name).map_err(Error::internal)?;
        }
    }
    archive.into_inner().and_then(Write::flush).map_err(Error::internal)?;
    Ok(manifest)
}

/// Bytes of the archive sent at once.
const PIECE: usize = 64 * 1024;

/// Exports the whole of your organisation: a tar archive of JSON lines and CSV, a pair of files a table.
///
/// Written to a file before it is sent, so that a slow reader holds no connection to the database.
#[utoipa::path(tag = "accounts", security(("bearer" = [])),
    responses((status = 200, description = "The archive: manifest.json, then NAME.jsonl and NAME.csv of each table", body = String, content_type = "application/x-tar"), ReadProblems))]
#[get("/v1/organisation/export")]
pub async fn read_organisation_export(app: App, permit: Permit<Administer>) -> Outcome {
    if permit.actor().person_id.is_none() {
        return Err(Error::new(Code::Forbidden, "An administrator exports. Sign in as a person."));
    }
    let file = app
        .with_db(&permit, |db, actor| {
            let mut file = tempfile::tempfile().map_err(Error::internal)?;
            write_archive(db, actor, &mut file)?;
            file.seek(SeekFrom::Start(0)).map_err(Error::internal)?;
            Ok(file)
        })
        .await?;
    let body = stream::try_unfold(file, |mut file| async move {
        let read = blocking(move || {
            let mut piece = vec![0; PIECE];
            let n = file.read(&mut piece).map_err(Error::internal)?;
            piece.truncate(n);
            Ok((piece, file))
        });
        let (piece, file) = read.await?;
        Ok::<_, Error>((!piece.is_empty()).then(|| (Bytes::from(piece), file)))
    });
    Ok(HttpResponse::Ok()
        .content_type("application/x-tar")
        .insert_header(("content-disposition", "attachment; filename=\"organisation.tar\""))
        .insert_header(("cache-control", "no-store"))
        .streaming(body))
}
