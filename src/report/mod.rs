//! Stage 11: what a person (or a program) sees of a result. Nothing here computes one: this stage
//! decides only which figures are shown, in which order and with how many digits.
//!
//! Of a fit, [`text`] is the terminal, [`data`] the document of `--json`, [`mod@fit_plot`] the picture; of judged
//! takes, [`mod@inspect_text`], [`inspect_data`] and [`mod@inspect_plot`], with [`next_steps`] for its sentences; of targets, [`mod@target_text`], [`target_data`] and
//! [`mod@target_plot`]; of what an EQ costs, [`mod@cost_text`]; of a tested sheet, [`mod@check_text`], [`check_data`] and
//! [`mod@check_plot`]; of exported filters, [`mod@export_text`] and [`export_data`]; of a failure, [`error_data`].
//! [`mod@json`] writes and rounds every document, [`mod@schema`] gives the schema of each. A picture
//! goes from curves to a [`picture::Picture`] (laid out in the numbers of [`chart`], inked by
//! [`palette`]) and through the one writer of [`svg`] to text.

pub mod data;
pub mod json;
pub mod words;

pub mod text;

pub mod cost_text;

pub mod inspect_data;
pub mod inspect_text;
pub mod next_steps;

pub mod target_data;
pub mod target_text;

pub mod export_data;
pub mod export_text;

pub mod check_data;
pub mod check_text;

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
pub use check_text::check_text;
pub use cost_text::cost_text;
pub use data::{FileKind, FitDocument, WrittenFile, fit_document, per_side_document};
pub use error_data::{ErrorDocument, error_document};
pub use export_data::{
    ExportDocument, FiltersDocument, export_document, export_json_beginning, filters_document,
};
pub use export_text::export_text;
pub use fit_plot::{fit_plot, per_side_plot};
pub use inspect_data::{InspectDocument, inspect_document};
pub use inspect_plot::inspect_plot;
pub use inspect_text::inspect_text;
pub use json::to_json;
pub use schema::schema;
pub use target_data::{ListedTarget, target_diff_document, target_document, target_list_document};
pub use target_plot::{target_diff_plot, target_plot};
pub use target_text::{target_diff_text, target_list_text, target_text};
pub use text::{fit_text, per_side::per_side_text};

/// How every picture begins, so that one is known again.
pub const PLOT_BEGINNING: &str = "<svg class=\"bandwright-plot\"";
