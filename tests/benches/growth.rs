//! How the cost of a fit grows with points and sections: CPU time on one core.
//!
//! A whole fit at normal effort, whose budget is counted in work and so bounds its time, and one
//! descent to the bottom from a greedy seed without any descent on the way, which nothing bounds.
//! Earphone-like curves of the corpus, no economy; exponents are slopes in the logarithms, least
//! squares over the whole table.

#[path = "../support/mod.rs"]
mod support;

use bandwright::fit::Effort;
use bandwright::fit::objective::{Objective, Placed, Workspace};
use bandwright::fit::random::Random;
use bandwright::fit::search::pricing::Surroundings;
use bandwright::fit::search::table::Table;
use bandwright::fit::search::{Candidate, Search};
use bandwright::fit::solver::Stopping;
use bandwright::limits::ShapeCounts;
use nalgebra::{Matrix3, Vector3};
use rivals::{OneCore, Problem, RATE_HZ, median};
use support::{corpus, rivals};

const POINTS: [usize; 3] = [120, 479, 2000];
const SECTIONS: [usize; 6] = [3, 5, 8, 12, 16, 20];
const CASES: usize = 5;
const TO_THE_BOTTOM: Stopping = Stopping {
    iterations: 300,
    relative_fall: 1e-7,
    value: 1e-12,
};

/// A number of points, a number of sections, and the time they took, ms.
type Cost = (usize, usize, f64);

fn main() {
    let core = OneCore::new();
    let cases: Vec<corpus::Case> = corpus::cases().into_iter().take(CASES).collect();
    let (mut fits, mut polishes, mut evaluations) = (Vec::new(), Vec::new(), Vec::new());
    println!("| points | sections | fit at normal, ms | polish, ms | its evaluations | us each |");
    println!("| --- | --- | --- | --- | --- | --- |");
    for points in POINTS {
        for sections in SECTIONS {
            let problems: Vec<Problem> = cases
                .iter()
                .map(|case| problem(case, points, sections))
                .collect();
            let fit_ms = median(
                problems
                    .iter()
                    .map(|problem| core.timed(|| problem.fit(Effort::Normal)).1)
                    .collect(),
            );
            let (counts, times): (Vec<f64>, Vec<f64>) = problems
                .iter()
                .map(|problem| polish(problem, sections, &core))
                .unzip();
            let each_ms = times.iter().sum::<f64>() / counts.iter().sum::<f64>();
            let (count, polish_ms) = (median(counts), median(times));
            println!(
                "| {points} | {sections} | {fit_ms:.1} | {polish_ms:.3} | {count:.0} | {:.1} |",
                1e3 * each_ms
            );
            fits.push((points, sections, fit_ms));
            polishes.push((points, sections, polish_ms));
            evaluations.push((points, sections, each_ms));
        }
    }
    println!("\n| exponent | in points | in sections |");
    println!("| --- | --- | --- |");
    for (name, costs) in [
        ("fit at normal", fits),
        ("polish", polishes),
        ("one evaluation of it", evaluations),
    ] {
        let (by_points, by_sections) = exponents(&costs);
        println!("| {name} | {by_points:.2} | {by_sections:.2} |");
    }
}

/// A case at so many points, even in octaves, each taken from the two neighbours in the corpus.
fn problem(case: &corpus::Case, points: usize, sections: usize) -> Problem {
    let grid = corpus::grid();
    let last = grid.len() - 1;
    let place = |i: usize| i as f64 * last as f64 / (points - 1) as f64;
    let taken = |values: &[f64]| -> Vec<f64> {
        let value = |i| {
            let (low, share) = (place(i).floor() as usize, place(i).fract());
            values[low] + share * (values[(low + 1).min(last)] - values[low])
        };
        (0..points).map(value).collect()
    };
    Problem {
        name: case.name.clone(),
        frequency_hz: (0..points)
            .map(|i| grid[0] * (place(i) / 48.0).exp2())
            .collect(),
        weight: taken(&case.weight),
        wanted_db: taken(&case.wanted_db),
        limits: rivals::limits(ShapeCounts {
            low_shelf: 1,
            peaking: sections - 2,
            high_shelf: 1,
        }),
    }
}

/// Evaluations in one descent from a greedy seed, about half of them with derivatives and a step, and
/// its time, ms: the median of five runs.
fn polish(problem: &Problem, sections: usize, core: &OneCore) -> (f64, f64) {
    let space = problem.space();
    let objective = Objective::new(
        &problem.frequency_hz,
        &problem.weight,
        &problem.wanted_db,
        RATE_HZ,
        0.0,
    );
    let table = Table::new(&objective, &space);
    let seed = greedy_seed(problem, &objective, &table, sections);
    let mut search = Search::new(objective, &table, &space, 0);
    let mut counted = seed.clone();
    let before = search.room.evaluations;
    search.polish(&mut counted, &TO_THE_BOTTOM);
    let evaluations = (search.room.evaluations - before) as f64;
    let times = (0..5).map(|_| {
        let mut candidate = seed.clone();
        core.timed(|| search.polish(&mut candidate, &TO_THE_BOTTOM))
            .1
    });
    (evaluations, median(times.collect()))
}

/// The table's best section for what those before it leave, again and again.
fn greedy_seed(problem: &Problem, objective: &Objective, table: &Table, count: usize) -> Candidate {
    let space = problem.space();
    let mut surroundings = Surroundings::default();
    let mut room = Workspace::default();
    let mut seed = Vec::new();
    while seed.len() < count {
        let candidate = Candidate::of(&seed);
        Placed::new(objective, &candidate.shapes, &[], &[], &mut room).parts(&candidate.x);
        surroundings.set(objective, &mut room);
        let open = space.open(&seed);
        let allowed = |shape, ranges: &_| open.is(shape, ranges);
        let mut random = Random::new(0);
        let Some(section) = table.best(&surroundings, &space, allowed, 1.0, &mut random) else {
            break;
        };
        seed.push(section);
    }
    Candidate::of(&seed)
}

/// Least-squares slopes of ln time in ln points and ln sections.
fn exponents(costs: &[Cost]) -> (f64, f64) {
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for &(points, sections, ms) in costs {
        let row = Vector3::new(1.0, (points as f64).ln(), (sections as f64).ln());
        normal += row * row.transpose();
        right += row * ms.ln();
    }
    let slopes = normal.cholesky().unwrap().solve(&right);
    (slopes[1], slopes[2])
}
