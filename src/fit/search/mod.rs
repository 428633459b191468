//! One search over structures: a randomised start, then moves that take sections out and put
//! others in, each followed by the local solver.
//!
//! Local minima dominate this problem: from a plain start the solver alone ends far above the best.
//! What helps is to change a few sections at a time and let all of them settle (a relative of
//! iterated local search; H. R. Lourenco, O. C. Martin, T. Stutzle 2003). A proposal is polished
//! briefly, and fully only when it then looks promising; a slightly worse one is accepted (threshold
//! acceptance; G. Dueck, T. Scheuer 1990), so that a search can leave a shallow basin.

pub mod pricing;

pub mod table;

pub mod mirror;

pub mod reach;

use crate::filter::{Section, Shape};
use crate::fit::objective::{Level, Objective, Parts, Placed, Workspace, sections};
use crate::fit::random::Random;
use crate::fit::solver::{Buffers, Stopping, minimise_toward};
use crate::fit::space::{Open, Ranges, Space, variables, walls_of};
use pricing::{Surroundings, without_each};
use table::Table;

/// Sections under construction, and J with them.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Shapes, in the order in which they were added.
    pub shapes: Vec<Shape>,
    /// Three variables a section.
    pub x: Vec<f64>,
    /// J on the objective at hand, dB^2; infinite where it was not evaluated.
    pub value: f64,
}

impl Candidate {
    /// No sections.
    #[must_use]
    pub fn empty() -> Self {
        Self {
            shapes: Vec::new(),
            x: Vec::new(),
            value: f64::INFINITY,
        }
    }

    /// These sections, not evaluated.
    #[must_use]
    pub fn of(sections: &[Section]) -> Self {
        let mut candidate = Self::empty();
        for section in sections {
            candidate.push(section);
        }
        candidate
    }

    /// Number of sections.
    #[must_use]
    pub fn len(&self) -> usize {
        self.shapes.len()
    }

    /// True when there is no section.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.shapes.is_empty()
    }

    /// The sections.
    #[must_use]
    pub fn sections(&self) -> Vec<Section> {
        sections(&self.shapes, &self.x).collect()
    }

    pub(in crate::fit) fn push(&mut self, section: &Section) {
        self.shapes.push(section.shape);
        self.x.extend(variables(section));
    }

    /// The section nearest to `log_f0` (ln Hz); the first when there is none.
    fn nearest(&self, log_f0: f64) -> usize {
        let distance = |k: &usize| (self.x[3 * k] - log_f0).abs();
        let sections = 0..self.len();
        let nearest = sections.min_by(|a, b| distance(a).total_cmp(&distance(b)));
        nearest.unwrap_or(0)
    }

    /// True when each section has one of its shape among the others that hardly differs.
    fn is_near(&self, other: &Self) -> bool {
        let near =
            |k: usize, j: usize, v: usize| (self.x[3 * k + v] - other.x[3 * j + v]).abs() < NEAR[v];
        let alike =
            |k: usize, j: usize| self.shapes[k] == other.shapes[j] && (0..3).all(|v| near(k, j, v));
        (0..self.len()).all(|k| (0..other.len()).any(|j| alike(k, j)))
    }

    pub(in crate::fit) fn remove(&mut self, index: usize) {
        self.shapes.remove(index);
        self.x.drain(3 * index..3 * index + 3);
    }
}

