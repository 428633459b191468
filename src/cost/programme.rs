//! What is played: how a programme's power lies over frequency, and how high it stands below full scale.
//!
//! A programme is a spectrum by constant-percentage bands, as third-octave levels are: pink noise has the same level in
//! every band. Integrals run over ln f from 20 Hz to 20 kHz (or to half the sample rate, where that is lower) by
//! Simpson's rule with 4096 steps, 411 an octave. The error is below 1e-6 dB for sections of q 20 or less within +-12 dB,
//! below 0.01 dB up to q 100 (`tests/costs/loudness.rs` compares with sixteen times as many).

use super::error::CostFault;
use super::weighting::k_db;
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Result, Source};
use crate::measurement::Curve;
use crate::measurement::pchip::Pchip;
use crate::file_names::file_name;
use crate::units::{db_from_power, power_from_db};

/// Lowest and highest frequency of any integral, hertz.
pub const BAND_HZ: (f64, f64) = (20.0, 20_000.0);

/// Steps of Simpson's rule; even.
const STEPS: usize = 4096;

/// Peak over rms of a programme, dB, where nobody says another. With peaks at full scale the rms then lies 10 dB below a
/// full-scale sine's, the level at which EN 50332-1 plays its programme simulation noise (from memory). Music lies
/// between some 8 and 20 dB (common practice, no source).
pub const CREST_DB: f64 = 13.0;

/// A full-scale sine's peak over its rms, dB.
pub const SINE_CREST_DB: f64 = 3.010_299_956_639_812;

/// BS.1770's constant: a 997 Hz sine at full scale in one channel reads -3.01.
const LUFS_OFFSET: f64 = -0.691;

/// How a programme's power lies over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Programme {
    name: String,
    /// ln f and level of the bands; none for pink.
    bands: Option<(Vec<f64>, Vec<f64>)>,
}

impl Programme {
    /// Pink noise: the same power in every octave.
    #[must_use]
    pub fn pink() -> Self {
        Self {
            name: "pink noise".to_owned(),
            bands: None,
        }
    }

    /// Bands of constant percentage (thirds of an octave, say): centre frequency and level, relative. Between the centres
    /// PCHIP in log frequency; the first and the last band end half a step beyond their centres, and beyond those there
    /// is no power.
    ///
    /// # Errors
    /// `Coverage` where the bands share less than an octave with 20 Hz to 20 kHz.
    pub fn from_bands(bands: &Curve) -> Result<Self> {
        let log_f: Vec<f64> = bands.frequency_hz().iter().map(|f_hz| f_hz.ln()).collect();
        let increasing = log_f.windows(2).all(|pair| pair[0] < pair[1]);
        let programme = Self {
            name: file_name(bands.name()).to_owned(),
            bands: Some((log_f, bands.level_db().to_vec())),
        };
        let (lowest_hz, highest_hz) = programme.band_hz(f64::INFINITY);
        if !increasing || highest_hz < 1.999 * lowest_hz {
            return Err(programme.too_little(BAND_HZ.1));
        }
        Ok(programme)
    }

    /// Its name: `pink noise`, or the file's.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Lowest and highest frequency with power that counts for a signal whose sample rate is `rate_hz`.
    #[must_use]
    pub fn band_hz(&self, rate_hz: f64) -> (f64, f64) {
        let (mut lowest_hz, mut highest_hz) = BAND_HZ;
        if let Some((log_f, _)) = &self.bands
            && let (&[first, second, ..], &[.., before, last]) = (&log_f[..], &log_f[..])
        {
            lowest_hz = lowest_hz.max((first - 0.5 * (second - first)).exp());
            highest_hz = highest_hz.min((last + 0.5 * (last - before)).exp());
        }
        (lowest_hz, highest_hz.min(rate_hz / 2.0))
    }

    /// Its spectrum for a signal whose sample rate is `rate_hz`.
    ///
    /// # Errors
    /// `Coverage` where it has no power below half the rate.
    pub fn spectrum(&self, rate_hz: f64) -> Result<Spectrum> {
        self.spectrum_in(rate_hz, STEPS)
    }

