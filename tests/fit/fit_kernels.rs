//! The fast kernels against the plain formulas.

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::Ceilings;
use bandwright::fit::channels::two::Together;
use bandwright::fit::lanes::{self, LANES};
use bandwright::fit::objective::ceilings::{Line, bands_around};
use bandwright::fit::objective::kernel::{
    Derivatives, FillGroup, Levels, OF_EIGHT, OneLevel, Points, Products, Ratio, Rows,
    SectionGroup, Sign, Square, TILE, padded,
};
use bandwright::fit::objective::{self, Level, Objective, Placed, Thinning, Workspace};
use bandwright::fit::solver::{Landscape, room_for};
use nalgebra::{DVector, SVector};
use num_dual::{DualNum, DualSVec64, gradient};
use proptest::prelude::*;
use pulp::{Simd, WithSimd};

const RATE_HZ: f64 = 48_000.0;

fn grid() -> Vec<f64> {
    (0..479)
        .map(|i| 20.0 * 2f64.powf(f64::from(i) / 48.0))
        .collect()
}

fn section() -> impl Strategy<Value = Section> {
    (0..3usize, 20f64..20000.0, -12f64..12.0, 0.3f64..8.0).prop_map(|(s, f0_hz, gain_db, q)| {
        Section {
            shape: Shape::ALL[s],
            f0_hz,
            gain_db,
            q: if s == 1 { q } else { 0.4 + q / 10.0 },
        }
    })
}

fn problem() -> impl Strategy<Value = (Vec<Section>, Vec<f64>, Vec<f64>, f64)> {
    (
        prop::collection::vec(section(), 1..20),
        prop::collection::vec(0f64..1.0, 479),
        prop::collection::vec(-10f64..10.0, 479),
        prop::sample::select(vec![0.0, 0.001, 0.1]),
    )
}

fn variables(sections: &[Section]) -> Vec<f64> {
    sections
        .iter()
        .flat_map(|s| [s.f0_hz.ln(), s.gain_db, s.q.ln()])
        .collect()
}

/// J by the definition, point by point.
fn plain(sections: &[Section], weight: &[f64], wanted: &[f64], economy: f64) -> f64 {
    let grid = grid();
    let total: f64 = weight.iter().map(|w| w * w).sum();
    let e: Vec<f64> = grid
        .iter()
        .zip(wanted)
        .map(|(f, d)| cascade::level_db(sections, RATE_HZ, *f) - d)
        .collect();
    let c = -e.iter().zip(weight).map(|(e, w)| w * w * e).sum::<f64>() / total;
    let residual = e
        .iter()
        .zip(weight)
        .map(|(e, w)| w * w * (e + c) * (e + c))
        .sum::<f64>()
        / total;
    let opposed: f64 = grid
        .iter()
        .map(|f| {
            let levels: Vec<f64> = sections
                .iter()
                .map(|s| cascade::level_db(&[*s], RATE_HZ, *f))
                .collect();
            let p: f64 = levels.iter().map(|g| g.max(0.0)).sum();
            let m: f64 = levels.iter().map(|g| -g.min(0.0)).sum();
            p * m
        })
        .sum();
    residual + economy * opposed / 479.0
}

/// Level of a section from the cookbook's analog prototypes `H(s)` at `s = j tan(w/2) / tan(w0/2)`, in
/// any kind of number. `x` is `ln f0, gain_db, ln q`.
fn cookbook_db<D: DualNum<f64> + Copy>(shape: Shape, x: [D; 3], f_hz: f64) -> D {
    let a = (x[1] * (std::f64::consts::LN_10 / 40.0)).exp();
    let q_squared = (x[2] * 2.0).exp();
    let half_0 = x[0].exp() * (std::f64::consts::PI / RATE_HZ);
    let s_squared = (half_0.tan().recip() * (std::f64::consts::PI * f_hz / RATE_HZ).tan()).powi(2);
    // |k - s^2 m|^2 + (width s)^2 with s imaginary.
    let square = |k: D, m: D, width: D| (k - s_squared * m).powi(2) + s_squared * width;
    let one = D::from(1.0);
    let power = match shape {
        Shape::Peaking => {
            square(one, one, a * a / q_squared) / square(one, one, (a * a * q_squared).recip())
        }
        Shape::LowShelf => a * a * square(a, one, a / q_squared) / square(one, a, a / q_squared),
        Shape::HighShelf => a * a * square(one, a, a / q_squared) / square(a, one, a / q_squared),
    };
    power.log10() * 10.0
}

