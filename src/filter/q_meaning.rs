//! What an equaliser means by `q`, and the conversion to and from the q of the cookbook.
//!
//! Everything in this program computes with the cookbook's Q (R. Bristow-Johnson, Audio EQ Cookbook, W3C Group Note,
//! 2021). With `A = 10^(gain_db/40)`, `w0 = 2 pi f0_hz / rate_hz`:
//! - **bandwidth** `BW` of a peaking section in octaves, between the points of half its gain in dB, for the digital
//!   filter: `1/Q = 2 sinh(ln(2)/2 BW w0/sin(w0))` (cookbook);
//! - **slope** `S` of a shelf: `1/Q = sqrt((A + 1/A)(1/S - 1) + 2)` (cookbook);
//! - **pole q** of a peaking section: its denominator is `s^2 + s/(A Q) + 1`, so that `Q_pole = A Q`. A cookbook
//!   shelf's poles have the Q of the cookbook themselves;
//! - **-3 dB width** of a peaking section: `Q_3 = f0 / (f2 - f1)`, where f1 and f2 are the points of half the power of
//!   the top of a boost, or of twice the power of the bottom of a cut. With `B = max(A, 1/A)`, from
//!   `|H|^2 = (x^2 + B^2/Q^2) / (x^2 + 1/(B Q)^2)` at `x = w/w0 - w0/w`: `Q_3 = Q sqrt(B^2 - 2/B^2)`. There are no such
//!   points unless the gain is more than [`LEAST_GAIN_OF_WIDTH_DB`] away from 0. It is the width of the analogue
//!   prototype, which the digital filter has where f0 is far below half the rate; above, its edges lie where
//!   `tan(pi f/rate) / tan(pi f0/rate)` says.

use std::f64::consts::{LN_2, PI};
use std::fmt;

use super::Shape;

/// 10 log10(2), dB: a gain of at most this magnitude has no points 3 dB below its top.
pub const LEAST_GAIN_OF_WIDTH_DB: f64 = 3.010_299_956_639_812;

/// Least magnitude of the gain of a fitted section whose q is its -3 dB width, dB: slightly more than
/// [`LEAST_GAIN_OF_WIDTH_DB`], where the width vanishes.
pub const LEAST_GAIN_WITH_WIDTH_DB: f64 = 3.1;

/// What an equaliser means by the number it calls q.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum QMeaning {
    /// The cookbook's Q.
    #[default]
    Cookbook,
    /// Bandwidth in octaves between the points of half the gain; peaking sections only.
    BandwidthOctaves,
    /// f0 over the width between the -3 dB points; peaking sections only.
    #[serde(rename = "width-3-db")]
    Width3Db,
    /// Q of the poles; peaking sections only.
    PoleQ,
    /// Shelf slope S; shelves only.
    Slope,
}

impl QMeaning {
    /// Possible meanings for a peaking section.
    pub const OF_PEAKING: [Self; 4] = [
        Self::Cookbook,
        Self::BandwidthOctaves,
        Self::Width3Db,
        Self::PoleQ,
    ];
    /// Possible meanings for a shelf.
    pub const OF_SHELVES: [Self; 2] = [Self::Cookbook, Self::Slope];

