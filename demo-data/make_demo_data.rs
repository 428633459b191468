//! Writes every data file of the demo: `cargo run --example make-demo-data -- OUT_DIR`.
//!
//! All of it is invented: Quayside Radio, the Fieldfare and the Dunlin do not exist and nothing was
//! measured. The numbers only behave like measurements. A take is
//!
//! 1. the unit: cookbook sections for bass, driver, insert and ear-simulator gain, and a first-order
//!    bass limit by its vent;
//! 2. its side: sections that only the left or the right one has, and a fine fixed ripple;
//! 3. its seating: level, bass, depth in the coupler, a wandering dip, perhaps a leak;
//! 4. the bench: a fine ripple of its own and noise that grows toward low frequencies.
//!
//! For what an EQ costs, one unit has an impedance by frequency and its distortion at two levels, and there is a source.
//!
//! Depth moves the coupler's half-wave resonance as in a rigid tube, `f = c / 2L`, and with it the dip
//! above and the next mode. A leak is a first-order high-pass, `10 log10(1 + (corner / f)^2)` dB.
//!
//! Chance comes from SplitMix64 (Steele, Lea and Flood 2014) seeded by a take's name, so that a new
//! take changes no other; a normal deviate is the sum of twelve uniform ones less 6. Levels are rounded
//! to 0.01 dB. The same bytes come out on every run.

use std::f64::consts::{LN_2, PI, TAU};
use std::fmt::{self, Write as _};

use bandwright::filter::biquad::Biquad;
use bandwright::filter::{Section, Shape, cascade};
use bandwright::units::{db_from_power, power_from_db};

/// The first line of every file.
pub const INVENTED: &str =
    "# Invented for Bandwright's demo: no such station or earphone exists, nothing was measured.\n";

const RATE_HZ: f64 = 96_000.0;
const SOUND_M_PER_S: f64 = 343.0;
const DRIVE_V: f64 = 0.03;
const REFERENCE_HZ: f64 = 1000.0;
/// Where chance starts. Among a few, one whose seatings use the ranges they are drawn from.
const SEED: u64 = 4;

/// One of the two ears.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    /// The left ear.
    Left,
    /// The right ear.
    Right,
}

impl fmt::Display for Side {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Left => "left",
            Self::Right => "right",
        })
    }
}

/// How a bench writes its files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Layout {
    /// Comma, decimal point; 48 points an octave from 20 Hz to 20 kHz.
    Comma,
    /// Semicolon, decimal comma, CRLF, several header lines; 48 points an octave, 10 Hz to 24 kHz.
    Semicolon,
    /// Tabs, phase as a third column; every 12 Hz from 12 Hz to 24 kHz.
    Tabs,
}

impl Layout {
    fn extension(self) -> &'static str {
        match self {
            Self::Comma | Self::Semicolon => "csv",
            Self::Tabs => "txt",
        }
    }

    fn frequencies_hz(self) -> Vec<f64> {
        match self {
            Self::Comma => (0..479).map(grid_hz).collect(),
            Self::Semicolon => (-48..492).map(grid_hz).collect(),
            Self::Tabs => (1..=2000).map(|bin| 12.0 * f64::from(bin)).collect(),
        }
    }
}

/// Point `i` of 48 an octave, point 0 at 20 Hz.
fn grid_hz(i: i32) -> f64 {
    20.0 * (f64::from(i) / 48.0).exp2()
}

/// What was done wrong with a take, on purpose.
#[derive(Clone, Copy)]
enum Spoil {
    /// A leak that loses so many dB at 30 Hz.
    Leak(f64),
    /// The take is of another unit.
    IsOf(fn() -> Unit),
}

/// The peak that coupler and seating make, before the seating moves it.
#[derive(Debug, Clone, Copy)]
struct Resonance {
    f0_hz: f64,
    gain_db: f64,
    q: f64,
}

