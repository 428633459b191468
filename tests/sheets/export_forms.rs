//! The verb `export`: the filters of a sheet as second-order sections, coefficients, impulse response and table.
//!
//! `export_reader.py` beside this file reads the same files with scipy.

use std::f64::consts::TAU;
use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use assert_cmd::Command;
use bandwright::error::ErrorKind;
use bandwright::export::{
    Chain, Export, Request, WAV_END, coefficients_csv, impulse, responses, sos_csv, wav,
};
use bandwright::filter::{Section, Shape, biquad::Biquad, cascade};
use bandwright::measurement::grid;
use bandwright::measurement::takes::Side;
use bandwright::sheet::{self, Sheet};
use proptest::prelude::*;
use tempfile::TempDir;

use crate::support::impulses;
#[allow(dead_code, reason = "this test needs its sheets alone")]
use crate::support::promises;

use impulses::{exact, recursions, section};

/// Runs the program in a folder: exit status, standard output, standard error.
fn run(folder: &Path, arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        text(output.stdout),
        text(output.stderr),
    )
}

/// Texts of two sheets with invented sections: one EQ for both sides, and one for each. The top section lies above half of
/// 32 kHz, and together they gain more at higher rates.
fn sheets() -> &'static [String; 2] {
    static SHEETS: OnceLock<[String; 2]> = OnceLock::new();
    SHEETS.get_or_init(|| {
        let sections = |share: f64| {
            [
                section(Shape::LowShelf, 110.0, 3.5 * share, 0.7),
                section(Shape::Peaking, 2500.0, -5.0 * share, 1.5),
                section(Shape::Peaking, 9000.0, 4.0 * share, 1.2),
                section(Shape::Peaking, 17_000.0, 5.0 * share, 2.0),
            ]
        };
        let limits = promises::limits();
        let one = promises::sheet_of(&sections(1.0), &limits);
        let each = promises::sheet_per_side(&sections(1.0), &sections(0.7), &limits);
        [one, each].map(|sheet| sheet::write(&sheet).unwrap())
    })
}

/// A folder with both sheets.
fn folder() -> TempDir {
    let folder = TempDir::new().unwrap();
    for (name, text) in ["both", "sides"].iter().zip(sheets()) {
        fs::write(folder.path().join(format!("{name}.sheet.toml")), text).unwrap();
    }
    folder
}

fn sheet(index: usize) -> Sheet {
    sheet::read(sheets()[index].as_bytes(), "a.sheet.toml").unwrap()
}

fn everything(preamp_included: bool) -> Request {
    Request {
        rates_hz: Vec::new(),
        unlisted_rates: false,
        side: None,
        preamp_included,
    }
}

/// An export of invented sections.
fn invented(sections: &[Section], rate_hz: f64, preamp_db: f64) -> Export {
    let chain = Chain {
        side: None,
        rate_hz,
        is_listed: true,
        sections: sections.to_vec(),
        biquads: recursions(sections, rate_hz),
    };
    Export {
        unit: "invented".to_owned(),
        target: "none".to_owned(),
        preamp_db,
        preamp_included: true,
        chains: vec![chain],
    }
}

/// The rows of a delimited text, by column.
fn rows(text: &str) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let row = |record: Result<csv::StringRecord, _>| {
        let record = record.unwrap();
        record.iter().map(str::to_owned).collect()
    };
    reader.records().map(row).collect()
}

fn number(text: &str) -> f64 {
    text.parse().unwrap()
}

/// Level (dB) and phase (radians) of samples at a frequency.
fn transform(samples: &[f64], cycles: f64) -> (f64, f64) {
    let (mut re, mut im) = (0.0, 0.0);
    for (n, x) in samples.iter().enumerate() {
        let (sin, cos) = (TAU * (cycles * n as f64).fract()).sin_cos();
        re += x * cos;
        im -= x * sin;
    }
    (20.0 * re.hypot(im).log10(), im.atan2(re))
}

fn samples_of(bytes: &[u8]) -> (hound::WavSpec, Vec<f64>) {
    let reader = hound::WavReader::new(bytes).unwrap();
    let spec = reader.spec();
    let samples = reader.into_samples::<f32>();
    (spec, samples.map(|x| f64::from(x.unwrap())).collect())
}

