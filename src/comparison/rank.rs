//! The order of units by the figures that someone cares for.

use super::Comparison;
use super::figures::UnitFigures;

/// A figure to sort by: the better unit first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum RankBy {
    /// Share of the seatings that leaked
    Seal,
    /// What a seating left out is left with
    Steadiness,
    /// What the worst of them is left with
    Tail,
    /// What left and right differ in
    Sides,
    /// What ears get whose resonance lies elsewhere
    OtherEars,
    /// What the preset costs in loudness
    Loudness,
    /// The fewest sections for 0.5 dB
    Thrift,
    /// The level that is left
    Level,
    /// Distortion where the preset boosts
    Strain,
    /// Share of the work of narrow sections
    Narrowness,
    /// Share of what no section mends
    BeyondEq,
}

impl RankBy {
    /// The figure, lower for the better; None where it is not known.
    fn of(self, unit: &UnitFigures) -> Option<f64> {
        Some(match self {
            Self::Seal => unit.seal.leaking as f64 / unit.seal.of as f64,
            Self::Steadiness => unit.steadiness.as_ref()?.left_out.value_db,
            Self::Tail => unit.tail.as_ref()?.error_db,
            Self::Sides => unit.sides.as_ref()?.apart.value_db,
            Self::OtherEars => unit.other_ears.as_ref()?.mean_db,
            Self::Loudness => unit.loudness.lost.value_db,
            Self::Thrift => unit.thrift.for_half_db? as f64,
            Self::Level => -unit.level.most_dba?,
            Self::Strain => unit.strain.percent?,
            Self::Narrowness => unit.narrowness.share,
            Self::BeyondEq => unit.beyond_eq.share,
        })
    }
}

impl Comparison {
    /// The units sorted by figures, the first of which weighs most; units alike in all stay as they were, and those of which
    /// a figure is not known come after those of which it is.
    #[must_use]
    pub fn ranked(mut self, figures: &[RankBy]) -> Self {
        let key = |unit: &super::UnitOrError| -> Vec<f64> {
            let of = |figure: &RankBy| figure.of(unit.found.as_ref().ok()?);
            figures.iter().map(|figure| of(figure).unwrap_or(f64::INFINITY)).collect()
        };
        self.units.sort_by(|a, b| {
            let pairs = key(a).into_iter().zip(key(b));
            let orders = pairs.map(|(a, b)| a.total_cmp(&b));
            orders.fold(std::cmp::Ordering::Equal, std::cmp::Ordering::then)
        });
        self.finished()
    }
}
