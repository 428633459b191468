//! Stage 4: what an equaliser can do. This stage knows no curve and no fit.
//!
//! [`Limits`] says how many sections of which shape there are, and which values each knob can take.
//! A knob is a [`Setting`]; where it has steps, every value is a whole number of steps, computed in
//! decimals, so that the number stored is the number a listener types. [`bounds`] states, once, what
//! any limits may ask for.

pub(crate) mod keys;
pub(crate) mod text;

use std::fmt::Write as _;

use crate::error::{Error, ErrorKind, Result};
use crate::filter::{Section, Shape};
use keys::{Table, Value};

/// The widest limits that make sense; everything that checks, words or generates limits uses these.
pub mod bounds {
    /// One quantity: its key, its unit in words, and the smallest and largest value any limits may hold.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Bound {
        /// Key in the file.
        pub key: &'static str,
        /// Unit, as it follows a number; empty for a plain number.
        pub unit: &'static str,
        /// Smallest value.
        pub min: f64,
        /// Largest value.
        pub max: f64,
    }

    const fn bound(key: &'static str, unit: &'static str, min: f64, max: f64) -> Bound {
        Bound {
            key,
            unit,
            min,
            max,
        }
    }

    /// Number of sections, and of each shape.
    pub const SECTIONS: Bound = bound("sections", "", 1.0, 64.0);
    /// Sample rate.
    pub const RATE_HZ: Bound = bound("rates_hz", " Hz", 8000.0, 768_000.0);
    /// Gain before the sections.
    pub const PREAMP_DB: Bound = bound("preamp_db", " dB", -120.0, 0.0);
    /// Frequency of a section; it must also stay below half of every rate.
    pub const F0_HZ: Bound = bound("f0_hz", " Hz", 1.0, 384_000.0);
    /// Gain of a section.
    pub const GAIN_DB: Bound = bound("gain_db", " dB", -60.0, 60.0);
    /// Q of a peaking section.
    pub const Q: Bound = bound("q", "", 0.01, 1000.0);
    /// Q of a shelf.
    pub const SHELF_Q: Bound = bound("shelf_q", "", 0.01, 1000.0);

    impl Bound {
        /// True for a number within the bound; never for NaN.
        #[must_use]
        pub fn contains(&self, x: f64) -> bool {
            (self.min..=self.max).contains(&x)
        }

        /// The range in words.
        #[must_use]
        pub fn words(&self) -> String {
            format!("{} to {}{}", self.min, self.max, self.unit)
        }
    }
}
use bounds::Bound;

/// Decimals after the point that a stepped setting may have. With the bounds above every value is then
/// fewer than 2^53 units of its last decimal, so counting in units is exact.
const MOST_DECIMALS: i32 = 9;
/// More values than anyone could step through: such a setting is continuous.
const MOST_VALUES: f64 = 1e7;
/// Two numbers closer than this, relative to the larger of 1 and their size, are the same value of a setting.
const SAME: f64 = 1e-9;

/// The values that one knob can take. Those read by [`Limits::parse`] are consistent; for those made by
/// hand, [`Limits::check`] tells.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(untagged)]
pub enum Setting {
    /// Any number from `min` to `max`.
    Range {
        /// Smallest value.
        min: f64,
        /// Largest value.
        max: f64,
    },
    /// `min + k * step` in decimals, as far as `max`.
    Linear {
        /// Smallest value.
        min: f64,
        /// No value is larger.
        max: f64,
        /// Distance between values.
        step: f64,
    },
    /// `min * 2^(k * step_octaves)`, as far as `max`.
    Octaves {
        /// Smallest value.
        min: f64,
        /// No value is larger.
        max: f64,
        /// Octaves between values.
        step_octaves: f64,
    },
    /// These values, in ascending order.
    Allowed(Vec<f64>),
}

impl Setting {
    /// The smallest value; NaN for an empty list.
    #[must_use]
    pub fn min(&self) -> f64 {
        match self {
            Self::Range { min, .. } | Self::Linear { min, .. } | Self::Octaves { min, .. } => *min,
            Self::Allowed(values) => values.first().copied().unwrap_or(f64::NAN),
        }
    }

