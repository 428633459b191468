//! The kinds of what may have gone wrong between a sheet and an equaliser.

use crate::filter::{QMeaning, Section};
use crate::measurement::leak::Leak;
use crate::measurement::takes::Side;

/// A section of a sheet.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Place {
    /// The side whose EQ it belongs to; None: both.
    pub side: Option<Side>,
    /// Its number within that EQ, from 1.
    pub number: usize,
    /// As the sheet has it.
    pub section: Section,
}

/// One of a section's numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Number {
    /// Its frequency, hertz.
    F0Hz,
    /// Its gain, dB.
    GainDb,
    /// Its q.
    Q,
}

impl Number {
    /// All three.
    pub const ALL: [Self; 3] = [Self::F0Hz, Self::GainDb, Self::Q];

    /// The key that a sheet has it under.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::F0Hz => "f0_hz",
            Self::GainDb => "gain_db",
            Self::Q => "q",
        }
    }

    pub(super) fn of(self, section: &Section) -> f64 {
        match self {
            Self::F0Hz => section.f0_hz,
            Self::GainDb => section.gain_db,
            Self::Q => section.q,
        }
    }

    pub(super) fn with(self, section: &Section, value: f64) -> Section {
        let mut changed = *section;
        match self {
            Self::F0Hz => changed.f0_hz = value,
            Self::GainDb => changed.gain_db = value,
            Self::Q => changed.q = value,
        }
        changed
    }

    /// Whether two values would be called the same by ear: within a tenth, or a decibel.
    pub(super) fn is_near(self, one: f64, other: f64) -> bool {
        match self {
            Self::GainDb => (one - other).abs() <= 1.0,
            Self::F0Hz | Self::Q => (one / other).ln().abs() <= 0.1,
        }
    }

    /// What an equaliser would accept at all.
    pub(super) fn is_conceivable(self, value: f64, rate_hz: f64) -> bool {
        match self {
            Self::F0Hz => value >= 5.0 && value < 0.49 * rate_hz,
            Self::GainDb => value.abs() <= 40.0,
            Self::Q => (0.02..=200.0).contains(&value),
        }
    }
}

/// Which sections play where, when sides are mixed up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "Mix")]
pub enum SideMixup {
    /// Left plays right's and right plays left's.
    Swapped,
    /// Both play left's.
    LeftOnBoth,
    /// Both play right's.
    RightOnBoth,
    /// The only side that was measured plays the other's.
    TheOther,
}

/// Something that each side may have in its own way.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize)]
pub struct OfSides<T> {
    /// Of a unit whose side is not said.
    pub unit: Option<T>,
    /// Of the left.
    pub left: Option<T>,
    /// Of the right.
    pub right: Option<T>,
}

impl<T> OfSides<T> {
    /// Of one side alone.
    #[must_use]
    pub fn one(side: Side, value: T) -> Self {
        let mut all = Self {
            unit: None,
            left: None,
            right: None,
        };
        match side {
            Side::Unknown => all.unit = Some(value),
            Side::Left => all.left = Some(value),
            Side::Right => all.right = Some(value),
        }
        all
    }

    /// Of left and right.
    #[must_use]
    pub fn both(left: T, right: T) -> Self {
        Self {
            unit: None,
            left: Some(left),
            right: Some(right),
        }
    }

    /// What it says of a side.
    #[must_use]
    pub fn on(&self, side: Side) -> Option<&T> {
        match side {
            Side::Unknown => self.unit.as_ref(),
            Side::Left => self.left.as_ref(),
            Side::Right => self.right.as_ref(),
        }
    }
}

/// A seal that one session has and the other has not.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct SideSeal {
    /// What it loses.
    pub leak: Leak,
    /// Whether the session after leaks; else the one before.
    pub after: bool,
}

