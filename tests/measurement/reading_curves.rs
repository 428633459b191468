//! Curves and weights from delimited text, and what is refused.

use crate::support::hang::ends;
use std::fmt::Write;

use bandwright::Error;
use bandwright::error::ErrorKind;
use bandwright::measurement::Curve;
use bandwright::measurement::parse::{MAX_FILE_BYTES, header_notes, parse_curve, parse_weight};
use proptest::prelude::*;

const PLAIN: &str = "frequency_hz,level_db\n20,-3.25\n100.5,0.125\n1000,2\n8000,-11.5\n";

fn read(text: impl AsRef<[u8]>) -> Curve {
    parse_curve(text.as_ref(), "take.csv").unwrap_or_else(|error| panic!("{error}"))
}

fn refused(text: impl AsRef<[u8]>) -> Error {
    let answer = parse_curve(text.as_ref(), "take.csv");
    let error = *answer.expect_err(&String::from_utf8_lossy(
        &text.as_ref()[..text.as_ref().len().min(80)],
    ));
    let words = error.to_string();
    assert!(words.starts_with("take.csv"), "{words}");
    assert!(
        words.len() < 400 && !words.chars().any(char::is_control),
        "{words}"
    );
    for part in [&error.found(), &error.expected(), &error.next_step()] {
        assert!(!part.is_empty());
    }
    error
}

fn utf_16(text: &str, little: bool, mark: bool) -> Vec<u8> {
    let mark = if mark { "\u{feff}" } else { "" };
    mark.encode_utf16()
        .chain(text.encode_utf16())
        .flat_map(|unit| {
            if little {
                unit.to_le_bytes()
            } else {
                unit.to_be_bytes()
            }
        })
        .collect()
}

/// A column pair in the notation of an odd file.
fn rows(points: &[(f64, f64)], row: impl Fn(&str, &str) -> String) -> String {
    points
        .iter()
        .map(|(f, l)| row(&f.to_string(), &l.to_string()))
        .collect()
}

/// The odd files that must all read alike.
fn odd_files(points: &[(f64, f64)]) -> Vec<(&'static str, Vec<u8>)> {
    let comma = |text: &str| text.replace('.', ",");
    let semicolons = format!(
        "Frequenz [Hz];Pegel [dB]\r\n{}",
        rows(points, |f, l| format!("{};{}\r\n", comma(f), comma(l)))
    );
    let tabs = rows(points, |f, l| format!("{f}\t{l}\t0.5\n"));
    let tabs: Vec<u8> = format!("Messung bei 21 \u{b0}C, Kanal links\nf/Hz\tL/dB\tTHD/%\n{tabs}")
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let scientific: String = points.iter().fold(String::new(), |mut text, (f, l)| {
        writeln!(text, " {f:e} , {l:E} ").unwrap();
        text
    });
    let header = "* Exported curve\n\n[device]\nserial: none\n\n[settings]\nsmoothing none\nwindow 500 ms\n\n[data]\nFrequency Level\nHz dB\n";
    let half = points.len() / 2;
    let blocks = format!(
        "{header}{}[data]\nFrequency Level\nHz dB\n\n{}",
        rows(&points[..half], |f, l| format!("{f} {l}\n")),
        rows(&points[half..], |f, l| format!("{f} {l}\n"))
    );
    let tails = rows(points, |f, l| {
        format!("   {f}   {l}   # seen, 3 times; fine\r")
    });
    let quoted = rows(points, |f, l| {
        format!("\"{}\", \"{}\"\n", comma(f), comma(l))
    });
    vec![
        (
            "semicolons and decimal commas",
            semicolons.clone().into_bytes(),
        ),
        (
            "UTF-16, little end first, marked",
            utf_16(&semicolons, true, true),
        ),
        (
            "UTF-16, big end first, marked",
            utf_16(&semicolons, false, true),
        ),
        ("UTF-16, little end first", utf_16(&semicolons, true, false)),
        ("UTF-16, big end first", utf_16(&semicolons, false, false)),
        (
            "UTF-8, marked",
            format!("\u{feff}{semicolons}").into_bytes(),
        ),
        ("tabs and Latin-1", tabs),
        (
            "scientific",
            format!("# sweep\nfrequency,level\n{scientific}").into_bytes(),
        ),
        ("header blocks", blocks.into_bytes()),
        (
            "blanks and comment tails",
            format!("# f L\r{tails}").into_bytes(),
        ),
        ("quoted decimal commas", quoted.into_bytes()),
        (
            "no header",
            rows(points, |f, l| format!("{f},{l}\n")).into_bytes(),
        ),
        (
            "tails after commas",
            rows(points, |f, l| format!("{f},{l}; ok\n")).into_bytes(),
        ),
        (
            "mathematical minus",
            rows(points, |f, l| {
                format!("{f}\t{}\n", l.replace('-', "\u{2212}"))
            })
            .into_bytes(),
        ),
        (
            "blanks and decimal commas",
            rows(points, |f, l| format!("{} {}\n", comma(f), comma(l))).into_bytes(),
        ),
        (
            "trailing separators",
            rows(points, |f, l| format!("{f};{l};\n")).into_bytes(),
        ),
    ]
}

