//! Cascades whose sections are known are found again from their response alone.

#[path = "support/planted.rs"]
mod planted;

use bandwright::fit::reach::Effort;
use planted::{Found, cases, recover};

fn share(found: &[Found], is_good: impl Fn(&Found) -> bool) -> f64 {
    found.iter().filter(|f| is_good(f)).count() as f64 / found.len() as f64
}

#[test]
fn planted_cascades_of_3_5_8_and_10_sections_are_recovered() {
    let found: Vec<Found> = cases(400, &[3, 5, 8, 10])
        .iter()
        .map(|case| recover(case, Effort::Normal))
        .collect();
    let close = share(&found, |f| f.rms_db < 0.005);
    let near = share(&found, |f| f.rms_db < 0.05);
    for f in found.iter().filter(|f| f.rms_db >= 0.005) {
        println!("{} of {} sections: {:.4} dB", f.index, f.sections, f.rms_db);
    }
    println!("below 0.005 dB: {close:.4}; below 0.05 dB: {near:.4}");
    assert!(close >= 0.99, "{close}");
}
