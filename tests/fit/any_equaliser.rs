//! Whatever the equaliser: slots, gain by frequency, other meanings of q, graphic ones. Every fitted value is one that
//! it has, to the last decimal, and its preamp suffices at every rate.

use crate::support::fits::{self, FitRequest};
use assert_cmd::Command;
use bandwright::caution::Caution;
use bandwright::error::{Error, ErrorKind};
use bandwright::filter::{QMeaning, Section, Shape, cascade};
use bandwright::fit::Stop;
use bandwright::fit::objective::{self, Objective, Placed, Workspace};
use bandwright::fit::random::Random;
use bandwright::fit::solver::{Stopping, minimise};
use bandwright::fit::{Effort, Freedom};
use bandwright::fit::{Task, Wanted, fit, space, space::boxes};
use bandwright::job::{Outcome, Start};
use bandwright::limits::rules::{GainLimit, Rules, Slot};
use bandwright::limits::{Limits, Setting, ShapeCounts, library};
use bandwright::measurement::Curve;
use bandwright::measurement::grid;
use bandwright::measurement::judge::Settings;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take};
use bandwright::sheet::{self, Sheet};
use bandwright::wanted;
use rayon::prelude::*;

fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * random.unit()
}

fn log_between(random: &mut Random, low: f64, high: f64) -> f64 {
    low * (high / low).powf(random.unit())
}

fn pick<T: Clone>(random: &mut Random, values: &[T]) -> T {
    values[random.below(values.len())].clone()
}

fn linear(min: f64, max: f64, step: f64) -> Setting {
    Setting::Linear { min, max, step }
}

const OCTAVES_HZ: [f64; 10] = [
    31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0,
];

fn setting(r: &mut Random, min: f64, max: f64, step: f64, log: bool) -> Setting {
    match r.below(if log { 4 } else { 3 }) {
        0 => Setting::Range { min, max },
        1 => linear(min, max, step),
        2 => {
            let value = |r: &mut Random| match log {
                true => log_between(r, min, max),
                false => between(r, min, max),
            };
            let mut values: Vec<f64> = (0..4 + r.below(9))
                .map(|_| (value(r) * 100.0).round() / 100.0)
                .collect();
            values.sort_by(f64::total_cmp);
            values.dedup();
            Setting::Allowed(values)
        }
        _ => Setting::Octaves {
            min,
            max,
            step_octaves: pick(r, &[1.0 / 24.0, 1.0 / 12.0, 0.25]),
        },
    }
}

/// Limits of every kind.
fn random_limits(index: usize) -> Limits {
    let r = &mut Random::new(0xe0a1_1500 + index as u64);
    let (gain_step, hz_step) = (pick(r, &[0.1, 0.25, 0.5, 1.0]), pick(r, &[1.0, 5.0, 0.5]));
    let mut rules = Rules {
        q_meaning: QMeaning::OF_PEAKING[index % 4],
        shelf_q_meaning: QMeaning::OF_SHELVES[index % 2],
        cut_only: index % 7 == 3,
        boost_q_max: (index % 3 == 1).then_some(2.0),
        total_boost_max_db: (index % 5 == 2).then_some(4.0),
        ..Rules::default()
    };
    if index.is_multiple_of(3) {
        rules.gain_limits = vec![
            GainLimit {
                from_hz: 0.0,
                to_hz: 60.0,
                min_db: f64::NEG_INFINITY,
                max_db: 3.0,
            },
            GainLimit {
                from_hz: 6000.0,
                to_hz: f64::INFINITY,
                min_db: -5.0,
                max_db: 5.0,
            },
        ];
    }
    let mut shapes = ShapeCounts {
        low_shelf: r.below(2),
        peaking: 1 + r.below(8),
        high_shelf: r.below(3),
    };
    match index % 4 {
        // A graphic equaliser.
        1 => {
            shapes = ShapeCounts::default();
            rules.slots = OCTAVES_HZ
                .iter()
                .map(|&f0_hz| Slot {
                    shapes: vec![Shape::Peaking],
                    f0_hz: Some(Setting::Allowed(vec![f0_hz])),
                    ..Slot::default()
                })
                .collect();
        }
        // Slots that overlap, some of several shapes.
        2 => {
            rules.slots = vec![
                Slot {
                    shapes: vec![Shape::LowShelf],
                    f0_hz: Some(linear(30.0, 400.0, 10.0)),
                    ..Slot::default()
                },
                Slot {
                    shapes: vec![Shape::LowShelf, Shape::Peaking],
                    f0_hz: Some(linear(50.0, 900.0, 25.0)),
                    gain_db: Some(linear(-6.0, 6.0, 0.5)),
                    q: None,
                },
                Slot {
                    shapes: Shape::ALL.to_vec(),
                    q: Some(Setting::Allowed(vec![0.5, 0.7, 1.0])),
                    ..Slot::default()
                },
            ];
        }
        _ => {}
    }
    let limits = Limits {
        name: format!("limits {index}"),
        sections: shapes.total() + rules.slots.len(),
        rates_hz: vec![pick(r, &[44_100.0, 48_000.0]), 96_000.0],
        preamp_db: linear(-40.0, 0.0, pick(r, &[0.1, 0.5, 1.0])),
        f0_hz: setting(r, 20.0, 20_000.0, hz_step, true),
        gain_db: setting(r, -12.0, 12.0, gain_step, false),
        q: setting(r, 0.4, 4.0, 0.1, true),
        shelf_q: setting(r, 0.4, 0.9, 0.05, true),
        shapes,
        rules,
    };
    limits.check().unwrap();
    limits
}

