//! Takes are judged: leaks, outliers, match, resonance; the demo's units, and seeded sets with what was planted.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::measurement::copies::same_data;
use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};
use bandwright::measurement::judge::{
    Agreement, Judged, JudgedTake, Seal, Settings, Verdict, judge,
};
use bandwright::measurement::leak::LEAK_THRESHOLD_DB;
use bandwright::measurement::leak::Order;
use bandwright::measurement::outlier::{Kind, compare};
use bandwright::measurement::takes::{Side, Take};
use bandwright::measurement::{grid, parse};
use proptest::prelude::*;
use serde::Deserialize;

#[allow(dead_code)]
#[path = "../../demo-data/make_demo_data.rs"]
mod make_demo_data;

// The demo.

#[derive(Deserialize)]
struct Planted {
    unit: Vec<PlantedUnit>,
}

#[derive(Deserialize)]
struct PlantedUnit {
    folder: String,
    take: Vec<PlantedTake>,
}

#[derive(Deserialize)]
struct PlantedTake {
    side: String,
    file: String,
    resonance_hz: f64,
    leak_at_30_hz_db: Option<f64>,
    leak_corner_hz: Option<f64>,
    really_of: Option<String>,
}

fn demo_units() -> Vec<(PlantedUnit, Vec<Take>)> {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let planted: Planted =
        toml::from_str(&fs::read_to_string(demo.join("planted.toml")).unwrap()).unwrap();
    let load = |unit: PlantedUnit| {
        let take = |take: &PlantedTake| {
            let bytes = fs::read(demo.join(&unit.folder).join(&take.file)).unwrap();
            let curve = parse::parse_curve(&bytes, &take.file).unwrap();
            Take {
                name: take.file.clone(),
                side: if take.side == "left" {
                    Side::Left
                } else {
                    Side::Right
                },
                on_grid: grid::resample(&curve).unwrap(),
            }
        };
        let takes = unit.take.iter().map(take).collect();
        (unit, takes)
    };
    planted.unit.into_iter().map(load).collect()
}

fn find<'a>(judged: &'a Judged, name: &str) -> &'a JudgedTake {
    judged.takes.iter().find(|take| take.name == name).unwrap()
}

#[test]
fn the_demo_s_leaks_and_its_mislabelled_take_are_found_by_name_and_nothing_else() {
    for (unit, takes) in demo_units() {
        let judged = judge(&takes, &Settings::default()).unwrap();
        for planted in &unit.take {
            let name = format!("{}/{}", unit.folder, planted.file);
            let take = find(&judged, &planted.file);
            match (take.verdict, planted.leak_at_30_hz_db, &planted.really_of) {
                (Verdict::Leaks(lost), Some(loss_db), None) => {
                    let leak = lost.leak;
                    let corner_hz = planted.leak_corner_hz.unwrap();
                    assert!(
                        (leak.loss_at_30_hz_db - loss_db).abs() < 0.5,
                        "{name}: {leak:?}"
                    );
                    assert!(
                        (leak.corner_hz / corner_hz - 1.0).abs() < 0.1,
                        "{name}: {leak:?}"
                    );
                    assert_eq!(leak.order, Order::First);
                }
                (Verdict::Outlier(outlier), None, Some(_)) => {
                    assert_eq!(outlier.kind, Kind::Shape);
                    assert!(outlier.distance_db.unwrap() > 1.5, "{name}: {outlier:?}");
                }
                (Verdict::Sound, None, None) => assert!(take.distance_db.unwrap() < 0.25, "{name}"),
                (verdict, ..) => panic!("{name}: {verdict:?}"),
            }
        }
        let wrong = unit
            .take
            .iter()
            .filter(|take| take.leak_at_30_hz_db.is_some() || take.really_of.is_some())
            .map(|take| take.file.as_str());
        // In the order of the takes' contents, which is no matter here.
        let set_aside: BTreeSet<&str> = judged.set_aside.iter().map(String::as_str).collect();
        assert_eq!(set_aside, wrong.collect());
        assert_eq!(set_aside.len(), judged.set_aside.len());
        assert_eq!(
            judged.average.takes.len(),
            takes.len() - judged.set_aside.len()
        );
    }
}

#[test]
fn sound_takes_of_the_demo_s_sides_stay_below_a_third_of_every_limit() {
    let trust = vec![1.0; POINTS];
    let mut largest: f64 = 0.0;
    for (unit, takes) in demo_units() {
        let sound = |i: &usize| {
            unit.take[*i].leak_at_30_hz_db.is_none() && unit.take[*i].really_of.is_none()
        };
        let sound: Vec<&Take> = (0..takes.len()).filter(sound).map(|i| &takes[i]).collect();
        for a in &sound {
            for b in sound
                .iter()
                .filter(|b| b.side == a.side && b.name != a.name)
            {
                let comparison = compare(&a.on_grid, &b.on_grid, &trust).unwrap();
                largest = largest.max(comparison.excess());
            }
        }
    }
    println!("largest excess of sound takes: {largest:.2}");
    assert!(3.0 * largest < 1.0, "{largest}");
}

#[test]
fn the_mesh_unit_has_eight_takes_two_leaks_one_mislabelled_and_a_resonance_that_moves_by_600_hz() {
    let units = demo_units();
    let (unit, takes) = units
        .iter()
        .find(|(unit, _)| unit.folder == "fieldfare-mesh")
        .unwrap();
    let judged = judge(takes, &Settings::default()).unwrap();
    assert_eq!(takes.len(), 8);
    let names = |wanted: fn(&Verdict) -> bool| -> Vec<&str> {
        let takes = judged.takes.iter().filter(|take| wanted(&take.verdict));
        takes.map(|take| take.name.as_str()).collect()
    };
    assert_eq!(
        names(|v| matches!(v, Verdict::Leaks(_))),
        ["left-2.csv", "right-4.csv"]
    );
    assert_eq!(names(|v| matches!(v, Verdict::Outlier(_))), ["right-2.csv"]);
    let planted_hz = |pick: fn(f64, f64) -> f64, start: f64| {
        unit.take
            .iter()
            .map(|take| take.resonance_hz)
            .fold(start, pick)
    };
    let planted_range_hz = planted_hz(f64::max, 0.0) - planted_hz(f64::min, f64::MAX);
    assert!(
        (550.0..650.0).contains(&planted_range_hz),
        "{planted_range_hz}"
    );
    let resonance = judged.resonance.unwrap();
    let range_hz = resonance.range_hz.1 - resonance.range_hz.0;
    assert!(
        (range_hz - planted_range_hz).abs() < 60.0,
        "{range_hz:.0} of {planted_range_hz:.0} Hz"
    );
    assert!(resonance.moves && resonance.found_in == 7);
    // 7.71 to 8.31 kHz are 22.2 to 20.6 mm of half a wave.
    assert!(
        (resonance.depth_range_mm - 1.6).abs() < 0.2,
        "{}",
        resonance.depth_range_mm
    );
}

