//! The bounded solver on problems whose answers are known, and beside another solver.

use bandwright::filter::{Section, Shape, cascade, response};
use bandwright::fit::lanes::LANES;
use bandwright::fit::objective::{Objective, Placed, Workspace};
use bandwright::fit::random::Random;
use bandwright::fit::solver::elimination::{Buffers, System};
use bandwright::fit::solver::{End, Landscape, Model, Solution, Step, Stopping, Walls, minimise};
use bandwright::fit::space::variables;
use bandwright::measurement::grid;
use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt, TerminationReason};
use nalgebra::{DMatrix, DVector, Dyn, storage::Owned};
use proptest::prelude::*;

const TO_THE_END: Stopping = Stopping {
    iterations: 500,
    relative_fall: 0.0,
    value: 0.0,
};

/// A sum of squares over a box: residuals and their Jacobian at a point. Watches the solver: every
/// point it asks for is inside the box, and the points it goes on from never rise.
struct Squares<F> {
    lower: Vec<f64>,
    upper: Vec<f64>,
    residuals: F,
    last: f64,
}

impl<F: Fn(&[f64]) -> (DVector<f64>, DMatrix<f64>)> Squares<F> {
    fn new(lower: Vec<f64>, upper: Vec<f64>, residuals: F) -> Self {
        Self {
            lower,
            upper,
            residuals,
            last: f64::INFINITY,
        }
    }

    fn check_inside(&self, x: &[f64]) {
        for ((x, lower), upper) in x.iter().zip(&self.lower).zip(&self.upper) {
            assert!(
                (lower..=upper).contains(&x),
                "{x} is not in {lower}..={upper}"
            );
        }
    }

    fn square(&self, x: &[f64]) -> f64 {
        (self.residuals)(x).0.norm_squared()
    }
}

impl<F: Fn(&[f64]) -> (DVector<f64>, DMatrix<f64>)> Landscape for Squares<F> {
    fn lower(&self) -> &[f64] {
        &self.lower
    }

    fn upper(&self) -> &[f64] {
        &self.upper
    }

    fn value(&mut self, x: &[f64]) -> f64 {
        self.check_inside(x);
        self.square(x)
    }

    fn linearise(&mut self, x: &[f64], gradient: &mut DVector<f64>, curvature: &mut DMatrix<f64>) {
        self.check_inside(x);
        let (r, jacobian) = (self.residuals)(x);
        let value = r.norm_squared();
        assert!(value < self.last, "{value} after {}", self.last);
        self.last = value;
        *gradient = 2.0 * jacobian.tr_mul(&r);
        *curvature = 2.0 * jacobian.tr_mul(&jacobian);
    }
}

/// H. H. Rosenbrock, Comput. J. 3 (1960) 175: 100 (y - x^2)^2 + (1 - x)^2, as two residuals.
fn rosenbrock(x: &[f64]) -> (DVector<f64>, DMatrix<f64>) {
    (
        DVector::from_vec(vec![10.0 * (x[1] - x[0] * x[0]), 1.0 - x[0]]),
        DMatrix::from_row_slice(2, 2, &[-20.0 * x[0], 10.0, -1.0, 0.0]),
    )
}

fn solve_rosenbrock(lower: [f64; 2], upper: [f64; 2], start: [f64; 2]) -> Solution {
    let mut landscape = Squares::new(lower.to_vec(), upper.to_vec(), rosenbrock);
    minimise(&mut landscape, start.to_vec(), &TO_THE_END)
}

fn assert_near(solution: &Solution, x: [f64; 2], value: f64) {
    for (found, expected) in solution.x.iter().zip(x) {
        assert!((found - expected).abs() < 1e-6, "{solution:?}");
    }
    assert!((solution.value - value).abs() < 1e-9, "{solution:?}");
}

