//! Are takes judged as they are? Sets with planted faults (`tests/support/seatings.rs`), none of them of the demo.
//!
//! `cargo bench --bench takes` judges 120 sets a fault, 2,040 in all (`-- sets=N from=SEED` others, `-- show=FAULT` shows the sets
//! that went wrong, FAULT by its number from 0). Words of the table:
//!
//! - planted: what was to be found. Takes that leak, hum or are rough; else sets.
//! - right: found, and called what it is; a leak, a wrong unit and another body: set aside, whatever it is called. Of
//!   copies: all but one told. Of vents: the blocked take told, no other set aside, no side accused. Of swapped labels:
//!   told, and no take of that side set aside.
//! - wrong: not right; where labels are swapped, of wrong units and of three takes of one side: a sound take was set aside. What
//!   is neither stayed undecided.
//! - false alarms: sound takes that were set aside or are called anything but sound.

#[path = "../support/seatings.rs"]
#[allow(dead_code)]
mod seatings;

use bandwright::measurement::judge::{Settings, judge};
use rayon::prelude::*;
use seatings::{Fault, Score, planted, score};

fn main() {
    let given = |key: &str| -> Option<usize> {
        let found = std::env::args().find_map(|a| a.strip_prefix(key).map(str::to_owned))?;
        found.parse().ok()
    };
    let from = given("from=").unwrap_or(0) as u64;
    let sets = given("sets=").unwrap_or(120) as u64;
    if let Some(fault) = given("show=").and_then(|i| Fault::ALL.get(i).copied()) {
        for seed in from..from + sets {
            let of = score(fault, seed);
            if of.right < of.planted || of.false_alarms > 0 {
                println!("{} {seed}: {of:?}", fault.words());
                let set = planted(fault, seed);
                let judged = judge(&set.takes, &Settings::default()).unwrap();
                for (take, truth) in judged.takes.iter().zip(&set.truth) {
                    let kept = if take.set_aside { "set aside" } else { "kept" };
                    println!("    {} {truth:?}: {} ({kept})", take.name, take.finding());
                }
            }
        }
        return;
    }
    println!("| fault | sets | planted | right | wrong | sound takes | false alarms |");
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    for fault in Fault::ALL {
        let scores: Vec<Score> = (from..from + sets)
            .into_par_iter()
            .map(|seed| score(fault, seed))
            .collect();
        let mut all = Score::default();
        scores.into_iter().for_each(|of| all.add(of));
        println!(
            "| {} | {sets} | {} | {} | {} | {} | {} |",
            fault.words(),
            all.planted,
            all.right,
            all.wrong,
            all.sound,
            all.false_alarms
        );
    }
}
