//! How well each explanation fits what was measured.
//!
//! Every [`Explanation`] predicts a change; its distance from the measured one is a sum of squares in standard errors
//! ([`ErrorModel::squares`]). Changes of two explanations in dB add up, so that two at once are tried as well: each
//! explanation at its best value with all others on what it leaves, then both values anew. Explanations with a free number
//! (a gain mistyped to what?) are tried over a grid of it and over the [`slips`] of the printed number, and count by the
//! mean of their likelihoods: a number that could have been anything must fit better than an explanation without one.
//! Shares are posterior probabilities by Bayes' rule from the [`priors`].
//!
//! The likelihood of `squares` is Student's, with so many degrees of freedom as the takes' spread has: relative to the
//! best, `(1 + (squares - best) / (s v))^(-(v+1)/2)`. `s` is 1, or more where even [`Explanation::SomethingElse`], a
//! smooth change of any form, leaves more than its points allow. That one fits in many directions at once, so Student's
//! tail would make it worth too little: its likelihood beside the best of the others is normal, with the variance of the
//! takes doubled. Where the best of the others leaves more than [`MISFIT`] standard errors rms, nothing else is believed.
//!
//! [`ErrorModel::squares`]: crate::verify::noise::ErrorModel::squares
//! [`slips`]: crate::verify::slip::slips

use super::candidates::{Beside, Candidate, ExpectedLevel, Trial, TriedValue};
use super::evidence::{Evidence, LevelEvidence};
use super::kinds::Explanation;
use super::priors;
use crate::verify::noise::dot;

/// What an explanation may leave, rms in standard errors: twice what chance leaves.
pub const MISFIT: f64 = 2.0;

/// By how much the variance of a change may be underestimated when all explanations are doubted.
const DOUBT: f64 = 2.0;

/// Two at once that are looked at more closely than greedily.
const CLOSER: usize = 12;

/// An explanation, or two at once, tried.
#[derive(Debug, Clone, PartialEq)]
pub struct Tried {
    /// What may have happened.
    pub explanation: Explanation,
    /// What else at the same time.
    pub also: Option<Explanation>,
    /// Posterior probability, 0 to 1; all together have 1.
    pub share: f64,
    /// What it leaves of the measured change, squares in standard errors.
    pub squares: f64,
}

impl Tried {
    /// Whether the sheet plays as it says under it.
    #[must_use]
    pub fn is_innocent(&self) -> bool {
        self.explanation.is_innocent() && self.also.is_none_or(|also| also.is_innocent())
    }
}

/// What may have happened, before it has a share.
struct Hypothesis {
    ln_share: f64,
    tried: Tried,
}

/// All explanations that apply, and two of them at once, the likeliest first.
#[must_use]
pub fn ranked(evidence: &Evidence<'_>) -> Vec<Tried> {
    let trial = Trial::all(evidence);
    let pairs = Pairs::all(&trial);
    let anything = Anything::of(&trial);
    let likelihood = Likelihood::of(&trial, &pairs, &anything);
    let candidates = trial.candidates.iter();
    let mut all: Vec<Hypothesis> = candidates
        .map(|candidate| single(&trial, candidate, &likelihood))
        .chain(pairs.found.iter().map(|pair| double(&trial, pair, &likelihood)))
        .collect();
    all.push(anything.hypothesis(&trial, &likelihood));
    let top = all
        .iter()
        .map(|h| h.ln_share)
        .fold(f64::NEG_INFINITY, f64::max);
    let whole: f64 = all.iter().map(|h| (h.ln_share - top).exp()).sum();
    let mut tried: Vec<Tried> = all
        .into_iter()
        .map(|h| Tried {
            share: (h.ln_share - top).exp() / whole,
            ..h.tried
        })
        .collect();
    tried.sort_by(|a, b| b.share.total_cmp(&a.share));
    tried
}

fn single(trial: &Trial<'_>, candidate: &Candidate, likelihood: &Likelihood) -> Hypothesis {
    let options = candidate.options.iter();
    let ln_of = |o: &TriedValue| o.weight.ln() + likelihood.ln(o.squares);
    let best = candidate.best();
    let ln_level = trial.ln_level(&[best], candidate.levels);
    // A second mistake was as possible here, and did not happen.
    let once = match candidate.beside {
        Beside::AnotherSection => 1.0 - priors::AGAIN,
        _ => 1.0,
    };
    Hypothesis {
        ln_share: (once * candidate.prior).ln() + ln_sum(options.map(ln_of)) + ln_level,
        tried: Tried {
            explanation: with_slip(&candidate.options, likelihood.scale),
            also: None,
            share: 0.0,
            squares: best.squares,
        },
    }
}

