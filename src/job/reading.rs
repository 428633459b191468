//! How the shelves of an answer are read, by what is played.
//!
//! A shelf and its mirror differ only in level ([`crate::fit::search::shelf_reading`]), so a set of shelves has several
//! readings that leave the same residual. They differ in the largest boost, so in the preamp that the guard asks for, so in
//! loudness. How loud each plays is known only once all numbers are on the equaliser's steps; a mirror keeps these but for the
//! sign of its gain.
//!
//! The reading that plays loudest is taken. Where several are as loud within [`AS_LOUD_DB`], it is the one that people use,
//! bass as a low shelf and treble as a high shelf; of these the one whose sections oppose each other least.

use super::playable::Played;
use crate::error::Result;
use crate::filter::Section;
use crate::fit::residual::economy_ratio_of_channels;
use crate::fit::search::shelf_reading::{MOST_SHELVES, odd_readings, other_readings};
use crate::fit::space::Space;
use crate::limits::Limits;
use crate::measurement::grid;

/// Losses this near each other count as equal, dB: a usual step of the preamp, to which it is rounded. With 0.2, one of 480
/// presets in tests/benches/listeners.rs wasted more than 0.2 dB, to be read as usual.
const AS_LOUD_DB: f64 = 0.1;

/// Fitted sections of each channel, and how they are played.
pub(super) struct Reading {
    pub channels: Vec<Vec<Section>>,
    pub playing: Result<Played>,
}

/// All other readings of the sections of one channel or two that `space` and `limits` allow; none if the channels have more than
/// [`MOST_SHELVES`] together. Where two channels share a level, not all of them leave the same.
pub(super) fn others(channels: &[Vec<Section>], space: &Space, limits: &Limits) -> Vec<Vec<Vec<Section>>> {
    let shelves = channels.iter().flatten().filter(|section| section.shape.is_shelf());
    if shelves.count() > MOST_SHELVES {
        return Vec::new();
    }
    let mut found: Vec<Vec<Vec<Section>>> = vec![Vec::new()];
    for sections in channels {
        let others = other_readings(sections, |read| space.fits(read) && limits.allows(read).is_ok());
        let own: Vec<Vec<Section>> = std::iter::once(sections.clone()).chain(others).collect();
        let with = |before: &Vec<Vec<Section>>| {
            let read = |read: &Vec<Section>| [&before[..], std::slice::from_ref(read)].concat();
            own.iter().map(read).collect::<Vec<_>>()
        };
        found = found.iter().flat_map(with).collect();
    }
    found.split_off(1)
}

/// The reading to take; the first where none can be played.
///
/// # Panics
/// If there is no reading.
pub(super) fn loudest(mut readings: Vec<Reading>, rate_hz: f64) -> Reading {
    let loss_db = |read: &Reading| match &read.playing {
        Ok(played) => -played.heard.total_db,
        Err(_) => f64::INFINITY,
    };
    let least_db = readings.iter().map(loss_db).fold(f64::INFINITY, f64::min);
    if least_db.is_finite() && readings.len() > 1 {
        readings.retain(|read| loss_db(read) <= least_db + AS_LOUD_DB);
        readings.sort_by_cached_key(|read| oddness(&read.channels, rate_hz));
    }
    readings.swap_remove(0)
}

/// How far sections are from how people read them: the number of odd readings, then by how much they oppose each other, in
/// thousandths.
fn oddness(channels: &[Vec<Section>], rate_hz: f64) -> (usize, u64) {
    let odd = channels.iter().map(|sections| odd_readings(sections)).sum();
    let channels: Vec<&[Section]> = channels.iter().map(Vec::as_slice).collect();
    let f_hz = grid::frequency_hz();
    let ratio = economy_ratio_of_channels(&channels, rate_hz, f_hz, &vec![1.0; f_hz.len()]);
    (odd, (1000.0 * ratio).round() as u64)
}
