//! The fast kernels against the plain formulas.
use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::lanes;
use bandwright::fit::objective::{self, Objective, Placed, Workspace};
use bandwright::fit::solver::Landscape;
use nalgebra::{DMatrix, DVector};
use proptest::prelude::*;

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
        .map(|(f, d)| cascade::level_db(sections, 48000.0, *f) - d)
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
                .map(|s| cascade::level_db(&[*s], 48000.0, *f))
                .collect();
            let p: f64 = levels.iter().map(|g| g.max(0.0)).sum();
            let m: f64 = levels.iter().map(|g| -g.min(0.0)).sum();
            p * m
        })
        .sum();
    residual + economy * opposed / 479.0
}

proptest! {
    #[test]
    fn the_vector_logarithm_is_the_logarithm(x in -300f64..300.0, near in 0.5f64..2.0) {
        for x in [10f64.powf(x), near] {
            let ours = lanes::ln(x);
            prop_assert!((ours - x.ln()).abs() <= 4e-16 * x.ln().abs().max(1e-3), "{x}: {ours} {}", x.ln());
        }
    }

    #[test]
    fn the_objective_is_its_definition((sections, weight, wanted, economy) in problem()) {
        prop_assume!(weight.iter().any(|w| *w > 0.0));
        let objective = Objective::new(&grid(), &weight, &wanted, 48000.0, economy);
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
        let objective = Objective::new(&grid(), &weight, &wanted, 48000.0, economy);
        let shapes: Vec<Shape> = sections.iter().map(|s| s.shape).collect();
        let x = variables(&sections);
        let (lower, upper) = (vec![-1e9; x.len()], vec![1e9; x.len()]);
        let mut room = Workspace::default();
        let mut placed = Placed::new(&objective, &shapes, &lower, &upper, &mut room);
        let mut gradient = DVector::zeros(x.len());
        let mut curvature = DMatrix::zeros(x.len(), x.len());
        placed.linearise(&x, &mut gradient, &mut curvature);
        for i in 0..x.len() {
            let h = 1e-6;
            let mut moved = x.clone();
            moved[i] = x[i] + h;
            let above = placed.value(&moved);
            moved[i] = x[i] - h;
            let below = placed.value(&moved);
            // The economy term has a kink where an overshooting shelf passes 0 dB at a point.
            let levels = |by: f64| {
                let mut moved = x.clone();
                moved[i] += by;
                let section = objective::sections(&shapes, &moved).nth(i / 3).unwrap();
                cascade::levels_db(&[section], 48000.0, &grid())
            };
            let passes_zero = |(a, b): (&f64, &f64)| (*a >= 0.0) != (*b >= 0.0);
            if levels(-h).iter().zip(&levels(h)).any(passes_zero) {
                continue;
            }
            let slope = (above - below) / (2.0 * h);
            prop_assert!((gradient[i] - slope).abs() <= 1e-5 * slope.abs().max(1.0), "{i}: {} {slope}", gradient[i]);
        }
    }
}
