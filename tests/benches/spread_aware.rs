//! Does weighing by the spread of takes help? Fits on all takes but one, judged on the one left out.
//!
//! `cargo bench --bench spread_aware` makes 50 seeded units of six takes of one side each: a smooth curve with ripple, a
//! resonance near 8 kHz that moves with the seating, and in every second unit a dip that wanders between 2 and 6 kHz;
//! seatings differ in level and bass. Toward a smooth target, eight sections at quick effort are fitted to the average of
//! five takes, with the weights of the fit (trust over spread) and with trust alone. Judged is the take left out,
//! equalised: level-free rms under trust alone, which favours neither. Invented curves; nothing here was measured.

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::Effort;
use bandwright::fit::Stop;
use bandwright::fit::random::Random;
use bandwright::fit::space::{Ranges, Space};
use bandwright::fit::{Task, Wanted, fit, residual};
use bandwright::job::ECONOMY;
use bandwright::limits::Limits;
use bandwright::measurement::grid::{self, OnGrid, POINTS};
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take, average};
use rayon::prelude::*;

const UNITS: u64 = 50;
const TAKES: usize = 6;
/// As in the weights of the fit.
const SPREAD_DB: f64 = 0.5;

struct Unit {
    takes: Vec<Take>,
    target_db: Vec<f64>,
    wanders: bool,
}

fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * random.unit()
}

/// About normal: the sum of twelve even numbers.
fn normal(random: &mut Random, deviation: f64) -> f64 {
    deviation * ((0..12).map(|_| random.unit()).sum::<f64>() - 6.0)
}

fn peaking(f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape: Shape::Peaking,
        f0_hz,
        gain_db,
        q,
    }
}

/// What a curve or a target is made of: broad humps, and a slope in dB per octave.
fn smooth(random: &mut Random, humps: usize, most_db: f64, slope_db: f64) -> Vec<f64> {
    let sections: Vec<Section> = (0..humps)
        .map(|_| {
            let f0_hz = 2f64.powf(between(random, 40f64.log2(), 14_000f64.log2()));
            peaking(
                f0_hz,
                between(random, -most_db, most_db),
                between(random, 0.4, 2.5),
            )
        })
        .collect();
    let level = |f_hz: &f64| {
        cascade::level_db(&sections, 96_000.0, *f_hz) + slope_db * (f_hz / 1000.0).log2()
    };
    grid::frequency_hz().iter().map(level).collect()
}

fn unit(index: u64) -> Unit {
    let random = &mut Random::new(0x5b4e_ad00 + index);
    let slope_db = between(random, -1.0, 0.5);
    let own_db = smooth(random, 9, 6.0, slope_db);
    let target_db = smooth(random, 4, 5.0, -0.3);
    let wanders = index % 2 == 1;
    let resonance_hz = between(random, 7000.0, 9000.0);
    let dip_hz = between(random, 2200.0, 5500.0);
    let take = |random: &mut Random, number: usize| {
        let bass = Section {
            shape: Shape::LowShelf,
            f0_hz: 110.0,
            gain_db: normal(random, 0.3),
            q: 0.6,
        };
        let mut sections = vec![
            bass,
            peaking(
                resonance_hz * (1.0 + normal(random, 0.04)),
                7.0 + normal(random, 0.7),
                4.0,
            ),
        ];
        if wanders {
            let f0_hz = dip_hz * 2f64.powf(normal(random, 0.12));
            sections.push(peaking(f0_hz, -6.0 + normal(random, 1.0), 5.0));
        }
        let level_db = normal(random, 0.2);
        let levels = grid::frequency_hz().iter().zip(&own_db);
        Take {
            name: format!("take {number}"),
            side: Side::Left,
            on_grid: OnGrid {
                level_db: levels
                    .map(|(f_hz, own_db)| {
                        let ripple_db = normal(random, 0.05);
                        own_db
                            + level_db
                            + ripple_db
                            + cascade::level_db(&sections, 96_000.0, *f_hz)
                    })
                    .collect(),
                support: 0..POINTS,
            },
        }
    };
    Unit {
        takes: (1..=TAKES).map(|number| take(random, number)).collect(),
        target_db,
        wanders,
    }
}

