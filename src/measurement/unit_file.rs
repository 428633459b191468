//! `NAME.unit.toml`: what is known of a unit, and which files hold its takes.
//!
//! ```toml
//! format = 1
//! name = "Fieldfare, wool insert"
//! rig = "iec-60318-4"            # or "flat", or a file of frequency (Hz) and trust (0 to 1),
//!                                # or points: [[20, 1.0], [8000, 1.0], [16000, 0.3]]
//! sensitivity_db_per_mw = 108.5  # dB SPL at 1 mW; or sensitivity_db_per_v, at 1 V rms
//! sensitivity_at_hz = 1000       # 1000 where it is left out
//! impedance_ohm = 18             # or a file of frequency (Hz) and ohms
//!
//! [[take]]
//! side = "left"                  # or "right"
//! file = "left-1.csv"            # a curve or a WAV impulse response, beside this file
//! channel = 1                    # of a WAV file with several
//!
//! [[distortion]]
//! file = "distortion-94.csv"
//! level_db_spl = 94
//! side = "left"                  # may be left out
//! ```
//!
//! Several tuning variants in one file: each under its own `[[unit]]`, with all of these keys but `format`, and
//! `[[unit.take]]`, `[[unit.distortion]]`. The library opens no file; [`read_take`] reads the bytes of one.

use std::path::PathBuf;

use super::curve::Curve;
use super::error::MeasurementFault as Fault;
use super::grid;
use super::impulse::{self, ImpulseResponse};
use super::parse::{self, parse_curve};
use super::phase::{self, Excess};
use super::rig::Rig;
use super::takes::{Side, Take};
use crate::error::value::NameOf;
use crate::error::{Error, Result, Source};
use crate::keys::error::Type;
use crate::keys::{self, Table, Value};

/// Where the sensitivity holds, unless the file says otherwise (common practice, no source).
pub const SENSITIVITY_AT_HZ: f64 = 1000.0;

/// The endings of the name of such a file.
pub const ENDING: &str = ".unit.toml";

/// Widest values that make sense for an earphone; anything else is a slip of the pen.
const SENSITIVITY_DB: (f64, f64) = (40.0, 180.0);
pub(super) const IMPEDANCE_OHM: (f64, f64) = (0.1, 100_000.0);
const LEVEL_DB_SPL: (f64, f64) = (0.0, 160.0);
const FREQUENCY_HZ: (f64, f64) = (1.0, 100_000.0);
const MOST_CHANNELS: u64 = 1000;
const MOST_UNITS: usize = 100;
const MOST_FILES: usize = 200;
/// A trust table in a file may have more.
const MOST_TRUST_POINTS: usize = 1000;

/// A unit file is a page or two of text.
const LARGEST_BYTES: usize = 256 << 10;

const TOP_KEYS: [&str; 10] = [
    "format",
    "unit",
    "name",
    "rig",
    "sensitivity_db_per_mw",
    "sensitivity_db_per_v",
    "sensitivity_at_hz",
    "impedance_ohm",
    "take",
    "distortion",
];

/// The keys of one unit: the top keys without the first two.
const UNIT_KEYS: &[&str] = {
    let (_, keys) = TOP_KEYS.split_at(2);
    keys
};

/// One unit of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitEntry {
    /// Its name.
    pub name: String,
    /// Its rig, where the file says it.
    pub rig: Option<RigEntry>,
    /// How loud it is, where known.
    pub sensitivity: Option<Sensitivity>,
    /// Its impedance, where known.
    pub impedance: Option<Impedance>,
    /// Its takes, in the file's order; at least one.
    pub takes: Vec<TakeEntry>,
    /// Measurements of its distortion.
    pub distortion: Vec<DistortionEntry>,
}

/// The rig of a unit.
#[derive(Debug, Clone, PartialEq)]
pub enum RigEntry {
    /// One of the known ones, or a table written out.
    Rig(Rig),
    /// A file with a trust table, for [`read_trust`].
    File(FileEntry),
}

/// A file that is named, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileEntry {
    /// Its name, relative to the folder of the unit file.
    pub file: String,
    /// Line of the unit file that names it.
    pub line: usize,
    /// Key of the unit file that names it.
    pub key: String,
}

/// Level at a given drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sensitivity {
    /// dB SPL.
    pub db_spl: f64,
    /// The drive that gives it.
    pub per: Drive,
    /// The frequency at which it holds, hertz.
    pub at_hz: f64,
}

/// A drive that sensitivities refer to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Drive {
    /// One milliwatt into the earphone's impedance.
    Milliwatt,
    /// One volt, rms.
    Volt,
}

/// Impedance of a unit.
#[derive(Debug, Clone, PartialEq)]
pub enum Impedance {
    /// The same at all frequencies, ohms.
    Ohm(f64),
    /// A file: columns frequency (Hz) and ohms.
    File(FileEntry),
}

