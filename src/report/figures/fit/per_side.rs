//! What a fit with one EQ for each side shows: the preamp once, then left and right.

use super::{
    complete, count, decimals, economy, enough, preamp, rate_rows, reach, search, sections,
    takes_and_notes, trade_off, trusted_row, weighted_row, with_reach,
};
use crate::headroom::cost::Cost;
use crate::job::per_side::{PerSideOutcome, SideOutcome};
use crate::report::blocks::{Block, Part, Report, Row};
use crate::report::data::WrittenFile;
use crate::report::figures::cost;
use crate::report::words;

/// A difference in level from here on is worth a line, dB.
const NOTABLE_DIFFERENCE_DB: f64 = 0.05;

/// The report, with what each side costs where that was asked; `files` is what was written.
#[must_use]
pub fn report(
    outcome: &PerSideOutcome,
    costs: Option<&[Cost; 2]>,
    files: &[WrittenFile],
) -> Report {
    let shared = &outcome.sides[0].fit;
    let apply = "Apply it before the sections, the same on both sides, or the image moves. On the worse side they";
    // The record of a side has the headroom and the loudness of both.
    let mut parts = vec![preamp(shared, apply, any_section(outcome))];
    for SideOutcome { side, fit } in &outcome.sides {
        let head = format!("{} side: sections", words::side_name(*side));
        parts.push(sections(&head, fit));
    }
    parts.extend(residual(outcome));
    parts.extend(outcome.loudness_wish.as_ref().map(trade_off));
    let costs = outcome.sides.iter().zip(costs.into_iter().flatten());
    parts.extend(costs.map(|(side, cost)| cost::part(cost, Some(side.side))));
    parts.push(certainty(outcome));
    let title = format!(
        "{} toward {}, one EQ for each side",
        shared.unit, shared.target
    );
    complete(title, &outcome.cautions, parts, files)
}

fn any_section(outcome: &PerSideOutcome) -> bool {
    outcome.sides.iter().any(|s| !s.fit.sections.is_empty())
}

fn residual(outcome: &PerSideOutcome) -> Vec<Part> {
    let shared = &outcome.sides[0].fit;
    let mut rows = vec![weighted_row("weighted as in the fit", &outcome.residual)];
    for SideOutcome { side, fit } in &outcome.sides {
        rows.push(Row {
            depth: 1,
            ..weighted_row(side.words(), &fit.residual)
        });
    }
    rows.push(trusted_row(shared.trusted_band_hz, &outcome.residual));
    rows.extend(rate_rows(
        &shared.rates_hz,
        &outcome.residual_by_rate_db,
        outcome.residual.after.weighted_db,
    ));
    let mut blocks = vec![Block::Rows(rows)];
    blocks.extend(level_difference(outcome).map(Block::paragraph));
    let head = "Residual (equalised minus target, one free level for both sides, rms)";
    let of = |side: usize| -> Vec<f64> {
        let points = outcome.sides[side].fit.reach.iter();
        points.map(|point| point.residual_db).collect()
    };
    let rows = [("left (dB)", of(0)), ("right (dB)", of(1))];
    let first = shared.reach.first().map_or(0, |point| point.sections);
    with_reach(
        Part::new(head, blocks),
        reach(" a side", first, &rows),
        outcome.enough.as_ref().map(|e| enough(e, shared.spread())),
    )
}

/// What of the residual is no more than a difference in level.
fn level_difference(outcome: &PerSideOutcome) -> Option<String> {
    let difference = &outcome.level_difference;
    let largest_db = difference.before_db.abs().max(difference.after_db.abs());
    if largest_db < NOTABLE_DIFFERENCE_DB {
        return None;
    }
    let signed = |db: f64| {
        let (louder, softer) = if db < 0.0 {
            ("right", "left")
        } else {
            ("left", "right")
        };
        match decimals(db.abs(), 2).as_str() {
            "0.00" => "none".to_owned(),
            figure => format!("{louder} is {figure} dB louder than {softer}"),
        }
    };
    Some(format!(
        "In level (weighted mean, beside what is wanted): {} before, {} after. {} dB of the residual after is that. Sections mend a difference in level badly: a balance control does it better.",
        signed(difference.before_db),
        signed(difference.after_db),
        decimals(0.5 * difference.after_db.abs(), 2),
    ))
}

fn certainty(outcome: &PerSideOutcome) -> Part {
    let takes = outcome.sides.iter().map(|SideOutcome { side, fit }| {
        let number = count(fit.takes.len(), "take", "takes");
        let side = words::side_name(*side);
        format!("{side}, {number}: {}", fit.takes.join(", "))
    });
    let takes = takes.collect::<Vec<_>>().join(". ");
    let mut blocks = takes_and_notes(&takes, &outcome.sides[0].fit, &outcome.cautions);
    let sides = outcome.sides.each_ref().map(|side| &side.fit.search);
    blocks.push(search(&outcome.search, &sides, "the answer of their side"));
    blocks.extend(economy(outcome.economy_ratio, any_section(outcome)));
    Part::new("How sure", blocks)
}