/// Least and most share of the table that a proposal may choose from, even in logarithm: thinning makes
/// proposals differ, and a very thin table leads to places that the best price never does.
const TABLE_SHARES: (f64, f64) = (0.15, 0.8);
/// A proposal replaces one section below the first share of chance, two below the second, and so on;
/// above the last it puts one or two in first and takes out the least useful old ones. Replacing one
/// mostly leads back to where it was.
const REPLACED_SHARES: [f64; 4] = [0.15, 0.5, 0.85, 0.95];
/// Share of removals that take the least useful section instead of any.
const LEAST_USEFUL_SHARE: f64 = 0.3;
/// Share of removals after the first that take the neighbour in frequency of the one before: those work together, and
/// changes far apart are as good one by one.
const NEIGHBOUR_SHARE: f64 = 0.5;
/// So many in N of the proposals that replace sections put one or more in anywhere first, whatever their price: sections
/// that only work together have none alone. Where there are many sections, that is rarely what is missing, and so it is where a
/// pair was put in.
const UNPRICED: f64 = 0.5;
/// Of the proposals that replace two or more sections in no slots, the share that puts two in together first: the best pair
/// among so many entries of the table.
const PAIRED_SHARE: f64 = 0.3;
const PAIRED_AMONG: usize = 40;
/// So many in N of the proposals put in a bend: a low shelf, a high shelf and a wide peak between them, of one gain. The three
/// nearly add up to a level, which is free. What is left of them is wide and smooth, and moves with each of their numbers; two of
/// them do nothing of the kind.
const BENT: f64 = 0.5;
/// Least and most of a bend's middle (Hz), of the distance of its shelves from there (octaves), of the peak's q, and
/// of its gain as a share of what the boxes allow.
const BEND_HZ: (f64, f64) = (40.0, 10_000.0);
const BEND_OCTAVES: (f64, f64) = (1.0, 2.5);
const BEND_Q: (f64, f64) = (0.3, 0.6);
const BEND_GAIN: (f64, f64) = (0.4, 1.0);
const BEND_SHAPES: [Shape; 3] = [Shape::LowShelf, Shape::Peaking, Shape::HighShelf];
/// Of a bend's shelves.
const BEND_SHELF_Q: f64 = 0.7;
/// After a brief polish, a proposal is worth a full one below so many times the present J.
const PROMISING: f64 = 2.0;
/// A proposal is accepted below so many times the present J.
const ACCEPTED: f64 = 1.05;
/// J below this, dB^2, is an exact answer, and all exact answers are the same: 0.0001 dB rms are left.
pub(in crate::fit) const EXACT: f64 = 1e-8;

/// Sections whose ln f0, gain (dB) and ln q differ by less are near each other. A proposal that comes near the point it was
/// made from, no better than that yet, is on its way back there: it is not followed any further.
const NEAR: [f64; 3] = [0.07, 0.7, 0.28];

/// A walk ends after so many proposals in a row without progress.
const PATIENCE: usize = 25;

/// Between the insertions of one proposal.
const SETTLE: Stopping = Stopping {
    iterations: 2,
    relative_fall: 1e-2,
    value: EXACT,
};
/// Enough to see whether a proposal is promising.
const BRIEF: Stopping = Stopping {
    iterations: 8,
    relative_fall: 1e-2,
    value: EXACT,
};
/// Enough to compare proposals.
const FULL: Stopping = Stopping {
    iterations: 60,
    relative_fall: 1e-3,
    value: EXACT,
};

/// An objective with its table, and what one search needs beside them.
pub struct Search<'a> {
    objective: Objective,
    table: &'a Table,
    space: &'a Space,
    random: Random,
    /// The workspace, which counts evaluations.
    pub room: Workspace,
    /// Local solutions computed.
    pub polishes: u64,
    surroundings: Surroundings,
    descent: Buffers,
}

impl<'a> Search<'a> {
    /// A search with its own stream of chance.
    #[must_use]
    pub fn new(objective: Objective, table: &'a Table, space: &'a Space, seed: u64) -> Self {
        Self {
            objective,
            table,
            space,
            random: Random::new(seed),
            room: Workspace::default(),
            polishes: 0,
            surroundings: Surroundings::default(),
            descent: Buffers::default(),
        }
    }

    /// The two parts of J with the candidate's sections.
    pub fn parts(&mut self, candidate: &Candidate) -> Parts {
        Placed::new(&self.objective, &candidate.shapes, &[], &[], &mut self.room)
            .parts(&candidate.x)
    }

    /// Descends from the candidate as far as `stopping` allows.
    pub fn polish(&mut self, candidate: &mut Candidate, stopping: &Stopping) {
        self.polish_toward(candidate, stopping, f64::INFINITY);
    }

    /// The same, given up when it is plain that J will not fall below `hoped_for`.
    pub(in crate::fit) fn polish_toward(
        &mut self,
        candidate: &mut Candidate,
        stopping: &Stopping,
        hoped_for: f64,
    ) {
        let walls = self.space.walls(sections(&candidate.shapes, &candidate.x));
        self.polish_between(walls, candidate, stopping, hoped_for);
    }

