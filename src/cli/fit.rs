//! `bandwright fit`.

use std::path::{Path, PathBuf};

use bandwright::error::{Error, ErrorKind, Knob, Result, Source};
use bandwright::fit::{Effort, Stop};
use bandwright::headroom::preamp::MOST_MARGIN_DB;
use bandwright::headroom::{Guard, Protection};
use bandwright::inspection;
use bandwright::job::cost::{Circumstances, cost_of};
use bandwright::job::{ECONOMY, Measured, Prepared, Wish};
use bandwright::limits::{self, Limits};
use bandwright::measurement::grid;
use bandwright::measurement::judge::Settings;
use bandwright::measurement::parse::parse_weight;
use bandwright::measurement::smooth::Width;
use bandwright::message::Number;
use bandwright::report::{self, FileKind, figures};
use bandwright::sheet::{self, Sheet};
use bandwright::wanted::error::WantedFault;
use bandwright::wanted::{Target, library};

use super::answer::Answer;
use super::args::{self, Fit};
use super::cost;
use super::files::{self, Place, shown};
use super::knobs::{option, typed as typed_as};
use super::measured;
use super::outputs::{PLOT, SHEET};
use super::progress::Progress;
use super::target::{Opening, Taste};

/// The largest `--economy`: J is then nothing but the price of sections that work against each other.
const MOST_ECONOMY: f64 = 1000.0;

/// The largest `--least-gain`, dB: no section takes more off.
const MOST_LEAST_GAIN_DB: f64 = 60.0;

/// The largest `--max-loudness-loss`, dB.
const MOST_LOUDNESS_LOSS_DB: f64 = 60.0;

/// Reads what the request names, fits, writes and prints.
pub fn run(typed: &Fit) -> Result<()> {
    refuse_incomplete(typed)?;
    let (sheet_place, plot_place) = places(typed)?;
    let Request {
        measured,
        wish,
        limits,
        circumstances,
    } = request(typed)?;
    let said = |error: Box<Error>| match &typed.limits {
        // The job knows limits by their name, the user by their file.
        Some(path) if error.place.source == Source::name(&*limits.name) => error.about(shown(path)),
        _ => error,
    };
    let progress = (!typed.output_style.quiet).then(|| Progress::of("searching"));
    let effort = match typed.effort {
        args::Effort::Quick => Effort::Quick,
        args::Effort::Normal => Effort::Normal,
        args::Effort::Deep => Effort::Deep,
    };
    let fitted = Prepared::new(measured)
        .and_then(|prepared| prepared.fit(&wish, &limits, effort, &Stop::default()));
    let mut outcome = fitted.map_err(said)?;
    if let Some(align_hz) = typed.align_hz {
        outcome.align_at(align_hz)?;
    }
    let costs = match &circumstances {
        Some(known) => cost_of(&outcome, known)?,
        None => Vec::new(),
    };
    drop(progress);
    cost::refuse_too_loud(typed, &costs)?;

    let mut answer = Answer::default();
    if let Some(place) = sheet_place {
        let sheet = Sheet::from_outcome(&outcome, &limits)?;
        let sheet = sheet.with_cautions(&outcome.shared.cautions, &option);
        answer.add(place, FileKind::Sheet, sheet::write(&sheet)?);
    }
    if let Some(place) = plot_place {
        let plot = report::fit_plot(&outcome, grid::frequency_hz());
        answer.add(place, FileKind::Plot, plot);
    }
    answer.deliver(
        typed.output_style,
        |written| report::fit_json(&outcome, &costs, written, typed_as),
        |written| vec![figures::fit::report(&outcome, &costs, written)],
    )
}

/// What the options ask for.
struct Request {
    measured: Measured,
    wish: Wish,
    limits: Limits,
    /// What the cost needs to know, where that is asked.
    circumstances: Option<Circumstances>,
}

/// All measurements that were named.
fn curves(typed: &Fit) -> impl Iterator<Item = &PathBuf> {
    typed.curves.iter().chain(&typed.left).chain(&typed.right)
}

/// What no file needs to be opened for.
fn refuse_incomplete(typed: &Fit) -> Result<()> {
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
            Source::name("fit"),
            "no measured curve".to_owned(),
            "at least one file with columns frequency (Hz) and level (dB)",
            "name the measurement: bandwright fit CURVE --target NAME".to_owned(),
        );
    }
    let has_taste = typed.bass.or(typed.treble).or(typed.slope).is_some();
    if typed.target.is_none() && !has_taste && typed.contour.is_empty() {
        return refuse(
            Source::name("fit"),
            "neither a target nor a taste".to_owned(),
            "--target NAME|FILE, or --bass, --treble, --slope or --contour",
            format!(
                "try --bass 3 for more bass than it has now, or --target with one of {}",
                library::names().join(", ")
            ),
        );
    }
    if !(0.0..=MOST_ECONOMY).contains(&typed.economy) {
        return refuse(
            Knob::Economy.into(),
            Number(typed.economy).to_string(),
            "a number from 0 to 1000",
            format!("leave it out for the usual {}", ECONOMY),
        );
    }
    if !(0.0..=MOST_LEAST_GAIN_DB).contains(&typed.least_gain) {
        return refuse(
            Knob::LeastGain.into(),
            Number(typed.least_gain).to_string(),
            "0 to 60 dB",
            "leave it out for the usual 0.03 dB".to_owned(),
        );
    }
    if !(0.0..=MOST_MARGIN_DB).contains(&typed.true_peak_margin) {
        return refuse(
            Knob::TruePeakMargin.into(),
            Number(typed.true_peak_margin).to_string(),
            "0 to 20 dB",
            "1 dB is usual".to_owned(),
        );
    }
    if let Some(loss_db) = typed.max_loudness_loss
        && !(0.0..=MOST_LOUDNESS_LOSS_DB).contains(&loss_db)
    {
        return refuse(
            Knob::MaxLoudnessLoss.into(),
            Number(loss_db).to_string(),
            "0 to 60 dB",
            "leave it out for the best fit, however quiet".to_owned(),
        );
    }
    cost::refuse_impossible(typed)?;
    if typed
        .unit
        .as_ref()
        .is_some_and(|unit| unit.trim().is_empty())
    {
        return refuse(
            Knob::Unit.into(),
            "an empty name".to_owned(),
            "a name for the unit",
            "leave it out to take the file's name".to_owned(),
        );
    }
    Ok(())
}

