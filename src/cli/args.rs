//! What was typed, uninterpreted. The texts here are the help.

use std::path::PathBuf;

use super::groups::{Drawing, Figures, Judging, OutputStyle, PlotLook, Sides, TasteOptions};
use bandwright::comparison::rank::RankBy;
use bandwright::cost::exposure::{Field, FieldTable};
use bandwright::export::Form;
use bandwright::fit::Effort;
use bandwright::headroom::Guard;
use bandwright::job::Sections;
use bandwright::listen::excerpt;
use bandwright::listen::signals::{LEVEL_DB, Signal};
use bandwright::listen::trial::{Kind, MOST_TRIALS};
use bandwright::listen::wav::Depth;
use bandwright::measurement::takes::Side;
use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};

const CARE: &str = "Loud sound harms hearing: try a new preset at a low volume first. Local rules and a hearing \
    professional come before any figure of this program.";

const WITHOUT_LIMITS: &str = "Without --limits, the equaliser is assumed to have eight sections (one low shelf, six \
    peaking, one high shelf), f0 20 Hz to 20 kHz in whole Hz of three digits, gain -12 to +6 dB and preamp -10 to 0 dB \
    in 0.1 dB, q 0.3 to 6 (shelves 0.4 to 1.0) in 0.05, sample rates 44.1, 48 and 96 kHz. The fit is made at the first rate.";

const EXAMPLES: &str = "Examples:
  Toward a target, with preset and picture:
    bandwright fit left.csv right.csv --target diffuse-field -o my.sheet.toml --plot my.svg
  3 dB more bass than it has now:
    bandwright fit average.csv --bass 3
  Within what the equaliser at hand can do, as a document for programs:
    bandwright fit average.csv --target flat --limits pocket.limits.toml --json
  What it costs at 75 dBA from the player at hand:
    bandwright fit my.unit.toml --target diffuse-field --source player.source.toml --play-at 75";

const OUTCOMES: &str = "Exit status: 0 done; 1 the job ran and the answer is no (no section helps, or the preamp does \
    not reach); 2 bad usage or input. Files are written all or none, and only over files of this program.";

/// Fits a few parametric-EQ sections to an earphone's coupler measurements.
#[derive(Debug, Parser)]
#[command(
    name = "bandwright",
    bin_name = "bandwright",
    version,
    about,
    long_about = "Fits a few parametric-EQ sections to an earphone's coupler measurements, so that it moves toward the \
                  sound its listener wants, and says how far the result can be trusted.\n\n\
                  Exit status: 0 done; 1 the job ran and the answer is no; 2 bad usage or input.",
    after_help = CARE,
    arg_required_else_help = true,
    subcommand_value_name = "VERB",
    subcommand_help_heading = "Verbs"
)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub verb: Verb,
}

/// The names of the verbs.
pub const VERBS: [&str; 7] = [
    "inspect", "target", "fit", "compare", "listen", "check", "export",
];

/// The verbs.
#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Judge takes: leaks, outliers, spread, match, the coupler's resonance, and what to do next
    Inspect(Inspect),
    /// List, show, build and compare targets: what an earphone could sound like
    Target(Target),
    /// Fit sections toward a target, within what an equaliser can do
    Fit(Box<Fit>),
    /// Tell which of several units takes EQ better
    Compare(Compare),
    /// Hear music through a sheet, as loud as without it, and try blindly whether the difference is heard
    Listen(Listen),
    /// Test a sheet, and whether its promise was kept: by itself, and against takes of before and after
    Check(Check),
    /// Write the filters of a sheet in general forms: second-order sections, coefficients, impulse response, table
    Export(Export),
}

fn sections(text: &str) -> Result<Sections, String> {
    match text {
        "auto" => Ok(Sections::Auto),
        "all" => Ok(Sections::All),
        _ => count(text)
            .map(Sections::Count)
            .map_err(|error| format!("{error}, or `auto`")),
    }
}

fn count(text: &str) -> Result<usize, String> {
    text.trim()
        .parse()
        .map_err(|_| "expected a whole number, such as 8".to_owned())
}

const INSPECT_EXAMPLES: &str = "Examples:
  A unit, with a picture:
    bandwright inspect fieldfare.unit.toml --plot fieldfare.svg
  Curves without a unit file:
    bandwright inspect left-1.csv left-2.csv right-1.csv right-2.csv
  Names that do not say the side, and a stricter eye on leaks:
    bandwright inspect --left a.wav --left b.wav --right c.wav --right d.wav --leak-threshold 0.8";

const INSPECT_FINDS: &str = "A take is set aside where it loses bass against the sound takes of its side (a leak), \
    or does not belong with them: another unit, the other side's take, a knock, a loose cable, a level step, mains hum. \
    The same data given twice count once. A loss that most takes of the unit share is a vent, not a leak. One that all \
    takes of a side share may be either: then the other side is asked, and where it cannot help, that is said.";

const INSPECT_OUTCOMES: &str = "Exit status: 0 the takes were judged, whatever was found; 2 bad usage or input. The \
    plot is only written over a plot of this program.";

