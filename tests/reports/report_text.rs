//! A fit on the terminal.

use crate::support::{fit_text, outcomes, printed};

use bandwright::caution::Caution;
use bandwright::filter::Shape;
use bandwright::fit::Effort;
use bandwright::job::{Outcome, ReachPoint};
use bandwright::report::{FileKind, WrittenFile, figures, words};
use proptest::prelude::*;

#[test]
fn a_usual_fit_reads_like_this() {
    let mut outcome = outcomes::realistic();
    outcome.channels[0].reach = reach(&[2.79, 1.61, 1.2, 1.01, 0.95, 0.9]);
    assert_eq!(fit_text(&outcome, &[], &outcomes::written()), REALISTIC);
}

fn reach(residuals_db: &[f64]) -> Vec<ReachPoint> {
    let point = |(sections, &residual_db): (usize, &f64)| ReachPoint {
        sections,
        residual_db,
        objective_db2: residual_db.powi(2),
    };
    residuals_db.iter().enumerate().map(point).collect()
}

#[test]
fn the_reach_ends_where_nothing_is_gained_and_breaks_into_rows() {
    let mut outcome = outcomes::flat();
    let mut residuals_db: Vec<f64> = (0..20).map(|n| 3.0 - 0.1 * f64::from(n)).collect();
    residuals_db.extend([1.1001; 12]);
    outcome.channels[0].reach = reach(&residuals_db);
    let text = fit_text(&outcome, &[], &[]);
    let rows: Vec<&str> = text
        .lines()
        .skip_while(|line| !line.starts_with("Reach"))
        .take(5)
        .collect();
    assert_eq!(
        rows,
        [
            "Reach (weighted residual with at most so many sections, before steps, and no less with more)",
            "  sections          0     1     2     3     4     5     6     7     8     9    10    11    12    13",
            "  residual (dB)  3.00  2.90  2.80  2.70  2.60  2.50  2.40  2.30  2.20  2.10  2.00  1.90  1.80  1.70",
            "  sections         14    15    16    17    18    19",
            "  residual (dB)  1.60  1.50  1.40  1.30  1.20  1.10",
        ]
    );
}

#[test]
fn a_reach_of_large_residuals_stays_in_columns() {
    let mut outcome = outcomes::flat();
    let residuals_db: Vec<f64> = (0..40).map(|n| 900.0 - f64::from(n)).collect();
    outcome.channels[0].reach = reach(&residuals_db);
    let text = fit_text(&outcome, &[], &[]);
    assert!(text.contains("  residual (dB)  900.00  899.00"));
    assert!(text.lines().all(|line| line.len() <= 100));
}

#[test]
fn what_is_largest_at_0_hz_is_so_at_the_lowest_frequencies() {
    let mut outcome = outcomes::realistic();
    outcome.shared.headroom.peak_gain_db = 3.0;
    for peak_hz in [0.0, 0.02, 0.9] {
        outcome.shared.headroom.peak_hz = peak_hz;
        let text = fit_text(&outcome, &[], &[]);
        assert!(text.contains("+3 dB at the lowest frequencies ("), "{text}");
        assert!(
            !text.contains(" 0 Hz") && !text.contains("0.9 Hz"),
            "{text}"
        );
    }
    outcome.shared.headroom.peak_hz = 31.5;
    assert!(fit_text(&outcome, &[], &[]).contains("+3 dB at 31.5 Hz ("));
}

#[test]
fn numbers_to_type_in_are_those_of_the_sheet() {
    for (value, text) in [
        (66.558, "66.558"),
        (12_345.0, "12345"),
        (-5.746, "-5.746"),
        (0.000_5, "0.0005"),
        (116.452_254_627_375_15, "116.4523"),
        (-0.0, "0"),
    ] {
        assert_eq!(words::typed(value), text);
    }
    assert_eq!(words::signed_typed(5.645), "+5.645");
    assert_eq!(words::signed_typed(0.0), "0");
    assert_eq!(words::signed_typed(-0.5), "-0.5");
}