#[test]
fn the_matrix_holds_the_coefficients_of_the_sheet_to_the_last_bit_and_the_preamp_before_them() {
    for index in [0, 1] {
        let sheet = sheet(index);
        assert!(sheet.level.preamp_db < -5.0);
        for preamp_included in [true, false] {
            let export = Export::of(&sheet, &everything(preamp_included)).unwrap();
            let mut rows = rows(&sos_csv(&export)).into_iter();
            for channel in &sheet.channels {
                let side = channel.side.map_or("both", |side| match side {
                    Side::Left => "left",
                    _ => "right",
                });
                for at_rate in &channel.coefficients {
                    let start = |number: usize| {
                        [
                            side.to_owned(),
                            at_rate.rate_hz.to_string(),
                            number.to_string(),
                        ]
                    };
                    if preamp_included {
                        let row = rows.next().unwrap();
                        assert_eq!(row[..3], start(0));
                        let gain = 10f64.powf(sheet.level.preamp_db / 20.0);
                        assert!((number(&row[3]) - gain).abs() < 1e-15);
                        assert_eq!(row[4..], ["0.0", "0.0", "1.0", "0.0", "0.0"]);
                    }
                    for (index, c) in at_rate.section.iter().enumerate() {
                        let row = rows.next().unwrap();
                        assert_eq!(row[..3], start(index + 1));
                        let numbers: Vec<f64> = row[3..].iter().map(|x| number(x)).collect();
                        assert_eq!(numbers, [c.b0, c.b1, c.b2, 1.0, c.a1, c.a2]);
                    }
                }
            }
            assert_eq!(rows.next(), None);
        }
    }
}

#[test]
fn the_matrix_meets_the_checkpoints_and_the_level_of_the_sections() {
    let folder = folder();
    let arguments = [
        "export",
        "both.sheet.toml",
        "--form",
        "sos",
        "--quiet",
        "-o",
        "sos.csv",
    ];
    assert_eq!(
        run(folder.path(), &arguments),
        (0, String::new(), String::new())
    );
    let rows = rows(&fs::read_to_string(folder.path().join("sos.csv")).unwrap());
    let sheet = sheet(0);
    let channel = &sheet.channels[0];
    assert_eq!(channel.checkpoints.len(), 3);
    for checkpoint in &channel.checkpoints {
        let rate_hz = checkpoint.rate_hz;
        let of_rate = rows.iter().filter(|row| number(&row[1]) == rate_hz);
        let matrix: Vec<Biquad> = of_rate
            .map(|row| {
                let [b0, b1, b2, a0, a1, a2] = [3, 4, 5, 6, 7, 8].map(|i| number(&row[i]));
                assert_eq!(a0, 1.0);
                Biquad { b0, b1, b2, a1, a2 }
            })
            .collect();
        assert_eq!(matrix.len(), channel.sections.len() + 1);
        for (&f_hz, &stated_db) in checkpoint.frequency_hz.iter().zip(&checkpoint.gain_db) {
            let found_db = exact(&matrix, rate_hz, f_hz).0 - sheet.level.preamp_db;
            assert!(
                (found_db - stated_db).abs() <= 0.5e-4 + 1e-9,
                "{found_db} {stated_db}"
            );
            let own_db = cascade::level_db(&channel.sections, rate_hz, f_hz);
            assert!((found_db - own_db).abs() <= 1e-9, "{found_db} {own_db}");
        }
    }
}

#[test]
fn bare_coefficients_run_as_their_file_says_give_the_impulse_response_of_the_wav() {
    let sheet = sheet(0);
    let request = Request {
        rates_hz: vec![48_000.0],
        ..everything(true)
    };
    let export = Export::of(&sheet, &request).unwrap();
    let text = coefficients_csv(&export);
    assert!(text.contains("y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2]"));
    assert!(text.contains("where a1 and a2 are added instead of subtracted, both must be negated"));
    let (spec, samples) = samples_of(&wav(&impulse(&export).unwrap(), &export));
    assert_eq!(
        (spec.channels, spec.sample_rate, spec.bits_per_sample),
        (1, 48_000, 32)
    );
    let mut x = vec![0.0; samples.len()];
    x[0] = 1.0;
    for row in rows(&text) {
        let [b0, b1, b2, a1, a2] = [3, 4, 5, 6, 7].map(|i| number(&row[i]));
        let mut y = vec![0.0; x.len()];
        for n in 0..x.len() {
            let before = |of: &[f64], by: usize| n.checked_sub(by).map_or(0.0, |n| of[n]);
            y[n] = b0 * x[n] + b1 * before(&x, 1) + b2 * before(&x, 2)
                - a1 * before(&y, 1)
                - a2 * before(&y, 2);
        }
        x = y;
    }
    for (ours, theirs) in samples.iter().zip(&x) {
        assert!((ours - theirs).abs() <= 1e-7 * x[0].abs() + 6e-8 * theirs.abs());
    }
}

