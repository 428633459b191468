//! What may have gone wrong between a sheet and an equaliser, and how well each of it fits what was measured.
//!
//! Every [`Explanation`] predicts a change; its distance from the measured one is a sum of squares in standard errors
//! ([`Witness::squares`]). Explanations with a free number (a gain mistyped to what?) are tried over a grid of it and
//! over the [`slips`] of the printed number, and count by the mean of their likelihoods: a number that could have been
//! anything must fit better than an explanation without one. Shares are posterior probabilities by Bayes' rule from the
//! priors below, which are our own choice: half for nothing wrong, a small one for each other kind, shared out among
//! the sections.
//!
//! The likelihood of `squares` is Student's, with so many degrees of freedom as the takes' spread has: relative to the best,
//! `(1 + (squares - best) / (s v))^(-(v+1)/2)`. `s` is 1, or more where even [`Explanation::SomethingElse`], a smooth
//! change of any form, leaves more than its points allow. That one fits in many directions at once, so Student's tail would make it worth too
//! little: its likelihood beside the best of the others is normal, with the variance of the takes doubled.

use std::f64::consts::LN_2;

use super::noise::{Witness, of_anything};
use super::slip::slips;
use crate::filter::{QMeaning, Section, cascade, response};
use crate::measurement::leak::{LOSS_AT_HZ, Leak, Order};
use crate::measurement::takes::Side;

/// A section of a sheet.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Place {
    /// The side whose EQ it belongs to; None: both.
    pub side: Option<Side>,
    /// Its number within that EQ, from 1.
    pub number: usize,
    /// As the sheet has it.
    pub section: Section,
}

/// One of a section's numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Number {
    /// Its frequency, hertz.
    F0Hz,
    /// Its gain, dB.
    GainDb,
    /// Its q.
    Q,
}

impl Number {
    /// All three.
    pub const ALL: [Self; 3] = [Self::F0Hz, Self::GainDb, Self::Q];

    /// The key that a sheet has it under.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::F0Hz => "f0_hz",
            Self::GainDb => "gain_db",
            Self::Q => "q",
        }
    }

    fn of(self, section: &Section) -> f64 {
        match self {
            Self::F0Hz => section.f0_hz,
            Self::GainDb => section.gain_db,
            Self::Q => section.q,
        }
    }

    fn with(self, section: &Section, value: f64) -> Section {
        let mut changed = *section;
        match self {
            Self::F0Hz => changed.f0_hz = value,
            Self::GainDb => changed.gain_db = value,
            Self::Q => changed.q = value,
        }
        changed
    }

    /// What an equaliser would accept at all.
    fn is_conceivable(self, value: f64, rate_hz: f64) -> bool {
        match self {
            Self::F0Hz => value >= 5.0 && value < 0.49 * rate_hz,
            Self::GainDb => value.abs() <= 40.0,
            Self::Q => (0.02..=200.0).contains(&value),
        }
    }
}

/// Which sections play where, when sides are mixed up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Mix {
    /// Left plays right's and right plays left's.
    Swapped,
    /// Both play left's.
    LeftOnBoth,
    /// Both play right's.
    RightOnBoth,
    /// The only side that was measured plays the other's.
    TheOther,
}

