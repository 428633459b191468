//! The values that one knob can take, counted in whole steps.

use crate::message::Number;

/// Decimals after the point that a stepped setting may have. With the bounds above every value is then
/// fewer than 2^53 units of its last decimal, so counting in units is exact.
pub(super) const MOST_DECIMALS: i32 = 9;
/// Most significant digits that a setting may be limited to.
pub(super) const MOST_DIGITS: usize = 6;
/// More values than anyone could step through: such a setting is continuous.
pub(super) const MOST_VALUES: f64 = 1e7;
/// Two numbers closer than this, relative to the larger of 1 and their size, are the same value of a setting.
pub(super) const SAME: f64 = 1e-9;

/// The values that one knob can take. Those read by [`Limits::parse`](super::Limits::parse) are consistent; for those made by
/// hand, [`Limits::check`](super::Limits::check) tells.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(untagged)]
pub enum Setting {
    /// Any number from `min` to `max`.
    Range {
        /// Smallest value.
        min: f64,
        /// Largest value.
        max: f64,
    },
    /// `min + k * step` in decimals, as far as `max`.
    Linear {
        /// Smallest value.
        min: f64,
        /// No value is larger.
        max: f64,
        /// Distance between values.
        step: f64,
    },
    /// Whole multiples of `step` with so many significant digits, as far as `max`: with a step of 1 and three digits 20, 21
    /// ... 999, 1000, 1010 ... 9990, 10000, 10100.
    Digits {
        /// Smallest value, less than `10^digits` steps.
        min: f64,
        /// No value is larger.
        max: f64,
        /// Least distance between values, a power of ten.
        step: f64,
        /// Significant digits.
        digits: usize,
    },
    /// `min * 2^(k * step_octaves)`, as far as `max`.
    Octaves {
        /// Smallest value.
        min: f64,
        /// No value is larger.
        max: f64,
        /// Octaves between values.
        step_octaves: f64,
    },
    /// These values, in ascending order.
    Allowed(Vec<f64>),
}

impl Setting {
    /// The setting without steps, from its smallest to its largest value; a list of allowed values stays as it is.
    #[must_use]
    pub fn without_steps(&self) -> Self {
        match self {
            Self::Allowed(_) => self.clone(),
            _ => Self::Range {
                min: self.min(),
                max: self.max(),
            },
        }
    }

    /// The smallest value; NaN for an empty list.
    #[must_use]
    pub fn min(&self) -> f64 {
        match self {
            Self::Range { min, .. }
            | Self::Linear { min, .. }
            | Self::Digits { min, .. }
            | Self::Octaves { min, .. } => *min,
            Self::Allowed(values) => values.first().copied().unwrap_or(f64::NAN),
        }
    }

    /// The largest value there is, which a step may leave below the stated maximum; NaN for an empty list.
    #[must_use]
    pub fn max(&self) -> f64 {
        match self {
            Self::Range { max, .. } => *max,
            _ => self.value(usize::MAX),
        }
    }

    /// False for a continuous range.
    #[must_use]
    pub fn is_stepped(&self) -> bool {
        !matches!(self, Self::Range { .. })
    }

    /// Number of values; None for a continuous range.
    #[must_use]
    #[expect(clippy::len_without_is_empty, reason = "a setting always has a value")]
    pub fn len(&self) -> Option<usize> {
        match self {
            Self::Range { .. } => None,
            Self::Linear { min, max, step } => {
                Some(decimal_steps(*min, *max, *step).1.saturating_add(1))
            }
            Self::Digits {
                min,
                max,
                step,
                digits,
            } => Some(Decades::new(*min, *step, *digits).index_at_or_below(*max) + 1),
            Self::Octaves {
                min,
                max,
                step_octaves,
            } => Some((((max / min).log2() / step_octaves + SAME) as usize).saturating_add(1)),
            Self::Allowed(values) => Some(values.len()),
        }
    }

    /// Value `k`, counted from 0; the last one for a larger `k`; the smallest for a continuous range.
    #[must_use]
    pub fn value(&self, k: usize) -> f64 {
        let k = k.min(self.len().unwrap_or(1).saturating_sub(1));
        match self {
            Self::Range { min, .. } => *min,
            Self::Linear { min, max, step } => {
                let (scale, _) = decimal_steps(*min, *max, *step);
                // Both products are whole below 2^53, so the one rounding is that of the division.
                ((min * scale).round() + k as f64 * (step * scale).round()) / scale
            }
            Self::Digits {
                min, step, digits, ..
            } => Decades::new(*min, *step, *digits).value(k),
            Self::Octaves {
                min,
                max,
                step_octaves,
            } => (min * (k as f64 * step_octaves).exp2()).min(*max),
            Self::Allowed(values) => values.get(k).copied().unwrap_or(f64::NAN),
        }
    }

    /// The index of the value nearest to `x` (of two equally near the lower); None for a continuous range.
    #[must_use]
    pub fn nearest_index(&self, x: f64) -> Option<usize> {
        let last = self.len()?.saturating_sub(1);
        let x = x.max(self.min()).min(self.max());
        let guess = match self {
            Self::Linear { min, step, .. } => (x - min) / step,
            Self::Digits {
                min, step, digits, ..
            } => Decades::new(*min, *step, *digits).index_at_or_below(x) as f64,
            Self::Octaves {
                min, step_octaves, ..
            } => (x / min).log2() / step_octaves,
            Self::Allowed(values) => values.partition_point(|&value| value < x) as f64,
            Self::Range { .. } => return None,
        };
        // Casting saturates, and turns NaN into 0.
        let guess = (guess.round() as usize).min(last);
        let distance = |k: usize| (self.value(k) - x).abs();
        let mut nearest = guess.saturating_sub(1);
        for k in nearest + 1..=(guess + 1).min(last) {
            if distance(k) < distance(nearest) {
                nearest = k;
            }
        }
        Some(nearest)
    }

