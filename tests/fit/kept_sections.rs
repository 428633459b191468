//! Sections that stay as they are, and as few sections as are needed.

use std::fs;

use crate::support::fits::{self, FitRequest};
use assert_cmd::Command;
use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::random::Random;
use bandwright::fit::search::reach::{Effort, needed};
use bandwright::headroom::headroom;
use bandwright::job::error::JobFault;
use bandwright::limits::rules::{Rules, Slot};
use bandwright::limits::{Limits, Setting, ShapeCounts};
use bandwright::measurement::grid::{self, OnGrid};
use bandwright::measurement::judge::Settings;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take};
use bandwright::sheet::{self, Sheet, read_kept};
use bandwright::wanted::library;
use proptest::prelude::*;
use rayon::prelude::*;

#[allow(dead_code, reason = "this test needs its cases alone")]
use crate::support::planted;

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * random.unit()
}

/// A take that the sections would make flat, with noise of so many dB.
fn take(name: &str, side: Side, mended_by: &[Section], noise: Option<(&mut Random, f64)>) -> Take {
    let mut level_db: Vec<f64> =
        cascade::levels_db(mended_by, planted::RATE_HZ, grid::frequency_hz())
            .iter()
            .map(|db| -db)
            .collect();
    if let Some((random, noise_db)) = noise {
        for db in &mut level_db {
            *db += noise_db * between(random, -1.0, 1.0);
        }
    }
    Take {
        name: name.to_owned(),
        side,
        on_grid: OnGrid {
            level_db,
            support: 0..grid::POINTS,
        },
    }
}

/// Toward flat, believed everywhere.
fn request(takes: Vec<Take>, limits: Limits) -> FitRequest {
    FitRequest {
        judging: Settings {
            rig: Rig::Flat,
            ..Settings::default()
        },
        target: Some(library::resolve("flat", &|_: &std::path::Path| unreachable!()).unwrap()),
        effort: Effort::Quick,
        ..FitRequest::new("an invented unit", takes, limits)
    }
}

fn limits(low_shelf: usize, peaking: usize, high_shelf: usize) -> Limits {
    planted::limits(ShapeCounts {
        low_shelf,
        peaking,
        high_shelf,
    })
}

fn known() -> [Section; 4] {
    [
        section(Shape::LowShelf, 110.0, 5.0, 0.7),
        section(Shape::Peaking, 900.0, -4.0, 1.5),
        section(Shape::Peaking, 3200.0, 3.0, 2.5),
        section(Shape::HighShelf, 7000.0, -6.0, 0.6),
    ]
}

#[test]
fn kept_sections_stay_to_the_last_bit_and_the_others_are_found_beside_them() {
    let known = known();
    let kept = vec![known[1], known[3]];
    let asked = FitRequest {
        kept: [kept.clone(), kept.clone()],
        protection: bandwright::headroom::Protection::default(),
        most_loudness_loss_db: None,
        economy: 0.0,
        ..request(
            vec![take("take", Side::Unknown, &known, None)],
            limits(1, 2, 1),
        )
    };
    let outcome = fits::run(&asked).unwrap();
    assert_eq!(outcome.channels[0].sections.len(), 4);
    assert_eq!(outcome.channels[0].kept, [1, 3]);
    for (index, kept) in outcome.channels[0].kept.iter().zip(&kept) {
        assert_eq!(outcome.channels[0].sections[*index], *kept);
    }
    assert!(outcome.shared.residual.after.weighted_db < 0.005);
    assert_eq!(outcome.channels[0].reach.first().unwrap().sections, 2);
    assert_eq!(outcome.channels[0].reach.last().unwrap().sections, 4);
}

