//! Limits files: what they mean, how steps count, and how every contradiction is reported.

use crate::support::hang::ends;
use bandwright::error::{Error, ErrorKind};
use bandwright::filter::{Section, Shape};
use bandwright::limits::{Limits, Setting, ShapeCounts, bounds};
use proptest::prelude::*;

/// A limits file that uses every form a setting can take.
const FILE: &str = r#"format = 1
name = "eight sections, half-decibel steps"
sections = 8
rates_hz = [44100, 48000, 96000]
preamp_db = { min = -20, max = 0, step = 0.5 }
f0_hz = { min = 20, max = 20000, step_octaves = 0.25 }
gain_db = { min = -12, max = 12, step = 0.1 }
q = { min = 0.3, max = 8 }
shelf_q = 0.7
[shapes]
low-shelf = 1
peaking = 6
high-shelf = 1
"#;

fn parse(text: &str) -> Result<Limits, Box<Error>> {
    Limits::parse(text.as_bytes(), "amp.limits.toml")
}

/// The error of `FILE` with one line exchanged.
fn error_with(line: &str, other: &str) -> Box<Error> {
    assert!(FILE.contains(line), "{line}");
    parse(&FILE.replace(line, other)).expect_err(other)
}

fn linear(min: f64, max: f64, step: f64) -> Setting {
    Setting::Linear { min, max, step }
}

#[test]
fn a_file_is_read_as_it_is_written() {
    let limits = parse(FILE).unwrap();
    assert_eq!(limits.name, "eight sections, half-decibel steps");
    assert_eq!(limits.sections, 8);
    assert_eq!(limits.rates_hz, [44_100.0, 48_000.0, 96_000.0]);
    assert_eq!(limits.preamp_db, linear(-20.0, 0.0, 0.5));
    assert_eq!(
        limits.f0_hz,
        Setting::Octaves {
            min: 20.0,
            max: 20_000.0,
            step_octaves: 0.25
        }
    );
    assert_eq!(limits.q, Setting::Range { min: 0.3, max: 8.0 });
    assert_eq!(limits.shelf_q, Setting::Allowed(vec![0.7]));
    assert_eq!(limits.q_of(Shape::Peaking), &limits.q);
    assert_eq!(limits.q_of(Shape::HighShelf), &limits.shelf_q);
    assert_eq!(limits.shapes.of(Shape::Peaking), 6);
    assert_eq!(limits.available(), 8);
}

#[test]
fn what_is_left_out_has_a_meaning() {
    let without_shelf_q = parse(&FILE.replace("shelf_q = 0.7\n", "")).unwrap();
    assert_eq!(without_shelf_q.shelf_q, without_shelf_q.q);
    let peaking_only = parse(
        &FILE
            .replace("low-shelf = 1\n", "")
            .replace("high-shelf = 1\n", ""),
    )
    .unwrap();
    assert_eq!(peaking_only.shapes.of(Shape::LowShelf), 0);
    // Fewer shapes than sections: the shapes count. More: any mix up to the sections.
    assert_eq!(peaking_only.available(), 6);
    let fewer = parse(&FILE.replace("sections = 8", "sections = 3")).unwrap();
    assert_eq!(fewer.available(), 3);
}

#[test]
fn windows_line_ends_and_a_byte_order_mark_are_fine() {
    let text = format!("\u{feff}{}", FILE.replace('\n', "\r\n"));
    assert_eq!(parse(&text).unwrap(), parse(FILE).unwrap());
}

#[test]
fn the_standard_limits_are_those_that_are_promised() {
    let standard = Limits::standard();
    standard.check().unwrap();
    assert_eq!(standard.available(), 8);
    assert_eq!(
        standard.shapes,
        ShapeCounts {
            low_shelf: 1,
            peaking: 6,
            high_shelf: 1
        }
    );
    assert_eq!((standard.f0_hz.min(), standard.f0_hz.max()), (20.0, 2e4));
    assert_eq!(
        (standard.gain_db.min(), standard.gain_db.max()),
        (-12.0, 6.0)
    );
    assert_eq!((standard.q.min(), standard.q.max()), (0.3, 6.0));
    assert_eq!((standard.shelf_q.min(), standard.shelf_q.max()), (0.4, 1.0));
    assert_eq!(standard.rates_hz, [44_100.0, 48_000.0, 96_000.0]);
    for setting in [
        &standard.f0_hz,
        &standard.gain_db,
        &standard.q,
        &standard.shelf_q,
    ] {
        assert!(setting.is_stepped());
    }
    assert_eq!(standard.f0_hz.value(981), 1010.0);
    assert_eq!(
        (standard.gain_db.value(1), standard.preamp_db.value(1)),
        (-11.9, -9.9)
    );
    assert_eq!(
        (standard.q.value(1), standard.shelf_q.value(1)),
        (0.35, 0.45)
    );
    assert_eq!(Limits::standard_with_sections(8).unwrap(), standard);
    for sections in 1..=64 {
        let limits = Limits::standard_with_sections(sections).unwrap();
        assert_eq!(limits.available(), sections);
    }
    assert!(Limits::standard_with_sections(0).is_err());
    assert!(Limits::standard_with_sections(65).is_err());
    assert!(Limits::standard_with_sections(usize::MAX).is_err());
}

