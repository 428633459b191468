//! Where a listener's own ear resonates: sweeps that are equally loud for an average ear, and what their times tell.

use approx::assert_abs_diff_eq;
use bandwright::cost::exposure::{Field, FieldTable, field_to_eardrum_db};
use bandwright::error::ErrorKind;
use bandwright::listen::find_peak::{BAND_HZ, SECONDS, at_s, files, found, sweep, to_toml};
use bandwright::listen::iso_226::contour_db;
use bandwright::listen::signals::RATE_HZ;
use bandwright::measurement::expected::{Ears, FIXED_BELOW_HZ, moved};
use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};

#[test]
fn the_contour_of_40_phon_is_that_of_iso_226() {
    // ISO 226:2003, table of 40 phon; from memory.
    for (f_hz, db_spl) in [
        (1000.0, 40.01),
        (2000.0, 39.23),
        (3150.0, 35.61),
        (4000.0, 36.65),
        (6300.0, 45.83),
        (8000.0, 51.80),
        (10_000.0, 54.28),
        (12_500.0, 51.49),
    ] {
        assert_abs_diff_eq!(contour_db(40.0, f_hz), db_spl, epsilon = 0.01);
    }
}

/// A unit whose treble falls, and a resonance that an ear adds.
fn unit(resonance_hz: Option<f64>) -> OnGrid {
    let level_db = |f_hz: &f64| {
        let own = resonance_hz.map_or(0.0, |at_hz| {
            let x = (f_hz / at_hz).log2() / 0.1;
            10.0 * (1.0 + 9.0 / (1.0 + x * x)).log10()
        });
        own - 4.0 * (f_hz / 1000.0).log2()
    };
    OnGrid {
        level_db: frequency_hz().iter().map(level_db).collect(),
        support: 0..POINTS,
    }
}

/// How much louder than the rest of a sweep each second of it is for an average ear that hears `heard`, dB, with its time.
fn loudness(samples: &[f64], heard: &OnGrid, rises: bool) -> Vec<(f64, f64)> {
    let to_eardrum_db = field_to_eardrum_db(Field::Free, FieldTable::default());
    let second = RATE_HZ as usize;
    let windows = samples.chunks(second).enumerate().skip(1);
    windows
        .take(SECONDS as usize - 2)
        .map(|(index, samples)| {
            let power = samples.iter().map(|x| x * x).sum::<f64>() / second as f64;
            let middle_s = index as f64 + 0.5;
            let f_hz = at_s(rises, middle_s);
            let at = frequency_hz()
                .partition_point(|f| *f < f_hz)
                .min(POINTS - 1);
            let eardrum_db = 10.0 * power.log10() + heard.level_db[at];
            (
                middle_s,
                eardrum_db - to_eardrum_db(f_hz) - contour_db(50.0, f_hz),
            )
        })
        .collect()
}

#[test]
fn a_sweep_is_as_loud_everywhere_for_an_average_ear_and_loudest_where_an_ear_resonates() {
    for ((_, rises), seed) in files().zip(0..) {
        let samples = sweep(&unit(None), rises, -30.0, seed);
        assert_eq!(samples.len(), (SECONDS * f64::from(RATE_HZ)) as usize);
        let average = loudness(&samples, &unit(None), rises);
        let mean = average.iter().map(|(_, db)| db).sum::<f64>() / average.len() as f64;
        // A second of noise 350 Hz wide has a level that is known to a third of a decibel.
        for (time_s, db) in &average {
            assert_abs_diff_eq!(*db, mean, epsilon = 1.2);
            assert!((0.0..=SECONDS).contains(time_s));
        }
        for ear_hz in [6000.0, 7400.0, 10_500.0] {
            let own = loudness(&samples, &unit(Some(ear_hz)), rises);
            let loudest = own.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
            let octaves = (at_s(rises, loudest.0) / ear_hz).log2();
            assert!(octaves.abs() < 0.07, "{ear_hz}: {octaves}");
        }
    }
}

#[test]
fn beyond_what_was_measured_the_units_level_is_held() {
    let mut short = unit(None);
    let inside = |hz: f64| frequency_hz().partition_point(|f_hz| *f_hz < hz);
    short.support = inside(6000.0)..inside(10_000.0);
    let mut held = unit(None);
    for i in 0..POINTS {
        held.level_db[i] = held.level_db[i.clamp(short.support.start, short.support.end - 1)];
    }
    assert_eq!(sweep(&short, true, -30.0, 2), sweep(&held, true, -30.0, 2));
}

