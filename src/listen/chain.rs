//! A sheet as it is played: its preamp, then its sections, at the music's own rate.

use super::error::ListenFault;
use crate::error::{Error, Result};
use crate::filter::biquad::Biquad;
use crate::filter::run::Cascade;
use crate::sheet::Sheet;
use crate::units::amplitude_from_db;

/// Preamp and sections of one or two channels, with their states.
#[derive(Debug, Clone)]
pub struct Chain {
    gain: f64,
    /// One a channel.
    cascades: Vec<Cascade>,
}

impl Chain {
    /// The sections of a sheet at `rate_hz` for one or two channels; `music` is for messages.
    ///
    /// # Errors
    /// `Coverage` for a section at or above half the rate; `Format` for one channel where each side has an EQ of its own.
    pub fn new(sheet: &Sheet, rate_hz: f64, channels: usize, music: &str) -> Result<Self> {
        if sheet.channels.len() > channels {
            return Err(Error::of(ListenFault::OneChannel, music));
        }
        let cascade = |channel: usize| {
            // One EQ serves both channels.
            let eq = &sheet.channels[channel.min(sheet.channels.len() - 1)];
            let biquads: Result<Vec<Biquad>> = eq
                .sections
                .iter()
                .map(|section| {
                    let beyond = |_| {
                        let fault = ListenFault::BeyondRate(section.f0_hz, rate_hz);
                        Error::of(fault, music)
                    };
                    Biquad::new(section, rate_hz).map_err(beyond)
                })
                .collect();
            Ok(Cascade::new(&biquads?))
        };
        let cascades: Result<Vec<Cascade>> = (0..channels).map(cascade).collect();
        Ok(Self {
            gain: amplitude_from_db(sheet.level.preamp_db),
            cascades: cascades?,
        })
    }

    /// Equalises `input`, frame after frame, into `output`.
    pub fn run(&mut self, input: &[f64], output: &mut Vec<f64>) {
        output.clear();
        let channels = self.cascades.len();
        for frame in input.chunks_exact(channels) {
            let frame = frame.iter().zip(&mut self.cascades);
            output.extend(frame.map(|(sample, cascade)| cascade.run(sample * self.gain)));
        }
    }
}
