//! Pictures of targets: their labels, their words, what is hatched, their bytes.

use bandwright::error::Result;
use bandwright::measurement::grid::frequency_hz;
use bandwright::report::picture::target::{
    target_diff_picture, target_diff_plot, target_picture, target_plot,
};
use bandwright::report::picture::{FREQUENCY, Picture, WIDTH};
use bandwright::wanted::library::{names, resolve};
use bandwright::wanted::shown::{THIRD_OCTAVES_HZ, compared, shown};
use bandwright::wanted::{Contour, Target};

use crate::support::{curves::lead_back, units};

fn read(path: &std::path::Path) -> Result<Vec<u8>> {
    Ok(std::fs::read(path).unwrap())
}

fn target(name: &str) -> Target {
    resolve(name, &read).unwrap()
}

fn unit(name: &str) -> Target {
    let path = units::demo().join(name).join(format!("{name}.unit.toml"));
    target(&path.to_string_lossy())
}

fn all() -> Vec<Target> {
    let mut all: Vec<Target> = names().into_iter().map(target).collect();
    all.extend(units::NAMES.map(unit));
    all.push(Target::measured().with_contours(vec![Contour::bass(3.0).unwrap(); 4]));
    all.push(target("flat").with_contours(vec![Contour::slope(-24.0).unwrap()]));
    all
}

fn check(picture: &Picture) {
    for panel in &picture.panels {
        let labels = panel.labels();
        assert_eq!(labels.len(), panel.lines.len());
        for pair in labels.windows(2) {
            assert!(
                pair[1].middle - pair[0].middle >= (pair[0].height + pair[1].height) / 2.0 - 1e-9,
                "{}",
                picture.title
            );
        }
        for label in &labels {
            assert!(label.left > FREQUENCY.right && label.left + label.width <= WIDTH);
            assert!(!label.text.contains('…'), "{} is cut", label.text);
            assert!(label.middle - label.height / 2.0 >= panel.axis.top - 1e-9);
            assert!(label.middle + label.height / 2.0 <= panel.axis.bottom() + 1e-9);
        }
    }
    let notes = picture.notes.join(" ");
    for word in ["smoothing", "evel", "A decade is as long as"] {
        assert!(notes.contains(word), "{word}: {notes}");
    }
    assert!(picture.subtitle.contains("at 48 kHz"));
    assert!(!picture.description.is_empty());
}

#[test]
fn labels_stay_apart_and_whole_and_the_notes_tell_level_and_smoothing() {
    let all = all();
    for one in &all {
        check(&target_picture(
            &shown(one, 48e3, &THIRD_OCTAVES_HZ, None).unwrap(),
        ));
        for other in &all {
            let compared = compared(one, other, 48e3, &THIRD_OCTAVES_HZ).unwrap();
            check(&target_diff_picture(&compared));
        }
    }
}

#[test]
fn every_curve_leads_back_to_its_data() {
    let all = all();
    for one in &all {
        let shown = shown(one, 48e3, &[], Some(500.0)).unwrap();
        assert_eq!(lead_back(&target_picture(&shown)), 1);
        let compared = compared(one, &all[0], 48e3, &[]).unwrap();
        // Both, their difference and its area.
        assert_eq!(lead_back(&target_diff_picture(&compared)), 4);
    }
}

#[test]
fn two_targets_are_told_apart_by_line_and_label() {
    let picture = |one: &str, other: &str| {
        target_diff_picture(&compared(&target(one), &target(other), 48e3, &[]).unwrap())
    };
    let different = picture("gentle-slope", "diffuse-field");
    assert_eq!(different.title, "gentle-slope minus diffuse-field");
    let lines = &different.panels[0].lines;
    let dashes = [0, 1].map(|i| lines[i].ink.stroke().dashes);
    assert!(dashes[0] != dashes[1] && lines[0].ink.light() != lines[1].ink.light());
    let mut labels: Vec<String> = different.panels[0]
        .labels()
        .into_iter()
        .map(|l| l.text)
        .collect();
    labels.sort();
    assert_eq!(labels, ["diffuse-field", "gentle-slope"]);
    let same = picture("flat", "flat");
    let labels: Vec<String> = same.panels[0]
        .labels()
        .into_iter()
        .map(|l| l.text)
        .collect();
    assert_eq!(labels, ["the one", "the other"]);
}

#[test]
fn what_the_rig_does_not_know_is_hatched() {
    let hatched =
        |target: &Target| target_picture(&shown(target, 48e3, &[], None).unwrap()).doubtful_hz;
    assert!(hatched(&target("flat")).is_empty());
    let ranges = hatched(&unit("fieldfare-wool"));
    let (from_hz, to_hz) = *ranges.last().unwrap();
    assert!((10_500.0..11_000.0).contains(&from_hz), "{from_hz}");
    assert_eq!(to_hz, 20_000.0);
    // A blend is believed no further than what goes into it.
    let blend = target("flat").blended(unit("fieldfare-wool"), 0.5).unwrap();
    assert_eq!(hatched(&blend), ranges);
}

#[test]
fn a_curve_ends_where_its_data_end() {
    let text = "Hz,dB\n100,1\n400,2\n9000,3\n";
    let short = resolve("a.csv", &|_: &std::path::Path| Ok(text.as_bytes().to_vec())).unwrap();
    let short = shown(&short, 48e3, &THIRD_OCTAVES_HZ, None).unwrap();
    let points: Vec<f64> = short.points.iter().map(|point| point.0).collect();
    assert_eq!((points[0], points[points.len() - 1]), (125.0, 8000.0));
    let picture = target_picture(&short);
    let line = &picture.panels[0].lines[0].points;
    assert!(line[0].0 >= 99.0 && line[line.len() - 1].0 <= 9001.0);
    assert!(line.len() < frequency_hz().len());
    assert_eq!(picture.doubtful_hz.len(), 2);
}

#[test]
fn names_that_would_break_a_picture_do_not() {
    let mut odd = target("flat");
    odd.name = "<b>&\u{7}\u{202E}".to_owned();
    odd.source = "\"<\u{0}>\"".to_owned();
    odd.warnings = vec!["a \u{8}caution".to_owned()];
    let svg = target_plot(&shown(&odd, 48e3, &[], None).unwrap());
    assert!(!svg.contains("<b>") && !svg.contains('\u{7}') && !svg.contains('\u{202E}'));
    assert!(!svg.chars().any(|c| c.is_control() && c != '\n'));
    let two = target_diff_plot(&compared(&odd, &odd, 48e3, &[]).unwrap());
    assert!(!two.contains("<b>") && two.starts_with("<svg class=\"bandwright-plot\""));
}

#[test]
fn the_same_target_gives_the_same_bytes() {
    let plot = || target_plot(&shown(&unit("dunlin"), 44_100.0, &[], Some(500.0)).unwrap());
    assert_eq!(plot(), plot());
}
