//! Real ear responses: twelve directions of a manikin's ear, fitted toward its diffuse-field average.
//!
//! Data: W. G. Gardner and K. D. Martin, "HRTF measurements of a KEMAR dummy-head microphone", MIT Media
//! Lab Perceptual Computing Technical Report 280, 1994; see `tests/reference/PROVENANCE.md`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::support::fits::{self, FitRequest};
use assert_cmd::Command;
use bandwright::filter::{Section, Shape};
use bandwright::fit::search::shelf_reading::mirrored;
use bandwright::headroom::{Guard, Protection, guarded};
use bandwright::job::{AS_GOOD_DB, ECONOMY, LEAST_GAIN_DB};
use bandwright::limits::{Limits, Setting};
use bandwright::measurement::Curve;
use bandwright::measurement::grid;
use bandwright::measurement::judge::Settings;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take};
use bandwright::wanted::{Target, library};

/// All numbers of a table of the reference folder, row by row, with its header.
fn table(name: &str) -> (Vec<String>, Vec<Vec<f64>>) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference/ear")
        .join(name);
    let mut reader = csv::Reader::from_path(path).unwrap();
    let header = reader
        .headers()
        .unwrap()
        .iter()
        .map(str::to_owned)
        .collect();
    let rows = reader
        .records()
        .map(|row| {
            row.unwrap()
                .iter()
                .map(|value| value.parse().unwrap())
                .collect()
        })
        .collect();
    (header, rows)
}

fn on_grid(name: &str, rows: &[Vec<f64>], column: usize) -> grid::OnGrid {
    let frequency_hz = rows.iter().map(|row| row[0]).collect();
    let level_db = rows.iter().map(|row| row[column]).collect();
    grid::resample(&Curve::new(name, frequency_hz, level_db, None).unwrap()).unwrap()
}

fn take(name: &str, rows: &[Vec<f64>], column: usize) -> Take {
    Take {
        name: name.to_owned(),
        side: Side::Unknown,
        on_grid: on_grid(name, rows, column),
    }
}

#[test]
fn eight_sections_bring_every_real_ear_closer_to_the_diffuse_field_average() {
    let (_, mut field) = table("kemar_diffuse_field.csv");
    // Support 2: measured and usable.
    field.retain(|row| row[3] == 2.0);
    let target = Target::of_curve(
        "diffuse-field average of the same manikin",
        "Gardner and Martin 1994",
        on_grid("diffuse field", &field, 1),
    );
    let (directions, rows) = table("kemar_12_ear.csv");
    let mut shares = Vec::new();
    println!("direction            before dB   after dB");
    for (column, name) in directions.iter().enumerate().skip(1) {
        let take = take(name, &rows, column);
        let outcome = fits::run(&FitRequest {
            judging: Settings {
                rig: Rig::Flat,
                ..Settings::default()
            },
            target: Some(target.clone()),
            ..FitRequest::new(name.clone(), vec![take], Limits::standard())
        })
        .unwrap();
        let (before, after) = (
            outcome.shared.residual.before,
            outcome.shared.residual.after,
        );
        println!(
            "{name:20} {:9.2} {:10.2}",
            before.weighted_db, after.weighted_db
        );
        assert!(outcome.channels[0].sections.len() <= 8);
        assert!(after.weighted_db < 0.5 * before.weighted_db, "{name}");
        shares.push(after.weighted_db / before.weighted_db);
    }
    assert_eq!(shares.len(), 12);
}

#[test]
fn presets_for_real_ears_fill_no_dip_twice_and_keep_the_preamp_in_reach() {
    let no_files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
    let (directions, rows) = table("kemar_12_ear.csv");
    for target in ["flat", "diffuse-field"] {
        for (column, name) in directions.iter().enumerate().skip(1) {
            let take = take(name, &rows, column);
            let outcome = fits::run(&FitRequest {
                target: Some(library::resolve(target, &no_files).unwrap()),
                this_ear: false,
                as_good_db: AS_GOOD_DB,
                least_gain_db: Some(LEAST_GAIN_DB),
                economy: ECONOMY,
                ..FitRequest::new("an ear", vec![take], Limits::standard())
            })
            .unwrap();
            assert!(outcome.shared.headroom.preamp_db >= -10.0);
            let sections = &outcome.channels[0].sections;
            let boosts = || {
                sections
                    .iter()
                    .filter(|s| s.shape == Shape::Peaking && s.gain_db > 3.0)
            };
            for (index, one) in boosts().enumerate() {
                for other in boosts().skip(index + 1) {
                    let apart_octaves = (one.f0_hz / other.f0_hz).log2().abs();
                    assert!(apart_octaves > 1.0 / 6.0, "{name} {target}: {sections:?}");
                }
            }
            // No preamp is spent on how a shelf reads: what is wasted, no other reading that the limits allow saves.
            let own_db = wasted_db(sections).unwrap();
            for read in other_readings(sections) {
                let allowed = Limits::standard().allows(&read).is_ok();
                let saves = || wasted_db(&read).is_some_and(|db| db < own_db - 0.1 - 1e-9);
                assert!(
                    !allowed || !saves(),
                    "{name} {target}: {sections:?} wastes {own_db}, {read:?} less"
                );
            }
            // Where the rig is less than trusted, boosts are gentle, and no peaking section stands above the trusted band.
            for section in sections.iter().filter(|s| s.shape == Shape::Peaking) {
                assert!(section.f0_hz < 10_700.0, "{section:?}");
                let is_gentle = section.gain_db <= 4.0 && section.q <= 2.0;
                assert!(
                    section.f0_hz < 8000.0 || is_gentle || section.gain_db < 0.0,
                    "{section:?}"
                );
            }
        }
    }
}

