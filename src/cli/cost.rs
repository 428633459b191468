//! What `fit --cost` asks, and what no figure is told for.

use bandwright::cost::Cost;
use bandwright::cost::exposure::REFUSED_DBA;
use bandwright::error::{Error, ErrorKind, Knob, Result};
use bandwright::job::CostQuestion;

use super::args::Fit;

/// The loudest wish, dBA: no rule allows any time above it.
const LOUDEST_DBA: f64 = bandwright::cost::exposure::CEILING_DBA;

/// What is asked, where any option asks what the EQ costs.
pub(super) fn question(typed: &Fit) -> Option<CostQuestion> {
    let is_asked = typed.cost
        || typed.source.is_some()
        || typed.programme.is_some()
        || typed.play_at.is_some()
        || typed.field.is_some()
        || typed.field_table.is_some();
    is_asked.then(|| CostQuestion {
        source: typed.source.clone(),
        programme: typed.programme.clone(),
        play_at_dba: typed.play_at,
        field: typed.field.unwrap_or_default(),
        table: typed.field_table.unwrap_or_default(),
    })
}

/// What no file needs to be opened for.
pub(super) fn refuse_impossible(typed: &Fit) -> Result<()> {
    match typed.play_at {
        Some(level_dba) if !(0.0..=LOUDEST_DBA).contains(&level_dba) => Err(Error::new(
            ErrorKind::Setting,
            Knob::PlayAt,
            format!("{level_dba} dBA"),
            format!("0 to {LOUDEST_DBA} dBA"),
            "70 to 75 is a careful level for listening long",
        )),
        _ => Ok(()),
    }
}

/// A wish that is too loud to be helped with.
pub(super) fn refuse_too_loud(typed: &Fit, costs: &[Cost]) -> Result<()> {
    if typed.above_100_dba {
        return Ok(());
    }
    let levels = costs.iter().filter_map(Cost::wished_level);
    let loudest = levels.max_by(|a, b| a.level_dba.total_cmp(&b.level_dba));
    match loudest {
        Some(level) if level.level_dba > REFUSED_DBA => Err(Error::new(
            ErrorKind::Setting,
            Knob::PlayAt,
            level.to_string(),
            format!(
                "at most {REFUSED_DBA} dBA: so loud the rules for work allow 15 minutes a day (NIOSH 1998), and hearing that is lost does not come back"
            ),
            "wish for less, 70 to 75 is a careful level for listening long; --above-100-dba shows the figures for a measurement that nobody hears",
        )),
        _ => Ok(()),
    }
}
