//! A small writer of SVG: elements, escaped text, and every number through one rounding.

use std::fmt::Write as _;

use crate::report::words::printable;

/// Value of an attribute.
#[derive(Debug, Clone, Copy)]
pub enum Value<'a> {
    /// A number, rounded as [`push_number`] does.
    Number(f64),
    /// Text, escaped.
    Text(&'a str),
}

impl From<f64> for Value<'_> {
    fn from(number: f64) -> Self {
        Self::Number(number)
    }
}

impl<'a> From<&'a str> for Value<'a> {
    fn from(text: &'a str) -> Self {
        Self::Text(text)
    }
}

impl<'a> From<&'a String> for Value<'a> {
    fn from(text: &'a String) -> Self {
        Self::Text(text)
    }
}

/// Name and value.
pub type Attribute<'a> = (&'static str, Value<'a>);

/// A document being written.
#[derive(Debug, Default)]
pub struct Svg {
    out: String,
    open: Vec<&'static str>,
}

impl Svg {
    /// An empty document.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Opens an element; [`Svg::close`] ends it.
    pub fn open(&mut self, name: &'static str, attributes: &[Attribute]) {
        self.tag(name, attributes, ">\n");
        self.open.push(name);
    }

    /// Ends the element opened last.
    pub fn close(&mut self) {
        if let Some(name) = self.open.pop() {
            self.indent();
            let _ = writeln!(self.out, "</{name}>");
        }
    }

    /// An element without content.
    pub fn empty(&mut self, name: &'static str, attributes: &[Attribute]) {
        self.tag(name, attributes, "/>\n");
    }

    /// An element that holds text only.
    pub fn words(&mut self, name: &'static str, attributes: &[Attribute], text: &str) {
        self.tag(name, attributes, ">");
        push_escaped(&mut self.out, text);
        let _ = writeln!(self.out, "</{name}>");
    }

    /// The document, with every open element ended.
    #[must_use]
    pub fn finish(mut self) -> String {
        while !self.open.is_empty() {
            self.close();
        }
        self.out
    }

    fn tag(&mut self, name: &str, attributes: &[Attribute], end: &str) {
        self.indent();
        let _ = write!(self.out, "<{name}");
        for (key, value) in attributes {
            let _ = write!(self.out, " {key}=\"");
            match *value {
                Value::Number(number) => push_number(&mut self.out, number),
                Value::Text(text) => push_escaped(&mut self.out, text),
            }
            self.out.push('"');
        }
        self.out.push_str(end);
    }

    fn indent(&mut self) {
        let _ = write!(self.out, "{:1$}", "", 2 * self.open.len());
    }
}

/// The `d` of a path.
#[derive(Debug, Default)]
pub struct Path(String);

impl Path {
    /// A polyline through `points` (x, y), pixels; nothing for fewer than two.
    pub fn line(&mut self, points: impl IntoIterator<Item = (f64, f64)>) {
        let before = self.0.len();
        let mut number_of_points = 0;
        for (x, y) in points {
            self.0.push(if number_of_points == 0 { 'M' } else { 'L' });
            push_number(&mut self.0, x);
            self.0.push(' ');
            push_number(&mut self.0, y);
            number_of_points += 1;
        }
        if number_of_points < 2 {
            self.0.truncate(before);
        }
    }

    /// A closed polygon through `points`.
    pub fn polygon(&mut self, points: impl IntoIterator<Item = (f64, f64)>) {
        let before = self.0.len();
        self.line(points);
        if self.0.len() > before {
            self.0.push('Z');
        }
    }

    /// The text of the attribute.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// Writes `number` with at most two decimals and no idle zeros, so that a picture's bytes do not hang
/// on the last bits of a float. What is not finite is written as 0.
pub fn push_number(out: &mut String, number: f64) {
    let number = if number.is_finite() { number } else { 0.0 };
    out.push_str(&crate::report::words::decimals_up_to(number, 2));
}

/// Writes `text` without what XML and HTML would read as their own, and without what cannot be printed.
pub fn push_escaped(out: &mut String, text: &str) {
    for c in printable(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            _ => out.push(c),
        }
    }
}
