//! The fit of two channels (left and right), each with sections of its own and one common level `c`, so that the stereo
//! image does not move.
//!
//! With the same weights on both sides, `J = (J_left + J_right) / 2`, dB^2. The level is eliminated as in
//! [`crate::fit::objective`]. Let `V` be J of a side at level 0, `m` the weighted mean of `G - wanted` over both sides
//! (dB), `u` the derivatives of each side's mean, and `g`, `H` the gradient and the Gauss-Newton matrix of each side's
//! `V`. Then
//!
//! - the best level is `c = -m`, and `J = (V_left + V_right) / 2 - m^2`;
//! - the gradient is `g / 2 - m u`, for the variables of both sides;
//! - the Gauss-Newton matrix is block diagonal with the blocks `H / 2`, minus `u u^T / 2` over all variables.
//!
//! Method (ours, no source):
//! 1. Each side is searched alone with its own free level; one EQ for both is fitted to the mean of both wanted
//!    changes.
//! 2. Pairs of these answers, with their shelves read in all ways, settle together: one local solution in the numbers
//!    of both sides, with the level eliminated ([`Together`]). If they end at different levels, each level gets a quick
//!    search.
//! 3. At the best level, held fixed, each side is searched with the full effort, and the pair settles together again.
//!    This repeats at the new level while J falls.
//! 4. Idle sections are removed. Where loudness matters, the pair gives way for it as far as it stays as good.
//! 5. The numbers are put on steps while the level follows.
//!
//! Where as few sections as are needed are asked for, all of this is done for that many (`fewest`).
//!
//! Guaranteed, for the count that is searched for: J is never higher than without sections, with one EQ for both, or with
//! a lower effort, which is fitted too.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::fewest::fewest_needed;
use super::one::{self, enough};
use crate::filter::Section;
use crate::fit::objective::ceilings::Ceilings;
use crate::fit::objective::{Level, Objective, Parts, Placed, Workspace};
use crate::fit::search::loudest::{EQUAL_LOSS_DB, HALVINGS};
use crate::fit::search::shelf_reading::{odd_readings, other_readings};
use crate::fit::search::reach::{Effort, Level as CountLevel, Reach, close_within, needed, reach};
use crate::fit::search::table::Table;
use crate::fit::search::{Candidate, EXACT, Search};
use crate::fit::solver::{Landscape, Stopping, minimise, room_for};
use crate::fit::space::Space;
use crate::fit::{Answer, ChannelAnswer, IDLE_DB, Playing, Task, Wanted, steps};

/// Most pairs of answers that settle together, once with all sections and once with those that are needed. Our choice.
const MOST_PAIRS: usize = 4;
/// Levels closer to each other than this count as one, dB. Our choice.
const SAME_LEVEL_DB: f64 = 0.2;
/// Most searches with the full effort, each at the level where the one before ended.
const MOST_ROUNDS: usize = 3;
/// Another such search is made only if the last one lowered J by at least this share. Our choice.
const MIN_FALL_SHARE: f64 = 1e-3;
/// Square of the residual that another reading of the same sections may leave, by what is allowed, since it settles anew. Our
/// choice: 2 % of the residual.
const READING_MORE: f64 = 1.04;
/// Most rounds of putting the numbers on steps and then adjusting the level.
const MOST_STEPPINGS: usize = 4;
/// The rounds end when the level moves by less than this, dB.
const LEVEL_SETTLED_DB: f64 = 1e-6;
/// J that differ by at most this share count as equal: mirrored sets of sections differ by rounding only.
const EQUAL: f64 = 1e-6;
/// Two J that differ by less than this share count as the same answer, as in the search of one channel.
const SAME: f64 = 1e-3;

/// The task with the weighted mean over both sides subtracted from both wanted changes, so that sums lose no digits.
struct SidesTask<'a> {
    task: &'a Task<'a>,
    wanted_db: [Vec<f64>; 2],
    kept: [&'a [Section]; 2],
}

/// The result of a fit of both sides.
struct Found {
    sections: [Vec<Section>; 2],
    allowed: usize,
    /// J at the shared level, dB^2.
    objective_db2: f64,
    /// J of each side at the shared level, dB^2; `objective_db2` is their mean.
    side_objective_db2: [f64; 2],
    /// Both sides with 0, 1, ... N sections a side, before steps, each pair at its own shared level.
    levels: Vec<[CountLevel; 2]>,
    /// Record of each side's search at the shared level. Its answers need not have the sections of `levels`.
    reach: [Reach; 2],
    evaluations: u64,
    polishes: u64,
}

