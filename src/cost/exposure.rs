//! How long a level may be listened to, by two published rules, and what level that is: an estimate, with its cautions.
//!
//! Both rules speak of the A-weighted level in the field where a head would be, so the level at the eardrum is first
//! divided by what the head and ear add: in dB, frequency by frequency, before A weighting and summing (as ISO 11904-2
//! does for manikins; from memory). Which field, and whose table, is chosen and told: tables differ by several dB at
//! 2.5-10 kHz, so the level by the other table stands beside.
//!
//! - WHO-ITU H.870: 80 dBA for 40 hours a week (adults), 75 dBA (children), equal energy: `T = 40 h / 2^((L - 80) / 3)`.
//!   A seventh of it a day.
//! - NIOSH 1998 (Publication 98-126): 85 dBA for 8 hours a day, equal energy: `T = 480 min / 2^((L - 85) / 3)`; no exposure
//!   above 140 dBA, which is applied to both here.
//!
//! Equal energy means 3 dB for a factor of two, written as the rules do; the exact 3.0103 dB would differ by 1 % at 13 dB.

use std::sync::LazyLock;

use serde::{Serialize, Serializer};

use super::at_ear::AtEar;
use super::weighting::a_db;
use crate::measurement::pchip::Pchip;

/// No rule allows any time above this level, dBA.
pub const CEILING_DBA: f64 = 140.0;

/// Above this level in the diffuse field loud sound harms hearing within hours, dBA: NIOSH 1998 allows 8 hours a day.
pub const HARMFUL_DBA: f64 = 85.0;

/// A wish for more than this in the diffuse field is refused unless it is insisted upon, dBA: NIOSH 1998 allows 15
/// minutes a day.
pub const REFUSED_DBA: f64 = 100.0;

/// What belongs beside every figure of this module.
pub const CAUTIONS: [&str; 3] = [
    "These times are estimates from a coupler's curve, a sensitivity and a programme; levels in a real ear differ by person and by seal, by several dB.",
    "They count nothing else that is heard that day or week, and no time is safe for everyone.",
    "Local rules and a hearing professional come first.",
];

/// The sound field that the rules refer to.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    Default,
    serde::Serialize,
    schemars::JsonSchema,
    clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum Field {
    /// Sound from everywhere; the usual choice for earphones (common practice, no source)
    #[default]
    Diffuse,
    /// Sound from the front
    Free,
}

impl Field {
    /// How a sentence names it.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Diffuse => "diffuse field",
            Self::Free => "free field",
        }
    }
}

/// Whose table leads from the field to the eardrum. The default is the table of the target `diffuse-field` too, so that
/// what the target calls flat weighs as flat here.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    Default,
    serde::Serialize,
    schemars::JsonSchema,
    clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum FieldTable {
    /// ITU-T P.58 (06/21), 100 Hz to 20 kHz
    #[default]
    #[serde(rename = "itu-t-p58")]
    #[value(name = "itu-t-p58")]
    P58,
    /// ISO 532-2, 20 Hz to 20 kHz
    #[serde(rename = "iso-532-2")]
    #[value(name = "iso-532-2")]
    Iso532_2,
}

impl FieldTable {
    /// Both.
    pub const ALL: [Self; 2] = [Self::P58, Self::Iso532_2];

    /// How a sentence names it.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Iso532_2 => "ISO 532-2",
            Self::P58 => "ITU-T P.58",
        }
    }

    fn key(self) -> &'static str {
        match self {
            Self::Iso532_2 => "iso-532-2",
            Self::P58 => "p58",
        }
    }
}

/// Of one table: ln f, free, diffuse.
struct Columns {
    log_f: Vec<f64>,
    free_db: Vec<f64>,
    diffuse_db: Vec<f64>,
}

static TABLES: LazyLock<[Columns; 2]> = LazyLock::new(|| {
    FieldTable::ALL.map(|table| {
        let mut columns = Columns {
            log_f: Vec::new(),
            free_db: Vec::new(),
            diffuse_db: Vec::new(),
        };
        for line in include_str!("field_to_eardrum.csv").lines() {
            let cells: Vec<&str> = line.split(',').collect();
            if let [key, f_hz, free_db, diffuse_db] = cells[..]
                && key == table.key()
                && let (Ok(f_hz), Ok(free_db), Ok(diffuse_db)) = (
                    f_hz.parse::<f64>(),
                    free_db.parse::<f64>(),
                    diffuse_db.parse::<f64>(),
                )
            {
                columns.log_f.push(f_hz.ln());
                columns.free_db.push(free_db);
                columns.diffuse_db.push(diffuse_db);
            }
        }
        columns
    })
});

