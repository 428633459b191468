//! The numbers that an equaliser accepts near given sections: its steps, or rounded decimals where it has none.
//!
//! Steps apply to the numbers that are typed in. If the equaliser means something else by q than the cookbook does, the
//! steps are those of its own q.

use super::beam::Steps;
use crate::filter::{QMeaning, Section, Shape};
use crate::fit::space::{Ranges, Space, variables};
use crate::limits::{Limits, Setting};

/// Decimals of a gain without steps, dB.
const GAIN_DECIMALS: i32 = 3;
/// Decimals of a q without steps.
const Q_DECIMALS: i32 = 3;
/// Significant digits of a frequency without steps.
const F0_DIGITS: i32 = 5;

/// Which of a section's three numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::fit) enum Number {
    F0,
    Gain,
    Q,
}

impl Number {
    pub(in crate::fit) const ALL: [Self; 3] = [Self::F0, Self::Gain, Self::Q];

    pub(in crate::fit) fn of(self, section: &Section) -> f64 {
        match self {
            Self::F0 => section.f0_hz,
            Self::Gain => section.gain_db,
            Self::Q => section.q,
        }
    }

    pub(in crate::fit) fn set(self, section: &mut Section, value: f64) {
        match self {
            Self::F0 => section.f0_hz = value,
            Self::Gain => section.gain_db = value,
            Self::Q => section.q = value,
        }
    }
}

/// The numbers that the equaliser accepts for some sections, each of which stays in its box. A section is called
/// *typed* if its q is the equaliser's q instead of the cookbook's.
pub(in crate::fit) struct Lattice<'a> {
    pub(in crate::fit) limits: &'a Limits,
    pub(in crate::fit) boxes: Vec<&'a Ranges>,
}

/// The values that one number may take: steps (or decimals) inside the range that the fit may use.
pub(in crate::fit) struct Knob<'a> {
    pub(in crate::fit) setting: &'a Setting,
    pub(in crate::fit) number: Number,
    more_digits: i32,
    low: f64,
    high: f64,
}

impl<'a> Lattice<'a> {
    pub(in crate::fit) fn new(limits: &'a Limits, space: &'a Space, sections: &[Section]) -> Self {
        let boxes = space.boxes_for(sections);
        Self { limits, boxes }
    }

    fn is_cookbook(&self, shape: Shape) -> bool {
        self.limits.rules.meaning_of(shape) == QMeaning::Cookbook
    }

    /// True if this number (f0, gain or q) has steps in any of the sections.
    pub(in crate::fit) fn has_steps(&self, number: Number, shapes: &[Shape]) -> bool {
        let knobs = shapes.iter().enumerate();
        knobs
            .map(|(k, &shape)| self.knob(number, k, shape))
            .any(|knob| knob.setting.is_stepped())
    }

    /// For each variable, whether it has steps.
    pub(in crate::fit) fn stepped(&self, shapes: &[Shape]) -> Vec<bool> {
        let is_stepped = |i: usize| {
            let knob = self.knob(Number::ALL[i % 3], i / 3, shapes[i / 3]);
            knob.setting.is_stepped()
        };
        (0..3 * shapes.len()).map(is_stepped).collect()
    }

