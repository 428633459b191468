//! The digest that ends a sheet or a recipe: it tells whether the file was changed after it was written.
//!
//! The last line is a comment with the SHA-256 (FIPS 180-4) of all text above it. Line ends count as LF and a byte-order
//! mark does not count, so a file that only went through another system's line ends is not called edited. It guards
//! against slips, not against forgery: whoever edits a file can compute the digest anew.

use std::fmt::Write as _;

use sha2::{Digest as _, Sha256};

/// What the last line begins with.
const LABEL: &str = "# Digest of all above (SHA-256, line ends as LF): ";

/// What the digest of a file says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Digest {
    /// It is that of the text: nothing was changed since the file was written.
    Intact,
    /// It is not: the text was changed.
    Edited,
    /// The file has none.
    Missing,
}

impl Digest {
    /// What the digest of a file says.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        let Ok(text) = std::str::from_utf8(bytes) else {
            return Self::Missing;
        };
        let text = text.trim_start_matches('\u{feff}').replace("\r\n", "\n");
        let Some(at) = text.rfind(LABEL) else {
            return Self::Missing;
        };
        let (above, line) = text.split_at(at);
        // Anything after the digest, be it a comment, was added later.
        if line[LABEL.len()..].strip_suffix('\n') == Some(&hex(above)) {
            Self::Intact
        } else {
            Self::Edited
        }
    }
}

/// The text with its digest as the last line. The text ends with a line end.
#[must_use]
pub fn with_digest(mut text: String) -> String {
    let digest = hex(&text);
    text.push_str(LABEL);
    text.push_str(&digest);
    text.push('\n');
    text
}

/// The SHA-256 (FIPS 180-4) of bytes, in hexadecimal digits.
#[must_use]
pub fn hex(bytes: impl AsRef<[u8]>) -> String {
    digits(&Sha256::digest(bytes.as_ref()))
}

/// Bytes as hexadecimal digits, two each.
pub fn digits(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut digits, byte| {
        let _ = write!(digits, "{byte:02x}");
        digits
    })
}
