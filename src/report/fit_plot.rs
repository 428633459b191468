//! The picture of a fit: levels above, what the sections do and what is left below.

use super::chart::{self, Aspect, LevelAxis};
use super::palette::Ink;
use super::picture::{
    Area, FIRST_PANEL_TOP, FREQUENCY, Line, PANEL_GAP, Panel, Picture, title_of_two,
};
use super::words::{self, count, decimals, decimals_up_to, printable, true_minus};
use crate::job::FitOutcome;

const SPREAD_OPACITY: f64 = 0.25;
const RESIDUAL_OPACITY: f64 = 0.3;

/// The picture of `outcome` as SVG text; `frequency_hz` is the grid of its curves.
#[must_use]
pub fn fit_plot(outcome: &FitOutcome, frequency_hz: &[f64]) -> String {
    fit_picture(outcome, frequency_hz).to_svg()
}

/// The picture of `outcome`, laid out.
#[must_use]
pub fn fit_picture(outcome: &FitOutcome, frequency_hz: &[f64]) -> Picture {
    let curves = &outcome.curves;
    let over_support = |curve: &[f64]| -> Vec<(f64, f64)> {
        let all = frequency_hz.iter().copied().zip(curve.iter().copied());
        let inside = all.enumerate().filter(|(i, _)| curves.support.contains(i));
        inside.map(|(_, point)| point).collect()
    };
    let measured = over_support(&curves.measured_db);
    let target = over_support(&curves.target_db);
    let equalised = over_support(&curves.equalised_db);
    let sections: Vec<(f64, f64)> = frequency_hz
        .iter()
        .copied()
        .zip(curves.sections_db.iter().copied())
        .collect();
    let spread: Vec<(f64, f64, f64)> =
        curves.spread_db.as_deref().map_or(Vec::new(), |spread_db| {
            let both = measured.iter().zip(over_support(spread_db));
            both.map(|(&(hz, db), (_, sd))| (hz, db - sd, db + sd))
                .collect()
        });
    let residual: Vec<(f64, f64, f64)> = equalised
        .iter()
        .zip(&target)
        .map(|(&(hz, db), &(_, wanted_db))| (hz, 0.0, db - wanted_db))
        .collect();

    let mut levels: Vec<f64> = [&measured, &target, &equalised]
        .into_iter()
        .flatten()
        .map(|&(_, db)| db)
        .collect();
    levels.extend(
        spread
            .iter()
            .flat_map(|&(_, low_db, high_db)| [low_db, high_db]),
    );
    let mut changes: Vec<f64> = sections.iter().map(|&(_, db)| db).collect();
    changes.extend(residual.iter().flat_map(|&(_, zero, db)| [zero, db]));
    let (aspect, [level_range, change_range]) = chart::one_aspect([&levels, &changes]);

    let level_axis = LevelAxis::new(level_range, aspect, &FREQUENCY, FIRST_PANEL_TOP);
    let change_axis = LevelAxis::new(
        change_range,
        aspect,
        &FREQUENCY,
        level_axis.bottom() + PANEL_GAP,
    );
    let line = |name: &str, ink, points| Line {
        name: name.into(),
        ink,
        points,
    };
    let measured_name = if spread.is_empty() {
        "measured"
    } else {
        "measured, ±1 SD"
    };
    let panels = vec![
        Panel {
            heading: "Level, dB relative".into(),
            axis: level_axis,
            areas: vec![Area {
                name: String::new(),
                ink: Ink::Measured,
                opacity: SPREAD_OPACITY,
                points: spread,
            }],
            lines: vec![
                line(measured_name, Ink::Measured, measured),
                line("equalised", Ink::Equalised, equalised),
                line("target", Ink::Target, target),
            ],
            marks_zero: false,
        },
        Panel {
            heading: "Sum of the sections, and the residual (equalised minus target), dB".into(),
            axis: change_axis,
            areas: vec![Area {
                name: "residual".into(),
                ink: Ink::Equalised,
                opacity: RESIDUAL_OPACITY,
                points: residual,
            }],
            lines: vec![line("sections", Ink::Sections, sections)],
            marks_zero: true,
        },
    ];
    let doubtful_hz = chart::doubtful_hz(frequency_hz, &curves.trust, &curves.support);
    let cuts = level_range.cuts || change_range.cuts;
    Picture {
        title: title_of_two(
            &printable(&outcome.unit),
            "toward",
            &printable(&outcome.target),
        ),
        subtitle: subtitle(outcome),
        description: description(outcome),
        panels,
        notes: notes(outcome, aspect, !doubtful_hz.is_empty(), cuts),
        doubtful_hz,
        guard: None,
    }
}

