//! The notes below a picture, as far as all pictures share them.

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