#[test]
fn the_coupler_resonance_of_every_demo_take_is_found_within_two_percent() {
    let mut worst: f64 = 0.0;
    for (unit, takes) in demo_units() {
        let judged = judge(&takes, &Settings::default()).unwrap();
        for planted in &unit.take {
            let found = find(&judged, &planted.file).resonance.unwrap();
            let error = found.frequency_hz / planted.resonance_hz - 1.0;
            worst = worst.max(error.abs());
            assert!(
                error.abs() < 0.02,
                "{}/{}: {found:?}",
                unit.folder,
                planted.file
            );
            assert!((6.0..14.0).contains(&found.height_db) && found.width_octaves < 0.4);
            let half_wave_mm = 343e3 / 2.0 / found.frequency_hz;
            assert!((found.half_wave_mm - half_wave_mm).abs() < 1e-9);
        }
        let unit_resonance = judged.resonance.unwrap();
        let f_hz = &frequency_hz()[unit_resonance.guard()];
        let third = (1.0_f64 / 3.0).exp2();
        assert!(
            (unit_resonance.guard_hz.0 * third / unit_resonance.frequency_hz - 1.0).abs() < 1e-12
        );
        assert!(
            f_hz[0] >= unit_resonance.guard_hz.0
                && f_hz[f_hz.len() - 1] <= unit_resonance.guard_hz.1
        );
        assert!(f_hz.len() >= 31);
    }
    println!("resonance: worst error {:.2} %", 100.0 * worst);
}

#[test]
fn the_dunlin_s_sides_match_as_planted() {
    let units = demo_units();
    let (_, takes) = units
        .iter()
        .find(|(unit, _)| unit.folder == "dunlin")
        .unwrap();
    let matching = judge(takes, &Settings::default())
        .unwrap()
        .matching
        .unwrap();
    // A high shelf of 2 dB at 2 kHz on the left, a peak of 0.8 dB at 240 Hz on the right.
    let at = |f_hz: f64| matching.smoothed.level_db[frequency_hz().partition_point(|f| *f < f_hz)];
    assert!((at(3500.0) + matching.level_db - 2.0).abs() < 0.4);
    assert!((at(240.0) + matching.level_db + 0.8).abs() < 0.4);
    assert!(matching.worst_db > 1.5 && matching.worst_hz > 2000.0);
}

// Seeded sets.

/// Chance for a set: SplitMix64 by its seed.
struct Chance(make_demo_data::Random);

impl Chance {
    fn new(seed: u64) -> Self {
        Self(make_demo_data::Random(
            seed.wrapping_mul(0x9e37_79b9_7f4a_7c15),
        ))
    }

    fn uniform(&mut self) -> f64 {
        (self.0.next_bits() >> 11) as f64 * (-53_f64).exp2()
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }

    fn count(&mut self, low: usize, high: usize) -> usize {
        low + (self.0.next_bits() % (high - low + 1) as u64) as usize
    }
}

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

/// An invented earphone on an invented bench.
struct Bench {
    body: Vec<Section>,
    side_only: Vec<Section>,
    ripple: Vec<(f64, f64, f64)>,
    resonance_hz: f64,
    resonance_db: f64,
}

/// How bass differs between sound seatings, 0.3 dB rms.
#[derive(Clone, Copy, PartialEq)]
enum BassVaries {
    /// A low shelf at 110 Hz, q 0.6.
    Shelf,
    /// A low shelf anywhere from 60 to 200 Hz, q 0.5 to 0.9.
    AnyShelf,
    /// As a seal that is a little tighter or looser: a first-order loss or its inverse, 0.3 dB rms at 20 Hz, where it is
    /// most.
    Seal,
}

#[derive(Clone, Copy)]
struct PlantedLeak {
    loss_at_30_hz_db: f64,
    q: Option<f64>,
}

impl PlantedLeak {
    fn corner_hz(self) -> f64 {
        let power = 10_f64.powf(0.1 * self.loss_at_30_hz_db);
        match self.q {
            None => 30.0 * (power - 1.0).sqrt(),
            // (1 - c)^2 + c / q^2 = power in c = (corner / 30 Hz)^2, the larger root.
            Some(q) => {
                let half = 1.0 - 0.5 / (q * q);
                30.0 * (half + (half * half - 1.0 + power).sqrt()).sqrt()
            }
        }
    }

    fn loss_db(self, f_hz: f64) -> f64 {
        let c = (self.corner_hz() / f_hz).powi(2);
        10.0 * match self.q {
            None => 1.0 + c,
            Some(q) => (1.0 - c).powi(2) + c / (q * q),
        }
        .log10()
    }
}

fn ripple(chance: &mut Chance, most_db: f64) -> Vec<(f64, f64, f64)> {
    let one = |_| {
        let at = std::f64::consts::TAU * chance.uniform();
        (most_db * chance.uniform(), chance.between(2.0, 12.0), at)
    };
    (0..5).map(one).collect()
}

impl Bench {
    fn new(chance: &mut Chance) -> Self {
        let peaking = Shape::Peaking;
        Self {
            body: vec![
                section(
                    Shape::LowShelf,
                    chance.between(90.0, 200.0),
                    chance.between(0.0, 8.0),
                    0.55,
                ),
                section(
                    peaking,
                    chance.between(2400.0, 3200.0),
                    chance.between(5.0, 10.0),
                    1.1,
                ),
                section(
                    peaking,
                    chance.between(300.0, 1000.0),
                    chance.between(-2.0, 2.0),
                    1.0,
                ),
                section(Shape::HighShelf, 13_000.0, -12.0, 0.7),
            ],
            side_only: vec![
                section(
                    peaking,
                    chance.between(200.0, 4000.0),
                    chance.between(-1.0, 1.0),
                    1.5,
                ),
                section(Shape::LowShelf, 90.0, chance.between(-0.4, 0.4), 0.6),
            ],
            ripple: ripple(chance, 0.09),
            resonance_hz: chance.between(7300.0, 8700.0),
            resonance_db: chance.between(6.0, 9.0),
        }
    }

