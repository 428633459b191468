//! Unit files: what they say, what they may not say, and how the program follows them.

use crate::support::hang::ends;
use crate::support::impulses;

use std::fs;
use std::path::Path;

use bandwright::error::{Error, ErrorKind};
use bandwright::filter::{Shape, cascade};
use bandwright::measurement::grid;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::Side;
use bandwright::measurement::unit_file::{
    Drive, Impedance, RigEntry, UnitEntry, is_unit_file, parse_unit_file, read_take, read_trust,
};
use impulses::{played, recursions, section, wav_float};
use proptest::prelude::*;
use tempfile::TempDir;

const PLAIN: &str = r#"format = 1
name = "Dunlin"

[[take]]
side = "left"
file = "a.csv"

[[take]]
side = "right"
file = "b.wav"
channel = 2
"#;

fn parse(text: &str) -> Vec<UnitEntry> {
    parse_unit_file(text.as_bytes(), "x.unit.toml").unwrap_or_else(|error| panic!("{error}"))
}

fn refused(text: &str) -> Box<Error> {
    let error = parse_unit_file(text.as_bytes(), "x.unit.toml").unwrap_err();
    assert_eq!(error.place.source, "x.unit.toml");
    error
}

/// `PLAIN` with more keys below the name.
fn with(keys: &str) -> String {
    PLAIN.replace("\"Dunlin\"\n", &format!("\"Dunlin\"\n{keys}\n"))
}

#[test]
fn the_least_a_unit_file_says() {
    let units = parse(PLAIN);
    let [unit] = &units[..] else {
        panic!("{units:?}")
    };
    assert_eq!(unit.name, "Dunlin");
    assert_eq!(
        (&unit.rig, &unit.sensitivity, &unit.impedance),
        (&None, &None, &None)
    );
    assert!(unit.distortion.is_empty());
    let takes: Vec<_> = unit
        .takes
        .iter()
        .map(|take| {
            (
                take.side,
                take.file.file.as_str(),
                take.channel,
                take.file.line,
            )
        })
        .collect();
    assert_eq!(
        takes,
        [
            (Side::Left, "a.csv", None, 6),
            (Side::Right, "b.wav", Some(2), 10)
        ]
    );
    assert_eq!(unit.takes[1].file.key, "take[2].file");
}

#[test]
fn everything_a_unit_file_can_say() {
    let text = with(
        "rig = [[20, 1.0], [8000, 1], [16000, 0.25]]\nsensitivity_db_per_v = 121.5\nsensitivity_at_hz = 500\nimpedance_ohm = \"z.csv\"",
    ) + "[[distortion]]\nfile = \"d-94.csv\"\nlevel_db_spl = 94\n[[distortion]]\nside = \"right\"\nfile = \"d-104.csv\"\nlevel_db_spl = 104.5\n";
    let unit = parse(&text).remove(0);
    let Some(RigEntry::Rig(rig)) = &unit.rig else {
        panic!()
    };
    assert_eq!(
        rig,
        &Rig::table(vec![(20.0, 1.0), (8000.0, 1.0), (16_000.0, 0.25)]).unwrap()
    );
    let sensitivity = unit.sensitivity.unwrap();
    assert_eq!(
        (sensitivity.db_spl, sensitivity.per, sensitivity.at_hz),
        (121.5, Drive::Volt, 500.0)
    );
    let Some(Impedance::File(file)) = &unit.impedance else {
        panic!()
    };
    assert_eq!((file.file.as_str(), file.line), ("z.csv", 6));
    let distortion: Vec<_> = unit
        .distortion
        .iter()
        .map(|d| (d.file.file.as_str(), d.level_db_spl, d.side))
        .collect();
    assert_eq!(
        distortion,
        [
            ("d-94.csv", 94.0, Side::Unknown),
            ("d-104.csv", 104.5, Side::Right)
        ]
    );

    let unit = parse(&with(
        "rig = \"flat\"\nsensitivity_db_per_mw = 102\nimpedance_ohm = 16.5",
    ))
    .remove(0);
    assert_eq!(unit.rig, Some(RigEntry::Rig(Rig::Flat)));
    let sensitivity = unit.sensitivity.unwrap();
    assert_eq!(
        (sensitivity.per, sensitivity.at_hz),
        (Drive::Milliwatt, 1000.0)
    );
    assert_eq!(unit.impedance, Some(Impedance::Ohm(16.5)));
    let unit = parse(&with("rig = \"bench/trust.csv\"")).remove(0);
    assert!(matches!(&unit.rig, Some(RigEntry::File(file)) if file.file == "bench/trust.csv"));
}

