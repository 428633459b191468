//! How messages show what comes from outside: texts cut short, numbers in few characters, and nothing that steers a
//! terminal.

use std::fmt;

/// The most characters of a quoted text: a file name or a caution's first words, and no more than a line.
const MOST_CHARS: usize = 80;

/// Sizes that are written out; a smaller or larger number has an exponent, since 1e300 written out fills four lines.
const WRITTEN_OUT: std::ops::Range<f64> = 1e-6..1e9;

/// `text` without characters that would steer a terminal, turn the reading direction or break XML;
/// each becomes U+FFFD. Names come from files, so they may hold anything.
#[must_use]
pub fn printable(text: &str) -> String {
    let steers = |c: char| {
        c.is_control()
            || matches!(c, '\u{200E}' | '\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
            || matches!(c, '\u{FFFE}' | '\u{FFFF}')
    };
    text.chars()
        .map(|c| if steers(c) { '\u{FFFD}' } else { c })
        .collect()
}

/// `text` on one line, as a comment of a file has it: one blank for each run of blanks, line ends and control characters.
#[must_use]
pub fn one_line(text: &str) -> String {
    let parts = text.split(|c: char| c.is_whitespace() || c.is_control());
    let parts = parts.filter(|part| !part.is_empty());
    parts.collect::<Vec<_>>().join(" ")
}

/// The first 80 characters of `text`, printable; `…` after them where there are more.
#[must_use]
pub fn excerpt(text: &str) -> String {
    match text.char_indices().nth(MOST_CHARS) {
        Some((end, _)) => format!("{}…", printable(&text[..end])),
        None => printable(text),
    }
}

/// A number in a message: the shortest decimal that reads back as the same number, with an exponent below 1e-6 and from
/// 1e9. `{:+}` puts a `+` before what is not negative; `{:.4}` asks for four decimals, with an exponent from 1e9 only.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Number(pub f64);

impl fmt::Display for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Adding 0 turns -0 into 0.
        let number = self.0 + 0.0;
        let size = number.abs();
        if f.sign_plus() && number >= 0.0 {
            f.write_str("+")?;
        }
        match f.precision() {
            Some(decimals) if size < WRITTEN_OUT.end || !size.is_finite() => {
                write!(f, "{number:.decimals$}")
            }
            None if number == 0.0 || !size.is_finite() || WRITTEN_OUT.contains(&size) => {
                write!(f, "{number}")
            }
            Some(decimals) => write!(f, "{number:.decimals$e}"),
            None => write!(f, "{number:e}"),
        }
    }
}
