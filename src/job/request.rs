//! What a fit is asked for, in names and paths; opened, it is what was measured, a wish, limits and what a cost needs.

use std::path::{Path, PathBuf};

use super::Measured;
use super::cost::Circumstances;
use super::error::JobFault;
use super::measured::SourceBend;
use super::wish::{AS_GOOD_DB, ECONOMY, FitBand, LEAST_GAIN_DB, Wish};
use crate::cost::drive::WishedLevel;
use crate::cost::exposure::{Field, FieldTable};
use crate::cost::programme::Programme;
use crate::cost::source::parse_source;
use crate::error::{Error, Knob, Result};
use crate::files::{Files, Recorded, shown};
use crate::headroom::Protection;
use crate::headroom::preamp::MOST_MARGIN_DB;
use crate::inspection::beyond_eq;
use crate::limits::{self, Limits};
use crate::measurement::distorted::{DistortionCurve, read_distortion};
use crate::measurement::judge::Settings;
use crate::measurement::leak::LEAK_THRESHOLD_DB;
use crate::measurement::open::{self, named, read_named, rig, the_one};
use crate::measurement::parse::{parse_curve, parse_weight};
use crate::measurement::smooth::Width;
use crate::measurement::unit_file::{DistortionEntry, UnitEntry};
use crate::wanted::error::WantedFault;
use crate::wanted::{Contour, ContourEntry, Reference, Target, library};

/// The largest economy: J is then nothing but the price of sections that work against each other.
const MOST_ECONOMY: f64 = 1000.0;

/// The largest gain of one more section that can be asked for, dB: no section takes more off the residual.
const MOST_LEAST_GAIN_DB: f64 = 60.0;

/// The largest difference of residuals that can be taken for none, dB.
const MOST_AS_GOOD_DB: f64 = 10.0;

/// The largest loss of loudness that can be allowed, dB: no preamp takes more.
const MOST_LOUDNESS_LOSS_DB: f64 = 60.0;

/// What is fitted of at most, hertz.
const HEARD_HZ: (f64, f64) = (20.0, 20_000.0);

/// The lowest highest f0 that can be asked for, hertz: below, hardly a section is left.
const LEAST_HIGHEST_HZ: f64 = 100.0;

/// How many sections are asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Sections {
    /// As few as are worth it.
    #[default]
    Auto,
    /// At most so many.
    Count(usize),
    /// All that the equaliser has.
    All,
}

/// A taste in a few numbers: contours on top of the target.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Taste {
    /// More bass, dB.
    pub bass_db: Option<f64>,
    /// More treble, dB.
    pub treble_db: Option<f64>,
    /// A slope, dB per octave.
    pub slope_db_per_octave: Option<f64>,
    /// Further contours, as they are written: `shape=peaking,f0_hz=3000,gain_db=-2,q=1.2`.
    pub contours: Vec<String>,
}

/// What is asked about what the EQ costs.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CostQuestion {
    /// A file that says what feeds the unit.
    pub source: Option<PathBuf>,
    /// A file of the bands of what is played; none: pink noise.
    pub programme: Option<PathBuf>,
    /// A level to listen at, dBA at the eardrum.
    pub play_at_dba: Option<f64>,
    /// The field that rules about exposure refer to.
    pub field: Field,
    /// The table that leads there.
    pub table: FieldTable,
}

