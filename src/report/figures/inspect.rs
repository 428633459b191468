//! What judged takes show: takes, sides, figures, what to do next.

use crate::caution::Caution;
use crate::inspection::Inspection;
use crate::inspection::next_step::side_name;
use crate::measurement::judge::{
    Agreement, Judged, JudgedSide, JudgedTake, MATCH_HZ, Seal, Verdict,
};
use crate::measurement::outlier::Kind;
use crate::measurement::rig::Rig;
use crate::report::blocks::ColumnKind::{FileNames, Numbers, Words};
use crate::report::blocks::{Block, Column, Lead, Part, Report, Row};
use crate::report::figures::made::{self, Made};
use crate::report::files::WrittenFile;
use crate::report::next_steps::step_text;
use crate::report::picture::inspect::inspect_picture;
use crate::report::words::{self, band, count, decimals, signed_decimals, signed_decimals_up_to};

/// A loss has a corner worth naming from here on, dB.
const NOTABLE_LOSS_DB: f64 = 0.5;

/// A report for each unit; the last names the `files` that were written.
#[must_use]
pub fn reports(inspections: &[Inspection], files: &[WrittenFile]) -> Vec<Report> {
    let mut reports: Vec<Report> = inspections.iter().map(report).collect();
    if let Some(last) = reports.pop() {
        reports.push(last.with_files(files));
    }
    reports
}

/// The same for a page, with pictures and how it was made.
#[must_use]
pub fn pages(inspections: &[Inspection], made: &Made) -> Vec<Report> {
    let page = |inspection| report(inspection).with_pictures(vec![inspect_picture(inspection)]);
    let mut pages: Vec<Report> = inspections.iter().map(page).collect();
    if let Some(last) = pages.last_mut() {
        last.parts.push(made::part(made));
    }
    pages
}

fn report(inspection: &Inspection) -> Report {
    Report {
        title: (&inspection.unit).into(),
        cautions: vec![(&Caution::Seal).into()],
        parts: vec![
            Part::without_head([Block::Rows(rig(inspection))]),
            takes(inspection),
            Part::without_head([Block::Rows(sides(inspection))]),
            Part::without_head([Block::Rows(figures(inspection))]),
            next_steps(inspection),
        ],
    }
}

fn rig(inspection: &Inspection) -> Vec<Row> {
    let rig = match inspection.rig {
        Rig::Iec60318_4 => "iec-60318-4 (an ear simulator)",
        Rig::Flat => "flat (believed everywhere)",
        Rig::Table(_) => "a trust table",
    };
    let trusted = match inspection.trusted_band_hz {
        Some((lowest_hz, highest_hz)) => band(lowest_hz, highest_hz),
        None => "none: no frequency is trusted".to_owned(),
    };
    vec![Row::new("Rig", rig), Row::new("Trusted band", trusted)]
}

fn takes(inspection: &Inspection) -> Part {
    let takes = inspection.judged.takes.iter();
    let numbered = takes.clone().zip(&inspection.numbers);
    // A figure that does not exist is a dash.
    let figures = |head, of: &dyn Fn(&JudgedTake) -> Option<String>| {
        let or_dash = |take| of(take).unwrap_or_else(|| "-".to_owned());
        Column::new(Numbers, head, takes.clone().map(or_dash))
    };
    // The bass of a take that does not belong is no matter of its seal.
    let seal = |take: &JudgedTake| {
        let belongs = !matches!(take.verdict, Verdict::Outlier(_) | Verdict::Copy);
        take.seal.filter(|_| belongs)
    };
    let table = Block::table([
        Column::new(
            Words,
            "take",
            numbered.map(|(take, n)| format!("{} {n}", side_name(take.side))),
        ),
        Column::new(
            FileNames,
            "file",
            takes.clone().map(|take| take.name.clone()),
        ),
        Column::new(
            Words,
            "verdict",
            takes.clone().map(|take| verdict(inspection, take)),
        ),
        figures("lost dB", &|take| {
            Some(decimals(seal(take)?.worst_loss_db, 1))
        }),
        figures("corner Hz", &|take| {
            let notable = seal(take).filter(|loss| loss.worst_loss_db >= NOTABLE_LOSS_DB);
            Some(decimals(notable?.leak.corner_hz, 0))
        }),
        figures("level dB", &|take| {
            let compared = !inspection.is_alone(take);
            let level_db = take.level_db.filter(|_| compared);
            Some(signed_decimals(level_db?, 1))
        }),
        figures("peak Hz", &|take| {
            Some(decimals(take.resonance?.frequency_hz, 0))
        }),
        figures("deeper mm", &|take| {
            Some(signed_decimals(take.deeper_mm?, 1))
        }),
    ]);
    let explained = format!(
        "Lost: the worst from 20 to 40 Hz, against the sound takes of the side; from {} dB on a take leaks. Level: over the middle of its side. Peak: the coupler's resonance, as far as Resonance says so. Deeper: the seat, against the median.",
        words::decimals_up_to(inspection.judged.leak_threshold_db, 2)
    );
    Part::new("Takes", [table, Block::paragraph(explained)])
}

