//! What `inspect` says in words: the table, the sides, and what to do next for every finding.

use crate::support::{option_names, printed, units};

use bandwright::inspection::{Inspection, NextStep, TakeImpulse, inspect};
use bandwright::measurement::judge::Settings;
use bandwright::measurement::outlier::Kind;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::Side;
use bandwright::report::next_steps::step_text;
use bandwright::report::{figures, text};

fn told(inspection: &Inspection) -> String {
    let reports = figures::inspect::reports(std::slice::from_ref(inspection), &[]);
    reports.into_iter().map(printed).collect()
}

/// The text in one line, so that where lines break does not matter.
fn flowing(inspection: &Inspection) -> String {
    told(inspection)
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
}

fn kinds(inspection: &Inspection) -> Vec<&'static str> {
    inspection.next_steps.iter().map(NextStep::kind).collect()
}

/// A unit of the demo with every level of one take changed.
fn spoiled(name: &str, file: &str, change: impl Fn(f64, f64) -> f64) -> Inspection {
    let mut unit = units::opened(name);
    let take = unit
        .takes
        .iter_mut()
        .find(|take| take.take.name == file)
        .unwrap();
    let f_hz = bandwright::measurement::grid::frequency_hz();
    for (db, hz) in take.take.on_grid.level_db.iter_mut().zip(f_hz) {
        *db = change(*hz, *db);
    }
    inspect(&unit, &Settings::default()).unwrap()
}

#[test]
fn lines_are_no_wider_than_a_hundred_columns() {
    for name in units::NAMES {
        let text = told(&units::inspected(name));
        for line in text.lines() {
            assert!(line.chars().count() <= text::WIDTH, "{line}");
            assert_eq!(line, line.trim_end());
        }
    }
}

#[test]
fn names_of_any_length_and_kind_leave_the_table_whole() {
    let mut inspection = units::inspected("dunlin");
    inspection.judged.takes[0].name = format!("folder/{}-7.txt", "long ".repeat(40));
    inspection.judged.takes[1].name = "a/same.txt".into();
    inspection.judged.takes[2].name = "b/same.txt".into();
    inspection.judged.takes[3].name = "\u{1b}[31mred\n.txt".into();
    let text = told(&inspection);
    assert!(
        text.contains("...") && text.contains("long -7.txt"),
        "{text}"
    );
    assert!(text.contains("  a/same.txt  ") && text.contains("  b/same.txt  "));
    assert!(!text.contains('\u{1b}'));
    assert!(text.lines().all(|line| line.chars().count() <= text::WIDTH));
    let table = text
        .lines()
        .filter(|line| line.starts_with("  left") || line.starts_with("  right"));
    assert_eq!(table.count(), 10);
}

#[test]
fn takes_that_agree_are_said_to_agree() {
    let files = [
        "left-1.csv",
        "left-2.csv",
        "left-4.csv",
        "right-1.csv",
        "right-2.csv",
        "right-4.csv",
    ];
    let inspection = units::inspected_some("fieldfare-wool", &files);
    assert!(
        inspection.next_steps.is_empty(),
        "{:?}",
        inspection.next_steps
    );
    let text = flowing(&inspection);
    assert!(
        text.contains("Nothing: the takes agree on both sides"),
        "{text}"
    );
    assert!(
        text.contains("3 of 3 takes kept, they agree. Seal: no less bass than the other side.")
    );
    assert!(!text.contains("Set aside"));
    // However well they agree, curves cannot prove a seal.
    assert!(text.contains("Caution: 20-100 Hz is the earphone's own only if the seal was good"));
}

#[test]
fn one_take_tells_nothing_and_that_is_said() {
    let inspection = units::inspected_some("fieldfare-wool", &["left-1.csv"]);
    assert_eq!(kinds(&inspection), ["only-take"]);
    let text = flowing(&inspection);
    assert!(
        text.contains("nothing can be told. Measure each side three times"),
        "{text}"
    );
    assert!(text.contains("left 1 left-1.csv alone"), "{text}");
    assert!(text.contains("Spread unknown: one take a side"));
    assert!(!text.contains("sound -"), "nothing says that it is sound");
}

