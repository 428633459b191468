//! Sets of takes with one planted fault each; seeded, so that every run sees the same. Nothing here was measured but the
//! ears.
//!
//! A body is a real ear response (`tests/reference/ear`, 201 Hz and up) or a cascade of broad sections, with bass of its
//! own; left and right differ by broad sections too. Seatings move the coupler's resonance (1.5 % rms), the level (0.3 dB
//! rms) and the bass (0.1 to 0.3 dB rms at 20 Hz, as a shelf or as a tighter or looser seal), with ripple and noise. Every
//! take is written as a file of 48, 24 or 12 points an octave and two decimals, and read again.

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::random::Random;
use bandwright::measurement::grid::{self, frequency_hz};
use bandwright::measurement::judge::{Judged, JudgedTake, Seal, Settings, Verdict, judge};
use bandwright::measurement::parse;
use bandwright::measurement::takes::{Side, Take};

/// What was planted in a set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// Nothing; two to six takes a side.
    None,
    /// First-order leaks of 2 to 10 dB at 20 Hz in some takes of each side, three to six takes a side.
    Leak,
    /// The same of second order, q 0.5 to 1.25.
    ResonantLeak,
    /// One leak of either order among two takes a side.
    LeakAmongTwo,
    /// Copies within a side: the same file, another level, other decimals, another form of numbers.
    Copies,
    /// A file given for both sides.
    CopyAcross,
    /// A take of the right ear called left, beside one take that is left's.
    SwapAmongTwo,
    /// The same beside two to five takes that are left's.
    SwapAmongMore,
    /// A first-order vent in all takes of both sides, blocked in one.
    BlockedVent,
    /// The same in four to six takes of the only side.
    BlockedVentOneSide,
    /// The same in three takes of the only side: two leaks that are alike look the same.
    BlockedVentOfThree,
    /// A vent in all takes, blocked in none.
    OpenVent,
    /// Among three takes one with 8 to 24 dB more bass.
    MoreBass,
    /// Among three takes one of another body.
    OtherBody,
    /// Mains hum at two to four of the first seven harmonics.
    Hum,
    /// Roughness of 0.7 to 1.2 dB rms.
    Rough,
    /// First-order leaks of 2 to 10 dB at 20 Hz in two of three takes of the only side: where they are alike, a vent that was
    /// blocked in the third looks the same.
    TwoLeaksOfThree,
}

impl Fault {
    pub const ALL: [Self; 17] = [
        Self::None,
        Self::Leak,
        Self::ResonantLeak,
        Self::LeakAmongTwo,
        Self::Copies,
        Self::CopyAcross,
        Self::SwapAmongTwo,
        Self::SwapAmongMore,
        Self::BlockedVent,
        Self::BlockedVentOneSide,
        Self::BlockedVentOfThree,
        Self::OpenVent,
        Self::MoreBass,
        Self::OtherBody,
        Self::Hum,
        Self::Rough,
        Self::TwoLeaksOfThree,
    ];

    pub fn words(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Leak => "leaks, first order",
            Self::ResonantLeak => "leaks, second order",
            Self::LeakAmongTwo => "one leak, two takes a side",
            Self::Copies => "copies within a side",
            Self::CopyAcross => "a file for both sides",
            Self::SwapAmongTwo => "swapped label, two takes",
            Self::SwapAmongMore => "swapped label, three to six",
            Self::BlockedVent => "vent, blocked in one take",
            Self::BlockedVentOneSide => "the same, one side of four to six",
            Self::BlockedVentOfThree => "the same, one side of three",
            Self::OpenVent => "vent, never blocked",
            Self::MoreBass => "8-24 dB more bass, one of three",
            Self::OtherBody => "another body, one of three",
            Self::Hum => "hum",
            Self::Rough => "rough, 0.7-1.2 dB",
            Self::TwoLeaksOfThree => "two leaks of three, one side",
        }
    }
}

/// What is true of a take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Truth {
    Sound,
    Leaks,
    /// It is one of several of the same data.
    OneOfCopies,
    OtherSide,
    Blocked,
    Wrong,
    Hum,
    Rough,
}

