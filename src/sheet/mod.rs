//! Stage 7: the preset as a text file that can be implemented without this program. In: the record of a fit and limits,
//! or the text of a sheet. Out: a sheet's text, or a [`Sheet`].
//!
//! [`Sheet`] holds exactly what the file states. [`write()`] and [`read()`] convert to and from text without loss, to
//! the last bit. Numbers are rounded once, in [`Sheet::from_outcome`]. This stage knows sections and limits, and of the
//! fit only its record.

pub mod error;
mod read;
mod write;

pub use crate::headroom::Guard;
use error::{InSheet, SheetFault};
pub use read::{GivenSections, read, read_given, read_kept};
pub use write::{BEGINNING, write};

use crate::caution::Caution;
use crate::error::{Error, Fault, Names, Result, Source};
use crate::filter::{Section, biquad::Biquad, cascade};
use crate::job::{self, Outcome};
use crate::keys::error::KeysFault;
use crate::limits::{Limits, bounds, check_rates};
use crate::measurement::takes::Side;

/// The preamp and the gains that determine it.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Level {
    /// Gain before the sections, dB, 0 or less.
    pub preamp_db: f64,
    /// What the preamp protects against.
    pub guard: Guard,
    /// Additional room for the curve between the samples, dB.
    pub true_peak_margin_db: f64,
    /// Largest gain of all sections together for a steady tone, dB, at the worst of the rates.
    pub peak_gain_db: f64,
    /// Largest gain of all sections together for any signal, dB, at the worst of the rates.
    pub any_signal_gain_db: f64,
    /// Change of loudness of pink noise by preamp and sections, LU (ITU-R BS.1770), at the first rate; negative is
    /// quieter. None if the sheet does not state it.
    pub loudness_change_lu: Option<f64>,
}

/// Predicted gains of all sections together at one rate, without the preamp.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Checkpoint {
    /// Sample rate, hertz.
    pub rate_hz: f64,
    /// Frequencies, hertz, ascending, below half the rate.
    pub frequency_hz: Vec<f64>,
    /// The gain at each frequency, dB.
    pub gain_db: Vec<f64>,
}

/// The sections as coefficients at one rate.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct RateCoefficients {
    /// Sample rate, hertz.
    pub rate_hz: f64,
    /// One set for each section, in the order of the sections.
    pub section: Vec<Biquad>,
}

/// Residuals, equalised minus target, level-free, dB rms.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Residuals {
    /// With the weights of the fit, without sections.
    pub weighted_before: f64,
    /// With the weights of the fit, with the sections.
    pub weighted_after: f64,
    /// Unweighted over the trusted band, without and with the sections; None if nothing is trusted.
    pub trusted_band: Option<(f64, f64)>,
}

/// How the sections were found.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Search {
    /// Number of independent searches.
    pub searches: u64,
    /// Number of these that ended at these sections.
    pub agreeing: u64,
    /// Why the search stopped, in words.
    pub stop: String,
}

/// What the fit was based on.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Knowledge {
    /// Names of the takes that were averaged.
    pub takes: Vec<String>,
    /// Source of the target, in words.
    pub target_source: String,
    /// Lowest and highest trusted frequency, hertz; None if nothing is trusted.
    pub trusted_band_hz: Option<(f64, f64)>,
    /// Residuals at the rate of the fit, the first of the sheet's rates.
    pub residual_db: Residuals,
    /// Weighted residual with the sections at each of the sheet's rates, dB.
    pub residual_by_rate_db: Vec<f64>,
    /// How much the sections work against each other, 1 or more; None if there is no value.
    pub economy_ratio: Option<f64>,
    /// How the sections were found.
    pub search: Search,
    /// Cautions for the reader, in words.
    pub cautions: Vec<String>,
    /// If each side has an EQ of its own: the residual of left and right; all other figures are then those of both
    /// together. Otherwise empty.
    pub sides: Vec<SideResidual>,
}

/// Residual of one side at the level that both share, with the weights of the fit, dB rms.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct SideResidual {
    /// Left or right.
    pub side: Side,
    /// Without sections.
    pub weighted_before: f64,
    /// With the sections of this side.
    pub weighted_after: f64,
}

