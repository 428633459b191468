//! TOML to a table; where it is none, the character at fault and the usual slip that it comes from, in plain words.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::error::KeysFault;
use super::lines::Lines;
use crate::error::{Error, Result, Source};
use crate::message::excerpt;

/// Quotation marks that a word processor puts in the place of plain ones.
const TYPOGRAPHIC_QUOTES: [char; 12] = [
    '\u{201c}', '\u{201d}', '\u{201e}', '\u{201f}', '\u{2018}', '\u{2019}', '\u{201a}', '\u{ab}',
    '\u{bb}', '\u{2033}', '\u{2032}', '\u{ff02}',
];

/// A key that no file has, to stand for one that was given twice.
const STAND_IN: &str = "a-key-that-stands-for-one-given-twice";

/// The table of a text.
///
/// # Errors
/// `Format` with line and column, and the key where one was given twice.
pub(crate) fn parse<'a>(
    text: &'a str,
    source: &Source,
    lines: &Lines<'_>,
) -> Result<Spanned<DeTable<'a>>> {
    DeTable::parse(text).map_err(|error| {
        let span = error.span().unwrap_or(0..0);
        if let Some(error) = twice(text, source, lines, span.clone()) {
            return error;
        }
        let at = (0..=span.start.min(text.len()))
            .rfind(|at| text.is_char_boundary(*at))
            .unwrap_or(0);
        let (at, slip) = slip(text, lines, at).unwrap_or_else(|| {
            let said = error.message().trim();
            let (found, expected) = said.split_once(", expected ").unwrap_or((said, "TOML"));
            let expected = expected.replace("newline", "the end of the line");
            (at, KeysFault::NotToml(found.to_owned(), expected))
        });
        Error::of(slip, source.clone()).at_column(lines.line(at), lines.column(at))
    })
}

/// The error of a key at `span` that its table has already: with another name there, both stand in one table.
fn twice(
    text: &str,
    source: &Source,
    lines: &Lines<'_>,
    span: std::ops::Range<usize>,
) -> Option<Box<Error>> {
    let given = text.get(span.clone()).filter(|given| !given.is_empty())?;
    let name = given.trim_matches(['"', '\'']);
    let first_of = |rest: &str| {
        let renamed = [&text[..span.start], STAND_IN, rest].concat();
        let (document, _) = DeTable::parse_recoverable(&renamed);
        let table = table_with(document.get_ref(), STAND_IN)?;
        Some(table.get_key_value(name)?.0.span().start)
    };
    // The rest of the line is enough, but where a value spans several.
    let rest = text.get(span.end..)?;
    let of_line = &rest[..rest.find('\n').unwrap_or(rest.len())];
    let first = first_of(of_line).or_else(|| first_of(rest))?;
    (first < span.start).then(|| {
        let fault = KeysFault::Twice(name.to_owned(), lines.line(first));
        Error::of(fault, source.clone())
            .at_column(lines.line(span.start), lines.column(span.start))
            .at_key(excerpt(name))
    })
}

/// The table that has `key`, wherever it stands.
fn table_with<'a>(table: &'a DeTable<'a>, key: &str) -> Option<&'a DeTable<'a>> {
    fn within<'a>(value: &'a DeValue<'a>, key: &str) -> Option<&'a DeTable<'a>> {
        match value {
            DeValue::Table(table) => table_with(table, key),
            DeValue::Array(items) => items.iter().find_map(|item| within(item.get_ref(), key)),
            _ => None,
        }
    }
    if table.contains_key(key) {
        return Some(table);
    }
    table
        .values()
        .find_map(|value| within(value.get_ref(), key))
}

/// A text with strings and comments blanked, and what is open at its end.
struct ScannedText {
    bytes: Vec<u8>,
    /// Where a string begins that its line does not end.
    open_string: Option<usize>,
    /// True where a string of several lines is open.
    in_long_string: bool,
    /// Brackets that are open, of values: byte and place.
    brackets: Vec<(u8, usize)>,
}

