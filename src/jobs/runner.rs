//! Running jobs: on threads of its own while the service runs, or until none waits.
//!
//! [`Workers`] says which kinds a process works at and how: `Workers::of(DIGEST, handler)`, `.and(LEARNING, handler)`.
//! `routes::workers` has them all. Jobs of a kind that nobody here works at are left to other processes. An error of a
//! handler is retried with growing waits, and after the fifth the job is dead: `garboard jobs` lists and retries those.
//! A job may run more than once (its worker died, its lease ran out), so a handler writes its effect in one
//! transaction that first asks [`still_claimed`](super::queue::still_claimed).

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::slice;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use diesel::connection::SimpleConnection;

use super::queue::Job;
use super::{lease, schedule};
use crate::db::Db;
use crate::error::{Error, Result};
use crate::ids::OrgId;

/// Works at some jobs of one kind and organisation: all of them, or an error and none.
pub type Handler = dyn Fn(&Db, OrgId, &[Job]) -> Result<()> + Send + Sync;

/// Who works at which kind.
#[derive(Clone)]
pub struct Workers {
    handlers: BTreeMap<&'static str, Arc<Handler>>,
    batch: i64,
    idle_wait: Duration,
}

impl Workers {
    /// Those of one kind.
    #[must_use]
    pub fn of(
        kind: &'static str,
        handler: impl Fn(&Db, OrgId, &[Job]) -> Result<()> + Send + Sync + 'static,
    ) -> Self {
        Self { handlers: BTreeMap::new(), batch: BATCH, idle_wait: IDLE_WAIT }.and(kind, handler)
    }

    /// These and those of another kind.
    #[must_use]
    pub fn and(
        mut self,
        kind: &'static str,
        handler: impl Fn(&Db, OrgId, &[Job]) -> Result<()> + Send + Sync + 'static,
    ) -> Self {
        self.handlers.insert(kind, Arc::new(handler));
        self
    }

    /// The same, taking one job at a time: for work that may be slow.
    #[must_use]
    pub fn one_at_a_time(self) -> Self {
        Self { batch: 1, ..self }
    }

    /// The same, looking for jobs that nobody announced only so often.
    #[must_use]
    pub fn looking_every(self, idle_wait: Duration) -> Self {
        Self { idle_wait, ..self }
    }

    fn kinds(&self) -> Vec<&'static str> {
        self.handlers.keys().copied().collect()
    }
}

/// Jobs claimed at once.
const BATCH: i64 = 32;

/// How long an idle worker waits at most: what becomes ready by time alone is announced by nobody.
const IDLE_WAIT: Duration = Duration::from_secs(1);
/// How often the listener looks at its socket; the driver has no way to wait for it.
const LISTEN_EVERY: Duration = Duration::from_millis(50);

/// What came of the jobs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    /// So many were done.
    pub done: usize,
    /// So many failed and wait for another attempt, or for a person.
    pub failed: usize,
}

/// Works until no job is ready to be claimed. Failed ones wait for their next attempt and are not waited for.
///
/// # Errors
/// Those of the database; a job's own error is counted, logged and kept with it.
pub fn run_until_idle(db: &Db, workers: &Workers) -> Result<Tally> {
    let mut tally = Tally::default();
    while step(db, workers, &mut tally)? {}
    Ok(tally)
}

/// Asks for what is due by the clock, claims some jobs and works at them; whether there were any.
fn step(db: &Db, workers: &Workers, tally: &mut Tally) -> Result<bool> {
    let kinds = workers.kinds();
    schedule::request_due(db, &kinds)?;
    let claimed = lease::claim(db, &kinds, workers.batch)?;
    for jobs in claimed.chunk_by(|one, next| one.org_id == next.org_id && one.kind == next.kind) {
        let Some(handler) = jobs.first().and_then(|job| workers.handlers.get(job.kind.as_str())) else {
            continue;
        };
        let (worn_out, jobs): (Vec<Job>, Vec<Job>) = jobs.iter().cloned().partition(lease::worn_out);
        for job in worn_out {
            lease::failed(db, &job, "Every worker that took this job ended before it was done.")?;
            tally.failed += 1;
            count(&job.kind, "dead", 1);
        }
        work_at(db, &**handler, &jobs, tally)?;
    }
    Ok(!claimed.is_empty())
}

fn count(kind: &str, outcome: &'static str, jobs: usize) {
    let jobs = u64::try_from(jobs).unwrap_or(u64::MAX);
    metrics::counter!("garboard_jobs_total", "kind" => kind.to_owned(), "outcome" => outcome).increment(jobs);
}