/// The root of `400 x^3 + linear x - 2` next to `x`.
fn root(mut x: f64, linear: f64) -> f64 {
    for _ in 0..60 {
        x -= (400.0 * x.powi(3) + linear * x - 2.0) / (1200.0 * x * x + linear);
    }
    x
}

const WIDE: [f64; 2] = [1e6, 1e6];
const LOW: [f64; 2] = [-1e6, -1e6];

#[test]
fn rosenbrock_without_an_active_bound_ends_at_1_1() {
    for start in [[-1.2, 1.0], [0.0, 0.0], [5.0, -3.0], [-20.0, 7.0]] {
        assert_near(&solve_rosenbrock(LOW, WIDE, start), [1.0, 1.0], 0.0);
    }
    // Problem 1 of W. Hock and K. Schittkowski, LNEMS 187 (1981): a bound that is not met.
    assert_near(
        &solve_rosenbrock([-1e6, -1.5], WIDE, [-2.0, 1.0]),
        [1.0, 1.0],
        0.0,
    );
}

#[test]
fn rosenbrock_ends_on_the_wall_that_hides_its_minimum() {
    // x <= 1/2: y = x^2 is free, so (1 - x)^2 is all that counts.
    let on_x = solve_rosenbrock(LOW, [0.5, 1e6], [-1.2, 1.0]);
    assert_near(&on_x, [0.5, 0.25], 0.25);
    // y <= 1/4: the slope in x at y = 1/4 is 400 x^3 - 98 x - 2.
    let x = root(0.5, -98.0);
    let value = 100.0 * (0.25 - x * x).powi(2) + (1.0 - x).powi(2);
    assert_near(
        &solve_rosenbrock(LOW, [1e6, 0.25], [-1.2, 1.0]),
        [x, 0.25],
        value,
    );
    // y >= 3/2, problem 2 of Hock and Schittkowski: 0.0504261879 at x = 2a cos(arccos(1/b)/3),
    // a = sqrt(598/1200), b = 400 a^3.
    let a = f64::sqrt(598.0 / 1200.0);
    let x = 2.0 * a * ((1.0 / (400.0 * a.powi(3))).acos() / 3.0).cos();
    assert!((x - root(1.2, -598.0)).abs() < 1e-12);
    let bounded = solve_rosenbrock([-1e6, 1.5], WIDE, [3.0, 1.0]);
    assert_near(&bounded, [x, 1.5], 0.050_426_187_9);
    // Its other valley, where the customary start (-2, 1) leads.
    let other = root(-1.2, -598.0);
    let bounded = solve_rosenbrock([-1e6, 1.5], WIDE, [-2.0, 1.0]);
    let right = (bounded.x[0] - x).abs() < 1e-6 || (bounded.x[0] - other).abs() < 1e-6;
    assert!(right && (bounded.x[1] - 1.5).abs() < 1e-12, "{bounded:?}");
}

#[test]
fn both_variables_may_end_in_a_corner_and_a_closed_box_keeps_its_point() {
    // By hand on the wall y = c: the slope in x is 400 x^3 - (400 c - 2) x - 2.
    let on_wall = |x: f64, y: f64| 100.0 * (y - x * x).powi(2) + (1.0 - x).powi(2);
    let x = root(0.33, -38.0);
    assert!(x < 0.5);
    assert_near(
        &solve_rosenbrock(LOW, [0.5, 0.1], [-1.2, 1.0]),
        [x, 0.1],
        on_wall(x, 0.1),
    );
    // On y = 0.08 the root is above 0.3, and at x = 0.3 the best y is 0.09: the corner holds both.
    assert!(root(0.33, -30.0) > 0.3);
    let corner = solve_rosenbrock(LOW, [0.3, 0.08], [-1.2, 1.0]);
    assert_near(&corner, [0.3, 0.08], on_wall(0.3, 0.08));
    assert_eq!(corner.x, [0.3, 0.08]);
    let closed = solve_rosenbrock([0.3, 0.4], [0.3, 0.4], [9.0, -9.0]);
    assert_eq!(closed.x, [0.3, 0.4]);
    assert_eq!(closed.stop, End::Stationary);
}

