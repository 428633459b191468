//! The picture of a fit: levels above, what the sections do and what is left below. Where each side has an EQ of its own,
//! the right side is dashed.

use super::chart::{self, Aspect, LevelAxis};
use super::palette::Ink;
use super::{
    Area, FIRST_PANEL_TOP, FREQUENCY, Guard, Line, PANEL_GAP, Panel, Picture, title_of_two,
};
use crate::job::{Channel, Outcome, Shared};
use crate::report::words::{self, count, decimals, decimals_up_to, printable, true_minus};

const SPREAD_OPACITY: f64 = 0.25;
const RESIDUAL_OPACITY: f64 = 0.3;

/// The picture of `outcome` as SVG text; `frequency_hz` is the grid of its curves.
#[must_use]
pub fn fit_plot(outcome: &Outcome, frequency_hz: &[f64]) -> String {
    fit_picture(outcome, frequency_hz).to_svg()
}

/// The picture of `outcome`, laid out: the levels above, what the sections do below, both sides in one panel each.
#[must_use]
pub fn fit_picture(outcome: &Outcome, frequency_hz: &[f64]) -> Picture {
    let Outcome { shared, channels } = outcome;
    let mut lines: Vec<Lines> = channels
        .iter()
        .map(|channel| Lines::of(shared, channel, frequency_hz))
        .collect();
    if lines.len() > 1 {
        // A panel of two sides has as many lines as can be told apart.
        lines.iter_mut().for_each(|lines| lines.with_gain.clear());
    }
    let levels_db: Vec<f64> = lines.iter().flat_map(Lines::levels_db).collect();
    let changes_db: Vec<f64> = lines.iter().flat_map(Lines::changes_db).collect();
    let (aspect, [level_range, change_range]) = chart::one_aspect([&levels_db, &changes_db]);
    let levels = LevelAxis::new(level_range, aspect, &FREQUENCY, FIRST_PANEL_TOP);
    let below = levels.bottom() + PANEL_GAP;
    let changes = LevelAxis::new(change_range, aspect, &FREQUENCY, below);
    let panels = vec![level_panel(&lines, levels), change_panel(&lines, changes)];
    let doubtful_hz =
        chart::doubtful_hz(frequency_hz, &shared.curves.trust, &shared.curves.support);
    let guard = shared.coupler_hz.map(Guard::of_coupler);
    let cuts = level_range.cuts || change_range.cuts;
    Picture {
        title: title_of_two(
            &printable(&shared.unit),
            "toward",
            &printable(&shared.target),
        ),
        subtitle: subtitle(outcome),
        description: description(outcome),
        panels,
        notes: notes(outcome, aspect, &doubtful_hz, guard.as_ref(), cuts),
        doubtful_hz,
        guard,
        bands_hz: shared.bands_hz.clone(),
        figures: Vec::new(),
    }
}

/// The curves of one fit.
struct Lines {
    measured: Vec<(f64, f64)>,
    /// What other ears are expected to get; empty where that is not what was fitted.
    expected: Vec<(f64, f64)>,
    target: Vec<(f64, f64)>,
    equalised: Vec<(f64, f64)>,
    sections: Vec<(f64, f64)>,
    /// The sections with the gain before them: what lies below 0 dB is lost in level. Empty without such a gain.
    with_gain: Vec<(f64, f64)>,
    spread: Vec<(f64, f64, f64)>,
    residual: Vec<(f64, f64, f64)>,
}

