//! The faults of stage 2, with their words.

use crate::error::fault::{Show, faults};
use crate::error::value::{Band, OutOfRange};
use crate::measurement::takes::Side;
use crate::message::excerpt;

/// What compared curves must share.
const OCTAVE_IN_COMMON: &str = "at least one octave in common";

/// Advice for recipes with too many bases below each other.
const BASE_ADVICE: &str = "let the last recipe stand on a curve, a library target or `flat`";

faults! { WantedFault, names;
    /// Bands of a target and of a measurement that share less than an octave.
    TargetApart(target: Band, measured: Band) => Coverage,
        "a target from {target} for a measurement from {measured}",
        (OCTAVE_IN_COMMON),
        "choose a target that covers what was measured";
    /// Bands of two curves that share less than an octave.
    CurvesApart(one: Band, other: Band) => Coverage,
        "{one} and {other}",
        (OCTAVE_IN_COMMON),
        "compare curves that cover the same range";
    /// Band of a target, and band and name of the one to blend it with.
    BlendApart(own: Band, other: Band, name: String) => Coverage,
        "{own}, to be blended with {other} of {name}",
        (OCTAVE_IN_COMMON),
        "choose a target that covers the same range";
    /// A recipe with more bytes than are read; the most.
    RecipeTooLarge(most_bytes: usize) => Format,
        (format!("more than {} MB", most_bytes >> 20)),
        "a recipe, a page or two of TOML",
        "put long tables into files, and name them by `file`";
    /// A table given both in the recipe and in a file.
    FileBesidePoints => Setting,
        "a file beside points",
        "either `points` or `file`",
        "keep one of them";
    /// Number of points of a table, and the most allowed.
    TooManyPoints(points: usize, most: usize) => Setting,
        "{points} points",
        "at most {most}",
        "put them into a file, and name it by `file`";
    /// Number of points of a table in a file, and the most allowed.
    TooManyPointsOfFile(points: usize, most: usize) => Setting,
        "{points} points",
        "at most {most} points of a table",
        "export fewer points, or name the curve as the base";
    /// A faulty table: its number of points and the fault.
    Table(points: usize, fault: TableFault) => Setting,
        (fault.point().map_or(format!("{points} points"), |(f_hz, db)| {
            format!("the point [{}, {}]", f_hz.show(), db.show())
        })),
        "{fault}",
        "correct the points";
    /// A faulty table in a file.
    TableOfFile(fault: TableFault) => Setting,
        (fault.point().map_or("this file".to_owned(), |(f_hz, db)| {
            format!("{} dB at {} Hz", db.show(), f_hz.show())
        })),
        "{fault}",
        "a table holds changes in dB; name a curve of levels as the base";
    /// The file of a contour where none is allowed.
    ContourFile(file: String) => Setting,
        "the file `{file}`",
        "a contour without files",
        "write the points out, such as points=100:1.5/1000:0";
    /// More files named by one recipe, directly or through others, than are opened; the most.
    TooManyFiles(most: usize) => Setting,
        "more than {most} files that stand on each other",
        "at most {most}",
        (BASE_ADVICE);
    /// Recipes whose bases form a circle, or are nested too deeply; the deepest nesting that is read.
    Circle(recipes: Vec<String>, deepest: usize) => Setting,
        (recipes.iter().map(|name| excerpt(name)).collect::<Vec<_>>().join(" on ")),
        "recipes on at most {deepest} others, and never on themselves",
        (BASE_ADVICE);
    /// A side of a target that is not a unit; its name.
    SideOfNoUnit(side: Side, name: String) => Setting,
        "the {side} of `{name}`, which is no unit",
        "a NAME.unit.toml",
        "name a unit file, or leave `side` out";
    /// A variant of a target that is not a unit; its name.
    VariantOfNoUnit(variant: String, name: String) => Setting,
        "`{variant}` of `{name}`, which is no unit",
        "a NAME.unit.toml",
        "name a unit file, or leave `variant` out";
    /// A side of which the unit has no takes, the unit's name, and a side that it has.
    NoTakeOfSide(side: Side, unit: String, other: Side) => Name,
        "no take of the {side} of {unit}",
        "a side that was measured",
        "it has takes of the {other}";
    /// Names of the units of a file with several, of which none was chosen.
    NoVariant(units: Vec<String>) => Setting,
        (format!("{} units and no variant", units.len())),
        (format!("one of {}", quoted(units))),
        "choose one of them";
}

fn quoted(names: &[String]) -> String {
    let names = names.iter().map(|name| format!("`{}`", excerpt(name)));
    names.collect::<Vec<_>>().join(", ")
}

/// The fault of a table's points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TableFault {
    /// Fewer than two points.
    TooFew,
    /// A point (hertz, dB) whose frequency is not above the one before.
    Order(f64, f64),
    /// The frequency (hertz) of a point, and its level outside the range.
    Level(f64, OutOfRange),
}

impl TableFault {
    /// The point at fault, hertz and dB.
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
