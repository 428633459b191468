//! The picture of a comparison: each unit without and with its preset, what is left against the number of sections, and the
//! figures that decide, with their intervals.

use super::chart::{self, LevelAxis};
use super::figures::{Content, CountLine, DotRow, FigureChart, Scale};
use super::palette::Ink;
use super::{Area, FIRST_PANEL_TOP, FREQUENCY, Line, PANEL_GAP, Panel, Picture};
use crate::comparison::figures::UnitFigures;
use crate::comparison::{Comparison, Figure};
use crate::measurement::grid::{self, OnGrid};
use crate::report::compare_text::{OF_SPECIMENS, heading, sentences};
use crate::report::words::printable;

const BAND_OPACITY: f64 = 0.25;
/// Height of the chart by counts, pixels.
const COUNTS_HEIGHT: f64 = 150.0;
/// Between two charts beside each other, pixels.
const BESIDE: f64 = 34.0;
/// Room for the name of a unit above its panel, pixels; the words behind it take the rest of the width.
const NAME_ROOM: f64 = 640.0;
/// An axis of figures is longer than what it shows by this.
const ROOM: f64 = 1.04;
/// How far an axis of figures goes at most, in terms of the largest figure: an interval may be much longer.
const LONGEST: f64 = 2.0;

/// The picture as SVG text.
#[must_use]
pub fn compare_plot(comparison: &Comparison) -> String {
    compare_picture(comparison).to_svg()
}

/// The picture, laid out.
#[must_use]
pub fn compare_picture(comparison: &Comparison) -> Picture {
    let units: Vec<&UnitFigures> = comparison.known().map(|(_, unit)| unit).collect();
    let levels: Vec<Vec<f64>> = units.iter().map(|unit| extent(unit)).collect();
    let all: Vec<&[f64]> = levels.iter().map(Vec::as_slice).collect();
    let aspect = chart::aspect_for(&all);
    let mut top = FIRST_PANEL_TOP;
    let mut panels = Vec::new();
    for (unit, levels) in units.iter().zip(&levels) {
        let axis = LevelAxis::new(chart::level_range(levels, aspect), aspect, &FREQUENCY, top);
        top = axis.bottom() + PANEL_GAP;
        panels.push(panel(unit, axis));
    }
    let cuts = panels.iter().any(|panel| panel.axis.range.cuts);
    let title = printable(&heading(comparison));
    let subtitle = subtitle(comparison);
    let mut picture = Picture {
        description: format!(
            "Units without and with their presets, from 20 Hz to 20 kHz, what is left against the number of sections, and figures with intervals. {title}. {subtitle}"
        ),
        title,
        subtitle: printable(&subtitle),
        panels,
        doubtful_hz: units.first().map_or_else(Vec::new, |unit| not_judged_hz(unit)),
        guard: None,
        bands_hz: Vec::new(),
        figures: Vec::new(),
        notes: super::notes::finished(
            vec![
                format!(
                    "Curves: averages less the target, smoothed by the ear's width, at the level of what is judged; the area holds every seating. Hatched: not judged. A decade is as long as {} dB.",
                    aspect.db_per_decade()
                ),
                "Left out: each seating in turn, fitted by the others. Dots: a figure; bars: its 90 % interval, unknown without a bar.".to_owned(),
                OF_SPECIMENS.to_owned(),
            ],
            cuts,
        ),
    };
    picture.figures = charts(&units, picture.figures_top());
    picture
}

/// The verdict without its reasons, and of which units too little is known.
fn subtitle(comparison: &Comparison) -> String {
    let sentences = sentences(comparison);
    let verdict = sentences.first().map_or("", String::as_str);
    let verdict = verdict.split(':').next().unwrap_or_default().trim_end_matches('.');
    let name = |place: &usize| comparison.units[*place].unit.as_str();
    let untold: Vec<&str> = comparison.verdict.untold.iter().map(name).collect();
    match untold.is_empty() || comparison.verdict.best.is_none() {
        true => verdict.to_owned(),
        false => format!("{verdict}; too little is known of {}", untold.join(", ")),
    }
}

fn points(curve: &OnGrid) -> Vec<(f64, f64)> {
    let at = |i: usize| (grid::frequency_hz()[i], curve.level_db[i]);
    curve.support.clone().map(at).collect()
}