    /// The largest value there is, which a step may leave below the stated maximum; NaN for an empty list.
    #[must_use]
    pub fn max(&self) -> f64 {
        match self {
            Self::Range { max, .. } => *max,
            _ => self.value(usize::MAX),
        }
    }

    /// False for a continuous range.
    #[must_use]
    pub fn is_stepped(&self) -> bool {
        !matches!(self, Self::Range { .. })
    }

    /// Number of values; None for a continuous range.
    #[must_use]
    #[expect(clippy::len_without_is_empty, reason = "a setting always has a value")]
    pub fn len(&self) -> Option<usize> {
        match self {
            Self::Range { .. } => None,
            Self::Linear { min, max, step } => {
                Some(decimal_steps(*min, *max, *step).1.saturating_add(1))
            }
            Self::Octaves {
                min,
                max,
                step_octaves,
            } => Some((((max / min).log2() / step_octaves + SAME) as usize).saturating_add(1)),
            Self::Allowed(values) => Some(values.len()),
        }
    }

    /// Value `k`, counted from 0; the last one for a larger `k`; the smallest for a continuous range.
    #[must_use]
    pub fn value(&self, k: usize) -> f64 {
        let k = k.min(self.len().unwrap_or(1).saturating_sub(1));
        match self {
            Self::Range { min, .. } => *min,
            Self::Linear { min, max, step } => {
                let (scale, _) = decimal_steps(*min, *max, *step);
                // Both products are whole below 2^53, so the one rounding is that of the division.
                ((min * scale).round() + k as f64 * (step * scale).round()) / scale
            }
            Self::Octaves {
                min,
                max,
                step_octaves,
            } => (min * (k as f64 * step_octaves).exp2()).min(*max),
            Self::Allowed(values) => values.get(k).copied().unwrap_or(f64::NAN),
        }
    }

    /// The index of the value nearest to `x` (of two equally near the lower); None for a continuous range.
    #[must_use]
    pub fn nearest_index(&self, x: f64) -> Option<usize> {
        let last = self.len()?.saturating_sub(1);
        let guess = match self {
            Self::Linear { min, step, .. } => (x - min) / step,
            Self::Octaves {
                min, step_octaves, ..
            } => (x / min).log2() / step_octaves,
            Self::Allowed(values) => values.partition_point(|&value| value < x) as f64,
            Self::Range { .. } => return None,
        };
        // Casting saturates, and turns NaN into 0.
        let guess = (guess.round() as usize).min(last);
        let distance = |k: usize| (self.value(k) - x).abs();
        let mut nearest = guess.saturating_sub(1);
        for k in nearest + 1..=(guess + 1).min(last) {
            if distance(k) < distance(nearest) {
                nearest = k;
            }
        }
        Some(nearest)
    }

    /// The value nearest to `x`.
    #[must_use]
    pub fn nearest(&self, x: f64) -> f64 {
        match (self, self.nearest_index(x)) {
            (_, Some(k)) => self.value(k),
            (Self::Range { min, max }, None) => x.max(*min).min(*max),
            (_, None) => self.min(),
        }
    }

    /// True when `x` is one of the values, to within a part in 10^9.
    #[must_use]
    pub fn contains(&self, x: f64) -> bool {
        (self.nearest(x) - x).abs() <= SAME * x.abs().max(1.0)
    }

    /// The largest value that is not above `x`; None when all are.
    #[must_use]
    pub fn at_or_below(&self, x: f64) -> Option<f64> {
        if !(self.min() <= x) {
            return None;
        }
        let Some(nearest) = self.nearest_index(x) else {
            return Some(self.nearest(x));
        };
        (nearest.saturating_sub(1)..=nearest)
            .rev()
            .map(|k| self.value(k))
            .find(|&value| value <= x)
    }

    fn is_empty(&self) -> bool {
        matches!(self, Self::Allowed(values) if values.is_empty())
    }
}