/// J in any kind of number.
fn cookbook_objective<D: DualNum<f64> + Copy>(
    shapes: &[Shape],
    x: &[D],
    weight: &[f64],
    wanted_db: &[f64],
    economy: f64,
) -> D {
    let (mut errors, mut opposed) = (Vec::new(), D::from(0.0));
    for (f_hz, wanted_db) in grid().iter().zip(wanted_db) {
        let (mut boost, mut cut) = (D::from(0.0), D::from(0.0));
        for (&shape, x) in shapes.iter().zip(x.chunks_exact(3)) {
            let level = cookbook_db(shape, [x[0], x[1], x[2]], *f_hz);
            if level.re() > 0.0 {
                boost += level;
            } else {
                cut -= level;
            }
        }
        errors.push(boost - cut - *wanted_db);
        opposed += boost * cut;
    }
    let total: f64 = weight.iter().map(|w| w * w).sum();
    let weighted = |of: &dyn Fn(D) -> D| {
        let terms = errors.iter().zip(weight).map(|(e, w)| of(*e) * (w * w));
        terms.fold(D::from(0.0), |sum, term| sum + term) / total
    };
    let mean = weighted(&|e| e);
    weighted(&|e| (e - mean).powi(2)) + opposed * (economy / wanted_db.len() as f64)
}

/// Compares the gradient with differences. Where an overshooting shelf passes 0 dB at a point, the economy term has a kink, and
/// nothing is compared.
fn check_gradient(
    landscape: &mut impl Landscape,
    shapes: &[Shape],
    x: &[f64],
) -> Result<(), TestCaseError> {
    check_gradient_to(1e-5, landscape, shapes, x)
}

/// The same to another share.
fn check_gradient_to(
    share: f64,
    landscape: &mut impl Landscape,
    shapes: &[Shape],
    x: &[f64],
) -> Result<(), TestCaseError> {
    let mut gradient = DVector::zeros(x.len());
    landscape.value(x);
    landscape.linearise(x, &mut gradient, &mut room_for(x.len()));
    for i in 0..x.len() {
        let h = 1e-6;
        let moved = |by: f64| {
            let mut moved = x.to_vec();
            moved[i] += by;
            moved
        };
        let levels = |by: f64| {
            let section = objective::sections(shapes, &moved(by)).nth(i / 3).unwrap();
            cascade::levels_db(&[section], RATE_HZ, &grid())
        };
        let passes_zero = |(a, b): (&f64, &f64)| (*a >= 0.0) != (*b >= 0.0);
        if levels(-h).iter().zip(&levels(h)).any(passes_zero) {
            continue;
        }
        let slope = (landscape.value(&moved(h)) - landscape.value(&moved(-h))) / (2.0 * h);
        let near = (gradient[i] - slope).abs() <= share * slope.abs().max(1.0);
        prop_assert!(near, "{i}: {} {slope}", gradient[i]);
    }
    Ok(())
}

/// Three derivatives of the level at all points, by the kernel, with the weights 1.
fn derivatives(points: &Points, section: &Section) -> [Vec<f64>; 3] {
    let mut columns = [(); 3].map(|()| vec![0.0; points.padded_len()]);
    let [by_f0, by_gain, by_q] = &mut columns;
    pulp::Arch::new().dispatch(Derivatives {
        points,
        ratio: &Ratio::new(section, RATE_HZ),
        weight: &vec![1.0; points.padded_len()],
        columns: [by_f0, by_gain, by_q],
    });
    columns
}

