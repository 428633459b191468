//! `bandwright inspect` as it is run: what is planted in the demo is named, exit status, the document, bad input.

use std::fs;
use std::path::{Path, PathBuf};

use bandwright::filter::Shape;
use serde_json::Value;
use tempfile::TempDir;

use crate::support::impulses;
use crate::support::units;

struct Run {
    status: i32,
    stdout: String,
    stderr: String,
}

/// `bandwright` in `folder` with the words of `line`, split at blanks; `DEMO` is the demo's folder.
fn run(folder: &Path, line: &str) -> Run {
    let demo = units::demo().to_string_lossy().into_owned();
    let words = line
        .split_whitespace()
        .map(|word| word.replace("DEMO", &demo));
    let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .current_dir(folder)
        .args(words)
        .output()
        .unwrap();
    Run {
        status: output.status.code().unwrap(),
        stdout: String::from_utf8(output.stdout).unwrap(),
        stderr: String::from_utf8(output.stderr).unwrap(),
    }
}

fn done(folder: &Path, line: &str) -> String {
    let run = run(folder, line);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""), "{line}");
    run.stdout
}

fn unit_file(name: &str) -> String {
    format!("DEMO/{name}/{name}.unit.toml")
}

fn document(folder: &Path, line: &str) -> Value {
    serde_json::from_str(&done(folder, line)).unwrap()
}

/// The spoiled takes of a unit: file, loss planted at 30 Hz, or none where another unit's.
fn planted(name: &str) -> Vec<(String, Option<f64>)> {
    let text = fs::read_to_string(units::demo().join("planted.toml")).unwrap();
    let planted: toml::Value = toml::from_str(&text).unwrap();
    let units = planted["unit"].as_array().unwrap();
    let unit = units
        .iter()
        .find(|unit| unit["folder"].as_str() == Some(name))
        .unwrap();
    let takes = unit["take"].as_array().unwrap().iter();
    takes
        .filter(|take| !take["sound"].as_bool().unwrap())
        .map(|take| {
            let file = take["file"].as_str().unwrap().to_owned();
            (
                file,
                take.get("leak_at_30_hz_db").and_then(toml::Value::as_float),
            )
        })
        .collect()
}

#[test]
fn every_planted_leak_and_mislabelled_take_is_named_and_no_other() {
    let folder = TempDir::new().unwrap();
    let mut found = 0;
    for name in units::NAMES {
        let text = done(folder.path(), &format!("inspect {}", unit_file(name)));
        let (_, steps) = text.split_once("What to do next").unwrap();
        let planted = planted(name);
        for (file, loss) in &planted {
            let step = steps
                .split("\n  - ")
                .find(|step| step.contains(&format!("({file})")));
            let step = step.unwrap_or_else(|| panic!("{name}: {file} in {steps}"));
            match loss {
                Some(_) => assert!(
                    step.contains(" leaks ") && step.contains("reseat and measure again"),
                    "{step}"
                ),
                None => assert!(step.contains("mislabelled"), "{step}"),
            }
            found += 1;
        }
        assert_eq!(steps.matches(" take ").count(), planted.len(), "{steps}");
        let rows = text
            .lines()
            .filter(|line| line.starts_with("  left") || line.starts_with("  right"));
        let sound = rows.clone().filter(|line| line.contains(" sound ")).count();
        assert_eq!(sound + planted.len(), rows.count());
    }
    assert_eq!(found, 8);
}

#[test]
fn losses_and_resonances_of_the_document_are_those_that_were_planted() {
    let folder = TempDir::new().unwrap();
    for name in units::NAMES {
        let document = document(
            folder.path(),
            &format!("inspect {} --json", unit_file(name)),
        );
        let takes = document["units"][0]["takes"].as_array().unwrap();
        for (file, loss) in planted(name) {
            let ends = |take: &&Value| take["name"].as_str().unwrap().ends_with(&file);
            let take = takes.iter().find(ends).unwrap();
            assert_eq!(take["set_aside"], true);
            if let Some(loss) = loss {
                let told = take["seal"]["loss_at_30_hz_db"].as_f64().unwrap();
                assert!((told - loss).abs() < 0.5, "{file}: {told} for {loss}");
            } else {
                assert_eq!(take["verdict"], "outlier");
                assert_eq!(take["outlier"]["kind"], "shape");
            }
        }
    }
}

fn keys(value: &Value) -> Vec<&str> {
    value
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect()
}

