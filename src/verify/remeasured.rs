//! Takes from before and after a sheet was loaded: did it do what it says?
//!
//! 1. Takes of either session are judged as a fit judges them; what leaks or does not belong is set aside. The change of
//!    each side that both sessions have is the mean after less the mean before (`sessions`).
//! 2. [`noise`](super::noise) says how far such a change can be off, [`explanation`](super::explanation) which
//!    explanations fit it. Levels are free, unless they are said to compare.
//! 3. The sides of a sheet with one EQ are pooled, unless they surely differ; [`equivalence`](super::equivalence) bounds
//!    the deviation of each change.
//! 4. The verdict ([`Verdict`]). What lies in how it was measured (another seal, seat or source) never accuses the load.

use std::ops::Range;

use super::equivalence::{Deviation, Equivalence, ThirdOctaves};
use super::error::VerifyFault;
use super::explanation::{
    Evidence, Explanation, LevelEvidence, MeasuredSide, Models, Place, Tried, beyond_promise_db,
    ranked,
};
use super::noise::EXPECTED_FREEDOM;
use super::seat;
use super::sessions::{Remeasurement, SideChange, Sessions};
use super::student;
use crate::error::{Error, Knob, Result};
use crate::filter::{Section, cascade};
use crate::measurement::grid::{POINTS, frequency_hz};
use crate::measurement::judge::Judged;
use crate::measurement::takes::Side;
use crate::sheet::Sheet;

pub use super::equivalence::TOLERANCE_DB;

/// Share of all explanations that do not accuse the load, up to which it counts as accused.
pub const ACCUSED: f64 = 0.04;
/// Explanations with a smaller share are not told.
pub const LEAST_SHARE: f64 = 0.01;
/// From so many standard errors rms, what an explanation leaves is told as more than chance.
pub const AT_LEAST: f64 = 1.5;
/// Degrees of freedom of Student's likelihood beyond those of the takes' spread: neighbouring frequencies and what is
/// known of spreads in general.
const MORE_FREEDOM: f64 = 6.0;
/// Probability that a level counts as surely off by chance.
const LEVEL_SURELY: f64 = 0.01;

/// Whether the promise was kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The measured change is the promised one within the tolerance, wherever these takes resolve it.
    Kept,
    /// It surely is another.
    NotKept,
    /// These takes cannot tell.
    CannotTell,
}

/// An explanation with its size.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Ranked {
    /// What may have happened.
    #[serde(skip)]
    pub explanation: Explanation,
    /// What else at the same time.
    #[serde(skip)]
    pub also: Option<Explanation>,
    /// Its probability after these takes, 0 to 1.
    #[schemars(range(min = 0.0, max = 1.0))]
    pub share: f64,
    /// What it leaves unexplained, rms in standard errors, 0 or more; about 1 where it fits.
    pub misfit: f64,
    /// The largest change that it makes to the promise in a third octave of the judged band, level-free, dB with its sign.
    pub worst_db: f64,
    /// Centre of that third octave, Hz.
    pub worst_hz: f64,
}

/// The change of one EQ; curves have one value a grid point and hold over `support`.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Change {
    /// The side; none (`null`) for the mean of the sides.
    pub side: Option<Side>,
    /// Where it was measured.
    #[serde(skip)]
    pub support: Range<usize>,
    /// What the sheet promises, dB.
    #[serde(skip)]
    pub promised_db: Vec<f64>,
    /// What was measured, at the level of the promise, dB.
    #[serde(skip)]
    pub measured_db: Vec<f64>,
    /// Its standard error, dB.
    #[serde(skip)]
    pub error_db: Vec<f64>,
    /// What the best explanation predicts, at the level of the promise, dB; none for something else.
    #[serde(skip)]
    pub explained_db: Option<Vec<f64>>,
    /// Number of takes in the mean before.
    pub takes_before: usize,
    /// Number of takes in the mean after.
    pub takes_after: usize,
    /// Measured minus promised over the judged band, dB rms, 0 or more.
    pub rms_db: f64,
    /// Its largest mean over a third octave, of those where the takes resolve the tolerance if there are any, level-free,
    /// dB with its sign.
    pub worst_db: f64,
    /// Centre of that third octave, Hz.
    pub worst_hz: f64,
    /// Standard error of that value, dB, 0 or more.
    pub worst_error_db: f64,
    /// No third octave where the takes resolve the tolerance is off by more, dB, with 95 % confidence; none (`null`) where
    /// they resolve it nowhere.
    pub bound_db: Option<f64>,
    /// Lowest and highest frequencies of the bands where the takes resolve the tolerance, Hz.
    pub resolved_hz: Vec<(f64, f64)>,
}

