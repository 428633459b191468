//! Comparisons of units: the intervals by published rules, and what must hold whatever the units.

use std::collections::BTreeMap;
use std::path::PathBuf;

use approx::assert_abs_diff_eq;
use bandwright::comparison::figures::{UnitFigures, Why};
use bandwright::comparison::interval::{Figure, jackknifed, typical};
use bandwright::comparison::rank::RankBy;
use bandwright::comparison::verdict::Lead;
use bandwright::comparison::{Comparison, Tally, compare};
use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::Stop;
use bandwright::job::{Measured, Opened, Wish};
use bandwright::limits::Limits;
use bandwright::measurement::grid::{self, OnGrid, POINTS};
use bandwright::measurement::phase::BeyondEq;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::Take;
use bandwright::wanted::library;

use crate::support::listeners::{Faults, Seatings};

fn target() -> bandwright::wanted::Target {
    let no_files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
    library::resolve("diffuse-field", &no_files).unwrap()
}

fn opened(name: &str, takes: Vec<Take>) -> Opened {
    Opened {
        measured: Measured::new(name, takes),
        wish: Wish::toward(target()),
        limits: Limits::standard().with_sections(4).unwrap(),
        circumstances: None,
    }
}

fn seatings(index: u64, faults: Faults) -> Seatings {
    let diffuse_db = target().level_on_grid(48_000.0).level_db;
    Seatings::of_unit(index, faults, &diffuse_db)
}

fn compared(units: &[Opened]) -> Comparison {
    compare(units, &Stop::default(), &Tally::default()).unwrap()
}

fn figures(comparison: &Comparison, place: usize) -> &UnitFigures {
    comparison.units[place].found.as_ref().unwrap()
}

#[test]
fn the_jackknife_of_a_mean_gives_its_usual_standard_error() {
    // Eight values; the jackknife of a mean is s / sqrt(n) exactly (B. Efron and C. Stein 1981, from memory). Student's t
    // exceeds 1.895 with 5 % at 7 degrees of freedom (Abramowitz and Stegun 1964, table 26.10).
    let values: [f64; 8] = [4.1, 5.2, 3.9, 6.0, 5.5, 4.4, 4.8, 5.9];
    let mean = values.iter().sum::<f64>() / 8.0;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 7.0;
    let left_out = (0..8).map(|i| (8.0 * mean - values[i]) / 7.0).collect();
    let figure = jackknifed(mean, &[left_out], 0.0);
    let error = figure.error.unwrap();
    assert_abs_diff_eq!(error.db, (variance / 8.0).sqrt(), epsilon = 1e-12);
    let (low, high) = figure.interval_db.unwrap();
    assert_abs_diff_eq!(
        (high - low) / 2.0,
        1.895 * error.db,
        epsilon = 1e-3 * error.db
    );
    assert_abs_diff_eq!((high + low) / 2.0, mean, epsilon = 1e-12);
}

#[test]
fn a_typical_error_is_a_geometric_mean_with_an_interval_by_ratio_and_two_seatings_tell_none() {
    // Logarithms -1, 0, 1 on both sides: s = 1, four degrees of freedom, t = 2.132 (Abramowitz and Stegun, table 26.10).
    let side: Vec<f64> = [-1.0f64, 0.0, 1.0].map(f64::exp).to_vec();
    let figure = typical(&[side.clone(), side.clone()], 0.0);
    assert_abs_diff_eq!(figure.value_db, 1.0, epsilon = 1e-12);
    let (low, high) = figure.interval_db.unwrap();
    assert_abs_diff_eq!(high.ln(), 2.132 / 6f64.sqrt(), epsilon = 1e-3);
    assert_abs_diff_eq!(low.ln(), -high.ln(), epsilon = 1e-12);
    let unknown = typical(&[side, vec![1.0, 2.0]], 0.0);
    assert_eq!(unknown.interval_db, None);
    assert!(unknown.range_db.is_some());
}

#[test]
fn a_difference_has_the_freedom_of_welch_and_satterthwaite() {
    let of = |values: &[f64]| {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let left_out = values.iter().map(|v| (n * mean - v) / (n - 1.0)).collect();
        jackknifed(mean, &[left_out], 0.0)
    };
    let (one, other) = (
        of(&[1.0, 2.0, 3.0, 4.0]),
        of(&[10.0, 10.1, 9.9, 10.0, 10.05]),
    );
    let found = one.less(&other);
    let errors: [f64; 2] = [one, other].map(|f: Figure| f.error.unwrap().db.powi(2));
    let freedom =
        (errors[0] + errors[1]).powi(2) / (errors[0].powi(2) / 3.0 + errors[1].powi(2) / 4.0);
    assert!((3.0..3.1).contains(&freedom));
    // Student's t exceeds 2.353 with 5 % at 3 degrees of freedom (the same table).
    let (low, high) = found.interval_db.unwrap();
    assert_abs_diff_eq!(
        (high - low) / 2.0,
        2.353 * (errors[0] + errors[1]).sqrt(),
        epsilon = 1e-3
    );
}

