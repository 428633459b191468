//! A section, described by the numbers that are typed in.

use std::fmt;

/// The three shapes of the Audio EQ Cookbook (R. Bristow-Johnson, W3C Group Note, 2021) in use here.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    serde::Serialize,
    schemars::JsonSchema,
    serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Gain below `f0_hz`, half of it (in dB) at `f0_hz`.
    LowShelf,
    /// Gain around `f0_hz`, all of it at `f0_hz`.
    Peaking,
    /// Gain above `f0_hz`, half of it (in dB) at `f0_hz`.
    HighShelf,
}

impl Shape {
    /// All shapes, in the order in which files list them.
    pub const ALL: [Self; 3] = [Self::LowShelf, Self::Peaking, Self::HighShelf];

    /// The name in files: `low-shelf`, `peaking`, `high-shelf`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::LowShelf => "low-shelf",
            Self::Peaking => "peaking",
            Self::HighShelf => "high-shelf",
        }
    }

    /// True for both shelves.
    #[must_use]
    pub fn is_shelf(self) -> bool {
        self != Self::Peaking
    }
}

impl fmt::Display for Shape {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// One second-order filter as a listener types it in.
#[derive(
    Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema, serde::Deserialize,
)]
#[serde(deny_unknown_fields)]
pub struct Section {
    /// Which of the three shapes.
    pub shape: Shape,
    /// Centre (peaking) or midpoint (shelves), Hz, below half the sample rate.
    pub f0_hz: f64,
    /// Gain, dB, either sign.
    pub gain_db: f64,
    /// Cookbook q, above 0.
    pub q: f64,
}

impl Section {
    /// True if all numbers are finite, `f0_hz` and `q` are positive, and `f0_hz` is below half of `rate_hz`.
    #[must_use]
    pub fn is_playable_at(&self, rate_hz: f64) -> bool {
        self.gain_db.is_finite()
            && self.q.is_finite()
            && self.q > 0.0
            && self.f0_hz > 0.0
            && self.f0_hz < rate_hz / 2.0
    }
}
