//! What the guards promise, kept by filters that really run: 10,000 random cascades at five rates, played by the
//! filters of the `biquad` crate (not by the response formula).

use std::f64::consts::TAU;

use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape};
use bandwright::headroom::guard::true_peak_under_read_db;
use bandwright::headroom::ringing::impulse_response;
use bandwright::headroom::{Guard, Protection, TRUE_PEAK_MARGIN_DB, guarded, headroom};
use bandwright::limits::{Limits, Setting};
use bandwright::units::{amplitude_from_db, db_from_amplitude};
use biquad::{Biquad as _, Coefficients, DirectForm2Transposed, ToHertz as _, Type};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{RngCore as _, SeedableRng as _};
use rayon::prelude::*;
use realfft::RealFftPlanner;

const RATES_HZ: [f64; 5] = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0];
const CASCADES: u64 = 10_000;
/// Nepers by which the slowest section has rung down where a tone counts as settled: 1.5e-8.
const SETTLED_NEPERS: f64 = 18.0;
/// What the filters' arithmetic and what has not settled may add to full scale (1e-5 dB).
const ROUNDING: f64 = 1e-6;

struct Random(Xoshiro256PlusPlus);

impl Random {
    fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.unit()
    }

    fn log_between(&mut self, lo: f64, hi: f64) -> f64 {
        self.between(lo.ln(), hi.ln()).exp()
    }
}

/// 1 to 10 sections as an equaliser has them; one cascade in twenty has twice the gains.
fn random_cascade(random: &mut Random) -> Vec<Section> {
    let count = random.between(1.0, 11.0) as usize;
    let most_db = if random.unit() < 0.05 { 24.0 } else { 12.0 };
    let section = |_| {
        let shape = Shape::ALL[random.between(0.0, 3.0) as usize];
        Section {
            shape,
            f0_hz: random.log_between(20.0, 20_000.0),
            gain_db: random.between(-most_db, most_db),
            q: if shape.is_shelf() {
                random.between(0.4, 1.2)
            } else {
                random.log_between(0.3, 8.0)
            },
        }
    };
    (0..count).map(section).collect()
}

/// Samples in which a section rings down by a neper, from the radius of its outer pole, by the cookbook's denominators.
fn samples_a_neper(section: &Section, rate_hz: f64) -> f64 {
    let a = 10f64.powf(section.gain_db / 40.0);
    let w0 = TAU * section.f0_hz / rate_hz;
    let (sin, cos) = w0.sin_cos();
    let alpha = sin / (2.0 * section.q);
    let root = 2.0 * a.sqrt() * alpha;
    let [a0, a1, a2] = match section.shape {
        Shape::Peaking => [1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a],
        Shape::LowShelf => [
            (a + 1.0) + (a - 1.0) * cos + root,
            -2.0 * ((a - 1.0) + (a + 1.0) * cos),
            (a + 1.0) + (a - 1.0) * cos - root,
        ],
        Shape::HighShelf => [
            (a + 1.0) - (a - 1.0) * cos + root,
            2.0 * ((a - 1.0) - (a + 1.0) * cos),
            (a + 1.0) - (a - 1.0) * cos - root,
        ],
    };
    let (half, product) = (0.5 * (a1 / a0).abs(), a2 / a0);
    let discriminant = half * half - product;
    let radius = if discriminant < 0.0 {
        product.sqrt()
    } else {
        half + discriminant.sqrt()
    };
    -1.0 / radius.ln()
}

/// Filters in a row. What rings longest comes first and keeps the others from subnormal numbers.
#[derive(Clone)]
struct Filters(Vec<DirectForm2Transposed<f64>>);

impl Filters {
    fn new(sections: &[Section], rate_hz: f64) -> Self {
        let mut in_order = sections.to_vec();
        let nepers = |section: &Section| samples_a_neper(section, rate_hz);
        in_order.sort_by(|a, b| nepers(b).total_cmp(&nepers(a)));
        let filter = |section: &Section| {
            let kind = match section.shape {
                Shape::LowShelf => Type::LowShelf(section.gain_db),
                Shape::Peaking => Type::PeakingEQ(section.gain_db),
                Shape::HighShelf => Type::HighShelf(section.gain_db),
            };
            let of = Coefficients::from_params(kind, rate_hz.hz(), section.f0_hz.hz(), section.q);
            DirectForm2Transposed::new(of.unwrap())
        };
        Self(in_order.iter().map(filter).collect())
    }

