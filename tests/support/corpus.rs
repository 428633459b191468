//! Cases for judging the fit, of three families; seeded, so that every run sees the same.
//!
//! - `earphone`: smooth tonal deviations, a coupler resonance, a roll-off and ripple (invented), with the
//!   trust of a 60318-4 rig as weights or all points alike;
//! - `equaliser`: random cascades of 5, 8 or 10 sections, exactly solvable with as many;
//! - `ear`: differences between measured ear responses (W. G. Gardner and K. D. Martin, MIT Media Lab
//!   Technical Report 280, 1994; see `tests/reference/PROVENANCE.md`).

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::random::Random;

/// One case on the common grid.
pub struct Case {
    /// Its name.
    pub name: String,
    /// What is wanted, dB, with any level.
    pub wanted_db: Vec<f64>,
    /// Weight of each point.
    pub weight: Vec<f64>,
}

/// How far apart the seeds of one corpus and the next are.
const NEXT_CORPUS: u64 = 10_000;

/// The common grid.
pub fn grid() -> Vec<f64> {
    (0..479)
        .map(|i| 20.0 * 2f64.powf(f64::from(i) / 48.0))
        .collect()
}

fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * random.unit()
}

fn log_between(random: &mut Random, low: f64, high: f64) -> f64 {
    low * (high / low).powf(random.unit())
}

fn hump(f_hz: f64, centre_hz: f64, octaves: f64) -> f64 {
    let d = (f_hz / centre_hz).log2() / octaves;
    (-0.5 * d * d).exp()
}

fn earphone(corpus: u64, index: usize) -> Case {
    let r = &mut Random::new(1000 + index as u64 + NEXT_CORPUS * corpus);
    let mut humps = vec![
        (
            between(r, 2500.0, 3600.0),
            between(r, 0.3, 0.8),
            between(r, -5.0, 5.0),
        ),
        (
            between(r, 7200.0, 9500.0),
            between(r, 0.06, 0.2),
            between(r, 3.0, 10.0),
        ),
        (
            between(r, 9800.0, 13000.0),
            between(r, 0.08, 0.25),
            between(r, -9.0, -1.0),
        ),
    ];
    for _ in 0..3 + r.below(4) {
        humps.push((
            log_between(r, 60.0, 14000.0),
            between(r, 0.15, 1.2),
            between(r, -4.0, 4.0),
        ));
    }
    let (bass_hz, bass_db) = (log_between(r, 40.0, 300.0), between(r, -7.0, 7.0));
    let slope = between(r, -0.8, 0.8);
    let roll_db = between(r, 0.0, 12.0);
    let ripple: Vec<(f64, f64, f64)> = (0..8)
        .map(|_| {
            (
                between(r, 0.8, 8.0),
                between(r, 0.0, 6.3),
                between(r, 0.0, 0.25),
            )
        })
        .collect();
    let grid = grid();
    let wanted_db = grid
        .iter()
        .map(|&f| {
            let octaves = (f / 1000.0).log2();
            let smooth: f64 = humps.iter().map(|(c, o, g)| g * hump(f, *c, *o)).sum();
            let bass = bass_db / (1.0 + (f / bass_hz).powi(2));
            let top = -roll_db * (f / 20000.0).powi(4);
            let fine: f64 = ripple
                .iter()
                .map(|(n, p, a)| a * (n * octaves * 3.0 + p).sin())
                .sum();
            -(smooth + bass + top + slope * octaves + fine + 0.05 * (r.unit() - 0.5))
        })
        .collect();
    let trust = |f: f64| {
        if f < 8000.0 {
            1.0
        } else {
            (1.0 - 0.7 * (f / 8000.0).log2()).max(0.3)
        }
    };
    let weight = grid
        .iter()
        .map(|&f| {
            if index.is_multiple_of(2) {
                trust(f)
            } else {
                1.0
            }
        })
        .collect();
    Case {
        name: format!("earphone-{index}"),
        wanted_db,
        weight,
    }
}

