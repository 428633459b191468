//! Was the promise kept? Verdicts and explanations over seeded re-measurements with every planted fault, and a reliability
//! table of the shares: how often what was given a share came true, cases drawn by the stated priors.
//!
//! `cargo bench --bench promises` prints both. Words: `verdicts` or `reliability` for one of them; `rows=NAME` for the rows of
//! the first table whose name has it; `most=N` for at most so many cases a row; a number for the cases of the reliability
//! table (1200 without).

use std::collections::BTreeMap;

use bandwright::verify::explanation::priors;
use bandwright::verify::{Remeasured, Verdict, remeasured};
use rayon::prelude::*;

#[path = "../support/mod.rs"]
mod support;

use support::promises::Chance;
use support::remeasurements::{self, Bench, Cause, Plant};

fn main() {
    let words: Vec<String> = std::env::args()
        .skip(1)
        .filter(|w| w != "--bench")
        .collect();
    let named = |word: &str| words.iter().any(|w| w == word);
    let every = !named("verdicts") && !named("reliability");
    let value = |word: &str| words.iter().find_map(|w| w.strip_prefix(word));
    if every || named("verdicts") {
        let most = value("most=").and_then(|n| n.parse().ok());
        verdicts(value("rows=").unwrap_or(""), most.unwrap_or(u64::MAX));
    }
    if every || named("reliability") {
        let cases = words.iter().find_map(|w| w.parse().ok()).unwrap_or(1200);
        reliability(cases);
    }
}

fn seen(case: &remeasurements::Remeasured, seed: u64) -> Remeasured {
    let rate_hz = Some(48_000.0).filter(|_| seed.is_multiple_of(2));
    remeasured(&case.sheet, &case.request(rate_hz)).unwrap()
}

/// What is told, the likeliest first, with its share.
fn told(seen: &Remeasured) -> Vec<(Vec<Cause>, f64)> {
    let all = seen.explanations.iter();
    all.map(|r| (remeasurements::told(r), r.share)).collect()
}

#[derive(Default)]
struct Count {
    cases: usize,
    named: usize,
    verdicts: [usize; 3],
    seal_or_unsure: usize,
    both_or_at_least: usize,
    told: BTreeMap<&'static str, usize>,
}

