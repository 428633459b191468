//! Each seating left out in turn: the rest is fitted, and the one left out judged.
//!
//! The fit of the rest starts from the sections of the fit to all of them and improves every number: what a seating more or
//! less changes in a preset is its numbers, and a search from nothing would add its own luck. Only takes that are kept count,
//! so a copy of the one left out is never among the rest.

use rayon::prelude::*;

use super::band::{self, Band, ErrorFigures};
use crate::error::{Error, ErrorKind, Result, Source};
use crate::filter::{Section, cascade};
use crate::fit::{Effort, Freedom, Stop};
use crate::job::{Measured, Outcome, Prepared, Start, Wish};
use crate::limits::Limits;
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::takes::{Side, Take};

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

/// A seating, and the others without it.
pub(super) struct OneOut {
    take: Take,
    others: Prepared,
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
    /// How much quieter the others' sections play with their preamp, dB.
    pub lost_db: f64,
    /// What left and right of the others differ in, dB rms; None without both.
    pub sides_apart_db: Option<f64>,
}

impl Asked<'_> {
    /// The takes that count, with the source in use as it drives them.
    pub fn kept(&self) -> Vec<Take> {
        let judged = &self.prepared.judged().takes;
        let takes = self.measured.takes.iter().zip(judged);
        takes
            .filter(|(_, judged)| !judged.set_aside)
            .map(|(take, _)| take.clone())
            .collect()
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

    /// Every seating that counts with the others, these judged once for all fits; empty where there is only one.
    pub fn one_out(&self) -> Result<Vec<OneOut>> {
        let kept = self.kept();
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
            let others = Prepared::new(measured)?;
            Ok(OneOut { take, others })
        };
        (0..kept.len()).into_par_iter().map(one).collect()
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

    /// Every seating left out in turn, in the order of the takes. `target_db` is on the whole grid.
    pub fn left_out(
        &self,
        one_out: &[OneOut],
        sections: &[Section],
        target_db: &[f64],
        band: &Band,
    ) -> Result<Vec<LeftOut>> {
        let rate_hz = self.limits.rates_hz[0];
        let one = |OneOut { take, others }: &OneOut| {
            let outcome = self.refitted(others, sections)?;
            let sections_db = levels_db(&outcome.channels[0].sections, rate_hz);
            let error_db = band::error_db(&self.driven(&take.on_grid), &sections_db, target_db);
            let level_db = band::mean_db(&error_db, &band.points);
            let error = band::figures(&error_db, &covered(&band.points, &error_db), level_db)
                .ok_or_else(|| self.nothing_judged(take))?;
            let apart = band::figures(&error_db, &covered(&band.apart, &error_db), level_db);
            let matching = others.judged().matching.as_ref();
            Ok(LeftOut {
                take: take.name.clone(),
                side: take.side,
                error,
                apart_db: apart.map(|apart| apart.rms_db),
                lost_db: -outcome.shared.heard.total_db,
                sides_apart_db: matching.map(|found| found.rms_db),
            })
        };
        one_out.par_iter().map(one).collect()
    }

    fn nothing_judged(&self, take: &Take) -> Box<Error> {
        let fault = super::error::ComparisonFault::NothingJudged(take.name.clone());
        Error::of(fault, Source::name(&*self.measured.unit))
    }
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
