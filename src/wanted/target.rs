//! A target: the wanted response, ready to be compared with a measurement.

use super::contour::Contour;
use crate::measurement::grid::{self, OnGrid, POINTS};

/// The wanted response: a base and contours on top of it. Its level is free; only its form counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Its name, with the contours that were added to it.
    pub name: String,
    /// Where it comes from, in words.
    pub source: String,
    /// What one should know before using it.
    pub warning: Option<String>,
    /// The base; none is 0 dB everywhere.
    pub base: Option<OnGrid>,
    /// What is added to the base.
    pub contours: Vec<Contour>,
}

impl Target {
    /// Taste alone: what the unit has now, plus contours.
    #[must_use]
    pub fn relative_to(measured: &OnGrid, contours: Vec<Contour>) -> Self {
        let now = Self {
            name: "as measured".to_owned(),
            source: "the measurement itself, changed by taste".to_owned(),
            warning: None,
            base: Some(measured.clone()),
            contours: Vec::new(),
        };
        now.with_contours(contours)
    }

    /// The same target with more contours; its name tells them.
    #[must_use]
    pub fn with_contours(mut self, contours: Vec<Contour>) -> Self {
        for contour in &contours {
            self.name.push_str(&format!("; {contour}"));
        }
        self.contours.extend(contours);
        self
    }

    /// The target's level in dB on the common grid, its sections as an equaliser at `rate_hz` plays them.
    #[must_use]
    pub fn level_on_grid(&self, rate_hz: f64) -> OnGrid {
        let mut on_grid = self.base.clone().unwrap_or_else(|| OnGrid {
            level_db: vec![0.0; POINTS],
            support: 0..POINTS,
        });
        for i in on_grid.support.clone() {
            let f_hz = grid::frequency_hz()[i];
            let added: f64 = self
                .contours
                .iter()
                .map(|contour| contour.level_db(rate_hz, f_hz))
                .sum();
            on_grid.level_db[i] += added;
        }
        on_grid
    }
}
