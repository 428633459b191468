//! Separation of a phase into the minimum phase, which belongs to the level, and the excess.
//!
//! The level of a causal response determines its smallest possible phase. It is computed by the real cepstrum (A. V.
//! Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, 3rd ed., chapter 13, from memory): the cepstrum of the
//! log magnitude, with negative times folded onto positive ones. Equaliser sections are minimum phase, so they can undo
//! that part. A delay in excess of it remains: where it is long, an equaliser can change the level but cannot undo the
//! cause.

use std::f64::consts::{FRAC_PI_2, LN_2, PI, TAU};
use std::ops::Range;
use std::sync::{LazyLock, Mutex, MutexGuard, PoisonError};

use rayon::prelude::*;
use realfft::RealFftPlanner;
use realfft::num_complex::Complex64;

use super::curve::{Curve, PRINTED_ROUNDING};
use super::grid::{self, POINTS, POINTS_PER_OCTAVE};
use super::pchip::Pchip;
use crate::units::amplitude_from_db;

/// Plans of transforms, kept by their length: the takes of a unit share it, and a plan takes longer than a transform.
static PLANNER: LazyLock<Mutex<RealFftPlanner<f64>>> = LazyLock::new(Mutex::default);

fn planner() -> MutexGuard<'static, RealFftPlanner<f64>> {
    PLANNER.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Least excess delay that an equaliser cannot undo, in periods of the frequency. Our choice: two arrivals half a
/// period apart begin to cancel.
pub const PERIODS: f64 = 0.5;

/// Least such delay, seconds. Our choice: shorter ones may come from the unknown level beyond the data.
pub const LEAST_S: f64 = 1e-4;

/// Points at each end of the data that are not judged, since the level beyond is unknown.
const UNJUDGED_POINTS: usize = POINTS_PER_OCTAVE / 3;

/// Bands that are less than this apart are joined, grid points.
const GAP_POINTS: usize = POINTS_PER_OCTAVE / 12;

/// Range of the search for an unknown delay, seconds: measuring chains can have a long latency.
const DELAYS_S: (f64, f64) = (-0.01, 0.5);

/// Neighbouring points count in the search for the delay only if they are at most this far apart.
const VOTING_STEP_HZ: f64 = 500.0;

/// Most pairs of neighbours used in that search; more are thinned.
const MOST_VOTES: usize = 4096;

/// Lower end of the band for the constant part of the delay: most of the excess lies below it.
const DELAY_FROM_HZ: f64 = 2000.0;

/// Upper end of that band, as a share of the highest frequency: above it, the unknown level beyond the data bends the
/// phase.
const DELAY_TO_SHARE: f64 = 0.8;

/// A longer delay is preferred only if the mean agreement (cosine) of neighbours rises by more than this.
const MIN_AGREEMENT_GAIN: f64 = 1e-3;

/// Length of the transform for curves: 65537 levels up to four times the highest frequency, which is 1.2 Hz apart for a
/// curve up to 20 kHz.
const CURVE_TRANSFORM: usize = 1 << 17;

/// Lowest level relative to the largest, dB. Lower ones are raised to it, since a zero has no logarithm.
const FLOOR_DB: f64 = -200.0;

/// An anti-alias filter may begin above this frequency, or this share of the sample rate; levels beyond are raised to
/// `STOP_FLOOR_DB` relative to the level there.
const STOP_HZ: f64 = 20_000.0;
const STOP_SHARE: f64 = 0.45;
const STOP_FLOOR_DB: f64 = -12.0;

/// The phase of a response in excess of its minimum phase, on the common grid.
#[derive(Debug, Clone, PartialEq)]
pub struct Excess {
    /// The grid points with known values; outside them the values below are 0.
    pub support: Range<usize>,
    /// The minimum phase, degrees, unwrapped.
    pub minimum_phase_deg: Vec<f64>,
    /// Group delay in excess of the minimum phase and of `delay_s`, seconds.
    pub group_delay_s: Vec<f64>,
    /// The constant delay that was removed, seconds: the flight time of an impulse response, or the delay that
    /// [`of_curve`] found.
    pub delay_s: f64,
}