fn request(seed: u64, limits: &Limits) -> FitRequest {
    let r = &mut Random::new(seed);
    let humps: Vec<(f64, f64, f64)> = (0..3 + r.below(8))
        .map(|_| {
            let centre_hz = log_between(r, 30.0, 16_000.0);
            (centre_hz, log_between(r, 0.1, 2.0), between(r, -8.0, 8.0))
        })
        .collect();
    let slope = between(r, -1.0, 1.0);
    let level = |f_hz: &f64| {
        let hump = |(centre_hz, octaves, db): &(f64, f64, f64)| {
            db * (-0.5 * ((f_hz / centre_hz).log2() / octaves).powi(2)).exp()
        };
        humps.iter().map(hump).sum::<f64>() + slope * (f_hz / 1000.0).log2()
    };
    let level_db = grid::frequency_hz().iter().map(level).collect();
    request_for(grid::frequency_hz().to_vec(), level_db, limits)
}

/// A fit of a measured curve toward flat.
fn request_for(frequency_hz: Vec<f64>, level_db: Vec<f64>, limits: &Limits) -> FitRequest {
    let curve = Curve::new("measured", frequency_hz, level_db, None).unwrap();
    FitRequest {
        judging: Settings {
            rig: Rig::Flat,
            ..Settings::default()
        },
        target: Some(
            wanted::library::resolve("flat", &|_: &std::path::Path| unreachable!()).unwrap(),
        ),
        effort: Effort::Quick,
        ..FitRequest::new(
            "invented",
            vec![Take {
                name: "take".to_owned(),
                side: Side::Unknown,
                on_grid: grid::resample(&curve).unwrap(),
            }],
            limits.clone(),
        )
    }
}

/// A number as its decimal text in units of 10^-12; None where that is no short text.
fn decimal(x: f64) -> Option<i128> {
    const PLACES: usize = 12;
    let text = x.to_string();
    let (sign, digits) = match text.strip_prefix('-') {
        Some(digits) => (-1, digits),
        None => (1, text.as_str()),
    };
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    let padded = format!("{whole}{fraction:0<PLACES$}");
    (fraction.len() <= PLACES).then(|| sign * padded.parse::<i128>().unwrap())
}

/// Whether a typed number is a value of a setting, exactly.
fn is_value(setting: &Setting, x: f64) -> bool {
    match setting {
        Setting::Range { min, max } => (*min..=*max).contains(&x),
        Setting::Linear { min, max, step } => {
            let [min, max, step] = [*min, *max, *step].map(|x| decimal(x).unwrap());
            decimal(x).is_some_and(|x| min <= x && x <= max && (x - min) % step == 0)
        }
        Setting::Octaves { .. } | Setting::Digits { .. } => setting
            .nearest_index(x)
            .is_some_and(|k| setting.value(k).to_bits() == x.to_bits()),
        Setting::Allowed(values) => values.contains(&x),
    }
}

/// What a listener types in.
fn typed(limits: &Limits, section: &Section) -> [f64; 3] {
    let q = limits.typed_q(section).unwrap_or(section.q);
    [section.f0_hz, section.gain_db, q]
}

fn assert_kept(limits: &Limits, outcome: &Outcome) {
    let sections = &outcome.channels[0].sections;
    limits
        .allows(sections)
        .unwrap_or_else(|error| panic!("{error}: {sections:?} {limits:?}"));
    for section in sections {
        let numbers = typed(limits, section);
        let has_all = |slot| {
            let knobs = limits.knobs(section.shape, slot);
            knobs
                .iter()
                .zip(numbers)
                .all(|(setting, x)| is_value(setting, x))
        };
        let mut places = limits.places(section.shape);
        assert!(places.any(has_all), "{numbers:?} {section:?} {limits:?}");
        let rules = &limits.rules;
        assert!(!rules.cut_only || section.gain_db <= 0.0, "{section:?}");
        for limit in &rules.gain_limits {
            let inside = (limit.from_hz..=limit.to_hz).contains(&section.f0_hz);
            let kept = (limit.min_db..=limit.max_db).contains(&section.gain_db);
            assert!(!inside || kept, "{section:?}");
        }
        let most_q = rules.boost_q_max.filter(|_| section.gain_db > 0.0);
        let most_q = most_q.unwrap_or(f64::INFINITY);
        assert!(section.q <= most_q * (1.0 + 1e-9), "{section:?}");
    }
    let preamp_db = outcome.shared.headroom.preamp_db;
    assert!(is_value(&limits.preamp_db, preamp_db), "{preamp_db}");
    for &rate_hz in &limits.rates_hz {
        let step = (rate_hz / 2.0 / 20.0).ln() / 2000.0;
        let f_hz: Vec<f64> = std::iter::once(1e-3)
            .chain((0..2000).map(|i| 20.0 * (step * f64::from(i)).exp()))
            .collect();
        let levels = cascade::levels_db(sections, rate_hz, &f_hz);
        let peak_db = levels.into_iter().fold(f64::NEG_INFINITY, f64::max);
        assert!(
            peak_db + preamp_db <= 1e-6,
            "{rate_hz} Hz: {peak_db} {preamp_db}"
        );
        let most_db = limits.rules.total_boost_max_db.unwrap_or(f64::INFINITY);
        assert!(peak_db <= most_db + 1e-6, "{peak_db}");
    }
}

