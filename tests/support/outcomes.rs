//! Outcomes made by hand for tests of what is shown. The curves are invented; the figures in them
//! are computed from the curves, so that a picture agrees with its title.
#![allow(dead_code)]

use bandwright::caution::Caution;
use bandwright::cost::heard::{Ear, HeardChange};
use bandwright::cost::loudness::loudness_change;
use bandwright::cost::programme::Programme;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::Effort;
use bandwright::headroom::{Headroom, headroom};
use bandwright::job::{
    BeforeAfter, Channel, ChannelCurves, Outcome, Residual, SearchReport, Shared, SharedCurves,
    TakeResidual,
};
use bandwright::limits::Limits;
use bandwright::measurement::grid::OnGrid;
use bandwright::measurement::rig::Rig;
use bandwright::report::{FileKind, WrittenFile};

pub const RATE_HZ: f64 = 44_100.0;

/// 20 Hz * 2^(i/48), i = 0..=478.
pub fn grid() -> Vec<f64> {
    (0..479)
        .map(|i| 20.0 * (f64::from(i) / 48.0).exp2())
        .collect()
}

pub fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

pub fn written() -> Vec<WrittenFile> {
    vec![
        WrittenFile {
            kind: FileKind::Sheet,
            path: "wool.sheet.toml".into(),
        },
        WrittenFile {
            kind: FileKind::Plot,
            path: "pictures/wool.svg".into(),
        },
    ]
}

/// An ear-gain bump of 5 dB too much, a bass roll-off, a coupler resonance, small ripples; five takes.
pub fn realistic() -> Outcome {
    let f = grid();
    let planted = [
        section(Shape::LowShelf, 75.0, -5.5, 0.6),
        section(Shape::Peaking, 320.0, 1.8, 0.8),
        section(Shape::Peaking, 2900.0, 5.0, 1.4),
        section(Shape::Peaking, 5200.0, -4.0, 3.0),
        section(Shape::Peaking, 8100.0, 7.0, 5.0),
        section(Shape::HighShelf, 12_000.0, -9.0, 0.7),
    ];
    let target = ear_gain(&f);
    let measured: Vec<f64> = cascade::levels_db(&planted, 96_000.0, &f)
        .iter()
        .zip(&f)
        .zip(&target)
        .map(|((db, hz), wanted_db)| db + wanted_db + ripple_db(*hz))
        .collect();
    let spread = f
        .iter()
        .map(|hz| 0.25 + 0.9 * (40.0 / hz).min(1.0) + 1.6 * (hz / 16_000.0).powi(2))
        .collect();
    let mut outcome = outcome(
        vec![
            section(Shape::LowShelf, 75.0, 5.5, 0.6),
            section(Shape::Peaking, 318.5, -1.75, 0.8),
            section(Shape::Peaking, 2904.0, -5.0, 1.412),
            section(Shape::Peaking, 5180.0, 3.5, 2.75),
            section(Shape::Peaking, 8000.0, -2.0, 2.0),
        ],
        measured,
        target,
        Some(spread),
        0..f.len(),
        rig_trust(&f),
    );
    outcome.shared.takes = (1..=5).map(|i| format!("left {i}")).collect();
    outcome.channels[0].takes = outcome.shared.takes.clone();
    outcome.shared.cautions = vec![
        Caution::Boost {
            peak_gain_db: outcome.shared.headroom.peak_gain_db,
        },
        Caution::Seal,
        Caution::TargetTable {
            text: "published tables of this response differ by several dB between 2.5 and 10 kHz"
                .into(),
        },
    ];
    outcome.shared.residual_by_rate_db[2] += 0.31;
    outcome
}

/// A flat curve that needs nothing: no sections, one take.
pub fn flat() -> Outcome {
    let n = grid().len();
    let mut outcome = outcome(vec![], vec![0.0; n], vec![0.0; n], None, 0..n, vec![1.0; n]);
    outcome.shared.unit = "Dunlin".into();
    outcome.shared.target = "flat".into();
    outcome.shared.cautions = vec![Caution::SpreadUnknown];
    outcome
}

