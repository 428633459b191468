//! The documents of `target --json`. Their schemas are made from these types ([`mod@super::schema`]).

use schemars::JsonSchema;
use serde::Serialize;

use super::data::{WrittenFile, hertz, level};
use crate::measurement::grid::{self, OnGrid};
use crate::wanted::shown::{Compared, Shown};

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
pub struct TargetListDocument {
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
    pub targets: Vec<ListedTarget>,
}

/// The document of `target show --json` and `target build --json`. Every object has all its fields; what does not exist
/// is `null`. Levels are dB rounded to 0.0001, frequencies 0.001 Hz.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TargetDocument {
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
    pub target: ShownPart,
    /// The files that were written; empty where none were asked for.
    pub files: Vec<WrittenFile>,
}

/// The document of `target diff --json`. Every object has all its fields; what does not exist is `null`. Levels are dB
/// rounded to 0.0001, frequencies 0.001 Hz.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TargetDiffDocument {
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
    pub one: ShownPart,
    /// The other, moved to the level of the one.
    pub other: ShownPart,
    /// The one minus the other.
    pub difference: DifferencePart,
    /// The files that were written; empty where none were asked for.
    pub files: Vec<WrittenFile>,
}

/// A target as it is shown.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ShownPart {
    /// Its name.
    pub name: String,
    /// Where it comes from, in words.
    pub source: String,
    /// What to know before using it, in sentences.
    pub warnings: Vec<String>,
    /// Its outermost contours, in words.
    pub contours: Vec<String>,
    /// Whether it stands on the unit's own response, which counts as flat here.
    pub relative: bool,
    /// Sample rate at which its sections were evaluated, Hz.
    pub rate_hz: f64,
    /// Lowest and highest frequency, Hz.
    pub support_hz: [f64; 2],
    /// Frequency at which it was made 0 dB, Hz; `null` for its own level.
    pub aligned_at_hz: Option<f64>,
    /// Its level at the asked frequencies.
    pub points: LevelsPart,
    /// Its level on the common grid.
    pub curve: LevelsPart,
}

/// Levels, one for each of `frequency_hz`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LevelsPart {
    /// Frequencies, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// Levels, dB.
    pub level_db: Vec<f64>,
}

/// The difference over the band in which both can be believed, its own level taken out.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TrustedPart {
    /// The level that was taken out over this band, dB.
    pub level_db: f64,
    /// What is left, dB rms, 0 or more.
    pub rms_db: f64,
    /// Its largest value, dB with its sign.
    pub worst_db: f64,
    /// Frequency of that value, Hz.
    pub worst_hz: f64,
    /// Lowest and highest frequency of the band, Hz.
    pub support_hz: [f64; 2],
}

/// The one minus the other, its level taken out.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct DifferencePart {
    /// The level that was taken out, dB: the mean over the grid points that both cover.
    pub level_db: f64,
    /// What is left, dB rms, 0 or more.
    pub rms_db: f64,
    /// Its largest value, dB with its sign.
    pub worst_db: f64,
    /// Frequency of that value, Hz.
    pub worst_hz: f64,
    /// Lowest and highest frequency that both cover, Hz.
    pub support_hz: [f64; 2],
    /// The same figures over the band in which both can be believed; `null` where that is all, or less than an octave.
    pub trusted: Option<TrustedPart>,
    /// The difference at the asked frequencies.
    pub points: LevelsPart,
    /// The difference on the common grid.
    pub curve: LevelsPart,
}

/// The document of the library's targets.
#[must_use]
pub fn target_list_document(targets: &[ListedTarget]) -> TargetListDocument {
    let rounded = |target: &ListedTarget| ListedTarget {
        support_hz: (hertz(target.support_hz.0), hertz(target.support_hz.1)),
        ..target.clone()
    };
    TargetListDocument {
        format: 1,
        verb: "target",
        task: "list",
        targets: targets.iter().map(rounded).collect(),
    }
}

/// The document of one target; `task` is `show` or `build`, `files` is what was written.
#[must_use]
pub fn target_document(
    task: &'static str,
    target: &Shown,
    files: &[WrittenFile],
) -> TargetDocument {
    TargetDocument {
        format: 1,
        verb: "target",
        task,
        target: shown(target),
        files: files.to_vec(),
    }
}

/// The document of two targets; `files` is what was written.
#[must_use]
pub fn target_diff_document(compared: &Compared, files: &[WrittenFile]) -> TargetDiffDocument {
    let difference = &compared.difference;
    TargetDiffDocument {
        format: 1,
        verb: "target",
        task: "diff",
        one: shown(&compared.one),
        other: shown(&compared.other),
        difference: DifferencePart {
            level_db: level(difference.level_db),
            rms_db: level(difference.rms_db),
            worst_db: level(difference.worst_db),
            worst_hz: hertz(difference.worst_hz),
            support_hz: support_hz(&difference.by_frequency),
            trusted: compared.trusted.as_ref().map(|trusted| TrustedPart {
                level_db: level(trusted.level_db),
                rms_db: level(trusted.rms_db),
                worst_db: level(trusted.worst_db),
                worst_hz: hertz(trusted.worst_hz),
                support_hz: support_hz(&trusted.by_frequency),
            }),
            points: levels(&compared.points),
            curve: curve(&difference.by_frequency),
        },
        files: files.to_vec(),
    }
}

fn shown(target: &Shown) -> ShownPart {
    ShownPart {
        name: target.name.clone(),
        source: target.source.clone(),
        warnings: target.warnings.clone(),
        contours: target.contours.clone(),
        relative: target.relative,
        rate_hz: target.rate_hz,
        support_hz: support_hz(&target.curve),
        aligned_at_hz: target.aligned_at_hz,
        points: levels(&target.points),
        curve: curve(&target.curve),
    }
}

fn support_hz(curve: &OnGrid) -> [f64; 2] {
    let (low_hz, high_hz) = curve.band_hz();
    [hertz(low_hz), hertz(high_hz)]
}

fn levels(points: &[(f64, f64)]) -> LevelsPart {
    LevelsPart {
        frequency_hz: points.iter().map(|point| hertz(point.0)).collect(),
        level_db: points.iter().map(|point| level(point.1)).collect(),
    }
}

fn curve(curve: &OnGrid) -> LevelsPart {
    let at = |i: usize| (grid::frequency_hz()[i], curve.level_db[i]);
    levels(&curve.support.clone().map(at).collect::<Vec<_>>())
}
