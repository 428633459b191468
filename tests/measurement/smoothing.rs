//! Smoothing: flat stays flat, slopes stay slopes, widths are what they are called.

use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};
use bandwright::measurement::smooth::{Width, erb_hz, smooth};
use bandwright::units::{db_from_power, power_from_db};
use proptest::prelude::*;

fn curve(support: std::ops::Range<usize>, level: impl Fn(usize) -> f64) -> OnGrid {
    let level_db = (0..POINTS).map(|i| if support.contains(&i) { level(i) } else { 0.0 });
    OnGrid {
        level_db: level_db.collect(),
        support,
    }
}

const WIDTHS: [Width; 7] = [
    Width::Octaves(2.0),
    Width::Octaves(1.0),
    Width::Octaves(1.0 / 3.0),
    Width::Octaves(1.0 / 6.0),
    Width::Octaves(1.0 / 12.0),
    Width::Octaves(1.0 / 24.0),
    Width::Erb,
];

/// The published formula at its usual points, by hand: 24.7 (4.37 kHz + 1).
#[test]
fn the_ear_s_width_is_the_published_one() {
    for (f_hz, width_hz) in [
        (100.0, 35.4939),
        (1000.0, 132.639),
        (4000.0, 456.456),
        (10_000.0, 1104.09),
    ] {
        assert!(
            (erb_hz(f_hz) - width_hz).abs() < 1e-3,
            "{f_hz} Hz: {}",
            erb_hz(f_hz)
        );
    }
}

#[test]
fn windows_are_as_wide_as_they_are_called_and_centred_in_log_frequency() {
    for f_hz in frequency_hz() {
        let (low_hz, high_hz) = Width::Erb.window_hz(*f_hz);
        assert!((high_hz - low_hz - erb_hz(*f_hz)).abs() < 1e-9 * f_hz);
        assert!((low_hz * high_hz / f_hz.powi(2) - 1.0).abs() < 1e-12);
        for fraction in [1.0, 1.0 / 3.0, 1.0 / 24.0] {
            let (low_hz, high_hz) = Width::Octaves(fraction).window_hz(*f_hz);
            assert!(((high_hz / low_hz).log2() - fraction).abs() < 1e-12);
            assert!((low_hz * high_hz / f_hz.powi(2) - 1.0).abs() < 1e-12);
        }
    }
}

/// One point of power over silence, away from the edges: its power is spread over the window and nowhere else.
#[test]
fn a_single_point_is_spread_over_one_window() {
    for (width, f_hz) in [
        (Width::Octaves(1.0 / 3.0), 1000.0),
        (Width::Octaves(1.0 / 12.0), 1000.0),
        (Width::Erb, 300.0),
        (Width::Erb, 3000.0),
    ] {
        let at = frequency_hz().partition_point(|f| *f < f_hz);
        let spike = curve(0..POINTS, |i| if i == at { 1.0 } else { 0.0 });
        let changed: Vec<f64> = smooth(&spike, width)
            .level_db
            .iter()
            .zip(frequency_hz())
            .filter(|(db, _)| db.abs() > 1e-9)
            .map(|(_, f)| *f)
            .collect();
        let (low_hz, high_hz) = width.window_hz(f_hz);
        let (first_hz, last_hz) = (changed[0], changed[changed.len() - 1]);
        // A point counts where any of its cell lies inside; the ear's width changes a little on the way.
        for (found_hz, end_hz) in [(first_hz, low_hz), (last_hz, high_hz)] {
            assert!(
                (found_hz / end_hz).log2().abs() < 2.0 / 48.0 + 0.02,
                "{width:?}: {found_hz:.1} {end_hz:.1}"
            );
        }
    }
}

/// At the top of a symmetric peak the window's slope is 0, and what is left is the plain mean of powers.
#[test]
fn at_the_top_of_a_peak_it_is_the_mean_of_powers() {
    let at = 240;
    let peak = curve(0..POINTS, |i| {
        8.0 * (-((i as f64 - 240.0) / 7.0).powi(2)).exp()
    });
    let power = |k: i32| power_from_db(peak.level_db[(at + k) as usize]);
    // 1/3 octave: 16 cells, the outermost by half.
    let inside: f64 = (-7..=7).map(power).sum();
    let mean = (inside + 0.5 * (power(-8) + power(8))) / 16.0;
    let found_db = smooth(&peak, Width::Octaves(1.0 / 3.0)).level_db[at as usize];
    assert!((found_db - db_from_power(mean)).abs() < 1e-12);
}