impl<'a> SidesTask<'a> {
    fn new(task: &'a Task<'a>, [left, right]: [Wanted<'a>; 2]) -> Self {
        let (mut sum, mut total) = (0.0, 0.0);
        for (i, w) in task.weight.iter().enumerate() {
            sum += w * w * 0.5 * (left.change_db[i] + right.change_db[i]);
            total += w * w;
        }
        let mean_db = sum / total;
        let less = |wanted_db: &[f64]| wanted_db.iter().map(|d| d - mean_db).collect();
        Self {
            task,
            wanted_db: [left.change_db, right.change_db].map(less),
            kept: [left.kept, right.kept],
        }
    }

    /// The ceilings that hold from the start.
    fn ceilings(&self) -> Option<Ceilings> {
        let ceilings = self.task.playing.map(|playing| &playing.ceilings);
        ceilings.filter(|ceilings| ceilings.any()).cloned()
    }

    /// The objective of one side at a fixed level.
    fn at(&self, side: usize, level_db: f64) -> Objective {
        let at_level: Vec<f64> = self.wanted_db[side].iter().map(|d| d - level_db).collect();
        self.objective(Level::Fixed, &at_level)
            .beside(self.kept[side])
    }

    fn objective(&self, level: Level, wanted_db: &[f64]) -> Objective {
        let task = self.task;
        let (rate_hz, f_hz) = (task.limits.rates_hz[0], task.frequency_hz);
        Objective::with_level(level, f_hz, task.weight, wanted_db, rate_hz, task.economy)
            .below(self.ceilings().as_ref())
    }
}

/// Fits sections for each side. J is never higher than with no section at all, with one EQ for both, or with a lower
/// effort.
pub(in crate::fit) fn fit(task: &Task<'_>, wanted: [Wanted<'_>; 2]) -> Answer {
    let Some(least_gain_db) = task.least_gain_db else {
        return fit_allowed(task, wanted).into_answer();
    };
    let search = |task: &Task<'_>| fit_allowed(task, wanted);
    let needed = |found: &Found| needed(&found.residual_db(), least_gain_db);
    let found = fewest_needed(task, search, needed, Found::learning);
    match needed(&found) {
        0 => found.without_sections().into_answer(),
        _ => found.into_answer(),
    }
}

/// The given sections of both sides, in their order, settled together and on steps; and the number of local solutions.
/// One that cannot be typed is missing.
pub(in crate::fit) fn settled(
    task: &Task<'_>,
    wanted: [Wanted<'_>; 2],
    given: [&[Section]; 2],
) -> (Vec<Vec<Section>>, u64) {
    let sides = SidesTask::new(task, wanted);
    let mut joint = Joint::new(&sides);
    let pair = joint.settled(given.map(|given| Candidate::of(&task.space.clamped(given))));
    let sections = joint.on_steps(pair);
    (sections.into(), joint.polishes)
}

/// The answer of [`fit`] with J computed for other wanted changes than those that were fitted.
pub(in crate::fit) fn judged_by(answer: &mut Answer, task: &Task<'_>, wanted: [Wanted<'_>; 2]) {
    let sides = SidesTask::new(task, wanted);
    let mut joint = Joint::new(&sides);
    let [left, right] = &mut answer.channels[..] else {
        return;
    };
    for (left, right) in left.levels.iter_mut().zip(&mut right.levels) {
        let sections = [left.answer.sections(), right.answer.sections()];
        [left.parts, right.parts] = joint.parts(&sections);
    }
    let sections = [left.sections.clone(), right.sections.clone()];
    [left.objective_db2, right.objective_db2] = joint.parts(&sections).map(Parts::total);
    answer.objective_db2 = joint.value(&sections);
}

impl Found {
    /// The residual of both sides together with 0, 1, ... sections a side, dB.
    fn residual_db(&self) -> Vec<f64> {
        let together = |[left, right]: &[CountLevel; 2]| {
            f64::midpoint(left.parts.residual, right.parts.residual).sqrt()
        };
        self.levels.iter().map(together).collect()
    }

    /// The same search, but no sections are the answer.
    fn without_sections(mut self) -> Self {
        self.side_objective_db2 = self.levels[0].each_ref().map(|level| level.parts.total());
        let [left, right] = self.side_objective_db2;
        self.objective_db2 = f64::midpoint(left, right);
        self.sections = Default::default();
        self.allowed = 0;
        self
    }