/// The explanation with its best number, and the slip of the printed one that fits as well.
fn with_slip(options: &[TriedValue], scale: f64) -> Explanation {
    /// Squares by which a slip may fit worse than any number: about two standard errors.
    const AS_WELL: f64 = 4.0;
    let best = |slip: bool| {
        let options = options.iter().filter(|o| slip == o.slip);
        options.min_by(|a, b| a.squares.total_cmp(&b.squares))
    };
    let (free, slipped) = (best(false), best(true));
    let slip = slipped.filter(|slip| {
        free.is_none_or(|free| slip.squares <= free.squares + AS_WELL * scale)
    });
    let first = free.or(slip).map_or(Explanation::NothingWrong, |o| o.explanation);
    match (first, slip.map(|o| o.explanation)) {
        (
            Explanation::NumberWrong {
                place,
                number,
                fitted,
                ..
            },
            Some(Explanation::NumberWrong { fitted: slip, .. }),
        ) => Explanation::NumberWrong {
            place,
            number,
            // Where takes tell a number so badly that both fit, the grid's is no measured one.
            fitted: if number.is_near(slip, fitted) { fitted } else { slip },
            slip: Some(slip),
        },
        (first, _) => first,
    }
}

/// Two explanations at once.
struct Pair {
    first: usize,
    second: usize,
    ln_prior: f64,
    /// The value of the first that was tried with all of the second.
    first_value: usize,
    /// How much of the first's prior lies where it fits as well, as a logarithm.
    ln_first: f64,
    /// Squares with each value of the second.
    squares: Vec<f64>,
}

impl Pair {
    fn least(&self) -> (f64, usize) {
        let all = self.squares.iter().copied().zip(0..);
        all.min_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap_or((f64::INFINITY, 0))
    }
}

struct Pairs {
    found: Vec<Pair>,
}

impl Pairs {
    /// All pairs that can hold at once, each in the order that fits better.
    fn all(trial: &Trial<'_>) -> Self {
        let candidates = &trial.candidates;
        let of_sections = candidates
            .iter()
            .filter(|c| c.beside == Beside::AnotherSection);
        let sections: f64 = of_sections.map(|c| c.prior).sum();
        let mut found: Vec<Pair> = Vec::new();
        for (first, one) in candidates.iter().enumerate() {
            let first_value = best_of(one.options.iter().map(|o| o.squares));
            let left = trial.left_by(&one.options[first_value]);
            let ln_first = ln_about(&one.options, one.options.iter().map(|o| o.squares));
            for (second, other) in candidates.iter().enumerate() {
                let Some(ln_prior) = ln_prior(one, other, sections) else {
                    continue;
                };
                if first == second {
                    continue;
                }
                found.push(Pair {
                    first,
                    second,
                    ln_prior,
                    first_value,
                    ln_first,
                    squares: squares(&left, &other.options),
                });
            }
        }
        let score = |pair: &Pair| pair.ln_prior - 0.5 * pair.least().0;
        found.sort_by(|a, b| score(b).total_cmp(&score(a)));
        for pair in found.iter_mut().take(CLOSER) {
            pair.look_closer(trial);
        }
        found.sort_by(|a, b| score(b).total_cmp(&score(a)));
        let mut seen = std::collections::BTreeSet::new();
        found.retain(|pair| {
            let (a, b) = (pair.first.min(pair.second), pair.first.max(pair.second));
            seen.insert((a, b))
        });
        Self { found }
    }
}

impl Pair {
    /// The first anew beside the best of the second, then the second again.
    fn look_closer(&mut self, trial: &Trial<'_>) {
        let first = &trial.candidates[self.first].options;
        let second = &trial.candidates[self.second].options;
        for _ in 0..2 {
            let left = trial.left_by(&second[self.least().1]);
            let of_first = squares(&left, first);
            self.first_value = best_of(of_first.iter().copied());
            self.ln_first = ln_about(first, of_first.iter().copied());
            let left = trial.left_by(&first[self.first_value]);
            self.squares = squares(&left, second);
        }
    }
}

/// Squares that are left of `left` by each of `options`.
fn squares(left: &[f64], options: &[TriedValue]) -> Vec<f64> {
    let all = dot(left, left);
    let of = |o: &TriedValue| (all - 2.0 * dot(left, &o.effect) + o.effect_squares).max(0.0);
    options.iter().map(of).collect()
}

