//! Stage 4: what an equaliser can do. This stage knows no curve and no fit.
//!
//! [`Limits`] says how many sections of which shape there are, and which values each knob can take.
//! A knob is a [`Setting`]; where it has steps, every value is a whole number of steps, computed in
//! decimals, so that the number stored is the number a listener types. [`bounds`] states, once, what
//! any limits may ask for.

pub mod bounds;
mod setting;
pub(crate) mod text;

use std::fmt::Write as _;

use crate::error::{Error, ErrorKind, Result};
use crate::filter::{Section, Shape};
use crate::keys::{self, Table, Value};
use bounds::Bound;
pub use setting::Setting;

/// The most sections of each shape; 0 where a shape is not available.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct ShapeCounts {
    /// Low shelves.
    pub low_shelf: usize,
    /// Peaking sections.
    pub peaking: usize,
    /// High shelves.
    pub high_shelf: usize,
}

impl ShapeCounts {
    /// The most sections of `shape`.
    #[must_use]
    pub fn of(&self, shape: Shape) -> usize {
        match shape {
            Shape::LowShelf => self.low_shelf,
            Shape::Peaking => self.peaking,
            Shape::HighShelf => self.high_shelf,
        }
    }

    /// All of them together.
    #[must_use]
    pub fn total(&self) -> usize {
        self.low_shelf
            .saturating_add(self.peaking)
            .saturating_add(self.high_shelf)
    }
}

/// What an equaliser can do: the file `NAME.limits.toml`.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Limits {
    /// Name, in words.
    pub name: String,
    /// The most sections in all; [`Limits::available`] tells how many the shapes leave of them.
    pub sections: usize,
    /// Sample rates it runs at, hertz. A fit is made at the first.
    pub rates_hz: Vec<f64>,
    /// Gain before the sections, 0 dB or less.
    pub preamp_db: Setting,
    /// Frequency of a section, hertz.
    pub f0_hz: Setting,
    /// Gain of a section, dB.
    pub gain_db: Setting,
    /// Q of a peaking section.
    pub q: Setting,
    /// Q of a shelf.
    pub shelf_q: Setting,
    /// The most sections of each shape.
    pub shapes: ShapeCounts,
}

impl Limits {
    /// What is assumed when nobody says what the equaliser can do: eight sections (one low shelf, six
    /// peaking, one high shelf), f0 20 Hz-20 kHz, gain -12..+6 dB, q 0.3-6, shelves 0.4-1.0, at 44.1, 48
    /// and 96 kHz, without steps but for 0.1 dB in the preamp.
    #[must_use]
    pub fn standard() -> Self {
        Self {
            name: "standard: eight sections without steps".to_owned(),
            sections: 8,
            rates_hz: vec![44_100.0, 48_000.0, 96_000.0],
            preamp_db: Setting::Linear {
                min: -30.0,
                max: 0.0,
                step: 0.1,
            },
            f0_hz: Setting::Range {
                min: 20.0,
                max: 20_000.0,
            },
            gain_db: Setting::Range {
                min: -12.0,
                max: 6.0,
            },
            q: Setting::Range { min: 0.3, max: 6.0 },
            shelf_q: Setting::Range { min: 0.4, max: 1.0 },
            shapes: ShapeCounts {
                low_shelf: 1,
                peaking: 6,
                high_shelf: 1,
            },
        }
    }

    /// The standard limits with `sections` sections: a shelf of each kind and the rest peaking; below
    /// three, any of them.
    ///
    /// # Errors
    /// When `sections` is outside [`bounds::SECTIONS`].
    pub fn standard_with_sections(sections: usize) -> Result<Self> {
        let mut limits = Self::standard();
        limits.shapes.peaking = sections.saturating_sub(2).max(1);
        limits.sections = sections;
        if sections != 8 {
            limits.name = format!("standard: {sections} sections without steps");
        }
        limits.check().map(|()| limits)
    }