/// A band in which the excess group delay is longer than half a period, so that an equaliser cannot undo what was
/// measured.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct BeyondEq {
    /// Lowest frequency, Hz.
    pub from_hz: f64,
    /// Highest frequency, Hz.
    pub to_hz: f64,
    /// The longest excess group delay, counted in periods, s with its sign.
    pub excess_s: f64,
    /// Frequency of that excess, Hz.
    pub at_hz: f64,
}

impl Excess {
    /// The bands where the magnitude of the excess group delay is longer than [`PERIODS`] periods and than [`LEAST_S`]:
    /// the level there comes from an interference or a second arrival, not from a minimum-phase response. The outermost
    /// third of an octave at each end is not judged; bands less than a twelfth of an octave apart are joined.
    #[must_use]
    pub fn beyond_eq(&self) -> Vec<BeyondEq> {
        let f_hz = grid::frequency_hz();
        let judged =
            self.support.start + UNJUDGED_POINTS..self.support.end.saturating_sub(UNJUDGED_POINTS);
        let mut bands: Vec<Range<usize>> = Vec::new();
        for i in judged {
            if self.group_delay_s[i].abs() > (PERIODS / f_hz[i]).max(LEAST_S) {
                match bands.last_mut() {
                    Some(band) if i - band.end < GAP_POINTS => band.end = i + 1,
                    _ => bands.push(i..i + 1),
                }
            }
        }
        let described = |band: Range<usize>| {
            let periods = |i: &usize| self.group_delay_s[*i].abs() * f_hz[*i];
            let (from_hz, to_hz) = grid::band_hz(&band);
            let worst = band.max_by(|i, j| periods(i).total_cmp(&periods(j)))?;
            Some(BeyondEq {
                from_hz,
                to_hz,
                excess_s: self.group_delay_s[worst],
                at_hz: f_hz[worst],
            })
        };
        bands.into_iter().filter_map(described).collect()
    }
}

/// The excess of a curve with a phase column, wrapped or unwrapped. None without one, or if less than an octave of the
/// common grid is covered.
///
/// Beyond both ends the level is taken as constant. The constant delay is unknown, so one is removed: first
/// that from -10 to 500 ms under which neighbouring points differ least in excess phase (which also unwraps it), then
/// [`constant_delay_s`] of the rest. A reversed polarity has no influence.
#[must_use]
pub fn of_curve(curve: &Curve) -> Option<Excess> {
    let phase_deg = curve.phase_deg()?;
    let support = grid::resample(curve).ok()?.support;
    let f_hz = &grid::frequency_hz()[support.clone()];
    let minimum_at_grid_rad = MinimumPhase::of_curve(curve)?.phases_rad(f_hz)?;

    let log_f: Vec<f64> = f_hz.iter().map(|f| f.ln()).collect();
    let minimum_rad = Pchip::new(&log_f, &minimum_at_grid_rad)?;
    let edge = 1.0 + 2.0 * PRINTED_ROUNDING;
    let within = f_hz[0] / edge..=f_hz[f_hz.len() - 1] * edge;
    let given = curve.frequency_hz().iter().zip(phase_deg);
    let (given_hz, excess_rad): (Vec<f64>, Vec<f64>) = given
        .filter(|(f, _)| within.contains(f))
        .map(|(f, deg)| (*f, deg.to_radians() - minimum_rad.at(f.ln())))
        .unzip();

    let rough_s = likeliest_delay_s(&given_hz, &excess_rad);
    let unwrapped = unwrapped_without(rough_s, &given_hz, &excess_rad);
    let rest_s = group_delays_s(&given_hz, &unwrapped, f_hz)?;
    let fine_s = constant_delay_s(f_hz, &rest_s);

    let mut excess = Excess::nothing(support.clone(), rough_s + fine_s);
    for ((i, minimum_rad), rest_s) in support.zip(&minimum_at_grid_rad).zip(&rest_s) {
        excess.minimum_phase_deg[i] = minimum_rad.to_degrees();
        excess.group_delay_s[i] = rest_s - fine_s;
    }
    Some(excess)
}