/// An EQ for both sides or for one.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Channel {
    /// The side that it is for; None: both.
    pub side: Option<Side>,
    /// The sections in the order in which they are applied.
    pub sections: Vec<Section>,
    /// Predicted gains, one entry for each of the sheet's rates.
    pub checkpoints: Vec<Checkpoint>,
    /// Coefficients, one entry for each of the sheet's rates.
    pub coefficients: Vec<RateCoefficients>,
}

impl Channel {
    fn new(side: Option<Side>, sections: &[Section], rates_hz: &[f64]) -> Result<Self> {
        let at_rate = |&rate_hz: &f64| {
            let section = sections.iter().map(|section| Biquad::new(section, rate_hz));
            Ok(RateCoefficients {
                rate_hz,
                section: section.collect::<Result<_>>()?,
            })
        };
        Ok(Self {
            side,
            sections: sections.to_vec(),
            coefficients: rates_hz.iter().map(at_rate).collect::<Result<_>>()?,
            checkpoints: rates_hz
                .iter()
                .map(|&rate_hz| checkpoint(sections, rate_hz))
                .collect(),
        })
    }
}

/// A preset: the file `NAME.sheet.toml`.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Sheet {
    /// Name of the unit.
    pub unit: String,
    /// Name of the target.
    pub target: String,
    /// Preamp and the gains that determine it.
    pub level: Level,
    /// Sample rates that the sheet covers, hertz.
    pub rates_hz: Vec<f64>,
    /// One EQ for both sides, or one for the left followed by one for the right.
    pub channels: Vec<Channel>,
    /// What the fit was based on; None if this part was cut off. It is not needed to play the sheet.
    pub knowledge: Option<Knowledge>,
    /// The limits of the fit; None if this part was cut off.
    pub limits: Option<Limits>,
}

/// A checkpoint compared with the gain of an implementation of the sheet.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Deviation {
    /// The side of the EQ; None: both.
    pub side: Option<Side>,
    /// Sample rate, hertz.
    pub rate_hz: f64,
    /// Frequency, hertz.
    pub frequency_hz: f64,
    /// The gain that the sheet states, dB.
    pub stated_db: f64,
    /// The gain of its sections, dB.
    pub from_sections_db: f64,
    /// The gain of its coefficients, dB.
    pub from_coefficients_db: f64,
}

impl Deviation {
    /// The larger of the two deviations from the stated gain, dB, 0 or more.
    #[must_use]
    pub fn worst_db(&self) -> f64 {
        (self.from_sections_db - self.stated_db)
            .abs()
            .max((self.from_coefficients_db - self.stated_db).abs())
    }
}

/// The channels of a sheet with one EQ for each side.
const PER_SIDE: [Option<Side>; 2] = [Some(Side::Left), Some(Side::Right)];

/// Predicted gains and residuals are rounded to 1/`SCALE`.
const SCALE: f64 = 1e4;
/// Tolerance when a gain is rounded up, in units of 1/`SCALE`: the error of the peak search.
const ROUNDING_TOLERANCE: f64 = 1e-5;

/// `x` to four decimals; never -0.
fn rounded(x: f64) -> f64 {
    (x * SCALE).round() / SCALE + 0.0
}

/// `x` rounded up to four decimals: a stated largest gain must not be too low.
fn rounded_up(x: f64) -> f64 {
    (x * SCALE - ROUNDING_TOLERANCE).ceil() / SCALE + 0.0
}

