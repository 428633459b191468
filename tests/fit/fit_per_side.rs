//! One EQ for each side: one level and one preamp for both, so that the image does not move.

use crate::support::{fit_text, option_names};
use std::path::{Path, PathBuf};

use crate::support::fits::{self, FitRequest};
use assert_cmd::Command;
use bandwright::caution::Caution;
use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::Effort;
use bandwright::fit::residual::{channels_rms, economy_ratio_of_channels};
use bandwright::headroom::{headroom, peak::peak};
use bandwright::job::{
    AS_GOOD_DB, Channel, ChannelCurves, LEAST_GAIN_DB, LevelDifference, Outcome,
};
use bandwright::limits::Limits;
use bandwright::measurement::grid::{self, OnGrid};
use bandwright::measurement::judge::Settings;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take};
use bandwright::report::{fit_json, fit_plot};
use bandwright::sheet::{self, Sheet};
use bandwright::wanted::{Contour, Target, library};
use serde_json::Value;

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

fn flat() -> Target {
    library::resolve("flat", &|_: &std::path::Path| unreachable!()).unwrap()
}

/// A take that the sections, at a level, would make flat.
fn take(side: Side, name: &str, mended_by: &[Section], level_db: f64, rate_hz: f64) -> Take {
    let f_hz: Vec<f64> = grid::frequency_hz()
        .iter()
        .map(|f_hz| f_hz.min(rate_hz / 2.0))
        .collect();
    let level_db = cascade::levels_db(mended_by, rate_hz, &f_hz)
        .iter()
        .map(|db| level_db - db)
        .collect();
    Take {
        name: name.to_owned(),
        side,
        on_grid: OnGrid {
            level_db,
            support: 0..grid::POINTS,
        },
    }
}

/// Toward flat, believed everywhere.
fn request(left: &[Section], right: &[Section], difference_db: f64, limits: &Limits) -> FitRequest {
    let rate_hz = limits.rates_hz[0];
    FitRequest {
        judging: Settings {
            rig: Rig::Flat,
            ..Settings::default()
        },
        target: Some(flat()),
        effort: Effort::Quick,
        ..FitRequest::new(
            "an invented pair",
            vec![
                take(
                    Side::Left,
                    "left",
                    left,
                    94.0 + 0.5 * difference_db,
                    rate_hz,
                ),
                take(
                    Side::Right,
                    "right",
                    right,
                    94.0 - 0.5 * difference_db,
                    rate_hz,
                ),
            ],
            limits.clone(),
        )
    }
}

fn limits(text: &str) -> Limits {
    Limits::parse(text.as_bytes(), "a test's").unwrap()
}

/// Two sides that need different things.
fn unlike() -> [Vec<Section>; 2] {
    [
        vec![
            section(Shape::LowShelf, 100.0, 4.0, 0.7),
            section(Shape::Peaking, 1500.0, -3.0, 1.2),
            section(Shape::HighShelf, 8000.0, 2.0, 0.7),
        ],
        vec![
            section(Shape::LowShelf, 130.0, 3.0, 0.6),
            section(Shape::Peaking, 2200.0, -4.0, 2.0),
            section(Shape::Peaking, 5000.0, 2.5, 1.5),
        ],
    ]
}

/// Five sections each, so that three a side cannot mend them.
fn rich(seed: u32) -> [Vec<Section>; 2] {
    let side = |side: u32| {
        let part = |k: u32| {
            // Any numbers that look unlike each other will do.
            let chance = |n: u32| {
                let x = (seed * 7919 + side * 104_729 + k * 1299 + n * 31) as f64;
                (x * 0.618_033_988_75).fract()
            };
            section(
                Shape::Peaking,
                60.0 * 3f64.powf(f64::from(k) + chance(1)),
                8.0 * chance(2) - 4.0,
                0.6 + 2.0 * chance(3),
            )
        };
        (0..5).map(part).collect()
    };
    [side(0), side(1)]
}

