//! Two variants of one unit: what the one part changes against the other, and whether a few sections do the same.
//!
//! Variants are units whose names are the same up to a comma, as `Name, wool insert` and `Name, mesh insert`.

use super::band::{self, Band};
use super::seatings::{Asked, levels_db};
use crate::error::Result;
use crate::fit::{Effort, Stop};
use crate::job::{Opened, Prepared, Wish};
use crate::measurement::grid::{self, OnGrid};
use crate::wanted::Target;

/// The few sections, as many as are soon typed into any equaliser. Our choice.
pub const FEW: usize = 3;
/// What a few sections may leave to do the same as the part, dB rms. Our choice: the error that sections are counted for.
pub const THE_SAME_DB: f64 = 0.5;

/// What exchanging the one variant for the other changes, judged where units are, its level removed.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Exchange {
    /// Name of the one.
    pub one: String,
    /// Name of the other.
    pub other: String,
    /// The other's average less the one's, dB rms.
    pub changes_db: f64,
    /// Its largest part, dB with its sign.
    pub most_db: f64,
    /// Where that is, Hz.
    pub most_hz: f64,
    /// The standard error of the change by the spread of the seatings, dB rms; none (`null`) where one has a single take.
    pub unsure_db: Option<f64>,
    /// What three sections on the one leave of the change, dB rms.
    pub left_on_one_db: f64,
    /// What three sections on the other leave of the way back, dB rms.
    pub left_on_other_db: f64,
    /// How much quieter the one plays with them and their preamp, dB.
    pub quieter_on_one_db: f64,
    /// How much quieter the other plays with them and their preamp, dB.
    pub quieter_on_other_db: f64,
}

impl Exchange {
    /// Whether a few sections do the same as the part, whichever one has.
    #[must_use]
    pub fn sections_do_the_same(&self) -> bool {
        self.left_on_one_db.max(self.left_on_other_db) <= THE_SAME_DB
    }
}

/// The name of the unit that a variant is one of; None for a name without a comma.
#[must_use]
pub fn family(name: &str) -> Option<&str> {
    name.split_once(',').map(|(family, _)| family.trim())
}

/// What exchanging `one` for `other` changes, without what lies in `distorted_hz`. None where they cover nothing in common.
///
/// # Errors
/// `Stopped`; whatever the fits refuse, but for an answer that no section helps.
pub(super) fn exchange(
    [one, other]: [(&Opened, &Prepared); 2],
    distorted_hz: &[(f64, f64)],
    stop: &Stop,
) -> Result<Option<Exchange>> {
    let own = one.1.judged().average.on_grid.clone();
    let its = other.1.judged().average.on_grid.clone();
    let no_sections = vec![0.0; own.level_db.len()];
    let support = grid::intersection(&own.support, &its.support);
    let band = Band::new(&support, distorted_hz, None);
    let change = band::error_db(
        &OnGrid {
            support,
            ..its.clone()
        },
        &no_sections,
        &own.level_db,
    );
    let level_db = band::mean_db(&change, &band.points);
    let Some(found) = band::figures(&change, &band.points, level_db) else {
        return Ok(None);
    };
    let at = |i: &usize| change.level_db[*i] - level_db;
    let lowest = band.points.iter().min_by(|a, b| at(a).total_cmp(&at(b)));
    let most = match lowest {
        Some(i) if -at(i) > found.largest_db => {
            (at(i), grid::frequency_hz()[*i])
        }
        _ => (found.largest_db, found.largest_hz),
    };
    let left = |(from, prepared): (&Opened, &Prepared), to: (&Opened, &OnGrid)| -> Result<(f64, f64)> {
        let target = Target::of_curve(&to.0.measured.unit, "the average of its takes", to.1.clone());
        let few = from.limits.with_sections(FEW.min(from.limits.available()))?;
        let wish = Wish::toward(target);
        let asked = Asked {
            measured: &from.measured,
            prepared,
            wish: &wish,
            limits: &few,
            stop,
        };
        let outcome = asked.fitted(&wish, &few, Effort::Normal)?;
        let sections_db = levels_db(&outcome.channels[0].sections, few.rates_hz[0]);
        let average = &prepared.judged().average.on_grid;
        let error = band::error_db(average, &sections_db, &to.1.level_db);
        let left_db = band::rms_db(&error, &band.points).unwrap_or(0.0);
        Ok((left_db, -outcome.shared.heard.total_db))
    };
    let of_mean_db2 = [one, other].map(|(_, prepared)| {
        let judged = prepared.judged();
        let spread_db = judged.average.spread_db.as_ref()?;
        let kept = judged.takes.iter().filter(|take| !take.set_aside).count();
        let squares: f64 = band.points.iter().map(|i| spread_db[*i].powi(2)).sum();
        Some(squares / (band.points.len() * kept) as f64)
    });
    let (left_on_one_db, quieter_on_one_db) = left(one, (other.0, &its))?;
    let (left_on_other_db, quieter_on_other_db) = left(other, (one.0, &own))?;
    Ok(Some(Exchange {
        one: one.0.measured.unit.clone(),
        other: other.0.measured.unit.clone(),
        changes_db: found.rms_db,
        most_db: most.0,
        most_hz: most.1,
        unsure_db: of_mean_db2[0].zip(of_mean_db2[1]).map(|(a, b)| (a + b).sqrt()),
        left_on_one_db,
        left_on_other_db,
        quieter_on_one_db,
        quieter_on_other_db,
    }))
}
