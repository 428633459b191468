//! Coefficients, response and gradient against `tests/reference/biquad/` (provenance beside it).

use std::collections::HashMap;

use bandwright::filter::{Section, Shape, biquad::Biquad, response};

fn rows(name: &str) -> Vec<HashMap<String, String>> {
    let path = format!(
        "{}/tests/reference/biquad/{name}",
        env!("CARGO_MANIFEST_DIR")
    );
    let mut reader = csv::Reader::from_path(path).unwrap();
    let header = reader.headers().unwrap().clone();
    reader
        .records()
        .map(|record| {
            header
                .iter()
                .map(str::to_owned)
                .zip(record.unwrap().iter().map(str::to_owned))
                .collect()
        })
        .collect()
}

fn number(row: &HashMap<String, String>, key: &str) -> f64 {
    row[key].parse().unwrap()
}

fn section(row: &HashMap<String, String>) -> Section {
    Section {
        shape: match row["type"].as_str() {
            "lowshelf" => Shape::LowShelf,
            "peaking" => Shape::Peaking,
            "highshelf" => Shape::HighShelf,
            other => panic!("unknown shape {other}"),
        },
        f0_hz: number(row, "f0"),
        gain_db: number(row, "gain_db"),
        q: number(row, "q"),
    }
}

#[test]
fn coefficients_agree_with_forty_digit_arithmetic_within_1e_12() {
    let rows = rows("biquad_60.csv");
    assert_eq!(rows.len(), 60);
    for row in &rows {
        let c = Biquad::new(&section(row), number(row, "fs")).unwrap();
        for (key, ours) in [
            ("b0", c.b0),
            ("b1", c.b1),
            ("b2", c.b2),
            ("a1", c.a1),
            ("a2", c.a2),
        ] {
            let theirs = number(row, key);
            assert!(
                (ours - theirs).abs() <= 1e-12,
                "{} {key}: {ours} {theirs}",
                row["id"]
            );
        }
    }
}

#[test]
fn the_level_agrees_with_the_closed_form_within_1e_8_db() {
    let mut compared = 0;
    for row in &rows("biquad_60.csv") {
        for (key, value) in row {
            let Some(f_hz) = key.strip_prefix("db_") else {
                continue;
            };
            if value.is_empty() {
                continue;
            }
            let ours = response::level_db(&section(row), number(row, "fs"), f_hz.parse().unwrap());
            let theirs: f64 = value.parse().unwrap();
            assert!(
                (ours - theirs).abs() <= 1e-8,
                "{} at {f_hz} Hz: {ours} {theirs}",
                row["id"]
            );
            compared += 1;
        }
    }
    assert!(compared >= 60 * 20, "only {compared} levels compared");
}

#[test]
fn the_gradient_agrees_with_the_reference_within_1e_6() {
    let sections: HashMap<String, (Section, f64)> = rows("biquad_60.csv")
        .iter()
        .map(|row| (row["id"].clone(), (section(row), number(row, "fs"))))
        .collect();
    let rows = rows("biquad_60_gradient.csv");
    assert_eq!(rows.len(), 420);
    for row in &rows {
        let (section, rate_hz) = sections[&row["id"]];
        let level = response::level(&section, rate_hz, number(row, "frequency_hz"));
        for (key, ours) in [
            ("d_db_d_ln_f0", level.per_ln_f0),
            ("d_db_d_gain_db", level.per_gain_db),
            ("d_db_d_ln_q", level.per_ln_q),
        ] {
            let theirs = number(row, key);
            assert!(
                (ours - theirs).abs() <= 1e-6,
                "{} {key}: {ours} {theirs}",
                row["id"]
            );
        }
    }
}