/// Left and right.
fn both(outcome: &Outcome) -> &[Channel; 2] {
    outcome.channels.as_slice().try_into().unwrap()
}

fn sections(outcome: &Outcome) -> [&[Section]; 2] {
    both(outcome)
        .each_ref()
        .map(|side| side.sections.as_slice())
}

fn level_difference(outcome: &Outcome) -> LevelDifference {
    outcome.shared.level_difference.unwrap()
}

#[test]
fn two_sides_that_are_cascades_away_from_the_target_are_recovered() {
    let [left, right] = unlike();
    let outcome = fits::run_per_side(&request(&left, &right, 0.0, &fits::without_steps())).unwrap();
    assert!(outcome.shared.residual.before.weighted_db > 1.0);
    assert!(
        outcome.shared.residual.after.weighted_db < 0.01,
        "{outcome:?}"
    );
    for side in &outcome.channels {
        assert!(side.residual.after.weighted_db < 0.015);
        assert_eq!(side.reach[0].sections, 0);
        let before_db = side.residual.before.weighted_db;
        assert!((side.reach[0].residual_db - before_db).abs() < 1e-9);
    }
    assert!(level_difference(&outcome).after_db.abs() < 0.01);
    let [l, r] = both(&outcome).each_ref().map(|side| side.side);
    assert_eq!([l, r], [Some(Side::Left), Some(Side::Right)]);
}

#[test]
fn what_was_planted_comes_back_with_as_many_sections() {
    for seed in 1..=8 {
        let [left, right] = rich(seed);
        let outcome =
            fits::run_per_side(&request(&left, &right, 0.0, &fits::without_steps())).unwrap();
        assert_eq!(sections(&outcome).map(<[Section]>::len), [5, 5], "{seed}");
        assert!(outcome.shared.residual.after.weighted_db < 0.01, "{seed}");
        assert!(level_difference(&outcome).after_db.abs() < 0.005, "{seed}");
    }
}

#[test]
fn sides_of_one_shape_at_two_levels_get_the_shelf_that_ends_at_one_level() {
    // A low shelf of 6 dB and a high shelf of -6 dB have one shape; what they do to the level differs by 6 dB. Each side
    // alone, its level free, could take either.
    let left = [section(Shape::LowShelf, 700.0, 6.0, 0.7)];
    let right = [section(Shape::HighShelf, 700.0, -6.0, 0.7)];
    let outcome = fits::run_per_side(&request(&left, &right, 0.0, &fits::without_steps())).unwrap();
    assert!(
        level_difference(&outcome).before_db.abs() > 5.0,
        "{:?}",
        outcome.shared.level_difference
    );
    assert!(outcome.shared.residual.after.weighted_db < 0.01);
    for f_hz in grid::frequency_hz() {
        let [l, r] = sections(&outcome).map(|own| cascade::level_db(own, 44_100.0, *f_hz));
        let wanted =
            cascade::level_db(&left, 44_100.0, *f_hz) - cascade::level_db(&right, 44_100.0, *f_hz);
        assert!((l - r - wanted).abs() < 0.05, "{f_hz}: {l} {r} {wanted}");
    }
}

#[test]
fn a_difference_in_level_is_neither_removed_nor_hidden() {
    let peak = [section(Shape::Peaking, 1000.0, -6.0, 10.0)];
    let narrow = limits(
        "format = 1\nname = \"one narrow section\"\nsections = 1\nrates_hz = [48000]\n\
         preamp_db = { min = -20, max = 0 }\nf0_hz = { min = 20, max = 20000 }\n\
         gain_db = { min = -12, max = 12 }\nq = { min = 8, max = 12 }\n[shapes]\npeaking = 1\n",
    );
    let outcome = fits::run_per_side(&request(&peak, &peak, 1.0, &narrow)).unwrap();
    let difference = level_difference(&outcome);
    assert!((difference.before_db - 1.0).abs() < 1e-9);
    assert!(
        (0.9..1.01).contains(&difference.after_db),
        "{}",
        difference.after_db
    );
    // Half a decibel of either side's residual is that.
    for side in &outcome.channels {
        assert!((0.45..0.6).contains(&side.residual.after.weighted_db));
    }
    let text = fit_text(&outcome, &[], &[]);
    assert!(text.contains("left is 1.00 dB louder than right"), "{text}");
    // One EQ for both does not see it: its level is free, and it is the mean's.
    let one = fits::run(&request(&peak, &peak, 1.0, &narrow)).unwrap();
    assert!(one.shared.residual.after.weighted_db < 0.01);
}

