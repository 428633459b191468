//! Whether one setting makes sense.

use crate::error::{Error, Fault, Result};
use crate::limits::Setting;
use crate::limits::bounds::Bound;
use crate::limits::error::LimitsFault;
use crate::limits::setting::{MOST_VALUES, SAME, decimals};

/// What contradicts itself within one setting.
pub(super) fn check(
    setting: &Setting,
    bound: &Bound,
    refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>,
) -> Result<()> {
    let key = |part: &str| format!("{}.{part}", bound.key);
    let bounded = |part: &str, x: f64| {
        if bound.contains(x) {
            return Ok(());
        }
        Err(refused(&key(part), bound.fault(x).into()))
    };
    if let Setting::Allowed(values) = setting {
        if setting.is_empty() {
            return Err(refused(&key("allowed"), LimitsFault::NoValues.into()));
        }
        for value in values {
            bounded("allowed", *value)?;
        }
        if let Some(pair) = values.windows(2).find(|pair| pair[0] >= pair[1]) {
            return Err(refused(
                &key("allowed"),
                LimitsFault::NotAscending(pair[1], pair[0]).into(),
            ));
        }
        return Ok(());
    }
    let (&min, &max) = match setting {
        Setting::Range { min, max }
        | Setting::Linear { min, max, .. }
        | Setting::Digits { min, max, .. }
        | Setting::Octaves { min, max, .. } => (min, max),
        Setting::Allowed(_) => return Ok(()),
    };
    bounded("min", min)?;
    bounded("max", max)?;
    if min > max {
        return Err(refused(
            &key("min"),
            LimitsFault::Reversed(min, bound.unit, "max", max, "min").into(),
        ));
    }
    let (part, step, span, unit) = match setting {
        Setting::Linear { step, .. } | Setting::Digits { step, .. } => {
            ("step", *step, max - min, bound.unit)
        }
        Setting::Octaves { step_octaves, .. } => {
            if min <= 0.0 {
                return Err(refused(
                    &key("min"),
                    LimitsFault::OctavesFrom(min, bound.unit).into(),
                ));
            }
            (
                "step_octaves",
                *step_octaves,
                (max / min).log2(),
                " octaves",
            )
        }
        _ => return Ok(()),
    };
    if step.is_nan() || step <= 0.0 || step > span * (1.0 + SAME) {
        return Err(refused(
            &key(part),
            LimitsFault::Step(step, span, unit).into(),
        ));
    }
    if span / step > MOST_VALUES {
        return Err(refused(
            &key(part),
            LimitsFault::SmallStep(step, unit).into(),
        ));
    }
    if let Setting::Digits { step, digits, .. } = setting {
        let is_power_of_ten = decimals(step.log10()) == Some(0);
        if !is_power_of_ten || min < *step || min >= step * 10f64.powi(*digits as i32) {
            return Err(refused(&key("digits"), LimitsFault::Digits(min, *step, *digits).into()));
        }
    }
    if matches!(setting, Setting::Linear { .. } | Setting::Digits { .. }) {
        for (part, x) in [("min", min), ("max", max), ("step", step)] {
            if decimals(x).is_none() {
                return Err(refused(&key(part), LimitsFault::Decimals(x).into()));
            }
        }
    }
    Ok(())
}