impl Excess {
    pub(super) fn nothing(support: Range<usize>, delay_s: f64) -> Self {
        Self {
            support,
            minimum_phase_deg: vec![0.0; POINTS],
            group_delay_s: vec![0.0; POINTS],
            delay_s,
        }
    }
}

/// The constant part of group delays over increasing frequencies: the fit of `constant + a / f^2` with the least sum of
/// absolute deviations, each weighted by the square of its frequency, from 2 kHz to 0.8 of the highest frequency (over
/// all points if fewer than twelve lie there). The delay of an all-pass at a lower frequency falls as `1 / f^2`, so it
/// does not bias the constant. One inside the band affects a minority of points, which absolute deviations tolerate.
#[must_use]
pub fn constant_delay_s(frequency_hz: &[f64], delay_s: &[f64]) -> f64 {
    let all = || frequency_hz.iter().copied().zip(delay_s.iter().copied());
    let highest_hz = DELAY_TO_SHARE * frequency_hz.last().copied().unwrap_or_default();
    let in_band = |(f, _): &(f64, f64)| (DELAY_FROM_HZ..=highest_hz).contains(f);
    let mut points: Vec<(f64, f64)> = all().filter(in_band).collect();
    if points.len() < 12 {
        points = all().collect();
    }
    let Some(&(lowest_hz, _)) = points.first() else {
        return 0.0;
    };
    // Solved by iteratively reweighted least squares. Deviations below this are treated as this; it is a hundredth of
    // what matters.
    const SETTLED_S: f64 = 1e-8;
    let mut fit = [0.0, 0.0];
    let mut weights: Vec<f64> = points.iter().map(|(f, _)| f * f).collect();
    for _ in 0..60 {
        let mut sums = [0.0; 5];
        for ((f, delay), w) in points.iter().zip(&weights) {
            let x = (lowest_hz / f).powi(2);
            let terms = [*w, w * x, w * x * x, w * delay, w * x * delay];
            sums.iter_mut()
                .zip(terms)
                .for_each(|(sum, term)| *sum += term);
        }
        let [w, x, xx, y, xy] = sums;
        let determinant = w * xx - x * x;
        fit = if determinant > 1e-9 * w * xx {
            [
                (y * xx - xy * x) / determinant,
                (w * xy - x * y) / determinant,
            ]
        } else {
            [y / w, 0.0]
        };
        for ((f, delay), w) in points.iter().zip(&mut weights) {
            let rest = delay - fit[0] - fit[1] * (lowest_hz / f).powi(2);
            *w = f * f / rest.abs().max(SETTLED_S);
        }
    }
    fit[0]
}

