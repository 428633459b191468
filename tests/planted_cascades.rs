//! Cascades whose sections are known are found again from their response alone.

#[path = "support/planted.rs"]
mod planted;

use bandwright::fit::reach::Effort;
use planted::{cases, recover};

#[test]
fn planted_cascades_of_3_5_and_8_sections_are_recovered() {
    let found: Vec<_> = cases(200, &[3, 5, 8])
        .iter()
        .map(|case| recover(case, Effort::Normal))
        .collect();
    for f in found.iter().filter(|f| f.rms_db >= 0.005) {
        println!("{} of {} sections: {:.4} dB", f.index, f.sections, f.rms_db);
    }
    let share = |below_db: f64| {
        found.iter().filter(|f| f.rms_db < below_db).count() as f64 / found.len() as f64
    };
    let (near, close) = (share(0.05), share(0.005));
    println!("below 0.05 dB: {near:.3}; below 0.005 dB: {close:.3}");
    assert!(near >= 0.97, "{near}");
    assert!(close >= 0.9, "{close}");
}
