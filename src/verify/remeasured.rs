//! Takes from before and after a sheet was loaded: did it do what it says?
//!
//! 1. Takes of either session are judged as a fit judges them ([`judge`]); what leaks or does not belong is set aside.
//! 2. The change of each side that both sessions have is the mean after less the mean before. A sheet with one EQ is judged
//!    by the mean of the sides' changes, a sheet with an EQ for each by each side's.
//! 3. [`noise`](super::noise) says how far such a change can be off, [`explanation`](super::explanation) which
//!    explanations fit it. Levels are free, unless they are said to compare.
//! 4. The verdict: [`Verdict::Kept`] where nothing wrong has a share of [`SURE`] or more, [`Verdict::NotKept`] where it has
//!    no more than [`ACCUSED`] (another seal counted as nothing wrong), else [`Verdict::CannotTell`].

use std::ops::Range;

use super::error::VerifyFault;
use super::explanation::{
    Evidence, Explanation, LevelEvidence, MeasuredEq, PlayedEq, Tried, ranked,
};
use super::noise::{Deviations, ErrorModel, Noise, points};
use crate::error::{Error, Knob, Result};
use crate::filter::{Section, cascade};
use crate::measurement::error::MeasurementFault;
use crate::measurement::grid::{self, OnGrid, POINTS, POINTS_PER_OCTAVE, frequency_hz};
use crate::measurement::judge::{Judged, Settings, judge};
use crate::measurement::rig::TRUSTED;
use crate::measurement::takes::{Side, Take, offset_db};
use crate::sheet::Sheet;

/// Share of "nothing wrong" from which the promise counts as kept.
pub const SURE: f64 = 0.91;
/// Share of "nothing wrong" up to which it counts as not kept.
pub const ACCUSED: f64 = 0.04;
/// Explanations with a smaller share are not told.
pub const LEAST_SHARE: f64 = 0.01;
/// The band over which the size of a change is told, hertz, as far as it was judged.
pub const TOLD_HZ: (f64, f64) = (50.0, 8000.0);
/// Standard error of a level that two sessions share, dB: another day's seating (our own choice).
const LEVEL_ERROR_DB: f64 = 0.4;
/// Degrees of freedom of Student's likelihood beyond those of the takes' spread: neighbouring frequencies and what is
/// known of spreads in general.
const MORE_FREEDOM: f64 = 6.0;

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
}

/// Whether the promise was kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The measured change is the promised one, as far as these takes can tell.
    Kept,
    /// It is another.
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
    /// Its probability after these takes, 0 to 1.
    #[schemars(range(min = 0.0, max = 1.0))]
    pub share: f64,
    /// What it leaves unexplained, rms in standard errors, 0 or more; about 1 where it fits.
    pub misfit: f64,
    /// The largest change that it makes to the promise, 50 Hz to 8 kHz, level-free, dB with its sign.
    pub worst_db: f64,
    /// Frequency of that change, Hz.
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
    /// Its largest value there, dB with its sign.
    pub worst_db: f64,
    /// Frequency of that value, Hz.
    pub worst_hz: f64,
    /// Standard error of that value, dB, 0 or more.
    pub worst_error_db: f64,
}

/// The level, where it compares.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct LevelChange {
    /// The promised change: the preamp, dB.
    pub promised_db: f64,
    /// The measured change, less the sections' as promised, dB.
    pub measured_db: f64,
    /// Standard error of the measured change, dB, 0 or more.
    pub error_db: f64,
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
    /// The largest change, 50 Hz to 8 kHz, of a mistake that these takes do not exclude, dB, 0 or more.
    pub unseen_db: f64,
}

/// The change of one side.
struct SideChange {
    side: Side,
    db: Vec<f64>,
    /// `1/n + 1/m`.
    means: f64,
    takes: (usize, usize),
}

/// The measured change of one EQ: of a side, or the mean of all where it serves both.
struct EqChange {
    side: Option<Side>,
    db: Vec<f64>,
    /// The share of the variance of one take.
    means: f64,
    takes: (usize, usize),
}

impl Remeasured {
    /// What of [`TOLD_HZ`] was judged, hertz; all that was judged where that is nothing of it.
    #[must_use]
    pub fn told_hz(&self) -> (f64, f64) {
        told_hz(self.judged_hz)
    }
}

fn told_hz((lowest_hz, highest_hz): (f64, f64)) -> (f64, f64) {
    let told_hz = (lowest_hz.max(TOLD_HZ.0), highest_hz.min(TOLD_HZ.1));
    if told_hz.0 < told_hz.1 {
        told_hz
    } else {
        (lowest_hz, highest_hz)
    }
}

