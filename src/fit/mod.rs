//! Stage 5: the fit. Takes what is wanted at a set of points, their weights and what may be used; gives the sections.
//!
//! [`space`] is what may be used and [`boxes`] makes it from limits; [`objective`] is J and its derivatives, computed by
//! [`kernel`]; [`solver`] descends to a local minimum by [`elimination`] and knows numbers only; [`search`] changes the structure,
//! with a [`table`] of sections and [`pricing`] of what changes bring; [`reach`] does so for 1 to N sections within a budget;
//! [`mirror`] chooses between shelves that differ only in level; [`steps`] puts the numbers on the equaliser's steps
//! (`lattice`), all together by a `beam` over a quadratic model; [`sides`] does all of it for two sides at one level.

pub mod lanes;

pub mod kernel;

pub mod random;

pub mod space;

pub mod boxes;

pub mod objective;

pub mod elimination;

pub mod solver;

pub mod pricing;

pub mod table;

pub mod search;

pub mod reach;

pub mod mirror;

mod beam;

mod lattice;

pub mod steps;

pub mod sides;

pub mod residual;

use objective::Objective;
use reach::{Effort, Reach, close_within};
use search::{Candidate, Search};
use space::Space;
use table::Table;

use crate::filter::Section;
use crate::limits::Limits;

/// Sections are idle when leaving them out costs no more residual than this, dB.
pub const IDLE_DB: f64 = 0.005;

/// One fit: what is wanted, and with what.
#[derive(Debug, Clone, Copy)]
pub struct Task<'a> {
    /// Points, hertz, rising, below half of the first rate.
    pub frequency_hz: &'a [f64],
    /// Weight of each point, 0 or more, not all 0.
    pub weight: &'a [f64],
    /// Wanted change at each point, dB, any level.
    pub wanted_db: &'a [f64],
    /// What the equaliser accepts; the fit is made at the first of its rates.
    pub limits: &'a Limits,
    /// What of that may be used: a part of `limits`.
    pub space: &'a Space,
    /// Sections that stay as they are, beside those that are fitted; not counted in `limits` and `space`.
    pub kept: &'a [Section],
    /// With it, no more sections than needed: none after which one more, however many more, lower the residual by less
    /// than this each, dB.
    pub least_gain_db: Option<f64>,
    /// Weight of the economy term; 0 turns it off, and the removal of idle sections too.
    pub economy: f64,
    /// How long to search.
    pub effort: Effort,
    /// Another seed searches elsewhere; usually 0.
    pub seed: u64,
}

/// What a fit found.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// The sections, in frequency order, with numbers the equaliser accepts; the kept ones are not among them.
    pub sections: Vec<Section>,
    /// How many were allowed: as many as the space holds, or those that are needed.
    pub allowed: usize,
    /// J with them, dB^2.
    pub objective_db2: f64,
    /// The answers for 0 to N sections, before steps, and how they were found.
    pub reach: Reach,
}

/// Fits sections. The answer is never worse in J than no section at all.
#[must_use]
pub fn fit(task: &Task<'_>) -> Answer {
    let objective = task.objective();
    let mut reach = reach::reach(&objective, task.space, task.effort, task.seed);
    let mut allowed = reach.levels.len() - 1;
    if let Some(least_gain_db) = task.least_gain_db {
        allowed = fewest_needed(task, &objective, &mut reach, least_gain_db);
    }
    let table = Table::default();
    let mut judge = Search::new(objective.clone(), &table, task.space, 0);
    let mut answer = reach.levels[enough(&reach.levels[..=allowed], task.economy)]
        .answer
        .clone();
    let stopping = close_within(&objective, answer.len());
    // Counts on the way did not go quite to the bottom.
    judge.polish(&mut answer, &stopping);
    let answer = mirror::best_reading(answer, &mut judge, &stopping);
    let alike = |other: &&Candidate| other.len() == answer.len();
    let others = reach.others.iter().filter(alike).cloned();
    let starts: Vec<Candidate> = std::iter::once(answer.clone()).chain(others).collect();
    let (mut sections, value) =
        steps::on_steps(&starts, task.limits, task.space, task.effort, &mut judge);
    if value >= judge.value_of(&[]) {
        sections.clear();
    }
    sections.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz).then(a.shape.cmp(&b.shape)));
    let objective_db2 = judge.value_of(&sections);
    reach.evaluations += judge.room.evaluations;
    reach.polishes += judge.polishes;
    Answer {
        sections,
        allowed,
        objective_db2,
        reach,
    }
}

impl Answer {
    /// The same answer judged by another wanted change than the one it was fitted to.
    #[must_use]
    pub fn judged_by(mut self, task: &Task<'_>) -> Self {
        let objective = task.objective();
        let table = Table::default();
        let mut judge = Search::new(objective, &table, task.space, 0);
        for level in &mut self.reach.levels {
            level.parts = judge.parts(&level.answer);
            level.answer.value = level.parts.total();
        }
        self.objective_db2 = judge.value_of(&self.sections);
        self
    }
}

impl Task<'_> {
    fn objective(&self) -> Objective {
        let rate_hz = self.limits.rates_hz[0];
        let (f_hz, weight) = (self.frequency_hz, self.weight);
        Objective::new(f_hz, weight, self.wanted_db, rate_hz, self.economy).beside(self.kept)
    }
}

/// [`Reach::needed`], after as long a search for that count, and for the next lower one, as for all: what is on the way to
/// more sections was searched for less.
fn fewest_needed(
    task: &Task<'_>,
    objective: &Objective,
    reach: &mut Reach,
    least_gain_db: f64,
) -> usize {
    let search = |sections: usize| {
        let space = Space {
            sections,
            ..task.space.clone()
        };
        reach::reach(objective, &space, task.effort, task.seed)
    };
    let mut searched_for = reach.levels.len() - 1;
    let mut needed = reach.needed(least_gain_db);
    while needed > 0 {
        if needed < searched_for {
            let longer = search(needed);
            reach.learn(&longer);
            reach.report_as(&longer);
        }
        let fewer = search(needed - 1);
        reach.learn(&fewer);
        let now = reach.needed(least_gain_db);
        if now == needed {
            break;
        }
        searched_for = needed;
        needed = now;
    }
    needed
}

/// The fewest sections whose residual is that of all, within what does not matter; all without economy.
fn enough(levels: &[reach::Level], economy: f64) -> usize {
    let all = levels.len() - 1;
    let allowed_db = levels[all].parts.residual.sqrt() + IDLE_DB;
    let enough = |level: &reach::Level| level.parts.residual.sqrt() <= allowed_db;
    let fewest = levels.iter().position(enough);
    fewest.filter(|_| economy > 0.0).unwrap_or(all)
}
