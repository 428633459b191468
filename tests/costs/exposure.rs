//! Times that the published rules allow, levels in the field, and what is never said.

use std::collections::HashMap;

use approx::assert_abs_diff_eq;
use bandwright::cost::at_ear::Playback;
use bandwright::cost::exposure::{
    AllowedTime, CAUTIONS, CEILING_DBA, Field, FieldTable, Listener, Span, exposure,
    field_to_eardrum_db, h870, niosh,
};
use bandwright::cost::programme::{Programme, ProgrammeLevel};
use bandwright::cost::weighting::a_db;
use bandwright::measurement::OnGrid;
use bandwright::measurement::grid::{self, POINTS};
use bandwright::measurement::unit_file::{Drive, Sensitivity};
use proptest::prelude::*;

fn rows(name: &str) -> Vec<HashMap<String, String>> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/tables");
    csv::Reader::from_path(format!("{folder}/{name}"))
        .unwrap()
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn hours(time: AllowedTime) -> f64 {
    match time {
        AllowedTime::Hours(hours) => hours,
        other => panic!("{other:?}"),
    }
}

#[test]
fn times_a_week_are_those_of_h_870() {
    // 80 dBA for 40 hours, halved every 3 dB; children the same from 75 dBA.
    for (above_db, expected) in [
        (0.0, 40.0),
        (3.0, 20.0),
        (6.0, 10.0),
        (9.0, 5.0),
        (12.0, 2.5),
        (-3.0, 80.0),
        (-6.0, 160.0),
    ] {
        for (listener, limit_dba) in [(Listener::Adult, 80.0), (Listener::Child, 75.0)] {
            let times = h870(limit_dba + above_db, listener);
            assert_abs_diff_eq!(hours(times.per_week), expected, epsilon = 1e-9);
            match times.per_day {
                AllowedTime::Hours(hours) => {
                    assert_abs_diff_eq!(hours, expected / 7.0, epsilon = 1e-9);
                }
                other => panic!("{other:?}"),
            }
        }
    }
    assert_eq!(
        h870(73.0, Listener::Adult).per_week,
        AllowedTime::NotLimited
    );
    assert_eq!(h870(73.0, Listener::Adult).per_day, AllowedTime::NotLimited);
    // A child at the same level is limited still.
    assert!(hours(h870(73.0, Listener::Child).per_week) < 65.0);
}

#[test]
fn times_a_day_are_those_of_niosh() {
    // NIOSH 98-126, table 1-1 (from memory): hours, minutes, seconds.
    for (level_dba, h, min, s) in [
        (82.0, 16, 0, 0),
        (85.0, 8, 0, 0),
        (86.0, 6, 21, 0),
        (88.0, 4, 0, 0),
        (90.0, 2, 31, 0),
        (91.0, 2, 0, 0),
        (94.0, 1, 0, 0),
        (97.0, 0, 30, 0),
        (100.0, 0, 15, 0),
        (103.0, 0, 7, 30),
        (106.0, 0, 3, 45),
    ] {
        let expected = f64::from(h) + f64::from(min) / 60.0 + f64::from(s) / 3600.0;
        // The table is rounded to minutes.
        assert_abs_diff_eq!(hours(niosh(level_dba)), expected, epsilon = 0.5 / 60.0);
    }
    // 25 hours 24 minutes in the table.
    assert_eq!(niosh(80.0), AllowedTime::NotLimited);
}

#[test]
fn no_time_longer_than_the_span_is_said() {
    let words = AllowedTime::NotLimited.words(Span::Day);
    assert_eq!(
        words,
        "longer than a day: these standards give no limit here; that does not mean harmless"
    );
    assert!(
        AllowedTime::NotLimited
            .words(Span::Week)
            .starts_with("longer than a week: ")
    );
    assert_eq!(niosh(f64::NEG_INFINITY), AllowedTime::NotLimited);
}

#[test]
fn what_is_no_number_or_above_the_ceiling_has_no_time() {
    for level_dba in [CEILING_DBA, 150.0, f64::INFINITY, f64::NAN] {
        assert_eq!(niosh(level_dba), AllowedTime::None);
        assert_eq!(h870(level_dba, Listener::Adult).per_week, AllowedTime::None);
        assert_eq!(h870(level_dba, Listener::Child).per_day, AllowedTime::None);
    }
    assert!(AllowedTime::None.words(Span::Day).contains("none at all"));
}