/// The level, where it compares.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct LevelChange {
    /// The promised change: the preamp, dB.
    pub promised_db: f64,
    /// The measured change, less the sections' as promised and what another seal, seat or source makes of it where that is
    /// likeliest, dB.
    pub measured_db: f64,
    /// Standard error of the measured change, dB, 0 or more.
    pub error_db: f64,
    /// Whether these takes tell the preamp from none.
    pub tells_preamp: bool,
}

/// A sheet beside what was measured.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Remeasured {
    /// Takes before, judged.
    #[serde(skip)]
    pub before: Judged,
    /// Takes after, judged.
    #[serde(skip)]
    pub after: Judged,
    /// Sample rate at which the promise was computed, Hz.
    pub rate_hz: f64,
    /// Lowest and highest frequency that was judged, Hz.
    pub judged_hz: (f64, f64),
    /// The trust of the rig, by grid point.
    #[serde(skip)]
    pub trust: Vec<f64>,
    /// Spread of one take over the judged band, dB rms; assumed where `freedom` is 0.
    pub spread_db: f64,
    /// Degrees of freedom of the spread.
    pub freedom: usize,
    /// Deviation that the promise may have in any third octave, dB.
    pub tolerance_db: f64,
    /// With 95 % confidence, no third octave where these takes resolve the tolerance is off by more, dB; none (`null`)
    /// where they resolve it nowhere.
    pub bound_db: Option<f64>,
    /// Lowest and highest frequencies of the bands where these takes resolve the tolerance, Hz.
    pub resolved_hz: Vec<(f64, f64)>,
    /// The sections that these takes cannot verify: without one, no third octave that they resolve would be off by more
    /// than the tolerance.
    #[serde(skip)]
    pub unverified: Vec<Place>,
    /// The changes: one, or left and right.
    #[serde(skip)]
    pub changes: Vec<Change>,
    /// The level; none (`null`) where levels before and after do not compare.
    pub level: Option<LevelChange>,
    /// Whether the promise was kept.
    pub verdict: Verdict,
    /// Explanations, the likeliest first, those with a share of at least [`LEAST_SHARE`], and always the first three.
    #[serde(skip)]
    pub explanations: Vec<Ranked>,
}

impl Remeasured {
    /// Whether the likeliest explanation leaves more than chance does, so that more is wrong than it says.
    #[must_use]
    pub fn is_incomplete(&self) -> bool {
        self.explanations
            .first()
            .is_some_and(|r| r.misfit > AT_LEAST && r.explanation != Explanation::SomethingElse)
    }
}

/// A change that is judged by itself: of a side, or the mean of the sides.
struct View<'a> {
    /// None for the mean of the sides.
    side: Option<Side>,
    sides: Vec<&'a SideChange>,
    sections: &'a [Section],
    /// Measured less promised at the judged points, dB.
    left_over_db: Vec<f64>,
    covariance: nalgebra::DMatrix<f64>,
    equivalence: Equivalence,
}

