//! The numbers of a picture: axes, ticks, widths of words, places of labels. Pixels throughout, y downwards.
//!
//! The aspect is fixed: one decade of frequency is as long as 25 dB, or 50 dB where the curves need
//! more room (ratios of the kind IEC 60263 asks for; from memory). So the same slope looks the same
//! in every picture of one scale.

use std::ops::Range;

use crate::report::words::wrap;

/// Lowest frequency of the axis, Hz.
pub const LOWEST_HZ: f64 = 20.0;
/// Highest frequency of the axis, Hz.
pub const HIGHEST_HZ: f64 = 20_000.0;

/// The labelled frequencies, Hz.
pub const FREQUENCY_LABELS: [(f64, &str); 10] = [
    (20.0, "20"),
    (50.0, "50"),
    (100.0, "100"),
    (200.0, "200"),
    (500.0, "500"),
    (1000.0, "1k"),
    (2000.0, "2k"),
    (5000.0, "5k"),
    (10_000.0, "10k"),
    (20_000.0, "20k"),
];

/// Every frequency with a grid line: 1 to 9 times each power of ten within the axis, Hz.
#[must_use]
pub fn frequency_lines_hz() -> Vec<f64> {
    [10.0, 100.0, 1000.0, 10_000.0]
        .iter()
        .flat_map(|decade| (1..=9).map(move |digit| decade * f64::from(digit)))
        .filter(|hz| (LOWEST_HZ..=HIGHEST_HZ).contains(hz))
        .collect()
}

/// The logarithmic frequency axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrequencyAxis {
    /// Where 20 Hz is.
    pub left: f64,
    /// Where 20 kHz is.
    pub right: f64,
}

impl FrequencyAxis {
    /// Length of a decade.
    #[must_use]
    pub fn decade(&self) -> f64 {
        (self.right - self.left) / (HIGHEST_HZ / LOWEST_HZ).log10()
    }

    /// Place of a frequency (above 0).
    #[must_use]
    pub fn x(&self, frequency_hz: f64) -> f64 {
        self.left + self.decade() * (frequency_hz / LOWEST_HZ).log10()
    }
}

/// How many decibels are as long as a decade.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Aspect {
    /// 25 dB a decade, a tick every 5 dB, at most 40 dB high.
    Fine,
    /// 50 dB a decade, a tick every 10 dB, at most 100 dB high.
    Coarse,
}

impl Aspect {
    /// Decibels as long as a decade.
    #[must_use]
    pub fn db_per_decade(self) -> f64 {
        match self {
            Self::Fine => 25.0,
            Self::Coarse => 50.0,
        }
    }

    /// Distance of ticks, dB.
    #[must_use]
    pub fn step_db(self) -> f64 {
        match self {
            Self::Fine => 5.0,
            Self::Coarse => 10.0,
        }
    }

    /// The highest panel, dB.
    #[must_use]
    pub fn most_db(self) -> f64 {
        match self {
            Self::Fine => 40.0,
            Self::Coarse => 100.0,
        }
    }
}

/// The lowest panel, dB.
pub const LEAST_DB: f64 = 20.0;

/// Free room above and below the curves, dB.
const MARGIN_DB: f64 = 0.5;

/// The levels a panel shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelRange {
    /// Lower edge, a multiple of the step.
    pub low_db: f64,
    /// Upper edge, a multiple of the step.
    pub high_db: f64,
    /// Some values lie outside.
    pub cuts: bool,
}

/// The range for `values_db`: whole steps, at least [`LEAST_DB`]; where even the aspect's most does not
/// hold all, the part around their median.
#[must_use]
pub fn level_range(values_db: &[f64], aspect: Aspect) -> LevelRange {
    // The bound keeps steps representable beside the values; no level of sound comes near it.
    let mut sorted: Vec<f64> = values_db
        .iter()
        .filter(|db| db.is_finite())
        .map(|db| db.clamp(-1000.0, 1000.0))
        .collect();
    sorted.sort_by(f64::total_cmp);
    let (Some(&min), Some(&max)) = (sorted.first(), sorted.last()) else {
        return level_range(&[0.0], aspect);
    };
    let step = aspect.step_db();
    let mut low_db = ((min - MARGIN_DB) / step).floor() * step;
    let mut high_db = ((max + MARGIN_DB) / step).ceil() * step;
    while high_db - low_db < LEAST_DB {
        if min - low_db <= high_db - max {
            low_db -= step;
        } else {
            high_db += step;
        }
    }
    let cuts = high_db - low_db > aspect.most_db();
    if cuts {
        let median = sorted[sorted.len() / 2];
        low_db = ((median - aspect.most_db() / 2.0) / step).round() * step;
        high_db = low_db + aspect.most_db();
    }
    LevelRange {
        low_db,
        high_db,
        cuts,
    }
}

/// The finest aspect in which no panel cuts its values, or the coarsest.
#[must_use]
pub fn aspect_for(panels_db: &[&[f64]]) -> Aspect {
    let cuts = |values_db: &&[f64]| level_range(values_db, Aspect::Fine).cuts;
    if panels_db.iter().any(cuts) { Aspect::Coarse } else { Aspect::Fine }
}

/// Both panels share one aspect, so that a slope in one compares with a slope in the other.
#[must_use]
pub fn one_aspect(values_db: [&[f64]; 2]) -> (Aspect, [LevelRange; 2]) {
    let aspect = aspect_for(&values_db);
    (aspect, values_db.map(|values_db| level_range(values_db, aspect)))
}

