//! Stage 7, after the sheet: the export of its filters in general forms that other tools read. In: a [`Sheet`], rates,
//! a side. Out: coefficients, an impulse response, or gain and phase.
//!
//! [`Export::of`] computes the coefficients anew from the sections' numbers and refuses a sheet that contradicts
//! itself. [`matrix`] writes second-order sections or coefficients, [`mod@impulse`] the impulse response, [`response`]
//! a table of gain and phase. None of these forms is specific to a program.

pub mod error;
pub mod impulse;
pub mod matrix;
pub mod response;

pub use impulse::{Impulse, WAV_END, impulse, wav};
pub use matrix::{Row, coefficients_csv, sos_csv};
pub use response::{Response, response_csv, responses};

use crate::caution::Caution;
use crate::error::{Error, Knob, Result, Source};
use crate::filter::{Section, biquad::Biquad};
use crate::headroom::{Guard, any_signal::any_signal, peak::peak};
use crate::limits::bounds;
use crate::measurement::takes::Side;
use crate::sheet::{Channel, Sheet};
use crate::units::amplitude_from_db;
use crate::verify::sheet_check::{CheckPoint, Outcome, PREAMP_DB, Subject, check_sheet};
use error::ExportFault;

/// How filters are told.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema, clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    /// Second-order sections: rows b0 b1 b2 a0 a1 a2, a0 = 1, as scipy.signal orders them (NAME.csv, NAME.json)
    Sos,
    /// Coefficients b0 b1 b2 a1 a2, a1 and a2 subtracted: negate both for a tool that adds them (NAME.csv, NAME.json)
    Coefficients,
    /// Minimum-phase impulse response at one rate, so long that all that is cut off is below -140 dB of what is kept;
    /// 32-bit floating point, left and right as two channels where each has an EQ of its own (NAME.wav)
    Impulse,
    /// Gain in dB and phase in degrees on the common grid (NAME.csv, NAME.json)
    Response,
}

impl Form {
    /// The name used in options and files: `sos`, `coefficients`, `impulse`, `response`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Sos => "sos",
            Self::Coefficients => "coefficients",
            Self::Impulse => "impulse",
            Self::Response => "response",
        }
    }
}

/// What to export from a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// Sample rates, hertz; empty: all rates of the sheet.
    pub rates_hz: Vec<f64>,
    /// Whether rates that the sheet does not list are allowed.
    pub unlisted_rates: bool,
    /// One side of a sheet with an EQ for each; None: all sides.
    pub side: Option<Side>,
    /// Whether the export includes the preamp.
    pub preamp_included: bool,
}

/// The filters of one side at one rate.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Chain {
    /// The side that it is for; none (in documents `both`) for both.
    #[serde(serialize_with = "side_in_words")]
    #[schemars(with = "String", extend("enum" = ["both", "left", "right"]))]
    pub side: Option<Side>,
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Whether the sheet lists that rate, so that its checkpoints cover it.
    #[serde(rename = "listed")]
    pub is_listed: bool,
    /// The sections, in the order in which they are applied.
    #[serde(skip)]
    pub sections: Vec<Section>,
    /// Their coefficients, without the preamp.
    #[serde(skip)]
    pub biquads: Vec<Biquad>,
}

impl Chain {
    /// `both`, `left` or `right`.
    #[must_use]
    pub fn side_name(&self) -> &'static str {
        name_of_side(self.side)
    }
}

fn name_of_side(side: Option<Side>) -> &'static str {
    match side {
        Some(Side::Left) => "left",
        Some(Side::Right) => "right",
        Some(Side::Unknown) | None => "both",
    }
}

fn side_in_words<S: serde::Serializer>(
    side: &Option<Side>,
    to: S,
) -> std::result::Result<S::Ok, S::Error> {
    to.serialize_str(name_of_side(*side))
}

/// Filters that were taken from a sheet.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Export {
    /// Name of the unit.
    pub unit: String,
    /// Name of the target.
    pub target: String,
    /// The sheet's preamp, dB, 0 or less.
    #[schemars(range(max = 0.0))]
    pub preamp_db: f64,
    /// Whether the preamp is part of the filters: a row before the sections, or in the impulse response or the gain.
    pub preamp_included: bool,
    /// Side after side, each at all rates.
    #[serde(skip)]
    pub chains: Vec<Chain>,
}

