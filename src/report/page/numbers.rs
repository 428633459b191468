//! The numbers of a picture, for those who cannot see it or want to check it.

use crate::report::blocks::{Column, ColumnKind};
use crate::report::picture::figures::{Content, FigureChart};
use crate::report::picture::{Panel, Picture};
use crate::report::words::{decimals, frequency};
use crate::wanted::shown::THIRD_OCTAVES_HZ;

/// A table for each panel and chart, below what it shows.
pub(super) fn tables(picture: &Picture) -> Vec<(String, Vec<Column>)> {
    let panels = picture.panels.iter().map(|panel| (panel.heading.clone(), of_panel(panel)));
    let charts = picture.figures.iter().map(|chart| (chart.heading.clone(), of_chart(chart)));
    panels.chain(charts).collect()
}

/// The value at a frequency between two points, by straight line over log frequency; None outside or at a gap.
fn at_hz<P: Copy>(points: &[P], hz: f64, of: impl Fn(P) -> (f64, f64)) -> Option<f64> {
    // A grid of third octaves need not end at exactly 20 kHz.
    const CLOSE: f64 = 1.01;
    let above = points.iter().position(|point| of(*point).0 >= hz);
    let (low, high) = match above {
        Some(0) => (points.first()?, points.first()?),
        Some(above) => (&points[above - 1], &points[above]),
        None => (points.last()?, points.last()?),
    };
    let ((f0, v0), (f1, v1)) = (of(*low), of(*high));
    if hz < f0 / CLOSE || hz > f1 * CLOSE {
        return None;
    }
    let share = if f1 > f0 { (hz / f0).ln() / (f1 / f0).ln() } else { 0.0 };
    let value = v0 + share * (v1 - v0);
    value.is_finite().then_some(value)
}

fn of_panel(panel: &Panel) -> Vec<Column> {
    let cells = |of: &dyn Fn(f64) -> Option<f64>| -> Vec<String> {
        let cell = |hz: &f64| of(*hz).map_or_else(|| "-".to_owned(), |db| decimals(db, 2));
        THIRD_OCTAVES_HZ.iter().map(cell).collect()
    };
    let mut columns = vec![Column::new(
        ColumnKind::Words,
        "frequency",
        THIRD_OCTAVES_HZ.iter().map(|hz| frequency(*hz)),
    )];
    for line in panel.lines.iter().filter(|line| !line.name.is_empty()) {
        let of = |hz: f64| at_hz(&line.points, hz, |point| point);
        columns.push(Column::new(ColumnKind::Numbers, &line.name, cells(&of)));
    }
    for area in panel.areas.iter().filter(|area| !area.name.is_empty()) {
        for (end, which) in [("low", 0), ("high", 1)] {
            let of = |hz: f64| {
                at_hz(&area.points, hz, |(f, one, other)| {
                    let value = if which == 0 { one.min(other) } else { one.max(other) };
                    (f, value)
                })
            };
            let head = format!("{}, {end}", area.name);
            columns.push(Column::new(ColumnKind::Numbers, &head, cells(&of)));
        }
    }
    columns
}

fn of_chart(chart: &FigureChart) -> Vec<Column> {
    let number = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| decimals(value, 3));
    match &chart.content {
        Content::ByCount { lines, .. } => {
            let most = lines.iter().map(|line| line.values.len()).max().unwrap_or(0);
            let counts = (1..=most).map(|count| count.to_string());
            let mut columns = vec![Column::new(ColumnKind::Numbers, "sections", counts)];
            for line in lines {
                let cells = (0..most).map(|k| number(line.values.get(k).copied()));
                columns.push(Column::new(ColumnKind::Numbers, &line.name, cells));
            }
            columns
        }
        Content::Dots { rows, .. } => vec![
            Column::new(ColumnKind::Words, "unit", rows.iter().map(|row| row.name.clone())),
            Column::new(ColumnKind::Numbers, "figure", rows.iter().map(|row| number(row.value))),
            Column::new(
                ColumnKind::Numbers,
                "from",
                rows.iter().map(|row| number(row.interval.map(|interval| interval.0))),
            ),
            Column::new(
                ColumnKind::Numbers,
                "to",
                rows.iter().map(|row| number(row.interval.map(|interval| interval.1))),
            ),
        ],
    }
}
