//! A fit on the terminal: cautions that change what to do, preamp, sections, residual, how sure, files.
//!
//! Plain text, at most 100 columns (only a path may be longer: it must stay whole to be copied).
//! Numbers to be typed elsewhere have an ASCII hyphen for a minus and no idle zeros.

use super::data::WrittenFile;
use super::words::{self, count, decimals, decimals_up_to, signed_decimals_up_to};
use crate::caution::Caution;
use crate::filter::Shape;
use crate::job::FitOutcome;

/// Widest line, columns.
pub const WIDTH: usize = 100;

/// A residual at another rate is worth a line when it differs by this much, dB.
const NOTABLE_RATE_DIFFERENCE_DB: f64 = 0.1;

/// A rise of the unweighted residual is named from here on, dB.
const WORSE_DB: f64 = 0.005;

/// The report of a fit for people; `files` is what was written.
#[must_use]
pub fn fit_text(outcome: &FitOutcome, files: &[WrittenFile]) -> String {
    let mut page = Page(String::new());
    page.paragraph("", &format!("{} toward {}", outcome.unit, outcome.target));
    page.gap();
    cautions(&mut page, outcome);
    preamp(&mut page, outcome);
    sections(&mut page, outcome);
    residual(&mut page, outcome);
    certainty(&mut page, outcome);
    written(&mut page, files);
    page.0
}

fn cautions(page: &mut Page, outcome: &FitOutcome) {
    let mut urgent = outcome
        .cautions
        .iter()
        .filter(|c| changes_what_to_do(c))
        .peekable();
    if urgent.peek().is_none() {
        return;
    }
    for caution in urgent {
        page.paragraph("Caution: ", &caution.to_string());
    }
    page.gap();
}

/// True for cautions about using the preset; the others say how sure the figures are.
fn changes_what_to_do(caution: &Caution) -> bool {
    match caution {
        Caution::TakeSetAside { .. }
        | Caution::NoSoundTake { .. }
        | Caution::TakesContradict { .. }
        | Caution::SideLosesBass { .. }
        | Caution::Seal
        | Caution::Covers { .. }
        | Caution::Boost { .. }
        | Caution::PreampBound { .. }
        | Caution::RateDiffers { .. }
        | Caution::LargeResidual { .. } => true,
        Caution::CouplerResonance { .. } | Caution::SpreadUnknown | Caution::TargetTable { .. } => {
            false
        }
    }
}

fn preamp(page: &mut Page, outcome: &FitOutcome) {
    let headroom = &outcome.headroom;
    page.line(&format!("Preamp: {} dB", words::typed(headroom.preamp_db)));
    if outcome.sections.is_empty() {
        page.gap();
        return;
    }
    let peak = signed_decimals_up_to(headroom.peak_gain_db, 2);
    let peak = if peak.starts_with('+') {
        format!(
            "Together they reach {peak} dB at {} ({})",
            words::frequency(headroom.peak_hz),
            words::rate(headroom.peak_rate_hz)
        )
    } else {
        "Together they boost nowhere".to_owned()
    };
    // A bound must not be shown below itself.
    let bound_db = (headroom.any_signal_gain_db * 100.0).ceil() / 100.0;
    let bound = if bound_db >= 0.0 {
        format!(
            "no signal of any kind can rise by more than {} dB",
            decimals_up_to(bound_db, 2)
        )
    } else {
        format!(
            "every signal falls by {} dB or more",
            decimals_up_to(-bound_db, 2)
        )
    };
    page.paragraph(
        "  ",
        &format!("Apply it before the sections. {peak}; {bound}."),
    );
    page.gap();
}

fn sections(page: &mut Page, outcome: &FitOutcome) {
    let rate = outcome.rates_hz.first().map_or(String::new(), |&hz| {
        format!(", fitted at {}", words::rate(hz))
    });
    page.paragraph("", &format!("Sections within \"{}\"{rate}", outcome.limits));
    if outcome.sections.is_empty() {
        page.line("  none: no section was found that brings the curve closer to the target");
        page.gap();
        return;
    }
    let all = &outcome.sections;
    let shape = column(
        "shape",
        false,
        all.iter().map(|s| s.shape.name().into()).collect(),
    );
    let f0 = column(
        "f0 (Hz)",
        true,
        all.iter().map(|s| words::typed(s.f0_hz)).collect(),
    );
    let gain = all.iter().map(|s| words::signed_typed(s.gain_db));
    let gain = column("gain (dB)", true, gain.collect());
    let q = column("q", true, all.iter().map(|s| words::typed(s.q)).collect());
    let number = column(
        "no.",
        true,
        (1..=all.len()).map(|i| i.to_string()).collect(),
    );
    for row in 0..=all.len() {
        let cells = [&number, &shape, &f0, &gain, &q].map(|column| column[row].as_str());
        page.line(&format!("  {}", cells.join("   ")));
    }
    if let [section] = all.as_slice()
        && section.shape.is_shelf()
        && section.gain_db < 0.0
    {
        let mirror = match section.shape {
            Shape::HighShelf => Shape::LowShelf,
            _ => Shape::HighShelf,
        };
        page.paragraph(
            "  ",
            &format!(
                "It does what a {mirror} of {} dB does, {} dB lower in level, so it needs no preamp.",
                words::signed_typed(-section.gain_db),
                words::typed(-section.gain_db),
            ),
        );
    }
    page.gap();
}

