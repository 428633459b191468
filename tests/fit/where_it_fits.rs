//! Where a fit works: contours beyond the data, bands that were asked for, and the response as a source bends it.

use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use bandwright::cost::source::parse_source;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::job::SourceBend;
use bandwright::job::cost::{Circumstances, cost_of};
use bandwright::measurement::grid;
use bandwright::measurement::impedance::read_impedance;
use bandwright::measurement::takes::{Side, Take};
use bandwright::measurement::unit_file::read_take;
use bandwright::measurement::unit_file::{Drive, Sensitivity};
use bandwright::wanted::Target;
use serde_json::Value;
use tempfile::TempDir;

use crate::support::fits::{self, FitRequest};

fn demo(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo-data")
        .join(file)
}

fn fit(arguments: &[&str]) -> Result<Value, String> {
    let output = Command::cargo_bin("bandwright")
        .unwrap()
        .args(["fit", "--json"])
        .args(arguments)
        .output()
        .unwrap();
    if output.status.success() {
        return Ok(serde_json::from_slice(&output.stdout).unwrap());
    }
    Err(String::from_utf8(output.stderr).unwrap())
}

fn sections(document: &Value) -> Vec<Section> {
    let section = |section: &Value| Section {
        shape: match section["shape"].as_str().unwrap() {
            "low-shelf" => Shape::LowShelf,
            "high-shelf" => Shape::HighShelf,
            _ => Shape::Peaking,
        },
        f0_hz: section["f0_hz"].as_f64().unwrap(),
        gain_db: section["gain_db"].as_f64().unwrap(),
        q: section["q"].as_f64().unwrap(),
    };
    let sections = document["sections"].as_array().unwrap();
    sections.iter().map(section).collect()
}

/// A wavy curve from 202 Hz to 12 kHz.
fn short_curve(folder: &TempDir) -> String {
    let rows = (0..200).map(|i| {
        let f_hz = 202.0 * (12_000.0_f64 / 202.0).powf(f64::from(i) / 199.0);
        format!("{f_hz:.2},{:.3}\n", 90.0 + 4.0 * (2.0 * f_hz.log2()).sin())
    });
    let path = folder.path().join("short.csv");
    fs::write(
        &path,
        format!("frequency_hz,level_db\n{}", rows.collect::<String>()),
    )
    .unwrap();
    path.to_str().unwrap().to_owned()
}

#[test]
fn a_taste_is_the_contour_itself_whatever_the_data_cover() {
    let folder = TempDir::new().unwrap();
    let curve = short_curve(&folder);
    for (option, gain_db) in [("--bass", 4.0), ("--bass", 3.0), ("--treble", -3.0)] {
        let document = fit(&[&curve, &format!("{option}={gain_db}")]).unwrap();
        let found = sections(&document);
        assert_eq!(found.len(), 1, "{found:?}");
        let (shape, f0_hz) = match option {
            "--bass" => (Shape::LowShelf, 90.0),
            _ => (Shape::HighShelf, found[0].f0_hz),
        };
        assert_eq!((found[0].shape, found[0].f0_hz), (shape, f0_hz));
        assert_eq!(found[0].gain_db, gain_db);
        assert_eq!(
            document["headroom"]["preamp_db"].as_f64().unwrap(),
            f64::min(-gain_db, 0.0)
        );
        // The curves are shown where there are data.
        let f_hz = document["curves"]["frequency_hz"].as_array().unwrap();
        assert!(
            f_hz.iter()
                .all(|f_hz| (200.0..=12_050.0).contains(&f_hz.as_f64().unwrap()))
        );
    }
    let bass = sections(&fit(&[&curve, "--bass", "3"]).unwrap())[0];
    assert_eq!(bass.q, 0.6);
    // The same on either side where each has its own.
    let unit = demo("dunlin/dunlin.unit.toml");
    let document = fit(&[unit.to_str().unwrap(), "--bass", "3", "--per-side"]).unwrap();
    for side in document["sides"].as_array().unwrap() {
        assert_eq!(sections(side), [bass]);
    }
    assert_eq!(document["headroom"]["preamp_db"].as_f64().unwrap(), -3.0);
}

#[test]
fn contours_that_no_section_is_are_met_outside_the_data_too() {
    let folder = TempDir::new().unwrap();
    let curve = short_curve(&folder);
    let contour = "shape=peaking,f0_hz=60,gain_db=4,q=1";
    let document = fit(&[
        &curve,
        "--bass",
        "3",
        "--slope",
        "-0.5",
        "--contour",
        contour,
    ])
    .unwrap();
    let found = sections(&document);
    let wanted = |f_hz: f64| {
        let bass = [
            Section {
                shape: Shape::LowShelf,
                f0_hz: 90.0,
                gain_db: 3.0,
                q: 0.6,
            },
            Section {
                shape: Shape::Peaking,
                f0_hz: 60.0,
                gain_db: 4.0,
                q: 1.0,
            },
        ];
        cascade::levels_db(&bass, 44_100.0, &[f_hz])[0] - 0.5 * (f_hz / 1000.0).log2()
    };
    let off = |f_hz: f64| cascade::levels_db(&found, 44_100.0, &[f_hz])[0] - wanted(f_hz);
    for f_hz in [30.0, 60.0, 120.0, 4000.0, 14_000.0] {
        let apart_db = off(f_hz) - off(1000.0);
        assert!(
            apart_db.abs() < 0.6,
            "{apart_db} dB at {f_hz} Hz: {found:?}"
        );
    }
}

