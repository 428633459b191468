//! Re-measurements of sheets that were loaded rightly or wrongly, before and after of which something differs or nothing:
//! takes, impedances and mistakes are invented, the ears are measured (`tests/reference/ear`); all seeded.
//!
//! A take is the unit's body (an ear's curve or a random smooth one, with bass and roll-off), the coupler's resonance with
//! the dip above it, and what seatings differ by: level, ripple of three widths, a slight leak, the resonance.

use std::f64::consts::TAU;
use std::sync::LazyLock;

use bandwright::filter::{QMeaning, Section, Shape, cascade};
use bandwright::measurement::OnGrid;
use bandwright::measurement::grid::{POINTS, frequency_hz};
use bandwright::measurement::impedance::ImpedanceByFrequency;
use bandwright::measurement::judge::Settings;
use bandwright::measurement::takes::{Side, Take};
use bandwright::sheet::Sheet;
use bandwright::verify::Remeasurement;
use bandwright::verify::explanation::Explanation;
use bandwright::verify::remeasured::{Ranked, TOLERANCE_DB};
use bandwright::verify::slip::slips;

use super::promises::{Chance, limits, sections, sheet_of, sheet_per_side};

const RATE_HZ: f64 = 48_000.0;
const SIDES: [Side; 2] = [Side::Left, Side::Right];

/// Something that happened, named as documents name it.
#[derive(Debug, Clone, PartialEq)]
pub struct Cause {
    pub kind: &'static str,
    /// The section: its side where each has an EQ of its own, its number from 1, which of its numbers.
    pub section: Option<(Option<Side>, usize)>,
    pub number: Option<&'static str>,
    /// A shelf of the wrong sign may as well be the other shelf: levels are free.
    pub or_mirrored: bool,
}

/// What an explanation tells.
pub fn told(ranked: &Ranked) -> Vec<Cause> {
    let all = std::iter::once(&ranked.explanation).chain(&ranked.also);
    all.map(|explanation| Cause {
        kind: explanation.name(),
        section: explanation.place().map(|place| (place.side, place.number)),
        number: match explanation {
            Explanation::NumberWrong { number, .. } => Some(number.name()),
            _ => None,
        },
        or_mirrored: matches!(
            explanation,
            Explanation::SignFlipped {
                or_mirrored: true,
                ..
            }
        ),
    })
    .collect()
}

impl Cause {
    fn whole(kind: &'static str) -> Self {
        Self {
            kind,
            section: None,
            number: None,
            or_mirrored: false,
        }
    }

    /// Whether it tells what was planted.
    fn is(&self, planted: &Self) -> bool {
        let kind =
            self.kind == planted.kind || self.or_mirrored && planted.kind == "shelf-mirrored";
        kind && self.section == planted.section && self.number == planted.number
    }
}

/// What is planted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Plant {
    Nothing,
    SectionMissing,
    SignFlipped,
    GainWrong,
    F0Wrong,
    QWrong,
    QReadAs,
    ShelfMirrored,
    GainsHalved,
    Bypassed,
    AppliedTwice,
    OneSideOnly,
    WrongSide,
    WrongRate,
    PreampMissing,
    SessionsExchanged,
    LeakFirstOrder,
    LeakResonant,
    LeakOneSide,
    SeatDeeper,
    SourceDiffers,
    /// Two of the first four on different sections.
    Two,
    /// A smooth bump a third of an octave wide, so many tenths of a decibel in its third octave.
    Bump(u32),
}

/// How takes come about.
#[derive(Debug, Clone, Copy)]
pub struct Bench {
    /// Takes of each side, in either session.
    pub takes: usize,
    pub sides: usize,
    /// Standard deviation of one take, 100 Hz to 5 kHz, dB.
    pub spread_db: f64,
}

impl Bench {
    pub const USUAL: Self = Self {
        takes: 4,
        sides: 2,
        spread_db: 0.3,
    };
}

