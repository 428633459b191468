//! Sheets: what is written is what is read, to the last bit; a damaged sheet is an error with its place.
//!
//! `sheet_reader.py` beside this file is the independent reader: it builds the filters from a sheet's text
//! alone. The sheets it is to read are left by a test here in `sheets/` of cargo's folder for test files.

use crate::support::hang::ends;
use crate::support::outcomes::without_curves;
use approx::assert_abs_diff_eq;
use bandwright::caution::Caution;
use bandwright::error::{Error, ErrorKind};
use bandwright::filter::{Section, Shape, cascade};
use bandwright::headroom::headroom;
use bandwright::job::Outcome;
use bandwright::limits::{Limits, Setting};
use bandwright::sheet::{Guard, Sheet, read, recompute, write};
use proptest::prelude::*;

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

/// A plausible record of a fit that ended at `sections`.
fn outcome(sections: &[Section], limits: &Limits) -> Outcome {
    let mut outcome = without_curves(sections, limits);
    outcome.shared.unit = "Fieldfare, wool insert (invented)".to_owned();
    outcome.shared.takes = vec!["left 1".to_owned(), "left 2".to_owned()];
    outcome.shared.target = "flat, low-shelf 90 Hz +3 dB q 0.6".to_owned();
    outcome.shared.target_source = "invented for this test".to_owned();
    outcome.shared.cautions = vec![Caution::Seal, Caution::Boost { peak_gain_db: 3.5 }];
    outcome
}

fn usual() -> Vec<Section> {
    vec![
        section(Shape::LowShelf, 90.0, 3.5, 0.6),
        section(Shape::Peaking, 2750.0, -4.2, 1.35),
        section(Shape::HighShelf, 9000.0, 2.0, 0.7),
    ]
}

fn sheet_of(sections: &[Section], limits: &Limits) -> Sheet {
    Sheet::from_outcome(&outcome(sections, limits), limits).unwrap()
}

fn usual_text() -> String {
    let limits = Limits::standard();
    write(&sheet_of(&usual(), &limits)).unwrap()
}

fn parse(text: &str) -> Result<Sheet, Box<Error>> {
    read(text.as_bytes(), "x.sheet.toml")
}

#[test]
fn a_sheet_is_plain_toml_with_the_keys_that_are_promised() {
    // Read by the toml crate alone, into its own tables.
    let text = usual_text();
    assert!(text.is_ascii());
    let table: toml::Table = text.parse().unwrap();
    assert_eq!(table["format"].as_integer(), Some(1));
    assert_eq!(
        table["unit"].as_str(),
        Some("Fieldfare, wool insert (invented)")
    );
    let mut level: Vec<_> = table["level"].as_table().unwrap().keys().collect();
    level.sort();
    assert_eq!(
        level,
        [
            "any_signal_gain_db",
            "guard",
            "loudness_change_lu",
            "peak_gain_db",
            "preamp_db"
        ]
    );
    assert_eq!(table["level"]["guard"].as_str(), Some("sine"));
    assert_eq!(
        table["equaliser"]["formulas"].as_str(),
        Some("Audio EQ Cookbook (W3C Group Note)")
    );
    assert_eq!(table["equaliser"]["rates_hz"].as_array().unwrap().len(), 3);
    let sections = table["section"].as_array().unwrap();
    assert_eq!(sections.len(), 3);
    assert_eq!(sections[0]["shape"].as_str(), Some("low-shelf"));
    assert_eq!(sections[0]["f0_hz"].as_float(), Some(90.0));
    assert_eq!(sections[1]["gain_db"].as_float(), Some(-4.2));
    assert_eq!(sections[2]["q"].as_float(), Some(0.7));
    assert_eq!(table["checkpoint"].as_array().unwrap().len(), 3);
    assert_eq!(table["coefficients"].as_array().unwrap().len(), 3);
    for line in [
        "preamp_db = -3.5",
        "f0_hz = 90.0",
        "gain_db = 3.5",
        "rates_hz = [44100, 48000, 96000]",
    ] {
        assert!(text.contains(line), "{line} is not in\n{text}");
    }
}

