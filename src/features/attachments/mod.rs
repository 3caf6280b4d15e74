//! Attachments: photographs and certificates of a vessel, bound to what they show.
//!
//! The bytes are objects outside the database ([`crate::objects`]); the row is written last, so that a row always has its
//! object. An object without a row, left where a service died between the two or a row was refused, is swept: once a day by
//! `serve`, and by `garboard attachments sweep`. Pictures are decoded and encoded anew: what is kept is pixels, the right
//! way up, and nothing else that was in the file (places, names, other formats). PDFs are kept as they came.
//!
//! What is said of an attachment stands in versions. One entered in error is withdrawn and keeps its bytes; erasing
//! removes the bytes for good and leaves what was said.

pub mod api;
pub mod model;
pub mod store;
pub mod sweep;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::list_attachments)
        .service(api::upload::upload_attachment)
        .service(api::content::read_attachment_content)
        .service(api::content::read_attachment_thumbnail)
        .service(api::content::erase_attachment)
        .service(api::read_attachment)
        .service(api::change_attachment)
        .service(api::list_attachment_versions);
}
