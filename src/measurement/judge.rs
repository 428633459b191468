//! Which takes of a unit are sound: the whole judgement as one function, [`judge`]. Levels are in dB on the common
//! grid.
//!
//! 1. **Copies.** Takes with the same data ([`copies`]) count once. A file given for both sides counts on the side that it
//!    is nearer to.
//! 2. **Hum.** A take with mains hum ([`outlier::hum`]) is an outlier by itself and is not compared with others, unless
//!    all takes of its side have hum.
//! 3. **Ears.** The takes of a side are compared in pairs ([`outlier::compare`]); the excess of a pair is the largest
//!    ratio of a deviation to its limit, with level and leak removed, whichever of the two leaks. The group of a take is
//!    the set of takes whose excess with it is at most the limit of the side (1 to 1.5). The largest group, of two takes at
//!    least, is the side's ear; an only take is its own. Where there is none, or a disjoint one is equally large, the other
//!    side may tell (`SideTakes::decide_by_other_side`): a take that is disturbed, or further from the other side than
//!    the sides of one unit ever are, is not this ear's. Otherwise nothing tells, and all takes are kept.
//! 4. **Labels.** A take that does not belong, or of which nothing tells whether it does, and that is as near to the other
//!    side as takes of one ear are, is suspect of a swapped label.
//! 5. **Seals.** Of the takes of the ear, those with the earphone's own seal (`own_seal`) are the first to be sound:
//!    the seal that most takes of the unit share, or else the tightest. The others are fitted against their mean: a take
//!    that loses the threshold or more from 20 to 40 Hz leaks ([`leak`]); where the seal is shared, one that has so much
//!    more bass had its vent blocked. Then all are fitted again against the mean of the sound takes, which has less noise,
//!    until the set of sound takes no longer changes (at most six rounds).
//! 6. **Levels.** Of three or more takes of the ear those whose level is more than [`LEVEL_LIMIT_DB`] from the median are
//!    outliers. If the only two differ in level by that much, both are undecided.
//! 7. **Sides.** A side whose takes are alike may leak as a whole, so its mean is compared with the other side's. A
//!    vent looks like a leak, and two sides that leak alike look sound: neither can be told from curves.
//! 8. The remaining takes are averaged ([`takes::average`]), left and right are matched, and the coupler's resonance is
//!    followed through all takes ([`resonance`]), unless the rig has no coupler.
//!
//! Source: our own method and limits (common practice, no source). Guaranteed: the verdicts and figures depend neither
//! on the order nor on the names of the takes (which of two with the very same data is called the copy, their names say);
//! at least one take of each side is kept.

use std::fmt;
use std::ops::Range;

use super::copies;
use super::grid::{self, OnGrid, POINTS, frequency_hz};
use super::leak::{self, LEAK_THRESHOLD_DB, Loss};
use super::outlier::{
    self, Comparison, Kind, LEVEL_LIMIT_DB, MISFIT_LIMIT_DB, Outlier, Pair, Table,
};
use super::own_seal::{self, Looser, Why};
use super::resonance::{self, Followed, Resonance, UnitResonance};
use super::rig::Rig;
use super::smooth::{Width, smooth};
use super::takes::{self, Average, Side, Take, median};
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Result, Source};

/// What a take has more from 20 to 40 Hz than those with the unit's shared seal, from which its vent was blocked, dB: more
/// than a tighter seat gives.
const BLOCKED_THRESHOLD_DB: f64 = 2.2;
/// Largest differences of the two sides of one unit, level and bass removed: mean over 1/6 octave, dB; and dB rms. Our
/// choice: the sides of a bad one differ by half of that.
const SIDES_DIFFER_MOST_DB: (f64, f64) = (8.0, 4.0);
/// From here on a narrow deviation from the other side is a disturbance and not what the sides differ by, dB over 1/6
/// octave. Our choice.
const DISTURBED_FROM_DB: f64 = 3.0;
/// A take of the side's ear is suspect of a swapped label if its distance from the others is so many times that from the
/// other side; and so large, dB rms, that it is no matter of noise. Our choice.
const NEARER_TIMES: f64 = 2.5;
const NEARER_FROM_DB: f64 = 0.3;

/// Band over which the match of left and right is computed, hertz; the curves are smoothed by 1/3 octave.
pub const MATCH_HZ: (f64, f64) = (100.0, 8000.0);

/// Settings of the judgement.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Worst loss from 20 to 40 Hz from which a take counts as leaking, dB; more than 0.
    pub leak_threshold_db: f64,
    /// Judge, but keep all takes; copies still count once.
    pub keep_all: bool,
    /// The rig: its trust weights the comparison of takes.
    pub rig: Rig,
    /// The coupler's resonance where it is known from elsewhere, Hz.
    pub resonance_hz: Option<f64>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            leak_threshold_db: LEAK_THRESHOLD_DB,
            keep_all: false,
            rig: Rig::default(),
            resonance_hz: None,
        }
    }
}

/// The verdict on a take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// Nothing is wrong.
    Sound,
    /// Its seal leaks.
    Leaks(Loss),
    /// It has the same data as another take ([`JudgedTake::copy_of`]).
    Copy,
    /// It differs from the other takes of its side.
    Outlier(Outlier),
    /// The takes of its side contradict each other and it is not known which are right, or they share too little.
    Undecided {
        /// Median distance to the others, dB rms; None if they share too little.
        distance_db: Option<f64>,
        /// Whether it is like the other side's takes and unlike others of its own: its label may be swapped.
        other_side: bool,
    },
}

