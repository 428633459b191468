//! Takes are judged: leaks, outliers, match, resonance; the demo's units, and seeded sets with what was planted.

use std::fs;
use std::path::Path;

use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};
use bandwright::measurement::judge::{
    Agreement, Judged, JudgedTake, LEAK_THRESHOLD_DB, Seal, Settings, Verdict, judge,
};
use bandwright::measurement::leak::Order;
use bandwright::measurement::outlier::Kind;
use bandwright::measurement::takes::{Side, Take};
use bandwright::measurement::{grid, parse};
use serde::Deserialize;

#[allow(dead_code)]
#[path = "../demo-data/make_demo_data.rs"]
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
                side: if take.side == "left" { Side::Left } else { Side::Right },
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
                (Verdict::Leaks(leak), Some(loss_db), None) => {
                    let corner_hz = planted.leak_corner_hz.unwrap();
                    assert!((leak.loss_at_30_hz_db - loss_db).abs() < 0.5, "{name}: {leak:?}");
                    assert!((leak.corner_hz / corner_hz - 1.0).abs() < 0.1, "{name}: {leak:?}");
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
        assert!(judged.set_aside.iter().map(String::as_str).eq(wrong), "{:?}", judged.set_aside);
        assert_eq!(judged.average.takes.len(), takes.len() - judged.set_aside.len());
    }
}

#[test]
fn the_mesh_unit_has_eight_takes_two_leaks_one_mislabelled_and_a_resonance_that_moves_by_600_hz() {
    let units = demo_units();
    let (unit, takes) = units.iter().find(|(unit, _)| unit.folder == "fieldfare-mesh").unwrap();
    let judged = judge(takes, &Settings::default()).unwrap();
    assert_eq!(takes.len(), 8);
    let names = |wanted: fn(&Verdict) -> bool| -> Vec<&str> {
        let takes = judged.takes.iter().filter(|take| wanted(&take.verdict));
        takes.map(|take| take.name.as_str()).collect()
    };
    assert_eq!(names(|v| matches!(v, Verdict::Leaks(_))), ["left-2.csv", "right-4.csv"]);
    assert_eq!(names(|v| matches!(v, Verdict::Outlier(_))), ["right-2.csv"]);
    let planted_hz = |pick: fn(f64, f64) -> f64, start: f64| {
        unit.take.iter().map(|take| take.resonance_hz).fold(start, pick)
    };
    let planted_range_hz = planted_hz(f64::max, 0.0) - planted_hz(f64::min, f64::MAX);
    assert!((550.0..650.0).contains(&planted_range_hz), "{planted_range_hz}");
    let resonance = judged.resonance.unwrap();
    let range_hz = resonance.range_hz.1 - resonance.range_hz.0;
    assert!((range_hz - planted_range_hz).abs() < 60.0, "{range_hz:.0} of {planted_range_hz:.0} Hz");
    assert!(resonance.moves && resonance.found_in == 7);
    // 7.71 to 8.31 kHz are 22.2 to 20.6 mm of half a wave.
    assert!((resonance.depth_range_mm - 1.6).abs() < 0.2, "{}", resonance.depth_range_mm);
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
            assert!(error.abs() < 0.02, "{}/{}: {found:?}", unit.folder, planted.file);
            assert!((6.0..14.0).contains(&found.height_db) && found.width_octaves < 0.4);
            let half_wave_mm = 343e3 / 2.0 / found.frequency_hz;
            assert!((found.half_wave_mm - half_wave_mm).abs() < 1e-9);
        }
        let unit_resonance = judged.resonance.unwrap();
        let f_hz = &frequency_hz()[unit_resonance.guard()];
        let third = (1.0_f64 / 3.0).exp2();
        assert!((unit_resonance.guard_hz.0 * third / unit_resonance.frequency_hz - 1.0).abs() < 1e-12);
        assert!(f_hz[0] >= unit_resonance.guard_hz.0 && f_hz[f_hz.len() - 1] <= unit_resonance.guard_hz.1);
        assert!(f_hz.len() >= 31);
    }
    println!("resonance: worst error {:.2} %", 100.0 * worst);
}