#[test]
fn kept_sections_count_in_headroom_residual_and_economy() {
    let known = known();
    let kept = vec![section(Shape::Peaking, 1200.0, 6.0, 1.0)];
    let limits = limits(1, 4, 1);
    let asked = FitRequest {
        kept: [kept.clone(), kept.clone()],
        protection: bandwright::headroom::Protection::default(),
        most_loudness_loss_db: None,
        economy: 0.1,
        ..request(
            vec![take("take", Side::Unknown, &known, None)],
            limits.clone(),
        )
    };
    let outcome = fits::run(&asked).unwrap();
    let all = &outcome.channels[0].sections;
    assert!(all.contains(&kept[0]));
    assert!(all.iter().filter(|s| s.shape == Shape::Peaking).count() <= 4);
    let own = headroom(all, &limits.rates_hz, &limits.preamp_db).unwrap();
    assert_eq!(outcome.shared.headroom, own);
    // J by its definition.
    let f_hz = grid::frequency_hz();
    let sum_db = cascade::levels_db(all, planted::RATE_HZ, f_hz);
    let wanted_db = cascade::levels_db(&known, planted::RATE_HZ, f_hz);
    let error_db: Vec<f64> = sum_db.iter().zip(&wanted_db).map(|(a, b)| a - b).collect();
    let mean_db = error_db.iter().sum::<f64>() / f_hz.len() as f64;
    let square: f64 = error_db.iter().map(|e| (e - mean_db).powi(2)).sum();
    let opposed: f64 = f_hz
        .iter()
        .map(|&f_hz| {
            let level = |s: &Section| cascade::level_db(&[*s], planted::RATE_HZ, f_hz);
            let boost: f64 = all.iter().map(|s| level(s).max(0.0)).sum();
            let cut: f64 = all.iter().map(|s| -level(s).min(0.0)).sum();
            boost * cut
        })
        .sum();
    let count = f_hz.len() as f64;
    let objective_db2 = square / count + 0.1 * opposed / count;
    approx::assert_relative_eq!(
        outcome.shared.objective_db2,
        objective_db2,
        max_relative = 1e-9
    );
    approx::assert_relative_eq!(
        outcome.shared.residual.after.weighted_db,
        (square / count).sqrt(),
        max_relative = 1e-9
    );
}

#[test]
fn a_kept_section_takes_its_slot() {
    let slot = |f0_hz: f64| Slot {
        shapes: vec![Shape::Peaking],
        f0_hz: Some(Setting::Allowed(vec![f0_hz])),
        ..Slot::default()
    };
    let limits = Limits {
        sections: 3,
        shapes: ShapeCounts::default(),
        rules: Rules {
            slots: vec![slot(200.0), slot(1000.0), slot(5000.0)],
            ..Rules::default()
        },
        ..limits(0, 0, 0)
    };
    let known = [200.0, 1000.0, 5000.0].map(|f0_hz| section(Shape::Peaking, f0_hz, 4.0, 1.0));
    let kept = vec![known[1]];
    let asked = FitRequest {
        kept: [kept.clone(), kept.clone()],
        protection: bandwright::headroom::Protection::default(),
        most_loudness_loss_db: None,
        economy: 0.0,
        ..request(
            vec![take("take", Side::Unknown, &known, None)],
            limits.clone(),
        )
    };
    let outcome = fits::run(&asked).unwrap();
    limits.allows(&outcome.channels[0].sections).unwrap();
    let f0_hz: Vec<f64> = outcome.channels[0]
        .sections
        .iter()
        .map(|s| s.f0_hz)
        .collect();
    assert_eq!(f0_hz, [200.0, 1000.0, 5000.0]);
    assert!(outcome.shared.residual.after.weighted_db < 0.005);
}

#[test]
fn each_side_keeps_its_own_sections() {
    let known = known();
    let left = vec![known[1]];
    let right = vec![known[2], known[3]];
    let asked = FitRequest {
        kept: [left.clone(), right.clone()],
        protection: bandwright::headroom::Protection::default(),
        most_loudness_loss_db: None,
        economy: 0.0,
        ..request(
            vec![
                take("left", Side::Left, &known, None),
                take("right", Side::Right, &known[1..], None),
            ],
            limits(1, 2, 1),
        )
    };
    let outcome = fits::run_per_side(&asked).unwrap();
    for (side, kept) in outcome.channels.iter().zip([left, right]) {
        for section in &kept {
            assert!(side.sections.contains(section));
        }
        assert_eq!(side.kept.len(), kept.len());
        asked.limits.allows(&side.sections).unwrap();
    }
    // One low shelf and one peaking section a side is what the fuller side leaves: both sides lack a shelf or a peak.
    assert!(outcome.shared.residual.after.weighted_db < outcome.shared.residual.before.weighted_db);
    let both = fits::run(&asked).unwrap_err();
    assert_eq!(both.kind, ErrorKind::Setting);
    assert_eq!(both.fault(), Some(&JobFault::KeptSides));
    let named = both.worded(&|knob| format!("<{knob}>"));
    assert!(named.next_step.contains("with <per side>,"), "{both}");
}