fn verdict(inspection: &Inspection, take: &JudgedTake) -> String {
    let verdict = match take.verdict {
        _ if inspection.is_alone(take) => return "alone".to_owned(),
        Verdict::Sound => return "sound".to_owned(),
        Verdict::Undecided {
            other_side: true, ..
        } => "label swapped?",
        Verdict::Undecided { .. } => return "undecided".to_owned(),
        Verdict::Copy => "copy",
        Verdict::Leaks(_) => "leaks",
        Verdict::Outlier(outlier) => match outlier.kind {
            Kind::Shape => "not alike",
            Kind::Narrow => "disturbed",
            Kind::LevelStep { .. } => "level step",
            Kind::Rough { .. } => "rough",
            Kind::MainsHum { .. } => "hum",
            Kind::Level { .. } => "other level",
            Kind::OtherSide => "label swapped?",
            Kind::BlockedVent { .. } => "vent blocked?",
        },
    };
    let kept = if take.set_aside { "" } else { ", kept" };
    format!("{verdict}{kept}")
}

fn sides(inspection: &Inspection) -> Vec<Row> {
    let judged = &inspection.judged;
    let sides = judged.sides.iter();
    let mut rows: Vec<Row> = sides
        .map(|side| Row::new(words::side_name(side.side), side_in_words(side, judged)))
        .collect();
    let takes = judged.takes.iter().zip(&inspection.numbers);
    let aside: Vec<String> = takes
        .filter(|(take, _)| take.set_aside)
        .map(|(take, number)| format!("{} {number}", side_name(take.side)))
        .collect();
    rows.push(Row::new("Set aside", aside.join(", ")));
    rows
}

fn side_in_words(side: &JudgedSide, judged: &Judged) -> String {
    let of_side = judged.takes.iter().filter(|take| take.side == side.side);
    let copies = of_side.filter(|take| take.verdict == Verdict::Copy).count();
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
        Agreement::OneTake if copies > 0 && copies + 1 >= side.takes => {
            "one measurement, nothing to compare it with"
        }
        Agreement::OneTake => "one of them could be judged",
        Agreement::LeakOrVent => "two of three lose the same bass: leaks or a vent",
        Agreement::ByTheOtherSide => "they contradict each other, and the other side decided",
        Agreement::CannotBeTold => "they contradict each other",
    };
    let loss = |db: f64| decimals(db, 1);
    let seal = match &side.seal {
        Seal::TakesDiffer => match &side.sound_takes_lose {
            None => "Seal: some takes leak, the tightest were kept.".to_owned(),
            Some(lost) => format!(
                "Seal: some takes leak, and even the tightest lose {} dB at {} against the other side.",
                loss(lost.worst_loss_db),
                words::frequency(lost.worst_loss_hz)
            ),
        },
        Seal::LikeTheOtherSide => "Seal: no less bass than the other side.".to_owned(),
        Seal::LessThanTheOtherSide(lost) => format!(
            "Seal: {} dB less at {} than the other side (corner {}): a leak or a vent.",
            loss(lost.worst_loss_db),
            words::frequency(lost.worst_loss_hz),
            words::frequency(lost.leak.corner_hz)
        ),
        Seal::CannotBeTold => "Seal: cannot be told.".to_owned(),
    };
    format!("{kept}, {agreement}. {seal}")
}

