//! A bounded local solver: Levenberg-Marquardt with an active set, run by argmin's executor.
//!
//! Minimises a smooth function over a box, given its gradient and a symmetric model of its
//! curvature (for least squares, `2 J^T J`). It knows numbers only.
//!
//! One iteration (K. Levenberg 1944, D. Marquardt 1963; damping after H. B. Nielsen, IMM-REP-1999-05;
//! the box after the gradient-projection idea of J. J. More and G. Toraldo 1989):
//!
//! 1. Variables on a bound whose gradient points outwards are held.
//! 2. `(H + mu D) p = -g` is solved for the others, `D` the diagonal of `H` with a floor. Variables that would leave
//!    the box are put on its bound, and the rest is solved again with that displacement. If the predicted fall is then
//!    negligible, a primal active-set method (J. Nocedal and S. J. Wright, Numerical Optimization, 2nd ed., algorithm
//!    16.3) finds the model's minimum in the box.
//! 3. The step is accepted if the function falls; `mu` follows the ratio of actual to predicted fall.
//!
//! Departures from a textbook version: the floor in `D` is relative to the largest diagonal element, because a section
//! of 0 dB has no slope in its frequency and q; the active-set method is used only for the steps that need it.
//! Guaranteed: the point stays in the box and the value never rises.

pub mod elimination;

use argmin::core::{
    Error as ArgminError, Executor, IterState, KV, Problem, Solver, State, TerminationReason,
    TerminationStatus,
};
use nalgebra::{DMatrix, DVector};

use crate::fit::lanes::LANES;
use elimination::System;

/// A smooth function over a box.
pub trait Landscape {
    /// Lowest allowed value of each variable.
    fn lower(&self) -> &[f64];
    /// Highest allowed value of each variable.
    fn upper(&self) -> &[f64];
    /// The function's value.
    fn value(&mut self, x: &[f64]) -> f64;
    /// Gradient `g` and curvature `H` at `x`, such that `F(x + p) ~ F(x) + g.p + p.H p / 2`. `H` has the size that
    /// [`room_for`] gives; only its lower triangle has to be written.
    fn linearise(&mut self, x: &[f64], gradient: &mut DVector<f64>, curvature: &mut DMatrix<f64>);
}

/// A zero matrix for the curvature: one column for each variable, padded to whole blocks of [`LANES`] rows.
#[must_use]
pub fn room_for(variables: usize) -> DMatrix<f64> {
    DMatrix::zeros(rows_for(variables), variables)
}

fn rows_for(variables: usize) -> usize {
    variables.next_multiple_of(LANES)
}

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stopping {
    /// Most iterations.
    pub iterations: u64,
    /// Stop if both the actual and the predicted fall of an iteration are at most this share of the value.
    pub relative_fall: f64,
    /// Stop if the value is at or below this.
    pub value: f64,
}

/// Why the solver stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// The last step changed the value by less than `relative_fall`.
    Converged,
    /// No step lowers the value any more.
    Stationary,
    /// The value of [`Stopping`] was reached.
    ValueReached,
    /// The most iterations were made.
    Iterations,
    /// The value hoped for cannot be reached at the present rate.
    OutOfReach,
}

/// The result of a descent.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// The point.
    pub x: Vec<f64>,
    /// The function's value at the point.
    pub value: f64,
    /// Iterations made.
    pub iterations: u64,
    /// Why it stopped.
    pub stop: End,
}

/// Descends from `x`, clamped to the box first.
pub fn minimise<L: Landscape>(landscape: &mut L, x: Vec<f64>, stopping: &Stopping) -> Solution {
    minimise_toward(
        landscape,
        x,
        stopping,
        f64::INFINITY,
        &mut Buffers::default(),
    )
}

/// [`minimise`] with reusable buffers. It gives up if [`PATIENCE`] more falls like that of the last iteration would not
/// lead below `hoped_for`.
pub fn minimise_toward<L: Landscape>(
    landscape: &mut L,
    mut x: Vec<f64>,
    stopping: &Stopping,
    hoped_for: f64,
    room: &mut Buffers,
) -> Solution {
    for (x, (lower, upper)) in x
        .iter_mut()
        .zip(landscape.lower().iter().zip(landscape.upper()))
    {
        *x = x.clamp(*lower, *upper);
    }
    let start = x.clone();
    let outcome = Executor::new(
        landscape,
        LevenbergMarquardt::new(x.len(), *stopping, hoped_for, std::mem::take(room)),
    )
    .configure(|state| state.param(x).max_iters(stopping.iterations))
    .ctrlc(false)
    .timer(false)
    .run();
    // The solver below returns no error. If the executor ever did, the start is returned as the answer.
    let Ok(result) = outcome else {
        return Solution {
            x: start,
            value: f64::INFINITY,
            iterations: 0,
            stop: End::Stationary,
        };
    };
    let iterations = result.state.get_iter();
    let solver = result.solver;
    *room = solver.room;
    Solution {
        x: solver.x,
        value: solver.value,
        iterations,
        stop: solver.stop.unwrap_or(End::Iterations),
    }
}

