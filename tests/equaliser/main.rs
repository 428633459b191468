//! What a section does, and what an equaliser accepts.

mod biquad_reference;
mod limits_files;
mod q_meanings;
