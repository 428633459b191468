//! WAV impulse responses: level, phase, flight time and support against cascades whose response is known; broken files.

use crate::support::hang::ends;
use crate::support::impulses;

use bandwright::error::{Error, ErrorKind};
use bandwright::filter::{Section, Shape, cascade};
use bandwright::measurement::grid::{self, resample};
use bandwright::measurement::impulse::{ImpulseResponse, is_wav, read_impulse};
use impulses::{Recursion, degrees_apart, exact, played, recursions, section, wav_float, wav_pcm};
use proptest::prelude::*;

const RATES_HZ: [u32; 3] = [44_100, 48_000, 96_000];

fn read(bytes: &[u8]) -> ImpulseResponse {
    read_impulse(bytes, "ir.wav", None).unwrap()
}

fn refused(bytes: &[u8]) -> Box<Error> {
    let error = read_impulse(bytes, "ir.wav", None).unwrap_err();
    assert_eq!(error.place.source, "ir.wav");
    error
}

/// Cascades from gentle to hard: long bass resonances, peaks near 20 kHz, steep cuts.
fn cascades() -> Vec<Vec<Section>> {
    use Shape::{HighShelf, LowShelf, Peaking};
    vec![
        vec![],
        vec![
            section(LowShelf, 90.0, 5.0, 0.6),
            section(Peaking, 3000.0, -6.0, 2.0),
            section(HighShelf, 8000.0, -8.0, 0.7),
        ],
        vec![
            section(Peaking, 25.0, 9.0, 3.0),
            section(Peaking, 8200.0, 10.0, 6.0),
            section(Peaking, 18_500.0, -12.0, 4.0),
        ],
        vec![
            section(HighShelf, 1000.0, -20.0, 1.0),
            section(HighShelf, 3000.0, -20.0, 1.0),
            section(LowShelf, 40.0, -15.0, 1.0),
        ],
    ]
}

/// The largest deviations of level (dB) and phase (degrees) over the support.
fn deviations(read: &ImpulseResponse, cascade: &[Recursion], rate_hz: f64) -> (f64, f64) {
    let curve = &read.curve;
    let points = curve.frequency_hz().iter().zip(curve.level_db());
    points
        .zip(curve.phase_deg().unwrap())
        .fold((0.0, 0.0), |(db, deg), ((f_hz, level), phase)| {
            let (exact_db, exact_deg) = exact(cascade, rate_hz, *f_hz);
            (
                f64::max(db, (level - exact_db).abs()),
                f64::max(deg, degrees_apart(*phase, exact_deg).abs()),
            )
        })
}

#[test]
fn a_known_cascade_is_reproduced_in_level_and_phase_at_every_rate() {
    for rate in RATES_HZ {
        let rate_hz = f64::from(rate);
        for (number, sections) in cascades().iter().enumerate() {
            let cascade = recursions(sections, rate_hz);
            for delay in [0, 7, 1000] {
                let samples = played(&cascade, delay, 2 * rate as usize);
                let read = read(&wav_float(&samples, 1, rate));
                let curve = &read.curve;
                assert_eq!(curve.frequency_hz(), grid::frequency_hz(), "{rate}");
                let (db, deg) = deviations(&read, &cascade, rate_hz);
                println!("{rate} Hz, cascade {number}, delay {delay}: {db:.2e} dB, {deg:.2e} deg");
                assert!(
                    db < 0.01 && deg < 0.1,
                    "{rate} {number} {delay}: {db} {deg}"
                );
                assert_eq!(
                    read.flight_time_s,
                    delay as f64 / rate_hz,
                    "{rate} {number}"
                );
                // The level is the one the fit computes with, by another formula.
                for (f_hz, level) in curve.frequency_hz().iter().zip(curve.level_db()) {
                    let db = cascade_level_db(sections, rate_hz, *f_hz);
                    assert!((level - db).abs() < 0.01, "{f_hz}");
                }
                assert_eq!(resample(curve).unwrap().level_db, curve.level_db());
            }
        }
    }
}

fn cascade_level_db(sections: &[Section], rate_hz: f64, f_hz: f64) -> f64 {
    cascade::level_db(sections, rate_hz, f_hz)
}

