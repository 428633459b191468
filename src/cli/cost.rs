//! What `fit --cost` needs to know: the options of cost, and what a unit file names, opened.

use std::path::Path;

use bandwright::cost::Cost;
use bandwright::cost::drive::WishedLevel;
use bandwright::cost::exposure::{Field, FieldTable, REFUSED_DBA};
use bandwright::cost::programme::Programme;
use bandwright::cost::source::parse_source;
use bandwright::error::{Error, ErrorKind, Knob, Result};
use bandwright::job::cost::Circumstances;
use bandwright::measurement::distorted::{DistortionCurve, read_distortion};
use bandwright::measurement::impedance::{ImpedanceByFrequency, read_impedance};
use bandwright::measurement::parse::parse_curve;
use bandwright::measurement::unit_file::{DistortionEntry, FileEntry, Impedance, UnitEntry};

use super::args::{self, Fit};
use super::files::{self, shown};
use super::measured::named_in;

/// The loudest wish, dBA: no rule allows any time above it.
const LOUDEST_DBA: f64 = bandwright::cost::exposure::CEILING_DBA;

/// Whether any option asks what the EQ costs.
pub(super) fn is_asked(typed: &Fit) -> bool {
    typed.cost
        || typed.source.is_some()
        || typed.programme.is_some()
        || typed.play_at.is_some()
        || typed.field.is_some()
        || typed.field_table.is_some()
}

/// What no file needs to be opened for.
pub(super) fn refuse_impossible(typed: &Fit) -> Result<()> {
    match typed.play_at {
        Some(level_dba) if !(0.0..=LOUDEST_DBA).contains(&level_dba) => Err(Error::new(
            ErrorKind::Setting,
            Knob::PlayAt,
            format!("{level_dba} dBA"),
            format!("0 to {LOUDEST_DBA} dBA"),
            "70 to 75 is a careful level for listening long",
        )),
        _ => Ok(()),
    }
}

/// A wish that is too loud to be helped with.
pub(super) fn refuse_too_loud(typed: &Fit, costs: &[Cost]) -> Result<()> {
    if typed.above_100_dba {
        return Ok(());
    }
    let levels = costs.iter().filter_map(Cost::wished_level);
    let loudest = levels.max_by(|a, b| a.level_dba.total_cmp(&b.level_dba));
    match loudest {
        Some(level) if level.level_dba > REFUSED_DBA => Err(Error::new(
            ErrorKind::Setting,
            Knob::PlayAt,
            level.to_string(),
            format!(
                "at most {REFUSED_DBA} dBA: so loud the rules for work allow 15 minutes a day (NIOSH 1998), and hearing that is lost does not come back"
            ),
            "wish for less, 70 to 75 is a careful level for listening long; --above-100-dba shows the figures for a measurement that nobody hears",
        )),
        _ => Ok(()),
    }
}

/// Reads all that is known. `unit_file` is the file of the unit that is fitted, with its entry there.
pub(super) fn circumstances(
    typed: &Fit,
    unit_file: Option<(&Path, &UnitEntry)>,
) -> Result<Circumstances> {
    let mut known = Circumstances {
        wished: typed.play_at.map(|level_db| WishedLevel {
            level_db,
            a_weighted: true,
        }),
        field: match typed.field {
            Some(args::Field::Free) => Field::Free,
            Some(args::Field::Diffuse) | None => Field::Diffuse,
        },
        table: match typed.field_table {
            Some(args::FieldTable::ItuTP58) => FieldTable::P58,
            Some(args::FieldTable::Iso532_2) | None => FieldTable::Iso532_2,
        },
        ..Circumstances::default()
    };
    if let Some(path) = &typed.source {
        known.source = Some(parse_source(&files::read(path)?, &shown(path))?);
    }
    if let Some(path) = &typed.programme {
        let bands = parse_curve(&files::read(path)?, &shown(path))?;
        known.programme = Programme::from_bands(&bands)?;
    }
    if let Some((path, entry)) = unit_file {
        let named = NamedFiles { unit_file: path };
        known.sensitivity = entry.sensitivity;
        known.impedance = match &entry.impedance {
            None => None,
            Some(Impedance::Ohm(ohm)) => Some(ImpedanceByFrequency::Ohm(*ohm)),
            Some(Impedance::File(file)) => Some(named.read(file, read_impedance)?),
        };
        known.distortion = named.distortion(&entry.distortion)?;
    }
    Ok(known)
}

/// Files that a unit file names, beside it.
struct NamedFiles<'a> {
    unit_file: &'a Path,
}

impl NamedFiles<'_> {
    fn read<T>(&self, file: &FileEntry, parse: impl Fn(&[u8], &str) -> Result<T>) -> Result<T> {
        let path = self.unit_file.with_file_name(&file.file);
        files::read(&path)
            .and_then(|bytes| parse(&bytes, &shown(&path)))
            .map_err(|error| named_in(error, file, &shown(self.unit_file)))
    }

    fn distortion(&self, entries: &[DistortionEntry]) -> Result<Vec<DistortionCurve>> {
        let mut curves = Vec::new();
        for (index, entry) in entries.iter().enumerate() {
            let same = |before: &&DistortionEntry| {
                (before.side, before.level_db_spl) == (entry.side, entry.level_db_spl)
            };
            if let Some(before) = entries[..index].iter().find(same) {
                return Err(Error::new(
                    ErrorKind::Setting,
                    shown(self.unit_file),
                    format!(
                        "a second measurement of the {} at {} dB SPL, beside `{}`",
                        entry.side.words(),
                        entry.level_db_spl,
                        before.file.file
                    ),
                    "one [[distortion]] for each side and level",
                    "keep one of them, or say their sides",
                )
                .at_line(entry.file.line)
                .at_key(&entry.file.key));
            }
            curves.push(self.read(&entry.file, |bytes, name| {
                read_distortion(bytes, name, entry)
            })?);
        }
        Ok(curves)
    }
}
