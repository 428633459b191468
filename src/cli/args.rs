//! What was typed, uninterpreted. The texts here are the help.

use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};

/// Fits a few parametric-EQ sections to an earphone's coupler measurements.
#[derive(Debug, Parser)]
#[command(
    name = "bandwright",
    version,
    about,
    long_about = "Fits a few parametric-EQ sections to an earphone's coupler measurements, so that it moves toward the \
                  sound its listener wants, and says how far the result can be trusted.\n\n\
                  Exit status: 0 done; 1 the job ran and the answer is no; 2 bad usage or input.",
    after_help = "Loud sound harms hearing: try a new preset at a low volume first. Local rules and a hearing \
                  professional come before any figure of this program.",
    arg_required_else_help = true
)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub verb: Verb,
}

/// The verbs.
#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Fit sections toward a target, within what an equaliser can do
    Fit(Fit),
}

/// How results are shown.
#[derive(Debug, Clone, Copy, ClapArgs)]
pub struct OutputStyle {
    /// Print one JSON document instead of text (its fields are listed in DEVELOPERS.md)
    #[arg(long)]
    pub json: bool,
    /// Print nothing but errors
    #[arg(long, conflicts_with = "json")]
    pub quiet: bool,
}

/// Search effort.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Effort {
    /// About 20 ms for eight sections
    Quick,
    /// About 100 ms for eight sections
    Normal,
    /// About 1 s for eight sections
    Deep,
}

/// `bandwright fit`.
#[derive(Debug, ClapArgs)]
#[command(after_long_help = "Examples:\n  \
        bandwright fit left.csv right.csv --target diffuse-field -o earphone.sheet.toml --plot earphone.svg\n  \
        bandwright fit average.csv --bass 3\n  \
        bandwright fit average.csv --target warm.target.toml --limits pocket.limits.toml --sections 8 --json\n\n\
        Without --limits, the equaliser is assumed to have eight sections (one low shelf, six peaking, one high \
        shelf), f0 20 Hz to 20 kHz, gain -12 to +6 dB, q 0.3 to 6 (shelves 0.4 to 1.0), sample rates 44.1, 48 and \
        96 kHz, and no steps but 0.1 dB in the preamp.\n\n\
        Loud sound harms hearing: try a new preset at a low volume first. Local rules and a hearing professional \
        come before any figure of this program.")]
pub struct Fit {
    /// Measured curves: text with columns frequency (Hz), level (dB), optionally phase (degrees). Several are takes of
    /// one unit and are averaged in dB; the side is read from the name (`left`, `right`, `l`, `r` as a word)
    #[arg(value_name = "CURVE")]
    pub curves: Vec<String>,
    /// A take of the left side, whatever its name (repeatable)
    #[arg(long, value_name = "CURVE")]
    pub left: Vec<String>,
    /// A take of the right side, whatever its name (repeatable)
    #[arg(long, value_name = "CURVE")]
    pub right: Vec<String>,
    /// Name of the unit in sheet and report [default: the first file's name]
    #[arg(long, value_name = "NAME")]
    pub unit: Option<String>,
    /// The rig: `iec-60318-4` (an ear simulator, trusted to 8 kHz and less above) or `flat` (believed everywhere)
    #[arg(long, value_name = "RIG", default_value = "iec-60318-4")]
    pub rig: String,

    /// The wanted response: a name of the library (flat, diffuse-field, ...), a curve, or a NAME.target.toml
    #[arg(long, value_name = "NAME|FILE", help_heading = "What is wanted")]
    pub target: Option<String>,
    /// More bass by so many dB: a low shelf at 90 Hz, q 0.6. Without --target, more than the unit has now
    #[arg(
        long,
        value_name = "DB",
        allow_negative_numbers = true,
        help_heading = "What is wanted"
    )]
    pub bass: Option<f64>,
    /// More treble by so many dB: a high shelf at 6 kHz, q 0.5
    #[arg(
        long,
        value_name = "DB",
        allow_negative_numbers = true,
        help_heading = "What is wanted"
    )]
    pub treble: Option<f64>,
    /// A slope of so many dB per octave about 1 kHz
    #[arg(
        long,
        value_name = "DB",
        allow_negative_numbers = true,
        help_heading = "What is wanted"
    )]
    pub slope: Option<f64>,
    /// One more adjustment, such as shape=peaking,f0_hz=3000,gain_db=-2,q=1.2 or
    /// shape=slope,db_per_octave=-0.4,pivot_hz=1000 (repeatable)
    #[arg(long, value_name = "CONTOUR", help_heading = "What is wanted")]
    pub contour: Vec<String>,

    /// What the equaliser can do: a NAME.limits.toml [default: eight sections, see below]
    #[arg(long, value_name = "FILE", help_heading = "The equaliser")]
    pub limits: Option<String>,
    /// Use at most so many sections
    #[arg(long, value_name = "N", help_heading = "The equaliser")]
    pub sections: Option<usize>,

    /// Weights by frequency (columns frequency in Hz, weight), instead of those from rig and spread
    #[arg(long, value_name = "FILE", help_heading = "The fit")]
    pub weight: Option<String>,
    /// Price of sections that work against each other; 0 turns it off and keeps idle sections
    #[arg(long, value_name = "X", default_value_t = bandwright::job::ECONOMY, help_heading = "The fit")]
    pub economy: f64,
    /// How long to search
    #[arg(long, value_enum, default_value_t = Effort::Normal, help_heading = "The fit")]
    pub effort: Effort,

    /// Write the preset here, as a sheet (NAME.sheet.toml)
    #[arg(short, long, value_name = "FILE", help_heading = "Output")]
    pub output: Option<String>,
    /// Write a picture here (NAME.svg)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub plot: Option<String>,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}
