//! Reading of `NAME.unit.toml`: what is known of a unit, and which files hold its takes.
//!
//! ```toml
//! format = 1
//! name = "Fieldfare, wool insert"
//! rig = "iec-60318-4"            # or "flat", or a file of frequency (Hz) and trust (0 to 1),
//!                                # or points: [[20, 1.0], [8000, 1.0], [16000, 0.3]]
//! sensitivity_db_per_mw = 108.5  # dB SPL at 1 mW; or sensitivity_db_per_v, at 1 V rms
//! sensitivity_at_hz = 1000       # 1000 where it is left out
//! impedance_ohm = 18             # or a file of frequency (Hz) and ohms
//! resonance_hz = 8100            # the coupler's half-wave resonance, where it is known from elsewhere
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
//! Several tuning variants may be in one file, each under its own `[[unit]]` with all of these keys except `format`,
//! and `[[unit.take]]`, `[[unit.distortion]]`. Files are found and opened by
//! [`super::open`]; [`read_take`] reads the bytes of one.

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

/// Frequency of the sensitivity if the file does not state it, hertz (common practice, no source).
pub const SENSITIVITY_AT_HZ: f64 = 1000.0;

/// The ending of the name of a unit file.
pub const ENDING: &str = ".unit.toml";

/// Widest ranges that are plausible for an earphone; a value outside is taken as a typing error.
const SENSITIVITY_DB: (f64, f64) = (40.0, 180.0);
pub(super) const IMPEDANCE_OHM: (f64, f64) = (0.1, 100_000.0);
const LEVEL_DB_SPL: (f64, f64) = (0.0, 160.0);
const RESONANCE_HZ: (f64, f64) = (3000.0, 16_000.0);
const FREQUENCY_HZ: (f64, f64) = (1.0, 100_000.0);
const MOST_CHANNELS: u64 = 1000;
const MOST_UNITS: usize = 100;
const MOST_FILES: usize = 200;
/// Most points of a trust table inside a unit file; a table in a file of its own may have more.
const MOST_TRUST_POINTS: usize = 1000;

/// Largest unit file, bytes: usually a page or two of text.
const LARGEST_BYTES: usize = 256 << 10;

const TOP_KEYS: [&str; 11] = [
    "format",
    "unit",
    "name",
    "rig",
    "sensitivity_db_per_mw",
    "sensitivity_db_per_v",
    "sensitivity_at_hz",
    "impedance_ohm",
    "resonance_hz",
    "take",
    "distortion",
];

/// The keys of one unit: the top keys without the first two.
const UNIT_KEYS: &[&str] = {
    let (_, keys) = TOP_KEYS.split_at(2);
    keys
};

/// One unit of a unit file.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitEntry {
    /// Its name.
    pub name: String,
    /// The rig; None if the file does not state it.
    pub rig: Option<RigEntry>,
    /// The sensitivity; None if the file does not state it.
    pub sensitivity: Option<Sensitivity>,
    /// The impedance; None if the file does not state it.
    pub impedance: Option<Impedance>,
    /// The coupler's resonance, hertz; None if the file does not state it.
    pub resonance_hz: Option<f64>,
    /// The takes in the order of the file, at least one.
    pub takes: Vec<TakeEntry>,
    /// The measurements of distortion.
    pub distortion: Vec<DistortionEntry>,
}

/// The rig of a unit, as its file states it.
#[derive(Debug, Clone, PartialEq)]
pub enum RigEntry {
    /// A known rig, or a table in the unit file.
    Rig(Rig),
    /// A file with a trust table; see [`read_trust`].
    File(FileEntry),
}

/// A file that the unit file names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileEntry {
    /// Its name, relative to the folder of the unit file; [`super::open`] makes it a path.
    pub file: String,
    /// The line of the unit file that names it.
    pub line: usize,
    /// The key of the unit file that names it.
    pub key: String,
}

/// Sensitivity: the level at a given drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sensitivity {
    /// Level, dB SPL.
    pub db_spl: f64,
    /// The drive that gives this level.
    pub per: Drive,
    /// The frequency of this level, hertz.
    pub at_hz: f64,
}

/// A drive to which sensitivities refer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Drive {
    /// One milliwatt into the earphone's impedance.
    Milliwatt,
    /// One volt rms.
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

/// A take that the unit file names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakeEntry {
    /// Its side.
    pub side: Side,
    /// Its file.
    pub file: FileEntry,
    /// Channel of a WAV file, from 1.
    pub channel: Option<usize>,
}

/// A measurement of distortion that the unit file names.
#[derive(Debug, Clone, PartialEq)]
pub struct DistortionEntry {
    /// Its file.
    pub file: FileEntry,
    /// Level of the measurement, dB SPL.
    pub level_db_spl: f64,
    /// Side of the measurement, or unknown.
    pub side: Side,
}

/// True for the name of a unit file; upper and lower case are equal.
#[must_use]
pub fn is_unit_file(file_name: &str) -> bool {
    file_name.to_lowercase().ends_with(ENDING)
}

/// Reads the units of a unit file in order, at least one.
///
/// # Errors
/// With file, line and key: `Format` if the text is not TOML, for another format number, a missing key or a value of
/// another type; `Name` for unknown keys, sides and rigs (with the nearest known name); `Number` and `Setting` for
/// values out of range, for no takes, and for a file or a unit name given twice.
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
        resonance_hz: table
            .optional("resonance_hz")
            .map(|hz| hz.within(RESONANCE_HZ, " Hz"))
            .transpose()?,
        takes,
        distortion,
    })
}

/// Refuses a channel of a file that is named twice: it would look like a take that repeats perfectly.
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
        // No rig has a point or a slash in its name, so this is a file.
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
/// Those of [`parse_curve`]; `Setting` for a trust outside 0 to 1.
pub fn read_trust(bytes: &[u8], source_name: &str) -> Result<Rig> {
    let points = parse::parse_weight(bytes, source_name)?.into_points();
    Rig::table(points).map_err(|error| error.about(source_name))
}

/// A unit whose files have been read.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenedUnit {
    /// Its name, from the unit file or else from the names of its curves.
    pub name: String,
    /// The rig; None if no unit file states it.
    pub rig: Option<Rig>,
    /// Its takes.
    pub takes: Vec<OpenedTake>,
    /// The entry in a unit file, with sensitivity, impedance and distortion, and the path of that file; None without a
    /// unit file.
    pub entry: Option<(UnitEntry, PathBuf)>,
}

impl OpenedUnit {
    /// The coupler's resonance as the unit file states it, hertz.
    #[must_use]
    pub fn resonance_hz(&self) -> Option<f64> {
        self.entry.as_ref().and_then(|(entry, _)| entry.resonance_hz)
    }
}

/// A take with everything that its file contains.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenedTake {
    /// The part that the fit uses.
    pub take: Take,
    /// The curve as it was read; for an impulse response its phase without the flight time.
    pub curve: Curve,
    /// The impulse response, if the file is one.
    pub impulse: Option<ImpulseResponse>,
}

impl OpenedTake {
    /// Minimum phase and excess; None if the file has no phase.
    #[must_use]
    pub fn excess(&self) -> Option<Excess> {
        match &self.impulse {
            Some(impulse) => Some(impulse.excess.clone()),
            None => phase::of_curve(&self.curve),
        }
    }
}

/// Reads the file of a take: an impulse response if it begins like a WAV file, otherwise a curve.
///
/// # Errors
/// Those of [`parse_curve`], [`impulse::read_impulse`] and [`grid::resample`]; `Setting` for a channel of a file
/// without channels.
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
