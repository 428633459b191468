//! Was the promise kept? Seeded re-measurements with one planted mistake each, or none.

use std::collections::BTreeMap;

use bandwright::measurement::judge::Settings;
use bandwright::verify::{Remeasured, Remeasurement, Verdict, remeasured};

use crate::support::promises;

use promises::{
    Chance, KINDS, Mistake, Rig, largest_db, limits, mistake, names, sections, sessions,
};

struct Planted {
    mistake: Mistake,
    kind: usize,
    largest_db: f64,
    seen: Remeasured,
}

/// One re-measurement; the mistake's size lies within `size_db`, but for none at all.
fn planted(seed: u64, kind: usize, rig: &Rig, size_db: (f64, f64)) -> Planted {
    let mut chance = Chance::new(seed);
    for _ in 0..10_000 {
        let per_side = kind == 8 || chance.below(5) == 0;
        let (left, right) = (sections(&mut chance), sections(&mut chance));
        let sheet = if per_side {
            promises::sheet_per_side(&left, &right, &limits())
        } else {
            promises::sheet_of(&left, &limits())
        };
        let Some(mistake) = mistake(&mut chance, &sheet, kind) else {
            continue;
        };
        let largest_db = largest_db(&sheet, &mistake.played);
        if kind != 0 && !(size_db.0..size_db.1).contains(&largest_db) {
            continue;
        }
        let counts = match (per_side, chance.below(3)) {
            (true, 0) | (false, 0) => [2, 2],
            (true, _) => [4, 4],
            (false, 1) => [4, 0],
            _ => [4, 4],
        };
        let taken = sessions(&mut chance, rig, counts, &mistake.played);
        let request = Remeasurement {
            before: taken.before,
            after: taken.after,
            judging: Settings::default(),
            rate_hz: Some(48_000.0).filter(|_| chance.below(2) == 0),
            same_level: kind == 10 || chance.below(2) == 0,
        };
        let seen = remeasured(&sheet, &request).unwrap();
        return Planted {
            mistake,
            kind,
            largest_db,
            seen,
        };
    }
    panic!("no such mistake was found for kind {kind}");
}

#[derive(Default)]
struct Count {
    cases: usize,
    of_kind_0: usize,
    right: usize,
    verdicts: [usize; 3],
    /// A wrong word: an accusation of the wrong thing, or of nothing; or "kept" where something is wrong.
    wrong_accusation: usize,
    accused_innocent: usize,
    kept_wrongly: usize,
    table: BTreeMap<(String, String), usize>,
}

fn count(cases: impl Iterator<Item = Planted>, show: bool) -> Count {
    let mut count = Count::default();
    for case in cases {
        let told = &case.seen.explanations[0];
        let right = names(&told.explanation, &case.mistake.explanation);
        count.cases += 1;
        count.of_kind_0 += usize::from(case.kind == 0);
        count.right += usize::from(right);
        count.verdicts[case.seen.verdict as usize] += 1;
        let accused = case.seen.verdict == Verdict::NotKept && !right;
        let kept = case.seen.verdict == Verdict::Kept && case.kind != 0;
        count.wrong_accusation += usize::from(accused);
        count.accused_innocent += usize::from(accused && case.kind == 0);
        count.kept_wrongly += usize::from(kept);
        if show && (!right || accused) {
            println!(
                "{:?} {:.1} dB -> {:?}: {:?} {:.3}; misfit {:.2}",
                case.mistake.explanation,
                case.largest_db,
                case.seen.verdict,
                told.explanation,
                told.share,
                told.misfit
            );
        }
        let told = match right {
            true => "right".to_owned(),
            false => told.explanation.name().to_owned(),
        };
        *count
            .table
            .entry((case.mistake.explanation.name().to_owned(), told))
            .or_default() += 1;
    }
    for ((planted, told), cases) in &count.table {
        println!("  {planted:16} {told:16} {cases}");
    }
    println!(
        "{} cases, right first {}, kept {} / not kept {} / cannot tell {}, wrongly accused {}, wrongly kept {}",
        count.cases,
        count.right,
        count.verdicts[0],
        count.verdicts[1],
        count.verdicts[2],
        count.wrong_accusation,
        count.kept_wrongly
    );
    count
}

#[test]
fn of_three_hundred_loads_the_planted_mistake_is_named_first_and_no_right_one_is_accused() {
    let cases = (0..300).map(|seed| {
        let kind = if seed % 3 == 0 {
            0
        } else {
            1 + (seed as usize) % (KINDS - 1)
        };
        planted(seed, kind, &Rig::USUAL, (1.0, 100.0))
    });
    let count = count(cases, true);
    assert!(count.right * 10 >= count.cases * 9);
    let loaded_right = count.of_kind_0;
    assert!(loaded_right == 100 && count.accused_innocent * 50 <= loaded_right);
    assert!(count.wrong_accusation * 50 <= count.cases);
    // Nothing that changes a decibel or more is called kept.
    assert_eq!(count.kept_wrongly, 0);
}

