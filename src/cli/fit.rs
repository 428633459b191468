//! `bandwright fit`.

use std::path::{Path, PathBuf};

use bandwright::error::{Error, ErrorKind, Result, Source};
use bandwright::files::{Files, Recorded};
use bandwright::fit::{Freedom, Stop};
use bandwright::headroom::Protection;
use bandwright::job::cost::cost_of;
use bandwright::job::{FitBand, Prepared, Request, Start, Taste};
use bandwright::measurement::grid;
use bandwright::report::{self, FileKind, figures};
use bandwright::sheet::{self, Sheet};
use bandwright::wanted::library;

use super::answer::Answer;
use super::args::{self, Fit, Polish};
use super::cost;
use super::files::{Disk, Place, shown, with_near};
use super::made::made;
use super::option_names::{option, typed as typed_as};
use super::outputs::{PAGE, SHEET, drawn, plot as plot_kind};
use super::progress::Progress;

/// Where measured and equalised meet by a taste alone, hertz: between bass and treble, so that more bass looks like more
/// bass. Our choice: the middle of 500 Hz to 1 kHz.
const TASTE_ALIGN_HZ: f64 = 707.0;

/// Reads what the request names, fits, writes and prints.
pub fn run(typed: &Fit) -> Result<()> {
    refuse_incomplete(typed)?;
    let request = request(typed);
    request.check()?;
    cost::refuse_impossible(typed)?;
    let places = places(typed, &request)?;
    let files = Recorded::new(&Disk, Vec::new());
    let opened = request.open(&files);
    let opened = opened.map_err(|error| with_near(error, files.last_missing()))?;
    let (mut wish, mut limits) = (opened.wish, opened.limits);
    let mut beyond = None;
    if let Some(path) = &typed.as_is {
        let named = typed.limits.as_ref().map(|_| &limits);
        let freedom = match typed.polish {
            None => Freedom::AsIs,
            Some(Polish::Gains) => Freedom::Gains,
            Some(Polish::All) => Freedom::All,
        };
        let stand = freedom != Freedom::All;
        let given = sheet::read_given(&files.read(path)?, &shown(path), named, stand)?;
        wish.per_side |= given.per_side;
        wish.start = Some(Start {
            sections: given.sections,
            freedom,
        });
        (limits, beyond) = (given.limits, given.beyond);
    }
    if let Some(path) = &typed.keep {
        wish.kept = sheet::read_kept(&files.read(path)?, &shown(path), &limits)?;
    }
    let said = |error: Box<Error>| match &typed.limits {
        // The job knows limits by their name, the user by their file.
        Some(path) if error.place.source == Source::name(&*limits.name) => error.about(shown(path)),
        _ => error,
    };
    let progress = (!typed.output_style.quiet).then(|| Progress::of(|| "searching".to_owned()));
    let fitted = Prepared::new(opened.measured)
        .and_then(|prepared| prepared.fit(&wish, &limits, typed.effort, &Stop::default()));
    let mut outcome = fitted.map_err(said)?;
    outcome.shared.cautions.extend(beyond);
    match typed.align_hz {
        Some(align_hz) => outcome.align_at(align_hz)?,
        // Without data there, the curves stay as they are.
        None if wish.is_taste() => outcome.align_at(TASTE_ALIGN_HZ).unwrap_or_default(),
        None => {}
    }
    let costs = match &opened.circumstances {
        Some(known) => cost_of(&outcome, known)?,
        None => Vec::new(),
    };
    drop(progress);
    cost::refuse_too_loud(typed, &costs)?;

    let mut answer = Answer::default();
    if let Some(place) = places.sheet {
        let sheet = Sheet::from_outcome(&outcome, &limits)?;
        let sheet = sheet.with_cautions(&outcome.shared.cautions, &option);
        answer.add(place, FileKind::Sheet, sheet::write(&sheet)?);
    }
    if let Some(place) = places.plot {
        let picture = report::fit_picture(&outcome, grid::frequency_hz());
        let picture = drawn(&place, picture, typed.look, &made(&files))?;
        answer.add(place, FileKind::Plot, picture);
    }
    if let Some(place) = places.report {
        let page = figures::fit::page(&outcome, &costs, &made(&files));
        answer.add(place, FileKind::Report, report::page(&[page], typed_as));
    }
    answer.deliver(
        typed.output_style,
        |written| report::fit_json(&outcome, &costs, written, typed_as),
        |written| {
            vec![match typed.card {
                true => figures::card::report(&outcome),
                false => typed
                    .drawing
                    .of(figures::fit::report(&outcome, &costs, written), || {
                        report::fit_picture(&outcome, grid::frequency_hz()).levels_only()
                    }),
            }]
        },
    )
}

