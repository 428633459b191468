//! A fit on the terminal: cautions that change what to do, preamp, sections, residual, what it costs, how sure, files.
//!
//! Plain text, at most 100 columns (only a path may be longer: it must stay whole to be copied).
//! Numbers to be typed elsewhere have an ASCII hyphen for a minus and no idle zeros.

pub mod per_side;

use super::cost_text;
use super::data::WrittenFile;
use super::words::{self, count, decimals, decimals_up_to, signed_decimals_up_to};
use crate::caution::Caution;
use crate::filter::{Section, Shape};
use crate::fit::reach::Effort;
use crate::headroom::cost::Cost;
use crate::headroom::loudness::LoudnessChange;
use crate::headroom::{Guard, Protection};
use crate::job::{BeforeAfter, Enough, FitOutcome, LoudnessWish, SearchReport, SpreadFigures};

/// Widest line, columns.
pub const WIDTH: usize = 100;

/// A residual at another rate is worth a line when it differs by this much, dB.
const NOTABLE_RATE_DIFFERENCE_DB: f64 = 0.1;

/// Columns before the figures of the trade-off.
const TRADE_OFF_NAMES: usize = 17;

/// Decimals of a q as it is typed.
const TYPED_Q_DECIMALS: usize = 4;

/// A rise of the unweighted residual is named from here on, dB.
const WORSE_DB: f64 = 0.005;

/// The report of a fit for people, with its `cost` where that was asked; `files` is what was written.
#[must_use]
pub fn fit_text(outcome: &FitOutcome, cost: Option<&Cost>, files: &[WrittenFile]) -> String {
    let mut page = Page(String::new());
    page.paragraph("", &format!("{} toward {}", outcome.unit, outcome.target));
    page.gap();
    cautions(&mut page, &outcome.cautions);
    let apply = "Apply it before the sections. Together they";
    preamp(&mut page, outcome, apply, !outcome.sections.is_empty());
    sections(&mut page, "Sections", outcome);
    residual(&mut page, outcome);
    trade_off(&mut page, outcome.loudness_wish.as_ref());
    if let Some(cost) = cost {
        cost_text::write(&mut page, cost);
    }
    certainty(&mut page, outcome);
    written(&mut page, files);
    page.0
}

fn cautions(page: &mut Page, cautions: &[Caution]) {
    let mut urgent = cautions.iter().filter(|c| changes_what_to_do(c)).peekable();
    if urgent.peek().is_none() {
        return;
    }
    for caution in urgent {
        page.paragraph("Caution: ", &words::caution(caution));
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
        | Caution::HarmfulLevel { .. }
        | Caution::Quieter { .. }
        | Caution::BoostOnceTurnedUp { .. }
        | Caution::PreampLeftOut { .. }
        | Caution::PreampBound { .. }
        | Caution::LoudnessBound { .. }
        | Caution::RateDiffers { .. }
        | Caution::LargeResidual { .. }
        | Caution::SideLargeResidual { .. } => true,
        Caution::BeyondEq { .. }
        | Caution::CouplerResonance { .. }
        | Caution::GainsWithoutWidth { .. }
        | Caution::SpreadUnknown
        | Caution::TargetTable { .. } => false,
    }
}