#[test]
fn a_lone_shelf_that_cuts_says_which_boost_it_stands_for() {
    let mut outcome = outcomes::flat();
    outcome.channels[0].sections = vec![outcomes::section(Shape::HighShelf, 90.0, -3.0, 0.6)];
    outcome.shared.headroom.peak_gain_db = 0.0;
    outcome.shared.headroom.any_signal_gain_db = -0.234;
    let text = fit_text(&outcome, &[], &[]);
    assert!(text.contains("\n  It does what a low-shelf of +3 dB does, 3 dB lower in level"));
    assert!(
        text.contains(
            "Together the sections boost nowhere; every signal falls by 0.23 dB or more."
        )
    );
}

#[test]
fn a_trusted_band_that_got_worse_is_called_so() {
    let mut outcome = outcomes::realistic();
    assert!(!fit_text(&outcome, &[], &[]).contains("worse"));
    outcome.shared.residual.after.trusted_band_db = Some(3.0);
    let text = fit_text(&outcome, &[], &[]);
    assert!(text.contains("2.73 dB before, 3.00 dB after: worse, by the choice of weights\n"));
}

#[test]
fn searches_of_which_one_or_two_agree_are_not_called_certain() {
    let mut outcome = outcomes::realistic();
    let doubt = "A better answer is possible; --effort deep searches longest.";
    let unwrapped = |outcome: &Outcome| {
        let mut outcome = outcome.clone();
        outcome.channels[0].search = outcome.shared.search.clone();
        let text = fit_text(&outcome, &[], &[]);
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    for (agreeing, doubted) in [(1, true), (2, true), (3, false), (8, false)] {
        outcome.shared.search.agreeing = agreeing;
        assert_eq!(unwrapped(&outcome).contains(doubt), doubted, "{agreeing}");
    }
    (outcome.shared.search.agreeing, outcome.shared.search.exact) = (1, true);
    assert!(!unwrapped(&outcome).contains(doubt));
    (outcome.shared.search.exact, outcome.shared.search.enough) = (false, true);
    assert!(!unwrapped(&outcome).contains(doubt));
    // What searches longest need not be told to search longer.
    (outcome.shared.search.enough, outcome.shared.search.effort) = (false, Effort::Deep);
    assert!(!unwrapped(&outcome).contains("--effort"));
    assert!(unwrapped(&outcome).contains("A better answer is possible."));
    (
        outcome.shared.search.agreeing,
        outcome.shared.search.searches,
    ) = (0, 0);
    let text = fit_text(&outcome, &[], &[]);
    assert!(text.contains("no independent search had the time to end"));
}

#[test]
fn a_fit_that_needs_nothing_reads_like_this() {
    assert_eq!(fit_text(&outcomes::flat(), &[], &[]), FLAT);
}

#[test]
fn parts_come_in_the_order_in_which_they_are_needed() {
    let text = fit_text(&outcomes::realistic(), &[], &outcomes::written());
    let parts = [
        "Sections within",
        "Gain before the sections:",
        "Residual",
        "With both, pink noise",
        "Caution:",
        "Headroom",
        "How sure",
        "Written",
    ];
    let places = parts.map(|part| text.find(&format!("\n{part}")).expect(part));
    assert!(places.is_sorted(), "{places:?}");
}

#[test]
fn section_numbers_keep_the_decimals_they_have_and_line_up() {
    let mut outcome = outcomes::flat();
    outcome.channels[0].sections = vec![
        outcomes::section(Shape::LowShelf, 90.0, 3.0, 0.6),
        outcomes::section(Shape::Peaking, 90.5, -0.25, 1.0),
        outcomes::section(Shape::Peaking, 12_345.6, 0.0, 1.414),
        outcomes::section(Shape::HighShelf, 15_000.0, -12.5, 0.707),
    ];
    let text = fit_text(&outcome, &[], &[]);
    let table: Vec<&str> = text
        .lines()
        .skip_while(|line| !line.starts_with("Sections"))
        .skip(1)
        .take(5)
        .collect();
    assert_eq!(
        table,
        [
            "  shape        f0 (Hz)   gain (dB)       q",
            "  low-shelf       90         +3      0.6",
            "  peaking         90.5       -0.25   1",
            "  peaking      12345.6        0      1.414",
            "  high-shelf   15000        -12.5    0.707",
        ]
    );
}

#[test]
fn a_rate_has_a_line_only_where_it_differs_notably() {
    let mut outcome = outcomes::realistic();
    let fitted_db = outcome.shared.residual.after.weighted_db;
    outcome.shared.residual_by_rate_db = vec![fitted_db, fitted_db + 0.05, fitted_db - 0.05];
    assert!(!fit_text(&outcome, &[], &[]).contains("weighted, at"));
    outcome.shared.residual_by_rate_db[1] = fitted_db + 0.2;
    let text = fit_text(&outcome, &[], &[]);
    assert!(text.contains("weighted, at 48 kHz"));
    assert!(!text.contains("weighted, at 96 kHz"));
}

#[test]
fn cautions_about_use_are_always_shown_and_notes_about_certainty_are_details() {
    let mut outcome = outcomes::wild();
    outcome.shared.cautions = vec![Caution::SpreadUnknown, Caution::Seal];
    let brief = |outcome: &Outcome| printed(figures::fit::report(outcome, &[], &[]));
    let seal = "leak looks like missing bass";
    let points = outcome.channels[0].curves.sections_db.len();
    // A seal matters to a preset that boosts bass beside the rest.
    outcome.shared.heard.sections_db = 0.0;
    for (bass_db, shown) in [(3.0, true), (0.5, false), (-3.0, false)] {
        let sections_db = &mut outcome.channels[0].curves.sections_db;
        *sections_db = (0..points)
            .map(|i| if i < 50 { bass_db } else { 0.0 })
            .collect();
        assert_eq!(brief(&outcome).contains(seal), shown, "{bass_db}");
        assert!(fit_text(&outcome, &[], &[]).contains(seal));
    }
    assert!(!brief(&outcome).contains("one take a side"));
    assert!(fit_text(&outcome, &[], &[]).contains("one take a side"));
}

#[test]
fn takes_that_were_set_aside_are_told_in_one_caution() {
    let mut outcome = outcomes::realistic();
    let aside = |take: &str| Caution::TakeSetAside {
        take: take.into(),
        finding: "leaks 3.0 dB at 30 Hz".into(),
    };
    outcome.shared.cautions = vec![
        aside("left 2"),
        Caution::Boost { peak_gain_db: 3.0 },
        aside("right 1"),
    ];
    let text = printed(figures::fit::report(&outcome, &[], &[]));
    let told = "Caution: set aside: left 2 leaks 3.0 dB at 30 Hz; right 1 leaks 3.0 dB at 30 Hz.";
    assert!(text.contains(told), "{text}");
    assert_eq!(text.matches("set aside").count(), 1, "{text}");
}

#[test]
fn a_path_stays_whole_to_be_copied() {
    let path = format!("a folder with blanks/{}/x.sheet.toml", "deep/".repeat(30));
    let files = [WrittenFile {
        kind: FileKind::Sheet,
        path: path.clone(),
    }];
    assert!(fit_text(&outcomes::flat(), &[], &files).contains(&path));
}

#[test]
fn names_cannot_steer_the_terminal() {
    let mut outcome = outcomes::flat();
    outcome.shared.unit = "red \u{1b}[31m\u{7}\r\u{202e}".into();
    outcome.shared.takes = vec!["\u{9b}2J".into()];
    outcome.channels[0].takes = outcome.shared.takes.clone();
    let text = fit_text(&outcome, &[], &outcomes::written());
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()));
    assert!(!text.contains('\u{202e}'));
}

