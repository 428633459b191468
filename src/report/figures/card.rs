//! The card of a preset: what is typed into an equaliser, in few lines.

use crate::job::{Channel, Outcome};
use crate::report::blocks::{Block, Part, Report};
use crate::report::words::{decimals_up_to, printable, signed_typed, typed};

/// Decimals of a q as it is typed.
const Q_DECIMALS: usize = 4;

/// The cards of a fit and nothing else: one, or one a side.
#[must_use]
pub fn report(outcome: &Outcome) -> Report {
    Report {
        parts: parts(outcome),
        ..Report::new("")
    }
}

/// One part a card.
#[must_use]
pub fn parts(outcome: &Outcome) -> Vec<Part> {
    let card = |channel| Part::without_head([Block::Card(lines(outcome, channel))]);
    outcome.channels.iter().map(card).collect()
}

/// What it is for, a line for each section, and the gain before them.
fn lines(outcome: &Outcome, channel: &Channel) -> Vec<String> {
    let shared = &outcome.shared;
    let side = channel.side.map(|side| format!(", {}", side.words()));
    let name = format!(
        "{} toward {}{}",
        shared.unit,
        shared.target,
        side.unwrap_or_default()
    );
    let mut lines = vec![printable(&name)];
    let cells: Vec<[String; 4]> = channel
        .sections
        .iter()
        .zip(&channel.typed_q)
        .map(|(section, typed_q)| {
            // What the equaliser calls q, which is what its user types.
            let q = match typed_q {
                Some(typed_q) => decimals_up_to(typed_q.q, Q_DECIMALS),
                None => typed(section.q),
            };
            [
                section.shape.name().to_owned(),
                format!("{} Hz", typed(section.f0_hz)),
                format!("{} dB", signed_typed(section.gain_db)),
                format!("q {q}"),
            ]
        })
        .collect();
    let widest = |column: usize| cells.iter().map(|cells| cells[column].len()).max().unwrap_or(0);
    let widths = [widest(0), widest(1), widest(2)];
    lines.extend(cells.iter().map(|[shape, f0, gain, q]| {
        format!(
            "{shape:<0$}  {f0:>1$}  {gain:>2$}  {q}",
            widths[0], widths[1], widths[2]
        )
    }));
    lines.push(match channel.sections.is_empty() {
        true => "No section helps.".to_owned(),
        false => format!("Gain before them: {} dB.", typed(shared.headroom.preamp_db)),
    });
    lines
}
