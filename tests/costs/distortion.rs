//! Distortion files, and the distortion to expect where the EQ boosts.

use approx::assert_abs_diff_eq;
use bandwright::cost::distortion::{OutsideMeasured, distortion, estimate};
use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::measurement::distorted::{DistortionCurve, read_distortion};
use bandwright::measurement::takes::Side;
use bandwright::measurement::unit_file::{DistortionEntry, FileEntry};
use proptest::prelude::*;

fn entry(level_db_spl: f64, side: Side) -> DistortionEntry {
    DistortionEntry {
        file: FileEntry {
            file: "d.csv".to_owned(),
            line: 1,
            key: "distortion[1].file".to_owned(),
        },
        level_db_spl,
        side,
    }
}

fn curve(text: &str, level_db_spl: f64) -> DistortionCurve {
    read_distortion(
        text.as_bytes(),
        "d.csv",
        &entry(level_db_spl, Side::Unknown),
    )
    .unwrap()
}

/// The same distortion at all frequencies.
fn flat(percent: f64, level_db_spl: f64) -> DistortionCurve {
    let text = format!("frequency_hz,distortion_percent\n20,{percent}\n20000,{percent}\n");
    curve(&text, level_db_spl)
}

fn bass_boost() -> Vec<Section> {
    vec![Section {
        shape: Shape::LowShelf,
        f0_hz: 100.0,
        gain_db: 6.0,
        q: 0.7,
    }]
}

#[test]
fn percent_and_decibels_say_the_same() {
    let percent = curve("frequency_hz,THD (%)\n20,1\n1000,0.1\n20000,10\n", 94.0);
    let db = curve("frequency_hz,THD dB\n20,-40\n1000,-60\n20000,-20\n", 94.0);
    let untitled = curve("20,-40\n1000,-60\n20000,-20\n", 94.0);
    for f_hz in [20.0, 100.0, 1000.0, 5000.0, 20_000.0] {
        let expected = db.ratio_db_at(f_hz).unwrap();
        assert_abs_diff_eq!(percent.ratio_db_at(f_hz).unwrap(), expected, epsilon = 1e-9);
        assert_eq!(untitled.ratio_db_at(f_hz).unwrap(), expected);
    }
    // Half-way in log f.
    let between_hz = (20f64 * 1000.0).sqrt();
    assert_abs_diff_eq!(db.ratio_db_at(between_hz).unwrap(), -50.0, epsilon = 1e-9);
    assert_eq!(db.ratio_db_at(19.9), None);
    assert_eq!(db.ratio_db_at(20_100.0), None);
    assert_eq!(db.band_hz(), (20.0, 20_000.0));
}

#[test]
fn bad_distortion_files_are_refused() {
    for (text, kind, line) in [
        ("20,1\n1000,0.1\n", ErrorKind::Format, None),
        (
            "Hz,percent in dB\n20,1\n1000,0.1\n",
            ErrorKind::Format,
            None,
        ),
        ("Hz,THD (%)\n20,1\n1000,0\n", ErrorKind::Setting, Some(3)),
        ("Hz,THD (%)\n20,1\n1000,-2\n", ErrorKind::Setting, Some(3)),
        ("Hz,THD (%)\n20,1\n1000,101\n", ErrorKind::Setting, Some(3)),
        (
            "f (Hz),level (dB)\n20,-40\n1000,34\n",
            ErrorKind::Setting,
            Some(3),
        ),
        ("Hz,THD (%)\n20,1\n20,1\n", ErrorKind::Order, Some(3)),
        ("Hz,THD (%)\n0.02,1\n20,1\n", ErrorKind::Number, None),
        ("", ErrorKind::Format, None),
    ] {
        let entry = entry(94.0, Side::Left);
        let error = read_distortion(text.as_bytes(), "d.csv", &entry).unwrap_err();
        assert_eq!(
            (error.kind, error.place.line),
            (kind, line),
            "{text:?}: {error}"
        );
        assert_eq!(error.place.source, "d.csv");
    }
}

