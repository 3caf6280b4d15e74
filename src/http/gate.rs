//! A bound on computations at work at once, so that they leave the blocking threads to the database.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::error::{Code, Error, Result};
use crate::http::state::blocking;

/// So many places; who comes when they are taken is asked to come again.
#[derive(Debug)]
pub struct Gate(Arc<Semaphore>);

/// The gates of a service, by what is computed behind them.
#[derive(Debug)]
pub struct Gates {
    /// Calculators.
    pub calculators: Gate,
    /// Pictures made anew: each may take half a GiB while it is.
    pub pictures: Gate,
    /// Forecasts that are computed for one answer.
    pub forecasts: Gate,
    /// Dates of a whole fleet under other limits.
    pub policies: Gate,
    /// Fleets read and fitted for one answer.
    pub lifetimes: Gate,
    /// Hindcasts.
    pub hindcasts: Gate,
}

impl Default for Gates {
    fn default() -> Self {
        Self {
            calculators: Gate::new(4),
            pictures: Gate::new(1),
            forecasts: Gate::new(2),
            policies: Gate::new(1),
            lifetimes: Gate::new(1),
            hindcasts: Gate::new(1),
        }
    }
}

impl Gate {
    /// A gate with `places`.
    #[must_use]
    pub fn new(places: usize) -> Self {
        Self(Arc::new(Semaphore::new(places)))
    }

    /// Runs `f` on the blocking pool in one of the places.
    ///
    /// # Errors
    /// Unavailable when all places are taken; those of `f`.
    pub async fn run<T: Send + 'static>(&self, f: impl FnOnce() -> Result<T> + Send + 'static) -> Result<T> {
        let place = Arc::clone(&self.0).try_acquire_owned().map_err(|full| {
            Error::new(Code::Unavailable, "All places for computations are taken. Try again in a moment.")
                .because(full)
        })?;
        Self::at(place, f).await
    }

    /// As [`Gate::run`], but waits so long for a place: for people, who would only come again at once.
    ///
    /// # Errors
    /// Unavailable when no place came free; those of `f`.
    pub async fn run_within<T: Send + 'static>(
        &self,
        longest: Duration,
        f: impl FnOnce() -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let place =
            tokio::time::timeout(longest, Arc::clone(&self.0).acquire_owned()).await.map_err(|over| {
                Error::new(Code::Unavailable, "All places for computations are taken. Try again in a moment.")
                    .because(over)
            })?;
        Self::at(place.map_err(Error::internal)?, f).await
    }

    /// As [`Gate::run`], but waits for a place: for work whose input has been sent already, and is large.
    ///
    /// # Errors
    /// Those of `f`.
    pub async fn run_in_turn<T: Send + 'static>(
        &self,
        f: impl FnOnce() -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let place = Arc::clone(&self.0).acquire_owned().await.map_err(Error::internal)?;
        Self::at(place, f).await
    }

    async fn at<T: Send + 'static>(
        place: OwnedSemaphorePermit,
        f: impl FnOnce() -> Result<T> + Send + 'static,
    ) -> Result<T> {
        // The place goes with the work, which goes on when the caller has left.
        blocking(move || {
            let _place = place;
            f()
        })
        .await
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc;

    use super::Gate;
    use crate::error::Code;

    /// A gate with one place, for as long as the test runs.
    fn narrow() -> &'static Gate {
        Box::leak(Box::new(Gate::new(1)))
    }

    #[actix_web::test]
    async fn who_comes_when_all_places_are_taken_is_asked_to_come_again() {
        let narrow = narrow();
        let (started, has_started) = mpsc::channel();
        let (go_on, may_go_on) = mpsc::channel::<()>();
        let first = actix_web::rt::spawn(narrow.run(move || {
            started.send(()).ok();
            may_go_on.recv().ok();
            Ok(1)
        }));
        // The first is polled while this waits for it to be at work.
        let waited = crate::http::state::blocking(move || Ok(has_started.recv().is_ok())).await;
        assert!(matches!(waited, Ok(true)));
        let refused = narrow.run(|| Ok(2)).await;
        assert!(matches!(refused, Err(error) if error.code == Code::Unavailable));
        go_on.send(()).ok();
        assert!(matches!(first.await, Ok(Ok(1))));
        assert!(matches!(narrow.run(|| Ok(3)).await, Ok(3)), "the place is free again");
    }

    #[actix_web::test]
    async fn a_caller_that_leaves_does_not_free_the_place_of_its_work() {
        let left = narrow();
        let (started, has_started) = mpsc::channel();
        let (go_on, may_go_on) = mpsc::channel::<()>();
        let first = actix_web::rt::spawn(left.run(move || {
            started.send(()).ok();
            may_go_on.recv().ok();
            Ok(())
        }));
        let waited = crate::http::state::blocking(move || Ok(has_started.recv().is_ok())).await;
        assert!(matches!(waited, Ok(true)));
        first.abort();
        assert!(first.await.is_err(), "the caller has left");
        let refused = left.run(|| Ok(())).await;
        assert!(matches!(refused, Err(error) if error.code == Code::Unavailable));
        go_on.send(()).ok();
    }
}
