//! The picture of judged takes: kept takes, sides, average and spread above; below, the takes that were set aside, and left
//! minus right. No panel has more than five labels.

use super::chart::{self, Aspect, LevelAxis};
use super::palette::Ink;
use super::{Area, FIRST_PANEL_TOP, FREQUENCY, Guard, Line, PANEL_GAP, Panel, Picture};
use crate::inspection::Inspection;
use crate::inspection::next_step::side_name;
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::{JudgedTake, Verdict};
use crate::measurement::outlier::Kind;
use crate::measurement::resonance::TakenOut;
use crate::measurement::takes::{Side, alignment_band, offset_db};
use crate::report::words::{band, count, decimals, printable, signed_decimals_up_to, true_minus};

const SPREAD_OPACITY: f64 = 0.25;
const MATCH_OPACITY: f64 = 0.3;
const TAKEN_OUT_OPACITY: f64 = 0.22;

/// The picture of `inspection` as SVG text.
#[must_use]
pub fn inspect_plot(inspection: &Inspection) -> String {
    inspect_picture(inspection).to_svg()
}

/// The picture of `inspection`, laid out.
#[must_use]
pub fn inspect_picture(inspection: &Inspection) -> Picture {
    let judged = &inspection.judged;
    let average = &judged.average.on_grid;
    let zero_db = offset_db(&average.level_db, &average.support);
    let relative = |curve: &OnGrid| points(curve, zero_db);
    let spread: Vec<(f64, f64, f64)> =
        judged
            .average
            .spread_db
            .as_deref()
            .map_or(Vec::new(), |sd_db| {
                let of = average.support.clone().zip(relative(average));
                of.map(|(i, (hz, db))| (hz, db - sd_db[i], db + sd_db[i]))
                    .collect()
            });
    let taken_out = judged
        .resonance
        .as_ref()
        .and_then(|resonance| resonance.taken_out.as_ref());
    let mut lines = lines(inspection, zero_db);
    let mut areas = vec![Area {
        name: String::new(),
        is_labelled: false,
        ink: Ink::Average,
        opacity: SPREAD_OPACITY,
        points: spread,
    }];
    if let Some(curve) = taken_out {
        let (line, area) = without_resonance(curve, zero_db);
        lines.push(line);
        areas.push(area);
    }
    let aside = aside_lines(inspection, zero_db);
    let difference = judged.matching.as_ref().map(|m| points(&m.smoothed, 0.0));
    let of_lines = |lines: &[Line]| -> Vec<f64> {
        let points = lines.iter().flat_map(|line| &line.points);
        points.map(|&(_, db)| db).collect()
    };
    let mut levels = of_lines(&lines);
    levels.extend(areas.iter().flat_map(|area| {
        let ends = area.points.iter();
        ends.flat_map(|&(_, low_db, high_db)| [low_db, high_db])
    }));
    let aside_levels = of_lines(&aside);
    let differences: Vec<f64> = difference.iter().flatten().map(|&(_, db)| db).collect();
    let aspect = chart::aspect_for(&[&levels, &aside_levels, &differences]);

    let mut top = FIRST_PANEL_TOP;
    let mut axis = |levels_db: &[f64]| {
        let axis = LevelAxis::new(chart::level_range(levels_db, aspect), aspect, &FREQUENCY, top);
        top = axis.bottom() + PANEL_GAP;
        axis
    };
    let mut panels = vec![Panel {
        heading: "Level, dB relative".into(),
        axis: axis(&levels),
        areas,
        lines,
        marks_zero: false,
    }];
    if !aside.is_empty() {
        panels.push(Panel {
            heading: "Takes that were set aside, dB relative".into(),
            axis: axis(&aside_levels),
            areas: Vec::new(),
            lines: aside,
            marks_zero: false,
        });
    }
    if let Some(points) = difference {
        panels.push(Panel::of_difference(
            "Left minus right, dB, its level taken out, smoothed by 1/3 octave",
            axis(&differences),
            Line::new("left \u{2212} right", Ink::Left, points),
            MATCH_OPACITY,
        ));
    }
    let doubtful_hz = chart::doubtful_hz(grid::frequency_hz(), &inspection.trust, &average.support);
    let guard = inspection.guard_hz.map(Guard::of_coupler);
    let cuts = panels.iter().any(|panel| panel.axis.range.cuts);
    Picture {
        title: printable(&inspection.unit),
        subtitle: subtitle(inspection),
        description: description(inspection),
        bands_hz: Vec::new(),
        figures: Vec::new(),
        notes: notes(inspection, aspect, &doubtful_hz, guard.as_ref(), cuts),
        panels,
        doubtful_hz,
        guard,
    }
}

