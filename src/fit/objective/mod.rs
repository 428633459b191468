//! The objective J of sections at all points: residual and economy, level-free or at a given level.
//!
//! `J = sum(w^2 e^2) / sum(w^2) + economy * mean(P M)`, where `e = G - wanted + c`, `G` the sum of the
//! section levels, `c` the level that makes the weighted mean of `e` zero, `P` the sum of the levels
//! that are positive at a point and `M` minus the sum of those that are negative; the mean runs over
//! all points, whatever their weight. Unit: dB^2.
//!
//! The variables are, section by section, `ln f0`, `gain_db`, `ln q`. The level is eliminated by projection: with
//! `s = w / sqrt(sum w^2)` and weighted columns `a = s dG/dx`, the Gauss-Newton matrix is `2 (A^T A - u u^T)`,
//! `u = A^T s`, and the gradient `A^T r`, `r = 2 s e` and, for the economy, `economy M / s` (boosts) or
//! `-economy P / s` (cuts) at each point. The economy term adds `-economy a_k a_l` for pairs of opposite sign, its
//! exact curvature where the weights are even. Where the level is fixed, `c` is 0 and `u u^T` is left out.
//!
//! Kept sections are part of `G`, `P` and `M` without variables of their own. What exceeds [`ceilings`] adds to J.

pub mod ceilings;

pub mod kernel;

use std::ops::Range;

use nalgebra::{DMatrix, DVector};

use crate::filter::{Section, Shape, cascade};
use crate::fit::lanes::{LANES, Lanes, aligned, splat, sum};
use crate::fit::solver::Landscape;
use ceilings::{Ceilings, Excess, PointCeilings};
use kernel::{
    Derivatives, FillGroup, Levels, OF_EIGHT, OneLevel, Points, Ratio, Rows, SectionGroup, Sign,
    Square, padded,
};

/// Replaces a normalised weight of 0, so that `s * (r / s)` is still `r`.
const LEAST_WEIGHT: f64 = 1e-30;

/// ln q of 1/sqrt 2: a shelf of larger q overshoots, so that its level changes sign with frequency.
const MONOTONE_SHELF_LOG_Q: f64 = -0.5 * std::f64::consts::LN_2;

/// How the level `c` is chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Level {
    /// It minimises the residual: the level of the wanted change does not count.
    #[default]
    Free,
    /// It is 0 dB: the level of the wanted change counts.
    Fixed,
}

/// How many neighbouring points are merged into one cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Thinning {
    /// Points in a cell, 1 or more.
    pub points: usize,
    /// Points in a cell where the wanted change is straight over the cell; at least `points`.
    pub points_where_straight: usize,
}

/// The wanted change counts as straight if it is within this of a line, dB rms. Chosen by trial, see
/// tests/benches/RESULTS.md.
const STRAIGHT_DB: f64 = 0.05;

/// The wanted change at the points, and the weight of each point.
#[derive(Debug, Clone)]
pub struct Objective {
    level: Level,
    rate_hz: f64,
    frequency_hz: Vec<f64>,
    weight: Vec<f64>,
    share: Vec<f64>,
    economy: f64,
    /// Fixed sections beside those that are varied.
    kept: Vec<Section>,
    /// What the sections may not exceed together, also at each point.
    ceilings: Option<(Ceilings, PointCeilings)>,
    blocks: Blocks,
}

/// The same numbers padded to whole blocks, for the kernels.
#[derive(Debug, Clone)]
struct Blocks {
    points: Points,
    weight: Vec<f64>,
    wanted_db: Vec<f64>,
    share: Vec<f64>,
    /// Factor of the economy term's gradient at each point, divided by the weight: `economy share / weight`.
    pull: Vec<f64>,
    /// Boosts and cuts of the kept sections, dB; empty if there are none.
    kept_boost_db: Vec<f64>,
    kept_cut_db: Vec<f64>,
}