    /// Descends with each section in its own of `boxes` and the variables marked in `held` kept as they are.
    pub(in crate::fit) fn polish_held(
        &mut self,
        candidate: &mut Candidate,
        boxes: &[&Ranges],
        held: &[bool],
        stopping: &Stopping,
    ) {
        let (mut lower, mut upper) = walls_of(boxes);
        for (k, _) in held.iter().enumerate().filter(|(_, held)| **held) {
            (lower[k], upper[k]) = (candidate.x[k], candidate.x[k]);
        }
        self.polish_between((lower, upper), candidate, stopping, f64::INFINITY);
    }

    fn polish_between(
        &mut self,
        (lower, upper): (Vec<f64>, Vec<f64>),
        candidate: &mut Candidate,
        stopping: &Stopping,
        hoped_for: f64,
    ) {
        let mut placed = Placed::new(
            &self.objective,
            &candidate.shapes,
            &lower,
            &upper,
            &mut self.room,
        );
        let solution = minimise_toward(
            &mut placed,
            std::mem::take(&mut candidate.x),
            stopping,
            hoped_for,
            &mut self.descent,
        );
        candidate.x = solution.x;
        candidate.value = solution.value;
        self.polishes += 1;
    }

    /// J with these sections.
    pub(in crate::fit) fn value_of(&mut self, sections: &[Section]) -> f64 {
        self.parts(&Candidate::of(sections)).total()
    }

    /// The largest sum of all sections at the objective's points, dB.
    pub(in crate::fit) fn largest_boost_db(&mut self, candidate: &Candidate) -> f64 {
        self.parts(candidate);
        self.room.largest_boost_db()
    }

    /// Builds up to `count` sections from `start`, each the best of a random `share` of the table.
    pub fn build(&mut self, start: Candidate, count: usize, share: f64) -> Candidate {
        let mut candidate = start;
        while candidate.len() < count && self.insert(&mut candidate, share) {
            self.polish(&mut candidate, &BRIEF);
        }
        self.polish(&mut candidate, &FULL);
        candidate
    }

    /// A start that differs from call to call.
    pub fn randomised_start(&mut self, count: usize) -> Candidate {
        let share = self.table_share();
        self.build(Candidate::empty(), count, share)
    }

    /// A start from two ends of walks: the sections of one up to some frequency and those of the other
    /// above it, since what is wrong low and what is wrong high have little to do with each other.
    pub fn crossed_start(&mut self, ends: &[Candidate], count: usize) -> Candidate {
        let mut better_of_two = || {
            let (a, b) = (self.random.below(ends.len()), self.random.below(ends.len()));
            if ends[a].value < ends[b].value { a } else { b }
        };
        let low = ends[better_of_two()].sections();
        let high = ends[better_of_two()].sections();
        let cut_hz = low[self.random.below(low.len())].f0_hz;
        let mut child = Candidate::empty();
        let below = low.iter().filter(|section| section.f0_hz <= cut_hz);
        let above = high.iter().filter(|section| section.f0_hz > cut_hz);
        for section in below.chain(above) {
            child.push(section);
            let too_many = match self.space.has_slots() {
                true => !self.space.fits(&child.sections()),
                false => {
                    let used = child.shapes.iter().filter(|s| **s == section.shape).count();
                    used > self.space.most[section.shape as usize]
                }
            };
            if too_many {
                child.remove(child.len() - 1);
            }
        }
        while child.len() > count {
            let index = self.least_useful(&child);
            child.remove(index);
        }
        self.polish(&mut child, &BRIEF);
        self.build(child, count, 1.0)
    }

    /// Walks from `start` until so many proposals in a row have brought nothing, or nothing is
    /// left to gain; returns the best seen. `on_the_way` sees the best after every proposal and the
    /// work done, and ends the walk early by returning false.
    pub fn walk(
        &mut self,
        start: Candidate,
        on_the_way: &mut dyn FnMut(u64, &Candidate) -> bool,
    ) -> Candidate {
        let mut best = start.clone();
        let mut current = start;
        let mut failures = 0;
        // Progress of less than 1e-4 of J is no progress, so the walk is finite.
        while failures < PATIENCE && best.value > EXACT && on_the_way(self.room.work, &best) {
            failures += 1;
            let Some(next) = self.propose(&current) else {
                continue;
            };
            if next.value < best.value * (1.0 - 1e-4) {
                failures = 0;
            }
            if next.value < best.value {
                best.clone_from(&next);
            }
            if next.value < current.value * ACCEPTED {
                current = next;
            }
        }
        best
    }

    /// The search goes on with another objective over the same points.
    pub fn aim(&mut self, objective: Objective) {
        self.objective = objective;
    }

