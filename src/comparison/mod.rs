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
pub mod verdict;

use rayon::prelude::*;

use crate::error::{Error, Result, Source};
use crate::fit::Stop;
use crate::job::{Opened, Prepared};
use crate::measurement::takes::Take;
use error::ComparisonFault;
pub use figures::UnitFigures;
pub use interval::Figure;
pub use verdict::{Pair, Verdict};

/// What was found of several units, in the order given.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// Name of the target.
    pub target: String,
    /// Name of the limits.
    pub limits: String,
    /// The figures of each unit, or why there are none.
    pub units: Vec<UnitOrError>,
    /// Every pair of units that have figures, by their places in `units`.
    pub pairs: Vec<Pair>,
    /// What it comes to.
    pub verdict: Verdict,
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
    /// What was found of the units, in this order, with what it comes to.
    fn of(target: String, limits: String, units: Vec<UnitOrError>) -> Self {
        let mut comparison = Self {
            target,
            limits,
            units,
            pairs: Vec::new(),
            verdict: Verdict::default(),
        };
        let known: Vec<(usize, &UnitFigures)> = comparison.known().collect();
        let pairs = verdict::pairs(&known);
        let verdict = verdict::verdict(&known, &pairs);
        (comparison.pairs, comparison.verdict) = (pairs, verdict);
        comparison
    }

    /// The units that have figures, with their places.
    pub fn known(&self) -> impl Iterator<Item = (usize, &UnitFigures)> {
        let units = self.units.iter().enumerate();
        units.filter_map(|(place, unit)| Some((place, unit.found.as_ref().ok()?)))
    }
}

/// Compares units that were opened for the same wish and limits. A unit that fails is told beside the others.
///
/// # Errors
/// `Setting` for fewer than two units, units of one name or with the same takes, or different rigs; `Coverage` with the error
/// of the first unit where all fail; `Stopped` when `stop` was asked.
pub fn compare(units: &[Opened], stop: &Stop) -> Result<Comparison> {
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
    let found: Vec<UnitOrError> = units
        .par_iter()
        .zip(prepared)
        .map(|(opened, prepared)| UnitOrError {
            unit: opened.measured.unit.clone(),
            found: prepared
                .and_then(|prepared| figures::of_unit(opened, &prepared, &distorted_hz, stop)),
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
    let target = units[0].wish.target.as_ref();
    let target = target.map_or_else(String::new, |target| target.name.clone());
    Ok(Comparison::of(target, units[0].limits.name.clone(), found))
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
