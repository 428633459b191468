//! Our fit beside general-purpose solvers on the same problems, in the same run, on one core.
//!
//! Twenty cases of the corpus, eight sections, no economy. The rivals compute levels and derivatives
//! with our kernels, so that methods are compared and not loops:
//!
//! - the `levenberg-marquardt` crate, to relative changes of 1e-8, from a plain start (sections evenly
//!   spread in octaves, gains 0.1 dB, q 1) and as the best of 16 random starts; bounds by the smooth
//!   transformation `x = low + (high - low) / (1 + exp(-t))`;
//! - argmin's particle swarm at its default weights, with a small and a large budget.
//!
//! Problems and our answers, random equalisers among them, are left in `target/rivals` for
//! `rivals.py`.

#[path = "../support/mod.rs"]
mod support;

use std::cell::RefCell;
use support::{corpus, rivals};

use argmin::core::{CostFunction, Error, Executor};
use argmin::solver::particleswarm::ParticleSwarm;
use bandwright::filter::Shape;
use bandwright::fit::Effort;
use bandwright::fit::objective::kernel::{
    Derivatives, FillGroup, Levels, Points, SectionGroup, Sign, padded,
};
use bandwright::fit::objective::{Objective, Placed, Workspace, sections};
use bandwright::fit::random::Random;
use bandwright::limits::ShapeCounts;
use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{DMatrix, DVector, Dyn};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::SeedableRng;
use rivals::{OneCore, Problem, RATE_HZ, Solved, median};

const SHAPES: [Shape; 8] = [
    Shape::LowShelf,
    Shape::Peaking,
    Shape::Peaking,
    Shape::Peaking,
    Shape::Peaking,
    Shape::Peaking,
    Shape::Peaking,
    Shape::HighShelf,
];
const CASES: usize = 20;
const TOLERANCE: f64 = 1e-8;
const RANDOM_STARTS: u64 = 16;
/// Particles and iterations.
const SWARMS: [(usize, u64); 2] = [(40, 500), (200, 2000)];
const DRAWS: usize = 200;
/// Residuals below this, dB, count as this.
const FLOOR_DB: f64 = 0.01;

fn main() {
    let core = OneCore::new();
    let problems = problems();
    let solved: Vec<_> = problems
        .into_iter()
        .map(|problem| {
            let answers = Effort::ALL.map(|effort| (effort, problem.solve(effort, &core)));
            (problem, Vec::from(answers))
        })
        .collect();
    rivals::write("cases", &solved);

    println!("| method | residual / deep's: median | worst | CPU, median ms | time / normal's |");
    println!("| --- | --- | --- | --- | --- |");
    for (k, effort) in Effort::ALL.iter().enumerate() {
        let ours =
            |_: &Problem, answers: &[(Effort, Solved)]| (answers[k].1.rms_db, answers[k].1.cpu_ms);
        row(effort.name(), &solved, ours);
    }
    row("levenberg-marquardt, plain start", &solved, |problem, _| {
        core.timed(|| Transformed::new(problem).descend(plain_start(problem)))
    });
    row(
        "levenberg-marquardt, 16 random starts",
        &solved,
        |problem, _| {
            core.timed(|| {
                let rms_db = |seed| Transformed::new(problem).descend(random_start(problem, seed));
                (0..RANDOM_STARTS).map(rms_db).fold(f64::INFINITY, f64::min)
            })
        },
    );
    for (particles, iterations) in SWARMS {
        let name = format!("particle swarm, {particles} x {iterations}");
        row(&name, &solved, |problem, _| {
            core.timed(|| swarm_rms_db(problem, particles, iterations))
        });
    }
    random_equalisers(&core);
}

/// Cases spread evenly over the corpus, and so over its families.
fn problems() -> Vec<Problem> {
    let all = corpus::cases();
    let step = all.len() as f64 / CASES as f64;
    let chosen: Vec<usize> = (0..CASES).map(|k| (k as f64 * step) as usize).collect();
    let limits = rivals::limits(ShapeCounts {
        low_shelf: 1,
        peaking: 6,
        high_shelf: 1,
    });
    let cases = all.into_iter().enumerate();
    cases
        .filter(|(index, _)| chosen.contains(index))
        .map(|(_, case)| Problem {
            name: case.name,
            frequency_hz: corpus::grid(),
            weight: case.weight,
            wanted_db: case.wanted_db,
            limits: limits.clone(),
        })
        .collect()
}

