//! Sheets of random sections, and takes from before and after they were loaded; all invented, all seeded.

use super::outcomes::without_curves;
use bandwright::cost::loudness::loudness_change_of_channels;
use bandwright::cost::programme::Programme;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::random::Random;
use bandwright::job::{BeforeAfter, Residual};
use bandwright::limits::{Limits, Setting, ShapeCounts};
use bandwright::measurement::OnGrid;
use bandwright::measurement::grid::{POINTS, frequency_hz};
use bandwright::measurement::takes::{Side, Take};
use bandwright::sheet::{Sheet, SideResidual};

pub const RATES_HZ: [f64; 3] = [44_100.0, 48_000.0, 96_000.0];

pub struct Chance(Random);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(Random::new(seed ^ 0x005e_ed0f_9001))
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.unit()
    }

    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    pub fn below(&mut self, end: usize) -> usize {
        self.0.below(end)
    }

    pub fn sign(&mut self) -> f64 {
        if self.0.unit() < 0.5 { 1.0 } else { -1.0 }
    }

    pub fn normal(&mut self) -> f64 {
        let u = 1.0 - self.0.unit();
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * self.0.unit()).cos()
    }
}

fn to(value: f64, step: f64) -> f64 {
    let per_unit = (1.0 / step).round();
    if per_unit >= 1.0 {
        (value * per_unit).round() / per_unit
    } else {
        (value / step).round() * step
    }
}

/// 3 to 8 sections: a low shelf, peaking sections apart from each other, a high shelf; numbers as people type them.
pub fn sections(chance: &mut Chance) -> Vec<Section> {
    let count = 3 + chance.below(6);
    let step = if chance.below(2) == 0 { 0.1 } else { 0.5 };
    let gain = |chance: &mut Chance, most: f64| to(chance.sign() * chance.between(1.0, most), step);
    let mut sections = vec![Section {
        shape: Shape::LowShelf,
        f0_hz: to(chance.log_between(60.0, 220.0), 1.0),
        gain_db: gain(chance, 8.0),
        q: to(chance.between(0.4, 1.0), 0.1),
    }];
    for k in 0..count - 2 {
        let (low, high) = (90.0_f64.ln(), 9500.0_f64.ln());
        let cell = (high - low) / (count - 2) as f64;
        let at = low + cell * (k as f64 + chance.between(0.1, 0.9));
        sections.push(Section {
            shape: Shape::Peaking,
            f0_hz: to(at.exp(), 1.0),
            gain_db: gain(chance, 9.0),
            q: to(chance.log_between(0.5, 5.0), 0.1),
        });
    }
    sections.push(Section {
        shape: Shape::HighShelf,
        f0_hz: to(chance.log_between(3000.0, 11_000.0), 10.0),
        gain_db: gain(chance, 7.0),
        q: to(chance.between(0.4, 1.0), 0.1),
    });
    sections
}

pub fn limits() -> Limits {
    let wide = |min, max| Setting::Range { min, max };
    Limits {
        name: "wide, for tests".to_owned(),
        sections: 10,
        f0_hz: wide(20.0, 20_000.0),
        gain_db: wide(-15.0, 15.0),
        q: wide(0.2, 10.0),
        shelf_q: wide(0.2, 2.0),
        shapes: ShapeCounts {
            low_shelf: 1,
            peaking: 8,
            high_shelf: 1,
        },
        preamp_db: Setting::Linear {
            min: -40.0,
            max: 0.0,
            step: 0.1,
        },
        ..Limits::standard()
    }
}

/// The sheet of a fit that ended at `sections`.
pub fn sheet_of(sections: &[Section], limits: &Limits) -> Sheet {
    let mut outcome = without_curves(sections, limits);
    let residual = Residual {
        weighted_db: 1.0,
        trusted_band_db: Some(1.0),
    };
    outcome.shared.residual = BeforeAfter {
        before: residual,
        after: residual,
    };
    outcome.shared.residual_by_rate_db.fill(1.0);
    Sheet::from_outcome(&outcome, limits).unwrap()
}

/// A sheet with an EQ for each side.
pub fn sheet_per_side(left: &[Section], right: &[Section], limits: &Limits) -> Sheet {
    let mut sheet = sheet_of(left, limits);
    let other = sheet_of(right, limits);
    sheet.channels.extend(other.channels);
    for (channel, side) in sheet.channels.iter_mut().zip([Side::Left, Side::Right]) {
        channel.side = Some(side);
        sheet.knowledge.as_mut().unwrap().sides.push(SideResidual {
            side,
            weighted_before: 1.0,
            weighted_after: 1.0,
        });
    }
    let (one, two) = (&mut sheet.level, other.level);
    one.preamp_db = one.preamp_db.min(two.preamp_db);
    one.peak_gain_db = one.peak_gain_db.max(two.peak_gain_db);
    one.any_signal_gain_db = one.any_signal_gain_db.max(two.any_signal_gain_db);
    let preamp_db = one.preamp_db;
    let rate_hz = limits.rates_hz[0];
    let change =
        loudness_change_of_channels(&[left, right], rate_hz, preamp_db, &Programme::pink());
    let rounded = (change.unwrap().total_lu * 1e4).round() / 1e4;
    sheet.level.loudness_change_lu = Some(rounded);
    sheet
}

/// How takes come about.
#[derive(Clone, Copy)]
pub struct Rig {
    pub spread_db: f64,
    /// Standard deviation of the coupler's resonance, Hz.
    pub shift_hz: f64,
    pub level_db: f64,
    /// Ripple of short and long waves, or bass shelves and tilts.
    pub ripples: bool,
    /// Share of takes that leak.
    pub leaks: f64,
}