/// A take that is named.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakeEntry {
    /// Its side.
    pub side: Side,
    /// Its file.
    pub file: FileEntry,
    /// Which channel of a WAV file, from 1.
    pub channel: Option<usize>,
}

/// A measurement of distortion that is named.
#[derive(Debug, Clone, PartialEq)]
pub struct DistortionEntry {
    /// Its file.
    pub file: FileEntry,
    /// Level at which it was measured, dB SPL.
    pub level_db_spl: f64,
    /// Its side, or unknown.
    pub side: Side,
}

/// True for the name of a unit file, in any case.
#[must_use]
pub fn is_unit_file(file_name: &str) -> bool {
    file_name.to_lowercase().ends_with(ENDING)
}

/// Reads a unit file: its units in order, at least one.
///
/// # Errors
/// With file, line and key: `Format` for no TOML, another format number, a missing key or a value of another type;
/// `Name` for unknown keys, sides, rigs (with the nearest spelling); `Number` and `Setting` for values, for no takes,
/// for a file or a unit's name given twice.
pub fn parse_unit_file(bytes: &[u8], source_name: &str) -> Result<Vec<UnitEntry>> {
    if bytes.len() > LARGEST_BYTES {
        return Err(Error::of(
            Fault::UnitFileTooLarge(LARGEST_BYTES),
            source_name,
        ));
    }
    keys::read_file(bytes, source_name, &TOP_KEYS, |top| {
        top.format_1()?;
        let Some(several) = top.optional("unit") else {
            return Ok(vec![unit(top)?]);
        };
        if let Some(stray) = UNIT_KEYS.iter().find_map(|key| top.optional(key)) {
            return Err(stray.error(Fault::KeyBesideUnits));
        }
        let mut names: Vec<String> = Vec::new();
        several.at_most(MOST_UNITS, "units")?;
        let units = several.tables(UNIT_KEYS, |table| {
            let unit = unit(table)?;
            if names.contains(&unit.name) {
                return Err(table
                    .required("name")?
                    .error(Fault::UnitTwice(unit.name.clone())));
            }
            names.push(unit.name.clone());
            Ok(unit)
        })?;
        if units.is_empty() {
            return Err(several.error(Fault::NoUnit));
        }
        Ok(units)
    })
}

fn unit(table: &Table<'_>) -> Result<UnitEntry> {
    let takes = match table.optional("take") {
        Some(takes) => {
            takes.at_most(MOST_FILES, "takes")?;
            takes.tables(&["side", "file", "channel"], take)?
        }
        None => Vec::new(),
    };
    if takes.is_empty() {
        return Err(table.required("take").map_or_else(
            |error| error.within(|_| Fault::NoTakeOfUnit),
            |takes| takes.error(Fault::NoTakeOfUnit),
        ));
    }
    let distortion = match table.optional("distortion") {
        Some(files) => {
            files.at_most(MOST_FILES, "distortion files")?;
            files.tables(&["file", "level_db_spl", "side"], distortion)?
        }
        None => Vec::new(),
    };
    refuse_repeats(table, &takes)?;
    Ok(UnitEntry {
        name: table.required("name")?.name()?,
        rig: table
            .optional("rig")
            .map(|rig| self::rig(&rig))
            .transpose()?,
        sensitivity: sensitivity(table)?,
        impedance: table
            .optional("impedance_ohm")
            .map(|ohm| impedance(&ohm))
            .transpose()?,
        takes,
        distortion,
    })
}

/// A channel of a file counted twice looks like a take that repeats perfectly.
fn refuse_repeats(table: &Table<'_>, takes: &[TakeEntry]) -> Result<()> {
    for (index, take) in takes.iter().enumerate() {
        let same = |before: &&TakeEntry| {
            before.file.file == take.file.file && before.channel == take.channel
        };
        if let Some(before) = takes[..index].iter().find(same) {
            let file = &take.file;
            let fault = Fault::FileTwice(file.file.clone(), Some(before.file.line));
            let error = table.placed(Error::of(fault, Source::name("")).at_key(""));
            return Err(error.at_line(file.line).at_key(&*file.key));
        }
    }
    Ok(())
}

fn take(table: &Table<'_>) -> Result<TakeEntry> {
    Ok(TakeEntry {
        side: side(&table.required("side")?)?,
        file: file(&table.required("file")?)?,
        channel: match table.optional("channel") {
            None => None,
            Some(channel) => match channel.whole()? {
                number @ 1..=MOST_CHANNELS => Some(number as usize),
                other => {
                    return Err(channel.error(Fault::ChannelNumber(other)));
                }
            },
        },
    })
}

fn distortion(table: &Table<'_>) -> Result<DistortionEntry> {
    Ok(DistortionEntry {
        file: file(&table.required("file")?)?,
        level_db_spl: table
            .required("level_db_spl")?
            .within(LEVEL_DB_SPL, " dB SPL")?,
        side: match table.optional("side") {
            Some(given) => side(&given)?,
            None => Side::Unknown,
        },
    })
}

