//! Minimum phase and excess: none in a cascade of sections, an all-pass's own where one was planted; from WAV impulse
//! responses and from text with a phase column.

use crate::support::impulses;

use bandwright::filter::{Section, Shape};
use bandwright::measurement::Curve;
use bandwright::measurement::grid;
use bandwright::measurement::impulse::read_impulse;
use bandwright::measurement::parse::parse_curve;
use bandwright::measurement::phase::{self, Excess, LEAST_S, PERIODS, constant_delay_s};
use impulses::{
    Recursion, all_pass, all_pass_delay_s, exact, played, recursions, section, wav_float,
};
use proptest::prelude::*;

const RATES_HZ: [u32; 3] = [44_100, 48_000, 96_000];

/// Where excess group delays are compared.
const BAND_HZ: (f64, f64) = (100.0, 15_000.0);

fn sections() -> Vec<Section> {
    use Shape::{HighShelf, LowShelf, Peaking};
    vec![
        section(LowShelf, 90.0, 6.0, 0.6),
        section(Peaking, 180.0, -5.0, 1.0),
        section(Peaking, 2800.0, 11.0, 1.5),
        section(Peaking, 8200.0, 9.0, 5.0),
        section(Peaking, 12_500.0, -14.0, 4.0),
        section(HighShelf, 9000.0, -9.0, 0.7),
    ]
}

fn from_wav(cascade: &[Recursion], delay: usize, rate: u32) -> Excess {
    let samples = played(cascade, delay, rate as usize);
    read_impulse(&wav_float(&samples, 1, rate), "ir.wav", None)
        .unwrap()
        .excess
}

/// The excess at the grid points of a band.
fn within(excess: &Excess, (from_hz, to_hz): (f64, f64)) -> Vec<(f64, f64)> {
    let grid = grid::frequency_hz()
        .iter()
        .copied()
        .zip(excess.group_delay_s.iter().copied());
    let known = grid.enumerate().filter(|(i, _)| excess.support.contains(i));
    let points: Vec<(f64, f64)> = known
        .map(|(_, point)| point)
        .filter(|(f, _)| (from_hz..=to_hz).contains(f))
        .collect();
    assert!(points.len() > 200 || to_hz / from_hz < 20.0);
    points
}

fn largest(points: &[(f64, f64)]) -> f64 {
    points
        .iter()
        .fold(0.0, |l, (_, delay)| f64::max(l, delay.abs()))
}

// From WAV impulse responses.

#[test]
fn a_cascade_of_sections_has_no_excess() {
    for rate in RATES_HZ {
        for delay in [0, 3, 700] {
            let excess = from_wav(&recursions(&sections(), f64::from(rate)), delay, rate);
            let worst_s = largest(&within(&excess, BAND_HZ));
            println!("{rate} Hz, delay {delay}: excess {worst_s:.2e} s");
            assert!(worst_s < 20e-6, "{rate} {delay}: {worst_s}");
            assert_eq!(excess.delay_s, delay as f64 / f64::from(rate));
            assert!(excess.beyond_eq().is_empty());
        }
    }
}

#[test]
fn the_minimum_phase_is_the_phase_of_the_cascade() {
    for rate in RATES_HZ {
        let cascade = recursions(&sections(), f64::from(rate));
        let mut with_all_pass = cascade.clone();
        with_all_pass.push(all_pass(1000.0, 2.0, f64::from(rate)));
        let excess = from_wav(&with_all_pass, 50, rate);
        for i in excess.support.clone() {
            let f_hz = grid::frequency_hz()[i];
            let error = excess.minimum_phase_deg[i] - exact(&cascade, f64::from(rate), f_hz).1;
            assert!(error.abs() < 0.1, "{rate} {f_hz}: {error}");
        }
    }
}

