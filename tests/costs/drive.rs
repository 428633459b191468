//! Sensitivity, impedance, sources: levels at the eardrum, volts and milliamperes, the bend of an output impedance; and
//! the files they come from.

use approx::assert_abs_diff_eq;
use bandwright::cost::at_ear::{
    Playback, db_per_mw_from_db_per_v, db_per_v_from_db_per_mw, divider_db,
};
use bandwright::cost::drive::{DriveFigures, WishedLevel, drive, output_bend};
use bandwright::cost::programme::{Programme, ProgrammeLevel};
use bandwright::cost::source::{Source, parse_source};
use bandwright::error::{Error, ErrorKind};
use bandwright::filter::{Section, Shape};
use bandwright::measurement::OnGrid;
use bandwright::measurement::grid::{self, POINTS};
use bandwright::measurement::impedance::{ImpedanceByFrequency, read_impedance};
use bandwright::measurement::unit_file::{Drive, Sensitivity};
use proptest::prelude::*;

fn on_grid(level_db: impl Fn(f64) -> f64) -> OnGrid {
    OnGrid {
        level_db: grid::frequency_hz().iter().map(|f| level_db(*f)).collect(),
        support: 0..POINTS,
    }
}

fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

fn source(full_scale_v: f64, output_ohm: f64) -> Source {
    Source {
        name: "a source".to_owned(),
        max_voltage_v: 1.0,
        output_ohm,
        full_scale_v,
    }
}

/// An earphone of 110 dB SPL at 1 V, flat, with the usual pink programme.
struct Bench {
    response: OnGrid,
    sections: Vec<Section>,
    preamp_db: f64,
    sensitivity: Sensitivity,
    impedance: Option<ImpedanceByFrequency>,
    source: Option<Source>,
    programme: Programme,
    level: ProgrammeLevel,
}

impl Bench {
    fn flat() -> Self {
        Self {
            response: on_grid(|_| 0.0),
            sections: Vec::new(),
            preamp_db: 0.0,
            sensitivity: Sensitivity {
                db_spl: 110.0,
                per: Drive::Volt,
                at_hz: 1000.0,
            },
            impedance: None,
            source: None,
            programme: Programme::pink(),
            level: ProgrammeLevel::usual(),
        }
    }

    fn playing(&self) -> Playback<'_> {
        Playback {
            response: &self.response,
            sections: &self.sections,
            rate_hz: 48_000.0,
            preamp_db: self.preamp_db,
            sensitivity: self.sensitivity,
            impedance: self.impedance.as_ref(),
            source: self.source.as_ref(),
            programme: &self.programme,
            level: self.level,
        }
    }

    fn figures(&self) -> DriveFigures {
        self.wishing(None)
    }

    fn wishing(&self, wished: Option<WishedLevel>) -> DriveFigures {
        drive(&self.playing(), wished).unwrap_or_else(|why| panic!("{why}"))
    }

    fn missing(&self) -> String {
        drive(&self.playing(), None).unwrap_err()
    }
}

#[test]
fn sensitivity_per_milliwatt_becomes_sensitivity_per_volt() {
    // 10 log10(1000 / 16) and 10 log10(1000 / 32).
    assert_abs_diff_eq!(
        db_per_v_from_db_per_mw(100.0, 16.0),
        117.96,
        epsilon = 0.005
    );
    assert_abs_diff_eq!(
        db_per_v_from_db_per_mw(100.0, 32.0),
        114.95,
        epsilon = 0.005
    );
    assert_abs_diff_eq!(
        db_per_v_from_db_per_mw(100.0, 1000.0),
        100.0,
        epsilon = 1e-12
    );
    assert_abs_diff_eq!(
        db_per_mw_from_db_per_v(117.96, 16.0),
        100.0,
        epsilon = 0.005
    );
}

#[test]
fn the_impedance_at_the_sensitivitys_frequency_is_the_one_that_counts() {
    let mut bench = Bench::flat();
    bench.sensitivity = Sensitivity {
        db_spl: 100.0,
        per: Drive::Milliwatt,
        at_hz: 500.0,
    };
    let file = b"frequency_hz,ohm\n20,64\n500,16\n20000,64\n";
    bench.impedance = Some(read_impedance(file, "z.csv").unwrap());
    let figures = bench.figures();
    assert_abs_diff_eq!(figures.sensitivity_db_per_v, 117.96, epsilon = 0.005);
    assert_eq!(figures.sensitivity_db_per_mw, Some(100.0));
    assert_abs_diff_eq!(figures.impedance_ohm.unwrap(), 16.0, epsilon = 1e-9);
    bench.sensitivity.per = Drive::Volt;
    assert_abs_diff_eq!(
        bench.figures().sensitivity_db_per_mw.unwrap(),
        82.04,
        epsilon = 0.005
    );
}