/// `apply`: what to do with it, up to the words about the largest gain.
fn preamp(page: &mut Page, outcome: &FitOutcome, apply: &str, any_section: bool) {
    let headroom = &outcome.headroom;
    page.line(&format!("Preamp: {} dB", words::typed(headroom.preamp_db)));
    if !any_section {
        page.gap();
        return;
    }
    let peak = signed_decimals_up_to(headroom.peak_gain_db, 2);
    let peak = if peak.starts_with('+') {
        format!(
            "reach {peak} dB {} ({})",
            words::at_frequency(headroom.peak_hz),
            words::rate(headroom.peak_rate_hz)
        )
    } else {
        "boost nowhere".to_owned()
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
    page.paragraph("  ", &format!("{apply} {peak}; {bound}."));
    page.paragraph("  ", &protected(&outcome.protection));
    page.paragraph("  ", &louder_or_quieter(&outcome.loudness));
    page.gap();
}

/// What the preamp is good for.
fn protected(protection: &Protection) -> String {
    let guarded = match protection.guard {
        Guard::Sine => "It keeps steady tones from clipping",
        Guard::AnySignal => "It keeps every signal from clipping",
    };
    match protection.true_peak_margin_db {
        0.0 => format!("{guarded}, sample by sample."),
        margin_db => format!(
            "{guarded}, with {} dB to spare for the curve between the samples.",
            decimals_up_to(margin_db, 2)
        ),
    }
}

/// How loud it plays with preamp and sections.
fn louder_or_quieter(loudness: &LoudnessChange) -> String {
    let figure = decimals(loudness.total_lu.abs(), 1);
    let change = match (figure.as_str(), loudness.total_lu < 0.0) {
        ("0.0", _) => "as loud as without EQ".to_owned(),
        (_, true) => {
            format!(
                "{figure} LU quieter than without EQ: to compare, turn what has none down by so many dB"
            )
        }
        (_, false) => {
            format!("{figure} LU louder than without EQ: turn down by so many dB to compare")
        }
    };
    format!(
        "With both, {} plays {change} (ITU-R BS.1770).",
        loudness.programme
    )
}

/// What more loss of loudness would buy.
fn trade_off(page: &mut Page, wish: Option<&LoudnessWish>) {
    let Some(wish) = wish else { return };
    page.line("Loudness against residual (quick fits between, none beaten in both)");
    let rows: Vec<[String; 2]> = wish
        .trade_off
        .iter()
        .map(|point| {
            [
                decimals(point.loudness_loss_db, 1),
                decimals(point.residual_db, 2),
            ]
        })
        .collect();
    let width = 2 + rows.iter().flatten().map(String::len).max().unwrap_or(0);
    for row in rows.chunks(((WIDTH - TRADE_OFF_NAMES) / width).max(1)) {
        for (line, name) in ["quieter by (LU)", "residual (dB)"].iter().enumerate() {
            let cells: String = row
                .iter()
                .map(|cell| format!("{:>width$}", cell[line]))
                .collect();
            page.line(&format!("  {name:<15}{cells}"));
        }
    }
    page.gap();
}

fn sections(page: &mut Page, head: &str, outcome: &FitOutcome) {
    let rate = outcome.rates_hz.first().map_or(String::new(), |&hz| {
        format!(", fitted at {}", words::rate(hz))
    });
    page.paragraph("", &format!("{head} within \"{}\"{rate}", outcome.limits));
    if outcome.sections.is_empty() {
        page.line("  none: no section was found that brings the curve closer to the target");
        page.gap();
        return;
    }
    let all = &outcome.sections;
    table(page, outcome);
    only_shelf(page, all);
    meanings(page, outcome);
    kept(page, &outcome.kept);
    idle_bands(page, &outcome.idle_bands_hz);
    page.gap();
}

/// One row a section. A q that is typed otherwise than the cookbook's has a column of its own.
fn table(page: &mut Page, outcome: &FitOutcome) {
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
    let typed = all.iter().zip(&outcome.typed_q).map(|(section, typed)| {
        let q = typed.map_or(section.q, |typed| typed.q);
        decimals_up_to(q, TYPED_Q_DECIMALS)
    });
    let typed = column("typed q", true, typed.collect());
    let mut columns = vec![&number, &shape, &f0, &gain, &q];
    if outcome.typed_q.iter().any(Option::is_some) {
        columns.push(&typed);
    }
    for row in 0..=all.len() {
        let cells: Vec<&str> = columns.iter().map(|column| column[row].as_str()).collect();
        page.line(&format!("  {}", cells.join("   ")));
    }
}

/// What this equaliser calls q.
fn meanings(page: &mut Page, outcome: &FitOutcome) {
    let mut said: Vec<String> = Vec::new();
    for (section, typed) in outcome.sections.iter().zip(&outcome.typed_q) {
        let kind = if section.shape.is_shelf() {
            "shelves"
        } else {
            "peaking sections"
        };
        let meaning = typed.map_or("the same q", |typed| typed.meaning.words());
        let words = format!("for {kind} {meaning}");
        if !said.contains(&words) {
            said.push(words);
        }
    }
    if outcome.typed_q.iter().any(Option::is_some) {
        let words = format!(
            "Type in the last column: what this equaliser calls q is {}. The column before is the cookbook's Q.",
            said.join(", ")
        );
        page.paragraph("  ", &words);
    }
}

fn kept(page: &mut Page, kept: &[usize]) {
    let numbers: Vec<String> = kept.iter().map(|index| (index + 1).to_string()).collect();
    match &numbers[..] {
        [] => {}
        [one] => page.line(&format!("  No. {one} was kept as it was.")),
        all => page.line(&format!("  No. {} were kept as they were.", all.join(", "))),
    }
}

/// Bands of a graphic equaliser without a section.
fn idle_bands(page: &mut Page, idle_hz: &[f64]) {
    if idle_hz.is_empty() {
        return;
    }
    let bands: Vec<String> = idle_hz.iter().map(|&hz| words::typed(hz)).collect();
    page.paragraph(
        "  ",
        &format!("Bands that stay at 0 dB: {} Hz.", bands.join(", ")),
    );
}

/// Why there are no more sections.
fn enough(page: &mut Page, outcome: Option<&Enough>, spread: Option<SpreadFigures>) {
    let Some(enough) = outcome else { return };
    let by_spread = spread.is_some_and(|spread| spread.rms_db >= enough.least_gain_db);
    let reason = if by_spread {
        ", by which the takes themselves differ"
    } else {
        ""
    };
    page.paragraph(
        "  ",
        &format!(
            "{} enough: more would lower the residual by less than {} dB each{reason}.",
            match enough.sections {
                1 => "1 section is".to_owned(),
                number => format!("{number} sections are"),
            },
            decimals(enough.least_gain_db, 2),
        ),
    );
}

/// What a single falling shelf might as well be.
fn only_shelf(page: &mut Page, all: &[Section]) {
    if let [section] = all
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
    page.line("Residual (equalised minus target, level-free, rms)");
    let mut rows = vec![weighted_row("weighted as in the fit", &outcome.residual)];
    rows.push(trusted_row(outcome.trusted_band_hz, &outcome.residual));
    rows.extend(rate_rows(
        &outcome.rates_hz,
        &outcome.residual_by_rate_db,
        outcome.residual.after.weighted_db,
    ));
    aligned(page, &rows);
    let residuals = outcome.reach.iter().map(|point| point.residual_db);
    let first = outcome.reach.first().map_or(0, |point| point.sections);
    reach(page, "", first, &[("residual (dB)", residuals.collect())]);
    enough(page, outcome.enough.as_ref(), outcome.spread());
    page.gap();
}

/// Words and figures.
type Row = (String, String);

fn weighted_row(name: &str, residual: &BeforeAfter) -> Row {
    let figures = format!(
        "{} dB before, {} dB after",
        decimals(residual.before.weighted_db, 2),
        decimals(residual.after.weighted_db, 2)
    );
    (name.to_owned(), figures)
}

fn trusted_row(trusted_band_hz: Option<(f64, f64)>, residual: &BeforeAfter) -> Row {
    match (
        trusted_band_hz,
        residual.before.trusted_band_db,
        residual.after.trusted_band_db,
    ) {
        (Some((lowest_hz, highest_hz)), Some(before_db), Some(after_db)) => (
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
        ),
        _ => (
            "trusted band".into(),
            "none: no frequency is trusted".into(),
        ),
    }
}

/// Rates at which the residual is notably another.
fn rate_rows(rates_hz: &[f64], residual_by_rate_db: &[f64], after_db: f64) -> Vec<Row> {
    let others = rates_hz.iter().zip(residual_by_rate_db).skip(1);
    others
        .filter(|(_, db)| (*db - after_db).abs() >= NOTABLE_RATE_DIFFERENCE_DB)
        .map(|(&rate_hz, &db)| {
            (
                format!("weighted, at {}", words::rate(rate_hz)),
                format!("{} dB after", decimals(db, 2)),
            )
        })
        .collect()
}

fn aligned(page: &mut Page, rows: &[Row]) {
    let width = rows.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
    for (name, figures) in rows {
        page.line(&format!("  {name:<width$}   {figures}"));
    }
}

/// The residual with fewer sections, up to the count after which nothing is gained; one row for each name.
///
/// Curves begin with `first` sections, those that were kept.
fn reach(page: &mut Page, more: &str, first: usize, rows_db: &[(&str, Vec<f64>)]) {
    /// What two decimals cannot show is no gain.
    const SHOWN_DB: f64 = 0.005;
    /// Columns before the figures.
    const NAMES: usize = 15;
    let all = rows_db.first().map_or(0, |(_, row)| row.len());
    let enough = rows_db
        .iter()
        .map(|(_, row)| {
            let least_db = row.last().copied().unwrap_or(0.0);
            let place = row.iter().position(|db| *db < least_db + SHOWN_DB);
            place.map_or(row.len(), |place| place + 1)
        })
        .max()
        .unwrap_or(0);
    if enough < 2 {
        return;
    }
    let steps = if all > enough {
        ", and no less with more"
    } else {
        ""
    };
    page.line(&format!(
        "Reach (weighted residual with at most so many sections{more}, before steps{steps})"
    ));
    let figures = |count: usize| rows_db.iter().map(move |(_, row)| decimals(row[count], 2));
    let shown: Vec<Vec<String>> = (0..enough)
        .map(|count| {
            std::iter::once((first + count).to_string())
                .chain(figures(count))
                .collect()
        })
        .collect();
    let names: Vec<&str> = std::iter::once("sections")
        .chain(rows_db.iter().map(|(name, _)| *name))
        .collect();
    let longest = shown.iter().flatten().map(String::len).max().unwrap_or(0);
    let width = longest + 2;
    for row in shown.chunks(((WIDTH - NAMES) / width).max(1)) {
        for (line, name) in names.iter().enumerate() {
            let cells: String = row
                .iter()
                .map(|cell| format!("{:>width$}", cell[line]))
                .collect();
            page.line(&format!("  {name:<13}{cells}"));
        }
    }
}

fn certainty(page: &mut Page, outcome: &FitOutcome) {
    certainty_head(page);
    let takes = &outcome.takes;
    let number = count(takes.len(), "take", "takes");
    let takes = format!("{number}: {}", takes.join(", "));
    takes_and_notes(page, &takes, outcome, &outcome.cautions);
    search(page, &outcome.search, &[&outcome.search], "this answer");
    economy(page, outcome.economy_ratio, !outcome.sections.is_empty());
    page.gap();
}

fn certainty_head(page: &mut Page) {
    page.line("How sure");
}

/// Takes, spread, notes, source of the target.
fn takes_and_notes(page: &mut Page, takes: &str, outcome: &FitOutcome, cautions: &[Caution]) {
    let spread = if let Some(spread) = outcome.spread() {
        &format!(
            "Spread: {} dB rms over the trusted band, {} dB at most (at {}).",
            decimals(spread.rms_db, 2),
            decimals(spread.largest_db, 2),
            words::frequency(spread.largest_hz),
        )
    } else if cautions.contains(&Caution::SpreadUnknown) {
        ""
    } else {
        "The spread is not known."
    };
    page.paragraph("  ", &format!("{takes}. {spread}"));
    for caution in cautions.iter().filter(|c| !changes_what_to_do(c)) {
        page.paragraph("  Note: ", &words::caution(caution));
    }
    page.paragraph("  ", &format!("Target: {}", outcome.target_source));
}

/// Searches that agree are evidence from so many on: two often end at the same wrong place (`tests/benches/RESULTS.md`, "Agreement of searches").
const ENOUGH_TO_TRUST: u64 = 3;

/// `sides`: the reports that it sums up, or itself alone; `answer`: what the searches ended at.
fn search(page: &mut Page, search: &SearchReport, sides: &[&SearchReport], answer: &str) {
    let number =
        |number: u64, one, many| count(usize::try_from(number).unwrap_or(usize::MAX), one, many);
    let agreement = match (search.searches, search.agreeing) {
        (0, _) => "no independent search had the time to end".to_owned(),
        (searches, agreeing) => format!(
            "{agreeing} of {} ended at {answer}",
            number(searches, "independent search", "independent searches")
        ),
    };
    let is_doubtful =
        |side: &&SearchReport| side.agreeing < ENOUGH_TO_TRUST && !(side.exact || side.enough);
    let doubt = match (sides.iter().any(is_doubtful), search.effort) {
        (false, _) => "",
        (true, Effort::Deep) => " A better answer is possible.",
        (true, Effort::Quick | Effort::Normal) => {
            " A better answer is possible; --effort deep searches longest."
        }
    };
    page.paragraph(
        "  ",
        &format!(
            "Search: {agreement} ({}, {}, {}). Stopped: {}.{doubt}",
            number(search.evaluations, "evaluation", "evaluations"),
            number(search.polishes, "local solution", "local solutions"),
            number(search.restarts, "restart", "restarts"),
            search.stop.trim_end_matches('.'),
        ),
    );
}

fn economy(page: &mut Page, ratio: f64, any_section: bool) {
    if any_section && ratio.is_finite() {
        page.paragraph(
            "  ",
            &format!(
                "Economy ratio {0}: one by one the sections move {0} times what they move together. {1}.",
                decimals(ratio, 2),
                economy_in_words(ratio)
            ),
        );
    }
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
