//! What other ears are expected to get of a measured curve.

use bandwright::measurement::expected::{DISAGREE_DB, EARS_OCTAVES, FIXED_BELOW_HZ, expected};
use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};

fn curve(level_db: impl Fn(f64) -> f64) -> OnGrid {
    OnGrid {
        level_db: frequency_hz().iter().map(|f_hz| level_db(*f_hz)).collect(),
        support: 0..POINTS,
    }
}

/// A peak of 8 dB, a fifth of an octave wide, at 8 kHz.
fn peak_db(f_hz: f64) -> f64 {
    8.0 * (-((f_hz / 8000.0).log2() / 0.1).powi(2)).exp()
}

#[test]
fn below_5_khz_and_along_a_slope_nothing_changes() {
    let rough = curve(|f_hz| (37.0 * f_hz.log2()).sin() - 3.0 * (f_hz / 1000.0).log2());
    let blurred = expected(&rough, None, 0.0);
    let below = frequency_hz().partition_point(|f_hz| *f_hz <= FIXED_BELOW_HZ);
    assert_eq!(blurred.level_db[..below], rough.level_db[..below]);
    let slope = curve(|f_hz| -4.0 * (f_hz / 1000.0).log2());
    for (found, own) in expected(&slope, None, 0.0)
        .level_db
        .iter()
        .zip(&slope.level_db)
    {
        assert!((found - own).abs() < 1e-9);
    }
}

#[test]
fn a_peak_becomes_the_mean_over_ears_where_it_lies_elsewhere() {
    let found = expected(&curve(peak_db), None, 0.0);
    // The mean in dB over a normal distribution, by its integral: both are Gaussian in log f.
    let (own, moved) = (0.1 / 2f64.sqrt(), EARS_OCTAVES);
    let wide = own.hypot(moved);
    for (f_hz, found_db) in frequency_hz().iter().zip(&found.level_db) {
        if (7500.0..9500.0).contains(f_hz) {
            let x = (f_hz / 8000.0).log2() / wide;
            let mean_db = 8.0 * own / wide * (-0.5 * x * x).exp();
            assert!(
                (found_db - mean_db).abs() < 0.1,
                "{f_hz}: {found_db} {mean_db}"
            );
        }
    }
}

#[test]
fn what_the_takes_moved_already_is_not_moved_again() {
    let peak = curve(peak_db);
    let height_db = |moved_octaves: f64| {
        let found = expected(&peak, None, moved_octaves).level_db;
        found.into_iter().fold(0.0, f64::max)
    };
    assert!(height_db(0.0) < height_db(0.1) && height_db(0.1) < height_db(0.15));
    assert_eq!(expected(&peak, None, EARS_OCTAVES), peak);
}

#[test]
fn a_dip_that_wanders_is_not_as_deep_as_its_average() {
    let dip = curve(|f_hz| -0.5 * peak_db(4.0 * f_hz));
    let spread_db: Vec<f64> = dip.level_db.iter().map(|db| 0.2 - 0.5 * db).collect();
    let found = expected(&dip, Some(&spread_db), 0.0);
    for ((found_db, own_db), spread_db) in found.level_db.iter().zip(&dip.level_db).zip(&spread_db)
    {
        let raised_db = (spread_db - DISAGREE_DB).max(0.0);
        assert!((found_db - own_db - raised_db).abs() < 1e-12);
    }
    assert!(found.level_db.iter().zip(&dip.level_db).any(|(a, b)| a > b));
}

#[test]
fn data_that_end_early_stay_within_their_ends() {
    let mut short = curve(peak_db);
    short.support = 100..430;
    short.level_db[..100].fill(f64::NAN);
    short.level_db[430..].fill(f64::NAN);
    let found = expected(&short, None, 0.0);
    assert_eq!(found.support, short.support);
    assert!(found.level_db[100..430].iter().all(|db| db.is_finite()));
    assert_eq!(found.level_db[429], short.level_db[429]);
}
