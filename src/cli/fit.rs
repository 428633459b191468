//! `bandwright fit`.

use std::path::Path;

use bandwright::error::{Error, ErrorKind, Result};
use bandwright::fit::reach::Effort;
use bandwright::job::{self, FitRequest};
use bandwright::limits::Limits;
use bandwright::measurement::grid;
use bandwright::measurement::parse::{parse_curve, parse_weight};
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take, average, side_from_name};
use bandwright::report::{self, FileKind, WrittenFile};
use bandwright::sheet::{self, Sheet};
use bandwright::wanted::{Contour, library};

use super::args::{self, Fit};
use super::console;
use super::files::{self, Output};

/// How a sheet and a picture begin.
const SHEET_BEGINNING: &str = "# Equaliser sheet";
const PLOT_BEGINNING: &str = "<svg";

/// Reads what the request names, fits, writes and prints.
pub fn run(typed: &Fit) -> Result<()> {
    let outputs: Vec<&str> = [&typed.output, &typed.plot]
        .into_iter()
        .flatten()
        .map(String::as_str)
        .collect();
    let inputs: Vec<&str> = typed
        .curves
        .iter()
        .chain(&typed.left)
        .chain(&typed.right)
        .chain(&typed.target)
        .chain(&typed.limits)
        .chain(&typed.weight)
        .map(String::as_str)
        .collect();
    files::refuse_clashes(&outputs, &inputs)?;
    let request = request(typed)?;
    let outcome = job::run(&request)?;

    let mut to_write = Vec::new();
    let mut written = Vec::new();
    if let Some(path) = &typed.output {
        to_write.push(Output {
            path,
            text: sheet::write(&Sheet::from_outcome(&outcome, &request.limits)?)?,
            beginning: SHEET_BEGINNING,
        });
        written.push(WrittenFile {
            kind: FileKind::Sheet,
            path: path.clone(),
        });
    }
    if let Some(path) = &typed.plot {
        to_write.push(Output {
            path,
            text: report::fit_plot(&outcome, grid::frequency_hz()),
            beginning: PLOT_BEGINNING,
        });
        written.push(WrittenFile {
            kind: FileKind::Plot,
            path: path.clone(),
        });
    }
    files::write_all(&to_write)?;

    if typed.output_style.json {
        let document = report::fit_document(&outcome, grid::frequency_hz(), &written);
        console::print(&report::to_json(&document));
    } else if !typed.output_style.quiet {
        console::print(&report::fit_text(&outcome, &written));
    }
    Ok(())
}

fn request(typed: &Fit) -> Result<FitRequest> {
    let contours = contours(typed)?;
    if typed.target.is_none() && contours.is_empty() {
        return Err(Error::new(
            ErrorKind::Setting,
            "fit",
            "neither a target nor a taste",
            "--target NAME|FILE, or --bass, --treble, --slope or --contour",
            format!(
                "try --bass 3 for more bass than it has now, or --target with one of {}",
                library::names().join(", ")
            ),
        ));
    }
    if !(typed.economy.is_finite() && typed.economy >= 0.0) {
        return Err(Error::new(
            ErrorKind::Setting,
            "--economy",
            typed.economy.to_string(),
            "0 or more",
            "leave it out for the usual 0.001",
        ));
    }
    let rig = Rig::from_name(&typed.rig)?;
    let limits = limits(typed)?;
    let takes = takes(typed)?;
    let weight = match &typed.weight {
        Some(path) => Some(parse_weight(&files::read(path)?, path)?),
        None => None,
    };
    let target = match &typed.target {
        Some(name) => Some(library::resolve(name, &mut |path| files::read(path))?),
        None => None,
    };
    Ok(FitRequest {
        unit: typed
            .unit
            .clone()
            .unwrap_or_else(|| name_of(&takes[0].name)),
        average: average(&takes)?,
        rig,
        weight,
        target,
        contours,
        limits,
        economy: typed.economy,
        effort: match typed.effort {
            args::Effort::Quick => Effort::Quick,
            args::Effort::Normal => Effort::Normal,
            args::Effort::Deep => Effort::Deep,
        },
    })
}

fn contours(typed: &Fit) -> Result<Vec<Contour>> {
    let named = [
        typed.bass.map(Contour::bass),
        typed.treble.map(Contour::treble),
        typed.slope.map(Contour::slope),
    ];
    named
        .into_iter()
        .flatten()
        .chain(typed.contour.iter().map(|text| Contour::parse(text)))
        .collect()
}

fn limits(typed: &Fit) -> Result<Limits> {
    match (&typed.limits, typed.sections) {
        (None, None) => Ok(Limits::standard()),
        (None, Some(sections)) => Limits::standard_with_sections(sections),
        (Some(path), sections) => {
            let limits = Limits::parse(&files::read(path)?, path)?;
            sections.map_or(Ok(limits.clone()), |sections| {
                limits.with_sections(sections)
            })
        }
    }
}

fn takes(typed: &Fit) -> Result<Vec<Take>> {
    let unsaid = typed.curves.iter().map(|path| (path, side_from_name(path)));
    let left = typed.left.iter().map(|path| (path, Side::Left));
    let right = typed.right.iter().map(|path| (path, Side::Right));
    let takes: Vec<Take> = unsaid
        .chain(left)
        .chain(right)
        .map(|(path, side)| {
            let curve = parse_curve(&files::read(path)?, path)?;
            Ok(Take {
                name: path.clone(),
                side,
                on_grid: grid::resample(&curve)?,
            })
        })
        .collect::<Result<_>>()?;
    if takes.is_empty() {
        return Err(Error::new(
            ErrorKind::Setting,
            "fit",
            "no measured curve",
            "at least one file with columns frequency (Hz) and level (dB)",
            "name the measurement: bandwright fit CURVE --target NAME",
        ));
    }
    Ok(takes)
}

/// The file's name without folder and ending.
fn name_of(path: &str) -> String {
    Path::new(path).file_stem().map_or_else(
        || path.to_owned(),
        |stem| stem.to_string_lossy().into_owned(),
    )
}