#[test]
fn the_coupler_s_resonance_may_be_given_within_reason() {
    assert_eq!(parse(PLAIN)[0].resonance_hz, None);
    assert_eq!(
        parse(&with("resonance_hz = 8100"))[0].resonance_hz,
        Some(8100.0)
    );
    for out_of_range in [
        "resonance_hz = 8.1",
        "resonance_hz = 81000",
        "resonance_hz = nan",
    ] {
        assert_eq!(
            refused(&with(out_of_range)).place.key.as_deref(),
            Some("resonance_hz")
        );
    }
}

#[test]
fn one_file_may_list_several_units() {
    let text = r#"format = 1
[[unit]]
name = "Fieldfare, wool"
rig = "flat"
[[unit.take]]
side = "left"
file = "wool/l.csv"
[[unit]]
name = "Fieldfare, mesh"
[[unit.take]]
side = "left"
file = "mesh/l.csv"
[[unit.take]]
side = "left"
file = "mesh/l2.csv"
"#;
    let units = parse(text);
    let known: Vec<_> = units
        .iter()
        .map(|u| (u.name.as_str(), u.takes.len()))
        .collect();
    assert_eq!(known, [("Fieldfare, wool", 1), ("Fieldfare, mesh", 2)]);
    assert_eq!(units[1].takes[1].file.key, "unit[2].take[2].file");

    let twice = refused(&text.replace("mesh\"", "wool\""));
    assert_eq!(
        (twice.kind, twice.place.line),
        (ErrorKind::Setting, Some(9))
    );
    let beside = refused(&text.replace(
        "[[unit]]\nname = \"Fieldfare, wool\"",
        "name = \"F\"\n[[unit]]\nname = \"x\"",
    ));
    assert_eq!(
        (beside.kind, beside.place.line),
        (ErrorKind::Setting, Some(2))
    );
    assert!(
        refused("format = 1\nunit = []\n")
            .found()
            .contains("no unit")
    );
}