/// What every fit needs.
fn refuse_incomplete(typed: &Fit) -> Result<()> {
    let refuse = |found: &str, expected: &str, next_step: String| {
        let source = Source::name("fit");
        Err(Error::new(
            ErrorKind::Setting,
            source,
            found,
            expected,
            next_step,
        ))
    };
    let sides = &typed.sides;
    let mut curves = typed.curves.iter().chain(&sides.left).chain(&sides.right);
    if curves.next().is_none() {
        return refuse(
            "no measured curve",
            "at least one file with columns frequency (Hz) and level (dB)",
            "name the measurement: bandwright fit CURVE --target NAME".to_owned(),
        );
    }
    if typed.target.is_none() && typed.taste.taste() == Taste::default() {
        return refuse(
            "neither a target nor a taste",
            "--target NAME|FILE, or --bass, --treble, --slope or --contour",
            format!(
                "try --bass 3 for more bass than it has now, or --target with one of {}",
                library::names().join(", ")
            ),
        );
    }
    Ok(())
}

/// Where outputs go.
struct Places {
    sheet: Option<Place>,
    plot: Option<Place>,
    report: Option<Place>,
}

/// Where outputs go, apart from each other and from everything that is read.
fn places(typed: &Fit, request: &Request) -> Result<Places> {
    let mut inputs = request.paths();
    inputs.extend(typed.keep.as_deref());
    inputs.extend(typed.as_is.as_deref());
    let place = |path: &Option<PathBuf>, kind, others: &[&Place]| {
        let path = path.as_ref();
        path.map(|path| Place::new(path, kind, typed.overwrite, &inputs, others))
            .transpose()
    };
    let sheet = place(&typed.output, SHEET, &[])?;
    let others: Vec<&Place> = sheet.iter().collect();
    let plot_path = typed.plot.as_deref().unwrap_or(Path::new(""));
    let plot = place(&typed.plot, plot_kind(plot_path), &others)?;
    let others: Vec<&Place> = sheet.iter().chain(&plot).collect();
    let report = place(&typed.report, PAGE, &others)?;
    Ok(Places {
        sheet,
        plot,
        report,
    })
}

/// The options as a request.
fn request(typed: &Fit) -> Request {
    Request {
        curves: typed.curves.clone(),
        left: typed.sides.left.clone(),
        right: typed.sides.right.clone(),
        variant: typed.sides.variant.clone(),
        unit: typed.unit.clone(),
        rig: typed.judging.rig.clone(),
        smooth: typed.smooth.clone(),
        all_takes: typed.takes == args::Takes::All,
        leak_threshold_db: typed.judging.leak_threshold,
        weight: typed.weight.clone(),
        target: typed.target.clone(),
        between: typed.between.clone(),
        between_share: typed.between_share,
        toward: typed.toward,
        taste: typed.taste.taste(),
        limits: typed.limits.clone(),
        sections: typed.sections,
        least_gain_db: typed.least_gain,
        this_ear: typed.this_ear,
        ear_peak_hz: typed.ear_peak_hz,
        band: FitBand {
            from_hz: typed.from_hz.unwrap_or(0.0),
            to_hz: typed.to_hz.unwrap_or(f64::INFINITY),
            highest_f0_hz: typed.highest_hz.unwrap_or(f64::INFINITY),
        },
        as_good_db: typed.as_good,
        per_side: typed.per_side,
        economy: typed.economy,
        protection: Protection {
            guard: typed.guard,
            true_peak_margin_db: typed.true_peak_margin,
        },
        most_loudness_loss_db: typed.max_loudness_loss,
        cost: cost::question(typed),
    }
}
