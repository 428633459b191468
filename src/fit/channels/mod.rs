//! The fit of one channel, or of two channels that share a level. Called by [`fit`](super::fit).

mod fewest;

pub(in crate::fit) mod one;

pub mod two;