#[test]
fn odd_files_read_alike_bit_for_bit() {
    let points = [
        (20.0, -3.25),
        (100.5, 0.1),
        (1000.125, 2.0),
        (8000.0, -11.5),
        (20000.0, 1e-3),
    ];
    for (name, bytes) in odd_files(&points) {
        let curve =
            parse_curve(&bytes, "take.csv").unwrap_or_else(|error| panic!("{name}: {error}"));
        for (i, (f, l)) in points.iter().enumerate() {
            assert_eq!(curve.frequency_hz()[i].to_bits(), f.to_bits(), "{name}");
            assert_eq!(curve.level_db()[i].to_bits(), l.to_bits(), "{name}");
        }
        assert_eq!(curve.frequency_hz().len(), points.len(), "{name}");
        assert_eq!(curve.phase_deg(), None, "{name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn random_curves_survive_every_odd_format(
        steps in prop::collection::vec((1.001..1.9f64, -120.0..120.0f64), 8..60)
    ) {
        let mut f_hz = 5.3;
        let points: Vec<(f64, f64)> = steps.iter().map(|(ratio, level)| { f_hz *= ratio; (f_hz, *level) }).collect();
        prop_assume!(points[points.len() - 1].0 > 2.0 * points[0].0 && f_hz > 100.0);
        for (name, bytes) in odd_files(&points) {
            let curve = parse_curve(&bytes, "take.csv").unwrap_or_else(|error| panic!("{name}: {error}"));
            let read: Vec<(f64, f64)> =
                curve.frequency_hz().iter().copied().zip(curve.level_db().iter().copied()).collect();
            prop_assert_eq!(&read, &points, "{}", name);
        }
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = parse_curve(&bytes, "x");
        let _ = parse_weight(&bytes, "x");
        let _ = header_notes(&bytes, "x");
    }

    #[test]
    fn no_text_of_numbers_and_marks_makes_it_panic(text in "[0-9.,;\t \"#/eE+\\-\r\nNaif°%!*\\[\\]]{0,300}") {
        let _ = parse_curve(text.as_bytes(), "x");
        let _ = parse_weight(text.as_bytes(), "x");
    }
}

#[test]
fn a_third_column_is_phase_only_when_the_header_or_its_absence_says_so() {
    let three = "20 1 90\n100 2 45\n1000 3 -30.5\n";
    let phase = |text: &str| read(text).phase_deg().map(<[f64]>::to_vec);
    let given = Some(vec![90.0, 45.0, -30.5]);
    assert_eq!(phase(three), given);
    assert_eq!(
        phase(&format!("# one comment, with a phase in it\n{three}")),
        given
    );
    for header in [
        "* Freq(Hz) SPL(dB) Phase(degrees)",
        "Frequency (Hz) Level (dB) Angle (deg)",
        "f/Hz L/dB φ/°",
    ] {
        assert_eq!(phase(&format!("{header}\n{three}")), given, "{header}");
    }
    assert_eq!(phase(&format!("Hz dB THD\n{three}")), None);
    assert_eq!(phase(&format!("a b c\n{three}")), None);
    assert_eq!(phase("20 1 90 7\n100 2 45 7\n1000 3 1 7\n"), None);
    assert_eq!(phase("20 1 90\n100 2\n1000 3 1\n"), None);
    assert_eq!(phase("20 1 good\n100 2 good\n1000 3 good\n"), None);
    assert_eq!(
        phase("Hz,dB,THD,phase\n20,1,0.5,90\n100,2,0.5,45\n1000,3,0.5,30\n"),
        None
    );
    assert_eq!(
        phase("Hz,dB,phase,THD\n20,1,90,5\n100,2,45,5\n1000,3,-30.5,5\n"),
        given
    );
    let error = refused("Hz,dB,phase\n20,1,90\n100,2,n/a\n1000,3,1\n");
    assert_eq!((error.kind, error.place.line), (ErrorKind::Number, Some(3)));
}

#[test]
fn bad_rows_are_refused_with_their_line() {
    use ErrorKind::{Coverage, Format, Number, Order};
    for (text, kind, line, found) in [
        ("", Format, None, "empty"),
        ("  \r\n \t\n", Format, None, "empty"),
        ("\u{feff}", Format, None, "empty"),
        ("20\n30\n40\n", Number, Some(1), "one column"),
        ("f\n\n20.5\n30.5\n", Number, Some(3), "one column"),
        ("some words\nand no figure\n", Number, None, "no numbers"),
        (
            "Hz,dB\n20,1\n30,abc\n40,2\n",
            Number,
            Some(3),
            "`abc` in the second",
        ),
        (
            "Hz,dB\r\n20,1\r\n\r\n# c\r\n30,abc\r\n40,2\r\n",
            Number,
            Some(5),
            "`abc`",
        ),
        (
            "20,1\rabc,2\r40,2\r",
            Number,
            Some(2),
            "`abc` in the frequency",
        ),
        ("20,1\n30\n40,2\n", Number, Some(2), "nothing in the second"),
        (
            "20,1\n30,\n40,2\n",
            Number,
            Some(2),
            "nothing in the second",
        ),
        ("20,1\n1k,3\n4000,2\n", Number, Some(2), "`1k`"),
        ("20;1\n1.000,5;3\n4000;2\n", Number, Some(2), "`1.000,5`"),
        ("Hz,dB\n20,loud\n30,1\n40,2\n", Number, Some(2), "`loud`"),
        ("20,NaN\n30,1\n40,2\n", Number, Some(1), "`NaN`"),
        ("nan,1\n30,1\n40,2\n", Number, Some(1), "`nan`"),
        ("20,1\n30,-inf\n40,2\n", Number, Some(2), "`-inf`"),
        ("20,1\n30,1e999\n40,2\n", Number, Some(2), "`1e999`"),
        ("20,1\n30,1e9\n40,2\n", Number, Some(2), "1e9 dB"),
        ("0,1\n30,1\n40,2\n", Order, Some(1), "0 Hz"),
        ("-20,1\n30,1\n40,2\n", Order, Some(1), "-20 Hz"),
        ("20,1\n40,1\n30,2\n", Order, Some(3), "30 Hz after 40 Hz"),
        ("20,1\n40,1\n40,2\n", Order, Some(3), "second time"),
        ("20,1\n40,2\n", Coverage, None, "2 points"),
        ("200,1\n240,2\n390,2\n", Coverage, None, "200 Hz to 390 Hz"),
        (
            "Frequency (kHz);dB\n0.02;1\n1;2\n20;1\n",
            Number,
            None,
            "kHz",
        ),
        ("f in kHz;dB\n2;1\n10;2\n50;1\n", Number, None, "kHz"),
        ("0.02;1\n1;2\n20;1\n", Number, None, "kHz"),
        (
            "20,00,-3,25\n31,50,-2,75\n63,00,-1,00\n",
            Format,
            Some(1),
            "four whole numbers",
        ),
        (
            "20,00,-3,25\n20,50,-2,75\n63,00,-1,00\n",
            Format,
            Some(2),
            "four whole numbers",
        ),
        ("20 1\n30 \"2\n80 3\n", Format, Some(2), "stands alone"),
        ("a\0b", Format, None, "zero bytes"),
    ] {
        let error = refused(text);
        assert_eq!(
            (error.kind, error.place.line),
            (kind, line),
            "{text:?}: {error}"
        );
        assert!(error.found().contains(found), "{text:?}: {error}");
    }
}

#[test]
fn files_of_another_kind_are_recognised() {
    for (head, name) in [
        (&b"\x89PNG\r\n\x1a\n"[..], "PNG"),
        (b"\xff\xd8\xff\xe0", "JPEG"),
        (b"PK\x03\x04", "ZIP"),
        (b"\x1f\x8b\x08", "GZIP"),
        (b"%PDF-1.7", "PDF"),
        (b"RIFF....WAVE", "WAV"),
    ] {
        let bytes = [head, PLAIN.as_bytes()].concat();
        let error = refused(&bytes);
        assert_eq!(error.kind, ErrorKind::Format);
        assert!(error.found().contains(name), "{error}");
    }
}

#[test]
fn a_quote_that_joins_lines_is_refused_at_its_line() {
    let error = refused("Hz,dB,n\n20,1,x\",\"\n40,2,\"b\"\n80,3,c\n");
    assert_eq!(
        (error.kind, error.place.line),
        (ErrorKind::Format, Some(2)),
        "{error}"
    );
}

#[test]
fn a_quotation_mark_that_stands_alone_is_refused_at_its_line() {
    let long = format!("{}{PLAIN}20000,3,\"\n", "# a comment\n".repeat(12_000));
    for (text, line) in [
        (format!("\"{PLAIN}"), 1),
        (format!("\"20,-3\n{PLAIN}"), 1),
        ("\"20,1\n40,2\n80,3\n160,4\n".to_owned(), 1),
        (format!("a \"quoted\" driver of 5\" width\n{PLAIN}"), 1),
        ("Hz,dB\n20,1\n40,\"2\n80,3\n".to_owned(), 3),
        ("Hz;dB\n20;1\n40\";2\n80;3\n".to_owned(), 3),
        ("20 1\n40 2 \"\n80 3\n".to_owned(), 2),
        ("20 1\n40 2\n80 \"3 # a note\n".to_owned(), 3),
        ("\"one field\n\nand no number\n".to_owned(), 1),
    ] {
        let error = refused(&text);
        assert_eq!(
            (error.kind, error.place.line),
            (ErrorKind::Format, Some(line)),
            "{text}: {error}"
        );
    }
    let error = refused(&long);
    assert_eq!(error.place.line, Some(long.lines().count()), "{error}");
}

#[test]
fn quotes_around_fields_and_in_comments_are_fine() {
    let quoted = "\"Hz\",\"dB\"\n\"20\",\"1\"\n\"40\",2\n80,\"3\"\n";
    let plain = "Hz,dB\n20,1\n40,2\n80,3\n";
    assert_eq!(read(quoted), read(plain));
    for comment in ["# a driver of 5\" width\n", "// it said \"so\n", "* \"\n"] {
        assert_eq!(read(format!("{comment}{plain}")), read(plain), "{comment}");
        assert_eq!(read(format!("{plain}{comment}")), read(plain), "{comment}");
    }
    assert_eq!(read("Hz,dB\n20,1\n40,2 # 5\" wide\n80,3\n"), read(plain));
}

#[test]
fn any_number_of_comment_lines_may_precede_the_data() {
    let data = "Hz;dB\n20,5;1,5\n40,5;2\n81,5;3\n";
    for lines in [1, 10_000, 10_001, 100_000] {
        for comment in ["# set at 12:30, 5 dB\n", "* 1;2;3\n", "; 20, 1\n"] {
            let text = format!("{}{data}", comment.repeat(lines));
            assert_eq!(read(text), read(data), "{lines} {comment}");
        }
        let text = format!(
            "{}{data}",
            "\nwords of the program that wrote this\n".repeat(lines)
        );
        assert_eq!(read(text), read(data), "{lines}");
    }
}

#[test]
fn two_byte_order_marks_in_a_row_are_taken_off() {
    let notes = "# name: a note\nHz,dB\n20,1\n40,2\n80,3\n";
    let marked = format!("\u{feff}\u{feff}{notes}");
    assert_eq!(read(&marked), read(notes));
    let of = |text: &str| header_notes(text.as_bytes(), "x").unwrap();
    assert_eq!(of(&marked), of(notes));
    assert_eq!(of(&marked).len(), 1);
    let utf_16: Vec<u8> = marked.encode_utf16().flat_map(u16::to_le_bytes).collect();
    assert_eq!(read(&utf_16), read(notes));
}

#[test]
fn twice_written_header_lines_and_blank_lines_do_not_shift_line_numbers() {
    let error = refused("\r\n\r\nHz\tdB\r\n\r\n20\t1\r\nHz\tdB\r\n\r\n30\tx\r\n");
    assert_eq!(error.place.line, Some(8), "{error}");
}

#[test]
fn sixteen_megabytes_of_anything_are_answered() {
    let mut state = 7u64;
    let mut random = move || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 56) as u8
    };
    let fill = |pattern: &str| {
        pattern
            .as_bytes()
            .iter()
            .copied()
            .cycle()
            .take(MAX_FILE_BYTES)
            .collect::<Vec<u8>>()
    };
    let increasing = |separator: &str| {
        let mut text = String::new();
        for i in 1.. {
            let row = format!("{i}{separator}1\n");
            if text.len() + row.len() > MAX_FILE_BYTES {
                break;
            }
            text += &row;
        }
        text.into_bytes()
    };
    for (name, bytes) in [
        (
            "random bytes",
            (0..MAX_FILE_BYTES).map(|_| random()).collect::<Vec<u8>>(),
        ),
        (
            "random bytes but zero",
            (0..MAX_FILE_BYTES).map(|_| random().max(1)).collect(),
        ),
        (
            "random upper bytes",
            (0..MAX_FILE_BYTES).map(|_| random() | 0x80).collect(),
        ),
        ("digits", fill("7")),
        ("lines of a digit", fill("1\n")),
        ("short rows", fill("1,2\n")),
        ("blanks", fill(" ")),
        ("blank lines", fill("\n")),
        ("separators", fill(";")),
        ("quotes", fill("\"")),
        ("quoted rows", fill("\"1\",\"2\"\n")),
        ("words", fill("ab cd\n")),
        ("comments", fill("#\n")),
        ("a million rows", increasing(",")),
        ("a million rows of blanks", increasing("  ")),
    ] {
        let answer = ends(name, || parse_curve(&bytes, "take.csv"));
        assert_eq!(
            answer.is_ok(),
            name.starts_with("a million"),
            "{name}: {answer:.60?}"
        );
    }
    let error = refused(vec![b'1'; MAX_FILE_BYTES + 1]);
    assert_eq!(error.kind, ErrorKind::Format);
}

