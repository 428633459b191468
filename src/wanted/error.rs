//! What can be at fault with what is wanted.

use crate::error::fault::{Show, faults};
use crate::error::value::{Band, OutOfRange};
use crate::measurement::takes::Side;
use crate::message::excerpt;

/// What two curves that are compared must share.
const OCTAVE: &str = "at least one octave in common";

/// What to do about recipes that stand on too many others.
const STAND: &str = "let the last recipe stand on a curve, a library target or `flat`";

faults! { WantedFault, names;
    /// What a target and a measurement cover, with less than an octave in common.
    TargetApart(target: Band, measured: Band) => Coverage,
        "a target from {target} for a measurement from {measured}",
        (OCTAVE),
        "choose a target that covers what was measured";
    /// What two curves cover, with less than an octave in common.
    CurvesApart(one: Band, other: Band) => Coverage,
        "{one} and {other}",
        (OCTAVE),
        "compare curves that cover the same range";
    /// What a target covers, and what the one called so covers that it is to be blended with.
    BlendApart(own: Band, other: Band, name: String) => Coverage,
        "{own}, to be blended with {other} of {name}",
        (OCTAVE),
        "choose a target that covers the same range";
    /// A recipe of more bytes than any has; the most.
    RecipeTooLarge(most_bytes: usize) => Format,
        (format!("more than {} MB", most_bytes >> 20)),
        "a recipe, a page or two of TOML",
        "put long tables into files, and name them by `file`";
    /// A table both in the recipe and in a file.
    FileBesidePoints => Setting,
        "a file beside points",
        "either `points` or `file`",
        "keep one of them";
    /// Points of a table, and the most.
    TooManyPoints(points: usize, most: usize) => Setting,
        "{points} points",
        "at most {most}",
        "put them into a file, and name it by `file`";
    /// Points of a table in a file, and the most.
    TooManyPointsOfFile(points: usize, most: usize) => Setting,
        "{points} points",
        "at most {most} points of a table",
        "export fewer points, or name the curve as the base";
    /// A table of so many points that is none.
    Table(points: usize, fault: TableFault) => Setting,
        (fault.point().map_or(format!("{points} points"), |(f_hz, db)| {
            format!("the point [{}, {}]", f_hz.show(), db.show())
        })),
        "{fault}",
        "correct the points";
    /// The same in a file.
    TableOfFile(fault: TableFault) => Setting,
        (fault.point().map_or("this file".to_owned(), |(f_hz, db)| {
            format!("{} dB at {} Hz", db.show(), f_hz.show())
        })),
        "{fault}",
        "a table holds changes in dB; name a curve of levels as the base";
    /// The file of a contour that must stand alone.
    ContourFile(file: String) => Setting,
        "the file `{file}`",
        "a contour without files",
        "write the points out, such as points=100:1.5/1000:0";
    /// More files that stand on each other than any recipe needs; the most.
    TooManyFiles(most: usize) => Setting,
        "more than {most} files that stand on each other",
        "at most {most}",
        (STAND);
    /// Recipes that stand on each other in a circle, or too deep, and on how many others one may stand.
    Circle(recipes: Vec<String>, deepest: usize) => Setting,
        (recipes.iter().map(|name| excerpt(name)).collect::<Vec<_>>().join(" on ")),
        "recipes on at most {deepest} others, and never on themselves",
        (STAND);
    /// A side of what is no unit, by its name.
    SideOfNoUnit(side: Side, name: String) => Setting,
        "the {side} of `{name}`, which is no unit",
        "a NAME.unit.toml",
        "name a unit file, or leave `side` out";
    /// A variant of what is no unit, by its name.
    VariantOfNoUnit(variant: String, name: String) => Setting,
        "`{variant}` of `{name}`, which is no unit",
        "a NAME.unit.toml",
        "name a unit file, or leave `variant` out";
    /// A side that the unit called so has no takes of, and one that it has.
    NoTakeOfSide(side: Side, unit: String, other: Side) => Name,
        "no take of the {side} of {unit}",
        "a side that was measured",
        "it has takes of the {other}";
    /// The units of a file, of which none was chosen.
    NoVariant(units: Vec<String>) => Setting,
        (format!("{} units and no variant", units.len())),
        (format!("one of {}", quoted(units))),
        "choose one of them";
}

fn quoted(names: &[String]) -> String {
    let names = names.iter().map(|name| format!("`{}`", excerpt(name)));
    names.collect::<Vec<_>>().join(", ")
}

/// Why points are no table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TableFault {
    /// Fewer than two.
    TooFew,
    /// A point, frequency in hertz and level in dB, whose frequency is not above the one before.
    Order(f64, f64),
    /// Frequency in hertz of a point, and its level.
    Level(f64, OutOfRange),
}

impl TableFault {
    /// The point at fault.
    #[must_use]
    pub fn point(&self) -> Option<(f64, f64)> {
        match self {
            Self::TooFew => None,
            Self::Order(f_hz, db) => Some((*f_hz, *db)),
            Self::Level(f_hz, level) => Some((*f_hz, level.found)),
        }
    }
}

impl Show for TableFault {
    fn show(&self) -> String {
        match self {
            Self::TooFew => "two points or more".to_owned(),
            Self::Order(..) => "frequencies above 0 Hz that increase".to_owned(),
            Self::Level(_, level) => level.expected(),
        }
    }
}
