//! `fit --cost` as it is run: levels from outside facts, what is missing, broken files, both sides.

use std::fs;

use approx::assert_abs_diff_eq;
use serde_json::Value;
use tempfile::TempDir;

/// 110 dB SPL at 1 V, 16 ohm; what its files say is added.
const UNIT: &str = "format = 1\nname = \"flat\"\nrig = \"flat\"\nsensitivity_db_per_v = 110\n";
const TAKE: &str = "[[take]]\nside = \"left\"\nfile = \"left.csv\"\n";
const SOURCE: &str = "format = 1\nname = \"a source\"\nmax_voltage_v = 1\noutput_ohm = 0\n";

/// A private folder with a flat earphone and a source of 1 V.
struct Bench(TempDir);

/// How a run ended.
struct Run {
    status: i32,
    stdout: String,
    stderr: String,
}

impl Bench {
    fn new() -> Self {
        let bench = Self(TempDir::new().unwrap());
        for name in ["left.csv", "right.csv"] {
            bench.put(name, &table("frequency_hz,level_db", |_| 90.0));
        }
        bench.unit("impedance_ohm = 16\n");
        bench.put("one.source.toml", SOURCE);
        bench
    }

    /// The unit file, with `keys` before its take.
    fn unit(&self, keys: &str) {
        self.put("flat.unit.toml", &format!("{UNIT}{keys}{TAKE}"));
    }

    fn put(&self, name: &str, text: &str) {
        fs::write(self.0.path().join(name), text).unwrap();
    }

    /// `bandwright fit` with the words of `line`, quickly.
    fn run(&self, line: &str) -> Run {
        let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_bandwright"))
            .args(["fit", "--effort", "quick"])
            .args(line.split_whitespace())
            .current_dir(self.0.path())
            .timeout(std::time::Duration::from_secs(60))
            .output()
            .unwrap();
        Run {
            status: output.status.code().unwrap(),
            stdout: String::from_utf8(output.stdout).unwrap(),
            stderr: String::from_utf8(output.stderr).unwrap(),
        }
    }

    fn text(&self, line: &str) -> String {
        let run = self.run(line);
        assert_eq!((run.status, run.stderr.as_str()), (0, ""), "{line}");
        run.stdout
    }

    fn document(&self, line: &str) -> Value {
        serde_json::from_str(&self.text(&format!("{line} --json"))).unwrap()
    }

    /// The cost of 3 dB more bass, which one high shelf of -3 dB at 90 Hz gives.
    fn cost(&self, options: &str) -> Value {
        self.document(&format!("flat.unit.toml --bass 3 {options}"))["cost"].clone()
    }

    /// Refused as bad input, at a place, with words; nothing is printed.
    fn refused(&self, options: &str, parts: &[&str]) {
        let run = self.run(&format!("flat.unit.toml --bass 3 {options}"));
        assert_eq!(run.status, 2, "{options}: {}", run.stderr);
        assert_eq!(run.stdout, "", "{options}");
        for part in parts {
            assert!(run.stderr.contains(part), "{part}: {}", run.stderr);
        }
        assert_eq!(run.stderr.lines().count(), 1, "{}", run.stderr);
    }
}

/// Third octaves from 20 Hz to 20 kHz and a little more.
fn thirds_hz() -> impl Iterator<Item = f64> {
    (-17..=14).map(|n| 1000.0 * 10f64.powf(f64::from(n) / 10.0))
}

fn table(title: &str, value: impl Fn(f64) -> f64) -> String {
    let rows: Vec<String> = thirds_hz()
        .map(|f_hz| format!("{f_hz:.2},{:.4}", value(f_hz)))
        .collect();
    format!("{title}\n{}\n", rows.join("\n"))
}

fn figure(value: &Value, path: &str) -> f64 {
    let found = value.pointer(path);
    found
        .and_then(Value::as_f64)
        .unwrap_or_else(|| panic!("{path}: {found:?}"))
}