/// A head and its cells, all padded to one width; numbers with their decimal points in line.
pub(super) fn column(head: &str, numbers: bool, cells: Vec<String>) -> Vec<String> {
    let fraction = |cell: &str| cell.find('.').map_or(0, |point| cell.len() - point);
    let longest = cells.iter().map(|cell| fraction(cell)).max().unwrap_or(0);
    let cells: Vec<String> = std::iter::once(head.to_owned())
        .chain(cells.into_iter().map(|cell| {
            let pad = if numbers {
                longest - fraction(&cell)
            } else {
                0
            };
            cell + &" ".repeat(pad)
        }))
        .collect();
    let width = cells.iter().map(String::len).max().unwrap_or(0);
    cells
        .into_iter()
        .map(|cell| {
            if numbers {
                format!("{cell:>width$}")
            } else {
                format!("{cell:<width$}")
            }
        })
        .collect()
}

fn residual(page: &mut Page, outcome: &FitOutcome) {
    let (before, after) = (&outcome.residual.before, &outcome.residual.after);
    page.line("Residual (equalised minus target, level-free, rms)");
    let mut rows = vec![(
        "weighted as in the fit".to_owned(),
        format!(
            "{} dB before, {} dB after",
            decimals(before.weighted_db, 2),
            decimals(after.weighted_db, 2)
        ),
    )];
    match (
        outcome.trusted_band_hz,
        before.trusted_band_db,
        after.trusted_band_db,
    ) {
        (Some((lowest_hz, highest_hz)), Some(before_db), Some(after_db)) => rows.push((
            format!(
                "trusted band, {} to {}",
                words::frequency(lowest_hz),
                words::frequency(highest_hz)
            ),
            format!(
                "{} dB before, {} dB after{}",
                decimals(before_db, 2),
                decimals(after_db, 2),
                // Only weights that count other frequencies more can do this.
                if after_db > before_db + WORSE_DB {
                    ": worse, by the choice of weights"
                } else {
                    ""
                }
            ),
        )),
        _ => rows.push((
            "trusted band".into(),
            "none: no frequency is trusted".into(),
        )),
    }
    for (&rate_hz, &db) in outcome
        .rates_hz
        .iter()
        .zip(&outcome.residual_by_rate_db)
        .skip(1)
    {
        if (db - after.weighted_db).abs() >= NOTABLE_RATE_DIFFERENCE_DB {
            rows.push((
                format!("weighted, at {}", words::rate(rate_hz)),
                format!("{} dB after", decimals(db, 2)),
            ));
        }
    }
    let width = rows.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
    for (name, figures) in rows {
        page.line(&format!("  {name:<width$}   {figures}"));
    }
    reach(page, outcome);
    page.gap();
}

/// The residual with fewer sections, up to the count after which nothing is gained.
fn reach(page: &mut Page, outcome: &FitOutcome) {
    /// What two decimals cannot show is no gain.
    const SHOWN_DB: f64 = 0.005;
    /// Columns before the figures.
    const NAMES: usize = 15;
    let Some(least_db) = outcome.reach.last().map(|point| point.residual_db) else {
        return;
    };
    let enough = outcome
        .reach
        .iter()
        .position(|point| point.residual_db < least_db + SHOWN_DB)
        .map_or(outcome.reach.len(), |place| place + 1);
    if enough < 2 {
        return;
    }
    let steps = if outcome.reach.len() > enough {
        ", and no less with more"
    } else {
        ""
    };
    page.line(&format!(
        "Reach (weighted residual with at most so many sections, before steps{steps})"
    ));
    let shown: Vec<[String; 2]> = outcome.reach[..enough]
        .iter()
        .map(|point| [point.sections.to_string(), decimals(point.residual_db, 2)])
        .collect();
    let longest = shown.iter().flatten().map(String::len).max().unwrap_or(0);
    let width = longest + 2;
    for row in shown.chunks(((WIDTH - NAMES) / width).max(1)) {
        for (line, name) in ["sections", "residual (dB)"].iter().enumerate() {
            let cells: String = row
                .iter()
                .map(|cell| format!("{:>width$}", cell[line]))
                .collect();
            page.line(&format!("  {name:<13}{cells}"));
        }
    }
}

