//! Simulated earphones, and the ears of simulated listeners. Invented curves; nothing here was measured.
//!
//! A unit is a body (broad humps on a diffuse-field curve) and what the air before the microphone or the eardrum adds: a
//! half-wave resonance, a dip above it and a second mode, which move together. Its takes are made in one coupler, where
//! only the seat moves them; ears move them further. In a third of the units a dip wanders with the seat too.

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::random::Random;
use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};
use bandwright::measurement::smooth::{Width, erb_hz, smooth};
use bandwright::measurement::takes::{Side, Take};

/// Standard deviation of the seat in the coupler, octaves of its resonance: about 1 mm of 21 mm.
const SEAT_OCTAVES: f64 = 0.05;
/// Standard deviation of ears and their seats about the coupler, octaves.
const EARS_OCTAVES: f64 = 0.18;
/// Ears a unit is heard with, of those that its average is taken over.
pub const EARS: usize = 12;
/// Ears of which the mean is the unit's true expected curve.
const POPULATION: usize = 400;
const TAKES_A_SIDE: usize = 4;

pub struct Unit {
    pub takes: Vec<Take>,
    /// The unit in ears that no fit has seen.
    pub ears: Vec<OnGrid>,
    /// Where its resonance lies in each of them, Hz.
    pub ears_hz: Vec<f64>,
    /// Mean over very many other ears, dB.
    pub expected: OnGrid,
}

fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * random.unit()
}

/// About normal: the sum of twelve even numbers.
fn normal(random: &mut Random, deviation: f64) -> f64 {
    deviation * ((0..12).map(|_| random.unit()).sum::<f64>() - 6.0)
}

/// A peak of `height_db` (a dip where negative) and its half width, octaves, at `ratio` times the resonance.
struct Mode {
    ratio: f64,
    height_db: f64,
    half_width_octaves: f64,
}

impl Mode {
    fn level_db(&self, resonance_hz: f64, f_hz: f64) -> f64 {
        let x = (f_hz / (self.ratio * resonance_hz)).log2() / self.half_width_octaves;
        let height = 10f64.powf(self.height_db.abs() / 10.0);
        let level_db = 10.0 * (1.0 + (height - 1.0) / (1.0 + x * x)).log10();
        level_db.copysign(self.height_db)
    }
}

struct Earphone {
    body: [Vec<Section>; 2],
    base_db: Vec<f64>,
    modes: [Mode; 3],
    resonance_hz: f64,
    /// Frequency and depth of a dip that wanders with the seat.
    dip: Option<(f64, f64)>,
}

/// What a unit of known faults has.
#[derive(Clone, Copy)]
pub struct Faults {
    /// Largest gain of the humps that a side has alone, dB.
    pub sides_db: f64,
    /// Standard deviation of the bass of its seatings, dB.
    pub bass_db: f64,
    /// Depth of a dip that wanders with the seat, dB, 0 for none.
    pub dip_db: f64,
}

impl Faults {
    /// Those of most units.
    pub const USUAL: Self = Self {
        sides_db: 0.6,
        bass_db: 0.3,
        dip_db: 0.0,
    };
}

/// The seatings of one unit, as many as are asked for.
pub struct Seatings {
    earphone: Earphone,
    faults: Faults,
    random: Random,
}

impl Seatings {
    /// The unit of this number, of those with such faults.
    pub fn of_unit(index: u64, faults: Faults, diffuse_db: &[f64]) -> Self {
        let mut random = Random::new(0xc0_4ba5 + 6151 * index);
        let mut earphone = Earphone::with_sides(&mut random, diffuse_db, false, faults.sides_db);
        if faults.dip_db != 0.0 {
            earphone.dip = Some((between(&mut random, 2500.0, 5000.0), -faults.dip_db));
        }
        Self {
            earphone,
            faults,
            random,
        }
    }

    /// So many takes a side in one coupler.
    pub fn takes(&mut self, a_side: usize) -> Vec<Take> {
        let seat = Seat {
            octaves: SEAT_OCTAVES,
            bass_db: self.faults.bass_db,
        };
        self.earphone.takes(&mut self.random, a_side, seat)
    }

    /// What the sections of the sides differ in, dB rms from 100 Hz to 8 kHz about the median of 200 Hz to 2 kHz, smoothed
    /// by 1/3 octave.
    pub fn sides_apart_db(&self) -> f64 {
        let f_hz = frequency_hz();
        let [left, right] = [0, 1].map(|side| {
            let sections = &self.earphone.body[side];
            cascade::levels_db(sections, 96_000.0, f_hz)
        });
        let difference = OnGrid {
            level_db: left.iter().zip(&right).map(|(a, b)| a - b).collect(),
            support: 0..POINTS,
        };
        let smoothed = smooth(&difference, Width::parse("1/3").unwrap()).level_db;
        let within = |low: f64, high: f64| {
            let inside = move |(f, _): &(&f64, &f64)| (low..=high).contains(*f);
            f_hz.iter()
                .zip(&smoothed)
                .filter(inside)
                .map(|(_, db)| *db)
                .collect::<Vec<f64>>()
        };
        let mut middle = within(200.0, 2000.0);
        middle.sort_by(f64::total_cmp);
        let median = middle[middle.len() / 2];
        let judged = within(100.0, 8000.0);
        let squares: f64 = judged.iter().map(|db| (db - median).powi(2)).sum();
        (squares / judged.len() as f64).sqrt()
    }