#[test]
fn five_hundred_fits_within_twenty_random_limits_keep_to_them_exactly() {
    let kept: Vec<(usize, usize)> = (0..20)
        .into_par_iter()
        .map(|index| {
            let limits = random_limits(index);
            let mut sections = 0;
            for curve in 0..25 {
                let request = request((index * 100 + curve) as u64, &limits);
                match fits::run(&request) {
                    Ok(outcome) => {
                        assert_kept(&limits, &outcome);
                        sections += outcome.channels[0].sections.len();
                    }
                    Err(error) => println!("limits {index}, curve {curve}: {error}"),
                }
            }
            (index, sections)
        })
        .collect();
    for (index, sections) in &kept {
        println!("limits {index}: {sections} sections in 25 fits");
        assert!(*sections >= 25, "limits {index}: {sections} sections");
    }
    let values: usize = kept.iter().map(|(_, sections)| 3 * sections).sum();
    println!("{values} values, each on its step and in its range");
}

#[test]
fn given_sections_are_polished_within_random_limits_and_never_for_the_worse() {
    let started = |asked: &FitRequest, sections: &[Section], freedom| {
        fits::run(&FitRequest {
            start: Some(Start {
                sections: [sections.to_vec(), sections.to_vec()],
                freedom,
            }),
            ..asked.clone()
        })
    };
    let counts: Vec<(usize, usize)> = (0..20)
        .into_par_iter()
        .map(|index| {
            let limits = random_limits(index);
            let (mut within, mut elsewhere) = (0, 0);
            for curve in 0..4 {
                let seed = (index * 100 + curve) as u64;
                let Ok(fitted) = fits::run(&request(seed, &limits)) else {
                    continue;
                };
                let given = &fitted.channels[0].sections;
                let asked = request(seed + 50, &limits);
                let as_is = started(&asked, given, Freedom::AsIs).unwrap();
                assert_eq!(as_is.channels[0].sections, *given);
                for freedom in [Freedom::Gains, Freedom::All] {
                    let polished = started(&asked, given, freedom)
                        .unwrap_or_else(|error| panic!("{error}: {given:?} {limits:?}"));
                    assert_kept(&limits, &polished);
                    let sections = &polished.channels[0].sections;
                    assert_eq!(sections.len(), given.len());
                    let held_back = |c: &Caution| matches!(c, Caution::PreampBound { .. });
                    let free = !polished.shared.cautions.iter().any(held_back);
                    let (after, before) =
                        (polished.shared.objective_db2, as_is.shared.objective_db2);
                    assert!(
                        !free || after <= before,
                        "{freedom:?}: {after} above {before}"
                    );
                    let pinned = |s: &Section| {
                        let [f0_hz, _, q] = typed(&limits, s);
                        (s.shape, f0_hz.to_bits(), (q * 1e6).round())
                    };
                    if freedom == Freedom::Gains {
                        let [now, then] = [sections, given].map(|list| {
                            let mut list: Vec<_> = list.iter().map(pinned).collect();
                            list.sort_by(|a, b| a.partial_cmp(b).unwrap());
                            list
                        });
                        assert_eq!(now, then);
                    }
                    within += 1;
                }
                // Those of one equaliser for another.
                let other = random_limits((index + 1) % 20);
                let Ok(other) = other.widened_for(&[given], false) else {
                    continue;
                };
                match started(&request(seed + 50, &other), given, Freedom::All) {
                    Ok(polished) => {
                        assert_kept(&other, &polished);
                        assert_eq!(polished.channels[0].sections.len(), given.len());
                        elsewhere += 1;
                    }
                    Err(error) => println!("limits {index}, curve {curve}: {error}"),
                }
            }
            (within, elsewhere)
        })
        .collect();
    let sum = |of: fn(&(usize, usize)) -> usize| counts.iter().map(of).sum::<usize>();
    println!(
        "{} polished within their limits, {} within others",
        sum(|c| c.0),
        sum(|c| c.1)
    );
    assert!(sum(|c| c.0) >= 120 && sum(|c| c.1) >= 40, "{counts:?}");
}

