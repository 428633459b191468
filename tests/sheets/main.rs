//! The sheet, what is exported of it, and whether its promise was kept.

#[path = "../support/mod.rs"]
mod support;

mod check_sheets;
mod export_forms;
mod kept_promise;
mod sheet_files;
