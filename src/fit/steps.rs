//! From continuous numbers to numbers that can be typed: the equaliser's steps, or sensible decimals.
//!
//! The steps are part of the problem. One number after another is put on its nearest step and held
//! there while the rest settles again, one kind of number after another; held numbers then move by a step as long as the
//! rest settles lower. From there, and from plain rounding, single numbers, all three numbers of a section and pairs of gains
//! move by whole steps as long as J falls. The best of these ends is the answer.
//!
//! Steps are those of the numbers that one types in: an equaliser that means something else by q than the cookbook has its
//! steps there.

use super::reach::Effort;
use super::search::{Candidate, Search};
use super::solver::Stopping;
use super::space::{Ranges, Space, variables};
use crate::filter::{QMeaning, Section, Shape};
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
/// Most work of moving the numbers of one kind while others settle.
const MOST_HELD_WORK: u64 = 30_000_000;
/// Which steps are coarsest is different from equaliser to equaliser; what is held last has the least freedom left.
const HELD_ORDERS: [[Number; 3]; 2] = [
    [Number::Gain, Number::Q, Number::F0],
    [Number::F0, Number::Gain, Number::Q],
];
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
}

/// The numbers that the equaliser accepts for some sections, each of which stays in its box. Sections are *typed* here: their
/// q is what the equaliser calls q.
struct Lattice<'a> {
    limits: &'a Limits,
    boxes: Vec<&'a Ranges>,
}

/// The values a number may take: whole steps inside the range that the fit may use.
struct Knob<'a> {
    setting: &'a Setting,
    number: Number,
    more_digits: i32,
    low: f64,
    high: f64,
}

impl<'a> Lattice<'a> {
    fn new(limits: &'a Limits, space: &'a Space, sections: &[Section]) -> Self {
        let boxes = space.boxes_for(sections);
        Self { limits, boxes }
    }

    fn is_cookbook(&self, shape: Shape) -> bool {
        self.limits.rules.meaning_of(shape) == QMeaning::Cookbook
    }

    fn knob(&self, number: Number, k: usize, shape: Shape) -> Knob<'a> {
        let ranges = self.boxes[k];
        let setting = self.limits.knobs(shape, ranges.slot)[number as usize];
        let whole = setting.min()..=setting.max();
        let range = match number {
            Number::F0 => &ranges.f0_hz,
            Number::Gain => &ranges.gain_db,
            // The box is in the cookbook's terms.
            Number::Q if self.is_cookbook(shape) => &ranges.q,
            Number::Q => &whole,
        };
        Knob {
            setting,
            number,
            more_digits: 0,
            low: *range.start(),
            high: *range.end(),
        }
    }

    /// The section that the equaliser plays; None where it has none for these numbers, or one outside of the box.
    fn played(&self, k: usize, typed: &Section) -> Option<Section> {
        const ROUNDING: f64 = 1e-9;
        if self.is_cookbook(typed.shape) {
            return Some(*typed);
        }
        let rate_hz = self.limits.rates_hz[0];
        let meaning = self.limits.rules.meaning_of(typed.shape);
        let q = meaning.to_cookbook(typed.q, typed.f0_hz, typed.gain_db, rate_hz)?;
        let range = &self.boxes[k].q;
        let inside =
            (range.start() * (1.0 - ROUNDING)..=range.end() * (1.0 + ROUNDING)).contains(&q);
        inside.then_some(Section { q, ..*typed })
    }

    fn all_played(&self, typed: &[Section]) -> Option<Vec<Section>> {
        let played = typed
            .iter()
            .enumerate()
            .map(|(k, typed)| self.played(k, typed));
        played.collect()
    }

    /// A section with every number on its nearest step, typed; None where no q of the equaliser will do.
    fn rounded(&self, k: usize, section: &Section, more_digits: i32) -> Option<Section> {
        let knob = |number| Knob {
            more_digits,
            ..self.knob(number, k, section.shape)
        };
        let mut typed = *section;
        for number in [Number::F0, Number::Gain] {
            number.set(&mut typed, knob(number).nearest(number.of(section)));
        }
        let q = knob(Number::Q);
        if self.is_cookbook(section.shape) {
            typed.q = q.nearest(section.q);
            return Some(typed);
        }
        let ranges = self.boxes[k];
        let inside = section.q.clamp(*ranges.q.start(), *ranges.q.end());
        let device_q = self.limits.device_q(&Section { q: inside, ..typed })?;
        let fits = |q: &f64| self.played(k, &Section { q: *q, ..typed }).is_some();
        typed.q = q.near(device_q).into_iter().find(fits)?;
        Some(typed)
    }

    /// All sections on their nearest steps; those that the equaliser has no number for are left out.
    fn all_rounded(&self, sections: &[Section], more_digits: i32) -> (Self, Vec<Section>) {
        let rounded = sections.iter().enumerate().filter_map(|(k, section)| {
            Some((self.boxes[k], self.rounded(k, section, more_digits)?))
        });
        let (boxes, typed) = rounded.unzip();
        let limits = self.limits;
        (Self { limits, boxes }, typed)
    }
}

