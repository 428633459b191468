//! Whatever the equaliser's limits: every fitted number is one that it accepts, and choosing the steps while
//! fitting is never worse than rounding afterwards.

#[allow(dead_code, reason = "shared with other tests")]
use crate::support::planted;

use bandwright::filter::{Section, Shape};
use bandwright::fit::Effort;
use bandwright::fit::Stop;
use bandwright::fit::objective::{Objective, Placed, Workspace};
use bandwright::fit::random::Random;
use bandwright::fit::space::boxes::{self, Believed};
use bandwright::fit::space::{Space, variables};
use bandwright::fit::{ChannelAnswer, Task, Wanted, fit};
use bandwright::limits::rules::Rules;
use bandwright::limits::{Limits, Setting, ShapeCounts, library};
use bandwright::measurement::grid;

fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * random.unit()
}

fn log_between(random: &mut Random, low: f64, high: f64) -> f64 {
    low * (high / low).powf(random.unit())
}

fn pick<const N: usize>(random: &mut Random, values: [f64; N]) -> f64 {
    values[random.below(N)]
}

/// A few values of a range, sorted, each once.
fn allowed(random: &mut Random, low: f64, high: f64, most: usize) -> Setting {
    let mut values: Vec<f64> = (0..2 + random.below(most))
        .map(|_| (between(random, low, high) * 100.0).round() / 100.0)
        .collect();
    values.sort_by(f64::total_cmp);
    values.dedup();
    Setting::Allowed(values)
}

fn q_setting(r: &mut Random, low: f64, high: f64) -> Setting {
    match r.below(5) {
        0 => Setting::Range {
            min: low,
            max: high,
        },
        1 => Setting::Linear {
            min: low,
            max: high,
            step: pick(r, [0.01, 0.1, 0.25]),
        },
        2 => Setting::Octaves {
            min: low,
            max: high,
            step_octaves: pick(r, [0.1, 1.0 / 3.0, 0.5]),
        },
        3 => allowed(r, low, high, 6),
        _ => Setting::Allowed(vec![(log_between(r, low, high) * 10.0).round() / 10.0]),
    }
}

/// Limits of every kind: steps, octaves, lists, fixed numbers; only shelves, few shapes, 1 to 12 sections.
fn random_limits(index: usize) -> Limits {
    let r = &mut Random::new(0x11b1_7500 + index as u64);
    let f0_hz = match index % 4 {
        0 => Setting::Range {
            min: 20.0,
            max: 20_000.0,
        },
        1 => Setting::Linear {
            min: pick(r, [20.0, 25.0, 40.0]),
            max: pick(r, [12_000.0, 16_000.0, 20_000.0]),
            step: pick(r, [1.0, 5.0, 50.0]),
        },
        2 => Setting::Octaves {
            min: 20.0,
            max: 20_000.0,
            step_octaves: pick(r, [1.0 / 24.0, 1.0 / 12.0, 1.0 / 3.0]),
        },
        // A graphic equaliser's bands: the preferred octaves of ISO 266.
        _ => Setting::Allowed(vec![
            31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0,
        ]),
    };
    let most_db = pick(r, [6.0, 12.0]);
    let gain_db = match r.below(5) {
        0 => Setting::Range {
            min: -12.0,
            max: most_db,
        },
        4 => allowed(r, -12.0, most_db, 12),
        kind => Setting::Linear {
            min: -12.0,
            max: most_db,
            step: [0.1, 0.5, 1.0][kind - 1],
        },
    };
    let shapes = match index % 5 {
        0 => ShapeCounts {
            low_shelf: 2,
            peaking: 0,
            high_shelf: 2,
        },
        1 => ShapeCounts {
            low_shelf: 0,
            peaking: 1 + r.below(10),
            high_shelf: 0,
        },
        2 => ShapeCounts {
            low_shelf: 0,
            peaking: 5,
            high_shelf: 1,
        },
        _ => ShapeCounts {
            low_shelf: 1,
            peaking: 1 + r.below(10),
            high_shelf: 1,
        },
    };
    let limits = Limits {
        name: format!("limits {index}"),
        sections: 1 + r.below(shapes.total()),
        rates_hz: vec![pick(r, [44_100.0, 48_000.0, 96_000.0])],
        preamp_db: Setting::Range {
            min: -60.0,
            max: 0.0,
        },
        f0_hz,
        gain_db,
        q: q_setting(r, 0.3, 8.0),
        shelf_q: q_setting(r, 0.4, 1.2),
        shapes,
        rules: Rules::default(),
    };
    limits.check().unwrap();
    limits
}