fn side(value: &Value<'_>) -> Result<Side> {
    value.one_called(NameOf::Side, &Side::BOTH, Side::name)
}

fn rig(value: &Value<'_>) -> Result<RigEntry> {
    if value.is_array() {
        value.at_most(MOST_TRUST_POINTS, "points")?;
        let points = value.pairs(Type::TrustPoints)?;
        let rig = Rig::table(points.into_iter().map(|(pair, _)| pair).collect());
        return rig
            .map(RigEntry::Rig)
            .map_err(|error| value.error(error.fault));
    }
    let name = value.name()?;
    match Rig::from_name(&name) {
        Ok(rig) => Ok(RigEntry::Rig(rig)),
        // No rig's name has a point or a slash in it, so that is a file.
        Err(_) if name.contains(['.', '/', '\\']) => Ok(RigEntry::File(file(value)?)),
        Err(_) => Err(value.error(Rig::unknown(NameOf::RigOrTable, &name))),
    }
}

fn sensitivity(table: &Table<'_>) -> Result<Option<Sensitivity>> {
    let at = table.optional("sensitivity_at_hz");
    let (value, per) = match (
        table.optional("sensitivity_db_per_mw"),
        table.optional("sensitivity_db_per_v"),
    ) {
        (None, None) => {
            return match at {
                None => Ok(None),
                Some(at) => Err(at.error(Fault::NoSensitivity)),
            };
        }
        (Some(_), Some(per_v)) => {
            return Err(per_v.error(Fault::SecondSensitivity));
        }
        (Some(per_mw), None) => (per_mw, Drive::Milliwatt),
        (None, Some(per_v)) => (per_v, Drive::Volt),
    };
    Ok(Some(Sensitivity {
        db_spl: value.within(SENSITIVITY_DB, " dB SPL")?,
        per,
        at_hz: match at {
            Some(at) => at.within(FREQUENCY_HZ, " Hz")?,
            None => SENSITIVITY_AT_HZ,
        },
    }))
}

fn impedance(value: &Value<'_>) -> Result<Impedance> {
    if value.is_string() {
        file(value).map(Impedance::File)
    } else {
        value.within(IMPEDANCE_OHM, " ohm").map(Impedance::Ohm)
    }
}

fn file(value: &Value<'_>) -> Result<FileEntry> {
    let file = value.name()?;
    Ok(FileEntry {
        file,
        line: value.line().unwrap_or(1),
        key: value.key().to_owned(),
    })
}

/// Reads a trust table: columns frequency (Hz) and trust (0 to 1).
///
/// # Errors
/// As [`parse_curve`]; `Setting` for a trust outside 0 to 1.
pub fn read_trust(bytes: &[u8], source_name: &str) -> Result<Rig> {
    let points = parse::parse_weight(bytes, source_name)?.into_points();
    Rig::table(points).map_err(|error| error.about(source_name))
}

/// A unit whose files have been read.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenedUnit {
    /// Its name: from the unit file, else from the names of its curves.
    pub name: String,
    /// Its rig, where a unit file says it.
    pub rig: Option<Rig>,
    /// Its takes.
    pub takes: Vec<OpenedTake>,
    /// Its entry in a unit file, with sensitivity, impedance and distortion, and the folder that the names of files in
    /// it refer to.
    pub entry: Option<(UnitEntry, PathBuf)>,
}

/// A take with all that its file tells.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenedTake {
    /// What the fit knows of it.
    pub take: Take,
    /// The curve as it was read; its phase without the flight time where the file is an impulse response.
    pub curve: Curve,
    /// What an impulse response tells beyond that.
    pub impulse: Option<ImpulseResponse>,
}

impl OpenedTake {
    /// Minimum phase and excess, where the file has a phase.
    #[must_use]
    pub fn excess(&self) -> Option<Excess> {
        match &self.impulse {
            Some(impulse) => Some(impulse.excess.clone()),
            None => phase::of_curve(&self.curve),
        }
    }
}

/// Reads the file of a take: a WAV impulse response by how it begins, else a curve.
///
/// # Errors
/// Those of [`parse_curve`], [`impulse::read_impulse`] and [`grid::resample`]; `Setting` for a channel of a file that
/// has none.
pub fn read_take(
    bytes: &[u8],
    name: &str,
    side: Side,
    channel: Option<usize>,
) -> Result<OpenedTake> {
    let impulse = if impulse::is_wav(bytes) {
        Some(impulse::read_impulse(bytes, name, channel)?)
    } else {
        None
    };
    let curve = match (&impulse, channel) {
        (Some(impulse), _) => impulse.curve.clone(),
        (None, None) => parse_curve(bytes, name)?,
        (None, Some(number)) => {
            return Err(Error::of(Fault::ChannelOfCurve(number), name));
        }
    };
    let take = Take {
        name: name.to_owned(),
        side,
        on_grid: grid::resample(&curve)?,
    };
    Ok(OpenedTake {
        take,
        curve,
        impulse,
    })
}