#[test]
fn a_side_by_itself_cannot_show_a_leak_that_all_its_takes_share() {
    let inspection = units::inspected_some("fieldfare-wool", &["left-1.csv", "left-2.csv"]);
    assert_eq!(kinds(&inspection), ["seal-unknown", "one-side"]);
    let text = flowing(&inspection);
    assert!(text.contains("Seal: cannot be told."));
    assert!(text.contains("there is no other side to compare them with"));
}

#[test]
fn a_side_whose_takes_all_leak_is_told_from_the_other_and_a_vent_is_named() {
    let files = ["left-4.txt", "right-2.txt", "right-3.txt"];
    let inspection = units::inspected_some("dunlin", &files);
    assert!(
        kinds(&inspection).contains(&"less-bass"),
        "{:?}",
        kinds(&inspection)
    );
    let text = flowing(&inspection);
    assert!(
        text.contains("the take of the left side loses 11.6 dB at 20 Hz"),
        "{text}"
    );
    assert!(text.contains("a leak, or a vent, which looks alike"));
    assert!(kinds(&inspection).contains(&"one-take"));
}

#[test]
fn only_a_resonance_that_is_seen_to_move_is_called_the_couplers() {
    let one = units::inspected_some("fieldfare-wool", &["left-1.csv"]);
    assert_eq!(one.guard_hz, None);
    let text = flowing(&one);
    assert!(
        text.contains("told from the earphone's own: judge 6.11 to 9.71 kHz by ear"),
        "{text}"
    );
    assert!(units::inspected("fieldfare-wool").guard_hz.is_some());
    let settings = Settings {
        rig: Rig::Flat,
        ..Settings::default()
    };
    let flat = inspect(&units::opened("fieldfare-wool"), &settings).unwrap();
    assert_eq!(flat.guard_hz, None);
    assert!(flowing(&flat).contains("a rig that is believed everywhere has no coupler"));
}

#[test]
fn what_no_section_can_mend_is_named() {
    let text = flowing(&units::inspected("dunlin"));
    assert!(
        text.contains("one EQ for both sides cannot mend that"),
        "{text}"
    );
    assert!(
        text.contains("what moves with the seating no section can follow"),
        "{text}"
    );
    assert!(text.contains("Excess delay nowhere longer than half a period (10 takes with phase)"));
}

#[test]
fn each_spoiled_take_gets_its_own_step() {
    let knock = |hz: f64, db: f64| db + 6.0 * (-((hz / 500.0).log2() / 0.08).powi(2)).exp();
    let step = |hz: f64, db: f64| if hz > 600.0 { db + 3.0 } else { db };
    // No two neighbours alike, and no pattern: a phase that grows as the square.
    let rough =
        |hz: f64, db: f64| db + 1.5 * (7.0 * (48.0 * (hz / 20.0).log2()).round().powi(2)).sin();
    let louder = |_: f64, db: f64| db + 5.0;
    let hum = |hz: f64, db: f64| {
        let near = |n: i32| (hz / (50.0 * f64::from(n))).log2().abs() < 0.6 / 48.0;
        if (1..=3).any(near) { db + 8.0 } else { db }
    };
    type Change<'a> = &'a dyn Fn(f64, f64) -> f64;
    let cases: [(Change, &str); 5] = [
        (
            &knock,
            "left take 2 (left-2.csv) is disturbed at one place, +",
        ),
        (&step, "left take 2 (left-2.csv) jumps by 3.0 dB at 604 Hz"),
        (&rough, "left take 2 (left-2.csv) is rough ("),
        (
            &louder,
            "left take 2 (left-2.csv) is 5.2 dB louder than the others of its side",
        ),
        (
            &hum,
            "left take 2 (left-2.csv) hums at 50 Hz and its multiples",
        ),
    ];
    for (change, words) in cases {
        let inspection = spoiled("fieldfare-wool", "left-2.csv", change);
        let text = flowing(&inspection);
        assert!(text.contains(words), "no {words:?} in {text}");
        assert!(text.contains("Set aside left 2, right 3"), "{text}");
    }
}

