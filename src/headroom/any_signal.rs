//! What no signal can exceed: the L1 norm of the cascade's impulse response.
//!
//! The impulse response is summed until a bound on what is left ([`super::ringing`]) is below 1e-9 of the sum; the
//! bound is added, so the result is never too small.
//!
//! A section that rings for very long (q 100 at 20 Hz and 96 kHz) ends the budget of samples first; then
//! the smaller of that bound and `(2 n + 1) max|H|` for the whole cascade is returned, and marked.

use super::peak::peak;
use super::ringing::{BLOCK, BUDGET, Ringing};
use crate::error::Result;
use crate::filter::Section;
use crate::units::{amplitude_from_db, db_from_amplitude};

/// The rest may be this part of the sum.
const ACCURACY: f64 = 1e-9;

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
