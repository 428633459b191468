//! The reach curve: the best answers found for 0, 1, ... N sections. The answer for N is the result of the search.
//!
//! 1. Each count from 1 to N starts from the answer for one section fewer. Counts below N get a small budget, N the
//!    budget of the [`Effort`].
//! 2. From N downwards, each answer without its least useful section is offered to the count below.
//! 3. If N sections are nearly exact and idle sections are removed, one fewer than the fewest that suffice is searched
//!    for, again and again while that succeeds. At normal and deep effort, each count below N is then searched once
//!    more, from the answer for one fewer. After either, step 2 is repeated.
//!
//! Streams of walks run on thinned points; the ends of walks are polished on all points, and only those values count.
//!
//! Guaranteed:
//! - J never rises with the count: each answer is replaced by the one for fewer sections if that is better.
//! - A higher effort never gives a higher J for N: it repeats the streams of the lower one with the same seeds,
//!   polishes where those would have ended, and lets them go on. (Its counts below N may differ.)
//! - The answer depends neither on time nor on the number of threads: budgets count work, and streams are merged by
//!   index.

use rayon::prelude::*;

use super::shelf_reading::best_reading;
use super::table::Table;
use super::{Candidate, EXACT, Search};
use crate::filter::Section;
use crate::fit::objective::{Objective, Parts, Thinning, iteration_work};
use crate::fit::random::Random;
use crate::fit::solver::Stopping;
use crate::fit::space::Space;
use crate::fit::stop::Stop;

/// How long to search.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Default,
    serde::Serialize,
    schemars::JsonSchema,
    clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum Effort {
    /// About 20 ms for eight sections; ends at once when less than 0.005 dB is left to gain
    Quick,
    /// About 100 ms for eight sections
    #[default]
    Normal,
    /// About 1 s for eight sections
    Deep,
}

impl Effort {
    /// All efforts in rising order.
    pub const ALL: [Self; 3] = [Self::Quick, Self::Normal, Self::Deep];

    /// The name used on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Quick => "quick",
            Self::Normal => "normal",
            Self::Deep => "deep",
        }
    }

    /// Number of streams and the work of each, in the unit of `Workspace::work`. A higher effort has at least as many
    /// streams, each at least as long and with the same seeds, so its answer is never worse. Calibrated to the times of
    /// [`Effort`], see tests/benches/RESULTS.md.
    fn budget(self) -> (usize, u64) {
        match self {
            Self::Quick => (1, 9_500_000),
            Self::Normal => (2, 26_000_000),
            Self::Deep => (8, 65_000_000),
        }
    }

    /// Work for each count below N (`last`) after N was searched. It is part of the budget.
    fn work_after(self, last: usize) -> u64 {
        let work = match self {
            Self::Quick => 0,
            Self::Normal => 150_000,
            Self::Deep => 1_500_000,
        };
        work.min(MOST_FOR_ALL / last.max(1) as u64)
    }

    /// Work for each search with one section fewer than the fewest nearly exact ones, beside the budget.
    fn work_for_fewer(self) -> u64 {
        match self {
            Self::Quick => 500_000,
            Self::Normal => 2_000_000,
            Self::Deep => 20_000_000,
        }
    }

    /// J at or below which a search ends, dB^2.
    fn enough(self) -> f64 {
        match self {
            Self::Quick => ENOUGH,
            Self::Normal | Self::Deep => EXACT,
        }
    }

    /// The limits of a search with this much work and no other limit.
    fn single_limit(self, work: u64) -> Limits {
        Limits {
            rising: vec![work],
            longer: work,
            enough: self.enough(),
        }
    }

    /// The work limits of each stream at count N (`last`): its own, and those at which the streams of lower efforts
    /// would have ended. Its part of the work `spent` on the counts before, and of the work that comes after, is
    /// subtracted; at least half of the budget is left.
    fn limits(self, spent: u64, last: usize) -> Vec<Limits> {
        let own_and_longer = |effort: Self| {
            let (streams, work) = effort.budget();
            let spent = spent + (last as u64 - 1) * effort.work_after(last);
            let work = work.saturating_sub(spent / streams as u64).max(work / 2);
            match effort {
                // Quick searches are never lengthened.
                Self::Quick => [work, work],
                Self::Normal | Self::Deep => [work, LONGER * work],
            }
        };
        let lower = |stream: usize| {
            Self::ALL
                .into_iter()
                .filter(move |effort| *effort < self && stream < effort.budget().0)
                .flat_map(own_and_longer)
        };
        let [own, longer] = own_and_longer(self);
        let of_stream = |stream| {
            let mut rising: Vec<u64> = lower(stream).filter(|limit| *limit < own).collect();
            rising.push(own);
            rising.sort_unstable();
            rising.dedup();
            Limits {
                rising,
                longer,
                enough: self.enough(),
            }
        };
        (0..self.budget().0).map(of_stream).collect()
    }
}

