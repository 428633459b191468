//! What an EQ costs: loudness, level and drive, hearing with its cautions first, distortion, and what could not be told
//! and why.

use crate::cost::distortion::{BoostedPoint, DistortionFigures, Estimate, OutsideMeasured};
use crate::cost::drive::{DriveFigures, Electrical, OutputBend, WishedFigures};
use crate::cost::exposure::{AllowedTime, CAUTIONS, Exposure, FieldTable};
use crate::cost::{Cost, NO_CHANGE_LU};
use crate::knob::Knob;
use crate::measurement::takes::Side;
use crate::report::blocks::ColumnKind::Words;
use crate::report::blocks::{Block, Column, Lead, Part, Text};
use crate::report::words::{self, decimals, decimals_up_to, signed_decimals_up_to};
use crate::units::amplitude_from_db;

/// A share of the programme that is worth a sentence when it is not counted.
const NOTABLE_SHARE: f64 = 0.02;

/// The cost of one EQ, or of the one that a side has for itself.
#[must_use]
pub fn part(cost: &Cost, side: Option<Side>) -> Part {
    let head = match side {
        None => "What it costs".to_owned(),
        Some(side) => format!(
            "What it costs: {} (loudness, volume and preamp are those of both)",
            side.words()
        ),
    };
    Part::new(head, blocks(cost))
}

fn blocks(cost: &Cost) -> Vec<Block> {
    let cautions = cost.cautions().into_iter();
    let mut blocks: Vec<Block> = cautions
        .map(|caution| Block::led(Lead::Caution, &caution))
        .collect();
    blocks.push(Block::about("Loudness", loudness(cost)));
    if let Some(figures) = cost.drive.known() {
        blocks.push(Block::about("Level", level(cost, figures)));
        blocks.push(Block::about("Drive", drive(figures)));
        let wished = figures.wished.as_ref();
        blocks.extend(wished.map(|wished| Block::about("Wished", at_wish(figures, wished))));
    }
    if let Some(bend) = cost.output_bend.known() {
        blocks.push(Block::about("Output impedance", output_bend(bend)));
    }
    blocks.extend(hearing(cost));
    if let Some(figures) = cost.distortion.known() {
        blocks.extend(distortion(figures));
    }
    blocks.extend(not_told(cost).map(|text| Block::about("Not told", text)));
    blocks
}

fn loudness(cost: &Cost) -> String {
    let change = &cost.loudness;
    let (total_db, sections_db, unit) = match cost.heard {
        Some(heard) => (heard.total_db, heard.sections_db, "dB"),
        None => (change.total_lu, change.sections_lu, "LU"),
    };
    let (played, turn) = match total_db {
        db if db <= -NO_CHANGE_LU => (
            format!("{} {unit} quieter than without EQ", decimals(-db, 1)),
            format!(
                " To compare, turn down by {} dB what plays without EQ.",
                decimals(-db, 1)
            ),
        ),
        db if db >= NO_CHANGE_LU => (
            format!("{} {unit} louder than without EQ", decimals(db, 1)),
            format!(
                " Turn down by {} dB to hear it as loud as before.",
                decimals(db, 1)
            ),
        ),
        _ => ("as loud as without EQ".to_owned(), String::new()),
    };
    let how = match cost.heard {
        Some(_) => format!(
            "A-weighted, through this unit; as a signal, by ITU-R BS.1770, {} LU",
            signed_decimals_up_to(change.total_lu, 1)
        ),
        None => "ITU-R BS.1770".to_owned(),
    };
    let parts = format!(
        "sections {} {unit}, preamp {} dB; {}, {how}",
        signed_decimals_up_to(sections_db, 1),
        words::typed(cost.preamp_db),
        change.programme
    );
    format!("{played} ({parts}).{turn}")
}

fn level(cost: &Cost, figures: &DriveFigures) -> String {
    let source = match &figures.source {
        Some(name) => format!(
            "\"{name}\", whose full-scale sine is {} without load",
            volts(figures.full_scale_v)
        ),
        None => "a full-scale sine of 1 V (no source is known)".to_owned(),
    };
    let (before, after) = (&figures.before, &figures.after);
    let below = decimals_up_to(-cost.programme.level.rms_db, 1);
    format!(
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
    )
}

fn drive(figures: &DriveFigures) -> String {
    let full_scale = if figures.full_scale_margin_db < -0.05 {
        format!(
            " The programme's peaks would exceed digital full scale by some {} dB: lower the preamp.",
            decimals(-figures.full_scale_margin_db, 1)
        )
    } else {
        String::new()
    };
    let source = margin(figures.source_margin_db, "Turn down.");
    format!("{}.{source}{full_scale}", electrical(&figures.electrical))
}

