//! Limits in a file: read and written.

mod rules;
mod setting;

use std::fmt::Write as _;

use super::rules::Rules;
use super::{Limits, ShapeCounts, bounds};
use crate::error::Result;
use crate::filter::Shape;
use crate::keys::{self, Table, Value, text};

/// The keys of a limits file but `format`.
pub(crate) const KEYS: [&str; 16] = [
    "name",
    "sections",
    "rates_hz",
    "preamp_db",
    "f0_hz",
    "gain_db",
    "q",
    "shelf_q",
    "shapes",
    rules::KEYS[0],
    rules::KEYS[1],
    rules::KEYS[2],
    rules::KEYS[3],
    rules::KEYS[4],
    rules::KEYS[5],
    rules::KEYS[6],
];

impl Limits {
    /// Reads a limits file. `source_name` is its name for messages.
    ///
    /// # Errors
    /// When it is no TOML, has unknown or missing keys, or contradicts itself; with line and key.
    pub fn parse(bytes: &[u8], source_name: &str) -> Result<Self> {
        let known = [&["format"], KEYS.as_slice()].concat();
        keys::read_file(bytes, source_name, &known, |table| {
            table.format_1()?;
            let limits = Self::read(table)?;
            match limits.room_for_slots() {
                Ok(()) => Ok(limits),
                Err(error) => Err(table.placed(error)),
            }
        })
    }

    /// Reads [`KEYS`] from `table`.
    pub(crate) fn read(table: &Table) -> Result<Self> {
        let q = setting::read(&table.required("q")?)?;
        let limits = Self {
            name: table.required("name")?.string()?,
            sections: read_count(&table.required("sections")?)?,
            rates_hz: {
                let rates = table.required("rates_hz")?;
                rates.at_most(bounds::RATES.max as usize, "rates")?;
                rates.numbers()?
            },
            preamp_db: setting::read(&table.required("preamp_db")?)?,
            f0_hz: setting::read(&table.required("f0_hz")?)?,
            gain_db: setting::read(&table.required("gain_db")?)?,
            shelf_q: match table.optional("shelf_q") {
                Some(value) => setting::read(&value)?,
                None => q.clone(),
            },
            q,
            shapes: match table.optional("slot") {
                Some(_) if table.optional("shapes").is_none() => ShapeCounts::default(),
                _ => read_shapes(&table.required("shapes")?)?,
            },
            rules: Rules::read(table)?,
        };
        match limits.check() {
            Ok(()) => Ok(limits),
            Err(error) => Err(table.placed(error)),
        }
    }

    /// The limits as a file that [`Limits::parse`] reads back unchanged.
    #[must_use]
    pub fn to_toml(&self) -> String {
        format!("format = 1\n{}", self.keys_as_toml("shapes"))
    }

    /// All keys but `format`, ending with the table of shapes, whose full name is given.
    pub(crate) fn keys_as_toml(&self, shapes_table: &str) -> String {
        let mut out = format!(
            "name = {}\nsections = {}\nrates_hz = {}\n",
            text::string(&self.name),
            self.sections,
            text::numbers(&self.rates_hz)
        );
        for (key, setting) in [
            ("preamp_db", &self.preamp_db),
            ("f0_hz", &self.f0_hz),
            ("gain_db", &self.gain_db),
            ("q", &self.q),
            ("shelf_q", &self.shelf_q),
        ] {
            let _ = writeln!(out, "{key} = {}", setting::as_toml(setting));
        }
        out += &self.rules.as_toml();
        let _ = writeln!(out, "[{shapes_table}]");
        for shape in Shape::ALL {
            if self.shapes.of(shape) > 0 {
                let _ = writeln!(out, "{shape} = {}", self.shapes.of(shape));
            }
        }
        out
    }
}

fn read_shapes(value: &Value) -> Result<ShapeCounts> {
    value.table(&Shape::ALL.map(Shape::name), |shapes| {
        let count = |shape: Shape| match shapes.optional(shape.name()) {
            Some(value) => read_count(&value),
            None => Ok(0),
        };
        Ok(ShapeCounts {
            low_shelf: count(Shape::LowShelf)?,
            peaking: count(Shape::Peaking)?,
            high_shelf: count(Shape::HighShelf)?,
        })
    })
}

fn read_count(value: &Value) -> Result<usize> {
    // A count too large for the machine is too large for the bounds as well, which word the error.
    Ok(usize::try_from(value.whole()?).unwrap_or(usize::MAX))
}