/// Judges takes of before and after against the sheet.
///
/// # Errors
/// As [`judge`]; `Coverage` where the sessions share no side, or too little that can be believed; `Setting` for a rate that is
/// not the sheet's, or takes that do not say their side where the sheet has an EQ for each.
pub fn remeasured(sheet: &Sheet, request: &Remeasurement) -> Result<Remeasured> {
    let rate_hz = chosen_rate(sheet, request.rate_hz)?;
    let sessions = Sessions::new(request)?;
    let (parts, mut changes) = sessions.eqs(sheet, rate_hz)?;
    let Sessions {
        before,
        after,
        trust,
        at,
        noise,
        ..
    } = sessions;
    let judged_hz = (frequency_hz()[at[0]], frequency_hz()[at[at.len() - 1]]);
    let level_evidence = request.same_level.then(|| LevelEvidence {
        preamp_db: sheet.level.preamp_db,
        error_db: level_error_db(request, &before, &after),
    });
    let ranking = ranked(&Evidence {
        parts: &parts,
        rate_hz,
        rates_hz: &sheet.rates_hz,
        level: level_evidence,
        freedom: noise.freedom as f64 + MORE_FREEDOM,
    });
    let tried = &ranking.tried;
    for (change, playing) in changes.iter_mut().zip(&tried[0].sections) {
        change.explain(&tried[0].explanation, playing);
    }
    let count: usize = parts.iter().map(|p| p.frequency_hz.len() - 1).sum();
    let mut explanations: Vec<Ranked> = tried
        .iter()
        .map(|t| sized(t, &parts, rate_hz, told_hz(judged_hz), count))
        .collect();
    let verdict = verdict(&explanations);
    let mut number = 0;
    explanations.retain(|ranked| {
        number += 1;
        number <= 3 || ranked.share >= LEAST_SHARE
    });
    let possible = ranking.possible.iter();
    let unseen_db = possible
        .map(|playing| largest(playing, &parts, rate_hz, told_hz(judged_hz)).0)
        .fold(0.0, |most: f64, db| most.max(db.abs()));
    let mean_square = at.iter().map(|i| noise.take_db[*i].powi(2)).sum::<f64>() / at.len() as f64;
    Ok(Remeasured {
        before,
        after,
        rate_hz,
        judged_hz,
        trust,
        spread_db: mean_square.sqrt(),
        freedom: noise.freedom,
        changes,
        level: level_evidence.map(|level| level_change(&parts, &level, rate_hz)),
        verdict,
        explanations,
        unseen_db,
    })
}

/// The takes of both sessions, judged, and what they share.
struct Sessions<'a> {
    request: &'a Remeasurement,
    before: Judged,
    after: Judged,
    /// What both cover, by grid point.
    support: Range<usize>,
    /// The grid points that are judged.
    at: Vec<usize>,
    trust: Vec<f64>,
    noise: Noise,
    sides: Vec<SideChange>,
}

impl<'a> Sessions<'a> {
    fn new(request: &'a Remeasurement) -> Result<Self> {
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
        if at.len() < POINTS_PER_OCTAVE / super::noise::STRIDE {
            return Err(Error::of(VerifyFault::Apart, Knob::After));
        }
        let sides = side_changes(&before, &after)?;
        let deviations = deviations(request, &before, &after, &support);
        let resonance_hz = after
            .resonance
            .as_ref()
            .or(before.resonance.as_ref())
            .map(|r| r.frequency_hz);
        Ok(Self {
            noise: Noise::of_takes(&deviations, &support, &at, resonance_hz),
            request,
            before,
            after,
            support,
            at,
            trust,
            sides,
        })
    }

    /// Each EQ of the sheet with its measured change, as evidence and for people.
    fn eqs(&self, sheet: &Sheet, rate_hz: f64) -> Result<(Vec<MeasuredEq>, Vec<Change>)> {
        let at = &self.at;
        let (mut parts, mut changes) = (Vec::new(), Vec::new());
        for change in measured(sheet, &self.sides)? {
            let side = change.side;
            let channels = || sheet.channels.iter();
            let Some(channel) = channels().find(|c| c.side == side) else {
                continue;
            };
            let others = channels().find(|c| side.is_some() && c.side != side);
            let mut covariance = self.noise.covariance(at, &self.trust, change.means);
            if self.request.rate_hz.is_none() {
                covariance += of_rates(&channel.sections, sheet, rate_hz, at);
            }
            let error_models = (
                MeasuredEq::anything(&covariance, at),
                ErrorModel::new(covariance),
            );
            let (Some(anything), Some(error_model)) = error_models else {
                return Err(Error::of(VerifyFault::Spread, Knob::After));
            };
            changes.push(self.change(&change, &channel.sections, rate_hz, &error_model));
            parts.push(MeasuredEq {
                side,
                sections: channel.sections.clone(),
                others: others.map(|c| c.sections.clone()),
                frequency_hz: at.iter().map(|i| frequency_hz()[*i]).collect(),
                measured_db: at.iter().map(|i| change.db[*i]).collect(),
                error_model,
                anything,
            });
        }
        Ok((parts, changes))
    }

