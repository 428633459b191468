//! Sheets tested by themselves: every damaged number is found, every damaged file is an error or a fail, nothing panics.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use bandwright::filter::{Section, Shape};
use bandwright::limits::Limits;
use bandwright::report::figures;
use bandwright::sheet::{Guard, Sheet, read, write};
use bandwright::verify::sheet_check::{LimitsFrom, Outcome as TestOutcome, Subject};
use bandwright::verify::{SheetCheck, check_sheet};
use proptest::prelude::*;
use serde_json::Value;
use tempfile::TempDir;

use crate::support::{fits, printed, promises};

use crate::support::remeasurements::{self, Bench, Plant};
use promises::{Chance, limits, sections, sheet_of, sheet_per_side};

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

fn usual() -> Sheet {
    let sections = [
        section(Shape::LowShelf, 90.0, 3.5, 0.6),
        section(Shape::Peaking, 2750.0, -4.2, 1.35),
        section(Shape::HighShelf, 9000.0, 2.0, 0.7),
    ];
    sheet_of(&sections, &Limits::standard())
}

fn text(sheet: &Sheet) -> String {
    write(sheet).unwrap()
}

/// Passes, fails (with the subjects), or is no sheet (with the message).
#[derive(Debug)]
enum Outcome {
    Passes,
    Fails(Vec<Subject>),
    NoSheet(String),
}

impl Outcome {
    /// What it says, in words.
    fn told(&self) -> String {
        match self {
            Self::Passes => "passes".to_owned(),
            Self::Fails(subjects) => format!("{subjects:?}"),
            Self::NoSheet(message) => message.clone(),
        }
    }
}

fn outcome(bytes: &[u8]) -> Outcome {
    let sheet = match read(bytes, "x.sheet.toml") {
        Ok(sheet) => sheet,
        Err(error) => return Outcome::NoSheet(error.to_string()),
    };
    let check = check_sheet(&sheet, None);
    let failed = check
        .points
        .iter()
        .filter(|point| point.outcome == TestOutcome::Fail);
    let failed: Vec<Subject> = failed.map(|point| point.subject).collect();
    assert_eq!(failed.is_empty(), check.passes());
    match failed.is_empty() {
        true => Outcome::Passes,
        false => Outcome::Fails(failed),
    }
}

fn fails(check: &SheetCheck) -> Vec<Subject> {
    let failed = check
        .points
        .iter()
        .filter(|point| point.outcome == TestOutcome::Fail);
    failed.map(|point| point.subject).collect()
}

#[test]
fn sheets_of_random_sections_pass_every_point() {
    for seed in 0..60 {
        let mut chance = Chance::new(seed);
        let (one, other) = (sections(&mut chance), sections(&mut chance));
        let mut sheet = match seed % 3 {
            0 => sheet_per_side(&one, &other, &limits()),
            _ => sheet_of(&one, &limits()),
        };
        if seed % 4 == 1 {
            sheet.level.guard = Guard::AnySignal;
            sheet.level.preamp_db = bandwright::headroom::preamp::preamp_for(
                sheet.level.any_signal_gain_db,
                &sheet.limits.as_ref().unwrap().preamp_db,
            )
            .unwrap();
            // Stated for the other preamp.
            sheet.level.loudness_change_lu = None;
        }
        let back = read(text(&sheet).as_bytes(), "x").unwrap();
        let check = check_sheet(&back, None);
        assert!(check.passes(), "{seed}: {:?}", check.points);
        assert!(check.points.len() >= 11);
    }
}