    fn take(
        &self,
        chance: &mut Chance,
        side: Side,
        number: usize,
        bass: BassVaries,
        leak: Option<PlantedLeak>,
    ) -> (Take, f64) {
        let level_db = 0.15 * chance.normal();
        let bass_db = 0.3 * chance.normal();
        let resonance_hz = self.resonance_hz * (1.0 + 0.015 * chance.normal());
        let mut sections = self.body.clone();
        if side == Side::Right {
            sections.extend(&self.side_only);
        }
        sections.extend([
            section(Shape::Peaking, resonance_hz, self.resonance_db, 5.5),
            section(Shape::Peaking, 1.27 * resonance_hz, -5.0, 3.5),
        ]);
        let (f0_hz, q) = (chance.between(60.0, 200.0), chance.between(0.5, 0.9));
        match bass {
            BassVaries::Shelf => sections.push(section(Shape::LowShelf, 110.0, bass_db, 0.6)),
            BassVaries::AnyShelf => sections.push(section(Shape::LowShelf, f0_hz, bass_db, q)),
            BassVaries::Seal => {}
        }
        let own = ripple(chance, 0.05);
        let level = frequency_hz().iter().map(|f_hz| {
            let octaves = (f_hz / 1000.0).log2();
            let waves: f64 = self
                .ripple
                .iter()
                .chain(&own)
                .map(|(db, an_octave, at)| {
                    db * (std::f64::consts::TAU * an_octave * octaves + at).cos()
                })
                .sum();
            let noise_db = 0.05 * (1.0 + 60.0 / f_hz).sqrt() * chance.normal();
            let seal_db = match bass {
                BassVaries::Seal => {
                    let power = 10_f64.powf(0.1 * bass_db.abs());
                    let looser_db = 10.0 * (1.0 + (power - 1.0) * (20.0 / f_hz).powi(2)).log10();
                    -looser_db * bass_db.signum()
                }
                _ => 0.0,
            };
            let lost_db = leak.map_or(0.0, |leak| leak.loss_db(*f_hz));
            90.0 + level_db + cascade::level_db(&sections, 96e3, *f_hz) + waves + noise_db + seal_db
                - lost_db
        });
        let on_grid = OnGrid {
            level_db: level.collect(),
            support: 0..POINTS,
        };
        let name = format!("{side:?}-{number}").to_lowercase();
        (
            Take {
                name,
                side,
                on_grid,
            },
            resonance_hz,
        )
    }
}

/// A set of 3 to 5 takes a side; with leaks, at least one take of each side is sound.
fn set(
    seed: u64,
    with_leaks: bool,
    bass: BassVaries,
) -> (Vec<Take>, Vec<Option<PlantedLeak>>, Vec<f64>) {
    let mut chance = Chance::new(seed);
    let bench = Bench::new(&mut chance);
    let (mut takes, mut leaks, mut resonances_hz) = (Vec::new(), Vec::new(), Vec::new());
    for side in [Side::Left, Side::Right] {
        let count = chance.count(3, 5);
        let leaking = if with_leaks {
            chance.count(1, count - 1)
        } else {
            0
        };
        let first = chance.count(0, count - 1);
        for number in 0..count {
            let leaks_too = (number + count - first) % count < leaking;
            let leak = leaks_too.then(|| PlantedLeak {
                loss_at_30_hz_db: chance.between(1.5, 12.0),
                q: (chance.uniform() < 0.3).then(|| chance.between(0.6, 1.3)),
            });
            let (take, resonance_hz) = bench.take(&mut chance, side, number, bass, leak);
            takes.push(take);
            leaks.push(leak);
            resonances_hz.push(resonance_hz);
        }
    }
    (takes, leaks, resonances_hz)
}

#[derive(Default)]
struct Count {
    leaks: usize,
    found: usize,
    of_2_db: usize,
    of_2_db_found: usize,
    sound: usize,
    sound_called_leaks: usize,
    sound_called_otherwise: usize,
    sets_with_false_alarm: usize,
    loss_error_db: Vec<f64>,
    corner_error: Vec<f64>,
    second_order: usize,
    second_order_told: usize,
    first_order_called_second: usize,
    resonance_error: Vec<f64>,
}

impl Count {
    fn of(seeds: std::ops::Range<u64>, with_leaks: bool, bass: BassVaries) -> Self {
        let mut count = Self::default();
        for seed in seeds {
            let (takes, leaks, resonances_hz) = set(seed, with_leaks, bass);
            let judged = judge(&takes, &Settings::default()).unwrap();
            let mut false_alarm = false;
            for ((take, leak), planted_hz) in judged.takes.iter().zip(&leaks).zip(&resonances_hz) {
                match take.resonance {
                    Some(found) => count
                        .resonance_error
                        .push(found.frequency_hz / planted_hz - 1.0),
                    None => count.resonance_error.push(f64::INFINITY),
                }
                let Some(leak) = leak else {
                    count.sound += 1;
                    false_alarm |= take.verdict != Verdict::Sound;
                    match take.verdict {
                        Verdict::Sound => {}
                        Verdict::Leaks(_) => count.sound_called_leaks += 1,
                        _ => count.sound_called_otherwise += 1,
                    }
                    continue;
                };
                let large = usize::from(leak.loss_at_30_hz_db >= 2.0);
                count.leaks += 1;
                count.of_2_db += large;
                count.second_order += usize::from(leak.q.is_some());
                if let Verdict::Leaks(found) = take.verdict {
                    count.found += 1;
                    count.of_2_db_found += large;
                    count
                        .loss_error_db
                        .push(found.leak.loss_at_30_hz_db - leak.loss_at_30_hz_db);
                    if leak.q.is_none() {
                        count
                            .corner_error
                            .push(found.leak.corner_hz / leak.corner_hz() - 1.0);
                    }
                    let told = found.leak.order == Order::Second;
                    count.second_order_told += usize::from(told && leak.q.is_some());
                    count.first_order_called_second += usize::from(told && leak.q.is_none());
                }
            }
            count.sets_with_false_alarm += usize::from(false_alarm);
        }
        count
    }