#[test]
fn every_encoding_gives_the_same_response_as_far_as_its_bits_go() {
    let cascade = recursions(&cascades()[1], 48e3);
    let half: Vec<f64> = played(&cascade, 480, 48_000)
        .iter()
        .map(|x| 0.25 * x)
        .collect();
    let offset_db = 20.0 * 0.25_f64.log10();
    for (bytes, within_db) in [
        (wav_float(&half, 1, 48_000), 1e-4),
        (wav_pcm(&half, 1, 48_000, 32), 1e-5),
        (wav_pcm(&half, 1, 48_000, 24), 1e-2),
        (wav_pcm(&half, 1, 48_000, 16), 0.5),
    ] {
        assert!(is_wav(&bytes));
        let read = read(&bytes);
        for (f_hz, db) in read.curve.frequency_hz().iter().zip(read.curve.level_db()) {
            let deviation = db - offset_db - exact(&cascade, 48e3, *f_hz).0;
            assert!(deviation.abs() < within_db, "{f_hz}: {deviation}");
        }
        assert_eq!((read.rate_hz, read.flight_time_s), (48e3, 0.01));
    }
}

#[test]
fn the_support_follows_from_length_and_rate_and_is_never_exceeded() {
    // 0.1 s: 1/T is 10.67 Hz with half of the last eighth faded, so the grid begins at 20 Hz.
    for (rate, seconds, lowest_hz, highest_hz) in [
        (48_000_u32, 0.1, 20.0, 20_000.0),
        (48_000, 0.02, 1.0 / (0.02 * 15.0 / 16.0), 20_000.0),
        (16_000, 1.0, 20.0, 0.49 * 16e3),
        (192_000, 0.25, 20.0, 20_000.0),
    ] {
        let length = (f64::from(rate) * seconds) as usize;
        let cascade = recursions(
            &[section(Shape::Peaking, 3000.0, 6.0, 1.0)],
            f64::from(rate),
        );
        let read = read(&wav_float(&played(&cascade, 0, length), 1, rate));
        let expected: Vec<f64> = grid::frequency_hz()
            .iter()
            .copied()
            .filter(|f| (lowest_hz..=highest_hz).contains(f))
            .collect();
        assert_eq!(read.curve.frequency_hz(), expected, "{rate} {seconds}");
        let (db, deg) = deviations(&read, &cascade, f64::from(rate));
        assert!(db < 0.01 && deg < 0.1, "{rate}: {db} {deg}");
    }
    let short = refused(&wav_float(&played(&[], 0, 3), 1, 48_000));
    assert_eq!(short.kind, ErrorKind::Coverage);
    let slow = refused(&wav_float(&played(&[], 0, 1000), 1, 60));
    assert_eq!(slow.kind, ErrorKind::Coverage);
}

/// A band-limited impulse that arrives `late` samples after the first: sin(pi x) / (pi x), `cut` times half the rate
/// wide, under a Gaussian.
fn between_samples(late: f64, cut: f64) -> Vec<f64> {
    let sample = |n: i32| {
        let x = f64::from(n) - late;
        let angle = std::f64::consts::PI * cut * x;
        let sinc = if angle == 0.0 {
            1.0
        } else {
            angle.sin() / angle
        };
        cut * sinc * (-(x / 40.0).powi(2)).exp()
    };
    (0..24_000).map(sample).collect()
}

#[test]
fn an_arrival_between_samples_is_found_and_removed() {
    for rate in RATES_HZ {
        let rate_hz = f64::from(rate);
        // To half the rate, and behind an anti-alias filter that ends the response above 20 kHz.
        for (late, cut) in [
            (300.4, 1.0),
            (300.4, 43e3 / rate_hz),
            (301.7, 43e3 / rate_hz),
        ] {
            let read = read(&wav_float(&between_samples(late, cut), 1, rate));
            let error_s = read.flight_time_s - late / rate_hz;
            let within = read
                .excess
                .support
                .clone()
                .filter(|i| grid::frequency_hz()[*i] < 15e3);
            let excess_s = within.fold(0.0, |l, i| f64::max(l, read.excess.group_delay_s[i].abs()));
            println!(
                "{rate} Hz, {late} samples, to {cut:.2}: off by {error_s:.1e} s, excess {excess_s:.1e} s"
            );
            // As documented: a filter's cut-off leaves some microseconds open, nothing else does.
            let open_s = if cut == 1.0 { 1e-6 } else { 10e-6 };
            assert!(error_s.abs() < open_s, "{rate} {late} {cut}: {error_s}");
            assert!(excess_s < 20e-6, "{rate} {late} {cut}: {excess_s}");
        }
    }
}