#[test]
fn fewer_sections_can_be_asked_for_but_not_more_or_none() {
    let limits = parse(FILE).unwrap();
    assert_eq!(limits.with_sections(5).unwrap().available(), 5);
    for sections in [0, 9, usize::MAX] {
        let error = limits.with_sections(sections).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Setting);
        assert_eq!(error.place.source, limits.name);
    }
}

#[test]
fn a_stepped_value_is_the_decimal_that_a_listener_types() {
    let gain = linear(-12.0, 12.0, 0.1);
    assert_eq!(gain.len(), Some(241));
    for k in 0..=240 {
        // The decimal in text: tenths counted from -120.
        let tenths = k as i32 - 120;
        let sign = if tenths < 0 { "-" } else { "" };
        let typed = format!("{sign}{}.{}", tenths.abs() / 10, tenths.abs() % 10);
        assert_eq!(gain.value(k), typed.parse::<f64>().unwrap(), "{typed}");
    }
    assert_eq!(gain.value(3), -11.7);
    assert_eq!(linear(0.3, 8.0, 0.05).value(7), 0.65);
    assert_eq!(linear(20.0, 20_000.0, 0.001).value(1234), 21.234);
}

#[test]
fn the_last_value_is_the_largest_not_above_the_maximum() {
    let setting = linear(0.0, 1.0, 0.3);
    assert_eq!((setting.len(), setting.max()), (Some(4), 0.9));
    // 0.3 - 0.1 is not a multiple of 0.1 in binary; in decimals it is.
    let setting = linear(0.1, 0.3, 0.1);
    assert_eq!((setting.len(), setting.max()), (Some(3), 0.3));
    let octaves = Setting::Octaves {
        min: 25.0,
        max: 100.0,
        step_octaves: 0.5,
    };
    assert_eq!((octaves.len(), octaves.max()), (Some(5), 100.0));
    assert_eq!(octaves.value(2), 50.0);
    assert_eq!(octaves.value(99), 100.0);
}

#[test]
fn the_nearest_value_and_the_next_lower_one_are_found() {
    let setting = linear(-20.0, 0.0, 0.5);
    assert_eq!(setting.nearest(-5.14), -5.0);
    assert_eq!(setting.at_or_below(-5.14), Some(-5.5));
    assert_eq!(setting.at_or_below(-5.5), Some(-5.5));
    assert_eq!(setting.at_or_below(3.0), Some(0.0));
    assert_eq!(setting.at_or_below(-20.1), None);
    assert_eq!(setting.at_or_below(f64::NAN), None);
    assert_eq!(setting.nearest(-99.0), -20.0);
    assert_eq!(setting.nearest(f64::INFINITY), 0.0);
    assert_eq!(setting.nearest_index(-19.6), Some(1));

    let listed = Setting::Allowed(vec![31.5, 63.0, 125.0]);
    assert_eq!(listed.nearest(90.0), 63.0);
    assert_eq!(listed.nearest(100.0), 125.0);
    assert_eq!(listed.at_or_below(124.9), Some(63.0));
    assert_eq!(listed.len(), Some(3));
    assert!(listed.contains(63.0) && !listed.contains(64.0));

    let range = Setting::Range { min: 0.3, max: 6.0 };
    assert_eq!(range.nearest(7.0), 6.0);
    assert_eq!(range.at_or_below(7.0), Some(6.0));
    assert_eq!(range.at_or_below(0.2), None);
    assert!(range.contains(0.3) && range.contains(3.21) && !range.contains(6.1));
    assert_eq!((range.len(), range.nearest_index(1.0)), (None, None));
}

