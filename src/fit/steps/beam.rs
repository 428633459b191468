//! Points on a lattice near the minimum of a quadratic model: a beam search over one variable after another. It knows
//! numbers only.
//!
//! The model is `F(x + p) ~ F + g.p + p.H p / 2`, with `H` damped. Its minimum is `m = x - P g`, with `P = H^-1`. Read
//! as a Gaussian, `m` is the mean and `P` the covariance. Fixing variable `i` at `v` while all variables not yet fixed
//! minimise the model
//!
//! - costs `(v - m_i)^2 / (2 P_ii)` in units of F,
//! - moves the others by `P_ji (v - m_i) / P_ii`, and
//! - leaves them the covariance `P - P_i P_i^T / P_ii`, where `P_i` is column `i`.
//!
//! So the cost of a partial point is exact in the model. At each variable the `width` cheapest partial points are kept
//! (the M-algorithm; J. B. Anderson, S. Mohan, IEEE Trans. Communications 32(2), 1984). The variable with the costliest
//! steps, `spacing^2 / P_ii`, comes first, subject to [`Steps::needs`] (after P. W. Wolniansky et al., ISSSE 1998, who
//! detect the most reliable symbol first). Both papers from memory.
//!
//! Guaranteed: every returned point has its stepped variables on values of [`Steps::near`] and its held variables at
//! their start; points come in rising order of model cost. Not guaranteed: the cheapest lattice point, unless the beam
//! is wide enough. No point is returned if the damped `H` is not positive definite or a variable has no value.

use nalgebra::{Cholesky, DMatrix, DVector};

/// Damping: this share of each diagonal element is added to it, since the model is unreliable far from the point. Our
/// choice.
const DAMPING: f64 = 0.1;
/// Floor of the diagonal for the damping, relative to the largest diagonal element.
const DIAGONAL_FLOOR: f64 = 1e-4;

/// A quadratic model of a function about a point.
pub(in crate::fit) struct Model<'a> {
    /// The point.
    pub(in crate::fit) x: &'a [f64],
    /// The gradient at the point.
    pub(in crate::fit) gradient: DVector<f64>,
    /// The matrix of second derivatives or its approximation at the point; only the lower triangle is read.
    pub(in crate::fit) curvature: DMatrix<f64>,
}

/// The values that each variable may take.
pub(in crate::fit) trait Steps {
    /// Approximate distance of neighbouring values of variable `i` near `x`; 0 if it is continuous.
    fn spacing(&self, i: usize, x: &[f64]) -> f64;
    /// Variables that must be fixed before `i`, because its values depend on them.
    fn needs(&self, i: usize) -> &[usize];
    /// Appends the values of variable `i` near `x[i]`.
    fn near(&self, i: usize, x: &[f64], values: &mut Vec<f64>);
}