/// What all kernels say of some sections, to the bit.
struct Everything<'a>(&'a [Section]);

impl WithSimd for Everything<'_> {
    type Output = Vec<u64>;

    fn with_simd<S: pulp::Simd>(self, simd: S) -> Vec<u64> {
        let points = Points::new(&grid(), RATE_HZ);
        let n = points.padded_len();
        let ratios: Vec<Ratio> = self.0.iter().map(|s| Ratio::new(s, RATE_HZ)).collect();
        let sign = |k: usize| [Sign::Boost, Sign::Cut, Sign::Mixed][k % 3];
        let signs: Vec<Sign> = (0..ratios.len()).map(sign).collect();
        let [mut boost_db, mut cut_db, mut level_db] = [(); 3].map(|()| vec![0.0; n]);
        let shapes: Vec<Shape> = self.0.iter().map(|s| s.shape).collect();
        let x = variables(self.0);
        let mut groups = vec![SectionGroup::default(); shapes.len().div_ceil(LANES)];
        let of_groups = shapes.chunks(LANES).zip(x.chunks(OF_EIGHT));
        let of_groups = of_groups.zip(signs.chunks(LANES)).zip(&mut groups);
        for (((shapes, x), signs), grouped) in of_groups {
            simd.vectorize(FillGroup {
                shapes,
                x,
                signs,
                rate_hz: RATE_HZ,
                grouped,
            });
        }
        simd.vectorize(Levels {
            points: &points,
            groups: &groups,
            boost_db: &mut boost_db,
            cut_db: &mut cut_db,
        });
        simd.vectorize(OneLevel {
            points: &points,
            ratio: &ratios[0],
            level_db: &mut level_db,
        });
        let weight = padded((0..479).map(|i| 0.3 + f64::from(i) / 1000.0), 1e-30);
        // Three columns a section, and empty ones up to a whole tile.
        let count = (3 * ratios.len()).next_multiple_of(TILE);
        let mut columns = vec![0.0; count * n];
        for (ratio, columns) in ratios.iter().zip(columns.chunks_exact_mut(3 * n)) {
            let (by_f0, rest) = columns.split_at_mut(n);
            let (by_gain, by_q) = rest.split_at_mut(n);
            simd.vectorize(Derivatives {
                points: &points,
                ratio,
                weight: &weight,
                columns: [by_f0, by_gain, by_q],
            });
        }
        let mut products = vec![0.0; count * count];
        simd.vectorize(Products {
            columns: &columns.chunks_exact(n).collect::<Vec<_>>(),
            products: &mut products,
        });
        let width = (3 * ratios.len()).div_ceil(LANES);
        let stride = width * LANES;
        let mut rows = vec![0.0; n * stride + OF_EIGHT];
        let mut sums = Vec::new();
        for (group, grouped) in groups.iter().enumerate().rev() {
            let found = simd.vectorize(Rows {
                points: &points,
                grouped,
                weight: &weight,
                pulls: [&boost_db, &cut_db],
                rows: &mut rows,
                stride,
                first: OF_EIGHT * group,
            });
            sums.extend([found.gradient, found.level].as_flattened().as_flattened());
        }
        rows.truncate(n * stride);
        let mut square = vec![[0.0; LANES]; width * stride];
        simd.vectorize(Square {
            rows: rows.as_chunks().0,
            width,
            product: &mut square,
        });
        let square = square.as_flattened().to_vec();
        let numbers = [
            boost_db, cut_db, level_db, columns, products, sums, rows, square,
        ];
        let numbers = numbers.concat();
        numbers.into_iter().map(f64::to_bits).collect()
    }
}

fn value(objective: &Objective, sections: &[Section]) -> f64 {
    let shapes: Vec<Shape> = sections.iter().map(|s| s.shape).collect();
    let mut room = Workspace::default();
    Placed::new(objective, &shapes, &[], &[], &mut room).value(&variables(sections))
}