#[test]
fn left_and_right_stand_at_one_level_before_and_after() {
    let [left, right] = unlike();
    let three = fits::without_steps().with_sections(3).unwrap();
    let request = request(&left, &right, 0.7, &three);
    let outcome = fits::run_per_side(&request).unwrap();
    let [l, r] = both(&outcome).each_ref().map(|side| &side.curves);
    let shared = &outcome.shared.curves;
    let [raw_l, raw_r] = [0, 1].map(|i| &request.takes[i].on_grid.level_db);
    let mut squares = (0.0, 0.0);
    for i in shared.support.clone() {
        // The curves are shifted by the same on both sides: what is between them is what was measured.
        let measured = l.measured_db[i] - r.measured_db[i];
        assert!((measured - (raw_l[i] - raw_r[i])).abs() < 1e-9);
        let equalised = l.equalised_db[i] - r.equalised_db[i];
        let played = (raw_l[i] + l.sections_db[i]) - (raw_r[i] + r.sections_db[i]);
        assert!((equalised - played).abs() < 1e-9);
        squares.0 += (shared.weight[i] * equalised).powi(2);
        squares.1 += shared.weight[i].powi(2);
    }
    // Both are measured against one target at one level, so they cannot be further apart than the residual lets them be.
    let apart_db = (squares.0 / squares.1).sqrt();
    assert!(apart_db <= 2.0 * outcome.shared.residual.after.weighted_db + 1e-9);
    let shift = |c: &ChannelCurves, i: usize| c.equalised_db[i] - c.target_db[i];
    let mean: f64 = shared
        .support
        .clone()
        .map(|i| shared.weight[i].powi(2) * 0.5 * (shift(l, i) + shift(r, i)))
        .sum();
    assert!((mean / squares.1).abs() < 1e-9);
}

#[test]
fn one_preamp_is_enough_for_both_sides_and_no_more_than_the_worse_needs() {
    let left = [section(Shape::Peaking, 3000.0, 5.5, 1.0)];
    let right = [section(Shape::Peaking, 3000.0, 1.5, 1.0)];
    let limits = fits::without_steps();
    let outcome = fits::run_per_side(&request(&left, &right, 0.0, &limits)).unwrap();
    let preamp_db = outcome.shared.headroom.preamp_db;
    let mut needed = Vec::new();
    for of_side in sections(&outcome) {
        for &rate_hz in &limits.rates_hz {
            assert!(preamp_db + peak(of_side, rate_hz).gain_db <= 1e-9);
        }
        needed.push(headroom(of_side, &limits.rates_hz, &limits.preamp_db).unwrap());
    }
    assert_eq!(preamp_db, needed[0].preamp_db.min(needed[1].preamp_db));
    assert!((needed[0].preamp_db - needed[1].preamp_db).abs() > 2.0);
    let any = needed.iter().map(|h| h.any_signal_gain_db);
    assert_eq!(
        outcome.shared.headroom.any_signal_gain_db,
        any.fold(f64::NEG_INFINITY, f64::max)
    );
}