    fn run(&mut self, x: f64) -> f64 {
        self.0.iter_mut().fold(x, |x, filter| filter.run(x))
    }
}

/// Samples after which the cascade has settled: the slowest section's nepers, and some of all the others', which delay
/// it.
fn settle_samples(sections: &[Section], rate_hz: f64) -> usize {
    let of_each = |section: &Section| samples_a_neper(section, rate_hz);
    let each: Vec<f64> = sections.iter().map(of_each).collect();
    let slowest = each.iter().copied().fold(0.0, f64::max);
    let all: f64 = each.iter().sum();
    (SETTLED_NEPERS * slowest + 2.0 * (all - slowest)) as usize + 64
}

/// The impulse response of the filters, for so many samples.
fn struck(filters: &Filters, samples: usize) -> Vec<f64> {
    let mut run = filters.clone();
    let mut input = 1.0;
    let step = |_| run.run(std::mem::take(&mut input));
    (0..samples).map(step).collect()
}

/// Amplitude of a tone of amplitude 1 at the last sample (two tones in quadrature, so of any phase), the filters played.
fn played(filters: &Filters, cycles: f64, samples: usize) -> f64 {
    let [mut of_cosine, mut of_sine] = [(); 2].map(|()| filters.clone());
    let (mut y, mut z) = (0.0, 0.0);
    for (cos, sin) in turning(cycles).take(samples) {
        (y, z) = (of_cosine.run(cos), of_sine.run(sin));
    }
    f64::hypot(y, z)
}

/// The same by linearity, of the filters' impulse response up to there.
fn convolved(impulse: &[f64], cycles: f64) -> f64 {
    let (mut y, mut z) = (0.0, 0.0);
    for ((cos, sin), h) in turning(cycles).zip(impulse.iter().rev()) {
        y += h * cos;
        z += h * sin;
    }
    f64::hypot(y, z)
}

/// Cosine and sine of a tone of so many cycles a sample.
fn turning(cycles: f64) -> impl Iterator<Item = (f64, f64)> {
    let (turn_sin, turn_cos) = (TAU * cycles).sin_cos();
    std::iter::successors(Some((1.0, 0.0)), move |(cos, sin): &(f64, f64)| {
        Some((
            cos * turn_cos - sin * turn_sin,
            cos * turn_sin + sin * turn_cos,
        ))
    })
}

/// What a cascade was seen to do at a rate, in dB above full scale.
#[derive(Clone, Copy)]
struct Seen {
    /// The settled tone at the peak found, with the unrounded preamp of the guard `sine`.
    tone_db: f64,
    /// The loudest of the settled tones of a transform's bins, with that preamp.
    any_tone_db: f64,
    /// The worst-case signal, with the unrounded preamp of the guard `any-signal`.
    worst_signal_db: f64,
    /// Where it ends; 0 where a cut needs no preamp.
    least_signal_db: f64,
    /// Samples until settled.
    samples: usize,
}

impl Seen {
    fn and(self, other: Self) -> Self {
        Self {
            tone_db: self.tone_db.max(other.tone_db),
            any_tone_db: self.any_tone_db.max(other.any_tone_db),
            worst_signal_db: self.worst_signal_db.max(other.worst_signal_db),
            least_signal_db: self.least_signal_db.min(other.least_signal_db),
            samples: self.samples.max(other.samples),
        }
    }
}

/// A preamp without steps, so that its rounding hides nothing.
fn unrounded_db(gain_db: f64) -> f64 {
    0f64.min(-gain_db)
}

