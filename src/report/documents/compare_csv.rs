//! Figures of a comparison as a table: `compare --csv`.

use crate::comparison::{Comparison, Figure, UnitFigures};

/// How the table begins, so that one is known again.
pub const COMPARE_CSV_BEGINNING: &str = "target,unit,seatings,leaking,";

/// One figure of a unit; None where it is not known.
type Of = fn(&UnitFigures) -> Option<f64>;

fn interval(figure: Option<&Figure>) -> Option<(f64, f64)> {
    figure?.interval_db
}

/// The columns after target and unit. A figure that is not known is an empty field.
const COLUMNS: [(&str, Of); 27] = [
    ("seatings", |unit| Some(unit.seal.of as f64)),
    ("leaking", |unit| Some(unit.seal.leaking as f64)),
    ("seal_spread_db", |unit| unit.seal.spread_db),
    ("steadiness_db", |unit| Some(unit.steadiness.as_ref()?.left_out.value_db)),
    ("steadiness_low_db", |unit| Some(interval(unit.steadiness.as_ref().map(|s| &s.left_out))?.0)),
    ("steadiness_high_db", |unit| Some(interval(unit.steadiness.as_ref().map(|s| &s.left_out))?.1)),
    ("resonance_db", |unit| Some(unit.steadiness.as_ref()?.apart?.value_db)),
    ("tail_db", |unit| Some(unit.tail.as_ref()?.error_db)),
    ("tail_within_1_db_share", |unit| Some(unit.tail.as_ref()?.within_1_db_share)),
    ("tail_within_3_db_share", |unit| Some(unit.tail.as_ref()?.within_3_db_share)),
    ("tail_loudest_db", |unit| Some(unit.tail.as_ref()?.loudest_db)),
    ("tail_loudest_hz", |unit| Some(unit.tail.as_ref()?.loudest_hz)),
    ("sides_db", |unit| Some(unit.sides.as_ref()?.apart.value_db)),
    ("sides_low_db", |unit| Some(interval(unit.sides.as_ref().map(|s| &s.apart))?.0)),
    ("sides_high_db", |unit| Some(interval(unit.sides.as_ref().map(|s| &s.apart))?.1)),
    ("other_ears_db", |unit| Some(unit.other_ears.as_ref()?.mean_db)),
    ("other_ears_worst_db", |unit| Some(unit.other_ears.as_ref()?.worst_db)),
    ("loudness_db", |unit| Some(unit.loudness.lost.value_db)),
    ("loudness_low_db", |unit| Some(interval(Some(&unit.loudness.lost))?.0)),
    ("loudness_high_db", |unit| Some(interval(Some(&unit.loudness.lost))?.1)),
    ("sections", |unit| Some(unit.preset.sections as f64)),
    ("sections_for_half_db", |unit| Some(unit.thrift.for_half_db? as f64)),
    ("sections_for_one_db", |unit| Some(unit.thrift.for_one_db? as f64)),
    ("level_dba", |unit| unit.level.most_dba),
    ("strain_percent", |unit| unit.strain.percent),
    ("narrowness_share", |unit| Some(unit.narrowness.share)),
    ("beyond_eq_share", |unit| Some(unit.beyond_eq.share)),
];

/// A row for each unit that has figures, toward each target; numbers to 0.0001.
#[must_use]
pub fn compare_csv(comparisons: &[Comparison]) -> Vec<u8> {
    let mut table = csv::Writer::from_writer(Vec::new());
    let names = ["target", "unit"].into_iter().chain(COLUMNS.map(|(name, _)| name));
    let mut rows = vec![names.map(str::to_owned).collect::<Vec<String>>()];
    for comparison in comparisons {
        rows.extend(comparison.known().map(|(_, unit)| {
            let cell = |(_, of): (&str, Of)| of(unit).map_or_else(String::new, rounded);
            let names = [comparison.target.clone(), unit.unit.clone()];
            names.into_iter().chain(COLUMNS.map(cell)).collect()
        }));
    }
    for row in rows {
        table.write_record(row).expect("rows of one length, written to memory");
    }
    table.into_inner().expect("written to memory")
}

fn rounded(value: f64) -> String {
    ((value * 1e4).round() / 1e4 + 0.0).to_string()
}