#[test]
fn a_planted_all_pass_is_its_own_group_delay() {
    for rate in RATES_HZ {
        let rate_hz = f64::from(rate);
        for (f0_hz, q) in [
            (1000.0, 1.0),
            (1000.0, 2.0),
            (1000.0, 3.0),
            (250.0, 2.0),
            (5000.0, 3.0),
        ] {
            let mut cascade = recursions(&sections(), rate_hz);
            cascade.insert(2, all_pass(f0_hz, q, rate_hz));
            let excess = from_wav(&cascade, 480, rate);
            let worst = within(&excess, BAND_HZ)
                .iter()
                .fold(0.0, |worst, (f_hz, delay_s)| {
                    let own_s = all_pass_delay_s(f0_hz, q, rate_hz, *f_hz);
                    f64::max(worst, (delay_s / own_s - 1.0).abs())
                });
            println!(
                "{rate} Hz, all-pass at {f0_hz} Hz, q {q}: {:.1e} of its own",
                worst
            );
            assert!(worst < 0.05, "{rate} {f0_hz} {q}: {worst}");
        }
    }
}

#[test]
fn the_band_that_an_eq_cannot_reach_is_named_with_its_delay() {
    let rate_hz = 48e3;
    let cascade = |all_passes: &[(f64, f64)]| {
        let mut cascade = recursions(&sections(), rate_hz);
        cascade.extend(
            all_passes
                .iter()
                .map(|(f0_hz, q)| all_pass(*f0_hz, *q, rate_hz)),
        );
        from_wav(&cascade, 200, 48_000).beyond_eq()
    };
    let two = cascade(&[(300.0, 3.0), (2000.0, 2.0)]);
    assert_eq!(two.len(), 2, "{two:?}");
    for (band, (f0_hz, q)) in two.iter().zip([(300.0, 3.0), (2000.0, 2.0)]) {
        assert!(band.from_hz < f0_hz && f0_hz < band.to_hz, "{band:?}");
        assert!((band.at_hz / f0_hz).log2().abs() < 0.1, "{band:?}");
        let own_s = all_pass_delay_s(f0_hz, q, rate_hz, band.at_hz);
        assert!(
            (band.excess_s / own_s - 1.0).abs() < 0.05,
            "{band:?} {own_s}"
        );
        // Its edges are where the stated threshold is crossed.
        for edge_hz in [band.from_hz, band.to_hz] {
            let both_s: f64 = [(300.0, 3.0), (2000.0, 2.0)]
                .map(|(f0_hz, q)| all_pass_delay_s(f0_hz, q, rate_hz, edge_hz))
                .iter()
                .sum();
            let periods = both_s * edge_hz;
            assert!(
                (PERIODS..PERIODS * 1.4).contains(&periods),
                "{edge_hz}: {periods}"
            );
        }
    }
    // A flat all-pass delays by less than half a period anywhere: 2 q / pi of one at its centre.
    assert!(cascade(&[(500.0, 0.5)]).is_empty());
}

#[test]
fn two_arrivals_that_cancel_are_beyond_eq_and_a_weaker_second_one_is_not() {
    // A second arrival 1 ms later: dips at 500, 1500, ... Hz; not minimum phase when it is the stronger one.
    let arrivals = |first: f64, second: f64| {
        let mut samples = vec![0.0; 48_000];
        (samples[100], samples[148]) = (first, second);
        let bytes = wav_float(&samples, 1, 48_000);
        read_impulse(&bytes, "ir.wav", None).unwrap().excess
    };
    let weak = arrivals(1.0, 0.8);
    assert!(largest(&within(&weak, BAND_HZ)) < 20e-6);
    assert!(weak.beyond_eq().is_empty());
    let bands = arrivals(0.8, 1.0).beyond_eq();
    assert!(
        bands
            .iter()
            .any(|band| band.from_hz < 500.0 && 500.0 < band.to_hz),
        "{bands:?}"
    );
}

