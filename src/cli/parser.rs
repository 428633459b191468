//! The parser of the command line: what holds for every option, whatever its verb.

use std::ffi::OsString;

use clap::builder::ValueParser;
use clap::{Arg, Command, CommandFactory, FromArgMatches};

use super::args::Args;
use super::groups::number;

/// The options that `-h` shows; the others stand under `--help`. So every short help fits a screen.
const SHORT: [&str; 33] = [
    "left",
    "right",
    "target",
    "bass",
    "treble",
    "limits",
    "sections",
    "effort",
    "per_side",
    "cost",
    "base",
    "name",
    "side",
    "form",
    "rate_hz",
    "without_preamp",
    "before",
    "after",
    "same_level",
    "tolerance_db",
    "rank",
    "csv",
    "unit_file",
    "from",
    "length",
    "blind",
    "signal",
    "find_peak",
    "answer",
    "output",
    "plot",
    "report",
    "json",
];

/// What stands for the value of an option that is a number.
const NUMBERS: [&str; 4] = ["DB", "DBA", "HZ", "X"];

/// Parses what was typed.
pub fn parse(typed: &[OsString]) -> Result<Args, clap::Error> {
    let matches = shaped(Args::command()).try_get_matches_from(typed)?;
    Args::from_arg_matches(&matches)
}

fn shaped(command: Command) -> Command {
    command.mut_args(shaped_option).mut_subcommands(shaped)
}

fn shaped_option(option: Arg) -> Arg {
    let is_number = option
        .get_value_names()
        .is_some_and(|names| names.iter().any(|name| NUMBERS.contains(&name.as_str())));
    let option = match is_number {
        true => option
            .value_parser(ValueParser::new(number))
            .allow_negative_numbers(true),
        false => option,
    };
    let is_short = option.is_positional() || SHORT.contains(&option.get_id().as_str());
    option.hide_short_help(!is_short)
}
