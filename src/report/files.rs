//! The files that a verb wrote, as reports and documents list them.

use schemars::JsonSchema;
use serde::Serialize;

/// What kind of file was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum FileKind {
    /// The equaliser sheet.
    Sheet,
    /// The picture, SVG.
    Plot,
    /// The report as a page, HTML.
    Report,
    /// Figures of a comparison, CSV.
    Figures,
    /// A target as a curve, CSV.
    Curve,
    /// A target as a recipe, TOML.
    Recipe,
    /// The filters as second-order sections.
    Sos,
    /// The filters as bare coefficients.
    Coefficients,
    /// The filters as impulse responses.
    Impulse,
    /// The filters as a table of gain and phase.
    Response,
    /// Music, or what a sheet makes of it, WAV.
    Sound,
    /// Answers to a blind trial, or times of sweeps, to be filled in, TOML.
    Answers,
}

impl FileKind {
    /// The name used in reports: `sheet`, `plot`, `report`, `figures`, `curve`, `recipe`, `sos`, `coefficients`, `impulse`, `response`,
    /// `sound`, `answers`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Sheet => "sheet",
            Self::Plot => "plot",
            Self::Report => "report",
            Self::Figures => "figures",
            Self::Curve => "curve",
            Self::Recipe => "recipe",
            Self::Sos => "sos",
            Self::Coefficients => "coefficients",
            Self::Impulse => "impulse",
            Self::Response => "response",
            Self::Sound => "sound",
            Self::Answers => "answers",
        }
    }
}

/// One file that was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct WrittenFile {
    /// What it holds.
    pub kind: FileKind,
    /// Where it is, as it was typed.
    pub path: String,
}