#[test]
fn twenty_damaged_sheets_are_each_a_clear_fail_or_error() {
    let whole = text(&usual());
    let swap = |from: &str, to: &str| {
        assert!(whole.contains(from), "{from}");
        whole.replacen(from, to, 1).into_bytes()
    };
    let no_section = {
        let at = whole.find("[[section]]\nshape = \"peaking\"").unwrap();
        let end = at + whole[at + 1..].find("\n\n").unwrap() + 2;
        format!("{}{}", &whole[..at], &whole[end..]).into_bytes()
    };
    let truncated = whole.as_bytes()[..whole.find("\n[[coefficients]]").unwrap()].to_vec();
    let comments = {
        let line = "# a comment that somebody pasted many times over\n";
        format!("{}{whole}", line.repeat((10 << 20) / line.len() + 1)).into_bytes()
    };
    let damaged: [(&str, Vec<u8>, &str); 24] = [
        (
            "a digit of f0",
            swap("f0_hz = 2750.0", "f0_hz = 2760.0"),
            "Coefficients",
        ),
        (
            "a digit of a gain",
            swap("gain_db = -4.2", "gain_db = -4.3"),
            "Coefficients",
        ),
        (
            "a sign",
            swap("gain_db = -4.2", "gain_db = 4.2"),
            "Checkpoints",
        ),
        (
            "a digit of a q",
            swap("q = 1.35", "q = 1.36"),
            "Coefficients",
        ),
        (
            "a shape",
            swap("shape = \"low-shelf\"", "shape = \"peaking\""),
            "Coefficients",
        ),
        (
            "a misspelt shape",
            swap("shape = \"low-shelf\"", "shape = \"lowshelf\""),
            "low-shelf",
        ),
        ("a section removed", no_section, "section"),
        (
            "a unit typo",
            swap("f0_hz = 2750.0", "f0_khz = 2750.0"),
            "f0_khz",
        ),
        (
            "kilohertz",
            swap("f0_hz = 2750.0", "f0_hz = 2.75"),
            "Coefficients",
        ),
        (
            "a unit beside the number",
            swap("gain_db = -4.2", "gain_db = -4.2 dB"),
            "the number alone",
        ),
        (
            "a decimal comma",
            swap("gain_db = -4.2", "gain_db = -4,2"),
            "a decimal point, not a comma",
        ),
        (
            "an unknown rate",
            swap("rates_hz = [44100,", "rates_hz = [45100,"),
            "rates",
        ),
        (
            "a rate of all",
            whole.replace("44100", "44110").into_bytes(),
            "Coefficients",
        ),
        ("NaN", swap("q = 1.35", "q = nan"), "finite"),
        (
            "infinity",
            swap("preamp_db = -", "preamp_db = -inf # "),
            "finite",
        ),
        (
            "a wild gain",
            swap("gain_db = -4.2", "gain_db = 1e300"),
            "Numbers",
        ),
        (
            "a wrong format",
            swap("format = 1", "format = 2"),
            "format 1",
        ),
        ("no format", swap("\nformat = 1\n", "\n"), "format"),
        ("half a file", truncated, "coefficients"),
        ("10 MB of comments", comments, "4 MB"),
        (
            "another kind of file",
            b"frequency_hz,level_db\n20,90\n".to_vec(),
            "KEY = VALUE",
        ),
        ("bytes that are no text", vec![0xff; 1000], "UTF-8"),
        ("an empty file", Vec::new(), "format"),
        (
            "a preamp of 0",
            swap("preamp_db = -", "preamp_db = 0 # "),
            "PreampSuffices",
        ),
    ];
    for (what, bytes, named) in &damaged {
        let outcome = outcome(bytes);
        let told = outcome.told();
        assert!(!matches!(outcome, Outcome::Passes), "{what} passes");
        assert!(told.contains(named), "{what}: {told}");
        if let Outcome::NoSheet(message) = outcome {
            assert!(
                message.contains("expected") && message.len() < 1000,
                "{what}: {message}"
            );
        }
    }
}

/// Numbers that decide what is heard, each as its span in the text: of sections, level, rates, checkpoints, coefficients.
fn numbers_that_matter(text: &str) -> Vec<(usize, usize)> {
    let knowledge = text.find("[knowledge]").unwrap();
    let start = text.find("[level]").unwrap();
    let mut spans = Vec::new();
    let mut line_start = start;
    for line in text[start..knowledge].lines() {
        let code = line.split('#').next().unwrap();
        let bytes = code.as_bytes();
        let mut at = 0;
        while at < bytes.len() {
            let starts = bytes[at].is_ascii_digit()
                && (at == 0 || !(bytes[at - 1].is_ascii_alphanumeric() || bytes[at - 1] == b'_'));
            if !starts {
                at += 1;
                continue;
            }
            let end = (at..bytes.len())
                .find(|i| !(bytes[*i].is_ascii_digit() || b".e-".contains(&bytes[*i])))
                .unwrap_or(bytes.len());
            spans.push((line_start + at, line_start + end));
            at = end;
        }
        line_start += line.len() + 1;
    }
    spans
}

