//! Pictures in characters: the dots lie where the curves are, nothing is too wide, and nothing breaks it.

use bandwright::report::picture::chart::{self, Aspect, LevelAxis};
use bandwright::report::picture::fit::fit_picture;
use bandwright::report::picture::inspect::inspect_picture;
use bandwright::report::picture::palette::Ink;
use bandwright::report::picture::{FREQUENCY, Line, Panel, Picture};
use bandwright::report::words::columns;
use proptest::prelude::*;

use crate::support::{outcomes, units};

/// The dots of a panel: across, down, and how many of each.
struct Dots {
    set: Vec<(usize, usize)>,
    across: usize,
    down: usize,
}

impl Dots {
    /// Those in the rows of the first panel, behind the frame and before the labels.
    fn of(lines: &[String]) -> Self {
        let rows: Vec<Vec<char>> = lines
            .iter()
            .map(|line| line.chars().collect::<Vec<char>>())
            .skip_while(|line| !line.get(5).is_some_and(|c| "┤│".contains(*c)))
            .take_while(|line| "┤│".contains(line[5]))
            .collect();
        let axis = lines.iter().find(|line| line.contains('└')).unwrap();
        let cells = axis.chars().skip(6).count();
        let mut set = Vec::new();
        for (row, line) in rows.iter().enumerate() {
            for (column, c) in line[6..].iter().take(cells).enumerate() {
                let bits = match u32::from(*c) {
                    0x20 => 0,
                    code => code.checked_sub(0x2800).filter(|bits| *bits < 256).unwrap(),
                };
                let numbers = [[0, 3], [1, 4], [2, 5], [6, 7]];
                for (down, pair) in numbers.iter().enumerate() {
                    for (across, number) in pair.iter().enumerate() {
                        if bits >> number & 1 == 1 {
                            set.push((2 * column + across, 4 * row + down));
                        }
                    }
                }
            }
        }
        Self {
            set,
            across: 2 * cells,
            down: 4 * rows.len(),
        }
    }

    /// Frequency (Hz) and level (dB) of a dot, and how many decades and decibels a dot is long.
    fn hz_and_db(&self, (across, down): (usize, usize), axis: &LevelAxis) -> (f64, f64) {
        let (decades, db) = self.steps(axis);
        (
            20.0 * 10f64.powf(across as f64 * decades),
            axis.range.high_db - down as f64 * db,
        )
    }

    fn steps(&self, axis: &LevelAxis) -> (f64, f64) {
        let height_db = axis.range.high_db - axis.range.low_db;
        (
            3.0 / (self.across - 1) as f64,
            height_db / (self.down - 1) as f64,
        )
    }
}

/// A picture of one panel with one curve, which is solid.
fn picture_of(ink: Ink, points: Vec<(f64, f64)>) -> Picture {
    let levels: Vec<f64> = points.iter().map(|point| point.1).collect();
    let range = chart::level_range(&levels, Aspect::Fine);
    Picture {
        title: String::new(),
        subtitle: String::new(),
        description: String::new(),
        panels: vec![Panel {
            heading: "Level, dB".into(),
            axis: LevelAxis::new(range, Aspect::Fine, &FREQUENCY, 0.0),
            areas: Vec::new(),
            lines: vec![Line::new("a curve", ink, points)],
            marks_zero: false,
        }],
        doubtful_hz: Vec::new(),
        guard: None,
        bands_hz: Vec::new(),
        figures: Vec::new(),
        notes: Vec::new(),
    }
}

fn wide(line: &str) -> usize {
    line.chars().map(columns).sum()
}

/// Distance in dots from a dot to the nearest place on a curve.
fn distance(dots: &Dots, dot: (usize, usize), axis: &LevelAxis, points: &[(f64, f64)]) -> f64 {
    let (decades, db) = dots.steps(axis);
    let (hz, level_db) = dots.hz_and_db(dot, axis);
    let apart =
        |&(at_hz, at_db): &(f64, f64)| [(at_hz / hz).log10() / decades, (at_db - level_db) / db];
    let pairs = points.windows(2).map(|pair| {
        let (a, b) = (apart(&pair[0]), apart(&pair[1]));
        let along = [b[0] - a[0], b[1] - a[1]];
        let length = along[0].powi(2) + along[1].powi(2);
        let share = (-(a[0] * along[0] + a[1] * along[1]) / length).clamp(0.0, 1.0);
        (a[0] + share * along[0]).hypot(a[1] + share * along[1])
    });
    pairs.fold(f64::INFINITY, f64::min)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_curve_is_drawn_where_it_is(
        swings in prop::collection::vec((20.0..20_000.0f64, -14.0..14.0f64, 0.1..1.5f64), 1..4),
        dotted: bool,
    ) {
        let level_db = |hz: f64| -> f64 {
            let bump = |(f0, gain, octaves): &(f64, f64, f64)| gain * (-((hz / f0).log2() / octaves).powi(2)).exp();
            swings.iter().map(bump).sum()
        };
        let points: Vec<(f64, f64)> = outcomes::grid().into_iter().map(|hz| (hz, level_db(hz))).collect();
        let mut picture = picture_of(Ink::Measured, points.clone());
        if dotted {
            // Beside another, which has no points.
            picture.panels[0].lines.push(Line::new("", Ink::Target, Vec::new()));
        }
        let axis = picture.panels[0].axis;
        let dots = Dots::of(&picture.to_braille());
        prop_assert!(!dots.set.is_empty());
        for dot in &dots.set {
            let off = distance(&dots, *dot, &axis, &points);
            prop_assert!(off <= 1.0, "{dot:?} is {off} dots off");
        }
        if !dotted {
            // Every column of a solid curve within the panel has its dot.
            let (_, step_db) = dots.steps(&axis);
            for across in 0..dots.across {
                let (hz, _) = dots.hz_and_db((across, 0), &axis);
                let db = level_db(hz);
                if db > axis.range.low_db && db < axis.range.high_db {
                    let near = |&(x, down): &(usize, usize)| {
                        let (_, at_db) = dots.hz_and_db((x, down), &axis);
                        x.abs_diff(across) <= 1 && (at_db - db).abs() <= 1.5 * step_db
                    };
                    prop_assert!(dots.set.iter().any(near), "nothing near {hz} Hz, {db} dB");
                }
            }
        }
    }
}