#[test]
fn what_a_unit_file_may_not_say_is_refused_with_line_key_and_a_next_step() {
    let more = |table: &str| format!("{PLAIN}{table}");
    for (text, kind, line, key, words) in [
        (
            PLAIN.replace("format = 1\n", ""),
            ErrorKind::Format,
            1,
            "format",
            "`format`",
        ),
        (
            PLAIN.replace("format = 1", "format = 2"),
            ErrorKind::Format,
            1,
            "format",
            "format 2",
        ),
        (
            PLAIN.replace("name = \"Dunlin\"\n", ""),
            ErrorKind::Format,
            1,
            "name",
            "`name`",
        ),
        (
            with("name = 3"),
            ErrorKind::Format,
            3,
            "name",
            "again, after line 2",
        ),
        (
            PLAIN.replace("\"Dunlin\"", "\" \""),
            ErrorKind::Setting,
            2,
            "name",
            "empty",
        ),
        (
            with("sensitivty_db_per_mw = 100"),
            ErrorKind::Name,
            3,
            "sensitivty_db_per_mw",
            "did you mean `sensitivity_db_per_mw`?",
        ),
        (
            with("sensitivity_db_per_mw = 1000"),
            ErrorKind::Setting,
            3,
            "sensitivity_db_per_mw",
            "40 to 180 dB SPL",
        ),
        (
            with("sensitivity_db_per_mw = nan"),
            ErrorKind::Number,
            3,
            "sensitivity_db_per_mw",
            "finite",
        ),
        (
            with("sensitivity_at_hz = 500"),
            ErrorKind::Setting,
            3,
            "sensitivity_at_hz",
            "without a sensitivity",
        ),
        (
            with("sensitivity_db_per_mw = 100\nsensitivity_db_per_v = 110"),
            ErrorKind::Setting,
            4,
            "sensitivity_db_per_v",
            "second",
        ),
        (
            with("impedance_ohm = 0"),
            ErrorKind::Setting,
            3,
            "impedance_ohm",
            "0.1 to",
        ),
        (
            with("rig = \"iec-60318-3\""),
            ErrorKind::Name,
            3,
            "rig",
            "did you mean `iec-60318-4`?",
        ),
        (
            with("rig = [[20, 1], [10, 1]]"),
            ErrorKind::Setting,
            3,
            "rig",
            "increasing",
        ),
        (
            with("rig = [[20, 1], [100]]"),
            ErrorKind::Format,
            3,
            "rig[2]",
            "two numbers",
        ),
        (
            PLAIN.replace("\"left\"", "\"lft\""),
            ErrorKind::Name,
            5,
            "take[1].side",
            "did you mean `left`?",
        ),
        (
            PLAIN.replace("\"right\"", "\"R\""),
            ErrorKind::Name,
            9,
            "take[2].side",
            "did you mean `right`?",
        ),
        (
            PLAIN.replace("\"right\"", "\"upper\""),
            ErrorKind::Name,
            9,
            "take[2].side",
            "`left` or `right`",
        ),
        (
            PLAIN.replace("side = \"left\"\n", ""),
            ErrorKind::Format,
            4,
            "take[1].side",
            "`side`",
        ),
        (
            PLAIN.replace("channel = 2", "channel = 0"),
            ErrorKind::Setting,
            11,
            "take[2].channel",
            "from 1",
        ),
        (
            PLAIN.replace("file = \"a.csv\"", "fiel = \"a.csv\""),
            ErrorKind::Name,
            6,
            "take[1].fiel",
            "did you mean `file`?",
        ),
        (
            more("[[take]]\nside = \"left\"\nfile = \"a.csv\"\n"),
            ErrorKind::Setting,
            14,
            "take[3].file",
            "line 6 already",
        ),
        (
            more("[[distortion]]\nfile = \"d.csv\"\n"),
            ErrorKind::Format,
            12,
            "distortion[1].level_db_spl",
            "level_db_spl",
        ),
        (
            "format = 1\nname = \"x\"\n".to_owned(),
            ErrorKind::Format,
            1,
            "take",
            "no takes",
        ),
        (
            "format = 1\nname = \"x\"\ntake = []\n".to_owned(),
            ErrorKind::Format,
            3,
            "take",
            "no takes",
        ),
        (
            "format = 1\nname = \"x\"\ntake = 3\n".to_owned(),
            ErrorKind::Format,
            3,
            "take",
            "an array",
        ),
        (
            "format = 1\nname = ".to_owned(),
            ErrorKind::Format,
            2,
            "",
            "without a value",
        ),
    ] {
        let error = refused(&text);
        let place = (
            error.place.line,
            error.place.key.as_deref().unwrap_or_default(),
        );
        assert_eq!(
            (error.kind, place),
            (kind, (Some(line), key)),
            "{error}\n{text}"
        );
        assert!(error.to_string().contains(words), "{words}: {error}");
        assert!(!error.next_step().is_empty());
    }
    // Both channels of one file are two takes.
    parse(&PLAIN.replace("a.csv\"", "b.wav\"\nchannel = 1"));
}

#[test]
fn the_demos_unit_files_name_files_that_are_there() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let mut count = 0;
    for unit in ["dunlin", "fieldfare-wool", "fieldfare-mesh"] {
        let folder = demo.join(unit);
        let bytes = fs::read(folder.join(format!("{unit}.unit.toml"))).unwrap();
        for entry in parse_unit_file(&bytes, unit).unwrap() {
            assert!(entry.sensitivity.is_some() && entry.rig.is_some());
            for take in entry.takes {
                let bytes = fs::read(folder.join(&take.file.file)).unwrap();
                let opened = read_take(&bytes, &take.file.file, take.side, None).unwrap();
                assert_eq!((opened.take.side, opened.impulse), (take.side, None));
                count += 1;
            }
        }
    }
    assert!(count >= 28, "{count}");
}