    pub(in crate::fit) fn knob(&self, number: Number, k: usize, shape: Shape) -> Knob<'a> {
        let ranges = self.boxes[k];
        let setting = self.limits.knobs(shape, ranges.slot)[number as usize];
        let whole = setting.min()..=setting.max();
        let range = match number {
            Number::F0 => &ranges.f0_hz,
            Number::Gain => &ranges.gain_db,
            // The box holds the cookbook's q, so it does not bound the equaliser's.
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

    /// The cookbook section that results from a typed one; None if the equaliser has none for these numbers, or if its
    /// q is outside the box.
    fn to_cookbook(&self, k: usize, typed: &Section) -> Option<Section> {
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

    pub(in crate::fit) fn all_to_cookbook(&self, typed: &[Section]) -> Option<Vec<Section>> {
        let sections = typed
            .iter()
            .enumerate()
            .map(|(k, typed)| self.to_cookbook(k, typed));
        sections.collect()
    }

    /// The typed section with every number on its nearest step; None if no q of the equaliser gives a q inside the box.
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
        let fits = |q: &f64| self.to_cookbook(k, &Section { q: *q, ..typed }).is_some();
        typed.q = q.near(device_q).into_iter().find(fits)?;
        Some(typed)
    }

    /// All sections typed, on their nearest steps, and a lattice for them. Sections that cannot be typed are left out.
    pub(in crate::fit) fn all_rounded(
        &self,
        sections: &[Section],
        more_digits: i32,
    ) -> (Self, Vec<Section>) {
        let rounded = sections.iter().enumerate().filter_map(|(k, section)| {
            Some((self.boxes[k], self.rounded(k, section, more_digits)?))
        });
        let (boxes, typed) = rounded.unzip();
        let limits = self.limits;
        (Self { limits, boxes }, typed)
    }
}

impl Knob<'_> {
    /// The allowed value nearest to `x`; without steps, `x` rounded to decimals.
    pub(in crate::fit) fn nearest(&self, x: f64) -> f64 {
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

    /// Up to seven allowed values near `x`, the nearest first.
    pub(in crate::fit) fn near(&self, x: f64) -> Vec<f64> {
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

    /// The value `steps` steps away from `from`; None if it is out of range.
    pub(in crate::fit) fn moved(&self, from: f64, steps: i64) -> Option<f64> {
        let index = i64::try_from(self.setting.nearest_index(from)?).ok()?;
        let index = usize::try_from(index.checked_add(steps)?).ok()?;
        if index >= self.setting.len()? {
            return None;
        }
        let value = self.setting.value(index);
        (self.low..=self.high).contains(&value).then_some(value)
    }
}

/// The variable (ln f0, gain or ln q) of section `k` for its number on the nearest step, or `steps` steps away from
/// that; None if there is none.
pub(in crate::fit) fn held_at(
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
        section = lattice.to_cookbook(k, &section)?;
    }
    Some(variables(&section)[number as usize])
}

/// The values of every variable (ln f0, gain, ln q) of some sections, for [`beam`](super::beam).
pub(in crate::fit) struct Scales<'a> {
    lattice: &'a Lattice<'a>,
    shapes: &'a [Shape],
    scales: Vec<Scale>,
    needs: Vec<Vec<usize>>,
}

/// The values that one variable may take.
enum Scale {
    Continuous,
    /// `first + k step` for k from 0 to `last`; if `log`, the variable is the logarithm of that.
    Even {
        first: f64,
        step: f64,
        last: f64,
        log: bool,
    },
    List(Vec<f64>),
    /// Values of an equaliser's q that is not the cookbook's: the variable depends on the section's f0 and gain.
    Dependent,
}

impl<'a> Scales<'a> {
    pub(in crate::fit) fn new(lattice: &'a Lattice<'a>, shapes: &'a [Shape]) -> Self {
        let scales: Vec<Scale> = (0..3 * shapes.len())
            .map(|i| lattice.scale(Number::ALL[i % 3], i / 3, shapes[i / 3]))
            .collect();
        let is_stepped = |i: &usize| !matches!(scales[*i], Scale::Continuous);
        let needs_of = |i: usize| match scales[i] {
            Scale::Dependent => [i - 2, i - 1].into_iter().filter(is_stepped).collect(),
            _ => Vec::new(),
        };
        let needs = (0..scales.len()).map(needs_of).collect();
        Self {
            lattice,
            shapes,
            scales,
            needs,
        }
    }

    /// For each variable, whether it has only one value.
    pub(in crate::fit) fn fixed(&self) -> Vec<bool> {
        let is_fixed = |scale: &Scale| match scale {
            Scale::Even { last, .. } => *last == 0.0,
            Scale::List(values) => values.len() == 1,
            Scale::Continuous | Scale::Dependent => false,
        };
        self.scales.iter().map(is_fixed).collect()
    }

