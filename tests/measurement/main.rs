//! What was measured: curves, impulse responses and unit files are read, takes are judged.

#[path = "../support/mod.rs"]
mod support;

mod common_grid;
mod coupler_resonance;
mod impulse_responses;
mod in_other_ears;
mod judging_takes;
mod odd_text_files;
mod phase_of_takes;
mod planted_takes;
mod reading_curves;
mod smoothing;
mod unit_files;
