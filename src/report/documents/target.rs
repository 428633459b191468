//! The documents of `target --json`. Their schemas are made from these types ([`mod@super::schema`]).

use schemars::JsonSchema;
use serde::Serialize;

use crate::report::files::WrittenFile;
use crate::wanted::difference::Difference;
use crate::wanted::shown::{Compared, Levels, Shown};

/// A target of the library, as it is listed.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ListedTarget {
    /// Its name.
    pub name: String,
    /// Where it comes from, in words.
    pub source: String,
    /// Lowest and highest frequency, Hz.
    pub support_hz: (f64, f64),
    /// What supports it, in words.
    pub support: String,
    /// Where its 0 dB is, in words.
    pub level: String,
    /// Its licence, in words.
    pub licence: String,
    /// What to know before using it, in sentences.
    pub warnings: Vec<String>,
}

/// The document of `target list --json`. Frequencies are rounded to 0.001 Hz.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TargetListDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `target`.
    #[schemars(extend("const" = "target"))]
    pub verb: &'static str,
    /// `list`.
    #[schemars(extend("const" = "list"))]
    pub task: &'static str,
    /// The targets of the library.
    pub targets: &'a [ListedTarget],
}

/// The document of `target show --json` and `target build --json`. Every object has all its fields; what does not exist
/// is `null`. Levels are dB rounded to 0.0001, frequencies 0.001 Hz.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TargetDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `target`.
    #[schemars(extend("const" = "target"))]
    pub verb: &'static str,
    /// `show` or `build`.
    #[schemars(extend("enum" = ["show", "build"]))]
    pub task: &'static str,
    /// The target.
    pub target: &'a Shown,
    /// The files that were written; empty where none were asked for.
    pub files: &'a [WrittenFile],
}

/// The document of `target diff --json`. Every object has all its fields; what does not exist is `null`. Levels are dB
/// rounded to 0.0001, frequencies 0.001 Hz.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TargetDiffDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `target`.
    #[schemars(extend("const" = "target"))]
    pub verb: &'static str,
    /// `diff`.
    #[schemars(extend("const" = "diff"))]
    pub task: &'static str,
    /// The one, at its own level.
    pub one: &'a Shown,
    /// The other, moved to the level of the one.
    pub other: &'a Shown,
    /// The one minus the other.
    pub difference: DifferencePart<'a>,
    /// The files that were written; empty where none were asked for.
    pub files: &'a [WrittenFile],
}

/// The one minus the other, its level taken out.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct DifferencePart<'a> {
    /// Its figures.
    #[serde(flatten)]
    pub figures: &'a Difference,
    /// The same figures over the band in which both can be believed; `null` where that is all, or less than an octave.
    pub trusted: Option<&'a Difference>,
    /// The difference at the asked frequencies.
    pub points: Levels,
    /// The difference on the common grid.
    pub curve: Levels,
}

/// The document of the library's targets.
#[must_use]
pub fn target_list_document(targets: &[ListedTarget]) -> TargetListDocument<'_> {
    TargetListDocument {
        format: 1,
        verb: "target",
        task: "list",
        targets,
    }
}

/// The document of one target; `task` is `show` or `build`, `files` is what was written.
#[must_use]
pub fn target_document<'a>(
    task: &'static str,
    target: &'a Shown,
    files: &'a [WrittenFile],
) -> TargetDocument<'a> {
    TargetDocument {
        format: 1,
        verb: "target",
        task,
        target,
        files,
    }
}

/// The document of two targets; `files` is what was written.
#[must_use]
pub fn target_diff_document<'a>(
    compared: &'a Compared,
    files: &'a [WrittenFile],
) -> TargetDiffDocument<'a> {
    TargetDiffDocument {
        format: 1,
        verb: "target",
        task: "diff",
        one: &compared.one,
        other: &compared.other,
        difference: DifferencePart {
            figures: &compared.difference,
            trusted: compared.trusted.as_ref(),
            points: Levels::of_points(&compared.points),
            curve: Levels::of_curve(&compared.difference.by_frequency),
        },
        files,
    }
}
