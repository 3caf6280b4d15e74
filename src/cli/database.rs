//! Getting at the database from the command line: the private one, started or already served, or a given
//! one; and the organisation a command works for.

use std::path::PathBuf;

use clap::Args;

use crate::clock::Clock;
use crate::config::{Database, GivenDatabase, Settings};
use crate::db::private::{Account, Addresses, PrivatePostgres};
use crate::db::roles::DATABASE;
use crate::db::{Actor, Db, DbOptions, migrations};
use crate::error::{Code, Error, Result};
use crate::features::accounts::store;
use crate::ids::{Id, OrgId, RequestId};
use crate::objects::Objects;

/// Where the database is.
#[derive(Debug, Clone, Args)]
pub struct Where {
    /// Folder of the private PostgreSQL and of the keys [default: /var/lib/garboard as root, else the user's data folder]
    #[arg(long, value_name = "FOLDER")]
    pub data_dir: Option<PathBuf>,
    /// Never install PostgreSQL, even as root on a Debian-like system
    #[arg(long)]
    pub no_install: bool,
    /// Whether `DATABASE_URL` is passed over.
    #[arg(skip)]
    only_private: bool,
}

fn with_suffix(folder: &std::path::Path, name: &str) -> PathBuf {
    let mut path = folder.as_os_str().to_owned();
    path.push("-");
    path.push(name);
    path.into()
}

/// The database, open, and what must live as long as it is used.
pub struct Opened {
    /// The database.
    pub db: Db,
    /// The private PostgreSQL, where this process started it.
    pub private: Option<PrivatePostgres>,
    /// The folder for keys.
    pub secrets: PathBuf,
    /// The bytes of attachments.
    pub objects: Objects,
    /// Of a private PostgreSQL, whoever may act as `garboard_owner`.
    superuser_url: Option<String>,
}

impl Where {
    /// The settings with these arguments.
    ///
    /// # Errors
    /// Invalid settings.
    pub fn settings(&self) -> Result<Settings> {
        Settings::read(self.data_dir.clone(), !self.no_install, self.only_private)
    }

    /// The same with a folder of its own below the given one, and never a given database: for the demo.
    ///
    /// # Errors
    /// Invalid settings.
    pub fn beside(&self, name: &str) -> Result<Self> {
        let data_dir = match &self.data_dir {
            Some(folder) => folder.clone(),
            None => with_suffix(&self.settings()?.data_dir, name),
        };
        Ok(Self { data_dir: Some(data_dir), only_private: true, ..self.clone() })
    }

    /// The data folder.
    ///
    /// # Errors
    /// Invalid settings.
    pub fn folder(&self) -> Result<PathBuf> {
        Ok(self.settings()?.data_dir)
    }

    /// Opens the database for a service: starts the private PostgreSQL, which must not be in use, and
    /// migrates it; a given one must have been migrated.
    ///
    /// # Errors
    /// Unavailable or a conflict, with the reason and the remedy.
    pub fn start(&self, connections: u32) -> Result<Opened> {
        let settings = self.settings()?;
        match &settings.database {
            Database::Private(options) => {
                let private = PrivatePostgres::start(options).map_err(refused)?;
                let addresses = private.addresses(DATABASE);
                migrations::migrate(&addresses.superuser_url)?;
                let db = connect(&addresses, connections)?;
                let secrets = private.data_dir().join("secrets");
                let objects = objects(private.data_dir(), private.account())?;
                Ok(Opened {
                    db,
                    private: Some(private),
                    secrets,
                    objects,
                    superuser_url: Some(addresses.superuser_url),
                })
            }
            Database::Given(given) => open_given(given, &settings, connections),
        }
    }

    /// Opens the database for one command: as [`Where::start`], but a private one that a service runs on is
    /// used along with it.
    ///
    /// # Errors
    /// As [`Where::start`].
    pub fn open(&self) -> Result<Opened> {
        let settings = self.settings()?;
        if let Database::Private(options) = &settings.database
            && let Some(addresses) = PrivatePostgres::running(options, DATABASE).map_err(refused)?
        {
            let db = connect(&addresses, 2)?;
            let objects = objects(&settings.data_dir, None)?;
            let secrets = settings.data_dir.join("secrets");
            let superuser_url = Some(addresses.superuser_url);
            return Ok(Opened { db, private: None, secrets, objects, superuser_url });
        }
        self.start(2)
    }
}