    fn recall(&self) -> f64 {
        self.of_2_db_found as f64 / self.of_2_db.max(1) as f64
    }

    fn false_alarms(&self) -> f64 {
        (self.sound_called_leaks + self.sound_called_otherwise) as f64 / self.sound as f64
    }

    fn print(&self, what: &str) {
        println!(
            "{what}: {} leaks of 2 dB and more, {:.2} % found (of all {}: {}); {} sound takes, called leaks {}, \
             otherwise {}, sets with either {}; loss off by {:.2} dB rms, corner (first order) {:.1} % rms; of {} \
             second-order {} told, first-order called second {}; resonance off by {:.2} % rms, {:.2} % at most",
            self.of_2_db,
            100.0 * self.recall(),
            self.leaks,
            self.found,
            self.sound,
            self.sound_called_leaks,
            self.sound_called_otherwise,
            self.sets_with_false_alarm,
            rms(&self.loss_error_db),
            100.0 * rms(&self.corner_error),
            self.second_order,
            self.second_order_told,
            self.first_order_called_second,
            100.0 * rms(&self.resonance_error),
            100.0
                * self
                    .resonance_error
                    .iter()
                    .fold(0.0, |most: f64, e| most.max(e.abs())),
        );
    }
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

/// The threshold of 1.2 dB was chosen on these seeds; the tests below assert on others. The largest loss of takes
/// with sound bass, and the least loss found of planted leaks of 2 dB and more, were: 0.06 and 2.02 dB with bass
/// varying as a shelf, 0.26 and 1.97 dB as any shelf, 0.80 and 1.29 dB as a seal.
/// `cargo test --test judging_takes -- --ignored --nocapture` prints them.
#[test]
#[ignore = "prints the figures that the threshold was chosen by"]
fn tuning_seeds() {
    for (name, bass) in BASS {
        Count::of(1_000_000..1_000_200, true, bass).print(&format!("{name}, with leaks"));
        Count::of(2_000_000..2_000_200, false, bass).print(&format!("{name}, clean"));
        let (mut largest_db, mut least_db) = (0.0_f64, f64::MAX);
        for seed in (1_000_000..1_000_200).chain(2_000_000..2_000_200) {
            let (takes, leaks, _) = set(seed, seed < 2_000_000, bass);
            let judged = judge(&takes, &Settings::default()).unwrap();
            for (take, leak) in judged.takes.iter().zip(leaks) {
                let found_db = take.seal.unwrap().worst_loss_db;
                match leak {
                    None => largest_db = largest_db.max(found_db),
                    Some(leak) if leak.loss_at_30_hz_db >= 2.0 => least_db = least_db.min(found_db),
                    Some(_) => {}
                }
            }
        }
        println!(
            "{name}: largest loss of sound takes {largest_db:.2} dB, least of leaks from 2 dB {least_db:.2} dB"
        );
    }
}

const BASS: [(&str, BassVaries); 3] = [
    ("bass varies as a shelf", BassVaries::Shelf),
    ("as any shelf", BassVaries::AnyShelf),
    ("as a seal", BassVaries::Seal),
];

#[test]
fn leaks_of_2_db_and_more_are_recalled_in_200_seeded_sets() {
    for (name, bass) in BASS {
        let count = Count::of(1..201, true, bass);
        count.print(name);
        assert!(count.of_2_db > 600);
        assert!(count.recall() >= 0.98, "{name}: recall {}", count.recall());
        assert!(
            count.false_alarms() <= 0.02,
            "{name}: {}",
            count.false_alarms()
        );
        if bass == BassVaries::Shelf {
            assert!(rms(&count.loss_error_db) < 0.25 && rms(&count.corner_error) < 0.05);
        }
        assert!(count.resonance_error.iter().all(|error| error.abs() < 0.02));
    }
}

#[test]
fn clean_sets_raise_no_alarm_in_98_of_100_sets_even() {
    for (name, bass) in BASS {
        let count = Count::of(10_001..10_201, false, bass);
        count.print(name);
        assert!(count.sound > 1200);
        assert!(
            count.false_alarms() <= 0.02,
            "{name}: {}",
            count.false_alarms()
        );
        // Counted by sets it is several times harder, and holds too.
        assert!(
            count.sets_with_false_alarm <= 4,
            "{name}: {}",
            count.sets_with_false_alarm
        );
    }
}

// Takes that do not belong.

fn at(f_hz: f64) -> usize {
    frequency_hz().partition_point(|f| *f < 0.9999 * f_hz)
}

/// Adds what `spoil` says to take `which`.
fn spoil(take: &mut Take, spoil: impl Fn(f64) -> f64) {
    for (level_db, f_hz) in take.on_grid.level_db.iter_mut().zip(frequency_hz()) {
        *level_db += spoil(*f_hz);
    }
}

/// In 40 clean sets one take is spoiled; it must be found, of its kind, and no other.
fn each_spoiled_take_is_found(
    name: &str,
    spoil_take: impl Fn(&mut Take, &mut Chance),
    is_kind: impl Fn(Kind) -> bool,
) {
    for seed in 20_001..20_041 {
        let (mut takes, ..) = set(seed, false, BassVaries::Shelf);
        let mut chance = Chance::new(seed + 1_000_000);
        let which = chance.count(0, takes.len() - 1);
        spoil_take(&mut takes[which], &mut chance);
        let judged = judge(&takes, &Settings::default()).unwrap();
        for (i, take) in judged.takes.iter().enumerate() {
            match take.verdict {
                Verdict::Outlier(outlier) if i == which => {
                    assert!(is_kind(outlier.kind), "{name}, seed {seed}: {outlier:?}");
                }
                Verdict::Sound if i != which => {}
                verdict => panic!("{name}, seed {seed}, {} ({which}): {verdict:?}", take.name),
            }
        }
        assert_eq!(judged.set_aside, [takes[which].name.clone()]);
    }
}

#[test]
fn a_knock_is_found() {
    let knock = |take: &mut Take, chance: &mut Chance| {
        let (f0_hz, height_db) = (chance.between(60.0, 3500.0), chance.between(4.0, 8.0));
        spoil(take, |f| {
            height_db * (-((f / f0_hz).log2() / 0.1).powi(2)).exp()
        });
    };
    each_spoiled_take_is_found("knock", knock, |kind| kind == Kind::Narrow);
}

#[test]
fn a_level_step_is_found_with_its_height() {
    let step = |take: &mut Take, chance: &mut Chance| {
        let (at_hz, sign) = (chance.between(150.0, 2500.0), chance.count(0, 1));
        spoil(take, |f| {
            if f < at_hz {
                0.0
            } else {
                2.0 - 4.0 * sign as f64
            }
        });
    };
    each_spoiled_take_is_found("step", step, |kind| {
        matches!(kind, Kind::LevelStep { step_db, at_hz } if (step_db.abs() - 2.0).abs() < 0.4
            && (140.0..2600.0).contains(&at_hz))
    });
}

#[test]
fn mains_hum_is_found_with_its_frequency() {
    for mains_hz in [50.0, 60.0] {
        let hum = |take: &mut Take, chance: &mut Chance| {
            for (harmonic, least_db) in [(1.0, 2.0), (2.0, 1.5), (3.0, 1.5)] {
                let spike_db = chance.between(least_db, 6.0);
                let nearest = at(mains_hz * harmonic / 1.007);
                take.on_grid.level_db[nearest] += spike_db;
            }
        };
        each_spoiled_take_is_found(
            "hum",
            hum,
            |kind| matches!(kind, Kind::MainsHum { mains_hz: found_hz, .. } if found_hz == mains_hz),
        );
    }
}

#[test]
fn a_loose_cable_s_noise_is_found() {
    let crackle = |take: &mut Take, chance: &mut Chance| {
        for level_db in &mut take.on_grid.level_db {
            *level_db += chance.normal();
        }
    };
    each_spoiled_take_is_found("loose cable", crackle, |kind| {
        matches!(kind, Kind::Rough { .. })
    });
}

#[test]
fn a_level_that_is_far_off_is_found() {
    let quiet = |take: &mut Take, chance: &mut Chance| {
        let lost_db = chance.between(3.0, 20.0);
        spoil(take, |_| -lost_db);
    };
    each_spoiled_take_is_found(
        "level",
        quiet,
        |kind| matches!(kind, Kind::Level { level_db } if level_db < -2.0),
    );
}

#[test]
fn a_take_with_more_bass_than_a_seal_gives_makes_no_other_leak() {
    let boost = |take: &mut Take, chance: &mut Chance| {
        let shelf = section(
            Shape::LowShelf,
            chance.between(120.0, 200.0),
            chance.between(4.0, 8.0),
            0.7,
        );
        spoil(take, |f| cascade::level_db(&[shelf], 96e3, f));
    };
    each_spoiled_take_is_found("more bass", boost, |kind| {
        matches!(kind, Kind::Shape | Kind::Narrow)
    });
}

#[test]
fn a_take_of_another_unit_is_found_beside_leaks() {
    for seed in 30_001..30_041 {
        let (mut takes, leaks, _) = set(seed, false, BassVaries::Shelf);
        assert!(leaks.iter().all(Option::is_none));
        let peaks = [
            section(Shape::Peaking, 700.0, -2.5, 1.0),
            section(Shape::Peaking, 3500.0, 4.0, 1.2),
        ];
        let leak = PlantedLeak {
            loss_at_30_hz_db: 5.0,
            q: None,
        };
        spoil(&mut takes[0], |f| cascade::level_db(&peaks, 96e3, f));
        spoil(&mut takes[1], |f| -leak.loss_db(f));
        // Three takes a side at least: one sound, one leaking, one of another unit.
        let judged = judge(&takes, &Settings::default()).unwrap();
        assert!(
            matches!(judged.takes[0].verdict, Verdict::Outlier(o) if o.kind == Kind::Shape),
            "seed {seed}: {:?}",
            judged.takes[0]
        );
        assert!(
            matches!(judged.takes[1].verdict, Verdict::Leaks(l) if (l.leak.loss_at_30_hz_db - 5.0).abs() < 1.0)
        );
        assert_eq!(judged.set_aside.len(), 2);
    }
}

// What cannot be told is not told.

fn clean(seed: u64, left: usize, right: usize) -> Vec<Take> {
    let mut chance = Chance::new(seed);
    let bench = Bench::new(&mut chance);
    let mut takes = Vec::new();
    for (side, count) in [(Side::Left, left), (Side::Right, right)] {
        for number in 0..count {
            takes.push(
                bench
                    .take(&mut chance, side, number, BassVaries::Shelf, None)
                    .0,
            );
        }
    }
    takes
}

fn leak(take: &mut Take, loss_at_30_hz_db: f64) {
    let leak = PlantedLeak {
        loss_at_30_hz_db,
        q: None,
    };
    spoil(take, |f| -leak.loss_db(f));
}

fn another_unit(take: &mut Take) {
    let peaks = [
        section(Shape::Peaking, 700.0, -3.0, 1.0),
        section(Shape::Peaking, 3000.0, 5.0, 1.0),
    ];
    spoil(take, |f| cascade::level_db(&peaks, 96e3, f));
}

fn side(judged: &Judged, side: Side) -> &bandwright::measurement::judge::JudgedSide {
    judged.sides.iter().find(|s| s.side == side).unwrap()
}

#[test]
fn a_side_that_leaks_alike_is_told_by_the_other_side_alone() {
    for takes_a_side in [1, 2, 4] {
        let mut takes = clean(40_001, takes_a_side, takes_a_side);
        takes
            .iter_mut()
            .take(takes_a_side)
            .for_each(|take| leak(take, 6.0));
        let judged = judge(&takes, &Settings::default()).unwrap();
        assert!(
            judged
                .takes
                .iter()
                .all(|take| take.verdict == Verdict::Sound)
        );
        let Seal::LessThanTheOtherSide(common) = side(&judged, Side::Left).seal else {
            panic!("{:?}", side(&judged, Side::Left));
        };
        assert!(
            (common.leak.loss_at_30_hz_db - 6.0).abs() < 0.6,
            "{common:?}"
        );
        assert_eq!(side(&judged, Side::Right).seal, Seal::LikeTheOtherSide);
        let alone = judge(&takes[..takes_a_side], &Settings::default()).unwrap();
        assert_eq!(side(&alone, Side::Left).seal, Seal::CannotBeTold);
        assert!(alone.set_aside.is_empty() && alone.matching.is_none());
    }
}

#[test]
fn takes_that_leak_among_takes_that_leak_less_are_told_and_the_rest_is_compared_with_the_other_side()
 {
    let mut takes = clean(40_002, 3, 3);
    leak(&mut takes[0], 4.0);
    leak(&mut takes[1], 4.0);
    leak(&mut takes[2], 9.0);
    let judged = judge(&takes, &Settings::default()).unwrap();
    assert_eq!(judged.set_aside, ["left-2"]);
    let left = side(&judged, Side::Left);
    assert_eq!(left.seal, Seal::TakesDiffer);
    assert!(
        (left.sound_takes_lose.unwrap().leak.loss_at_30_hz_db - 4.0).abs() < 0.6,
        "{left:?}"
    );
}

#[test]
fn the_tightest_take_is_the_measure_even_when_all_others_leak() {
    for seed in 40_100..40_120 {
        let mut takes = clean(seed, 5, 0);
        for (take, loss_db) in takes.iter_mut().zip([3.0, 5.0, 4.0, 6.0]) {
            leak(take, loss_db);
        }
        let judged = judge(&takes, &Settings::default()).unwrap();
        let mut set_aside = judged.set_aside;
        set_aside.sort();
        assert_eq!(
            set_aside,
            ["left-0", "left-1", "left-2", "left-3"],
            "seed {seed}"
        );
        assert_eq!(judged.sides[0].reference.as_deref(), Some("left-4"));
    }
}

#[test]
fn of_two_takes_that_differ_more_than_sides_ever_do_the_other_side_tells_which_is_right() {
    for seed in 40_200..40_220 {
        let mut takes = clean(seed, 2, 3);
        let far_off = [
            section(Shape::Peaking, 700.0, -6.0, 1.0),
            section(Shape::Peaking, 3000.0, 9.0, 1.0),
        ];
        spoil(&mut takes[1], |f| cascade::level_db(&far_off, 96e3, f));
        let judged = judge(&takes, &Settings::default()).unwrap();
        assert_eq!(
            side(&judged, Side::Left).agreement,
            Agreement::ByTheOtherSide,
            "seed {seed}"
        );
        assert_eq!(judged.set_aside, ["left-1"]);
        let alone = judge(&takes[..2], &Settings::default()).unwrap();
        assert_eq!(alone.sides[0].agreement, Agreement::CannotBeTold);
        for take in &alone.takes {
            assert!(
                matches!(take.verdict, Verdict::Undecided { distance_db: Some(db), other_side: false } if db > 0.7)
            );
            assert!(!take.set_aside);
        }
        assert_eq!(alone.sides[0].reference, None);
    }
}

#[test]
fn of_two_takes_that_differ_as_sides_may_neither_is_set_aside_and_the_one_like_the_other_side_is_named()
 {
    for seed in 40_200..40_220 {
        let mut takes = clean(seed, 2, 3);
        another_unit(&mut takes[1]);
        let judged = judge(&takes, &Settings::default()).unwrap();
        assert_eq!(
            side(&judged, Side::Left).agreement,
            Agreement::CannotBeTold,
            "seed {seed}"
        );
        assert!(judged.set_aside.is_empty(), "seed {seed}");
        let swapped = |take: &JudgedTake| {
            matches!(
                take.verdict,
                Verdict::Undecided {
                    other_side: true,
                    ..
                }
            )
        };
        assert!(
            swapped(&judged.takes[0]) && !swapped(&judged.takes[1]),
            "seed {seed}"
        );
    }
}

#[test]
fn of_two_takes_one_of_which_was_disturbed_the_other_side_tells_which() {
    for seed in 40_300..40_320 {
        let mut takes = clean(seed, 2, 2);
        spoil(&mut takes[1], |f| {
            6.0 * (-((f / 900.0).log2() / 0.1).powi(2)).exp()
        });
        let judged = judge(&takes, &Settings::default()).unwrap();
        assert_eq!(judged.set_aside, ["left-1"], "seed {seed}");
        assert_eq!(
            side(&judged, Side::Left).agreement,
            Agreement::ByTheOtherSide
        );
    }
}

#[test]
fn of_two_takes_the_one_that_leaks_is_told() {
    let mut takes = clean(40_003, 2, 0);
    leak(&mut takes[0], 5.0);
    let judged = judge(&takes, &Settings::default()).unwrap();
    assert_eq!(judged.set_aside, ["left-0"]);
    assert_eq!(judged.average.spread_db, None);
}

#[test]
fn two_takes_of_one_form_and_two_levels_are_kept_and_said_to_be_undecided() {
    let mut takes = clean(40_004, 2, 0);
    spoil(&mut takes[0], |_| -6.0);
    let judged = judge(&takes, &Settings::default()).unwrap();
    assert!(
        judged
            .takes
            .iter()
            .all(|take| matches!(take.verdict, Verdict::Undecided { .. }))
    );
    assert!(judged.set_aside.is_empty());
    // Levels are told over their middle: 3 dB below it and above it, within the seatings' own.
    assert!(
        (judged.takes[1].level_db.unwrap() - judged.takes[0].level_db.unwrap() - 6.0).abs() < 1.2
    );
}

#[test]
fn a_side_of_which_every_take_hums_is_kept_for_want_of_a_better_one() {
    let mut takes = clean(40_005, 2, 2);
    for take in takes.iter_mut().take(2) {
        for harmonic in [50.0, 100.0, 150.0] {
            take.on_grid.level_db[at(harmonic / 1.007)] += 3.0;
        }
    }
    let judged = judge(&takes, &Settings::default()).unwrap();
    assert!(
        judged.takes[..2]
            .iter()
            .all(|take| matches!(take.verdict, Verdict::Outlier(_)))
    );
    assert!(judged.set_aside.is_empty() && side(&judged, Side::Left).kept_for_want_of_better);
    assert!(!side(&judged, Side::Right).kept_for_want_of_better);
}

#[test]
fn without_bass_in_the_data_no_seal_is_judged() {
    let mut takes = clean(40_006, 3, 3);
    for take in &mut takes {
        take.on_grid.support = at(100.0)..at(9000.0);
    }
    let judged = judge(&takes, &Settings::default()).unwrap();
    assert!(
        judged
            .takes
            .iter()
            .all(|take| take.verdict == Verdict::Sound && take.seal.is_none())
    );
    assert!(
        judged
            .sides
            .iter()
            .all(|side| side.seal == Seal::CannotBeTold)
    );
}

#[test]
fn one_take_is_sound_as_far_as_one_can_tell() {
    let takes = clean(40_007, 1, 0);
    let judged = judge(&takes, &Settings::default()).unwrap();
    assert_eq!(judged.takes[0].verdict, Verdict::Sound);
    assert_eq!(
        (judged.takes[0].distance_db, judged.takes[0].seal),
        (None, None)
    );
    assert_eq!(judged.sides[0].agreement, Agreement::OneTake);
    assert_eq!(judged.average.on_grid, takes[0].on_grid);
    let resonance = judged.resonance.unwrap();
    assert!(!resonance.moves && resonance.depth_range_mm == 0.0);
}

#[test]
fn without_a_peak_there_is_no_resonance() {
    let on_grid = OnGrid {
        level_db: vec![90.0; POINTS],
        support: 0..POINTS,
    };
    let flat = Take {
        name: "flat".to_owned(),
        side: Side::Left,
        on_grid,
    };
    let judged = judge(&[flat], &Settings::default()).unwrap();
    assert_eq!((judged.resonance, judged.takes[0].resonance), (None, None));
}

#[test]
fn a_peak_that_stays_is_passed_over_for_the_one_that_moves() {
    let mut takes = clean(40_008, 4, 4);
    let stays = section(Shape::Peaking, 5600.0, 12.0, 6.0);
    for take in &mut takes {
        spoil(take, |f| cascade::level_db(&[stays], 96e3, f));
    }
    let resonance = judge(&takes, &Settings::default())
        .unwrap()
        .resonance
        .unwrap();
    assert!(
        resonance.moves && resonance.frequency_hz > 6800.0,
        "{resonance:?}"
    );
}

// Settings, match, levels, and what holds of any takes.

#[test]
fn the_threshold_can_be_set_and_everything_can_be_kept() {
    let mut takes = clean(40_009, 4, 4);
    leak(&mut takes[2], 4.0);
    let with = |leak_threshold_db, keep_all| {
        judge(
            &takes,
            &Settings {
                leak_threshold_db,
                keep_all,
                ..Settings::default()
            },
        )
        .unwrap()
    };
    assert_eq!(with(LEAK_THRESHOLD_DB, false).set_aside, ["left-2"]);
    // 4 dB at 30 Hz are 6.1 dB at 20 Hz, where it is worst.
    assert!(with(7.0, false).set_aside.is_empty());
    let kept = with(LEAK_THRESHOLD_DB, true);
    assert!(matches!(kept.takes[2].verdict, Verdict::Leaks(_)) && !kept.takes[2].set_aside);
    assert_eq!((kept.average.takes.len(), kept.set_aside.len()), (8, 0));
    for wrong in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let settings = Settings {
            leak_threshold_db: wrong,
            ..Settings::default()
        };
        assert_eq!(
            judge(&takes, &settings).unwrap_err().kind,
            ErrorKind::Setting
        );
    }
    assert_eq!(
        judge(&[], &Settings::default()).unwrap_err().kind,
        ErrorKind::Coverage
    );
}

