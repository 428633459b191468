//! The record of everything a fit found.

use std::ops::Range;

use super::measured::SourceBend;
use crate::caution::Caution;
use crate::cost::heard::{Ear, HeardChange};
use crate::cost::loudness::LoudnessChange;
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Knob, Result};
use crate::filter::{QMeaning, Section};
use crate::fit::{Effort, Freedom};
use crate::headroom::{Headroom, Protection};
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::JudgedTake;
use crate::measurement::smooth::Width;
use crate::measurement::spread::SpreadFigures;
use crate::measurement::takes::Side;
use crate::wanted::difference::level_at_hz;

/// Everything a fit found, ready for a sheet, a report or a plot. All curves have one value a grid point.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// What all channels share.
    pub shared: Shared,
    /// One EQ for both sides, or left and then right.
    pub channels: Vec<Channel>,
}

/// What all channels share: residuals and objective are those of all together, at the level they share.
#[derive(Debug, Clone, PartialEq)]
pub struct Shared {
    /// Name of the unit, from its file or its unit file.
    pub unit: String,
    /// Names of the takes that were averaged, each side's to its own mean where each has an EQ of its own.
    pub takes: Vec<String>,
    /// The takes that were set aside, and why.
    pub set_aside: Vec<JudgedTake>,
    /// What was fitted is what other ears are expected to get; None where it is what this one ear got.
    pub other_ears: Option<OtherEars>,
    /// What the source in use does to the response, where that is known; the curves have it.
    pub source_bend: Option<SourceBend>,
    /// Smoothing of what was fitted.
    pub smoothing: Option<Width>,
    /// Name of the target, with its contours.
    pub target: String,
    /// Where the target comes from, in words.
    pub target_source: String,
    /// Name of the limits.
    pub limits: String,
    /// All rates of the limits; the fit was made at the first.
    pub rates_hz: Vec<f64>,
    /// Where sections were given instead of searched for: what of them was free to change.
    pub start: Option<Freedom>,
    /// Where as few sections as needed were asked for: how many that is a channel. None: as many as allowed.
    pub enough: Option<Enough>,
    /// What the sections need before them, the worst of the channels.
    pub headroom: Headroom,
    /// What the preamp of that protects against.
    pub protection: Protection,
    /// How loud pink noise then is beside no EQ as a signal (ITU-R BS.1770), all channels together.
    pub loudness: LoudnessChange,
    /// How loud pink noise is then heard beside no EQ, all channels together.
    pub heard: HeardChange,
    /// The unit that it is heard through: what was fitted of it.
    pub ear: Ear,
    /// Where no more loss of loudness than so much was wished: what it took.
    pub loudness_wish: Option<LoudnessWish>,
    /// Before and after, at the rate of the fit.
    pub residual: BeforeAfter,
    /// Weighted residual at each of `rates_hz`, dB.
    pub residual_by_rate_db: Vec<f64>,
    /// Left minus right in level, beside what is wanted; None for one EQ for both.
    pub level_difference: Option<LevelDifference>,
    /// The objective J: squared weighted residual plus the economy term, the mean of the channels', dB^2.
    pub objective_db2: f64,
    /// The economy ratio E, 1 or more: how much the sections work against each other.
    pub economy_ratio: f64,
    /// How the answer was searched for.
    pub search: SearchReport,
    /// Where trust is 0.7 or more and there is data: lowest and highest frequency. None where nothing is trusted.
    pub trusted_band_hz: Option<(f64, f64)>,
    /// The band that the coupler's resonance distorts, hertz; None where that is not known.
    pub coupler_hz: Option<(f64, f64)>,
    /// Bands of a graphic equaliser, hertz, rising; empty for other equalisers.
    pub bands_hz: Vec<f64>,
    /// The curves that the channels share.
    pub curves: SharedCurves,
    /// What the reader should know first.
    pub cautions: Vec<Caution>,
}