fn scanned(text: &str) -> ScannedText {
    let bytes = text.as_bytes();
    let mut out = ScannedText {
        bytes: bytes.to_vec(),
        open_string: None,
        in_long_string: false,
        brackets: Vec::new(),
    };
    // A bracket at the beginning of a line, outside of values, is a table's head.
    let mut after_equals = false;
    let mut at = 0;
    while at < bytes.len() {
        let byte = bytes[at];
        match byte {
            b'"' | b'\'' => {
                let long = bytes[at..].starts_with(&[byte; 3]);
                let (end, closed) = end_of_string(bytes, at, long);
                if !closed {
                    out.open_string = (!long).then_some(at);
                    out.in_long_string = long;
                }
                out.bytes[at..end].fill(0);
                at = end;
                continue;
            }
            b'#' => {
                let end = bytes[at..].iter().position(|b| *b == b'\n');
                let end = end.map_or(bytes.len(), |length| at + length);
                out.bytes[at..end].fill(b' ');
                at = end;
                continue;
            }
            b'=' => after_equals = true,
            b'\n' => after_equals = !out.brackets.is_empty(),
            b'[' | b'{' if after_equals => out.brackets.push((byte, at)),
            b']' | b'}' if after_equals => {
                out.brackets.pop();
            }
            _ => {}
        }
        at += 1;
    }
    out
}

/// Where a string that begins at `from` ends, and whether by its quotation mark.
fn end_of_string(bytes: &[u8], from: usize, long: bool) -> (usize, bool) {
    let quote = bytes[from];
    let width = if long { 3 } else { 1 };
    let mut at = from + width;
    while at < bytes.len() {
        match bytes[at] {
            b'\\' if quote == b'"' => at += 1,
            b'\n' if !long => return (at, false),
            byte if byte == quote && bytes[at..].starts_with(&[quote; 3][..width]) => {
                return (at + width, true);
            }
            _ => {}
        }
        at += 1;
    }
    (bytes.len(), false)
}

/// The usual slip that explains an error at `at`, where one does.
fn slip(text: &str, lines: &Lines<'_>, at: usize) -> Option<(usize, KeysFault)> {
    let number = lines.line(at);
    let (start, line) = (lines.start(number), lines.content(number));
    let before = scanned(&text[..start]);
    if before.in_long_string {
        return None;
    }
    let here = scanned(line);
    if let Some((at, fault)) = odd_character(line, &here) {
        return Some((start + at, fault));
    }
    if let Some(open) = here.open_string {
        return Some((start + open, KeysFault::LoneQuote(line.trim().to_owned())));
    }
    let in_string = at < start + line.len() && here.bytes[at - start] == 0;
    if in_string && (text[..at].ends_with('\\') || text[at..].starts_with('\\')) {
        return Some((
            at - usize::from(!text[at..].starts_with('\\')),
            KeysFault::Backslash,
        ));
    }
    let code = String::from_utf8_lossy(&here.bytes).replace('\0', "\"");
    let code = code.trim();
    let key_and_value = code.split_once('=');
    if let Some(comma) = decimal_comma(&here.bytes) {
        let found = key_and_value.map_or(code, |(_, value)| value.trim());
        return Some((start + comma, KeysFault::DecimalComma(found.to_owned())));
    }
    let looks_new = code.starts_with('[')
        || key_and_value.is_some_and(|(key, _)| !key.contains(['{', '[', ',']));
    if let Some(&(bracket, open)) = before.brackets.last()
        && (looks_new || text[at..].trim().is_empty())
    {
        return slip_of_bracket(bracket, open);
    }
    if let Some(&(bracket, open)) = here.brackets.last()
        && text[at..].trim().is_empty()
    {
        return slip_of_bracket(bracket, start + open);
    }
    if !before.brackets.is_empty() {
        return None;
    }
    let (at, fault) = slip_of_statement(line, code)?;
    Some((start + at, fault))
}

