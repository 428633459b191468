//! The picture of a fit: levels above, what the sections do and what is left below. Where each side has an EQ of its own,
//! left and right have a panel each of both, on the same scales.

use super::chart::{self, Aspect, LevelAxis};
use super::palette::Ink;
use super::picture::{
    Area, FIRST_PANEL_TOP, FREQUENCY, Guard, Line, PANEL_GAP, Panel, Picture, title_of_two,
};
use super::words::{self, count, decimals, decimals_up_to, printable, true_minus};
use crate::job::FitOutcome;
use crate::job::per_side::PerSideOutcome;

const SPREAD_OPACITY: f64 = 0.25;
const RESIDUAL_OPACITY: f64 = 0.3;

/// The picture of `outcome` as SVG text; `frequency_hz` is the grid of its curves.
#[must_use]
pub fn fit_plot(outcome: &FitOutcome, frequency_hz: &[f64]) -> String {
    fit_picture(outcome, frequency_hz).to_svg()
}

/// The picture of a fit with one EQ for each side as SVG text; `frequency_hz` is the grid of its curves.
#[must_use]
pub fn per_side_plot(outcome: &PerSideOutcome, frequency_hz: &[f64]) -> String {
    per_side_picture(outcome, frequency_hz).to_svg()
}

/// The picture of `outcome`, laid out.
#[must_use]
pub fn fit_picture(outcome: &FitOutcome, frequency_hz: &[f64]) -> Picture {
    let lines = Lines::of(outcome, frequency_hz);
    let (aspect, [level_range, change_range]) =
        chart::one_aspect([&lines.levels_db(), &lines.changes_db()]);
    let level_axis = LevelAxis::new(level_range, aspect, &FREQUENCY, FIRST_PANEL_TOP);
    let change_axis = LevelAxis::new(
        change_range,
        aspect,
        &FREQUENCY,
        level_axis.bottom() + PANEL_GAP,
    );
    let doubtful_hz =
        chart::doubtful_hz(frequency_hz, &outcome.curves.trust, &outcome.curves.support);
    let cuts = level_range.cuts || change_range.cuts;
    Picture {
        title: title_of_two(
            &printable(&outcome.unit),
            "toward",
            &printable(&outcome.target),
        ),
        subtitle: subtitle(outcome, &sections(outcome)),
        description: description(outcome),
        panels: vec![
            lines.level_panel(level_axis, None),
            lines.change_panel(change_axis, None),
        ],
        notes: notes(
            outcome,
            &takes(outcome),
            aspect,
            !doubtful_hz.is_empty(),
            cuts,
        ),
        doubtful_hz,
        guard: outcome.guard_hz.map(|ends_hz| Guard {
            name: "coupler resonance".into(),
            ends_hz,
        }),
    }
}

/// The picture of a fit with one EQ for each side, laid out: the levels of left and right, then what their sections do.
#[must_use]
pub fn per_side_picture(outcome: &PerSideOutcome, frequency_hz: &[f64]) -> Picture {
    let fits = outcome.sides.each_ref().map(|side| &side.fit);
    let [left, right] = fits.map(|fit| Lines::of(fit, frequency_hz));
    // The same scales for both sides.
    let levels_db = [left.levels_db(), right.levels_db()].concat();
    let changes_db = [left.changes_db(), right.changes_db()].concat();
    let (aspect, [level_range, change_range]) = chart::one_aspect([&levels_db, &changes_db]);
    let mut top = FIRST_PANEL_TOP;
    let mut next = |range| {
        let axis = LevelAxis::new(range, aspect, &FREQUENCY, top);
        top = axis.bottom() + PANEL_GAP;
        axis
    };
    let panels = vec![
        left.level_panel(next(level_range), Some("left")),
        right.level_panel(next(level_range), Some("right")),
        left.change_panel(next(change_range), Some("left")),
        right.change_panel(next(change_range), Some("right")),
    ];
    let of_both = FitOutcome {
        residual: outcome.residual,
        takes: outcome.takes.clone(),
        ..fits[0].clone()
    };
    let counts = fits.map(|fit| fit.sections.len());
    let cuts = level_range.cuts || change_range.cuts;
    let one = fit_picture(&of_both, frequency_hz);
    let takes = format!("{} left, {} right", takes(fits[0]), takes(fits[1]));
    let hatches = !one.doubtful_hz.is_empty();
    let mut notes = notes(&of_both, &takes, aspect, hatches, cuts);
    notes[0] = nowhere_broken(
        "Levels are relative and the same for left and right: over both sides, the weighted mean of measured minus target, and of equalised minus target, is 0 dB.",
    );
    Picture {
        subtitle: subtitle(
            &of_both,
            &format!("an EQ a side: {} + {} sections", counts[0], counts[1]),
        ),
        description: per_side_description(outcome, &of_both),
        panels,
        notes,
        ..one
    }
}

/// The curves of one fit.
struct Lines {
    measured: Vec<(f64, f64)>,
    target: Vec<(f64, f64)>,
    equalised: Vec<(f64, f64)>,
    sections: Vec<(f64, f64)>,
    spread: Vec<(f64, f64, f64)>,
    residual: Vec<(f64, f64, f64)>,
}