/// `bandwright inspect`.
#[derive(Debug, ClapArgs)]
#[command(
    arg_required_else_help = true,
    override_usage = "bandwright inspect [OPTIONS] CURVE|NAME.unit.toml...",
    after_help = INSPECT_FINDS,
    after_long_help = format!("{INSPECT_EXAMPLES}\n\n{INSPECT_FINDS}\n\n{INSPECT_OUTCOMES}")
)]
pub struct Inspect {
    /// Takes of one unit, or any number of NAME.unit.toml, each reported in turn
    ///
    /// Text with columns frequency (Hz), level (dB), optionally phase (degrees), over an octave or more, or WAV impulse
    /// responses; the side is read from the file's name (`left`, `right`, `l`, `r` as a word)
    #[arg(value_name = "CURVE")]
    pub curves: Vec<PathBuf>,

    /// What else says what was measured.
    #[command(flatten, next_help_heading = "What was measured")]
    pub sides: Sides,
    /// How takes are judged.
    #[command(flatten, next_help_heading = "The judging")]
    pub judging: Judging,

    /// Write a picture here (NAME.svg or .png), of one unit
    ///
    /// Takes, sides, average, spread and match
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub plot: Option<PathBuf>,
    /// How it looks.
    #[command(flatten)]
    pub look: PlotLook,
    /// The same in the text.
    #[command(flatten)]
    pub drawing: Drawing,
    /// Write all of it here as one page for a browser (NAME.html)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub report: Option<PathBuf>,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

const COMPARE_EXAMPLES: &str = "Examples:
  Two units toward one target, with a picture:
    bandwright compare dunlin.unit.toml wool.unit.toml --target diffuse-field --plot two.svg
  What a pocket equaliser makes of the variants of one unit, toward two targets, with the source at hand:
    bandwright compare variants.unit.toml --target flat --target diffuse-field --limits pocket.limits.toml \\
      --source player.source.toml";

const COMPARE_FINDS: &str = "A unit takes EQ well where the preset works on every seat and ear, costs little, and leaves \
    little that cannot be mended. Each seating is left out in turn, the others are fitted, and the one left out is judged. \
    A unit is named better only where it surely leads in that, and does not surely lose on its sides or on loudness. Units of one name \
    up to a comma are variants: whether the part is worth carrying is told too.";

const COMPARE_OUTCOMES: &str = "Exit status: 0 done; 1 a unit has no figures and the others were compared; 2 bad usage or \
    input, or no unit has figures.";

/// `bandwright compare`.
#[derive(Debug, ClapArgs)]
#[command(
    arg_required_else_help = true,
    override_usage = "bandwright compare [OPTIONS] --target NAME|FILE UNIT UNIT...",
    after_help = COMPARE_FINDS,
    after_long_help = format!("{COMPARE_EXAMPLES}\n\n{COMPARE_FINDS}\n\n{COMPARE_OUTCOMES}")
)]
pub struct Compare {
    /// Two or more units: NAME.unit.toml, with all its variants, or a curve that stands for a unit with one take
    #[arg(value_name = "UNIT")]
    pub units: Vec<PathBuf>,

    /// How takes are judged.
    #[command(flatten, next_help_heading = "The judging")]
    pub judging: Judging,

    /// The wanted response, the same for all: a name of the library, or a file (repeatable)
    #[arg(
        long,
        value_name = "NAME|FILE",
        required = true,
        help_heading = "What is wanted"
    )]
    pub target: Vec<PathBuf>,

    /// What the equaliser can do: a name, or a NAME.limits.toml [default: eight sections, as for fit]
    #[arg(long, value_name = "NAME|FILE", help_heading = "The equaliser")]
    pub limits: Option<PathBuf>,
    /// At most so many, `all`, or `auto` (as few as help, which may be more for one unit than for another)
    #[arg(
        long,
        value_name = "N",
        value_parser = sections,
        default_value = "all",
        allow_negative_numbers = true,
        help_heading = "The equaliser"
    )]
    pub sections: Sections,

    /// What feeds the units: a NAME.source.toml; tells the level that is left, and distortion where it was measured
    #[arg(long, value_name = "FILE", help_heading = "The cost")]
    pub source: Option<PathBuf>,

    /// Sort the units by these figures, the first weighs most [default: as they are named]
    #[arg(
        long,
        value_enum,
        value_name = "FIGURE,...",
        value_delimiter = ',',
        help_heading = "Output"
    )]
    pub rank: Vec<RankBy>,
    /// Write the figures here as a table (NAME.csv)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub csv: Option<PathBuf>,
    /// Write a picture here (NAME.svg or .png), for one target
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub plot: Option<PathBuf>,
    /// How it looks.
    #[command(flatten)]
    pub look: PlotLook,
    /// The same in the text.
    #[command(flatten)]
    pub drawing: Drawing,
    /// Write all of it here as one page for a browser (NAME.html)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub report: Option<PathBuf>,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

const TARGET_EXAMPLES: &str = "Examples:
  What comes with the program:
    bandwright target list
  A picture and figures of a recipe:
    bandwright target show music-shows.target.toml --plot music-shows.svg
  A recipe halfway between another unit and a library target, with more bass:
    bandwright target build --base mesh.unit.toml --between diffuse-field --bass 2 -o mine.target.toml
  How far two targets are apart:
    bandwright target diff mine.target.toml gentle-slope";