fn count(plant: Plant, bench: &Bench, cases: u64, least_db: f64) -> Count {
    let results: Vec<(bool, Verdict, bool, bool, &'static str)> = (0..cases)
        .into_par_iter()
        .map(|seed| {
            let case = remeasurements::remeasured(seed, plant, bench, least_db);
            let seen = seen(&case, seed);
            let first = &told(&seen)[0].0;
            let named = case.is_named_by(first);
            let whole = named || seen.is_incomplete() || first[0].kind == "something-else";
            let unsure = seen.verdict != Verdict::NotKept;
            (named, seen.verdict, unsure, whole, first[0].kind)
        })
        .collect();
    let mut count = Count::default();
    for (named, verdict, unsure, whole, kind) in results {
        count.cases += 1;
        count.named += usize::from(named);
        count.verdicts[verdict as usize] += 1;
        count.seal_or_unsure += usize::from(unsure);
        count.both_or_at_least += usize::from(whole);
        *count
            .told
            .entry(if named { "right" } else { kind })
            .or_default() += 1;
    }
    count
}

fn verdicts(rows: &str, most: u64) {
    println!(
        "{:30} {:>6} {:>6} {:>9} {:>12} {:>12}  told first",
        "planted", "cases", "kept", "not kept", "cannot tell", "named first"
    );
    let print = |name: &str, count: &Count| {
        let share = |n: usize| format!("{:.1} %", 100.0 * n as f64 / count.cases as f64);
        let others: Vec<String> = count
            .told
            .iter()
            .filter(|(kind, _)| **kind != "right")
            .map(|(kind, n)| format!("{kind} {n}"))
            .collect();
        println!(
            "{name:30} {:6} {:>6} {:>9} {:>12} {:>12}  {}",
            count.cases,
            share(count.verdicts[0]),
            share(count.verdicts[1]),
            share(count.verdicts[2]),
            share(count.named),
            others.join(", ")
        );
    };
    let row = |name: &str, plant: Plant, bench: &Bench, cases: u64, least_db: f64| {
        if !name.contains(rows) {
            return Count::default();
        }
        let count = count(plant, bench, cases.min(most), least_db);
        print(name, &count);
        count
    };
    let usual = Bench::USUAL;
    let right = [
        ("right, 4 takes a side", usual),
        ("right, 3 takes a side", Bench { takes: 3, ..usual }),
        ("right, 2 takes a side", Bench { takes: 2, ..usual }),
        ("right, 4 takes, one side", Bench { sides: 1, ..usual }),
        ("right, 8 takes a side", Bench { takes: 8, ..usual }),
        (
            "right, spread 0.5 dB",
            Bench {
                spread_db: 0.5,
                ..usual
            },
        ),
    ];
    for (name, bench) in right {
        row(name, Plant::Nothing, &bench, 200, 0.0);
    }
    for (name, tenths) in [("bump of 1 dB", 10), ("bump of 2 dB", 20)] {
        row(name, Plant::Bump(tenths), &usual, 300, 0.0);
    }
    let beside = [
        Plant::LeakFirstOrder,
        Plant::LeakResonant,
        Plant::LeakOneSide,
        Plant::SeatDeeper,
        Plant::SourceDiffers,
    ];
    for plant in beside {
        row(&format!("{plant:?}"), plant, &usual, 100, 0.0);
    }
    let eight = Bench { takes: 8, ..usual };
    row(
        "SeatDeeper, 8 takes a side",
        Plant::SeatDeeper,
        &eight,
        60,
        0.0,
    );
    let mistakes = [
        Plant::SectionMissing,
        Plant::SignFlipped,
        Plant::GainWrong,
        Plant::F0Wrong,
        Plant::QWrong,
        Plant::QReadAs,
        Plant::ShelfMirrored,
        Plant::GainsHalved,
        Plant::Bypassed,
        Plant::AppliedTwice,
        Plant::OneSideOnly,
        Plant::WrongSide,
        Plant::WrongRate,
        Plant::PreampMissing,
        Plant::SessionsExchanged,
    ];
    let mut all = (0, 0);
    for plant in mistakes {
        let count = row(&format!("{plant:?}"), plant, &usual, 60, 1.0);
        all = (all.0 + count.named, all.1 + count.cases);
    }
    println!("all mistakes: named first {} of {}", all.0, all.1);
    let two = row("Two", Plant::Two, &usual, 150, 1.0);
    println!(
        "two mistakes: both named, or that there is more, {} of {}",
        two.both_or_at_least, two.cases
    );
}

/// A plant by the stated priors of the explanations.
fn by_priors(chance: &mut Chance) -> Plant {
    let seal = priors::SEAL / 3.0;
    let priors = [
        (Plant::Nothing, priors::NOTHING),
        (Plant::LeakFirstOrder, seal),
        (Plant::LeakResonant, seal),
        (Plant::LeakOneSide, seal),
        (Plant::SeatDeeper, priors::SEAT),
        (Plant::SourceDiffers, priors::SOURCE),
        (
            Plant::SectionMissing,
            (1.0 - priors::AGAIN) * priors::MISSING,
        ),
        (Plant::SignFlipped, (1.0 - priors::AGAIN) * priors::SIGN),
        (Plant::F0Wrong, (1.0 - priors::AGAIN) * priors::F0),
        (Plant::GainWrong, (1.0 - priors::AGAIN) * priors::GAIN),
        (Plant::QWrong, (1.0 - priors::AGAIN) * priors::Q),
        (
            Plant::ShelfMirrored,
            (1.0 - priors::AGAIN) * priors::MIRRORED,
        ),
        (
            Plant::Two,
            priors::AGAIN * (priors::MISSING + priors::SIGN + priors::F0 + priors::GAIN),
        ),
        (Plant::QReadAs, priors::Q_READ),
        (Plant::GainsHalved, priors::HALVED),
        (Plant::Bypassed, priors::BYPASSED),
        (Plant::AppliedTwice, priors::TWICE),
        (Plant::OneSideOnly, priors::ONE_SIDE),
        (Plant::WrongRate, priors::RATE),
        (Plant::SessionsExchanged, priors::EXCHANGED),
        (Plant::Bump(20), priors::ELSE),
    ];
    let whole: f64 = priors.iter().map(|(_, p)| p).sum();
    let mut left = chance.between(0.0, whole);
    for (plant, prior) in priors {
        left -= prior;
        if left <= 0.0 {
            return plant;
        }
    }
    Plant::Nothing
}

fn reliability(cases: u64) {
    let said: Vec<(f64, bool)> = (0..cases)
        .into_par_iter()
        .flat_map_iter(|seed| {
            let mut chance = Chance::new(0x7e11_ab1e ^ seed);
            let plant = by_priors(&mut chance);
            let bench = Bench {
                takes: 2 + chance.below(3),
                ..Bench::USUAL
            };
            let case = remeasurements::remeasured(100_000 + seed, plant, &bench, 0.0);
            let seen = seen(&case, seed);
            told(&seen)
                .into_iter()
                .map(move |(told, share)| (share, case.is_named_by(&told)))
        })
        .collect();
    println!("{cases} cases drawn by the priors; every explanation that is told counts once");
    println!(
        "{:>12} {:>8} {:>11} {:>11} {:>9}",
        "share said", "entries", "mean said", "came true", "2 SE"
    );
    for bin in 0..10 {
        let of: Vec<&(f64, bool)> = said
            .iter()
            .filter(|(share, _)| ((10.0 * share) as usize).min(9) == bin)
            .collect();
        if of.is_empty() {
            continue;
        }
        let n = of.len() as f64;
        let mean = of.iter().map(|(share, _)| share).sum::<f64>() / n;
        let truth = of.iter().filter(|(_, true_)| *true_).count() as f64 / n;
        println!(
            "{:>6.1}-{:<4.1} {:>9} {:>11.3} {:>11.3} {:>9.3}",
            bin as f64 / 10.0,
            (bin + 1) as f64 / 10.0,
            of.len(),
            mean,
            truth,
            2.0 * (mean * (1.0 - mean) / n).sqrt()
        );
    }
}