#[test]
fn a_section_goes_into_each_slot_at_most() {
    let limits = Limits::parse(library::text("octave-graphic").unwrap().as_bytes(), "it").unwrap();
    // A hump between two bands: neither band can be used twice.
    let level = |f_hz: &f64| 9.0 * (-0.5 * ((f_hz / 1400.0).log2() / 0.3).powi(2)).exp();
    let f_hz = grid::frequency_hz().to_vec();
    let level_db = f_hz.iter().map(level).collect();
    let outcome = fits::run(&request_for(f_hz, level_db, &limits)).unwrap();
    assert_kept(&limits, &outcome);
    let mut used: Vec<f64> = outcome.channels[0]
        .sections
        .iter()
        .map(|s| s.f0_hz)
        .collect();
    used.dedup();
    assert_eq!(used.len(), outcome.channels[0].sections.len());
    assert!(used.contains(&1000.0) && used.contains(&2000.0), "{used:?}");
    assert!(outcome.channels[0].sections.iter().all(|s| s.q == 1.41));
    let mut bands_hz = [used, outcome.channels[0].idle_bands_hz.clone()].concat();
    bands_hz.sort_by(f64::total_cmp);
    assert_eq!(outcome.shared.bands_hz, bands_hz);

    let twice = vec![outcome.channels[0].sections[0]; 2];
    let error = limits.allows(&twice).unwrap_err();
    assert!(error.to_string().contains("slot"), "{error}");
    // Fewer of them are still a fine answer, and the sheet can be read again.
    let few = limits.with_sections(3).unwrap();
    let f_hz = grid::frequency_hz().to_vec();
    let level_db = f_hz.iter().map(level).collect();
    let outcome = fits::run(&request_for(f_hz, level_db, &few)).unwrap();
    assert!((1..=3).contains(&outcome.channels[0].sections.len()));
    let text = sheet::write(&Sheet::from_outcome(&outcome, &few).unwrap()).unwrap();
    assert_eq!(
        sheet::read(text.as_bytes(), "it").unwrap().limits,
        Some(few)
    );
}

#[test]
fn the_sheet_says_what_the_equaliser_calls_q() {
    let mut limits = random_limits(1);
    limits.rules.q_meaning = QMeaning::BandwidthOctaves;
    limits.q = linear(0.1, 3.0, 0.1);
    let outcome = fits::run(&request(7, &limits)).unwrap();
    assert_kept(&limits, &outcome);
    let written = Sheet::from_outcome(&outcome, &limits).unwrap();
    let text = sheet::write(&written).unwrap();
    let stated: Vec<&str> = text
        .lines()
        .filter(|line| line.starts_with("device_q = "))
        .collect();
    assert_eq!(stated.len(), outcome.channels[0].sections.len());
    for (line, section) in stated.iter().zip(&outcome.channels[0].sections) {
        let typed = limits.typed_q(section).unwrap();
        assert!(
            line.starts_with(&format!("device_q = {typed:?}  #")),
            "{line}"
        );
        assert!(line.ends_with("bandwidth in octaves between the points of half the gain"));
    }
    assert_eq!(sheet::read(text.as_bytes(), "it").unwrap(), written);
    let damaged = text.replace(stated[0], "device_q = 2.95");
    let error = sheet::read(damaged.as_bytes(), "it.sheet.toml").unwrap_err();
    assert_eq!(
        error.place.key.as_deref(),
        Some("section[1].device_q"),
        "{error}"
    );
    assert!(error.place.line.is_some());

    let cookbook = Limits::standard();
    let outcome = fits::run(&request(7, &cookbook)).unwrap();
    let text = sheet::write(&Sheet::from_outcome(&outcome, &cookbook).unwrap()).unwrap();
    assert!(!text.contains("device_q"));
}

/// The limits of a graphic equaliser with other gains.
fn third_octaves(gain_db: Setting) -> Limits {
    let text = library::text("third-octave-graphic").unwrap();
    let limits = Limits::parse(text.as_bytes(), "third-octave-graphic").unwrap();
    Limits { gain_db, ..limits }
}

/// Nominal frequencies of ISO 266 as transcribed by the package that PROVENANCE.md names.
fn iso_266_hz() -> Vec<f64> {
    let table = include_str!("../reference/tables/iso266_third_octaves.csv");
    let nominal = |line: &str| line.split(',').nth(1).unwrap().parse().unwrap();
    table.lines().skip(1).map(nominal).collect()
}

#[test]
fn graphic_equalisers_have_the_frequencies_of_the_standard() {
    let bands = |name: &str| -> Vec<f64> {
        let limits = Limits::parse(library::text(name).unwrap().as_bytes(), name).unwrap();
        let f0_hz = |slot: &Slot| slot.f0_hz.as_ref().unwrap().min();
        limits.rules.slots.iter().map(f0_hz).collect()
    };
    let third: Vec<f64> = iso_266_hz();
    let third: Vec<f64> = third
        .into_iter()
        .filter(|f| (20.0..=20_000.0).contains(f))
        .collect();
    assert_eq!(bands("third-octave-graphic"), third);
    let octaves: Vec<f64> = third.iter().copied().skip(2).step_by(3).collect();
    assert_eq!(bands("octave-graphic"), octaves);
}

