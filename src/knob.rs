//! The settings that messages name. The library knows them by these names alone; whoever prints says what they are
//! called there, such as an option of a command line.

use std::fmt;

/// What a setting is called: [`plain`], or what a command line calls it.
pub type Names<'a> = &'a dyn Fn(Knob) -> String;

/// The plain word of a setting.
#[must_use]
pub fn plain(knob: Knob) -> String {
    knob.to_string()
}

macro_rules! knobs {
    ($($knob:ident $word:literal,)+) => {
        /// A setting that can be chosen. `Display` is a plain word.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Knob {
            $(#[doc = $word] $knob,)+
        }

        impl Knob {
            /// All of them.
            pub const ALL: &[Self] = &[$(Self::$knob,)+];
        }

        impl fmt::Display for Knob {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(match self {
                    $(Self::$knob => $word,)+
                })
            }
        }
    };
}

knobs! {
    After "after",
    AlignHz "align",
    AsGood "as good",
    AsIs "sections as they are",
    Blind "blind trials",
    Base "base",
    Bass "bass",
    Before "before",
    Between "between",
    BetweenShare "share",
    Contour "contour",
    EarPeakHz "the ear's resonance",
    Economy "economy",
    Effort "effort",
    From "beginning",
    FromHz "lowest frequency to fit",
    HighestHz "highest frequency of sections",
    LeakThreshold "leak threshold",
    LeastGain "least gain",
    Left "left",
    LevelDb "level",
    Limits "limits",
    MaxLoudnessLoss "most loss of loudness",
    Name "name",
    Output "output",
    PerSide "per side",
    PlayAt "level to play at",
    Plot "plot",
    Polish "polish",
    RateHz "rate",
    Rig "rig",
    Right "right",
    SameLevel "same level",
    Sections "sections",
    Side "side",
    Slope "slope",
    Smooth "smooth",
    Source "source",
    Takes "takes",
    Target "target",
    ToHz "highest frequency to fit",
    ToleranceDb "tolerance",
    Toward "toward",
    Treble "treble",
    TruePeakMargin "true-peak margin",
    Unit "unit",
    Unmatched "no matching",
    UnlistedRate "unlisted rates",
    Variant "variant",
    WithoutPreamp "without preamp",
}
