//! What was measured, opened: curves, WAV impulse responses and unit files become units with their takes.

use std::path::{Path, PathBuf};

use bandwright::error::value::NameOf;
use bandwright::error::{Error, ErrorKind, Knob, Result, Source, nearest_spelling};
use bandwright::measurement::error::MeasurementFault;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, side_from_name};
use bandwright::measurement::unit_file::{
    FileEntry, OpenedTake, OpenedUnit, RigEntry, UnitEntry, is_unit_file, parse_unit_file,
    read_take, read_trust,
};
use bandwright::names;

use super::files::{self, shown};

/// A unit with its files read, and where these are: the takes themselves have names without folders.
pub(super) struct OpenedFiles {
    pub unit: OpenedUnit,
    /// The file of each take.
    pub paths: Vec<PathBuf>,
}

/// A unit that was named on the command line; its takes are not opened yet.
pub(super) struct NamedUnit {
    pub name: String,
    from: From,
}

enum From {
    /// Files, with the side where an option said it.
    Curves(Vec<(PathBuf, Option<Side>)>),
    /// A unit file and the entry in it.
    UnitFile(PathBuf, Box<UnitEntry>),
}

/// The units that were named: all single files together as one, then those of each unit file in order.
pub(super) fn named(
    unsaid: &[PathBuf],
    left: &[PathBuf],
    right: &[PathBuf],
) -> Result<Vec<NamedUnit>> {
    for (option, paths) in [(Knob::Left, left), (Knob::Right, right)] {
        if let Some(path) = paths.iter().find(|path| is_unit_file(&shown(path))) {
            return Err(Error::new(
                ErrorKind::Setting,
                option,
                format!("the unit file `{}`", shown(path)),
                "a curve or a WAV impulse response",
                "name the unit file without an option: it says the sides itself",
            ));
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
            name: name_of_curves(&curves),
            from: From::Curves(curves),
        });
    }
    for path in unit_files {
        for entry in parse_unit_file(&files::read(path)?, &shown(path))? {
            units.push(NamedUnit {
                name: entry.name.clone(),
                from: From::UnitFile(path.clone(), Box::new(entry)),
            });
        }
    }
    Ok(units)
}

/// The one unit that is meant: the only one, or the one named by `--variant`.
pub(super) fn the_one(units: Vec<NamedUnit>, variant: Option<&str>) -> Result<NamedUnit> {
    let names: Vec<String> = units.iter().map(|unit| unit.name.clone()).collect();
    let all = quoted(&units);
    let refuse = |kind, source: Source, found: String, next_step: String| {
        Err(Error::new(kind, source, found, "one unit", next_step))
    };
    let mut meant: Vec<NamedUnit> = units
        .into_iter()
        .filter(|unit| variant.is_none_or(|name| unit.name == name))
        .collect();
    match (meant.len(), variant) {
        (1, _) => Ok(meant.remove(0)),
        (0, Some(name)) => {
            let next_step = match nearest_spelling(name, names.iter().map(String::as_str)) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("the files have {all}"),
            };
            refuse(
                ErrorKind::Name,
                Knob::Variant.into(),
                format!("no unit named `{name}`"),
                next_step,
            )
        }
        (_, Some(name)) => refuse(
            ErrorKind::Setting,
            Knob::Variant.into(),
            format!("several units named `{name}`"),
            "name one of their files alone".to_owned(),
        ),
        (_, None) => the_only(
            meant,
            Source::name("fit"),
            "choose one with --variant NAME, or name its files alone",
        ),
    }
}

/// The only unit; where there are others, an error about `source`.
pub(super) fn the_only(
    mut units: Vec<NamedUnit>,
    source: Source,
    next_step: &str,
) -> Result<NamedUnit> {
    if units.len() == 1 {
        return Ok(units.remove(0));
    }
    let found = format!("{} units: {}", units.len(), quoted(&units));
    let kind = ErrorKind::Setting;
    Err(Error::new(kind, source, found, "one unit", next_step))
}

fn quoted(units: &[NamedUnit]) -> String {
    let names = units.iter().map(|unit| format!("`{}`", unit.name));
    names.collect::<Vec<_>>().join(", ")
}

impl NamedUnit {
    /// The unit file that it stands in, where there is one.
    pub(super) fn unit_file(&self) -> Option<PathBuf> {
        match &self.from {
            From::Curves(_) => None,
            From::UnitFile(path, _) => Some(path.clone()),
        }
    }