#[test]
fn checkpoints_are_octaves_and_every_f0_in_order_without_the_preamp() {
    let limits = Limits::standard();
    let sheet = sheet_of(&usual(), &limits);
    for (checkpoint, rate_hz) in sheet.channels[0].checkpoints.iter().zip(&limits.rates_hz) {
        assert_eq!(checkpoint.rate_hz, *rate_hz);
        assert_eq!(
            checkpoint.frequency_hz,
            [
                31.5, 63.0, 90.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 2750.0, 4000.0, 8000.0,
                9000.0, 16_000.0
            ]
        );
        for (f_hz, gain_db) in checkpoint.frequency_hz.iter().zip(&checkpoint.gain_db) {
            let exact_db = cascade::level_db(&sheet.channels[0].sections, *rate_hz, *f_hz);
            assert_abs_diff_eq!(*gain_db, exact_db, epsilon = 0.5001e-4);
            assert!(gain_db.to_string().len() <= 8, "{gain_db}");
        }
    }
    // Nothing at or above half of a low rate, and no frequency twice.
    let slow = Limits {
        rates_hz: vec![8000.0],
        f0_hz: Setting::Range {
            min: 20.0,
            max: 3900.0,
        },
        ..Limits::standard()
    };
    let sheet = sheet_of(&[section(Shape::Peaking, 1000.0, 1.0, 1.0)], &slow);
    assert_eq!(
        sheet.channels[0].checkpoints[0].frequency_hz,
        [31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0]
    );
}

#[test]
fn the_largest_gains_are_rounded_upwards_and_the_preamp_is_not_rounded() {
    let limits = Limits::standard();
    let sections = [
        section(Shape::Peaking, 1234.5, 5.123_46, 1.0),
        section(Shape::Peaking, 2345.6, 2.0, 1.0),
    ];
    let outcome = outcome(&sections, &limits);
    let sheet = Sheet::from_outcome(&outcome, &limits).unwrap();
    for (stated, exact) in [
        (
            sheet.level.peak_gain_db,
            outcome.shared.headroom.peak_gain_db,
        ),
        (
            sheet.level.any_signal_gain_db,
            outcome.shared.headroom.any_signal_gain_db,
        ),
    ] {
        assert!(
            stated >= exact - 1e-9 && stated < exact + 1.001e-4,
            "{stated} {exact}"
        );
    }
    assert_eq!(sheet.level.preamp_db, outcome.shared.headroom.preamp_db);
    assert_eq!(sheet.channels[0].sections, sections);
    // A peak of exactly 3 dB stays 3 dB.
    let sheet = sheet_of(&[section(Shape::Peaking, 1000.0, 3.0, 2.0)], &limits);
    assert_eq!(sheet.level.peak_gain_db, 3.0);
}

#[test]
fn recomputing_a_sheet_finds_it_true_and_a_changed_one_false() {
    let limits = Limits::standard();
    let mut sheet = sheet_of(&usual(), &limits);
    let deviations = recompute(&sheet);
    assert_eq!(deviations.len(), 3 * 13);
    for deviation in &deviations {
        assert!(deviation.worst_db() <= 0.5001e-4, "{deviation:?}");
    }
    let worst = |sheet: &Sheet| {
        recompute(sheet)
            .iter()
            .map(bandwright::sheet::Deviation::worst_db)
            .fold(0.0, f64::max)
    };
    sheet.channels[0].coefficients[1].section[1].a1 += 1e-3;
    assert!(worst(&sheet) > 0.001);
    let mut sheet = sheet_of(&usual(), &limits);
    sheet.channels[0].sections[1].q = 1.4;
    assert!(worst(&sheet) > 0.001);
    let mut sheet = sheet_of(&usual(), &limits);
    sheet.channels[0].checkpoints[2].gain_db[4] += 0.01;
    assert_abs_diff_eq!(worst(&sheet), 0.01, epsilon = 1e-4);
}

