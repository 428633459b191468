//! The kinds of failure.

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
