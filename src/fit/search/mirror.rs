//! A shelf or its mirror: a low shelf of `g` and a high shelf of `-g` differ only in level, which is free or not.

use super::{Candidate, EXACT, Search};
use crate::filter::{Section, Shape};
use crate::fit::objective::Level;
use crate::fit::solver::Stopping;
use crate::fit::space::Space;

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
/// equals the one of least boost. The sections settle again where the economy term counts. Where the level is fixed, there
/// is no other reading.
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
    let others = other_readings(&sections, judge.space());
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

/// The sections with some of their shelves mirrored, in every way that `space` allows; none with very many shelves.
pub(in crate::fit) fn other_readings(sections: &[Section], space: &Space) -> Vec<Vec<Section>> {
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
        .filter(|read| space.fits(read))
        .collect()
}

fn shelves(sections: &[Section]) -> Vec<usize> {
    let is_shelf = |&k: &usize| sections[k].shape.is_shelf();
    (0..sections.len()).filter(is_shelf).collect()
}
