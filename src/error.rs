//! What went wrong, where, and what to do next: every failure of this library is an [`Error`] value.
//!
//! An error has a place, the file or setting with the line and the key where these are known, and a [`Fault`]: a value
//! whose variant and numbers a program can match. Each stage has its own faults, worded in one place; in words an error
//! says what was found, what was expected, and a next step. It prints as
//! `FILE:LINE:COLUMN: KEY: found X; expected Y; NEXT STEP`.

pub mod fault;
mod spelling;
pub mod value;

use std::fmt;

pub use crate::knob::{Knob, Names, plain};
pub use fault::{Fault, Named, Words};
pub use spelling::nearest_spelling;
use value::OutOfRange;

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

/// What an error is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// A file, by its name.
    File(String),
    /// A setting that was chosen.
    Knob(Knob),
    /// Something else, by its name: a unit, limits, a parameter.
    Name(String),
}

impl Source {
    /// Something that is neither a file nor a setting.
    pub fn name(name: impl Into<String>) -> Self {
        Self::Name(name.into())
    }

    /// In words; `names` says what settings are called.
    #[must_use]
    pub fn worded(&self, names: Names<'_>) -> String {
        match self {
            Self::File(name) | Self::Name(name) => name.clone(),
            Self::Knob(knob) => names(*knob),
        }
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.worded(&plain))
    }
}

impl From<&str> for Source {
    fn from(file: &str) -> Self {
        Self::File(file.to_owned())
    }
}

impl From<String> for Source {
    fn from(file: String) -> Self {
        Self::File(file)
    }
}

impl From<Knob> for Source {
    fn from(knob: Knob) -> Self {
        Self::Knob(knob)
    }
}

/// A source is a text where it is that in plain words.
impl<T: AsRef<str>> PartialEq<T> for Source {
    fn eq(&self, text: &T) -> bool {
        self.worded(&plain) == text.as_ref()
    }
}

/// Where an error was found.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[schemars(rename = "Place")]
pub struct Place<S = Source> {
    /// File name, or the option that carried the value.
    pub source: S,
    /// Line, counted from 1; none (`null`) where no line is at fault.
    pub line: Option<usize>,
    /// Character in that line, counted from 1; none (`null`) where no single character is at fault.
    pub column: Option<usize>,
    /// Key of a TOML file, such as `gain_db.step`; none (`null`) where no key is at fault.
    pub key: Option<String>,
}

/// A failure: its place and what is at fault. [`Error::worded`] gives it in words.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(into = "InWords")]
pub struct Error {
    /// The kind, for programs.
    pub kind: ErrorKind,
    /// Where it was found.
    pub place: Place,
    /// What is at fault.
    pub fault: Fault,
}

/// A failure as a value; its fields are the parts of the message.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[schemars(rename = "Error")]
pub struct InWords {
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
    pub fn of(fault: impl Into<Fault>, source: impl Into<Source>) -> Box<Self> {
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

    /// An error that no stage of this library knows, in the words of whoever reports it, such as one who opens files.
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
        Self::of(Fault::Said(kind, words), source)
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

    /// The same error, of a file that is named by its `path`, `beside` what names it.
    #[must_use]
    pub fn named(self: Box<Self>, path: &str, beside: bool) -> Box<Self> {
        let named = |fault| Named {
            fault,
            path: Some(path.to_owned()),
            beside,
            near: None,
        };
        self.within(|fault| Fault::Named(named(fault)))
    }

    /// The same error, of a file that may be a misspelt one.
    #[must_use]
    pub fn misspelt(self: Box<Self>, near: String) -> Box<Self> {
        let named = |fault| Named {
            fault,
            path: None,
            beside: false,
            near: Some(near),
        };
        self.within(|fault| Fault::Named(named(fault)))
    }

    /// The same error, its fault within another.
    #[must_use]
    pub fn within(mut self: Box<Self>, outer: impl FnOnce(Box<Fault>) -> Fault) -> Box<Self> {
        let none = Fault::Said(self.kind, Words::default());
        let fault = std::mem::replace(&mut self.fault, none);
        self.fault = outer(Box::new(fault));
        self
    }

    /// The number at fault and its range, where the fault is a number outside its range.
    #[must_use]
    pub fn out_of_range(&self) -> Option<&OutOfRange> {
        self.fault.out_of_range()
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
    pub fn worded(&self, names: Names<'_>) -> InWords {
        let Words {
            found,
            expected,
            next_step,
        } = self.fault.words(names);
        let place = self.place.clone();
        InWords {
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

impl From<Error> for InWords {
    fn from(error: Error) -> Self {
        error.worded(&plain)
    }
}

impl fmt::Display for InWords {
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