/// A re-measurement and what really happened.
pub struct Remeasured {
    pub sheet: Sheet,
    pub before: Vec<Take>,
    pub after: Vec<Take>,
    pub impedance: Option<ImpedanceByFrequency>,
    pub same_level: bool,
    /// What is wrong; empty: nothing.
    pub causes: Vec<Cause>,
    /// What the equaliser does beyond the promise, by side and grid point, preamp included, dB.
    pub deviation_db: [Vec<f64>; 2],
}

impl Remeasured {
    /// The largest deviation in a third octave from 100 Hz to 5 kHz without its mean there, dB; what the seal, the seat
    /// or the source does is no deviation.
    pub fn largest_db(&self) -> f64 {
        largest_db(&self.deviation_db)
    }

    /// The takes as they are judged; `rate_hz` is what the user says of the equaliser's rate.
    pub fn request(&self, rate_hz: Option<f64>) -> Remeasurement {
        Remeasurement {
            before: self.before.clone(),
            after: self.after.clone(),
            judging: Settings::default(),
            rate_hz,
            same_level: self.same_level,
            tolerance_db: TOLERANCE_DB,
            impedance: self.impedance.clone(),
        }
    }

    /// Whether what is told is what was planted; "nothing wrong" where that is nothing.
    pub fn is_named_by(&self, told: &[Cause]) -> bool {
        let nothing = self.causes.is_empty() && told.iter().all(|c| c.kind == "nothing-wrong");
        let all = told.len() == self.causes.len();
        nothing
            || all
                && self
                    .causes
                    .iter()
                    .all(|planted| told.iter().any(|c| c.is(planted)))
    }
}

fn third_octaves(db: &[f64]) -> Vec<f64> {
    let band: Vec<f64> = frequency_hz()
        .iter()
        .zip(db)
        .filter(|(f, _)| (100.0..=5000.0).contains(*f))
        .map(|(_, db)| *db)
        .collect();
    let mean = band.iter().sum::<f64>() / band.len() as f64;
    let windows = band.windows(16);
    windows
        .map(|w| w.iter().sum::<f64>() / w.len() as f64 - mean)
        .collect()
}

fn largest_db(deviation_db: &[Vec<f64>; 2]) -> f64 {
    let all = deviation_db.iter().flat_map(|db| third_octaves(db));
    all.fold(0.0, |most, db| most.max(db.abs()))
}

/// The measured ears, level over log frequency, 200 Hz to 17.7 kHz.
static EARS: LazyLock<Vec<Vec<(f64, f64)>>> = LazyLock::new(|| {
    let path = format!(
        "{}/tests/reference/ear/kemar_12_ear.csv",
        env!("CARGO_MANIFEST_DIR")
    );
    let mut reader = csv::Reader::from_path(path).unwrap();
    let rows: Vec<Vec<f64>> = reader
        .records()
        .map(|row| row.unwrap().iter().map(|v| v.parse().unwrap()).collect())
        .collect();
    (1..13)
        .map(|k| rows.iter().map(|row| (row[0], row[k])).collect())
        .collect()
});

fn on_curve(curve: &[(f64, f64)], f_hz: f64) -> f64 {
    let next = curve
        .partition_point(|(f, _)| *f < f_hz)
        .clamp(1, curve.len() - 1);
    let ((f0, a), (f1, b)) = (curve[next - 1], curve[next]);
    let share = ((f_hz / f0).ln() / (f1 / f0).ln()).clamp(0.0, 1.0);
    a + share * (b - a)
}

/// A unit's body as both sides have it nearly alike, and its coupler.
struct Unit {
    body_db: Vec<f64>,
    resonance_hz: f64,
    resonance_db: f64,
    resonance_q: f64,
}

