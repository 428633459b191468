//! Sections that one already has: as they are, or improved from where they are.

use std::path::Path;

use crate::support::fits::{self, FitRequest};
use crate::support::planted;
use bandwright::caution::Caution;
use bandwright::error::{ErrorKind, Knob};
use bandwright::filter::{QMeaning, Section, Shape, cascade};
use bandwright::fit::random::Random;
use bandwright::fit::{Effort, Freedom};
use bandwright::job::error::JobFault;
use bandwright::job::{Outcome, Start};
use bandwright::limits::rules::Rules;
use bandwright::limits::{Limits, Setting, library};
use bandwright::measurement::grid::{self, OnGrid};
use bandwright::measurement::judge::Settings;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take};
use bandwright::sheet::error::SheetFault;
use bandwright::sheet::{self, GivenSections, Sheet, read_given};
use bandwright::verify::check_sheet;
use bandwright::wanted::library as targets;
use proptest::prelude::*;

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

/// Names of the library need no file.
fn nothing(_: &Path) -> bandwright::Result<Vec<u8>> {
    unreachable!()
}

/// A take that the sections would make flat.
fn take(name: &str, side: Side, mended_by: &[Section]) -> Take {
    let sum_db = cascade::levels_db(mended_by, planted::RATE_HZ, grid::frequency_hz());
    Take {
        name: name.to_owned(),
        side,
        on_grid: OnGrid {
            level_db: sum_db.iter().map(|db| -db).collect(),
            support: 0..grid::POINTS,
        },
    }
}

/// Toward flat, believed everywhere.
fn request(takes: Vec<Take>, limits: Limits) -> FitRequest {
    FitRequest {
        judging: Settings {
            rig: Rig::Flat,
            ..Settings::default()
        },
        target: Some(targets::resolve("flat", &nothing).unwrap()),
        effort: Effort::Quick,
        ..FitRequest::new("an invented unit", takes, limits)
    }
}

fn start(sections: [&[Section]; 2], freedom: Freedom) -> Option<Start> {
    Some(Start {
        sections: sections.map(<[Section]>::to_vec),
        freedom,
    })
}

fn from(asked: &FitRequest, sections: [&[Section]; 2], freedom: Freedom) -> Outcome {
    let asked = FitRequest {
        start: start(sections, freedom),
        ..asked.clone()
    };
    fits::run(&asked).unwrap()
}

fn known() -> [Section; 4] {
    [
        section(Shape::LowShelf, 110.0, 5.0, 0.7),
        section(Shape::Peaking, 900.0, -4.0, 1.5),
        section(Shape::Peaking, 3200.0, 3.0, 2.5),
        section(Shape::HighShelf, 7000.0, -6.0, 0.6),
    ]
}

/// Each number a few steps of the standard limits beside.
fn beside(sections: &[Section]) -> Vec<Section> {
    let mut random = Random::new(3);
    let limits = Limits::standard();
    let mut moved =
        |setting: &Setting, x: f64, by: f64| setting.nearest(x + by * (2.0 * random.unit() - 1.0));
    let sections = sections.iter().map(|s| Section {
        shape: s.shape,
        f0_hz: moved(&limits.f0_hz, s.f0_hz, 0.1 * s.f0_hz),
        gain_db: moved(&limits.gain_db, s.gain_db, 1.0),
        q: moved(limits.q_of(s.shape), s.q, 0.15),
    });
    sections.collect()
}

fn numbers_but_gains(outcome: &Outcome) -> Vec<Vec<(Shape, u64, u64)>> {
    let of = |s: &Section| (s.shape, s.f0_hz.to_bits(), s.q.to_bits());
    let channels = outcome.channels.iter();
    channels
        .map(|channel| channel.sections.iter().map(of).collect())
        .collect()
}