/// Amounts of work at which a stream polishes its best on all points. It ends at the last of them.
#[derive(Debug, Clone)]
struct Limits {
    rising: Vec<u64>,
    /// Replaces the last limit if the best is then nearly exact.
    longer: u64,
    /// J at or below which the stream ends at once, dB^2.
    enough: f64,
}

/// A stream whose best is nearly exact may take this many times its budget, since an exact answer then probably exists.
const LONGER: u64 = 2;
/// J at or below this is nearly exact, dB^2: 0.025 dB rms.
const NEARLY_EXACT: f64 = 6.25e-4;

/// Largest width of a cell of points that count as one while searching, octaves: a third of the width of a peak of q 8.
/// Twice this where the wanted change is straight. Other widths were worse, see tests/benches/RESULTS.md.
const CELL_OCTAVES: f64 = 1.0 / 16.0;
/// Least number of cells for each section; it limits the width of the cells further where there are few points. Our
/// choice.
const CELLS_A_SECTION: f64 = 7.5;

/// Stopping rule for final answers.
pub(in crate::fit) const CLOSE: Stopping = Stopping {
    iterations: 300,
    relative_fall: 1e-7,
    value: 1e-18,
};
/// `relative_fall` for counts below N: they are not polished to the end.
const CLOSE_ON_THE_WAY: f64 = 1e-4;
/// Most work of one such polish; it shortens the polish where there are very many sections.
const CLOSE_WORK: u64 = 20_000_000;

/// An end of a walk is polished on all points only if its J on the thinned points is at most this many times the best.
const POLISHED_WITHIN: f64 = 1.2;
/// Probability that a walk starts from two earlier ends (a crossover) instead of a randomised start. Our choice.
const CROSSED_SHARE: f64 = 0.8;
/// After this many walks that ended at the stream's best again, the ends for crossovers are collected anew: the present
/// ones lead back to that best, be it the global one or not. Chosen by trial, see tests/benches/RESULTS.md.
const RETURNS: usize = 2;
/// Probability that a walk that starts with cuts or boosts only keeps to them. Our choice.
const ONE_SIGN_WALKS: f64 = 0.25;

/// Work for a count below N: `ON_THE_WAY` times the third power of the count, clamped to least and most for one count,
/// and to an equal share of `MOST_FOR_ALL`. How far less work would raise the curve: tests/benches/RESULTS.md.
const ON_THE_WAY: u64 = 200;
const LEAST_ON_THE_WAY: u64 = 60_000;
const MOST_ON_THE_WAY: u64 = 3_000_000;
const MOST_FOR_ALL: u64 = 30_000_000;

/// Stream numbers (part of the seed) of the additional searches below N; above those of all other streams.
const STREAM_AGAIN: u64 = 1 << 31;
const STREAM_FEWER: u64 = STREAM_AGAIN + 1;

/// Work for `count` sections on the way to `last`.
fn work_before(count: usize, last: usize) -> u64 {
    let work = ON_THE_WAY * (count as u64).pow(3);
    let work = work.clamp(LEAST_ON_THE_WAY, MOST_ON_THE_WAY);
    work.min(MOST_FOR_ALL / last as u64)
}

/// Ends whose J is at most this many times the best are kept as other answers.
const NEAR_BEST: f64 = 1.25;
/// Two ends whose J differ by less than this share count as one.
const SAME_END: f64 = 1e-4;
/// Most other ends that are kept.
const MOST_OTHERS: usize = 24;

/// Two searches agree if their J differ by less than this share.
const SAME: f64 = 1e-3;
/// Sections are idle when leaving them out raises the residual by at most this, dB. Our choice.
pub const IDLE_DB: f64 = 0.005;

