//! The settings that texts name. How one is called where it is set is for whoever shows the text: an option on a command
//! line, a field of a page.

/// A setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Knob {
    /// Takes of the left side.
    Left,
    /// Takes of the right side.
    Right,
    /// What is wanted.
    Target,
    /// What the equaliser can do.
    Limits,
    /// One EQ for each side.
    PerSide,
    /// How long to search.
    Effort,
    /// Where the preset is written.
    Output,
    /// What plays.
    Source,
    /// The level at which it is played.
    PlayAt,
}

impl Knob {
    /// All of them.
    pub const ALL: [Self; 9] = [
        Self::Left,
        Self::Right,
        Self::Target,
        Self::Limits,
        Self::PerSide,
        Self::Effort,
        Self::Output,
        Self::Source,
        Self::PlayAt,
    ];

    /// Its name in small letters: `per-side`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
            Self::Target => "target",
            Self::Limits => "limits",
            Self::PerSide => "per-side",
            Self::Effort => "effort",
            Self::Output => "output",
            Self::Source => "source",
            Self::PlayAt => "play-at",
        }
    }
}