/// The largest error at the command points, level-free, and the largest gain that it takes, dB.
fn error_and_gain_db(commands_db: &[f64], limits: &Limits) -> (f64, f64) {
    let f0_hz = |slot: &Slot| slot.f0_hz.as_ref().unwrap().min();
    let f_hz: Vec<f64> = limits.rules.slots.iter().map(f0_hz).collect();
    let answer = fit(&Task {
        frequency_hz: &f_hz,
        weight: &vec![1.0; f_hz.len()],
        channels: &[Wanted {
            change_db: commands_db,
            kept: &[],
        }],
        limits,
        space: &boxes::space(limits, (20.0, 20_000.0), &boxes::Believed::EVERYTHING),
        least_gain_db: None,
        playing: None,
        economy: 0.0,
        effort: Effort::Quick,
        seed: 0,
        stop: &Stop::default(),
    })
    .channels
    .swap_remove(0);
    limits.allows(&answer.sections).unwrap();
    let levels_db = cascade::levels_db(&answer.sections, limits.rates_hz[0], &f_hz);
    let errors = levels_db.iter().zip(commands_db).map(|(a, b)| a - b);
    let highest = errors.clone().fold(f64::NEG_INFINITY, f64::max);
    let lowest = errors.fold(f64::INFINITY, f64::min);
    let gains = answer.sections.iter().map(|section| section.gain_db.abs());
    ((highest - lowest) / 2.0, gains.fold(0.0, f64::max))
}

/// The least largest error that any gains leave, nearly: weights that grow where the error is large turn least squares into
/// least maximum (C. L. Lawson, dissertation, UCLA 1961; J. R. Rice, K. H. Usow, Mathematics of Computation 22, 1968; both from memory).
fn least_largest_error_db(commands_db: &[f64], limits: &Limits) -> f64 {
    const PASSES: usize = 60;
    const LEAST_SHARE: f64 = 1e-9;
    let rate_hz = limits.rates_hz[0];
    let band = |slot: &Slot| {
        let [f0_hz, q] = [slot.f0_hz.as_ref(), slot.q.as_ref()].map(|s| s.map(Setting::min));
        Section {
            shape: Shape::Peaking,
            f0_hz: f0_hz.unwrap(),
            gain_db: 0.0,
            q: q.unwrap_or(limits.q.min()),
        }
    };
    let sections: Vec<Section> = limits.rules.slots.iter().map(band).collect();
    let f_hz: Vec<f64> = sections.iter().map(|section| section.f0_hz).collect();
    let shapes = vec![Shape::Peaking; sections.len()];
    let mut x: Vec<f64> = sections.iter().flat_map(space::variables).collect();
    let walls = |gain_db: f64| {
        let mut wall = x.clone();
        wall.iter_mut()
            .skip(1)
            .step_by(3)
            .for_each(|x| *x = gain_db);
        wall
    };
    let (lower, upper) = (walls(limits.gain_db.min()), walls(limits.gain_db.max()));
    let stopping = Stopping {
        iterations: 100,
        relative_fall: 1e-6,
        value: 1e-12,
    };
    let mut room = Workspace::default();
    let mut share = vec![1.0; f_hz.len()];
    let mut least_db = f64::INFINITY;
    for _ in 0..PASSES {
        let weight: Vec<f64> = share.iter().map(|share: &f64| share.sqrt()).collect();
        let objective = Objective::new(&f_hz, &weight, commands_db, rate_hz, 0.0);
        let mut placed = Placed::new(&objective, &shapes, &lower, &upper, &mut room);
        x = minimise(&mut placed, x, &stopping).x;
        let sections: Vec<Section> = objective::sections(&shapes, &x).collect();
        let levels_db = cascade::levels_db(&sections, rate_hz, &f_hz);
        let errors: Vec<f64> = levels_db
            .iter()
            .zip(commands_db)
            .map(|(a, b)| a - b)
            .collect();
        let power: f64 = share.iter().sum();
        let mean = share.iter().zip(&errors).map(|(w, e)| w * e).sum::<f64>() / power;
        let highest = errors
            .iter()
            .fold(f64::NEG_INFINITY, |most, e| most.max(*e));
        let lowest = errors.iter().fold(f64::INFINITY, |least, e| least.min(*e));
        least_db = least_db.min((highest - lowest) / 2.0);
        for (share, error) in share.iter_mut().zip(&errors) {
            *share = (*share * (error - mean).abs() / power).max(LEAST_SHARE);
        }
        let largest = share.iter().fold(0.0_f64, |most, share| most.max(*share));
        share
            .iter_mut()
            .for_each(|share| *share = (*share / largest).max(LEAST_SHARE));
    }
    least_db
}

