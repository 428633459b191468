//! Parsing of text into rows of numbers: separators, decimal signs, headers, comments.
//!
//! One separator is chosen for the whole file: the one with which most lines begin with two numbers. The `csv` crate
//! splits the records; lines are counted here, because blank lines and line ends shift its count.

use std::borrow::Cow;

use csv::{ReaderBuilder, StringRecord, Trim};

use super::curve::check_frequency;
use super::error::MeasurementFault as Fault;
use crate::error::{Error, Result};

/// Most lines with a digit that are read to choose the separator.
const LINES_THAT_DECIDE: usize = 10_000;

/// Bytes of a line that are read; further right are only columns that are ignored.
const LINE_BYTES: usize = 4096;

/// Lines before the data that are kept, so that a repeated header is recognised.
const HEADER_LINES_KEPT: usize = 64;

/// The rows of a file, and what its header says.
#[derive(Debug, Default)]
pub(super) struct Table {
    /// Titles of the columns, from the last line before the data that names a frequency.
    pub titles: Option<Vec<String>>,
    /// True if a line of text other than a comment precedes the data.
    pub has_header: bool,
    /// Line number of each row, from 1.
    pub lines: Vec<usize>,
    /// First column.
    pub first: Vec<f64>,
    /// Second column.
    pub second: Vec<f64>,
    /// Third column; None where it is not a finite number. A degree sign may follow the number.
    pub third: Vec<Option<f64>>,
    /// True if every row has exactly three fields.
    pub three_columns: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Separator {
    Semicolon,
    Tab,
    Comma,
    Blanks,
}

impl Separator {
    /// In order of preference.
    const ALL: [Self; 4] = [Self::Semicolon, Self::Tab, Self::Comma, Self::Blanks];