#[test]
fn of_a_hundred_smaller_mistakes_few_are_told_wrongly() {
    let cases = (0..100).map(|seed| {
        // What has no small form is left out.
        let kind = [1, 2, 3, 4, 5, 9][seed as usize % 6];
        planted(9000 + seed, kind, &Rig::USUAL, (0.2, 1.0))
    });
    let count = count(cases, false);
    assert!((count.wrong_accusation + count.kept_wrongly) * 20 <= count.cases);
}

/// Other benches than the usual one: the noise has another form and size, the resonance wanders, takes leak.
#[test]
fn other_benches_do_not_make_it_accuse_the_innocent() {
    let usual = Rig::USUAL;
    let benches = [
        (
            "shelves",
            Rig {
                ripples: false,
                ..usual
            },
            90,
        ),
        (
            "0.6 dB",
            Rig {
                spread_db: 0.6,
                ..usual
            },
            80,
        ),
        (
            "0.2 dB",
            Rig {
                spread_db: 0.2,
                ..usual
            },
            90,
        ),
        (
            "resonance 0.5 kHz",
            Rig {
                shift_hz: 500.0,
                ..usual
            },
            90,
        ),
        (
            "levels",
            Rig {
                level_db: 1.5,
                ..usual
            },
            90,
        ),
        (
            "leaks",
            Rig {
                leaks: 0.25,
                ..usual
            },
            85,
        ),
    ];
    for (k, (name, rig, least)) in benches.iter().enumerate() {
        println!("{name}");
        let cases = (0..40).map(|seed| {
            let kind = if seed % 2 == 0 {
                0
            } else {
                1 + (seed as usize / 2) % (KINDS - 1)
            };
            planted(20_000 + 1000 * k as u64 + seed, kind, rig, (1.0, 100.0))
        });
        let count = count(cases, false);
        assert_eq!(
            (count.accused_innocent, count.kept_wrongly),
            (0, 0),
            "{name}"
        );
        assert!(count.wrong_accusation <= 2, "{name}");
        assert!(count.right * 100 >= count.cases * least, "{name}");
    }
}

fn seen(sheet: &bandwright::sheet::Sheet, taken: promises::Sessions) -> Remeasured {
    let request = Remeasurement {
        before: taken.before,
        after: taken.after,
        judging: Settings::default(),
        rate_hz: None,
        same_level: false,
    };
    remeasured(sheet, &request).unwrap()
}

#[test]
fn two_mistakes_at_once_are_not_called_kept_and_not_blamed_on_one_that_does_not_fit() {
    for seed in 0..12 {
        let mut chance = Chance::new(40_000 + seed);
        let right = sections(&mut chance);
        let sheet = promises::sheet_of(&right, &limits());
        let mut wrong = right.clone();
        wrong[0].gain_db -= 6.0;
        let last = wrong.len() - 2;
        wrong[last].gain_db += 6.0;
        let played = promises::promised(&promises::sheet_of(&wrong, &limits()), 1.0);
        let taken = sessions(&mut chance, &Rig::USUAL, [4, 4], &played);
        let told = seen(&sheet, taken);
        assert_eq!(told.verdict, Verdict::NotKept, "{seed}");
        let first = &told.explanations[0];
        let elsewhere = first.explanation.name() == "something-else";
        assert!(elsewhere || first.misfit < 1.6, "{seed}: {first:?}");
    }
}

#[test]
fn takes_that_all_leak_alike_after_are_no_mistake_of_the_load() {
    for seed in 0..12 {
        let mut chance = Chance::new(50_000 + seed);
        let sheet = promises::sheet_of(&sections(&mut chance), &limits());
        let played = promises::promised(&sheet, 1.0);
        let leaks: promises::Played = Box::new(move |side, f_hz| {
            played(side, f_hz) - 10.0 * (1.0 + (40.0 / f_hz).powi(2)).log10()
        });
        let taken = sessions(&mut chance, &Rig::USUAL, [4, 4], &leaks);
        let told = seen(&sheet, taken);
        assert_ne!(
            told.verdict,
            Verdict::NotKept,
            "{seed}: {:?}",
            told.explanations[0]
        );
        assert_eq!(
            told.explanations[0].explanation.name(),
            "seal-differs",
            "{seed}"
        );
    }
}

#[test]
fn one_take_a_session_tells_what_is_large_and_says_that_its_spread_is_assumed() {
    let mut chance = Chance::new(60_000);
    let sheet = promises::sheet_of(&sections(&mut chance), &limits());
    let nothing: promises::Played = Box::new(|_, _| 0.0);
    let told = seen(&sheet, sessions(&mut chance, &Rig::USUAL, [1, 0], &nothing));
    assert_eq!(told.freedom, 0);
    assert_eq!(told.explanations[0].explanation.name(), "bypassed");
}