    /// This answer with what another search for more sections knows of each count.
    fn learning(mut self, other: Self) -> Self {
        let total = |[left, right]: &[CountLevel; 2]| left.parts.total() + right.parts.total();
        let mut levels = other.levels;
        for (level, own) in levels.iter_mut().zip(self.levels) {
            if total(&own) < total(level) {
                *level = own;
            }
        }
        self.levels = levels;
        self.evaluations += other.evaluations;
        self.polishes += other.polishes;
        self
    }

    fn into_answer(self) -> Answer {
        let (mut left_levels, mut right_levels) = (Vec::new(), Vec::new());
        for [left, right] in self.levels {
            left_levels.push(left);
            right_levels.push(right);
        }
        let sections = self.sections.into_iter().zip(self.side_objective_db2);
        let levels = [left_levels, right_levels].into_iter().zip(self.reach);
        let channels = sections.zip(levels);
        Answer {
            allowed: self.allowed,
            objective_db2: self.objective_db2,
            evaluations: self.evaluations,
            polishes: self.polishes,
            channels: channels
                .map(
                    |((sections, objective_db2), (levels, search))| ChannelAnswer {
                        sections,
                        objective_db2,
                        levels,
                        search,
                    },
                )
                .collect(),
        }
    }
}

/// Fits as many sections as the space holds: the best answer of this effort and all lower ones.
fn fit_allowed(task: &Task<'_>, wanted: [Wanted<'_>; 2]) -> Found {
    // A longer search may lead to other levels that turn out worse, so the lower efforts are fitted too.
    let of_effort = |effort| fit_with_effort(&Task { effort, ..*task }, wanted);
    let lower = || -> Vec<Found> {
        let lower = Effort::ALL.into_par_iter().filter(|effort| *effort < task.effort);
        lower.map(of_effort).collect()
    };
    let (mut best, lower) = rayon::join(|| of_effort(task.effort), lower);
    for other in lower {
        let evaluations = best.evaluations + other.evaluations;
        let polishes = best.polishes + other.polishes;
        if other.objective_db2 < best.objective_db2 {
            best = other;
        }
        (best.evaluations, best.polishes) = (evaluations, polishes);
    }
    best
}

fn fit_with_effort(task: &Task<'_>, wanted: [Wanted<'_>; 2]) -> Found {
    let sides = &SidesTask::new(task, wanted);
    let mut joint = Joint::new(sides);
    let alone = joint.search(task.effort, |side| {
        sides
            .objective(Level::Free, &sides.wanted_db[side])
            .beside(sides.kept[side])
    });
    let one_for_both = one_for_both(sides, &mut joint);
    let full = pairs_of_readings(&alone, &mut joint, |reach| reach.levels.len() - 1);
    // Sections that are hardly needed may have led to a worse level.
    let needed = pairs_of_readings(&alone, &mut joint, |reach| {
        enough(&reach.levels, task.economy)
    });
    let mut pairs = [full, needed].concat();
    if let Some(level) = one_for_both.levels.last() {
        pairs.push(joint.settled([level.answer.clone(), level.answer.clone()]));
    }
    let mut best = pairs[0].clone();
    for pair in &pairs {
        best = best.better(pair.clone());
    }
    let levels_db = distinct_levels_db(&pairs);
    if levels_db.len() > 1 {
        for level_db in levels_db {
            best = best.better(joint.searched(Effort::Quick, level_db).0);
        }
    }
    let (mut pair, mut reach) = joint.searched(task.effort, best.level_db);
    for _ in 1..MOST_ROUNDS {
        let before = best.value;
        best = best.better(pair);
        if best.value > before * (1.0 - MIN_FALL_SHARE) || best.value <= EXACT {
            break;
        }
        (pair, reach) = joint.searched(task.effort, best.level_db);
    }
    let mixed = joint.mixed(&best, &reach);
    best = best.better(mixed);
    joint.correct_record(&best, &mut reach);
    let rising = joint.rising(&best, &[&reach, &alone]);
    let together = joint.reach_together(&best, &rising);
    let level_of = |pair: &Pair| {
        let [left, right] = joint.parts(&pair.sections());
        let level = |side: usize, parts| CountLevel {
            answer: pair.sides[side].clone(),
            parts,
        };
        [level(0, left), level(1, right)]
    };
    let levels = together.iter().map(level_of).collect();
    let chosen = if task.economy > 0.0 {
        let fewer = joint.without_idle(&best, &rising);
        fewest(&mut joint, best, [vec![fewer], together, pairs].concat())
    } else {
        best
    };
    let chosen = match task.playing.filter(|playing| playing.as_good_db > 0.0) {
        Some(playing) => joint.loudest(chosen, playing),
        None => chosen,
    };
    let mut sections = joint.on_steps(chosen);
    joint.aim(sides.ceilings());
    let mut value = joint.value(&sections);
    for other in [
        [one_for_both.sections.clone(), one_for_both.sections.clone()],
        [Vec::new(), Vec::new()],
    ] {
        let other_value = joint.value(&other);
        if other_value <= value {
            (sections, value) = (other, other_value);
        }
    }
    for of_side in &mut sections {
        if task.economy > 0.0 {
            of_side.retain(one::does_something);
        }
        of_side.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz).then(a.shape.cmp(&b.shape)));
    }
    let side_objective_db2 = joint.parts(&sections).map(Parts::total);
    Found {
        objective_db2: value,
        side_objective_db2,
        allowed: task.space.capacity(),
        sections,
        levels,
        reach,
        evaluations: joint.evaluations(),
        polishes: joint.polishes,
    }
}