#[test]
fn a_known_difference_of_the_sides_is_told_as_level_and_match() {
    let take = |side, level: &dyn Fn(f64) -> f64| Take {
        name: format!("{side:?}"),
        side,
        on_grid: OnGrid {
            level_db: frequency_hz().iter().map(|f| level(*f)).collect(),
            support: 0..POINTS,
        },
    };
    let peak = section(Shape::Peaking, 5000.0, 2.0, 1.0);
    let takes = [
        take(Side::Left, &|f| 91.5 + cascade::level_db(&[peak], 96e3, f)),
        take(Side::Right, &|_| 90.0),
    ];
    let judged = judge(&takes, &Settings::default()).unwrap();
    let matching = judged.matching.unwrap();
    assert!(
        (matching.level_db - 1.5).abs() < 0.05,
        "{}",
        matching.level_db
    );
    assert!(
        (matching.worst_db - 1.95).abs() < 0.06,
        "{}",
        matching.worst_db
    );
    assert!(
        (matching.worst_hz / 5000.0 - 1.0).abs() < 0.02,
        "{}",
        matching.worst_hz
    );
    let told: Vec<f64> = (at(100.0)..at(8000.0))
        .map(|i| cascade::level_db(&[peak], 96e3, frequency_hz()[i]) + 1.5 - matching.level_db)
        .collect();
    assert!(
        (matching.rms_db - rms(&told)).abs() < 0.03,
        "{} {}",
        matching.rms_db,
        rms(&told)
    );
    // The average is the mean of the sides' means in dB, their levels as measured.
    for i in [10, 200, 400] {
        let mean_db = 0.5 * (takes[0].on_grid.level_db[i] + takes[1].on_grid.level_db[i]);
        assert!((judged.average.on_grid.level_db[i] - mean_db).abs() < 1e-9);
    }
}

