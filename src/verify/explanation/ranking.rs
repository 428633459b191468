//! What may have gone wrong between a sheet and an equaliser, and how well each of it fits what was measured.
//!
//! Every [`Explanation`] predicts a change; its distance from the measured one is a sum of squares in standard errors
//! ([`ErrorModel::squares`]). Explanations with a free number (a gain mistyped to what?) are tried over a grid of it and
//! over the [`slips`] of the printed number, and count by the mean of their likelihoods: a number that could have been
//! anything must fit better than an explanation without one. Shares are posterior probabilities by Bayes' rule from the
//! priors of the candidates, which are our own choice: half for nothing wrong, a small one for each other kind, shared
//! out among the sections.
//!
//! The likelihood of `squares` is Student's, with so many degrees of freedom as the takes' spread has: relative to the
//! best, `(1 + (squares - best) / (s v))^(-(v+1)/2)`. `s` is 1, or more where even [`Explanation::SomethingElse`], a
//! smooth change of any form, leaves more than its points allow. That one fits in many directions at once, so Student's
//! tail would make it worth too little: its likelihood beside the best of the others is normal, with the variance of the
//! takes doubled.
//!
//! [`ErrorModel::squares`]: crate::verify::noise::ErrorModel::squares
//! [`slips`]: crate::verify::slip::slips

use super::candidates::{Candidate, ExpectedLevel, Trial, TriedNumber};
use super::evidence::{Evidence, LevelEvidence};
use super::kinds::Explanation;
use super::played::{PlayedEq, played};

/// An explanation, tried.
#[derive(Debug, Clone, PartialEq)]
pub struct Tried {
    /// What may have happened.
    pub explanation: Explanation,
    /// Posterior probability, 0 to 1; all explanations together have 1.
    pub share: f64,
    /// What it leaves of the measured change, squares in standard errors.
    pub squares: f64,
    /// The sections that would have played, for each part; None: no sections could.
    pub sections: Vec<PlayedEq>,
}

/// Explanations, tried.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranking {
    /// All that apply, the likeliest first.
    pub tried: Vec<Tried>,
    /// What plays, for each part, under every mistake that fits nearly as well as none: [`AS_LIKELY`] or more of its likelihood.
    pub possible: Vec<Vec<PlayedEq>>,
}

/// By how much the variance of a change may be underestimated when all explanations are doubted.
const DOUBT: f64 = 2.0;

/// A mistake of this likelihood ratio to nothing wrong is not excluded, however unlikely it was beforehand.
pub const AS_LIKELY: f64 = 0.1;

/// All explanations that apply.
#[must_use]
pub fn ranked(evidence: &Evidence) -> Ranking {
    let trial = Trial::all(evidence);
    let likelihood = Likelihood::of(&trial);
    let mut tried: Vec<(f64, Tried)> = trial
        .candidates
        .iter()
        .map(|candidate| tried(evidence, candidate, &likelihood))
        .collect();
    let ln_shares = tried.iter().map(|(ln_share, _)| *ln_share);
    let top = ln_shares.fold(f64::NEG_INFINITY, f64::max);
    let all: f64 = tried
        .iter()
        .map(|(ln_share, _)| (ln_share - top).exp())
        .sum();
    for (ln_share, tried) in &mut tried {
        tried.share = (*ln_share - top).exp() / all;
    }
    let mut tried: Vec<Tried> = tried.into_iter().map(|(_, tried)| tried).collect();
    tried.sort_by(|a, b| b.share.total_cmp(&a.share));
    Ranking {
        tried,
        possible: not_excluded(&trial, &likelihood),
    }
}

/// An explanation with the logarithm of its share, which is still to be scaled.
fn tried(evidence: &Evidence, candidate: &Candidate, likelihood: &Likelihood) -> (f64, Tried) {
    let ln_of = |o: &TriedNumber| {
        let ln_likelihood = match is_anything(candidate) {
            true => likelihood.ln_of_anything(o.squares),
            false => likelihood.ln(o.squares),
        };
        o.weight.ln() + o.ln_occam + ln_likelihood
    };
    let ln_sum = ln_sum(candidate.options.iter().map(ln_of));
    let explanation = with_best_number(candidate, likelihood.scale);
    let playing = played(evidence, &explanation);
    let ln_level = evidence.level.map_or(0.0, |level| {
        ln_level(evidence, &level, &playing, candidate.levels)
    });
    let ln_share = candidate.prior.ln() + ln_sum + ln_level;
    let tried = Tried {
        explanation,
        share: 0.0,
        squares: least(&candidate.options),
        sections: playing,
    };
    (ln_share, tried)
}