/// One EQ for both sides: the fit of one channel to the mean of both wanted changes.
fn one_for_both(sides: &SidesTask<'_>, joint: &mut Joint<'_>) -> ChannelAnswer {
    let [left, right] = &sides.wanted_db;
    let mean_db: Vec<f64> = left.iter().zip(right).map(|(l, r)| 0.5 * (l + r)).collect();
    let strict = sides.task.playing.map(|playing| Playing {
        as_good_db: 0.0,
        ..playing.clone()
    });
    let task = Task {
        least_gain_db: None,
        playing: strict.as_ref(),
        ..*sides.task
    };
    let wanted = Wanted {
        change_db: &mean_db,
        // If the sides keep different sections, this is not the exact mean problem, but still a useful start.
        kept: sides.kept[0],
    };
    let mut answer = one::fit(&task, wanted);
    let answer = answer.channels.remove(0);
    joint.add(&answer.search);
    answer
}

/// Pairs of the sides' own answers with a number of sections given by `count`, in all readings of their shelves. Up to
/// [`MOST_PAIRS`] pairs with the lowest joint J are settled and returned, at least one.
fn pairs_of_readings(
    alone: &[Reach; 2],
    joint: &mut Joint<'_>,
    count: impl Fn(&Reach) -> usize,
) -> Vec<Pair> {
    let space = joint.task.task.space;
    let found = alone
        .each_ref()
        .map(|reach| readings(&reach.levels[count(reach)].answer, space));
    let [left, right] = &found;
    let mut priced = Vec::new();
    for l in left {
        for r in right {
            priced.push((joint.value(&[l.clone(), r.clone()]), l, r));
        }
    }
    priced.sort_by(|a, b| a.0.total_cmp(&b.0));
    let settle = |(_, l, r): (f64, &Vec<Section>, &Vec<Section>)| {
        joint.settled([Candidate::of(l), Candidate::of(r)])
    };
    priced.into_iter().take(MOST_PAIRS).map(settle).collect()
}

/// The sections in all readings of their shelves that the space allows.
fn readings(answer: &Candidate, space: &Space) -> Vec<Vec<Section>> {
    let sections = answer.sections();
    let others = other_readings(&sections, |read| space.fits(read));
    std::iter::once(sections).chain(others).collect()
}

/// The levels of the pairs, without those within [`SAME_LEVEL_DB`] of an earlier one, dB.
fn distinct_levels_db(pairs: &[Pair]) -> Vec<f64> {
    let mut levels_db: Vec<f64> = Vec::new();
    for pair in pairs {
        let known = |level_db: &f64| (level_db - pair.level_db).abs() < SAME_LEVEL_DB;
        if !levels_db.iter().any(known) {
            levels_db.push(pair.level_db);
        }
    }
    levels_db
}

/// Sections of both sides, their best common level, and J there.
#[derive(Debug, Clone)]
struct Pair {
    sides: [Candidate; 2],
    level_db: f64,
    value: f64,
    /// The largest sum of the sections of either side, dB.
    boost_db: f64,
}

impl Pair {
    fn sections(&self) -> [Vec<Section>; 2] {
        self.sides.each_ref().map(Candidate::sections)
    }

