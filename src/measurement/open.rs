//! Units opened: curves, WAV impulse responses and unit files, by their paths, become units with their takes.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::error::MeasurementFault as Fault;
use super::impedance::{ImpedanceByFrequency, read_impedance};
use super::rig::Rig;
use super::takes::{Side, side_from_name};
use super::unit_file::{
    FileEntry, Impedance, OpenedTake, OpenedUnit, RigEntry, UnitEntry, is_unit_file, parse_unit_file,
    read_take, read_trust,
};
use crate::error::value::NameOf;
use crate::error::{Error, ErrorKind, Knob, Result, Source, nearest_spelling};
use crate::files::{Files, shown};
use crate::file_names;

/// A unit with its files read, and where these are: the takes themselves have names without folders.
#[derive(Debug, Clone)]
pub struct OpenedFiles {
    /// The unit.
    pub unit: OpenedUnit,
    /// The file of each take.
    pub paths: Vec<PathBuf>,
}

/// A unit that was named; its takes are not opened yet.
#[derive(Debug, Clone)]
pub struct NamedUnit {
    /// Its name.
    pub name: String,
    from: From,
}

#[derive(Debug, Clone)]
enum From {
    /// Files, with the side where an option said it.
    Curves(Vec<(PathBuf, Option<Side>)>),
    /// A unit file and the entry in it.
    UnitFile(PathBuf, Box<UnitEntry>),
}

/// The units that were named: all single files together as one, then those of each unit file in order. `unsaid` are files
/// whose names may say the side, and unit files.
///
/// # Errors
/// `Setting` for a unit file among those of one side; whatever `files` and the parser of unit files refuse.
pub fn named(
    unsaid: &[PathBuf],
    left: &[PathBuf],
    right: &[PathBuf],
    files: &dyn Files,
) -> Result<Vec<NamedUnit>> {
    for (option, paths) in [(Knob::Left, left), (Knob::Right, right)] {
        if let Some(path) = paths.iter().find(|path| is_unit_file(&shown(path))) {
            return Err(Error::of(Fault::UnitFileOfOneSide(shown(path)), option));
        }
    }
    let (unit_files, single): (Vec<&PathBuf>, Vec<&PathBuf>) =
        unsaid.iter().partition(|path| is_unit_file(&shown(path)));
    let sided = |side| move |path: &PathBuf| (path.clone(), side);
    let curves: Vec<(PathBuf, Option<Side>)> = single
        .into_iter()
        .map(sided(None))
        .chain(left.iter().map(sided(Some(Side::Left))))
        .chain(right.iter().map(sided(Some(Side::Right))))
        .collect();
    let mut units = Vec::new();
    if !curves.is_empty() {
        units.push(NamedUnit {
            name: name_of_curves(&curves, files),
            from: From::Curves(curves),
        });
    }
    for path in unit_files {
        for entry in parse_unit_file(&files.read(path)?, &shown(path))? {
            units.push(NamedUnit::of_entry(path.clone(), entry));
        }
    }
    Ok(units)
}

/// The one unit that is meant: the only one, or the one called `variant`.
///
/// # Errors
/// `Name` where none is called so; `Setting` where there are several.
pub fn the_one(units: Vec<NamedUnit>, variant: Option<&str>) -> Result<NamedUnit> {
    let names: Vec<String> = units.iter().map(|unit| unit.name.clone()).collect();
    let mut meant: Vec<NamedUnit> = units
        .into_iter()
        .filter(|unit| variant.is_none_or(|name| unit.name == name))
        .collect();
    match (meant.len(), variant) {
        (1, _) => Ok(meant.remove(0)),
        (0, Some(name)) => {
            let near = nearest_spelling(name, names.iter().map(String::as_str)).map(str::to_owned);
            let fault = Fault::NoUnitNamed(name.to_owned(), near, names);
            Err(Error::of(fault, Knob::Variant))
        }
        (_, Some(name)) => Err(Error::of(
            Fault::SeveralUnitsNamed(name.to_owned()),
            Knob::Variant,
        )),
        (_, None) => Err(Error::of(Fault::SeveralUnits(names), Source::name("fit"))),
    }
}

