//! Peak, any-signal gain and preamp against `tests/reference/biquad/cascade_30*.csv` (provenance beside
//! them), against the level at many frequencies, and at the edges.

use std::collections::HashMap;

use approx::assert_abs_diff_eq;
use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::headroom::{
    any_signal::{any_signal, any_signal_slope},
    headroom,
    peak::peak,
    preamp::preamp_for,
};
use bandwright::limits::{Limits, Setting};
use proptest::prelude::*;

type Row = HashMap<String, String>;

fn rows(name: &str) -> Vec<Row> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/biquad");
    csv::Reader::from_path(format!("{folder}/{name}"))
        .unwrap()
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn number(row: &Row, key: &str) -> f64 {
    row[key].parse().unwrap()
}

/// Every reference cascade: its row, its sections, its rate.
fn cascades() -> Vec<(Row, Vec<Section>, f64)> {
    let sections = rows("cascade_30_sections.csv");
    let cascades = rows("cascade_30.csv");
    assert_eq!(cascades.len(), 30);
    cascades
        .into_iter()
        .map(|row| {
            let own: Vec<Section> = sections
                .iter()
                .filter(|section| section["cascade"] == row["cascade"])
                .map(|section| Section {
                    shape: match section["type"].as_str() {
                        "lowshelf" => Shape::LowShelf,
                        "peaking" => Shape::Peaking,
                        "highshelf" => Shape::HighShelf,
                        other => panic!("unknown shape {other}"),
                    },
                    f0_hz: number(section, "f0"),
                    gain_db: number(section, "gain_db"),
                    q: number(section, "q"),
                })
                .collect();
            assert_eq!(own.len(), number(&row, "sections") as usize);
            let rate_hz = number(&row, "fs");
            (row, own, rate_hz)
        })
        .collect()
}

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

#[test]
fn the_peak_agrees_with_the_reference_within_1e_6_db() {
    for (row, sections, rate_hz) in cascades() {
        let found = peak(&sections, rate_hz);
        assert_abs_diff_eq!(found.gain_db, number(&row, "max_db"), epsilon = 1e-6);
        assert_abs_diff_eq!(
            cascade::level_db(&sections, rate_hz, found.frequency_hz),
            found.gain_db,
            epsilon = 1e-9
        );
    }
}

#[test]
fn dense_sampling_of_the_audible_range_agrees_and_never_exceeds_the_peak() {
    for (row, sections, rate_hz) in cascades() {
        let peak_db = peak(&sections, rate_hz).gain_db;
        let sampled_db = (0..=200_000)
            .map(|i| cascade::level_db(&sections, rate_hz, 20.0 * 1000f64.powf(f64::from(i) / 2e5)))
            .fold(f64::NEG_INFINITY, f64::max);
        assert_abs_diff_eq!(sampled_db, number(&row, "max_db_20_20k"), epsilon = 1e-6);
        assert!(sampled_db <= peak_db + 1e-9, "{sampled_db} {peak_db}");
    }
}

#[test]
fn the_any_signal_gain_agrees_with_the_reference_within_1e_6_db() {
    for (row, sections, rate_hz) in cascades() {
        let found = any_signal(&sections, rate_hz).unwrap();
        assert!(found.is_exact, "cascade {}", row["cascade"]);
        assert_abs_diff_eq!(found.gain_db, number(&row, "l1_db"), epsilon = 1e-6);
    }
}

#[test]
fn the_rounded_preamp_is_never_too_small_and_never_a_step_too_large() {
    for step in [0.1, 0.5, 1.0, 0.25] {
        let setting = Setting::Linear {
            min: -60.0,
            max: 0.0,
            step,
        };
        for (row, sections, rate_hz) in cascades() {
            let found = headroom(&sections, &[rate_hz], &setting).unwrap();
            let reference_db = number(&row, "max_db").max(0.0);
            // The reference itself is good to 1e-6 dB.
            assert!(found.preamp_db + reference_db <= 1e-6, "{found:?}");
            assert!(found.preamp_db + reference_db > -step - 1e-6, "{found:?}");
            assert!(setting.contains(found.preamp_db), "{found:?}");
        }
    }
}

