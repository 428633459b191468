//! The rules of limits in a file: read and written.

use std::fmt::Write as _;

use super::setting;
use crate::error::Result;
use crate::filter::{QMeaning, Shape};
use crate::keys::{Table, Value, text};
use crate::limits::bounds;
use crate::limits::rules::{GainLimit, Rules, Slot, meaning_key};

/// The keys of rules in a limits file.
pub(super) const KEYS: [&str; 7] = [
    "slot",
    "gain_limit",
    "boost_q_max",
    "cut_only",
    "total_boost_max_db",
    "q_meaning",
    "shelf_q_meaning",
];
const SLOT: [&str; 4] = ["shape", "f0_hz", "gain_db", "q"];
const GAIN_LIMIT: [&str; 4] = ["from_hz", "to_hz", "min_db", "max_db"];

impl Rules {
    pub(super) fn read(table: &Table) -> Result<Self> {
        let number = |key: &str| table.optional(key).map(|value| value.number()).transpose();
        let meaning = |shape: Shape| match table.optional(meaning_key(shape)) {
            Some(value) => read_meaning(&value, shape),
            None => Ok(QMeaning::Cookbook),
        };
        Ok(Self {
            slots: match table.optional("slot") {
                Some(slots) => {
                    slots.at_most(bounds::SECTIONS.max as usize, "slots")?;
                    slots.tables(&SLOT, read_slot)?
                }
                None => Vec::new(),
            },
            gain_limits: match table.optional("gain_limit") {
                Some(limits) => {
                    limits.at_most(bounds::GAIN_LIMITS.max as usize, "gain limits")?;
                    limits.tables(&GAIN_LIMIT, read_gain_limit)?
                }
                None => Vec::new(),
            },
            boost_q_max: number("boost_q_max")?,
            cut_only: match table.optional("cut_only") {
                Some(value) => value.boolean()?,
                None => false,
            },
            total_boost_max_db: number("total_boost_max_db")?,
            q_meaning: meaning(Shape::Peaking)?,
            shelf_q_meaning: meaning(Shape::LowShelf)?,
        })
    }

    /// The rules as a file has them; nothing where there are none.
    pub(super) fn as_toml(&self) -> String {
        let mut out = String::new();
        for shape in [Shape::Peaking, Shape::LowShelf] {
            if self.meaning_of(shape) != QMeaning::Cookbook {
                let meaning = text::string(self.meaning_of(shape).name());
                let _ = writeln!(out, "{} = {meaning}", meaning_key(shape));
            }
        }
        for (key, x) in [
            ("boost_q_max", self.boost_q_max),
            ("total_boost_max_db", self.total_boost_max_db),
        ] {
            if let Some(x) = x {
                let _ = writeln!(out, "{key} = {}", text::number(x));
            }
        }
        if self.cut_only {
            out.push_str("cut_only = true\n");
        }
        let rows = |key: &str, rows: Vec<Vec<String>>| match rows.is_empty() {
            true => String::new(),
            false => {
                let row = |parts: Vec<String>| format!("  {{ {} }},\n", parts.join(", "));
                format!(
                    "{key} = [\n{}]\n",
                    rows.into_iter().map(row).collect::<String>()
                )
            }
        };
        let gain_limit = |limit: &GainLimit| {
            let parts = [limit.from_hz, limit.to_hz, limit.min_db, limit.max_db];
            let stated = |(key, x): (&&str, f64)| {
                (x.is_finite() && (x != 0.0 || *key != "from_hz"))
                    .then(|| format!("{key} = {}", text::number(x)))
            };
            GAIN_LIMIT.iter().zip(parts).filter_map(stated).collect()
        };
        out += &rows(
            "gain_limit",
            self.gain_limits.iter().map(gain_limit).collect(),
        );
        let slot = |slot: &Slot| {
            let shape = match slot.shapes.as_slice() {
                [only] => text::string(only.name()),
                several => text::array(several, |shape| text::string(shape.name())),
            };
            let own = [
                ("f0_hz", &slot.f0_hz),
                ("gain_db", &slot.gain_db),
                ("q", &slot.q),
            ];
            let own = own.into_iter().filter_map(|(key, setting)| {
                Some(format!("{key} = {}", setting::as_toml(setting.as_ref()?)))
            });
            std::iter::once(format!("shape = {shape}"))
                .chain(own)
                .collect()
        };
        out + &rows("slot", self.slots.iter().map(slot).collect())
    }
}

fn read_meaning(value: &Value, shape: Shape) -> Result<QMeaning> {
    value.one_of(QMeaning::of(shape), QMeaning::name)
}

fn read_slot(table: &Table) -> Result<Slot> {
    let shape = table.required("shape")?;
    let shape_of = |value: &Value| value.one_of(&Shape::ALL, Shape::name);
    let own = |key| {
        table
            .optional(key)
            .map(|value| setting::read(&value))
            .transpose()
    };
    Ok(Slot {
        shapes: match shape.is_array() {
            true => shape.items()?.iter().map(shape_of).collect::<Result<_>>()?,
            false => vec![shape_of(&shape)?],
        },
        f0_hz: own("f0_hz")?,
        gain_db: own("gain_db")?,
        q: own("q")?,
    })
}

fn read_gain_limit(table: &Table) -> Result<GainLimit> {
    let number = |key: &str, or: f64| match table.optional(key) {
        Some(value) => value.number(),
        None => Ok(or),
    };
    if table.optional("min_db").is_none() {
        table.required("max_db")?;
    }
    Ok(GainLimit {
        from_hz: number("from_hz", 0.0)?,
        to_hz: number("to_hz", f64::INFINITY)?,
        min_db: number("min_db", f64::NEG_INFINITY)?,
        max_db: number("max_db", f64::INFINITY)?,
    })
}