const TARGET_OUTCOMES: &str = "Exit status: 0 done; 2 bad usage or input. Files are written all or none, and only over files of this program.";

/// `bandwright target`.
#[derive(Debug, ClapArgs)]
#[command(
    arg_required_else_help = true,
    subcommand_value_name = "TASK",
    subcommand_help_heading = "Tasks",
    disable_help_subcommand = true,
    after_help = TARGET_OUTCOMES,
    after_long_help = format!("{TARGET_EXAMPLES}\n\n{TARGET_OUTCOMES}")
)]
pub struct Target {
    /// What to do with targets.
    #[command(subcommand)]
    pub task: TargetTask,
}

/// The tasks of `bandwright target`.
#[derive(Debug, Subcommand)]
pub enum TargetTask {
    /// Tell the targets that come with the program: source, range, licence
    List(TargetList),
    /// Show a target by figures and as a picture
    Show(TargetShow),
    /// Build a target from a base, a blend and adjustments, and write it as a recipe or as a curve
    Build(TargetBuild),
    /// Tell how far two targets are apart, whatever their levels
    Diff(TargetDiff),
}

impl TargetTask {
    /// How results are shown.
    pub fn output_style(&self) -> OutputStyle {
        match self {
            Self::List(typed) => typed.output_style,
            Self::Show(typed) => typed.output_style,
            Self::Build(typed) => typed.output_style,
            Self::Diff(typed) => typed.output_style,
        }
    }
}

/// `bandwright target list`.
#[derive(Debug, ClapArgs)]
pub struct TargetList {
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

/// `bandwright target show`.
#[derive(Debug, ClapArgs)]
#[command(arg_required_else_help = true)]
pub struct TargetShow {
    /// A name of the library, a curve, a NAME.target.toml or a NAME.unit.toml
    #[arg(value_name = "NAME|FILE")]
    pub target: PathBuf,
    /// One side of a unit [default: both]
    #[arg(long, value_enum, help_heading = "The target")]
    pub side: Option<Side>,
    /// Which unit, where a unit file has several
    #[arg(long, value_name = "NAME", help_heading = "The target")]
    pub variant: Option<String>,
    /// The rest of the figures.
    #[command(flatten)]
    pub figures: Figures,
    /// Show levels so that they are 0 dB at this frequency
    ///
    /// [default: as the target has them]
    #[arg(long, value_name = "HZ", help_heading = "The figures")]
    pub align_hz: Option<f64>,
    /// Write a picture of the target here (NAME.svg or .png)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub plot: Option<PathBuf>,
    /// How it looks.
    #[command(flatten)]
    pub look: PlotLook,
    /// The same in the text.
    #[command(flatten)]
    pub drawing: Drawing,
    /// Write all of it here as one page for a browser (NAME.html)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub report: Option<PathBuf>,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

/// `bandwright target build`.
#[derive(Debug, ClapArgs)]
#[command(arg_required_else_help = true)]
pub struct TargetBuild {
    /// What to start from: a name, or a file
    ///
    /// `flat`, `measured` (what the unit that is fitted has), a name of the library, a curve, a NAME.target.toml or a
    /// NAME.unit.toml
    #[arg(
        long,
        value_name = "NAME|FILE",
        default_value = "flat",
        help_heading = "The target"
    )]
    pub base: PathBuf,
    /// One side of the base, where that is a unit [default: both]
    #[arg(long, value_enum, help_heading = "The target")]
    pub side: Option<Side>,
    /// Which unit, where the base is a unit file with several
    #[arg(long, value_name = "NAME", help_heading = "The target")]
    pub variant: Option<String>,
    /// A second target: the result lies between it and the base
    ///
    /// In dB; adjustments come on top
    #[arg(long, value_name = "NAME|FILE", help_heading = "The target")]
    pub between: Option<PathBuf>,
    /// How far from --base to --between, 0 to 1
    #[arg(
        long,
        value_name = "X",
        default_value_t = 0.5,
        help_heading = "The target"
    )]
    pub between_share: f64,
    /// What is added.
    #[command(flatten, next_help_heading = "The target")]
    pub taste: TasteOptions,
    /// Its name [default: the file's]
    #[arg(long, value_name = "WORDS", help_heading = "The target")]
    pub name: Option<String>,
    /// Where it comes from, in words [default: what it was built from]
    #[arg(long, value_name = "WORDS", help_heading = "The target")]
    pub source: Option<String>,
    /// The rest of the figures.
    #[command(flatten)]
    pub figures: Figures,

    /// Write the target here: NAME.target.toml, or NAME.csv
    ///
    /// A recipe follows its base; a curve stands alone
    #[arg(short, long, value_name = "FILE", help_heading = "Output")]
    pub output: PathBuf,
    /// Write a picture of the target here (NAME.svg or .png)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub plot: Option<PathBuf>,
    /// How it looks.
    #[command(flatten)]
    pub look: PlotLook,
    /// Also replace a recipe that was changed by hand since it was written, or a file that is protected from writing
    #[arg(long, help_heading = "Output")]
    pub overwrite: bool,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

