//! Stage 4: what an equaliser can do. This stage knows no curve and no fit.
//!
//! [`Limits`] says how many sections of which shape there are, and which values each knob can take.
//! A knob is a [`Setting`]; where it has steps, every value is a whole number of steps, computed in
//! decimals, so that the number stored is the number a listener types. [`bounds`] states, once, what
//! any limits may ask for; [`rules`] are what goes beyond the ranges of knobs; [`library`] holds the limits that come
//! with the program.

pub mod bounds;
mod check;
pub mod error;
mod file;
pub mod library;
pub mod rules;
mod sections;
mod setting;
mod widened;

use crate::error::{Error, Fault, Result, Source};
use crate::filter::q_meaning::LEAST_GAIN_WITH_WIDTH_DB;
use crate::filter::{QMeaning, Section, Shape};
pub(crate) use check::check_rates;
use error::LimitsFault;
pub(crate) use file::KEYS;
use rules::Rules;
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

impl Limits {
    /// What is assumed when nobody says what the equaliser can do: eight sections (one low shelf, six
    /// peaking, one high shelf), f0 20 Hz-20 kHz in whole Hz of three digits, gain -12..+6 dB and preamp -10..0 dB in
    /// 0.1 dB, q 0.3-6 and shelves 0.4-1.0 in twentieths, at 44.1, 48 and 96 kHz: numbers that one types.
    #[must_use]
    pub fn standard() -> Self {
        Self {
            name: "standard: eight sections".to_owned(),
            sections: 8,
            rates_hz: vec![44_100.0, 48_000.0, 96_000.0],
            preamp_db: Setting::Linear {
                min: -10.0,
                max: 0.0,
                step: 0.1,
            },
            f0_hz: Setting::Digits {
                min: 20.0,
                max: 20_000.0,
                step: 1.0,
                digits: 3,
            },
            gain_db: Setting::Linear {
                min: -12.0,
                max: 6.0,
                step: 0.1,
            },
            q: Setting::Linear {
                min: 0.3,
                max: 6.0,
                step: 0.05,
            },
            shelf_q: Setting::Linear {
                min: 0.4,
                max: 1.0,
                step: 0.05,
            },
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
            limits.name = format!("standard: {sections} sections");
        }
        limits.check().map(|()| limits)
    }

    /// The same limits with numbers of sections between their steps, too. Slots keep their own steps.
    #[must_use]
    pub fn without_steps(&self) -> Self {
        Self {
            f0_hz: self.f0_hz.without_steps(),
            gain_db: self.gain_db.without_steps(),
            q: self.q.without_steps(),
            shelf_q: self.shelf_q.without_steps(),
            ..self.clone()
        }
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

    /// The lowest preamp that may be needed: the equaliser's own, or that of the most total boost.
    #[must_use]
    pub fn lowest_preamp_db(&self) -> f64 {
        let most_db = self.rules.total_boost_max_db.unwrap_or(f64::INFINITY);
        self.preamp_db.min().max(-most_db)
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
}