/// Judges takes of before and after against the sheet.
///
/// # Errors
/// As [`judge`](crate::measurement::judge::judge); `Coverage` where the sessions share no side, or too little that can be
/// believed; `Setting` for a rate that is not the sheet's, a tolerance that is not positive, or takes that do not say their
/// side where the sheet has an EQ for each.
pub fn remeasured(sheet: &Sheet, request: &Remeasurement) -> Result<Remeasured> {
    let rate_hz = chosen_rate(sheet, request.rate_hz)?;
    let tolerance_db = request.tolerance_db;
    if !(tolerance_db.is_finite() && tolerance_db > 0.0) {
        let fault = VerifyFault::Tolerance(tolerance_db);
        return Err(Error::of(fault, Knob::ToleranceDb));
    }
    let mut sessions = Sessions::new(request)?;
    if sheet.is_per_side() {
        sessions.sides.retain(|side| side.side != Side::Unknown);
        if sessions.sides.is_empty() {
            return Err(Error::of(VerifyFault::UnknownSides, Knob::After));
        }
    }
    let sessions = sessions;
    let judged = Judging {
        sheet,
        sessions: &sessions,
        rate_hz,
        tolerance_db,
    };
    let (sides, models) = judged.measured_sides()?;
    let level_evidence = request.same_level.then(|| LevelEvidence {
        preamp_db: sheet.level.preamp_db,
        error_db: sessions.level_error_db(),
    });
    let evidence = Evidence {
        sides: &sides,
        models: &models,
        per_side: sheet.is_per_side(),
        at: &sessions.at,
        support: sessions.support.clone(),
        rate_hz,
        rates_hz: &sheet.rates_hz,
        resonance_hz: sessions.resonance_hz(),
        impedance: request.impedance.as_ref(),
        level: level_evidence,
        freedom: sessions.noise.freedom as f64 + MORE_FREEDOM,
    };
    let tried = ranked(&evidence);
    let views = judged.views(&tried);
    let level = level_evidence.map(|level| judged.level_change(&evidence, &level, &tried[0]));
    let explanations: Vec<Ranked> = tried
        .iter()
        .enumerate()
        .take_while(|(number, t)| *number < 3 || t.share >= LEAST_SHARE)
        .map(|(_, t)| sized(t, &evidence, &views))
        .collect();
    let seat_hz = sessions.resonance_hz().map(seat::reaches_from_hz);
    let verdict = Judgement {
        tried: &tried,
        told: &explanations,
        views: &views,
        level: level.as_ref(),
        freedom: judged.freedom(),
        seat_hz: seat_hz.unwrap_or(f64::INFINITY),
    }
    .verdict();
    let at = &sessions.at;
    let squares: f64 = at.iter().map(|i| sessions.noise.take_db[*i].powi(2)).sum();
    let bounds: Option<Vec<f64>> = views.iter().map(|v| v.equivalence.bound().map(|b| b.0)).collect();
    let changes: Vec<Change> = views
        .iter()
        .map(|view| judged.change(view, &evidence, &tried[0]))
        .collect();
    Ok(Remeasured {
        rate_hz,
        judged_hz: (frequency_hz()[at[0]], frequency_hz()[at[at.len() - 1]]),
        spread_db: (squares / at.len() as f64).sqrt(),
        freedom: sessions.noise.freedom,
        tolerance_db,
        bound_db: bounds.and_then(|b| b.into_iter().reduce(f64::max)),
        resolved_hz: common(changes.iter().map(|c| &c.resolved_hz[..])),
        unverified: judged.unverified(&views),
        changes,
        level,
        verdict,
        explanations,
        before: sessions.before,
        after: sessions.after,
        trust: sessions.trust,
    })
}

/// The sheet and the sessions that it is judged by.
struct Judging<'a> {
    sheet: &'a Sheet,
    sessions: &'a Sessions<'a>,
    rate_hz: f64,
    tolerance_db: f64,
}

impl<'a> Judging<'a> {
    /// Degrees of freedom of a standard error: of the takes, and of what is expected of spreads.
    fn freedom(&self) -> usize {
        self.sessions.noise.freedom + EXPECTED_FREEDOM as usize
    }

