//! Systems of a few dozen equations, symmetric and positive definite, eight rows at a time.
//!
//! `A = L D L^T` (the root-free form of A.-L. Cholesky's method), each column from those before it, so that it stays
//! in registers until it is done. Variables that are held have no column; their rows are carried along, since whole blocks are
//! quicker than what is left of them, and are never looked at.

use nalgebra::DMatrix;

use super::lanes::{LANES, Lanes, add, aligned, splat};

/// A system, with the room to solve it.
#[derive(Debug, Default)]
pub struct System {
    /// The variables that are solved for, rising.
    free: Vec<usize>,
    /// Blocks of a column.
    height: usize,
    /// A column of the lower triangle for each free variable; when solved, of `L D`.
    columns: Vec<f64>,
    /// Rows of `-L`, of the free variables alone.
    lower: Vec<f64>,
    /// Minus the inverse of D.
    inverse: Vec<f64>,
    /// The right side, as far as it is not yet explained.
    right: Vec<f64>,
    /// What is known of the solution, of the free variables alone.
    solution: Vec<f64>,
}

impl System {
    /// Sets the matrix to the rows and columns `free` (rising) of another one, of which the lower triangle is looked at; it may have
    /// more rows than columns. `diagonal` gives the element that takes the place of its diagonal one.
    pub fn set(
        &mut self,
        lower_triangle: &DMatrix<f64>,
        free: &[usize],
        diagonal: impl Fn(f64) -> f64,
    ) {
        self.free.clear();
        self.free.extend_from_slice(free);
        let length = lower_triangle.nrows();
        self.height = length.div_ceil(LANES);
        let rows = self.height * LANES;
        let columns = aligned(&mut self.columns, free.len() * rows);
        for (column, &variable) in columns.chunks_exact_mut(rows.max(1)).zip(free) {
            let source = &lower_triangle.as_slice()[variable * length..][..length];
            // Whole blocks: what is above the diagonal in the first is never looked at.
            let first = variable / LANES * LANES;
            column[first..length].copy_from_slice(&source[first..]);
            column[length..].fill(0.0);
            column[variable] = diagonal(column[variable]);
        }
    }

    /// Solves the system once: `x` holds the right side, an element for each row of the larger matrix, and receives the solution
    /// where variables are free. False when the matrix is not positive definite.
    #[must_use]
    pub fn solve(&mut self, x: &mut [f64]) -> bool {
        pulp::Arch::new().dispatch(Solve { system: self, x })
    }
}

struct Solve<'a> {
    system: &'a mut System,
    x: &'a mut [f64],
}

impl pulp::WithSimd for Solve<'_> {
    type Output = bool;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> bool {
        let System {
            free,
            height,
            columns,
            lower,
            inverse,
            right,
            solution,
        } = self.system;
        let (count, height) = (free.len(), *height);
        let width = count.div_ceil(LANES);
        let columns = aligned(columns, count * height * LANES).as_chunks_mut().0;
        let lower = aligned(lower, count * width * LANES).as_chunks_mut().0;
        lower.fill(splat(0.0));
        let right = aligned(right, height * LANES);
        right[..self.x.len()].copy_from_slice(self.x);
        right[self.x.len()..].fill(0.0);
        let right: &mut [Lanes] = right.as_chunks_mut().0;
        let solution: &mut [Lanes] = aligned(solution, width * LANES).as_chunks_mut().0;
        solution.fill(splat(0.0));
        inverse.clear();
        for (k, &variable) in free.iter().enumerate() {
            let (first, lane) = (variable / LANES, variable % LANES);
            let factors = &mut lower[k * width..][..width].as_flattened_mut()[..k];
            for (i, (factor, inverse)) in factors.iter_mut().zip(&*inverse).enumerate() {
                let done: &Lanes = &columns[i * height + first];
                *factor = done[lane] * inverse;
            }
            for block in first..height {
                // Two sums, since each addition waits for the one before it.
                let mut even = columns[k * height + block];
                let mut odd = splat(0.0);
                let (pairs, last) = factors.as_chunks();
                let mut at = block;
                for [factor, next] in pairs {
                    add(&mut even, *factor, &columns[at]);
                    add(&mut odd, *next, &columns[at + height]);
                    at += 2 * height;
                }
                if let [factor] = last {
                    add(&mut even, *factor, &columns[at]);
                }
                add(&mut even, 1.0, &odd);
                columns[k * height + block] = even;
            }
            let pivot = columns[k * height + first][lane];
            if pivot.is_nan() || pivot <= 0.0 {
                return false;
            }
            let minus_inverse = -pivot.recip();
            inverse.push(minus_inverse);
            // L z = b on the way, and D y = z. (Blocks leave their place while they change: the compiler then makes vectors of them.)
            let share = right[first][lane] * minus_inverse;
            solution[k / LANES][k % LANES] = -share;
            for block in first..height {
                let mut rest = right[block];
                add(&mut rest, share, &columns[k * height + block]);
                right[block] = rest;
            }
        }
        // L^T x = y.
        for (k, &variable) in free.iter().enumerate().rev() {
            let known = solution[k / LANES][k % LANES];
            self.x[variable] = known;
            for block in 0..k.div_ceil(LANES) {
                let mut rest = solution[block];
                add(&mut rest, known, &lower[k * width + block]);
                solution[block] = rest;
            }
        }
        true
    }
}