/// The verdict as a phrase that follows the take's name.
impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let outlier = match self {
            Self::Sound => return f.write_str("is sound"),
            Self::Undecided { other_side: true, .. } => {
                return f.write_str("resembles the other side (label swapped?)");
            }
            Self::Undecided { .. } => return f.write_str("contradicts the others of its side"),
            Self::Copy => return f.write_str("has the same data as another take"),
            Self::Leaks(loss) => {
                return write!(
                    f,
                    "leaks {:.1} dB at {:.0} Hz (corner {:.0} Hz)",
                    loss.worst_loss_db, loss.worst_loss_hz, loss.leak.corner_hz
                );
            }
            Self::Outlier(outlier) => outlier,
        };
        let largest = |f: &mut fmt::Formatter<'_>| match (outlier.largest_db, outlier.largest_hz) {
            (Some(db), Some(hz)) => write!(f, ", by {db:+.1} dB at {hz:.0} Hz"),
            _ => Ok(()),
        };
        match outlier.kind {
            Kind::Shape => {
                f.write_str("differs in shape, as a take of another unit does")?;
                largest(f)
            }
            Kind::Narrow => {
                f.write_str("differs in a narrow band, as after a knock")?;
                largest(f)
            }
            Kind::LevelStep { step_db, at_hz } => {
                write!(
                    f,
                    "steps by {step_db:+.1} dB at {at_hz:.0} Hz, as a loose contact does"
                )
            }
            Kind::Rough { rough_db } => {
                write!(f, "is rough by {rough_db:.1} dB rms, as noise makes it")
            }
            Kind::MainsHum { mains_hz, spike_db } => write!(
                f,
                "carries mains hum, up to {spike_db:.1} dB at multiples of {mains_hz:.0} Hz"
            ),
            Kind::Level { level_db } => write!(f, "differs in level by {level_db:+.1} dB"),
            Kind::OtherSide => f.write_str("resembles the other side (label swapped?)"),
            Kind::BlockedVent {
                more_db,
                at_hz,
                corner_hz,
            } => write!(
                f,
                "has {more_db:.1} dB more bass at {at_hz:.0} Hz, as with a blocked vent (the others share a corner at {corner_hz:.0} Hz)"
            ),
        }
    }
}

/// One take, judged.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct JudgedTake {
    /// Its name.
    pub name: String,
    /// Its side; `unknown` where neither its name nor its unit file says one.
    pub side: Side,
    /// The verdict on it.
    #[serde(skip)]
    pub verdict: Verdict,
    /// Whether it was left out of means and average.
    pub set_aside: bool,
    /// Its level over the median of its side's takes, dB; none (`null`) where it could not be compared.
    pub level_db: Option<f64>,
    /// Its distance from the side's reference, level and leak taken out, dB rms, 0 or more; 0 for the reference itself;
    /// none (`null`) where there is none.
    pub distance_db: Option<f64>,
    /// Name of the take whose data it has too, but for a constant level and rounding; none (`null`) for all but copies.
    pub copy_of: Option<String>,
    /// Its loss of bass against the mean of the sound takes of its side, whatever the verdict; often next to nothing;
    /// none (`null`) where the data do not reach down to 40 Hz or there is nothing to compare with.
    pub seal: Option<Loss>,
    /// The coupler's resonance in it; none (`null`) where none was found.
    pub resonance: Option<Resonance>,
    /// How much deeper it sat than the unit's median, by the half-wave relation, mm; none (`null`) where no resonance was
    /// seen to move.
    pub deeper_mm: Option<f64>,
}

impl JudgedTake {
    /// What was found, as a phrase that follows its name.
    #[must_use]
    pub fn finding(&self) -> String {
        match &self.copy_of {
            Some(original) => format!("has the same data as {original}"),
            None => self.verdict.to_string(),
        }
    }
}

/// What is known of the seal of a side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seal {
    /// Some takes leak against others, so the others seal better.
    TakesDiffer,
    /// All takes are alike (or there is one), with no less bass than the other side.
    LikeTheOtherSide,
    /// All takes are alike (or there is one), with less bass than the other side: either all leak, or there is a vent.
    LessThanTheOtherSide(Loss),
    /// All takes are alike and there is no other side, or the sides differ in another way, or the data do not reach 40
    /// Hz.
    CannotBeTold,
}

/// Whether the takes of a side are of one thing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Agreement {
    /// Most are alike.
    Agree,
    /// One take: nothing to compare.
    OneTake,
    /// They contradict each other, and the other side decided which to believe.
    ByTheOtherSide,
    /// They contradict each other, and it cannot be told which to believe.
    CannotBeTold,
    /// Two of three lose the same bass against the third: two leaks that are alike, or a vent that was blocked in one.
    LeakOrVent,
}

/// One side, judged.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct JudgedSide {
    /// Which side.
    pub side: Side,
    /// Number of its takes.
    pub takes: usize,
    /// Number of the takes in its mean.
    pub kept: usize,
    /// Whether its takes agree.
    pub agreement: Agreement,
    /// Name of the take that the others were compared with; none (`null`) where there was nothing to compare.
    pub reference: Option<String>,
    /// Its seal.
    #[serde(skip)]
    pub seal: Seal,
    /// Where takes differ: what the sound ones still lose against the other side's, if that is the threshold or more.
    #[serde(skip)]
    pub sound_takes_lose: Option<Loss>,
    /// True when every take was found wanting and all were kept for want of a better one.
    pub kept_for_want_of_better: bool,
    /// Mean of its kept takes, levels aligned, dB.
    #[serde(skip)]
    pub mean: OnGrid,
}

