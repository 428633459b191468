//! What a comparison of units shows: one table of figures, what it comes to, and what to know of it.

use crate::comparison::Comparison;
use crate::comparison::figures::{Place, UnitFigures, Why};
use crate::comparison::interval::Figure;
use crate::report::blocks::ColumnKind::{Numbers, Words};
use crate::report::blocks::{Block, Column, Part, Report};
use crate::report::compare_text::{OF_SPECIMENS, cautions, heading, sentences};
use crate::report::figures::made::{self, Made};
use crate::report::files::WrittenFile;
use crate::report::picture::compare::compare_picture;
use crate::report::words::{band, decimals, frequency, signed_decimals};

/// A report for each target; the last names the `files` that were written.
#[must_use]
pub fn reports(comparisons: &[Comparison], files: &[WrittenFile]) -> Vec<Report> {
    let mut reports: Vec<Report> = comparisons.iter().map(report).collect();
    if let Some(last) = reports.pop() {
        reports.push(last.with_files(files));
    }
    reports
}

/// The same for a page, with pictures and how it was made.
#[must_use]
pub fn pages(comparisons: &[Comparison], made: &Made) -> Vec<Report> {
    let page = |comparison| report(comparison).with_pictures(vec![compare_picture(comparison)]);
    let mut pages: Vec<Report> = comparisons.iter().map(page).collect();
    if let Some(last) = pages.last_mut() {
        last.parts.push(made::part(made));
    }
    pages
}

fn report(comparison: &Comparison) -> Report {
    let units: Vec<&UnitFigures> = comparison.known().map(|(_, unit)| unit).collect();
    let mut report = Report::new(heading(comparison));
    report.cautions = cautions(comparison).into_iter().map(Into::into).collect();
    report.parts = vec![
        Part::without_head([Block::table_across(figures(&units))]),
        Part::new("What it comes to", sentences(comparison).into_iter().map(Block::paragraph).collect::<Vec<_>>()),
        Part::without_head([Block::paragraph(format!("{EXPLAINED} {OF_SPECIMENS}"))]),
        by_count(&units).detail(),
        beyond(&units).detail(),
    ];
    report
}

/// What the figures are.
const EXPLAINED: &str = "Errors are rms over 100 Hz to 8 kHz without the coupler's resonance, smoothed by the ear's width, level free. Left out: each seating in turn, fitted by the others; in brackets the 90 % interval, which needs 3 seatings a side and, for sides and loudness, none that stands out.";

/// A figure with its interval, or with a word that there is none.
fn figure(figure: &Figure) -> String {
    match figure.interval_db {
        Some((low_db, high_db)) => format!(
            "{} ({}-{})",
            decimals(figure.value_db, 2),
            decimals(low_db, 2),
            decimals(high_db, 2)
        ),
        None => format!("{} (unknown)", decimals(figure.value_db, 2)),
    }
}

fn or_unknown(words: Option<String>) -> String {
    words.unwrap_or_else(|| "unknown".to_owned())
}

fn percent(share: f64) -> String {
    format!("{} %", decimals(100.0 * share, 0))
}

