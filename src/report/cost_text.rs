//! What an EQ costs, on the terminal: loudness, level and drive, hearing with its cautions first, distortion, and what
//! could not be told and why.

use super::text::Page;
use super::words::{self, decimals, decimals_up_to, signed_decimals_up_to};
use crate::headroom::cost::{Cost, NO_CHANGE_LU};
use crate::headroom::distortion::{BoostedPoint, DistortionFigures, Estimate, Outside};
use crate::headroom::drive::{DriveFigures, Electrical, OutputBend, WishedFigures};
use crate::headroom::exposure::{AllowedTime, CAUTIONS, Exposure, FieldTable};
use crate::measurement::takes::Side;
use crate::units::amplitude_from_db;

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
    parts(page, cost);
}

/// Adds the cost of one side's own EQ.
pub(super) fn write_side(page: &mut Page, side: &str, cost: &Cost) {
    page.line(&format!(
        "What it costs: {side} (loudness, volume and preamp are those of both)"
    ));
    parts(page, cost);
}

fn parts(page: &mut Page, cost: &Cost) {
    for caution in cost.cautions() {
        page.paragraph("  Caution: ", &caution.to_string());
    }
    loudness(page, cost);
    if let Some(figures) = cost.drive.known() {
        level(page, cost, figures);
        drive(page, figures);
    }
    if let Some(bend) = cost.output_bend.known() {
        output_bend(page, bend);
    }
    hearing(page, cost);
    if let Some(figures) = cost.distortion.known() {
        distortion(page, figures);
    }
    not_told(page, cost);
    page.gap();
}