/// A character outside of strings that a word processor put into `line`, and where.
fn odd_character(line: &str, scanned: &ScannedText) -> Option<(usize, KeysFault)> {
    let outside = |at: &usize| scanned.bytes[*at] != 0;
    let mut outside = line.char_indices().filter(|(at, _)| outside(at));
    let quote = outside
        .clone()
        .find(|(_, c)| TYPOGRAPHIC_QUOTES.contains(c));
    if let Some((at, quote)) = quote {
        return Some((at, KeysFault::TypographicQuote(quote)));
    }
    let is_invisible = |c: char| {
        c != '\t'
            && c != ' '
            && (c.is_control()
                || c.is_whitespace()
                || ('\u{200b}'..='\u{200f}').contains(&c)
                || c == '\u{feff}')
    };
    let (at, c) = outside.find(|(_, c)| is_invisible(*c))?;
    Some((at, KeysFault::Invisible(c)))
}

/// What is wrong with the head of a table, or with a key and its value, and where in `line`; `code` is the line without
/// strings and comments.
fn slip_of_statement(line: &str, code: &str) -> Option<(usize, KeysFault)> {
    let unfinished = line.trim_end().len();
    if code.starts_with('[') {
        let opened = code.bytes().take_while(|b| *b == b'[').count();
        let closed = code.bytes().rev().take_while(|b| *b == b']').count();
        return match opened == closed {
            true => None,
            false => Some((unfinished, KeysFault::Head(code.to_owned()))),
        };
    }
    match code.split_once('=') {
        None => {
            let word = code.split([' ', '\t', ':', ',']).next().unwrap_or_default();
            let after = line.trim_start().get(word.len()..).unwrap_or_default();
            let behind = (line.len() - line.trim_start().len()) + word.len();
            Some((
                behind,
                KeysFault::NoEquals(word.to_owned(), after.chars().next()),
            ))
        }
        Some((_, "")) => Some((unfinished, KeysFault::NoValue(code.to_owned()))),
        Some((_, value)) => {
            let at = line.find('=').map_or(0, |equals| {
                let value = &line[equals + 1..];
                equals + 1 + value.len() - value.trim_start().len()
            });
            Some((at, slip_of_value(value.trim())?))
        }
    }
}

fn slip_of_value(value: &str) -> Option<KeysFault> {
    let after_number = value.split_once([' ', '\t']).filter(|(number, _)| {
        number.parse::<f64>().is_ok() && number.contains(|c: char| c.is_ascii_digit())
    });
    if let Some((_, unit)) = after_number
        && unit.trim_start().starts_with(char::is_alphabetic)
    {
        return Some(KeysFault::NumberWithUnit(value.to_owned()));
    }
    let is_word = value.starts_with(|c: char| c.is_alphabetic() || c == '_')
        && !["true", "false", "inf", "nan"].contains(&value);
    is_word.then(|| KeysFault::Unquoted(value.to_owned()))
}

fn slip_of_bracket(bracket: u8, open: usize) -> Option<(usize, KeysFault)> {
    let (opening, closing) = match bracket {
        b'{' => ('{', '}'),
        _ => ('[', ']'),
    };
    Some((open, KeysFault::OpenBracket(opening, closing)))
}

/// The comma of `= 3,5` in a line whose strings are blanked.
fn decimal_comma(line: &[u8]) -> Option<usize> {
    let values = line.iter().enumerate().filter(|(_, b)| **b == b'=');
    values.map(|(at, _)| at + 1).find_map(|from| {
        let blank = line[from..]
            .iter()
            .take_while(|b| b" \t".contains(b))
            .count();
        let from = from + blank;
        let is_number = |b: &&u8| b.is_ascii_digit() || b"+-._".contains(b);
        let comma = from + line[from..].iter().take_while(is_number).count();
        let digit_behind = line.get(comma + 1).is_some_and(u8::is_ascii_digit);
        (comma > from && line.get(comma) == Some(&b',') && digit_behind).then_some(comma)
    })
}