impl Objective {
    /// The objective with a free level. `frequency_hz` must rise and stay below half of `rate_hz`; `weight` must be 0
    /// or more and not all 0; `economy` must be 0 or more. `wanted_db` may have any level.
    #[must_use]
    pub fn new(
        frequency_hz: &[f64],
        weight: &[f64],
        wanted_db: &[f64],
        rate_hz: f64,
        economy: f64,
    ) -> Self {
        Self::with_level(
            Level::Free,
            frequency_hz,
            weight,
            wanted_db,
            rate_hz,
            economy,
        )
    }

    /// The objective with a free or a fixed level.
    #[must_use]
    pub fn with_level(
        level: Level,
        frequency_hz: &[f64],
        weight: &[f64],
        wanted_db: &[f64],
        rate_hz: f64,
        economy: f64,
    ) -> Self {
        let share = vec![1.0 / frequency_hz.len() as f64; frequency_hz.len()];
        // Weights are divided by the largest first, since the squares of tiny weights underflow.
        let largest = weight.iter().fold(0.0_f64, |largest, w| largest.max(*w));
        let power: f64 = weight.iter().map(|w| (w / largest).powi(2)).sum();
        let scale = (largest * power.sqrt()).recip();
        Self::with_shares(
            level,
            frequency_hz.to_vec(),
            weight.iter().map(|w| w * scale).collect(),
            wanted_db.to_vec(),
            share,
            rate_hz,
            economy,
        )
    }

    /// The objective with fixed sections: they are part of G, P and M, but have no variables.
    #[must_use]
    pub fn beside(mut self, kept: &[Section]) -> Self {
        kept.clone_into(&mut self.kept);
        let mut boost_db = vec![0.0; self.frequency_hz.len()];
        let mut cut_db = boost_db.clone();
        for (i, &f_hz) in self.frequency_hz.iter().enumerate() {
            for section in kept {
                let level_db = cascade::level_db(&[*section], self.rate_hz, f_hz);
                boost_db[i] += level_db.max(0.0);
                cut_db[i] -= level_db.min(0.0);
            }
        }
        let unless_none = |level_db: Vec<f64>| match kept {
            [] => Vec::new(),
            _ => padded(level_db.into_iter(), 0.0),
        };
        self.blocks.kept_boost_db = unless_none(boost_db);
        self.blocks.kept_cut_db = unless_none(cut_db);
        self
    }

    /// The objective with these ceilings, or none: what exceeds them adds to J.
    #[must_use]
    pub fn below(mut self, ceilings: Option<&Ceilings>) -> Self {
        let with_points = |ceilings: &Ceilings| {
            let points = ceilings.at_points(&self.frequency_hz, &self.share);
            (ceilings.clone(), points)
        };
        self.ceilings = ceilings.map(with_points);
        self
    }

    fn with_shares(
        level: Level,
        frequency_hz: Vec<f64>,
        weight: Vec<f64>,
        wanted_db: Vec<f64>,
        share: Vec<f64>,
        rate_hz: f64,
        economy: f64,
    ) -> Self {
        // Without the economy term, points of weight 0 do not count and are dropped.
        let counts = |i: &usize| economy > 0.0 || weight[*i] > 0.0;
        let kept: Vec<usize> = (0..frequency_hz.len()).filter(counts).collect();
        let keep = |values: &[f64]| kept.iter().map(|&i| values[i]).collect::<Vec<_>>();
        let (frequency_hz, weight) = (keep(&frequency_hz), keep(&weight));
        let (wanted_db, share) = (keep(&wanted_db), keep(&share));
        // With a free level the mean is subtracted, so that sums lose no digits.
        let mean: f64 = match level {
            Level::Free => weight.iter().zip(&wanted_db).map(|(w, d)| w * w * d).sum(),
            Level::Fixed => 0.0,
        };
        let wanted_db: Vec<f64> = wanted_db.iter().map(|d| d - mean).collect();
        let pull = share
            .iter()
            .zip(&weight)
            .map(|(share, w)| economy * share / w.max(LEAST_WEIGHT));
        Self {
            level,
            blocks: Blocks {
                pull: padded(pull, 0.0),
                points: Points::new(&frequency_hz, rate_hz),
                weight: padded(weight.iter().map(|w| w.max(LEAST_WEIGHT)), LEAST_WEIGHT),
                wanted_db: padded(wanted_db.iter().copied(), 0.0),
                share: padded(share.iter().copied(), 0.0),
                kept_boost_db: Vec::new(),
                kept_cut_db: Vec::new(),
            },
            kept: Vec::new(),
            ceilings: None,
            rate_hz,
            frequency_hz,
            weight,
            share,
            economy,
        }
    }