impl Where {
    /// Where whoever may act as `garboard_owner` connects, for what no role of the service may do.
    ///
    /// # Errors
    /// Invalid, when a given database names none.
    pub fn owner_url(&self, opened: &Opened) -> Result<String> {
        if let Some(url) = &opened.superuser_url {
            return Ok(url.clone());
        }
        match self.settings()?.database {
            Database::Given(GivenDatabase { owner_url: Some(url), .. }) => Ok(url),
            _ => Err(Error::new(
                Code::Invalid,
                "The service's own roles cannot take out what was recorded. Set DATABASE_OWNER_URL to a superuser, or to a member of garboard_owner, of that database.",
            )),
        }
    }
}

fn refused(cause: crate::db::private::PrivateError) -> Error {
    Error::new(Code::Unavailable, cause.to_string())
}

fn connect(addresses: &Addresses, connections: u32) -> Result<Db> {
    let options = DbOptions {
        app_url: addresses.app_url.clone(),
        worker_url: addresses.worker_url.clone(),
        sign_in_url: addresses.sign_in_url.clone(),
        app_connections: connections,
    };
    Db::connect(&options, Clock::System)
}

fn open_given(given: &GivenDatabase, settings: &Settings, connections: u32) -> Result<Opened> {
    let missing = |name: &str| {
        Error::new(
            Code::Invalid,
            format!("DATABASE_URL is set but {name} is not. Set all three roles' addresses, see the README."),
        )
    };
    let options = DbOptions {
        app_url: given.app_url.clone(),
        worker_url: given.worker_url.clone().ok_or_else(|| missing("DATABASE_WORKER_URL"))?,
        sign_in_url: given.sign_in_url.clone().ok_or_else(|| missing("DATABASE_SIGN_IN_URL"))?,
        app_connections: connections,
    };
    let db = Db::connect(&options, Clock::System)?;
    let secrets = settings.data_dir.join("secrets");
    make_private_folder(&secrets)?;
    let objects = objects(&settings.data_dir, None)?;
    Ok(Opened { db, private: None, secrets, objects, superuser_url: None })
}

/// The store of attachments: where it is set to be, else a folder of the data folder, which the unprivileged user owns
/// that the service becomes.
fn objects(data_dir: &std::path::Path, account: Option<&Account>) -> Result<Objects> {
    if let Some(s3) = Settings::s3()? {
        return Objects::in_s3(&s3);
    }
    let folder = data_dir.join("attachments");
    let is_new = !folder.exists();
    let objects = Objects::in_folder(&folder)?;
    if let Some(account) = account.filter(|_| is_new) {
        std::os::unix::fs::lchown(&folder, Some(account.uid), Some(account.gid)).map_err(Error::internal)?;
    }
    Ok(objects)
}

fn make_private_folder(folder: &std::path::Path) -> Result<()> {
    use std::os::unix::fs::DirBuilderExt;
    std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder).map_err(|cause| {
        Error::new(
            Code::Unavailable,
            format!("Cannot make the folder {}: {cause}. Name another with --data-dir.", folder.display()),
        )
    })
}

/// Which organisation a command works for.
#[derive(Debug, Clone, Args)]
pub struct ForOrganisation {
    /// The organisation, by name or id; may be left out where there is only one
    #[arg(long, value_name = "NAME")]
    pub organisation: Option<String>,
}

impl ForOrganisation {
    /// The service's own actor in that organisation.
    ///
    /// # Errors
    /// Invalid, when none or several fit.
    pub fn actor(&self, db: &Db) -> Result<Actor> {
        let all = db.sign_in(store::organisations)?;
        // Two may have the same name, and then only the id tells them apart.
        let names = || all.iter().map(|(id, name)| format!("{name} ({id})")).collect::<Vec<_>>().join(", ");
        let fitting: Vec<OrgId> = all
            .iter()
            .filter(|(id, name)| {
                self.organisation.as_deref().is_none_or(|asked| asked == name || asked == id.to_string())
            })
            .map(|(id, _)| *id)
            .collect();
        match fitting[..] {
            [org_id] => Ok(Actor::service(org_id, RequestId::fresh())),
            [] if all.is_empty() => Err(Error::new(
                Code::Invalid,
                "There is no organisation yet. Make one: garboard organisation --name NAME --email ADDRESS",
            )),
            _ => Err(Error::new(
                Code::Invalid,
                format!("Name one organisation with --organisation, by its name or id: {}.", names()),
            )),
        }
    }
}
