//! A picture of panels over one frequency axis, and below them of [`figures`] on axes of their own: what is in it, and where.
//! [`Picture::to_svg`] draws it in the numbers of [`chart`], inked by [`palette`], through the one writer of [`svg`];
//! [`Picture::to_braille`] draws its panels in characters.

mod braille;
pub mod chart;
mod draw;
mod draw_figures;
pub mod figures;
pub mod label;
mod notes;
pub mod palette;
pub mod png;
pub mod svg;

pub mod check;
pub mod compare;
pub mod fit;
pub mod inspect;
pub mod sections;
pub mod takes;
pub mod target;

use crate::report::words::wrap;
use chart::{FrequencyAxis, LevelAxis};
use figures::FigureChart;
use label::{Label, Named};
use palette::Ink;

/// Width of every picture, pixels.
pub const WIDTH: f64 = 960.0;
/// The frequency axis of every picture: a decade of 240 pixels.
pub const FREQUENCY: FrequencyAxis = FrequencyAxis {
    left: 56.0,
    right: 776.0,
};
/// Top of the first panel.
pub const FIRST_PANEL_TOP: f64 = 118.0;
/// From the bottom of a panel to the top of the next.
pub const PANEL_GAP: f64 = 54.0;

const EDGE: f64 = 24.0;
/// Width of titles and notes.
const TEXT_WIDTH: f64 = WIDTH - 2.0 * EDGE;
/// Title and subtitle have at most so many lines each.
const HEAD_LINES: usize = 2;
const SUBTITLE_SIZE: f64 = 14.0;
const TITLE_SIZE: f64 = 21.0;
/// Bold runs wider than the estimate by this.
const BOLD: f64 = 1.06;
const NOTE_SIZE: f64 = 11.5;
const NOTE_LINE: f64 = 16.0;
/// How a picture is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Look {
    /// Its colours.
    pub theme: Theme,
    /// Width of the file, pixels; None for that of its kind: 960 for SVG, 1920 for PNG.
    pub width: Option<u32>,
}

/// The colours of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum Theme {
    /// As the reader's system is, where the viewer can tell; else on light paper
    #[default]
    Auto,
    /// On light paper
    Light,
    /// On dark paper
    Dark,
}

/// A picture, laid out.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// In two lines at most, cut to fit.
    pub title: String,
    /// In two lines at most, cut to fit.
    pub subtitle: String,
    /// What the picture shows, for those who cannot see it.
    pub description: String,
    /// From top to bottom.
    pub panels: Vec<Panel>,
    /// Frequency ranges to be hatched in all panels, Hz.
    pub doubtful_hz: Vec<(f64, f64)>,
    /// A range to be marked in all panels, Hz, and its name.
    pub guard: Option<Guard>,
    /// Frequencies that the equaliser has, marked at the lower edge of each panel, Hz; none where it has all.
    pub bands_hz: Vec<f64>,
    /// Figures below the panels; none for most pictures.
    pub figures: Vec<FigureChart>,
    /// Sentences below, each on its own line or lines.
    pub notes: Vec<String>,
}

/// A frequency range that is marked by its edges and a light ground.
#[derive(Debug, Clone, PartialEq)]
pub struct Guard {
    /// Its name, above the panels.
    pub name: String,
    /// Its ends, Hz.
    pub ends_hz: (f64, f64),
}

impl Guard {
    /// The band that the coupler's resonance distorts.
    #[must_use]
    pub fn of_coupler(ends_hz: (f64, f64)) -> Self {
        Self {
            name: "coupler resonance".into(),
            ends_hz,
        }
    }

    /// What is grey about it, Hz: the range itself, and the strip from there to the first of the ranges that are not
    /// trusted (`doubtful_hz`, rising), where that is near. The coupler's dip lies there.
    #[must_use]
    pub fn ground_hz(&self, doubtful_hz: &[(f64, f64)]) -> (f64, f64) {
        /// The dip follows the peak within half an octave (0.3 octaves in the demo).
        const NEAR: f64 = std::f64::consts::SQRT_2;
        let (low_hz, high_hz) = self.ends_hz;
        let mut starts = doubtful_hz.iter().map(|range| range.0);
        let next_hz = starts.find(|hz| (high_hz..high_hz * NEAR).contains(hz));
        (low_hz, next_hz.unwrap_or(high_hz))
    }

    /// Its left and right edge within the panels.
    #[must_use]
    pub fn edges(&self) -> (f64, f64) {
        within_panels(self.ends_hz)
    }
}

/// Places of two frequencies, no further than the edges of the panels.
fn within_panels((low_hz, high_hz): (f64, f64)) -> (f64, f64) {
    let x = |hz: f64| {
        FREQUENCY
            .x(hz.max(f64::MIN_POSITIVE))
            .clamp(FREQUENCY.left, FREQUENCY.right)
    };
    (x(low_hz), x(high_hz))
}

/// One panel.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// What the panel shows, with its unit.
    pub heading: String,
    /// Its levels.
    pub axis: LevelAxis,
    /// Areas, drawn first.
    pub areas: Vec<Area>,
    /// Lines, drawn in this order.
    pub lines: Vec<Line>,
    /// Draw the 0 dB line heavier.
    pub marks_zero: bool,
}

