//! Pictures of targets: one by itself, or two above and their difference below.

use super::chart::{self, Aspect, LevelAxis};
use super::palette::Ink;
use super::{
    FIRST_PANEL_TOP, FREQUENCY, Line, PANEL_GAP, Panel, Picture, label, title_of_two,
};
use crate::measurement::grid::{self, OnGrid};
use crate::report::words::{
    self, band, count, decimals, printable, signed_decimals_up_to, true_minus,
};
use crate::wanted::shown::{Compared, Shown};

const DIFFERENCE_OPACITY: f64 = 0.3;

/// The picture of a target as SVG text.
#[must_use]
pub fn target_plot(target: &Shown) -> String {
    target_picture(target).to_svg()
}

/// The picture of two targets and their difference as SVG text.
#[must_use]
pub fn target_diff_plot(compared: &Compared) -> String {
    target_diff_picture(compared).to_svg()
}

/// The picture of a target, laid out.
#[must_use]
pub fn target_picture(target: &Shown) -> Picture {
    let points = points(&target.curve);
    let levels: Vec<f64> = points.iter().map(|&(_, db)| db).collect();
    let (aspect, [range, _]) = chart::one_aspect([&levels, &[]]);
    let relative = if target.relative {
        "Change of what the unit has, dB"
    } else {
        "Level, dB"
    };
    let doubtful_hz = doubtful_hz(&target.curve, &target.trust);
    let mut parts = vec![range_in_words(&target.curve)];
    if !target.contours.is_empty() {
        parts.push(count(target.contours.len(), "contour", "contours"));
    }
    parts.push(rate(target));
    let subtitle = parts.join(" · ");
    Picture {
        title: printable(&target.name),
        description: format!(
            "The target {}, from 20 Hz to 20 kHz. {subtitle}.",
            target.name
        ),
        subtitle,
        panels: vec![Panel {
            heading: relative.into(),
            axis: LevelAxis::new(range, aspect, &FREQUENCY, FIRST_PANEL_TOP),
            areas: Vec::new(),
            lines: vec![Line::new("target", Ink::Target, points)],
            marks_zero: true,
        }],
        notes: notes(
            vec![
                format!("Level: {}.", words::level_of_target(target)),
                format!(
                    "Source: {}.",
                    printable(&target.source).trim_end_matches('.')
                ),
            ],
            target.warnings.clone(),
            aspect,
            !doubtful_hz.is_empty(),
            range.cuts,
        ),
        doubtful_hz,
        guard: None,
        bands_hz: Vec::new(),
        figures: Vec::new(),
    }
}

/// The picture of two targets and their difference, laid out.
#[must_use]
pub fn target_diff_picture(compared: &Compared) -> Picture {
    let (one, other, difference) = (&compared.one, &compared.other, &compared.difference);
    let (one_db, other_db) = (points(&one.curve), points(&other.curve));
    let difference_db = points(&difference.by_frequency);
    let levels = one_db.iter().chain(&other_db);
    let levels: Vec<f64> = levels.map(|&(_, db)| db).collect();
    let differences: Vec<f64> = difference_db.iter().map(|&(_, db)| db).collect();
    let (aspect, [level_range, difference_range]) = chart::one_aspect([&levels, &differences]);
    let level_axis = LevelAxis::new(level_range, aspect, &FREQUENCY, FIRST_PANEL_TOP);
    let below = level_axis.bottom() + PANEL_GAP;
    let (one_name, other_name) = (printable(&one.name), printable(&other.name));
    let fits = |name: &str| label::lines(name).join(" ") == name;
    let named = |name: &str, otherwise: &str| match fits(name) && one_name != other_name {
        true => name.to_owned(),
        false => otherwise.to_owned(),
    };
    let both = one.trust.iter().zip(&other.trust);
    let trust: Vec<f64> = both.map(|(one, other)| one.min(*other)).collect();
    let doubtful_hz = doubtful_hz(&difference.by_frequency, &trust);
    // What can be believed is what counts.
    let (told, band) = match &compared.trusted {
        Some(trusted) => (trusted, "trusted band, "),
        None => (difference, ""),
    };
    let subtitle = format!(
        "{} dB rms, {} dB at most (at {}) · {band}{} · {}",
        decimals(told.rms_db, 2),
        true_minus(&signed_decimals_up_to(told.worst_db, 2)),
        words::frequency(told.worst_hz),
        range_in_words(&told.by_frequency),
        rate(one)
    );
    let mut warnings = one.warnings.clone();
    let more = other
        .warnings
        .iter()
        .filter(|warning| !one.warnings.contains(warning));
    warnings.extend(more.cloned());
    Picture {
        title: title_of_two(&one_name, "minus", &other_name),
        description: format!(
            "Upper panel: the targets {} and {}. Lower panel: the one minus the other. {subtitle}.",
            one.name, other.name
        ),
        subtitle,
        panels: vec![
            Panel {
                heading: "Level, dB".into(),
                axis: level_axis,
                areas: Vec::new(),
                lines: vec![
                    Line::new(named(&one_name, "the one"), Ink::Target, one_db),
                    Line::new(named(&other_name, "the other"), Ink::OtherTarget, other_db),
                ],
                marks_zero: false,
            },
            Panel::of_difference(
                "The one minus the other, dB, its level taken out",
                LevelAxis::new(difference_range, aspect, &FREQUENCY, below),
                Line::new("difference", Ink::Difference, difference_db),
                DIFFERENCE_OPACITY,
            ),
        ],
        notes: notes(
            vec![
                format!(
                    "Dashed: the one, {one_name}, at its own level. Dash-dotted: the other, {other_name}."
                ),
                format!(
                    "The other is shifted by {} dB, so that the mean of the difference over the octaves that both cover is 0 dB.",
                    true_minus(&signed_decimals_up_to(difference.level_db, 2))
                ),
            ],
            warnings,
            aspect,
            !doubtful_hz.is_empty(),
            level_range.cuts || difference_range.cuts,
        ),
        doubtful_hz,
        guard: None,
        bands_hz: Vec::new(),
        figures: Vec::new(),
    }
}

fn points(curve: &OnGrid) -> Vec<(f64, f64)> {
    let at = |i: usize| (grid::frequency_hz()[i], curve.level_db[i]);
    curve.support.clone().map(at).collect()
}

fn doubtful_hz(curve: &OnGrid, trust: &[f64]) -> Vec<(f64, f64)> {
    chart::doubtful_hz(grid::frequency_hz(), trust, &curve.support)
}

fn range_in_words(curve: &OnGrid) -> String {
    let (low_hz, high_hz) = curve.band_hz();
    band(low_hz, high_hz)
}

fn rate(target: &Shown) -> String {
    format!("evaluated at {}", words::rate(target.rate_hz))
}

fn notes(
    mut notes: Vec<String>,
    warnings: Vec<String>,
    aspect: Aspect,
    hatches: bool,
    cuts: bool,
) -> Vec<String> {
    notes.extend(
        warnings
            .iter()
            .map(|warning| format!("Caution: {}", printable(warning))),
    );
    notes.push(format!(
        "No smoothing (48 points an octave). A decade is as long as {} dB.",
        aspect.db_per_decade()
    ));
    if hatches {
        notes.push(format!(
            "Hatched: trust of the rig below {}, or no data.",
            chart::TRUSTED
        ));
    }
    super::notes::finished(notes, cuts)
}