fn units(chance: &mut Chance) -> [Unit; 2] {
    let ear = (chance.below(2) == 0).then(|| chance.below(12));
    let bass_db = chance.between(-2.0, 8.0);
    let bass_hz = chance.between(80.0, 200.0);
    let peak_db = chance.between(5.0, 11.0);
    let peak_hz = chance.between(2300.0, 3400.0);
    let humps: Vec<Section> = (0..4)
        .map(|_| Section {
            shape: Shape::Peaking,
            f0_hz: chance.log_between(150.0, 12_000.0),
            gain_db: 2.5 * chance.normal(),
            q: chance.log_between(0.5, 2.5),
        })
        .collect();
    let resonance_hz = chance.between(7300.0, 9300.0);
    let resonance_db = chance.between(5.0, 10.0);
    SIDES.map(|_| {
        let match_db = Ripple::new(chance, 0.5);
        let section = |shape, f0_hz, gain_db, q| Section {
            shape,
            f0_hz,
            gain_db,
            q,
        };
        let body: Vec<Section> = [
            section(Shape::LowShelf, bass_hz, bass_db, 0.55),
            section(Shape::HighShelf, 13_000.0, -10.0, 0.7),
        ]
        .into_iter()
        .chain(
            ear.is_none()
                .then(|| section(Shape::Peaking, peak_hz, peak_db, 1.1)),
        )
        .chain(humps.iter().copied().filter(|_| ear.is_none()))
        .collect();
        let level = |f_hz: &f64| {
            // Half an ear's colour, so that its narrow notches stay within what earphones have.
            let ear_db = ear.map_or(0.0, |k| 0.5 * on_curve(&EARS[k], *f_hz).max(-25.0));
            88.0 + cascade::level_db(&body, 96e3, *f_hz) + ear_db + match_db.at(*f_hz)
        };
        Unit {
            body_db: frequency_hz().iter().map(level).collect(),
            resonance_hz: resonance_hz * (1.0 + 0.004 * chance.normal()),
            resonance_db,
            resonance_q: chance.between(4.0, 7.0),
        }
    })
}

/// A smooth random curve: knots 2.5, 0.8 and 0.3 octaves apart, joined by cosines.
struct Ripple(Vec<(f64, f64, Vec<f64>)>);

impl Ripple {
    fn new(chance: &mut Chance, rms_db: f64) -> Self {
        // Joining by cosines takes a part of the knots' variance away.
        const KEPT: f64 = 0.69;
        let parts = [(2.5, 0.5), (0.8, 0.35), (0.3, 0.15)];
        Self(
            parts
                .map(|(octaves, share)| {
                    let start = chance.between(0.0, 1.0);
                    let size = rms_db * f64::sqrt(share / KEPT);
                    let knots = (0..(12.0 / octaves) as usize + 3)
                        .map(|_| size * chance.normal())
                        .collect();
                    (octaves, start, knots)
                })
                .into(),
        )
    }

    fn at(&self, f_hz: f64) -> f64 {
        let part = |(octaves, start, knots): &(f64, f64, Vec<f64>)| {
            let place = start + (f_hz / 20.0).log2() / octaves;
            let k = (place as usize).min(knots.len() - 2);
            let share = 0.5 - 0.5 * (0.5 * TAU * (place - k as f64)).cos();
            knots[k] * (1.0 - share) + knots[k + 1] * share
        };
        self.0.iter().map(part).sum()
    }
}

/// A high-pass as a leak makes it, as positive loss.
#[derive(Debug, Clone, Copy)]
struct Leak {
    corner_hz: f64,
    q: Option<f64>,
}

impl Leak {
    fn loss_db(&self, f_hz: f64) -> f64 {
        let c2 = (self.corner_hz / f_hz).powi(2);
        10.0 * match self.q {
            None => 1.0 + c2,
            Some(q) => (1.0 - c2).powi(2) + c2 / (q * q),
        }
        .log10()
    }
}