    /// A coarser objective: neighbouring points are merged into cells. The squares of their weights are added, and the
    /// part of the wanted change that `reference` does not produce is averaged. Details narrower than a cell are lost,
    /// but not the response of the reference sections: near these, the coarse and the full objective agree.
    #[must_use]
    pub fn thinned(&self, thinning: Thinning, reference: &[Section]) -> Self {
        let reference = [reference, &self.kept].concat();
        let reference = |points: &Points| levels_db(&reference, self.rate_hz, points);
        let wanted_db = self.blocks.wanted_db.iter();
        let left_db: Vec<f64> = wanted_db
            .zip(reference(&self.blocks.points))
            .map(|(wanted, level)| wanted - level)
            .collect();
        let cells = self.cells(thinning);
        let mut frequency_hz = Vec::with_capacity(cells.len());
        let mut weight = Vec::with_capacity(cells.len());
        let mut wanted_db = Vec::with_capacity(cells.len());
        let mut share = Vec::with_capacity(cells.len());
        for cell in cells {
            let power: f64 = self.weight[cell.clone()].iter().map(|w| w * w).sum();
            let log_f: f64 = self.frequency_hz[cell.clone()].iter().map(|f| f.ln()).sum();
            let centre_hz = (log_f / cell.len() as f64).exp();
            let left_db = if power > 0.0 {
                let weighted = |i: usize| self.weight[i] * self.weight[i] * left_db[i];
                cell.clone().map(weighted).sum::<f64>() / power
            } else {
                0.0
            };
            frequency_hz.push(centre_hz);
            weight.push(power.sqrt());
            wanted_db.push(left_db);
            share.push(self.share[cell].iter().sum());
        }
        let reference_db = reference(&Points::new(&frequency_hz, self.rate_hz));
        for (wanted, level) in wanted_db.iter_mut().zip(reference_db) {
            *wanted += level;
        }
        Self::with_shares(
            self.level,
            frequency_hz,
            weight,
            wanted_db,
            share,
            self.rate_hz,
            self.economy,
        )
        .beside(&self.kept)
        .below(self.ceilings.as_ref().map(|(ceilings, _)| ceilings))
    }

    fn cells(&self, thinning: Thinning) -> Vec<Range<usize>> {
        let points = self.frequency_hz.len();
        let mut cells = Vec::with_capacity(points.div_ceil(thinning.points));
        let mut start = 0;
        while start < points {
            let long = start..points.min(start + thinning.points_where_straight);
            let short = start..points.min(start + thinning.points);
            // Judged with one more neighbour on either side, since two points alone are always on a line.
            let about = start.saturating_sub(1)..points.min(long.end + 1);
            let is_straight = bend_db(&self.blocks.wanted_db[about]) < STRAIGHT_DB;
            let cell = if is_straight { long } else { short };
            start = cell.end;
            cells.push(cell);
        }
        cells
    }

    /// Number of points that count.
    #[must_use]
    pub fn points(&self) -> usize {
        self.frequency_hz.len()
    }

    /// Octaves between neighbouring points, on average.
    #[must_use]
    pub fn spacing_octaves(&self) -> f64 {
        match self.frequency_hz[..] {
            [first, .., last] => (last / first).log2() / (self.frequency_hz.len() - 1) as f64,
            _ => f64::INFINITY,
        }
    }

    /// How the level is chosen.
    #[must_use]
    pub fn level(&self) -> Level {
        self.level
    }

    /// The sample rate, hertz.
    #[must_use]
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// The weight of the economy term.
    #[must_use]
    pub fn economy(&self) -> f64 {
        self.economy
    }

    /// Number of points including padding.
    pub(in crate::fit) fn padded_len(&self) -> usize {
        self.blocks.points.padded_len()
    }

