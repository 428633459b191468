//! A target: the wanted response, to be compared with a measurement.

use super::contour::Contour;
use super::error::WantedFault as Fault;
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Knob, Result, Source};
use crate::measurement::grid::{self, OnGrid, POINTS, POINTS_PER_OCTAVE};
use crate::measurement::takes::offset_db;

/// The base of a target.
#[derive(Debug, Clone, PartialEq)]
pub enum Base {
    /// 0 dB everywhere.
    Flat,
    /// The present response of the unit that is fitted. [`Target::over`] sets it; until then it counts as 0 dB.
    Measured,
    /// A curve.
    Curve(OnGrid),
    /// A blend of two targets.
    Blend(Box<Blend>),
}

/// A blend of two targets: the mean of their levels in dB, weighted by `share`.
///
/// First `other` is shifted so that the median of its difference from `one` over 200 Hz to 2 kHz is 0 dB. This
/// determines only the level of the blend: the shape of a mean in dB does not depend on the levels.
#[derive(Debug, Clone, PartialEq)]
pub struct Blend {
    /// The target at a share of 0.
    pub one: Target,
    /// The target at a share of 1.
    pub other: Target,
    /// Share of `other`, 0 to 1.
    pub share: f64,
}

/// The wanted response: a base plus contours. Its level is free; only its shape counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Its name, including the contours that were added.
    pub name: String,
    /// Its source, in words.
    pub source: String,
    /// What the user should know before using it, in sentences.
    pub warnings: Vec<String>,
    /// The response below the contours.
    pub base: Base,
    /// Trust at each grid point, 0 to 1; None if the target was not measured or its trust is unknown.
    pub trust: Option<Vec<f64>>,
    /// True for a response at the eardrum, which is no aim for a curve of a rig without an ear.
    pub at_eardrum: bool,
    /// The adjustments on top of the base.
    pub contours: Vec<Contour>,
}

impl Target {
    /// The target that is the unit's present response.
    #[must_use]
    pub fn measured() -> Self {
        Self {
            name: "as measured".to_owned(),
            source: "the measurement itself, changed by taste".to_owned(),
            warnings: Vec::new(),
            base: Base::Measured,
            trust: None,
            at_eardrum: false,
            contours: Vec::new(),
        }
    }

    /// The target that is a curve.
    #[must_use]
    pub fn of_curve(name: &str, source: &str, curve: OnGrid) -> Self {
        Self {
            name: name.to_owned(),
            source: source.to_owned(),
            warnings: Vec::new(),
            base: Base::Curve(curve),
            trust: None,
            at_eardrum: false,
            contours: Vec::new(),
        }
    }

    /// The unit's present response plus contours.
    #[must_use]
    pub fn relative_to(measured: &OnGrid, contours: Vec<Contour>) -> Self {
        Self::measured().with_contours(contours).over(measured)
    }

    /// The same target with further contours, which its name then includes.
    #[must_use]
    pub fn with_contours(mut self, contours: Vec<Contour>) -> Self {
        for contour in &contours {
            self.name.push_str(&format!("; {contour}"));
        }
        self.contours.extend(contours);
        self
    }

    /// The blend of this target (`share` 0) with another (`share` 1); see [`Blend`].
    ///
    /// # Errors
    /// `Setting` for a share outside 0 to 1; `Coverage` if the two share less than an octave.
    pub fn blended(self, other: Self, share: f64) -> Result<Self> {
        if !(0.0..=1.0).contains(&share) {
            return Err(Error::of(
                ValueFault::out_of_range(Quantity::Share, share, (0.0, 1.0)),
                Knob::BetweenShare,
            ));
        }
        let (one, two) = (self.support(), other.support());
        if grid::intersection(&one, &two).len() < POINTS_PER_OCTAVE {
            let (own, others) = (grid::band_hz(&one), grid::band_hz(&two));
            let fault = Fault::BlendApart(others.into(), own.into(), self.name);
            return Err(Error::of(fault, Source::name(other.name)));
        }
        let mut warnings = self.warnings.clone();
        let more = other
            .warnings
            .iter()
            .filter(|warning| !self.warnings.contains(warning));
        warnings.extend(more.cloned());
        Ok(Self {
            name: format!("{}, {} toward {}", self.name, percent(share), other.name),
            source: format!(
                "{} from {} ({}) to {} ({})",
                percent(share),
                self.name,
                self.source,
                other.name,
                other.source
            ),
            warnings,
            at_eardrum: self.at_eardrum || other.at_eardrum,
            trust: lower_trust(self.trust.as_deref(), other.trust.as_deref()),
            base: Base::Blend(Box::new(Blend {
                one: self,
                other,
                share,
            })),
            contours: Vec::new(),
        })
    }

