//! How a shelf is read: the choice between a shelf and its mirror.
//!
//! A low shelf of `g` dB and a high shelf of `-g` dB with the same f0 and q differ only by the constant level `g`:
//! `G_low(f, g) = g + G_high(f, -g)` (Audio EQ Cookbook). With a free level both leave the same residual, so a set of
//! `k` shelves has `2^k` readings of equal residual. They differ in the largest boost, hence in the preamp that is
//! needed; in the economy term; and in whether the space has boxes for them.
//!
//! `best_reading` tries all of them, for up to `MOST_SHELVES` shelves. Each is polished, because its boxes and its
//! economy term differ; the lowest J wins, and among equal ones the lowest boost.
//!
//! Where loudness counts, as it usually does, `crate::job::reading` has the last word, by what is played; of equally loud
//! readings it takes the most usual (`odd_readings` counts what is unusual).
//!
//! Guaranteed by `best_reading`: the result fits the space if the candidate does. J rises by at most `EQUAL` of itself for
//! each reading taken for its lower boost, or stays at or below `EXACT`.

use super::{Candidate, EXACT, Search};
use crate::filter::{Section, Shape};
use crate::fit::objective::Level;
use crate::fit::solver::Stopping;

/// Sets with more shelves than this keep their reading, since each shelf doubles the number of readings.
pub const MOST_SHELVES: usize = 6;
/// Two J that differ by at most this share count as equal: mirrored sets differ by rounding only.
const EQUAL: f64 = 1e-6;

/// People read a shelf as bass below the first of these, hertz, and as treble above the second. Our choice.
const BASS_BELOW_HZ: f64 = 500.0;
const TREBLE_ABOVE_HZ: f64 = 1000.0;

/// Number of shelves that are not read as people read them: a low shelf in the treble, a high shelf in the bass.
#[must_use]
pub fn odd_readings(sections: &[Section]) -> usize {
    let odd = |section: &&Section| match section.shape {
        Shape::LowShelf => section.f0_hz >= TREBLE_ABOVE_HZ,
        Shape::HighShelf => section.f0_hz < BASS_BELOW_HZ,
        Shape::Peaking => false,
    };
    sections.iter().filter(odd).count()
}

/// The shelf of the other shape that differs from `section` only in level; None for a peaking section.
#[must_use]
pub fn mirrored(section: &Section) -> Option<Section> {
    let shape = match section.shape {
        Shape::LowShelf => Shape::HighShelf,
        Shape::HighShelf => Shape::LowShelf,
        Shape::Peaking => return None,
    };
    Some(Section {
        shape,
        gain_db: -section.gain_db,
        ..*section
    })
}

/// The reading of the candidate's shelves with the lowest J, of those that the space of `judge` allows; among equal
/// ones that with the lowest boost. Each reading is polished until `stopping`. With a fixed level the candidate is
/// returned unchanged.
pub(in crate::fit) fn best_reading(
    candidate: Candidate,
    judge: &mut Search<'_>,
    stopping: &Stopping,
) -> Candidate {
    if judge.objective().level() == Level::Fixed {
        return candidate;
    }
    let sections = candidate.sections();
    if shelves(&sections).len() > MOST_SHELVES {
        return candidate;
    }
    let others = other_readings(&sections, |read| judge.space().fits(read));
    let mut best_boost_db = judge.largest_boost_db(&candidate);
    let mut best = candidate;
    for read in others {
        let mut other = Candidate::of(&read);
        let hoped_for = (best.value * (1.0 + EQUAL)).max(EXACT);
        judge.polish_toward(&mut other, stopping, hoped_for);
        let boost_db = judge.largest_boost_db(&other);
        let equal = other.value <= (best.value * (1.0 + EQUAL)).max(EXACT);
        let better = other.value < best.value * (1.0 - EQUAL) && best.value > EXACT;
        if better || (equal && boost_db < best_boost_db) {
            best = other;
            best_boost_db = boost_db;
        }
    }
    best
}

/// All other readings of the sections that are `allowed`; empty if there are more than [`MOST_SHELVES`].
#[must_use]
pub fn other_readings(sections: &[Section], allowed: impl Fn(&[Section]) -> bool) -> Vec<Vec<Section>> {
    let shelves = shelves(sections);
    if shelves.len() > MOST_SHELVES {
        return Vec::new();
    }
    let read = |choice: usize| {
        let mut read = sections.to_vec();
        for (bit, &k) in shelves.iter().enumerate() {
            if choice >> bit & 1 == 1
                && let Some(other) = mirrored(&sections[k])
            {
                read[k] = other;
            }
        }
        read
    };
    (1..1 << shelves.len())
        .map(read)
        .filter(|read| allowed(read))
        .collect()
}

fn shelves(sections: &[Section]) -> Vec<usize> {
    let is_shelf = |&k: &usize| sections[k].shape.is_shelf();
    (0..sections.len()).filter(is_shelf).collect()
}