    /// The value nearest to `x`.
    #[must_use]
    pub fn nearest(&self, x: f64) -> f64 {
        match (self, self.nearest_index(x)) {
            (_, Some(k)) => self.value(k),
            (Self::Range { min, max }, None) => x.max(*min).min(*max),
            (_, None) => self.min(),
        }
    }

    /// What is expected instead of `x`, in words.
    #[must_use]
    pub fn instead_of(&self, x: f64) -> String {
        let (min, max) = (self.min(), self.max());
        if min < max {
            let nearest = self.nearest(x);
            format!(
                "{min} to {max}, the nearest value being {nearest}",
                min = Number(min),
                max = Number(max),
                nearest = Number(nearest)
            )
        } else {
            format!("{min}, the only value there is", min = Number(min))
        }
    }

    /// True when `x` is one of the values, to within a part in 10^9.
    #[must_use]
    pub fn contains(&self, x: f64) -> bool {
        (self.nearest(x) - x).abs() <= SAME * x.abs().max(1.0)
    }

    /// The largest value that is not above `x`; None when all are.
    #[must_use]
    pub fn at_or_below(&self, x: f64) -> Option<f64> {
        let is_reachable = self.min() <= x;
        if !is_reachable {
            return None;
        }
        let Some(nearest) = self.nearest_index(x) else {
            return Some(self.nearest(x));
        };
        (nearest.saturating_sub(1)..=nearest)
            .rev()
            .map(|k| self.value(k))
            .find(|&value| value <= x)
    }

    /// The smallest value that is not below `x`; None when all are.
    #[must_use]
    pub fn at_or_above(&self, x: f64) -> Option<f64> {
        let is_reachable = self.max() >= x;
        if !is_reachable {
            return None;
        }
        let Some(nearest) = self.nearest_index(x) else {
            return Some(self.nearest(x));
        };
        (nearest..=nearest.saturating_add(1))
            .map(|k| self.value(k))
            .find(|&value| value >= x)
    }

    /// True when there is a value from `least` to `most`, to within a part in 10^9.
    #[must_use]
    pub fn has_within(&self, least: f64, most: f64) -> bool {
        let slack = |x: f64| match x.is_finite() {
            true => SAME * x.abs().max(1.0),
            false => 0.0,
        };
        let first = self.at_or_above(least - slack(least));
        first.is_some_and(|first| first <= most + slack(most))
    }

    pub(super) fn is_empty(&self) -> bool {
        matches!(self, Self::Allowed(values) if values.is_empty())
    }
}

/// The values of [`Setting::Digits`], counted in steps: single steps up to `10^digits`, then ten times as long in each
/// decade.
struct Decades {
    first: u64,
    step: f64,
    /// `10^digits`.
    full: u64,
}

impl Decades {
    fn new(min: f64, step: f64, digits: usize) -> Self {
        Self {
            first: (min / step).round() as u64,
            step,
            full: 10u64.saturating_pow(digits as u32),
        }
    }

    /// Values in each decade above the first `10^digits` steps.
    fn a_decade(&self) -> u64 {
        (self.full - self.full / 10).max(1)
    }

    fn value(&self, k: usize) -> f64 {
        let k = k as u64;
        let single = self.full.saturating_sub(self.first);
        let steps = match k.checked_sub(single) {
            None => (self.first + k) as f64,
            Some(k) => {
                let decade = 1 + (k / self.a_decade()) as i32;
                let count = self.full / 10 + k % self.a_decade();
                count as f64 * 10f64.powi(decade)
            }
        };
        let scale = 10f64.powi(decimals(self.step).unwrap_or(MOST_DECIMALS));
        steps * (self.step * scale).round() / scale
    }

    /// Index of the largest value that is not above `x`, which is at least the first.
    fn index_at_or_below(&self, x: f64) -> usize {
        let mut steps = (x / self.step * (1.0 + SAME)).floor() as u64;
        let single = self.full.saturating_sub(self.first);
        if steps < self.full {
            return steps.saturating_sub(self.first) as usize;
        }
        let mut decade = 0;
        while steps >= self.full {
            steps /= 10;
            decade += 1;
        }
        let before = single + (decade - 1) * self.a_decade();
        (before + steps.saturating_sub(self.full / 10)) as usize
    }
}

/// The power of ten that makes `min`, `max` and `step` whole, and the number of steps between them.
fn decimal_steps(min: f64, max: f64, step: f64) -> (f64, usize) {
    let places = [min, max, step]
        .iter()
        .map(|&x| decimals(x).unwrap_or(MOST_DECIMALS))
        .max()
        .unwrap_or(0);
    let scale = 10f64.powi(places);
    let units = |x: f64| (x * scale).round();
    let steps = ((units(max) - units(min)) / units(step)).floor();
    (scale, steps as usize)
}

/// Decimals after the point of the shortest decimal that reads as `x`; None when there are too many.
pub(super) fn decimals(x: f64) -> Option<i32> {
    (0..=MOST_DECIMALS).find(|&places| {
        let scale = 10f64.powi(places);
        (x * scale).round() / scale == x
    })
}