#[test]
fn what_is_expected_instead_of_a_value_is_said_in_words() {
    let words = linear(-20.0, 0.0, 0.5).instead_of(-5.14);
    assert_eq!(words, "-20 to 0, the nearest value being -5");
    let words = Setting::Allowed(vec![0.7]).instead_of(1.0);
    assert_eq!(words, "0.7, the only value there is");
}

#[test]
fn sections_outside_the_limits_are_named() {
    let limits = parse(FILE).unwrap();
    let section = |shape, f0_hz, gain_db, q| Section {
        shape,
        f0_hz,
        gain_db,
        q,
    };
    let good = section(Shape::Peaking, 40.0, -3.1, 2.345);
    limits.allows(&[]).unwrap();
    limits
        .allows(&[section(Shape::LowShelf, 80.0, 3.0, 0.7), good])
        .unwrap();
    for (sections, word) in [
        (vec![good; 7], "peaking"),
        (vec![good; 9], "9 sections"),
        (vec![good, section(Shape::Peaking, 41.0, -3.1, 2.0)], "40"),
        (
            vec![good, section(Shape::Peaking, 40.0, -3.15, 2.0)],
            "-3.1",
        ),
        (vec![good, section(Shape::LowShelf, 40.0, 3.0, 0.8)], "0.7"),
        (vec![section(Shape::Peaking, f64::NAN, 3.0, 2.0)], "NaN"),
    ] {
        let error = limits.allows(&sections).unwrap_err();
        assert!(error.to_string().contains(word), "{error}");
        assert_eq!(error.kind, ErrorKind::Setting);
    }
    let error = limits
        .allows(&[good, section(Shape::Peaking, 40.0, 3.0, 9.0)])
        .unwrap_err();
    assert_eq!(error.place.key.as_deref(), Some("section[2].q"));
}

#[test]
fn every_contradiction_names_its_line_and_key() {
    let preamp = "preamp_db = { min = -20, max = 0, step = 0.5 }";
    let f0 = "f0_hz = { min = 20, max = 20000, step_octaves = 0.25 }";
    let gain = "gain_db = { min = -12, max = 12, step = 0.1 }";
    let q = "q = { min = 0.3, max = 8 }";
    let rates = "rates_hz = [44100, 48000, 96000]";
    for (line_number, key, line, other) in [
        (1, "format", "format = 1", "format = 2"),
        (3, "sections", "sections = 8", "sections = 0"),
        (3, "sections", "sections = 8", "sections = 65"),
        (
            3,
            "sections",
            "sections = 8",
            "sections = 99999999999999999999",
        ),
        (4, "rates_hz", rates, "rates_hz = []"),
        (4, "rates_hz", rates, "rates_hz = [7999]"),
        (4, "rates_hz", rates, "rates_hz = [44100, 768001]"),
        (4, "rates_hz", rates, "rates_hz = [44100, 44100]"),
        (
            5,
            "preamp_db.max",
            preamp,
            "preamp_db = { min = -20, max = 3 }",
        ),
        (
            5,
            "preamp_db.min",
            preamp,
            "preamp_db = { min = -2, max = -3 }",
        ),
        (
            5,
            "preamp_db.allowed",
            preamp,
            "preamp_db = { allowed = [0, 1] }",
        ),
        (6, "f0_hz.min", f0, "f0_hz = { min = 0, max = 20000 }"),
        (
            6,
            "f0_hz.min",
            f0,
            "f0_hz = { min = -20, max = 20000, step_octaves = 1 }",
        ),
        (6, "f0_hz.max", f0, "f0_hz = { min = 20, max = 22050 }"),
        (6, "f0_hz.max", f0, "f0_hz = { min = 30000, max = 40000 }"),
        (
            6,
            "f0_hz.step_octaves",
            f0,
            "f0_hz = { min = 20, max = 40, step_octaves = 1.1 }",
        ),
        (
            6,
            "f0_hz.step_octaves",
            f0,
            "f0_hz = { min = 20, max = 40, step_octaves = 0 }",
        ),
        (
            6,
            "f0_hz.step_octaves",
            f0,
            "f0_hz = { min = 20, max = 40, step = 1, step_octaves = 1 }",
        ),
        (7, "gain_db.min", gain, "gain_db = { min = 12, max = -12 }"),
        (7, "gain_db.min", gain, "gain_db = { min = -61, max = 12 }"),
        (
            7,
            "gain_db.step",
            gain,
            "gain_db = { min = -12, max = 12, step = 0 }",
        ),
        (
            7,
            "gain_db.step",
            gain,
            "gain_db = { min = -12, max = 12, step = -0.5 }",
        ),
        (
            7,
            "gain_db.step",
            gain,
            "gain_db = { min = -12, max = 12, step = 25 }",
        ),
        (
            7,
            "gain_db.step",
            gain,
            "gain_db = { min = -12, max = 12, step = 1e-9 }",
        ),
        (
            7,
            "gain_db.min",
            gain,
            "gain_db = { min = -1.00000000001, max = 12, step = 0.1 }",
        ),
        (
            7,
            "gain_db.min",
            gain,
            "gain_db = { min = 0, max = 1, step = 0.1, allowed = [1] }",
        ),
        (7, "gain_db.allowed", gain, "gain_db = { allowed = [] }"),
        (7, "gain_db.allowed", gain, "gain_db = { allowed = [1, 0] }"),
        (
            7,
            "gain_db.allowed",
            gain,
            "gain_db = { allowed = [0, 1, 1] }",
        ),
        (8, "q.min", q, "q = { min = 0, max = 8 }"),
        (8, "q.min", q, "q = { min = -1, max = 8 }"),
        (9, "shelf_q.allowed", "shelf_q = 0.7", "shelf_q = 0"),
        (
            10,
            "shapes",
            "low-shelf = 1\npeaking = 6\nhigh-shelf = 1\n",
            "",
        ),
        (12, "shapes.peaking", "peaking = 6", "peaking = 65"),
    ] {
        let error = error_with(line, other);
        assert_eq!(error.place.source, "amp.limits.toml", "{error}");
        assert_eq!(error.place.key.as_deref(), Some(key), "{other}: {error}");
        assert_eq!(error.place.line, Some(line_number), "{other}: {error}");
    }
    // A rate that makes half of the frequencies unplayable is the other side of the same contradiction.
    let error = error_with(rates, "rates_hz = [48000, 32000]");
    assert!(error.to_string().contains("16000"), "{error}");
}

