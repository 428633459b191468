//! The targets that come with the program, and how a name or a path becomes a [`Target`].

use std::path::{Component, Path, PathBuf};

use super::recipe::{Base, parse_recipe, stem};
use super::target::Target;
use crate::error::{Error, ErrorKind, Result, nearest_spelling};
use crate::measurement::{grid, parse};

/// Recipes may stand on recipes, this deep.
const DEEPEST: usize = 8;

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

static LIBRARY: [Entry; 5] = [
    entry!("flat", ".target.toml"),
    entry!("diffuse-field", ".csv"),
    entry!("gentle-slope", ".target.toml"),
    entry!("long-listening", ".target.toml"),
    entry!("spoken-word", ".target.toml"),
];

/// Names of the built-in targets.
#[must_use]
pub fn names() -> Vec<&'static str> {
    LIBRARY.iter().map(|entry| entry.name).collect()
}

/// The file of a built-in target, whole: its comments tell origin, licence, support and level.
#[must_use]
pub fn text(name: &str) -> Option<&'static str> {
    entry(name).map(|entry| entry.text)
}

fn entry(name: &str) -> Option<&'static Entry> {
    LIBRARY.iter().find(|entry| entry.name == name)
}

/// The target of a name of the library, or of the path of a curve or a `.toml` recipe, which `read` opens. The
/// base of a recipe is `flat`, a name of the library, or a path beside the recipe, of a curve or another recipe.
///
/// # Errors
/// `Name` for an unknown name, listing the library and the nearest spelling; `Setting` for recipes that stand on
/// each other in a circle or too deep; whatever `read` and the parsers refuse.
pub fn resolve(name: &str, read: &mut dyn FnMut(&str) -> Result<Vec<u8>>) -> Result<Target> {
    resolve_under(name, read, &mut Vec::new())
}

fn resolve_under(
    name: &str,
    read: &mut dyn FnMut(&str) -> Result<Vec<u8>>,
    above: &mut Vec<String>,
) -> Result<Target> {
    let known = entry(name);
    let bytes = match known {
        Some(entry) => entry.text.as_bytes().to_vec(),
        None => read_or_name_the_library(name, read)?,
    };
    let file_name = known.map_or(name, |entry| entry.file_name);
    if !file_name.to_lowercase().ends_with(".toml") {
        return curve_target(&bytes, file_name);
    }
    let recipe = parse_recipe(&bytes, file_name)?;
    let beneath = match recipe.base {
        Base::Flat => None,
        Base::Name(base) => {
            above.push(name.to_owned());
            let base = if entry(&base).is_some() {
                base
            } else {
                beside(name, &base)
            };
            let at_base = |mut error: Box<Error>| {
                error.place.source = file_name.to_owned();
                error.place.line = recipe.base_line;
                error.at_key("base")
            };
            if above.contains(&base) || above.len() >= DEEPEST {
                let chain = format!("{} on {base}", above.join(" on "));
                let expected =
                    format!("recipes on at most {DEEPEST} others, and never on themselves");
                let next_step = "let the last recipe stand on a curve, a library target or `flat`";
                return Err(at_base(Error::new(
                    ErrorKind::Setting,
                    name,
                    chain,
                    expected,
                    next_step,
                )));
            }
            let unknown = |error: Box<Error>| match error.kind {
                ErrorKind::Name if error.place.source == base => at_base(error),
                _ => error,
            };
            Some(resolve_under(&base, read, above).map_err(unknown)?)
        }
    };
    let mut target = beneath.unwrap_or_else(|| Target {
        name: String::new(),
        source: String::new(),
        warning: None,
        base: None,
        contours: Vec::new(),
    });
    target.source = match target.name.as_str() {
        "" => recipe.source,
        base => format!("{}; its base {base}: {}", recipe.source, target.source),
    };
    target.name = recipe.name;
    target.contours.extend(recipe.contours);
    Ok(target)
}

/// A path as a recipe beside it means it.
fn beside(recipe: &str, base: &str) -> String {
    let folder = Path::new(recipe).parent().unwrap_or_else(|| Path::new(""));
    // Without `.` parts, so that one file has one name and a circle shows.
    let parts = Path::new(base)
        .components()
        .filter(|part| *part != Component::CurDir);
    folder
        .join(parts.collect::<PathBuf>())
        .to_string_lossy()
        .into_owned()
}

/// A bare word that cannot be read was meant as a name.
fn read_or_name_the_library(
    name: &str,
    read: &mut dyn FnMut(&str) -> Result<Vec<u8>>,
) -> Result<Vec<u8>> {
    read(name).map_err(|error| {
        let base_name = Path::new(name)
            .file_name()
            .map_or(name.into(), |file| file.to_string_lossy());
        if base_name.contains('.') {
            return error;
        }
        let near = nearest_spelling(&base_name, names());
        Error::new(
            ErrorKind::Name,
            name,
            format!(
                "`{base_name}`, which is no target of the library and no file that can be read"
            ),
            format!(
                "one of {}, or the path of a curve or recipe",
                names().join(", ")
            ),
            near.map_or("choose a name or give a path".to_owned(), |near| {
                format!("did you mean `{near}`?")
            }),
        )
    })
}

fn curve_target(bytes: &[u8], source_name: &str) -> Result<Target> {
    let curve = parse::parse_curve(bytes, source_name)?;
    let notes = parse::header_notes(bytes, source_name)?;
    let note = |key: &str| {
        notes
            .iter()
            .find(|(k, _)| k == key)
            .map(|(_, words)| words.clone())
    };
    Ok(Target {
        name: note("name").unwrap_or_else(|| stem(source_name).to_owned()),
        source: note("source").unwrap_or_else(|| format!("the file {source_name}")),
        warning: note("warning"),
        base: Some(grid::resample(&curve)?),
        contours: Vec::new(),
    })
}
