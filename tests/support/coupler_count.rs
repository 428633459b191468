//! What the judgement makes of planted couplers, counted.

use std::fmt;

use bandwright::fit::random::Random;
use bandwright::measurement::grid::frequency_hz;
use bandwright::measurement::judge::{Settings, judge};
use bandwright::measurement::resonance::TakenOut;

use super::couplers::{self, Own, Planted};

/// The band in which the curve with the resonance taken out is held to the planted one, Hz.
const JUDGED_HZ: (f64, f64) = (4000.0, 14_000.0);

/// How far the seat moved the resonance between takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moved {
    /// By 1 to 3 per cent, standard deviation.
    Well,
    /// By up to 0.1 per cent.
    Hardly,
}

impl Moved {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Well, Self::Hardly];

    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Well => "1 to 3 %",
            Self::Hardly => "up to 0.1 %",
        }
    }

    fn range(self) -> (f64, f64) {
        match self {
            Self::Well => (0.01, 0.03),
            Self::Hardly => (0.0, 0.001),
        }
    }
}

/// Counts over units.
#[derive(Debug, Clone, Default)]
pub struct Count {
    pub units: usize,
    /// A peak was called the coupler's.
    pub claimed: usize,
    /// That was a peak of the earphone's own, or another place more than 2 per cent off.
    pub wrong: usize,
    /// That was within 1 per cent of the coupler's.
    pub within: usize,
    /// Takes of claimed units, and how many of them have their own resonance within 1 per cent.
    pub takes: usize,
    pub takes_within: usize,
    /// Units whose curve with the resonance taken out was told.
    pub told: usize,
    /// Its points from 4 to 14 kHz, those whose planted level is in its band, and sums about them.
    pub points: usize,
    pub covered: usize,
    pub squares: f64,
    pub half_widths_db: f64,
}

impl Count {
    /// Head of the table whose rows are counts.
    pub const HEAD: &'static str = "| takes moved | earphone | units | called the coupler's | wrongly | within 1 % | takes within 1 % | curve told | in its band | off, dB rms | half band, dB |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |";

    /// Of one unit of 3 to 6 takes a side.
    pub fn of(seed: u64, own: Own, moved: Moved) -> Self {
        let planted = planted(seed, own, moved);
        let judged = judge(&planted.takes, &Settings::default()).unwrap();
        let mut count = Self {
            units: 1,
            ..Self::default()
        };
        let Some(found) = judged.resonance.as_ref().filter(|found| found.moves) else {
            return count;
        };
        let off = (found.frequency_hz / planted.middle_hz() - 1.0).abs();
        count.claimed = 1;
        count.wrong = usize::from(off > 0.02);
        count.within = usize::from(off <= 0.01);
        for (take, planted_hz) in judged.takes.iter().zip(&planted.resonance_hz) {
            count.takes += 1;
            let near = |hz: f64| (hz / planted_hz - 1.0).abs() <= 0.01;
            count.takes_within += usize::from(take.resonance.is_some_and(|r| near(r.frequency_hz)));
        }
        if let Some(curve) = &found.taken_out {
            count.told = 1;
            count.curve(curve, &planted);
        }
        count
    }

    fn curve(&mut self, curve: &TakenOut, planted: &Planted) {
        for point in &curve.points {
            if !(JUDGED_HZ.0..=JUDGED_HZ.1).contains(&point.frequency_hz) {
                continue;
            }
            let planted_db = at(&planted.own_db, point.frequency_hz);
            self.points += 1;
            self.covered += usize::from((point.low_db..=point.high_db).contains(&planted_db));
            self.squares += (point.level_db - planted_db).powi(2);
            self.half_widths_db += 0.5 * (point.high_db - point.low_db);
        }
    }

    /// Both counts together.
    pub fn and(self, other: Self) -> Self {
        Self {
            units: self.units + other.units,
            claimed: self.claimed + other.claimed,
            wrong: self.wrong + other.wrong,
            within: self.within + other.within,
            takes: self.takes + other.takes,
            takes_within: self.takes_within + other.takes_within,
            told: self.told + other.told,
            points: self.points + other.points,
            covered: self.covered + other.covered,
            squares: self.squares + other.squares,
            half_widths_db: self.half_widths_db + other.half_widths_db,
        }
    }
}

fn planted(seed: u64, own: Own, moved: Moved) -> Planted {
    let chance = &mut Random::new(0x5ea7_0000 + seed);
    let takes_a_side = 3 + chance.below(4);
    let (least, most) = moved.range();
    let seat_sd = least + (most - least) * chance.unit();
    couplers::unit(seed, own, seat_sd, takes_a_side)
}

/// Level at a frequency within the grid, dB.
fn at(level_db: &[f64], hz: f64) -> f64 {
    let after = frequency_hz().partition_point(|f_hz| *f_hz < hz).max(1);
    let (low_hz, high_hz) = (frequency_hz()[after - 1], frequency_hz()[after]);
    let share = (hz / low_hz).log2() / (high_hz / low_hz).log2();
    level_db[after - 1] + share * (level_db[after] - level_db[after - 1])
}

impl fmt::Display for Count {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let share = |part: usize, of: usize| match of {
            0 => "-".to_owned(),
            of => format!("{:.1} %", 100.0 * part as f64 / of as f64),
        };
        let mean = |sum: f64| match self.points {
            0 => "-".to_owned(),
            points => format!("{:.2}", sum / points as f64),
        };
        let rms = match self.points {
            0 => "-".to_owned(),
            points => format!("{:.2}", (self.squares / points as f64).sqrt()),
        };
        write!(
            f,
            "{} | {} | {} | {} | {} | {} | {} | {rms} | {}",
            self.units,
            share(self.claimed, self.units),
            share(self.wrong, self.units),
            share(self.within, self.claimed),
            share(self.takes_within, self.takes),
            share(self.told, self.units),
            share(self.covered, self.points),
            mean(self.half_widths_db),
        )
    }
}
