//! What is wanted: targets, recipes and contours.

#[path = "../support/mod.rs"]
mod support;

mod any_target;
mod targets_library;
mod wanted_change;
