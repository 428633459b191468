//! What programs read: one document for each verb.
//!
//! [`json`] writes and rounds every document, and [`schema`] gives the schema of each.

pub mod json;

pub mod check;
pub mod compare;
pub mod compare_csv;
pub mod error;
pub mod export;
pub mod fit;
pub mod inspect;
pub mod listen;
pub mod target;

pub mod schema;