/// Something that may have happened.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(tag = "explanation", rename_all = "kebab-case")]
pub enum Explanation {
    /// The sections play as the sheet says.
    NothingWrong,
    /// They do, but the seal was another after than before.
    SealDiffers {
        /// Lost at 30 Hz after against before, dB; negative: before against after.
        loss_at_30_hz_db: f64,
    },
    /// A section was left out.
    SectionMissing {
        /// Which.
        place: Place,
    },
    /// A section's gain has the other sign.
    SignFlipped {
        /// Which.
        place: Place,
    },
    /// A section's number is another.
    NumberWrong {
        /// Which section.
        place: Place,
        /// Which of its numbers.
        number: Number,
        /// What was measured: the number that fits best.
        fitted: f64,
        /// The slip of the printed number that fits as well, where one does.
        slip: Option<f64>,
    },
    /// The equaliser means something else by q.
    QReadAs {
        /// Of peaking sections.
        peaking: QMeaning,
        /// Of shelves.
        shelves: QMeaning,
    },
    /// No section plays.
    Bypassed,
    /// Every section plays twice.
    AppliedTwice,
    /// Sections of the other side.
    WrongSide {
        /// Which play where.
        mix: Mix,
    },
    /// Coefficients of one rate play at another.
    WrongRate {
        /// The rate that they were computed for, hertz.
        coefficients_hz: f64,
        /// The rate that they play at, hertz.
        played_hz: f64,
    },
    /// The sections play, the preamp does not.
    PreampMissing,
    /// None of these: a smooth change of another form.
    SomethingElse,
}

impl Explanation {
    /// Its name in documents.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::NothingWrong => "nothing-wrong",
            Self::SealDiffers { .. } => "seal-differs",
            Self::SectionMissing { .. } => "section-missing",
            Self::SignFlipped { .. } => "sign-flipped",
            Self::NumberWrong { .. } => "number-wrong",
            Self::QReadAs { .. } => "q-read-as",
            Self::Bypassed => "bypassed",
            Self::AppliedTwice => "applied-twice",
            Self::WrongSide { .. } => "wrong-side",
            Self::WrongRate { .. } => "wrong-rate",
            Self::PreampMissing => "preamp-missing",
            Self::SomethingElse => "something-else",
        }
    }
}

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

/// One EQ and the change that was measured of it.
pub struct Part {
    /// The side whose EQ it is; None: both.
    pub side: Option<Side>,
    /// Its sections.
    pub sections: Vec<Section>,
    /// The other side's, of a sheet with one EQ for each.
    pub others: Option<Vec<Section>>,
    /// Where the change was measured, hertz.
    pub frequency_hz: Vec<f64>,
    /// The measured change there, dB.
    pub measured_db: Vec<f64>,
    /// How far it can be believed.
    pub witness: Witness,
    /// The same with a smooth change of any form allowed: a small one, and a large one.
    pub anything: [Witness; 2],
}

impl Part {
    /// The witnesses that allow anything, from the covariance of the usual one.
    pub(super) fn anything(
        covariance: &nalgebra::DMatrix<f64>,
        points: &[usize],
    ) -> Option<[Witness; 2]> {
        /// How much larger a large change is than a small one.
        const LARGER: f64 = 6.0;
        let small = of_anything(points);
        Some([
            Witness::new(covariance + &small)?,
            Witness::new(covariance + small * (LARGER * LARGER))?,
        ])
    }
}

/// The absolute level, where levels of before and after compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelWitness {
    /// What a preamp as in the sheet does, dB.
    pub preamp_db: f64,
    /// Standard error of a level beyond what the curve's own error makes, dB.
    pub error_db: f64,
}

/// What is known when explanations are tried.
pub struct Case<'a> {
    /// The EQs that were measured: one, or left and right.
    pub parts: &'a [Part],
    /// The rate that the equaliser runs at, hertz.
    pub rate_hz: f64,
    /// The sheet's rates.
    pub rates_hz: &'a [f64],
    /// Levels, where they compare.
    pub level: Option<LevelWitness>,
    /// Degrees of freedom of Student's likelihood.
    pub freedom: f64,
}

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
    pub sections: Vec<Playing>,
}

/// What plays in a part under an explanation.
#[derive(Debug, Clone, PartialEq)]
pub struct Playing {
    /// The sections.
    pub sections: Vec<Section>,
    /// The rate that their coefficients are of, hertz.
    pub rate_hz: f64,
    /// By how much frequencies are raised, as a ratio.
    pub raised: f64,
    /// How often they play.
    pub times: f64,
    /// A leak on top, dB at 30 Hz; negative: the opposite.
    pub loss_at_30_hz_db: f64,
}

