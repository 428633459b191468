//! How loud a sound is at the ear: its A-weighted level in the field that sounds like what the unit plays at the eardrum.
//!
//! The spectrum of the sound is that of overlapping windows (half a sine, each begun halfway through the one before): their
//! squares add up to 1, so every sample counts alike, and no power is lost. Each frequency is weighted by
//! [`hearing_db`]. The powers of the channels add.

use std::f64::consts::PI;
use std::sync::Arc;

use realfft::num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};

pub use crate::cost::heard::Ear;
use crate::cost::heard::hearing_db;
use crate::units::{db_from_power, power_from_db};

/// How long a window is at least, seconds: lines 10 Hz apart, narrower than any change of the weighting that counts.
const WINDOW_S: f64 = 0.1;

/// The level of a sound at the ear, as it comes in.
pub struct EarMeter {
    transform: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    /// Of each line of the spectrum, as power.
    weight: Vec<f64>,
    channels: Vec<Vec<f64>>,
    input: Vec<f64>,
    lines: Vec<Complex64>,
    power: f64,
    frames: u64,
}

impl EarMeter {
    /// For a sound at a rate.
    #[must_use]
    pub fn new(ear: &Ear, rate_hz: f64, channels: usize) -> Self {
        let length = ((rate_hz * WINDOW_S) as usize).next_power_of_two();
        let transform = RealFftPlanner::new().plan_fft_forward(length);
        let hearing_db = hearing_db(&ear.unit, &ear.rig);
        let weight = |line: usize| match line {
            0 => 0.0,
            _ => power_from_db(hearing_db(line as f64 * rate_hz / length as f64)),
        };
        let half_sine = |i: usize| (PI * (i as f64 + 0.5) / length as f64).sin();
        Self {
            window: (0..length).map(half_sine).collect(),
            weight: (0..=length / 2).map(weight).collect(),
            // Before the beginning there is silence, so that the first samples count like the others.
            channels: vec![vec![0.0; length / 2]; channels],
            input: transform.make_input_vec(),
            lines: transform.make_output_vec(),
            transform,
            power: 0.0,
            frames: 0,
        }
    }

    /// Adds samples, frame after frame.
    pub fn add(&mut self, samples: &[f64]) {
        let channels = self.channels.len();
        self.frames += (samples.len() / channels) as u64;
        for (channel, waiting) in self.channels.iter_mut().enumerate() {
            waiting.extend(samples.iter().skip(channel).step_by(channels));
        }
        self.count_whole_windows();
    }

    fn count_whole_windows(&mut self) {
        let length = self.window.len();
        for channel in 0..self.channels.len() {
            let mut first = 0;
            while self.channels[channel].len() - first >= length {
                let samples = &self.channels[channel][first..first + length];
                for ((into, sample), window) in self.input.iter_mut().zip(samples).zip(&self.window) {
                    *into = sample * window;
                }
                self.transform
                    .process(&mut self.input, &mut self.lines)
                    .expect("the lengths are the transform's own");
                let weighted = self.lines.iter().zip(&self.weight);
                self.power += weighted.map(|(line, weight)| line.norm_sqr() * weight).sum::<f64>();
                first += length / 2;
            }
            self.channels[channel].drain(..first);
        }
    }

    /// The level of all that was added, dB of any reference; minus infinity for silence.
    #[must_use]
    pub fn level_db(mut self) -> f64 {
        let silence = vec![0.0; self.window.len() * self.channels.len()];
        let frames = self.frames;
        self.add(&silence);
        db_from_power(self.power / (frames.max(1) * self.window.len() as u64) as f64)
    }
}
