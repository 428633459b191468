//! The impulse response of a cascade, and a proven bound on what is left of it.
//!
//! What is left after a sample is the sections' ringing down. Section k with states `s1`, `s2` (direct form II
//! transposed) and no input gives `(s1 + s2 z^-1) / (1 + a1 z^-1 + a2 z^-2)`, which the sections after it pass on:
//!
//! `rest <= sum over k of (|s1| + |s2|) * norm of 1/(1 + a1 z^-1 + a2 z^-2) * norm of the sections after k`
//!
//! - The all-pole norm, from its impulse response: poles `p e^(+-i theta)` give
//!   `p^n sin((n+1) theta) / sin theta`, so at most `1 / (1-p)^2` and at most `1 / ((1-p) sin theta)`;
//!   real poles give at most `1 / ((1-|p1|)(1-|p2|))`.
//! - A cascade of order n: `norm <= (2 n + 1) max|H|` (S. Boyd and J. Doyle, "Comparison of peak and RMS
//!   gains for discrete-time systems", Systems and Control Letters 9, 1987).

use super::peak::peak;
use crate::error::Result;
use crate::filter::run::Cascade;
use crate::filter::{Section, biquad::Biquad};
use crate::units::amplitude_from_db;

/// Samples after which a response is given up (44 s at 96 kHz).
pub const BUDGET: usize = 1 << 22;
/// Samples between two looks at the rest.
pub(super) const BLOCK: usize = 1 << 10;

/// A cascade that was struck once and rings down.
pub(super) struct Ringing {
    cascade: Cascade,
    /// For each section, what a unit of its states can still add up to at the output.
    norms: Vec<f64>,
    input: f64,
}

impl Ringing {
    pub(super) fn new(sections: &[Section], rate_hz: f64) -> Result<Self> {
        let mut biquads = sections
            .iter()
            .map(|section| Ok((section, Biquad::new(section, rate_hz)?)))
            .collect::<Result<Vec<_>>>()?;
        // What rings longest comes first and keeps the rest busy: the states of a section that gets no more input fade
        // into subnormal numbers, with which processors take a hundred times as long.
        biquads.sort_by(|a, b| outer_radius(&b.1).total_cmp(&outer_radius(&a.1)));
        let (sections, biquads): (Vec<_>, Vec<_>) = biquads.into_iter().unzip();
        let passed_on = bounds_from_each_on(&sections, rate_hz);
        Ok(Self {
            cascade: Cascade::new(&biquads),
            norms: biquads
                .iter()
                .zip(&passed_on[1..])
                .map(|(biquad, after)| all_pole_norm(biquad) * after)
                .collect(),
            input: 1.0,
        })
    }

    /// The next sample.
    pub(super) fn next(&mut self) -> f64 {
        self.cascade.run(std::mem::take(&mut self.input))
    }

    /// The sum of the magnitudes of all samples to come is not above this.
    pub(super) fn rest(&self) -> f64 {
        let states = self.cascade.states().zip(&self.norms);
        states
            .map(|([s1, s2], norm)| (s1.abs() + s2.abs()) * norm)
            .sum()
    }
}

/// An impulse response, cut where little is left.
#[derive(Debug, Clone, PartialEq)]
pub struct ImpulseResponse {
    /// The samples from the impulse on, at least one.
    pub samples: Vec<f64>,
    /// The sum of the magnitudes of these samples.
    pub sum: f64,
    /// The sum of the magnitudes of all samples that were cut off is not above this: no gain, at any frequency, and
    /// no output for signals within 1 differs by more.
    pub rest: f64,
}

/// The impulse response of all `sections` together at `rate_hz`, as short as the bound can tell, such that what is cut
/// off is at most `accuracy` (0 to 1) of what is kept. None: it rings for more than [`BUDGET`] samples.
///
/// # Errors
/// When a section cannot be played at that rate.
pub fn impulse_response(
    sections: &[Section],
    rate_hz: f64,
    accuracy: f64,
) -> Result<Option<ImpulseResponse>> {
    let mut ringing = Ringing::new(sections, rate_hz)?;
    let mut samples = Vec::new();
    let mut sum = 0.0;
    while samples.len() < BUDGET {
        for _ in 0..BLOCK {
            let sample = ringing.next();
            sum += sample.abs();
            samples.push(sample);
        }
        // The bound is generous by orders of magnitude: run on, then give back what the samples themselves show.
        let mut rest = ringing.rest();
        if rest > 0.01 * accuracy * sum {
            continue;
        }
        while let [_, .., last] = samples[..]
            && rest + last.abs() <= accuracy * (sum - last.abs())
        {
            rest += last.abs();
            sum -= last.abs();
            samples.pop();
        }
        return Ok(Some(ImpulseResponse { samples, sum, rest }));
    }
    Ok(None)
}

/// For each k, a bound on the L1 norm of the sections from k on; 1 after the last.
fn bounds_from_each_on(sections: &[&Section], rate_hz: f64) -> Vec<f64> {
    let mut bounds = vec![1.0];
    let mut peak_db = 0.0;
    for (count, section) in sections.iter().rev().enumerate() {
        peak_db += peak(&[**section], rate_hz).gain_db;
        bounds.push((4 * (count + 1) + 1) as f64 * amplitude_from_db(peak_db));
    }
    bounds.reverse();
    bounds
}

/// Half of `a1` squared, less `a2`: negative where the poles are a complex pair.
fn discriminant(&Biquad { a1, a2, .. }: &Biquad) -> f64 {
    let half = 0.5 * a1.abs();
    half * half - a2
}

/// Distance from 0 of the pole that is farther out: what decides how long a section rings.
fn outer_radius(biquad: &Biquad) -> f64 {
    let discriminant = discriminant(biquad);
    if discriminant < 0.0 {
        biquad.a2.sqrt()
    } else {
        0.5 * biquad.a1.abs() + discriminant.sqrt()
    }
}

/// A bound on the L1 norm of the impulse response of `1 / (1 + a1 z^-1 + a2 z^-2)`.
fn all_pole_norm(biquad: &Biquad) -> f64 {
    let discriminant = discriminant(biquad);
    let a2 = biquad.a2;
    if discriminant < 0.0 {
        let radius = outer_radius(biquad);
        let to_circle = (1.0 - a2) / (1.0 + radius);
        let sine = (-discriminant).sqrt() / radius;
        1.0 / (to_circle * to_circle.max(sine))
    } else {
        let larger = outer_radius(biquad);
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
