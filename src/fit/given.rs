//! Sections that one already has: taken as they are, or improved from where they are.
//!
//! No search over structures: shapes and count stay. The numbers that may change descend to the nearest local minimum and
//! go onto the equaliser's steps, as at the end of a fit ([`crate::fit::steps`]). A section beyond what a fit would use
//! (above the trusted band, say) may stay there: its box is widened to hold it. Where only gains are free, each section
//! gets a slot of its own with one f0 and one q as they are typed in.
//!
//! Guaranteed: J is never higher than that of the given sections, where the limits allow these.

use super::channels::{one, two};
use super::search::Candidate;
use super::search::reach::{Level, Reach};
use super::space::boxes::{self, Believed};
use super::space::{Ranges, Space};
use super::{Answer, ChannelAnswer, Freedom, Task};
use crate::filter::{Section, Shape};
use crate::fit::objective::Parts;
use crate::limits::rules::Slot;
use crate::limits::{Limits, Setting};

/// A q that differs by no more than this share of it from the one it was is the same: it went through the equaliser's own
/// q and back.
const SAME_Q: f64 = 1e-9;

/// The answer that these sections are, one list for each channel of the task, with as much of them changed as `freedom`
/// leaves. The limits must allow them, or with [`Freedom::All`] have room for them. There is no reach curve: it has the
/// residual without sections alone.
///
/// # Panics
/// If there is not one list for each of one or two channels.
#[must_use]
pub fn fit_from(task: &Task<'_>, given: &[&[Section]], freedom: Freedom) -> Answer {
    assert_eq!(given.len(), task.channels.len(), "lists of sections");
    let as_is = answer(
        task,
        given.iter().map(|sections| sections.to_vec()).collect(),
    );
    let (limits, space) = match freedom {
        Freedom::AsIs => return as_is,
        Freedom::Gains => gains_free(task.limits, given),
        Freedom::All => (task.limits.clone(), space_about(task, given)),
    };
    let free = Task {
        limits: &limits,
        space: &space,
        least_gain_db: None,
        ..*task
    };
    let (mut lists, polishes) = match (task.channels, given) {
        (&[wanted], &[given]) => one::settled(&free, wanted, given),
        (&[left, right], &[given_left, given_right]) => {
            two::settled(&free, [left, right], [given_left, given_right])
        }
        _ => panic!("{} channels, not one or two", task.channels.len()),
    };
    for (sections, given) in lists.iter_mut().zip(given) {
        for (section, given) in sections.iter_mut().zip(*given) {
            if (section.q - given.q).abs() <= SAME_Q * given.q {
                section.q = given.q;
            }
        }
    }
    let allowed = |lists: &[Vec<Section>]| {
        let allowed = |sections: &Vec<Section>| task.limits.allows(sections).is_ok();
        lists.iter().all(allowed)
    };
    let keeps_count = lists.iter().zip(given).all(|(a, b)| a.len() == b.len());
    let given_lists: Vec<Vec<Section>> = given.iter().map(|list| list.to_vec()).collect();
    let settled_stands = keeps_count && allowed(&lists);
    let settled = answer(task, lists);
    let is_better = settled_stands && settled.objective_db2 <= as_is.objective_db2;
    let mut best = match !is_better && allowed(&given_lists) {
        true => as_is,
        false => settled,
    };
    best.polishes += polishes;
    best
}

/// The answer that these sections are.
fn answer(task: &Task<'_>, lists: Vec<Vec<Section>>) -> Answer {
    let without = Level {
        answer: Candidate::empty(),
        parts: Parts::default(),
    };
    let allowed = lists.iter().map(Vec::len).max().unwrap_or(0);
    let channel = |mut sections: Vec<Section>| {
        sections.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz).then(a.shape.cmp(&b.shape)));
        ChannelAnswer {
            sections,
            objective_db2: 0.0,
            levels: vec![without.clone()],
            search: Reach {
                levels: vec![without.clone()],
                evaluations: 1,
                polishes: 0,
                walks: 0,
                searches: 0,
                agreeing: 0,
                exact: false,
                enough: false,
                others: Vec::new(),
            },
        }
    };
    let channels: Vec<ChannelAnswer> = lists.into_iter().map(channel).collect();
    let answer = Answer {
        allowed,
        objective_db2: 0.0,
        evaluations: channels.len() as u64,
        polishes: 0,
        channels,
    };
    answer.judged_by(task)
}

