//! The documents of `listen --json`: of sounds, and of answers. Their schemas are made from these types
//! ([`mod@super::schema`]).

use schemars::JsonSchema;
use serde::Serialize;

use crate::listen::Heard;
use crate::listen::answers::Answers;
use crate::listen::find_peak::{self, PeakFound};
use crate::listen::signals::{self, Signal};
use crate::listen::trial::Score;
use crate::report::files::WrittenFile;
use crate::report::figures::listen::meaning;

/// The document of `listen --json`. Every object has all its fields; a figure that does not exist is `null`. Levels are dB
/// rounded to 0.0001.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ListenDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `listen`.
    #[schemars(extend("const" = "listen"))]
    pub verb: &'static str,
    /// Names of the sheets, in the order given.
    pub sheets: &'a [String],
    /// What became of each piece of music, in the order given.
    pub music: &'a [Heard],
    /// The files that were written: of each piece its sounds, in order; of a trial what it consists of.
    pub files: &'a [WrittenFile],
}

/// The document of `listen --answer --json`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ScoreDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `listen`.
    #[schemars(extend("const" = "listen"))]
    pub verb: &'static str,
    /// The music.
    pub music: &'a str,
    /// The two sounds that were compared: `no EQ`, or a sheet.
    pub compared: &'a [String; 2],
    /// What the answers are worth.
    #[serde(flatten)]
    pub score: &'a Score,
    /// What that means, in a sentence or two.
    pub meaning: String,
}

/// The document of `listen --signal --json`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SignalDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `listen`.
    #[schemars(extend("const" = "listen"))]
    pub verb: &'static str,
    /// Which signal.
    pub signal: Signal,
    /// Its rate, Hz.
    pub rate_hz: u32,
    /// Its level: that of a sine of full scale lowered by this, rms, dB.
    pub level_db: f64,
    /// The frequencies of its sines, one after another, Hz; empty for another signal.
    pub steps_hz: Vec<f64>,
    /// How long each of these lasts, s; `null` for another signal.
    pub step_s: Option<f64>,
    /// The file that was written.
    pub files: &'a [WrittenFile],
}

/// The document of `listen --find-peak --json`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SweepsDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `listen`.
    #[schemars(extend("const" = "listen"))]
    pub verb: &'static str,
    /// The unit that is listened with.
    pub unit: &'a str,
    /// Lowest and highest frequency of every sweep, Hz.
    pub sweep_hz: (f64, f64),
    /// Length of every sweep, s.
    pub seconds: f64,
    /// Level of its loudest part: that of a sine of full scale lowered by this, rms, dB.
    pub level_db: f64,
    /// The files that were written: the sweeps, then the one for the times.
    pub files: &'a [WrittenFile],
}

/// The document of `listen --answer --json` for times of sweeps.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PeakDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `listen`.
    #[schemars(extend("const" = "listen"))]
    pub verb: &'static str,
    /// What the times tell.
    #[serde(flatten)]
    pub found: &'a PeakFound,
}

/// The document of sweeps.
#[must_use]
pub fn sweeps_document<'a>(
    unit: &'a str,
    level_db: f64,
    files: &'a [WrittenFile],
) -> SweepsDocument<'a> {
    SweepsDocument {
        format: 1,
        verb: "listen",
        unit,
        sweep_hz: find_peak::BAND_HZ,
        seconds: find_peak::SECONDS,
        level_db,
        files,
    }
}

/// The document of what times tell.
#[must_use]
pub fn peak_document(found: &PeakFound) -> PeakDocument<'_> {
    PeakDocument {
        format: 1,
        verb: "listen",
        found,
    }
}

/// The document of a signal.
#[must_use]
pub fn signal_document(signal: Signal, level_db: f64, files: &[WrittenFile]) -> SignalDocument<'_> {
    let is_stepped = signal == Signal::SteppedSines;
    SignalDocument {
        format: 1,
        verb: "listen",
        signal,
        rate_hz: signals::RATE_HZ,
        level_db,
        steps_hz: if is_stepped { signals::steps_hz().collect() } else { Vec::new() },
        step_s: is_stepped.then_some(signals::STEP_S),
        files,
    }
}

/// The document of what is to be heard.
#[must_use]
pub fn listen_document<'a>(
    music: &'a [Heard],
    sheets: &'a [String],
    files: &'a [WrittenFile],
) -> ListenDocument<'a> {
    ListenDocument {
        format: 1,
        verb: "listen",
        sheets,
        music,
        files,
    }
}

/// The document of what answers are worth.
#[must_use]
pub fn score_document<'a>(answers: &'a Answers, score: &'a Score) -> ScoreDocument<'a> {
    ScoreDocument {
        format: 1,
        verb: "listen",
        music: &answers.music,
        compared: &answers.compared,
        meaning: meaning(score),
        score,
    }
}