#[test]
fn boosts_of_both_sides_are_held_back_where_the_preamp_does_not_reach() {
    let left = [section(Shape::Peaking, 3000.0, 9.0, 1.0)];
    let right = [section(Shape::Peaking, 300.0, 5.0, 1.0)];
    let mut limits = limits(
        "format = 1\nname = \"little preamp\"\nsections = 2\nrates_hz = [48000]\n\
         preamp_db = { min = -3, max = 0, step = 0.5 }\nf0_hz = { min = 20, max = 20000 }\n\
         gain_db = { min = -12, max = 12 }\nq = { min = 0.3, max = 8 }\n[shapes]\npeaking = 2\n",
    );
    let outcome = fits::run_per_side(&request(&left, &right, 0.0, &limits)).unwrap();
    assert!(outcome.shared.headroom.preamp_db >= -3.0);
    assert!(outcome.shared.headroom.preamp_db + outcome.shared.headroom.peak_gain_db <= 1e-9);
    let held_back = |caution: &Caution| matches!(caution, Caution::PreampBound { .. });
    assert!(outcome.shared.cautions.iter().any(held_back));
    limits.preamp_db = fits::without_steps().preamp_db;
    let free = fits::run_per_side(&request(&left, &right, 0.0, &limits)).unwrap();
    assert!(free.shared.headroom.preamp_db < -3.0);
    assert!(!free.shared.cautions.iter().any(held_back));
}

#[test]
fn steps_and_limits_hold_on_each_side() {
    let pocket = std::fs::read(demo("pocket-eight.limits.toml")).unwrap();
    let pocket = Limits::parse(&pocket, "pocket").unwrap();
    for seed in 1..=2 {
        let [left, right] = rich(seed);
        let outcome = fits::run_per_side(&request(&left, &right, 0.3, &pocket)).unwrap();
        for of_side in sections(&outcome) {
            pocket.allows(of_side).unwrap();
            assert!(
                of_side
                    .windows(2)
                    .all(|pair| pair[0].f0_hz <= pair[1].f0_hz)
            );
        }
        assert!(
            outcome.shared.residual.after.weighted_db
                < 0.3 * outcome.shared.residual.before.weighted_db
        );
    }
}

#[test]
fn it_is_never_worse_than_one_eq_for_both_nor_than_none() {
    let three = fits::without_steps().with_sections(3).unwrap();
    let f_hz = grid::frequency_hz();
    let rate_hz = three.rates_hz[0];
    for seed in 1..=6 {
        let [left, right] = rich(seed);
        let mut request = request(&left, &right, 0.4, &three);
        // Without the price of opposition, J is the residual alone.
        request.economy = 0.0;
        let each = fits::run_per_side(&request).unwrap();
        let one = fits::run(&request).unwrap();
        let wanted = [0, 1].map(|i| {
            let level_db = &request.takes[i].on_grid.level_db;
            level_db.iter().map(|db| -db).collect::<Vec<f64>>()
        });
        let rms = |sections: [&[Section]; 2]| {
            let wanted = [wanted[0].as_slice(), &wanted[1]];
            channels_rms(&sections, rate_hz, f_hz, &vec![1.0; f_hz.len()], &wanted)
        };
        let each_db = rms(sections(&each)).together_db;
        let one_db = rms([&one.channels[0].sections; 2].map(Vec::as_slice)).together_db;
        assert!(each_db < one_db, "{seed}: {each_db} {one_db}");
        assert!((each_db - each.shared.residual.after.weighted_db).abs() < 1e-9);
        let nothing = rms([&[], &[]]);
        assert!((nothing.together_db - each.shared.residual.before.weighted_db).abs() < 1e-9);
        assert!((each.shared.objective_db2.sqrt() - each_db).abs() < 1e-6);
        let ratio =
            economy_ratio_of_channels(&sections(&each), rate_hz, f_hz, &each.shared.curves.weight);
        assert!((ratio - each.shared.economy_ratio).abs() < 1e-12);
        let reach = [0, 1].map(|side| &each.channels[side].reach);
        let joint = |n: usize| 0.5 * (reach[0][n].objective_db2 + reach[1][n].objective_db2);
        assert!((1..reach[0].len()).all(|n| joint(n) <= joint(n - 1) + 1e-12));
    }
}