/// Keys of every object, arrays entered at their first element.
fn shape(value: &Value, path: &str, shape: &mut Vec<String>) {
    match value {
        Value::Object(fields) => {
            for (key, value) in fields {
                shape.push(format!("{path}.{key}"));
                self::shape(value, &format!("{path}.{key}"), shape);
            }
        }
        Value::Array(values) => {
            if let Some(first) = values.first() {
                self::shape(first, path, shape);
            }
        }
        _ => {}
    }
}

#[test]
fn the_document_has_the_same_fields_whatever_was_found() {
    let folder = TempDir::new().unwrap();
    let whole = document(
        folder.path(),
        &format!("inspect {} --json", unit_file("dunlin")),
    );
    let alone = document(folder.path(), "inspect DEMO/dunlin/left-1.txt --json");
    for document in [&whole, &alone] {
        assert_eq!(keys(document), ["files", "format", "units", "verb"]);
        assert_eq!(document["format"], 1);
        assert_eq!(document["verb"], "inspect");
    }
    let (whole, alone) = (&whole["units"][0], &alone["units"][0]);
    assert_eq!(
        keys(whole),
        [
            "beyond_eq",
            "cautions",
            "curves",
            "leak_threshold_db",
            "match",
            "next_steps",
            "resonance",
            "rig",
            "set_aside",
            "sides",
            "spread",
            "takes",
            "trusted_band_hz",
            "unit",
        ]
    );
    for key in ["takes", "sides"] {
        for one in whole[key]
            .as_array()
            .unwrap()
            .iter()
            .chain(alone[key].as_array().unwrap())
        {
            assert_eq!(keys(one), keys(&whole[key][0]), "{key}");
        }
    }
    let (mut of_whole, mut of_alone) = (Vec::new(), Vec::new());
    shape(whole, "", &mut of_whole);
    shape(alone, "", &mut of_alone);
    assert!(
        of_alone.iter().all(|key| of_whole.contains(key)),
        "{of_alone:?}"
    );
    assert_eq!(alone["takes"][0]["verdict"], "alone");
    for key in ["match", "spread"] {
        assert_eq!(alone[key], Value::Null, "{key}");
    }
    assert_eq!(alone["curves"]["spread_db"], Value::Null);
    assert_eq!(alone["curves"]["match_db"], Value::Null);
    assert_eq!(alone["next_steps"][0]["kind"], "only-take");
    assert_eq!(alone["cautions"][0]["kind"], "seal");
}

#[test]
fn curves_are_equally_long_and_say_null_where_there_is_no_data() {
    let folder = TempDir::new().unwrap();
    // A take that ends early: the average and its spread end with it, the others go on.
    let text = fs::read_to_string(units::demo().join("fieldfare-wool/left-1.csv")).unwrap();
    let short: Vec<&str> = text
        .lines()
        .filter(|line| {
            let hz = line.split(',').next().and_then(|hz| hz.parse::<f64>().ok());
            hz.is_none_or(|hz| hz < 9000.0)
        })
        .collect();
    fs::write(folder.path().join("left-short.csv"), short.join("\n")).unwrap();
    let wool = "DEMO/fieldfare-wool";
    let document = document(
        folder.path(),
        &format!(
            "inspect left-short.csv {wool}/left-2.csv {wool}/right-1.csv {wool}/right-2.csv --json"
        ),
    );
    let curves = &document["units"][0]["curves"];
    let length = curves["frequency_hz"].as_array().unwrap().len();
    assert_eq!(length, 479);
    let nulls = |curve: &Value| {
        let values = curve.as_array().unwrap();
        assert_eq!(values.len(), length);
        values.iter().filter(|value| value.is_null()).count()
    };
    assert_eq!(nulls(&curves["trust"]), 0);
    let missing = nulls(&curves["average_db"]);
    assert!((50..60).contains(&missing), "{missing}");
    for key in ["spread_db", "match_db", "match_smoothed_db"] {
        assert_eq!(nulls(&curves[key]), missing, "{key}");
    }
    assert_eq!(nulls(&curves["sides"][0]["mean_db"]), missing);
    assert_eq!(nulls(&curves["takes"][0]["aligned_db"]), missing);
    assert_eq!(nulls(&curves["takes"][1]["aligned_db"]), 0);
}