fn loudness(page: &mut Page, cost: &Cost) {
    let change = &cost.loudness;
    let (played, turn) = match change.total_lu {
        lu if lu <= -NO_CHANGE_LU => (
            format!("{} LU quieter than without EQ", decimals(-lu, 1)),
            format!(
                "To compare, turn down by {} dB what plays without EQ.",
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
    let below = decimals_up_to(-cost.programme.level.rms_db, 1);
    let text = format!(
        "from {source}, a programme {below} dB below a full-scale sine reaches {} dB SPL at the eardrum, {} dBA ({} and {} without EQ). A full-scale sine at {} reaches {} dB SPL ({} without EQ).{}",
        decimals(after.level_db_spl, 0),
        decimals(after.level_dba, 0),
        decimals(before.level_db_spl, 0),
        decimals(before.level_dba, 0),
        words::frequency(figures.sensitivity_at_hz),
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
    let source = margin(figures.source_margin_db, "Turn down.");
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
            Some(_) if *turn_up_db < 0.0 => format!(
                "turn down by {} dB, so that a full-scale sine is {} without load",
                decimals(-turn_up_db, 1),
                volts(*full_scale_v)
            ),
            Some(_) => format!(
                "the volume is {} dB above the one in use, a full-scale sine {} without load",
                decimals(*turn_up_db, 1),
                volts(*full_scale_v)
            ),
            None => format!("a full-scale sine must be {}", volts(*full_scale_v)),
        };
        let text = format!(
            "for {} {unit} at the eardrum {volume}: {}.{}",
            decimals_up_to(wished.level_db, 1),
            electrical(needed),
            margin(*source_margin_db, "Wish for a lower level.")
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

/// What the source has left, or, where it clips, what to do.
fn margin(source_margin_db: Option<f64>, clipping: &str) -> String {
    match source_margin_db {
        None => String::new(),
        Some(db) if db < -0.05 => format!(
            " The source clips: the peaks are {} dB above its largest sine. {clipping}",
            decimals(-db, 1)
        ),
        Some(db) => format!(
            " The source has {} dB left before it clips.",
            decimals(db, 1)
        ),
    }
}

fn output_bend(page: &mut Page, bend: &OutputBend) {
    let phase = if bend.phase_known {
        ""
    } else {
        " The phase is not known: taken as a resistance."
    };
    let text = format!(
        "the source's takes {3} dB off and bends the response by {0} dB from lowest to highest ({1} dB at {2} is the most). The fit does not count this bend: measure from this source, and it does.{phase}",
        decimals(bend.range_db, 2),
        signed_decimals_up_to(bend.largest_db, 2),
        words::frequency(bend.largest_hz),
        decimals(-bend.mean_db, 1)
    );
    page.paragraph("  Output impedance: ", &text);
}

/// A table with a column for each volume that is known.
fn hearing(page: &mut Page, cost: &Cost) {
    let turned_db = cost.as_loud_db();
    let wished = cost.drive.known().and_then(|figures| figures.wished);
    let columns: Vec<(&str, f64, &Exposure)> = [
        ("in use", Some(0.0), &cost.exposure),
        // Where that is the volume in use, it needs no column.
        (
            "as loud",
            Some(turned_db).filter(|db| db.abs() >= NO_CHANGE_LU),
            &cost.exposure_as_loud,
        ),
        (
            "wished",
            wished.map(|wished| wished.turn_up_db),
            &cost.exposure_as_wished,
        ),
    ]
    .into_iter()
    .filter_map(|(name, turn_up_db, told)| Some((name, turn_up_db?, told.known()?)))
    .collect();
    let Some((_, _, any)) = columns.first() else {
        return;
    };
    page.paragraph("  Caution: ", &CAUTIONS.join(" "));
    let (table, other) = match any.table {
        FieldTable::Iso532_2 => (FieldTable::Iso532_2, FieldTable::P58),
        FieldTable::P58 => (FieldTable::P58, FieldTable::Iso532_2),
    };
    let field = any.field.words();
    let row = |name: &str, cell: &dyn Fn(&(&str, f64, &Exposure)) -> String| {
        let cells = columns.iter().map(cell).collect::<Vec<String>>();
        (name.to_owned(), cells)
    };
    let mut rows = vec![row("Hearing", &|column| column.0.to_owned())];
    if cost
        .drive
        .known()
        .is_some_and(|figures| figures.source.is_some())
    {
        rows.push(row("volume (dB)", &|column| {
            signed_decimals_up_to(column.1, 1)
        }));
    }
    rows.push(row("at the eardrum (dBA)", &|column| {
        decimals(column.2.eardrum_dba, 0)
    }));
    rows.push(row(
        &format!("in a {field} (dBA), by {}", table.words()),
        &|column| decimals(column.2.field_dba, 0),
    ));
    rows.push(row(
        &format!("in a {field} (dBA), by {}", other.words()),
        &|column| decimals(column.2.other_table_dba, 0),
    ));
    for (name, time) in [
        (
            "adults, WHO-ITU H.870, a week",
            (|exposure| exposure.adults_per_week) as fn(&Exposure) -> AllowedTime,
        ),
        ("    a day", |exposure| exposure.adults_per_day),
        ("children, WHO-ITU H.870, a week", |exposure| {
            exposure.children_per_week
        }),
        ("    a day", |exposure| exposure.children_per_day),
        ("at work, NIOSH 1998, a day", |exposure| {
            exposure.niosh_per_day
        }),
    ] {
        rows.push(row(name, &|column| time(column.2).brief()));
    }
    let first = rows.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
    let cells = rows.iter().flat_map(|(_, cells)| cells);
    let width = cells.map(String::len).max().unwrap_or(0);
    for (index, (name, cells)) in rows.iter().enumerate() {
        let indent = if index == 0 { "  " } else { "    " };
        let cells: String = cells
            .iter()
            .map(|cell| format!("   {cell:>width$}"))
            .collect();
        page.line(&format!(
            "{:<1$}{cells}",
            format!("{indent}{name}"),
            first + 4
        ));
    }
    page.paragraph("    ", &explained(&columns, table));
}

/// What the columns are, and what a cell without a time means.
fn explained(columns: &[(&str, f64, &Exposure)], table: FieldTable) -> String {
    let mut text = format!(
        "Times are those that the rules allow at the level in the field by {}.",
        table.words()
    );
    if let Some((_, turn_up_db, _)) = columns.iter().find(|column| column.0 == "as loud") {
        let turned = if *turn_up_db > 0.0 { "up" } else { "down" };
        text.push_str(&format!(
            " As loud: turned {turned} to sound as loud as without EQ."
        ));
    }
    let times = columns.iter().flat_map(|(_, _, exposure)| {
        [
            exposure.adults_per_week,
            exposure.adults_per_day,
            exposure.children_per_week,
            exposure.children_per_day,
            exposure.niosh_per_day,
        ]
    });
    let times: Vec<AllowedTime> = times.collect();
    if times.contains(&AllowedTime::NotLimited) {
        text.push_str(
            " No limit: the rule sets none within the day or the week; that does not mean harmless.",
        );
    }
    if times.contains(&AllowedTime::None) {
        text.push_str(" None: far too loud, not for a moment.");
    }
    text
}

fn distortion(page: &mut Page, figures: &DistortionFigures) {
    for side in &figures.sides {
        let whose = match side.side {
            Side::Unknown => String::new(),
            known => format!("{}, ", known.words()),
        };
        let head = format!(
            "{whose}at {} dB SPL{}, with the loudness kept: ",
            decimals_up_to(figures.listening_db_spl, 1),
            if side.measured_db_spl.first() == Some(&figures.listening_db_spl) {
                " (the lowest level measured)"
            } else {
                ""
            }
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
        "the most is {} at {}, which is driven {} dB harder ({} without EQ).{}",
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
    let next_step = match cost.exposure_as_wished.known().or(cost.exposure.known()) {
        None if cost.drive.known().is_some() => {
            " Name the source with --source, or a level with --play-at."
        }
        _ => "",
    };
    let text = format!("{}.{next_step}", all.join("; "));
    page.paragraph("  Not told: ", &text);
}

/// Volts, or millivolts below 0.1 V.
fn volts(v: f64) -> String {
    if v.abs() < 0.1 {
        format!("{} mV", short(1000.0 * v))
    } else {
        format!("{} V", short(v))
    }
}

/// Three significant digits, or all before the point.
fn short(value: f64) -> String {
    /// As many as tell a value from 0 that this page is about.
    const MOST_DECIMALS: f64 = 9.0;
    let size = value.abs().log10().floor();
    // What rounds up to the next power of ten has a digit less after the point.
    let digits = if value.abs() >= 9.995 * 10f64.powf(size) {
        1.0
    } else {
        2.0
    };
    decimals_up_to(value, (digits - size).clamp(0.0, MOST_DECIMALS) as usize)
}