impl Model<'_> {
    /// The inverse of the damped curvature for the free variables; None if it is not positive definite.
    fn covariance(&self, free: &[usize]) -> Option<DMatrix<f64>> {
        let diagonal = |i: usize| self.curvature[(i, i)];
        let largest = free
            .iter()
            .fold(f64::MIN_POSITIVE, |most, &i| most.max(diagonal(i)));
        let damped = DMatrix::from_fn(free.len(), free.len(), |a, b| {
            let (i, j) = (free[a.max(b)], free[a.min(b)]);
            let added = DAMPING * diagonal(i).max(DIAGONAL_FLOOR * largest);
            self.curvature[(i, j)] + if i == j { added } else { 0.0 }
        });
        Some(Cholesky::new(damped)?.inverse())
    }

    /// For each variable the model cost of one step away with all others adjusted, in units of F; 0 for held and
    /// continuous ones.
    pub(in crate::fit) fn prices(&self, steps: &impl Steps, held: &[bool]) -> Vec<f64> {
        let free = free(held);
        let mut prices = vec![0.0; held.len()];
        if let Some(covariance) = self.covariance(&free) {
            for (a, &i) in free.iter().enumerate() {
                prices[i] = 0.5 * steps.spacing(i, self.x).powi(2) / covariance[(a, a)];
            }
        }
        prices
    }

    /// Up to `width` points with all stepped variables on their values, in rising order of model cost; held variables
    /// keep their values. Empty if there are none.
    pub(in crate::fit) fn points_on(
        &self,
        steps: &impl Steps,
        held: &[bool],
        width: usize,
    ) -> Vec<Vec<f64>> {
        let free = free(held);
        let Some(mut covariance) = self.covariance(&free) else {
            return Vec::new();
        };
        let slopes = DVector::from_iterator(free.len(), free.iter().map(|&i| self.gradient[i]));
        let fall = &covariance * slopes;
        let mut least = self.x.to_vec();
        for (&i, fall) in free.iter().zip(fall.iter()) {
            least[i] -= fall;
        }
        let mut beam = vec![Partial {
            x: least,
            price: 0.0,
        }];
        let spacing: Vec<f64> = free.iter().map(|&i| steps.spacing(i, self.x)).collect();
        let mut waiting: Vec<usize> = (0..free.len()).filter(|&a| spacing[a] > 0.0).collect();
        while !waiting.is_empty() {
            let is_waiting = |other: &usize| waiting.iter().any(|&a| free[a] == *other);
            let is_ready = |a: usize| !steps.needs(free[a]).iter().any(is_waiting);
            let price = |a: usize| spacing[a] * spacing[a] / covariance[(a, a)];
            let Some(place) = (0..waiting.len())
                .filter(|&place| is_ready(waiting[place]))
                .max_by(|&a, &b| price(waiting[a]).total_cmp(&price(waiting[b])))
            else {
                return Vec::new();
            };
            let a = waiting.swap_remove(place);
            let follow = covariance.column(a) / covariance[(a, a)];
            let next = NextVariable {
                variable: free[a],
                variance: covariance[(a, a)],
                free: &free,
                follow: &follow,
            };
            beam = next.on_steps(steps, &beam, width);
            covariance = &covariance - &follow * covariance.row(a);
            // The fixed variable has no variance left; rounding must not leave any.
            covariance.row_mut(a).fill(0.0);
            covariance.column_mut(a).fill(0.0);
        }
        beam.into_iter().map(|partial| partial.x).collect()
    }
}

/// Work of [`Model::points_on`]: its time in nanoseconds on the machine of tests/benches/RESULTS.md.
pub(in crate::fit) fn work(held: &[bool], width: usize) -> u64 {
    let free = free(held).len();
    (free * (2 * free * free + width * (150 + free))) as u64
}

fn free(held: &[bool]) -> Vec<usize> {
    (0..held.len()).filter(|&i| !held[i]).collect()
}

/// A point with some variables fixed and the others at the model's minimum, and its cost.
struct Partial {
    x: Vec<f64>,
    price: f64,
}

/// The next variable to be fixed.
struct NextVariable<'a> {
    variable: usize,
    variance: f64,
    free: &'a [usize],
    /// For each free variable, how far it moves per unit of this one.
    follow: &'a DVector<f64>,
}

impl NextVariable<'_> {
    fn on_steps(&self, steps: &impl Steps, beam: &[Partial], width: usize) -> Vec<Partial> {
        let i = self.variable;
        let mut children: Vec<(f64, usize, f64)> = Vec::new();
        let mut values = Vec::new();
        for (parent, Partial { x, price }) in beam.iter().enumerate() {
            values.clear();
            steps.near(i, x, &mut values);
            let child = |&value: &f64| {
                let price = price + 0.5 * (value - x[i]).powi(2) / self.variance;
                (price, parent, value)
            };
            children.extend(values.iter().map(child));
        }
        children.sort_by(|a, b| a.0.total_cmp(&b.0));
        children.truncate(width);
        let fix = |(price, parent, value): (f64, usize, f64)| {
            let mut x = beam[parent].x.clone();
            let away = value - x[i];
            for (&j, follow) in self.free.iter().zip(self.follow.iter()) {
                x[j] += follow * away;
            }
            x[i] = value;
            Partial { x, price }
        };
        children.into_iter().map(fix).collect()
    }
}