fn best_of(squares: impl Iterator<Item = f64>) -> usize {
    let by_squares = |a: &(usize, f64), b: &(usize, f64)| a.1.total_cmp(&b.1);
    squares.enumerate().min_by(by_squares).map_or(0, |(k, _)| k)
}

/// Logarithm of the prior weight of the values that fit about as well as the best.
fn ln_about(options: &[TriedValue], squares: impl Iterator<Item = f64> + Clone) -> f64 {
    let least = squares.clone().fold(f64::INFINITY, f64::min);
    let all = options.iter().zip(squares);
    all.map(|(o, squares)| o.weight * (0.5 * (least - squares)).exp())
        .sum::<f64>()
        .ln()
}

/// Logarithm of the prior of two at once; None where they exclude each other. `sections` is that of all mistakes with
/// sections.
fn ln_prior(one: &Candidate, other: &Candidate, sections: f64) -> Option<f64> {
    let (a, b) = (&one.options[0].explanation, &other.options[0].explanation);
    let nothing = Explanation::NothingWrong;
    let same_kind = a.name() == b.name() && one.beside == Beside::Any;
    // What plays as a whole has a level of its own.
    let without_preamp = [a, b].contains(&&Explanation::PreampMissing)
        && [one.beside, other.beside].contains(&Beside::Alone);
    if *a == nothing || *b == nothing || same_kind || without_preamp {
        return None;
    }
    match (one.beside, other.beside) {
        (Beside::AnotherSection, Beside::AnotherSection) => {
            let place = |e: &Explanation| e.place().map(|p| (p.side, p.number));
            let apart = place(a) != place(b);
            apart.then(|| (2.0 * priors::AGAIN * one.prior * other.prior / sections).ln())
        }
        (Beside::Any, _) | (_, Beside::Any) => Some((one.prior * other.prior).ln()),
        _ => None,
    }
}

fn double(trial: &Trial<'_>, pair: &Pair, likelihood: &Likelihood) -> Hypothesis {
    let (one, other) = (&trial.candidates[pair.first], &trial.candidates[pair.second]);
    let (least, second_value) = pair.least();
    let terms = other.options.iter().zip(&pair.squares);
    let ln_second = ln_sum(terms.map(|(o, squares)| o.weight.ln() + likelihood.ln(*squares)));
    let values = [&one.options[pair.first_value], &other.options[second_value]];
    let levels = match (one.beside, other.beside) {
        _ if one.levels == ExpectedLevel::None || other.levels == ExpectedLevel::None => {
            ExpectedLevel::None
        }
        (Beside::Any, _) => other.levels,
        _ => one.levels,
    };
    let innocent_last = values[0].explanation.is_innocent() && !values[1].explanation.is_innocent();
    let [first, second] = match innocent_last {
        true => [values[1], values[0]],
        false => values,
    };
    Hypothesis {
        ln_share: pair.ln_prior
            + pair.ln_first
            + ln_second
            + trial.ln_level(&values, levels),
        tried: Tried {
            explanation: first.explanation,
            also: Some(second.explanation),
            share: 0.0,
            squares: least,
        },
    }
}

/// A smooth change of any form, small or large.
struct Anything {
    /// Squares and logarithm of the ratio of normalisations.
    sizes: [(f64, f64); 2],
}

impl Anything {
    fn of(trial: &Trial<'_>) -> Self {
        let evidence = trial.evidence;
        let sizes = [0, 1].map(|size| {
            let (mut squares, mut ln_occam) = (0.0, 0.0);
            for side in evidence.sides {
                let models = &evidence.models[side.model];
                let model = &models.anything[size];
                squares += model.squares(&evidence.left_over_db(side));
                ln_occam -= 0.5 * (model.ln_determinant() - models.chance.ln_determinant());
            }
            (squares, ln_occam)
        });
        Self { sizes }
    }

    fn least(&self) -> f64 {
        self.sizes[0].0.min(self.sizes[1].0)
    }

    fn hypothesis(&self, trial: &Trial<'_>, likelihood: &Likelihood) -> Hypothesis {
        let sizes = self.sizes.iter();
        let ln_fit = ln_sum(sizes.map(|(squares, ln_occam)| {
            0.5_f64.ln() + ln_occam + likelihood.ln_of_anything(*squares)
        }));
        let ln_fit = match likelihood.nothing_fits {
            true => ln_fit.max(NOTHING_FITS),
            false => ln_fit,
        };
        Hypothesis {
            ln_share: priors::ELSE.ln() + ln_fit + trial.ln_level(&[], ExpectedLevel::Preamp),
            tried: Tried {
                explanation: Explanation::SomethingElse,
                also: None,
                share: 0.0,
                squares: self.least(),
            },
        }
    }
}