/// Kept takes, their average, and the mean of each side where there are two.
fn lines(inspection: &Inspection, zero_db: f64) -> Vec<Line> {
    let judged = &inspection.judged;
    let mut lines = kept_lines(inspection, zero_db);
    let average = average_line(inspection, zero_db);
    lines.push(match judged.average.spread_db {
        Some(_) => average.labelled("average, ±1 SD"),
        None => average,
    });
    // Of one side alone the mean is the average.
    if judged.sides.len() > 1 {
        lines.extend(judged.sides.iter().map(|side| {
            let ink = match side.side {
                Side::Left => Ink::Left,
                Side::Right => Ink::Right,
                Side::Unknown => Ink::Measured,
            };
            let label = side_label(side.side, side.kept);
            Line::new(label, ink, points(&side.mean, zero_db))
        }));
    }
    lines
}

/// The curve with the resonance taken out, and its band.
fn without_resonance(curve: &TakenOut, zero_db: f64) -> (Line, Area) {
    let points = || curve.points.iter();
    let levels = points().map(|point| (point.frequency_hz, point.level_db - zero_db));
    let line = Line::new("without resonance", Ink::TakenOut, levels.collect());
    let area = Area {
        name: "estimate, 90 %".into(),
        is_labelled: false,
        ink: Ink::TakenOut,
        opacity: TAKEN_OUT_OPACITY,
        points: points()
            .map(|point| {
                let (low_db, high_db) = (point.low_db - zero_db, point.high_db - zero_db);
                (point.frequency_hz, low_db, high_db)
            })
            .collect(),
    };
    (line, area)
}

/// Frequency and level over the support, less `zero_db`.
fn points(curve: &OnGrid, zero_db: f64) -> Vec<(f64, f64)> {
    let f_hz = grid::frequency_hz();
    let of = |i: usize| (f_hz[i], curve.level_db[i] - zero_db);
    curve.support.clone().map(of).collect()
}

fn average_line(inspection: &Inspection, zero_db: f64) -> Line {
    let average = &inspection.judged.average.on_grid;
    Line::new("average", Ink::Average, points(average, zero_db))
}

/// Takes with their numbers and curves, set aside or not. In an order of their own: the picture of the same takes is the
/// same, in whatever order they were named.
fn takes(inspection: &Inspection, set_aside: bool) -> impl Iterator<Item = (&JudgedTake, usize, &OnGrid)> {
    let order = inspection.judged.order.iter();
    order.filter_map(move |&i| {
        let take = &inspection.judged.takes[i];
        let curve = inspection.aligned[i].as_ref()?;
        (take.set_aside == set_aside).then_some((take, inspection.numbers[i], curve))
    })
}

/// Kept takes, of which one carries the label.
fn kept_lines(inspection: &Inspection, zero_db: f64) -> Vec<Line> {
    // The only one kept of a side is the side's mean.
    let is_mean = |take: &JudgedTake| inspection.side(take.side).is_some_and(|s| s.kept == 1);
    let kept = takes(inspection, false).filter(|(take, ..)| !is_mean(take));
    let line = |(place, (_, _, curve)): (usize, (&JudgedTake, usize, &OnGrid))| {
        let name = if place == 0 { "each take" } else { "" };
        Line::new(name, Ink::Take, points(curve, zero_db))
    };
    kept.enumerate().map(line).collect()
}

/// Takes that were set aside, beside the average; none where there is none. Up to four have a label and dashes each; of
/// more, those that were set aside for one reason share them, and the rarest reasons are one.
fn aside_lines(inspection: &Inspection, zero_db: f64) -> Vec<Line> {
    let aside: Vec<(&JudgedTake, usize, &OnGrid)> = takes(inspection, true).collect();
    let mut reasons: Vec<(&str, usize)> = Vec::new();
    for (take, ..) in &aside {
        let why = reason(take);
        match reasons.iter_mut().find(|(known, _)| *known == why) {
            Some((_, takes)) => *takes += 1,
            None => reasons.push((why, 1)),
        }
    }
    reasons.sort_by_key(|(_, takes)| std::cmp::Reverse(*takes));
    let last = Ink::ASIDE.len() - 1;
    let place_of = |reason: &str| {
        let place = reasons.iter().position(|(known, _)| *known == reason);
        place.unwrap_or(last).min(last)
    };
    let mut lines = Vec::new();
    let mut labelled = [false; Ink::ASIDE.len()];
    for (number, (take, take_number, curve)) in aside.iter().enumerate() {
        let name = aside_name(take, *take_number);
        let own = aside.len() <= Ink::ASIDE.len();
        let place = if own { number } else { place_of(reason(take)) };
        let label = match (own, labelled[place]) {
            (true, _) => name.clone(),
            (false, true) => String::new(),
            (false, false) => {
                let (others, rest) = (reasons.len() > Ink::ASIDE.len(), &reasons[place..]);
                let (why, those) = match place == last && others {
                    true => ("others", rest.iter().map(|(_, takes)| takes).sum()),
                    false => rest[0],
                };
                format!("{why}: {}", count(those, "take", "takes"))
            }
        };
        labelled[place] = true;
        lines.push(Line::new(name, Ink::ASIDE[place], points(curve, zero_db)).labelled(label));
    }
    if !lines.is_empty() {
        lines.insert(0, average_line(inspection, zero_db));
    }
    lines
}

