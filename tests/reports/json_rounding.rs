//! What JSON does to numbers: rounded by the unit in their key, whatever document they are in.

use std::collections::BTreeMap;

use bandwright::report::to_json;
use serde_json::{Value, json};

fn written(document: &Value) -> Value {
    serde_json::from_str(&to_json(document)).unwrap()
}

/// What becomes of a number under a key.
fn under(key: &str, value: f64) -> Value {
    written(&json!({ key: value }))[key].clone()
}

#[test]
fn a_number_is_rounded_by_the_unit_that_its_key_ends_in() {
    const X: f64 = 12.345_678_949_9;
    for (key, expected) in [
        ("level_db", 12.3457),
        ("total_lu", 12.3457),
        ("eardrum_dba", 12.3457),
        ("before_db_spl", 12.3457),
        ("sensitivity_db_per_v", 12.3457),
        ("sensitivity_db_per_mw", 12.3457),
        ("deeper_mm", 12.3457),
        ("width_octaves", 12.3457),
        ("impedance_ohm", 12.3457),
        ("misfit", 12.3457),
        ("corner_hz", 12.346),
        ("loss_at_30_hz_db", 12.3457),
        ("rms_v", 12.345_679),
        ("peak_ma", 12.345_679),
        ("percent", 12.345_679),
        ("objective_db2", 12.345_679),
        ("trust", 12.345_679),
        ("weight", 12.345_679),
        ("share", 12.345_679),
        ("counted", 12.345_679),
        ("delay_s", 12.345_678_9),
    ] {
        assert_eq!(under(key, X), expected, "{key}");
        assert_eq!(under(key, -X), -expected, "{key}");
    }
}

#[test]
fn numbers_of_sections_settings_and_what_has_no_unit_stand_as_they_are() {
    const X: f64 = 12.345_678_949_9;
    for key in [
        "f0_hz",
        "gain_db",
        "q",
        "device_q",
        "preamp_db",
        "rate_hz",
        "peak_rate_hz",
        "aligned_at_hz",
        "most_loss_db",
        "measured_db_spl",
        "deviation",
        "b0",
        "hours",
        "s",
        "db",
    ] {
        assert_eq!(under(key, X), X, "{key}");
    }
    // No float is touched that stands under no key at all.
    assert_eq!(written(&json!([X]))[0], X);
}

#[test]
fn where_an_object_stands_can_decide() {
    const X: f64 = 12.345_678_949_9;
    let document = written(&json!({
        "sections": [{ "gain_db": X }],
        "sections_curve": { "gain_db": [X, -X] },
        "wished": { "level_db": X, "turn_up_db": X },
        "one": { "level_db": X },
        "response": { "frequency_hz": [X] },
        "curves": { "frequency_hz": [X] },
        // The key of an outer object is not that of the inner one.
        "response_of": { "response": { "deep": { "frequency_hz": X } } },
    }));
    assert_eq!(document["sections"][0]["gain_db"], X);
    assert_eq!(
        document["sections_curve"]["gain_db"],
        json!([12.3457, -12.3457])
    );
    assert_eq!(document["wished"]["level_db"], X);
    assert_eq!(document["wished"]["turn_up_db"], 12.3457);
    assert_eq!(document["one"]["level_db"], 12.3457);
    assert_eq!(document["response"]["frequency_hz"][0], X);
    assert_eq!(document["curves"]["frequency_hz"][0], 12.346);
    assert_eq!(
        document["response_of"]["response"]["deep"]["frequency_hz"],
        12.346
    );
}

#[test]
fn arrays_inherit_the_key_before_them_also_after_an_object_within() {
    const X: f64 = 0.123_456_78;
    let document = written(&json!({
        "mean_db": [[X, [X]], { "from_hz": X, "sos": [[X]] }, X],
        "next": X,
    }));
    assert_eq!(
        document,
        json!({
            "mean_db": [[0.1235, [0.1235]], { "from_hz": 0.123, "sos": [[X]] }, 0.1235],
            "next": X,
        })
    );
}

#[test]
fn minus_zero_is_zero_rounded_or_not() {
    for key in ["level_db", "gain_db", "b1"] {
        assert_eq!(
            to_json(&json!({ key: -0.0 })),
            format!("{{\n  \"{key}\": 0.0\n}}\n")
        );
    }
    assert_eq!(
        to_json(&json!({ "level_db": -0.000_01 })),
        "{\n  \"level_db\": 0.0\n}\n"
    );
}

#[test]
fn what_is_not_finite_is_null_and_huge_numbers_stay_finite() {
    let wild = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, 1e300];
    for key in ["level_db", "gain_db"] {
        let text = to_json(&BTreeMap::from([(key, wild)]));
        let read: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(
            read[key],
            json!([null, null, null, f64::MAX, 1e300]),
            "{key}"
        );
    }
    assert_eq!(
        under("level_db", 9_007_199_254_740_992.0),
        9_007_199_254_740_992.0
    );
}

#[test]
fn integers_words_and_nulls_pass_and_a_word_is_no_key() {
    let document = json!({
        "count_db": 123_456_789_012_345_678_u64,
        "name": "a \"b_hz\" \\ line\n end",
        "text_db": "0.123456789",
        "none_db": null,
        "empty": {},
        "nothing_db": [],
        "plain": 0.123_456_789,
    });
    assert_eq!(written(&document), document);
}

#[test]
fn objects_stand_over_several_lines_and_arrays_on_one() {
    let document = json!({ "a": { "rise_db": [1.0, 2.5], "b": [{ "c": true }] } });
    assert_eq!(
        to_json(&document),
        "{\n  \"a\": {\n    \"b\": [{\n      \"c\": true\n    }],\n    \"rise_db\": [1.0, 2.5]\n  }\n}\n"
    );
}
