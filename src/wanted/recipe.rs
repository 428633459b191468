//! `NAME.target.toml`: a base and contours, with their source in words.
//!
//! ```toml
//! format = 1
//! name = "a little more bass"
//! source = "our own choice, no measurement behind it"
//! base = "diffuse-field"      # "flat", "measured" (what the unit has now), a target of the library, or a file
//!                             # beside this one: a curve, a WAV impulse response, a recipe, a NAME.unit.toml
//! side = "left"               # of a unit, where only one side is meant
//! variant = "wool"            # of a unit file with several
//!
//! [blend]                     # the base moved toward another, in dB; contours come on top of it
//! with = "gentle-slope"       # as base, with its own `side` and `variant`
//! share = 0.5                 # 0: all base, 1: all other
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
//!
//! [[contour]]
//! shape = "table"
//! points = [[100, 1.5], [1000, 0], [8000, -2]]   # Hz, dB; or file = "FILE.csv"
//! ```

use toml::de::{DeTable, DeValue};

use super::contour::{Contour, ContourEntry};
use super::setting::Settings;
use crate::digest::with_digest;
use crate::error::{Error, ErrorKind, Result};
use crate::filter::Section;
use crate::keys::{self, LARGEST_BYTES, Lines};
use crate::measurement::takes::Side;
use crate::measurement::text;
use crate::message::Number;
use crate::names::file_name;

/// More contours than anyone types, and few enough to evaluate in no time.
const MOST_CONTOURS: usize = 100;

const KEYS: [&str; 8] = [
    "format", "name", "source", "base", "side", "variant", "blend", "contour",
];
const BLEND_KEYS: [&str; 4] = ["with", "share", "side", "variant"];
const SIDES: [&str; 2] = ["left", "right"];

/// The base that is 0 dB everywhere.
pub const FLAT: &str = "flat";
/// The base that is what the unit has now.
pub const MEASURED: &str = "measured";

/// How a recipe that was written by this program begins.
pub const BEGINNING: &str = "# Target recipe";

/// What a recipe names: `flat`, `measured`, a target of the library, or a file; as written.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reference {
    /// The name.
    pub name: String,
    /// The side that is meant, of a unit.
    pub side: Option<Side>,
    /// The unit that is meant, of a unit file with several.
    pub variant: Option<String>,
    /// Lines of the three, for errors about them.
    pub lines: [Option<usize>; 3],
}

impl Reference {
    /// A plain name.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            ..Self::default()
        }
    }
}

/// A blend as written.
#[derive(Debug, Clone, PartialEq)]
pub struct BlendEntry {
    /// What the base is blended with.
    pub with: Reference,
    /// How far the base moves toward it, 0 to 1.
    pub share: f64,
}

/// A recipe as written; [`super::library::resolve`] finds what it names.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// Its name; without one, the file's.
    pub name: String,
    /// Where it comes from, in words.
    pub source: String,
    /// What it starts from.
    pub base: Reference,
    /// What the base is blended with.
    pub blend: Option<BlendEntry>,
    /// What is added to that, in the order written.
    pub contours: Vec<ContourEntry>,
}

/// Reads a recipe.
///
/// # Errors
/// With file, line and key: `Format` for no TOML or another format number, `Name` for unknown keys and shapes
/// (with the nearest spelling), `Setting` and `Number` for values.
pub fn parse_recipe(bytes: &[u8], source_name: &str) -> Result<Recipe> {
    if bytes.len() > LARGEST_BYTES {
        return Err(Error::new(
            ErrorKind::Format,
            source_name,
            format!("more than {} MB", LARGEST_BYTES >> 20),
            "a recipe, a page or two of TOML",
            "put long tables into files, and name them by `file`",
        ));
    }
    let text = text::decode(bytes, source_name)?;
    let lines = Lines::of(&text);
    let line_at = |at: usize| lines.line(at);
    let document = keys::parse(&text, source_name, &lines)?;
    let table = document.get_ref();
    let given = Settings::of_table(table, source_name, "", 1, &line_at);
    // Unknown keys before all else: what is missing may be there with another spelling.
    given.only(&KEYS)?;
    let blend = blend(table, source_name, &line_at)?;
    let contours = contours(table, source_name, &line_at)?;
    if given.has("format") {
        let (format, line) = given.number("format")?;
        if format != 1.0 {
            let error = Error::new(
                ErrorKind::Format,
                source_name,
                format!("format {}", Number(format)),
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
        base: reference(&given, "base")?,
        blend: blend.as_ref().map(blend_entry).transpose()?,
        contours: contours
            .iter()
            .map(ContourEntry::from_settings)
            .collect::<Result<_>>()?,
    })
}

/// What is named under `key`, with `side` and `variant` beside it.
fn reference(given: &Settings<'_>, key: &str) -> Result<Reference> {
    let side = match given.has("side") {
        false => None,
        true if given.words("side", &SIDES)? == "left" => Some(Side::Left),
        true => Some(Side::Right),
    };
    let variant = match given.has("variant") {
        true => Some(given.words("variant", &[])?.to_owned()),
        false => None,
    };
    Ok(Reference {
        name: given.words(key, &[])?.to_owned(),
        side,
        variant,
        lines: [key, "side", "variant"].map(|key| given.line_of(key)),
    })
}

/// The settings of `[blend]`, all of them known.
fn blend<'a>(
    table: &DeTable<'_>,
    source_name: &'a str,
    line_at: &dyn Fn(usize) -> usize,
) -> Result<Option<Settings<'a>>> {
    let Some((key, value)) = table.iter().find(|(key, _)| key.get_ref() == "blend") else {
        return Ok(None);
    };
    let line = line_at(key.span().start);
    let DeValue::Table(keys) = value.get_ref() else {
        let found = format!("a value of type {}", value.get_ref().type_str());
        let expected = "a table [blend] with the keys `with` and `share`";
        let next_step = "write [blend] above them";
        let error = Error::new(ErrorKind::Setting, source_name, found, expected, next_step);
        return Err(error.at_key("blend").at_line(line));
    };
    let given = Settings::of_table(keys, source_name, "blend.", line, line_at);
    given.only(&BLEND_KEYS)?;
    Ok(Some(given))
}