impl Lines {
    fn of(shared: &Shared, channel: &Channel, frequency_hz: &[f64]) -> Self {
        let curves = &channel.curves;
        let support = &shared.curves.support;
        let over_support = |curve: &[f64]| -> Vec<(f64, f64)> {
            let all = frequency_hz.iter().copied().zip(curve.iter().copied());
            let inside = all.enumerate().filter(|(i, _)| support.contains(i));
            inside.map(|(_, point)| point).collect()
        };
        let measured = over_support(&curves.measured_db);
        let expected = match shared.other_ears {
            Some(_) => over_support(&curves.expected_db),
            None => Vec::new(),
        };
        let target = over_support(&curves.target_db);
        let equalised = over_support(&curves.equalised_db);
        let spread_db = shared.curves.spread_db.as_deref();
        let spread = spread_db.map_or(Vec::new(), |spread_db| {
            let both = measured.iter().zip(over_support(spread_db));
            both.map(|(&(hz, db), (_, sd))| (hz, db - sd, db + sd))
                .collect()
        });
        let residual = equalised
            .iter()
            .zip(&target)
            .map(|(&(hz, db), &(_, wanted_db))| (hz, 0.0, db - wanted_db))
            .collect();
        let sections: Vec<(f64, f64)> = frequency_hz
            .iter()
            .copied()
            .zip(curves.sections_db.iter().copied())
            .collect();
        let preamp_db = shared.headroom.preamp_db;
        let with_gain = match preamp_db == 0.0 {
            true => Vec::new(),
            false => sections.iter().map(|(hz, db)| (*hz, db + preamp_db)).collect(),
        };
        Self {
            measured,
            expected,
            target,
            equalised,
            sections,
            with_gain,
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
        let lines = [&self.sections, &self.with_gain];
        let mut changes: Vec<f64> = lines.into_iter().flatten().map(|&(_, db)| db).collect();
        changes.extend(self.residual.iter().flat_map(|&(_, zero, db)| [zero, db]));
        changes
    }
}

/// Labels of the sides where there are two, and their inks of what was measured, equalised and of the sections.
const SIDES: [(&str, [Ink; 3]); 2] = [
    (", left", [Ink::Measured, Ink::Equalised, Ink::Sections]),
    (
        ", right",
        [Ink::MeasuredRight, Ink::EqualisedRight, Ink::SectionsRight],
    ),
];

/// Each channel with what its labels end with, and its inks.
fn sided(lines: &[Lines]) -> impl Iterator<Item = (&Lines, &'static str, [Ink; 3])> {
    let two = lines.len() > 1;
    let sides = lines.iter().zip(SIDES);
    sides.map(move |(lines, (side, inks))| (lines, if two { side } else { "" }, inks))
}

fn level_panel(lines: &[Lines], axis: LevelAxis) -> Panel {
    let mut drawn = Vec::new();
    for (lines, side, [measured, equalised, _]) in sided(lines) {
        let measured = line(format!("measured{side}"), measured, &lines.measured);
        drawn.push(match side.is_empty() && !lines.spread.is_empty() {
            true => measured.labelled("measured, ±1 SD"),
            false => measured,
        });
        drawn.push(line(format!("equalised{side}"), equalised, &lines.equalised));
    }
    // Both sides have one target, but for one that is relative to what each has.
    let mut targets = lines.iter().map(|lines| &lines.target);
    let first = targets.next().cloned().unwrap_or_default();
    drawn.push(line("target".into(), Ink::Target, &first));
    for target in targets.filter(|target| **target != first) {
        drawn.push(line("target, right".into(), Ink::OtherTarget, target));
    }
    if let [lines] = lines
        && !lines.expected.is_empty()
    {
        drawn.push(line("in other ears".into(), Ink::Expected, &lines.expected));
    }
    let area = |lines: &Lines| Area {
        name: String::new(),
        is_labelled: false,
        ink: Ink::Measured,
        opacity: SPREAD_OPACITY,
        points: lines.spread.clone(),
    };
    Panel {
        heading: "Level, dB relative".into(),
        axis,
        areas: lines.iter().map(area).collect(),
        lines: drawn,
        marks_zero: false,
    }
}

fn change_panel(lines: &[Lines], axis: LevelAxis) -> Panel {
    let mut drawn = Vec::new();
    let mut areas = Vec::new();
    for (lines, side, [_, equalised, sections]) in sided(lines) {
        drawn.push(line(format!("sections{side}"), sections, &lines.sections));
        areas.push(Area {
            name: format!("residual{side}"),
            is_labelled: true,
            ink: equalised,
            opacity: RESIDUAL_OPACITY,
            points: lines.residual.clone(),
        });
    }
    if let [lines] = lines
        && !lines.with_gain.is_empty()
    {
        drawn.push(line("with the gain".into(), Ink::WithGain, &lines.with_gain));
    }
    Panel {
        heading: "Sum of the sections, and the residual (equalised minus target), dB".into(),
        axis,
        areas,
        lines: drawn,
        marks_zero: true,
    }
}

fn line(name: String, ink: Ink, points: &[(f64, f64)]) -> Line {
    Line::new(name, ink, points.to_vec())
}

fn subtitle(outcome: &Outcome) -> String {
    let Outcome { shared, channels } = outcome;
    let number = match &channels[..] {
        [left, right] => format!(
            "an EQ a side: {} + {} sections",
            left.sections.len(),
            right.sections.len()
        ),
        _ => sections(&channels[0]),
    };
    let mut parts = vec![
        format!(
            "Residual {} → {} dB rms (weighted)",
            decimals(shared.residual.before.weighted_db, 2),
            decimals(shared.residual.after.weighted_db, 2)
        ),
        format!("preamp {} dB", preamp(shared)),
        number,
    ];
    let rate = shared.rates_hz.first();
    parts.extend(rate.map(|&hz| format!("at {}", words::rate(hz))));
    parts.join(" · ")
}

fn sections(channel: &Channel) -> String {
    match channel.sections.len() {
        0 => "no section".into(),
        number => count(number, "section", "sections"),
    }
}

fn preamp(shared: &Shared) -> String {
    true_minus(&decimals_up_to(shared.headroom.preamp_db, 2))
}

fn description(outcome: &Outcome) -> String {
    let Outcome { shared, channels } = outcome;
    let Shared { unit, target, .. } = shared;
    let before = decimals(shared.residual.before.weighted_db, 2);
    let after = decimals(shared.residual.after.weighted_db, 2);
    let (preamp, trusted) = (preamp(shared), trusted(shared));
    match &channels[..] {
        [left, right] => format!(
            "Frequency responses from 20 Hz to 20 kHz, one EQ for each side. Upper panel: {unit} as measured, the target {target}, and the equalised response, left and right. Lower panel: the sum of the sections ({} left, {} right) and the residual. The weighted residual of both sides falls from {before} to {after} dB rms; the preamp is {preamp} dB on both. {trusted}",
            sections(left),
            sections(right),
        ),
        _ => format!(
            "Frequency responses from 20 Hz to 20 kHz. Upper panel: {unit} as measured, the target {target}, and the equalised response. Lower panel: the sum of the sections ({}) and the residual. The weighted residual falls from {before} to {after} dB rms; the preamp is {preamp} dB. {trusted}",
            sections(&channels[0]),
        ),
    }
}

fn trusted(shared: &Shared) -> String {
    match shared.trusted_band_hz {
        Some((lowest_hz, highest_hz)) => format!(
            "Trusted band: {} to {}.",
            words::frequency(lowest_hz),
            words::frequency(highest_hz)
        ),
        None => "No frequency is trusted.".into(),
    }
}

fn takes(takes: &[String]) -> String {
    match takes.len() {
        1 => "one take".into(),
        many => format!("average of {many} takes"),
    }
}

fn notes(
    outcome: &Outcome,
    aspect: Aspect,
    doubtful_hz: &[(f64, f64)],
    guard: Option<&Guard>,
    cuts: bool,
) -> Vec<String> {
    let Outcome { shared, channels } = outcome;
    let band = match shared.curves.spread_db {
        Some(_) => "the band is ±1 SD of the takes",
        None => "the spread is unknown, so no band is drawn",
    };
    let averaged = match &channels[..] {
        [left, right] => format!("{} left, {} right", takes(&left.takes), takes(&right.takes)),
        _ => takes(&shared.takes),
    };
    let mut notes = vec![
        match shared.curves.aligned_at_hz {
            None if channels.len() > 1 => "Levels are relative and the same for left and right: over both sides, the weighted mean of measured minus target, and of equalised minus target, is 0 dB.".into(),
            None => "Levels are relative: the weighted mean of measured minus target, and of equalised minus target, is 0 dB.".into(),
            Some(hz) => format!(
                "Levels are relative: measured and equalised each meet the target at {}; the figures of the residual take their level out.",
                words::frequency(hz)
            ),
        },
        format!(
            "Measured: {averaged}; {band}. {}",
            super::notes::smoothing(shared.smoothing, aspect)
        ),
    ];
    match (&shared.other_ears, channels.len()) {
        (None, _) => {}
        (Some(_), 1) => notes.push("In other ears: what they are expected to get of the measured curve, which was fitted; equalised is that with the sections. The target is smoothed as it is.".into()),
        (Some(_), _) => notes.push("Equalised: what other ears are expected to get with the sections, which was fitted; above 5 kHz it is not the measured curve with them, and the target is smoothed as it is.".into()),
    }
    notes.push(hatched(shared, doubtful_hz));
    notes.extend(guard.map(|guard| super::notes::resonance(guard, doubtful_hz)));
    if !shared.bands_hz.is_empty() {
        notes.push("Marks at the lower edge: the frequencies that the equaliser has.".into());
    }
    super::notes::finished(notes, cuts)
}

/// What hatching means, where there is any, and what is trusted.
pub(super) fn hatched(shared: &Shared, doubtful_hz: &[(f64, f64)]) -> String {
    let hatching = match doubtful_hz.is_empty() {
        true => String::new(),
        false => format!("Hatched: trust below {}, or no data. ", chart::TRUSTED),
    };
    hatching + &trusted(shared)
}
