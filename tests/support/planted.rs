//! Random cascades on the common grid, and their recovery.

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::Effort;
use bandwright::fit::Stop;
use bandwright::fit::random::Random;
use bandwright::fit::space::{Ranges, Space};
use bandwright::fit::{Task, Wanted, fit, residual};
use bandwright::limits::rules::Rules;
use bandwright::limits::{Limits, Setting, ShapeCounts};
use bandwright::measurement::grid;

pub const RATE_HZ: f64 = 48_000.0;

/// A cascade to be found again.
pub struct Planted {
    pub index: usize,
    pub sections: Vec<Section>,
}

/// What came of it.
pub struct Found {
    pub index: usize,
    pub sections: usize,
    pub rms_db: f64,
    /// The largest relative error of a number: f0, gain or q, of sections paired in frequency order. None where
    /// sections are closer than 2/3 octave; infinite where other shapes were found.
    pub worst_number: Option<f64>,
}

/// The largest relative difference of the numbers of two cascades, where sections are at least 2/3 octave apart.
/// A high shelf counts as the low shelf of the opposite gain, from which it differs in level only.
fn worst_number(planted: &[Section], found: &[Section]) -> Option<f64> {
    let sorted = |sections: &[Section]| {
        let mut sections: Vec<(bool, [f64; 3])> = sections
            .iter()
            .map(|s| {
                let gain_db = if s.shape == Shape::HighShelf {
                    -s.gain_db
                } else {
                    s.gain_db
                };
                (s.shape.is_shelf(), [s.f0_hz, gain_db, s.q])
            })
            .collect();
        sections.sort_by(|(_, a), (_, b)| a[0].total_cmp(&b[0]));
        sections
    };
    let (planted, found) = (sorted(planted), sorted(found));
    let apart = planted
        .windows(2)
        .all(|w| (w[1].1[0] / w[0].1[0]).log2() >= 2.0 / 3.0);
    let alike = planted.len() == found.len() && planted.iter().zip(&found).all(|(a, b)| a.0 == b.0);
    let differences = planted
        .iter()
        .zip(&found)
        .flat_map(|((_, planted), (_, found))| {
            planted.iter().zip(found).map(|(p, f)| (f / p - 1.0).abs())
        });
    match (apart, alike) {
        (false, _) => None,
        (true, false) => Some(f64::INFINITY),
        (true, true) => Some(differences.fold(0.0, f64::max)),
    }
}

/// `count` cascades of `sizes` sections in turn: peaking sections with at most one shelf of each kind, f0
/// 30 Hz-16 kHz (even in octaves), gain +-10 dB, q 0.5-6 (even in octaves), shelves' q 0.4-1.2.
pub fn cases(count: usize, sizes: &[usize]) -> Vec<Planted> {
    (0..count)
        .map(|index| {
            let random = &mut Random::new(0x0051_a47e_d000 + index as u64);
            let between =
                |random: &mut Random, low: f64, high: f64| low + (high - low) * random.unit();
            let size = sizes[index % sizes.len()];
            let mut shapes = vec![Shape::Peaking; size];
            if random.unit() < 0.5 {
                shapes[0] = Shape::LowShelf;
            }
            if random.unit() < 0.5 {
                shapes[1] = Shape::HighShelf;
            }
            let sections = shapes
                .into_iter()
                .map(|shape| Section {
                    shape,
                    f0_hz: between(random, 30f64.ln(), 16_000f64.ln()).exp(),
                    gain_db: between(random, -10.0, 10.0),
                    q: if shape.is_shelf() {
                        between(random, 0.4, 1.2)
                    } else {
                        between(random, 0.5f64.ln(), 6f64.ln()).exp()
                    },
                })
                .collect();
            Planted { index, sections }
        })
        .collect()
}

/// Limits without steps: as many sections of each shape as given, gain +-12 dB, q 0.3-8, shelves 0.4-1.2.
pub fn limits(shapes: ShapeCounts) -> Limits {
    Limits {
        name: "no steps".to_owned(),
        sections: shapes.total(),
        rates_hz: vec![RATE_HZ],
        preamp_db: Setting::Range {
            min: -60.0,
            max: 0.0,
        },
        f0_hz: Setting::Range {
            min: 20.0,
            max: 20_000.0,
        },
        gain_db: Setting::Range {
            min: -12.0,
            max: 12.0,
        },
        q: Setting::Range { min: 0.3, max: 8.0 },
        shelf_q: Setting::Range { min: 0.4, max: 1.2 },
        shapes,
        rules: Rules::default(),
    }
}

/// All that `limits` allow.
pub fn space(limits: &Limits) -> Space {
    Space {
        sections: limits.sections,
        most: Shape::ALL.map(|shape| limits.shapes.of(shape)),
        boxes: Shape::ALL.map(|shape| {
            vec![Ranges {
                f0_hz: limits.f0_hz.min()..=limits.f0_hz.max(),
                gain_db: limits.gain_db.min()..=limits.gain_db.max(),
                q: limits.q_of(shape).min()..=limits.q_of(shape).max(),
                slot: None,
            }]
        }),
    }
}

/// Fits with the planted shapes, no economy, all points alike.
pub fn recover(planted: &Planted, effort: Effort) -> Found {
    let count = |shape| planted.sections.iter().filter(|s| s.shape == shape).count();
    let limits = limits(ShapeCounts {
        low_shelf: count(Shape::LowShelf),
        peaking: count(Shape::Peaking),
        high_shelf: count(Shape::HighShelf),
    });
    let frequency_hz = grid::frequency_hz();
    let weight = vec![1.0; frequency_hz.len()];
    let wanted_db = cascade::levels_db(&planted.sections, RATE_HZ, frequency_hz);
    let answer = fit(&Task {
        frequency_hz,
        weight: &weight,
        channels: &[Wanted {
            change_db: &wanted_db,
            kept: &[],
        }],
        limits: &limits,
        space: &space(&limits),
        least_gain_db: None,
        playing: None,
        economy: 0.0,
        effort,
        seed: 0,
        stop: &Stop::default(),
    })
    .channels
    .swap_remove(0);
    let rms_db =
        residual::weighted_rms_db(&answer.sections, RATE_HZ, frequency_hz, &weight, &wanted_db);
    Found {
        index: planted.index,
        sections: planted.sections.len(),
        rms_db,
        worst_number: worst_number(&planted.sections, &answer.sections),
    }
}