    /// Reads all its files.
    pub(super) fn open(self) -> Result<OpenedFiles> {
        match self.from {
            From::Curves(curves) => {
                let mut opening = Opening::default();
                for (path, side) in curves {
                    let name = shown(&path);
                    let side = side.unwrap_or_else(|| side_from_name(&name));
                    opening.add(path, side, None)?;
                }
                Ok(opening.done(self.name, None, None))
            }
            From::UnitFile(path, entry) => {
                let folder = path.parent().unwrap_or(Path::new("")).to_owned();
                let named_here = |file: &FileEntry| {
                    let (file, unit_file) = (file.clone(), shown(&path));
                    move |error| named_in(error, &file, &unit_file)
                };
                let mut opening = Opening::default();
                for take in &entry.takes {
                    opening
                        .add(folder.join(&take.file.file), take.side, take.channel)
                        .map_err(named_here(&take.file))?;
                }
                let rig = match &entry.rig {
                    None => None,
                    Some(RigEntry::Rig(rig)) => Some(rig.clone()),
                    Some(RigEntry::File(file)) => {
                        let path = folder.join(&file.file);
                        Some(trust(&path).map_err(named_here(file))?)
                    }
                };
                Ok(opening.done(self.name, rig, Some((*entry, folder))))
            }
        }
    }
}

/// The rig that was typed: a name, or a file with a trust table. What is neither was meant as a name where it has no
/// point and no slash.
pub(super) fn rig(typed: Option<&PathBuf>) -> Result<Option<Rig>> {
    let Some(path) = typed else {
        return Ok(None);
    };
    let name = shown(path);
    let rig = match Rig::from_name(&name) {
        Ok(rig) => rig,
        Err(_) => match trust(path) {
            Err(error) if error.kind == ErrorKind::Missing && !name.contains(['.', '/', '\\']) => {
                return Err(Error::of(Rig::unknown(NameOf::RigOrFile, &name), Knob::Rig));
            }
            trust => trust?,
        },
    };
    Ok(Some(rig))
}

fn trust(path: &Path) -> Result<Rig> {
    read_trust(&files::read(path)?, &shown(path))
}

/// Takes as they are read, and where from: no file counts twice.
#[derive(Default)]
struct Opening {
    takes: Vec<OpenedTake>,
    seen: Vec<(PathBuf, Option<usize>)>,
}

impl Opening {
    fn add(&mut self, path: PathBuf, side: Side, channel: Option<usize>) -> Result<()> {
        let same = |(before, its_channel): &&(PathBuf, Option<usize>)| {
            *its_channel == channel && files::same_file(before, &path)
        };
        if let Some((before, _)) = self.seen.iter().find(same) {
            let fault = MeasurementFault::FileTwice(shown(before), None);
            return Err(Error::of(fault, shown(&path)));
        }
        let take = read_take(&files::read(&path)?, &shown(&path), side, channel)?;
        self.takes.push(take);
        self.seen.push((path, channel));
        Ok(())
    }

    /// The unit. Until here errors name whole paths, as typed; from here on takes have names that may be published.
    fn done(
        mut self,
        name: String,
        rig: Option<Rig>,
        entry: Option<(UnitEntry, PathBuf)>,
    ) -> OpenedFiles {
        let paths: Vec<PathBuf> = self.seen.into_iter().map(|(path, _)| path).collect();
        let whole: Vec<PathBuf> = paths.iter().map(|path| files::from_root(path)).collect();
        let whole: Vec<&Path> = whole.iter().map(PathBuf::as_path).collect();
        for (opened, name) in self.takes.iter_mut().zip(names::told_apart(&whole)) {
            opened.take.name = name;
        }
        let unit = OpenedUnit {
            name,
            rig,
            takes: self.takes,
            entry,
        };
        OpenedFiles { unit, paths }
    }
}

/// A file that cannot be opened is the fault of whoever names it; what is in it is its own.
pub(super) fn named_in(error: Box<Error>, file: &FileEntry, unit_file: &str) -> Box<Error> {
    if !matches!(error.kind, ErrorKind::Missing | ErrorKind::File) {
        return error;
    }
    let path = error.place.source.to_string();
    let error = error.named(&path, true).about(unit_file);
    error.at_line(file.line).at_key(&*file.key)
}

/// The name of the folder that several curves share, or the first name among the files, in the order of the alphabet,
/// without its ending.
fn name_of_curves(curves: &[(PathBuf, Option<Side>)]) -> String {
    let first = &curves[0].0;
    let share_one = curves
        .iter()
        .all(|(path, _)| path.parent() == first.parent());
    let shared = (curves.len() > 1 && share_one)
        .then(|| files::folder_name(first))
        .flatten();
    let stem = |path: &PathBuf| shown(Path::new(path.file_stem().unwrap_or(path.as_os_str())));
    let stems = curves.iter().map(|(path, _)| stem(path));
    shared.or_else(|| stems.min()).unwrap_or_default()
}