#[test]
fn the_transform_of_the_wav_is_the_equaliser_within_a_hundredth_of_a_db() {
    let sheet = sheet(0);
    for &rate_hz in &sheet.rates_hz {
        for preamp_included in [true, false] {
            let request = Request {
                rates_hz: vec![rate_hz],
                ..everything(preamp_included)
            };
            let export = Export::of(&sheet, &request).unwrap();
            let impulse = impulse(&export).unwrap();
            assert!(
                impulse.rest_db <= -140.0 && impulse.rest_db > -141.0,
                "{}",
                impulse.rest_db
            );
            let samples: Vec<f64> = impulse.channels[0].iter().map(|&x| f64::from(x)).collect();
            let table = &responses(&export)[0];
            for (i, &f_hz) in table.frequency_hz.iter().enumerate() {
                let (level_db, phase) = transform(&samples, f_hz / rate_hz);
                assert!(
                    (level_db - table.gain_db[i]).abs() < 1e-3,
                    "{f_hz} Hz: {level_db}"
                );
                let apart = impulses::degrees_apart(phase.to_degrees(), table.phase_deg[i]);
                assert!(apart.abs() < 0.01, "{f_hz} Hz: {apart}");
            }
        }
    }
}

#[test]
fn a_wav_has_the_sides_as_channels_and_tells_its_preamp() {
    let folder = folder();
    let base = [
        "export",
        "sides.sheet.toml",
        "--form",
        "impulse",
        "--rate-hz",
        "48000",
        "--quiet",
    ];
    let with = |more: &[&'static str]| [&base[..], more].concat();
    assert_eq!(run(folder.path(), &with(&["-o", "two.wav"])).0, 0);
    assert_eq!(
        run(
            folder.path(),
            &with(&["-o", "right.wav", "--side", "right"])
        )
        .0,
        0
    );
    let bare = with(&["-o", "bare.wav", "--without-preamp"]);
    assert_eq!(run(folder.path(), &bare).0, 0);
    let bytes = |name: &str| fs::read(folder.path().join(name)).unwrap();
    let (spec, two) = samples_of(&bytes("two.wav"));
    assert_eq!(
        (spec.channels, spec.sample_format),
        (2, hound::SampleFormat::Float)
    );
    let (spec, right) = samples_of(&bytes("right.wav"));
    assert_eq!(spec.channels, 1);
    let second: Vec<f64> = two.iter().skip(1).step_by(2).copied().collect();
    assert!(second.len() >= right.len());
    assert_eq!(second[..right.len()], right[..]);
    assert!(second[right.len()..].iter().all(|&x| x == 0.0));
    let gain = 10f64.powf(sheet(1).level.preamp_db / 20.0);
    let (_, without) = samples_of(&bytes("bare.wav"));
    for (with, without) in two.iter().zip(&without) {
        assert!((with - gain * without).abs() <= 2e-7 * without.abs() + 1e-30);
    }
    let tells = |name: &str, words: &str| {
        let text = String::from_utf8_lossy(&bytes(name)).into_owned();
        assert!(text.contains(words), "{name}");
    };
    tells("two.wav", "dB included");
    tells("bare.wav", "dB NOT included");
    assert!(bytes("two.wav").ends_with(WAV_END));
    // Whatever reads chunk by chunk finds whole ones up to the end.
    let two = bytes("two.wav");
    let size = |at: usize| u32::from_le_bytes(two[at..at + 4].try_into().unwrap()) as usize;
    assert_eq!(size(4), two.len() - 8);
    let mut at = 12;
    let mut names = Vec::new();
    while at < two.len() {
        names.push(String::from_utf8_lossy(&two[at..at + 4]).into_owned());
        at += 8 + size(at + 4);
    }
    assert_eq!(at, two.len());
    assert_eq!(names, ["fmt ", "data", "LIST"]);
}

#[test]
fn an_exported_wav_is_read_back_as_a_take() {
    let folder = folder();
    let base = [
        "export",
        "both.sheet.toml",
        "--form",
        "impulse",
        "--rate-hz",
        "48000",
    ];
    assert_eq!(
        run(folder.path(), &[&base[..], &["-o", "left.wav"]].concat()).0,
        0
    );
    let (status, printed, _) = run(folder.path(), &["inspect", "left.wav", "--json"]);
    assert_eq!(status, 0);
    let document: serde_json::Value = serde_json::from_str(&printed).unwrap();
    assert_eq!(document["units"][0]["takes"][0]["verdict"], "alone");
}

#[test]
fn the_document_and_the_json_file_hold_what_the_csv_holds() {
    let folder = folder();
    for form in ["sos", "coefficients", "response"] {
        let [csv, json] = ["csv", "json"].map(|end| format!("{form}.{end}"));
        let base = ["export", "sides.sheet.toml", "--form", form];
        assert_eq!(
            run(folder.path(), &[&base[..], &["-o", &csv]].concat()).0,
            0
        );
        let (_, printed, _) = run(
            folder.path(),
            &[&base[..], &["--json", "-o", &json]].concat(),
        );
        let alone = run(folder.path(), &[&base[..], &["--json"]].concat());
        let parse = |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap();
        let mut document = parse(&printed);
        assert_eq!(document["files"][0]["kind"], form);
        assert_eq!(document["files"][0]["path"], json);
        let files = document.as_object_mut().unwrap().remove("files");
        assert!(files.is_some());
        let kept = fs::read_to_string(folder.path().join(&json)).unwrap();
        assert_eq!(document, parse(&kept));
        let mut printed_alone = parse(&alone.1);
        printed_alone.as_object_mut().unwrap().remove("files");
        assert_eq!(document, printed_alone);

        assert_eq!(document["format"], 1);
        assert_eq!(document["preamp_included"], true);
        let mut of_document = Vec::new();
        for chain in document["chains"].as_array().unwrap() {
            let numbers = |value: &serde_json::Value| value.as_f64().unwrap();
            let list = |key: &str| chain[form][key].as_array().unwrap().clone();
            let rows: Vec<Vec<f64>> = match form {
                "sos" => {
                    let rows = chain["sos"].as_array().unwrap();
                    let row = |row: &serde_json::Value| {
                        row.as_array().unwrap().iter().map(numbers).collect()
                    };
                    rows.iter().map(row).collect()
                }
                "coefficients" => {
                    let rows = chain["coefficients"].as_array().unwrap();
                    assert!(rows[0]["section"].is_null() && rows[1]["section"]["q"].is_number());
                    let keys = ["b0", "b1", "b2", "a1", "a2"];
                    let row = |row| keys.map(|key| numbers(&serde_json::Value::clone(row)[key]));
                    rows.iter().map(|r| row(r).to_vec()).collect()
                }
                _ => {
                    let [f, g, p] = ["frequency_hz", "gain_db", "phase_deg"].map(list);
                    let row = |i: usize| vec![numbers(&f[i]), numbers(&g[i]), numbers(&p[i])];
                    (0..f.len()).map(row).collect()
                }
            };
            of_document.extend(rows);
        }
        let text = fs::read_to_string(folder.path().join(&csv)).unwrap();
        let first = if form == "response" { 2 } else { 3 };
        let of_csv: Vec<Vec<f64>> = rows(&text)
            .iter()
            .map(|row| row[first..].iter().map(|x| number(x)).collect())
            .collect();
        assert_eq!(of_document, of_csv, "{form}");
        assert!(text.starts_with("# Equaliser ") && text.contains("format 1\n"));
        assert!(text.contains("# preamp: -") && text.contains(" dB, included"));
    }
}

#[test]
fn a_sheet_that_contradicts_itself_is_not_exported() {
    let folder = folder();
    let sheet = sheet(0);
    let write = |sheet: &Sheet| {
        let text = sheet::write(sheet).unwrap();
        fs::write(folder.path().join("wrong.sheet.toml"), text).unwrap();
    };
    let export = ["export", "wrong.sheet.toml", "--form", "sos", "-o", "x.csv"];
    let refused = |words: &[&str]| {
        let (status, _, message) = run(folder.path(), &export);
        assert_eq!(status, 1, "{message}");
        for word in words
            .iter()
            .chain(&["wrong.sheet.toml", "bandwright check"])
        {
            assert!(message.contains(word), "{word}: {message}");
        }
        assert!(!folder.path().join("x.csv").exists());
    };
    let mut digit = sheet.clone();
    digit.channels[0].coefficients[1].section[2].a1 += 1e-11;
    write(&digit);
    refused(&["coefficients", "section 3", "at a rate of 48000 Hz"]);

    let mut gain = sheet.clone();
    gain.channels[0].sections[0].gain_db += 0.1;
    write(&gain);
    refused(&["checkpoints", "at a rate of"]);

    let mut point = sheet.clone();
    // As little as `check` refuses.
    point.channels[0].checkpoints[2].gain_db[4] += 0.0002;
    write(&point);
    refused(&["checkpoints", "96000 Hz"]);

    let mut preamp = sheet.clone();
    preamp.level.preamp_db += 0.5;
    write(&preamp);
    refused(&["loudness"]);
    preamp.level.loudness_change_lu = None;
    write(&preamp);
    refused(&["preamp suffices", "`sine`"]);
    // Without the preamp there is nothing wrong with what is exported.
    assert_eq!(
        run(
            folder.path(),
            &[&export[..], &["--without-preamp"]].concat()
        )
        .0,
        0
    );
    fs::remove_file(folder.path().join("x.csv")).unwrap();

    // A preamp for steady tones does not keep what the stricter guard says.
    let mut guard = sheet.clone();
    guard.level.guard = sheet::Guard::AnySignal;
    write(&guard);
    refused(&["preamp suffices", "`any-signal`"]);
    guard.level.loudness_change_lu = None;
    guard.level.preamp_db = (-10.0 * guard.level.any_signal_gain_db - 1.0).floor() / 10.0;
    write(&guard);
    assert_eq!(run(folder.path(), &export).0, 0);
}

#[test]
fn rates_are_those_of_the_sheet_unless_others_are_allowed() {
    let folder = folder();
    let export = |more: &[&str]| {
        let base = ["export", "both.sheet.toml", "--form", "sos", "--json"];
        run(folder.path(), &[&base[..], more].concat())
    };
    let rates = |printed: &str| -> Vec<(f64, bool)> {
        let document: serde_json::Value = serde_json::from_str(printed).unwrap();
        let chains = document["chains"].as_array().unwrap().iter();
        chains
            .map(|c| {
                (
                    c["rate_hz"].as_f64().unwrap(),
                    c["listed"].as_bool().unwrap(),
                )
            })
            .collect()
    };
    let all = [(44_100.0, true), (48_000.0, true), (96_000.0, true)];
    assert_eq!(rates(&export(&[]).1), all);
    let two = export(&[
        "--rate-hz",
        "96000",
        "--rate-hz",
        "44100",
        "--rate-hz",
        "96000",
    ]);
    assert_eq!(rates(&two.1), [all[2], all[0]]);
    let (status, _, message) = export(&["--rate-hz", "192000"]);
    assert_eq!(status, 2);
    assert!(
        message.contains("--rate-hz") && message.contains("44100, 48000, 96000"),
        "{message}"
    );
    assert!(message.contains("--unlisted-rate"), "{message}");
    let other = [
        "--rate-hz",
        "192000",
        "--rate-hz",
        "48000",
        "--unlisted-rate",
    ];
    let other = export(&[&other[..], &["--without-preamp"]].concat());
    assert_eq!(rates(&other.1), [(192_000.0, false), (48_000.0, true)]);
    // Too low for the sections, too low or too high for any equaliser, no rate at all.
    for bad in ["32000", "7999", "800000", "0", "-48000"] {
        let (status, _, message) = export(&["--rate-hz", bad, "--unlisted-rate"]);
        assert_eq!(status, 2, "{bad}");
        assert!(message.contains("--rate-hz"), "{message}");
    }
    assert_eq!(export(&["--rate-hz", "nan", "--unlisted-rate"]).0, 2);
    assert_eq!(export(&["--unlisted-rate"]).0, 2);
    let base = [
        "export",
        "both.sheet.toml",
        "--form",
        "impulse",
        "-o",
        "x.wav",
    ];
    let (status, _, message) = run(folder.path(), &base);
    assert_eq!(status, 2);
    assert!(message.contains("44100, 48000, 96000"), "{message}");
    let other = [&base[..], &["--rate-hz", "192000", "--unlisted-rate"]].concat();
    let (status, _, message) = run(folder.path(), &other);
    assert_eq!(status, 1);
    assert!(
        message.contains("--rate-hz") && message.contains("--without-preamp"),
        "{message}"
    );
    let text = run(folder.path(), &[&other[..], &["--without-preamp"]].concat());
    assert_eq!(text.0, 0);
    assert!(
        text.1.contains("Caution: the sheet does not list 192 kHz"),
        "{}",
        text.1
    );
}

#[test]
fn a_preamp_that_does_not_suffice_at_another_rate_is_not_exported_with_it() {
    let sheet = sheet(0);
    let sections = &sheet.channels[0].sections;
    let gain_db = |rate_hz| bandwright::headroom::peak::peak(sections, rate_hz).gain_db;
    let listed_db = sheet.rates_hz.iter().map(|&rate_hz| gain_db(rate_hz));
    let listed_db = listed_db.fold(f64::NEG_INFINITY, f64::max);
    // Just enough for the sheet's own rates.
    let mut narrow = sheet.clone();
    narrow.level.preamp_db = -listed_db;
    narrow.level.loudness_change_lu = None;
    let request = |rate_hz: f64, preamp_included| Request {
        rates_hz: vec![rate_hz],
        unlisted_rates: true,
        ..everything(preamp_included)
    };
    let (higher, lower): (Vec<f64>, Vec<f64>) =
        [64_000.0, 88_200.0, 176_400.0, 192_000.0, 768_000.0]
            .into_iter()
            .partition(|&rate_hz| gain_db(rate_hz) > listed_db + 1e-6);
    assert!(
        !higher.is_empty() && !lower.is_empty(),
        "{higher:?} {lower:?}"
    );
    for rate_hz in higher {
        let error = Export::of(&narrow, &request(rate_hz, true)).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Refused);
        assert_eq!(error.place.source, "rate");
        assert!(error.next_step().contains("fit for that rate"), "{error}");
        assert!(Export::of(&narrow, &request(rate_hz, false)).is_ok());
    }
    for rate_hz in lower {
        assert!(
            Export::of(&narrow, &request(rate_hz, true)).is_ok(),
            "{rate_hz}"
        );
    }
}

