//! The picture of judged takes: takes, sides, average and spread above, left minus right below.

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

/// More takes set aside than this share one label.
const MOST_ASIDE_LABELS: usize = 5;

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
        ink: Ink::Average,
        opacity: SPREAD_OPACITY,
        points: spread,
    }];
    if let Some(curve) = taken_out {
        let (line, area) = without_resonance(curve, zero_db);
        lines.push(line);
        areas.push(area);
    }
    let difference = judged.matching.as_ref().map(|m| points(&m.smoothed, 0.0));
    let levels: Vec<f64> = lines
        .iter()
        .flat_map(|line| line.points.iter().map(|&(_, db)| db))
        .chain(areas.iter().flat_map(|area| {
            let ends = area.points.iter();
            ends.flat_map(|&(_, low_db, high_db)| [low_db, high_db])
        }))
        .collect();
    let differences: Vec<f64> = difference.iter().flatten().map(|&(_, db)| db).collect();
    let (aspect, [level_range, match_range]) = chart::one_aspect([&levels, &differences]);

    let level_axis = LevelAxis::new(level_range, aspect, &FREQUENCY, FIRST_PANEL_TOP);
    let match_top = level_axis.bottom() + PANEL_GAP;
    let mut panels = vec![Panel {
        heading: "Level, dB relative".into(),
        axis: level_axis,
        areas,
        lines,
        marks_zero: false,
    }];
    if let Some(points) = difference {
        panels.push(Panel::of_difference(
            "Left minus right, dB, its level taken out, smoothed by 1/3 octave",
            LevelAxis::new(match_range, aspect, &FREQUENCY, match_top),
            Line::new("left \u{2212} right", Ink::Left, points),
            MATCH_OPACITY,
        ));
    }
    let doubtful_hz = chart::doubtful_hz(grid::frequency_hz(), &inspection.trust, &average.support);
    let cuts = level_range.cuts || match_range.cuts;
    Picture {
        title: printable(&inspection.unit),
        subtitle: subtitle(inspection),
        description: description(inspection),
        figures: Vec::new(),
        notes: notes(inspection, aspect, !doubtful_hz.is_empty(), cuts),
        panels,
        doubtful_hz,
        guard: inspection.guard_hz.map(Guard::of_coupler),
    }
}

/// Takes, their average, and the mean of each side where there are two.
fn lines(inspection: &Inspection, zero_db: f64) -> Vec<Line> {
    let judged = &inspection.judged;
    let mut lines = take_lines(inspection, zero_db);
    let average = points(&judged.average.on_grid, zero_db);
    lines.push(Line {
        band: judged.average.spread_db.as_ref().map(|_| "±1 SD"),
        ..Line::new("average", Ink::Average, average)
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

/// Kept takes, of which one carries the label, then those set aside, each with its own where they are few.
fn take_lines(inspection: &Inspection, zero_db: f64) -> Vec<Line> {
    let takes = &inspection.judged.takes;
    let aside = takes.iter().filter(|take| take.set_aside).count();
    let mut lines = Vec::new();
    for set_aside in [false, true] {
        let mut labelled = false;
        // In an order of their own: the picture of the same takes is the same, in whatever order they were named.
        for &i in &inspection.judged.order {
            let take = &takes[i];
            if take.set_aside != set_aside {
                continue;
            }
            // The only one kept of a side is the side's mean.
            let only = !set_aside && inspection.side(take.side).is_some_and(|s| s.kept == 1);
            let Some(aligned) = inspection.aligned[i].as_ref().filter(|_| !only) else {
                continue;
            };
            let name = match set_aside {
                true if aside <= MOST_ASIDE_LABELS => aside_label(take, inspection.numbers[i]),
                true if !labelled => format!("{aside} set aside"),
                false if !labelled => "each take".to_owned(),
                _ => String::new(),
            };
            labelled = true;
            let ink = if set_aside { Ink::Aside } else { Ink::Take };
            lines.push(Line::new(name, ink, points(aligned, zero_db)));
        }
    }
    lines
}

/// Short enough for the room beside a panel.
fn aside_label(take: &JudgedTake, number: usize) -> String {
    let why = match take.verdict {
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
    };
    let side = match take.side {
        Side::Unknown => "take",
        side => side_name(side),
    };
    format!("{side} {number}: {why}")
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
        .map(|(take, number)| aside_label(take, *number))
        .collect();
    let aside = if aside.is_empty() {
        "none".to_owned()
    } else {
        aside.join(", ")
    };
    let lower = if judged.matching.is_some() {
        " Lower panel: left minus right."
    } else {
        ""
    };
    format!(
        "Frequency responses of {} from 20 Hz to 20 kHz. Upper panel: each of {}, the means of the sides, and the average with its spread. Set aside: {aside}.{lower} {}. {}",
        inspection.unit,
        count(judged.takes.len(), "take", "takes"),
        true_minus(&subtitle(inspection)),
        trusted(inspection)
    )
}

fn notes(inspection: &Inspection, aspect: Aspect, hatches: bool, cuts: bool) -> Vec<String> {
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
            "Average: of the kept takes, each side first; {spread}. No smoothing in the upper panel (48 points an octave). A decade is as long as {} dB.",
            aspect.db_per_decade()
        ),
    ];
    notes.push(if hatches {
        format!(
            "Hatched: trust below {} (rig: {}), or no data. {}",
            chart::TRUSTED,
            inspection.rig.name(),
            trusted(inspection)
        )
    } else {
        trusted(inspection)
    });
    if let Some((lowest_hz, highest_hz)) = inspection.guard_hz {
        notes.push(format!(
            "Between the dashed edges, {}, the peak is the coupler's as much as the earphone's.",
            band(lowest_hz, highest_hz)
        ));
    }
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
