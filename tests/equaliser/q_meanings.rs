//! What equalisers call q: conversions there and back, the cookbook's relations, and widths measured on the response.
//!
//! Source: R. Bristow-Johnson, Audio EQ Cookbook (W3C Group Note, 2021), for bandwidth and slope; the other two follow from
//! its analogue prototypes.

use std::f64::consts::{LN_2, PI};

use bandwright::filter::biquad::Biquad;
use bandwright::filter::q_meaning::LEAST_GAIN_OF_WIDTH_DB;
use bandwright::filter::{QMeaning, Section, Shape, cascade};
use proptest::prelude::*;

const RATE_HZ: f64 = 48_000.0;

fn peaking(f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape: Shape::Peaking,
        f0_hz,
        gain_db,
        q,
    }
}

/// Where the level of a peaking section is `level_db`, below and above f0, by halving.
fn edges_hz(section: &Section, level_db: f64) -> (f64, f64) {
    let beyond = |f_hz: f64| {
        let level = cascade::level_db(&[*section], RATE_HZ, f_hz);
        (level - level_db) * section.gain_db.signum() > 0.0
    };
    let edge = |mut outside: f64, mut inside: f64| {
        for _ in 0..200 {
            let middle = f64::midpoint(outside, inside);
            if beyond(middle) {
                inside = middle;
            } else {
                outside = middle;
            }
        }
        inside
    };
    (edge(0.0, section.f0_hz), edge(RATE_HZ / 2.0, section.f0_hz))
}

/// The frequency of the analogue prototype, f0 being 1: the bilinear transform undone.
fn prototype(f_hz: f64, f0_hz: f64) -> f64 {
    (PI * f_hz / RATE_HZ).tan() / (PI * f0_hz / RATE_HZ).tan()
}

