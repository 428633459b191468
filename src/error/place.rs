//! Where an error was found: a file or a setting, with the line and the key where these are known.

use std::fmt;

use crate::knob::{Knob, Names, plain};

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
