//! What can be at fault: what the faults of all stages have in common.
//!
//! A stage lists its faults by the macro `faults`: what a variant means, what it holds, its kind and its words stand
//! together. A text names the parts of its variant in braces, shown as the trait `Show` says; what needs more than that
//! is an expression in parentheses.

use std::any::Any;
use std::fmt;

use super::kind::ErrorKind;
use crate::knob::Names;
use crate::message::{Number, excerpt};

/// What is at fault: a value of one stage, such as a variant of its enum.
pub trait Fault: Boxed + fmt::Debug + Send + Sync {
    /// The kind of failure.
    fn kind(&self) -> ErrorKind;

    /// The fault in words; `names` says what settings are called.
    fn words(&self, names: Names<'_>) -> Words;

    /// The fault that this one says more of, where it is such a one.
    fn inner(&self) -> Option<&dyn Fault> {
        None
    }
}

/// What a fault can do in a box, whatever its type.
pub trait Boxed: Any {
    /// A copy.
    fn copied(&self) -> Box<dyn Fault>;

    /// True where `other` is of the same type and equal.
    fn equals(&self, other: &dyn Fault) -> bool;
}

impl<F: Fault + Clone + PartialEq> Boxed for F {
    fn copied(&self) -> Box<dyn Fault> {
        Box::new(self.clone())
    }

    fn equals(&self, other: &dyn Fault) -> bool {
        let other: &dyn Any = other;
        other.downcast_ref() == Some(self)
    }
}

impl dyn Fault {
    /// The fault as one of the type `F`, where it is one, or where one is within it.
    #[must_use]
    pub fn as_stage<F: Fault>(&self) -> Option<&F> {
        let any: &dyn Any = self;
        any.downcast_ref()
            .or_else(|| self.inner().and_then(Self::as_stage))
    }
}

impl Clone for Box<dyn Fault> {
    fn clone(&self) -> Self {
        (**self).copied()
    }
}

impl PartialEq for dyn Fault {
    fn eq(&self, other: &Self) -> bool {
        self.equals(other)
    }
}

/// What a derived `PartialEq` compares boxes of traits by: it would move them out of what holds them otherwise.
impl PartialEq<&Self> for Box<dyn Fault> {
    fn eq(&self, other: &&Self) -> bool {
        self.equals(&***other)
    }
}

impl<F: Fault> From<F> for Box<dyn Fault> {
    fn from(fault: F) -> Self {
        Box::new(fault)
    }
}

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

/// Types whose `Display` is what messages show.
macro_rules! show_as_displayed {
    ($($type:ty),+) => {
        $(impl $crate::error::fault::Show for $type {
            fn show(&self) -> String {
                self.to_string()
            }
        })+
    };
}

pub(crate) use show_as_displayed;

show_as_displayed!(bool, char, u32, u64, usize, &'static str);

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

        impl $crate::error::Fault for $enum {
            fn kind(&self) -> $crate::error::ErrorKind {
                match self {
                    $(Self::$fault { .. } => $crate::error::ErrorKind::$kind,)+
                }
            }

            #[allow(unused_variables, reason = "not every text shows every part")]
            fn words(&self, $names: $crate::error::Names<'_>) -> $crate::error::Words {
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
pub struct NamedFile {
    /// What is at fault with the file itself.
    pub fault: Box<dyn Fault>,
    /// Its path, where the place of the error is not the file but what names it.
    pub path: Option<String>,
    /// True where the path starts at the file that names it.
    pub beside: bool,
    /// A file of nearly that path, which may be meant.
    pub near: Option<String>,
}

impl Fault for NamedFile {
    fn kind(&self) -> ErrorKind {
        self.fault.kind()
    }

    fn inner(&self) -> Option<&dyn Fault> {
        Some(&*self.fault)
    }

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

/// What no stage of this library knows, as whoever reports it says it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportedFault {
    /// The kind of failure.
    pub kind: ErrorKind,
    /// Its words.
    pub words: Words,
}

impl Fault for ReportedFault {
    fn kind(&self) -> ErrorKind {
        self.kind
    }

    fn words(&self, _: Names<'_>) -> Words {
        self.words.clone()
    }
}