/// The only unit of a session that is compared with another one.
///
/// # Errors
/// `Setting` about `session` where there are several.
pub fn the_only(mut units: Vec<NamedUnit>, session: Knob) -> Result<NamedUnit> {
    if units.len() == 1 {
        return Ok(units.remove(0));
    }
    let names = units.into_iter().map(|unit| unit.name);
    Err(Error::of(Fault::UnitsInSession(names.collect()), session))
}

impl NamedUnit {
    /// The unit of an entry of the unit file at `path`.
    #[must_use]
    pub fn of_entry(path: PathBuf, entry: UnitEntry) -> Self {
        Self {
            name: entry.name.clone(),
            from: From::UnitFile(path, Box::new(entry)),
        }
    }

    /// Reads all its files.
    ///
    /// # Errors
    /// `Setting` for a file named twice; whatever `files` and the parsers refuse. What a unit file names and cannot be had
    /// is told at its line and key there.
    pub fn open(self, files: &dyn Files) -> Result<OpenedFiles> {
        match self.from {
            From::Curves(curves) => {
                let mut opening = Opening::new(files);
                for (path, side) in curves {
                    let name = shown(&path);
                    let side = side.unwrap_or_else(|| side_from_name(&name));
                    opening.add(path, side, None)?;
                }
                opening.done(self.name, None, None)
            }
            From::UnitFile(path, entry) => {
                let mut opening = Opening::new(files);
                for take in &entry.takes {
                    let opened = opening.add(beside(&path, &take.file), take.side, take.channel);
                    opened.map_err(|error| named_in(error, &take.file, &path))?;
                }
                let rig = match &entry.rig {
                    None => None,
                    Some(RigEntry::Rig(rig)) => Some(rig.clone()),
                    Some(RigEntry::File(file)) => Some(read_named(files, &path, file, read_trust)?),
                };
                opening.done(self.name, rig, Some((*entry, path)))
            }
        }
    }
}

/// The rig of a name, or of a file with a trust table. What is neither was meant as a name where it has no point and no
/// slash.
///
/// # Errors
/// `Name` for an unknown one; whatever `files` and the parser refuse.
pub fn rig(path: &Path, files: &dyn Files) -> Result<Rig> {
    let name = shown(path);
    Rig::from_name(&name).or_else(|_| match trust(path, files) {
        Err(error) if error.kind == ErrorKind::Missing && !name.contains(['.', '/', '\\']) => {
            Err(Error::of(Rig::unknown(NameOf::RigOrFile, &name), Knob::Rig))
        }
        trust => trust,
    })
}

fn trust(path: &Path, files: &dyn Files) -> Result<Rig> {
    read_trust(&files.read(path)?, &shown(path))
}

/// Files of takes as they are read: no file counts twice.
struct Opening<'a> {
    files: &'a dyn Files,
    read: Vec<ReadFile>,
}

/// A file of a take that is not parsed yet.
struct ReadFile {
    path: PathBuf,
    side: Side,
    channel: Option<usize>,
    bytes: Vec<u8>,
}

impl<'a> Opening<'a> {
    fn new(files: &'a dyn Files) -> Self {
        Self {
            files,
            read: Vec::new(),
        }
    }

    fn add(&mut self, path: PathBuf, side: Side, channel: Option<usize>) -> Result<()> {
        let same = |before: &&ReadFile| {
            before.channel == channel && self.files.is_same(&before.path, &path)
        };
        if let Some(before) = self.read.iter().find(same) {
            let fault = Fault::FileTwice(shown(&before.path), None);
            return Err(Error::of(fault, shown(&path)));
        }
        let bytes = self.files.read(&path)?;
        self.read.push(ReadFile {
            path,
            side,
            channel,
            bytes,
        });
        Ok(())
    }

