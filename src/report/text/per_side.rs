//! A fit with one EQ for each side on the terminal: the preamp once, then left and right.

use super::{
    Page, aligned, cautions, certainty_head, count, decimals, economy, enough, preamp, rate_rows,
    reach, search, sections, takes_and_notes, trade_off, trusted_row, weighted_row, written,
};
use crate::headroom::cost::Cost;
use crate::job::per_side::{PerSideOutcome, SideOutcome};
use crate::measurement::takes::Side;
use crate::report::cost_text;
use crate::report::data::WrittenFile;

/// A difference in level from here on is worth a line, dB.
const NOTABLE_DIFFERENCE_DB: f64 = 0.05;

/// The report for people, with what each side costs where that was asked; `files` is what was written.
#[must_use]
pub fn per_side_text(
    outcome: &PerSideOutcome,
    costs: Option<&[Cost; 2]>,
    files: &[WrittenFile],
) -> String {
    let mut page = Page(String::new());
    let [left, right] = &outcome.sides;
    let shared = &left.fit;
    page.paragraph(
        "",
        &format!(
            "{} toward {}, one EQ for each side",
            shared.unit, shared.target
        ),
    );
    page.gap();
    cautions(&mut page, &outcome.cautions);
    let any_section = outcome.sides.iter().any(|s| !s.fit.sections.is_empty());
    let apply = "Apply it before the sections, the same on both sides, or the image moves. On the worse side they";
    // The record of a side has the headroom and the loudness of both.
    preamp(&mut page, shared, apply, any_section);
    for side in [left, right] {
        let head = format!("{} side: sections", capital(side.side));
        sections(&mut page, &head, &side.fit);
    }
    residual(&mut page, outcome);
    trade_off(&mut page, outcome.loudness_wish.as_ref());
    for (side, cost) in outcome.sides.iter().zip(costs.into_iter().flatten()) {
        cost_text::write_side(&mut page, side.side.words(), cost);
    }
    certainty(&mut page, outcome);
    written(&mut page, files);
    page.0
}

fn capital(side: Side) -> &'static str {
    match side {
        Side::Right => "Right",
        _ => "Left",
    }
}

fn residual(page: &mut Page, outcome: &PerSideOutcome) {
    let shared = &outcome.sides[0].fit;
    page.line("Residual (equalised minus target, one free level for both sides, rms)");
    let mut rows = vec![weighted_row("weighted as in the fit", &outcome.residual)];
    for SideOutcome { side, fit } in &outcome.sides {
        rows.push(weighted_row(&format!("  {}", side.words()), &fit.residual));
    }
    rows.push(trusted_row(shared.trusted_band_hz, &outcome.residual));
    rows.extend(rate_rows(
        &shared.rates_hz,
        &outcome.residual_by_rate_db,
        outcome.residual.after.weighted_db,
    ));
    aligned(page, &rows);
    level_difference(page, outcome);
    let of = |side: usize| -> Vec<f64> {
        let points = outcome.sides[side].fit.reach.iter();
        points.map(|point| point.residual_db).collect()
    };
    let rows = [("left (dB)", of(0)), ("right (dB)", of(1))];
    let first = shared.reach.first().map_or(0, |point| point.sections);
    reach(page, " a side", first, &rows);
    enough(page, outcome.enough.as_ref(), shared.spread());
    page.gap();
}

/// What of the residual is no more than a difference in level.
fn level_difference(page: &mut Page, outcome: &PerSideOutcome) {
    let difference = &outcome.level_difference;
    let largest_db = difference.before_db.abs().max(difference.after_db.abs());
    if largest_db < NOTABLE_DIFFERENCE_DB {
        return;
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
    page.paragraph(
        "  ",
        &format!(
            "In level (weighted mean, beside what is wanted): {} before, {} after. {} dB of the residual after is that. Sections mend a difference in level badly: a balance control does it better.",
            signed(difference.before_db),
            signed(difference.after_db),
            decimals(0.5 * difference.after_db.abs(), 2),
        ),
    );
}

fn certainty(page: &mut Page, outcome: &PerSideOutcome) {
    certainty_head(page);
    let takes: Vec<String> = outcome
        .sides
        .iter()
        .map(|SideOutcome { side, fit }| {
            let number = count(fit.takes.len(), "take", "takes");
            format!("{}, {number}: {}", capital(*side), fit.takes.join(", "))
        })
        .collect();
    let takes = takes.join(". ");
    takes_and_notes(page, &takes, &outcome.sides[0].fit, &outcome.cautions);
    let sides = outcome.sides.each_ref().map(|side| &side.fit.search);
    search(page, &outcome.search, &sides, "the answer of their side");
    let any_section = outcome.sides.iter().any(|s| !s.fit.sections.is_empty());
    economy(page, outcome.economy_ratio, any_section);
    page.gap();
}