/// Left minus right. The figures without level are over 100 Hz to 8 kHz, smoothed by 1/3 octave.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Match {
    /// The level part, dB: median of the difference over 200 Hz to 2 kHz.
    pub level_db: f64,
    /// The difference without its level part, dB rms, 0 or more.
    pub rms_db: f64,
    /// Its largest value, dB with its sign.
    pub worst_db: f64,
    /// Frequency of that value, Hz.
    pub worst_hz: f64,
    /// By grid point, unsmoothed, without the level part, dB.
    #[serde(skip)]
    pub by_frequency: OnGrid,
    /// By grid point, smoothed by 1/3 octave, without the level part, dB.
    #[serde(skip)]
    pub smoothed: OnGrid,
}

/// The judgement of all takes of a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The loss from which a take counts as leaking, dB, as set.
    pub leak_threshold_db: f64,
    /// All takes, in the order given.
    pub takes: Vec<JudgedTake>,
    /// Indices of the takes in the order in which they were judged ([`takes::canonical_order`]).
    pub order: Vec<usize>,
    /// The sides that have takes: left, right, unknown.
    pub sides: Vec<JudgedSide>,
    /// Left minus right; None without both sides, if they share nothing of 100 Hz to 8 kHz, or if one has nothing but
    /// copies of the other's takes.
    pub matching: Option<Match>,
    /// The coupler's resonance; None if it was not found.
    pub resonance: Option<UnitResonance>,
    /// The average of the kept takes, and their spread.
    pub average: Average,
    /// Names of the takes set aside, in the order in which takes were judged.
    pub set_aside: Vec<String>,
}

impl Judged {
    /// The band that the resonance of the rig's coupler distorts, Hz; None where it was not found, may be the earphone's own,
    /// or the rig has no coupler.
    #[must_use]
    pub fn coupler_hz(&self, rig: &Rig) -> Option<(f64, f64)> {
        let resonance = self.resonance.as_ref();
        let known = resonance.filter(|found| found.is_the_coupler_s() && *rig != Rig::Flat);
        known.map(|found| found.guard_hz)
    }

    /// The takes that were set aside, in the order in which they were judged.
    pub fn aside(&self) -> impl Iterator<Item = &JudgedTake> {
        let takes = self.order.iter().map(|i| &self.takes[*i]);
        takes.filter(|take| take.set_aside)
    }
}

/// The takes of one side while they are judged, without those that count elsewhere. Indices count the takes of this side.
struct SideTakes<'a> {
    side: Side,
    curves: Vec<&'a OnGrid>,
    /// Index of each take among all takes of the unit.
    of_unit: Vec<usize>,
    hum: Vec<Option<outlier::Kind>>,
    table: Table,
    /// Indices of the takes in `table`: those without hum, or all if every take has hum.
    voters: Vec<usize>,
    agreement: Agreement,
    /// The takes of the side's ear; empty where nothing tells which they are.
    ear: Vec<usize>,
    /// The take of the ear that the others are compared with.
    reference: Option<usize>,
    /// The takes of the ear that have the earphone's own seal at first sight, and why it is that.
    own_seal: (Why, Vec<usize>),
    limit: f64,
    /// For each take whether it is as near to the other side as takes of one ear are.
    like_other_side: Vec<bool>,
}

struct Findings {
    verdict: Verdict,
    level_db: Option<f64>,
    distance_db: Option<f64>,
    seal: Option<Loss>,
}

/// The bass of a take against the sound ones of its side.
#[derive(Clone, Copy)]
struct Bass {
    loss: Loss,
    /// What the sound ones lose against it, where their seal is shared.
    more: Option<Loss>,
}

impl Bass {
    fn leaks(&self, threshold_db: f64) -> bool {
        self.loss.worst_loss_db >= threshold_db
    }

    /// What the others lose, if its vent was blocked.
    fn blocked(&self) -> Option<Loss> {
        self.more
            .filter(|more| more.worst_loss_db >= BLOCKED_THRESHOLD_DB)
    }
}

/// Judges the takes of one unit. The figures depend neither on the order of the takes nor on their names.
///
/// # Errors
/// `Coverage` if there are no takes, or if the kept ones share less than an octave; `Setting` if the threshold is not
/// positive.
pub fn judge(takes: &[Take], settings: &Settings) -> Result<Judged> {
    let order = takes::canonical_order(takes);
    let in_order: Vec<Take> = order.iter().map(|i| takes[*i].clone()).collect();
    let mut judged = judge_in_order(&in_order, settings)?;
    let mut as_given: Vec<(usize, JudgedTake)> = order.iter().copied().zip(judged.takes).collect();
    as_given.sort_by_key(|(given, _)| *given);
    judged.takes = as_given.into_iter().map(|(_, take)| take).collect();
    let kept = judged.takes.iter().filter(|take| !take.set_aside);
    judged.average.takes = kept.map(|take| take.name.clone()).collect();
    judged.order = order;
    Ok(judged)
}

