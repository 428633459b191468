//! The built-in targets, and the resolution of a name or a path to a [`Target`].

use std::path::{Component, Path, PathBuf};

use super::contour::ContourEntry;
use super::error::WantedFault as Fault;
use super::recipe::{BlendEntry, FLAT, MEASURED, Recipe, Reference, parse_recipe, stem};
use super::target::{Base, Target, percent};
use super::unit::unit_target;
use crate::error::value::{NameOf, ValueFault};
use crate::error::{Error, ErrorKind, Result};
use crate::files::Files;
use crate::measurement::takes::Side;
use crate::measurement::unit_file::{is_unit_file, read_take};
use crate::measurement::{grid, impulse, parse};
use crate::message::one_line;
use crate::file_names::{beside, file_name};

/// Recipes may stand on recipes, this deep.
const DEEPEST: usize = 8;

/// And may name no more files than this altogether: two a recipe would else be hundreds.
const MOST_OPENED: usize = 64;

struct Entry {
    name: &'static str,
    file_name: &'static str,
    text: &'static str,
}

macro_rules! entry {
    ($name:literal, $ending:literal) => {
        Entry {
            name: $name,
            file_name: concat!($name, $ending),
            text: include_str!(concat!("../../targets/", $name, $ending)),
        }
    };
}

static LIBRARY: [Entry; 7] = [
    entry!("flat", ".target.toml"),
    entry!("diffuse-field", ".csv"),
    entry!("gentle-slope", ".target.toml"),
    entry!("long-listening", ".target.toml"),
    entry!("spoken-word", ".target.toml"),
    // Other diffuse fields, for comparison; the one that the hearing figures use comes first.
    entry!("diffuse-field-iso-532-2", ".csv"),
    entry!("diffuse-field-mean", ".csv"),
];

/// The built-in tables of the diffuse field: one thing, of which published tables differ by several dB.
const DIFFUSE_FIELDS: [&str; 3] = ["diffuse-field", "diffuse-field-iso-532-2", "diffuse-field-mean"];

/// The other built-in tables of what the built-in target `name` is a table of; empty where there are none.
#[must_use]
pub fn other_tables(name: &str) -> Vec<&'static str> {
    match DIFFUSE_FIELDS.contains(&name) {
        true => DIFFUSE_FIELDS.into_iter().filter(|table| *table != name).collect(),
        false => Vec::new(),
    }
}

/// Names of the built-in targets.
#[must_use]
pub fn names() -> Vec<&'static str> {
    LIBRARY.iter().map(|entry| entry.name).collect()
}

/// The whole file of a built-in target; its comments state origin, licence, support and level.
#[must_use]
pub fn text(name: &str) -> Option<&'static str> {
    entry(name).map(|entry| entry.text)
}

fn entry(name: &str) -> Option<&'static Entry> {
    LIBRARY.iter().find(|entry| entry.name == name)
}

/// From the header of a built-in target: the words after `# key:`.
#[must_use]
pub fn note(name: &str, key: &str) -> Option<String> {
    let notes = parse::header_notes(text(name)?.as_bytes(), name).ok()?;
    notes
        .into_iter()
        .find(|(k, _)| k == key)
        .map(|(_, words)| words)
}

/// The target of a name of the library, or of the path of a curve, a WAV impulse response, a `.unit.toml` or another
/// `.toml`, which is a recipe.
///
/// # Errors
/// `Name` for an unknown name (a bare word that is no file), listing the library and the nearest
/// spelling; `Setting` for recipes that stand on
/// each other in a circle or too deep; `Coverage` for blends of what shares less than an octave; whatever `files`, the
/// parsers and the judging of takes refuse. What a recipe names and cannot have is told at its line and key.
pub fn resolve(name: &str, files: &dyn Files) -> Result<Target> {
    resolve_reference(&Reference::new(name), files)
}

/// [`resolve`] with the side and the variant of a unit, and the names `flat` and `measured`.
///
/// # Errors
/// As [`resolve`].
pub fn resolve_reference(reference: &Reference, files: &dyn Files) -> Result<Target> {
    Resolving::new(files).named(&reference.name, reference)
}

/// The target of a recipe at `path`.
///
/// # Errors
/// As [`resolve`].
pub fn resolve_recipe(recipe: Recipe, path: &str, files: &dyn Files) -> Result<Target> {
    Resolving::new(files).recipe(recipe, path, path)
}

/// The state of a resolution through nested recipes.
struct Resolving<'a> {
    files: &'a dyn Files,
    /// The recipes that stand on what is being read.
    above: Vec<String>,
    opened: usize,
}

impl<'a> Resolving<'a> {
    fn new(files: &'a dyn Files) -> Self {
        Self {
            files,
            above: Vec::new(),
            opened: 0,
        }
    }

