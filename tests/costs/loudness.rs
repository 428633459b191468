//! K and A weighting, and the change of loudness: the standards' tables, closed forms, signals through real filters.

use std::collections::HashMap;

use approx::assert_abs_diff_eq;
use bandwright::cost::exposure::{Field, FieldTable, field_to_eardrum_db};
use bandwright::cost::heard::{Heard, HeardChange};
use bandwright::cost::loudness::{loudness_change, loudness_change_of_channels};
use bandwright::cost::programme::{CREST_DB, Programme, ProgrammeLevel};
use bandwright::cost::weighting::{K_RATE_HZ, K_STAGES, a_db, k_db};
use bandwright::error::ErrorKind;
use bandwright::filter::{Section, Shape, biquad::Biquad, cascade};
use bandwright::measurement::Curve;
use bandwright::measurement::grid::{self, OnGrid};
use bandwright::measurement::rig::Rig;
use biquad::{Biquad as _, Coefficients, DirectForm2Transposed};
use proptest::prelude::*;
use realfft::RealFftPlanner;

fn rows(name: &str) -> Vec<HashMap<String, String>> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/tables");
    csv::Reader::from_path(format!("{folder}/{name}"))
        .unwrap()
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn number(row: &HashMap<String, String>, key: &str) -> f64 {
    row[key].parse().unwrap()
}

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

fn some_sections() -> Vec<Section> {
    vec![
        section(Shape::LowShelf, 90.0, 5.0, 0.6),
        section(Shape::Peaking, 240.0, -4.0, 1.4),
        section(Shape::Peaking, 3100.0, 6.0, 3.0),
        section(Shape::HighShelf, 7000.0, -3.0, 0.7),
    ]
}

#[test]
fn k_weighting_agrees_with_the_recommendation_and_its_tabulated_response() {
    let stages = rows("bs1770_k_weighting_48k.csv");
    assert_eq!(stages.len(), K_STAGES.len());
    for (row, stage) in stages.iter().zip(&K_STAGES) {
        let given = ["b0", "b1", "b2", "a1", "a2"].map(|key| number(row, key));
        assert_eq!(given, [stage.b0, stage.b1, stage.b2, stage.a1, stage.a2]);
    }
    let response = rows("bs1770_k_weighting_48k_response.csv");
    assert!(response.len() > 30);
    for row in response {
        // The table has six decimals, its frequencies too: at 20 Hz the slope makes 1e-6 dB of the last of those.
        assert_abs_diff_eq!(
            k_db(number(&row, "exact_hz")),
            number(&row, "level_db"),
            epsilon = 2e-6
        );
    }
    assert_eq!(k_db(0.0), f64::NEG_INFINITY);
}

#[test]
fn a_weighting_agrees_with_the_standards_table_and_formula() {
    let table = rows("iec61672_a_c_weighting.csv");
    assert!(table.len() >= 34);
    for row in table {
        let found_db = a_db(number(&row, "exact_hz"));
        assert_abs_diff_eq!(found_db, number(&row, "a_formula_db"), epsilon = 1e-4);
        // The standard's table is rounded to 0.1 dB.
        assert_abs_diff_eq!(found_db, number(&row, "a_table_db"), epsilon = 0.05);
    }
    assert_eq!(a_db(1000.0), 0.0);
    assert_eq!(a_db(0.0), f64::NEG_INFINITY);
    assert!(a_db(1e9).is_finite());
}

#[test]
fn no_section_changes_nothing_and_a_preamp_changes_exactly_itself() {
    let pink = Programme::pink();
    let change = loudness_change(&[], 48_000.0, -6.5, &pink).unwrap();
    assert_eq!((change.sections_lu, change.total_lu), (0.0, -6.5));
    assert_eq!(change.band_hz, (20.0, 20_000.0));
    assert_eq!(change.programme, "pink noise");
}