#[test]
fn a_sheet_without_sections_or_trust_is_still_a_sheet() {
    let limits = Limits::standard();
    let mut outcome = outcome(&[], &limits);
    outcome.shared.trusted_band_hz = None;
    outcome.shared.residual.before.trusted_band_db = None;
    outcome.shared.residual.after.trusted_band_db = None;
    outcome.shared.economy_ratio = f64::NAN;
    outcome.shared.cautions.clear();
    outcome.shared.takes.clear();
    let sheet = Sheet::from_outcome(&outcome, &limits).unwrap();
    assert_eq!(sheet.knowledge.as_ref().unwrap().economy_ratio, None);
    assert_eq!(parse(&write(&sheet).unwrap()).unwrap(), sheet);
    assert!(recompute(&sheet).iter().all(|d| d.worst_db() == 0.0));
}

#[test]
fn names_of_any_kind_do_not_break_it() {
    let limits = Limits {
        name: "]] # \"\"\" '''".to_owned(),
        ..Limits::standard()
    };
    for name in [
        "quotes \" and ' and \\ backslash",
        "line\nfeed, \r, \t, nul \0, escape \u{1b}[31m, delete \u{7f}",
        "\u{fc}ml\u{e4}ut, \u{4e2d}\u{6587}, \u{1f3a7}, \u{202e}reversed",
        "\\u0041 # not a comment",
        "",
    ] {
        let mut outcome = outcome(&usual(), &limits);
        outcome.shared.unit = name.to_owned();
        outcome.shared.target = name.to_owned();
        outcome.shared.target_source = name.to_owned();
        outcome.shared.takes = vec![name.to_owned(); 2];
        outcome.shared.search.stop = name.to_owned();
        let sheet = Sheet::from_outcome(&outcome, &limits).unwrap();
        let text = write(&sheet).unwrap();
        assert!(
            text.bytes()
                .all(|b| b == b'\n' || (b' '..=b'~').contains(&b))
        );
        assert_eq!(parse(&text).unwrap(), sheet);
    }
}

#[test]
fn the_same_sheet_is_the_same_bytes() {
    assert_eq!(usual_text(), usual_text());
}

#[test]
fn a_number_that_is_not_finite_is_refused() {
    let limits = Limits::standard();
    let good = outcome(&usual(), &limits);
    let spoil: [fn(&mut Outcome); 6] = [
        |o| o.channels[0].sections[0].gain_db = f64::NAN,
        |o| o.channels[0].sections[1].f0_hz = 22_050.0,
        |o| o.shared.headroom.preamp_db = f64::NEG_INFINITY,
        |o| o.shared.headroom.peak_gain_db = f64::NAN,
        |o| o.shared.residual.after.weighted_db = f64::INFINITY,
        |o| o.shared.residual_by_rate_db[1] = f64::NAN,
    ];
    for spoil in spoil {
        let mut outcome = good.clone();
        spoil(&mut outcome);
        let error = Sheet::from_outcome(&outcome, &limits).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Setting, "{error}");
    }
    let mut sheet = Sheet::from_outcome(&good, &limits).unwrap();
    sheet.channels[0].coefficients[0].section[0].b1 = f64::NAN;
    assert!(write(&sheet).is_err());
}

