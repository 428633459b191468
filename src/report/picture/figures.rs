//! Charts of figures below the panels: an error against a count, and figures with their intervals. Pixels, y downwards.

use super::label;
use super::palette::Ink;

/// A chart of figures, on axes of its own.
#[derive(Debug, Clone, PartialEq)]
pub struct FigureChart {
    /// What it shows, with the unit.
    pub heading: String,
    /// Left edge of its frame.
    pub left: f64,
    /// Right edge of its frame.
    pub right: f64,
    /// Top of its frame.
    pub top: f64,
    /// The axis of figures.
    pub scale: Scale,
    /// What is drawn.
    pub content: Content,
}

/// What a chart of figures shows.
#[derive(Debug, Clone, PartialEq)]
pub enum Content {
    /// Figures upwards, by counts from 1 to the right.
    ByCount {
        /// Height of the frame.
        height: f64,
        /// One line a unit.
        lines: Vec<CountLine>,
    },
    /// Figures to the right, one row a unit.
    Dots {
        /// The rows from top to bottom.
        rows: Vec<DotRow>,
        /// Whether the rows' names are written beside them.
        named: bool,
    },
}

/// Figures by counts from 1.
#[derive(Debug, Clone, PartialEq)]
pub struct CountLine {
    /// Its direct label.
    pub name: String,
    /// Its ink.
    pub ink: Ink,
    /// The figures.
    pub values: Vec<f64>,
}

/// A figure with its interval.
#[derive(Debug, Clone, PartialEq)]
pub struct DotRow {
    /// Its direct label.
    pub name: String,
    /// Its ink.
    pub ink: Ink,
    /// The figure; None where it is not known.
    pub value: Option<f64>,
    /// Its interval; None where it has none.
    pub interval: Option<(f64, f64)>,
}

/// Height of a row of dots whose name has one line.
pub const ROW: f64 = 20.0;

/// Height of rows of dots whose longest name has more lines than one.
fn row_height(rows: &[DotRow]) -> f64 {
    let lines = rows.iter().map(|row| label::lines(&row.name).len()).max();
    ROW + label::LINE * lines.unwrap_or(1).saturating_sub(1) as f64
}

/// An axis from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Its end.
    pub most: f64,
    /// Distance of its ticks.
    pub step: f64,
}

impl Scale {
    /// The shortest axis that holds `most` (finite) with at most six ticks of 1, 2 or 5 times a power of ten.
    #[must_use]
    pub fn for_most(most: f64) -> Self {
        let most = most.clamp(0.1, 1000.0);
        let steps = (-2..3).flat_map(|power| [1.0, 2.0, 5.0].map(|digit| digit * 10f64.powi(power)));
        let step = steps.clone().find(|step| most / step <= 6.0).unwrap_or(500.0);
        Self {
            most: (most / step).ceil() * step,
            step,
        }
    }

    /// The ticks from 0 to the end.
    #[must_use]
    pub fn ticks(&self) -> Vec<f64> {
        let count = (self.most / self.step).round() as usize;
        (0..=count).map(|k| k as f64 * self.step).collect()
    }
}

impl FigureChart {
    /// Height of the frame.
    #[must_use]
    pub fn height(&self) -> f64 {
        match &self.content {
            Content::ByCount { height, .. } => *height,
            Content::Dots { rows, .. } => row_height(rows) * rows.len() as f64 + 8.0,
        }
    }

    /// Bottom of the frame.
    #[must_use]
    pub fn bottom(&self) -> f64 {
        self.top + self.height()
    }

    /// Middle of a row of dots.
    #[must_use]
    pub fn row_y(&self, row: usize) -> f64 {
        let height = match &self.content {
            Content::Dots { rows, .. } => row_height(rows),
            Content::ByCount { .. } => ROW,
        };
        self.top + 4.0 + height * (row as f64 + 0.5)
    }

    /// Where a figure is along an axis to the right, no further than its end.
    #[must_use]
    pub fn x_of(&self, value: f64) -> f64 {
        self.left + (self.right - self.left) * (value / self.scale.most).clamp(0.0, 1.0)
    }

    /// Where a figure is along an axis upwards, no further than its end.
    #[must_use]
    pub fn y_of(&self, value: f64) -> f64 {
        self.bottom() - self.height() * (value / self.scale.most).clamp(0.0, 1.0)
    }

    /// Where a count of `most` is.
    #[must_use]
    pub fn x_of_count(&self, count: usize, most: usize) -> f64 {
        let share = (count as f64 - 0.5) / most.max(1) as f64;
        self.left + (self.right - self.left) * share
    }
}