#[test]
fn values_of_the_wrong_kind_name_what_was_found() {
    let gain = "gain_db = { min = -12, max = 12, step = 0.1 }";
    for (line, other, word) in [
        (gain, "gain_db = { min = nan, max = 12 }", "nan"),
        (gain, "gain_db = { min = -inf, max = 12 }", "inf"),
        (gain, "gain_db = { min = -12, max = 1e999 }", "1e999"),
        (gain, "gain_db = { min = \"low\", max = 12 }", "\"low\""),
        (gain, "gain_db = { min = true, max = 12 }", "true"),
        (gain, "gain_db = { min = 0x10, max = 20 }", "0x10"),
        (gain, "gain_db = { max = 12 }", "`min`"),
        (gain, "gain_db = \"-12 to 12\"", "-12 to 12"),
        (gain, "gain_db = [1, 2]", "allowed"),
        ("sections = 8", "sections = 8.5", "8.5"),
        ("sections = 8", "sections = -8", "-8"),
        ("sections = 8", "sections = \"eight\"", "eight"),
        (
            "name = \"eight sections, half-decibel steps\"",
            "name = 8",
            "8",
        ),
        (
            "name = \"eight sections, half-decibel steps\"\n",
            "",
            "name",
        ),
        ("format = 1\n", "", "format"),
    ] {
        let text = error_with(line, other).to_string();
        assert!(text.contains(word), "{other}: {text}");
    }
}

#[test]
fn a_misspelt_key_gets_the_nearest_spelling() {
    for (line, other, near) in [
        ("gain_db =", "gian_db =", "`gain_db`"),
        ("step = 0.5", "steps = 0.5", "`step`"),
        ("high-shelf = 1", "high_shelf = 1", "`high-shelf`"),
        ("shelf_q = 0.7", "shelfq = 0.7", "`shelf_q`"),
    ] {
        let error = error_with(line, other);
        assert_eq!(error.kind, ErrorKind::Name);
        assert!(error.next_step().contains(near), "{error}");
        assert!(error.place.line.is_some());
    }
    let error = error_with("shelf_q = 0.7", "zzzzzzzzzzzzz = 0.7");
    assert!(!error.next_step().contains("did you mean"), "{error}");
}

#[test]
fn broken_toml_says_where() {
    let error = parse("format = 1\nname = \"open\nsections = 8\n").unwrap_err();
    assert_eq!((error.kind, error.place.line), (ErrorKind::Format, Some(2)));
    let error = parse("format = 1\nformat = 1\n").unwrap_err();
    assert_eq!((error.kind, error.place.line), (ErrorKind::Format, Some(2)));
    let error = Limits::parse(b"format = 1\nname = \"\xff\"\n", "x").unwrap_err();
    assert_eq!((error.kind, error.place.line), (ErrorKind::Format, Some(2)));
    assert!(parse("").is_err());
    assert!(parse("frequency,level\n20,80\n").is_err());
}