#[test]
fn a_corner_that_both_slopes_leave_is_left() {
    // (x - 8 y + 20)^2 + (y + 20)^2: at (0, 3) the slopes are (-8, 110), into the box both, but the
    // whole Newton step leads out of it at x = 1. On x = 0 the slope in y, 130 y - 280, ends at 28/13, and that
    // in x is then 72/13, outwards.
    let valley = |x: &[f64]| {
        (
            DVector::from_vec(vec![x[0] - 8.0 * x[1] + 20.0, x[1] + 20.0]),
            DMatrix::from_row_slice(2, 2, &[1.0, -8.0, 0.0, 1.0]),
        )
    };
    for start in [[0.0, 3.0], [1.0, 3.0], [0.0, 0.0], [1.0, 0.0], [0.5, 1.5]] {
        let mut landscape = Squares::new(vec![0.0; 2], vec![1.0, 3.0], valley);
        let solution = minimise(&mut landscape, start.to_vec(), &TO_THE_END);
        let y = 28.0_f64 / 13.0;
        let least = (20.0 - 8.0 * y).powi(2) + (20.0 + y).powi(2);
        assert_near(&solution, [0.0, y], least);
    }
}

#[test]
fn a_start_outside_the_box_is_put_into_it_first() {
    let solution = solve_rosenbrock([2.0, 3.0], [4.0, 5.0], [-100.0, 1e300]);
    // By hand: at x = 2 the best y is 4; (1 - x)^2 rises with x.
    assert_near(&solution, [2.0, 4.0], 1.0);
}

#[test]
fn flat_functions_give_the_start_and_no_nan() {
    let mut flat = Squares::new(vec![-1.0; 3], vec![1.0; 3], |_: &[f64]| {
        (DVector::from_element(1, 2.0), DMatrix::zeros(1, 3))
    });
    let solution = minimise(&mut flat, vec![0.5, -7.0, 1.0], &TO_THE_END);
    assert_eq!(solution.x, [0.5, -1.0, 1.0]);
    assert_eq!((solution.value, solution.stop), (4.0, End::Stationary));
    // Flat in all variables but one.
    let mut valley = Squares::new(vec![-1.0; 3], vec![9.0; 3], |x: &[f64]| {
        (
            DVector::from_element(1, x[1] - 3.0),
            DMatrix::from_row_slice(1, 3, &[0.0, 1.0, 0.0]),
        )
    });
    let solution = minimise(&mut valley, vec![0.5, 0.0, 1.0], &TO_THE_END);
    assert_eq!((solution.x[0], solution.x[2]), (0.5, 1.0));
    assert!((solution.x[1] - 3.0).abs() < 1e-9, "{solution:?}");
    // No variable at all.
    let mut nothing = Squares::new(vec![], vec![], |_: &[f64]| {
        (DVector::from_element(1, 2.0), DMatrix::zeros(1, 0))
    });
    let solution = minimise(&mut nothing, vec![], &TO_THE_END);
    assert_eq!((solution.x.len(), solution.value), (0, 4.0));
}

#[test]
fn a_function_that_is_no_number_off_the_start_leaves_the_start() {
    struct Cliff;
    impl Landscape for Cliff {
        fn lower(&self) -> &[f64] {
            &[-10.0]
        }
        fn upper(&self) -> &[f64] {
            &[10.0]
        }
        fn value(&mut self, x: &[f64]) -> f64 {
            if x[0] == 1.0 { 7.0 } else { f64::NAN }
        }
        fn linearise(&mut self, _: &[f64], g: &mut DVector<f64>, h: &mut DMatrix<f64>) {
            (g[0], h[(0, 0)]) = (1.0, 1.0);
        }
    }
    let solution = minimise(&mut Cliff, vec![1.0], &TO_THE_END);
    assert_eq!((solution.x[0], solution.value), (1.0, 7.0));
    assert_eq!(solution.stop, End::Stationary);
}