#[test]
fn outside_the_band_that_was_asked_for_nothing_counts_and_no_section_stands() {
    let unit = demo("fieldfare-mesh/fieldfare-mesh.unit.toml");
    let unit = unit.to_str().unwrap();
    let whole = fit(&[unit, "--target", "flat", "--sections", "all"]).unwrap();
    let band = ["--from-hz", "200", "--to-hz", "4000"];
    let part =
        fit(&[&[unit, "--target", "flat", "--sections", "all"][..], &band].concat()).unwrap();
    let f_hz = part["curves"]["frequency_hz"].as_array().unwrap();
    let (first, last) = (
        f_hz[0].as_f64().unwrap(),
        f_hz.last().unwrap().as_f64().unwrap(),
    );
    assert!(
        (200.0..204.0).contains(&first) && (3900.0..=4000.0).contains(&last),
        "{first} {last}"
    );
    for section in sections(&part) {
        assert!((200.0..=4000.0).contains(&section.f0_hz), "{section:?}");
    }
    let after = |document: &Value| {
        document["residual"]["after"]["weighted_db"]
            .as_f64()
            .unwrap()
    };
    assert!(
        after(&part) < 0.8 * after(&whole),
        "{} {}",
        after(&part),
        after(&whole)
    );
}

#[test]
fn no_section_stands_above_the_highest_frequency_that_was_asked_for() {
    let unit = demo("dunlin/dunlin.unit.toml");
    let unit = unit.to_str().unwrap();
    let options = ["--target", "diffuse-field", "--highest-hz", "2500"];
    for more in [&[][..], &["--per-side"], &["--this-ear"]] {
        let document = fit(&[&[unit][..], &options, more].concat()).unwrap();
        let channels = match document["sections"].as_array() {
            Some(_) => vec![sections(&document)],
            None => {
                let sides = document["sides"].as_array().unwrap();
                sides.iter().map(sections).collect()
            }
        };
        for section in channels.concat() {
            assert!(section.f0_hz <= 2500.0, "{section:?}");
        }
    }
}

#[test]
fn bands_that_leave_nothing_to_fit_are_refused_by_their_options() {
    let folder = TempDir::new().unwrap();
    let curve = short_curve(&folder);
    for (options, named) in [
        (&["--from-hz", "9000"][..], "--from-hz"),
        (&["--to-hz", "300"], "--to-hz"),
        (&["--from-hz", "500", "--to-hz", "700"], "--from-hz"),
        (&["--from-hz", "NaN"], "--from-hz"),
        (&["--highest-hz", "20"], "--highest-hz"),
        (&["--highest-hz", "150"], "f0_hz"),
    ] {
        let refused = fit(&[&[&curve, "--target", "flat"], options].concat()).unwrap_err();
        assert!(refused.contains(named), "{options:?}: {refused}");
        assert!(!refused.contains("panicked"), "{refused}");
    }
}

const SOURCE: &str =
    "format = 1\nname = \"old amplifier\"\nmax_voltage_v = 1.0\noutput_ohm = 30.0\n";
const IMPEDANCE: &str = "frequency_hz,ohm\n100,16\n1000,16\n3000,60\n6000,20\n12000,30\n";

fn flat() -> Target {
    let level_db = vec![0.0; grid::POINTS];
    let support = 0..grid::POINTS;
    Target::of_curve("flat", "flat", grid::OnGrid { level_db, support })
}

fn wool() -> Vec<Take> {
    let takes = [
        ("left-1", Side::Left),
        ("left-2", Side::Left),
        ("right-1", Side::Right),
        ("right-2", Side::Right),
    ];
    let read = |(name, side): &(&str, Side)| {
        let path = demo(&format!("fieldfare-wool/{name}.csv"));
        let bytes = fs::read(path).unwrap();
        read_take(&bytes, name, *side, None).unwrap().take
    };
    takes.iter().map(read).collect()
}

