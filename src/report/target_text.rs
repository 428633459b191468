//! Targets on the terminal. Laid out as [`super::text`].

use super::data::WrittenFile;
use super::next_steps::band;
use super::target_data::ListedTarget;
use super::text::{Page, written};
use super::words::{self, decimals, signed_decimals_up_to};
use crate::measurement::grid::OnGrid;
use crate::wanted::difference::Difference;
use crate::wanted::shown::{Compared, Shown};

/// Figures in a row of a table.
const FIGURES: usize = 11;

/// The library's targets for people.
#[must_use]
pub fn target_list_text(targets: &[ListedTarget]) -> String {
    let mut page = Page(String::new());
    page.paragraph(
        "",
        "Targets that come with the program. `fit --target` also takes a curve, a recipe (NAME.target.toml) or another unit (NAME.unit.toml).",
    );
    for target in targets {
        page.gap();
        page.line(&target.name);
        let row = |page: &mut Page, name: &str, text: &str| {
            if !text.is_empty() {
                page.paragraph(&format!("  {name:<14}"), text);
            }
        };
        row(&mut page, "Source", &target.source);
        row(&mut page, "Range", &target.support);
        row(&mut page, "Level", &target.level);
        row(&mut page, "Licence", &target.licence);
        row(&mut page, "Caution", &target.warnings.join(" "));
    }
    page.0
}

/// A target for people; `files` is what was written.
#[must_use]
pub fn target_text(target: &Shown, files: &[WrittenFile]) -> String {
    let mut page = Page(String::new());
    page.paragraph("", &target.name);
    page.gap();
    cautions(&mut page, &target.warnings);
    page.row("Source", &target.source);
    page.row("Range", &range(&target.curve));
    if !target.contours.is_empty() {
        page.row("Contours", &target.contours.join("; "));
    }
    page.row("Level", &level_in_words(target));
    page.row("Sample rate", &rate_in_words(target.rate_hz));
    page.gap();
    page.line("Level, dB");
    figures(&mut page, &target.points, |db| decimals(db, 2));
    if !files.is_empty() {
        page.gap();
        written(&mut page, files);
    }
    page.0
}

/// Two targets for people; `files` is what was written.
#[must_use]
pub fn target_diff_text(compared: &Compared, files: &[WrittenFile]) -> String {
    let (one, other, difference) = (&compared.one, &compared.other, &compared.difference);
    let mut page = Page(String::new());
    page.paragraph("", &format!("{} minus {}", one.name, other.name));
    page.gap();
    let mut warnings = one.warnings.clone();
    let more = other
        .warnings
        .iter()
        .filter(|warning| !one.warnings.contains(warning));
    warnings.extend(more.cloned());
    cautions(&mut page, &warnings);
    page.row("The one", &one.source);
    page.row("The other", &other.source);
    page.row("Range", &range(&difference.by_frequency));
    page.row("Difference", &difference_in_words(difference));
    if let Some(trusted) = &compared.trusted {
        let band = range(&trusted.by_frequency);
        let words = difference_in_words(trusted);
        page.row(
            "Trusted band",
            &format!("{words}; {band}, its own level taken out"),
        );
    }
    page.row(
        "Level",
        &format!(
            "free: the mean of the difference over the octaves, {} dB, is taken out{}",
            signed_decimals_up_to(difference.level_db, 2),
            if one.relative == other.relative {
                ""
            } else {
                ". One of the two is relative to what a unit has, which counts as flat here"
            }
        ),
    );
    page.row("Sample rate", &rate_in_words(one.rate_hz));
    page.gap();
    page.line("The one minus the other, dB");
    figures(&mut page, &compared.points, signed);
    if !files.is_empty() {
        page.gap();
        written(&mut page, files);
    }
    page.0
}

fn cautions(page: &mut Page, warnings: &[String]) {
    for warning in warnings {
        page.paragraph("Caution: ", warning);
    }
    if !warnings.is_empty() {
        page.gap();
    }
}

fn range(curve: &OnGrid) -> String {
    let (low_hz, high_hz) = curve.band_hz();
    band(low_hz, high_hz)
}

fn difference_in_words(difference: &Difference) -> String {
    format!(
        "{} dB rms; {} dB at most, at {}",
        decimals(difference.rms_db, 2),
        signed_decimals_up_to(difference.worst_db, 2),
        words::frequency(difference.worst_hz)
    )
}

/// What the levels of a target are relative to.
pub(super) fn level_in_words(target: &Shown) -> String {
    let zero = match target.aligned_at_hz {
        Some(hz) => format!("0 dB at {}", words::frequency(hz)),
        None => "as the target has it".to_owned(),
    };
    let relative = if target.relative {
        "relative to what the unit has that it is used for; "
    } else {
        ""
    };
    format!("{relative}{zero}; only the form counts")
}

fn rate_in_words(rate_hz: f64) -> String {
    format!(
        "contours as an equaliser at {} plays them",
        words::rate(rate_hz)
    )
}

/// Frequencies and levels below each other, in rows.
fn figures(page: &mut Page, points: &[(f64, f64)], figure: impl Fn(f64) -> String) {
    let cell = |text: String| format!("{text:>8}");
    for row in points.chunks(FIGURES) {
        let hz = row
            .iter()
            .map(|point| cell(words::decimals_up_to(point.0, 1)));
        let db = row.iter().map(|point| cell(figure(point.1)));
        page.line(&format!("  Hz  {}", hz.collect::<String>()));
        page.line(&format!("  dB  {}", db.collect::<String>()));
    }
}

/// Two decimals and a sign.
fn signed(db: f64) -> String {
    let text = decimals(db, 2);
    match text.strip_prefix('-').is_none() && text.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        true => format!("+{text}"),
        false => text,
    }
}
