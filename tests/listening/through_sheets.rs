//! What comes out is what the sheet says, at every rate.

use std::f64::consts::TAU;

use approx::assert_abs_diff_eq;
use bandwright::error::ErrorKind;
use bandwright::filter::{Shape, cascade};
use bandwright::listen::excerpt::seconds;
use bandwright::listen::wav::Depth;
use bandwright::listen::{Excerpt, Matching};

use crate::music::{Sending, decoded, noise, sections, sheet, wav_float};
use crate::support::impulses::section;

/// Amplitude of a sine in samples, over whole periods.
fn amplitude(samples: &[f64], frequency_hz: f64, rate_hz: f64) -> f64 {
    let [mut cos, mut sin] = [0.0; 2];
    for (i, sample) in samples.iter().enumerate() {
        let phase = TAU * frequency_hz * i as f64 / rate_hz;
        cos += sample * phase.cos();
        sin += sample * phase.sin();
    }
    2.0 * cos.hypot(sin) / samples.len() as f64
}

#[test]
fn stepped_sines_read_back_the_response_of_the_sheet_at_four_rates() {
    let sheet = [sheet(&[&sections()])];
    for rate_hz in [44_100_u32, 48_000, 96_000, 192_000] {
        let rate = f64::from(rate_hz);
        // Each lasts a second, so its periods are whole, after half a second in which the sections settle.
        let steps_hz = [30.0, 110.0, 500.0, 2800.0, 7000.0, 15_000.0];
        let (settle, second) = (rate_hz as usize / 2, rate_hz as usize);
        let tone = |f_hz: f64| {
            (0..settle + second).map(move |i| 0.25 * (TAU * f_hz * i as f64 / rate).sin())
        };
        let mono: Vec<f64> = steps_hz.iter().flat_map(|f_hz| tone(*f_hz)).collect();
        let (_, files) = Sending::all(&sheet, Matching::Off)
            .send(&wav_float(&mono, 1, rate_hz))
            .unwrap();
        let (out, out_hz, channels) = decoded(&files[0]).unwrap();
        assert_eq!((out_hz, channels, out.len()), (rate_hz, 1, mono.len()));
        for (step, f_hz) in steps_hz.iter().enumerate() {
            let start = step * (settle + second) + settle;
            let found = amplitude(&out[start..start + second], *f_hz, rate) / 0.25;
            let expected_db = sheet[0].level.preamp_db
                + cascade::level_db(&sheet[0].channels[0].sections, rate, *f_hz);
            assert_abs_diff_eq!(20.0 * found.log10(), expected_db, epsilon = 0.001);
        }
    }
}

#[test]
fn each_side_gets_its_own_sections() {
    let [left, right] = [
        [section(Shape::Peaking, 1000.0, 5.0, 1.0)],
        [section(Shape::Peaking, 1000.0, -5.0, 1.0)],
    ];
    let sheets = [sheet(&[&left, &right])];
    let rate = 48_000.0;
    let tone = |i: usize| 0.1 * (TAU * 1000.0 * i as f64 / rate).sin();
    let stereo: Vec<f64> = (0..96_000).flat_map(|i| [tone(i), tone(i)]).collect();
    let (_, files) = Sending::all(&sheets, Matching::Off)
        .send(&wav_float(&stereo, 2, 48_000))
        .unwrap();
    let (out, ..) = decoded(&files[0]).unwrap();
    let side = |channel: usize| {
        let samples: Vec<f64> = out
            .iter()
            .skip(channel)
            .step_by(2)
            .skip(48_000)
            .copied()
            .collect();
        20.0 * (amplitude(&samples, 1000.0, rate) / 0.1).log10() - sheets[0].level.preamp_db
    };
    assert_abs_diff_eq!(side(0), 5.0, epsilon = 0.001);
    assert_abs_diff_eq!(side(1), -5.0, epsilon = 0.001);
    let mono = wav_float(&vec![0.1; 48_000], 1, 48_000);
    let refused = Sending::all(&sheets, Matching::Off)
        .send(&mono)
        .unwrap_err();
    assert!(refused.to_string().contains("one channel"), "{refused}");
}