impl Playing {
    /// As the sheet says.
    #[must_use]
    pub fn promised(sections: &[Section], rate_hz: f64) -> Self {
        Self {
            sections: sections.to_vec(),
            rate_hz,
            raised: 1.0,
            times: 1.0,
            loss_at_30_hz_db: 0.0,
        }
    }

    /// The change at a frequency, dB.
    #[must_use]
    pub fn level_db(&self, frequency_hz: f64) -> f64 {
        // Coefficients know cycles per sample only.
        let f_hz = (frequency_hz / self.raised).min(0.5 * self.rate_hz);
        let mut db = self.times * cascade::level_db(&self.sections, self.rate_hz, f_hz);
        if self.loss_at_30_hz_db != 0.0 {
            db -= self.loss_at_30_hz_db.signum()
                * leak(self.loss_at_30_hz_db.abs()).loss_db(frequency_hz);
        }
        db
    }
}

fn leak(loss_at_30_hz_db: f64) -> Leak {
    Leak {
        loss_at_30_hz_db,
        corner_hz: LOSS_AT_HZ * (10f64.powf(0.1 * loss_at_30_hz_db) - 1.0).sqrt(),
        order: Order::First,
        q: None,
    }
}

/// One value of a free number.
struct Value {
    /// Prior probability within the explanation.
    weight: f64,
    /// Logarithm of the ratio of normalisations, for a change of any form.
    ln_occam: f64,
    squares: f64,
    value: f64,
    slip: bool,
}

/// What level an explanation predicts.
#[derive(Clone, Copy)]
enum Levels {
    /// That of the preamp.
    Preamp,
    /// That of no preamp.
    None,
    /// That of nothing or of the preamp.
    Either,
    /// That of the preamp once or twice.
    OnceOrTwice,
}

struct Candidate {
    explanation: Explanation,
    prior: f64,
    options: Vec<Value>,
    levels: Levels,
}

struct Trial<'a> {
    case: &'a Case<'a>,
    /// Level of each section, by part and point.
    curves: Vec<Vec<Vec<f64>>>,
    /// Measured less promised, by part.
    left_over: Vec<Vec<f64>>,
    /// Squares of that.
    squares: Vec<f64>,
    candidates: Vec<Candidate>,
}

/// Explanations, tried.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranking {
    /// All that apply, the likeliest first.
    pub tried: Vec<Tried>,
    /// What plays, for each part, under every mistake that fits nearly as well as none: [`AS_LIKELY`] or more of its likelihood.
    pub possible: Vec<Vec<Playing>>,
}

/// By how much the variance of a change may be underestimated when all explanations are doubted.
const DOUBT: f64 = 2.0;

/// A mistake of this likelihood ratio to nothing wrong is not excluded, however unlikely it was beforehand.
pub const AS_LIKELY: f64 = 0.1;

/// All explanations that apply.
#[must_use]
pub fn ranked(case: &Case) -> Ranking {
    let mut trial = Trial::new(case);
    trial.whole();
    trial.sections();
    trial.q_meanings();
    trial.rates();
    trial.sides();
    trial.seal();
    trial.judged()
}

