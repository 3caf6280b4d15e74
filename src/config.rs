//! Settings from the environment and the command line. The only reader of the environment; secrets are
//! redacted when printed.

use std::ffi::OsString;
use std::fmt;
use std::path::PathBuf;

use crate::db::private::{self, PrivateOptions};
use crate::error::{Code, Error, Result};
use crate::objects::S3Settings;

/// Where the database is.
#[derive(Clone)]
pub enum Database {
    /// A PostgreSQL of our own in a data folder.
    Private(PrivateOptions),
    /// One that somebody else runs.
    Given(GivenDatabase),
}

/// The addresses of a PostgreSQL that somebody else runs.
#[derive(Clone)]
pub struct GivenDatabase {
    /// `DATABASE_URL`: the application role.
    pub app_url: String,
    /// `DATABASE_WORKER_URL`.
    pub worker_url: Option<String>,
    /// `DATABASE_SIGN_IN_URL`.
    pub sign_in_url: Option<String>,
    /// `DATABASE_OWNER_URL`: a superuser, or a member of `garboard_owner`; for `migrate` only.
    pub owner_url: Option<String>,
}

/// What the service tells and takes beyond the database.
#[derive(Clone)]
pub struct ServiceSettings {
    /// `GARBOARD_SMTP_URL`: where letters go out; it holds a password.
    pub smtp_url: Option<String>,
    /// `GARBOARD_MAIL_FROM`: the sender of letters.
    pub mail_from: Option<String>,
    /// `GARBOARD_PUBLIC_URL`: where people reach the service, for the letters.
    pub public_url: Option<String>,
    /// `GARBOARD_CORS_ORIGINS`: origins whose pages may call the API, with spaces between.
    pub cors_origins: Vec<String>,
    /// `GARBOARD_REQUESTS_PER_SECOND` of one caller; 0 for no bound.
    pub requests_per_second: Option<u32>,
    /// `GARBOARD_SEND_TO_LOOPBACK`: whether events may be sent to this machine.
    pub sends_to_loopback: bool,
    /// `GARBOARD_METRICS_TOKEN`: what opens `/metrics`; without one it is for this machine.
    pub metrics_token: Option<String>,
    /// `GARBOARD_ATTACHMENT_MIB`: the longest file of an attachment.
    pub attachment_mib: Option<u32>,
}

/// The settings.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Where the database is.
    pub database: Database,
    /// Keeps the token key, and the private PostgreSQL.
    pub data_dir: PathBuf,
}

impl fmt::Debug for Database {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Private(options) => f.debug_tuple("Private").field(&options.data_dir).finish(),
            Self::Given(_) => f.write_str("Given(redacted)"),
        }
    }
}

#[allow(clippy::disallowed_methods, reason = "this is the one place that reads the environment")]
fn text(name: &str) -> Result<Option<String>> {
    match std::env::var(name) {
        Ok(value) if value.trim().is_empty() => Ok(None),
        Ok(value) => Ok(Some(value)),
        Err(std::env::VarError::NotPresent) => Ok(None),
        Err(std::env::VarError::NotUnicode(_)) => {
            Err(Error::new(Code::Invalid, format!("{name} is not UTF-8. Correct it.")))
        }
    }
}

fn number(name: &str, remedy: &str) -> Result<Option<u32>> {
    text(name)?
        .map(|text| {
            text.trim().parse().map_err(|cause: std::num::ParseIntError| {
                Error::new(Code::Invalid, format!("{name} is no number. {remedy}")).because(cause)
            })
        })
        .transpose()
}

#[allow(clippy::disallowed_methods, reason = "this is the one place that reads the environment")]
fn raw(name: &str) -> Option<OsString> {
    std::env::var_os(name).filter(|value| !value.is_empty())
}

impl Settings {
    /// Reads the environment; the arguments come from the command line. With `only_private`, `DATABASE_URL`
    /// is passed over.
    ///
    /// # Errors
    /// Invalid, when a variable cannot be read or no data folder is known.
    pub fn read(data_dir: Option<PathBuf>, install: bool, only_private: bool) -> Result<Self> {
        let home = raw("HOME").map(PathBuf::from);
        let xdg = raw("XDG_DATA_HOME").map(PathBuf::from);
        let data_dir = match data_dir {
            Some(folder) => folder,
            None => private::default_data_dir(private::is_root(), home.as_deref(), xdg.as_deref())
                .map_err(|cause| Error::new(Code::Invalid, cause.to_string()))?,
        };
        let database = match text("DATABASE_URL")?.filter(|_| !only_private) {
            Some(app_url) => Database::Given(GivenDatabase {
                app_url,
                worker_url: text("DATABASE_WORKER_URL")?,
                sign_in_url: text("DATABASE_SIGN_IN_URL")?,
                owner_url: text("DATABASE_OWNER_URL")?,
            }),
            None => Database::Private(PrivateOptions {
                data_dir: data_dir.clone(),
                bin_dir: raw("PG_BINDIR").map(PathBuf::from),
                path: raw("PATH").unwrap_or_default(),
                allow_install: install,
                fsync: true,
            }),
        };
        Ok(Self { database, data_dir })
    }

