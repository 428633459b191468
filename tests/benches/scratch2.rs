#[path = "../support/corpus.rs"]
mod corpus;
#[path = "../support/planted.rs"]
mod planted;
use bandwright::fit::objective::*;
use bandwright::fit::reach::*;
use bandwright::fit::space::*;
use std::collections::BTreeMap;
fn cpu() -> f64 {
    cpu_time::ThreadTime::now().as_duration().as_secs_f64() * 1e3
}
fn main() {
    let args: Vec<String> = std::env::args().collect();
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
    if args[1] == "planted" {
        let step: usize = args[2].parse().unwrap();
        let mut bad = [0; 3];
        let mut n = 0;
        let t = cpu();
        for case in planted::cases(400, &[3, 5, 8, 10]) {
            if case.index / 4 % step != 0 {
                continue;
            }
            n += 1;
            let f = pool.install(|| planted::recover(&case, effort));
            if f.rms_db >= 0.005 {
                bad[0] += 1;
                if args.len() > 4 {
                    println!(
                        "{} {} {:.4} {}/{}",
                        f.index,
                        f.sections,
                        f.rms_db,
                        f.answer.reach.agreeing,
                        f.answer.reach.searches
                    );
                }
            }
            if f.rms_db >= 0.05 {
                bad[1] += 1;
            }
        }
        println!(
            "planted {n} {effort:?}: {} >= 0.005, {} >= 0.05, {:.0} ms each",
            bad[0],
            bad[1],
            (cpu() - t) / n as f64
        );
        return;
    }
    let ns: Vec<usize> = args[1].split(',').map(|t| t.parse().unwrap()).collect();
    let economy: f64 = args[2].parse().unwrap();
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
        let mut results: Vec<(String, f64, f64)> = vec![];
        let mut agree = 0.0;
        let seeds: usize = std::env::var("SEEDS")
            .ok()
            .and_then(|s| s.parse().ok())
            .unwrap_or(1);
        for seed in 0..seeds {
            for case in corpus::cases() {
                let t = cpu();
                let full = Objective::new(&grid, &case.weight, &case.wanted_db, 48000.0, economy);
                let out = pool.install(|| reach(&full, &space, effort, seed as u64));
                let last = out.levels.last().unwrap();
                agree += out.agreeing as f64 / out.searches.max(1) as f64 / 72.0 / seeds as f64;
                results.push((case.name.clone(), last.answer.value, cpu() - t));
            }
        }
        let mut improved = 0;
        let old: BTreeMap<String, f64> = std::fs::read_to_string(&file)
            .unwrap_or_default()
            .lines()
            .map(|l| {
                let (a, b) = l.split_once(' ').unwrap();
                (a.to_owned(), b.parse().unwrap())
            })
            .collect();
        for (k, v) in old {
            let b = best.entry(k).or_insert(f64::INFINITY);
            *b = b.min(v);
        }
        for (name, v, _) in &results {
            let b = best.entry(name.clone()).or_insert(f64::INFINITY);
            if *v < *b * 0.999 && *b > 1e-4 {
                improved += 1;
            }
            *b = b.min(*v);
        }
        std::fs::write(
            &file,
            best.iter()
                .map(|(a, b)| format!("{a} {b:e}\n"))
                .collect::<String>(),
        )
        .unwrap();
        let mut line =
            format!("N {n} eco {economy} {effort:?} agree {agree:.2} improved {improved}");
        for family in ["", "earphone", "equaliser", "ear-"] {
            let mut c = [0; 3];
            let mut ratio = vec![];
            let mut ms = vec![];
            for (name, v, t) in &results {
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
            let gm = (ratio.iter().map(|r| r.ln()).sum::<f64>() / ratio.len() as f64).exp();
            line += &format!(
                " | {family} {:.0}/{:.0} w{:.2} gm {gm:.4}",
                100.0 * c[1] as f64 / c[0] as f64,
                100.0 * c[2] as f64 / c[0] as f64,
                ratio.last().unwrap()
            );
            if family.is_empty() {
                ms.sort_by(f64::total_cmp);
                line += &format!(" {:.0}ms", ms.iter().sum::<f64>() / ms.len() as f64);
            }
        }
        println!("{line}");
    }
}
