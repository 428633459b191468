//! Stage 11: what a person (or a program) sees of a result. Nothing here computes one: this stage
//! decides only which figures are shown, in which order and with how many digits.
//!
//! What people read goes in two steps. Each file of [`figures`] makes a [`blocks::Report`] of one subject, and
//! [`mod@text`] lays it out. What programs read are [`documents`]. A picture goes from curves (`fit`, `inspect`, `target`,
//! `check` and `compare` of [`picture`]) to a [`picture::Picture`] and to SVG. [`words`] are numbers and names as people read them;
//! [`next_steps`], `check_text` and `compare_text` have sentences that text, document and picture share.

pub mod words;

pub mod blocks;
pub mod error;
pub mod files;

mod check_text;
mod compare_text;
pub mod next_steps;

pub mod figures;
pub mod text;

pub mod documents;

pub mod picture;

pub mod page;

pub use documents::check::{CheckDocument, check_document};
pub use documents::compare_csv::{COMPARE_CSV_BEGINNING, compare_csv};
pub use documents::compare::{CompareDocument, compare_document};
pub use documents::error::{ErrorDocument, error_document};
pub use documents::export::{
    ExportDocument, FiltersDocument, export_document, export_json_beginning, filters_document,
};
pub use documents::fit::{FitDocument, fit_document, fit_json};
pub use documents::inspect::{InspectDocument, inspect_document};
pub use documents::json::to_json;
pub use documents::listen::{
    ListenDocument, PeakDocument, ScoreDocument, SignalDocument, SweepsDocument, listen_document,
    peak_document, score_document, signal_document, sweeps_document,
};
pub use documents::schema::schema;
pub use documents::target::{
    ListedTarget, target_diff_document, target_document, target_list_document,
};
pub use files::{FileKind, WrittenFile};
pub use page::{PAGE_BEGINNING, page};
pub use picture::check::{check_picture, check_plot};
pub use picture::compare::{compare_picture, compare_plot};
pub use picture::fit::{fit_picture, fit_plot};
pub use picture::inspect::{inspect_picture, inspect_plot};
pub use picture::png::PNG_END;
pub use picture::target::{target_diff_picture, target_diff_plot, target_picture, target_plot};
pub use text::{text, text_in_full};

/// How every picture begins, so that one is known again.
pub const PLOT_BEGINNING: &str = "<svg class=\"bandwright-plot\"";