/// What a fit is asked for. Paths may be names where a library has such.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// Takes whose names may say the side, and unit files.
    pub curves: Vec<PathBuf>,
    /// Takes of the left side.
    pub left: Vec<PathBuf>,
    /// Takes of the right side.
    pub right: Vec<PathBuf>,
    /// Which unit, where there are several.
    pub variant: Option<String>,
    /// Name of the unit; none: as the files have it.
    pub unit: Option<String>,
    /// The rig, a name or a file with a trust table; none: as the unit file has it.
    pub rig: Option<PathBuf>,
    /// Smoothing of what is fitted, as it is written: `1/6`, `erb`.
    pub smooth: Option<String>,
    /// True where takes count that leak or do not belong.
    pub all_takes: bool,
    /// The worst loss from 20 to 40 Hz from which a take leaks, dB.
    pub leak_threshold_db: f64,
    /// A file of weights.
    pub weight: Option<PathBuf>,
    /// The target; none: what the unit has now.
    pub target: Option<PathBuf>,
    /// A second target: what is wanted lies between the two.
    pub between: Option<PathBuf>,
    /// How far from the one to the other, 0 to 1.
    pub between_share: f64,
    /// How far to go, more than 0, at most 1.
    pub toward: f64,
    /// What is added to the target.
    pub taste: Taste,
    /// What the equaliser can do, a name or a file; none: the standard limits.
    pub limits: Option<PathBuf>,
    /// How many sections.
    pub sections: Sections,
    /// What one more section must take off the residual where as few as needed are asked for, dB.
    pub least_gain_db: f64,
    /// The curve is that of the ear that listens: fitted as measured.
    pub this_ear: bool,
    /// Where the listener's own resonance lies with this unit, Hz.
    pub ear_peak_hz: Option<f64>,
    /// Of answers whose residual is at most so much above the least, the loudest is taken, dB.
    pub as_good_db: f64,
    /// Where the fit may work.
    pub band: FitBand,
    /// One EQ for each side.
    pub per_side: bool,
    /// Weight of the economy term.
    pub economy: f64,
    /// What the preamp protects against.
    pub protection: Protection,
    /// The most loss of loudness, dB.
    pub most_loudness_loss_db: Option<f64>,
    /// What is asked about the cost, if anything.
    pub cost: Option<CostQuestion>,
}

impl Default for Request {
    /// Nothing measured and nothing wanted yet, all settings as usual.
    fn default() -> Self {
        Self {
            curves: Vec::new(),
            left: Vec::new(),
            right: Vec::new(),
            variant: None,
            unit: None,
            rig: None,
            smooth: None,
            all_takes: false,
            leak_threshold_db: LEAK_THRESHOLD_DB,
            weight: None,
            target: None,
            between: None,
            between_share: 0.5,
            toward: 1.0,
            taste: Taste::default(),
            limits: None,
            sections: Sections::default(),
            least_gain_db: LEAST_GAIN_DB,
            this_ear: false,
            ear_peak_hz: None,
            as_good_db: AS_GOOD_DB,
            band: FitBand::default(),
            per_side: false,
            economy: ECONOMY,
            protection: Protection::default(),
            most_loudness_loss_db: None,
            cost: None,
        }
    }
}

/// A request with its files read.
#[derive(Debug, Clone)]
pub struct Opened {
    /// What was measured.
    pub measured: Measured,
    /// What is wanted; it keeps no sections yet.
    pub wish: Wish,
    /// What the equaliser can do.
    pub limits: Limits,
    /// What the cost needs to know, where that was asked.
    pub circumstances: Option<Circumstances>,
}

/// Where an ear's resonance can lie, Hz: half a wave in 12 to 43 mm of air.
pub const EAR_PEAK_HZ: (f64, f64) = (4000.0, 14_000.0);

impl Request {
    /// Refuses what no file needs to be opened for.
    ///
    /// # Errors
    /// `Setting` for a number outside its range or an empty name.
    pub fn check(&self) -> Result<()> {
        let within = |value: f64, most: f64| (0.0..=most).contains(&value);
        let refuse = |fault, knob: Knob| Err(Error::of(fault, knob));
        if !within(self.economy, MOST_ECONOMY) {
            return refuse(JobFault::Economy(self.economy), Knob::Economy);
        }
        if !within(self.least_gain_db, MOST_LEAST_GAIN_DB) {
            let fault = JobFault::LeastGain(self.least_gain_db, LEAST_GAIN_DB);
            return refuse(fault, Knob::LeastGain);
        }
        if !within(self.as_good_db, MOST_AS_GOOD_DB) {
            let fault = JobFault::AsGood(self.as_good_db, AS_GOOD_DB);
            return refuse(fault, Knob::AsGood);
        }
        let margin_db = self.protection.true_peak_margin_db;
        if !within(margin_db, MOST_MARGIN_DB) {
            return refuse(JobFault::Margin(margin_db), Knob::TruePeakMargin);
        }
        if let Some(loss_db) = self.most_loudness_loss_db
            && !within(loss_db, MOST_LOUDNESS_LOSS_DB)
        {
            return refuse(JobFault::LossOfLoudness(loss_db), Knob::MaxLoudnessLoss);
        }
        if let Some(peak_hz) = self.ear_peak_hz
            && !(EAR_PEAK_HZ.0..=EAR_PEAK_HZ.1).contains(&peak_hz)
        {
            return refuse(JobFault::EarPeak(peak_hz), Knob::EarPeakHz);
        }
        let FitBand {
            from_hz,
            to_hz,
            highest_f0_hz,
        } = self.band;
        if from_hz.is_nan() || to_hz.is_nan() || 2.0 * from_hz > to_hz {
            let fault = JobFault::BandOutside(from_hz, to_hz, HEARD_HZ.into());
            return refuse(fault, Knob::FromHz);
        }
        if highest_f0_hz.is_nan() || highest_f0_hz < LEAST_HIGHEST_HZ {
            return refuse(JobFault::HighestTooLow(highest_f0_hz), Knob::HighestHz);
        }
        match &self.unit {
            Some(unit) if unit.trim().is_empty() => refuse(JobFault::EmptyName, Knob::Unit),
            _ => Ok(()),
        }
    }