/// Why a take was set aside, short enough for the room beside a panel.
fn reason(take: &JudgedTake) -> &'static str {
    match take.verdict {
        Verdict::Leaks(_) => "leaks",
        Verdict::Outlier(outlier) => match outlier.kind {
            Kind::Shape => "not alike",
            Kind::Narrow => "disturbed",
            Kind::LevelStep { .. } => "step",
            Kind::Rough { .. } => "rough",
            Kind::MainsHum { .. } => "hum",
            Kind::Level { .. } => "level",
            Kind::OtherSide => "swapped?",
            Kind::BlockedVent { .. } => "vent?",
        },
        Verdict::Copy => "copy",
        Verdict::Sound | Verdict::Undecided { .. } => "set aside",
    }
}

fn aside_name(take: &JudgedTake, number: usize) -> String {
    let side = match take.side {
        Side::Unknown => "take",
        side => side_name(side),
    };
    format!("{side} {number}: {}", reason(take))
}

fn side_label(side: Side, kept: usize) -> String {
    format!("{}, {}", side_name(side), count(kept, "take", "takes"))
}

fn subtitle(inspection: &Inspection) -> String {
    let judged = &inspection.judged;
    let aside = judged.set_aside.len();
    let mut parts = vec![match (judged.takes.len(), aside) {
        (1, _) => "1 take".to_owned(),
        (takes, 0) => format!("{takes} takes, all kept"),
        (takes, aside) => format!("{} of {takes} takes kept", takes - aside),
    }];
    parts.push(match &inspection.spread {
        Some(spread) => format!("spread {} dB rms", decimals(spread.rms_db, 2)),
        None => "spread unknown".to_owned(),
    });
    if let Some(matching) = &judged.matching {
        parts.push(format!(
            "left minus right: level {} dB, the rest {} dB rms",
            true_minus(&signed_decimals_up_to(matching.level_db, 2)),
            decimals(matching.rms_db, 2)
        ));
    }
    parts.join(" · ")
}

fn trusted(inspection: &Inspection) -> String {
    match inspection.trusted_band_hz {
        Some((lowest_hz, highest_hz)) => format!("Trusted band: {}.", band(lowest_hz, highest_hz)),
        None => "No frequency is trusted.".into(),
    }
}

fn description(inspection: &Inspection) -> String {
    let judged = &inspection.judged;
    let aside: Vec<String> = judged
        .takes
        .iter()
        .zip(&inspection.numbers)
        .filter(|(take, _)| take.set_aside)
        .map(|(take, number)| aside_name(take, *number))
        .collect();
    let aside = if aside.is_empty() {
        "none".to_owned()
    } else {
        aside.join(", ")
    };
    let lower = if judged.matching.is_some() {
        " Lowest panel: left minus right."
    } else {
        ""
    };
    format!(
        "Frequency responses of {} from 20 Hz to 20 kHz. Upper panel: the kept of {}, the means of the sides, and the average with its spread. Set aside, in a panel of their own: {aside}.{lower} {}. {}",
        inspection.unit,
        count(judged.takes.len(), "take", "takes"),
        true_minus(&subtitle(inspection)),
        trusted(inspection)
    )
}

fn notes(
    inspection: &Inspection,
    aspect: Aspect,
    doubtful_hz: &[(f64, f64)],
    guard: Option<&Guard>,
    cuts: bool,
) -> Vec<String> {
    let judged = &inspection.judged;
    let spread = match &judged.average.spread_db {
        Some(_) => "the band is ±1 SD of the kept takes about their side's mean",
        None => "the spread is unknown, so no band is drawn",
    };
    let over = match alignment_band(&judged.average.on_grid.support) {
        Some(_) => "over 200 Hz to 2 kHz",
        None => "over all that was measured",
    };
    let mut notes = vec![
        format!(
            "Levels are relative: the average's median {over} is 0 dB. Takes are shifted to the level of their side by the median of their difference {over}; the sides keep their levels."
        ),
        format!(
            "Average: of the kept takes, each side first; {spread}. No smoothing of levels (48 points an octave). A decade is as long as {} dB.",
            aspect.db_per_decade()
        ),
    ];
    notes.push(if !doubtful_hz.is_empty() {
        format!(
            "Hatched: trust below {} (rig: {}), or no data. {}",
            chart::TRUSTED,
            inspection.rig.name(),
            trusted(inspection)
        )
    } else {
        trusted(inspection)
    });
    notes.extend(guard.map(|guard| super::notes::resonance(guard, doubtful_hz)));
    if let Some(resonance) = &judged.resonance {
        if resonance.taken_out.is_some() {
            notes.push(
                "Without resonance: an estimate, from how the takes moved, of the unit with the coupler's peak, dip and second mode taken out, and its 90 % band. For the eye and for comparing variants; a fit does not use it."
                    .into(),
            );
        } else if resonance.found_in > 1 {
            notes.push(
                "What is left without the coupler's resonance cannot be told: the takes moved too little."
                    .into(),
            );
        }
    }
    notes.push("Below 100 Hz the curves are the earphone's own only if the seal was good.".into());
    super::notes::finished(notes, cuts)
}