/// J at or below which a quick search ends, dB^2: less than [`IDLE_DB`] is left to gain.
const ENOUGH: f64 = IDLE_DB * IDLE_DB;

/// The best answer for one count of sections.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// The sections; fewer than the count if more did not help.
    pub answer: Candidate,
    /// Its residual and economy term.
    pub parts: Parts,
}

/// The reach curve and a record of the search.
#[derive(Debug, Clone, PartialEq)]
pub struct Reach {
    /// The answers for 0, 1, ... N sections.
    pub levels: Vec<Level>,
    /// Number of evaluations of the objective.
    pub evaluations: u64,
    /// Number of local solutions computed.
    pub polishes: u64,
    /// Number of walks at count N, or at the first count with an exact answer. All but the first of each stream are
    /// restarts.
    pub walks: u64,
    /// Number of independent searches (streams) at that count.
    pub searches: u64,
    /// Number of these that ended at the answer, within 0.1 % of J.
    pub agreeing: u64,
    /// True if the answer is exact: the search ended before its budget was spent.
    pub exact: bool,
    /// True if so little is left to gain that the search ended early, as its effort allows.
    pub enough: bool,
    /// Other ends of these searches, nearly as good as the answer, best first.
    pub others: Vec<Candidate>,
}

/// Computes the reach curve up to `space.capacity()` sections. Another `seed` gives another search. Once `stop` is
/// asked, it ends soon with the best found so far.
#[must_use]
pub fn reach(
    objective: &Objective,
    space: &Space,
    effort: Effort,
    seed: u64,
    stop: &Stop,
) -> Reach {
    let last = space.capacity();
    let thinning = thinning(objective, last);
    let table = Table::new(&objective.thinned(thinning, &[]), space);
    let opposition_counts = objective.economy() > 0.0;
    let of_one_sign = opposition_counts.then(|| space.of_one_sign()).flatten();
    let mut judge = Search::new(objective.clone(), &table, space, 0);
    let mut nothing = Candidate::empty();
    nothing.value = judge.parts(&nothing).total();
    let mut answers = vec![nothing];
    let mut reach = Reach {
        levels: Vec::new(),
        evaluations: 0,
        polishes: 0,
        walks: 0,
        searches: 0,
        agreeing: 0,
        exact: false,
        enough: false,
        others: Vec::new(),
    };
    let new_stream = |count: usize, number: u64| {
        let stream_seed = Random::new((seed << 48) ^ ((count as u64) << 32) ^ number).bits();
        Stream::new(objective, thinning, &table, space, stream_seed, stop)
    };
    let mut spent = 0;
    for count in 1..=last {
        let limits = if count == last {
            effort.limits(spent, last)
        } else {
            vec![effort.single_limit(work_before(count, last))]
        };
        let previous = &answers[count - 1];
        if previous.value <= effort.enough() || stop.is_asked() {
            // The answer is good enough already; further sections are left out.
            answers.push(previous.clone());
            continue;
        }
        let streams: Vec<Stream<'_>> = limits
            .into_par_iter()
            .enumerate()
            .map(|(number, limits)| {
                let mut stream = new_stream(count, number as u64);
                if count < last {
                    stream.closes_within = CLOSE_ON_THE_WAY;
                }
                if number > 0 {
                    stream.of_one_sign = of_one_sign.as_ref();
                }
                stream.run(previous, count, number == 0, limits);
                stream
            })
            .collect();
        let mut best = previous.clone();
        for stream in &streams {
            reach.count(stream);
            spent += stream.thin.room.work + stream.full.room.work;
            if stream.best.value < best.value {
                best.clone_from(&stream.best);
            }
        }
        if count == last || best.value <= effort.enough() {
            let same = (best.value * (1.0 + SAME)).max(EXACT);
            let agrees = |stream: &&Stream<'_>| stream.best.value <= same;
            reach.walks = streams.iter().map(|stream| stream.walks).sum();
            reach.searches = streams.len() as u64;
            reach.agreeing = streams.iter().filter(agrees).count() as u64;
            let ends = streams.iter().flat_map(|stream| &stream.ends);
            reach.others = distinct(ends.cloned().collect(), &best);
            let stopping = close_within(objective, best.len());
            judge.polish(&mut best, &stopping);
            reach.exact = best.value <= EXACT;
            reach.enough = best.value <= effort.enough();
        }
        answers.push(best);
    }
    descend(&mut answers, &mut judge);
    if search_again(&mut answers, effort, &mut judge, &mut reach, new_stream) {
        descend(&mut answers, &mut judge);
    }
    reach.evaluations += judge.room.evaluations;
    reach.polishes += judge.polishes;
    reach.levels = answers
        .into_iter()
        .map(|answer| Level {
            parts: judge.parts(&answer),
            answer,
        })
        .collect();
    reach
}

