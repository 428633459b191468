//! All explanations that apply to a sheet, each tried over its free number, with the priors.

use std::f64::consts::LN_2;

use super::evidence::{Evidence, MeasuredEq};
use super::kinds::{Explanation, Number, Place, SideMixup};
use super::played::{PlayedEq, played};
use crate::filter::{QMeaning, Section, response};
use crate::verify::slip::slips;

/// Prior probability of each kind; those that do not apply to a sheet leave the rest in proportion.
mod prior {
    pub const NOTHING: f64 = 0.5;
    pub const SEAL: f64 = 0.02;
    pub const MISSING: f64 = 0.08;
    pub const SIGN: f64 = 0.07;
    pub const F0: f64 = 0.08;
    pub const GAIN: f64 = 0.08;
    pub const Q: f64 = 0.02;
    pub const Q_READ: f64 = 0.06;
    pub const BYPASSED: f64 = 0.03;
    pub const TWICE: f64 = 0.02;
    pub const SIDE: f64 = 0.03;
    pub const RATE: f64 = 0.03;
    pub const PREAMP: f64 = 0.04;
    pub const ELSE: f64 = 0.01;
    /// Of a wrong number: that it is a slip of the printed one.
    pub const SLIP: f64 = 0.6;
}

/// One value of a free number.
pub(super) struct TriedNumber {
    /// Prior probability within the explanation.
    pub weight: f64,
    /// Logarithm of the ratio of normalisations, for a change of any form.
    pub ln_occam: f64,
    pub squares: f64,
    pub value: f64,
    pub slip: bool,
}

/// What level an explanation predicts.
#[derive(Clone, Copy)]
pub(super) enum ExpectedLevel {
    /// That of the preamp.
    Preamp,
    /// That of no preamp.
    None,
    /// That of nothing or of the preamp.
    Either,
    /// That of the preamp once or twice.
    OnceOrTwice,
}

/// One explanation, its free number tried at many values.
pub(super) struct Candidate {
    pub explanation: Explanation,
    pub prior: f64,
    pub options: Vec<TriedNumber>,
    pub levels: ExpectedLevel,
}

/// All explanations that apply, and what they are tried on.
pub(super) struct Trial<'a> {
    pub evidence: &'a Evidence<'a>,
    /// Level of each section, by part and point.
    pub curves: Vec<Vec<Vec<f64>>>,
    /// Measured less promised, by part.
    pub left_over: Vec<Vec<f64>>,
    /// Squares of that.
    pub squares: Vec<f64>,
    pub candidates: Vec<Candidate>,
}

impl<'a> Trial<'a> {
    /// All explanations that apply.
    pub fn all(evidence: &'a Evidence<'a>) -> Self {
        let mut trial = Self::new(evidence);
        trial.whole();
        trial.sections();
        trial.q_meanings();
        trial.rates();
        trial.sides();
        trial.seal();
        trial
    }

    fn new(evidence: &'a Evidence<'a>) -> Self {
        let curve = |part: &MeasuredEq, section: &Section| -> Vec<f64> {
            let level = |f_hz: &f64| response::level_db(section, evidence.rate_hz, *f_hz);
            part.frequency_hz.iter().map(level).collect()
        };
        let curves: Vec<Vec<Vec<f64>>> = evidence
            .parts
            .iter()
            .map(|part| part.sections.iter().map(|s| curve(part, s)).collect())
            .collect();
        let left_over: Vec<Vec<f64>> = evidence
            .parts
            .iter()
            .zip(&curves)
            .map(|(part, curves)| {
                let promised = |i: usize| curves.iter().map(|c: &Vec<f64>| c[i]).sum::<f64>();
                let all = part.measured_db.iter().enumerate();
                all.map(|(i, db)| db - promised(i)).collect()
            })
            .collect();
        let squares = evidence
            .parts
            .iter()
            .zip(&left_over)
            .map(|(part, left)| part.error_model.squares(left))
            .collect();
        Self {
            evidence,
            curves,
            left_over,
            squares,
            candidates: Vec::new(),
        }
    }

