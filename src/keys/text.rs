//! TOML values as ASCII text.

use std::fmt::Write as _;

/// A basic string; everything outside printable ASCII is escaped.
pub(crate) fn string(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\n' => out.push_str("\\n"),
            ' '..='~' => out.push(c),
            _ if u32::from(c) <= 0xffff => write!(out, "\\u{:04X}", u32::from(c)).unwrap_or(()),
            _ => write!(out, "\\U{:08X}", u32::from(c)).unwrap_or(()),
        }
    }
    out.push('"');
    out
}

/// The shortest decimal that reads back as the same number, always as a TOML float.
pub(crate) fn float(number: f64) -> String {
    format!("{number:?}")
}

/// As [`float`], but a whole number without its `.0`.
pub(crate) fn number(number: f64) -> String {
    let text = float(number);
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// An array on one line.
pub(crate) fn array<T>(items: impl IntoIterator<Item = T>, write: impl Fn(T) -> String) -> String {
    let items: Vec<String> = items.into_iter().map(write).collect();
    format!("[{}]", items.join(", "))
}

/// Numbers on one line, of one TOML type: integers if all are whole, else floats.
pub(crate) fn numbers(numbers: &[f64]) -> String {
    if numbers.iter().all(|x| x.fract() == 0.0) {
        array(numbers.iter().copied(), number)
    } else {
        array(numbers.iter().copied(), float)
    }
}
