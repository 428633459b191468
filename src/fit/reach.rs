//! The best answers for 1, 2, ... N sections: the reach curve, and with it the answer for N.
//!
//! Each count starts from the answer for one section fewer, so J never rises along the curve. The
//! counts below N get a small budget and the last one the budget of the [`Effort`]; then the answer
//! for each count lends its sections, less one, to the count below. Budgets are counted in work, not
//! in time, and searches that run at once are merged in their fixed order: the answer depends on
//! neither clock nor threads.

use rayon::prelude::*;

use super::objective::{Objective, Parts};
use super::random::Random;
use super::search::{Candidate, Record, Search};
use super::solver::Stopping;
use super::space::Space;
use super::table::Table;

/// How long to search.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Effort {
    /// About 20 ms for eight sections: to follow a finger.
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

    /// Streams of searches, and the work of each, in the unit of `Workspace::work`. A higher effort has at least as many streams and
    /// each at least as long, with the same seeds: its answer is never worse.
    fn budget(self) -> (usize, u64) {
        match self {
            Self::Quick => (1, 13_000_000),
            Self::Normal => (2, 40_000_000),
            Self::Deep => (8, 100_000_000),
        }
    }

    /// The work limits of each stream: its own, and those of the lower efforts that have it too.
    fn limits(self) -> Vec<Vec<u64>> {
        let lower = |stream: usize| {
            Self::ALL
                .into_iter()
                .filter(|effort| *effort <= self)
                .map(Self::budget)
                .filter(move |(streams, _)| stream < *streams)
                .map(|(_, work)| work)
        };
        (0..self.budget().0)
            .map(|stream| lower(stream).collect())
            .collect()
    }
}

/// Neighbouring grid points taken as one while searching: 1/16 octave, a third of the width of a peak of q 8.
const THINNING: usize = 3;

/// To the bottom.
pub(super) const CLOSE: Stopping = Stopping {
    iterations: 300,
    relative_fall: 1e-7,
    value: 1e-12,
};

/// What ends this many times above the best on the thinned points is not taken to the bottom.
const HOPELESS: f64 = 1.2;

/// Work for a count on the way to N, times its fourth power: it grows as the difficulty does.
const ON_THE_WAY: u64 = 2000;

/// Two searches found the same answer when their J differ by less than this share.
const SAME: f64 = 1e-3;
/// J below this, dB^2, is an exact answer, and all exact answers are the same.
const EXACT: f64 = 1e-8;

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
    /// Searches at the last count that ran to their end, each from a start of its own.
    pub searches: u64,
    /// How many of them ended at the answer.
    pub agreeing: u64,
    /// True when nothing was left to gain before the budget was spent.
    pub exact: bool,
}

/// What one stream of searches found, at the bottom on all points.
struct Stream {
    ends: Vec<Candidate>,
    caught: Vec<Candidate>,
    evaluations: u64,
    polishes: u64,
}

pub static SEED: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
/// Computes the reach curve up to `space.capacity()` sections.
#[must_use]
pub fn reach(objective: &Objective, space: &Space, effort: Effort) -> Reach {
    let thin = objective.thinned(THINNING);
    let table = Table::new(&thin, space);
    let last = space.capacity();
    let mut judge = Search::new(objective, &table, space, 0);
    let mut nothing = Candidate::empty();
    nothing.value = judge.parts(&nothing).total();
    let mut answers = vec![nothing];
    let mut reach = Reach {
        levels: Vec::new(),
        evaluations: 0,
        polishes: 0,
        searches: 0,
        agreeing: 0,
        exact: false,
    };
    for count in 1..=last {
        let limits = if count == last {
            effort.limits()
        } else {
            vec![vec![(ON_THE_WAY * (count as u64).pow(3)).min(3_000_000)]]
        };
        let previous = &answers[count - 1];
        let streams: Vec<Stream> = limits
            .into_par_iter()
            .enumerate()
            .map(|(stream, limits)| {
                let seed = Random::new(((count as u64) << 32) | stream as u64 | SEED.load(std::sync::atomic::Ordering::Relaxed) << 48).bits();
                let mut search = Search::new(&thin, &table, space, seed);
                let start = if stream == 0 {
                    search.build(previous.clone(), count, 1.0)
                } else {
                    search.randomised_start(count)
                };
                let record = walks(&mut search, start, count, limits);
                close(objective, &table, space, &search, record)
            })
            .collect();
        let mut best = previous.clone();
        for stream in &streams {
            reach.evaluations += stream.evaluations;
            reach.polishes += stream.polishes;
            for found in stream.ends.iter().chain(&stream.caught) {
                if found.value < best.value {
                    best.clone_from(found);
                }
            }
        }
        if count == last {
            let ends = || streams.iter().flat_map(|stream| &stream.ends);
            reach.searches = ends().count() as u64;
            reach.agreeing = ends()
                .filter(|end| end.value <= (best.value * (1.0 + SAME)).max(EXACT))
                .count() as u64;
            reach.exact = best.value <= EXACT;
        }
        answers.push(best);
    }
    descend(&mut answers, &mut judge);
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

/// Walks from `start`, and then from starts of chance, until the last limit of work is passed or
/// nothing is left to gain.
fn walks(search: &mut Search<'_>, mut start: Candidate, count: usize, limits: Vec<u64>) -> Record {
    let mut record = Record::new(limits);
    loop {
        search.walk(start, &mut record);
        let solved = record.ends.last().is_some_and(|end| end.value <= EXACT);
        if solved || record.is_full() {
            return record;
        }
        start = search.next_start(&record.ends, count);
    }
}

/// Takes what was found on the thinned points to the bottom on all points.
fn close(
    objective: &Objective,
    table: &Table,
    space: &Space,
    search: &Search<'_>,
    record: Record,
) -> Stream {
    let mut judge = Search::new(objective, table, space, 0);
    let best = record
        .ends
        .iter()
        .chain(&record.caught)
        .fold(f64::INFINITY, |best, found| best.min(found.value));
    let mut closed = |mut candidates: Vec<Candidate>| {
        for candidate in &mut candidates {
            if candidate.value <= best * HOPELESS {
                judge.polish(candidate, &CLOSE);
            }
        }
        candidates
    };
    let ends = closed(record.ends);
    let caught = closed(record.caught);
    Stream {
        ends,
        caught,
        evaluations: search.room.evaluations + judge.room.evaluations,
        polishes: search.polishes + judge.polishes,
    }
}

/// Offers each answer, less its least useful section, to the count below.
fn descend(answers: &mut [Candidate], judge: &mut Search<'_>) {
    for count in (2..answers.len()).rev() {
        if answers[count].len() < count {
            continue;
        }
        let mut fewer = answers[count].clone();
        let index = judge.least_useful(&fewer);
        fewer.remove(index);
        judge.polish(&mut fewer, &CLOSE);
        if fewer.value < answers[count - 1].value {
            answers[count - 1] = fewer;
        }
    }
}
