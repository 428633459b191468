//! How near the fit comes to the best answers known, and in how much time.
//!
//! `cargo bench --bench fit_quality` fits every case of `tests/support/corpus.rs` with 5, 8 and 10 sections at every
//! effort, on one core, and prints the share of cases within 1 % and 5 % of the best known rms (a best below 0.01 dB
//! counts as 0.01 dB) and the CPU time of a whole fit. Arguments choose: `-- 8 quick normal`, `-- economy` for
//! the usual economy term (J instead of rms), `-- seeds=3` for more than one seed a case, `-- misses` to name
//! the cases that stay more than 1 % above the best, `-- agreement` to tell how many of those there are for each number of
//! searches that agreed. `-- improve=30` searches
//! with so many seeds at deep effort and rewrites `tests/reference/best_known.csv`, where a value only ever falls.
//! `-- corpus=1 best=FILE` takes another corpus, and its table of best answers from a file elsewhere: what the search
//! was tuned on may flatter it.

#[path = "../support/mod.rs"]
mod support;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use support::{corpus, planted};

use bandwright::fit::Effort;
use bandwright::fit::Stop;
use bandwright::fit::{ChannelAnswer, Task, Wanted, fit, residual};
use bandwright::limits::{Limits, ShapeCounts};
use corpus::{Case, cases_of, grid};
use cpu_time::ThreadTime;

/// Section count, economy, case.
type Key = (usize, String, String);

/// Below this, an rms is as good as any, dB.
const FLOOR_DB: f64 = 0.01;

/// The economy of the second table, from before the usual one was raised: the best answers known are for it.
const USUAL_ECONOMY: f64 = 0.001;

struct Choice {
    counts: Vec<usize>,
    efforts: Vec<Effort>,
    economy: f64,
    seeds: u64,
    improve: Option<u64>,
    corpus: u64,
    /// Whether to name what stays more than 1 % above the best.
    misses: bool,
    /// Whether to tell what it is worth that searches agree.
    agreement: bool,
    /// The table of best answers.
    best: PathBuf,
}

fn main() {
    let choice = choice();
    let mut best = read_best(&choice.best);
    // All work on this thread, so that its CPU time is the whole of it.
    let one = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .use_current_thread()
        .build()
        .expect("a pool of one thread");
    one.install(|| match choice.improve {
        Some(seeds) => improve(&choice, seeds, &mut best),
        None => measure(&choice, &best),
    });
}

fn choice() -> Choice {
    let mut choice = Choice {
        counts: Vec::new(),
        efforts: Vec::new(),
        economy: 0.0,
        seeds: 1,
        improve: None,
        corpus: 0,
        misses: false,
        agreement: false,
        best: best_path(),
    };
    for word in std::env::args().skip(1) {
        if let Ok(count) = word.parse() {
            choice.counts.push(count);
        } else if let Some(effort) = Effort::ALL.iter().find(|effort| effort.name() == word) {
            choice.efforts.push(*effort);
        } else if word == "misses" {
            choice.misses = true;
        } else if word == "agreement" {
            choice.agreement = true;
        } else if word == "economy" {
            choice.economy = USUAL_ECONOMY;
        } else if let Some(seeds) = word.strip_prefix("seeds=") {
            choice.seeds = seeds.parse().expect("seeds=NUMBER");
        } else if let Some(seeds) = word.strip_prefix("improve=") {
            choice.improve = Some(seeds.parse().expect("improve=NUMBER"));
        } else if let Some(corpus) = word.strip_prefix("corpus=") {
            choice.corpus = corpus.parse().expect("corpus=NUMBER");
        } else if let Some(path) = word.strip_prefix("best=") {
            choice.best = path.into();
        } else if word != "--bench" {
            panic!("unknown argument {word}");
        }
    }
    assert!(
        (choice.corpus == 0) == (choice.best == best_path()),
        "best=FILE for the best answers of another corpus"
    );
    if choice.counts.is_empty() {
        choice.counts = vec![5, 8, 10];
    }
    if choice.efforts.is_empty() {
        choice.efforts = Effort::ALL.to_vec();
    }
    choice
}

/// One low shelf, one high shelf, the rest peaking; ranges of `planted::limits`.
fn limits(count: usize) -> Limits {
    planted::limits(ShapeCounts {
        low_shelf: 1,
        peaking: count - 2,
        high_shelf: 1,
    })
}

fn run(case: &Case, limits: &Limits, economy: f64, effort: Effort, seed: u64) -> ChannelAnswer {
    fit(&Task {
        frequency_hz: &grid(),
        weight: &case.weight,
        channels: &[Wanted {
            change_db: &case.wanted_db,
            kept: &[],
        }],
        limits,
        space: &planted::space(limits),
        least_gain_db: None,
        playing: None,
        economy,
        effort,
        seed,
        stop: &Stop::default(),
    })
    .channels
    .swap_remove(0)
}

