//! `bandwright check`.

use std::path::{Path, PathBuf};

use bandwright::digest::Digest;
use bandwright::error::{Error, ErrorKind, Knob, Result};
use bandwright::file_names;
use bandwright::files::{Files, Recorded};
use bandwright::limits;
use bandwright::measurement::judge::Settings;
use bandwright::measurement::open::{self, OpenedFiles};
use bandwright::measurement::rig::Rig;
use bandwright::report::{self, FileKind, figures};
use bandwright::sheet;
use bandwright::verify::remeasured::TOLERANCE_DB;
use bandwright::verify::sheet_check::LimitsFrom;
use bandwright::verify::{Remeasured, Remeasurement, SheetCheck, Verdict, check_sheet, remeasured};

use super::answer::Answer;
use super::args::Check;
use super::files::{Disk, Place, same_file, shown};
use super::made::made;
use super::outputs::{drawn, plot};

/// Tests the sheet, writes and prints; false where a point fails or the promise was not kept.
pub fn run(typed: &Check) -> Result<bool> {
    refuse_incomplete(typed)?;
    let place = place(typed)?;
    let files = Recorded::new(&Disk, Vec::new());
    let bytes = files.read(&typed.sheet)?;
    let sheet = sheet::read(&bytes, &shown(&typed.sheet))?;
    let limits = match &typed.limits {
        Some(path) => {
            let from = match limits::library::text(&shown(path)) {
                Some(_) => LimitsFrom::Library,
                None => LimitsFrom::File,
            };
            Some((limits::library::resolve(path, &files)?, from))
        }
        None => None,
    };
    let held_against = limits.as_ref().map(|(limits, from)| (limits, *from));
    let check = SheetCheck {
        digest: Some(Digest::of(&bytes)),
        ..check_sheet(&sheet, held_against)
    };
    let promise = match typed.before.is_empty() {
        true => None,
        false => Some(promise(typed, &sheet, place.as_ref(), &files)?),
    };

    let mut answer = Answer::default();
    if let (Some(place), Some(promise)) = (place, &promise) {
        let picture = drawn(
            &place,
            report::check_picture(&check, promise),
            typed.look,
            &made(&files),
        )?;
        answer.add(place, FileKind::Plot, picture);
    }
    answer.deliver(
        typed.output_style,
        |written| {
            let name = shown(&typed.sheet);
            let document = report::check_document(
                file_names::file_name(&name),
                &check,
                promise.as_ref(),
                written,
            );
            report::to_json(&document)
        },
        |written| {
            let report = figures::check::report(&check, promise.as_ref(), written);
            vec![report]
        },
    )?;
    let kept = promise.is_none_or(|promise| promise.verdict != Verdict::NotKept);
    Ok(check.passes() && kept)
}

/// What no file needs to be opened for.
fn refuse_incomplete(typed: &Check) -> Result<()> {
    let refuse = |source: Knob, found: &str, expected: &str| {
        Err(Error::new(
            ErrorKind::Setting,
            source,
            found,
            expected,
            "bandwright check SHEET --before TAKES... --after TAKES...",
        ))
    };
    match (typed.before.is_empty(), typed.after.is_empty()) {
        (true, false) => return refuse(Knob::After, "no --before", "takes of before and of after"),
        (false, true) => return refuse(Knob::Before, "no --after", "takes of before and of after"),
        (false, false) => return Ok(()),
        (true, true) => {}
    }
    let idle = [
        (Knob::Plot, typed.plot.is_some()),
        (Knob::SameLevel, typed.same_level),
        (Knob::ToleranceDb, typed.tolerance_db.is_some()),
        (Knob::RateHz, typed.rate_hz.is_some()),
        (Knob::Rig, typed.judging.rig.is_some()),
    ];
    match idle.iter().find(|(_, given)| *given) {
        Some((option, _)) => refuse(
            *option,
            "no takes",
            "--before and --after, which it is about",
        ),
        None => Ok(()),
    }
}

/// Where the plot goes, apart from everything that is read.
fn place(typed: &Check) -> Result<Option<Place>> {
    let Some(path) = &typed.plot else {
        return Ok(None);
    };
    let inputs: Vec<&Path> = [&typed.sheet]
        .into_iter()
        .chain(&typed.limits)
        .chain(&typed.judging.rig)
        .chain(&typed.before)
        .chain(&typed.after)
        .map(PathBuf::as_path)
        .collect();
    Place::new(path, plot(path), false, &inputs, &[]).map(Some)
}

fn promise(
    typed: &Check,
    sheet: &sheet::Sheet,
    place: Option<&Place>,
    files: &Recorded<'_>,
) -> Result<Remeasured> {
    let rig = typed.judging.opened_rig(files)?;
    let before = session(Knob::Before, &typed.before, files)?;
    let after = session(Knob::After, &typed.after, files)?;
    if let Some(place) = place {
        let paths = before.paths.iter().chain(&after.paths);
        let paths: Vec<&Path> = paths.map(PathBuf::as_path).collect();
        place.refuse_clash(&paths, &[])?;
    }
    for one in &before.paths {
        let twice = |other: &&PathBuf| same_file(one, other);
        if let Some(other) = after.paths.iter().find(twice) {
            return Err(Error::new(
                ErrorKind::Setting,
                shown(other),
                "a take of before and of after",
                "takes of two sessions",
                "name takes without the sheet after --before, takes with it after --after",
            ));
        }
    }
    let (before, after) = (before.unit, after.unit);
    let mut impedance = None;
    for (entry, unit_file) in after.entry.iter().chain(&before.entry) {
        if impedance.is_none() {
            impedance = open::impedance(entry, unit_file, files)?;
        }
    }
    let rig: Rig = rig.or(before.rig).or(after.rig).unwrap_or_default();
    let take = |opened: bandwright::measurement::unit_file::OpenedTake| opened.take;
    remeasured(
        sheet,
        &Remeasurement {
            before: before.takes.into_iter().map(take).collect(),
            after: after.takes.into_iter().map(take).collect(),
            judging: Settings {
                leak_threshold_db: typed.judging.leak_threshold,
                rig,
                ..Settings::default()
            },
            rate_hz: typed.rate_hz,
            same_level: typed.same_level,
            tolerance_db: typed.tolerance_db.unwrap_or(TOLERANCE_DB),
            impedance,
        },
    )
}

/// The takes of a session: curves, or one unit of a unit file.
fn session(session: Knob, paths: &[PathBuf], files: &Recorded<'_>) -> Result<OpenedFiles> {
    let units = open::named(paths, &[], &[], files)?;
    open::the_only(units, session)?.open(files)
}
