//! A unit as a target: its takes are judged as for a fit, and the sound ones (of one side, if stated) are averaged.

use std::path::PathBuf;

use super::error::WantedFault as Fault;
use super::recipe::Reference;
use super::target::{Base, Target};
use crate::error::value::{NameOf, ValueFault};
use crate::error::{self, Error, Result};
use crate::files::Files;
use crate::measurement::judge::{Settings, judge};
use crate::measurement::open::NamedUnit;
use crate::measurement::rig::Rig;
use crate::measurement::takes::{Side, Take};
use crate::measurement::unit_file::{UnitEntry, parse_unit_file};
use crate::file_names::file_name;

/// The target made of the unit file `path` with these bytes; `reference` states side and variant. Errors about these
/// two carry their keys.
pub(super) fn unit_target(
    bytes: &[u8],
    path: &str,
    reference: &Reference,
    files: &dyn Files,
) -> Result<Target> {
    let unit = chosen_unit(parse_unit_file(bytes, path)?, path, reference)?;
    if let Some(side) = reference
        .side
        .filter(|side| !unit.takes.iter().any(|t| t.side == *side))
    {
        let others = unit.takes.iter().map(|take| take.side);
        let other = others.into_iter().next().unwrap_or(Side::Unknown);
        return Err(Error::of(Fault::NoTakeOfSide(side, unit.name, other), path).at_key("side"));
    }
    let opened = NamedUnit::of_entry(PathBuf::from(path), unit.clone())
        .open(files)?
        .unit;
    let rig = opened.rig.unwrap_or_default();
    let takes: Vec<Take> = opened.takes.into_iter().map(|opened| opened.take).collect();
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
        at_eardrum: settings.rig != Rig::Flat,
        contours: Vec::new(),
    })
}

/// The unit of the file to which the reference refers.
fn chosen_unit(units: Vec<UnitEntry>, path: &str, reference: &Reference) -> Result<UnitEntry> {
    let names = units.iter().map(|unit| unit.name.clone());
    let names: Vec<String> = names.collect();
    let variant = reference.variant.as_deref();
    let named = |unit: &UnitEntry| variant.is_none_or(|name| unit.name == name);
    let mut meant: Vec<UnitEntry> = units.into_iter().filter(named).collect();
    let fault = match (meant.len(), variant) {
        (1, _) => return Ok(meant.remove(0)),
        (_, Some(name)) => ValueFault::unknown(NameOf::Unit, name, names).into(),
        (_, None) => Box::<dyn error::Fault>::from(Fault::NoVariant(names)),
    };
    Err(Error::of(fault, path).at_key("variant"))
}