#[test]
fn a_damaged_sheet_names_line_and_key() {
    let text = usual_text();
    for (key, from, to) in [
        ("format", "format = 1", "format = 2"),
        ("untit", "unit =", "untit ="),
        ("level.preamp", "preamp_db = -", "preamp = -"),
        ("level.preamp_db", "preamp_db = -", "preamp_db = "),
        ("level.guard", "\"sine\"", "\"cosine\""),
        ("equaliser.formulas", "Cookbook (W3C", "Cookery (W3C"),
        ("equaliser.rates_hz", "rates_hz = [44100", "rates_hz = [100"),
        ("section[1].shape", "\"low-shelf\"", "\"lowshelf\""),
        ("section[1]", "f0_hz = 90.0", "f0_hz = 22050.0"),
        ("section[1].f0_hz", "f0_hz = 90.0", "f0_hz = inf"),
        ("section[2]", "q = 1.35", "q = 0"),
        ("section[3].gain_db", "gain_db = 2.0", "gain_db = \"2.0\""),
        ("section[3].Q", "q = 0.7\n", "Q = 0.7\n"),
        (
            "checkpoint",
            "[[checkpoint]]\nrate_hz = 44100",
            "[[checkpoint]]\nrate_hz = 44000",
        ),
        (
            "checkpoint[1].frequency_hz",
            "[31.5, 63.0, 90.0",
            "[31.5, 90.0, 63.0",
        ),
        ("checkpoint[1].gain_db", "[31.5, 63.0, 90.0", "[31.5, 90.0"),
        (
            "coefficients",
            "[[coefficients]]\nrate_hz = 44100",
            "[[coefficients]]\nrate_hz = 1",
        ),
        ("coefficients[1].section[1].bO", "{ b0 =", "{ bO ="),
        ("knowledge.trusted_band_hz", "[20.0, 10767.3]", "[20.0]"),
        (
            "knowledge.residual_db.trusted_band_before",
            "trusted_band_before = 2.9",
            "",
        ),
        (
            "limits.gain_db.min",
            "min = -12, max = 6",
            "min = 12, max = 6",
        ),
        ("limits.shapes.peeking", "peaking = 6", "peeking = 6"),
    ] {
        assert!(text.contains(from), "{from}");
        let damaged = text.replacen(from, to, 1);
        let error = parse(&damaged).expect_err(to);
        assert_eq!(error.place.source, "x.sheet.toml");
        assert_eq!(error.place.key.as_deref(), Some(key), "{error}");
        // The line of the damage, or a line near it where that is the key's own or the table's.
        let changed = 1 + text
            .lines()
            .zip(damaged.lines())
            .take_while(|(before, after)| before == after)
            .count();
        let line = error.place.line.unwrap();
        assert!(line.abs_diff(changed) <= 4, "{line} {changed}: {error}");
    }
    let error = parse(&text.replacen("\"low-shelf\"", "\"lowshelf\"", 1)).unwrap_err();
    assert!(error.next_step().contains("`low-shelf`"), "{error}");
}

#[test]
fn a_sheet_that_lost_its_end_is_an_error_wherever_it_was_cut() {
    let text = usual_text();
    let last = text.trim_end().len();
    // The last lines count shapes: a cut after the first of them still leaves whole limits.
    let shapes = text.rfind("low-shelf = 1").unwrap() + "low-shelf = 1".len();
    // Before what was known the promise of the comments holds: nothing below is needed.
    let known = text.find("[knowledge]").unwrap();
    let needed = text[..known].trim_end().len();
    for at in (0..shapes).step_by(7) {
        let may_end = (needed..=known).contains(&at);
        assert_eq!(parse(&text[..at]).is_ok(), may_end, "cut at {at} of {last}");
    }
}

#[test]
fn other_files_and_noise_are_refused() {
    assert_eq!(parse("").unwrap_err().kind, ErrorKind::Format);
    assert!(parse("20,80\n1000,90\n").is_err());
    assert!(read(b"RIFF\x24\x00\x00\x00WAVEfmt \xff\xfe", "x").is_err());
    let many = format!("{}{}", usual_text(), "[[section]]\n".repeat(200_000));
    assert!(ends("200,000 sections", || parse(&many)).is_err());
}

#[test]
fn the_any_signal_guard_is_read_and_written_too() {
    let mut sheet = sheet_of(&usual(), &Limits::standard());
    sheet.level.guard = Guard::AnySignal;
    sheet.level.preamp_db = -12.0;
    let text = write(&sheet).unwrap();
    assert!(text.contains("guard = \"any-signal\""));
    assert_eq!(parse(&text).unwrap(), sheet);
}

