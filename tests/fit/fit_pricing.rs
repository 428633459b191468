//! Prices of changes: what removals cost, which pairs a table offers.

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::objective::{Level, Objective, Placed, Workspace};
use bandwright::fit::random::Random;
use bandwright::fit::search::Candidate;
use bandwright::fit::search::pricing::{Surroundings, without_each};
use bandwright::fit::search::table::Table;
use bandwright::fit::space::{Ranges, Space};
use nalgebra::{DMatrix, DVector};
use proptest::prelude::*;

const RATE_HZ: f64 = 48_000.0;

fn grid() -> Vec<f64> {
    (0..160)
        .map(|i| 20.0 * 2f64.powf(f64::from(i) / 16.0))
        .collect()
}

fn level_db(section: Section) -> Vec<f64> {
    cascade::levels_db(&[section], RATE_HZ, &grid())
}

fn space(most: [usize; 3], sections: usize) -> Space {
    let of = |q| {
        vec![Ranges {
            f0_hz: 20.0..=20_000.0,
            gain_db: -12.0..=12.0,
            q,
            slot: None,
        }]
    };
    Space {
        sections,
        most,
        boxes: [of(0.4..=1.2), of(0.3..=8.0), of(0.4..=1.2)],
    }
}

/// The sections as J sees them, evaluated.
fn evaluated(objective: &Objective, sections: &[Section]) -> (f64, Workspace) {
    let candidate = Candidate::of(sections);
    let mut room = Workspace::default();
    let value = Placed::new(objective, &candidate.shapes, &[], &[], &mut room)
        .parts(&candidate.x)
        .total();
    (value, room)
}

fn section() -> impl Strategy<Value = Section> {
    (0..3usize, 5f64..9.0, -9f64..9.0, 0.4f64..1.2).prop_map(|(shape, log_f0, gain_db, q)| {
        Section {
            shape: Shape::ALL[shape],
            f0_hz: log_f0.exp(),
            gain_db,
            q,
        }
    })
}

/// J without a section by the definition, the level (where it is free) and the gains of the others moved along their
/// slopes as least squares want it; the opposition is that before they move.
fn without(
    index: usize,
    sections: &[Section],
    kept: &[Section],
    weight: &[f64],
    wanted_db: &[f64],
    economy: f64,
    level: Level,
) -> f64 {
    let total: f64 = weight.iter().map(|w| w * w).sum();
    let scaled = |curve: &[f64]| -> Vec<f64> {
        let weighted = curve.iter().zip(weight);
        weighted.map(|(x, w)| x * w / total.sqrt()).collect()
    };
    let others: Vec<Section> = (0..sections.len())
        .filter(|k| *k != index)
        .map(|k| sections[k])
        .collect();
    let step_db = 1e-3;
    let moved = |section: &Section, by_db: f64| {
        level_db(Section {
            gain_db: section.gain_db + by_db,
            ..*section
        })
    };
    let slope = |section: &Section| -> Vec<f64> {
        let (up, down) = (moved(section, step_db), moved(section, -step_db));
        let between = up.iter().zip(&down);
        between.map(|(u, d)| (u - d) / (2.0 * step_db)).collect()
    };
    let mut columns: Vec<Vec<f64>> = others.iter().map(|o| scaled(&slope(o))).collect();
    if level == Level::Free {
        columns.push(scaled(&vec![1.0; weight.len()]));
    }
    let all = [&others, kept].concat();
    let sum_db = cascade::levels_db(&all, RATE_HZ, &grid());
    let error: Vec<f64> = sum_db.iter().zip(wanted_db).map(|(s, w)| s - w).collect();
    let columns: Vec<DVector<f64>> = columns.into_iter().map(DVector::from_vec).collect();
    let matrix = DMatrix::from_columns(&columns);
    let error = DVector::from_vec(scaled(&error));
    let answer = matrix.clone().svd(true, true).solve(&error, 1e-12).unwrap();
    let residual = (error - matrix * answer).norm_squared();
    let (mut boost, mut cut) = (vec![0.0; weight.len()], vec![0.0; weight.len()]);
    for other in &all {
        for (i, level) in level_db(*other).into_iter().enumerate() {
            boost[i] += level.max(0.0);
            cut[i] -= level.min(0.0);
        }
    }
    let opposed: f64 = boost.iter().zip(&cut).map(|(b, c)| b * c).sum();
    residual + economy * opposed / weight.len() as f64
}

