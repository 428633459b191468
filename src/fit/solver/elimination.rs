//! Systems of a few dozen equations, symmetric and positive definite, eight rows at a time.
//!
//! `A = L D L^T` (the root-free form of A.-L. Cholesky's method), each column from those before it, so that it stays
//! in registers until it is done. Variables that are held have no column; their rows are carried along, and so is what is above
//! the diagonal, since whole columns are quicker than what is left of them; neither is ever looked at. How high a column is, is
//! known to the compiler. Larger systems than that are nalgebra's.

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::fit::lanes::{LANES, Lanes, add, aligned, splat};

/// Buffers to solve systems.
#[derive(Debug, Default)]
pub struct Buffers {
    /// A column for each variable that is solved for, of which the lower triangle counts: of `L D`.
    columns: Vec<f64>,
    /// Rows of `-L`, of the same variables alone.
    lower: Vec<f64>,
    /// Minus the inverse of D.
    inverse: Vec<f64>,
}

/// A system: the rows and columns `free` (rising) of a matrix.
#[derive(Debug)]
pub struct System<'a, F> {
    /// Of this matrix the lower triangle is looked at; it may have more rows than columns, and whole blocks of [`LANES`] are
    /// quickest.
    pub lower_triangle: &'a DMatrix<f64>,
    /// The variables that are solved for.
    pub free: &'a [usize],
    /// What is added to a diagonal element.
    pub damping: F,
}

impl<F: Fn(f64) -> f64> System<'_, F> {
    /// Solves it: `x` holds the right side, an element for each column of the larger matrix, and receives the solution
    /// where variables are free. False when the matrix is not positive definite.
    #[must_use]
    pub fn solve(&self, x: &mut [f64], room: &mut Buffers) -> bool {
        let rows = self.lower_triangle.nrows();
        if rows.is_multiple_of(LANES) && rows / LANES <= HIGHEST {
            pulp::Arch::new().dispatch(Solve {
                system: self,
                x,
                room,
            })
        } else {
            self.solve_larger(x)
        }
    }

    /// With columns of `H` blocks.
    #[inline(always)]
    fn solve_high<const H: usize>(&self, x: &mut [f64], room: &mut Buffers) -> bool {
        let count = self.free.len();
        let source: &[[Lanes; H]] = self.lower_triangle.as_slice().as_chunks().0.as_chunks().0;
        let columns = columns_of::<H>(&mut room.columns, count);
        let lower = columns_of::<H>(&mut room.lower, count);
        let inverse = &mut room.inverse;
        inverse.clear();
        // The right side, as far as it is not yet explained, and what is known of the solution.
        let mut right = [splat(0.0); H];
        right.as_flattened_mut()[..x.len()].copy_from_slice(x);
        let mut solution = [splat(0.0); H];
        for (k, (&variable, row)) in self.free.iter().zip(&mut *lower).enumerate() {
            let (block, lane) = (variable / LANES, variable % LANES);
            let (done, rest) = columns.split_at_mut(k);
            *row = [splat(0.0); H];
            let factors = &mut row.as_flattened_mut()[..k];
            for ((factor, done), inverse) in factors.iter_mut().zip(&*done).zip(&*inverse) {
                *factor = done[block][lane] * inverse;
            }
            let column = without(source[variable], factors, done);
            rest[0] = column;
            let pivot = column[block][lane] + (self.damping)(source[variable][block][lane]);
            if pivot.is_nan() || pivot <= 0.0 {
                return false;
            }
            let minus_inverse = -pivot.recip();
            inverse.push(minus_inverse);
            // L z = b on the way, and D y = z.
            let share = right[block][lane] * minus_inverse;
            solution[k / LANES][k % LANES] = -share;
            add_column(&mut right, share, &column);
        }
        // L^T x = y.
        for (k, (&variable, row)) in self.free.iter().zip(&*lower).enumerate().rev() {
            let known = solution[k / LANES][k % LANES];
            x[variable] = known;
            add_column(&mut solution, known, row);
        }
        true
    }

    /// With columns of any height.
    fn solve_larger(&self, x: &mut [f64]) -> bool {
        let free = self.free;
        let element = |i: usize, j: usize| {
            let element = self.lower_triangle[(free[i.max(j)], free[i.min(j)])];
            let added = if i == j { (self.damping)(element) } else { 0.0 };
            element + added
        };
        let matrix = DMatrix::from_fn(free.len(), free.len(), element);
        let Some(cholesky) = Cholesky::new(matrix) else {
            return false;
        };
        let right = DVector::from_iterator(free.len(), free.iter().map(|&variable| x[variable]));
        for (&variable, known) in free.iter().zip(&cholesky.solve(&right)) {
            x[variable] = *known;
        }
        true
    }
}

/// Most blocks of a column that are known to the compiler.
const HIGHEST: usize = 8;

struct Solve<'a, 'b, F> {
    system: &'a System<'b, F>,
    x: &'a mut [f64],
    room: &'a mut Buffers,
}

impl<F: Fn(f64) -> f64> pulp::WithSimd for Solve<'_, '_, F> {
    type Output = bool;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> bool {
        let Self { system, x, room } = self;
        match system.lower_triangle.nrows() / LANES {
            0 => true,
            1 => system.solve_high::<1>(x, room),
            2 => system.solve_high::<2>(x, room),
            3 => system.solve_high::<3>(x, room),
            4 => system.solve_high::<4>(x, room),
            5 => system.solve_high::<5>(x, room),
            6 => system.solve_high::<6>(x, room),
            7 => system.solve_high::<7>(x, room),
            _ => system.solve_high::<HIGHEST>(x, room),
        }
    }
}

/// Buffers for so many columns.
#[inline(always)]
fn columns_of<const H: usize>(room: &mut Vec<f64>, count: usize) -> &mut [[Lanes; H]] {
    let blocks = aligned(room, count * H * LANES).as_chunks_mut().0;
    blocks.as_chunks_mut().0
}

/// A column and so many times those that are done.
#[inline(always)]
fn without<const H: usize>(column: [Lanes; H], factors: &[f64], done: &[[Lanes; H]]) -> [Lanes; H] {
    // Two sums, since each addition waits for the one before it.
    let (mut even, mut odd) = (column, [splat(0.0); H]);
    let (factor_pairs, last_factor) = factors.as_chunks();
    let (done_pairs, last_done) = done.as_chunks();
    for ([factor, next], [column, next_column]) in factor_pairs.iter().zip(done_pairs) {
        add_column(&mut even, *factor, column);
        add_column(&mut odd, *next, next_column);
    }
    for (factor, column) in last_factor.iter().zip(last_done) {
        add_column(&mut even, *factor, column);
    }
    add_column(&mut even, 1.0, &odd);
    even
}

#[inline(always)]
fn add_column<const H: usize>(sum: &mut [Lanes; H], factor: f64, column: &[Lanes; H]) {
    for (sum, block) in sum.iter_mut().zip(column) {
        add(sum, factor, block);
    }
}