/// Lowest and highest of all seatings with the sections.
fn band(unit: &UnitFigures) -> Vec<(f64, f64, f64)> {
    let at = |i: usize| {
        let takes = unit.curves.takes.iter().filter(|take| take.support.contains(&i));
        let mut levels = takes.map(|take| take.level_db[i]);
        let first = levels.next()?;
        let (low, high) = levels.fold((first, first), |(low, high), db| (low.min(db), high.max(db)));
        Some((grid::frequency_hz()[i], low, high))
    };
    (0..grid::POINTS).filter_map(at).collect()
}

fn extent(unit: &UnitFigures) -> Vec<f64> {
    let lines = [&unit.curves.before, &unit.curves.after].map(points);
    let lines = lines.into_iter().flatten().map(|(_, db)| db);
    lines.chain(band(unit).into_iter().flat_map(|(_, low, high)| [low, high])).collect()
}

fn panel(unit: &UnitFigures, axis: LevelAxis) -> Panel {
    let line = |name: &str, ink: Ink, curve: &OnGrid| Line::new(name, ink, points(curve));
    Panel {
        heading: format!("{}: level less the target, dB", chart::fitted(&printable(&unit.unit), 13.0, NAME_ROOM)),
        axis,
        areas: vec![Area {
            name: "every seating".into(),
            is_labelled: true,
            ink: Ink::Equalised,
            opacity: BAND_OPACITY,
            points: band(unit),
        }],
        lines: vec![
            line("without EQ", Ink::Measured, &unit.curves.before),
            line("with its preset", Ink::Equalised, &unit.curves.after),
        ],
        marks_zero: true,
    }
}

/// What is not judged, hertz.
fn not_judged_hz(unit: &UnitFigures) -> Vec<(f64, f64)> {
    let mut judged = vec![0.0; grid::POINTS];
    for i in &unit.curves.judged {
        judged[*i] = 1.0;
    }
    chart::doubtful_hz(grid::frequency_hz(), &judged, &(0..grid::POINTS))
}

fn charts(units: &[&UnitFigures], top: f64) -> Vec<FigureChart> {
    let lines = units.iter().enumerate().map(|(place, unit)| CountLine {
        name: printable(&unit.unit),
        ink: Ink::of_unit(place),
        values: unit.thrift.by_count.iter().map(|counted| counted.left_out_db).collect(),
    });
    let lines: Vec<CountLine> = lines.filter(|line| !line.values.is_empty()).collect();
    let mut charts = Vec::new();
    let mut top = top;
    if !lines.is_empty() {
        let most = lines.iter().flat_map(|line| &line.values).copied().fold(0.0, f64::max);
        let by_count = FigureChart {
            heading: "A seating left out, dB rms, against the most sections".into(),
            left: FREQUENCY.left,
            right: FREQUENCY.right,
            top,
            scale: Scale::for_most(most),
            content: Content::ByCount {
                height: COUNTS_HEIGHT,
                lines,
            },
        };
        top = by_count.bottom() + PANEL_GAP;
        charts.push(by_count);
    }
    type Of = fn(&UnitFigures) -> Option<Figure>;
    let figures: [(&str, Of); 3] = [
        ("Steadiness: left out, dB rms", |unit| Some(unit.steadiness.as_ref()?.left_out)),
        ("Sides: apart by, dB rms", |unit| Some(unit.sides.as_ref()?.apart)),
        ("Loudness: quieter by, dB", |unit| Some(unit.loudness.lost)),
    ];
    let width = (FREQUENCY.right - FREQUENCY.left - 2.0 * BESIDE) / 3.0;
    for (column, (heading, of)) in figures.into_iter().enumerate() {
        let rows: Vec<DotRow> = units
            .iter()
            .enumerate()
            .map(|(place, unit)| DotRow {
                name: printable(&unit.unit),
                ink: Ink::of_unit(place),
                value: of(unit).map(|figure| figure.value_db),
                interval: of(unit).and_then(|figure| figure.interval_db),
            })
            .collect();
        let largest = rows.iter().filter_map(|row| row.value).fold(0.0, f64::max);
        let reach = rows.iter().filter_map(|row| Some(row.interval?.1)).fold(largest, f64::max);
        let left = FREQUENCY.left + column as f64 * (width + BESIDE);
        charts.push(FigureChart {
            heading: heading.into(),
            left,
            right: left + width,
            top,
            scale: Scale::for_most(ROOM * reach.min(LONGEST * largest)),
            content: Content::Dots {
                rows,
                named: column == 2,
            },
        });
    }
    charts
}