fn at_wish(figures: &DriveFigures, wish: &WishedFigures) -> String {
    let WishedFigures {
        wished,
        turn_up_db,
        electrical: needed,
        source_margin_db,
        full_scale_v,
    } = wish;
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
    format!(
        "for {} {unit} at the eardrum {volume}: {}.{}",
        decimals_up_to(wished.level_db, 1),
        electrical(needed),
        margin(*source_margin_db, "Wish for a lower level.")
    )
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

fn output_bend(bend: &OutputBend) -> String {
    let phase = if bend.phase_known {
        ""
    } else {
        " The phase is not known: taken as a resistance."
    };
    format!(
        "the source's takes {3} dB off and bends the response by {0} dB from lowest to highest ({1} dB at {2} is the most). The fit counts this bend: the takes are taken to be measured from a source without output impedance.{phase}",
        decimals(bend.range_db, 2),
        signed_decimals_up_to(bend.largest_db, 2),
        words::frequency(bend.largest_hz),
        decimals(-bend.mean_db, 1)
    )
}

/// A volume, how far it is above the one in use, and what that does.
type AtVolume<'a> = (&'static str, f64, &'a Exposure);

/// A table with a record for each volume that is known.
fn hearing(cost: &Cost) -> Vec<Block> {
    let turned_db = cost.as_loud_db();
    let wished = cost.drive.known().and_then(|figures| figures.wished);
    let volumes: Vec<AtVolume> = [
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
    let Some((_, _, any)) = volumes.first() else {
        return Vec::new();
    };
    let (table, other) = match any.table {
        FieldTable::Iso532_2 => (FieldTable::Iso532_2, FieldTable::P58),
        FieldTable::P58 => (FieldTable::P58, FieldTable::Iso532_2),
    };
    let field = any.field.words();
    let column = |depth, head: &str, cell: &dyn Fn(&AtVolume) -> String| Column {
        depth,
        ..Column::new(Words, head, volumes.iter().map(cell))
    };
    let mut columns = vec![column(0, "Hearing", &|volume| volume.0.to_owned())];
    let has_source = |figures: &DriveFigures| figures.source.is_some();
    if cost.drive.known().is_some_and(has_source) {
        columns.push(column(1, "volume (dB)", &|volume| {
            signed_decimals_up_to(volume.1, 1)
        }));
    }
    let in_a_field = |table: FieldTable| format!("in a {field} (dBA), by {}", table.words());
    columns.extend([
        column(1, "at the eardrum (dBA)", &|volume| {
            decimals(volume.2.eardrum_dba, 0)
        }),
        column(1, &in_a_field(table), &|volume| {
            decimals(volume.2.field_dba, 0)
        }),
        column(1, &in_a_field(other), &|volume| {
            decimals(volume.2.other_table_dba, 0)
        }),
    ]);
    let times = [
        (1, "adults, WHO-ITU H.870, a week"),
        (2, "a day"),
        (1, "children, WHO-ITU H.870, a week"),
        (2, "a day"),
        (1, "at work, NIOSH 1998, a day"),
    ];
    columns.extend(
        times
            .iter()
            .enumerate()
            .map(|(i, (depth, head))| column(*depth, head, &|volume| allowed(volume.2)[i].brief())),
    );
    vec![
        Block::led(Lead::Caution, CAUTIONS.join(" ")),
        Block::table_across(columns),
        Block::paragraph(explained(&volumes, table)),
    ]
}

/// The times that the rules allow.
fn allowed(exposure: &Exposure) -> [AllowedTime; 5] {
    [
        exposure.adults_per_week,
        exposure.adults_per_day,
        exposure.children_per_week,
        exposure.children_per_day,
        exposure.niosh_per_day,
    ]
}

/// What the volumes are, and what a cell without a time means.
fn explained(volumes: &[AtVolume], table: FieldTable) -> String {
    let mut text = format!(
        "Times are those that the rules allow at the level in the field by {}.",
        table.words()
    );
    if let Some((_, turn_up_db, _)) = volumes.iter().find(|volume| volume.0 == "as loud") {
        let turned = if *turn_up_db > 0.0 { "up" } else { "down" };
        text.push_str(&format!(
            " As loud: turned {turned} to sound as loud as without EQ."
        ));
    }
    let times = volumes.iter().flat_map(|volume| allowed(volume.2));
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

fn distortion(figures: &DistortionFigures) -> Vec<Block> {
    let sides = figures.sides.iter().map(|side| {
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
                " Not measured: {missing} of {} frequencies driven harder.",
                side.points.len()
            )
        } else {
            String::new()
        };
        Block::about("Distortion", format!("{head}{text}{rest}"))
    });
    sides.collect()
}

fn most(point: &BoostedPoint) -> String {
    format!(
        "the most is {} at {}, which is driven {} dB harder ({} without EQ).{}",
        percent(&point.after),
        words::frequency(point.frequency_hz),
        decimals(point.rise_db, 1),
        percent(&point.before),
        match point.after.outside {
            Some(OutsideMeasured::AboveLevel(highest)) => format!(
                " That would be {} dB SPL, above the highest measured level of {}: expect more.",
                decimals(point.after.level_db_spl, 1),
                decimals_up_to(highest, 1)
            ),
            Some(OutsideMeasured::BelowLevel(lowest)) => format!(
                " That would be {} dB SPL, below the lowest measured level of {}.",
                decimals(point.after.level_db_spl, 1),
                decimals_up_to(lowest, 1)
            ),
            Some(OutsideMeasured::Frequency) | None => String::new(),
        }
    )
}

fn percent(estimate: &Estimate) -> String {
    let Some(ratio_db) = estimate.ratio_db else {
        return "unknown".to_owned();
    };
    let bound = match estimate.outside {
        Some(OutsideMeasured::AboveLevel(_)) => "more than ",
        Some(OutsideMeasured::BelowLevel(_)) => "at a higher level ",
        Some(OutsideMeasured::Frequency) | None => "",
    };
    format!("{bound}{} %", short(100.0 * amplitude_from_db(ratio_db)))
}

/// Reasons, each once, after the names of what they leave out.
fn not_told(cost: &Cost) -> Option<Text> {
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
        return None;
    }
    let all: Vec<String> = reasons
        .iter()
        .map(|(names, why)| format!("{names} ({why})"))
        .collect();
    let reasons = Text::from(format!("{}.", all.join("; ")));
    let hearing = cost.exposure_as_wished.known().or(cost.exposure.known());
    Some(match (hearing, cost.drive.known()) {
        (None, Some(_)) => {
            reasons
                + " Name the source with "
                + Knob::Source
                + ", or a level with "
                + Knob::PlayAt
                + "."
        }
        _ => reasons,
    })
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