#[test]
fn sides_are_chosen_where_each_has_an_eq_of_its_own() {
    let sheet = [sheet(0), sheet(1)];
    for side in [Side::Left, Side::Right] {
        let request = Request {
            side: Some(side),
            ..everything(true)
        };
        let error = Export::of(&sheet[0], &request).unwrap_err();
        assert_eq!(
            (error.kind, error.place.source.to_string().as_str()),
            (ErrorKind::Setting, "side")
        );
        let export = Export::of(&sheet[1], &request).unwrap();
        assert_eq!(export.chains.len(), 3);
        assert!(export.chains.iter().all(|chain| chain.side == Some(side)));
    }
    let both = Export::of(&sheet[1], &everything(true)).unwrap();
    let sides: Vec<&str> = both.chains.iter().map(Chain::side_name).collect();
    assert_eq!(sides, ["left", "left", "left", "right", "right", "right"]);
}

#[test]
fn only_earlier_outputs_of_the_same_form_are_replaced() {
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    let export = |form: &'static str, output: &'static str| {
        let base = ["export", "both.sheet.toml", "--quiet", "--rate-hz", "48000"];
        run(
            folder.path(),
            &[&base[..], &["--form", form, "-o", output]].concat(),
        )
    };
    for (form, output) in [
        ("sos", "sos.csv"),
        ("sos", "sos.json"),
        ("coefficients", "coefficients.csv"),
        ("coefficients", "coefficients.json"),
        ("response", "response.csv"),
        ("response", "response.json"),
        ("impulse", "impulse.wav"),
    ] {
        assert_eq!(
            export(form, output),
            (0, String::new(), String::new()),
            "{output}"
        );
        let first = fs::read(path(output)).unwrap();
        assert_eq!(export(form, output).0, 0, "{output}");
        assert_eq!(fs::read(path(output)).unwrap(), first, "{output}");
    }
    for (form, output) in [
        ("sos", "coefficients.csv"),
        ("coefficients", "sos.json"),
        ("response", "sos.csv"),
        ("sos", "response.json"),
    ] {
        let before = fs::read(path(output)).unwrap();
        assert_eq!(export(form, output).0, 2, "{output}");
        assert_eq!(fs::read(path(output)).unwrap(), before);
    }
    // A WAV file of someone else, and one too short to end like ours.
    fs::write(
        path("music.wav"),
        impulses::wav_float(&[0.5; 1000], 1, 48_000),
    )
    .unwrap();
    fs::write(path("short.wav"), "RIFF").unwrap();
    fs::write(path("empty.wav"), "").unwrap();
    assert_eq!(export("impulse", "music.wav").0, 2);
    assert_eq!(export("impulse", "short.wav").0, 2);
    assert_eq!(export("impulse", "empty.wav").0, 0);
    // Endings that the form does not have, and the sheet itself.
    for (form, output) in [
        ("sos", "x.wav"),
        ("impulse", "x.csv"),
        ("impulse", "x.json"),
        ("response", "x.txt"),
        ("sos", "both.sheet.toml"),
    ] {
        let (status, _, message) = export(form, output);
        assert_eq!(status, 2);
        assert!(message.contains("--output"), "{message}");
    }
    let no_output = run(
        folder.path(),
        &["export", "both.sheet.toml", "--form", "sos"],
    );
    assert_eq!(no_output.0, 2);
    assert!(no_output.2.contains("-o FILE"), "{}", no_output.2);
    let names = fs::read_dir(folder.path()).unwrap();
    assert!(
        names
            .map(|e| e.unwrap().file_name())
            .all(|n| !n.to_string_lossy().ends_with(".part"))
    );
}