#[test]
fn every_reason_to_stop_is_reached() {
    let stop = |stopping: Stopping, start: [f64; 2], upper: [f64; 2]| {
        let mut landscape = Squares::new(LOW.to_vec(), upper.to_vec(), rosenbrock);
        let solution = minimise(&mut landscape, start.to_vec(), &stopping);
        (solution.stop, solution.iterations, solution.value)
    };
    let start = [-1.2, 1.0];
    let few = Stopping {
        iterations: 3,
        ..TO_THE_END
    };
    let (reason, iterations, value) = stop(few, start, WIDE);
    assert_eq!((reason, iterations), (End::Iterations, 3));
    assert!(value < 24.2);
    let none = Stopping {
        iterations: 0,
        ..TO_THE_END
    };
    let (reason, _, value) = stop(none, start, WIDE);
    assert_eq!(reason, End::Iterations);
    assert!((value - 24.2).abs() < 1e-12, "{value}");
    let enough = Stopping {
        value: 1.0,
        ..TO_THE_END
    };
    let (reason, iterations, value) = stop(enough, start, WIDE);
    assert_eq!(reason, End::ValueReached);
    assert!(value <= 1.0 && iterations > 0);
    let (reason, iterations, _) = stop(enough, [1.0, 1.0], WIDE);
    assert_eq!((reason, iterations), (End::ValueReached, 0));
    let share = Stopping {
        relative_fall: 1e-4,
        ..TO_THE_END
    };
    let (reason, _, value) = stop(share, start, [0.5, 1e6]);
    assert_eq!(reason, End::Converged);
    assert!((value - 0.25).abs() < 1e-4 * 0.25, "{value}");
    let (reason, _, _) = stop(TO_THE_END, start, [0.5, 1e6]);
    assert_eq!(reason, End::Stationary);
}

#[test]
fn one_step_without_damping_solves_a_quadratic_with_a_wall() {
    // F = (x - 3)^2 + (y + 1)^2 + x y from (0, 0); H = [2 1; 1 2], g = (-6, 2).
    let gradient = DVector::from_vec(vec![-6.0, 2.0]);
    let curvature = DMatrix::from_row_slice(2, 2, &[2.0, 1.0, 1.0, 2.0]);
    let model = Model {
        x: &[0.0, 0.0],
        gradient: &gradient,
        curvature: &curvature,
        damping: 0.0,
        lower: &LOW,
        upper: &WIDE,
    };
    let solve = |lower: [f64; 2], upper: [f64; 2]| {
        let model = Model {
            lower: &lower,
            upper: &upper,
            ..model
        };
        let mut step = Step::new(2);
        let fall = step.solve(&model, Walls::Kept).unwrap();
        let mut least = Step::new(2);
        assert_eq!(least.solve(&model, Walls::LeftAgain), Some(fall));
        assert_eq!(least.target, step.target);
        (step.target, fall)
    };
    // Without walls p = -H^-1 g = (14/3, -10/3), and the model falls by -g.p/2.
    let (target, fall) = solve(LOW, WIDE);
    assert!((target[0] - 14.0 / 3.0).abs() < 1e-12 && (target[1] + 10.0 / 3.0).abs() < 1e-12);
    assert!((fall - 52.0 / 3.0).abs() < 1e-12, "{fall}");
    // x at most 1: then y = -(2 + 1)/2, fall = 6 - 2 y - 1 - y - y^2 = 5 + 4.5 - 2.25.
    let (target, fall) = solve(LOW, [1.0, 1e6]);
    assert_eq!(target[0], 1.0);
    assert!((target[1] + 1.5).abs() < 1e-12, "{target:?}");
    assert!((fall - 7.25).abs() < 1e-12, "{fall}");
    // A matrix that is not positive definite gives no step.
    let saddle = DMatrix::from_row_slice(2, 2, &[1.0, 5.0, 5.0, 1.0]);
    let model = Model {
        curvature: &saddle,
        ..model
    };
    assert_eq!(Step::new(2).solve(&model, Walls::Kept), None);
    assert_eq!(Step::new(2).solve(&model, Walls::LeftAgain), None);
}