/// What a unit is to an amplifier, and how it distorts.
#[derive(Debug, Clone, Copy)]
struct Electrical {
    /// Voice coil of the low driver, ohms.
    coil_ohm: f64,
    /// Where the two drivers meet, a parallel resonance: hertz, ohms, q.
    crossing: (f64, f64, f64),
    /// What makes the treble's rise, henries.
    inductance_h: f64,
    /// Second harmonic at 20 Hz and at 94 dB SPL, percent; it falls as `f^-0.8`.
    bass_percent: f64,
    /// Distortion of the middle at 94 dB SPL, percent.
    middle_percent: f64,
}

/// Levels at which distortion is measured, dB SPL.
const DISTORTION_DB_SPL: [u32; 2] = [94, 104];

/// What a bench cannot tell from noise, percent.
const DISTORTION_FLOOR_PERCENT: f64 = 0.015;

impl Electrical {
    /// Impedance, real and imaginary.
    fn ohm(&self, f_hz: f64) -> (f64, f64) {
        let (f0_hz, hump_ohm, q) = self.crossing;
        let x = q * (f_hz / f0_hz - f0_hz / f_hz);
        let hump = hump_ohm / (1.0 + x * x);
        (
            self.coil_ohm + hump,
            TAU * f_hz * self.inductance_h - hump * x,
        )
    }

    /// Distortion in percent: the harmonics' amplitudes grow with the fundamental's, and add up by their powers.
    fn distortion_percent(&self, f_hz: f64, level_db_spl: f64) -> f64 {
        let drive = 10f64.powf((level_db_spl - 94.0) / 20.0);
        let bass = drive * self.bass_percent * (20.0 / f_hz).powf(0.8);
        let middle = drive * self.middle_percent;
        (bass.powi(2) + middle.powi(2) + DISTORTION_FLOOR_PERCENT.powi(2)).sqrt()
    }
}

struct Unit {
    folder: &'static str,
    name: &'static str,
    layout: Layout,
    sensitivity_db_per_mw: f64,
    /// At 1 kHz.
    impedance_ohm: f64,
    electrical: Option<Electrical>,
    takes_a_side: usize,
    /// Seatings are deeper or shallower by up to this.
    depth_within_m: f64,
    vent_hz: f64,
    body: Vec<Section>,
    side_only: Vec<(Side, Section)>,
    resonance: Resonance,
    dip: Option<Section>,
    dip_wander_hz: f64,
    spoiled: Vec<(Side, usize, Spoil)>,
}

const fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

const fn low(f0_hz: f64, gain_db: f64, q: f64) -> Section {
    section(Shape::LowShelf, f0_hz, gain_db, q)
}

const fn peak(f0_hz: f64, gain_db: f64, q: f64) -> Section {
    section(Shape::Peaking, f0_hz, gain_db, q)
}

const fn high(f0_hz: f64, gain_db: f64, q: f64) -> Section {
    section(Shape::HighShelf, f0_hz, gain_db, q)
}

/// The earphone under both inserts: ear-simulator gain, driver, tube.
fn fieldfare(insert: &[Section]) -> Vec<Section> {
    let driver = [
        peak(1450.0, 1.4, 1.2),
        peak(2750.0, 8.2, 1.0),
        peak(5300.0, -1.2, 2.2),
        high(14_500.0, -13.0, 0.8),
    ];
    [&driver, insert].concat()
}

fn fieldfare_sides() -> Vec<(Side, Section)> {
    vec![
        (Side::Right, low(90.0, -0.3, 0.6)),
        (Side::Right, peak(3300.0, 0.7, 1.6)),
        (Side::Left, peak(6200.0, 0.5, 3.0)),
    ]
}