    /// The same limits with at most `sections` sections.
    ///
    /// # Errors
    /// When `sections` is 0 or more than [`Limits::available`].
    pub fn with_sections(&self, sections: usize) -> Result<Self> {
        if !(1..=self.available()).contains(&sections) {
            return Err(Error::new(
                ErrorKind::Setting,
                &self.name,
                format!("{sections} sections"),
                format!("1 to {}, which is what these limits have", self.available()),
                "ask for fewer sections, or use limits that have more",
            )
            .at_key("sections"));
        }
        Ok(Self {
            sections,
            ..self.clone()
        })
    }

    /// Sections that can be used at once: `sections`, or all shapes together where that is less.
    #[must_use]
    pub fn available(&self) -> usize {
        self.sections.min(self.shapes.total())
    }

    /// The q setting of `shape`.
    #[must_use]
    pub fn q_of(&self, shape: Shape) -> &Setting {
        if shape.is_shelf() {
            &self.shelf_q
        } else {
            &self.q
        }
    }

    /// Whether an equaliser with these limits can hold `sections`.
    ///
    /// # Errors
    /// Names the first section, counted from 1, that it cannot hold, and the nearest value it has.
    pub fn allows(&self, sections: &[Section]) -> Result<()> {
        let refused = |key: String, found: String, expected: String, next_step: &str| {
            Error::new(ErrorKind::Setting, &self.name, found, expected, next_step).at_key(key)
        };
        if sections.len() > self.available() {
            return Err(refused(
                "section".to_owned(),
                format!("{} sections", sections.len()),
                format!("at most {}", self.available()),
                "fit with fewer sections",
            ));
        }
        for shape in Shape::ALL {
            let used = sections.iter().filter(|s| s.shape == shape).count();
            if used > self.shapes.of(shape) {
                return Err(refused(
                    "section".to_owned(),
                    format!("{used} of shape {shape}"),
                    format!("at most {}", self.shapes.of(shape)),
                    "fit again within these limits",
                ));
            }
        }
        for (index, section) in sections.iter().enumerate() {
            for (name, value, setting) in [
                ("f0_hz", section.f0_hz, &self.f0_hz),
                ("gain_db", section.gain_db, &self.gain_db),
                ("q", section.q, self.q_of(section.shape)),
            ] {
                if !setting.contains(value) {
                    return Err(refused(
                        format!("section[{}].{name}", index + 1),
                        value.to_string(),
                        format!(
                            "{} to {}, the nearest value being {}",
                            setting.min(),
                            setting.max(),
                            setting.nearest(value)
                        ),
                        "fit again within these limits",
                    ));
                }
            }
        }
        Ok(())
    }

    /// Whether these limits make sense.
    ///
    /// # Errors
    /// Names the first key that contradicts another or leaves the [`bounds`].
    pub fn check(&self) -> Result<()> {
        let refused = |key: &str, found: String, expected: String, next_step: &str| {
            Error::new(ErrorKind::Setting, &self.name, found, expected, next_step).at_key(key)
        };
        let outside = |key: &str, found: f64, bound: &Bound| {
            refused(
                key,
                format!("{found}{}", bound.unit),
                bound.words(),
                "correct the value",
            )
        };
        if !bounds::SECTIONS.contains(self.sections as f64) {
            return Err(outside("sections", self.sections as f64, &bounds::SECTIONS));
        }
        for shape in Shape::ALL {
            let count = self.shapes.of(shape) as f64;
            if count > bounds::SECTIONS.max {
                let key = format!("shapes.{shape}");
                return Err(outside(&key, count, &bounds::SECTIONS));
            }
        }
        if self.shapes.total() == 0 {
            return Err(refused(
                "shapes",
                "no shape".to_owned(),
                "at least one of low-shelf, peaking and high-shelf, 1 or more of it".to_owned(),
                "say how many sections of each shape there are",
            ));
        }
        check_rates(&self.rates_hz, &refused)?;
        for (setting, bound) in [
            (&self.preamp_db, bounds::PREAMP_DB),
            (&self.f0_hz, bounds::F0_HZ),
            (&self.gain_db, bounds::GAIN_DB),
            (&self.q, bounds::Q),
            (&self.shelf_q, bounds::SHELF_Q),
        ] {
            setting::check(setting, &bound, &refused)?;
        }
        let lowest_rate_hz = self.rates_hz.iter().copied().fold(f64::INFINITY, f64::min);
        if self.f0_hz.max() >= lowest_rate_hz / 2.0 {
            return Err(refused(
                "f0_hz.max",
                format!("{} Hz", self.f0_hz.max()),
                format!(
                    "less than {} Hz, half the lowest of rates_hz: no section can be played at or above it",
                    lowest_rate_hz / 2.0
                ),
                "lower f0_hz, or remove that rate",
            ));
        }
        Ok(())
    }