/// The least value of `|A x - b|^2` over a box: each variable on its lower wall, on its upper or free,
/// all combinations tried.
fn brute_force(
    a: &DMatrix<f64>,
    b: &DVector<f64>,
    lower: &[f64],
    upper: &[f64],
) -> (f64, Vec<f64>) {
    let n = a.ncols();
    let mut best = (f64::INFINITY, Vec::new());
    for choice in 0..3_usize.pow(n as u32) {
        let place: Vec<usize> = (0..n).map(|k| choice / 3_usize.pow(k as u32) % 3).collect();
        let free: Vec<usize> = (0..n).filter(|&k| place[k] == 2).collect();
        let mut x: Vec<f64> = (0..n)
            .map(|k| [lower[k], upper[k], 0.0][place[k]])
            .collect();
        let rest = b - a * DVector::from_column_slice(&x);
        if !free.is_empty() {
            let columns = a.select_columns(&free);
            let Some(solved) = columns.svd(true, true).solve(&rest, 1e-12).ok() else {
                continue;
            };
            for (place, &k) in free.iter().enumerate() {
                x[k] = solved[place];
            }
        }
        if (0..n).any(|k| x[k] < lower[k] || x[k] > upper[k]) {
            continue;
        }
        let value = (a * DVector::from_column_slice(&x) - b).norm_squared();
        if value < best.0 {
            best = (value, x);
        }
    }
    best
}

#[test]
fn a_corner_that_every_clipped_newton_step_returns_to_is_left() {
    // The Newton step of the free variables leads out of the box though the least point lies inside: putting what
    // leaves it back on its wall, and freeing it again, goes round in a ring.
    let a = DMatrix::from_row_slice(
        4,
        3,
        &[
            2.0, 0.0, -2.0, 0.0, 0.0, -1.0, -3.0, 3.0, -2.0, 3.0, -3.0, 1.0,
        ],
    );
    let b = DVector::from_vec(vec![3.0, 1.0, -1.0, 4.0]);
    let (lower, upper) = (vec![1.0, 2.0, -1.0], vec![3.0, 4.0, 1.0]);
    let (value, x) = brute_force(&a, &b, &lower, &upper);
    let residuals = |x: &[f64]| (&a * DVector::from_column_slice(x) - &b, a.clone());
    let mut landscape = Squares::new(lower, upper, residuals);
    let solution = minimise(&mut landscape, vec![3.0, 2.0, 1.0], &TO_THE_END);
    assert!(
        (solution.value - value).abs() <= 1e-12 * value,
        "{solution:?} {value} {x:?}"
    );
}