fn watch(
    sections: &[Section],
    rate_hz: f64,
    random: &mut Random,
    planner: &mut RealFftPlanner<f64>,
) -> Seen {
    let case = || format!("{sections:?} at {rate_hz} Hz");
    let range = Setting::Range {
        min: -240.0,
        max: 0.0,
    };
    let sine = headroom(sections, &[rate_hz], &range).unwrap();
    let filters = Filters::new(sections, rate_hz);
    let samples = settle_samples(sections, rate_hz);

    // Guard `sine`: the tone at the peak, and the tones of all bins.
    let unrounded = amplitude_from_db(unrounded_db(sine.peak_gain_db));
    let mut impulse = struck(&filters, samples);
    let amplitude = convolved(&impulse, sine.peak_hz / rate_hz);
    let tone = amplitude * unrounded;
    assert!(tone <= 1.0 + ROUNDING, "{tone} by {}", case());
    assert!(
        amplitude * amplitude_from_db(sine.preamp_db) <= 1.0 + ROUNDING,
        "{}",
        case()
    );
    // As little as needed: the tone reaches full scale, but where nothing is boosted.
    let reached = unrounded_db(sine.peak_gain_db) == 0.0 || tone >= 1.0 - ROUNDING;
    assert!(reached, "{tone} by {}", case());

    let sum: f64 = impulse.iter().map(|h| h.abs()).sum();
    let last: f64 = impulse[samples - samples / 8..]
        .iter()
        .map(|h| h.abs())
        .sum();
    assert!(
        last <= 1e-5 * sum,
        "not settled: {last} of {sum} by {}",
        case()
    );

    // Guard `any-signal`: the worst-case signal, long enough for 1e-4 of the sum (0.001 dB).
    let unrounded_any = amplitude_from_db(unrounded_db(sine.any_signal_gain_db));
    let mut tail = 0.0;
    let cut = impulse.iter().rposition(|h| {
        tail += h.abs();
        tail > 1e-4 * sum
    });
    let worst = &impulse[..=cut.unwrap()];
    let mut run = filters.clone();
    let (mut loudest, mut end) = (0f64, 0.0);
    for h in worst.iter().rev() {
        end = run.run(if *h < 0.0 { -1.0 } else { 1.0 });
        loudest = loudest.max(end.abs());
    }
    let worst_signal = loudest * unrounded_any;
    assert!(
        worst_signal <= 1.0 + ROUNDING,
        "{worst_signal} by {}",
        case()
    );
    let least_signal_db = if unrounded_any < 1.0 {
        db_from_amplitude(end * unrounded_any)
    } else {
        0.0
    };
    assert!(
        least_signal_db >= -0.01,
        "{least_signal_db} dB by {}",
        case()
    );
    // Other signals that stay at full scale: noise, and the square wave at the peak.
    let mut run = [filters.clone(), filters.clone()];
    for n in 0..4096 {
        let noise = (random.0.next_u64() & 2) as f64 - 1.0;
        let tone = (TAU * (sine.peak_hz / rate_hz * f64::from(n)).fract()).cos();
        for (run, x) in run.iter_mut().zip([noise, 1f64.copysign(tone)]) {
            let y = run.run(x) * unrounded_any;
            assert!(y.abs() <= 1.0 + ROUNDING, "{y} by {}", case());
        }
    }

    // By linearity the transform of the filters' response is the settled amplitude of every bin's tone.
    impulse.resize(samples.next_power_of_two(), 0.0);
    let transform = planner.plan_fft_forward(impulse.len());
    let mut bins = transform.make_output_vec();
    transform.process(&mut impulse, &mut bins).unwrap();
    let loudest = bins.iter().map(|bin| bin.norm_sqr()).fold(0.0, f64::max);
    let any_tone = loudest.sqrt() * unrounded;
    assert!(any_tone <= 1.0 + ROUNDING, "{any_tone} by {}", case());

    Seen {
        tone_db: db_from_amplitude(tone),
        any_tone_db: db_from_amplitude(any_tone),
        worst_signal_db: db_from_amplitude(worst_signal),
        least_signal_db,
        samples,
    }
}

/// Watches the cascades of these seeds at all rates.
fn watch_all(seeds: std::ops::Range<u64>) -> Seen {
    seeds
        .into_par_iter()
        .panic_fuse()
        .map_init(RealFftPlanner::new, |planner, seed| {
            let mut random = Random(Xoshiro256PlusPlus::seed_from_u64(seed));
            let sections = random_cascade(&mut random);
            let seen = RATES_HZ.map(|rate_hz| watch(&sections, rate_hz, &mut random, planner));
            seen.into_iter().reduce(Seen::and).unwrap()
        })
        .reduce_with(Seen::and)
        .unwrap()
}

