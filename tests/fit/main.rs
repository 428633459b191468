//! The fit: its solver, its search, its steps and what it promises.

#[path = "../support/mod.rs"]
mod support;

mod any_equaliser;
mod compared_units;
mod fit_kernels;
mod fit_per_side;
mod fit_pricing;
mod fit_promises;
mod fit_solver;
mod fit_takes;
mod given_sections;
mod kept_sections;
mod limits_respected;
mod planted_cascades;
mod random_equalisers;
mod real_ears;
mod steps_loss;
mod strangers_sketch;
mod where_it_fits;
