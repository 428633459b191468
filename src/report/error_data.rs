//! The document of a verb that fails under `--json`.

use schemars::JsonSchema;
use serde::Serialize;

use crate::error::Error;

/// The document of a verb that failed. The same goes to standard error in words.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ErrorDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that failed: `inspect`, `target`, `fit`, `check` or `export`; `null` where none was recognised.
    pub verb: Option<&'static str>,
    /// What went wrong.
    pub error: &'a Error,
}

/// The document of a failure; `verb` is none where none was recognised.
#[must_use]
pub fn error_document<'a>(verb: Option<&'static str>, error: &'a Error) -> ErrorDocument<'a> {
    ErrorDocument {
        format: 1,
        verb,
        error,
    }
}
