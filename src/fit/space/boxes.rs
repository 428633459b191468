//! From limits to the boxes that the fit searches: numbers that the equaliser cannot set lie outside of all boxes.
//!
//! Rules that depend on the frequency or on the sign of the gain divide a box into parts. Boxes hold the cookbook's q.
//! If the equaliser means something else by q, a box covers all values that its q can stand for, and
//! [`crate::fit::steps`] then keeps to the equaliser's own numbers.

use std::ops::RangeInclusive;

use super::{Ranges, Space};
use crate::filter::q_meaning::LEAST_GAIN_WITH_WIDTH_DB;
use crate::filter::{QMeaning, Shape};
use crate::limits::rules::GainLimit;
use crate::limits::{Limits, Setting, bounds};

/// Largest q of a peaking section that boosts where takes disagree or the rig is less than trusted. At 2.0 a section is
/// about 0.7 octaves wide. Our choice.
const LARGEST_GENTLE_Q: f64 = 2.0;
/// Largest gain of such a section, dB: what it fills is not known to be there. Our choice.
const LARGEST_GENTLE_DB: f64 = 4.0;
/// Largest gain of a shelf, dB, either way, where ears differ. Our choice.
const LARGEST_SHELF_DB: f64 = 4.0;
/// Factor between a band's edge and the part of a box outside of it, so that rounding cannot move a section into the
/// band.
const MARGIN: f64 = 1.001;

/// Where sections may go, by what the measurement knows.
#[derive(Debug, Clone, PartialEq)]
pub struct Believed {
    /// No peaking section has its f0 above this, hertz.
    pub peaking_to_hz: f64,
    /// Above this, hertz, shelves have gains up to `LARGEST_SHELF_DB`.
    pub shelves_to_hz: f64,
    /// Bands, hertz, in which peaking sections that boost have gains up to `LARGEST_GENTLE_DB` and q up
    /// to `LARGEST_GENTLE_Q`.
    pub gentle_hz: Vec<(f64, f64)>,
}

impl Believed {
    /// Everything is believed.
    pub const EVERYTHING: Self = Self {
        peaking_to_hz: f64::INFINITY,
        shelves_to_hz: f64::INFINITY,
        gentle_hz: Vec::new(),
    };
}

/// The space that `limits` leave for f0 within `f0_hz` (lowest, highest) and for peaking sections where `believed` lets
/// them go.
#[must_use]
pub fn space(limits: &Limits, f0_hz: (f64, f64), believed: &Believed) -> Space {
    let boxes = Shape::ALL.map(|shape| {
        let boxes = limits
            .places(shape)
            .flat_map(|slot| boxes_in_place(limits, shape, slot, f0_hz, believed));
        boxes.collect::<Vec<_>>()
    });
    let most = Shape::ALL.map(|shape| {
        let outside_slots = |ranges: &Ranges| ranges.slot.is_none();
        match boxes[shape as usize].iter().any(outside_slots) {
            true => limits.shapes.of(shape),
            false => 0,
        }
    });
    Space {
        sections: limits.sections,
        most,
        boxes,
    }
}