/// What plays, for each part, under every mistake that fits nearly as well as none.
fn not_excluded(trial: &Trial<'_>, likelihood: &Likelihood) -> Vec<Vec<PlayedEq>> {
    let nothing: f64 = trial.squares.iter().sum();
    let excluded = likelihood.ln(nothing) + AS_LIKELY.ln();
    trial
        .candidates
        .iter()
        .filter(|c| !matches!(c.explanation, Explanation::SealDiffers { .. }))
        .flat_map(|candidate| {
            let options = candidate.options.iter();
            let left = options.filter(|o| likelihood.ln(o.squares) >= excluded);
            left.map(|o| {
                played(
                    trial.evidence,
                    &with_number(&candidate.explanation, o.value),
                )
            })
        })
        .collect()
}

/// How likely so many squares are, relative to the best; see the head of this file.
struct Likelihood {
    /// The fewest squares of an explanation that is not just anything.
    best: f64,
    /// `s`, 1 or more.
    scale: f64,
    /// Degrees of freedom of the takes' spread.
    freedom: f64,
}

impl Likelihood {
    fn of(trial: &Trial<'_>) -> Self {
        let evidence = trial.evidence;
        let points: usize = evidence
            .parts
            .iter()
            .map(|part| part.frequency_hz.len() - 1)
            .sum();
        let best = trial
            .candidates
            .iter()
            .filter(|c| !is_anything(c))
            .map(|candidate| least(&candidate.options))
            .fold(f64::INFINITY, f64::min);
        let anything = trial
            .candidates
            .iter()
            .find(|c| is_anything(c))
            .map_or(0.0, |c| least(&c.options));
        Self {
            best,
            scale: (anything / points as f64).max(1.0),
            freedom: evidence.freedom,
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

fn is_anything(candidate: &Candidate) -> bool {
    candidate.explanation == Explanation::SomethingElse
}

fn least(options: &[TriedNumber]) -> f64 {
    let squares = options.iter().map(|o| o.squares);
    squares.fold(f64::INFINITY, f64::min)
}

/// The explanation with its best number, and the slip that fits as well.
fn with_best_number(candidate: &Candidate, scale: f64) -> Explanation {
    /// Squares by which a slip may fit worse than any number: about two standard errors.
    const AS_WELL: f64 = 4.0;
    let best = |slip: bool| {
        let options = candidate.options.iter().filter(|o| slip == o.slip);
        options.min_by(|a, b| a.squares.total_cmp(&b.squares))
    };
    match candidate.explanation {
        Explanation::SealDiffers { .. } => Explanation::SealDiffers {
            loss_at_30_hz_db: best(false).map_or(0.0, |o| o.value),
        },
        Explanation::NumberWrong { place, number, .. } => {
            let free = best(false);
            let slip = best(true).filter(|slip| {
                free.is_none_or(|free| slip.squares <= free.squares + AS_WELL * scale)
            });
            let fitted = free.or(slip).map_or(number.of(&place.section), |o| o.value);
            Explanation::NumberWrong {
                place,
                number,
                fitted,
                slip: slip.map(|o| o.value),
            }
        }
        other => other,
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

/// An explanation with its free number.
fn with_number(explanation: &Explanation, value: f64) -> Explanation {
    match *explanation {
        Explanation::NumberWrong { place, number, .. } => Explanation::NumberWrong {
            place,
            number,
            fitted: value,
            slip: None,
        },
        other => other,
    }
}

/// Logarithm of the likelihood of the level under an explanation. A level that nobody meant (another setting of the
/// volume) stays possible throughout.
fn ln_level(
    evidence: &Evidence,
    level: &LevelEvidence,
    playing: &[PlayedEq],
    levels: ExpectedLevel,
) -> f64 {
    const ANY_SHARE: f64 = 0.02;
    const ANY_DB: f64 = 10.0;
    let (mut sum, mut weight) = (0.0, 0.0);
    for (part, playing) in evidence.parts.iter().zip(playing) {
        let points = part.frequency_hz.iter().zip(&part.measured_db);
        let left: Vec<f64> = points
            .map(|(f_hz, db)| db - playing.level_db(*f_hz))
            .collect();
        let (db, error_db) = part.error_model.level_db(&left);
        let precision = 1.0 / (error_db * error_db + level.error_db * level.error_db);
        sum += precision * db;
        weight += precision;
    }
    let (found_db, error_db) = (sum / weight, weight.sqrt().recip());
    let normal = |at_db: f64, error_db: f64| {
        (-0.5 * ((found_db - at_db) / error_db).powi(2)).exp() / error_db
    };
    let preamp_db = level.preamp_db;
    let meant: &[(f64, f64)] = match levels {
        ExpectedLevel::Preamp => &[(preamp_db, 0.95), (0.0, 0.05)],
        ExpectedLevel::None => &[(0.0, 1.0)],
        ExpectedLevel::Either => &[(0.0, 0.6), (preamp_db, 0.4)],
        ExpectedLevel::OnceOrTwice => &[(preamp_db, 0.5), (2.0 * preamp_db, 0.45), (0.0, 0.05)],
    };
    let meant: f64 = meant
        .iter()
        .map(|(at_db, share)| share * normal(*at_db, error_db))
        .sum();
    ((1.0 - ANY_SHARE) * meant + ANY_SHARE * normal(preamp_db, ANY_DB)).ln()
}