#[test]
fn a_gain_at_all_frequencies_changes_loudness_by_itself() {
    // A high shelf four octaves and more below the band, or a low shelf's flat part, is a gain.
    for gain_db in [-9.0, 3.5, 12.0] {
        let flat = [section(Shape::HighShelf, 0.01, gain_db, 0.7)];
        let change = loudness_change(&flat, 48_000.0, 0.0, &Programme::pink()).unwrap();
        assert_abs_diff_eq!(change.sections_lu, gain_db, epsilon = 1e-6);
    }
}

#[test]
fn a_programme_at_one_frequency_changes_by_the_gain_there() {
    // All power within a few hertz about 1 kHz.
    let bands = Curve::new(
        "a tone",
        vec![20.0, 990.0, 1000.0, 1010.0, 20_000.0],
        vec![-200.0, -200.0, 0.0, -200.0, -200.0],
        None,
    )
    .unwrap();
    let tone = Programme::from_bands(&bands).unwrap();
    let sections = some_sections();
    let change = loudness_change(&sections, 48_000.0, -1.0, &tone).unwrap();
    let gain_db = cascade::level_db(&sections, 48_000.0, 1000.0);
    assert_abs_diff_eq!(change.sections_lu, gain_db, epsilon = 0.02);
    assert_abs_diff_eq!(change.total_lu, gain_db - 1.0, epsilon = 0.02);
}

#[test]
fn a_table_of_equal_bands_is_pink_noise() {
    let thirds: Vec<f64> = (-17..=13)
        .map(|n| 1000.0 * 10f64.powf(f64::from(n) / 10.0))
        .collect();
    let level_db = vec![63.0; thirds.len()];
    let bands = Curve::new("thirds", thirds, level_db, None).unwrap();
    let table = Programme::from_bands(&bands).unwrap();
    assert_eq!(table.band_hz(48_000.0), (20.0, 20_000.0));
    let lu = |programme| {
        let change = loudness_change(&some_sections(), 48_000.0, 0.0, programme);
        change.unwrap().sections_lu
    };
    assert_abs_diff_eq!(lu(&table), lu(&Programme::pink()), epsilon = 1e-12);
}

#[test]
fn bands_end_half_a_step_beyond_their_centres() {
    let octaves = vec![125.0, 250.0, 500.0, 1000.0];
    let bands = Curve::new("octaves", octaves, vec![0.0; 4], None).unwrap();
    let (lowest_hz, highest_hz) = Programme::from_bands(&bands).unwrap().band_hz(48_000.0);
    assert_abs_diff_eq!(lowest_hz, 125.0 / 2f64.sqrt(), epsilon = 1e-9);
    assert_abs_diff_eq!(highest_hz, 1000.0 * 2f64.sqrt(), epsilon = 1e-9);
}

#[test]
fn a_programme_outside_the_band_is_refused() {
    let bands = Curve::new("below", vec![2.0, 5.0, 12.0], vec![0.0; 3], None).unwrap();
    let error = Programme::from_bands(&bands).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Coverage);
    let high = Curve::new("high", vec![9000.0, 13_000.0, 18_000.0], vec![0.0; 3], None).unwrap();
    let high = Programme::from_bands(&high).unwrap();
    let error = loudness_change(&[], 8000.0, 0.0, &high).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Coverage);
}

#[test]
fn the_integral_has_converged() {
    let moderate: Vec<Section> = [40.0, 300.0, 2500.0, 12_000.0]
        .iter()
        .flat_map(|&f0_hz| {
            [(20.0, 12.0), (20.0, -12.0), (5.0, 9.0)]
                .map(|(q, gain_db)| section(Shape::Peaking, f0_hz, gain_db, q))
        })
        .collect();
    let narrow: Vec<Section> = [40.0, 300.0, 2500.0, 12_000.0]
        .map(|f0_hz| section(Shape::Peaking, f0_hz, 12.0, 100.0))
        .to_vec();
    for (sections, most_db) in [(&moderate, 1e-6), (&narrow, 0.01)] {
        for one in sections {
            let change_db = |steps| {
                let spectrum = Programme::pink().spectrum_in(48_000.0, steps).unwrap();
                spectrum.mean_db(|f| k_db(f) + cascade::level_db(&[*one], 48_000.0, f))
                    - spectrum.mean_db(k_db)
            };
            assert_abs_diff_eq!(change_db(4096), change_db(65_536), epsilon = most_db);
        }
    }
}