#[test]
fn more_effort_is_never_worse() {
    let four = fits::without_steps().with_sections(4).unwrap();
    for seed in 1..=3 {
        let [left, right] = rich(seed);
        // The longest takes some seconds.
        let efforts = if seed == 1 { 3 } else { 2 };
        let objective_db2 = Effort::ALL[..efforts].iter().map(|&effort| {
            let request = FitRequest {
                effort,
                ..request(&left, &right, 0.4, &four)
            };
            fits::run_per_side(&request).unwrap().shared.objective_db2
        });
        let objective_db2: Vec<f64> = objective_db2.collect();
        assert!(
            objective_db2.is_sorted_by(|a, b| a >= b),
            "{seed}: {objective_db2:?}"
        );
    }
}

#[test]
fn residuals_of_two_sides_are_those_of_the_definition() {
    let [left, right] = unlike();
    let f_hz: Vec<f64> = (0..40).map(|i| 25.0 * 1.17f64.powi(i)).collect();
    let weight: Vec<f64> = (0..40).map(|i| f64::from(i % 7)).collect();
    let wanted = [0.0, 3.0].map(|by| f_hz.iter().map(|f| by + f.ln().sin()).collect::<Vec<_>>());
    let found = channels_rms(
        &[&left, &right],
        48e3,
        &f_hz,
        &weight,
        &[&wanted[0], &wanted[1]],
    );
    let e = |side: usize, i: usize| {
        let sections = [&left, &right][side];
        cascade::level_db(sections, 48e3, f_hz[i]) - wanted[side][i]
    };
    let total: f64 = weight.iter().map(|w| w * w).sum();
    let over =
        |of: &dyn Fn(usize) -> f64| (0..40).map(|i| weight[i].powi(2) * of(i)).sum::<f64>() / total;
    let means = [over(&|i| e(0, i)), over(&|i| e(1, i))];
    let c = -0.5 * (means[0] + means[1]);
    let squares = [0, 1].map(|side| over(&|i| (e(side, i) + c).powi(2)));
    for (found, square) in found.channels_db.iter().zip(squares) {
        assert!((found - square.sqrt()).abs() < 1e-12);
    }
    let together = (0.5 * (squares[0] + squares[1])).sqrt();
    assert!((found.together_db - together).abs() < 1e-12);
    assert!((found.difference_db - (means[0] - means[1])).abs() < 1e-12);
}

#[test]
fn taste_alone_changes_both_sides_alike_and_leaves_their_difference() {
    let [left, right] = unlike();
    let mut request = request(&left, &right, 2.0, &fits::without_steps());
    request.target = None;
    request.contours = vec![Contour::bass(3.0).unwrap()];
    let outcome = fits::run_per_side(&request).unwrap();
    let [l, r] = sections(&outcome);
    assert_eq!(l, r);
    // It is what both are given together.
    let one = fits::run(&request).unwrap();
    assert_eq!(l, one.channels[0].sections);
    assert_eq!(l.len(), 1);
    // Each side's own measurement is its base, so there is nothing between them to be mended.
    assert!(level_difference(&outcome).before_db.abs() < 1e-9);
    assert!(outcome.shared.residual.after.weighted_db < 1e-6);
}

#[test]
fn the_answer_does_not_depend_on_threads() {
    let [left, right] = rich(9);
    let request = request(&left, &right, 0.2, &fits::without_steps());
    let many = fits::run_per_side(&request).unwrap();
    let one_thread = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .unwrap();
    let one = one_thread.install(|| fits::run_per_side(&request)).unwrap();
    assert_eq!(format!("{many:?}"), format!("{one:?}"));
}

#[test]
fn sides_that_are_not_both_known_are_an_error_that_says_how_to_name_them() {
    let [left, right] = unlike();
    let good = request(&left, &right, 0.0, &fits::without_steps());
    let with_sides = |sides: [Side; 2]| {
        let mut request = good.clone();
        for (take, side) in request.takes.iter_mut().zip(sides) {
            take.side = side;
        }
        fits::run_per_side(&request).unwrap_err()
    };
    for (sides, source) in [
        ([Side::Unknown, Side::Unknown], "left"),
        ([Side::Left, Side::Unknown], "right"),
        ([Side::Left, Side::Left], "an invented pair"),
        ([Side::Right, Side::Right], "an invented pair"),
    ] {
        let error = with_sides(sides);
        assert_eq!(error.kind, ErrorKind::Setting);
        assert_eq!(error.place.source, source);
        let named = error.worded(&|knob| format!("<{knob}>"));
        assert!(named.next_step.contains("<left> FILE and <right> FILE"));
    }
}

