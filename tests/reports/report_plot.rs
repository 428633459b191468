//! The picture of a fit: its axes, its labels, its bytes.

use crate::support::{curves::lead_back, outcomes};

use bandwright::job::{Outcome, TakeResidual};
use bandwright::measurement::takes::Side;
use bandwright::report::picture::chart::{self, Aspect, FrequencyAxis, LevelAxis};
use bandwright::report::picture::fit::{fit_picture, fit_plot};
use bandwright::report::picture::label;
use bandwright::report::picture::palette::Ink;
use bandwright::report::picture::sections::sections_picture;
use bandwright::report::picture::svg::{Path, Svg, push_number};
use bandwright::report::picture::takes::takes_picture;
use bandwright::report::picture::{FREQUENCY, WIDTH};
use proptest::prelude::*;

fn all() -> [(&'static str, Outcome); 3] {
    [
        ("realistic", outcomes::realistic()),
        ("flat", outcomes::flat()),
        ("wild", outcomes::wild()),
    ]
}

/// Writes the pictures into cargo's folder for test files.
#[test]
#[ignore = "for looking at the pictures: writes files and asserts nothing"]
fn pictures_to_look_at() {
    for (name, outcome) in all() {
        let path = format!("{}/fit-{name}.svg", env!("CARGO_TARGET_TMPDIR"));
        std::fs::write(path, fit_plot(&outcome, &outcomes::grid())).unwrap();
    }
}

#[test]
fn twenty_hertz_is_the_left_edge_twenty_kilohertz_the_right_and_decades_are_equal() {
    let axis = FrequencyAxis {
        left: 30.0,
        right: 630.0,
    };
    for (hz, x) in [
        (20.0, 30.0),
        (200.0, 230.0),
        (2000.0, 430.0),
        (20_000.0, 630.0),
    ] {
        approx::assert_abs_diff_eq!(axis.x(hz), x, epsilon = 1e-9);
    }
    // log10(50/20) = 0.39794
    approx::assert_abs_diff_eq!(axis.x(50.0), 30.0 + 200.0 * 0.397_940, epsilon = 1e-3);
}

#[test]
fn grid_lines_are_one_to_nine_of_each_decade() {
    let lines = chart::frequency_lines_hz();
    let expected = [
        20, 30, 40, 50, 60, 70, 80, 90, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000, 2000,
        3000, 4000, 5000, 6000, 7000, 8000, 9000, 10_000, 20_000,
    ];
    assert_eq!(lines, expected.map(f64::from));
}

#[test]
fn drawn_frequency_ticks_stand_where_the_axis_says() {
    let svg = fit_plot(&outcomes::realistic(), &outcomes::grid());
    for (text, x) in [
        ("20", 56.0),
        ("50", 151.51),
        ("100", 223.75),
        ("200", 296.0),
        ("500", 391.51),
        ("1k", 463.75),
        ("2k", 536.0),
        ("5k", 631.51),
        ("10k", 703.75),
        ("20k", 776.0),
    ] {
        let drawn: Vec<f64> = svg
            .lines()
            .filter(|line| {
                line.contains("text-anchor=\"middle\"")
                    && line.ends_with(&format!(">{text}</text>"))
            })
            .map(|line| attribute(line, "x"))
            .collect();
        assert_eq!(drawn, [x, x], "{text}: once a panel");
    }
}

#[test]
fn drawn_level_ticks_have_a_true_minus_and_no_ascii_one() {
    let svg = fit_plot(&outcomes::realistic(), &outcomes::grid());
    let ticks: Vec<&str> = svg
        .lines()
        .filter(|line| line.contains("text-anchor=\"end\""))
        .map(|line| {
            let words = line.strip_suffix("</text>").unwrap();
            &words[words.rfind('>').unwrap() + 1..]
        })
        .collect();
    assert_eq!(
        ticks.join(" "),
        "−15 −10 −5 0 5 10 15 20 −15 −10 −5 0 5 10",
        "low to high, upper panel first"
    );
}

#[test]
fn a_decade_is_as_long_as_its_decibels() {
    for (aspect, db) in [(Aspect::Fine, 25.0), (Aspect::Coarse, 50.0)] {
        let axis = LevelAxis::new(chart::level_range(&[0.0], aspect), aspect, &FREQUENCY, 10.0);
        let decade = FREQUENCY.x(1000.0) - FREQUENCY.x(100.0);
        approx::assert_abs_diff_eq!(axis.y(0.0) - axis.y(db), decade, epsilon = 1e-9);
        assert_eq!(axis.y(axis.range.high_db), 10.0);
    }
}

#[test]
fn level_ranges_suit_flat_usual_and_far_curves() {
    let range = |values: &[f64], aspect| {
        let range = chart::level_range(values, aspect);
        (range.low_db, range.high_db, range.cuts)
    };
    assert_eq!(range(&[0.0, 0.0], Aspect::Fine), (-10.0, 10.0, false));
    assert_eq!(range(&[94.0, 94.0], Aspect::Fine), (85.0, 105.0, false));
    assert_eq!(range(&[-12.0, 17.0], Aspect::Fine), (-15.0, 20.0, false));
    assert_eq!(range(&[-30.0, 30.0], Aspect::Coarse), (-40.0, 40.0, false));
    assert_eq!(
        range(&[-400.0, 1.0, 2.0, 3.0, 60.0], Aspect::Coarse),
        (-50.0, 50.0, true)
    );
    assert_eq!(range(&[], Aspect::Fine), (-10.0, 10.0, false));
    assert_eq!(
        range(&[f64::NAN, f64::INFINITY], Aspect::Fine),
        (-10.0, 10.0, false)
    );
}

proptest! {
    #[test]
    fn a_level_range_is_whole_steps_and_holds_all_it_does_not_cut(
        values in prop::collection::vec(prop_oneof![-60.0..60.0, any::<f64>()], 1..30),
        coarse: bool,
    ) {
        let aspect = if coarse { Aspect::Coarse } else { Aspect::Fine };
        let range = chart::level_range(&values, aspect);
        let height = range.high_db - range.low_db;
        prop_assert!((chart::LEAST_DB..=aspect.most_db()).contains(&height));
        prop_assert_eq!(range.low_db % aspect.step_db(), 0.0);
        prop_assert_eq!(range.high_db % aspect.step_db(), 0.0);
        if !range.cuts {
            for db in values.iter().filter(|db| db.is_finite() && db.abs() < 1000.0) {
                prop_assert!((range.low_db..=range.high_db).contains(db));
            }
        }
    }

    #[test]
    fn labels_set_apart_keep_order_distance_and_room(
        mut wanted in prop::collection::vec(0.0..300.0, 0..12),
    ) {
        wanted.sort_by(f64::total_cmp);
        let places = chart::apart(&wanted, &vec![20.0; wanted.len()], 10.0, 290.0);
        prop_assert_eq!(places.len(), wanted.len());
        for pair in places.windows(2) {
            prop_assert!(pair[1] - pair[0] >= 20.0 - 1e-9);
        }
        for place in &places {
            prop_assert!((10.0 - 1e-9..=290.0 + 1e-9).contains(place));
        }
    }

    #[test]
    fn any_name_makes_a_well_formed_picture(unit in any::<String>(), target in ".{0,300}") {
        let mut outcome = outcomes::flat();
        outcome.shared.unit = unit;
        outcome.shared.target = target;
        let picture = fit_picture(&outcome, &outcomes::grid());
        prop_assert!(picture.title_lines().len() <= 2);
        for line in picture.title_lines() {
            prop_assert!(chart::text_width(&line, 22.0) <= WIDTH - 48.0);
        }
        check_xml(&picture.to_svg());
    }
}

#[test]
fn labels_with_room_stay_beside_their_curves() {
    let apart = |wanted: &[f64]| chart::apart(wanted, &vec![20.0; wanted.len()], 0.0, 100.0);
    assert_eq!(apart(&[20.0, 50.0, 71.0]), [20.0, 50.0, 71.0]);
    assert_eq!(apart(&[50.0, 50.0]), [40.0, 60.0]);
    assert_eq!(apart(&[99.0, 99.0]), [80.0, 100.0]);
    assert!(apart(&[]).is_empty());
    // Higher ones stand further apart.
    let places = chart::apart(&[50.0, 50.0, 90.0], &[30.0, 10.0], 0.0, 100.0);
    assert_eq!(places, [35.0, 65.0, 90.0]);
}

#[test]
fn names_take_two_lines_before_they_are_cut() {
    let lines = label::lines("Fieldfare, wool insert");
    assert_eq!(lines, ["Fieldfare, wool", "insert"]);
    assert_eq!(label::lines("target"), ["target"]);
    let cut = label::lines(&"many words ".repeat(9));
    assert!(cut.len() == 2 && cut[1].ends_with('…'));
    let mut outcome = outcomes::realistic();
    outcome.shared.unit = "A unit whose name is as long as a line of a title".into();
    outcome.shared.target = "a target whose name is long too, but not longer than one line".into();
    let picture = fit_picture(&outcome, &outcomes::grid());
    let title = picture.title_lines();
    assert_eq!(title.len(), 2);
    let whole = format!("{} toward {}", outcome.shared.unit, outcome.shared.target);
    assert_eq!(title.join(" "), whole);
    let svg = picture.to_svg();
    for line in title.iter().chain(&picture.subtitle_lines()) {
        assert!(svg.contains(&format!(">{line}</text>")), "{line}");
    }
}

#[test]
fn every_curve_leads_back_to_its_data() {
    let mut outcome = outcomes::realistic();
    assert_eq!(lead_back(&fit_picture(&outcome, &outcomes::grid())), 7);
    outcome.channels.push(outcome.channels[0].clone());
    assert_eq!(lead_back(&fit_picture(&outcome, &outcomes::grid())), 11);
    assert!(lead_back(&sections_picture(&outcome).unwrap()) >= 4);
}

#[test]
fn direct_labels_overlap_neither_each_other_nor_the_edge() {
    for (name, outcome) in all() {
        let picture = fit_picture(&outcome, &outcomes::grid());
        let names: Vec<Vec<String>> = picture
            .panels
            .iter()
            .map(|panel| {
                let labels = panel.labels();
                for pair in labels.windows(2) {
                    let gap = pair[1].middle
                        - pair[1].height / 2.0
                        - (pair[0].middle + pair[0].height / 2.0);
                    assert!(
                        gap >= -1e-9,
                        "{name}: {} over {}",
                        pair[0].text,
                        pair[1].text
                    );
                }
                for label in &labels {
                    assert!(
                        label.left > FREQUENCY.right && label.left + label.width <= WIDTH,
                        "{name}"
                    );
                    assert!(
                        label.middle - label.height / 2.0 >= panel.axis.top - 1e-9,
                        "{name}"
                    );
                    assert!(
                        label.middle + label.height / 2.0 <= panel.axis.bottom() + 1e-9,
                        "{name}"
                    );
                }
                let mut names: Vec<String> = labels.into_iter().map(|label| label.text).collect();
                names.sort();
                names
            })
            .collect();
        let measured = if name == "flat" {
            "measured"
        } else {
            "measured, ±1 SD"
        };
        assert_eq!(names[0], ["equalised", measured, "target"]);
        match outcome.shared.headroom.preamp_db == 0.0 {
            true => assert_eq!(names[1], ["residual", "sections"]),
            false => assert_eq!(names[1], ["residual", "sections", "with the gain"]),
        }
    }
}

#[test]
fn panels_share_one_aspect_and_do_not_touch() {
    for (name, outcome) in all() {
        let picture = fit_picture(&outcome, &outcomes::grid());
        let [levels, changes] = &picture.panels[..] else {
            panic!("two panels")
        };
        assert_eq!(levels.axis.per_db, changes.axis.per_db, "{name}");
        assert!(changes.axis.top - levels.axis.bottom() > 40.0, "{name}");
        assert!(picture.height() > changes.axis.bottom() + 60.0, "{name}");
    }
}

#[test]
fn what_the_gain_before_the_sections_takes_away_shows() {
    let outcome = outcomes::realistic();
    let preamp_db = outcome.shared.headroom.preamp_db;
    assert!(preamp_db < 0.0);
    let picture = fit_picture(&outcome, &outcomes::grid());
    let [sections, with_gain] = &picture.panels[1].lines[..] else {
        panic!("two lines")
    };
    for ((hz, db), (at_hz, lowered_db)) in sections.points.iter().zip(&with_gain.points) {
        assert_eq!(hz, at_hz);
        approx::assert_abs_diff_eq!(db + preamp_db, *lowered_db, epsilon = 1e-12);
    }
}

#[test]
fn both_sides_share_two_panels_with_five_labels_at_most_and_the_right_side_dashed() {
    let mut outcome = outcomes::realistic();
    outcome.channels.push(outcome.channels[0].clone());
    outcome.channels[0].side = Some(Side::Left);
    outcome.channels[1].side = Some(Side::Right);
    let picture = fit_picture(&outcome, &outcomes::grid());
    assert_eq!(picture.panels.len(), 2);
    for panel in &picture.panels {
        assert!(panel.labels().len() <= 5);
        for line in panel
            .lines
            .iter()
            .filter(|line| line.name.ends_with("right"))
        {
            let left = line.name.replace("right", "left");
            let left = panel.lines.iter().find(|line| line.name == left).unwrap();
            assert_eq!(left.ink.light(), line.ink.light());
            assert!(left.ink.stroke().dashes.is_none() && line.ink.stroke().dashes.is_some());
        }
    }
}

#[test]
fn the_coupler_s_resonance_is_marked_as_by_inspect() {
    let mut outcome = outcomes::realistic();
    assert_eq!(fit_picture(&outcome, &outcomes::grid()).guard, None);
    outcome.shared.coupler_hz = Some((6650.0, 10_600.0));
    let guard = fit_picture(&outcome, &outcomes::grid()).guard.unwrap();
    assert_eq!(guard.ends_hz, (6650.0, 10_600.0));
    assert_eq!(guard.name, "coupler resonance");
}

#[test]
fn a_narrow_strip_between_resonance_and_hatching_is_grey_and_a_wide_one_is_not() {
    let mut outcome = outcomes::realistic();
    let ground = |outcome: &Outcome| {
        let picture = fit_picture(outcome, &outcomes::grid());
        let (_, to_hz) = picture
            .guard
            .as_ref()
            .unwrap()
            .ground_hz(&picture.doubtful_hz);
        let notes = picture.notes.join(" ");
        (
            to_hz,
            picture.doubtful_hz[0].0,
            notes.contains("Grey from there to the hatching"),
        )
    };
    outcome.shared.coupler_hz = Some((6650.0, 9800.0));
    let (to_hz, hatched_hz, is_told) = ground(&outcome);
    assert!(to_hz == hatched_hz && hatched_hz > 9800.0 && is_told);
    // Half an octave below the hatching it ends by itself.
    outcome.shared.coupler_hz = Some((5000.0, 7000.0));
    let (to_hz, _, is_told) = ground(&outcome);
    assert!(to_hz == 7000.0 && !is_told);
    // The grey rectangle is drawn as far.
    outcome.shared.coupler_hz = Some((6650.0, 9800.0));
    let svg = fit_plot(&outcome, &outcomes::grid());
    let grey = svg
        .lines()
        .find(|line| line.contains("<rect x=") && line.contains("fill-doubt"))
        .unwrap();
    let right = attribute(grey, "x") + attribute(grey, "width");
    approx::assert_abs_diff_eq!(right, FREQUENCY.x(hatched_hz), epsilon = 0.02);
}

#[test]
fn the_bands_of_a_graphic_equaliser_are_marked_and_told() {
    let mut outcome = outcomes::realistic();
    let marks = |outcome: &Outcome| -> Vec<f64> {
        let svg = fit_plot(outcome, &outcomes::grid());
        let marks = svg
            .lines()
            .filter(|line| line.contains("class=\"stroke-text\""));
        marks.map(|line| attribute(line, "x1")).collect()
    };
    assert!(marks(&outcome).is_empty());
    outcome.shared.bands_hz = vec![31.5, 1000.0, 16_000.0];
    let once: Vec<f64> = outcome
        .shared
        .bands_hz
        .iter()
        .map(|hz| FREQUENCY.x(*hz))
        .collect();
    // Once in each panel.
    for (drawn, x) in marks(&outcome).iter().zip([&once[..], &once].concat()) {
        approx::assert_abs_diff_eq!(*drawn, x, epsilon = 0.01);
    }
    assert_eq!(marks(&outcome).len(), 6);
    let notes = fit_picture(&outcome, &outcomes::grid()).notes;
    assert!(
        notes
            .iter()
            .any(|note| note.contains("the frequencies that the equaliser has"))
    );
}

#[test]
fn every_take_has_a_curve_of_what_it_is_left_with_and_the_worst_is_named() {
    let mut outcome = outcomes::realistic();
    assert_eq!(takes_picture(&outcome), None);
    let take = |name: &str, after_db: f64| TakeResidual {
        take: name.into(),
        before_db: 2.0,
        after_db,
        worst_hz: 3000.0,
        worst_db: 1.0,
        residual_db: outcomes::grid()
            .into_iter()
            .map(|hz| (hz, after_db))
            .collect(),
    };
    outcome.channels[0].take_residuals = vec![
        take("left 1", 0.4),
        take("left 2", 0.9),
        take("right 1", 0.3),
    ];
    let picture = takes_picture(&outcome).unwrap();
    let lines = &picture.panels[0].lines;
    let names: Vec<&str> = lines.iter().map(|line| line.name.as_str()).collect();
    assert_eq!(names, ["right 1", "left 1", "left 2"]);
    let labels: Vec<String> = picture.panels[0]
        .labels()
        .into_iter()
        .map(|label| label.text)
        .collect();
    assert_eq!(labels, ["left 2"]);
    assert!(lines[2].ink.stroke().width > lines[0].ink.stroke().width);
    assert_eq!(
        lines[2].points,
        outcome.channels[0].take_residuals[1].residual_db
    );
    assert_eq!(
        picture.subtitle,
        "Weighted: from 0.30 dB rms (right 1) to 0.90 dB rms (left 2)"
    );
    check_xml(&picture.to_svg());
    assert_eq!(lead_back(&picture), 3);
}

#[test]
fn what_is_not_trusted_or_not_measured_is_hatched() {
    let hatched = |outcome: &Outcome| fit_picture(outcome, &outcomes::grid()).doubtful_hz;
    assert!(hatched(&outcomes::flat()).is_empty());

    // Trust 0.7 of the default rig is at 8 kHz * 2^(3/7) = 10.77 kHz.
    let above = hatched(&outcomes::realistic());
    assert_eq!(above.len(), 1);
    approx::assert_relative_eq!(
        above[0].0,
        8000.0 * (3.0_f64 / 7.0).exp2(),
        max_relative = 0.008
    );
    assert_eq!(above[0].1, 20_000.0);

    let gaps = hatched(&outcomes::wild());
    let expected = [(20.0, 200.0), (600.0, 900.0), (8000.0, 20_000.0)];
    assert_eq!(gaps.len(), expected.len());
    for (gap, wanted) in gaps.iter().zip(expected) {
        approx::assert_relative_eq!(gap.0, wanted.0, max_relative = 0.015);
        approx::assert_relative_eq!(gap.1, wanted.1, max_relative = 0.015);
    }
}

#[test]
fn curves_end_with_the_support_and_the_sections_do_not() {
    let picture = fit_picture(&outcomes::wild(), &outcomes::grid());
    for line in &picture.panels[0].lines {
        let (first, last) = (line.points[0].0, line.points[line.points.len() - 1].0);
        assert!(first >= 200.0 && last <= 8000.0, "{}", line.name);
    }
    assert_eq!(
        picture.panels[1].lines[0].points.len(),
        outcomes::grid().len()
    );
}

#[test]
fn the_picture_says_unit_target_figures_alignment_smoothing_and_band() {
    let svg = fit_plot(&outcomes::realistic(), &outcomes::grid());
    for words in [
        ">Fieldfare, wool insert toward diffuse-field + low-shelf 90 Hz +3 dB<",
        ">Residual 2.79 → 0.92 dB rms (weighted) · preamp −5.5 dB · 5 sections · at 44.1 kHz<",
        ">Level, dB relative<",
        "weighted mean of measured minus target, and of equalised minus target, is 0\u{A0}dB",
        "the band is ±1\u{A0}SD of the takes",
        "No smoothing",
        "Hatched: trust below 0.7",
        "role=\"img\"",
        "aria-labelledby=\"title description\"",
        "prefers-color-scheme: dark",
    ] {
        assert!(svg.contains(words), "{words}");
    }
    let flat = fit_plot(&outcomes::flat(), &outcomes::grid());
    assert!(flat.contains("the spread is unknown, so no band is drawn"));
    assert!(!flat.contains("Hatched") && !flat.contains("±1"));
}

#[test]
fn a_curve_that_leaves_the_panel_is_clipped_and_said_to_go_on() {
    let mut outcome = outcomes::wild();
    outcome.channels[0].curves.measured_db[200] = -1e300;
    let svg = fit_plot(&outcome, &outcomes::grid());
    check_xml(&svg);
    assert!(svg.contains("Curves that leave a panel go on outside the picture."));
    assert!(
        svg.contains("clip-path=\"url(#panel-1)\"") && svg.contains("<clipPath id=\"panel-1\">")
    );
    assert!(svg.lines().all(|line| line.len() < 20_000));
    assert!(!fit_plot(&outcomes::wild(), &outcomes::grid()).contains("go on outside"));
}

#[test]
fn pictures_are_well_formed_and_the_same_every_time() {
    for (name, outcome) in all() {
        let svg = fit_plot(&outcome, &outcomes::grid());
        check_xml(&svg);
        assert_eq!(svg, fit_plot(&outcome.clone(), &outcomes::grid()), "{name}");
        assert!(svg.len() < 100_000, "{name}: {}", svg.len());
    }
}

#[test]
fn values_that_are_no_numbers_and_curves_that_are_too_short_break_nothing() {
    let mut outcome = outcomes::realistic();
    outcome.channels[0].curves.measured_db[100] = f64::NAN;
    outcome.channels[0].curves.equalised_db[478] = f64::INFINITY;
    outcome.shared.curves.trust[3] = f64::NAN;
    outcome.channels[0].curves.target_db.truncate(40);
    outcome.channels[0].curves.sections_db.clear();
    outcome.shared.headroom.preamp_db = f64::NAN;
    let svg = fit_plot(&outcome, &outcomes::grid());
    check_xml(&svg);
    assert!(!svg.contains("NaN") && svg.contains("preamp unknown dB"));
    check_xml(&fit_plot(&outcome, &[]));
    outcome.shared.curves.support = 900..1000;
    check_xml(&fit_plot(&outcome, &outcomes::grid()));
    outcome.shared.curves.support = 0..0;
    check_xml(&fit_plot(&outcome, &outcomes::grid()));
}

#[test]
fn a_gap_in_a_curve_breaks_its_line() {
    let mut outcome = outcomes::realistic();
    let starts = |outcome: &Outcome| {
        let svg = fit_plot(outcome, &outcomes::grid());
        let line = svg
            .lines()
            .find(|line| line.contains("class=\"stroke-measured\""))
            .unwrap();
        line.matches('M').count()
    };
    assert_eq!(starts(&outcome), 1);
    outcome.channels[0].curves.measured_db[100] = f64::NAN;
    assert_eq!(starts(&outcome), 2);
}

#[test]
fn the_writer_rounds_numbers_and_escapes_words() {
    let written = |number| {
        let mut out = String::new();
        push_number(&mut out, number);
        out
    };
    for (number, text) in [
        (3.0, "3"),
        (-0.001, "0"),
        (2.345_6, "2.35"),
        (-10.5, "-10.5"),
        (100.0, "100"),
        (f64::NAN, "0"),
        (f64::INFINITY, "0"),
    ] {
        assert_eq!(written(number), text);
    }
    let mut path = Path::default();
    path.line([(0.0, 1.0), (2.5, -3.004)]);
    path.line([(9.0, 9.0)]);
    path.polygon([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0)]);
    assert_eq!(path.as_str(), "M0 1L2.5 -3M0 0L1 0L1 1Z");
    let mut svg = Svg::new();
    svg.open("g", &[("id", "a\"<&>".into()), ("x", 1.25.into())]);
    svg.words("text", &[], "a < b & \"c\" \u{1b}[31m\u{202e}");
    svg.empty("rect", &[]);
    assert_eq!(
        svg.finish(),
        "<g id=\"a&quot;&lt;&amp;&gt;\" x=\"1.25\">\n  <text>a &lt; b &amp; &quot;c&quot; \u{fffd}[31m\u{fffd}</text>\n  <rect/>\n</g>\n"
    );
}

