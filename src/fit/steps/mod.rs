//! From continuous numbers to numbers that can be typed: the equaliser's steps, or sensible decimals.
//!
//! The steps are part of the problem. The best continuous answer is not always the best on coarse steps, so the search goes
//! on from several nearly as good ones:
//!
//! 1. The kind of number whose steps cost most (f0, gain or q) is put on its steps, one section after another, while the rest
//!    settles; then single ones move by a step, the rest settling again, as long as J falls.
//! 2. Of all that was tried so, the best few go on: the next kind is held likewise, and a quadratic model finds the points
//!    on steps near its least one, all numbers together (`src/fit/beam.rs`); then once more about the best of these.
//! 3. From the best of these ends single numbers, all three numbers of a section and pairs of gains move by whole steps as
//!    long as J falls.
//!
//! Plain rounding is one of the ends: the answer is never worse.

mod beam;

mod lattice;

use nalgebra::DVector;

use crate::filter::Section;
use crate::fit::objective::{Objective, Placed};
use crate::fit::search::reach::Effort;
use crate::fit::search::{Candidate, Search};
use crate::fit::solver::{Landscape, Stopping, room_for};
use crate::fit::space::Space;
use crate::limits::Limits;
use beam::Model;
use lattice::{Lattice, Number, Scales, held_at};

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
/// To settle after one number was held: the next one follows at once.
const SETTLE: Stopping = Stopping {
    iterations: 10,
    relative_fall: 1e-4,
    value: 1e-12,
};
/// Two points are the same when their J differ by less than this share.
const SAME: f64 = 1e-7;
/// Points that the model offers at once: with fewer, the best is missed; with more, J is computed in vain.
const BEAM: usize = 32;
/// Models one after another, each about the best point of the last one.
const MODELS: usize = 3;
/// The largest move of a frequency by several steps in one go, in ln f0.
const F0_MOVE: f64 = 0.2;

/// How much is tried.
struct Plan {
    /// Continuous answers to start from.
    starts: usize,
    /// ... but after the first, only while less than this was spent, in the unit of `Workspace::work`.
    work: u64,
    /// Points with the first kind held that go on, within the same work once more.
    held: usize,
    /// Ends to move from.
    ends: usize,
}

impl Plan {
    fn of(effort: Effort) -> Self {
        let (starts, work, held, ends) = match effort {
            Effort::Quick => (1, 2_000_000, 2, 1),
            Effort::Normal => (5, 8_000_000, 10, 2),
            Effort::Deep => (16, 60_000_000, 40, 6),
        };
        Self {
            starts,
            work,
            held,
            ends,
        }
    }
}