#[test]
fn a_channel_imbalance_in_level_is_kept_and_is_no_spread() {
    let mut takes = clean(40_010, 3, 3);
    let before = judge(&takes, &Settings::default()).unwrap();
    takes
        .iter_mut()
        .take(3)
        .for_each(|take| spoil(take, |_| 2.0));
    let after = judge(&takes, &Settings::default()).unwrap();
    let level_db = |judged: &Judged| judged.matching.as_ref().unwrap().level_db;
    assert!((level_db(&after) - level_db(&before) - 2.0).abs() < 1e-9);
    let (before, after) = (
        before.average.spread_db.unwrap(),
        after.average.spread_db.unwrap(),
    );
    assert!(before.iter().zip(&after).all(|(a, b)| (a - b).abs() < 1e-9));
}

#[test]
fn the_judgement_is_the_same_every_time_and_in_any_order() {
    let (takes, ..) = set(40_011, true, BassVaries::Shelf);
    let judged = judge(&takes, &Settings::default()).unwrap();
    assert_eq!(judge(&takes, &Settings::default()).unwrap(), judged);
    let reversed: Vec<Take> = takes.iter().rev().cloned().collect();
    let other = judge(&reversed, &Settings::default()).unwrap();
    for take in &judged.takes {
        let found = find(&other, &take.name);
        assert_eq!(
            std::mem::discriminant(&found.verdict),
            std::mem::discriminant(&take.verdict)
        );
    }
}

