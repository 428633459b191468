//! What the fit makes of several takes: spoiled ones are set aside, and what is fitted is meant for other ears.

use crate::support::{fit_text, option_names};
use std::path::{Path, PathBuf};

use crate::support::fits::{self, FitRequest};
use assert_cmd::Command;
use bandwright::filter::{Section, Shape};
use bandwright::fit::Effort;
use bandwright::limits::Limits;
use bandwright::measurement::grid;
use bandwright::measurement::judge::{Settings, judge};
use bandwright::measurement::takes::{Side, Take};
use bandwright::measurement::unit_file::read_take;
use bandwright::report;
use bandwright::sheet::{self, Sheet};
use bandwright::verify::Remeasurement;
use bandwright::verify::check_sheet;
use bandwright::verify::remeasured::{TOLERANCE_DB, remeasured};
use bandwright::wanted::Contour;
use proptest::prelude::*;
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
        // Their order is that of what was measured.
        let mut set_aside = file_names(&document["set_aside"], Some("take"));
        set_aside.sort();
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
    // Planted: 3 and 8 dB at 30 Hz a side, which are 5 and 11 dB at 20 Hz.
    let lenient = fitted("dunlin", &["--leak-threshold", "8"]);
    let mut set_aside = file_names(&lenient["set_aside"], Some("take"));
    set_aside.sort();
    assert_eq!(set_aside, ["left-4", "right-1"]);
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
fn nothing_narrow_fills_what_takes_disagree_on_and_no_peak_lies_above_what_the_rig_knows() {
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
        let f_hz = numbers(&document["curves"]["frequency_hz"]);
        let trust = numbers(&document["curves"]["trust"]);
        let spread_db = numbers(&document["curves"]["spread_db"]);
        for i in 0..f_hz.len() {
            let rig = 1.0 - 0.7 * (f_hz[i] / 8000.0).log2().clamp(0.0, 1.0);
            assert!((trust[i] - rig).abs() < 1e-5, "{unit} {}", f_hz[i]);
        }
        assert_eq!(document["curves"]["weight"], document["curves"]["trust"]);
        let highest_hz = document["trusted_band_hz"][1].as_f64().unwrap();
        for section in document["sections"].as_array().unwrap() {
            let number = |key: &str| section[key].as_f64().unwrap();
            let (f0_hz, gain_db) = (number("f0_hz"), number("gain_db"));
            if section["shape"] == "peaking" {
                assert!(f0_hz <= 1.001 * highest_hz, "{unit}: {section}");
                let nearest = f_hz.partition_point(|f| *f < f0_hz).min(f_hz.len() - 1);
                let disagree = spread_db[nearest] > 1.0 && spread_db[nearest - 1] > 1.0;
                assert!(
                    gain_db <= 0.0 || number("q") <= 2.0 || !disagree,
                    "{unit}: {section}"
                );
            } else if f0_hz > 5005.0 {
                assert!(gain_db.abs() <= 4.0, "{unit}: {section}");
            }
        }
        // Every take that counts is told what it is left with, and none is worse off.
        let takes = document["take_residuals"].as_array().unwrap();
        assert_eq!(takes.len(), document["takes"].as_array().unwrap().len());
        for take in takes {
            let figure = |key: &str| take[key].as_f64().unwrap();
            assert!(figure("after_db") < figure("before_db"), "{unit}: {take}");
        }
    }
}

#[test]
fn what_is_fitted_is_for_other_ears_unless_the_ear_or_the_rig_or_the_weights_are_known() {
    let others = fitted("fieldfare-wool", &[]);
    assert!(others["other_ears"]["moved_octaves"].as_f64().unwrap() > 0.0);
    assert_ne!(
        others["curves"]["expected_db"],
        others["curves"]["measured_db"]
    );
    let folder = tempfile::tempdir().unwrap();
    let weight = folder.path().join("weight.csv");
    std::fs::write(&weight, "20,1\n20000,1\n").unwrap();
    let weight = ["--weight", weight.to_str().unwrap()];
    for known in [&["--this-ear"][..], &["--rig", "flat"], &weight] {
        let document = fitted("fieldfare-wool", known);
        assert!(document["other_ears"].is_null(), "{known:?}");
        let curves = &document["curves"];
        assert_eq!(curves["expected_db"], curves["measured_db"], "{known:?}");
    }
    let weighted = fitted("fieldfare-wool", &weight);
    assert!(
        numbers(&weighted["curves"]["weight"])
            .iter()
            .all(|w| *w == 1.0)
    );
}