proptest! {
    #[test]
    fn a_removal_costs_what_least_squares_leave_when_the_level_and_the_other_gains_follow(
        sections in prop::collection::vec(section(), 2..7),
        weight in prop::collection::vec(0.1f64..1.0, 160),
        wanted_db in prop::collection::vec(-10f64..10.0, 160),
        economy in prop::sample::select(vec![0.0, 0.001, 0.1]),
        level in prop::sample::select(vec![Level::Free, Level::Fixed]),
        kept in prop::collection::vec(section(), 0..2),
    ) {
        let objective =
            Objective::with_level(level, &grid(), &weight, &wanted_db, RATE_HZ, economy)
                .beside(&kept);
        let (_, mut room) = evaluated(&objective, &sections);
        let priced = without_each(&objective, &mut room, &mut Surroundings::default());
        for (index, value) in priced.iter().enumerate() {
            let plain = without(index, &sections, &kept, &weight, &wanted_db, economy, level);
            prop_assert!((value - plain).abs() <= 1e-6 * plain, "{index}: {value} {plain}");
        }
    }

    #[test]
    fn a_pair_from_the_table_is_one_that_may_be_added(
        left in prop::array::uniform3(0usize..3),
        level in prop::sample::select(vec![Level::Free, Level::Fixed]),
        wanted_db in prop::collection::vec(-10f64..10.0, 160),
        seed: u64,
    ) {
        let space = space(left, 6);
        let objective =
            Objective::with_level(level, &grid(), &[1.0; 160], &wanted_db, RATE_HZ, 0.0);
        let table = Table::new(&objective, &space);
        let mut surroundings = Surroundings::default();
        surroundings.set(&objective, &mut evaluated(&objective, &[]).1);
        let mut random = Random::new(seed);
        let found = table.best_two(&surroundings, &space, left, 1000, &mut random);
        prop_assert_eq!(found.is_some(), left.iter().sum::<usize>() >= 2);
        if let Some(two) = found {
            prop_assert!(space.fits(&two), "{:?}", two);
        }
    }
}

proptest! {
    #[test]
    fn where_nothing_may_be_boosted_a_pair_is_two_cuts(
        surrounding in prop::collection::vec((5f64..9.0, -9f64..-1.0, 0.5f64..4.0), 0..4),
        wanted_db in prop::collection::vec(-10f64..10.0, 160),
        seed: u64,
    ) {
        let space = space([0, 6, 0], 6).with_most_gain(0.0);
        let placed: Vec<Section> = surrounding
            .into_iter()
            .map(|(log_f0, gain_db, q)| Section {
                shape: Shape::Peaking,
                f0_hz: log_f0.exp(),
                gain_db,
                q,
            })
            .collect();
        let objective = Objective::new(&grid(), &[1.0; 160], &wanted_db, RATE_HZ, 0.0);
        let table = Table::new(&objective, &space);
        let mut surroundings = Surroundings::default();
        surroundings.set(&objective, &mut evaluated(&objective, &placed).1);
        let mut random = Random::new(seed);
        let found = table.best_two(&surroundings, &space, [0, 3, 0], 40, &mut random);
        let two = found.expect("some cuts help where so much is too loud");
        prop_assert!(two.iter().all(|section| section.gain_db < 0.0), "{:?}", two);
    }
}

#[test]
fn two_sections_that_only_work_together_are_priced_together() {
    // A boost and a cut side by side, which nearly cancel: no single section comes near what is left of them.
    let peak = |f0_hz, gain_db| Section {
        shape: Shape::Peaking,
        f0_hz,
        gain_db,
        q: 0.5,
    };
    let planted = [peak(1000.0, 9.0), peak(1122.5, -9.0)];
    let wanted_db = cascade::levels_db(&planted, RATE_HZ, &grid());
    let objective = Objective::new(&grid(), &[1.0; 160], &wanted_db, RATE_HZ, 0.0);
    let space = space([0, 2, 0], 2);
    let table = Table::new(&objective, &space);
    let (nothing, mut room) = evaluated(&objective, &[]);
    let mut surroundings = Surroundings::default();
    surroundings.set(&objective, &mut room);
    let random = &mut Random::new(0);
    let one = table.best(&surroundings, &space, |_, _| true, 1.0, random);
    let (with_one, _) = evaluated(&objective, &[one.unwrap()]);
    let two = table.best_two(&surroundings, &space, [0, 2, 0], 2000, random);
    let (with_two, _) = evaluated(&objective, &two.unwrap());
    assert!(with_one > 0.3 * nothing, "{with_one} {nothing}");
    assert!(with_two < 0.1 * nothing, "{with_two} {nothing}");
}