fn equaliser(corpus: u64, index: usize) -> Case {
    let r = &mut Random::new(2000 + index as u64 + NEXT_CORPUS * corpus);
    let count = [5, 8, 10][index % 3];
    let planted: Vec<Section> = (0..count)
        .map(|k| {
            let shape = match k {
                0 => Shape::LowShelf,
                1 => Shape::HighShelf,
                _ => Shape::Peaking,
            };
            let q = if shape.is_shelf() {
                between(r, 0.4, 1.2)
            } else {
                log_between(r, 0.3, 8.0)
            };
            Section {
                shape,
                f0_hz: log_between(r, 20.0, 20000.0),
                gain_db: between(r, -12.0, 12.0),
                q,
            }
        })
        .collect();
    Case {
        name: format!("equaliser-{count}-{index}"),
        wanted_db: cascade::levels_db(&planted, 48000.0, &grid()),
        weight: vec![1.0; 479],
    }
}

/// In a further corpus, a mean weighted by chance stands for the mean, and the ears of a pair lie further apart.
fn ears(corpus: u64) -> Vec<Case> {
    let path = format!(
        "{}/tests/reference/ear/kemar_12_ear.csv",
        env!("CARGO_MANIFEST_DIR")
    );
    let mut reader = csv::Reader::from_path(path).unwrap();
    let rows: Vec<Vec<f64>> = reader
        .records()
        .map(|row| row.unwrap().iter().map(|v| v.parse().unwrap()).collect())
        .collect();
    let grid = grid();
    let at = |f: f64, curve: &dyn Fn(&[f64]) -> f64| -> Option<f64> {
        let next = rows.partition_point(|row| row[0] < f);
        if next == 0 || next == rows.len() {
            return None;
        }
        let (a, b) = (&rows[next - 1], &rows[next]);
        let share = (f / a[0]).ln() / (b[0] / a[0]).ln();
        Some(curve(a) * (1.0 - share) + curve(b) * share)
    };
    let case = |name: String, curve: &dyn Fn(&[f64]) -> f64| {
        let values: Vec<Option<f64>> = grid.iter().map(|&f| at(f, curve)).collect();
        Case {
            name,
            wanted_db: values.iter().map(|v| v.unwrap_or(0.0)).collect(),
            weight: values
                .iter()
                .map(|v| f64::from(u8::from(v.is_some())))
                .collect(),
        }
    };
    let r = &mut Random::new(3000 + NEXT_CORPUS * corpus);
    let mut shares = || -> [f64; 12] {
        let shares = [(); 12].map(|()| r.unit());
        shares.map(|share| share / shares.iter().sum::<f64>())
    };
    let shares: Vec<[f64; 12]> = (0..12).map(|_| shares()).collect();
    let mean = |k: usize, row: &[f64]| match corpus {
        0 => row[1..].iter().sum::<f64>() / 12.0,
        _ => row[1..].iter().zip(&shares[k]).map(|(v, s)| v * s).sum(),
    };
    let other = 1 + corpus as usize % 11;
    let to_mean = |k: usize| case(format!("ear-mean-{k}"), &|row| mean(k, row) - row[1 + k]);
    let to_other = |k: usize| {
        case(format!("ear-pair-{k}"), &|row| {
            row[1 + (k + other) % 12] - row[1 + k]
        })
    };
    (0..12).map(to_mean).chain((0..12).map(to_other)).collect()
}

/// All cases of corpus 0, that of the table of best answers: 24 a family.
#[allow(dead_code, reason = "not every user needs it")]
pub fn cases() -> Vec<Case> {
    cases_of(0)
}

/// All cases of a corpus.
pub fn cases_of(corpus: u64) -> Vec<Case> {
    (0..24)
        .map(|index| earphone(corpus, index))
        .chain((0..24).map(|index| equaliser(corpus, index)))
        .chain(ears(corpus))
        .collect()
}
