//! Stage 9: music through a sheet, to be heard before it is loaded. In: music files, sheets, the unit's curve where it is known.
//! Out: sound files that are as loud as each other, and trials whose order is hidden.
//!
//! Louder sounds better, so what is compared must be equally loud where it is heard: at the ear ([`ear`]), or, where the unit
//! is not known, by BS.1770 of the files ([`level`]).
//!
//! - [`sound`] decodes a file block by block, [`excerpt`] takes a part of it, [`chain`] equalises.
//! - [`level`] measures, [`matched`] turns levels into gains, [`wav`] writes; [`render`] runs all of them over a file, with a
//!   memory that does not grow with its length.
//! - [`signals`] are sounds whose answer is known.
//! - [`find_peak`] has sweeps by which a listener finds where an ear resonates, equally loud by [`iso_226`].
//! - [`trial`] hides an order, and says what answers are worth; [`answers`] is the file they are written into.

pub mod error;

pub mod answers;
pub mod chain;
pub mod ear;
pub mod excerpt;
pub mod find_peak;
pub mod iso_226;
pub mod level;
pub mod matched;
pub mod render;
pub mod signals;
pub mod sound;
pub mod trial;
pub mod wav;

pub use excerpt::Excerpt;
pub use render::{Heard, Job, Matching, Rendering};
pub use sound::{Sound, Source};
pub use symphonia::core::io::MediaSource;
