//! What several test programs and benches share.
#![allow(dead_code, reason = "each of them uses a part")]

pub mod corpus;
pub mod fits;
pub mod hang;
pub mod impulses;
pub mod outcomes;
pub mod planted;
pub mod promises;
pub mod rivals;
pub mod units;
