//! `NAME.target.toml`: a base and contours, with their source in words.
//!
//! ```toml
//! format = 1
//! name = "a little more bass"
//! source = "our own choice, no measurement behind it"
//! base = "diffuse-field"      # "flat", a target of the library, or a file beside this one
//!
//! [[contour]]
//! shape = "low-shelf"         # or "peaking", "high-shelf"
//! f0_hz = 90
//! gain_db = 3
//! q = 0.6
//!
//! [[contour]]
//! shape = "slope"
//! db_per_octave = -0.4
//! pivot_hz = 1000
//! ```

use toml::de::{DeTable, DeValue};

use super::contour::Contour;
use super::setting::Settings;
use crate::error::{Error, ErrorKind, Result};
use crate::measurement::text;

/// More contours than anyone types, and few enough to evaluate in no time.
const MOST_CONTOURS: usize = 100;

const KEYS: [&str; 5] = ["format", "name", "source", "base", "contour"];

/// What a recipe starts from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Base {
    /// 0 dB everywhere.
    Flat,
    /// A target of the library, or a file; as written.
    Name(String),
}

/// A recipe as written; [`super::library::resolve`] finds its base.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// Its name; without one, the file's.
    pub name: String,
    /// Where it comes from, in words.
    pub source: String,
    /// What it starts from.
    pub base: Base,
    /// Line of `base`, for errors about it.
    pub base_line: Option<usize>,
    /// What is added to the base, in the order written.
    pub contours: Vec<Contour>,
}

/// Reads a recipe.
///
/// # Errors
/// With file, line and key: `Format` for no TOML or another format number, `Name` for unknown keys and shapes
/// (with the nearest spelling), `Setting` and `Number` for values.
pub fn parse_recipe(bytes: &[u8], source_name: &str) -> Result<Recipe> {
    let text = text::decode(bytes, source_name)?;
    let line_at = |at: usize| 1 + text.bytes().take(at).filter(|b| *b == b'\n').count();
    let document = DeTable::parse(&text).map_err(|error| {
        let what = error
            .message()
            .lines()
            .next()
            .unwrap_or_default()
            .to_owned();
        let line = error.span().map_or(1, |span| line_at(span.start));
        let next_step = "correct this line; words stand in quotes, numbers do not";
        Error::new(ErrorKind::Format, source_name, what, "TOML", next_step).at_line(line)
    })?;
    let table = document.get_ref();
    let given = Settings::of_table(table, source_name, "", 1, &line_at);
    given.only(&KEYS)?;
    if given.has("format") {
        let (format, line) = given.number("format")?;
        if format != 1.0 {
            let error = Error::new(
                ErrorKind::Format,
                source_name,
                format!("format {format}"),
                "format 1",
                "use a newer version of this program, or write the recipe anew",
            );
            return Err(error.at_key("format").at_line(line.unwrap_or(1)));
        }
    }
    let name = match given.has("name") {
        true => given.words("name", &[])?.to_owned(),
        false => stem(source_name).to_owned(),
    };
    Ok(Recipe {
        name,
        source: given.words("source", &[])?.to_owned(),
        base: match given.words("base", &[])? {
            "flat" => Base::Flat,
            other => Base::Name(other.to_owned()),
        },
        base_line: given.line_of("base"),
        contours: contours(table, source_name, &line_at)?,
    })
}

fn contours(
    table: &DeTable<'_>,
    source_name: &str,
    line_at: &dyn Fn(usize) -> usize,
) -> Result<Vec<Contour>> {
    let Some((key, value)) = table.iter().find(|(key, _)| key.get_ref() == "contour") else {
        return Ok(Vec::new());
    };
    let refuse = |found: String| {
        Error::new(
            ErrorKind::Setting,
            source_name,
            found,
            format!("at most {MOST_CONTOURS} tables, each under its own [[contour]]"),
            "write [[contour]] above the keys of each contour",
        )
        .at_key("contour")
        .at_line(line_at(key.span().start))
    };
    let DeValue::Array(tables) = value.get_ref() else {
        return Err(refuse(format!(
            "a value of type {}",
            value.get_ref().type_str()
        )));
    };
    if tables.len() > MOST_CONTOURS {
        return Err(refuse(format!("{} contours", tables.len())));
    }
    let one = |entry: &toml::Spanned<DeValue<'_>>| {
        let DeValue::Table(keys) = entry.get_ref() else {
            return Err(refuse(format!(
                "a value of type {}",
                entry.get_ref().type_str()
            )));
        };
        let line = line_at(entry.span().start);
        Contour::from_settings(&Settings::of_table(
            keys,
            source_name,
            "contour.",
            line,
            line_at,
        ))
    };
    tables.iter().map(one).collect()
}

/// The name of a file without folders and endings.
pub(super) fn stem(source_name: &str) -> &str {
    let file = source_name
        .rsplit(['/', '\\'])
        .next()
        .unwrap_or(source_name);
    let ends = [".target.toml", ".toml", ".csv", ".txt"];
    ends.iter()
        .find_map(|end| file.strip_suffix(end))
        .unwrap_or(file)
}
