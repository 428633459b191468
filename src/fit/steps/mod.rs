//! Rounding of continuous numbers to numbers that can be typed: the equaliser's steps, or few decimals.
//!
//! With coarse steps the best continuous answer is not always the best once rounded. So the search starts from several
//! continuous answers that are nearly as good:
//!
//! 1. The number (f0, gain or q) whose steps cost most is put on its steps, one section after another, while the rest
//!    settles. Then single ones move by a step, the rest settling again, while J falls.
//! 2. The best few of all points tried so far continue: the number with the next highest cost is put on its steps in
//!    the same way. Then a quadratic model proposes points near its minimum with all numbers on steps (`beam.rs`), and
//!    again around the best of these.
//! 3. From the best ends, single numbers, all three numbers of a section, and pairs of gains move by whole steps while
//!    J falls.
//!
//! Guaranteed: J is never higher than with plain rounding to the nearest steps, which is one of the ends.

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

/// Numbers without steps get up to this many more digits, while rounding raises J by more than this share and this
/// much, dB^2: a fit that is exact stays exact when it is typed.
const MOST_MORE_DIGITS: i32 = 4;
const RAISED_SHARE: f64 = 1e-3;
const RAISED: f64 = 1e-13;
/// Most passes over all sections. Each must lower J, so this is a safeguard.
const MOST_PASSES: usize = 40;
/// Most work of all passes together, in the unit of `Workspace::work`.
const MOST_WORK: u64 = 100_000_000;
/// Most work of moving one kind of number while the others settle, in the same unit.
const MOST_HELD_WORK: u64 = 30_000_000;
/// Stopping rule after one number was fixed: brief, since the next one is fixed at once.
const SETTLE: Stopping = Stopping {
    iterations: 10,
    relative_fall: 1e-4,
    value: 1e-12,
};
/// Two points count as the same if their J differ by less than this share.
const SAME: f64 = 1e-7;
/// Width of the beam, i.e. number of points that the model proposes at once. With fewer, the best is missed; with more,
/// J is computed in vain.
const BEAM: usize = 32;
/// Most models in a row, each about the best point of the one before. Our choice.
const MODELS: usize = 3;
/// Largest change of a frequency by more than one step in one move, in ln f0. Our choice.
const F0_MOVE: f64 = 0.2;

/// How much is tried at an effort.
struct Plan {
    /// Most continuous answers to start from.
    starts: usize,
    /// Further starts are used only while less work than this was done, in the unit of `Workspace::work`.
    work: u64,
    /// Most points with one number on steps that continue; again further ones only within `work`.
    held: usize,
    /// Most ends from which to move by whole steps.
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

/// The best sections found near the `candidates` (best first) with numbers that the equaliser accepts, and their J,
/// dB^2. `space` must lie within `limits`.
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
            && let Some(sections) = lattice.all_to_cookbook(&typed)
        {
            best = Some((sections, value));
        }
    }
    best.unwrap_or_else(|| (Vec::new(), judge.value_of(&[])))
}

/// Rounds continuous numbers to the fewest decimals that hardly change J.
fn typed(
    candidate: &Candidate,
    lattice: &Lattice<'_>,
    judge: &mut Search<'_>,
) -> (Vec<Section>, f64) {
    let most = candidate.value * (1.0 + RAISED_SHARE) + RAISED;
    let mut with_digits = |more_digits| {
        let (lattice, typed) = lattice.all_rounded(&candidate.sections(), more_digits);
        let sections = lattice.all_to_cookbook(&typed).unwrap_or_default();
        let value = judge.value_of(&sections);
        (sections, value)
    };
    (0..MOST_MORE_DIGITS)
        .map(&mut with_digits)
        .find(|(_, value)| *value <= most)
        .unwrap_or_else(|| with_digits(MOST_MORE_DIGITS))
}

/// A point with one or more kinds of numbers on steps.
struct Tried {
    now: Candidate,
    held: Vec<bool>,
    /// Kinds of numbers by the cost of their steps, highest first; the first is on steps.
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

/// All points tried with the kind of number whose steps cost most on its steps, the others settled.
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

/// The best point with all numbers on steps that is found from a point with the first kind on steps.
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
        // The next model may move all variables that have more than one value.
        held = scales.fixed();
    }
    best
}

/// Puts one kind of number on steps in every section, in rising order of distance from the nearest step.
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

/// Moves one fixed number by a step, with all other free ones settled again, while J falls. Returns all points tried.
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

/// Moves numbers by whole steps while J falls.
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

/// J of typed sections, dB^2; infinite if the equaliser cannot make one of them.
fn value_of(typed: &[Section], lattice: &Lattice<'_>, judge: &mut Search<'_>) -> f64 {
    let sections = lattice.all_to_cookbook(typed);
    sections.map_or(f64::INFINITY, |sections| judge.value_of(&sections))
}

/// Moves one number by 1, 2, 4 ... steps, or all three by up to one step, while J falls.
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

/// Moves two gains by one step each, while J falls.
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
