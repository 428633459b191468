//! The targets that come with the program, and how names and paths are resolved.

use std::collections::BTreeMap;
use std::path::Path;

use bandwright::Result;
use bandwright::cost::exposure::{Field, FieldTable, field_to_eardrum_db};
use bandwright::error::{Error, ErrorKind};
use bandwright::files::shown;
use bandwright::measurement::grid::{POINTS, frequency_hz};
use bandwright::measurement::parse::parse_curve;
use bandwright::wanted::library::{names, resolve, text};
use bandwright::wanted::{Contour, Target};

/// A folder in memory.
fn files(files: &'static [(&'static str, &'static str)]) -> impl Fn(&Path) -> Result<Vec<u8>> {
    move |path: &Path| {
        let found = files.iter().find(|(name, _)| Path::new(name) == path);
        let missing = || {
            Error::new(
                ErrorKind::Missing,
                shown(path),
                "no such file",
                "a file",
                "check the path",
            )
        };
        found
            .map(|(_, text)| text.as_bytes().to_vec())
            .ok_or_else(missing)
    }
}

fn target(name: &str, folder: &'static [(&'static str, &'static str)]) -> Target {
    resolve(name, &files(folder)).unwrap_or_else(|error| panic!("{error}"))
}

fn at(target: &Target, f_hz: f64) -> f64 {
    let nearest = frequency_hz().partition_point(|f| *f < f_hz * 2f64.powf(-1.0 / 96.0));
    target.level_on_grid(48_000.0).level_db[nearest]
}

#[test]
fn every_target_of_the_library_resolves_and_states_where_it_comes_from() {
    assert!(names().len() >= 4);
    for name in names() {
        let target = target(name, &[]);
        assert_eq!(target.name, name);
        assert!(target.source.len() > 20);
        let on_grid = target.level_on_grid(48_000.0);
        assert_eq!(on_grid.support, 0..POINTS);
        assert!(on_grid.level_db.iter().all(|db| db.abs() < 25.0));
        let file = text(name).unwrap();
        for key in [
            "# name: ",
            "# source: ",
            "# licence: ",
            "# support: ",
            "# level: ",
        ] {
            assert!(
                file.lines()
                    .any(|line| line.starts_with(key) && line.len() > key.len() + 3),
                "{name} {key}"
            );
        }
    }
    assert_eq!(text("unheard-of"), None);
}

#[test]
fn each_file_of_the_targets_folder_is_in_the_library() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("targets");
    let mut stems: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .map(|file| file.split('.').next().unwrap().to_owned())
        .collect();
    stems.sort();
    let mut names = names();
    names.sort_unstable();
    assert_eq!(stems, names);
}

#[test]
fn the_levels_that_the_headers_state_hold() {
    assert!(
        target("flat", &[])
            .level_on_grid(48_000.0)
            .level_db
            .iter()
            .all(|db| *db == 0.0)
    );
    for name in [
        "diffuse-field",
        "diffuse-field-iso-532-2",
        "diffuse-field-mean",
    ] {
        let target = target(name, &[]);
        for f_hz in [20.0, 50.0, 100.0] {
            assert!(at(&target, f_hz).abs() < 0.05, "{name} {f_hz}");
        }
    }
    let diffuse = target("diffuse-field", &[]);
    let slope = target("gentle-slope", &[]);
    assert!((at(&slope, 1000.0) - at(&diffuse, 1000.0)).abs() < 0.5);
    for name in ["long-listening", "spoken-word"] {
        let voiced = target(name, &[]);
        assert!(
            (at(&voiced, 700.0) - at(&diffuse, 700.0)).abs() < 0.5,
            "{name}"
        );
    }
}