/// The delay under which neighbours agree best in excess phase; of equal ones the one nearest to 0.
fn likeliest_delay_s(f_hz: &[f64], excess_rad: &[f64]) -> f64 {
    let pairs = f_hz.windows(2).zip(excess_rad.windows(2));
    let close: Vec<(f64, f64)> = pairs
        .map(|(f, phase)| (f[1] - f[0], phase[1] - phase[0]))
        .filter(|(step_hz, _)| *step_hz <= VOTING_STEP_HZ)
        .collect();
    let each = close.len().div_ceil(MOST_VOTES).max(1);
    let votes: Vec<(f64, f64)> = close.into_iter().step_by(each).collect();
    let widest_hz = votes
        .iter()
        .map(|(step_hz, _)| *step_hz)
        .fold(0.0, f64::max);
    if widest_hz == 0.0 {
        return 0.0;
    }
    let step_s = 0.1 / widest_hz;
    let (earlier, later) = ((-DELAYS_S.0 / step_s) as i32, (DELAYS_S.1 / step_s) as i32);
    let first_s = -f64::from(earlier) * step_s;
    // Turning a number is many times faster than a cosine, and some thousand turns leave it exact to twelve digits.
    let mut phasors: Vec<Complex64> = votes
        .iter()
        .map(|(hz, rad)| Complex64::cis(rad + TAU * hz * first_s))
        .collect();
    let turns: Vec<Complex64> = votes
        .iter()
        .map(|(hz, _)| Complex64::cis(TAU * hz * step_s))
        .collect();
    let mut tried: Vec<(i32, f64)> = (-earlier..=later)
        .map(|k| {
            let agreement = phasors.iter().map(|phasor| phasor.re).sum();
            phasors.iter_mut().zip(&turns).for_each(|(phasor, turn)| *phasor *= turn);
            (k, agreement)
        })
        .collect();
    tried.sort_by_key(|(k, _)| k.abs());
    let mut best = (f64::NEG_INFINITY, 0.0);
    for (k, agreement) in tried {
        let delay_s = f64::from(k) * step_s;
        if agreement > best.0 + MIN_AGREEMENT_GAIN * votes.len() as f64 {
            best = (agreement, delay_s);
        }
    }
    best.1
}

/// The excess phase without a delay, unwrapped, radians.
fn unwrapped_without(delay_s: f64, f_hz: &[f64], excess_rad: &[f64]) -> Vec<f64> {
    let mut unwrapped: Vec<f64> = Vec::with_capacity(f_hz.len());
    for (f, rad) in f_hz.iter().zip(excess_rad) {
        let rest = rad + TAU * f * delay_s;
        let turns = unwrapped
            .last()
            .map_or(0.0, |last| ((rest - last) / TAU).round());
        unwrapped.push(rest - TAU * turns);
    }
    unwrapped
}

/// Group delays at `at_hz` from an unwrapped phase: the slope of the regression line through the points within 1/24
/// octave, or with fewer than five points the slope of the interpolant's chord over that width.
fn group_delays_s(given_hz: &[f64], phase_rad: &[f64], at_hz: &[f64]) -> Option<Vec<f64>> {
    let log_f: Vec<f64> = given_hz.iter().map(|f| f.ln()).collect();
    let interpolant = Pchip::new(&log_f, phase_rad)?;
    let width = (1.0_f64 / 24.0).exp2();
    let (first_hz, last_hz) = (given_hz[0], given_hz[given_hz.len() - 1]);
    let slope = |f: &f64| {
        let (from_hz, to_hz) = ((f / width).max(first_hz), (f * width).min(last_hz));
        let near =
            given_hz.partition_point(|g| *g < from_hz)..given_hz.partition_point(|g| *g <= to_hz);
        if near.len() < 5 {
            return (interpolant.at(to_hz.ln()) - interpolant.at(from_hz.ln())) / (to_hz - from_hz);
        }
        let (hz, rad) = (&given_hz[near.clone()], &phase_rad[near]);
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let (mean_hz, mean_rad) = (mean(hz), mean(rad));
        let both = hz
            .iter()
            .zip(rad)
            .map(|(h, r)| (h - mean_hz) * (r - mean_rad));
        let square: f64 = hz.iter().map(|h| (h - mean_hz).powi(2)).sum();
        both.sum::<f64>() / square
    };
    Some(at_hz.iter().map(|f| -slope(f) / TAU).collect())
}

/// The minimum phase of a level; it can be evaluated at any frequency.
#[derive(Debug, Clone)]
pub(super) struct MinimumPhase {
    /// The folded cepstrum `c`: the logarithm of the response is the sum of `c[n] e^{-jwn}`.
    cepstrum: Vec<f64>,
    rate_hz: f64,
}

/// Phase and group delay at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PhaseAt {
    pub phase_rad: f64,
    pub group_delay_s: f64,
}