/// By how much the preamp and the largest gain together stay below 0 dB; None where the preamp is out of reach.
fn wasted_db(sections: &[Section]) -> Option<f64> {
    let limits = Limits::standard();
    let protection = Protection::default();
    let headroom = guarded(sections, &limits.rates_hz, &limits.preamp_db, protection).ok()?;
    Some(-headroom.preamp_db - headroom.peak_gain_db)
}

/// The sections with one shelf or more replaced by its mirror, which differs only in level.
fn other_readings(sections: &[Section]) -> Vec<Vec<Section>> {
    let mut readings = vec![sections.to_vec()];
    for (index, section) in sections.iter().enumerate() {
        let Some(other) = mirrored(section) else {
            continue;
        };
        for mut read in readings.clone() {
            read[index] = other;
            readings.push(read);
        }
    }
    readings.split_off(1)
}

#[test]
fn more_preamp_for_any_signal_leaves_no_more_and_what_a_general_optimiser_leaves() {
    // What SLSQP leaves from five starts for these two: tests/benches/RESULTS.md, ceilings.
    let leaves_db: [(f64, f64); 2] = [(3.0, 0.218), (6.0, 0.198)];
    let folder = tempfile::tempdir().unwrap();
    let limits = folder.path().join("continuous.limits.toml");
    let mut before_db = f64::INFINITY;
    for (preamp_db, slsqp_db) in leaves_db {
        let text = format!(
            "format = 1\nname = \"continuous\"\nsections = 8\nrates_hz = [44100]\n\
             preamp_db = {{ min = -{preamp_db}, max = 0, step = 0.01 }}\nf0_hz = {{ min = 20, max = 20000 }}\n\
             gain_db = {{ min = -12, max = 6 }}\nq = {{ min = 0.3, max = 6 }}\nshelf_q = {{ min = 0.4, max = 1 }}\n\
             [shapes]\nlow-shelf = 1\npeaking = 6\nhigh-shelf = 1\n"
        );
        std::fs::write(&limits, text).unwrap();
        let done = Command::cargo_bin("bandwright")
            .unwrap()
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .args(["fit", "demo-data/fieldfare-wool/fieldfare-wool.unit.toml"])
            .args(["--target", "long-listening", "--limits"])
            .arg(&limits)
            .args(["--guard", "any-signal", "--sections", "all", "--this-ear"])
            .args(["--as-good", "0", "--economy", "0", "--json"])
            .output()
            .unwrap();
        let document: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
        let residual_db = document["residual"]["after"]["weighted_db"]
            .as_f64()
            .unwrap();
        assert!(
            residual_db <= f64::max(1.03 * slsqp_db, slsqp_db + 0.01),
            "{preamp_db} dB: {residual_db}"
        );
        assert!(residual_db <= before_db, "{preamp_db} dB: {residual_db}");
        before_db = residual_db;
    }
}

#[test]
fn little_preamp_for_any_signal_refuses_no_ear() {
    let no_files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
    let (directions, rows) = table("kemar_12_ear.csv");
    // Among these are ears that were once refused.
    for column in [3, 4, 5, 10] {
        let name = &directions[column];
        let mut before_db = f64::INFINITY;
        for preamp_db in [0.0, 1.0, 3.0] {
            let mut limits = Limits::standard();
            limits.preamp_db = Setting::Range {
                min: -preamp_db,
                max: 0.0,
            };
            let outcome = fits::run(&FitRequest {
                target: Some(library::resolve("flat", &no_files).unwrap()),
                protection: Protection {
                    guard: Guard::AnySignal,
                    ..Protection::default()
                },
                ..FitRequest::new("an ear", vec![take(name, &rows, column)], limits)
            })
            .unwrap_or_else(|error| panic!("{name}, {preamp_db} dB: {error}"));
            let headroom = outcome.shared.headroom;
            assert!(
                headroom.any_signal_gain_db <= preamp_db + 1e-6,
                "{name}: {headroom:?}"
            );
            // A decibel of preamp is worth more than what two searches differ by.
            let residual_db = outcome.shared.residual.after.weighted_db;
            assert!(
                residual_db < before_db + 0.1,
                "{name}, {preamp_db} dB: {residual_db}"
            );
            before_db = residual_db;
        }
    }
}