/// Judges takes that are in canonical order.
fn judge_in_order(takes: &[Take], settings: &Settings) -> Result<Judged> {
    let threshold_db = settings.leak_threshold_db;
    if !(threshold_db.is_finite() && threshold_db > 0.0) {
        return Err(Error::of(
            ValueFault::out_of_range(
                Quantity::LeakThreshold(LEAK_THRESHOLD_DB),
                threshold_db,
                (0.0, f64::INFINITY),
            ),
            Source::name("leak threshold"),
        ));
    }
    let trust = settings.rig.trust_on_grid();
    let (copy_of, counts) = counted(takes, &trust);
    let mut all_sides: Vec<SideTakes> = Side::ALL
        .into_iter()
        .filter_map(|side| SideTakes::new(side, takes, &counts, &trust))
        .collect();
    let ears: Vec<Option<&OnGrid>> = all_sides
        .iter()
        .map(|side_takes| side_takes.reference.map(|r| side_takes.curves[r]))
        .collect();
    for k in 0..all_sides.len() {
        let Some(o) = other(all_sides[k].side, &all_sides) else {
            continue;
        };
        let others: Vec<&OnGrid> = match ears[o] {
            Some(ear) => vec![ear],
            None => all_sides[o].curves.clone(),
        };
        all_sides[k].compare_with_other_side(&others, &trust);
        if let Some(ear) = ears[o] {
            all_sides[k].decide_by_other_side(ear, &trust);
        }
    }
    let of_ears: Vec<Vec<&OnGrid>> = all_sides
        .iter()
        .map(|side| side.ear.iter().map(|i| side.curves[*i]).collect())
        .collect();
    for k in 0..all_sides.len() {
        let others = other(all_sides[k].side, &all_sides).map(|o| of_ears[o].as_slice());
        all_sides[k].find_own_seal(others.unwrap_or_default());
    }

    let judged_take = |at: usize, finding: Findings, set_aside: bool| JudgedTake {
        name: takes[at].name.clone(),
        side: takes[at].side,
        verdict: finding.verdict,
        set_aside,
        level_db: finding.level_db,
        distance_db: finding.distance_db,
        copy_of: copy_of[at].map(|original| takes[original].name.clone()),
        seal: finding.seal,
        resonance: None,
        deeper_mm: None,
    };
    let mut judged: Vec<Option<JudgedTake>> = vec![None; takes.len()];
    let mut nothing_better = Vec::new();
    for side_takes in &all_sides {
        let findings = side_takes.findings(&trust, threshold_db);
        let spoiled = |o: &Findings| matches!(o.verdict, Verdict::Leaks(_) | Verdict::Outlier(_));
        let nothing_left = findings.iter().all(spoiled);
        nothing_better.push(nothing_left);
        for (mut finding, at) in findings.into_iter().zip(&side_takes.of_unit) {
            let aside = spoiled(&finding) && !nothing_left && !settings.keep_all;
            // A copy that is all that its side has.
            if copy_of[*at].is_some() {
                finding.verdict = Verdict::Copy;
            }
            judged[*at] = Some(judged_take(*at, finding, aside));
        }
    }
    let copy = |at: usize| {
        let finding = Findings {
            verdict: Verdict::Copy,
            level_db: None,
            distance_db: None,
            seal: None,
        };
        judged_take(at, finding, true)
    };
    let mut judged: Vec<JudgedTake> = judged
        .into_iter()
        .enumerate()
        .map(|(at, take)| take.unwrap_or_else(|| copy(at)))
        .collect();
    let kept: Vec<Take> = takes
        .iter()
        .zip(&judged)
        .filter(|(_, judged)| !judged.set_aside)
        .map(|(take, _)| take.clone())
        .collect();
    let average = takes::average(&kept)?;
    let support = average.on_grid.support.clone();
    let means: Vec<(Side, OnGrid)> = takes::aligned_sides(&kept, &support)
        .into_iter()
        .map(|aligned| {
            let level_db = aligned.mean_db;
            (
                aligned.side,
                OnGrid {
                    level_db,
                    support: support.clone(),
                },
            )
        })
        .collect();
    let resonance = follow_resonance(takes, &means, settings, &mut judged);
    let sides = all_sides
        .iter()
        .zip(&nothing_better)
        .filter_map(|(side_takes, nothing_better)| {
            let mean = means.iter().find(|(side, _)| *side == side_takes.side)?;
            let other = opposite(side_takes.side)
                .and_then(|other| means.iter().find(|(side, _)| *side == other));
            let of_side = || judged.iter().filter(|take| take.side == side_takes.side);
            let differ = of_side().any(|take| matches!(take.verdict, Verdict::Leaks(_)));
            let against_other =
                seal_against_other(&mean.1, other.map(|(_, mean)| mean), threshold_db);
            Some(JudgedSide {
                side: side_takes.side,
                takes: of_side().count(),
                kept: of_side().filter(|take| !take.set_aside).count(),
                agreement: side_takes.agreement,
                reference: side_takes
                    .reference
                    .map(|r| takes[side_takes.of_unit[r]].name.clone()),
                seal: if differ {
                    Seal::TakesDiffer
                } else {
                    against_other
                },
                sound_takes_lose: match against_other {
                    Seal::LessThanTheOtherSide(leak) if differ => Some(leak),
                    _ => None,
                },
                kept_for_want_of_better: *nothing_better,
                mean: mean.1.clone(),
            })
        })
        .collect();
    let mean_of = |wanted: Side| means.iter().find(|(side, _)| *side == wanted).map(|m| &m.1);
    let is_measured = |side: Side| {
        let mut kept = judged.iter().filter(|take| take.side == side && !take.set_aside);
        kept.any(|take| take.verdict != Verdict::Copy)
    };
    let both_measured = Side::BOTH.into_iter().all(is_measured);
    let matching = match (mean_of(Side::Left), mean_of(Side::Right)) {
        (Some(left), Some(right)) if both_measured => matched(left, right),
        _ => None,
    };
    let set_aside = judged.iter().filter(|take| take.set_aside);
    Ok(Judged {
        leak_threshold_db: threshold_db,
        set_aside: set_aside.map(|take| take.name.clone()).collect(),
        order: (0..takes.len()).collect(),
        takes: judged,
        sides,
        matching,
        resonance,
        average,
    })
}