#[test]
fn a_unit_split_in_two_is_not_better_than_itself() {
    for index in 0..2 {
        let takes = seatings(index, Faults::USUAL).takes(8);
        let half = |odd: bool| {
            let takes = takes
                .iter()
                .enumerate()
                .filter(|(k, _)| (k % 2 == 1) == odd);
            takes.map(|(_, take)| take.clone()).collect()
        };
        let found = compared(&[opened("one", half(false)), opened("other", half(true))]);
        assert_eq!(found.verdict.best, None, "unit {index}: {:?}", found.pairs);
        assert!(found.verdict.untold.is_empty());
    }
}

#[test]
fn planted_faults_raise_their_figures_and_lose_the_comparison() {
    let faulty = Faults {
        sides_db: 3.0,
        bass_db: 0.3,
        dip_db: 8.0,
    };
    let ill_matched = Faults {
        dip_db: 0.0,
        ..faulty
    };
    let units = [
        opened("sound", seatings(7, Faults::USUAL).takes(4)),
        opened("faulty", seatings(7, faulty).takes(4)),
        opened("ill-matched", seatings(7, ill_matched).takes(4)),
    ];
    let found = compared(&units);
    let (sound, bad) = (figures(&found, 0), figures(&found, 1));
    let error_db = |unit: &UnitFigures| unit.steadiness.as_ref().unwrap().left_out.value_db;
    let apart_db = |unit: &UnitFigures| unit.sides.as_ref().unwrap().apart.value_db;
    assert!(
        error_db(bad) > 1.3 * error_db(sound),
        "{} {}",
        error_db(bad),
        error_db(sound)
    );
    assert!(apart_db(bad) > 2.0 * apart_db(sound));
    let [against_faulty, against_ill_matched, _] = &found.pairs[..] else {
        panic!("three pairs")
    };
    assert_eq!(against_faulty.steadiness.lead, Lead::One);
    assert_eq!(against_faulty.better, Some(0));
    // Its dip sets takes aside, so that nothing is sure of what its sides differ in.
    assert_eq!(against_faulty.sides.lead, Lead::Unknown);
    assert_eq!(against_ill_matched.sides.lead, Lead::One);
}

#[test]
fn the_order_of_units_changes_their_order_alone() {
    let units = [
        opened("one", seatings(20, Faults::USUAL).takes(3)),
        opened("two", seatings(21, Faults::USUAL).takes(3)),
        opened("three", seatings(22, Faults::USUAL).takes(2)),
    ];
    let [one, two, three] = units.clone();
    let (found, turned) = (compared(&units), compared(&[three, one, two]));
    for (place, turned_place) in [(0, 1), (1, 2), (2, 0)] {
        assert_eq!(figures(&found, place), figures(&turned, turned_place));
    }
    // Two seatings a side tell no interval, so nothing is said of the third.
    assert_eq!(found.verdict.untold, [2]);
    assert_eq!(turned.verdict.untold, [0]);
    let by_tail = found.ranked(&[RankBy::Tail]);
    let tails = [0, 1, 2].map(|place| figures(&by_tail, place).tail.as_ref().unwrap().error_db);
    assert!(tails.is_sorted(), "{tails:?}");
}

#[test]
fn one_take_a_unit_has_figures_but_no_steadiness() {
    let one_take = |index| seatings(index, Faults::USUAL).takes(1)[..1].to_vec();
    let units = [opened("one", one_take(30)), opened("other", one_take(31))];
    let found = compared(&units);
    for place in 0..2 {
        let unit = figures(&found, place);
        assert_eq!(unit.steadiness, None);
        assert_eq!(unit.tail, None);
        assert_eq!(unit.sides, None);
        assert_eq!(unit.loudness.lost.interval_db, None);
        assert!(unit.preset.after_db < unit.preset.before_db);
    }
    assert_eq!(found.verdict.best, None);
    assert_eq!(found.verdict.untold, [0, 1]);
}