/// What a voicing adds to its base between two frequencies, dB: the mean over the grid.
fn added_db(name: &str, low_hz: f64, high_hz: f64) -> f64 {
    let level = |name: &str| target(name, &[]).level_on_grid(48_000.0).level_db;
    let (voiced, base) = (level(name), level("diffuse-field"));
    let between: Vec<f64> = (0..POINTS)
        .filter(|i| (low_hz..=high_hz).contains(&frequency_hz()[*i]))
        .map(|i| voiced[i] - base[i])
        .collect();
    between.iter().sum::<f64>() / between.len() as f64
}

#[test]
fn the_voicings_for_music_have_more_low_bass_and_less_presence_and_treble_than_the_diffuse_field() {
    for (name, bass_db, presence_db) in [
        ("long-listening", 3.5..5.0, -3.5..-2.0),
        ("gentle-slope", 3.5..5.0, -3.0..-1.5),
    ] {
        let bass = added_db(name, 20.0, 60.0);
        assert!(bass_db.contains(&bass), "{name} {bass}");
        let presence = added_db(name, 2000.0, 4000.0);
        assert!(presence_db.contains(&presence), "{name} {presence}");
        let treble = added_db(name, 8000.0, 16_000.0);
        assert!((-3.0..-1.0).contains(&treble), "{name} {treble}");
        let middle = added_db(name, 400.0, 1200.0);
        assert!(middle.abs() < 0.5, "{name} {middle}");
    }
}

#[test]
fn the_voicing_for_speech_has_less_rumble_hardness_and_sibilance_than_the_diffuse_field() {
    for (low_hz, high_hz, expected_db) in [
        (20.0, 60.0, -6.0..-4.0),
        (150.0, 1200.0, -0.5..0.1),
        (2800.0, 3200.0, -2.5..-1.5),
        (6000.0, 9000.0, -3.0..-2.0),
        (14_000.0, 20_000.0, -1.0..0.1),
    ] {
        let added = added_db("spoken-word", low_hz, high_hz);
        assert!(expected_db.contains(&added), "{low_hz} Hz: {added}");
    }
}

#[test]
fn what_rests_on_a_diffuse_field_carries_its_warning_and_citation() {
    for (name, citation) in [
        ("diffuse-field", "ITU-T P.58 (06/21)"),
        ("gentle-slope", "ITU-T P.58 (06/21)"),
        ("long-listening", "ITU-T P.58 (06/21)"),
        ("spoken-word", "ITU-T P.58 (06/21)"),
        ("diffuse-field-iso-532-2", "ISO 532-2"),
        ("diffuse-field-mean", "Gardner and K. D. Martin"),
    ] {
        let target = target(name, &[]);
        assert!(target.warnings[0].contains("several dB at 2.5-10 kHz"));
        assert!(target.source.contains(citation), "{}", target.source);
    }
    assert!(target("flat", &[]).warnings.is_empty());
    assert!(
        text("diffuse-field-mean")
            .unwrap()
            .contains("provided free with no restrictions on use")
    );
}

/// A target, the table of the hearing figures that it is, and how many frequencies that has.
const OF_A_STANDARD: [(&str, FieldTable, usize); 2] = [
    ("diffuse-field", FieldTable::P58, 24),
    ("diffuse-field-iso-532-2", FieldTable::Iso532_2, 39),
];