proptest! {
    #[test]
    fn linear_least_squares_in_a_box_is_what_trying_all_active_sets_gives(
        n in 1usize..6,
        numbers in prop::collection::vec(-1.0..1.0f64, 12 * 5 + 12 + 3 * 5),
    ) {
        let a = DMatrix::from_fn(12, n, |i, j| numbers[i * 5 + j]);
        let b = DVector::from_fn(12, |i, _| 3.0 * numbers[60 + i]);
        let lower: Vec<f64> = (0..n).map(|k| numbers[72 + k] - 0.3).collect();
        let upper: Vec<f64> = (0..n).map(|k| lower[k] + 0.01 + numbers[77 + k].abs()).collect();
        let start: Vec<f64> = (0..n).map(|k| 3.0 * numbers[82 + k]).collect();
        let (value, x) = brute_force(&a, &b, &lower, &upper);
        let residuals = |x: &[f64]| (&a * DVector::from_column_slice(x) - &b, a.clone());
        let mut landscape = Squares::new(lower, upper, residuals);
        let solution = minimise(&mut landscape, start, &TO_THE_END);
        prop_assert!((solution.value - value).abs() <= 1e-9 * value, "{solution:?} {value} {x:?}");
        for (found, expected) in solution.x.iter().zip(&x) {
            prop_assert!((found - expected).abs() < 1e-6, "{solution:?} {x:?}");
        }
    }

    /// Sizes on both sides of the largest whose height the compiler knows, whole blocks of rows or not.
    #[test]
    fn a_system_of_any_size_is_solved_among_what_is_free(
        size in 1..80usize,
        in_blocks in prop::bool::ANY,
        is_free in prop::collection::vec(prop::bool::weighted(0.8), 80),
        seed in any::<u64>(),
    ) {
        let mut random = Random::new(seed);
        let square = DMatrix::from_fn(size, size + 3, |_, _| random.unit() - 0.5);
        let matrix = &square * square.transpose();
        let rows = if in_blocks { size.next_multiple_of(LANES) } else { size };
        // Nothing but the lower triangle may be looked at.
        let lower_triangle = DMatrix::from_fn(rows, size, |i, j| {
            if j <= i && i < size { matrix[(i, j)] } else { f64::NAN }
        });
        let free: Vec<usize> = (0..size).filter(|i| is_free[*i]).collect();
        let right: Vec<f64> = (0..size).map(|_| random.unit() - 0.5).collect();
        let damping = |own: f64| 0.01 * own + 0.001;
        let mut room = Buffers::default();
        let mut x = right.clone();
        let system = System { lower_triangle: &lower_triangle, free: &free, damping };
        prop_assert!(system.solve(&mut x, &mut room));
        for (i, right) in right.iter().enumerate() {
            if free.contains(&i) {
                let products = free.iter().map(|&j| matrix[(i, j)] * x[j]);
                let left = products.sum::<f64>() + damping(matrix[(i, i)]) * x[i];
                prop_assert!((left - right).abs() < 1e-9, "{i}: {left} {right}");
            } else {
                prop_assert_eq!(x[i], *right);
            }
        }
        // Far below 0 on the diagonal, it is not definite.
        let system = System { lower_triangle: &lower_triangle, free: &free, damping: |own: f64| -2.0 * own };
        prop_assert_eq!(system.solve(&mut right.clone(), &mut room), free.is_empty());
    }

    #[test]
    fn the_fall_that_a_step_predicts_is_that_of_the_model_without_damping(
        n in 1usize..26,
        numbers in prop::collection::vec(-1.0..1.0f64, 40 * 25 + 4 * 25),
        damping in 1e-6..1.0f64,
    ) {
        let a = DMatrix::from_fn(40, n, |i, j| numbers[i * 25 + j]);
        let of_variable = |kind: usize, k: usize| numbers[1000 + 25 * kind + k];
        let lower: Vec<f64> = (0..n).map(|k| of_variable(0, k)).collect();
        let upper: Vec<f64> = (0..n).map(|k| lower[k] + of_variable(1, k).abs()).collect();
        // Some on their walls.
        let x: Vec<f64> = (0..n).map(|k| of_variable(2, k).clamp(lower[k], upper[k])).collect();
        let gradient = DVector::from_fn(n, |k, _| 20.0 * of_variable(3, k));
        let curvature = a.transpose() * &a;
        let model = Model {
            x: &x,
            gradient: &gradient,
            curvature: &curvature,
            damping,
            lower: &lower,
            upper: &upper,
        };
        for walls in [Walls::Kept, Walls::LeftAgain] {
            let mut step = Step::new(n);
            let predicted = step.solve(&model, walls).unwrap();
            let p = DVector::from_fn(n, |k, _| step.target[k] - x[k]);
            let fall = -(gradient.dot(&p) + 0.5 * p.dot(&(&curvature * &p)));
            prop_assert!((predicted - fall).abs() <= 1e-10 * gradient.norm() * p.norm(), "{predicted} {fall}");
        }
    }

    #[test]
    fn the_value_never_rises_and_the_point_stays_in_the_box(
        n in 1usize..7,
        numbers in prop::collection::vec(-2.0..2.0f64, 9 * 6 * 2 + 9 + 3 * 6),
        iterations in 0u64..40,
    ) {
        // Sums of sines and lines: many valleys, saddles and plateaus.
        let residuals = |x: &[f64]| {
            let slope = |i: usize, j: usize| numbers[i * 6 + j];
            let wave = |i: usize, j: usize| 3.0 * numbers[54 + i * 6 + j];
            let r = DVector::from_fn(9, |i, _| {
                let sum: f64 = (0..n).map(|j| slope(i, j) * x[j] + (wave(i, j) * x[j]).sin()).sum();
                sum - numbers[108 + i]
            });
            let jacobian = DMatrix::from_fn(9, n, |i, j| {
                slope(i, j) + wave(i, j) * (wave(i, j) * x[j]).cos()
            });
            (r, jacobian)
        };
        let lower: Vec<f64> = (0..n).map(|k| numbers[117 + k]).collect();
        let upper: Vec<f64> = (0..n).map(|k| lower[k] + numbers[123 + k].abs()).collect();
        let start: Vec<f64> = (0..n).map(|k| numbers[129 + k]).collect();
        let mut landscape = Squares::new(lower.clone(), upper.clone(), residuals);
        let inside: Vec<f64> = (0..n).map(|k| start[k].clamp(lower[k], upper[k])).collect();
        let before = landscape.square(&inside);
        let stopping = Stopping { iterations, ..TO_THE_END };
        let solution = minimise(&mut landscape, start, &stopping);
        landscape.check_inside(&solution.x);
        prop_assert!(solution.value <= before);
        prop_assert_eq!(solution.value, landscape.square(&solution.x));
        prop_assert!(solution.iterations <= iterations);
    }
}

