//! A bounded local solver: Levenberg-Marquardt with an active set, run by argmin's executor.
//!
//! Minimises a smooth function over a box, given its gradient and a symmetric model of its
//! curvature (for least squares, `2 J^T J`). It knows numbers only.
//!
//! One iteration (K. Levenberg 1944, D. Marquardt 1963; damping after H. B. Nielsen, IMM-REP-1999-05;
//! the box after the gradient-projection idea of J. J. More and G. Toraldo 1989):
//!
//! 1. Variables on a bound whose gradient points outwards are held.
//! 2. `(H + mu D) p = -g` is solved for the others, `D` the diagonal of `H` with a floor. Variables that
//!    would leave the box are put on its wall, and the rest is solved again with that displacement.
//! 3. The step is kept when the function falls; `mu` follows the ratio of true to predicted fall.
//!
//! Departures from a textbook version: the floor in `D` is relative to the largest diagonal
//! element, because a section of 0 dB has no slope in its frequency and q; walls are left again
//! within a step only when it would lead nowhere otherwise. Guaranteed: the point stays in the box and the value never rises.

use argmin::core::{
    Error as ArgminError, Executor, IterState, KV, Problem, Solver, State, TerminationReason,
    TerminationStatus,
};
use nalgebra::{Cholesky, DMatrix, DVector};

/// A smooth function over a box.
pub trait Landscape {
    /// Lowest allowed value of each variable.
    fn lower(&self) -> &[f64];
    /// Highest allowed value of each variable.
    fn upper(&self) -> &[f64];
    /// The function's value.
    fn value(&mut self, x: &[f64]) -> f64;
    /// Gradient `g` and curvature `H` at `x`, so that `F(x + p) ~ F(x) + g.p + p.H p / 2`.
    /// Only the lower triangle of `H` need be written.
    fn linearise(&mut self, x: &[f64], gradient: &mut DVector<f64>, curvature: &mut DMatrix<f64>);
}

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stopping {
    /// Most iterations.
    pub iterations: u64,
    /// Stop when an iteration's fall, true and predicted, is less than this share of the value.
    pub relative_fall: f64,
    /// Stop at or below this value.
    pub value: f64,
}

/// Why the solver stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stop {
    /// The last step changed the value by less than the stated share.
    Converged,
    /// No step could lower the value any more.
    Stationary,
    /// The stated value was reached.
    ValueReached,
    /// The stated number of iterations was made.
    Iterations,
}

/// Where the solver ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// The point.
    pub x: Vec<f64>,
    /// The function's value there.
    pub value: f64,
    /// Iterations made.
    pub iterations: u64,
    /// Why it stopped.
    pub stop: Stop,
}

/// Starts at `x`, put into the box first, and descends.
pub fn minimise<L: Landscape>(landscape: &mut L, mut x: Vec<f64>, stopping: &Stopping) -> Solution {
    for (x, (lower, upper)) in x
        .iter_mut()
        .zip(landscape.lower().iter().zip(landscape.upper()))
    {
        *x = x.clamp(*lower, *upper);
    }
    let start = x.clone();
    let outcome = Executor::new(landscape, LevenbergMarquardt::new(x.len(), *stopping))
        .configure(|state| state.param(x).max_iters(stopping.iterations))
        .ctrlc(false)
        .timer(false)
        .run();
    // The solver below returns no error; if the executor ever did, the start is still an answer.
    let Ok(result) = outcome else {
        return Solution {
            x: start,
            value: f64::INFINITY,
            iterations: 0,
            stop: Stop::Stationary,
        };
    };
    let iterations = result.state.get_iter();
    let solver = result.solver;
    Solution {
        x: solver.x,
        value: solver.value,
        iterations,
        stop: solver.stop.unwrap_or(Stop::Iterations),
    }
}

type Iterate = IterState<Vec<f64>, (), (), (), (), f64>;

/// The state of one descent.
struct LevenbergMarquardt {
    stopping: Stopping,
    x: Vec<f64>,
    value: f64,
    gradient: DVector<f64>,
    curvature: DMatrix<f64>,
    damping: f64,
    damping_growth: f64,
    stop: Option<Stop>,
    step: Step,
}

const FIRST_DAMPING: f64 = 1e-2;
const LARGEST_DAMPING: f64 = 1e12;
const SMALLEST_DAMPING: f64 = 1e-12;
/// A step takes variables off walls so many times.
const MOST_RELEASES: usize = 8;
/// ... where the model's slope is more than this share of its parts.
const RELEASED: f64 = 1e-9;
/// Floor of the damping matrix, relative to the largest diagonal element.
const DIAGONAL_FLOOR: f64 = 1e-4;

