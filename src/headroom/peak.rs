//! The true maximum of a cascade's level over 0 Hz to half the sample rate.
//!
//! Let `t = ln tan^2(w/2)`, `w = 2 pi f / rate`: from minus infinity at 0 Hz to plus infinity at half the
//! rate. Divided by `x y`, the polynomials of [`crate::filter::response`] become one and the same function
//! of the distance `v = t - t0` from the section's own `t0`, in nepers of power:
//!
//! `L(v; r) = ln(4 sinh^2(v/2) + r^2)`
//!
//! - peaking: `L(v; A/q) - L(v; 1/(A q))`
//! - low shelf: `gain/2 + L(v - ln A; 1/q) - L(v + ln A; 1/q)`
//! - high shelf: `gain/2 + L(v + ln A; 1/q) - L(v - ln A; 1/q)`
//!
//! So the cascade is a sum of shifted copies of `L`, plus and minus. Its first three derivatives are
//! cheap; the fourth is bounded over any interval at distance `d` or more from `v = 0`:
//!
//! - The zeros of `4 sinh^2(v/2) + r^2` are `+-i theta + 2 pi i m`, `theta = 2 asin(r/2)`, for `r < 2`, and
//!   `+-a + i pi (2 m + 1)`, `a = 2 acosh(r/2)`, for larger `r`. By the partial fractions of `L''`, `L''''` is
//!   `-6` times the sum of `(v - zero)^-4`. For `r < 2` the two nearest zeros give at most
//!   `12 / (d^2 + theta^2)^2`, all others `12 zeta(4) / pi^4 = 2/15`; for `r >= 2` all give at most
//!   `24 / pi^4 * pi^4 / 96 = 1/4`.
//! - Far out, `L = |v| - 2 sum cos(k theta) e^(-k |v|) / k` (`cosh(k a)` with alternating sign for `r >= 2`), so
//!   `|L''''| <= 2 R (1 + 4 R + R^2) / (1 - R)^4` with `R = e^(a - d)`, `a = 0` for `r < 2`.
//!
//! Over an interval the cascade is at most the maximum of its Taylor cubic plus the bounded rest. Branch
//! and bound: an interval that cannot exceed the best level seen by more than `TOLERANCE_DB` is dropped,
//! any other is halved. The rest falls with the fourth power of the width, so this ends after a few dozen
//! to a few hundred intervals, however the peaks lie; what it returns is below the true maximum by
//! [`GUARANTEE_DB`] at most (rounding of the arithmetic, some 1e-13 dB, included).

use std::f64::consts::{LN_10, PI};

use crate::filter::{Section, Shape, cascade};
use crate::units::DB_PER_POWER_NEPER;

/// What [`peak`] may miss of the true maximum.
pub const GUARANTEE_DB: f64 = 1e-9;
/// What the search within the interval may miss.
const TOLERANCE_DB: f64 = 0.5e-9;
/// What the level may change outside the interval, on the way to 0 Hz or to half the rate.
const TAIL_DB: f64 = 0.1e-9;

/// The largest level of a cascade and where it is.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Peak {
    /// The largest level over 0 Hz to half the rate, dB.
    pub gain_db: f64,
    /// A frequency where it is reached; 0 Hz and half the rate are possible.
    pub frequency_hz: f64,
}

/// The largest level of all `sections` together over 0 Hz to half of `rate_hz`, not below the true value
/// by more than [`GUARANTEE_DB`]. No section: 0 dB.
///
/// The sections must be playable at the rate ([`Section::is_playable_at`]); for others the number means nothing.
#[must_use]
pub fn peak(sections: &[Section], rate_hz: f64) -> Peak {
    let ends = [0.0, rate_hz / 2.0].map(|frequency_hz| Peak {
        gain_db: cascade::level_db(sections, rate_hz, frequency_hz),
        frequency_hz,
    });
    let higher_end = if ends[1].gain_db > ends[0].gain_db {
        ends[1]
    } else {
        ends[0]
    };
    match Curve::new(sections, rate_hz).maximum_above(higher_end.gain_db) {
        Some((t, gain_db)) => Peak {
            gain_db,
            frequency_hz: rate_hz / PI * (0.5 * t).exp().atan(),
        },
        None => higher_end,
    }
}

/// `sign * L(t - centre; r)`.
struct Term {
    sign: f64,
    centre: f64,
    r_squared: f64,
    theta_squared: f64,
    a: f64,
}

impl Term {
    fn new(sign: f64, centre: f64, r: f64) -> Self {
        Self {
            sign,
            centre,
            r_squared: r * r,
            theta_squared: (2.0 * (0.5 * r).min(1.0).asin()).powi(2),
            a: 2.0 * (0.5 * r).max(1.0).acosh(),
        }
    }

    /// `L` and its first three derivatives, in `e = e^-|v|` so that nothing overflows or cancels.
    fn derivatives(&self, t: f64) -> [f64; 4] {
        let v = t - self.centre;
        let e = (-v.abs()).exp();
        let one_minus_e = -(-v.abs()).exp_m1();
        let r2 = self.r_squared;
        let k = one_minus_e * one_minus_e + e * r2;
        let first = v.signum() * one_minus_e * (1.0 + e) / k;
        let second = e * ((1.0 + e * e) * r2 - 2.0 * one_minus_e * one_minus_e) / (k * k);
        let third = first * (e * (r2 - 2.0) / k - 2.0 * second);
        [v.abs() + k.ln(), first, second, third].map(|x| self.sign * x)
    }