#[test]
fn a_flat_earphone_plays_sine_and_programme_at_the_levels_of_arithmetic() {
    let figures = Bench::flat().figures();
    assert_abs_diff_eq!(figures.full_scale_sine.before_db_spl, 110.0, epsilon = 1e-9);
    assert_abs_diff_eq!(figures.full_scale_sine.after_db_spl, 110.0, epsilon = 1e-9);
    assert_abs_diff_eq!(figures.full_scale_sine.voltage_v, 1.0, epsilon = 1e-12);
    assert_eq!(figures.full_scale_sine.current_ma, None);
    // The usual programme lies 9.99 dB below; the whole band is counted.
    assert_abs_diff_eq!(figures.before.level_db_spl, 100.0103, epsilon = 1e-4);
    assert_abs_diff_eq!(figures.counted, 1.0, epsilon = 1e-9);
    // Volts: rms 10^(-9.99/20), peaks those of a full-scale sine.
    assert_abs_diff_eq!(figures.electrical.rms_v, 0.316_6, epsilon = 1e-4);
    assert_abs_diff_eq!(figures.electrical.peak_v, 2f64.sqrt(), epsilon = 1e-9);
    assert_abs_diff_eq!(figures.full_scale_margin_db, 0.0, epsilon = 1e-9);
    assert_eq!((figures.source, figures.source_margin_db), (None, None));
}

#[test]
fn levels_follow_the_measured_curve_from_the_sensitivitys_frequency() {
    // 12 dB more at 100 Hz than at 1 kHz; what the curve's own level is does not matter.
    let tilted = |f: f64, level: f64| level - 12.0 * (f / 1000.0).log10();
    let mut bench = Bench::flat();
    bench.response = on_grid(|f| tilted(f, 0.0));
    let one = bench.figures();
    bench.response = on_grid(|f| tilted(f, 77.0));
    let other = bench.figures();
    assert_abs_diff_eq!(
        one.before.level_db_spl,
        other.before.level_db_spl,
        epsilon = 1e-9
    );
    assert_abs_diff_eq!(one.full_scale_sine.before_db_spl, 110.0, epsilon = 1e-9);
    // Power f^-1.2 over ln f from 20 Hz to 20 kHz, relative to 1 kHz: (50^1.2 - 20^-1.2) / (1.2 ln 1000).
    let gain = (50f64.powf(1.2) - 20f64.powf(-1.2)) / (1.2 * 1000f64.ln());
    let expected = 110.0 + bench.level.rms_db + 10.0 * gain.log10();
    assert_abs_diff_eq!(one.before.level_db_spl, expected, epsilon = 0.01);
    // Moving the sensitivity to 100 Hz lowers everything by those 12 dB.
    bench.sensitivity.at_hz = 100.0;
    let moved = bench.figures();
    assert_abs_diff_eq!(
        moved.before.level_db_spl,
        one.before.level_db_spl - 12.0,
        epsilon = 1e-3
    );
}

#[test]
fn the_eq_and_its_preamp_move_levels_and_volts() {
    let mut bench = Bench::flat();
    bench.preamp_db = -6.0;
    let before = Bench::flat().figures();
    let quieter = bench.figures();
    assert_abs_diff_eq!(
        quieter.after.level_dba,
        before.after.level_dba - 6.0,
        epsilon = 1e-9
    );
    assert_eq!(quieter.before, before.before);
    assert_abs_diff_eq!(quieter.full_scale_margin_db, 6.0, epsilon = 1e-9);
    // A boost at the sensitivity's frequency is in the sine's level in full.
    bench.sections = vec![section(Shape::Peaking, 1000.0, 6.0, 2.0)];
    let boosted = bench.figures();
    assert_abs_diff_eq!(boosted.full_scale_sine.after_db_spl, 110.0, epsilon = 1e-9);
    assert!(boosted.after.level_db_spl > quieter.after.level_db_spl);
    assert!(boosted.electrical.rms_v > quieter.electrical.rms_v);
}