/// 60 dB from top to bottom, data from 200 Hz to 8 kHz only, and a name that would break a page.
pub fn wild() -> Outcome {
    let f = grid();
    let support = f.partition_point(|&hz| hz < 200.0)..f.partition_point(|&hz| hz <= 8000.0);
    let measured: Vec<f64> = f
        .iter()
        .map(|hz| 30.0 * (2.1 * (hz / 200.0).log2()).sin() - 3.0 * (hz / 1000.0).log2())
        .collect();
    let spread = f
        .iter()
        .map(|hz| 1.0 + 3.0 * (hz / 3000.0).min(1.0))
        .collect();
    let trust = f
        .iter()
        .map(|hz| {
            if (600.0..900.0).contains(hz) {
                0.2
            } else {
                1.0
            }
        })
        .collect();
    let target: Vec<f64> = f.iter().map(|hz| -0.8 * (hz / 1000.0).log2()).collect();
    let mut outcome = outcome(
        vec![
            section(Shape::Peaking, 330.0, -12.0, 1.0),
            section(Shape::Peaking, 950.0, 12.0, 1.4),
            section(Shape::Peaking, 2700.0, -12.0, 1.5),
        ],
        measured,
        target,
        Some(spread),
        support,
        trust,
    );
    outcome.shared.unit = format!("<&\"> {}", "Wandering name ".repeat(13))
        .chars()
        .take(200)
        .collect();
    outcome.shared.target = "<wanted> & \"more\"".into();
    outcome.shared.takes = vec!["a <1>".into(), "b & c".into()];
    outcome.channels[0].takes = outcome.shared.takes.clone();
    outcome.shared.cautions = vec![
        Caution::Covers {
            lowest_hz: 200.0,
            highest_hz: 8000.0,
        },
        Caution::LargeResidual {
            frequency_hz: 1234.0,
            residual_db: -17.3,
        },
    ];
    outcome
}

fn ear_gain(f: &[f64]) -> Vec<f64> {
    let shape = [
        section(Shape::Peaking, 2800.0, 12.0, 1.1),
        section(Shape::LowShelf, 90.0, 3.0, 0.6),
        section(Shape::HighShelf, 11_000.0, -4.0, 0.7),
    ];
    cascade::levels_db(&shape, 96_000.0, f)
}

fn ripple_db(hz: f64) -> f64 {
    let octaves = (hz / 1000.0).log2();
    let size = 0.25 + 0.5 * (octaves / 4.0).max(0.0);
    size * ((5.3 * octaves).sin() + (11.7 * octaves + 1.0).sin())
}

fn rig_trust(f: &[f64]) -> Vec<f64> {
    f.iter()
        .map(|hz| (1.0 - 0.7 * (hz / 8000.0).log2()).clamp(0.3, 1.0))
        .collect()
}