    /// All paths that it names, but for those that other files name.
    #[must_use]
    pub fn paths(&self) -> Vec<&Path> {
        let cost = self.cost.iter();
        let measured = self.curves.iter().chain(&self.left).chain(&self.right);
        measured
            .chain(&self.target)
            .chain(&self.between)
            .chain(&self.limits)
            .chain(&self.weight)
            .chain(&self.rig)
            .chain(cost.clone().filter_map(|cost| cost.source.as_ref()))
            .chain(cost.filter_map(|cost| cost.programme.as_ref()))
            .map(PathBuf::as_path)
            .collect()
    }

    /// Opens all that it names.
    ///
    /// # Errors
    /// As [`Request::check`]; whatever `files` and the parsers refuse.
    pub fn open(&self, files: &dyn Files) -> Result<Opened> {
        self.check()?;
        let files = &Recorded::new(files, self.paths());
        let target = self.target(files)?;
        let rig = self
            .rig
            .as_deref()
            .map(|path| rig(path, files))
            .transpose()?;
        let limits = self.limits(files)?;
        let units = named(&self.curves, &self.left, &self.right, files)?;
        let unit = the_one(units, self.variant.as_deref())?;
        let unit = unit.open(files)?.unit;
        let cost = self.cost.as_ref().map(|cost| {
            cost.circumstances(unit.entry.as_ref(), files)
        });
        let circumstances = cost.transpose()?;
        let smoothing = self.smooth.as_deref().map(Width::parse).transpose()?;
        let weight = match &self.weight {
            Some(path) => Some(parse_weight(&files.read(path)?, &shown(path))?),
            None => None,
        };
        let resonance_hz = unit.resonance_hz();
        let measured = Measured {
            unit: self.unit.clone().unwrap_or(unit.name),
            smoothing,
            beyond_eq: beyond_eq(&unit.takes),
            takes: unit.takes.into_iter().map(|opened| opened.take).collect(),
            judging: Settings {
                leak_threshold_db: self.leak_threshold_db,
                keep_all: self.all_takes,
                resonance_hz,
                rig: rig.or(unit.rig).unwrap_or_default(),
            },
            weight,
            source_bend: circumstances.as_ref().and_then(|known| {
                SourceBend::of(known.source.as_ref()?, known.impedance.as_ref()?)
            }),
        };
        let as_few_as_needed = self.sections == Sections::Auto;
        let wish = Wish {
            per_side: self.per_side,
            this_ear: self.this_ear,
            ear_peak_hz: self.ear_peak_hz,
            band: self.band,
            as_good_db: self.as_good_db,
            least_gain_db: as_few_as_needed.then_some(self.least_gain_db),
            economy: self.economy,
            protection: self.protection,
            most_loudness_loss_db: self.most_loudness_loss_db,
            ..Wish::toward(target)
        };
        Ok(Opened {
            measured,
            wish,
            limits,
            circumstances,
        })
    }