// Copies.

/// `take` under another name.
fn copied(take: &Take, name: &str) -> Take {
    Take {
        name: name.to_owned(),
        ..take.clone()
    }
}

/// The copies and whose data they have.
fn copies(judged: &Judged) -> Vec<(&str, &str)> {
    let takes = judged.takes.iter();
    let copies = takes.filter(|take| take.verdict == Verdict::Copy);
    copies
        .map(|take| (take.name.as_str(), take.copy_of.as_deref().unwrap()))
        .collect()
}

#[test]
fn takes_that_are_all_the_same_count_once_and_tell_no_spread() {
    let one = clean(40_012, 1, 0).remove(0);
    let takes: Vec<Take> = ["a", "b", "c"].map(|name| copied(&one, name)).into();
    for keep_all in [false, true] {
        let settings = Settings {
            keep_all,
            ..Settings::default()
        };
        let judged = judge(&takes, &settings).unwrap();
        assert_eq!(copies(&judged), [("b", "a"), ("c", "a")]);
        assert_eq!(judged.average.takes, ["a"]);
        assert_eq!(judged.average.spread_db, None);
        assert_eq!(judged.sides[0].agreement, Agreement::OneTake);
    }
}

#[test]
fn copies_neither_outvote_a_sound_take_nor_lower_the_spread() {
    let mut takes = clean(40_014, 3, 3);
    another_unit(&mut takes[0]);
    let without = judge(&takes, &Settings::default()).unwrap();
    for name in ["copy-1", "copy-2", "copy-3"] {
        takes.push(copied(&takes[0], name));
    }
    let mut louder = copied(&takes[1], "louder");
    spoil(&mut louder, |_| 3.0);
    takes.push(louder);
    let judged = judge(&takes, &Settings::default()).unwrap();
    let of_first = |name| (name, "left-0");
    let mut expected: Vec<_> = ["copy-1", "copy-2", "copy-3"].map(of_first).into();
    // Which of two with the very same data is the copy, their names say; of two levels, the usual one counts.
    expected[0] = ("left-0", "copy-1");
    expected[1].1 = "copy-1";
    expected[2].1 = "copy-1";
    expected.push(("louder", "left-1"));
    assert_eq!(copies(&judged), expected);
    assert_eq!(judged.average.on_grid, without.average.on_grid);
    assert_eq!(judged.average.spread_db, without.average.spread_db);
}

