//! Trials whose order is hidden, and what answers are worth.

use std::fs;
use std::path::Path;

use approx::assert_relative_eq;
use assert_cmd::Command;
use bandwright::error::ErrorKind;
use bandwright::listen::answers::Answers;
use bandwright::listen::trial::{Kind, MOST_TRIALS, Trials, at_least};
use bandwright::sheet;
use serde_json::Value;
use tempfile::TempDir;

use crate::music::{decoded, noise, sections, sheet, wav_float};

#[test]
fn orders_pass_a_runs_test_over_a_thousand_seeds() {
    let (mut seconds, mut runs_z, mut together) = (0, Vec::new(), 0);
    for seed in 0..1000 {
        let order = Trials::new(Kind::ThreeWay, MOST_TRIALS, seed).second;
        let n = order.len() as f64;
        let ones = order.iter().filter(|second| **second).count();
        seconds += ones;
        let runs = 1 + order.windows(2).filter(|pair| pair[0] != pair[1]).count();
        // Wald and Wolfowitz 1940: runs of two kinds in a random order.
        let (a, b) = (ones as f64, n - ones as f64);
        let mean = 2.0 * a * b / n + 1.0;
        let variance = (mean - 1.0) * (mean - 2.0) / (n - 1.0);
        runs_z.push((runs as f64 - mean) / variance.sqrt());
        // The next seed tells nothing of this one.
        let next = Trials::new(Kind::ThreeWay, MOST_TRIALS, seed + 1).second;
        together += order.iter().zip(&next).filter(|(a, b)| a == b).count();
    }
    let trials = 1000.0 * MOST_TRIALS as f64;
    // Three standard deviations each.
    assert!((seconds as f64 / trials - 0.5).abs() < 1.5 / trials.sqrt());
    assert!((together as f64 / trials - 0.5).abs() < 1.5 / trials.sqrt());
    let mean_z = runs_z.iter().sum::<f64>() / 1000.0;
    assert!(mean_z.abs() < 3.0 / 1000f64.sqrt(), "{mean_z}");
    let beyond = runs_z.iter().filter(|z| z.abs() > 1.96).count();
    assert!((30..=72).contains(&beyond), "{beyond} of 1000 beyond 5 %");
}

#[test]
fn the_chance_of_guessing_is_that_of_scipy() {
    // scipy 1.17.1: binomtest(right, of, 0.5, alternative="greater").pvalue
    let cases = [
        (0, 1, 1.0),
        (1, 1, 0.5),
        (10, 16, 0.2272491455078125),
        (12, 16, 0.0384063720703125),
        (13, 16, 0.0106353759765625),
        (16, 16, 1.52587890625e-05),
        (9, 10, 0.0107421875),
        (60, 100, 0.028443966820490444),
        (37, 50, 0.0004681114554259125),
        (0, 20, 1.0),
    ];
    for (right, of, expected) in cases {
        assert_relative_eq!(at_least(right, of, 0.5), expected, max_relative = 1e-12);
    }
}

fn answers(trials: &Trials, of: impl Fn(usize, bool) -> &'static str) -> Vec<String> {
    let order = trials.second.iter().enumerate();
    order
        .map(|(trial, second)| of(trial, *second).to_owned())
        .collect()
}

#[test]
fn answers_are_counted_and_what_they_are_worth_is_told() {
    let trials = Trials::new(Kind::ThreeWay, 16, 5);
    let right = |second: bool| if second { "b" } else { "A " };
    let all = trials
        .score(&answers(&trials, |_, second| right(second)), "answers")
        .unwrap();
    assert_eq!(
        (all.right, all.answered, all.trials_to_tell),
        (16, 16, None)
    );
    assert!(all.is_heard());
    let some = answers(&trials, |trial, second| match trial {
        0..6 => right(second),
        6..10 => right(!second),
        _ => "",
    });
    let some = trials.score(&some, "answers").unwrap();
    assert_eq!((some.right, some.answered, some.trials), (6, 10, 16));
    assert!(!some.is_heard());
    // A listener who is right in 60 % has shown it after some 160 trials: the normal approximation gives
    // (1.645 * 0.5 + 0.842 * 0.49)^2 / 0.1^2 = 152.
    let trials_to_tell = some.trials_to_tell.unwrap();
    assert!((140..170).contains(&trials_to_tell), "{trials_to_tell}");
    let wrong = trials
        .score(&answers(&trials, |_, second| right(!second)), "answers")
        .unwrap();
    assert_eq!((wrong.right, wrong.trials_to_tell), (0, None));
}