#[test]
fn long_words_are_cut_with_an_ellipsis_to_the_width_they_have() {
    assert_eq!(chart::fitted("short", 12.0, 100.0), "short");
    let cut = chart::fitted(&"wide word ".repeat(30), 12.0, 100.0);
    assert!(cut.ends_with('…') && cut.len() > 8);
    assert!(chart::text_width(&cut, 12.0) <= 100.0);
}

/// Inks that meet in a picture differ for every kind of colour vision, and as text they contrast with
/// their paper by 4.5 or more (WCAG 2.2, success criterion 1.4.3). Dichromacy as in G. M. Machado,
/// M. M. Oliveira and L. A. F. Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009), severity 1 (matrices
/// from memory); distance is CIE 1976 dE*ab, of which 2.3 is just noticeable.
#[test]
fn inks_stay_apart_for_every_colour_vision_and_readable_on_both_papers() {
    const VISIONS: [[[f64; 3]; 3]; 4] = [
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        [
            [0.152_286, 1.052_583, -0.204_868],
            [0.114_503, 0.786_281, 0.099_216],
            [-0.003_882, -0.048_116, 1.051_998],
        ],
        [
            [0.367_322, 0.860_646, -0.227_968],
            [0.280_085, 0.672_501, 0.047_413],
            [-0.011_820, 0.042_940, 0.968_881],
        ],
        [
            [1.255_528, -0.076_749, -0.178_779],
            [-0.078_411, 0.930_809, 0.147_602],
            [0.004_733, 0.691_367, 0.303_900],
        ],
    ];
    let curves = [Ink::Measured, Ink::Target, Ink::Equalised, Ink::Sections];
    for colour in [Ink::light, Ink::dark] {
        let paper = luminance(linear(colour(Ink::Paper)));
        for ink in curves.into_iter().chain([Ink::Text, Ink::Faint]) {
            let own = luminance(linear(colour(ink)));
            let contrast = (own.max(paper) + 0.05) / (own.min(paper) + 0.05);
            assert!(contrast >= 4.5, "{ink:?}: {contrast}");
        }
        for (i, a) in curves.into_iter().enumerate() {
            for b in &curves[i + 1..] {
                for vision in VISIONS {
                    let [seen_a, seen_b] =
                        [a, *b].map(|ink| lab(seen(linear(colour(ink)), vision)));
                    let squares = (0..3).map(|k| (seen_a[k] - seen_b[k]).powi(2));
                    let distance = squares.sum::<f64>().sqrt();
                    assert!(distance >= 15.0, "{a:?} {b:?} {vision:?}: {distance}");
                }
            }
        }
    }
}

