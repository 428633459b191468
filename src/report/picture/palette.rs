//! Our inks, on light and on dark paper, and the line style that goes with each.
//!
//! Blue-grey, ochre, teal and plum stay apart under simulated colour deficiencies and contrast with
//! their paper as text must (the tests compute both). A picture of takes or of two targets has the same four colours for other things,
//! none of which meets a target or sections. Blue-grey and ochre are equally light, so on a
//! grey print only line style and direct labels tell them apart: thin and solid, dashed.

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
    /// What other ears are expected to get of it.
    Expected,
    /// What is wanted.
    Target,
    /// What the sections make of it.
    Equalised,
    /// The sections alone.
    Sections,
    /// One take among others.
    Take,
    /// The take with the largest error among others.
    WorstTake,
    /// A take that was set aside: the first of several, or of several kinds.
    AsideA,
    /// The second, likewise.
    AsideB,
    /// The third, likewise.
    AsideC,
    /// The fourth, likewise.
    AsideD,
    /// The average of all takes.
    Average,
    /// The left side.
    Left,
    /// The right side.
    Right,
    /// A second target.
    OtherTarget,
    /// One target minus another.
    Difference,
    /// The unit with the coupler's resonance taken out.
    TakenOut,
    /// The right side of what was measured, where left and right are drawn together.
    MeasuredRight,
    /// The right side of what the sections make of it.
    EqualisedRight,
    /// The right side's sections alone.
    SectionsRight,
    /// The sections with the gain before them.
    WithGain,
    /// One of several units: the first, and every fourth after it.
    UnitA,
    /// The second, likewise.
    UnitB,
    /// The third, likewise.
    UnitC,
    /// The fourth, likewise.
    UnitD,
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
    pub const ALL: [Self; 32] = [
        Self::Paper,
        Self::Text,
        Self::Faint,
        Self::Grid,
        Self::Rule,
        Self::Doubt,
        Self::Hatch,
        Self::Measured,
        Self::Expected,
        Self::Target,
        Self::Equalised,
        Self::Sections,
        Self::Take,
        Self::WorstTake,
        Self::AsideA,
        Self::AsideB,
        Self::AsideC,
        Self::AsideD,
        Self::Average,
        Self::Left,
        Self::Right,
        Self::OtherTarget,
        Self::Difference,
        Self::TakenOut,
        Self::MeasuredRight,
        Self::EqualisedRight,
        Self::SectionsRight,
        Self::WithGain,
        Self::UnitA,
        Self::UnitB,
        Self::UnitC,
        Self::UnitD,
    ];

    /// Those of takes that were set aside.
    pub const ASIDE: [Self; 4] = [Self::AsideA, Self::AsideB, Self::AsideC, Self::AsideD];

    /// That of the unit at a place among several, counted from 0.
    #[must_use]
    pub fn of_unit(place: usize) -> Self {
        [Self::UnitA, Self::UnitB, Self::UnitC, Self::UnitD][place % 4]
    }

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
            Self::Expected => "expected",
            Self::Target => "target",
            Self::Equalised => "equalised",
            Self::Sections => "sections",
            Self::Take => "take",
            Self::WorstTake => "worst-take",
            Self::AsideA => "aside-a",
            Self::AsideB => "aside-b",
            Self::AsideC => "aside-c",
            Self::AsideD => "aside-d",
            Self::Average => "average",
            Self::Left => "left",
            Self::Right => "right",
            Self::OtherTarget => "other-target",
            Self::Difference => "difference",
            Self::TakenOut => "taken-out",
            Self::MeasuredRight => "measured-right",
            Self::EqualisedRight => "equalised-right",
            Self::SectionsRight => "sections-right",
            Self::WithGain => "with-gain",
            Self::UnitA => "unit-a",
            Self::UnitB => "unit-b",
            Self::UnitC => "unit-c",
            Self::UnitD => "unit-d",
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
            Self::Measured | Self::Expected | Self::Take | Self::Average | Self::UnitD | Self::MeasuredRight => "#5f748b",
            Self::Target | Self::WorstTake | Self::AsideA | Self::AsideB | Self::AsideC | Self::AsideD | Self::TakenOut | Self::UnitC => "#a8620a",
            Self::Equalised | Self::Left | Self::Difference | Self::UnitA | Self::EqualisedRight => "#006158",
            Self::Sections | Self::Right | Self::OtherTarget | Self::UnitB | Self::SectionsRight | Self::WithGain => "#6b2168",
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
            Self::Measured | Self::Expected | Self::Take | Self::Average | Self::UnitD | Self::MeasuredRight => "#7d91a8",
            Self::Target | Self::WorstTake | Self::AsideA | Self::AsideB | Self::AsideC | Self::AsideD | Self::TakenOut | Self::UnitC => "#e5a338",
            Self::Equalised | Self::Left | Self::Difference | Self::UnitA | Self::EqualisedRight => "#5be0c4",
            Self::Sections | Self::Right | Self::OtherTarget | Self::UnitB | Self::SectionsRight | Self::WithGain => "#e3a8e0",
        }
    }

    /// Its line: measured thin, what is expected of it thin and dashed, target dashed, equalised thick, the sections
    /// between; takes thinner, those set aside dotted, dashed, dash-dotted and solid, their average thickest, left solid, right dashed; without the
    /// resonance thick; a second target dash-dotted; a right side dashed; with
    /// the gain dotted; units solid, dashed, dotted and dash-dotted.
    #[must_use]
    pub fn stroke(self) -> Stroke {
        let (width, dashes) = match self {
            Self::Measured => (1.3, None),
            Self::Expected => (1.3, Some("4 3")),
            Self::Target => (2.0, Some("7 4")),
            Self::Equalised => (3.0, None),
            Self::Sections => (2.0, None),
            Self::Take => (0.8, None),
            Self::WorstTake => (1.8, None),
            Self::AsideA => (1.6, Some("2 3")),
            Self::AsideB => (1.6, Some("9 4")),
            Self::AsideC => (1.6, Some("10 3 2 3")),
            Self::AsideD => (1.6, None),
            Self::Average => (3.4, None),
            Self::Left => (1.4, None),
            Self::Right => (1.4, Some("8 3")),
            Self::OtherTarget => (1.6, Some("10 3 2 3")),
            Self::Difference => (1.4, None),
            Self::TakenOut => (2.2, None),
            Self::MeasuredRight => (1.3, Some("8 3")),
            Self::EqualisedRight => (3.0, Some("8 3")),
            Self::SectionsRight => (2.0, Some("8 3")),
            Self::WithGain => (1.2, Some("2 3")),
            Self::UnitA => (2.2, None),
            Self::UnitB => (2.2, Some("8 3")),
            Self::UnitC => (2.2, Some("2 3")),
            Self::UnitD => (2.2, Some("10 3 2 3")),
            _ => (1.0, None),
        };
        Stroke { width, dashes }
    }
}
