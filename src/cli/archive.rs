//! `garboard archive` and `garboard restore`: the whole of an organisation into a file, and back from it.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use clap::Args;
use sha2::{Digest, Sha256};

use crate::cli::database::{ForOrganisation, Where};
use crate::cli::organisation::random_password;
use crate::cli::output::print_line;
use crate::codes::hex;
use crate::db::organisation_rows::{Table, bring_back, exported_tables};
use crate::db::{Actor, Db, migrations};
use crate::error::{Code, Error, Result};
use crate::features::accounts::api::export::{FORM, MANIFEST, Manifest, write_archive};
use crate::features::accounts::api::proof::hash_password;
use crate::features::accounts::store::{erasure, organisations};
use crate::features::audit;
use crate::ids::{Id, RequestId};
use crate::jobs::queue;
use crate::routes;

/// Tables that only the sign-in role writes: they are there before an organisation is.
const BY_SIGN_IN: [&str; 3] = ["people", "organisations", "members"];

/// Write the whole of an organisation to a tar archive: JSON lines and CSV, a pair of files a table.
#[derive(Debug, Args)]
pub struct Archive {
    #[command(flatten)]
    database: Where,
    #[command(flatten)]
    organisation: ForOrganisation,
    /// The file to write; it must not be there yet
    #[arg(value_name = "FILE.tar")]
    to: PathBuf,
}

impl Archive {
    pub(super) fn run(&self) -> Result<()> {
        let opened = self.database.open()?;
        let actor = self.organisation.actor(&opened.db)?;
        let mut options = OpenOptions::new();
        let mut file = options.write(true).create_new(true).mode(0o600).open(&self.to).map_err(|cause| {
            Error::new(
                Code::Invalid,
                format!("Cannot write {}: {cause}. Name a new file.", self.to.display()),
            )
        })?;
        let manifest = write_archive(&opened.db, &actor, &mut file)?;
        file.sync_all().map_err(Error::internal)?;
        let rows: u64 = manifest.tables.iter().map(|table| table.rows).sum();
        print_line(&format!(
            "{rows} rows of {} tables in {}. It names people: keep it as you keep their letters.",
            manifest.tables.len(),
            self.to.display()
        ))
    }
}

/// Bring an exported organisation back into a service that does not have it.
///
/// People get no password by it: each resets theirs. Programs get new secrets.
#[derive(Debug, Args)]
pub struct Restore {
    #[command(flatten)]
    database: Where,
    /// The file that `garboard archive` wrote
    #[arg(value_name = "FILE.tar")]
    from: PathBuf,
}

impl Restore {
    pub(super) fn run(&self) -> Result<()> {
        let opened = self.database.open()?;
        let file = File::open(&self.from)
            .map_err(|cause| unusable(&format!("{} cannot be read: {cause}", self.from.display())))?;
        let owner_url = self.database.owner_url(&opened)?;
        let manifest = restore(&opened.db, &owner_url, file)?;
        let rows: u64 = manifest.tables.iter().map(|table| table.rows).sum();
        print_line(&format!(
            "Organisation {} is back: {rows} rows of {} tables, the head of its audit as it was. \
             People set passwords with: garboard reset-password --email ADDRESS",
            manifest.org_id,
            manifest.tables.len()
        ))
    }
}

fn unusable(why: &str) -> Error {
    Error::new(Code::Invalid, format!("The archive cannot be restored: {why}."))
}

/// The tables of an archive as files in a folder, after its manifest.
fn unpack(archive: impl Read, folder: &Path) -> Result<Manifest> {
    let broken = |cause: std::io::Error| unusable("it is not whole").because(cause);
    let mut archive = tar::Archive::new(archive);
    let mut manifest = None;
    for entry in archive.entries().map_err(broken)? {
        let mut entry = entry.map_err(broken)?;
        let name = entry.path().map_err(broken)?.to_string_lossy().into_owned();
        if name == MANIFEST {
            manifest = Some(
                serde_json::from_reader::<_, Manifest>(&mut entry)
                    .map_err(|cause| unusable("its manifest cannot be read").because(cause))?,
            );
        } else if let Some(table) = name.strip_suffix(".jsonl")
            && table.chars().all(|c| c.is_ascii_lowercase() || c == '_')
        {
            let mut file = File::create(folder.join(&name)).map_err(Error::internal)?;
            std::io::copy(&mut entry, &mut file).map_err(broken)?;
        }
    }
    manifest.ok_or_else(|| unusable("it holds no manifest.json"))
}

