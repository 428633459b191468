//! Curves on the common grid, the rig's trust over it, and the average of takes.

use std::collections::BTreeMap;
use std::path::Path;

use bandwright::error::ErrorKind;
use bandwright::measurement::Curve;
use bandwright::measurement::grid::{self, OnGrid, POINTS, frequency_hz, resample};
use bandwright::measurement::pchip::Pchip;
use bandwright::measurement::rig::{Rig, TRUSTED};
use bandwright::measurement::takes::{Side, Take, average, side_from_name};
use proptest::prelude::*;

fn curve(frequency_hz: Vec<f64>, level_db: Vec<f64>) -> Curve {
    Curve::new("test curve", frequency_hz, level_db, None).unwrap()
}

/// A wavy curve, so that a shifted or swapped value shows.
fn wave(f_hz: f64) -> f64 {
    7.0 * (3.0 * f_hz.ln()).sin() - 2.0 * f_hz.ln()
}

#[test]
fn the_grid_has_48_points_an_octave_from_20_hz_to_just_below_20_khz() {
    let f = frequency_hz();
    assert_eq!(f.len(), 479);
    assert_eq!(f[0], 20.0);
    for i in 48..POINTS {
        assert!((f[i] / f[i - 48] - 2.0).abs() < 1e-14);
    }
    assert!(f[478] < 20_000.0 && f[478] * 2f64.powf(1.0 / 48.0) > 20_000.0);
}

#[test]
fn pchip_agrees_with_scipy_within_1e_11() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/tables/pchip_scipy.csv");
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_path(path)
        .unwrap();
    type Points = (Vec<f64>, Vec<f64>);
    let mut cases: BTreeMap<String, (Points, Points)> = BTreeMap::new();
    for row in reader.records() {
        let row = row.unwrap();
        let case = cases.entry(row[0].to_owned()).or_default();
        let points = if &row[1] == "knot" {
            &mut case.0
        } else {
            &mut case.1
        };
        points.0.push(row[2].parse().unwrap());
        points.1.push(row[3].parse().unwrap());
    }
    assert_eq!(cases.len(), 5);
    for (name, ((x, y), (at, scipy))) in &cases {
        let pchip = Pchip::new(x, y).unwrap();
        for (at, scipy) in at.iter().zip(scipy) {
            let ours = pchip.at(*at);
            assert!(
                (ours - scipy).abs() < 1e-11,
                "{name} at {at}: {ours} {scipy}"
            );
        }
        for (x, y) in x.iter().zip(y) {
            assert_eq!(pchip.at(*x), *y, "{name}: a point is not met");
        }
    }
}

#[test]
fn data_given_on_the_grid_pass_bit_for_bit() {
    let level_db: Vec<f64> = frequency_hz().iter().map(|f| wave(*f)).collect();
    let on_grid = resample(&curve(frequency_hz().to_vec(), level_db.clone())).unwrap();
    assert_eq!(on_grid.support, 0..POINTS);
    assert_eq!(on_grid.level_db, level_db);
}

#[test]
fn printed_rounding_at_the_ends_loses_no_grid_point() {
    // Three decimals, cut off: every frequency lies a little below the grid's.
    let rounded: Vec<f64> = frequency_hz()
        .iter()
        .map(|f| (f * 1e3).floor() / 1e3)
        .collect();
    let on_grid = resample(&curve(rounded, vec![1.5; POINTS])).unwrap();
    assert_eq!(on_grid.support, 0..POINTS);
    assert!(on_grid.level_db.iter().all(|db| *db == 1.5));
}

#[test]
fn a_dense_cell_gives_the_power_average_of_its_points() {
    // Powers 1 and 3 in turn, 40 points in each cell: the mean power is 2, 3.0103 dB.
    let step = 2f64.powf(1.0 / 1920.0);
    let f_hz: Vec<f64> = (0..20_000).map(|i| 19.0 * step.powi(i)).collect();
    let level_db: Vec<f64> = (0..20_000)
        .map(|i| if i % 2 == 0 { 0.0 } else { 10.0 * 3f64.log10() })
        .collect();
    let on_grid = resample(&curve(f_hz, level_db)).unwrap();
    assert_eq!(on_grid.support, 0..POINTS);
    for db in &on_grid.level_db {
        // A cell may hold 39 or 41 points.
        assert!((db - 10.0 * 2f64.log10()).abs() < 0.06, "{db}");
    }
}

