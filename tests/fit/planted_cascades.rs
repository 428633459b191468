//! Cascades whose sections are known are found again from their response alone.

use crate::support::planted;

use bandwright::filter::{Section, Shape};
use bandwright::fit::Effort;
use bandwright::fit::random::Random;
use planted::{Planted, cases, recover};
use rayon::prelude::*;

#[test]
fn planted_cascades_of_3_5_8_and_10_sections_and_their_numbers_are_recovered() {
    let found: Vec<_> = cases(400, &[3, 5, 8, 10])
        .par_iter()
        .map(|case| recover(case, Effort::Normal))
        .collect();
    for f in &found {
        let number = f.worst_number.unwrap_or_default();
        if f.rms_db >= 0.005 || number > 0.01 {
            println!(
                "{} of {} sections: {:.4} dB, worst number {:.2} %",
                f.index,
                f.sections,
                f.rms_db,
                100.0 * number
            );
        }
    }
    let share = |sections: &[usize], below_db: f64| {
        let of_size = || found.iter().filter(|f| sections.contains(&f.sections));
        of_size().filter(|f| f.rms_db < below_db).count() as f64 / of_size().count() as f64
    };
    for sections in [3, 5, 8, 10] {
        println!(
            "{sections} sections: below 0.005 dB {:.3}",
            share(&[sections], 0.005)
        );
    }
    let (near, close) = (share(&[3, 5, 8], 0.05), share(&[3, 5, 8, 10], 0.005));
    let apart: Vec<f64> = found.iter().filter_map(|f| f.worst_number).collect();
    let right = apart.iter().filter(|number| **number <= 0.01).count();
    println!("below 0.05 dB: {near:.3} of 3, 5, 8; below 0.005 dB: {close:.3}");
    println!(
        "numbers within 1 %: {right} of {} cascades with sections at least 2/3 octave apart",
        apart.len()
    );
    assert!(near >= 0.9, "{near}");
    assert!(close >= 0.99, "{close}");
    assert!(apart.len() >= 50, "{}", apart.len());
    assert_eq!(right, apart.len());
}

/// Two shelves that cross under a wide peak of the other sign, and two narrow peaks. Of the three wide sections none is worth
/// anything without the other two.
fn crossing_shelves(index: usize) -> Planted {
    let random = &mut Random::new(0x00c0_55ed_0000 + index as u64);
    let mut between = |low: f64, high: f64| low + (high - low) * random.unit();
    let section = |shape, f0_hz, gain_db, q| Section {
        shape,
        f0_hz,
        gain_db,
        q,
    };
    let (middle_hz, half_octaves) = (between(400.0, 1600.0), between(0.5, 2.0));
    let sections = vec![
        section(
            Shape::HighShelf,
            middle_hz * (-half_octaves).exp2(),
            between(5.0, 11.0),
            between(0.5, 1.0),
        ),
        section(
            Shape::LowShelf,
            middle_hz * half_octaves.exp2(),
            between(5.0, 11.0),
            between(0.5, 1.0),
        ),
        section(
            Shape::Peaking,
            middle_hz,
            between(-11.0, -6.0),
            between(0.3, 0.5),
        ),
        section(
            Shape::Peaking,
            between(6000.0, 8000.0),
            between(-10.0, -5.0),
            between(2.0, 4.0),
        ),
        section(
            Shape::Peaking,
            between(10_000.0, 13_000.0),
            between(3.0, 8.0),
            between(2.0, 4.0),
        ),
    ];
    Planted { index, sections }
}

#[test]
fn sections_that_only_work_together_are_found_together() {
    let missed: Vec<(usize, f64)> = (0..100)
        .into_par_iter()
        .map(|index| recover(&crossing_shelves(index), Effort::Normal))
        .filter(|found| found.rms_db >= 0.005)
        .map(|found| (found.index, found.rms_db))
        .collect();
    println!("missed, dB: {missed:?}");
    assert!(missed.len() <= 5, "{missed:?}");
}