fn certainty(page: &mut Page, outcome: &FitOutcome) {
    page.line("How sure");
    let takes = &outcome.takes;
    let spread = if let Some(spread) = outcome.spread() {
        &format!(
            "Spread: {} dB rms over the trusted band, {} dB at most (at {}).",
            decimals(spread.rms_db, 2),
            decimals(spread.largest_db, 2),
            words::frequency(spread.largest_hz),
        )
    } else if outcome.cautions.contains(&Caution::SpreadUnknown) {
        ""
    } else {
        "The spread is not known."
    };
    page.paragraph(
        "  ",
        &format!(
            "{}: {}. {spread}",
            count(takes.len(), "take", "takes"),
            takes.join(", ")
        ),
    );
    for caution in outcome.cautions.iter().filter(|c| !changes_what_to_do(c)) {
        page.paragraph("  Note: ", &caution.to_string());
    }
    page.paragraph("  ", &format!("Target: {}", outcome.target_source));
    let search = &outcome.search;
    let number =
        |number: u64, one, many| count(usize::try_from(number).unwrap_or(usize::MAX), one, many);
    let agreement = match (search.searches, search.agreeing) {
        (0, _) => "no independent search had the time to end".to_owned(),
        (searches, agreeing) => format!(
            "{agreeing} of {} ended at this answer",
            number(searches, "independent search", "independent searches")
        ),
    };
    let doubt = if search.agreeing < 2 && !search.exact {
        " A longer one (--effort deep) may find a better answer."
    } else {
        ""
    };
    page.paragraph(
        "  ",
        &format!(
            "Search: {agreement} ({}, {}). Stopped: {}.{doubt}",
            number(search.evaluations, "evaluation", "evaluations"),
            number(search.polishes, "local solution", "local solutions"),
            search.stop.trim_end_matches('.'),
        ),
    );
    if !outcome.sections.is_empty() && outcome.economy_ratio.is_finite() {
        page.paragraph(
            "  ",
            &format!(
                "Economy ratio {0}: one by one the sections move {0} times what they move together. {1}.",
                decimals(outcome.economy_ratio, 2),
                economy_in_words(outcome.economy_ratio)
            ),
        );
    }
    page.gap();
}

/// Measured answers lie between 1.2 and 1.7, the worst at 2.1.
fn economy_in_words(ratio: f64) -> &'static str {
    match ratio {
        _ if ratio < 1.05 => "They do not work against each other",
        _ if ratio < 1.7 => "They work against each other a little, as is usual",
        _ => "They work against each other more than is usual; fewer sections may do as well",
    }
}

pub(super) fn written(page: &mut Page, files: &[WrittenFile]) {
    if files.is_empty() {
        page.line("No file was written; -o FILE.sheet.toml writes the preset.");
        return;
    }
    page.line("Written");
    let kinds = files.iter().map(|file| file.kind.name().len());
    let width = kinds.max().unwrap_or(0).max(5);
    for file in files {
        page.line(&format!(
            "  {:<width$}   {}",
            file.kind.name(),
            words::printable(&file.path)
        ));
    }
}

pub(super) struct Page(pub(super) String);

impl Page {
    pub(super) fn line(&mut self, text: &str) {
        self.0.push_str(text.trim_end());
        self.0.push('\n');
    }

    pub(super) fn gap(&mut self) {
        self.0.push('\n');
    }

    /// `text` within [`WIDTH`], `lead` before its first line and blanks of that width before the others.
    pub(super) fn paragraph(&mut self, lead: &str, text: &str) {
        // Counting everything beyond the Latin, Greek and Cyrillic scripts as two columns may break a
        // line early, never late.
        let columns = |c: char| if c < '\u{1100}' { 1.0 } else { 2.0 };
        let room = (WIDTH - lead.len()) as f64;
        for (i, line) in words::wrap(&words::printable(text), room, columns)
            .iter()
            .enumerate()
        {
            let lead = if i == 0 {
                lead.to_owned()
            } else {
                " ".repeat(lead.len())
            };
            self.line(&(lead + line));
        }
    }
}
