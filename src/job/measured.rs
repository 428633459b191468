//! What was measured, as a fit takes it.

use crate::cost::drive::output_bend;
use crate::cost::source::Source;
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::impedance::ImpedanceByFrequency;
use crate::measurement::judge::Settings;
use crate::measurement::parse::Weight;
use crate::measurement::phase::BeyondEq;
use crate::measurement::smooth::Width;
use crate::measurement::takes::Take;

/// How a source bends the response that was measured without one: `|Z / (Z + R)|`, its mean taken out.
#[derive(Debug, Clone, PartialEq)]
pub struct SourceBend {
    /// Name of the source.
    pub source: String,
    /// Its output impedance `R`, ohms.
    pub output_ohm: f64,
    /// Change of the level at each point of the common grid, dB; beyond the impedance's data its last values.
    pub bend_db: Vec<f64>,
    /// Highest minus lowest, dB, 0 or more.
    pub range_db: f64,
    /// The largest deviation, dB with its sign.
    pub largest_db: f64,
    /// Frequency of that deviation, hertz.
    pub largest_hz: f64,
}

impl SourceBend {
    /// The bend of what `source` feeds; None where it bends nothing that is known: without output impedance, or for an
    /// impedance that is one number.
    #[must_use]
    pub fn of(source: &Source, impedance: &ImpedanceByFrequency) -> Option<Self> {
        if source.output_ohm <= 0.0 {
            return None;
        }
        let bend = output_bend(impedance, source.output_ohm).ok()?;
        let last = bend.frequency_hz.len() - 1;
        let held = |f_hz: &f64| {
            let at = bend.frequency_hz.partition_point(|known_hz| known_hz < f_hz);
            bend.bend_db[at.min(last)]
        };
        Some(Self {
            source: source.name.clone(),
            output_ohm: source.output_ohm,
            bend_db: grid::frequency_hz().iter().map(held).collect(),
            range_db: bend.range_db,
            largest_db: bend.largest_db,
            largest_hz: bend.largest_hz,
        })
    }

    /// The curve as this source drives it.
    #[must_use]
    pub fn bent(&self, curve: &OnGrid) -> OnGrid {
        let levels = curve.level_db.iter().zip(&self.bend_db);
        OnGrid {
            level_db: levels.map(|(level_db, bend_db)| level_db + bend_db).collect(),
            support: curve.support.clone(),
        }
    }
}

/// What was measured, and how it is read.
#[derive(Debug, Clone)]
pub struct Measured {
    /// Name of the unit.
    pub unit: String,
    /// Its takes.
    pub takes: Vec<Take>,
    /// How they are judged, and the rig they were measured with.
    pub judging: Settings,
    /// Smoothing of what is fitted, after the takes are judged and averaged; usually none.
    pub smoothing: Option<Width>,
    /// Where their phase shows what no equaliser can undo, if they have phase.
    pub beyond_eq: Vec<BeyondEq>,
    /// Replaces the weights from trust, when given, and with them what the rig's trust and the takes' spread forbid.
    pub weight: Option<Weight>,
    /// What the source in use does to the response. The takes are taken to be measured from one without output impedance.
    pub source_bend: Option<SourceBend>,
}

impl Measured {
    /// These takes, judged as usual, with nothing else known.
    #[must_use]
    pub fn new(unit: impl Into<String>, takes: Vec<Take>) -> Self {
        Self {
            unit: unit.into(),
            takes,
            judging: Settings::default(),
            smoothing: None,
            beyond_eq: Vec::new(),
            weight: None,
            source_bend: None,
        }
    }
}
