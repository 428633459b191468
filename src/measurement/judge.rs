//! Which takes of a unit are sound: the whole judgement as one function, [`judge`]. Levels are in dB on the common
//! grid.
//!
//! 1. **Hum.** A take with mains hum ([`outlier::hum`]) is an outlier by itself and is not compared with others, unless
//!    all takes of its side have hum.
//! 2. **Reference.** Each take of a side is compared with each reference candidate ([`outlier::compare`]), which gives
//!    its excess: the largest ratio of a deviation to its limit, with level and leak removed. The group of a candidate
//!    is the set of takes whose excess is at most the limit of the side (1 to 1.5). The candidate with the largest
//!    group, of at least two takes, is the reference; among equal ones that with the most bass, i.e. the tightest seal.
//!    So a leaking take is never the reference of a tighter one, and a take with more bass than a seal can give has no
//!    group. If there is no such group, or a disjoint one is equally large, the other side's reference decides if it is
//!    clearly nearer to one group; otherwise the side cannot be judged, and all its takes are kept. An only take is its
//!    own reference.
//! 3. **Outliers.** Takes outside the reference's group are outliers; of three or more takes in the group also those
//!    whose level is more than [`LEVEL_LIMIT_DB`] from the median. If the only two differ in level by that much, both
//!    are undecided.
//! 4. **Leaks.** Takes that lose the threshold or more at 30 Hz against the reference leak ([`leak`]). Then all are
//!    fitted again against the mean of the sound takes, which has less noise, until the set of sound takes no longer
//!    changes (at most six rounds).
//! 5. **Sides.** A side whose takes are alike may leak as a whole, so its mean is compared with the other side's. A
//!    vent looks like a leak, and two sides that leak alike look sound: neither can be told from curves.
//! 6. The remaining takes are averaged ([`takes::average`]), left and right are matched, and the coupler's resonance is
//!    followed through all takes ([`resonance`]), unless the rig has no coupler.
//!
//! Source: our own method and limits (common practice, no source). Guaranteed: the verdicts and figures depend neither
//! on the order nor on the names of the takes; at least one take of each side is kept.

use std::fmt;
use std::ops::Range;

use super::grid::{self, OnGrid, POINTS, frequency_hz};
use super::leak::{self, Leak};
use super::outlier::{self, Comparison, Kind, LEVEL_LIMIT_DB, MISFIT_LIMIT_DB, Outlier, Table};
use super::resonance::{self, Followed, Resonance, UnitResonance};
use super::rig::Rig;
use super::smooth::{Width, smooth};
use super::takes::{self, Average, Side, Take, median};
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Result, Source};

/// Loss at 30 Hz against the sound takes of the same side from which a take counts as leaking, dB. Our choice: four
/// times the difference of sound seatings (0.3 dB rms), and below the 2 dB that must not be missed.
pub const LEAK_THRESHOLD_DB: f64 = 1.2;

/// Band over which the match of left and right is computed, hertz; the curves are smoothed by 1/3 octave.
pub const MATCH_HZ: (f64, f64) = (100.0, 8000.0);

/// Settings of the judgement.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Loss at 30 Hz from which a take counts as leaking, dB; more than 0.
    pub leak_threshold_db: f64,
    /// Judge, but keep all takes.
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
    Leaks(Leak),
    /// It differs from the other takes of its side.
    Outlier(Outlier),
    /// The takes of its side contradict each other and it is not known which are right, or they share too little.
    Undecided {
        /// Median distance to the others, dB rms; None if they share too little.
        distance_db: Option<f64>,
    },
}

/// The verdict as a phrase that follows the take's name.
impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let outlier = match self {
            Self::Sound => return f.write_str("is sound"),
            Self::Undecided { .. } => return f.write_str("contradicts the others of its side"),
            Self::Leaks(leak) => {
                return write!(
                    f,
                    "leaks {:.1} dB at 30 Hz (corner {:.0} Hz)",
                    leak.loss_at_30_hz_db, leak.corner_hz
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
    /// Its loss of bass against the mean of the sound takes of its side, whatever the verdict; often next to nothing;
    /// none (`null`) where the data do not reach down to 30 Hz or there is nothing to compare with.
    pub seal: Option<Leak>,
    /// The coupler's resonance in it; none (`null`) where none was found.
    pub resonance: Option<Resonance>,
    /// How much deeper it sat than the unit's median, by the half-wave relation, mm; none (`null`) where no resonance was
    /// seen to move.
    pub deeper_mm: Option<f64>,
}

/// What is known of the seal of a side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seal {
    /// Some takes leak against others, so the others seal better.
    TakesDiffer,
    /// All takes are alike (or there is one), with no less bass than the other side.
    LikeTheOtherSide,
    /// All takes are alike (or there is one), with less bass than the other side: either all leak, or there is a vent.
    LessThanTheOtherSide(Leak),
    /// All takes are alike and there is no other side, or the sides differ in another way, or the data do not reach 30
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
    pub sound_takes_lose: Option<Leak>,
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
    /// Left minus right; None without both sides, or if they share nothing of 100 Hz to 8 kHz.
    pub matching: Option<Match>,
    /// The coupler's resonance; None if it was not found.
    pub resonance: Option<UnitResonance>,
    /// The average of the kept takes, and their spread.
    pub average: Average,
    /// Names of the takes set aside, in the order in which takes were judged.
    pub set_aside: Vec<String>,
}

impl Judged {
    /// The takes that were set aside, in the order in which they were judged.
    pub fn aside(&self) -> impl Iterator<Item = &JudgedTake> {
        let takes = self.order.iter().map(|i| &self.takes[*i]);
        takes.filter(|take| take.set_aside)
    }
}

/// The takes of one side while they are judged. Indices count the takes of this side.
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
    reference: Option<usize>,
    limit: f64,
}

