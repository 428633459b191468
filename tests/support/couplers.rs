//! Seeded units on an invented coupler whose resonance, dip and second mode move with the seating, beside peaks of the
//! earphone's own that stay. Nothing here was measured.
//!
//! The coupler is a tube between two reflecting ends, seen from its far end: its level over that of a tube without
//! reflections is `-20 log10 |1 - g e^(j p)|`, with the round trip's gain `g` and phase `p` in units of the frequency
//! over the resonance. The ends' own delay shortens the distance of the modes; in every second unit a side branch cuts
//! a notch above the peak. The earphone itself is random sections.

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::random::Random;
use bandwright::measurement::grid::{OnGrid, POINTS, frequency_hz};
use bandwright::measurement::takes::{Side, Take};

const RATE_HZ: f64 = 96_000.0;

/// The earphone's own peaks near the coupler's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Own {
    /// None but what its random sections make.
    Smooth,
    /// A narrow one.
    Narrow,
    /// A broad one.
    Broad,
    /// Two narrow ones.
    Two,
}

impl Own {
    /// All kinds, with their names.
    pub const ALL: [(Self, &'static str); 4] = [
        (Self::Smooth, "no own peak"),
        (Self::Narrow, "one narrow own peak"),
        (Self::Broad, "one broad own peak"),
        (Self::Two, "two own peaks"),
    ];
}

/// A unit as it was planted.
pub struct Planted {
    /// Its takes, left ones first.
    pub takes: Vec<Take>,
    /// The coupler's resonance in each take, Hz.
    pub resonance_hz: Vec<f64>,
    /// The earphone's own peaks, Hz.
    pub own_peaks_hz: Vec<f64>,
    /// The earphone without the coupler, mean of the sides at the levels of their takes, on the common grid, dB.
    pub own_db: Vec<f64>,
}

impl Planted {
    /// The middle of the planted resonances, Hz.
    pub fn middle_hz(&self) -> f64 {
        let mut hz = self.resonance_hz.clone();
        hz.sort_by(f64::total_cmp);
        0.5 * (hz[(hz.len() - 1) / 2] + hz[hz.len() / 2])
    }
}

fn between(chance: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * chance.unit()
}

/// About normal, of standard deviation 1: the sum of twelve even numbers.
fn normal(chance: &mut Random) -> f64 {
    (0..12).map(|_| chance.unit()).sum::<f64>() - 6.0
}

/// The coupler alone.
enum Coupler {
    Tube(Tube),
    /// Place over the resonance, dB, q of each section.
    Sections([(f64, f64, f64); 3]),
}

struct Tube {
    /// Gain of the round trip at the resonance.
    gain: f64,
    /// How much closer its modes are than those of a bare tube.
    closer: f64,
    /// How fast the gain falls above the resonance, as a power of frequency.
    falls: f64,
    /// Side branch: place over the resonance, dB, q.
    notch: Option<(f64, f64, f64)>,
}

impl Coupler {
    fn new(chance: &mut Random) -> Self {
        let dip = |chance: &mut Random| {
            let place = between(chance, 1.22, 1.4);
            (
                place,
                between(chance, -6.0, -3.0),
                between(chance, 2.5, 4.5),
            )
        };
        if chance.below(3) == 0 {
            let peak = (1.0, between(chance, 6.0, 10.0), between(chance, 4.0, 7.0));
            let second = (
                between(chance, 1.7, 1.95),
                between(chance, 3.0, 6.0),
                between(chance, 4.0, 6.0),
            );
            return Self::Sections([peak, dip(chance), second]);
        }
        Self::Tube(Tube {
            gain: between(chance, 0.5, 0.68),
            closer: between(chance, 1.0, 1.5),
            falls: between(chance, 0.0, 1.0),
            notch: (chance.unit() < 0.5).then(|| dip(chance)),
        })
    }

    /// Level, dB; at `resonance_hz` the round trip is one whole wave.
    fn level_db(&self, f_hz: f64, resonance_hz: f64, gain_factor: f64) -> f64 {
        let section_db = |(place, db, q): (f64, f64, f64), factor: f64| {
            let section = peaking(place * resonance_hz, factor * db, q);
            cascade::level_db(&[section], RATE_HZ, f_hz)
        };
        match self {
            Self::Sections(sections) => sections
                .iter()
                .map(|section| section_db(*section, gain_factor))
                .sum(),
            Self::Tube(tube) => {
                let notch_db = tube.notch.map_or(0.0, |notch| section_db(notch, 1.0));
                notch_db + tube.level_db(f_hz / resonance_hz, gain_factor)
            }
        }
    }
}

impl Tube {
    fn level_db(&self, ratio: f64, gain_factor: f64) -> f64 {
        let gain = gain_factor * self.gain * ratio.max(1.0).powf(-self.falls)
            / (1.0 + (0.75 / ratio).powi(8))
            * (1.0 + 0.75_f64.powi(8));
        let phase = std::f64::consts::TAU * self.closer * (ratio - 1.0);
        let (re, im) = (1.0 - gain * phase.cos(), gain * phase.sin());
        -10.0 * (re * re + im * im).log10()
    }
}

fn peaking(f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape: Shape::Peaking,
        f0_hz,
        gain_db,
        q,
    }
}