impl Sheet {
    /// The sheet of a fit within `limits`. Predicted gains and residuals are rounded to 0.0001 dB, the largest gains
    /// upwards. Preamp, sections and coefficients are not rounded.
    ///
    /// # Errors
    /// If a number is not finite, or a section cannot be played at one of the rates.
    pub fn from_outcome(outcome: &Outcome, limits: &Limits) -> Result<Self> {
        let Outcome { shared, channels } = outcome;
        let residual = shared.residual;
        let sides = channels.iter().filter_map(|channel| {
            Some(SideResidual {
                side: channel.side?,
                weighted_before: rounded(channel.residual.before.weighted_db),
                weighted_after: rounded(channel.residual.after.weighted_db),
            })
        });
        let by_rate_db = shared.residual_by_rate_db.iter().copied();
        let trusted_band = residual
            .before
            .trusted_band_db
            .zip(residual.after.trusted_band_db);
        let channel = |channel: &job::Channel| {
            Channel::new(channel.side, &channel.sections, &shared.rates_hz)
        };
        let sheet = Self {
            unit: shared.unit.clone(),
            target: shared.target.clone(),
            level: Level {
                preamp_db: shared.headroom.preamp_db,
                guard: shared.protection.guard,
                true_peak_margin_db: shared.protection.true_peak_margin_db,
                peak_gain_db: rounded_up(shared.headroom.peak_gain_db),
                any_signal_gain_db: rounded_up(shared.headroom.any_signal_gain_db),
                loudness_change_lu: Some(rounded(shared.loudness.total_lu)),
            },
            rates_hz: shared.rates_hz.clone(),
            channels: channels.iter().map(channel).collect::<Result<_>>()?,
            knowledge: Some(Knowledge {
                takes: shared.takes.clone(),
                target_source: shared.target_source.clone(),
                trusted_band_hz: shared.trusted_band_hz,
                residual_db: Residuals {
                    weighted_before: rounded(residual.before.weighted_db),
                    weighted_after: rounded(residual.after.weighted_db),
                    trusted_band: trusted_band
                        .map(|(before, after)| (rounded(before), rounded(after))),
                },
                residual_by_rate_db: by_rate_db.map(rounded).collect(),
                economy_ratio: Some(rounded(shared.economy_ratio)).filter(|e| e.is_finite()),
                search: Search {
                    searches: shared.search.searches,
                    agreeing: shared.search.agreeing,
                    stop: shared.search.stop.clone(),
                },
                cautions: shared.cautions.iter().map(ToString::to_string).collect(),
                sides: sides.collect(),
            }),
            limits: Some(limits.clone()),
        };
        sheet.check().map(|()| sheet)
    }

    /// The same sheet with these cautions in words; `names` gives the names of settings.
    #[must_use]
    pub fn with_cautions(mut self, cautions: &[Caution], names: Names<'_>) -> Self {
        if let Some(knowledge) = &mut self.knowledge {
            knowledge.cautions = cautions.iter().map(|c| c.worded(names)).collect();
        }
        self
    }

    /// True when each side has an EQ of its own.
    #[must_use]
    pub fn is_per_side(&self) -> bool {
        self.channels.iter().any(|channel| channel.side.is_some())
    }

    /// Checks that the sheet is complete: finite numbers, playable sections, and the same rates and counts throughout.
    /// It does not check whether the numbers agree with each other ([`recompute`]) or whether the limits allow the
    /// sections ([`Limits::allows`]).
    ///
    /// # Errors
    /// The first key that is wrong; indices in keys start at 1.
    pub fn check(&self) -> Result<()> {
        if let Some(limits) = &self.limits {
            limits.check().map_err(|mut error| {
                let key = error.place.key.take().unwrap_or_default();
                error.at_key(format!("limits.{key}"))
            })?;
        }
        self.check_level_and_rates()?;
        self.check_sections()?;
        self.check_each_rate()?;
        self.knowledge
            .as_ref()
            .map_or(Ok(()), |knowledge| self.check_knowledge(knowledge))
    }

    fn check_level_and_rates(&self) -> Result<()> {
        let level = &self.level;
        if !bounds::PREAMP_DB.contains(level.preamp_db) {
            let fault = bounds::PREAMP_DB.fault(level.preamp_db);
            return Err(wrong("level.preamp_db", InSheet(fault.into())));
        }
        finite("level.true_peak_margin_db", &[level.true_peak_margin_db])?;
        finite("level.peak_gain_db", &[level.peak_gain_db])?;
        finite("level.any_signal_gain_db", &[level.any_signal_gain_db])?;
        finite(
            "level.loudness_change_lu",
            level.loudness_change_lu.as_slice(),
        )?;
        check_rates(&self.rates_hz, &|key, fault| {
            wrong(&format!("equaliser.{key}"), InSheet(fault))
        })
    }