#[test]
fn numbers_for_people_have_no_idle_zeros_and_no_negative_zero() {
    for (value, text) in [
        (90.0, "90"),
        (90.5, "90.5"),
        (-0.001, "0"),
        (-3.25, "-3.25"),
        (100.0, "100"),
    ] {
        assert_eq!(words::decimals_up_to(value, 2), text);
    }
    assert_eq!(words::signed_decimals_up_to(3.5, 2), "+3.5");
    assert_eq!(words::signed_decimals_up_to(-0.0, 2), "0");
    assert_eq!(words::decimals(-0.001, 2), "0.00");
    assert_eq!(words::decimals(-0.01, 2), "-0.01");
    for (hz, text) in [
        (20.0, "20 Hz"),
        (62.54, "62.5 Hz"),
        (449.7, "450 Hz"),
        (999.6, "1 kHz"),
        (1250.0, "1.25 kHz"),
        (10_766.0, "10.8 kHz"),
    ] {
        assert_eq!(words::frequency(hz), text);
    }
    assert_eq!(words::decimals(f64::NAN, 2), "unknown");
    assert_eq!(words::signed_decimals_up_to(f64::INFINITY, 2), "unknown");
    assert_eq!(words::rate(44_100.0), "44.1 kHz");
    assert_eq!(words::true_minus("-5"), "\u{2212}5");
}

