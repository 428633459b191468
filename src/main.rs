//! The `bandwright` command. The library does the work; this reads, calls and writes.

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::run()
}
