//! How a report came about: enough to repeat it to the byte.

use crate::report::blocks::{Block, Column, ColumnKind, Part, Row};

/// What a report was made with, without paths of the machine.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Made {
    /// What was typed.
    pub command: String,
    /// The files that were read, in the order of their names.
    pub inputs: Vec<Input>,
}

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Input {
    /// Its name.
    pub name: String,
    /// The SHA-256 (FIPS 180-4) of its bytes, in hexadecimal digits.
    pub sha256: String,
}

/// The part of a report that says so.
#[must_use]
pub fn part(made: &Made) -> Part {
    let version = format!("bandwright {}", env!("CARGO_PKG_VERSION"));
    let rows = vec![
        Row::new("program", version),
        Row::new("typed", made.command.as_str()),
    ];
    let names = made.inputs.iter().map(|input| input.name.clone());
    let digests = made.inputs.iter().map(|input| input.sha256.clone());
    let table = Block::table([
        Column::new(ColumnKind::FileNames, "file read", names),
        Column::new(ColumnKind::FileNames, "SHA-256", digests),
    ]);
    let mut blocks = vec![Block::Rows(rows)];
    if !made.inputs.is_empty() {
        blocks.push(table);
    }
    Part::new("How it was made", blocks)
}