/// The fewest sections for which any number of further sections lowers the residual by less than `least_gain_db` for
/// each added section, dB. `residual_db` holds the residuals with 0, 1, ... sections, dB. A plateau does not count as
/// an end if further sections would leave it.
#[must_use]
pub fn needed(residual_db: &[f64], least_gain_db: f64) -> usize {
    let last = residual_db.len().saturating_sub(1);
    let is_enough = |few: &usize| {
        (few + 1..=last)
            .all(|more| residual_db[*few] - residual_db[more] < (more - few) as f64 * least_gain_db)
    };
    (0..=last).find(is_enough).unwrap_or(last)
}

impl Reach {
    /// [`needed`] of this curve.
    #[must_use]
    pub fn needed(&self, least_gain_db: f64) -> usize {
        let residual_db = |level: &Level| level.parts.residual.sqrt();
        let residual_db: Vec<f64> = self.levels.iter().map(residual_db).collect();
        needed(&residual_db, least_gain_db)
    }

    fn count(&mut self, stream: &Stream<'_>) {
        for search in [&stream.thin, &stream.full] {
            self.evaluations += search.room.evaluations;
            self.polishes += search.polishes;
        }
    }

    /// Takes over each answer of another reach curve, with fewer sections, that has a lower J.
    pub(in crate::fit) fn learn(&mut self, other: &Self) {
        for (level, other) in self.levels.iter_mut().zip(&other.levels) {
            if other.parts.total() < level.parts.total() {
                level.clone_from(other);
            }
        }
        self.evaluations += other.evaluations;
        self.polishes += other.polishes;
    }

    /// Takes over the record of a search for fewer sections. Call [`Self::learn`] with it first.
    pub(in crate::fit) fn report_as(&mut self, other: &Self) {
        let last = other.levels.len() - 1;
        let best = self.levels[last].parts.total();
        let same = other.levels[last].parts.total() <= (best * (1.0 + SAME)).max(EXACT);
        self.walks = other.walks;
        self.searches = other.searches;
        self.agreeing = if same { other.agreeing } else { 0 };
        self.exact = best <= EXACT;
        self.enough = other.enough;
        self.others.clone_from(&other.others);
    }
}

/// Number of neighbouring points to merge while searching for `sections` sections.
fn thinning(objective: &Objective, sections: usize) -> Thinning {
    let by_width = CELL_OCTAVES / objective.spacing_octaves();
    let by_count = objective.points() as f64 / (CELLS_A_SECTION * sections.max(1) as f64);
    let at_most = |factor: f64| {
        // The allowance of 1e-3 is for rounding where the points are exactly 1/48 octave apart.
        ((factor * by_width + 1e-3).min(by_count) as usize).max(1)
    };
    Thinning {
        points: at_most(1.0),
        points_where_straight: at_most(2.0),
    }
}

/// One stream: walks, one after another, on thinned points; their ends are polished on all points. The thinned
/// objective is rebuilt around the best of these, its reference.
struct Stream<'a> {
    objective: &'a Objective,
    thinning: Thinning,
    /// The cuts-only and the boosts-only space, from which the stream draws its starts; None in the first stream and
    /// where opposition costs nothing.
    of_one_sign: Option<&'a [Space; 2]>,
    thin: Search<'a>,
    full: Search<'a>,
    stop: &'a Stop,
    random: Random,
    best: Candidate,
    /// Ends of walks, polished on all points, that are near the best.
    ends: Vec<Candidate>,
    walks: u64,
    /// `relative_fall` of the last polish.
    closes_within: f64,
}

impl<'a> Stream<'a> {
    fn new(
        objective: &'a Objective,
        thinning: Thinning,
        table: &'a Table,
        space: &'a Space,
        seed: u64,
        stop: &'a Stop,
    ) -> Self {
        let thin = objective.thinned(thinning, &[]);
        Self {
            objective,
            thinning,
            of_one_sign: None,
            thin: Search::new(thin, table, space, seed),
            full: Search::new(objective.clone(), table, space, 0),
            stop,
            random: Random::new(!seed),
            best: Candidate::empty(),
            ends: Vec::new(),
            walks: 0,
            closes_within: CLOSE.relative_fall,
        }
    }