#[test]
fn a_sweep_is_nowhere_louder_than_its_level_and_never_clips() {
    for level_db in [-40.0, -12.0] {
        let samples = sweep(&unit(None), true, level_db, 1);
        let powers = samples.chunks(RATE_HZ as usize).map(|second| {
            10.0 * (second.iter().map(|x| x * x).sum::<f64>() / second.len() as f64).log10()
        });
        let loudest_db = powers.fold(f64::NEG_INFINITY, f64::max);
        assert_abs_diff_eq!(loudest_db, level_db - 3.01, epsilon = 1.0);
        assert!(samples.iter().all(|x| x.abs() < 1.0));
    }
}

/// A file with these times.
fn filled(times: [&str; 4]) -> Vec<u8> {
    let mut text = to_toml("a unit");
    for time in times {
        text = text.replacen("loudest = \"\"", &format!("loudest = '{time}'"), 1);
    }
    text.into_bytes()
}

#[test]
fn times_of_both_directions_cancel_the_delay_of_whoever_notes_them() {
    // The peak lies at 7483 Hz, halfway through every sweep; each is noted 0.6 s late.
    let late = found(&filled(["15.6", "0:15.6", "15.6s", "15.6"]), "peak.toml").unwrap();
    let middle_hz = (BAND_HZ.0 * BAND_HZ.1).sqrt();
    assert_abs_diff_eq!(late.peak_hz.unwrap(), middle_hz, epsilon = 1e-6);
    let per_s = (BAND_HZ.1 / BAND_HZ.0).log2() / SECONDS;
    assert_abs_diff_eq!(
        late.up_over_down_octaves.unwrap(),
        1.2 * per_s,
        epsilon = 1e-9
    );
    assert_abs_diff_eq!(
        late.sweeps[0].peak_hz.unwrap(),
        at_s(true, 15.6),
        epsilon = 1e-9
    );
    // Two up and one down: both directions count alike.
    let three = found(&filled(["16", "14", "16", ""]), "peak.toml").unwrap();
    assert_abs_diff_eq!(three.peak_hz.unwrap(), at_s(true, 16.0), epsilon = 1e-6);
    let one = found(&filled(["", "10", "", ""]), "peak.toml").unwrap();
    assert_abs_diff_eq!(one.peak_hz.unwrap(), at_s(false, 10.0), epsilon = 1e-6);
    assert_eq!((one.spread_octaves, one.up_over_down_octaves), (None, None));
    // Answers that contradict each other tell nothing.
    let torn = found(&filled(["16", "2", "15.5", "15"]), "peak.toml").unwrap();
    assert!(torn.peak_hz.is_none() && torn.spread_octaves.unwrap() > 0.3);
}

#[test]
fn what_is_no_time_of_a_sweep_is_refused_with_its_place() {
    let refused = |bytes: &[u8]| found(bytes, "peak.toml").unwrap_err();
    assert_eq!(refused(&filled([""; 4])).kind, ErrorKind::Setting);
    for odd in ["31", "-1", "soon", "1:70", "nan"] {
        let error = refused(&filled(["5", odd, "", ""])).to_string();
        assert!(
            error.contains("sweep[2].loudest") && error.contains(odd),
            "{error}"
        );
    }
    let text = String::from_utf8(filled(["5", "", "", ""])).unwrap();
    let other = refused(text.replace("peak-up-1.wav", "peak-left.wav").as_bytes()).to_string();
    assert!(other.contains("none of the sweeps"), "{other}");
}

#[test]
fn a_curve_is_moved_to_the_ear_above_five_kilohertz_alone() {
    let curve = unit(Some(8000.0));
    let peak_hz = |curve: &OnGrid| {
        let above = (0..POINTS).filter(|i| frequency_hz()[*i] > 5500.0);
        let at = above
            .max_by(|a, b| curve.level_db[*a].total_cmp(&curve.level_db[*b]))
            .unwrap();
        frequency_hz()[at]
    };
    for ear_hz in [7200.0, 9000.0, 10_500.0] {
        let ears = Ears::with_peak(ear_hz, 8000.0);
        let there = moved(&curve, ears);
        assert!(
            (peak_hz(&there) / ear_hz).log2().abs() < 1.5 / 48.0,
            "{ear_hz}"
        );
        let below = frequency_hz().partition_point(|f_hz| *f_hz <= FIXED_BELOW_HZ);
        assert_eq!(there.level_db[..below], curve.level_db[..below]);
    }
    assert_eq!(moved(&curve, Ears::ALL), curve);
    assert_eq!(moved(&curve, Ears::with_peak(8000.0, 8000.0)), curve);
}