/// A unit with `own` peaks; the seat moves the resonance by `seat_sd` (a share of its frequency) between takes.
pub fn unit(seed: u64, own: Own, seat_sd: f64, takes_a_side: usize) -> Planted {
    let chance = &mut Random::new(0xc0_0b1e_0000 + seed);
    let coupler = Coupler::new(chance);
    let resonance_hz = between(chance, 6500.0, 11_500.0);
    let mut body = vec![
        peaking(
            between(chance, 2400.0, 3300.0),
            between(chance, 5.0, 11.0),
            between(chance, 0.8, 1.6),
        ),
        Section {
            shape: Shape::HighShelf,
            ..peaking(
                between(chance, 9000.0, 14_000.0),
                between(chance, -12.0, 0.0),
                0.7,
            )
        },
    ];
    for _ in 0..6 {
        let f0_hz = 2f64.powf(between(chance, 60f64.log2(), 15_000f64.log2()));
        body.push(peaking(
            f0_hz,
            between(chance, -4.0, 4.0),
            between(chance, 0.4, 2.2),
        ));
    }
    let mut peaks = Vec::new();
    let mut peak = |chance: &mut Random, (low_hz, high_hz), q: (f64, f64)| {
        let f0_hz = between(chance, low_hz, high_hz);
        peaks.push(peaking(
            f0_hz,
            between(chance, 5.0, 10.0),
            between(chance, q.0, q.1),
        ));
    };
    match own {
        Own::Smooth => {}
        Own::Narrow => peak(chance, (5000.0, 9000.0), (3.5, 7.0)),
        Own::Broad => peak(chance, (5000.0, 9000.0), (1.3, 2.5)),
        Own::Two => {
            peak(chance, (5000.0, 6500.0), (3.5, 7.0));
            peak(chance, (7000.0, 9000.0), (3.5, 7.0));
        }
    }
    let noise_db = between(chance, 0.1, 0.3);
    let mut planted = Planted {
        takes: Vec::new(),
        resonance_hz: Vec::new(),
        own_peaks_hz: peaks.iter().map(|peak| peak.f0_hz).collect(),
        own_db: vec![0.0; POINTS],
    };
    for side in Side::BOTH {
        let mut sections = body.clone();
        let at_hz = between(chance, 200.0, 9000.0);
        sections.push(peaking(at_hz, between(chance, -1.0, 1.0), 1.5));
        // Left and right are made to half a per cent.
        sections.extend(peaks.iter().map(|peak| Section {
            f0_hz: peak.f0_hz * (1.0 + 0.005 * normal(chance)),
            gain_db: peak.gain_db + 0.3 * normal(chance),
            ..*peak
        }));
        let own_db = cascade::levels_db(&sections, RATE_HZ, frequency_hz());
        for (mean_db, db) in planted.own_db.iter_mut().zip(&own_db) {
            *mean_db += 0.5 * (90.0 + db);
        }
        for number in 1..=takes_a_side {
            let at_hz = resonance_hz * (1.0 + seat_sd * normal(chance));
            let level_db = 0.2 * normal(chance);
            let on_grid = take(chance, &coupler, &own_db, (at_hz, level_db), noise_db);
            let share = 0.5 / takes_a_side as f64;
            planted
                .own_db
                .iter_mut()
                .for_each(|db| *db += share * level_db);
            planted.takes.push(Take {
                name: format!("{}-{number}", side.name()),
                side,
                on_grid,
            });
            planted.resonance_hz.push(at_hz);
        }
    }
    planted
}

/// One seating: level, bass, the coupler, and noise, half of its power smooth.
fn take(
    chance: &mut Random,
    coupler: &Coupler,
    own_db: &[f64],
    (resonance_hz, level_db): (f64, f64),
    noise_db: f64,
) -> OnGrid {
    let bass = Section {
        shape: Shape::LowShelf,
        ..peaking(110.0, 0.3 * normal(chance), 0.6)
    };
    let gain_factor = 1.0 + 0.02 * normal(chance);
    let waves: Vec<(f64, f64, f64)> = (0..6)
        .map(|_| {
            let an_octave = between(chance, 0.5, 6.0);
            let phase = std::f64::consts::TAU * chance.unit();
            (
                noise_db * (1.0 / 6.0_f64).sqrt() * normal(chance),
                an_octave,
                phase,
            )
        })
        .collect();
    let level = frequency_hz().iter().zip(own_db).map(|(f_hz, own_db)| {
        let octaves = (f_hz / 1000.0).log2();
        let smooth: f64 = waves
            .iter()
            .map(|(db, an_octave, phase)| {
                db * (std::f64::consts::TAU * an_octave * octaves + phase).cos()
            })
            .sum();
        90.0 + level_db
            + own_db
            + cascade::level_db(&[bass], RATE_HZ, *f_hz)
            + coupler.level_db(*f_hz, resonance_hz, gain_factor)
            + smooth
            + noise_db * 0.5_f64.sqrt() * normal(chance)
    });
    OnGrid {
        level_db: level.collect(),
        support: 0..POINTS,
    }
}