/// J. Ramo, J. Liski, V. Valimaki, "Third-Octave and Bark Graphic-Equalizer Design with Symmetric Band Filters", Applied
/// Sciences 10(4):1222, 2020: 0.81 dB at the command points with 31 dedicated sections, whose width goes with their gain, and
/// whose gains may be larger than the commands. Here the width is the equaliser's own.
///
/// What keeps the second row above that figure are its gains, not the search: where neighbouring commands differ by up to
/// 24 dB, sections a third of an octave apart must be set against each other by more than 12 dB. The fourth column is the
/// least largest error that any gains in that range reach, made for the maximum instead of the rms of the fit; with larger
/// gains (third row) 31 gains meet 31 commands.
#[test]
fn a_third_octave_graphic_equaliser_meets_random_commands() {
    const PUBLISHED_DB: f64 = 0.81;
    const COMMANDS: usize = 10;
    let range = |most_db: f64| Setting::Range {
        min: -most_db,
        max: most_db,
    };
    let kinds = [
        (
            "gains +-12 dB in 0.5 dB, as shipped",
            linear(-12.0, 12.0, 0.5),
        ),
        ("gains +-12 dB", range(12.0)),
        ("gains +-24 dB", range(24.0)),
    ];
    println!("{COMMANDS} random commands within +-12 dB; {PUBLISHED_DB} dB published");
    println!(
        "largest error at the command points, dB: median, worst; largest gain, dB; and the least largest error that"
    );
    println!("any gains of that range, without steps, reach: median, worst");
    let middle_and_worst = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        (values[COMMANDS / 2], values[COMMANDS - 1])
    };
    let mut worst_of = Vec::new();
    for (name, gain_db) in kinds {
        let limits = third_octaves(gain_db);
        let rows: Vec<(f64, f64, f64)> = (0..COMMANDS)
            .into_par_iter()
            .map(|index| {
                let r = &mut Random::new(0x31_0000 + index as u64);
                let commands_db: Vec<f64> = (0..31).map(|_| between(r, -12.0, 12.0)).collect();
                let (error, gain) = error_and_gain_db(&commands_db, &limits);
                (error, gain, least_largest_error_db(&commands_db, &limits))
            })
            .collect();
        let (median, worst) = middle_and_worst(rows.iter().map(|row| row.0).collect());
        let (least_median, least_worst) = middle_and_worst(rows.iter().map(|row| row.2).collect());
        let gain_db = rows.iter().fold(0.0_f64, |most, row| most.max(row.1));
        println!(
            "{name:37} {median:7.3} {worst:7.3} {gain_db:7.1} {least_median:7.3} {least_worst:7.3}"
        );
        worst_of.push((worst, least_worst));
    }
    // 31 gains meet 31 commands exactly where the gains reach; with gains of +-12 dB, some commands are out of reach.
    assert!(worst_of[2].0 < PUBLISHED_DB / 10.0, "{worst_of:?}");
    assert!(
        worst_of[1].0 < 4.0 && worst_of[0].0 < worst_of[1].0 + 0.5,
        "{worst_of:?}"
    );
    assert!(worst_of[1].1 > PUBLISHED_DB, "{worst_of:?}");
}

#[test]
fn limits_of_the_library_are_whole_and_used_by_name() {
    assert_eq!(library::names().len(), 4);
    for name in library::names() {
        let limits = Limits::parse(library::text(name).unwrap().as_bytes(), name).unwrap();
        assert_eq!(limits.available(), limits.sections, "{name}");
        let again = Limits::parse(limits.to_toml().as_bytes(), name).unwrap();
        assert_eq!(again, limits);
    }
    let curve = "demo-data/fieldfare-wool/average.csv";
    let run = |limits: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bandwright"));
        command.current_dir(env!("CARGO_MANIFEST_DIR")).args([
            "fit", curve, "--bass", "3", "--effort", "quick", "--limits", limits,
        ]);
        command.output().unwrap()
    };
    let output = run("octave-graphic");
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(
        output.status.success() && text.contains("ten-band graphic"),
        "{text}"
    );
    let output = run("octave-grafic");
    assert_eq!(output.status.code(), Some(2));
    let text = String::from_utf8(output.stderr).unwrap();
    assert!(text.contains("did you mean `octave-graphic`?"), "{text}");
    let output = run("./octave-graphic");
    assert_eq!(output.status.code(), Some(2));
    assert!(
        !String::from_utf8(output.stderr)
            .unwrap()
            .contains("did you mean")
    );
}