#[test]
fn what_is_printed_says_what_to_do_about_the_preamp() {
    let folder = folder();
    let base = [
        "export",
        "sides.sheet.toml",
        "--form",
        "coefficients",
        "-o",
        "c.csv",
    ];
    let (_, with, _) = run(folder.path(), &base);
    let preamp = format!("Preamp          {} dB, included", sheet(1).level.preamp_db);
    assert!(
        with.contains(&preamp) && !with.contains("Caution"),
        "{with}"
    );
    assert!(
        with.contains("Left  ") && with.contains("Right  ") && with.contains("c.csv"),
        "{with}"
    );
    let (_, without, _) = run(folder.path(), &[&base[..], &["--without-preamp"]].concat());
    assert!(
        without.contains("Caution: the preamp of -") && without.contains("not included"),
        "{without}"
    );
    assert!(
        fs::read_to_string(folder.path().join("c.csv"))
            .unwrap()
            .contains("NOT included: first multiply")
    );
}

#[test]
fn filters_without_their_preamp_say_so_in_every_form() {
    let folder = folder();
    let preamp_db = sheet(0).level.preamp_db;
    assert!(preamp_db < 0.0);
    let caution = format!(
        "the preamp of {preamp_db} dB is not included: apply it before the filters, or the result can clip and plays {} dB louder.",
        -preamp_db
    );
    let export = |more: &[&str]| {
        let base = ["export", "both.sheet.toml", "--rate-hz", "48000"];
        let (status, printed, message) = run(folder.path(), &[&base[..], more].concat());
        assert_eq!(status, 0, "{message}");
        (printed, message)
    };
    let read = |name: &str| {
        String::from_utf8_lossy(&fs::read(folder.path().join(name)).unwrap()).into_owned()
    };
    for form in ["sos", "coefficients", "response"] {
        for ending in ["csv", "json"] {
            let name = format!("{form}.{ending}");
            let to = ["--form", form, "-o", &name, "--quiet"];
            export(&[&to[..], &["--without-preamp"]].concat());
            assert!(read(&name).contains(&caution), "{name}");
            if ending == "csv" {
                assert!(
                    read(&name).contains(&format!("# caution: {caution}\n")),
                    "{name}"
                );
            }
            export(&to);
            assert!(!read(&name).contains(&caution), "{name}");
        }
        let (printed, _) = export(&["--form", form, "--json", "--without-preamp"]);
        let document: serde_json::Value = serde_json::from_str(&printed).unwrap();
        assert_eq!(document["caution"], caution.as_str());
        let (printed, _) = export(&["--form", form, "--json"]);
        let document: serde_json::Value = serde_json::from_str(&printed).unwrap();
        assert_eq!(document["caution"], serde_json::Value::Null);
    }
    // A sound file has no comment that its player shows.
    for style in [&["--quiet"][..], &["--json"], &[]] {
        let to = [&["--form", "impulse", "-o", "i.wav"], style].concat();
        let (_, message) = export(&[&to[..], &["--without-preamp"]].concat());
        assert_eq!(message, format!("bandwright: caution: {caution}\n"));
        assert!(read("i.wav").contains(&caution));
        assert_eq!(export(&to).1, "");
    }
}