#[test]
fn a_unit_that_is_at_the_target_takes_no_section_and_is_no_error() {
    let level_db = target().level_on_grid(48_000.0).level_db;
    let on_target = |offset_db: f64| Take {
        name: format!("left {offset_db}"),
        side: bandwright::measurement::takes::Side::Left,
        on_grid: OnGrid {
            level_db: (0..POINTS)
                .map(|i| level_db[i] + offset_db + 0.3 * (i as f64 * (1.0 + offset_db)).sin())
                .collect(),
            support: 0..POINTS,
        },
    };
    let takes = vec![on_target(0.0), on_target(0.3), on_target(0.7)];
    let mut unit = opened("there", takes);
    unit.wish.this_ear = true;
    unit.wish.least_gain_db = Some(0.5);
    let mut other = opened("other", seatings(40, Faults::USUAL).takes(3));
    other.wish = unit.wish.clone();
    let found = compared(&[unit, other]);
    let there = figures(&found, 0);
    assert_eq!(there.preset.sections, 0);
    assert!(there.steadiness.as_ref().unwrap().left_out.value_db < 0.3);
}

#[test]
fn what_no_section_mends_is_listed_with_its_share_of_what_is_wanted() {
    let take = seatings(70, Faults::USUAL).takes(1)[..1].to_vec();
    let mut delayed = opened("delayed", take);
    let band = |from_hz: f64, to_hz: f64| BeyondEq {
        from_hz,
        to_hz,
        excess_s: 1e-3,
        at_hz: from_hz,
    };
    delayed.measured.beyond_eq = vec![band(300.0, 600.0), band(2000.0, 2500.0)];
    let mut all = opened("all", seatings(71, Faults::USUAL).takes(1)[..1].to_vec());
    all.measured.beyond_eq = vec![band(20.0, 20_000.0)];
    let found = compared(&[delayed, all]);
    let beyond = &figures(&found, 0).beyond_eq;
    assert_eq!(beyond.places.len(), 2);
    assert!(beyond.share > 0.0 && beyond.share < 1.0);
    let place = beyond.places[0];
    assert_eq!(place.why, Why::Delay);
    assert!(place.from_hz >= 300.0 && place.to_hz <= 600.0 && place.to_hz > 590.0);
    assert_abs_diff_eq!(figures(&found, 1).beyond_eq.share, 1.0, epsilon = 1e-12);
}

#[test]
fn what_cannot_be_compared_is_refused_by_name() {
    let takes = || seatings(50, Faults::USUAL).takes(2);
    let other = || opened("other", seatings(51, Faults::USUAL).takes(2));
    let refused =
        |units: &[Opened]| compare(units, &Stop::default(), &Tally::default()).unwrap_err();
    assert_eq!(refused(&[]).kind, ErrorKind::Setting);
    assert!(refused(&[other()]).to_string().contains("1 unit"));
    let twice = refused(&[opened("same", takes()), opened("same", takes())]);
    assert!(
        twice.to_string().contains("a second unit named `same`"),
        "{twice}"
    );
    let copied = refused(&[opened("one", takes()), opened("copy", takes())]);
    assert!(
        copied.to_string().contains("the takes of `one`"),
        "{copied}"
    );
    let mut flat = opened("flat", takes());
    flat.measured.judging.rig = Rig::Flat;
    let rigs = refused(&[other(), flat]);
    assert!(rigs.to_string().contains("the rig flat"), "{rigs}");
    let mut taste = opened("taste", takes());
    taste.wish = Wish::default();
    let no_target = refused(&[taste, other()]);
    assert!(no_target.to_string().contains("a target"), "{no_target}");
}

#[test]
fn a_unit_that_fails_is_named_and_the_others_are_compared() {
    let narrow = Take {
        name: "narrow".to_owned(),
        side: bandwright::measurement::takes::Side::Left,
        on_grid: OnGrid {
            level_db: vec![0.0; POINTS],
            support: POINTS - 60..POINTS,
        },
    };
    let broken = || opened("broken", vec![narrow.clone()]);
    let units = [
        opened("one", seatings(60, Faults::USUAL).takes(3)),
        broken(),
        opened("other", seatings(61, Faults::USUAL).takes(3)),
    ];
    let tally = Tally::default();
    let found = compare(&units, &Stop::default(), &tally).unwrap();
    // Each with its target, with other tables of it, and with every number of sections.
    let parts = units.len() * (1 + found.other_tables.len() + found.most_sections);
    assert_eq!(tally.counts(), (parts, parts));
    assert!(found.units[1].found.is_err());
    assert_eq!(found.units[1].unit, "broken");
    assert_eq!(found.known().count(), 2);
    assert_eq!((found.pairs[0].one, found.pairs[0].other), (0, 2));
    assert!(grid::frequency_hz()[POINTS - 60] > 8000.0);
    let mut again = broken();
    again.measured.unit = "broken too".to_owned();
    again.measured.takes[0].on_grid.level_db[POINTS - 1] = 1.0;
    let error = compare(&[broken(), again], &Stop::default(), &Tally::default()).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Coverage);
    assert!(
        error.to_string().contains("no unit of 2 with figures"),
        "{error}"
    );
}

