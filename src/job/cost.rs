//! What the sections of a fit cost, with what is known of the unit, of what feeds it and of what is played.

use super::{Channel, Outcome};
use crate::cost::drive::WishedLevel;
use crate::cost::heard::Heard;
use crate::cost::exposure::{Field, FieldTable};
use crate::cost::programme::{Programme, ProgrammeLevel};
use crate::cost::source::Source;
use crate::cost::{Cost, CostRequest, cost};
use crate::error::Result;
use crate::filter::Section;
use crate::measurement::OnGrid;
use crate::measurement::distorted::DistortionCurve;
use crate::measurement::impedance::ImpedanceByFrequency;
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

/// What each channel's EQ costs, at the rate of the fit and at the sensitivity of the unit; loudness is that of all
/// channels together.
///
/// # Errors
/// As [`cost`].
pub fn cost_of(outcome: &Outcome, known: &Circumstances) -> Result<Vec<Cost>> {
    let shared = &outcome.shared;
    let sections: Vec<&[Section]> =
        outcome.channels.iter().map(|channel| &channel.sections[..]).collect();
    let (rate_hz, preamp_db) = (shared.rates_hz[0], shared.headroom.preamp_db);
    let heard = Heard::new(&shared.ear.unit, &shared.ear.rig, &known.programme, rate_hz)?
        .change(&sections, rate_hz, preamp_db);
    let channels = outcome.channels.iter();
    let of = |channel: &Channel| {
        let mut others = outcome.channels.iter();
        let other = others.find(|other| other.side != channel.side);
        let other = other.map_or(&[][..], |other| &other.sections);
        // The cost brings the source in by itself.
        let measured_db = channel.curves.measured_db.iter();
        let unbent_db = match &outcome.shared.source_bend {
            Some(bend) => measured_db.zip(&bend.bend_db).map(|(db, bend_db)| db - bend_db).collect(),
            None => measured_db.copied().collect(),
        };
        let response = OnGrid {
            level_db: unbent_db,
            support: channel.curves.measured_support.clone(),
        };
        cost(&CostRequest {
            sections: &channel.sections,
            rate_hz,
            preamp_db,
            heard: Some(heard),
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
            side: channel.side.map(|side| (side, other)),
            listening_db_spl: None,
        })
    };
    channels.map(of).collect()
}