type Iterate = IterState<Vec<f64>, (), (), (), (), f64>;

/// Buffers of a descent, reused by the next one.
#[derive(Debug)]
pub struct Buffers {
    gradient: DVector<f64>,
    curvature: DMatrix<f64>,
    step: Step,
}

impl Default for Buffers {
    fn default() -> Self {
        Self {
            gradient: DVector::zeros(0),
            curvature: room_for(0),
            step: Step::new(0),
        }
    }
}

impl Buffers {
    /// Resizes the buffers for this many variables; their contents are then unspecified.
    fn resize(&mut self, variables: usize) {
        self.gradient.resize_vertically_mut(variables, 0.0);
        let columns = std::mem::replace(&mut self.curvature, room_for(0));
        let mut columns: Vec<f64> = columns.data.into();
        let rows = rows_for(variables);
        columns.resize(rows * variables, 0.0);
        self.curvature = DMatrix::from_vec(rows, variables, columns);
        self.step.resize(variables);
    }
}

/// The state of one descent.
struct LevenbergMarquardt {
    stopping: Stopping,
    hoped_for: f64,
    x: Vec<f64>,
    value: f64,
    room: Buffers,
    /// True if the gradient and the curvature are those at `x`.
    linearised: bool,
    damping: f64,
    damping_growth: f64,
    stop: Option<End>,
}

/// Number of iterations with the fall of the last one that may be needed to reach the value hoped for; the descent
/// gives up if more are needed.
pub const PATIENCE: f64 = 10.0;
/// `mu` at the start. Other values were no better, see tests/benches/RESULTS.md.
const FIRST_DAMPING: f64 = 1e-2;
/// Above this `mu` the descent ends: such a step is too short to change the value.
const LARGEST_DAMPING: f64 = 1e12;
/// Least `mu`, so that it can rise again by multiplication.
const SMALLEST_DAMPING: f64 = 1e-12;
/// A variable leaves its bound if the model's slope there exceeds this share of the slope's largest term; a smaller
/// slope is rounding.
const RELEASE_SHARE: f64 = 1e-9;
/// Most passes of the active-set method for each variable. In exact arithmetic it ends by itself; rounding could make
/// it cycle.
const MOST_PASSES: usize = 20;
/// Floor of the damping matrix, relative to the largest diagonal element.
const DIAGONAL_FLOOR: f64 = 1e-4;

impl LevenbergMarquardt {
    fn new(dimension: usize, stopping: Stopping, hoped_for: f64, mut room: Buffers) -> Self {
        room.resize(dimension);
        Self {
            stopping,
            hoped_for,
            x: Vec::new(),
            value: f64::INFINITY,
            room,
            linearised: false,
            damping: FIRST_DAMPING,
            damping_growth: 2.0,
            stop: None,
        }
    }

    /// Makes one accepted step, or sets `stop` if there is none.
    fn advance<L: Landscape>(&mut self, landscape: &mut L) {
        // Computed only when needed: the last point of a short descent needs no derivatives.
        if !self.linearised {
            let Buffers {
                gradient,
                curvature,
                ..
            } = &mut self.room;
            landscape.linearise(&self.x, gradient, curvature);
            self.linearised = true;
        }
        loop {
            let Buffers {
                gradient,
                curvature,
                step,
            } = &mut self.room;
            let model = Model {
                x: &self.x,
                gradient,
                curvature,
                damping: self.damping,
                lower: landscape.lower(),
                upper: landscape.upper(),
            };
            let least = f64::EPSILON * self.value;
            let tiny = self.stopping.relative_fall * self.value;
            // The minimum in the box is expensive and rarely needed: it is used only if the cheap step predicts no
            // fall.
            let predicted = match step.solve(&model, Walls::Kept) {
                Some(predicted) if predicted <= least => step.solve(&model, Walls::LeftAgain),
                predicted => predicted,
            };
            let Some(predicted) = predicted else {
                self.raise_damping();
                if self.stop.is_some() {
                    return;
                }
                continue;
            };
            if predicted <= least {
                self.stop = Some(End::Stationary);
                return;
            }
            let value = landscape.value(&step.target);
            let fall = self.value - value;
            if fall > 0.0 {
                let ratio = fall / predicted;
                std::mem::swap(&mut self.x, &mut step.target);
                self.value = value;
                self.linearised = false;
                self.damping *= (1.0 - (2.0 * ratio - 1.0).powi(3)).clamp(1.0 / 3.0, 2.0);
                self.damping = self.damping.max(SMALLEST_DAMPING);
                self.damping_growth = 2.0;
                if value <= self.stopping.value {
                    self.stop = Some(End::ValueReached);
                } else if fall <= tiny && predicted <= tiny {
                    self.stop = Some(End::Converged);
                } else if value - PATIENCE * fall > self.hoped_for {
                    self.stop = Some(End::OutOfReach);
                }
                return;
            }
            if predicted <= tiny {
                self.stop = Some(End::Converged);
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
            self.stop = Some(End::Stationary);
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
        }
        if self.value <= self.stopping.value {
            self.stop = Some(End::ValueReached);
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
            Some(End::ValueReached) => {
                TerminationStatus::Terminated(TerminationReason::TargetCostReached)
            }
            Some(_) => TerminationStatus::Terminated(TerminationReason::SolverConverged),
            None => TerminationStatus::NotTerminated,
        }
    }
}

/// The damped model of a function about a point in the box: `F(x + p) ~ F(x) + g.p + p.(H + mu D).p / 2`.
#[derive(Debug, Clone, Copy)]
pub struct Model<'a> {
    /// The point.
    pub x: &'a [f64],
    /// `g`.
    pub gradient: &'a DVector<f64>,
    /// `H`, its lower triangle; it may have more rows than columns.
    pub curvature: &'a DMatrix<f64>,
    /// `mu`.
    pub damping: f64,
    /// Lowest allowed value of each variable.
    pub lower: &'a [f64],
    /// Highest allowed value of each variable.
    pub upper: &'a [f64],
}

