//! The limits that come with the program: general equalisers, of no maker.

use std::path::Path;

use crate::error::value::{NameOf, ValueFault};
use crate::error::{Error, ErrorKind, Result};
use crate::files::{Files, shown};
use crate::limits::Limits;

struct Entry {
    name: &'static str,
    text: &'static str,
}

macro_rules! entry {
    ($name:literal) => {
        Entry {
            name: $name,
            text: include_str!(concat!($name, ".limits.toml")),
        }
    };
}

static LIBRARY: [Entry; 4] = [
    entry!("eight-section-pocket"),
    entry!("ten-section-parametric"),
    entry!("octave-graphic"),
    entry!("third-octave-graphic"),
];

/// Names of the built-in limits.
#[must_use]
pub fn names() -> Vec<&'static str> {
    LIBRARY.iter().map(|entry| entry.name).collect()
}

/// The file of built-in limits, whole.
#[must_use]
pub fn text(name: &str) -> Option<&'static str> {
    let entry = LIBRARY.iter().find(|entry| entry.name == name);
    entry.map(|entry| entry.text)
}

/// The limits of a name of the library, or of the path of a limits file. A name of the library wins; a file that happens to
/// have such a name is `./NAME`.
///
/// # Errors
/// `Name` for a bare word that is neither, listing the library and the nearest spelling; whatever `files` and
/// [`Limits::parse`] refuse.
pub fn resolve(path: &Path, files: &dyn Files) -> Result<Limits> {
    let name = &*shown(path);
    if let Some(text) = text(name) {
        return Limits::parse(text.as_bytes(), name);
    }
    let bytes = files.read(path).map_err(|error| {
        let is_bare = path.components().count() == 1 && !name.contains('.');
        if error.kind != ErrorKind::Missing || !is_bare {
            return error;
        }
        Error::of(ValueFault::unknown(NameOf::Limits, name, names()), name)
    })?;
    Limits::parse(&bytes, name)
}
