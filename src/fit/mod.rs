//! Stage 5: the fit. In: the wanted change (dB) at a set of points, the weight of each point, and the sections that may
//! be used. Out: the sections, with numbers that the equaliser accepts, and J, what they leave.
//!
//! - [`space`]: which sections may be used; [`space::boxes`] derives it from the limits.
//! - [`objective`]: J and its derivatives, computed by [`objective::kernel`].
//! - [`solver`]: descent to a local minimum; it knows numbers only.
//! - [`search`]: changes the set of sections. It prices candidates from a table of sections, works for 1 to N sections
//!   within a budget ([`search::reach`]), and chooses between shelves that differ only in level ([`search::shelf_reading`]).
//! - [`steps`]: rounds the numbers to the equaliser's steps.
//! - [`channels`]: runs all of this for one channel, or for two that share a level.
//! - `given` ([`fit_from`]): takes sections as they are, or improves them where they are.
//! - [`mod@stop`]: ends a fit early.

pub mod lanes;

pub mod random;

pub mod stop;

pub mod space;

pub mod objective;

pub mod solver;

pub mod search;

pub mod steps;

mod task;

pub mod channels;

mod given;

pub mod residual;

pub use search::reach::{Effort, IDLE_DB};
pub use stop::Stop;
pub use objective::ceilings::Ceilings;
pub use given::fit_from;
pub use task::{Answer, ChannelAnswer, Freedom, Playing, Task, Wanted};

use crate::filter::Section;
use channels::{one, two};

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
    /// The fitted sections of each channel.
    pub fn sections(&self) -> impl Iterator<Item = &Vec<Section>> {
        self.channels.iter().map(|channel| &channel.sections)
    }

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
