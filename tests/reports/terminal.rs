//! Blocks laid out for a terminal.

use crate::support::{option_names, printed};

use bandwright::knob::Knob;
use bandwright::measurement::takes::Side;
use bandwright::report::blocks::ColumnKind::{self, FileNames, Numbers, Sentences, Words};
use bandwright::report::blocks::{Block, Column, Lead, Part, ProgramSetting, Report, Row, Text};
use bandwright::report::text::WIDTH;
use bandwright::report::{FileKind, WrittenFile, words};
use proptest::prelude::*;

fn of(parts: impl Into<Vec<Part>>) -> String {
    printed(Report {
        title: Text::default(),
        cautions: Vec::new(),
        parts: parts.into(),
    })
}

fn laid_out(block: Block) -> String {
    of([Part::without_head([block])])
}

fn column(kind: ColumnKind, head: &str, cells: &[&str]) -> Column {
    Column::new(kind, head, cells.iter().map(|cell| (*cell).to_owned()))
}

#[test]
fn title_cautions_and_parts_stand_apart_and_what_has_a_head_is_indented() {
    let report = Report {
        title: "A title".into(),
        cautions: vec!["loud sound harms.".into(), "start low.".into()],
        parts: vec![
            Part::without_head([Block::paragraph("Of no part.")]),
            Part::new("Head", [Block::paragraph("Text.")]),
            Part {
                continues: true,
                ..Part::new("More of it", [Block::led(Lead::Step, "measure again.")])
            },
        ],
    };
    let expected = "\
A title

Caution: loud sound harms.
Caution: start low.

Of no part.

Head
  Text.
More of it
  - measure again.
";
    assert_eq!(printed(report), expected);
    assert_eq!(of([]), "");
}

#[test]
fn reports_follow_each_other() {
    let report = |title: &str| Report::new(title);
    let naming = |setting: &ProgramSetting| setting.knob.to_string();
    let text = bandwright::report::text(&[report("One"), report("Other")], naming);
    assert_eq!(text, "One\n\nOther\n");
}

#[test]
fn a_long_text_hangs_below_its_lead() {
    let text = laid_out(Block::about("Loudness", "word ".repeat(30)));
    let mut lines = text.lines();
    assert!(lines.next().unwrap().starts_with("Loudness: word word"));
    assert!(lines.next().unwrap().starts_with("          word"));
    assert!(text.lines().all(|line| line.len() <= WIDTH));
}

#[test]
fn numbers_stand_in_line_at_their_decimal_points() {
    let table = Block::table([
        column(Words, "shape", &["peaking", "low-shelf", "?", "?"]),
        column(Numbers, "gain (dB)", &["+5.5", "-12", "0.125", "unknown"]),
    ]);
    let expected = "\
shape         gain (dB)
peaking          +5.5
low-shelf       -12
?                 0.125
?           unknown
";
    assert_eq!(laid_out(table), expected);
}

#[test]
fn numbers_that_do_not_exist_are_said_to_be_unknown() {
    let cells = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1.0].map(|x| words::decimals(x, 1));
    let table = Block::table_across([Column::new(Numbers, "residual (dB)", cells)]);
    let expected = "residual (dB)  unknown  unknown  unknown      1.0\n";
    assert_eq!(laid_out(table), expected);
    for none in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert_eq!(words::signed_decimals(none, 2), "unknown");
    }
    assert_eq!(words::signed_decimals(0.001, 2), "0.00");
    assert_eq!(words::signed_decimals(0.01, 2), "+0.01");
    assert_eq!(words::signed_decimals(-0.01, 2), "-0.01");
}

#[test]
fn an_empty_table_is_its_heads_and_without_heads_nothing() {
    let heads = [column(Words, "take", &[]), column(Numbers, "level", &[])];
    assert_eq!(laid_out(Block::table(heads)), "take   level\n");
    assert_eq!(laid_out(Block::table([column(Words, "", &[])])), "");
    assert_eq!(laid_out(Block::table([])), "");
    assert_eq!(
        laid_out(Block::table_across([column(Numbers, "Hz", &[])])),
        ""
    );
    assert_eq!(laid_out(Block::table_across([])), "");
}

#[test]
fn columns_of_other_lengths_leave_cells_empty() {
    let lacking = [column(Words, "", &["a", "b"]), column(Sentences, "", &[""])];
    assert_eq!(laid_out(Block::table(lacking)), "a\nb\n");
    let table = Block::table([column(Words, "a", &["1", "2"]), column(Words, "b", &["3"])]);
    assert_eq!(laid_out(table), "a   b\n1   3\n2\n");
}

#[test]
fn records_beside_each_other_go_on_in_further_lines() {
    let cells: Vec<String> = (0..40).map(|n| n.to_string()).collect();
    let table = Block::table_across([
        Column::new(Numbers, "sections", cells.clone()),
        Column::new(Numbers, "dB", cells),
    ]);
    let text = laid_out(table);
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 4);
    assert!(lines[0].starts_with("sections   0   1") && lines[1].starts_with("dB         0   1"));
    assert!(lines[2].starts_with("sections  23  24") && lines[3].starts_with("dB        23  24"));
    assert!(lines.iter().all(|line| line.len() <= WIDTH));
}