/// For each take the one whose data it has too, and whether it counts; the takes are in canonical order.
fn counted(takes: &[Take], trust: &[f64]) -> (Vec<Option<usize>>, Vec<bool>) {
    let mut copy_of = vec![None; takes.len()];
    for side in Side::ALL {
        let of_side: Vec<usize> = (0..takes.len()).filter(|i| takes[*i].side == side).collect();
        let of: Vec<&Take> = of_side.iter().map(|i| &takes[*i]).collect();
        for (i, original) in copies::originals(&of).into_iter().enumerate() {
            copy_of[of_side[i]] = original.map(|original| of_side[original]);
        }
    }
    let mut counts: Vec<bool> = copy_of.iter().map(Option::is_none).collect();
    let of = |side: Side| {
        let counts = &counts;
        (0..takes.len()).filter(move |i| takes[*i].side == side && counts[*i])
    };
    let same = |l: usize, r: usize| copies::same_data(&takes[l].on_grid, &takes[r].on_grid);
    let across: Vec<(usize, usize)> = of(Side::Left)
        .flat_map(|l| of(Side::Right).map(move |r| (l, r)))
        .filter(|(l, r)| same(*l, *r))
        .collect();
    let given_twice = |i: usize| across.iter().any(|(l, r)| *l == i || *r == i);
    // How far a take is from those of a side that were not given for both.
    let distance_db = |i: usize, side: Side| {
        let others = of(side).filter(|k| !given_twice(*k));
        let pair = |k: usize| Pair::new(&takes[i].on_grid, &takes[k].on_grid, trust);
        let distances = others.filter_map(|k| pair(k).better().map(|c| c.distance_db));
        let distances: Vec<f64> = distances.collect();
        (!distances.is_empty()).then(|| median(distances))
    };
    let left_alone = !of(Side::Left).any(|l| !given_twice(l));
    let right_alone = !of(Side::Right).any(|r| !given_twice(r));
    let mut elsewhere = Vec::new();
    for &(l, r) in &across {
        let nearer_right = match (distance_db(l, Side::Left), distance_db(l, Side::Right)) {
            (Some(left), Some(right)) => right < left,
            _ => right_alone && !left_alone,
        };
        let (original, copy) = if nearer_right && !left_alone { (r, l) } else { (l, r) };
        copy_of[copy] = Some(original);
        // A side that has nothing else keeps it.
        if !(right_alone && copy == r) {
            elsewhere.push(copy);
        }
    }
    elsewhere.into_iter().for_each(|copy| counts[copy] = false);
    (copy_of, counts)
}

fn opposite(side: Side) -> Option<Side> {
    match side {
        Side::Left => Some(Side::Right),
        Side::Right => Some(Side::Left),
        Side::Unknown => None,
    }
}

fn other(side: Side, all_sides: &[SideTakes]) -> Option<usize> {
    let other = opposite(side)?;
    all_sides
        .iter()
        .position(|side_takes| side_takes.side == other)
}

impl<'a> SideTakes<'a> {
    fn new(side: Side, takes: &'a [Take], counts: &[bool], trust: &[f64]) -> Option<Self> {
        let of_unit: Vec<usize> = (0..takes.len())
            .filter(|i| takes[*i].side == side && counts[*i])
            .collect();
        if of_unit.is_empty() {
            return None;
        }
        let curves: Vec<&OnGrid> = of_unit.iter().map(|i| &takes[*i].on_grid).collect();
        let hum: Vec<_> = curves.iter().map(|curve| outlier::hum(curve)).collect();
        let mut voters: Vec<usize> = (0..curves.len()).filter(|i| hum[*i].is_none()).collect();
        if voters.is_empty() {
            voters = (0..curves.len()).collect();
        }
        let voting: Vec<&OnGrid> = voters.iter().map(|i| curves[*i]).collect();
        let table = Table::new(&voting, trust);
        let limit = table.limit();
        let mut side_takes = Self {
            side,
            like_other_side: vec![false; curves.len()],
            curves,
            of_unit,
            hum,
            table,
            voters,
            agreement: Agreement::OneTake,
            ear: Vec::new(),
            reference: None,
            own_seal: (Why::Tightest, Vec::new()),
            limit,
        };
        if let [only] = side_takes.voters[..] {
            side_takes.ear = vec![only];
            side_takes.reference = Some(only);
        } else {
            side_takes.vote();
        }
        Some(side_takes)
    }

    /// Finds the side's ear among its takes: the largest group.
    fn vote(&mut self) {
        let groups = self.groups();
        let largest = groups.iter().map(Vec::len).max().unwrap_or(0);
        let first = groups.iter().position(|group| group.len() == largest);
        let rival = |group: &Vec<usize>| {
            let apart = |i| !first.is_some_and(|k| groups[k].contains(i));
            group.len() == largest && group.iter().all(apart)
        };
        self.agreement = Agreement::CannotBeTold;
        if largest >= 2 && !groups.iter().any(rival) {
            self.agreement = Agreement::Agree;
            first.into_iter().for_each(|k| self.believe(k));
        }
    }

    /// Takes the group of the k-th reference for the side's ear.
    fn believe(&mut self, k: usize) {
        let of_table = self.table.group(k).into_iter();
        self.ear = of_table.map(|i| self.voters[i]).collect();
        self.reference = Some(self.voters[self.table.references[k]]);
    }

    fn groups(&self) -> Vec<Vec<usize>> {
        (0..self.table.references.len())
            .map(|k| self.table.group(k))
            .collect()
    }