impl LevenbergMarquardt {
    fn new(dimension: usize, stopping: Stopping) -> Self {
        Self {
            stopping,
            x: Vec::new(),
            value: f64::INFINITY,
            gradient: DVector::zeros(dimension),
            curvature: DMatrix::zeros(dimension, dimension),
            damping: FIRST_DAMPING,
            damping_growth: 2.0,
            stop: None,
            step: Step::new(dimension),
        }
    }

    /// One accepted step, or the discovery that there is none.
    fn advance<L: Landscape>(&mut self, landscape: &mut L) {
        loop {
            let mut solve = |most_releases| {
                self.step.most_releases = most_releases;
                self.step.solve(
                    &self.x,
                    &self.gradient,
                    &self.curvature,
                    self.damping,
                    landscape.lower(),
                    landscape.upper(),
                )
            };
            let least = f64::EPSILON * self.value;
            // Walls are rarely worth leaving within a step: only when it would lead nowhere otherwise.
            let predicted = match solve(0) {
                Some(predicted) if predicted <= least => solve(MOST_RELEASES),
                predicted => predicted,
            };
            let Some(predicted) = predicted else {
                self.raise_damping();
                if self.stop.is_some() {
                    return;
                }
                continue;
            };
            let tiny = self.stopping.relative_fall * self.value;
            if predicted <= least {
                self.stop = Some(Stop::Stationary);
                return;
            }
            let value = landscape.value(&self.step.target);
            let fall = self.value - value;
            if fall > 0.0 {
                let ratio = fall / predicted;
                std::mem::swap(&mut self.x, &mut self.step.target);
                self.value = value;
                self.damping *= (1.0 - (2.0 * ratio - 1.0).powi(3)).clamp(1.0 / 3.0, 2.0);
                self.damping = self.damping.max(SMALLEST_DAMPING);
                self.damping_growth = 2.0;
                if value <= self.stopping.value {
                    self.stop = Some(Stop::ValueReached);
                } else if fall <= tiny && predicted <= tiny {
                    self.stop = Some(Stop::Converged);
                } else {
                    landscape.linearise(&self.x, &mut self.gradient, &mut self.curvature);
                }
                return;
            }
            if predicted <= tiny {
                self.stop = Some(Stop::Converged);
                return;
            }
            self.raise_damping();
            if self.stop.is_some() {
                return;
            }
        }
    }

    fn raise_damping(&mut self) {
        self.damping *= self.damping_growth;
        self.damping_growth *= 2.0;
        if self.damping > LARGEST_DAMPING {
            self.stop = Some(Stop::Stationary);
        }
    }
}

impl<L: Landscape> Solver<&mut L, Iterate> for LevenbergMarquardt {
    fn name(&self) -> &'static str {
        "bounded Levenberg-Marquardt"
    }

    fn init(
        &mut self,
        problem: &mut Problem<&mut L>,
        mut state: Iterate,
    ) -> Result<(Iterate, Option<KV>), ArgminError> {
        self.x = state.take_param().unwrap_or_default();
        if let Some(landscape) = problem.problem.as_mut() {
            self.value = landscape.value(&self.x);
            landscape.linearise(&self.x, &mut self.gradient, &mut self.curvature);
        }
        if self.value <= self.stopping.value {
            self.stop = Some(Stop::ValueReached);
        }
        Ok((state.cost(self.value), None))
    }

    fn next_iter(
        &mut self,
        problem: &mut Problem<&mut L>,
        state: Iterate,
    ) -> Result<(Iterate, Option<KV>), ArgminError> {
        if let Some(landscape) = problem.problem.as_mut() {
            self.advance(*landscape);
        }
        Ok((state.cost(self.value), None))
    }

    fn terminate(&mut self, _: &Iterate) -> TerminationStatus {
        match self.stop {
            Some(Stop::ValueReached) => {
                TerminationStatus::Terminated(TerminationReason::TargetCostReached)
            }
            Some(_) => TerminationStatus::Terminated(TerminationReason::SolverConverged),
            None => TerminationStatus::NotTerminated,
        }
    }
}

/// The step of one iteration, with its workspace.
#[derive(Debug)]
pub struct Step {
    /// Where the step leads.
    pub target: Vec<f64>,
    /// Variables that the model pulls back inside leave their walls again, so often.
    pub most_releases: usize,
    displacement: Vec<f64>,
    held: Vec<bool>,
    free: Vec<usize>,
}

impl Step {
    /// A workspace for so many variables.
    #[must_use]
    pub fn new(dimension: usize) -> Self {
        Self {
            target: vec![0.0; dimension],
            most_releases: MOST_RELEASES,
            displacement: vec![0.0; dimension],
            held: vec![false; dimension],
            free: Vec::with_capacity(dimension),
        }
    }

