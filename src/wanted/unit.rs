//! A unit as a target: its takes judged as for a fit, the sound ones averaged, or those of one side.

use std::path::Path;

use super::recipe::Reference;
use super::target::{Base, Target};
use crate::error::{Error, ErrorKind, Result, nearest_spelling};
use crate::measurement::judge::{Settings, judge};
use crate::measurement::rig::Rig;
use crate::measurement::takes::{Side, Take};
use crate::measurement::unit_file::{
    FileEntry, RigEntry, UnitEntry, parse_unit_file, read_take, read_trust,
};
use crate::message::excerpt;
use crate::names::{file_name, told_apart};

/// The target that the unit file `path`, whose bytes are given, makes; `reference` says which side and variant.
/// Errors about those two carry their key.
pub(super) fn unit_target(
    bytes: &[u8],
    path: &str,
    reference: &Reference,
    read: &mut dyn FnMut(&str) -> Result<Vec<u8>>,
) -> Result<Target> {
    let unit = the_one(parse_unit_file(bytes, path)?, path, reference)?;
    if let Some(side) = reference
        .side
        .filter(|side| !unit.takes.iter().any(|t| t.side == *side))
    {
        let others = unit.takes.iter().map(|take| take.side);
        let other = others.into_iter().next().unwrap_or(Side::Unknown);
        return Err(Error::new(
            ErrorKind::Name,
            path,
            format!("no take of the {} of {}", side.words(), unit.name),
            "a side that was measured",
            format!("it has takes of the {}", other.words()),
        )
        .at_key("side"));
    }
    let folder = Path::new(path).parent().unwrap_or_else(|| Path::new(""));
    let mut named = |file: &FileEntry| -> Result<(Vec<u8>, String)> {
        let beside = folder.join(&file.file).to_string_lossy().into_owned();
        let bytes = read(&beside).map_err(|mut error| {
            error.found = format!("{} at `{}`", error.found, excerpt(&beside));
            path.clone_into(&mut error.place.source);
            error.at_line(file.line).at_key(&file.key)
        })?;
        Ok((bytes, beside))
    };
    let rig = match &unit.rig {
        None => Rig::default(),
        Some(RigEntry::Rig(rig)) => rig.clone(),
        Some(RigEntry::File(file)) => {
            let (bytes, name) = named(file)?;
            read_trust(&bytes, &name)?
        }
    };
    let files = unit.takes.iter().map(|entry| Path::new(&entry.file.file));
    let names = told_apart(&files.collect::<Vec<_>>());
    let mut takes: Vec<Take> = Vec::new();
    for (entry, take_name) in unit.takes.iter().zip(names) {
        let (bytes, name) = named(&entry.file)?;
        let take = read_take(&bytes, &name, entry.side, entry.channel)?.take;
        takes.push(Take {
            name: take_name,
            ..take
        });
    }
    let settings = Settings {
        rig,
        ..Settings::default()
    };
    let judged = judge(&takes, &settings)?;
    let trust = settings.rig.trust_on_grid();
    let side = reference.side;
    let of_side = side.and_then(|side| judged.sides.iter().find(|judged| judged.side == side));
    let (curve, what) = match (of_side, judged.sides.as_slice()) {
        (Some(side), _) => (&side.mean, format!("the {} of ", side.side.words())),
        (None, [only]) if only.side == Side::Unknown => (&only.mean, String::new()),
        (None, [only]) => (&only.mean, format!("the {} of ", only.side.words())),
        (None, _) => (&judged.average.on_grid, "both sides of ".to_owned()),
    };
    let counts = |take: Side| side.is_none_or(|side| side == take);
    let all = judged.takes.iter().filter(|take| counts(take.side));
    let kept = all.clone().filter(|take| !take.set_aside).count();
    let aside: Vec<String> = judged
        .aside()
        .filter(|take| counts(take.side))
        .map(|take| format!("{} {}", take.name, take.verdict))
        .collect();
    let name = match side {
        Some(side) => format!("{}, {}", unit.name, side.words()),
        None => unit.name.clone(),
    };
    Ok(Target {
        source: format!(
            "measured: the mean of {kept} of {} takes of {what}{} ({})",
            all.count(),
            unit.name,
            file_name(path)
        ),
        warnings: if aside.is_empty() {
            Vec::new()
        } else {
            vec![format!(
                "takes of the target were set aside: {}. Inspect that unit before you copy it.",
                aside.join("; ")
            )]
        },
        name,
        base: Base::Curve(curve.clone()),
        trust: Some(trust),
        contours: Vec::new(),
    })
}

/// The one unit of a file that is meant.
fn the_one(units: Vec<UnitEntry>, path: &str, reference: &Reference) -> Result<UnitEntry> {
    let names: Vec<String> = units
        .iter()
        .map(|unit| format!("`{}`", excerpt(&unit.name)))
        .collect();
    let count = units.len();
    let named = |unit: &UnitEntry| {
        reference
            .variant
            .as_deref()
            .is_none_or(|name| unit.name == name)
    };
    let near = reference.variant.as_deref().and_then(|name| {
        let known = units.iter().map(|unit| unit.name.as_str());
        nearest_spelling(name, known).map(str::to_owned)
    });
    let mut meant: Vec<UnitEntry> = units.into_iter().filter(named).collect();
    let (kind, found) = match (meant.len(), &reference.variant) {
        (1, _) => return Ok(meant.remove(0)),
        (_, Some(name)) => (
            ErrorKind::Name,
            format!("no unit named `{}`", excerpt(name)),
        ),
        (_, None) => (ErrorKind::Setting, format!("{count} units and no variant")),
    };
    let expected = format!("one of {}", names.join(", "));
    let next_step = match near {
        Some(near) => format!("did you mean `{near}`?"),
        None => "choose one of them".to_owned(),
    };
    Err(Error::new(kind, path, found, expected, next_step).at_key("variant"))
}