#[test]
fn a_peak_of_exactly_three_decibels_needs_exactly_three() {
    let sections = [section(Shape::Peaking, 1000.0, 3.0, 2.0)];
    let limits = Limits::standard();
    let found = headroom(&sections, &limits.rates_hz, &limits.preamp_db).unwrap();
    assert_eq!(found.preamp_db, -3.0);
    assert_abs_diff_eq!(found.peak_gain_db, 3.0, epsilon = 1e-9);
    assert_abs_diff_eq!(found.peak_hz, 1000.0, epsilon = 0.1);

    let continuous = Setting::Range {
        min: -20.0,
        max: 0.0,
    };
    assert_eq!(preamp_for(3.0, &continuous).unwrap(), -3.0);
    assert_eq!(preamp_for(3.000_01, &continuous).unwrap(), -3.01);
    assert_eq!(preamp_for(-1.0, &continuous).unwrap(), 0.0);
    assert_eq!(preamp_for(19.999, &continuous).unwrap(), -20.0);
    assert_eq!(preamp_for(5.14, &limits.preamp_db).unwrap(), -5.2);
    let listed = Setting::Allowed(vec![-18.0, -6.0, -1.5]);
    assert_eq!(preamp_for(6.0, &listed).unwrap(), -6.0);
    assert_eq!(preamp_for(6.01, &listed).unwrap(), -18.0);
    assert_eq!(preamp_for(0.0, &listed).unwrap(), -1.5);
}

#[test]
fn a_preamp_that_does_not_reach_is_refused_with_the_amount() {
    let sections = [section(Shape::LowShelf, 100.0, 9.25, 0.7)];
    let error = headroom(
        &sections,
        &[48_000.0],
        &Setting::Linear {
            min: -6.0,
            max: 0.0,
            step: 0.5,
        },
    )
    .unwrap_err();
    assert_eq!(error.kind, ErrorKind::Refused);
    assert!(error.to_string().contains("3.25 dB short"), "{error}");
    assert!(error.to_string().contains("-9.25 dB"), "{error}");
}

#[test]
fn no_section_needs_no_preamp() {
    assert_eq!(peak(&[], 48_000.0).gain_db, 0.0);
    assert_eq!(any_signal(&[], 48_000.0).unwrap().gain_db, 0.0);
    let limits = Limits::standard();
    let found = headroom(&[], &limits.rates_hz, &limits.preamp_db).unwrap();
    assert_eq!((found.peak_gain_db, found.preamp_db), (0.0, 0.0));
    assert!(found.preamp_db.is_sign_positive());
    assert!(headroom(&[], &[], &limits.preamp_db).is_err());
}

#[test]
fn shelves_peak_at_0_hz_and_at_half_the_rate() {
    let low = peak(&[section(Shape::LowShelf, 100.0, 6.0, 0.5)], 48_000.0);
    assert_eq!(low.frequency_hz, 0.0);
    assert_abs_diff_eq!(low.gain_db, 6.0, epsilon = 1e-12);
    let high = peak(&[section(Shape::HighShelf, 5000.0, 6.0, 0.5)], 48_000.0);
    assert_eq!(high.frequency_hz, 24_000.0);
    assert_abs_diff_eq!(high.gain_db, 6.0, epsilon = 1e-12);
    // Cuts alone: nothing is louder than where they do nothing.
    let cuts = [
        section(Shape::Peaking, 300.0, -6.0, 1.0),
        section(Shape::Peaking, 4000.0, -9.0, 3.0),
    ];
    assert_abs_diff_eq!(peak(&cuts, 48_000.0).gain_db, 0.0, epsilon = 1e-9);
}