/// A curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Its name in tables; empty where it has no part in them.
    pub name: String,
    /// Its direct label; empty for none.
    pub label: String,
    /// Its colour and style.
    pub ink: Ink,
    /// Frequency (Hz, rising) and level (dB). What is not finite breaks the line.
    pub points: Vec<(f64, f64)>,
}

/// The area between two levels.
#[derive(Debug, Clone, PartialEq)]
pub struct Area {
    /// Its name in tables; empty where it has no part in them.
    pub name: String,
    /// Whether the name is its direct label too.
    pub is_labelled: bool,
    /// Its colour.
    pub ink: Ink,
    /// Share of the colour, 0..1.
    pub opacity: f64,
    /// Frequency (Hz, rising) and two levels (dB). What is not finite breaks the area.
    pub points: Vec<(f64, f64, f64)>,
}

/// `one joint other` within the lines of a title: each name is sure of a line.
#[must_use]
pub fn title_of_two(one: &str, joint: &str, other: &str) -> String {
    let size = BOLD * TITLE_SIZE;
    let beside = chart::text_width(&format!(" {joint}"), size);
    let one = chart::fitted(one, size, TEXT_WIDTH - beside);
    let other = chart::fitted(other, size, TEXT_WIDTH);
    format!("{one} {joint} {other}")
}

impl Line {
    /// A curve whose label is its name.
    #[must_use]
    pub fn new(name: impl Into<String>, ink: Ink, points: Vec<(f64, f64)>) -> Self {
        let name = name.into();
        Self {
            label: name.clone(),
            name,
            ink,
            points,
        }
    }

    /// With another label.
    #[must_use]
    pub fn labelled(self, label: impl Into<String>) -> Self {
        Self {
            label: label.into(),
            ..self
        }
    }
}

impl Panel {
    /// A difference: a line, and the area between it and 0 dB, `opacity` from 0 to 1.
    #[must_use]
    pub fn of_difference(heading: &str, axis: LevelAxis, line: Line, opacity: f64) -> Self {
        Self {
            heading: heading.into(),
            axis,
            areas: vec![Area {
                name: String::new(),
                is_labelled: false,
                ink: line.ink,
                opacity,
                points: line.points.iter().map(|&(hz, db)| (hz, 0.0, db)).collect(),
            }],
            lines: vec![line],
            marks_zero: true,
        }
    }

    /// The direct labels, from top to bottom, apart from each other and within the panel.
    #[must_use]
    pub fn labels(&self) -> Vec<Label> {
        let end = |hz: f64, db: f64| (FREQUENCY.x(hz), self.axis.y(db));
        let lines = self.lines.iter().filter_map(|line| {
            let last = line.points.iter().rev().find(|(_, db)| db.is_finite())?;
            Some(Named {
                name: &line.label,
                ink: line.ink,
                area_opacity: None,
                end: end(last.0, last.1),
            })
        });
        let areas = self.areas.iter().filter(|area| area.is_labelled).filter_map(|area| {
            let mut finite = area.points.iter().rev();
            let last = finite.find(|(_, one, other)| (one + other).is_finite())?;
            Some(Named {
                name: &area.name,
                ink: area.ink,
                area_opacity: Some(area.opacity),
                end: end(last.0, (last.1 + last.2) / 2.0),
            })
        });
        label::placed(lines.chain(areas).collect(), self.axis.top, self.axis.bottom())
    }
}

impl Picture {
    /// With its first panel alone, which shows the levels.
    #[must_use]
    pub fn levels_only(mut self) -> Self {
        self.panels.truncate(1);
        self
    }

    /// With one more note.
    #[must_use]
    pub fn noted(mut self, note: String) -> Self {
        self.notes.push(note);
        self
    }

    /// The title, one string a line.
    #[must_use]
    pub fn title_lines(&self) -> Vec<String> {
        chart::lines_within(&self.title, BOLD * TITLE_SIZE, TEXT_WIDTH, HEAD_LINES)
    }

    /// The subtitle, one string a line.
    #[must_use]
    pub fn subtitle_lines(&self) -> Vec<String> {
        chart::lines_within(&self.subtitle, SUBTITLE_SIZE, TEXT_WIDTH, HEAD_LINES)
    }

    /// Bottom of the last panel.
    #[must_use]
    pub fn panels_bottom(&self) -> f64 {
        self.panels
            .last()
            .map_or(FIRST_PANEL_TOP, |panel| panel.axis.bottom())
    }

    /// Top of the first chart of figures: below the names of the frequencies.
    #[must_use]
    pub fn figures_top(&self) -> f64 {
        self.panels_bottom() + 84.0
    }

    /// Bottom of all that has axes, with the words below these.
    fn foot_top(&self) -> f64 {
        let bottoms = self.figures.iter().map(FigureChart::bottom);
        let lowest = bottoms.fold(self.panels_bottom(), f64::max);
        lowest + 58.0
    }

    /// The notes, one string a line.
    #[must_use]
    pub fn note_lines(&self) -> Vec<String> {
        let width = TEXT_WIDTH / NOTE_SIZE;
        let lines = |note: &String| wrap(note, width, chart::char_width);
        self.notes.iter().flat_map(lines).collect()
    }

    /// Height, pixels.
    #[must_use]
    pub fn height(&self) -> f64 {
        self.foot_top() + NOTE_LINE * self.note_lines().len() as f64 + 12.0
    }
}
