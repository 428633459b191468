//! The only place that prints. A reader that closes the pipe early is no failure; a full disk is one.

use std::io::{self, ErrorKind as IoErrorKind, Write};

use bandwright::caution::Caution;
use bandwright::error::{Error, ErrorKind, Result, Source};
use bandwright::report::{error_document, to_json};

use super::files::in_words;
use super::option_names::option;

/// Prints a result.
///
/// # Errors
/// `File` when standard output cannot be written to, unless its reader went away.
pub fn print(text: &str) -> Result<()> {
    let mut stdout = io::stdout().lock();
    let written = stdout
        .write_all(text.as_bytes())
        .and_then(|()| stdout.flush());
    unless_closed(written)
}

/// A reader that went away is no failure.
fn unless_closed(written: io::Result<()>) -> Result<()> {
    match written {
        Err(error) if error.kind() != IoErrorKind::BrokenPipe => Err(Error::new(
            ErrorKind::File,
            Source::name("standard output"),
            in_words(&error),
            "a place that can be written to",
            "free some space, or send the output elsewhere",
        )),
        _ => Ok(()),
    }
}

/// Prints a caution that must be seen even where nothing else is printed.
pub fn print_caution(caution: &Caution) {
    let text = bandwright::report::words::printable(&caution.worded(&option));
    let _ = writeln!(io::stderr().lock(), "bandwright: caution: {text}");
}

/// Prints an error for people.
pub fn print_error(error: &Error) {
    let text = bandwright::report::words::printable(&error.worded(&option).to_string());
    let _ = writeln!(io::stderr().lock(), "bandwright: {text}");
}

/// Prints an error as a JSON document; `verb` is none where none was recognised.
pub fn print_error_document(verb: Option<&'static str>, error: &Error) {
    // The error itself goes to stderr as well, so nothing is lost where stdout is.
    let _ = print(&to_json(&error_document(verb, error, &option)));
}

/// Prints what the parser says: help and version on stdout, wrong usage on stderr.
///
/// # Errors
/// As [`print`], for help and version.
pub fn show_usage(error: &clap::Error) -> Result<()> {
    let printed = error.print().and_then(|()| io::stdout().flush());
    if error.use_stderr() {
        return Ok(());
    }
    unless_closed(printed)
}