    /// What the sheet has for a side.
    fn sections(&self, side: Side) -> &'a [Section] {
        let channels = &self.sheet.channels;
        let own = channels.iter().find(|c| c.side.is_none_or(|of| of == side));
        own.map_or(&[], |channel| &channel.sections)
    }

    /// The sides as evidence, with the error models that they share.
    fn measured_sides(&self) -> Result<(Vec<MeasuredSide>, Vec<Models>)> {
        let sessions = self.sessions;
        let (mut sides, mut models) = (Vec::new(), Vec::new());
        let mut of_models: Vec<(f64, &[Section])> = Vec::new();
        for change in &sessions.sides {
            let sections = self.sections(change.side);
            let same = |m: &(f64, &[Section])| m.0 == change.means && m.1 == sections;
            let model = match of_models.iter().position(same) {
                Some(model) => model,
                None => {
                    let covariance = self.covariance(change.means, 1, sections);
                    let Some(new) = Models::new(covariance, &sessions.at) else {
                        return Err(Error::of(VerifyFault::Spread, Knob::After));
                    };
                    models.push(new);
                    of_models.push((change.means, sections));
                    models.len() - 1
                }
            };
            let channels = self.sheet.channels.iter();
            let mut others = channels.filter(|c| c.side.is_some_and(|of| of != change.side));
            sides.push(MeasuredSide {
                side: change.side,
                sections: sections.to_vec(),
                others: others.next().map(|c| c.sections.clone()),
                measured_db: sessions.at.iter().map(|i| change.db[*i]).collect(),
                before_db: change.before_db.clone(),
                model,
            });
        }
        Ok((sides, models))
    }

    fn covariance(
        &self,
        means: f64,
        sides: usize,
        sections: &[Section],
    ) -> nalgebra::DMatrix<f64> {
        let rates_hz = &self.sheet.rates_hz;
        let sessions = self.sessions;
        sessions.covariance(means, sides, sections, rates_hz, self.rate_hz)
    }

    fn view(&self, side: Option<Side>, sides: Vec<&'a SideChange>) -> View<'a> {
        let sessions = self.sessions;
        let sections = self.sections(sides[0].side);
        let count = sides.len() as f64;
        let means = sides.iter().map(|s| s.means).sum::<f64>() / (count * count);
        let promised_db = promised(sections, self.rate_hz);
        let left_over = |i: &usize| {
            let mean = sides.iter().map(|s| s.db[*i]).sum::<f64>() / count;
            mean - promised_db[*i]
        };
        let left_over_db: Vec<f64> = sessions.at.iter().map(left_over).collect();
        let covariance = self.covariance(means, sides.len(), sections);
        let equivalence = self.equivalence(&left_over_db, &covariance);
        View {
            side,
            sides,
            sections,
            left_over_db,
            covariance,
            equivalence,
        }
    }

    fn equivalence(
        &self,
        left_over_db: &[f64],
        covariance: &nalgebra::DMatrix<f64>,
    ) -> Equivalence {
        let at = &self.sessions.at;
        Equivalence::new(left_over_db, covariance, at, self.freedom(), self.tolerance_db)
    }

    /// The changes that are judged: each side's where it has an EQ of its own or surely differs from the other, else their
    /// mean.
    fn views(&self, tried: &[Tried]) -> Vec<View<'a>> {
        let sides = &self.sessions.sides;
        let each = || sides.iter().map(|s| self.view(Some(s.side), vec![s]));
        if self.sheet.is_per_side() || self.differ(tried) {
            return each().collect();
        }
        vec![self.view(None, sides.iter().collect())]
    }

    /// Whether left and right of one EQ surely changed differently, or are told to have.
    fn differ(&self, tried: &[Tried]) -> bool {
        let [left, right] = &self.sessions.sides[..] else {
            return false;
        };
        if let Explanation::OneSideOnly { .. } = tried[0].explanation {
            return true;
        }
        let at = &self.sessions.at;
        let apart: Vec<f64> = at.iter().map(|i| left.db[*i] - right.db[*i]).collect();
        let noise = &self.sessions.noise;
        let trust = &self.sessions.trust;
        let covariance = noise.covariance(at, trust, left.means, 1)
            + noise.covariance(at, trust, right.means, 1);
        let apart = self.equivalence(&apart, &covariance);
        apart.deviations.iter().any(|d| apart.is_surely_there(d))
    }

    /// The sections without which nothing that is resolved would be off by more than the tolerance.
    fn unverified(&self, views: &[View<'_>]) -> Vec<Place> {
        let mut places = Vec::new();
        let at = &self.sessions.at;
        for channel in &self.sheet.channels {
            let of_channel = |v: &&View<'_>| channel.side.is_none() || v.side == channel.side;
            for (k, section) in channel.sections.iter().enumerate() {
                let level_db: Vec<f64> = {
                    let f_hz: Vec<f64> = at.iter().map(|i| frequency_hz()[*i]).collect();
                    cascade::levels_db(&[*section], self.rate_hz, &f_hz)
                };
                let seen = views.iter().filter(of_channel).any(|view| {
                    let of_section = ThirdOctaves::new(at, &view.covariance).of(&level_db);
                    let deviations = view.equivalence.deviations.iter().zip(of_section);
                    let resolved = deviations.filter(|(d, _)| view.equivalence.resolves(d));
                    resolved.map(|(_, db)| db.abs()).fold(0.0, f64::max) > self.tolerance_db
                });
                if !seen {
                    places.push(Place {
                        side: channel.side,
                        number: k + 1,
                        section: *section,
                    });
                }
            }
        }
        places
    }

    /// The level; what the best explanation makes of it is taken out where that does not accuse the load.
    fn level_change(
        &self,
        evidence: &Evidence<'_>,
        level: &LevelEvidence,
        best: &Tried,
    ) -> LevelChange {
        let count = evidence.sides.len() as f64;
        let (mut sum, mut squares) = (0.0, 0.0);
        for side in evidence.sides {
            let model = &evidence.models[side.model].chance;
            let mut left_db = evidence.left_over_db(side);
            let beside = [Some(best.explanation), best.also].into_iter().flatten();
            for explanation in beside.filter(|_| best.is_innocent()) {
                let beyond = beyond_promise_db(evidence, side, &explanation, evidence.at);
                for (left_db, db) in left_db.iter_mut().zip(beyond.unwrap_or_default()) {
                    *left_db -= db;
                }
            }
            sum += model.level_db(&left_db) / count;
            squares += (model.level_error_db() / count).powi(2);
        }
        let error_db = (squares + level.error_db * level.error_db).sqrt();
        LevelChange {
            promised_db: level.preamp_db,
            measured_db: sum,
            error_db,
            tells_preamp: level.preamp_db.abs() > 2.0 * surely(self.freedom()) * error_db
                || level.preamp_db == 0.0,
        }
    }

    /// A change for people, with what the best explanation makes of it.
    fn change(&self, view: &View<'_>, evidence: &Evidence<'_>, best: &Tried) -> Change {
        let sessions = self.sessions;
        let count = view.sides.len() as f64;
        let promised_db = promised(view.sections, self.rate_hz);
        let thirds = ThirdOctaves::new(&sessions.at, &view.covariance);
        let level_db = thirds.level_db(&view.left_over_db);
        let measured_db: Vec<f64> = (0..POINTS)
            .map(|i| view.sides.iter().map(|s| s.db[i]).sum::<f64>() / count - level_db)
            .collect();
        let means = view.sides.iter().map(|s| s.means).sum::<f64>() / (count * count);
        let error_db = |i: usize| {
            let noise = &sessions.noise;
            let covariance = noise.covariance(&[i], &sessions.trust, means, view.sides.len());
            covariance[(0, 0)].sqrt()
        };
        let squares: f64 = view.left_over_db.iter().map(|db| (db - level_db).powi(2)).sum();
        let worst = view.equivalence.largest();
        Change {
            side: view.side,
            support: sessions.support.clone(),
            error_db: (0..POINTS).map(error_db).collect(),
            explained_db: explained(view, evidence, best, &promised_db, &thirds),
            promised_db,
            measured_db,
            takes_before: view.sides.iter().map(|s| s.takes.0).sum(),
            takes_after: view.sides.iter().map(|s| s.takes.1).sum(),
            rms_db: (squares / view.left_over_db.len() as f64).sqrt(),
            worst_db: worst.map_or(0.0, |d| d.db),
            worst_hz: worst.map_or(frequency_hz()[sessions.at[0]], |d| d.frequency_hz),
            worst_error_db: worst.map_or(0.0, |d| d.error_db),
            bound_db: view.equivalence.bound().map(|(db, _)| db),
            resolved_hz: view.equivalence.resolved_hz(&sessions.at),
        }
    }
}

