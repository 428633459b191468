//! Documents as JSON: the one place that rounds. How far a number is rounded follows from the unit in its key.
//!
//! Figures of measurements and computations are rounded far below what can be measured, so that documents are short and
//! the last bits of one computer's arithmetic do not show. What was set, and what an equaliser is given, stands as it is.

use std::io;

use serde::Serialize;
use serde_json::ser::{CompactFormatter, Formatter};

/// How many parts of its unit a number is rounded to; none for a number that stands as it is.
type PartsPerUnit = Option<f64>;

/// The first line that fits counts. A line that begins with `_` fits every key that so ends, `a.b` the key `b` of an
/// object that stands under `a`, and another line the key itself. A key that no line fits stands as it is: coefficients,
/// q, deviations beside tolerances.
const RULES: &[(&str, PartsPerUnit)] = &[
    // Numbers of sections and of the preamp: the sheet's, to the digit; but beside what decided it or what it cost, the
    // preamp is a figure as those are.
    ("headroom.preamp_db", Some(1e4)),
    ("trade_off.preamp_db", Some(1e4)),
    ("without.preamp_db", Some(1e4)),
    ("sections_curve.gain_db", Some(1e4)),
    ("f0_hz", None),
    ("gain_db", None),
    ("preamp_db", None),
    ("idle_bands_hz", None),
    // Settings, as they were typed or stand in a file.
    ("aligned_at_hz", None),
    ("most_loss_db", None),
    ("true_peak_margin_db", None),
    ("wished.level_db", None),
    ("measured_db_spl", None),
    ("_rate_hz", None),
    ("rate_hz", None),
    ("rates_hz", None),
    ("coefficients_hz", None),
    ("played_hz", None),
    // An export says in its CSV what it says here, so it is rounded, if at all, where it is made.
    ("response.frequency_hz", None),
    ("impulse.rest_db", None),
    // Levels and lengths.
    ("_db", Some(1e4)),
    ("_lu", Some(1e4)),
    ("_dba", Some(1e4)),
    ("_db_spl", Some(1e4)),
    ("_db_per_v", Some(1e4)),
    ("_db_per_mw", Some(1e4)),
    ("_mm", Some(1e4)),
    ("_octaves", Some(1e4)),
    ("_ohm", Some(1e4)),
    ("economy_ratio", Some(1e4)),
    ("misfit", Some(1e4)),
    ("fitted", Some(1e4)),
    ("_hz", Some(1e3)),
    // A thousandth of the period of 10 kHz.
    ("_s", Some(1e7)),
    // Volts, milliamperes and percentages span decades; so do squares, and shares near 0.
    ("_v", Some(1e6)),
    ("_ma", Some(1e6)),
    ("percent", Some(1e6)),
    ("_db2", Some(1e6)),
    ("trust", Some(1e6)),
    ("weight", Some(1e6)),
    ("share", Some(1e6)),
    ("counted", Some(1e6)),
];

/// A document as JSON: objects indented, arrays on one line, a newline at the end. Numbers are rounded by the unit in
/// their key, those of an array by the key before it; -0 becomes 0, and what is not finite `null`.
///
/// # Panics
/// Never for the documents of [`super`].
#[must_use]
pub fn to_json<T: Serialize>(document: &T) -> String {
    let mut bytes = Vec::new();
    let mut serializer =
        serde_json::Serializer::with_formatter(&mut bytes, RoundingFormatter::default());
    document
        .serialize(&mut serializer)
        .expect("string keys, written to memory");
    bytes.push(b'\n');
    String::from_utf8(bytes).expect("serde_json writes UTF-8")
}

/// Objects over several lines, arrays within one.
#[derive(Default)]
struct RoundingFormatter {
    /// The latest key of every object that is open, the innermost last.
    keys: Vec<String>,
    /// Whether what is written is a key.
    in_key: bool,
    /// What numbers under the latest key of every open object are rounded to.
    rounding: Vec<PartsPerUnit>,
}

impl RoundingFormatter {
    fn new_line<W: ?Sized + io::Write>(&self, writer: &mut W) -> io::Result<()> {
        write!(writer, "\n{:indent$}", "", indent = 2 * self.keys.len())
    }
}

/// What numbers under the last of `keys` are rounded to.
fn rounding(keys: &[String]) -> PartsPerUnit {
    let mut from_inside = keys.iter().rev().map(String::as_str);
    let key = from_inside.next()?;
    let above = from_inside.next().unwrap_or_default();
    let fits = |pattern: &str| match pattern.split_once('.') {
        Some((above_it, the_key)) => (above_it, the_key) == (above, key),
        None if pattern.starts_with('_') => key.ends_with(pattern),
        None => key == pattern,
    };
    RULES.iter().find(|(pattern, _)| fits(pattern))?.1
}

fn rounded(value: f64, parts_per_unit: f64) -> f64 {
    let parts = value * parts_per_unit;
    // From 2^53 on, numbers have no parts left, and far above that `parts` is infinite.
    if parts.abs() < 9e15 {
        parts.round() / parts_per_unit
    } else {
        value
    }
}

impl Formatter for RoundingFormatter {
    fn write_f64<W: ?Sized + io::Write>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        let value = match self.rounding.last() {
            Some(Some(parts_per_unit)) => rounded(value, *parts_per_unit),
            _ => value,
        };
        // Adding 0 turns -0 into 0.
        CompactFormatter.write_f64(writer, value + 0.0)
    }

    fn write_string_fragment<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        fragment: &str,
    ) -> io::Result<()> {
        if let (true, Some(key)) = (self.in_key, self.keys.last_mut()) {
            key.push_str(fragment);
        }
        writer.write_all(fragment.as_bytes())
    }

    fn begin_array_value<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        writer.write_all(if first { b"" } else { b", " })
    }

    fn begin_object<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.keys.push(String::new());
        self.rounding.push(None);
        writer.write_all(b"{")
    }

    fn begin_object_key<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        if let Some(key) = self.keys.last_mut() {
            key.clear();
        }
        self.in_key = true;
        writer.write_all(if first { b"" } else { b"," })?;
        self.new_line(writer)
    }

    fn end_object_key<W: ?Sized + io::Write>(&mut self, _writer: &mut W) -> io::Result<()> {
        self.in_key = false;
        if let Some(last) = self.rounding.last_mut() {
            *last = rounding(&self.keys);
        }
        Ok(())
    }

    fn begin_object_value<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b": ")
    }

    fn end_object<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.keys.pop();
        self.rounding.pop();
        self.new_line(writer)?;
        writer.write_all(b"}")
    }
}