#[test]
fn an_order_comes_back_from_its_seal_and_no_other_does() {
    for kind in [Kind::Pairs, Kind::ThreeWay] {
        let trials = Trials::new(kind, 16, 11);
        let sealed = trials.sealed();
        assert_eq!(
            Trials::opened(kind, 16, &sealed, "answers").unwrap(),
            trials
        );
        for i in 0..sealed.len() {
            let mut changed = sealed.clone().into_bytes();
            changed[i] = if changed[i] == b'0' { b'1' } else { b'0' };
            let changed = String::from_utf8(changed).unwrap();
            assert!(
                Trials::opened(kind, 16, &changed, "answers").is_err(),
                "{i}"
            );
        }
        assert!(Trials::opened(kind, 15, &sealed, "answers").is_err());
        // The bits in the file are not the order.
        let shown: Vec<bool> = sealed[64..80].bytes().map(|bit| bit == b'1').collect();
        assert_ne!(shown, trials.second);
    }
}

struct Bench(TempDir);

impl Bench {
    fn new() -> Self {
        let bench = Self(TempDir::new().unwrap());
        let music = wav_float(&noise(48_000, 0.2), 2, 48_000);
        fs::write(bench.path().join("music.wav"), music).unwrap();
        let sheet = sheet::write(&sheet(&[&sections()])).unwrap();
        fs::write(bench.path().join("bass.sheet.toml"), sheet).unwrap();
        bench
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    fn run(&self, line: &str) -> (i32, String, String) {
        let output = Command::new(env!("CARGO_BIN_EXE_bandwright"))
            .args(line.split(' '))
            .current_dir(self.path())
            .output()
            .unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        let code = output.status.code().unwrap();
        (code, text(output.stdout), text(output.stderr))
    }

    fn bytes(&self, name: &str) -> Vec<u8> {
        fs::read(self.path().join(name)).unwrap()
    }
}

/// How far two files are apart, full scale being 1.
fn rms_apart(one: &[u8], other: &[u8]) -> f64 {
    let [one, other] = [one, other].map(|bytes| decoded(bytes).unwrap().0);
    let squares = one.iter().zip(&other).map(|(x, y)| (x - y).powi(2));
    (squares.sum::<f64>() / one.len() as f64).sqrt()
}

#[test]
fn the_files_of_a_trial_do_not_tell_what_they_are() {
    let bench = Bench::new();
    let (code, _, error) =
        bench.run("listen bass.sheet.toml music.wav --blind three-way --trials 8 --seed 3 -o .");
    assert_eq!((code, error.as_str()), (0, ""));
    let order = Trials::new(Kind::ThreeWay, 8, 3).second;
    assert!(order.iter().any(|second| *second) && order.iter().any(|second| !*second));
    let [a, b] = ["a.wav", "b.wav"].map(|name| bench.bytes(name));
    let mut heads = Vec::new();
    for (trial, second) in order.iter().enumerate() {
        let x = bench.bytes(&format!("x-{:02}.wav", trial + 1));
        // What it is, the samples tell; dither of its own hides it from a comparison of bytes.
        assert_eq!(rms_apart(&x, &b) < 1e-6, *second);
        assert_eq!(rms_apart(&x, &a) < 1e-6, !*second);
        assert!(x != a && x != b);
        assert_eq!((x.len(), &x[..68]), (a.len(), &a[..68]));
        assert_eq!(x[x.len() - 48..], a[a.len() - 48..]);
        heads.push(x);
    }
    heads.dedup();
    assert_eq!(heads.len(), 8);
    // The file for the answers has no word of the order.
    let text = String::from_utf8(bench.bytes("answers.toml")).unwrap();
    let answers = Answers::parse(text.as_bytes(), "answers.toml").unwrap();
    assert_eq!(answers.to_toml(), text);
    assert_eq!(answers.compared, ["no EQ", "bass"]);
    assert!(answers.trials.iter().all(|(_, answer)| answer.is_empty()));
}

#[test]
fn a_pair_holds_both_sounds_and_the_answer_is_which_is_the_sheets() {
    let bench = Bench::new();
    let (code, ..) =
        bench.run("listen bass.sheet.toml music.wav --blind pairs --trials 6 --seed 1 -o .");
    assert_eq!(code, 0);
    bench.run("listen bass.sheet.toml music.wav -o .");
    let [untouched, with_sheet] =
        ["music.untouched.wav", "music.bass.wav"].map(|name| bench.bytes(name));
    let mut text = String::from_utf8(bench.bytes("answers.toml")).unwrap();
    let order = Trials::new(Kind::Pairs, 6, 1).second;
    assert!(order.iter().any(|second| *second) && order.iter().any(|second| !*second));
    for (trial, second) in order.iter().enumerate() {
        let [one, other] =
            [1, 2].map(|place| bench.bytes(&format!("pair-{:02}-{place}.wav", trial + 1)));
        let (sheets, other) = if *second { (other, one) } else { (one, other) };
        assert!(rms_apart(&sheets, &with_sheet) < 1e-6 && rms_apart(&other, &untouched) < 1e-6);
        let answer = if *second { "2" } else { "1" };
        text = text.replacen("answer = \"\"", &format!("answer = \"{answer}\""), 1);
    }
    fs::write(bench.path().join("answers.toml"), text).unwrap();
    let (code, out, _) = bench.run("listen --answer answers.toml --json");
    let document: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(code, 0);
    assert_eq!(
        (document["right"].as_u64(), document["answered"].as_u64()),
        (Some(6), Some(6))
    );
    assert_relative_eq!(
        document["by_guessing"].as_f64().unwrap(),
        1.0 / 64.0,
        max_relative = 1e-12
    );
}

#[test]
fn what_is_no_answer_is_refused_with_its_place() {
    let bench = Bench::new();
    bench.run("listen bass.sheet.toml music.wav --blind three-way --trials 4 --seed 3 -o .");
    let text = String::from_utf8(bench.bytes("answers.toml")).unwrap();
    let refused = |text: &str| {
        let answers = Answers::parse(text.as_bytes(), "answers.toml");
        answers
            .and_then(|answers| answers.score("answers.toml"))
            .unwrap_err()
    };
    let none = refused(&text);
    assert!(none.to_string().contains("no answers"), "{none}");
    let odd = refused(&text.replacen("answer = \"\"", "answer = \"both\"", 1));
    assert_eq!(odd.kind, ErrorKind::Setting);
    assert!(
        odd.to_string()
            .contains("trial[1].answer: found `both`; expected a or b"),
        "{odd}"
    );
    let sealed = text
        .lines()
        .find(|line| line.starts_with("sealed"))
        .unwrap();
    let lost = refused(&text.replace(sealed, "sealed = \"0123\""));
    assert!(
        lost.to_string().contains("a seal that does not fit"),
        "{lost}"
    );
    let other = refused(&text.replace("three-way", "four-way"));
    assert!(other.to_string().contains("kind"), "{other}");
}

#[test]
fn what_is_asked_in_vain_is_said_before_any_file_is_written() {
    let bench = Bench::new();
    // A sheet whose preamp was taken out by hand.
    let sheet = String::from_utf8(bench.bytes("bass.sheet.toml")).unwrap();
    let preamp = sheet
        .lines()
        .find(|line| line.starts_with("preamp_db = "))
        .unwrap();
    assert!(preamp.contains('-'), "{preamp}");
    fs::write(
        bench.path().join("loud.sheet.toml"),
        sheet.replace(preamp, "preamp_db = 0"),
    )
    .unwrap();
    for (line, words) in [
        ("listen music.wav -o .", "no sheet"),
        ("listen bass.sheet.toml -o .", "no music"),
        (
            "listen bass.sheet.toml music.wav -o nowhere",
            "no folder `nowhere`",
        ),
        ("listen bass.sheet.toml missing.wav -o .", "no such file"),
        (
            "listen bass.sheet.toml bass.sheet.toml music.wav -o .",
            "two sounds that would both be written",
        ),
        (
            "listen bass.sheet.toml music.wav music.wav --blind pairs -o .",
            "several pieces",
        ),
        (
            "listen bass.sheet.toml music.wav --blind pairs --depth float -o .",
            "floating point",
        ),
        (
            "listen bass.sheet.toml music.wav --from 1:75 -o .",
            "expected a time",
        ),
        (
            "listen bass.sheet.toml music.wav --from 7 -o .",
            "the music has ended",
        ),
    ] {
        let (code, _, error) = bench.run(line);
        assert_eq!(code, 2, "{line}: {error}");
        assert!(error.contains(words), "{line}: {error}");
        assert_eq!(fs::read_dir(bench.path()).unwrap().count(), 3, "{line}");
    }
    // What a listener filled in is never written over.
    let trial = "listen bass.sheet.toml music.wav --blind pairs --trials 1 -o .";
    assert_eq!(bench.run(trial).0, 0);
    let filled = String::from_utf8(bench.bytes("answers.toml")).unwrap();
    let filled = filled.replace("answer = \"\"", "answer = \"1\"");
    fs::write(bench.path().join("answers.toml"), &filled).unwrap();
    let (code, _, error) = bench.run(trial);
    assert!(code == 2 && error.contains("to be filled in"), "{error}");
    assert_eq!(bench.bytes("answers.toml"), filled.as_bytes());
    for name in ["answers.toml", "pair-01-1.wav", "pair-01-2.wav"] {
        fs::remove_file(bench.path().join(name)).unwrap();
    }
    let (code, _, error) = bench.run("listen loud.sheet.toml music.wav -o .");
    assert_eq!(code, 1, "{error}");
    assert!(error.contains("loud.sheet.toml: loudness"), "{error}");
    assert_eq!(fs::read_dir(bench.path()).unwrap().count(), 3);
}