    /// Squares of everything when a part plays something else.
    fn squares_with(&self, part: usize, change_db: impl Fn(usize) -> f64) -> f64 {
        let left = &self.left_over[part];
        let left: Vec<f64> = (0..left.len()).map(|i| left[i] - change_db(i)).collect();
        let others: f64 = (0..self.squares.len())
            .filter(|other| *other != part)
            .map(|other| self.squares[other])
            .sum();
        others + self.evidence.parts[part].error_model.squares(&left)
    }

    /// Squares of everything when all parts play `playing`.
    fn squares_of(&self, playing: &[PlayedEq]) -> f64 {
        let parts = self.evidence.parts.iter().zip(playing);
        parts
            .map(|(part, playing)| {
                let points = part.frequency_hz.iter().zip(&part.measured_db);
                let left: Vec<f64> = points
                    .map(|(f_hz, db)| db - playing.level_db(*f_hz))
                    .collect();
                part.error_model.squares(&left)
            })
            .sum()
    }

    fn add(&mut self, explanation: Explanation, prior: f64, squares: f64, levels: ExpectedLevel) {
        self.candidates.push(Candidate {
            explanation,
            prior,
            options: vec![TriedNumber {
                weight: 1.0,
                ln_occam: 0.0,
                squares,
                value: 0.0,
                slip: false,
            }],
            levels,
        });
    }

    /// An explanation without a free number, by what would play.
    fn add_played(&mut self, explanation: Explanation, prior: f64, levels: ExpectedLevel) {
        let squares = self.squares_of(&played(self.evidence, &explanation));
        self.add(explanation, prior, squares, levels);
    }

    fn whole(&mut self) {
        let all: f64 = self.squares.iter().sum();
        self.add(
            Explanation::NothingWrong,
            prior::NOTHING,
            all,
            ExpectedLevel::Preamp,
        );
        if self
            .evidence
            .parts
            .iter()
            .any(|part| !part.sections.is_empty())
        {
            self.add_played(
                Explanation::Bypassed,
                prior::BYPASSED,
                ExpectedLevel::Either,
            );
            self.add_played(
                Explanation::AppliedTwice,
                prior::TWICE,
                ExpectedLevel::OnceOrTwice,
            );
        }
        if self
            .evidence
            .level
            .is_some_and(|level| level.preamp_db < 0.0)
        {
            self.add(
                Explanation::PreampMissing,
                prior::PREAMP,
                all,
                ExpectedLevel::None,
            );
        }
        let sized = |size: usize| {
            let (mut squares, mut ln_occam) = (0.0, 0.0);
            for (part, left) in self.evidence.parts.iter().zip(&self.left_over) {
                let anything = &part.anything[size];
                squares += anything.squares(left);
                ln_occam -= 0.5 * (anything.ln_determinant() - part.error_model.ln_determinant());
            }
            TriedNumber {
                weight: 0.5,
                ln_occam,
                squares,
                value: 0.0,
                slip: false,
            }
        };
        self.candidates.push(Candidate {
            explanation: Explanation::SomethingElse,
            prior: prior::ELSE,
            options: vec![sized(0), sized(1)],
            levels: ExpectedLevel::Preamp,
        });
    }

    fn sections(&mut self) {
        let count: usize = self
            .evidence
            .parts
            .iter()
            .map(|part| part.sections.len())
            .sum();
        let share = 1.0 / count.max(1) as f64;
        for (at, part) in self.evidence.parts.iter().enumerate() {
            for (k, section) in part.sections.iter().enumerate() {
                let place = Place {
                    side: part.side,
                    number: k + 1,
                    section: *section,
                };
                let curve = &self.curves[at][k];
                let missing = self.squares_with(at, |i| -curve[i]);
                let flipped = self.squares_with(at, |i| -2.0 * curve[i]);
                self.add(
                    Explanation::SectionMissing { place },
                    prior::MISSING * share,
                    missing,
                    ExpectedLevel::Preamp,
                );
                // A cookbook section of the opposite gain has the opposite level.
                self.add(
                    Explanation::SignFlipped { place },
                    prior::SIGN * share,
                    flipped,
                    ExpectedLevel::Preamp,
                );
                for number in Number::ALL {
                    self.number(at, place, number, share);
                }
            }
        }
    }

