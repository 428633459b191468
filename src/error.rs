//! What went wrong, where, and what to do next: every failure of this library is an [`Error`] value.
//!
//! An error names the file (or option), the line and the key where that is known, what was found
//! there, what was expected, and a next step. It prints as
//! `FILE:LINE:COLUMN: KEY: found X; expected Y; NEXT STEP`.

use std::fmt;

/// The kinds of failure, for programs that react to them; the words for people are the parts of an error.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum ErrorKind {
    /// A file could not be opened, read or written, though something of its name is there.
    File,
    /// There is no file of that name.
    Missing,
    /// The bytes are not what the file should hold (another kind of file, undecodable text, too large).
    Format,
    /// A number is missing, is no number, or is not finite.
    Number,
    /// Frequencies are not positive and strictly increasing.
    Order,
    /// Too few points, too narrow a range, or no frequency in common.
    Coverage,
    /// A value lies outside what is allowed, or two settings contradict each other.
    Setting,
    /// A name (target, key, shape) is not known.
    Name,
    /// The job ran, and its answer is no.
    Refused,
    /// The job was asked to stop before it was done.
    Stopped,
}

/// Where an error was found.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
pub struct Place {
    /// File name, or the option that carried the value.
    pub source: String,
    /// Line, counted from 1; none (`null`) where no line is at fault.
    pub line: Option<usize>,
    /// Character in that line, counted from 1; none (`null`) where no single character is at fault.
    pub column: Option<usize>,
    /// Key of a TOML file, such as `gain_db.step`; none (`null`) where no key is at fault.
    pub key: Option<String>,
}

/// A failure as a value; its fields are the parts of the message.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
pub struct Error {
    /// The kind, for programs.
    pub kind: ErrorKind,
    /// Where it was found.
    pub place: Place,
    /// What was found.
    pub found: String,
    /// What was expected instead.
    pub expected: String,
    /// What to do next.
    pub next_step: String,
}

/// The result of everything here that can fail. The error is boxed: it is large and rare.
pub type Result<T> = std::result::Result<T, Box<Error>>;

impl Error {
    /// An error about `source` as a whole; add a line or key with [`Error::at_line`] and [`Error::at_key`].
    pub fn new(
        kind: ErrorKind,
        source: impl Into<String>,
        found: impl Into<String>,
        expected: impl Into<String>,
        next_step: impl Into<String>,
    ) -> Box<Self> {
        Box::new(Self {
            kind,
            place: Place {
                source: source.into(),
                line: None,
                column: None,
                key: None,
            },
            found: found.into(),
            expected: expected.into(),
            next_step: next_step.into(),
        })
    }

    /// The same error at a line, counted from 1.
    #[must_use]
    pub fn at_line(mut self: Box<Self>, line: usize) -> Box<Self> {
        self.place.line = Some(line);
        self
    }

    /// The same error at a character of a line, both counted from 1.
    #[must_use]
    pub fn at_column(mut self: Box<Self>, line: usize, column: usize) -> Box<Self> {
        self.place.line = Some(line);
        self.place.column = Some(column);
        self
    }

    /// The same error at a key of a TOML file.
    #[must_use]
    pub fn at_key(mut self: Box<Self>, key: impl Into<String>) -> Box<Self> {
        self.place.key = Some(key.into());
        self
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.place.source)?;
        if let Some(line) = self.place.line {
            write!(f, ":{line}")?;
            if let Some(column) = self.place.column {
                write!(f, ":{column}")?;
            }
        }
        if let Some(key) = &self.place.key {
            write!(f, ": {key}")?;
        }
        write!(
            f,
            ": found {}; expected {}; {}",
            self.found, self.expected, self.next_step
        )
    }
}

impl std::error::Error for Error {}

/// The spelling among `known` that is closest to `given`, when it is close enough to be meant.
#[must_use]
pub fn nearest_spelling<'a>(
    given: &str,
    known: impl IntoIterator<Item = &'a str>,
) -> Option<&'a str> {
    let close = |name: &&str| 1 + name.chars().count() / 3;
    // No distance is smaller than the difference in length, and words may be megabytes long.
    let similar_length = |name: &&str| {
        let longest = name.chars().count() + close(name);
        given.chars().take(longest + 1).count() <= longest
    };
    known
        .into_iter()
        .filter(similar_length)
        .map(|name| (edit_distance(given, name), name))
        .min()
        .filter(|(distance, name)| *distance <= close(name))
        .map(|(_, name)| name)
}

/// Levenshtein distance in characters, case ignored (V. I. Levenshtein, 1966).
fn edit_distance(left: &str, right: &str) -> usize {
    let left: Vec<char> = left.to_lowercase().chars().collect();
    let right: Vec<char> = right.to_lowercase().chars().collect();
    let mut row: Vec<usize> = (0..=right.len()).collect();
    for (i, a) in left.iter().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, b) in right.iter().enumerate() {
            let substituted = diagonal + usize::from(a != b);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(row[j] + 1).min(row[j + 1] + 1);
        }
    }
    row[right.len()]
}
