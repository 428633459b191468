//! A wish for little loss of loudness: the best fit that keeps to it, and what more would buy.

use crate::support::fits::{self, FitRequest};
use assert_cmd::Command;
use bandwright::caution::Caution;
use bandwright::cost::heard::Heard;
use bandwright::cost::loudness::{loudness_change, loudness_change_of_channels};
use bandwright::cost::programme::Programme;
use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::Effort;
use bandwright::fit::residual::weighted_rms_db;
use bandwright::headroom::headroom;
use bandwright::job::Outcome;
use bandwright::limits::Limits;
use bandwright::measurement::grid::{self, OnGrid};
use bandwright::measurement::judge::Settings;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take};
use bandwright::wanted::library;

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

fn rate_hz() -> f64 {
    Limits::standard().rates_hz[0]
}

fn wanted_db(by: &[Section]) -> Vec<f64> {
    cascade::levels_db(by, rate_hz(), grid::frequency_hz())
}

/// A fit of a curve that `by` would make flat, believed everywhere.
fn request(by: &[Section], most_loss_db: Option<f64>) -> FitRequest {
    let take = |side| Take {
        name: format!("{side:?}"),
        side,
        on_grid: OnGrid {
            level_db: wanted_db(by).iter().map(|db| -db).collect(),
            support: 0..grid::POINTS,
        },
    };
    FitRequest {
        judging: Settings {
            rig: Rig::Flat,
            ..Settings::default()
        },
        target: Some(library::resolve("flat", &|_: &std::path::Path| unreachable!()).unwrap()),
        most_loudness_loss_db: most_loss_db,
        effort: Effort::Quick,
        ..FitRequest::new(
            "an invented unit",
            vec![take(Side::Left), take(Side::Right)],
            Limits::standard(),
        )
    }
}

fn two_hills() -> [Section; 3] {
    [
        section(Shape::LowShelf, 110.0, 5.5, 0.6),
        section(Shape::Peaking, 900.0, -3.0, 0.8),
        section(Shape::Peaking, 5200.0, 4.5, 1.4),
    ]
}

/// Pink noise as it is heard through the unit, all channels together.
fn loss_db(outcome: &Outcome) -> f64 {
    let unit = OnGrid {
        level_db: outcome.channels[0].curves.expected_db.clone(),
        support: 0..grid::POINTS,
    };
    let heard = Heard::new(&unit, &Rig::Flat, &Programme::pink(), rate_hz()).unwrap();
    let channels = outcome.channels.iter();
    let channels: Vec<&[Section]> = channels.map(|side| side.sections.as_slice()).collect();
    -heard
        .change(&channels, rate_hz(), outcome.shared.headroom.preamp_db)
        .total_db
}

#[test]
fn no_fit_loses_more_than_was_wished_and_a_stricter_wish_leaves_more() {
    let by = two_hills();
    let free = fits::run(&request(&by, None)).unwrap();
    let free_loss_db = loss_db(&free);
    assert!(free_loss_db > 3.0, "{free_loss_db}");
    assert_eq!(free.shared.loudness_wish, None);
    let mut last_db = free.shared.residual.after.weighted_db;
    for most_loss_db in [3.0, 2.0, 1.0, 0.5] {
        let outcome = fits::run(&request(&by, Some(most_loss_db))).unwrap();
        assert!(loss_db(&outcome) <= most_loss_db + 1e-9);
        assert!((loss_db(&outcome) + outcome.shared.heard.total_db).abs() < 1e-9);
        let limits = Limits::standard();
        let own = headroom(
            &outcome.channels[0].sections,
            &limits.rates_hz,
            &limits.preamp_db,
        )
        .unwrap();
        assert_eq!(outcome.shared.headroom, own);
        let residual_db = outcome.shared.residual.after.weighted_db;
        assert!(residual_db > last_db, "{most_loss_db}: {residual_db}");
        assert!(residual_db < outcome.shared.residual.before.weighted_db);
        last_db = residual_db;
        let wish = outcome.shared.loudness_wish.unwrap();
        assert_eq!(wish.most_loss_db, most_loss_db);
        assert!((wish.without.loudness_loss_db - free_loss_db).abs() < 1e-9);
        let named = outcome
            .shared
            .cautions
            .iter()
            .filter(|caution| matches!(caution, Caution::LoudnessBound { .. }));
        assert_eq!(named.count(), 1);
    }
}