/// `bandwright target diff`.
#[derive(Debug, ClapArgs)]
#[command(arg_required_else_help = true)]
pub struct TargetDiff {
    /// A name of the library, a curve, a NAME.target.toml or a NAME.unit.toml
    #[arg(value_name = "NAME|FILE")]
    pub one: PathBuf,
    /// The other, which is subtracted
    #[arg(value_name = "OTHER")]
    pub other: PathBuf,
    /// The rest of the figures.
    #[command(flatten)]
    pub figures: Figures,
    /// Write a picture of both and of their difference here (NAME.svg or .png)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub plot: Option<PathBuf>,
    /// How it looks.
    #[command(flatten)]
    pub look: PlotLook,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

/// Which takes count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Takes {
    /// Those that neither leak nor differ otherwise
    Sound,
    /// All but copies
    All,
}

/// `bandwright fit`.
#[derive(Debug, ClapArgs)]
#[command(
    arg_required_else_help = true,
    override_usage = "bandwright fit [OPTIONS] CURVE...",
    after_help = format!("{WITHOUT_LIMITS}\n\n{CARE}"),
    after_long_help = format!("{EXAMPLES}\n\n{WITHOUT_LIMITS}\n\n{OUTCOMES}\n\n{CARE}")
)]
pub struct Fit {
    /// Measured curves or WAV impulse responses of one unit, or a NAME.unit.toml
    ///
    /// Text with columns frequency (Hz), level (dB), optionally phase (degrees), over an octave or more, or WAV impulse
    /// responses. Several are takes of one unit and are averaged in dB, each side first; the side is read from the file's
    /// name (`left`, `right`, `l`, `r` as a word). Or a NAME.unit.toml that names them
    #[arg(value_name = "CURVE")]
    pub curves: Vec<PathBuf>,
    /// What else says what was measured.
    #[command(flatten, next_help_heading = "What was measured")]
    pub sides: Sides,
    /// Name of the unit in sheet and report [default: the unit file's, or the file's name, or that of the folder of
    /// several]
    #[arg(long, value_name = "NAME", help_heading = "What was measured")]
    pub unit: Option<String>,
    /// Smooth what is fitted: a share of an octave such as 1/6, or `erb` (the ear's width); without it
    /// nothing is smoothed
    #[arg(long, value_name = "WIDTH", help_heading = "What was measured")]
    pub smooth: Option<String>,
    /// Which takes count: the sound ones, or all with those that leak or do not belong
    #[arg(long, value_enum, default_value_t = Takes::Sound, help_heading = "What was measured")]
    pub takes: Takes,

    /// How takes are judged.
    #[command(flatten, next_help_heading = "The judging")]
    pub judging: Judging,

