//! `cargo bench --bench listeners` asks what presets do for listeners whose ears the fit has not seen.
//!
//! Each of the invented units of `tests/support/listeners.rs` is fitted from eight takes in one coupler, toward two
//! targets, and then heard with ears whose resonance lies elsewhere. `-- units=N` takes the first N units, `only=N` the method of that number
//! beside no EQ, `least=DB` another least gain of a section, `economy=WEIGHT` another weight of the economy term, `peaks` what it gains to know where one's own resonance lies.

#[path = "../support/mod.rs"]
mod support;

use std::collections::BTreeMap;
use std::path::PathBuf;

use bandwright::cost::weighting::a_db;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::residual::economy_ratio_of_channels;
use bandwright::fit::search::shelf_reading::other_readings;
use bandwright::fit::{Effort, Stop};
use bandwright::headroom::{Protection, guarded};
use bandwright::job::{ECONOMY, LEAST_GAIN_DB, Measured, Prepared, Wish};
use bandwright::limits::Limits;
use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};
use bandwright::measurement::rig::Rig;
use bandwright::measurement::takes::{Side, Take};
use bandwright::wanted::{Target, library};
use rayon::prelude::*;
use support::listeners::{self, Unit, heard_error_db, loudness_change_db};

const WHOLE_HZ: (f64, f64) = (100.0, 16_000.0);
const TREBLE_HZ: (f64, f64) = (6000.0, 16_000.0);

/// What a preset does for the listeners of one unit.
#[derive(Clone, Default)]
struct Heard {
    sections: f64,
    whole_db: Vec<f64>,
    treble_db: Vec<f64>,
    loss_db: f64,
    waste_db: f64,
    /// How much louder the loudest other reading of the shelves that the limits allow plays, where it is heard, dB.
    louder_db: f64,
    preamp_db: f64,
    economy_ratio: f64,
    /// Peaking sections above the trusted band, and narrow boosts where the takes disagree.
    against_rules: usize,
}

fn heard(unit: &Unit, sections: &[Section], target_db: &[f64], diffuse_db: &[f64]) -> Heard {
    let limits = Limits::standard();
    let rate_hz = limits.rates_hz[0];
    let at = |f_hz: &f64| cascade::level_db(sections, rate_hz, *f_hz);
    let eq_db: Vec<f64> = frequency_hz().iter().map(at).collect();
    let headroom = guarded(
        sections,
        &limits.rates_hz,
        &limits.preamp_db,
        Protection::default(),
    )
    .expect("the standard preamp reaches far");
    let errors = |band_hz| {
        let error = |ear: &OnGrid| heard_error_db(ear, &eq_db, target_db, band_hz);
        unit.ears.iter().map(error).collect::<Vec<f64>>()
    };
    let loss_db = |sections: &[Section]| {
        let eq_db = cascade::levels_db(sections, rate_hz, frequency_hz());
        let headroom = guarded(
            sections,
            &limits.rates_hz,
            &limits.preamp_db,
            Protection::default(),
        )
        .ok()?;
        Some(-loudness_change_db(
            &unit.expected.level_db,
            &eq_db,
            headroom.preamp_db,
            diffuse_db,
            a_db,
        ))
    };
    let preset_loss_db = loss_db(sections).expect("the standard preamp reaches far");
    let others = other_readings(sections, |read| limits.allows(read).is_ok());
    let least_loss_db = others
        .iter()
        .filter_map(|read| loss_db(read))
        .fold(preset_loss_db, f64::min);
    Heard {
        sections: sections.len() as f64,
        whole_db: errors(WHOLE_HZ),
        treble_db: errors(TREBLE_HZ),
        loss_db: preset_loss_db,
        louder_db: preset_loss_db - least_loss_db,
        waste_db: -headroom.preamp_db - headroom.peak_gain_db,
        preamp_db: headroom.preamp_db,
        economy_ratio: match sections {
            [] => 1.0,
            _ => economy_ratio_of_channels(&[sections], rate_hz, frequency_hz(), &[1.0; POINTS]),
        },
        against_rules: sections
            .iter()
            .filter(|section| is_against_rules(unit, section))
            .count(),
    }
}

/// A peaking section above the trusted band, or one of more than q 2 that boosts where the takes differ by more than 1 dB.
fn is_against_rules(unit: &Unit, section: &Section) -> bool {
    if section.shape != Shape::Peaking {
        return false;
    }
    let measured = Measured::new("a unit", unit.takes.clone());
    let prepared = Prepared::new(measured).expect("takes on the whole grid");
    let spread_db = prepared
        .judged()
        .average
        .spread_db
        .clone()
        .expect("several takes");
    let (_, highest_hz) = Rig::default()
        .trusted_band_hz(&(0..POINTS))
        .expect("a trusted band");
    let at = frequency_hz()
        .partition_point(|f_hz| *f_hz < section.f0_hz)
        .min(POINTS - 1);
    let is_narrow_boost = section.gain_db > 0.0 && section.q > 2.0;
    section.f0_hz > highest_hz || is_narrow_boost && spread_db[at] > 1.0
}