impl<'a> Trial<'a> {
    fn new(case: &'a Case<'a>) -> Self {
        let curve = |part: &Part, section: &Section| -> Vec<f64> {
            let level = |f_hz: &f64| response::level_db(section, case.rate_hz, *f_hz);
            part.frequency_hz.iter().map(level).collect()
        };
        let curves: Vec<Vec<Vec<f64>>> = case
            .parts
            .iter()
            .map(|part| part.sections.iter().map(|s| curve(part, s)).collect())
            .collect();
        let left_over: Vec<Vec<f64>> = case
            .parts
            .iter()
            .zip(&curves)
            .map(|(part, curves)| {
                let promised = |i: usize| curves.iter().map(|c: &Vec<f64>| c[i]).sum::<f64>();
                let all = part.measured_db.iter().enumerate();
                all.map(|(i, db)| db - promised(i)).collect()
            })
            .collect();
        let squares = case
            .parts
            .iter()
            .zip(&left_over)
            .map(|(part, left)| part.witness.squares(left))
            .collect();
        Self {
            case,
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
        others + self.case.parts[part].witness.squares(&left)
    }

    /// Squares of everything when all parts play `playing`.
    fn squares_of(&self, playing: &[Playing]) -> f64 {
        let parts = self.case.parts.iter().zip(playing);
        parts
            .map(|(part, playing)| {
                let points = part.frequency_hz.iter().zip(&part.measured_db);
                let left: Vec<f64> = points
                    .map(|(f_hz, db)| db - playing.level_db(*f_hz))
                    .collect();
                part.witness.squares(&left)
            })
            .sum()
    }

    fn add(&mut self, explanation: Explanation, prior: f64, squares: f64, levels: Levels) {
        self.candidates.push(Candidate {
            explanation,
            prior,
            options: vec![Value {
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
    fn add_played(&mut self, explanation: Explanation, prior: f64, levels: Levels) {
        let squares = self.squares_of(&playing(self.case, &explanation));
        self.add(explanation, prior, squares, levels);
    }

    fn whole(&mut self) {
        let all: f64 = self.squares.iter().sum();
        self.add(
            Explanation::NothingWrong,
            prior::NOTHING,
            all,
            Levels::Preamp,
        );
        if self.case.parts.iter().any(|part| !part.sections.is_empty()) {
            self.add_played(Explanation::Bypassed, prior::BYPASSED, Levels::Either);
            self.add_played(Explanation::AppliedTwice, prior::TWICE, Levels::OnceOrTwice);
        }
        if self.case.level.is_some_and(|level| level.preamp_db < 0.0) {
            self.add(Explanation::PreampMissing, prior::PREAMP, all, Levels::None);
        }
        let sized = |size: usize| {
            let (mut squares, mut ln_occam) = (0.0, 0.0);
            for (part, left) in self.case.parts.iter().zip(&self.left_over) {
                let anything = &part.anything[size];
                squares += anything.squares(left);
                ln_occam -= 0.5 * (anything.ln_determinant() - part.witness.ln_determinant());
            }
            Value {
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
            levels: Levels::Preamp,
        });
    }

    fn sections(&mut self) {
        let count: usize = self.case.parts.iter().map(|part| part.sections.len()).sum();
        let share = 1.0 / count.max(1) as f64;
        for (at, part) in self.case.parts.iter().enumerate() {
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
                    Levels::Preamp,
                );
                // A cookbook section of the opposite gain has the opposite level.
                self.add(
                    Explanation::SignFlipped { place },
                    prior::SIGN * share,
                    flipped,
                    Levels::Preamp,
                );
                for number in Number::ALL {
                    self.number(at, place, number, share);
                }
            }
        }
    }

    /// A number that is another: over a grid about the printed one, finer where it fits best, and over its slips.
    fn number(&mut self, at: usize, place: Place, number: Number, share: f64) {
        // Step, reach, standard deviation and what is no change, in ln f0, dB, ln q.
        let (step, reach, deviation, idle, prior) = match number {
            Number::F0Hz => (LN_2 / 16.0, 3.0 * LN_2, LN_2, 0.03, prior::F0),
            Number::GainDb => (0.2, 12.0, 4.0, 0.3, prior::GAIN),
            Number::Q => (0.1, 2.4, 0.9, 0.15, prior::Q),
        };
        let rate_hz = self.case.rate_hz;
        let curve = &self.curves[at][place.number - 1];
        let frequency_hz = &self.case.parts[at].frequency_hz;
        let squares = |value: f64| {
            let changed = number.with(&place.section, value);
            self.squares_with(at, |i| {
                response::level_db(&changed, rate_hz, frequency_hz[i]) - curve[i]
            })
        };
        let value_at = |t: f64| match number {
            Number::GainDb => place.section.gain_db + t,
            _ => number.of(&place.section) * t.exp(),
        };
        let steps = (reach / step).round() as i64;
        let mut options: Vec<Value> = Vec::new();
        for k in -steps..=steps {
            let t = k as f64 * step;
            let value = value_at(t);
            if t.abs() >= idle && number.is_conceivable(value, rate_hz) {
                options.push(Value {
                    weight: (-0.5 * (t / deviation).powi(2)).exp(),
                    ln_occam: 0.0,
                    squares: squares(value),
                    value: t,
                    slip: false,
                });
            }
        }
        let best =
            (0..options.len()).min_by(|a, b| options[*a].squares.total_cmp(&options[*b].squares));
        if let Some(best) = best {
            const FINER: i32 = 8;
            let coarse = options.swap_remove(best);
            for k in -FINER / 2..=FINER / 2 {
                let t = coarse.value + step * f64::from(k) / f64::from(FINER);
                options.push(Value {
                    weight: coarse.weight / f64::from(FINER + 1),
                    ln_occam: 0.0,
                    squares: squares(value_at(t)),
                    value: t,
                    slip: false,
                });
            }
        }
        for option in &mut options {
            option.value = value_at(option.value);
        }
        scale(&mut options, 1.0 - prior::SLIP);
        let mut by_slip: Vec<Value> = slips(number.of(&place.section))
            .into_iter()
            .filter(|value| number.is_conceivable(*value, rate_hz))
            .map(|value| Value {
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
        self.candidates.push(Candidate {
            explanation: Explanation::NumberWrong {
                place,
                number,
                fitted: number.of(&place.section),
                slip: None,
            },
            prior: prior * share,
            options,
            levels: Levels::Preamp,
        });
    }

    fn q_meanings(&mut self) {
        let mut found: Vec<(Explanation, Vec<Playing>)> = Vec::new();
        for peaking in QMeaning::OF_PEAKING {
            for shelves in QMeaning::OF_SHELVES {
                let explanation = Explanation::QReadAs { peaking, shelves };
                let played = playing(self.case, &explanation);
                let as_promised = playing(self.case, &Explanation::NothingWrong);
                // Where a sheet has no such section, a meaning makes no difference.
                if played != as_promised && found.iter().all(|(_, other)| *other != played) {
                    found.push((explanation, played));
                }
            }
        }
        let share = prior::Q_READ / found.len().max(1) as f64;
        for (explanation, _) in found {
            self.add_played(explanation, share, Levels::Preamp);
        }
    }

    fn rates(&mut self) {
        const USUAL_HZ: [f64; 6] = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0];
        const MOST: f64 = 4.5;
        if self.case.parts.iter().all(|part| part.sections.is_empty()) {
            return;
        }
        let mut pairs: Vec<(f64, f64, f64)> = Vec::new();
        let known = [(self.case.rates_hz, 1.0), (&USUAL_HZ[..], 0.3)];
        for (played, weight) in known {
            for &coefficients_hz in self.case.rates_hz {
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
            self.add_played(explanation, prior::RATE * weight / all, Levels::Preamp);
        }
    }

    fn sides(&mut self) {
        let mixes: &[Mix] = match self.case.parts {
            [left, _] if left.others.is_some() => {
                &[Mix::Swapped, Mix::LeftOnBoth, Mix::RightOnBoth]
            }
            [only] if only.others.is_some() => &[Mix::TheOther],
            _ => &[],
        };
        for &mix in mixes {
            let share = prior::SIDE / mixes.len() as f64;
            self.add_played(Explanation::WrongSide { mix }, share, Levels::Preamp);
        }
    }

    /// Losses from 0.5 to 12 dB at 30 Hz, either way; the takes of both sides alike.
    fn seal(&mut self) {
        let losses = (1..=24).flat_map(|k| [0.5 * f64::from(k), -0.5 * f64::from(k)]);
        let options: Vec<Value> = losses
            .map(|loss_at_30_hz_db| {
                let explanation = Explanation::SealDiffers { loss_at_30_hz_db };
                Value {
                    weight: 1.0 / 48.0,
                    ln_occam: 0.0,
                    squares: self.squares_of(&playing(self.case, &explanation)),
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
            levels: Levels::Preamp,
        });
    }

    fn judged(self) -> Ranking {
        let case = self.case;
        let points: usize = case.parts.iter().map(|p| p.frequency_hz.len() - 1).sum();
        let least = |options: &[Value]| {
            let squares = options.iter().map(|o| o.squares);
            squares.fold(f64::INFINITY, f64::min)
        };
        let is_anything = |c: &Candidate| c.explanation == Explanation::SomethingElse;
        let best = self
            .candidates
            .iter()
            .filter(|c| !is_anything(c))
            .map(|candidate| least(&candidate.options))
            .fold(f64::INFINITY, f64::min);
        let anything = self
            .candidates
            .iter()
            .find(|c| is_anything(c))
            .map_or(0.0, |c| least(&c.options));
        let scale = (anything / points as f64).max(1.0);
        let freedom = case.freedom;
        let ln_likelihood = |squares: f64| {
            -0.5 * (freedom + 1.0) * ((squares - best).max(0.0) / (scale * freedom)).ln_1p()
        };
        let nothing: f64 = self.squares.iter().sum();
        let excluded = ln_likelihood(nothing) + AS_LIKELY.ln();
        let possible = self
            .candidates
            .iter()
            .filter(|c| !matches!(c.explanation, Explanation::SealDiffers { .. }))
            .flat_map(|candidate| {
                let options = candidate.options.iter();
                let left = options.filter(|o| ln_likelihood(o.squares) >= excluded);
                left.map(|o| playing(case, &with_number(&candidate.explanation, o.value)))
            })
            .collect();
        let mut tried: Vec<(f64, Tried)> = self
            .candidates
            .iter()
            .map(|candidate| {
                let ln_of = |o: &Value| {
                    let ln_likelihood = match is_anything(candidate) {
                        true => 0.5 * (best - o.squares) / (DOUBT * scale),
                        false => ln_likelihood(o.squares),
                    };
                    o.weight.ln() + o.ln_occam + ln_likelihood
                };
                let ln_sum = ln_sum(candidate.options.iter().map(ln_of));
                let explanation = told(candidate, scale);
                let playing = playing(case, &explanation);
                let ln_level = case.level.map_or(0.0, |level| {
                    ln_level(case, &level, &playing, candidate.levels)
                });
                let ln_share = candidate.prior.ln() + ln_sum + ln_level;
                let tried = Tried {
                    explanation,
                    share: 0.0,
                    squares: least(&candidate.options),
                    sections: playing,
                };
                (ln_share, tried)
            })
            .collect();
        let top = tried
            .iter()
            .map(|(ln_share, _)| *ln_share)
            .fold(f64::NEG_INFINITY, f64::max);
        let all: f64 = tried
            .iter()
            .map(|(ln_share, _)| (ln_share - top).exp())
            .sum();
        for (ln_share, tried) in &mut tried {
            tried.share = (*ln_share - top).exp() / all;
        }
        let mut tried: Vec<Tried> = tried.into_iter().map(|(_, tried)| tried).collect();
        tried.sort_by(|a, b| b.share.total_cmp(&a.share));
        Ranking { tried, possible }
    }
}

/// The explanation with its best number, and the slip that fits as well.
fn told(candidate: &Candidate, scale: f64) -> Explanation {
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
fn ln_level(case: &Case, level: &LevelWitness, playing: &[Playing], levels: Levels) -> f64 {
    const ANY_SHARE: f64 = 0.02;
    const ANY_DB: f64 = 10.0;
    let (mut sum, mut weight) = (0.0, 0.0);
    for (part, playing) in case.parts.iter().zip(playing) {
        let points = part.frequency_hz.iter().zip(&part.measured_db);
        let left: Vec<f64> = points
            .map(|(f_hz, db)| db - playing.level_db(*f_hz))
            .collect();
        let (db, error_db) = part.witness.level_db(&left);
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
        Levels::Preamp => &[(preamp_db, 0.95), (0.0, 0.05)],
        Levels::None => &[(0.0, 1.0)],
        Levels::Either => &[(0.0, 0.6), (preamp_db, 0.4)],
        Levels::OnceOrTwice => &[(preamp_db, 0.5), (2.0 * preamp_db, 0.45), (0.0, 0.05)],
    };
    let meant: f64 = meant
        .iter()
        .map(|(at_db, share)| share * normal(*at_db, error_db))
        .sum();
    ((1.0 - ANY_SHARE) * meant + ANY_SHARE * normal(preamp_db, ANY_DB)).ln()
}

/// What plays in every part under an explanation.
fn playing(case: &Case, explanation: &Explanation) -> Vec<Playing> {
    let with = |change: &dyn Fn(&Part, &mut Playing)| -> Vec<Playing> {
        let of_part = |part: &Part| {
            let mut playing = Playing::promised(&part.sections, case.rate_hz);
            change(part, &mut playing);
            playing
        };
        case.parts.iter().map(of_part).collect()
    };
    let at = |place: &Place, change: &dyn Fn(&mut Section)| {
        with(&|part, playing| {
            if part.side == place.side
                && let Some(section) = playing.sections.get_mut(place.number - 1)
            {
                change(section);
            }
        })
    };
    match explanation {
        Explanation::NothingWrong | Explanation::PreampMissing | Explanation::SomethingElse => {
            with(&|_, _| {})
        }
        Explanation::SealDiffers { loss_at_30_hz_db } => {
            with(&|_, playing| playing.loss_at_30_hz_db = *loss_at_30_hz_db)
        }
        Explanation::SectionMissing { place } => with(&|part, playing| {
            if part.side == place.side {
                playing.sections.remove(place.number - 1);
            }
        }),
        Explanation::SignFlipped { place } => at(place, &|section| section.gain_db *= -1.0),
        Explanation::NumberWrong {
            place,
            number,
            fitted,
            slip,
        } => at(place, &|section| {
            *section = number.with(section, slip.unwrap_or(*fitted));
        }),
        Explanation::QReadAs { peaking, shelves } => with(&|_, playing| {
            for section in &mut playing.sections {
                let meaning = if section.shape.is_shelf() {
                    shelves
                } else {
                    peaking
                };
                // What has no meaning is taken as it stands.
                if let Some(q) =
                    meaning.to_cookbook(section.q, section.f0_hz, section.gain_db, case.rate_hz)
                {
                    section.q = q;
                }
            }
        }),
        Explanation::Bypassed => with(&|_, playing| playing.sections.clear()),
        Explanation::AppliedTwice => with(&|_, playing| playing.times = 2.0),
        Explanation::WrongSide { mix } => with(&|part, playing| {
            let others = match (mix, part.side) {
                (Mix::LeftOnBoth, Some(Side::Left)) | (Mix::RightOnBoth, Some(Side::Right)) => None,
                _ => part.others.as_ref(),
            };
            if let Some(others) = others {
                playing.sections.clone_from(others);
            }
        }),
        Explanation::WrongRate {
            coefficients_hz,
            played_hz,
        } => with(&|_, playing| {
            playing.rate_hz = *coefficients_hz;
            playing.raised = played_hz / coefficients_hz;
        }),
    }
}

fn scale(options: &mut [Value], whole: f64) {
    let sum: f64 = options.iter().map(|o| o.weight).sum();
    for option in options {
        option.weight *= whole / sum;
    }
}
