//! Keys and values as they were typed, in a recipe or an option, with their lines.

use toml::de::{DeTable, DeValue};

use crate::error::{Error, ErrorKind, Result, nearest_spelling};
use crate::message::{Number, excerpt};

/// One `key = value`.
pub(super) struct Setting {
    key: String,
    value: Value,
    line: Option<usize>,
}

enum Value {
    Number(f64),
    Words(String),
    /// What stands in an array.
    Pairs(Vec<Item>),
    Other(String),
}

/// An item of an array: the pair of numbers that it is, none for anything else.
struct Item {
    pair: Option<(f64, f64)>,
    line: Option<usize>,
}

/// A pair of numbers and its line.
pub(super) type PairAt = ((f64, f64), Option<usize>);

/// What an array is called where something else was expected.
const ARRAY: &str = "a value of type array";

/// A pair of frequency and level that was typed, such as `100:1.5`.
fn typed_pair(text: &str) -> Option<(f64, f64)> {
    let (f_hz, db) = text.split_once(':')?;
    Some((f_hz.trim().parse().ok()?, db.trim().parse().ok()?))
}

impl Setting {
    /// From an option: what reads as a number is one, and what has a colon under the key `points` is an array of pairs
    /// parted by slashes.
    pub(super) fn typed(key: &str, value: &str) -> Self {
        let value = match value.parse() {
            Ok(number) => Value::Number(number),
            Err(_) if key == "points" && value.contains(':') => Value::Pairs(
                value
                    .split('/')
                    .map(|pair| Item {
                        pair: typed_pair(pair),
                        line: None,
                    })
                    .collect(),
            ),
            Err(_) => Value::Words(value.to_owned()),
        };
        Self {
            key: key.to_owned(),
            value,
            line: None,
        }
    }
}

/// The settings of one table, and where it stands.
pub(super) struct Settings<'a> {
    /// File name or option.
    pub source: &'a str,
    /// Put before each key in errors, such as `contour.`.
    pub within: &'a str,
    /// Line of the table's head.
    pub line: Option<usize>,
    pub settings: Vec<Setting>,
}

impl<'a> Settings<'a> {
    /// The plain values and arrays of a table; `line_at` turns a place in the text into a line.
    pub(super) fn of_table(
        table: &DeTable<'_>,
        source: &'a str,
        within: &'a str,
        line: usize,
        line_at: &dyn Fn(usize) -> usize,
    ) -> Self {
        let mut settings: Vec<Setting> = table
            .iter()
            .map(|(key, value)| Setting {
                key: key.get_ref().to_string(),
                value: match value.get_ref() {
                    DeValue::String(words) => Value::Words(words.to_string()),
                    DeValue::Float(number) => number
                        .as_str()
                        .parse()
                        .map_or_else(|_| Value::Other(number.to_string()), Value::Number),
                    DeValue::Integer(number) if number.radix() == 10 => number
                        .as_str()
                        .parse()
                        .map_or_else(|_| Value::Other(number.to_string()), Value::Number),
                    DeValue::Array(items) => Value::Pairs(
                        items
                            .iter()
                            .map(|item| Item {
                                pair: pair(item.get_ref()),
                                line: Some(line_at(item.span().start)),
                            })
                            .collect(),
                    ),
                    other => Value::Other(format!("a value of type {}", other.type_str())),
                },
                line: Some(line_at(key.span().start)),
            })
            .collect();
        settings.sort_by_key(|setting| setting.line);
        Self {
            source,
            within,
            line: Some(line),
            settings,
        }
    }

    /// True when the key was given.
    pub(super) fn has(&self, key: &str) -> bool {
        self.settings.iter().any(|setting| setting.key == key)
    }

    /// Refuses keys that are not known, and keys given twice.
    pub(super) fn only(&self, known: &[&str]) -> Result<()> {
        for (index, setting) in self.settings.iter().enumerate() {
            let key = setting.key.as_str();
            if !known.contains(&key) {
                let without_unit = known
                    .iter()
                    .copied()
                    .find(|k| k.starts_with(&format!("{key}_")));
                let near = without_unit.or_else(|| nearest_spelling(key, known.iter().copied()));
                let next_step = match near {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => "remove it".to_owned(),
                };
                let (found, expected) = (
                    format!("unknown key `{}`", excerpt(key)),
                    format!("the keys {}", known.join(", ")),
                );
                return Err(self.error(
                    ErrorKind::Name,
                    key,
                    setting.line,
                    found,
                    expected,
                    next_step,
                ));
            }
            if self.settings[..index]
                .iter()
                .any(|before| before.key == key)
            {
                let (found, expected) = (
                    format!("`{}` twice", excerpt(key)),
                    "each key once".to_owned(),
                );
                return Err(self.error(
                    ErrorKind::Setting,
                    key,
                    setting.line,
                    found,
                    expected,
                    "remove one".to_owned(),
                ));
            }
        }
        Ok(())
    }