impl Unit {
    fn take(
        &self,
        chance: &mut Chance,
        bench: &Bench,
        deeper_mm: f64,
        more_db: &dyn Fn(f64) -> f64,
    ) -> Vec<f64> {
        let level_db = 0.3 * chance.normal();
        let ripple = Ripple::new(chance, bench.spread_db);
        let slight = Leak {
            corner_hz: (5.0 * chance.normal()).abs(),
            q: None,
        };
        // Half a wave in the air before the microphone; seatings differ by 0.2 mm.
        let half_wave_mm = 171_500.0 / self.resonance_hz - deeper_mm - 0.2 * chance.normal();
        let resonance_hz = 171_500.0 / half_wave_mm;
        let coupler = [
            Section {
                shape: Shape::Peaking,
                f0_hz: resonance_hz,
                gain_db: self.resonance_db,
                q: self.resonance_q,
            },
            Section {
                shape: Shape::Peaking,
                f0_hz: 1.3 * resonance_hz,
                gain_db: -0.6 * self.resonance_db,
                q: 0.7 * self.resonance_q,
            },
        ];
        let mut one = |(f_hz, body_db): (&f64, &f64)| {
            level_db + body_db + cascade::level_db(&coupler, 96e3, *f_hz) + ripple.at(*f_hz)
                - slight.loss_db(*f_hz)
                + 0.03 * chance.normal()
                + more_db(*f_hz)
        };
        frequency_hz()
            .iter()
            .zip(&self.body_db)
            .map(&mut one)
            .collect()
    }
}

/// What plays on both sides.
#[derive(Clone)]
struct Playing {
    sections: [Vec<Section>; 2],
    rate_hz: f64,
    raised: f64,
    times: f64,
    preamp_db: f64,
}

impl Playing {
    fn level_db(&self, side: usize, f_hz: f64) -> f64 {
        let f_hz = (f_hz / self.raised).min(0.5 * self.rate_hz);
        self.preamp_db + self.times * cascade::level_db(&self.sections[side], self.rate_hz, f_hz)
    }
}

/// An earphone's impedance: a resistance, a coil, and one or two resonances, ohms and degrees.
fn impedance(chance: &mut Chance) -> ImpedanceByFrequency {
    let ohm = chance.log_between(12.0, 40.0);
    let coil_h = ohm * chance.between(0.0, 2e-5);
    let peaks: Vec<[f64; 3]> = (0..1 + chance.below(2))
        .map(|_| {
            let times = ohm * chance.between(0.5, 3.0);
            [
                chance.log_between(400.0, 5000.0),
                times,
                chance.between(1.0, 4.0),
            ]
        })
        .collect();
    let at = |f_hz: f64| {
        let (mut re, mut im) = (ohm, TAU * f_hz * coil_h);
        for [f0_hz, peak_ohm, q] in &peaks {
            let x = q * (f_hz / f0_hz - f0_hz / f_hz);
            re += peak_ohm / (1.0 + x * x);
            im -= peak_ohm * x / (1.0 + x * x);
        }
        (re.hypot(im), im.atan2(re).to_degrees())
    };
    let f_hz: Vec<f64> = (0..120)
        .map(|k| 15.0 * (0.088 * f64::from(k)).exp())
        .collect();
    ImpedanceByFrequency::Curve {
        magnitude: f_hz.iter().map(|f| (f.ln(), at(*f).0.ln())).collect(),
        phase_deg: Some(f_hz.iter().map(|f| (*f, at(*f).1)).collect()),
    }
}

fn source_db(impedance: &ImpedanceByFrequency, output_ohm: f64, f_hz: f64) -> f64 {
    let ohm = impedance.ohm_at(f_hz).unwrap();
    let phase = impedance.phase_deg_at(f_hz).unwrap().to_radians();
    let (re, im) = (ohm * phase.cos(), ohm * phase.sin());
    20.0 * (ohm / (re + output_ohm).hypot(im)).log10()
}

