//! The demo's files are what their generator writes, say that they are invented, and hold what was planted.
//!
//! The reader here is the tests' own, so that a fault in the library's cannot hide one in the data.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;

#[allow(dead_code)]
#[path = "../../demo-data/make_demo_data.rs"]
mod make_demo_data;

/// Stated in demo-data/README.md.
const MOST_BYTES: u64 = 1_000_000;

const NOT_GENERATED: [&str; 3] = [".gitattributes", "README.md", "make_demo_data.rs"];

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data")
}

fn text(name: &str) -> String {
    fs::read_to_string(demo().join(name)).unwrap_or_else(|why| panic!("{name}: {why}"))
}

/// Every file of the folder, with `/` between folders.
fn files_on_disk() -> BTreeSet<String> {
    fn walk(folder: &Path, prefix: &str, found: &mut BTreeSet<String>) {
        for entry in fs::read_dir(folder).unwrap() {
            let entry = entry.unwrap();
            let name = format!("{prefix}{}", entry.file_name().to_str().unwrap());
            if entry.file_type().unwrap().is_dir() {
                walk(&entry.path(), &format!("{name}/"), found);
            } else {
                found.insert(name);
            }
        }
    }
    let mut found = BTreeSet::new();
    walk(&demo(), "", &mut found);
    found
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Planted {
    format: u32,
    unit: Vec<Unit>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Unit {
    folder: String,
    level_at_1_khz_db_spl: f64,
    vent_corner_hz: f64,
    side_only: Vec<toml::Table>,
    take: Vec<Take>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Take {
    side: String,
    file: String,
    sound: bool,
    level_db: f64,
    bass_db: f64,
    resonance_hz: f64,
    resonance_gain_db: f64,
    dip_hz: Option<f64>,
    leak_at_30_hz_db: Option<f64>,
    leak_corner_hz: Option<f64>,
    really_of: Option<String>,
}

fn planted() -> Planted {
    toml::from_str(&text("planted.toml")).unwrap()
}

fn unit(folder: &str) -> Unit {
    let mut units = planted().unit;
    units.retain(|unit| unit.folder == folder);
    units.pop().unwrap()
}

/// Rows of numbers; whatever is no row of numbers is a header.
fn rows(name: &str) -> Vec<Vec<f64>> {
    text(name)
        .lines()
        .filter_map(|line| {
            let line = line.trim_end();
            let fields: Vec<String> = if line.contains('\t') {
                line.split('\t').map(str::to_owned).collect()
            } else if line.contains(';') {
                line.split(';').map(|f| f.replace(',', ".")).collect()
            } else {
                line.split(',').map(str::to_owned).collect()
            };
            fields.iter().map(|field| field.parse().ok()).collect()
        })
        .collect()
}

struct Curve(Vec<Vec<f64>>);

impl Curve {
    fn of(name: &str) -> Self {
        Self(rows(name))
    }

    /// Column `column` at `frequency_hz`, by a straight line over log frequency.
    fn at(&self, frequency_hz: f64, column: usize) -> f64 {
        let after = self.0.partition_point(|row| row[0] < frequency_hz).max(1);
        let (a, b) = (&self.0[after - 1], &self.0[after]);
        let part = (frequency_hz / a[0]).ln() / (b[0] / a[0]).ln();
        a[column] + part * (b[column] - a[column])
    }

    /// Mean level over 1/24 octaves from `low_hz` to `high_hz`, dB.
    fn mean_db(&self, low_hz: f64, high_hz: f64) -> f64 {
        let levels = points_hz(low_hz, high_hz).map(|f_hz| self.at(f_hz, 1));
        levels.clone().sum::<f64>() / levels.count() as f64
    }

    /// Level at `frequency_hz` (mean over a sixth of an octave) over that of the middle, 500 Hz to 1.5 kHz.
    fn over_middle_db(&self, frequency_hz: f64) -> f64 {
        let half = (1.0_f64 / 12.0).exp2();
        self.mean_db(frequency_hz / half, frequency_hz * half) - self.mean_db(500.0, 1500.0)
    }

    /// Root mean square of the difference to `other`, 100 Hz to 5 kHz, each over its own middle.
    fn distance_db(&self, other: &Self) -> f64 {
        let differences = points_hz(100.0, 5000.0)
            .map(|f_hz| (self.over_middle_db(f_hz) - other.over_middle_db(f_hz)).powi(2));
        (differences.clone().sum::<f64>() / differences.count() as f64).sqrt()
    }

    /// Centre of the points within 1 dB of the top (`sign` 1) or bottom (-1) between two frequencies.
    fn extremum_hz(&self, low_hz: f64, high_hz: f64, sign: f64) -> f64 {
        let inside = self.0.iter().filter(|r| r[0] > low_hz && r[0] < high_hz);
        let top = inside
            .clone()
            .map(|row| sign * row[1])
            .fold(f64::MIN, f64::max);
        let near: Vec<f64> = inside
            .filter(|row| sign * row[1] > top - 1.0)
            .map(|row| row[0].ln())
            .collect();
        (near.iter().sum::<f64>() / near.len() as f64).exp()
    }
}

fn points_hz(low_hz: f64, high_hz: f64) -> impl Iterator<Item = f64> + Clone {
    let count = (24.0 * (high_hz / low_hz).log2()).ceil() as u32;
    (0..=count).map(move |i| low_hz * (high_hz / low_hz).powf(f64::from(i) / f64::from(count)))
}

impl Unit {
    fn curve(&self, take: &Take) -> Curve {
        Curve::of(&format!("{}/{}", self.folder, take.file))
    }

    fn sound(&self, side: &str) -> impl Iterator<Item = Curve> + Clone {
        self.take
            .iter()
            .filter(move |take| take.sound && take.side == side)
            .map(|take| self.curve(take))
    }

    fn mean_of_sound(&self, side: &str, measure: impl Fn(&Curve) -> f64) -> f64 {
        let values = self.sound(side).map(|curve| measure(&curve));
        values.clone().sum::<f64>() / values.count() as f64
    }

    fn match_db(&self, frequency_hz: f64) -> f64 {
        let of = |side| self.mean_of_sound(side, |curve| curve.over_middle_db(frequency_hz));
        of("left") - of("right")
    }
}

#[test]
fn the_generator_writes_the_committed_files_byte_for_byte() {
    let generated = make_demo_data::files();
    for (name, wanted) in &generated {
        let found = fs::read(demo().join(name)).unwrap_or_else(|why| panic!("{name}: {why}"));
        assert!(
            found == wanted.as_bytes(),
            "{name} is not what the generator writes"
        );
    }
    let mut names: BTreeSet<String> = generated.into_iter().map(|(name, _)| name).collect();
    names.extend(NOT_GENERATED.map(str::to_owned));
    assert_eq!(files_on_disk(), names);
}

#[test]
fn every_data_file_says_at_its_head_that_it_is_invented() {
    for name in files_on_disk() {
        let text = text(&name);
        if NOT_GENERATED.contains(&name.as_str()) {
            continue;
        }
        assert!(
            text.starts_with(make_demo_data::INVENTED.trim_end()),
            "{name}"
        );
    }
    for name in ["README.md", "make_demo_data.rs"] {
        let head: String = text(name).chars().take(200).collect();
        assert!(head.contains("invented"), "{name}");
    }
}

#[test]
fn the_folder_stays_below_its_stated_size() {
    let bytes: u64 = files_on_disk()
        .iter()
        .map(|name| fs::metadata(demo().join(name)).unwrap().len())
        .sum();
    assert!(bytes < MOST_BYTES, "{bytes} bytes");
}

/// First outputs from seed 1234567, as several implementations of SplitMix64 publish them (from memory).
#[test]
fn chance_is_splitmix64() {
    let mut random = make_demo_data::Random(1_234_567);
    for bits in [
        6_457_827_717_110_365_317,
        3_203_168_211_198_807_973,
        9_817_491_932_198_370_423,
        4_593_380_528_125_082_431,
        16_408_922_859_458_223_821,
    ] {
        assert_eq!(random.next_bits(), bits);
    }
}

#[test]
fn takes_have_the_columns_and_frequencies_that_the_readme_states() {
    for (folder, first_hz, last_hz, points, columns) in [
        (
            "fieldfare-wool",
            20.0,
            20.0 * (478.0_f64 / 48.0).exp2(),
            479,
            2,
        ),
        (
            "fieldfare-mesh",
            10.0,
            20.0 * (491.0_f64 / 48.0).exp2(),
            540,
            2,
        ),
        ("dunlin", 12.0, 24_000.0, 2000, 3),
    ] {
        let unit = unit(folder);
        for take in &unit.take {
            let rows = unit.curve(take).0;
            assert_eq!(rows.len(), points, "{folder}/{}", take.file);
            assert!(rows.iter().all(|row| row.len() == columns));
            assert!(rows.windows(2).all(|pair| pair[0][0] < pair[1][0]));
            assert_eq!(rows[0][0], first_hz);
            assert!((rows[points - 1][0] - last_hz).abs() < 0.01);
        }
    }
    let mesh = text("fieldfare-mesh/left-1.csv");
    assert_eq!(mesh.matches("\r\n").count(), mesh.lines().count());
    assert!(mesh.contains("\r\n10,00;") && text("dunlin/left-1.txt").contains("\n12\t"));
}

#[test]
fn unit_files_list_every_take_with_its_side() {
    for unit in planted().unit {
        let name = format!("{0}/{0}.unit.toml", unit.folder);
        let file: toml::Table = toml::from_str(&text(&name)).unwrap();
        assert_eq!(file["format"].as_integer(), Some(1));
        assert_eq!(file["rig"].as_str(), Some("iec-60318-4"));
        let listed: Vec<(&str, &str)> = file["take"]
            .as_array()
            .unwrap()
            .iter()
            .map(|take| {
                (
                    take["side"].as_str().unwrap(),
                    take["file"].as_str().unwrap(),
                )
            })
            .collect();
        let planted: Vec<(&str, &str)> = unit
            .take
            .iter()
            .map(|take| (take.side.as_str(), take.file.as_str()))
            .collect();
        assert_eq!(listed, planted);
        assert!(listed.iter().all(|(side, file)| file.starts_with(side)));
        let on_disk = files_on_disk();
        let takes = on_disk.iter().filter(|name| {
            name.strip_prefix(&format!("{}/", unit.folder))
                .is_some_and(|file| file.starts_with("left") || file.starts_with("right"))
        });
        assert_eq!(takes.count(), listed.len());
    }
}

#[test]
fn levels_at_1_khz_follow_from_sensitivity_impedance_and_30_mv() {
    for unit in planted().unit {
        let name = format!("{0}/{0}.unit.toml", unit.folder);
        let file: toml::Table = toml::from_str(&text(&name)).unwrap();
        let sensitivity_db = file["sensitivity_db_per_mw"].as_float().unwrap();
        let impedance_ohm = match &file["impedance_ohm"] {
            toml::Value::String(file) => {
                let rows = rows(&format!("{}/{file}", unit.folder));
                let at_1_khz = rows.iter().find(|row| row[0] == 1000.0);
                at_1_khz.unwrap()[1]
            }
            number => number.as_float().unwrap(),
        };
        let wanted_db = sensitivity_db + 10.0 * (1000.0 * 0.03 * 0.03 / impedance_ohm).log10();
        assert!((wanted_db - unit.level_at_1_khz_db_spl).abs() < 0.005);
        for side in ["left", "right"] {
            let found_db = unit.mean_of_sound(side, |curve| curve.mean_db(971.0, 1029.0));
            assert!(
                (found_db - wanted_db).abs() < 0.5,
                "{} {side}: {found_db:.2} dB SPL, {wanted_db:.2} stated",
                unit.folder
            );
        }
    }
}

#[test]
fn the_source_bends_the_wool_unit_by_more_than_a_decibel() {
    let source: toml::Table = toml::from_str(&text("pocket-amplifier.source.toml")).unwrap();
    let output_ohm = source["output_ohm"].as_float().unwrap();
    let rows = rows("fieldfare-wool/impedance.csv");
    assert!(rows[0][0] < 20.0 && rows[rows.len() - 1][0] > 20_000.0);
    // |Z / (Z + R)| with Z from magnitude and phase.
    let loss_db = rows.iter().map(|row| {
        let (sin, cos) = row[2].to_radians().sin_cos();
        let (real, imaginary) = (row[1] * cos, row[1] * sin);
        20.0 * (row[1] / (real + output_ohm).hypot(imaginary)).log10()
    });
    let (least, most) = loss_db.fold((f64::MAX, f64::MIN), |(least, most), db| {
        (least.min(db), most.max(db))
    });
    assert!(most - least > 1.0, "{least} to {most} dB");
    // A passive two-pole: a resistance that is never negative.
    assert!(rows.iter().all(|row| row[2].abs() < 90.0));
    // A volume above what the amplifier can give would be none.
    let volts = |key: &str| source[key].as_float().unwrap();
    assert!(volts("full_scale_v") <= volts("max_voltage_v"));
}

#[test]
fn distortion_rises_in_the_bass_and_with_level() {
    let at = |level: u32| rows(&format!("fieldfare-wool/distortion-{level}.csv"));
    let (soft, loud) = (at(94), at(104));
    assert_eq!(soft.len(), loud.len());
    for (soft, loud) in soft.iter().zip(&loud) {
        assert_eq!(soft[0], loud[0]);
        // 10 dB more triple a second harmonic, about; none of it reaches 5 %.
        let ratio = loud[1] / soft[1];
        assert!((2.5..4.0).contains(&ratio), "{ratio} at {} Hz", soft[0]);
        assert!(soft[1] > 0.0 && loud[1] < 5.0);
    }
    assert!(soft[0][1] > 5.0 * soft[soft.len() - 1][1]);
    let file: toml::Table =
        toml::from_str(&text("fieldfare-wool/fieldfare-wool.unit.toml")).unwrap();
    let levels: Vec<i64> = file["distortion"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| {
            let level = entry["level_db_spl"].as_integer().unwrap();
            assert_eq!(
                entry["file"].as_str().unwrap(),
                format!("distortion-{level}.csv")
            );
            level
        })
        .collect();
    assert_eq!(levels, [94, 104]);
}

#[test]
fn seatings_stay_within_their_stated_ranges() {
    let planted = planted();
    assert_eq!(planted.format, 1);
    for unit in planted.unit {
        assert!(unit.vent_corner_hz < 10.0 && !unit.side_only.is_empty());
        let hz: Vec<f64> = unit.take.iter().map(|take| take.resonance_hz).collect();
        let range_hz =
            hz.iter().fold(f64::MIN, |a, &b| a.max(b)) - hz.iter().fold(f64::MAX, |a, &b| a.min(b));
        assert!((300.0..700.0).contains(&range_hz), "{range_hz} Hz");
        for take in unit.take {
            assert!(take.level_db.abs() <= 0.3 && take.bass_db.abs() <= 0.3);
            assert!((6.0..10.0).contains(&take.resonance_gain_db));
        }
    }
}

#[test]
fn the_mesh_unit_s_resonance_moves_by_about_600_hz_over_its_takes() {
    let hz: Vec<f64> = unit("fieldfare-mesh")
        .take
        .iter()
        .map(|take| take.resonance_hz)
        .collect();
    let range_hz =
        hz.iter().fold(f64::MIN, |a, &b| a.max(b)) - hz.iter().fold(f64::MAX, |a, &b| a.min(b));
    assert!((range_hz - 600.0).abs() < 30.0, "{range_hz} Hz");
}

#[test]
fn sound_takes_of_a_side_agree() {
    for unit in planted().unit {
        for side in ["left", "right"] {
            let curves: Vec<Curve> = unit.sound(side).collect();
            assert!(curves.len() >= 2);
            for curve in &curves {
                let distance_db = curve.distance_db(&curves[0]);
                assert!(
                    distance_db < 0.6,
                    "{} {side}: {distance_db:.2} dB",
                    unit.folder
                );
            }
        }
    }
}

#[test]
fn leaked_takes_lose_what_was_planted() {
    let mut losses_db = Vec::new();
    for unit in planted().unit {
        for take in &unit.take {
            let (Some(loss_db), Some(corner_hz)) = (take.leak_at_30_hz_db, take.leak_corner_hz)
            else {
                assert!(take.leak_at_30_hz_db.is_none() && take.leak_corner_hz.is_none());
                continue;
            };
            losses_db.push(loss_db);
            assert!(!take.sound && take.really_of.is_none());
            let at_30_hz_db = 10.0 * (1.0 + (corner_hz / 30.0_f64).powi(2)).log10();
            assert!((at_30_hz_db - loss_db).abs() < 0.01);
            let leaked = unit.curve(take);
            // Linear bins are few at 30 Hz: the sound takes are read through the same few.
            for (f_hz, planted_db) in [(30.0, loss_db), (corner_hz, 3.01)] {
                let found_db = unit.mean_of_sound(&take.side, |sound| sound.over_middle_db(f_hz))
                    - leaked.over_middle_db(f_hz);
                assert!(
                    (found_db - planted_db).abs() < 0.5,
                    "{}/{} at {f_hz:.1} Hz: {found_db:.2} dB, {planted_db:.2} planted",
                    unit.folder,
                    take.file
                );
            }
        }
    }
    losses_db.sort_by(f64::total_cmp);
    assert_eq!(losses_db, [3.0, 3.0, 3.5, 5.0, 6.0, 8.0, 8.0]);
}

#[test]
fn a_leak_turns_the_phase_as_a_first_order_high_pass_does() {
    let unit = unit("dunlin");
    for take in unit.take.iter().filter(|take| !take.sound) {
        let corner_hz = take.leak_corner_hz.unwrap();
        for f_hz in [24.0, 48.0, 96.0, 192.0] {
            let leaked_deg = unit.curve(take).at(f_hz, 2);
            let sound_deg = unit.mean_of_sound(&take.side, |sound| sound.at(f_hz, 2));
            let planted_deg = (corner_hz / f_hz).atan().to_degrees();
            assert!(
                (leaked_deg - sound_deg - planted_deg).abs() < 3.0,
                "{} at {f_hz} Hz: {leaked_deg} less {sound_deg:.1}, {planted_deg:.1} planted",
                take.file
            );
        }
    }
}

#[test]
fn the_mislabelled_mesh_take_is_of_the_wool_insert() {
    let (mesh, wool) = (unit("fieldfare-mesh"), unit("fieldfare-wool"));
    let mislabelled: Vec<&Take> = mesh
        .take
        .iter()
        .filter(|take| take.really_of.is_some())
        .collect();
    assert!(!mislabelled[0].sound);
    assert_eq!(mislabelled.len(), 1);
    let take = mislabelled[0];
    assert_eq!(take.really_of.as_deref(), Some("fieldfare-wool"));
    let curve = mesh.curve(take);
    for other in mesh.sound(&take.side) {
        assert!(curve.distance_db(&other) > 1.5);
    }
    for other in wool.sound(&take.side) {
        assert!(curve.distance_db(&other) < 0.5);
    }
}

#[test]
fn the_coupler_resonance_peaks_where_it_was_planted() {
    for unit in planted().unit {
        for take in &unit.take {
            let found_hz = unit.curve(take).extremum_hz(7000.0, 9500.0, 1.0);
            assert!(
                (found_hz / take.resonance_hz - 1.0).abs() < 0.015,
                "{}/{}: {found_hz:.0} Hz, {} planted",
                unit.folder,
                take.file,
                take.resonance_hz
            );
        }
    }
}

#[test]
fn the_dunlin_has_a_dip_that_wanders_further_than_it_is_wide() {
    let unit = unit("dunlin");
    let mut found_hz = Vec::new();
    for take in &unit.take {
        let dip_hz = take.dip_hz.unwrap();
        let hz = unit.curve(take).extremum_hz(4500.0, 6500.0, -1.0);
        assert!(
            (hz / dip_hz - 1.0).abs() < 0.02,
            "{}: {hz:.0} Hz, {dip_hz} planted",
            take.file
        );
        found_hz.push(hz);
    }
    found_hz.sort_by(f64::total_cmp);
    let width_hz = 5500.0 / 9.0;
    assert!(found_hz[found_hz.len() - 1] - found_hz[0] > width_hz);
}

#[test]
fn the_dunlin_sides_differ_by_2_db_in_the_upper_mids_and_the_fieldfare_sides_by_less_than_1() {
    for f_hz in [2800.0, 3500.0, 4200.0] {
        let match_db = unit("dunlin").match_db(f_hz);
        assert!(
            (match_db - 2.0).abs() < 0.4,
            "{match_db:.2} dB at {f_hz} Hz"
        );
    }
    for folder in ["fieldfare-wool", "fieldfare-mesh"] {
        for f_hz in points_hz(40.0, 5000.0).step_by(4) {
            let match_db = unit(folder).match_db(f_hz);
            assert!(
                match_db.abs() < 1.0,
                "{folder}: {match_db:.2} dB at {f_hz} Hz"
            );
        }
    }
}

#[test]
fn the_mesh_insert_is_brighter_than_the_wool_one() {
    let (wool, mesh) = (
        Curve::of("fieldfare-wool/average.csv"),
        Curve::of("fieldfare-mesh/average.csv"),
    );
    for f_hz in [3000.0, 4000.0, 5000.0, 6000.0] {
        assert!(mesh.over_middle_db(f_hz) > wool.over_middle_db(f_hz) + 2.0);
    }
    for f_hz in [30.0, 60.0, 90.0] {
        assert!(mesh.over_middle_db(f_hz) < wool.over_middle_db(f_hz) - 1.0);
    }
}

#[test]
fn averages_are_the_sides_means_of_the_sound_takes() {
    for folder in ["fieldfare-wool", "fieldfare-mesh"] {
        let unit = unit(folder);
        let average = rows(&format!("{folder}/average.csv"));
        assert_eq!(average.len(), 479);
        let sides = ["left", "right"].map(|side| unit.sound(side).collect::<Vec<Curve>>());
        let offset = sides[0][0].0.partition_point(|row| row[0] < 19.99);
        for (i, row) in average.iter().enumerate() {
            assert!((row[0] - 20.0 * (i as f64 / 48.0).exp2()).abs() < 0.001);
            let [left_db, right_db] = sides.each_ref().map(|curves| {
                curves.iter().map(|c| c.0[offset + i][1]).sum::<f64>() / curves.len() as f64
            });
            assert!((row[1] - 0.5 * (left_db + right_db)).abs() < 0.005 + 1e-9);
        }
    }
}

#[test]
fn the_pocket_amplifier_has_eight_sections_and_half_decibel_steps() {
    let limits: toml::Table = toml::from_str(&text("pocket-eight.limits.toml")).unwrap();
    let wanted: toml::Table = toml::from_str(
        r#"
        format = 1
        name = "eight sections, half-decibel steps"
        sections = 8
        rates_hz = [44100, 48000, 96000]
        preamp_db = { min = -20, max = 0, step = 0.5 }
        f0_hz = { min = 20, max = 20000, step = 1 }
        gain_db = { min = -12, max = 6, step = 0.5 }
        q = { min = 0.3, max = 8, step = 0.1 }
        shelf_q = { min = 0.4, max = 1.2, step = 0.1 }
        shapes = { low-shelf = 1, peaking = 6, high-shelf = 1 }
        "#,
    )
    .unwrap();
    assert_eq!(limits, wanted);
}

#[test]
fn targets_are_recipes_on_the_diffuse_field_whose_source_says_invented() {
    for name in ["music-shows.target.toml", "long-shifts.target.toml"] {
        let recipe: toml::Table = toml::from_str(&text(name)).unwrap();
        assert_eq!(recipe["format"].as_integer(), Some(1));
        assert_eq!(recipe["base"].as_str(), Some("diffuse-field"));
        assert!(recipe["source"].as_str().unwrap().starts_with("invented"));
        for contour in recipe["contour"].as_array().unwrap() {
            let keys: Vec<&str> = contour
                .as_table()
                .unwrap()
                .keys()
                .map(String::as_str)
                .collect();
            match contour["shape"].as_str().unwrap() {
                "slope" => assert_eq!(keys, ["db_per_octave", "pivot_hz", "shape"]),
                "low-shelf" | "peaking" | "high-shelf" => {
                    assert_eq!(keys, ["f0_hz", "gain_db", "q", "shape"]);
                }
                other => panic!("{name}: {other} is no contour"),
            }
        }
    }
}