#[test]
fn heads_below_others_are_indented_and_cells_of_several_words_stand_further_apart() {
    let depth = |depth, column: Column| Column { depth, ..column };
    let table = Block::table_across([
        column(Words, "Hearing", &["in use", "wished"]),
        depth(1, column(Words, "adults, a week", &["58.1 h", "no limit"])),
        depth(2, column(Words, "a day", &["8.3 h", "no limit"])),
    ]);
    let expected = "\
Hearing              in use     wished
  adults, a week     58.1 h   no limit
    a day             8.3 h   no limit
";
    assert_eq!(laid_out(table), expected);
}

#[test]
fn of_long_file_names_the_end_is_shown() {
    let name = format!("{}left-7.csv", "long ".repeat(40));
    let table = Block::table([
        column(Words, "take", &["left 1"]),
        column(FileNames, "file", &[&name]),
        column(Numbers, "level", &["0.1"]),
    ]);
    let text = laid_out(table);
    let line = text.lines().nth(1).unwrap();
    assert_eq!(line.len(), WIDTH);
    assert!(line.starts_with("left 1   ...") && line.contains("long left-7.csv"));
}

#[test]
fn sentences_of_a_table_wrap_in_their_column() {
    let table = Block::table([
        column(Words, "", &["pass", "--"]),
        column(Sentences, "", &["short", &"word ".repeat(30)]),
    ]);
    let text = laid_out(table);
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines[0], "pass  short");
    assert!(lines[1].starts_with("--    word") && lines[2].starts_with("      word"));
}

#[test]
fn values_of_rows_stand_in_line_and_rows_without_one_are_left_out() {
    let part = || {
        let side = Row {
            depth: 1,
            ..Row::new("left side", "2 dB")
        };
        vec![Row::new("Level", "1 dB"), Row::new("Caution", ""), side]
    };
    let rows = laid_out(Block::Rows(part()));
    assert_eq!(rows, "Level           1 dB\n  left side     2 dB\n");
    let below_a_head = of([Part::new("Head", [Block::Rows(part())])]);
    let expected = "Head\n  Level         1 dB\n    left side   2 dB\n";
    assert_eq!(below_a_head, expected, "the same column");
    let long = Row::new("weighted as in the fit", "3 dB");
    let rows = laid_out(Block::Rows(vec![Row::new("Level", "1 dB"), long]));
    assert!(rows.contains("Level                    1 dB\n"), "{rows}");
}

#[test]
fn a_path_is_never_broken() {
    let path = format!("a folder/{}x.svg", "deep/".repeat(30));
    let file = |kind, path: &str| WrittenFile {
        kind,
        path: path.into(),
    };
    let files = [
        file(FileKind::Sheet, "x.sheet.toml"),
        file(FileKind::Plot, &path),
    ];
    let text = printed(Report::new("").with_files(&files));
    let expected = format!("Written\n  sheet   x.sheet.toml\n  plot    {path}\n");
    assert_eq!(text, expected);
    assert_eq!(printed(Report::new("").with_files(&[])), "");
}

#[test]
fn settings_have_the_names_that_the_reader_knows() {
    let text = Text::from("Set ")
        + Knob::Source
        + ", "
        + ProgramSetting::to(Knob::Effort, "deep")
        + " or "
        + ProgramSetting::of("fit", Knob::PerSide)
        + ".";
    let typed = laid_out(Block::paragraph(text.clone()));
    assert_eq!(typed, "Set --source, --effort deep or `fit --per-side`.\n");
    let plain = text.in_words(|setting| format!("<{}>", setting.knob));
    assert_eq!(plain, "Set <source>, <effort> or <per side>.");
}

#[test]
fn knobs_have_names_of_their_own() {
    for (i, knob) in Knob::ALL.iter().enumerate() {
        let before = &Knob::ALL[..i];
        assert!(before.iter().all(|one| one.to_string() != knob.to_string()));
        assert!(
            before
                .iter()
                .all(|one| option_names::option(*one) != option_names::option(*knob))
        );
    }
}

#[test]
fn a_side_has_one_name_for_rows_and_one_for_sentences() {
    let names = [Side::Left, Side::Right, Side::Unknown]
        .map(|side| (words::side_name(side), words::the_side(side)));
    assert_eq!(names[0], ("Left", "the left side"));
    assert_eq!(names[1], ("Right", "the right side"));
    assert_eq!(names[2], ("No side", "the side that is not named"));
}

proptest! {
    #[test]
    fn whatever_the_words_no_line_is_too_wide_and_nothing_steers(
        name in ".{0,40}",
        value in ".{0,300}",
        cells in prop::collection::vec(".{0,30}", 0..9),
    ) {
        let cells: Vec<&str> = cells.iter().map(String::as_str).collect();
        let text = of([
            Part::new(&value, [
                Block::Rows(vec![Row::new(&name, &value)]),
                Block::led(Lead::Caution, &value),
                Block::table([column(FileNames, "file", &[&value]), column(Words, "", &cells)]),
                Block::table_across([column(Numbers, "Hz", &cells)]),
                Block::table([column(Words, "", &cells), column(Sentences, "", &[&value])]),
            ]),
        ]);
        for line in text.lines() {
            prop_assert!(line.chars().count() <= WIDTH, "{}", line);
            prop_assert_eq!(line, line.trim_end());
            prop_assert_eq!(words::printable(line), line);
        }
    }
}
