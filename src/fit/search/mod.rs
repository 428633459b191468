//! One search over structures: a randomised start, then moves that remove some sections and insert others, each
//! followed by the local solver.
//!
//! The problem has many local minima: from a plain start the solver alone ends far above the best known answer. The
//! search is a relative of iterated local search (H. R. Lourenco, O. C. Martin, T. Stutzle 2003): it changes a few
//! sections at a time and lets all of them settle. A proposal is polished briefly, and fully only if it then looks
//! promising. A proposal up to 5 % worse than the current point is accepted (threshold acceptance; G. Dueck, T. Scheuer
//! 1990), so that a walk can leave a shallow basin.
//!
//! Guaranteed: a walk returns the best point that it saw, so J never exceeds that of its start; the same seed and input
//! give the same answer.

pub mod pricing;

pub mod table;

pub mod shelf_reading;

pub mod loudest;
pub mod stacked;

pub mod reach;

use crate::filter::{Section, Shape};
use crate::fit::objective::{Level, Objective, Parts, Placed, Workspace, sections};
use crate::fit::random::Random;
use crate::fit::solver::{Buffers, Stopping, minimise_toward};
use crate::fit::space::{Open, Ranges, Space, variables, walls_of};
use pricing::{Surroundings, without_each};
use table::Table;

/// A set of sections under construction, and its J.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Shapes, in the order in which they were added.
    pub shapes: Vec<Shape>,
    /// Three variables a section: ln f0 (Hz), gain (dB), ln q.
    pub x: Vec<f64>,
    /// J of the objective at hand, dB^2; infinite if not evaluated.
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

    /// A candidate with these sections, not evaluated.
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

    /// Index of the section nearest to `log_f0` (ln Hz); 0 if there is no section.
    fn nearest(&self, log_f0: f64) -> usize {
        let distance = |k: &usize| (self.x[3 * k] - log_f0).abs();
        let sections = 0..self.len();
        let nearest = sections.min_by(|a, b| distance(a).total_cmp(&distance(b)));
        nearest.unwrap_or(0)
    }

    /// True if each section has one of the same shape in `other` whose variables differ by less than [`NEAR`].
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

/// Least and largest share of the table from which a proposal may choose, drawn evenly in its logarithm. Choosing from
/// only part of the table makes proposals differ, and a small part leads to sections that the best price never selects.
/// Range chosen by trial, see tests/benches/RESULTS.md.
const TABLE_SHARES: (f64, f64) = (0.15, 0.8);
/// Cumulative probabilities that a proposal replaces one, two, three or four sections. Above the last, it inserts one
/// or two first and then removes the least useful old ones. Replacing only one mostly leads back to the same point. Our
/// choice.
const REPLACED_SHARES: [f64; 4] = [0.15, 0.5, 0.85, 0.95];
/// Probability that a removal takes the least useful section instead of a random one. Our choice.
const LEAST_USEFUL_SHARE: f64 = 0.3;
/// Probability that a second or later removal takes the neighbour in frequency of the one before. Neighbours act
/// together, whereas changes far apart are as good one by one. Our choice.
const NEIGHBOUR_SHARE: f64 = 0.5;
/// Probability, times the number of sections N, that a replacement first inserts one or more sections at random,
/// whatever their price: sections that only help together have no price alone. It falls with N because this is rarely
/// what is missing among many sections. Not done if a pair was inserted. Chosen by trial, see tests/benches/RESULTS.md.
const UNPRICED_RATE: f64 = 0.5;
/// Probability that a replacement of two or more sections, without slots, first inserts the best pair among
/// `PAIRED_AMONG` random entries of the table. Our choice.
const PAIRED_SHARE: f64 = 0.3;
const PAIRED_AMONG: usize = 40;
/// Probability, times the number of sections N, that a proposal inserts a bend: a low shelf, a high shelf and a wide
/// peak between them, all of one gain. The three nearly add up to a constant level, which is free. The small rest is
/// wide and smooth and depends on each of their numbers; no two of the three can produce it. What bends gain:
/// tests/benches/RESULTS.md.
const BEND_RATE: f64 = 0.5;
/// Ranges of a bend: its middle (Hz), the distance of each shelf from it (octaves), q of the peak, and its gain as a
/// share of what the boxes allow. Our choice.
const BEND_HZ: (f64, f64) = (40.0, 10_000.0);
const BEND_OCTAVES: (f64, f64) = (1.0, 2.5);
const BEND_Q: (f64, f64) = (0.3, 0.6);
const BEND_GAIN: (f64, f64) = (0.4, 1.0);
const BEND_SHAPES: [Shape; 3] = [Shape::LowShelf, Shape::Peaking, Shape::HighShelf];
/// q of a bend's shelves: about 1/sqrt 2, above which a shelf overshoots.
const BEND_SHELF_Q: f64 = 0.7;
/// A briefly polished proposal is polished fully if its J is below this many times the current J. Chosen by trial, see
/// tests/benches/RESULTS.md.
const PROMISING: f64 = 2.0;
/// A proposal is accepted if its J is below this many times the current J: the threshold of threshold acceptance. Our
/// choice.
const ACCEPTED: f64 = 1.05;
/// At or below this J, dB^2, an answer counts as exact (0.0001 dB rms), and all exact answers count as equal.
pub(in crate::fit) const EXACT: f64 = 1e-8;

