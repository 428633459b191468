//! The only place that prints. A reader that closes the pipe early is no failure.

use std::io::{self, Write};

use bandwright::error::Error;
use serde::Serialize;

/// Prints a result.
pub fn print(text: &str) {
    let _ = io::stdout().lock().write_all(text.as_bytes());
}

/// Prints an error for people.
pub fn print_error(error: &Error) {
    let _ = writeln!(io::stderr().lock(), "bandwright: {error}");
}

/// The document of a verb that failed under `--json`.
#[derive(Serialize)]
struct ErrorDocument<'a> {
    format: u32,
    verb: &'static str,
    error: &'a Error,
}

/// Prints an error as a JSON document.
pub fn print_error_document(verb: &'static str, error: &Error) {
    let document = ErrorDocument {
        format: 1,
        verb,
        error,
    };
    if let Ok(text) = serde_json::to_string_pretty(&document) {
        print(&format!("{text}\n"));
    }
}

/// Prints what the parser says: help and version on stdout, wrong usage on stderr.
pub fn show_usage(error: &clap::Error) {
    let _ = error.print();
}