#[test]
fn smoothing_is_said_and_leaves_a_smoother_curve() {
    let plain = fitted("dunlin", &[]);
    assert!(plain["smoothing"].is_null());
    let roughness = |document: &Value| -> f64 {
        let level_db = numbers(&document["curves"]["measured_db"]);
        level_db
            .windows(3)
            .map(|w| (w[0] - 2.0 * w[1] + w[2]).powi(2))
            .sum()
    };
    for (asked, said) in [
        ("1/6", "1/6 octave"),
        ("erb", "the ear's width (ERB)"),
        ("0.5", "1/2 octave"),
    ] {
        let smooth = fitted("dunlin", &["--smooth", asked]);
        assert_eq!(smooth["smoothing"], said);
        assert!(roughness(&smooth) < 0.5 * roughness(&plain), "{asked}");
        assert_eq!(smooth["set_aside"], plain["set_aside"]);
    }
    for bad in ["", "0", "-1/3", "1/0", "3", "nan", "third"] {
        let output = Command::cargo_bin("bandwright")
            .unwrap()
            .args(["fit", "--bass", "3", &format!("--smooth={bad}")])
            .arg(demo("dunlin/dunlin.unit.toml"))
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2), "{bad}");
    }
}

#[test]
fn a_delay_that_no_equaliser_undoes_is_said() {
    // All-pass of second order at 1 kHz, q 2: flat in level, its phase turns by 360 degrees.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("left.csv");
    let mut text = String::new();
    for i in 0..600 {
        let f_hz = 20.0 * 2f64.powf(f64::from(i) / 60.0);
        let x = f_hz / 1000.0;
        let turned = 2.0 * (x / 2.0).atan2(1.0 - x * x).to_degrees();
        let level_db = 3.0 / (1.0 + (f_hz / 200.0).powi(2));
        text += &format!("{f_hz:.4},{level_db:.4},{:.3}\n", -turned);
    }
    std::fs::write(&path, text).unwrap();
    let output = Command::cargo_bin("bandwright")
        .unwrap()
        .args(["fit", "--bass", "3", "--effort", "quick", "--json"])
        .arg(&path)
        .output()
        .unwrap();
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    let cautions = document["cautions"].as_array().unwrap();
    let said = cautions
        .iter()
        .find(|caution| caution["kind"] == "beyond-eq");
    let text = said.unwrap_or_else(|| panic!("{cautions:?}"))["text"]
        .as_str()
        .unwrap();
    assert!(text.contains("excess delay of up to +1."), "{text}");
}

/// The takes of a demo unit, as many as there are.
fn takes_of(unit: &str, ending: &str) -> Vec<Take> {
    let mut takes = Vec::new();
    for side in [Side::Left, Side::Right] {
        let word = if side == Side::Left { "left" } else { "right" };
        for number in 1.. {
            let path = demo(&format!("{unit}/{word}-{number}.{ending}"));
            let Ok(bytes) = std::fs::read(&path) else {
                break;
            };
            let name = format!("{word}-{number}");
            takes.push(read_take(&bytes, &name, side, None).unwrap().take);
        }
    }
    assert!(takes.len() >= 8);
    takes
}

#[test]
fn the_curve_that_a_take_is_left_with_has_the_figures_that_are_told_of_it() {
    let limits = Limits::standard_with_sections(3).unwrap();
    let request = FitRequest {
        contours: vec![Contour::bass(3.0).unwrap()],
        effort: Effort::Quick,
        ..FitRequest::new("a unit", takes_of("fieldfare-wool", "csv"), limits)
    };
    let outcome = fits::run(&request).unwrap();
    assert!(outcome.shared.bands_hz.is_empty());
    let [channel] = &outcome.channels[..] else {
        panic!("one channel")
    };
    assert_eq!(channel.take_residuals.len(), channel.takes.len());
    for take in &channel.take_residuals {
        let points = || {
            take.residual_db.iter().map(|&(hz, db)| {
                let at = |f: &f64| (f / hz).log2().abs() < 1e-9;
                let i = grid::frequency_hz().iter().position(at).unwrap();
                (outcome.shared.curves.weight[i].powi(2), db)
            })
        };
        let total: f64 = points().map(|(weight, _)| weight).sum();
        let mean_db = points().map(|(weight, db)| weight * db).sum::<f64>() / total;
        let square = points().map(|(weight, db)| weight * db * db).sum::<f64>() / total;
        assert!(mean_db.abs() < 1e-9, "{}: {mean_db}", take.take);
        approx::assert_abs_diff_eq!(square.sqrt(), take.after_db, epsilon = 1e-9);
        assert!(take.residual_db.contains(&(take.worst_hz, take.worst_db)));
    }
}