    /// The wanted response: a name of the library, or a file
    ///
    /// Names: flat, diffuse-field, gentle-slope, long-listening, spoken-word, diffuse-field-iso-532-2, diffuse-field-mean.
    /// Files: a curve, a NAME.target.toml, or a NAME.unit.toml, whose sound takes are averaged. Its level is free
    #[arg(long, value_name = "NAME|FILE", help_heading = "What is wanted")]
    pub target: Option<PathBuf>,
    /// A second target: what is wanted lies between the two, in dB
    #[arg(
        long,
        value_name = "NAME|FILE",
        requires = "target",
        help_heading = "What is wanted"
    )]
    pub between: Option<PathBuf>,
    /// How far from --target to --between, 0 to 1
    #[arg(
        long,
        value_name = "X",
        default_value_t = 0.5,
        help_heading = "What is wanted"
    )]
    pub between_share: f64,
    /// Go only this fraction of the way, more than 0, at most 1: 0.6 keeps 40 % of the unit's own character. All that is
    /// wanted counts, also what is added below
    #[arg(
        long,
        value_name = "X",
        default_value_t = 1.0,
        help_heading = "What is wanted"
    )]
    pub toward: f64,

    /// What is added to the target, or without one to what the unit has now.
    #[command(flatten, next_help_heading = "What is wanted")]
    pub taste: TasteOptions,

    /// What the equaliser can do: a name, or a NAME.limits.toml
    ///
    /// Names that come with the program: eight-section-pocket, ten-section-parametric, octave-graphic,
    /// third-octave-graphic. [default: eight
    /// sections, see the end]
    #[arg(long, value_name = "NAME|FILE", help_heading = "The equaliser")]
    pub limits: Option<PathBuf>,
    /// At most so many, `all`, or `auto` (as few as help)
    ///
    /// 1 to 64, and no more than the limits have; above 8 without --limits the equaliser grows. `auto`: see --least-gain
    #[arg(
        long,
        value_name = "N",
        value_parser = sections,
        default_value = "auto",
        allow_negative_numbers = true,
        help_heading = "The equaliser"
    )]
    pub sections: Sections,
    /// With --sections auto: what one more section must take off the residual, 0 to 60 dB; the fewest sections after which
    /// more, however many more, would each bring less
    #[arg(
        long,
        value_name = "DB",
        default_value_t = bandwright::job::LEAST_GAIN_DB,
        help_heading = "The equaliser"
    )]
    pub least_gain: f64,
    /// Sections that stay as they are: those of a sheet, from which some may have been taken out. The fit works round them;
    /// they count in --sections, in the limits and in the preamp
    #[arg(long, value_name = "FILE", help_heading = "The equaliser")]
    pub keep: Option<PathBuf>,

    /// Take these sections as they are and tell what they do: those of a sheet, or of a file of [[section]] tables alone.
    /// Sections with a side ask for --per-side; without --limits, those of the sheet hold, widened where they must be
    #[arg(
        long,
        value_name = "FILE",
        conflicts_with_all = ["keep", "sections", "least_gain", "as_good"],
        help_heading = "The equaliser"
    )]
    pub as_is: Option<PathBuf>,
    /// With --as-is: improve these sections from where they are, `gains` alone or `all` numbers; shapes and count stay
    /// [default: nothing changes]
    #[arg(
        long,
        value_enum,
        value_name = "WHAT",
        requires = "as_is",
        help_heading = "The equaliser"
    )]
    pub polish: Option<Polish>,

    /// Fit the curve as it was measured, for the ear that it was measured in. Otherwise, with a rig that is an ear
    /// simulator, what other ears are expected to get of it: above 5 kHz, peaks and dips lie elsewhere in each
    #[arg(long, help_heading = "The fit")]
    pub this_ear: bool,
    /// Where the listener's own resonance lies with this unit, as `listen --find-peak` tells, 4000 to 14000 Hz: fit for that ear
    ///
    /// The curve above 5 kHz is moved there from the coupler's resonance. A target that is another unit's curve is not moved
    #[arg(
        long,
        value_name = "HZ",
        conflicts_with = "this_ear",
        help_heading = "The fit"
    )]
    pub ear_peak_hz: Option<f64>,
    /// Fit only from this frequency on: below, nothing counts and no section has its f0
    #[arg(long, value_name = "HZ", help_heading = "The fit")]
    pub from_hz: Option<f64>,
    /// Fit only up to this frequency
    #[arg(long, value_name = "HZ", help_heading = "The fit")]
    pub to_hz: Option<f64>,
    /// No section has its f0 above this frequency, 100 Hz or more; what lies above still counts
    #[arg(long, value_name = "HZ", help_heading = "The fit")]
    pub highest_hz: Option<f64>,
    /// Of the answers whose residual is at most so much above the least, 0 to 10 dB, take the one that plays loudest after
    /// its preamp; 0: that of the least residual
    #[arg(long, value_name = "DB", default_value_t = bandwright::job::AS_GOOD_DB, help_heading = "The fit")]
    pub as_good: f64,
    /// The best fit that plays no more than so much quieter than no EQ, 0 to 60 dB, preamp and all (pink noise through the
    /// unit, A-weighted in a diffuse field), and what more would buy. Takes a few times as long
    #[arg(long, value_name = "DB", help_heading = "The fit")]
    pub max_loudness_loss: Option<f64>,
    /// What the preamp protects from clipping: `sine`, any steady tone (one that is switched on abruptly can exceed it by
    /// some tenths of a dB, and signals whose parts add up by more); `any-signal`, whatever the samples are, at some dB of
    /// level. Neither covers the curve that a converter draws between the samples: see --true-peak-margin
    #[arg(long, value_enum, default_value_t = Guard::Sine, help_heading = "The preamp")]
    pub guard: Guard,
    /// Room that the preamp leaves for the curve between the samples, 0 to 20 dB: EBU R 128 lets programmes reach -1 dBTP,
    /// so 1 is usual
    #[arg(
        long,
        value_name = "DB",
        default_value_t = 0.0,
        help_heading = "The preamp"
    )]
    pub true_peak_margin: f64,

    /// Weights by frequency (columns frequency in Hz, weight 0 or more), instead of those from rig and spread
    #[arg(long, value_name = "FILE", help_heading = "The fit")]
    pub weight: Option<PathBuf>,
    /// Price of sections that work against each other, 0 to 1000; 0 turns it off and keeps idle sections
    #[arg(long,
        value_name = "X",
        default_value_t = bandwright::job::ECONOMY,
        help_heading = "The fit"
    )]
    pub economy: f64,
    /// How long to search
    #[arg(long, value_enum, default_value_t = Effort::Normal, help_heading = "The fit")]
    pub effort: Effort,

    /// One EQ for each side instead of one for both
    ///
    /// Level and preamp stay common, so that the sound image does not move; `--sections` counts a side. Takes about ten
    /// times as long
    #[arg(long, help_heading = "The fit")]
    pub per_side: bool,

    /// What the EQ costs: loudness, and what the unit file and the options tell of
    ///
    /// Level, drive and distortion, from what the unit file gives (sensitivity, impedance, distortion); with --source or
    /// --play-at, how long that may be listened to. Each of the options below asks for this as well
    #[arg(long, help_heading = "What it costs")]
    pub cost: bool,
    /// The amplifier or player: a NAME.source.toml with its largest voltage, its output impedance and the volume in use
    #[arg(long, value_name = "FILE", help_heading = "What it costs")]
    pub source: Option<PathBuf>,
    /// What is played: columns centre frequency (Hz) and level (dB) of bands of equal relative width, such as third octaves
    /// [default: pink noise]
    #[arg(long, value_name = "FILE", help_heading = "What it costs")]
    pub programme: Option<PathBuf>,
    /// A level to listen at, 0 to 140 dBA at the eardrum (the ear simulator's microphone), of the programme with EQ: what
    /// it takes, and how long the rules allow it. A sound level meter in a room would read some dB less; that level is
    /// told beside it
    #[arg(long, value_name = "DBA", help_heading = "What it costs")]
    pub play_at: Option<f64>,
    /// Show the figures of a wished level above 100 dBA in the diffuse field, which is refused otherwise: the rules for work
    /// allow 15 minutes a day or less there (NIOSH 1998). For measurements that nobody hears
    #[arg(long, requires = "play_at", help_heading = "What it costs")]
    pub above_100_dba: bool,
    /// The sound field in which rules about exposure take their levels [default: diffuse]
    #[arg(long, value_enum, help_heading = "What it costs")]
    pub field: Option<Field>,
    /// The table that leads from the eardrum to that field; the level by the other one is told beside it
    /// [default: itu-t-p58]
    #[arg(long, value_enum, help_heading = "What it costs")]
    pub field_table: Option<FieldTable>,

    /// Write the preset here, as a sheet (NAME.sheet.toml)
    #[arg(short, long, value_name = "FILE", help_heading = "Output")]
    pub output: Option<PathBuf>,
    /// Write a picture of the curves here (NAME.svg or .png)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub plot: Option<PathBuf>,
    /// How it looks.
    #[command(flatten)]
    pub look: PlotLook,
    /// The same in the text.
    #[command(flatten)]
    pub drawing: Drawing,
    /// Write all of it here as one page for a browser (NAME.html)
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub report: Option<PathBuf>,
    /// Print the card alone: what is typed into the equaliser, in few lines
    #[arg(long, help_heading = "Output", conflicts_with_all = ["json", "verbose", "quiet", "draw"])]
    pub card: bool,
    /// Also replace a sheet that was changed by hand since it was written, or a file that is protected from writing
    #[arg(long, help_heading = "Output")]
    pub overwrite: bool,
    /// Show curves so that measured and equalised meet the target at this frequency, in plot and document. Levels are
    /// free: the fit and its figures stay as they are [default: their weighted means meet]
    #[arg(long, value_name = "HZ", help_heading = "Output")]
    pub align_hz: Option<f64>,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