#[test]
fn a_take_is_read_by_what_its_file_holds() {
    let samples = played(
        &recursions(&[section(Shape::Peaking, 3000.0, 6.0, 1.0)], 48e3),
        48,
        48_000,
    );
    let wav = wav_float(&samples, 1, 48_000);
    let opened = read_take(&wav, "named-like-a.csv", Side::Left, None).unwrap();
    assert_eq!(opened.impulse.as_ref().unwrap().flight_time_s, 0.001);
    assert_eq!(opened.take.on_grid.level_db.len(), grid::POINTS);
    assert!(opened.excess().is_some());
    let text = read_take(
        b"20,1\n200,2\n20000,3\n",
        "named-like-a.wav",
        Side::Left,
        None,
    )
    .unwrap();
    assert_eq!((text.impulse.is_none(), text.excess()), (true, None));
    let channel = read_take(b"20,1\n200,2\n20000,3\n", "a.csv", Side::Left, Some(1)).unwrap_err();
    assert_eq!(channel.kind, ErrorKind::Setting);
}

#[test]
fn a_trust_table_is_read_and_checked() {
    let rig = read_trust(b"Hz;trust\n20;1\n8000;1\n16000;0,3\n", "trust.csv").unwrap();
    assert!((rig.trust(8000.0 * 2_f64.sqrt()) - 0.65).abs() < 1e-12);
    for bad in [
        "20,1\n200,1.5\n",
        "20,1\n200,-1\n",
        "20,1\n10,1\n",
        "20,0\n30,0\n",
    ] {
        let error = read_trust(bad.as_bytes(), "trust.csv").unwrap_err();
        assert_eq!(error.place.source, "trust.csv");
    }
}

#[test]
fn a_name_tells_a_unit_file() {
    for name in ["a.unit.toml", "b/C.UNIT.TOML", ".unit.toml"] {
        assert!(is_unit_file(name));
    }
    for name in ["a.toml", "unit.toml", "a.unit.toml.csv", "a.csv"] {
        assert!(!is_unit_file(name));
    }
}

#[test]
fn a_file_of_a_hundred_thousand_takes_is_refused() {
    let many = |count: usize| {
        let takes: String = (0..count)
            .map(|i| format!("[[take]]\nside=\"left\"\nfile=\"{i}\"\n"))
            .collect();
        format!("format = 1\nname = \"x\"\n{takes}")
    };
    assert_eq!(parse(&many(200))[0].takes.len(), 200);
    assert!(refused(&many(201)).expected().contains("at most 200"));
    let error = ends("100,000 takes", || refused(&many(100_000)));
    assert!(error.found().contains("more than 256 kB"));
}

proptest! {
    #[test]
    fn no_bytes_are_a_reason_to_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = parse_unit_file(&bytes, "x.unit.toml");
        let _ = read_take(&bytes, "x", Side::Unknown, None);
        let _ = read_trust(&bytes, "x");
    }

    #[test]
    fn no_damage_is_a_reason_to_panic(
        damage in prop::collection::vec((any::<prop::sample::Index>(), "[\\[\\]={}\"a-z0-9.\n -]{0,3}"), 1..5),
    ) {
        let mut text = with("rig = [[20, 1.0]]\nsensitivity_db_per_mw = 100\nimpedance_ohm = 16");
        for (at, with) in damage {
            let at = at.index(text.len());
            let end = (at + with.len()).min(text.len());
            text.replace_range(at..end, &with);
        }
        if let Err(error) = parse_unit_file(text.as_bytes(), "x.unit.toml") {
            prop_assert!(error.place.line.is_some(), "{}", error);
        }
    }
}