    /// A number and its line.
    pub(super) fn number(&self, key: &str) -> Result<(f64, Option<usize>)> {
        let setting = self.required(key, "a number")?;
        match &setting.value {
            Value::Number(number) => Ok((*number, setting.line)),
            Value::Words(found) | Value::Other(found) => {
                Err(self.wrong_type(setting, found, "a number, with a decimal point"))
            }
            Value::Pairs(_) => {
                Err(self.wrong_type(setting, ARRAY, "a number, with a decimal point"))
            }
        }
    }

    /// Pairs of numbers with their lines.
    pub(super) fn pairs(&self, key: &str) -> Result<Vec<PairAt>> {
        const EXPECTED: &str =
            "points of frequency in Hz and level in dB, such as [[100, 1.5], [1000, 0]]";
        let setting = self.required(key, EXPECTED)?;
        let pairs = match &setting.value {
            Value::Pairs(pairs) => pairs,
            Value::Number(number) => {
                return Err(self.wrong_type(setting, &Number(*number).to_string(), EXPECTED));
            }
            Value::Words(found) | Value::Other(found) => {
                return Err(self.wrong_type(setting, found, EXPECTED));
            }
        };
        let one = |(index, Item { pair, line }): (usize, &Item)| {
            let refuse = || {
                let found = format!("point {}, which is not two numbers", index + 1);
                let next_step = "correct this point".to_owned();
                self.error(
                    ErrorKind::Number,
                    key,
                    *line,
                    found,
                    EXPECTED.to_owned(),
                    next_step,
                )
            };
            pair.map(|pair| (pair, *line)).ok_or_else(refuse)
        };
        pairs.iter().enumerate().map(one).collect()
    }

    /// Words, one of `choices` where any are given.
    pub(super) fn words(&self, key: &str, choices: &[&str]) -> Result<&str> {
        let expected = if choices.is_empty() {
            "words in quotes".to_owned()
        } else {
            format!("one of {}", choices.join(", "))
        };
        let setting = self.required(key, &expected)?;
        let words = match &setting.value {
            Value::Words(words) => words,
            Value::Number(number) => {
                return Err(self.wrong_type(setting, &Number(*number).to_string(), &expected));
            }
            Value::Pairs(_) => return Err(self.wrong_type(setting, ARRAY, &expected)),
            Value::Other(found) => return Err(self.wrong_type(setting, found, &expected)),
        };
        if choices.is_empty() || choices.contains(&words.as_str()) {
            return Ok(words);
        }
        let next_step = match nearest_spelling(words, choices.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => "choose one of them".to_owned(),
        };
        Err(self.error(
            ErrorKind::Name,
            key,
            setting.line,
            format!("`{}`", excerpt(words)),
            expected,
            next_step,
        ))
    }

    /// Line of a key that was given.
    pub(super) fn line_of(&self, key: &str) -> Option<usize> {
        self.settings
            .iter()
            .find(|setting| setting.key == key)?
            .line
    }

    /// A number outside its range.
    pub(super) fn refuse(
        &self,
        key: &str,
        line: Option<usize>,
        value: f64,
        expected: &str,
    ) -> Box<Error> {
        let next_step = "choose a value within that range";
        self.refuse_setting(key, line, Number(value).to_string(), expected, next_step)
    }

    /// A setting that cannot be.
    pub(super) fn refuse_setting(
        &self,
        key: &str,
        line: Option<usize>,
        found: String,
        expected: &str,
        next_step: &str,
    ) -> Box<Error> {
        self.error(
            ErrorKind::Setting,
            key,
            line,
            found,
            expected.to_owned(),
            next_step.to_owned(),
        )
    }

    fn required(&self, key: &str, expected: &str) -> Result<&Setting> {
        self.settings
            .iter()
            .find(|setting| setting.key == key)
            .ok_or_else(|| {
                let (found, next_step) = (format!("no `{key}`"), format!("add `{key}`"));
                self.error(
                    ErrorKind::Setting,
                    key,
                    self.line,
                    found,
                    expected.to_owned(),
                    next_step,
                )
            })
    }

    fn wrong_type(&self, setting: &Setting, found: &str, expected: &str) -> Box<Error> {
        let (key, found) = (setting.key.as_str(), format!("`{}`", excerpt(found)));
        self.error(
            ErrorKind::Number,
            key,
            setting.line,
            found,
            expected.to_owned(),
            format!("correct `{key}`"),
        )
    }

    fn error(
        &self,
        kind: ErrorKind,
        key: &str,
        line: Option<usize>,
        found: String,
        expected: String,
        next_step: String,
    ) -> Box<Error> {
        let error = Error::new(kind, self.source, found, expected, next_step).at_key(format!(
            "{}{}",
            self.within,
            excerpt(key)
        ));
        match line {
            Some(line) => error.at_line(line),
            None => error,
        }
    }
}

/// An array of exactly two decimal numbers.
fn pair(value: &DeValue<'_>) -> Option<(f64, f64)> {
    let number = |value: &DeValue<'_>| match value {
        DeValue::Float(number) => number.as_str().parse::<f64>().ok(),
        DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse().ok(),
        _ => None,
    };
    let DeValue::Array(items) = value else {
        return None;
    };
    match items.iter().collect::<Vec<_>>()[..] {
        [f_hz, db] => Some((number(f_hz.get_ref())?, number(db.get_ref())?)),
        _ => None,
    }
}
