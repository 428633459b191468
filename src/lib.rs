//! Bandwright turns coupler measurements of an earphone into a short list of parametric-EQ sections that a
//! listener can type into an equaliser, and says how far that list can be trusted.
//!
//! # The problem
//!
//! A measured curve differs from the wanted one by many small amounts; an equaliser has a handful of
//! second-order sections, each with a shape, a frequency, a gain and a q, often in coarse steps. Which
//! sections bring the curve closest, without clipping, and without chasing what the coupler made rather than
//! the earphone? [`job::Prepared::fit`] answers that for one unit, one target and one equaliser.
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
//! Curves, limits and recipes come in as bytes and sheets go out as text: this library opens no file and prints
//! nothing.
//!
//! ```
//! use bandwright::fit::Effort;
//! use bandwright::fit::Stop;
//! use bandwright::job::{Measured, Prepared, Wish};
//! use bandwright::limits::Limits;
//! use bandwright::measurement::takes::{Take, side_from_name};
//! use bandwright::measurement::{grid, parse};
//! use bandwright::sheet::{self, Sheet};
//! use bandwright::wanted::{Contour, library};
//!
//! # fn main() -> bandwright::Result<()> {
//! // What was measured: an invented curve, full in the bass, with a glare near 3 kHz.
//! let text = "frequency_hz,level_db\n\
//!             20,104\n60,103.5\n150,101\n400,98\n1000,97\n2000,101\n3000,107\n4500,102\n8000,99\n16000,88\n";
//! let name = "left.csv";
//! let take = Take {
//!     name: name.to_owned(),
//!     side: side_from_name(name),
//!     on_grid: grid::resample(&parse::parse_curve(text.as_bytes(), name)?)?,
//! };
//!
//! // What is wanted: a target of the library with 2 dB more bass.
//! let no_files = &|_: &std::path::Path| unreachable!("the library needs none");
//! let target = library::resolve("gentle-slope", no_files)?;
//!
//! // What the equaliser can do: five sections in steps of half a decibel.
//! let limits = Limits::parse(
//!     br#"
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
//! "#,
//!     "five.limits.toml",
//! )?;
//!
//! // The takes are judged once, and fitted as often as something is wished for.
//! let prepared = Prepared::new(Measured::new("an invented earphone", vec![take]))?;
//! let wish = Wish {
//!     contours: vec![Contour::bass(2.0)?],
//!     ..Wish::toward(target)
//! };
//! let outcome = prepared.fit(&wish, &limits, Effort::Quick, &Stop::default())?;
//! let (shared, sections) = (&outcome.shared, &outcome.channels[0].sections);
//!
//! // Closer to the target than without sections, on the equaliser's steps, and never clipping a steady tone.
//! assert!(shared.residual.after.weighted_db < 0.5 * shared.residual.before.weighted_db);
//! assert!(sections.len() <= 5);
//! limits.allows(sections)?;
//! assert!(shared.headroom.preamp_db <= 0.0);
//! assert!(shared.headroom.preamp_db + shared.headroom.peak_gain_db <= 1e-9);
//! // The rig is believed up to 10.8 kHz, and what one take cannot know is said.
//! let (_, highest_hz) = shared.trusted_band_hz.unwrap();
//! assert!((10_000.0..=10_800.0).contains(&highest_hz));
//! assert!(shared.cautions.contains(&bandwright::caution::Caution::SpreadUnknown));
//!
//! // The preset as a file that explains itself, and reads back as what was written.
//! let sheet = Sheet::from_outcome(&outcome, &limits)?;
//! let file = sheet::write(&sheet)?;
//! assert_eq!(sheet::read(file.as_bytes(), "an.sheet.toml")?, sheet);
//! # Ok(())
//! # }
//! ```
//!
//! # The stages
//!
//! In the order in which data flow; a stage may know those above it, never those below. Exceptions: [`sheet`]
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
//! - 11 [`report`]: text, JSON and picture.
//!
//! [`inspection`] joins stage 1 alone: which takes can be believed, and what to do next.
//!
//! (The numbers leave room for stages to come.) [`units`], [`error`], [`message`], [`caution`], [`knob`], [`digest`] and [`names`]
//! serve all of them: every
//! failure is an [`Error`] value with its place, and a finding that is no failure is a [`caution::Caution`].
//!
//! Loud sound harms hearing. Whatever is built on this: let listeners start at a low volume, and let local rules
//! and a hearing professional come before any figure.
#![deny(clippy::print_stdout, clippy::print_stderr, clippy::dbg_macro)]

pub mod units;

pub mod error;

pub mod knob;

pub mod message;

pub mod caution;

pub mod files;

pub mod digest;

pub mod names;

pub mod keys;

// 1. What was measured.
pub mod measurement;

// 2. What is wanted.
pub mod wanted;

// 3. What a section does.
pub mod filter;

// 4. What the equaliser accepts.
pub mod limits;

// 5. The fit.
pub mod fit;

// 6. What the sections need before them, and what they cost.
pub mod headroom;

pub mod cost;

// 7. The preset as a file, and its filters in general forms.
pub mod sheet;

pub mod export;

// 8. Whether a sheet is right, and whether its promise was kept.
pub mod verify;

// 11. What a person sees.
pub mod report;

pub mod job;

pub mod inspection;

pub use error::{Error, Result};