#[test]
fn impulse_responses_tell_where_an_equaliser_cannot_work_and_whether_they_are_noisy() {
    let folder = TempDir::new().unwrap();
    let put = |name: &str, bytes: Vec<u8>| fs::write(folder.path().join(name), bytes).unwrap();
    let played = |cascade: &[_]| impulses::played(cascade, 480, 48_000);
    let all_pass = played(&[impulses::all_pass(500.0, 5.0, 48e3)]);
    put("left-1.wav", impulses::wav_float(&all_pass, 1, 48_000));
    // Another seating, not a copy of the level.
    let treble = [impulses::section(Shape::HighShelf, 3000.0, 0.5, 0.7)];
    let mut again = impulses::recursions(&treble, 48e3);
    again.push(impulses::all_pass(500.0, 5.0, 48e3));
    put(
        "left-2.wav",
        impulses::wav_float(&played(&again), 1, 48_000),
    );
    // Stored far below full scale and dithered, 16 bits are few.
    let faint = played(&[]);
    let dither = |n: usize| (1.3 * (n * n % 9973) as f64).sin() / 32_768.0;
    let faint: Vec<f64> = faint
        .iter()
        .enumerate()
        .map(|(n, x)| 0.01 * x + dither(n))
        .collect();
    put("right-1.wav", impulses::wav_pcm(&faint, 1, 48_000, 16));
    let line = "inspect left-1.wav left-2.wav right-1.wav";
    let document = document(folder.path(), &format!("{line} --json"));
    let unit = &document["units"][0];
    let bands = unit["beyond_eq"].as_array().unwrap();
    assert_eq!(bands.len(), 1, "{bands:?}");
    assert_eq!(
        (&bands[0]["in_takes"], &bands[0]["of_takes"]),
        (&2.into(), &3.into())
    );
    let (from_hz, to_hz) = (
        bands[0]["from_hz"].as_f64().unwrap(),
        bands[0]["to_hz"].as_f64().unwrap(),
    );
    assert!(from_hz < 480.0 && to_hz > 520.0, "{from_hz} {to_hz}");
    // 4 q / w0 at its centre.
    let excess_s = bands[0]["excess_s"].as_f64().unwrap();
    assert!(
        (excess_s / (20.0 / (std::f64::consts::TAU * 500.0)) - 1.0).abs() < 0.05,
        "{excess_s}"
    );
    let impulse = |i: usize| &unit["takes"][i]["impulse"];
    assert_eq!(impulse(0)["rate_hz"], 48_000.0);
    assert!(
        impulse(2)["noise_below_db"].as_f64().unwrap() < 30.0,
        "{}",
        impulse(2)
    );
    let text = done(folder.path(), line)
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ");
    assert!(
        text.contains("Excess delay longer than half a period at "),
        "{text}"
    );
    assert!(
        text.contains("right take 1 (right-1.wav): its impulse response ends in noise"),
        "{text}"
    );
    assert!(
        !text.contains("left take 1 (left-1.wav): its impulse"),
        "{text}"
    );
}

#[test]
fn several_units_are_reported_in_turn_and_one_of_them_alone_on_request() {
    let folder = TempDir::new().unwrap();
    let [wool, mesh, _] = units::NAMES.map(unit_file);
    let text = done(folder.path(), &format!("inspect {wool} {mesh}"));
    let first = text.find("Fieldfare, wool insert").unwrap();
    assert!(first < text.find("Fieldfare, mesh insert").unwrap());
    assert_eq!(text.matches("What to do next").count(), 2);
    let one = assert_cmd::Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .args(["inspect", "--variant", "Fieldfare, mesh insert"])
        .args([&wool, &mesh].map(|file| file.replace("DEMO", units::demo().to_str().unwrap())))
        .output()
        .unwrap();
    let one = String::from_utf8(one.stdout).unwrap();
    assert!(one.starts_with("Fieldfare, mesh insert\n") && !one.contains("wool insert"));
}

#[test]
fn quiet_prints_nothing_and_still_writes_the_plot() {
    let folder = TempDir::new().unwrap();
    let line = format!("inspect {} --quiet --plot takes.svg", unit_file("dunlin"));
    assert_eq!(done(folder.path(), &line), "");
    let first = fs::read(folder.path().join("takes.svg")).unwrap();
    assert!(first.starts_with(b"<svg class=\"bandwright-plot\""));
    assert_eq!(
        done(folder.path(), &line),
        "",
        "an earlier plot is replaced"
    );
    assert_eq!(
        fs::read(folder.path().join("takes.svg")).unwrap(),
        first,
        "by the same bytes"
    );
    let names: Vec<PathBuf> = fs::read_dir(folder.path())
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    assert_eq!(names.len(), 1, "{names:?}");
}

