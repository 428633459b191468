//! The document of `export --json`. Its schema is made from these types ([`mod@super::schema`]). A NAME.json that `export`
//! writes is the same object without `files`.

use schemars::JsonSchema;
use serde::Serialize;

use crate::export::matrix::{RECURSION, Row};
use crate::export::{Chain, Export, Form, Impulse, Response, responses};
use crate::report::files::WrittenFile;

/// The document of `export --json` without what was written: also what a NAME.json of `export` holds. Coefficients are
/// not rounded; gains, phases and frequencies of a response are rounded to 0.000001. Every object has all its fields;
/// what is not of the form is `null`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct FiltersDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `export`.
    #[schemars(extend("const" = "export"))]
    pub verb: &'static str,
    /// Which form the filters have.
    pub form: Form,
    /// Unit, target and preamp.
    #[serde(flatten)]
    pub export: &'a Export,
    /// Where the preamp is left out: that it must be applied first, in a sentence; else `null`.
    pub caution: Option<String>,
    /// The recursion that coefficients are for, with its signs.
    pub recursion: &'static str,
    /// The filters of each side at each rate: side after side, each at all rates.
    pub chains: Vec<ChainPart<'a>>,
}

/// The filters of one side at one rate; what is not of the form is `null`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ChainPart<'a> {
    /// Side and rate.
    #[serde(flatten)]
    pub chain: &'a Chain,
    /// Form `sos`: rows b0, b1, b2, a0, a1, a2, the preamp the first where it is included. Without preamp and without
    /// sections, one row that changes nothing.
    pub sos: Option<Vec<[f64; 6]>>,
    /// Form `coefficients`: the same rows, with the sections' numbers.
    pub coefficients: Option<Vec<Row>>,
    /// Form `impulse`: its figures, without its samples.
    pub impulse: Option<ImpulsePart>,
    /// Form `response`: gain and phase on the common grid below half the rate.
    pub response: Option<Response>,
}

/// Figures of an impulse response.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct ImpulsePart {
    /// Number of samples; the impulse is the first.
    pub samples: usize,
    /// Duration of those samples, s.
    pub seconds: f64,
    /// Upper bound of what was cut off against what was kept, sums of magnitudes, dB; `null` where nothing was cut off.
    #[schemars(with = "Option<f64>")]
    pub rest_db: f64,
}

/// The document of `export --json`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ExportDocument<'a> {
    /// The filters.
    #[serde(flatten)]
    pub filters: FiltersDocument<'a>,
    /// The files that were written; empty where none were asked for.
    pub files: &'a [WrittenFile],
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
pub fn filters_document<'a>(
    export: &'a Export,
    form: Form,
    impulse: Option<&Impulse>,
) -> FiltersDocument<'a> {
    let responses = match form {
        Form::Response => responses(export).into_iter().map(Some).collect(),
        _ => vec![None; export.chains.len()],
    };
    let part = |(chain, response): (&'a Chain, Option<Response>)| ChainPart {
        chain,
        sos: (form == Form::Sos).then(|| export.rows(chain).iter().map(Row::sos).collect()),
        coefficients: (form == Form::Coefficients).then(|| export.rows(chain)),
        impulse: impulse.map(|impulse| ImpulsePart {
            samples: impulse.samples(),
            seconds: impulse.samples() as f64 / chain.rate_hz,
            rest_db: impulse.rest_db,
        }),
        response,
    };
    FiltersDocument {
        format: 1,
        verb: "export",
        form,
        export,
        caution: export.caution().map(|caution| caution.to_string()),
        recursion: RECURSION,
        chains: export.chains.iter().zip(responses).map(part).collect(),
    }
}

/// The same with what was written.
#[must_use]
pub fn export_document<'a>(
    filters: FiltersDocument<'a>,
    files: &'a [WrittenFile],
) -> ExportDocument<'a> {
    ExportDocument { filters, files }
}