#[test]
fn the_diffuse_field_as_a_target_is_the_one_of_the_hearing_figures_at_every_frequency() {
    assert_eq!(FieldTable::default(), FieldTable::P58);
    let tables = include_str!("../../src/cost/field_to_eardrum.csv");
    for (name, table, count) in OF_A_STANDARD {
        let key = if table == FieldTable::P58 {
            "p58,"
        } else {
            "iso-532-2,"
        };
        let rows: Vec<Vec<f64>> = tables
            .lines()
            .filter_map(|line| line.strip_prefix(key))
            .map(|cells| cells.split(',').map(|cell| cell.parse().unwrap()).collect())
            .collect();
        assert_eq!(rows.len(), count);
        let file = parse_curve(text(name).unwrap().as_bytes(), name).unwrap();
        let points = || file.frequency_hz().iter().zip(file.level_db());
        for row in &rows {
            let (_, level_db) = points().find(|(f_hz, _)| **f_hz == row[0]).unwrap();
            assert_eq!(*level_db, row[2], "{name} {} Hz", row[0]);
        }
        // What the file has besides lies below the table and is 0 dB.
        let beside: Vec<_> = points().filter(|(f_hz, _)| **f_hz < rows[0][0]).collect();
        assert_eq!(file.frequency_hz().len(), rows.len() + beside.len());
        assert!(beside.iter().all(|(_, db)| **db == 0.0));
        // And between the frequencies.
        let correction_db = field_to_eardrum_db(Field::Diffuse, table);
        let on_grid = target(name, &[]).level_on_grid(48_000.0).level_db;
        for (f_hz, db) in frequency_hz().iter().zip(on_grid) {
            assert!((db - correction_db(*f_hz)).abs() < 1e-9, "{name} {f_hz} Hz");
        }
    }
}

/// Derived here again from the tables, apart from the script that wrote the file.
#[test]
fn the_mean_diffuse_field_is_what_its_stated_derivation_gives() {
    let table = |name: &str| -> Vec<BTreeMap<String, f64>> {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/reference")
            .join(name);
        csv::Reader::from_path(path)
            .unwrap()
            .deserialize()
            .map(std::result::Result::unwrap)
            .collect()
    };
    let kemar = table("ear/kemar_diffuse_field.csv");
    let standards = table("tables/eardrum_field_responses.csv");
    let iso = table("tables/iso532_2_field_to_eardrum.csv");
    let band_db = |nominal_hz: f64| {
        let n = (10.0 * (nominal_hz / 1000.0).log10()).round();
        let edge = |half: f64| 1000.0 * 10f64.powf((n + half) / 10.0);
        let powers: Vec<f64> = kemar
            .iter()
            .filter(|row| row["frequency_hz"] >= edge(-0.5) && row["frequency_hz"] < edge(0.5))
            .map(|row| 10f64.powf(row["level_db"] / 10.0))
            .collect();
        10.0 * (powers.iter().sum::<f64>() / powers.len() as f64).log10()
    };
    let both = |row: &BTreeMap<String, f64>| 0.5 * (row["p58_diffuse_db"] + row["s34_diffuse_db"]);
    let aligned = standards
        .iter()
        .filter(|row| (500.0..=1000.0).contains(&row["frequency_hz"]));
    let shift_db: Vec<f64> = aligned
        .map(|row| both(row) - band_db(row["frequency_hz"]))
        .collect();
    assert_eq!(shift_db.len(), 4);
    let shift_db = shift_db.iter().sum::<f64>() / 4.0;

    let mut expected: Vec<(f64, f64)> = iso
        .iter()
        .filter(|row| row["frequency_hz"] < 100.0)
        .map(|row| (row["frequency_hz"], row["diffuse_field_db"]))
        .collect();
    for row in &standards {
        let f_hz = row["frequency_hz"];
        let weight = match f_hz {
            400.0 | 12_500.0 => 0.5,
            f if f > 400.0 && f < 12_500.0 => 1.0,
            _ => 0.0,
        };
        let kemar_db = if weight > 0.0 {
            band_db(f_hz) + shift_db
        } else {
            0.0
        };
        expected.push((f_hz, (2.0 * both(row) + weight * kemar_db) / (2.0 + weight)));
    }
    let file = parse_curve(
        text("diffuse-field-mean").unwrap().as_bytes(),
        "diffuse-field-mean.csv",
    )
    .unwrap();
    assert_eq!(
        file.frequency_hz(),
        expected.iter().map(|(f_hz, _)| *f_hz).collect::<Vec<_>>()
    );
    for ((f_hz, expected), level_db) in expected.iter().zip(file.level_db()) {
        assert!(
            (level_db - expected).abs() <= 0.005 + 1e-9,
            "{f_hz} Hz: {level_db} {expected}"
        );
    }
}