/// One set of sections, and what it does.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Left or right; None for one EQ for both.
    pub side: Option<Side>,
    /// Names of the takes in its mean.
    pub takes: Vec<String>,
    /// The sections in frequency order.
    pub sections: Vec<Section>,
    /// Which of them were kept as they were, counted from 0.
    pub kept: Vec<usize>,
    /// What the equaliser calls the q of each; None where that is the cookbook's.
    pub typed_q: Vec<Option<TypedQ>>,
    /// Bands of a graphic equaliser that stay at 0 dB, hertz, rising; empty for other equalisers.
    pub idle_bands_hz: Vec<f64>,
    /// Before and after, at the rate of the fit and the level that channels share.
    pub residual: BeforeAfter,
    /// What each of its takes is left with, in the order in which takes are judged.
    pub take_residuals: Vec<TakeResidual>,
    /// Weighted residual at each rate, dB.
    pub residual_by_rate_db: Vec<f64>,
    /// Its objective J, dB^2.
    pub objective_db2: f64,
    /// Its economy ratio E, 1 or more.
    pub economy_ratio: f64,
    /// How it was searched for.
    pub search: SearchReport,
    /// J and residual of the best answer for 0 to N sections, before steps.
    pub reach: Vec<ReachPoint>,
    /// Its curves.
    pub curves: ChannelCurves,
}

impl Outcome {
    /// Shifts the measured and the equalised curves so that each meets the target at `frequency_hz`, for those who want to
    /// see them so. Levels are free, so no figure changes.
    ///
    /// # Errors
    /// `Coverage` where the curves have no data there.
    pub fn align_at(&mut self, frequency_hz: f64) -> Result<()> {
        let support = &self.shared.curves.support;
        let at = |level_db: &[f64]| {
            let curve = OnGrid {
                level_db: level_db.to_vec(),
                support: support.clone(),
            };
            level_at_hz(&curve, frequency_hz)
        };
        for Channel { curves, .. } in &mut self.channels {
            let levels = (
                at(&curves.measured_db),
                at(&curves.equalised_db),
                at(&curves.target_db),
            );
            let (Some(measured_db), Some(equalised_db), Some(target_db)) = levels else {
                let band_hz = grid::band_hz(support);
                let fault = ValueFault::out_of_range(Quantity::Alignment, frequency_hz, band_hz);
                return Err(Error::of(fault, Knob::AlignHz));
            };
            let shift =
                |curve: &mut [f64], by_db: f64| curve.iter_mut().for_each(|db| *db += by_db);
            shift(&mut curves.measured_db, target_db - measured_db);
            shift(&mut curves.expected_db, target_db - measured_db);
            shift(&mut curves.equalised_db, target_db - equalised_db);
        }
        self.shared.curves.aligned_at_hz = Some(frequency_hz);
        Ok(())
    }

    /// How far the takes repeat; None where the spread is unknown.
    #[must_use]
    pub fn spread(&self) -> Option<SpreadFigures> {
        let curves = &self.shared.curves;
        let spread_db = curves.spread_db.as_deref()?;
        SpreadFigures::of(spread_db, &curves.support, self.shared.trusted_band_hz)
    }

    /// Whether any channel has a section.
    #[must_use]
    pub fn has_sections(&self) -> bool {
        self.channels
            .iter()
            .any(|channel| !channel.sections.is_empty())
    }
}

/// The curve that was fitted is an expectation over ears and seats (see `measurement::expected`).
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct OtherEars {
    /// Standard deviation of what the takes themselves moved, octaves, 0 or more: so much less remains to be expected.
    #[schemars(range(min = 0.0))]
    pub moved_octaves: f64,
    /// Where the listener's own resonance lies, Hz, to which the curve was moved; none (`null`) for all ears.
    pub peak_hz: Option<f64>,
}

/// Residuals, the level that makes them least removed, dB rms.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Residual {
    /// With the weights of the fit, dB rms, 0 or more.
    #[schemars(range(min = 0.0))]
    pub weighted_db: f64,
    /// Unweighted over the trusted band, its level refitted there, dB rms, 0 or more; none (`null`) where nothing is
    /// trusted.
    #[schemars(range(min = 0.0))]
    pub trusted_band_db: Option<f64>,
}

/// The residual without any section and with all of them.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct BeforeAfter {
    /// Without sections.
    pub before: Residual,
    /// With the sections.
    pub after: Residual,
}

/// What one seating gets: a take as it was measured, with the sections, against the target; its level removed.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct TakeResidual {
    /// Name of the take.
    pub take: String,
    /// Without sections, with the weights of the fit, dB rms, 0 or more.
    #[schemars(range(min = 0.0))]
    pub before_db: f64,
    /// With the sections, with the same weights, dB rms, 0 or more.
    #[schemars(range(min = 0.0))]
    pub after_db: f64,
    /// Frequency of the largest weighted deviation with the sections, Hz.
    pub worst_hz: f64,
    /// The deviation there, dB: positive is too loud.
    pub worst_db: f64,
    /// The deviation with the sections over frequency, Hz and dB. Not in the document, which tells figures of takes only.
    #[serde(skip)]
    pub residual_db: Vec<(f64, f64)>,
}