/// Limits with a slot for each section of any list, in which its gain alone is free; and their space.
fn gains_free(limits: &Limits, given: &[&[Section]]) -> (Limits, Space) {
    let sections = given.concat();
    let slot = |section: &Section| {
        let device_q = limits.device_q(section).unwrap_or(section.q);
        let holds =
            |knobs: &[&Setting; 3]| knobs[0].contains(section.f0_hz) && knobs[2].contains(device_q);
        let places = limits.places(section.shape);
        let knobs = places.map(|slot| limits.knobs(section.shape, slot));
        let gain_db = knobs.filter(holds).map(|[_, gain_db, _]| gain_db).next();
        Slot {
            shapes: vec![section.shape],
            f0_hz: Some(Setting::Allowed(vec![section.f0_hz])),
            gain_db: Some(gain_db.unwrap_or(&limits.gain_db).clone()),
            q: Some(Setting::Allowed(vec![device_q])),
        }
    };
    let mut pinned = limits.clone();
    pinned.rules.slots = sections.iter().map(slot).collect();
    pinned.sections = sections.len();
    pinned.shapes = Default::default();
    let mut space = boxes::space(&pinned, (0.0, f64::INFINITY), &Believed::EVERYTHING);
    for (index, section) in sections.iter().enumerate() {
        let boxes = &mut space.boxes[section.shape as usize];
        if boxes.iter().all(|ranges| ranges.slot != Some(index)) {
            boxes.push(only(section, Some(index)));
        }
    }
    (pinned, space)
}

/// The space of the task about the given sections: the box of each, widened to hold it where the limits do.
fn space_about(task: &Task<'_>, given: &[&[Section]]) -> Space {
    let mut space = Space {
        sections: given.iter().map(|list| list.len()).max().unwrap_or(0),
        most: [0; 3],
        boxes: Default::default(),
    };
    for sections in given {
        let has_box = |section: &&Section| !task.space.boxes_of(section.shape).is_empty();
        let boxed: Vec<Section> = sections.iter().filter(has_box).copied().collect();
        let mut homes = task.space.boxes_for(&boxed).into_iter();
        let mut used = [0; 3];
        for section in *sections {
            let home = match has_box(&section) {
                true => homes.next().cloned(),
                false => None,
            };
            let home = match home {
                Some(home) if task.limits.allows(&[*section]).is_ok() => holding(&home, section),
                Some(home) => home,
                None => only(section, None),
            };
            used[section.shape as usize] += usize::from(home.slot.is_none());
            space.boxes[section.shape as usize].push(home);
        }
        for shape in Shape::ALL {
            let most = &mut space.most[shape as usize];
            *most = used[shape as usize].max(*most);
        }
    }
    space
}

/// The box with these numbers alone.
fn only(section: &Section, slot: Option<usize>) -> Ranges {
    Ranges {
        f0_hz: section.f0_hz..=section.f0_hz,
        gain_db: section.gain_db..=section.gain_db,
        q: section.q..=section.q,
        slot,
    }
}

/// The box widened so that it holds the section.
fn holding(ranges: &Ranges, section: &Section) -> Ranges {
    let hull =
        |range: &std::ops::RangeInclusive<f64>, x: f64| range.start().min(x)..=range.end().max(x);
    Ranges {
        f0_hz: hull(&ranges.f0_hz, section.f0_hz),
        gain_db: hull(&ranges.gain_db, section.gain_db),
        q: hull(&ranges.q, section.q),
        slot: ranges.slot,
    }
}