#[test]
fn a_usual_slip_is_named_at_its_line_and_column() {
    for (line, slip, column, found, expected) in [
        (
            "sections = 8",
            "sections = 8,5",
            13,
            "`8,5`",
            "a decimal point, not a comma",
        ),
        (
            "q = { min = 0.3, max = 8 }",
            "q = { min = 0,3, max = 8 }",
            14,
            "0,3",
            "a decimal point",
        ),
        (
            "name = \"eight sections, half-decibel steps\"",
            "name = \"eight",
            8,
            "one quotation mark",
            "a quotation mark before and after",
        ),
        (
            "name = \"eight sections, half-decibel steps\"",
            "name = eight\"",
            13,
            "one quotation mark",
            "a quotation mark before and after",
        ),
        (
            "name = \"eight sections, half-decibel steps\"",
            "name = eight sections",
            8,
            "without quotation marks",
            "a text in quotation marks",
        ),
        (
            "name = \"eight sections, half-decibel steps\"",
            "name = “eight”",
            8,
            "typographic quotation mark “",
            "a plain quotation mark",
        ),
        (
            "name = \"eight sections, half-decibel steps\"",
            "name = \"a\\q c\"",
            10,
            "a backslash",
            "two backslashes",
        ),
        ("[shapes]", "[shapes", 8, "`[shapes`", "brackets"),
        (
            "rates_hz = [44100, 48000, 96000]",
            "rates_hz = [44100, 48000, 96000",
            12,
            "`[` that is not closed",
            "`]`",
        ),
        (
            "q = { min = 0.3, max = 8 }",
            "q = { min = 0.3, max = 8",
            5,
            "`{` that is not closed",
            "`}`",
        ),
        (
            "sections = 8",
            "sections 8",
            9,
            "`sections` without `=`",
            "KEY = VALUE",
        ),
        ("sections = 8", "sections\t8", 9, "but a tab", "KEY = VALUE"),
        (
            "sections = 8",
            "sections: 8",
            9,
            "but a colon",
            "KEY = VALUE",
        ),
        (
            "sections = 8",
            "sections =",
            11,
            "without a value",
            "KEY = VALUE",
        ),
        (
            "sections = 8",
            "sections =\u{a0}8",
            11,
            "U+00A0",
            "plain blanks",
        ),
        (
            "shelf_q = 0.7",
            "shelf_q = 0.7 octaves",
            11,
            "`0.7 octaves`",
            "the number alone",
        ),
    ] {
        let error = error_with(line, slip);
        let number = 1 + FILE[..FILE.find(line).unwrap()].matches('\n').count();
        assert_eq!(
            (error.kind, error.place.line, error.place.column),
            (ErrorKind::Format, Some(number), Some(column)),
            "{slip}: {error}"
        );
        assert!(error.found().contains(found), "{slip}: {error}");
        assert!(error.expected().contains(expected), "{slip}: {error}");
        assert!(
            error
                .to_string()
                .starts_with(&format!("amp.limits.toml:{number}:{column}: "))
        );
    }
}

#[test]
fn a_key_given_twice_is_named_with_the_lines_of_both() {
    let error = error_with("sections = 8", "sections = 8\nsections = 9");
    assert_eq!(error.place.line, Some(4), "{error}");
    assert_eq!(error.place.key.as_deref(), Some("sections"));
    assert!(
        error.found().contains("`sections` again, after line 3"),
        "{error}"
    );
    // The one in another table is no first.
    let error = error_with("peaking = 6", "peaking = 6\nlow-shelf = 2");
    assert!(
        error.found().contains("`low-shelf` again, after line 11"),
        "{error}"
    );
    let error = error_with(
        "q = { min = 0.3, max = 8 }",
        "q = { min = 0.3, max = 8, min = 1 }",
    );
    assert!(
        error.found().contains("`min` again, after line 8"),
        "{error}"
    );
    let error = error_with("high-shelf = 1", "high-shelf = 1\n[shapes]");
    assert_eq!(error.place.line, Some(14), "{error}");
    assert!(
        error.found().contains("`shapes` again, after line 10"),
        "{error}"
    );
}

