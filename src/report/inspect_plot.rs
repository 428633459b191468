//! x
use crate::inspection::Inspection;
/// x
#[must_use]
pub fn inspect_plot(_inspection: &Inspection) -> String {
    String::new()
}
