//! Systems of a few dozen equations, symmetric and positive definite, eight rows at a time.
//!
//! `A = L D L^T` (the root-free form of A.-L. Cholesky's method), each column from those before it, so that it stays
//! in registers until it is done. The right side is carried along as one more row, which solves `L z = b` on
//! the way.

use super::lanes::LANES;

/// Eight neighbouring rows of a column. Aligned, so that none lies across two lines of the cache.
#[derive(Debug, Clone, Copy)]
#[repr(align(64))]
struct Block([f64; LANES]);

/// A system, with the room to solve it.
#[derive(Debug)]
pub struct System {
    size: usize,
    /// Blocks of a column, never 0.
    width: usize,
    /// The lower triangle column by column, each with its element of the right side below; when solved, of `L D`.
    columns: Vec<Block>,
    /// Minus the inverse of D.
    inverse: Vec<f64>,
}

impl Default for System {
    fn default() -> Self {
        Self {
            size: 0,
            width: 1,
            columns: Vec::new(),
            inverse: Vec::new(),
        }
    }
}

impl System {
    /// Sets the matrix to the rows and columns `chosen` (rising) of a larger one, whose lower triangle is given by columns of
    /// `dimension`; `diagonal` gives the element that takes the place of its diagonal one.
    pub fn set(
        &mut self,
        lower_triangle: &[f64],
        dimension: usize,
        chosen: &[usize],
        diagonal: impl Fn(f64) -> f64,
    ) {
        self.size = chosen.len();
        self.width = (self.size + 1).div_ceil(LANES);
        self.columns.clear();
        self.columns
            .resize(self.size * self.width, Block([0.0; LANES]));
        for (j, column) in self.columns.chunks_exact_mut(self.width).enumerate() {
            let source = &lower_triangle[chosen[j] * dimension..][..dimension];
            // Whole blocks: what is above the diagonal in the first is never read.
            let first = j / LANES;
            for (block, rows) in column[first..]
                .iter_mut()
                .zip(chosen[first * LANES..].chunks(LANES))
            {
                match rows {
                    // Neighbours, as most are, are quicker together.
                    [from, .., to] if rows.len() == LANES && to - from == LANES - 1 => {
                        block.0.copy_from_slice(&source[*from..=*to]);
                    }
                    _ => {
                        for (out, &row) in block.0.iter_mut().zip(rows) {
                            *out = source[row];
                        }
                    }
                }
            }
            let own = &mut column[first].0[j % LANES];
            *own = diagonal(*own);
        }
    }

    /// Solves the system once: `x` holds the right side and receives the solution. False when the matrix is not positive
    /// definite.
    #[must_use]
    pub fn solve(&mut self, x: &mut [f64]) -> bool {
        let (block, lane) = (self.size / LANES, self.size % LANES);
        for (column, x) in self.columns.chunks_exact_mut(self.width).zip(&*x) {
            column[block].0[lane] = *x;
        }
        pulp::Arch::new().dispatch(Eliminate { system: self, x })
    }
}

struct Eliminate<'a> {
    system: &'a mut System,
    x: &'a mut [f64],
}

impl pulp::WithSimd for Eliminate<'_> {
    type Output = bool;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> bool {
        let System {
            size,
            width,
            columns,
            inverse,
        } = self.system;
        let (size, width) = (*size, *width);
        inverse.clear();
        for j in 0..size {
            let (done, rest) = columns.split_at_mut(j * width);
            let (first, lane) = (j / LANES, j % LANES);
            for (block, out) in rest[..width].iter_mut().enumerate().skip(first) {
                let mut rows = out.0;
                for (done, inverse) in done.chunks_exact(width).zip(&*inverse) {
                    let factor = done[first].0[lane] * inverse;
                    for (row, done) in rows.iter_mut().zip(&done[block].0) {
                        *row = f64::mul_add(factor, *done, *row);
                    }
                }
                out.0 = rows;
            }
            let pivot = rest[first].0[lane];
            if pivot.is_nan() || pivot <= 0.0 {
                return false;
            }
            inverse.push(-pivot.recip());
        }
        for j in (0..size).rev() {
            let column = &columns[j * width..(j + 1) * width];
            let at = |i: usize| column[i / LANES].0[i % LANES];
            let known: f64 = (j + 1..size).map(|i| at(i) * self.x[i]).sum();
            self.x[j] = (known - at(size)) * inverse[j];
        }
        true
    }
}
