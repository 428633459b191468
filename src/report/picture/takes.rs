//! The picture of what each take is left with: a thin curve a take, and a thicker one for the take with the largest error.

use super::chart::{self, LevelAxis};
use super::fit::hatched;
use super::notes;
use super::palette::Ink;
use super::{FIRST_PANEL_TOP, FREQUENCY, Guard, Line, PANEL_GAP, Panel, Picture};
use crate::job::{Channel, Outcome, TakeResidual};
use crate::measurement::grid;
use crate::report::words::{decimals, printable, side_name};

/// The picture, laid out; None where there are not several takes.
#[must_use]
pub fn takes_picture(outcome: &Outcome) -> Option<Picture> {
    let Outcome { shared, channels } = outcome;
    let takes = || channels.iter().flat_map(|channel| &channel.take_residuals);
    if takes().count() < 2 {
        return None;
    }
    let best = takes().min_by(|a, b| a.after_db.total_cmp(&b.after_db))?;
    let worst = takes().max_by(|a, b| a.after_db.total_cmp(&b.after_db))?;
    let levels: Vec<f64> = takes()
        .flat_map(|take| take.residual_db.iter().map(|(_, db)| *db))
        .collect();
    let aspect = chart::aspect_for(&[&levels]);
    let range = chart::level_range(&levels, aspect);
    let mut top = FIRST_PANEL_TOP;
    let mut panels = Vec::new();
    for channel in channels {
        let axis = LevelAxis::new(range, aspect, &FREQUENCY, top);
        top = axis.bottom() + PANEL_GAP;
        let side = channel.side.map(|side| format!("{} side. ", side_name(side)));
        panels.push(Panel {
            heading: format!("{}Each take with the sections, minus the target, dB", side.unwrap_or_default()),
            axis,
            areas: Vec::new(),
            lines: lines(channel),
            marks_zero: true,
        });
    }
    let title = format!("What each take of {} is left with", printable(&shared.unit));
    let told = |take: &TakeResidual| format!("{} dB rms ({})", decimals(take.after_db, 2), printable(&take.take));
    let subtitle = format!("Weighted: from {} to {}", told(best), told(worst));
    let doubtful_hz = chart::doubtful_hz(grid::frequency_hz(), &shared.curves.trust, &shared.curves.support);
    let guard = shared.coupler_hz.map(Guard::of_coupler);
    let mut notes = vec![
        "Takes as they were measured; the level that makes the weighted residual least is taken out of each. Named: the take with the largest.".to_owned(),
        notes::smoothing(shared.smoothing, aspect),
    ];
    notes.push(hatched(shared, &doubtful_hz));
    notes.extend(guard.as_ref().map(|guard| notes::resonance(guard, &doubtful_hz)));
    Some(Picture {
        description: format!("Residual of each take from 20 Hz to 20 kHz. {title}. {subtitle}."),
        title,
        subtitle,
        panels,
        doubtful_hz,
        guard,
        bands_hz: Vec::new(),
        figures: Vec::new(),
        notes: notes::finished(notes, range.cuts),
    })
}

/// The take with the largest error last, over the others.
fn lines(channel: &Channel) -> Vec<Line> {
    let mut takes: Vec<&TakeResidual> = channel.take_residuals.iter().collect();
    takes.sort_by(|a, b| a.after_db.total_cmp(&b.after_db));
    let last = takes.len().saturating_sub(1);
    let line = |(place, take): (usize, &TakeResidual)| {
        let name = printable(&take.take);
        let points = take.residual_db.clone();
        match place == last {
            true => Line::new(name, Ink::WorstTake, points),
            false => Line::new(name, Ink::Take, points).labelled(""),
        }
    };
    takes.into_iter().enumerate().map(line).collect()
}
