//! The document of a verb that fails under `--json`.

use schemars::JsonSchema;
use serde::Serialize;

use crate::error::{Error, Names, WordedError};

/// The document of a verb that failed. The same goes to standard error in words.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ErrorDocument {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that failed: `inspect`, `target`, `fit`, `check` or `export`; `null` where none was recognised.
    pub verb: Option<&'static str>,
    /// What went wrong.
    pub error: WordedError,
}

/// The document of a failure; `verb` is none where none was recognised. `names` says what settings are called.
#[must_use]
pub fn error_document(
    verb: Option<&'static str>,
    error: &Error,
    names: Names<'_>,
) -> ErrorDocument {
    ErrorDocument {
        format: 1,
        verb,
        error: error.worded(names),
    }
}
