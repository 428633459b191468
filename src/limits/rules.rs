//! What an equaliser can do beyond the ranges of its knobs: slots, limits of gain by frequency, how it reads q; and what
//! its owner wants of it: narrow dips not filled, cuts only, a most total boost.

use std::fmt::Write as _;

use super::bounds::{self, Bound};
use super::error::LimitsFault;
use super::{Setting, setting};
use crate::error::value::{NameOf, ValueFault};
use crate::error::{Error, Fault, Result};
use crate::filter::{QMeaning, Section, Shape};
use crate::keys::error::KeysFault;
use crate::keys::{Table, Value, text};
use crate::message::Number;

/// A section of the equaliser that cannot be anything: its shapes, and what of its numbers is its own.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct Slot {
    /// What it can be, at least one, each once.
    pub shapes: Vec<Shape>,
    /// Its frequency; None: as everywhere.
    pub f0_hz: Option<Setting>,
    /// Its gain; None: as everywhere.
    pub gain_db: Option<Setting>,
    /// Its q, whatever the shape; None: as everywhere.
    pub q: Option<Setting>,
}

/// The gain of sections with their f0 in a band, its edges included.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct GainLimit {
    /// Lower edge, hertz; 0 where there is none.
    pub from_hz: f64,
    /// Upper edge, hertz; infinite where there is none.
    pub to_hz: f64,
    /// Least gain, dB; minus infinity where there is none.
    pub min_db: f64,
    /// Most gain, dB; infinite where there is none.
    pub max_db: f64,
}

/// Everything of a limits file that most equalisers have no need of.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct Rules {
    /// Sections that are fixed in some way, beside those of `shapes`.
    pub slots: Vec<Slot>,
    /// Gain by frequency; the narrowest counts.
    pub gain_limits: Vec<GainLimit>,
    /// The most q, in the cookbook's terms, of a section that boosts.
    pub boost_q_max: Option<f64>,
    /// True where no section may boost.
    pub cut_only: bool,
    /// The most gain of all sections together at any frequency, at any rate, dB.
    pub total_boost_max_db: Option<f64>,
    /// What the equaliser calls q of a peaking section.
    pub q_meaning: QMeaning,
    /// What it calls q of a shelf.
    pub shelf_q_meaning: QMeaning,
}

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

/// So far outside a gain limit's band is its neighbour, so that no rounding brings it inside.
const EDGE: f64 = 1e-9;

impl GainLimit {
    /// Its gains in words.
    pub(super) fn gains(&self) -> String {
        let (least, most) = (Number(self.min_db), Number(self.max_db));
        match (least.0.is_finite(), most.0.is_finite()) {
            (true, false) => format!("{least} dB or more"),
            (false, true) => format!("{most} dB or less"),
            _ => format!("{least} to {most} dB"),
        }
    }

    pub(super) fn covers(&self, f0_hz: f64) -> bool {
        (self.from_hz * (1.0 - EDGE)..=self.to_hz * (1.0 + EDGE)).contains(&f0_hz)
    }
}

/// Whether `limits` together leave a section with `knobs` (f0, gain, q) a gain of at most `most_db` at some frequency. The
/// bands' edges part the frequencies into stretches that are alike; one frequency of each is looked at.
pub(super) fn leave_some(limits: &[GainLimit], knobs: &[&Setting; 3], most_db: f64) -> bool {
    let [f0_hz, gain_db, _] = knobs;
    let edges = limits.iter().flat_map(|limit| [limit.from_hz, limit.to_hz]);
    let edges: Vec<f64> = edges
        .filter(|hz| hz.is_finite() && *hz > 0.0)
        .chain([f0_hz.min()])
        .collect();
    let beside = edges.iter().flat_map(|&hz| {
        // Just beyond an edge the next stretch begins.
        let beyond = 2.0 * EDGE;
        [
            f0_hz.at_or_below(hz * (1.0 - beyond)),
            f0_hz.at_or_above(hz),
            f0_hz.at_or_above(hz * (1.0 + beyond)),
        ]
    });
    beside.flatten().any(|f0_hz| {
        let covering = limits.iter().filter(|limit| limit.covers(f0_hz));
        let (least_db, most_db) = covering
            .fold((f64::NEG_INFINITY, most_db), |(least, most), limit| {
                (least.max(limit.min_db), most.min(limit.max_db))
            });
        gain_db.has_within(least_db, most_db)
    })
}

impl Rules {
    /// The most gain that a section may have, whatever its setting allows, dB.
    pub(super) fn most_gain_db(&self) -> f64 {
        if self.cut_only { 0.0 } else { f64::INFINITY }
    }

    /// What the numbers of `shape` mean that this equaliser calls q.
    #[must_use]
    pub fn meaning_of(&self, shape: Shape) -> QMeaning {
        if shape.is_shelf() {
            self.shelf_q_meaning
        } else {
            self.q_meaning
        }
    }