#[test]
fn the_sections_of_a_fit_taken_as_they_are_give_what_the_fit_gave() {
    let known = known();
    let limits = Limits::standard();
    let asked = request(vec![take("take", Side::Unknown, &known)], limits.clone());
    let fitted = fits::run(&asked).unwrap();
    let sheet = Sheet::from_outcome(&fitted, &limits).unwrap();
    let text = sheet::write(&sheet).unwrap();
    let given = read_given(text.as_bytes(), "my.sheet.toml", None, true).unwrap();
    assert_eq!(given.limits, limits);
    assert!(!given.per_side);
    assert_eq!(given.beyond, None);
    let [left, right] = &given.sections;
    let outcome = from(&asked, [left, right], Freedom::AsIs);
    let (one, other) = (&outcome.channels[0], &fitted.channels[0]);
    assert_eq!(one.sections, other.sections);
    assert_eq!(one.take_residuals, other.take_residuals);
    assert_eq!(one.curves, other.curves);
    assert_eq!(outcome.shared.residual, fitted.shared.residual);
    assert_eq!(outcome.shared.headroom, fitted.shared.headroom);
    assert_eq!(outcome.shared.heard, fitted.shared.heard);
    assert_eq!(outcome.shared.objective_db2, fitted.shared.objective_db2);
    assert_eq!(outcome.shared.start, Some(Freedom::AsIs));
    assert_eq!(
        (
            outcome.shared.search.searches,
            outcome.shared.search.polishes
        ),
        (0, 0)
    );
    let again = Sheet::from_outcome(&outcome, &limits).unwrap();
    assert_eq!(again.channels, sheet.channels);
    assert_eq!(again.level, sheet.level);
    assert!(check_sheet(&again, None).passes());
}

#[test]
fn polishing_all_numbers_from_beside_the_fit_ends_near_it() {
    let known = known();
    let asked = request(
        vec![take("take", Side::Unknown, &known)],
        Limits::standard(),
    );
    let fitted = fits::run(&asked).unwrap();
    let moved = beside(&fitted.channels[0].sections);
    let as_is = from(&asked, [&moved, &moved], Freedom::AsIs);
    let polished = from(&asked, [&moved, &moved], Freedom::All);
    let residual_db = |outcome: &Outcome| outcome.shared.residual.after.weighted_db;
    assert!(
        residual_db(&as_is) > residual_db(&fitted) + 0.2,
        "{}",
        residual_db(&as_is)
    );
    assert!(
        residual_db(&polished) < residual_db(&fitted) + 0.02,
        "{}",
        residual_db(&polished)
    );
    assert_eq!(polished.shared.search.searches, 0);
    assert!(polished.shared.search.polishes > 0);
}

#[test]
fn polished_sections_are_never_worse_than_they_were_and_are_on_the_equalisers_steps() {
    let octaves = Rules {
        q_meaning: QMeaning::BandwidthOctaves,
        ..Rules::default()
    };
    let in_octaves = Limits {
        q: Setting::Linear {
            min: 0.2,
            max: 4.0,
            step: 0.1,
        },
        rules: octaves,
        ..Limits::standard()
    };
    for limits in [Limits::standard(), fits::without_steps(), in_octaves] {
        let mut random = Random::new(11);
        for case in 0..8 {
            let mut any = |shape: Shape| {
                let mut between = |low: f64, high: f64| low + (high - low) * random.unit();
                let f0_hz = limits.f0_hz.nearest(between(60.0, 9000.0));
                let gain_db = limits.gain_db.nearest(between(-6.0, 6.0));
                let device_q = limits.q_of(shape).nearest(between(0.4, 1.0));
                let meaning = limits.rules.meaning_of(shape);
                let rate_hz = limits.rates_hz[0];
                let q = meaning
                    .to_cookbook(device_q, f0_hz, gain_db, rate_hz)
                    .unwrap();
                section(shape, f0_hz, gain_db, q)
            };
            let given = [
                any(Shape::LowShelf),
                any(Shape::Peaking),
                any(Shape::Peaking),
            ];
            limits.allows(&given).unwrap();
            let asked = request(vec![take("take", Side::Unknown, &known())], limits.clone());
            let as_is = from(&asked, [&given, &given], Freedom::AsIs);
            for freedom in [Freedom::Gains, Freedom::All] {
                let polished = from(&asked, [&given, &given], freedom);
                let (after, before) = (polished.shared.objective_db2, as_is.shared.objective_db2);
                assert!(
                    after <= before,
                    "{case}, {freedom:?}: {after} above {before}"
                );
                limits.allows(&polished.channels[0].sections).unwrap();
                let shapes = |outcome: &Outcome| {
                    let shapes = outcome.channels[0].sections.iter().map(|s| s.shape);
                    let mut shapes: Vec<Shape> = shapes.collect();
                    shapes.sort();
                    shapes
                };
                assert_eq!(shapes(&polished), shapes(&as_is));
                if freedom == Freedom::Gains {
                    assert_eq!(numbers_but_gains(&polished), numbers_but_gains(&as_is));
                    assert!(after < before, "{case}: no gain was better");
                }
            }
        }
    }
}