/// One line, as a search for words needs it.
fn unwrapped(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A weighting by the poles of IEC 61672-1 (from memory), dB.
fn a_db(f_hz: f64) -> f64 {
    let f2 = f_hz * f_hz;
    let gain = |f_hz: f64| {
        let f2 = f_hz * f_hz;
        12_194f64.powi(2) * f2 * f2
            / ((f2 + 20.6f64.powi(2))
                * ((f2 + 107.7f64.powi(2)) * (f2 + 737.9f64.powi(2))).sqrt()
                * (f2 + 12_194f64.powi(2)))
    };
    assert!(f2 > 0.0);
    20.0 * (gain(f_hz) / gain(1000.0)).log10()
}

#[test]
fn a_flat_earphone_of_110_db_per_volt_reaches_what_arithmetic_says() {
    let bench = Bench::new();
    let cost = bench.cost("--source one.source.toml --play-at 85");
    // A full-scale sine of 1 V: 110 dB SPL, and 3 dB less through the shelf; 16 ohm.
    let drive = &cost["drive"]["figures"];
    let sine = |name: &str| figure(drive, &format!("/full_scale_sine/{name}"));
    assert_abs_diff_eq!(sine("before_db_spl"), 110.0, epsilon = 1e-4);
    assert_abs_diff_eq!(sine("after_db_spl"), 107.0, epsilon = 0.02);
    let volts = 10f64.powf(-3.0 / 20.0);
    assert_abs_diff_eq!(sine("voltage_v"), volts, epsilon = 0.002);
    assert_abs_diff_eq!(sine("current_ma"), 1000.0 * volts / 16.0, epsilon = 0.1);
    // 110 dB SPL at 1 V into 16 ohm, 62.5 mW.
    let db_per_mw = 110.0 - 10.0 * 62.5f64.log10();
    assert_abs_diff_eq!(
        figure(drive, "/sensitivity_db_per_mw"),
        db_per_mw,
        epsilon = 1e-3
    );
    // Peaks at full scale and a crest factor of 13 dB: 9.99 dB below a full-scale sine.
    let rms_db = 10.0 * 2f64.log10() - 13.0;
    assert_abs_diff_eq!(figure(&cost, "/programme/rms_db"), rms_db, epsilon = 1e-3);
    assert_abs_diff_eq!(
        figure(drive, "/before/level_db_spl"),
        110.0 + rms_db,
        epsilon = 1e-2
    );
    // A-weighted pink noise, summed over ln f by the middle of 3000 steps.
    let steps = 3000;
    let powers = (0..steps).map(|i| {
        let f_hz = 20.0 * 1000f64.powf((f64::from(i) + 0.5) / f64::from(steps));
        10f64.powf(a_db(f_hz) / 10.0)
    });
    let a_weighted_db = 10.0 * (powers.sum::<f64>() / f64::from(steps)).log10();
    assert_abs_diff_eq!(
        figure(drive, "/before/level_dba"),
        110.0 + rms_db + a_weighted_db,
        epsilon = 0.02
    );
    // The wish is met by as much as is missing.
    let turn_up_db = figure(drive, "/wished/turn_up_db");
    assert_abs_diff_eq!(
        figure(drive, "/after/level_dba") + turn_up_db,
        85.0,
        epsilon = 1e-3
    );
    assert_abs_diff_eq!(
        figure(drive, "/wished/full_scale_v"),
        10f64.powf(turn_up_db / 20.0),
        epsilon = 1e-4
    );
}

#[test]
fn a_programme_above_the_shelf_plays_3_lu_quieter() {
    let bench = Bench::new();
    let bands: String = [500, 630, 800, 1000, 1250, 1600, 2000]
        .map(|f_hz| format!("{f_hz},70\n"))
        .concat();
    bench.put("speech.csv", &format!("frequency_hz,level_db\n{bands}"));
    let cost = bench.cost("--programme speech.csv");
    assert_eq!(cost["programme"]["name"], "speech.csv");
    assert_abs_diff_eq!(figure(&cost, "/loudness/total_lu"), -3.0, epsilon = 0.06);
    // The fit's own figure stays that of pink noise.
    let document = bench.document("flat.unit.toml --bass 3 --programme speech.csv");
    assert!(figure(&document, "/loudness/total_lu") > -2.95);
    let text = bench.text("flat.unit.toml --bass 3 --programme speech.csv");
    assert!(text.contains("With both, pink noise is "), "{text}");
    assert!(unwrapped(&text).contains(
        "preamp -3 dB; speech.csv, A-weighted, through this unit; as a signal, by ITU-R BS.1770, -3"
    ));
    assert_abs_diff_eq!(figure(&cost, "/heard/total_db"), -3.0, epsilon = 0.06);
}

#[test]
fn times_are_those_of_the_rules_and_never_longer_than_the_day_or_the_week() {
    let bench = Bench::new();
    // WHO-ITU H.870 and NIOSH 98-126: hours, at so many dBA, of a span.
    let rules = [
        ("adults_per_week", 40.0, 80.0, 168.0),
        ("adults_per_day", 40.0 / 7.0, 80.0, 24.0),
        ("children_per_week", 40.0, 75.0, 168.0),
        ("children_per_day", 40.0 / 7.0, 75.0, 24.0),
        ("niosh_per_day", 8.0, 85.0, 24.0),
    ];
    let mut kinds = std::collections::BTreeSet::new();
    for level_dba in [0, 60, 75, 82, 90, 100, 120, 140] {
        let cost = bench.cost(&format!(
            "--play-at {level_dba} --field free --above-100-dba"
        ));
        let exposure = &cost["exposure_as_wished"]["figures"];
        assert_eq!(exposure["cautions"].as_array().unwrap().len(), 3);
        assert_abs_diff_eq!(
            figure(exposure, "/eardrum_dba"),
            f64::from(level_dba),
            epsilon = 1e-3
        );
        let field_dba = figure(exposure, "/field_dba");
        assert!(field_dba < f64::from(level_dba));
        for (name, hours, limit_dba, span_hours) in rules {
            let time = &exposure[name];
            let allowed = hours / 2f64.powf((field_dba - limit_dba) / 3.0);
            kinds.insert(time["kind"].as_str().unwrap().to_owned());
            match time["kind"].as_str().unwrap() {
                "hours" => {
                    let told = figure(time, "/hours");
                    assert!(told <= span_hours, "{name} at {level_dba}: {told}");
                    assert!(told <= allowed * 1.0001 && told > allowed * 0.999 - 1e-3);
                }
                "not-limited" => {
                    assert!(allowed > span_hours * 0.999);
                    assert_eq!(time["hours"], Value::Null);
                    assert!(
                        time["words"]
                            .as_str()
                            .unwrap()
                            .contains("not mean harmless")
                    );
                }
                kind => panic!("{kind}"),
            }
        }
    }
    assert_eq!(kinds.len(), 2, "{kinds:?}");
    // In words: the cautions come first, and a missing limit is never harmless.
    let text = bench.text("flat.unit.toml --bass 3 --play-at 60");
    let caution = text.find("Caution: These times are estimates").unwrap();
    assert!(caution < text.find("Hearing").unwrap());
    assert!(text.contains("no limit") && unwrapped(&text).contains("does not mean harmless"));
}

#[test]
fn the_field_and_its_table_are_chosen_and_the_other_table_is_told() {
    let bench = Bench::new();
    let exposure = |options: &str| {
        let cost = bench.cost(&format!("--play-at 85 {options}"));
        cost["exposure_as_wished"]["figures"].clone()
    };
    let usual = exposure("");
    let named = exposure("--field diffuse --field-table itu-t-p58");
    assert_eq!(usual, named);
    let other = exposure("--field-table iso-532-2");
    assert_eq!(
        (&usual["field"], &usual["table"]),
        (&"diffuse".into(), &"itu-t-p58".into())
    );
    assert_eq!(other["table"], "iso-532-2");
    assert_eq!(usual["field_dba"], other["other_table_dba"]);
    assert_eq!(usual["other_table_dba"], other["field_dba"]);
    let free = exposure("--field free");
    assert_eq!(free["field"], "free");
    assert_ne!(free["field_dba"], usual["field_dba"]);
}

#[test]
fn each_option_of_cost_asks_for_it_and_nothing_else_does() {
    let bench = Bench::new();
    bench.put("pink.csv", &table("frequency_hz,level_db", |_| 0.0));
    for option in [
        "--cost",
        "--source one.source.toml",
        "--programme pink.csv",
        "--play-at 70",
        "--field diffuse",
        "--field-table iso-532-2",
    ] {
        let text = bench.text(&format!("flat.unit.toml --bass 3 {option}"));
        let places = ["Residual", "\nWhat it costs\n", "\nCaution:"].map(|words| text.find(words));
        assert!(places.iter().all(Option::is_some), "{option}: {text}");
        assert!(places.is_sorted(), "{option}: {text}");
        assert!(text.lines().all(|line| line.chars().count() <= 100));
    }
    // Whoever does not ask needs none of its files.
    bench.unit("impedance_ohm = \"no-such.csv\"\n");
    let text = bench.text("flat.unit.toml --bass 3");
    assert!(!text.contains("What it costs"), "{text}");
    let document = bench.document("flat.unit.toml --bass 3");
    assert_eq!(document["cost"], Value::Null);
    // Pink bands are pink noise.
    bench.unit("");
    let (bands, pink) = (bench.cost("--programme pink.csv"), bench.cost("--cost"));
    assert_abs_diff_eq!(
        figure(&bands, "/loudness/total_lu"),
        figure(&pink, "/loudness/total_lu"),
        epsilon = 0.02
    );
}

#[test]
fn without_sensitivity_there_is_no_level_no_drive_and_no_time() {
    let bench = Bench::new();
    let unit = UNIT.replace("sensitivity_db_per_v = 110\n", "");
    bench.put("flat.unit.toml", &format!("{unit}{TAKE}"));
    for (curves, options) in [
        ("flat.unit.toml", "--source one.source.toml --play-at 85"),
        ("left.csv", "--cost"),
    ] {
        let line = format!("{curves} --bass 3 {options}");
        let cost = bench.document(&line)["cost"].clone();
        for part in [
            "drive",
            "exposure",
            "exposure_as_loud",
            "exposure_as_wished",
        ] {
            assert_eq!(cost[part]["figures"], Value::Null, "{part}");
            assert!(cost[part]["missing"].is_string(), "{part}");
        }
        assert_eq!(cost["drive"]["missing"], "no unit file gives a sensitivity");
        let text = bench.text(&line);
        let words = unwrapped(&text);
        assert!(words.contains("Not told: level and drive"), "{text}");
        assert!(words.contains("no unit file gives a sensitivity"), "{text}");
        for never in ["dBA", "dB SPL", "H.870", " V rms", "mW"] {
            assert!(!words.contains(never), "{never}: {text}");
        }
        // Loudness needs nothing more.
        assert!(words.contains("Loudness: "), "{text}");
    }
}

#[test]
fn what_is_missing_is_said_with_what_would_tell_it() {
    let bench = Bench::new();
    let missing = |cost: &Value, part: &str| cost[part]["missing"].as_str().unwrap().to_owned();
    // Per milliwatt needs the impedance; so does a source with an output impedance.
    let per_mw = UNIT.replace("per_v", "per_mw");
    bench.put("flat.unit.toml", &format!("{per_mw}{TAKE}"));
    assert!(missing(&bench.cost("--cost"), "drive").contains("impedance_ohm"));
    bench.unit("");
    bench.put(
        "ten.source.toml",
        &SOURCE.replace("output_ohm = 0", "output_ohm = 10"),
    );
    assert!(missing(&bench.cost("--source ten.source.toml"), "drive").contains("impedance_ohm"));
    // A level is known without a source, a volume is not.
    let cost = bench.cost("--cost");
    assert_eq!(missing(&cost, "exposure"), "no source is known");
    assert_eq!(missing(&cost, "output_bend"), "no source is known");
    assert!(cost["drive"]["figures"].is_object());
    let words = unwrapped(&bench.text("flat.unit.toml --bass 3 --cost"));
    assert!(words.contains("Name the source with --source, or a level with --play-at."));
    // The sensitivity must hold where something was measured.
    bench.unit("sensitivity_at_hz = 30000\n");
    assert!(missing(&bench.cost("--cost"), "drive").contains("30000 Hz"));
}

#[test]
fn a_narrow_target_does_not_narrow_the_measured_curve() {
    let bench = Bench::new();
    bench.put(
        "narrow.csv",
        "frequency_hz,level_db\n200,0\n600,0\n1000,0\n2000,4\n4000,0\n",
    );
    let document = bench.document("flat.unit.toml --target narrow.csv --cost");
    assert!(figure(&document, "/curves/frequency_hz/0") > 190.0);
    let drive = &document["cost"]["drive"]["figures"];
    assert!(figure(drive, "/band_hz/0") < 20.1 && figure(drive, "/band_hz/1") > 19_800.0);
    assert!(figure(drive, "/counted") > 0.998);
}

#[test]
fn impedance_and_distortion_by_frequency_are_followed() {
    let bench = Bench::new();
    let hump = |f_hz: f64| 16.0 + 32.0 / (1.0 + (3.0 * (f_hz / 1000.0).log2()).powi(2));
    bench.put("z.csv", &table("frequency_hz,ohm", hump));
    bench.put(
        "d-94.csv",
        &table("frequency_hz,distortion_percent", |_| 0.2),
    );
    bench.put(
        "d-104.csv",
        &table("frequency_hz,distortion_percent", |_| 2.0),
    );
    let distortion = |level: u32, side: &str| {
        format!("[[distortion]]\nfile = \"d-{level}.csv\"\nlevel_db_spl = {level}\n{side}")
    };
    bench.unit(&format!(
        "impedance_ohm = \"z.csv\"\n{}{}",
        distortion(94, ""),
        distortion(104, "")
    ));
    bench.put(
        "ten.source.toml",
        &SOURCE.replace("output_ohm = 0", "output_ohm = 16"),
    );
    let cost = bench.cost("--source ten.source.toml");
    // 16 behind 16 ohm loses 6.02 dB, 48 behind 16 loses 2.50 dB.
    let bend = &cost["output_bend"]["figures"];
    assert_abs_diff_eq!(figure(bend, "/range_db"), 3.52, epsilon = 0.06);
    assert_abs_diff_eq!(figure(bend, "/largest_hz"), 1000.0, epsilon = 25.0);
    // 20 dB more distortion for 10 dB more level: a rise of r dB multiplies it by 10^(r/10).
    let of_unit = &cost["distortion"]["figures"]["sides"][0];
    assert_eq!(of_unit["side"], "unknown");
    for point in of_unit["points"].as_array().unwrap() {
        let expected = 0.2 * 10f64.powf(figure(point, "/rise_db") / 10.0);
        assert_abs_diff_eq!(figure(point, "/after/percent"), expected, epsilon = 1e-3);
    }
    // One volume for both sides, and distortion each its own.
    let right = "side = \"right\"\n";
    bench.put(
        "flat.unit.toml",
        &format!(
            "{UNIT}impedance_ohm = 16\n{TAKE}[[take]]\nside = \"right\"\nfile = \"right.csv\"\n{}",
            distortion(94, right)
        ),
    );
    let document = bench.document("flat.unit.toml --bass 3 --per-side --cost");
    let costs: Vec<&Value> = document["sides"]
        .as_array()
        .unwrap()
        .iter()
        .map(|side| &side["cost"])
        .collect();
    assert_eq!(costs.len(), 2);
    assert_eq!(costs[0]["loudness"], costs[1]["loudness"]);
    assert_eq!(
        costs[0]["distortion"]["missing"],
        "no unit file gives a [[distortion]] of the left side"
    );
    assert!(costs[1]["distortion"]["figures"].is_object());
    let text = bench.text("flat.unit.toml --bass 3 --per-side --play-at 80");
    assert_eq!(
        text.matches("What it costs: left side (loudness").count(),
        1
    );
    assert_eq!(
        text.matches("What it costs: right side (loudness").count(),
        1
    );
    // Where hearing is told, its cautions are.
    assert_eq!(text.matches("\n  Hearing ").count(), 2);
    assert_eq!(text.matches("Caution: These times").count(), 2);
    assert!(text.lines().all(|line| line.chars().count() <= 100));
}

#[test]
fn broken_files_are_named_with_their_line() {
    let bench = Bench::new();
    // What a unit file names and cannot be read is that file's fault.
    bench.unit("impedance_ohm = \"no-such.csv\"\n");
    let here = "flat.unit.toml:5: impedance_ohm: found";
    bench.refused("--cost", &[here, "no-such.csv", "beside this file"]);
    bench.put("z.csv", "frequency_hz,ohm\n20,16\n1000,-3\n20000,16\n");
    bench.unit("impedance_ohm = \"z.csv\"\n");
    bench.refused("--cost", &["bandwright: z.csv:3: found -3 ohm"]);
    let distortion = |file: &str, level: u32| {
        format!("[[distortion]]\nfile = \"{file}\"\nlevel_db_spl = {level}\n")
    };
    bench.unit(&distortion("d.csv", 94));
    bench.refused("--cost", &["flat.unit.toml:6: distortion[1].file: found"]);
    bench.put("d.csv", "frequency_hz,distortion_percent\n20,1\n100,120\n");
    bench.refused("--cost", &["bandwright: d.csv:3: found 120 percent"]);
    bench.put("d.csv", "frequency_hz,distortion_percent\n20,1\n1000,0.1\n");
    bench.unit(&format!(
        "{}{}",
        distortion("d.csv", 94),
        distortion("e.csv", 94)
    ));
    bench.refused(
        "--cost",
        &[
            "flat.unit.toml:9: distortion[2].file: found a second measurement",
            "94 dB SPL",
        ],
    );
    bench.unit("");
    bench.put(
        "bad.source.toml",
        "format = 1\nname = \"x\"\nmax_voltage_v = -1\noutput_ohm = 2\n",
    );
    bench.refused(
        "--source bad.source.toml",
        &["bad.source.toml:3: max_voltage_v: found -1"],
    );
    bench.refused("--source no.source.toml", &["no.source.toml: found"]);
    bench.put(
        "bands.csv",
        "frequency_hz,level_db\n500,1\nfast,1\n2000,3\n4000,1\n",
    );
    bench.refused("--programme bands.csv", &["bands.csv:3: "]);
    bench.put(
        "high.csv",
        "frequency_hz,level_db\n30000,1\n50000,1\n90000,3\n",
    );
    bench.refused("--programme high.csv", &["high.csv: found hardly any band"]);
    for level in ["-1", "141", "1e9"] {
        bench.refused(
            &format!("--play-at {level}"),
            &["--play-at: found", "0 to 140 dBA"],
        );
    }
}

/// Words of every text about a fit that plays at `level_dba`, with more options.
fn told(bench: &Bench, options: &str) -> String {
    unwrapped(&bench.text(&format!("flat.unit.toml --bass 3 {options}")))
}

#[test]
fn a_level_that_harms_hearing_is_told_first() {
    let bench = Bench::new();
    // A flat earphone: what the head adds is taken off, so the field's level is some dB below the eardrum's.
    let in_field = |level: f64| {
        let cost = bench.cost(&format!("--play-at {level}"));
        figure(&cost, "/exposure_as_wished/figures/diffuse_dba")
    };
    let below_db = 85.0 - in_field(85.0);
    assert!((1.0..12.0).contains(&below_db), "{below_db}");
    for (level, harmful) in [(84.9 + below_db, false), (85.1 + below_db, true)] {
        let options = format!("--play-at {level}");
        let text = told(&bench, &options);
        let head = format!(
            "What it costs {}",
            "Caution: this harms hearing: 85.1 dBA in a diffuse field as wished."
        );
        assert_eq!(text.contains(&head), harmful, "{text}");
        assert_eq!(text.contains("Turn down."), harmful, "{text}");
        let document = bench.document(&format!("flat.unit.toml --bass 3 {options}"));
        let first = &document["cautions"][0];
        assert_eq!(first["kind"] == "harmful-level", harmful, "{first}");
    }
    // Whatever field is chosen, it is the diffuse one that counts.
    let text = told(
        &bench,
        &format!("--play-at {} --field free", 85.1 + below_db),
    );
    assert!(
        text.contains("85.1 dBA in a diffuse field as wished"),
        "{text}"
    );
    // In use, and turned up to be as loud as before.
    let text = told(&bench, "--source one.source.toml");
    assert!(
        text.contains("dBA in a diffuse field at the volume in use"),
        "{text}"
    );
    assert!(
        text.contains("dBA in a diffuse field at the loudness of before"),
        "{text}"
    );
    // Where no field can be computed, the eardrum's level counts as it is.
    let text = unwrapped(&bench.text("left.csv --bass 3 --play-at 86"));
    assert!(
        text.contains("harms hearing: 86.0 dBA at the eardrum as wished"),
        "{text}"
    );
    let text = bench.text("left.csv --bass 3 --play-at 85");
    assert!(!text.contains("harms hearing: "), "{text}");
}

#[test]
fn a_wish_above_100_dba_in_the_field_is_refused_before_anything_is_written() {
    let bench = Bench::new();
    bench.put(
        "sides.unit.toml",
        &format!(
            "{UNIT}impedance_ohm = 16\n{TAKE}[[take]]\nside = \"right\"\nfile = \"right.csv\"\n"
        ),
    );
    let cost = bench.cost("--play-at 85");
    let below_db = 85.0 - figure(&cost, "/exposure_as_wished/figures/diffuse_dba");
    let (allowed, refused) = (99.9 + below_db, 100.1 + below_db);
    told(&bench, &format!("--play-at {allowed}"));
    let files = "-o loud.sheet.toml --plot loud.svg";
    let parts = [
        "--play-at: found 100.1 dBA in a diffuse field as wished",
        "at most 100 dBA",
        "15 minutes a day",
        "--above-100-dba",
    ];
    bench.refused(&format!("--play-at {refused} {files}"), &parts);
    bench.refused(&format!("--play-at {refused} {files} --field free"), &parts);
    let run = bench.run(&format!(
        "sides.unit.toml --bass 3 --per-side --play-at {refused} {files}"
    ));
    assert_eq!(run.status, 2, "{}", run.stderr);
    let run = bench.run(&format!("left.csv --bass 3 --play-at 100.5 {files}"));
    assert!(
        run.status == 2 && run.stderr.contains("100.5 dBA at the eardrum"),
        "{}",
        run.stderr
    );
    assert!(!bench.0.path().join("loud.sheet.toml").exists());
    assert!(!bench.0.path().join("loud.svg").exists());
    let text = told(
        &bench,
        &format!("--play-at {refused} {files} --above-100-dba"),
    );
    assert!(text.contains("this harms hearing: 100.1 dBA"), "{text}");
    assert!(bench.0.path().join("loud.sheet.toml").exists());
    let run = bench.run("flat.unit.toml --bass 3 --above-100-dba");
    assert_eq!(run.status, 2, "it goes with --play-at alone");
}

#[test]
fn nothing_advises_toward_a_louder_chain() {
    let bench = Bench::new();
    bench.put(
        "weak.source.toml",
        &SOURCE.replace("max_voltage_v = 1", "max_voltage_v = 0.001"),
    );
    for options in [
        "--source weak.source.toml --play-at 110 --above-100-dba",
        "--source one.source.toml --play-at 60",
        "--cost",
        "--treble -6 --source weak.source.toml",
    ] {
        let text = told(&bench, options).to_lowercase();
        for word in ["stronger", "turn up by", "turn it up", "more powerful"] {
            assert!(!text.contains(word), "{options}: {word}: {text}");
        }
    }
    let text = told(
        &bench,
        "--source weak.source.toml --play-at 110 --above-100-dba",
    );
    assert!(
        text.contains("above its largest sine. Wish for a lower level."),
        "{text}"
    );
}

#[test]
fn a_preset_that_plays_quieter_says_what_turning_up_leads_to() {
    let bench = Bench::new();
    // 8 dB more bass is 8 dB less of all the rest, or a preamp: turned up it is a boost.
    let line = "flat.unit.toml --bass 8 -o quiet.sheet.toml";
    let document = bench.document(line);
    let loss_db = -figure(&document, "/heard/total_db");
    let rise_db = {
        let gains = document["sections_curve"]["gain_db"].as_array().unwrap();
        let most = gains
            .iter()
            .map(|x| x.as_f64().unwrap())
            .fold(f64::NEG_INFINITY, f64::max);
        most - figure(&document, "/heard/sections_db")
    };
    assert!(loss_db > 3.0 && rise_db > 3.0, "{loss_db} {rise_db}");
    let quieter = format!(
        "it plays {loss_db:.1} dB quieter than without EQ. If you turn up to make up for it, removing or bypassing the preset afterwards makes everything {loss_db:.1} dB louder at once: turn down first."
    );
    let boost = format!("it plays {rise_db:.1} dB more than without EQ at ");
    let text = unwrapped(&bench.text(line));
    let sheet = fs::read_to_string(bench.0.path().join("quiet.sheet.toml")).unwrap();
    let document = document["cautions"].to_string();
    for told in [&text, &sheet, &document] {
        assert!(told.contains(&quieter) && told.contains(&boost), "{told}");
    }
    // Little that is lost, and little that rises.
    let document = bench.document("flat.unit.toml --bass 2");
    let kinds = document["cautions"].to_string();
    assert!(
        !kinds.contains("quieter") && !kinds.contains("boost-once-turned-up"),
        "{kinds}"
    );
}

#[test]
fn what_is_read_is_never_written_over() {
    let bench = Bench::new();
    bench.refused(
        "--source one.source.toml -o one.source.toml",
        &["one.source.toml"],
    );
    bench.put("pink.csv", &table("frequency_hz,level_db", |_| 0.0));
    bench.refused("--programme pink.csv --plot pink.csv", &["pink.csv"]);
    let left = |name: &str| fs::read_to_string(bench.0.path().join(name)).unwrap();
    assert_eq!(left("one.source.toml"), SOURCE);
    assert!(left("pink.csv").starts_with("frequency_hz"));
}

#[test]
fn the_document_has_all_its_keys_whatever_is_known() {
    let bench = Bench::new();
    for options in ["--cost", "--source one.source.toml --play-at 80"] {
        let cost = bench.cost(options);
        let keys: Vec<&str> = cost
            .as_object()
            .unwrap()
            .keys()
            .map(String::as_str)
            .collect();
        let expected = [
            "distortion",
            "drive",
            "exposure",
            "exposure_as_loud",
            "exposure_as_wished",
            "heard",
            "loudness",
            "output_bend",
            "preamp_db",
            "programme",
            "rate_hz",
        ];
        assert_eq!(keys, expected);
        for part in [
            "drive",
            "output_bend",
            "exposure",
            "exposure_as_wished",
            "distortion",
        ] {
            let told = cost[part].as_object().unwrap();
            assert_eq!(told.len(), 2);
            assert_ne!(
                told["figures"].is_null(),
                told["missing"].is_null(),
                "{part}"
            );
        }
    }
    let document = bench.document("flat.unit.toml --bass 3 --cost");
    assert_eq!(
        document["cost"]["preamp_db"],
        document["headroom"]["preamp_db"]
    );
    assert_eq!(document["cost"]["rate_hz"], document["rates_hz"][0]);
}
