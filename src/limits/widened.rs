//! Limits widened as far as sections that one already has need it, where nobody said what their equaliser can do.

use super::{Limits, Setting, bounds};
use crate::error::Result;
use crate::filter::{Section, Shape};

impl Limits {
    /// These limits if they allow each of these lists of sections, else wider ones that do: more sections, wider ranges,
    /// no step where a number lies beside it, no rule that one breaks, and the lowest preamp there may be. Where the
    /// `numbers` need not stand as they are, only counts and shapes count. Their name then ends in `, widened`.
    ///
    /// # Errors
    /// As [`Limits::allows`] or [`Limits::has_room_for`], where no limits may be that wide ([`bounds`]).
    pub fn widened_for(&self, lists: &[&[Section]], numbers: bool) -> Result<Self> {
        let fit = |limits: &Self| {
            lists.iter().try_for_each(|sections| match numbers {
                true => limits.allows(sections),
                false => limits.has_room_for(sections),
            })
        };
        let Err(refused) = fit(self) else {
            return Ok(self.clone());
        };
        let mut wide = self.clone();
        wide.name = format!("{}, widened", self.name);
        wide.rules.slots.clear();
        for sections in lists {
            wide.sections = wide.sections.max(sections.len());
            for shape in Shape::ALL {
                let used = sections.iter().filter(|s| s.shape == shape).count();
                let most = wide.shapes.of_mut(shape);
                *most = used.max(*most);
            }
        }
        if numbers {
            wide.widen_numbers(&lists.concat());
        }
        let is_wide_enough = wide.check().is_ok() && fit(&wide).is_ok();
        is_wide_enough.then_some(wide).ok_or(refused)
    }

    fn widen_numbers(&mut self, sections: &[Section]) {
        let of = |number: fn(&Section) -> f64| sections.iter().map(number).collect::<Vec<f64>>();
        self.f0_hz = self.f0_hz.holding(&of(|s| s.f0_hz));
        self.gain_db = self.gain_db.holding(&of(|s| s.gain_db));
        let q_of = |is_shelf: bool| {
            let alike = sections.iter().filter(|s| s.shape.is_shelf() == is_shelf);
            alike.filter_map(|s| self.device_q(s)).collect::<Vec<f64>>()
        };
        let (q, shelf_q) = (q_of(false), q_of(true));
        self.q = self.q.holding(&q);
        self.shelf_q = self.shelf_q.holding(&shelf_q);
        self.preamp_db = self.preamp_db.holding(&[bounds::PREAMP_DB.min]);
        let rules = &mut self.rules;
        rules.cut_only &= sections.iter().all(|s| s.gain_db <= 0.0);
        rules.gain_limits.retain(|limit| {
            let holds = |s: &Section| (limit.min_db..=limit.max_db).contains(&s.gain_db);
            sections.iter().all(|s| !limit.covers(s.f0_hz) || holds(s))
        });
        rules.boost_q_max = rules.boost_q_max.filter(|most_q| {
            let holds = |s: &Section| s.gain_db <= 0.0 || s.q <= *most_q;
            sections.iter().all(holds)
        });
    }
}

impl Setting {
    /// This setting if it has all of these values, else one that has them and its own ends: with the same steps if they
    /// lie on them, else any number of the range.
    fn holding(&self, values: &[f64]) -> Self {
        let has_all = |setting: &Self| values.iter().all(|x| setting.contains(*x));
        if has_all(self) {
            return self.clone();
        }
        let low = values.iter().copied().fold(self.min(), f64::min);
        let high = values.iter().copied().fold(self.max(), f64::max);
        let range = Self::Range {
            min: low,
            max: high,
        };
        let mut wide = self.clone();
        match &mut wide {
            Self::Range { min, max }
            | Self::Linear { min, max, .. }
            | Self::Digits { min, max, .. }
            | Self::Octaves { min, max, .. } => (*min, *max) = (low, high),
            Self::Allowed(listed) => {
                listed.extend(values);
                listed.sort_by(f64::total_cmp);
                listed.dedup();
            }
        }
        let keeps_steps = has_all(&wide) && wide.contains(self.min());
        if keeps_steps { wide } else { range }
    }
}
