//! How loud a frequency counts: K weighting of ITU-R BS.1770-5 and A weighting of IEC 61672-1, exact by frequency.
//!
//! - K is two filters in series, given by the recommendation as coefficients at 48 kHz (tables 1 and 2). Their power
//!   gain is written in `phi = sin^2(pi f / rate)`: `|b0 + b1 z^-1 + b2 z^-2|^2 = (b0 + b1 + b2)^2 - 4 (b0 b1 + 4 b0 b2 +
//!   b1 b2) phi + 16 b0 b2 phi^2`, which loses no digits at low frequencies (the high-pass is `16 phi^2` above).
//! - A has four poles, two of them double, and is 0 dB at 1 kHz (IEC 61672-1:2013; the poles, in the four digits that
//!   the standard writes, from memory, and the result held to the standard's table by a test). It is defined in continuous time and has no rate.
//!
//! Neither ends at 20 kHz; whoever integrates with them says over which band.

use std::f64::consts::PI;
use std::sync::LazyLock;

use crate::filter::biquad::Biquad;
use crate::units::{db_from_amplitude, db_from_power};

/// The rate at which [`K_STAGES`] are given.
pub const K_RATE_HZ: f64 = 48_000.0;

/// The two filters of K weighting, for signals at [`K_RATE_HZ`]: the head's shelf and the high-pass.
pub const K_STAGES: [Biquad; 2] = [
    Biquad {
        b0: 1.535_124_859_586_97,
        b1: -2.691_696_189_406_38,
        b2: 1.198_392_810_852_85,
        a1: -1.690_659_293_182_41,
        a2: 0.732_480_774_215_85,
    },
    Biquad {
        b0: 1.0,
        b1: -2.0,
        b2: 1.0,
        a1: -1.990_047_454_833_98,
        a2: 0.990_072_250_366_21,
    },
];

/// Poles of A weighting, hertz; the first and the last are double.
const A_POLES_HZ: [f64; 4] = [20.6, 107.7, 737.9, 12_194.0];

static A_AT_1_KHZ_DB: LazyLock<f64> = LazyLock::new(|| unscaled_a_db(1000.0));

/// K weighting at `frequency_hz`, 0 to 24 kHz, dB: minus infinity at 0 Hz, 0.70 dB at 1 kHz, 4.04 dB at the top.
#[must_use]
pub fn k_db(frequency_hz: f64) -> f64 {
    let phi = (PI * frequency_hz / K_RATE_HZ).sin().powi(2);
    let gain = |&Biquad { b0, b1, b2, a1, a2 }: &Biquad| {
        power([b0, b1, b2], phi) / power([1.0, a1, a2], phi)
    };
    db_from_power(K_STAGES.iter().map(gain).product())
}

fn power([c0, c1, c2]: [f64; 3], phi: f64) -> f64 {
    let sum = c0 + c1 + c2;
    sum * sum - 4.0 * phi * (c0 * c1 + 4.0 * c0 * c2 + c1 * c2) + 16.0 * c0 * c2 * phi * phi
}

/// A weighting at `frequency_hz`, dB: minus infinity at 0 Hz, 0 dB at 1 kHz.
#[must_use]
pub fn a_db(frequency_hz: f64) -> f64 {
    unscaled_a_db(frequency_hz) - *A_AT_1_KHZ_DB
}

fn unscaled_a_db(frequency_hz: f64) -> f64 {
    let f2 = frequency_hz * frequency_hz;
    let top = A_POLES_HZ[3] * A_POLES_HZ[3];
    let [p1, p2, p3, p4] = A_POLES_HZ.map(|pole_hz| f2 + pole_hz * pole_hz);
    db_from_amplitude(f2 / p1 * (f2 / (p2 * p3).sqrt()) * (top / p4))
}