    /// True if every variable has steps.
    pub(in crate::fit) fn all_stepped(&self) -> bool {
        let continuous = |scale: &Scale| matches!(scale, Scale::Continuous);
        !self.scales.iter().any(continuous)
    }
}

impl Lattice<'_> {
    fn scale(&self, number: Number, k: usize, shape: Shape) -> Scale {
        let knob = self.knob(number, k, shape);
        if !knob.setting.is_stepped() {
            return Scale::Continuous;
        }
        if number == Number::Q && !self.is_cookbook(shape) {
            return Scale::Dependent;
        }
        let index = |x: Option<f64>| x.and_then(|x| knob.setting.nearest_index(x));
        let low = index(knob.setting.at_or_above(knob.low));
        let high = index(knob.setting.at_or_below(knob.high));
        let (Some(low), Some(high)) = (low, high) else {
            return Scale::List(Vec::new());
        };
        let (first, last) = (knob.setting.value(low), high.saturating_sub(low) as f64);
        let log = number != Number::Gain;
        match *knob.setting {
            Setting::Linear { step, .. } => Scale::Even {
                first,
                step,
                last,
                log,
            },
            Setting::Octaves { step_octaves, .. } if log => Scale::Even {
                first: first.ln(),
                step: step_octaves * std::f64::consts::LN_2,
                last,
                log: false,
            },
            _ => {
                let variable = |x: f64| if log { x.ln() } else { x };
                let values = (low..=high).map(|k| variable(knob.setting.value(k)));
                Scale::List(values.collect())
            }
        }
    }
}

impl Steps for Scales<'_> {
    fn spacing(&self, i: usize, x: &[f64]) -> f64 {
        match &self.scales[i] {
            Scale::Continuous => 0.0,
            Scale::Even { step, log, .. } if *log => step / x[i].exp(),
            Scale::Even { step, .. } => *step,
            Scale::List(values) => {
                let above = values.partition_point(|value| *value < x[i]);
                let below = above.clamp(1, values.len().max(2) - 1) - 1;
                values
                    .get(below..below + 2)
                    .map_or(1.0, |pair| pair[1] - pair[0])
            }
            Scale::Dependent => {
                let mut values = Vec::new();
                self.near(i, x, &mut values);
                match values[..] {
                    [first, second, ..] => (second - first).abs(),
                    _ => 1.0,
                }
            }
        }
    }

    fn needs(&self, i: usize) -> &[usize] {
        &self.needs[i]
    }

    fn near(&self, i: usize, x: &[f64], values: &mut Vec<f64>) {
        const NEIGHBOURS: usize = 3;
        match &self.scales[i] {
            Scale::Continuous => {}
            Scale::Even {
                first,
                step,
                last,
                log,
            } => {
                let number = if *log { x[i].exp() } else { x[i] };
                let nearest = ((number - first) / step).round().clamp(0.0, *last);
                let inside = |k: &f64| (0.0..=*last).contains(k);
                let around = [nearest, nearest - 1.0, nearest + 1.0];
                values.extend(around.into_iter().filter(inside).map(|k| {
                    let value = first + k * step;
                    if *log { value.ln() } else { value }
                }));
            }
            Scale::List(list) => {
                let above = list.partition_point(|value| *value < x[i]);
                let around = above.saturating_sub(2)..(above + 2).min(list.len());
                values.extend_from_slice(&list[around]);
            }
            Scale::Dependent => {
                let k = i / 3;
                let range = &self.lattice.boxes[k].q;
                let section = Section {
                    shape: self.shapes[k],
                    f0_hz: x[3 * k].exp(),
                    gain_db: x[3 * k + 1],
                    q: x[i].exp().clamp(*range.start(), *range.end()),
                };
                let Some(device_q) = self.lattice.limits.device_q(&section) else {
                    return;
                };
                let knob = self.lattice.knob(Number::Q, k, section.shape);
                let to_cookbook = |q: f64| self.lattice.to_cookbook(k, &Section { q, ..section });
                let near = knob.near(device_q).into_iter().filter_map(to_cookbook);
                values.extend(near.take(NEIGHBOURS).map(|section| section.q.ln()));
            }
        }
    }
}
