//! From continuous numbers to numbers that can be typed: the equaliser's steps, or sensible decimals.
//!
//! The steps are part of the problem. One number after another is put on its nearest step and held
//! there while the rest settles again, the coarsest kind first; then single numbers, all three
//! numbers of a section and pairs of gains move by whole steps as long as J falls.

use super::search::{Candidate, Search};
use super::solver::Stopping;
use super::space::{Space, variables};
use crate::filter::{Section, Shape};
use crate::limits::{Limits, Setting};

/// Decimals of a continuous gain, dB.
const GAIN_DECIMALS: i32 = 3;
/// Decimals of a continuous q.
const Q_DECIMALS: i32 = 3;
/// Significant digits of a continuous frequency.
const F0_DIGITS: i32 = 5;
/// One digit more for each, up to so many, while typing them raises J by more than this share and this much, dB^2: a
/// cascade that is met exactly is met exactly on paper too.
const MOST_MORE_DIGITS: i32 = 4;
const RAISED_SHARE: f64 = 1e-3;
const RAISED: f64 = 1e-13;
/// Passes over all sections; each must lower J, so few are needed.
const MOST_PASSES: usize = 40;
/// Most work of all passes together, in the unit of `Workspace::work`.
const MOST_WORK: u64 = 100_000_000;
/// To settle after one number was held: the next one follows at once.
const SETTLE: Stopping = Stopping {
    iterations: 10,
    relative_fall: 1e-4,
    value: 1e-12,
};
/// The largest move of a frequency by several steps in one go, in ln f0.
const F0_MOVE: f64 = 0.2;

/// Which of a section's three numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Number {
    F0,
    Gain,
    Q,
}

impl Number {
    const ALL: [Self; 3] = [Self::F0, Self::Gain, Self::Q];
    /// Gain steps are the coarsest, frequency steps the finest.
    const COARSEST_FIRST: [Self; 3] = [Self::Gain, Self::Q, Self::F0];

    fn of(self, section: &Section) -> f64 {
        match self {
            Self::F0 => section.f0_hz,
            Self::Gain => section.gain_db,
            Self::Q => section.q,
        }
    }

    fn set(self, section: &mut Section, value: f64) {
        match self {
            Self::F0 => section.f0_hz = value,
            Self::Gain => section.gain_db = value,
            Self::Q => section.q = value,
        }
    }

    fn setting(self, limits: &Limits, shape: Shape) -> &Setting {
        match self {
            Self::F0 => &limits.f0_hz,
            Self::Gain => &limits.gain_db,
            Self::Q => limits.q_of(shape),
        }
    }
}

/// The values a number may take: whole steps inside the range that the fit may use.
struct Knob<'a> {
    setting: &'a Setting,
    number: Number,
    more_digits: i32,
    low: f64,
    high: f64,
}

impl<'a> Knob<'a> {
    /// For a section that stays in its box.
    fn new(number: Number, section: &Section, limits: &'a Limits, space: &Space) -> Self {
        let ranges = space.box_of(section);
        let range = match number {
            Number::F0 => &ranges.f0_hz,
            Number::Gain => &ranges.gain_db,
            Number::Q => &ranges.q,
        };
        Self {
            setting: number.setting(limits, section.shape),
            number,
            more_digits: 0,
            low: *range.start(),
            high: *range.end(),
        }
    }

    /// The value nearest to `x`; without steps, the nearest of few decimals.
    fn nearest(&self, x: f64) -> f64 {
        let Some(index) = self.setting.nearest_index(x) else {
            return self.typed(x).clamp(self.low, self.high);
        };
        let value = self.setting.value(index);
        if value > self.high && index > 0 {
            self.setting.value(index - 1)
        } else if value < self.low {
            self.setting.value(index + 1)
        } else {
            value
        }
    }

    fn typed(&self, x: f64) -> f64 {
        let decimals = match self.number {
            Number::F0 => F0_DIGITS - 1 - x.abs().max(1e-3).log10().floor() as i32,
            Number::Gain => GAIN_DECIMALS,
            Number::Q => Q_DECIMALS,
        } + self.more_digits;
        let scale = 10f64.powi(decimals.abs());
        if decimals >= 0 {
            (x * scale).round() / scale
        } else {
            (x / scale).round() * scale
        }
    }

    /// The value so many steps away, if there is one in range.
    fn moved(&self, from: f64, steps: i64) -> Option<f64> {
        let index = i64::try_from(self.setting.nearest_index(from)?).ok()?;
        let index = usize::try_from(index.checked_add(steps)?).ok()?;
        if index >= self.setting.len()? {
            return None;
        }
        let value = self.setting.value(index);
        (self.low..=self.high).contains(&value).then_some(value)
    }
}

/// The sections of `candidate` with numbers that the equaliser accepts, and J with them. `space` lies within `limits`.
pub(super) fn on_steps(
    candidate: &Candidate,
    limits: &Limits,
    space: &Space,
    judge: &mut Search<'_>,
) -> (Vec<Section>, f64) {
    let stepped = |number: Number, shape| number.setting(limits, shape).is_stepped();
    let any_stepped = |&shape: &Shape| Number::ALL.iter().any(|&n| stepped(n, shape));
    if !candidate.shapes.iter().any(any_stepped) {
        return typed(candidate, limits, space, judge);
    }
    let mut now = candidate.clone();
    let mut held = vec![false; now.x.len()];
    for number in Number::COARSEST_FIRST {
        hold_one_by_one(&mut now, number, &mut held, limits, space, judge);
    }
    let mut sections = rounded(now.sections(), limits, space, 0);
    let mut value = judge.value_of(&sections);
    // Seldom, but then much: holding one after another can lead astray.
    let plain = rounded(candidate.sections(), limits, space, 0);
    let plain_value = judge.value_of(&plain);
    if plain_value < value {
        (sections, value) = (plain, plain_value);
    }
    let spent = judge.room.work;
    for _ in 0..MOST_PASSES {
        if judge.room.work - spent > MOST_WORK {
            break;
        }
        let before = value;
        for k in 0..sections.len() {
            improve_section(&mut sections, k, &mut value, limits, space, judge);
        }
        improve_gain_pairs(&mut sections, &mut value, limits, space, judge);
        if value >= before {
            break;
        }
    }
    (sections, value)
}