struct Findings {
    verdict: Verdict,
    level_db: Option<f64>,
    distance_db: Option<f64>,
    seal: Option<Leak>,
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
    let mut all_sides: Vec<SideTakes> = Side::ALL
        .into_iter()
        .filter_map(|side| SideTakes::new(side, takes, &trust))
        .collect();
    let references: Vec<Option<&OnGrid>> = all_sides
        .iter()
        .map(|side_takes| side_takes.reference.map(|r| side_takes.curves[r]))
        .collect();
    for k in 0..all_sides.len() {
        if let Some(other) = other(all_sides[k].side, &all_sides).and_then(|o| references[o]) {
            all_sides[k].decide_by_other_side(other, &trust);
        }
    }

    let mut judged: Vec<Option<JudgedTake>> = vec![None; takes.len()];
    let mut nothing_better = Vec::new();
    for side_takes in &all_sides {
        let findings = side_takes.findings(&trust, threshold_db);
        let spoiled = |o: &Findings| matches!(o.verdict, Verdict::Leaks(_) | Verdict::Outlier(_));
        let nothing_left = findings.iter().all(spoiled);
        nothing_better.push(nothing_left);
        for (finding, at) in findings.into_iter().zip(&side_takes.of_unit) {
            judged[*at] = Some(JudgedTake {
                name: takes[*at].name.clone(),
                side: side_takes.side,
                set_aside: spoiled(&finding) && !nothing_left && !settings.keep_all,
                verdict: finding.verdict,
                level_db: finding.level_db,
                distance_db: finding.distance_db,
                seal: finding.seal,
                resonance: None,
                deeper_mm: None,
            });
        }
    }
    let mut judged: Vec<JudgedTake> = judged.into_iter().flatten().collect();
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
                takes: side_takes.curves.len(),
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
    let matching = match (mean_of(Side::Left), mean_of(Side::Right)) {
        (Some(left), Some(right)) => matched(left, right),
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
    fn new(side: Side, takes: &'a [Take], trust: &[f64]) -> Option<Self> {
        let of_unit: Vec<usize> = (0..takes.len())
            .filter(|i| takes[*i].side == side)
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
            curves,
            of_unit,
            hum,
            table,
            voters,
            agreement: Agreement::OneTake,
            reference: None,
            limit,
        };
        if side_takes.voters.len() == 1 {
            side_takes.reference = Some(side_takes.voters[0]);
            return Some(side_takes);
        }
        side_takes.vote();
        Some(side_takes)
    }