#[test]
fn extreme_levels_do_not_overflow() {
    let f_hz: Vec<f64> = (0..4000)
        .map(|i| 20.0 * 1000f64.powf(f64::from(i) / 3999.0))
        .collect();
    for level in [1000.0, -1000.0] {
        let on_grid = resample(&curve(f_hz.clone(), vec![level; 4000])).unwrap();
        assert!(
            on_grid.level_db[on_grid.support.clone()]
                .iter()
                .all(|db| *db == level)
        );
    }
}

#[test]
fn nothing_is_extrapolated() {
    let on_grid = resample(&curve(vec![100.0, 1000.0, 5000.0], vec![3.0, 4.0, 5.0])).unwrap();
    let f = frequency_hz();
    assert!(f[on_grid.support.start] >= 99.99 && f[on_grid.support.start - 1] < 99.99);
    assert!(f[on_grid.support.end - 1] <= 5000.5 && f[on_grid.support.end] > 5000.5);
    for i in (0..POINTS).filter(|i| !on_grid.support.contains(i)) {
        assert_eq!(on_grid.level_db[i], 0.0);
    }
    let (low_hz, high_hz) = on_grid.band_hz();
    assert!(low_hz >= 99.99 && high_hz <= 5000.5);
}

#[test]
fn under_an_octave_of_the_grid_is_refused_with_the_range() {
    for (low_hz, high_hz) in [(1.0, 30.0), (15_000.0, 90_000.0), (30_000.0, 90_000.0)] {
        let mid_hz = f64::sqrt(low_hz * high_hz);
        let error = resample(&curve(vec![low_hz, mid_hz, high_hz], vec![0.0; 3])).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Coverage);
        assert!(
            error.found().contains(&low_hz.to_string())
                && error.found().contains(&high_hz.to_string()),
            "{error}"
        );
    }
}

proptest! {
    #[test]
    fn between_sparse_points_the_level_stays_between_its_neighbours(
        levels in prop::collection::vec(-60.0..60.0f64, 11)
    ) {
        let f_hz: Vec<f64> = (0..11).map(|i| 20.0 * 2f64.powi(i)).collect();
        let on_grid = resample(&curve(f_hz, levels.clone())).unwrap();
        for i in on_grid.support {
            let (low, high) = (levels[i / 48], levels[(i / 48 + 1).min(10)]);
            prop_assert!(on_grid.level_db[i] >= low.min(high) - 1e-9);
            prop_assert!(on_grid.level_db[i] <= low.max(high) + 1e-9);
        }
    }

    #[test]
    fn any_valid_curve_resamples_to_finite_levels_within_its_own(
        ratios in prop::collection::vec(1e-17..0.2f64, 3..200),
        levels in prop::collection::vec(-1000.0..1000.0f64, 200),
        start in -3.0..9.0f64,
    ) {
        let mut f_hz = vec![start.exp()];
        for ratio in ratios {
            let last = f_hz[f_hz.len() - 1];
            f_hz.push((last * (1.0 + ratio)).max(last.next_up()));
        }
        let levels = levels[..f_hz.len().min(200)].to_vec();
        f_hz.truncate(levels.len());
        if let Ok(curve) = Curve::new("c", f_hz, levels.clone(), None)
            && let Ok(on_grid) = resample(&curve)
        {
            let low = levels.iter().copied().fold(f64::INFINITY, f64::min);
            let high = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            for i in on_grid.support {
                prop_assert!((low - 1e-6..=high + 1e-6).contains(&on_grid.level_db[i]));
            }
        }
    }
}

