//! What no signal can exceed: the L1 norm of the cascade's impulse response.
//!
//! The impulse response is summed until a bound on what is left ([`super::ringing`]) is below 1e-9 of the sum; the
//! bound is added, so the result is never too small.
//!
//! A section that rings for very long (q 100 at 20 Hz and 96 kHz) ends the budget of samples first; then
//! the smaller of that bound and `(2 n + 1) max|H|` for the whole cascade is returned, and marked.

use std::f64::consts::{PI, TAU};

use realfft::RealFftPlanner;

use super::peak::peak;
use super::ringing::{BLOCK, BUDGET, Ringing, impulse_response};
use crate::error::Result;
use crate::filter::Section;
use crate::units::{amplitude_from_db, db_from_amplitude};

/// The rest may be this part of the sum.
const ACCURACY: f64 = 1e-9;
/// A slope is computed from a response of which this part may be cut off.
const SLOPE_ACCURACY: f64 = 1e-5;
/// The longest response from which a slope is computed, samples: about a third of a second of computing.
const SLOPE_BUDGET: usize = 1 << 17;

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
    let mut ringing = Ringing::new(sections, rate_hz)?;
    let mut sum = 0.0;
    let mut rest = f64::INFINITY;
    for _ in 0..BUDGET / BLOCK {
        sum += (0..BLOCK).map(|_| ringing.next().abs()).sum::<f64>();
        rest = ringing.rest();
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

/// How what no signal can exceed rises with the level of the cascade, band by band: `bands_hz` are the edges of the bands,
/// rising, hertz; 0 and half the rate are the outermost, whatever the first and the last say. One number for each band, dB
/// per dB, 1 together. None where the response rings for more than 131,072 samples.
///
/// All sections are of minimum phase, so a small change `d(w)` of the level (in nepers) multiplies the response by the
/// causal series whose terms are `c_0 = D_0` and `c_k = 2 D_k`, `D_k` the mean of `d(w) cos(k w)` (A. Oppenheim and
/// R. Schafer, "Discrete-Time Signal Processing", on the cepstrum of minimum-phase sequences). With `s` the signs of the
/// response `h`, the norm then grows by `sum c_k r_k`, `r_k = sum s_n h_(n-k)`.
///
/// # Errors
/// When a section cannot be played at that rate.
pub fn any_signal_slope(
    sections: &[Section],
    rate_hz: f64,
    bands_hz: &[f64],
) -> Result<Option<Vec<f64>>> {
    let Some(response) = impulse_response(sections, rate_hz, SLOPE_ACCURACY)? else {
        return Ok(None);
    };
    let h = &response.samples;
    if h.len() > SLOPE_BUDGET {
        return Ok(None);
    }
    let correlation = correlation_with_signs(h);
    let up_to = |edge_hz: f64| {
        let w = TAU * edge_hz / rate_hz;
        let (mut before, mut now, twice) = (0.0, w.sin(), 2.0 * w.cos());
        let mut sum = correlation[0] * w;
        for (k, r) in correlation.iter().enumerate().skip(1) {
            sum += 2.0 * r * now / k as f64;
            (before, now) = (now, twice * now - before);
        }
        sum / (PI * response.sum)
    };
    let mut edges: Vec<f64> = bands_hz.iter().map(|hz| up_to(*hz)).collect();
    edges[0] = 0.0;
    *edges.last_mut().expect("bands have edges") = correlation[0] / response.sum;
    Ok(Some(edges.windows(2).map(|edge| edge[1] - edge[0]).collect()))
}

/// `r_k = sum over n of sign(h_n) h_(n-k)`, for as many k as there are samples.
fn correlation_with_signs(h: &[f64]) -> Vec<f64> {
    let padded = (2 * h.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, back) = (planner.plan_fft_forward(padded), planner.plan_fft_inverse(padded));
    let spectrum = |samples: &mut dyn Iterator<Item = f64>| {
        let mut input: Vec<f64> = samples.collect();
        input.resize(padded, 0.0);
        let mut output = forward.make_output_vec();
        forward
            .process(&mut input, &mut output)
            .expect("buffers made by the planner fit");
        output
    };
    let signs = spectrum(&mut h.iter().map(|h| h.signum()));
    let mut product = spectrum(&mut h.iter().copied());
    for (own, sign) in product.iter_mut().zip(&signs) {
        *own = sign * own.conj();
    }
    let mut correlation = back.make_output_vec();
    // Rounding leaves imaginary parts at 0 Hz and at half the rate, which this reports after it has done its work.
    let _ = back.process(&mut product, &mut correlation);
    correlation.truncate(h.len());
    correlation.iter().map(|r| r / padded as f64).collect()
}
