//! The command line: what was typed becomes a request, the library answers, the answer is written.
//!
//! [`args`] holds what was typed, uninterpreted; one file a verb; [`files`] is the only place that touches
//! the file system, [`console`] the only one that prints.

mod args;
mod console;
mod files;

mod fit;

use std::process::ExitCode;

use bandwright::error::{Error, ErrorKind};
use clap::Parser;

/// Exit status of a job that ran and whose answer is no.
const ANSWER_IS_NO: u8 = 1;
/// Exit status for bad usage or input.
const BAD_INPUT: u8 = 2;

/// Runs the command that was typed. Exit status: 0 done, 1 the answer is no, 2 bad usage or input.
pub fn run() -> ExitCode {
    let args = match args::Args::try_parse() {
        Ok(args) => args,
        Err(error) => {
            // Help and version go to stdout and are no failure.
            let status = if error.use_stderr() { BAD_INPUT } else { 0 };
            console::show_usage(&error);
            return ExitCode::from(status);
        }
    };
    let (result, output, verb) = match &args.verb {
        args::Verb::Fit(typed) => (fit::run(typed), typed.output_style, "fit"),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            if output.json {
                console::print_error_document(verb, &error);
            }
            console::print_error(&error);
            ExitCode::from(status(&error))
        }
    }
}

fn status(error: &Error) -> u8 {
    match error.kind {
        ErrorKind::Refused => ANSWER_IS_NO,
        _ => BAD_INPUT,
    }
}