fn boxes_in_place(
    limits: &Limits,
    shape: Shape,
    slot: Option<usize>,
    within_hz: (f64, f64),
    believed: &Believed,
) -> Vec<Ranges> {
    let [f0_hz, gain_db, q] = limits.knobs(shape, slot);
    let rules = &limits.rules;
    let whole = Ranges {
        f0_hz: within_hz.0.max(f0_hz.min())..=within_hz.1.min(f0_hz.max()),
        gain_db: gain_db.min()..=gain_db.max(),
        q: q.min()..=q.max(),
        slot,
    };
    let mut parts = vec![whole];
    let meaning = rules.meaning_of(shape);
    if meaning == QMeaning::Width3Db {
        let least_db = LEAST_GAIN_WITH_WIDTH_DB;
        let boost = |part: &Ranges| part.with_gain(least_db, f64::INFINITY);
        let cut = |part: &Ranges| part.with_gain(f64::NEG_INFINITY, -least_db);
        parts = parts
            .iter()
            .flat_map(|part| [boost(part), cut(part)])
            .collect();
    }
    parts.retain(|part| !part.is_empty());
    if meaning != QMeaning::Cookbook {
        let in_cookbook_q = |part: &Ranges| {
            let ends = |range: &RangeInclusive<f64>| (*range.start(), *range.end());
            let (gain_db, f0_hz) = (ends(&part.gain_db), ends(&part.f0_hz));
            let q = meaning.cookbook_range(ends(&part.q), f0_hz, gain_db, limits.rates_hz[0])?;
            // A width of some octaves near half the rate is a q of next to nothing, which no sheet may hold.
            let may_be = bounds::q_of(shape);
            Some(Ranges {
                q: q.0.max(may_be.min)..=q.1.min(may_be.max),
                ..part.clone()
            })
        };
        parts = parts.iter().filter_map(in_cookbook_q).collect();
        parts.retain(|part| !part.is_empty());
    }
    if shape == Shape::Peaking {
        let all_cuts = |part: &Ranges| part.with_gain(f64::NEG_INFINITY, 0.0);
        let gentle = |part: &Ranges| {
            let boost = part.with_gain(0.0, LARGEST_GENTLE_DB);
            let boost = boost.with_most_q(LARGEST_GENTLE_Q);
            vec![boost, all_cuts(part)]
        };
        for band_hz in &believed.gentle_hz {
            parts = split(&parts, *band_hz, gentle);
        }
        let above_hz = (believed.peaking_to_hz * MARGIN, f64::INFINITY);
        parts = split(&parts, above_hz, |_| Vec::new());
    } else {
        let above_hz = (believed.shelves_to_hz * MARGIN, f64::INFINITY);
        parts = split(&parts, above_hz, |part| {
            vec![part.with_gain(-LARGEST_SHELF_DB, LARGEST_SHELF_DB)]
        });
    }
    for GainLimit {
        from_hz,
        to_hz,
        min_db,
        max_db,
    } in &rules.gain_limits
    {
        parts = split(&parts, (*from_hz, *to_hz), |part| {
            vec![part.with_gain(*min_db, *max_db)]
        });
    }
    if rules.cut_only {
        parts = parts
            .iter()
            .map(|part| part.with_gain(f64::NEG_INFINITY, 0.0))
            .collect();
    }
    if let Some(most_q) = rules.boost_q_max {
        let boost = |part: &Ranges| part.with_gain(0.0, f64::INFINITY).with_most_q(most_q);
        let cut = |part: &Ranges| part.with_gain(f64::NEG_INFINITY, 0.0);
        parts = parts
            .iter()
            .flat_map(|part| [boost(part), cut(part)])
            .collect();
    }
    let snapped = |part: Ranges| {
        let part = Ranges {
            // Where f0 has many steps, its range is not shrunk to them, so that the search is the same as without
            // steps.
            f0_hz: match snapped(&part.f0_hz, f0_hz)? {
                few if few.start() == few.end() => few,
                _ => part.f0_hz,
            },
            gain_db: snapped(&part.gain_db, gain_db)?,
            q: match meaning {
                QMeaning::Cookbook => snapped(&part.q, q)?,
                _ => part.q,
            },
            slot,
        };
        (!part.is_empty()).then_some(part)
    };
    let mut parts: Vec<Ranges> = parts.into_iter().filter_map(snapped).collect();
    // Parts without any gain are dropped if there are parts with some.
    let works = |part: &Ranges| *part.gain_db.start() < 0.0 || *part.gain_db.end() > 0.0;
    if parts.iter().any(works) {
        parts.retain(works);
    }
    parts
}

/// Divides each box into the parts below, within and above a band; the part within becomes what `change` makes of it.
fn split(
    parts: &[Ranges],
    band_hz: (f64, f64),
    change: impl Fn(&Ranges) -> Vec<Ranges>,
) -> Vec<Ranges> {
    let cut = |part: &Ranges, low_hz: f64, high_hz: f64| Ranges {
        f0_hz: part.f0_hz.start().max(low_hz)..=part.f0_hz.end().min(high_hz),
        ..part.clone()
    };
    parts
        .iter()
        .flat_map(|part| {
            let mut split = vec![cut(part, 0.0, band_hz.0 / MARGIN)];
            split.extend(change(&cut(part, band_hz.0, band_hz.1)));
            split.push(cut(part, band_hz.1 * MARGIN, f64::INFINITY));
            split
        })
        .filter(|part| !part.is_empty())
        .collect()
}

/// The range from the first to the last step of a setting within `range`; None if there is no step.
fn snapped(range: &RangeInclusive<f64>, setting: &Setting) -> Option<RangeInclusive<f64>> {
    let range = setting.at_or_above(*range.start())?..=setting.at_or_below(*range.end())?;
    (!range.is_empty()).then_some(range)
}
