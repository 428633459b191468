//! Stage 5: the fit. In: the wanted change (dB) at a set of points, the weight of each point, and the sections that may
//! be used. Out: the sections, with numbers that the equaliser accepts, and J, what they leave.
//!
//! - [`space`]: which sections may be used; [`space::boxes`] derives it from the limits.
//! - [`objective`]: J and its derivatives, computed by [`objective::kernel`].
//! - [`solver`]: descent to a local minimum; it knows numbers only.
//! - [`search`]: changes the set of sections. It prices candidates from a table of sections, works for 1 to N sections
//!   within a budget ([`search::reach`]), and chooses between shelves that differ only in level ([`search::mirror`]).
//! - [`steps`]: rounds the numbers to the equaliser's steps.
//! - [`channels`]: runs all of this for one channel, or for two that share a level.
//! - [`mod@stop`]: ends a fit early.

pub mod lanes;

pub mod random;

pub mod stop;

pub mod space;

pub mod objective;

pub mod solver;

pub mod search;

pub mod steps;

pub mod channels;

pub mod residual;

pub use search::reach::Effort;
pub use stop::Stop;

use channels::{one, two};
use search::reach::{Level, Reach};
use space::Space;

use crate::filter::Section;
use crate::limits::Limits;

/// Sections are idle when leaving them out raises the residual by at most this, dB. Our choice.
pub const IDLE_DB: f64 = 0.005;

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
    /// Weight of the economy term, 0 or more. At 0 there is no economy term, and idle sections are kept.
    pub economy: f64,
    /// How long to search. Two channels take several times as long as one.
    pub effort: Effort,
    /// Seed of the search: another seed tries other candidates. Usually 0.
    pub seed: u64,
    /// Once this is asked, the search ends soon, and its answer must not be used.
    pub stop: &'a Stop,
}

/// The wanted change of one channel.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// Wanted change at each point, dB. Its level is free, but common to both of two channels.
    pub change_db: &'a [f64],
    /// Fixed sections that act beside the fitted ones; they do not count against `limits` and `space`.
    pub kept: &'a [Section],
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

/// Fits sections. J is never higher than with no section at all. With two channels it is also never higher than with
/// one EQ for both, or with less effort.
///
/// # Panics
/// If the task has neither one channel nor two.
#[must_use]
pub fn fit(task: &Task<'_>) -> Answer {
    match *task.channels {
        [wanted] => one::fit(task, wanted),
        [left, right] => two::fit(task, [left, right]),
        _ => panic!("{} channels, not one or two", task.channels.len()),
    }
}

impl Answer {
    /// The same sections, with J computed for the wanted changes of `task` instead of those that were fitted.
    #[must_use]
    pub fn judged_by(mut self, task: &Task<'_>) -> Self {
        match *task.channels {
            [wanted] => one::judged_by(&mut self, task, wanted),
            [left, right] => two::judged_by(&mut self, task, [left, right]),
            _ => {}
        }
        self
    }
}
