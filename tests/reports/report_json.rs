//! The document of `fit --json`.

use crate::support::{option_names, outcomes};

use bandwright::job::Outcome;
use bandwright::job::ReachPoint;
use bandwright::report::fit_json;
use serde_json::Value;

fn text(outcome: &Outcome) -> String {
    fit_json(outcome, &[], &outcomes::written(), option_names::typed)
}

fn parsed(outcome: &Outcome) -> Value {
    serde_json::from_str(&text(outcome)).unwrap()
}

fn keys(value: &Value) -> Vec<&str> {
    value
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect()
}

fn numbers(value: &Value) -> Vec<f64> {
    let array = value.as_array().unwrap();
    array
        .iter()
        .map(|number| number.as_f64().expect("numbers only"))
        .collect()
}

#[test]
fn the_document_has_the_documented_keys_and_no_others() {
    let document = parsed(&outcomes::realistic());
    // serde_json's map sorts its keys.
    assert_eq!(
        keys(&document),
        [
            "aligned_at_hz",
            "cautions",
            "cost",
            "curves",
            "economy_ratio",
            "enough",
            "files",
            "format",
            "headroom",
            "heard",
            "idle_bands_hz",
            "limits",
            "loudness",
            "loudness_wish",
            "objective_db2",
            "other_ears",
            "protection",
            "rates_hz",
            "reach",
            "residual",
            "residual_by_rate",
            "search",
            "sections",
            "sections_curve",
            "set_aside",
            "smoothing",
            "source_bend",
            "spread",
            "start",
            "take_residuals",
            "takes",
            "target",
            "trusted_band_hz",
            "unit",
            "verb"
        ]
    );
    assert_eq!(document["format"], 2);
    assert_eq!(document["verb"], "fit");
    assert_eq!(keys(&document["target"]), ["name", "source"]);
    assert_eq!(
        keys(&document["sections"][0]),
        ["device_q", "f0_hz", "gain_db", "kept", "q", "shape"]
    );
    assert_eq!(
        keys(&document["headroom"]),
        [
            "any_signal_gain_db",
            "peak_gain_db",
            "peak_hz",
            "peak_rate_hz",
            "preamp_db"
        ]
    );
    assert_eq!(
        keys(&document["spread"]),
        ["largest_db", "largest_hz", "rms_db"]
    );
    for moment in ["before", "after"] {
        assert_eq!(
            keys(&document["residual"][moment]),
            ["trusted_band_db", "weighted_db"]
        );
    }
    assert_eq!(
        keys(&document["residual_by_rate"][0]),
        ["rate_hz", "weighted_db"]
    );
    assert_eq!(
        keys(&document["search"]),
        [
            "agreeing",
            "effort",
            "enough",
            "evaluations",
            "exact",
            "polishes",
            "restarts",
            "searches",
            "stop"
        ]
    );
    assert_eq!(
        keys(&document["curves"]),
        [
            "equalised_db",
            "expected_db",
            "frequency_hz",
            "measured_db",
            "spread_db",
            "target_db",
            "trust",
            "weight"
        ]
    );
    assert_eq!(
        keys(&document["sections_curve"]),
        ["frequency_hz", "gain_db", "rate_hz"]
    );
    assert_eq!(keys(&document["cautions"][0]), ["kind", "text"]);
    assert_eq!(document["cautions"][0]["kind"], "boost");
    assert_eq!(document["cautions"][2]["kind"], "target-table");
    assert_eq!(document["files"][0]["kind"], "sheet");
    assert_eq!(document["files"][1]["path"], "pictures/wool.svg");
}

#[test]
fn the_document_is_written_in_reading_order_and_ends_with_a_newline() {
    let text = text(&outcomes::realistic());
    assert!(text.starts_with(
        "{\n  \"format\": 2,\n  \"verb\": \"fit\",\n  \"unit\": \"Fieldfare, wool insert\",\n"
    ));
    assert!(text.ends_with("\n}\n"));
    assert!(text.contains("  \"rates_hz\": [44100.0, 48000.0, 96000.0],\n"));
    assert!(
        text.lines().count() < 170,
        "arrays of numbers stay on one line"
    );
}

#[test]
fn curves_are_equally_long_and_cover_the_support_only() {
    let outcome = outcomes::wild();
    let document = parsed(&outcome);
    let curves = &document["curves"];
    let frequency_hz = numbers(&curves["frequency_hz"]);
    assert_eq!(frequency_hz.len(), outcome.shared.curves.support.len());
    assert!(frequency_hz[0] >= 200.0 && frequency_hz[frequency_hz.len() - 1] <= 8000.0);
    for key in keys(curves) {
        assert_eq!(numbers(&curves[key]).len(), frequency_hz.len(), "{key}");
    }
    let first = outcome.shared.curves.support.start;
    let measured = numbers(&curves["measured_db"]);
    approx::assert_abs_diff_eq!(
        measured[0],
        outcome.channels[0].curves.measured_db[first],
        epsilon = 0.5e-4
    );

    let sections = &document["sections_curve"];
    assert_eq!(numbers(&sections["frequency_hz"]).len(), 479);
    assert_eq!(numbers(&sections["gain_db"]).len(), 479);
    assert_eq!(sections["rate_hz"], 44_100.0);
}

