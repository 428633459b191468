//! The takes of before and after, judged, and by how much they can differ by chance.

use std::ops::Range;

use nalgebra::DMatrix;

use super::error::VerifyFault;
use super::noise::{self, Deviations, Noise, points};
use super::seat;
use crate::error::{Error, Knob, Result};
use crate::filter::{Section, cascade};
use crate::measurement::error::MeasurementFault;
use crate::measurement::grid::{self, OnGrid, POINTS, POINTS_PER_OCTAVE, frequency_hz};
use crate::measurement::impedance::ImpedanceByFrequency;
use crate::measurement::judge::{Judged, Settings, judge};
use crate::measurement::rig::TRUSTED;
use crate::measurement::takes::{Side, Take, offset_db};

/// Standard error of a level that two sessions share, dB: another day's seating (our own choice).
const LEVEL_ERROR_DB: f64 = 0.4;

/// Takes of both sessions, and how to judge them.
#[derive(Debug, Clone, PartialEq)]
pub struct Remeasurement {
    /// Takes without the sheet.
    pub before: Vec<Take>,
    /// Takes with it.
    pub after: Vec<Take>,
    /// How takes are judged; its rig says where they are believed.
    pub judging: Settings,
    /// The rate that the equaliser runs at, hertz, one of the sheet's; None: the first.
    pub rate_hz: Option<f64>,
    /// Whether levels of before and after compare, so that the preamp shows.
    pub same_level: bool,
    /// Deviation that the promise may have in any third octave, dB, above 0.
    pub tolerance_db: f64,
    /// The unit's impedance, where it is known: it tells what another source does.
    pub impedance: Option<ImpedanceByFrequency>,
}

/// The change of one side.
pub(super) struct SideChange {
    pub side: Side,
    /// Mean after less mean before, by grid point, dB.
    pub db: Vec<f64>,
    /// Mean before, by grid point, dB.
    pub before_db: Vec<f64>,
    /// What averaging leaves of one take's variance: `1/n + 1/m`.
    pub means: f64,
    /// Takes in the means, before and after.
    pub takes: (usize, usize),
}

/// The takes of both sessions, judged, and what they share.
pub(super) struct Sessions<'a> {
    pub request: &'a Remeasurement,
    pub before: Judged,
    pub after: Judged,
    /// What both cover, by grid point.
    pub support: Range<usize>,
    /// The grid points that are judged.
    pub at: Vec<usize>,
    pub trust: Vec<f64>,
    pub noise: Noise,
    pub sides: Vec<SideChange>,
}

impl<'a> Sessions<'a> {
    /// Judges both.
    ///
    /// # Errors
    /// As [`judge`]; `Coverage` where they share no side, or too little that can be believed.
    pub fn new(request: &'a Remeasurement) -> Result<Self> {
        let session = |takes: &[Take], session: Knob| {
            let named = |error: Box<Error>| match error.fault() {
                Some(MeasurementFault::NoTakes) => error.about(session),
                _ => error,
            };
            judge(takes, &request.judging).map_err(named)
        };
        let before = session(&request.before, Knob::Before)?;
        let after = session(&request.after, Knob::After)?;
        let support = grid::intersection(
            &before.average.on_grid.support,
            &after.average.on_grid.support,
        );
        let trust = request.judging.rig.trust_on_grid();
        let at = points(&support, &trust, TRUSTED);
        if at.len() < POINTS_PER_OCTAVE / noise::STRIDE {
            return Err(Error::of(VerifyFault::Apart, Knob::After));
        }
        let sides = side_changes(&before, &after)?;
        let deviations = deviations(request, &before, &after, &support);
        let mut sessions = Self {
            noise: Noise::of_takes(&deviations, &support, &at, None),
            request,
            before,
            after,
            support,
            at,
            trust,
            sides,
        };
        sessions.noise.seat_db_per_mm = sessions.seat_db_per_mm();
        Ok(sessions)
    }

    /// The coupler's resonance, hertz, before where it was found there: so the curve before has it.
    pub fn resonance_hz(&self) -> Option<f64> {
        let found = self.before.resonance.as_ref();
        let found = found.or(self.after.resonance.as_ref());
        found.map(|r| r.frequency_hz)
    }

    /// What a seat deeper by a millimetre does to the mean of the sides before, by grid point, dB.
    fn seat_db_per_mm(&self) -> Option<Vec<f64>> {
        const STEP_MM: f64 = 0.2;
        let resonance_hz = self.resonance_hz()?;
        let before = &self.before.average.on_grid;
        let all: Vec<usize> = (0..POINTS).collect();
        let moved =
            |mm: f64| seat::moved_db(&before.level_db, &before.support, resonance_hz, mm, &all);
        let (deeper, less) = (moved(STEP_MM), moved(-STEP_MM));
        Some(deeper.iter().zip(&less).map(|(a, b)| (a - b) / (2.0 * STEP_MM)).collect())
    }

