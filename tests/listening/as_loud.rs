//! How loud the files are. `listening_reader.py` beside this folder reads them with ffmpeg and with scipy.

use approx::assert_abs_diff_eq;
use bandwright::filter::Shape;
use bandwright::headroom::Guard;
use bandwright::listen::Matching;
use bandwright::listen::ear::Ear;
use bandwright::listen::level::Levels;
use bandwright::listen::matched::{By, gains_db};
use bandwright::listen::wav::Depth;
use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};
use bandwright::measurement::rig::Rig;

use crate::music::{Sending, decoded, noise, sections, sheet, wav_float};
use crate::support::impulses::section;

/// A unit with a slope, believed everywhere.
fn ear() -> Ear {
    let level_db = |f_hz: &f64| -2.0 * (f_hz / 1000.0).log2();
    Ear {
        unit: OnGrid {
            level_db: frequency_hz().iter().map(level_db).collect(),
            support: 0..POINTS,
        },
        rig: Rig::Flat,
    }
}

#[test]
fn all_are_as_loud_as_the_quietest_and_none_is_turned_up() {
    let sheets = [
        sheet(&[&sections()]),
        sheet(&[&[section(Shape::Peaking, 3000.0, 6.0, 0.7)]]),
    ];
    let music = wav_float(&noise(4 * 48_000, 0.3), 2, 48_000);
    let ear = ear();
    let level = [
        |levels: Levels| levels.loudness_lufs.unwrap(),
        |levels: Levels| levels.at_ear_db.unwrap(),
    ];
    for (matching, level) in [Matching::Files, Matching::AtTheEar(&ear)]
        .into_iter()
        .zip(level)
    {
        let (heard, files) = Sending::all(&sheets, matching).send(&music).unwrap();
        assert_eq!((heard.sounds.len(), files.len()), (3, 3));
        let first_db = level(heard.sounds[0].levels.unwrap());
        for sound in &heard.sounds {
            assert!(sound.gain_db <= 0.0);
            assert_abs_diff_eq!(level(sound.levels.unwrap()), first_db, epsilon = 1e-9);
        }
        let quietest = heard.sounds.iter().filter(|sound| sound.gain_db == 0.0);
        assert_eq!(quietest.count(), 1);
    }
}

#[test]
fn the_untouched_file_is_the_music_turned_down() {
    let sheets = [sheet(&[&sections()])];
    let samples = noise(48_000, 0.3);
    let (heard, files) = Sending::all(&sheets, Matching::Files)
        .send(&wav_float(&samples, 2, 48_000))
        .unwrap();
    let (untouched, ..) = decoded(&files[0]).unwrap();
    let gain = 10f64.powf(heard.sounds[0].gain_db / 20.0);
    for (out, music) in untouched.iter().zip(&samples) {
        assert_abs_diff_eq!(*out, *music * gain, epsilon = 1e-7);
    }
}

#[test]
fn no_sample_is_above_full_scale() {
    // Music at full scale, and a sheet whose preamp is short of what any signal can need.
    let sheets = [sheet(&[&[section(Shape::HighShelf, 2000.0, 6.0, 1.0)]])];
    assert_eq!(sheets[0].level.guard, Guard::Sine);
    let mut samples = noise(96_000, 1.0);
    for sample in &mut samples {
        *sample = sample.signum();
    }
    let music = wav_float(&samples, 2, 48_000);
    for matching in [Matching::Off, Matching::Files] {
        let sending = Sending {
            depth: Depth::Bits16,
            ..Sending::all(&sheets, matching)
        };
        let (heard, files) = sending.send(&music).unwrap();
        for file in files {
            let (samples, ..) = decoded(&file).unwrap();
            let most = samples.iter().fold(0.0, |most: f64, x| most.max(x.abs()));
            // The lowest whole number is full scale itself; nothing was cut off to reach it.
            assert!(most < 0.995, "{most}");
        }
        assert!(heard.sounds.iter().all(|sound| sound.gain_db < -0.05));
        if heard.by == By::Files {
            let peaks_db = heard
                .sounds
                .iter()
                .filter_map(|sound| sound.levels?.true_peak_db);
            assert!(peaks_db.fold(f64::NEG_INFINITY, f64::max) <= -0.1 + 1e-9);
        }
    }
}

#[test]
fn silence_cannot_be_matched_and_that_is_said() {
    let sheets = [sheet(&[&sections()])];
    let silence = wav_float(&vec![0.0; 96_000], 2, 48_000);
    let refused = Sending::all(&sheets, Matching::Files)
        .send(&silence)
        .unwrap_err();
    assert!(refused.to_string().contains("silence"), "{refused}");
    let (_, files) = Sending::all(&sheets, Matching::Off).send(&silence).unwrap();
    assert!(decoded(&files[0]).unwrap().0.iter().all(|x| *x == 0.0));
}

#[test]
fn gains_leave_room_for_the_highest_peak() {
    let levels = |loudness_lufs: f64, true_peak_db: f64| Levels {
        loudness_lufs: Some(loudness_lufs),
        at_ear_db: None,
        sample_peak_db: Some(true_peak_db - 0.5),
        true_peak_db: Some(true_peak_db),
    };
    let found = gains_db(
        &[levels(-10.0, 0.4), levels(-14.0, 1.9)],
        By::Files,
        "music",
    )
    .unwrap();
    assert_abs_diff_eq!(found[0], -6.0, epsilon = 1e-12);
    assert_abs_diff_eq!(found[1], -2.0, epsilon = 1e-12);
}
