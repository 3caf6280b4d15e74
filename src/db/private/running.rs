//! Along with a service that runs already: the addresses of its server, for a command on the same machine by
//! a user who may read the secrets.

use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};

use super::error::PrivateError;
use super::{PrivateOptions, PrivatePostgres, SUPERUSER, roles, urls};

/// The connection strings of one database.
#[derive(Clone)]
pub struct Addresses {
    /// For migrations only: it passes row-level security.
    pub superuser_url: String,
    /// The application role.
    pub app_url: String,
    /// The worker role.
    pub worker_url: String,
    /// The sign-in role.
    pub sign_in_url: String,
}

impl PrivatePostgres {
    /// The connection strings of a database of this server.
    #[must_use]
    pub fn addresses(&self, database: &str) -> Addresses {
        Addresses {
            superuser_url: self.superuser_url(database),
            app_url: self.app_url(database),
            worker_url: self.worker_url(database),
            sign_in_url: self.sign_in_url(database),
        }
    }

    /// The connection strings of the server that another process runs on this data folder, or `None` where
    /// none does.
    ///
    /// # Errors
    /// Where that process has not finished starting, or its secrets cannot be read.
    pub fn running(options: &PrivateOptions, database: &str) -> Result<Option<Addresses>, PrivateError> {
        let path = options.data_dir.join("lock");
        let lock = match File::open(&path) {
            Ok(lock) => lock,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(PrivateError::io("cannot open", &path, &error)),
        };
        match lock.try_lock_shared() {
            Ok(()) => return Ok(None),
            Err(TryLockError::WouldBlock) => {}
            Err(TryLockError::Error(error)) => return Err(PrivateError::io("cannot lock", &path, &error)),
        }
        let text = fs::read_to_string(&path).map_err(|e| PrivateError::io("cannot read", &path, &e))?;
        let Some(socket) = text.lines().nth(2).map(PathBuf::from) else {
            return Err(PrivateError::new(
                format!(
                    "another garboard is just starting on the data folder {}",
                    options.data_dir.display()
                ),
                "try again in a moment",
            ));
        };
        let address = |role: &str, secret: &str| -> Result<String, PrivateError> {
            Ok(urls::url(&socket, role, &secret_of(&options.data_dir, secret)?, database))
        };
        Ok(Some(Addresses {
            superuser_url: address(SUPERUSER, "superuser")?,
            app_url: address(roles::APP, "app")?,
            worker_url: address(roles::WORKER, "worker")?,
            sign_in_url: address(roles::SIGN_IN, "sign_in")?,
        }))
    }
}

fn secret_of(data_dir: &Path, name: &str) -> Result<String, PrivateError> {
    let path = data_dir.join("secrets").join(name);
    let text = fs::read_to_string(&path).map_err(|e| PrivateError::io("cannot read", &path, &e))?;
    Ok(text.trim().to_owned())
}