    /// Possible meanings for `shape`.
    #[must_use]
    pub fn of(shape: Shape) -> &'static [Self] {
        if shape.is_shelf() {
            &Self::OF_SHELVES
        } else {
            &Self::OF_PEAKING
        }
    }

    /// The name used in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Cookbook => "cookbook",
            Self::BandwidthOctaves => "bandwidth-octaves",
            Self::Width3Db => "width-3-db",
            Self::PoleQ => "pole-q",
            Self::Slope => "slope",
        }
    }

    /// The meaning in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Cookbook => "the cookbook's Q",
            Self::BandwidthOctaves => "bandwidth in octaves between the points of half the gain",
            Self::Width3Db => "f0 over the width between the -3 dB points",
            Self::PoleQ => "Q of the poles",
            Self::Slope => "shelf slope S",
        }
    }

    /// The cookbook's Q of a section for which an equaliser with this meaning has `device_q` at `rate_hz`. None if
    /// there is none: for a gain too close to 0 for -3 dB points, a shelf too steep for its gain, or numbers outside
    /// their range.
    #[must_use]
    pub fn to_cookbook(self, device_q: f64, f0_hz: f64, gain_db: f64, rate_hz: f64) -> Option<f64> {
        let a = amplitude(gain_db);
        let q = match self {
            Self::Cookbook => device_q,
            Self::BandwidthOctaves => {
                0.5 / (LN_2 / 2.0 * device_q * stretch(f0_hz, rate_hz)).sinh()
            }
            Self::Width3Db => device_q / width_factor(gain_db)?,
            Self::PoleQ => device_q / a,
            Self::Slope => 1.0 / ((a + 1.0 / a) * (1.0 / device_q - 1.0) + 2.0).sqrt(),
        };
        (device_q > 0.0 && q.is_finite() && q > 0.0).then_some(q)
    }

    /// The number that an equaliser with this meaning calls q, for a section of the cookbook's `q`; None as for
    /// [`Self::to_cookbook`].
    #[must_use]
    pub fn from_cookbook(self, q: f64, f0_hz: f64, gain_db: f64, rate_hz: f64) -> Option<f64> {
        let a = amplitude(gain_db);
        let device_q = match self {
            Self::Cookbook => q,
            Self::BandwidthOctaves => (0.5 / q).asinh() * 2.0 / LN_2 / stretch(f0_hz, rate_hz),
            Self::Width3Db => q * width_factor(gain_db)?,
            Self::PoleQ => q * a,
            Self::Slope => 1.0 / ((1.0 / (q * q) - 2.0) / (a + 1.0 / a) + 1.0),
        };
        (q > 0.0 && device_q.is_finite() && device_q > 0.0).then_some(device_q)
    }

    /// The lowest and highest cookbook Q that numbers of the equaliser can stand for, over ranges of these numbers, f0
    /// and gain. All formulas are monotonic in f0 below half the rate and in the magnitude of the gain, so only the
    /// ends of the ranges are tried, and gain 0 if it is in range.
    #[must_use]
    pub(crate) fn cookbook_range(
        self,
        device_q: (f64, f64),
        f0_hz: (f64, f64),
        gain_db: (f64, f64),
        rate_hz: f64,
    ) -> Option<(f64, f64)> {
        let flat_db = 0f64.clamp(gain_db.0, gain_db.1);
        let mut range: Option<(f64, f64)> = None;
        for device_q in [device_q.0, device_q.1] {
            for f0_hz in [f0_hz.0, f0_hz.1] {
                for gain_db in [gain_db.0, flat_db, gain_db.1] {
                    if let Some(q) = self.to_cookbook(device_q, f0_hz, gain_db, rate_hz) {
                        let (low, high) = range.unwrap_or((q, q));
                        range = Some((q.min(low), q.max(high)));
                    }
                }
            }
        }
        range
    }
}

impl fmt::Display for QMeaning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// The cookbook's A.
fn amplitude(gain_db: f64) -> f64 {
    10f64.powf(gain_db / 40.0)
}

/// w0 / sin w0: the factor by which the bilinear transform changes a bandwidth at f0.
fn stretch(f0_hz: f64, rate_hz: f64) -> f64 {
    let w0 = 2.0 * PI * f0_hz / rate_hz;
    w0 / w0.sin()
}

/// Q_3 / Q; None if there are no -3 dB points.
fn width_factor(gain_db: f64) -> Option<f64> {
    let b = amplitude(gain_db.abs());
    (gain_db.abs() > LEAST_GAIN_OF_WIDTH_DB).then(|| (b * b - 2.0 / (b * b)).sqrt())
}
