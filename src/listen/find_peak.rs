//! Where a listener's own ear resonates with a unit: a band of noise that moves slowly through the treble, made equally loud for
//! an average ear, is loudest there.
//!
//! The level at the eardrum that an average ear needs for the same loudness is that of [`super::iso_226`] in a free field,
//! taken to the eardrum. The unit adds its own curve with the coupler's resonance taken out, so what is left to be heard is the
//! listener's. Sweeps go up and down: who notes a time too late finds the peak too high by one and too low by the other.

use std::f64::consts::TAU;
use std::fmt::Write as _;

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{RngCore as _, SeedableRng as _};
use realfft::RealFftPlanner;
use realfft::num_complex::Complex64;
use schemars::JsonSchema;
use serde::Serialize;

use super::iso_226::contour_db;
use super::error::ListenFault;
use super::excerpt::seconds;
use super::signals::RATE_HZ;
use crate::cost::exposure::{Field, FieldTable, field_to_eardrum_db};
use crate::error::{Error, Result};
use crate::keys::{self, text};
use crate::measurement::expected::{Ears, blurred};
use crate::measurement::grid::{OnGrid, band_hz, frequency_hz};
use crate::measurement::judge::Judged;
use crate::units::amplitude_from_db;
use crate::wanted::difference::level_at_hz;

/// How a file with the times begins.
pub const BEGINNING: &str = "# Times of the loudest";
/// Where sweeps begin and end, Hz.
pub const BAND_HZ: (f64, f64) = (4000.0, 14_000.0);
/// Length of a sweep, seconds: 0.06 octaves a second.
pub const SECONDS: f64 = 30.0;
/// Sweeps, up and down in turn.
pub const SWEEPS: usize = 4;
/// Loudness for which the bands are made equal, phon: quiet music.
const PHON: f64 = 50.0;
/// Half width of the band of noise, Hz (standard deviation): narrower than the ear's own bands up here, so that its loudness is that
/// of its level.
const HALF_WIDTH_HZ: f64 = 150.0;
/// Answers that spread by more than this, octaves, do not tell where the peak lies. Our choice.
pub const UNSURE_OCTAVES: f64 = 0.15;

/// Keys of a file with the times.
const KEYS: [&str; 3] = ["format", "unit", "sweep"];

/// One sweep, and the time at which it was loudest.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Sweep {
    /// Its file.
    pub file: String,
    /// Whether it rises.
    pub rises: bool,
    /// The time that was noted, s; none (`null`) where none was.
    pub loudest_s: Option<f64>,
    /// The frequency at that time, Hz; none (`null`) where no time was noted.
    pub peak_hz: Option<f64>,
}

/// What the times tell.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PeakFound {
    /// The unit that was listened with.
    pub unit: String,
    /// The sweeps, in the order of the file.
    pub sweeps: Vec<Sweep>,
    /// Where the peak lies, Hz: the geometric mean, rising and falling sweeps counting alike; none (`null`) where the answers
    /// spread by more than 0.15 octaves.
    pub peak_hz: Option<f64>,
    /// Standard deviation (n - 1) of the answers about it, octaves; none (`null`) for a single one.
    pub spread_octaves: Option<f64>,
    /// How much higher rising sweeps find it than falling ones, octaves, which both together cancel; none (`null`) where only one
    /// kind was answered.
    pub up_over_down_octaves: Option<f64>,
}

/// The frequency of a sweep at a time, Hz.
#[must_use]
pub fn at_s(rises: bool, time_s: f64) -> f64 {
    let share = (time_s / SECONDS).clamp(0.0, 1.0);
    let share = if rises { share } else { 1.0 - share };
    BAND_HZ.0 * (BAND_HZ.1 / BAND_HZ.0).powf(share)
}

/// Names of the files, and whether each rises.
pub fn files() -> impl Iterator<Item = (String, bool)> {
    (0..SWEEPS).map(|index| {
        let (rises, number) = (index % 2 == 0, index / 2 + 1);
        let word = if rises { "up" } else { "down" };
        (format!("peak-{word}-{number}.wav"), rises)
    })
}

/// The unit's curve without the coupler's resonance, where the takes tell it; elsewhere what all ears get on average.
#[must_use]
pub fn without_resonance(judged: &Judged) -> OnGrid {
    let mut curve = blurred(&judged.average.on_grid, 0.0, Ears::ALL);
    let taken_out = judged.resonance.as_ref().and_then(|found| found.taken_out.as_ref());
    for point in taken_out.iter().flat_map(|curve| &curve.points) {
        // Its points are those of the grid.
        let at = frequency_hz().partition_point(|f_hz| *f_hz < point.frequency_hz * 0.999);
        if curve.support.contains(&at) {
            curve.level_db[at] = point.level_db;
        }
    }
    curve
}