    /// What the service tells and takes beyond the database.
    ///
    /// # Errors
    /// Invalid, when a variable cannot be read.
    pub fn service() -> Result<ServiceSettings> {
        let requests_per_second = number("GARBOARD_REQUESTS_PER_SECOND", "Enter one, 0 for no bound.")?;
        let attachment_mib = number("GARBOARD_ATTACHMENT_MIB", "Enter one from 1 to 1024.")?;
        if attachment_mib.is_some_and(|mib| !(1..=1024).contains(&mib)) {
            return Err(Error::new(
                Code::Invalid,
                "GARBOARD_ATTACHMENT_MIB is not from 1 to 1024. Correct it.",
            ));
        }
        let origins = text("GARBOARD_CORS_ORIGINS")?.unwrap_or_default();
        Ok(ServiceSettings {
            smtp_url: text("GARBOARD_SMTP_URL")?,
            mail_from: text("GARBOARD_MAIL_FROM")?,
            public_url: text("GARBOARD_PUBLIC_URL")?,
            cors_origins: origins.split_whitespace().map(str::to_owned).collect(),
            requests_per_second,
            sends_to_loopback: text("GARBOARD_SEND_TO_LOOPBACK")?.is_some_and(|text| text.trim() == "true"),
            metrics_token: text("GARBOARD_METRICS_TOKEN")?,
            attachment_mib,
        })
    }

    /// The store of attachments where it is not the data folder: one that speaks S3.
    ///
    /// # Errors
    /// Invalid, when a variable cannot be read or one is missing.
    pub fn s3() -> Result<Option<S3Settings>> {
        let Some(bucket) = text("GARBOARD_S3_BUCKET")? else { return Ok(None) };
        let needed = |name: &str| {
            text(name)?.ok_or_else(|| {
                Error::new(Code::Invalid, format!("GARBOARD_S3_BUCKET is set. Set {name} with it."))
            })
        };
        Ok(Some(S3Settings {
            bucket,
            endpoint: text("GARBOARD_S3_ENDPOINT")?,
            region: needed("GARBOARD_S3_REGION")?,
            key_id: needed("GARBOARD_S3_KEY_ID")?,
            secret: needed("GARBOARD_S3_SECRET")?,
        }))
    }

    /// `GARBOARD_SERVER`: the service that commands speak to.
    ///
    /// # Errors
    /// Invalid, when it is not UTF-8.
    pub fn server() -> Result<Option<String>> {
        text("GARBOARD_SERVER")
    }

    /// `GARBOARD_CA`: the certificate authority to trust instead of those of the system.
    #[must_use]
    pub fn ca() -> Option<PathBuf> {
        raw("GARBOARD_CA").map(PathBuf::from)
    }

    /// `GARBOARD_CREDENTIALS`: the file with a program's credentials.
    #[must_use]
    pub fn credentials_file() -> Option<PathBuf> {
        raw("GARBOARD_CREDENTIALS").map(PathBuf::from)
    }

    /// `GARBOARD_CLIENT_ID` and `GARBOARD_CLIENT_SECRET`: a program's credentials.
    ///
    /// # Errors
    /// Invalid, when one is there without the other.
    pub fn program_credentials() -> Result<Option<(String, String)>> {
        match (text("GARBOARD_CLIENT_ID")?, text("GARBOARD_CLIENT_SECRET")?) {
            (Some(id), Some(secret)) => Ok(Some((id, secret))),
            (None, None) => Ok(None),
            _ => Err(Error::new(
                Code::Invalid,
                "Set both GARBOARD_CLIENT_ID and GARBOARD_CLIENT_SECRET, or neither.",
            )),
        }
    }

    /// The user's folder for settings: `XDG_CONFIG_HOME`, or `.config` at home (XDG Base Directory Specification).
    ///
    /// # Errors
    /// Invalid, when no home is known.
    pub fn config_folder() -> Result<PathBuf> {
        let folder = raw("XDG_CONFIG_HOME").map(PathBuf::from).filter(|folder| folder.is_absolute());
        let folder = folder.or_else(|| raw("HOME").map(|home| PathBuf::from(home).join(".config")));
        folder.map(|folder| folder.join("garboard")).ok_or_else(|| {
            Error::new(Code::Invalid, "Neither HOME nor XDG_CONFIG_HOME is set. Set one of them.")
        })
    }

    /// The filter of the log, `RUST_LOG`.
    ///
    /// # Errors
    /// Invalid, when it is not UTF-8.
    pub fn log_filter() -> Result<Option<String>> {
        text("RUST_LOG")
    }
}
