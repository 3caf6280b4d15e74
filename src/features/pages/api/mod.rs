//! The pages, a file each, and what they share: the session's cookies, the forms, the frame around a page.

pub mod act_form;
pub mod acts;
pub mod choice;
pub mod drying;
pub mod drying_chart;
pub mod due;
pub mod entry;
pub mod entry_survey;
pub mod files;
pub mod form;
pub mod frame;
pub mod import;
pub mod import_columns;
pub mod marks;
pub mod members;
pub mod policy;
pub mod policy_effect;
pub mod programs;
pub mod session;
pub mod sign_in;
pub mod treatment;
pub mod treatment_acts;
pub mod treatment_forms;
pub mod webhooks;
pub mod yard_words;
