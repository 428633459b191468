//! Strict reading of a sheet: unknown keys are errors, since they may have mattered to the writer.

use super::{
    Channel, Checkpoint, Guard, Knowledge, Level, RateCoefficients, Residuals, Search, Sheet,
    SideResidual, error::SheetFault, write::FORMULAS, wrong,
};
use crate::caution::Caution;
use crate::error::{Error, Result};
use crate::filter::{Section, Shape, biquad::Biquad};
use crate::keys::{Table, read_file};
use crate::knob::plain;
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
            let limits = sheet.limits.as_ref();
            limits.map_or(Ok(()), |limits| typed_q_holds(table, limits))
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
        let sections = read_sections(table)?;
        let has_room = |side: Side| {
            let (numbers, kept) = heard_on(&sections, side);
            limits
                .beside(&[&kept])
                .map(|_| kept)
                .map_err(|error| table.placed(renumbered(error, &numbers)))
        };
        Ok([has_room(Side::Left)?, has_room(Side::Right)?])
    })
}

/// Sections that one already has, and limits that hold them.
#[derive(Debug, Clone, PartialEq)]
pub struct GivenSections {
    /// Those of the left side and those of the right; sections without a side belong to both.
    pub sections: [Vec<Section>; 2],
    /// Whether any section names its side.
    pub per_side: bool,
    /// The limits that were named; else the file's own, else the standard ones, either widened where they must be.
    pub limits: Limits,
    /// Where these were widened for a number: which.
    pub beyond: Option<Caution>,
}

/// Reads the sections of a sheet, or of a file that has nothing but `[[section]]` tables, with `limits` if some were
/// named. Of a whole sheet the limits are read too; the rest is ignored, so sections may have been changed, added or
/// removed. With `numbers_stand` the numbers are to stay as they are; otherwise only shapes and counts must be possible.
///
/// # Errors
/// If it is none of the two, has no section, or has one that cannot be read, contradicts the `device_q` beside it, or
/// that the named limits do not allow (or have no room for); with line and key.
pub fn read_given(
    bytes: &[u8],
    source_name: &str,
    limits: Option<&Limits>,
    numbers_stand: bool,
) -> Result<GivenSections> {
    if !names_sections(bytes) {
        return Err(Error::of(SheetFault::NoSections, source_name));
    }
    read_file(bytes, source_name, &SHEET, |table| {
        if table.optional("format").is_some() {
            table.format_1()?;
        }
        let sections = read_sections(table)?;
        if sections.is_empty() {
            return Err(table.required("section")?.error(SheetFault::NoSections));
        }
        let own = table
            .optional("limits")
            .map(|own| own.table(&limits::KEYS, Limits::read))
            .transpose()?;
        if let Some(own) = &own {
            own.check().map_err(|error| in_limits(table, error))?;
            check_typed_q(table, own)?;
        }
        let sides = Side::BOTH.map(|side| heard_on(&sections, side));
        let lists: Vec<&[Section]> = sides.iter().map(|(_, list)| list.as_slice()).collect();
        let fits = |limits: &Limits| {
            sides.iter().try_for_each(|(numbers, list)| {
                let fits = match numbers_stand {
                    true => limits.allows(list),
                    false => limits.has_room_for(list),
                };
                fits.map_err(|error| table.placed(renumbered(error, numbers)))
            })
        };
        let (limits, beyond) = match limits {
            Some(limits) => (limits.clone(), fits(limits).map(|()| None)?),
            None => {
                let known = own.unwrap_or_else(Limits::standard);
                let beyond = fits(&known).err();
                let wide = known.widened_for(&lists, numbers_stand);
                // What no limits could hold is the place's own error.
                match (wide, beyond) {
                    (Err(_), Some(error)) => return Err(error),
                    (wide, beyond) => (wide?, beyond.map(|error| beyond_limits(&error, &known))),
                }
            }
        };
        let [left, right] = sides.map(|(_, list)| list);
        Ok(GivenSections {
            per_side: sections.iter().any(|(side, _)| side.is_some()),
            sections: [left, right],
            limits,
            beyond,
        })
    })
}

/// Whether any line begins `section` or its table: no other text is ours.
fn names_sections(bytes: &[u8]) -> bool {
    let text = String::from_utf8_lossy(bytes);
    let mut lines = text.lines().map(|line| {
        line.trim_start_matches(|c: char| c.is_whitespace() || c == '[' || c == '\u{feff}')
    });
    lines.any(|line| line.starts_with("section"))
}

fn in_limits(table: &Table, mut error: Box<Error>) -> Box<Error> {
    let key = error.place.key.take().unwrap_or_default();
    table.placed(error.at_key(format!("limits.{key}")))
}

fn beyond_limits(error: &Error, limits: &Limits) -> Caution {
    let worded = error.worded(&plain);
    let line = worded.place.line.map(|line| format!(", line {line}"));
    let key = worded.place.key.map(|key| format!(", {key}"));
    Caution::BeyondLimits {
        place: [
            worded.place.source,
            line.unwrap_or_default(),
            key.unwrap_or_default(),
        ]
        .concat(),
        found: error.found(),
        expected: error.expected(),
        limits: limits.name.clone(),
    }
}

fn read_sections(table: &Table) -> Result<Vec<(Option<Side>, Section)>> {
    let sections = table.required("section")?;
    sections.at_most(MOST_SECTIONS, "sections")?;
    sections.tables(&SECTION, |table| {
        Ok((read_side(table)?, read_section(table)?))
    })
}

/// The sections of a side, those of both among them, with the index of each in the file.
fn heard_on(sections: &[(Option<Side>, Section)], side: Side) -> (Vec<usize>, Vec<Section>) {
    let of_side = |(_, (own, _)): &(usize, &(Option<Side>, Section))| own.is_none_or(|own| own == side);
    let heard = sections.iter().enumerate().filter(of_side);
    heard.map(|(index, (_, section))| (index, *section)).unzip()
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

fn check_typed_q(table: &Table, limits: &Limits) -> Result<()> {
    typed_q_holds(table, limits).map_err(|error| table.placed(error))
}

/// [`check_device_q`] for the sections of the file; the error has no place yet.
fn typed_q_holds(table: &Table, limits: &Limits) -> Result<()> {
    let typed = |table: &Table| {
        let device_q = table.optional("device_q").map(|q| q.number());
        Ok((read_section(table)?, device_q.transpose()?))
    };
    let sections = table.optional("section");
    let sections = sections.map(|sections| sections.tables(&SECTION, typed));
    check_device_q(limits, &sections.transpose()?.unwrap_or_default())
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
