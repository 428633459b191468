//! What an EQ costs, on the terminal: loudness, level and drive, hearing with its cautions first, distortion, and what
//! could not be told and why.

use super::text::Page;
use super::words::{self, decimals, decimals_up_to, signed_decimals_up_to};
use crate::headroom::cost::{Cost, Told};
use crate::headroom::distortion::{BoostedPoint, DistortionFigures, Estimate, Outside};
use crate::headroom::drive::{DriveFigures, Electrical, OutputBend, WishedFigures};
use crate::headroom::exposure::{CAUTIONS, Exposure, FieldTable, Span, WeekAndDay};
use crate::units::amplitude_from_db;

/// A change of loudness this small is none, LU.
const NO_CHANGE_LU: f64 = 0.05;

/// A share of the programme that is worth a sentence when it is not counted.
const NOTABLE_SHARE: f64 = 0.02;

/// The cost for people.
#[must_use]
pub fn cost_text(cost: &Cost) -> String {
    let mut page = Page(String::new());
    write(&mut page, cost);
    page.0
}

/// Adds the cost to a page, with an empty line after it.
pub(super) fn write(page: &mut Page, cost: &Cost) {
    page.line("What it costs");
    loudness(page, cost, true);
    rest(page, cost);
}

/// Adds the cost of one side's own EQ. One volume serves both sides, so nothing is said of turning it for this one.
pub(super) fn write_side(page: &mut Page, side: &str, cost: &Cost) {
    page.line(&format!(
        "What it costs: {side}, by itself (volume and preamp are common to both)"
    ));
    loudness(page, cost, false);
    rest(page, cost);
}

fn rest(page: &mut Page, cost: &Cost) {
    if let Told::Known(figures) = &cost.drive {
        level(page, cost, figures);
        drive(page, figures);
    }
    if let Told::Known(bend) = &cost.output_bend {
        output_bend(page, bend);
    }
    let in_use = cost
        .exposure
        .known()
        .map(|told| ("at the volume in use", told));
    let wished = cost
        .exposure_as_wished
        .known()
        .map(|told| ("at the wished level", told));
    if in_use.is_some() || wished.is_some() {
        hearing(page, in_use.into_iter().chain(wished));
    }
    if let Told::Known(figures) = &cost.distortion {
        distortion(page, figures);
    }
    not_told(page, cost);
    page.gap();
}

/// `with_turn`: and how far to turn the volume.
fn loudness(page: &mut Page, cost: &Cost, with_turn: bool) {
    let change = &cost.loudness;
    let (played, turn) = match change.total_lu {
        lu if lu <= -NO_CHANGE_LU => (
            format!("{} LU quieter than without EQ", decimals(-lu, 1)),
            format!(
                "Turn up by {} dB to hear it as loud as before.",
                decimals(-lu, 1)
            ),
        ),
        lu if lu >= NO_CHANGE_LU => (
            format!("{} LU louder than without EQ", decimals(lu, 1)),
            format!(
                "Turn down by {} dB to hear it as loud as before.",
                decimals(lu, 1)
            ),
        ),
        _ => ("as loud as without EQ".to_owned(), String::new()),
    };
    let turn = if with_turn { turn.as_str() } else { "" };
    let parts = format!(
        "sections {} LU, preamp {} dB; {}, ITU-R BS.1770",
        signed_decimals_up_to(change.sections_lu, 1),
        words::typed(cost.preamp_db),
        change.programme
    );
    page.paragraph("  Loudness: ", &format!("{played} ({parts}). {turn}"));
}

fn level(page: &mut Page, cost: &Cost, figures: &DriveFigures) {
    let source = match &figures.source {
        Some(name) => format!(
            "\"{name}\", whose full-scale sine is {} without load",
            volts(figures.full_scale_v)
        ),
        None => "a full-scale sine of 1 V (no source is known)".to_owned(),
    };
    let (before, after) = (&figures.before, &figures.after);
    let below = decimals_up_to(-cost.programme_level.rms_db, 1);
    let text = format!(
        "from {source}, a programme {below} dB below a full-scale sine reaches {} dB SPL at the eardrum, {} dBA ({} and {} without EQ). A full-scale sine at {} reaches {} dB SPL ({} without EQ).{}",
        decimals(after.level_db_spl, 0),
        decimals(after.level_dba, 0),
        decimals(before.level_db_spl, 0),
        decimals(before.level_dba, 0),
        words::frequency(figures.at_hz),
        decimals(figures.full_scale_sine.after_db_spl, 0),
        decimals(figures.full_scale_sine.before_db_spl, 0),
        if figures.counted < 1.0 - NOTABLE_SHARE {
            format!(
                " Only {}-{}, {} % of the programme's power, was measured; the rest is not counted.",
                words::frequency(figures.band_hz.0),
                words::frequency(figures.band_hz.1),
                decimals(100.0 * figures.counted, 0)
            )
        } else {
            String::new()
        }
    );
    page.paragraph("  Level: ", &text);
}