// The program.

struct Bench(TempDir);

impl Bench {
    fn new() -> Self {
        let bench = Self(TempDir::new().unwrap());
        for (name, gain_db) in [("l1", 5.0), ("l2", 5.5), ("r1", 4.0), ("r2", 4.5)] {
            bench.put(&format!("unit/{name}.csv"), curve(gain_db).as_bytes());
        }
        bench
    }

    fn put(&self, name: &str, content: &[u8]) {
        let path = self.0.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }

    fn unit(&self, name: &str, keys: &str) {
        let takes: String = [
            ("left", "l1"),
            ("left", "l2"),
            ("right", "r1"),
            ("right", "r2"),
        ]
        .map(|(side, file)| format!("[[take]]\nside = \"{side}\"\nfile = \"{file}.csv\"\n"))
        .concat();
        self.put(
            name,
            format!("format = 1\nname = \"Dunlin\"\n{keys}\n{takes}").as_bytes(),
        );
    }

    fn run(&self, arguments: &[&str]) -> (i32, String, String) {
        let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_bandwright"))
            .current_dir(self.0.path())
            .arg("fit")
            .args(arguments)
            .output()
            .unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        (
            output.status.code().unwrap(),
            text(output.stdout),
            text(output.stderr),
        )
    }

    fn document(&self, arguments: &[&str]) -> serde_json::Value {
        let (status, stdout, stderr) = self.run(
            &[
                arguments,
                &[
                    "--bass",
                    "2",
                    "--sections",
                    "2",
                    "--effort",
                    "quick",
                    "--json",
                ],
            ]
            .concat(),
        );
        assert_eq!((status, stderr.as_str()), (0, ""));
        serde_json::from_str(&stdout).unwrap()
    }

    fn refused(&self, arguments: &[&str]) -> String {
        let (status, _, stderr) = self.run(&[arguments, &["--bass", "2"]].concat());
        assert_eq!(status, 2, "{stderr}");
        stderr
    }
}

fn curve(gain_db: f64) -> String {
    let bump = section(Shape::Peaking, 3000.0, gain_db, 1.0);
    grid::frequency_hz()
        .iter()
        .map(|f| format!("{f:.4},{:.4}\n", cascade::level_db(&[bump], 96e3, *f)))
        .collect()
}

#[test]
fn a_fit_of_a_unit_file_is_the_fit_of_its_curves() {
    let bench = Bench::new();
    bench.unit("unit/dunlin.unit.toml", "");
    let by_file = bench.document(&["unit/dunlin.unit.toml"]);
    let by_curves = bench.document(&[
        "--left",
        "unit/l1.csv",
        "--left",
        "unit/l2.csv",
        "--right",
        "unit/r1.csv",
        "--right",
        "unit/r2.csv",
        "--unit",
        "Dunlin",
    ]);
    assert_eq!(by_file, by_curves);
    assert!(by_file.to_string().contains("Dunlin"));
    assert!(
        !bench
            .document(&["unit/dunlin.unit.toml", "--unit", "Teal"])
            .to_string()
            .contains("Dunlin")
    );
}

#[test]
fn the_rig_is_the_options_else_the_unit_files_else_the_simulator() {
    let bench = Bench::new();
    bench.unit("unit/none.unit.toml", "");
    bench.unit("unit/flat.unit.toml", "rig = \"flat\"");
    bench.unit("unit/table.unit.toml", "rig = \"bench/trust.csv\"");
    bench.put("unit/bench/trust.csv", b"hz,trust\n20,1\n5000,1\n5100,0\n");
    let highest_hz = |arguments: &[&str]| {
        let document = bench.document(arguments);
        let trust = document["curves"]["trust"].as_array().unwrap();
        let trusted = trust
            .iter()
            .rposition(|t| t.as_f64().unwrap() >= 0.7)
            .unwrap();
        document["curves"]["frequency_hz"][trusted]
            .as_f64()
            .unwrap()
    };
    assert!((10_000.0..10_900.0).contains(&highest_hz(&["unit/none.unit.toml"])));
    assert!(highest_hz(&["unit/flat.unit.toml"]) > 19_000.0);
    assert!((4900.0..5100.0).contains(&highest_hz(&["unit/table.unit.toml"])));
    let overridden = highest_hz(&["unit/flat.unit.toml", "--rig", "iec-60318-4"]);
    assert!((10_000.0..10_900.0).contains(&overridden));
}