    /// As [`Programme::spectrum`], with another even number of steps: to see what the usual one leaves.
    ///
    /// # Errors
    /// `Coverage` where it has no power below half the rate.
    pub fn spectrum_in(&self, rate_hz: f64, steps: usize) -> Result<Spectrum> {
        let band_hz = self.band_hz(rate_hz);
        let (from, to) = (band_hz.0.ln(), band_hz.1.ln());
        // False for a NaN rate as well.
        let has_band = to > from;
        if !has_band {
            return Err(self.too_little(rate_hz / 2.0));
        }
        let steps = (steps / 2 * 2).max(2);
        let log_f: Vec<f64> = (0..=steps)
            .map(|i| from + (to - from) * i as f64 / steps as f64)
            .collect();
        let level_db: Vec<f64> = match &self.bands {
            None => vec![0.0; log_f.len()],
            Some((knots, levels)) => match Pchip::new(knots, levels) {
                Some(pchip) => log_f.iter().map(|x| pchip.at(*x)).collect(),
                None => return Err(self.too_little(BAND_HZ.1)),
            },
        };
        let loudest_db = level_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let simpson = |i: usize| match i {
            _ if i == 0 || i == steps => 1.0,
            _ if i % 2 == 1 => 4.0,
            _ => 2.0,
        };
        let mut share: Vec<f64> = level_db
            .iter()
            .enumerate()
            .map(|(i, db)| simpson(i) * power_from_db(db - loudest_db))
            .collect();
        let total: f64 = share.iter().sum();
        share.iter_mut().for_each(|share| *share /= total);
        Ok(Spectrum {
            frequency_hz: log_f.iter().map(|x| x.exp()).collect(),
            share,
            band_hz,
        })
    }

    fn too_little(&self, below_hz: f64) -> Box<Error> {
        Error::of(
            CostFault::ProgrammeBand(below_hz),
            Source::name(&*self.name),
        )
    }
}

/// A programme's power at discrete frequencies.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// Frequencies, hertz, even in log f.
    pub frequency_hz: Vec<f64>,
    /// The share of the programme's power at each; together 1.
    pub share: Vec<f64>,
    /// Lowest and highest frequency.
    pub band_hz: (f64, f64),
}

impl Spectrum {
    /// The mean power gain of `gain_db`, in dB: what a filter of that gain does to the programme's rms level.
    #[must_use]
    pub fn mean_db(&self, gain_db: impl Fn(f64) -> f64) -> f64 {
        let powers = self.frequency_hz.iter().zip(&self.share);
        db_from_power(
            powers
                .map(|(&f_hz, share)| share * power_from_db(gain_db(f_hz)))
                .sum(),
        )
    }
}

/// How high a programme stands, the same in both channels.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct ProgrammeLevel {
    /// Its rms relative to a full-scale sine's, dB.
    pub rms_db: f64,
    /// Its peak over its rms, dB, 0 or more.
    pub crest_db: f64,
}

impl ProgrammeLevel {
    /// Peaks at full scale; `crest_db` is peak over rms, 0 or more ([`CREST_DB`] where unknown).
    ///
    /// # Errors
    /// `Setting` for a crest factor outside 0 to 40 dB.
    pub fn with_peaks_at_full_scale(crest_db: f64) -> Result<Self> {
        check_crest(crest_db)?;
        Ok(Self {
            rms_db: SINE_CREST_DB - crest_db,
            crest_db,
        })
    }

    /// A stereo programme of `loudness_lufs` (BS.1770, both channels equally loud) with `spectrum`.
    ///
    /// BS.1770 adds the K-weighted powers of the channels, `loudness = -0.691 + 10 log10(sum)`, full scale being 1; a
    /// full-scale sine's power is 1/2 a channel. Without a crest factor it is [`CREST_DB`], or what puts the peaks at full
    /// scale where that is less.
    ///
    /// # Errors
    /// `Setting` for a loudness outside -70 to +3 LUFS or a crest factor outside 0 to 40 dB.
    pub fn of_loudness(
        loudness_lufs: f64,
        crest_db: Option<f64>,
        spectrum: &Spectrum,
    ) -> Result<Self> {
        if !(-70.0..=3.0).contains(&loudness_lufs) {
            return Err(Error::of(
                ValueFault::out_of_range(Quantity::Loudness, loudness_lufs, (-70.0, 3.0)),
                Source::name("loudness_lufs"),
            ));
        }
        let rms_db = loudness_lufs - LUFS_OFFSET - spectrum.mean_db(k_db);
        let crest_db = crest_db.unwrap_or((SINE_CREST_DB - rms_db).clamp(0.0, CREST_DB));
        check_crest(crest_db)?;
        Ok(Self { rms_db, crest_db })
    }

    /// The usual programme: [`CREST_DB`], peaks at full scale.
    #[must_use]
    pub fn usual() -> Self {
        Self {
            rms_db: SINE_CREST_DB - CREST_DB,
            crest_db: CREST_DB,
        }
    }
}

fn check_crest(crest_db: f64) -> Result<()> {
    if (0.0..=40.0).contains(&crest_db) {
        return Ok(());
    }
    Err(Error::of(
        ValueFault::out_of_range(Quantity::Crest, crest_db, (0.0, 40.0)),
        Source::name("crest_db"),
    ))
}