impl MinimumPhase {
    /// From `2^k + 1` magnitudes, evenly spaced from 0 Hz to half of `rate_hz`; None for silence.
    ///
    /// From 20 kHz on (or 0.45 of a lower rate), magnitudes are taken as at most 12 dB below the one there. What lies
    /// deeper is an anti-alias filter, usually of linear phase (common practice, no source), so its depth says nothing
    /// about the phase below.
    pub(super) fn of_magnitudes(magnitude: &[f64], rate_hz: f64) -> Option<Self> {
        let half = magnitude.len().checked_sub(1).filter(|half| *half >= 2)?;
        let largest = magnitude.iter().copied().fold(0.0, f64::max);
        if largest <= 0.0 || !largest.is_finite() {
            return None;
        }
        let floor = largest * amplitude_from_db(FLOOR_DB);
        let edge = (STOP_HZ.min(STOP_SHARE * rate_hz) / (0.5 * rate_hz) * half as f64) as usize;
        let stop_floor = magnitude[edge.min(half)] * amplitude_from_db(STOP_FLOOR_DB);
        let mut log: Vec<Complex64> = magnitude
            .iter()
            .enumerate()
            .map(|(k, m)| {
                m.max(if k > edge {
                    floor.max(stop_floor)
                } else {
                    floor
                })
            })
            .map(|m| Complex64::new(m.ln(), 0.0))
            .collect();
        let at_zero = end_value(log[1].re, log[2].re);
        let at_half = end_value(log[half - 1].re, log[half - 2].re);
        log[0].re = log[0].re.max(at_zero);
        log[half].re = log[half].re.max(at_half);
        let mut cepstrum = vec![0.0; 2 * half];
        let inverse = planner().plan_fft_inverse(2 * half);
        inverse.process(&mut log, &mut cepstrum).ok()?;
        cepstrum.truncate(half + 1);
        let scale = 1.0 / (2 * half) as f64;
        for (n, c) in cepstrum.iter_mut().enumerate() {
            *c *= if n == 0 || n == half {
                scale
            } else {
                2.0 * scale
            };
        }
        Some(Self { cepstrum, rate_hz })
    }

    /// From the level of a curve, sampled at eight times its highest frequency: PCHIP in log frequency between its
    /// points, constant beyond both ends.
    fn of_curve(curve: &Curve) -> Option<Self> {
        let (mut log_f, mut level_db): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
        for (f_hz, db) in curve.frequency_hz().iter().zip(curve.level_db()) {
            if log_f.last().is_none_or(|last| *last < f_hz.ln()) {
                log_f.push(f_hz.ln());
                level_db.push(*db);
            }
        }
        let interpolant = Pchip::new(&log_f, &level_db)?;
        let rate_hz = 8.0 * curve.frequency_hz().last()?;
        let largest_db = level_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let magnitude = |k: usize| {
            // 0 Hz lies below every curve, so its level is that of the first point.
            let f_hz = (k as f64 * rate_hz / CURVE_TRANSFORM as f64).max(f64::MIN_POSITIVE);
            amplitude_from_db(interpolant.at(f_hz.ln()) - largest_db)
        };
        let magnitude: Vec<f64> = (0..=CURVE_TRANSFORM / 2).map(magnitude).collect();
        Self::of_magnitudes(&magnitude, rate_hz)
    }

