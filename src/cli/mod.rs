//! The command line: what was typed becomes a request, the library answers, the answer is written.
//!
//! [`args`] holds what was typed, uninterpreted; one file a verb; [`files`] is the only place that touches
//! the file system, [`console`] and [`progress`] the only ones that print; [`parser`] and [`groups`] say what may be
//! typed and which options the short help shows; `cost` opens what a cost needs beside the takes; [`outputs`] lists the
//! kinds of files that are written, and [`answer`] writes them and prints.

mod answer;
mod args;
mod console;
mod files;
mod groups;
mod option_names;
mod outputs;
mod parser;
mod progress;
mod threads;

mod check;
mod compare;
mod cost;
mod export;
mod fit;
mod inspect;
mod listen;
mod made;
mod target;

use std::ffi::OsString;
use std::path::Path;
use std::process::ExitCode;

use bandwright::error::{Error, ErrorKind, Source};
use clap::error::{ContextKind, ContextValue};

/// Exit status of a job that ran and whose answer is no.
const ANSWER_IS_NO: u8 = 1;
/// Exit status for bad usage or input.
const BAD_INPUT: u8 = 2;

/// Runs the command that was typed. Exit status: 0 done, 1 the answer is no, 2 bad usage or input.
pub fn run() -> ExitCode {
    let typed: Vec<OsString> = std::env::args_os().collect();
    let args = match parser::parse(&typed) {
        Ok(args) => args,
        Err(error) => return ExitCode::from(usage(&typed, error)),
    };
    files::exit_on_signal();
    threads::on_threads(|| answer(&args))
}

fn answer(args: &args::Args) -> ExitCode {
    let (result, output, verb) = match &args.verb {
        args::Verb::Inspect(typed) => (done(inspect::run(typed)), typed.output_style, "inspect"),
        args::Verb::Target(typed) => {
            let style = typed.task.output_style();
            (done(target::run(typed)), style, "target")
        }
        args::Verb::Fit(typed) => (done(fit::run(typed)), typed.output_style, "fit"),
        args::Verb::Compare(typed) => (compare::run(typed), typed.output_style, "compare"),
        args::Verb::Listen(typed) => (done(listen::run(typed)), typed.output_style, "listen"),
        args::Verb::Check(typed) => (check::run(typed), typed.output_style, "check"),
        args::Verb::Export(typed) => (done(export::run(typed)), typed.output_style, "export"),
    };
    match result {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(ANSWER_IS_NO),
        Err(error) => {
            if output.json {
                console::print_error_document(Some(verb), &error);
            }
            console::print_error(&error);
            ExitCode::from(status(&error))
        }
    }
}

/// What has an answer of its own says it by an error where it is no.
fn done(result: bandwright::Result<()>) -> bandwright::Result<bool> {
    result.map(|()| true)
}

fn status(error: &Error) -> u8 {
    match error.kind {
        ErrorKind::Refused => ANSWER_IS_NO,
        _ => BAD_INPUT,
    }
}

/// Shows what the parser says; help and version are no failure.
fn usage(typed: &[OsString], mut error: clap::Error) -> u8 {
    let failed = error.use_stderr();
    let looks_like_option = |word: &&OsString| {
        let name = word.to_string_lossy();
        name.starts_with('-') && name != "-" && Path::new(word).is_file()
    };
    let file = typed.iter().skip(1).find(looks_like_option);
    let tip = file.map(|file| {
        let file = file.to_string_lossy();
        format!("a file whose name begins with `-` looks like an option; write ./{file}")
    });
    if let Some(tip) = tip.clone().filter(|_| failed) {
        let tips = ContextValue::StyledStrs(vec![tip.into()]);
        error.insert(ContextKind::Suggested, tips);
    }
    // Whoever asked for a document gets one, even where the rest could not be understood.
    if failed && typed.iter().any(|word| word == "--json") {
        let text = error.to_string();
        let sentence = text.lines().next().unwrap_or_default();
        let error = Error::new(
            ErrorKind::Setting,
            Source::name("command line"),
            sentence.strip_prefix("error: ").unwrap_or(sentence),
            "verbs, options and values as in the help",
            tip.unwrap_or_else(|| {
                "read `bandwright --help` or `bandwright VERB --help`".to_owned()
            }),
        );
        let verb = typed
            .get(1)
            .and_then(|word| args::VERBS.into_iter().find(|verb| word == verb));
        console::print_error_document(verb, &error);
    }
    match console::show_usage(&error) {
        Ok(()) if failed => BAD_INPUT,
        Ok(()) => 0,
        Err(error) => {
            console::print_error(&error);
            BAD_INPUT
        }
    }
}
