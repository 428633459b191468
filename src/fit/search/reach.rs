//! The best answers for 1, 2, ... N sections: the reach curve, and with it the answer for N.
//!
//! Each count starts from the answer for one section fewer, so J never rises along the curve. The
//! counts below N get a small budget and the last one the budget of the [`Effort`]; then the answer
//! for each count lends its sections, less one, to the count below, and but for a quick search the
//! counts below N are searched once more, in the same way. Where N sections are nearly exact and idle
//! ones go, fewer are searched for before that. Budgets are counted in work, not in time, and searches
//! that run at once are merged in their fixed order: the answer depends on neither clock nor threads.

use rayon::prelude::*;

use super::mirror::best_reading;
use super::table::Table;
use super::{Candidate, EXACT, Search};
use crate::filter::Section;
use crate::fit::IDLE_DB;
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
)]
#[serde(rename_all = "kebab-case")]
pub enum Effort {
    /// About 20 ms for eight sections, to follow a finger; less where an answer within 0.005 dB is found.
    Quick,
    /// About 100 ms for eight sections.
    #[default]
    Normal,
    /// About 1 s for eight sections.
    Deep,
}

impl Effort {
    /// All efforts, least first.
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

    /// Streams of searches, and the work of each, in the unit of `Workspace::work`. A higher effort has at
    /// least as many streams and each at least as long, with the same seeds: its answer is never worse.
    fn budget(self) -> (usize, u64) {
        match self {
            Self::Quick => (1, 9_500_000),
            Self::Normal => (2, 26_000_000),
            Self::Deep => (8, 65_000_000),
        }
    }

    /// Work for each count below N, of so many sections, once the answer for N is there. It is part of the budget.
    fn work_after(self, last: usize) -> u64 {
        let work = match self {
            Self::Quick => 0,
            Self::Normal => 150_000,
            Self::Deep => 1_500_000,
        };
        work.min(MOST_FOR_ALL / last.max(1) as u64)
    }

    /// Work for one section fewer than are nearly exact, beside the budget.
    fn work_for_fewer(self) -> u64 {
        match self {
            Self::Quick => 500_000,
            Self::Normal => 2_000_000,
            Self::Deep => 20_000_000,
        }
    }

    /// J (dB^2) at or below which nothing is left to gain that matters.
    fn enough(self) -> f64 {
        match self {
            Self::Quick => ENOUGH,
            Self::Normal | Self::Deep => EXACT,
        }
    }

    /// The limit of a search of so much work.
    fn just(self, work: u64) -> Limits {
        Limits {
            rising: vec![work],
            longer: work,
            enough: self.enough(),
        }
    }