/// An impulse whose power is pink from 20 Hz to 20 kHz and nothing elsewhere, in the middle of a long silence.
fn pink_impulse(length: usize) -> Vec<f64> {
    let inverse = RealFftPlanner::<f64>::new().plan_fft_inverse(length);
    let mut spectrum = inverse.make_input_vec();
    let bins = spectrum.len();
    for (k, bin) in spectrum.iter_mut().enumerate().take(bins - 1) {
        let f_hz = k as f64 * K_RATE_HZ / length as f64;
        if (20.0..=20_000.0).contains(&f_hz) {
            // Alternating signs move the impulse to the middle.
            bin.re = if k % 2 == 0 { 1.0 } else { -1.0 } / f_hz.sqrt();
        }
    }
    let mut signal = inverse.make_output_vec();
    inverse.process(&mut spectrum, &mut signal).unwrap();
    signal
}

fn energy_db(signal: &[f64], filters: &[Biquad]) -> f64 {
    let mut filters: Vec<_> = filters
        .iter()
        .map(|&Biquad { b0, b1, b2, a1, a2 }| {
            DirectForm2Transposed::<f64>::new(Coefficients { b0, b1, b2, a1, a2 })
        })
        .collect();
    let energy: f64 = signal
        .iter()
        .map(|x| filters.iter_mut().fold(*x, |x, filter| filter.run(x)))
        .map(|y| y * y)
        .sum();
    10.0 * energy.log10()
}

#[test]
fn a_pink_signal_through_the_filters_changes_its_weighted_energy_as_predicted() {
    let signal = pink_impulse(1 << 20);
    let before_db = energy_db(&signal, &K_STAGES);
    for sections in [
        some_sections(),
        vec![section(Shape::LowShelf, 105.0, 9.0, 0.7)],
        vec![section(Shape::Peaking, 60.0, 12.0, 4.0)],
        vec![section(Shape::HighShelf, 4000.0, -8.0, 0.5)],
    ] {
        let own = sections
            .iter()
            .map(|section| Biquad::new(section, K_RATE_HZ).unwrap());
        let filters: Vec<Biquad> = K_STAGES.into_iter().chain(own).collect();
        let change = loudness_change(&sections, K_RATE_HZ, 0.0, &Programme::pink()).unwrap();
        assert_abs_diff_eq!(
            energy_db(&signal, &filters) - before_db,
            change.sections_lu,
            epsilon = 0.001
        );
    }
}

#[test]
fn channels_add_their_powers() {
    let pink = Programme::pink();
    let up = [section(Shape::HighShelf, 0.01, 6.0, 0.7)];
    let one = loudness_change(&up, 48_000.0, -2.0, &pink).unwrap();
    let same = loudness_change_of_channels(&[&up, &up], 48_000.0, -2.0, &pink).unwrap();
    assert_abs_diff_eq!(same.total_lu, one.total_lu, epsilon = 1e-12);
    // 10 log10((10^0.6 + 1) / 2)
    let left_only = loudness_change_of_channels(&[&up, &[]], 48_000.0, 0.0, &pink).unwrap();
    assert_abs_diff_eq!(left_only.sections_lu, 3.963_1, epsilon = 1e-3);
}