impl Knob<'_> {
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

    /// Values near `x`, the nearest first.
    fn near(&self, x: f64) -> Vec<f64> {
        const AROUND: i64 = 3;
        let nearest = self.nearest(x);
        let unit = 10f64.powi(-self.decimals(nearest));
        let other = |steps: i64| match self.setting.is_stepped() {
            true => self.moved(nearest, steps),
            false => Some(
                self.typed(nearest + steps as f64 * unit)
                    .clamp(self.low, self.high),
            ),
        };
        let mut values: Vec<f64> = (-AROUND..=AROUND).filter_map(other).collect();
        values.sort_by(|a, b| (a - x).abs().total_cmp(&(b - x).abs()));
        values
    }

    fn decimals(&self, x: f64) -> i32 {
        self.more_digits
            + match self.number {
                Number::F0 => F0_DIGITS - 1 - x.abs().max(1e-3).log10().floor() as i32,
                Number::Gain => GAIN_DECIMALS,
                Number::Q => Q_DECIMALS,
            }
    }

    fn typed(&self, x: f64) -> f64 {
        let decimals = self.decimals(x);
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
    effort: Effort,
    judge: &mut Search<'_>,
) -> (Vec<Section>, f64) {
    let lattice = Lattice::new(limits, space, &candidate.sections());
    let is_stepped = |k: usize, number| {
        lattice
            .knob(number, k, candidate.shapes[k])
            .setting
            .is_stepped()
    };
    let any_stepped = (0..candidate.len()).any(|k| Number::ALL.iter().any(|&n| is_stepped(k, n)));
    if !any_stepped {
        return typed(candidate, &lattice, judge);
    }
    let mut starts = vec![candidate.clone()];
    let orders = match effort {
        Effort::Quick => &HELD_ORDERS[..1],
        Effort::Normal | Effort::Deep => &HELD_ORDERS[..],
    };
    for &order in orders {
        let mut now = candidate.clone();
        let mut held = vec![false; now.x.len()];
        for number in order {
            hold_one_by_one(&mut now, number, &mut held, &lattice, judge);
            improve_held(&mut now, number, &held, &lattice, judge);
        }
        starts.push(now);
    }
    let mut best: Option<(Vec<Section>, f64)> = None;
    for start in starts {
        let (lattice, mut typed) = lattice.all_rounded(&start.sections(), 0);
        let Some(played) = lattice.all_played(&typed) else {
            continue;
        };
        let mut value = judge.value_of(&played);
        improve(&mut typed, &mut value, &lattice, judge);
        if best.as_ref().is_none_or(|(_, best)| value < *best)
            && let Some(played) = lattice.all_played(&typed)
        {
            best = Some((played, value));
        }
    }
    best.unwrap_or_else(|| (Vec::new(), judge.value_of(&[])))
}

/// Continuous numbers with as few digits as leave J what it is.
fn typed(
    candidate: &Candidate,
    lattice: &Lattice<'_>,
    judge: &mut Search<'_>,
) -> (Vec<Section>, f64) {
    let most = candidate.value * (1.0 + RAISED_SHARE) + RAISED;
    let mut with_digits = |more_digits| {
        let (lattice, typed) = lattice.all_rounded(&candidate.sections(), more_digits);
        let sections = lattice.all_played(&typed).unwrap_or_default();
        let value = judge.value_of(&sections);
        (sections, value)
    };
    (0..MOST_MORE_DIGITS)
        .map(&mut with_digits)
        .find(|(_, value)| *value <= most)
        .unwrap_or_else(|| with_digits(MOST_MORE_DIGITS))
}

/// The variable of a number of section `k` when it is on its nearest step, or so many steps away from it.
fn held_at(
    sections: &[Section],
    k: usize,
    number: Number,
    steps: i64,
    lattice: &Lattice<'_>,
) -> Option<f64> {
    let mut section = sections[k];
    let knob = lattice.knob(number, k, section.shape);
    let in_typed = number == Number::Q && !lattice.is_cookbook(section.shape);
    if in_typed {
        section.q = lattice.limits.device_q(&section)?;
    }
    let nearest = knob.nearest(number.of(&section));
    let value = match steps {
        0 => nearest,
        _ => knob.moved(nearest, steps)?,
    };
    number.set(&mut section, value);
    if in_typed {
        section = lattice.played(k, &section)?;
    }
    Some(variables(&section)[number as usize])
}