    /// Reads a limits file. `source_name` is its name for messages.
    ///
    /// # Errors
    /// When it is no TOML, has unknown or missing keys, or contradicts itself; with line and key.
    pub fn parse(bytes: &[u8], source_name: &str) -> Result<Self> {
        let known = [&["format"], KEYS.as_slice()].concat();
        keys::read_file(bytes, source_name, &known, |table| {
            table.format_1()?;
            Self::read(table)
        })
    }

    /// Reads [`KEYS`] from `table`.
    pub(crate) fn read(table: &Table) -> Result<Self> {
        let q = setting::read(&table.required("q")?)?;
        let limits = Self {
            name: table.required("name")?.string()?,
            sections: read_count(&table.required("sections")?)?,
            rates_hz: table.required("rates_hz")?.numbers()?,
            preamp_db: setting::read(&table.required("preamp_db")?)?,
            f0_hz: setting::read(&table.required("f0_hz")?)?,
            gain_db: setting::read(&table.required("gain_db")?)?,
            shelf_q: match table.optional("shelf_q") {
                Some(value) => setting::read(&value)?,
                None => q.clone(),
            },
            q,
            shapes: table
                .required("shapes")?
                .table(&Shape::ALL.map(Shape::name), |shapes| {
                    let count = |shape: Shape| match shapes.optional(shape.name()) {
                        Some(value) => read_count(&value),
                        None => Ok(0),
                    };
                    Ok(ShapeCounts {
                        low_shelf: count(Shape::LowShelf)?,
                        peaking: count(Shape::Peaking)?,
                        high_shelf: count(Shape::HighShelf)?,
                    })
                })?,
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
        let _ = writeln!(out, "[{shapes_table}]");
        for shape in Shape::ALL {
            if self.shapes.of(shape) > 0 {
                let _ = writeln!(out, "{shape} = {}", self.shapes.of(shape));
            }
        }
        out
    }
}

/// The keys of a limits file but `format`.
pub(crate) const KEYS: [&str; 9] = [
    "name",
    "sections",
    "rates_hz",
    "preamp_db",
    "f0_hz",
    "gain_db",
    "q",
    "shelf_q",
    "shapes",
];

/// Whether `rates_hz` are a few plausible sample rates, each once.
pub(crate) fn check_rates(
    rates_hz: &[f64],
    refused: &impl Fn(&str, String, String, &str) -> Box<Error>,
) -> Result<()> {
    if !bounds::RATES.contains(rates_hz.len() as f64) {
        return Err(refused(
            "rates_hz",
            format!("{} rates", rates_hz.len()),
            bounds::RATES.words(),
            "name the sample rates the equaliser runs at",
        ));
    }
    for (index, rate_hz) in rates_hz.iter().enumerate() {
        if !bounds::RATE_HZ.contains(*rate_hz) || rates_hz[..index].contains(rate_hz) {
            return Err(refused(
                "rates_hz",
                format!("{rate_hz} Hz as number {}", index + 1),
                format!("rates of {}, each once", bounds::RATE_HZ.words()),
                "correct or remove that rate",
            ));
        }
    }
    Ok(())
}

fn read_count(value: &Value) -> Result<usize> {
    // A count too large for the machine is too large for the bounds as well, which word the error.
    Ok(usize::try_from(value.whole()?).unwrap_or(usize::MAX))
}
