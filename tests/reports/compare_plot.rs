//! The picture of compared units: what it holds, and that nothing leaves its place.

use std::collections::BTreeMap;
use std::path::PathBuf;

use bandwright::comparison::{Comparison, Tally, compare};
use bandwright::fit::Stop;
use bandwright::job::{Measured, Opened, Wish};
use bandwright::limits::Limits;
use bandwright::measurement::takes::Take;
use bandwright::report::picture::compare::{compare_picture, compare_plot};
use bandwright::report::picture::figures::{Content, Scale};
use bandwright::report::picture::{FREQUENCY, WIDTH};
use bandwright::wanted::library;
use proptest::prelude::*;

use crate::support::curves::lead_back;
use crate::support::listeners::{Faults, Seatings};

fn compared(units: &[(&str, Vec<Take>)]) -> Comparison {
    let no_files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
    let target = library::resolve("flat", &no_files).unwrap();
    let units: Vec<Opened> = units
        .iter()
        .map(|(name, takes)| Opened {
            measured: Measured::new(*name, takes.clone()),
            wish: Wish::toward(target.clone()),
            limits: Limits::standard().with_sections(3).unwrap(),
            circumstances: None,
        })
        .collect();
    compare(&units, &Stop::default(), &Tally::default()).unwrap()
}

fn takes(index: u64, a_side: usize) -> Vec<Take> {
    let flat = vec![0.0; bandwright::measurement::grid::POINTS];
    Seatings::of_unit(index, Faults::USUAL, &flat).takes(a_side)
}

#[test]
fn every_curve_leads_back_to_its_data_and_no_name_is_cut() {
    let names = ["Fieldfare, wool insert", "Fieldfare, mesh insert"];
    let comparison = compared(&[(names[0], takes(1, 3)), (names[1], takes(2, 2))]);
    let picture = compare_picture(&comparison);
    // Each unit before and after, and the area of its seatings.
    assert_eq!(lead_back(&picture), 6);
    let svg = compare_plot(&comparison);
    assert!(!svg.contains('…'));
    // Each name stands beside the chart by counts and beside the dots; the dots' rows are as high as their names.
    for word in ["Fieldfare, wool", "Fieldfare, mesh"] {
        assert_eq!(svg.matches(&format!(">{word}</text>")).count(), 2, "{word}");
    }
    let dots = picture.figures.last().unwrap();
    assert!(dots.row_y(1) - dots.row_y(0) > 30.0);
}

#[test]
fn every_unit_has_a_panel_a_line_by_counts_and_a_dot_a_figure() {
    let comparison = compared(&[("Robin", takes(1, 3)), ("Wren <2>", takes(2, 2))]);
    let picture = compare_picture(&comparison);
    assert_eq!(picture.panels.len(), 2);
    for panel in &picture.panels {
        assert_eq!((panel.lines.len(), panel.areas.len()), (2, 1));
        let labels = panel.labels();
        for pair in labels.windows(2) {
            assert!(
                pair[1].middle - pair[0].middle >= (pair[0].height + pair[1].height) / 2.0 - 1e-9
            );
        }
    }
    let [counts, dots @ ..] = picture.figures.as_slice() else {
        panic!("no figures");
    };
    let Content::ByCount { lines, .. } = &counts.content else {
        panic!("{counts:?}");
    };
    let values: Vec<usize> = lines.iter().map(|line| line.values.len()).collect();
    assert_eq!(values, [3, 3]);
    assert_eq!(dots.len(), 3);
    let mut bottom = picture.panels_bottom();
    for chart in &picture.figures {
        assert!(chart.left >= FREQUENCY.left && chart.right <= FREQUENCY.right + 1e-9);
        assert!(chart.top > bottom && chart.bottom() < picture.height());
        if let Content::ByCount { .. } = chart.content {
            bottom = chart.bottom();
        }
    }
    for chart in dots {
        let Content::Dots { rows, .. } = &chart.content else {
            panic!("{chart:?}");
        };
        assert_eq!(rows.len(), 2);
        for (row, of) in rows.iter().enumerate() {
            let value = of.value.unwrap();
            let x = chart.x_of(value);
            assert!(x > chart.left && x <= chart.right);
            assert!(value <= chart.scale.most);
            assert!(chart.row_y(row) > chart.top && chart.row_y(row) < chart.bottom());
        }
        // Two seatings a side tell no interval.
        assert!(rows[0].interval.is_some() && rows[1].interval.is_none());
    }
    let svg = compare_plot(&comparison);
    assert!(svg.contains("Wren &lt;2&gt;") && !svg.contains("Wren <2>"));
    assert!(
        picture
            .note_lines()
            .iter()
            .all(|line| line.len() < WIDTH as usize / 5)
    );
    assert_eq!(svg, compare_plot(&comparison));
}

proptest! {
    #[test]
    fn an_axis_of_figures_holds_them_with_few_ticks(most in 0.0..900.0f64) {
        let scale = Scale::for_most(most);
        let ticks = scale.ticks();
        prop_assert!(scale.most >= most);
        prop_assert!((2..=8).contains(&ticks.len()), "{ticks:?}");
        prop_assert!((ticks.last().unwrap() - scale.most).abs() < 1e-9);
        // Not much longer than what it holds.
        prop_assert!(scale.most <= 1.7 * most.max(0.1));
    }
}
