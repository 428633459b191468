//! Solution of symmetric positive definite systems of a few dozen equations, eight rows at a time.
//!
//! Method: `A = L D L^T` (the root-free form of A.-L. Cholesky's method). Each column is computed from all columns
//! before it, so that it stays in registers until it is done. Held variables have no column. Their rows, and the
//! elements above the diagonal, are computed too and never read: whole columns are faster than parts of columns. The
//! number of blocks in a column is a compile-time constant, up to `MOST_BLOCKS`; larger systems go to nalgebra's
//! Cholesky.
//!
//! Guaranteed: false is returned, and `x` stays unchanged, if a pivot is not positive.

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::fit::lanes::{LANES, Lanes, add, aligned, splat};

/// Buffers that are reused between systems.
#[derive(Debug, Default)]
pub struct Buffers {
    /// `L D`: one column for each free variable; only the lower triangle is valid.
    columns: Vec<f64>,
    /// `-L`: one row for each free variable, with elements for the free variables only.
    lower: Vec<f64>,
    /// `-1 / D`, one element for each free variable.
    inverse: Vec<f64>,
}

/// A system of equations: the rows and columns `free` (rising) of a matrix, with damping on the diagonal.
#[derive(Debug)]
pub struct System<'a, F> {
    /// The matrix, of which only the lower triangle is read. It may have more rows than columns; with a multiple of
    /// [`LANES`] rows the fast method is used.
    pub lower_triangle: &'a DMatrix<f64>,
    /// Indices of the variables to solve for, rising.
    pub free: &'a [usize],
    /// The amount added to a diagonal element, as a function of that element.
    pub damping: F,
}

impl<F: Fn(f64) -> f64> System<'_, F> {
    /// Solves the system. On entry `x` holds the right side for all columns of the matrix; on return the solution at
    /// the free variables, the rest unchanged. False if the matrix is not positive definite.
    #[must_use]
    pub fn solve(&self, x: &mut [f64], room: &mut Buffers) -> bool {
        let rows = self.lower_triangle.nrows();
        if rows.is_multiple_of(LANES) && rows / LANES <= MOST_BLOCKS {
            pulp::Arch::new().dispatch(Solve {
                system: self,
                x,
                room,
            })
        } else {
            self.solve_larger(x)
        }
    }

    /// The fast method, with columns of `H` blocks.
    #[inline(always)]
    fn solve_high<const H: usize>(&self, x: &mut [f64], room: &mut Buffers) -> bool {
        let count = self.free.len();
        let source: &[[Lanes; H]] = self.lower_triangle.as_slice().as_chunks().0.as_chunks().0;
        let columns = columns_of::<H>(&mut room.columns, count);
        let lower = columns_of::<H>(&mut room.lower, count);
        let inverse = &mut room.inverse;
        inverse.clear();
        // The right side minus the part already eliminated, and the solution as far as it is known.
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
            let column = eliminated(source[variable], factors, done);
            rest[0] = column;
            let pivot = column[block][lane] + (self.damping)(source[variable][block][lane]);
            if pivot.is_nan() || pivot <= 0.0 {
                return false;
            }
            let minus_inverse = -pivot.recip();
            inverse.push(minus_inverse);
            // Forward substitution: L z = b and D y = z.
            let share = right[block][lane] * minus_inverse;
            solution[k / LANES][k % LANES] = -share;
            add_column(&mut right, share, &column);
        }
        // Back substitution: L^T x = y.
        for (k, (&variable, row)) in self.free.iter().zip(&*lower).enumerate().rev() {
            let known = solution[k / LANES][k % LANES];
            x[variable] = known;
            add_column(&mut solution, known, row);
        }
        true
    }

    /// nalgebra's Cholesky, for columns of any height.
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

/// Most blocks in a column for which the fast method is compiled.
const MOST_BLOCKS: usize = 8;

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
            _ => system.solve_high::<MOST_BLOCKS>(x, room),
        }
    }
}

/// A slice of `count` columns in `room`.
#[inline(always)]
fn columns_of<const H: usize>(room: &mut Vec<f64>, count: usize) -> &mut [[Lanes; H]] {
    let blocks = aligned(room, count * H * LANES).as_chunks_mut().0;
    blocks.as_chunks_mut().0
}

/// The column plus the sum of `factors` times the columns that are done.
#[inline(always)]
fn eliminated<const H: usize>(
    column: [Lanes; H],
    factors: &[f64],
    done: &[[Lanes; H]],
) -> [Lanes; H] {
    // Two sums, since consecutive additions to one sum would have to wait for each other.
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