    /// Number of sections on both sides together.
    fn count(&self) -> usize {
        self.sides.iter().map(Candidate::len).sum()
    }

    /// The pair with the lower J; among equal ones that with the lower boost.
    fn better(self, other: Self) -> Self {
        let equal = (self.value - other.value).abs() <= EQUAL * self.value
            || self.value.max(other.value) <= EXACT;
        let takes_other = if equal {
            other.boost_db < self.boost_db
        } else {
            other.value < self.value
        };
        if takes_other { other } else { self }
    }
}

/// Of all pairs whose residual on each side is within [`IDLE_DB`] of that of `best`: the one with the fewest sections,
/// and among those the lowest J.
fn fewest(joint: &mut Joint<'_>, best: Pair, others: Vec<Pair>) -> Pair {
    let mut residual_db = |pair: &Pair| {
        let parts = joint.parts(&pair.sections());
        parts.map(|parts| parts.residual.sqrt())
    };
    let full_db = residual_db(&best);
    let mut fewest = best;
    for other in others {
        let price = |pair: &Pair| (pair.count(), pair.value);
        if price(&other) < price(&fewest) {
            let within = residual_db(&other);
            if (0..2).all(|side| within[side] <= full_db[side] + IDLE_DB) {
                fewest = other;
            }
        }
    }
    fewest
}

/// The joint problem of both sides, with its workspaces and counters.
struct Joint<'a> {
    task: &'a SidesTask<'a>,
    /// The objective of each side at level 0 dB.
    objectives: [Objective; 2],
    /// The ceilings of these.
    ceilings: Option<Ceilings>,
    rooms: [Workspace; 2],
    polishes: u64,
    /// Evaluations made in searches, beside those counted in `rooms`.
    searching: u64,
}

impl<'a> Joint<'a> {
    fn new(task: &'a SidesTask<'a>) -> Self {
        Self {
            task,
            objectives: [task.at(0, 0.0), task.at(1, 0.0)],
            ceilings: task.ceilings(),
            rooms: Default::default(),
            polishes: 0,
            searching: 0,
        }
    }

    /// Goes on under these ceilings.
    fn aim(&mut self, ceilings: Option<Ceilings>) {
        let at = |side| self.task.at(side, 0.0).below(ceilings.as_ref());
        self.objectives = [at(0), at(1)];
        self.ceilings = ceilings;
    }

    fn evaluations(&self) -> u64 {
        self.searching + self.rooms.iter().map(|room| room.evaluations).sum::<u64>()
    }

    fn add(&mut self, reach: &Reach) {
        self.searching += reach.evaluations;
        self.polishes += reach.polishes;
    }

    /// Searches both sides, in parallel.
    fn search(
        &mut self,
        effort: Effort,
        objective: impl Fn(usize) -> Objective + Sync,
    ) -> [Reach; 2] {
        let Task {
            space, seed, stop, ..
        } = *self.task.task;
        let one = |side| reach(&objective(side), space, effort, seed, stop);
        let (left, right) = rayon::join(|| one(0), || one(1));
        for reach in [&left, &right] {
            self.add(reach);
        }
        [left, right]
    }

    /// Searches both sides at a fixed level, then settles the pair.
    fn searched(&mut self, effort: Effort, level_db: f64) -> (Pair, [Reach; 2]) {
        let task = self.task;
        let reach = self.search(effort, |side| task.at(side, level_db));
        let full = |reach: &Reach| reach.levels[reach.levels.len() - 1].answer.clone();
        (self.settled(reach.each_ref().map(full)), reach)
    }

    fn together<'b>(&'b mut self, sides: &'b [Candidate; 2]) -> Together<'b> {
        let walls = sides
            .each_ref()
            .map(|side| self.task.task.space.walls(side.sections().into_iter()));
        let [left, right] = walls;
        let [left_room, right_room] = &mut self.rooms;
        let placed = |side: usize, room| {
            Placed::new(&self.objectives[side], &sides[side].shapes, &[], &[], room)
        };
        Together::new(
            [placed(0, left_room), placed(1, right_room)],
            sides[0].x.len(),
            [left.0, right.0].concat(),
            [left.1, right.1].concat(),
        )
    }

