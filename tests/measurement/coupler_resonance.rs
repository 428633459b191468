//! The coupler's resonance is told from the earphone's own peaks by its movement, and taken out of the curve.

use bandwright::measurement::judge::{Judged, Settings, judge};
use bandwright::measurement::resonance::UnitResonance;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take};

use crate::support::coupler_count::{Count, Moved};
use crate::support::couplers::{self, Own, Planted};

const UNITS: u64 = 15;

fn counted(own: Own, moved: Moved) -> Count {
    (1000..1000 + UNITS)
        .map(|seed| Count::of(seed, own, moved))
        .fold(Count::default(), Count::and)
}

fn settings(rig: Rig, resonance_hz: Option<f64>) -> Settings {
    Settings {
        rig,
        resonance_hz,
        ..Settings::default()
    }
}

fn judged(takes: &[Take]) -> Judged {
    judge(takes, &Settings::default()).unwrap()
}

fn found(takes: &[Take]) -> UnitResonance {
    judged(takes).resonance.unwrap()
}

/// The first seeded unit whose resonance is seen to move; most are.
fn well_moved() -> Planted {
    let mut units = (1..=5).map(|seed| couplers::unit(seed, Own::Narrow, 0.02, 4));
    let moved = |unit: &Planted| found(&unit.takes).moves;
    units.find(moved).unwrap()
}

fn near(hz: f64, planted_hz: f64, share: f64) -> bool {
    (hz / planted_hz - 1.0).abs() < share
}

#[test]
fn the_coupler_s_peak_is_found_and_taken_out_beside_any_of_the_earphone_s_own() {
    let mut all = Count::default();
    for (own, name) in Own::ALL {
        let count = counted(own, Moved::Well);
        println!("{name}: {count}");
        all = all.and(count);
    }
    println!("{}\n| 1 to 3 % | all | {all} |", Count::HEAD);
    let share = |part: usize, of: usize| part as f64 / of as f64;
    assert!(share(all.wrong, all.units) <= 0.05);
    assert!(share(all.claimed, all.units) >= 0.85);
    assert!(share(all.within, all.claimed) >= 0.92);
    assert!(share(all.told, all.units) >= 0.75);
    assert!(share(all.covered, all.points) >= 0.8);
    // A band that covers everything would tell nothing.
    assert!(all.half_widths_db / all.points as f64 <= 2.6);
}

#[test]
fn nothing_is_claimed_and_nothing_taken_out_where_takes_hardly_moved() {
    let mut all = Count::default();
    for (own, _) in Own::ALL {
        all = all.and(counted(own, Moved::Hardly));
    }
    println!("{}\n| up to 0.1 % | all | {all} |", Count::HEAD);
    assert!(all.claimed <= 2 && all.told <= 2 && all.wrong <= 1);
}

#[test]
fn a_difference_between_sides_is_no_movement() {
    // One take a side, and sides that are four takes of one seating each.
    let planted = well_moved();
    let one_a_side: Vec<Take> = [0, 4].map(|i| planted.takes[i].clone()).into();
    let one = found(&one_a_side);
    assert!(!one.moves && one.taken_out.is_none() && one.standard_error_hz.is_none());
    assert_eq!(one.depth_range_mm, 0.0);
    let mut still = couplers::unit(8, Own::Smooth, 0.0, 4).takes;
    let other = couplers::unit(9, Own::Smooth, 0.0, 4).takes;
    for (take, other) in still.iter_mut().zip(other) {
        if take.side == Side::Right {
            take.on_grid = other.on_grid;
        }
    }
    assert!(judged(&still).resonance.is_none_or(|found| !found.moves));
}

#[test]
fn a_deep_seat_at_eleven_and_a_half_kilohertz_is_found_too() {
    // The seeded resonance that is nearest.
    let at = |seed: u64| couplers::unit(seed, Own::Broad, 0.02, 5);
    let deepest = (0..60).max_by(|a, b| at(*a).middle_hz().total_cmp(&at(*b).middle_hz()));
    let planted = at(deepest.unwrap());
    assert!(planted.middle_hz() > 11_200.0);
    let found = found(&planted.takes);
    assert!(
        found.moves && near(found.frequency_hz, planted.middle_hz(), 0.015),
        "{found:?}"
    );
}

#[test]
fn each_take_has_its_place_and_the_depth_is_said_as_no_more_than_was_seen() {
    let planted = well_moved();
    let judged = judged(&planted.takes);
    let found = judged.resonance.as_ref().unwrap();
    assert!(found.moves && found.found_in == planted.takes.len());
    for (take, planted_hz) in judged.takes.iter().zip(&planted.resonance_hz) {
        let hz = take.resonance.unwrap().frequency_hz;
        assert!(near(hz, *planted_hz, 0.015), "{hz} for {planted_hz}");
    }
    let mm = |hz: f64| 343e3 / 2.0 / hz;
    let seen_mm = mm(found.range_hz.0) - mm(found.range_hz.1);
    assert!(found.depth_range_mm > 0.5 * seen_mm && found.depth_range_mm < seen_mm);
}

#[test]
fn the_curve_without_resonance_meets_the_average_below_it_and_has_a_band() {
    let planted = well_moved();
    let judged = judged(&planted.takes);
    let curve = judged.resonance.unwrap().taken_out.unwrap();
    let first = curve.points.first().unwrap();
    let at =
        bandwright::measurement::grid::frequency_hz().partition_point(|f| *f < first.frequency_hz);
    assert!((first.level_db - judged.average.on_grid.level_db[at]).abs() < 1.5);
    assert!((3900.0..4300.0).contains(&first.frequency_hz));
    assert!(curve.points.last().unwrap().frequency_hz <= 14_000.0);
    for point in &curve.points {
        assert!(point.low_db < point.level_db && point.level_db < point.high_db);
    }
}

#[test]
fn nothing_is_claimed_on_a_free_field_rig_or_in_short_data() {
    let planted = well_moved();
    let free = judge(&planted.takes, &settings(Rig::Flat, None)).unwrap();
    assert_eq!(free.resonance, None);
    let mut short = planted.takes.clone();
    for take in &mut short {
        take.on_grid.support.end = 400;
    }
    assert!(judged(&short).resonance.is_none_or(|found| !found.moves));
}

#[test]
fn a_given_frequency_overrides_what_is_found() {
    let planted = well_moved();
    let given_hz = planted.middle_hz() * 1.004;
    let rig = Rig::default();
    let moved = judge(&planted.takes, &settings(rig.clone(), Some(given_hz))).unwrap();
    let moved = moved.resonance.unwrap();
    assert!(moved.given && moved.moves && moved.frequency_hz == given_hz);
    // Where nothing moved, the earphone's own peak is not taken in its place.
    let still = couplers::unit(11, Own::Narrow, 0.0, 3);
    let given_hz = still.middle_hz();
    let found = judge(&still.takes, &settings(rig, Some(given_hz))).unwrap();
    let found = found.resonance.unwrap();
    assert!(found.given && !found.moves && found.is_the_coupler_s());
    assert_eq!(found.frequency_hz, given_hz);
    assert!(found.guard_hz.0 < given_hz && found.guard_hz.1 > given_hz);
}

#[test]
fn the_order_of_takes_changes_nothing_of_it() {
    let planted = well_moved();
    let mut turned = planted.takes.clone();
    turned.reverse();
    assert_eq!(found(&planted.takes), found(&turned));
}