#[test]
fn data_rounded_to_a_tenth_and_shifted_are_the_same_and_another_seating_is_not() {
    let takes = clean(40_015, 2, 0);
    let mut rounded = copied(&takes[0], "rounded");
    for level_db in &mut rounded.on_grid.level_db {
        *level_db = ((*level_db + 4.03) * 10.0).round() / 10.0;
    }
    assert!(same_data(&takes[0].on_grid, &rounded.on_grid));
    assert!(!same_data(&takes[0].on_grid, &takes[1].on_grid));
}

#[test]
fn one_file_for_both_sides_counts_once_and_leaves_no_match_where_a_side_has_nothing_else() {
    let mut takes = clean(40_016, 3, 3);
    let mut given_twice = copied(&takes[0], "right-again");
    given_twice.side = Side::Right;
    takes.push(given_twice);
    let judged = judge(&takes, &Settings::default()).unwrap();
    let told = copies(&judged);
    assert!(
        told == [("right-again", "left-0")] || told == [("left-0", "right-again")],
        "{told:?}"
    );
    assert_eq!(judged.set_aside.len(), 1);
    assert!(judged.matching.is_some());
    let only_twice = [takes[0].clone(), takes[6].clone()];
    let judged = judge(&only_twice, &Settings::default()).unwrap();
    assert_eq!(copies(&judged), [("right-again", "left-0")]);
    assert!(judged.set_aside.is_empty() && judged.matching.is_none());
}

#[test]
fn a_thousand_takes_are_judged_with_their_leaks() {
    let mut takes = clean(40_013, 500, 500);
    for take in takes.iter_mut().step_by(5) {
        leak(take, 6.0);
    }
    let judged = judge(&takes, &Settings::default()).unwrap();
    for (i, take) in judged.takes.iter().enumerate() {
        assert_eq!(
            matches!(take.verdict, Verdict::Leaks(_)),
            i % 5 == 0,
            "{}: {:?}",
            take.name,
            take.verdict
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]
    #[test]
    fn any_takes_are_judged_or_refused_without_a_panic(
        curves in prop::collection::vec(
            (0_usize..4, 0_usize..POINTS - 48, 48_usize..POINTS, prop::collection::vec(-1e3_f64..1e3, POINTS)),
            1..7,
        ),
        leak_threshold_db in 0.01_f64..20.0,
        keep_all: bool,
    ) {
        let takes: Vec<Take> = curves.iter().enumerate().map(|(i, (side, start, points, levels))| {
            let support = *start..(start + points).min(POINTS);
            let scale = [1e-3, 1.0][i % 2];
            Take {
                name: i.to_string(),
                side: Side::ALL[side % 3],
                on_grid: OnGrid { level_db: levels.iter().map(|db| scale * db).collect(), support },
            }
        }).collect();
        let settings = Settings { leak_threshold_db, keep_all, ..Settings::default() };
        match judge(&takes, &settings) {
            Ok(judged) => {
                prop_assert_eq!(judged.takes.len(), takes.len());
                let set_aside = judged.takes.iter().filter(|take| take.set_aside).count();
                prop_assert_eq!(judged.average.takes.len() + set_aside, takes.len());
                prop_assert!(judged.average.on_grid.level_db.iter().all(|db| db.is_finite()));
                for side in &judged.sides {
                    prop_assert!(side.kept > 0);
                }
                prop_assert!(serde_json::to_string(&judged.takes).is_ok_and(|text| !text.contains("NaN")));
                prop_assert!(serde_json::to_string(&judged.sides).is_ok());
            }
            Err(error) => prop_assert_eq!(error.kind, ErrorKind::Coverage),
        }
    }
}