/// A linear level axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelAxis {
    /// The levels shown.
    pub range: LevelRange,
    /// Distance of ticks, dB.
    pub step_db: f64,
    /// Where `range.high_db` is.
    pub top: f64,
    /// Pixels of a decibel.
    pub per_db: f64,
}

impl LevelAxis {
    /// The axis that starts at `top` with the aspect that belongs to `frequency`.
    #[must_use]
    pub fn new(range: LevelRange, aspect: Aspect, frequency: &FrequencyAxis, top: f64) -> Self {
        Self {
            range,
            step_db: aspect.step_db(),
            top,
            per_db: frequency.decade() / aspect.db_per_decade(),
        }
    }

    /// Place of a level.
    #[must_use]
    pub fn y(&self, level_db: f64) -> f64 {
        self.top + (self.range.high_db - level_db) * self.per_db
    }

    /// Where `range.low_db` is.
    #[must_use]
    pub fn bottom(&self) -> f64 {
        self.y(self.range.low_db)
    }

    /// The ticks from low to high, dB.
    #[must_use]
    pub fn ticks_db(&self) -> Vec<f64> {
        let steps = ((self.range.high_db - self.range.low_db) / self.step_db).round() as usize;
        (0..=steps)
            .map(|i| self.range.low_db + i as f64 * self.step_db)
            .collect()
    }
}

/// Places as near as possible (least squares) to `wanted` (rising), each at least its distance of `distances` from the one
/// before, and within `low..=high`; where that is too narrow for all, they start at `low`.
#[must_use]
pub fn apart(wanted: &[f64], distances: &[f64], low: f64, high: f64) -> Vec<f64> {
    // Less their least distance from the first, the places must only not fall: pooled neighbours share their mean.
    let mut least = vec![0.0; wanted.len()];
    for i in 1..wanted.len() {
        least[i] = least[i - 1] + distances[i - 1];
    }
    let mut pools: Vec<(f64, usize)> = Vec::new();
    for (place, least) in wanted.iter().zip(&least) {
        let mut pool = (place - least, 1);
        while let Some(&(mean, size)) = pools.last()
            && mean > pool.0
        {
            pools.pop();
            let together = size + pool.1;
            pool.0 = (mean * size as f64 + pool.0 * pool.1 as f64) / together as f64;
            pool.1 = together;
        }
        pools.push(pool);
    }
    let last = (high - least.last().copied().unwrap_or_default()).max(low);
    pools
        .into_iter()
        .flat_map(|(mean, size)| std::iter::repeat_n(mean.clamp(low, last), size))
        .zip(least)
        .map(|(place, least)| place + least)
        .collect()
}

/// Estimated width of a character in a sans at size 1: generous, for fonts differ and words must fit in all.
#[must_use]
pub fn char_width(c: char) -> f64 {
    match c {
        'i' | 'j' | 'l' | 'I' | '.' | ',' | ':' | ';' | '\'' | '|' | '!' => 0.33,
        ' ' | '\u{A0}' | 'f' | 't' | 'r' | '(' | ')' | '[' | ']' | '/' | '"' | '-' | '·' => 0.42,
        'm' | 'w' | 'M' | 'W' | '@' | '%' | '…' | '→' => 0.98,
        'A'..='Z' | '&' | '<' | '>' | '+' | '=' | '±' | '\u{2212}' => 0.73,
        '\u{0300}'..='\u{036F}' => 0.0,
        '\0'..='\u{10FF}' => 0.63,
        _ => 1.05,
    }
}

/// Estimated width of `text` at `size`.
#[must_use]
pub fn text_width(text: &str, size: f64) -> f64 {
    size * text.chars().map(char_width).sum::<f64>()
}

/// `text` if it is no wider than `width` at `size`, else as much of it as fits with an ellipsis.
#[must_use]
pub fn fitted(text: &str, size: f64, width: f64) -> String {
    if text_width(text, size) <= width {
        return text.to_owned();
    }
    let mut room = width / size - char_width('…');
    let mut short: String = text
        .chars()
        .take_while(|&c| {
            room -= char_width(c);
            room >= 0.0
        })
        .collect();
    short.truncate(short.trim_end().len());
    short.push('…');
    short
}

/// `text` in at most `most` lines (1 or more) no wider than `width` at `size`; what does not fit ends with an ellipsis.
#[must_use]
pub fn lines_within(text: &str, size: f64, width: f64, most: usize) -> Vec<String> {
    let mut lines = wrap(text, width / size, char_width);
    if lines.len() > most {
        let rest = lines.split_off(most - 1).join(" ");
        lines.push(fitted(&rest, size, width));
    }
    lines
}

/// From this trust on the rig is believed; below, a picture is hatched.
pub const TRUSTED: f64 = 0.7;

/// Runs of grid points without data or trust, hertz; they meet their neighbours half a step away.
#[must_use]
pub fn doubtful_hz(frequency_hz: &[f64], trust: &[f64], support: &Range<usize>) -> Vec<(f64, f64)> {
    let doubtful: Vec<bool> = (0..frequency_hz.len())
        .map(|i| {
            let trusted = trust.get(i).is_some_and(|&trust| trust >= TRUSTED);
            !(trusted && support.contains(&i))
        })
        .collect();
    let edge = |i: usize| match i {
        0 => LOWEST_HZ,
        _ if i == frequency_hz.len() => HIGHEST_HZ,
        _ => (frequency_hz[i - 1] * frequency_hz[i]).sqrt(),
    };
    let mut ranges = Vec::new();
    let mut start = 0;
    for run in doubtful.chunk_by(|a, b| a == b) {
        if run[0] {
            ranges.push((edge(start), edge(start + run.len())));
        }
        start += run.len();
    }
    ranges
}
