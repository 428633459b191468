//! What several test programs and benches share.
#![allow(dead_code, reason = "each of them uses a part")]

#[path = "../../src/cli/option_names.rs"]
pub mod option_names;

pub mod corpus;
pub mod coupler_count;
pub mod couplers;
pub mod curves;
pub mod fits;
pub mod hang;
pub mod impulses;
pub mod listeners;
pub mod outcomes;
pub mod planted;
pub mod promises;
pub mod remeasurements;
pub mod rivals;
pub mod seatings;
pub mod units;

use bandwright::cost::Cost;
use bandwright::job::Outcome;
use bandwright::report::blocks::Report;
use bandwright::report::{WrittenFile, figures};

/// The report as the program prints it.
pub fn printed(report: Report) -> String {
    bandwright::report::text(&[report], option_names::typed)
}

/// The same of a fit, with all details.
pub fn fit_text(outcome: &Outcome, costs: &[Cost], files: &[WrittenFile]) -> String {
    let report = figures::fit::report(outcome, costs, files);
    bandwright::report::text_in_full(&[report], option_names::typed)
}