    /// Tells which takes are as near to one of the `others` as takes of one ear are: those that do not belong to this
    /// side's ear, and those that do but are several times as far from its other takes.
    fn compare_with_other_side(&mut self, others: &[&OnGrid], trust: &[f64]) {
        if self.agreement == Agreement::OneTake {
            return;
        }
        let near = |i: usize| {
            let pairs = others.iter().map(|other| Pair::new(self.curves[i], other, trust));
            let near = pairs.filter(|pair| pair.excess() <= 1.0);
            let distances = near.filter_map(|pair| Some(pair.better()?.distance_db));
            let Some(other_db) = distances.min_by(f64::total_cmp) else {
                return false;
            };
            let own_db = self.own_distance_db(i).unwrap_or(0.0);
            !self.ear.contains(&i)
                || (own_db >= NEARER_FROM_DB && own_db >= NEARER_TIMES * other_db)
        };
        self.like_other_side = (0..self.curves.len()).map(near).collect();
    }

    /// Distance of a take from its side's reference, or of the others of the ear from the reference itself (the median),
    /// dB rms; None without any. Two takes that both leak may be far apart, but neither is from a sound one.
    fn own_distance_db(&self, i: usize) -> Option<f64> {
        let reference = self.reference?;
        let table = &self.table;
        let is_reference = |k: &usize| self.voters[table.references[*k]] == reference;
        let k = (0..table.references.len()).find(is_reference)?;
        let of_ear = table.pairs[k].iter().zip(&self.voters);
        let wanted = of_ear.filter(|(_, take)| match i == reference {
            true => self.ear.contains(take),
            false => **take == i,
        });
        let distances = wanted.filter_map(|(pair, _)| Some(pair.as_ref()?.better()?.distance_db));
        let distances: Vec<f64> = distances.collect();
        (!distances.is_empty()).then(|| median(distances))
    }

    /// If the side's takes contradict each other, leaves out those that the other side shows not to be of this ear: they
    /// are disturbed, or further from it than the sides of a unit are. If what is left is one group, and it is near to the
    /// other side, it is believed.
    fn decide_by_other_side(&mut self, other: &OnGrid, trust: &[f64]) {
        if self.agreement != Agreement::CannotBeTold {
            return;
        }
        let of_other: Vec<Option<Comparison>> = self
            .voters
            .iter()
            .map(|i| Pair::new(self.curves[*i], other, trust).better())
            .collect();
        let possible = |i: &usize| {
            let (most_db, most_rms_db) = SIDES_DIFFER_MOST_DB;
            of_other[*i].as_ref().is_some_and(|c| {
                let narrow = || c.kind == Kind::Narrow && c.largest_db.abs() < DISTURBED_FROM_DB;
                let undisturbed = c.excess() <= 1.0 || c.kind == Kind::Shape || narrow();
                undisturbed && c.largest_db.abs() <= most_db && c.distance_db <= most_rms_db
            })
        };
        let left: Vec<usize> = (0..self.voters.len()).filter(possible).collect();
        let near = |i: &usize| of_other[*i].as_ref().is_some_and(|c| c.excess() <= 2.0);
        if left.len() == self.voters.len() || !left.iter().any(near) {
            return;
        }
        let holds_all = |k: &usize| {
            let group = self.table.group(*k);
            left.iter().all(|i| group.contains(i))
        };
        let references = 0..self.table.references.len();
        let of_left = |k: &usize| left.contains(&self.table.references[*k]);
        if let Some(k) = references.filter(of_left).find(holds_all) {
            self.believe(k);
            self.ear.retain(|i| left.iter().any(|l| self.voters[*l] == *i));
            self.agreement = Agreement::ByTheOtherSide;
        }
    }

    /// Finds the earphone's own seal in the ear's takes and in `others`, those of the other side's ear; the reference is
    /// then a take that has it.
    fn find_own_seal(&mut self, others: &[&OnGrid]) {
        let Some(reference) = self.reference else {
            return;
        };
        let references = &self.table.references;
        let in_ear = |k: &usize| self.ear.contains(&self.voters[references[*k]]);
        // How much looser the k-th reference seals than the take of the ear that seals tightest beside it.
        let looser_db = |k: usize| {
            let pairs = self.table.pairs[k].iter().zip(&self.voters);
            let of_ear = pairs.filter(|(_, take)| self.ear.contains(take));
            let others = of_ear.filter_map(|(pair, _)| pair.as_ref()?.looser());
            others.map(|other| -other.worst_db).fold(0.0, f64::max)
        };
        let tightest = (0..references.len())
            .filter(in_ear)
            .min_by(|a, b| looser_db(*a).total_cmp(&looser_db(*b)));
        let Some(tightest) = tightest else {
            self.own_seal = (Why::Tightest, vec![reference]);
            return;
        };
        let of_ear: Vec<(usize, Looser)> = self.table.pairs[tightest]
            .iter()
            .zip(&self.voters)
            .filter(|(_, take)| self.ear.contains(take))
            .map(|(pair, take)| {
                let looser = pair.as_ref().and_then(Pair::looser);
                (*take, looser.unwrap_or_default())
            })
            .collect();
        let places: Vec<Looser> = of_ear.iter().map(|(_, place)| *place).collect();
        let tightest = self.curves[self.voters[references[tightest]]];
        let others: Vec<Looser> = others
            .iter()
            .filter_map(|take| own_seal::looser_than(take, tightest))
            .collect();
        let (why, middle) = own_seal::own_seal(&places, &others);
        let sharing = of_ear
            .iter()
            .filter(|(_, place)| place.shares(places[middle]));
        self.own_seal = (why, sharing.map(|(take, _)| *take).collect());
        self.reference = Some(of_ear[middle].0);
        if why == Why::Unclear {
            self.agreement = Agreement::LeakOrVent;
        }
    }