    /// Columns of length [`Self::padded_len`], multiplied by the weights.
    pub(in crate::fit) fn weighted(&self, columns: &[f64]) -> Vec<f64> {
        let weights = self.blocks.weight.iter().cycle();
        columns.iter().zip(weights).map(|(x, w)| x * w).collect()
    }

    /// The weighted response of one section and its squared length: `s (G - mean)` with a free level, `s G` with a
    /// fixed one.
    pub(in crate::fit) fn weighted_shape(&self, section: &Section) -> (Vec<f64>, f64) {
        let mut level_db = vec![0.0; self.padded_len()];
        pulp::Arch::new().dispatch(OneLevel {
            points: &self.blocks.points,
            ratio: &Ratio::new(section, self.rate_hz),
            level_db: &mut level_db,
        });
        let length = project(self.level, &self.blocks.weight, &mut level_db);
        (level_db, length)
    }
}

/// The sum of the levels of all sections at each point including padding, dB.
fn levels_db(sections: &[Section], rate_hz: f64, points: &Points) -> Vec<f64> {
    let mut sum_db = vec![0.0; points.padded_len()];
    let mut level_db = sum_db.clone();
    for section in sections {
        pulp::Arch::new().dispatch(OneLevel {
            points,
            ratio: &Ratio::new(section, rate_hz),
            level_db: &mut level_db,
        });
        for (sum, level) in sum_db.iter_mut().zip(&level_db) {
            *sum += level;
        }
    }
    sum_db
}

/// The distance of evenly spaced levels from their regression line, dB rms.
fn bend_db(level_db: &[f64]) -> f64 {
    let count = level_db.len() as f64;
    let mean_db = level_db.iter().sum::<f64>() / count;
    let steps = |i: usize| i as f64 - 0.5 * (count - 1.0);
    let (mut along, mut across) = (0.0, 0.0);
    for (i, level) in level_db.iter().enumerate() {
        along += steps(i) * (level - mean_db);
        across += steps(i) * steps(i);
    }
    let slope_db = if across > 0.0 { along / across } else { 0.0 };
    let left_db = |(i, level): (usize, &f64)| level - mean_db - slope_db * steps(i);
    let square: f64 = level_db
        .iter()
        .enumerate()
        .map(|at| left_db(at).powi(2))
        .sum();
    (square / count).sqrt()
}

/// Subtracts the weighted mean from `level_db` if the level is free, and multiplies by the weights; returns the squared
/// length.
fn project(level: Level, weight: &[f64], level_db: &mut [f64]) -> f64 {
    let mean: f64 = match level {
        Level::Free => weight
            .iter()
            .zip(level_db.iter())
            .map(|(w, level)| w * w * level)
            .sum(),
        Level::Fixed => 0.0,
    };
    for (w, level) in weight.iter().zip(level_db.iter_mut()) {
        *level = w * (*level - mean);
    }
    level_db.iter().map(|level| level * level).sum()
}

/// Buffers for the intermediate results of an evaluation, reused by the next one.
#[derive(Debug, Default)]
pub struct Workspace {
    /// Number of evaluations of J since the workspace was made.
    pub evaluations: u64,
    /// Work since the workspace was made: counted operations, weighted such that one unit takes about 2 nanoseconds on
    /// the machine of `tests/benches/RESULTS.md`. It depends only on the sizes of the problems, never on a clock.
    pub work: u64,
    signs: Vec<Sign>,
    groups: Vec<SectionGroup>,
    excess: Excess,
    boost_db: Vec<f64>,
    cut_db: Vec<f64>,
    error_db: Vec<f64>,
    /// Derivatives of J by the boosts and by the cuts at each point, divided by the weights.
    pulls: [Vec<f64>; 2],
    rows: Vec<f64>,
    /// For each variable: the weighted sum of its derivative, and 1 or -1 for a section that boosts or cuts.
    level: Vec<f64>,
    side: Vec<f64>,
    mean_db: f64,
}

impl Workspace {
    /// The largest sum of all sections at any point at the last evaluation, dB.
    pub(in crate::fit) fn largest_boost_db(&self) -> f64 {
        self.boost_db
            .iter()
            .zip(&self.cut_db)
            .fold(f64::NEG_INFINITY, |most, (boost, cut)| {
                most.max(boost - cut)
            })
    }