/// Residual of the take left out with trust over spread, and with trust alone, and without sections, dB.
fn left_out(unit: &Unit, out: usize) -> [f64; 3] {
    let limits = Limits::standard();
    let rate_hz = limits.rates_hz[0];
    let frequency_hz = grid::frequency_hz();
    let trust = Rig::Iec60318_4.trust_on_grid();
    let mut kept = unit.takes.clone();
    let judged = kept.remove(out);
    let average = average(&kept).expect("takes that share the grid");
    let spread_db = average.spread_db.expect("five takes of one side");
    let wanted = |level_db: &[f64]| -> Vec<f64> {
        unit.target_db
            .iter()
            .zip(level_db)
            .map(|(t, m)| t - m)
            .collect()
    };
    let wanted_db = wanted(&average.on_grid.level_db);
    let space = Space {
        sections: limits.sections,
        most: Shape::ALL.map(|shape| limits.shapes.of(shape)),
        boxes: Shape::ALL.map(|shape| {
            vec![Ranges {
                f0_hz: 20.0..=19_900.0,
                gain_db: limits.gain_db.min()..=limits.gain_db.max(),
                q: limits.q_of(shape).min()..=limits.q_of(shape).max(),
                slot: None,
            }]
        }),
    };
    let aware: Vec<f64> = trust
        .iter()
        .zip(&spread_db)
        .map(|(trust, spread_db)| trust / (1.0 + (spread_db / SPREAD_DB).powi(2)).sqrt())
        .collect();
    let wanted_of_judged = wanted(&judged.on_grid.level_db);
    let judge = |sections: &[Section]| {
        residual::weighted_rms_db(sections, rate_hz, frequency_hz, &trust, &wanted_of_judged)
    };
    let with = |weight: &[f64]| {
        let answer = fit(&Task {
            frequency_hz,
            weight,
            channels: &[Wanted {
                change_db: &wanted_db,
                kept: &[],
            }],
            limits: &limits,
            space: &space,
            least_gain_db: None,
            economy: ECONOMY,
            effort: Effort::Quick,
            seed: 0,
            stop: &Stop::default(),
        })
        .channels
        .swap_remove(0);
        judge(&answer.sections)
    };
    [with(&aware), with(&trust), judge(&[])]
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn main() {
    let of_units: Vec<(bool, [f64; 3])> = (0..UNITS)
        .into_par_iter()
        .map(|index| {
            let unit = unit(index);
            let each: Vec<[f64; 3]> = (0..TAKES).map(|out| left_out(&unit, out)).collect();
            let column = |k: usize| mean(&each.iter().map(|r| r[k]).collect::<Vec<_>>());
            (unit.wanders, [column(0), column(1), column(2)])
        })
        .collect();
    println!(
        "| units | before, dB | plain average, dB | by spread, dB | by spread - plain, dB (standard error) | units better by spread |"
    );
    println!("| --- | --- | --- | --- | --- | --- |");
    for (name, which) in [
        ("no dip", Some(false)),
        ("a dip that wanders", Some(true)),
        ("all", None),
    ] {
        let group: Vec<[f64; 3]> = of_units
            .iter()
            .filter(|(wanders, _)| which.is_none_or(|which| which == *wanders))
            .map(|(_, residuals)| *residuals)
            .collect();
        let column = |k: usize| mean(&group.iter().map(|r| r[k]).collect::<Vec<_>>());
        let differences: Vec<f64> = group.iter().map(|r| r[0] - r[1]).collect();
        let centre = mean(&differences);
        let squares: f64 = differences.iter().map(|d| (d - centre).powi(2)).sum();
        let count = group.len() as f64;
        let error = (squares / (count - 1.0) / count).sqrt();
        let better = differences.iter().filter(|d| **d < 0.0).count();
        println!(
            "| {name} | {:.3} | {:.3} | {:.3} | {centre:+.4} ({error:.4}) | {better} of {} |",
            column(2),
            column(1),
            column(0),
            group.len()
        );
    }
}