/// The same ranges without steps.
fn continuous(limits: &Limits) -> Limits {
    let range = |setting: &Setting| Setting::Range {
        min: setting.min(),
        max: setting.max(),
    };
    Limits {
        f0_hz: range(&limits.f0_hz),
        gain_db: range(&limits.gain_db),
        q: range(&limits.q),
        shelf_q: range(&limits.shelf_q),
        ..limits.clone()
    }
}

struct Problem {
    limits: Limits,
    space: Space,
    wanted_db: Vec<f64>,
    weight: Vec<f64>,
    economy: f64,
}

impl Problem {
    fn new(limits: Limits, seed: u64) -> Self {
        let r = &mut Random::new(seed);
        let humps: Vec<(f64, f64, f64)> = (0..3 + r.below(8))
            .map(|_| {
                let centre_hz = log_between(r, 30.0, 16_000.0);
                (centre_hz, log_between(r, 0.1, 2.0), between(r, -8.0, 8.0))
            })
            .collect();
        let slope = between(r, -1.0, 1.0);
        let wanted_db = grid::frequency_hz()
            .iter()
            .map(|f_hz| {
                let hump = |(centre_hz, octaves, db): &(f64, f64, f64)| {
                    db * (-0.5 * ((f_hz / centre_hz).log2() / octaves).powi(2)).exp()
                };
                humps.iter().map(hump).sum::<f64>() + slope * (f_hz / 1000.0).log2()
            })
            .collect();
        let even = r.unit() < 0.5;
        let weight = grid::frequency_hz()
            .iter()
            .map(|_| if even { 1.0 } else { between(r, 0.2, 1.0) })
            .collect();
        Self {
            space: planted::space(&limits),
            limits,
            wanted_db,
            weight,
            economy: [0.0, 0.001][r.below(2)],
        }
    }

    fn fit(&self, limits: &Limits) -> ChannelAnswer {
        fit(&Task {
            frequency_hz: grid::frequency_hz(),
            weight: &self.weight,
            channels: &[Wanted {
                change_db: &self.wanted_db,
                kept: &[],
            }],
            limits,
            space: &self.space,
            least_gain_db: None,
            playing: None,
            economy: self.economy,
            effort: Effort::Quick,
            seed: 0,
            stop: &Stop::default(),
        })
        .channels
        .swap_remove(0)
    }

    fn objective(&self, sections: &[Section]) -> f64 {
        let rate_hz = self.limits.rates_hz[0];
        let frequency_hz = grid::frequency_hz();
        let Self {
            weight,
            wanted_db,
            economy,
            ..
        } = self;
        let objective = Objective::new(frequency_hz, weight, wanted_db, rate_hz, *economy);
        let shapes: Vec<Shape> = sections.iter().map(|section| section.shape).collect();
        let x: Vec<f64> = sections.iter().flat_map(variables).collect();
        let mut room = Workspace::default();
        Placed::new(&objective, &shapes, &[], &[], &mut room)
            .parts(&x)
            .total()
    }
}