#[test]
fn a_full_scale_tone_in_both_channels_is_0_lufs() {
    // BS.1770: a 997 Hz sine at full scale in one channel is -3.01 LKFS; two channels add 3.01.
    let bands = Curve::new(
        "997 Hz",
        vec![20.0, 987.0, 997.0, 1007.0, 20_000.0],
        vec![-200.0, -200.0, 0.0, -200.0, -200.0],
        None,
    )
    .unwrap();
    let spectrum = Programme::from_bands(&bands).unwrap();
    let spectrum = spectrum.spectrum(48_000.0).unwrap();
    let level = ProgrammeLevel::of_loudness(0.0, Some(3.01), &spectrum).unwrap();
    assert_abs_diff_eq!(level.rms_db, 0.0, epsilon = 0.02);
    let quieter = ProgrammeLevel::of_loudness(-23.0, None, &spectrum).unwrap();
    assert_abs_diff_eq!(level.rms_db - quieter.rms_db, 23.0, epsilon = 1e-12);
    // The usual crest factor where peaks stay below full scale, else what puts them there.
    assert_eq!(quieter.crest_db, CREST_DB);
    let loud = ProgrammeLevel::of_loudness(-6.0, None, &spectrum).unwrap();
    assert_abs_diff_eq!(loud.rms_db + loud.crest_db, 3.0103, epsilon = 1e-4);
}

#[test]
fn the_usual_programme_lies_10_db_below_a_full_scale_sine() {
    let usual = ProgrammeLevel::usual();
    assert_abs_diff_eq!(usual.rms_db, -10.0, epsilon = 0.011);
    let same = ProgrammeLevel::with_peaks_at_full_scale(CREST_DB).unwrap();
    assert_eq!(usual, same);
    // A sine's own crest factor puts it at full scale.
    let sine = ProgrammeLevel::with_peaks_at_full_scale(3.010_299_956_639_812).unwrap();
    assert_eq!(sine.rms_db, 0.0);
    for crest_db in [-1.0, 41.0, f64::NAN] {
        let error = ProgrammeLevel::with_peaks_at_full_scale(crest_db).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Setting);
    }
    let spectrum = Programme::pink().spectrum(48_000.0).unwrap();
    for lufs in [-71.0, 4.0, f64::NAN] {
        let error = ProgrammeLevel::of_loudness(lufs, None, &spectrum).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Setting);
    }
}

fn any_section() -> impl Strategy<Value = Section> {
    (0..3usize, 20.0..16_000.0f64, -12.0..12.0f64, 0.3..8.0f64)
        .prop_map(|(shape, f0_hz, gain_db, q)| section(Shape::ALL[shape], f0_hz, gain_db, q))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_change_lies_between_the_least_and_the_largest_gain(
        sections in prop::collection::vec(any_section(), 0..8),
        preamp_db in -20.0..0.0f64,
        rate_hz in prop::sample::select(vec![44_100.0, 48_000.0, 96_000.0]),
    ) {
        let change = loudness_change(&sections, rate_hz, preamp_db, &Programme::pink()).unwrap();
        prop_assert_eq!(change.total_lu, change.sections_lu + preamp_db);
        let spectrum = Programme::pink().spectrum(rate_hz).unwrap();
        let gains = cascade::levels_db(&sections, rate_hz, &spectrum.frequency_hz);
        let least = gains.iter().copied().fold(f64::INFINITY, f64::min);
        let most = gains.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        prop_assert!((least - 1e-9..=most + 1e-9).contains(&change.sections_lu));
    }

    #[test]
    fn a_filter_and_its_inverse_cancel(
        sections in prop::collection::vec(any_section(), 1..5),
    ) {
        let inverse = sections.iter().map(|s| Section { gain_db: -s.gain_db, ..*s });
        let both: Vec<Section> = sections.iter().copied().chain(inverse).collect();
        let change = loudness_change(&both, 48_000.0, 0.0, &Programme::pink()).unwrap();
        prop_assert!(change.sections_lu.abs() < 1e-9);
    }

    #[test]
    fn shares_sum_to_1_whatever_the_programme(
        levels in prop::collection::vec(-300.0..300.0f64, 3..31),
        rate_hz in 8000.0..768_000.0f64,
    ) {
        let centres: Vec<f64> =
            (0..levels.len()).map(|i| 30.0 * 1.4f64.powi(i as i32)).collect();
        let Ok(bands) = Curve::new("any", centres, levels, None) else {
            return Ok(());
        };
        if let Ok(programme) = Programme::from_bands(&bands)
            && let Ok(spectrum) = programme.spectrum(rate_hz)
        {
            let sum: f64 = spectrum.share.iter().sum();
            prop_assert!((sum - 1.0).abs() < 1e-9);
            prop_assert!(spectrum.share.iter().all(|share| *share >= 0.0));
        }
    }
}

