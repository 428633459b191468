//! A shelf or its mirror: a low shelf of `g` and a high shelf of `-g` differ only in level, which is free.

use super::reach::EXACT;
use super::search::{Candidate, Search};
use super::solver::Stopping;
use crate::filter::{Section, Shape};

/// More shelves than this are left as they are: each doubles the choices.
const MOST_SHELVES: usize = 6;
/// J of the same sections, read differently, agree to rounding.
const EQUAL: f64 = 1e-6;

/// The section of the other shape that differs from a shelf only in level; None for a peaking section.
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

/// Among all readings of the candidate's shelves that the space of `judge` allows, the one of least J; among
/// equals the one of least boost. The sections settle again where the economy term counts.
pub(super) fn best_reading(
    candidate: Candidate,
    judge: &mut Search<'_>,
    stopping: &Stopping,
) -> Candidate {
    let space = judge.space();
    let sections = candidate.sections();
    let shelves: Vec<usize> = (0..sections.len())
        .filter(|&k| sections[k].shape.is_shelf())
        .collect();
    if shelves.len() > MOST_SHELVES {
        return candidate;
    }
    let mut best_boost_db = judge.largest_boost_db(&candidate);
    let mut best = candidate;
    for choice in 1..1_usize << shelves.len() {
        let mut read = sections.clone();
        for (bit, &k) in shelves.iter().enumerate() {
            if choice >> bit & 1 == 1
                && let Some(other) = mirrored(&sections[k])
            {
                read[k] = other;
            }
        }
        if !space.fits(&read) {
            continue;
        }
        let mut other = Candidate::of(&read);
        judge.polish(&mut other, stopping);
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