#[test]
fn bands_that_stay_at_0_db_are_listed() {
    let folder = tempfile::TempDir::new().unwrap();
    let curve = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo-data/fieldfare-wool/average.csv");
    let run = |limits: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bandwright"));
        command
            .current_dir(folder.path())
            .arg("fit")
            .arg(&curve)
            .args([
                "--bass",
                "3",
                "--effort",
                "quick",
                "--limits",
                limits,
                "--sections",
                "5",
                "-o",
                "bands.sheet.toml",
            ]);
        let text = String::from_utf8(command.output().unwrap().stdout).unwrap();
        let document = String::from_utf8(command.arg("--json").output().unwrap().stdout).unwrap();
        let document: serde_json::Value = serde_json::from_str(&document).unwrap();
        (
            text,
            document,
            std::fs::read_to_string(folder.path().join("bands.sheet.toml")).unwrap(),
        )
    };
    let hz = |value: &serde_json::Value| value.as_f64().unwrap();
    for limits in ["octave-graphic", "third-octave-graphic"] {
        let (text, document, sheet) = run(limits);
        let idle: Vec<f64> = document["idle_bands_hz"]
            .as_array()
            .unwrap()
            .iter()
            .map(hz)
            .collect();
        let used = document["sections"].as_array().unwrap();
        let used: Vec<f64> = used.iter().map(|section| hz(&section["f0_hz"])).collect();
        // Every slider is either a section or named as one that stays at 0.
        let mut all = [used.clone(), idle.clone()].concat();
        all.sort_by(f64::total_cmp);
        let slots = Limits::parse(library::text(limits).unwrap().as_bytes(), "it")
            .unwrap()
            .rules
            .slots;
        let bands: Vec<f64> = slots
            .iter()
            .map(|slot| slot.f0_hz.as_ref().unwrap().min())
            .collect();
        assert_eq!(all, bands, "{limits}");
        assert!(!idle.is_empty() && !used.is_empty());
        let names: Vec<String> = idle.iter().map(ToString::to_string).collect();
        let names = names.join(", ");
        let words = |text: &str| {
            text.replace('#', " ")
                .split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
        };
        assert!(
            words(&text).contains(&format!("Bands that stay at 0 dB: {names} Hz.")),
            "{text}"
        );
        assert!(
            words(&sheet).contains(&format!("Bands that stay at 0 dB, Hz: {names} ")),
            "{sheet}"
        );
    }
    let (text, document, sheet) = run("ten-section-parametric");
    assert_eq!(document["idle_bands_hz"].as_array().unwrap().len(), 0);
    assert!(!text.contains("Bands that stay") && !sheet.contains("Bands that stay"));
}

const FILE: &str = r#"format = 1
name = "everything"
sections = 4
rates_hz = [48000]
preamp_db = { min = -20, max = 0, step = 0.5 }
f0_hz = { min = 20, max = 20000, step = 1 }
gain_db = { min = -12, max = 12, step = 0.5 }
q = { min = 0.1, max = 3, step = 0.1 }
shelf_q = { min = 0.4, max = 1, step = 0.1 }
q_meaning = "bandwidth-octaves"
shelf_q_meaning = "slope"
boost_q_max = 4
total_boost_max_db = 6
cut_only = false
gain_limit = [
  { to_hz = 60, max_db = 6 },
  { from_hz = 8000, min_db = -3, max_db = 3 },
]
[[slot]]
shape = "low-shelf"
f0_hz = 80
[[slot]]
shape = ["low-shelf", "peaking"]
gain_db = { min = -6, max = 6, step = 1 }
q = { allowed = [0.5, 1] }
[shapes]
peaking = 2
"#;

fn parse(text: &str) -> Result<Limits, Box<Error>> {
    Limits::parse(text.as_bytes(), "amp.limits.toml")
}

#[test]
fn every_rule_is_read_and_written_as_it_stands() {
    let limits = parse(FILE).unwrap();
    assert_eq!(limits.rules.slots.len(), 2);
    assert_eq!(
        limits.rules.slots[1].shapes,
        [Shape::LowShelf, Shape::Peaking]
    );
    assert_eq!(limits.knobs(Shape::LowShelf, Some(0))[0].max(), 80.0);
    assert_eq!(limits.knobs(Shape::LowShelf, Some(0))[1], &limits.gain_db);
    assert_eq!(limits.knobs(Shape::Peaking, Some(1))[2].max(), 1.0);
    assert_eq!(
        limits.places(Shape::Peaking).collect::<Vec<_>>(),
        [None, Some(1)]
    );
    assert_eq!(limits.places(Shape::HighShelf).count(), 0);
    assert_eq!(limits.rules.gain_limits[0].from_hz, 0.0);
    assert_eq!(limits.rules.gain_limits[1].to_hz, f64::INFINITY);
    assert_eq!(limits.lowest_preamp_db(), -6.0);
    assert_eq!(limits.available(), 4);
    assert_eq!(parse(&limits.to_toml()).unwrap(), limits);
    // Without rules, not a byte of them.
    assert!(!Limits::standard().to_toml().contains("slot"));
}

#[test]
fn no_section_is_wider_than_a_sheet_may_say() {
    // Eight octaves at 3900 Hz and a rate of 8 kHz: the bilinear transform widens them 39 times, to a q of 1e-47.
    let limits = parse(
        r#"format = 1
name = "wide"
sections = 1
rates_hz = [8000]
preamp_db = { min = -12, max = 0 }
f0_hz = { min = 20, max = 3900 }
gain_db = { min = -12, max = 12 }
q = { min = 0.3, max = 8 }
shelf_q = { min = 0.4, max = 1 }
q_meaning = "bandwidth-octaves"
[shapes]
peaking = 1
"#,
    )
    .unwrap();
    let space = boxes::space(&limits, (20.0, 3900.0), &boxes::Believed::EVERYTHING);
    let boxes = space.boxes_of(Shape::Peaking);
    assert!(!boxes.is_empty());
    for ranges in boxes {
        assert!(*ranges.q.start() >= 0.01, "{ranges:?}");
    }
}