/// A set, with what is true of each take.
pub struct Planted {
    pub takes: Vec<Take>,
    pub truth: Vec<Truth>,
}

/// How a set was judged.
#[derive(Debug, Default, Clone, Copy)]
pub struct Score {
    /// What was to be found: takes, or sets.
    pub planted: usize,
    /// How many of them were found, and called what they are.
    pub right: usize,
    /// How many were missed, or a sound take set aside in their stead.
    pub wrong: usize,
    /// Sound takes.
    pub sound: usize,
    /// How many of them were set aside or accused.
    pub false_alarms: usize,
}

impl Score {
    pub fn add(&mut self, other: Self) {
        self.planted += other.planted;
        self.right += other.right;
        self.wrong += other.wrong;
        self.sound += other.sound;
        self.false_alarms += other.false_alarms;
    }
}

struct Chance(Random);

impl Chance {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.unit()
    }

    fn log_between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.0.unit())
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.0.unit()).sum::<f64>() - 6.0
    }

    fn count(&mut self, low: usize, high: usize) -> usize {
        low + self.0.below(high - low + 1)
    }

    fn sign(&mut self) -> f64 {
        if self.0.unit() < 0.5 { -1.0 } else { 1.0 }
    }
}

/// A high-pass by its loss, dB, at 20 Hz.
#[derive(Clone, Copy)]
struct HighPass {
    corner_hz: f64,
    q: Option<f64>,
}

impl HighPass {
    fn losing(loss_db: f64, q: Option<f64>) -> Self {
        let power = 10_f64.powf(0.1 * loss_db);
        let corner_hz = match q {
            None => 20.0 * (power - 1.0).sqrt(),
            // (1 - c)^2 + c / q^2 = power in c = (corner / 20 Hz)^2, the larger root.
            Some(q) => {
                let half = 1.0 - 0.5 / (q * q);
                20.0 * (half + (half * half - 1.0 + power).sqrt()).sqrt()
            }
        };
        Self { corner_hz, q }
    }

