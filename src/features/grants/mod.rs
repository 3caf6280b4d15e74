//! Grants and transfers: what one organisation lets another do on a vessel, and how a vessel becomes another's.
//!
//! A **grant** names a vessel, another organisation (the guest), a scope and a period; it can be revoked at once. It is
//! given by administrators of the vessel's organisation and cannot be passed on. The other organisation is named by its
//! id, which it reads of itself at `/v1/organisation` and hands over. An id that names nobody is refused: it holds 74
//! random bits and cannot be found by trying, so whoever has one was given it, and a grant to nobody by a slip of the
//! pen would be the worse leak. The answer shows the name, so that the right one is seen to be meant.
//!
//! | scope | reads | records |
//! |---|---|---|
//! | `read` | the vessel, all that is recorded of it, its forecast and due rows | nothing |
//! | `record_surveys` | the same | stations, surveys and their signatures, readings, findings |
//! | `record_treatments` | the same | haul-outs, coats, films, climate, treatments with their plans, entries and decisions |
//!
//! Whoever does both gets two grants. The person's role in the guest organisation still applies. The register (the vessel
//! itself), its policy, grants and transfers are never a guest's. With the vessel a guest reads its site, the products
//! its coats name and the limits its dates follow, since the forecast rests on them; owners' names and telephones too.
//!
//! What a guest records stays in the vessel's organisation and says whose it is (`author_org_id`). Only the author's
//! organisation corrects it, while a grant lasts; both read it afterwards. What became of it since is not a correction: a
//! finding's state, a coat's removal and a haul-out's relaunch may be told by the vessel's organisation as well.
//! A coat names a product of the vessel's organisation, or none. Imports of files work in one's own organisation; a
//! logger's file on a haul-out is recorded like any climate.
//!
//! Time: a grant is live from `from_at` until before `until_at`, by the instant of the transaction that asks (`app.now`,
//! set from the service's clock), so rows and policies go by one time. The due list leaves out what is no longer live at
//! once, by its policy; the rows themselves go with the revocation, or with the next forecast.
//!
//! A **transfer** is offered by the vessel's organisation and accepted by the other. Then the vessel is the buyer's, with
//! its whole history under the same ids, in one transaction: the keys under the vessel follow its organisation
//! (`ON UPDATE CASCADE`), so no role of the service needs a right to change what is recorded. Who recorded what stays: the
//! seller goes on reading what it recorded, and nothing else, and corrects nothing more. The site is chosen by the buyer
//! or left out; products that coats or plans name are copied; limits set for the vessel go with it; references
//! (`ref`) stay where the buyer does not use them and are left behind where it does; grants end. The answer says which.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::given::list_grants)
        .service(api::given::create_grant)
        .service(api::given::read_grant)
        .service(api::given::change_grant)
        .service(api::given::revoke_grant)
        .service(api::held::list_held_grants)
        .service(api::transfers::offer_vessel)
        .service(api::transfers::list_transfers)
        .service(api::transfers::read_transfer)
        .service(api::transfers::accept_transfer)
        .service(api::transfers::decline_transfer)
        .service(api::transfers::withdraw_transfer);
}
