//! What several test programs and benches share.
#![allow(dead_code, reason = "each of them uses a part")]

#[path = "../../src/cli/knobs.rs"]
mod knobs;

pub mod corpus;
pub mod impulses;
pub mod outcomes;
pub mod planted;
pub mod promises;
pub mod rivals;
pub mod units;

use bandwright::report::blocks::Report;

/// The report as the program prints it.
pub fn printed(report: Report) -> String {
    bandwright::report::text(&[report], knobs::typed)
}