    /// A measured change beside what `sections` promise.
    fn change(
        &self,
        measured: &EqChange,
        sections: &[Section],
        rate_hz: f64,
        error_model: &ErrorModel,
    ) -> Change {
        let (db, at) = (&measured.db, &self.at);
        let promised_db = promised(sections, rate_hz);
        let left: Vec<f64> = at.iter().map(|i| db[*i] - promised_db[*i]).collect();
        let (level_db, _) = error_model.level_db(&left);
        let measured_db: Vec<f64> = db.iter().map(|db| db - level_db).collect();
        let error_db = |i: usize| {
            let covariance = self.noise.covariance(&[i], &self.trust, measured.means);
            covariance[(0, 0)].sqrt()
        };
        let error_db: Vec<f64> = (0..POINTS).map(error_db).collect();
        let left = |i: usize| measured_db[i] - promised_db[i];
        let squares: f64 = at.iter().map(|i| left(*i).powi(2)).sum();
        let worst = at
            .iter()
            .copied()
            .max_by(|a, b| left(*a).abs().total_cmp(&left(*b).abs()))
            .unwrap_or_default();
        Change {
            side: measured.side,
            support: self.support.clone(),
            rms_db: (squares / at.len() as f64).sqrt(),
            worst_db: left(worst),
            worst_hz: frequency_hz()[worst],
            worst_error_db: error_db[worst],
            promised_db,
            measured_db,
            error_db,
            explained_db: None,
            takes_before: measured.takes.0,
            takes_after: measured.takes.1,
        }
    }
}

