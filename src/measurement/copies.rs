//! Takes that repeat the data of another: a file copied, its level shifted, its numbers written in another way.
//!
//! A new seating moves the coupler's resonance, the bass and the level, so two takes never agree to a tenth of a decibel
//! over the whole range. Two that do are one measurement (or the same seating measured again, which tells no more), and
//! count once. Compared is what was parsed, on the common grid: levels to [`SAME_DB`] once a constant is taken out, and
//! frequencies to [`SAME_HZ`].

use super::grid::{self, OnGrid, POINTS_PER_OCTAVE, frequency_hz};
use super::takes::{Take, median, offset_db};

/// Largest difference of the same data, dB: both rounded to 0.1 dB, and some for the interpolation between points.
pub const SAME_DB: f64 = 0.11;
/// Largest shift of a frequency of the same data, hertz: one of them rounded to whole hertz.
pub const SAME_HZ: f64 = 0.5;
/// Grid points from one probe to the next: what differs nearly always differs at a few of them.
const PROBE_STRIDE: usize = 24;

/// For each take of a side the one whose data it repeats; None for that one itself. Of several with the same data, that is
/// the one whose level is nearest to the middle of the side's other takes; else the first. The takes are in canonical order.
pub(super) fn originals(takes: &[&Take]) -> Vec<Option<usize>> {
    let mut first: Vec<usize> = (0..takes.len()).collect();
    for i in 0..takes.len() {
        for k in 0..i {
            if first[k] != first[i] && same_data(&takes[k].on_grid, &takes[i].on_grid) {
                // What repeats both joins them: two roundings of one file may differ by more than either does from it.
                let (to, from) = (first[k].min(first[i]), first[k].max(first[i]));
                first.iter_mut().filter(|f| **f == from).for_each(|f| *f = to);
            }
        }
    }
    let mut original = first.clone();
    let mut sets: Vec<usize> = first.clone();
    sets.dedup();
    sets.retain(|set| first.iter().filter(|f| *f == set).count() > 1);
    for set in sets {
        let level_db = |i: usize| offset_db(&takes[i].on_grid.level_db, &takes[i].on_grid.support);
        let (same, others): (Vec<usize>, Vec<usize>) =
            (0..takes.len()).partition(|i| first[*i] == set);
        let middle_db = median(others.iter().map(|i| level_db(*i)).collect());
        let off_db = |i: &usize| (level_db(*i) - middle_db).abs();
        let nearest = same.iter().min_by(|a, b| off_db(a).total_cmp(&off_db(b)));
        let chosen = nearest.copied().filter(|_| !others.is_empty()).unwrap_or(set);
        same.into_iter().for_each(|i| original[i] = chosen);
    }
    let of = |(i, original): (usize, usize)| (original != i).then_some(original);
    original.into_iter().enumerate().map(of).collect()
}

/// Whether two takes have the same data, over at least half of what either covers.
#[must_use]
pub fn same_data(one: &OnGrid, other: &OnGrid) -> bool {
    let both = grid::intersection(&one.support, &other.support);
    let either = one.support.len().max(other.support.len());
    if both.len() < POINTS_PER_OCTAVE || 2 * both.len() < either {
        return false;
    }
    let difference_db = |i: usize| one.level_db[i] - other.level_db[i];
    let allowed_db = |i: usize| SAME_DB + SAME_HZ * steepest(one, i).max(steepest(other, i));
    let middle = (both.start + both.end) / 2;
    // The level is not known yet: both points may be off, each by what it may.
    let near_the_middle = |i: usize| {
        let apart_db = difference_db(i) - difference_db(middle);
        apart_db.abs() <= allowed_db(i) + allowed_db(middle)
    };
    if !both.clone().step_by(PROBE_STRIDE).all(near_the_middle) {
        return false;
    }
    let level_db = median(both.clone().map(difference_db).collect());
    both.clone()
        .all(|i| (difference_db(i) - level_db).abs() <= allowed_db(i))
}

/// The steepest slope near a grid point, dB per hertz.
fn steepest(take: &OnGrid, at: usize) -> f64 {
    let f_hz = frequency_hz();
    let from = at.saturating_sub(4).max(take.support.start);
    let to = (at + 4).min(take.support.end - 1);
    let slope = |i: usize| {
        let rise_db = take.level_db[i + 1] - take.level_db[i];
        (rise_db / (f_hz[i + 1] - f_hz[i])).abs()
    };
    (from..to).map(slope).fold(0.0, f64::max)
}
