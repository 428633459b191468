//! All explanations that apply to a sheet, each tried over its free number, with what it changes in standard errors.

use std::f64::consts::LN_2;

use super::evidence::Evidence;
use super::kinds::{Explanation, Number, OfSides, Place, SideMixup, SideSeal};
use super::played::{as_read, beyond_promise_db, mirrored};
use super::priors;
use crate::filter::{QMeaning, Section};
use crate::measurement::leak::{Leak, Order};
use crate::measurement::takes::Side;
use crate::verify::noise::dot;
use crate::verify::slip::slips;

/// One value of an explanation's free number, with what it changes.
pub(super) struct TriedValue {
    /// Prior probability within the explanation.
    pub weight: f64,
    /// The explanation with this value.
    pub explanation: Explanation,
    /// Whether the value is a slip of the printed one.
    pub slip: bool,
    /// What it changes, in standard errors, one side after the other.
    pub effect: Vec<f64>,
    /// Its squares.
    pub effect_squares: f64,
    /// What it changes of the level, side by side, dB.
    pub level_db: Vec<f64>,
    /// Squares that it leaves of the measured change.
    pub squares: f64,
}

/// What level an explanation predicts: shares of so many times the preamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ExpectedLevel {
    /// That of the preamp.
    Preamp,
    /// That of no preamp.
    None,
    /// That of nothing or of the preamp.
    Either,
    /// That of the preamp once or twice.
    OnceOrTwice,
    /// That of the preamp taken away.
    Exchanged,
}

/// Whether another explanation can hold at the same time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Beside {
    /// Any one that is not of the same kind.
    Any,
    /// One about another section.
    AnotherSection,
    /// None of the load; see [`Beside::Any`].
    Alone,
}

/// One explanation, its free number tried at many values.
pub(super) struct Candidate {
    pub prior: f64,
    pub options: Vec<TriedValue>,
    pub levels: ExpectedLevel,
    pub beside: Beside,
}

impl Candidate {
    /// The value that fits best.
    pub fn best(&self) -> &TriedValue {
        let by_squares = |a: &&TriedValue, b: &&TriedValue| a.squares.total_cmp(&b.squares);
        self.options
            .iter()
            .min_by(by_squares)
            .unwrap_or(&self.options[0])
    }
}

