//! Bytes outside the database: in a folder, or in a store that speaks S3. An object is written whole or not at all, and
//! never written twice.

use std::fs::DirBuilder;
use std::os::unix::fs::DirBuilderExt;
use std::path::Path;
use std::sync::Arc;

use actix_web::web::Bytes;
use chrono::{DateTime, Utc};
use futures_util::TryStreamExt;
use object_store::aws::{AmazonS3Builder, S3ConditionalPut};
use object_store::local::LocalFileSystem;
use object_store::{ObjectStore, ObjectStoreExt, PutMode, PutOptions, path};

use crate::error::{Code, Error, Result};

/// Where a store that speaks S3 is, and who we are there.
#[derive(Clone)]
pub struct S3Settings {
    /// The bucket.
    pub bucket: String,
    /// The address of the store; that of the bucket's region where none is given.
    pub endpoint: Option<String>,
    /// The region.
    pub region: String,
    /// The id of the key.
    pub key_id: String,
    /// The key.
    pub secret: String,
}

/// A place for objects.
#[derive(Clone)]
pub struct Objects(Arc<dyn ObjectStore>);

/// An object, as a list shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Its name.
    pub name: String,
    /// When it was written.
    pub written_at: DateTime<Utc>,
}

impl Objects {
    /// Objects as files in a folder of their own, made with 0700 where it is missing.
    ///
    /// # Errors
    /// Unavailable, when the folder can be neither made nor used.
    pub fn in_folder(folder: &Path) -> Result<Self> {
        let refused = |cause: String| {
            let said = format!(
                "The folder {} cannot be used for attachments: {cause}. Check who owns it.",
                folder.display()
            );
            Error::new(Code::Unavailable, said)
        };
        DirBuilder::new()
            .recursive(true)
            .mode(0o700)
            .create(folder)
            .map_err(|cause| refused(cause.to_string()))?;
        let files = LocalFileSystem::new_with_prefix(folder)
            .map_err(|cause| refused(cause.to_string()))?
            .with_fsync(true);
        Ok(Self(Arc::new(files)))
    }

    /// Objects in a store that speaks S3.
    ///
    /// # Errors
    /// Invalid, when the settings do not fit together.
    pub fn in_s3(settings: &S3Settings) -> Result<Self> {
        let refused = |cause: object_store::Error| {
            Error::new(
                Code::Invalid,
                format!(
                    "The store for attachments cannot be used as set: {cause}. Correct GARBOARD_S3_ENDPOINT."
                ),
            )
        };
        // One TLS library in the process; whoever came first chose the same.
        rustls::crypto::ring::default_provider().install_default().ok();
        let mut builder = AmazonS3Builder::new()
            .with_bucket_name(&settings.bucket)
            .with_region(&settings.region)
            .with_access_key_id(&settings.key_id)
            .with_secret_access_key(&settings.secret)
            .with_conditional_put(S3ConditionalPut::ETagMatch);
        if let Some(endpoint) = &settings.endpoint {
            // In the clear to this machine only.
            let here = ["http://127.0.0.1", "http://[::1]", "http://localhost"];
            let local = here.iter().any(|here| {
                endpoint
                    .strip_prefix(here)
                    .is_some_and(|rest| rest.is_empty() || rest.starts_with([':', '/']))
            });
            if !local && !endpoint.starts_with("https://") {
                return Err(Error::new(
                    Code::Invalid,
                    "GARBOARD_S3_ENDPOINT is not https. Enter an https address.",
                ));
            }
            builder = builder.with_endpoint(endpoint).with_allow_http(local);
        }
        Ok(Self(Arc::new(builder.build().map_err(refused)?)))
    }

    /// Writes a new object.
    ///
    /// # Errors
    /// Unavailable; internal, when there is one of that name.
    pub async fn put(&self, name: &str, bytes: impl Into<Bytes>) -> Result<()> {
        let once = PutOptions { mode: PutMode::Create, ..PutOptions::default() };
        self.0.put_opts(&path::Path::from(name), bytes.into().into(), once).await.map_err(failed)?;
        Ok(())
    }

    /// Reads an object; none where it is not there.
    ///
    /// # Errors
    /// Unavailable.
    pub async fn get(&self, name: &str) -> Result<Option<Bytes>> {
        match self.0.get(&path::Path::from(name)).await {
            Ok(found) => found.bytes().await.map(Some).map_err(failed),
            Err(object_store::Error::NotFound { .. }) => Ok(None),
            Err(cause) => Err(failed(cause)),
        }
    }

    /// Removes an object, if it is there.
    ///
    /// # Errors
    /// Unavailable.
    pub async fn remove(&self, name: &str) -> Result<()> {
        match self.0.delete(&path::Path::from(name)).await {
            Ok(()) | Err(object_store::Error::NotFound { .. }) => Ok(()),
            Err(cause) => Err(failed(cause)),
        }
    }

    /// The objects whose names lie below `folder`; all with an empty one.
    ///
    /// # Errors
    /// Unavailable.
    pub async fn list(&self, folder: &str) -> Result<Vec<Listed>> {
        let below = path::Path::from(folder);
        let all: Vec<_> = self.0.list(Some(&below)).try_collect().await.map_err(failed)?;
        Ok(all
            .into_iter()
            .map(|object| Listed { name: object.location.to_string(), written_at: object.last_modified })
            .collect())
    }
}

fn failed(cause: object_store::Error) -> Error {
    Error::new(Code::Unavailable, "The store of attachments is out of reach. Try again in a moment.")
        .because(cause)
}
