//! A bound on computations at work at once, so that they leave the blocking threads to the database.

use tokio::sync::Semaphore;

use crate::error::{Code, Error, Result};
use crate::http::state::blocking;

/// So many places; who comes when they are taken is asked to come again.
#[derive(Debug)]
pub struct Gate(Semaphore);

impl Gate {
    /// A gate with `places`.
    #[must_use]
    pub const fn new(places: usize) -> Self {
        Self(Semaphore::const_new(places))
    }

    /// Runs `f` on the blocking pool in one of the places.
    ///
    /// # Errors
    /// Unavailable when all places are taken; those of `f`.
    pub async fn run<T: Send + 'static>(
        &'static self,
        f: impl FnOnce() -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let place = self.0.try_acquire().map_err(|full| {
            Error::new(Code::Unavailable, "All places for computations are taken. Try again in a moment.")
                .because(full)
        })?;
        // The place goes with the work, which goes on when the caller has left.
        blocking(move || {
            let _place = place;
            f()
        })
        .await
    }
}
