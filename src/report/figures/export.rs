//! What exported filters show.

use crate::export::{Export, Form, Impulse};
use crate::measurement::takes::Side;
use crate::report::blocks::{Block, Part, Report, Row, Text};
use crate::report::files::WrittenFile;
use crate::report::words::{self, decimals, typed};

/// What was exported; `impulse` is the response where that is the form.
#[must_use]
pub fn report(
    export: &Export,
    form: Form,
    impulse: Option<&Impulse>,
    files: &[WrittenFile],
) -> Report {
    let mut report = Report::new(format!("{} toward {}", export.unit, export.target));
    let without_preamp = export.caution();
    report
        .cautions
        .extend(without_preamp.iter().map(Text::from));
    report.cautions.extend(unlisted_rates(export));
    let mut rows = vec![Row::new("Form", form_in_words(form))];
    for side in ["both", "left", "right"] {
        let chains = || export.chains.iter().filter(|c| c.side_name() == side);
        if let Some(chain) = chains().next() {
            let rates: Vec<String> = chains().map(|chain| words::rate(chain.rate_hz)).collect();
            let name = match side {
                "left" => words::side_name(Side::Left),
                "right" => words::side_name(Side::Right),
                _ => "Both sides",
            };
            let sections = words::count(chain.sections.len(), "section", "sections");
            rows.push(Row::new(
                name,
                format!("{sections} at {}", rates.join(", ")),
            ));
        }
    }
    let included = match (export.preamp_included, form) {
        (false, _) => "not included",
        (true, Form::Sos | Form::Coefficients) => "included, as section 0 of each side and rate",
        (true, _) => "included",
    };
    let preamp = format!("{} dB, {included}", typed(export.preamp_db));
    rows.push(Row::new("Preamp", preamp));
    rows.extend(impulse.map(|impulse| Row::new("Length", length(impulse))));
    report.parts.push(Part::without_head([Block::Rows(rows)]));
    report.with_files(files)
}

/// A caution where the sheet does not list every rate.
fn unlisted_rates(export: &Export) -> Option<Text> {
    let mut rates: Vec<String> = Vec::new();
    for chain in export.chains.iter().filter(|chain| !chain.is_listed) {
        let rate = words::rate(chain.rate_hz);
        if !rates.contains(&rate) {
            rates.push(rate);
        }
    }
    let caution = format!(
        "the sheet does not list {}: no checkpoint covers it, and near half the rate sections have another shape than the one that was fitted. Fit for that rate if you use it most.",
        rates.join(", ")
    );
    (!rates.is_empty()).then(|| caution.into())
}

fn length(impulse: &Impulse) -> String {
    let seconds = impulse.samples() as f64 / f64::from(impulse.rate_hz);
    let rest = if impulse.rest_db.is_finite() {
        format!(
            "; all that is cut off together is below {} dB of what is kept",
            decimals(impulse.rest_db, 1)
        )
    } else {
        String::new()
    };
    format!(
        "{} ({} s), from the impulse on{rest}",
        words::count(impulse.samples(), "sample", "samples"),
        decimals(seconds, 3)
    )
}

fn form_in_words(form: Form) -> &'static str {
    match form {
        Form::Sos => {
            "second-order sections, rows b0 b1 b2 a0 a1 a2 with a0 = 1, as scipy.signal orders them"
        }
        Form::Coefficients => {
            "coefficients b0 b1 b2 a1 a2; a1 and a2 are subtracted. Negate both where they are added"
        }
        Form::Impulse => "minimum-phase impulse response, 32-bit floating point",
        Form::Response => "gain and phase on the common grid",
    }
}