    fn findings(&self, trust: &[f64], threshold_db: f64) -> Vec<Findings> {
        let Some(reference) = self.reference else {
            return (0..self.curves.len()).map(|i| self.undecided(i)).collect();
        };
        let pairs: Vec<Pair> = self
            .curves
            .iter()
            .map(|curve| Pair::new(curve, self.curves[reference], trust))
            .collect();
        let comparisons: Vec<Option<Comparison>> = pairs.iter().map(Pair::better).collect();
        let belongs = |i: usize| {
            i == reference
                || (self.hum[i].is_none()
                    && (pairs[i].excess() <= self.limit || self.ear.contains(&i)))
        };
        let belonging: Vec<usize> = (0..self.curves.len()).filter(|i| belongs(*i)).collect();
        let level_of = |i: usize| comparisons[i].as_ref().map(|c| c.level_db);
        let middle_db = median(belonging.iter().filter_map(|i| level_of(*i)).collect());
        let off_level =
            |i: usize| level_of(i).is_some_and(|db| (db - middle_db).abs() > LEVEL_LIMIT_DB);
        // With only two different levels it is unknown which one is wrong.
        let alike: Vec<usize> = if belonging.len() >= 3 {
            belonging
                .iter()
                .copied()
                .filter(|i| !off_level(*i))
                .collect()
        } else {
            belonging.clone()
        };
        let basses = self.basses(&alike, reference, threshold_db);
        let two_levels = belonging.len() == 2
            && belonging
                .iter()
                .filter_map(|i| level_of(*i))
                .any(|db| db.abs() > LEVEL_LIMIT_DB);
        let unclear = self.agreement == Agreement::LeakOrVent;
        let finding = |i: usize| {
            let comparison = comparisons[i].as_ref();
            let outlier = |kind| match comparison {
                Some(comparison) => Verdict::Outlier(comparison.outlier(kind)),
                None => Verdict::Outlier(Outlier {
                    kind,
                    distance_db: None,
                    largest_db: None,
                    largest_hz: None,
                }),
            };
            let verdict = match (self.hum[i], comparison, basses[i]) {
                (Some(hum), ..) => outlier(hum),
                (_, Some(comparison), _) if !belongs(i) => outlier(match &pairs[i].over {
                    _ if self.like_other_side[i] => Kind::OtherSide,
                    Some(over) => over.kind,
                    None => comparison.kind,
                }),
                (_, Some(_), _) if belonging.len() >= 3 && off_level(i) => {
                    outlier(outlier::Kind::Level {
                        level_db: level_of(i).unwrap_or(0.0) - middle_db,
                    })
                }
                (_, None, _) if i != reference => Verdict::Undecided {
                    distance_db: None,
                    other_side: false,
                },
                _ if belongs(i) && (two_levels || unclear || self.like_other_side[i]) => {
                    Verdict::Undecided {
                        distance_db: comparison.map(|c| c.distance_db),
                        other_side: self.like_other_side[i],
                    }
                }
                (_, _, Some(bass)) => match bass.blocked() {
                    Some(more) => outlier(blocked_or_another(more)),
                    None if bass.leaks(threshold_db) => Verdict::Leaks(bass.loss),
                    None => Verdict::Sound,
                },
                _ => Verdict::Sound,
            };
            let alone = i == reference && self.curves.len() == 1;
            Findings {
                verdict,
                level_db: level_of(i).map(|db| db - middle_db),
                distance_db: match comparison {
                    _ if alone => None,
                    Some(_) if i == reference => Some(0.0),
                    _ => comparison.map(|c| c.distance_db),
                },
                seal: basses[i].map(|bass| bass.loss).filter(|_| !alone),
            }
        };
        (0..self.curves.len()).map(finding).collect()
    }

    fn undecided(&self, i: usize) -> Findings {
        let verdict = match self.hum[i] {
            Some(kind) => Verdict::Outlier(Outlier {
                kind,
                distance_db: None,
                largest_db: None,
                largest_hz: None,
            }),
            None => {
                let at = self.voters.iter().position(|v| *v == i);
                let of = |row: &Vec<Option<Pair>>| Some(row[at?].as_ref()?.better()?.distance_db);
                let distances: Vec<f64> = self.table.pairs.iter().filter_map(of).collect();
                let distance_db = (!distances.is_empty()).then(|| median(distances));
                Verdict::Undecided {
                    distance_db,
                    other_side: self.like_other_side[i],
                }
            }
        };
        Findings {
            verdict,
            level_db: None,
            distance_db: None,
            seal: None,
        }
    }

    /// The bass of each take against the mean of the sound takes among `alike`; None if the data do not cover 40 Hz to 1
    /// kHz.
    fn basses(&self, alike: &[usize], reference: usize, threshold_db: f64) -> Vec<Option<Bass>> {
        let (why, own_seal) = &self.own_seal;
        let against = |sound: &OnGrid| -> Vec<Option<Bass>> {
            let of = |curve: &&OnGrid| {
                let both = grid::intersection(&curve.support, &sound.support);
                let loss = leak::fit(&difference(curve, sound, &both), &both)?.loss();
                let more = || {
                    let fit = leak::fit(&difference(sound, curve, &both), &both)?;
                    let more = fit.loss();
                    let explained = fit.misfit_db <= misfit_most_db(&more);
                    (explained && more.worst_loss_db > loss.worst_loss_db).then_some(more)
                };
                let more = (*why == Why::Shared).then(more).flatten();
                Some(Bass { loss, more })
            };
            self.curves.iter().map(of).collect()
        };
        let at_first: Vec<usize> = match why {
            Why::Tightest => vec![reference],
            Why::Shared | Why::Unclear => own_seal.clone(),
        };
        let mut before = at_first;
        let mut basses = Vec::new();
        // Usually two or three rounds suffice; a take right at the threshold could alternate forever.
        for _ in 0..6 {
            let mean = self.mean_of(&before);
            basses = against(&mean.unwrap_or_else(|| self.curves[reference].clone()));
            let off = |i: &&usize| {
                basses[**i].is_some_and(|b| b.leaks(threshold_db) || b.blocked().is_some())
            };
            let sound: Vec<usize> = alike.iter().filter(|i| !off(i)).copied().collect();
            if sound.is_empty() || sound == before {
                break;
            }
            before = sound;
        }
        basses
    }