#[test]
fn curves_made_in_memory_obey_the_same_rules() {
    let new = |f: &[f64], l: &[f64]| Curve::new("unit", f.to_vec(), l.to_vec(), None);
    assert!(new(&[20.0, 30.0, 40.0], &[0.0; 3]).is_ok());
    for (f, l, kind) in [
        (&[20.0, 30.0, 40.0][..], &[0.0; 2][..], ErrorKind::Format),
        (&[20.0, f64::NAN, 40.0], &[0.0; 3], ErrorKind::Number),
        (&[20.0, 30.0, f64::INFINITY], &[0.0; 3], ErrorKind::Number),
        (
            &[20.0, 30.0, 40.0],
            &[0.0, f64::NEG_INFINITY, 0.0],
            ErrorKind::Number,
        ),
        (
            &[20.0, 30.0, 40.0],
            &[0.0, f64::NAN, 0.0],
            ErrorKind::Number,
        ),
        (&[20.0, 20.0, 40.0], &[0.0; 3], ErrorKind::Order),
        (&[20.0, 40.0], &[0.0; 2], ErrorKind::Coverage),
        (&[], &[], ErrorKind::Coverage),
        (&[20.0, 30.0, 39.0], &[0.0; 3], ErrorKind::Coverage),
    ] {
        assert_eq!(new(f, l).unwrap_err().kind, kind, "{f:?} {l:?}");
    }
    let phase = Curve::new(
        "unit",
        vec![20.0, 30.0, 40.0],
        vec![0.0; 3],
        Some(vec![f64::NAN; 3]),
    );
    assert!(phase.unwrap_err().found().contains("point 1"));
}

