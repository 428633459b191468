//! Strict reading of a sheet: unknown keys are errors, since they may have mattered to the writer.

use super::{
    Channel, Checkpoint, Guard, Knowledge, Level, RateCoefficients, Residuals, Search, Sheet,
    SideResidual, error::SheetFault, write::FORMULAS, wrong,
};
use crate::error::{Error, Result};
use crate::filter::{Section, Shape, biquad::Biquad};
use crate::keys::{Table, read_file};
use crate::limits::{self, Limits, bounds};
use crate::measurement::takes::Side;

const SHEET: [&str; 10] = [
    "format",
    "unit",
    "target",
    "level",
    "equaliser",
    "section",
    "checkpoint",
    "coefficients",
    "knowledge",
    "limits",
];
const LEVEL: [&str; 6] = [
    "preamp_db",
    "guard",
    "true_peak_margin_db",
    "peak_gain_db",
    "any_signal_gain_db",
    "loudness_change_lu",
];
const SECTION: [&str; 6] = ["side", "shape", "f0_hz", "gain_db", "q", "device_q"];
const BIQUAD: [&str; 5] = ["b0", "b1", "b2", "a1", "a2"];
const KNOWLEDGE: [&str; 9] = [
    "takes",
    "target_source",
    "trusted_band_hz",
    "cautions",
    "economy_ratio",
    "residual_by_rate_db",
    "residual_db",
    "search",
    "side",
];
const RESIDUALS: [&str; 4] = [
    "weighted_before",
    "weighted_after",
    "trusted_band_before",
    "trusted_band_after",
];

/// Most sections, for both sides together.
const MOST_SECTIONS: usize = 2 * bounds::SECTIONS.max as usize;
/// Most checkpoints, or sets of coefficients: one for each side and rate.
const MOST_OF_EACH_RATE: usize = 2 * bounds::RATES.max as usize;
/// Most frequencies of a checkpoint. Octaves and every f0 are fewer; a sheet may have some more.
const MOST_FREQUENCIES: usize = 1000;
/// Most takes, or cautions.
const MOST_TEXTS: usize = 10_000;

/// Reads a sheet; messages call it `source_name`. It may end before `[knowledge]`, as its comments promise: neither
/// that table nor `[limits]` is needed to play it. A table that is present must be complete, and `[knowledge]` requires
/// `[limits]`.
///
/// # Errors
/// If it is not TOML, has unknown or missing keys, or is not complete ([`Sheet::check`]); with line and key.
pub fn read(bytes: &[u8], source_name: &str) -> Result<Sheet> {
    read_file(bytes, source_name, &SHEET, |table| {
        table.format_1()?;
        let (level, rates_hz) = (read_level(table)?, read_rates(table)?);
        let sheet = Sheet {
            unit: table.required("unit")?.string()?,
            target: table.required("target")?.string()?,
            level,
            rates_hz,
            channels: read_channels(table)?,
            knowledge: table
                .optional("knowledge")
                .map(|knowledge| knowledge.table(&KNOWLEDGE, read_knowledge))
                .transpose()?,
            limits: match table.optional("knowledge") {
                // A sheet with `[knowledge]` but without `[limits]` was cut off.
                Some(_) => Some(table.required("limits")?),
                None => table.optional("limits"),
            }
            .map(|limits| limits.table(&limits::KEYS, Limits::read))
            .transpose()?,
        };
        let whole = sheet.check().and_then(|()| {
            let typed = |table: &Table| {
                let device_q = table.optional("device_q").map(|q| q.number());
                Ok((read_section(table)?, device_q.transpose()?))
            };
            let sections = table.optional("section");
            let sections = sections.map(|sections| sections.tables(&SECTION, typed));
            match &sheet.limits {
                Some(limits) => check_device_q(limits, &sections.transpose()?.unwrap_or_default()),
                None => Ok(()),
            }
        });
        match whole {
            Ok(()) => Ok(sheet),
            Err(error) => Err(table.placed(error)),
        }
    })
}

/// Reads the sections of a sheet that are to be kept within `limits`: those of the left side and those of the right.
/// Sections without a side belong to both. The rest of the sheet is ignored, so sections may have been removed.
///
/// # Errors
/// If it is not a sheet, has no section, or has one that cannot be read or that the limits do not allow beside the
/// others; with line and key.
pub fn read_kept(bytes: &[u8], source_name: &str, limits: &Limits) -> Result<[Vec<Section>; 2]> {
    read_file(bytes, source_name, &SHEET, |table| {
        table.format_1()?;
        let sections = table.required("section")?;
        sections.at_most(MOST_SECTIONS, "sections")?;
        let sections = sections.tables(&SECTION, |table| {
            Ok((read_side(table)?, read_section(table)?))
        })?;
        let named = sides(&sections);
        let has_room = |side: Side| {
            let of_side = |index: &usize| named[*index].is_none_or(|named| named == side);
            let numbers: Vec<usize> = (0..sections.len()).filter(of_side).collect();
            let kept: Vec<Section> = numbers.iter().map(|&index| sections[index].1).collect();
            limits
                .beside(&[&kept])
                .map(|_| kept)
                .map_err(|error| table.placed(renumbered(error, &numbers)))
        };
        Ok([has_room(Side::Left)?, has_room(Side::Right)?])
    })
}