/// Limits that allow nearly anything, at many rates.
fn wide_limits() -> Limits {
    let mut limits = Limits::standard_with_sections(64).unwrap();
    limits.name = "as wide as it goes".to_owned();
    limits.shapes.low_shelf = 9;
    limits.shapes.high_shelf = 9;
    limits.rates_hz = vec![44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0];
    limits.preamp_db = Setting::Range {
        min: -120.0,
        max: 0.0,
    };
    limits.gain_db = Setting::Range {
        min: -24.0,
        max: 24.0,
    };
    limits.q = Setting::Range {
        min: 0.1,
        max: 30.0,
    };
    limits.shelf_q = limits.q.clone();
    limits
}

#[test]
fn sheets_are_left_for_the_independent_reader() {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("sheets");
    std::fs::create_dir_all(&folder).unwrap();
    let opposed: Vec<_> = (0..10)
        .map(|i| {
            let gain_db = if i % 2 == 0 { 11.7 } else { -12.3 };
            section(
                Shape::Peaking,
                25.0 * 1.93f64.powi(i),
                gain_db,
                0.4 + 1.1 * f64::from(i),
            )
        })
        .collect();
    let edges = [
        section(Shape::LowShelf, 20.0, 24.0, 0.1),
        section(Shape::Peaking, 20.0, -24.0, 30.0),
        section(Shape::Peaking, 1000.0, 24.0, 30.0),
        section(Shape::Peaking, 19_999.9, 12.0, 30.0),
        section(Shape::HighShelf, 15_000.0, -24.0, 2.0),
        section(Shape::HighShelf, 20_000.0, 24.0, 0.1),
    ];
    for (name, sections, limits) in [
        ("usual", usual(), Limits::standard()),
        ("none", vec![], Limits::standard()),
        ("opposed", opposed, wide_limits()),
        ("edges", edges.to_vec(), wide_limits()),
    ] {
        let mut outcome = outcome(&sections, &limits);
        outcome.shared.unit = format!("{name} \"\\ \u{e9} (invented)");
        let text = write(&Sheet::from_outcome(&outcome, &limits).unwrap()).unwrap();
        assert!(!text.to_lowercase().contains("nan"), "{text}");
        std::fs::write(folder.join(format!("{name}.sheet.toml")), text).unwrap();
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_is_written_is_read_to_the_last_bit(
        sections in prop::collection::vec(
            (
                prop::sample::select(Shape::ALL.as_slice()),
                1.0..22_000.0f64,
                -24.0..24.0f64,
                0.1..30.0f64,
            ).prop_map(|(shape, f0_hz, gain_db, q)| section(shape, f0_hz, gain_db, q)),
            0..12,
        ),
        unit in any::<String>(),
        takes in prop::collection::vec(any::<String>(), 0..4),
        band in prop::option::of((20.0..1000.0f64, 1000.0..20_000.0f64)),
        residual in prop::option::of((0.0..20.0f64, 0.0..20.0f64)),
    ) {
        let limits = wide_limits();
        // A dozen boosts on top of each other can need more than any preamp has.
        prop_assume!(headroom(&sections, &limits.rates_hz, &limits.preamp_db).is_ok());
        let mut outcome = outcome(&sections, &limits);
        outcome.shared.unit = unit;
        outcome.shared.takes = takes;
        outcome.shared.trusted_band_hz = band;
        outcome.shared.residual.before.trusted_band_db = residual.map(|r| r.0);
        outcome.shared.residual.after.trusted_band_db = residual.map(|r| r.1);
        let sheet = Sheet::from_outcome(&outcome, &limits).unwrap();
        let text = write(&sheet).unwrap();
        let again = parse(&text).unwrap();
        prop_assert_eq!(&again, &sheet);
        prop_assert_eq!(write(&again).unwrap(), text);
        for deviation in recompute(&again) {
            prop_assert!(deviation.worst_db() < 1e-4, "{:?}", deviation);
        }
    }

    #[test]
    fn no_damage_panics(at in any::<prop::sample::Index>(), byte in any::<u8>(), cut in any::<bool>()) {
        let mut bytes = usual_text().into_bytes();
        let at = at.index(bytes.len());
        if cut { bytes.truncate(at) } else { bytes[at] = byte }
        if let Ok(sheet) = read(&bytes, "damaged") {
            sheet.check().unwrap();
            let _ = recompute(&sheet);
        }
    }
}
