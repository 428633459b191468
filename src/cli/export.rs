//! `bandwright export`.

use std::path::Path;

use bandwright::error::{Error, ErrorKind, Knob, Result, Source};
use bandwright::export::{self, Form, Impulse, Request};
use bandwright::report::{self, FileKind, figures};
use bandwright::sheet;

use super::answer::Answer;
use super::args::Export;
use super::console;
use super::files::{self, Place, shown};
use super::outputs;

/// How an output holds the filters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ending {
    Csv,
    Json,
    Wav,
}

/// Reads the sheet, takes its filters, writes and prints.
pub fn run(typed: &Export) -> Result<()> {
    let form = typed.form;
    let output = match &typed.output {
        Some(path) => Some(output(path, form, &typed.sheet)?),
        None if typed.output_style.json => None,
        None => {
            return Err(Error::new(
                ErrorKind::Setting,
                Source::name("export"),
                "no place to write to",
                "-o FILE, or --json",
                format!("try -o NAME{}", endings(form)[0].0),
            ));
        }
    };
    let name = shown(&typed.sheet);
    let sheet = sheet::read(&files::read(&typed.sheet)?, &name)?;
    let named = |error: Box<Error>| match error.place.source {
        Source::Knob(_) => error,
        _ => error.about(&*name),
    };
    let request = Request {
        rates_hz: typed.rate_hz.clone(),
        unlisted_rates: typed.unlisted_rate,
        side: typed.side,
        preamp_included: !typed.without_preamp,
    };
    let filters = export::Export::of(&sheet, &request).map_err(named)?;
    let impulse = match form {
        Form::Impulse => Some(export::impulse(&filters).map_err(named)?),
        _ => None,
    };

    let mut answer = Answer::default();
    if let Some((place, ending)) = output {
        let bytes = bytes(&filters, form, impulse.as_ref(), ending);
        answer.add(place, kind(form), bytes);
    }
    // A sound file tells its caution to few who play it.
    if let (Form::Impulse, Some(caution)) = (form, filters.caution()) {
        console::print_caution(&caution);
    }
    answer.deliver(
        typed.output_style,
        |written| {
            let filters = report::filters_document(&filters, form, impulse.as_ref());
            report::to_json(&report::export_document(filters, written))
        },
        |written| {
            let report = figures::export::report(&filters, form, impulse.as_ref(), written);
            vec![report]
        },
    )
}

fn kind(form: Form) -> FileKind {
    match form {
        Form::Sos => FileKind::Sos,
        Form::Coefficients => FileKind::Coefficients,
        Form::Impulse => FileKind::Impulse,
        Form::Response => FileKind::Response,
    }
}

/// The endings that a form can have.
fn endings(form: Form) -> &'static [(&'static str, Ending)] {
    match form {
        Form::Impulse => &[(".wav", Ending::Wav)],
        _ => &[(".csv", Ending::Csv), (".json", Ending::Json)],
    }
}

/// Where the filters go, apart from the sheet and from files of another form.
fn output(path: &Path, form: Form, sheet: &Path) -> Result<(Place, Ending)> {
    let name = shown(path);
    let lower = name.to_lowercase();
    let known = endings(form);
    let Some((_, ending)) = known.iter().find(|(ending, _)| lower.ends_with(ending)) else {
        let names: Vec<String> = known.iter().map(|(end, _)| format!("NAME{end}")).collect();
        return Err(Error::new(
            ErrorKind::Setting,
            Knob::Output,
            format!("`{name}` for --form {}", form.name()),
            names.join(" or "),
            "choose that ending, or another form",
        ));
    };
    let kind = match ending {
        Ending::Wav => outputs::IMPULSE,
        Ending::Json => outputs::export_json(form),
        Ending::Csv => outputs::export_csv(form),
    };
    Ok((Place::new(path, kind, false, &[sheet], &[])?, *ending))
}

fn bytes(
    filters: &export::Export,
    form: Form,
    impulse: Option<&Impulse>,
    ending: Ending,
) -> Vec<u8> {
    match (ending, impulse) {
        (Ending::Wav, Some(impulse)) => export::wav(impulse, filters),
        (Ending::Csv, _) => match form {
            Form::Coefficients => export::coefficients_csv(filters),
            Form::Response => export::response_csv(filters),
            _ => export::sos_csv(filters),
        }
        .into_bytes(),
        _ => report::to_json(&report::filters_document(filters, form, impulse)).into_bytes(),
    }
}
