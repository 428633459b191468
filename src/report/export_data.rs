//! The document of `export --json`: one JSON object, schema below, field by field.
//!
//! Coefficients are not rounded. Gains and phases of a response are rounded to 0.000001. A NAME.json that `export`
//! writes is the same object without `files`.

use serde::Serialize;

use super::data::WrittenFile;
use crate::export::matrix::{RECURSION, Row};
use crate::export::{Chain, Export, Form, Impulse, Response, responses};
use crate::filter::{Section, biquad::Biquad};

/// The document without what was written.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FiltersDocument {
    /// Version of this schema: 1.
    pub format: u32,
    /// The command that made it: `export`.
    pub verb: &'static str,
    /// `sos`, `coefficients`, `impulse` or `response`.
    pub form: Form,
    /// Name of the unit.
    pub unit: String,
    /// Name of the target.
    pub target: String,
    /// The sheet's preamp, dB, 0 or less.
    pub preamp_db: f64,
    /// Whether that is part of the filters: a row before the sections, or in the impulse response or the gain.
    pub preamp_included: bool,
    /// Where the preamp is left out, what that means, in a sentence; otherwise `null`.
    pub caution: Option<String>,
    /// The recursion that coefficients are for, with its signs.
    pub recursion: &'static str,
    /// The filters of each side at each rate.
    pub chains: Vec<ChainPart>,
}

/// The filters of one side at one rate; what is not of the form is `null`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChainPart {
    /// `both`, `left` or `right`.
    pub side: &'static str,
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Whether the sheet lists that rate, so that its checkpoints cover it.
    pub listed: bool,
    /// Rows b0, b1, b2, a0, a1, a2, the preamp the first where it is included; without it and without sections one that
    /// changes nothing.
    pub sos: Option<Vec<[f64; 6]>>,
    /// The same rows by the sections' numbers.
    pub coefficients: Option<Vec<CoefficientsPart>>,
    /// The impulse response, without its samples.
    pub impulse: Option<ImpulsePart>,
    /// Gain and phase on the common grid.
    pub response: Option<Response>,
}

/// A section by its numbers and its coefficients.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CoefficientsPart {
    /// The section; `null`: the preamp.
    pub section: Option<Section>,
    /// Its coefficients.
    #[serde(flatten)]
    pub biquad: Biquad,
}

/// Figures of an impulse response.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ImpulsePart {
    /// Samples, the impulse the first.
    pub samples: usize,
    /// That many seconds.
    pub seconds: f64,
    /// What was cut off is not above this against what was kept, sums of magnitudes, dB; `null` for nothing.
    pub rest_db: Option<f64>,
}

/// The whole document.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ExportDocument {
    /// The filters.
    #[serde(flatten)]
    pub filters: FiltersDocument,
    /// The files that were written.
    pub files: Vec<WrittenFile>,
}

/// How a NAME.json of a form begins.
#[must_use]
pub fn export_json_beginning(form: Form) -> &'static str {
    match form {
        Form::Sos => "{\n  \"format\": 1,\n  \"verb\": \"export\",\n  \"form\": \"sos\",",
        Form::Coefficients => {
            "{\n  \"format\": 1,\n  \"verb\": \"export\",\n  \"form\": \"coefficients\","
        }
        Form::Impulse => "{\n  \"format\": 1,\n  \"verb\": \"export\",\n  \"form\": \"impulse\",",
        Form::Response => "{\n  \"format\": 1,\n  \"verb\": \"export\",\n  \"form\": \"response\",",
    }
}

/// The document of what was exported; `impulse` is the response where that is the form.
#[must_use]
pub fn filters_document(export: &Export, form: Form, impulse: Option<&Impulse>) -> FiltersDocument {
    let responses = match form {
        Form::Response => responses(export).into_iter().map(Some).collect(),
        _ => vec![None; export.chains.len()],
    };
    let part = |(chain, response): (&Chain, Option<Response>)| ChainPart {
        side: chain.side_name(),
        rate_hz: chain.rate_hz,
        listed: chain.is_listed,
        sos: (form == Form::Sos).then(|| export.rows(chain).iter().map(Row::sos).collect()),
        coefficients: (form == Form::Coefficients).then(|| coefficients(export, chain)),
        impulse: impulse.map(|impulse| ImpulsePart {
            samples: impulse.samples(),
            seconds: impulse.samples() as f64 / chain.rate_hz,
            rest_db: Some(impulse.rest_db).filter(|db| db.is_finite()),
        }),
        response,
    };
    FiltersDocument {
        format: 1,
        verb: "export",
        form,
        unit: export.unit.clone(),
        target: export.target.clone(),
        preamp_db: export.preamp_db,
        preamp_included: export.preamp_included,
        caution: export.caution().map(|caution| caution.to_string()),
        recursion: RECURSION,
        chains: export.chains.iter().zip(responses).map(part).collect(),
    }
}

/// The same with what was written.
#[must_use]
pub fn export_document(filters: FiltersDocument, files: &[WrittenFile]) -> ExportDocument {
    ExportDocument {
        filters,
        files: files.to_vec(),
    }
}

fn coefficients(export: &Export, chain: &Chain) -> Vec<CoefficientsPart> {
    let part = |row: Row| CoefficientsPart {
        section: row.section,
        biquad: row.biquad,
    };
    export.rows(chain).into_iter().map(part).collect()
}