    /// A number that is another: over a grid about the printed one, finer where it fits best, and over its slips.
    fn number(&mut self, at: usize, place: Place, number: Number, share: f64) {
        let rate_hz = self.evidence.rate_hz;
        let curve = &self.curves[at][place.number - 1];
        let frequency_hz = &self.evidence.parts[at].frequency_hz;
        let squares = |value: f64| {
            let changed = number.with(&place.section, value);
            self.squares_with(at, |i| {
                response::level_db(&changed, rate_hz, frequency_hz[i]) - curve[i]
            })
        };
        let mut options = over_grid(&place.section, number, rate_hz, &squares);
        scale(&mut options, 1.0 - prior::SLIP);
        let mut by_slip: Vec<TriedNumber> = slips(number.of(&place.section))
            .into_iter()
            .filter(|value| number.is_conceivable(*value, rate_hz))
            .map(|value| TriedNumber {
                weight: 1.0,
                ln_occam: 0.0,
                squares: squares(value),
                value,
                slip: true,
            })
            .collect();
        scale(&mut by_slip, prior::SLIP);
        options.extend(by_slip);
        if options.is_empty() {
            return;
        }
        let prior = match number {
            Number::F0Hz => prior::F0,
            Number::GainDb => prior::GAIN,
            Number::Q => prior::Q,
        };
        self.candidates.push(Candidate {
            explanation: Explanation::NumberWrong {
                place,
                number,
                fitted: number.of(&place.section),
                slip: None,
            },
            prior: prior * share,
            options,
            levels: ExpectedLevel::Preamp,
        });
    }

    fn q_meanings(&mut self) {
        let mut found: Vec<(Explanation, Vec<PlayedEq>)> = Vec::new();
        for peaking in QMeaning::OF_PEAKING {
            for shelves in QMeaning::OF_SHELVES {
                let explanation = Explanation::QReadAs { peaking, shelves };
                let plays = played(self.evidence, &explanation);
                let as_promised = played(self.evidence, &Explanation::NothingWrong);
                // Where a sheet has no such section, a meaning makes no difference.
                if plays != as_promised && found.iter().all(|(_, other)| *other != plays) {
                    found.push((explanation, plays));
                }
            }
        }
        let share = prior::Q_READ / found.len().max(1) as f64;
        for (explanation, _) in found {
            self.add_played(explanation, share, ExpectedLevel::Preamp);
        }
    }