    /// Parses all files, on all threads; of several that cannot be parsed the first is told. Until here errors name whole
    /// paths, as typed; from here on takes have names that may be published.
    fn done(
        self,
        name: String,
        rig: Option<Rig>,
        entry: Option<(UnitEntry, PathBuf)>,
    ) -> Result<OpenedFiles> {
        let parsed = |file: ReadFile| {
            let take = read_take(&file.bytes, &shown(&file.path), file.side, file.channel);
            (file.path, take)
        };
        let (paths, takes): (Vec<PathBuf>, Vec<Result<OpenedTake>>) =
            self.read.into_par_iter().map(parsed).unzip();
        let mut takes: Vec<OpenedTake> = takes.into_iter().collect::<Result<_>>()?;
        let whole: Vec<PathBuf> = paths.iter().map(|path| self.files.whole(path)).collect();
        let whole: Vec<&Path> = whole.iter().map(PathBuf::as_path).collect();
        for (opened, name) in takes.iter_mut().zip(file_names::told_apart(&whole)) {
            opened.take.name = name;
        }
        let unit = OpenedUnit {
            name,
            rig,
            takes,
            entry,
        };
        Ok(OpenedFiles { unit, paths })
    }
}

/// What `parse` makes of a file that a unit file names.
///
/// # Errors
/// Those of `parse`; a file that cannot be had is told at its line and key in the unit file.
pub fn read_named<T>(
    files: &dyn Files,
    unit_file: &Path,
    file: &FileEntry,
    parse: impl FnOnce(&[u8], &str) -> Result<T>,
) -> Result<T> {
    let path = beside(unit_file, file);
    let bytes = files.read(&path);
    bytes
        .and_then(|bytes| parse(&bytes, &shown(&path)))
        .map_err(|error| named_in(error, file, unit_file))
}

/// The impedance that the entry of a unit in `unit_file` states; None where it states none.
///
/// # Errors
/// Those of [`read_impedance`] and [`read_named`].
pub fn impedance(
    entry: &UnitEntry,
    unit_file: &Path,
    files: &dyn Files,
) -> Result<Option<ImpedanceByFrequency>> {
    match &entry.impedance {
        None => Ok(None),
        Some(Impedance::Ohm(ohm)) => Ok(Some(ImpedanceByFrequency::Ohm(*ohm))),
        Some(Impedance::File(file)) => {
            read_named(files, unit_file, file, read_impedance).map(Some)
        }
    }
}

/// The path of a file that a unit file names: from the folder that this one is in.
fn beside(unit_file: &Path, file: &FileEntry) -> PathBuf {
    unit_file.with_file_name(&file.file)
}

/// A file that cannot be opened is the fault of the unit file that names it; what is in it is its own.
fn named_in(error: Box<Error>, file: &FileEntry, unit_file: &Path) -> Box<Error> {
    if !matches!(error.kind, ErrorKind::Missing | ErrorKind::File) {
        return error;
    }
    let path = error.place.source.to_string();
    let error = error.named(&path, true).about(shown(unit_file));
    error.at_line(file.line).at_key(&*file.key)
}

/// The name of the folder that several curves share, or the first name among the files, in the order of the alphabet,
/// without its ending.
fn name_of_curves(curves: &[(PathBuf, Option<Side>)], files: &dyn Files) -> String {
    let first = &curves[0].0;
    let share_one = curves
        .iter()
        .all(|(path, _)| path.parent() == first.parent());
    let shared = (curves.len() > 1 && share_one)
        .then(|| file_names::folder_name(&files.whole(first)))
        .flatten();
    let stem = |path: &PathBuf| shown(Path::new(path.file_stem().unwrap_or(path.as_os_str())));
    let stems = curves.iter().map(|(path, _)| stem(path));
    shared.or_else(|| stems.min()).unwrap_or_default()
}
