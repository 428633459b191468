//! What was measured, as a fit takes it.

use crate::measurement::judge::Settings;
use crate::measurement::parse::Weight;
use crate::measurement::phase::BeyondEq;
use crate::measurement::smooth::Width;
use crate::measurement::takes::Take;

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
    /// Replaces the weights from trust and spread, when given, and the guard of the coupler's resonance with them.
    pub weight: Option<Weight>,
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
        }
    }
}
