//! Each seating left out in turn: the rest is fitted, and the one left out judged.
//!
//! The fit of the rest starts from the sections of the fit to all of them and improves every number: what a seating more or
//! less changes in a preset is its numbers, and a search from nothing would add its own luck (`Luck` says how much). Only
//! takes that are kept are fitted, so a copy of the one left out is never among the rest. A take that was set aside for a
//! narrow difference is judged too, with the sections fitted to all others: a dip that moves with the seat is what a
//! comparison looks for.

use rayon::prelude::*;

use super::band::{self, Band, ErrorFigures};
use crate::error::{Error, ErrorKind, Result, Source};
use crate::filter::{Section, cascade};
use crate::fit::{Effort, Freedom, Stop};
use crate::job::{Measured, Outcome, Prepared, Start, Wish};
use crate::limits::Limits;
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::{JudgedTake, Verdict};
use crate::measurement::outlier::{Kind, Outlier};
use crate::measurement::takes::{Side, Take};

/// Usual standard deviation of the loudness that a search ends at among answers as good as each other, dB. From 76 simulated
/// units (`cargo bench --bench compared`).
const USUAL_LUCK_DB: f64 = 0.15;
/// How many seatings the usual luck counts for beside a unit's own, which are few and often tell too little: simulated units
/// whose own seatings told 0.04 dB had 0.12 dB. A variance of few values is pulled toward that of many (G. Smyth, Statistical
/// Applications in Genetics and Molecular Biology 3, 2004, from memory). From the same units.
const USUAL_SEATINGS: f64 = 4.0;

/// A unit whose takes have been judged, and what is asked of every fit of it.
pub(super) struct Asked<'a> {
    /// What was measured.
    pub measured: &'a Measured,
    /// With its takes judged.
    pub prepared: &'a Prepared,
    /// What is wished for: one EQ for both sides.
    pub wish: &'a Wish,
    /// What the equaliser can do.
    pub limits: &'a Limits,
    /// Ends the fits.
    pub stop: &'a Stop,
}

/// A seating, and the others without it; None where all others are those of the full fit, which this one is not in.
pub(super) struct OneOut {
    take: Take,
    others: Option<Prepared>,
}

/// A seating that was left out, with the sections that the others give.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// Name of the take.
    pub take: String,
    /// Its side.
    pub side: Side,
    /// Its error with the sections fitted to the others.
    pub error: ErrorFigures,
    /// Its error at the coupler's resonance, dB rms; None where that is not known.
    pub apart_db: Option<f64>,
    /// What becomes of all takes without it; None where it was not among those.
    pub others: Option<Others>,
}

/// Figures of the takes without one of them.
#[derive(Debug, Clone, PartialEq)]
pub struct Others {
    /// How much quieter their sections play with their preamp, dB.
    pub lost_db: f64,
    /// What their left and right differ in, dB rms; None without both.
    pub sides_apart_db: Option<f64>,
}

/// How much figures depend on which of the answers that are as good as each other a search ends at: standard deviations.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Luck {
    /// Of the natural logarithm of an error.
    pub log_error: f64,
    /// Of what is lost in loudness, dB.
    pub lost_db: f64,
}

