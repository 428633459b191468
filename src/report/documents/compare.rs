//! The document of `compare --json`. Its schema is made from these types ([`mod@super::schema`]).

use schemars::JsonSchema;
use serde::Serialize;

use crate::comparison::{Comparison, Exchange, Pair, UnitFigures};
use crate::error::WordedError;
use crate::knob::Names;
use crate::measurement::grid;
use crate::measurement::grid::OnGrid;
use crate::report::compare_text::{cautions, sentences};
use crate::report::files::WrittenFile;

/// The document of `compare --json`. Every object has all its fields; a figure that does not exist is `null`. Levels are dB
/// rounded to 0.0001, frequencies 0.001 Hz, shares and percentages 0.000001.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CompareDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `compare`.
    #[schemars(extend("const" = "compare"))]
    pub verb: &'static str,
    /// One comparison for each target, in the order given.
    pub comparisons: Vec<ComparisonPart<'a>>,
    /// The files that were written; empty where none were asked for.
    pub files: &'a [WrittenFile],
}

/// The units toward one target.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ComparisonPart<'a> {
    /// Name of the target.
    pub target: &'a str,
    /// Name of the limits.
    pub limits: &'a str,
    /// Most sections of a preset.
    pub most_sections: usize,
    /// The units, in the order of the report.
    pub units: Vec<UnitPart<'a>>,
    /// Every pair of units that have figures, by their places in `units`, counted from 0.
    pub pairs: &'a [Pair],
    /// What it comes to.
    pub verdict: VerdictPart<'a>,
    /// What it comes to with other tables of the same target; empty where there are none.
    pub other_tables: Vec<TablePart<'a>>,
    /// What exchanging one variant of a unit for another changes, for every two of them that have figures.
    pub exchanges: Vec<ExchangePart<'a>>,
    /// What to know before the figures: units without any, and levels that harm.
    pub cautions: Vec<String>,
}

/// What a comparison comes to with another table of its target.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TablePart<'a> {
    /// Name of the table.
    pub target: &'a str,
    /// The unit that takes EQ better than every other one that can be told of by it; `null` where none does.
    pub best: Option<&'a str>,
}

/// What exchanging one variant for another changes.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ExchangePart<'a> {
    /// The change.
    #[serde(flatten)]
    pub change: &'a Exchange,
    /// Whether three sections do the same, to 0.5 dB, whichever variant one has.
    pub three_sections_do_the_same: bool,
}

/// One unit.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct UnitPart<'a> {
    /// Its name.
    pub unit: &'a str,
    /// Its figures; `null` where it has none.
    pub figures: Option<&'a UnitFigures>,
    /// Why it has none; `null` where it has.
    pub error: Option<WordedError>,
    /// Its curves; `null` without figures.
    pub curves: Option<CompareCurves>,
}

/// Levels less the target, smoothed by the ear's width, their mean over what is judged removed, dB; `null` outside the data.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CompareCurves {
    /// Frequencies, Hz.
    pub frequency_hz: &'static [f64],
    /// The average without sections, dB; `null` outside the data.
    pub before_db: Vec<Option<f64>>,
    /// The average with them, dB; `null` outside the data.
    pub after_db: Vec<Option<f64>>,
    /// Lowest of all seatings that count, with the sections, dB; `null` outside the data.
    pub lowest_db: Vec<Option<f64>>,
    /// Highest of them, dB; `null` outside the data.
    pub highest_db: Vec<Option<f64>>,
}

/// What a comparison comes to.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct VerdictPart<'a> {
    /// The unit that takes EQ better than every other one that can be told of; `null` where none does.
    pub best: Option<&'a str>,
    /// The units of which too little is known: fewer than three sound seatings on a side.
    pub untold: Vec<&'a str>,
    /// The sentences of the report.
    pub text: Vec<String>,
}

/// The document of comparisons; `names` says what settings are called.
#[must_use]
pub fn compare_document<'a>(
    comparisons: &'a [Comparison],
    files: &'a [WrittenFile],
    names: Names<'_>,
) -> CompareDocument<'a> {
    CompareDocument {
        format: 1,
        verb: "compare",
        comparisons: comparisons.iter().map(|of| part(of, names)).collect(),
        files,
    }
}

fn part<'a>(comparison: &'a Comparison, names: Names<'_>) -> ComparisonPart<'a> {
    let units = comparison.units.iter().map(|unit| UnitPart {
        unit: &unit.unit,
        figures: unit.found.as_ref().ok(),
        error: unit.found.as_ref().err().map(|error| error.worded(names)),
        curves: unit.found.as_ref().ok().map(curves),
    });
    let name = |place: usize| comparison.units[place].unit.as_str();
    ComparisonPart {
        target: &comparison.target,
        limits: &comparison.limits,
        most_sections: comparison.most_sections,
        units: units.collect(),
        pairs: &comparison.pairs,
        verdict: VerdictPart {
            best: comparison.verdict.best.map(name),
            untold: comparison.verdict.untold.iter().map(|place| name(*place)).collect(),
            text: sentences(comparison),
        },
        other_tables: comparison
            .other_tables
            .iter()
            .map(|table| TablePart {
                target: &table.target,
                best: table.best.map(name),
            })
            .collect(),
        exchanges: comparison
            .exchanges
            .iter()
            .map(|change| ExchangePart {
                change,
                three_sections_do_the_same: change.sections_do_the_same(),
            })
            .collect(),
        cautions: cautions(comparison),
    }
}

fn curves(unit: &UnitFigures) -> CompareCurves {
    let known = |curve: &OnGrid| -> Vec<Option<f64>> {
        let at = |(i, db): (usize, &f64)| curve.support.contains(&i).then_some(*db);
        curve.level_db.iter().enumerate().map(at).collect()
    };
    let takes: Vec<Vec<Option<f64>>> = unit.curves.takes.iter().map(known).collect();
    let of_takes = |of: fn(f64, f64) -> f64| {
        let at = |i: usize| takes.iter().filter_map(|take| take[i]).reduce(of);
        (0..grid::POINTS).map(at).collect()
    };
    CompareCurves {
        frequency_hz: grid::frequency_hz(),
        before_db: known(&unit.curves.before),
        after_db: known(&unit.curves.after),
        lowest_db: of_takes(f64::min),
        highest_db: of_takes(f64::max),
    }
}
