//! Impulse responses from WAV files: level, phase and flight time.
//!
//! - **Arrival**: the first sample whose magnitude is at least a tenth of the largest.
//! - **Window**: from 5 ms before the arrival, rising as half a Hann window over the first 2.5 ms, to the end of the
//!   file but at most 2 s after the arrival, falling likewise over the last eighth. A response is unchanged by it if it
//!   begins after 5 ms of silence or at the first sample, and has decayed at the end.
//! - **Spectrum**: the Fourier sum of the windowed samples at each point of the common grid; nothing is interpolated.
//! - **Support**: from 1/T, with T the time from the arrival to the middle of the fall (common practice, no source), to
//!   0.49 of the sample rate, and within the common grid.
//! - **Flight time**: the arrival, corrected by the constant part of the group delay in excess of the minimum phase
//!   ([`phase::constant_delay_s`]). If the file is exactly silent up to a sample that is less than one sample from that
//!   time, it holds a computed response, and its flight time is that sample. The phase is given without it.

use std::f64::consts::{PI, TAU};
use std::io::Cursor;
use std::ops::Range;

use hound::{SampleFormat, WavReader};
use realfft::RealFftPlanner;
use realfft::num_complex::Complex64;

use super::curve::Curve;
use super::error::{MeasurementFault as Fault, WavFault};
use super::grid::{self, POINTS_PER_OCTAVE};
use super::parse::MAX_FILE_BYTES;
use super::phase::{self, Excess, MinimumPhase};
use crate::error::value::Band;
use crate::error::{Error, Result};
use crate::units::db_from_amplitude;

/// Share of the largest magnitude from which a sample counts as the arrival.
const ARRIVAL_SHARE: f64 = 0.1;
/// Start of the window before the arrival, seconds; the window rises over the first half of this.
const BEFORE_S: f64 = 0.005;
/// End of the window after the arrival, seconds, unless the file ends earlier.
const AFTER_S: f64 = 2.0;
/// Most samples of the window after the arrival, at any sample rate.
const MOST_SAMPLES: usize = 1 << 20;
/// Least length of the transform, samples.
const LEAST_TRANSFORM: usize = 1 << 18;
/// Share of the window after the arrival over which it falls.
const FALL_SHARE: f64 = 0.125;
/// Highest frequency as a share of the sample rate.
const HIGHEST_SHARE: f64 = 0.49;
/// A signal is constant if no sample is further from the mean than this share of the largest.
const CONSTANT_SHARE: f64 = 1e-6;

/// An impulse response and what was computed from it.
#[derive(Debug, Clone, PartialEq)]
pub struct ImpulseResponse {
    /// Level (dB re full scale) and phase (degrees, -180 to 180, without the flight time) on the common grid.
    pub curve: Curve,
    /// From the first sample of the file to the arrival, seconds. If an anti-alias filter cuts off near 20 kHz, it is
    /// uncertain by up to 10 microseconds, since the filter's minimum phase cannot be told from a delay.
    pub flight_time_s: f64,
    /// Sample rate, hertz.
    pub rate_hz: f64,
    /// Start and end of the window, seconds from the first sample of the file.
    pub window_s: (f64, f64),
    /// Rms of the samples where the window falls, without the window, dB re the largest sample: noise, or a response
    /// that has not decayed; minus infinity for silence.
    pub tail_db: f64,
    /// The phase in excess of the minimum phase.
    pub excess: Excess,
}

/// True for bytes that begin like a WAV file, including kinds that cannot be read.
#[must_use]
pub fn is_wav(bytes: &[u8]) -> bool {
    [b"RIFF", b"RIFX", b"RF64"]
        .iter()
        .any(|head| bytes.starts_with(*head))
}

