//! The exact level of a section and its derivatives, computed from its numbers without coefficients.
//!
//! The cookbook's filters are analog prototypes seen through the bilinear transform. With
//! `phi = sin^2(w/2)`, `w = 2 pi f / rate`, the prototype's squared frequency is
//! `u = tan^2(w/2) / tan^2(w0/2) = x / y`, `x = phi (1 - phi0)`, `y = (1 - phi) phi0`. Multiplying the
//! prototypes' squared magnitudes by `y^2` leaves polynomials in `x` and `y` that are exact from 0 Hz
//! to half the rate, and `y - x = phi0 - phi` is formed without cancellation as
//! `sin((w0 - w)/2) sin((w0 + w)/2)`. With `A = 10^(gain/40)`:
//!
//! - peaking: `|H|^2 = ((y-x)^2 + x y A^2/q^2) / ((y-x)^2 + x y / (A^2 q^2))`
//! - low shelf: `|H|^2 = A^2 ((A y - x)^2 + x y A/q^2) / ((A x - y)^2 + x y A/q^2)`
//! - high shelf of gain `g`: `g` dB plus a low shelf of `-g`.
//!
//! Derivatives are taken in `ln f0`, `gain_db` and `ln q`.

use std::f64::consts::{LN_10, PI};

use super::{Section, Shape};
use crate::units::DB_PER_POWER_NEPER;

/// A level and its derivatives at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// The level in dB.
    pub db: f64,
    /// Change of level per unit of `ln f0`, dB.
    pub per_ln_f0: f64,
    /// Change of level per dB of gain.
    pub per_gain_db: f64,
    /// Change of level per unit of `ln q`, dB.
    pub per_ln_q: f64,
}

/// Level of `section` at `frequency_hz` (0 to half of `rate_hz`), dB.
#[must_use]
pub fn level_db(section: &Section, rate_hz: f64, frequency_hz: f64) -> f64 {
    level(section, rate_hz, frequency_hz).db
}

/// Level and derivatives of `section` at `frequency_hz` (0 to half of `rate_hz`).
#[must_use]
pub fn level(section: &Section, rate_hz: f64, frequency_hz: f64) -> Level {
    let half = PI * frequency_hz / rate_hz;
    let half_0 = PI * section.f0_hz / rate_hz;
    let (sin, cos) = half.sin_cos();
    let (sin_0, cos_0) = half_0.sin_cos();
    let x = (sin * cos_0).powi(2);
    let y = (cos * sin_0).powi(2);
    // sin^2 a - sin^2 b = sin(a - b) sin(a + b).
    let y_minus_x = (half_0 - half).sin() * (half_0 + half).sin();
    // d(x/y)/d(ln f0) = -(x/y) * warp
    let warp = 2.0 * half_0 / (sin_0 * cos_0);
    match section.shape {
        Shape::Peaking => peaking(x, y, y_minus_x, warp, section.gain_db, section.q),
        Shape::LowShelf => low_shelf(x, y, warp, section.gain_db, section.q),
        Shape::HighShelf => {
            let mirror = low_shelf(x, y, warp, -section.gain_db, section.q);
            Level {
                db: section.gain_db + mirror.db,
                per_gain_db: 1.0 - mirror.per_gain_db,
                ..mirror
            }
        }
    }
}

fn peaking(x: f64, y: f64, y_minus_x: f64, warp: f64, gain_db: f64, q: f64) -> Level {
    let a_squared = (gain_db * (LN_10 / 20.0)).exp();
    let core = y_minus_x * y_minus_x;
    let xy = x * y;
    let num_width = xy * a_squared / (q * q);
    let den_width = xy / (a_squared * q * q);
    let num = core + num_width;
    let den = core + den_width;
    Level {
        db: DB_PER_POWER_NEPER * (num / den).ln(),
        // The derivative needs only the ratio of the scaled polynomials. With u = x/y and the polynomials divided by
        // xy, d(u + 1/u) = warp (1/u - u) = warp (y - x)(y + x) / xy.
        per_ln_f0: DB_PER_POWER_NEPER * warp * y_minus_x * (x + y) * (1.0 / num - 1.0 / den),
        per_gain_db: 0.5 * (num_width / num + den_width / den),
        per_ln_q: 2.0 * DB_PER_POWER_NEPER * (den_width / den - num_width / num),
    }
}

fn low_shelf(x: f64, y: f64, warp: f64, gain_db: f64, q: f64) -> Level {
    let a = (gain_db * (LN_10 / 40.0)).exp();
    let xy = x * y;
    let width = xy * a / (q * q);
    let num = (a * y - x).powi(2) + width;
    let den = (a * x - y).powi(2) + width;
    let cross = width - 2.0 * a * xy;
    let (xx, yy, aa) = (x * x, y * y, a * a);
    Level {
        db: 0.5 * gain_db + DB_PER_POWER_NEPER * (num / den).ln(),
        per_ln_f0: DB_PER_POWER_NEPER * warp * ((aa * yy - xx) / num - (yy - aa * xx) / den),
        per_gain_db: 0.5 + 0.25 * ((2.0 * aa * yy + cross) / num - (2.0 * aa * xx + cross) / den),
        per_ln_q: 2.0 * DB_PER_POWER_NEPER * width * (1.0 / den - 1.0 / num),
    }
}
