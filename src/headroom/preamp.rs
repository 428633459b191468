//! The preamp: as little as keeps what a guard names below full scale.

use super::any_signal::any_signal;
use super::error::HeadroomFault;
use super::guard::{Protection, TRUE_PEAK_MARGIN_DB};
use super::peak::{GUARANTEE_DB, Peak, peak};
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Result, Source};
use crate::filter::Section;
use crate::limits::Setting;

use super::Headroom;

/// Without steps the preamp is still a number to type in: it is lowered to a whole multiple of this.
const TYPED_STEP_DB: f64 = 0.01;

/// A margin above this, dB, is a mistake rather than a margin.
pub const MOST_MARGIN_DB: f64 = 20.0;

/// What `sections` need before them at the worst of `rates_hz` so that no steady tone clips: [`guarded`] by
/// [`Protection::default`].
///
/// # Errors
/// As [`guarded`].
pub fn headroom(sections: &[Section], rates_hz: &[f64], preamp_db: &Setting) -> Result<Headroom> {
    guarded(sections, rates_hz, preamp_db, Protection::default())
}

/// What `sections` need before them at the worst of `rates_hz`, by an equaliser whose preamp can be set to the values
/// of `preamp_db`, so that what the guard names stays the margin below full scale. No section and no margin: the largest
/// such value up to 0 dB.
///
/// # Errors
/// `Refused` when the equaliser's preamp does not reach low enough; `Setting` when a section cannot be
/// played at one of the rates, there is no rate, or the margin is out of its range.
pub fn guarded(
    sections: &[Section],
    rates_hz: &[f64],
    preamp_db: &Setting,
    protection: Protection,
) -> Result<Headroom> {
    let Protection {
        guard,
        true_peak_margin_db,
    } = protection;
    if !(0.0..=MOST_MARGIN_DB).contains(&true_peak_margin_db) {
        return Err(Error::of(
            ValueFault::out_of_range(
                Quantity::TruePeakMargin(TRUE_PEAK_MARGIN_DB),
                true_peak_margin_db,
                (0.0, MOST_MARGIN_DB),
            ),
            Source::name("true-peak margin"),
        ));
    }
    let mut worst: Option<(Peak, f64)> = None;
    let mut any_signal_gain_db = f64::NEG_INFINITY;
    for &rate_hz in rates_hz {
        any_signal_gain_db = any_signal_gain_db.max(any_signal(sections, rate_hz)?.gain_db);
        let peak = peak(sections, rate_hz);
        if worst.is_none_or(|(worst, _)| peak.gain_db > worst.gain_db) {
            worst = Some((peak, rate_hz));
        }
    }
    let Some((peak, peak_rate_hz)) = worst else {
        return Err(Error::of(HeadroomFault::NoRate, Source::name("rates_hz")));
    };
    let gains = Headroom {
        peak_gain_db: peak.gain_db,
        peak_hz: peak.frequency_hz,
        peak_rate_hz,
        any_signal_gain_db,
        preamp_db: 0.0,
    };
    Ok(Headroom {
        preamp_db: preamp_for(guard.gain_db(&gains) + true_peak_margin_db, preamp_db)?,
        ..gains
    })
}

/// The largest value of the setting that is not above `min(0, -peak_gain_db)`; the gain may be that of any guard.
///
/// A peak that exceeds a value of the setting by no more than [`GUARANTEE_DB`] counts as equal to it: a
/// peak of 3 dB computed as 3.0000000000000004 needs -3.0 dB and not one step more.
///
/// # Errors
/// `Refused` when all values are above that.
pub fn preamp_for(peak_gain_db: f64, setting: &Setting) -> Result<f64> {
    let needed_db = 0f64.min(-peak_gain_db) + GUARANTEE_DB;
    let typed_db = (needed_db / TYPED_STEP_DB).floor() / (1.0 / TYPED_STEP_DB).round();
    let wanted_db = if setting.is_stepped() || typed_db < setting.min() {
        needed_db
    } else {
        typed_db
    };
    match setting.at_or_below(wanted_db.min(0.0)) {
        // Adding 0 turns -0.0 into 0.0.
        Some(preamp_db) => Ok(preamp_db + 0.0),
        None => Err(Error::of(
            HeadroomFault::Preamp(-peak_gain_db, setting.min()),
            Source::name("preamp_db"),
        )),
    }
}
