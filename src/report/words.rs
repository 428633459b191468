//! Numbers and names as people read them.

use crate::measurement::spread::SpreadFigures;
use crate::measurement::takes::Side;
use crate::message::Number;
pub use crate::message::printable;
use crate::wanted::shown::Shown;

/// `value` with at most `most` decimals and no idle zeros: 90, 90.5, -3.25.
#[must_use]
pub fn decimals_up_to(value: f64, most: usize) -> String {
    let text = decimals(value, most);
    let (digits, exponent) = match text.find('e') {
        Some(at) => text.split_at(at),
        None => (text.as_str(), ""),
    };
    let digits = match digits.contains('.') {
        true => digits.trim_end_matches('0').trim_end_matches('.'),
        false => digits,
    };
    format!("{digits}{exponent}")
}

/// Like [`decimals_up_to`], with `+` before what is above 0.
#[must_use]
pub fn signed_decimals_up_to(value: f64, decimals: usize) -> String {
    let text = decimals_up_to(value, decimals);
    if value.is_finite() && text != "0" && !text.starts_with('-') {
        format!("+{text}")
    } else {
        text
    }
}

/// Like [`decimals`], with `+` before what is above 0 as shown.
#[must_use]
pub fn signed_decimals(value: f64, most: usize) -> String {
    let text = decimals(value, most);
    let shows_more_than_0 = text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    if shows_more_than_0 && !text.starts_with('-') {
        format!("+{text}")
    } else {
        text
    }
}

/// A number to type in: all the decimals it has up to six (a sheet has the same), else the first four.
#[must_use]
pub fn typed(value: f64) -> String {
    /// Steps and rounded numbers have fewer decimals; an octave step has as many as there are.
    const MOST_DECIMALS: usize = 6;
    let exact = decimals_up_to(value, MOST_DECIMALS);
    if exact.parse() == Ok(value) {
        exact
    } else {
        decimals_up_to(value, 4)
    }
}

/// Like [`typed`], with `+` before what is above 0.
#[must_use]
pub fn signed_typed(value: f64) -> String {
    let sign = if value > 0.0 { "+" } else { "" };
    format!("{sign}{}", typed(value))
}

/// `value` with exactly `decimals` decimals, never a negative zero, with an exponent from 1e9; `unknown` for what is not
/// finite.
#[must_use]
pub fn decimals(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "unknown".into();
    }
    let text = format!("{:.decimals$}", Number(value));
    match text.strip_prefix('-') {
        Some(rest) if !rest.bytes().any(|b| (b'1'..=b'9').contains(&b)) => rest.into(),
        _ => text,
    }
}

/// The number with U+2212 for its ASCII hyphen: for pictures, where nobody copies it into a field.
#[must_use]
pub fn true_minus(number: &str) -> String {
    number.replace('-', "\u{2212}")
}

/// A frequency in three significant digits or a few more: `62.5 Hz`, `450 Hz`, `1.25 kHz`, `10.8 kHz`.
#[must_use]
pub fn frequency(hz: f64) -> String {
    match hz {
        _ if hz < 99.95 => format!("{} Hz", decimals_up_to(hz, 1)),
        _ if hz < 999.5 => format!("{} Hz", decimals_up_to(hz, 0)),
        _ if hz < 9995.0 => format!("{} kHz", decimals_up_to(hz / 1000.0, 2)),
        _ => format!("{} kHz", decimals_up_to(hz / 1000.0, 1)),
    }
}

/// `3.2 to 4.1 kHz`; one frequency where both ends look alike.
#[must_use]
pub fn band(from_hz: f64, to_hz: f64) -> String {
    let (from, to) = (frequency(from_hz), frequency(to_hz));
    let unit = |text: &str| text.rsplit(' ').next().map(str::to_owned);
    match from.split_once(' ') {
        _ if from == to => from,
        Some((number, _)) if unit(&from) == unit(&to) => format!("{number} to {to}"),
        _ => format!("{from} to {to}"),
    }
}