    /// How much quieter the sections play, preamp and all, at the last evaluation, dB, by the objective's ceilings.
    /// `at_ends_db` is the sum of all sections at 0 Hz or at half the rate, whichever is more.
    pub(in crate::fit) fn loss_db(&self, at_ends_db: f64) -> f64 {
        let largest_db = self.largest_boost_db().max(at_ends_db);
        largest_db.max(0.0) - self.excess.heard_db()
    }

    /// The weighted mean of `G - wanted` at the last evaluation, dB.
    pub(in crate::fit) fn mean_db(&self) -> f64 {
        self.mean_db
    }

    /// The derivatives of [`Self::mean_db`] by the variables, valid after the last `linearise`.
    pub(in crate::fit) fn mean_slopes(&self) -> &[f64] {
        &self.level[..3 * self.section_count()]
    }

    /// Appends the weighted derivatives by what can follow a change, column by column: by the level if it is free, then
    /// by each gain, at the last evaluation.
    pub(in crate::fit) fn gain_columns(&mut self, objective: &Objective, out: &mut Vec<f64>) {
        let blocks = &objective.blocks;
        if objective.level == Level::Free {
            out.extend_from_slice(&blocks.weight);
        }
        let [by_f0, by_q] = &mut self.pulls;
        for (ratio, _) in self.groups.iter().flat_map(SectionGroup::sections) {
            let start = out.len();
            out.resize(start + by_f0.len(), 0.0);
            pulp::Arch::new().dispatch(Derivatives {
                points: &blocks.points,
                ratio: &ratio,
                weight: &blocks.weight,
                columns: [by_f0, &mut out[start..], by_q],
            });
        }
    }

    /// Appends the level of each section at the last evaluation, dB, column by column.
    pub(in crate::fit) fn level_columns(&self, objective: &Objective, out: &mut Vec<f64>) {
        let points = &objective.blocks.points;
        for (ratio, _) in self.groups.iter().flat_map(SectionGroup::sections) {
            let start = out.len();
            out.resize(start + points.padded_len(), 0.0);
            pulp::Arch::new().dispatch(OneLevel {
                points,
                ratio: &ratio,
                level_db: &mut out[start..],
            });
        }
    }

    /// Number of sections at the last evaluation.
    pub(in crate::fit) fn section_count(&self) -> usize {
        self.signs.len()
    }

    /// The economy term at the last evaluation if a section with the levels `level_db` were removed, dB^2.
    pub(in crate::fit) fn economy_without(&self, objective: &Objective, level_db: &[f64]) -> f64 {
        if objective.economy == 0.0 {
            return 0.0;
        }
        let sums = self.boost_db.iter().zip(&self.cut_db);
        let own = level_db.iter().zip(&objective.blocks.share);
        let opposed = sums.zip(own).map(|((boost, cut), (level, share))| {
            (boost - level.max(0.0)) * (cut + level.min(0.0)) * share
        });
        objective.economy * opposed.sum::<f64>()
    }

    /// Appends the weighted, normalised error of the last evaluation: its squared length is the residual part of J.
    pub(in crate::fit) fn weighted_error(&self, objective: &Objective, out: &mut Vec<f64>) {
        out.extend(
            self.error_db
                .iter()
                .zip(&objective.blocks.weight)
                .map(|(e, w)| e * w),
        );
    }
}

/// Work of one evaluation, with `mixed` sections whose sign changes with frequency, in the unit of [`Workspace::work`].
fn value_work(points: usize, sections: usize, economy: bool, mixed: usize) -> u64 {
    let logarithms = if economy { 23 } else { 11 };
    (600 + points * (logarithms + 2 * sections + 4 * mixed) / 10) as u64
}

/// Work of the derivatives, of their products, and of the step that follows, in the same unit.
fn linearise_work(points: usize, sections: usize) -> u64 {
    let size = 3 * sections;
    let (groups, blocks) = (sections.div_ceil(LANES), size.div_ceil(LANES));
    let a_point = 6 + 37 * groups + 9 * blocks * (blocks + 1) / 2;
    (points * a_point / 10 + size * size * (60 + size) / 32) as u64
}