#[test]
fn every_contradiction_of_rules_names_its_line_and_key() {
    for (line, key, old, new) in [
        (19, "slot", "sections = 4", "sections = 1"),
        (26, "shapes", "sections = 4", "sections = 3"),
        (21, "slot[1].f0_hz.allowed", "f0_hz = 80", "f0_hz = 0"),
        (21, "slot[1].f0_hz", "f0_hz = 80", "f0_hz = 24000"),
        (
            21,
            "slot[1].f0_hz.step",
            "f0_hz = 80",
            "f0_hz = { min = 20, max = 80, step = 0 }",
        ),
        (
            24,
            "slot[2].gain_db.min",
            "{ min = -6, max = 6, step = 1 }",
            "{ min = 6, max = -6 }",
        ),
        (25, "slot[2].q.allowed", "[0.5, 1]", "[]"),
        (25, "slot[2].q.allowed", "[0.5, 1]", "[1, 0.5]"),
        (23, "slot[2].shape", "[\"low-shelf\", \"peaking\"]", "[]"),
        (
            23,
            "slot[2].shape",
            "[\"low-shelf\", \"peaking\"]",
            "[\"peaking\", \"peaking\"]",
        ),
        (16, "gain_limit[1].to_hz", "to_hz = 60", "to_hz = 0"),
        (
            16,
            "gain_limit[1].max_db",
            "60, max_db = 6",
            "60, max_db = 61",
        ),
        (
            16,
            "gain_limit[1].max_db",
            "to_hz = 60, max_db = 6",
            "to_hz = 60",
        ),
        (17, "gain_limit[2].min_db", "min_db = -3", "min_db = 4"),
        (
            16,
            "gain_limit[1].from_hz",
            "to_hz = 60",
            "from_hz = 90, to_hz = 60",
        ),
        (12, "boost_q_max", "boost_q_max = 4", "boost_q_max = 0"),
        (
            13,
            "total_boost_max_db",
            "max_db = 6\ncut",
            "max_db = -1\ncut",
        ),
        (14, "cut_only", "cut_only = false", "cut_only = \"no\""),
        (10, "q_meaning", "\"bandwidth-octaves\"", "\"slope\""),
        (11, "shelf_q_meaning", "\"slope\"", "\"pole-q\""),
        (11, "shelf_q_meaning", "\"slope\"", "1"),
    ] {
        assert!(FILE.contains(old), "{old}");
        let error = parse(&FILE.replacen(old, new, 1)).expect_err(new);
        assert_eq!(error.place.source, "amp.limits.toml");
        assert_eq!(error.place.key.as_deref(), Some(key), "{new}: {error}");
        assert_eq!(error.place.line, Some(line), "{new}: {error}");
    }
    let never = FILE
        .replace("cut_only = false", "cut_only = true")
        .replace("min = -12", "min = 0")
        .replace("min = -6", "min = 0");
    assert_eq!(
        parse(&never).unwrap_err().place.key.as_deref(),
        Some("cut_only")
    );
}

#[test]
fn a_misspelt_rule_gets_the_nearest_spelling() {
    for (old, new, near) in [
        (
            "bandwidth-octaves",
            "bandwith-octaves",
            "`bandwidth-octaves`",
        ),
        ("\"slope\"", "\"slop\"", "`slope`"),
        ("\"low-shelf\"\n", "\"lowshelf\"\n", "`low-shelf`"),
        ("cut_only", "cuts_only", "`cut_only`"),
        (
            "[[slot]]\nshape = \"low",
            "[[slots]]\nshape = \"low",
            "`slot`",
        ),
        ("{ to_hz", "{ to_Hz", "`to_hz`"),
        ("boost_q_max", "boost_max_q", "`boost_q_max`"),
    ] {
        let error = parse(&FILE.replacen(old, new, 1)).expect_err(new);
        assert_eq!(error.kind, ErrorKind::Name, "{error}");
        assert!(error.next_step().contains(near), "{new}: {error}");
        assert!(error.place.line.is_some());
    }
}

#[test]
fn sections_that_break_a_rule_are_named() {
    let limits = Limits {
        rules: Rules {
            slots: Vec::new(),
            q_meaning: QMeaning::Cookbook,
            ..parse(FILE).unwrap().rules
        },
        ..parse(FILE).unwrap()
    };
    let peaking = |f0_hz, gain_db, q| Section {
        shape: Shape::Peaking,
        f0_hz,
        gain_db,
        q,
    };
    limits
        .allows(&[peaking(50.0, 6.0, 1.0), peaking(61.0, 12.0, 1.0)])
        .unwrap();
    for (section, key) in [
        (peaking(60.0, 6.5, 1.0), "section[1].gain_db"),
        (peaking(9000.0, -3.5, 1.0), "section[1].gain_db"),
    ] {
        let error = limits.allows(&[section]).unwrap_err();
        assert_eq!(error.place.key.as_deref(), Some(key), "{error}");
    }
    let narrow = Limits {
        q: Setting::Range { min: 0.1, max: 9.0 },
        ..limits
    };
    narrow.allows(&[peaking(500.0, -3.0, 8.0)]).unwrap();
    let error = narrow.allows(&[peaking(500.0, 3.0, 8.0)]).unwrap_err();
    assert_eq!(error.place.key.as_deref(), Some("section[1].q"), "{error}");
    assert!(error.to_string().contains("boost_q_max"), "{error}");
}