    /// The search goes on with another part of what may be used.
    pub fn within(&mut self, space: &'a Space) {
        self.space = space;
    }

    /// What may be used.
    #[must_use]
    pub fn space(&self) -> &'a Space {
        self.space
    }

    /// The objective.
    #[must_use]
    pub fn objective(&self) -> &Objective {
        &self.objective
    }

    fn table_share(&mut self) -> f64 {
        let (least, most) = TABLE_SHARES;
        least * (most / least).powf(self.random.unit())
    }

    /// What comes of a change to the `current` sections; None when it leads back to them.
    fn propose(&mut self, current: &Candidate) -> Option<Candidate> {
        let mut next = current.clone();
        let count = current.len();
        if self.random.unit() * (count as f64) < BENT && self.may_bend(count) {
            self.bend(&mut next);
        } else {
            let roll = self.random.unit();
            match REPLACED_SHARES.iter().position(|share| roll < *share) {
                Some(index) => self.replace(&mut next, (index + 1).min(count)),
                None => self.exchange(&mut next),
            }
        }
        self.polish(&mut next, &BRIEF);
        if next.value >= current.value && next.is_near(current) {
            return None;
        }
        if next.value < current.value * PROMISING {
            self.polish_toward(&mut next, &FULL, current.value * ACCEPTED);
        }
        Some(next)
    }

    /// Takes so many sections out and puts others in.
    fn replace(&mut self, next: &mut Candidate, replaced: usize) {
        let count = next.len();
        let mut removed: Option<f64> = None;
        for _ in 0..replaced {
            let neighbour = removed.filter(|_| self.random.unit() < NEIGHBOUR_SHARE);
            let index = if let Some(log_f0) = neighbour {
                next.nearest(log_f0)
            } else if self.random.unit() < LEAST_USEFUL_SHARE {
                self.least_useful(next)
            } else {
                self.random.below(next.len())
            };
            removed = Some(next.x[3 * index]);
            next.remove(index);
        }
        let paired = replaced >= 2 && !self.space.has_slots();
        if paired && self.random.unit() < PAIRED_SHARE {
            self.insert_two(next);
            self.settle(next, count);
        } else if replaced > 0 && self.random.unit() * (count as f64) < UNPRICED {
            for _ in 0..1 + self.random.below(replaced) {
                self.insert_any(next);
                self.settle(next, count);
            }
        }
        self.refill(next, count);
    }

    /// Puts in more than there may be for a moment; then the least useful old ones go, of the shape that is too many where there
    /// is one.
    fn exchange(&mut self, next: &mut Candidate) {
        let count = next.len();
        let share = self.table_share();
        for _ in 0..1 + self.random.below(2) {
            let space = self.space;
            let open = match space.has_slots() {
                // A slot holds one section even for a moment.
                true => space.open(&next.sections()),
                false => space.open(&[]),
            };
            self.insert_open(next, share, &open);
        }
        self.polish(next, &BRIEF);
        let mut old = count;
        while next.len() > count {
            let crowded = |shape: &Shape| {
                let used = next.shapes.iter().filter(|s| *s == shape).count();
                !self.space.has_slots() && used > self.space.most[*shape as usize]
            };
            let crowded = Shape::ALL.into_iter().find(crowded);
            let shapes = next.shapes.clone();
            let may_go = |k: &usize| crowded.is_none_or(|shape| shapes[*k] == shape);
            let from = if (0..old).any(|k| may_go(&k)) {
                old
            } else {
                next.len()
            };
            let index = self.least_useful_of(next, (0..from).filter(may_go));
            old -= usize::from(index < old);
            next.remove(index);
        }
    }

    /// True where so many sections can have a bend among them that nearly adds up to a level.
    fn may_bend(&self, count: usize) -> bool {
        let one_each = BEND_SHAPES
            .iter()
            .all(|shape| self.space.most[*shape as usize] > 0);
        let level_is_free = self.objective.level() == Level::Free;
        let has_gain = self
            .space
            .most_alike(&BEND_SHAPES)
            .iter()
            .any(|most_db| *most_db > 0.0);
        let is_free = level_is_free && !self.space.has_slots();
        is_free && one_each && has_gain && count >= BEND_SHAPES.len()
    }

    /// Puts a bend in the place of sections of its shapes and of others, as many as need be.
    fn bend(&mut self, next: &mut Candidate) {
        let count = next.len();
        for shape in BEND_SHAPES {
            let alike: Vec<usize> = (0..next.len())
                .filter(|k| next.shapes[*k] == shape)
                .collect();
            if !alike.is_empty() {
                next.remove(alike[self.random.below(alike.len())]);
            }
        }
        while next.len() + BEND_SHAPES.len() > count {
            next.remove(self.random.below(next.len()));
        }
        let random = &mut self.random;
        let mut between = |(low, high): (f64, f64)| low + (high - low) * random.unit();
        let middle_hz = between((BEND_HZ.0.ln(), BEND_HZ.1.ln())).exp();
        let apart = between(BEND_OCTAVES).exp2();
        let peak_q = between(BEND_Q);
        let share = between(BEND_GAIN);
        let [most_cut_db, most_boost_db] = self.space.most_alike(&BEND_SHAPES);
        let cuts = most_boost_db <= 0.0 || (between((0.0, 1.0)) < 0.5 && most_cut_db > 0.0);
        let gain_db = if cuts {
            -share * most_cut_db
        } else {
            share * most_boost_db
        };
        let frequencies_hz = [middle_hz / apart, middle_hz, middle_hz * apart];
        for (shape, f0_hz) in BEND_SHAPES.into_iter().zip(frequencies_hz) {
            let q = if shape.is_shelf() {
                BEND_SHELF_Q
            } else {
                peak_q
            };
            let section = Section {
                shape,
                f0_hz,
                gain_db,
                q,
            };
            next.push(&self.space.box_of(&section).clamped(&section));
        }
    }

    /// Puts priced sections in up to `count`; they settle in between.
    fn refill(&mut self, next: &mut Candidate, count: usize) {
        let share = self.table_share();
        while next.len() < count && self.insert(next, share) {
            self.settle(next, count);
        }
    }

    /// Descends a little where more sections will come.
    fn settle(&mut self, next: &mut Candidate, count: usize) {
        if next.len() < count {
            self.polish(next, &SETTLE);
        }
    }

    /// Adds the section that the table prices best. False when none helps or none is left.
    fn insert(&mut self, candidate: &mut Candidate, share: f64) -> bool {
        let open = self.space.open(&candidate.sections());
        self.insert_open(candidate, share, &open)
    }

    /// Adds the two sections that the table prices best together, if any help.
    fn insert_two(&mut self, candidate: &mut Candidate) {
        self.look_around(candidate);
        self.room.work += self.table.work_of_two(&self.surroundings, PAIRED_AMONG);
        let found = self.table.best_two(
            &self.surroundings,
            self.space,
            Shape::ALL.map(|shape| self.space.left(&candidate.shapes, shape)),
            PAIRED_AMONG,
            &mut self.random,
        );
        for section in found.iter().flatten() {
            candidate.push(section);
        }
    }

    /// Adds a section anywhere, if any is left.
    fn insert_any(&mut self, candidate: &mut Candidate) {
        let found = self.space.any(&candidate.sections(), &mut self.random);
        if let Some(section) = &found {
            candidate.push(section);
        }
    }

    fn look_around(&mut self, candidate: &Candidate) {
        self.parts(candidate);
        self.surroundings.set(&self.objective, &mut self.room);
    }

    fn insert_open(&mut self, candidate: &mut Candidate, share: f64, open: &Open) -> bool {
        self.look_around(candidate);
        self.room.work += self.table.work(&self.surroundings, share);
        let found = self.table.best(
            &self.surroundings,
            self.space,
            |shape, ranges| open.is(shape, ranges),
            share,
            &mut self.random,
        );
        if let Some(section) = &found {
            candidate.push(section);
        }
        found.is_some()
    }

    /// The section whose loss leaves the least J, as far as the level and the gains of the others make up for it.
    pub(in crate::fit) fn least_useful(&mut self, candidate: &Candidate) -> usize {
        self.least_useful_of(candidate, 0..candidate.len())
    }

    /// The same among some of them; the first when there is none.
    fn least_useful_of(
        &mut self,
        candidate: &Candidate,
        some: impl Iterator<Item = usize>,
    ) -> usize {
        self.parts(candidate);
        let value = without_each(&self.objective, &mut self.room, &mut self.surroundings);
        let least = some.min_by(|a, b| value[*a].total_cmp(&value[*b]));
        least.unwrap_or(0)
    }
}