/// Logarithm of the likelihood of something else to that of the best explanation where that leaves too much.
const NOTHING_FITS: f64 = 10.0;

/// How likely so many squares are, relative to the best; see the head of this file.
struct Likelihood {
    /// The fewest squares of an explanation that is not just anything.
    best: f64,
    /// `s`, 1 or more.
    scale: f64,
    /// Degrees of freedom of the takes' spread.
    freedom: f64,
    /// Whether even the best explanation leaves more than [`MISFIT`].
    nothing_fits: bool,
}

impl Likelihood {
    fn of(trial: &Trial<'_>, pairs: &Pairs, anything: &Anything) -> Self {
        let points = trial.evidence.points() as f64;
        let singles = trial.candidates.iter().map(|c| c.best().squares);
        let doubles = pairs.found.iter().map(|pair| pair.least().0);
        let best = singles.chain(doubles).fold(f64::INFINITY, f64::min);
        Self {
            best,
            scale: (anything.least() / points).max(1.0),
            freedom: trial.evidence.freedom,
            nothing_fits: best > MISFIT * MISFIT * points,
        }
    }

    /// Logarithm of Student's likelihood.
    fn ln(&self, squares: f64) -> f64 {
        let above = (squares - self.best).max(0.0) / (self.scale * self.freedom);
        -0.5 * (self.freedom + 1.0) * above.ln_1p()
    }

    /// Logarithm of the normal likelihood of a change of any form.
    fn ln_of_anything(&self, squares: f64) -> f64 {
        0.5 * (self.best - squares) / (DOUBT * self.scale)
    }
}

/// Logarithm of a sum of exponentials.
fn ln_sum(ln_terms: impl Iterator<Item = f64>) -> f64 {
    let ln_terms: Vec<f64> = ln_terms.collect();
    let top = ln_terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY {
        return top;
    }
    top + ln_terms.iter().map(|ln| (ln - top).exp()).sum::<f64>().ln()
}

impl Trial<'_> {
    /// What a value leaves of the measured change, in standard errors.
    fn left_by(&self, value: &TriedValue) -> Vec<f64> {
        let both = self.left_over.iter().zip(&value.effect);
        both.map(|(left, effect)| left - effect).collect()
    }

    /// Logarithm of the likelihood of the level when `values` hold; 0 where levels do not compare.
    fn ln_level(&self, values: &[&TriedValue], levels: ExpectedLevel) -> f64 {
        let Some(level) = &self.evidence.level else {
            return 0.0;
        };
        let (mut sum, mut weight) = (0.0, 0.0);
        for (k, side) in self.evidence.sides.iter().enumerate() {
            let changed: f64 = values.iter().map(|value| value.level_db[k]).sum();
            let error_db = self.evidence.models[side.model].chance.level_error_db();
            let precision = 1.0 / (error_db * error_db + level.error_db * level.error_db);
            sum += precision * (self.level_db[k] - changed);
            weight += precision;
        }
        ln_level(level, sum / weight, weight.sqrt().recip(), levels)
    }
}

/// Logarithm of the likelihood of a level. One that nobody meant (another setting of the volume) stays possible
/// throughout.
fn ln_level(level: &LevelEvidence, found_db: f64, error_db: f64, levels: ExpectedLevel) -> f64 {
    const ANY_SHARE: f64 = 0.02;
    const ANY_DB: f64 = 10.0;
    let normal = |at_db: f64, error_db: f64| {
        (-0.5 * ((found_db - at_db) / error_db).powi(2)).exp() / error_db
    };
    let preamp_db = level.preamp_db;
    let meant: &[(f64, f64)] = match levels {
        ExpectedLevel::Preamp => &[(preamp_db, 1.0)],
        ExpectedLevel::None => &[(0.0, 1.0)],
        ExpectedLevel::Either => &[(0.0, 0.6), (preamp_db, 0.4)],
        ExpectedLevel::OnceOrTwice => &[(preamp_db, 0.5), (2.0 * preamp_db, 0.45), (0.0, 0.05)],
        ExpectedLevel::Exchanged => &[(-preamp_db, 0.9), (0.0, 0.1)],
    };
    let meant: f64 = meant
        .iter()
        .map(|(at_db, share)| share * normal(*at_db, error_db))
        .sum();
    ((1.0 - ANY_SHARE) * meant + ANY_SHARE * normal(preamp_db, ANY_DB)).ln()
}