    /// A bound on `|L''''|` between `lo` and `hi`.
    fn fourth_bound(&self, lo: f64, hi: f64) -> f64 {
        let d = (lo - self.centre).max(self.centre - hi).max(0.0);
        let near = if self.r_squared < 4.0 {
            12.0 / (d * d + self.theta_squared).powi(2) + 2.0 / 15.0
        } else {
            0.25
        };
        if d <= self.a {
            return near;
        }
        let big_r = (self.a - d).exp();
        near.min(2.0 * big_r * (1.0 + big_r * (4.0 + big_r)) / (1.0 - big_r).powi(4))
    }
}

/// The level of a cascade as a function of `t`, dB.
struct Curve {
    offset_db: f64,
    terms: Vec<Term>,
}

impl Curve {
    fn new(sections: &[Section], rate_hz: f64) -> Self {
        let mut curve = Self {
            offset_db: 0.0,
            terms: Vec::with_capacity(2 * sections.len()),
        };
        for section in sections {
            let centre = 2.0 * (PI * section.f0_hz / rate_hz).tan().ln();
            let ln_a = section.gain_db * (LN_10 / 40.0);
            let (plus, minus) = match section.shape {
                Shape::Peaking => (
                    Term::new(1.0, centre, ln_a.exp() / section.q),
                    Term::new(-1.0, centre, (-ln_a).exp() / section.q),
                ),
                Shape::LowShelf => (
                    Term::new(1.0, centre + ln_a, 1.0 / section.q),
                    Term::new(-1.0, centre - ln_a, 1.0 / section.q),
                ),
                Shape::HighShelf => (
                    Term::new(1.0, centre - ln_a, 1.0 / section.q),
                    Term::new(-1.0, centre + ln_a, 1.0 / section.q),
                ),
            };
            if section.shape.is_shelf() {
                curve.offset_db += 0.5 * section.gain_db;
            }
            curve.terms.extend([plus, minus]);
        }
        curve
    }

    /// Taylor coefficients at `t`, up to the third power.
    fn cubic(&self, t: f64) -> [f64; 4] {
        let mut sum = [0.0; 4];
        for term in &self.terms {
            for (sum, derivative) in sum.iter_mut().zip(term.derivatives(t)) {
                *sum += derivative;
            }
        }
        let [g, g1, g2, g3] = sum.map(|x| DB_PER_POWER_NEPER * x);
        [self.offset_db + g, g1, g2 / 2.0, g3 / 6.0]
    }

    /// The interval outside which the level stays within [`TAIL_DB`] of its ends.
    fn interval(&self) -> (f64, f64) {
        // A term is |v| plus at most 2.1 e^(a - |v|) nepers.
        let per_term = TAIL_DB / (2.1 * DB_PER_POWER_NEPER * self.terms.len() as f64);
        let margin = -per_term.ln();
        self.terms
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), term| {
                let reach = term.a + margin;
                (lo.min(term.centre - reach), hi.max(term.centre + reach))
            })
    }

    /// Where the level exceeds `floor_db` most, and that level; None where it does not by more than the tolerance.
    fn maximum_above(&self, floor_db: f64) -> Option<(f64, f64)> {
        let mut best_db = floor_db;
        let mut best_t = None;
        let mut open = vec![self.interval()];
        while let Some((lo, hi)) = open.pop() {
            let mid = 0.5 * (lo + hi);
            let half = mid - lo;
            let cubic = self.cubic(mid);
            let (x, top_db) = maximum_of_cubic(&cubic, half);
            let fourth: f64 = self
                .terms
                .iter()
                .map(|term| term.fourth_bound(lo, hi))
                .sum();
            let rest_db = DB_PER_POWER_NEPER * fourth * half.powi(4) / 24.0;
            // False for NaN, so that nothing can make this loop endless.
            let can_exceed = top_db + rest_db > best_db + TOLERANCE_DB;
            if !can_exceed {
                continue;
            }
            let seen_db = self.cubic(mid + x)[0];
            if seen_db > best_db {
                best_db = seen_db;
                best_t = Some(mid + x);
            }
            let can_be_halved = lo < mid && mid < hi;
            if can_be_halved && 2.0 * rest_db > TOLERANCE_DB {
                let halves = [(lo, mid), (mid, hi)];
                // The half where the cubic is higher is searched first: a good level drops many others.
                open.extend(if x > 0.0 {
                    halves
                } else {
                    [halves[1], halves[0]]
                });
            }
        }
        best_t.map(|t| (t, best_db))
    }
}

/// Where `c0 + c1 x + c2 x^2 + c3 x^3` is largest for `|x| <= half`, and how large.
fn maximum_of_cubic(&[c0, c1, c2, c3]: &[f64; 4], half: f64) -> (f64, f64) {
    let value = |x: f64| c0 + x * (c1 + x * (c2 + x * c3));
    // Roots of c1 + 2 c2 x + 3 c3 x^2, in the form that does not cancel; no real root gives NaN.
    let s = -(c2 + (c2 * c2 - 3.0 * c1 * c3).sqrt().copysign(c2));
    [-half, half, c1 / s, s / (3.0 * c3)]
        .into_iter()
        .filter(|x| x.abs() <= half)
        .map(|x| (x, value(x)))
        .fold(
            (0.0, c0),
            |best, next| {
                if next.1 > best.1 { next } else { best }
            },
        )
}
