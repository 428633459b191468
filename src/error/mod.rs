//! What went wrong, where, and what to do next: every failure of this library is an [`Error`] value.
//!
//! An error has a place, the file or setting with the line and the key where these are known, and a [`Fault`]: a value
//! whose variant and numbers a program can match. Each stage has its own faults, worded in one place; in words an error
//! says what was found, what was expected, and a next step. It prints as
//! `FILE:LINE:COLUMN: KEY: found X; expected Y; NEXT STEP`.

pub mod fault;
mod kind;
mod place;
mod spelling;
pub mod value;

use std::fmt;

pub use crate::knob::{Knob, Names, plain};
pub use fault::{Fault, NamedFile, ReportedFault, Words};
pub use kind::ErrorKind;
pub use place::{Place, Source};
pub use spelling::nearest_spelling;
use value::{OutOfRange, ValueFault};

/// A failure: its place and what is at fault. [`Error::worded`] gives it in words.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(into = "WordedError")]
pub struct Error {
    /// The kind, for programs.
    pub kind: ErrorKind,
    /// Where it was found.
    pub place: Place,
    /// What is at fault, as its stage knows it; see [`Error::fault`].
    pub fault: Box<dyn Fault>,
}

/// A failure as a value; its fields are the parts of the message.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[schemars(rename = "Error")]
pub struct WordedError {
    /// The kind, for programs.
    pub kind: ErrorKind,
    /// Where it was found.
    pub place: Place<String>,
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
    /// A fault of `source` as a whole; add a line or key with [`Error::at_line`] and [`Error::at_key`].
    pub fn of(fault: impl Into<Box<dyn Fault>>, source: impl Into<Source>) -> Box<Self> {
        let fault = fault.into();
        Box::new(Self {
            kind: fault.kind(),
            place: Place {
                source: source.into(),
                line: None,
                column: None,
                key: None,
            },
            fault,
        })
    }

    /// An error in words of its own, for what has no fault in any stage, such as a file that cannot be opened.
    pub fn new(
        kind: ErrorKind,
        source: impl Into<Source>,
        found: impl Into<String>,
        expected: impl Into<String>,
        next_step: impl Into<String>,
    ) -> Box<Self> {
        let words = Words {
            found: found.into(),
            expected: expected.into(),
            next_step: next_step.into(),
        };
        Self::of(ReportedFault { kind, words }, source)
    }

    /// The same error at a line, counted from 1; none where it is not known.
    #[must_use]
    pub fn at_line(mut self: Box<Self>, line: impl Into<Option<usize>>) -> Box<Self> {
        self.place.line = line.into();
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

    /// The same error about another source.
    #[must_use]
    pub fn about(mut self: Box<Self>, source: impl Into<Source>) -> Box<Self> {
        self.place.source = source.into();
        self
    }

    /// The same error about a file that another file or an option refers to: the message adds `path`. `beside`: the path is
    /// relative to the file that refers to it.
    #[must_use]
    pub fn named(self: Box<Self>, path: &str, beside: bool) -> Box<Self> {
        self.within(|fault| NamedFile {
            fault,
            path: Some(path.to_owned()),
            beside,
            near: None,
        })
    }

    /// The same error, of a file that may be a misspelt one.
    #[must_use]
    pub fn misspelt(self: Box<Self>, near: String) -> Box<Self> {
        self.within(|fault| NamedFile {
            fault,
            path: None,
            beside: false,
            near: Some(near),
        })
    }

    /// The same error, its fault within another; its kind stays.
    #[must_use]
    pub fn within<F: Fault>(
        mut self: Box<Self>,
        outer: impl FnOnce(Box<dyn Fault>) -> F,
    ) -> Box<Self> {
        let none = ReportedFault {
            kind: self.kind,
            words: Words::default(),
        };
        let fault = std::mem::replace(&mut self.fault, Box::new(none));
        self.fault = Box::new(outer(fault));
        self
    }

    /// The fault as `F`, such as [`ValueFault`], if it is one, or if one is nested in it.
    #[must_use]
    pub fn fault<F: Fault>(&self) -> Option<&F> {
        self.fault.as_stage()
    }

    /// The number at fault and its range, where the fault is a number outside its range.
    #[must_use]
    pub fn out_of_range(&self) -> Option<&OutOfRange> {
        match self.fault()? {
            ValueFault::OutOfRange(range) => Some(range),
            ValueFault::Unknown(_) => None,
        }
    }

    /// What was found.
    #[must_use]
    pub fn found(&self) -> String {
        self.fault.words(&plain).found
    }

    /// What was expected instead.
    #[must_use]
    pub fn expected(&self) -> String {
        self.fault.words(&plain).expected
    }

    /// What to do next.
    #[must_use]
    pub fn next_step(&self) -> String {
        self.fault.words(&plain).next_step
    }

    /// The error in words; `names` says what settings are called.
    #[must_use]
    pub fn worded(&self, names: Names<'_>) -> WordedError {
        let Words {
            found,
            expected,
            next_step,
        } = self.fault.words(names);
        let place = self.place.clone();
        WordedError {
            kind: self.kind,
            place: Place {
                source: place.source.worded(names),
                line: place.line,
                column: place.column,
                key: place.key,
            },
            found,
            expected,
            next_step,
        }
    }
}

impl From<Error> for WordedError {
    fn from(error: Error) -> Self {
        error.worded(&plain)
    }
}

impl fmt::Display for WordedError {
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

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.worded(&plain).fmt(f)
    }
}

impl std::error::Error for Error {}