// The rig.

#[test]
fn the_ear_simulator_is_trusted_to_10_8_khz() {
    let rig = Rig::from_name("iec-60318-4").unwrap();
    for (f_hz, trust) in [
        (20.0, 1.0),
        (1000.0, 1.0),
        (8000.0, 1.0),
        (16_000.0, 0.3),
        (20_000.0, 0.3),
    ] {
        assert!((rig.trust(f_hz) - trust).abs() < 1e-12);
    }
    assert!((rig.trust(8000.0 * 2f64.sqrt()) - 0.65).abs() < 1e-12);
    assert!(rig.trust(10_760.0) > TRUSTED && rig.trust(10_800.0) < TRUSTED);
    let (low_hz, high_hz) = rig.trusted_band_hz(&(0..POINTS)).unwrap();
    assert_eq!(low_hz, 20.0);
    assert!((10_600.0..10_770.0).contains(&high_hz), "{high_hz}");
    let above = frequency_hz().partition_point(|f| *f < 11_000.0);
    assert_eq!(rig.trusted_band_hz(&(above..POINTS)), None);
}

#[test]
fn a_rig_name_that_is_nearly_right_is_offered() {
    assert_eq!(Rig::from_name("flat").unwrap().trust(20_000.0), 1.0);
    let error = Rig::from_name("iec60318-4").unwrap_err();
    assert_eq!(error.kind, ErrorKind::Name);
    assert!(error.next_step().contains("`iec-60318-4`"), "{error}");
    assert!(error.expected().contains("flat"));
}

#[test]
fn a_trust_table_is_linear_in_log_frequency_and_held_at_its_ends() {
    let rig = Rig::table(vec![(100.0, 0.2), (400.0, 1.0)]).unwrap();
    for (f_hz, trust) in [
        (20.0, 0.2),
        (100.0, 0.2),
        (200.0, 0.6),
        (400.0, 1.0),
        (9000.0, 1.0),
    ] {
        assert!((rig.trust(f_hz) - trust).abs() < 1e-12);
    }
    for bad in [
        vec![],
        vec![(0.0, 1.0)],
        vec![(10.0, 1.5)],
        vec![(20.0, 1.0), (10.0, 1.0)],
        vec![(f64::NAN, 1.0)],
    ] {
        assert_eq!(Rig::table(bad).unwrap_err().kind, ErrorKind::Setting);
    }
}

// Takes.

fn take(name: &str, side: Side, level: impl Fn(f64) -> f64) -> Take {
    let level_db = frequency_hz().iter().map(|f| level(*f)).collect();
    Take {
        name: name.to_owned(),
        side,
        on_grid: OnGrid {
            level_db,
            support: 0..POINTS,
        },
    }
}

#[test]
fn the_side_is_a_word_of_the_file_name() {
    for (name, side) in [
        ("unit_left_1.csv", Side::Left),
        ("Unit L.txt", Side::Left),
        ("unit-RIGHT-02.csv", Side::Right),
        ("r.csv", Side::Right),
        ("take.R.csv", Side::Right),
        ("(l)3.csv", Side::Left),
        ("bright.csv", Side::Unknown),
        ("leftover.csv", Side::Unknown),
        ("take1l.csv", Side::Unknown),
        ("left-and-right.csv", Side::Unknown),
        ("left/take 1.csv", Side::Unknown),
        ("right\\take L.csv", Side::Left),
        ("", Side::Unknown),
    ] {
        assert_eq!(side_from_name(name), side, "{name}");
    }
}

#[test]
fn one_take_is_its_own_average_with_unknown_spread() {
    let only = take("a", Side::Left, wave);
    let average = average(std::slice::from_ref(&only)).unwrap();
    assert_eq!(average.on_grid, only.on_grid);
    assert_eq!(average.spread_db, None);
    assert_eq!(average.takes, ["a"]);
}

