//! Which of several units takes EQ better.
//!
//! A unit takes EQ well where the preset works on every seat and ear, costs little, and leaves little that cannot be mended.
//! What a fit leaves on the takes it was made from does not tell: sections follow whatever these takes have in common by
//! chance. So each seating is left out in turn, the rest fitted, and the one left out judged ([`seatings`]).
//!
//! Figures are of these specimens and these seatings, and say nothing of others of the same make. Those that seatings repeat
//! have an interval ([`interval`]), the others their range over the seatings left out. There is no total: [`verdict`] names
//! a unit better only where it surely leads on steadiness and does not surely lose on sides or loudness.

pub mod band;
pub mod error;
pub mod figures;
pub mod interval;
pub mod rank;
pub mod seatings;
pub mod tally;
pub mod variants;
pub mod verdict;

use std::collections::BTreeMap;
use std::path::PathBuf;

use rayon::prelude::*;

use crate::error::{Error, Result, Source};
use crate::fit::Stop;
use crate::job::{Opened, Prepared};
use crate::measurement::takes::Take;
use crate::wanted::{Target, library};
use error::ComparisonFault;
pub use figures::UnitFigures;
pub use interval::Figure;
pub use tally::Tally;
pub use variants::Exchange;
use tally::Share;
pub use verdict::{Pair, Verdict};

/// What was found of several units, in the order given.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// Name of the target.
    pub target: String,
    /// Name of the limits.
    pub limits: String,
    /// Most sections of a preset.
    pub most_sections: usize,
    /// The figures of each unit, or why there are none.
    pub units: Vec<UnitOrError>,
    /// Every pair of units that have figures, by their places in `units`.
    pub pairs: Vec<Pair>,
    /// What it comes to.
    pub verdict: Verdict,
    /// What it comes to with other tables of the same target; empty where there are none.
    pub other_tables: Vec<OtherTable>,
    /// What exchanging one variant of a unit for another changes, for every two of them.
    pub exchanges: Vec<Exchange>,
}

/// What a comparison comes to with another table of its target.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OtherTable {
    /// Name of the table.
    pub target: String,
    /// The unit that is better than every other one by it, by its place.
    pub best: Option<usize>,
}

/// The figures of a unit, or why it has none.
#[derive(Debug, Clone)]
pub struct UnitOrError {
    /// Its name.
    pub unit: String,
    /// What was found.
    pub found: Result<UnitFigures>,
}

impl Comparison {
    /// With what the units come to in their present order.
    fn finished(mut self) -> Self {
        let known: Vec<(usize, &UnitFigures)> = self.known().collect();
        let pairs = verdict::pairs(&known);
        let verdict = verdict::verdict(&known, &pairs);
        let by_table = |table: usize| {
            let by_it = |unit: &UnitFigures| unit.by_table(table);
            let units: Vec<(usize, UnitFigures)> =
                known.iter().map(|(place, unit)| (*place, by_it(unit))).collect();
            let units: Vec<(usize, &UnitFigures)> =
                units.iter().map(|(place, unit)| (*place, unit)).collect();
            verdict::verdict(&units, &verdict::pairs(&units)).best
        };
        let bests: Vec<Option<usize>> = (0..self.other_tables.len()).map(by_table).collect();
        for (table, best) in self.other_tables.iter_mut().zip(bests) {
            table.best = best;
        }
        (self.pairs, self.verdict) = (pairs, verdict);
        self
    }

    /// The units that have figures, with their places.
    pub fn known(&self) -> impl Iterator<Item = (usize, &UnitFigures)> {
        let units = self.units.iter().enumerate();
        units.filter_map(|(place, unit)| Some((place, unit.found.as_ref().ok()?)))
    }
}