/// Everything that a fit of `takes` hands out, but for the list of the takes that counted.
fn handed_out(takes: Vec<Take>, per_side: bool) -> [String; 4] {
    let limits = Limits::standard_with_sections(5).unwrap();
    let request = FitRequest {
        contours: vec![Contour::bass(3.0).unwrap(), Contour::slope(-0.5).unwrap()],
        effort: Effort::Quick,
        ..FitRequest::new("a unit", takes, limits.clone())
    };
    let f_hz = grid::frequency_hz();
    let fit = match per_side {
        true => fits::run_per_side,
        false => fits::run,
    };
    let mut outcome = fit(&request).unwrap();
    outcome.shared.takes.clear();
    outcome
        .channels
        .iter_mut()
        .for_each(|channel| channel.takes.clear());
    [
        sheet::write(&Sheet::from_outcome(&outcome, &limits).unwrap()).unwrap(),
        fit_text(&outcome, &[], &[]),
        report::fit_json(&outcome, &[], &[], option_names::typed),
        report::fit_plot(&outcome, f_hz),
    ]
}

fn same_bytes(one: &[String; 4], other: &[String; 4]) {
    for (one, other) in one.iter().zip(other) {
        assert!(one == other, "{one}\n\nin another order:\n{other}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn neither_the_order_of_takes_nor_their_names_change_what_a_fit_hands_out(
        takes in Just(takes_of("fieldfare-wool", "csv")).prop_shuffle(),
        per_side in proptest::bool::weighted(0.25),
    ) {
        same_bytes(&handed_out(takes, per_side), &handed_out(takes_of("fieldfare-wool", "csv"), per_side));
    }

    #[test]
    fn neither_the_order_of_takes_nor_their_names_change_how_they_are_judged(
        takes in Just(takes_of("dunlin", "txt")).prop_shuffle(),
        // Other names, in whatever order.
        salt in any::<u64>(),
    ) {
        let settings = Settings::default();
        let as_told = judge(&takes_of("dunlin", "txt"), &settings).unwrap();
        let judged = judge(&takes, &settings).unwrap();
        prop_assert_eq!(&judged.average.on_grid, &as_told.average.on_grid);
        prop_assert_eq!(&judged.average.spread_db, &as_told.average.spread_db);
        prop_assert_eq!(&judged.sides, &as_told.sides);
        prop_assert_eq!(&judged.matching, &as_told.matching);
        prop_assert_eq!(&judged.resonance, &as_told.resonance);
        prop_assert_eq!(&judged.set_aside, &as_told.set_aside);
        for (take, given) in judged.takes.iter().zip(&takes) {
            prop_assert_eq!(&take.name, &given.name);
            prop_assert!(as_told.takes.contains(take));
        }
        let renamed: Vec<Take> = takes.iter().enumerate().map(|(i, take)| Take {
            name: format!("{:x}", salt.wrapping_mul(2 * i as u64 + 1)),
            ..take.clone()
        }).collect();
        let renamed = judge(&renamed, &settings).unwrap();
        prop_assert_eq!(&renamed.average.on_grid, &as_told.average.on_grid);
        prop_assert_eq!(&renamed.average.spread_db, &as_told.average.spread_db);
    }

    #[test]
    fn the_order_of_takes_does_not_change_whether_a_promise_was_kept(
        before in Just(takes_of("fieldfare-wool", "csv")).prop_shuffle(),
        after in Just(takes_of("fieldfare-mesh", "csv")).prop_shuffle(),
    ) {
        let section = Section { shape: Shape::LowShelf, f0_hz: 120.0, gain_db: 3.0, q: 0.7 };
        let kept = |before: Vec<Take>, after: Vec<Take>| {
            let limits = Limits::standard();
            let request = FitRequest {
                kept: [vec![section], vec![section]],
                contours: vec![Contour::bass(3.0).unwrap()],
                effort: Effort::Quick,
                ..FitRequest::new("a unit", takes_of("fieldfare-wool", "csv"), limits.clone())
            };
            let sheet = Sheet::from_outcome(&fits::run(&request).unwrap(), &limits).unwrap();
            let request = Remeasurement {
                before,
                after,
                judging: Settings::default(),
                rate_hz: None,
                same_level: true,
                tolerance_db: TOLERANCE_DB,
                impedance: None,
            };
            let promise = remeasured(&sheet, &request).unwrap();
            let mut document = serde_json::to_value(report::check_document(
                "a", &check_sheet(&sheet, None), Some(&promise), &[],
            )).unwrap();
            for session in ["before", "after"] {
                document["promise"][session]["takes"] = Value::Null;
            }
            document
        };
        let as_told = kept(takes_of("fieldfare-wool", "csv"), takes_of("fieldfare-mesh", "csv"));
        prop_assert_eq!(kept(before, after), as_told);
    }
}