#[test]
fn a_pair_that_has_what_is_wanted_is_refused() {
    let error = fits::run_per_side(&request(&[], &[], 0.0, &fits::without_steps())).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Refused);
}

#[test]
fn a_sheet_names_the_side_of_every_part_and_reads_back() {
    let [left, right] = rich(3);
    let pocket = std::fs::read(demo("pocket-eight.limits.toml")).unwrap();
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("sheets");
    std::fs::create_dir_all(&folder).unwrap();
    for (name, right, limits) in [
        ("continuous", right.clone(), fits::without_steps()),
        ("pocket", right, Limits::parse(&pocket, "pocket").unwrap()),
        ("left-only", vec![], fits::without_steps()),
    ] {
        let outcome = fits::run_per_side(&request(&left, &right, 0.0, &limits)).unwrap();
        let sheet = Sheet::from_outcome(&outcome, &limits).unwrap();
        assert!(sheet.is_per_side());
        let text = sheet::write(&sheet).unwrap();
        assert!(text.is_ascii());
        assert_eq!(sheet::read(text.as_bytes(), "a sheet").unwrap(), sheet);
        for deviation in sheet::recompute(&sheet) {
            assert!(deviation.worst_db() < 1e-4, "{deviation:?}");
        }
        for (channel, of_side) in sheet.channels.iter().zip(sections(&outcome)) {
            assert_eq!(channel.sections, of_side);
        }
        let document: toml::Table = text.parse().unwrap();
        for key in ["section", "checkpoint", "coefficients"] {
            for part in document[key].as_array().unwrap() {
                let side = part["side"].as_str().unwrap();
                assert!(["left", "right"].contains(&side), "{key}");
            }
        }
        assert!(text.contains("The preamp is one for both sides"));
        assert!(!text.contains("the\n#       same for left and right"));
        std::fs::write(folder.join(format!("per-side-{name}.sheet.toml")), text).unwrap();
    }
}

#[test]
fn a_sheet_in_which_a_part_lost_its_side_is_refused_with_its_line() {
    let [left, right] = unlike();
    let limits = fits::without_steps();
    let outcome = fits::run_per_side(&request(&left, &right, 0.0, &limits)).unwrap();
    let text = sheet::write(&Sheet::from_outcome(&outcome, &limits).unwrap()).unwrap();
    let count = text.matches("\nside = \"").count();
    let line_starts: Vec<usize> = text
        .match_indices("\nside = \"")
        .map(|(at, _)| at + 1)
        .collect();
    assert!(count > 12);
    for at in line_starts {
        let end = at + text[at..].find('\n').unwrap() + 1;
        let without = format!("{}{}", &text[..at], &text[end..]);
        let error = sheet::read(without.as_bytes(), "a sheet").unwrap_err();
        assert!(error.place.line.is_some() && error.place.key.is_some());
        let centre = text[at..end]
            .replace("left", "centre")
            .replace("right", "centre");
        let wrong = format!("{}{centre}{}", &text[..at], &text[end..]);
        let error = sheet::read(wrong.as_bytes(), "a sheet").unwrap_err();
        assert_eq!(error.kind, ErrorKind::Name);
        // A section on the other side belies coefficients or checkpoints, or there are two of one kind.
        let swap = match &text[at..end] {
            line if line.contains("left") => line.replace("left", "right"),
            line => line.replace("right", "left"),
        };
        let swapped = format!("{}{swap}{}", &text[..at], &text[end..]);
        assert!(sheet::read(swapped.as_bytes(), "a sheet").is_err(), "{at}");
    }
}

fn demo(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo-data")
        .join(file)
}

