//! The schemas of all documents that `--json` prints and `export` writes: JSON Schema, draft 2020-12, made from the types.
//!
//! A field's doc comment is its description, so meaning, unit, range and what `null` means stand once, beside the field.
//! Every field of a document is always there and no other is, which the schemas say too.

use schemars::generate::SchemaSettings;
use schemars::transform::{RecursiveTransform, Transform};
use schemars::{JsonSchema, Schema};
use serde_json::Value;

use super::check::CheckDocument;
use super::compare::CompareDocument;
use super::error::ErrorDocument;
use super::export::{ExportDocument, FiltersDocument};
use super::fit::{FitDocument, PerSideDocument};
use super::inspect::InspectDocument;
use super::listen::{ListenDocument, PeakDocument, ScoreDocument, SignalDocument, SweepsDocument};
use super::target::{TargetDiffDocument, TargetDocument, TargetListDocument};

/// A kind of document.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Document {
    /// Of `inspect --json`.
    Inspect,
    /// Of `target list --json`.
    TargetList,
    /// Of `target show --json` and `target build --json`.
    Target,
    /// Of `target diff --json`.
    TargetDiff,
    /// Of `fit --json`.
    Fit,
    /// Of `fit --per-side --json`.
    FitPerSide,
    /// Of `compare --json`.
    Compare,
    /// Of `listen --json`.
    Listen,
    /// Of `listen --answer --json`.
    Score,
    /// Of `listen --signal --json`.
    Signal,
    /// Of `listen --find-peak --json`.
    Sweeps,
    /// Of `listen --answer --json` for times of sweeps.
    Peak,
    /// Of `check --json`.
    Check,
    /// Of `export --json`.
    Export,
    /// A NAME.json that `export` writes.
    ExportFile,
    /// Of any verb that fails under `--json`.
    Error,
}

impl Document {
    /// All, in the order of the verbs.
    pub const ALL: [Self; 16] = [
        Self::Inspect,
        Self::TargetList,
        Self::Target,
        Self::TargetDiff,
        Self::Fit,
        Self::FitPerSide,
        Self::Compare,
        Self::Listen,
        Self::Score,
        Self::Signal,
        Self::Sweeps,
        Self::Peak,
        Self::Check,
        Self::Export,
        Self::ExportFile,
        Self::Error,
    ];

    /// Its name, as a file name without ending.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Inspect => "inspect",
            Self::TargetList => "target-list",
            Self::Target => "target",
            Self::TargetDiff => "target-diff",
            Self::Fit => "fit",
            Self::FitPerSide => "fit-per-side",
            Self::Compare => "compare",
            Self::Listen => "listen",
            Self::Score => "listen-answer",
            Self::Signal => "listen-signal",
            Self::Sweeps => "listen-find-peak",
            Self::Peak => "listen-peak",
            Self::Check => "check",
            Self::Export => "export",
            Self::ExportFile => "export-file",
            Self::Error => "error",
        }
    }
}

/// The schema of a document. Its fields stand in alphabetical order, so the same types give the same bytes.
#[must_use]
pub fn schema(document: Document) -> Schema {
    match document {
        Document::Inspect => of::<InspectDocument<'_>>(),
        Document::TargetList => of::<TargetListDocument<'_>>(),
        Document::Target => of::<TargetDocument<'_>>(),
        Document::TargetDiff => of::<TargetDiffDocument<'_>>(),
        Document::Fit => of::<FitDocument>(),
        Document::FitPerSide => of::<PerSideDocument>(),
        Document::Compare => of::<CompareDocument<'_>>(),
        Document::Listen => of::<ListenDocument<'_>>(),
        Document::Score => of::<ScoreDocument<'_>>(),
        Document::Signal => of::<SignalDocument<'_>>(),
        Document::Sweeps => of::<SweepsDocument<'_>>(),
        Document::Peak => of::<PeakDocument<'_>>(),
        Document::Check => of::<CheckDocument<'_>>(),
        Document::Export => of::<ExportDocument<'_>>(),
        Document::ExportFile => of::<FiltersDocument<'_>>(),
        Document::Error => of::<ErrorDocument>(),
    }
}

fn of<T: JsonSchema>() -> Schema {
    // As they are written: a field that may be `null` is there all the same.
    let settings = SchemaSettings::draft2020_12().for_serialize();
    let mut schema = settings.into_generator().into_root_schema_for::<T>();
    RecursiveTransform(tidy).transform(&mut schema);
    schema
}

/// Closes objects, and joins the lines of a description, whose ends are the source's.
fn tidy(schema: &mut Schema) {
    if schema.get("properties").is_some() {
        schema.insert("additionalProperties".to_owned(), Value::Bool(false));
    }
    if let Some(Value::String(text)) = schema.get_mut("description") {
        *text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    }
}
