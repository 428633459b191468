//! The picture of a promise: promised and measured change with what chance allows, and the best explanation.

use super::chart::{self, LevelAxis};
use super::palette::Ink;
use super::{Area, FIRST_PANEL_TOP, FREQUENCY, Line, PANEL_GAP, Panel, Picture};
use crate::measurement::grid;
use crate::report::check_text::{
    change_words, percent, ranked_words, side_name, spread_words, verdict_words,
};
use crate::report::words::{count, printable, true_minus};
use crate::verify::explanation::Explanation;
use crate::verify::remeasured::Change;
use crate::verify::{Remeasured, SheetCheck};

const BAND_OPACITY: f64 = 0.25;

/// The picture as SVG text.
#[must_use]
pub fn check_plot(check: &SheetCheck, promise: &Remeasured) -> String {
    check_picture(check, promise).to_svg()
}

/// The picture, laid out: the change of each EQ, and below what is left of a single one.
#[must_use]
pub fn check_picture(check: &SheetCheck, promise: &Remeasured) -> Picture {
    let first = promise.explanations.first();
    let wrong = first.is_some_and(|f| f.explanation != Explanation::NothingWrong);
    let changes: Vec<&Change> = promise.changes.iter().collect();
    let mut levels: Vec<Vec<f64>> = changes.iter().map(|change| extent(change)).collect();
    let single = changes.len() == 1;
    if single {
        let left = |(_, low, high): (f64, f64, f64)| [low, high];
        levels.push(band(changes[0], true).into_iter().flat_map(left).collect());
    }
    let (aspect, ranges) =
        chart::one_aspect([&levels[0], levels.get(1).map_or(&[], Vec::as_slice)]);
    let mut top = FIRST_PANEL_TOP;
    let mut panels = Vec::new();
    for (number, range) in ranges.into_iter().take(levels.len()).enumerate() {
        let axis = LevelAxis::new(range, aspect, &FREQUENCY, top);
        top = axis.bottom() + PANEL_GAP;
        panels.push(match changes.get(number) {
            Some(change) => change_panel(change, wrong, axis),
            None => left_panel(changes[0], axis),
        });
    }
    let trusted = &promise.changes[0].support;
    let doubtful_hz = chart::doubtful_hz(grid::frequency_hz(), &promise.trust, trusted);
    let subtitle = first.map_or_else(String::new, |first| {
        format!("{} ({})", ranked_words(first), percent(first.share))
    });
    let takes =
        |of: fn(&Change) -> usize| count(changes.iter().map(|c| of(c)).sum(), "take", "takes");
    let cuts = panels.iter().any(|panel| panel.axis.range.cuts);
    let told: Vec<String> = changes
        .iter()
        .map(|change| format!("{}: {}", side_name(change.side), change_words(change)))
        .collect();
    let mut notes = vec![
        true_minus(&format!("{}.", told.join("; "))),
        format!(
            "Measured: mean of {} after minus mean of {} before, at the level that fits the promise best; the band is ±2 standard errors of that difference.",
            takes(|c| c.takes_after),
            takes(|c| c.takes_before)
        ),
        format!(
            "Spread: {}. No smoothing (48 points an octave). A decade is as long as {} dB.",
            spread_words(promise),
            aspect.db_per_decade()
        ),
    ];
    if !doubtful_hz.is_empty() {
        notes.push(format!(
            "Hatched: trust of the rig below {}, or no data; not judged.",
            chart::TRUSTED
        ));
    }
    let title = format!(
        "{} toward {}, the promise: {}",
        printable(&check.unit),
        printable(&check.target),
        verdict_words(promise.verdict)
    );
    Picture {
        description: format!(
            "Change by the sheet, promised and measured, from 20 Hz to 20 kHz. {title}. {subtitle}."
        ),
        title,
        subtitle,
        panels,
        doubtful_hz,
        guard: None,
        bands_hz: Vec::new(),
        figures: Vec::new(),
        notes: super::notes::finished(notes, cuts),
    }
}

fn points(change: &Change, curve: &[f64]) -> Vec<(f64, f64)> {
    let at = |i: usize| (grid::frequency_hz()[i], curve[i]);
    change.support.clone().map(at).collect()
}

/// Two standard errors about the measured change, or about what is left of it.
fn band(change: &Change, left: bool) -> Vec<(f64, f64, f64)> {
    let at = |i: usize| {
        let promised_db = if left { change.promised_db[i] } else { 0.0 };
        let db = change.measured_db[i] - promised_db;
        let reach_db = 2.0 * change.error_db[i];
        (grid::frequency_hz()[i], db - reach_db, db + reach_db)
    };
    change.support.clone().map(at).collect()
}

fn extent(change: &Change) -> Vec<f64> {
    let curves = [Some(&change.promised_db), change.explained_db.as_ref()];
    let curves = curves.into_iter().flatten();
    let lines = curves.flat_map(|curve| points(change, curve).into_iter().map(|(_, db)| db));
    let bands = band(change, false)
        .into_iter()
        .flat_map(|(_, low, high)| [low, high]);
    lines.chain(bands).collect()
}

fn change_panel(change: &Change, wrong: bool, axis: LevelAxis) -> Panel {
    let mut lines = vec![
        Line::new("promised", Ink::Target, points(change, &change.promised_db)),
        Line::new("measured", Ink::Measured, points(change, &change.measured_db)).labelled("measured, ±2 SE"),
    ];
    if let Some(explained_db) = change.explained_db.as_ref().filter(|_| wrong) {
        let explained = points(change, explained_db);
        lines.push(Line::new("best explanation", Ink::Sections, explained));
    }
    Panel {
        heading: match change.side {
            None => "Change of level, dB, level free".into(),
            side => format!("{}: change of level, dB, level free", side_name(side)),
        },
        axis,
        areas: vec![Area {
            name: String::new(),
            is_labelled: false,
            ink: Ink::Measured,
            opacity: BAND_OPACITY,
            points: band(change, false),
        }],
        lines,
        marks_zero: true,
    }
}

fn left_panel(change: &Change, axis: LevelAxis) -> Panel {
    let left: Vec<f64> = change
        .measured_db
        .iter()
        .zip(&change.promised_db)
        .map(|(measured, promised)| measured - promised)
        .collect();
    Panel {
        heading: "Measured minus promised, dB".into(),
        axis,
        areas: vec![Area {
            name: String::new(),
            is_labelled: false,
            ink: Ink::Measured,
            opacity: BAND_OPACITY,
            points: band(change, true),
        }],
        lines: vec![Line::new("left over", Ink::Measured, points(change, &left))],
        marks_zero: true,
    }
}
