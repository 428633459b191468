//! What the fit makes of several takes: spoiled ones are set aside, the spread weighs, the coupler's resonance is guarded.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use serde_json::Value;

fn demo(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo-data")
        .join(file)
}

/// The document of a quick fit of a demo unit toward the diffuse field, with more options.
fn fitted(unit: &str, options: &[&str]) -> Value {
    let output = Command::cargo_bin("bandwright")
        .unwrap()
        .args([
            "fit",
            "--target",
            "diffuse-field",
            "--effort",
            "quick",
            "--json",
        ])
        .arg(demo(&format!("{unit}/{unit}.unit.toml")))
        .args(options)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

fn file_names(takes: &Value, key: Option<&str>) -> Vec<String> {
    let name = |take: &Value| {
        let path = key.map_or(take, |key| &take[key]).as_str().unwrap();
        Path::new(path)
            .file_stem()
            .unwrap()
            .to_str()
            .unwrap()
            .to_owned()
    };
    takes.as_array().unwrap().iter().map(name).collect()
}

fn numbers(array: &Value) -> Vec<f64> {
    array
        .as_array()
        .unwrap()
        .iter()
        .map(|x| x.as_f64().unwrap())
        .collect()
}

#[test]
fn takes_that_leak_or_do_not_belong_are_set_aside_by_name() {
    for (unit, spoiled) in [
        ("fieldfare-wool", &["right-3"][..]),
        ("fieldfare-mesh", &["left-2", "right-2", "right-4"]),
        ("dunlin", &["left-2", "left-4", "right-1", "right-5"]),
    ] {
        let document = fitted(unit, &[]);
        let set_aside = file_names(&document["set_aside"], Some("take"));
        assert_eq!(set_aside, spoiled, "{unit}");
        let kept = file_names(&document["takes"], None);
        assert!(kept.iter().all(|take| !set_aside.contains(take)), "{unit}");
        let cautions = document["cautions"].as_array().unwrap();
        for take in spoiled {
            let named = |caution: &Value| {
                caution["kind"] == "take-set-aside"
                    && caution["text"].as_str().unwrap().contains(take)
            };
            assert!(cautions.iter().any(named), "{unit} {take}");
        }
        let leak = &document["set_aside"][0];
        assert!(
            leak["finding"].as_str().unwrap().contains("leaks"),
            "{leak}"
        );
        assert!(leak["loss_at_30_hz_db"].as_f64().unwrap() > 2.0);
    }
}

#[test]
fn all_takes_count_when_asked_for_and_the_threshold_is_the_users() {
    let all = fitted("dunlin", &["--takes", "all"]);
    assert_eq!(all["takes"].as_array().unwrap().len(), 10);
    assert_eq!(all["set_aside"].as_array().unwrap().len(), 0);
    // Planted: 3 and 8 dB a side.
    let lenient = fitted("dunlin", &["--leak-threshold", "5"]);
    assert_eq!(
        file_names(&lenient["set_aside"], Some("take")),
        ["left-4", "right-1"]
    );
    for bad in ["0", "-1", "nan"] {
        let status = Command::cargo_bin("bandwright")
            .unwrap()
            .args(["fit", "--bass", "3", &format!("--leak-threshold={bad}")])
            .arg(demo("dunlin/dunlin.unit.toml"))
            .assert()
            .code(2);
        let said = String::from_utf8_lossy(&status.get_output().stderr).into_owned();
        assert!(said.contains("leak"), "{said}");
    }
}

#[test]
fn about_the_coupler_resonance_little_counts_and_no_peak_is_boosted_or_narrow() {
    let pocket = demo("pocket-eight.limits.toml");
    let ten = ["--sections", "10"];
    let pocket = ["--limits", pocket.to_str().unwrap()];
    for (unit, limits) in [
        ("fieldfare-wool", ten),
        ("fieldfare-wool", pocket),
        ("fieldfare-mesh", ten),
        ("fieldfare-mesh", pocket),
        ("dunlin", ten),
        ("dunlin", pocket),
    ] {
        let document = fitted(unit, &limits);
        let guard = numbers(&document["guard_band_hz"]);
        let width = (guard[1] / guard[0]).log2();
        assert!((width - 2.0 / 3.0).abs() < 1e-3, "{width}");
        let f_hz = numbers(&document["curves"]["frequency_hz"]);
        let trust = numbers(&document["curves"]["trust"]);
        let weight = numbers(&document["curves"]["weight"]);
        let spread_db = numbers(&document["curves"]["spread_db"]);
        for i in 0..f_hz.len() {
            let guarded = if (guard[0]..=guard[1]).contains(&f_hz[i]) {
                0.3
            } else {
                1.0
            };
            let rig = 1.0 - 0.7 * (f_hz[i] / 8000.0).log2().clamp(0.0, 1.0);
            assert!(
                (trust[i] - rig * guarded).abs() < 1e-5,
                "{unit} {}",
                f_hz[i]
            );
            let expected = trust[i] / (1.0 + (spread_db[i] / 0.5).powi(2)).sqrt();
            assert!(
                (weight[i] - expected).abs() < 2e-4,
                "{unit} {}: {} {expected}",
                f_hz[i],
                weight[i]
            );
        }
        for section in document["sections"].as_array().unwrap() {
            let number = |key: &str| section[key].as_f64().unwrap();
            if section["shape"] == "peaking" && (guard[0]..=guard[1]).contains(&number("f0_hz")) {
                assert!(
                    number("gain_db") <= 0.0 && number("q") <= 2.0,
                    "{unit}: {section}"
                );
            }
        }
    }
}

#[test]
fn a_rig_believed_everywhere_and_given_weights_have_no_guard() {
    assert!(fitted("fieldfare-wool", &["--rig", "flat"])["guard_band_hz"].is_null());
    let folder = tempfile::tempdir().unwrap();
    let weight = folder.path().join("weight.csv");
    std::fs::write(&weight, "20,1\n20000,1\n").unwrap();
    let weighted = fitted("fieldfare-wool", &["--weight", weight.to_str().unwrap()]);
    assert!(weighted["guard_band_hz"].is_null());
    assert!(
        numbers(&weighted["curves"]["weight"])
            .iter()
            .all(|w| *w == 1.0)
    );
}