    /// The phase at frequencies from 0 Hz to half of the rate, radians: cubic between the points of one transform, which is
    /// many times faster than [`Self::at`] and as good where the level is given at no finer steps.
    fn phases_rad(&self, frequency_hz: &[f64]) -> Option<Vec<f64>> {
        let half = self.cepstrum.len() - 1;
        let mut cepstrum = self.cepstrum.clone();
        cepstrum.resize(2 * half, 0.0);
        let forward = planner().plan_fft_forward(2 * half);
        let mut log = forward.make_output_vec();
        forward.process(&mut cepstrum, &mut log).ok()?;
        // The phase is an odd function about 0 Hz and about half the rate.
        let phase_rad = |k: isize| match usize::try_from(k) {
            Err(_) => -log[k.unsigned_abs()].im,
            Ok(k) if k > half => -log[2 * half - k].im,
            Ok(k) => log[k].im,
        };
        let at = |f_hz: &f64| {
            let bin = f_hz / self.rate_hz * (2 * half) as f64;
            let k = (bin.floor() as isize).min(half as isize - 1);
            let [a, b, c, d] = [-1, 0, 1, 2].map(|away| phase_rad(k + away));
            let t = bin - k as f64;
            // Lagrange's cubic through the four nearest points.
            -t * (t - 1.0) * (t - 2.0) / 6.0 * a
                + (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0 * b
                - (t + 1.0) * t * (t - 2.0) / 2.0 * c
                + (t + 1.0) * t * (t - 1.0) / 6.0 * d
        };
        Some(frequency_hz.iter().map(at).collect())
    }

    /// Phase and group delay at frequencies below half of the rate.
    pub(super) fn at(&self, frequency_hz: &[f64]) -> Vec<PhaseAt> {
        let one = |(sum, moment): (Complex64, Complex64)| PhaseAt {
            phase_rad: sum.im,
            group_delay_s: moment.re / self.rate_hz,
        };
        let sums = transform(&self.cepstrum, self.rate_hz, frequency_hz);
        sums.into_iter().map(one).collect()
    }
}

/// The value used for the log magnitude at 0 Hz or at half the rate if the response has a zero there, from the two
/// values beside it.
///
/// With M points, a zero of order `p` has magnitudes `(2 sin(pi k / M))^p`. The log magnitudes of even and of odd `k`
/// determine the phase at odd and at even `k`, so both must have the same sum: those of odd `k` sum to `p ln 2`, those
/// of even `k` without 0 to `p ln(M/2)`. Hence the value at 0 is `p ln(4/M)`, which is `p ln(pi/2)` below its
/// neighbour.
fn end_value(beside: f64, next: f64) -> f64 {
    let order = ((next - beside) / LN_2).max(0.0);
    beside - order * FRAC_PI_2.ln()
}

/// For each frequency the sums of `x[n] e^{-jwn}` and of `n x[n] e^{-jwn}`: the Fourier transform at these frequencies
/// without interpolation, and what its derivative needs.
pub(super) fn transform(
    x: &[f64],
    rate_hz: f64,
    frequency_hz: &[f64],
) -> Vec<(Complex64, Complex64)> {
    frequency_hz
        .par_iter()
        .map(|f_hz| transform_at(x, 2.0 * PI * f_hz / rate_hz))
        .collect()
}

fn transform_at(x: &[f64], w: f64) -> (Complex64, Complex64) {
    /// The phase factor is computed anew after this many samples, so that rounding errors do not accumulate.
    const BLOCK: usize = 512;
    const LANES: usize = 4;
    let turn = Complex64::cis(-w * LANES as f64);
    let (mut sum, mut moment) = (Complex64::ZERO, Complex64::ZERO);
    for (block, x) in x.chunks(BLOCK).enumerate() {
        let start = (block * BLOCK) as f64;
        let mut factor = [Complex64::ZERO; LANES];
        for (lane, factor) in factor.iter_mut().enumerate() {
            *factor = Complex64::cis(-w * (start + lane as f64));
        }
        let (mut sums, mut moments) = ([Complex64::ZERO; LANES], [Complex64::ZERO; LANES]);
        let mut n = start;
        for four in x.chunks(LANES) {
            for (lane, x) in four.iter().enumerate() {
                let term = factor[lane] * *x;
                sums[lane] += term;
                moments[lane] += term * (n + lane as f64);
                factor[lane] *= turn;
            }
            n += LANES as f64;
        }
        sum += sums.iter().sum::<Complex64>();
        moment += moments.iter().sum::<Complex64>();
    }
    (sum, moment)
}