    /// All that is wanted: a target or what the unit has now, what it is blended with, the taste, and how far to go.
    fn target(&self, files: &dyn Files) -> Result<Target> {
        let named = |path: &Path| library::resolve_reference(&Reference::new(&shown(path)), files);
        let contours = self.taste.contours(files)?;
        let mut target = match &self.target {
            Some(path) => named(path)?,
            None => Target::measured(),
        };
        if let Some(path) = &self.between {
            let blended = target.blended(named(path)?, self.between_share);
            target = blended.map_err(|error| match error.fault() {
                Some(WantedFault::BlendApart(..)) => error.about(Knob::Between),
                _ => error,
            })?;
        }
        target = target.with_contours(contours);
        if self.toward == 1.0 {
            return Ok(target);
        }
        let part = target.toward(self.toward);
        part.map_err(|error| error.about(Knob::Toward))
    }

    fn limits(&self, files: &dyn Files) -> Result<Limits> {
        let limits = match &self.limits {
            None => Limits::standard(),
            Some(path) => limits::library::resolve(path, files)?,
        };
        let Sections::Count(sections) = self.sections else {
            return Ok(limits);
        };
        let limits = match self.limits {
            None if !(1..=limits.sections).contains(&sections) => Limits::standard_with_sections(sections),
            _ => limits.with_sections(sections),
        };
        limits.map_err(|mut error| {
            error.place.key = None;
            error.about(Knob::Sections)
        })
    }
}

impl Taste {
    /// Its contours as written, in the order bass, treble, slope, others.
    ///
    /// # Errors
    /// `Setting`, `Number` or `Name` for what makes no contour.
    pub fn entries(&self) -> Result<Vec<ContourEntry>> {
        let taste = |gain: Option<f64>, make: fn(f64) -> Result<Contour>| {
            gain.map(|gain| make(gain).map(ContourEntry::Contour))
        };
        let named = [
            taste(self.bass_db, Contour::bass),
            taste(self.treble_db, Contour::treble),
            taste(self.slope_db_per_octave, Contour::slope),
        ];
        let written = self.contours.iter().map(|text| ContourEntry::parse(text));
        named.into_iter().flatten().chain(written).collect()
    }

    fn contours(&self, files: &dyn Files) -> Result<Vec<Contour>> {
        let entries = self.entries()?.into_iter();
        entries.map(|entry| entry.open("", files)).collect()
    }
}

impl CostQuestion {
    /// Reads all that is known. `entry` is that of the unit that is fitted, with the unit file it stands in.
    fn circumstances(
        &self,
        entry: Option<&(UnitEntry, PathBuf)>,
        files: &dyn Files,
    ) -> Result<Circumstances> {
        let mut known = Circumstances {
            wished: self.play_at_dba.map(|level_db| WishedLevel {
                level_db,
                a_weighted: true,
            }),
            field: self.field,
            table: self.table,
            ..Circumstances::default()
        };
        if let Some(path) = &self.source {
            known.source = Some(parse_source(&files.read(path)?, &shown(path))?);
        }
        if let Some(path) = &self.programme {
            let bands = parse_curve(&files.read(path)?, &shown(path))?;
            known.programme = Programme::from_bands(&bands)?;
        }
        if let Some((entry, unit_file)) = entry {
            known.sensitivity = entry.sensitivity;
            known.impedance = open::impedance(entry, unit_file, files)?;
            known.distortion = distortion(&entry.distortion, unit_file, files)?;
        }
        Ok(known)
    }
}

/// The measurements of distortion that a unit file names.
fn distortion(
    entries: &[DistortionEntry],
    unit_file: &Path,
    files: &dyn Files,
) -> Result<Vec<DistortionCurve>> {
    let mut curves = Vec::new();
    for (index, entry) in entries.iter().enumerate() {
        let same = |before: &&DistortionEntry| {
            (before.side, before.level_db_spl) == (entry.side, entry.level_db_spl)
        };
        if let Some(before) = entries[..index].iter().find(same) {
            let other = before.file.file.clone();
            let fault = JobFault::DistortionTwice(entry.side, entry.level_db_spl, other);
            let error = Error::of(fault, shown(unit_file));
            return Err(error.at_line(entry.file.line).at_key(&*entry.file.key));
        }
        let read = |bytes: &[u8], name: &str| read_distortion(bytes, name, entry);
        curves.push(read_named(files, unit_file, &entry.file, read)?);
    }
    Ok(curves)
}