/// `at 62.5 Hz`. What is largest at 0 Hz, as a low shelf is, is so at all low frequencies.
#[must_use]
pub fn at_frequency(hz: f64) -> String {
    /// Below this no tone is heard.
    const LOWEST_HZ: f64 = 1.0;
    if hz < LOWEST_HZ {
        "at the lowest frequencies".to_owned()
    } else {
        format!("at {}", frequency(hz))
    }
}

/// A sample rate: `44.1 kHz`, `22.05 kHz`.
#[must_use]
pub fn rate(hz: f64) -> String {
    format!("{} kHz", decimals_up_to(hz / 1000.0, 3))
}

/// How a row or a head names a side.
#[must_use]
pub fn side_name(side: Side) -> &'static str {
    match side {
        Side::Left => "Left",
        Side::Right => "Right",
        Side::Unknown => "No side",
    }
}

/// How a sentence names a side, with its article.
#[must_use]
pub fn the_side(side: Side) -> &'static str {
    match side {
        Side::Left => "the left side",
        Side::Right => "the right side",
        Side::Unknown => "the side that is not named",
    }
}

/// How far takes repeat: `0.23 dB rms over the trusted band, 1.03 dB at most (at 8.25 kHz)`.
#[must_use]
pub fn spread(spread: &SpreadFigures, over: &str) -> String {
    format!(
        "{} dB rms over {over}, {} dB at most (at {})",
        decimals(spread.rms_db, 2),
        decimals(spread.largest_db, 2),
        frequency(spread.largest_hz)
    )
}

/// `1 take`, `2 takes`.
#[must_use]
pub fn count(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

/// `text` broken at blanks into lines no wider than `width`, measured by the sum of `char_width`.
/// A word wider than a line is broken anywhere; a no-break space does not break.
#[must_use]
pub fn wrap(text: &str, width: f64, char_width: impl Fn(char) -> f64) -> Vec<String> {
    let mut lines = Vec::new();
    let (mut line, mut used) = (String::new(), 0.0);
    for word in text.split_ascii_whitespace() {
        let wide: f64 = word.chars().map(&char_width).sum();
        if !line.is_empty() {
            if used + char_width(' ') + wide <= width {
                line.push(' ');
                used += char_width(' ');
            } else {
                lines.push(std::mem::take(&mut line));
                used = 0.0;
            }
        }
        for c in word.chars() {
            if !line.is_empty() && used + char_width(c) > width {
                lines.push(std::mem::take(&mut line));
                used = 0.0;
            }
            line.push(c);
            used += char_width(c);
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// Columns of a character in a terminal. Counting everything beyond the Latin, Greek and Cyrillic scripts as two columns
/// may break a line early, never late; braille and the lines of frames have one.
#[must_use]
pub fn columns(c: char) -> usize {
    match c {
        '\0'..='\u{10FF}' | '\u{2500}'..='\u{259F}' | '\u{2800}'..='\u{28FF}' | '…' | '\u{2212}' => 1,
        _ => 2,
    }
}

/// `text` if it takes no more than `room` columns, else as much of it as fits with an ellipsis.
#[must_use]
pub fn fitted_columns(text: &str, room: usize) -> String {
    let wide = |text: &str| text.chars().map(columns).sum::<usize>();
    if wide(text) <= room {
        return text.to_owned();
    }
    let mut short = text.to_owned();
    while wide(&short) + columns('…') > room && short.pop().is_some() {}
    short.truncate(short.trim_end().len());
    short.push('…');
    short
}

/// What the levels of a target are relative to.
#[must_use]
pub fn level_of_target(target: &Shown) -> String {
    let zero = match target.aligned_at_hz {
        Some(hz) => format!("0 dB at {}", frequency(hz)),
        None => "as the target has it".to_owned(),
    };
    let relative = if target.relative {
        "relative to what the unit has that it is used for; "
    } else {
        ""
    };
    format!("{relative}{zero}; only the form counts")
}