/// The curve of the best explanation, at the level of the promise; none for something else.
fn explained(
    view: &View<'_>,
    evidence: &Evidence<'_>,
    best: &Tried,
    promised_db: &[f64],
    thirds: &ThirdOctaves,
) -> Option<Vec<f64>> {
    if best.explanation == Explanation::SomethingElse {
        return None;
    }
    let all: Vec<usize> = (0..POINTS).collect();
    let beyond = beyond_db(view, evidence, best, &all);
    let at_points: Vec<f64> = evidence.at.iter().map(|i| beyond[*i]).collect();
    let level_db = thirds.level_db(&at_points);
    let both = promised_db.iter().zip(&beyond);
    Some(both.map(|(promised, beyond)| promised + beyond - level_db).collect())
}

/// What is measured beyond the promise under `tried`, the mean of the sides of a view, dB.
fn beyond_db(view: &View<'_>, evidence: &Evidence<'_>, tried: &Tried, at: &[usize]) -> Vec<f64> {
    let mut sum = vec![0.0; at.len()];
    let sides = evidence.sides.iter();
    for side in sides.filter(|s| view.sides.iter().any(|of| of.side == s.side)) {
        for explanation in std::iter::once(&tried.explanation).chain(&tried.also) {
            if let Some(beyond) = beyond_promise_db(evidence, side, explanation, at) {
                for (sum, db) in sum.iter_mut().zip(beyond) {
                    *sum += db / view.sides.len() as f64;
                }
            }
        }
    }
    sum
}

