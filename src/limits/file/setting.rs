//! A setting in a file: read and written.

use crate::error::Result;
use crate::keys::error::{KeysFault, Type};
use crate::keys::{Value, text};
use crate::limits::Setting;
use crate::limits::bounds;
use crate::limits::error::LimitsFault;
use crate::limits::setting::MOST_DIGITS;

/// A setting as a file has it.
pub(super) fn read(value: &Value) -> Result<Setting> {
    if !value.is_table() {
        let number = value.number().map_err(|error| match error.fault() {
            Some(KeysFault::NotANumber(given, _)) => {
                value.error(KeysFault::NotANumber(given.clone(), Type::Setting))
            }
            _ => error,
        });
        return Ok(Setting::Allowed(vec![number?]));
    }
    value.table(
        &["min", "max", "step", "digits", "step_octaves", "allowed"],
        |table| {
            let allowed = table.optional("allowed");
            let bounds = [table.optional("min"), table.optional("max")];
            let step = table.optional("step");
            let digits = table.optional("digits");
            let step_octaves = table.optional("step_octaves");
            let both = |value: &Value, one, other| value.error(LimitsFault::Both(one, other));
            if let Some(allowed) = &allowed {
                for (name, other) in ["min", "max"]
                    .iter()
                    .zip(&bounds)
                    .chain([
                        (&"step", &step),
                        (&"digits", &digits),
                        (&"step_octaves", &step_octaves),
                    ])
                {
                    if let Some(other) = other {
                        return Err(both(other, "allowed", name));
                    }
                }
                allowed.at_most(bounds::ALLOWED.max as usize, "values")?;
                return Ok(Setting::Allowed(allowed.numbers()?));
            }
            let min = table.required("min")?.number()?;
            let max = table.required("max")?.number()?;
            if let Some(digits) = &digits {
                let Some(step) = &step else {
                    return Err(digits.error(LimitsFault::DigitsWithoutStep));
                };
                if let Some(step_octaves) = &step_octaves {
                    return Err(both(step_octaves, "digits", "step_octaves"));
                }
                let count = digits.whole()? as usize;
                if !(1..=MOST_DIGITS).contains(&count) {
                    return Err(digits.error(LimitsFault::DigitsRange(count)));
                }
                return Ok(Setting::Digits {
                    min,
                    max,
                    step: step.number()?,
                    digits: count,
                });
            }
            Ok(match (step, step_octaves) {
                (None, None) => Setting::Range { min, max },
                (Some(step), None) => Setting::Linear {
                    min,
                    max,
                    step: step.number()?,
                },
                (None, Some(step)) => Setting::Octaves {
                    min,
                    max,
                    step_octaves: step.number()?,
                },
                (Some(_), Some(step)) => return Err(both(&step, "step", "step_octaves")),
            })
        },
    )
}

/// A setting as a file has it; a single value is a plain number.
pub(super) fn as_toml(setting: &Setting) -> String {
    use text::number;
    match setting {
        Setting::Range { min, max } => {
            format!("{{ min = {}, max = {} }}", number(*min), number(*max))
        }
        Setting::Linear { min, max, step } => format!(
            "{{ min = {}, max = {}, step = {} }}",
            number(*min),
            number(*max),
            number(*step)
        ),
        Setting::Digits {
            min,
            max,
            step,
            digits,
        } => format!(
            "{{ min = {}, max = {}, step = {}, digits = {digits} }}",
            number(*min),
            number(*max),
            number(*step)
        ),
        Setting::Octaves {
            min,
            max,
            step_octaves,
        } => format!(
            "{{ min = {}, max = {}, step_octaves = {} }}",
            number(*min),
            number(*max),
            number(*step_octaves)
        ),
        Setting::Allowed(values) => match values.as_slice() {
            [value] => number(*value),
            values => format!("{{ allowed = {} }}", text::numbers(values)),
        },
    }
}