#[test]
fn header_notes_are_the_keyed_comment_lines() {
    let notes = header_notes(
        b"# name: a: b\n#  Source : x\n# no key\nf,l\n# late: y\n",
        "t.csv",
    )
    .unwrap();
    let pair = |k: &str, v: &str| (k.to_owned(), v.to_owned());
    assert_eq!(notes, [pair("name", "a: b"), pair("source", "x")]);
}

// Weights.

#[test]
fn a_weight_is_linear_in_log_frequency_and_held_at_its_ends() {
    let weight = parse_weight(b"frequency;weight\n100;0\n400;1,0\n1600;0,5\n", "w.csv").unwrap();
    let on_grid = weight.on_grid();
    let grid = bandwright::measurement::grid::frequency_hz();
    for (f_hz, w) in grid.iter().zip(&on_grid) {
        let octave = (f_hz / 100.0).log2();
        let expected = match octave {
            o if o <= 0.0 => 0.0,
            o if o <= 2.0 => o / 2.0,
            o if o <= 4.0 => 1.0 - 0.5 * (o - 2.0) / 2.0,
            _ => 0.5,
        };
        assert!((w - expected).abs() < 1e-12, "{f_hz}: {w} {expected}");
    }
    assert!(
        parse_weight(b"1000,2\n", "w.csv")
            .unwrap()
            .on_grid()
            .iter()
            .all(|w| *w == 2.0)
    );
}

#[test]
fn a_weight_below_zero_or_zero_everywhere_is_refused() {
    let refused = |text: &str| parse_weight(text.as_bytes(), "w.csv").unwrap_err();
    let error = refused("20,1\n30,-1\n40,1\n");
    assert_eq!(
        (error.kind, error.place.line),
        (ErrorKind::Setting, Some(2))
    );
    assert_eq!(refused("20,0\n20000,0\n").kind, ErrorKind::Setting);
    assert_eq!(refused("1,1\n10,0\n").kind, ErrorKind::Setting);
    assert_eq!(refused("20,1\n10,1\n").kind, ErrorKind::Order);
    assert_eq!(refused("20,1\n30,x\n").kind, ErrorKind::Number);
}