/// Standard errors that a level surely exceeds chance by.
fn surely(freedom: usize) -> f64 {
    student::exceeded(0.5 * LEVEL_SURELY, freedom)
}

/// What the verdict follows from.
struct Judgement<'a> {
    tried: &'a [Tried],
    told: &'a [Ranked],
    views: &'a [View<'a>],
    level: Option<&'a LevelChange>,
    freedom: usize,
    /// From here on another seat can change a curve in more ways than its explanation knows, hertz.
    seat_hz: f64,
}

impl Judgement<'_> {
    /// Whether the promise was kept.
    fn verdict(&self) -> Verdict {
        let innocent = self.tried.iter().filter(|t| t.is_innocent());
        let innocent: f64 = innocent.map(|t| t.share).sum();
        let off_db = self.level.map_or(0.0, |l| l.measured_db - l.promised_db);
        let reach_db = self.level.map_or(0.0, |l| surely(self.freedom) * l.error_db);
        let within = self.views.iter().all(Self::is_within) && off_db.abs() <= reach_db;
        let too_loud = off_db > reach_db.max(self.tolerance_db());
        if innocent <= ACCUSED && self.matters() || too_loud {
            Verdict::NotKept
        } else if within {
            Verdict::Kept
        } else {
            Verdict::CannotTell
        }
    }

    fn tolerance_db(&self) -> f64 {
        self.views[0].equivalence.tolerance_db()
    }

    /// Whether all that is resolved is within the tolerance, and nothing else is off by so much that it shows all the same.
    fn is_within(view: &View<'_>) -> bool {
        let equivalence = &view.equivalence;
        let tolerance_db = equivalence.tolerance_db();
        let shows = |d: &Deviation| {
            equivalence.is_surely_there(d) && !equivalence.resolves(d) && d.db.abs() > tolerance_db
        };
        let bound = equivalence.bound();
        bound.is_some_and(|(db, _)| db <= tolerance_db) && !equivalence.deviations.iter().any(shows)
    }

    /// Whether the likeliest explanation that accuses the load makes a change beyond the tolerance; something else: whether a
    /// deviation is surely there where no seat makes it.
    fn matters(&self) -> bool {
        let innocent = |e: &Explanation| e.is_innocent();
        let accusing = self
            .told
            .iter()
            .filter(|r| !(innocent(&r.explanation) && r.also.as_ref().is_none_or(innocent)))
            .max_by(|a, b| a.share.total_cmp(&b.share));
        accusing.is_some_and(|r| match r.explanation {
            Explanation::PreampMissing => true,
            Explanation::SomethingElse => self.views.iter().any(|view| {
                let mut all = view.equivalence.deviations.iter();
                all.any(|d| {
                    d.frequency_hz < self.seat_hz && view.equivalence.is_surely_there(d)
                }) && !Self::is_within(view)
            }),
            _ => {
                let preamp = r.also == Some(Explanation::PreampMissing);
                preamp || r.worst_db.abs() > self.tolerance_db()
            }
        })
    }
}