#[test]
fn between_levels_decibels_of_distortion_follow_decibels_of_level() {
    let (low, high) = (flat(0.1, 90.0), flat(1.0, 100.0));
    let curves = [&high, &low];
    for (level, expected_db) in [(90.0, -60.0), (92.5, -55.0), (97.0, -46.0), (100.0, -40.0)] {
        let found = estimate(&curves, 500.0, level);
        assert_abs_diff_eq!(found.ratio_db.unwrap(), expected_db, epsilon = 1e-9);
        assert_eq!(found.outside, None);
    }
}

#[test]
fn outside_the_data_the_nearest_value_is_marked_or_there_is_none() {
    let (low, high) = (flat(0.1, 90.0), flat(1.0, 100.0));
    let curves = [&low, &high];
    let above = estimate(&curves, 500.0, 103.0);
    assert_eq!(above.outside, Some(OutsideMeasured::AboveLevel(100.0)));
    assert_abs_diff_eq!(above.ratio_db.unwrap(), -40.0, epsilon = 1e-9);
    let below = estimate(&curves, 500.0, 80.0);
    assert_eq!(below.outside, Some(OutsideMeasured::BelowLevel(90.0)));
    assert_abs_diff_eq!(below.ratio_db.unwrap(), -60.0, epsilon = 1e-9);
    let nowhere = estimate(&curves, 10.0, 95.0);
    assert_eq!(
        (nowhere.outside, nowhere.ratio_db),
        (Some(OutsideMeasured::Frequency), None)
    );
    // Where only one level was measured, that is the highest there.
    let narrow = curve("Hz,THD (%)\n20,5\n100,5\n", 105.0);
    let some = [&low, &high, &narrow];
    assert_eq!(estimate(&some, 50.0, 103.0).outside, None);
    assert_eq!(
        estimate(&some, 500.0, 103.0).outside,
        Some(OutsideMeasured::AboveLevel(100.0))
    );
}

#[test]
fn a_boost_is_driven_harder_by_its_gain_and_by_what_is_turned_up() {
    let curves = [flat(0.1, 90.0), flat(1.0, 100.0)];
    let sections = bass_boost();
    let found = distortion(&curves, &sections, 48_000.0, 0.0, None).unwrap();
    assert_eq!(found.listening_db_spl, 90.0);
    let [side] = &found.sides[..] else {
        panic!("{found:?}")
    };
    assert_eq!(
        (side.side, &side.measured_db_spl[..]),
        (Side::Unknown, &[90.0, 100.0][..])
    );
    // 20 Hz to some 300 Hz, a point each third of an octave, rising.
    assert!(side.points.len() > 9);
    assert!(
        side.points
            .windows(2)
            .all(|p| p[0].frequency_hz < p[1].frequency_hz)
    );
    for point in &side.points {
        let gain_db = cascade::level_db(&sections, 48_000.0, point.frequency_hz);
        assert_eq!(point.rise_db, gain_db);
        assert!(gain_db >= 0.1 && point.frequency_hz < 400.0);
        assert_abs_diff_eq!(point.before.ratio_db.unwrap(), -60.0, epsilon = 1e-9);
        // 2 dB of distortion for each dB of level.
        assert_abs_diff_eq!(
            point.after.ratio_db.unwrap(),
            -60.0 + 2.0 * gain_db,
            epsilon = 1e-9
        );
    }
    let worst = side.worst.unwrap();
    assert!(worst.rise_db > 5.9 && worst.frequency_hz < 25.0);
    // Turned down to the loudness of before, less of it is left; louder listening goes beyond the data.
    let quieter = distortion(&curves, &sections, 48_000.0, -2.0, None).unwrap();
    assert!(quieter.sides[0].points.len() < side.points.len());
    assert_abs_diff_eq!(
        quieter.sides[0].worst.unwrap().rise_db,
        worst.rise_db - 2.0,
        epsilon = 1e-9
    );
    let louder = distortion(&curves, &sections, 48_000.0, 0.0, Some(99.0)).unwrap();
    assert_eq!(
        louder.sides[0].worst.unwrap().after.outside,
        Some(OutsideMeasured::AboveLevel(100.0))
    );
}