const CHECK_EXAMPLES: &str = "Examples:
  A sheet by itself:
    bandwright check my.sheet.toml
  Against what another equaliser can do:
    bandwright check my.sheet.toml --limits pocket.limits.toml
  Was the promise kept? Takes without the sheet, and with it:
    bandwright check my.sheet.toml --before left-1.csv left-2.csv --after eq-left-1.csv eq-left-2.csv --plot kept.svg";

const CHECK_TELLS: &str = "The change is measured after minus before, level-free, and judged in third octaves by the spread \
    of the takes: kept where it is within the tolerance with 95 % confidence. Explanations are ranked by their probability: \
    sections missing, mistyped or with a wrong sign or shape, q read in another way, gains halved, the equaliser bypassed, \
    applied twice or on one side only, sides or sessions mixed up, a wrong sample rate; with --same-level a missing preamp; \
    two at once; and what accuses no load: another seal, seat or source. Takes that leak or do not belong are set aside.";

const CHECK_OUTCOMES: &str = "Exit status: 0 every point passes, and nothing shows that the promise was not kept (`cannot \
    tell` included); 1 a point fails, or the promise was not kept; 2 bad usage or input. The plot is only written over a plot of this program.";

/// What of given sections may change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Polish {
    /// Their gains.
    Gains,
    /// All their numbers.
    All,
}

/// `bandwright check`.
#[derive(Debug, ClapArgs)]
#[command(
    arg_required_else_help = true,
    override_usage = "bandwright check [OPTIONS] SHEET [--before TAKES... --after TAKES...]",
    after_help = CHECK_TELLS,
    after_long_help = format!("{CHECK_EXAMPLES}\n\n{CHECK_TELLS}\n\n{CHECK_OUTCOMES}")
)]
pub struct Check {
    /// The sheet (NAME.sheet.toml)
    #[arg(value_name = "SHEET")]
    pub sheet: PathBuf,
    /// Hold the sections against these limits instead of the sheet's own
    ///
    /// A NAME.limits.toml, or the name of one that comes with the program
    #[arg(long, value_name = "NAME|FILE", help_heading = "The sheet")]
    pub limits: Option<PathBuf>,