fn chosen_rate(sheet: &Sheet, asked_hz: Option<f64>) -> Result<f64> {
    let Some(rate_hz) = asked_hz else {
        return Ok(sheet.rates_hz[0]);
    };
    if sheet.rates_hz.contains(&rate_hz) {
        return Ok(rate_hz);
    }
    Err(Error::of(
        VerifyFault::Rate(rate_hz, sheet.rates_hz.clone()),
        Knob::RateHz,
    ))
}

fn promised(sections: &[Section], rate_hz: f64) -> Vec<f64> {
    let f_hz: Vec<f64> = frequency_hz()
        .iter()
        .map(|f| f.min(0.5 * rate_hz))
        .collect();
    cascade::levels_db(sections, rate_hz, &f_hz)
}

/// What all of several lists of bands, rising, have in common.
fn common<'a>(mut lists: impl Iterator<Item = &'a [(f64, f64)]>) -> Vec<(f64, f64)> {
    let first = lists.next().unwrap_or_default().to_vec();
    lists.fold(first, |so_far, list| {
        let pairs = so_far.iter().flat_map(|a| list.iter().map(move |b| (a, b)));
        pairs
            .map(|(a, b)| (a.0.max(b.0), a.1.min(b.1)))
            .filter(|(low, high)| low < high)
            .collect()
    })
}

/// An explanation with the largest change that it makes.
fn sized(tried: &Tried, evidence: &Evidence<'_>, views: &[View<'_>]) -> Ranked {
    let largest = views
        .iter()
        .filter_map(|view| {
            let beyond = beyond_db(view, evidence, tried, evidence.at);
            ThirdOctaves::new(evidence.at, &view.covariance).largest(&beyond, evidence.at)
        })
        .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
    let (worst_db, worst_hz) = largest.unwrap_or((0.0, frequency_hz()[evidence.at[0]]));
    Ranked {
        explanation: tried.explanation,
        also: tried.also,
        share: tried.share,
        misfit: (tried.squares / evidence.points().max(1) as f64).sqrt(),
        worst_db,
        worst_hz,
    }
}
