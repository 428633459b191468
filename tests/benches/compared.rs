//! `cargo bench --bench compared` asks whether comparisons of units tell the truth.
//!
//! The units are those of `tests/support/listeners.rs`, invented, toward the diffuse field of ITU-T P.58. `-- split=N`
//! compares N units with themselves, eight seatings a side split in two; `-- cover=N` counts how often intervals hold the
//! value of the long run; `-- planted=N` has N units for each size of a planted fault, and `-- strain=N` of planted distortion.
//! Without any, all four. `from=N` takes other units for `cover`.

#[path = "../support/mod.rs"]
mod support;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Instant;

use bandwright::comparison::band::{self, Band};
use bandwright::comparison::figures::UnitFigures;
use bandwright::comparison::{Comparison, Figure, Tally, compare};
use bandwright::filter::cascade;
use bandwright::fit::{Effort, Stop};
use bandwright::job::cost::Circumstances;
use bandwright::job::{Measured, Opened, Prepared, Wish};
use bandwright::limits::Limits;
use bandwright::measurement::distorted::{DistortionCurve, read_distortion};
use bandwright::measurement::grid::frequency_hz;
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take};
use bandwright::measurement::unit_file::{DistortionEntry, FileEntry};
use bandwright::wanted::library;
use rayon::prelude::*;
use support::listeners::{Faults, Seatings};

fn opened(name: &str, takes: Vec<Take>) -> Opened {
    let no_files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
    let target = library::resolve("diffuse-field", &no_files).unwrap();
    Opened {
        measured: Measured::new(name, takes),
        wish: Wish::toward(target),
        limits: Limits::standard(),
        circumstances: None,
    }
}

fn compared(units: Vec<(&str, Vec<Take>)>) -> Comparison {
    compared_within(8, units)
}

/// With so many sections at most: what owes nothing to the fit is found sooner with few.
fn compared_within(sections: usize, units: Vec<(&str, Vec<Take>)>) -> Comparison {
    let limits = Limits::standard().with_sections(sections).unwrap();
    let units: Vec<Opened> = units
        .into_iter()
        .map(|(name, takes)| Opened {
            limits: limits.clone(),
            ..opened(name, takes)
        })
        .collect();
    compare(&units, &Stop::default(), &Tally::default()).unwrap()
}

fn diffuse_db() -> Vec<f64> {
    let no_files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
    let target = library::resolve("diffuse-field", &no_files).unwrap();
    target.level_on_grid(48_000.0).level_db
}

/// Every other take of each side.
fn half(takes: &[Take], odd: bool) -> Vec<Take> {
    let of_half = |(index, _): &(usize, &Take)| (index % 2 == 1) == odd;
    let takes = takes.iter().enumerate().filter(of_half);
    takes.map(|(_, take)| take.clone()).collect()
}

fn split(units: u64, _: u64) {
    let diffuse_db = &diffuse_db();
    let verdicts: Vec<bool> = (0..units)
        .into_par_iter()
        .map(|index| {
            let takes = Seatings::of_unit(index, Faults::USUAL, diffuse_db).takes(8);
            let halves = vec![("one", half(&takes, false)), ("other", half(&takes, true))];
            compared(halves).verdict.best.is_some()
        })
        .collect();
    let named = verdicts.iter().filter(|named| **named).count();
    println!("split: {units} units against themselves, a half named better: {named}");
}

/// The value of the long run and whether the interval holds it.
#[derive(Default)]
struct Held {
    held: usize,
    of: usize,
    width_db: f64,
}

impl Held {
    fn add(&mut self, figure: &Figure, truth_db: f64) {
        // Where takes were set aside, fewer than three can be left on a side.
        let Some((low_db, high_db)) = figure.interval_db else {
            return;
        };
        self.held += usize::from((low_db..=high_db).contains(&truth_db));
        self.of += 1;
        self.width_db += high_db - low_db;
    }

    fn words(&self) -> String {
        let percent = 100.0 * self.held as f64 / self.of as f64;
        let width_db = self.width_db / self.of as f64;
        format!(
            "{percent:.1} % of {} (mean width {width_db:.2} dB)",
            self.of
        )
    }
}