/// Where sheet and plot go, apart from each other and from everything that is read.
fn places(typed: &Fit) -> Result<(Option<Place>, Option<Place>)> {
    let inputs: Vec<&Path> = curves(typed)
        .chain(&typed.target)
        .chain(&typed.between)
        .chain(&typed.limits)
        .chain(&typed.keep)
        .chain(&typed.weight)
        .chain(&typed.rig)
        .chain(&typed.source)
        .chain(&typed.programme)
        .map(PathBuf::as_path)
        .collect();
    let place = |path: &Option<PathBuf>, kind, others: &[&Place]| {
        let path = path.as_ref();
        path.map(|path| Place::new(path, kind, typed.overwrite, &inputs, others))
            .transpose()
    };
    let sheet = place(&typed.output, SHEET, &[])?;
    let others: Vec<&Place> = sheet.iter().collect();
    let plot = place(&typed.plot, PLOT, &others)?;
    Ok((sheet, plot))
}

fn request(typed: &Fit) -> Result<Request> {
    let target = target(typed)?;
    let typed_rig = measured::rig(typed.rig.as_ref())?;
    let limits = limits(typed)?;
    let units = measured::named(&typed.curves, &typed.left, &typed.right)?;
    let unit = measured::the_one(units, typed.variant.as_deref())?;
    let unit_file = unit.unit_file();
    let unit = unit.open()?.unit;
    let circumstances = cost::is_asked(typed).then(|| {
        let entry = unit.entry.as_ref().map(|(entry, _)| entry);
        cost::circumstances(typed, unit_file.as_deref().zip(entry))
    });
    let circumstances = circumstances.transpose()?;
    let smoothing = typed.smooth.as_deref().map(Width::parse).transpose()?;
    let weight = match &typed.weight {
        Some(path) => Some(parse_weight(&files::read(path)?, &shown(path))?),
        None => None,
    };
    let measured = Measured {
        unit: typed.unit.clone().unwrap_or(unit.name),
        smoothing,
        beyond_eq: inspection::beyond_eq(&unit.takes),
        takes: unit.takes.into_iter().map(|opened| opened.take).collect(),
        judging: Settings {
            leak_threshold_db: typed.leak_threshold,
            keep_all: typed.takes == args::Takes::All,
            rig: typed_rig.or(unit.rig).unwrap_or_default(),
        },
        weight,
    };
    let wish = Wish {
        per_side: typed.per_side,
        kept: match &typed.keep {
            Some(path) => sheet::read_kept(&files::read(path)?, &shown(path), &limits)?,
            None => [Vec::new(), Vec::new()],
        },
        least_gain_db: (typed.sections == Some(args::Sections::Auto)).then_some(typed.least_gain),
        economy: typed.economy,
        protection: Protection {
            guard: match typed.guard {
                args::Guard::Sine => Guard::Sine,
                args::Guard::AnySignal => Guard::AnySignal,
            },
            true_peak_margin_db: typed.true_peak_margin,
        },
        most_loudness_loss_db: typed.max_loudness_loss,
        ..Wish::toward(target)
    };
    Ok(Request {
        measured,
        wish,
        limits,
        circumstances,
    })
}

/// All that is wanted: a target or what the unit has now, what it is blended with, the taste, and how far to go.
fn target(typed: &Fit) -> Result<Target> {
    let mut opening = Opening::default();
    let taste = Taste {
        bass: typed.bass,
        treble: typed.treble,
        slope: typed.slope,
        contour: &typed.contour,
    };
    let contours = opening.contours(taste.entries()?)?;
    let mut target = match &typed.target {
        Some(path) => opening.target(path)?,
        None => Target::measured(),
    };
    if let Some(path) = &typed.between {
        let blended = target.blended(opening.target(path)?, typed.between_share);
        target = blended.map_err(|error| match error.fault() {
            Some(WantedFault::BlendApart(..)) => error.about(Knob::Between),
            _ => error,
        })?;
    }
    target = target.with_contours(contours);
    if typed.toward == 1.0 {
        return Ok(target);
    }
    let part = target.toward(typed.toward);
    part.map_err(|error| error.about(Knob::Toward))
}

fn limits(typed: &Fit) -> Result<Limits> {
    let sections = match typed.sections {
        Some(args::Sections::Count(sections)) => Some(sections),
        Some(args::Sections::Auto) | None => None,
    };
    let limits = match (&typed.limits, sections) {
        (None, None) => return Ok(Limits::standard()),
        (None, Some(sections)) => Limits::standard_with_sections(sections),
        (Some(path), sections) => {
            let name = shown(path);
            // A path that is no Unicode has a name that leads nowhere; the path does.
            let limits = limits::library::resolve(&name, &mut |_| files::read(path))?;
            match sections {
                None => return Ok(limits),
                Some(sections) => limits.with_sections(sections),
            }
        }
    };
    limits.map_err(|mut error| {
        error.place.key = None;
        error.about(Knob::Sections)
    })
}
