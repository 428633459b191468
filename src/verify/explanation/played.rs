//! What an explanation changes: how much more than promised is measured under it, side by side.

use super::evidence::{Evidence, MeasuredSide};
use super::kinds::{Explanation, Place, SideMixup, SideSeal};
use crate::cost::at_ear::divider_db;
use crate::filter::{QMeaning, Section, Shape, cascade, response};
use crate::measurement::grid::frequency_hz;
use crate::measurement::impedance::ImpedanceByFrequency;
use crate::measurement::takes::Side;
use crate::verify::seat;

/// What is measured beyond the promise under an explanation, dB, at the points `at` of the common grid, preamp not
/// included. None where a side has nothing of it.
#[must_use]
pub fn beyond_promise_db(
    evidence: &Evidence<'_>,
    of: &MeasuredSide,
    explanation: &Explanation,
    at: &[usize],
) -> Option<Vec<f64>> {
    let rate_hz = evidence.rate_hz;
    let curve = |level: &dyn Fn(f64) -> f64| -> Vec<f64> {
        at.iter().map(|i| level(frequency_hz()[*i])).collect()
    };
    // As a cascade: every section that plays less every section that was promised.
    let instead = |sections: &[Section]| {
        curve(&|f_hz| {
            let f_hz = f_hz.min(0.5 * rate_hz);
            cascade::level_db(sections, rate_hz, f_hz)
                - cascade::level_db(&of.sections, rate_hz, f_hz)
        })
    };
    let times = |times: f64| {
        curve(&|f_hz| times * cascade::level_db(&of.sections, rate_hz, f_hz.min(0.5 * rate_hz)))
    };
    let section = |place: &Place, becomes: &dyn Fn(&Section) -> Option<Section>| {
        if place.side.is_some_and(|side| side != of.side) {
            return None;
        }
        let was = of.sections.get(place.number - 1)?;
        let becomes = becomes(was);
        Some(curve(&|f_hz| {
            let f_hz = f_hz.min(0.5 * rate_hz);
            let plays = becomes.map_or(0.0, |s| response::level_db(&s, rate_hz, f_hz));
            plays - response::level_db(was, rate_hz, f_hz)
        }))
    };
    match explanation {
        Explanation::NothingWrong | Explanation::PreampMissing | Explanation::SomethingElse => None,
        Explanation::SealDiffers { seals } => seals.on(of.side).map(|seal| curve(&seal_db(seal))),
        Explanation::SeatDiffers { deeper_mm } => {
            let (deeper_mm, resonance_hz) = (deeper_mm.on(of.side)?, evidence.resonance_hz?);
            let support = &evidence.support;
            Some(seat::moved_db(&of.before_db, support, resonance_hz, *deeper_mm, at))
        }
        Explanation::SourceDiffers {
            before_ohm,
            after_ohm,
        } => {
            let impedance = evidence.impedance?;
            Some(curve(&|f_hz| {
                source_db(impedance, *after_ohm, f_hz) - source_db(impedance, *before_ohm, f_hz)
            }))
        }
        Explanation::SectionMissing { place } => section(place, &|_| None),
        Explanation::SignFlipped { place, .. } => section(place, &|was| {
            Some(Section {
                gain_db: -was.gain_db,
                ..*was
            })
        }),
        Explanation::ShelfMirrored { place } => section(place, &mirrored),
        Explanation::NumberWrong {
            place,
            number,
            fitted,
            slip,
        } => section(place, &|was| {
            Some(number.with(was, slip.unwrap_or(*fitted)))
        }),
        Explanation::QReadAs { peaking, shelves } => {
            let read = |was: &Section| as_read(was, *peaking, *shelves, rate_hz);
            Some(instead(&of.sections.iter().map(read).collect::<Vec<_>>()))
        }
        Explanation::GainsHalved => {
            let half = |was: &Section| Section {
                gain_db: 0.5 * was.gain_db,
                ..*was
            };
            Some(instead(&of.sections.iter().map(half).collect::<Vec<_>>()))
        }
        Explanation::Bypassed => Some(times(-1.0)),
        Explanation::AppliedTwice => Some(times(1.0)),
        Explanation::SessionsExchanged => Some(times(-2.0)),
        Explanation::OneSideOnly { plays } => (*plays != of.side).then(|| times(-1.0)),
        Explanation::WrongSide { mix } => match (mix, of.side) {
            (SideMixup::LeftOnBoth, Side::Left) | (SideMixup::RightOnBoth, Side::Right) => None,
            _ => of.others.as_ref().map(|others| instead(others)),
        },
        Explanation::WrongRate {
            coefficients_hz,
            played_hz,
        } => {
            let raised = played_hz / coefficients_hz;
            Some(curve(&|f_hz| {
                // Coefficients know cycles per sample only.
                let played_hz = (f_hz / raised).min(0.5 * coefficients_hz);
                cascade::level_db(&of.sections, *coefficients_hz, played_hz)
                    - cascade::level_db(&of.sections, rate_hz, f_hz.min(0.5 * rate_hz))
            }))
        }
    }
}

/// The other shelf with the same numbers; none for a peaking section.
pub(super) fn mirrored(was: &Section) -> Option<Section> {
    let shape = match was.shape {
        Shape::LowShelf => Shape::HighShelf,
        Shape::HighShelf => Shape::LowShelf,
        Shape::Peaking => return None,
    };
    Some(Section { shape, ..*was })
}

/// A section whose q is read in another way; what has no meaning is taken as it stands.
pub(super) fn as_read(
    was: &Section,
    peaking: QMeaning,
    shelves: QMeaning,
    rate_hz: f64,
) -> Section {
    let meaning = match was.shape.is_shelf() {
        true => shelves,
        false => peaking,
    };
    let q = meaning.to_cookbook(was.q, was.f0_hz, was.gain_db, rate_hz);
    Section {
        q: q.unwrap_or(was.q),
        ..*was
    }
}

fn seal_db(seal: &SideSeal) -> impl Fn(f64) -> f64 {
    let sign = if seal.after { -1.0 } else { 1.0 };
    move |f_hz| sign * seal.leak.loss_db(f_hz)
}

fn source_db(impedance: &ImpedanceByFrequency, output_ohm: f64, f_hz: f64) -> f64 {
    // Outside the curve nothing is known, and nothing is claimed.
    impedance.ohm_at(f_hz).map_or(0.0, |ohm| {
        divider_db(ohm, impedance.phase_deg_at(f_hz), output_ohm)
    })
}