#[test]
fn a_broken_sheet_is_bad_input_and_its_failure_a_document() {
    let folder = folder();
    fs::write(folder.path().join("no.sheet.toml"), "format = 1\n").unwrap();
    for name in ["no.sheet.toml", "missing.sheet.toml"] {
        let (status, printed, message) =
            run(folder.path(), &["export", name, "--form", "sos", "--json"]);
        assert_eq!(status, 2);
        assert!(message.contains(name), "{message}");
        let document: serde_json::Value = serde_json::from_str(&printed).unwrap();
        assert_eq!(document["verb"], "export");
        assert_eq!(document["error"]["place"]["source"], name);
    }
}

#[test]
fn without_sections_there_is_still_a_row_and_an_impulse() {
    let flat = invented(&[], 48_000.0, -3.0);
    let chain = &flat.chains[0];
    let row = flat.rows(chain)[0].sos();
    assert!((row[0] - 10f64.powf(-0.15)).abs() < 1e-15);
    let bare = Export {
        preamp_included: false,
        ..flat.clone()
    };
    assert_eq!(bare.rows(chain)[0].sos(), [1.0, 0.0, 0.0, 1.0, 0.0, 0.0]);
    let alone = impulse(&bare).unwrap();
    assert_eq!(alone.channels, [[1.0]]);
    let (_, samples) = samples_of(&wav(&alone, &bare));
    assert_eq!(samples, [1.0]);
    assert!(responses(&bare)[0].gain_db.iter().all(|&db| db == 0.0));
}