/// Steadiness, sides and loudness of a unit in the long run, dB: the fit to many seatings, judged on as many that it has not
/// seen.
fn long_run(unit: &mut Seatings) -> [f64; 3] {
    // A side is judged by ever fewer pairs beyond this.
    const MANY: usize = 24;
    let long = opened("long", unit.takes(MANY));
    let prepared = Prepared::new(long.measured).unwrap();
    let outcome = prepared
        .fit(&long.wish, &long.limits, Effort::Normal, &Stop::default())
        .unwrap();
    let judged = prepared.judged();
    let distorted_hz = band::distorted_hz(judged, &Rig::default());
    let curves = &outcome.shared.curves;
    let band = Band::new(&curves.support, distorted_hz.as_slice(), None);
    let rate_hz = long.limits.rates_hz[0];
    let sections_db = cascade::levels_db(&outcome.channels[0].sections, rate_hz, frequency_hz());
    let target_db = &outcome.channels[0].curves.target_db;
    let unseen = unit.takes(MANY);
    let logs = unseen.iter().map(|take| {
        let error_db = band::error_db(&take.on_grid, &sections_db, target_db);
        band::rms_db(&error_db, &band.points).unwrap().ln()
    });
    let steadiness_db = (logs.sum::<f64>() / unseen.len() as f64).exp();
    let sides_db = judged.matching.as_ref().unwrap().rms_db;
    [steadiness_db, sides_db, -outcome.shared.heard.total_db]
}

fn cover(units: u64, from: u64) {
    let diffuse_db = &diffuse_db();
    let found: Vec<(UnitFigures, [f64; 3])> = (0..units)
        .into_par_iter()
        .map(|index| {
            let faults = Faults {
                dip_db: if index % 3 == 2 { 6.0 } else { 0.0 },
                ..Faults::USUAL
            };
            let mut unit = Seatings::of_unit(1000 + from + index, faults, diffuse_db);
            let a_side = 4 + index as usize % 3;
            let (takes, other) = (unit.takes(a_side), unit.takes(2));
            let few = compared(vec![("few", takes), ("other", other)]);
            (few.units[0].found.clone().unwrap(), long_run(&mut unit))
        })
        .collect();
    let mut held = [Held::default(), Held::default(), Held::default()];
    for (few, truth) in &found {
        let left_out = |unit: &UnitFigures| unit.steadiness.as_ref().unwrap().left_out;
        let apart = |unit: &UnitFigures| unit.sides.as_ref().unwrap().apart;
        held[0].add(&left_out(few), truth[0]);
        held[1].add(&apart(few), truth[1]);
        held[2].add(&few.loudness.lost, truth[2]);
    }
    let [steadiness, sides, loudness] = held.map(|held| held.words());
    println!(
        "cover: {units} units, four to six seatings a side; 90 % intervals hold the long run's value:"
    );
    println!("  steadiness {steadiness}, sides {sides}, loudness {loudness}");
}

