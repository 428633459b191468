//! Trials whose order is hidden from the listener, and what answers are worth.
//!
//! The order comes from a seed, one bit a trial, each as likely as the other and independent of the rest: what guessing gives
//! is then binomial, exactly. The seal keeps the order out of sight of whoever opens the file with the answers: it is no lock
//! for a listener who wants to cheat, who has the music and the sheets and could compare them by computing.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use super::error::ListenFault;
use crate::digest::digits;
use crate::error::{Error, Result};

/// Most trials.
pub const MOST_TRIALS: usize = 100;
/// Below this chance of guessing as well, a result is not put down to luck. Common practice, no source.
const SURELY: f64 = 0.05;
/// How often so many trials as are told would show a difference that is there.
const POWER: f64 = 0.8;
/// More trials than this are not told.
const MOST_TOLD: usize = 1000;

/// What a listener is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Two files a trial: which of them is the sheet's?
    Pairs,
    /// Two files that are named and one a trial that is not: which of the two is it?
    ThreeWay,
}

impl Kind {
    /// What may be answered.
    #[must_use]
    pub fn choices(self) -> [&'static str; 2] {
        match self {
            Self::Pairs => ["1", "2"],
            Self::ThreeWay => ["a", "b"],
        }
    }
}

/// A series of trials.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trials {
    /// What is asked.
    pub kind: Kind,
    /// Of each trial: whether the second of the two choices is right.
    pub second: Vec<bool>,
    salt: [u8; 32],
}

/// What answers are worth.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Score {
    /// What was asked.
    pub kind: Kind,
    /// Right answers.
    pub right: usize,
    /// Answers.
    pub answered: usize,
    /// Trials.
    pub trials: usize,
    /// How likely guessing gives so many right answers or more, 0 to 1: exact, binomial.
    #[schemars(range(min = 0.0, max = 1.0))]
    pub by_guessing: f64,
    /// Trials after which a listener who is right this often would most likely have shown it (four times in five, at 5 %);
    /// none (`null`) where this result shows it, or no number would.
    pub trials_to_tell: Option<usize>,
}

impl Trials {
    /// Trials in the order that a seed gives.
    #[must_use]
    pub fn new(kind: Kind, trials: usize, seed: u64) -> Self {
        let mut salt = Sha256::new();
        salt.update(b"order");
        salt.update(seed.to_le_bytes());
        let salt: [u8; 32] = salt.finalize().into();
        let second = (0..trials).map(|trial| bit(&salt, b"bit", trial)).collect();
        Self { kind, second, salt }
    }

    /// What the names of each trial's files begin with.
    pub fn names(&self) -> impl Iterator<Item = String> {
        let word = match self.kind {
            Kind::Pairs => "pair",
            Kind::ThreeWay => "x",
        };
        (1..=self.second.len()).map(move |number| format!("{word}-{number:02}"))
    }

    /// The names of all files, and whether each holds the second of the two sounds.
    #[must_use]
    pub fn files(&self) -> Vec<(String, bool)> {
        let mut files = Vec::new();
        if self.kind == Kind::ThreeWay {
            files.extend([("a.wav".to_owned(), false), ("b.wav".to_owned(), true)]);
        }
        for (name, second) in self.names().zip(&self.second) {
            match self.kind {
                Kind::ThreeWay => files.push((format!("{name}.wav"), *second)),
                // Where the second choice is right, the second file holds the second sound.
                Kind::Pairs => files.extend([
                    (format!("{name}-1.wav"), !second),
                    (format!("{name}-2.wav"), *second),
                ]),
            }
        }
        files
    }

    /// The seed of the dither of a file, which tells nothing of what is in it.
    #[must_use]
    pub fn dither_seed(&self, file: usize) -> u64 {
        let bytes = chance(&self.salt, b"dither", file);
        u64::from_le_bytes(std::array::from_fn(|i| bytes[i]))
    }

    /// The order, out of sight: what [`Trials::opened`] reads.
    #[must_use]
    pub fn sealed(&self) -> String {
        let mut sealed = digits(&self.salt);
        for (trial, second) in self.second.iter().enumerate() {
            let hidden = second ^ bit(&self.salt, b"seal", trial);
            sealed.push(if hidden { '1' } else { '0' });
        }
        sealed.push_str(&self.check());
        sealed
    }