#[test]
fn ten_thousand_random_cascades_at_five_rates_keep_what_both_guards_say() {
    let start = std::time::Instant::now();
    let seen = watch_all(0..CASCADES);
    println!(
        "{CASCADES} cascades, {} rates, {:.1?}: loudest settled tone at the peak {:.1e} dB, of all bins {:.1e} dB; \
         worst-case signals end at {:.4} dB or more, at most at {:.1e} dB; settled after {} samples at most",
        RATES_HZ.len(),
        start.elapsed(),
        seen.tone_db,
        seen.any_tone_db,
        seen.least_signal_db,
        seen.worst_signal_db,
        seen.samples
    );
}

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

/// So that amplitudes may be taken from impulse responses, as everything else here is.
#[test]
fn a_tone_played_by_the_filters_settles_where_their_impulse_response_says() {
    (0..CASCADES / 10).into_par_iter().for_each(|seed| {
        let mut random = Random(Xoshiro256PlusPlus::seed_from_u64(seed));
        let sections = random_cascade(&mut random);
        for rate_hz in RATES_HZ {
            let filters = Filters::new(&sections, rate_hz);
            let samples = settle_samples(&sections, rate_hz);
            let cycles = random.log_between(20.0, 20_000.0) / rate_hz;
            let tone = played(&filters, cycles, samples);
            let said = convolved(&struck(&filters, samples), cycles);
            assert!(
                (tone - said).abs() <= 0.1 * ROUNDING * said,
                "{tone}, not {said}, by {sections:?} at {rate_hz} Hz"
            );
        }
    });
}

#[test]
fn sections_that_ring_for_seconds_keep_it_as_well() {
    let mut random = Random(Xoshiro256PlusPlus::seed_from_u64(CASCADES));
    let mut planner = RealFftPlanner::new();
    let narrow = section(Shape::Peaking, 20.0, 12.0, 24.0);
    for sections in [
        vec![narrow],
        vec![narrow, section(Shape::Peaking, 21.0, 6.0, 20.0)],
        vec![narrow, section(Shape::LowShelf, 20.0, -12.0, 1.2)],
    ] {
        let seen = watch(&sections, 192_000.0, &mut random, &mut planner);
        assert!(seen.samples > 1_000_000, "{}", seen.samples);
    }
}

/// A preamp that can be set to whole hundredths of a dB.
fn continuous() -> Setting {
    Setting::Range {
        min: -60.0,
        max: 0.0,
    }
}

#[test]
fn each_guard_makes_room_for_its_own_gain_and_the_margin_comes_on_top() {
    let sections = [
        section(Shape::Peaking, 900.0, 5.3, 1.7),
        section(Shape::LowShelf, 120.0, -4.0, 0.7),
        section(Shape::HighShelf, 7000.0, 2.5, 0.6),
    ];
    let rates_hz = Limits::standard().rates_hz;
    let plain = headroom(&sections, &rates_hz, &continuous()).unwrap();
    assert!(plain.any_signal_gain_db > plain.peak_gain_db + 0.5);
    for guard in Guard::ALL {
        for margin_db in [0.0, 0.3, TRUE_PEAK_MARGIN_DB, 20.0] {
            let found = guarded(
                &sections,
                &rates_hz,
                &continuous(),
                Protection {
                    guard,
                    true_peak_margin_db: margin_db,
                },
            )
            .unwrap();
            let room_db = found.preamp_db + guard.gain_db(&plain) + margin_db;
            assert!(
                room_db <= 1e-9 && room_db > -0.01 - 1e-9,
                "{guard:?} {margin_db}: {found:?}"
            );
            assert_eq!(found.peak_gain_db, plain.peak_gain_db);
            assert_eq!(found.any_signal_gain_db, plain.any_signal_gain_db);
        }
    }
    let sine = guarded(
        &sections,
        &rates_hz,
        &continuous(),
        Protection {
            guard: Guard::Sine,
            true_peak_margin_db: 0.0,
        },
    )
    .unwrap();
    assert_eq!(sine, plain);
    // The margin counts without any section, too, and never makes a preamp positive.
    let none = guarded(
        &[],
        &rates_hz,
        &continuous(),
        Protection {
            guard: Guard::AnySignal,
            true_peak_margin_db: 1.0,
        },
    )
    .unwrap();
    assert_eq!(none.preamp_db, -1.0);
    let cut = [
        section(Shape::Peaking, 900.0, -6.0, 1.0),
        section(Shape::LowShelf, 900.0, -6.0, 0.5),
    ];
    let cut = [cut[0], cut[1], section(Shape::HighShelf, 900.0, -6.0, 0.5)];
    let cut = guarded(
        &cut,
        &rates_hz,
        &continuous(),
        Protection {
            guard: Guard::Sine,
            true_peak_margin_db: 1.0,
        },
    )
    .unwrap();
    assert!(cut.peak_gain_db < -1.0, "{cut:?}");
    assert_eq!(cut.preamp_db, 0.0);
}