    /// Computes the damped step from `x` inside the box; `target` receives `x + p`. Returns the
    /// fall that the undamped model predicts, or None when the matrix is not positive definite.
    pub fn solve(
        &mut self,
        x: &[f64],
        gradient: &DVector<f64>,
        curvature: &DMatrix<f64>,
        damping: f64,
        lower: &[f64],
        upper: &[f64],
    ) -> Option<f64> {
        let dimension = x.len();
        let largest = (0..dimension).fold(0.0_f64, |max, i| max.max(curvature[(i, i)]));
        let floor = DIAGONAL_FLOOR * largest.max(f64::MIN_POSITIVE);
        for i in 0..dimension {
            self.held[i] = (x[i] <= lower[i] && gradient[i] >= 0.0)
                || (x[i] >= upper[i] && gradient[i] <= 0.0);
            self.displacement[i] = 0.0;
        }
        // Each pass puts at least one more variable on a wall or is one of few that take some off, so
        // this ends.
        let mut releases = 0;
        loop {
            self.free.clear();
            self.free.extend((0..dimension).filter(|&i| !self.held[i]));
            let free = &self.free;
            let mut matrix = DMatrix::zeros(free.len(), free.len());
            for ((column, &j), mut out) in free.iter().enumerate().zip(matrix.column_iter_mut()) {
                let from = &curvature.as_slice()[j * dimension..(j + 1) * dimension];
                for (out, &i) in out.as_mut_slice()[column..].iter_mut().zip(&free[column..]) {
                    *out = from[i];
                }
                out[column] += damping * from[j].max(floor);
            }
            let mut step = DVector::from_iterator(free.len(), free.iter().map(|&i| -gradient[i]));
            for j in (0..dimension).filter(|&j| self.held[j] && self.displacement[j] != 0.0) {
                for (out, &i) in step.iter_mut().zip(free) {
                    *out -= curvature[(i.max(j), i.min(j))] * self.displacement[j];
                }
            }
            Cholesky::new(matrix)?.solve_mut(&mut step);
            let mut inside = true;
            for (&i, &p) in free.iter().zip(step.iter()) {
                let reached = x[i] + p;
                if !reached.is_finite() {
                    return None;
                }
                self.displacement[i] = p;
                if reached < lower[i] || reached > upper[i] {
                    self.displacement[i] = reached.clamp(lower[i], upper[i]) - x[i];
                    self.held[i] = true;
                    inside = false;
                }
            }
            if inside
                && (releases == self.most_releases
                    || !self.release(x, gradient, curvature, damping, floor, lower, upper))
            {
                break;
            }
            releases += usize::from(inside);
        }
        // g.p + p.H p / 2, column by column of the lower triangle.
        let mut change = 0.0;
        for (j, &p) in self.displacement.iter().enumerate() {
            self.target[j] = (x[j] + p).clamp(lower[j], upper[j]);
            if p == 0.0 {
                continue;
            }
            let column = &curvature.as_slice()[j * dimension + j..(j + 1) * dimension];
            let below: f64 = column[1..]
                .iter()
                .zip(&self.displacement[j + 1..])
                .map(|(h, p)| h * p)
                .sum();
            change += p * (gradient[j] + 0.5 * column[0] * p + below);
        }
        Some(-change)
    }

    /// Frees the variables on walls that the damped model, with the others where they are now, pulls back inside.
    /// False when there is none: then the step is the model's least point in the box.
    #[expect(clippy::too_many_arguments, reason = "the whole model")]
    fn release(
        &mut self,
        x: &[f64],
        gradient: &DVector<f64>,
        curvature: &DMatrix<f64>,
        damping: f64,
        floor: f64,
        lower: &[f64],
        upper: &[f64],
    ) -> bool {
        let mut released = false;
        for i in 0..x.len() {
            if !self.held[i] || lower[i] >= upper[i] {
                continue;
            }
            let p = self.displacement[i];
            let pull: f64 = self
                .displacement
                .iter()
                .enumerate()
                .map(|(j, p)| curvature[(i.max(j), i.min(j))] * p)
                .sum();
            let slope = gradient[i] + pull + damping * curvature[(i, i)].max(floor) * p;
            let tiny = RELEASED * gradient[i].abs().max(pull.abs());
            let reached = x[i] + p;
            if (reached <= lower[i] && slope < -tiny) || (reached >= upper[i] && slope > tiny) {
                self.held[i] = false;
                released = true;
            }
        }
        released
    }
}
