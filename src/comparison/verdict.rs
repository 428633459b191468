//! Which unit takes EQ better, where that can be told.
//!
//! Two units differ in a figure where the 90 % interval of the difference leaves out 0 and the difference is one that can be
//! heard; else they tie in it. One unit is better than another where it leads on steadiness and does not lose on what its
//! sides differ in or on loudness. There is no total.

use super::figures::UnitFigures;
use super::interval::{Difference, Figure};

/// Differences that count, dB: of an error, of what sides differ in, of loudness. Our choice: smaller ones are not heard, and
/// one decibel of loudness is also what presets differ by that are as good as each other.
pub const HEARD_DB: [f64; 3] = [0.1, 0.2, 1.0];

/// Who leads in a figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Lead {
    /// The one.
    One,
    /// The other.
    Other,
    /// Neither: the difference is not sure, or too small to be heard.
    Tie,
    /// It cannot be told: a figure or its interval is missing.
    Unknown,
}

/// One figure of two units.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Compared {
    /// The one's figure less the other's; none (`null`) where one has none.
    pub difference: Option<Difference>,
    /// Who leads: the lower figure is the better one.
    pub lead: Lead,
}

/// Two units.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Pair {
    /// Place of the one, from 0.
    pub one: usize,
    /// Place of the other.
    pub other: usize,
    /// The typical error of a seating left out.
    pub steadiness: Compared,
    /// What left and right differ in.
    pub sides: Compared,
    /// What the preset costs in loudness.
    pub loudness: Compared,
    /// Place of the one that is better; none (`null`) where neither is.
    pub better: Option<usize>,
}

/// What a comparison comes to; units by their places.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Verdict {
    /// The unit that is better than every other one that can be told of, where there are two or more of these.
    pub best: Option<usize>,
    /// The units of which too little is known: they have no interval of their steadiness.
    pub untold: Vec<usize>,
}

fn compared(one: Option<&Figure>, other: Option<&Figure>, heard_db: f64) -> Compared {
    let difference = one.zip(other).map(|(one, other)| one.less(other));
    let lead = match difference.and_then(|found| Some((found.value_db, found.interval_db?))) {
        None => Lead::Unknown,
        Some((value_db, _)) if value_db.abs() < heard_db => Lead::Tie,
        Some((_, (lowest_db, _))) if lowest_db > 0.0 => Lead::Other,
        Some((_, (_, highest_db))) if highest_db < 0.0 => Lead::One,
        Some(_) => Lead::Tie,
    };
    Compared { difference, lead }
}

/// Every pair of units, each with its place.
#[must_use]
pub fn pairs(units: &[(usize, &UnitFigures)]) -> Vec<Pair> {
    let mut pairs = Vec::new();
    for (index, (one, a)) in units.iter().enumerate() {
        for (other, b) in &units[index + 1..] {
            let of = |figure: fn(&UnitFigures) -> Option<&Figure>, heard_db: f64| {
                compared(figure(a), figure(b), heard_db)
            };
            let steadiness = of(
                |unit| unit.steadiness.as_ref().map(|found| &found.left_out),
                HEARD_DB[0],
            );
            let sides = of(|unit| unit.sides.as_ref().map(|sides| &sides.apart), HEARD_DB[1]);
            let loudness = of(|unit| Some(&unit.loudness.lost), HEARD_DB[2]);
            let loses = |to: Lead| sides.lead == to || loudness.lead == to;
            let better = match steadiness.lead {
                Lead::One if !loses(Lead::Other) => Some(*one),
                Lead::Other if !loses(Lead::One) => Some(*other),
                _ => None,
            };
            pairs.push(Pair {
                one: *one,
                other: *other,
                steadiness,
                sides,
                loudness,
                better,
            });
        }
    }
    pairs
}

/// What the pairs come to.
#[must_use]
pub fn verdict(units: &[(usize, &UnitFigures)], pairs: &[Pair]) -> Verdict {
    let is_told = |unit: &UnitFigures| {
        let steadiness = unit.steadiness.as_ref();
        steadiness.is_some_and(|found| found.left_out.error.is_some())
    };
    let places = |told: bool| -> Vec<usize> {
        let units = units.iter().filter(|(_, unit)| is_told(unit) == told);
        units.map(|(place, _)| *place).collect()
    };
    let told = places(true);
    let beats_all = |place: &&usize| {
        let won = pairs.iter().filter(|pair| pair.better == Some(**place)).count();
        told.len() > 1 && won == told.len() - 1
    };
    Verdict {
        best: told.iter().find(beats_all).copied(),
        untold: places(false),
    }
}