#[test]
fn a_blocked_direct_current_and_noise_80_db_down_do_not_feign_an_excess() {
    let rate_hz = 48e3;
    let mut cascade = recursions(&sections(), rate_hz);
    cascade.push(high_pass(8.0, 0.7, rate_hz));
    let clean = read_excess(&played(&cascade, 480, 24_000));
    let worst_s = largest(&within(&clean, BAND_HZ));
    println!("blocked direct current: excess {worst_s:.1e} s");
    assert!(worst_s < 20e-6, "{worst_s}");

    let mut state = 7_u64;
    let mut noise = || {
        state = state
            .wrapping_mul(3_935_559_000_370_003_845)
            .wrapping_add(2_691_343_689_449_507_681);
        (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
    };
    let mut samples = played(&cascade, 480, 24_000);
    let peak = samples.iter().fold(0.0, |l, x| f64::max(l, x.abs()));
    for x in &mut samples {
        *x += peak * 1e-4 * noise() * 12_f64.sqrt();
    }
    let noisy = read_excess(&samples);
    let worst_s = largest(&within(&noisy, (1000.0, 15_000.0)));
    println!(
        "noise 80 dB down: excess {worst_s:.1e} s above 1 kHz, bands {:?}",
        noisy.beyond_eq()
    );
    assert!((noisy.delay_s - 0.01).abs() < 1e-6, "{}", noisy.delay_s);
    assert!(noisy.beyond_eq().is_empty(), "{:?}", noisy.beyond_eq());
}

fn read_excess(samples: &[f64]) -> Excess {
    read_impulse(&wav_float(samples, 1, 48_000), "ir.wav", None)
        .unwrap()
        .excess
}

/// The cookbook's high-pass (Audio EQ Cookbook, W3C Group Note, 2021).
fn high_pass(f0_hz: f64, q: f64, rate_hz: f64) -> Recursion {
    let w0 = std::f64::consts::TAU * f0_hz / rate_hz;
    let alpha = w0.sin() / (2.0 * q);
    let a0 = 1.0 + alpha;
    let b1 = -(1.0 + w0.cos()) / a0;
    Recursion {
        b0: -0.5 * b1,
        b1,
        b2: -0.5 * b1,
        a1: -2.0 * w0.cos() / a0,
        a2: (1.0 - alpha) / a0,
    }
}

// From text.

/// Level and wrapped phase of a cascade as printed, after a delay and with a polarity, at given frequencies.
fn text(cascade: &[Recursion], rate_hz: f64, f_hz: &[f64], delay_s: f64, sign: f64) -> String {
    let mut text = String::from("Frequency (Hz),Level (dB),Phase (deg)\n");
    for f in f_hz {
        let (db, deg) = exact(cascade, rate_hz, *f);
        let deg = deg - 360.0 * f * delay_s + if sign < 0.0 { 180.0 } else { 0.0 };
        let wrapped = deg - 360.0 * (deg / 360.0).round();
        text += &format!("{f:.3},{db:.4},{wrapped:.3}\n");
    }
    text
}

fn of_text(text: &str) -> Excess {
    phase::of_curve(&parse_curve(text.as_bytes(), "take.csv").unwrap()).unwrap()
}

fn spacings() -> [(&'static str, Vec<f64>); 3] {
    let octaves = |per: f64| (0..).map(move |i| 20.0 * (f64::from(i) / per).exp2());
    [
        (
            "48 an octave",
            octaves(48.0).take_while(|f| *f < 20_000.0).collect(),
        ),
        (
            "96 an octave",
            octaves(96.0).take_while(|f| *f < 20_000.0).collect(),
        ),
        (
            "2.93 Hz apart",
            (7..6826).map(|i| f64::from(i) * 2.929_687_5).collect(),
        ),
    ]
}

#[test]
fn a_text_curve_after_an_unknown_delay_has_no_excess_beyond_what_its_ends_leave_open() {
    // As if sampled so fast that no bilinear transform bends the phase.
    let rate_hz = 768e3;
    let cascade = recursions(&sections()[..5], rate_hz);
    for (name, f_hz) in spacings() {
        for (delay_s, sign) in [(0.0, 1.0), (0.003_21, -1.0), (-0.000_4, 1.0), (0.085, 1.0)] {
            let excess = of_text(&text(&cascade, rate_hz, &f_hz, delay_s, sign));
            let error_s = excess.delay_s - delay_s;
            let worst_s = largest(&within(&excess, (100.0, 10_000.0)));
            println!("{name}, {delay_s} s: delay off by {error_s:.1e} s, excess {worst_s:.1e} s");
            assert!(error_s.abs() < 10e-6, "{name} {delay_s}: {error_s}");
            assert!(worst_s < 20e-6, "{name} {delay_s}: {worst_s}");
            assert!(
                excess.beyond_eq().is_empty(),
                "{name} {delay_s}: {:?}",
                excess.beyond_eq()
            );
        }
    }
}

#[test]
fn an_all_pass_shows_in_a_text_curve_too() {
    let rate_hz = 768e3;
    for (name, f_hz) in spacings() {
        for q in [1.0, 2.0, 3.0] {
            let mut cascade = recursions(&sections()[..5], rate_hz);
            cascade.push(all_pass(1000.0, q, rate_hz));
            let excess = of_text(&text(&cascade, rate_hz, &f_hz, 0.0042, 1.0));
            let peak_s = all_pass_delay_s(1000.0, q, rate_hz, 1000.0);
            let worst =
                within(&excess, (100.0, 10_000.0))
                    .iter()
                    .fold(0.0, |worst, (f, delay_s)| {
                        let own_s = all_pass_delay_s(1000.0, q, rate_hz, *f);
                        f64::max(worst, (delay_s - own_s).abs() / peak_s)
                    });
            println!("{name}, q {q}: off by {:.1} % of the peak", 100.0 * worst);
            assert!(worst < 0.05, "{name} {q}: {worst}");
            if q > 1.0 {
                let bands = excess.beyond_eq();
                assert!(bands.len() == 1 && bands[0].from_hz < 1000.0 && bands[0].to_hz > 1000.0);
            }
        }
    }
}

#[test]
fn a_curve_without_phase_has_no_excess() {
    let curve = parse_curve(b"20,1\n200,2\n20000,3\n", "take.csv").unwrap();
    assert_eq!(phase::of_curve(&curve), None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn the_constant_part_of_a_delay_is_found_under_an_outlier(
        constant_s in -1e-3..1e-1_f64,
        fading_s in -1e-4..1e-4_f64,
        outlier_hz in 2500.0..6000.0_f64,
        outlier_s in -2e-3..2e-3_f64,
    ) {
        let f_hz: Vec<f64> = grid::frequency_hz().to_vec();
        let delay_s: Vec<f64> = f_hz
            .iter()
            .map(|f| {
                let outlier = if (f / outlier_hz).log2().abs() < 0.1 { outlier_s } else { 0.0 };
                constant_s + fading_s * (2000.0 / f).powi(2) + outlier
            })
            .collect();
        let found_s = constant_delay_s(&f_hz, &delay_s);
        prop_assert!((found_s - constant_s).abs() < 1e-7, "{} {}", found_s, constant_s);
    }

    #[test]
    fn any_curve_with_any_phase_is_answered(
        points in prop::collection::vec((0.001..3.0_f64, -1000.0..1000.0_f64, -1e12..1e12_f64), 3..80),
    ) {
        let mut f_hz = 1.0;
        let frequencies: Vec<f64> = points.iter().map(|(ratio, _, _)| { f_hz *= 1.0 + ratio; f_hz }).collect();
        let curve = Curve::new(
            "take",
            frequencies,
            points.iter().map(|(_, db, _)| *db).collect(),
            Some(points.iter().map(|(_, _, deg)| *deg).collect()),
        );
        let excess = curve.ok().and_then(|curve| phase::of_curve(&curve));
        for delay_s in excess.iter().flat_map(|excess| &excess.group_delay_s) {
            prop_assert!(delay_s.is_finite());
        }
        for band in excess.iter().flat_map(Excess::beyond_eq) {
            prop_assert!(band.from_hz <= band.at_hz && band.at_hz <= band.to_hz);
            prop_assert!(band.excess_s.abs() > LEAST_S);
        }
    }
}
