//! What plays under an explanation.

use super::evidence::{Evidence, MeasuredEq};
use super::kinds::{Explanation, Place, SideMixup};
use crate::filter::{Section, cascade};
use crate::measurement::leak::{LOSS_AT_HZ, Leak, Order};
use crate::measurement::takes::Side;

/// What plays in a part under an explanation.
#[derive(Debug, Clone, PartialEq)]
pub struct PlayedEq {
    /// The sections.
    pub sections: Vec<Section>,
    /// The rate that their coefficients are of, hertz.
    pub rate_hz: f64,
    /// By how much frequencies are raised, as a ratio.
    pub raised: f64,
    /// How often they play.
    pub times: f64,
    /// A leak on top, dB at 30 Hz; negative: the opposite.
    pub loss_at_30_hz_db: f64,
}

impl PlayedEq {
    /// As the sheet says.
    #[must_use]
    pub fn promised(sections: &[Section], rate_hz: f64) -> Self {
        Self {
            sections: sections.to_vec(),
            rate_hz,
            raised: 1.0,
            times: 1.0,
            loss_at_30_hz_db: 0.0,
        }
    }

    /// The change at a frequency, dB.
    #[must_use]
    pub fn level_db(&self, frequency_hz: f64) -> f64 {
        // Coefficients know cycles per sample only.
        let f_hz = (frequency_hz / self.raised).min(0.5 * self.rate_hz);
        let mut db = self.times * cascade::level_db(&self.sections, self.rate_hz, f_hz);
        if self.loss_at_30_hz_db != 0.0 {
            db -= self.loss_at_30_hz_db.signum()
                * leak(self.loss_at_30_hz_db.abs()).loss_db(frequency_hz);
        }
        db
    }
}

fn leak(loss_at_30_hz_db: f64) -> Leak {
    Leak {
        loss_at_30_hz_db,
        corner_hz: LOSS_AT_HZ * (10f64.powf(0.1 * loss_at_30_hz_db) - 1.0).sqrt(),
        order: Order::First,
        q: None,
    }
}

/// What plays in every part under an explanation.
pub(super) fn played(evidence: &Evidence, explanation: &Explanation) -> Vec<PlayedEq> {
    let with = |change: &dyn Fn(&MeasuredEq, &mut PlayedEq)| -> Vec<PlayedEq> {
        let of_part = |part: &MeasuredEq| {
            let mut playing = PlayedEq::promised(&part.sections, evidence.rate_hz);
            change(part, &mut playing);
            playing
        };
        evidence.parts.iter().map(of_part).collect()
    };
    let at = |place: &Place, change: &dyn Fn(&mut Section)| {
        with(&|part, playing| {
            if part.side == place.side
                && let Some(section) = playing.sections.get_mut(place.number - 1)
            {
                change(section);
            }
        })
    };
    match explanation {
        Explanation::NothingWrong | Explanation::PreampMissing | Explanation::SomethingElse => {
            with(&|_, _| {})
        }
        Explanation::SealDiffers { loss_at_30_hz_db } => {
            with(&|_, playing| playing.loss_at_30_hz_db = *loss_at_30_hz_db)
        }
        Explanation::SectionMissing { place } => with(&|part, playing| {
            if part.side == place.side {
                playing.sections.remove(place.number - 1);
            }
        }),
        Explanation::SignFlipped { place } => at(place, &|section| section.gain_db *= -1.0),
        Explanation::NumberWrong {
            place,
            number,
            fitted,
            slip,
        } => at(place, &|section| {
            *section = number.with(section, slip.unwrap_or(*fitted));
        }),
        Explanation::QReadAs { peaking, shelves } => with(&|_, playing| {
            for section in &mut playing.sections {
                let meaning = if section.shape.is_shelf() {
                    shelves
                } else {
                    peaking
                };
                // What has no meaning is taken as it stands.
                if let Some(q) =
                    meaning.to_cookbook(section.q, section.f0_hz, section.gain_db, evidence.rate_hz)
                {
                    section.q = q;
                }
            }
        }),
        Explanation::Bypassed => with(&|_, playing| playing.sections.clear()),
        Explanation::AppliedTwice => with(&|_, playing| playing.times = 2.0),
        Explanation::WrongSide { mix } => with(&|part, playing| {
            let others = match (mix, part.side) {
                (SideMixup::LeftOnBoth, Some(Side::Left))
                | (SideMixup::RightOnBoth, Some(Side::Right)) => None,
                _ => part.others.as_ref(),
            };
            if let Some(others) = others {
                playing.sections.clone_from(others);
            }
        }),
        Explanation::WrongRate {
            coefficients_hz,
            played_hz,
        } => with(&|_, playing| {
            playing.rate_hz = *coefficients_hz;
            playing.raised = played_hz / coefficients_hz;
        }),
    }
}