proptest! {
    #[test]
    fn no_line_is_wider_than_a_hundred_columns(
        unit in ".{0,300}",
        take in "[a-z ]{0,200}",
        source in any::<String>(),
    ) {
        let mut outcome = outcomes::wild();
        outcome.shared.unit = unit;
        outcome.shared.takes = vec![take; 9];
        outcome.channels[0].takes = outcome.shared.takes.clone();
        outcome.shared.target_source = source.clone();
        outcome.shared.limits = source.clone();
        outcome.shared.cautions.push(Caution::TargetTable { text: source });
        for line in fit_text(&outcome, &[], &outcomes::written()).lines() {
            prop_assert!(line.chars().count() <= 100, "{}", line);
            prop_assert_eq!(line, line.trim_end());
        }
    }

    #[test]
    fn wrapping_loses_no_word(text in "[a-z ]{0,200}", width in 1_u32..40) {
        let lines = words::wrap(&text, f64::from(width), |_| 1.0);
        let letters = |text: &str| text.chars().filter(|c| *c != ' ').collect::<String>();
        prop_assert_eq!(letters(&lines.concat()), letters(&text));
        prop_assert!(lines.iter().all(|line| !line.is_empty() && line.len() <= width as usize));
    }
}

const REALISTIC: &str = "\
Fieldfare, wool insert toward diffuse-field + low-shelf 90 Hz +3 dB

Sections within \"eight sections, half-decibel steps\", fitted at 44.1 kHz
  shape       f0 (Hz)   gain (dB)       q
  low-shelf      75         +5.5    0.6
  peaking       318.5       -1.75   0.8
  peaking      2904         -5      1.412
  peaking      5180         +3.5    2.75
  peaking      8000         -2      2
Gain before the sections: -5.5 dB

Residual (equalised minus target, level-free, rms)
  weighted as in the fit            2.79 dB before, 0.92 dB after
  trusted band, 20 Hz to 10.7 kHz   2.73 dB before, 0.62 dB after
  weighted, at 96 kHz               1.23 dB after

With both, pink noise is 5.3 dB quieter than without EQ: to compare, turn what has none down by as
much (A-weighted, through this unit).

Caution: the sections boost by up to 5.3 dB. Start at a low volume; loud sound harms hearing, and
         local rules and a hearing professional come before any figure here.
Caution: 20-100 Hz is the earphone's own only if the seal was good: a leak looks like missing bass.
         Compare takes before you boost bass.

Headroom
  Together the sections reach +5.32 dB at 20 Hz (44.1 kHz); no signal of any kind can rise by more
  than 7.22 dB.
  The gain before them keeps steady tones from clipping, sample by sample.

Reach (weighted residual with at most so many sections, before steps)
  sections          0     1     2     3     4     5
  residual (dB)  2.79  1.61  1.20  1.01  0.95  0.90

How sure
  5 takes: left 1, left 2, left 3, left 4, left 5. Spread: 0.62 dB rms over the trusted band, 1.15
  dB at most (at 40 Hz).
  Note: published tables of this response differ by several dB between 2.5 and 10 kHz
  Target: invented for these tests
  Search: 5 of 8 independent searches ended at this answer (48213 evaluations, 310 local solutions,
  41 restarts). Stopped: every search ended without further gain.
  Economy ratio 1.32: one by one the sections move 1.32 times what they move together. They work
  against each other a little, as is usual.

Written
  sheet   wool.sheet.toml
  plot    pictures/wool.svg
";

const FLAT: &str = "\
Dunlin toward flat

Sections within \"eight sections, half-decibel steps\", fitted at 44.1 kHz
  none: no section was found that brings the curve closer to the target

Residual (equalised minus target, level-free, rms)
  weighted as in the fit            0.00 dB before, 0.00 dB after
  trusted band, 20 Hz to 19.9 kHz   0.00 dB before, 0.00 dB after

How sure
  1 take: left 1.
  Note: one take a side, so the spread is unknown and counts as 0. Reseat and measure again to know
        how far the curve repeats.
  Target: invented for these tests
  Search: 5 of 8 independent searches ended at this answer (48213 evaluations, 310 local solutions,
  41 restarts). Stopped: every search ended without further gain.

No file was written; -o FILE.sheet.toml writes the preset.
";
