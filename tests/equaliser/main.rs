//! What a section does, and what an equaliser accepts.

#[path = "../support/mod.rs"]
mod support;

mod biquad_reference;
mod limits_files;
mod q_meanings;
mod samples;