fn blend_entry(given: &Settings<'_>) -> Result<BlendEntry> {
    let with = reference(given, "with")?;
    let (share, line) = given.number("share")?;
    if !(0.0..=1.0).contains(&share) {
        return Err(given.refuse(
            "share",
            line,
            share,
            "a number from 0 (the base) to 1 (the other)",
        ));
    }
    Ok(BlendEntry { with, share })
}

/// The settings of each `[[contour]]`, all of them known.
fn contours<'a>(
    table: &DeTable<'_>,
    source_name: &'a str,
    line_at: &dyn Fn(usize) -> usize,
) -> Result<Vec<Settings<'a>>> {
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
        let given = Settings::of_table(keys, source_name, "contour.", line, line_at);
        ContourEntry::only_known(&given)?;
        Ok(given)
    };
    tables.iter().map(one).collect()
}

/// The text of a recipe; [`parse_recipe`] reads it back as it was.
#[must_use]
pub fn write_recipe(recipe: &Recipe) -> String {
    let mut text = format!(
        "{BEGINNING}, format 1: a base, what is blended into it, and contours on top. Plain TOML.\n\
         # Files are looked for beside this one. Levels are free: only the form counts.\n\
         format = 1\nname = {}\nsource = {}\nbase = {}\n",
        quoted(&recipe.name),
        quoted(&recipe.source),
        named(&recipe.base)
    );
    if let Some(blend) = &recipe.blend {
        text.push_str(&format!(
            "\n[blend]   # share: how far the base moves toward the other, in dB\nwith = {}\nshare = {}\n",
            named(&blend.with),
            Number(blend.share)
        ));
    }
    for contour in &recipe.contours {
        text.push_str("\n[[contour]]\n");
        text.push_str(&match contour {
            ContourEntry::Contour(contour) => keys_of(contour),
            ContourEntry::Table { file, .. } => {
                format!("shape = \"table\"\nfile = {}\n", quoted(file))
            }
        });
    }
    with_digest(text)
}

/// The value of a reference's key, and the lines below it.
fn named(reference: &Reference) -> String {
    let mut text = quoted(&reference.name);
    match reference.side {
        Some(Side::Left) => text.push_str("\nside = \"left\""),
        Some(Side::Right) => text.push_str("\nside = \"right\""),
        _ => {}
    }
    if let Some(variant) = &reference.variant {
        text.push_str(&format!("\nvariant = {}", quoted(variant)));
    }
    text
}

fn keys_of(contour: &Contour) -> String {
    match contour {
        Contour::Section(Section {
            shape,
            f0_hz,
            gain_db,
            q,
        }) => format!(
            "shape = \"{shape}\"\nf0_hz = {f0_hz}\ngain_db = {gain_db}\nq = {q}\n",
            f0_hz = Number(*f0_hz),
            gain_db = Number(*gain_db),
            q = Number(*q)
        ),
        Contour::Slope {
            db_per_octave,
            pivot_hz,
        } => format!(
            "shape = \"slope\"\ndb_per_octave = {db_per_octave}\npivot_hz = {pivot_hz}\n",
            db_per_octave = Number(*db_per_octave),
            pivot_hz = Number(*pivot_hz)
        ),
        Contour::Table { points, .. } => {
            let points = points.iter().map(|(f_hz, db)| {
                format!("[{f_hz}, {db}]", f_hz = Number(*f_hz), db = Number(*db))
            });
            let points = points.collect::<Vec<_>>().join(", ");
            format!("shape = \"table\"\npoints = [{points}]\n")
        }
    }
}

fn quoted(words: &str) -> String {
    toml::Value::String(words.to_owned()).to_string()
}

/// The name of a file without folders and endings.
pub(super) fn stem(source_name: &str) -> &str {
    let file = file_name(source_name);
    let ends = [".target.toml", ".toml", ".csv", ".txt", ".wav"];
    ends.iter()
        .find_map(|end| file.strip_suffix(end))
        .unwrap_or(file)
}