/// One channel of a sweep at [`RATE_HZ`], its loudest part at `level_db`, rms, re a sine of full scale. `unit` is the unit's curve
/// without the coupler's resonance.
#[must_use]
pub fn sweep(unit: &OnGrid, rises: bool, level_db: f64, seed: u64) -> Vec<f64> {
    let to_eardrum_db = field_to_eardrum_db(Field::Free, FieldTable::default());
    let held_db = |f_hz: f64| {
        let (lowest_hz, highest_hz) = band_hz(&unit.support);
        level_at_hz(unit, f_hz.clamp(lowest_hz, highest_hz)).unwrap_or(0.0)
    };
    let gain_db = |f_hz: f64| contour_db(PHON, f_hz) + to_eardrum_db(f_hz) - held_db(f_hz);
    let rate_hz = f64::from(RATE_HZ);
    let count = (SECONDS * rate_hz) as usize;
    // The gain changes slowly: one value for each hundredth of a second.
    let step = RATE_HZ as usize / 100;
    let steps: Vec<f64> = (0..=count / step)
        .map(|i| gain_db(at_s(rises, (i * step) as f64 / rate_hz)))
        .collect();
    let highest_db = steps.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let rms = amplitude_from_db(level_db) * std::f64::consts::FRAC_1_SQRT_2;
    let mut chance = Xoshiro256PlusPlus::seed_from_u64(seed);
    let [one, other] = [(); 2].map(|()| low_noise(count, &mut chance));
    let mut phase = 0.0;
    let sample = |i: usize| {
        let time_s = i as f64 / rate_hz;
        let part = (i % step) as f64 / step as f64;
        let db = steps[i / step] + part * (steps[(i / step + 1).min(steps.len() - 1)] - steps[i / step]);
        phase = (phase + TAU * at_s(rises, time_s) / rate_hz) % TAU;
        let edge = (time_s.min(SECONDS - time_s) / 0.5).clamp(0.0, 1.0);
        let carried = one[i] * f64::cos(phase) - other[i] * f64::sin(phase);
        rms * edge * amplitude_from_db(db - highest_db) * carried
    };
    (0..count).map(sample).collect()
}

/// Noise from 0 Hz to some times [`HALF_WIDTH_HZ`], of rms 1.
fn low_noise(count: usize, chance: &mut Xoshiro256PlusPlus) -> Vec<f64> {
    let transform = RealFftPlanner::new().plan_fft_inverse(count);
    let mut lines = transform.make_input_vec();
    for (line, value) in lines.iter_mut().enumerate().skip(1) {
        let deviations = line as f64 / SECONDS / HALF_WIDTH_HZ;
        if deviations > 5.0 {
            break;
        }
        let phase = TAU * (chance.next_u64() >> 11) as f64 * (-53_f64).exp2();
        *value = Complex64::from_polar((-0.5 * deviations * deviations).exp(), phase);
    }
    let mut samples = transform.make_output_vec();
    transform
        .process(&mut lines, &mut samples)
        .expect("the lengths are the transform's own");
    let power = samples.iter().map(|x| x * x).sum::<f64>() / count as f64;
    samples.iter().map(|x| x / power.sqrt()).collect()
}

/// A file for the times, to be filled in.
#[must_use]
pub fn to_toml(unit: &str) -> String {
    let mut out = format!(
        "{BEGINNING}, format 1.\n#\n# CARE  Start at a low volume: loud enough to hear the noise everywhere, no more. Loud sound harms hearing.\n#\n# Each file is a band of noise that moves slowly. Play it without an EQ, on one side at a time, with the\n# tips and the seat that you listen with. Note the time at which it is loudest, in seconds or as 0:12; leave a file out by writing nothing.\n\nformat = 1\nunit = {}\n",
        text::string(unit)
    );
    for (file, _) in files() {
        let _ = write!(out, "\n[[sweep]]\nfile = {}\nloudest = \"\"\n", text::string(&file));
    }
    out
}

/// What the times in such a file tell; `file` is its name for messages.
///
/// # Errors
/// For what is no such file, with line and key; `Setting` for what is no time of a sweep, and for no time at all.
pub fn found(bytes: &[u8], file: &str) -> Result<PeakFound> {
    let (unit, sweeps) = keys::read_file(bytes, file, &KEYS, |table| {
        table.format_1()?;
        let sweeps = table.required("sweep")?;
        sweeps.at_most(SWEEPS, "sweeps")?;
        let sweeps = sweeps.tables(&["file", "loudest"], |sweep| {
            let known = sweep.required("file")?;
            let name = known.string()?;
            let Some((_, rises)) = files().find(|(file, _)| *file == name) else {
                return Err(known.error(ListenFault::NoSweep(name)));
            };
            let typed = sweep.required("loudest")?;
            let word = typed.string()?;
            let loudest_s = match word.trim() {
                "" => None,
                word => Some(
                    seconds(word)
                        .filter(|time_s| (0.0..=SECONDS).contains(time_s))
                        .ok_or_else(|| typed.error(ListenFault::NoTime(word.to_owned(), SECONDS)))?,
                ),
            };
            Ok(Sweep {
                file: name,
                rises,
                peak_hz: loudest_s.map(|time_s| at_s(rises, time_s)),
                loudest_s,
            })
        })?;
        Ok((table.required("unit")?.string()?, sweeps))
    })?;
    let octaves = |rises: Option<bool>| {
        let counts = sweeps.iter().filter(|sweep| rises.is_none_or(|rises| sweep.rises == rises));
        let found: Vec<f64> = counts.filter_map(|sweep| Some(sweep.peak_hz?.log2())).collect();
        found
    };
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let (all, up, down) = (octaves(None), octaves(Some(true)), octaves(Some(false)));
    if all.is_empty() {
        return Err(Error::of(ListenFault::NoAnswer, file));
    }
    let both = !up.is_empty() && !down.is_empty();
    let middle = if both { f64::midpoint(mean(&up), mean(&down)) } else { mean(&all) };
    let squares: f64 = all.iter().map(|octaves| (octaves - middle).powi(2)).sum();
    let spread_octaves = (all.len() > 1).then(|| (squares / (all.len() - 1) as f64).sqrt());
    Ok(PeakFound {
        unit,
        peak_hz: spread_octaves.is_none_or(|spread| spread <= UNSURE_OCTAVES).then(|| middle.exp2()),
        spread_octaves,
        up_over_down_octaves: both.then(|| mean(&up) - mean(&down)),
        sweeps,
    })
}
