//! Stage 5: the fit. Takes what is wanted at a set of points, their weights and what may be used; gives the sections.
//!
//! [`space`] is what may be used, made of limits by [`space::boxes`]; [`objective`] is J and its derivatives, computed by
//! [`objective::kernel`]; [`solver`] descends to a local minimum and knows numbers only. [`search`] changes the structure, with
//! a table of sections and prices of what changes bring, for 1 to N sections within a budget ([`search::reach`]), and chooses
//! between shelves that differ only in level ([`search::mirror`]). [`steps`] puts the numbers on the equaliser's steps.
//! [`channels`] does all of it for one channel, or for two at one level; [`mod@stop`] ends either early.

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

/// Sections are idle when leaving them out costs no more residual than this, dB.
pub const IDLE_DB: f64 = 0.005;

/// One fit: what is wanted, and with what.
#[derive(Debug, Clone, Copy)]
pub struct Task<'a> {
    /// Points, hertz, rising, below half of the first rate.
    pub frequency_hz: &'a [f64],
    /// Weight of each point, in all channels, 0 or more, not all 0.
    pub weight: &'a [f64],
    /// One channel, whose level is free, or two that share one free level, so that the image does not move.
    pub channels: &'a [Wanted<'a>],
    /// What the equaliser accepts, a channel; the fit is made at the first of its rates.
    pub limits: &'a Limits,
    /// What of that may be used: a part of `limits`.
    pub space: &'a Space,
    /// With it, no more sections than needed: none after which one more, however many more, lower the residual by less
    /// than this each, dB.
    pub least_gain_db: Option<f64>,
    /// Weight of the economy term; 0 turns it off, and the removal of idle sections too.
    pub economy: f64,
    /// How long to search; two channels several times over.
    pub effort: Effort,
    /// Another seed searches elsewhere; usually 0.
    pub seed: u64,
    /// Once asked, the search ends soon, and the answer is of no use.
    pub stop: &'a Stop,
}

/// What is wanted of a channel.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// Wanted change at each point, dB, any level, but the same for both of two channels.
    pub change_db: &'a [f64],
    /// Sections that stay as they are, beside those that are fitted; not counted in `limits` and `space`.
    pub kept: &'a [Section],
}

/// What a fit found.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// One for each channel of the task.
    pub channels: Vec<ChannelAnswer>,
    /// How many sections were allowed a channel: as many as the space holds, or those that are needed.
    pub allowed: usize,
    /// J with them, the mean of the channels', dB^2.
    pub objective_db2: f64,
    /// Evaluations of the objective, all of them.
    pub evaluations: u64,
    /// Local solutions computed, all of them.
    pub polishes: u64,
}

/// What it found for a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelAnswer {
    /// The sections, in frequency order, with numbers the equaliser accepts; the kept ones are not among them.
    pub sections: Vec<Section>,
    /// Its J, at the level that two channels share, dB^2.
    pub objective_db2: f64,
    /// The answers for 0 to N sections a channel, before steps, at a level that two channels share.
    pub levels: Vec<Level>,
    /// How it was searched for; of two channels, each at the level they share in the end.
    pub search: Reach,
}

/// Fits sections. The answer is never worse in J than no section at all; that of two channels never worse than one EQ for
/// both, nor than with less effort.
///
/// # Panics
/// Unless the task has one channel or two.
#[must_use]
pub fn fit(task: &Task<'_>) -> Answer {
    match *task.channels {
        [wanted] => one::fit(task, wanted),
        [left, right] => two::fit(task, [left, right]),
        _ => panic!("{} channels, not one or two", task.channels.len()),
    }
}

impl Answer {
    /// The same answer judged by other wanted changes, those of `task`, than those it was fitted to.
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