    /// Finds the reference among this side's takes. The table's references are in falling order of bass, so of equal
    /// groups that of the tightest take is found first.
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
            self.reference = first.map(|k| self.voters[self.table.references[k]]);
        }
    }

    fn groups(&self) -> Vec<Vec<usize>> {
        (0..self.table.references.len())
            .map(|k| self.table.group(k))
            .collect()
    }

    /// If the side's takes contradict each other, believes the group that is clearly nearer to the other side's
    /// reference: its excess is at most 2 and at most half of that of the nearest take outside the group.
    fn decide_by_other_side(&mut self, other: &OnGrid, trust: &[f64]) {
        if self.agreement != Agreement::CannotBeTold {
            return;
        }
        let excess = |take: &OnGrid| {
            let either = [
                outlier::compare(take, other, trust),
                outlier::compare(other, take, trust),
            ];
            either
                .iter()
                .flatten()
                .map(Comparison::excess)
                .fold(f64::INFINITY, f64::min)
        };
        let references = &self.table.references;
        let excesses: Vec<f64> = references
            .iter()
            .map(|r| excess(self.curves[self.voters[*r]]))
            .collect();
        let nearest = (0..references.len()).min_by(|a, b| excesses[*a].total_cmp(&excesses[*b]));
        let Some(nearest) = nearest else { return };
        let camp = self.table.group(nearest);
        let outside = references
            .iter()
            .zip(&excesses)
            .filter(|(r, _)| !camp.contains(r));
        let next = outside
            .map(|(_, excess)| *excess)
            .fold(f64::INFINITY, f64::min);
        if excesses[nearest] <= 2.0 && next >= 2.0 * excesses[nearest].max(0.5) {
            // The tightest take with the same group.
            let same = (0..references.len()).find(|k| self.table.group(*k) == camp);
            self.reference = same.map(|k| self.voters[references[k]]);
            self.agreement = Agreement::ByTheOtherSide;
        }
    }

    fn findings(&self, trust: &[f64], threshold_db: f64) -> Vec<Findings> {
        let Some(reference) = self.reference else {
            return (0..self.curves.len()).map(|i| self.undecided(i)).collect();
        };
        let against = |curve: &&OnGrid| outlier::compare(curve, self.curves[reference], trust);
        let comparisons: Vec<Option<Comparison>> = self.curves.iter().map(against).collect();
        let belongs = |i: usize| {
            let near = |c: &Comparison| c.excess() <= self.limit;
            i == reference || (self.hum[i].is_none() && comparisons[i].as_ref().is_some_and(near))
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
        let seals = self.seals(&alike, reference, threshold_db);
        let two_levels = belonging.len() == 2
            && belonging
                .iter()
                .filter_map(|i| level_of(*i))
                .any(|db| db.abs() > LEVEL_LIMIT_DB);
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
            let seal = seals[i].map(|(_, leak)| leak);
            let verdict = match (self.hum[i], comparison, seals[i]) {
                (Some(hum), ..) => outlier(hum),
                (_, Some(comparison), _) if !belongs(i) => outlier(comparison.kind),
                (_, Some(_), _) if belonging.len() >= 3 && off_level(i) => {
                    outlier(outlier::Kind::Level {
                        level_db: level_of(i).unwrap_or(0.0) - middle_db,
                    })
                }
                (_, None, _) if i != reference => Verdict::Undecided { distance_db: None },
                (_, _, Some((true, leak))) => Verdict::Leaks(leak),
                _ if two_levels && belongs(i) => Verdict::Undecided {
                    distance_db: comparison.map(|c| c.distance_db),
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
                seal: seal.filter(|_| !alone),
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
                let of = |row: &Vec<Option<Comparison>>| row[at?].as_ref().map(|c| c.distance_db);
                let distances: Vec<f64> = self.table.comparisons.iter().filter_map(of).collect();
                let distance_db = (!distances.is_empty()).then(|| median(distances));
                Verdict::Undecided { distance_db }
            }
        };
        Findings {
            verdict,
            level_db: None,
            distance_db: None,
            seal: None,
        }
    }

    /// For each take whether it leaks, and its loss against the mean of the sound takes among `alike`; None if the data
    /// do not cover 30 Hz to 1 kHz.
    fn seals(
        &self,
        alike: &[usize],
        reference: usize,
        threshold_db: f64,
    ) -> Vec<Option<(bool, Leak)>> {
        let against = |sound: &OnGrid| -> Vec<Option<(bool, Leak)>> {
            let of = |curve: &&OnGrid| {
                let both = grid::intersection(&curve.support, &sound.support);
                let leak = leak::fit(&difference(curve, sound, &both), &both)?.leak;
                Some((leak.loss_at_30_hz_db >= threshold_db, leak))
            };
            self.curves.iter().map(of).collect()
        };
        let mut seals = against(self.curves[reference]);
        let mut before = Vec::new();
        // Usually two or three rounds suffice; a take right at the threshold could alternate forever.
        for _ in 0..6 {
            let leaks = |i: &&usize| seals[**i].is_some_and(|(leaks, _)| leaks);
            let sound: Vec<usize> = alike.iter().filter(|i| !leaks(i)).copied().collect();
            if sound.is_empty() || sound == before {
                break;
            }
            seals = against(
                &self
                    .mean_of(&sound)
                    .unwrap_or_else(|| self.curves[reference].clone()),
            );
            before = sound;
        }
        seals
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

/// The seal of a side whose takes are alike, from a comparison of its mean with the other side's.
fn seal_against_other(mean: &OnGrid, other: Option<&OnGrid>, threshold_db: f64) -> Seal {
    let fit = other.and_then(|other| {
        let both = grid::intersection(&mean.support, &other.support);
        leak::fit(&difference(mean, other, &both), &both)
    });
    match fit {
        Some(fit) if fit.leak.loss_at_30_hz_db < threshold_db => Seal::LikeTheOtherSide,
        Some(fit) if fit.misfit_db <= MISFIT_LIMIT_DB.max(0.25 * fit.leak.loss_at_30_hz_db) => {
            Seal::LessThanTheOtherSide(fit.leak)
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
    let belongs = |take: &JudgedTake| !matches!(take.verdict, Verdict::Outlier(_));
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