fn work_at(db: &Db, handler: &Handler, jobs: &[Job], tally: &mut Tally) -> Result<()> {
    let Some(first) = jobs.first() else { return Ok(()) };
    let begun = Instant::now();
    let outcome = catch_unwind(AssertUnwindSafe(|| handler(db, first.org_id, jobs)))
        .unwrap_or_else(|_| Err(Error::internal("the handler panicked")));
    metrics::histogram!("garboard_job_batch_seconds", "kind" => first.kind.clone()).record(begun.elapsed());
    match outcome {
        Ok(()) => {
            lease::done(db, jobs)?;
            tally.done += jobs.len();
            count(&first.kind, "done", jobs.len());
        }
        Err(error) if jobs.len() == 1 => {
            let cause = error.cause.as_ref().map(|cause| format!(" ({cause})")).unwrap_or_default();
            tracing::warn!(job = %first.id, kind = first.kind, subject = %first.subject_id, attempts = first.attempts, %error, cause, "job failed");
            lease::failed(db, first, &format!("{error}{cause}"))?;
            tally.failed += 1;
            count(&first.kind, if lease::is_last(first) { "dead" } else { "failed" }, 1);
        }
        // One bad job must not take the others with it.
        Err(_) => {
            for job in jobs {
                work_at(db, handler, slice::from_ref(job), tally)?;
            }
        }
    }
    Ok(())
}

/// Workers on threads of their own, woken when a job is announced. Dropping it stops them.
pub struct Runner {
    signal: Arc<Signal>,
    threads: Vec<JoinHandle<()>>,
}

impl Runner {
    /// Starts `threads` workers and a listener.
    ///
    /// # Errors
    /// Internal, when the system gives no thread.
    pub fn start(db: &Db, workers: &Workers, threads: usize) -> Result<Self> {
        let mut runner = Self { signal: Arc::default(), threads: Vec::with_capacity(threads + 1) };
        let (listening, signal) = (db.clone(), runner.signal.clone());
        runner.spawn("jobs-listener", move || listen(&listening, &signal))?;
        for n in 0..threads {
            let (db, workers, signal) = (db.clone(), workers.clone(), runner.signal.clone());
            runner.spawn(&format!("jobs-{n}"), move || work(&db, &workers, &signal))?;
        }
        Ok(runner)
    }

    fn spawn(&mut self, name: &str, f: impl FnOnce() + Send + 'static) -> Result<()> {
        let thread = thread::Builder::new().name(name.to_owned()).spawn(f).map_err(Error::internal)?;
        self.threads.push(thread);
        Ok(())
    }

    /// Lets the workers finish what they have claimed, and waits for them.
    pub fn stop(mut self) {
        self.end();
    }

    fn end(&mut self) {
        self.signal.stop();
        for thread in self.threads.drain(..) {
            if thread.join().is_err() {
                tracing::error!("a thread of the job runner panicked");
            }
        }
    }
}

impl Drop for Runner {
    fn drop(&mut self) {
        self.end();
    }
}

/// What the threads tell each other.
#[derive(Default)]
struct Signal {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Default)]
struct State {
    stopped: bool,
    /// Counts announcements, so that one between a worker's look and its wait is not lost.
    announced: u64,
}

impl Signal {
    fn state(&self) -> MutexGuard<'_, State> {
        // The state is two numbers, whole at any time.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn stop(&self) {
        self.state().stopped = true;
        self.changed.notify_all();
    }

    fn announce(&self) {
        self.state().announced += 1;
        self.changed.notify_all();
    }

    /// The count of announcements, or none when stopped.
    fn running(&self) -> Option<u64> {
        let state = self.state();
        (!state.stopped).then_some(state.announced)
    }

    /// Waits until stopped, announced beyond `seen`, or the time is over.
    fn wait(&self, seen: u64, longest: Duration) {
        let waited = self
            .changed
            .wait_timeout_while(self.state(), longest, |state| !state.stopped && state.announced == seen);
        drop(waited);
    }

    /// Waits until stopped or the time is over; whether it goes on.
    fn pause(&self, longest: Duration) -> bool {
        match self.changed.wait_timeout_while(self.state(), longest, |state| !state.stopped) {
            Ok((state, _)) => !state.stopped,
            Err(poisoned) => !poisoned.into_inner().0.stopped,
        }
    }
}

fn work(db: &Db, workers: &Workers, signal: &Signal) {
    let mut tally = Tally::default();
    while let Some(seen) = signal.running() {
        match step(db, workers, &mut tally) {
            Ok(true) => {}
            Ok(false) => signal.wait(seen, workers.idle_wait),
            Err(error) => {
                tracing::warn!(%error, cause = ?error.cause, "the job queue is out of reach");
                signal.wait(seen, IDLE_WAIT);
            }
        }
    }
}

fn listen(db: &Db, signal: &Signal) {
    while signal.running().is_some() {
        if let Err(error) = listen_on_one_connection(db, signal) {
            tracing::warn!(%error, cause = ?error.cause, "jobs are not announced; workers look once a second");
            signal.pause(IDLE_WAIT);
        }
    }
}

fn listen_on_one_connection(db: &Db, signal: &Signal) -> Result<()> {
    let mut conn = db.listener()?;
    conn.batch_execute("LISTEN garboard_jobs")?;
    // What came before the listening was announced to nobody.
    signal.announce();
    while signal.pause(LISTEN_EVERY) {
        let mut announced = false;
        for notification in conn.notifications_iter() {
            notification?;
            announced = true;
        }
        if announced {
            signal.announce();
        }
    }
    conn.batch_execute("UNLISTEN garboard_jobs")?;
    Ok(())
}
