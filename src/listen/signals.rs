//! Signals whose answer is known, to try a sheet or a player with.

use std::f64::consts::{PI, TAU};

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{RngCore as _, SeedableRng as _};
use realfft::RealFftPlanner;
use realfft::num_complex::Complex64;

use crate::units::amplitude_from_db;

/// The rate of all of them, Hz.
pub const RATE_HZ: u32 = 48_000;
/// Length of noise and sweep, seconds.
pub const SECONDS: f64 = 10.0;
/// Length of each sine, seconds.
pub const STEP_S: f64 = 0.5;
/// Lowest and highest frequency of noise and sweep, Hz.
pub const BAND_HZ: (f64, f64) = (20.0, 20_000.0);
/// Level where none was chosen: that of a full-scale sine lowered by this, dB. Our choice: quieter than any music.
pub const LEVEL_DB: f64 = -40.0;
/// Highest level, dB: what peaks highest, the noise, still has room.
pub const HIGHEST_DB: f64 = -12.0;
/// How long a beginning or an end takes to rise or fall, seconds.
const FADE_S: f64 = 0.02;

/// Which signal.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema, clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum Signal {
    /// Ten seconds of noise that repeat without a seam: the same power in every third octave from 20 Hz to 20 kHz
    PinkNoise,
    /// A sine of half a second at every third octave from 20 Hz to 20 kHz, 31 in all, each at the same level
    SteppedSines,
    /// Ten seconds of a sine that rises from 20 Hz to 20 kHz, as long in every octave
    LogSweep,
}

impl Signal {
    /// Its name, as a file name without ending.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::PinkNoise => "pink-noise",
            Self::SteppedSines => "stepped-sines",
            Self::LogSweep => "log-sweep",
        }
    }

    /// One channel of it at [`RATE_HZ`], full scale being 1; `level_db` is that of a sine of full scale and 0 dB, rms.
    #[must_use]
    pub fn samples(self, level_db: f64) -> Vec<f64> {
        let amplitude = amplitude_from_db(level_db);
        match self {
            Self::PinkNoise => pink_noise(amplitude * std::f64::consts::FRAC_1_SQRT_2),
            Self::SteppedSines => steps_hz().flat_map(|f_hz| sine(f_hz, amplitude)).collect(),
            Self::LogSweep => log_sweep(amplitude),
        }
    }
}

/// The frequencies of the sines, Hz: base-ten third octaves (IEC 61260-1; from memory).
pub fn steps_hz() -> impl Iterator<Item = f64> {
    (-17..=13).map(|step| 1000.0 * 10f64.powf(f64::from(step) / 10.0))
}

/// A share of 0 at both ends that rises to 1 within [`FADE_S`].
fn fade(at_s: f64, of_s: f64) -> f64 {
    let from_end_s = at_s.min(of_s - at_s);
    match from_end_s < FADE_S {
        true => 0.5 - 0.5 * (PI * from_end_s.max(0.0) / FADE_S).cos(),
        false => 1.0,
    }
}

fn times_s(seconds: f64) -> impl Iterator<Item = f64> {
    let rate_hz = f64::from(RATE_HZ);
    (0..(seconds * rate_hz) as usize).map(move |i| i as f64 / rate_hz)
}

fn sine(f_hz: f64, amplitude: f64) -> impl Iterator<Item = f64> {
    times_s(STEP_S).map(move |t_s| amplitude * fade(t_s, STEP_S) * (TAU * f_hz * t_s).sin())
}

/// The phase of a sweep whose frequency grows by the same factor in the same time (Farina 2000).
fn log_sweep(amplitude: f64) -> Vec<f64> {
    let ratio = (BAND_HZ.1 / BAND_HZ.0).ln();
    let phase = |t_s: f64| TAU * BAND_HZ.0 * SECONDS / ratio * ((t_s / SECONDS * ratio).exp() - 1.0);
    let sample = |t_s: f64| amplitude * fade(t_s, SECONDS) * phase(t_s).sin();
    times_s(SECONDS).map(sample).collect()
}

/// Noise of an rms: lines of a spectrum whose power falls as one over frequency, with phases by chance. It repeats after its
/// length, so its power is the same in every run of that length.
fn pink_noise(rms: f64) -> Vec<f64> {
    let length = (SECONDS * f64::from(RATE_HZ)) as usize;
    let transform = RealFftPlanner::new().plan_fft_inverse(length);
    let mut lines = transform.make_input_vec();
    let mut chance = Xoshiro256PlusPlus::seed_from_u64(0);
    for (line, value) in lines.iter_mut().enumerate() {
        let f_hz = line as f64 / SECONDS;
        if (BAND_HZ.0..=BAND_HZ.1).contains(&f_hz) {
            let phase = TAU * (chance.next_u64() >> 11) as f64 * (-53_f64).exp2();
            *value = Complex64::from_polar(f_hz.sqrt().recip(), phase);
        }
    }
    let mut samples = transform.make_output_vec();
    transform
        .process(&mut lines, &mut samples)
        .expect("the lengths are the transform's own");
    let power = samples.iter().map(|x| x * x).sum::<f64>() / length as f64;
    samples.iter().map(|x| x * rms / power.sqrt()).collect()
}