#[test]
fn times_in_words_are_rounded_down() {
    let words = |hours| AllowedTime::Hours(hours).words(Span::Day);
    assert_eq!(words(5.999), "5.9 hours a day");
    assert_eq!(words(0.5), "30 minutes a day");
    assert_eq!(words(0.9999), "59 minutes a day");
    assert_eq!(words(0.01), "36 seconds a day");
    assert_eq!(words(0.000_1), "less than a second a day");
    assert_eq!(
        AllowedTime::Hours(40.0).words(Span::Week),
        "40 hours a week"
    );
    // No more than two digits.
    assert_eq!(
        AllowedTime::Hours(58.29).words(Span::Week),
        "58 hours a week"
    );
    assert_eq!(AllowedTime::Hours(167.9).brief(), "160 h");
    assert_eq!(AllowedTime::Hours(0.0599).brief(), "3.5 min");
}

#[test]
fn the_way_from_field_to_eardrum_is_that_of_the_tables() {
    for (table, file, free, diffuse) in [
        (
            FieldTable::Iso532_2,
            "iso532_2_field_to_eardrum.csv",
            "free_field_db",
            "diffuse_field_db",
        ),
        (
            FieldTable::P58,
            "eardrum_field_responses.csv",
            "p58_free_frontal_db",
            "p58_diffuse_db",
        ),
    ] {
        let rows = rows(file);
        assert!(rows.len() >= 24);
        for (field, column) in [(Field::Free, free), (Field::Diffuse, diffuse)] {
            let correction_db = field_to_eardrum_db(field, table);
            for row in &rows {
                let f_hz: f64 = row["frequency_hz"].parse().unwrap();
                let expected: f64 = row[column].parse().unwrap();
                assert_abs_diff_eq!(correction_db(f_hz), expected, epsilon = 1e-12);
            }
            assert_eq!(correction_db(20.0), 0.0);
        }
    }
}

/// A flat earphone of 100 dB SPL at 1 V, fed with pink noise at 1 V rms.
fn flat() -> OnGrid {
    OnGrid {
        level_db: vec![0.0; POINTS],
        support: 0..POINTS,
    }
}

fn playing<'a>(response: &'a OnGrid, programme: &'a Programme) -> Playback<'a> {
    Playback {
        response,
        sections: &[],
        rate_hz: 48_000.0,
        preamp_db: 0.0,
        sensitivity: Sensitivity {
            db_spl: 100.0,
            per: Drive::Volt,
            at_hz: 1000.0,
        },
        impedance: None,
        source: None,
        programme,
        level: ProgrammeLevel {
            rms_db: 0.0,
            crest_db: 13.0,
        },
    }
}

#[test]
fn a_pink_programme_is_weighted_and_brought_to_the_field_as_its_third_octaves_say() {
    let (response, pink) = (flat(), Programme::pink());
    let at_ear = playing(&response, &pink).at_ear().unwrap();
    let found = exposure(&at_ear, 0.0, Field::Diffuse, FieldTable::Iso532_2);
    // 30 third octaves from 20 Hz to 20 kHz, from the tables' own values; those at the ends are half in the band.
    let weighting = rows("iec61672_a_c_weighting.csv");
    let diffuse = rows("iso532_2_field_to_eardrum.csv");
    let (mut sum, mut in_field, mut counted) = (0.0, 0.0, 0.0);
    for row in &weighting {
        let nominal: f64 = row["nominal_hz"].parse().unwrap();
        if nominal < 20.0 {
            continue;
        }
        let share = if nominal == 20.0 || nominal == 20_000.0 {
            0.5
        } else {
            1.0
        };
        let a: f64 = row["a_table_db"].parse().unwrap();
        let correction = diffuse
            .iter()
            .find(|row| row["frequency_hz"].parse::<f64>().unwrap() == nominal)
            .map(|row| row["diffuse_field_db"].parse::<f64>().unwrap())
            .unwrap();
        counted += share;
        sum += share * 10f64.powf(a / 10.0);
        in_field += share * 10f64.powf((a - correction) / 10.0);
    }
    assert_eq!(counted, 30.0);
    let level = |power: f64| 100.0 + 10.0 * (power / counted).log10();
    assert_abs_diff_eq!(found.eardrum_dba, level(sum), epsilon = 0.05);
    assert_abs_diff_eq!(found.field_dba, level(in_field), epsilon = 0.1);
    // What the head adds is taken off, and the other table says nearly the same.
    assert!(found.field_dba < found.eardrum_dba - 3.0);
    assert_abs_diff_eq!(found.other_table_dba, found.field_dba, epsilon = 1.5);
    assert!(found.other_table_dba != found.field_dba);
    let adults = h870(found.field_dba, Listener::Adult);
    assert_eq!(found.adults_per_week, adults.per_week);
    assert_eq!(found.adults_per_day, adults.per_day);
    let children = h870(found.field_dba, Listener::Child);
    assert_eq!(found.children_per_week, children.per_week);
    assert_eq!(found.children_per_day, children.per_day);
    assert_eq!(found.niosh_per_day, niosh(found.field_dba));
}

