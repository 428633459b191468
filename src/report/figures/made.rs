//! How a report came about: enough to repeat it to the byte.

use std::path::Path;

use crate::digest;
use crate::file_names::told_apart;
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

/// The program and its version.
const PROGRAM: &str = concat!("bandwright ", env!("CARGO_PKG_VERSION"));

/// More files than so many are counted in a picture, with one digest of theirs.
const MOST_NAMED: usize = 6;

/// Digits of a digest in a picture: two of a thousand files have the same by a chance of 1 in 10,000.
const DIGITS: usize = 8;

/// The same in short, for below a picture of `subject`: the program, and the files with the first digits of their digests.
#[must_use]
pub fn note(made: &Made, subject: &str) -> String {
    let paths: Vec<&Path> = made.inputs.iter().map(|input| Path::new(&input.name)).collect();
    // A picture may be drawn with a font that lacks letters; the digest tells which file it is.
    let ascii = |name: &String| name.replace(|c: char| !c.is_ascii(), "?");
    let names: Vec<String> = told_apart(&paths).iter().map(ascii).collect();
    let short = |digest: &str| digest.chars().take(DIGITS).collect::<String>();
    let named = if names.len() > MOST_NAMED { MOST_NAMED - 1 } else { names.len() };
    let files = names.iter().zip(&made.inputs).take(named);
    let mut files: Vec<String> = files
        .map(|(name, input)| format!("{name}\u{A0}{}", short(&input.sha256)))
        .collect();
    let others = &made.inputs[named..];
    if !others.is_empty() {
        let digests: String = others.iter().map(|input| input.sha256.as_str()).collect();
        files.push(format!("{} more\u{A0}{}", others.len(), short(&digest::hex(digests))));
    }
    let read = match files.is_empty() {
        true => String::new(),
        false => format!(" Read, each with the first digits of its SHA-256: {}.", files.join(", ")),
    };
    format!("Made by {PROGRAM}: {subject}.{read}")
}

/// The part of a report that says so.
#[must_use]
pub fn part(made: &Made) -> Part {
    let rows = vec![
        Row::new("program", PROGRAM),
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
