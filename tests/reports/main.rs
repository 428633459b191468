//! What people and programs are shown.

#[path = "../support/mod.rs"]
mod support;

mod check_plot;
mod compare_plot;
mod drawing;
mod inspect_plot;
mod inspect_text;
mod json_rounding;
mod messages;
mod page;
mod png;
mod report_json;
mod report_plot;
mod report_text;
mod target_plot;
mod terminal;