fn linear(colour: &str) -> [f64; 3] {
    [1, 3, 5].map(|i| {
        let part = f64::from(u8::from_str_radix(&colour[i..i + 2], 16).unwrap()) / 255.0;
        if part <= 0.040_45 {
            part / 12.92
        } else {
            ((part + 0.055) / 1.055).powf(2.4)
        }
    })
}

fn seen(rgb: [f64; 3], vision: [[f64; 3]; 3]) -> [f64; 3] {
    vision.map(|row| (0..3).map(|k| row[k] * rgb[k]).sum::<f64>().clamp(0.0, 1.0))
}

fn luminance([r, g, b]: [f64; 3]) -> f64 {
    0.2126 * r + 0.7152 * g + 0.0722 * b
}

fn lab(rgb: [f64; 3]) -> [f64; 3] {
    let [r, g, b] = rgb;
    let x = (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505;
    let z = (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089;
    let [x, y, z] = [x, luminance(rgb), z].map(|t: f64| {
        if t > 0.008_856 {
            t.cbrt()
        } else {
            7.787 * t + 16.0 / 116.0
        }
    });
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

fn attribute(line: &str, name: &str) -> f64 {
    let key = format!(" {name}=\"");
    let from = line.find(&key).unwrap() + key.len();
    line[from..].split('"').next().unwrap().parse().unwrap()
}

/// Panics unless `xml` is one element with matched tags, quoted attributes, known entities, legal
/// characters, and no number that is none.
pub fn check_xml(xml: &str) {
    assert!(
        xml.chars().all(
            |c| matches!(c, '\n' | ' '..='\u{D7FF}' | '\u{E000}'..='\u{FFFD}' | '\u{10000}'..)
        ),
        "illegal character"
    );
    for reference in xml.split('&').skip(1) {
        let name = reference.split(';').next().unwrap();
        assert!(
            ["amp", "lt", "gt", "quot"].contains(&name),
            "bare & before {name:.20}"
        );
    }
    let (mut open, mut roots, mut rest) = (Vec::new(), 0, xml);
    while let Some(start) = rest.find('<') {
        if open.is_empty() {
            assert!(rest[..start].trim().is_empty(), "words outside the root");
        }
        assert!(!rest[..start].contains('>'), "bare >");
        let end = start + rest[start..].find('>').expect("tag ends");
        let tag = &rest[start + 1..end];
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name.to_owned()));
        } else {
            let body = tag.strip_suffix('/').unwrap_or(tag);
            let name = body.split(' ').next().unwrap();
            check_attributes(&body[name.len()..]);
            roots += usize::from(open.is_empty());
            if !tag.ends_with('/') {
                open.push(name.to_owned());
            }
        }
        rest = &rest[end + 1..];
    }
    assert!(
        open.is_empty() && roots == 1,
        "open: {open:?}, roots: {roots}"
    );
}

fn check_attributes(mut text: &str) {
    let mut names = Vec::new();
    while let Some(after) = text.strip_prefix(' ') {
        let (name, value) = after.split_once("=\"").expect("quoted value");
        assert!(
            name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-'),
            "{name}"
        );
        assert!(!names.contains(&name), "{name} twice");
        names.push(name);
        let (value, after) = value.split_once('"').expect("value ends");
        assert!(
            !value.contains("NaN") && !value.contains("inf "),
            "{name}={value}"
        );
        text = after;
    }
    assert!(text.is_empty(), "{text}");
}
