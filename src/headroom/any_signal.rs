//! What no signal can exceed: the L1 norm of the cascade's impulse response.
//!
//! The impulse response is summed until a bound on what is left is below 1e-9 of the sum; the bound is
//! added, so the result is never too small. What is left after a sample is the sections' ringing down.
//! Section k with states `s1`, `s2` (direct form II transposed) and no input gives
//! `(s1 + s2 z^-1) / (1 + a1 z^-1 + a2 z^-2)`, which the sections after it pass on:
//!
//! `rest <= sum over k of (|s1| + |s2|) * norm of 1/(1 + a1 z^-1 + a2 z^-2) * norm of the sections after k`
//!
//! - The all-pole norm, from its impulse response: poles `p e^(+-i theta)` give
//!   `p^n sin((n+1) theta) / sin theta`, so at most `1 / (1-p)^2` and at most `1 / ((1-p) sin theta)`;
//!   real poles give at most `1 / ((1-|p1|)(1-|p2|))`.
//! - A cascade of order n: `norm <= (2 n + 1) max|H|` (S. Boyd and J. Doyle, "Comparison of peak and RMS
//!   gains for discrete-time systems", Systems and Control Letters 9, 1987).
//!
//! A section that rings for very long (q 100 at 20 Hz and 96 kHz) ends the budget of samples first; then
//! the smaller of both bounds is returned, and marked.

use ::biquad::{Biquad as _, Coefficients, DirectForm2Transposed};

use super::peak::peak;
use crate::error::Result;
use crate::filter::{Section, biquad::Biquad};
use crate::units::{amplitude_from_db, db_from_amplitude};

/// The rest may be this part of the sum.
const ACCURACY: f64 = 1e-9;
/// Samples after which the sum is given up (44 s at 96 kHz).
const BUDGET: usize = 1 << 22;
/// Samples between two looks at the rest.
const BLOCK: usize = 1 << 10;

/// The largest gain for signals of any kind.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct AnySignal {
    /// 20 log10 of the L1 norm, dB; never below the true value.
    pub gain_db: f64,
    /// True when it exceeds the true value by at most 1e-9 of it; false when it is only an upper bound.
    pub is_exact: bool,
}

/// The largest gain of all `sections` together at `rate_hz` for signals of any kind. No section: 0 dB.
///
/// # Errors
/// When a section cannot be played at that rate.
pub fn any_signal(sections: &[Section], rate_hz: f64) -> Result<AnySignal> {
    let biquads = sections
        .iter()
        .map(|section| Biquad::new(section, rate_hz))
        .collect::<Result<Vec<_>>>()?;
    let mut filters: Vec<_> = biquads.iter().map(filter).collect();
    let passed_on = bounds_from_each_on(sections, rate_hz);
    let ringing: Vec<f64> = biquads
        .iter()
        .zip(&passed_on[1..])
        .map(|(biquad, after)| all_pole_norm(biquad) * after)
        .collect();

    let mut sum = 0.0;
    let mut input = 1.0;
    let mut rest = f64::INFINITY;
    for _ in 0..BUDGET / BLOCK {
        let mut block = 0.0;
        for _ in 0..BLOCK {
            block += filters
                .iter_mut()
                .fold(input, |x, filter| filter.run(x))
                .abs();
            input = 0.0;
        }
        sum += block;
        rest = filters
            .iter()
            .zip(&ringing)
            .map(|(filter, ringing)| (filter.s1.abs() + filter.s2.abs()) * ringing)
            .sum();
        if rest <= ACCURACY * sum {
            return Ok(AnySignal {
                gain_db: db_from_amplitude(sum + rest),
                is_exact: true,
            });
        }
    }
    let whole =
        (4 * sections.len() + 1) as f64 * amplitude_from_db(peak(sections, rate_hz).gain_db);
    Ok(AnySignal {
        gain_db: db_from_amplitude(whole.min(sum + rest)),
        is_exact: false,
    })
}

fn filter(biquad: &Biquad) -> DirectForm2Transposed<f64> {
    DirectForm2Transposed::new(Coefficients {
        b0: biquad.b0,
        b1: biquad.b1,
        b2: biquad.b2,
        a1: biquad.a1,
        a2: biquad.a2,
    })
}

/// For each k, a bound on the L1 norm of the sections from k on; 1 after the last.
fn bounds_from_each_on(sections: &[Section], rate_hz: f64) -> Vec<f64> {
    let mut bounds = vec![1.0];
    let mut peak_db = 0.0;
    for (count, section) in sections.iter().rev().enumerate() {
        peak_db += peak(&[*section], rate_hz).gain_db;
        bounds.push((4 * (count + 1) + 1) as f64 * amplitude_from_db(peak_db));
    }
    bounds.reverse();
    bounds
}

/// A bound on the L1 norm of the impulse response of `1 / (1 + a1 z^-1 + a2 z^-2)`.
fn all_pole_norm(&Biquad { a1, a2, .. }: &Biquad) -> f64 {
    let half = 0.5 * a1.abs();
    let discriminant = half * half - a2;
    if discriminant < 0.0 {
        let radius = a2.sqrt();
        let to_circle = (1.0 - a2) / (1.0 + radius);
        let sine = (-discriminant).sqrt() / radius;
        1.0 / (to_circle * to_circle.max(sine))
    } else {
        let larger = half + discriminant.sqrt();
        let smaller = if larger > 0.0 {
            (a2 / larger).abs()
        } else {
            0.0
        };
        if larger < 1.0 {
            1.0 / ((1.0 - larger) * (1.0 - smaller))
        } else {
            f64::INFINITY
        }
    }
}