/// One row a figure, in the order of their weight.
fn figures(units: &[&UnitFigures]) -> Vec<Column> {
    let at_source = units.iter().any(|unit| unit.level.source.is_some());
    let level = if at_source { "Level: most, dBA" } else { "Level: most at 1 V, dBA" };
    let row = |head: &str, of: &dyn Fn(&UnitFigures) -> String| {
        Column::new(Words, head, units.iter().map(|unit| of(unit)))
    };
    let part = |head: &str, of: &dyn Fn(&UnitFigures) -> String| Column {
        depth: 1,
        ..row(head, of)
    };
    vec![
        row("", &|unit| unit.unit.clone()),
        row("Seal: seatings leaked", &|unit| format!("{} of {}", unit.seal.leaking, unit.seal.of)),
        part("spread 20-100 Hz, dB", &|unit| {
            or_unknown(unit.seal.spread_db.map(|db| decimals(db, 2)))
        }),
        row("Steadiness: left out, dB", &|unit| {
            or_unknown(unit.steadiness.as_ref().map(|found| figure(&found.left_out)))
        }),
        part("at the resonance, dB", &|unit| {
            let apart = unit.steadiness.as_ref().and_then(|found| found.apart);
            or_unknown(apart.map(|apart| decimals(apart.value_db, 1)))
        }),
        row("Tail: worst left out, dB", &|unit| {
            or_unknown(unit.tail.as_ref().map(|tail| decimals(tail.error_db, 2)))
        }),
        part("within 1 dB, 3 dB", &|unit| {
            or_unknown(unit.tail.as_ref().map(|tail| {
                format!("{}, {}", percent(tail.within_1_db_share), percent(tail.within_3_db_share))
            }))
        }),
        part("too loud at most", &|unit| {
            or_unknown(unit.tail.as_ref().map(|tail| {
                format!("{} dB, {}", signed_decimals(tail.loudest_db, 1), frequency(tail.loudest_hz))
            }))
        }),
        row("Sides: apart by, dB", &|unit| {
            or_unknown(unit.sides.as_ref().map(|sides| figure(&sides.apart)))
        }),
        part("one EQ, one each, dB", &|unit| {
            or_unknown(unit.sides.as_ref().map(|sides| {
                let two = or_unknown(sides.with_two_db.map(|db| decimals(db, 2)));
                format!("{}, {two}", decimals(sides.with_one_db, 2))
            }))
        }),
        row("Other ears: 5-16 kHz, dB", &|unit| match &unit.other_ears {
            Some(ears) => format!("{}, worst {}", decimals(ears.mean_db, 1), decimals(ears.worst_db, 1)),
            None => "not asked".to_owned(),
        }),
        row("Loudness: quieter by, dB", &|unit| figure(&unit.loudness.lost)),
        part("for each dB removed", &|unit| {
            let per = unit.loudness.per_removed_db.map(|db| decimals(db, 1));
            per.unwrap_or_else(|| "nothing removed".to_owned())
        }),
        row("Thrift: sections", &|unit| unit.preset.sections.to_string()),
        part("for 0.5 dB, for 1 dB", &|unit| {
            let fewest = |of: Option<usize>| of.map_or_else(|| "none".to_owned(), |n| n.to_string());
            match unit.thrift.by_count.is_empty() {
                true => "unknown".to_owned(),
                false => {
                    let thrift = &unit.thrift;
                    format!("{}, {}", fewest(thrift.for_half_db), fewest(thrift.for_one_db))
                }
            }
        }),
        row(level, &|unit| or_unknown(unit.level.most_dba.map(|dba| decimals(dba, 0)))),
        part("room of the source, dB", &|unit| {
            or_unknown(unit.level.source_margin_db.map(|db| signed_decimals(db, 1)))
        }),
        row("Strain: distortion", &|unit| match (unit.strain.percent, unit.strain.at_hz) {
            (Some(percent), Some(hz)) => format!("{} %, {}", decimals(percent, 2), frequency(hz)),
            _ => "not measured".to_owned(),
        }),
        row("Narrowness: q above 3", &|unit| percent(unit.narrowness.share)),
        part("without those, dB", &|unit| decimals(unit.narrowness.without_db, 2)),
        row("Beyond EQ", &|unit| percent(unit.beyond_eq.share)),
    ]
}

/// What is left against the number of sections.
fn by_count(units: &[&UnitFigures]) -> Part {
    let most = units.iter().map(|unit| unit.thrift.by_count.len()).max().unwrap_or(0);
    let counts = (1..=most).map(|n| n.to_string());
    let mut columns = vec![Column::new(Numbers, "sections", counts)];
    for unit in units {
        let cells = (0..most).map(|k| {
            let counted = unit.thrift.by_count.get(k);
            counted.map_or_else(|| "-".to_owned(), |counted| decimals(counted.left_out_db, 2))
        });
        columns.push(Column::new(Numbers, &unit.unit, cells));
    }
    Part::new("Left out against sections, dB", [Block::table(columns)])
}

/// Where no section helps.
fn beyond(units: &[&UnitFigures]) -> Part {
    let of_unit = |unit: &&UnitFigures| {
        unit.beyond_eq
            .places
            .iter()
            .map(|place| (unit.unit.clone(), *place))
            .collect::<Vec<(String, Place)>>()
    };
    let places: Vec<(String, Place)> = units.iter().flat_map(of_unit).collect();
    if places.is_empty() {
        return Part::new("Beyond EQ", [Block::paragraph("Nothing was found that no section mends.")]);
    }
    let why = |place: &Place| match place.why {
        Why::Delay => "excess delay",
        Why::Wanders => "moves with the seat",
    };
    let columns = [
        Column::new(Words, "unit", places.iter().map(|(unit, _)| unit.clone())),
        Column::new(Words, "where", places.iter().map(|(_, at)| band(at.from_hz, at.to_hz))),
        Column::new(Numbers, "wanted dB", places.iter().map(|(_, at)| signed_decimals(at.wanted_db, 1))),
        Column::new(Words, "why", places.iter().map(|(_, at)| why(at).to_owned())),
    ];
    Part::new("Beyond EQ", [Block::table(columns)])
}