#[test]
fn an_excerpt_is_that_part_of_the_whole_with_ends_that_rise_and_fall() {
    let sheets = [sheet(&[&sections()])];
    let music = wav_float(&noise(5 * 48_000, 0.1), 2, 48_000);
    let whole = Sending::all(&sheets, Matching::Off);
    let part = Sending {
        excerpt: Excerpt {
            from_s: 2.0,
            for_s: Some(1.5),
        },
        ..Sending::all(&sheets, Matching::Off)
    };
    let (whole, _, _) = decoded(&whole.send(&music).unwrap().1[0]).unwrap();
    let (heard, files) = part.send(&music).unwrap();
    let (part, _, _) = decoded(&files[0]).unwrap();
    assert_eq!(part.len(), 2 * 72_000);
    assert_abs_diff_eq!(heard.seconds, 1.5);
    // 50 ms of rise and fall; between, the sections have heard a second of what came before.
    let fade = 2 * 2400;
    let same = &whole[2 * 96_000..][..part.len()];
    for i in fade..part.len() - fade {
        assert_abs_diff_eq!(part[i], same[i], epsilon = 1e-6);
    }
    let loudest = |samples: &[f64]| samples.iter().fold(0.0, |most: f64, x| most.max(x.abs()));
    assert!(loudest(&part[..100]) < 0.01 * loudest(same));
    assert!(loudest(&part[part.len() - 100..]) < 0.01 * loudest(same));
    let late = Sending {
        excerpt: Excerpt {
            from_s: 9.0,
            for_s: None,
        },
        ..Sending::all(&sheets, Matching::Off)
    };
    let refused = late.send(&music).unwrap_err();
    assert_eq!(refused.kind, ErrorKind::Setting);
    assert!(
        refused.to_string().contains("less than 5.00 s"),
        "{refused}"
    );
}

#[test]
fn times_are_read_as_people_type_them() {
    for (text, expected) in [
        ("12.5", Some(12.5)),
        (" 20s ", Some(20.0)),
        ("1:05", Some(65.0)),
        ("1:02:03.5", Some(3723.5)),
        ("0", Some(0.0)),
        ("1:75", None),
        ("-3", None),
        ("1:-5", None),
        ("nan", None),
        ("inf", None),
        ("soon", None),
        ("", None),
        (":", None),
        ("1e9", None),
    ] {
        assert_eq!(seconds(text), expected, "{text}");
    }
}

#[test]
fn a_section_above_half_the_rate_is_refused_by_name() {
    let sheets = [sheet(&[&[section(Shape::Peaking, 17_000.0, 3.0, 1.0)]])];
    let music = wav_float(&noise(32_000, 0.1), 2, 32_000);
    let refused = Sending::all(&sheets, Matching::Off)
        .send(&music)
        .unwrap_err();
    assert_eq!(refused.kind, ErrorKind::Coverage);
    assert!(
        refused.to_string().contains("a section at 17000 Hz"),
        "{refused}"
    );
}

/// What rounding to whole numbers leaves, less the music in floating point.
fn rest(depth: Depth, music: &[u8]) -> Vec<f64> {
    let sheets = [sheet(&[&sections()])];
    let send = |depth: Depth| {
        let sending = Sending {
            depth,
            ..Sending::all(&sheets, Matching::Off)
        };
        decoded(&sending.send(music).unwrap().1[0]).unwrap().0
    };
    send(depth)
        .iter()
        .zip(send(Depth::Float))
        .map(|(short, long)| short - long)
        .collect()
}

#[test]
fn shorter_samples_have_dither_of_a_triangle_two_steps_wide() {
    // A tone below one step of 16 bits is lost without dither.
    let rate = 48_000.0;
    let tone = |i: usize| 1e-5 * (TAU * 1000.0 * i as f64 / rate).sin();
    let music = wav_float(&(0..96_000).map(tone).collect::<Vec<f64>>(), 1, 48_000);
    let step = 2f64.powi(-15);
    let rest = rest(Depth::Bits16, &music);
    let mean = rest.iter().sum::<f64>() / rest.len() as f64;
    let power = rest.iter().map(|x| x * x).sum::<f64>() / rest.len() as f64;
    // Two uniform variables and the rounding have a twelfth of a square step each.
    assert_abs_diff_eq!(mean / step, 0.0, epsilon = 0.01);
    assert_abs_diff_eq!(power / (step * step), 0.25, epsilon = 0.01);
    let sheets = [sheet(&[&sections()])];
    let sending = Sending {
        depth: Depth::Bits16,
        ..Sending::all(&sheets, Matching::Off)
    };
    let (found, ..) = decoded(&sending.send(&music).unwrap().1[0]).unwrap();
    let level_db = sheets[0].level.preamp_db + cascade::level_db(&sections(), rate, 1000.0);
    let kept = amplitude(&found, 1000.0, rate) / (1e-5 * 10f64.powf(level_db / 20.0));
    assert_abs_diff_eq!(kept, 1.0, epsilon = 0.05);
}

#[test]
fn the_same_music_gives_the_same_bytes() {
    let sheets = [sheet(&[&sections()])];
    let music = wav_float(&noise(60_000, 0.2), 2, 44_100);
    let sending = Sending {
        depth: Depth::Bits24,
        ..Sending::all(&sheets, Matching::Files)
    };
    assert_eq!(sending.send(&music).unwrap(), sending.send(&music).unwrap());
}