#[test]
fn a_source_with_an_output_impedance_is_fitted_as_it_bends_the_response() {
    let source = parse_source(SOURCE.as_bytes(), "old.source.toml").unwrap();
    let impedance = read_impedance(IMPEDANCE.as_bytes(), "z.csv").unwrap();
    let bend = SourceBend::of(&source, &impedance).unwrap();
    // |Z / (Z + R)| at 3 kHz and 1 kHz: 60 / 90 and 16 / 46.
    let at = |f_hz: f64| {
        let index = grid::frequency_hz().partition_point(|f| *f < f_hz);
        bend.bend_db[index]
    };
    let expected_db = 20.0 * ((60.0 / 90.0_f64) / (16.0 / 46.0)).log10();
    assert!((at(3000.0) - at(1000.0) - expected_db).abs() < 0.1);
    // Beyond its data the impedance is held.
    assert_eq!(at(20.0), at(90.0));
    assert_eq!(at(13_000.0), at(19_000.0));

    let mut request = FitRequest::new(
        "wool",
        wool(),
        fits::without_steps().with_sections(4).unwrap(),
    );
    request.target = Some(flat());
    let bent_by_hand = FitRequest {
        takes: wool()
            .into_iter()
            .map(|take| Take {
                on_grid: bend.bent(&take.on_grid),
                ..take
            })
            .collect(),
        ..request.clone()
    };
    let unbent = fits::run(&request).unwrap();
    request.source_bend = Some(bend);
    let told = fits::run(&request).unwrap();
    let by_hand = fits::run(&bent_by_hand).unwrap();
    assert_ne!(told.channels[0].sections, unbent.channels[0].sections);
    let after = |outcome: &bandwright::job::Outcome| outcome.shared.residual.after.weighted_db;
    assert!(
        (after(&told) - after(&by_hand)).abs() < 1e-3,
        "{} {}",
        after(&told),
        after(&by_hand)
    );
    let levels =
        |outcome: &bandwright::job::Outcome| outcome.channels[0].curves.sections_db.clone();
    for (told_db, by_hand_db) in levels(&told).iter().zip(levels(&by_hand)).take(500) {
        assert!(
            (told_db - by_hand_db).abs() < 0.15,
            "{told_db} {by_hand_db}"
        );
    }
}

#[test]
fn what_a_source_costs_counts_its_impedance_once() {
    let source = parse_source(SOURCE.as_bytes(), "old.source.toml").unwrap();
    let impedance = read_impedance(IMPEDANCE.as_bytes(), "z.csv").unwrap();
    let mut request = FitRequest::new(
        "wool",
        wool(),
        fits::without_steps().with_sections(2).unwrap(),
    );
    request.target = Some(flat());
    let known = Circumstances {
        sensitivity: Some(Sensitivity {
            db_spl: 108.0,
            per: Drive::Volt,
            at_hz: 1000.0,
        }),
        impedance: Some(impedance.clone()),
        source: Some(source.clone()),
        ..Circumstances::default()
    };
    let before_dba = |request: &FitRequest| {
        let costs = cost_of(&fits::run(request).unwrap(), &known).unwrap();
        costs[0].drive.known().unwrap().before.level_dba
    };
    let unbent_dba = before_dba(&request);
    request.source_bend = SourceBend::of(&source, &impedance);
    assert!(request.source_bend.is_some());
    assert!((before_dba(&request) - unbent_dba).abs() < 1e-9);
}

#[test]
fn the_source_on_the_command_line_bends_what_is_fitted_and_says_so() {
    let unit = demo("fieldfare-wool/fieldfare-wool.unit.toml");
    let source = demo("pocket-amplifier.source.toml");
    let options = [
        unit.to_str().unwrap(),
        "--target",
        "flat",
        "--sections",
        "3",
    ];
    let with = [&options[..], &["--source", source.to_str().unwrap()]].concat();
    let (without, with) = (fit(&options).unwrap(), fit(&with).unwrap());
    assert_eq!(with["source_bend"]["output_ohm"].as_f64().unwrap(), 4.0);
    assert!(without["source_bend"].is_null());
    let kinds: Vec<&str> = with["cautions"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["kind"].as_str().unwrap())
        .collect();
    let range_db = with["source_bend"]["largest_db"].as_f64().unwrap().abs();
    assert_eq!(
        kinds.contains(&"source-bends"),
        range_db >= 0.2,
        "{kinds:?} {range_db}"
    );
}

#[test]
fn a_section_whose_gain_the_steps_make_nothing_is_left_out() {
    let unit = demo("fieldfare-wool/fieldfare-wool.unit.toml");
    let target = demo("music-shows.target.toml");
    let limits = demo("pocket-eight.limits.toml");
    let options = [
        unit.to_str().unwrap(),
        "--target",
        target.to_str().unwrap(),
        "--limits",
        limits.to_str().unwrap(),
        "--sections",
        "8",
    ];
    let both = fit(&options).unwrap();
    let apart = fit(&[&options[..], &["--per-side", "--effort", "quick"]].concat()).unwrap();
    let sides = apart["sides"].as_array().unwrap().iter().map(sections);
    for section in sides.flatten().chain(sections(&both)) {
        assert_ne!(section.gain_db, 0.0, "{section:?}");
    }
}