    /// One local solution in the numbers of both sides, with the level eliminated.
    fn settled(&mut self, sides: [Candidate; 2]) -> Pair {
        let most = sides.iter().map(Candidate::len).max().unwrap_or(0);
        let stopping = close_within(&self.objectives[0], most);
        let shapes = sides.clone();
        let mut together = self.together(&shapes);
        let x = [sides[0].x.as_slice(), &sides[1].x].concat();
        let solution = minimise(&mut together, x, &stopping);
        let (left, right) = solution.x.split_at(together.split);
        let [mut l, mut r] = sides;
        (l.x, r.x) = (left.to_vec(), right.to_vec());
        self.polishes += 1;
        self.pair([l, r])
    }

    fn pair(&mut self, sides: [Candidate; 2]) -> Pair {
        let x = [sides[0].x.as_slice(), &sides[1].x].concat();
        let shapes = sides.clone();
        let mut together = self.together(&shapes);
        let value = together.value(&x);
        let level_db = together.level_db();
        let boost_db = self.rooms.iter().fold(f64::NEG_INFINITY, |most, room| {
            most.max(room.largest_boost_db())
        });
        Pair {
            sides,
            level_db,
            value,
            boost_db,
        }
    }

    fn value(&mut self, sections: &[Vec<Section>; 2]) -> f64 {
        self.pair(sections.each_ref().map(|s| Candidate::of(s)))
            .value
    }

    /// Residual and economy term of each side at their best common level.
    fn parts(&mut self, sections: &[Vec<Section>; 2]) -> [Parts; 2] {
        let sides = sections.each_ref().map(|s| Candidate::of(s));
        let level_db = self.pair(sides.clone()).level_db;
        self.judged(level_db, |side, judge| judge.parts(&sides[side]))
    }