#[test]
fn a_source_that_is_too_weak_clips_and_by_how_much_is_told() {
    let mut bench = Bench::flat();
    bench.source = Some(source(1.0, 0.0));
    assert_abs_diff_eq!(
        bench.figures().source_margin_db.unwrap(),
        0.0,
        epsilon = 1e-9
    );
    bench.source = Some(source(2.0, 0.0));
    assert_abs_diff_eq!(
        bench.figures().source_margin_db.unwrap(),
        -6.0206,
        epsilon = 1e-4
    );
    bench.preamp_db = -8.0;
    assert_abs_diff_eq!(
        bench.figures().source_margin_db.unwrap(),
        1.9794,
        epsilon = 1e-4
    );
}

#[test]
fn a_wished_level_takes_its_volts_and_milliamperes() {
    let mut bench = Bench::flat();
    bench.impedance = Some(ImpedanceByFrequency::Ohm(20.0));
    bench.source = Some(source(0.5, 0.0));
    let asked = |level_db, a_weighted| WishedLevel {
        level_db,
        a_weighted,
    };
    let figures = bench.wishing(Some(asked(100.0, false)));
    let wished = figures.wished.unwrap();
    // At 0.5 V the programme reaches 100.01 - 6.02 dB SPL.
    assert_abs_diff_eq!(wished.turn_up_db, 6.0103, epsilon = 1e-3);
    assert_abs_diff_eq!(wished.full_scale_v, 0.99882, epsilon = 1e-4);
    // 100 dB SPL at 110 dB SPL a volt: 10^(-10/20) V, a 20th of that in A.
    assert_abs_diff_eq!(wished.electrical.rms_v, 0.316_228, epsilon = 1e-6);
    assert_abs_diff_eq!(wished.electrical.rms_ma.unwrap(), 15.8114, epsilon = 1e-3);
    let crest = 10f64.powf(13.0 / 20.0);
    assert_abs_diff_eq!(wished.electrical.peak_v, 0.316_228 * crest, epsilon = 1e-5);
    assert_abs_diff_eq!(
        wished.electrical.peak_ma.unwrap(),
        15.8114 * crest,
        epsilon = 1e-2
    );
    assert_abs_diff_eq!(wished.source_margin_db.unwrap(), 0.0103, epsilon = 1e-3);
    // By A weighting, pink noise counts less, so more is needed.
    let weighted = bench.wishing(Some(asked(100.0, true))).wished.unwrap();
    assert!(weighted.turn_up_db > wished.turn_up_db + 1.0);
    assert!(weighted.source_margin_db.unwrap() < 0.0);
}

#[test]
fn the_current_follows_the_impedance_frequency_by_frequency() {
    // A programme at 100 Hz alone, where the impedance is 10 ohm and not the 40 ohm of 1 kHz.
    let bands = bandwright::measurement::Curve::new(
        "100 Hz",
        vec![20.0, 99.0, 100.0, 101.0, 20_000.0],
        vec![-200.0, -200.0, 0.0, -200.0, -200.0],
        None,
    )
    .unwrap();
    let mut bench = Bench::flat();
    bench.programme = Programme::from_bands(&bands).unwrap();
    bench.level = ProgrammeLevel {
        rms_db: 0.0,
        crest_db: 3.0,
    };
    let file = b"20,10\n200,10\n1000,40\n20000,40\n";
    bench.impedance = Some(read_impedance(file, "z.csv").unwrap());
    let figures = bench.figures();
    assert_abs_diff_eq!(figures.electrical.rms_ma.unwrap(), 100.0, epsilon = 0.01);
    assert_abs_diff_eq!(
        figures.full_scale_sine.current_ma.unwrap(),
        25.0,
        epsilon = 1e-6
    );
}

#[test]
fn a_current_needs_the_impedance_over_nearly_the_whole_band() {
    let mut bench = Bench::flat();
    let mut rms_ma = |file: &str| {
        bench.impedance = Some(read_impedance(file.as_bytes(), "z.csv").unwrap());
        bench.figures().electrical.rms_ma
    };
    let whole = rms_ma("20,16\n20000,16\n").unwrap();
    // Of ten octaves a third of one is missing at the ends, then three.
    assert_abs_diff_eq!(
        rms_ma("22,16\n18000,16\n").unwrap(),
        whole,
        epsilon = 0.03 * whole
    );
    assert_eq!(rms_ma("40,16\n5000,16\n"), None);
}

