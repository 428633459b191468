//! How loud a sound is, and how high it peaks.

use ebur128::{EbuR128, Mode};

use super::ear::{Ear, EarMeter};
use super::error::ListenFault;
use crate::error::{Error, Result};
use crate::units::db_from_amplitude;

/// The levels of a sound.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Levels {
    /// Loudness by ITU-R BS.1770 with its gates, LUFS; none (`null`) for silence and less than 0.4 s.
    pub loudness_lufs: Option<f64>,
    /// A-weighted level in the field that sounds like what the unit plays, dB of any reference; none (`null`) without a unit and
    /// for silence.
    pub at_ear_db: Option<f64>,
    /// Largest sample, dB of full scale; none (`null`) for silence.
    pub sample_peak_db: Option<f64>,
    /// True peak by ITU-R BS.1770, dB of full scale; none (`null`) for silence.
    pub true_peak_db: Option<f64>,
}

impl Levels {
    /// Each turned up by so much.
    #[must_use]
    pub fn turned_up(self, gain_db: f64) -> Self {
        let up = |db: Option<f64>| db.map(|db| db + gain_db);
        Self {
            loudness_lufs: up(self.loudness_lufs),
            at_ear_db: up(self.at_ear_db),
            sample_peak_db: up(self.sample_peak_db),
            true_peak_db: up(self.true_peak_db),
        }
    }

    /// The higher of the two peaks, dB of full scale.
    #[must_use]
    pub fn peak_db(&self) -> Option<f64> {
        let peaks = [self.sample_peak_db, self.true_peak_db];
        peaks.into_iter().flatten().max_by(f64::total_cmp)
    }
}

/// Measures a sound as it comes in.
pub struct Meter {
    files: EbuR128,
    ear: Option<EarMeter>,
    channels: usize,
}

impl Meter {
    /// For a sound at a rate; with an ear, at the ear too. `name` is for messages.
    ///
    /// # Errors
    /// `Format` for a rate that BS.1770 has no filters for.
    pub fn new(rate_hz: u32, channels: usize, ear: Option<&Ear>, name: &str) -> Result<Self> {
        let mode = Mode::I | Mode::TRUE_PEAK | Mode::SAMPLE_PEAK;
        let refused = |why: ebur128::Error| Error::of(ListenFault::Unsupported(why.to_string()), name);
        let mut files = EbuR128::new(channels as u32, rate_hz, mode).map_err(refused)?;
        if channels == 1 {
            // One channel plays in both ears.
            files.set_channel(0, ebur128::Channel::DualMono).map_err(refused)?;
        }
        Ok(Self {
            files,
            ear: ear.map(|ear| EarMeter::new(ear, f64::from(rate_hz), channels)),
            channels,
        })
    }

    /// Adds samples, frame after frame.
    ///
    /// # Panics
    /// Never: the samples are whole frames.
    pub fn add(&mut self, samples: &[f64]) {
        self.files.add_frames_f64(samples).expect("whole frames");
        if let Some(ear) = &mut self.ear {
            ear.add(samples);
        }
    }

    /// The levels of all that was added.
    #[must_use]
    pub fn levels(self) -> Levels {
        let finite = |db: f64| Some(db).filter(|db| db.is_finite());
        let highest = |of: &dyn Fn(u32) -> Option<f64>| {
            let peaks = (0..self.channels as u32).filter_map(of);
            finite(db_from_amplitude(peaks.fold(0.0, f64::max)))
        };
        Levels {
            loudness_lufs: self.files.loudness_global().ok().and_then(finite),
            sample_peak_db: highest(&|channel| self.files.sample_peak(channel).ok()),
            true_peak_db: highest(&|channel| self.files.true_peak(channel).ok()),
            at_ear_db: self.ear.and_then(|ear| finite(ear.level_db())),
        }
    }
}
