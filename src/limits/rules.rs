//! What an equaliser can do beyond the ranges of its knobs: slots, limits of gain by frequency, how it reads q; and what
//! its owner wants of it: narrow dips not filled, cuts only, a most total boost.

use super::setting::Setting;
use crate::filter::{QMeaning, Shape};
use crate::message::Number;

/// A section of the equaliser that cannot be anything: its shapes, and what of its numbers is its own.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct Slot {
    /// What it can be, at least one, each once.
    pub shapes: Vec<Shape>,
    /// Its frequency; None: as everywhere.
    pub f0_hz: Option<Setting>,
    /// Its gain; None: as everywhere.
    pub gain_db: Option<Setting>,
    /// Its q, whatever the shape; None: as everywhere.
    pub q: Option<Setting>,
}

/// The gain of sections with their f0 in a band, its edges included.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct GainLimit {
    /// Lower edge, hertz; 0 where there is none.
    pub from_hz: f64,
    /// Upper edge, hertz; infinite where there is none.
    pub to_hz: f64,
    /// Least gain, dB; minus infinity where there is none.
    pub min_db: f64,
    /// Most gain, dB; infinite where there is none.
    pub max_db: f64,
}

/// Everything of a limits file that most equalisers have no need of.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct Rules {
    /// Sections that are fixed in some way, beside those of `shapes`.
    pub slots: Vec<Slot>,
    /// Gain by frequency; the narrowest counts.
    pub gain_limits: Vec<GainLimit>,
    /// The most q, in the cookbook's terms, of a section that boosts.
    pub boost_q_max: Option<f64>,
    /// True where no section may boost.
    pub cut_only: bool,
    /// The most gain of all sections together at any frequency, at any rate, dB.
    pub total_boost_max_db: Option<f64>,
    /// What the equaliser calls q of a peaking section.
    pub q_meaning: QMeaning,
    /// What it calls q of a shelf.
    pub shelf_q_meaning: QMeaning,
}

/// So far outside a gain limit's band is its neighbour, so that no rounding brings it inside.
const EDGE: f64 = 1e-9;

impl GainLimit {
    /// Its gains in words.
    pub(super) fn gains(&self) -> String {
        let (least, most) = (Number(self.min_db), Number(self.max_db));
        match (least.0.is_finite(), most.0.is_finite()) {
            (true, false) => format!("{least} dB or more"),
            (false, true) => format!("{most} dB or less"),
            _ => format!("{least} to {most} dB"),
        }
    }

    pub(super) fn covers(&self, f0_hz: f64) -> bool {
        (self.from_hz * (1.0 - EDGE)..=self.to_hz * (1.0 + EDGE)).contains(&f0_hz)
    }
}

/// Whether `limits` together leave a section with `knobs` (f0, gain, q) a gain of at most `most_db` at some frequency. The
/// bands' edges part the frequencies into stretches that are alike; one frequency of each is looked at.
pub(super) fn leave_some(limits: &[GainLimit], knobs: &[&Setting; 3], most_db: f64) -> bool {
    let [f0_hz, gain_db, _] = knobs;
    let edges = limits.iter().flat_map(|limit| [limit.from_hz, limit.to_hz]);
    let edges: Vec<f64> = edges
        .filter(|hz| hz.is_finite() && *hz > 0.0)
        .chain([f0_hz.min()])
        .collect();
    let beside = edges.iter().flat_map(|&hz| {
        // Just beyond an edge the next stretch begins.
        let beyond = 2.0 * EDGE;
        [
            f0_hz.at_or_below(hz * (1.0 - beyond)),
            f0_hz.at_or_above(hz),
            f0_hz.at_or_above(hz * (1.0 + beyond)),
        ]
    });
    beside.flatten().any(|f0_hz| {
        let covering = limits.iter().filter(|limit| limit.covers(f0_hz));
        let (least_db, most_db) = covering
            .fold((f64::NEG_INFINITY, most_db), |(least, most), limit| {
                (least.max(limit.min_db), most.min(limit.max_db))
            });
        gain_db.has_within(least_db, most_db)
    })
}

impl Rules {
    /// The most gain that a section may have, whatever its setting allows, dB.
    pub(super) fn most_gain_db(&self) -> f64 {
        if self.cut_only { 0.0 } else { f64::INFINITY }
    }

    /// What the numbers of `shape` mean that this equaliser calls q.
    #[must_use]
    pub fn meaning_of(&self, shape: Shape) -> QMeaning {
        if shape.is_shelf() {
            self.shelf_q_meaning
        } else {
            self.q_meaning
        }
    }
}

/// The key of what the numbers of `shape` mean that this equaliser calls q.
pub(super) fn meaning_key(shape: Shape) -> &'static str {
    if shape.is_shelf() {
        "shelf_q_meaning"
    } else {
        "q_meaning"
    }
}

/// Pairs each of `items` with one of `places` that `fits`, no place twice, as many as can be (augmenting paths, H. W.
/// Kuhn 1955). Earlier items and places come first.
pub(crate) fn paired(
    items: usize,
    places: usize,
    fits: &dyn Fn(usize, usize) -> bool,
) -> Vec<Option<usize>> {
    fn place(
        item: usize,
        holder: &mut [Option<usize>],
        seen: &mut [bool],
        fits: &dyn Fn(usize, usize) -> bool,
    ) -> bool {
        for p in 0..holder.len() {
            if !seen[p] && fits(item, p) {
                seen[p] = true;
                if holder[p].is_none_or(|other| place(other, holder, seen, fits)) {
                    holder[p] = Some(item);
                    return true;
                }
            }
        }
        false
    }
    let mut holder = vec![None; places];
    for item in 0..items {
        place(item, &mut holder, &mut vec![false; places], fits);
    }
    let mut pairs = vec![None; items];
    for (p, item) in holder.into_iter().enumerate() {
        if let Some(item) = item {
            pairs[item] = Some(p);
        }
    }
    pairs
}