/// Whether the promise was kept, by the shares of all explanations.
fn verdict(explanations: &[Ranked]) -> Verdict {
    let share = |wanted: fn(&Explanation) -> bool| -> f64 {
        let of = explanations.iter().filter(|r| wanted(&r.explanation));
        of.map(|r| r.share).sum()
    };
    let nothing = share(|e| matches!(e, Explanation::NothingWrong));
    let seal = share(|e| matches!(e, Explanation::SealDiffers { .. }));
    if nothing >= SURE {
        Verdict::Kept
    } else if nothing + seal <= ACCUSED {
        Verdict::NotKept
    } else {
        Verdict::CannotTell
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

/// What each side that both sessions have changed by.
fn side_changes(before: &Judged, after: &Judged) -> Result<Vec<SideChange>> {
    let mut sides = Vec::new();
    for one in &after.sides {
        if let Some(other) = before.sides.iter().find(|b| b.side == one.side) {
            let db = (0..POINTS).map(|i| one.mean.level_db[i] - other.mean.level_db[i]);
            sides.push(SideChange {
                side: one.side,
                db: db.collect(),
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

/// The measured change of each EQ of the sheet.
fn measured(sheet: &Sheet, sides: &[SideChange]) -> Result<Vec<EqChange>> {
    if sheet.is_per_side() {
        let known: Vec<EqChange> = sides
            .iter()
            .filter(|s| s.side != Side::Unknown)
            .map(|s| EqChange {
                side: Some(s.side),
                db: s.db.clone(),
                means: s.means,
                takes: s.takes,
            })
            .collect();
        if known.is_empty() {
            return Err(Error::of(VerifyFault::UnknownSides, Knob::After));
        }
        return Ok(known);
    }
    let count = sides.len() as f64;
    let mean = |i: usize| sides.iter().map(|s| s.db[i]).sum::<f64>() / count;
    let takes = |of: fn(&SideChange) -> usize| sides.iter().map(of).sum();
    Ok(vec![EqChange {
        side: None,
        db: (0..POINTS).map(mean).collect(),
        means: sides.iter().map(|s| s.means).sum::<f64>() / (count * count),
        takes: (takes(|s| s.takes.0), takes(|s| s.takes.1)),
    }])
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

/// Standard error of the level: of the takes' own levels, and of another session.
fn level_error_db(request: &Remeasurement, before: &Judged, after: &Judged) -> f64 {
    let (mut squares, mut freedom, mut count) = (0.0_f64, 0.0_f64, 0.0_f64);
    for (takes, judged) in [(&request.before, before), (&request.after, after)] {
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

/// Nobody said at which of its rates the equaliser ran: what the sheet promises at the others counts as error.
fn of_rates(
    sections: &[Section],
    sheet: &Sheet,
    rate_hz: f64,
    at: &[usize],
) -> nalgebra::DMatrix<f64> {
    let f_hz: Vec<f64> = at.iter().map(|i| frequency_hz()[*i]).collect();
    let here = cascade::levels_db(sections, rate_hz, &f_hz);
    let mut sum = nalgebra::DMatrix::zeros(at.len(), at.len());
    for &other_hz in sheet.rates_hz.iter().filter(|other| **other != rate_hz) {
        let there = cascade::levels_db(sections, other_hz, &f_hz);
        let apart =
            nalgebra::DVector::from_iterator(at.len(), there.iter().zip(&here).map(|(a, b)| a - b));
        sum += &apart * apart.transpose() / sheet.rates_hz.len() as f64;
    }
    sum
}

impl Change {
    /// The curve of an explanation, at the level at which it fits the measured one best in the least squares of its errors.
    fn explain(&mut self, explanation: &Explanation, playing: &PlayedEq) {
        if *explanation == Explanation::SomethingElse {
            return;
        }
        let explained: Vec<f64> = frequency_hz()
            .iter()
            .map(|f| playing.level_db(*f))
            .collect();
        let (mut sum, mut weight) = (0.0, 0.0);
        for i in self.support.clone() {
            let w = self.error_db[i].powi(-2);
            sum += w * (self.measured_db[i] - explained[i]);
            weight += w;
        }
        let level_db = match explanation {
            Explanation::NothingWrong | Explanation::PreampMissing => 0.0,
            _ => sum / weight,
        };
        self.explained_db = Some(explained.iter().map(|db| db + level_db).collect());
    }
}

fn promised(sections: &[Section], rate_hz: f64) -> Vec<f64> {
    let f_hz: Vec<f64> = frequency_hz()
        .iter()
        .map(|f| f.min(0.5 * rate_hz))
        .collect();
    cascade::levels_db(sections, rate_hz, &f_hz)
}

/// The largest change to the promise over `told_hz`, level-free, dB, and where, hertz.
fn largest(
    playing: &[PlayedEq],
    parts: &[MeasuredEq],
    rate_hz: f64,
    told_hz: (f64, f64),
) -> (f64, f64) {
    let (mut worst_db, mut worst_hz) = (0.0_f64, told_hz.0);
    for (part, playing) in parts.iter().zip(playing) {
        let change: Vec<f64> = part
            .frequency_hz
            .iter()
            .map(|f| playing.level_db(*f) - cascade::level_db(&part.sections, rate_hz, *f))
            .collect();
        let (level_db, _) = part.error_model.level_db(&change);
        for (f, db) in part.frequency_hz.iter().zip(&change) {
            let told = (told_hz.0..=told_hz.1).contains(f);
            if told && (db - level_db).abs() > worst_db.abs() {
                (worst_db, worst_hz) = (db - level_db, *f);
            }
        }
    }
    (worst_db, worst_hz)
}

fn sized(
    tried: &Tried,
    parts: &[MeasuredEq],
    rate_hz: f64,
    told_hz: (f64, f64),
    count: usize,
) -> Ranked {
    let (worst_db, worst_hz) = largest(&tried.sections, parts, rate_hz, told_hz);
    Ranked {
        explanation: tried.explanation,
        share: tried.share,
        misfit: (tried.squares / count.max(1) as f64).sqrt(),
        worst_db,
        worst_hz,
    }
}

fn level_change(parts: &[MeasuredEq], level: &LevelEvidence, rate_hz: f64) -> LevelChange {
    let count = parts.len() as f64;
    let (mut sum, mut squares) = (0.0, 0.0);
    for part in parts {
        let points = part.frequency_hz.iter().zip(&part.measured_db);
        let left: Vec<f64> = points
            .map(|(f, db)| db - cascade::level_db(&part.sections, rate_hz, *f))
            .collect();
        let (db, error_db) = part.error_model.level_db(&left);
        sum += db / count;
        squares += (error_db / count).powi(2);
    }
    LevelChange {
        promised_db: level.preamp_db,
        measured_db: sum,
        error_db: (squares + level.error_db * level.error_db).sqrt(),
    }
}