    /// Runs `work` with a [`Search`] on each side at a fixed level, in parallel; counts their evaluations and polishes.
    fn judged<T: Send>(
        &mut self,
        level_db: f64,
        work: impl Fn(usize, &mut Search<'_>) -> T + Sync,
    ) -> [T; 2] {
        let (task, ceilings) = (self.task, self.ceilings.as_ref());
        let of_side = |side: usize| {
            let table = Table::default();
            let objective = task.at(side, level_db).below(ceilings);
            let mut judge = Search::new(objective, &table, task.task.space, 0);
            let done = work(side, &mut judge);
            (done, judge.room.evaluations, judge.polishes)
        };
        let (left, right) = rayon::join(|| of_side(0), || of_side(1));
        [left, right].map(|(done, evaluations, polishes)| {
            self.searching += evaluations;
            self.polishes += polishes;
            done
        })
    }

    /// For each side the better of the pair's and the search's answers at the pair's level; then settles them.
    fn mixed(&mut self, pair: &Pair, reach: &[Reach; 2]) -> Pair {
        let sides = self.judged(pair.level_db, |side, judge| {
            let levels = &reach[side].levels;
            let mut searched = levels[levels.len() - 1].answer.clone();
            let own = pair.sides[side].clone();
            let stopping = close_within(judge.objective(), searched.len());
            judge.polish(&mut searched, &stopping);
            if searched.value < judge.parts(&own).total() {
                searched
            } else {
                own
            }
        });
        self.settled(sides)
    }

    /// Corrects the record of a search that did not end at the answer: none of its streams agrees with it.
    fn correct_record(&mut self, best: &Pair, reach: &mut [Reach; 2]) {
        let own = self.judged(best.level_db, |side, judge| {
            judge.parts(&best.sides[side]).total()
        });
        for (own, reach) in own.into_iter().zip(reach) {
            let found = reach.levels[reach.levels.len() - 1].parts.total();
            if found > (own * (1.0 + SAME)).max(EXACT) {
                reach.agreeing = 0;
            }
            reach.exact = own <= EXACT;
        }
    }

    /// The best known answers of each side for 0, 1, ... N - 1 sections at the pair's level, from all searches given.
    fn rising(&mut self, best: &Pair, searches: &[&[Reach; 2]]) -> [Vec<Candidate>; 2] {
        let space = self.task.task.space;
        self.judged(best.level_db, |side, judge| {
            let mut rising: Vec<Candidate> = Vec::new();
            for count in 0..searches[0][side].levels.len() - 1 {
                let mut settled: Vec<Candidate> = searches
                    .iter()
                    .flat_map(|reach| readings(&reach[side].levels[count].answer, space))
                    .map(|sections| {
                        let mut candidate = Candidate::of(&sections);
                        let stopping = close_within(judge.objective(), candidate.len());
                        judge.polish(&mut candidate, &stopping);
                        candidate
                    })
                    .collect();
                settled.extend(rising.last().cloned());
                rising.extend(
                    settled
                        .into_iter()
                        .min_by(|a, b| a.value.total_cmp(&b.value)),
                );
            }
            rising
        })
    }

    /// The best pairs with 0, 1, ... N sections a side, each settled with its own level; J never rises.
    fn reach_together(&mut self, best: &Pair, fewer: &[Vec<Candidate>; 2]) -> Vec<Pair> {
        let last = fewer[0].len();
        let mut rising: Vec<Pair> = vec![self.pair([Candidate::empty(), Candidate::empty()])];
        for count in 1..=last {
            let pair = if count == last {
                best.clone()
            } else {
                self.settled([0, 1].map(|side| fewer[side][count].clone()))
            };
            let before = &rising[count - 1];
            let falls = pair.value < before.value;
            rising.push(if falls { pair } else { before.clone() });
        }
        rising
    }

    /// The fewest sections of each side whose residual is within [`IDLE_DB`] of that of all of them; settled.
    fn without_idle(&mut self, best: &Pair, fewer: &[Vec<Candidate>; 2]) -> Pair {
        let sides = self.judged(best.level_db, |side, judge| {
            let full = &best.sides[side];
            let allowed_db = judge.parts(full).residual.sqrt() + IDLE_DB;
            let enough = |fewer: &&Candidate| {
                fewer.len() < full.len() && judge.parts(fewer).residual.sqrt() <= allowed_db
            };
            fewer[side].iter().find(enough).unwrap_or(full).clone()
        });
        self.settled(sides)
    }

    /// Settles the pair under ever lower ceilings of the loss, by halving, as long as what it leaves is as good; see
    /// [`crate::fit::search::loudest`]. Of the readings of its shelves that are as good and as loud, it then takes the one
    /// that people read so. The ceiling that holds it stays.
    fn loudest(&mut self, chosen: Pair, playing: &Playing) -> Pair {
        let under = |most_loss_db: f64| Ceilings {
            most_loss_db: most_loss_db.min(playing.ceilings.most_loss_db),
            ..playing.ceilings.clone()
        };
        let allowed_db2 = (chosen.value.sqrt() + playing.as_good_db).powi(2);
        let mut loss_db = self.loss_db(&chosen, &playing.ceilings);
        let mut loudest = chosen;
        let mut too_low_db = 0.0;
        for _ in 0..HALVINGS {
            let between_db = f64::midpoint(too_low_db, loss_db);
            self.aim(Some(under(between_db)));
            let lower = self.settled(loudest.sides.clone());
            self.aim(self.task.ceilings());
            let lower = self.pair(lower.sides);
            let lower_loss_db = self.loss_db(&lower, &playing.ceilings);
            if lower.value <= allowed_db2 && lower_loss_db < loss_db {
                (loudest, loss_db) = (lower, lower_loss_db);
            } else {
                too_low_db = between_db;
            }
        }
        let loudest = self.usual_reading(loudest, allowed_db2 * READING_MORE, |joint, pair| {
            joint.loss_db(pair, &playing.ceilings) <= loss_db + EQUAL_LOSS_DB
        });
        self.aim(Some(under(loss_db + EQUAL_LOSS_DB)));
        loudest
    }

    /// The pair with its shelves as people read them, where that leaves no more than `allowed_db2` and passes.
    fn usual_reading(
        &mut self,
        pair: Pair,
        allowed_db2: f64,
        passes: impl Fn(&mut Self, &Pair) -> bool,
    ) -> Pair {
        let odd = |pair: &Pair| pair.sections().iter().map(|own| odd_readings(own)).sum::<usize>();
        let space = self.task.task.space;
        let [left, right] = pair.sides.each_ref().map(|side| readings(side, space));
        let mut best = pair;
        for one in &left {
            for other in &right {
                if odd_readings(one) + odd_readings(other) >= odd(&best) {
                    continue;
                }
                let settled = self.settled([Candidate::of(one), Candidate::of(other)]);
                if settled.value <= allowed_db2 && passes(self, &settled) {
                    best = settled;
                }
            }
        }
        best
    }

    /// How much quieter the pair plays, the worse side, dB.
    fn loss_db(&mut self, pair: &Pair, ceilings: &Ceilings) -> f64 {
        let table = Table::default();
        let of_side = |side: usize| {
            let objective = self.task.at(side, pair.level_db).below(Some(ceilings));
            let mut judge = Search::new(objective, &table, self.task.task.space, 0);
            judge.parts_and_loss(&pair.sides[side]).1
        };
        of_side(0).max(of_side(1))
    }

    /// Puts the numbers of both sides on the equaliser's steps. This moves the best level a little, so the sections are
    /// polished at the new level and put on steps again, while J falls.
    fn on_steps(&mut self, chosen: Pair) -> [Vec<Section>; 2] {
        let Task {
            limits,
            space,
            effort,
            ..
        } = *self.task.task;
        let mut level_db = chosen.level_db;
        let mut sides = chosen.sides;
        let mut best: Option<(f64, [Vec<Section>; 2])> = None;
        for _ in 0..MOST_STEPPINGS {
            let polished = self.judged(level_db, |side, judge| {
                let mut candidate = sides[side].clone();
                let stopping: Stopping = close_within(judge.objective(), candidate.len());
                judge.polish(&mut candidate, &stopping);
                let starts = std::slice::from_ref(&candidate);
                let (sections, _) = steps::on_steps(starts, limits, space, effort, judge);
                (candidate, sections)
            });
            let [left, right] = polished;
            sides = [left.0, right.0];
            let stepped = [left.1, right.1];
            let pair = self.pair(stepped.each_ref().map(|s| Candidate::of(s)));
            if best.as_ref().is_some_and(|(value, _)| pair.value >= *value) {
                break;
            }
            best = Some((pair.value, stepped));
            if (pair.level_db - level_db).abs() < LEVEL_SETTLED_DB {
                break;
            }
            level_db = pair.level_db;
        }
        best.map(|(_, sections)| sections).unwrap_or_default()
    }
}

/// J of both sides as a function of all their variables, those of the left side first: the mean of both at their best
/// common level, dB^2.
pub struct Together<'a> {
    sides: [Placed<'a>; 2],
    split: usize,
    lower: Vec<f64>,
    upper: Vec<f64>,
}

impl<'a> Together<'a> {
    /// The joint function of two sides whose objectives have a fixed level. The first `split` variables are those of
    /// the left side; all lie inside `lower..=upper`.
    #[must_use]
    pub fn new(sides: [Placed<'a>; 2], split: usize, lower: Vec<f64>, upper: Vec<f64>) -> Self {
        Self {
            sides,
            split,
            lower,
            upper,
        }
    }

    /// The weighted mean of `G - wanted` over both sides at the last evaluation, dB.
    fn mean_db(&self) -> f64 {
        let [left, right] = &self.sides;
        0.5 * (left.room().mean_db() + right.room().mean_db())
    }

    /// The best common level `c` at the last evaluation, dB.
    fn level_db(&self) -> f64 {
        -self.mean_db()
    }
}

impl Landscape for Together<'_> {
    fn lower(&self) -> &[f64] {
        &self.lower
    }

