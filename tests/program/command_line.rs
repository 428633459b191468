//! The real program, in a private folder for every test: what it prints, what it writes, how it ends.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use bandwright::filter::{Section, Shape, cascade};
use bandwright::headroom::peak::peak;
use bandwright::limits::Limits;
use bandwright::sheet::{self, Sheet};
use proptest::prelude::*;
use serde_json::Value;
use tempfile::TempDir;

/// Far beyond any run: only a hang takes so long.
const HANG: Duration = Duration::from_secs(60);

/// A private folder and the program run in it.
struct Bench(TempDir);

/// How a run ended.
struct Run {
    status: i32,
    stdout: String,
    stderr: String,
}

impl Bench {
    fn new() -> Self {
        Self(TempDir::new().unwrap())
    }

    /// A folder with `unit.csv`, a curve with a few bumps.
    fn with_unit() -> Self {
        let bench = Self::new();
        bench.put(
            "unit.csv",
            curve(|hz| cascade::level_db(&bumps(), 96e3, hz)),
        );
        bench
    }

    fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.0.path().join(name)
    }

    fn put(&self, name: impl AsRef<Path>, content: impl AsRef<[u8]>) {
        fs::write(self.path(name), content).unwrap();
    }

    fn read(&self, name: impl AsRef<Path>) -> Vec<u8> {
        fs::read(self.path(name)).unwrap()
    }

    /// Names in the folder, sorted.
    fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(self.0.path()).unwrap();
        let name = |entry: std::io::Result<fs::DirEntry>| {
            entry.unwrap().file_name().to_string_lossy().into_owned()
        };
        let mut names: Vec<String> = entries.map(name).collect();
        names.sort();
        names
    }

    fn command(&self) -> assert_cmd::Command {
        let mut command = assert_cmd::Command::new(env!("CARGO_BIN_EXE_bandwright"));
        command.current_dir(self.0.path()).timeout(HANG);
        command
    }

    /// `bandwright` with the words of `line`, split at blanks.
    fn run(&self, line: &str) -> Run {
        Run::of(self.command().args(line.split_whitespace()))
    }

    /// As [`Bench::run`], done without complaint.
    fn done(&self, line: &str) -> Run {
        let run = self.run(line);
        assert_eq!((run.status, run.stderr.as_str()), (0, ""), "{line}");
        run
    }

    /// As [`Bench::run`], refused with `status`, an error that tells all of `parts`, and no file left or changed.
    fn refused(&self, line: &str, status: i32, parts: &[&str]) {
        let before = self.names();
        let run = self.run(line);
        assert_eq!(run.status, status, "{line}: {}", run.stderr);
        assert_eq!(run.stdout, "", "{line}");
        for part in parts {
            assert!(
                run.stderr.contains(part),
                "{line}: no {part:?} in {}",
                run.stderr
            );
        }
        assert!(!run.stderr.contains("panicked"), "{line}: {}", run.stderr);
        assert_eq!(self.names(), before, "{line}: files came or went");
    }

    /// Refused as bad input with a message of all its parts that begins with `place`.
    fn bad_input(&self, line: &str, place: &str, found: &str) {
        self.refused(
            line,
            2,
            &[
                &format!("bandwright: {place}: "),
                found,
                "found ",
                "; expected ",
            ],
        );
        let message = self.run(line).stderr;
        assert_eq!(message.lines().count(), 1, "{message}");
        let (_, after) = message.split_once("; expected ").unwrap();
        assert!(after.contains("; "), "a next step: {message}");
    }

    fn sheet(&self, name: &str) -> Sheet {
        sheet::read(&self.read(name), name).unwrap()
    }
}

impl Run {
    fn of(command: &mut assert_cmd::Command) -> Self {
        let output = command.output().unwrap();
        Self {
            status: output
                .status
                .code()
                .expect("ended by itself, within the time"),
            stdout: String::from_utf8(output.stdout).unwrap(),
            stderr: String::from_utf8(output.stderr).unwrap(),
        }
    }

    fn document(&self) -> Value {
        serde_json::from_str(&self.stdout).expect("one JSON document")
    }
}

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

/// What is wrong with the unit of most tests.
fn bumps() -> [Section; 4] {
    [
        section(Shape::LowShelf, 120.0, -4.0, 0.6),
        section(Shape::Peaking, 700.0, 3.0, 1.0),
        section(Shape::Peaking, 2900.0, -5.0, 1.8),
        section(Shape::Peaking, 6000.0, 4.0, 3.0),
    ]
}

/// 20 Hz to 20 kHz, twelve points an octave, as `frequency,level`.
fn curve(level_db: impl Fn(f64) -> f64) -> String {
    points(level_db, |hz, db| format!("{hz:.3},{db:.4}\n"))
}

fn points(level_db: impl Fn(f64) -> f64, row: impl Fn(f64, f64) -> String) -> String {
    (0..120)
        .map(|i| 20.0 * (f64::from(i) / 12.0).exp2())
        .map(|hz| row(hz, level_db(hz)))
        .collect()
}

/// Reproducible noise (Knuth's 64-bit congruential generator, its upper bytes).
fn noise(bytes: usize) -> Vec<u8> {
    let mut state = 1_u64;
    let mut next = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 56) as u8
    };
    (0..bytes).map(|_| next()).collect()
}

/// Eight sections in half-decibel steps, with some keys exchanged.
fn limits(exchanged: &[(&str, &str)]) -> String {
    let mut keys = vec![
        ("format", "1"),
        ("name", "\"bench\""),
        ("sections", "8"),
        ("rates_hz", "[44100, 48000, 96000]"),
        ("preamp_db", "{ min = -20, max = 0, step = 0.5 }"),
        ("f0_hz", "{ min = 20, max = 20000, step = 1 }"),
        ("gain_db", "{ min = -12, max = 12, step = 0.5 }"),
        ("q", "{ min = 0.3, max = 8, step = 0.1 }"),
        ("shelf_q", "{ min = 0.4, max = 1.2, step = 0.1 }"),
        ("shapes", "{ low-shelf = 1, peaking = 6, high-shelf = 1 }"),
    ];
    for (key, value) in exchanged {
        match keys.iter_mut().find(|(known, _)| known == key) {
            Some(entry) => entry.1 = value,
            None => keys.push((key, value)),
        }
    }
    keys.iter()
        .map(|(key, value)| format!("{key} = {value}\n"))
        .collect()
}

/// The promises of every sheet: it can be played at every rate without clipping, typed in as it stands, and
/// agrees with itself.
fn keeps_its_promises(sheet: &Sheet) {
    sheet
        .limits
        .as_ref()
        .unwrap()
        .allows(&sheet.channels[0].sections)
        .unwrap();
    for s in &sheet.channels[0].sections {
        assert!(
            sheet.limits.as_ref().unwrap().f0_hz.contains(s.f0_hz),
            "{s:?}"
        );
        assert!(
            sheet.limits.as_ref().unwrap().gain_db.contains(s.gain_db),
            "{s:?}"
        );
        assert!(
            sheet.limits.as_ref().unwrap().q_of(s.shape).contains(s.q),
            "{s:?}"
        );
    }
    let preamp_db = sheet.level.preamp_db;
    assert!(
        sheet.limits.as_ref().unwrap().preamp_db.contains(preamp_db),
        "{preamp_db}"
    );
    assert!(preamp_db <= 0.0);
    for &rate_hz in &sheet.rates_hz {
        let highest_db = preamp_db + peak(&sheet.channels[0].sections, rate_hz).gain_db;
        assert!(highest_db <= 1e-9, "{highest_db} dB at {rate_hz} Hz");
    }
    let deviations = sheet::recompute(sheet);
    assert!(!deviations.is_empty());
    for deviation in deviations {
        assert!(deviation.worst_db() <= 1e-4, "{deviation:?}");
    }
    let residual = sheet.knowledge.as_ref().unwrap().residual_db;
    assert!(residual.weighted_after <= residual.weighted_before);
}

// What a fit gives.

