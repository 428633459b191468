//! What a comparison of units shows: one table of figures, what it comes to, and what to know of it.

use crate::comparison::figures::{Place, UnitFigures, Why};
use crate::comparison::interval::{FEWEST, Figure};
use crate::comparison::{Comparison, Exchange, OtherTable, Pair, Verdict, verdict::Lead};
use crate::cost::exposure::HARMFUL_DBA;
use crate::report::blocks::ColumnKind::{Numbers, Words};
use crate::report::blocks::{Block, Column, Part, Report};
use crate::report::files::WrittenFile;
use crate::report::words::{band, count, decimals, frequency, signed_decimals};

/// A report for each target; the last names the `files` that were written.
#[must_use]
pub fn reports(comparisons: &[Comparison], files: &[WrittenFile]) -> Vec<Report> {
    let mut reports: Vec<Report> = comparisons.iter().map(report).collect();
    if let Some(last) = reports.pop() {
        reports.push(last.with_files(files));
    }
    reports
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

/// What is compared.
#[must_use]
pub fn heading(comparison: &Comparison) -> String {
    format!(
        "{} toward {}, within {}, {} at most",
        count(comparison.units.len(), "unit", "units"),
        comparison.target,
        comparison.limits,
        comparison.most_sections
    )
}

/// What to know before the figures.
#[must_use]
pub fn cautions(comparison: &Comparison) -> Vec<String> {
    let failed = comparison.units.iter().filter_map(|unit| {
        let error = unit.found.as_ref().err()?.worded(&crate::knob::plain);
        Some(format!(
            "{} has no figures: found {}; expected {}; {}.",
            unit.unit, error.found, error.expected, error.next_step
        ))
    });
    let loud = comparison.known().any(|(_, unit)| {
        let most_dba = unit.level.most_dba;
        most_dba.is_some_and(|most_dba| most_dba > HARMFUL_DBA)
    });
    let loud = loud.then(|| {
        format!("the level is the most that there is, not one to listen at: above {HARMFUL_DBA} dBA sound harms hearing within hours. Local rules and a hearing professional come first.")
    });
    failed.chain(loud).collect()
}

/// What the figures are.
const EXPLAINED: &str = "Errors are rms over 100 Hz to 8 kHz without the coupler's resonance, smoothed by the ear's width, level free. Left out: each seating in turn, fitted by the others; in brackets the 90 % interval, which needs 3 seatings a side.";

/// What the figures are of.
pub const OF_SPECIMENS: &str = "All of this is true of these specimens, not of others of their make.";

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

/// The verdict in sentences.
#[must_use]
pub fn sentences(comparison: &Comparison) -> Vec<String> {
    let name = |place: usize| comparison.units[place].unit.as_str();
    let Verdict { best, untold } = &comparison.verdict;
    let mut sentences = Vec::new();
    let told = comparison.known().count() - untold.len();
    if let Some(place) = best {
        sentences.push(format!(
            "{} takes EQ better{}: seatings that the fit has not seen are left with less, and it loses neither on what its sides differ in nor on loudness.",
            name(*place),
            if told > 2 { " than every other one" } else { "" }
        ));
    } else if told > 1 {
        sentences.push("No unit takes EQ better than every other one.".to_owned());
    }
    if !untold.is_empty() {
        let names: Vec<&str> = untold.iter().map(|place| name(*place)).collect();
        sentences.push(format!(
            "Too little is known of {}: {FEWEST} sound seatings a side are needed to tell what another one would be left with.",
            names.join("; ")
        ));
    }
    let known = comparison.known().count();
    let is_told = |pair: &&Pair| pair.steadiness.lead != Lead::Unknown;
    if known <= 4 {
        let pairs = comparison.pairs.iter().filter(is_told);
        sentences.extend(pairs.map(|pair| pair_sentence(comparison, pair)));
    }
    for (_, unit) in comparison.known() {
        sentences.extend(faults(unit));
    }
    sentences.extend(other_tables(comparison));
    sentences.extend(comparison.exchanges.iter().map(exchange_sentence));
    sentences
}

/// Whether other tables of the same target tell the same; nothing where there are none, or too little is known anyway.
fn other_tables(comparison: &Comparison) -> Vec<String> {
    let told = comparison.known().count() - comparison.verdict.untold.len();
    if comparison.other_tables.is_empty() || told < 2 {
        return Vec::new();
    }
    let turned = |table: &&OtherTable| table.best != comparison.verdict.best;
    let words = |table: &OtherTable| {
        let best = table.best.map(|place| comparison.units[place].unit.as_str());
        format!(
            "Another table of the same target tells otherwise: toward {} {} takes EQ better than every other unit.",
            table.target,
            best.unwrap_or("none")
        )
    };
    let turned: Vec<String> = comparison.other_tables.iter().filter(turned).map(words).collect();
    if !turned.is_empty() {
        return turned;
    }
    let names: Vec<&str> = comparison.other_tables.iter().map(|table| table.target.as_str()).collect();
    vec![format!("Other tables of the same target tell the same: {}.", names.join(", "))]
}

/// Whether the part that two variants differ in is worth carrying.
fn exchange_sentence(found: &Exchange) -> String {
    let unsure = found.unsure_db.map(|db| format!(", unsure by {} dB", decimals(db, 2)));
    let changes = format!(
        "From {} to {}: a change of {} dB rms, at most {} dB at {}{}.",
        found.one,
        found.other,
        decimals(found.changes_db, 2),
        signed_decimals(found.most_db, 1),
        frequency(found.most_hz),
        unsure.unwrap_or_default()
    );
    let left = format!(
        "Three sections on the one leave {} dB of it and play {} dB quieter, on the other {} dB of the way back and {} dB quieter",
        decimals(found.left_on_one_db, 2),
        decimals(found.quieter_on_one_db, 1),
        decimals(found.left_on_other_db, 2),
        decimals(found.quieter_on_other_db, 1)
    );
    let worth = match found.sections_do_the_same() {
        true => "for its sound alone the part is not worth carrying",
        false => "the part does what they do not",
    };
    format!("{changes} {left}: {worth}.")
}

fn pair_sentence(comparison: &Comparison, pair: &Pair) -> String {
    let name = |place: usize| comparison.units[place].unit.as_str();
    let (one, other) = (name(pair.one), name(pair.other));
    let figures = [
        (&pair.steadiness, "what a seating left out is left with"),
        (&pair.sides, "what left and right differ in"),
        (&pair.loudness, "loudness"),
    ];
    let of = |lead: Lead| -> Vec<String> {
        let led = figures.iter().filter(|(compared, _)| compared.lead == lead);
        led.map(|(compared, what)| match compared.difference {
            Some(found) if matches!(lead, Lead::One | Lead::Other) => {
                format!("{what} (by {} dB)", decimals(found.value_db.abs(), 2))
            }
            _ => (*what).to_owned(),
        })
        .collect()
    };
    let joined = |parts: &[String]| parts.join(" and ");
    let mut clauses = Vec::new();
    for (lead, leader) in [(Lead::One, one), (Lead::Other, other)] {
        let parts = of(lead);
        if !parts.is_empty() {
            clauses.push(format!("{leader} is better in {}", joined(&parts)));
        }
    }
    let ties = of(Lead::Tie);
    if !ties.is_empty() {
        clauses.push(format!("they tie in {}", joined(&ties)));
    }
    let unknown = of(Lead::Unknown);
    if !unknown.is_empty() {
        clauses.push(format!("unknown is {}", joined(&unknown)));
    }
    format!("{one} and {other}: {}.", clauses.join("; "))
}

/// What speaks against a unit, each in a sentence.
fn faults(unit: &UnitFigures) -> Vec<String> {
    let mut faults = Vec::new();
    let name = &unit.unit;
    if unit.seal.leaking > 0 {
        faults.push(format!("{} of {} seatings leaked", unit.seal.leaking, unit.seal.of));
    }
    let places: Vec<String> = unit
        .beyond_eq
        .places
        .iter()
        .filter(|place| place.wanted_db.abs() >= 1.0)
        .map(|place| match place.why {
            Why::Delay => format!("no section mends {} (excess delay)", band(place.from_hz, place.to_hz)),
            Why::Wanders => format!("what is at {} moves with the seat", band(place.from_hz, place.to_hz)),
        })
        .collect();
    faults.extend(places);
    if let (Some(percent), Some(hz)) = (unit.strain.percent, unit.strain.at_hz)
        && percent >= 1.0
    {
        faults.push(format!("{} % distortion at {}", decimals(percent, 1), frequency(hz)));
    }
    match faults.is_empty() {
        true => Vec::new(),
        false => vec![format!("{name}: {}.", faults.join("; "))],
    }
}
