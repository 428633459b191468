//! What the sections of a fit cost, with what is known of the unit, of what feeds it and of what is played.

use super::FitOutcome;
use super::per_side::{PerSideOutcome, SideOutcome};
use crate::error::Result;
use crate::filter::Section;
use crate::headroom::cost::{Cost, CostRequest, cost};
use crate::headroom::drive::WishedLevel;
use crate::headroom::exposure::{Field, FieldTable};
use crate::headroom::programme::{Programme, ProgrammeLevel};
use crate::headroom::source::Source;
use crate::measurement::OnGrid;
use crate::measurement::distorted::DistortionCurve;
use crate::measurement::impedance::ImpedanceByFrequency;
use crate::measurement::takes::Side;
use crate::measurement::unit_file::Sensitivity;

/// What a cost needs beside the fit; all that is `None` or empty is not known.
#[derive(Debug, Clone, PartialEq)]
pub struct Circumstances {
    /// What is played.
    pub programme: Programme,
    /// How high that stands.
    pub level: ProgrammeLevel,
    /// How loud the unit is.
    pub sensitivity: Option<Sensitivity>,
    /// Its impedance.
    pub impedance: Option<ImpedanceByFrequency>,
    /// Its measured distortion.
    pub distortion: Vec<DistortionCurve>,
    /// What feeds it.
    pub source: Option<Source>,
    /// A level that is wished for.
    pub wished: Option<WishedLevel>,
    /// The field that exposure refers to.
    pub field: Field,
    /// The table that leads there.
    pub table: FieldTable,
}

impl Default for Circumstances {
    /// Pink noise with peaks at full scale, and nothing known.
    fn default() -> Self {
        Self {
            programme: Programme::pink(),
            level: ProgrammeLevel::usual(),
            sensitivity: None,
            impedance: None,
            distortion: Vec::new(),
            source: None,
            wished: None,
            field: Field::default(),
            table: FieldTable::default(),
        }
    }
}

/// What one EQ for both sides costs, at the rate of the fit.
///
/// # Errors
/// As [`cost`].
pub fn cost_of_fit(outcome: &FitOutcome, known: &Circumstances) -> Result<Cost> {
    of(outcome, None, known)
}

/// What each side's EQ costs, left and then right: each at the sensitivity of the unit, loudness that of both together.
///
/// # Errors
/// As [`cost`].
pub fn cost_of_sides(outcome: &PerSideOutcome, known: &Circumstances) -> Result<[Cost; 2]> {
    let [left, right] = &outcome.sides;
    let of_side = |side: &SideOutcome, other: &SideOutcome| {
        of(&side.fit, Some((side.side, &other.fit.sections)), known)
    };
    Ok([of_side(left, right)?, of_side(right, left)?])
}

fn of(
    outcome: &FitOutcome,
    side: Option<(Side, &[Section])>,
    known: &Circumstances,
) -> Result<Cost> {
    let response = OnGrid {
        level_db: outcome.curves.measured_db.clone(),
        support: outcome.curves.measured_support.clone(),
    };
    cost(&CostRequest {
        sections: &outcome.sections,
        rate_hz: outcome.rates_hz[0],
        preamp_db: outcome.headroom.preamp_db,
        programme: &known.programme,
        level: known.level,
        response: &response,
        sensitivity: known.sensitivity,
        impedance: known.impedance.as_ref(),
        source: known.source.as_ref(),
        wished: known.wished,
        field: known.field,
        table: known.table,
        distortion: &known.distortion,
        side,
        listening_db_spl: None,
    })
}