#[test]
fn the_reach_is_listed_from_no_section_on_and_rounded() {
    let mut outcome = outcomes::realistic();
    let point = |sections, residual_db, objective_db2| ReachPoint {
        sections,
        residual_db,
        objective_db2,
    };
    outcome.channels[0].reach = vec![point(0, 2.791_234, 7.790_987_65), point(1, 1.5, 2.25)];
    let document = parsed(&outcome);
    assert_eq!(
        document["reach"],
        serde_json::json!([
            { "sections": 0, "residual_db": 2.7912, "objective_db2": 7.790_988 },
            { "sections": 1, "residual_db": 1.5, "objective_db2": 2.25 },
        ])
    );
}

#[test]
fn the_spread_is_summed_up_over_the_trusted_band() {
    let mut outcome = outcomes::realistic();
    let spread_db = outcome.shared.curves.spread_db.as_mut().unwrap();
    spread_db.fill(0.5);
    spread_db[48] = 2.0;
    spread_db[470] = 9.0;
    let document = parsed(&outcome);
    let spread = &document["spread"];
    assert_eq!(spread["largest_db"], 2.0);
    assert_eq!(spread["largest_hz"], 40.0);
    let points = (outcome.shared.trusted_band_hz.unwrap().1 / 20.0).log2() * 48.0 + 1.0;
    let rms_db = (0.25 + (4.0 - 0.25) / points).sqrt();
    approx::assert_abs_diff_eq!(spread["rms_db"].as_f64().unwrap(), rms_db, epsilon = 1e-4);
}

#[test]
fn an_unknown_spread_is_null_as_a_whole() {
    assert_eq!(parsed(&outcomes::flat())["spread"], Value::Null);
    assert_eq!(
        parsed(&outcomes::flat())["curves"]["spread_db"],
        Value::Null
    );
}

#[test]
fn numbers_are_rounded_and_those_of_the_sections_are_not() {
    let mut outcome = outcomes::realistic();
    outcome.channels[0].sections[0].f0_hz = 75.123_456_789;
    let document = parsed(&outcome);
    assert_eq!(document["sections"][0]["f0_hz"], 75.123_456_789);
    assert_eq!(document["sections"][2]["q"], 1.412);
    let on_steps = |values: &Value, per_unit: f64| {
        numbers(values)
            .iter()
            .all(|v| (v - (v * per_unit).round() / per_unit).abs() == 0.0)
    };
    let curves = &document["curves"];
    for key in ["measured_db", "spread_db", "target_db", "equalised_db"] {
        assert!(on_steps(&curves[key], 1e4), "{key}");
    }
    assert!(on_steps(&curves["trust"], 1e6) && on_steps(&curves["weight"], 1e6));
    assert!(on_steps(&curves["frequency_hz"], 1e3));
    assert_eq!(curves["frequency_hz"][48], 40.0);
    let after = document["residual"]["after"]["weighted_db"]
        .as_f64()
        .unwrap();
    assert!(after != outcome.shared.residual.after.weighted_db);
    approx::assert_abs_diff_eq!(
        after,
        outcome.shared.residual.after.weighted_db,
        epsilon = 0.5e-4
    );
}

#[test]
fn what_is_no_number_leaves_no_null_in_an_array() {
    let mut outcome = outcomes::realistic();
    outcome.channels[0].curves.measured_db[10] = f64::NAN;
    outcome.shared.curves.weight[20] = f64::INFINITY;
    outcome.channels[0].curves.sections_db[30] = f64::NEG_INFINITY;
    outcome.shared.economy_ratio = f64::NAN;
    outcome.shared.objective_db2 = f64::NAN;
    let document = parsed(&outcome);
    let curves = &document["curves"];
    for key in keys(curves) {
        assert_eq!(numbers(&curves[key]).len(), 477, "{key}");
    }
    assert_eq!(numbers(&document["sections_curve"]["gain_db"]).len(), 478);
    assert_eq!(document["economy_ratio"], Value::Null);
    assert_eq!(document["objective_db2"], Value::Null);
    assert!(!text(&outcome).contains("NaN"));
}

#[test]
fn without_sections_or_trust_the_figures_that_do_not_exist_are_null() {
    let mut outcome = outcomes::flat();
    outcome.shared.trusted_band_hz = None;
    outcome.shared.residual.after.trusted_band_db = None;
    outcome.shared.curves.support = 0..0;
    let document = parsed(&outcome);
    assert_eq!(document["sections"], Value::Array(vec![]));
    assert_eq!(document["economy_ratio"], Value::Null);
    assert_eq!(document["trusted_band_hz"], Value::Null);
    assert_eq!(
        document["residual"]["after"]["trusted_band_db"],
        Value::Null
    );
    assert!(numbers(&document["curves"]["frequency_hz"]).is_empty());
}

#[test]
fn names_survive_whatever_they_hold() {
    let mut outcome = outcomes::wild();
    outcome.shared.unit = "quote \" back \\ line\n bell \u{7} \u{1F3A7}".into();
    assert_eq!(
        parsed(&outcome)["unit"].as_str(),
        Some(outcome.shared.unit.as_str())
    );
}