fn fieldfare_wool() -> Unit {
    Unit {
        folder: "fieldfare-wool",
        name: "Fieldfare, wool insert",
        layout: Layout::Comma,
        sensitivity_db_per_mw: 108.5,
        impedance_ohm: 18.0,
        electrical: Some(Electrical {
            coil_ohm: 11.9,
            crossing: (2400.0, 26.0, 1.3),
            inductance_h: 1.1e-4,
            bass_percent: 0.6,
            middle_percent: 0.06,
        }),
        takes_a_side: 5,
        depth_within_m: 0.8e-3,
        vent_hz: 5.0,
        body: fieldfare(&[
            low(140.0, 6.0, 0.5),
            peak(320.0, 0.8, 0.8),
            peak(4100.0, -0.6, 1.4),
        ]),
        side_only: fieldfare_sides(),
        resonance: Resonance {
            f0_hz: 7950.0,
            gain_db: 7.5,
            q: 5.0,
        },
        dip: None,
        dip_wander_hz: 0.0,
        spoiled: vec![(Side::Right, 3, Spoil::Leak(6.0))],
    }
}

fn fieldfare_mesh() -> Unit {
    Unit {
        folder: "fieldfare-mesh",
        name: "Fieldfare, mesh insert",
        layout: Layout::Semicolon,
        sensitivity_db_per_mw: 109.3,
        impedance_ohm: 18.0,
        electrical: None,
        takes_a_side: 4,
        depth_within_m: 0.95e-3,
        vent_hz: 5.0,
        body: fieldfare(&[
            low(130.0, 3.2, 0.55),
            peak(4300.0, 5.5, 1.3),
            high(5200.0, 1.8, 0.6),
        ]),
        side_only: fieldfare_sides(),
        resonance: Resonance {
            f0_hz: 8000.0,
            gain_db: 8.5,
            q: 6.0,
        },
        dip: None,
        dip_wander_hz: 0.0,
        spoiled: vec![
            (Side::Left, 2, Spoil::Leak(5.0)),
            (Side::Right, 2, Spoil::IsOf(fieldfare_wool)),
            (Side::Right, 4, Spoil::Leak(3.5)),
        ],
    }
}

fn dunlin() -> Unit {
    Unit {
        folder: "dunlin",
        name: "Dunlin",
        layout: Layout::Tabs,
        sensitivity_db_per_mw: 102.0,
        impedance_ohm: 32.0,
        electrical: None,
        takes_a_side: 5,
        depth_within_m: 0.8e-3,
        vent_hz: 9.0,
        body: vec![
            low(190.0, 7.5, 0.5),
            peak(850.0, -1.5, 1.0),
            peak(2500.0, 6.5, 1.3),
            peak(4000.0, 1.5, 2.0),
            high(12_500.0, -15.0, 0.7),
        ],
        side_only: vec![
            (Side::Left, high(2000.0, 2.0, 0.9)),
            (Side::Right, peak(240.0, 0.8, 1.0)),
        ],
        resonance: Resonance {
            f0_hz: 8250.0,
            gain_db: 8.0,
            q: 5.5,
        },
        dip: Some(peak(5500.0, -7.0, 9.0)),
        dip_wander_hz: 450.0,
        spoiled: vec![
            (Side::Left, 2, Spoil::Leak(3.0)),
            (Side::Left, 4, Spoil::Leak(8.0)),
            (Side::Right, 1, Spoil::Leak(8.0)),
            (Side::Right, 5, Spoil::Leak(3.0)),
        ],
    }
}

impl Unit {
    fn spoil(&self, side: Side, number: usize) -> Option<Spoil> {
        self.spoiled
            .iter()
            .find(|&&(s, n, _)| (s, n) == (side, number))
            .map(|&(_, _, spoil)| spoil)
    }

    /// Level at 1 kHz, which the sensitivity and the drive decide, dB SPL.
    fn reference_db_spl(&self) -> f64 {
        self.sensitivity_db_per_mw + db_from_power(1000.0 * DRIVE_V * DRIVE_V / self.impedance_ohm)
    }

