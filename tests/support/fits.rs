//! Whole fits in one call: what was measured and what is wanted side by side, as tests vary both.

use bandwright::error::Result;
use bandwright::filter::Section;
use bandwright::fit::Effort;
use bandwright::fit::Stop;
use bandwright::headroom::Protection;
use bandwright::job::{FitBand, Measured, Outcome, Prepared, SourceBend, Start, Wish};
use bandwright::limits::{Limits, Setting};
use bandwright::measurement::judge::Settings;
use bandwright::measurement::parse::Weight;
use bandwright::measurement::phase::BeyondEq;
use bandwright::measurement::smooth::Width;
use bandwright::measurement::takes::Take;
use bandwright::wanted::{Contour, Target};

#[derive(Debug, Clone)]
pub struct FitRequest {
    pub unit: String,
    pub takes: Vec<Take>,
    pub judging: Settings,
    pub smoothing: Option<Width>,
    pub beyond_eq: Vec<BeyondEq>,
    pub weight: Option<Weight>,
    pub target: Option<Target>,
    pub contours: Vec<Contour>,
    pub limits: Limits,
    pub kept: [Vec<Section>; 2],
    pub start: Option<Start>,
    pub least_gain_db: Option<f64>,
    /// As [`Wish::this_ear`].
    pub this_ear: bool,
    pub as_good_db: f64,
    pub band: FitBand,
    pub source_bend: Option<SourceBend>,
    pub economy: f64,
    pub protection: Protection,
    pub most_loudness_loss_db: Option<f64>,
    pub effort: Effort,
}

impl FitRequest {
    pub fn new(unit: impl Into<String>, takes: Vec<Take>, limits: Limits) -> Self {
        Self {
            unit: unit.into(),
            takes,
            judging: Settings::default(),
            smoothing: None,
            beyond_eq: Vec::new(),
            weight: None,
            target: None,
            contours: Vec::new(),
            limits,
            kept: [Vec::new(), Vec::new()],
            start: None,
            least_gain_db: None,
            // Tests of the fit ask for the answer of least residual to what was measured.
            this_ear: true,
            as_good_db: 0.0,
            band: FitBand::default(),
            source_bend: None,
            // Little, since planted sections may work against each other.
            economy: 0.001,
            protection: Protection::default(),
            most_loudness_loss_db: None,
            effort: Effort::default(),
        }
    }
}

/// The standard limits without steps, for tests of what the search finds before numbers are typed.
pub fn without_steps() -> Limits {
    let standard = Limits::standard();
    let range = |setting: &Setting| Setting::Range {
        min: setting.min(),
        max: setting.max(),
    };
    Limits {
        f0_hz: range(&standard.f0_hz),
        gain_db: range(&standard.gain_db),
        q: range(&standard.q),
        shelf_q: range(&standard.shelf_q),
        preamp_db: Setting::Linear {
            min: -30.0,
            max: 0.0,
            step: 0.1,
        },
        ..standard
    }
}

/// One EQ for both sides.
pub fn run(request: &FitRequest) -> Result<Outcome> {
    fit(request, false)
}

/// One EQ for each side.
pub fn run_per_side(request: &FitRequest) -> Result<Outcome> {
    fit(request, true)
}

fn fit(request: &FitRequest, per_side: bool) -> Result<Outcome> {
    let request = request.clone();
    let prepared = Prepared::new(Measured {
        unit: request.unit,
        takes: request.takes,
        judging: request.judging,
        smoothing: request.smoothing,
        beyond_eq: request.beyond_eq,
        weight: request.weight,
        source_bend: request.source_bend,
    })?;
    let wish = Wish {
        target: request.target,
        contours: request.contours,
        per_side,
        this_ear: request.this_ear,
        ear_peak_hz: None,
        as_good_db: request.as_good_db,
        band: request.band,
        kept: request.kept,
        start: request.start,
        least_gain_db: request.least_gain_db,
        economy: request.economy,
        protection: request.protection,
        most_loudness_loss_db: request.most_loudness_loss_db,
    };
    prepared.fit(&wish, &request.limits, request.effort, &Stop::default())
}