/// Work of one iteration of the solver with this many sections, in the unit of [`Workspace::work`].
pub(in crate::fit) fn iteration_work(objective: &Objective, sections: usize) -> u64 {
    let points = objective.padded_len();
    2 * value_work(points, sections, objective.economy > 0.0, 0) + linearise_work(points, sections)
}

/// The parts of J.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Parts {
    /// Squared weighted residual, dB^2.
    pub residual: f64,
    /// `economy * mean(P M)`, dB^2.
    pub economy: f64,
    /// What exceeds the ceilings, dB^2.
    pub excess: f64,
}

impl Parts {
    /// J.
    #[must_use]
    pub fn total(self) -> f64 {
        self.residual + self.economy + self.excess
    }
}

/// J as a function of the variables of sections with given shapes.
pub struct Placed<'a> {
    objective: &'a Objective,
    shapes: &'a [Shape],
    lower: &'a [f64],
    upper: &'a [f64],
    room: &'a mut Workspace,
    /// The variables at which `room` holds the last evaluation.
    evaluated_at: Vec<f64>,
}

impl<'a> Placed<'a> {
    /// Sections of `shapes`, each with three variables inside `lower..=upper` (only the solver reads these bounds).
    pub fn new(
        objective: &'a Objective,
        shapes: &'a [Shape],
        lower: &'a [f64],
        upper: &'a [f64],
        room: &'a mut Workspace,
    ) -> Self {
        Self {
            objective,
            shapes,
            lower,
            upper,
            room,
            evaluated_at: Vec::new(),
        }
    }

    /// Evaluates residual and economy term; the workspace then holds the error.
    pub fn parts(&mut self, x: &[f64]) -> Parts {
        let Objective {
            level,
            rate_hz,
            economy,
            blocks,
            ..
        } = self.objective;
        let room = &mut *self.room;
        self.evaluated_at.clear();
        self.evaluated_at.extend_from_slice(x);
        room.evaluations += 1;
        let (variables, _) = x.as_chunks();
        let sign_of = |(shape, [_, gain_db, log_q]): (&Shape, &[f64; 3])| match () {
            () if *economy == 0.0 => Sign::Boost,
            () if shape.is_shelf() && *log_q > MONOTONE_SHELF_LOG_Q => Sign::Mixed,
            () if *gain_db >= 0.0 => Sign::Boost,
            () => Sign::Cut,
        };
        room.signs.clear();
        room.signs
            .extend(self.shapes.iter().zip(variables).map(sign_of));
        let points = blocks.points.padded_len();
        let mixed = room.signs.iter().filter(|s| **s == Sign::Mixed).count();
        room.work += value_work(points, self.shapes.len(), *economy > 0.0, mixed);
        for column in [&mut room.boost_db, &mut room.cut_db, &mut room.error_db]
            .into_iter()
            .chain(&mut room.pulls)
        {
            column.resize(points, 0.0);
        }
        let arch = pulp::Arch::new();
        let count = self.shapes.len().div_ceil(LANES);
        room.groups.resize_with(count, SectionGroup::default);
        let shapes = self.shapes.chunks(LANES).zip(x.chunks(OF_EIGHT));
        let groups = shapes.zip(room.signs.chunks(LANES)).zip(&mut room.groups);
        for (((shapes, x), signs), grouped) in groups {
            arch.dispatch(FillGroup {
                shapes,
                x,
                signs,
                rate_hz: *rate_hz,
                grouped,
            });
        }
        arch.dispatch(Levels {
            points: &blocks.points,
            groups: &room.groups,
            boost_db: &mut room.boost_db,
            cut_db: &mut room.cut_db,
        });
        for (level_db, kept_db) in [
            (&mut room.boost_db, &blocks.kept_boost_db),
            (&mut room.cut_db, &blocks.kept_cut_db),
        ] {
            for (level_db, kept_db) in level_db.iter_mut().zip(kept_db) {
                *level_db += kept_db;
            }
        }
        let (mut parts, mean_db) = arch.dispatch(Weigh {
            blocks,
            boost_db: &room.boost_db,
            cut_db: &room.cut_db,
            error_db: &mut room.error_db,
            economy: *economy,
            level: *level,
        });
        room.mean_db = mean_db;
        if let Some((_, ceilings)) = &self.objective.ceilings {
            room.work += 3 * points as u64;
            parts.excess = room.excess.evaluate(ceilings, &room.boost_db, &room.cut_db);
        }
        parts
    }