/// The error with the index of a section among `numbers` replaced by its index among all sections of the file.
fn renumbered(mut error: Box<Error>, numbers: &[usize]) -> Box<Error> {
    let in_file = |key: &str| {
        let (number, rest) = key.strip_prefix("section[")?.split_once(']')?;
        let index = number.parse::<usize>().ok()?.checked_sub(1)?;
        Some(format!("section[{}]{rest}", numbers.get(index)? + 1))
    };
    let key = error.place.key.as_deref();
    if let Some(key) = key.and_then(in_file) {
        error.place.key = Some(key);
    }
    error
}

fn number(table: &Table, key: &str) -> Result<f64> {
    table.required(key)?.number()
}

fn read_level(table: &Table) -> Result<Level> {
    table.required("level")?.table(&LEVEL, |level| {
        Ok(Level {
            preamp_db: number(level, "preamp_db")?,
            guard: level.required("guard")?.one_of(&Guard::ALL, Guard::name)?,
            true_peak_margin_db: match level.optional("true_peak_margin_db") {
                Some(margin) => margin.number()?,
                None => 0.0,
            },
            peak_gain_db: number(level, "peak_gain_db")?,
            any_signal_gain_db: number(level, "any_signal_gain_db")?,
            loudness_change_lu: match level.optional("loudness_change_lu") {
                Some(change) => Some(change.number()?),
                None => None,
            },
        })
    })
}

fn read_rates(table: &Table) -> Result<Vec<f64>> {
    let equaliser = table.required("equaliser")?;
    equaliser.table(&["formulas", "rates_hz"], |equaliser| {
        equaliser
            .required("formulas")?
            .one_of(&[FORMULAS], |name| name)?;
        let rates = equaliser.required("rates_hz")?;
        rates.at_most(bounds::RATES.max as usize, "rates")?;
        rates.numbers()
    })
}

/// Sections, checkpoints and coefficients: for both sides if no side is named, otherwise for each.
fn read_channels(table: &Table) -> Result<Vec<Channel>> {
    let sections = match table.optional("section") {
        Some(sections) => {
            sections.at_most(MOST_SECTIONS, "sections")?;
            sections.tables(&SECTION, |table| {
                Ok((read_side(table)?, read_section(table)?))
            })?
        }
        None => Vec::new(),
    };
    let keys = ["side", "rate_hz", "frequency_hz", "gain_db"];
    let checkpoints = table.required("checkpoint")?;
    checkpoints.at_most(MOST_OF_EACH_RATE, "checkpoints")?;
    let checkpoints = checkpoints.tables(&keys, |table| {
        let numbers = |key| {
            let numbers = table.required(key)?;
            numbers.at_most(MOST_FREQUENCIES, "frequencies in a checkpoint")?;
            numbers.numbers()
        };
        let checkpoint = Checkpoint {
            rate_hz: number(table, "rate_hz")?,
            frequency_hz: numbers("frequency_hz")?,
            gain_db: numbers("gain_db")?,
        };
        Ok((read_side(table)?, checkpoint))
    })?;
    let keys = ["side", "rate_hz", "section"];
    let coefficients = table.required("coefficients")?;
    coefficients.at_most(MOST_OF_EACH_RATE, "sets of coefficients")?;
    let coefficients = coefficients.tables(&keys, |table| {
        let section = table.required("section")?;
        section.at_most(MOST_SECTIONS, "sections")?;
        let coefficients = RateCoefficients {
            rate_hz: number(table, "rate_hz")?,
            section: section.tables(&BIQUAD, read_biquad)?,
        };
        Ok((read_side(table)?, coefficients))
    })?;
    let named = [sides(&sections), sides(&checkpoints), sides(&coefficients)].concat();
    let per_side = named.iter().any(Option::is_some);
    for (key, sides) in [
        ("section", sides(&sections)),
        ("checkpoint", sides(&checkpoints)),
        ("coefficients", sides(&coefficients)),
    ] {
        if let Some(index) = sides.iter().position(|side| side.is_some() != per_side) {
            let error = wrong(&format!("{key}[{}]", index + 1), SheetFault::NoSide);
            return Err(table.placed(error));
        }
    }
    let channels: &[Option<Side>] = if per_side { &super::PER_SIDE } else { &[None] };
    Ok(channels
        .iter()
        .map(|&side| Channel {
            side,
            sections: of_side(&sections, side),
            checkpoints: of_side(&checkpoints, side),
            coefficients: of_side(&coefficients, side),
        })
        .collect())
}