#[test]
fn the_gains_of_a_graphic_equaliser_can_be_polished() {
    let limits = library::resolve(Path::new("octave-graphic"), &nothing).unwrap();
    let bands = [125.0, 1000.0, 4000.0];
    let slot_q = limits.rules.slots[0].q.clone().unwrap_or(limits.q.clone());
    let given = bands.map(|f0_hz| section(Shape::Peaking, f0_hz, 0.5, slot_q.min()));
    limits.allows(&given).unwrap();
    let wanted = bands.map(|f0_hz| section(Shape::Peaking, f0_hz, 4.0, slot_q.min()));
    let asked = request(vec![take("take", Side::Unknown, &wanted)], limits);
    let polished = from(&asked, [&given, &given], Freedom::Gains);
    let sections = &polished.channels[0].sections;
    for (section, given) in sections.iter().zip(&given) {
        assert_eq!((section.f0_hz, section.q), (given.f0_hz, given.q));
        assert!((section.gain_db - 4.0).abs() <= 1.0, "{section:?}");
    }
}

#[test]
fn each_side_has_its_own_sections_and_both_are_polished_at_one_level() {
    let known = known();
    let limits = Limits::standard();
    let takes = vec![
        take("left", Side::Left, &known),
        take("right", Side::Right, &known[1..]),
    ];
    let asked = request(takes, limits.clone());
    let (left, right) = (beside(&known), beside(&known[1..]));
    let run = |freedom| {
        let asked = FitRequest {
            start: start([&left, &right], freedom),
            ..asked.clone()
        };
        fits::run_per_side(&asked).unwrap()
    };
    let [as_is, gains, all] = [Freedom::AsIs, Freedom::Gains, Freedom::All].map(run);
    assert_eq!(as_is.channels[0].sections, left);
    assert_eq!(as_is.channels[1].sections, right);
    assert!(gains.shared.objective_db2 < as_is.shared.objective_db2);
    assert!(all.shared.objective_db2 < gains.shared.objective_db2);
    assert_eq!(numbers_but_gains(&gains), numbers_but_gains(&as_is));
    let text = sheet::write(&Sheet::from_outcome(&all, &limits).unwrap()).unwrap();
    assert!(check_sheet(&sheet::read(text.as_bytes(), "x").unwrap(), None).passes());
    let given = read_given(text.as_bytes(), "sides.sheet.toml", None, true).unwrap();
    assert!(given.per_side);
    let sections = all.channels.iter().map(|channel| channel.sections.clone());
    assert!(sections.eq(given.sections));
    let both = FitRequest {
        start: start([&left, &right], Freedom::AsIs),
        ..asked
    };
    let error = fits::run(&both).unwrap_err();
    assert_eq!(error.fault(), Some(&JobFault::GivenSides));
}

#[test]
fn sections_that_make_it_worse_are_told_of_and_not_refused() {
    let known = [section(Shape::Peaking, 1000.0, 2.0, 1.0)];
    let given = [section(Shape::Peaking, 100.0, -12.0, 0.5)];
    let asked = request(
        vec![take("take", Side::Unknown, &known)],
        Limits::standard(),
    );
    let outcome = from(&asked, [&given, &given], Freedom::AsIs);
    let residual = outcome.shared.residual;
    assert!(residual.after.weighted_db > residual.before.weighted_db);
    let told = |caution: &&Caution| matches!(caution, Caution::NoImprovement { .. });
    assert_eq!(outcome.shared.cautions.iter().filter(told).count(), 1);
}