    /// The workspace, which holds the last evaluation.
    pub(in crate::fit) fn room(&self) -> &Workspace {
        self.room
    }
}

/// Sections from their shapes and variables (ln f0, gain, ln q).
pub fn sections<'a>(shapes: &'a [Shape], x: &'a [f64]) -> impl Iterator<Item = Section> + 'a {
    shapes
        .iter()
        .zip(x.chunks_exact(3))
        .map(|(&shape, x)| Section {
            shape,
            f0_hz: x[0].exp(),
            gain_db: x[1],
            q: x[2].exp(),
        })
}

/// Computes the error, the two parts of J, and the weighted mean of `G - wanted`.
struct Weigh<'a> {
    blocks: &'a Blocks,
    boost_db: &'a [f64],
    cut_db: &'a [f64],
    error_db: &'a mut [f64],
    economy: f64,
    level: Level,
}

impl pulp::WithSimd for Weigh<'_> {
    type Output = (Parts, f64);

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> (Parts, f64) {
        let (weight, _) = self.blocks.weight.as_chunks::<LANES>();
        let (share, _) = self.blocks.share.as_chunks::<LANES>();
        let (wanted_db, _) = self.blocks.wanted_db.as_chunks::<LANES>();
        let (boost_db, _) = self.boost_db.as_chunks::<LANES>();
        let (cut_db, _) = self.cut_db.as_chunks::<LANES>();
        let (error_db, _) = self.error_db.as_chunks_mut::<LANES>();
        let mut mean = splat(0.0);
        let mut opposed = splat(0.0);
        for (((((error, boost), cut), wanted), w), share) in error_db
            .iter_mut()
            .zip(boost_db)
            .zip(cut_db)
            .zip(wanted_db)
            .zip(weight)
            .zip(share)
        {
            for l in 0..LANES {
                let e = boost[l] - cut[l] - wanted[l];
                error[l] = e;
                mean[l] = f64::mul_add(w[l] * w[l], e, mean[l]);
                opposed[l] = f64::mul_add(boost[l] * cut[l], share[l], opposed[l]);
            }
        }
        let mean = sum(&mean);
        let c = match self.level {
            Level::Free => -mean,
            Level::Fixed => 0.0,
        };
        let mut square = splat(0.0);
        for (error, w) in error_db.iter_mut().zip(weight) {
            for l in 0..LANES {
                error[l] += c;
                let weighted = error[l] * w[l];
                square[l] = f64::mul_add(weighted, weighted, square[l]);
            }
        }
        let parts = Parts {
            residual: sum(&square),
            economy: self.economy * sum(&opposed),
            excess: 0.0,
        };
        (parts, mean)
    }
}

/// Computes the derivatives of J by the boosts and by the cuts at each point, divided by the weights.
struct LevelSlopes<'a> {
    blocks: &'a Blocks,
    /// Boosts, cuts and error at each point.
    levels_db: [&'a [f64]; 3],
    boost_pull: &'a mut [f64],
    cut_pull: &'a mut [f64],
}

impl pulp::WithSimd for LevelSlopes<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let n = self.boost_pull.len();
        let (boost_pull, cut_pull) = (&mut self.boost_pull[..n], &mut self.cut_pull[..n]);
        let [boost_db, cut_db, error_db] = self.levels_db.map(|level_db| &level_db[..n]);
        let (weight, pull) = (&self.blocks.weight[..n], &self.blocks.pull[..n]);
        for i in 0..n {
            let residual = 2.0 * weight[i] * error_db[i];
            boost_pull[i] = residual + pull[i] * cut_db[i];
            cut_pull[i] = residual - pull[i] * boost_db[i];
        }
    }
}

/// Turns the products of the derivatives into the curvature, in place, from the diagonal block of each row on.
struct Curvature<'a> {
    products: &'a mut [Lanes],
    level: &'a [Lanes],
    side: &'a [Lanes],
    /// Factor of the projection `u u^T`: 2 with a free level, 0 with a fixed one.
    projected: f64,
    economy: f64,
}