    fn upper(&self) -> &[f64] {
        &self.upper
    }

    fn value(&mut self, x: &[f64]) -> f64 {
        let (left, right) = x.split_at(self.split);
        let parts = [self.sides[0].parts(left), self.sides[1].parts(right)];
        let apart = 0.5 * (parts[0].total() + parts[1].total());
        // Rounding must not make J negative.
        (apart - self.mean_db().powi(2)).max(0.0)
    }

    fn linearise(&mut self, x: &[f64], gradient: &mut DVector<f64>, curvature: &mut DMatrix<f64>) {
        let ends = [0..self.split, self.split..x.len()];
        let mut slopes = Vec::with_capacity(x.len());
        curvature.fill(0.0);
        for (side, range) in self.sides.iter_mut().zip(ends) {
            let count = range.len();
            let mut own_gradient = DVector::zeros(count);
            let mut own_curvature = room_for(count);
            if count > 0 {
                side.linearise(&x[range.clone()], &mut own_gradient, &mut own_curvature);
                slopes.extend_from_slice(side.room().mean_slopes());
            } else {
                side.parts(&[]);
            }
            for j in 0..count {
                gradient[range.start + j] = 0.5 * own_gradient[j];
                for i in j..count {
                    curvature[(range.start + i, range.start + j)] = 0.5 * own_curvature[(i, j)];
                }
            }
        }
        let mean_db = self.mean_db();
        for j in 0..x.len() {
            gradient[j] -= mean_db * slopes[j];
            for i in j..x.len() {
                curvature[(i, j)] -= 0.5 * slopes[i] * slopes[j];
            }
        }
    }
}