#[test]
fn kept_sections_that_make_it_worse_are_refused() {
    let known = [section(Shape::Peaking, 1000.0, 2.0, 1.0)];
    let kept = [100.0, 6000.0].map(|f0_hz| section(Shape::Peaking, f0_hz, -12.0, 0.5));
    let kept = kept.to_vec();
    let asked = FitRequest {
        kept: [kept.clone(), kept],
        ..request(
            vec![take("take", Side::Unknown, &known, None)],
            limits(0, 3, 0),
        )
    };
    let error = fits::run(&asked).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Refused);
    assert!(error.found().contains("kept"), "{error}");
}

/// A sheet with these sections, through the program's own hands.
fn sheet_of(sections: &[Section], limits: &Limits) -> String {
    let asked = FitRequest {
        kept: [sections[1..].to_vec(), sections[1..].to_vec()],
        ..request(
            vec![take("take", Side::Unknown, sections, None)],
            limits.clone(),
        )
    };
    let outcome = fits::run(&asked).unwrap();
    sheet::write(&Sheet::from_outcome(&outcome, limits).unwrap()).unwrap()
}

#[test]
fn sections_of_a_sheet_from_which_some_were_taken_out_can_be_kept() {
    let limits = limits(1, 2, 1);
    let text = sheet_of(&known(), &limits);
    let start = text.find("\n[[section]]").unwrap();
    let end = start + 1 + text[start + 1..].find("\n[[section]]").unwrap();
    let shorter = [&text[..start], &text[end..]].concat();
    let [left, right] = read_kept(shorter.as_bytes(), "short.sheet.toml", &limits).unwrap();
    assert_eq!(left, right);
    assert_eq!(left, known()[1..]);
    // The whole sheet leaves nothing to fit.
    let error = read_kept(text.as_bytes(), "whole.sheet.toml", &limits).unwrap_err();
    assert_eq!(error.place.source, "whole.sheet.toml");
    assert!(error.to_string().contains("leave no other"), "{error}");
}

#[test]
fn what_cannot_be_kept_is_named_with_file_line_and_key() {
    let wide = limits(1, 4, 1);
    let text = sheet_of(&known(), &wide);
    let line_of = |needle: &str| 1 + text.lines().position(|line| line == needle).unwrap();
    let narrow = Limits {
        gain_db: Setting::Range {
            min: -5.5,
            max: 5.5,
        },
        ..wide.clone()
    };
    let error = read_kept(text.as_bytes(), "my.sheet.toml", &narrow).unwrap_err();
    assert_eq!(error.place.source, "my.sheet.toml");
    assert_eq!(error.place.key.as_deref(), Some("section[4].gain_db"));
    assert_eq!(error.place.line, Some(line_of("gain_db = -6.0")));
    for (damage, with, key) in [
        (
            "shape = \"peaking\"",
            "shape = \"peeking\"",
            "section[2].shape",
        ),
        ("gain_db = -6.0", "gain_db = nan", "section[4].gain_db"),
        ("gain_db = -6.0", "gain = -6.0", "section[4].gain"),
    ] {
        let damaged = text.replacen(damage, with, 1);
        let error = read_kept(damaged.as_bytes(), "my.sheet.toml", &wide).unwrap_err();
        assert_eq!(error.place.key.as_deref(), Some(key), "{error}");
        assert!(error.place.line.is_some());
    }
    for nonsense in [
        "",
        "format = 2\n",
        "format = 1\n",
        "section = 3",
        "[[section]]",
    ] {
        let error = read_kept(nonsense.as_bytes(), "my.sheet.toml", &wide).unwrap_err();
        assert_eq!(error.place.source, "my.sheet.toml");
    }
}