impl pulp::WithSimd for Curvature<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let width = self.level.len();
        let (levels, sides) = (self.level.as_flattened(), self.side.as_flattened());
        // The factor of a product is 2 if both sections have the same sign, and 2 - economy if not.
        let even = 2.0 - 0.5 * self.economy;
        for (j, row) in self.products.chunks_exact_mut(width.max(1)).enumerate() {
            let twice_level = self.projected * levels[j];
            let half_economy = 0.5 * self.economy * sides[j];
            let first = j / LANES;
            let rest = self.level[first..].iter().zip(&self.side[first..]);
            for (row, (level, side)) in row[first..].iter_mut().zip(rest) {
                // Blocks are copied out while they change, so that the compiler vectorises the loop.
                let (mut block, level, side) = (*row, *level, *side);
                for l in 0..LANES {
                    let share = f64::mul_add(half_economy, side[l], even);
                    block[l] = share * block[l] - twice_level * level[l];
                }
                *row = block;
            }
        }
    }
}

impl Landscape for Placed<'_> {
    fn lower(&self) -> &[f64] {
        self.lower
    }

    fn upper(&self) -> &[f64] {
        self.upper
    }

    fn value(&mut self, x: &[f64]) -> f64 {
        self.parts(x).total()
    }

    fn linearise(&mut self, x: &[f64], gradient: &mut DVector<f64>, curvature: &mut DMatrix<f64>) {
        if self.evaluated_at != x {
            self.parts(x);
        }
        let Objective {
            level: kind,
            economy,
            blocks,
            ..
        } = self.objective;
        let projected = match kind {
            Level::Free => 2.0,
            Level::Fixed => 0.0,
        };
        let room = &mut *self.room;
        let n = blocks.points.padded_len();
        let arch = pulp::Arch::new();
        room.work += linearise_work(n, self.shapes.len());
        let [boost_pull, cut_pull] = &mut room.pulls;
        arch.dispatch(LevelSlopes {
            blocks,
            levels_db: [&room.boost_db, &room.cut_db, &room.error_db],
            boost_pull,
            cut_pull,
        });
        let width = curvature.nrows() / LANES;
        let stride = width * LANES;
        let rows = aligned(&mut room.rows, n * stride + OF_EIGHT);
        // Elements beyond the number of variables are never read.
        for column in [&mut room.level, &mut room.side] {
            column.resize(stride, 0.0);
        }
        for (group, grouped) in room.groups.iter().enumerate().rev() {
            let first = OF_EIGHT * group;
            let sums = arch.dispatch(Rows {
                points: &blocks.points,
                grouped,
                weight: &blocks.weight,
                pulls: [boost_pull, cut_pull],
                rows,
                stride,
                first,
            });
            let sums = sums.over_all_points();
            for (l, kind) in
                (0..grouped.sections().count()).flat_map(|l| (0..3).map(move |kind| (l, kind)))
            {
                gradient[first + 3 * l + kind] = sums.gradient[kind][l];
                room.level[first + 3 * l + kind] = sums.level[kind][l];
            }
        }
        for (side, x) in room.side.chunks_exact_mut(3).zip(x.chunks_exact(3)) {
            side.fill(if x[1] >= 0.0 { 1.0 } else { -1.0 });
        }
        let products = curvature.as_mut_slice().as_chunks_mut().0;
        arch.dispatch(Square {
            rows: rows[..n * stride].as_chunks().0,
            width,
            product: products,
        });
        arch.dispatch(Curvature {
            products,
            level: room.level.as_chunks().0,
            side: room.side.as_chunks().0,
            projected,
            economy: *economy,
        });
        if let Some((_, ceilings)) = &self.objective.ceilings {
            room.work += 4 * n as u64;
            room.excess.linearise(
                ceilings,
                [&room.boost_db, &room.cut_db],
                (rows, &blocks.weight),
                stride,
                &mut gradient.as_mut_slice()[..3 * self.shapes.len()],
                curvature.as_mut_slice(),
            );
        }
    }
}