#[test]
fn every_changed_digit_of_a_number_that_matters_is_found_unless_it_is_below_the_print() {
    let (mut tried, mut below) = (0, 0);
    for seed in 0..3 {
        let mut chance = Chance::new(77 + seed);
        let (one, other) = (sections(&mut chance), sections(&mut chance));
        let sheet = match seed {
            0 => sheet_per_side(&one, &other, &limits()),
            1 => usual(),
            _ => sheet_of(&one, &limits()),
        };
        let whole = text(&sheet);
        for (start, end) in numbers_that_matter(&whole) {
            let was: f64 = whole[start..end].parse().unwrap();
            for at in start..end {
                if !whole.as_bytes()[at].is_ascii_digit() {
                    continue;
                }
                // One other digit a place, drawn.
                let digit = (whole.as_bytes()[at] - b'0' + 1 + chance.below(9) as u8) % 10 + b'0';
                let mut bytes = whole.clone().into_bytes();
                bytes[at] = digit;
                let is: Option<f64> = std::str::from_utf8(&bytes[start..end])
                    .unwrap()
                    .parse()
                    .ok();
                // The last digits of a coefficient are below what two computers agree on.
                let same = is.is_some_and(|is| (is - was).abs() <= 1e-12 * was.abs().max(1.0));
                tried += 1;
                below += usize::from(same);
                let passes = matches!(outcome(&bytes), Outcome::Passes);
                let line = whole[..start].lines().count();
                assert!(
                    !passes || same,
                    "seed {seed}, line {line}: {} to {is:?}",
                    &whole[start..end]
                );
            }
        }
    }
    println!("{tried} digits changed, {below} of them below 1e-12");
    assert!(tried > 2000 && below * 3 < tried);
}

#[test]
fn a_sheet_whose_sections_alone_were_edited_is_said_to_be_so_and_no_other() {
    let sheet = usual();
    let edited = |sheet: &Sheet| check_sheet(sheet, None).sections_edited;
    assert!(!edited(&sheet));
    for change in [
        |section: &mut Section| section.gain_db += 0.5,
        |section: &mut Section| section.f0_hz *= 1.02,
        |section: &mut Section| section.q += 0.1,
        |section: &mut Section| section.shape = Shape::LowShelf,
    ] {
        let mut one = sheet.clone();
        change(&mut one.channels[0].sections[1]);
        assert!(edited(&one));
        assert!(!check_sheet(&one, None).passes());
        let told = printed(figures::check::report(&check_sheet(&one, None), None, &[]));
        assert!(
            told.contains("edited: checkpoints and coefficients agree"),
            "{told}"
        );
        // Anything else that was damaged as well makes it another matter.
        let mut coefficient = one.clone();
        coefficient.channels[0].coefficients[0].section[0].b0 *= 1.01;
        let mut checkpoint = one.clone();
        checkpoint.channels[0].checkpoints[1].gain_db[2] += 0.1;
        let mut level = one.clone();
        level.level.peak_gain_db = 0.0;
        assert!(![coefficient, checkpoint, level].iter().any(edited));
    }
    // The same damage alone is no edit of sections.
    let mut coefficient = sheet.clone();
    coefficient.channels[0].coefficients[0].section[0].b0 *= 1.01;
    let mut checkpoint = sheet;
    checkpoint.channels[0].checkpoints[1].gain_db[2] += 0.1;
    assert!(!edited(&coefficient) && !edited(&checkpoint));
}