fn sections(takes: Vec<Take>, rig: Rig, limits: &Limits, wish: &Wish) -> Vec<Section> {
    let mut measured = Measured::new("a unit", takes);
    measured.judging.rig = rig;
    let prepared = Prepared::new(measured).expect("takes on the whole grid");
    match prepared.fit(wish, limits, Effort::Normal, &Stop::default()) {
        Ok(outcome) => outcome.channels[0].sections.clone(),
        Err(_) => Vec::new(),
    }
}

fn expected(unit: &Unit, limits: &Limits, wish: &Wish) -> Vec<Section> {
    let take = Take {
        name: "expected".to_owned(),
        side: Side::Unknown,
        on_grid: unit.expected.clone(),
    };
    sections(vec![take], Rig::Flat, limits, wish)
}

type Method = (&'static str, fn(&Unit, &Target) -> Vec<Section>);

const METHODS: &[Method] = &[
    ("no EQ", |_, _| Vec::new()),
    ("true expected curve, 8 sections", |unit, target| {
        expected(unit, &Limits::standard(), &exact(target))
    }),
    ("as measured, 8 sections", |unit, target| {
        of_takes(
            unit,
            &Wish {
                this_ear: true,
                ..exact(target)
            },
        )
    }),
    ("for other ears, 8", |unit, target| {
        of_takes(unit, &exact(target))
    }),
    (
        "for other ears, the loudest of equals, 8",
        |unit, target| of_takes(unit, &toward(target)),
    ),
    ("for other ears, as few as are worth it", |unit, target| {
        of_takes(unit, &few(&exact(target)))
    }),
    ("all together (the default)", |unit, target| {
        of_takes(unit, &few(&toward(target)))
    }),
    ("all together, one take a side", |unit, target| {
        let mut takes = unit.takes.clone();
        takes.retain(|take| take.name.ends_with("-1"));
        let wish = few(&toward(target));
        sections(takes, Rig::default(), &Limits::standard(), &wish)
    }),
];

fn toward(target: &Target) -> Wish {
    let word = std::env::args().find_map(|word| word.strip_prefix("economy=")?.parse().ok());
    Wish {
        economy: word.unwrap_or(ECONOMY),
        ..Wish::toward(target.clone())
    }
}

/// The answer of least residual.
fn exact(target: &Target) -> Wish {
    Wish {
        as_good_db: 0.0,
        ..toward(target)
    }
}

fn few(wish: &Wish) -> Wish {
    let word = std::env::args().find_map(|word| word.strip_prefix("least=")?.parse().ok());
    Wish {
        least_gain_db: Some(word.unwrap_or(LEAST_GAIN_DB)),
        ..wish.clone()
    }
}

fn of_takes(unit: &Unit, wish: &Wish) -> Vec<Section> {
    sections(
        unit.takes.clone(),
        Rig::default(),
        &Limits::standard(),
        wish,
    )
}

fn mean(values: impl IntoIterator<Item = f64>) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for value in values {
        sum += value;
        count += 1.0;
    }
    sum / count
}

/// What presets do at 6 to 16 kHz for listeners who know where their own resonance lies, within 5 %: each fitted for their ear,
/// beside the preset for all ears and none.
fn known_peaks(simulated: &[Unit], targets: &[(&Target, Vec<f64>)]) {
    // 5 %, in octaves.
    const OFF: f64 = 0.07;
    let jobs: Vec<_> = simulated
        .iter()
        .flat_map(|unit| targets.iter().map(move |target| (unit, target)))
        .collect();
    let rate_hz = Limits::standard().rates_hz[0];
    let found: Vec<[f64; 4]> = jobs
        .par_iter()
        .flat_map_iter(|(unit, (target, target_db))| {
            let wish = few(&toward(target));
            let error = |ear: &OnGrid, sections: &[Section]| {
                let eq_db = cascade::levels_db(sections, rate_hz, frequency_hz());
                heard_error_db(ear, &eq_db, target_db, TREBLE_HZ)
            };
            let for_all = of_takes(unit, &wish);
            let ears: Vec<_> = unit.ears.iter().zip(&unit.ears_hz).enumerate().collect();
            ears.into_iter().map(move |(n, (ear, ear_hz))| {
                // Off by as much as is told, one way and the other in turn, and half as much as often.
                let off = OFF * [1.0, -1.0, 0.5, -0.5][n % 4];
                let known = Wish {
                    ear_peak_hz: Some((ear_hz * off.exp2()).clamp(4000.0, 14_000.0)),
                    ..wish.clone()
                };
                let own = of_takes(unit, &known);
                let exactly = Wish {
                    ear_peak_hz: Some(ear_hz.clamp(4000.0, 14_000.0)),
                    ..wish.clone()
                };
                let exact = of_takes(unit, &exactly);
                [
                    error(ear, &[]),
                    error(ear, &for_all),
                    error(ear, &own),
                    error(ear, &exact),
                ]
            })
        })
        .collect();
    let worse = |preset: usize| {
        100.0
            * mean(
                found
                    .iter()
                    .map(|db| f64::from(u8::from(db[preset] > db[0] + 0.2))),
            )
    };
    println!("| preset | 6-16 kHz, dB | ears worse than without, % |");
    println!("| --- | --- | --- |");
    let names = [
        "no EQ",
        "for all ears",
        "own peak known within 5 %",
        "own peak known exactly",
    ];
    for (preset, name) in names.iter().enumerate() {
        let error_db = mean(found.iter().map(|db| db[preset]));
        println!("| {name} | {error_db:.3} | {:.1} |", worse(preset));
    }
}

