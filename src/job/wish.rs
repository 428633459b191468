//! What a listener wants of a fit, beside the limits of the equaliser.

use crate::filter::Section;
use crate::fit::Freedom;
use crate::headroom::Protection;
use crate::wanted::{Base, Contour, Target};

/// The weight of the economy term unless another is asked for. Settled with tests/benches/listeners.rs: from 0.001 to 0.01,
/// ears that the fit has not seen lose nothing, while sections hardly work against each other any more.
pub const ECONOMY: f64 = 0.01;

/// What one more section must take off the residual to be worth it, unless something else is asked, dB. Settled with
/// tests/benches/listeners.rs: sections that bring less do next to nothing for ears that the fit has not seen.
pub const LEAST_GAIN_DB: f64 = 0.075;

/// Residuals that differ by this are as good to the ear, dB. Our choice: a loudness of decibels for a difference that a
/// twentieth of a decibel makes (tests/benches/listeners.rs).
pub const AS_GOOD_DB: f64 = 0.05;

/// Where a fit may work.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitBand {
    /// What lies below counts for nothing, and no section has its f0 there, hertz.
    pub from_hz: f64,
    /// The same for what lies above, hertz.
    pub to_hz: f64,
    /// No section has its f0 above this, though what lies there counts, hertz.
    pub highest_f0_hz: f64,
}

impl Default for FitBand {
    /// Wherever there are data.
    fn default() -> Self {
        Self {
            from_hz: 0.0,
            to_hz: f64::INFINITY,
            highest_f0_hz: f64::INFINITY,
        }
    }
}

/// Sections that one already has.
#[derive(Debug, Clone, PartialEq)]
pub struct Start {
    /// Those of the left side and those of the right; the same for one EQ for both.
    pub sections: [Vec<Section>; 2],
    /// What of them may change.
    pub freedom: Freedom,
}

/// What is wanted of a fit.
#[derive(Debug, Clone)]
pub struct Wish {
    /// The target; None: what the unit has now, changed by `contours`.
    pub target: Option<Target>,
    /// Added to the target.
    pub contours: Vec<Contour>,
    /// True for one EQ for each side: both are measured against the target at one level and get one preamp, so that the
    /// image does not move, and what they differ in level is part of the residual. Without a target, each side's own
    /// measurement is its base.
    pub per_side: bool,
    /// The curve is that of the ear that listens, so it is fitted as it was measured; otherwise what other ears are expected
    /// to get of it.
    pub this_ear: bool,
    /// Where the listener's own resonance lies with this unit, Hz; None: all ears count.
    pub ear_peak_hz: Option<f64>,
    /// Where the fit may work.
    pub band: FitBand,
    /// Sections that stay as they are, of the left side and of the right; the same for one EQ for both.
    pub kept: [Vec<Section>; 2],
    /// With it, nothing is searched for: the result is these sections, as they are or improved from where they are, be it
    /// no better than no EQ. No sections can be kept beside them; `least_gain_db` and `as_good_db` count for nothing, and
    /// `most_loudness_loss_db` needs some [`Freedom`].
    pub start: Option<Start>,
    /// With it, no more sections than are worth it: the fewest after which any number of further ones lowers the residual by
    /// less than this each, dB.
    pub least_gain_db: Option<f64>,
    /// Weight of the economy term, 0 or more.
    pub economy: f64,
    /// What the preamp protects against.
    pub protection: Protection,
    /// Of answers whose residual is at most so much above the least, the loudest is taken, dB; 0: the one of least
    /// residual.
    pub as_good_db: f64,
    /// With it, the best fit that plays no more than this quieter than no EQ, dB (A-weighted in a diffuse field, pink noise).
    pub most_loudness_loss_db: Option<f64>,
}

impl Default for Wish {
    /// No target, no taste, one EQ for both sides, the usual economy and protection.
    fn default() -> Self {
        Self {
            target: None,
            contours: Vec::new(),
            per_side: false,
            this_ear: false,
            ear_peak_hz: None,
            band: FitBand::default(),
            kept: [Vec::new(), Vec::new()],
            start: None,
            least_gain_db: None,
            economy: ECONOMY,
            protection: Protection::default(),
            as_good_db: AS_GOOD_DB,
            most_loudness_loss_db: None,
        }
    }
}

impl Wish {
    /// This target.
    #[must_use]
    pub fn toward(target: Target) -> Self {
        Self {
            target: Some(target),
            ..Self::default()
        }
    }

    /// Whether what is wanted is contours on what the unit has now, so that nothing of it depends on the measurement.
    #[must_use]
    pub fn is_taste(&self) -> bool {
        let target = self.target.as_ref();
        target.is_none_or(|target| target.base == Base::Measured)
    }

    /// The most sections that a side keeps.
    pub(super) fn kept_count(&self) -> usize {
        self.kept.iter().map(Vec::len).max().unwrap_or(0)
    }
}