    fn take(&self, side: Side, number: usize) -> Take {
        let file = format!("{side}-{number}.{}", self.layout.extension());
        let mut random = Random::named(&format!("{}/{file}", self.folder));
        let spoil = self.spoil(side, number);
        let really = match spoil {
            Some(Spoil::IsOf(other)) => Some(other()),
            _ => None,
        };
        let unit = really.as_ref().unwrap_or(self);
        let tube_m = SOUND_M_PER_S / (2.0 * unit.resonance.f0_hz);
        let deeper_m = random.within(self.depth_within_m);
        let seating = Seating {
            level_db: random.within(0.3),
            bass_db: random.within(0.3),
            resonance_hz: SOUND_M_PER_S / (2.0 * (tube_m - deeper_m)),
            resonance_gain_db: unit.resonance.gain_db + random.within(1.0),
            dip_hz: unit
                .dip
                .map(|dip| dip.f0_hz + random.within(unit.dip_wander_hz)),
            leak_corner_hz: match spoil {
                Some(Spoil::Leak(db)) => Some(30.0 * (power_from_db(db) - 1.0).sqrt()),
                _ => None,
            },
        };
        let frequencies_hz = self.layout.frequencies_hz();
        let points = unit.measure(side, &seating, &frequencies_hz, &mut random);
        Take {
            side,
            number,
            file,
            seating,
            spoil,
            really: really.map(|unit| unit.folder),
            points,
        }
    }

    fn measure(
        &self,
        side: Side,
        seating: &Seating,
        frequencies_hz: &[f64],
        random: &mut Random,
    ) -> Vec<Point> {
        let sections = self.seated(side, seating);
        let reference_db =
            self.reference_db_spl() - cascade::level_db(&self.body, RATE_HZ, REFERENCE_HZ);
        let limits_hz = [Some(self.vent_hz), seating.leak_corner_hz];
        let limits_hz: Vec<f64> = limits_hz.into_iter().flatten().collect();
        let biquads: Vec<Biquad> = sections
            .iter()
            .map(|section| Biquad::new(section, RATE_HZ).expect("every section here is playable"))
            .collect();
        let of_unit = Ripple::new(&mut Random::named(&format!("{} {side}", self.folder)), 0.09);
        let of_bench = Ripple::new(random, 0.05);
        frequencies_hz
            .iter()
            .map(|&f_hz| {
                let high_pass_db: f64 = limits_hz
                    .iter()
                    .map(|corner_hz| -db_from_power(1.0 + (corner_hz / f_hz).powi(2)))
                    .sum();
                let noise_db = 0.05 * (1.0 + 60.0 / f_hz).sqrt() * random.normal();
                let phase: f64 = biquads.iter().map(|b| phase_rad(b, f_hz)).sum::<f64>()
                    + limits_hz.iter().map(|c| (c / f_hz).atan()).sum::<f64>();
                Point {
                    frequency_hz: f_hz,
                    level_db: hundredths(
                        reference_db
                            + seating.level_db
                            + cascade::level_db(&sections, RATE_HZ, f_hz)
                            + high_pass_db
                            + of_unit.level_db(f_hz)
                            + of_bench.level_db(f_hz)
                            + noise_db,
                    ),
                    phase_deg: (phase.to_degrees() + 0.4 * random.normal() + 180.0)
                        .rem_euclid(360.0)
                        - 180.0,
                }
            })
            .collect()
    }

    /// The unit's, its side's and its seating's sections.
    fn seated(&self, side: Side, seating: &Seating) -> Vec<Section> {
        let mut sections = self.body.clone();
        sections.extend(
            self.side_only
                .iter()
                .filter(|(only, _)| *only == side)
                .map(|&(_, section)| section),
        );
        sections.extend([
            low(110.0, seating.bass_db, 0.6),
            peak(
                seating.resonance_hz,
                seating.resonance_gain_db,
                self.resonance.q,
            ),
            peak(1.27 * seating.resonance_hz, -5.0, 3.5),
            peak(1.80 * seating.resonance_hz, 5.0, 5.0),
        ]);
        sections.extend(
            self.dip
                .zip(seating.dip_hz)
                .map(|(dip, f0_hz)| Section { f0_hz, ..dip }),
        );
        sections
    }
}

struct Seating {
    level_db: f64,
    bass_db: f64,
    resonance_hz: f64,
    resonance_gain_db: f64,
    dip_hz: Option<f64>,
    leak_corner_hz: Option<f64>,
}