    fn rates(&mut self) {
        const USUAL_HZ: [f64; 6] = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0];
        const MOST: f64 = 4.5;
        if self
            .evidence
            .parts
            .iter()
            .all(|part| part.sections.is_empty())
        {
            return;
        }
        let mut pairs: Vec<(f64, f64, f64)> = Vec::new();
        let known = [(self.evidence.rates_hz, 1.0), (&USUAL_HZ[..], 0.3)];
        for (played, weight) in known {
            for &coefficients_hz in self.evidence.rates_hz {
                for &played_hz in played {
                    let ratio = played_hz / coefficients_hz;
                    let same = |&(a, b, _): &(f64, f64, f64)| ((b / a) / ratio - 1.0).abs() < 1e-6;
                    if ratio != 1.0
                        && (1.0 / MOST..=MOST).contains(&ratio)
                        && !pairs.iter().any(same)
                    {
                        pairs.push((coefficients_hz, played_hz, weight));
                    }
                }
            }
        }
        let all: f64 = pairs.iter().map(|(.., weight)| weight).sum();
        for (coefficients_hz, played_hz, weight) in pairs {
            let explanation = Explanation::WrongRate {
                coefficients_hz,
                played_hz,
            };
            self.add_played(
                explanation,
                prior::RATE * weight / all,
                ExpectedLevel::Preamp,
            );
        }
    }

    fn sides(&mut self) {
        let mixes: &[SideMixup] = match self.evidence.parts {
            [left, _] if left.others.is_some() => &[
                SideMixup::Swapped,
                SideMixup::LeftOnBoth,
                SideMixup::RightOnBoth,
            ],
            [only] if only.others.is_some() => &[SideMixup::TheOther],
            _ => &[],
        };
        for &mix in mixes {
            let share = prior::SIDE / mixes.len() as f64;
            self.add_played(Explanation::WrongSide { mix }, share, ExpectedLevel::Preamp);
        }
    }

    /// Losses from 0.5 to 12 dB at 30 Hz, either way; the takes of both sides alike.
    fn seal(&mut self) {
        let losses = (1..=24).flat_map(|k| [0.5 * f64::from(k), -0.5 * f64::from(k)]);
        let options: Vec<TriedNumber> = losses
            .map(|loss_at_30_hz_db| {
                let explanation = Explanation::SealDiffers { loss_at_30_hz_db };
                TriedNumber {
                    weight: 1.0 / 48.0,
                    ln_occam: 0.0,
                    squares: self.squares_of(&played(self.evidence, &explanation)),
                    value: loss_at_30_hz_db,
                    slip: false,
                }
            })
            .collect();
        self.candidates.push(Candidate {
            explanation: Explanation::SealDiffers {
                loss_at_30_hz_db: 0.0,
            },
            prior: prior::SEAL,
            options,
            levels: ExpectedLevel::Preamp,
        });
    }
}

/// Values of a section's number over a grid about the printed one, finer where it fits best; weights are not scaled.
fn over_grid(
    section: &Section,
    number: Number,
    rate_hz: f64,
    squares: &impl Fn(f64) -> f64,
) -> Vec<TriedNumber> {
    // Step, reach, standard deviation and what is no change, in ln f0, dB, ln q.
    let (step, reach, deviation, idle) = match number {
        Number::F0Hz => (LN_2 / 16.0, 3.0 * LN_2, LN_2, 0.03),
        Number::GainDb => (0.2, 12.0, 4.0, 0.3),
        Number::Q => (0.1, 2.4, 0.9, 0.15),
    };
    let value_at = |t: f64| match number {
        Number::GainDb => section.gain_db + t,
        _ => number.of(section) * t.exp(),
    };
    let tried = |t: f64, weight: f64| TriedNumber {
        weight,
        ln_occam: 0.0,
        squares: squares(value_at(t)),
        value: t,
        slip: false,
    };
    let steps = (reach / step).round() as i64;
    let mut options: Vec<TriedNumber> = (-steps..=steps)
        .map(|k| k as f64 * step)
        .filter(|t| t.abs() >= idle && number.is_conceivable(value_at(*t), rate_hz))
        .map(|t| tried(t, (-0.5 * (t / deviation).powi(2)).exp()))
        .collect();
    let best =
        (0..options.len()).min_by(|a, b| options[*a].squares.total_cmp(&options[*b].squares));
    if let Some(best) = best {
        const FINER: i32 = 8;
        let coarse = options.swap_remove(best);
        for k in -FINER / 2..=FINER / 2 {
            let t = coarse.value + step * f64::from(k) / f64::from(FINER);
            options.push(tried(t, coarse.weight / f64::from(FINER + 1)));
        }
    }
    for option in &mut options {
        option.value = value_at(option.value);
    }
    options
}

/// Scales the weights so that together they are `whole`.
fn scale(options: &mut [TriedNumber], whole: f64) {
    let sum: f64 = options.iter().map(|o| o.weight).sum();
    for option in options {
        option.weight *= whole / sum;
    }
}