#[test]
fn a_ceiling_of_the_loss_needs_sections_that_may_change_and_holds_where_they_are_polished() {
    let known = known();
    let limits = Limits::standard();
    let asked = request(vec![take("take", Side::Unknown, &known)], limits);
    let as_is = from(&asked, [&known, &known], Freedom::AsIs);
    let loss_db = -as_is.shared.heard.total_db;
    assert!(loss_db > 1.0, "{loss_db}");
    let bound = FitRequest {
        start: start([&known, &known], Freedom::AsIs),
        most_loudness_loss_db: Some(0.5 * loss_db),
        ..asked
    };
    let error = fits::run(&bound).unwrap_err();
    assert_eq!(error.fault(), Some(&JobFault::GivenLoudness(0.5 * loss_db)));
    assert_eq!(
        error.place.source,
        bandwright::error::Source::from(Knob::MaxLoudnessLoss)
    );
    let polished = from(&bound, [&known, &known], Freedom::All);
    assert!(-polished.shared.heard.total_db <= 0.5 * loss_db);
}

const PAIR: &str = "[[section]]
shape = \"peaking\"
f0_hz = 1000
gain_db = -3
q = 1.2

[[section]]
shape = \"low-shelf\"
f0_hz = 105
gain_db = 9.33
q = 0.7
";

fn read(text: &str, limits: Option<&Limits>) -> bandwright::Result<GivenSections> {
    read_given(text.as_bytes(), "mine.toml", limits, true)
}

#[test]
fn a_file_of_section_tables_alone_is_enough_and_the_standard_limits_are_widened_for_it() {
    let given = read(PAIR, None).unwrap();
    let pair = [
        section(Shape::Peaking, 1000.0, -3.0, 1.2),
        section(Shape::LowShelf, 105.0, 9.33, 0.7),
    ];
    assert_eq!(given.sections, [pair.to_vec(), pair.to_vec()]);
    given.limits.allows(&pair).unwrap();
    // What needs no widening stays.
    assert_eq!(given.limits.f0_hz, Limits::standard().f0_hz);
    assert_eq!(given.limits.shapes, Limits::standard().shapes);
    let told = given.beyond.unwrap().to_string();
    assert!(
        told.starts_with("mine.toml, line 10, section[2].gain_db: 9.33"),
        "{told}"
    );
    assert!(told.contains("the nearest value being 6"), "{told}");
    let asked = request(
        vec![take("take", Side::Unknown, &known())],
        given.limits.clone(),
    );
    let outcome = from(&asked, [&pair, &pair], Freedom::AsIs);
    let sheet = Sheet::from_outcome(&outcome, &given.limits).unwrap();
    assert!(check_sheet(&sheet, None).passes());
    // Where all numbers are free to change, those of the standard limits hold.
    let free = read_given(PAIR.as_bytes(), "mine.toml", None, false).unwrap();
    assert_eq!((free.limits, free.beyond), (Limits::standard(), None));
}

#[test]
fn steps_are_kept_in_wider_limits_where_the_numbers_lie_on_them() {
    let louder = PAIR.replace("9.33", "9.3");
    let given = read(&louder, None).unwrap();
    let standard = Limits::standard();
    let Setting::Linear { min, step, .. } = standard.gain_db else {
        panic!("steps");
    };
    let wide = Setting::Linear {
        min,
        max: 9.3,
        step,
    };
    assert_eq!(given.limits.gain_db, wide);
    let more = PAIR.repeat(5).replace("9.33", "3");
    let given = read(&more, None).unwrap();
    assert_eq!(given.limits.sections, 10);
    assert_eq!(
        (given.limits.shapes.low_shelf, given.limits.shapes.peaking),
        (5, 6)
    );
}