#[test]
fn the_axes_say_where_dots_lie() {
    let points = outcomes::grid().into_iter().map(|hz| (hz, 0.0)).collect();
    let picture = picture_of(Ink::Average, points);
    let lines = picture.to_braille();
    let dots = Dots::of(&lines);
    let axis = picture.panels[0].axis;
    // The row of 0 dB is the one that the axis calls so.
    let row = lines
        .iter()
        .position(|line| line.starts_with("    0┤"))
        .unwrap()
        - 1;
    assert!(dots.set.iter().all(|(_, down)| down / 4 == row));
    // So is the column of each labelled frequency, to one character.
    let labels = lines.iter().find(|line| line.ends_with("20k Hz")).unwrap();
    for (name, hz) in [("100", 100.0), ("1k", 1000.0), ("10k", 10_000.0)] {
        let middle = labels.find(name).unwrap() + name.len() / 2 - 6;
        let (at_hz, _) = dots.hz_and_db((2 * middle, 0), &axis);
        assert!(
            (at_hz / hz).log10().abs() < 2.0 * dots.steps(&axis).0,
            "{name}: {at_hz}"
        );
    }
}

#[test]
fn curves_are_told_apart_by_their_dots_and_labels() {
    let picture = fit_picture(&outcomes::realistic(), &outcomes::grid()).levels_only();
    let lines = picture.to_braille();
    let mut samples: Vec<&str> = ["measured", "target", "equalised"]
        .into_iter()
        .map(|name| {
            let line = lines
                .iter()
                .find(|line| line.ends_with(&format!(" {name}")))
                .unwrap();
            let sample = line.strip_suffix(name).unwrap().trim_end();
            let start = sample.char_indices().nth(58).unwrap().0;
            &sample[start..]
        })
        .collect();
    samples.sort_unstable();
    samples.dedup();
    assert_eq!(samples.len(), 3, "{lines:#?}");
    assert!(lines.len() <= 18 && lines.iter().any(|line| line.contains("░ not trusted")));
}

#[test]
fn nothing_is_wider_than_eighty_columns() {
    for outcome in [outcomes::realistic(), outcomes::flat(), outcomes::wild()] {
        let mut sides = outcome.clone();
        sides.channels.push(outcome.channels[0].clone());
        for outcome in [outcome, sides] {
            let mut picture = fit_picture(&outcome, &outcomes::grid());
            picture.panels[0].heading = "a long heading ".repeat(12);
            picture.panels[0].lines[0].name = "長い名前".repeat(9);
            for line in picture.to_braille() {
                assert!(wide(&line) <= 80, "{line}");
            }
        }
    }
    for name in units::NAMES {
        let lines = inspect_picture(&units::inspected(name))
            .levels_only()
            .to_braille();
        assert!(
            lines.len() <= 18 && lines.iter().all(|line| wide(line) <= 80),
            "{lines:#?}"
        );
        assert!(lines.iter().any(|line| line.ends_with("average")));
    }
}

#[test]
fn nothing_to_draw_and_no_numbers_break_nothing() {
    let mut picture = picture_of(Ink::Target, Vec::new());
    assert!(Dots::of(&picture.to_braille()).set.is_empty());
    picture.panels.clear();
    assert!(picture.to_braille().is_empty());
    let odd = [
        (f64::NAN, 0.0),
        (0.0, 1.0),
        (-3.0, 1.0),
        (100.0, f64::NAN),
        (f64::INFINITY, 1.0),
        (1000.0, f64::INFINITY),
        (1e-300, 1e300),
        (1e300, -1e300),
    ];
    let lines = picture_of(Ink::Equalised, odd.to_vec()).to_braille();
    assert!(lines.iter().all(|line| wide(line) <= 80));
}

#[test]
fn a_gap_in_a_curve_stays_empty() {
    let level = |hz: f64| {
        if (200.0..2000.0).contains(&hz) {
            f64::NAN
        } else {
            3.0
        }
    };
    let points = outcomes::grid()
        .into_iter()
        .map(|hz| (hz, level(hz)))
        .collect();
    let picture = picture_of(Ink::Equalised, points);
    let dots = Dots::of(&picture.to_braille());
    let hz = |dot: &(usize, usize)| dots.hz_and_db(*dot, &picture.panels[0].axis).0;
    assert!(
        dots.set
            .iter()
            .all(|dot| !(210.0..1900.0).contains(&hz(dot)))
    );
    assert!(dots.set.iter().any(|dot| hz(dot) > 2000.0));
}
