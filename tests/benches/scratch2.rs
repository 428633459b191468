#[path = "../support/corpus.rs"]
mod corpus;
use bandwright::fit::objective::*;
use bandwright::fit::reach::*;
use bandwright::fit::space::*;
use std::collections::BTreeMap;
fn cpu() -> f64 {
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .unwrap()
        .split(' ')
        .next()
        .unwrap()
        .parse::<f64>()
        .unwrap()
        * 1e-6
}
fn main() {
    let args: Vec<String> = std::env::args().collect();
    let ns: Vec<usize> = args[1].split(',').map(|t| t.parse().unwrap()).collect();
    let economy: f64 = args[2].parse().unwrap();
    let effort = match args[3].as_str() {
        "quick" => Effort::Quick,
        "normal" => Effort::Normal,
        _ => Effort::Deep,
    };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .use_current_thread()
        .build()
        .unwrap();
    let _ = pool;
    let grid = corpus::grid();
    for &n in &ns {
        let r = |q0: f64, q1: f64| Ranges {
            f0_hz: 20.0..=20000.0,
            gain_db: -12.0..=12.0,
            q: q0..=q1,
        };
        let space = Space {
            sections: n,
            most: [1, n - 2, 1],
            ranges: [r(0.4, 1.2), r(0.3, 8.0), r(0.4, 1.2)],
        };
        let file = format!("/tmp/best_{n}_{economy}.txt");
        let mut best: BTreeMap<String, f64> = std::fs::read_to_string(&file)
            .unwrap_or_default()
            .lines()
            .map(|l| {
                let (a, b) = l.split_once(' ').unwrap();
                (a.to_owned(), b.parse().unwrap())
            })
            .collect();
        let mut results: Vec<(String, f64, f64, f64)> = vec![];
        for case in corpus::cases() {
            let t = cpu();
            let full = Objective::new(&grid, &case.weight, &case.wanted_db, 48000.0, economy);
            let out = pool.install(|| reach(&full, &space, effort));
            let last = out.levels.last().unwrap();
            let b = best.entry(case.name.clone()).or_insert(f64::INFINITY);
            *b = b.min(last.answer.value);
            results.push((
                case.name.clone(),
                last.answer.value,
                cpu() - t,
                out.agreeing as f64 / out.searches as f64,
            ));
        }
        std::fs::write(
            &file,
            best.iter()
                .map(|(a, b)| format!("{a} {b:e}\n"))
                .collect::<String>(),
        )
        .unwrap();
        let mut line = format!("N {n} eco {economy} {effort:?}");
        for family in ["", "earphone", "equaliser", "ear-"] {
            let mut c = [0; 3];
            let mut ratio = vec![];
            let mut ms = vec![];
            for (name, v, t, _) in &results {
                if !name.starts_with(family) {
                    continue;
                }
                let f = |v: f64| v.sqrt().max(0.01);
                let q = f(*v) / f(best[name]);
                ratio.push(q);
                ms.push(*t);
                c[0] += 1;
                if q <= 1.01 {
                    c[1] += 1;
                }
                if q <= 1.05 {
                    c[2] += 1;
                }
            }
            ratio.sort_by(f64::total_cmp);
            ms.sort_by(f64::total_cmp);
            line += &format!(
                " | {family} {:.0}/{:.0} w{:.2} {:.1}ms max {:.1}",
                100.0 * c[1] as f64 / c[0] as f64,
                100.0 * c[2] as f64 / c[0] as f64,
                ratio.last().unwrap(),
                ms[ms.len() / 2],
                ms.last().unwrap()
            );
        }
        println!("{line}");
    }
}
