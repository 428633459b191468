//! Groups of options that several verbs share.

use std::path::PathBuf;

use bandwright::error::Result;
use bandwright::files::Files;
use bandwright::job::Taste;
use bandwright::measurement::leak::LEAK_THRESHOLD_DB;
use bandwright::measurement::open;
use bandwright::measurement::rig::Rig;
use bandwright::report::blocks::Report;
use bandwright::report::picture::{Picture, Theme};
use clap::{Args, ValueEnum};

/// How results are shown.
#[derive(Debug, Clone, Copy, Args)]
pub struct OutputStyle {
    /// Print one JSON document instead of text
    ///
    /// Also when the job fails. Its schemas stand in tests/golden/schema/ of the source
    #[arg(long)]
    pub json: bool,
    /// Print everything: how the figures came about, and how sure they are
    #[arg(short, long, conflicts_with_all = ["json", "quiet"])]
    pub verbose: bool,
    /// Print nothing but errors and what safety asks for
    #[arg(long, conflicts_with = "json")]
    pub quiet: bool,
}

/// A finite number with a decimal point; U+2212, the minus of pictures, counts as a minus.
pub fn number(text: &str) -> std::result::Result<f64, String> {
    let parsed = text.trim().replace('\u{2212}', "-").parse::<f64>();
    parsed
        .ok()
        .filter(|value| value.is_finite())
        .ok_or_else(|| {
            "expected a finite number with a decimal point, such as 3 or -2.5".to_owned()
        })
}

/// Takes of known sides, and which unit is meant.
#[derive(Debug, Clone, Args)]
pub struct Sides {
    /// A take of the left side, whatever its name (repeatable)
    #[arg(long, value_name = "CURVE")]
    pub left: Vec<PathBuf>,
    /// A take of the right side, whatever its name (repeatable)
    #[arg(long, value_name = "CURVE")]
    pub right: Vec<PathBuf>,
    /// Only this unit, where there are several
    #[arg(long, value_name = "NAME")]
    pub variant: Option<String>,
}

/// How takes are judged.
#[derive(Debug, Clone, Args)]
pub struct Judging {
    /// The rig, instead of the unit file's: `iec-60318-4` (an ear simulator, trusted to 8 kHz and less above), `flat`
    /// (believed everywhere), or a file with columns frequency (Hz) and trust (0 to 1). Where nothing says it
    /// [default: iec-60318-4]
    #[arg(long, value_name = "NAME|FILE")]
    pub rig: Option<PathBuf>,
    /// The loss of bass from which a take leaks, where it is worst below 40 Hz, against the sound takes of its side: dB,
    /// more than 0, at most 60
    #[arg(
        long,
        value_name = "DB",
        default_value_t = LEAK_THRESHOLD_DB
    )]
    pub leak_threshold: f64,
}

impl Judging {
    /// The rig that was typed, read from its file where it is one.
    pub fn opened_rig(&self, files: &dyn Files) -> Result<Option<Rig>> {
        let rig = self.rig.as_deref();
        rig.map(|path| open::rig(path, files)).transpose()
    }
}

/// How a picture looks.
#[derive(Debug, Clone, Copy, Args)]
pub struct PlotLook {
    /// Width of the picture, 240 to 7680 pixels [default: 960 for SVG, 1920 for PNG]
    #[arg(
        long,
        value_name = "PIXELS",
        requires = "plot",
        value_parser = clap::value_parser!(u32).range(240..=7680),
        help_heading = "Output"
    )]
    pub size: Option<u32>,
    /// Colours of the picture
    #[arg(
        long,
        value_enum,
        value_name = "THEME",
        requires = "plot",
        default_value_t,
        help_heading = "Output"
    )]
    pub theme: Theme,
}

/// A picture in the text.
#[derive(Debug, Clone, Copy, Args)]
pub struct Drawing {
    /// Draw the levels in the text, in dots of braille characters, 80 columns wide; not with --json or --quiet
    #[arg(long, conflicts_with_all = ["json", "quiet"], help_heading = "Output")]
    pub draw: bool,
}

impl Drawing {
    /// The report with its picture first, if that was asked for.
    pub fn of(self, report: Report, picture: impl FnOnce() -> Picture) -> Report {
        match self.draw {
            true => report.with_pictures(vec![picture()]),
            false => report,
        }
    }
}

/// A taste.
#[derive(Debug, Clone, Args)]
pub struct TasteOptions {
    /// More bass by so many dB, -60 to 60
    ///
    /// A low shelf at 90 Hz, q 0.6. Added to the target, or without one to what the unit has now, as are all below
    #[arg(long, value_name = "DB")]
    pub bass: Option<f64>,
    /// More treble by so many dB, -60 to 60
    ///
    /// A high shelf at 6 kHz, q 0.5
    #[arg(long, value_name = "DB")]
    pub treble: Option<f64>,
    /// A slope of so many dB per octave about 1 kHz, -24 to 24: positive is brighter
    #[arg(long, value_name = "DB")]
    pub slope: Option<f64>,
    /// One more adjustment, such as shape=peaking,f0_hz=3000,gain_db=-2,q=1.2 (or low-shelf, high-shelf),
    /// shape=slope,db_per_octave=-0.4,pivot_hz=1000, shape=table,points=100:1.5/1000:0 (Hz:dB) or shape=table,file=FILE
    /// (repeatable)
    #[arg(long, value_name = "CONTOUR")]
    pub contour: Vec<String>,
}

impl TasteOptions {
    /// As the library has it.
    pub fn taste(&self) -> Taste {
        Taste {
            bass_db: self.bass,
            treble_db: self.treble,
            slope_db_per_octave: self.slope,
            contours: self.contour.clone(),
        }
    }
}

/// Where figures are told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Points {
    /// Octaves from 31.5 Hz
    Octave,
    /// Third octaves from 20 Hz
    ThirdOctave,
}

/// The sample rate of contours, and where figures are told.
#[derive(Debug, Clone, Copy, Args)]
pub struct Figures {
    /// Where figures are told
    #[arg(long, value_enum, default_value_t = Points::ThirdOctave, help_heading = "The figures")]
    pub points: Points,
    /// The sample rate at which contours are evaluated, Hz
    ///
    /// 8000 to 768000 Hz: near half of it their form depends on it
    #[arg(
        long,
        value_name = "HZ",
        default_value_t = 48_000.0,
        help_heading = "The figures"
    )]
    pub rate_hz: f64,
}