/// Reads an impulse response: PCM of 16, 24 or 32 bits, or floating point of 32 bits; any sample rate.
///
/// With several channels, `channel` (from 1) is read; without it the only one that is not silent.
///
/// # Errors
/// `Format` if the file is not such a file, or is cut short, empty, silent or constant; `Number` for samples that are
/// not finite; `Setting` if the channel is ambiguous or does not exist; `Coverage` if the response is too short, or the
/// rate too low, for an octave of the common grid.
pub fn read_impulse(
    bytes: &[u8],
    source_name: &str,
    channel: Option<usize>,
) -> Result<ImpulseResponse> {
    let (samples, rate_hz) = samples(bytes, source_name, channel)?;
    let largest = largest(&samples);
    refuse_no_impulse(&samples, largest, source_name)?;
    let arrival = samples
        .iter()
        .position(|x| x.abs() >= ARRIVAL_SHARE * largest)
        .unwrap_or(0);
    let window = Window::new(arrival, samples.len(), rate_hz);
    let support = support(&window, rate_hz, source_name)?;
    let f_hz = &grid::frequency_hz()[support.clone()];
    let windowed = window.applied(&samples);

    let spectrum = phase::transform(&windowed, rate_hz, f_hz);
    let magnitudes = magnitudes(&windowed, source_name)?;
    let minimum = MinimumPhase::of_magnitudes(&magnitudes, rate_hz)
        .ok_or_else(|| Error::of(Fault::Silence, source_name))?
        .at(f_hz);
    let start_s = window.whole.start as f64 / rate_hz;
    let beyond_s: Vec<f64> = spectrum
        .iter()
        .zip(&minimum)
        .map(|((sum, moment), minimum)| {
            (moment / sum).re / rate_hz + start_s - minimum.group_delay_s
        })
        .collect();
    let flight_time_s = flight_time_s(
        &samples,
        arrival,
        rate_hz,
        phase::constant_delay_s(f_hz, &beyond_s),
    );

    let mut excess = Excess::nothing(support.clone(), flight_time_s);
    for ((i, minimum), beyond_s) in support.zip(&minimum).zip(&beyond_s) {
        excess.minimum_phase_deg[i] = minimum.phase_rad.to_degrees();
        excess.group_delay_s[i] = beyond_s - flight_time_s;
    }
    let level_db = spectrum
        .iter()
        .map(|(sum, _)| db_from_amplitude(sum.norm()));
    let phase_deg = spectrum.iter().zip(f_hz).map(|((sum, _), f)| {
        let turned = TAU * f * (flight_time_s - start_s);
        (sum * Complex64::cis(turned)).arg().to_degrees()
    });
    Ok(ImpulseResponse {
        curve: Curve::new(
            source_name,
            f_hz.to_vec(),
            level_db.collect(),
            Some(phase_deg.collect()),
        )?,
        flight_time_s,
        rate_hz,
        window_s: (start_s, window.whole.end as f64 / rate_hz),
        tail_db: db_from_amplitude(rms(&samples[window.fall.clone()]) / largest),
        excess,
    })
}

fn flight_time_s(samples: &[f64], arrival: usize, rate_hz: f64, found_s: f64) -> f64 {
    let first = samples.iter().position(|x| *x != 0.0).unwrap_or(arrival);
    let first_s = first as f64 / rate_hz;
    if (found_s - first_s).abs() < 1.0 / rate_hz {
        first_s
    } else if found_s.is_finite() {
        found_s
    } else {
        arrival as f64 / rate_hz
    }
}

/// The samples of one channel, relative to full scale, and the sample rate.
fn samples(bytes: &[u8], source_name: &str, channel: Option<usize>) -> Result<(Vec<f64>, f64)> {
    let fault_of = |fault| Error::of(Fault::Wav(fault), source_name);
    if bytes.len() > MAX_FILE_BYTES {
        return Err(fault_of(WavFault::TooLarge(MAX_FILE_BYTES)));
    }
    let unread = |error: hound::Error| {
        fault_of(match error {
            hound::Error::IoError(_) => WavFault::CutShort,
            hound::Error::FormatError(what) => WavFault::Unreadable(what),
            _ => WavFault::Encoding,
        })
    };
    let reader = WavReader::new(Cursor::new(bytes)).map_err(unread)?;
    let spec = reader.spec();
    let channels = usize::from(spec.channels);
    if channels == 0 || spec.sample_rate == 0 {
        return Err(fault_of(WavFault::NoChannels));
    }
    let interleaved: std::result::Result<Vec<f64>, hound::Error> =
        match (spec.sample_format, spec.bits_per_sample) {
            (SampleFormat::Float, 32) => reader
                .into_samples::<f32>()
                .map(|x| x.map(f64::from))
                .collect(),
            (SampleFormat::Int, bits @ (16 | 24 | 32)) => {
                let full_scale = (f64::from(bits) - 1.0).exp2();
                let scaled = |x: i32| f64::from(x) / full_scale;
                reader
                    .into_samples::<i32>()
                    .map(|x| x.map(scaled))
                    .collect()
            }
            (_, bits) => return Err(fault_of(WavFault::Bits(bits))),
        };
    let interleaved = interleaved.map_err(unread)?;
    if interleaved.len() < channels {
        return Err(fault_of(WavFault::NoSamples));
    }
    let of = |c: usize| interleaved.iter().skip(c).step_by(channels).copied();
    let chosen = match channel {
        Some(number) if (1..=channels).contains(&number) => number - 1,
        Some(number) => {
            return Err(Error::of(Fault::Channel(number, channels), source_name));
        }
        None if channels == 1 => 0,
        None => {
            let sounding: Vec<usize> = (0..channels).filter(|c| of(*c).any(|x| x != 0.0)).collect();
            match sounding[..] {
                [only] => only,
                [] => return Err(Error::of(Fault::Silence, source_name)),
                _ => {
                    return Err(Error::of(
                        Fault::SoundingChannels(sounding.len()),
                        source_name,
                    ));
                }
            }
        }
    };
    Ok((of(chosen).collect(), f64::from(spec.sample_rate)))
}