#[test]
fn the_dunlin_s_sides_match_as_planted() {
    let units = demo_units();
    let (_, takes) = units.iter().find(|(unit, _)| unit.folder == "dunlin").unwrap();
    let matching = judge(takes, &Settings::default()).unwrap().matching.unwrap();
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
        Self(make_demo_data::Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15)))
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
    Section { shape, f0_hz, gain_db, q }
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
    AsShelf,
    /// A low shelf anywhere from 60 to 200 Hz, q 0.5 to 0.9.
    AsAnyShelf,
    /// As a seal that is a little tighter or looser: a first-order loss or its inverse, 0.3 dB rms at 30 Hz.
    AsSeal,
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
                section(Shape::LowShelf, chance.between(90.0, 200.0), chance.between(0.0, 8.0), 0.55),
                section(peaking, chance.between(2400.0, 3200.0), chance.between(5.0, 10.0), 1.1),
                section(peaking, chance.between(300.0, 1000.0), chance.between(-2.0, 2.0), 1.0),
                section(Shape::HighShelf, 13_000.0, -12.0, 0.7),
            ],
            side_only: vec![
                section(peaking, chance.between(200.0, 4000.0), chance.between(-1.0, 1.0), 1.5),
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
            BassVaries::AsShelf => sections.push(section(Shape::LowShelf, 110.0, bass_db, 0.6)),
            BassVaries::AsAnyShelf => sections.push(section(Shape::LowShelf, f0_hz, bass_db, q)),
            BassVaries::AsSeal => {}
        }
        let own = ripple(chance, 0.05);
        let level = frequency_hz().iter().map(|f_hz| {
            let octaves = (f_hz / 1000.0).log2();
            let waves: f64 = self.ripple.iter().chain(&own)
                .map(|(db, an_octave, at)| db * (std::f64::consts::TAU * an_octave * octaves + at).cos())
                .sum();
            let noise_db = 0.05 * (1.0 + 60.0 / f_hz).sqrt() * chance.normal();
            let seal_db = match bass {
                BassVaries::AsSeal => {
                    let looser = PlantedLeak { loss_at_30_hz_db: bass_db.abs(), q: None };
                    -looser.loss_db(*f_hz) * bass_db.signum()
                }
                _ => 0.0,
            };
            let lost_db = leak.map_or(0.0, |leak| leak.loss_db(*f_hz));
            90.0 + level_db + cascade::level_db(&sections, 96e3, *f_hz) + waves + noise_db + seal_db - lost_db
        });
        let on_grid = OnGrid { level_db: level.collect(), support: 0..POINTS };
        let name = format!("{side:?}-{number}").to_lowercase();
        (Take { name, side, on_grid }, resonance_hz)
    }
}

/// A set of 3 to 5 takes a side; with leaks, at least one take of each side is sound.
fn set(seed: u64, with_leaks: bool, bass: BassVaries) -> (Vec<Take>, Vec<Option<PlantedLeak>>, Vec<f64>) {
    let mut chance = Chance::new(seed);
    let bench = Bench::new(&mut chance);
    let (mut takes, mut leaks, mut resonances_hz) = (Vec::new(), Vec::new(), Vec::new());
    for side in [Side::Left, Side::Right] {
        let count = chance.count(3, 5);
        let leaking = if with_leaks { chance.count(1, count - 1) } else { 0 };
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
                    Some(found) => count.resonance_error.push(found.frequency_hz / planted_hz - 1.0),
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
                    count.loss_error_db.push(found.loss_at_30_hz_db - leak.loss_at_30_hz_db);
                    if leak.q.is_none() {
                        count.corner_error.push(found.corner_hz / leak.corner_hz() - 1.0);
                    }
                    let told = found.order == Order::Second;
                    count.second_order_told += usize::from(told && leak.q.is_some());
                    count.first_order_called_second += usize::from(told && leak.q.is_none());
                }
            }
            count.sets_with_false_alarm += usize::from(false_alarm);
        }
        count
    }

    fn recall(&self) -> f64 {
        self.of_2_db_found as f64 / self.of_2_db as f64
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
            100.0 * self.resonance_error.iter().fold(0.0, |most: f64, e| most.max(e.abs())),
        );
    }
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

#[test]
#[ignore = "for choosing thresholds: prints the figures of the tuning seeds"]
fn tuning_seeds() {
    for bass in [BassVaries::AsShelf, BassVaries::AsAnyShelf, BassVaries::AsSeal] {
        Count::of(1_000_000..1_000_200, true, bass).print("tuning, leaks");
        Count::of(2_000_000..2_000_200, false, bass).print("tuning, clean");
    }
}