#[test]
fn other_limits_are_held_against_the_sheet() {
    let sheet = usual();
    let mut few = Limits::standard();
    few.sections = 2;
    assert_eq!(
        fails(&check_sheet(&sheet, Some((&few, LimitsFrom::File)))),
        [Subject::Limits]
    );
    let mut stepped = Limits::standard();
    stepped.gain_db = bandwright::limits::Setting::Linear {
        min: -12.0,
        max: 6.0,
        step: 0.5,
    };
    let check = check_sheet(&sheet, Some((&stepped, LimitsFrom::File)));
    assert_eq!(fails(&check), [Subject::Limits]);
    let point = check.points.last().unwrap();
    assert!(
        point.found.contains("gain_db: -4.2") && point.because.contains("-4"),
        "{point:?}"
    );
    let mut other_rate = Limits::standard();
    other_rate.rates_hz = vec![44_100.0];
    assert_eq!(
        fails(&check_sheet(&sheet, Some((&other_rate, LimitsFrom::File)))),
        [Subject::Rates]
    );
}

#[test]
fn a_fail_says_where_and_by_how_much() {
    let whole = text(&usual()).replacen("gain_db = -4.2", "gain_db = -5.2", 1);
    let check = check_sheet(&read(whole.as_bytes(), "x").unwrap(), None);
    let of = |subject| check.points.iter().find(|p| p.subject == subject).unwrap();
    let checkpoints = of(Subject::Checkpoints);
    // A decibel of a peaking section at its own f0.
    assert!((checkpoints.deviation.unwrap() - 1.0).abs() < 1e-3);
    assert_eq!(checkpoints.at_hz, Some(2750.0));
    assert!(checkpoints.rate_hz.is_some() && checkpoints.tolerance.unwrap() < 1e-4);
    let coefficients = of(Subject::Coefficients);
    assert!(coefficients.outcome == TestOutcome::Fail && coefficients.found.contains("section 2"));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, max_shrink_iters: 200, ..ProptestConfig::default() })]

    #[test]
    fn no_damage_makes_it_panic(
        edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..6_u8), 1..8),
        lines in any::<bool>(),
    ) {
        let whole = text(&usual());
        let bytes = if lines {
            let mut all: Vec<String> = whole.lines().map(str::to_owned).collect();
            for (at, byte, what) in &edits {
                if all.is_empty() { break; }
                let at = at.index(all.len());
                match what {
                    0 => { all.remove(at); }
                    1 => { let line = all[at].clone(); all.insert(at, line); }
                    2 => { let other = usize::from(*byte) % all.len(); all.swap(at, other); }
                    3 => all[at] = all[at].replace(' ', ""),
                    4 => all[at] = format!("{}{}", all[at], char::from(byte % 96 + 32)),
                    _ => all[at] = all[at].replace(char::is_numeric, &(byte % 10).to_string()),
                }
            }
            all.join("\n").into_bytes()
        } else {
            let mut all = whole.into_bytes();
            // The head is comments: what matters comes after it.
            let head = all.windows(8).position(|w| w == b"\n[level]").unwrap();
            for (at, byte, what) in &edits {
                let at = head + at.index(all.len() - head);
                match what {
                    0 => { all.remove(at); }
                    1 => all.insert(at, *byte),
                    2 | 3 => all[at] = b"0123456789.e-+"[usize::from(byte % 14)],
                    _ => all[at] = *byte,
                }
            }
            all
        };
        let _ = outcome(&bytes);
    }
}

/// Pictures for the eye: `cargo test --test check_sheets -- --ignored`, then `check/` of cargo's folder for test files.
#[test]
#[ignore = "leaves pictures to look at"]
fn pictures_are_left_to_look_at() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("check");
    fs::create_dir_all(&folder).unwrap();
    let plants = [
        ("kept", Plant::Nothing),
        ("missing", Plant::SectionMissing),
        ("swapped", Plant::WrongSide),
        ("seal", Plant::LeakOneSide),
        ("two", Plant::Two),
    ];
    for (name, plant) in plants {
        let case = remeasurements::remeasured(11, plant, &Bench::USUAL, 2.0);
        let (sheet, request) = (&case.sheet, case.request(None));
        let promise = bandwright::verify::remeasured(sheet, &request).unwrap();
        let check = check_sheet(sheet, None);
        let plot = bandwright::report::check_plot(&check, &promise);
        fs::write(folder.join(format!("{name}.svg")), plot).unwrap();
        println!(
            "{}",
            printed(figures::check::report(&check, Some(&promise), &[]))
        );
    }
}