#[test]
fn impulse_responses_are_takes_like_any_other() {
    let bench = Bench::new();
    let bump = [section(Shape::Peaking, 3000.0, 5.0, 1.0)];
    let samples = played(&recursions(&bump, 96e3), 300, 96_000);
    bench.put("ir left.wav", &wav_float(&samples, 1, 96_000));
    bench.put("text left.csv", curve(5.0).as_bytes());
    let levels = |file: &str| {
        let document = bench.document(&[file]);
        let levels = document["curves"]["measured_db"]
            .as_array()
            .unwrap()
            .clone();
        levels
            .iter()
            .map(|db| db.as_f64().unwrap())
            .collect::<Vec<_>>()
    };
    for (wav, text) in levels("ir left.wav").iter().zip(levels("text left.csv")) {
        assert!((wav - text).abs() < 0.01, "{wav} {text}");
    }
}

#[test]
fn of_several_units_one_must_be_named() {
    let bench = Bench::new();
    let unit = |name: &str, file: &str| {
        format!(
            "[[unit]]\nname = \"{name}\"\n[[unit.take]]\nside = \"left\"\nfile = \"{file}.csv\"\n"
        )
    };
    let text = format!("format = 1\n{}{}", unit("wool", "l1"), unit("mesh", "l2"));
    bench.put("unit/two.unit.toml", text.as_bytes());
    let error = bench.refused(&["unit/two.unit.toml"]);
    for part in ["2 units", "`wool`, `mesh`", "--variant"] {
        assert!(error.contains(part), "{error}");
    }
    let mesh = bench.document(&["unit/two.unit.toml", "--variant", "mesh"]);
    assert_eq!(
        mesh,
        bench.document(&["--left", "unit/l2.csv", "--unit", "mesh"])
    );
    assert!(
        bench
            .refused(&["unit/two.unit.toml", "--variant", "mash"])
            .contains("did you mean `mesh`?")
    );
    // Curves beside a unit file are a unit of their own.
    assert!(
        bench
            .refused(&["unit/two.unit.toml", "unit/r1.csv"])
            .contains("3 units: `r1`, `wool`, `mesh`")
    );
    assert!(
        bench
            .refused(&["--left", "unit/two.unit.toml"])
            .contains("--left: found the unit file")
    );
}

#[test]
fn a_file_that_is_missing_is_the_unit_files_error_and_a_broken_one_its_own() {
    let bench = Bench::new();
    bench.unit("unit/a.unit.toml", "");
    fs::remove_file(bench.0.path().join("unit/r1.csv")).unwrap();
    let error = bench.refused(&["unit/a.unit.toml"]);
    assert!(
        error.contains("unit/a.unit.toml:12: take[3].file: found no such file at `unit/r1.csv`"),
        "{error}"
    );
    bench.put("unit/r1.csv", b"20,1\n30,x\n40,1\n");
    let error = bench.refused(&["unit/a.unit.toml"]);
    assert!(error.contains("unit/r1.csv:2: "), "{error}");
    // The same file under two spellings.
    bench.put("unit/r1.csv", curve(4.0).as_bytes());
    let text = fs::read_to_string(bench.0.path().join("unit/a.unit.toml")).unwrap();
    bench.put(
        "unit/a.unit.toml",
        text.replace("\"r2.csv\"", "\"../unit/r1.csv\"").as_bytes(),
    );
    assert!(
        bench
            .refused(&["unit/a.unit.toml"])
            .contains("the same file as `unit/r1.csv`")
    );
    assert!(
        bench
            .refused(&["unit/none.unit.toml"])
            .contains("no such file")
    );
}