type SolvedProblem = (Problem, Vec<(Effort, Solved)>);

/// One line of the table, from each case's residual (dB) and time (ms).
fn row(
    name: &str,
    solved: &[SolvedProblem],
    method: impl Fn(&Problem, &[(Effort, Solved)]) -> (f64, f64),
) {
    let (mut residuals, mut times, mut time_ratios) = (Vec::new(), Vec::new(), Vec::new());
    for (problem, answers) in solved {
        let of = |wanted| {
            &answers
                .iter()
                .find(|(effort, _)| *effort == wanted)
                .unwrap()
                .1
        };
        let (rms_db, cpu_ms) = method(problem, answers);
        residuals.push(rms_db.max(FLOOR_DB) / of(Effort::Deep).rms_db.max(FLOOR_DB));
        times.push(cpu_ms);
        time_ratios.push(cpu_ms / of(Effort::Normal).cpu_ms);
    }
    let worst = residuals.iter().copied().fold(0.0, f64::max);
    println!(
        "| {name} | {:.3} | {worst:.2} | {:.1} | {:.2} |",
        median(residuals),
        median(times),
        median(time_ratios)
    );
}

/// The variables of the plain start, before the transformation.
fn plain_start(problem: &Problem) -> Vec<f64> {
    let (low_hz, high_hz) = (problem.limits.f0_hz.min(), problem.limits.f0_hz.max());
    (0..SHAPES.len())
        .flat_map(|k| {
            let share = (k as f64 + 0.5) / SHAPES.len() as f64;
            [low_hz.ln() + share * (high_hz / low_hz).ln(), 0.1, 0.0]
        })
        .collect()
}

/// The box of all variables.
fn walls(problem: &Problem) -> (Vec<f64>, Vec<f64>) {
    problem
        .space()
        .walls(sections(&SHAPES, &plain_start(problem)))
}

/// Anywhere in the box.
fn random_start(problem: &Problem, seed: u64) -> Vec<f64> {
    let random = &mut Random::new(seed);
    let (lower, upper) = walls(problem);
    let walls = lower.iter().zip(&upper);
    walls
        .map(|(low, high)| low + (high - low) * random.unit())
        .collect()
}

/// Weighted residuals as a function of unbounded variables.
struct Transformed {
    points: Points,
    /// Weights whose squares sum to 1, padded with zeros.
    weight: Vec<f64>,
    wanted_db: Vec<f64>,
    lower: Vec<f64>,
    upper: Vec<f64>,
    t: DVector<f64>,
}

impl Transformed {
    fn new(problem: &Problem) -> Self {
        let power: f64 = problem.weight.iter().map(|w| w * w).sum();
        let (lower, upper) = walls(problem);
        Self {
            points: Points::new(&problem.frequency_hz, RATE_HZ),
            weight: padded(problem.weight.iter().map(|w| w / power.sqrt()), 0.0),
            wanted_db: padded(problem.wanted_db.iter().copied(), 0.0),
            t: DVector::zeros(lower.len()),
            lower,
            upper,
        }
    }

    /// Starts at `x`; the residual's root mean square at the end, dB.
    fn descend(mut self, x: Vec<f64>) -> f64 {
        let walls = self.lower.iter().zip(&self.upper);
        let t = x
            .iter()
            .zip(walls)
            .map(|(x, (low, high))| ((x - low) / (high - x)).ln());
        self.t = DVector::from_iterator(x.len(), t);
        let (end, _) = LevenbergMarquardt::new().with_tol(TOLERANCE).minimize(self);
        end.residuals().unwrap().norm()
    }

    fn x(&self) -> Vec<f64> {
        let walls = self.lower.iter().zip(&self.upper);
        let inside =
            |(t, (low, high)): (&f64, (&f64, &f64))| low + (high - low) / (1.0 + (-t).exp());
        self.t.iter().zip(walls).map(inside).collect()
    }

    fn grouped(&self) -> SectionGroup {
        let mut grouped = SectionGroup::default();
        pulp::Arch::new().dispatch(FillGroup {
            shapes: &SHAPES,
            x: &self.x(),
            signs: &[Sign::Boost; SHAPES.len()],
            rate_hz: RATE_HZ,
            grouped: &mut grouped,
        });
        grouped
    }