impl Lines {
    fn of(outcome: &FitOutcome, frequency_hz: &[f64]) -> Self {
        let curves = &outcome.curves;
        let over_support = |curve: &[f64]| -> Vec<(f64, f64)> {
            let all = frequency_hz.iter().copied().zip(curve.iter().copied());
            let inside = all.enumerate().filter(|(i, _)| curves.support.contains(i));
            inside.map(|(_, point)| point).collect()
        };
        let measured = over_support(&curves.measured_db);
        let target = over_support(&curves.target_db);
        let equalised = over_support(&curves.equalised_db);
        let spread = curves.spread_db.as_deref().map_or(Vec::new(), |spread_db| {
            let both = measured.iter().zip(over_support(spread_db));
            both.map(|(&(hz, db), (_, sd))| (hz, db - sd, db + sd))
                .collect()
        });
        let residual = equalised
            .iter()
            .zip(&target)
            .map(|(&(hz, db), &(_, wanted_db))| (hz, 0.0, db - wanted_db))
            .collect();
        let sections = frequency_hz
            .iter()
            .copied()
            .zip(curves.sections_db.iter().copied())
            .collect();
        Self {
            measured,
            target,
            equalised,
            sections,
            spread,
            residual,
        }
    }

    /// What the upper panel must show.
    fn levels_db(&self) -> Vec<f64> {
        let lines = [&self.measured, &self.target, &self.equalised];
        let mut levels: Vec<f64> = lines.into_iter().flatten().map(|&(_, db)| db).collect();
        let band = self.spread.iter();
        levels.extend(band.flat_map(|&(_, low_db, high_db)| [low_db, high_db]));
        levels
    }

    /// What the lower panel must show.
    fn changes_db(&self) -> Vec<f64> {
        let mut changes: Vec<f64> = self.sections.iter().map(|&(_, db)| db).collect();
        changes.extend(self.residual.iter().flat_map(|&(_, zero, db)| [zero, db]));
        changes
    }

    fn level_panel(&self, axis: LevelAxis, side: Option<&str>) -> Panel {
        let measured_name = match (side, self.spread.is_empty()) {
            (None, false) => "measured, ±1 SD".to_owned(),
            _ => named("measured", side),
        };
        Panel {
            heading: headed("Level, dB relative", side),
            axis,
            areas: vec![Area {
                name: String::new(),
                ink: Ink::Measured,
                opacity: SPREAD_OPACITY,
                points: self.spread.clone(),
            }],
            lines: vec![
                line(measured_name, Ink::Measured, &self.measured),
                line(named("equalised", side), Ink::Equalised, &self.equalised),
                line("target".into(), Ink::Target, &self.target),
            ],
            marks_zero: false,
        }
    }

    fn change_panel(&self, axis: LevelAxis, side: Option<&str>) -> Panel {
        Panel {
            heading: headed(
                "Sum of the sections, and the residual (equalised minus target), dB",
                side,
            ),
            axis,
            areas: vec![Area {
                name: named("residual", side),
                ink: Ink::Equalised,
                opacity: RESIDUAL_OPACITY,
                points: self.residual.clone(),
            }],
            lines: vec![line(named("sections", side), Ink::Sections, &self.sections)],
            marks_zero: true,
        }
    }
}

fn line(name: String, ink: Ink, points: &[(f64, f64)]) -> Line {
    Line {
        name,
        ink,
        points: points.to_vec(),
    }
}

/// The direct label of a curve, with its side.
fn named(name: &str, side: Option<&str>) -> String {
    side.map_or_else(|| name.to_owned(), |side| format!("{name}, {side}"))
}

fn headed(heading: &str, side: Option<&str>) -> String {
    match side {
        None => heading.to_owned(),
        Some(side) => {
            let mut letters = side.chars();
            let first = letters.next().map(|c| c.to_uppercase().to_string());
            let (first, rest) = (first.unwrap_or_default(), letters.as_str());
            format!("{first}{rest}. {heading}")
        }
    }
}

/// `sections`: how many there are, in words.
fn subtitle(outcome: &FitOutcome, sections: &str) -> String {
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
        sections.to_owned(),
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

fn per_side_description(outcome: &PerSideOutcome, of_both: &FitOutcome) -> String {
    let rms = |residual: &crate::job::Residual| decimals(residual.weighted_db, 2);
    let [left, right] = outcome.sides.each_ref().map(|side| sections(&side.fit));
    format!(
        "Frequency responses from 20 Hz to 20 kHz, one EQ for each side. First and second panel: {} as measured, the target {}, and the equalised response, left and right. Third and fourth panel: the sum of the sections ({left} left, {right} right) and the residual. The weighted residual of both sides falls from {} to {} dB rms; the preamp is {} dB on both. {}",
        of_both.unit,
        of_both.target,
        rms(&outcome.residual.before),
        rms(&outcome.residual.after),
        true_minus(&decimals_up_to(outcome.headroom.preamp_db, 2)),
        trusted(of_both),
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

fn takes(outcome: &FitOutcome) -> String {
    match outcome.takes.len() {
        1 => "one take".into(),
        many => format!("average of {many} takes"),
    }
}

/// `takes`: what was averaged, in words.
fn notes(
    outcome: &FitOutcome,
    takes: &str,
    aspect: Aspect,
    hatches: bool,
    cuts: bool,
) -> Vec<String> {
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
            "Measured: {takes}; {band}. {} (48 points an octave). A decade is as long as {} dB.",
            outcome.smoothing.map_or_else(|| "No smoothing".to_owned(), |width| format!("Smoothed by {width}")),
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
    notes.iter().map(|note| nowhere_broken(note)).collect()
}

/// Units stay on the line of their numbers.
fn nowhere_broken(note: &str) -> String {
    let mut note = note.to_owned();
    for unit in ["Hz", "kHz", "dB", "SD"] {
        note = note.replace(&format!(" {unit}"), &format!("\u{A0}{unit}"));
    }
    note
}