const RATE_HZ: f64 = 48_000.0;

/// The same equaliser problem for the other solver: residuals `s (G - d - mean)`, from the plain response.
struct Equaliser<'a> {
    shapes: Vec<Shape>,
    wanted_db: &'a [f64],
    weight: Vec<f64>,
    x: DVector<f64>,
}

impl Equaliser<'_> {
    fn sections(&self) -> Vec<Section> {
        let numbers = self.x.as_slice().chunks_exact(3);
        let pairs = self.shapes.iter().zip(numbers);
        pairs
            .map(|(&shape, x)| Section {
                shape,
                f0_hz: x[0].exp(),
                gain_db: x[1],
                q: x[2].exp(),
            })
            .collect()
    }

    /// Takes the level out and weighs.
    fn project(&self, mut column: DVector<f64>) -> DVector<f64> {
        let mean: f64 = column
            .iter()
            .zip(&self.weight)
            .map(|(e, s)| s * s * e)
            .sum();
        for (e, s) in column.iter_mut().zip(&self.weight) {
            *e = s * (*e - mean);
        }
        column
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for Equaliser<'_> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, x: &DVector<f64>) {
        self.x.copy_from(x);
    }

    fn params(&self) -> DVector<f64> {
        self.x.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let sum_db = cascade::levels_db(&self.sections(), RATE_HZ, grid::frequency_hz());
        let e = sum_db.iter().zip(self.wanted_db).map(|(g, d)| g - d);
        Some(self.project(DVector::from_iterator(sum_db.len(), e)))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let mut columns = Vec::new();
        for section in self.sections() {
            let levels: Vec<response::Level> = grid::frequency_hz()
                .iter()
                .map(|&f_hz| response::level(&section, RATE_HZ, f_hz))
                .collect();
            for derivative in [
                |level: &response::Level| level.per_ln_f0,
                |level: &response::Level| level.per_gain_db,
                |level: &response::Level| level.per_ln_q,
            ] {
                let column = levels.iter().map(derivative);
                columns.push(self.project(DVector::from_iterator(levels.len(), column)));
            }
        }
        Some(DMatrix::from_columns(&columns))
    }
}