/// A mistake in the load: its cause, with `playing` changed; None where it does not apply.
fn mistake(
    chance: &mut Chance,
    plant: Plant,
    per_side: bool,
    rates_hz: &[f64],
    playing: &mut Playing,
    taken: &[usize],
) -> Option<Cause> {
    let side = if per_side { chance.below(2) } else { 0 };
    let of: &[usize] = if per_side { &[side][..] } else { &[0, 1] };
    let k = chance.below(playing.sections[side].len());
    if taken.contains(&(k + 1)) {
        return None;
    }
    let was = playing.sections[side][k];
    let at = |kind, number| Cause {
        kind,
        section: Some((per_side.then_some(SIDES[side]), k + 1)),
        number,
        or_mirrored: false,
    };
    let set = |playing: &mut Playing, section: Section| {
        for side in of {
            playing.sections[*side][k] = section;
        }
    };
    // 60 % one slip of the printed number, else anything.
    let typed = |chance: &mut Chance, value: f64, free: f64| -> f64 {
        let slips = slips(value);
        if chance.between(0.0, 1.0) < 0.6 && !slips.is_empty() {
            slips[chance.below(slips.len())]
        } else {
            free
        }
    };
    let cause = match plant {
        Plant::SectionMissing => {
            set(
                playing,
                Section {
                    gain_db: 0.0,
                    ..was
                },
            );
            at("section-missing", None)
        }
        Plant::SignFlipped => {
            set(
                playing,
                Section {
                    gain_db: -was.gain_db,
                    ..was
                },
            );
            at("sign-flipped", None)
        }
        Plant::GainWrong => {
            let free = was.gain_db + 4.0 * chance.normal();
            let gain_db = typed(chance, was.gain_db, free);
            // Those two are mistakes of their own.
            if gain_db.abs() > 30.0 || gain_db.abs() < 0.3 || (gain_db + was.gain_db).abs() < 0.3 {
                return None;
            }
            set(playing, Section { gain_db, ..was });
            at("number-wrong", Some("gain_db"))
        }
        Plant::F0Wrong => {
            let free = was.f0_hz * (std::f64::consts::LN_2 * chance.normal()).exp();
            let f0_hz = typed(chance, was.f0_hz, free);
            if !(10.0..20_000.0).contains(&f0_hz) {
                return None;
            }
            set(playing, Section { f0_hz, ..was });
            at("number-wrong", Some("f0_hz"))
        }
        Plant::QWrong => {
            let free = was.q * (0.9 * chance.normal()).exp();
            let q = typed(chance, was.q, free);
            if !(0.05..50.0).contains(&q) {
                return None;
            }
            set(playing, Section { q, ..was });
            at("number-wrong", Some("q"))
        }
        Plant::ShelfMirrored => {
            let shape = match was.shape {
                Shape::LowShelf => Shape::HighShelf,
                Shape::HighShelf => Shape::LowShelf,
                Shape::Peaking => return None,
            };
            set(playing, Section { shape, ..was });
            at("shelf-mirrored", None)
        }
        Plant::QReadAs => {
            let peaking = QMeaning::OF_PEAKING[chance.below(4)];
            let shelves = QMeaning::OF_SHELVES[chance.below(2)];
            for section in playing.sections.iter_mut().flatten() {
                let meaning = if section.shape.is_shelf() {
                    shelves
                } else {
                    peaking
                };
                let q = meaning.to_cookbook(section.q, section.f0_hz, section.gain_db, RATE_HZ);
                section.q = q.unwrap_or(section.q);
            }
            Cause::whole("q-read-as")
        }
        Plant::GainsHalved => {
            for section in playing.sections.iter_mut().flatten() {
                section.gain_db *= 0.5;
            }
            Cause::whole("gains-halved")
        }
        Plant::Bypassed => {
            playing.times = 0.0;
            if chance.below(2) == 0 {
                playing.preamp_db = 0.0;
            }
            Cause::whole("bypassed")
        }
        Plant::AppliedTwice => {
            playing.times = 2.0;
            playing.preamp_db *= 2.0;
            Cause::whole("applied-twice")
        }
        Plant::WrongSide => {
            if !per_side {
                return None;
            }
            let [left, right] = playing.sections.clone();
            playing.sections = match chance.below(3) {
                0 => [right, left],
                1 => [left.clone(), left],
                _ => [right.clone(), right],
            };
            Cause::whole("wrong-side")
        }
        Plant::WrongRate => {
            let a = rates_hz[chance.below(rates_hz.len())];
            let b = rates_hz[chance.below(rates_hz.len())];
            if a == b {
                return None;
            }
            playing.rate_hz = a;
            playing.raised = b / a;
            Cause::whole("wrong-rate")
        }
        Plant::PreampMissing => {
            if playing.preamp_db > -2.0 {
                return None;
            }
            playing.preamp_db = 0.0;
            Cause::whole("preamp-missing")
        }
        _ => return None,
    };
    Some(cause)
}