/// All explanations that apply, and what they are tried on.
pub(super) struct Trial<'a> {
    pub evidence: &'a Evidence<'a>,
    /// Measured less promised, in standard errors, one side after the other.
    pub left_over: Vec<f64>,
    /// Its level, side by side, dB.
    pub level_db: Vec<f64>,
    /// Its squares.
    pub squares: f64,
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
        trial.seals();
        trial.seats();
        trial.sources();
        trial
    }

    fn new(evidence: &'a Evidence<'a>) -> Self {
        let (mut left_over, mut level_db) = (Vec::new(), Vec::new());
        for side in evidence.sides {
            let left = evidence.left_over_db(side);
            let model = &evidence.models[side.model].chance;
            left_over.extend(model.whitened(&left));
            level_db.push(model.level_db(&left));
        }
        Self {
            evidence,
            squares: dot(&left_over, &left_over),
            left_over,
            level_db,
            candidates: Vec::new(),
        }
    }

    /// An explanation with one value of its number.
    fn tried(&self, explanation: Explanation, weight: f64, slip: bool) -> TriedValue {
        let evidence = self.evidence;
        let points = evidence.at.len();
        let mut effect: Vec<f64> = Vec::with_capacity(self.left_over.len());
        let mut level_db: Vec<f64> = Vec::with_capacity(evidence.sides.len());
        let mut first: Option<Option<Vec<f64>>> = None;
        for (k, side) in evidence.sides.iter().enumerate() {
            let alike = k > 0
                && side.model == evidence.sides[0].model
                && !evidence.per_side
                && !differs_by_side(&explanation);
            if alike {
                effect.extend_from_within(..points);
                level_db.push(level_db[0]);
                continue;
            }
            // Sides of one EQ differ in their error model only.
            let shared = first
                .take()
                .filter(|_| !evidence.per_side && !differs_by_side(&explanation));
            let change =
                shared.unwrap_or_else(|| beyond_promise_db(evidence, side, &explanation, evidence.at));
            match &change {
                Some(change) => {
                    let model = &evidence.models[side.model].chance;
                    effect.extend(model.whitened(change));
                    level_db.push(model.level_db(change));
                }
                None => {
                    effect.resize(effect.len() + points, 0.0);
                    level_db.push(0.0);
                }
            }
            first = Some(change);
        }
        let effect_squares = dot(&effect, &effect);
        let squares = self.squares - 2.0 * dot(&self.left_over, &effect) + effect_squares;
        TriedValue {
            weight,
            explanation,
            slip,
            effect,
            effect_squares,
            level_db,
            squares: squares.max(0.0),
        }
    }

    fn add(&mut self, options: Vec<TriedValue>, prior: f64, levels: ExpectedLevel, beside: Beside) {
        if !options.is_empty() {
            self.candidates.push(Candidate {
                prior,
                options,
                levels,
                beside,
            });
        }
    }

    /// An explanation without a free number.
    fn add_one(&mut self, explanation: Explanation, prior: f64, levels: ExpectedLevel) {
        let beside = match explanation.place() {
            Some(_) => Beside::AnotherSection,
            None => Beside::Alone,
        };
        let options = vec![self.tried(explanation, 1.0, false)];
        self.add(options, prior, levels, beside);
    }

    fn whole(&mut self) {
        use ExpectedLevel as Level;
        self.add_one(Explanation::NothingWrong, priors::NOTHING, Level::Preamp);
        if self.evidence.sides.iter().any(|s| !s.sections.is_empty()) {
            self.add_one(Explanation::Bypassed, priors::BYPASSED, Level::Either);
            self.add_one(Explanation::AppliedTwice, priors::TWICE, Level::OnceOrTwice);
            self.add_one(Explanation::GainsHalved, priors::HALVED, Level::Preamp);
            self.add_one(
                Explanation::SessionsExchanged,
                priors::EXCHANGED,
                Level::Exchanged,
            );
        }
        if self.evidence.level.is_some_and(|l| l.preamp_db < 0.0) {
            let options = vec![self.tried(Explanation::PreampMissing, 1.0, false)];
            self.add(options, priors::PREAMP, Level::None, Beside::Any);
        }
    }

    fn sections(&mut self) {
        // A sheet with one EQ has the same sections on both sides.
        let eqs: Vec<(Option<Side>, &[Section])> = match self.evidence.per_side {
            true => {
                let sides = self.evidence.sides.iter();
                sides.map(|s| (Some(s.side), &s.sections[..])).collect()
            }
            false => vec![(None, &self.evidence.sides[0].sections[..])],
        };
        let count: usize = eqs.iter().map(|(_, sections)| sections.len()).sum();
        let shelves: usize = eqs
            .iter()
            .map(|(_, s)| s.iter().filter(|s| s.shape.is_shelf()).count())
            .sum();
        let share = 1.0 / count.max(1) as f64;
        for (side, sections) in eqs {
            for (k, section) in sections.iter().enumerate() {
                let place = Place {
                    side,
                    number: k + 1,
                    section: *section,
                };
                let level = ExpectedLevel::Preamp;
                let missing = Explanation::SectionMissing { place };
                self.add_one(missing, priors::MISSING * share, level);
                let is_shelf = mirrored(section).is_some();
                let of_shelves = priors::MIRRORED / shelves.max(1) as f64;
                let or_mirrored = is_shelf && self.evidence.level.is_none();
                let flipped = Explanation::SignFlipped { place, or_mirrored };
                let sign = priors::SIGN * share + if or_mirrored { of_shelves } else { 0.0 };
                self.add_one(flipped, sign, level);
                if is_shelf && !or_mirrored {
                    self.add_one(Explanation::ShelfMirrored { place }, of_shelves, level);
                }
                for number in Number::ALL {
                    self.number(place, number, share);
                }
            }
        }
    }

    /// A number that is another: over a grid about the printed one, finer where it fits best, and over its slips.
    fn number(&mut self, place: Place, number: Number, share: f64) {
        let rate_hz = self.evidence.rate_hz;
        let tried = |value: f64, weight: f64, slip: bool| {
            let explanation = Explanation::NumberWrong {
                place,
                number,
                fitted: value,
                slip: slip.then_some(value),
            };
            self.tried(explanation, weight, slip)
        };
        let mut options = over_grid(&place.section, number, rate_hz, &|value, weight| {
            tried(value, weight, false)
        });
        scale(&mut options, 1.0 - priors::SLIP);
        let mut by_slip: Vec<TriedValue> = slips(number.of(&place.section))
            .into_iter()
            .filter(|value| number.is_conceivable(*value, rate_hz))
            .map(|value| tried(value, 1.0, true))
            .collect();
        scale(&mut by_slip, priors::SLIP);
        options.extend(by_slip);
        let prior = match number {
            Number::F0Hz => priors::F0,
            Number::GainDb => priors::GAIN,
            Number::Q => priors::Q,
        };
        self.add(
            options,
            prior * share,
            ExpectedLevel::Preamp,
            Beside::AnotherSection,
        );
    }

    fn q_meanings(&mut self) {
        let as_promised: Vec<Vec<Section>> = {
            let sides = self.evidence.sides.iter();
            sides.map(|side| side.sections.clone()).collect()
        };
        let mut found: Vec<(Explanation, Vec<Vec<Section>>)> = Vec::new();
        for peaking in QMeaning::OF_PEAKING {
            for shelves in QMeaning::OF_SHELVES {
                let read = |was: &Section| as_read(was, peaking, shelves, self.evidence.rate_hz);
                let plays: Vec<Vec<Section>> = as_promised
                    .iter()
                    .map(|sections| sections.iter().map(read).collect())
                    .collect();
                // Where a sheet has no such section, a meaning makes no difference.
                if plays != as_promised && found.iter().all(|(_, other)| *other != plays) {
                    found.push((Explanation::QReadAs { peaking, shelves }, plays));
                }
            }
        }
        let share = priors::Q_READ / found.len().max(1) as f64;
        for (explanation, _) in found {
            self.add_one(explanation, share, ExpectedLevel::Preamp);
        }
    }

    fn rates(&mut self) {
        const USUAL_HZ: [f64; 6] = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0];
        const MOST: f64 = 4.5;
        if self.evidence.sides.iter().all(|s| s.sections.is_empty()) {
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
            self.add_one(
                explanation,
                priors::RATE * weight / all,
                ExpectedLevel::Preamp,
            );
        }
    }

    fn sides(&mut self) {
        let mixes: &[SideMixup] = match self.evidence.sides {
            [left, _] if left.others.is_some() => &[
                SideMixup::Swapped,
                SideMixup::LeftOnBoth,
                SideMixup::RightOnBoth,
            ],
            [only] if only.others.is_some() => &[SideMixup::TheOther],
            _ => &[],
        };
        for &mix in mixes {
            let share = priors::WRONG_SIDE / mixes.len() as f64;
            self.add_one(Explanation::WrongSide { mix }, share, ExpectedLevel::Preamp);
        }
        if let [left, right] = self.evidence.sides {
            for plays in [left.side, right.side] {
                let share = priors::ONE_SIDE / 2.0;
                self.add_one(Explanation::OneSideOnly { plays }, share, ExpectedLevel::Preamp);
            }
        }
    }

    /// What each side may have in its own way: of one side, of both alike, of both in different ways.
    fn of_sides<T: Copy>(
        &mut self,
        values: &[(f64, T)],
        prior: f64,
        explanation: impl Fn(OfSides<T>) -> Explanation,
    ) {
        /// So many of a side's values, the best ones, are tried with those of the other.
        const TOGETHER: usize = 10;
        let measured: Vec<Side> = self.evidence.sides.iter().map(|s| s.side).collect();
        let both = measured == Side::BOTH;
        let alone = if both { 0.5 * (1.0 - priors::BOTH_SIDES) } else { 1.0 };
        let mut options: Vec<TriedValue> = Vec::new();
        let mut best: Vec<Vec<(f64, usize)>> = Vec::new();
        for &side in &measured {
            let start = options.len();
            for (weight, value) in values {
                let explanation = explanation(OfSides::one(side, *value));
                options.push(self.tried(explanation, alone * weight, false));
            }
            let mut by_squares: Vec<(f64, usize)> = (0..values.len())
                .map(|k| (options[start + k].squares, k))
                .collect();
            by_squares.sort_by(|a, b| a.0.total_cmp(&b.0));
            by_squares.truncate(TOGETHER);
            best.push(by_squares);
        }
        if both {
            let together =
                |left: usize, right: usize| explanation(OfSides::both(values[left].1, values[right].1));
            for (k, (weight, _)) in values.iter().enumerate() {
                let weight = 0.5 * priors::BOTH_SIDES * weight;
                options.push(self.tried(together(k, k), weight, false));
            }
            for (_, first) in &best[0] {
                for (_, right) in &best[1] {
                    let weight = 0.5 * priors::BOTH_SIDES * values[*first].0 * values[*right].0;
                    options.push(self.tried(together(*first, *right), weight, false));
                }
            }
        }
        self.add(options, prior, ExpectedLevel::Preamp, Beside::Any);
    }

    /// Losses of the first order of 0.5 to 12 dB at 30 Hz, resonant ones with corners of 14 to 80 Hz; in either session.
    fn seals(&mut self) {
        const QS: [f64; 4] = [0.5, 0.75, 1.0, 1.4];
        let first = (1..=24).map(|k| {
            let loss_db = 0.5 * f64::from(k);
            (Order::First, 30.0 * (10f64.powf(0.1 * loss_db) - 1.0).sqrt(), None)
        });
        let second = (0..=15).flat_map(|k| {
            let corner_hz = 14.0 * (f64::from(k) / 6.0).exp2();
            QS.map(|q| (Order::Second, corner_hz, Some(q)))
        });
        let leaks: Vec<(f64, Leak)> = first
            .chain(second)
            .map(|(order, corner_hz, q)| {
                let mut leak = Leak {
                    loss_at_30_hz_db: 0.0,
                    corner_hz,
                    order,
                    q,
                };
                leak.loss_at_30_hz_db = leak.loss_db(crate::measurement::leak::LOSS_AT_HZ);
                let count = if q.is_none() { 24.0 } else { 64.0 };
                (0.25 / count, leak)
            })
            .collect();
        let seals: Vec<(f64, SideSeal)> = [true, false]
            .into_iter()
            .flat_map(|after| leaks.iter().map(move |(w, leak)| (*w, SideSeal { leak: *leak, after })))
            .collect();
        self.of_sides(&seals, priors::SEAL, |seals| Explanation::SealDiffers {
            seals,
        });
    }

    /// Seats that differ by 0.4 to 2.5 mm, where the coupler's resonance is known; less is within what seatings differ by.
    fn seats(&mut self) {
        if self.evidence.resonance_hz.is_none() {
            return;
        }
        let mut depths: Vec<(f64, f64)> = (4..=25)
            .flat_map(|k| [0.1 * f64::from(k), -0.1 * f64::from(k)])
            .map(|mm| ((-0.5 * (mm / priors::DEPTH_MM).powi(2)).exp(), mm))
            .collect();
        let sum: f64 = depths.iter().map(|(weight, _)| weight).sum();
        for (weight, _) in &mut depths {
            *weight /= sum;
        }
        self.of_sides(&depths, priors::SEAT, |deeper_mm| {
            Explanation::SeatDiffers { deeper_mm }
        });
    }

    /// Output impedances of 1 to 250 ohms in one session and next to none in the other.
    fn sources(&mut self) {
        use crate::measurement::impedance::ImpedanceByFrequency::Curve;
        if !matches!(self.evidence.impedance, Some(Curve { .. })) {
            return;
        }
        let ohms = (0..=24).map(|k| (f64::from(k) / 3.0).exp2());
        let options: Vec<TriedValue> = ohms
            .flat_map(|ohm| [(0.0, ohm), (ohm, 0.0)])
            .map(|(before_ohm, after_ohm)| {
                let explanation = Explanation::SourceDiffers {
                    before_ohm,
                    after_ohm,
                };
                self.tried(explanation, 1.0 / 50.0, false)
            })
            .collect();
        self.add(
            options,
            priors::SOURCE,
            ExpectedLevel::Preamp,
            Beside::Any,
        );
    }
}