/// Means of the figures that faults of three sizes raise, over so many units a size, beside the planted value where one is
/// defined.
fn planted(units: u64, _: u64) {
    let diffuse_db = &diffuse_db();
    type Of<'a> = &'a (dyn Fn(&UnitFigures) -> Option<f64> + Sync);
    type Truth<'a> = Option<&'a (dyn Fn(&Seatings) -> f64 + Sync)>;
    let sizes =
        |label: &str, sections: usize, faults: [Faults; 3], truth: Truth<'_>, of: Of<'_>| {
            let means = faults.map(|faults| {
                let found: Vec<(Option<f64>, f64)> = (0..units)
                    .into_par_iter()
                    .map(|index| {
                        let mut unit = Seatings::of_unit(2000 + index, faults, diffuse_db);
                        let truth = truth.map_or(0.0, |truth| truth(&unit));
                        let units = vec![("unit", unit.takes(5)), ("other", unit.takes(1))];
                        let found = compared_within(sections, units);
                        (of(found.units[0].found.as_ref().unwrap()), truth)
                    })
                    .collect();
                let known: Vec<(f64, f64)> = found
                    .into_iter()
                    .filter_map(|(figure, truth)| Some((figure?, truth)))
                    .collect();
                let count = known.len() as f64;
                let figure = known.iter().map(|(figure, _)| figure).sum::<f64>() / count;
                let truth = known.iter().map(|(_, truth)| truth).sum::<f64>() / count;
                (figure, truth)
            });
            let words = means.map(|(figure, planted)| match truth {
                Some(_) => format!(
                    "{figure:.3} of {planted:.3} ({:+.0} %)",
                    100.0 * (figure / planted - 1.0)
                ),
                None => format!("{figure:.3}"),
            });
            println!("planted, {label}: {}", words.join(", "));
        };
    let with = |change: &dyn Fn(&mut Faults, f64), values: [f64; 3]| {
        values.map(|value| {
            let mut faults = Faults::USUAL;
            change(&mut faults, value);
            faults
        })
    };
    sizes(
        "humps of a side up to 1.2, 2.4, 5 dB, sides",
        1,
        with(&|faults, db| faults.sides_db = db, [1.2, 2.4, 5.0]),
        Some(&|unit| unit.sides_apart_db()),
        &|unit| Some(unit.sides.as_ref()?.apart.value_db),
    );
    sizes(
        "bass of seatings 0.2, 0.5, 1 dB, spread at 20-100 Hz",
        1,
        with(&|faults, db| faults.bass_db = db, [0.2, 0.5, 1.0]),
        Some(&|unit| unit.bass_spread_db()),
        &|unit| unit.seal.spread_db,
    );
    sizes(
        "a wandering dip of 0, 4, 8 dB, steadiness",
        8,
        with(&|faults, db| faults.dip_db = db, [0.0, 4.0, 8.0]),
        None,
        &|unit| Some(unit.steadiness.as_ref()?.left_out.value_db),
    );
}

/// The mean strain that three sizes of planted distortion give.
fn strain(units: u64, _: u64) {
    let diffuse_db = &diffuse_db();
    let strain = [0.3, 1.0, 3.0].map(|percent| {
        let found: Vec<f64> = (0..units)
            .into_par_iter()
            .filter_map(|index| {
                let mut seatings = Seatings::of_unit(2000 + index, Faults::USUAL, diffuse_db);
                let mut unit = opened("unit", seatings.takes(1));
                unit.limits = unit.limits.with_sections(3).unwrap();
                let curves = [(80.0, percent), (110.0, 2.0 * percent)];
                unit.circumstances = Some(Circumstances {
                    distortion: curves.map(|(spl, percent)| distorted(spl, percent)).into(),
                    ..Circumstances::default()
                });
                let mut other = opened("other", seatings.takes(1));
                other.limits = unit.limits.clone();
                let found = compare(&[unit, other], &Stop::default(), &Tally::default()).unwrap();
                found.units[0].found.as_ref().unwrap().strain.percent
            })
            .collect();
        found.iter().sum::<f64>() / found.len() as f64
    });
    println!(
        "planted, distortion of 0.3, 1, 3 % at 80 dB SPL and twice that at 110, strain: {:.2}, {:.2}, {:.2} %",
        strain[0], strain[1], strain[2]
    );
}

/// So much distortion at all frequencies.
fn distorted(level_db_spl: f64, percent: f64) -> DistortionCurve {
    let text = format!("frequency_hz,distortion_percent\n20,{percent}\n20000,{percent}\n");
    let entry = DistortionEntry {
        file: FileEntry {
            file: "distortion.csv".to_owned(),
            line: 1,
            key: "distortion[1].file".to_owned(),
        },
        level_db_spl,
        side: Side::Unknown,
    };
    read_distortion(text.as_bytes(), "distortion.csv", &entry).unwrap()
}

fn main() {
    let asked: BTreeMap<String, u64> = std::env::args()
        .filter_map(|word| {
            let (name, value) = word.split_once('=')?;
            Some((name.to_owned(), value.parse().ok()?))
        })
        .collect();
    type Part = (&'static str, u64, fn(u64, u64));
    let parts: [Part; 4] = [
        ("split", 100, split),
        ("cover", 200, cover),
        ("planted", 100, planted),
        ("strain", 100, strain),
    ];
    for (name, usual, run) in parts {
        if asked.is_empty() || asked.contains_key(name) {
            let start = Instant::now();
            let from = asked.get("from").copied().unwrap_or(0);
            run(asked.get(name).copied().unwrap_or(usual), from);
            println!("  ({:.0} s)", start.elapsed().as_secs_f64());
        }
    }
}