fn program(arguments: &[&str]) -> std::process::Output {
    Command::cargo_bin("bandwright")
        .unwrap()
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data"))
        .args(arguments)
        .output()
        .unwrap()
}

#[test]
fn the_program_fits_each_side_of_the_ill_matched_pair() {
    let folder = tempfile::TempDir::new().unwrap();
    let [sheet_path, plot_path] = ["a.sheet.toml", "a.svg"].map(|name| folder.path().join(name));
    let common = [
        "fit",
        "dunlin/dunlin.unit.toml",
        "--target",
        "diffuse-field",
        "--effort",
        "quick",
    ];
    let output = program(
        &[
            &common[..],
            &[
                "--per-side",
                "--json",
                "-o",
                sheet_path.to_str().unwrap(),
                "--plot",
                plot_path.to_str().unwrap(),
            ],
        ]
        .concat(),
    );
    assert!(output.status.success());
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    let text = std::fs::read(sheet_path).unwrap();
    let sheet = sheet::read(&text, "a.sheet.toml").unwrap();
    let number = |value: &Value| value.as_f64().unwrap();
    let sides = document["sides"].as_array().unwrap();
    assert_eq!(sides.len(), 2);
    assert!(document.get("sections").is_none());
    let mut square = 0.0;
    for ((side, name), channel) in sides.iter().zip(["left", "right"]).zip(&sheet.channels) {
        assert_eq!(side["side"], name);
        let told = side["sections"].as_array().unwrap();
        assert_eq!(told.len(), channel.sections.len());
        for (told, section) in told.iter().zip(&channel.sections) {
            for (key, value) in serde_json::to_value(section).unwrap().as_object().unwrap() {
                assert_eq!(&told[key], value);
            }
            assert_eq!(told["kept"], false);
            assert_eq!(told["device_q"], Value::Null);
        }
        for take in side["takes"].as_array().unwrap() {
            assert!(take.as_str().unwrap().contains(name));
        }
        assert_eq!(side["takes"].as_array().unwrap().len(), 3);
        square += 0.5 * number(&side["residual"]["after"]["weighted_db"]).powi(2);
        let length = side["curves"]["frequency_hz"].as_array().unwrap().len();
        assert_eq!(
            side["curves"]["equalised_db"].as_array().unwrap().len(),
            length
        );
    }
    let together = number(&document["residual"]["after"]["weighted_db"]);
    assert!((square.sqrt() - together).abs() < 1e-3);
    assert_eq!(
        number(&document["headroom"]["preamp_db"]),
        sheet.level.preamp_db
    );
    assert_eq!(document["takes"].as_array().unwrap().len(), 6);
    assert_eq!(document["set_aside"].as_array().unwrap().len(), 4);
    let plot = std::fs::read_to_string(plot_path).unwrap();
    for words in [
        "measured, left",
        "measured, right",
        "sections, left",
        "sections, right",
    ] {
        assert!(plot.contains(words), "{words}");
    }
    // One EQ for both cannot do as well where sides are ill matched.
    let one = program(&[&common[..], &["--json"]].concat());
    let one: Value = serde_json::from_slice(&one.stdout).unwrap();
    assert!(one.get("sides").is_none() && one.get("level_difference").is_none());
}

