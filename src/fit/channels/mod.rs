//! The fit of one channel, and of two that share a level, behind [`fit`](super::fit).

pub(in crate::fit) mod one;

pub mod two;