/// A wish for little loss of loudness, and what it costs.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct LoudnessWish {
    /// The most loss of loudness that was wished, dB, 0 or more.
    pub most_loss_db: f64,
    /// The best fit without the wish.
    pub without: TradeOffPoint,
    /// Fits that no other one found beats in both loss and residual, by rising loss.
    pub trade_off: Vec<TradeOffPoint>,
}

/// What a fit loses and leaves.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct TradeOffPoint {
    /// How much quieter it plays than no EQ, preamp and all, dB.
    pub loudness_loss_db: f64,
    /// Its preamp, dB, 0 or less.
    #[schemars(range(max = 0.0))]
    pub preamp_db: f64,
    /// Its weighted residual, dB rms, 0 or more.
    #[schemars(range(min = 0.0))]
    pub residual_db: f64,
}

/// A q as one types it in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TypedQ {
    /// The number.
    pub q: f64,
    /// What it means.
    pub meaning: QMeaning,
}

/// How many sections are enough.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Enough {
    /// One more, however many more, would lower the residual by less than this each, dB.
    pub least_gain_db: f64,
    /// So many sections were allowed, kept ones counted.
    pub sections: usize,
}

/// The best answer for one count of sections.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct ReachPoint {
    /// The count of sections allowed.
    pub sections: usize,
    /// Weighted residual, dB rms, 0 or more.
    #[schemars(range(min = 0.0))]
    pub residual_db: f64,
    /// The objective J, dB^2, 0 or more.
    pub objective_db2: f64,
}

/// How the answer was searched for and how certain it is.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct SearchReport {
    /// Evaluations of the objective.
    pub evaluations: u64,
    /// Local solutions computed.
    pub polishes: u64,
    /// Walks through structures after the first of each search.
    pub restarts: u64,
    /// Independent searches.
    pub searches: u64,
    /// How many of them ended at this answer.
    pub agreeing: u64,
    /// True when the answer leaves nothing to gain, so that a longer search cannot find a better one.
    pub exact: bool,
    /// True when it leaves nothing that is worth gaining at this effort.
    pub enough: bool,
    /// How long it was searched for.
    pub effort: Effort,
    /// Why the search stopped, in words.
    pub stop: String,
}

/// Weighted mean of the left side's residual less that of the right side's, dB: positive where left is too loud beside
/// right. Half of it is part of either side's residual; sections mend it only by being very broad.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct LevelDifference {
    /// Without sections, dB.
    pub before_db: f64,
    /// With them, dB.
    pub after_db: f64,
}

/// Curves of all channels on the common grid (`measurement::grid`), one value a grid point.
#[derive(Debug, Clone, PartialEq)]
pub struct SharedCurves {
    /// Where measured and equalised were made to meet the target, hertz; None for the weighted means.
    pub aligned_at_hz: Option<f64>,
    /// Grid points that both the curves and the target cover; values outside mean nothing but for `sections_db`.
    pub support: Range<usize>,
    /// Standard deviation of the takes; None when unknown.
    pub spread_db: Option<Vec<f64>>,
    /// Trust in the rig, 0..1.
    pub trust: Vec<f64>,
    /// Weight of the fit, 0 or more; given weights are scaled so that the largest is 1.
    pub weight: Vec<f64>,
}

/// Curves of one channel on the same grid.
///
/// Levels are aligned so that the weighted mean of measured minus target, over all channels, is 0 dB, and likewise of
/// equalised minus target.
///
/// [`Outcome::align_at`] pins them elsewhere.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelCurves {
    /// Grid points that the curve covers, whatever the target does: `measured_db` holds there.
    pub measured_support: Range<usize>,
    /// The average of the takes.
    pub measured_db: Vec<f64>,
    /// What was fitted: what other ears are expected to get of the measured curve, or that curve itself.
    pub expected_db: Vec<f64>,
    /// The target.
    pub target_db: Vec<f64>,
    /// Measured plus sections.
    pub equalised_db: Vec<f64>,
    /// The sum of all sections, without preamp.
    pub sections_db: Vec<f64>,
}