/// The sections of one of `candidates`, the best first, with numbers that the equaliser accepts, and J with them. `space`
/// lies within `limits`.
pub(in crate::fit) fn on_steps(
    candidates: &[Candidate],
    limits: &Limits,
    space: &Space,
    effort: Effort,
    judge: &mut Search<'_>,
) -> (Vec<Section>, f64) {
    let Some(best) = candidates.first() else {
        return (Vec::new(), judge.value_of(&[]));
    };
    let lattice = Lattice::new(limits, space, &best.sections());
    if !Number::ALL
        .iter()
        .any(|&n| lattice.has_steps(n, &best.shapes))
    {
        return typed(best, &lattice, judge);
    }
    let plan = Plan::of(effort);
    let objective = judge.objective().clone();
    let starts = &candidates[..candidates.len().min(plan.starts)];
    let mut ends: Vec<Candidate> = starts.to_vec();
    let spent = judge.room.work;
    let mut tried = Vec::new();
    for (index, start) in starts.iter().enumerate() {
        if index == 0 || judge.room.work - spent < plan.work {
            tried.extend(first_kind_held(start, limits, space, &objective, judge));
        }
    }
    tried.sort_by(|a, b| a.now.value.total_cmp(&b.now.value));
    tried.dedup_by(|b, a| b.now.value <= a.now.value * (1.0 + SAME));
    let spent = judge.room.work;
    for (index, tried) in tried.into_iter().take(plan.held).enumerate() {
        if index == 0 || judge.room.work - spent < plan.work {
            ends.extend(all_on_steps(tried, limits, space, &objective, judge));
        }
    }
    let rounded = |end: &Candidate| {
        let lattice = Lattice::new(limits, space, &end.sections());
        let (lattice, typed) = lattice.all_rounded(&end.sections(), 0);
        let value = value_of(&typed, &lattice, judge);
        (value, lattice, typed)
    };
    let mut ends: Vec<_> = ends.iter().map(rounded).collect();
    ends.sort_by(|a, b| a.0.total_cmp(&b.0));
    ends.dedup_by(|b, a| b.2 == a.2);
    let mut best: Option<(Vec<Section>, f64)> = None;
    for (mut value, lattice, mut typed) in ends.into_iter().take(plan.ends) {
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

/// A point with some kinds of numbers on steps.
struct Tried {
    now: Candidate,
    held: Vec<bool>,
    /// Kinds whose steps cost most first; the first is held.
    order: [Number; 3],
}

fn model<'a>(at: &'a Candidate, objective: &Objective, judge: &mut Search<'_>) -> Model<'a> {
    let count = at.x.len();
    let (mut gradient, mut curvature) = (DVector::zeros(count), room_for(count));
    Placed::new(objective, &at.shapes, &[], &[], &mut judge.room).linearise(
        &at.x,
        &mut gradient,
        &mut curvature,
    );
    Model {
        x: &at.x,
        gradient,
        curvature,
    }
}

/// All points tried with the kind of number whose steps cost most on its steps, the others at their best.
fn first_kind_held(
    start: &Candidate,
    limits: &Limits,
    space: &Space,
    objective: &Objective,
    judge: &mut Search<'_>,
) -> Vec<Tried> {
    let lattice = Lattice::new(limits, space, &start.sections());
    let scales = Scales::new(&lattice, &start.shapes);
    let mut held = scales.fixed();
    let prices = model(start, objective, judge).prices(&scales, &held);
    let price = |number: Number| -> f64 { prices.iter().skip(number as usize).step_by(3).sum() };
    let mut order = Number::ALL;
    order.sort_by(|a, b| price(*b).total_cmp(&price(*a)));
    let mut now = start.clone();
    hold_one_by_one(&mut now, order[0], &mut held, &lattice, judge);
    let mut tried = moves_of_held(&mut now, order[0], &held, &lattice, judge);
    tried.push(now);
    let tried = tried.into_iter().map(|now| Tried {
        now,
        held: held.clone(),
        order,
    });
    tried.collect()
}

/// The best point on steps that is found from one with the first kind held.
fn all_on_steps(
    tried: Tried,
    limits: &Limits,
    space: &Space,
    objective: &Objective,
    judge: &mut Search<'_>,
) -> Option<Candidate> {
    let Tried {
        mut now,
        mut held,
        order,
    } = tried;
    let shapes = now.shapes.clone();
    let lattice = Lattice::new(limits, space, &now.sections());
    let scales = Scales::new(&lattice, &shapes);
    hold_one_by_one(&mut now, order[1], &mut held, &lattice, judge);
    let mut best: Option<Candidate> = None;
    for _ in 0..MODELS {
        let points = model(&now, objective, judge).points_on(&scales, &held, BEAM);
        judge.room.work += beam::work(&held, BEAM);
        let mut better: Option<Candidate> = None;
        for x in points {
            now.x = x;
            now.value = judge.parts(&now).total();
            if better
                .as_ref()
                .is_none_or(|better| now.value < better.value)
            {
                better = Some(now.clone());
            }
        }
        let mut better = better?;
        if !scales.all_stepped() {
            let stepped = lattice.stepped(&shapes);
            judge.polish_held(&mut better, &lattice.boxes, &stepped, &SETTLE);
        }
        if best.as_ref().is_some_and(|best| better.value >= best.value) {
            break;
        }
        now.clone_from(&better);
        best = Some(better);
        // From here on, all may move that can.
        held = scales.fixed();
    }
    best
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
        .filter(|&k| {
            let knob = lattice.knob(number, k, now.shapes[k]);
            knob.setting.is_stepped() && !held[3 * k + number as usize]
        })
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
        judge.polish_held(now, &lattice.boxes, held, &SETTLE);
    }
}

/// Moves one held number by a step while all that is not held settles again, as long as J falls; returns all that was tried
/// on the way.
fn moves_of_held(
    now: &mut Candidate,
    number: Number,
    held: &[bool],
    lattice: &Lattice<'_>,
    judge: &mut Search<'_>,
) -> Vec<Candidate> {
    let spent = judge.room.work;
    let mut tried = Vec::new();
    let mut since_progress = 0;
    for k in (0..now.len()).cycle() {
        let variable = 3 * k + number as usize;
        if since_progress >= now.len() || judge.room.work - spent > MOST_HELD_WORK {
            break;
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
            judge.polish_held(&mut moved, &lattice.boxes, held, &SETTLE);
            if moved.value < now.value {
                std::mem::swap(now, &mut moved);
                since_progress = 0;
            }
            tried.push(moved);
        }
    }
    tried
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