#[test]
fn the_mean_diffuse_field_lies_within_the_tolerance_of_p_58_at_most_frequencies() {
    // A coarse check from outside: P.58's own tolerances, at the frequencies where the tables agree best.
    let target = target("diffuse-field-mean", &[]);
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference/tables/eardrum_field_responses.csv");
    let rows: Vec<BTreeMap<String, f64>> = csv::Reader::from_path(path)
        .unwrap()
        .deserialize()
        .map(std::result::Result::unwrap)
        .collect();
    for row in rows.iter().filter(|row| row["frequency_hz"] <= 2000.0) {
        let off_db = at(&target, row["frequency_hz"]) - row["p58_diffuse_db"];
        assert!(
            off_db >= -row["p58_tolerance_minus_db"] - 0.1,
            "{row:?} {off_db}"
        );
        assert!(
            off_db <= row["p58_tolerance_plus_db"] + 0.1,
            "{row:?} {off_db}"
        );
    }
}

const FOLDER: &[(&str, &str)] = &[
    (
        "kit/mine.target.toml",
        "source = \"mine\"\nbase = \"sub/under.target.toml\"\n[[contour]]\nshape = \"slope\"\ndb_per_octave = -1\n",
    ),
    (
        "kit/sub/under.target.toml",
        "name = \"under\"\nsource = \"below\"\nbase = \"../other unit.csv\"\n[[contour]]\nshape = \"low-shelf\"\nf0_hz = 90\ngain_db = 3\nq = 0.6\n",
    ),
    (
        "kit/sub/../other unit.csv",
        "# source: a bench\n# Warning: old\n# name: other\nHz,dB\n100,1\n400,2\n9000,3\n",
    ),
    ("bare", "20;1\n200;2\n20000;3\n"),
    ("a.toml", "source = \"a\"\nbase = \"b.toml\"\n"),
    ("b.toml", "source = \"b\"\nbase = \"a.toml\"\n"),
    ("self.toml", "source = \"s\"\nbase = \"./self.toml\"\n"),
    ("lost.toml", "source = \"l\"\n\nbase = \"difuse-field\"\n"),
    ("gone.toml", "source = \"l\"\nbase = \"gone.csv\"\n"),
    ("short.csv", "Hz,dB\n20,1\n22,2\n30,3\n"),
];

#[test]
fn recipes_stand_on_files_beside_them_and_on_other_recipes() {
    let target = target("kit/mine.target.toml", FOLDER);
    assert_eq!(target.name, "mine");
    assert_eq!(
        target.source,
        "mine; its base under: below; its base other: a bench"
    );
    assert_eq!(target.warnings, ["old"]);
    assert_eq!(
        target.contours,
        [Contour::bass(3.0).unwrap(), Contour::slope(-1.0).unwrap()]
    );
    let (low_hz, high_hz) = target.level_on_grid(48_000.0).band_hz();
    assert!(low_hz >= 99.9 && high_hz <= 9001.0);
    let expected = 1.0 + target.contours[0].level_db(48_000.0, 100.0) - (0.1f64).log2();
    assert!((at(&target, 101.0) - expected).abs() < 0.1);
}

#[test]
fn a_curve_without_notes_is_named_after_its_file() {
    let target = target("bare", FOLDER);
    assert_eq!((target.name.as_str(), target.warnings.len()), ("bare", 0));
    assert!(target.source.contains("bare"));
    let more = resolve("bare", &files(FOLDER))
        .unwrap()
        .with_contours(vec![Contour::slope(-1.0).unwrap()]);
    assert_eq!(more.name, "bare; slope -1 dB per octave about 1000 Hz");
}