    /// Walks until the last of `limits` is passed or nothing is left to gain. At each limit, and when the best first
    /// suffices for a quick search, the best is polished on all points, so that this stream finds all that a shorter
    /// one would have found. Only the stream that `continues` starts from the answer for one section fewer.
    fn run(&mut self, previous: &Candidate, count: usize, continues: bool, limits: Limits) {
        let mut longer = Some(limits.longer);
        let enough = limits.enough;
        let mut was_enough = false;
        let mut limits = limits.rising.into_iter().peekable();
        self.refer_to(&previous.sections());
        let mut ends: Vec<Candidate> = Vec::new();
        let mut returns = 0;
        let mut start = if continues {
            self.thin.build(previous.clone(), count, 1.0)
        } else {
            self.thin.randomised_start(count)
        };
        loop {
            let mut interrupted = false;
            let mut caught = Vec::new();
            let (spent, known) = (self.full.room.work, self.best.value);
            let end = self.thin.walk(start, &mut |work, best| {
                while limits.next_if(|limit| *limit <= work + spent).is_some() {
                    caught.push(best.clone());
                }
                if limits.peek().is_none() && best.value.min(known) <= NEARLY_EXACT {
                    let more: Vec<u64> = longer.take().into_iter().collect();
                    limits = more.into_iter().peekable();
                }
                if !was_enough && best.value <= ENOUGH {
                    (was_enough, interrupted) = (true, true);
                }
                limits.peek().is_some() && !interrupted && !self.stop.is_asked()
            });
            self.thin.within(self.full.space());
            self.walks += u64::from(!interrupted);
            // If a limit ended the walk, its end is already among the caught ones.
            if caught.last() == Some(&end) {
                caught.pop();
            }
            for best in caught {
                self.close(best);
            }
            let end = self.close(end);
            let goes_on = interrupted.then(|| end.clone());
            if end.value < known * (1.0 - SAME) {
                returns = 0;
            } else if end.value <= known * (1.0 + SAME) {
                returns += 1;
            }
            // An end without sections has nothing to contribute to a crossover.
            if !end.is_empty() {
                ends.push(end);
            }
            if returns >= RETURNS {
                returns = 0;
                ends.clear();
            }
            if limits.peek().is_none() || self.best.value <= enough || self.stop.is_asked() {
                return;
            }
            self.refer_to(&self.best.sections());
            start = match goes_on {
                Some(end) => self.thin.build(end, count, 1.0),
                None => self.start(&ends, count),
            };
        }
    }

    /// The start of another walk. In streams with `of_one_sign` the start has cuts or boosts only: there is often a
    /// good answer nearby that walks among both signs are slow to find. A share of these walks keeps to one sign.
    fn start(&mut self, ends: &[Candidate], count: usize) -> Candidate {
        let mut goes_on = false;
        if let Some(of_one_sign) = self.of_one_sign {
            self.thin.within(&of_one_sign[self.random.below(2)]);
            goes_on = self.random.unit() < ONE_SIGN_WALKS;
        }
        let start = if ends.len() < 2 || self.random.unit() >= CROSSED_SHARE {
            self.thin.randomised_start(count)
        } else {
            self.thin.crossed_start(ends, count)
        };
        if !goes_on {
            self.thin.within(self.full.space());
        }
        start
    }

    fn refer_to(&mut self, reference: &[Section]) {
        let thinned = self.objective.thinned(self.thinning, reference);
        self.thin.aim(thinned);
    }

    fn closing(&self, end: &Candidate) -> Stopping {
        Stopping {
            relative_fall: self.closes_within,
            ..close_within(self.objective, end.len())
        }
    }