fn sides<T>(parts: &[(Option<Side>, T)]) -> Vec<Option<Side>> {
    parts.iter().map(|(side, _)| *side).collect()
}

fn of_side<T: Clone>(parts: &[(Option<Side>, T)], wanted: Option<Side>) -> Vec<T> {
    let of_side = parts.iter().filter(|(side, _)| *side == wanted);
    of_side.map(|(_, part)| part.clone()).collect()
}

fn read_side(table: &Table) -> Result<Option<Side>> {
    let side = table.optional("side");
    side.map(|side| side.one_of(&Side::BOTH, Side::name))
        .transpose()
}

fn read_section(table: &Table) -> Result<Section> {
    Ok(Section {
        shape: table.required("shape")?.one_of(&Shape::ALL, Shape::name)?,
        f0_hz: number(table, "f0_hz")?,
        gain_db: number(table, "gain_db")?,
        q: number(table, "q")?,
    })
}

/// Checks that every `device_q` is the q beside it, converted for the equaliser of the sheet's limits.
fn check_device_q(limits: &Limits, sections: &[(Section, Option<f64>)]) -> Result<()> {
    const SAME: f64 = 1e-6;
    for (index, (section, stated)) in sections.iter().enumerate() {
        let Some(stated) = stated else { continue };
        let known = limits.device_q(section);
        if !known.is_some_and(|known| (known - stated).abs() <= SAME * known) {
            let meaning = limits.rules.meaning_of(section.shape);
            let key = format!("section[{}].device_q", index + 1);
            return Err(wrong(&key, SheetFault::DeviceQ(*stated, known, meaning)));
        }
    }
    Ok(())
}

fn read_biquad(table: &Table) -> Result<Biquad> {
    Ok(Biquad {
        b0: number(table, "b0")?,
        b1: number(table, "b1")?,
        b2: number(table, "b2")?,
        a1: number(table, "a1")?,
        a2: number(table, "a2")?,
    })
}

fn read_knowledge(table: &Table) -> Result<Knowledge> {
    let texts = |key| {
        let texts = table.required(key)?;
        texts.at_most(MOST_TEXTS, key)?;
        texts.strings()
    };
    Ok(Knowledge {
        takes: texts("takes")?,
        target_source: table.required("target_source")?.string()?,
        trusted_band_hz: match table.optional("trusted_band_hz") {
            None => None,
            Some(value) => match value.numbers()?.as_slice() {
                &[lowest_hz, highest_hz] => Some((lowest_hz, highest_hz)),
                other => return Err(value.error(SheetFault::Band(other.len()))),
            },
        },
        residual_db: table
            .required("residual_db")?
            .table(&RESIDUALS, read_residuals)?,
        residual_by_rate_db: table.required("residual_by_rate_db")?.numbers()?,
        economy_ratio: match table.optional("economy_ratio") {
            Some(value) => Some(value.number()?),
            None => None,
        },
        search: table
            .required("search")?
            .table(&["searches", "agreeing", "stop"], |search| {
                Ok(Search {
                    searches: search.required("searches")?.whole()?,
                    agreeing: search.required("agreeing")?.whole()?,
                    stop: search.required("stop")?.string()?,
                })
            })?,
        cautions: texts("cautions")?,
        sides: match table.optional("side") {
            None => Vec::new(),
            Some(sides) => {
                let keys = ["side", "weighted_before", "weighted_after"];
                sides.tables(&keys, |table| {
                    Ok(SideResidual {
                        side: table.required("side")?.one_of(&Side::BOTH, Side::name)?,
                        weighted_before: number(table, "weighted_before")?,
                        weighted_after: number(table, "weighted_after")?,
                    })
                })?
            }
        },
    })
}

fn read_residuals(table: &Table) -> Result<Residuals> {
    let (before, after) = ("trusted_band_before", "trusted_band_after");
    let neither = table.optional(before).is_none() && table.optional(after).is_none();
    Ok(Residuals {
        weighted_before: number(table, "weighted_before")?,
        weighted_after: number(table, "weighted_after")?,
        trusted_band: if neither {
            None
        } else {
            Some((number(table, before)?, number(table, after)?))
        },
    })
}