fn run(folder: &Path, arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap();
    let words = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        words(output.stdout),
        words(output.stderr),
    )
}

/// Takes as files that a session leaves; their names say the side.
fn save(folder: &Path, takes: &[bandwright::measurement::takes::Take]) -> Vec<String> {
    let f_hz = bandwright::measurement::grid::frequency_hz();
    let one = |take: &bandwright::measurement::takes::Take| {
        let points = f_hz.iter().zip(&take.on_grid.level_db);
        let rows: String = points.map(|(f, db)| format!("{f:.4},{db:.4}\n")).collect();
        let name = format!("{}.csv", take.name);
        fs::write(folder.join(&name), rows).unwrap();
        name
    };
    takes.iter().map(one).collect()
}

#[test]
fn the_program_answers_with_its_exit_status() {
    let folder = TempDir::new().unwrap();
    let path = folder.path();
    let good = text(&usual());
    fs::write(path.join("good.sheet.toml"), &good).unwrap();
    fs::write(
        path.join("bad.sheet.toml"),
        good.replacen("gain_db = -4.2", "gain_db = 4.2", 1),
    )
    .unwrap();
    fs::write(path.join("no.sheet.toml"), "format = 7\n").unwrap();
    let (status, printed, _) = run(path, &["check", "good.sheet.toml"]);
    assert_eq!(status, 0, "{printed}");
    assert!(printed.contains("all 12 points pass"), "{printed}");
    let (status, printed, _) = run(path, &["check", "bad.sheet.toml"]);
    assert_eq!(status, 1);
    assert!(
        printed.contains("fail") && printed.contains("coefficients"),
        "{printed}"
    );
    assert_eq!(
        run(path, &["check", "bad.sheet.toml", "--quiet"]),
        (1, String::new(), String::new())
    );
    let (status, _, message) = run(path, &["check", "no.sheet.toml"]);
    assert!(
        status == 2 && message.contains("no.sheet.toml:1: format"),
        "{message}"
    );
    for usage in [
        &["check"][..],
        &["check", "none.sheet.toml"],
        &["check", "good.sheet.toml", "--plot", "x.svg"],
        &["check", "good.sheet.toml", "--before", "good.sheet.toml"],
        &["check", "good.sheet.toml", "--after", "good.sheet.toml"],
        &["check", "good.sheet.toml", "--same-level"],
        &["check", "good.sheet.toml", "--limits", "good.sheet.toml"],
    ] {
        let (status, _, message) = run(path, usage);
        assert_eq!(status, 2, "{usage:?}");
        assert!(!message.is_empty());
    }
}