#[test]
fn a_fit_prints_the_preset_and_writes_a_sheet_and_a_picture() {
    let bench = Bench::with_unit();
    let run = bench.done("fit unit.csv --target flat -v -o unit.sheet.toml --plot unit.svg");
    let parts = [
        "unit toward flat",
        "\nSections",
        "\nGain before the sections: ",
        "\nResidual",
        "\nHeadroom",
        "\nReach",
        "\nHow sure",
        "\nWritten\n",
    ];
    let places = parts.map(|part| run.stdout.find(part).expect(part));
    assert!(places.is_sorted(), "{places:?}");
    assert_eq!(bench.names(), ["unit.csv", "unit.sheet.toml", "unit.svg"]);
    assert!(
        String::from_utf8(bench.read("unit.svg"))
            .unwrap()
            .ends_with("</svg>\n")
    );
    let sheet = bench.sheet("unit.sheet.toml");
    keeps_its_promises(&sheet);
    assert_eq!(sheet.unit, "unit");
    assert!(sheet.knowledge.as_ref().unwrap().residual_db.weighted_after < 0.1);
}

#[test]
fn the_table_shows_every_number_as_the_sheet_has_it() {
    let bench = Bench::with_unit();
    let run = bench.done("fit unit.csv --target diffuse-field -o unit.sheet.toml");
    let rows: Vec<Vec<String>> = run
        .stdout
        .lines()
        .skip_while(|line| !line.starts_with("Sections"))
        .skip(2)
        .take_while(|line| line.starts_with(' '))
        .map(|line| line.split_whitespace().map(str::to_owned).collect())
        .collect();
    let sheet = bench.sheet("unit.sheet.toml");
    assert!(sheet.channels[0].sections.len() > 2);
    assert_eq!(rows.len(), sheet.channels[0].sections.len());
    for (row, s) in rows.iter().zip(&sheet.channels[0].sections) {
        let numbers: Vec<f64> = row[1..].iter().map(|cell| cell.parse().unwrap()).collect();
        assert_eq!(row[0], s.shape.name());
        assert_eq!(numbers, [s.f0_hz, s.gain_db, s.q]);
    }
}

#[test]
fn sheets_keep_their_promises_within_limits_of_every_kind() {
    let bench = Bench::with_unit();
    let graphic = [
        ("sections", "10"),
        (
            "f0_hz",
            "{ allowed = [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000] }",
        ),
        ("q", "1.41"),
        ("shapes", "{ peaking = 10 }"),
    ];
    let kinds: &[(&str, &[(&str, &str)])] = &[
        ("half-decibel steps", &[]),
        ("graphic", &graphic),
        (
            "octave steps",
            &[("f0_hz", "{ min = 31.25, max = 16000, step_octaves = 1 }")],
        ),
        (
            "semitone steps",
            &[(
                "f0_hz",
                "{ min = 20, max = 20000, step_octaves = 0.0833333333333 }",
            )],
        ),
        (
            "no steps",
            &[
                ("f0_hz", "{ min = 20, max = 20000 }"),
                ("gain_db", "{ min = -12, max = 6 }"),
                ("q", "{ min = 0.3, max = 6 }"),
                ("shelf_q", "{ min = 0.4, max = 1 }"),
                ("preamp_db", "{ min = -30, max = 0 }"),
            ],
        ),
        (
            "fine steps",
            &[
                ("f0_hz", "{ min = 20, max = 20000, step = 0.01 }"),
                ("gain_db", "{ min = -12, max = 12, step = 0.001 }"),
                ("q", "{ min = 0.3, max = 8, step = 0.001 }"),
            ],
        ),
        (
            "coarse steps",
            &[
                ("f0_hz", "{ min = 100, max = 20000, step = 5000 }"),
                ("gain_db", "{ min = -12, max = 12, step = 6 }"),
                ("q", "{ min = 0.5, max = 8, step = 7 }"),
            ],
        ),
        (
            "boosts only",
            &[("gain_db", "{ min = 3, max = 6, step = 0.5 }")],
        ),
        (
            "cuts only",
            &[("gain_db", "{ min = -6, max = -3, step = 0.5 }")],
        ),
        ("one gain", &[("gain_db", "-3")]),
        ("one frequency", &[("f0_hz", "1000")]),
        (
            "shelves",
            &[("shapes", "{ low-shelf = 2, high-shelf = 2 }")],
        ),
        ("high shelves", &[("shapes", "{ high-shelf = 3 }")]),
        ("low shelves", &[("shapes", "{ low-shelf = 3 }")]),
        ("peaking", &[("shapes", "{ peaking = 5 }")]),
        (
            "a low rate",
            &[
                ("rates_hz", "[8000]"),
                ("f0_hz", "{ min = 20, max = 3900, step = 1 }"),
            ],
        ),
        (
            "a low rate last",
            &[
                ("rates_hz", "[48000, 8000]"),
                ("f0_hz", "{ min = 20, max = 3900, step = 1 }"),
            ],
        ),
        (
            "sixteen rates",
            &[(
                "rates_hz",
                "[44100, 48000, 50000, 60000, 70000, 80000, 88200, 90000, 96000, 100000, 150000, 176400, 192000, 300000, 384000, 768000]",
            )],
        ),
        (
            "few preamps",
            &[("preamp_db", "{ allowed = [-15, -9, -4] }")],
        ),
    ];
    for (kind, exchanged) in kinds {
        bench.put("bench.limits.toml", limits(exchanged));
        bench.done("fit unit.csv --target diffuse-field --limits bench.limits.toml -o out.sheet.toml --effort quick --quiet");
        let sheet = bench.sheet("out.sheet.toml");
        assert!(!sheet.channels[0].sections.is_empty(), "{kind}");
        assert_eq!(
            sheet.limits.clone().unwrap(),
            Limits::parse(&bench.read("bench.limits.toml"), kind).unwrap()
        );
        keeps_its_promises(&sheet);
    }
}

#[test]
fn a_preamp_that_does_not_reach_holds_boosts_back_and_says_so() {
    let bench = Bench::with_unit();
    bench.put(
        "small.limits.toml",
        limits(&[("preamp_db", "{ allowed = [0] }")]),
    );
    bench.put("roomy.limits.toml", limits(&[]));
    let roomy = bench.done("fit unit.csv --target flat --limits roomy.limits.toml -o roomy.toml");
    assert!(bench.sheet("roomy.toml").level.preamp_db < -1.0);
    assert!(!roomy.stdout.contains("boosts were held back"));
    let small = bench.done("fit unit.csv --target flat --limits small.limits.toml -o small.toml");
    assert!(small.stdout.contains("Caution: boosts were held back"));
    let sheet = bench.sheet("small.toml");
    assert_eq!(sheet.level.preamp_db, 0.0);
    keeps_its_promises(&sheet);
}

#[test]
fn a_preamp_that_cannot_reach_at_all_is_a_no() {
    let bench = Bench::with_unit();
    let boosts = [
        ("preamp_db", "{ min = -1, max = 0, step = 0.5 }"),
        ("gain_db", "{ min = 3, max = 6, step = 0.5 }"),
    ];
    bench.put("boost.limits.toml", limits(&boosts));
    bench.refused(
        "fit unit.csv --target flat --limits boost.limits.toml -o out.toml --plot out.svg",
        1,
        &[
            "found sections that need a preamp of -",
            "; expected at least -1 dB",
            "allow less boost",
        ],
    );
}

#[test]
fn taste_alone_is_one_shelf_or_its_mirror() {
    let bench = Bench::with_unit();
    for (option, low, gain_db, f0_hz, q) in [
        ("--bass 3", true, 3.0, 90.0, 0.6),
        ("--bass -3", true, -3.0, 90.0, 0.6),
        ("--treble 2.5", false, 2.5, 6000.0, 0.5),
        ("--treble -2", false, -2.0, 6000.0, 0.5),
        (
            "--contour shape=low-shelf,f0_hz=200,gain_db=4,q=0.7",
            true,
            4.0,
            200.0,
            0.7,
        ),
    ] {
        bench.done(&format!("fit unit.csv {option} -o taste.sheet.toml"));
        let sheet = bench.sheet("taste.sheet.toml");
        keeps_its_promises(&sheet);
        let [only] = sheet.channels[0].sections.as_slice() else {
            panic!("{option}: {:?}", sheet.channels[0].sections);
        };
        let mirrored = (only.shape == Shape::LowShelf) != low;
        assert_ne!(only.shape, Shape::Peaking);
        let wanted_db = if mirrored { -gain_db } else { gain_db };
        assert!(
            (only.gain_db - wanted_db).abs() <= 0.002,
            "{option}: {only:?}"
        );
        assert!(
            (only.f0_hz / f0_hz - 1.0).abs() <= 1e-3,
            "{option}: {only:?}"
        );
        assert!((only.q - q).abs() <= 0.002, "{option}: {only:?}");
        assert_eq!(
            sheet.knowledge.as_ref().unwrap().residual_db.weighted_after,
            0.0,
            "{option}"
        );
    }
}