fn checked(manifest: &Manifest, folder: &Path) -> Result<()> {
    if manifest.form != FORM {
        return Err(unusable(&format!(
            "it is of the form \"{}\", and \"{FORM}\" is read here",
            manifest.form
        )));
    }
    let ours = migrations::latest()?;
    if manifest.schema != ours {
        return Err(unusable(&format!(
            "it was made from the schema {} and this garboard has {ours}. Restore it with the garboard that made it, then migrate with this one",
            manifest.schema
        )));
    }
    for table in &manifest.tables {
        let path = folder.join(format!("{}.jsonl", table.name));
        let file = File::open(path)
            .map_err(|cause| unusable(&format!("{}.jsonl is not in it", table.name)).because(cause))?;
        let (mut file, mut digest, mut piece) = (BufReader::new(file), Sha256::new(), Vec::new());
        while file.read_until(b'\n', &mut piece).map_err(Error::internal)? > 0 {
            digest.update(&piece);
            piece.clear();
        }
        if hex(&digest.finalize()) != table.jsonl_sha256 {
            return Err(unusable(&format!("{}.jsonl is not what was exported", table.name)));
        }
    }
    Ok(())
}

/// Brings an archive back: all of it or nothing but the names of its people. Grants, offers and due rows that have to do
/// with an organisation that is not here stay away.
///
/// # Errors
/// Invalid, with what is wrong with the archive; a conflict, when the organisation is there, or the role may not.
pub fn restore(db: &Db, owner_url: &str, archive: impl Read) -> Result<Manifest> {
    let folder = tempfile::tempdir().map_err(Error::internal)?;
    let manifest = unpack(archive, folder.path())?;
    checked(&manifest, folder.path())?;
    let lines = |table: &Table| -> Result<_> {
        let file =
            File::open(folder.path().join(format!("{}.jsonl", table.name))).map_err(Error::internal)?;
        Ok(BufReader::new(file).lines().map(|line| line.map_err(Error::internal)))
    };
    let there = db.sign_in(organisations)?;
    if there.iter().any(|(org_id, _)| *org_id == manifest.org_id) {
        return Err(Error::new(
            Code::Conflict,
            format!(
                "The organisation {} is here already. Restore into a service without it, or erase it there first: garboard erase organisation.",
                manifest.org_id
            ),
        ));
    }
    let locked = hash_password(&random_password()?)?;
    let tables: BTreeMap<String, Table> =
        db.sign_in(exported_tables)?.into_iter().map(|table| (table.name.clone(), table)).collect();
    let table = |name: &str| {
        tables.get(name).ok_or_else(|| unusable(&format!("it holds a table {name}, which is not known here")))
    };
    db.sign_in(|conn| {
        for name in BY_SIGN_IN {
            let table = table(name)?;
            table.write(conn, lines(table)?, name == "people")?;
        }
        erasure::lock_passwords(conn, &locked, db.clock().now())
    })?;
    let actor = Actor::service(manifest.org_id, RequestId::fresh());
    bring_back(owner_url, manifest.org_id, |conn| {
        for listed in manifest.tables.iter().filter(|listed| !BY_SIGN_IN.contains(&listed.name.as_str())) {
            let table = table(&listed.name)?;
            table.write(conn, lines(table)?, false)?;
        }
        Ok(())
    })?;
    db.write(&actor, queue::request_all_forecasts)?;
    routes::recur(db, manifest.org_id)?;
    let head = db.read(&actor, audit::head)?;
    if head.map(|(_, digest)| hex(&digest)) != manifest.audit_head_sha256 {
        return Err(Error::new(
            Code::Conflict,
            "The audit that came back does not end in the head of the archive. Erase the organisation and compare the archive with another copy.",
        ));
    }
    Ok(manifest)
}