/// Two sections are near each other if ln f0, gain (dB) and ln q differ by less than these. A proposal that is near the
/// point it was made from, and no better yet, would settle back to it and is dropped. Our choice.
const NEAR: [f64; 3] = [0.07, 0.7, 0.28];

/// A walk ends after this many proposals in a row without progress. Longer and shorter were no better, see
/// tests/benches/RESULTS.md.
const PATIENCE: usize = 25;

/// Stopping rule between the insertions of one proposal.
const SETTLE: Stopping = Stopping {
    iterations: 2,
    relative_fall: 1e-2,
    value: EXACT,
};
/// Stopping rule for judging whether a proposal is promising. Eight iterations by trial, see tests/benches/RESULTS.md.
const BRIEF: Stopping = Stopping {
    iterations: 8,
    relative_fall: 1e-2,
    value: EXACT,
};
/// Stopping rule for comparing proposals.
const FULL: Stopping = Stopping {
    iterations: 60,
    relative_fall: 1e-3,
    value: EXACT,
};

/// One search: its objective, table, space and random numbers, and the workspace that it reuses.
pub struct Search<'a> {
    objective: Objective,
    table: &'a Table,
    space: &'a Space,
    random: Random,
    /// The workspace; it counts evaluations and work.
    pub room: Workspace,
    /// Number of local solutions computed.
    pub polishes: u64,
    surroundings: Surroundings,
    descent: Buffers,
}

impl<'a> Search<'a> {
    /// A search with its own random numbers, made from `seed`.
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

    /// Descends from the candidate until `stopping` says stop.
    pub fn polish(&mut self, candidate: &mut Candidate, stopping: &Stopping) {
        self.polish_toward(candidate, stopping, f64::INFINITY);
    }

    /// [`Self::polish`], given up early when J is not going to fall below `hoped_for` (see [`minimise_toward`]).
    pub(in crate::fit) fn polish_toward(
        &mut self,
        candidate: &mut Candidate,
        stopping: &Stopping,
        hoped_for: f64,
    ) {
        let walls = self.space.walls(sections(&candidate.shapes, &candidate.x));
        self.polish_between(walls, candidate, stopping, hoped_for);
    }

    /// Descends with each section inside its own box of `boxes`; variables marked in `held` keep their values.
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

    /// The parts of J, and how much quieter the sections play, preamp and all, dB. The objective must have ceilings.
    pub(in crate::fit) fn parts_and_loss(&mut self, candidate: &Candidate) -> (Parts, f64) {
        let parts = self.parts(candidate);
        // Beyond the points the level goes on to that at 0 Hz, where only low shelves have any, and to that at half the rate,
        // where only high shelves have.
        let sections = candidate.sections();
        let level_db = |shape: Shape| {
            let alike = sections.iter().filter(|section| section.shape == shape);
            alike.map(|section| section.gain_db).sum::<f64>()
        };
        let at_ends_db = level_db(Shape::LowShelf).max(level_db(Shape::HighShelf));
        (parts, self.room.loss_db(at_ends_db))
    }

    /// The largest sum of all sections at the objective's points, dB.
    pub(in crate::fit) fn largest_boost_db(&mut self, candidate: &Candidate) -> f64 {
        self.parts(candidate);
        self.room.largest_boost_db()
    }

    /// Adds sections to `start` up to `count`, each the best of a random `share` of the table, and polishes the result.
    pub fn build(&mut self, start: Candidate, count: usize, share: f64) -> Candidate {
        let mut candidate = start;
        while candidate.len() < count && self.insert(&mut candidate, share) {
            self.polish(&mut candidate, &BRIEF);
        }
        self.polish(&mut candidate, &FULL);
        candidate
    }