/// What head and ear add on the way from the field to the eardrum, as a function of frequency in hertz, dB: PCHIP in log
/// frequency, held at the table's ends.
pub fn field_to_eardrum_db(field: Field, table: FieldTable) -> impl Fn(f64) -> f64 {
    let columns = &TABLES[match table {
        FieldTable::P58 => 0,
        FieldTable::Iso532_2 => 1,
    }];
    let level_db = match field {
        Field::Diffuse => &columns.diffuse_db,
        Field::Free => &columns.free_db,
    };
    let pchip = Pchip::new(&columns.log_f, level_db);
    move |frequency_hz: f64| {
        pchip
            .as_ref()
            .map_or(0.0, |pchip| pchip.at(frequency_hz.ln()))
    }
}

/// A time that a rule allows, of a span (a day or a week).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AllowedTime {
    /// So many hours of the span.
    Hours(f64),
    /// Longer than the span: the rule gives no limit, which does not mean harmless.
    NotLimited,
    /// None at all: the level is at or above [`CEILING_DBA`].
    None,
}

/// A span of time that a rule counts in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Span {
    /// 24 hours.
    Day,
    /// 168 hours.
    Week,
}

impl Span {
    fn hours(self) -> f64 {
        match self {
            Self::Day => 24.0,
            Self::Week => 168.0,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Day => "day",
            Self::Week => "week",
        }
    }
}

impl AllowedTime {
    /// `hours` at `limit_dba`, half of it for every 3 dB more, of a span.
    fn equal_energy(level_dba: f64, limit_dba: f64, hours: f64, span: Span) -> Self {
        let hours = hours / ((level_dba - limit_dba) / 3.0).exp2();
        match hours {
            _ if level_dba.is_nan() || level_dba >= CEILING_DBA => Self::None,
            _ if hours > span.hours() => Self::NotLimited,
            _ => Self::Hours(hours),
        }
    }

    /// The time in a table's cell, rounded down to two digits.
    #[must_use]
    pub fn brief(self) -> String {
        match self {
            Self::Hours(hours) => match Unit::of(hours) {
                Some((value, unit)) => format!("{} {}", two_digits(value), unit.brief),
                None => "below 1 s".to_owned(),
            },
            Self::NotLimited => "no limit".to_owned(),
            Self::None => "none".to_owned(),
        }
    }

    /// The time in words, rounded down to two digits.
    #[must_use]
    pub fn words(self, span: Span) -> String {
        let span = span.words();
        match self {
            Self::Hours(hours) => match Unit::of(hours) {
                Some((value, unit)) => format!("{} {} a {span}", two_digits(value), unit.words),
                None => format!("less than a second a {span}"),
            },
            Self::NotLimited => format!(
                "longer than a {span}: these standards give no limit here; that does not mean harmless"
            ),
            Self::None => "none at all: far too loud".to_owned(),
        }
    }
}

/// A unit in which a time is told.
struct Unit {
    per_hour: f64,
    brief: &'static str,
    words: &'static str,
}

impl Unit {
    const ALL: [Self; 3] = [
        Self { per_hour: 1.0, brief: "h", words: "hours" },
        Self { per_hour: 60.0, brief: "min", words: "minutes" },
        Self { per_hour: 3600.0, brief: "s", words: "seconds" },
    ];

    /// The time in the largest unit of which it has one; None below a second.
    fn of(hours: f64) -> Option<(f64, Self)> {
        let units = Self::ALL.into_iter().map(|unit| (hours * unit.per_hour, unit));
        units.into_iter().find(|(value, _)| *value >= 1.0)
    }
}

/// A number of 1 or more, rounded down to two digits: more would claim what no estimate of a level knows.
fn two_digits(value: f64) -> String {
    match value {
        _ if value >= 100.0 => format!("{:.0}", (value / 10.0).floor() * 10.0),
        _ if value >= 10.0 => format!("{:.0}", value.floor()),
        _ => format!("{:.1}", (value * 10.0).floor() / 10.0),
    }
}

/// A time that a rule allows.
#[derive(serde::Serialize, schemars::JsonSchema)]
#[schemars(rename = "AllowedTime")]
struct AllowedTimeFields {
    /// `hours`; `not-limited` where the rule gives no limit; `none` where it allows no time.
    #[schemars(extend("enum" = ["hours", "not-limited", "none"]))]
    kind: &'static str,
    /// The hours, rounded down to 0.0001; 0 for `none`; `null` where the rule gives no limit, which does not mean
    /// harmless.
    #[schemars(range(min = 0.0))]
    hours: Option<f64>,
    /// The same in words.
    words: String,
}

impl AllowedTimeFields {
    fn of(time: AllowedTime, span: Span) -> Self {
        let (kind, hours) = match time {
            // Downwards: more than the rule allows must not stand here.
            AllowedTime::Hours(hours) => ("hours", Some((hours * 1e4).floor() / 1e4)),
            AllowedTime::NotLimited => ("not-limited", None),
            AllowedTime::None => ("none", Some(0.0)),
        };
        let words = time.words(span);
        Self { kind, hours, words }
    }
}