fn drive(page: &mut Page, figures: &DriveFigures) {
    let full_scale = if figures.full_scale_margin_db < -0.05 {
        format!(
            " The programme's peaks would exceed digital full scale by some {} dB: lower the preamp.",
            decimals(-figures.full_scale_margin_db, 1)
        )
    } else {
        String::new()
    };
    let source = margin(figures.source_margin_db);
    page.paragraph(
        "  Drive: ",
        &format!("{}.{source}{full_scale}", electrical(&figures.electrical)),
    );
    if let Some(WishedFigures {
        wished,
        turn_up_db,
        electrical: needed,
        source_margin_db,
        full_scale_v,
    }) = &figures.wished
    {
        let unit = if wished.a_weighted { "dBA" } else { "dB SPL" };
        let volume = match figures.source {
            Some(_) => format!(
                "the volume changed by {} dB (a full-scale sine of {} without load)",
                signed_decimals_up_to(*turn_up_db, 1),
                volts(*full_scale_v)
            ),
            None => format!("a full-scale sine of {}", volts(*full_scale_v)),
        };
        let text = format!(
            "for {} {unit} at the eardrum, {volume}: {}.{}",
            decimals_up_to(wished.level_db, 1),
            electrical(needed),
            margin(*source_margin_db)
        );
        page.paragraph("  Wished: ", &text);
    }
}

fn electrical(electrical: &Electrical) -> String {
    let current = match (electrical.rms_ma, electrical.peak_ma) {
        (Some(rms_ma), Some(peak_ma)) => {
            format!(", {} mA rms and {} mA peak", short(rms_ma), short(peak_ma))
        }
        _ => String::new(),
    };
    format!(
        "{} rms and {} peak at the earphone{current}",
        volts(electrical.rms_v),
        volts(electrical.peak_v)
    )
}

fn margin(source_margin_db: Option<f64>) -> String {
    match source_margin_db {
        None => String::new(),
        Some(db) if db < -0.05 => format!(
            " The source clips: the peaks are {} dB above its largest sine. Turn down, or use a stronger one.",
            decimals(-db, 1)
        ),
        Some(db) => format!(" The source has {} dB left.", decimals(db, 1)),
    }
}

fn output_bend(page: &mut Page, bend: &OutputBend) {
    let phase = if bend.phase_known {
        ""
    } else {
        " The phase is not known: taken as a resistance."
    };
    let text = format!(
        "bends the response by {} dB from lowest to highest, {} dB at {} the most, beside a loss of {} dB all over.{phase}",
        decimals(bend.range_db, 2),
        signed_decimals_up_to(bend.largest_db, 2),
        words::frequency(bend.largest_hz),
        decimals(-bend.mean_db, 1)
    );
    page.paragraph("  Output impedance: ", &text);
}

fn hearing<'a>(page: &mut Page, exposures: impl Iterator<Item = (&'static str, &'a Exposure)>) {
    page.paragraph("  Caution: ", &CAUTIONS.join(" "));
    for (when, exposure) in exposures {
        let other = match exposure.table {
            FieldTable::Iso532_2 => FieldTable::P58,
            FieldTable::P58 => FieldTable::Iso532_2,
        };
        let text = format!(
            "{when} the programme is {} dBA at the eardrum, as much as {} dBA in a {} ({}; {} by {}).",
            decimals(exposure.eardrum_dba, 0),
            decimals(exposure.field_dba, 0),
            exposure.field.words(),
            exposure.table.words(),
            decimals(exposure.other_table_dba, 0),
            other.words()
        );
        page.paragraph("  Hearing: ", &text);
        for (who, time) in [("adults", exposure.adults), ("children", exposure.children)] {
            let WeekAndDay { per_week, per_day } = time;
            let (week, day) = (per_week.words(Span::Week), per_day.words(Span::Day));
            let both = if per_week == per_day {
                // Not limited, or none at all: said once.
                week
            } else {
                format!("{week}; {day}")
            };
            page.paragraph(&format!("    {who}, WHO-ITU H.870: "), &both);
        }
        page.paragraph(
            "    at work, NIOSH 1998: ",
            &exposure.niosh_per_day.words(Span::Day),
        );
    }
}

