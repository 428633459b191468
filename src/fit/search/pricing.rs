//! The prices of inserting and of removing sections, with the level and the gains of the other sections following.
//!
//! Near the present sections, J's residual is the squared length of a sum of weighted columns: the error; the change
//! per dB of each follower (the level where it is free, and the gains); and a multiple of whatever is added or removed.
//! Eliminating the followers from the matrix of inner products (a Schur complement, i.e. block Gaussian elimination)
//! leaves the products of the columns' components orthogonal to all followers: the least-squares answer with the
//! followers adjusted. Bounds of the followers are ignored: a price only selects what to try, and the solver then
//! settles it.

use crate::fit::objective::kernel::{Products, TILE};
use crate::fit::objective::{Objective, Workspace};

/// The present sections as columns of equal length: the followers, then the weighted error. Call [`Self::set`] before
/// use.
#[derive(Debug, Default)]
pub struct Surroundings {
    columns: Vec<f64>,
    length: usize,
    followers: usize,
}

impl Surroundings {
    /// Takes the columns of the last evaluation in `room`: the level where it is free, the gains, then the weighted
    /// error.
    pub fn set(&mut self, objective: &Objective, room: &mut Workspace) {
        self.columns.clear();
        self.length = objective.padded_len();
        room.gain_columns(objective, &mut self.columns);
        self.followers = self.columns.len() / self.length;
        room.weighted_error(objective, &mut self.columns);
    }

    /// Number of followers; the column with this index is the error.
    pub(in crate::fit) fn followers(&self) -> usize {
        self.followers
    }

    /// All columns, followed by `more`.
    pub(in crate::fit) fn with<'a>(
        &'a self,
        more: impl Iterator<Item = &'a [f64]>,
    ) -> Vec<&'a [f64]> {
        self.columns.chunks_exact(self.length).chain(more).collect()
    }
}

/// A follower whose column has at most this squared length is not eliminated: it is zero but for rounding.
/// Dimensionless: dB^2 of weighted error per dB^2, the squared weights summing to 1.
const MIN_SQUARED_LENGTH: f64 = 1e-9;

/// Inner products of columns: the first rows of a symmetric matrix, from the diagonal on.
#[derive(Debug)]
pub(in crate::fit) struct Gram {
    products: Vec<f64>,
    width: usize,
    rows: usize,
}

impl Gram {
    /// The products of the first `rows` columns with all columns from the diagonal on. There must be at least one
    /// column.
    #[must_use]
    pub fn new(mut columns: Vec<&[f64]>, rows: usize) -> Self {
        let width = columns.len().next_multiple_of(TILE);
        let padding = columns[0];
        columns.resize(width, padding);
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

    /// The product of columns `i` and `j`; at least one of them must be among the rows.
    #[must_use]
    pub fn at(&self, i: usize, j: usize) -> f64 {
        self.products[i.min(j) * self.width + i.max(j)]
    }

    /// The matrix of the columns `some`, all of which must be among the rows.
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

    /// Eliminates the first `followers` columns from all others.
    pub fn eliminate(&mut self, followers: usize) {
        pulp::Arch::new().dispatch(Eliminate {
            gram: self,
            followers,
        });
    }

    /// For columns in the order gains, error, levels of the same sections: receives the residual without each section,
    /// with the other gains adjusted. Recursive: each half of the gains is eliminated once for the whole other half.
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

    /// Subtracts from the squared lengths of the columns from `first` on the part that the first `followers` columns,
    /// already eliminated, explain.
    pub fn subtract_explained(&self, squared_lengths: &mut [f64], first: usize, followers: usize) {
        for (p, row) in self
            .products
            .chunks_exact(self.width)
            .enumerate()
            .take(followers)
        {
            if row[p] <= MIN_SQUARED_LENGTH {
                continue;
            }
            let pivot_inverse = row[p].recip();
            for (left, product) in squared_lengths.iter_mut().zip(&row[first..]) {
                *left -= product * product * pivot_inverse;
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
            if pivots[p] <= MIN_SQUARED_LENGTH {
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

/// J without each section of the last evaluation in `room`, in the candidate's order, with the level and the other
/// gains adjusted, dB^2. Sets `surroundings` to that evaluation.
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

/// Work of pricing, in the unit of [`Workspace::work`]: `added` columns beside `followers`, each alone or all
/// `with_one_another`.
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
