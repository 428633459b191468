//! `bandwright inspect`.

use std::path::{Path, PathBuf};

use bandwright::error::{Error, ErrorKind, Knob, Result, Source};
use bandwright::files::{Files, Recorded};
use bandwright::inspection;
use bandwright::measurement::judge::Settings;
use bandwright::measurement::leak::LEAK_THRESHOLD_DB;
use bandwright::measurement::open::{self, NamedUnit, OpenedFiles};
use bandwright::message::Number;
use bandwright::report::{self, FileKind, figures};

use super::answer::Answer;
use super::args::Inspect;
use super::files::{Disk, Kind, Place};
use super::made::made;
use super::option_names;
use super::outputs::{PAGE, drawn, plot as plot_kind};

/// The largest `--leak-threshold`, dB.
const MOST_THRESHOLD_DB: f64 = 60.0;

/// Reads the takes, judges them, writes and prints.
pub fn run(typed: &Inspect) -> Result<()> {
    refuse_incomplete(typed)?;
    let plot = typed.plot.as_deref();
    let plot = plot
        .map(|path| place(typed, path, plot_kind(path)))
        .transpose()?;
    let page = typed.report.as_deref();
    let page = page.map(|path| place(typed, path, PAGE)).transpose()?;
    let files = Recorded::new(&Disk, Vec::new());
    let rig = typed.judging.opened_rig(&files)?;
    let mut inspections = Vec::new();
    for named in units(typed, &files)? {
        let OpenedFiles { unit, paths } = named.open(&files)?;
        let paths: Vec<&Path> = paths.iter().map(PathBuf::as_path).collect();
        for place in plot.iter().chain(&page) {
            place.refuse_clash(&paths, &[])?;
        }
        let settings = Settings {
            leak_threshold_db: typed.judging.leak_threshold,
            keep_all: false,
            resonance_hz: unit.resonance_hz(),
            rig: rig.clone().or_else(|| unit.rig.clone()).unwrap_or_default(),
        };
        inspections.push(inspection::inspect(&unit, &settings)?);
    }

    let mut answer = Answer::default();
    if let (Some(place), [inspection]) = (plot, inspections.as_slice()) {
        let picture = drawn(
            &place,
            report::inspect_picture(inspection),
            typed.look,
            &made(&files),
        )?;
        answer.add(place, FileKind::Plot, picture);
    }
    if let Some(place) = page {
        let reports = figures::inspect::pages(&inspections, &made(&files));
        answer.add(
            place,
            FileKind::Report,
            report::page(&reports, option_names::typed),
        );
    }
    answer.deliver(
        typed.output_style,
        |written| {
            report::to_json(&report::inspect_document(
                &inspections,
                written,
                option_names::typed,
            ))
        },
        |written| {
            let reports = figures::inspect::reports(&inspections, written);
            let drawn = reports
                .into_iter()
                .zip(&inspections)
                .map(|(report, inspection)| {
                    let picture = || report::inspect_picture(inspection).levels_only();
                    typed.drawing.of(report, picture)
                });
            drawn.collect()
        },
    )
}

/// What no file needs to be opened for.
fn refuse_incomplete(typed: &Inspect) -> Result<()> {
    let refuse = |source: Source, found: String, expected: &str, next_step: String| {
        Err(Error::new(
            ErrorKind::Setting,
            source,
            found,
            expected,
            next_step,
        ))
    };
    if curves(typed).next().is_none() {
        return refuse(
            Source::name("inspect"),
            "no take".to_owned(),
            "curves, WAV impulse responses or unit files",
            "name the takes: bandwright inspect CURVE... or NAME.unit.toml".to_owned(),
        );
    }
    let threshold_db = typed.judging.leak_threshold;
    if !(threshold_db > 0.0 && threshold_db <= MOST_THRESHOLD_DB) {
        return refuse(
            Knob::LeakThreshold.into(),
            format!("{threshold_db} dB", threshold_db = Number(threshold_db)),
            "more than 0 dB, and 60 dB at most",
            format!("leave it out for the usual {LEAK_THRESHOLD_DB} dB"),
        );
    }
    Ok(())
}

/// All measurements that were named.
fn curves(typed: &Inspect) -> impl Iterator<Item = &PathBuf> {
    let sides = &typed.sides;
    typed.curves.iter().chain(&sides.left).chain(&sides.right)
}

/// Where an output goes, apart from everything that is read.
fn place(typed: &Inspect, path: &Path, kind: Kind) -> Result<Place> {
    let inputs: Vec<&Path> = curves(typed)
        .chain(&typed.judging.rig)
        .map(PathBuf::as_path)
        .collect();
    Place::new(path, kind, false, &inputs, &[])
}

/// The units that are meant: all, or the one of `--variant`; a plot shows one.
fn units(typed: &Inspect, files: &dyn Files) -> Result<Vec<NamedUnit>> {
    let units = open::named(&typed.curves, &typed.sides.left, &typed.sides.right, files)?;
    if typed.sides.variant.is_some() {
        return Ok(vec![open::the_one(units, typed.sides.variant.as_deref())?]);
    }
    if typed.plot.is_some() && units.len() > 1 {
        let names: Vec<String> = units
            .iter()
            .map(|unit| format!("`{}`", unit.name))
            .collect();
        return Err(Error::new(
            ErrorKind::Setting,
            Knob::Plot,
            format!("{} units: {}", units.len(), names.join(", ")),
            "one unit for one picture",
            "choose one with --variant NAME, or name its files alone",
        ));
    }
    Ok(units)
}
