//! TOML to a table; where it is none, the character at fault and the usual slip that it comes from, in plain words.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::lines::Lines;
use crate::error::{Error, ErrorKind, Result};
use crate::message::excerpt;

/// Quotation marks that a word processor puts in the place of plain ones.
const TYPOGRAPHIC_QUOTES: [char; 12] = [
    '\u{201c}', '\u{201d}', '\u{201e}', '\u{201f}', '\u{2018}', '\u{2019}', '\u{201a}', '\u{ab}',
    '\u{bb}', '\u{2033}', '\u{2032}', '\u{ff02}',
];

/// A key that no file has, to stand for one that was given twice.
const STAND_IN: &str = "a-key-that-stands-for-one-given-twice";

/// What was done wrong, and where.
struct Slip {
    at: usize,
    found: String,
    expected: String,
    next_step: &'static str,
}

/// The table of a text.
///
/// # Errors
/// `Format` with line and column, and the key where one was given twice.
pub(crate) fn parse<'a>(
    text: &'a str,
    source: &str,
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
        let slip = slip(text, lines, at).unwrap_or_else(|| {
            let said = error.message().trim();
            let (found, expected) = said.split_once(", expected ").unwrap_or((said, "TOML"));
            Slip {
                at,
                found: found.to_owned(),
                expected: expected.replace("newline", "the end of the line"),
                next_step: "correct this line; words stand in quotes, numbers do not",
            }
        });
        Error::new(
            ErrorKind::Format,
            source,
            slip.found,
            slip.expected,
            slip.next_step,
        )
        .at_column(lines.line(slip.at), lines.column(slip.at))
    })
}

