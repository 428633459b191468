//! Judged takes on the terminal: caution, takes, sides, figures, what to do next, files. Laid out as [`super::text`].

use super::data::WrittenFile;
use super::next_steps::band;
use super::text::{Page, WIDTH, column};
use super::words::{self, count, decimals, printable, signed_decimals_up_to};
use crate::caution::Caution;
use crate::inspection::Inspection;
use crate::inspection::next_step::side_name;
use crate::measurement::judge::{
    Agreement, Judged, JudgedSide, JudgedTake, MATCH_HZ, Seal, Verdict,
};
use crate::measurement::outlier::Kind;
use crate::measurement::rig::Rig;
use crate::measurement::takes::Side;

/// Columns that the name of a take has at least; of longer ones the end is shown.
const NAME_COLUMNS: usize = 12;

/// A loss has a corner worth naming from here on, dB.
const NOTABLE_LOSS_DB: f64 = 0.5;

/// The report on units for people; `files` is what was written.
#[must_use]
pub fn inspect_text(inspections: &[Inspection], files: &[WrittenFile]) -> String {
    let mut page = Page(String::new());
    for (i, inspection) in inspections.iter().enumerate() {
        if i > 0 {
            page.gap();
        }
        head(&mut page, inspection);
        takes(&mut page, inspection);
        sides(&mut page, inspection);
        figures(&mut page, inspection);
        next_steps(&mut page, inspection);
    }
    if !files.is_empty() {
        page.gap();
        super::text::written(&mut page, files);
    }
    page.0
}

fn head(page: &mut Page, inspection: &Inspection) {
    page.paragraph("", &inspection.unit);
    page.gap();
    page.paragraph("Caution: ", &Caution::Seal.to_string());
    page.gap();
    let rig = match inspection.rig {
        Rig::Iec60318_4 => "iec-60318-4 (an ear simulator)",
        Rig::Flat => "flat (believed everywhere)",
        Rig::Table(_) => "a trust table",
    };
    page.row("Rig", rig);
    page.row(
        "Trusted band",
        &match inspection.trusted_band_hz {
            Some((lowest_hz, highest_hz)) => band(lowest_hz, highest_hz),
            None => "none: no frequency is trusted".to_owned(),
        },
    );
    page.gap();
}

impl Page {
    /// A name and what belongs to it.
    pub(super) fn row(&mut self, name: &str, text: &str) {
        self.paragraph(&format!("{name:<16}"), text);
    }
}

/// Heads of the columns of takes, and whether they hold numbers.
const HEADS: [(&str, bool); 8] = [
    ("take", false),
    ("file", false),
    ("verdict", false),
    ("lost dB", true),
    ("corner Hz", true),
    ("level dB", true),
    ("peak Hz", true),
    ("deeper mm", true),
];

/// The column of names, which takes what the others leave.
const FILE: usize = 1;

fn takes(page: &mut Page, inspection: &Inspection) {
    let all = &inspection.judged.takes;
    let rows: Vec<[String; 8]> = (0..all.len()).map(|i| row(inspection, i)).collect();
    let mut columns: Vec<Vec<String>> = HEADS
        .iter()
        .enumerate()
        .map(|(k, (head, numbers))| {
            column(
                head,
                *numbers,
                rows.iter().map(|row| row[k].clone()).collect(),
            )
        })
        .collect();
    let others = columns.iter().enumerate().filter(|(k, _)| *k != FILE);
    let taken: usize = others.map(|(_, column)| 2 + column[0].len()).sum();
    let room = WIDTH.saturating_sub(taken + 2).max(NAME_COLUMNS);
    let names = rows.iter().map(|row| end_of(&row[FILE], room)).collect();
    columns[FILE] = column(HEADS[FILE].0, false, names);
    page.line("Takes");
    for row in 0..=all.len() {
        let cells: Vec<&str> = columns.iter().map(|column| column[row].as_str()).collect();
        page.line(&format!("  {}", cells.join("  ")));
    }
    page.paragraph(
        "  ",
        &format!(
            "Lost: at 30 Hz, against the sound takes of the side; from {} dB on a take leaks. Level: over the middle of its side. Peak: the coupler's resonance. Deeper: the seat, against the median.",
            words::decimals_up_to(inspection.judged.leak_threshold_db, 2)
        ),
    );
    page.gap();
}