fn main() {
    let units = std::env::args().find_map(|word| word.strip_prefix("units=")?.parse().ok());
    let units: u64 = units.unwrap_or(60);
    let no_files: BTreeMap<PathBuf, Vec<u8>> = BTreeMap::new();
    let diffuse = library::resolve("diffuse-field", &no_files).expect("a target of the library");
    let diffuse_db = diffuse.level_on_grid(48_000.0).level_db;
    let flat = library::resolve("flat", &no_files).expect("a target of the library");
    let targets = [(&flat, vec![0.0; POINTS]), (&diffuse, diffuse_db.clone())];
    let simulated: Vec<Unit> = (0..units)
        .into_par_iter()
        .map(|index| listeners::unit(index, &diffuse_db))
        .collect();
    if std::env::args().any(|word| word == "peaks") {
        return known_peaks(&simulated, &targets);
    }
    println!(
        "| preset | error 0.1-16 kHz, dB | 6-16 kHz, dB | quieter, dB | wasted, dB | more than 0.2 dB wasted that another reading saves | preamp, dB | sections | economy ratio (most; presets above 1.6) | against rules | ears worse than without at 6-16 kHz, % |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    let mut without: Vec<Heard> = Vec::new();
    let only: Option<usize> =
        std::env::args().find_map(|word| word.strip_prefix("only=")?.parse().ok());
    for (index, (name, method)) in METHODS.iter().enumerate() {
        if index > 0 && only.is_some_and(|only| only != index) {
            continue;
        }
        let jobs: Vec<_> = simulated
            .iter()
            .flat_map(|unit| targets.iter().map(move |target| (unit, target)))
            .collect();
        let all: Vec<Heard> = jobs
            .par_iter()
            .map(|(unit, (target, target_db))| {
                heard(unit, &method(unit, target), target_db, &diffuse_db)
            })
            .collect();
        if without.is_empty() {
            without.clone_from(&all);
        }
        let worse = |(with, without): (&Heard, &Heard)| {
            let pairs = with.treble_db.iter().zip(&without.treble_db);
            mean(pairs.map(|(with, without)| f64::from(u8::from(*with > without + 0.2))))
        };
        println!(
            "| {name} | {:.3} | {:.3} | {:.2} | {:.2} (most {:.2}) | {} of {} (most {:.2}) | {:.2} (least {:.1}) | {:.2} | {:.2} (most {:.2}; {}) | {} | {:.1} |",
            mean(all.iter().map(|h| mean(h.whole_db.clone()))),
            mean(all.iter().map(|h| mean(h.treble_db.clone()))),
            mean(all.iter().map(|h| h.loss_db)),
            mean(all.iter().map(|h| h.waste_db)),
            all.iter().map(|h| h.waste_db).fold(0.0, f64::max),
            all.iter()
                .filter(|h| h.waste_db > 0.2 && h.louder_db > 0.05)
                .count(),
            all.len(),
            all.iter().map(|h| h.louder_db).fold(0.0, f64::max),
            mean(all.iter().map(|h| h.preamp_db)),
            all.iter().map(|h| h.preamp_db).fold(0.0, f64::min),
            mean(all.iter().map(|h| h.sections)),
            mean(all.iter().map(|h| h.economy_ratio)),
            all.iter().map(|h| h.economy_ratio).fold(1.0, f64::max),
            all.iter().filter(|h| h.economy_ratio > 1.6).count(),
            all.iter().map(|h| h.against_rules).sum::<usize>(),
            100.0 * mean(all.iter().zip(&without).map(worse)),
        );
    }
}