fn figures(inspection: &Inspection) -> Vec<Row> {
    let judged = &inspection.judged;
    let over = if inspection.trusted_band_hz.is_some() {
        "the trusted band"
    } else {
        "all that was measured"
    };
    let spread = match &inspection.spread {
        Some(spread) => words::spread(spread, over),
        None => "unknown: one take a side".to_owned(),
    };
    let matching = match &judged.matching {
        Some(matching) => format!(
            "left minus right: level {} dB; the rest {} dB rms, {} dB at most (at {}), {}, smoothed by 1/3 octave",
            signed_decimals_up_to(matching.level_db, 2),
            decimals(matching.rms_db, 2),
            signed_decimals_up_to(matching.worst_db, 2),
            words::frequency(matching.worst_hz),
            matched_band(judged)
        ),
        None if judged.takes.iter().any(|t| t.verdict == Verdict::Copy && !t.set_aside) => {
            "unknown: left and right are the same data".to_owned()
        }
        None => "unknown: it takes both sides, from 100 Hz to 8 kHz".to_owned(),
    };
    let mut rows = vec![
        Row::new("Spread", spread),
        Row::new("Match", matching),
        Row::new("Resonance", resonance(inspection)),
    ];
    rows.extend(without_resonance(inspection).map(|text| Row::new("Without it", text)));
    rows.extend(excess_delay(inspection).map(|delay| Row::new("Excess delay", delay)));
    rows
}

/// Where left and right are told apart, as far as they were measured.
fn matched_band(judged: &Judged) -> String {
    let (lowest_hz, highest_hz) = judged.average.on_grid.band_hz();
    band(lowest_hz.max(MATCH_HZ.0), highest_hz.min(MATCH_HZ.1))
}

fn resonance(inspection: &Inspection) -> String {
    let Some(resonance) = &inspection.judged.resonance else {
        return match inspection.rig {
            Rig::Flat => "not looked for: a rig that is believed everywhere has no coupler",
            _ => "none found between 5 and 12.5 kHz: either the takes have no such peak or they end below it",
        }
        .to_owned();
    };
    let around = band(resonance.guard_hz.0, resonance.guard_hz.1);
    let guard = match inspection.guard_hz {
        Some(_) => format!(
            "{around} is the coupler's as much as the earphone's: grey in the plot."
        ),
        None if inspection.rig == Rig::Flat => {
            "The rig is believed everywhere, so it is taken as the earphone's.".to_owned()
        }
        None => format!(
            "Only a peak that moves can be told from the earphone's own: judge {around} by ear."
        ),
    };
    let found = count(resonance.found_in, "take", "takes");
    let at = words::frequency(resonance.frequency_hz);
    let moves = format!(
        "it moves with the seating, within a side, whose depth varies by at least {} mm (half-wave relation)",
        decimals(resonance.depth_range_mm, 1)
    );
    match (resonance.given, resonance.moves) {
        (true, true) => format!("the coupler's, at {at} as the unit file gives it: {moves}. {guard}"),
        (true, false) => format!(
            "the coupler's, at {at} as the unit file gives it ({found} with a peak there). {guard}"
        ),
        (false, true) => format!(
            "the coupler's, at {at} (median of {found}; {}): {moves}. {guard}",
            band(resonance.range_hz.0, resonance.range_hz.1),
        ),
        (false, false) => {
            let still = if resonance.found_in < 2 {
                ""
            } else {
                ", and hardly moves"
            };
            format!(
                "the coupler's half-wave peak or one of the earphone itself, at {at} ({found}{still}). {guard}"
            )
        }
    }
}

/// What is left without the resonance. None where there is no resonance, or one take a side, which cannot move.
fn without_resonance(inspection: &Inspection) -> Option<String> {
    let resonance = inspection.judged.resonance.as_ref()?;
    let taken_out = resonance.taken_out.as_ref();
    let half_band_db = taken_out.and_then(|curve| curve.half_band_db(resonance.frequency_hz));
    let text = match half_band_db {
        Some(half_db) => format!(
            "estimated, with peak, dip and second mode taken out, to {} dB near {} (90 % sure): in the plot, for the eye and for comparing variants. A fit does not use it.",
            decimals(half_db, 1),
            words::frequency(resonance.frequency_hz)
        ),
        None if resonance.found_in < 2 => return None,
        None => "cannot be told: the takes moved too little to part the earphone's own level from the coupler's".to_owned(),
    };
    Some(text)
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

fn next_steps(inspection: &Inspection) -> Part {
    let steps = inspection.next_steps.iter();
    let mut blocks: Vec<Block> = steps
        .map(|step| Block::led(Lead::Step, step_text(step)))
        .collect();
    if blocks.is_empty() {
        let sides = if inspection.judged.sides.len() > 1 {
            " on both sides"
        } else {
            ""
        };
        blocks.push(Block::paragraph(format!(
            "Nothing: the takes agree{sides}, and none leaks against the others. Fit with all of them."
        )));
    }
    Part::new("What to do next", blocks)
}
