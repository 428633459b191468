//! What the sections need before them, and what they cost.

#[path = "../support/mod.rs"]
mod support;

mod cost;
mod distortion;
mod drive;
mod exposure;
mod headroom_guards;
mod headroom_reference;
mod loudness;
mod loudness_wish;
