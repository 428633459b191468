//! The picture of a promise: its curves.

use bandwright::report::picture::check::check_picture;
use bandwright::verify::{check_sheet, remeasured};

use crate::support::curves::lead_back;
use crate::support::remeasurements::{self, Bench, Plant};

#[test]
fn every_curve_leads_back_to_its_data() {
    for plant in [Plant::Nothing, Plant::SectionMissing] {
        let case = remeasurements::remeasured(11, plant, &Bench::USUAL, 2.0);
        let promise = remeasured(&case.sheet, &case.request(None)).unwrap();
        let picture = check_picture(&check_sheet(&case.sheet, None), &promise);
        // Promised, measured and its band above, what is left and its band below; and what explains it best.
        let explained = usize::from(!matches!(plant, Plant::Nothing));
        assert_eq!(lead_back(&picture), 5 + explained);
    }
}