#[test]
fn an_unknown_name_lists_the_library_and_the_nearest_spelling() {
    let error = resolve("difuse-field", &files(FOLDER)).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Name);
    assert!(error.next_step().contains("`diffuse-field`"), "{error}");
    for name in names() {
        assert!(error.expected().contains(name), "{error}");
    }
    assert_eq!(
        resolve("no-such.csv", &files(FOLDER)).unwrap_err().kind,
        ErrorKind::Missing
    );
    assert_eq!(
        resolve("", &files(FOLDER)).unwrap_err().kind,
        ErrorKind::Name
    );
}

#[test]
fn an_unknown_base_is_refused_at_the_recipe_s_line() {
    let error = resolve("lost.toml", &files(FOLDER)).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Name);
    let place = (
        error.place.source.to_string(),
        error.place.line,
        error.place.key.as_deref(),
    );
    assert_eq!(place, ("lost.toml".to_owned(), Some(3), Some("base")));
    assert!(error.next_step().contains("`diffuse-field`"), "{error}");
    let error = resolve("gone.toml", &files(FOLDER)).unwrap_err();
    assert_eq!(
        (
            error.kind,
            error.place.source.to_string().as_str(),
            error.place.line
        ),
        (ErrorKind::Missing, "gone.toml", Some(2))
    );
    assert_eq!(error.place.key.as_deref(), Some("base"));
    assert!(error.found().contains("`gone.csv`"), "{error}");
}

#[test]
fn recipes_in_a_circle_are_refused() {
    for name in ["a.toml", "self.toml"] {
        let error = resolve(name, &files(FOLDER)).unwrap_err();
        assert_eq!(
            (error.kind, error.place.key.as_deref()),
            (ErrorKind::Setting, Some("base")),
            "{error}"
        );
    }
    let endless = &|path: &Path| {
        Ok(format!("source = \"x\"\nbase = \"{}x.toml\"\n", shown(path)).into_bytes())
    };
    assert_eq!(
        resolve("x.toml", endless).unwrap_err().kind,
        ErrorKind::Setting
    );
}

#[test]
fn a_curve_that_covers_too_little_of_the_grid_is_no_target() {
    let error = resolve("short.csv", &files(FOLDER)).unwrap_err();
    assert_eq!(
        (error.kind, error.place.source.to_string().as_str()),
        (ErrorKind::Coverage, "short.csv")
    );
}

#[test]
fn a_bare_word_that_is_there_and_cannot_be_read_says_so_and_no_missing_name_does() {
    let unreadable = |path: &Path| {
        Err(Error::new(
            ErrorKind::File,
            shown(path),
            "no permission",
            "a file",
            "check it",
        ))
    };
    let error = resolve("diffuse", &unreadable).unwrap_err();
    assert_eq!(
        (error.kind, error.found().as_str()),
        (ErrorKind::File, "no permission")
    );
    let limits =
        bandwright::limits::library::resolve(Path::new("octave"), &unreadable).unwrap_err();
    assert_eq!(
        (limits.kind, limits.found().as_str()),
        (ErrorKind::File, "no permission")
    );
    let error = resolve("diffuse-fild", &files(&[])).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Name);
    assert!(error.next_step().contains("`diffuse-field`"), "{error}");
}

#[test]
fn a_name_of_any_length_is_refused_in_a_line() {
    for name in [
        "w".repeat(5000),
        format!("{}.csv\u{1b}[31m", "w".repeat(5000)),
    ] {
        let recipe = format!("source = \"x\"\nbase = {name:?}\n");
        let recipe: &'static str = recipe.replace("\\u{1b}", "\\u001b").leak();
        let folder: &'static [(&str, &str)] = vec![("my.target.toml", recipe)].leak();
        let error = resolve("my.target.toml", &files(folder)).unwrap_err();
        assert_eq!(error.place.source, "my.target.toml", "{error}");
        let told = error.to_string();
        assert!(
            told.len() < 500 && !told.chars().any(char::is_control),
            "{told}"
        );
    }
}