    /// The covariance of a change at the judged points, dB^2; `means` is what averaging leaves of one take's variance,
    /// `sections` what is promised, `sides` how many were averaged.
    pub fn covariance(
        &self,
        means: f64,
        sides: usize,
        sections: &[Section],
        rates_hz: &[f64],
        rate_hz: f64,
    ) -> DMatrix<f64> {
        let mut covariance = self.noise.covariance(&self.at, &self.trust, means, sides);
        if self.request.rate_hz.is_none() {
            covariance += of_rates(sections, rates_hz, rate_hz, &self.at);
        }
        covariance
    }

    /// Standard error of the level: of the takes' own levels, and of another session.
    pub fn level_error_db(&self) -> f64 {
        let (mut squares, mut freedom, mut count) = (0.0_f64, 0.0_f64, 0.0_f64);
        let sessions = [
            (&self.request.before, &self.before),
            (&self.request.after, &self.after),
        ];
        for (takes, judged) in sessions {
            for (take, mean, of) in kept(takes, judged) {
                let offset = offset_db(&difference(take, mean), &mean.support);
                squares += offset * offset;
                freedom += 1.0 - 1.0 / of as f64;
                count += 1.0;
            }
        }
        let of_takes = (squares + LEVEL_ERROR_DB * LEVEL_ERROR_DB) / (freedom + 1.0);
        (LEVEL_ERROR_DB * LEVEL_ERROR_DB + 4.0 * of_takes / count.max(1.0)).sqrt()
    }
}

/// What each side that both sessions have changed by.
fn side_changes(before: &Judged, after: &Judged) -> Result<Vec<SideChange>> {
    let mut sides = Vec::new();
    for one in &after.sides {
        if let Some(other) = before.sides.iter().find(|b| b.side == one.side) {
            let db = (0..POINTS).map(|i| one.mean.level_db[i] - other.mean.level_db[i]);
            sides.push(SideChange {
                side: one.side,
                db: db.collect(),
                before_db: other.mean.level_db.clone(),
                means: 1.0 / one.kept.max(1) as f64 + 1.0 / other.kept.max(1) as f64,
                takes: (other.kept, one.kept),
            });
        }
    }
    if sides.is_empty() {
        let measured = |judged: &Judged| judged.sides.iter().map(|s| s.side).collect();
        let fault = VerifyFault::OtherSides(measured(after), measured(before));
        return Err(Error::of(fault, Knob::After));
    }
    Ok(sides)
}

/// The kept takes of a session with the mean of their side, in the order in which they were judged.
fn kept<'a>(
    takes: &'a [Take],
    judged: &'a Judged,
) -> impl Iterator<Item = (&'a Take, &'a OnGrid, usize)> {
    judged
        .order
        .iter()
        .map(|i| (&takes[*i], &judged.takes[*i]))
        .filter(|(_, judged)| !judged.set_aside)
        .filter_map(|(take, _)| {
            let side = judged.sides.iter().find(|side| side.side == take.side)?;
            Some((take, &side.mean, side.kept))
        })
}

fn difference(take: &Take, mean: &OnGrid) -> Vec<f64> {
    let both = take.on_grid.level_db.iter().zip(&mean.level_db);
    both.map(|(a, b)| a - b).collect()
}

fn deviations(
    request: &Remeasurement,
    before: &Judged,
    after: &Judged,
    support: &Range<usize>,
) -> Deviations {
    let mut all = Deviations {
        db: Vec::new(),
        of: Vec::new(),
        freedom: 0,
    };
    for (takes, judged) in [(&request.before, before), (&request.after, after)] {
        for (take, mean, count) in kept(takes, judged) {
            let mut db = difference(take, mean);
            let offset = offset_db(&db, support);
            for (i, db) in db.iter_mut().enumerate() {
                *db = if support.contains(&i) {
                    *db - offset
                } else {
                    0.0
                };
            }
            all.db.push(db);
            all.of.push(count);
        }
        let sides = judged.sides.iter();
        all.freedom += sides.map(|side| side.kept.saturating_sub(1)).sum::<usize>();
    }
    all
}

/// Nobody said at which of its rates the equaliser ran: what the sheet promises at the others counts as error.
fn of_rates(sections: &[Section], rates_hz: &[f64], rate_hz: f64, at: &[usize]) -> DMatrix<f64> {
    let f_hz: Vec<f64> = at.iter().map(|i| frequency_hz()[*i]).collect();
    let here = cascade::levels_db(sections, rate_hz, &f_hz);
    let mut sum = DMatrix::zeros(at.len(), at.len());
    for &other_hz in rates_hz.iter().filter(|other| **other != rate_hz) {
        let there = cascade::levels_db(sections, other_hz, &f_hz);
        let apart =
            nalgebra::DVector::from_iterator(at.len(), there.iter().zip(&here).map(|(a, b)| a - b));
        sum += &apart * apart.transpose() / rates_hz.len() as f64;
    }
    sum
}