#[test]
fn a_margin_that_is_none_is_an_error() {
    for margin_db in [-0.1, 20.1, f64::NAN, f64::INFINITY] {
        let error = guarded(
            &[],
            &[48_000.0],
            &continuous(),
            Protection {
                guard: Guard::Sine,
                true_peak_margin_db: margin_db,
            },
        )
        .unwrap_err();
        assert_eq!(error.kind, ErrorKind::Setting, "{margin_db}");
    }
    let short = Setting::Range {
        min: -3.0,
        max: 0.0,
    };
    let sections = [section(Shape::Peaking, 900.0, 2.5, 1.0)];
    assert!(
        guarded(
            &sections,
            &[48_000.0],
            &short,
            Protection {
                guard: Guard::Sine,
                true_peak_margin_db: 0.5
            }
        )
        .is_ok()
    );
    let error = guarded(
        &sections,
        &[48_000.0],
        &short,
        Protection {
            guard: Guard::Sine,
            true_peak_margin_db: 0.6,
        },
    )
    .unwrap_err();
    assert_eq!(error.kind, ErrorKind::Refused);
}

#[test]
fn a_full_scale_tone_sampled_on_its_flanks_shows_what_neither_guard_covers() {
    // A quarter of the rate, 45 degrees: every sample is at full scale, the tone between them 3 dB above.
    let samples: Vec<f64> = (0..4096)
        .map(|n| std::f64::consts::SQRT_2 * (TAU * (0.25 * f64::from(n) + 0.125)).cos())
        .collect();
    assert!(samples.iter().all(|x| (x.abs() - 1.0).abs() < 1e-9));
    let flat = guarded(
        &[],
        &[48_000.0],
        &continuous(),
        Protection {
            guard: Guard::AnySignal,
            true_peak_margin_db: 0.0,
        },
    )
    .unwrap();
    assert_eq!(flat.preamp_db, 0.0);
    // Band-limited interpolation midway between samples 2001 and 2002.
    let between: f64 = (1000..3000)
        .map(|n| {
            let distance = std::f64::consts::PI * (2001.5 - f64::from(n));
            samples[n as usize] * distance.sin() / distance
        })
        .sum();
    let above_db = db_from_amplitude(between.abs());
    assert!((above_db - 3.01).abs() < 0.02, "{above_db}");
}

#[test]
fn a_true_peak_meter_reads_too_little_by_what_bs_1770_says() {
    // Two of the entries of the table in ITU-R BS.1770 Annex 2, from memory.
    assert!((true_peak_under_read_db(4.0, 0.45) - 0.554).abs() < 5e-4);
    assert!((true_peak_under_read_db(8.0, 0.45) - 0.136).abs() < 5e-4);
    assert_eq!(true_peak_under_read_db(4.0, 0.0), 0.0);
}

