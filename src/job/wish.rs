//! What a listener wants of a fit, beside the limits of the equaliser.

use crate::filter::Section;
use crate::headroom::Protection;
use crate::wanted::{Contour, Target};

/// The weight of the economy term unless another is asked for.
pub const ECONOMY: f64 = 0.001;

/// What one more section must take off the residual unless more is asked, dB.
pub const LEAST_GAIN_DB: f64 = 0.03;

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
    /// Sections that stay as they are, of the left side and of the right; the same for one EQ for both.
    pub kept: [Vec<Section>; 2],
    /// With it, no more sections than needed: none after which one more lowers the residual by less than this, dB, or than
    /// the takes' own spread, whichever is more.
    pub least_gain_db: Option<f64>,
    /// Weight of the economy term, 0 or more.
    pub economy: f64,
    /// What the preamp protects against.
    pub protection: Protection,
    /// With it, the best fit that plays no more than this quieter than no EQ, dB (ITU-R BS.1770, pink noise).
    pub most_loudness_loss_db: Option<f64>,
}

impl Default for Wish {
    /// No target, no taste, one EQ for both sides, the usual economy and protection.
    fn default() -> Self {
        Self {
            target: None,
            contours: Vec::new(),
            per_side: false,
            kept: [Vec::new(), Vec::new()],
            least_gain_db: None,
            economy: ECONOMY,
            protection: Protection::default(),
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

    /// The most sections that a side keeps.
    pub(super) fn kept_count(&self) -> usize {
        self.kept.iter().map(Vec::len).max().unwrap_or(0)
    }
}