#[test]
fn what_named_limits_do_not_allow_is_named_with_file_line_and_key() {
    let limits = Limits::standard();
    let error = read(PAIR, Some(&limits)).unwrap_err();
    assert_eq!(error.place.source, "mine.toml");
    assert_eq!(
        (error.place.line, error.place.key.as_deref()),
        (Some(10), Some("section[2].gain_db"))
    );
    assert!(
        error.expected().contains("the nearest value being 6"),
        "{error}"
    );
    // Of a section of the right side alone, the place is that in the file.
    let sides = PAIR.replace(
        "[[section]]\nshape = \"peaking\"",
        "[[section]]\nside = \"left\"\nshape = \"peaking\"",
    );
    let sides = sides.replace(
        "[[section]]\nshape = \"low",
        "[[section]]\nside = \"right\"\nshape = \"low",
    );
    let error = read(&sides, Some(&limits)).unwrap_err();
    assert_eq!(
        (error.place.line, error.place.key.as_deref()),
        (Some(12), Some("section[2].gain_db"))
    );
    let given = read(&sides, None).unwrap();
    assert!(given.per_side);
    assert_eq!(given.sections.map(|sections| sections.len()), [1, 1]);
    for (damage, with, line, key) in [
        ("q = 1.2", "q = \"wide\"", 5, "section[1].q"),
        ("peaking", "peeking", 2, "section[1].shape"),
        ("gain_db = -3", "gain = -3", 4, "section[1].gain"),
        ("f0_hz = 1000\n", "", 1, "section[1].f0_hz"),
        // No equaliser has such numbers, so that limits are not widened for them.
        ("f0_hz = 1000", "f0_hz = 0.01", 3, "section[1].f0_hz"),
        ("gain_db = -3", "gain_db = -300", 4, "section[1].gain_db"),
    ] {
        let error = read(&PAIR.replacen(damage, with, 1), None).unwrap_err();
        assert_eq!(
            (error.place.line, error.place.key.as_deref()),
            (Some(line), Some(key)),
            "{error}"
        );
    }
}

#[test]
fn the_text_of_anything_else_is_refused() {
    for foreign in [
        "",
        "Bass: +3 dB\nTreble: -1 dB\n",
        "{\"bands\": [1, 2, 3]}",
        "1000,-3,1.2\n105,9.3,0.7\n",
        "format = 1\n",
        "\u{1f}\u{8b}\u{0}",
    ] {
        let error = read(foreign, None).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Format, "{error}");
        assert_eq!(error.fault(), Some(&SheetFault::NoSections), "{error}");
        assert!(
            error.next_step().contains("another program is not read"),
            "{error}"
        );
    }
    assert_eq!(
        read("section = []", None).unwrap_err().fault(),
        Some(&SheetFault::NoSections)
    );
    let more = format!("preset = 3\n{PAIR}");
    let error = read(&more, None).unwrap_err();
    assert_eq!(
        (error.place.line, error.place.key.as_deref()),
        (Some(1), Some("preset"))
    );
}

#[test]
fn a_typed_q_that_was_changed_alone_contradicts_the_section() {
    let limits = Limits {
        rules: Rules {
            q_meaning: QMeaning::BandwidthOctaves,
            ..Rules::default()
        },
        ..fits::without_steps()
    };
    let given = [section(Shape::Peaking, 1000.0, -3.0, 1.2)];
    let asked = request(vec![take("take", Side::Unknown, &known())], limits.clone());
    let outcome = from(&asked, [&given, &given], Freedom::AsIs);
    let text = sheet::write(&Sheet::from_outcome(&outcome, &limits).unwrap()).unwrap();
    let line = text
        .lines()
        .find(|line| line.starts_with("device_q"))
        .unwrap();
    assert!(read_given(text.as_bytes(), "x", None, true).is_ok());
    let error = read(&text.replacen(line, "device_q = 0.5", 1), None).unwrap_err();
    assert_eq!(error.place.key.as_deref(), Some("section[1].device_q"));
    assert!(error.place.line.is_some());
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_stands_in_the_file_it_is_read_or_refused(
        numbers in prop::collection::vec((0_usize..4, -1e9..1e9_f64, -100.0..100.0_f64, -2.0..2000.0_f64), 1..6),
        numbers_stand: bool,
    ) {
        let shapes = ["peaking", "low-shelf", "high-shelf", "notch"];
        let text: String = numbers
            .iter()
            .map(|(shape, f0_hz, gain_db, q)| format!(
                "[[section]]\nshape = \"{}\"\nf0_hz = {f0_hz:?}\ngain_db = {gain_db:?}\nq = {q:?}\n",
                shapes[*shape]
            ))
            .collect();
        match read_given(text.as_bytes(), "mine.toml", None, numbers_stand) {
            Ok(given) if numbers_stand => {
                given.limits.check().unwrap();
                given.sections.iter().for_each(|list| given.limits.allows(list).unwrap());
            }
            Ok(given) => given.limits.check().unwrap(),
            Err(error) => prop_assert!(error.place.key.is_some(), "{error}"),
        }
    }
}