    /// A start built from nothing with a random share of the table; it differs from call to call.
    pub fn randomised_start(&mut self, count: usize) -> Candidate {
        let share = self.table_share();
        self.build(Candidate::empty(), count, share)
    }

    /// A start from two ends of walks (a crossover): the sections of one up to a random frequency, those of the other
    /// above it. Errors at low and at high frequencies are nearly independent, so the best of both may combine.
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

    /// Walks from `start` until `PATIENCE` proposals in a row brought no progress, or the best is exact. Returns the
    /// best point seen. `on_the_way` gets the work so far and the best after every proposal; it ends the walk by
    /// returning false.
    pub fn walk(
        &mut self,
        start: Candidate,
        on_the_way: &mut dyn FnMut(u64, &Candidate) -> bool,
    ) -> Candidate {
        let mut best = start.clone();
        let mut current = start;
        let mut failures = 0;
        // Only a fall of at least 1e-4 of J resets the count, so the walk always ends.
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

    /// Continues with another objective over the same points.
    pub fn aim(&mut self, objective: Objective) {
        self.objective = objective;
    }

    /// Continues with another space of allowed sections.
    pub fn within(&mut self, space: &'a Space) {
        self.space = space;
    }

    /// The sections that may be used.
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

    /// A changed and polished copy of `current`; None if it settles back to `current`.
    fn propose(&mut self, current: &Candidate) -> Option<Candidate> {
        let mut next = current.clone();
        let count = current.len();
        if self.random.unit() * (count as f64) < BEND_RATE && self.may_bend(count) {
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

    /// Removes `replaced` sections and inserts others.
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
        } else if replaced > 0 && self.random.unit() * (count as f64) < UNPRICED_RATE {
            for _ in 0..1 + self.random.below(replaced) {
                self.insert_any(next);
                self.settle(next, count);
            }
        }
        self.refill(next, count);
    }

    /// Inserts one or two sections beyond the count, then removes the least useful old ones, from a shape with too many
    /// sections if there is one.
    fn exchange(&mut self, next: &mut Candidate) {
        let count = next.len();
        let share = self.table_share();
        for _ in 0..1 + self.random.below(2) {
            let space = self.space;
            let open = match space.has_slots() {
                // A slot holds one section, so it cannot be exceeded even temporarily.
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

    /// True if `count` sections can include a bend: the level is free, there are no slots, and all three shapes have
    /// gain.
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

    /// Inserts a bend. It replaces one section of each of its shapes, and random ones as needed.
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

    /// Inserts sections by price up to `count`, settling after each.
    fn refill(&mut self, next: &mut Candidate, count: usize) {
        let share = self.table_share();
        while next.len() < count && self.insert(next, share) {
            self.settle(next, count);
        }
    }

    /// Descends briefly if more sections are still to come.
    fn settle(&mut self, next: &mut Candidate, count: usize) {
        if next.len() < count {
            self.polish(next, &SETTLE);
        }
    }

    /// Inserts the section with the best price. False if none helps or none may be added.
    fn insert(&mut self, candidate: &mut Candidate, share: f64) -> bool {
        let open = self.space.open(&candidate.sections());
        self.insert_open(candidate, share, &open)
    }

    /// Inserts the pair of sections with the best price, if any helps.
    fn insert_two(&mut self, candidate: &mut Candidate) {
        self.set_surroundings(candidate);
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

    /// Inserts a section at a random place in the space, if one may be added.
    fn insert_any(&mut self, candidate: &mut Candidate) {
        let found = self.space.any(&candidate.sections(), &mut self.random);
        if let Some(section) = &found {
            candidate.push(section);
        }
    }

    fn set_surroundings(&mut self, candidate: &Candidate) {
        self.parts(candidate);
        self.surroundings.set(&self.objective, &mut self.room);
    }

    fn insert_open(&mut self, candidate: &mut Candidate, share: f64, open: &Open) -> bool {
        self.set_surroundings(candidate);
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

    /// Index of the section whose removal leaves the lowest J, with the level and the gains of the others adjusted.
    pub(in crate::fit) fn least_useful(&mut self, candidate: &Candidate) -> usize {
        self.least_useful_of(candidate, 0..candidate.len())
    }

    /// [`Self::least_useful`] among the indices `some`; 0 if there are none.
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
