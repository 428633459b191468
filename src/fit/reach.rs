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
use super::search::{Candidate, Search};
use super::solver::Stopping;
use super::space::Space;
use super::table::Table;

/// How long to search.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
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

    /// Streams of searches, and the work of each. A higher effort has at least as many streams and
    /// each at least as long, with the same seeds: its answer is never worse.
    fn budget(self) -> Budget {
        match self {
            Self::Quick => Budget { streams: 1, work: 13_000_000 },
            Self::Normal => Budget { streams: 2, work: 40_000_000 },
            Self::Deep => Budget { streams: 8, work: 100_000_000 },
        }
    }
}

/// How much to search for one count of sections.
#[derive(Debug, Clone, Copy)]
struct Budget {
    streams: usize,
    work: u64,
}

/// Neighbouring grid points taken as one while searching: 1/16 octave, a third of the width of a peak of q 8.
const THINNING: usize = 3;

/// To the bottom.
const CLOSE: Stopping = Stopping {
    iterations: 300,
    relative_fall: 1e-7,
    value: 1e-12,
};

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

/// What one stream of searches found.
struct Stream {
    best: Vec<Candidate>,
    ends: Vec<Candidate>,
    evaluations: u64,
    polishes: u64,
}

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
        let budget = if count == last {
            effort.budget()
        } else {
            on_the_way(count)
        };
        let previous = &answers[count - 1];
        let streams: Vec<Stream> = (0..budget.streams)
            .into_par_iter()
            .map(|stream| {
                let seed = Random::new(((count as u64) << 32) | stream as u64).bits();
                let search = Search::new(&thin, &table, space, seed);
                run(search, objective, previous, count, stream == 0, budget.work)
            })
            .collect();
        let mut best = previous.clone();
        for stream in &streams {
            reach.evaluations += stream.evaluations;
            reach.polishes += stream.polishes;
            for found in &stream.best {
                if found.value < best.value {
                    best.clone_from(found);
                }
            }
        }
        if count == last {
            let same = |end: &&Candidate| end.value <= (best.value * (1.0 + SAME)).max(EXACT);
            let ends = || streams.iter().flat_map(|stream| &stream.ends);
            reach.searches = ends().count() as u64;
            reach.agreeing = ends().filter(same).count() as u64;
            reach.exact = best.value <= EXACT;
        }
        answers.push(best);
    }
    descend(&mut answers, &mut Search::new(&thin, &table, space, 1), &mut judge);
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

/// The budget of a count on the way to N: it grows with the count as the difficulty does.
fn on_the_way(count: usize) -> Budget {
    Budget {
        streams: 1,
        work: 500 * (count as u64).pow(4),
    }
}

/// Searches one after another until the work is spent: the first from the answer for one section
/// fewer (first stream) or from chance, each further one from chance.
fn run(
    mut search: Search<'_>,
    objective: &Objective,
    previous: &Candidate,
    count: usize,
    continues: bool,
    work: u64,
) -> Stream {
    let mut start = if continues {
        search.build(previous.clone(), count, 1.0)
    } else {
        search.randomised_start(count)
    };
    let mut best = Vec::new();
    let mut ends = Vec::new();
    loop {
        let (found, ended) = search.walk(start, work);
        best.push(found.clone());
        if !ended {
            break;
        }
        let solved = found.value <= EXACT;
        ends.push(found);
        if solved || search.room.work >= work {
            break;
        }
        start = search.randomised_start(count);
    }
    search.close_on(objective, &mut best, &mut ends)
}

impl Search<'_> {
    /// Takes what was found on the thinned points to the bottom on all points.
    fn close_on(
        &mut self,
        objective: &Objective,
        best: &mut Vec<Candidate>,
        ends: &mut Vec<Candidate>,
    ) -> Stream {
        todo!()
    }
}

fn descend(answers: &mut [Candidate], thin: &mut Search<'_>, judge: &mut Search<'_>) {}