#[test]
fn a_programme_shaped_like_the_ear_is_as_loud_in_the_field_as_its_flat_self() {
    // What plays is pink in the field: the response at the eardrum is the table itself.
    let correction_db = field_to_eardrum_db(Field::Free, FieldTable::P58);
    let response = OnGrid {
        level_db: grid::frequency_hz()
            .iter()
            .map(|f| correction_db(*f))
            .collect(),
        support: 0..POINTS,
    };
    let pink = Programme::pink();
    let shaped = playing(&response, &pink).at_ear().unwrap();
    let found = exposure(&shaped, 0.0, Field::Free, FieldTable::P58);
    let (flat, at_1_khz_db) = (flat(), correction_db(1000.0));
    let expected = playing(&flat, &pink).at_ear().unwrap().level_db(true, a_db) - at_1_khz_db;
    assert_abs_diff_eq!(found.field_dba, expected, epsilon = 0.01);
}

#[test]
fn the_cautions_defer_to_local_rules_and_a_hearing_professional() {
    let all = CAUTIONS.join(" ");
    for words in [
        "estimates",
        "differ by person and by seal",
        "Local rules",
        "hearing professional",
    ] {
        assert!(all.contains(words), "{words}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_time_exceeds_its_span_and_louder_is_never_longer(
        level_dba in 0.0..200.0f64,
        more_db in 0.0..60.0f64,
    ) {
        let order = |time: AllowedTime| match time {
            AllowedTime::None => 0.0,
            AllowedTime::Hours(hours) => hours,
            AllowedTime::NotLimited => f64::INFINITY,
        };
        let all = |level| {
            let adults = h870(level, Listener::Adult);
            let children = h870(level, Listener::Child);
            [
                (adults.per_week, Span::Week),
                (adults.per_day, Span::Day),
                (children.per_week, Span::Week),
                (children.per_day, Span::Day),
                (niosh(level), Span::Day),
            ]
        };
        for ((quieter, span), (louder, _)) in all(level_dba).into_iter().zip(all(level_dba + more_db)) {
            prop_assert!(order(louder) <= order(quieter));
            if let AllowedTime::Hours(hours) = quieter {
                let longest = if span == Span::Day { 24.0 } else { 168.0 };
                prop_assert!(hours > 0.0 && hours <= longest);
                let words = quieter.words(span);
                if let Some((number, _)) = words.split_once(" hours") {
                    prop_assert!(number.parse::<f64>().unwrap() <= hours);
                }
            }
        }
    }

    #[test]
    fn three_db_more_halve_the_time(level_dba in 81.0..130.0f64) {
        let (one, half) = (hours(niosh(level_dba)), hours(niosh(level_dba + 3.0)));
        prop_assert!((one / half - 2.0).abs() < 1e-9);
    }

    #[test]
    fn turning_up_adds_to_every_level(turn_up_db in -40.0..40.0f64) {
        let (response, pink) = (flat(), Programme::pink());
        let at_ear = playing(&response, &pink).at_ear().unwrap();
        let at = |up| exposure(&at_ear, up, Field::Diffuse, FieldTable::P58);
        prop_assert!((at(turn_up_db).field_dba - at(0.0).field_dba - turn_up_db).abs() < 1e-9);
        prop_assert!((at(turn_up_db).eardrum_dba - at(0.0).eardrum_dba - turn_up_db).abs() < 1e-9);
    }
}
