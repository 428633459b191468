//! Our inks, on light and on dark paper, and the line style that goes with each.
//!
//! Blue-grey, ochre, teal and plum stay apart in lightness as well as in hue, so they survive the
//! common colour deficiencies and a grey printer; line style and direct labels tell them apart again.

/// What a stroke, an area or a word stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// The background.
    Paper,
    /// Titles and numbers.
    Text,
    /// Notes and tick labels.
    Faint,
    /// Grid lines.
    Grid,
    /// The labelled grid lines, the 0 dB line and the frame.
    Rule,
    /// Ground of the regions that are not trusted.
    Doubt,
    /// Hatching of the regions that are not trusted.
    Hatch,
    /// What was measured.
    Measured,
    /// What is wanted.
    Target,
    /// What the sections make of it.
    Equalised,
    /// The sections alone.
    Sections,
}

/// How a curve is drawn: width in pixels and dashes in the notation of SVG.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// Width, pixels.
    pub width: f64,
    /// Dashes and gaps, pixels; None for a solid line.
    pub dashes: Option<&'static str>,
}

impl Ink {
    /// All inks.
    pub const ALL: [Self; 11] = [
        Self::Paper,
        Self::Text,
        Self::Faint,
        Self::Grid,
        Self::Rule,
        Self::Doubt,
        Self::Hatch,
        Self::Measured,
        Self::Target,
        Self::Equalised,
        Self::Sections,
    ];

    /// Name of its classes.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Paper => "paper",
            Self::Text => "text",
            Self::Faint => "faint",
            Self::Grid => "grid",
            Self::Rule => "rule",
            Self::Doubt => "doubt",
            Self::Hatch => "hatch",
            Self::Measured => "measured",
            Self::Target => "target",
            Self::Equalised => "equalised",
            Self::Sections => "sections",
        }
    }

    /// Colour on light paper.
    #[must_use]
    pub fn light(self) -> &'static str {
        match self {
            Self::Paper => "#fdfcf9",
            Self::Text => "#20272e",
            Self::Faint => "#56616b",
            Self::Grid => "#e6e3da",
            Self::Rule => "#c3beb1",
            Self::Doubt => "#efeeea",
            Self::Hatch => "#c9c8c4",
            Self::Measured => "#566a7f",
            Self::Target => "#a4650a",
            Self::Equalised => "#00796f",
            Self::Sections => "#74406f",
        }
    }

    /// Colour on dark paper.
    #[must_use]
    pub fn dark(self) -> &'static str {
        match self {
            Self::Paper => "#14191d",
            Self::Text => "#e9e7e1",
            Self::Faint => "#a3adb5",
            Self::Grid => "#262d33",
            Self::Rule => "#4a545c",
            Self::Doubt => "#1e2429",
            Self::Hatch => "#3f474d",
            Self::Measured => "#9db0c4",
            Self::Target => "#e2aa45",
            Self::Equalised => "#3fc4b2",
            Self::Sections => "#cf9fca",
        }
    }

    /// Its line: measured thin, target dashed, equalised thick, the sections between.
    #[must_use]
    pub fn stroke(self) -> Stroke {
        let (width, dashes) = match self {
            Self::Measured => (1.3, None),
            Self::Target => (2.0, Some("7 4")),
            Self::Equalised => (3.0, None),
            Self::Sections => (2.0, None),
            _ => (1.0, None),
        };
        Stroke { width, dashes }
    }
}