#[test]
fn the_worst_rate_decides() {
    // Near half the rate a shelf of high q overshoots differently at each rate.
    let sections = [section(Shape::HighShelf, 15_000.0, 6.0, 2.0)];
    let setting = Setting::Range {
        min: -30.0,
        max: 0.0,
    };
    let rates_hz = [44_100.0, 48_000.0, 96_000.0];
    let all = headroom(&sections, &rates_hz, &setting).unwrap();
    let single = rates_hz.map(|rate_hz| headroom(&sections, &[rate_hz], &setting).unwrap());
    let worst = single.iter().map(|h| h.peak_gain_db).fold(0.0, f64::max);
    assert_eq!(all.peak_gain_db, worst);
    let loudest = single
        .iter()
        .map(|h| h.any_signal_gain_db)
        .fold(0.0, f64::max);
    assert_eq!(all.any_signal_gain_db, loudest);
}

#[test]
fn sections_that_cancel_exactly_are_flat_and_end_quickly() {
    let mut sections = Vec::new();
    for i in 0..10 {
        let f0_hz = 20.0 * 2f64.powi(i);
        sections.push(section(Shape::Peaking, f0_hz, 24.0, 100.0));
        sections.push(section(Shape::Peaking, f0_hz, -24.0, 100.0));
    }
    let found = peak(&sections, 96_000.0);
    assert_abs_diff_eq!(found.gain_db, 0.0, epsilon = 1e-9);
}

#[test]
fn a_section_that_rings_longer_than_the_budget_gets_an_upper_bound_that_says_so() {
    let sections = [section(Shape::Peaking, 10.0, 24.0, 800.0)];
    let found = any_signal(&sections, 768_000.0).unwrap();
    assert!(!found.is_exact);
    // Between the peak and (2 * 2 + 1) times it (Boyd and Doyle 1987).
    assert!(found.gain_db >= 24.0, "{found:?}");
    assert!(
        found.gain_db <= 24.0 + 20.0 * 5f64.log10() + 1e-9,
        "{found:?}"
    );
}

#[test]
fn a_section_that_cannot_be_played_is_an_error_and_never_a_hang() {
    let limits = Limits::standard();
    for bad in [
        section(Shape::Peaking, 30_000.0, 3.0, 1.0),
        section(Shape::Peaking, f64::NAN, 3.0, 1.0),
        section(Shape::LowShelf, 100.0, f64::INFINITY, 1.0),
        section(Shape::HighShelf, 100.0, 3.0, 0.0),
    ] {
        assert!(headroom(&[bad], &limits.rates_hz, &limits.preamp_db).is_err());
        let _ = peak(&[bad], 48_000.0);
    }
}

