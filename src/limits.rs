//! Stage 4: what an equaliser can do. This stage knows no curve and no fit.
//!
//! [`Limits`] says how many sections of which shape there are, and which values each knob can take.
//! A knob is a [`Setting`]; where it has steps, every value is a whole number of steps, computed in
//! decimals, so that the number stored is the number a listener types. [`bounds`] states, once, what
//! any limits may ask for; [`rules`] are what goes beyond the ranges of knobs; [`library`] holds the limits that come
//! with the program.

pub mod bounds;
pub mod error;
pub mod library;
pub mod rules;
mod setting;

use std::fmt::Write as _;

use crate::error::{Error, Fault, Result, Source};
use crate::filter::q_meaning::LEAST_GAIN_WITH_WIDTH_DB;
use crate::filter::{QMeaning, Section, Shape};
use crate::keys::{self, Table, Value, text};
use bounds::Bound;
use error::LimitsFault;
use rules::{Rules, paired};
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

    fn of_mut(&mut self, shape: Shape) -> &mut usize {
        match shape {
            Shape::LowShelf => &mut self.low_shelf,
            Shape::Peaking => &mut self.peaking,
            Shape::HighShelf => &mut self.high_shelf,
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
    /// Q of a peaking section, in the equaliser's own terms.
    pub q: Setting,
    /// Q of a shelf, in the equaliser's own terms.
    pub shelf_q: Setting,
    /// The most sections of each shape, slots not counted.
    pub shapes: ShapeCounts,
    /// Slots, and what else there is to say.
    #[serde(flatten)]
    pub rules: Rules,
}

/// Where a section has its room.
#[derive(Debug, Clone, Copy)]
enum Found {
    /// In a slot.
    Slot(usize),
    /// Among what its shape has outside of slots.
    Outside,
    /// Nowhere: others take all there is.
    Nowhere,
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
            rules: Rules::default(),
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
            return Err(self.fault(
                "sections",
                LimitsFault::Sections(sections, self.available()),
            ));
        }
        Ok(Self {
            sections,
            ..self.clone()
        })
    }

    fn fault(&self, key: &str, fault: impl Into<Box<dyn Fault>>) -> Box<Error> {
        Error::of(fault, Source::name(&*self.name)).at_key(key)
    }

    /// Sections that can be used at once: `sections`, or all slots and shapes together where that is less.
    #[must_use]
    pub fn available(&self) -> usize {
        let all = self.shapes.total().saturating_add(self.rules.slots.len());
        self.sections.min(all)
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

    /// What f0, gain and q of a section of `shape` can be, q in the equaliser's own terms; in the slot of that index, or in
    /// none.
    #[must_use]
    pub fn knobs(&self, shape: Shape, slot: Option<usize>) -> [&Setting; 3] {
        let slot = slot.and_then(|slot| self.rules.slots.get(slot));
        let own =
            |setting: fn(&rules::Slot) -> &Option<Setting>| slot.and_then(|s| setting(s).as_ref());
        [
            own(|slot| &slot.f0_hz).unwrap_or(&self.f0_hz),
            own(|slot| &slot.gain_db).unwrap_or(&self.gain_db),
            own(|slot| &slot.q).unwrap_or_else(|| self.q_of(shape)),
        ]
    }

    /// Where a section of `shape` can be: outside the slots (None) where `shapes` has any, and in the slots that can be one.
    pub fn places(&self, shape: Shape) -> impl Iterator<Item = Option<usize>> {
        let outside = (self.shapes.of(shape) > 0).then_some(None);
        let slots = self.rules.slots.iter().enumerate();
        outside.into_iter().chain(
            slots
                .filter(move |(_, slot)| slot.shapes.contains(&shape))
                .map(|(index, _)| Some(index)),
        )
    }

    /// What this equaliser calls the q of a section, as computed; None where it has no number for it.
    #[must_use]
    pub fn device_q(&self, section: &Section) -> Option<f64> {
        let meaning = self.rules.meaning_of(section.shape);
        meaning.from_cookbook(section.q, section.f0_hz, section.gain_db, self.rates_hz[0])
    }

    /// The same as one types it in: the step it lies on, or few decimals; None where the equaliser means the cookbook's.
    #[must_use]
    pub fn typed_q(&self, section: &Section) -> Option<f64> {
        const DECIMALS: f64 = 1e9;
        if self.rules.meaning_of(section.shape) == QMeaning::Cookbook {
            return None;
        }
        let device_q = self.device_q(section)?;
        let settings = self
            .places(section.shape)
            .map(|slot| self.knobs(section.shape, slot)[2]);
        let on_step = settings
            .filter(|setting| setting.is_stepped() && setting.contains(device_q))
            .map(|setting| setting.nearest(device_q))
            .next();
        Some(on_step.unwrap_or_else(|| (device_q * DECIMALS).round() / DECIMALS))
    }

    /// Frequencies of the bands that stay at 0 dB beside `sections`, hertz, rising: slots of one fixed frequency that hold
    /// none of them, as the sliders of a graphic equaliser are.
    #[must_use]
    pub fn idle_bands_hz(&self, sections: &[Section]) -> Vec<f64> {
        let found = self.found_places(sections);
        let holds_one = |index: usize| {
            let here = |found: &Found| matches!(found, Found::Slot(slot) if *slot == index);
            found.iter().any(here)
        };
        let slots = self.rules.slots.iter().enumerate();
        let mut idle_hz: Vec<f64> = slots
            .filter(|(index, _)| !holds_one(*index))
            .filter_map(|(index, slot)| {
                let [f0_hz, gain_db, _] = self.knobs(*slot.shapes.first()?, Some(index));
                let is_band = f0_hz.min() == f0_hz.max() && gain_db.contains(0.0);
                is_band.then(|| f0_hz.min())
            })
            .collect();
        idle_hz.sort_by(f64::total_cmp);
        idle_hz
    }

    /// The lowest preamp that may be needed: the equaliser's own, or that of the most total boost.
    #[must_use]
    pub fn lowest_preamp_db(&self) -> f64 {
        let most_db = self.rules.total_boost_max_db.unwrap_or(f64::INFINITY);
        self.preamp_db.min().max(-most_db)
    }

    /// Whether all sections together may boost by so much.
    ///
    /// # Errors
    /// `Refused` above `total_boost_max_db`.
    pub fn allow_total_boost(&self, peak_gain_db: f64) -> Result<()> {
        const ROUNDING_DB: f64 = 1e-9;
        match self.rules.total_boost_max_db {
            Some(most_db) if peak_gain_db > most_db + ROUNDING_DB => {
                let fault = LimitsFault::TotalBoost(peak_gain_db, most_db);
                Err(self.fault("total_boost_max_db", fault))
            }
            _ => Ok(()),
        }
    }

    /// Whether an equaliser with these limits can hold `sections`, q in the cookbook's terms.
    ///
    /// # Errors
    /// Names the first section, counted from 1, that it cannot hold, and the nearest value it has.
    pub fn allows(&self, sections: &[Section]) -> Result<()> {
        if sections.len() > self.available() {
            let fault = LimitsFault::TooManySections(sections.len(), self.available());
            return Err(self.fault("section", fault));
        }
        if self.rules.slots.is_empty() {
            for shape in Shape::ALL {
                let used = sections.iter().filter(|s| s.shape == shape).count();
                let most = self.shapes.of(shape);
                if used > most {
                    let fault = LimitsFault::TooManyOfShape(shape, used, most);
                    return Err(self.fault("section", fault));
                }
            }
        }
        for (index, section) in sections.iter().enumerate() {
            let refused = |(name, fault): (&str, LimitsFault)| {
                Err(self.fault(&format!("section[{}].{name}", index + 1), fault))
            };
            let mut places = self.places(section.shape).peekable();
            if places.peek().is_none() {
                return refused(("shape", LimitsFault::NoSuchShape(section.shape)));
            }
            let wrong: Option<Vec<_>> = places
                .map(|slot| self.wrong_number(section, slot))
                .collect();
            let wrong = wrong.and_then(|wrong| wrong.into_iter().next());
            if let Some(broken) = wrong.or_else(|| self.rules.broken_by(section)) {
                return refused(broken);
            }
        }
        let without_slot = |found: &Found| matches!(found, Found::Nowhere);
        match self.found_places(sections).iter().position(without_slot) {
            None => Ok(()),
            Some(index) => {
                let key = format!("section[{}]", index + 1);
                Err(self.fault(
                    &key,
                    LimitsFault::NoSlot(sections[index].shape, sections[index].f0_hz),
                ))
            }
        }
    }

    /// What these limits have left beside sections that stay as they are, those of each list at once: of two sides, what
    /// the fuller one leaves.
    ///
    /// # Errors
    /// When the limits do not allow a list ([`Limits::allows`]), or leave nothing beside it.
    pub fn beside(&self, kept: &[&[Section]]) -> Result<Self> {
        let mut left = self.clone();
        let mut taken = vec![false; self.rules.slots.len()];
        for sections in kept {
            self.allows(sections)?;
            let mut shapes = self.shapes;
            for (section, found) in sections.iter().zip(self.found_places(sections)) {
                match found {
                    Found::Slot(slot) => taken[slot] = true,
                    Found::Outside | Found::Nowhere => *shapes.of_mut(section.shape) -= 1,
                }
            }
            left.sections = left.sections.min(self.sections - sections.len());
            for shape in Shape::ALL {
                let fewest = left.shapes.of(shape).min(shapes.of(shape));
                *left.shapes.of_mut(shape) = fewest;
            }
        }
        let mut free = taken.iter().map(|taken| !taken);
        left.rules.slots.retain(|_| free.next().unwrap_or(true));
        if left.available() > 0 {
            return Ok(left);
        }
        Err(self.fault("section", LimitsFault::KeptAll(self.available())))
    }

    /// Where each of some sections finds room.
    fn found_places(&self, sections: &[Section]) -> Vec<Found> {
        let slots = self.rules.slots.len();
        if slots == 0 {
            return vec![Found::Outside; sections.len()];
        }
        let outside = Shape::ALL
            .map(|shape| vec![shape; self.shapes.of(shape)])
            .concat();
        let fits = |item: usize, place: usize| {
            let section = &sections[item];
            match place.checked_sub(slots) {
                None => {
                    self.rules.slots[place].shapes.contains(&section.shape)
                        && self.wrong_number(section, Some(place)).is_none()
                }
                Some(place) => {
                    outside[place] == section.shape && self.wrong_number(section, None).is_none()
                }
            }
        };
        let found = |place: Option<usize>| match place {
            None => Found::Nowhere,
            Some(place) if place < slots => Found::Slot(place),
            Some(_) => Found::Outside,
        };
        let pairs = paired(sections.len(), slots + outside.len(), &fits);
        pairs.into_iter().map(found).collect()
    }

    /// The first number of a section that the knobs of a place do not have: its key, what was found and what is there.
    fn wrong_number(
        &self,
        section: &Section,
        slot: Option<usize>,
    ) -> Option<(&'static str, LimitsFault)> {
        let [f0_hz, gain_db, q] = self.knobs(section.shape, slot);
        let Some(device_q) = self.device_q(section) else {
            let meaning = self.rules.meaning_of(section.shape);
            return Some(("q", LimitsFault::NoDeviceQ(*section, meaning)));
        };
        [
            ("f0_hz", section.f0_hz, f0_hz),
            ("gain_db", section.gain_db, gain_db),
            ("q", device_q, q),
        ]
        .into_iter()
        .find(|(_, value, setting)| !setting.contains(*value))
        .map(|(name, value, setting)| (name, LimitsFault::NotAValue(value, setting.clone())))
    }

    /// Whether these limits make sense.
    ///
    /// # Errors
    /// Names the first key that contradicts another or leaves the [`bounds`].
    pub fn check(&self) -> Result<()> {
        let refused = |key: &str, fault: Box<dyn Fault>| self.fault(key, fault);
        let outside =
            |key: &str, found: f64, bound: &Bound| refused(key, bound.fault(found).into());
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
        self.rules.check(&refused)?;
        if self.shapes.total() == 0 && self.rules.slots.is_empty() {
            return Err(refused("shapes", LimitsFault::NoShape.into()));
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
        let of_slot = |(index, slot): (usize, &rules::Slot)| {
            Some((
                format!("slot[{}].f0_hz", index + 1),
                slot.f0_hz.as_ref()?.max(),
            ))
        };
        let slots = self.rules.slots.iter().enumerate().filter_map(of_slot);
        let highest = std::iter::once(("f0_hz.max".to_owned(), self.f0_hz.max())).chain(slots);
        for (key, highest_hz) in highest {
            if highest_hz < lowest_rate_hz / 2.0 {
                continue;
            }
            let fault = LimitsFault::BeyondRate(highest_hz, lowest_rate_hz / 2.0);
            return Err(refused(&key, fault.into()));
        }
        self.check_what_is_left(&refused)
    }

    /// Whether the rules leave any gain to use.
    fn check_what_is_left(
        &self,
        refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>,
    ) -> Result<()> {
        let least_db = Shape::ALL
            .into_iter()
            .flat_map(|shape| self.places(shape).map(move |slot| (shape, slot)))
            .map(|(shape, slot)| self.knobs(shape, slot)[1].min())
            .fold(f64::INFINITY, f64::min);
        if self.rules.cut_only && least_db >= 0.0 {
            return Err(refused("cut_only", LimitsFault::NoCut(least_db).into()));
        }
        self.check_gain_limits(refused)?;
        self.check_widths(refused)
    }

    /// Whether every gain limit leaves some gain, and whether all of them together leave some at some frequency.
    fn check_gain_limits(
        &self,
        refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>,
    ) -> Result<()> {
        let places: Vec<[&Setting; 3]> = Shape::ALL
            .into_iter()
            .flat_map(|shape| self.places(shape).map(move |slot| self.knobs(shape, slot)))
            .collect();
        let most_db = self.rules.most_gain_db();
        let limits = &self.rules.gain_limits;
        for (index, limit) in limits.iter().enumerate() {
            let leaves = |knobs: &[&Setting; 3]| {
                knobs[1].has_within(limit.min_db, limit.max_db.min(most_db))
            };
            let fault = if !places.iter().any(leaves) {
                LimitsFault::NoGain(*limit, self.rules.cut_only)
            } else if !places
                .iter()
                .any(|knobs| rules::leave_some(&limits[..=index], knobs, most_db))
            {
                LimitsFault::NoGainTogether(index)
            } else {
                continue;
            };
            return Err(refused(&format!("gain_limit[{}]", index + 1), fault.into()));
        }
        Ok(())
    }

    /// Whether peaking sections have a width where q is read as one between -3 dB points.
    fn check_widths(&self, refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>) -> Result<()> {
        if self.rules.q_meaning != QMeaning::Width3Db {
            return Ok(());
        }
        let most_db = self.rules.most_gain_db();
        for slot in self.places(Shape::Peaking) {
            let gain_db = self.knobs(Shape::Peaking, slot)[1];
            let other_shapes = slot.is_some_and(|slot| self.rules.slots[slot].shapes.len() > 1);
            if other_shapes
                || gain_db.has_within(f64::NEG_INFINITY, -LEAST_GAIN_WITH_WIDTH_DB)
                || gain_db.has_within(LEAST_GAIN_WITH_WIDTH_DB, most_db)
            {
                continue;
            }
            let key = match slot {
                Some(slot) if self.rules.slots[slot].gain_db.is_some() => {
                    format!("slot[{}].gain_db", slot + 1)
                }
                _ => "q_meaning".to_owned(),
            };
            let cut_only = self.rules.cut_only;
            let fault = LimitsFault::NoWidth(gain_db.min(), gain_db.max(), cut_only);
            return Err(refused(&key, fault.into()));
        }
        Ok(())
    }

    /// True where peaking sections have gains that cannot be used, since q is read as the width between -3 dB points and
    /// these gains have none.
    #[must_use]
    pub fn has_gains_without_width(&self) -> bool {
        /// Closer to 0 a gain does nothing.
        const NO_GAIN_DB: f64 = 1e-6;
        let most_db = self.rules.most_gain_db();
        // Just inside, so that the least gain with a width is not counted.
        let least_db = LEAST_GAIN_WITH_WIDTH_DB - NO_GAIN_DB;
        self.rules.q_meaning == QMeaning::Width3Db
            && self.places(Shape::Peaking).any(|slot| {
                let gain_db = self.knobs(Shape::Peaking, slot)[1];
                gain_db.has_within(-least_db, -NO_GAIN_DB)
                    || gain_db.has_within(NO_GAIN_DB, least_db.min(most_db))
            })
    }

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

    /// Whether an equaliser has as many sections as its slots and shapes need. Limits that leave some of them unused,
    /// such as those of [`Limits::with_sections`] and of a sheet, need not.
    fn room_for_slots(&self) -> Result<()> {
        let (slots, others) = (self.rules.slots.len(), self.shapes.total());
        if slots == 0 || slots.saturating_add(others) <= self.sections {
            return Ok(());
        }
        let key = if slots > self.sections {
            "slot"
        } else {
            "shapes"
        };
        Err(self.fault(key, LimitsFault::NoRoom(slots, others, self.sections)))
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

/// Whether `rates_hz` are a few plausible sample rates, each once.
pub(crate) fn check_rates(
    rates_hz: &[f64],
    refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>,
) -> Result<()> {
    if !bounds::RATES.contains(rates_hz.len() as f64) {
        return Err(refused(
            "rates_hz",
            LimitsFault::Rates(rates_hz.len()).into(),
        ));
    }
    for (index, rate_hz) in rates_hz.iter().enumerate() {
        if !bounds::RATE_HZ.contains(*rate_hz) || rates_hz[..index].contains(rate_hz) {
            let fault = LimitsFault::Rate(*rate_hz, index + 1);
            return Err(refused("rates_hz", fault.into()));
        }
    }
    Ok(())
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