    /// The target called `name`, with side and variant of `reference`.
    fn named(&mut self, name: &str, reference: &Reference) -> Result<Target> {
        if name == MEASURED {
            return refuse_unit_keys(name, reference).map(|()| Target::measured());
        }
        self.opened += 1;
        if self.opened > MOST_OPENED {
            return Err(Error::of(Fault::TooManyFiles(MOST_OPENED), name));
        }
        let known = entry(name);
        let bytes = match known {
            Some(entry) => entry.text.as_bytes().to_vec(),
            None => read_or_unknown_name(name, self.files)?,
        };
        let file_name = known.map_or(name, |entry| entry.file_name);
        if is_unit_file(file_name) {
            return unit_target(&bytes, name, reference, self.files);
        }
        refuse_unit_keys(name, reference)?;
        if file_name.to_lowercase().ends_with(".toml") {
            let recipe = parse_recipe(&bytes, file_name)?;
            return self.recipe(recipe, name, file_name);
        }
        curve_target(&bytes, file_name)
    }

    /// The target of a recipe called `name`; errors refer to it as `file_name`.
    fn recipe(&mut self, recipe: Recipe, name: &str, file_name: &str) -> Result<Target> {
        let Recipe {
            name: own_name,
            source,
            base,
            blend,
            contours,
        } = recipe;
        self.above.push(name.to_owned());
        let mut target = if base.name == FLAT && base.side.is_none() && base.variant.is_none() {
            Target {
                name: String::new(),
                source: String::new(),
                warnings: Vec::new(),
                base: Base::Flat,
                trust: None,
                at_eardrum: false,
                contours: Vec::new(),
            }
        } else {
            self.referred_target(&base, ["base", "side", "variant"], name, file_name)?
        };
        target.source = match target.name.as_str() {
            "" => source,
            base_name => format!("{source}; its base {base_name}: {}", target.source),
        };
        if let Some(BlendEntry { with, share }) = blend {
            let keys = ["blend.with", "blend.side", "blend.variant"];
            let other = self.referred_target(&with, keys, name, file_name)?;
            let source = format!(
                "{}; blended with {} of {}: {}",
                target.source,
                percent(share),
                other.name,
                other.source
            );
            let blended = target.blended(other, share);
            target = blended.map_err(|error| placed(error, file_name, with.lines[0], keys[0]))?;
            target.source = source;
        }
        target.name = own_name;
        for contour in contours {
            let named = match &contour {
                ContourEntry::Table { file, line } => Some((beside(name, file), *line)),
                ContourEntry::Contour(_) => None,
            };
            let opened = contour.open(name, self.files).map_err(|error| match named {
                Some((path, line)) if cannot_be_read(&error) && error.place.source == path => {
                    at_reference(error, file_name, line, "contour.file")
                }
                _ => error,
            });
            target.contours.push(opened?);
        }
        self.above.pop();
        Ok(target)
    }

    /// The target to which the recipe `name` refers. `keys` are the keys of name, side and variant.
    fn referred_target(
        &mut self,
        reference: &Reference,
        keys: [&str; 3],
        name: &str,
        file_name: &str,
    ) -> Result<Target> {
        let known = entry(&reference.name).is_some() || reference.name == MEASURED;
        let path = if known {
            reference.name.clone()
        } else {
            beside(name, &reference.name)
        };
        let again = self
            .above
            .iter()
            .any(|above| normalised(above) == normalised(&path));
        if again || self.above.len() >= DEEPEST {
            let names = self.above.iter().chain([&path]).cloned();
            let error = Error::of(Fault::Circle(names.collect(), DEEPEST), name);
            return Err(placed(error, file_name, reference.lines[0], keys[0]));
        }
        self.named(&path, reference).map_err(|error| {
            if error.place.source != path {
                return error;
            }
            let [own, side, variant] = reference.lines;
            let line_is_known = error.place.line.is_some();
            match (error.fault(), error.fault()) {
                (Some(Fault::SideOfNoUnit(..) | Fault::NoTakeOfSide(..)), _) => {
                    placed(error, file_name, side, keys[1])
                }
                (Some(Fault::VariantOfNoUnit(..) | Fault::NoVariant(_)), _) => {
                    placed(error, file_name, variant.or(own), keys[2])
                }
                _ if line_is_known => error,
                (_, Some(ValueFault::Unknown(name))) => match name.what {
                    NameOf::Unit => placed(error, file_name, variant.or(own), keys[2]),
                    _ => placed(error, file_name, own, keys[0]),
                },
                _ if cannot_be_read(&error) => at_reference(error, file_name, own, keys[0]),
                _ => error,
            }
        })
    }
}