    /// What no other order has.
    fn check(&self) -> String {
        let mut check = Sha256::new();
        check.update(self.salt);
        check.update(self.kind.choices()[0]);
        check.update(self.second.iter().map(|second| u8::from(*second)).collect::<Vec<u8>>());
        digits(&check.finalize()[..8])
    }

    /// The trials of a seal; `file` is for messages.
    ///
    /// # Errors
    /// `Format` where it is not one of so many trials of the kind.
    pub fn opened(kind: Kind, trials: usize, sealed: &str, file: &str) -> Result<Self> {
        let broken = || Error::of(ListenFault::Seal, file);
        if sealed.len() != 64 + trials + 16 || !sealed.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Err(broken());
        }
        let byte = |i: usize| u8::from_str_radix(&sealed[2 * i..2 * i + 2], 16).unwrap_or(0);
        let salt: [u8; 32] = std::array::from_fn(byte);
        let hidden = sealed[64..64 + trials].bytes().enumerate();
        let second = hidden.map(|(trial, bit_now)| (bit_now == b'1') ^ bit(&salt, b"seal", trial));
        let trials = Self {
            kind,
            second: second.collect(),
            salt,
        };
        match trials.sealed() == sealed {
            true => Ok(trials),
            false => Err(broken()),
        }
    }

    /// What answers are worth, one a trial, empty where none was given; `file` is for messages.
    ///
    /// # Errors
    /// `Setting` for an answer that is none of the choices, and where there is none at all.
    pub fn score(&self, answers: &[String], file: &str) -> Result<Score> {
        let choices = self.kind.choices();
        let mut right = 0;
        let mut answered = 0;
        for (trial, (answer, second)) in answers.iter().zip(&self.second).enumerate() {
            let answer = answer.trim().to_lowercase();
            if answer.is_empty() {
                continue;
            }
            if !choices.contains(&answer.as_str()) {
                let fault = ListenFault::Answer(answer, choices.join(" or "));
                return Err(Error::of(fault, file).at_key(format!("trial[{}].answer", trial + 1)));
            }
            answered += 1;
            right += usize::from(answer == choices[usize::from(*second)]);
        }
        if answered == 0 {
            return Err(Error::of(ListenFault::NoAnswer, file));
        }
        let by_guessing = at_least(right, answered, 0.5);
        Ok(Score {
            kind: self.kind,
            right,
            answered,
            trials: self.second.len(),
            by_guessing,
            trials_to_tell: match by_guessing <= SURELY {
                true => None,
                false => trials_to_tell(right as f64 / answered as f64),
            },
        })
    }
}

impl Score {
    /// Whether guessing would hardly be right so often.
    #[must_use]
    pub fn is_heard(&self) -> bool {
        self.by_guessing <= SURELY
    }
}

/// 32 bytes that depend on all of these.
fn chance(salt: &[u8; 32], what: &[u8], place: usize) -> [u8; 32] {
    let mut hash = Sha256::new();
    hash.update(salt);
    hash.update(what);
    hash.update((place as u64).to_le_bytes());
    hash.finalize().into()
}

fn bit(salt: &[u8; 32], what: &[u8], place: usize) -> bool {
    chance(salt, what, place)[0] & 1 == 1
}

/// How likely at least `right` of `of` are right, each with probability `p`, 0 < p < 1: exact.
#[must_use]
pub fn at_least(right: usize, of: usize, p: f64) -> f64 {
    // Logarithms of the terms, each from the one before.
    let mut log_term = of as f64 * (1.0 - p).ln();
    let mut sum = if right == 0 { log_term.exp() } else { 0.0 };
    for k in 1..=of {
        log_term += ((of - k + 1) as f64 / k as f64).ln() + (p / (1.0 - p)).ln();
        if k >= right {
            sum += log_term.exp();
        }
    }
    sum.min(1.0)
}

/// The fewest trials after which a listener who is right with probability `share` has shown it with [`POWER`].
fn trials_to_tell(share: f64) -> Option<usize> {
    if share <= 0.5 {
        return None;
    }
    // One who was always right so far is not sure to be.
    let share = share.min(0.99);
    (1..=MOST_TOLD).find(|&trials| {
        let enough = (0..=trials).find(|&right| at_least(right, trials, 0.5) <= SURELY);
        enough.is_some_and(|right| at_least(right, trials, share) >= POWER)
    })
}