#[test]
fn the_threshold_decides_what_leaks() {
    let folder = TempDir::new().unwrap();
    let aside = |threshold: &str| {
        let line = format!("inspect {} --json {threshold}", unit_file("dunlin"));
        document(folder.path(), &line)["units"][0]["set_aside"]
            .as_array()
            .unwrap()
            .len()
    };
    assert_eq!(aside(""), 4);
    // The lesser leaks lose 5.1 and 4.7 dB at 20 Hz, 3.0 and 2.7 dB at 30 Hz.
    assert_eq!(aside("--leak-threshold 7"), 2);
    assert_eq!(aside("--leak-threshold 20"), 0);
}

#[test]
fn the_rig_is_a_name_or_a_file() {
    let folder = TempDir::new().unwrap();
    fs::write(
        folder.path().join("trust.csv"),
        "frequency_hz,trust\n100,1\n5000,1\n5001,0\n20000,0\n",
    )
    .unwrap();
    let band = |rig: &str| {
        let document = document(
            folder.path(),
            &format!("inspect {} --json {rig}", unit_file("fieldfare-wool")),
        );
        let unit = &document["units"][0];
        (
            unit["rig"].as_str().unwrap().to_owned(),
            unit["trusted_band_hz"][1].as_f64().unwrap(),
        )
    };
    assert_eq!(band("").0, "iec-60318-4");
    assert!(band("--rig flat").1 > 19_000.0);
    let (rig, highest_hz) = band("--rig trust.csv");
    assert_eq!(rig, "table");
    assert!((4900.0..=5000.0).contains(&highest_hz), "{highest_hz}");
}

#[test]
fn bad_usage_and_input_are_refused_with_status_2_and_no_file() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("left.csv"), "no curve").unwrap();
    fs::write(folder.path().join("notes.svg"), "mine").unwrap();
    let wool = unit_file("fieldfare-wool");
    let mesh = unit_file("fieldfare-mesh");
    for (line, place, found) in [
        ("inspect --rig flat".to_owned(), "inspect: ", "no take"),
        (
            "inspect missing.csv".to_owned(),
            "missing.csv: ",
            "no such file",
        ),
        ("inspect left.csv".to_owned(), "left.csv", "found "),
        (
            format!("inspect {wool} --leak-threshold 0"),
            "--leak-threshold: ",
            "0 dB",
        ),
        (
            format!("inspect {wool} --leak-threshold -3"),
            "--leak-threshold: ",
            "-3 dB",
        ),
        (
            format!("inspect {wool} --rig iec-60318"),
            "--rig: ",
            "`iec-60318`",
        ),
        (
            format!("inspect {wool} --rig missing.csv"),
            "missing.csv: ",
            "no such file",
        ),
        (
            format!("inspect {wool} --variant Wren"),
            "--variant: ",
            "no unit named `Wren`",
        ),
        (
            format!("inspect {wool} {mesh} --plot x.svg"),
            "--plot: ",
            "2 units",
        ),
        (
            format!("inspect {wool} --plot notes.svg"),
            "notes.svg: ",
            "did not write",
        ),
        (
            format!("inspect {wool} --plot no/x.svg"),
            "no/x.svg: ",
            "no folder",
        ),
        (
            "inspect left.csv --plot left.csv".to_owned(),
            "left.csv: ",
            "the same file",
        ),
    ] {
        let run = run(folder.path(), &line);
        assert_eq!(
            (run.status, run.stdout.as_str()),
            (2, ""),
            "{line}: {}",
            run.stderr
        );
        assert!(
            run.stderr.starts_with(&format!("bandwright: {place}")),
            "{line}: {}",
            run.stderr
        );
        assert!(
            run.stderr.contains(found) && run.stderr.contains("; expected "),
            "{line}: {}",
            run.stderr
        );
        assert_eq!(run.stderr.lines().count(), 1, "{}", run.stderr);
    }
    assert_eq!(fs::read(folder.path().join("notes.svg")).unwrap(), b"mine");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
}

#[test]
fn a_failure_under_json_is_a_document_too() {
    let folder = TempDir::new().unwrap();
    for line in [
        "inspect missing.csv --json",
        "inspect --json --no-such-option",
    ] {
        let run = run(folder.path(), line);
        assert_eq!(run.status, 2);
        let document: Value = serde_json::from_str(&run.stdout).unwrap();
        assert_eq!(document["verb"], "inspect", "{line}");
        assert!(document["error"]["next_step"].is_string());
    }
}

#[test]
fn help_states_the_default_and_the_outcomes() {
    let folder = TempDir::new().unwrap();
    let help = done(folder.path(), "inspect --help");
    for words in [
        "[default: 1.5]",
        "Exit status: 0",
        "--plot <FILE>",
        "What was measured:",
    ] {
        assert!(help.contains(words), "{words}");
    }
    assert!(done(folder.path(), "--help").contains("inspect  "));
}