    fn loss_db(self, f_hz: f64) -> f64 {
        let c = (self.corner_hz / f_hz).powi(2);
        10.0 * match self.q {
            None => 1.0 + c,
            Some(q) => (1.0 - c).powi(2) + c / (q * q),
        }
        .log10()
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

/// Column `which` of the measured ears: frequency (Hz) and level (dB).
fn ear(which: usize) -> Vec<(f64, f64)> {
    let path = format!(
        "{}/tests/reference/ear/kemar_12_ear.csv",
        env!("CARGO_MANIFEST_DIR")
    );
    let mut reader = csv::Reader::from_path(path).unwrap();
    let rows = reader.records().map(|row| {
        let row = row.unwrap();
        (row[0].parse().unwrap(), row[1 + which].parse().unwrap())
    });
    rows.collect()
}

/// A body on the common grid, dB.
fn body(chance: &mut Chance) -> Vec<f64> {
    let mut sections = vec![
        section(
            Shape::LowShelf,
            chance.between(90.0, 200.0),
            chance.between(-2.0, 8.0),
            0.55,
        ),
        section(Shape::HighShelf, 13_000.0, -8.0, 0.7),
    ];
    let measured = (chance.0.unit() < 0.5).then(|| ear(chance.count(0, 11)));
    for _ in 0..chance.count(3, 6) {
        sections.push(section(
            Shape::Peaking,
            chance.log_between(150.0, 12_000.0),
            chance.between(-5.0, 5.0),
            chance.between(0.4, 1.5),
        ));
    }
    let level = |f_hz: &f64| {
        let own = measured.as_ref().map_or(0.0, |ear| {
            let next = ear.partition_point(|(hz, _)| hz < f_hz);
            match (next.checked_sub(1).map(|i| ear[i]), ear.get(next)) {
                (Some((a_hz, a_db)), Some((b_hz, b_db))) => {
                    a_db + (b_db - a_db) * (f_hz / a_hz).ln() / (b_hz / a_hz).ln()
                }
                (Some((_, db)), None) | (None, Some(&(_, db))) => db,
                (None, None) => 0.0,
            }
        });
        own + cascade::level_db(&sections, 96e3, *f_hz)
    };
    frequency_hz().iter().map(level).collect()
}

fn ripple(chance: &mut Chance, most_db: f64) -> Vec<(f64, f64, f64)> {
    let one = |_| {
        (
            chance.between(0.0, most_db),
            chance.between(2.0, 12.0),
            chance.between(0.0, 6.3),
        )
    };
    (0..5).map(one).collect()
}

/// A unit on its rig.
struct Bench {
    /// Left and right, dB on the common grid.
    bodies: [Vec<f64>; 2],
    resonance_hz: f64,
    bass_rms_db: f64,
    points_per_octave: usize,
}

impl Bench {
    /// `least_db` to `most_db` is the largest gain of what the sides differ by.
    fn new(chance: &mut Chance, least_db: f64, most_db: f64) -> Self {
        let left = body(chance);
        let mut only_right = vec![section(
            Shape::Peaking,
            chance.log_between(300.0, 3500.0),
            chance.between(least_db, most_db) * chance.sign(),
            chance.between(0.7, 1.5),
        )];
        for _ in 0..2 {
            only_right.push(section(
                Shape::Peaking,
                chance.log_between(300.0, 12_000.0),
                chance.between(-0.5, 0.5) * most_db,
                chance.between(0.5, 2.0),
            ));
        }
        let right = left.iter().zip(frequency_hz());
        let right = right.map(|(db, f_hz)| db + cascade::level_db(&only_right, 96e3, *f_hz));
        Self {
            bodies: [left.clone(), right.collect()],
            resonance_hz: chance.between(7000.0, 9000.0),
            bass_rms_db: chance.between(0.1, 0.3),
            points_per_octave: [48, 24, 12][chance.count(0, 2)],
        }
    }

    /// Levels on the common grid of one more seating of a side, with `change` of the level added.
    fn seat(&self, chance: &mut Chance, ear: Side, change: impl Fn(f64) -> f64) -> Vec<f64> {
        let level_db = 85.0 + 0.3 * chance.normal();
        let resonance_hz = self.resonance_hz * (1.0 + 0.015 * chance.normal());
        let mut sections = vec![
            section(Shape::Peaking, resonance_hz, 7.0, 5.5),
            section(Shape::Peaking, 1.27 * resonance_hz, -5.0, 3.5),
        ];
        let bass_db = self.bass_rms_db * chance.normal();
        let seal = HighPass::losing(bass_db.abs(), None);
        let as_seal = chance.0.unit() < 0.5;
        if !as_seal {
            sections.push(section(
                Shape::LowShelf,
                chance.between(60.0, 200.0),
                bass_db,
                chance.between(0.5, 0.9),
            ));
        }
        let own = ripple(chance, 0.05);
        let levels = frequency_hz().iter().zip(&self.bodies[ear as usize]);
        let of = |(f_hz, body_db): (&f64, &f64)| {
            let octaves = (f_hz / 1000.0).log2();
            let waves: f64 = own
                .iter()
                .map(|(db, an_octave, at)| {
                    db * (std::f64::consts::TAU * an_octave * octaves + at).cos()
                })
                .sum();
            let noise_db = 0.05 * (1.0 + 60.0 / f_hz).sqrt() * chance.normal();
            let seal_db = if as_seal {
                -bass_db.signum() * seal.loss_db(*f_hz)
            } else {
                0.0
            };
            level_db
                + body_db
                + cascade::level_db(&sections, 96e3, *f_hz)
                + waves
                + noise_db
                + seal_db
                + change(*f_hz)
        };
        levels.map(of).collect()
    }

    /// A file's text: every `48 / points_per_octave`th point, `decimals` decimals.
    fn text(&self, levels_db: &[f64], decimals: usize, comma: bool) -> String {
        let rows = frequency_hz().iter().zip(levels_db);
        let rows = rows.step_by(48 / self.points_per_octave).map(|(hz, db)| {
            let row = format!("{hz:.3}\t{db:.decimals$}\n");
            if comma { row.replace('.', ",") } else { row }
        });
        rows.collect()
    }

    fn take(&self, side: Side, number: usize, text: &str) -> Take {
        let name = format!("{side:?}-{number}").to_lowercase();
        let curve = parse::parse_curve(text.as_bytes(), &name).unwrap();
        Take {
            on_grid: grid::resample(&curve).unwrap(),
            side,
            name,
        }
    }
}

/// A set being made.
struct Making {
    bench: Bench,
    takes: Vec<Take>,
    truth: Vec<Truth>,
}

impl Making {
    fn levels(&mut self, side: Side, levels_db: &[f64], truth: Truth) {
        let text = self.bench.text(levels_db, 2, false);
        self.text(side, &text, truth);
    }

    fn text(&mut self, side: Side, text: &str, truth: Truth) {
        let number = self.takes.len();
        self.takes.push(self.bench.take(side, number, text));
        self.truth.push(truth);
    }

    fn sound(&mut self, chance: &mut Chance, side: Side, count: usize) {
        for _ in 0..count {
            let levels_db = self.bench.seat(chance, side, |_| 0.0);
            self.levels(side, &levels_db, Truth::Sound);
        }
    }

    fn with(&mut self, chance: &mut Chance, side: Side, truth: Truth, change: impl Fn(f64) -> f64) {
        let levels_db = self.bench.seat(chance, side, change);
        self.levels(side, &levels_db, truth);
    }
}

const LEFT: Side = Side::Left;
const RIGHT: Side = Side::Right;

/// The set of a seed with a fault.
pub fn planted(fault: Fault, seed: u64) -> Planted {
    let mut chance = Chance(Random::new(
        0x5ea7_0000 + seed.wrapping_mul(0x9e37_79b9) + 1_000_003 * fault as u64,
    ));
    let c = &mut chance;
    // A label can be told only where the sides differ by more than takes do.
    let (least_db, most_db) = match fault {
        Fault::SwapAmongTwo | Fault::SwapAmongMore => (2.0, 4.0),
        _ => (0.0, 1.5),
    };
    let mut set = Making {
        bench: Bench::new(c, least_db, most_db),
        takes: Vec::new(),
        truth: Vec::new(),
    };
    match fault {
        Fault::None => {
            for side in Side::BOTH {
                let count = c.count(2, 6);
                set.sound(c, side, count);
            }
        }
        Fault::Leak | Fault::ResonantLeak => {
            for side in Side::BOTH {
                let count = c.count(3, 6);
                let leaking = c.count(1, count - 1);
                for _ in 0..leaking {
                    leak(&mut set, c, side, fault == Fault::ResonantLeak);
                }
                set.sound(c, side, count - leaking);
            }
        }
        Fault::LeakAmongTwo => {
            set.sound(c, LEFT, 1);
            let resonant = c.0.unit() < 0.5;
            leak(&mut set, c, LEFT, resonant);
            set.sound(c, RIGHT, 2);
        }
        Fault::Copies | Fault::CopyAcross => copies(&mut set, c, fault == Fault::CopyAcross),
        Fault::SwapAmongTwo => {
            set.sound(c, LEFT, 1);
            set.sound(c, RIGHT, 2);
            set.with(c, RIGHT, Truth::OtherSide, |_| 0.0);
            set.takes[3].side = LEFT;
        }
        Fault::SwapAmongMore => {
            let (left, right) = (c.count(2, 5), c.count(2, 6));
            set.sound(c, LEFT, left);
            set.sound(c, RIGHT, right);
            set.with(c, RIGHT, Truth::OtherSide, |_| 0.0);
            set.takes[left + right].side = LEFT;
        }
        Fault::BlockedVent
        | Fault::BlockedVentOneSide
        | Fault::BlockedVentOfThree
        | Fault::OpenVent => vent(&mut set, c, fault),
        Fault::MoreBass => {
            let more = HighPass::losing(c.between(8.0, 24.0), None);
            let shelf = section(
                Shape::LowShelf,
                c.between(50.0, 200.0),
                c.between(8.0, 22.0),
                c.between(0.5, 0.8),
            );
            let as_shelf = c.0.unit() < 0.5;
            set.with(c, LEFT, Truth::Wrong, |f_hz| {
                if as_shelf {
                    cascade::level_db(&[shelf], 96e3, f_hz)
                } else {
                    more.loss_db(f_hz)
                }
            });
            set.sound(c, LEFT, 2);
            let right = c.count(1, 3);
            set.sound(c, RIGHT, right);
        }
        Fault::OtherBody => {
            set.sound(c, LEFT, 2);
            let right = c.count(1, 3);
            set.sound(c, RIGHT, right);
            let own = std::mem::replace(&mut set.bench.bodies[0], body(c));
            set.with(c, LEFT, Truth::Wrong, |_| 0.0);
            set.bench.bodies[0] = own;
        }
        Fault::Hum => {
            // The hum of a mains lead is narrow: coarse files smooth it away.
            set.bench.points_per_octave = [48, 24][c.count(0, 1)];
            let mains_hz = [50.0, 60.0][c.count(0, 1)];
            let harmonics: &[f64] = [
                &[1.0, 2.0, 3.0][..],
                &[1.0, 3.0, 5.0, 7.0],
                &[3.0, 7.0],
                &[5.0, 7.0],
                &[1.0, 7.0],
            ][c.count(0, 4)];
            let sides = (c.count(3, 5), c.count(2, 4));
            set.sound(c, LEFT, sides.0 - 1);
            set.sound(c, RIGHT, sides.1);
            let mut levels_db = set.bench.seat(c, LEFT, |_| 0.0);
            let step = 48 / set.bench.points_per_octave;
            for harmonic in harmonics {
                let at = frequency_hz().partition_point(|f| *f < mains_hz * harmonic / 1.007);
                levels_db[(at + step / 2) / step * step] += c.between(2.0, 7.0);
            }
            set.levels(LEFT, &levels_db, Truth::Hum);
        }
        Fault::Rough => {
            let sides = (c.count(3, 5), c.count(2, 4));
            set.sound(c, LEFT, sides.0 - 1);
            set.sound(c, RIGHT, sides.1);
            let mut levels_db = set.bench.seat(c, LEFT, |_| 0.0);
            let rough_db = c.between(0.7, 1.2);
            for db in &mut levels_db {
                *db += rough_db * c.normal();
            }
            set.levels(LEFT, &levels_db, Truth::Rough);
        }
        Fault::TwoLeaksOfThree => {
            for _ in 0..2 {
                leak(&mut set, c, LEFT, false);
            }
            set.sound(c, LEFT, 1);
        }
    }
    Planted {
        takes: set.takes,
        truth: set.truth,
    }
}

fn leak(set: &mut Making, c: &mut Chance, side: Side, resonant: bool) {
    let q = resonant.then(|| c.between(0.5, 1.25));
    let leak = HighPass::losing(c.between(2.0, 10.0), q);
    set.with(c, side, Truth::Leaks, |f_hz| -leak.loss_db(f_hz));
}

fn copies(set: &mut Making, c: &mut Chance, across: bool) {
    let original = set.bench.seat(c, LEFT, |_| 0.0);
    let text = set.bench.text(&original, 2, false);
    set.text(LEFT, &text, Truth::OneOfCopies);
    let copies = if across { 1 } else { c.count(1, 3) };
    for _ in 0..copies {
        let shift_db = c.between(-6.0, 6.0);
        let shifted: Vec<f64> = original.iter().map(|db| db + shift_db).collect();
        let copy = match c.count(0, 3) {
            0 => text.clone(),
            1 => set.bench.text(&shifted, 2, false),
            2 => set.bench.text(&original, 1, true),
            _ => set.bench.text(&shifted, 1, false),
        };
        let side = if across { RIGHT } else { LEFT };
        set.text(side, &copy, Truth::OneOfCopies);
    }
    let sides = (c.count(1, 4), c.count(1, 4));
    set.sound(c, LEFT, sides.0);
    set.sound(c, RIGHT, sides.1);
}

/// A vent's corner is the same in every seating to 1.5 % rms, and to 3 % rms in both sides.
fn vent(set: &mut Making, c: &mut Chance, fault: Fault) {
    let corner_hz = c.log_between(20.0, 120.0);
    let (sides, (least, most)): (&[Side], _) = match fault {
        Fault::BlockedVentOneSide => (&[LEFT], (4, 6)),
        Fault::BlockedVentOfThree => (&[LEFT], (3, 3)),
        _ => (&Side::BOTH, (2, 6)),
    };
    let blocked = fault != Fault::OpenVent;
    for side in sides {
        let of_side_hz = corner_hz * (1.0 + 0.03 * c.normal());
        let here = usize::from(blocked && *side == LEFT);
        for _ in 0..c.count(least, most) - here {
            let vent = HighPass {
                corner_hz: of_side_hz * (1.0 + 0.015 * c.normal()),
                q: None,
            };
            set.with(c, *side, Truth::Sound, |f_hz| -vent.loss_db(f_hz));
        }
    }
    if blocked {
        set.with(c, LEFT, Truth::Blocked, |_| 0.0);
    }
}

/// How the set of a seed is judged.
pub fn score(fault: Fault, seed: u64) -> Score {
    let set = planted(fault, seed);
    let judged = judge(&set.takes, &Settings::default()).unwrap();
    score_of(fault, &set, &judged)
}

fn score_of(fault: Fault, set: &Planted, judged: &Judged) -> Score {
    let mut score = Score::default();
    let takes = || judged.takes.iter().zip(&set.truth);
    for (take, truth) in takes() {
        match truth {
            Truth::Sound => {
                score.sound += 1;
                // Where nothing can tell which of them are right, they stay undecided, and that is no accusation.
                let accused = match fault {
                    Fault::SwapAmongTwo | Fault::BlockedVentOfThree | Fault::TwoLeaksOfThree => {
                        take.set_aside
                    }
                    _ => is_accused(take),
                };
                score.false_alarms += usize::from(accused);
            }
            Truth::OneOfCopies => {}
            _ => {
                score.planted += 1;
                score.right += usize::from(is_told(take, *truth));
            }
        }
    }
    let sound_lost = takes().any(|(take, truth)| *truth == Truth::Sound && take.set_aside);
    match fault {
        Fault::Copies | Fault::CopyAcross => {
            let copies = takes().filter(|(_, truth)| **truth == Truth::OneOfCopies);
            let told = copies.clone().filter(|(take, _)| is_copy(take)).count();
            score.planted = 1;
            score.right = usize::from(told + 1 == copies.count());
        }
        Fault::BlockedVent
        | Fault::BlockedVentOneSide
        | Fault::BlockedVentOfThree
        | Fault::OpenVent => {
            let accused = |side: &bandwright::measurement::judge::JudgedSide| {
                matches!(side.seal, Seal::LessThanTheOtherSide(_))
                    || side.sound_takes_lose.is_some()
            };
            let whole =
                score.right == score.planted && !sound_lost && !judged.sides.iter().any(accused);
            score.planted = 1;
            score.right = usize::from(whole);
            score.wrong = usize::from(sound_lost);
            if fault == Fault::BlockedVentOfThree {
                return score;
            }
        }
        Fault::None => {
            score.planted = 0;
        }
        Fault::TwoLeaksOfThree => {
            score.wrong = usize::from(sound_lost);
            score.right = usize::from(score.right == score.planted && !sound_lost);
            score.planted = 1;
            return score;
        }
        Fault::SwapAmongTwo | Fault::SwapAmongMore | Fault::MoreBass | Fault::OtherBody => {
            score.planted = 1;
            score.wrong = usize::from(sound_lost);
            score.right = usize::from(score.right == 1 && !sound_lost);
            return score;
        }
        _ => {}
    }
    score.wrong = score.planted - score.right;
    score
}

/// A take that was left out, or called other than sound.
fn is_accused(take: &JudgedTake) -> bool {
    take.set_aside || take.verdict != Verdict::Sound
}

/// Whether it was called what it is.
fn is_told(take: &JudgedTake, truth: Truth) -> bool {
    let words = take.verdict.to_string();
    match truth {
        Truth::Sound | Truth::OneOfCopies => false,
        Truth::Leaks | Truth::Wrong => take.set_aside,
        Truth::OtherSide => words.contains("swapped"),
        Truth::Blocked => take.set_aside && words.contains("vent"),
        Truth::Hum => take.set_aside && words.contains("hum"),
        Truth::Rough => take.set_aside && words.contains("rough"),
    }
}

fn is_copy(take: &JudgedTake) -> bool {
    take.verdict.to_string().contains("same data")
}