#[test]
fn a_gain_limit_that_no_gain_fulfils_is_named_by_its_line() {
    let with = |limits: &str| FILE.replace("[shapes]", &format!("{limits}\n[shapes]"));
    let lines = "gain_limit = [\n  { to_hz = 100, max_db = 6 },\n  ";
    for (second, line, key) in [
        ("{ from_hz = 200, min_db = 13 },\n]", 12, "gain_limit[2]"),
        ("{ min_db = 2, max_db = 1 },\n]", 12, "gain_limit[2].min_db"),
        (
            "{ from_hz = 3000, to_hz = 300, max_db = 1 },\n]",
            12,
            "gain_limit[2].from_hz",
        ),
        ("{ min_db = 3 },\n  { max_db = 2 },\n]", 13, "gain_limit[3]"),
        (
            "{ min_db = 3 },\n  { to_hz = 1000, max_db = 2 },\n  { from_hz = 1000, max_db = 1 },\n]",
            14,
            "gain_limit[4]",
        ),
        ("{ min_db = 1 },\n]\ncut_only = true", 12, "gain_limit[2]"),
    ] {
        let text = with(&format!("{lines}{second}"));
        let error = parse(&text).expect_err(&text);
        assert_eq!(
            (error.place.line, error.place.key.as_deref()),
            (Some(line), Some(key)),
            "{error}"
        );
        assert!(!error.to_string().contains("inf"), "{error}");
    }
    for fine in [
        "gain_limit = [{ from_hz = 8000, min_db = 0, max_db = 0 }]",
        "gain_limit = [{ to_hz = 1000, min_db = 3 }, { from_hz = 2000, max_db = 2 }]",
        "gain_limit = [{ min_db = 3 }, { to_hz = 10000, max_db = 2 }]",
    ] {
        parse(&with(fine)).unwrap_or_else(|error| panic!("{fine}: {error}"));
    }
}

#[test]
fn widths_between_3_db_points_need_gains_that_have_them() {
    let with = |gains: &str, rest: &str| {
        FILE.replace(
            "gain_db = { min = -12, max = 12, step = 0.1 }",
            &format!("gain_db = {gains}"),
        )
        .replace(
            "shelf_q = 0.7",
            &format!("shelf_q = 0.7\nq_meaning = \"width-3-db\"{rest}"),
        )
    };
    for (gains, rest) in [
        ("{ min = -3, max = 3 }", ""),
        ("{ min = -3, max = 3, step = 0.5 }", ""),
        ("{ allowed = [-2, 0, 2] }", ""),
        ("{ min = -3, max = 12 }", "\ncut_only = true"),
    ] {
        let error = parse(&with(gains, rest)).expect_err(gains);
        assert_eq!(error.place.line, Some(10), "{error}");
        assert_eq!(error.place.key.as_deref(), Some("q_meaning"), "{error}");
    }
    for (gains, some_lost) in [
        ("{ min = -12, max = 12 }", true),
        ("{ min = -12, max = 12, step = 4 }", false),
        ("{ allowed = [-6, 0, 2] }", true),
        ("{ allowed = [-6, 0, 6] }", false),
        ("{ min = -12, max = 0, step = 3 }", true),
    ] {
        let limits = parse(&with(gains, "")).unwrap_or_else(|error| panic!("{gains}: {error}"));
        assert_eq!(limits.has_gains_without_width(), some_lost, "{gains}");
        let otherwise = Limits {
            rules: Default::default(),
            ..limits
        };
        assert!(!otherwise.has_gains_without_width());
    }
}

#[test]
fn the_largest_files_are_answered_in_a_moment_and_counts_say_their_bounds() {
    let many = |one: &str, count: usize| vec![one; count].join(", ");
    let values: Vec<String> = (1..=300_000)
        .map(|k| (k as f64 / 100.0).to_string())
        .collect();
    let with = |line: &str, other: &str| FILE.replace(line, other);
    let rule = |rule: String| with("[shapes]", &format!("{rule}\n[shapes]"));
    for (what, text, bound) in [
        (
            "slots",
            rule(format!(
                "slot = [{}]",
                many("{ shape = \"peaking\" }", 150_000)
            )),
            "at most 64",
        ),
        (
            "gain limits",
            rule(format!(
                "gain_limit = [{}]",
                many("{ max_db = 6 }", 200_000)
            )),
            "at most 64",
        ),
        (
            "values",
            with(
                "q = { min = 0.3, max = 8 }",
                &format!("q = {{ allowed = [{}] }}", values.join(", ")),
            ),
            "at most 10000",
        ),
        (
            "rates",
            with(
                "[44100, 48000, 96000]",
                &format!("[{}]", many("44100", 500_000)),
            ),
            "at most 16",
        ),
        (
            "keys",
            format!(
                "{FILE}{}",
                (0..200_000)
                    .map(|k| format!("z{k} = 1\n"))
                    .collect::<String>()
            ),
            "one of",
        ),
        (
            "size",
            format!("{FILE}{}", "# a line\n".repeat(600_000)),
            "4 MB",
        ),
    ] {
        let error = ends(what, || parse(&text)).expect_err(what);
        assert!(error.to_string().contains(bound), "{what}: {error}");
        assert!(error.to_string().len() < 500, "{what}: {error}");
    }
    let commented = format!("{}{FILE}", "# a line\n".repeat(450_000));
    ends("comments", || parse(&commented)).unwrap();
}