    /// Polishes an end on all points as long as it may become the best; keeps it if it is. Returns the polished end.
    fn close(&mut self, mut end: Candidate) -> Candidate {
        if end.value <= self.best.value * POLISHED_WITHIN {
            let stopping = self.closing(&end);
            let hoped_for = self.best.value * (1.0 + SAME);
            self.full.polish_toward(&mut end, &stopping, hoped_for);
        } else {
            end.value = self.full.parts(&end).total();
        }
        if end.value <= self.best.value * NEAR_BEST {
            self.ends.push(end.clone());
        }
        if end.value >= self.best.value {
            return end;
        }
        // Mirrored shelves differ in J only through the economy term.
        if self.objective.economy() > 0.0 {
            let stopping = self.closing(&end);
            end = best_reading(end, &mut self.full, &stopping);
        }
        self.best.clone_from(&end);
        end
    }
}

/// The ends near the best, without duplicates of it or of each other (by J), best first.
fn distinct(mut ends: Vec<Candidate>, best: &Candidate) -> Vec<Candidate> {
    ends.retain(|end| end.value <= best.value * NEAR_BEST);
    ends.sort_by(|a, b| a.value.total_cmp(&b.value));
    ends.dedup_by(|b, a| b.value <= a.value * (1.0 + SAME_END));
    ends.retain(|end| end.value > best.value * (1.0 + SAME_END));
    ends.truncate(MOST_OTHERS);
    ends
}

/// [`CLOSE`], with fewer iterations where there are very many sections.
pub(in crate::fit) fn close_within(objective: &Objective, sections: usize) -> Stopping {
    let affordable = CLOSE_WORK / iteration_work(objective, sections).max(1);
    Stopping {
        iterations: CLOSE.iterations.min(affordable.max(3)),
        ..CLOSE
    }
}

/// Searches once more for counts below the last, each from the answer for one section fewer. If all sections are nearly
/// exact, it first searches for one fewer than the fewest that suffice, repeatedly while that succeeds. Then it
/// searches each count for which the effort has work. True if any search was made.
fn search_again<'a>(
    answers: &mut [Candidate],
    effort: Effort,
    judge: &mut Search<'_>,
    reach: &mut Reach,
    new_stream: impl Fn(usize, u64) -> Stream<'a>,
) -> bool {
    let last = answers.len() - 1;
    let mut search = |answers: &mut [Candidate], count: usize, number: u64, work: u64| {
        let mut stream = new_stream(count, number);
        stream.closes_within = CLOSE_ON_THE_WAY;
        stream.run(&answers[count - 1], count, true, effort.single_limit(work));
        reach.count(&stream);
        if stream.best.value < answers[count].value {
            answers[count] = stream.best;
        }
    };
    // Without the economy term idle sections are kept, so there is no need for fewer.
    let fewer_count = judge.objective().economy() > 0.0;
    let mut residual = |answer: &Candidate| judge.parts(answer).residual;
    let least = residual(&answers[last]);
    let mut any = false;
    if fewer_count && least <= NEARLY_EXACT {
        let within = (least.sqrt() + IDLE_DB).powi(2);
        let mut is_enough = |answer: &Candidate| residual(answer) <= within;
        let mut fewest = answers.iter().position(&mut is_enough).unwrap_or(last);
        while fewest > 1 {
            any = true;
            search(answers, fewest - 1, STREAM_FEWER, effort.work_for_fewer());
            if !is_enough(&answers[fewest - 1]) {
                break;
            }
            fewest -= 1;
        }
    }
    let work = effort.work_after(last);
    for count in 1..last {
        if work > 0 && answers[count].value > effort.enough() {
            any = true;
            search(answers, count, STREAM_AGAIN, work);
        }
    }
    any
}

/// Offers each answer, without its least useful section, to the count below. Afterwards J does not rise with the count.
fn descend(answers: &mut [Candidate], judge: &mut Search<'_>) {
    for count in (2..answers.len()).rev() {
        if answers[count].len() < count || judge.room.work > MOST_FOR_ALL {
            continue;
        }
        let mut fewer = answers[count].clone();
        let index = judge.least_useful(&fewer);
        fewer.remove(index);
        let stopping = Stopping {
            relative_fall: CLOSE_ON_THE_WAY,
            ..close_within(judge.objective(), fewer.len())
        };
        judge.polish_toward(&mut fewer, &stopping, answers[count - 1].value);
        if fewer.value < answers[count - 1].value {
            answers[count - 1] = fewer;
        }
    }
    // An answer for fewer sections may have become better than that for more.
    for count in 1..answers.len() {
        if answers[count].value > answers[count - 1].value {
            answers[count] = answers[count - 1].clone();
        }
    }
}