#[test]
fn takes_that_differ_in_level_alone_have_no_spread() {
    let takes = [
        take("a", Side::Left, wave),
        take("b", Side::Left, |f| wave(f) + 6.0),
        take("c", Side::Left, |f| wave(f) - 9.0),
    ];
    let average = average(&takes).unwrap();
    assert!(average.spread_db.unwrap().iter().all(|s| *s < 1e-12));
    for (i, f_hz) in frequency_hz().iter().enumerate() {
        // The mean take is 1 dB below the first.
        assert!((average.on_grid.level_db[i] - (wave(*f_hz) - 1.0)).abs() < 1e-12);
    }
}

#[test]
fn a_bass_leak_in_one_take_does_not_shift_the_levels() {
    // 3 dB less below 100 Hz in one of two takes: outside the alignment band, so no shift at 1 kHz.
    let leaking = |f: f64| wave(f) - if f < 100.0 { 3.0 } else { 0.0 };
    let average = average(&[take("a", Side::Left, wave), take("b", Side::Left, leaking)]).unwrap();
    let spread = average.spread_db.unwrap();
    let at = |f_hz: f64| frequency_hz().partition_point(|f| *f < f_hz);
    assert!((spread[at(50.0)] - 3.0 / 2f64.sqrt()).abs() < 1e-12);
    assert!(spread[at(1000.0)] < 1e-12);
}

#[test]
fn both_sides_weigh_the_same_however_many_takes_they_have() {
    // Above the alignment band: left 0, 0, 0 and right 6, 8 dB; side means 0 and 7, pooled spread sqrt(2 / 3).
    let step = |high: f64| move |f: f64| if f > 3000.0 { high } else { 0.0 };
    let takes = [
        take("l1", Side::Left, step(0.0)),
        take("l2", Side::Left, step(0.0)),
        take("l3", Side::Left, step(0.0)),
        take("r1", Side::Right, step(6.0)),
        take("r2", Side::Right, step(8.0)),
    ];
    let average = average(&takes).unwrap();
    let spread = average.spread_db.unwrap();
    assert!((average.on_grid.level_db[470] - 3.5).abs() < 1e-12);
    assert!((spread[470] - (2.0f64 / 3.0).sqrt()).abs() < 1e-12);
    assert!(average.on_grid.level_db[100].abs() < 1e-12 && spread[100] < 1e-12);
}

#[test]
fn one_take_a_side_has_unknown_spread_however_the_sides_differ() {
    let takes = [
        take("l", Side::Left, wave),
        take("r", Side::Right, |f| wave(f) + f / 1e3),
    ];
    assert_eq!(average(&takes).unwrap().spread_db, None);
}

#[test]
fn takes_are_averaged_only_where_all_have_data() {
    let mut low = take("low", Side::Left, wave);
    low.on_grid.support = 0..300;
    let mut high = take("high", Side::Left, wave);
    high.on_grid.support = 200..POINTS;
    let shared = average(&[low.clone(), high.clone()]).unwrap();
    assert_eq!(shared.on_grid.support, 200..300);
    assert_eq!(shared.on_grid.level_db[199], 0.0);
    high.on_grid.support = 260..POINTS;
    let error = average(&[low, high]).unwrap_err();
    assert_eq!(
        (error.kind, error.place.source.to_string().as_str()),
        (ErrorKind::Coverage, "high")
    );
    assert!(error.found().contains("20 Hz"), "{error}");
    assert_eq!(average(&[]).unwrap_err().kind, ErrorKind::Coverage);
    let apart = grid::intersection(&(0..10), &(20..30));
    assert!(apart.is_empty());
}

#[test]
fn without_the_alignment_band_all_that_is_shared_aligns() {
    let mut a = take("a", Side::Left, |f| if f < 5000.0 { 50.0 } else { 0.0 });
    let mut b = take("b", Side::Left, |f| if f < 5000.0 { 0.0 } else { 4.0 });
    for take in [&mut a, &mut b] {
        take.on_grid.support = 400..POINTS;
    }
    assert!(average(&[a, b]).unwrap().spread_db.unwrap()[450] < 1e-12);
}