#[test]
fn points_are_taken_as_one_twice_as_many_where_what_is_wanted_is_straight() {
    let thinning = Thinning {
        points: 3,
        points_where_straight: 6,
    };
    let points = |wanted: &dyn Fn(f64) -> f64| {
        let wanted_db: Vec<f64> = (0..480).map(|i| wanted(f64::from(i))).collect();
        let frequency_hz: Vec<f64> = (0..480)
            .map(|i| 20.0 * 2f64.powf(f64::from(i) / 48.0))
            .collect();
        Objective::new(&frequency_hz, &[1.0; 480], &wanted_db, RATE_HZ, 0.0)
            .thinned(thinning, &[])
            .points()
    };
    assert_eq!(points(&|i| 0.1 * i), 80);
    assert_eq!(points(&|i| 0.1 * (2.0 * i).sin()), 160);
    // A kink at the middle: both cells about it stay short.
    let kinked = points(&|i| 0.5 * (i - 240.0).abs());
    assert!((81..=83).contains(&kinked), "{kinked}");
    // Ripple above the middle only.
    let half = points(&|i| if i < 240.0 { 0.1 * i } else { (2.0 * i).sin() });
    assert!((119..=122).contains(&half), "{half}");
}

#[test]
fn the_vector_logarithm_holds_over_all_exponents() {
    let mantissas = [
        1.0,
        1.0 + f64::EPSILON,
        1.2,
        std::f64::consts::SQRT_2,
        std::f64::consts::SQRT_2 - f64::EPSILON,
        1.7,
        2.0 - f64::EPSILON,
    ];
    for exponent in -1022..=1023 {
        for mantissa in mantissas {
            let x: f64 = mantissa * f64::powi(2.0, exponent);
            assert!(x.is_normal());
            let theirs = x.ln();
            let allowed = 1e-15 * theirs.abs().max(1e-3);
            // The same quotient of two numbers half as far from 1.
            let half = f64::powi(2.0, exponent / 2);
            for (num, den) in [(x, 1.0), (x / half, half.recip())] {
                let ours = lanes::ln_of_quotient(num, den);
                assert!((ours - theirs).abs() <= allowed, "{x:e}: {ours} {theirs}");
            }
        }
    }
}