    /// Takes without the sheet: files, or one NAME.unit.toml
    ///
    /// Curves whose names say the side, WAV impulse responses (several values, repeatable)
    #[arg(long, value_name = "TAKES", num_args = 1.., help_heading = "The promise")]
    pub before: Vec<PathBuf>,
    /// Takes with the sheet loaded, as --before
    #[arg(long, value_name = "TAKES", num_args = 1.., help_heading = "The promise")]
    pub after: Vec<PathBuf>,
    /// Levels of before and after compare, so that a missing preamp shows
    ///
    /// Same drive, same gain
    #[arg(long, help_heading = "The promise")]
    pub same_level: bool,
    /// How far any third octave may be off and the promise still be kept, dB, more than 0 [default: 1]
    #[arg(long, value_name = "DB", help_heading = "The promise")]
    pub tolerance_db: Option<f64>,
    /// The sample rate that the equaliser runs at, Hz, one of the sheet's [default: any of them; the promise is shown at
    /// the first]
    #[arg(long, value_name = "HZ", help_heading = "The promise")]
    pub rate_hz: Option<f64>,

    /// How takes are judged.
    #[command(flatten, next_help_heading = "The judging")]
    pub judging: Judging,

    /// Write a picture of promised and measured change here (NAME.svg or .png)
    ///
    /// Needs takes
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub plot: Option<PathBuf>,
    /// How it looks.
    #[command(flatten)]
    pub look: PlotLook,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

const EXPORT_EXAMPLES: &str = "Examples:
  The matrix of second-order sections at every rate of the sheet:
    bandwright export my.sheet.toml --form sos -o my-sos.csv
  An impulse response to convolve with:
    bandwright export my.sheet.toml --form impulse --rate-hz 48000 -o my-48000.wav
  Gain and phase of the left side of a sheet with an EQ for each:
    bandwright export sides.sheet.toml --form response --side left -o left-response.csv";

const EXPORT_KEEPS: &str = "The coefficients are computed anew from the numbers of the sections. A sheet that contradicts \
    itself (other coefficients or checkpoints, or a preamp too small at a rate that is exported with it) is not \
    exported. The preamp is included in every form, unless it is left out: in rows of coefficients as section 0.";

const EXPORT_OUTCOMES: &str = "Exit status: 0 done; 1 the sheet contradicts itself, or rings too long for an impulse \
    response (4 194 304 samples); 2 bad usage or input. A file is only written over an earlier output of the same form.";

/// `bandwright export`.
#[derive(Debug, ClapArgs)]
#[command(
    arg_required_else_help = true,
    override_usage = "bandwright export [OPTIONS] --form FORM SHEET",
    after_help = format!("{EXPORT_KEEPS}\n\n{CARE}"),
    after_long_help = format!("{EXPORT_EXAMPLES}\n\n{EXPORT_KEEPS}\n\n{EXPORT_OUTCOMES}\n\n{CARE}")
)]
pub struct Export {
    /// A preset (NAME.sheet.toml)
    #[arg(value_name = "SHEET")]
    pub sheet: PathBuf,
    /// How the filters are told
    #[arg(long, value_enum, value_name = "FORM", help_heading = "The filters")]
    pub form: Form,
    /// The sample rate, Hz (repeatable) [default: every rate of the sheet]
    ///
    /// An impulse response has one
    #[arg(long, value_name = "HZ", help_heading = "The filters")]
    pub rate_hz: Vec<f64>,
    /// Allow a rate that the sheet does not list, 8000 to 768000 Hz. No checkpoint covers it, and near half the rate sections
    /// have another shape than the one that was fitted; the preamp must suffice there
    #[arg(long, requires = "rate_hz", help_heading = "The filters")]
    pub unlisted_rate: bool,
    /// One side of a sheet with an EQ for each [default: all there is]
    #[arg(long, value_enum, help_heading = "The filters")]
    pub side: Option<Side>,
    /// Leave the preamp out: it must then be set elsewhere
    ///
    /// Set it before the filters, or they can clip and play too loud
    #[arg(long, help_heading = "The filters")]
    pub without_preamp: bool,

    /// Write the filters here; the ending says how
    ///
    /// Needed, unless --json prints them
    #[arg(short, long, value_name = "FILE", help_heading = "Output")]
    pub output: Option<PathBuf>,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

const LISTEN_EXAMPLES: &str = "Examples:
  A preset and no EQ, as loud as each other at the ear:
    bandwright listen my.sheet.toml song.flac --unit my.unit.toml -o trial
  Two presets and no EQ, twenty seconds of two pieces:
    bandwright listen one.sheet.toml other.sheet.toml song.mp3 speech.wav --from 1:05 --for 20s -o trial
  One insert made to sound like the other, beside itself as it is:
    bandwright fit one.unit.toml --target other.unit.toml -o turned.sheet.toml
    bandwright listen turned.sheet.toml song.flac --unit one.unit.toml -o trial
  Is the difference heard at all? Sixteen trials, then the answers:
    bandwright listen my.sheet.toml song.flac --from 1:05 --for 10s --blind three-way -o trial
    bandwright listen --answer trial/answers.toml";

const LISTEN_OUTCOMES: &str = "Files are MUSIC.untouched.wav and MUSIC.SHEET.wav at the music's own rate. None is louder than \
    its sheet asks for: those that are louder than the quietest are turned down. Read are WAV, FLAC, MP3, Ogg Vorbis and AAC \
    (LC) in M4A or ADTS, by their content. Exit status: 0 done; 2 bad usage or input. Files are written all or none, and only \
    over files of this program.";

/// `bandwright listen`.
#[derive(Debug, ClapArgs)]
#[command(arg_required_else_help = true, after_help = CARE, after_long_help = format!("{LISTEN_EXAMPLES}\n\n{LISTEN_OUTCOMES}\n\n{CARE}"))]
pub struct Listen {
    /// Sheets (NAME.toml) and music (anything else), in any order
    #[arg(value_name = "SHEET|MUSIC", required_unless_present_any = ["answer", "signal", "find_peak"])]
    pub inputs: Vec<PathBuf>,