#[test]
fn an_eq_that_boosts_nothing_has_no_point() {
    let cut = [Section {
        gain_db: -6.0,
        ..bass_boost()[0]
    }];
    let found = distortion(&[flat(0.1, 90.0)], &cut, 48_000.0, 0.0, None).unwrap();
    assert!(found.sides[0].points.is_empty() && found.sides[0].worst.is_none());
}

#[test]
fn a_boost_outside_the_measured_frequencies_is_told_without_a_value() {
    let curves = [curve("Hz,THD (%)\n500,1\n5000,1\n", 94.0)];
    let found = distortion(&curves, &bass_boost(), 48_000.0, 0.0, None).unwrap();
    let side = &found.sides[0];
    assert!(!side.points.is_empty() && side.worst.is_none());
    assert!(
        side.points
            .iter()
            .all(|p| p.after.outside == Some(OutsideMeasured::Frequency))
    );
}

#[test]
fn sides_stand_apart_and_a_level_counts_once() {
    let read = |percent: f64, level, side| {
        let text = format!("Hz,THD (%)\n20,{percent}\n20000,{percent}\n");
        read_distortion(text.as_bytes(), "d.csv", &entry(level, side)).unwrap()
    };
    let curves = [
        read(0.2, 94.0, Side::Right),
        read(0.1, 94.0, Side::Left),
        read(0.3, 104.0, Side::Left),
    ];
    let found = distortion(&curves, &bass_boost(), 48_000.0, 0.0, Some(94.0)).unwrap();
    let sides: Vec<_> = found
        .sides
        .iter()
        .map(|side| (side.side, side.measured_db_spl.len()))
        .collect();
    assert_eq!(sides, [(Side::Left, 2), (Side::Right, 1)]);
    let twice = [flat(0.1, 94.0), flat(0.2, 94.0)];
    let error = distortion(&twice, &bass_boost(), 48_000.0, 0.0, None).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Setting);
    let error = distortion(&[], &bass_boost(), 48_000.0, 0.0, None).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Coverage);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn an_estimate_lies_between_the_measurements(
        measured in prop::collection::vec((60.0..120.0f64, 0.001..30.0f64), 1..5),
        level in 40.0..140.0f64,
        f_hz in 10.0..30_000.0f64,
    ) {
        let curves: Vec<DistortionCurve> = measured.iter().map(|(l, p)| flat(*p, *l)).collect();
        let found = estimate(&curves.iter().collect::<Vec<_>>(), f_hz, level);
        let inside = (19.998..=20_002.0).contains(&f_hz);
        prop_assert_eq!(found.ratio_db.is_some(), inside);
        if let Some(db) = found.ratio_db {
            let all = measured.iter().map(|(_, percent)| 20.0 * (percent / 100.0).log10());
            let least = all.clone().fold(f64::INFINITY, f64::min);
            let most = all.fold(f64::NEG_INFINITY, f64::max);
            prop_assert!((least - 1e-9..=most + 1e-9).contains(&db));
            let lowest = measured.iter().map(|m| m.0).fold(f64::INFINITY, f64::min);
            let highest = measured.iter().map(|m| m.0).fold(f64::NEG_INFINITY, f64::max);
            let within = (lowest - 1e-9..=highest + 1e-9).contains(&level);
            prop_assert_eq!(found.outside.is_none(), within);
        }
    }

    #[test]
    fn no_bytes_make_the_reader_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = read_distortion(&bytes, "d", &entry(94.0, Side::Left));
    }
}