/// A seeded re-measurement with `plant`. Mistakes of the load change `least_db` or more; a smaller or inapplicable one is
/// drawn anew.
pub fn remeasured(seed: u64, plant: Plant, bench: &Bench, least_db: f64) -> Remeasured {
    let mut chance = Chance::new(seed ^ 0x00c0_ffee);
    for _ in 0..10_000 {
        if let Some(found) = attempt(&mut chance, plant, bench, least_db) {
            return found;
        }
    }
    panic!("no re-measurement with {plant:?} for seed {seed}");
}

fn attempt(chance: &mut Chance, plant: Plant, bench: &Bench, least_db: f64) -> Option<Remeasured> {
    let both = bench.sides == 2;
    let per_side = plant == Plant::WrongSide || both && chance.below(6) == 0;
    let (left, right) = (sections(chance), sections(chance));
    let sheet = match per_side {
        true => sheet_per_side(&left, &right, &limits()),
        false => sheet_of(&left, &limits()),
    };
    let rates_hz = sheet.rates_hz.clone();
    let right_load = Playing {
        sections: [left.clone(), if per_side { right } else { left }],
        rate_hz: RATE_HZ,
        raised: 1.0,
        times: 1.0,
        preamp_db: sheet.level.preamp_db,
    };
    let mut playing = right_load.clone();
    let mut causes = Vec::new();
    let mut leaks: [Option<Leak>; 2] = [None, None];
    let mut deeper_mm = 0.0;
    let mut source = None;
    let mut exchanged = false;
    let mut bump: Option<(f64, f64, f64)> = None;
    let with_impedance = plant == Plant::SourceDiffers || chance.below(3) == 0;
    let impedance = with_impedance.then(|| impedance(chance));
    let leak = |chance: &mut Chance, resonant: bool| {
        let q = resonant.then(|| chance.between(0.75, 1.25));
        // 1.5 to 8 dB at 30 Hz for the first order, a corner of 22 to 40 Hz for the second.
        let corner_hz = match resonant {
            true => chance.between(22.0, 40.0),
            false => 30.0 * (10f64.powf(0.1 * chance.between(1.5, 8.0)) - 1.0).sqrt(),
        };
        Some(Leak { corner_hz, q })
    };
    match plant {
        Plant::Nothing => {}
        Plant::SessionsExchanged => {
            exchanged = true;
            causes.push(Cause::whole("sessions-exchanged"));
        }
        Plant::OneSideOnly => {
            if per_side || !both {
                return None;
            }
            playing.sections[chance.below(2)].clear();
            causes.push(Cause::whole("one-side-only"));
        }
        Plant::LeakFirstOrder | Plant::LeakResonant => {
            let resonant = plant == Plant::LeakResonant;
            leaks = [leak(chance, resonant), leak(chance, resonant)];
            causes.push(Cause::whole("seal-differs"));
        }
        Plant::LeakOneSide => {
            let resonant = chance.below(2) == 0;
            leaks[chance.below(2)] = leak(chance, resonant);
            causes.push(Cause::whole("seal-differs"));
        }
        Plant::SeatDeeper => {
            deeper_mm = chance.sign();
            causes.push(Cause::whole("seat-differs"));
        }
        Plant::SourceDiffers => {
            source = Some(chance.log_between(4.0, 60.0));
            causes.push(Cause::whole("source-differs"));
        }
        Plant::Bump(tenths) => {
            bump = Some((
                chance.log_between(140.0, 3600.0),
                f64::from(tenths) / 10.0,
                chance.sign(),
            ));
            causes.push(Cause::whole("something-else"));
        }
        Plant::Two => {
            let kinds = [
                Plant::SectionMissing,
                Plant::SignFlipped,
                Plant::GainWrong,
                Plant::F0Wrong,
            ];
            let mut taken = Vec::new();
            for _ in 0..2 {
                let before = playing.clone();
                let kind = kinds[chance.below(4)];
                let cause = mistake(chance, kind, per_side, &rates_hz, &mut playing, &taken)?;
                let size = |side: usize| -> Vec<f64> {
                    let at = |f: &f64| playing.level_db(side, *f) - before.level_db(side, *f);
                    frequency_hz().iter().map(at).collect()
                };
                if largest_db(&[size(0), size(1)]) < least_db {
                    return None;
                }
                taken.push(cause.section?.1);
                causes.push(cause);
            }
        }
        _ => causes.push(mistake(
            chance,
            plant,
            per_side,
            &rates_hz,
            &mut playing,
            &[],
        )?),
    }
    if plant == Plant::LeakOneSide && !both {
        return None;
    }
    let mut deviation_db = [0, 1].map(|side| -> Vec<f64> {
        let at = |f: &f64| {
            let played = if exchanged {
                -right_load.level_db(side, *f)
            } else {
                playing.level_db(side, *f)
            };
            played - right_load.level_db(side, *f)
        };
        frequency_hz().iter().map(at).collect()
    });
    if let Some((f0_hz, third_octave_db, sign)) = bump {
        let shape = |f: &f64| sign * (-0.5 * ((f / f0_hz).log2() / 0.17).powi(2)).exp();
        let raw: Vec<f64> = frequency_hz().iter().map(shape).collect();
        let size = third_octave_db / largest_db(&[raw.clone(), raw.clone()]);
        let scaled: Vec<f64> = raw.iter().map(|db| size * db).collect();
        deviation_db = [scaled.clone(), scaled];
    }
    if !both {
        deviation_db[1] = deviation_db[0].clone();
    }
    let of_load = !matches!(
        plant,
        Plant::Nothing
            | Plant::LeakFirstOrder
            | Plant::LeakResonant
            | Plant::LeakOneSide
            | Plant::SeatDeeper
            | Plant::SourceDiffers
            | Plant::PreampMissing
            | Plant::Bump(_)
    );
    if of_load && largest_db(&deviation_db) < least_db {
        return None;
    }
    let units = units(chance);
    let same_level = plant == Plant::PreampMissing || chance.below(2) == 0;
    let volume_db = if same_level {
        0.0
    } else {
        3.0 * chance.normal()
    };
    let mut session = |name: &str, is_after: bool| {
        let mut takes = Vec::new();
        for (k, side) in SIDES.into_iter().enumerate().take(bench.sides) {
            // What two sessions differ by beyond their takes.
            let day = Ripple::new(chance, 0.05);
            let more = |f_hz: f64| {
                let mut db = day.at(f_hz);
                if is_after != exchanged {
                    db += right_load.level_db(k, f_hz);
                    if !exchanged {
                        let at = frequency_hz().partition_point(|f| *f < f_hz * 0.9999);
                        db += deviation_db[k][at.min(POINTS - 1)];
                    }
                }
                if is_after {
                    db += volume_db - leaks[k].map_or(0.0, |leak| leak.loss_db(f_hz));
                    if let (Some(ohm), Some(impedance)) = (source, &impedance) {
                        db += source_db(impedance, ohm, f_hz);
                    }
                }
                db
            };
            let deeper_mm = if is_after { deeper_mm } else { 0.0 };
            for number in 1..=bench.takes {
                takes.push(Take {
                    name: format!("{name}-{}-{number}", side.name()),
                    side,
                    on_grid: OnGrid {
                        level_db: units[k].take(chance, bench, deeper_mm, &more),
                        support: 0..POINTS,
                    },
                });
            }
        }
        takes
    };
    let before = session("before", false);
    let after = session("after", true);
    Some(Remeasured {
        sheet,
        before,
        after,
        impedance,
        same_level,
        causes,
        deviation_db,
    })
}