#[test]
fn what_a_wav_cannot_hold_is_refused() {
    let ringing = [section(Shape::Peaking, 10.0, 24.0, 800.0)];
    let error = impulse(&invented(&ringing, 768_000.0, -24.0)).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Refused);
    let loud = [section(Shape::HighShelf, 1000.0, 60.0, 0.7); 14];
    let error = impulse(&invented(&loud, 48_000.0, 0.0)).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Refused);
    let error = impulse(&invented(&[], 44_100.5, 0.0)).unwrap_err();
    assert_eq!(
        (error.kind, error.place.source.to_string().as_str()),
        (ErrorKind::Setting, "rate")
    );
}

/// Sections as equalisers have them and beyond.
fn any_section() -> impl Strategy<Value = Section> {
    let log = |lo: f64, hi: f64| (lo.ln()..hi.ln()).prop_map(f64::exp);
    (
        prop::sample::select(Shape::ALL.as_slice()),
        log(20.0, 21_000.0),
        -24.0..24.0,
        log(0.2, 10.0),
    )
        .prop_map(|(shape, f0_hz, gain_db, q)| section(shape, f0_hz, gain_db, q))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_table_is_the_response_of_the_coefficients_without_a_jump(
        sections in prop::collection::vec(any_section(), 1..8),
        rate_hz in prop::sample::select(vec![44_100.0, 48_000.0, 96_000.0]),
    ) {
        let export = invented(&sections, rate_hz, -2.5);
        let table = &responses(&export)[0];
        prop_assert_eq!(table.frequency_hz.len(), grid::frequency_hz().len());
        for (i, &f_hz) in table.frequency_hz.iter().enumerate() {
            let (level_db, _) = exact(&export.chains[0].biquads, rate_hz, f_hz);
            prop_assert!((table.gain_db[i] - (level_db - 2.5)).abs() < 1e-5, "{} Hz", f_hz);
            // Section by section the principal value is the phase: a minimum-phase section stays within half a turn.
            let phase_deg: f64 = export.chains[0]
                .biquads
                .iter()
                .map(|c| impulses::degrees_apart(exact(&[*c], rate_hz, f_hz).1, 0.0))
                .sum();
            prop_assert!((table.phase_deg[i] - phase_deg).abs() < 1e-4, "{} Hz: {} {}", f_hz, table.phase_deg[i], phase_deg);
        }
    }

    #[test]
    fn a_sheet_damaged_anywhere_is_an_error_or_exported_and_never_a_panic(
        index in 0..2usize,
        damages in prop::collection::vec((0.0..1.0f64, prop::sample::select(vec!["7", "-", "e9", "nan", "\n", "]", ""])), 1..4),
    ) {
        let mut text = sheets()[index].clone();
        // After the words at the head.
        let start = text.find("[level]").unwrap();
        for (place, with) in damages {
            let at = start + ((text.len() - start) as f64 * place) as usize;
            text.replace_range(at..(at + 1).min(text.len()), with);
        }
        if let Ok(sheet) = sheet::read(text.as_bytes(), "damaged.sheet.toml") {
            let request = Request { rates_hz: vec![48_000.0], ..everything(true) };
            if let Ok(export) = Export::of(&sheet, &request) {
                prop_assert!(sos_csv(&export).is_ascii());
                if let Ok(impulse) = impulse(&export) {
                    prop_assert!(wav(&impulse, &export).ends_with(WAV_END));
                }
            }
        }
    }

    #[test]
    fn every_section_is_minimum_phase_and_the_wav_its_response(
        sections in prop::collection::vec(any_section(), 1..5),
        rate_hz in prop::sample::select(vec![44_100.0, 96_000.0]),
    ) {
        for c in recursions(&sections, rate_hz) {
            // Inside the unit circle (E. I. Jury's conditions for a polynomial of second order).
            let (b1, b2) = (c.b1 / c.b0, c.b2 / c.b0);
            prop_assert!(b2.abs() < 1.0 && b1.abs() < 1.0 + b2);
        }
        let export = invented(&sections, rate_hz, -6.0);
        let impulse = impulse(&export).unwrap();
        let samples: Vec<f64> = impulse.channels[0].iter().map(|&x| f64::from(x)).collect();
        for &f_hz in grid::frequency_hz().iter().step_by(20) {
            let found_db = transform(&samples, f_hz / rate_hz).0;
            let own_db = cascade::level_db(&sections, rate_hz, f_hz) - 6.0;
            prop_assert!((found_db - own_db).abs() < 0.01, "{} Hz: {} {}", f_hz, found_db, own_db);
        }
    }
}