/// Sections far beyond what a listener would set, some of them near half the rate.
fn extreme_sections(rate_hz: f64) -> impl Strategy<Value = Vec<Section>> {
    let log = |lo: f64, hi: f64| (lo.ln()..hi.ln()).prop_map(f64::exp);
    let f0_hz = prop_oneof![
        4 => log(10.0, 0.499 * rate_hz),
        1 => (0.45 * rate_hz)..(0.4999 * rate_hz),
    ];
    let one = (
        prop::sample::select(Shape::ALL.as_slice()),
        f0_hz,
        -24.0..24.0,
        log(0.1, 100.0),
    )
        .prop_map(|(shape, f0_hz, gain_db, q)| section(shape, f0_hz, gain_db, q));
    prop::collection::vec(one, 0..12)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_frequency_is_louder_than_the_peak(
        sections in extreme_sections(48_000.0),
        places in prop::collection::vec(0.0..1.0f64, 2000),
    ) {
        let found = peak(&sections, 48_000.0);
        // Very narrow peaks next to half the rate: the frequency itself is rounded.
        let here = cascade::level_db(&sections, 48_000.0, found.frequency_hz);
        prop_assert!((here - found.gain_db).abs() < 1e-7, "{here} {found:?}");
        let level_at = |f_hz: f64| cascade::level_db(&sections, 48_000.0, f_hz);
        for place in &places {
            for f_hz in [24_000.0 * place, 5.0 * 4800f64.powf(*place)] {
                prop_assert!(level_at(f_hz) <= found.gain_db + 1e-9, "{f_hz} Hz");
            }
        }
        // Where peaks can be: around every f0, within some bandwidths.
        for s in &sections {
            for i in -200..=200 {
                let f_hz = s.f0_hz * (1.0 + f64::from(i) / (50.0 * s.q.max(5.0)));
                if (0.0..=24_000.0).contains(&f_hz) {
                    prop_assert!(level_at(f_hz) <= found.gain_db + 1e-9, "{f_hz} Hz");
                }
            }
        }
    }

    #[test]
    fn a_narrow_peak_on_top_is_found(
        mut sections in extreme_sections(96_000.0),
        ln_f0 in 20f64.ln()..40_000f64.ln(),
    ) {
        let narrow = section(Shape::Peaking, ln_f0.exp(), 24.0, 1000.0);
        let below = cascade::level_db(&sections, 96_000.0, narrow.f0_hz);
        sections.push(narrow);
        prop_assert!(peak(&sections, 96_000.0).gain_db >= below + 24.0 - 1e-9);
    }

    #[test]
    fn the_any_signal_gain_lies_between_the_peak_and_the_bound_of_boyd_and_doyle(
        sections in prop::collection::vec(
            (
                prop::sample::select(Shape::ALL.as_slice()),
                30.0..20_000.0f64,
                -12.0..12.0f64,
                0.3..6.0f64,
            ).prop_map(|(shape, f0_hz, gain_db, q)| section(shape, f0_hz, gain_db, q)),
            0..8,
        ),
    ) {
        let peak_db = peak(&sections, 48_000.0).gain_db;
        let all = any_signal(&sections, 48_000.0).unwrap();
        prop_assert!(all.is_exact);
        prop_assert!(all.gain_db >= peak_db - 1e-7);
        let order = 2.0 * sections.len() as f64;
        prop_assert!(all.gain_db <= peak_db + 20.0 * (2.0 * order + 1.0).log10() + 1e-7);
    }
}

#[test]
fn what_no_signal_can_exceed_rises_with_small_changes_as_its_slope_says() {
    const CHANGE_DB: f64 = 0.002;
    let mut told = 0;
    for (row, sections, rate_hz) in cascades() {
        let ratio = (rate_hz / 2.0 / 2.0).powf(1.0 / 6000.0);
        let bands_hz: Vec<f64> = (0..=6000).map(|i| 2.0 * ratio.powi(i)).collect();
        let Some(slope) = any_signal_slope(&sections, rate_hz, &bands_hz).unwrap() else {
            continue;
        };
        assert_abs_diff_eq!(slope.iter().sum::<f64>(), 1.0, epsilon = 2e-3);
        let centres_hz: Vec<f64> = bands_hz.windows(2).map(|b| (b[0] * b[1]).sqrt()).collect();
        let levels_db = cascade::levels_db(&sections, rate_hz, &centres_hz);
        for changed in 0..sections.len() {
            let with = |change_db: f64| {
                let mut sections = sections.clone();
                sections[changed].gain_db += change_db;
                sections
            };
            let gain_db = |change_db: f64| any_signal(&with(change_db), rate_hz).unwrap().gain_db;
            let measured = (gain_db(CHANGE_DB) - gain_db(-CHANGE_DB)) / (2.0 * CHANGE_DB);
            let higher_db = cascade::levels_db(&with(CHANGE_DB), rate_hz, &centres_hz);
            let changes = higher_db.iter().zip(&levels_db).zip(&slope);
            let said = changes
                .map(|((higher, db), slope)| (higher - db) * slope)
                .sum::<f64>()
                / CHANGE_DB;
            assert!(
                (said - measured).abs() < 0.01 + 0.02 * measured.abs(),
                "cascade {}, section {changed}: {said}, measured {measured}",
                row["cascade"]
            );
            told += 1;
        }
    }
    assert!(told > 60, "{told} sections");
}