fn outcome(
    sections: Vec<Section>,
    mut measured_db: Vec<f64>,
    target_db: Vec<f64>,
    spread_db: Option<Vec<f64>>,
    support: std::ops::Range<usize>,
    trust: Vec<f64>,
) -> Outcome {
    let f = grid();
    let inside = |i: usize| if support.contains(&i) { trust[i] } else { 0.0 };
    let weight: Vec<f64> = (0..f.len()).map(inside).collect();
    let sections_db = cascade::levels_db(&sections, RATE_HZ, &f);
    let mut equalised_db: Vec<f64> = measured_db
        .iter()
        .zip(&sections_db)
        .map(|(a, b)| a + b)
        .collect();
    let before_db = align(&mut measured_db, &target_db, &weight);
    let after_db = align(&mut equalised_db, &target_db, &weight);
    let trusted: Vec<f64> = weight
        .iter()
        .map(|w| if *w >= 0.7 { 1.0 } else { 0.0 })
        .collect();
    let of = |weighted_db, curve: &[f64]| Residual {
        weighted_db,
        trusted_band_db: Some(align(&mut curve.to_vec(), &target_db, &trusted)),
    };
    let (peak, peak_gain_db) = sections_db
        .iter()
        .copied()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap();
    let first = trusted.iter().position(|w| *w > 0.0).unwrap();
    let last = trusted.iter().rposition(|w| *w > 0.0).unwrap();
    let preamp_db = -(peak_gain_db.max(0.0) * 2.0).ceil() / 2.0;
    let residual = BeforeAfter {
        before: of(before_db, &measured_db),
        after: of(after_db, &equalised_db),
    };
    let residual_by_rate_db = vec![after_db, after_db + 0.01, after_db];
    let search = SearchReport {
        evaluations: 48_213,
        polishes: 310,
        restarts: 41,
        searches: 8,
        agreeing: 5,
        exact: false,
        enough: false,
        effort: Effort::Normal,
        stop: "every search ended without further gain".into(),
    };
    let takes = vec!["left 1".into()];
    let channel = Channel {
        side: None,
        takes: Vec::clone(&takes),
        take_residuals: vec![TakeResidual {
            take: "left 1".into(),
            before_db,
            after_db,
            worst_hz: 3000.0,
            worst_db: 1.4,
            residual_db: Vec::new(),
        }],
        kept: vec![],
        typed_q: vec![None; sections.len()],
        idle_bands_hz: Vec::new(),
        residual,
        residual_by_rate_db: residual_by_rate_db.clone(),
        objective_db2: after_db * after_db,
        economy_ratio: 1.32,
        search: search.clone(),
        reach: vec![],
        curves: ChannelCurves {
            measured_support: support.clone(),
            expected_db: measured_db.clone(),
            measured_db,
            target_db,
            equalised_db,
            sections_db,
        },
        sections: sections.clone(),
    };
    let ear = Ear {
        unit: OnGrid {
            level_db: channel.curves.expected_db.clone(),
            support: support.clone(),
        },
        rig: Rig::default(),
    };
    let shared = Shared {
        ear,
        start: None,
        set_aside: Vec::new(),
        other_ears: None,
        source_bend: None,
        smoothing: None,
        unit: "Fieldfare, wool insert".into(),
        takes,
        target: "diffuse-field + low-shelf 90 Hz +3 dB".into(),
        target_source: "invented for these tests".into(),
        limits: "eight sections, half-decibel steps".into(),
        rates_hz: vec![RATE_HZ, 48_000.0, 96_000.0],
        headroom: Headroom {
            peak_gain_db,
            peak_hz: f[peak],
            peak_rate_hz: RATE_HZ,
            any_signal_gain_db: peak_gain_db + 1.9,
            preamp_db,
        },
        residual,
        residual_by_rate_db,
        level_difference: None,
        objective_db2: after_db * after_db,
        economy_ratio: 1.32,
        search,
        trusted_band_hz: Some((f[first], f[last])),
        coupler_hz: None,
        bands_hz: Vec::new(),
        curves: SharedCurves {
            aligned_at_hz: None,
            support,
            spread_db,
            trust,
            weight,
        },
        cautions: vec![],
        heard: HeardChange {
            sections_db: 0.2,
            total_db: preamp_db + 0.2,
        },
        loudness: loudness_change(&sections, RATE_HZ, preamp_db, &Programme::pink()).unwrap(),
        protection: bandwright::headroom::Protection::default(),
        loudness_wish: None,
        enough: None,
    };
    Outcome {
        shared,
        channels: vec![channel],
    }
}

/// An outcome with these sections and no curves, as a sheet needs it; the figures are invented.
pub fn without_curves(sections: &[Section], limits: &Limits) -> Outcome {
    let residual = BeforeAfter {
        before: Residual {
            weighted_db: 3.123_456_789,
            trusted_band_db: Some(2.9),
        },
        after: Residual {
            weighted_db: 0.577_215_664,
            trusted_band_db: Some(0.61),
        },
    };
    let mut outcome = outcome(
        sections.to_vec(),
        vec![0.0; grid().len()],
        vec![0.0; grid().len()],
        None,
        0..grid().len(),
        vec![1.0; grid().len()],
    );
    let headroom = headroom(sections, &limits.rates_hz, &limits.preamp_db).unwrap();
    let shared = &mut outcome.shared;
    shared.limits.clone_from(&limits.name);
    shared.rates_hz.clone_from(&limits.rates_hz);
    shared.headroom = headroom;
    shared.loudness = loudness_change(
        sections,
        limits.rates_hz[0],
        headroom.preamp_db,
        &Programme::pink(),
    )
    .unwrap();
    shared.residual = residual;
    shared.residual_by_rate_db = vec![0.577_215_664; limits.rates_hz.len()];
    shared.economy_ratio = 1.234_567;
    shared.search.agreeing = 7;
    shared.search.stop = "no move improves the answer".to_owned();
    shared.trusted_band_hz = Some((20.0, 10_767.3));
    outcome
}

/// Moves `curve_db` to a weighted mean difference of 0 from `target_db`; the rms that remains.
fn align(curve_db: &mut [f64], target_db: &[f64], weight: &[f64]) -> f64 {
    let total: f64 = weight.iter().map(|w| w * w).sum();
    let mean = |power: i32, curve_db: &[f64]| -> f64 {
        let terms = curve_db.iter().zip(target_db).zip(weight);
        terms
            .map(|((a, b), w)| w * w * (a - b).powi(power))
            .sum::<f64>()
            / total
    };
    let offset = mean(1, curve_db);
    curve_db.iter_mut().for_each(|db| *db -= offset);
    mean(2, curve_db).sqrt()
}