    /// The standard deviation of the seatings from 20 to 100 Hz, dB rms, each at the level of its median over 200 Hz to
    /// 2 kHz. Leaks count.
    pub fn bass_spread_db(&self) -> f64 {
        let shelf = Section {
            shape: Shape::LowShelf,
            f0_hz: 110.0,
            gain_db: self.faults.bass_db,
            q: 0.6,
        };
        let within = |low: f64, high: f64| {
            let inside = |f: &f64| (low..=high).contains(f);
            let at_hz: Vec<f64> = frequency_hz().iter().copied().filter(inside).collect();
            cascade::levels_db(&[shelf], 96_000.0, &at_hz)
        };
        // The level of a shelf falls, so its median is in the middle.
        let middle = within(200.0, 2000.0);
        let median = middle[middle.len() / 2];
        let low = within(20.0, 100.0);
        let squares: f64 = low.iter().map(|db| (db - median).powi(2)).sum();
        (squares / low.len() as f64).sqrt()
    }
}

/// How far a seat moves what moves.
#[derive(Clone, Copy)]
struct Seat {
    octaves: f64,
    bass_db: f64,
}

impl Earphone {
    fn random(random: &mut Random, diffuse_db: &[f64], wanders: bool) -> Self {
        Self::with_sides(random, diffuse_db, wanders, Faults::USUAL.sides_db)
    }

    fn with_sides(random: &mut Random, diffuse_db: &[f64], wanders: bool, sides_db: f64) -> Self {
        let hump = |random: &mut Random, low_hz: f64, high_hz: f64, most_db: f64| Section {
            shape: Shape::Peaking,
            f0_hz: 2f64.powf(between(random, low_hz.log2(), high_hz.log2())),
            gain_db: between(random, -most_db, most_db),
            q: between(random, 0.4, 1.6),
        };
        let mut common: Vec<Section> = (0..6).map(|_| hump(random, 60.0, 9000.0, 5.0)).collect();
        common.push(Section {
            shape: Shape::LowShelf,
            f0_hz: between(random, 60.0, 200.0),
            gain_db: between(random, -5.0, 7.0),
            q: 0.6,
        });
        let side = |random: &mut Random| {
            let own = (0..3).map(|_| hump(random, 100.0, 7000.0, sides_db));
            common.iter().copied().chain(own).collect::<Vec<_>>()
        };
        let share = between(random, 0.6, 1.1);
        let slope_db = between(random, -1.0, 0.0);
        let base = |(f_hz, db): (&f64, &f64)| share * db + slope_db * (f_hz / 1000.0).log2();
        Self {
            body: [side(random), side(random)],
            base_db: frequency_hz().iter().zip(diffuse_db).map(base).collect(),
            modes: [
                Mode {
                    ratio: 1.0,
                    height_db: between(random, 6.0, 11.0),
                    half_width_octaves: between(random, 0.06, 0.11),
                },
                Mode {
                    ratio: between(random, 1.28, 1.45),
                    height_db: between(random, -9.0, -4.0),
                    half_width_octaves: between(random, 0.06, 0.11),
                },
                Mode {
                    ratio: between(random, 1.85, 2.1),
                    height_db: between(random, 2.0, 6.0),
                    half_width_octaves: between(random, 0.06, 0.11),
                },
            ],
            resonance_hz: 8000.0 * normal(random, 0.05).exp2(),
            dip: wanders.then(|| {
                let f_hz = between(random, 2500.0, 6000.0);
                (f_hz, between(random, -8.0, -4.0))
            }),
        }
    }

    /// So many takes a side, with a little noise.
    fn takes(&self, random: &mut Random, a_side: usize, seat: Seat) -> Vec<Take> {
        let mut takes = Vec::new();
        for (k, side) in Side::BOTH.into_iter().enumerate() {
            for number in 1..=a_side {
                let (mut on_grid, _) = self.seated_as(random, k, seat);
                for db in &mut on_grid.level_db {
                    *db += normal(random, 0.03);
                }
                takes.push(Take {
                    name: format!("{side:?}-{number}"),
                    side,
                    on_grid,
                });
            }
        }
        takes
    }

    /// One seating, and where its resonance lies, Hz: resonance and dip are moved by so many octaves, standard deviation.
    fn seated(&self, random: &mut Random, side: usize, octaves: f64) -> (OnGrid, f64) {
        let bass_db = Faults::USUAL.bass_db;
        self.seated_as(random, side, Seat { octaves, bass_db })
    }