    /// Only a part of the way from the unit's present response to this target: the wanted change is multiplied by
    /// `share`.
    ///
    /// # Errors
    /// `Setting` for a share that is not above 0 and at most 1; at 0 nothing would be changed.
    pub fn toward(self, share: f64) -> Result<Self> {
        if !(share > 0.0 && share <= 1.0) {
            return Err(Error::of(
                ValueFault::out_of_range(Quantity::Toward, share, (0.0, 1.0)),
                Knob::Toward,
            ));
        }
        let name = format!("{}, {} of the way", self.name, percent(share));
        let source = format!(
            "{} of the way from what was measured to: {}",
            percent(share),
            self.source
        );
        let blend = Self::measured().blended(self, share)?;
        Ok(Self {
            name,
            source,
            ..blend
        })
    }

    /// The same target, with `measured` as the unit's present response.
    #[must_use]
    pub fn over(mut self, measured: &OnGrid) -> Self {
        self.base = match self.base {
            Base::Measured => Base::Curve(measured.clone()),
            Base::Blend(blend) => Base::Blend(Box::new(Blend {
                one: blend.one.over(measured),
                other: blend.other.over(measured),
                share: blend.share,
            })),
            known => known,
        };
        self
    }

    /// True if the unit's present response is part of the target.
    #[must_use]
    pub fn is_relative(&self) -> bool {
        match &self.base {
            Base::Measured => true,
            Base::Flat | Base::Curve(_) => false,
            Base::Blend(blend) => blend.one.is_relative() || blend.other.is_relative(),
        }
    }

    /// The grid points that the target covers; all if it does not depend on data.
    #[must_use]
    pub fn support(&self) -> std::ops::Range<usize> {
        match &self.base {
            Base::Flat | Base::Measured => 0..POINTS,
            Base::Curve(curve) => curve.support.clone(),
            Base::Blend(blend) => grid::intersection(&blend.one.support(), &blend.other.support()),
        }
    }

    /// The target's level on the common grid, dB, with its sections as an equaliser at `rate_hz` plays them.
    #[must_use]
    pub fn level_on_grid(&self, rate_hz: f64) -> OnGrid {
        let mut on_grid = match &self.base {
            Base::Flat | Base::Measured => OnGrid {
                level_db: vec![0.0; POINTS],
                support: 0..POINTS,
            },
            Base::Curve(curve) => curve.clone(),
            Base::Blend(blend) => blend.level_on_grid(rate_hz),
        };
        let support = on_grid.support.clone();
        let f_hz = &grid::frequency_hz()[support.clone()];
        for contour in &self.contours {
            let added = contour.levels_db(rate_hz, f_hz);
            for (level_db, added_db) in on_grid.level_db[support.clone()].iter_mut().zip(added) {
                *level_db += added_db;
            }
        }
        on_grid
    }
}

impl Blend {
    fn level_on_grid(&self, rate_hz: f64) -> OnGrid {
        let (one, other) = (
            self.one.level_on_grid(rate_hz),
            self.other.level_on_grid(rate_hz),
        );
        let support = grid::intersection(&one.support, &other.support);
        let mut difference_db = vec![0.0; POINTS];
        for i in support.clone() {
            difference_db[i] = other.level_db[i] - one.level_db[i];
        }
        let apart_db = offset_db(&difference_db, &support);
        let mut level_db = vec![0.0; POINTS];
        for i in support.clone() {
            level_db[i] = one.level_db[i] + self.share * (difference_db[i] - apart_db);
        }
        OnGrid { level_db, support }
    }
}

/// The lower trust of the two at each point; None if neither is known.
fn lower_trust(one: Option<&[f64]>, other: Option<&[f64]>) -> Option<Vec<f64>> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.iter().zip(other).map(|(a, b)| a.min(*b)).collect()),
        (Some(known), None) | (None, Some(known)) => Some(known.to_vec()),
        (None, None) => None,
    }
}

/// A share as `60 %`, with one decimal if needed.
pub(super) fn percent(share: f64) -> String {
    format!("{} %", (1000.0 * share).round() / 10.0)
}
