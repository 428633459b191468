//! What text, document and picture of a comparison say in the same words.

use crate::comparison::figures::{UnitFigures, Why};
use crate::comparison::interval::FEWEST;
use crate::comparison::{Comparison, Exchange, OtherTable, Pair, Verdict, verdict::Lead};
use crate::cost::exposure::HARMFUL_DBA;
use crate::report::words::{band, count, decimals, frequency, signed_decimals};

/// What the figures are of.
pub const OF_SPECIMENS: &str = "All of this is true of these specimens, not of others of their make.";

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