    /// The work limits of each stream, less its part of what was `spent` before and is spent after: its own, and those
    /// of the lower efforts that have it too, at which those would have ended.
    fn limits(self, spent: u64, last: usize) -> Vec<Limits> {
        let own_and_longer = |effort: Self| {
            let (streams, work) = effort.budget();
            let spent = spent + (last as u64 - 1) * effort.work_after(last);
            let work = work.saturating_sub(spent / streams as u64).max(work / 2);
            match effort {
                // A quick search is as short for all.
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

/// The work at which a stream takes its best to the bottom; after the last it ends.
#[derive(Debug, Clone)]
struct Limits {
    rising: Vec<u64>,
    /// The last instead, when the best is then nearly exact.
    longer: u64,
    /// It ends at once at or below this J, dB^2.
    enough: f64,
}

/// A stream that ends nearly at an exact answer may take so many times as long: there probably is one.
const LONGER: u64 = 2;
/// J below this, dB^2, is nearly exact: 0.025 dB rms.
const NEARLY_EXACT: f64 = 6.25e-4;

/// Neighbouring points are taken as one while searching as long as cells stay this narrow, octaves: a
/// third of the width of a peak of q 8. Twice as wide where what is wanted is straight.
const CELL_OCTAVES: f64 = 1.0 / 16.0;
/// ... and as there are this many cells for each section.
const CELLS_A_SECTION: f64 = 7.5;

/// To the bottom.
pub(in crate::fit) const CLOSE: Stopping = Stopping {
    iterations: 300,
    relative_fall: 1e-7,
    value: 1e-18,
};
/// The share of J by which the last step may still fall for a count on the way to N.
const CLOSE_ON_THE_WAY: f64 = 1e-4;
/// Most work of going to the bottom once: with very many sections, that is a long way.
const CLOSE_WORK: u64 = 20_000_000;

/// What ends this many times above the best on the thinned points is not taken to the bottom.
const HOPELESS: f64 = 1.2;
/// Share of walks that start from two earlier ends instead of from chance.
const CROSSED_SHARE: f64 = 0.8;
/// After so many walks that end at the best once more, ends to cross are gathered anew: those there are lead back to it, right or
/// wrong.
const RETURNS: usize = 2;
/// Of walks that start with cuts or boosts only, the share that keeps to them.
const ONE_SIGN_WALKS: f64 = 0.25;

/// Work for a count on the way to N, times its third power, within the least and the most for one count
/// and a share of the most for all of them.
const ON_THE_WAY: u64 = 200;
const LEAST_ON_THE_WAY: u64 = 60_000;
const MOST_ON_THE_WAY: u64 = 3_000_000;
const MOST_FOR_ALL: u64 = 30_000_000;

/// The numbers of the streams that search once more for a count below N.
const AGAIN: u64 = 1 << 31;
const FEWER: u64 = AGAIN + 1;

/// Work for a count on the way to the last, before the answer for that is there.
fn work_before(count: usize, last: usize) -> u64 {
    let work = ON_THE_WAY * (count as u64).pow(3);
    let work = work.clamp(LEAST_ON_THE_WAY, MOST_ON_THE_WAY);
    work.min(MOST_FOR_ALL / last as u64)
}

/// An end is near the answer below so many times its J.
const NEAR: f64 = 1.25;
/// Two ends are the same when their J differ by less than this share.
const SAME_END: f64 = 1e-4;
/// Most ends that are reported beside the answer.
const MOST_OTHERS: usize = 24;

/// Two searches found the same answer when their J differ by less than this share.
const SAME: f64 = 1e-3;
/// Enough for a quick search, J in dB^2: what sections may bring without being worth their place.
const ENOUGH: f64 = IDLE_DB * IDLE_DB;

/// The best answer for one count of sections.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// The sections; fewer than the count when more did not help.
    pub answer: Candidate,
    /// The two parts of its J.
    pub parts: Parts,
}

/// The reach curve and how it was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Reach {
    /// The answer for 0, 1, ... N sections.
    pub levels: Vec<Level>,
    /// Evaluations of the objective.
    pub evaluations: u64,
    /// Local solutions computed.
    pub polishes: u64,
    /// Walks at the last count, or at the first that has an exact answer: every one but the first of a search is a
    /// restart.
    pub walks: u64,
    /// Searches there that knew nothing of each other.
    pub searches: u64,
    /// How many of these ended at the answer.
    pub agreeing: u64,
    /// True when nothing was left to gain before the budget was spent.
    pub exact: bool,
    /// True when nothing was left that is worth gaining at this effort.
    pub enough: bool,
    /// Other ends of these searches, nearly as good as the answer, best first.
    pub others: Vec<Candidate>,
}

/// Computes the reach curve up to `space.capacity()` sections. Another `seed` searches elsewhere. Once `stop` is asked, it
/// ends soon, with what it has.
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
            vec![effort.just(work_before(count, last))]
        };
        let previous = &answers[count - 1];
        if previous.value <= effort.enough() || stop.is_asked() {
            // More sections cannot do better.
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

/// The fewest sections after which more, however many, lower the residual by less than `least_gain_db` each. `residual_db`
/// is that of 0, 1, ... sections. A plateau that some more sections would leave is no end.
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

    /// Takes what a search for fewer sections found better.
    pub(in crate::fit) fn learn(&mut self, other: &Self) {
        for (level, other) in self.levels.iter_mut().zip(&other.levels) {
            if other.parts.total() < level.parts.total() {
                level.clone_from(other);
            }
        }
        self.evaluations += other.evaluations;
        self.polishes += other.polishes;
    }

    /// Reports the searches for fewer sections instead, after learning from them.
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

/// How many neighbouring points to take as one while searching for so many sections.
fn thinning(objective: &Objective, sections: usize) -> Thinning {
    let by_width = CELL_OCTAVES / objective.spacing_octaves();
    let by_count = objective.points() as f64 / (CELLS_A_SECTION * sections.max(1) as f64);
    let at_most = |factor: f64| {
        // The small allowance is for a spacing of just 1/48 octave.
        ((factor * by_width + 1e-3).min(by_count) as usize).max(1)
    };
    Thinning {
        points: at_most(1.0),
        points_where_straight: at_most(2.0),
    }
}

/// Walks one after another on the thinned points, whose ends go to the bottom on all points. The best
/// of these becomes the reference of the thinned objective.
struct Stream<'a> {
    objective: &'a Objective,
    thinning: Thinning,
    /// Cuts only and boosts only, in streams that start with them: all but the first where opposition counts.
    of_one_sign: Option<&'a [Space; 2]>,
    thin: Search<'a>,
    full: Search<'a>,
    stop: &'a Stop,
    random: Random,
    best: Candidate,
    /// All ends on all points.
    ends: Vec<Candidate>,
    walks: u64,
    /// Share of J by which the last step to the bottom may still fall.
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

    /// Walks until the last of `limits` is passed or nothing is left to gain. At each limit, and where it is first enough
    /// for a quick search, the best so far goes to the bottom too: what a shorter stream would have found is part of what
    /// this one finds. Only the first stream `continues` the answer for one section fewer.
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
            // A walk that a limit ends has its best caught there already.
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
            // Where no section helps there is nothing to cross.
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

    /// The start of another walk, in some streams of sections of one sign. Those often have an answer near, which walks among
    /// sections of both signs are slow to find; some walks go on with one sign.
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

    /// Takes an end to the bottom on all points, as far as it may be the best, and keeps it when it is.
    fn close(&mut self, mut end: Candidate) -> Candidate {
        if end.value <= self.best.value * HOPELESS {
            let stopping = self.closing(&end);
            let hoped_for = self.best.value * (1.0 + SAME);
            self.full.polish_toward(&mut end, &stopping, hoped_for);
        } else {
            end.value = self.full.parts(&end).total();
        }
        if end.value <= self.best.value * NEAR {
            self.ends.push(end.clone());
        }
        if end.value >= self.best.value {
            return end;
        }
        // The other reading of a shelf matters to the economy term only.
        if self.objective.economy() > 0.0 {
            let stopping = self.closing(&end);
            end = best_reading(end, &mut self.full, &stopping);
        }
        self.best.clone_from(&end);
        end
    }
}

/// The ends near the best, without what differs from it, or from one another, only by rounding; best first.
fn distinct(mut ends: Vec<Candidate>, best: &Candidate) -> Vec<Candidate> {
    ends.retain(|end| end.value <= best.value * NEAR);
    ends.sort_by(|a, b| a.value.total_cmp(&b.value));
    ends.dedup_by(|b, a| b.value <= a.value * (1.0 + SAME_END));
    ends.retain(|end| end.value > best.value * (1.0 + SAME_END));
    ends.truncate(MOST_OTHERS);
    ends
}

/// [`CLOSE`], shorter where there are very many sections.
pub(in crate::fit) fn close_within(objective: &Objective, sections: usize) -> Stopping {
    let affordable = CLOSE_WORK / iteration_work(objective, sections).max(1);
    Stopping {
        iterations: CLOSE.iterations.min(affordable.max(3)),
        ..CLOSE
    }
}

/// Searches once more for counts below the last, each from the answer for one section fewer. Where all sections are
/// nearly exact, first for fewer than the fewest that are as good but for what does not matter, as long as there are
/// any; then for each count that gets work for it. True when that was done for any.
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
        stream.run(&answers[count - 1], count, true, effort.just(work));
        reach.count(&stream);
        if stream.best.value < answers[count].value {
            answers[count] = stream.best;
        }
    };
    // Without economy, idle sections stay.
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
            search(answers, fewest - 1, FEWER, effort.work_for_fewer());
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
            search(answers, count, AGAIN, work);
        }
    }
    any
}

/// Offers each answer, less its least useful section, to the count below.
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
    // Fewer sections may have turned out better than more.
    for count in 1..answers.len() {
        if answers[count].value > answers[count - 1].value {
            answers[count] = answers[count - 1].clone();
        }
    }
}
