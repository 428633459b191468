//! Stage 11: what a person (or a program) sees of a result. Nothing here computes one: this stage
//! decides only which figures are shown, in which order and with how many digits.
//!
//! What people read goes in two steps. Each file of [`figures`] makes a [`blocks::Report`] of one subject, and
//! [`terminal`] lays it out. What programs read are the types that end in `_data`, with [`data`] for a fit and
//! [`error_data`] for a failure; [`mod@json`] writes and rounds every document, [`mod@schema`] gives the schema of each. A picture goes from curves
//! (the modules that end in `_plot`) to a [`picture::Picture`] (laid out in the numbers of [`chart`], inked by
//! [`palette`]) and through the one writer of [`svg`] to text. [`words`] are numbers and names as people read them;
//! [`next_steps`] and `check_text` have sentences that text, document and picture share.

pub mod data;
pub mod json;
pub mod words;

pub mod blocks;
pub mod figures;
pub mod files;
pub mod terminal;

pub mod inspect_data;
pub mod next_steps;

pub mod target_data;

pub mod export_data;

pub mod check_data;
mod check_text;

pub mod error_data;
pub mod schema;

pub mod chart;
pub mod check_plot;
pub mod fit_plot;
pub mod inspect_plot;
pub mod palette;
pub mod picture;
pub mod svg;
pub mod target_plot;

pub use check_data::{CheckDocument, check_document};
pub use check_plot::check_plot;
pub use data::{FitDocument, fit_document, fit_json};
pub use error_data::{ErrorDocument, error_document};
pub use export_data::{
    ExportDocument, FiltersDocument, export_document, export_json_beginning, filters_document,
};
pub use files::{FileKind, WrittenFile};
pub use fit_plot::fit_plot;
pub use inspect_data::{InspectDocument, inspect_document};
pub use inspect_plot::inspect_plot;
pub use json::to_json;
pub use schema::schema;
pub use target_data::{ListedTarget, target_diff_document, target_document, target_list_document};
pub use target_plot::{target_diff_plot, target_plot};
pub use terminal::text;

/// How every picture begins, so that one is known again.
pub const PLOT_BEGINNING: &str = "<svg class=\"bandwright-plot\"";