/// What the table says of a take; a dash where there is no figure.
fn row(inspection: &Inspection, i: usize) -> [String; 8] {
    let take = &inspection.judged.takes[i];
    let or_dash = |figure: Option<String>| figure.unwrap_or_else(|| "-".to_owned());
    // The bass of a take that does not belong is no matter of its seal.
    let seal = take
        .seal
        .filter(|_| !matches!(take.verdict, Verdict::Outlier(_)));
    let notable = seal.filter(|leak| leak.loss_at_30_hz_db >= NOTABLE_LOSS_DB);
    let level_db = take.level_db.filter(|_| !inspection.is_alone(take));
    let several = inspection
        .judged
        .resonance
        .as_ref()
        .is_some_and(|r| r.found_in > 1);
    let deeper_mm = take.deeper_mm.filter(|_| several);
    [
        format!("{} {}", side_name(take.side), inspection.numbers[i]),
        printable(&take.name),
        verdict(inspection, take),
        or_dash(seal.map(|leak| decimals(leak.loss_at_30_hz_db, 1))),
        or_dash(notable.map(|leak| decimals(leak.corner_hz, 0))),
        or_dash(level_db.map(|db| signed(db, 1))),
        or_dash(take.resonance.map(|r| decimals(r.frequency_hz, 0))),
        or_dash(deeper_mm.map(|mm| signed(mm, 1))),
    ]
}

/// One decimal and a sign, for columns; `0.0` has none.
fn signed(value: f64, most: usize) -> String {
    let text = decimals(value, most);
    if value > 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        format!("+{text}")
    } else {
        text
    }
}

/// Of a long name the end, where the number is.
fn end_of(name: &str, room: usize) -> String {
    let length = name.chars().count();
    if length <= room {
        return name.to_owned();
    }
    let end: String = name.chars().skip(length - (room - 3)).collect();
    format!("...{end}")
}

fn verdict(inspection: &Inspection, take: &JudgedTake) -> String {
    let verdict = match take.verdict {
        _ if inspection.is_alone(take) => return "alone".to_owned(),
        Verdict::Sound => return "sound".to_owned(),
        Verdict::Undecided { .. } => return "undecided".to_owned(),
        Verdict::Leaks(_) => "leaks",
        Verdict::Outlier(outlier) => match outlier.kind {
            Kind::Shape => "not alike",
            Kind::Narrow => "disturbed",
            Kind::LevelStep { .. } => "level step",
            Kind::Rough { .. } => "rough",
            Kind::MainsHum { .. } => "hum",
            Kind::Level { .. } => "other level",
        },
    };
    let kept = if take.set_aside { "" } else { ", kept" };
    format!("{verdict}{kept}")
}

fn sides(page: &mut Page, inspection: &Inspection) {
    for side in &inspection.judged.sides {
        let name = match side.side {
            Side::Left => "Left",
            Side::Right => "Right",
            Side::Unknown => "No side",
        };
        page.row(name, &side_in_words(side));
    }
    let aside = &inspection.judged.set_aside;
    if !aside.is_empty() {
        let names: Vec<String> = inspection
            .judged
            .takes
            .iter()
            .zip(&inspection.numbers)
            .filter(|(take, _)| take.set_aside)
            .map(|(take, number)| format!("{} {number}", side_name(take.side)))
            .collect();
        page.row("Set aside", &names.join(", "));
    }
    page.gap();
}

fn side_in_words(side: &JudgedSide) -> String {
    let kept = if side.takes == 1 {
        "1 take".to_owned()
    } else {
        format!("{} of {} takes kept", side.kept, side.takes)
    };
    let agreement = match side.agreement {
        Agreement::Agree if side.kept_for_want_of_better => "none of them is sound",
        Agreement::Agree if side.kept < side.takes => "those agree",
        Agreement::Agree => "they agree",
        Agreement::OneTake if side.takes == 1 => "nothing to compare it with",
        Agreement::OneTake => "one of them could be judged",
        Agreement::ByTheOtherSide => "they contradict each other, and the other side decided",
        Agreement::CannotBeTold => "they contradict each other",
    };
    let loss = |db: f64| decimals(db, 1);
    let seal = match &side.seal {
        Seal::TakesDiffer => match &side.sound_takes_lose {
            None => "Seal: some takes leak, the tightest were kept.".to_owned(),
            Some(leak) => format!(
                "Seal: some takes leak, and even the tightest lose {} dB at 30 Hz against the other side.",
                loss(leak.loss_at_30_hz_db)
            ),
        },
        Seal::LikeTheOtherSide => "Seal: no less bass than the other side.".to_owned(),
        Seal::LessThanTheOtherSide(leak) => format!(
            "Seal: {} dB less at 30 Hz than the other side (corner {}): a leak or a vent.",
            loss(leak.loss_at_30_hz_db),
            words::frequency(leak.corner_hz)
        ),
        Seal::CannotBeTold => "Seal: cannot be told.".to_owned(),
    };
    format!("{kept}, {agreement}. {seal}")
}