    fn check_sections(&self) -> Result<()> {
        let sides: Vec<Option<Side>> = self.channels.iter().map(|c| c.side).collect();
        if sides != [None] && sides != PER_SIDE {
            return Err(wrong("section", SheetFault::Sides(sides)));
        }
        let most = bounds::SECTIONS.max as usize;
        // Numbered over the whole file, one side after the other.
        let mut before = 0;
        for channel in &self.channels {
            let sections = &channel.sections;
            if sections.len() > most {
                return Err(wrong(
                    "section",
                    InSheet(KeysFault::TooMany(sections.len(), "sections", most).into()),
                ));
            }
            for (index, section) in sections.iter().enumerate() {
                self.check_section(before + index + 1, section)?;
            }
            before += sections.len();
        }
        Ok(())
    }

    fn check_section(&self, number: usize, section: &Section) -> Result<()> {
        for &rate_hz in &self.rates_hz {
            if !section.is_playable_at(rate_hz) {
                return Err(wrong(
                    &format!("section[{number}]"),
                    SheetFault::Unplayable(*section, rate_hz),
                ));
            }
        }
        Ok(())
    }

    fn check_each_rate(&self) -> Result<()> {
        for (number, channel) in self.channels.iter().enumerate() {
            self.check_channel(channel, number * self.rates_hz.len())?;
        }
        Ok(())
    }

    /// Checks one channel; `before` is the number of entries of earlier channels.
    fn check_channel(&self, channel: &Channel, before: usize) -> Result<()> {
        let same_rates = |key: &str, rates_hz: Vec<f64>| {
            if rates_hz == self.rates_hz {
                return Ok(());
            }
            let fault = SheetFault::OtherRates(rates_hz.len(), channel.side, self.rates_hz.clone());
            Err(wrong(key, fault))
        };
        same_rates(
            "checkpoint",
            channel.checkpoints.iter().map(|c| c.rate_hz).collect(),
        )?;
        for (index, checkpoint) in channel.checkpoints.iter().enumerate() {
            let key = |part: &str| format!("checkpoint[{}].{part}", before + index + 1);
            let frequency_hz = &checkpoint.frequency_hz;
            let in_band = frequency_hz
                .iter()
                .all(|&f_hz| f_hz > 0.0 && f_hz < checkpoint.rate_hz / 2.0);
            if !in_band || frequency_hz.windows(2).any(|pair| pair[0] >= pair[1]) {
                return Err(wrong(&key("frequency_hz"), SheetFault::Frequencies));
            }
            if checkpoint.gain_db.len() != frequency_hz.len() {
                return Err(wrong(
                    &key("gain_db"),
                    SheetFault::Count(
                        checkpoint.gain_db.len(),
                        "gains",
                        frequency_hz.len(),
                        "frequency",
                    ),
                ));
            }
            finite(&key("gain_db"), &checkpoint.gain_db)?;
        }
        same_rates(
            "coefficients",
            channel.coefficients.iter().map(|c| c.rate_hz).collect(),
        )?;
        for (index, at_rate) in channel.coefficients.iter().enumerate() {
            let key = format!("coefficients[{}].section", before + index + 1);
            if at_rate.section.len() != channel.sections.len() {
                return Err(wrong(
                    &key,
                    SheetFault::Count(
                        at_rate.section.len(),
                        "sections",
                        channel.sections.len(),
                        "section",
                    ),
                ));
            }
            for c in &at_rate.section {
                finite(&key, &[c.b0, c.b1, c.b2, c.a1, c.a2])?;
            }
        }
        Ok(())
    }