/// Whether what it changes differs between the sides of a sheet with one EQ.
fn differs_by_side(explanation: &Explanation) -> bool {
    matches!(
        explanation,
        Explanation::SealDiffers { .. }
            | Explanation::SeatDiffers { .. }
            | Explanation::OneSideOnly { .. }
            | Explanation::WrongSide { .. }
    )
}

/// Values of a section's number over a grid about the printed one, finer where it fits best; weights are not scaled.
fn over_grid(
    section: &Section,
    number: Number,
    rate_hz: f64,
    tried: &impl Fn(f64, f64) -> TriedValue,
) -> Vec<TriedValue> {
    // Step, reach, standard deviation and what is no change, in ln f0, dB, ln q.
    let (step, reach, deviation, idle) = match number {
        Number::F0Hz => (LN_2 / 16.0, 3.0 * LN_2, priors::F0_OCTAVES * LN_2, 0.03),
        Number::GainDb => (0.25, 12.0, priors::GAIN_DB, 0.3),
        Number::Q => (0.12, 2.4, priors::LN_Q, 0.15),
    };
    let value_at = |t: f64| match number {
        Number::GainDb => section.gain_db + t,
        _ => number.of(section) * t.exp(),
    };
    let steps = (reach / step).round() as i64;
    let places: Vec<f64> = (-steps..=steps)
        .map(|k| k as f64 * step)
        .filter(|t| t.abs() >= idle && number.is_conceivable(value_at(*t), rate_hz))
        .collect();
    let weight = |t: f64| (-0.5 * (t / deviation).powi(2)).exp();
    let mut options: Vec<TriedValue> = places.iter().map(|t| tried(value_at(*t), weight(*t))).collect();
    let best =
        (0..options.len()).min_by(|a, b| options[*a].squares.total_cmp(&options[*b].squares));
    if let Some(best) = best {
        const FINER: i32 = 8;
        let coarse = options.swap_remove(best);
        for k in -FINER / 2..=FINER / 2 {
            let t = places[best] + step * f64::from(k) / f64::from(FINER);
            options.push(tried(value_at(t), coarse.weight / f64::from(FINER + 1)));
        }
    }
    options
}

/// Scales the weights so that together they are `whole`.
fn scale(options: &mut [TriedValue], whole: f64) {
    let sum: f64 = options.iter().map(|o| o.weight).sum();
    for option in options {
        option.weight *= whole / sum;
    }
}