/// J of the answer before it is put on steps: what the search found.
fn found(answer: &ChannelAnswer) -> f64 {
    answer.search.levels[answer.search.levels.len() - 1]
        .parts
        .total()
}

fn key(count: usize, economy: f64, case: &Case) -> Key {
    (count, economy.to_string(), case.name.clone())
}

fn measure(choice: &Choice, best: &BTreeMap<Key, f64>) {
    println!("sections  effort  within 1 %  within 5 %  worst  median CPU ms  most CPU ms");
    let cases = cases_of(choice.corpus);
    for &count in &choice.counts {
        let limits = limits(count);
        for &effort in &choice.efforts {
            let mut ratios = Vec::new();
            let mut times_ms = Vec::new();
            let mut economies = Vec::new();
            // Fits, and those more than 1 % above the best, for so many searches of all that agreed.
            let mut agreement: BTreeMap<(u64, u64), [u64; 2]> = BTreeMap::new();
            for (case, seed) in cases
                .iter()
                .flat_map(|case| (0..choice.seeds).map(move |s| (case, s)))
            {
                let start = ThreadTime::now();
                let answer = run(case, &limits, choice.economy, effort, seed);
                times_ms.push(start.elapsed().as_secs_f64() * 1e3);
                let rms = |objective: f64| objective.sqrt().max(FLOOR_DB);
                let known = best.get(&key(count, choice.economy, case)).copied();
                let ratio = rms(found(&answer)) / rms(known.unwrap_or(f64::INFINITY));
                if choice.misses && ratio > 1.01 {
                    println!("  {} seed {seed}: {ratio:.4}", case.name);
                }
                let searches = (answer.search.searches, answer.search.agreeing);
                let [fits, missed] = agreement.entry(searches).or_default();
                *fits += 1;
                *missed += u64::from(ratio > 1.01);
                ratios.push(ratio);
                economies.push(residual::economy_ratio(
                    &answer.sections,
                    planted::RATE_HZ,
                    &grid(),
                    &case.weight,
                ));
            }
            let share = |most: f64| {
                100.0 * ratios.iter().filter(|ratio| **ratio <= most).count() as f64
                    / ratios.len() as f64
            };
            println!(
                "{count:8}  {:6}  {:8.0} %  {:8.0} %  {:5.2}  {:13.0}  {:11.0}",
                effort.name(),
                share(1.01),
                share(1.05),
                ratios.iter().copied().fold(0.0, f64::max),
                median(&mut times_ms),
                times_ms.last().copied().unwrap_or(0.0),
            );
            if choice.agreement {
                for ((searches, agreeing), [fits, missed]) in agreement {
                    println!(
                        "          {agreeing} of {searches} agreed: {missed} of {fits} missed"
                    );
                }
            }
            if choice.economy > 0.0 {
                let median = median(&mut economies);
                println!(
                    "          economy ratio: median {median:.2}, worst {:.2}",
                    economies[economies.len() - 1]
                );
            }
        }
    }
}

/// Sorts, and gives the middle.
fn median(numbers: &mut [f64]) -> f64 {
    numbers.sort_by(f64::total_cmp);
    numbers[numbers.len() / 2]
}

fn improve(choice: &Choice, seeds: u64, best: &mut BTreeMap<Key, f64>) {
    for &count in &choice.counts {
        let limits = limits(count);
        let mut improved = 0;
        for case in &cases_of(choice.corpus) {
            let entry = best
                .entry(key(count, choice.economy, case))
                .or_insert(f64::INFINITY);
            // Seeds that no measurement uses.
            for seed in 100..100 + seeds {
                let value = found(&run(case, &limits, choice.economy, Effort::Deep, seed));
                if value < *entry {
                    improved += usize::from(value.sqrt().max(FLOOR_DB) < 0.999 * entry.sqrt());
                    *entry = value;
                }
            }
        }
        println!("{count} sections: {improved} improvements of 0.1 % or more");
        write_best(best, &choice.best);
    }
}

fn best_path() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference/best_known.csv")
}

fn read_best(path: &Path) -> BTreeMap<Key, f64> {
    if !path.exists() {
        return BTreeMap::new();
    }
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_path(path)
        .expect("a readable table");
    reader
        .deserialize()
        .map(|row| {
            let (count, economy, case, objective): (usize, String, String, f64) =
                row.expect("a row of four");
            ((count, economy, case), objective)
        })
        .collect()
}

fn write_best(best: &BTreeMap<Key, f64>, path: &Path) {
    let mut text = String::from(HEAD);
    for ((count, economy, case), objective) in best {
        writeln!(text, "{count},{economy},{case},{objective:e}").expect("a String takes it");
    }
    std::fs::write(path, text).expect("a writable table");
}

const HEAD: &str = "\
# Least J (dB^2) that any search of this project ever reached for the cases of tests/support/corpus.rs; a value
# only ever falls. Made by `cargo bench --bench fit_quality -- improve=SEEDS`.
sections,economy,case,objective_db2
";