fn distortion(page: &mut Page, figures: &DistortionFigures) {
    for side in &figures.sides {
        let head = format!(
            "{}, listening at {} dB SPL, as loud with EQ as without: ",
            side.side.words(),
            decimals_up_to(figures.listening_db_spl, 1)
        );
        let missing = side
            .points
            .iter()
            .filter(|point| point.after.ratio_db.is_none())
            .count();
        let text = match &side.worst {
            _ if side.points.is_empty() => "no frequency is driven harder.".to_owned(),
            None => "it was measured at no frequency that is driven harder.".to_owned(),
            Some(point) => most(point),
        };
        let rest = if missing > 0 && side.worst.is_some() {
            format!(
                " Of {} frequencies driven harder, {missing} were not measured.",
                side.points.len()
            )
        } else {
            String::new()
        };
        page.paragraph("  Distortion: ", &format!("{head}{text}{rest}"));
    }
}

fn most(point: &BoostedPoint) -> String {
    format!(
        "the most is {} at {}, driven {} dB harder ({} without EQ).{}",
        percent(&point.after),
        words::frequency(point.frequency_hz),
        decimals(point.rise_db, 1),
        percent(&point.before),
        match point.after.outside {
            Some(Outside::AboveLevel(highest)) => format!(
                " That would be {} dB SPL, above the highest measured level of {}: expect more.",
                decimals(point.after.level_db_spl, 1),
                decimals_up_to(highest, 1)
            ),
            Some(Outside::BelowLevel(lowest)) => format!(
                " That would be {} dB SPL, below the lowest measured level of {}.",
                decimals(point.after.level_db_spl, 1),
                decimals_up_to(lowest, 1)
            ),
            Some(Outside::Frequency) | None => String::new(),
        }
    )
}

fn percent(estimate: &Estimate) -> String {
    let Some(ratio_db) = estimate.ratio_db else {
        return "unknown".to_owned();
    };
    let bound = match estimate.outside {
        Some(Outside::AboveLevel(_)) => "more than ",
        Some(Outside::BelowLevel(_)) => "at a higher level ",
        Some(Outside::Frequency) | None => "",
    };
    format!("{bound}{} %", short(100.0 * amplitude_from_db(ratio_db)))
}

/// Reasons, each once, after the names of what they leave out.
fn not_told(page: &mut Page, cost: &Cost) {
    let mut reasons: Vec<(String, &str)> = Vec::new();
    for (name, why) in [
        ("level and drive", cost.drive.missing()),
        ("output impedance", cost.output_bend.missing()),
        // At a wished level the hearing is told without a source.
        (
            "hearing",
            cost.exposure
                .missing()
                .filter(|_| cost.exposure_as_wished.known().is_none()),
        ),
        ("distortion", cost.distortion.missing()),
    ] {
        let Some(why) = why else { continue };
        match reasons.iter_mut().find(|(_, known)| *known == why) {
            Some((names, _)) => {
                names.push_str(", ");
                names.push_str(name);
            }
            None => reasons.push((name.to_owned(), why)),
        }
    }
    if reasons.is_empty() {
        return;
    }
    let all: Vec<String> = reasons
        .iter()
        .map(|(names, why)| format!("{names} ({why})"))
        .collect();
    page.paragraph("  Not told: ", &format!("{}.", all.join("; ")));
}

fn volts(v: f64) -> String {
    format!("{} V", short(v))
}

/// Three significant digits for what is below 100, no decimals above; never 0 for what is not.
fn short(value: f64) -> String {
    match value.abs() {
        size if size >= 99.5 => decimals_up_to(value, 0),
        size if size >= 9.995 => decimals_up_to(value, 1),
        size if size >= 0.9995 => decimals_up_to(value, 2),
        size if size >= 0.009_995 => decimals_up_to(value, 3),
        _ => decimals_up_to(value, 6),
    }
}