    fn check_knowledge(&self, knowledge: &Knowledge) -> Result<()> {
        let residual = &knowledge.residual_db;
        finite(
            "knowledge.residual_db",
            &[residual.weighted_before, residual.weighted_after],
        )?;
        if let Some((before, after)) = residual.trusted_band {
            finite("knowledge.residual_db", &[before, after])?;
        }
        if let Some((lowest_hz, highest_hz)) = knowledge.trusted_band_hz {
            finite("knowledge.trusted_band_hz", &[lowest_hz, highest_hz])?;
        }
        if knowledge.residual_by_rate_db.len() != self.rates_hz.len() {
            return Err(wrong(
                "knowledge.residual_by_rate_db",
                SheetFault::Count(
                    knowledge.residual_by_rate_db.len(),
                    "residuals",
                    self.rates_hz.len(),
                    "rate",
                ),
            ));
        }
        finite(
            "knowledge.residual_by_rate_db",
            &knowledge.residual_by_rate_db,
        )?;
        finite(
            "knowledge.economy_ratio",
            &[knowledge.economy_ratio.unwrap_or(1.0)],
        )?;
        for side in &knowledge.sides {
            let figures = [side.weighted_before, side.weighted_after];
            finite("knowledge.side", &figures)?;
        }
        let sides: Vec<Option<Side>> = knowledge.sides.iter().map(|s| Some(s.side)).collect();
        let expected: &[Option<Side>] = if self.is_per_side() { &PER_SIDE } else { &[] };
        if sides == expected {
            return Ok(());
        }
        Err(wrong(
            "knowledge.side",
            SheetFault::ResidualSides(sides.len(), self.is_per_side()),
        ))
    }
}

/// Compares each checkpoint of `sheet` with the gain computed from the sections' numbers and from the coefficients.
#[must_use]
pub fn recompute(sheet: &Sheet) -> Vec<Deviation> {
    let of_channel = |channel: &Channel| {
        let at_rate = |checkpoint: &Checkpoint| deviations(channel, checkpoint);
        channel
            .checkpoints
            .iter()
            .flat_map(at_rate)
            .collect::<Vec<_>>()
    };
    sheet.channels.iter().flat_map(of_channel).collect()
}

fn deviations(channel: &Channel, checkpoint: &Checkpoint) -> Vec<Deviation> {
    let rate_hz = checkpoint.rate_hz;
    let coefficients = channel.coefficients.iter().find(|c| c.rate_hz == rate_hz);
    let biquads = coefficients.map_or(&[][..], |c| &c.section);
    checkpoint
        .frequency_hz
        .iter()
        .zip(&checkpoint.gain_db)
        .map(|(&frequency_hz, &stated_db)| Deviation {
            side: channel.side,
            rate_hz,
            frequency_hz,
            stated_db,
            from_sections_db: cascade::level_db(&channel.sections, rate_hz, frequency_hz),
            from_coefficients_db: biquads
                .iter()
                .map(|biquad| level_of_coefficients_db(biquad, frequency_hz / rate_hz))
                .sum(),
        })
        .collect()
}

/// Level of a difference equation at a frequency in cycles per sample, dB.
fn level_of_coefficients_db(c: &Biquad, cycles: f64) -> f64 {
    let (sin, cos) = (2.0 * std::f64::consts::PI * cycles).sin_cos();
    // |c0 + c1 z^-1 + c2 z^-2| = |c0 z + c1 + c2 z^-1| on the unit circle.
    let power = |c0: f64, c1: f64, c2: f64| {
        let real = (c0 + c2) * cos + c1;
        let imaginary = (c0 - c2) * sin;
        real * real + imaginary * imaginary
    };
    crate::units::db_from_power(power(c.b0, c.b1, c.b2) / power(1.0, c.a1, c.a2))
}

/// The checkpoints of `sections` at one rate: octaves from 31.5 Hz to 16 kHz and every f0, below half the rate.
fn checkpoint(sections: &[Section], rate_hz: f64) -> Checkpoint {
    let octaves_hz = [
        31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0,
    ];
    let mut frequency_hz: Vec<f64> = octaves_hz
        .into_iter()
        .chain(sections.iter().map(|section| section.f0_hz))
        .filter(|&f_hz| f_hz < rate_hz / 2.0)
        .collect();
    frequency_hz.sort_by(f64::total_cmp);
    frequency_hz.dedup();
    let gain_db = cascade::levels_db(sections, rate_hz, &frequency_hz)
        .into_iter()
        .map(rounded)
        .collect();
    Checkpoint {
        rate_hz,
        frequency_hz,
        gain_db,
    }
}

fn wrong(key: &str, fault: impl Fault) -> Box<Error> {
    Error::of(fault, Source::name("sheet")).at_key(key)
}

fn finite(key: &str, numbers: &[f64]) -> Result<()> {
    match numbers.iter().find(|x| !x.is_finite()) {
        None => Ok(()),
        Some(x) => Err(wrong(key, SheetFault::NotFinite(*x))),
    }
}