/// Puts one number of every section on its steps, the one that moves least first.
fn hold_one_by_one(
    now: &mut Candidate,
    number: Number,
    held: &mut [bool],
    lattice: &Lattice<'_>,
    judge: &mut Search<'_>,
) {
    let mut waiting: Vec<usize> = (0..now.shapes.len())
        .filter(|&k| lattice.knob(number, k, now.shapes[k]).setting.is_stepped())
        .collect();
    while !waiting.is_empty() {
        let sections = now.sections();
        let variable = |k: usize| 3 * k + number as usize;
        let stepped =
            |k: usize| held_at(&sections, k, number, 0, lattice).unwrap_or(now.x[variable(k)]);
        let distance = |k: usize| (stepped(k) - now.x[variable(k)]).abs();
        let Some(place) = (0..waiting.len())
            .min_by(|&a, &b| distance(waiting[a]).total_cmp(&distance(waiting[b])))
        else {
            return;
        };
        let k = waiting.swap_remove(place);
        let value = stepped(k);
        now.x[variable(k)] = value;
        held[variable(k)] = true;
        judge.polish_held(now, held, &SETTLE);
    }
}

/// Moves one held number by a step while all that is not held settles again, as long as J falls.
fn improve_held(
    now: &mut Candidate,
    number: Number,
    held: &[bool],
    lattice: &Lattice<'_>,
    judge: &mut Search<'_>,
) {
    let spent = judge.room.work;
    let mut since_progress = 0;
    for k in (0..now.len()).cycle() {
        let variable = 3 * k + number as usize;
        if since_progress >= now.len() || judge.room.work - spent > MOST_HELD_WORK {
            return;
        }
        since_progress += 1;
        if !held[variable] {
            continue;
        }
        for steps in [1, -1] {
            let Some(value) = held_at(&now.sections(), k, number, steps, lattice) else {
                continue;
            };
            let mut moved = now.clone();
            moved.x[variable] = value;
            judge.polish_held(&mut moved, held, &SETTLE);
            if moved.value < now.value {
                *now = moved;
                since_progress = 0;
            }
        }
    }
}

/// Moves by whole steps as long as J falls.
fn improve(typed: &mut [Section], value: &mut f64, lattice: &Lattice<'_>, judge: &mut Search<'_>) {
    let spent = judge.room.work;
    for _ in 0..MOST_PASSES {
        if judge.room.work - spent > MOST_WORK {
            break;
        }
        let before = *value;
        for k in 0..typed.len() {
            improve_section(typed, k, value, lattice, judge);
        }
        improve_gain_pairs(typed, value, lattice, judge);
        if *value >= before {
            break;
        }
    }
}

/// J with typed sections; infinite where the equaliser plays none such.
fn value_of(typed: &[Section], lattice: &Lattice<'_>, judge: &mut Search<'_>) -> f64 {
    let played = lattice.all_played(typed);
    played.map_or(f64::INFINITY, |played| judge.value_of(&played))
}

/// Moves of one number by 1, 2, 4 ... steps, and of all three by one step.
fn improve_section(
    sections: &mut [Section],
    k: usize,
    value: &mut f64,
    lattice: &Lattice<'_>,
    judge: &mut Search<'_>,
) {
    let knobs = Number::ALL.map(|number| lattice.knob(number, k, sections[k].shape));
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
        let moved = value_of(sections, lattice, judge);
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
    lattice: &Lattice<'_>,
    judge: &mut Search<'_>,
) {
    let gain = |k: usize, section: &Section, steps| {
        lattice
            .knob(Number::Gain, k, section.shape)
            .moved(section.gain_db, steps)
    };
    for a in 0..sections.len() {
        for b in 0..a {
            for (up, down) in [(1, -1), (-1, 1), (1, 1), (-1, -1)] {
                let before = (sections[a].gain_db, sections[b].gain_db);
                let (Some(first), Some(second)) =
                    (gain(a, &sections[a], up), gain(b, &sections[b], down))
                else {
                    continue;
                };
                (sections[a].gain_db, sections[b].gain_db) = (first, second);
                let moved = value_of(sections, lattice, judge);
                if moved < *value {
                    *value = moved;
                } else {
                    (sections[a].gain_db, sections[b].gain_db) = before;
                }
            }
        }
    }
}
