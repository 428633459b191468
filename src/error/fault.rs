//! What can be at fault: one enum for each stage, and what all stages share.
//!
//! A stage lists its faults by the macro `faults`: what a variant means, what it holds, its kind and its words stand
//! together. A text names the parts of its variant in braces, shown as the trait `Show` says; what needs more than that is an
//! expression in parentheses.

use super::value::{Band, OutOfRange, ValueFault};
use super::{ErrorKind, Names};
use crate::export::error::ExportFault;
use crate::filter::error::FilterFault;
use crate::filter::{QMeaning, Shape};
use crate::headroom::error::HeadroomFault;
use crate::job::error::JobFault;
use crate::keys::error::KeysFault;
use crate::limits::error::LimitsFault;
use crate::measurement::error::MeasurementFault;
use crate::measurement::impulse::WavFault;
use crate::measurement::takes::Side;
use crate::message::{Number, excerpt};
use crate::sheet::error::SheetFault;
use crate::verify::error::VerifyFault;
use crate::wanted::error::WantedFault;

/// A fault in words.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Words {
    /// What was found.
    pub found: String,
    /// What was expected instead.
    pub expected: String,
    /// What to do next.
    pub next_step: String,
}

/// How the words of a fault show its parts.
pub(crate) trait Show {
    fn show(&self) -> String;
}

impl Show for f64 {
    fn show(&self) -> String {
        Number(*self).to_string()
    }
}

/// Texts come from outside.
impl Show for String {
    fn show(&self) -> String {
        excerpt(self)
    }
}

impl Show for Side {
    fn show(&self) -> String {
        self.words().to_owned()
    }
}

impl<T: Show> Show for Option<T> {
    fn show(&self) -> String {
        self.as_ref().map_or(String::new(), Show::show)
    }
}

impl<T: Show> Show for Vec<T> {
    fn show(&self) -> String {
        self.iter().map(Show::show).collect::<Vec<_>>().join(", ")
    }
}

macro_rules! show_as_displayed {
    ($($type:ty),+) => {
        $(impl Show for $type {
            fn show(&self) -> String {
                self.to_string()
            }
        })+
    };
}

show_as_displayed!(
    bool,
    char,
    u64,
    usize,
    &'static str,
    Band,
    QMeaning,
    Shape,
    WavFault
);

/// One text of a fault: what is in braces is shown, what is in parentheses is an expression.
macro_rules! text {
    ([$($part:ident)*] ($words:expr)) => {
        String::from($words)
    };
    ([$($part:ident)*] $words:literal) => {{
        $(let $part = $crate::error::fault::Show::show($part);)*
        format!($words)
    }};
}
pub(crate) use text;

/// The faults of a stage: the enum, each variant with its kind and its words. `$names` is what settings are called.
macro_rules! faults {
    ($enum:ident, $names:ident;
        $($(#[$doc:meta])* $fault:ident $(($($part:ident: $type:ty),+))? => $kind:ident,
            $found:tt, $expected:tt, $next_step:tt;)+
    ) => {
        /// What is at fault.
        #[derive(Debug, Clone, PartialEq)]
        #[non_exhaustive]
        pub enum $enum {
            $($(#[$doc])* $fault $(($($type),+))?,)+
        }

        impl $enum {
            pub(crate) fn kind(&self) -> $crate::error::ErrorKind {
                match self {
                    $(Self::$fault { .. } => $crate::error::ErrorKind::$kind,)+
                }
            }

            #[allow(unused_variables, reason = "not every text shows every part")]
            pub(crate) fn words(&self, $names: $crate::error::Names<'_>) -> $crate::error::Words {
                use $crate::error::fault::text;
                match self {
                    $(Self::$fault $(($($part),+))? => $crate::error::Words {
                        found: text!([$($($part)+)?] $found),
                        expected: text!([$($($part)+)?] $expected),
                        next_step: text!([$($($part)+)?] $next_step),
                    },)+
                }
            }
        }
    };
}
pub(crate) use faults;

/// A file that cannot be had, and by what it was named.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    /// What is at fault with the file itself.
    pub fault: Box<Fault>,
    /// Its path, where the place of the error is not the file but what names it.
    pub path: Option<String>,
    /// True where the path starts at the file that names it.
    pub beside: bool,
    /// A file of nearly that path, which may be meant.
    pub near: Option<String>,
}

impl Named {
    fn words(&self, names: Names<'_>) -> Words {
        let mut words = self.fault.words(names);
        if let Some(path) = &self.path {
            words.found = format!("{} at `{}`", words.found, excerpt(path));
        }
        words.next_step = match (&self.near, &self.path) {
            (Some(near), _) => format!("did you mean `{}`?", excerpt(near)),
            (None, Some(_)) if self.fault.kind() == ErrorKind::Missing => match self.beside {
                true => "check the name; it is looked for beside this file".to_owned(),
                false => "check the path".to_owned(),
            },
            _ => words.next_step,
        };
        words
    }
}

macro_rules! stages {
    ($($(#[$doc:meta])* $stage:ident($fault:ty),)+) => {
        /// What is at fault.
        #[derive(Debug, Clone, PartialEq)]
        #[non_exhaustive]
        pub enum Fault {
            $($(#[$doc])* $stage($fault),)+
            /// A file that something names.
            Named(Named),
            /// One of the points of a curve, counted from 1, where its line is not known.
            AtPoint(usize, Box<Fault>),
            /// What no stage of this library knows, as whoever reports it says it.
            Said(ErrorKind, Words),
        }

        impl Fault {
            /// The kind of failure.
            #[must_use]
            pub fn kind(&self) -> ErrorKind {
                match self {
                    $(Self::$stage(fault) => fault.kind(),)+
                    Self::Named(Named { fault, .. }) | Self::AtPoint(_, fault) => fault.kind(),
                    Self::Said(kind, _) => *kind,
                }
            }

            /// The fault in words; `names` says what settings are called.
            #[must_use]
            pub fn words(&self, names: Names<'_>) -> Words {
                match self {
                    $(Self::$stage(fault) => fault.words(names),)+
                    Self::Named(named) => named.words(names),
                    Self::AtPoint(point, fault) => {
                        let words = fault.words(names);
                        let found = format!("{} at point {point}", words.found);
                        Words { found, ..words }
                    }
                    Self::Said(_, words) => words.clone(),
                }
            }
        }

        $(impl From<$fault> for Fault {
            fn from(fault: $fault) -> Self {
                Self::$stage(fault)
            }
        })+
    };
}

impl Fault {
    /// The number at fault and its range, where the fault is a number outside its range.
    #[must_use]
    pub fn out_of_range(&self) -> Option<&OutOfRange> {
        match self {
            Self::Value(ValueFault::OutOfRange(range)) => Some(range),
            Self::Sheet(SheetFault::Within(fault)) | Self::AtPoint(_, fault) => {
                fault.out_of_range()
            }
            _ => None,
        }
    }
}

stages! {
    /// A single value, at any stage.
    Value(ValueFault),
    /// The reading of a TOML file.
    Keys(KeysFault),
    /// What was measured.
    Measurement(MeasurementFault),
    /// What is wanted.
    Wanted(WantedFault),
    /// A section.
    Filter(FilterFault),
    /// What the equaliser accepts.
    Limits(LimitsFault),
    /// What sections need before them, and what they cost.
    Headroom(HeadroomFault),
    /// A sheet.
    Sheet(SheetFault),
    /// An export.
    Export(ExportFault),
    /// What was measured again.
    Verify(VerifyFault),
    /// A fit.
    Job(JobFault),
}
