//! The phase of a section, computed from its numbers without coefficients.
//!
//! With `u = tan(w/2) / tan(w0/2)` (see [`super::response`]), the analog prototypes at `s = j u` are ratios of terms
//! `(c - d u^2) + j u e` with `e > 0`, whose angles lie between 0 and 180 degrees. The phase is the difference of the
//! two angles: between -180 and 180 degrees, 0 at 0 Hz, and continuous, since the sections are minimum phase.

use std::f64::consts::{LN_10, PI};

use super::{Section, Shape};

/// Phase of `section` at `frequency_hz` (0 to half of `rate_hz`), degrees; positive leads. The phases of sections in
/// series add up.
#[must_use]
pub fn phase_deg(section: &Section, rate_hz: f64, frequency_hz: f64) -> f64 {
    let (sin, cos) = (PI * frequency_hz / rate_hz).sin_cos();
    let (sin_0, cos_0) = (PI * section.f0_hz / rate_hz).sin_cos();
    // u = x / y; numerator and denominator are multiplied by y^2, so that half the rate (y = 0) stays finite.
    let (x, y) = (sin * cos_0, cos * sin_0);
    let (xx, yy, xy) = (x * x, y * y, x * y);
    let a = (section.gain_db * (LN_10 / 40.0)).exp();
    let shelf = || {
        let width = xy * a.sqrt() / section.q;
        width.atan2(a * yy - xx) - width.atan2(yy - a * xx)
    };
    let radians = match section.shape {
        Shape::Peaking => {
            let core = yy - xx;
            (xy * a / section.q).atan2(core) - (xy / (a * section.q)).atan2(core)
        }
        Shape::LowShelf => shelf(),
        Shape::HighShelf => -shelf(),
    };
    radians.to_degrees()
}