/// The error of a key at `span` that its table has already: with another name there, both stand in one table.
fn twice(
    text: &str,
    source: &str,
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
        Error::new(
            ErrorKind::Format,
            source,
            format!(
                "`{}` again, after line {}",
                excerpt(name),
                lines.line(first)
            ),
            "each key once in its table",
            "remove one of the two, or put the second into a table of its own",
        )
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
struct Blanked {
    bytes: Vec<u8>,
    /// Where a string begins that its line does not end.
    open_string: Option<usize>,
    /// True where a string of several lines is open.
    in_long_string: bool,
    /// Brackets that are open, of values: byte and place.
    brackets: Vec<(u8, usize)>,
}

fn blanked(text: &str) -> Blanked {
    let bytes = text.as_bytes();
    let mut out = Blanked {
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
fn slip(text: &str, lines: &Lines<'_>, at: usize) -> Option<Slip> {
    let number = lines.line(at);
    let (start, line) = (lines.start(number), lines.content(number));
    let before = blanked(&text[..start]);
    if before.in_long_string {
        return None;
    }
    let here = blanked(line);
    let slip = |at: usize, found: String, expected: &str, next_step| {
        Some(Slip {
            at,
            found,
            expected: expected.to_owned(),
            next_step,
        })
    };
    let outside = |at: &usize| here.bytes[*at] != 0;
    let code = String::from_utf8_lossy(&here.bytes).replace('\0', "\"");
    let code = code.trim();
    let odd = line
        .char_indices()
        .filter(|(at, _)| outside(at))
        .find(|(_, c)| TYPOGRAPHIC_QUOTES.contains(c));
    if let Some((at, quote)) = odd {
        return slip(
            start + at,
            format!("the typographic quotation mark {quote}"),
            "a plain quotation mark, \"",
            "type the quotation marks anew: a word processor has changed them",
        );
    }
    let odd = line.char_indices().filter(|(at, _)| outside(at));
    let mut odd = odd.filter(|(_, c)| *c != '\t' && *c != ' ');
    if let Some((at, c)) = odd.find(|(_, c)| {
        c.is_control()
            || c.is_whitespace()
            || ('\u{200b}'..='\u{200f}').contains(c)
            || *c == '\u{feff}'
    }) {
        return slip(
            start + at,
            format!(
                "an invisible character that is no plain blank (U+{:04X})",
                u32::from(c)
            ),
            "plain blanks",
            "type this line anew: such characters come from a document it was copied from",
        );
    }
    if let Some(open) = here.open_string {
        return slip(
            start + open,
            format!("one quotation mark alone: `{}`", excerpt(line.trim())),
            "a quotation mark before and after the text, on one line",
            "add the missing one",
        );
    }
    let in_string = at < start + line.len() && here.bytes[at - start] == 0;
    if in_string && (text[..at].ends_with('\\') || text[at..].starts_with('\\')) {
        return slip(
            at - usize::from(!text[at..].starts_with('\\')),
            "a backslash in a text".to_owned(),
            "a slash, two backslashes, or single quotation marks around the text",
            "write folders like folder/file.csv",
        );
    }
    if let Some(comma) = decimal_comma(&here.bytes) {
        let found = match code.split_once('=') {
            Some((_, value)) => excerpt(value.trim()),
            None => excerpt(code),
        };
        return slip(
            start + comma,
            format!("`{found}`"),
            "a decimal point, not a comma",
            "write numbers like 3.5",
        );
    }
    let key_and_value = code.split_once('=');
    let looks_new = code.starts_with('[')
        || key_and_value.is_some_and(|(key, _)| !key.contains(['{', '[', ',']));
    if let Some(&(bracket, open)) = before.brackets.last()
        && (looks_new || text[at..].trim().is_empty())
    {
        return slip_of_bracket(bracket, open);
    }
    let unfinished = start + line.trim_end().len();
    if let Some(&(bracket, open)) = here.brackets.last()
        && text[at..].trim().is_empty()
    {
        return slip_of_bracket(bracket, start + open);
    }
    if !before.brackets.is_empty() {
        return None;
    }
    if code.starts_with('[') {
        let opened = code.bytes().take_while(|b| *b == b'[').count();
        let closed = code.bytes().rev().take_while(|b| *b == b']').count();
        return match opened == closed {
            true => None,
            false => slip(
                unfinished,
                format!("`{}`", excerpt(code)),
                "as many brackets after the name as before it, such as [knowledge] or [[section]]",
                "add the missing bracket",
            ),
        };
    }
    match key_and_value {
        None => {
            let word = code.split([' ', '\t', ':', ',']).next().unwrap_or_default();
            let after = line.trim_start().get(word.len()..).unwrap_or_default();
            let instead = match after.chars().next() {
                Some('\t') => ", but a tab after it",
                Some(':') => ", but a colon after it",
                _ => "",
            };
            let behind = start + (line.len() - line.trim_start().len()) + word.len();
            slip(
                behind,
                format!("`{}` without `=`{instead}", excerpt(word)),
                "KEY = VALUE",
                "write `=` between key and value; or check that this is the file you meant",
            )
        }
        Some((_, "")) => slip(
            unfinished,
            format!("`{}` without a value", excerpt(code)),
            "KEY = VALUE",
            "write the value behind `=`, or remove the line",
        ),
        Some((_, value)) => {
            let value = value.trim();
            let at = line.find('=').map_or(0, |equals| {
                equals + 1 + line[equals + 1..].len() - line[equals + 1..].trim_start().len()
            });
            let after_number = value.split_once([' ', '\t']).filter(|(number, _)| {
                number.parse::<f64>().is_ok() && number.contains(|c: char| c.is_ascii_digit())
            });
            if let Some((_, unit)) = after_number
                && unit.trim_start().starts_with(char::is_alphabetic)
            {
                return slip(
                    start + at,
                    format!("`{}`", excerpt(value)),
                    "the number alone",
                    "leave the unit out: the key names it",
                );
            }
            let is_word = value.starts_with(|c: char| c.is_alphabetic() || c == '_')
                && !["true", "false", "inf", "nan"].contains(&value);
            if !is_word {
                return None;
            }
            slip(
                start + at,
                format!("`{}` without quotation marks", excerpt(value)),
                "a text in quotation marks, a number, true or false",
                "put words into quotation marks: \"...\"",
            )
        }
    }
}

fn slip_of_bracket(bracket: u8, open: usize) -> Option<Slip> {
    let (opening, closing) = match bracket {
        b'{' => ('{', '}'),
        _ => ('[', ']'),
    };
    Some(Slip {
        at: open,
        found: format!("`{opening}` that is not closed"),
        expected: format!("`{closing}` at its end"),
        next_step: "add the missing bracket",
    })
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