fn subtitle(outcome: &FitOutcome) -> String {
    let mut parts = vec![
        format!(
            "Residual {} → {} dB rms (weighted)",
            decimals(outcome.residual.before.weighted_db, 2),
            decimals(outcome.residual.after.weighted_db, 2)
        ),
        format!(
            "preamp {} dB",
            true_minus(&decimals_up_to(outcome.headroom.preamp_db, 2))
        ),
        sections(outcome),
    ];
    parts.extend(
        outcome
            .rates_hz
            .first()
            .map(|&hz| format!("at {}", words::rate(hz))),
    );
    parts.join(" · ")
}

fn sections(outcome: &FitOutcome) -> String {
    match outcome.sections.len() {
        0 => "no section".into(),
        number => count(number, "section", "sections"),
    }
}

fn description(outcome: &FitOutcome) -> String {
    let rms = |residual: &crate::job::Residual| decimals(residual.weighted_db, 2);
    format!(
        "Frequency responses from 20 Hz to 20 kHz. Upper panel: {} as measured, the target {}, and the equalised response. Lower panel: the sum of the sections ({}) and the residual. The weighted residual falls from {} to {} dB rms; the preamp is {} dB. {}",
        outcome.unit,
        outcome.target,
        sections(outcome),
        rms(&outcome.residual.before),
        rms(&outcome.residual.after),
        true_minus(&decimals_up_to(outcome.headroom.preamp_db, 2)),
        trusted(outcome),
    )
}

fn trusted(outcome: &FitOutcome) -> String {
    match outcome.trusted_band_hz {
        Some((lowest_hz, highest_hz)) => format!(
            "Trusted band: {} to {}.",
            words::frequency(lowest_hz),
            words::frequency(highest_hz)
        ),
        None => "No frequency is trusted.".into(),
    }
}

fn notes(outcome: &FitOutcome, aspect: Aspect, hatches: bool, cuts: bool) -> Vec<String> {
    let takes = match outcome.takes.len() {
        1 => "one take".into(),
        many => format!("average of {many} takes"),
    };
    let band = match outcome.curves.spread_db {
        Some(_) => "the band is ±1 SD of the takes",
        None => "the spread is unknown, so no band is drawn",
    };
    let mut notes = vec![
        match outcome.curves.aligned_at_hz {
            None => "Levels are relative: the weighted mean of measured minus target, and of equalised minus target, is 0 dB.".into(),
            Some(hz) => format!(
                "Levels are relative: measured and equalised each meet the target at {}; the figures of the residual take their level out.",
                words::frequency(hz)
            ),
        },
        format!(
            "Measured: {takes}; {band}. No smoothing (48 points an octave). A decade is as long as {} dB.",
            aspect.db_per_decade()
        ),
    ];
    notes.push(if hatches {
        format!(
            "Hatched: trust below {}, or no data. {}",
            chart::TRUSTED,
            trusted(outcome)
        )
    } else {
        trusted(outcome)
    });
    if cuts {
        notes.push("Curves that leave a panel go on outside the picture.".into());
    }
    for note in &mut notes {
        for unit in ["Hz", "kHz", "dB", "SD"] {
            *note = note.replace(&format!(" {unit}"), &format!("\u{A0}{unit}"));
        }
    }
    notes
}