#[test]
fn a_promise_that_was_not_kept_is_told_with_its_mistake_in_text_document_and_picture() {
    let folder = TempDir::new().unwrap();
    let path = folder.path();
    let sheet = usual();
    fs::write(path.join("s.sheet.toml"), text(&sheet)).unwrap();
    let mut chance = Chance::new(5);
    let wrong = {
        let mut sections = sheet.channels[0].sections.clone();
        sections[1].gain_db = 4.2;
        sheet_of(&sections, &Limits::standard())
    };
    let mut taken = promises::sessions(
        &mut chance,
        &promises::Rig::USUAL,
        [4, 4],
        &promises::promised(&wrong, 1.0),
    );
    let before = save(path, &taken.before);
    let after = save(path, &taken.after);
    let mut arguments = vec!["check", "s.sheet.toml", "--before"];
    arguments.extend(before.iter().map(String::as_str));
    arguments.push("--after");
    arguments.extend(after.iter().map(String::as_str));
    let (status, printed, _) = run(path, &arguments);
    assert_eq!(status, 1, "{printed}");
    for words in [
        "all 12 points pass",
        "Promise: not kept",
        "section 2 (peaking 2750 Hz -4.2 dB q 1.35) has the wrong sign: +4.2 dB",
    ] {
        assert!(printed.contains(words), "{words} in {printed}");
    }
    let longest = printed
        .lines()
        .map(|line| line.chars().count())
        .max()
        .unwrap();
    assert!(longest <= 100, "{printed}");
    arguments.extend(["--plot", "kept.svg", "--json"]);
    let (status, printed, _) = run(path, &arguments);
    assert_eq!(status, 1);
    let document: Value = serde_json::from_str(&printed).unwrap();
    assert_eq!(document["verb"], "check");
    assert_eq!(document["passes"], true);
    let promise = &document["promise"];
    assert_eq!(promise["verdict"], "not-kept");
    let first = &promise["explanations"][0];
    assert_eq!(
        (&first["kind"], &first["section_number"]),
        (&Value::from("sign-flipped"), &Value::from(2))
    );
    // The mistake alone, and with another beside it such as another seat.
    let with_it = promise["explanations"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|other| {
            (&other["kind"], &other["section_number"]) == (&first["kind"], &first["section_number"])
        });
    let share: f64 = with_it.map(|other| other["share"].as_f64().unwrap()).sum();
    assert!(share > 0.9, "{share}");
    assert!(first["also"].is_null());
    let change = &promise["changes"][0];
    let points = change["frequency_hz"].as_array().unwrap().len();
    for curve in [
        "promised_db",
        "measured_db",
        "standard_error_db",
        "explained_db",
    ] {
        assert_eq!(change[curve].as_array().unwrap().len(), points, "{curve}");
    }
    let plot = fs::read_to_string(path.join("kept.svg")).unwrap();
    assert!(
        plot.starts_with("<svg class=\"bandwright-plot\"") && plot.contains("best explanation")
    );
    assert_eq!(document["files"][0]["kind"], "plot");
    // The same once more is the same to the last byte.
    assert_eq!(run(path, &arguments).1, printed);

    // The right sheet is not accused, and what leaks is set aside and no mistake.
    for take in &mut taken.after {
        take.name = take.name.replace("after", "right");
    }
    let taken = promises::sessions(
        &mut chance,
        &promises::Rig::USUAL,
        [4, 4],
        &promises::promised(&sheet, 1.0),
    );
    let mut leaking = taken.after.clone();
    for (db, f_hz) in leaking[0]
        .on_grid
        .level_db
        .iter_mut()
        .zip(bandwright::measurement::grid::frequency_hz())
    {
        *db -= 10.0 * (1.0 + (60.0 / f_hz).powi(2)).log10();
    }
    let (before, after) = (save(path, &taken.before), save(path, &leaking));
    let mut arguments = vec!["check", "s.sheet.toml", "--json", "--before"];
    arguments.extend(before.iter().map(String::as_str));
    arguments.push("--after");
    arguments.extend(after.iter().map(String::as_str));
    let (status, printed, message) = run(path, &arguments);
    assert_eq!(status, 0, "{message}");
    let document: Value = serde_json::from_str(&printed).unwrap();
    let promise = &document["promise"];
    // The seats of these takes differ, by chance: to say so accuses nobody.
    let kind = promise["explanations"][0]["kind"].as_str().unwrap();
    assert!(["nothing-wrong", "seat-differs"].contains(&kind), "{kind}");
    assert_eq!(promise["after"]["set_aside"].as_array().unwrap().len(), 1);
}

/// A sheet as its comments promise that it may be cut.
fn cut(sheet: &Sheet) -> String {
    let whole = text(sheet);
    whole[..whole.find("[knowledge]").unwrap()].to_owned()
}