struct Point {
    frequency_hz: f64,
    level_db: f64,
    phase_deg: f64,
}

struct Take {
    side: Side,
    number: usize,
    file: String,
    seating: Seating,
    spoil: Option<Spoil>,
    really: Option<&'static str>,
    points: Vec<Point>,
}

/// Small standing waves: a few cosines over the logarithm of frequency.
struct Ripple(Vec<(f64, f64, f64)>);

impl Ripple {
    fn new(random: &mut Random, most_db: f64) -> Self {
        Self(
            (0..5)
                .map(|_| {
                    let amplitude_db = most_db * random.uniform();
                    let an_octave = 2.0 + 10.0 * random.uniform();
                    (amplitude_db, an_octave, TAU * random.uniform())
                })
                .collect(),
        )
    }

    fn level_db(&self, frequency_hz: f64) -> f64 {
        let octaves = (frequency_hz / REFERENCE_HZ).ln() / LN_2;
        self.0
            .iter()
            .map(|(amplitude_db, an_octave, at)| {
                amplitude_db * (TAU * an_octave * octaves + at).cos()
            })
            .sum()
    }
}

fn phase_rad(biquad: &Biquad, frequency_hz: f64) -> f64 {
    let (sin, cos) = (2.0 * PI * frequency_hz / RATE_HZ).sin_cos();
    let (sin_2, cos_2) = (2.0 * sin * cos, 2.0 * cos * cos - 1.0);
    let angle =
        |c0: f64, c1: f64, c2: f64| (-(c1 * sin + c2 * sin_2)).atan2(c0 + c1 * cos + c2 * cos_2);
    angle(biquad.b0, biquad.b1, biquad.b2) - angle(1.0, biquad.a1, biquad.a2)
}

fn hundredths(db: f64) -> f64 {
    (100.0 * db).round() / 100.0
}

/// SplitMix64: its state.
pub struct Random(pub u64);

