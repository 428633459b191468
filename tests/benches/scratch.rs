use bandwright::filter::*;
use bandwright::fit::objective::*;
use bandwright::fit::solver::*;
use nalgebra::*;
use std::time::Instant;
fn main() {
    let grid: Vec<f64> = (0..479).map(|i| 20.0 * 2f64.powf(f64::from(i) / 48.0)).collect();
    let wanted: Vec<f64> = grid.iter().map(|f| 3.0 * (f.ln() * 2.0).sin() + 2.0 * (f.ln() * 5.0).cos()).collect();
    for n in [5usize, 8, 10, 20] {
        for thin in [1, 3, 4] {
            for economy in [0.0, 0.001] {
                let o = Objective::new(&grid, &vec![1.0; 479], &wanted, 48000.0, economy);
                let o = if thin > 1 { o.thinned(thin) } else { o };
                let shapes: Vec<Shape> = (0..n).map(|k| if k == 0 { Shape::LowShelf } else if k == n - 1 { Shape::HighShelf } else { Shape::Peaking }).collect();
                let x: Vec<f64> = (0..n).flat_map(|k| [(50.0 * 2f64.powf(8.0 * k as f64 / (n - 1) as f64)).ln(), if k % 2 == 0 { 3.0 } else { -3.0 }, if k==0||k==n-1 {0.7f64.ln()} else {1.5f64.ln()}]).collect();
                let (lo, hi): (Vec<f64>, Vec<f64>) = (0..n).flat_map(|k| if k==0||k==n-1 {[(20f64.ln(), 20000f64.ln()), (-12.0, 12.0), (0.4f64.ln(), 1.2f64.ln())]} else {[(20f64.ln(), 20000f64.ln()), (-12.0, 12.0), (0.3f64.ln(), 8f64.ln())]}).unzip();
                let mut room = Workspace::default();
                let mut p = Placed::new(&o, &shapes, &lo, &hi, &mut room);
                let mut g = DVector::zeros(3 * n);
                let mut h = DMatrix::zeros(3 * n, 3 * n);
                let reps = 3000;
                let t = Instant::now();
                let mut s = 0.0;
                for _ in 0..reps { s += p.value(&x); }
                let tv = t.elapsed().as_secs_f64() / reps as f64 * 1e6;
                let t = Instant::now();
                for _ in 0..reps { p.linearise(&x, &mut g, &mut h); }
                let tl = t.elapsed().as_secs_f64() / reps as f64 * 1e6;
                let mut step = Step::new(3 * n);
                let t = Instant::now();
                for _ in 0..reps { step.solve(&x, &g, &h, 0.01, &lo, &hi); }
                let ts = t.elapsed().as_secs_f64() / reps as f64 * 1e6;
                let t = Instant::now();
                let sol = minimise(&mut p, x.clone(), &Stopping { iterations: 300, relative_fall: 1e-4, value: 1e-12 });
                let tm = t.elapsed().as_secs_f64() * 1e6;
                println!("N {n} thin {thin} eco {economy}: value {tv:.2} us, linearise {tl:.2} us, step {ts:.2} us, polish {tm:.0} us in {} its ({:?}) rms {:.4} {}", sol.iterations, sol.stop, sol.value.sqrt(), s.is_nan());
            }
        }
    }
}