#[test]
fn a_sheet_cut_at_what_was_known_is_read_checked_and_says_what_it_lacks() {
    let mut chance = Chance::new(7);
    let (one, other) = (sections(&mut chance), sections(&mut chance));
    for sheet in [usual(), sheet_per_side(&one, &other, &limits())] {
        let read_back = read(cut(&sheet).as_bytes(), "cut.sheet.toml").unwrap();
        let without = Sheet {
            knowledge: None,
            limits: None,
            ..sheet.clone()
        };
        assert_eq!(read_back, without);
        assert_eq!(read(text(&without).as_bytes(), "x").unwrap(), without);
        let check = check_sheet(&read_back, None);
        assert!(check.passes(), "{:?}", check.points);
        let lacking = check
            .points
            .iter()
            .filter(|p| p.outcome == TestOutcome::NotInSheet);
        let lacking: Vec<Subject> = lacking
            .inspect(|point| assert!(point.found.contains("not in this sheet"), "{point:?}"))
            .map(|point| point.subject)
            .collect();
        assert_eq!(
            lacking,
            [Subject::PreampAsComputed, Subject::Rates, Subject::Limits]
        );
        assert_eq!(check.limits, None);
        // Limits from elsewhere decide the rest.
        let own = sheet.limits.as_ref().unwrap();
        let check = check_sheet(&read_back, Some((own, LimitsFrom::File)));
        assert_eq!(check.count(TestOutcome::NotInSheet), 0);
        assert!(check.passes(), "{:?}", check.points);
    }
}