/// Compares units that were opened for the same wish and limits, and counts what is done in `tally`. A unit that fails is told
/// beside the others.
///
/// # Errors
/// `Setting` for fewer than two units, units of one name or with the same takes, or different rigs; `Coverage` with the error
/// of the first unit where all fail; `Stopped` when `stop` was asked.
pub fn compare(units: &[Opened], stop: &Stop, tally: &Tally) -> Result<Comparison> {
    refuse_incomparable(units)?;
    let prepared: Vec<Result<Prepared>> = units
        .par_iter()
        .map(|opened| Prepared::new(opened.measured.clone()))
        .collect();
    let rig = &units[0].measured.judging.rig;
    let distorted_hz: Vec<(f64, f64)> = prepared
        .iter()
        .filter_map(|unit| band::distorted_hz(unit.as_ref().ok()?.judged(), rig))
        .collect();
    let target = units[0].wish.target.as_ref();
    let target = target.map_or_else(String::new, |target| target.name.clone());
    let tables = library::other_tables(&target).into_iter();
    // Built-in tables stand on no file.
    let no_files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
    let tables: Result<Vec<Target>> = tables.map(|name| library::resolve(name, &no_files)).collect();
    let tables = tables?;
    let work: Vec<(&Opened, &Result<Prepared>, Share<'_>)> = units
        .iter()
        .zip(&prepared)
        .map(|(opened, prepared)| (opened, prepared, tally.share(figures::parts(&opened.limits, &tables))))
        .collect();
    let found: Vec<UnitOrError> = work
        .into_par_iter()
        .map(|(opened, prepared, share)| UnitOrError {
            unit: opened.measured.unit.clone(),
            found: match prepared {
                Ok(prepared) => {
                    figures::of_unit(opened, prepared, &tables, &distorted_hz, stop, &share)
                }
                Err(error) => Err(error.clone()),
            },
        })
        .collect();
    let first = found.iter().find_map(|unit| Some((unit, unit.found.as_ref().err()?)));
    if let Some((unit, error)) = first {
        if stop.is_asked() {
            return Err(error.clone());
        }
        if found.iter().all(|unit| unit.found.is_err()) {
            let fault = ComparisonFault::AllFail(found.len(), error.to_string());
            return Err(Error::of(fault, Source::name(&*unit.unit)));
        }
    }
    let exchanges = exchanges(units, &prepared, &found, &distorted_hz, stop, tally)?;
    let comparison = Comparison {
        target,
        limits: units[0].limits.name.clone(),
        most_sections: units[0].limits.available(),
        units: found,
        pairs: Vec::new(),
        verdict: Verdict::default(),
        other_tables: tables
            .into_iter()
            .map(|table| OtherTable {
                target: table.name,
                best: None,
            })
            .collect(),
        exchanges,
    };
    Ok(comparison.finished())
}

/// What exchanging a variant for another one of its unit changes, where both have figures.
fn exchanges(
    units: &[Opened],
    prepared: &[Result<Prepared>],
    found: &[UnitOrError],
    distorted_hz: &[(f64, f64)],
    stop: &Stop,
    tally: &Tally,
) -> Result<Vec<Exchange>> {
    let known: Vec<(&Opened, &Prepared)> = units
        .iter()
        .zip(prepared)
        .zip(found)
        .filter(|(_, found)| found.found.is_ok())
        .filter_map(|((opened, prepared), _)| Some((opened, prepared.as_ref().ok()?)))
        .collect();
    let family = |place: usize| variants::family(&known[place].0.measured.unit);
    let all_pairs = (0..known.len()).flat_map(|one| (one + 1..known.len()).map(move |other| (one, other)));
    let pairs: Vec<(usize, usize)> = all_pairs
        .filter(|(one, other)| family(*one).is_some() && family(*one) == family(*other))
        .collect();
    let share = tally.share(pairs.len());
    let exchanged: Result<Vec<Option<Exchange>>> = pairs
        .into_par_iter()
        .map(|(one, other)| {
            let exchange = variants::exchange([known[one], known[other]], distorted_hz, stop);
            share.done();
            exchange
        })
        .collect();
    Ok(exchanged?.into_iter().flatten().collect())
}

fn refuse_incomparable(units: &[Opened]) -> Result<()> {
    let refuse = |fault: ComparisonFault, unit: &Opened| {
        Err(Error::of(fault, Source::name(&*unit.measured.unit)))
    };
    let Some((first, others)) = units.split_first() else {
        return Err(Error::of(ComparisonFault::TooFew(0), Source::name("compare")));
    };
    if others.is_empty() {
        return Err(Error::of(ComparisonFault::TooFew(1), Source::name("compare")));
    }
    if first.wish.is_taste() {
        return refuse(ComparisonFault::NoTarget, first);
    }
    for (place, unit) in units.iter().enumerate() {
        let rig = &unit.measured.judging.rig;
        if *rig != first.measured.judging.rig {
            let first_rig = first.measured.judging.rig.name();
            return refuse(ComparisonFault::Rigs(rig.name(), first_rig), unit);
        }
        for before in &units[..place] {
            let (name, before_name) = (&unit.measured.unit, &before.measured.unit);
            if name == before_name {
                return refuse(ComparisonFault::SameName(name.clone()), unit);
            }
            let same = |one: &Take| {
                let mut takes = before.measured.takes.iter();
                takes.any(|other| other.on_grid == one.on_grid)
            };
            if unit.measured.takes.iter().all(same) {
                return refuse(ComparisonFault::SameTakes(before_name.clone()), unit);
            }
        }
    }
    Ok(())
}