#[test]
fn hostile_files_end_in_an_error() {
    let deep = format!("a = {}", "[".repeat(200_000));
    let long_key = format!("{} = 1", "k".repeat(1_000_000));
    let many_rates = FILE.replace(
        "[44100, 48000, 96000]",
        &format!(
            "[{}]",
            (8000..308_000)
                .map(|r| r.to_string())
                .collect::<Vec<_>>()
                .join(",")
        ),
    );
    let huge = "#".repeat(100 << 20);
    for text in [deep, long_key, many_rates, huge] {
        let error = ends(&text[..8], || parse(&text)).unwrap_err();
        assert!(error.to_string().len() < 1000, "{error}");
    }
}

#[test]
fn a_limits_file_survives_being_written_and_read() {
    for limits in [
        parse(FILE).unwrap(),
        Limits::standard(),
        Limits {
            name: "quotes \" and \\ and \n and \u{1f3a7} \u{e9}\u{7f}".to_owned(),
            ..Limits::standard()
        },
    ] {
        let text = limits.to_toml();
        assert!(text.is_ascii());
        assert_eq!(parse(&text).unwrap(), limits);
    }
}

/// A setting of any kind within `bound`.
fn any_setting(bound: bounds::Bound) -> impl Strategy<Value = Setting> {
    let thousandths = (bound.min * 1000.0).ceil() as i64..(bound.max * 1000.0) as i64;
    (thousandths.clone(), thousandths, 1..5000i64, 0..4).prop_map(|(a, b, step, kind)| {
        let (lo, hi) = (a.min(b), a.max(b) + 5000);
        let [min, max, step] = [lo, hi, step].map(|x| x as f64 / 1000.0);
        match kind {
            0 => Setting::Range { min, max },
            1 if min > 0.0 => Setting::Octaves {
                min,
                max,
                step_octaves: (max / min).log2() / 17.3,
            },
            2 => Setting::Allowed(vec![min, 0.5 * (min + max), max]),
            _ => linear(min, max, step),
        }
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_value_finds_itself(
        setting in any_setting(bounds::GAIN_DB).prop_union(any_setting(bounds::F0_HZ)),
        part in 0.0..1.0f64,
    ) {
        let Some(len) = setting.len() else { return Ok(()) };
        let k = (part * len as f64) as usize;
        let value = setting.value(k);
        prop_assert_eq!(setting.nearest_index(value), Some(k));
        prop_assert_eq!(setting.at_or_below(value), Some(value));
        prop_assert!(setting.contains(value));
        prop_assert!(setting.min() <= value && value <= setting.max());
        // Typed as text, it is the same number.
        prop_assert_eq!(value.to_string().parse::<f64>().unwrap(), value);
        if matches!(setting, Setting::Linear { .. }) {
            prop_assert!(value.to_string().len() <= 10, "{}", value);
        }
        if k + 1 < len {
            let next = setting.value(k + 1);
            prop_assert!(next > value);
            let between = value + part * (next - value);
            prop_assert_eq!(setting.at_or_below(between), Some(value));
            let nearest = setting.nearest(between);
            prop_assert!((nearest - between).abs() <= (value - between).abs());
            prop_assert!((nearest - between).abs() <= (next - between).abs());
        }
    }

    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = Limits::parse(&bytes, "noise");
    }

    #[test]
    fn no_single_damage_panics(at in 0..FILE.len(), byte in any::<u8>(), cut in any::<bool>()) {
        let mut bytes = FILE.as_bytes().to_vec();
        if cut { bytes.truncate(at) } else { bytes[at] = byte }
        if let Ok(limits) = Limits::parse(&bytes, "damaged") {
            limits.check().unwrap();
        }
    }

    #[test]
    fn settings_made_by_hand_never_panic(
        numbers in prop::collection::vec(
            prop_oneof![any::<f64>(), Just(0.0), Just(-1.0), Just(f64::NAN), Just(f64::INFINITY)],
            4,
        ),
        k in any::<usize>(),
    ) {
        let [min, max, step, x] = numbers[..] else { unreachable!() };
        for setting in [
            Setting::Range { min, max },
            linear(min, max, step),
            Setting::Octaves { min, max, step_octaves: step },
            Setting::Allowed(vec![]),
            Setting::Allowed(vec![min, max]),
        ] {
            let _ = (setting.value(k), setting.len(), setting.nearest(x), setting.nearest_index(x));
            let _ = (setting.contains(x), setting.at_or_below(x), setting.min(), setting.max());
            let limits = Limits { gain_db: setting, ..Limits::standard() };
            let _ = limits.check();
        }
    }
}

#[test]
fn a_setting_of_so_many_digits_has_the_numbers_that_one_types() {
    let digits = Setting::Digits {
        min: 20.0,
        max: 20_000.0,
        step: 1.0,
        digits: 3,
    };
    let values: Vec<f64> = (0..digits.len().unwrap())
        .map(|k| digits.value(k))
        .collect();
    let by_hand = (20..1000)
        .chain((1000..10_000).step_by(10))
        .chain((10_000..=20_000).step_by(100));
    assert_eq!(values, by_hand.map(f64::from).collect::<Vec<f64>>());
    assert_eq!((digits.min(), digits.max()), (20.0, 20_000.0));
    for (x, nearest) in [
        (1.0, 20.0),
        (999.4, 999.0),
        (999.6, 1000.0),
        (1004.0, 1000.0),
        (1006.0, 1010.0),
        (9994.0, 9990.0),
        (10_051.0, 10_100.0),
        (1e9, 20_000.0),
    ] {
        assert_eq!(digits.nearest(x), nearest, "{x}");
    }
    for (k, value) in values.iter().enumerate() {
        assert_eq!(digits.nearest_index(*value), Some(k));
        assert_eq!(digits.at_or_below(*value), Some(*value));
        assert_eq!(digits.at_or_above(*value), Some(*value));
        assert!(digits.contains(*value));
    }
    assert_eq!(digits.at_or_below(1009.9), Some(1000.0));
    assert_eq!(digits.at_or_above(1000.1), Some(1010.0));
    assert!(!digits.contains(1005.0));
    let tenths = Setting::Digits {
        min: 0.3,
        max: 45.0,
        step: 0.1,
        digits: 2,
    };
    let values: Vec<f64> = (0..tenths.len().unwrap())
        .map(|k| tenths.value(k))
        .collect();
    assert_eq!(
        (values[0], values[96], values[97], values[98]),
        (0.3, 9.9, 10.0, 11.0)
    );
    assert_eq!(values.last(), Some(&45.0));
}

#[test]
fn a_file_says_so_with_digits_and_is_read_back_as_written() {
    let text = "format = 1\nname = \"typed\"\nsections = 2\nrates_hz = [48000]\npreamp_db = { min = -10, max = 0, step = 0.1 }\nf0_hz = { min = 20, max = 20000, step = 1, digits = 3 }\ngain_db = { min = -6, max = 6, step = 0.5 }\nq = { min = 0.5, max = 4, step = 0.1 }\nshelf_q = 0.7\n[shapes]\npeaking = 2\n";
    let limits = Limits::parse(text.as_bytes(), "typed.limits.toml").unwrap();
    assert!(matches!(limits.f0_hz, Setting::Digits { digits: 3, .. }));
    for (wrong, place) in [
        ("step = 1, digits = 3", "digits = 3"),
        ("step = 1, digits = 3", "step = 2, digits = 3"),
        ("step = 1, digits = 3", "step = 1, digits = 0"),
        ("step = 1, digits = 3", "step = 1, digits = 7"),
        ("step = 1, digits = 3", "step = 1, digits = 1"),
        ("step = 1, digits = 3", "step = 1, digits = 2.5"),
        (
            "step = 1, digits = 3",
            "step_octaves = 0.1, step = 1, digits = 3",
        ),
    ] {
        let text = text.replace(wrong, place);
        let error = Limits::parse(text.as_bytes(), "typed.limits.toml").unwrap_err();
        assert!(error.to_string().contains("digits"), "{place}: {error}");
    }
}