    /// The unit that is listened with (NAME.unit.toml, or one curve): loudness is then matched at the ear
    ///
    /// A-weighted, through the average of its takes. Without, by ITU-R BS.1770 of the files, which can be off by some dB at the ear
    #[arg(long = "unit", value_name = "FILE", help_heading = "Loudness")]
    pub unit_file: Option<PathBuf>,
    /// Only this unit, where the file has several
    #[arg(
        long,
        value_name = "NAME",
        requires = "unit_file",
        help_heading = "Loudness"
    )]
    pub variant: Option<String>,
    /// Match nothing: each sheet as loud as it plays, without an untouched file
    ///
    /// Turned down only where it would clip
    #[arg(long, conflicts_with_all = ["unit_file", "blind"], help_heading = "Loudness")]
    pub unmatched: bool,

    /// Begin here: seconds, or minutes and seconds as 1:05
    #[arg(long, value_name = "TIME", default_value = "0", value_parser = time, conflicts_with_all = ["signal", "find_peak", "answer"], help_heading = "The music")]
    pub from: f64,
    /// Play so long: seconds as 20 or 20s, or 1:05 [default: to the end]
    #[arg(long = "for", value_name = "TIME", value_parser = duration, help_heading = "The music")]
    pub length: Option<f64>,
    /// How long a sample of the files is
    #[arg(
        long,
        value_enum,
        value_name = "BITS",
        default_value_t,
        help_heading = "The music"
    )]
    pub depth: Depth,

    /// Write this signal, whose answer is known, instead of music: 48 kHz, two channels
    #[arg(long, value_enum, value_name = "SIGNAL", conflicts_with_all = ["inputs", "unit_file", "blind", "unmatched", "length", "answer"], help_heading = "Signals")]
    pub signal: Option<Signal>,
    /// Its level, or that of the sweeps: a sine of full scale lowered by this, rms, -100 to -12 dB
    #[arg(long, value_name = "DB", default_value_t = LEVEL_DB, conflicts_with_all = ["inputs", "answer"], help_heading = "Signals")]
    pub level_db: f64,

    /// Write sweeps by which you find where your own ear resonates with --unit, and a file for the times
    ///
    /// Bands of noise from 4 to 14 kHz, twice up and twice down, as loud everywhere for an average ear. Note when each is loudest;
    /// --answer tells the frequency, and `fit --ear-peak-hz` fits for that ear
    #[arg(
        long,
        requires = "unit_file",
        conflicts_with_all = ["inputs", "signal", "blind", "unmatched", "length", "answer"],
        help_heading = "Your own ear"
    )]
    pub find_peak: bool,

    /// Write trials in a hidden order instead, with a file for the answers: of one sheet against no EQ, or of two sheets
    #[arg(long, value_enum, value_name = "KIND", help_heading = "Blind trials")]
    pub blind: Option<Kind>,
    /// How many trials
    #[arg(
        long,
        value_name = "COUNT",
        default_value_t = 16,
        value_parser = clap::value_parser!(u64).range(1..=MOST_TRIALS as u64),
        requires = "blind",
        help_heading = "Blind trials"
    )]
    pub trials: u64,
    /// Take the order from this number, for an order that can be had again [default: by chance]
    #[arg(
        long,
        value_name = "NUMBER",
        requires = "blind",
        help_heading = "Blind trials"
    )]
    pub seed: Option<u64>,
    /// Tell what the answers in this file are worth
    #[arg(long, value_name = "FILE", conflicts_with_all = ["inputs", "unit_file", "blind", "unmatched", "length", "output"], help_heading = "Blind trials")]
    pub answer: Option<PathBuf>,

    /// Write the files into this folder, which exists
    #[arg(
        short,
        long,
        value_name = "FOLDER",
        required_unless_present = "answer",
        help_heading = "Output"
    )]
    pub output: Option<PathBuf>,
    /// How results are shown.
    #[command(flatten, next_help_heading = "Output")]
    pub output_style: OutputStyle,
}

/// A time of more than nothing.
fn duration(text: &str) -> Result<f64, String> {
    let seconds = time(text)?;
    match seconds > 0.0 {
        true => Ok(seconds),
        false => Err("expected more than 0 s".to_owned()),
    }
}

/// A time as people type it.
fn time(text: &str) -> Result<f64, String> {
    let wrong = || "expected a time, such as 20, 20s or 1:05".to_owned();
    excerpt::seconds(text).ok_or_else(wrong)
}