#[test]
fn takes_that_contradict_each_other_are_kept_and_said_to_be_undecided() {
    let mut unit = units::opened("fieldfare-wool");
    let mesh = units::opened("fieldfare-mesh");
    unit.takes.retain(|take| take.take.name == "left-1.csv");
    unit.takes.extend(
        mesh.takes
            .into_iter()
            .filter(|take| take.take.name == "left-1.csv"),
    );
    let inspection = inspect(&unit, &Settings::default()).unwrap();
    assert!(
        kinds(&inspection).contains(&"contradict"),
        "{:?}",
        kinds(&inspection)
    );
    let text = flowing(&inspection);
    assert!(
        text.contains("it cannot be told which to believe; all were kept"),
        "{text}"
    );
    assert_eq!(text.matches("undecided").count(), 2);
}

#[test]
fn two_takes_of_different_level_cannot_be_told() {
    let mut unit = units::opened("fieldfare-wool");
    unit.takes
        .retain(|take| ["left-1.csv", "left-2.csv"].contains(&take.take.name.as_str()));
    for db in &mut unit.takes[1].take.on_grid.level_db {
        *db += 6.0;
    }
    let inspection = inspect(&unit, &Settings::default()).unwrap();
    assert!(
        kinds(&inspection).contains(&"two-levels"),
        "{:?}",
        kinds(&inspection)
    );
    assert!(flowing(&inspection).contains("nothing tells which is right"));
}

#[test]
fn takes_without_a_side_are_asked_for_one() {
    let mut unit = units::opened("fieldfare-wool");
    for take in &mut unit.takes {
        take.take.side = Side::Unknown;
    }
    let inspection = inspect(&unit, &Settings::default()).unwrap();
    assert!(kinds(&inspection).contains(&"no-side"));
    assert!(flowing(&inspection).contains("10 takes say no side"));
}

#[test]
fn sides_that_differ_in_level_are_told_so() {
    let mut unit = units::opened("fieldfare-wool");
    for take in unit
        .takes
        .iter_mut()
        .filter(|take| take.take.side == Side::Left)
    {
        take.take
            .on_grid
            .level_db
            .iter_mut()
            .for_each(|db| *db += 2.07);
    }
    let inspection = inspect(&unit, &Settings::default()).unwrap();
    let text = flowing(&inspection);
    assert!(text.contains("left is 2.0 dB louder than right"), "{text}");
    assert!(text.contains("level +2 dB"), "kept, not removed: {text}");
}

#[test]
fn a_rig_that_is_trusted_nowhere_is_said() {
    let settings = Settings {
        rig: Rig::table(vec![(20.0, 0.2)]).unwrap(),
        ..Settings::default()
    };
    let inspection = inspect(&units::opened("fieldfare-wool"), &settings).unwrap();
    assert_eq!(inspection.trusted_band_hz, None);
    let text = flowing(&inspection);
    assert!(
        text.contains("Rig a trust table Trusted band none"),
        "{text}"
    );
    assert!(text.contains("the rig is trusted nowhere within the data"));
}

#[test]
fn noise_of_an_impulse_response_is_weighed_over_its_whole_window() {
    let mut impulse = TakeImpulse {
        rate_hz: 48_000.0,
        flight_time_s: 0.01,
        window_s: (0.005, 1.005),
        tail_db: Some(-80.0),
    };
    // 48000 samples: 46.8 dB.
    approx::assert_abs_diff_eq!(impulse.noise_below_db().unwrap(), 33.19, epsilon = 0.01);
    impulse.tail_db = None;
    assert_eq!(impulse.noise_below_db(), None);
}

#[test]
fn every_step_is_a_finding_and_something_to_do() {
    let all = [
        units::inspected("dunlin"),
        units::inspected("fieldfare-mesh"),
        units::inspected_some("fieldfare-wool", &["left-1.csv", "left-2.csv"]),
    ];
    for step in all.iter().flat_map(|inspection| &inspection.next_steps) {
        let text = step_text(step).in_words(option_names::typed);
        assert!(text.contains(": ") && text.ends_with('.'), "{text}");
    }
    let step = NextStep::DoesNotBelong {
        take: all[0].next_steps[0].take().unwrap().clone(),
        kind: Kind::Shape,
        distance_db: None,
        largest_db: None,
        largest_hz: None,
    };
    assert!(
        step_text(&step)
            .in_words(option_names::typed)
            .contains("is not like the others of its side: another unit")
    );
}