fn a_week<S: Serializer>(time: &AllowedTime, to: S) -> Result<S::Ok, S::Error> {
    AllowedTimeFields::of(*time, Span::Week).serialize(to)
}

fn a_day<S: Serializer>(time: &AllowedTime, to: S) -> Result<S::Ok, S::Error> {
    AllowedTimeFields::of(*time, Span::Day).serialize(to)
}

/// Whom H.870 speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Listener {
    /// 80 dBA for 40 hours a week.
    Adult,
    /// 75 dBA for 40 hours a week.
    Child,
}

/// H.870's time a week and, as a seventh of it, a day, at a field-equivalent level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeekAndDay {
    /// Of a week.
    pub per_week: AllowedTime,
    /// Of a day.
    pub per_day: AllowedTime,
}

/// WHO-ITU H.870 at a field-equivalent level, dBA.
#[must_use]
pub fn h870(level_dba: f64, listener: Listener) -> WeekAndDay {
    let limit_dba = match listener {
        Listener::Adult => 80.0,
        Listener::Child => 75.0,
    };
    WeekAndDay {
        per_week: AllowedTime::equal_energy(level_dba, limit_dba, 40.0, Span::Week),
        per_day: AllowedTime::equal_energy(level_dba, limit_dba, 40.0 / 7.0, Span::Day),
    }
}

/// NIOSH 1998 at a field-equivalent level, dBA: time a day.
#[must_use]
pub fn niosh(level_dba: f64) -> AllowedTime {
    AllowedTime::equal_energy(level_dba, 85.0, 8.0, Span::Day)
}

/// A programme's level for the hearing, and how long rules allow to listen to it: an estimate. Its cautions belong beside
/// every figure.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Exposure {
    /// What must be said beside every figure here, in sentences: local rules and a hearing professional come first.
    pub cautions: [&'static str; 3],
    /// Level at the eardrum, dBA.
    pub eardrum_dba: f64,
    /// The sound field that the rules refer to.
    pub field: Field,
    /// The table that leads from the eardrum to that field.
    pub table: FieldTable,
    /// Level in that field by that table, dBA: what the times come from.
    pub field_dba: f64,
    /// Level in that field by the other table, dBA.
    pub other_table_dba: f64,
    /// Level in a diffuse field by `table`, whatever the `field`, dBA. It is compared with 85 dBA (above, a caution)
    /// and 100 dBA (above, a wish is refused).
    pub diffuse_dba: f64,
    /// Time a week for adults, WHO-ITU H.870.
    #[serde(serialize_with = "a_week")]
    #[schemars(with = "AllowedTimeFields")]
    pub adults_per_week: AllowedTime,
    /// Time a day for adults, WHO-ITU H.870.
    #[serde(serialize_with = "a_day")]
    #[schemars(with = "AllowedTimeFields")]
    pub adults_per_day: AllowedTime,
    /// Time a week for children, WHO-ITU H.870.
    #[serde(serialize_with = "a_week")]
    #[schemars(with = "AllowedTimeFields")]
    pub children_per_week: AllowedTime,
    /// Time a day for children, WHO-ITU H.870.
    #[serde(serialize_with = "a_day")]
    #[schemars(with = "AllowedTimeFields")]
    pub children_per_day: AllowedTime,
    /// Time a day at work, NIOSH 1998.
    #[serde(serialize_with = "a_day")]
    #[schemars(with = "AllowedTimeFields")]
    pub niosh_per_day: AllowedTime,
}

/// What the equalised programme means for the hearing, `turn_up_db` above the volume in use.
#[must_use]
pub fn exposure(at_ear: &AtEar, turn_up_db: f64, field: Field, table: FieldTable) -> Exposure {
    let in_field = |field: Field, table: FieldTable| {
        let correction_db = field_to_eardrum_db(field, table);
        turn_up_db + at_ear.level_db(true, |f_hz| a_db(f_hz) - correction_db(f_hz))
    };
    let field_dba = in_field(field, table);
    let other = match table {
        FieldTable::Iso532_2 => FieldTable::P58,
        FieldTable::P58 => FieldTable::Iso532_2,
    };
    let adults = h870(field_dba, Listener::Adult);
    let children = h870(field_dba, Listener::Child);
    Exposure {
        cautions: CAUTIONS,
        eardrum_dba: turn_up_db + at_ear.level_db(true, a_db),
        field,
        table,
        field_dba,
        other_table_dba: in_field(field, other),
        diffuse_dba: in_field(Field::Diffuse, table),
        adults_per_week: adults.per_week,
        adults_per_day: adults.per_day,
        children_per_week: children.per_week,
        children_per_day: children.per_day,
        niosh_per_day: niosh(field_dba),
    }
}
