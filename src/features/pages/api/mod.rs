//! The pages, a file each, and what they share: the session's cookies, the forms, the frame around a page.

pub mod choice;
pub mod due;
pub mod files;
pub mod form;
pub mod frame;
pub mod hull;
pub mod marks;
pub mod session;
pub mod sign_in;