impl Random {
    /// A stream of its own for every name (FNV-1a of it, from the offset that the seed changes).
    fn named(name: &str) -> Self {
        Self(
            name.bytes()
                .fold(0xcbf2_9ce4_8422_2325 ^ SEED, |hash, byte| {
                    (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
                }),
        )
    }

    /// The next 64 bits.
    pub fn next_bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From 0 to below 1.
    fn uniform(&mut self) -> f64 {
        (self.next_bits() >> 11) as f64 * (-53_f64).exp2()
    }

    /// From `-most` to `most`, evenly.
    fn within(&mut self, most: f64) -> f64 {
        most * (2.0 * self.uniform() - 1.0)
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// Every data file: its path below the demo's folder, with `/`, and its text.
#[must_use]
pub fn files() -> Vec<(String, String)> {
    let mut files = Vec::new();
    let mut planted = format!("{INVENTED}{PLANTED_HEAD}");
    for unit in [fieldfare_wool(), fieldfare_mesh(), dunlin()] {
        let takes: Vec<Take> = [Side::Left, Side::Right]
            .into_iter()
            .flat_map(|side| (1..=unit.takes_a_side).map(move |number| (side, number)))
            .map(|(side, number)| unit.take(side, number))
            .collect();
        let at = |file: &str| format!("{}/{file}", unit.folder);
        for take in &takes {
            files.push((at(&take.file), take_text(&unit, take)));
        }
        if unit.layout != Layout::Tabs {
            files.push((at("average.csv"), average_text(&unit, &takes)));
        }
        files.push((
            at(&format!("{}.unit.toml", unit.folder)),
            unit_text(&unit, &takes),
        ));
        if let Some(electrical) = &unit.electrical {
            files.push((at(IMPEDANCE_FILE), impedance_text(&unit, electrical)));
            for level_db_spl in DISTORTION_DB_SPL {
                let text = distortion_text(&unit, electrical, level_db_spl);
                files.push((at(&distortion_file(level_db_spl)), text));
            }
        }
        planted.push_str(&planted_text(&unit, &takes));
    }
    for (name, text) in [
        ("pocket-eight.limits.toml", POCKET_EIGHT),
        ("pocket-amplifier.source.toml", POCKET_AMPLIFIER),
        ("music-shows.target.toml", MUSIC_SHOWS),
        ("long-shifts.target.toml", LONG_SHIFTS),
    ] {
        files.push((name.to_owned(), format!("{INVENTED}{text}")));
    }
    files.push(("planted.toml".to_owned(), planted));
    files
}

fn take_text(unit: &Unit, take: &Take) -> String {
    let mut text = INVENTED.to_owned();
    let (side, number) = (take.side, take.number);
    let drive_mv = 1000.0 * DRIVE_V;
    match unit.layout {
        Layout::Comma => {
            write!(
                text,
                "# {}, {side} side, take {number}. Ear simulator of IEC 60318-4 type, {drive_mv} mV RMS.\n\
                 frequency_hz,level_db_spl\n",
                unit.name
            )
        }
        Layout::Semicolon => write!(
            text,
            "unit;{}\nside;{side}\ntake;{number}\nrig;ear simulator of IEC 60318-4 type\n\
             drive;{drive_mv} mV RMS\nstimulus;stepped sine, 48 points an octave\n\n\
             frequency (Hz);level (dB SPL)\n",
            unit.name
        ),
        Layout::Tabs => write!(
            text,
            "# {}, {side} side, take {number}. Ear simulator of IEC 60318-4 type, {drive_mv} mV RMS.\n\
             # Bins of 12 Hz; flight time removed from the phase.\n\
             Hz\tdB SPL\tdegrees\n",
            unit.name
        ),
    }
    .expect("writing to a string");
    for point in &take.points {
        let (f_hz, db, deg) = (point.frequency_hz, point.level_db, point.phase_deg);
        match unit.layout {
            Layout::Comma => writeln!(text, "{f_hz:.3},{db:.2}"),
            Layout::Semicolon => {
                writeln!(text, "{}", format!("{f_hz:.2};{db:.2}").replace('.', ","))
            }
            Layout::Tabs => writeln!(text, "{f_hz:.0}\t{db:.2}\t{deg:.1}"),
        }
        .expect("writing to a string");
    }
    match unit.layout {
        Layout::Semicolon => text.replace('\n', "\r\n"),
        Layout::Comma | Layout::Tabs => text,
    }
}

/// The sound takes' mean in dB, each side's first, then both sides'.
fn average_text(unit: &Unit, takes: &[Take]) -> String {
    let mut text = format!(
        "{INVENTED}# {}: the sound takes averaged in dB, each side's first, then both sides'.\n\
         frequency_hz,level_db_spl\n",
        unit.name
    );
    let mean_db = |side: Side, i: usize| {
        let sound = takes
            .iter()
            .filter(|take| take.side == side && take.spoil.is_none());
        let (sum, count) = sound.fold((0.0, 0.0), |(sum, count), take| {
            (sum + take.points[i].level_db, count + 1.0)
        });
        sum / count
    };
    for (i, point) in takes[0].points.iter().enumerate() {
        if (19.99..20_000.0).contains(&point.frequency_hz) {
            let db = 0.5 * (mean_db(Side::Left, i) + mean_db(Side::Right, i));
            writeln!(text, "{:.3},{db:.2}", point.frequency_hz).expect("writing to a string");
        }
    }
    text
}

const IMPEDANCE_FILE: &str = "impedance.csv";

fn distortion_file(level_db_spl: u32) -> String {
    format!("distortion-{level_db_spl}.csv")
}

/// Twelve points an octave that meet 1 kHz, where the impedance is the unit's to the last decimal.
fn impedance_text(unit: &Unit, electrical: &Electrical) -> String {
    let mut text = format!(
        "{INVENTED}# {}: impedance, either side.\nfrequency_hz,impedance_ohm,phase_deg\n",
        unit.name
    );
    let magnitude = |(real, imaginary): (f64, f64)| real.hypot(imaginary);
    let scale = unit.impedance_ohm / magnitude(electrical.ohm(REFERENCE_HZ));
    for step in -68..=52 {
        let f_hz = REFERENCE_HZ * (f64::from(step) / 12.0).exp2();
        let (real, imaginary) = electrical.ohm(f_hz);
        writeln!(
            text,
            "{f_hz:.2},{:.2},{:.1}",
            scale * magnitude((real, imaginary)),
            imaginary.atan2(real).to_degrees()
        )
        .expect("writing to a string");
    }
    text
}

/// Three points an octave from 20 Hz to 10 kHz, with a bench's scatter of a few per cent.
fn distortion_text(unit: &Unit, electrical: &Electrical, level_db_spl: u32) -> String {
    let mut text = format!(
        "{INVENTED}# {}: total harmonic distortion at {level_db_spl} dB SPL (1 kHz), the same voltage at all frequencies.\n\
         frequency_hz,distortion_percent\n",
        unit.name
    );
    let mut random = Random::named(&format!(
        "{}/{}",
        unit.folder,
        distortion_file(level_db_spl)
    ));
    for step in -17..=10 {
        let f_hz = REFERENCE_HZ * 10f64.powf(f64::from(step) / 10.0);
        let percent = electrical.distortion_percent(f_hz, f64::from(level_db_spl));
        let scatter = 1.0 + 0.03 * random.normal();
        writeln!(text, "{f_hz:.1},{:.3}", percent * scatter).expect("writing to a string");
    }
    text
}

fn unit_text(unit: &Unit, takes: &[Take]) -> String {
    let mut text = format!(
        "{INVENTED}format = 1\nname = \"{}\"\nrig = \"iec-60318-4\"\n\
         sensitivity_db_per_mw = {:.1}   # at 1 kHz\n",
        unit.name, unit.sensitivity_db_per_mw
    );
    match unit.electrical {
        Some(_) => writeln!(text, "impedance_ohm = \"{IMPEDANCE_FILE}\""),
        None => writeln!(
            text,
            "impedance_ohm = {:.1}            # at 1 kHz",
            unit.impedance_ohm
        ),
    }
    .expect("writing to a string");
    for take in takes {
        write!(
            text,
            "\n[[take]]\nside = \"{}\"\nfile = \"{}\"\n",
            take.side, take.file
        )
        .expect("writing to a string");
    }
    for level_db_spl in unit.electrical.iter().flat_map(|_| DISTORTION_DB_SPL) {
        let file = distortion_file(level_db_spl);
        write!(
            text,
            "\n[[distortion]]\nfile = \"{file}\"\nlevel_db_spl = {level_db_spl}\n"
        )
        .expect("writing to a string");
    }
    text
}

fn planted_text(unit: &Unit, takes: &[Take]) -> String {
    let mut text = format!(
        "\n[[unit]]\nfolder = \"{}\"\nlevel_at_1_khz_db_spl = {:.2}\nvent_corner_hz = {:.1}\n",
        unit.folder,
        unit.reference_db_spl(),
        unit.vent_hz
    );
    let mut line = |arguments: fmt::Arguments| {
        text.write_fmt(arguments).expect("writing to a string");
    };
    for (side, section) in &unit.side_only {
        line(format_args!(
            "\n[[unit.side_only]]\nside = \"{side}\"\nshape = \"{}\"\nf0_hz = {:.1}\ngain_db = {:.1}\nq = {:.1}\n",
            section.shape, section.f0_hz, section.gain_db, section.q
        ));
    }
    for take in takes {
        let seating = &take.seating;
        line(format_args!(
            "\n[[unit.take]]\nside = \"{}\"\nfile = \"{}\"\nsound = {}\nlevel_db = {:.3}\nbass_db = {:.3}\nresonance_hz = {:.1}\nresonance_gain_db = {:.2}\n",
            take.side,
            take.file,
            take.spoil.is_none(),
            seating.level_db,
            seating.bass_db,
            seating.resonance_hz,
            seating.resonance_gain_db
        ));
        if let Some(dip_hz) = seating.dip_hz {
            line(format_args!("dip_hz = {dip_hz:.1}\n"));
        }
        if let (Some(Spoil::Leak(db)), Some(corner_hz)) = (take.spoil, seating.leak_corner_hz) {
            line(format_args!(
                "leak_at_30_hz_db = {db:.1}\nleak_corner_hz = {corner_hz:.2}\n"
            ));
        }
        if let Some(folder) = take.really {
            line(format_args!("really_of = \"{folder}\"\n"));
        }
    }
    text
}

const PLANTED_HEAD: &str = r#"# What the generator planted in the takes, for tests; a listener has no such file.
#
# Of a unit: `side_only` are sections that one side has and the other has not.
# Of a take: `sound` is false where it was spoiled on purpose; `level_db` and `bass_db` are the seating's
# own (the bass as a low shelf at 110 Hz, q 0.6); `resonance_hz` is the coupler's half-wave resonance (the
# curve peaks about 1 % lower, because the level falls toward the dip above it) and `resonance_gain_db` its
# height; `dip_hz` the centre of the wandering dip; `leak_at_30_hz_db` the loss of a leak and
# `leak_corner_hz` its first-order corner; `really_of` the folder of the unit that a mislabelled take is of.
format = 1
"#;

const POCKET_EIGHT: &str = r#"# The pocket amplifier that Quayside Radio lends with its earphones.
format = 1
name = "eight sections, half-decibel steps"
sections = 8
rates_hz = [44100, 48000, 96000]
preamp_db = { min = -20, max = 0, step = 0.5 }
f0_hz = { min = 20, max = 20000, step = 1 }
gain_db = { min = -12, max = 6, step = 0.5 }
q = { min = 0.3, max = 8, step = 0.1 }          # peaking
shelf_q = { min = 0.4, max = 1.2, step = 0.1 }  # shelves
[shapes]                                        # the most of each
low-shelf = 1
peaking = 6
high-shelf = 1
"#;

const POCKET_AMPLIFIER: &str = r#"# The same pocket amplifier, as the earphone sees it.
format = 1
name = "pocket amplifier"
max_voltage_v = 0.8    # rms, the largest undistorted sine without load
output_ohm = 4.0
full_scale_v = 0.06    # rms, a full-scale sine without load, with the volume where presenters leave it
"#;

const MUSIC_SHOWS: &str = r#"# Quayside Radio's wish for music shows: a little more bass than the wool insert has.
format = 1
name = "music shows"
source = "invented for Bandwright's demo: a library diffuse field, tilted down, with a shelf of bass; no measurement and no listening test stands behind the contours"
base = "diffuse-field"

[[contour]]
shape = "slope"
db_per_octave = -0.9
pivot_hz = 1000

[[contour]]
shape = "low-shelf"
f0_hz = 100
gain_db = 8
q = 0.6
"#;

const LONG_SHIFTS: &str = r#"# Quayside Radio's wish for long shifts: the mesh insert tamed, nothing sharp from 3 kHz up.
format = 1
name = "long shifts"
source = "invented for Bandwright's demo: a library diffuse field, tilted down, with some bass and less of the upper mids; no measurement and no listening test stands behind the contours"
base = "diffuse-field"

[[contour]]
shape = "slope"
db_per_octave = -0.9
pivot_hz = 1000

[[contour]]
shape = "low-shelf"
f0_hz = 100
gain_db = 4
q = 0.6

[[contour]]
shape = "peaking"
f0_hz = 4000
gain_db = -1.5
q = 0.9

[[contour]]
shape = "high-shelf"
f0_hz = 6000
gain_db = -1.5
q = 0.5
"#;

fn main() -> std::io::Result<()> {
    let Some(folder) = std::env::args_os().nth(1) else {
        eprintln!("say where to write: cargo run --example make-demo-data -- OUT_DIR");
        std::process::exit(2);
    };
    for (name, text) in files() {
        let path = std::path::Path::new(&folder).join(name);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        std::fs::write(&path, &text)?;
        println!("{} ({} bytes)", path.display(), text.len());
    }
    Ok(())
}