proptest! {
    #[test]
    fn the_vector_logarithm_is_the_logarithm(x in -300f64..300.0, near in 0.5f64..2.0) {
        for x in [10f64.powf(x), near] {
            let ours = lanes::ln_of_quotient(x, 1.0);
            prop_assert!((ours - x.ln()).abs() <= 4e-16 * x.ln().abs().max(1e-3), "{x}: {ours} {}", x.ln());
        }
    }

    #[test]
    fn the_vector_exponential_is_the_exponential(x in -700f64..700.0, near in -1f64..1.0) {
        for x in [x, near] {
            let ours = lanes::exp(x);
            prop_assert!((ours / x.exp() - 1.0).abs() <= 4e-16, "{x}: {ours} {}", x.exp());
        }
    }

    #[test]
    fn the_vector_sine_is_the_sine(x in 0f64..std::f64::consts::FRAC_PI_2, near in -12f64..0.0) {
        for x in [x, 10f64.powf(near)] {
            let ours = lanes::sin_in_quarter(x);
            prop_assert!((ours / x.sin() - 1.0).abs() <= 4e-16, "{x}: {ours} {}", x.sin());
        }
    }

    #[test]
    fn the_objective_is_its_definition((sections, weight, wanted, economy) in problem()) {
        prop_assume!(weight.iter().any(|w| *w > 0.0));
        let objective = Objective::new(&grid(), &weight, &wanted, RATE_HZ, economy);
        let shapes: Vec<Shape> = sections.iter().map(|s| s.shape).collect();
        let x = variables(&sections);
        let (lower, upper) = (vec![-1e9; x.len()], vec![1e9; x.len()]);
        let mut room = Workspace::default();
        let ours = Placed::new(&objective, &shapes, &lower, &upper, &mut room).value(&x);
        let theirs = plain(&sections, &weight, &wanted, economy);
        prop_assert!((ours - theirs).abs() <= 1e-9 * theirs, "{ours} {theirs}");
    }

    #[test]
    fn the_gradient_is_the_slope_of_the_objective((sections, weight, wanted, economy) in problem()) {
        prop_assume!(weight.iter().any(|w| *w > 0.0));
        let objective = Objective::new(&grid(), &weight, &wanted, RATE_HZ, economy);
        let shapes: Vec<Shape> = sections.iter().map(|s| s.shape).collect();
        let mut room = Workspace::default();
        let mut placed = Placed::new(&objective, &shapes, &[], &[], &mut room);
        check_gradient(&mut placed, &shapes, &variables(&sections))?;
    }

    #[test]
    fn what_exceeds_ceilings_is_its_definition_and_its_gradient_the_slope(
        (mut sections, weight, wanted, _) in problem(),
        heard in prop::collection::vec(0.01f64..1.0, 479),
        most_loss_db in prop::sample::select(vec![f64::INFINITY, -3.0, 0.5, 4.0]),
        most_gain_db in prop::sample::select(vec![f64::INFINITY, -3.0, 1.0]),
        slope in prop::collection::vec(-0.02f64..0.05, 479),
        most_sum_db in prop::sample::select(vec![f64::INFINITY, -2.0, 1.0]),
    ) {
        prop_assume!(weight.iter().any(|w| *w > 0.0));
        let economy = 0.001;
        // Of few sections, J is small enough for differences to show its slope.
        sections.truncate(3);
        let free = Objective::new(&grid(), &weight, &wanted, RATE_HZ, economy);
        let ceilings = Ceilings {
            frequency_hz: grid(),
            heard: heard.clone(),
            most_loss_db,
            most_gain_db,
            lines: vec![Line {
                bands_hz: bands_around(&grid()),
                slope: slope.clone(),
                most_db: most_sum_db,
            }],
        };
        let below = free.clone().below(Some(&ceilings));
        // The definition, point by point; the points are as far apart as each other.
        let levels_db = cascade::levels_db(&sections, RATE_HZ, &grid());
        let power = |level_db: &dyn Fn(usize) -> f64| -> f64 {
            (0..479).map(|i| heard[i] * 10f64.powf(level_db(i) / 10.0)).sum()
        };
        let heard_db = 10.0 * (power(&|i| levels_db[i]) / power(&|_| 0.0)).log10();
        let octaves = (grid()[478] / grid()[0]).log2() / 479.0;
        let line_db = heard_db + most_loss_db;
        let over = |db: &f64| (db - line_db).max(0.0).powi(2) + (db - most_gain_db).max(0.0).powi(2);
        let at_points: f64 = levels_db.iter().map(over).sum();
        let sum_db: f64 = levels_db.iter().zip(&slope).map(|(db, slope)| db * slope).sum();
        let over_sum = (sum_db - most_sum_db).max(0.0);
        let excess = 30.0 * (octaves * at_points + (-line_db).max(0.0).powi(2) + over_sum.powi(2));
        let found = value(&below, &sections) - value(&free, &sections);
        prop_assert!((found - excess).abs() <= 1e-7 * excess.max(1.0), "{found} {excess}");
        let shapes: Vec<Shape> = sections.iter().map(|s| s.shape).collect();
        let mut room = Workspace::default();
        let mut placed = Placed::new(&below, &shapes, &[], &[], &mut room);
        // Where a point passes a ceiling within the difference, the slope bends.
        check_gradient_to(2e-4, &mut placed, &shapes, &variables(&sections))?;
    }

    #[test]
    fn the_gradient_of_both_sides_is_the_slope_of_their_objective(
        (left, weight, wanted, economy) in problem(),
        right in prop::collection::vec(section(), 0..12),
        apart_db in -3.0..3.0,
    ) {
        prop_assume!(weight.iter().any(|w| *w > 0.0));
        let objective = |by_db: f64| {
            let wanted: Vec<f64> = wanted.iter().map(|db| db + by_db).collect();
            Objective::with_level(Level::Fixed, &grid(), &weight, &wanted, RATE_HZ, economy)
        };
        let objectives = [objective(0.0), objective(apart_db)];
        let shapes = [&left, &right].map(|s| s.iter().map(|s| s.shape).collect::<Vec<_>>());
        let mut rooms = [Workspace::default(), Workspace::default()];
        let [left_room, right_room] = &mut rooms;
        let sides = [
            Placed::new(&objectives[0], &shapes[0], &[], &[], left_room),
            Placed::new(&objectives[1], &shapes[1], &[], &[], right_room),
        ];
        let x = variables(&[&left[..], &right].concat());
        let mut together = Together::new(sides, 3 * left.len(), Vec::new(), Vec::new());
        check_gradient(&mut together, &shapes.concat(), &x)?;
    }

    #[test]
    fn the_curvature_is_made_of_products_of_slopes((sections, weight, wanted, economy) in problem()) {
        prop_assume!(weight.iter().any(|w| *w > 0.0));
        let objective = Objective::new(&grid(), &weight, &wanted, RATE_HZ, economy);
        let shapes: Vec<Shape> = sections.iter().map(|s| s.shape).collect();
        let x = variables(&sections);
        let mut room = Workspace::default();
        let mut curvature = room_for(x.len());
        Placed::new(&objective, &shapes, &[], &[], &mut room).linearise(
            &x,
            &mut DVector::zeros(x.len()),
            &mut curvature,
        );
        let points = Points::new(&grid(), RATE_HZ);
        let slopes: Vec<Vec<f64>> = sections.iter().flat_map(|s| derivatives(&points, s)).collect();
        let total: f64 = weight.iter().map(|w| w * w).sum();
        let mean = |of: &dyn Fn(usize) -> f64| -> f64 {
            weight.iter().enumerate().map(|(i, w)| w * w * of(i)).sum::<f64>() / total
        };
        let alone: Vec<f64> = slopes.iter().map(|a| mean(&|i| a[i])).collect();
        // A slope is the difference of two terms of up to 20 dB, so rounding leaves some 1e-14 dB of it
        // even where it is 0: the frequency of a section of 0 dB.
        let size: Vec<f64> = slopes.iter().map(|a| mean(&|i| a[i] * a[i]).sqrt() + 1e-2).collect();
        for (k, a) in slopes.iter().enumerate() {
            for (l, b) in slopes.iter().enumerate().take(k + 1) {
                let together = mean(&|i| a[i] * b[i]);
                let opposed = (sections[k / 3].gain_db >= 0.0) != (sections[l / 3].gain_db >= 0.0);
                let price = if opposed { economy } else { 0.0 };
                let theirs = (2.0 - price) * together - 2.0 * alone[k] * alone[l];
                let allowed = 1e-11 * size[k] * size[l];
                let ours = curvature[(k, l)];
                prop_assert!((ours - theirs).abs() <= allowed, "{k} {l}: {ours} {theirs}");
            }
        }
    }

    #[test]
    fn with_a_fixed_level_nothing_is_taken_off(
        (sections, weight, wanted, economy) in problem(),
        above_db in -20f64..20.0,
        points in 1usize..20,
        longer in 1usize..3,
    ) {
        prop_assume!(weight.iter().any(|w| *w > 0.0));
        let of = |level, wanted: &[f64]| {
            Objective::with_level(level, &grid(), &weight, wanted, RATE_HZ, economy)
        };
        let shapes: Vec<Shape> = sections.iter().map(|s| s.shape).collect();
        let x = variables(&sections);
        let wanted: Vec<f64> = wanted.iter().map(|d| d + above_db).collect();
        // The plain formula is level-free; a fixed level costs the mean's square more.
        let total: f64 = weight.iter().map(|w| w * w).sum();
        let errors = grid().into_iter().zip(&wanted).map(|(f, d)| cascade::level_db(&sections, RATE_HZ, f) - d);
        let mean: f64 = errors.zip(&weight).map(|(e, w)| w * w * e).sum::<f64>() / total;
        let theirs = plain(&sections, &weight, &wanted, economy) + mean * mean;
        let objective = of(Level::Fixed, &wanted);
        let ours = value(&objective, &sections);
        prop_assert!((ours - theirs).abs() <= 1e-9 * theirs, "{ours} {theirs}");

        let linear = |objective: &Objective| {
            let mut room = Workspace::default();
            let mut placed = Placed::new(objective, &shapes, &[], &[], &mut room);
            let mut gradient = DVector::zeros(x.len());
            let mut curvature = room_for(x.len());
            placed.linearise(&x, &mut gradient, &mut curvature);
            (gradient, curvature)
        };
        let (gradient, curvature) = linear(&objective);
        let (free_gradient, free_curvature) = linear(&of(Level::Free, &wanted));
        // The slopes of the mean, by central differences of fourth order.
        let mean_at = |x: &[f64]| {
            let sections: Vec<Section> = objective::sections(&shapes, x).collect();
            let levels = cascade::levels_db(&sections, RATE_HZ, &grid());
            levels.iter().zip(&weight).map(|(g, w)| w * w * g).sum::<f64>() / total
        };
        let slope = |i: usize| {
            let h = 1e-4;
            let moved = |by: f64| {
                let mut moved = x.clone();
                moved[i] += by;
                mean_at(&moved)
            };
            (8.0 * (moved(h) - moved(-h)) - (moved(2.0 * h) - moved(-2.0 * h))) / (12.0 * h)
        };
        let slopes: Vec<f64> = (0..x.len()).map(slope).collect();
        for i in 0..x.len() {
            let theirs = free_gradient[i] + 2.0 * mean * slopes[i];
            prop_assert!((gradient[i] - theirs).abs() <= 1e-5 * theirs.abs().max(1.0), "{i}: {} {theirs}", gradient[i]);
            for j in 0..=i {
                let theirs = free_curvature[(i, j)] + 2.0 * slopes[i] * slopes[j];
                prop_assert!((curvature[(i, j)] - theirs).abs() <= 1e-5 * theirs.abs().max(1.0));
            }
        }

        // Thinned near sections that are wanted exactly, at a level, J is that level's square.
        let thinning = Thinning { points, points_where_straight: longer * points };
        let met: Vec<f64> = cascade::levels_db(&sections, RATE_HZ, &grid()).iter().map(|g| g - above_db).collect();
        let thinned = Objective::with_level(Level::Fixed, &grid(), &weight, &met, RATE_HZ, 0.0).thinned(thinning, &sections);
        let j = value(&thinned, &sections);
        prop_assert!((j - above_db * above_db).abs() <= 1e-9 * j.max(1e-3), "{j} {above_db}");
    }

    #[test]
    fn a_section_and_its_derivatives_are_the_cookbooks(section in section()) {
        let points = Points::new(&grid(), RATE_HZ);
        let columns = derivatives(&points, &section);
        let x = SVector::from([section.f0_hz.ln(), section.gain_db, section.q.ln()]);
        let mut level_db = vec![0.0; points.padded_len()];
        pulp::Arch::new().dispatch(OneLevel {
            points: &points,
            ratio: &Ratio::new(&section, RATE_HZ),
            level_db: &mut level_db,
        });
        for (i, f_hz) in grid().into_iter().enumerate() {
            let of = |x: SVector<DualSVec64<3>, 3>| cookbook_db(section.shape, [x[0], x[1], x[2]], f_hz);
            let (level, slopes) = gradient(of, &x);
            prop_assert!((level_db[i] - level).abs() <= 1e-9, "{f_hz}: {} {level}", level_db[i]);
            // ln f0 is known to its rounding only, and near the top of a narrow peak the slope grows by thousands a unit of it.
            let h = 1e-6;
            let (_, moved) = gradient(of, &(x + SVector::from([h, 0.0, 0.0])));
            for ((column, slope), moved) in columns.iter().zip(slopes.iter()).zip(moved.iter()) {
                let growth = (moved - slope).abs() / h;
                let allowed = 1e-9 * slope.abs().max(1e-3) + 1e-14 * growth;
                prop_assert!((column[i] - slope).abs() <= allowed, "{f_hz}: {} {slope}", column[i]);
            }
        }
    }

    #[test]
    fn weights_count_as_ratios_only((sections, weight, wanted, economy) in problem(), power in -300f64..300.0) {
        prop_assume!(weight.iter().any(|w| *w > 0.0));
        let j = value(&Objective::new(&grid(), &weight, &wanted, RATE_HZ, economy), &sections);
        let scaled: Vec<f64> = weight.iter().map(|w| w * 10f64.powf(power)).collect();
        let other = value(&Objective::new(&grid(), &scaled, &wanted, RATE_HZ, economy), &sections);
        prop_assert!((j - other).abs() <= 1e-12 * j, "{j} {other} at 1e{power}");
    }

    #[test]
    fn a_thinned_objective_knows_the_sections_of_its_reference(
        (sections, weight, _, _) in problem(),
        points in 1usize..20,
        longer in 1usize..3,
    ) {
        prop_assume!(weight.iter().any(|w| *w > 0.0));
        let wanted = cascade::levels_db(&sections, RATE_HZ, &grid());
        let thinning = Thinning { points, points_where_straight: longer * points };
        let thinned = Objective::new(&grid(), &weight, &wanted, RATE_HZ, 0.0).thinned(thinning, &sections);
        prop_assert!(thinned.points() <= 479usize.div_ceil(points));
        let j = value(&thinned, &sections);
        prop_assert!(j <= 1e-18, "{j:e} with {} sections, {thinning:?}", sections.len());
    }

    #[test]
    fn every_instruction_set_gives_the_same_bits(sections in prop::collection::vec(section(), 1..40)) {
        let best = pulp::Arch::new().dispatch(Everything(&sections));
        let plain = pulp::Scalar.vectorize(Everything(&sections));
        prop_assert!(best == plain);
        #[cfg(target_arch = "x86_64")]
        if let Some(middle) = pulp::x86::V3::try_new() {
            prop_assert!(Simd::vectorize(middle, Everything(&sections)) == plain);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn the_gradient_is_what_dual_numbers_give(
        sections in prop::collection::vec(section(), 4),
        weight in prop::collection::vec(0f64..1.0, 479),
        wanted in prop::collection::vec(-10f64..10.0, 479),
        economy in prop::sample::select(vec![0.0, 0.001, 0.1]),
    ) {
        let shapes: Vec<Shape> = sections.iter().map(|s| s.shape).collect();
        let x = variables(&sections);
        let of = |x: SVector<DualSVec64<12>, 12>| {
            cookbook_objective(&shapes, x.as_slice(), &weight, &wanted, economy)
        };
        let (value, slopes) = gradient(of, &SVector::from_column_slice(&x));
        let objective = Objective::new(&grid(), &weight, &wanted, RATE_HZ, economy);
        let mut room = Workspace::default();
        let mut placed = Placed::new(&objective, &shapes, &[], &[], &mut room);
        let ours = placed.value(&x);
        prop_assert!((ours - value).abs() <= 1e-9 * value, "{ours} {value}");
        let mut found = DVector::zeros(12);
        placed.linearise(&x, &mut found, &mut room_for(12));
        for (found, slope) in found.iter().zip(slopes.iter()) {
            prop_assert!((found - slope).abs() <= 1e-9 * slope.abs().max(1e-3), "{found} {slope}");
        }
    }
}