fn knobs<'a>(limits: &'a Limits, section: &Section) -> [(&'a Setting, f64); 3] {
    [
        (&limits.f0_hz, section.f0_hz),
        (&limits.gain_db, section.gain_db),
        (limits.q_of(section.shape), section.q),
    ]
}

/// Each number on its nearest step.
fn rounded(limits: &Limits, section: &Section) -> Section {
    let [f0_hz, gain_db, q] = knobs(limits, section).map(|(setting, x)| setting.nearest(x));
    Section {
        shape: section.shape,
        f0_hz,
        gain_db,
        q,
    }
}

#[test]
fn every_number_is_one_the_equaliser_accepts_and_no_worse_than_rounded() {
    let mut gains = Vec::new();
    let mut worse = Vec::new();
    for index in 0..20 {
        let limits = random_limits(index);
        for curve in 0..10 {
            let problem = Problem::new(limits.clone(), (index * 100 + curve) as u64);
            let answer = problem.fit(&limits);
            limits.allows(&answer.sections).unwrap();
            assert!(answer.sections.len() <= limits.available());
            for section in &answer.sections {
                for (setting, x) in knobs(&limits, section) {
                    assert!(setting.contains(x), "{limits:?}: {section:?}");
                    if let Some(nearest) = setting.nearest_index(x) {
                        let value = setting.value(nearest);
                        assert_eq!(value.to_bits(), x.to_bits(), "{limits:?}: {section:?}");
                    }
                }
            }
            let j = problem.objective(&answer.sections);
            let said = answer.objective_db2;
            assert!((j - said).abs() <= 1e-9 * j + 1e-12, "{said} {j}");
            assert!(j <= problem.objective(&[]), "{limits:?}");

            let free = problem.fit(&continuous(&limits));
            let plain: Vec<Section> = free
                .sections
                .iter()
                .map(|section| rounded(&limits, section))
                .collect();
            let rounding = problem.objective(&plain);
            if j > rounding * (1.0 + 1e-9) && j > rounding + 1e-8 {
                worse.push(format!(
                    "limits {index}, curve {curve}, economy {}: {} sections {j:.9} dB^2 on steps; {} sections {:.9} free, {rounding:.9} rounded",
                    problem.economy,
                    answer.sections.len(),
                    plain.len(),
                    free.objective_db2,
                ));
            }
            gains.push((rounding.max(1e-4) / j.max(1e-4)).sqrt());
        }
    }
    gains.sort_by(f64::total_cmp);
    for case in &worse {
        println!("{case}");
    }
    println!(
        "plain rounding leaves {:.3} times the residual of fitted steps, median; {:.3} at the 90th percentile; {} of {} are worse than rounded",
        gains[gains.len() / 2],
        gains[gains.len() * 9 / 10],
        worse.len(),
        gains.len(),
    );
    assert!(worse.is_empty());
    assert!(gains[gains.len() / 2] > 1.0);
}

#[test]
fn parts_of_one_sign_hold_all_that_cuts_and_all_that_boosts_and_nothing_else() {
    for index in 0..60 {
        let limits = random_limits(index);
        let mut believed = Believed::EVERYTHING;
        if index % 2 == 0 {
            believed.peaking_to_hz = 10_800.0;
            believed.shelves_to_hz = 5000.0;
            believed.gentle_hz.push((7000.0, 9000.0));
        }
        let space = boxes::space(&limits, (20.0, 20_000.0), &believed);
        let [cuts, boosts] = space.of_one_sign().unwrap();
        let r = &mut Random::new(0x0ff5_1de5 + index as u64);
        for shape in Shape::ALL.into_iter().filter(|shape| space.has(*shape)) {
            for _ in 0..200 {
                let section = Section {
                    shape,
                    f0_hz: log_between(r, 20.0, 20_000.0),
                    gain_db: between(r, -13.0, 13.0),
                    q: log_between(r, 0.2, 10.0),
                };
                let held = space.holds(&section);
                if held && shape.is_shelf() && section.f0_hz > 1.01 * believed.shelves_to_hz {
                    assert!(section.gain_db.abs() <= 4.0, "{section:?}");
                }
                if held && shape == Shape::Peaking {
                    assert!(
                        section.f0_hz <= 1.01 * believed.peaking_to_hz,
                        "{section:?}"
                    );
                    let is_gentle = section.q <= 2.0 || section.gain_db < 0.0;
                    let mut bands_hz = believed.gentle_hz.iter();
                    let disagree =
                        bands_hz.any(|(low, high)| (*low..=*high).contains(&section.f0_hz));
                    assert!(is_gentle || !disagree, "{section:?}");
                }
                assert_eq!(cuts.holds(&section), held && section.gain_db < 0.0);
                assert_eq!(boosts.holds(&section), held && section.gain_db > 0.0);
            }
        }
    }
    // Where there is only one sign, or a slot for each section, there is nothing to choose.
    let mut cut_only = random_limits(0);
    cut_only.rules.cut_only = true;
    let whole_hz = (20.0, 20_000.0);
    assert_eq!(
        boxes::space(&cut_only, whole_hz, &Believed::EVERYTHING).of_one_sign(),
        None
    );
    let graphic = library::text("octave-graphic").unwrap();
    let graphic = Limits::parse(graphic.as_bytes(), "it").unwrap();
    assert_eq!(
        boxes::space(&graphic, whole_hz, &Believed::EVERYTHING).of_one_sign(),
        None
    );
}