/// What a step does with a variable that it has put on a bound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Walls {
    /// The variable stays there: few passes, and nearly always a good step.
    Kept,
    /// The variable leaves the bound if the model pulls it back inside: the step leads to the model's minimum in the
    /// box.
    LeftAgain,
}

impl Model<'_> {
    fn curvature(&self, i: usize, j: usize) -> f64 {
        self.curvature[(i.max(j), i.min(j))]
    }

    /// If a variable would cross a bound at this displacement, the displacement that reaches the bound.
    fn wall(&self, i: usize, displacement: f64) -> Option<f64> {
        let reached = self.x[i] + displacement;
        (reached < self.lower[i] || reached > self.upper[i])
            .then(|| reached.clamp(self.lower[i], self.upper[i]) - self.x[i])
    }
}

/// The step of one iteration, and its workspace.
#[derive(Debug)]
pub struct Step {
    /// The point to which the step leads.
    pub target: Vec<f64>,
    displacement: Vec<f64>,
    held: Vec<bool>,
    free: Vec<usize>,
    /// The displacement of each free variable, from the linear system.
    step: Vec<f64>,
    room: elimination::Buffers,
}

impl Step {
    /// A workspace for `dimension` variables.
    #[must_use]
    pub fn new(dimension: usize) -> Self {
        let mut step = Self {
            target: Vec::new(),
            displacement: Vec::new(),
            held: Vec::new(),
            free: Vec::new(),
            step: Vec::new(),
            room: elimination::Buffers::default(),
        };
        step.resize(dimension);
        step
    }

    fn resize(&mut self, dimension: usize) {
        for numbers in [&mut self.target, &mut self.displacement, &mut self.step] {
            numbers.resize(dimension, 0.0);
        }
        self.held.resize(dimension, false);
    }

    /// Computes the step `p`; `target` receives `x + p`. Returns the fall that the undamped model predicts, or None if
    /// the matrix is not positive definite.
    pub fn solve(&mut self, model: &Model<'_>, walls: Walls) -> Option<f64> {
        let Model {
            x,
            gradient,
            lower,
            upper,
            ..
        } = *model;
        let dimension = x.len();
        let column_length = model.curvature.nrows();
        let diagonal = model.curvature.as_slice().iter().step_by(column_length + 1);
        let largest = diagonal.fold(0.0, |most, &own| if own > most { own } else { most });
        let floor = DIAGONAL_FLOOR * largest.max(f64::MIN_POSITIVE);
        for i in 0..dimension {
            self.held[i] = (x[i] <= lower[i] && gradient[i] >= 0.0)
                || (x[i] >= upper[i] && gradient[i] <= 0.0);
            self.displacement[i] = 0.0;
        }
        // With `Walls::Kept` each pass puts at least one more variable on a bound, so the loop ends by itself.
        for _ in 0..=MOST_PASSES * dimension {
            if !self.least_of_the_free(model, floor) {
                return None;
            }
            let inside = match walls {
                Walls::Kept => self.put_on_walls(model),
                Walls::LeftAgain => self.go_to_the_first_wall(model),
            };
            if inside && (walls == Walls::Kept || !self.release(model, floor)) {
                break;
            }
        }
        // The model's change g.p + p.H p / 2. In the rows of free variables H p = -g - mu D p, so only the rows of
        // variables on bounds have to be multiplied.
        let mut change = 0.0;
        for (i, &p) in self.displacement.iter().enumerate() {
            self.target[i] = (x[i] + p).clamp(lower[i], upper[i]);
            if p == 0.0 {
                continue;
            }
            let slope = if self.held[i] {
                let row = self.displacement.iter().enumerate();
                row.map(|(j, p)| model.curvature(i, j) * p).sum()
            } else {
                let own = model.curvature[(i, i)].max(floor);
                -gradient[i] - model.damping * own * p
            };
            change += p * (gradient[i] + 0.5 * slope);
        }
        Some(-change)
    }