#[test]
fn a_pure_slope_stays_where_it_is() {
    for width in WIDTHS {
        for db_per_octave in [-24.0, -6.0, -1.0, 0.5, 6.0, 12.0] {
            let slope = curve(20..430, |i| 70.0 + db_per_octave * i as f64 / 48.0);
            let smoothed = smooth(&slope, width);
            assert_eq!(smoothed.support, slope.support);
            for i in slope.support.clone() {
                let off_db = smoothed.level_db[i] - slope.level_db[i];
                assert!(
                    off_db.abs() < 1e-9,
                    "{width:?}, {db_per_octave} dB/octave: {off_db} dB"
                );
            }
        }
    }
}

#[test]
fn a_width_of_a_grid_cell_or_less_and_what_is_no_width_change_nothing() {
    let wavy = curve(0..POINTS, |i| 3.0 * (i as f64 * 0.7).sin());
    for fraction in [1.0 / 48.0, 1e-3, 0.0, -1.0, f64::NAN] {
        let smoothed = smooth(&wavy, Width::Octaves(fraction));
        for (a, b) in smoothed.level_db.iter().zip(&wavy.level_db) {
            assert!((a - b).abs() < 1e-12, "{fraction}: {a} {b}");
        }
    }
    // However wide, the window ends where the data do.
    assert!(
        smooth(&wavy, Width::Octaves(f64::INFINITY))
            .level_db
            .iter()
            .all(|db| db.is_finite())
    );
}

fn widths() -> impl Strategy<Value = Width> {
    prop_oneof![Just(Width::Erb), (0.01_f64..3.0).prop_map(Width::Octaves)]
}

proptest! {
    #[test]
    fn flat_stays_flat(db in -200.0_f64..200.0, start in 0_usize..400, width in widths()) {
        let flat = curve(start..POINTS, |_| db);
        for (i, smoothed_db) in smooth(&flat, width).level_db.iter().enumerate().skip(start) {
            prop_assert!((smoothed_db - db).abs() < 1e-9, "point {}", i);
        }
    }

    #[test]
    fn level_and_slope_pass_through(
        levels in prop::collection::vec(-20.0_f64..20.0, POINTS),
        db in -100.0_f64..100.0,
        db_per_octave in -12.0_f64..12.0,
        width in widths(),
    ) {
        let plain = curve(0..POINTS, |i| levels[i]);
        let tilted = curve(0..POINTS, |i| levels[i] + db + db_per_octave * i as f64 / 48.0);
        let (plain, tilted) = (smooth(&plain, width), smooth(&tilted, width));
        for i in 0..POINTS {
            let added_db = tilted.level_db[i] - plain.level_db[i];
            prop_assert!((added_db - db - db_per_octave * i as f64 / 48.0).abs() < 1e-9);
        }
    }

    #[test]
    fn a_mirrored_curve_gives_the_mirrored_answer(
        levels in prop::collection::vec(-20.0_f64..20.0, POINTS),
        fraction in 0.02_f64..1.0,
    ) {
        let plain = smooth(&curve(0..POINTS, |i| levels[i]), Width::Octaves(fraction));
        let mirrored = smooth(&curve(0..POINTS, |i| levels[POINTS - 1 - i]), Width::Octaves(fraction));
        for i in 0..POINTS {
            prop_assert!((plain.level_db[i] - mirrored.level_db[POINTS - 1 - i]).abs() < 1e-9);
        }
    }

    #[test]
    fn whatever_lies_outside_the_support_does_not_count(
        levels in prop::collection::vec(-20.0_f64..20.0, POINTS),
        start in 0_usize..200,
        end in 260_usize..POINTS,
        width in widths(),
    ) {
        let clean = curve(start..end, |i| levels[i]);
        let mut dirty = clean.clone();
        dirty.level_db[..start].fill(500.0);
        dirty.level_db[end..].fill(-500.0);
        prop_assert_eq!(smooth(&dirty, width), smooth(&clean, width));
    }
}
