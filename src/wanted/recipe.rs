//! Recipes, `NAME.target.toml`: a base and contours, with a note on their source.
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

use super::contour::{Contour, ContourEntry};
use super::error::WantedFault;
use crate::digest::with_digest;
use crate::error::value::{NameOf, Quantity, ValueFault};
use crate::error::{Error, Result};
use crate::filter::Section;
use crate::keys::{self, LARGEST_BYTES, Table, Value};
use crate::measurement::takes::Side;
use crate::measurement::text;
use crate::message::Number;
use crate::names::file_name;

/// Most contours of a recipe. Our choice: more than anyone types, and still quick to evaluate.
const MOST_CONTOURS: usize = 100;

const KEYS: [&str; 8] = [
    "format", "name", "source", "base", "side", "variant", "blend", "contour",
];
const BLEND_KEYS: [&str; 4] = ["with", "share", "side", "variant"];

/// The name of the base that is 0 dB everywhere.
pub const FLAT: &str = "flat";
/// The name of the base that is the unit's present response.
pub const MEASURED: &str = "measured";

/// First words of a recipe that was written by this program.
pub const BEGINNING: &str = "# Target recipe";

/// A reference to a target, as written: `flat`, `measured`, a target of the library, or a file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reference {
    /// The name.
    pub name: String,
    /// The side of a unit; None: both.
    pub side: Option<Side>,
    /// The unit in a file with several units.
    pub variant: Option<String>,
    /// Lines of name, side and variant, for errors about them.
    pub lines: [Option<usize>; 3],
}

impl Reference {
    /// A reference with a name only.
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
    /// The target with which the base is blended.
    pub with: Reference,
    /// How far the base moves towards it, 0 to 1.
    pub share: f64,
}

/// A recipe as written; [`super::library::resolve`] finds the targets to which it refers.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// Its name; if it states none, that of the file.
    pub name: String,
    /// Its source, in words.
    pub source: String,
    /// The base.
    pub base: Reference,
    /// The blend with another target, if any.
    pub blend: Option<BlendEntry>,
    /// The contours on top, in the order written.
    pub contours: Vec<ContourEntry>,
}

/// Reads a recipe.
///
/// # Errors
/// With file, line and key: `Format` if the text is not TOML or has another format number, `Name` for unknown keys and
/// shapes (with the nearest known name), `Setting` and `Number` for faulty values.
pub fn parse_recipe(bytes: &[u8], source_name: &str) -> Result<Recipe> {
    if bytes.len() > LARGEST_BYTES {
        return Err(Error::of(
            WantedFault::RecipeTooLarge(LARGEST_BYTES),
            source_name,
        ));
    }
    let text = text::decode(bytes, source_name)?;
    keys::read_text(&text, source_name, &KEYS, |top| {
        // Unknown keys are reported first, since a key that seems to be missing may be misspelt.
        let blend = top.optional("blend").map(|blend| blend.as_table());
        let blend = blend.transpose()?;
        if let Some(blend) = &blend {
            blend.only(&BLEND_KEYS)?;
        }
        let contours = contours(top)?;
        if top.optional("format").is_some() {
            top.format_1()?;
        }
        let name = match top.optional("name") {
            Some(name) => name.string()?,
            None => stem(source_name).to_owned(),
        };
        Ok(Recipe {
            name,
            source: top.required("source")?.string()?,
            base: reference(top, "base")?,
            blend: blend.as_ref().map(blend_entry).transpose()?,
            contours: contours
                .iter()
                .map(ContourEntry::read)
                .collect::<Result<_>>()?,
        })
    })
}

/// The reference under `key`, with the `side` and `variant` beside it.
fn reference(given: &Table<'_>, key: &str) -> Result<Reference> {
    let (side, variant) = (given.optional("side"), given.optional("variant"));
    let name = given.required(key)?;
    let line = |value: &Option<Value<'_>>| value.as_ref().and_then(Value::line);
    Ok(Reference {
        lines: [name.line(), line(&side), line(&variant)],
        side: side
            .map(|side| side.one_called(NameOf::Side, &Side::BOTH, Side::name))
            .transpose()?,
        variant: variant.map(|variant| variant.string()).transpose()?,
        name: name.string()?,
    })
}

fn blend_entry(given: &Table<'_>) -> Result<BlendEntry> {
    let with = reference(given, "with")?;
    let value = given.required("share")?;
    let share = value.number()?;
    if !(0.0..=1.0).contains(&share) {
        let fault = ValueFault::out_of_range(Quantity::Share, share, (0.0, 1.0));
        return Err(value.error(fault));
    }
    Ok(BlendEntry { with, share })
}

/// The tables `[[contour]]`, checked for unknown keys.
fn contours<'a>(top: &Table<'a>) -> Result<Vec<Table<'a>>> {
    let Some(contours) = top.optional("contour") else {
        return Ok(Vec::new());
    };
    contours.at_most(MOST_CONTOURS, "contours")?;
    let one = |contour: Value<'a>| {
        let given = contour.called("contour").as_table()?;
        ContourEntry::only_known(&given).map(|()| given)
    };
    contours.items()?.into_iter().map(one).collect()
}

/// The recipe as text; [`parse_recipe`] reads it back unchanged.
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

/// The value of a reference's key, followed by the lines of its side and variant.
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

/// The name of a file without folders and known endings.
pub(super) fn stem(source_name: &str) -> &str {
    let file = file_name(source_name);
    let ends = [".target.toml", ".toml", ".csv", ".txt", ".wav"];
    ends.iter()
        .find_map(|end| file.strip_suffix(end))
        .unwrap_or(file)
}