    /// Computes the displacements of the free variables that minimise the damped model, with the held ones kept where
    /// they are. False if the matrix is not positive definite.
    fn least_of_the_free(&mut self, model: &Model<'_>, floor: f64) -> bool {
        let dimension = model.x.len();
        self.free.clear();
        self.free.extend((0..dimension).filter(|&i| !self.held[i]));
        for (out, slope) in self.step.iter_mut().zip(model.gradient.iter()) {
            *out = -slope;
        }
        for j in (0..dimension).filter(|&j| self.held[j] && self.displacement[j] != 0.0) {
            for (i, out) in self.step.iter_mut().enumerate() {
                *out -= model.curvature(i, j) * self.displacement[j];
            }
        }
        let free = &self.free;
        let system = System {
            lower_triangle: model.curvature,
            free,
            damping: |own: f64| model.damping * own.max(floor),
        };
        let definite = system.solve(&mut self.step, &mut self.room);
        let mut reached = free.iter().map(|&i| model.x[i] + self.step[i]);
        definite && reached.all(f64::is_finite)
    }

    /// Takes the step; variables that would leave the box are held on its bound. True if there are none.
    fn put_on_walls(&mut self, model: &Model<'_>) -> bool {
        let mut inside = true;
        for &i in &self.free {
            let p = self.step[i];
            let wall = model.wall(i, p);
            self.displacement[i] = wall.unwrap_or(p);
            self.held[i] = wall.is_some();
            inside &= wall.is_none();
        }
        inside
    }

    /// Goes along the step as far as the box allows, and holds the variable that reaches its bound first. True if the
    /// whole step lies inside.
    fn go_to_the_first_wall(&mut self, model: &Model<'_>) -> bool {
        let mut first: Option<(f64, usize, f64)> = None;
        for &i in &self.free {
            let p = self.step[i];
            let Some(wall) = model.wall(i, p) else {
                continue;
            };
            let from = self.displacement[i];
            let share = ((wall - from) / (p - from)).clamp(0.0, 1.0);
            if first.is_none_or(|(least, ..)| share < least) {
                first = Some((share, i, wall));
            }
        }
        let share = first.map_or(1.0, |(share, ..)| share);
        for &i in &self.free {
            let (from, p) = (self.displacement[i], self.step[i]);
            let reached = if share < 1.0 {
                from + share * (p - from)
            } else {
                p
            };
            self.displacement[i] = model.wall(i, reached).unwrap_or(reached);
        }
        let Some((_, met, wall)) = first else {
            return true;
        };
        self.displacement[met] = wall;
        self.held[met] = true;
        false
    }

    /// Frees the variable on a bound whose release would lower the damped model most. False if there is none: the step
    /// then leads to the model's minimum in the box.
    fn release(&mut self, model: &Model<'_>, floor: f64) -> bool {
        let Model {
            x, lower, upper, ..
        } = *model;
        let mut most: Option<(f64, usize)> = None;
        for i in (0..x.len()).filter(|&i| self.held[i] && lower[i] < upper[i]) {
            let p = self.displacement[i];
            let pull: f64 = self
                .displacement
                .iter()
                .enumerate()
                .map(|(j, p)| model.curvature(i, j) * p)
                .sum();
            let own = model.curvature[(i, i)].max(floor);
            let slope = model.gradient[i] + pull + model.damping * own * p;
            let tiny = RELEASE_SHARE * model.gradient[i].abs().max(pull.abs());
            let reached = x[i] + p;
            // Decided by the nearer bound, since rounding may leave a variable slightly inside of its bound.
            let is_low = reached - lower[i] <= upper[i] - reached;
            let inwards = if is_low { -slope } else { slope };
            // The model's fall if only this variable were free.
            let fall = inwards * inwards / own;
            if inwards > tiny && most.is_none_or(|(largest, _)| fall > largest) {
                most = Some((fall, i));
            }
        }
        if let Some((_, i)) = most {
            self.held[i] = false;
        }
        most.is_some()
    }
}