#[test]
fn a_sheet_cut_at_what_was_known_still_finds_a_changed_number() {
    let changed = cut(&usual()).replacen("gain_db = -4.2", "gain_db = -4.3", 1);
    match outcome(changed.as_bytes()) {
        Outcome::Fails(subjects) => assert!(subjects.contains(&Subject::Checkpoints)),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_sheet_with_damaged_knowledge_is_an_error() {
    let whole = text(&usual());
    let at = whole.find("[knowledge]").unwrap();
    let limits = whole.find("[limits]").unwrap();
    // Cut in any line of what was known, between its first and its last key.
    let lines = whole[at..limits]
        .match_indices('\n')
        .map(|(end, _)| at + end + 1);
    let last = whole[..limits].rfind("stop = ").unwrap();
    let mut cuts = 0;
    for end in lines.filter(|end| *end <= last) {
        assert!(
            read(&whole.as_bytes()[..end], "x").is_err(),
            "{}",
            &whole[at..end]
        );
        cuts += 1;
    }
    assert!(cuts > 10, "{cuts}");
    for (from, to) in [
        ("residual_by_rate_db = [", "residual_by_rate = ["),
        ("searches = ", "searches = -"),
        ("[limits]", "[limit]"),
    ] {
        assert!(whole.contains(from));
        let damaged = whole.replacen(from, to, 1);
        assert!(
            matches!(outcome(damaged.as_bytes()), Outcome::NoSheet(_)),
            "{to}"
        );
    }
}

#[test]
fn a_total_boost_above_that_of_the_limits_fails() {
    let sections = [section(Shape::Peaking, 1000.0, 3.37, 1.0)];
    let with = |most_db| {
        let mut limits = fits::without_steps();
        limits.rules.total_boost_max_db = Some(most_db);
        limits
    };
    let sheet = sheet_of(&sections, &fits::without_steps());
    let check = check_sheet(&sheet, Some((&with(1.0), LimitsFrom::File)));
    assert_eq!(fails(&check), [Subject::TotalBoost]);
    let point = check
        .points
        .iter()
        .find(|p| p.subject == Subject::TotalBoost)
        .unwrap();
    assert!((point.deviation.unwrap() - 3.37).abs() < 1e-4, "{point:?}");
    assert_eq!(point.tolerance, Some(1.0));
    assert!(
        (point.at_hz.unwrap() / 1000.0 - 1.0).abs() < 0.01,
        "{point:?}"
    );
    // The sheet's own limits count as well, and enough is enough.
    let own = sheet_of(&sections, &with(1.0));
    assert_eq!(fails(&check_sheet(&own, None)), [Subject::TotalBoost]);
    assert!(check_sheet(&sheet_of(&sections, &with(3.371)), None).passes());
    // Where limits name no most, there is nothing to test.
    let subjects = check_sheet(&sheet, None).points;
    assert!(subjects.iter().all(|p| p.subject != Subject::TotalBoost));
}

#[test]
fn a_check_against_limits_of_the_library_says_that_they_come_with_the_program() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("my.sheet.toml"), text(&usual())).unwrap();
    let own = usual().limits.unwrap().to_toml();
    fs::write(folder.path().join("own.limits.toml"), own).unwrap();
    fs::write(folder.path().join("cut.sheet.toml"), cut(&usual())).unwrap();
    let run = |arguments: &[&str]| {
        let output = Command::cargo_bin("bandwright")
            .unwrap()
            .current_dir(folder.path())
            .arg("check")
            .args(arguments)
            .output()
            .unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    for (arguments, whose, from) in [
        (
            &["my.sheet.toml", "--limits", "octave-graphic"][..],
            "which come with the program",
            "library",
        ),
        (
            &["my.sheet.toml", "--limits", "own.limits.toml"],
            "from a file",
            "file",
        ),
        (&["my.sheet.toml"], "the sheet's own", "sheet"),
    ] {
        let told = run(arguments);
        assert!(told.contains(whose), "{told}");
        let document: Value =
            serde_json::from_str(&run(&[arguments, &["--json"]].concat())).unwrap();
        assert_eq!(document["limits"]["from"], from);
        assert_eq!(document["limits"]["own"], from == "sheet");
    }
    let told = run(&["cut.sheet.toml"]);
    assert!(told.contains("not in this sheet"), "{told}");
    let document: Value = serde_json::from_str(&run(&["cut.sheet.toml", "--json"])).unwrap();
    assert_eq!(document["limits"]["name"], Value::Null);
    assert_eq!(document["limits"]["from"], Value::Null);
    assert_eq!(
        document["points"].as_array().unwrap().last().unwrap()["outcome"],
        "not-in-sheet"
    );
}

#[test]
fn a_wild_number_of_a_sheet_is_not_told_in_hundreds_of_digits() {
    let whole = text(&usual());
    let folder = TempDir::new().unwrap();
    let checkpoint = whole[whole.find("[[checkpoint]]").unwrap()..]
        .find("gain_db = [")
        .unwrap()
        + whole.find("[[checkpoint]]").unwrap();
    let mut wild = whole.clone();
    wild.replace_range(
        checkpoint..checkpoint + "gain_db = [".len(),
        "gain_db = [1e300, ",
    );
    // One number more than frequencies: take the last of that line out.
    let end = checkpoint + wild[checkpoint..].find("]\n").unwrap();
    let comma = wild[..end].rfind(',').unwrap();
    wild.replace_range(comma..end, "");
    for damaged in [
        wild,
        whole.replacen("peak_gain_db = ", "peak_gain_db = 1e300 # ", 1),
        whole.replacen("loudness_change_lu = ", "loudness_change_lu = -1e300 # ", 1),
        whole.replacen("gain_db = -4.2", "gain_db = 1e300", 1),
        whole.replacen("gain_db = -4.2", "gain_db = 1e-300", 1),
        whole.replacen("guard = ", "true_peak_margin_db = 1e300\nguard = ", 1),
        whole.replacen("preamp_db = ", "preamp_db = -1e300 # ", 1),
        whole.replacen(
            "b0 = ",
            "b0 = 1e300, b2 = 0.0, a1 = 0.0, a2 = 0.0, b1 = 0.0 }, # ",
            1,
        ),
    ] {
        assert_ne!(damaged, whole);
        let path = folder.path().join("wild.sheet.toml");
        fs::write(&path, damaged).unwrap();
        for verb in ["check", "export"] {
            let mut command = Command::cargo_bin("bandwright").unwrap();
            command
                .current_dir(folder.path())
                .arg(verb)
                .arg("wild.sheet.toml");
            if verb == "export" {
                command.args(["--form", "sos", "-o", "out.csv"]);
            }
            let output = command.output().unwrap();
            let told = [output.stdout, output.stderr].concat();
            let told = String::from_utf8(told).unwrap();
            let longest = told
                .split(|c: char| !c.is_ascii_digit())
                .map(str::len)
                .max();
            assert!(longest < Some(25), "{told}");
        }
    }
}