    fn byte(self) -> u8 {
        match self {
            Self::Semicolon => b';',
            Self::Tab => b'\t',
            Self::Comma => b',',
            Self::Blanks => b' ',
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Field {
    Number(f64),
    NotFinite,
    Empty,
    Text,
}

/// The origin of a record.
#[derive(Debug, Clone, Copy)]
struct Line {
    number: usize,
    is_comment: bool,
    /// False if a quotation mark has no partner.
    quotes_pair: bool,
}

/// Reads the table of a decoded file.
///
/// # Errors
/// With the line: `Number` if the first two columns of a row after the start of the data are not numbers, or if there
/// is no row at all; `Order` if frequencies do not increase; `Format` if commas are ambiguous or a quotation mark has
/// no partner.
pub(super) fn read(text: &str, source_name: &str) -> Result<Table> {
    let separator = separator_of(text, source_name)?;
    let mut table = Table {
        three_columns: true,
        ..Table::default()
    };
    let mut headers = Vec::new();
    let mut suspects: Vec<(usize, StringRecord)> = Vec::new();
    let mut maybe_decimal_commas = separator == Separator::Comma;
    each_record(lines(text), separator, source_name, |line, record| {
        let field = |column: usize| record.get(column).map_or(Field::Empty, Field::read);
        let started = !table.lines.is_empty();
        if !line.is_comment && !line.quotes_pair {
            return Err(unclosed(source_name, line));
        }
        match (field(0), field(1)) {
            _ if line.is_comment => {
                if !started {
                    table.take_titles(record);
                }
            }
            (Field::Number(first), Field::Number(second)) => {
                if !started {
                    let bad = suspects.iter().find(|(_, r)| r.len() == record.len());
                    if let Some((number, bad)) = bad {
                        return Err(not_numbers(bad, source_name).at_line(*number));
                    }
                }
                let width = (0..record.len())
                    .rfind(|c| !record[*c].is_empty())
                    .unwrap_or(0)
                    + 1;
                maybe_decimal_commas &= width == 4 && is_four_halves(record);
                // Checked here, so that a long file in disorder is not read to its end.
                check_frequency(source_name, table.first.last().copied(), first).map_err(
                    |error| match maybe_decimal_commas && !table.names_four() {
                        true => ambiguous_commas(source_name, line.number),
                        false => error.at_line(line.number),
                    },
                )?;
                table.lines.push(line.number);
                table.first.push(first);
                table.second.push(second);
                table.three_columns &= width == 3;
                let third = record.get(2).map_or(Field::Empty, |text| {
                    Field::read(text.trim_end().trim_end_matches('°'))
                });
                table.third.push(match third {
                    Field::Number(third) => Some(third),
                    _ => None,
                });
            }
            (first, _) if !started => {
                if matches!(first, Field::Number(_) | Field::NotFinite) {
                    if suspects.len() < HEADER_LINES_KEPT {
                        suspects.push((line.number, record.clone()));
                    }
                } else {
                    table.has_header = true;
                    table.take_titles(record);
                    if headers.len() < HEADER_LINES_KEPT {
                        headers.push(record.clone());
                    }
                }
            }
            _ if headers.contains(record) || is_header(record) => {}
            _ => return Err(not_numbers(record, source_name).at_line(line.number)),
        }
        Ok(())
    })?;
    if maybe_decimal_commas && !table.names_four() {
        return Err(ambiguous_commas(source_name, table.lines[0]));
    }
    Ok(table)
}

impl Table {
    fn take_titles(&mut self, record: &StringRecord) {
        if record.len() >= 2 && names_frequency(&record[0]) {
            self.titles = Some(record.iter().map(str::to_owned).collect());
        }
    }

    fn names_four(&self) -> bool {
        self.titles.as_ref().is_some_and(|titles| titles.len() == 4)
    }

    /// True if the title of column `index` (from 0), in lower case, contains one of `words`.
    pub(super) fn title_says(&self, index: usize, words: &[&str]) -> bool {
        let title = self.titles.as_ref().and_then(|titles| titles.get(index));
        title.is_some_and(|title| {
            let title = title.to_lowercase();
            words.iter().any(|word| title.contains(word))
        })
    }
}

impl Field {
    /// Reads a number with a decimal point or one decimal comma; thousands separators are not allowed.
    fn read(text: &str) -> Self {
        let text = text.trim();
        let text = text
            .strip_prefix('"')
            .and_then(|t| t.strip_suffix('"'))
            .unwrap_or(text)
            .trim();
        if text.is_empty() {
            return Self::Empty;
        }
        let is_number_byte = |b: u8| b.is_ascii_digit() || b"+-.,eEdD".contains(&b);
        let plain = if text.contains('\u{2212}') {
            &text.replace('\u{2212}', "-")
        } else {
            text
        };
        if !plain.bytes().all(is_number_byte) || !plain.bytes().any(|b| b.is_ascii_digit()) {
            let bare = text.trim_matches(|c: char| !c.is_alphanumeric() && c != '\u{221e}');
            let words = [
                "nan", "inf", "infinity", "\u{221e}", "1.#inf", "1.#ind", "1.#qnan",
            ];
            let is_word = words.iter().any(|word| bare.eq_ignore_ascii_case(word));
            return if is_word { Self::NotFinite } else { Self::Text };
        }
        let parsed = if plain.bytes().all(|b| !b",dD".contains(&b)) {
            plain.parse().ok()
        } else {
            with_decimal_comma(plain).and_then(|p| p.parse().ok())
        };
        match parsed {
            Some(value) if f64::is_finite(value) => Self::Number(value),
            Some(_) => Self::NotFinite,
            None => Self::Text,
        }
    }
}

/// `20,5` as `20.5`, and `2d1` as `2e1`; None if a comma cannot be a decimal sign.
fn with_decimal_comma(text: &str) -> Option<String> {
    if let Some((_, after)) = text.split_once(',')
        && (text.contains('.') || !after.starts_with(|c: char| c.is_ascii_digit()))
    {
        return None;
    }
    Some(text.replacen(',', ".", 1).replace(['d', 'D'], "e"))
}

/// True for `20,5,-3,1`: whole numbers, the second and fourth without a sign, as two numbers with decimal commas give.
fn is_four_halves(record: &StringRecord) -> bool {
    record.iter().take(4).enumerate().all(|(column, field)| {
        let digits = if column % 2 == 0 {
            field.trim_start_matches(['-', '+'])
        } else {
            field
        };
        !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit())
    })
}

fn names_frequency(title: &str) -> bool {
    let title = title.to_lowercase();
    ["freq", "fréq", "hz"].iter().any(|w| title.contains(w)) || title == "f"
}

/// True for a line between data that can only be a repeated header: no number in it, and titles or a `[block]`.
fn is_header(record: &StringRecord) -> bool {
    record
        .iter()
        .all(|field| matches!(Field::read(field), Field::Text | Field::Empty))
        && record[0].starts_with(|c: char| c.is_alphabetic() || c == '[')
        && (record[0].starts_with('[') || names_frequency(&record[0]))
}

/// The separator with which most lines begin with two numbers.
///
/// # Errors
/// Those of [`read`] if there is no row with any separator.
fn separator_of(text: &str, source_name: &str) -> Result<Separator> {
    // Only a line with a digit can be a row.
    let may_be_row = |(line, words): &(Line, &str)| {
        !line.is_comment && words.bytes().any(|b| b.is_ascii_digit())
    };
    let candidates = lines(text).filter(may_be_row).take(LINES_THAT_DECIDE);
    let candidates: Vec<(Line, &str)> = candidates.collect();
    let mut best = (0, None);
    let mut joined = Ok(());
    for separator in Separator::ALL {
        let mut rows = 0;
        let candidates = candidates.iter().copied();
        let visited = each_record(candidates, separator, source_name, |_, record| {
            let is_number =
                |column| matches!(record.get(column).map(Field::read), Some(Field::Number(_)));
            rows += usize::from(is_number(0) && is_number(1));
            Ok(())
        });
        // An unclosed quote ends the count early here; reading the file reports it.
        joined = joined.and(visited);
        if rows > best.0 {
            best = (rows, Some(separator));
        }
    }
    if let Some(separator) = best.1 {
        return Ok(separator);
    }
    let alone = lines(if text.contains('"') { text } else { "" });
    let alone = alone.filter(|(line, words)| !line.is_comment && words.contains('"'));
    let mut alone =
        alone.filter(|(_, words)| !quotes_pair(before_comment(words, Separator::Comma)));
    match alone.next() {
        Some((line, _)) => Err(unclosed(source_name, line)),
        None => joined.and_then(|()| Err(why_no_rows(text, source_name))),
    }
}

/// The lines that are not blank; comments without their marks.
fn lines(text: &str) -> impl Iterator<Item = (Line, &str)> {
    text.split('\n').zip(1..).filter_map(|(raw, number)| {
        let raw = shortened(raw).trim();
        let bare = raw
            .trim_start_matches(['#', ';', '*', '!', '%', '/'])
            .trim();
        // A single slash is not a comment mark, and a line of marks only is blank.
        let is_comment = bare.len() < raw.len() && (!raw.starts_with('/') || raw.starts_with("//"));
        let text = if is_comment { bare } else { raw };
        let line = Line {
            number,
            is_comment,
            quotes_pair: true,
        };
        (!text.is_empty()).then_some((line, text))
    })
}

fn quotes_pair(content: &str) -> bool {
    content.bytes().filter(|b| *b == b'"').count() % 2 == 0
}

/// Calls `visit` with each line and its record.
fn each_record<'a>(
    all: impl Iterator<Item = (Line, &'a str)>,
    separator: Separator,
    source_name: &str,
    mut visit: impl FnMut(Line, &StringRecord) -> Result<()>,
) -> Result<()> {
    let mut lines = Vec::new();
    let mut records = String::new();
    for (line, words) in all {
        let content = match line.is_comment {
            true => words,
            false => before_comment(words, separator).trim(),
        };
        if content.is_empty() {
            continue;
        }
        let quotes_pair = quotes_pair(content);
        lines.push(Line {
            quotes_pair,
            ..line
        });
        push_record(&mut records, content, quotes_pair, separator);
    }
    let mut reader = ReaderBuilder::new()
        .delimiter(separator.byte())
        .has_headers(false)
        .flexible(true)
        .trim(Trim::All)
        .from_reader(records.as_bytes());
    let mut record = StringRecord::new();
    let mut index = 0;
    while reader.read_record(&mut record).unwrap_or(false) {
        visit(lines[index], &record)?;
        index += 1;
        // Each line is one record; only a quote can join two.
        let next = reader.position().line() as usize - 1;
        if next != index {
            return Err(unclosed(source_name, lines[index - 1]));
        }
    }
    Ok(())
}

fn shortened(line: &str) -> &str {
    if line.len() <= LINE_BYTES {
        return line;
    }
    let end = (0..=line.len().min(LINE_BYTES)).rfind(|end| line.is_char_boundary(*end));
    &line[..end.unwrap_or(0)]
}

fn unclosed(source_name: &str, line: Line) -> Box<Error> {
    Error::of(Fault::LoneQuote, source_name).at_line(line.number)
}

/// Appends one line as one record. Quotes without a partner become apostrophes, and runs of blanks become one.
fn push_record(records: &mut String, content: &str, quotes_pair: bool, separator: Separator) {
    let content = match quotes_pair {
        true => content,
        false => &content.replace('"', "'"),
    };
    if separator == Separator::Blanks {
        // A title such as "Level (dB)" stays one field.
        let glued = match content.contains(['(', '[']) {
            true => Cow::Owned(content.replace(" (", "(").replace(" [", "[")),
            false => Cow::Borrowed(content),
        };
        for (index, word) in glued.split_whitespace().enumerate() {
            if index > 0 {
                records.push(' ');
            }
            records.push_str(word);
        }
    } else if content.contains('"') {
        // A quote opens a field only directly after a separator.
        let fields = content.split_inclusive(char::from(separator.byte()));
        fields.for_each(|field| records.push_str(field.trim_start_matches(' ')));
    } else {
        records.push_str(content);
    }
    records.push('\n');
}

/// The line without a comment at its end. A semicolon starts a comment only if it is not the separator.
fn before_comment(line: &str, separator: Separator) -> &str {
    let mut quoted = false;
    for (at, byte) in line.bytes().enumerate() {
        match byte {
            b'"' => quoted = !quoted,
            _ if quoted => {}
            // A percent sign in a title such as "Distortion (%)" is not a comment mark.
            b'%' if line[..at].ends_with(['(', '[']) => {}
            b'#' | b'!' | b'%' => return &line[..at],
            b';' if separator != Separator::Semicolon => return &line[..at],
            b'/' if line[at..].starts_with("//") => return &line[..at],
            _ => {}
        }
    }
    line
}

fn ambiguous_commas(source_name: &str, line: usize) -> Box<Error> {
    Error::of(Fault::AmbiguousCommas, source_name).at_line(line)
}

fn not_numbers(record: &StringRecord, source_name: &str) -> Box<Error> {
    let column = usize::from(matches!(Field::read(&record[0]), Field::Number(_)));
    let title = ["frequency", "second"][column];
    let given = record.get(column).unwrap_or_default();
    let what = match Field::read(given) {
        Field::NotFinite => "",
        _ => "text ",
    };
    let fault = Fault::NotANumber(what, given.to_owned(), title);
    Error::of(fault, source_name)
}

/// The error if no separator gives a row: it shows the first line with a number.
fn why_no_rows(text: &str, source_name: &str) -> Box<Error> {
    let words = text.split('\n').zip(1..);
    let mut words = words.filter(|(line, _)| !line.is_empty() && !line.starts_with('#'));
    let numeric = words.find(|(line, _)| {
        let first = line.split([' ', '\t', ';', ',']).find(|w| !w.is_empty());
        matches!(
            first.map(Field::read),
            Some(Field::Number(_) | Field::NotFinite)
        )
    });
    let first = numeric.map(|(line, _)| line.trim());
    let alone = first.is_some_and(|line| matches!(Field::read(line), Field::Number(_)));
    let fault = Fault::NoRows(first.map(str::to_owned), alone);
    Error::of(fault, source_name).at_line(numeric.map(|(_, number)| number))
}