#[test]
fn a_wish_that_the_best_fit_meets_changes_nothing() {
    let by = two_hills();
    let free = fits::run(&request(&by, None)).unwrap();
    let wished = fits::run(&request(&by, Some(20.0))).unwrap();
    assert_eq!(wished.channels, free.channels);
    assert_eq!(wished.shared.cautions, free.shared.cautions);
    assert!(wished.shared.loudness_wish.unwrap().trade_off.len() > 3);
}

#[test]
fn the_trade_off_rises_in_loss_and_falls_in_residual_and_no_answer_is_worse_than_it() {
    let by = two_hills();
    let outcome = fits::run(&request(&by, Some(1.5))).unwrap();
    let wish = outcome.shared.loudness_wish.as_ref().unwrap();
    assert!(wish.trade_off.len() > 6);
    for pair in wish.trade_off.windows(2) {
        assert!(pair[0].loudness_loss_db <= pair[1].loudness_loss_db);
        assert!(pair[0].residual_db > pair[1].residual_db);
    }
    let last = wish.trade_off.last().unwrap();
    assert!(last.residual_db <= wish.without.residual_db);
    let affordable = wish.trade_off.iter().rev();
    let best = affordable
        .clone()
        .find(|point| point.loudness_loss_db <= 1.5)
        .unwrap();
    // J decides, of which the residual is all but a little.
    assert!(outcome.shared.residual.after.weighted_db <= best.residual_db * 1.02);
}

#[test]
fn it_is_better_than_turning_the_wanted_shelf_down() {
    let by = [section(Shape::LowShelf, 90.0, 6.0, 0.6)];
    let (pink, limits) = (Programme::pink(), Limits::standard());
    let wanted_db = wanted_db(&by);
    let weight = vec![1.0; grid::POINTS];
    for most_loss_db in [1.0, 2.0, 3.5] {
        let outcome = fits::run(&request(&by, Some(most_loss_db))).unwrap();
        // The best single shelf of the wanted form that loses no more.
        let residual_db = (0..=600)
            .map(|step| [section(Shape::LowShelf, 90.0, f64::from(step) * 0.01, 0.6)])
            .filter(|one| {
                let headroom = headroom(one, &limits.rates_hz, &limits.preamp_db).unwrap();
                let change = loudness_change(one, rate_hz(), headroom.preamp_db, &pink).unwrap();
                -change.total_lu <= most_loss_db
            })
            .map(|one| weighted_rms_db(&one, rate_hz(), grid::frequency_hz(), &weight, &wanted_db))
            .fold(f64::INFINITY, f64::min);
        let own_db = outcome.shared.residual.after.weighted_db;
        assert!(
            own_db < residual_db,
            "{most_loss_db}: {own_db} {residual_db}"
        );
    }
}

#[test]
fn both_sides_count_together() {
    let asked = request(&two_hills(), Some(1.5));
    let outcome = fits::run_per_side(&asked).unwrap();
    let channels = outcome.channels.iter();
    let channels: Vec<&[Section]> = channels.map(|side| side.sections.as_slice()).collect();
    let preamp_db = outcome.shared.headroom.preamp_db;
    let change =
        loudness_change_of_channels(&channels, rate_hz(), preamp_db, &Programme::pink()).unwrap();
    assert_eq!(change, outcome.shared.loudness);
    assert!((loss_db(&outcome) + outcome.shared.heard.total_db).abs() < 1e-9);
    assert!(loss_db(&outcome) <= 1.5 + 1e-9);
    let wish = outcome.shared.loudness_wish.unwrap();
    assert!(wish.without.loudness_loss_db > 1.5);
    let mut cautions = outcome.shared.cautions.iter();
    assert!(cautions.any(|caution| matches!(caution, Caution::LoudnessBound { .. })));
}

#[test]
fn where_nothing_that_helps_is_as_loud_the_answer_is_no() {
    let by = [section(Shape::LowShelf, 90.0, 6.0, 0.6)];
    let error = fits::run(&request(&by, Some(0.0))).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Refused);
    assert!(error.found().contains("0 dB quieter"), "{error}");
    for wrong in ["-1", "61", "NaN", "loud"] {
        let run = Command::cargo_bin("bandwright")
            .unwrap()
            .args(["fit", "x.csv", "--bass", "3", "--max-loudness-loss", wrong])
            .output()
            .unwrap();
        assert_eq!(run.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&run.stderr).contains("--max-loudness-loss"));
    }
}