/// A case with gains far enough from 0 for all meanings.
fn cases() -> impl Strategy<Value = (f64, f64, f64)> {
    let gain = prop_oneof![-20.0..-3.2f64, 3.2..20.0f64];
    (20f64.ln()..20_000f64.ln(), gain, 0.1f64.ln()..10f64.ln())
        .prop_map(|(f0, gain_db, q)| (f0.exp(), gain_db, q.exp()))
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 2000, ..ProptestConfig::default() })]

    #[test]
    fn there_and_back_is_the_same(
        (f0_hz, gain_db, q) in cases(),
        device_q in 0.1f64..3.0,
        slope in 0.05f64..1.0,
    ) {
        for meaning in QMeaning::OF_PEAKING.into_iter().chain(QMeaning::OF_SHELVES) {
            let device = meaning.from_cookbook(q, f0_hz, gain_db, RATE_HZ).unwrap();
            let back = meaning.to_cookbook(device, f0_hz, gain_db, RATE_HZ).unwrap();
            // A steep slope is ill-conditioned near its limit: there q is far from what shelves use.
            if meaning != QMeaning::Slope {
                prop_assert!((back / q - 1.0).abs() < 1e-12, "{meaning}: {q} {device} {back}");
            }
            let device = if meaning == QMeaning::Slope { slope } else { device_q };
            let cookbook = meaning.to_cookbook(device, f0_hz, gain_db, RATE_HZ).unwrap();
            let back = meaning.from_cookbook(cookbook, f0_hz, gain_db, RATE_HZ).unwrap();
            prop_assert!((back / device - 1.0).abs() < 1e-12, "{meaning}: {device} {cookbook} {back}");
        }
    }

    #[test]
    fn alpha_is_the_same_by_every_relation_of_the_cookbook((f0_hz, gain_db, q) in cases(), slope in 0.05f64..1.0) {
        let w0 = 2.0 * PI * f0_hz / RATE_HZ;
        let a = 10f64.powf(gain_db / 40.0);
        let alpha = w0.sin() / (2.0 * q);
        let bw = QMeaning::BandwidthOctaves.from_cookbook(q, f0_hz, gain_db, RATE_HZ).unwrap();
        let of_bw = w0.sin() * (LN_2 / 2.0 * bw * w0 / w0.sin()).sinh();
        prop_assert!((of_bw / alpha - 1.0).abs() < 1e-12);
        let shelf_q = QMeaning::Slope.to_cookbook(slope, f0_hz, gain_db, RATE_HZ).unwrap();
        let of_slope = w0.sin() / 2.0 * ((a + 1.0 / a) * (1.0 / slope - 1.0) + 2.0).sqrt();
        prop_assert!((of_slope / (w0.sin() / (2.0 * shelf_q)) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn bandwidth_lies_between_the_points_of_half_the_gain((f0_hz, gain_db, q) in cases()) {
        let section = peaking(f0_hz, gain_db, q);
        let (low_hz, high_hz) = edges_hz(&section, gain_db / 2.0);
        let octaves = (prototype(high_hz, f0_hz) / prototype(low_hz, f0_hz)).log2();
        let w0 = 2.0 * PI * f0_hz / RATE_HZ;
        let bw = QMeaning::BandwidthOctaves.from_cookbook(q, f0_hz, gain_db, RATE_HZ).unwrap();
        prop_assert!((octaves / (bw * w0 / w0.sin()) - 1.0).abs() < 1e-6, "{octaves} {bw}");
    }

    #[test]
    fn the_3_db_width_is_that_of_the_response((f0_hz, gain_db, q) in cases()) {
        let section = peaking(f0_hz, gain_db, q);
        let level_db = gain_db - LEAST_GAIN_OF_WIDTH_DB.copysign(gain_db);
        let (low_hz, high_hz) = edges_hz(&section, level_db);
        let width = prototype(high_hz, f0_hz) - prototype(low_hz, f0_hz);
        let q_3 = QMeaning::Width3Db.from_cookbook(q, f0_hz, gain_db, RATE_HZ).unwrap();
        prop_assert!((q_3 * width - 1.0).abs() < 1e-6, "{q_3} {width}");
    }

    #[test]
    fn the_pole_q_is_that_of_the_poles((f0_hz, gain_db, q) in cases()) {
        let Biquad { a1, a2, .. } = Biquad::new(&peaking(f0_hz, gain_db, q), RATE_HZ).unwrap();
        // The bilinear transform undone: s = (z - 1)/(z + 1) in the denominator z^2 + a1 z + a2.
        let (s2, s1, s0) = (1.0 - a1 + a2, 2.0 * (1.0 - a2), 1.0 + a1 + a2);
        let of_poles = (s2 * s0).sqrt() / s1;
        let pole_q = QMeaning::PoleQ.from_cookbook(q, f0_hz, gain_db, RATE_HZ).unwrap();
        prop_assert!((of_poles / pole_q - 1.0).abs() < 1e-6, "{of_poles} {pole_q}");
    }

    #[test]
    fn no_number_panics(
        numbers in prop::collection::vec(prop_oneof![any::<f64>(), Just(0.0), Just(f64::NAN)], 4),
    ) {
        for meaning in QMeaning::OF_PEAKING.into_iter().chain(QMeaning::OF_SHELVES) {
            for convert in [QMeaning::to_cookbook, QMeaning::from_cookbook] {
                let q = convert(meaning, numbers[0], numbers[1], numbers[2], numbers[3]);
                prop_assert!(q.is_none_or(|q| q.is_finite() && q > 0.0));
            }
        }
    }
}

#[test]
fn measured_in_hertz_the_widths_hold_where_f0_is_far_below_half_the_rate() {
    println!("f0 Hz    BW asked  BW measured   Q_3 asked  Q_3 measured");
    for f0_hz in [50.0, 200.0, 1000.0, 4000.0, 10_000.0] {
        let meaning = QMeaning::BandwidthOctaves;
        let q = meaning.to_cookbook(1.0, f0_hz, 9.0, RATE_HZ).unwrap();
        let (low_hz, high_hz) = edges_hz(&peaking(f0_hz, 9.0, q), 4.5);
        let octaves = (high_hz / low_hz).log2();
        let q = QMeaning::Width3Db
            .to_cookbook(2.0, f0_hz, 9.0, RATE_HZ)
            .unwrap();
        let section = peaking(f0_hz, 9.0, q);
        let (low_hz, high_hz) = edges_hz(&section, 9.0 - LEAST_GAIN_OF_WIDTH_DB);
        let q_3 = f0_hz / (high_hz - low_hz);
        println!(
            "{f0_hz:7} {:9.4} {octaves:12.4} {:11.4} {q_3:13.4}",
            1.0, 2.0
        );
        if f0_hz <= 1000.0 {
            assert!((octaves - 1.0).abs() < 0.005, "{octaves}");
            assert!((q_3 / 2.0 - 1.0).abs() < 0.005, "{q_3}");
        }
    }
}

#[test]
fn a_slope_of_1_is_as_steep_as_a_shelf_gets_without_overshoot() {
    let shelf = |gain_db: f64, slope: f64| Section {
        shape: Shape::LowShelf,
        f0_hz: 200.0,
        gain_db,
        q: QMeaning::Slope
            .to_cookbook(slope, 200.0, gain_db, RATE_HZ)
            .unwrap(),
    };
    for gain_db in [-12.0, -3.0, 6.0, 15.0] {
        let most = |slope: f64| {
            let levels = (0..2000).map(|i| {
                let f_hz = 2.0 * 10f64.powf(f64::from(i) / 500.0);
                cascade::level_db(&[shelf(gain_db, slope)], RATE_HZ, f_hz) * f64::signum(gain_db)
            });
            levels.fold(0.0, f64::max) - f64::abs(gain_db)
        };
        assert!(most(1.0) < 1e-6, "{gain_db}: {}", most(1.0));
        assert!(most(1.2) > 1e-3, "{gain_db}: {}", most(1.2));
    }
}

#[test]
fn what_has_no_number_is_none() {
    let to = |meaning: QMeaning, q, gain_db| meaning.to_cookbook(q, 1000.0, gain_db, RATE_HZ);
    assert_eq!(to(QMeaning::Width3Db, 1.0, 3.0), None);
    assert_eq!(to(QMeaning::Width3Db, 1.0, -3.0), None);
    assert!(to(QMeaning::Width3Db, 1.0, -3.1).is_some());
    assert_eq!(to(QMeaning::Slope, 9.0, 12.0), None);
    assert_eq!(to(QMeaning::BandwidthOctaves, 0.0, 6.0), None);
    assert_eq!(to(QMeaning::PoleQ, -1.0, 6.0), None);
    assert_eq!(to(QMeaning::Cookbook, f64::NAN, 6.0), None);
}
