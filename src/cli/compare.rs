//! `bandwright compare`.

use std::path::{Path, PathBuf};

use bandwright::comparison::{self, Comparison, Tally};
use bandwright::error::{Error, ErrorKind, Knob, Result};
use bandwright::files::Recorded;
use bandwright::fit::Stop;
use bandwright::job::{CostQuestion, Opened, Request};
use bandwright::measurement::open;
use bandwright::measurement::unit_file::is_unit_file;
use bandwright::report::{self, FileKind, figures};

use super::answer::Answer;
use super::args::Compare;
use super::files::{Disk, shown, with_near};
use super::made::made;
use super::option_names::{self, option};
use super::outputs::{FIGURES, PAGE, drawn, plot as plot_kind};
use super::progress::Progress;

/// Opens all units, compares them toward each target, and prints; false where a unit failed.
pub fn run(typed: &Compare) -> Result<bool> {
    let mut inputs: Vec<&Path> = typed.units.iter().map(PathBuf::as_path).collect();
    inputs.extend(typed.target.iter().map(PathBuf::as_path));
    let optional = [&typed.limits, &typed.source, &typed.judging.rig];
    inputs.extend(optional.into_iter().flatten().map(PathBuf::as_path));
    let mut answer = Answer::default();
    let csv = typed.csv.as_deref();
    let csv = csv
        .map(|path| answer.place(path, FIGURES, false, &inputs))
        .transpose()?;
    let plot = typed.plot.as_deref();
    let plot = plot
        .map(|path| answer.place(path, plot_kind(path), false, &inputs))
        .transpose()?;
    if plot.is_some() && typed.target.len() > 1 {
        return Err(Error::new(
            ErrorKind::Setting,
            Knob::Plot,
            format!("{} targets", typed.target.len()),
            "one target for one picture",
            "name one target, or leave the picture out",
        ));
    }
    let page = typed.report.as_deref();
    let page = page
        .map(|path| answer.place(path, PAGE, false, &inputs))
        .transpose()?;
    let files = Recorded::new(&Disk, Vec::new());
    let tally = Tally::default();
    let progress = (!typed.output_style.quiet).then(|| {
        let tally = tally.clone();
        Progress::of(move || {
            let (done, known) = tally.counts();
            format!("comparing, {done} of {known} parts")
        })
    });
    let mut comparisons = Vec::new();
    for target in &typed.target {
        let units = opened(typed, target, &files);
        let units = units.map_err(|error| with_near(error, files.last_missing()))?;
        let compared = comparison::compare(&units, &Stop::default(), &tally)?;
        comparisons.push(compared.ranked(&typed.rank));
    }
    drop(progress);
    if let Some(place) = csv {
        answer.add(place, FileKind::Figures, report::compare_csv(&comparisons));
    }
    if let Some((place, comparison)) = plot.zip(comparisons.first()) {
        let picture = drawn(
            &place,
            report::compare_picture(comparison),
            typed.look,
            &made(&files),
        )?;
        answer.add(place, FileKind::Plot, picture);
    }
    if let Some(place) = page {
        let reports = figures::compare::pages(&comparisons, &made(&files));
        answer.add(
            place,
            FileKind::Report,
            report::page(&reports, option_names::typed),
        );
    }
    answer.deliver(
        typed.output_style,
        |written| report::to_json(&report::compare_document(&comparisons, written, &option)),
        |written| {
            let reports = figures::compare::reports(&comparisons, written);
            let reports = reports.into_iter().zip(&comparisons);
            let drawn = reports
                .map(|(report, of)| typed.drawing.of(report, || report::compare_picture(of)));
            drawn.collect()
        },
    )?;
    let whole = |comparison: &Comparison| comparison.units.iter().all(|unit| unit.found.is_ok());
    Ok(comparisons.iter().all(whole))
}

/// Every unit that was named, opened for one target.
fn opened(typed: &Compare, target: &Path, files: &Recorded<'_>) -> Result<Vec<Opened>> {
    let mut units = Vec::new();
    for path in &typed.units {
        let variants = match is_unit_file(&shown(path)) {
            true => open::named(std::slice::from_ref(path), &[], &[], files)?
                .into_iter()
                .map(|unit| Some(unit.name))
                .collect(),
            false => vec![None],
        };
        for variant in variants {
            units.push(request(typed, path, variant, target).open(files)?);
        }
    }
    Ok(units)
}

fn request(typed: &Compare, path: &Path, variant: Option<String>, target: &Path) -> Request {
    Request {
        curves: vec![path.to_owned()],
        variant,
        rig: typed.judging.rig.clone(),
        leak_threshold_db: typed.judging.leak_threshold,
        target: Some(target.to_owned()),
        limits: typed.limits.clone(),
        sections: typed.sections,
        cost: Some(CostQuestion {
            source: typed.source.clone(),
            ..CostQuestion::default()
        }),
        ..Request::default()
    }
}