/// The error with a line and key of a recipe.
fn placed(error: Box<Error>, file_name: &str, line: Option<usize>, key: &str) -> Box<Error> {
    error.about(file_name).at_line(line).at_key(key)
}

fn cannot_be_read(error: &Error) -> bool {
    matches!(error.kind, ErrorKind::File | ErrorKind::Missing)
}

/// A file that cannot be opened is reported at the recipe that names it; a name that was typed has no such place.
fn at_reference(error: Box<Error>, file_name: &str, line: Option<usize>, key: &str) -> Box<Error> {
    let path = error.place.source.to_string();
    let error = error.named(&path, !file_name.is_empty());
    placed(error, file_name, line, key)
}

/// Refuses side and variant for targets that are not units.
fn refuse_unit_keys(name: &str, reference: &Reference) -> Result<()> {
    let name = name.to_owned();
    let (key, fault) = match (reference.side, &reference.variant) {
        (Some(side), _) => ("side", Fault::SideOfNoUnit(side, name.clone())),
        (None, Some(variant)) => {
            let fault = Fault::VariantOfNoUnit(variant.clone(), name.clone());
            ("variant", fault)
        }
        (None, None) => return Ok(()),
    };
    Err(Error::of(fault, name).at_key(key))
}

/// A path with each `..` and the folder before it removed, to compare two paths.
fn normalised(path: &str) -> PathBuf {
    let mut normalised = PathBuf::new();
    for part in Path::new(path).components() {
        let inside = matches!(
            normalised.components().next_back(),
            Some(Component::Normal(_))
        );
        if part == Component::ParentDir && inside {
            normalised.pop();
        } else {
            normalised.push(part);
        }
    }
    normalised
}

/// Reads a file. If it is missing and its name is a bare word, reports an unknown target.
fn read_or_unknown_name(name: &str, files: &dyn Files) -> Result<Vec<u8>> {
    files.read(Path::new(name)).map_err(|error| {
        let base_name = Path::new(name)
            .file_name()
            .map_or(name.into(), |file| file.to_string_lossy());
        if error.kind != ErrorKind::Missing || base_name.contains('.') {
            return error;
        }
        Error::of(
            ValueFault::unknown(NameOf::Target, &base_name, names()),
            name,
        )
    })
}

fn curve_target(bytes: &[u8], source_name: &str) -> Result<Target> {
    let (curve, notes) = if impulse::is_wav(bytes) {
        let take = read_take(bytes, source_name, Side::Unknown, None)?.take;
        (take.on_grid, Vec::new())
    } else {
        let curve = parse::parse_curve(bytes, source_name)?;
        let notes = parse::header_notes(bytes, source_name)?;
        (grid::resample(&curve)?, notes)
    };
    let note = |key: &str| {
        notes
            .iter()
            .find(|(k, _)| k == key)
            .map(|(_, words)| words.clone())
    };
    let name = note("name").unwrap_or_else(|| stem(source_name).to_owned());
    let source = note("source").unwrap_or_else(|| format!("the file {}", file_name(source_name)));
    Ok(Target {
        warnings: note("warning").into_iter().collect(),
        at_eardrum: note("place").is_some_and(|place| place.trim() == EARDRUM),
        ..Target::of_curve(&name, &source, curve)
    })
}

/// What the note `place` of a curve at the eardrum says.
const EARDRUM: &str = "eardrum";

/// First words of a curve that was written by this program.
pub const CURVE_BEGINNING: &str = "# Target curve";

/// The target as text of a curve on the common grid, with its sections at `rate_hz`; [`resolve`] reads it back.
#[must_use]
pub fn write_curve(target: &Target, rate_hz: f64) -> String {
    let on_grid = target.level_on_grid(rate_hz);
    let (low_hz, high_hz) = on_grid.band_hz();
    let mut text = format!(
        "{CURVE_BEGINNING} on a grid of {} points an octave from 20 Hz\n# name: {}\n# source: {}\n\
         # support: {low_hz:.0} Hz to {high_hz:.0} Hz\n# level: as the base has it; only the form counts. Sections as at {rate_hz} Hz\n",
        grid::POINTS_PER_OCTAVE,
        one_line(&target.name),
        one_line(&target.source)
    );
    if !target.warnings.is_empty() {
        text.push_str(&format!(
            "# warning: {}\n",
            one_line(&target.warnings.join(". "))
        ));
    }
    if target.at_eardrum {
        text.push_str(&format!("# place: {EARDRUM}\n"));
    }
    text.push_str("frequency_hz,level_db\n");
    for i in on_grid.support.clone() {
        // Adding 0 turns -0 into 0.
        let db = (on_grid.level_db[i] * 1e4).round() / 1e4 + 0.0;
        text.push_str(&format!("{:.5},{db:.4}\n", grid::frequency_hz()[i]));
    }
    text
}