impl Export {
    /// The filters that `request` asks of `sheet`, computed from the numbers of its sections.
    ///
    /// # Errors
    /// `Refused` if the sheet contradicts itself (as [`check_sheet`] finds), or if the preamp does not suffice for its
    /// guard at a rate that the sheet does not list. `Setting` about `rate` or `side` if the sheet does not have what
    /// is requested.
    pub fn of(sheet: &Sheet, request: &Request) -> Result<Self> {
        let channels = channels(sheet, request.side)?;
        let rates_hz = rates(sheet, request)?;
        refuse_contradictions(sheet, request.preamp_included)?;
        let mut chains = Vec::new();
        for channel in channels {
            for &rate_hz in &rates_hz {
                let sections = &channel.sections;
                let biquads = sections.iter().map(|section| Biquad::new(section, rate_hz));
                let chain = Chain {
                    side: channel.side,
                    rate_hz,
                    is_listed: sheet.rates_hz.contains(&rate_hz),
                    sections: sections.clone(),
                    biquads: biquads.collect::<Result<_>>()?,
                };
                if request.preamp_included && !chain.is_listed {
                    refuse_insufficient_preamp(sheet, &chain)?;
                }
                chains.push(chain);
            }
        }
        Ok(Self {
            unit: sheet.unit.clone(),
            target: sheet.target.clone(),
            preamp_db: sheet.level.preamp_db,
            preamp_included: request.preamp_included,
            chains,
        })
    }

    /// The caution about a required preamp that is not included; None if there is none.
    #[must_use]
    pub fn caution(&self) -> Option<Caution> {
        let left_out = !self.preamp_included && self.preamp_db < 0.0;
        left_out.then_some(Caution::PreampLeftOut {
            preamp_db: self.preamp_db,
        })
    }

    /// The factor before the sections: that of the preamp, or 1 if it is not included.
    #[must_use]
    pub fn gain(&self) -> f64 {
        if self.preamp_included {
            amplitude_from_db(self.preamp_db)
        } else {
            1.0
        }
    }
}

fn channels(sheet: &Sheet, side: Option<Side>) -> Result<Vec<&Channel>> {
    let of_side = |channel: &&Channel| side.is_none() || channel.side == side;
    let channels: Vec<&Channel> = sheet.channels.iter().filter(of_side).collect();
    if !channels.is_empty() {
        return Ok(channels);
    }
    Err(Error::of(ExportFault::OneForBoth, Knob::Side))
}

fn rates(sheet: &Sheet, request: &Request) -> Result<Vec<f64>> {
    let mut rates_hz: Vec<f64> = Vec::new();
    for &rate_hz in &request.rates_hz {
        let is_listed = sheet.rates_hz.contains(&rate_hz);
        let refuse = |fault| Err(Error::of(fault, Knob::RateHz));
        if !is_listed && !request.unlisted_rates {
            return refuse(ExportFault::UnlistedRate(rate_hz, sheet.rates_hz.clone()));
        }
        let highest_hz = sheet.channels.iter().flat_map(|channel| &channel.sections);
        let highest_hz = highest_hz.map(|section| section.f0_hz).fold(0.0, f64::max);
        let is_possible = bounds::RATE_HZ.contains(rate_hz) && rate_hz > 2.0 * highest_hz;
        if !is_listed && !is_possible {
            return refuse(ExportFault::ImpossibleRate(rate_hz, highest_hz));
        }
        if !rates_hz.contains(&rate_hz) {
            rates_hz.push(rate_hz);
        }
    }
    if rates_hz.is_empty() {
        rates_hz.clone_from(&sheet.rates_hz);
    }
    Ok(rates_hz)
}

/// Refuses a sheet whose numbers contradict each other, as [`check_sheet`] finds. The limits are ignored, and the
/// preamp too unless it is exported.
fn refuse_contradictions(sheet: &Sheet, preamp_included: bool) -> Result<()> {
    let matters = |subject: Subject| match subject {
        Subject::PreampSuffices | Subject::Loudness => preamp_included,
        Subject::PreampAsComputed | Subject::Rates | Subject::Limits | Subject::TotalBoost => false,
        _ => true,
    };
    let check = check_sheet(sheet, None);
    let fails = |point: &&CheckPoint| point.outcome == Outcome::Fail && matters(point.subject);
    match check.points.iter().find(fails) {
        None => Ok(()),
        Some(point) => {
            let fault = ExportFault::Contradiction(Box::new(point.clone()));
            Err(Error::of(fault, Source::name("sheet")).at_key(point.subject.words()))
        }
    }
}

/// Refuses a rate that the sheet does not list if the preamp does not suffice for it.
fn refuse_insufficient_preamp(sheet: &Sheet, chain: &Chain) -> Result<()> {
    let level = &sheet.level;
    let gain_db = level.true_peak_margin_db
        + match level.guard {
            Guard::Sine => peak(&chain.sections, chain.rate_hz).gain_db,
            Guard::AnySignal => any_signal(&chain.sections, chain.rate_hz)?.gain_db,
        };
    if level.preamp_db + gain_db <= PREAMP_DB {
        return Ok(());
    }
    let fault = ExportFault::Preamp(level.preamp_db, gain_db, chain.rate_hz, level.guard);
    Err(Error::of(fault, Knob::RateHz))
}