    /// The key of the first rule that a section breaks, and how.
    pub(super) fn broken_by(&self, section: &Section) -> Option<(&'static str, LimitsFault)> {
        const SAME: f64 = 1e-9;
        let Section {
            f0_hz, gain_db, q, ..
        } = *section;
        if self.cut_only && gain_db > 0.0 {
            return Some(("gain_db", LimitsFault::Boost(*section)));
        }
        let limit = self.gain_limits.iter().find(|limit| {
            limit.covers(f0_hz) && !(limit.min_db - SAME..=limit.max_db + SAME).contains(&gain_db)
        });
        if let Some(limit) = limit {
            return Some(("gain_db", LimitsFault::Gain(*section, *limit)));
        }
        let most_q = self.boost_q_max.filter(|_| gain_db > 0.0)?;
        (q > most_q * (1.0 + SAME)).then_some(("q", LimitsFault::BoostQ(q, most_q)))
    }

    /// What contradicts itself or leaves the bounds.
    pub(super) fn check(
        &self,
        refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>,
    ) -> Result<()> {
        let bounded = |key: &str, x: f64, bound: &Bound| match bound.contains(x) {
            true => Ok(()),
            false => Err(refused(key, bound.fault(x).into())),
        };
        if self.slots.len() as f64 > bounds::SECTIONS.max {
            let fault =
                KeysFault::TooMany(self.slots.len(), "slots", bounds::SECTIONS.max as usize);
            return Err(refused("slot", fault.into()));
        }
        for (index, slot) in self.slots.iter().enumerate() {
            let refused = |key: &str, fault| refused(&format!("slot[{}].{key}", index + 1), fault);
            let repeated =
                (1..slot.shapes.len()).any(|k| slot.shapes[..k].contains(&slot.shapes[k]));
            if slot.shapes.is_empty() || repeated {
                let fault = LimitsFault::SlotShapes(slot.shapes.len());
                return Err(refused("shape", fault.into()));
            }
            for (setting, bound) in [
                (&slot.f0_hz, bounds::F0_HZ),
                (&slot.gain_db, bounds::GAIN_DB),
                (&slot.q, bounds::Q),
            ] {
                if let Some(setting) = setting {
                    setting::check(setting, &bound, &refused)?;
                }
            }
        }
        if !bounds::GAIN_LIMITS.contains(self.gain_limits.len() as f64) {
            let fault = KeysFault::TooMany(
                self.gain_limits.len(),
                "gain limits",
                bounds::GAIN_LIMITS.max as usize,
            );
            return Err(refused("gain_limit", fault.into()));
        }
        for (index, limit) in self.gain_limits.iter().enumerate() {
            let key = |part: &str| format!("gain_limit[{}].{part}", index + 1);
            let ordered = |low: (&'static str, f64), high: (&'static str, f64)| {
                let fault = LimitsFault::Reversed(low.1, "", high.0, high.1, low.0);
                match low.1 <= high.1 {
                    true => Ok(()),
                    false => Err(refused(&key(low.0), fault.into())),
                }
            };
            ordered(("from_hz", limit.from_hz), ("to_hz", limit.to_hz))?;
            ordered(("min_db", limit.min_db), ("max_db", limit.max_db))?;
            for (part, x, open, bound) in [
                ("from_hz", limit.from_hz, 0.0, bounds::F0_HZ),
                ("to_hz", limit.to_hz, f64::INFINITY, bounds::F0_HZ),
                ("min_db", limit.min_db, f64::NEG_INFINITY, bounds::GAIN_DB),
                ("max_db", limit.max_db, f64::INFINITY, bounds::GAIN_DB),
            ] {
                if x != open {
                    bounded(&key(part), x, &bound)?;
                }
            }
        }
        if let Some(q) = self.boost_q_max {
            bounded("boost_q_max", q, &bounds::Q)?;
        }
        if let Some(db) = self.total_boost_max_db {
            bounded("total_boost_max_db", db, &bounds::TOTAL_BOOST_DB)?;
        }
        for shape in [Shape::Peaking, Shape::LowShelf] {
            let meaning = self.meaning_of(shape);
            if !QMeaning::of(shape).contains(&meaning) {
                let known = QMeaning::of(shape).iter().map(|meaning| meaning.name());
                let fault = ValueFault::unknown(NameOf::Word, meaning.name(), known);
                return Err(refused(meaning_key(shape), fault.into()));
            }
        }
        Ok(())
    }

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

fn meaning_key(shape: Shape) -> &'static str {
    if shape.is_shelf() {
        "shelf_q_meaning"
    } else {
        "q_meaning"
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

/// Pairs each of `items` with one of `places` that `fits`, no place twice, as many as can be (augmenting paths, H. W.
/// Kuhn 1955). Earlier items and places come first.
pub(crate) fn paired(
    items: usize,
    places: usize,
    fits: &dyn Fn(usize, usize) -> bool,
) -> Vec<Option<usize>> {
    fn place(
        item: usize,
        holder: &mut [Option<usize>],
        seen: &mut [bool],
        fits: &dyn Fn(usize, usize) -> bool,
    ) -> bool {
        for p in 0..holder.len() {
            if !seen[p] && fits(item, p) {
                seen[p] = true;
                if holder[p].is_none_or(|other| place(other, holder, seen, fits)) {
                    holder[p] = Some(item);
                    return true;
                }
            }
        }
        false
    }
    let mut holder = vec![None; places];
    for item in 0..items {
        place(item, &mut holder, &mut vec![false; places], fits);
    }
    let mut pairs = vec![None; items];
    for (p, item) in holder.into_iter().enumerate() {
        if let Some(item) = item {
            pairs[item] = Some(p);
        }
    }
    pairs
}
