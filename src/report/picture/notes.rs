//! The notes below a picture, as far as pictures share them.

use super::Guard;
use super::chart::Aspect;
use crate::measurement::smooth::Width;
use crate::report::words::band;

/// How curves were smoothed, and the aspect.
pub(super) fn smoothing(width: Option<Width>, aspect: Aspect) -> String {
    format!(
        "{} (48 points an octave). A decade is as long as {} dB.",
        width.map_or_else(|| "No smoothing".to_owned(), |width| format!("Smoothed by {width}")),
        aspect.db_per_decade()
    )
}

/// What the grey about the coupler's resonance means.
pub(super) fn resonance(guard: &Guard, doubtful_hz: &[(f64, f64)]) -> String {
    let (low_hz, high_hz) = guard.ends_hz;
    let strip = match guard.ground_hz(doubtful_hz).1 > high_hz {
        true => " Grey from there to the hatching: the dip that follows is the coupler's too.",
        false => "",
    };
    format!(
        "Grey between the dashed edges, {}: the peak is the coupler's as much as the earphone's.{strip}",
        band(low_hz, high_hz)
    )
}

/// `notes` with what is to be said where curves are cut (`cuts`), and units on the line of their numbers.
pub(super) fn finished(mut notes: Vec<String>, cuts: bool) -> Vec<String> {
    if cuts {
        notes.push("Curves that leave a panel go on outside the picture.".into());
    }
    for note in &mut notes {
        for unit in ["Hz", "kHz", "dB", "SD"] {
            *note = note.replace(&format!(" {unit}"), &format!("\u{A0}{unit}"));
        }
    }
    notes
}