/// The same takes with a section in front of the unit, as another insert would be.
fn with_section(takes: &[Take], section: Section) -> Vec<Take> {
    let change_db = cascade::levels_db(&[section], 48_000.0, grid::frequency_hz());
    let changed = |take: &Take| {
        let mut take = take.clone();
        for (db, change_db) in take.on_grid.level_db.iter_mut().zip(&change_db) {
            *db += change_db;
        }
        take
    };
    takes.iter().map(changed).collect()
}

fn hump(f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape: Shape::Peaking,
        f0_hz,
        gain_db,
        q,
    }
}

#[test]
fn a_part_that_makes_one_broad_hump_is_not_worth_carrying_and_one_that_makes_six_is() {
    let mut unit = seatings(80, Faults::USUAL);
    let (own, others, third) = (unit.takes(3), unit.takes(3), unit.takes(3));
    let six = (0..6).fold(others, |takes, k| {
        let sign = if k % 2 == 0 { 5.0 } else { -5.0 };
        with_section(&takes, hump(150.0 * 2f64.powi(k), sign, 3.0))
    });
    let units = [
        opened("Lark, felt", own),
        opened("Lark, foam", with_section(&third, hump(1000.0, 4.0, 1.0))),
        opened("Lark, six", six),
        opened("Wren, felt", seatings(81, Faults::USUAL).takes(1)),
    ];
    let found = compared(&units);
    let names: Vec<(&str, &str)> = found
        .exchanges
        .iter()
        .map(|found| (found.one.as_str(), found.other.as_str()))
        .collect();
    // The one Wren has no other variant.
    assert_eq!(
        names,
        [
            ("Lark, felt", "Lark, foam"),
            ("Lark, felt", "Lark, six"),
            ("Lark, foam", "Lark, six")
        ]
    );
    let (one, six) = (&found.exchanges[0], &found.exchanges[1]);
    assert!(one.sections_do_the_same(), "{one:?}");
    assert!((900.0..1100.0).contains(&one.most_hz), "{one:?}");
    // Its level over the band is taken off the hump's 4 dB.
    assert!((2.0..4.0).contains(&one.most_db), "{one:?}");
    assert!(one.unsure_db.unwrap() < 0.2, "{one:?}");
    assert!(!six.sections_do_the_same(), "{six:?}");
    assert!(six.left_on_one_db < six.changes_db, "{six:?}");
}

#[test]
fn another_table_of_the_target_tells_what_a_comparison_toward_it_tells() {
    let faulty = Faults {
        dip_db: 8.0,
        ..Faults::USUAL
    };
    let takes = [
        seatings(7, Faults::USUAL).takes(4),
        seatings(7, faulty).takes(4),
    ];
    let toward = |name: &str| {
        let no_files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
        let target = library::resolve(name, &no_files).unwrap();
        let units = [("sound", &takes[0]), ("faulty", &takes[1])];
        let units = units.map(|(name, takes)| Opened {
            wish: Wish::toward(target.clone()),
            ..opened(name, takes.clone())
        });
        compared(&units)
    };
    let found = toward("diffuse-field");
    let names: Vec<&str> = found
        .other_tables
        .iter()
        .map(|table| table.target.as_str())
        .collect();
    assert_eq!(names, ["diffuse-field-iso-532-2", "diffuse-field-mean"]);
    for table in &found.other_tables {
        assert_eq!(
            table.best,
            toward(&table.target).verdict.best,
            "{}",
            table.target
        );
    }
    assert_eq!(toward("flat").other_tables, []);
}

#[test]
fn a_seating_set_aside_for_a_narrow_difference_is_judged_but_not_fitted() {
    let mut takes = seatings(90, Faults::USUAL).takes(4);
    takes[1] = with_section(&takes[1..2], hump(900.0, 4.0, 6.0)).remove(0);
    let name = takes[1].name.clone();
    let units = [
        opened("moved", takes),
        opened("other", seatings(91, Faults::USUAL).takes(1)),
    ];
    let found = compared(&units);
    let unit = figures(&found, 0);
    assert_eq!(unit.seal.kept, [3, 4, 0]);
    assert_eq!(unit.steadiness.as_ref().unwrap().takes.len(), 8);
    assert_eq!(unit.tail.as_ref().unwrap().take, name);
    // Those that remain were chosen for being alike, so nothing is said of how surely they stand for others.
    let steadiness = unit.steadiness.as_ref().unwrap();
    assert!(steadiness.left_out.interval_db.is_some());
    assert_eq!(unit.loudness.lost.interval_db, None);
    assert_eq!(unit.sides.as_ref().unwrap().apart.interval_db, None);
}
