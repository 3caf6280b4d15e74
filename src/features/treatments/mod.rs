//! Treatments: preventive, a barrier on sound gelcoat, or curative, a blistered or wet hull stripped, dried and built up
//! again. A curative one begins a new life of the hull in the forecasts; a preventive one does not.
//!
//! ```text
//! a treatment   planned --acceptance--> accepted --first work--> running --closing--> closed
//!                  ^                        |
//!                  +---- plan changed ------+        (the plan is fixed once work has started)
//!
//! a step        waiting --steps before it done--> open --step_done, no hold open--> done
//! in a zone                                                     (withdrawn: open again)
//! ```
//!
//! The plan stands in its versions; what is done and decided are entries, never changed. A hold refuses with 409 and says
//! what is missing; a named qualified person may override it, visible for ever. Closing records the treatment that was
//! done, under the same id: the forecasts read that, the coats whose film is accepted, the air logged while it ran, and
//! no reading. A coat of a curative treatment whose film was refused, or never measured, gives no skin, whoever overrode the
//! hold; of a treatment recorded as already done nobody asked for films, and its coats count as entered. Closing also keeps
//! the record of the treatment (`/record`) as text with its digest, once for ever: what is corrected later is told beside
//! it. Drying readings are those
//! of the surveys of the haul-out, drafts too: added, sent again and corrected as all readings are. Thresholds of advice,
//! washes and readings are common practice, no source.
//!
//! Every coat is recorded here (`api/coats`), under a treatment or aside, so that none goes round the holds; `coats` keeps it.
//! What to look at about a relaunch is told by `api/launch` to `haulouts`, which comes before: `routes` passes it on.

pub mod api;
pub mod job;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::list_treatments)
        .service(api::create_treatment)
        .service(api::plan::plan_treatment)
        .service(api::plan::list_planned_treatments)
        .service(api::plan::read_treatment_plan)
        .service(api::plan::change_treatment_plan)
        .service(api::plan::read_treatment_drying)
        .service(api::work::enter_work)
        .service(api::work::enter_decision)
        .service(api::coats::create_coat)
        .service(api::coats::record_treatment_coat)
        .service(api::work::close_treatment)
        .service(api::quantities::read_treatment_quantities)
        .service(api::quantities::read_purchase_list)
        .service(api::record::read_treatment_record)
        .service(api::record::read_treatment_record_page)
        .service(api::read_treatment)
        .service(api::change_treatment)
        .service(api::list_treatment_versions);
}
