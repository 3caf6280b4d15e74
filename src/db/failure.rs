//! From the database's refusals to ours: which field a constraint speaks of, and what to do about it.

use diesel::result::{DatabaseErrorKind, Error as DieselError};

use crate::error::{Code, Error};

/// The constraints a request can break although its own fields are valid, with the field each speaks of.
const CONSTRAINTS: &[(&str, Code, &str, &str)] = &[
    (
        "haul_outs_no_overlap",
        Code::Conflict,
        "/lifted_on",
        "overlaps another haul-out of this vessel. Close or correct the other one first.",
    ),
    (
        "haul_outs_relaunch_after_lift",
        Code::Invalid,
        "/relaunched_on",
        "is before the lift. Enter the day of relaunch or leave it out.",
    ),
    (
        "haul_out_after_launch",
        Code::Invalid,
        "/lifted_on",
        "is before the vessel's launch. Correct one of them.",
    ),
    (
        "launch_before_haul_outs",
        Code::Conflict,
        "/launched_on",
        "is after a recorded lift of this vessel. Correct the haul-out first.",
    ),
    (
        "launch_before_surveys",
        Code::Conflict,
        "/launched_on",
        "is after a survey of this vessel. Correct the survey's day first.",
    ),
    (
        "survey_within_haul_out",
        Code::Invalid,
        "/surveyed_on",
        "lies outside the survey's haul-out. Correct the date or name another haul-out.",
    ),
    (
        "haul_out_holds_surveys",
        Code::Conflict,
        "/lifted_on",
        "would leave a survey of this haul-out outside it. Correct the survey's date first.",
    ),
    (
        "vessels_hull_id_number_unique",
        Code::Duplicate,
        "/hull_id_number",
        "is already the number of another vessel. Check both.",
    ),
    (
        "vessels_site",
        Code::Invalid,
        "/site_id",
        "is not a site of your organisation. Create the site or correct the id.",
    ),
    (
        "stations_code_unique",
        Code::Duplicate,
        "/code",
        "is already a station of this vessel. Choose another code.",
    ),
    (
        "readings_sequence_unique",
        Code::Duplicate,
        "/sequence",
        "is already taken at this station, survey and scale. Use the next sequence, or correct the reading by PATCH.",
    ),
    (
        "coat_films_supersedes",
        Code::Invalid,
        "/supersedes_id",
        "is not a film of this coat. Correct the id or leave it out.",
    ),
    (
        "coat_films_superseded_once",
        Code::Conflict,
        "/supersedes_id",
        "was superseded already. Name the film that took its place.",
    ),
    (
        "author_corrects",
        Code::Forbidden,
        "",
        "was recorded by another organisation: only its author corrects it. Record what you found as a record of your own.",
    ),
    (
        "grants_no_overlap",
        Code::Duplicate,
        "/grantee_org_id",
        "holds a grant of this scope on this vessel for some of this time already. Revoke or change that one.",
    ),
    ("transfers_one_offer", Code::Conflict, "", "The vessel is on offer already. Withdraw that offer first."),
    ("transfer_stays", Code::Conflict, "", "The transfer is settled already. Read it again."),
    ("policies_one_each", Code::Conflict, "", "was set by somebody else at the same time. Read it again."),
];

const FOREIGN: &[(&str, &str)] = &[
    ("grants_grantee", "/grantee_org_id"),
    ("transfers_to_org", "/to_org_id"),
    ("_vessel", "/vessel_id"),
    ("_haul_out", "/haul_out_id"),
    ("_survey", "/survey_id"),
    ("_station", "/station_id"),
    ("_site", "/site_id"),
    ("_product", "/product_id"),
    ("_coat", "/coat_id"),
    ("_finding", "/finding_id"),
];

impl From<DieselError> for Error {
    fn from(cause: DieselError) -> Self {
        match cause {
            DieselError::NotFound => Self::not_found("record").because(cause),
            // Row-level security has the last word; what can be foreseen is told before, in words of its own.
            DieselError::DatabaseError(DatabaseErrorKind::Unknown, ref info)
                if info.message().contains("row-level security policy") =>
            {
                Self::new(
                    Code::Forbidden,
                    "Your organisation may not record this on this vessel: no grant lets it, or another organisation recorded it.",
                )
                .because(cause)
            }
            DieselError::DatabaseError(kind, ref info) => {
                // The kinds know nothing of it: what took longer than a statement may, or waited longer for a row.
                if info.message().starts_with("canceling statement due to") {
                    return Self::new(Code::Unavailable, "The database took too long over this. Try again in a moment, or ask for less at a time.").because(cause);
                }
                let constraint = info.constraint_name().unwrap_or_default().to_owned();
                database_refusal(kind, &constraint)
                    .unwrap_or_else(|| Self::internal("database refusal"))
                    .because(cause)
            }
            other => Self::internal(other),
        }
    }
}

fn database_refusal(kind: DatabaseErrorKind, constraint: &str) -> Option<Error> {
    if let Some((_, code, pointer, detail)) = CONSTRAINTS.iter().find(|(name, ..)| *name == constraint) {
        let mut error = Error::field(*pointer, code.as_str(), *detail);
        error.code = *code;
        return Some(error);
    }
    match kind {
        DatabaseErrorKind::UniqueViolation if constraint.ends_with("_ref_unique") => {
            let mut error = Error::field(
                "/ref",
                "duplicate",
                "is already used by another record of this kind. References are unique in an organisation.",
            );
            error.code = Code::Duplicate;
            Some(error)
        }
        // The next version of an append-only record: somebody else wrote it first.
        DatabaseErrorKind::UniqueViolation
            if constraint.ends_with("_versions_pkey")
                || matches!(constraint, "readings_pkey" | "calibration_choices_pkey") =>
        {
            Some(Error::new(
                Code::Stale,
                "The record changed since you read it. Read it again and repeat your change.",
            ))
        }
        // An id of the client's choice that another record was given by the service.
        DatabaseErrorKind::UniqueViolation if constraint.ends_with("_pkey") => {
            let mut error = Error::field("/id", "id_taken", "is taken by another record. Make a new one.");
            error.code = Code::IdTaken;
            Some(error)
        }
        DatabaseErrorKind::ForeignKeyViolation => {
            FOREIGN.iter().find(|(suffix, _)| constraint.ends_with(suffix)).map(|(_, pointer)| {
                Error::field(
                    *pointer,
                    "unknown",
                    "names nothing of your organisation (or not of this vessel). Check the id.",
                )
            })
        }
        DatabaseErrorKind::CheckViolation => Some(Error::field(
            "",
            "rule",
            format!("breaks the rule {constraint}. Correct the fields it names."),
        )),
        DatabaseErrorKind::ClosedConnection => {
            Some(Error::new(Code::Unavailable, "The database is out of reach. Try again in a moment."))
        }
        _ => None,
    }
}