#[test]
fn another_solver_ends_in_the_same_local_minimum() {
    let random = &mut Random::new(77);
    let mut between = |low: f64, high: f64| low + (high - low) * random.unit();
    let frequency_hz = grid::frequency_hz();
    let (mut both, mut same, mut farthest) = (0, 0, 0.0_f64);
    let cases = 120;
    for case in 0..cases {
        let count = 2 + case % 5;
        let width = 9.0 / count as f64;
        // One section an interval, so that none hides behind another.
        let planted: Vec<Section> = (0..count)
            .map(|k| Section {
                shape: match k {
                    0 => Shape::LowShelf,
                    k if k + 1 == count => Shape::HighShelf,
                    _ => Shape::Peaking,
                },
                f0_hz: 30.0 * (width * (k as f64 + between(0.2, 0.8))).exp2(),
                gain_db: between(3.0, 10.0) * if between(0.0, 1.0) < 0.5 { -1.0 } else { 1.0 },
                q: between(0.6, 1.2),
            })
            .collect();
        // A ripple that no section can follow keeps the least value off zero.
        let wanted_db: Vec<f64> = cascade::levels_db(&planted, RATE_HZ, frequency_hz)
            .iter()
            .zip(frequency_hz)
            .map(|(db, f_hz)| db + 0.2 * (17.0 * f_hz.log2()).sin())
            .collect();
        let weight: Vec<f64> = frequency_hz.iter().map(|_| between(0.3, 1.0)).collect();
        let shapes: Vec<Shape> = planted.iter().map(|section| section.shape).collect();
        let start: Vec<f64> = planted
            .iter()
            .flat_map(|section| {
                let [f0, gain, q] = variables(section);
                [
                    f0 + between(-0.2, 0.2),
                    gain + between(-1.5, 1.5),
                    q + between(-0.2, 0.2),
                ]
            })
            .collect();

        let objective = Objective::new(frequency_hz, &weight, &wanted_db, RATE_HZ, 0.0);
        let (lower, upper) = (vec![-1e9; start.len()], vec![1e9; start.len()]);
        let mut room = Workspace::default();
        let mut placed = Placed::new(&objective, &shapes, &lower, &upper, &mut room);
        let stopping = Stopping {
            relative_fall: 1e-12,
            ..TO_THE_END
        };
        let ours = minimise(&mut placed, start.clone(), &stopping);

        let power: f64 = weight.iter().map(|w| w * w).sum();
        let problem = Equaliser {
            shapes,
            wanted_db: &wanted_db,
            weight: weight.iter().map(|w| w / power.sqrt()).collect(),
            x: DVector::from_vec(start),
        };
        let (problem, report) = LevenbergMarquardt::new().minimize(problem);
        let converged = report.termination.was_successful()
            || matches!(
                report.termination,
                TerminationReason::NoImprovementPossible(_)
            );
        if !converged || ours.stop == End::Iterations {
            continue;
        }
        both += 1;
        // The other solver's objective is half the sum of squares.
        let theirs = 2.0 * report.objective_function;
        let apart = (ours.value - theirs).abs() / theirs;
        if apart <= 1e-6 {
            same += 1;
            for (ours, theirs) in ours.x.iter().zip(problem.x.iter()) {
                farthest = farthest.max((ours - theirs).abs());
            }
        } else {
            println!("{case}: {count} sections, {} against {theirs}", ours.value);
        }
    }
    println!("{same} of {both} alike, of {cases}; numbers within {farthest:.1e}");
    assert!(both * 20 >= cases * 19, "{both} converged");
    assert!(same * 20 >= both * 19, "{same} of {both}");
    assert!(farthest < 1e-3, "{farthest}");
}