#[test]
fn an_impulse_response_is_as_short_as_its_bound_allows_and_the_bound_holds() {
    let mut random = Random(Xoshiro256PlusPlus::seed_from_u64(1));
    for _ in 0..200 {
        let sections = random_cascade(&mut random);
        for rate_hz in [44_100.0, 192_000.0] {
            for accuracy in [1e-3, 1e-7] {
                let cut = impulse_response(&sections, rate_hz, accuracy)
                    .unwrap()
                    .unwrap();
                let kept = cut.samples.len();
                let mut run = Filters::new(&sections, rate_hz);
                let whole: Vec<f64> = (0..kept + settle_samples(&sections, rate_hz))
                    .map(|n| run.run(f64::from(u8::from(n == 0))))
                    .collect();
                let magnitude = |part: &[f64]| part.iter().map(|h| h.abs()).sum::<f64>();
                assert!(cut.samples == whole[..kept], "{sections:?}");
                let rest = magnitude(&whole[kept..]);
                let what = || format!("{rest} {cut:?}", cut = (kept, cut.sum, cut.rest));
                assert!(rest <= cut.rest * (1.0 + 1e-9), "{}", what());
                assert!(cut.rest <= accuracy * cut.sum, "{}", what());
                assert!((cut.sum - magnitude(&cut.samples)).abs() <= 1e-9 * cut.sum);
                // The bound adds at most a hundredth: one sample fewer, or a few, would cut off too much.
                let fewer = kept - kept.min(1 + kept / 10);
                let shorter =
                    magnitude(&whole[fewer..]) > 0.9 * accuracy * magnitude(&whole[..fewer]);
                assert!(shorter || kept == 1, "{}", what());
            }
        }
    }
    let alone = impulse_response(&[], 48_000.0, 1e-7).unwrap().unwrap();
    assert_eq!(
        (alone.samples, alone.sum, alone.rest),
        (vec![1.0], 1.0, 0.0)
    );
}

#[test]
fn what_rings_beyond_the_budget_has_no_impulse_response() {
    let endless = [section(Shape::Peaking, 10.0, 24.0, 800.0)];
    assert_eq!(impulse_response(&endless, 768_000.0, 1e-7), Ok(None));
}

#[test]
fn a_fit_keeps_the_guard_and_the_margin_that_were_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let unit = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/demo-data/dunlin/dunlin.unit.toml"
    );
    let preamp_db = |name: &str, more: &[&str]| {
        let path = folder.path().join(name);
        let run = assert_cmd::Command::cargo_bin("bandwright")
            .unwrap()
            .args([
                "fit",
                unit,
                "--target",
                "diffuse-field-mean",
                "--quiet",
                "-o",
            ])
            .arg(&path)
            .args(more)
            .output()
            .unwrap();
        assert!(run.status.success(), "{run:?}");
        let sheet = bandwright::sheet::read(&std::fs::read(&path).unwrap(), name).unwrap();
        let check = bandwright::verify::check_sheet(&sheet, None);
        assert!(check.passes(), "{check:?}");
        let level = sheet.level;
        let guarded_db = match level.guard {
            Guard::Sine => level.peak_gain_db,
            Guard::AnySignal => level.any_signal_gain_db,
        };
        // As little as the step of 0.1 dB allows, the gain being rounded up to 0.0001 dB.
        let needed_db = (guarded_db + level.true_peak_margin_db).max(0.0);
        let spare_db = -level.preamp_db - needed_db;
        assert!((-1.1e-4..0.1).contains(&spare_db), "{level:?}");
        (level.preamp_db, level.guard, level.true_peak_margin_db)
    };
    let plain = preamp_db("plain.sheet.toml", &[]);
    let margin = preamp_db("margin.sheet.toml", &["--true-peak-margin", "1"]);
    let any = preamp_db("any.sheet.toml", &["--guard", "any-signal"]);
    let both = preamp_db(
        "both.sheet.toml",
        &[
            "--guard",
            "any-signal",
            "--true-peak-margin",
            "1.5",
            "--per-side",
        ],
    );
    assert_eq!((plain.1, plain.2), (Guard::Sine, 0.0));
    assert_eq!((margin.1, margin.2), (Guard::Sine, 1.0));
    assert_eq!((any.1, any.2), (Guard::AnySignal, 0.0));
    assert_eq!((both.1, both.2), (Guard::AnySignal, 1.5));
    assert!((plain.0 - margin.0 - 1.0).abs() < 0.11);
    assert!(any.0 < plain.0 - 1.0);
    for wrong in ["-0.5", "21", "NaN"] {
        assert_cmd::Command::cargo_bin("bandwright")
            .unwrap()
            .args(["fit", unit, "--bass", "3", "--true-peak-margin", wrong])
            .assert()
            .code(2);
    }
}