/// Something that may have happened.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(tag = "explanation", rename_all = "kebab-case")]
pub enum Explanation {
    /// The sections play as the sheet says.
    NothingWrong,
    /// They do, but the seal was another after than before.
    SealDiffers {
        /// By side.
        seals: OfSides<SideSeal>,
    },
    /// They do, but the earphone sat deeper after than before, or less deep.
    SeatDiffers {
        /// How much deeper after, mm, by side.
        deeper_mm: OfSides<f64>,
    },
    /// They do, but another output impedance drove the earphone after than before.
    SourceDiffers {
        /// Before, ohms.
        before_ohm: f64,
        /// After, ohms.
        after_ohm: f64,
    },
    /// A section was left out.
    SectionMissing {
        /// Which.
        place: Place,
    },
    /// A section's gain has the other sign.
    SignFlipped {
        /// Which.
        place: Place,
        /// Whether it may as well have been entered as the other shelf: that differs in level only, and levels are free.
        or_mirrored: bool,
    },
    /// A section's number is another.
    NumberWrong {
        /// Which section.
        place: Place,
        /// Which of its numbers.
        number: Number,
        /// What was measured: the number that fits best.
        fitted: f64,
        /// The slip of the printed number that fits as well, where one does.
        slip: Option<f64>,
    },
    /// A low shelf was entered as a high shelf, or the reverse, with the same numbers.
    ShelfMirrored {
        /// Which.
        place: Place,
    },
    /// The equaliser means something else by q.
    QReadAs {
        /// Of peaking sections.
        peaking: QMeaning,
        /// Of shelves.
        shelves: QMeaning,
    },
    /// Every gain is half of what it should be.
    GainsHalved,
    /// No section plays.
    Bypassed,
    /// Every section plays twice.
    AppliedTwice,
    /// One side plays its sections, the other none.
    OneSideOnly {
        /// The side that plays them.
        plays: Side,
    },
    /// Sections of the other side.
    WrongSide {
        /// Which play where.
        mix: SideMixup,
    },
    /// Coefficients of one rate play at another.
    WrongRate {
        /// The rate that they were computed for, hertz.
        coefficients_hz: f64,
        /// The rate that they play at, hertz.
        played_hz: f64,
    },
    /// The sections play, the preamp does not.
    PreampMissing,
    /// What was given as before has the sections, what was given as after has not.
    SessionsExchanged,
    /// None of these: a smooth change of another form.
    SomethingElse,
}

impl Explanation {
    /// Its name in documents.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::NothingWrong => "nothing-wrong",
            Self::SealDiffers { .. } => "seal-differs",
            Self::SeatDiffers { .. } => "seat-differs",
            Self::SourceDiffers { .. } => "source-differs",
            Self::SectionMissing { .. } => "section-missing",
            Self::SignFlipped { .. } => "sign-flipped",
            Self::NumberWrong { .. } => "number-wrong",
            Self::ShelfMirrored { .. } => "shelf-mirrored",
            Self::QReadAs { .. } => "q-read-as",
            Self::GainsHalved => "gains-halved",
            Self::Bypassed => "bypassed",
            Self::AppliedTwice => "applied-twice",
            Self::OneSideOnly { .. } => "one-side-only",
            Self::WrongSide { .. } => "wrong-side",
            Self::WrongRate { .. } => "wrong-rate",
            Self::PreampMissing => "preamp-missing",
            Self::SessionsExchanged => "sessions-exchanged",
            Self::SomethingElse => "something-else",
        }
    }

    /// Whether the sheet plays as it says all the same: what differs lies in how it was measured.
    #[must_use]
    pub fn is_innocent(&self) -> bool {
        matches!(
            self,
            Self::NothingWrong
                | Self::SealDiffers { .. }
                | Self::SeatDiffers { .. }
                | Self::SourceDiffers { .. }
        )
    }

    /// The section that it is about.
    #[must_use]
    pub fn place(&self) -> Option<&Place> {
        match self {
            Self::SectionMissing { place }
            | Self::SignFlipped { place, .. }
            | Self::NumberWrong { place, .. }
            | Self::ShelfMirrored { place } => Some(place),
            _ => None,
        }
    }
}
