//! Bandwright turns coupler measurements of an earphone into a short list of parametric-EQ sections that a
//! listener can type into an equaliser, and says how far that list can be trusted.
//!
//! # The problem
//!
//! A measured curve differs from the wanted one by many small amounts; an equaliser has a handful of
//! second-order sections, each with a shape, a frequency, a gain and a q, often in coarse steps. Which
//! sections bring the curve closest, without clipping, and without chasing what the coupler made rather than
//! the earphone? [`Prepared::fit`] answers that for one unit, one target and one equaliser.
//!
//! # Units and signs
//!
//! - A number carries its unit in its name: `f0_hz`, `rate_hz` (hertz), `gain_db`, `level_db` (decibels of an
//!   amplitude ratio, `20 log10`). Distances between frequencies are octaves. q is the Audio EQ Cookbook's.
//! - Gains are positive upwards: +3 dB is louder. A preamp is 0 dB or less.
//! - The wanted change is target minus measured. A residual is equalised minus target: positive is too loud.
//! - Levels are free: only the form of a curve counts, and every residual is taken after the level that makes
//!   it least has been removed.
//! - Curves live on a common grid of 48 points an octave from 20 Hz ([`measurement::grid`]); nothing is
//!   extrapolated, and outside its support a curve has no meaning.
//!
//! # A worked run
//!
//! You supply the contents of files through [`Files`], here a map in memory; sheets and reports come out as text. The
//! library opens no file and prints nothing.
//!
//! ```
//! use std::collections::BTreeMap;
//! use std::path::PathBuf;
//!
//! use bandwright::caution::Caution;
//! use bandwright::{Effort, Prepared, Request, Sheet, Stop, fit_report, read_sheet, text, write_sheet};
//!
//! # fn main() -> bandwright::Result<()> {
//! // An invented curve, full in the bass, with a glare near 3 kHz; five sections in steps of half a decibel.
//! let files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::from([
//!     ("left.csv".into(), b"frequency_hz,level_db\n20,104\n60,103.5\n150,101\n400,98\n1000,97\n\
//!         2000,101\n3000,107\n4500,102\n8000,99\n16000,88\n".to_vec()),
//!     ("five.limits.toml".into(), br#"
//! format = 1
//! name = "five sections"
//! sections = 5
//! rates_hz = [48000]
//! preamp_db = { min = -24, max = 0, step = 0.5 }
//! f0_hz = { min = 20, max = 16000, step = 1 }
//! gain_db = { min = -12, max = 6, step = 0.5 }
//! q = { min = 0.5, max = 4, step = 0.1 }
//! shelf_q = 0.7
//! [shapes]
//! low-shelf = 1
//! peaking = 3
//! high-shelf = 1
//! "#.to_vec()),
//! ]);
//!
//! // A target of the library, with 2 dB more bass.
//! let mut request = Request {
//!     curves: vec!["left.csv".into()],
//!     target: Some("gentle-slope".into()),
//!     limits: Some("five.limits.toml".into()),
//!     ..Request::default()
//! };
//! request.taste.bass_db = Some(2.0);
//! let opened = request.open(&files)?;
//!
//! // The takes are judged once, and fitted as often as something is wished for.
//! let (wish, limits) = (opened.wish, opened.limits);
//! let outcome =
//!     Prepared::new(opened.measured)?.fit(&wish, &limits, Effort::Quick, &Stop::default())?;
//!
//! // Closer to the target than without sections, on the equaliser's steps, and never clipping a steady tone.
//! let (shared, sections) = (&outcome.shared, &outcome.channels[0].sections);
//! assert!(shared.residual.after.weighted_db < 0.5 * shared.residual.before.weighted_db);
//! limits.allows(sections)?;
//! assert!(shared.headroom.preamp_db + shared.headroom.peak_gain_db <= 1e-9);
//! // The rig is believed up to 10.8 kHz, and what one take cannot know is said.
//! let (_, highest_hz) = shared.trusted_band_hz.unwrap();
//! assert!((10_000.0..=10_800.0).contains(&highest_hz));
//! let unknown = |caution: &Caution| caution.to_string().contains("the spread is unknown");
//! assert!(shared.cautions.iter().any(unknown));
//! let report = fit_report(&outcome, &[], &[]);
//! let printed = text(&[report], |setting| setting.knob.to_string());
//! assert!(printed.contains("Gain before the sections"), "{printed}");
//!
//! // The preset as a file that explains itself, and reads back as what was written.
//! let sheet = Sheet::from_outcome(&outcome, &limits)?;
//! assert_eq!(read_sheet(write_sheet(&sheet)?.as_bytes(), "an.sheet.toml")?, sheet);
//! # Ok(())
//! # }
//! ```
//!
//! The stable interface is the names at the end of this page. The modules are public for the program, its tests and
//! benches only, and change with them; without the feature `parts`, which is on by default, they are private.
//!
//! # The stages
//!
//! In the order in which data flow; a stage may know earlier ones, never later ones. Exceptions: [`sheet`]
//! and [`report`] read the record of [`job`], which joins the stages, and [`export`] asks the one check of
//! [`verify`].
//!
//! - 1 [`measurement`]: bytes of curve, WAV and unit files become levels on the common grid, their average and
//!   spread, phase and its excess, and the trust in the rig.
//! - 2 [`wanted`]: a name, a recipe or a taste becomes a target and the wanted change.
//! - 3 [`filter`]: what a section does, exactly, with derivatives.
//! - 4 [`limits`]: what an equaliser accepts, in whole steps.
//! - 5 [`fit`]: the sections.
//! - 6 [`headroom`]: what they need before them, so that nothing clips; [`mod@cost`]: what they cost.
//! - 7 [`sheet`]: the preset as a text file that a stranger can implement; [`export`]: its filters in general forms.
//! - 8 [`verify`]: a sheet tested by itself, and against takes measured before and after.
//! - 9 [`listen`]: music through a sheet, as loud as without.
//! - 11 [`report`]: text, JSON and picture.
//!
//! [`inspection`] joins stage 1 alone: which takes can be believed, and what to do next.
//!
//! [`units`], [`error`], [`message`], [`caution`], [`knob`], [`digest`] and [`file_names`]
//! serve all of them, with [`files`] and [`keys`]: every failure is an [`Error`] value with its place, and a finding that is no failure is a [`caution::Caution`].
//!
//! Loud sound harms hearing. Whatever is built on this: let listeners start at a low volume, and let local rules
//! and a hearing professional come before any figure.
#![deny(clippy::print_stdout, clippy::print_stderr, clippy::dbg_macro)]
#![cfg_attr(not(feature = "parts"), allow(dead_code, unused_imports))]

/// Modules, private without the feature `parts`.
macro_rules! parts {
    ($($name:ident)+) => {
        $(
            #[cfg(feature = "parts")]
            pub mod $name;
            #[cfg(not(feature = "parts"))]
            mod $name;
        )+
    };
}

// What serves all stages.
parts! { units error knob message caution files digest file_names keys }

// The stages, in the order in which data flow: what was measured, what is wanted, what a section does, what the equaliser
// accepts, the fit, what its sections need before them and what they cost, the preset as a file and in general forms,
// whether it is right, what a person sees.
parts! { measurement wanted filter limits fit headroom cost sheet export verify listen report }

// The stages joined.
parts! { job inspection comparison }

pub use error::{Error, Result};
pub use files::Files;
pub use fit::{Effort, Stop};
pub use job::{Outcome, Prepared, Request, Wish};
pub use limits::Limits;
pub use report::blocks::{Block, Naming, Part, Report, Text};
pub use report::figures::fit::report as fit_report;
pub use report::text;
pub use sheet::{Sheet, read as read_sheet, write as write_sheet};
