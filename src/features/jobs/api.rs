//! The endpoints of the queue.

use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::codes;
use crate::db::paging::Slice;
use crate::error::{Error, Result};
use crate::features::audit::{self, Act};
use crate::http::paging::ListQuery;
use crate::http::problem::{CreateProblems, ListProblems};
use crate::http::{App, At, Outcome, Page, Params, Permit};
use crate::ids::JobId;
use crate::jobs::board::{self, JobRow, JobState};
use crate::permissions::Administer;

/// A job.
#[derive(Debug, Serialize, ToSchema)]
pub struct JobView {
    /// Its id.
    pub id: JobId,
    /// What is to be done: `forecast`, `delivery`, `digest`, `learning`, `audit_head`.
    pub kind: String,
    /// With what: a vessel, a subscription, a person, the organisation.
    pub subject_id: Uuid,
    /// How it stands.
    pub state: JobState,
    /// When it may run.
    pub run_after: DateTime<Utc>,
    /// How often it was tried.
    pub attempts: i32,
    /// What went wrong last.
    pub last_error: Option<String>,
    /// When it was asked for.
    pub requested_at: DateTime<Utc>,
}

impl TryFrom<JobRow> for JobView {
    type Error = Error;
    fn try_from(job: JobRow) -> Result<Self> {
        Ok(Self {
            id: job.id,
            kind: job.kind,
            subject_id: job.subject_id,
            state: codes::from_text(&job.state)?,
            run_after: job.run_after,
            attempts: job.attempts,
            last_error: job.last_error,
            requested_at: job.requested_at,
        })
    }
}

/// Which jobs.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct JobQuery {
    /// Only those that stand so.
    #[param(nullable = false)]
    pub state: Option<JobState>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(JobQuery, "list_jobs");

/// Lists the organisation's jobs, by when they may run. Those that are dead failed five times.
#[utoipa::path(tag = "jobs", params(JobQuery), security(("bearer" = [])),
    responses((status = 200, description = "A page of jobs", body = Page<JobView>), ListProblems))]
#[get("/v1/jobs")]
pub async fn list_jobs(app: App, permit: Permit<Administer>, query: Params<JobQuery>) -> Outcome {
    let query = query.0;
    let (page, state) = (query.page()?, query.state);
    let slice = app
        .read(&permit, move |tx| {
            let slice = board::list(tx, state, page)?;
            let items = slice.items.into_iter().map(JobView::try_from).collect::<Result<Vec<_>>>()?;
            Ok(Slice { items, next: slice.next })
        })
        .await?;
    Ok(HttpResponse::from(query.answer(slice, |view| view)))
}

/// Asks again for what a dead job was to do. The dead one goes when that is done.
#[utoipa::path(tag = "jobs", security(("bearer" = [])), params(("id" = JobId, Path, description = "The job")),
    responses((status = 200, description = "The job that is tried again", body = JobView), CreateProblems))]
#[post("/v1/jobs/{id}/retry")]
pub async fn retry_job(app: App, permit: Permit<Administer>, id: At<JobId>) -> Outcome {
    let view = app.write(&permit, move |tx| {
        let job = board::retry(tx, id.0)?;
        let after = serde_json::json!({ "kind": job.kind, "subject_id": job.subject_id });
        let act = Act {
            action: "retry_job",
            entity: "job",
            entity_id: id.0.into(),
            before: None,
            after: Some(&after),
        };
        audit::record(tx, &act)?;
        JobView::try_from(job)
    });
    Ok(HttpResponse::Ok().json(view.await?))
}