#[test]
fn a_soft_beginning_does_not_shift_the_flight_time() {
    // Treble so far down that the first samples stay below a tenth of the largest.
    let sections: Vec<Section> = [300.0, 900.0, 3000.0]
        .map(|f0_hz| section(Shape::HighShelf, f0_hz, -30.0, 0.7))
        .to_vec();
    let cascade = recursions(&sections, 48e3);
    let samples = played(&cascade, 500, 48_000);
    let largest = samples.iter().fold(0.0, |l, x| f64::max(l, x.abs()));
    assert!(samples[500] < 0.1 * largest, "{} {largest}", samples[500]);
    let read = read(&wav_float(&samples, 1, 48_000));
    assert_eq!(read.flight_time_s, 500.0 / 48e3);
    let (db, deg) = deviations(&read, &cascade, 48e3);
    assert!(db < 0.01 && deg < 0.1, "{db} {deg}");
}

#[test]
fn what_came_long_before_the_arrival_is_left_out_and_the_tail_is_told() {
    let cascade = recursions(&cascades()[1], 48e3);
    let mut samples = played(&cascade, 9600, 48_000);
    // A tick a tenth of a second early, below a tenth of the arrival.
    samples[4800] = 0.05;
    let noisy = read(&wav_float(&samples, 1, 48_000));
    let (db, deg) = deviations(&noisy, &cascade, 48e3);
    assert!(db < 0.01 && deg < 0.1, "{db} {deg}");
    assert!((noisy.window_s.0 - (0.2 - 0.005)).abs() < 1e-9 && noisy.window_s.1 == 1.0);
    assert!(noisy.tail_db < -120.0, "{}", noisy.tail_db);
    for (n, x) in samples.iter_mut().enumerate() {
        *x += if n % 2 == 0 { 1e-3 } else { -1e-3 };
    }
    let largest = samples.iter().fold(0.0, |l, x| f64::max(l, x.abs()));
    let tail_db = read(&wav_float(&samples, 1, 48_000)).tail_db;
    assert!(
        (tail_db - 20.0 * (1e-3 / largest).log10()).abs() < 0.1,
        "{tail_db}"
    );
}

#[test]
fn of_several_channels_the_only_sounding_one_is_read_or_the_one_asked_for() {
    let cascade = recursions(&cascades()[1], 48e3);
    let mono = played(&cascade, 100, 24_000);
    let alone = read(&wav_float(&mono, 1, 48_000));
    let interleaved = |left: f64, right: f64| -> Vec<f64> {
        mono.iter().flat_map(|x| [left * x, right * x]).collect()
    };
    let right_only = wav_float(&interleaved(0.0, 1.0), 2, 48_000);
    assert_eq!(read(&right_only), alone);
    let both = wav_float(&interleaved(0.5, 1.0), 2, 48_000);
    let error = refused(&both);
    assert_eq!(error.kind, ErrorKind::Setting);
    assert!(error.found().contains("2 channels"), "{error}");
    assert_eq!(read_impulse(&both, "ir.wav", Some(2)).unwrap(), alone);
    let first = read_impulse(&both, "ir.wav", Some(1)).unwrap();
    let step_db = first.curve.level_db()[100] - alone.curve.level_db()[100];
    assert!((step_db - 20.0 * 0.5_f64.log10()).abs() < 1e-4);
    for wrong in [0, 3] {
        let error = read_impulse(&both, "ir.wav", Some(wrong)).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Setting);
    }
    let silent = refused(&wav_float(&interleaved(0.0, 0.0), 2, 48_000));
    assert!(silent.found().contains("silence"));
}

#[test]
fn files_that_hold_no_impulse_response_are_refused_in_words() {
    let float = |samples: &[f64]| wav_float(samples, 1, 48_000);
    let whole = float(&played(&[], 10, 48_000));
    for (bytes, kind, words) in [
        (float(&[]), ErrorKind::Format, "no samples"),
        (float(&[0.0; 48_000]), ErrorKind::Format, "silence"),
        (float(&[0.3; 48_000]), ErrorKind::Format, "the same value"),
        (float(&[f64::NAN; 48_000]), ErrorKind::Number, "sample 1"),
        (
            float(&[0.0, f64::INFINITY, 1.0]),
            ErrorKind::Number,
            "sample 2",
        ),
        (
            whole[..whole.len() - 3].to_vec(),
            ErrorKind::Format,
            "cut short",
        ),
        (whole[..30].to_vec(), ErrorKind::Format, "cut short"),
        (whole[..3].to_vec(), ErrorKind::Format, "cut short"),
        (Vec::new(), ErrorKind::Format, "cut short"),
        (b"20,1\n30,2\n".to_vec(), ErrorKind::Format, "RIFF"),
        (
            b"RF64\xff\xff\xff\xffWAVE".to_vec(),
            ErrorKind::Format,
            "RIFF",
        ),
        (
            wav_pcm(&[0.5; 100], 1, 48_000, 8),
            ErrorKind::Format,
            "8 bits",
        ),
    ] {
        let error = refused(&bytes);
        assert_eq!(error.kind, kind, "{error}");
        assert!(error.found().contains(words), "{words}: {error}");
        assert!(!error.expected().is_empty() && !error.next_step().is_empty());
    }
}