    /// Mean of the takes `which` with their levels aligned; None if they share too little.
    fn mean_of(&self, which: &[usize]) -> Option<OnGrid> {
        let takes: Vec<Take> = which
            .iter()
            .map(|i| Take {
                name: String::new(),
                side: self.side,
                on_grid: self.curves[*i].clone(),
            })
            .collect();
        takes::average(&takes).ok().map(|average| average.on_grid)
    }
}

fn difference(a: &OnGrid, b: &OnGrid, both: &Range<usize>) -> Vec<f64> {
    let mut difference_db = vec![0.0; POINTS];
    for i in both.clone() {
        difference_db[i] = a.level_db[i] - b.level_db[i];
    }
    difference_db
}

/// What a take has that lacks a loss which the others share.
fn blocked_or_another(more: Loss) -> Kind {
    if more.worst_loss_db > own_seal::MOST_DB {
        return Kind::Shape;
    }
    Kind::BlockedVent {
        more_db: more.worst_loss_db,
        at_hz: more.worst_loss_hz,
        corner_hz: more.leak.corner_hz,
    }
}

/// Largest misfit with which a difference is one of seals, dB rms.
fn misfit_most_db(loss: &Loss) -> f64 {
    MISFIT_LIMIT_DB.max(0.25 * loss.worst_loss_db)
}

/// The seal of a side whose takes are alike, from a comparison of its mean with the other side's.
fn seal_against_other(mean: &OnGrid, other: Option<&OnGrid>, threshold_db: f64) -> Seal {
    let fit = other.and_then(|other| {
        let both = grid::intersection(&mean.support, &other.support);
        leak::fit(&difference(mean, other, &both), &both)
    });
    let loss = fit.map(|fit| (fit.loss(), fit.misfit_db));
    match loss {
        Some((loss, _)) if loss.worst_loss_db < threshold_db => Seal::LikeTheOtherSide,
        Some((loss, misfit_db)) if misfit_db <= misfit_most_db(&loss) => {
            Seal::LessThanTheOtherSide(loss)
        }
        _ => Seal::CannotBeTold,
    }
}

/// Fills in each take's resonance and depth. Outliers do not count towards the unit's resonance. A rig that is believed
/// everywhere has no coupler.
fn follow_resonance(
    takes: &[Take],
    means: &[(Side, OnGrid)],
    settings: &Settings,
    judged: &mut [JudgedTake],
) -> Option<UnitResonance> {
    if settings.rig == Rig::Flat && settings.resonance_hz.is_none() {
        return None;
    }
    let levelled = |take: &Take| {
        let mut curve = take.on_grid.clone();
        if let Some((_, mean)) = means.iter().find(|(side, _)| *side == take.side) {
            let both = grid::intersection(&curve.support, &mean.support);
            let level_db = takes::offset_db(&difference(&curve, mean, &both), &both);
            for i in curve.support.clone() {
                curve.level_db[i] -= level_db;
            }
        }
        curve
    };
    let curves: Vec<OnGrid> = takes.iter().map(levelled).collect();
    let belongs = |take: &JudgedTake| !matches!(take.verdict, Verdict::Outlier(_) | Verdict::Copy);
    let followed: Vec<Followed> = judged
        .iter()
        .zip(&curves)
        .map(|(take, curve)| Followed {
            side: take.side,
            curve,
            counts: belongs(take),
        })
        .collect();
    let (found, of_unit) = resonance::follow(&followed, settings.resonance_hz);
    for (take, found) in judged.iter_mut().zip(found) {
        take.resonance = found;
        let moving = of_unit.as_ref().filter(|of_unit| of_unit.moves);
        take.deeper_mm = found.zip(moving).map(|(found, of_unit)| {
            resonance::half_wave_mm(of_unit.frequency_hz) - found.half_wave_mm
        });
    }
    of_unit
}

fn matched(left: &OnGrid, right: &OnGrid) -> Option<Match> {
    let support = left.support.clone();
    let raw_db = difference(left, right, &support);
    let level_db = takes::offset_db(&raw_db, &support);
    let third = Width::Octaves(1.0 / 3.0);
    let smooth_db = difference(&smooth(left, third), &smooth(right, third), &support);
    let without_level = |of: Vec<f64>| {
        let mut level_free = vec![0.0; POINTS];
        for i in support.clone() {
            level_free[i] = of[i] - level_db;
        }
        OnGrid {
            level_db: level_free,
            support: support.clone(),
        }
    };
    let smoothed = without_level(smooth_db);
    let f_hz = frequency_hz();
    let match_band =
        f_hz.partition_point(|f| *f < MATCH_HZ.0)..f_hz.partition_point(|f| *f <= MATCH_HZ.1);
    let match_band = grid::intersection(&match_band, &support);
    let worst = match_band.clone().max_by(|a, b| {
        smoothed.level_db[*a]
            .abs()
            .total_cmp(&smoothed.level_db[*b].abs())
    })?;
    let squares: f64 = smoothed.level_db[match_band.clone()]
        .iter()
        .map(|db| db * db)
        .sum();
    Some(Match {
        level_db,
        rms_db: (squares / match_band.len() as f64).sqrt(),
        worst_db: smoothed.level_db[worst],
        worst_hz: f_hz[worst],
        by_frequency: without_level(raw_db),
        smoothed,
    })
}
