//! What is asked of a fit, and what it answers.

use super::objective::ceilings::Ceilings;
use super::search::reach::{Effort, Level, Reach};
use super::space::Space;
use super::stop::Stop;
use crate::filter::Section;
use crate::limits::Limits;

/// One fit: the wanted change and what may be used to make it.
#[derive(Debug, Clone, Copy)]
pub struct Task<'a> {
    /// Points, hertz, rising, below half of the first rate.
    pub frequency_hz: &'a [f64],
    /// Weight of each point, the same in all channels: 0 or more, not all 0.
    pub weight: &'a [f64],
    /// One channel, whose level is free; or two that share one free level, so that the stereo image does not move.
    pub channels: &'a [Wanted<'a>],
    /// What the equaliser accepts for each channel. The fit is made at the first of its rates.
    pub limits: &'a Limits,
    /// Which of these sections the fit may use: a part of `limits`.
    pub space: &'a Space,
    /// If given, use no more sections than needed: the fewest for which any number of further sections lowers the
    /// residual by less than this for each added section, dB.
    pub least_gain_db: Option<f64>,
    /// How loud it has to stay; None where loudness does not matter.
    pub playing: Option<&'a Playing>,
    /// Weight of the economy term, 0 or more. At 0 there is no economy term, and idle sections are kept.
    pub economy: f64,
    /// How long to search. Two channels take several times as long as one.
    pub effort: Effort,
    /// Seed of the search: another seed tries other candidates. Usually 0.
    pub seed: u64,
    /// Once this is asked, the search ends soon, and its answer must not be used.
    pub stop: &'a Stop,
}

/// What is asked of loudness and gain.
#[derive(Debug, Clone, PartialEq)]
pub struct Playing {
    /// What the sections may not exceed together, with what is heard at each point.
    pub ceilings: Ceilings,
    /// Of answers whose root of J is at most this above the least, the loudest is taken, dB; 0: the one of least J.
    pub as_good_db: f64,
}

/// The wanted change of one channel.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// Wanted change at each point, dB. Its level is free, but common to both of two channels.
    pub change_db: &'a [f64],
    /// Fixed sections that act beside the fitted ones; they do not count against `limits` and `space`.
    pub kept: &'a [Section],
}

/// What of given sections may change. Shapes and count never do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Freedom {
    /// Nothing.
    AsIs,
    /// Gains. f0 and q stay as they are typed in: where the equaliser's q is a width that depends on the gain, the
    /// cookbook's q follows.
    Gains,
    /// Every number.
    All,
}

/// The result of a fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// One for each channel of the task, in the same order.
    pub channels: Vec<ChannelAnswer>,
    /// Sections allowed for each channel: the capacity of the space, or the number needed if `least_gain_db` was given.
    pub allowed: usize,
    /// J of the answer, dB^2; for two channels the mean of theirs.
    pub objective_db2: f64,
    /// Number of evaluations of the objective in the whole fit.
    pub evaluations: u64,
    /// Number of local solutions computed in the whole fit.
    pub polishes: u64,
}

/// The result for one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelAnswer {
    /// The fitted sections in order of frequency, with numbers the equaliser accepts. Kept sections are not among them.
    pub sections: Vec<Section>,
    /// J of this channel, dB^2; of two channels, at the level they share.
    pub objective_db2: f64,
    /// The answers for 0, 1, ... N sections a channel, before rounding to steps; of two channels, at a level they
    /// share.
    pub levels: Vec<Level>,
    /// Record of the search; of two channels, each was searched at the level they finally share.
    pub search: Reach,
}