#[test]
fn tastes_are_added_to_a_target() {
    let bench = Bench::with_unit();
    let with = |taste: &str| {
        bench
            .done(&format!(
                "fit unit.csv --target flat --rig flat {taste} --json"
            ))
            .document()
    };
    let (plain, fuller) = (with(""), with("--bass 4 --slope -0.5"));
    let change = |i: usize| {
        let level = |document: &Value| document["curves"]["target_db"][i].as_f64().unwrap();
        level(&fuller) - level(&plain)
    };
    // The shelf is flat at the bottom, gone at 1 kHz; the slope falls by half a decibel an octave.
    let octaves = (1000.0_f64 / 20.0).log2();
    assert!((change(0) - change(271) - (4.0 + 0.5 * octaves)).abs() < 0.3);
    assert!(
        fuller["target"]["name"]
            .as_str()
            .unwrap()
            .contains("low-shelf +4 dB at 90 Hz")
    );
}

#[test]
fn several_takes_are_averaged_and_their_spread_is_reported() {
    let bench = Bench::new();
    fs::create_dir(bench.path("fieldfare")).unwrap();
    let take = |lift_db: f64| {
        let bass = |hz: f64| lift_db / (1.0 + (hz / 100.0).powi(8));
        curve(|hz| cascade::level_db(&bumps(), 96e3, hz) + bass(hz))
    };
    bench.put("fieldfare/left-1.csv", take(0.6));
    bench.put("fieldfare/left-2.csv", take(-0.6));
    bench.put("fieldfare/right-1.csv", take(0.0));
    bench.put("fieldfare/other.csv", take(0.2));
    let files = "fieldfare/left-1.csv fieldfare/left-2.csv fieldfare/right-1.csv";
    let run = bench.done(&format!("fit {files} --target flat -v"));
    assert!(run.stdout.starts_with("fieldfare toward flat\n"));
    assert!(run.stdout.contains("3 takes: left-1.csv,"));
    let words: Vec<&str> = run.stdout.split_whitespace().collect();
    assert!(words.join(" ").contains("0.85 dB at most"), "{words:?}");

    let document = bench
        .done(&format!("fit {files} --target flat --json"))
        .document();
    // Two takes of one side, 1.2 dB apart: a standard deviation of that over sqrt 2.
    let spread_db = document["curves"]["spread_db"][0].as_f64().unwrap();
    assert!(
        (spread_db - 1.2 / 2.0_f64.sqrt()).abs() < 1e-3,
        "{spread_db}"
    );
    let largest_db = document["spread"]["largest_db"].as_f64().unwrap();
    assert!((largest_db - spread_db).abs() < 1e-3, "{largest_db}");
    assert_eq!(document["curves"]["weight"], document["curves"]["trust"]);

    let one_a_side =
        "fit --left fieldfare/left-1.csv --right fieldfare/other.csv --target flat --json";
    let document = bench.done(one_a_side).document();
    assert_eq!(document["spread"], Value::Null);
    assert_eq!(document["takes"].as_array().unwrap().len(), 2);
}

#[test]
fn a_take_named_twice_is_refused() {
    let bench = Bench::with_unit();
    bench.bad_input(
        "fit unit.csv unit.csv --target flat",
        "unit.csv",
        "the same file as `unit.csv`",
    );
    bench.bad_input(
        "fit --left unit.csv --right ./unit.csv --bass 3",
        "./unit.csv",
        "the same file",
    );
}

#[test]
fn weights_may_be_of_any_size() {
    let bench = Bench::with_unit();
    let sections = |weight: &str| {
        bench.put("weight.csv", format!("20,{weight}\n20000,{weight}\n"));
        bench
            .done("fit unit.csv --target flat --weight weight.csv --json")
            .document()["sections"]
            .clone()
    };
    let usual = sections("1");
    for weight in ["1e-300", "5e-324", "1e300", "0.3"] {
        assert_eq!(sections(weight), usual, "{weight}");
    }
}