fn refuse_no_impulse(samples: &[f64], largest: f64, source_name: &str) -> Result<()> {
    if let Some(at) = samples.iter().position(|x| !x.is_finite()) {
        return Err(Error::of(Fault::SampleNotFinite(at + 1), source_name));
    }
    if largest == 0.0 {
        return Err(Error::of(Fault::Silence, source_name));
    }
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    let is_constant = samples
        .iter()
        .all(|x| (x - mean).abs() <= CONSTANT_SHARE * largest);
    if is_constant && samples.len() > 1 {
        return Err(Error::of(Fault::Constant, source_name));
    }
    Ok(())
}

/// The samples that are used, and how they are faded.
#[derive(Debug, Clone)]
struct Window {
    arrival: usize,
    whole: Range<usize>,
    /// Number of samples over which the window rises, from its start.
    rise: usize,
    /// Samples over which the window falls, up to its end.
    fall: Range<usize>,
}

impl Window {
    fn new(arrival: usize, samples: usize, rate_hz: f64) -> Self {
        let before = (BEFORE_S * rate_hz).round() as usize;
        let start = arrival.saturating_sub(before);
        let after = ((AFTER_S * rate_hz).round() as usize).min(MOST_SAMPLES);
        let end = samples.min(arrival.saturating_add(after));
        let fall = ((end - arrival) as f64 * FALL_SHARE) as usize;
        Self {
            arrival,
            whole: start..end,
            // If the file begins less than 5 ms before the arrival, there is no fade-in.
            rise: if arrival >= before { before / 2 } else { 0 },
            fall: end - fall..end,
        }
    }

    /// From the arrival to the middle of the fall, samples.
    fn length(&self) -> f64 {
        (self.fall.start - self.arrival) as f64 + 0.5 * self.fall.len() as f64
    }

    fn applied(&self, samples: &[f64]) -> Vec<f64> {
        let hann = |k: usize, of: usize| 0.5 - 0.5 * (PI * (k as f64 + 0.5) / of as f64).cos();
        let weight = |i: usize| {
            let (from_start, to_end) = (i - self.whole.start, self.whole.end - 1 - i);
            let rising = if from_start < self.rise {
                hann(from_start, self.rise)
            } else {
                1.0
            };
            let falling = if to_end < self.fall.len() {
                hann(to_end, self.fall.len())
            } else {
                1.0
            };
            rising * falling
        };
        self.whole.clone().map(|i| samples[i] * weight(i)).collect()
    }
}

fn support(window: &Window, rate_hz: f64, source_name: &str) -> Result<Range<usize>> {
    let (lowest_hz, highest_hz) = (rate_hz / window.length().max(1.0), HIGHEST_SHARE * rate_hz);
    let f_hz = grid::frequency_hz();
    let support =
        f_hz.partition_point(|f| *f < lowest_hz)..f_hz.partition_point(|f| *f <= highest_hz);
    if support.len() < POINTS_PER_OCTAVE {
        return Err(Error::of(
            Fault::ShortImpulse(
                window.length() / rate_hz,
                rate_hz,
                Band(lowest_hz, highest_hz),
            ),
            source_name,
        ));
    }
    Ok(support)
}

/// Magnitudes, evenly spaced from 0 Hz to half the rate. The samples are padded to at least twice their length and to
/// 2^18: the cepstrum of a long resonance must decay within the transform, and a zero at 0 Hz is resolved better.
fn magnitudes(windowed: &[f64], source_name: &str) -> Result<Vec<f64>> {
    let size = (2 * windowed.len())
        .next_power_of_two()
        .max(LEAST_TRANSFORM);
    let mut padded = windowed.to_vec();
    padded.resize(size, 0.0);
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(size);
    let mut spectrum = plan.make_output_vec();
    plan.process(&mut padded, &mut spectrum)
        .map_err(|_| Error::of(Fault::NoSpectrum, source_name))?;
    Ok(spectrum.iter().map(|bin| bin.norm()).collect())
}

fn largest(samples: &[f64]) -> f64 {
    samples
        .iter()
        .fold(0.0, |largest, x| f64::max(largest, x.abs()))
}

fn rms(samples: &[f64]) -> f64 {
    let squares: f64 = samples.iter().map(|x| x * x).sum();
    (squares / samples.len().max(1) as f64).sqrt()
}