fn figures(page: &mut Page, inspection: &Inspection) {
    let judged = &inspection.judged;
    let over = if inspection.trusted_band_hz.is_some() {
        "the trusted band"
    } else {
        "all that was measured"
    };
    page.row(
        "Spread",
        &match &inspection.spread {
            Some(spread) => format!(
                "{} dB rms over {over}, {} dB at most (at {})",
                decimals(spread.rms_db, 2),
                decimals(spread.largest_db, 2),
                words::frequency(spread.largest_hz)
            ),
            None => "unknown: one take a side".to_owned(),
        },
    );
    page.row("Match", &match &judged.matching {
        Some(matching) => format!(
            "left minus right: level {} dB; the rest {} dB rms, {} dB at most (at {}), {}, smoothed by 1/3 octave",
            signed_decimals_up_to(matching.level_db, 2),
            decimals(matching.rms_db, 2),
            signed_decimals_up_to(matching.worst_db, 2),
            words::frequency(matching.worst_hz),
            matched_band(judged)
        ),
        None => "unknown: it takes both sides, from 100 Hz to 8 kHz".to_owned(),
    });
    page.row("Resonance", &resonance(inspection));
    if let Some(delay) = excess_delay(inspection) {
        page.row("Excess delay", &delay);
    }
    page.gap();
}

/// Where left and right are told apart, as far as they were measured.
fn matched_band(judged: &Judged) -> String {
    let (lowest_hz, highest_hz) = judged.average.on_grid.band_hz();
    band(lowest_hz.max(MATCH_HZ.0), highest_hz.min(MATCH_HZ.1))
}

fn resonance(inspection: &Inspection) -> String {
    let Some(resonance) = &inspection.judged.resonance else {
        return "none found between 5 and 11 kHz: either the takes have no such peak or they end below it"
            .to_owned();
    };
    let around = band(resonance.guard_hz.0, resonance.guard_hz.1);
    let guard = match inspection.guard_hz {
        Some(_) => format!(
            "{around} is the coupler's as much as the earphone's: grey in the plot, and a fit puts no boost and nothing narrow there."
        ),
        None if inspection.rig == Rig::Flat => {
            "The rig is believed everywhere, so nothing is guarded there.".to_owned()
        }
        None => format!(
            "Only a peak that moves can be told from the earphone's own, so a fit guards nothing: judge {around} by ear."
        ),
    };
    let found = count(resonance.found_in, "take", "takes");
    let at = words::frequency(resonance.frequency_hz);
    if !resonance.moves {
        let still = if resonance.found_in < 2 {
            ""
        } else {
            ", and hardly moves"
        };
        return format!(
            "the coupler's half-wave peak or one of the earphone itself, at {at} ({found}{still}). {guard}"
        );
    }
    format!(
        "the coupler's, at {at} (median of {found}; {}): it moves with the seating, whose depth varies by {} mm (half-wave relation). {guard}",
        band(resonance.range_hz.0, resonance.range_hz.1),
        decimals(resonance.depth_range_mm, 1)
    )
}

/// None where no take has phase.
fn excess_delay(inspection: &Inspection) -> Option<String> {
    let phases: Vec<_> = inspection.phases.iter().flatten().collect();
    if phases.is_empty() {
        return None;
    }
    let hidden = phases.iter().filter(|phase| phase.hidden_by_noise).count();
    let noise = match hidden {
        0 => String::new(),
        _ => format!("; noise hides it in {}", count(hidden, "take", "takes")),
    };
    if inspection.beyond_eq.is_empty() {
        let verdict = if hidden < phases.len() {
            "nowhere longer than half a period"
        } else {
            "cannot be told"
        };
        return Some(format!(
            "{verdict} ({} with phase){noise}",
            count(phases.len(), "take", "takes")
        ));
    }
    let bands: Vec<String> = inspection
        .beyond_eq
        .iter()
        .map(|shared| {
            format!(
                "{} ({} ms, in {} of {})",
                band(shared.band.from_hz, shared.band.to_hz),
                signed_decimals_up_to(1000.0 * shared.band.excess_s, 2),
                shared.takes,
                count(shared.of_takes, "take", "takes")
            )
        })
        .collect();
    Some(format!(
        "longer than half a period at {}: there an equaliser cannot undo what was measured{noise}",
        bands.join(", ")
    ))
}

fn next_steps(page: &mut Page, inspection: &Inspection) {
    page.line("What to do next");
    if inspection.next_steps.is_empty() {
        let sides = if inspection.judged.sides.len() > 1 {
            " on both sides"
        } else {
            ""
        };
        page.paragraph(
            "  ",
            &format!("Nothing: the takes agree{sides}, and none leaks against the others. Fit with all of them."),
        );
    }
    for step in &inspection.next_steps {
        page.paragraph("  - ", &step.to_string());
    }
}