#[test]
fn one_eq_for_both_is_what_the_library_gives_and_names_no_side() {
    let folder = tempfile::TempDir::new().unwrap();
    let path = folder.path().join("one.sheet.toml");
    let output = program(&[
        "fit",
        "fieldfare-wool/left-1.csv",
        "fieldfare-wool/right-1.csv",
        "--bass",
        "3",
        "--quiet",
        "-o",
        path.to_str().unwrap(),
    ]);
    assert!(output.status.success());
    let written = std::fs::read_to_string(path).unwrap();
    let opened = ["left-1.csv", "right-1.csv"].map(|file| {
        let name = format!("fieldfare-wool/{file}");
        let bytes = std::fs::read(demo(&name)).unwrap();
        let curve = bandwright::measurement::parse::parse_curve(&bytes, &name).unwrap();
        Take {
            side: bandwright::measurement::takes::side_from_name(&name),
            on_grid: grid::resample(&curve).unwrap(),
            // Without its folder, as the program names it.
            name: file.to_owned(),
        }
    });
    let request = FitRequest {
        contours: vec![Contour::bass(3.0).unwrap()],
        this_ear: false,
        as_good_db: AS_GOOD_DB,
        least_gain_db: Some(LEAST_GAIN_DB),
        ..FitRequest::new("fieldfare-wool", opened.to_vec(), Limits::standard())
    };
    let outcome = fits::run(&request).unwrap();
    let sheet = Sheet::from_outcome(&outcome, &request.limits).unwrap();
    assert_eq!(sheet::write(&sheet).unwrap(), written);
    assert!(!written.contains("\nside"));
    assert!(written.contains("same for left and right"));
    assert!(!sheet.is_per_side());
}

#[test]
fn sides_that_are_not_known_end_the_program_with_status_2() {
    for (curves, found) in [
        (&["fieldfare-wool/average.csv"][..], "unknown side"),
        (
            &["fieldfare-wool/left-1.csv", "fieldfare-wool/left-2.csv"],
            "no take of the right side",
        ),
    ] {
        let output = program(&[&["fit", "--bass", "3", "--per-side"], curves].concat());
        assert_eq!(output.status.code(), Some(2));
        let message = String::from_utf8(output.stderr).unwrap();
        assert!(message.contains(found), "{message}");
        assert!(message.contains("--right FILE"), "{message}");
    }
    // Named by the options, the same file serves.
    let output = program(&[
        "fit",
        "--bass",
        "3",
        "--per-side",
        "--left",
        "fieldfare-wool/average.csv",
        "--right",
        "fieldfare-mesh/average.csv",
        "--quiet",
    ]);
    assert!(output.status.success());
}

#[test]
fn searches_of_the_other_side_are_no_evidence() {
    let [left, right] = unlike();
    let mut outcome =
        fits::run_per_side(&request(&left, &right, 0.5, &fits::without_steps())).unwrap();
    for (agreeing, doubted) in [([2, 2], true), ([8, 1], true), ([3, 3], false)] {
        for (side, agreeing) in outcome.channels.iter_mut().zip(agreeing) {
            let search = &mut side.search;
            (search.agreeing, search.exact, search.enough) = (agreeing, false, false);
        }
        outcome.shared.search.agreeing = agreeing.iter().sum();
        let text = fit_text(&outcome, &[], &[]);
        let words: Vec<&str> = text.split_whitespace().collect();
        let says = words.join(" ").contains("A better answer is possible");
        assert_eq!(says, doubted, "{agreeing:?}");
    }
}

#[test]
fn the_text_tells_the_preamp_once_and_both_sides_in_order() {
    let [left, right] = unlike();
    let outcome = fits::run_per_side(&request(&left, &right, 0.5, &fits::without_steps())).unwrap();
    let text = fit_text(&outcome, &[], &[]);
    assert_eq!(text.matches("Gain before the sections").count(), 1);
    let places = [
        "one EQ for each side",
        "Left side: sections",
        "Right side: sections",
        "Gain before the sections, the same on both sides",
        "Residual",
        "  left side ",
        "  right side ",
        "Reach",
        "How sure",
        "Left, 1 take: left",
    ]
    .map(|words| {
        text.find(words)
            .unwrap_or_else(|| panic!("{words}\n{text}"))
    });
    assert!(places.is_sorted(), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 100));
    let json = fit_json(&outcome, &[], &[], option_names::typed);
    assert!(serde_json::from_str::<Value>(&json).is_ok());
    let picture = fit_plot(&outcome, grid::frequency_hz());
    assert_eq!(picture.matches("<clipPath").count(), 2);
    std::fs::write(
        Path::new(env!("CARGO_TARGET_TMPDIR")).join("fit-per-side.svg"),
        picture,
    )
    .unwrap();
}