    fn seated_as(&self, random: &mut Random, side: usize, seat: Seat) -> (OnGrid, f64) {
        let Seat { octaves, bass_db } = seat;
        let resonance_hz = self.resonance_hz * normal(random, octaves).exp2();
        let mut sections = self.body[side].clone();
        sections.push(Section {
            shape: Shape::LowShelf,
            f0_hz: 110.0,
            gain_db: normal(random, bass_db),
            q: 0.6,
        });
        let dip = self.dip.map(|(f_hz, height_db)| {
            let mode = Mode {
                ratio: 1.0,
                height_db: height_db + normal(random, 0.5),
                half_width_octaves: 0.08,
            };
            (f_hz * normal(random, octaves.max(0.08)).exp2(), mode)
        });
        let level_db = normal(random, 0.3);
        let at = |(f_hz, base_db): (&f64, &f64)| {
            let modes = self
                .modes
                .iter()
                .map(|mode| mode.level_db(resonance_hz, *f_hz));
            let dip = dip.iter().map(|(at_hz, mode)| mode.level_db(*at_hz, *f_hz));
            base_db
                + level_db
                + modes.chain(dip).sum::<f64>()
                + cascade::level_db(&sections, 96_000.0, *f_hz)
        };
        let curve = OnGrid {
            level_db: frequency_hz().iter().zip(&self.base_db).map(at).collect(),
            support: 0..POINTS,
        };
        (curve, resonance_hz)
    }
}

/// The unit of this number; every third has a dip that wanders. `diffuse_db` is a diffuse-field curve on the grid.
pub fn unit(index: u64, diffuse_db: &[f64]) -> Unit {
    let random = &mut Random::new(0x11_57e7 + 7919 * index);
    let earphone = Earphone::random(random, diffuse_db, index % 3 == 2);
    let seat = Seat {
        octaves: SEAT_OCTAVES,
        bass_db: Faults::USUAL.bass_db,
    };
    let takes = earphone.takes(random, TAKES_A_SIDE, seat);
    let ear = |random: &mut Random, n: usize| earphone.seated(random, n % 2, EARS_OCTAVES);
    let (ears, ears_hz) = (0..EARS).map(|n| ear(random, n)).unzip();
    let mut mean_db = vec![0.0; POINTS];
    for n in 0..POPULATION {
        for (mean, db) in mean_db.iter_mut().zip(ear(random, n).0.level_db) {
            *mean += db / POPULATION as f64;
        }
    }
    Unit {
        takes,
        ears,
        ears_hz,
        expected: OnGrid {
            level_db: mean_db,
            support: 0..POINTS,
        },
    }
}

/// ERB-smoothed rms distance from the target, the level free, over evenly spaced ERB numbers, dB.
pub fn heard_error_db(ear: &OnGrid, eq_db: &[f64], target_db: &[f64], band_hz: (f64, f64)) -> f64 {
    let mut error = ear.clone();
    for ((error, eq_db), target_db) in error.level_db.iter_mut().zip(eq_db).zip(target_db) {
        *error += eq_db - target_db;
    }
    let error = smooth(&error, Width::Erb);
    let f_hz = frequency_hz();
    // Points are spaced evenly in log f: an interval holds f / ERB(f) of them.
    let weight = |f_hz: f64| f_hz / erb_hz(f_hz);
    let level_over = |low_hz: f64, high_hz: f64| {
        let inside = (0..POINTS).filter(move |i| (low_hz..=high_hz).contains(&f_hz[*i]));
        let (mut sum, mut square, mut total) = (0.0, 0.0, 0.0);
        for i in inside {
            let (w, db) = (weight(f_hz[i]), error.level_db[i]);
            total += w;
            sum += w * db;
            square += w * db * db;
        }
        (sum / total, square / total)
    };
    // The level is that of the whole band, also where a part of it is judged.
    let (level_db, _) = level_over(100.0, 16_000.0);
    let (mean_db, square) = level_over(band_hz.0, band_hz.1);
    (square - 2.0 * level_db * mean_db + level_db * level_db)
        .max(0.0)
        .sqrt()
}

/// A-weighted level in a diffuse field that sounds like pink noise through the unit and the EQ, dB, against no EQ.
pub fn loudness_change_db(
    unit_db: &[f64],
    eq_db: &[f64],
    preamp_db: f64,
    diffuse_db: &[f64],
    a_db: impl Fn(f64) -> f64,
) -> f64 {
    let power = |eq_db: &dyn Fn(usize) -> f64| -> f64 {
        let at = |i: usize| {
            let db = unit_db[i] - diffuse_db[i] + a_db(frequency_hz()[i]) + eq_db(i);
            10f64.powf(db / 10.0)
        };
        (0..POINTS).map(at).sum()
    };
    preamp_db + 10.0 * (power(&|i| eq_db[i]) / power(&|_| 0.0)).log10()
}