#[test]
fn an_output_impedance_divides_the_voltage() {
    assert_eq!(divider_db(32.0, None, 0.0), 0.0);
    assert_abs_diff_eq!(divider_db(16.0, None, 16.0), -6.0206, epsilon = 1e-4);
    // Of a reactance, |Z / (Z + R)| = 1 / sqrt 2 where they are equal.
    assert_abs_diff_eq!(divider_db(16.0, Some(90.0), 16.0), -3.0103, epsilon = 1e-4);
    assert_abs_diff_eq!(divider_db(16.0, Some(-90.0), 16.0), -3.0103, epsilon = 1e-4);
    let mut bench = Bench::flat();
    bench.impedance = Some(ImpedanceByFrequency::Ohm(16.0));
    bench.source = Some(source(1.0, 16.0));
    let figures = bench.figures();
    assert_abs_diff_eq!(
        figures.full_scale_sine.before_db_spl,
        103.9794,
        epsilon = 1e-4
    );
    assert_abs_diff_eq!(figures.full_scale_sine.voltage_v, 0.5, epsilon = 1e-9);
    // The source's own peaks are those without load.
    assert_abs_diff_eq!(figures.source_margin_db.unwrap(), 0.0, epsilon = 1e-9);
}

#[test]
fn an_output_impedance_bends_the_response_as_the_impedance_bends() {
    // 10 ohm below 200 Hz, 40 ohm above 2 kHz, behind 10 ohm: 6.02 dB and 1.94 dB lost.
    let file = b"frequency,ohm\n20,10\n200,10\n2000,40\n20000,40\n";
    let impedance = read_impedance(file, "z.csv").unwrap();
    let bend = output_bend(&impedance, 10.0).unwrap();
    assert_abs_diff_eq!(bend.range_db, 6.0206 - 1.9382, epsilon = 1e-3);
    assert_eq!(bend.frequency_hz.len(), POINTS);
    let mean: f64 = bend.bend_db.iter().sum::<f64>() / POINTS as f64;
    assert_abs_diff_eq!(mean, 0.0, epsilon = 1e-9);
    assert_abs_diff_eq!(bend.bend_db[0] + bend.mean_db, -6.0206, epsilon = 1e-3);
    let largest = bend
        .bend_db
        .iter()
        .fold(0f64, |most, db| most.max(db.abs()));
    assert_eq!(bend.largest_db.abs(), largest);
    assert!(!bend.phase_known);
    let straight = output_bend(&impedance, 0.0).unwrap();
    assert_eq!((straight.range_db, straight.mean_db), (0.0, 0.0));
    assert!(output_bend(&ImpedanceByFrequency::Ohm(16.0), 10.0).is_err());
    // Levels at the ear have the bend in them: a third octave at 50 Hz loses 4.08 dB more than one at 5 kHz.
    let mut bench = Bench::flat();
    bench.impedance = Some(impedance);
    bench.source = Some(source(1.0, 10.0));
    let at_50 = bench.figures_of_tone(50.0);
    let at_5000 = bench.figures_of_tone(5000.0);
    assert_abs_diff_eq!(at_5000 - at_50, 6.0206 - 1.9382, epsilon = 0.05);
}

impl Bench {
    /// Level of a programme that is nearly a tone, dB SPL.
    fn figures_of_tone(&self, f_hz: f64) -> f64 {
        let bands = bandwright::measurement::Curve::new(
            "a tone",
            vec![20.0, 0.97 * f_hz, f_hz, 1.03 * f_hz, 20_000.0],
            vec![-200.0, -200.0, 0.0, -200.0, -200.0],
            None,
        )
        .unwrap();
        let programme = Programme::from_bands(&bands).unwrap();
        let playing = Playback {
            programme: &programme,
            ..self.playing()
        };
        drive(&playing, None).unwrap().before.level_db_spl
    }
}

#[test]
fn a_phase_column_is_used() {
    let file = b"frequency (Hz),impedance (ohm),phase (deg)\n20,16,90\n20000,16,90\n";
    let impedance = read_impedance(file, "z.csv").unwrap();
    assert_eq!(impedance.phase_deg_at(700.0), Some(90.0));
    let bend = output_bend(&impedance, 16.0).unwrap();
    assert!(bend.phase_known);
    assert_abs_diff_eq!(bend.mean_db, -3.0103, epsilon = 1e-4);
}

