//! Whole steps near the least point of a quadratic model: a beam over one variable after another.
//!
//! The model `F(x + p) ~ F + g.p + p.H p / 2` is read as a Gaussian: its least point is the mean, `P = H^-1` the covariance.
//! To put variable `i` on a value `v` while all that is not yet put settles costs `(v - m_i)^2 / (2 P_ii)` and moves the
//! others by `P_ji (v - m_i) / P_ii`. So partial points have exact prices in the model, and the cheapest few are carried on
//! (an M-algorithm; J. B. Anderson and S. Mohan, IEEE Transactions on Communications 32(2), 1984), the variable whose steps
//! cost most first (after P. W. Wolniansky et al., ISSSE 1998, who detect the surest symbol first;
//! both from memory). It knows numbers only.

use nalgebra::{Cholesky, DMatrix, DVector};

/// Added to the curvature, as a share of its diagonal: far from the point the model is worth little.
const DAMPING: f64 = 0.1;
/// Floor of the diagonal there, relative to its largest element.
const DIAGONAL_FLOOR: f64 = 1e-4;

/// A function near a point.
pub(in crate::fit) struct Model<'a> {
    /// The point.
    pub(in crate::fit) x: &'a [f64],
    /// The gradient there.
    pub(in crate::fit) gradient: DVector<f64>,
    /// The curvature there, its lower triangle.
    pub(in crate::fit) curvature: DMatrix<f64>,
}

/// The values that variables may take.
pub(in crate::fit) trait Steps {
    /// About the distance between the values of variable `i` near `x`; 0 where it is continuous.
    fn spacing(&self, i: usize, x: &[f64]) -> f64;
    /// Variables that must be put before `i`.
    fn needs(&self, i: usize) -> &[usize];
    /// Appends values of variable `i` near `x[i]`; they may depend on the variables that it needs.
    fn near(&self, i: usize, x: &[f64], values: &mut Vec<f64>);
}

impl Model<'_> {
    /// The covariance of the variables that are not held; None where the curvature has no inverse.
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

    /// What a step of each variable costs in the model while all others settle; 0 for held ones.
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

    /// Up to `width` points with every variable on a value that has any, the held ones staying where they are; the one that
    /// the model likes best first.
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
            let pull = covariance.column(a) / covariance[(a, a)];
            let next = NextVariable {
                variable: free[a],
                variance: covariance[(a, a)],
                free: &free,
                pull: &pull,
            };
            beam = next.on_steps(steps, &beam, width);
            covariance = &covariance - &pull * covariance.row(a);
            // What is put has no variance left but rounding.
            covariance.row_mut(a).fill(0.0);
            covariance.column_mut(a).fill(0.0);
        }
        beam.into_iter().map(|partial| partial.x).collect()
    }
}

/// Work of [`Model::points_on`], in nanoseconds on the machine of `tests/benches/RESULTS.md`.
pub(in crate::fit) fn work(held: &[bool], width: usize) -> u64 {
    let free = free(held).len();
    (free * (2 * free * free + width * (150 + free))) as u64
}

fn free(held: &[bool]) -> Vec<usize> {
    (0..held.len()).filter(|&i| !held[i]).collect()
}

/// A point with some variables put, the others where the model is least.
struct Partial {
    x: Vec<f64>,
    price: f64,
}

/// The next variable to be put.
struct NextVariable<'a> {
    variable: usize,
    variance: f64,
    free: &'a [usize],
    /// How far each free variable follows.
    pull: &'a DVector<f64>,
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
        let put = |(price, parent, value): (f64, usize, f64)| {
            let mut x = beam[parent].x.clone();
            let away = value - x[i];
            for (&j, pull) in self.free.iter().zip(self.pull.iter()) {
                x[j] += pull * away;
            }
            x[i] = value;
            Partial { x, price }
        };
        children.into_iter().map(put).collect()
    }
}