/// A header that promises `data` bytes and `chunk` bytes of something else before.
fn boasting(chunk: u32, data: u32) -> Vec<u8> {
    let mut bytes = wav_float(&[0.0; 8], 1, 48_000);
    let at = bytes.windows(4).position(|w| w == b"data").unwrap();
    bytes[at + 4..at + 8].copy_from_slice(&data.to_le_bytes());
    bytes.splice(12..12, [b"junk".as_slice(), &chunk.to_le_bytes()].concat());
    bytes
}

#[test]
fn sizes_that_a_header_boasts_of_cost_nothing() {
    for (chunk, data) in [(0, u32::MAX), (u32::MAX, 8), (0, u32::MAX - 3), (7, 0)] {
        let error = ends("a boasting header", || refused(&boasting(chunk, data)));
        assert_eq!(error.kind, ErrorKind::Format, "{error}");
    }
}

#[test]
fn long_and_large_files_come_to_an_end() {
    // White noise after a published generator's constants (Numerical Recipes, 3rd ed., 7.1: a 64-bit congruence).
    let mut state = 1_u64;
    let mut byte = || {
        state = state
            .wrapping_mul(3_935_559_000_370_003_845)
            .wrapping_add(2_691_343_689_449_507_681);
        (state >> 56) as u8
    };
    let noise: Vec<u8> = (0..100_000_000).map(|_| byte()).collect();
    let error = ends("100 MB of noise", || refused(&noise));
    assert_eq!(error.kind, ErrorKind::Format);
    // As a WAV file too: 16 MB of it are looked at, but no more than 2 s of the signal.
    let mut samples = noise[..7_000_000]
        .iter()
        .map(|b| f64::from(*b) / 256.0 - 0.5)
        .collect::<Vec<_>>();
    let read = ends("14 MB of samples", || {
        read(&wav_pcm(&samples, 1, 96_000, 16))
    });
    assert!(read.window_s.1 - read.window_s.0 < 2.006);
    assert!(
        read.excess
            .group_delay_s
            .iter()
            .all(|delay| delay.is_finite())
    );
    samples.resize(9_000_000, 0.0);
    let error = refused(&wav_pcm(&samples, 1, 96_000, 16));
    assert!(error.found().contains("more than 16 MB"), "{error}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn no_bytes_are_a_reason_to_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = read_impulse(&bytes, "ir.wav", None);
        let headed = [b"RIFF\x24\0\0\0WAVEfmt \x10\0\0\0".as_slice(), &bytes].concat();
        let _ = read_impulse(&headed, "ir.wav", None);
    }

    #[test]
    fn no_damage_to_a_file_is_a_reason_to_panic(
        damage in prop::collection::vec((0_usize..80, any::<u8>()), 1..6),
        cut in 0_usize..600,
    ) {
        let half: Vec<f64> = played(&[], 3, 256).iter().map(|x| 0.5 * x).collect();
        let mut bytes = wav_pcm(&half, 1, 48_000, 16);
        for (at, byte) in damage {
            bytes[at] = byte;
        }
        bytes.truncate(bytes.len().min(cut + 20));
        let _ = read_impulse(&bytes, "ir.wav", None);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn random_cascades_are_reproduced(
        numbers in prop::collection::vec((0_usize..3, 0.0..1.0_f64, -12.0..12.0_f64, 0.3..5.0_f64), 1..8),
        rate in prop::sample::select(RATES_HZ.to_vec()),
        delay in 0_usize..3000,
    ) {
        let sections: Vec<Section> = numbers
            .into_iter()
            .map(|(shape, octave, gain_db, q)| {
                let q = if Shape::ALL[shape].is_shelf() { q.min(1.0) } else { q };
                section(Shape::ALL[shape], 25.0 * 700_f64.powf(octave), gain_db, q)
            })
            .collect();
        let cascade = recursions(&sections, f64::from(rate));
        let read = read(&wav_float(&played(&cascade, delay, 2 * rate as usize), 1, rate));
        let (db, deg) = deviations(&read, &cascade, f64::from(rate));
        prop_assert!(db < 0.01 && deg < 0.1, "{} {}", db, deg);
        prop_assert_eq!(read.flight_time_s, delay as f64 / f64::from(rate));
    }
}