impl Rig {
    pub const USUAL: Self = Self {
        spread_db: 0.3,
        shift_hz: 250.0,
        level_db: 0.3,
        ripples: true,
        leaks: 0.0,
    };
}

struct Unit {
    body: Vec<Section>,
    resonance_hz: f64,
    resonance_db: f64,
}

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

impl Unit {
    fn new(chance: &mut Chance) -> Self {
        let peaking = Shape::Peaking;
        Self {
            body: vec![
                section(
                    Shape::LowShelf,
                    chance.between(90.0, 200.0),
                    chance.between(0.0, 8.0),
                    0.55,
                ),
                section(
                    peaking,
                    chance.between(2400.0, 3200.0),
                    chance.between(5.0, 10.0),
                    1.1,
                ),
                section(
                    peaking,
                    chance.between(300.0, 1000.0),
                    chance.between(-2.0, 2.0),
                    1.0,
                ),
                section(Shape::HighShelf, 13_000.0, -12.0, 0.7),
            ],
            resonance_hz: chance.between(7300.0, 8700.0),
            resonance_db: chance.between(6.0, 9.0),
        }
    }

    fn take(&self, chance: &mut Chance, rig: &Rig, played: &dyn Fn(f64) -> f64) -> Vec<f64> {
        let level_db = rig.level_db * chance.normal();
        let resonance_hz = self.resonance_hz + rig.shift_hz * chance.normal();
        let mut body = self.body.clone();
        body.push(section(
            Shape::Peaking,
            resonance_hz,
            self.resonance_db,
            5.5,
        ));
        body.push(section(Shape::Peaking, 1.27 * resonance_hz, -5.0, 3.5));
        let mut waves = Vec::new();
        if rig.ripples {
            // Periods of 1 to 10 octaves; together the variance is 1.
            for _ in 0..8 {
                let per_octave = 1.0 / chance.log_between(1.0, 10.0);
                waves.push((0.25 * chance.normal(), 0.25 * chance.normal(), per_octave));
            }
        } else {
            let f0_hz = chance.log_between(60.0, 300.0);
            body.push(section(
                Shape::LowShelf,
                f0_hz,
                1.3 * rig.spread_db * chance.normal(),
                0.6,
            ));
            let f0_hz = chance.log_between(1500.0, 6000.0);
            body.push(section(
                Shape::HighShelf,
                f0_hz,
                1.3 * rig.spread_db * chance.normal(),
                0.6,
            ));
            let f0_hz = chance.log_between(300.0, 6000.0);
            body.push(section(
                Shape::Peaking,
                f0_hz,
                1.5 * rig.spread_db * chance.normal(),
                1.0,
            ));
        }
        if chance.between(0.0, 1.0) < rig.leaks {
            let corner_hz = chance.between(25.0, 60.0);
            body.push(section(
                Shape::LowShelf,
                corner_hz,
                -chance.between(4.0, 10.0),
                0.5,
            ));
        }
        let at = |f_hz: &f64| {
            let octaves = (f_hz / 632.0).log2();
            let smooth: f64 = waves
                .iter()
                .map(|(a, b, per_octave)| {
                    let (sin, cos) = (std::f64::consts::TAU * per_octave * octaves).sin_cos();
                    a * cos + b * sin
                })
                .sum();
            90.0 + level_db
                + cascade::level_db(&body, 96e3, *f_hz)
                + 1.41 * rig.spread_db * smooth
                + 0.04 * chance.normal()
                + played(*f_hz)
        };
        frequency_hz().iter().map(at).collect()
    }
}

/// What plays: for left and right.
pub type Played = Box<dyn Fn(Side, f64) -> f64>;

fn by_side(sheet: &Sheet) -> [Vec<Section>; 2] {
    [Side::Left, Side::Right].map(|side| {
        let mut channels = sheet.channels.iter();
        let channel = channels.find(|c| c.side.is_none_or(|of| of == side));
        channel.unwrap().sections.clone()
    })
}

fn playing(
    sections: [Vec<Section>; 2],
    rate_hz: f64,
    raised: f64,
    times: f64,
    preamp_db: f64,
) -> Played {
    Box::new(move |side, f_hz| {
        let sections = &sections[usize::from(side == Side::Right)];
        preamp_db + times * cascade::level_db(sections, rate_hz, (f_hz / raised).min(rate_hz / 2.0))
    })
}

pub fn promised(sheet: &Sheet, times: f64) -> Played {
    playing(by_side(sheet), 48_000.0, 1.0, times, sheet.level.preamp_db)
}

/// Takes of one session: `counts` of left and right; sides are told apart unless there is but one.
pub struct Sessions {
    pub before: Vec<Take>,
    pub after: Vec<Take>,
}

pub fn sessions(chance: &mut Chance, rig: &Rig, counts: [usize; 2], played: &Played) -> Sessions {
    let mut units = [Unit::new(chance), Unit::new(chance)];
    // Both sides are of one model.
    units[1].body[0] = units[0].body[0];
    let mut session = |name: &str, played: &dyn Fn(Side, f64) -> f64| {
        let mut takes = Vec::new();
        for (k, side) in [Side::Left, Side::Right].into_iter().enumerate() {
            for number in 0..counts[k] {
                let level_db = units[k].take(chance, rig, &|f_hz| played(side, f_hz));
                takes.push(Take {
                    name: format!("{name}-{side:?}-{}", number + 1).to_lowercase(),
                    side,
                    on_grid: OnGrid {
                        level_db,
                        support: 0..POINTS,
                    },
                });
            }
        }
        takes
    };
    Sessions {
        before: session("before", &|_, _| 0.0),
        after: session("after", played),
    }
}
