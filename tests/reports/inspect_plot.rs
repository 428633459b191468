//! The picture of judged takes: its labels, its lines, its words, its bytes.

use crate::support::{curves::lead_back, units};

use bandwright::inspection::{Inspection, inspect};
use bandwright::measurement::judge::Settings;
use bandwright::measurement::judge::Verdict;
use bandwright::measurement::outlier::{Kind, Outlier};
use bandwright::report::picture::chart;
use bandwright::report::picture::inspect::{inspect_picture, inspect_plot};
use bandwright::report::picture::palette::{Ink, Stroke};
use bandwright::report::picture::{FREQUENCY, Panel, WIDTH};

fn all() -> Vec<Inspection> {
    units::NAMES.map(units::inspected).into()
}

fn check_labels(inspection: &Inspection) {
    let picture = inspect_picture(inspection);
    let unit = &inspection.unit;
    for panel in &picture.panels {
        let labels = panel.labels();
        assert!(labels.len() <= 5, "{unit}: {labels:?}");
        for pair in labels.windows(2) {
            // Leaders that end in the order in which they begin do not cross.
            assert!(pair[0].from.1 <= pair[1].from.1, "{unit}: {pair:?}");
            let gap = pair[1].middle - pair[0].middle - (pair[0].height + pair[1].height) / 2.0;
            assert!(
                gap >= -1e-9,
                "{unit}: {} over {}",
                pair[0].text,
                pair[1].text
            );
        }
        for label in &labels {
            assert!(
                label.left > FREQUENCY.right && label.left + label.width <= WIDTH,
                "{unit}"
            );
            assert!(
                label.middle - label.height / 2.0 >= panel.axis.top - 1e-9,
                "{unit}"
            );
            assert!(
                label.middle + label.height / 2.0 <= panel.axis.bottom() + 1e-9,
                "{unit}"
            );
            assert!(!label.text.contains('…'), "{unit}: {} is cut", label.text);
        }
        // The name of the guard stands beside the heading, above the panel.
        if let Some(guard) = &picture.guard {
            let (left, right) = guard.edges();
            let start = (left + right - chart::text_width(&guard.name, 11.5)) / 2.0;
            let heading = FREQUENCY.left + chart::text_width(&panel.heading, 12.5 * 1.06);
            assert!(heading < start, "{unit}: {}", panel.heading);
        }
    }
}

#[test]
fn every_curve_leads_back_to_its_data() {
    for inspection in all() {
        let picture = inspect_picture(&inspection);
        // Takes, average, sides, match and bands.
        assert!(lead_back(&picture) >= inspection.judged.takes.len() + 5);
    }
}

#[test]
fn direct_labels_overlap_neither_each_other_nor_the_edge_nor_a_heading() {
    for inspection in all() {
        check_labels(&inspection);
    }
}

fn labels_of(panel: &Panel) -> Vec<String> {
    panel.labels().into_iter().map(|label| label.text).collect()
}

#[test]
fn takes_set_aside_for_one_reason_share_a_label_where_there_are_many() {
    let mut inspection = units::inspected("dunlin");
    for take in &mut inspection.judged.takes {
        take.set_aside = true;
    }
    check_labels(&inspection);
    let aside = &inspect_picture(&inspection).panels[1];
    let takes = inspection.judged.takes.len();
    assert_eq!(aside.lines.len(), 1 + takes);
    // One label tells how many takes each reason has; all together are all takes.
    let labels = labels_of(aside);
    let told: Vec<usize> = labels
        .iter()
        .filter_map(|label| label.split_once(": ")?.1.split_once(' ')?.0.parse().ok())
        .collect();
    assert_eq!(told.iter().sum::<usize>(), takes, "{labels:?}");
    // In tables each take has a name of its own.
    let mut names: Vec<&str> = aside.lines.iter().map(|line| line.name.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), 1 + takes);
}

#[test]
fn more_reasons_than_dashes_end_with_the_others() {
    let mut inspection = units::inspected("dunlin");
    let kinds = [
        Kind::Shape,
        Kind::Narrow,
        Kind::OtherSide,
        Kind::Rough { rough_db: 1.0 },
        Kind::Level { level_db: 1.0 },
        Kind::MainsHum {
            mains_hz: 50.0,
            spike_db: 3.0,
        },
    ];
    for (number, take) in inspection.judged.takes.iter_mut().enumerate() {
        take.set_aside = number < kinds.len();
        if let Some(kind) = kinds.get(number).copied() {
            take.verdict = Verdict::Outlier(Outlier {
                kind,
                distance_db: None,
                largest_db: None,
                largest_hz: None,
            });
        }
    }
    check_labels(&inspection);
    let labels = labels_of(&inspect_picture(&inspection).panels[1]);
    assert_eq!(labels.len(), 5, "{labels:?}");
    assert!(labels.contains(&"others: 3 takes".to_owned()), "{labels:?}");
}