#[test]
fn only_what_was_measured_is_counted_and_its_share_is_told() {
    let mut bench = Bench::flat();
    bench.response.support = 5 * 48..POINTS;
    let figures = bench.figures();
    // From 640 Hz: 4.97 of 9.97 octaves.
    let octaves = |from: f64| (20_000.0 / from).log2();
    assert_abs_diff_eq!(
        figures.counted,
        octaves(640.0) / octaves(20.0),
        epsilon = 1e-3
    );
    assert_abs_diff_eq!(figures.band_hz.0, 640.0, epsilon = 2.0);
    assert!(figures.before.level_db_spl < 100.0);
}

#[test]
fn what_is_missing_is_said() {
    let mut bench = Bench::flat();
    bench.sensitivity.per = Drive::Milliwatt;
    assert!(bench.missing().contains("impedance_ohm"));
    bench.impedance = Some(read_impedance(b"20,16\n500,16\n", "z").unwrap());
    assert!(bench.missing().contains("1000 Hz"));
    let mut bench = Bench::flat();
    bench.source = Some(source(1.0, 2.0));
    assert!(bench.missing().contains("output impedance"));
    let mut bench = Bench::flat();
    bench.response.support = 0..96;
    assert!(bench.missing().contains("measured curve"));
    let mut bench = Bench::flat();
    bench.sensitivity.at_hz = 40_000.0;
    assert!(bench.missing().contains("measured curve"));
}

#[test]
fn an_impedance_curve_is_followed_and_not_extrapolated() {
    let impedance = read_impedance(b"100,10\n1000,1000\n", "z").unwrap();
    // Half-way in log f and log ohms.
    assert_abs_diff_eq!(
        impedance.ohm_at(1e5f64.sqrt()).unwrap(),
        100.0,
        epsilon = 1e-9
    );
    assert_eq!(impedance.ohm_at(99.0), None);
    assert_eq!(impedance.ohm_at(1010.0), None);
    assert_abs_diff_eq!(impedance.ohm_at(1000.0).unwrap(), 1000.0, epsilon = 1e-9);
    let (lowest_hz, highest_hz) = impedance.band_hz().unwrap();
    assert_abs_diff_eq!(lowest_hz, 100.0, epsilon = 1e-9);
    assert_abs_diff_eq!(highest_hz, 1000.0, epsilon = 1e-9);
    let number = ImpedanceByFrequency::Ohm(18.0);
    assert_eq!((number.ohm_at(5.0), number.band_hz()), (Some(18.0), None));
}

fn place(error: &Error) -> (ErrorKind, Option<usize>) {
    (error.kind, error.place.line)
}

#[test]
fn bad_impedance_files_are_refused_with_their_line() {
    for (file, expected) in [
        ("20,16\n100,-3\n", (ErrorKind::Setting, Some(2))),
        ("20,16\n100,0\n", (ErrorKind::Setting, Some(2))),
        ("20,16\n100,1e9\n", (ErrorKind::Setting, Some(2))),
        ("20,16\n10,16\n", (ErrorKind::Order, Some(2))),
        ("20,16\n", (ErrorKind::Coverage, None)),
        (
            "f,ohm,phase\n20,16,0\n30,16,120\n",
            (ErrorKind::Setting, Some(3)),
        ),
        (
            "f,ohm,phase\n20,16,0\n30,16,x\n",
            (ErrorKind::Number, Some(3)),
        ),
        ("no numbers\n", (ErrorKind::Number, None)),
        ("0.02,16\n20,16\n", (ErrorKind::Number, None)),
    ] {
        let error = read_impedance(file.as_bytes(), "z.csv").unwrap_err();
        assert_eq!(place(&error), expected, "{file:?}: {error}");
        assert_eq!(error.place.source, "z.csv");
    }
}

const SOURCE: &str = "format = 1\nname = \"pocket\"\nmax_voltage_v = 1\noutput_ohm = 2.5\n";

#[test]
fn a_source_file_is_read() {
    let read = parse_source(SOURCE.as_bytes(), "p.source.toml").unwrap();
    assert_eq!((read.max_voltage_v, read.output_ohm), (1.0, 2.5));
    assert_eq!((read.name.as_str(), read.full_scale_v), ("pocket", 1.0));
    let turned_down = format!("{SOURCE}full_scale_v = 0.25\n");
    let read = parse_source(turned_down.as_bytes(), "p.source.toml").unwrap();
    assert_eq!(read.full_scale_v, 0.25);
}

