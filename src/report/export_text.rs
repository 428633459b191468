//! Exported filters on the terminal. Laid out as [`super::text`].

use super::data::WrittenFile;
use super::text::{Page, written};
use super::words::{self, decimals, typed};
use crate::export::{Export, Form, Impulse};

/// What was exported, for people; `impulse` is the response where that is the form.
#[must_use]
pub fn export_text(
    export: &Export,
    form: Form,
    impulse: Option<&Impulse>,
    files: &[WrittenFile],
) -> String {
    let mut page = Page(String::new());
    page.paragraph("", &format!("{} toward {}", export.unit, export.target));
    page.gap();
    let preamp = format!("{} dB", typed(export.preamp_db));
    let without_preamp = export.caution();
    if let Some(caution) = &without_preamp {
        page.paragraph("Caution: ", &caution.to_string());
    }
    let mut unlisted: Vec<String> = Vec::new();
    for chain in export.chains.iter().filter(|chain| !chain.is_listed) {
        let rate = words::rate(chain.rate_hz);
        if !unlisted.contains(&rate) {
            unlisted.push(rate);
        }
    }
    if !unlisted.is_empty() {
        page.paragraph(
            "Caution: ",
            &format!(
                "the sheet does not list {}: no checkpoint covers it, and near half the rate sections have another shape than the one that was fitted. Fit for that rate if you use it most.",
                unlisted.join(", ")
            ),
        );
    }
    if without_preamp.is_some() || !unlisted.is_empty() {
        page.gap();
    }
    page.row("Form", form_in_words(form));
    for side in ["both", "left", "right"] {
        let chains = || export.chains.iter().filter(|c| c.side_name() == side);
        if let Some(chain) = chains().next() {
            let rates: Vec<String> = chains().map(|chain| words::rate(chain.rate_hz)).collect();
            let name = match side {
                "left" => "Left",
                "right" => "Right",
                _ => "Both sides",
            };
            let sections = words::count(chain.sections.len(), "section", "sections");
            page.row(name, &format!("{sections} at {}", rates.join(", ")));
        }
    }
    let included = match (export.preamp_included, form) {
        (false, _) => "not included",
        (true, Form::Sos | Form::Coefficients) => "included, as section 0 of each side and rate",
        (true, _) => "included",
    };
    page.row("Preamp", &format!("{preamp}, {included}"));
    if let Some(impulse) = impulse {
        let seconds = impulse.samples() as f64 / f64::from(impulse.rate_hz);
        let rest = if impulse.rest_db.is_finite() {
            format!(
                "; all that is cut off together is below {} dB of what is kept",
                decimals(impulse.rest_db, 1)
            )
        } else {
            String::new()
        };
        page.row(
            "Length",
            &format!(
                "{} ({} s), from the impulse on{rest}",
                words::count(impulse.samples(), "sample", "samples"),
                decimals(seconds, 3)
            ),
        );
    }
    if !files.is_empty() {
        page.gap();
        written(&mut page, files);
    }
    page.0
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