/// The power of ten that makes `min`, `max` and `step` whole, and the number of steps between them.
fn decimal_steps(min: f64, max: f64, step: f64) -> (f64, usize) {
    let places = [min, max, step]
        .iter()
        .map(|&x| decimals(x).unwrap_or(MOST_DECIMALS))
        .max()
        .unwrap_or(0);
    let scale = 10f64.powi(places);
    let units = |x: f64| (x * scale).round();
    let steps = ((units(max) - units(min)) / units(step)).floor();
    (scale, steps as usize)
}

/// Decimals after the point of the shortest decimal that reads as `x`; None when there are too many.
fn decimals(x: f64) -> Option<i32> {
    (0..=MOST_DECIMALS).find(|&places| {
        let scale = 10f64.powi(places);
        (x * scale).round() / scale == x
    })
}

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
        Shape::ALL.iter().map(|&shape| self.of(shape)).sum()
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
        if self.rates_hz.is_empty() {
            return Err(refused(
                "rates_hz",
                "an empty array".to_owned(),
                "at least one sample rate".to_owned(),
                "name the sample rates the equaliser runs at",
            ));
        }
        for (index, rate_hz) in self.rates_hz.iter().enumerate() {
            if !bounds::RATE_HZ.contains(*rate_hz) {
                return Err(outside("rates_hz", *rate_hz, &bounds::RATE_HZ));
            }
            if self.rates_hz[..index].contains(rate_hz) {
                return Err(refused(
                    "rates_hz",
                    format!("{rate_hz} Hz twice"),
                    "each sample rate once".to_owned(),
                    "remove one of the two",
                ));
            }
        }
        for (setting, bound) in [
            (&self.preamp_db, bounds::PREAMP_DB),
            (&self.f0_hz, bounds::F0_HZ),
            (&self.gain_db, bounds::GAIN_DB),
            (&self.q, bounds::Q),
            (&self.shelf_q, bounds::SHELF_Q),
        ] {
            check_setting(setting, &bound, &refused)?;
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
        let q = read_setting(&table.required("q")?)?;
        let limits = Self {
            name: table.required("name")?.string()?,
            sections: read_count(&table.required("sections")?)?,
            rates_hz: table.required("rates_hz")?.numbers()?,
            preamp_db: read_setting(&table.required("preamp_db")?)?,
            f0_hz: read_setting(&table.required("f0_hz")?)?,
            gain_db: read_setting(&table.required("gain_db")?)?,
            shelf_q: match table.optional("shelf_q") {
                Some(value) => read_setting(&value)?,
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
            let _ = writeln!(out, "{key} = {}", setting_as_toml(setting));
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

/// What contradicts itself within one setting.
fn check_setting(
    setting: &Setting,
    bound: &Bound,
    refused: &impl Fn(&str, String, String, &str) -> Box<Error>,
) -> Result<()> {
    let key = |part: &str| format!("{}.{part}", bound.key);
    let bounded = |part: &str, x: f64| {
        if bound.contains(x) {
            return Ok(());
        }
        Err(refused(
            &key(part),
            format!("{x}{}", bound.unit),
            bound.words(),
            "correct the value",
        ))
    };
    if let Setting::Allowed(values) = setting {
        if setting.is_empty() {
            return Err(refused(
                &key("allowed"),
                "an empty array".to_owned(),
                "at least one value".to_owned(),
                "list the values, or give min and max",
            ));
        }
        for value in values {
            bounded("allowed", *value)?;
        }
        if let Some(pair) = values.windows(2).find(|pair| pair[0] >= pair[1]) {
            return Err(refused(
                &key("allowed"),
                format!("{} after {}", pair[1], pair[0]),
                "values in ascending order, each once".to_owned(),
                "sort the values and remove repetitions",
            ));
        }
        return Ok(());
    }
    let (&min, &max) = match setting {
        Setting::Range { min, max }
        | Setting::Linear { min, max, .. }
        | Setting::Octaves { min, max, .. } => (min, max),
        Setting::Allowed(_) => return Ok(()),
    };
    bounded("min", min)?;
    bounded("max", max)?;
    if min > max {
        return Err(refused(
            &key("min"),
            format!("{min}{} above the maximum of {max}", bound.unit),
            "min not above max".to_owned(),
            "exchange the two, or correct one",
        ));
    }
    let (part, step, span, unit) = match setting {
        Setting::Linear { step, .. } => ("step", *step, max - min, bound.unit),
        Setting::Octaves { step_octaves, .. } => {
            if min <= 0.0 {
                return Err(refused(
                    &key("min"),
                    format!("{min}{} with a step in octaves", bound.unit),
                    "a minimum above 0: octaves are ratios".to_owned(),
                    "use `step` instead of `step_octaves`",
                ));
            }
            (
                "step_octaves",
                *step_octaves,
                (max / min).log2(),
                " octaves",
            )
        }
        _ => return Ok(()),
    };
    if !(step > 0.0) || step > span * (1.0 + SAME) {
        return Err(refused(
            &key(part),
            format!("a step of {step}{unit}"),
            format!("more than 0 and at most max - min, {span}{unit}"),
            "correct the step, or leave it out for a continuous range",
        ));
    }
    if span / step > MOST_VALUES {
        return Err(refused(
            &key(part),
            format!("a step of {step}{unit}"),
            format!("at most {MOST_VALUES} steps between min and max"),
            "leave the step out: this is a continuous range",
        ));
    }
    if matches!(setting, Setting::Linear { .. }) {
        for (part, x) in [("min", min), ("max", max), ("step", step)] {
            if decimals(x).is_none() {
                return Err(refused(
                    &key(part),
                    x.to_string(),
                    format!("at most {MOST_DECIMALS} decimals where there is a step"),
                    "round the number",
                ));
            }
        }
    }
    Ok(())
}

fn read_count(value: &Value) -> Result<usize> {
    // A count too large for the machine is too large for the bounds as well, which word the error.
    Ok(usize::try_from(value.whole()?).unwrap_or(usize::MAX))
}

fn read_setting(value: &Value) -> Result<Setting> {
    if !value.is_table() {
        return Ok(Setting::Allowed(vec![value.number().map_err(
            |mut error| {
                "a number, { min, max }, { min, max, step } or { allowed = [...] }"
                    .clone_into(&mut error.expected);
                error
            },
        )?]));
    }
    value.table(
        &["min", "max", "step", "step_octaves", "allowed"],
        |table| {
            let allowed = table.optional("allowed");
            let bounds = [table.optional("min"), table.optional("max")];
            let step = table.optional("step");
            let step_octaves = table.optional("step_octaves");
            let both = |value: &Value, one: &str, other: &str| {
                value.error(
                    ErrorKind::Setting,
                    format!("both `{one}` and `{other}`"),
                    "one of the two",
                    "remove one of them",
                )
            };
            if let Some(allowed) = &allowed {
                for (name, other) in ["min", "max"]
                    .iter()
                    .zip(&bounds)
                    .chain([(&"step", &step), (&"step_octaves", &step_octaves)])
                {
                    if let Some(other) = other {
                        return Err(both(other, "allowed", name));
                    }
                }
                return Ok(Setting::Allowed(allowed.numbers()?));
            }
            let min = table.required("min")?.number()?;
            let max = table.required("max")?.number()?;
            Ok(match (step, step_octaves) {
                (None, None) => Setting::Range { min, max },
                (Some(step), None) => Setting::Linear {
                    min,
                    max,
                    step: step.number()?,
                },
                (None, Some(step)) => Setting::Octaves {
                    min,
                    max,
                    step_octaves: step.number()?,
                },
                (Some(_), Some(step)) => return Err(both(&step, "step", "step_octaves")),
            })
        },
    )
}

fn setting_as_toml(setting: &Setting) -> String {
    use text::number;
    match setting {
        Setting::Range { min, max } => {
            format!("{{ min = {}, max = {} }}", number(*min), number(*max))
        }
        Setting::Linear { min, max, step } => format!(
            "{{ min = {}, max = {}, step = {} }}",
            number(*min),
            number(*max),
            number(*step)
        ),
        Setting::Octaves {
            min,
            max,
            step_octaves,
        } => format!(
            "{{ min = {}, max = {}, step_octaves = {} }}",
            number(*min),
            number(*max),
            number(*step_octaves)
        ),
        Setting::Allowed(values) => match values.as_slice() {
            [value] => number(*value),
            values => format!("{{ allowed = {} }}", text::numbers(values)),
        },
    }
}