#[test]
fn bad_source_files_are_refused_with_line_and_key() {
    for (from, to, kind, line, key) in [
        (
            "max_voltage_v = 1\n",
            "",
            ErrorKind::Format,
            1,
            "max_voltage_v",
        ),
        (
            "max_voltage_v = 1\n",
            "max_voltage_v = 0\n",
            ErrorKind::Setting,
            3,
            "max_voltage_v",
        ),
        (
            "max_voltage_v = 1\n",
            "max_voltage_v = nan\n",
            ErrorKind::Number,
            3,
            "max_voltage_v",
        ),
        (
            "max_voltage_v = 1\n",
            "max_voltage_v = \"1 V\"\n",
            ErrorKind::Number,
            3,
            "max_voltage_v",
        ),
        (
            "output_ohm = 2.5",
            "output_ohm = -1",
            ErrorKind::Setting,
            4,
            "output_ohm",
        ),
        (
            "output_ohm = 2.5",
            "output_ohms = 1",
            ErrorKind::Name,
            4,
            "output_ohms",
        ),
        ("format = 1", "format = 2", ErrorKind::Format, 1, "format"),
        ("\"pocket\"", "\" \"", ErrorKind::Setting, 2, "name"),
    ] {
        let text = SOURCE.replace(from, to);
        let error = parse_source(text.as_bytes(), "p.source.toml").unwrap_err();
        assert_eq!(place(&error), (kind, Some(line)), "{text}: {error}");
        assert_eq!(error.place.key.as_deref(), Some(key));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn conversions_of_sensitivity_are_inverse(db in 60.0..140.0f64, ohm in 0.5..2000.0f64) {
        let there = db_per_v_from_db_per_mw(db, ohm);
        prop_assert!((db_per_mw_from_db_per_v(there, ohm) - db).abs() < 1e-9);
        // 1 mW into Z is sqrt(Z / 1000) volts.
        let volts = (ohm / 1000.0).sqrt();
        prop_assert!((there + 20.0 * volts.log10() - db).abs() < 1e-9);
    }

    #[test]
    fn a_phase_never_divides_more_than_a_resistance(
        ohm in 1.0..1000.0f64,
        output_ohm in 0.0..1000.0f64,
        phase_deg in -90.0..90.0f64,
    ) {
        let resistive_db = divider_db(ohm, None, output_ohm);
        let db = divider_db(ohm, Some(phase_deg), output_ohm);
        prop_assert!(resistive_db <= db + 1e-12 && db <= 0.0);
    }

    #[test]
    fn turned_up_by_what_is_told_the_wish_is_fulfilled(
        level_db in 40.0..120.0f64,
        a_weighted: bool,
        gain_db in -12.0..12.0f64,
        preamp_db in -12.0..0.0f64,
    ) {
        let mut bench = Bench::flat();
        bench.sections = vec![section(Shape::LowShelf, 120.0, gain_db, 0.7)];
        bench.preamp_db = preamp_db;
        bench.source = Some(source(0.3, 0.0));
        let wished = bench.wishing(Some(WishedLevel { level_db, a_weighted })).wished.unwrap();
        bench.source = Some(Source { max_voltage_v: 1.0, ..source(wished.full_scale_v, 0.0) });
        let then = bench.figures();
        let reached_db = if a_weighted { then.after.level_dba } else { then.after.level_db_spl };
        prop_assert!((reached_db - level_db).abs() < 1e-9);
        prop_assert!((then.electrical.rms_v - wished.electrical.rms_v).abs() < 1e-9 * then.electrical.rms_v);
        prop_assert!((then.source_margin_db.unwrap() - wished.source_margin_db.unwrap()).abs() < 1e-9);
    }

    #[test]
    fn no_bytes_make_the_readers_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = read_impedance(&bytes, "z");
        let _ = parse_source(&bytes, "s");
    }

    #[test]
    fn no_numbers_make_the_reader_of_impedances_panic(
        rows in prop::collection::vec((any::<f64>(), any::<f64>(), -200.0..200.0f64), 0..8),
    ) {
        let text: String = rows.iter().map(|(f, z, p)| format!("{f:e},{z:e},{p}\n")).collect();
        if let Ok(impedance) = read_impedance(text.as_bytes(), "z") {
            prop_assert!(impedance.ohm_at(1000.0).is_none_or(|ohm| ohm > 0.0));
        }
    }
}
