//! Takes with planted faults are judged as they are: a sample of `tests/benches/takes.rs`, of other seeds, at its aims.

use crate::support::seatings::{Fault, Score, score};

/// Sets of each fault.
const SETS: u64 = 30;
/// First seed; the bench begins at 0.
const FROM: u64 = 500_000;

fn scored(faults: &[Fault], sets: u64) -> Score {
    let mut all = Score::default();
    for fault in faults {
        (FROM..FROM + sets).for_each(|seed| all.add(score(*fault, seed)));
    }
    println!("{faults:?}: {all:?}");
    all
}

/// Whether `found` of `tried` is no more than a true rate of `rate` gives once in a hundred samples.
fn is_within(found: usize, tried: usize, rate: f64) -> bool {
    let mut chance = (1.0 - rate).powi(i32::try_from(tried).unwrap());
    let mut below = 0.0;
    for k in 0..found {
        below += chance;
        chance *= (tried - k) as f64 / (k + 1) as f64 * rate / (1.0 - rate);
    }
    1.0 - below >= 0.01
}

#[test]
fn the_allowance_for_chance_is_that_of_the_binomial() {
    // Of 100 at 1 %, five or more are found in 0.34 %, and four or more in 1.8 % of all samples.
    assert!(is_within(4, 100, 0.01) && !is_within(5, 100, 0.01));
    assert!(is_within(0, 10, 0.01));
}

#[test]
fn leaks_of_either_order_are_set_aside_wherever_below_40_hz_they_are_worst() {
    let all = scored(&[Fault::Leak, Fault::ResonantLeak], SETS);
    assert!(all.planted > 200);
    assert!(is_within(all.wrong, all.planted, 0.02), "{all:?}");
    assert!(is_within(all.false_alarms, all.sound, 0.01), "{all:?}");
    let of_two = scored(&[Fault::LeakAmongTwo], SETS);
    assert!(is_within(of_two.wrong, of_two.planted, 0.02), "{of_two:?}");
}

#[test]
fn leaks_that_happen_to_be_alike_do_not_outvote_several_sound_takes() {
    // In each of these, four leaks or more are alike, and two sound takes or three; the sound ones were called blocked vents.
    for seed in [300_002, 300_144, 300_165, 300_206] {
        let of = score(Fault::Leak, seed);
        assert_eq!((of.wrong, of.false_alarms), (0, 0), "{seed}: {of:?}");
    }
}

#[test]
fn sound_takes_are_sound() {
    let all = scored(&[Fault::None], 2 * SETS);
    assert!(all.sound > 400);
    assert!(is_within(all.false_alarms, all.sound, 0.01), "{all:?}");
}

#[test]
fn copies_are_told_every_time() {
    let all = scored(&[Fault::Copies, Fault::CopyAcross], SETS);
    assert_eq!(all.right, all.planted);
    assert!(is_within(all.false_alarms, all.sound, 0.01), "{all:?}");
}

#[test]
fn where_labels_are_swapped_the_right_take_is_never_set_aside() {
    let all = scored(&[Fault::SwapAmongTwo, Fault::SwapAmongMore], SETS);
    assert_eq!((all.wrong, all.false_alarms), (0, 0));
    assert!(
        is_within(all.planted - all.right, all.planted, 0.05),
        "{all:?}"
    );
}

#[test]
fn a_vent_is_no_leak_and_a_blocked_one_is_told() {
    let faults = [
        Fault::BlockedVent,
        Fault::BlockedVentOneSide,
        Fault::OpenVent,
    ];
    let all = scored(&faults, SETS);
    assert!(is_within(all.wrong, all.planted, 0.05), "{all:?}");
    // Of three takes of one side two leaks may be alike: as a rule nothing is set aside.
    let of_three = scored(&[Fault::BlockedVentOfThree], SETS);
    assert!(
        is_within(of_three.wrong, SETS as usize, 0.05),
        "{of_three:?}"
    );
    let two_leaks = scored(&[Fault::TwoLeaksOfThree], SETS);
    assert_eq!((two_leaks.wrong, two_leaks.false_alarms), (0, 0));
}

#[test]
fn one_wrong_unit_among_three_is_set_aside_and_no_other_take() {
    let all = scored(&[Fault::MoreBass, Fault::OtherBody], SETS);
    assert!(
        is_within(all.planted - all.right, all.planted, 0.02),
        "{all:?}"
    );
}

#[test]
fn hum_and_roughness_are_told_apart() {
    for fault in [Fault::Hum, Fault::Rough] {
        let all = scored(&[fault], SETS);
        assert!(is_within(all.wrong, all.planted, 0.02), "{all:?}");
        assert!(is_within(all.false_alarms, all.sound, 0.01), "{all:?}");
    }
}
