//! What changes of the sections bring while the level and the gains of the others follow them.
//!
//! Near the sections at hand, the residual is the squared length of the weighted error plus weighted columns: what a decibel
//! of each follower changes, and a multiple of whatever is added. Eliminating the followers from the matrix of inner products (a
//! Schur complement) leaves the inner products of what they cannot make up for. Walls of the followers are not looked at:
//! prices choose what to try, and the solver settles it.

use crate::fit::objective::kernel::{Products, TILE};
use crate::fit::objective::{Objective, Workspace};

/// The sections at hand as prices see them: one column after another, of equal length. To be set before it is used.
#[derive(Debug, Default)]
pub struct Surroundings {
    columns: Vec<f64>,
    length: usize,
    followers: usize,
}

impl Surroundings {
    /// Those of the last evaluation in `room`: the level where it is free, the gains, then the weighted error.
    pub fn set(&mut self, objective: &Objective, room: &mut Workspace) {
        self.columns.clear();
        self.length = objective.padded_len();
        room.gain_columns(objective, &mut self.columns);
        self.followers = self.columns.len() / self.length;
        room.weighted_error(objective, &mut self.columns);
    }

    /// How many columns follow; the error is the next one.
    pub(in crate::fit) fn followers(&self) -> usize {
        self.followers
    }

    /// All columns, and then `more`.
    pub(in crate::fit) fn with<'a>(
        &'a self,
        more: impl Iterator<Item = &'a [f64]>,
    ) -> Vec<&'a [f64]> {
        self.columns.chunks_exact(self.length).chain(more).collect()
    }
}

/// A follower whose column is shorter than this, squared, changes nothing: dB^2 of weighted error a dB^2, all weights together
/// being 1.
const NOTHING: f64 = 1e-9;

/// Inner products of columns: the first rows of the matrix, from the diagonal on.
#[derive(Debug)]
pub(in crate::fit) struct Gram {
    products: Vec<f64>,
    width: usize,
    rows: usize,
}

impl Gram {
    /// Products of the first `rows` of some columns, of which there is at least one, with all from the diagonal on.
    #[must_use]
    pub fn new(mut columns: Vec<&[f64]>, rows: usize) -> Self {
        let width = columns.len().next_multiple_of(TILE);
        let filling = columns[0];
        columns.resize(width, filling);
        let mut products = vec![0.0; width * rows.next_multiple_of(TILE)];
        pulp::Arch::new().dispatch(Products {
            columns: &columns,
            products: &mut products,
        });
        Self {
            products,
            width,
            rows,
        }
    }

    /// The product of two columns, one of them among the rows.
    #[must_use]
    pub fn at(&self, i: usize, j: usize) -> f64 {
        self.products[i.min(j) * self.width + i.max(j)]
    }

    /// The matrix of some of the columns, all of them rows.
    #[must_use]
    pub fn of(&self, some: &[usize]) -> Self {
        let width = some.len();
        let mut products = vec![0.0; width * width];
        for (i, row) in products.chunks_exact_mut(width.max(1)).enumerate() {
            for (out, &other) in row[i..].iter_mut().zip(&some[i..]) {
                *out = self.at(some[i], other);
            }
        }
        Self {
            products,
            width,
            rows: width,
        }
    }

    /// Leaves of all others what the first `followers` columns cannot make up for.
    pub fn eliminate(&mut self, followers: usize) {
        pulp::Arch::new().dispatch(Eliminate {
            gram: self,
            followers,
        });
    }

    /// With the gains of sections first, then the error, then the levels of those sections: what is left of the error without
    /// each when the other gains follow. Half of the gains are eliminated for all of the other half at once.
    fn without_each(&self, residual: &mut [f64]) {
        let gains = residual.len();
        if gains <= 1 {
            for residual in residual {
                // |error - level|^2
                *residual = self.at(1, 1) - 2.0 * self.at(1, 2) + self.at(2, 2);
            }
            return;
        }
        let half = gains / 2;
        for (kept, followers) in [(0..half, half..gains), (half..gains, 0..half)] {
            let levels = kept.clone().map(|k| gains + 1 + k);
            let rest = kept.clone().chain([gains]).chain(levels);
            let order: Vec<usize> = followers.clone().chain(rest).collect();
            let mut gram = self.of(&order);
            gram.eliminate(followers.len());
            let rest: Vec<usize> = (followers.len()..order.len()).collect();
            gram.of(&rest).without_each(&mut residual[kept]);
        }
    }

    /// Leaves of the squared lengths of the columns from `first` on what the first `followers` columns, eliminated, cannot make
    /// up for.
    pub fn leave_of(&self, squared_lengths: &mut [f64], first: usize, followers: usize) {
        for (p, row) in self
            .products
            .chunks_exact(self.width)
            .enumerate()
            .take(followers)
        {
            if row[p] <= NOTHING {
                continue;
            }
            let made_up = row[p].recip();
            for (left, product) in squared_lengths.iter_mut().zip(&row[first..]) {
                *left -= product * product * made_up;
            }
        }
    }
}

struct Eliminate<'a> {
    gram: &'a mut Gram,
    followers: usize,
}

impl pulp::WithSimd for Eliminate<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let width = self.gram.width;
        let products = &mut self.gram.products;
        for p in 0..self.followers {
            let (above, below) = products.split_at_mut((p + 1) * width);
            let pivots = &above[p * width..];
            if pivots[p] <= NOTHING {
                continue;
            }
            let rows = below.chunks_exact_mut(width);
            for (i, row) in (p + 1..self.gram.rows).zip(rows) {
                let factor = pivots[i] / pivots[p];
                for (out, pivot) in row[i..].iter_mut().zip(&pivots[i..]) {
                    *out -= factor * pivot;
                }
            }
        }
    }
}

/// What J would be without each of the sections of the last evaluation in `room`, in the order of the candidate; the surroundings
/// are set to those.
pub fn without_each(
    objective: &Objective,
    room: &mut Workspace,
    surroundings: &mut Surroundings,
) -> Vec<f64> {
    surroundings.set(objective, room);
    let mut levels_db = Vec::new();
    room.level_columns(objective, &mut levels_db);
    let weighted = objective.weighted(&levels_db);
    let length = objective.padded_len();
    let columns = surroundings.with(weighted.chunks_exact(length));
    let all = columns.len();
    let mut gram = Gram::new(columns, all);
    let sections = room.section_count();
    let level = surroundings.followers() - sections;
    gram.eliminate(level);
    let gram = gram.of(&(level..all).collect::<Vec<_>>());
    let mut residual = vec![0.0; sections];
    gram.without_each(&mut residual);
    let levels_db = levels_db.chunks_exact(length);
    let value_without = |(residual, own_db)| residual + room.economy_without(objective, own_db);
    let value = residual
        .into_iter()
        .zip(levels_db)
        .map(value_without)
        .collect();
    room.work += removal_work(length, sections);
    value
}

/// Work of pricing with so many followers and columns that are added, all of them with one another or each alone, in the unit of
/// [`Workspace::work`].
#[must_use]
pub(in crate::fit) fn work(
    points: usize,
    followers: usize,
    added: usize,
    with_one_another: bool,
) -> u64 {
    let all = followers + 1 + added;
    let rows = if with_one_another { all } else { followers + 1 };
    (2000 + points * rows * all / 48 + added * added * usize::from(with_one_another) * 3 / 2) as u64
}

fn removal_work(points: usize, sections: usize) -> u64 {
    (2000 + points * (2 * sections + 2).pow(2) / 24 + 3 * sections.pow(3)) as u64
}