#[test]
fn a_curve_is_read_alike_in_every_spelling() {
    let bench = Bench::new();
    let level = |hz: f64| cascade::level_db(&bumps(), 96e3, hz);
    let dotted = curve(level);
    let decimal_comma = |hz: f64, db: f64| format!("{hz:.3};{db:.4}\r\n").replace('.', ",");
    let utf_16: Vec<u8> = format!("\u{feff}{dotted}")
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    let spellings: [(&str, Vec<u8>); 6] = [
        ("comma", dotted.clone().into()),
        (
            "semicolon",
            format!("Freq [Hz];SPL [dB]\r\n{}", points(level, decimal_comma)).into(),
        ),
        (
            "tab",
            format!(
                "# a comment\n{}",
                points(level, |hz, db| format!("{hz:.3}\t{db:.4}\t-12.5\n"))
            )
            .into(),
        ),
        (
            "blanks",
            points(level, |hz, db| format!("   {hz:.3}    {db:.4}\r")).into(),
        ),
        ("utf-16", utf_16),
        (
            "latin-1",
            [b"\xb0C 21, m\xe9thode\n".as_slice(), dotted.as_bytes()].concat(),
        ),
    ];
    let mut answers = Vec::new();
    for (spelling, bytes) in &spellings {
        bench.put("unit.csv", bytes);
        answers.push((
            spelling,
            bench.done("fit unit.csv --target flat --json").stdout,
        ));
    }
    for (spelling, answer) in &answers {
        assert_eq!(*answer, answers[0].1, "{spelling}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    #[test]
    fn a_fit_is_never_worse_than_no_eq(
        levels_db in prop::collection::vec(-15.0..15.0_f64, 6..40),
        low_hz in 20.0..400.0_f64,
        octaves in 2.0..10.0_f64,
        sections in 1..9_usize,
        stepped in any::<bool>(),
    ) {
        let bench = Bench::new();
        let step = octaves / (levels_db.len() - 1) as f64;
        let rows = levels_db.iter().enumerate();
        let row = |(i, db): (usize, &f64)| format!("{:.4}\t{db:.3}\n", low_hz * (i as f64 * step).exp2());
        bench.put("random.txt", rows.map(row).collect::<String>());
        bench.put("bench.limits.toml", limits(&[]));
        let within = if stepped { "--limits bench.limits.toml" } else { "" };
        let line = format!("fit random.txt --target flat --effort quick --sections {sections} {within} -o out.toml --json");
        let run = bench.run(&line);
        if run.status == 1 {
            prop_assert!(!bench.path("out.toml").exists());
        } else {
            prop_assert_eq!(run.status, 0, "{}", run.stderr);
            let document = run.document();
            let residual = |moment: &str| document["residual"][moment]["weighted_db"].as_f64().unwrap();
            prop_assert!(residual("after") <= residual("before"));
            let reach = document["reach"].as_array().unwrap();
            prop_assert_eq!(&reach[0]["residual_db"], &document["residual"]["before"]["weighted_db"]);
            let sheet = bench.sheet("out.toml");
            prop_assert!(sheet.channels[0].sections.len() <= sections);
            keeps_its_promises(&sheet);
        }
    }
}

// How it is said.

#[test]
fn json_is_one_document_with_or_without_failure() {
    let bench = Bench::with_unit();
    let document = bench
        .done("fit unit.csv --target flat -o out.sheet.toml --json")
        .document();
    assert_eq!(
        (&document["format"], &document["verb"]),
        (&2.into(), &"fit".into())
    );
    assert_eq!(document["files"][0]["path"], "out.sheet.toml");
    let reach = document["reach"].as_array().unwrap();
    assert!(reach.len() > 2);
    for (sections, point) in reach.iter().enumerate() {
        assert_eq!(point["sections"], sections);
    }
    let sheet = bench.sheet("out.sheet.toml");
    let told = document["sections"].as_array().unwrap();
    assert_eq!(told.len(), sheet.channels[0].sections.len());
    for (told, section) in told.iter().zip(&sheet.channels[0].sections) {
        for (key, value) in serde_json::to_value(section).unwrap().as_object().unwrap() {
            assert_eq!(&told[key], value);
        }
        assert_eq!(
            (&told["kept"], &told["device_q"]),
            (&false.into(), &Value::Null)
        );
    }
    assert_eq!(document["headroom"]["preamp_db"], sheet.level.preamp_db);

    for (line, status, verb, kind) in [
        ("fit missing.csv --target flat --json", 2, "fit", "missing"),
        ("fit unit.csv --target unit.csv --json", 1, "fit", "refused"),
        ("fit unit.csv --json", 2, "fit", "setting"),
        ("fit --json", 2, "fit", "setting"),
        (
            "fit unit.csv --target flat --json --bass loud",
            2,
            "fit",
            "setting",
        ),
        (
            "fit unit.csv --target flat --json --unheard-of",
            2,
            "fit",
            "setting",
        ),
        ("unheard-of --json", 2, "", "setting"),
    ] {
        let run = bench.run(line);
        assert_eq!(run.status, status, "{line}");
        let document = run.document();
        assert_eq!(document["format"], 1);
        assert_eq!(
            document["verb"].as_str().unwrap_or_default(),
            verb,
            "{line}"
        );
        let error = &document["error"];
        assert_eq!(error["kind"], kind, "{line}");
        for part in ["found", "expected", "next_step"] {
            assert!(!error[part].as_str().unwrap().is_empty(), "{line}: {part}");
        }
        assert!(!run.stderr.is_empty(), "{line}");
    }
}

#[test]
fn quiet_prints_nothing_but_errors() {
    let bench = Bench::with_unit();
    let run = bench.done("fit unit.csv --target flat --quiet -o out.sheet.toml");
    assert_eq!(run.stdout, "");
    assert!(bench.path("out.sheet.toml").exists());
    bench.refused(
        "fit missing.csv --target flat --quiet",
        2,
        &["missing.csv: found no such file"],
    );
}

#[test]
fn the_same_request_gives_the_same_bytes_on_any_number_of_threads() {
    let bench = Bench::with_unit();
    let mut runs = Vec::new();
    for threads in ["1", "8", "8"] {
        let mut command = bench.command();
        command.env("RAYON_NUM_THREADS", threads);
        command.args(
            "fit unit.csv --target diffuse-field -o out.toml --plot out.svg --json".split(' '),
        );
        let run = Run::of(&mut command);
        assert_eq!(run.status, 0, "{}", run.stderr);
        runs.push((run.stdout, bench.read("out.toml"), bench.read("out.svg")));
    }
    assert!(runs[0] == runs[1] && runs[1] == runs[2]);
}

#[test]
fn the_short_help_of_every_verb_fits_a_screen() {
    let bench = Bench::new();
    for verb in [
        "compare",
        "inspect",
        "target list",
        "target show",
        "target build",
        "target diff",
        "fit",
        "check",
        "export",
    ] {
        let help = bench.done(&format!("{verb} -h")).stdout;
        // Options are indented, with what follows on the next line; so are arguments, under a heading of their own.
        let (_, after_usage) = help.split_once("Usage: ").unwrap();
        let arguments = after_usage.split_once("Options:").unwrap().1;
        let options = arguments.lines().filter(|line| line.starts_with("  "));
        let options = options.collect::<Vec<_>>();
        assert!(options.len() <= 15, "{verb}: {}\n{help}", options.len());
        assert!(help.lines().count() <= 45, "{help}");
        assert!(help.contains("--help"), "{help}");
    }
}

#[test]
fn help_states_units_ranges_and_defaults_and_exits_with_0() {
    let bench = Bench::new();
    for line in [
        "--help",
        "-h",
        "fit --help",
        "fit -h",
        "help fit",
        "--version",
    ] {
        assert!(
            bench.done(line).stdout.contains("andwright") || line == "help fit",
            "{line}"
        );
    }
    let help = bench
        .done("fit --help")
        .stdout
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ");
    for part in [
        "low shelf at 90 Hz, q 0.6",
        "high shelf at 6 kHz, q 0.5",
        "-60 to 60",
        "-24 to 24",
        "[default: 0.01]",
        "[default: normal]",
        "[default: iec-60318-4]",
        "one low shelf, six peaking, one high shelf",
        "f0 20 Hz to 20 kHz in whole Hz of three digits, gain -12 to +6 dB and preamp -10 to 0 dB",
        "q 0.3 to 6 (shelves 0.4 to 1.0) in 0.05",
        "44.1, 48 and 96 kHz",
        "Exit status: 0 done;",
        "a hearing professional",
    ] {
        assert!(help.contains(part), "{part}");
    }
    for name in bandwright::wanted::library::names() {
        assert!(help.contains(name), "{name}");
    }
}

#[test]
fn the_equaliser_that_is_assumed_is_the_one_the_help_states() {
    let bench = Bench::with_unit();
    bench.done("fit unit.csv --target flat -o out.toml --quiet");
    let assumed = bench.sheet("out.toml").limits.unwrap();
    assert_eq!(assumed, Limits::standard());
    assert_eq!(assumed.rates_hz, [44_100.0, 48_000.0, 96_000.0]);
    assert_eq!((assumed.gain_db.min(), assumed.gain_db.max()), (-12.0, 6.0));
    assert_eq!((assumed.q.min(), assumed.q.max()), (0.3, 6.0));
    assert_eq!((assumed.shelf_q.min(), assumed.shelf_q.max()), (0.4, 1.0));
}

#[cfg(unix)]
#[test]
fn a_reader_that_closes_the_pipe_is_no_failure_and_a_full_disk_is_one() {
    let bench = Bench::with_unit();
    let bandwright = env!("CARGO_BIN_EXE_bandwright");
    let shell = |line: &str| {
        let mut command = assert_cmd::Command::new("bash");
        let line = format!(
            "set -o pipefail; {}",
            line.replace("bandwright", bandwright)
        );
        Run::of(
            command
                .current_dir(bench.0.path())
                .timeout(HANG)
                .args(["-c", &line]),
        )
    };
    let run = shell("bandwright fit unit.csv --target flat --json | head -n 1");
    assert_eq!(
        (run.status, run.stdout.as_str(), run.stderr.as_str()),
        (0, "{\n", "")
    );
    if Path::new("/dev/full").exists() {
        let run = shell("bandwright fit unit.csv --target flat > /dev/full");
        assert_eq!(run.status, 2);
        assert!(
            run.stderr.contains("standard output: found"),
            "{}",
            run.stderr
        );
    }
}

// What is refused, and how.

#[test]
fn a_curve_that_needs_nothing_is_a_no_without_files() {
    let bench = Bench::with_unit();
    bench.put("constant.csv", curve(|_| 80.0));
    for line in [
        "unit.csv --target unit.csv",
        "constant.csv --target flat",
        "unit.csv --bass 0",
    ] {
        bench.refused(
            &format!("fit {line} -o out.sheet.toml --plot out.svg"),
            1,
            &[
                "no section that brings the curve closer to the target than 0.00 dB",
                "leave it as it is",
            ],
        );
    }
}

#[test]
fn an_equaliser_that_cannot_help_is_a_no_at_every_effort() {
    let bench = Bench::with_unit();
    bench.put(
        "none.limits.toml",
        limits(&[("gain_db", "{ allowed = [0] }")]),
    );
    for effort in ["quick", "normal", "deep"] {
        for economy in ["0", "0.001"] {
            bench.refused(
                &format!(
                    "fit unit.csv --target flat --limits none.limits.toml --effort {effort} --economy {economy} -o out.sheet.toml"
                ),
                1,
                &["no section that brings the curve closer"],
            );
        }
    }
}

#[test]
fn an_exact_answer_counts_the_search_that_found_it() {
    let bench = Bench::with_unit();
    let document = bench.done("fit unit.csv --bass 3 --json").document();
    let search = &document["search"];
    assert_eq!(search["exact"], true);
    assert_eq!(search["stop"], "an exact answer was found");
    assert!(search["agreeing"].as_u64().unwrap() >= 1, "{search}");
    let text = bench.done("fit unit.csv --bass 3").stdout;
    let words: Vec<&str> = text.split_whitespace().collect();
    assert!(!words.join(" ").contains("A better answer"), "{text}");
}

#[test]
fn every_bad_curve_is_refused_with_place_reason_and_next_step() {
    let bench = Bench::with_unit();
    let cases: &[(&[u8], &str, &str)] = &[
        (b"", "bad", "an empty file"),
        (b" \n\n", "bad", "an empty file"),
        (b"20\n40\n80\n", "bad:1", "one column only"),
        (b"20,1\n40,loud\n80,1\n", "bad:2", "text `loud`"),
        (b"20,1\n40,nan\n80,1\n", "bad:2", "`nan`"),
        (b"20,1\n40,1\n80,-inf\n", "bad:3", "`-inf`"),
        (b"20,1\ninf,1\n", "bad:2", "`inf`"),
        (b"20,1\n40,1e400\n80,1\n", "bad:2", "`1e400`"),
        (b"-20,1\n40,1\n80,1\n", "bad:1", "frequency -20 Hz"),
        (b"0,1\n40,1\n80,1\n", "bad:1", "frequency 0 Hz"),
        (
            b"80,1\n40,1\n20,1\n",
            "bad:2",
            "frequency 40 Hz after 80 Hz",
        ),
        (
            b"20,1\n40,1\n40,2\n80,1\n",
            "bad:3",
            "frequency 40 Hz a second time",
        ),
        (b"20,1\n20000,1\n", "bad", "2 points"),
        (
            b"1000,1\n1300,2\n1700,1\n",
            "bad",
            "only 1000 Hz to 1700 Hz",
        ),
        (b"2,1\n4,2\n8,1\n", "bad", "2 Hz to 8 Hz"),
        (b"20,1\n200,1e6\n2000,1\n", "bad:2", "level 1000000 dB"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "bad", "a PNG picture"),
        (b"\x1f\x8b\x08\0\0\0\0\0", "bad", "a GZIP archive"),
        (b"RIFF\x24\0\0\0WAVEfmt ", "bad", "found a WAV "),
        (b"PK\x03\x04\x14\0", "bad", "a ZIP archive"),
        (b"\0\x01\x02\x03\0\x01\x02\x03", "bad", "a binary file"),
        (b"Dear all,\nhere is the curve.\n", "bad", "no numbers"),
    ];
    for (bytes, place, found) in cases {
        bench.put("bad", bytes);
        bench.bad_input(
            "fit bad --target flat -o out.toml --plot out.svg",
            place,
            found,
        );
        // As a target, too, the file is named and nothing is written.
        bench.bad_input(
            "fit unit.csv --target bad -o out.toml --plot out.svg",
            place,
            found,
        );
    }
}

#[test]
fn a_hundred_megabytes_are_refused_at_once() {
    let bench = Bench::with_unit();
    bench.put("noise", noise(1 << 20).repeat(100));
    bench.put(
        "digits",
        noise(1 << 20)
            .iter()
            .map(|b| b'0' + b % 10)
            .collect::<Vec<u8>>()
            .repeat(100),
    );
    for file in ["noise", "digits"] {
        for line in [
            format!("fit {file} --target flat -o out.toml"),
            format!("fit unit.csv --target {file} -o out.toml"),
            format!("fit unit.csv --target flat --weight {file} -o out.toml"),
            format!("fit unit.csv --target flat --limits {file} -o out.toml"),
        ] {
            bench.bad_input(&line, file, "more than ");
        }
    }
    // As large as is read at all.
    bench.put("digits", vec![b'7'; 16 << 20]);
    bench.bad_input("fit digits --target flat -o out.toml", "digits:1", "`7777");
}

#[test]
fn a_target_that_shares_no_frequency_is_refused() {
    let bench = Bench::new();
    bench.put("low.csv", "20,1\n40,2\n60,0\n100,1\n");
    bench.put("high.csv", "5000,1\n8000,2\n15000,0\n");
    bench.bad_input(
        "fit low.csv --target high.csv -o out.toml",
        "high",
        "a target from 5",
    );
}

#[test]
fn limits_that_contradict_themselves_are_refused_by_line_and_key() {
    let bench = Bench::with_unit();
    for (key, value, place, found) in [
        (
            "gain_db",
            "{ min = 6, max = 3, step = 0.5 }",
            ":7: gain_db.min",
            "6 dB above the maximum of 3",
        ),
        (
            "gain_db",
            "{ min = -6, max = 3, step = 0 }",
            ":7: gain_db.step",
            "a step of 0 dB",
        ),
        (
            "gain_db",
            "{ min = -6, max = 3, step = -1 }",
            ":7: gain_db.step",
            "a step of -1 dB",
        ),
        (
            "gain_db",
            "{ min = -6, max = 3, step = 100 }",
            ":7: gain_db.step",
            "a step of 100 dB",
        ),
        (
            "gain_db",
            "{ min = nan, max = 3 }",
            ":7: gain_db.min",
            "nan",
        ),
        (
            "gain_db",
            "{ min = -inf, max = inf }",
            ":7: gain_db.min",
            "-inf",
        ),
        (
            "gain_db",
            "{ allowed = [] }",
            ":7: gain_db.allowed",
            "an empty array",
        ),
        (
            "gain_db",
            "{ allowed = [3, 1] }",
            ":7: gain_db.allowed",
            "1 after 3",
        ),
        (
            "gain_db",
            "{ min = -3, max = 3, allowed = [0] }",
            ":7: gain_db.min",
            "both",
        ),
        ("gain_db", "\"loud\"", ":7: gain_db", "the text \"loud\""),
        (
            "f0_hz",
            "{ min = 20, max = 30000 }",
            ":6: f0_hz.max",
            "30000 Hz",
        ),
        (
            "f0_hz",
            "{ min = 20, max = 20000, step = 0.00001 }",
            ":6: f0_hz.step",
            "a step of 0.00001 Hz",
        ),
        (
            "preamp_db",
            "{ min = -20, max = 3 }",
            ":5: preamp_db.max",
            "3 dB",
        ),
        ("sections", "0", ":3: sections", "0"),
        ("sections", "65", ":3: sections", "65"),
        ("sections", "-1", ":3: sections", "-1"),
        ("rates_hz", "[]", ":4: rates_hz", "0 rates"),
        (
            "rates_hz",
            "[44100, 44100]",
            ":4: rates_hz",
            "44100 Hz as number 2",
        ),
        ("rates_hz", "[7999]", ":4: rates_hz", "7999 Hz"),
        ("shapes", "{ peaking = 0 }", ":10: shapes", "no shape"),
        (
            "shapes",
            "{ peakink = 3 }",
            ":10: shapes.peakink",
            "did you mean `peaking`?",
        ),
        ("format", "2", ":1: format", "format 2"),
        ("colour", "3", ":11: colour", "an unknown key `colour`"),
    ] {
        bench.put("bad.limits.toml", limits(&[(key, value)]));
        let line = "fit unit.csv --target flat --limits bad.limits.toml -o out.toml --plot out.svg";
        bench.bad_input(line, &format!("bad.limits.toml{place}"), found);
    }
    bench.put("bad.limits.toml", "name = \"x");
    bench.bad_input(
        "fit unit.csv --bass 3 --limits bad.limits.toml",
        "bad.limits.toml:1:8",
        "one quotation mark alone",
    );
    bench.put("bad.limits.toml", "name = \"no format\"");
    bench.bad_input(
        "fit unit.csv --bass 3 --limits bad.limits.toml",
        "bad.limits.toml:1: format",
        "no such key",
    );
    bench.put("unit.limits.toml", bench.read("unit.csv"));
    bench.bad_input(
        "fit unit.csv --bass 3 --limits unit.limits.toml",
        "unit.limits.toml:1:7",
        "KEY = VALUE",
    );
}

#[test]
fn limits_that_do_not_reach_the_data_are_refused() {
    let bench = Bench::with_unit();
    bench.put(
        "below.toml",
        limits(&[("f0_hz", "{ allowed = [5, 10, 15] }")]),
    );
    bench.bad_input(
        "fit unit.csv --target flat --limits below.toml -o out.toml",
        "below.toml: f0_hz",
        "from 5 Hz to 15 Hz",
    );
    bench.put("high.csv", "5000,1\n8000,4\n12000,2\n15000,0\n");
    let slow = [
        ("rates_hz", "[8000]"),
        ("f0_hz", "{ min = 20, max = 3900, step = 1 }"),
    ];
    bench.put("slow.toml", limits(&slow));
    bench.bad_input(
        "fit high.csv --target flat --limits slow.toml -o out.toml",
        "rates_hz",
        "8000 Hz for curves from 5",
    );
}

#[test]
fn bad_weights_are_refused() {
    let bench = Bench::with_unit();
    for (text, place, found) in [
        ("20,0\n20000,0\n", "bad.csv", "a weight of 0 everywhere"),
        ("20,1\n20000,-1\n", "bad.csv:2", "weight -1"),
        ("20,1\n200,nan\n", "bad.csv:2", "`nan`"),
        ("", "bad.csv", "an empty file"),
    ] {
        bench.put("bad.csv", text);
        bench.bad_input(
            "fit unit.csv --target flat --weight bad.csv -o out.toml",
            place,
            found,
        );
    }
    bench.put("low.csv", "20,1\n40,2\n60,0\n100,1\n");
    bench.put("treble.csv", "20,0\n1000,0\n2000,1\n");
    bench.bad_input(
        "fit low.csv --target flat --weight treble.csv -o out.toml",
        "weight",
        "no weight above 0 from 20 Hz",
    );
}

#[test]
fn wrong_values_of_options_are_refused_by_name() {
    let bench = Bench::with_unit();
    for (option, found) in [
        (
            "--bass nan",
            "'nan' for '--bass <DB>': expected a finite number",
        ),
        ("--bass inf", "'inf' for '--bass <DB>'"),
        ("--bass 2,5", "with a decimal point"),
        ("--treble 1e400", "'1e400' for '--treble <DB>'"),
        ("--slope loud", "'loud' for '--slope <DB>'"),
        (
            "--bass 61",
            "--bass: gain_db: found 61; expected a number from -60 to 60",
        ),
        ("--bass -61", "--bass: gain_db: found -61"),
        (
            "--slope 25",
            "--slope: db_per_octave: found 25; expected a number from -24 to 24",
        ),
        (
            "--contour loud",
            "--contour: found `loud`; expected KEY=VALUE",
        ),
        (
            "--contour shape=peak,f0_hz=300,gain_db=2,q=1",
            "did you mean `peaking`?",
        ),
        (
            "--contour shape=peaking,f0_hz=nan,gain_db=2,q=1",
            "--contour: f0_hz: found the number nan",
        ),
        ("--bass 3 --economy nan", "'nan' for '--economy <X>'"),
        (
            "--bass 3 --economy -1",
            "--economy: found -1; expected a number from 0 to 1000",
        ),
        ("--bass 3 --economy 1e9", "--economy: found 1e9"),
        (
            "--bass 3 --sections 0",
            "--sections: found 0; expected 1 to 64",
        ),
        (
            "--bass 3 --sections 65",
            "--sections: found 65; expected 1 to 64",
        ),
        (
            "--bass 3 --sections -1",
            "'-1' for '--sections <N>': expected a whole number",
        ),
        ("--bass 3 --sections 1.5", "'1.5' for '--sections <N>'"),
        (
            "--bass 3 --sections 99999999999999999999",
            "for '--sections <N>'",
        ),
        (
            "--bass 3 --effort endless",
            "[possible values: quick, normal, deep]",
        ),
        (
            "--bass 3 --rig iec-60318-5",
            "--rig: found `iec-60318-5`; expected one of iec-60318-4, flat, or a file with a trust table; did you mean `iec-60318-4`?",
        ),
        ("--bass 3 --unit=", "--unit: found an empty name"),
        ("--target flatt", "did you mean `flat`?"),
        ("--target missing.csv", "missing.csv: found no such file"),
        (
            "--target flat --limits missing.toml",
            "missing.toml: found no such file",
        ),
        (
            "--target flat --weight missing.csv",
            "missing.csv: found no such file",
        ),
        ("--target .", ".: found a folder; expected a file"),
        (
            "--target flat --limits .",
            ".: found a folder; expected a file",
        ),
        ("--bass 3 --json --quiet", ""),
        ("--bass 3 --louder", "'--louder'"),
        (
            "--bass 3 --as-is unit.csv",
            "unit.csv: found no [[section]]",
        ),
        (
            "--bass 3 --as-is unit.csv --keep unit.csv",
            "cannot be used with '--keep",
        ),
        (
            "--bass 3 --as-is unit.csv --sections 3",
            "cannot be used with '--sections",
        ),
        ("--bass 3 --polish all", "--as-is <FILE>"),
        ("", "neither a target nor a taste"),
    ] {
        let line = format!("fit unit.csv {option} -o out.toml");
        let run = bench.run(&line);
        assert_eq!(run.status, 2, "{line}: {}", run.stderr);
        assert!(run.stderr.contains(found), "{line}: {}", run.stderr);
        assert_eq!(bench.names(), ["unit.csv"], "{line}");
    }
    bench.bad_input("fit missing.csv --bass 3", "missing.csv", "no such file");
    bench.bad_input("fit . --bass 3", ".", "a folder");
    bench.bad_input("fit --bass 3", "fit", "no measured curve");
    assert_eq!(bench.run("").status, 2);
    assert_eq!(bench.run("fit").status, 2);
    assert_eq!(bench.run("fitt unit.csv").status, 2);
    let unnamed = Run::of(
        bench
            .command()
            .args(["fit", "unit.csv", "--bass", "3", "--unit", " "]),
    );
    assert_eq!(unnamed.status, 2);
    assert!(unnamed.stderr.contains("--unit: found an empty name"));
}

// What is written.

#[test]
fn outputs_are_written_all_or_none() {
    let bench = Bench::with_unit();
    bench.put("letter.txt", "Dear all");
    fs::create_dir(bench.path("folder")).unwrap();
    for (bad, found) in [
        ("missing/out", "no folder `missing`"),
        ("letter.txt/out", "a file where a folder should be"),
        (
            "letter.txt",
            "something there already that this program did not write",
        ),
        ("folder", "a folder"),
        (".", "a folder"),
        ("..", "a folder"),
        ("/", "a folder"),
        ("-", "`-`"),
        ("unit.csv", "the same file as `unit.csv`"),
        ("./unit.csv", "the same file as `unit.csv`"),
    ] {
        bench.bad_input(
            &format!("fit unit.csv --target flat -o {bad} --plot out.svg"),
            bad,
            found,
        );
        bench.bad_input(
            &format!("fit unit.csv --target flat -o out.toml --plot {bad}"),
            bad,
            found,
        );
    }
    bench.bad_input(
        "fit unit.csv --target flat -o out.toml --plot ./out.toml",
        "./out.toml",
        "the same file as `out.toml`",
    );
    assert_eq!(bench.read("letter.txt"), b"Dear all");
}

#[test]
fn earlier_outputs_are_replaced_by_their_own_kind_only() {
    let bench = Bench::with_unit();
    bench.done("fit unit.csv --bass 3 -o out.toml --plot out.svg");
    let (sheet, plot) = (bench.read("out.toml"), bench.read("out.svg"));
    bench.done("fit unit.csv --bass 4 -o out.toml --plot out.svg");
    assert_ne!(bench.read("out.toml"), sheet);
    assert_ne!(bench.read("out.svg"), plot);
    bench.bad_input(
        "fit unit.csv --bass 3 -o out.svg",
        "out.svg",
        "did not write",
    );
    bench.bad_input(
        "fit unit.csv --bass 3 --plot out.toml",
        "out.toml",
        "did not write",
    );
    bench.put(
        "drawing.svg",
        "<svg xmlns=\"http://www.w3.org/2000/svg\"></svg>",
    );
    bench.bad_input(
        "fit unit.csv --bass 3 --plot drawing.svg",
        "drawing.svg",
        "did not write",
    );
    bench.put("empty.toml", "");
    bench.done("fit unit.csv --bass 3 -o empty.toml --quiet");
    keeps_its_promises(&bench.sheet("empty.toml"));
}

#[test]
fn no_output_is_written_when_the_other_is_refused_late() {
    let bench = Bench::with_unit();
    bench.done("fit unit.csv --bass 3 -o out.toml");
    let sheet = bench.read("out.toml");
    bench.refused("fit unit.csv --bass 0 -o out.toml --plot out.svg", 1, &[]);
    assert_eq!(bench.read("out.toml"), sheet);
}

#[test]
fn long_and_strange_names_are_taken_as_they_are() {
    let bench = Bench::with_unit();
    let long = format!("{}.toml", "x".repeat(250));
    bench.done(&format!("fit unit.csv --bass 3 -o {long} --quiet"));
    keeps_its_promises(&bench.sheet(&long));
    let (input, output) = ("left ear, \u{e9}t\u{e9}.csv", "a b.sheet.toml");
    fs::rename(bench.path("unit.csv"), bench.path(input)).unwrap();
    let run = Run::of(
        bench
            .command()
            .args(["fit", input, "--bass", "3", "-o", output]),
    );
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(run.stdout.ends_with("  sheet   a b.sheet.toml\n"));
    assert_eq!(bench.sheet(output).knowledge.unwrap().takes, [input]);
}

#[cfg(unix)]
mod on_unix {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    use std::os::unix::fs::symlink;

    use super::*;

    #[test]
    fn names_that_are_no_unicode_or_hold_line_ends_work_throughout() {
        let bench = Bench::with_unit();
        let odd = |bytes: &'static [u8]| Path::new(OsStr::from_bytes(bytes));
        let (input, target, output) =
            (odd(b"\xff\n.csv"), odd(b"t\xfe"), odd(b"\xfd\x1b[31m.toml"));
        fs::rename(bench.path("unit.csv"), bench.path(input)).unwrap();
        bench.put(target, curve(|hz| 2.0 * (hz / 1000.0).ln().sin()));
        let mut command = bench.command();
        command
            .arg("fit")
            .arg(input)
            .arg("--target")
            .arg(target)
            .arg("-o")
            .arg(output);
        let run = Run::of(&mut command);
        assert_eq!((run.status, run.stderr.as_str()), (0, ""));
        assert!(!run.stdout.contains('\u{1b}'));
        let sheet = sheet::read(&bench.read(output), "odd").unwrap();
        keeps_its_promises(&sheet);

        let missing = Run::of(
            bench
                .command()
                .arg("fit")
                .arg(odd(b"\xff\xff"))
                .args(["--bass", "3"]),
        );
        assert_eq!(missing.status, 2);
        assert!(missing.stderr.contains("no such file"));
        let unit = Run::of(
            bench
                .command()
                .arg("fit")
                .arg(input)
                .arg("--unit")
                .arg(odd(b"\xff")),
        );
        assert_eq!(unit.status, 2);
    }

    #[test]
    fn a_link_stays_and_the_file_behind_it_is_written() {
        let bench = Bench::with_unit();
        symlink("behind.toml", bench.path("link.toml")).unwrap();
        for bass in [3, 4] {
            bench.done(&format!("fit unit.csv --bass {bass} -o link.toml --quiet"));
            assert_eq!(
                fs::read_link(bench.path("link.toml")).unwrap(),
                Path::new("behind.toml")
            );
            keeps_its_promises(&bench.sheet("behind.toml"));
        }
        symlink("unit.csv", bench.path("input.toml")).unwrap();
        bench.bad_input(
            "fit unit.csv --bass 3 -o input.toml",
            "input.toml",
            "the same file as `unit.csv`",
        );
        bench.bad_input(
            "fit unit.csv input.toml --bass 3",
            "input.toml",
            "the same file as `unit.csv`",
        );
        symlink("two", bench.path("one")).unwrap();
        symlink("one", bench.path("two")).unwrap();
        bench.bad_input(
            "fit unit.csv --bass 3 -o one",
            "one",
            "a link that leads in a circle",
        );
        bench.refused("fit one --bass 3", 2, &["one: found "]);
    }

    #[test]
    fn devices_and_streams_are_no_outputs() {
        let bench = Bench::with_unit();
        // Links in the folder of the test, so that a failure harms nothing outside it.
        if Path::new("/proc/self/fd/1").exists() {
            symlink("/proc/self/fd/1", bench.path("stdout")).unwrap();
            bench.bad_input(
                "fit unit.csv --bass 3 -o stdout",
                "stdout",
                "a stream of a running program",
            );
            assert!(
                fs::symlink_metadata(bench.path("stdout"))
                    .unwrap()
                    .is_symlink()
            );
        }
        let socket = std::os::unix::net::UnixListener::bind(bench.path("socket")).unwrap();
        bench.bad_input(
            "fit unit.csv --bass 3 -o socket",
            "socket",
            "a device or pipe",
        );
        drop(socket);
    }
}

/// The demo's folder as a bench has it; of every table in it, the rows from `from_hz` to `to_hz`.
fn cut_demo(bench: &Bench, from_hz: f64, to_hz: f64) {
    fn copy(from: &Path, to: &Path, keep: &dyn Fn(f64) -> bool) {
        fs::create_dir_all(to).unwrap();
        for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
            let (from, to) = (entry.path(), to.join(entry.file_name()));
            let is_table = from.extension().is_some_and(|e| e == "csv" || e == "txt");
            if from.is_dir() {
                copy(&from, &to, keep);
            } else if is_table {
                let text = fs::read_to_string(&from).unwrap();
                let kept = text.lines().filter(|line| {
                    let first = line.split([',', ';', '\t', ' ']).next().unwrap_or_default();
                    first.parse().map_or(true, keep)
                });
                fs::write(to, kept.collect::<Vec<_>>().join("\n")).unwrap();
            } else {
                fs::copy(from, to).unwrap();
            }
        }
    }
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    copy(&demo, bench.0.path(), &|hz| (from_hz..=to_hz).contains(&hz));
    let middle_hz = (from_hz * to_hz).sqrt();
    let table = |title: &str, values: [f64; 3]| {
        let rows = [from_hz, middle_hz, to_hz].into_iter().zip(values);
        let rows = rows.map(|(hz, value)| format!("{hz},{value}\n"));
        format!("{title}\n{}", rows.collect::<String>())
    };
    bench.put("weight.csv", table("frequency_hz,weight", [1.0, 0.5, 1.0]));
    bench.put("trust.csv", table("frequency_hz,trust", [1.0, 0.9, 0.8]));
    bench.put(
        "target.csv",
        table("frequency_hz,level_db", [3.0, 0.0, -2.0]),
    );
}

/// Numbers that are none.
fn unspeakable(text: &str) -> Option<&str> {
    let words = text.split(|c: char| !c.is_alphanumeric());
    words
        .into_iter()
        .find(|word| ["nan", "inf", "infinity"].contains(&word.to_lowercase().as_str()))
}

#[test]
fn data_that_end_early_at_either_end_go_through_every_verb() {
    const WOOL: &str = "fieldfare-wool/fieldfare-wool.unit.toml";
    const MESH: &str = "fieldfare-mesh/fieldfare-mesh.unit.toml";
    const SOURCE: &str = "--source pocket-amplifier.source.toml --play-at 75";
    let sessions = "--before fieldfare-wool/left-1.csv fieldfare-wool/left-2.csv fieldfare-wool/right-1.csv \
                    --after fieldfare-wool/left-3.csv fieldfare-wool/right-2.csv";
    for (from_hz, to_hz) in [
        (200.0, 17_000.0),
        (1000.0, 3000.0),
        (20.0, 8000.0),
        (20.0, 16_000.0),
    ] {
        let bench = Bench::new();
        cut_demo(&bench, from_hz, to_hz);
        let fit = "fit --effort quick";
        let lines = [
            format!("inspect {WOOL} --plot inspect.svg"),
            format!("inspect {WOOL} {MESH} dunlin/dunlin.unit.toml --rig trust.csv --json"),
            format!("target show {MESH} --plot target.svg"),
            format!("target show {MESH} --align-hz 100 --json"),
            format!(
                "target build --base {MESH} --between diffuse-field --bass 1 -o built.target.toml"
            ),
            format!("target build --base {MESH} --bass 1 -o built.csv --json"),
            format!("target diff {MESH} diffuse-field --plot difference.svg --json"),
            "target diff built.csv built.target.toml".to_owned(),
            format!(
                "{fit} {WOOL} --bass 3 --limits pocket-eight.limits.toml -o a.sheet.toml --plot fit.svg {SOURCE}"
            ),
            format!("{fit} {WOOL} --target built.target.toml {SOURCE} --json"),
            format!(
                "{fit} dunlin/dunlin.unit.toml --target diffuse-field --per-side --sections 4 -o sides.sheet.toml --plot sides.svg --cost --json"
            ),
            format!("{fit} {WOOL} --treble -3 --max-loudness-loss 1 --sections 3 --json"),
            format!(
                "{fit} fieldfare-wool/average.csv --target {MESH} --guard any-signal --rig trust.csv --json"
            ),
            format!("{fit} {WOOL} --target target.csv --weight weight.csv --smooth 1/3"),
            format!("{fit} {WOOL} --target target.csv --limits octave-graphic --json"),
            format!("check a.sheet.toml {sessions} --same-level --plot check.svg"),
            format!("check a.sheet.toml {sessions} --rig flat --json"),
            format!("check a.sheet.toml --before {MESH} --after {WOOL} --json"),
            format!("check sides.sheet.toml {sessions} --rate-hz 48000"),
            "export a.sheet.toml --form sos -o sos.csv".to_owned(),
            "export a.sheet.toml --form impulse --rate-hz 48000 -o impulse.wav".to_owned(),
            "export a.sheet.toml --form response --json".to_owned(),
        ];
        let mut done = 0;
        for line in lines {
            let run = bench.run(&line);
            let (status, told) = (run.status, &run.stderr);
            assert!(
                [0, 1, 2].contains(&status),
                "{to_hz} {line}: {status} {told}"
            );
            assert!(!told.contains("panicked"), "{to_hz} {line}: {told}");
            assert!(
                status != 2 || told.contains("expected"),
                "{to_hz} {line}: {told}"
            );
            for text in [&run.stdout, told] {
                assert_eq!(unspeakable(text), None, "{to_hz} {line}: {text}");
            }
            if status == 0 && line.contains("--json") {
                run.document();
            }
            done += i32::from(status == 0);
        }
        for name in bench.names().iter().filter(|name| name.ends_with(".svg")) {
            let picture = String::from_utf8(bench.read(name)).unwrap();
            assert_eq!(unspeakable(&picture), None, "{to_hz} {name}");
        }
        assert!(done >= 12, "{from_hz} to {to_hz}: {done}");
    }
}

#[test]
fn folders_above_the_files_enter_nothing_that_is_written() {
    const SECRET: &str = "secret-7f3a";
    let bench = Bench::new();
    let (first, second) = (format!("{SECRET}/x/lab/a"), format!("{SECRET}/x/lab/b"));
    for folder in [&first, &second] {
        fs::create_dir_all(bench.path(folder)).unwrap();
        let bump = if *folder == first { 3.0 } else { 3.4 };
        let level = move |hz: f64| bump * (-(hz / 900.0).log2().powi(2)).exp();
        for name in ["left.csv", "right.csv"] {
            bench.put(format!("{folder}/{name}"), curve(level));
        }
    }
    // One that leaks, so that it is named in a caution.
    let leaking = |hz: f64| {
        3.0 * (-(hz / 900.0).log2().powi(2)).exp() - 10.0 * (1.0 + (90.0 / hz).powi(2)).log10()
    };
    bench.put(format!("{first}/leaky-left.csv"), curve(leaking));
    bench.put(
        format!("{first}/taste.csv"),
        "frequency_hz,level_db\n100,1\n1000,0\n9000,-2\n",
    );
    bench.put(format!("{first}/pink.csv"), curve(|_| 70.0));
    bench.put(
        format!("{first}/weight.csv"),
        "frequency_hz,weight\n20,1\n20000,1\n",
    );
    bench.put(
        format!("{first}/trust.csv"),
        "frequency_hz,trust\n20,1\n20000,1\n",
    );
    bench.put(format!("{first}/own.limits.toml"), limits(&[]));
    let takes = "[[take]]\nside = \"left\"\nfile = \"left.csv\"\n[[take]]\nside = \"left\"\nfile = \"../b/left.csv\"\n\
                 [[take]]\nside = \"left\"\nfile = \"leaky-left.csv\"\n";
    bench.put(
        format!("{first}/own.unit.toml"),
        format!("format = 1\nname = \"own\"\nsensitivity_db_per_v = 110\n{takes}"),
    );
    let here = bench.0.path().canonicalize().unwrap();
    for root in [String::new(), format!("{}/", here.display())] {
        let a = format!("{root}{first}");
        let b = format!("{root}{second}");
        let lines = [
            format!(
                "fit --effort quick {a}/left.csv {b}/left.csv {a}/leaky-left.csv {a}/right.csv --target {a}/own.unit.toml --contour shape=table,file={a}/taste.csv --weight {a}/weight.csv --rig {a}/trust.csv --limits {a}/own.limits.toml --programme {a}/pink.csv -o sheet.toml --plot fit.svg --json"
            ),
            format!(
                "fit --effort quick {a}/own.unit.toml --target {a}/taste.csv -o unit.sheet.toml --limits {a}/own.limits.toml --json"
            ),
            format!(
                "inspect {a}/left.csv {b}/left.csv {a}/leaky-left.csv --plot inspect.svg --json"
            ),
            format!(
                "target build --base {a}/own.unit.toml --between {a}/taste.csv --contour shape=table,file={a}/taste.csv -o built.csv --plot built.svg --json"
            ),
            format!("target diff {a}/own.unit.toml {a}/taste.csv --plot difference.svg --json"),
            format!(
                "check sheet.toml --before {a}/left.csv {b}/left.csv --after {a}/right.csv {a}/leaky-left.csv --plot check.svg --json"
            ),
            "export sheet.toml --form sos -o sos.csv --json".to_owned(),
            "export sheet.toml --form response -o response.json --json".to_owned(),
            "export sheet.toml --form impulse --rate-hz 48000 -o impulse.wav --json".to_owned(),
        ];
        for line in &lines {
            let run = bench.run(line);
            assert!(run.status < 2, "{line}: {}", run.stderr);
            assert!(!run.stdout.contains(SECRET), "{line}: {}", run.stdout);
        }
        let unit = bench.run(&lines[1]).document();
        let named = |value: &Value| value.to_string();
        assert!(named(&unit["takes"]).contains("a/left.csv"), "{unit}");
        assert!(named(&unit["takes"]).contains("b/left.csv"), "{unit}");
        assert_eq!(unit["set_aside"][0]["take"], "leaky-left.csv");
        for name in bench.names() {
            let path = bench.path(&name);
            if path.is_file() {
                let bytes = fs::read(&path).unwrap();
                let text = String::from_utf8_lossy(&bytes);
                assert!(!text.contains(SECRET), "{name}: {text}");
                fs::remove_file(path).unwrap();
            }
        }
        // A recipe finds its base, and names no folder above those that both are in.
        let recipe = format!("{b}/mine.target.toml");
        bench.done(&format!(
            "target build --base {a}/own.unit.toml --contour shape=table,file={a}/taste.csv -o {recipe} --quiet"
        ));
        let text = fs::read_to_string(bench.path(&recipe)).unwrap();
        assert!(text.contains("base = \"../a/own.unit.toml\""), "{text}");
        assert!(!text.contains(SECRET), "{text}");
        let shown = bench.done(&format!("target show {recipe} --json"));
        assert!(!shown.stdout.contains(SECRET), "{}", shown.stdout);
        fs::remove_file(bench.path(&recipe)).unwrap();
    }
}

#[test]
fn takes_in_the_current_folder_are_a_unit_of_its_name() {
    let bench = Bench::new();
    fs::create_dir(bench.path("wren")).unwrap();
    for name in ["left-1.csv", "left-2.csv"] {
        bench.put(
            format!("wren/{name}"),
            curve(|hz| cascade::level_db(&bumps(), 96e3, hz)),
        );
    }
    let unit = |folder: &str, names: &str| {
        let mut command = bench.command();
        command.current_dir(bench.path(folder));
        let run = Run::of(command.args(format!("inspect {names} --json").split_whitespace()));
        run.document()["units"][0]["unit"].clone()
    };
    assert_eq!(unit("wren", "left-1.csv left-2.csv"), "wren");
    assert_eq!(unit("wren", "./left-2.csv ./left-1.csv"), "wren");
    assert_eq!(unit(".", "wren/left-1.csv wren/left-2.csv"), "wren");
    assert_eq!(unit("wren", "left-1.csv"), "left-1");
}