impl Asked<'_> {
    /// The takes of which a judgement holds.
    pub fn takes_that(&self, count: impl Fn(&JudgedTake) -> bool) -> Vec<Take> {
        let judged = &self.prepared.judged().takes;
        let takes = self.measured.takes.iter().zip(judged);
        takes
            .filter(|(_, judged)| count(judged))
            .map(|(take, _)| take.clone())
            .collect()
    }

    /// The takes that are judged: those that are fitted, then those set aside for a narrow difference.
    pub fn seatings(&self) -> Vec<Take> {
        let mut seatings = self.takes_that(|take| !take.set_aside);
        seatings.extend(self.takes_that(differs_narrowly));
        seatings
    }

    /// A curve as the source in use drives it.
    pub fn driven(&self, curve: &OnGrid) -> OnGrid {
        match &self.measured.source_bend {
            Some(bend) => bend.bent(curve),
            None => curve.clone(),
        }
    }

    /// The fit of this unit; where no section helps, the outcome without any.
    pub fn fitted(&self, wish: &Wish, limits: &Limits, effort: Effort) -> Result<Outcome> {
        match self.prepared.fit(wish, limits, effort, self.stop) {
            Err(error) if error.kind == ErrorKind::Refused && !self.stop.is_asked() => {
                let none = started(wish, &[], Freedom::AsIs);
                self.prepared.fit(&none, limits, effort, self.stop)
            }
            other => other,
        }
    }

    /// Every seating with the others, these judged once for all fits; empty where only one is fitted.
    pub fn one_out(&self) -> Result<Vec<OneOut>> {
        let kept = self.takes_that(|take| !take.set_aside);
        if kept.len() < 2 {
            return Ok(Vec::new());
        }
        let one = |index: usize| {
            let mut others = kept.clone();
            let take = others.remove(index);
            let mut measured = Measured {
                takes: others,
                ..self.measured.clone()
            };
            measured.judging.keep_all = true;
            let others = Some(Prepared::new(measured)?);
            Ok(OneOut { take, others })
        };
        let fitted: Result<Vec<OneOut>> = (0..kept.len()).into_par_iter().map(one).collect();
        let beside = self.takes_that(differs_narrowly).into_iter();
        let beside = beside.map(|take| OneOut { take, others: None });
        Ok(fitted?.into_iter().chain(beside).collect())
    }

    /// The wish improved from `sections`.
    fn refitted(&self, prepared: &Prepared, sections: &[Section]) -> Result<Outcome> {
        let freedom = if sections.is_empty() { Freedom::AsIs } else { Freedom::All };
        let wish = started(self.wish, sections, freedom);
        // Steps would add their own chance.
        let limits = self.limits.without_steps();
        prepared.fit(&wish, &limits, Effort::Quick, self.stop)
    }

    /// How much quieter the sections play when they are improved for all takes, dB: what the same figure of a seating left
    /// out is compared with.
    pub fn lost_by_all_db(&self, sections: &[Section]) -> Result<f64> {
        let outcome = self.refitted(self.prepared, sections)?;
        Ok(-outcome.shared.heard.total_db)
    }

    /// Every seating left out in turn, in the order of `one_out`. `target_db` is on the whole grid.
    pub fn left_out(
        &self,
        one_out: &[OneOut],
        sections: &[Section],
        target_db: &[f64],
        band: &Band,
    ) -> Result<Vec<LeftOut>> {
        let one = |OneOut { take, others }: &OneOut| {
            let fitted = others.as_ref().unwrap_or(self.prepared);
            let outcome = self.refitted(fitted, sections)?;
            let error_db = self.error_db(take, &outcome, target_db);
            let level_db = band::mean_db(&error_db, &band.points);
            let error = band::figures(&error_db, &covered(&band.points, &error_db), level_db)
                .ok_or_else(|| self.nothing_judged(take))?;
            let apart = band::figures(&error_db, &covered(&band.apart, &error_db), level_db);
            Ok(LeftOut {
                take: take.name.clone(),
                side: take.side,
                error,
                apart_db: apart.map(|apart| apart.rms_db),
                others: others.as_ref().map(|others| Others {
                    lost_db: -outcome.shared.heard.total_db,
                    sides_apart_db: others.judged().matching.as_ref().map(|found| found.rms_db),
                }),
            })
        };
        one_out.par_iter().map(one).collect()
    }

    /// What searches from nothing without each of the fitted seatings, `left_out`, differ in from the answer to all,
    /// improved for the rest. Each difference has the luck of two searches in it, and a value of the long run is one as well.
    /// `moved_db` is what improving the answer to all makes it louder by.
    pub fn luck(
        &self,
        one_out: &[OneOut],
        left_out: &[LeftOut],
        target_db: &[f64],
        band: &Band,
        moved_db: f64,
    ) -> Result<Luck> {
        let one = |(OneOut { take, others }, improved): (&OneOut, &LeftOut)| {
            let Some((others, known)) = others.as_ref().zip(improved.others.as_ref()) else {
                return Ok(None);
            };
            let searching = Asked {
                prepared: others,
                ..*self
            };
            let outcome = searching.fitted(self.wish, self.limits, Effort::Normal)?;
            let error_db = self.error_db(take, &outcome, target_db);
            let rms_db = band::rms_db(&error_db, &covered(&band.points, &error_db));
            // Errors of 0 dB have a logarithm too.
            let log = |db: f64| db.max(f64::MIN_POSITIVE).ln();
            let log_error = rms_db.map_or(0.0, |db| log(db) - log(improved.error.rms_db));
            let lost_db = -outcome.shared.heard.total_db - (known.lost_db + moved_db);
            Ok(Some(Luck { log_error, lost_db }))
        };
        let pairs: Vec<(&OneOut, &LeftOut)> = one_out.iter().zip(left_out).collect();
        let found: Result<Vec<Option<Luck>>> = pairs.into_par_iter().map(one).collect();
        let found: Vec<Luck> = found?.into_iter().flatten().collect();
        let rms = |of: fn(&Luck) -> f64| {
            let squares: f64 = found.iter().map(|luck| of(luck).powi(2)).sum();
            (squares / found.len().max(1) as f64).sqrt()
        };
        let own_db = rms(|luck| luck.lost_db);
        let seatings = found.len() as f64;
        let sum_db2 = seatings * own_db.powi(2) + USUAL_SEATINGS * USUAL_LUCK_DB.powi(2);
        Ok(Luck {
            log_error: rms(|luck| luck.log_error),
            lost_db: (sum_db2 / (seatings + USUAL_SEATINGS)).sqrt(),
        })
    }

    /// The error of a take with the sections of an outcome.
    fn error_db(&self, take: &Take, outcome: &Outcome, target_db: &[f64]) -> OnGrid {
        let sections_db = levels_db(&outcome.channels[0].sections, self.limits.rates_hz[0]);
        band::error_db(&self.driven(&take.on_grid), &sections_db, target_db)
    }

    fn nothing_judged(&self, take: &Take) -> Box<Error> {
        let fault = super::error::ComparisonFault::NothingJudged(take.name.clone());
        Error::of(fault, Source::name(&*self.measured.unit))
    }
}

/// Whether a take was set aside for a difference in a narrow band.
fn differs_narrowly(take: &JudgedTake) -> bool {
    let narrow = |outlier: &Outlier| outlier.kind == Kind::Narrow;
    take.set_aside && matches!(&take.verdict, Verdict::Outlier(outlier) if narrow(outlier))
}

/// The points that an error covers.
fn covered(points: &[usize], error: &OnGrid) -> Vec<usize> {
    let inside = points.iter().copied().filter(|i| error.support.contains(i));
    inside.collect()
}

/// The wish that starts from sections.
pub(super) fn started(wish: &Wish, sections: &[Section], freedom: Freedom) -> Wish {
    Wish {
        start: Some(Start {
            sections: [sections.to_vec(), sections.to_vec()],
            freedom,
        }),
        least_gain_db: None,
        most_loudness_loss_db: wish.most_loudness_loss_db.filter(|_| freedom != Freedom::AsIs),
        ..wish.clone()
    }
}

/// The level of all sections at every point of the grid, dB.
pub(super) fn levels_db(sections: &[Section], rate_hz: f64) -> Vec<f64> {
    cascade::levels_db(sections, rate_hz, grid::frequency_hz())
}