    /// Takes the weighted part along the weights off: the level is free.
    fn project(&self, column: &mut [f64]) {
        let along: f64 = column.iter().zip(&self.weight).map(|(a, w)| a * w).sum();
        for (a, w) in column.iter_mut().zip(&self.weight) {
            *a -= along * w;
        }
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for Transformed {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, t: &DVector<f64>) {
        self.t.copy_from(t);
    }

    fn params(&self) -> DVector<f64> {
        self.t.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let count = self.points.padded_len();
        let [mut level_db, mut unused] = [(); 2].map(|()| vec![0.0; count]);
        pulp::Arch::new().dispatch(Levels {
            points: &self.points,
            groups: &[self.grouped()],
            boost_db: &mut level_db,
            cut_db: &mut unused,
        });
        for ((level, wanted), w) in level_db.iter_mut().zip(&self.wanted_db).zip(&self.weight) {
            *level = w * (*level - wanted);
        }
        self.project(&mut level_db);
        Some(DVector::from_vec(level_db))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let count = self.points.padded_len();
        let mut jacobian = DMatrix::zeros(count, 3 * SHAPES.len());
        for ((ratio, _), columns) in self
            .grouped()
            .sections()
            .zip(jacobian.as_mut_slice().chunks_exact_mut(3 * count))
        {
            let (by_f0, rest) = columns.split_at_mut(count);
            let (by_gain, by_q) = rest.split_at_mut(count);
            pulp::Arch::new().dispatch(Derivatives {
                points: &self.points,
                ratio: &ratio,
                weight: &self.weight,
                columns: [by_f0, by_gain, by_q],
            });
        }
        for (k, (x, mut column)) in self.x().iter().zip(jacobian.column_iter_mut()).enumerate() {
            let (low, high) = (self.lower[k], self.upper[k]);
            self.project(column.as_mut_slice());
            column *= (x - low) * (high - x) / (high - low);
        }
        Some(jacobian)
    }
}

/// J without economy.
struct Cost {
    objective: Objective,
    room: RefCell<Workspace>,
}

impl CostFunction for Cost {
    type Param = Vec<f64>;
    type Output = f64;

    fn cost(&self, x: &Vec<f64>) -> Result<f64, Error> {
        let room = &mut *self.room.borrow_mut();
        Ok(Placed::new(&self.objective, &SHAPES, &[], &[], room)
            .parts(x)
            .total())
    }
}

fn swarm_rms_db(problem: &Problem, particles: usize, iterations: u64) -> f64 {
    let cost = Cost {
        objective: Objective::new(
            &problem.frequency_hz,
            &problem.weight,
            &problem.wanted_db,
            RATE_HZ,
            0.0,
        ),
        room: RefCell::default(),
    };
    let swarm = ParticleSwarm::new(walls(problem), particles)
        .with_rng_generator(Xoshiro256PlusPlus::seed_from_u64(0));
    let ended = Executor::new(cost, swarm)
        .configure(|state| state.max_iters(iterations))
        .ctrlc(false)
        .timer(false)
        .run()
        .unwrap();
    ended.state().get_best_cost().sqrt()
}

/// Random parametric equalisers, from their responses.
fn random_equalisers(core: &OneCore) {
    println!(
        "\n| random equalisers | mean squared error, dB^2 | worst | unrounded, mean | CPU, mean ms |"
    );
    println!("| --- | --- | --- | --- | --- |");
    for peaking in [10, 3] {
        let allowed = ShapeCounts {
            low_shelf: 1,
            peaking,
            high_shelf: 1,
        };
        let solved: Vec<SolvedProblem> = (0..DRAWS)
            .map(|index| {
                let problem = rivals::random_equaliser(index, allowed);
                let efforts = [Effort::Quick, Effort::Normal];
                let answers = efforts.map(|effort| (effort, problem.solve(effort, core)));
                (problem, Vec::from(answers))
            })
            .collect();
        for (k, effort) in [Effort::Quick, Effort::Normal].iter().enumerate() {
            let numbers = |of: fn(&Solved) -> f64| solved.iter().map(move |(_, a)| of(&a[k].1));
            let mean = |of| numbers(of).sum::<f64>() / DRAWS as f64;
            println!(
                "| {} sections, {} | {:.2e} | {:.2e} | {:.2e} | {:.0} |",
                peaking + 2,
                effort.name(),
                mean(|answer| answer.rms_db.powi(2)),
                numbers(|answer| answer.rms_db.powi(2)).fold(0.0, f64::max),
                mean(|answer| answer.unrounded_rms_db.powi(2)),
                mean(|answer| answer.cpu_ms),
            );
        }
        rivals::write(&format!("draws-{}", peaking + 2), &solved);
    }
}
