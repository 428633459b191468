//! Is the coupler's resonance told from the earphone's own peaks, and is what is left without it right?
//!
//! `cargo bench --bench resonance` judges 200 seeded units of each kind (`tests/support/couplers.rs`): the earphone's
//! own peaks, takes that moved by 1 to 3 per cent, and takes that hardly moved. Invented curves; nothing was measured.
//! `-- from=N` takes the units from N on.

#[path = "../support/coupler_count.rs"]
#[allow(dead_code, reason = "the tests use the rest")]
mod coupler_count;
#[path = "../support/couplers.rs"]
#[allow(dead_code, reason = "the tests use the rest")]
mod couplers;

use coupler_count::{Count, Moved};
use couplers::Own;
use rayon::prelude::*;

const UNITS: u64 = 200;

fn main() {
    let from = std::env::args().find_map(|word| word.strip_prefix("from=")?.parse().ok());
    let from: u64 = from.unwrap_or(0);
    println!("{}", Count::HEAD);
    for moved in Moved::ALL {
        for (own, name) in Own::ALL {
            let counts: Vec<Count> = (from..from + UNITS)
                .into_par_iter()
                .map(|seed| Count::of(seed, own, moved))
                .collect();
            let sum = counts.into_iter().fold(Count::default(), Count::and);
            println!("| {} | {name} | {sum} |", moved.name());
        }
    }
}