/// Continuous numbers with as few digits as leave J what it is.
fn typed(
    candidate: &Candidate,
    limits: &Limits,
    space: &Space,
    judge: &mut Search<'_>,
) -> (Vec<Section>, f64) {
    let most = candidate.value * (1.0 + RAISED_SHARE) + RAISED;
    let mut with_digits = |more_digits| {
        let sections = rounded(candidate.sections(), limits, space, more_digits);
        let value = judge.value_of(&sections);
        (sections, value)
    };
    (0..MOST_MORE_DIGITS)
        .map(&mut with_digits)
        .find(|(_, value)| *value <= most)
        .unwrap_or_else(|| with_digits(MOST_MORE_DIGITS))
}

/// Every number on its nearest step.
fn rounded(
    mut sections: Vec<Section>,
    limits: &Limits,
    space: &Space,
    more_digits: i32,
) -> Vec<Section> {
    for section in &mut sections {
        for number in Number::ALL {
            let knob = Knob {
                more_digits,
                ..Knob::new(number, section, limits, space)
            };
            let value = knob.nearest(number.of(section));
            number.set(section, value);
        }
    }
    sections
}

/// Puts one number of every section on its steps, the one that moves least first.
fn hold_one_by_one(
    now: &mut Candidate,
    number: Number,
    held: &mut [bool],
    limits: &Limits,
    space: &Space,
    judge: &mut Search<'_>,
) {
    let mut waiting: Vec<usize> = (0..now.shapes.len())
        .filter(|&k| number.setting(limits, now.shapes[k]).is_stepped())
        .collect();
    while !waiting.is_empty() {
        let sections = now.sections();
        let stepped = |k: usize| {
            let knob = Knob::new(number, &sections[k], limits, space);
            let mut section = sections[k];
            let value = knob.nearest(number.of(&section));
            number.set(&mut section, value);
            variables(&section)[number as usize]
        };
        let distance = |k: usize| (stepped(k) - now.x[3 * k + number as usize]).abs();
        let Some(place) = (0..waiting.len())
            .min_by(|&a, &b| distance(waiting[a]).total_cmp(&distance(waiting[b])))
        else {
            return;
        };
        let k = waiting.swap_remove(place);
        let variable = 3 * k + number as usize;
        now.x[variable] = stepped(k);
        held[variable] = true;
        judge.polish_held(now, held, &SETTLE);
    }
}

/// Moves of one number by 1, 2, 4 ... steps, and of all three by one step.
fn improve_section(
    sections: &mut [Section],
    k: usize,
    value: &mut f64,
    limits: &Limits,
    space: &Space,
    judge: &mut Search<'_>,
) {
    let knobs = Number::ALL.map(|number| Knob::new(number, &sections[k], limits, space));
    let mut attempt = |sections: &mut [Section], steps: [i64; 3]| {
        let before = sections[k];
        for (knob, steps) in knobs.iter().zip(steps) {
            if steps != 0 {
                match knob.moved(knob.number.of(&before), steps) {
                    Some(moved) => knob.number.set(&mut sections[k], moved),
                    None => {
                        sections[k] = before;
                        return false;
                    }
                }
            }
        }
        let far = (sections[k].f0_hz / before.f0_hz).ln().abs() > F0_MOVE;
        if far && steps[0].abs() > 1 {
            sections[k] = before;
            return false;
        }
        let moved = judge.value_of(sections);
        if moved < *value {
            *value = moved;
            return true;
        }
        sections[k] = before;
        false
    };
    for number in 0..3 {
        for exponent in 0..12 {
            for sign in [1, -1] {
                let mut steps = [0; 3];
                steps[number] = sign << exponent;
                while attempt(sections, steps) {}
            }
        }
    }
    for f0 in -1..=1 {
        for gain in -1..=1 {
            for q in -1..=1 {
                while attempt(sections, [f0, gain, q]) && [f0, gain, q] != [0; 3] {}
            }
        }
    }
}

/// Moves of two gains by one step each.
fn improve_gain_pairs(
    sections: &mut [Section],
    value: &mut f64,
    limits: &Limits,
    space: &Space,
    judge: &mut Search<'_>,
) {
    let gain = |section: &Section, steps| {
        Knob::new(Number::Gain, section, limits, space).moved(section.gain_db, steps)
    };
    for a in 0..sections.len() {
        for b in 0..a {
            for (up, down) in [(1, -1), (-1, 1), (1, 1), (-1, -1)] {
                let before = (sections[a].gain_db, sections[b].gain_db);
                let (Some(first), Some(second)) =
                    (gain(&sections[a], up), gain(&sections[b], down))
                else {
                    continue;
                };
                (sections[a].gain_db, sections[b].gain_db) = (first, second);
                let moved = judge.value_of(sections);
                if moved < *value {
                    *value = moved;
                } else {
                    (sections[a].gain_db, sections[b].gain_db) = before;
                }
            }
        }
    }
}