#[test]
fn keep_and_auto_on_the_command_line() {
    let folder = tempfile::tempdir().unwrap();
    let demo = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-data/");
    let unit = format!("{demo}dunlin/dunlin.unit.toml");
    let run = |more: &[&str]| {
        let mut command = Command::cargo_bin("bandwright").unwrap();
        command.current_dir(folder.path());
        command
            .args(["fit", &unit, "--target", "diffuse-field"])
            .args(more);
        command.output().unwrap()
    };
    let first = run(&["--sections", "2", "-o", "two.sheet.toml", "--quiet"]);
    assert!(first.status.success());
    let more = run(&[
        "--keep",
        "two.sheet.toml",
        "--sections",
        "4",
        "-o",
        "four.sheet.toml",
        "--json",
    ]);
    let document: serde_json::Value = serde_json::from_slice(&more.stdout).unwrap();
    let sections = document["sections"].as_array().unwrap();
    assert!(sections.len() <= 4);
    assert_eq!(sections.iter().filter(|s| s["kept"] == true).count(), 2);
    assert_eq!(document["enough"], serde_json::Value::Null);
    let four = fs::read(folder.path().join("four.sheet.toml")).unwrap();
    let two = fs::read(folder.path().join("two.sheet.toml")).unwrap();
    let (two, four) = (sheet::read(&two, "two"), sheet::read(&four, "four"));
    let (two, four) = (two.unwrap(), four.unwrap());
    for section in &two.channels[0].sections {
        assert!(four.channels[0].sections.contains(section));
    }
    // What is kept is not written over.
    let clash = run(&["--keep", "two.sheet.toml", "-o", "two.sheet.toml"]);
    assert_eq!(clash.status.code(), Some(2));

    let auto = run(&["--sections", "auto", "--json"]);
    let document: serde_json::Value = serde_json::from_slice(&auto.stdout).unwrap();
    let enough = document["enough"]["sections"].as_u64().unwrap();
    assert!(document["sections"].as_array().unwrap().len() as u64 <= enough);
    assert_eq!(document["reach"].as_array().unwrap().len(), 9);
    let least_gain_db = document["enough"]["least_gain_db"].as_f64().unwrap();
    assert_eq!(least_gain_db, 0.075);
    let wrong = run(&["--sections", "automatic"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("`auto`"));
    let wrong = run(&["--sections", "auto", "--least-gain", "-1"]);
    assert_eq!(wrong.status.code(), Some(2));
}

proptest! {
    #[test]
    fn needed_is_the_fewest_after_which_no_more_are_worth_their_place(
        falls in prop::collection::vec(0.0..1.0_f64, 0..12),
        least_gain_db in 0.0..0.8_f64,
    ) {
        let mut residual_db = vec![falls.iter().sum::<f64>()];
        for fall in &falls {
            residual_db.push(residual_db[residual_db.len() - 1] - fall);
        }
        let needed = needed(&residual_db, least_gain_db);
        let gain = |few: usize, more: usize| residual_db[few] - residual_db[more];
        let worth = |few: usize| {
            (few + 1..residual_db.len()).any(|more| gain(few, more) >= (more - few) as f64 * least_gain_db)
        };
        prop_assert!(!worth(needed));
        prop_assert!((0..needed).all(worth));
    }
}

#[test]
fn a_cascade_of_known_sections_asks_for_no_more_than_it_has() {
    let cases = planted::cases(40, &[2, 3, 4, 5, 6, 7]);
    let outcomes: Vec<(usize, usize, f64)> = cases
        .par_iter()
        .map(|case| {
            let asked = FitRequest {
                least_gain_db: Some(0.03),
                effort: Effort::Normal,
                ..request(
                    vec![take("take", Side::Unknown, &case.sections, None)],
                    limits(1, 8, 1),
                )
            };
            let outcome = fits::run(&asked).unwrap();
            let sections = outcome.channels[0].sections.len();
            let enough = outcome.shared.enough.unwrap();
            assert!(sections <= enough.sections);
            assert_eq!(outcome.channels[0].reach.len(), 11);
            (
                case.sections.len(),
                sections,
                outcome.shared.residual.after.weighted_db,
            )
        })
        .collect();
    let kept_to =
        |(planted, found, rms_db): &&(usize, usize, f64)| found <= planted && *rms_db < 0.1;
    let good = outcomes.iter().filter(kept_to).count();
    println!("{good} of 40: {outcomes:?}");
    assert!(good >= 36, "{good} of 40: {outcomes:?}");
}

#[test]
fn what_brings_less_than_is_asked_of_a_section_gets_none() {
    let random = &mut Random::new(5);
    let known = [
        section(Shape::Peaking, 300.0, 6.0, 0.7),
        section(Shape::Peaking, 2000.0, 0.8, 2.0),
    ];
    let takes = (0..5)
        .map(|i| {
            take(
                &format!("take {i}"),
                Side::Left,
                &known,
                Some((random, 0.8)),
            )
        })
        .collect();
    let asked = FitRequest {
        least_gain_db: Some(0.5),
        ..request(takes, limits(0, 6, 0))
    };
    let outcome = fits::run(&asked).unwrap();
    let enough = outcome.shared.enough.unwrap();
    assert_eq!(enough.least_gain_db, 0.5);
    assert_eq!(outcome.channels[0].sections.len(), 1);
    assert!((outcome.channels[0].sections[0].f0_hz / 300.0 - 1.0).abs() < 0.1);
}