#[test]
fn sides_average_and_takes_set_aside_are_told_apart_by_line_and_label() {
    let picture = inspect_picture(&units::inspected("fieldfare-mesh"));
    let [levels, aside, matching] = &picture.panels[..] else {
        panic!("three panels")
    };
    let sorted = |panel| {
        let mut labels = labels_of(panel);
        labels.sort();
        labels
    };
    assert_eq!(
        sorted(levels),
        [
            "average, ±1 SD",
            "each take",
            "left, 3 takes",
            "right, 2 takes",
            "without resonance",
        ]
    );
    assert_eq!(
        sorted(aside),
        [
            "average",
            "left 2: leaks",
            "right 2: not alike",
            "right 4: leaks"
        ]
    );
    assert_eq!(labels_of(matching), ["left \u{2212} right"]);
    let of = |ink: Ink| levels.lines.iter().filter(|line| line.ink == ink).count();
    let inks = [
        Ink::Take,
        Ink::Left,
        Ink::Right,
        Ink::Average,
        Ink::TakenOut,
    ];
    assert_eq!(inks.map(of), [5, 1, 1, 1, 1]);
    let of_aside = aside.lines.iter().map(|line| line.ink);
    for inks in [
        inks.to_vec(),
        of_aside.collect(),
        [&[Ink::Average][..], &Ink::ASIDE].concat(),
    ] {
        let strokes: Vec<Stroke> = inks.iter().map(|ink| ink.stroke()).collect();
        for (i, one) in strokes.iter().enumerate() {
            for other in &strokes[i + 1..] {
                assert_ne!(one, other);
            }
        }
    }
}

#[test]
fn takes_lie_at_the_level_of_their_side_and_the_average_at_zero() {
    for inspection in all() {
        let picture = inspect_picture(&inspection);
        let middle = |points: &[(f64, f64)]| {
            let mut levels: Vec<f64> = points
                .iter()
                .filter(|(hz, _)| (200.0..=2000.0).contains(hz))
                .map(|&(_, db)| db)
                .collect();
            levels.sort_by(f64::total_cmp);
            levels[levels.len() / 2]
        };
        let lines = picture.panels[0].lines.iter();
        for line in lines.filter(|line| line.ink != Ink::TakenOut) {
            let bound = if line.ink == Ink::Average { 0.02 } else { 0.6 };
            assert!(
                middle(&line.points).abs() < bound,
                "{}: {}",
                inspection.unit,
                line.name
            );
        }
    }
}

#[test]
fn the_picture_says_unit_figures_alignment_smoothing_and_band() {
    let svg = inspect_plot(&units::inspected("fieldfare-mesh"));
    for words in [
        ">Fieldfare, mesh insert<",
        ">5 of 8 takes kept · spread 0.29 dB rms · left minus right: level −0.03 dB, the rest 0.33 dB rms<",
        ">Level, dB relative<",
        ">Left minus right, dB, its level taken out, smoothed by 1/3 octave<",
        "median over 200\u{A0}Hz to 2\u{A0}kHz is 0\u{A0}dB",
        "the sides keep their levels",
        "the band is ±1\u{A0}SD of the kept takes",
        "No smoothing of levels",
        "Hatched: trust below 0.7 (rig: iec-60318-4)",
        ">coupler resonance<",
        "only if the seal was good",
        "with the coupler's peak, dip and second mode taken out",
        "Set aside, in a panel of their own: left 2: leaks, right 2: not alike, right 4: leaks.",
        "prefers-color-scheme: dark",
    ] {
        assert!(svg.contains(words), "{words}");
    }
    assert!(svg.starts_with(bandwright::report::PLOT_BEGINNING));
}

#[test]
fn one_side_has_one_panel_and_one_take_one_line() {
    let picture = inspect_picture(&units::inspected_some(
        "dunlin",
        &["left-1.txt", "left-3.txt"],
    ));
    assert_eq!(picture.panels.len(), 1);
    let labels: Vec<String> = picture.panels[0]
        .labels()
        .into_iter()
        .map(|l| l.text)
        .collect();
    assert_eq!(labels.len(), 2, "{labels:?}");
    let picture = inspect_picture(&units::inspected_some("dunlin", &["left-1.txt"]));
    assert_eq!(picture.panels[0].lines.len(), 1);
    assert!(picture.subtitle.contains("spread unknown"));
    assert!(
        picture
            .notes
            .iter()
            .any(|note| note.contains("no band is drawn"))
    );
}

#[test]
fn pictures_are_the_same_every_time_and_survive_any_name_and_number() {
    for inspection in all() {
        let svg = inspect_plot(&inspection);
        assert_eq!(svg, inspect_plot(&inspection.clone()));
        assert!(svg.len() < 200_000, "{}", svg.len());
    }
    let mut unit = units::opened("dunlin");
    unit.name = "a < b & \u{1b}[31m \"c\" ".repeat(30);
    let mut inspection = inspect(&unit, &Settings::default()).unwrap();
    inspection.judged.average.on_grid.level_db[100] = f64::NAN;
    inspection.judged.sides[0].mean.level_db[200] = f64::INFINITY;
    let svg = inspect_plot(&inspection);
    assert!(!svg.contains("NaN") && !svg.contains('\u{1b}') && svg.contains("a &lt; b &amp;"));
}