/// A unit that is loud at 3 kHz and soft at 300 Hz.
fn loud_at_3_khz() -> OnGrid {
    let level_db = |f_hz: &f64| 12.0 * (-((f_hz / 3000.0).log2() / 0.8).powi(2)).exp();
    OnGrid {
        level_db: grid::frequency_hz().iter().map(level_db).collect(),
        support: 0..grid::POINTS,
    }
}

#[test]
fn a_cut_where_the_unit_is_loud_is_heard_more_than_elsewhere() {
    let pink = Programme::pink();
    let of_signal = |section: Section| loudness_change(&[section], 48_000.0, 0.0, &pink).unwrap();
    let heard = Heard::new(&loud_at_3_khz(), &Rig::Flat, &pink, 48_000.0).unwrap();
    let cut = |f0_hz| Section {
        shape: Shape::Peaking,
        f0_hz,
        gain_db: -6.0,
        q: 1.0,
    };
    let at = |f0_hz| heard.change(&[&[cut(f0_hz)]], 48_000.0, -2.0);
    assert!(at(3000.0).sections_db < of_signal(cut(3000.0)).sections_lu - 0.5);
    assert!(at(300.0).sections_db > of_signal(cut(300.0)).sections_lu + 0.2);
    let HeardChange {
        sections_db,
        total_db,
    } = at(300.0);
    assert!((total_db - sections_db + 2.0).abs() < 1e-12);
    // Nothing is heard to change without sections, and two sides of which one changes nothing fall between.
    assert_eq!(heard.change(&[&[]], 48_000.0, -3.0).total_db, -3.0);
    let both = heard
        .change(&[&[cut(3000.0)], &[]], 48_000.0, 0.0)
        .sections_db;
    assert!(both < 0.0 && both > at(3000.0).sections_db);
}

#[test]
fn what_is_heard_is_the_a_weighted_mean_by_hand() {
    let unit = loud_at_3_khz();
    let section = Section {
        shape: Shape::LowShelf,
        f0_hz: 400.0,
        gain_db: -8.0,
        q: 0.6,
    };
    let eq_db = cascade::levels_db(&[section], 48_000.0, grid::frequency_hz());
    for rig in [Rig::Flat, Rig::Iec60318_4] {
        let field_db = field_to_eardrum_db(Field::Diffuse, FieldTable::default());
        let power = |i: usize, with: bool| {
            let f_hz = grid::frequency_hz()[i];
            let eardrum_db = if rig == Rig::Flat {
                0.0
            } else {
                field_db(f_hz)
            };
            let eq_db = if with { eq_db[i] } else { 0.0 };
            10f64.powf((unit.level_db[i] - eardrum_db + a_db(f_hz) + eq_db) / 10.0)
        };
        let sum = |with| (0..grid::POINTS).map(|i| power(i, with)).sum::<f64>();
        let by_hand_db = 10.0 * (sum(true) / sum(false)).log10();
        let heard = Heard::new(&unit, &rig, &Programme::pink(), 48_000.0).unwrap();
        let found_db = heard.change(&[&[section]], 48_000.0, 0.0).sections_db;
        assert!(
            (found_db - by_hand_db).abs() < 0.03,
            "{found_db} {by_hand_db}"
        );
    }
}
