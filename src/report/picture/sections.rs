//! The picture of a preset's sections: each by itself, all together, and with the gain before them; below, what is left
//! against the number of sections.

use super::chart::{self, LevelAxis};
use super::figures::{Content, CountLine, FigureChart, Scale};
use super::palette::Ink;
use super::{FIRST_PANEL_TOP, FREQUENCY, Line, PANEL_GAP, Panel, Picture};
use crate::filter::{Section, cascade};
use crate::job::{Channel, Outcome};
use crate::measurement::grid;
use crate::report::words::{count, decimals_up_to, printable, rate, side_name, true_minus};

/// Height of the chart by counts, pixels.
const COUNTS_HEIGHT: f64 = 130.0;

/// The picture, laid out; None where there is no section.
#[must_use]
pub fn sections_picture(outcome: &Outcome) -> Option<Picture> {
    let Outcome { shared, channels } = outcome;
    if !outcome.has_sections() {
        return None;
    }
    let preamp_db = shared.headroom.preamp_db;
    let rate_hz = *shared.rates_hz.first()?;
    let lines: Vec<Vec<Line>> = channels
        .iter()
        .map(|channel| lines(channel, preamp_db, rate_hz))
        .collect();
    let levels: Vec<f64> = lines
        .iter()
        .flatten()
        .flat_map(|line| line.points.iter().map(|(_, db)| *db))
        .collect();
    let aspect = chart::aspect_for(&[&levels]);
    let range = chart::level_range(&levels, aspect);
    let mut top = FIRST_PANEL_TOP;
    let mut panels = Vec::new();
    for (channel, lines) in channels.iter().zip(lines) {
        let axis = LevelAxis::new(range, aspect, &FREQUENCY, top);
        top = axis.bottom() + PANEL_GAP;
        let side = channel.side.map(|side| format!("{} side. ", side_name(side)));
        panels.push(Panel {
            heading: format!("{}Gain, dB", side.unwrap_or_default()),
            axis,
            areas: Vec::new(),
            lines,
            marks_zero: true,
        });
    }
    let number: usize = channels.iter().map(|channel| channel.sections.len()).sum();
    let title = format!("The sections for {}", printable(&shared.unit));
    let subtitle = format!(
        "{} at {}, {} dB before them",
        count(number, "section", "sections"),
        rate(rate_hz),
        true_minus(&decimals_up_to(preamp_db, 2))
    );
    let mut picture = Picture {
        description: format!("Gain of the sections from 20 Hz to 20 kHz. {title}. {subtitle}."),
        title,
        subtitle,
        panels,
        doubtful_hz: Vec::new(),
        guard: None,
        bands_hz: Vec::new(),
        figures: Vec::new(),
        notes: super::notes::finished(
            vec![format!(
                "Thin: each section alone. Where the curve with the gain before it stays below 0 dB, that much is lost in level. A decade is as long as {} dB.",
                aspect.db_per_decade()
            )],
            range.cuts,
        ),
    };
    picture.figures.extend(reach(channels, picture.figures_top()));
    Some(picture)
}

fn lines(channel: &Channel, preamp_db: f64, rate_hz: f64) -> Vec<Line> {
    let f_hz = grid::frequency_hz();
    let line = |name: &str, ink: Ink, levels_db: Vec<f64>| {
        Line::new(name, ink, f_hz.iter().copied().zip(levels_db).collect())
    };
    let alone = |section: &Section| {
        let levels_db = cascade::levels_db(std::slice::from_ref(section), rate_hz, f_hz);
        line("", Ink::Take, levels_db)
    };
    let mut lines: Vec<Line> = channel.sections.iter().map(alone).collect();
    let together_db = &channel.curves.sections_db;
    lines.push(line("all together", Ink::Sections, together_db.clone()));
    if preamp_db != 0.0 {
        let lost_db = together_db.iter().map(|db| db + preamp_db).collect();
        lines.push(line("with the gain", Ink::Equalised, lost_db));
    }
    lines
}

/// What is left with at most so many sections.
fn reach(channels: &[Channel], top: f64) -> Option<FigureChart> {
    let line = |(place, channel): (usize, &Channel)| CountLine {
        name: channel.side.map_or("what is left", side_name).to_owned(),
        ink: Ink::of_unit(place),
        values: channel.reach.iter().skip(1).map(|point| point.residual_db).collect(),
    };
    let lines: Vec<CountLine> = channels.iter().enumerate().map(line).collect();
    let lines: Vec<CountLine> = lines.into_iter().filter(|line| line.values.len() > 1).collect();
    let most = lines.iter().flat_map(|line| &line.values).copied().reduce(f64::max)?;
    Some(FigureChart {
        heading: "Residual before steps, dB rms, against the most sections".into(),
        left: FREQUENCY.left,
        right: FREQUENCY.right,
        top,
        scale: Scale::for_most(most),
        content: Content::ByCount {
            height: COUNTS_HEIGHT,
            lines,
        },
    })
}
