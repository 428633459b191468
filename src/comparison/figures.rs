//! The figures of one unit, in the order of their weight.

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::band::{self, Band};
use super::error::ComparisonFault;
use super::interval::{self, Figure};
use super::seatings::{Asked, LeftOut, Luck, OneOut, Others, levels_db, started};
use crate::cost::Cost;
use crate::error::{Error, Result, Source};
use crate::filter::{Section, Shape};
use super::tally::Share;
use crate::fit::{Effort, Freedom, Stop};
use crate::job::cost::cost_of;
use crate::job::{Opened, Outcome, Prepared, Wish};
use crate::limits::Limits;
use crate::measurement::grid::{OnGrid, POINTS_PER_OCTAVE, frequency_hz};
use crate::measurement::judge::Verdict;
use crate::measurement::rig::Rig;
use crate::measurement::spread::SpreadFigures;
use crate::measurement::takes::{self, Side};
use crate::units::amplitude_from_db;
use crate::wanted::Target;

/// Where seals show, hertz.
const SEAL_HZ: (f64, f64) = (20.0, 100.0);
/// A seating that loses more than so many times the threshold of a leak has no seal, and its loss is no spread. Our choice: of
/// seatings that spread by the threshold itself, 5 % lose more.
const NO_SEAL: f64 = 2.0;
/// Places of other ears' resonances beside the coupler's, octaves. Our choice: 1.4 standard deviations of ears and seats
/// (`measurement::expected`).
const EARS_OCTAVES: [f64; 5] = [-0.25, -0.125, 0.0, 0.125, 0.25];
/// Where other ears are judged, hertz, and between which frequencies the move begins and is whole, as
/// `measurement::expected` has it.
const EARS_HZ: (f64, f64) = (5000.0, 16_000.0);
const MOVE_HZ: (f64, f64) = (5000.0, 7000.0);
/// A section whose q is above this is narrow: it follows what few seats and ears share. Common practice, no source.
const NARROW_Q: f64 = 3.0;
/// Takes that spread by more than this disagree, dB: no section mends what moves. Our choice.
const WANDERING_DB: f64 = 2.0;
/// Errors that the fewest sections are told for, dB.
const THRIFT_DB: [f64; 2] = [0.5, 1.0];
/// Most sections of the curve of error against count.
const MOST_COUNTED: usize = 8;

/// All figures of one unit.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct UnitFigures {
    /// Its name.
    pub unit: String,
    /// Lowest and highest frequency of the band that is judged, Hz.
    pub judged_hz: (f64, f64),
    /// Lowest and highest frequency of the band that is judged apart, since the coupler's resonance distorts it, Hz; none
    /// (`null`) where it is not known.
    pub apart_hz: Option<(f64, f64)>,
    /// How well it sealed.
    pub seal: Seal,
    /// What a seating is left with that the fit has not seen; none (`null`) with a single take.
    pub steadiness: Option<Steadiness>,
    /// The worst seating left out; none (`null`) with a single take.
    pub tail: Option<Tail>,
    /// Left and right; none (`null`) without both.
    pub sides: Option<Sides>,
    /// What ears get whose resonance lies elsewhere; none (`null`) where the rig is believed everywhere.
    pub other_ears: Option<OtherEars>,
    /// What the preset costs in loudness.
    pub loudness: Loudness,
    /// How many sections it takes.
    pub thrift: Thrift,
    /// The level that is left with the preset.
    pub level: LevelLeft,
    /// Distortion where the preset boosts.
    pub strain: Strain,
    /// How narrow the correction is.
    pub narrowness: Narrowness,
    /// What no section mends.
    pub beyond_eq: BeyondEq,
    /// The preset.
    pub preset: Preset,
    /// Its curves.
    #[serde(skip)]
    pub curves: Curves,
    /// What leads a comparison, by other tables of the target.
    #[serde(skip)]
    pub tables: Vec<ByTable>,
}

/// The figures that lead a comparison, by another table of the target.
#[derive(Debug, Clone, PartialEq)]
pub struct ByTable {
    /// The typical error of a seating left out; None with a single take.
    pub left_out: Option<Figure>,
    /// How much quieter pink noise is heard.
    pub lost: Figure,
}

impl UnitFigures {
    /// The same unit with what leads a comparison by another table.
    pub(super) fn by_table(&self, table: usize) -> Self {
        let mut unit = self.clone();
        let by_it = &self.tables[table];
        unit.loudness.lost = by_it.lost;
        if let (Some(steadiness), Some(left_out)) = (&mut unit.steadiness, by_it.left_out) {
            steadiness.left_out = left_out;
        }
        unit
    }
}

/// How well a unit sealed.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Seal {
    /// Seatings that count, left, right, and of no known side.
    pub kept: [usize; 3],
    /// Seatings that leaked.
    pub leaking: usize,
    /// All seatings, copies not counted.
    pub of: usize,
    /// Spread of the seatings from 20 to 100 Hz, dB rms, without those that lose more than twice the threshold of a leak or do
    /// not belong: a take that leaks a little is spread too; none (`null`) where no side has two.
    pub spread_db: Option<f64>,
}

/// What a seating is left with that the fit has not seen.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Steadiness {
    /// The typical error of a seating left out: geometric mean, dB rms.
    pub left_out: Figure,
    /// The same at the coupler's resonance, above what is judged; none (`null`) where it is not known.
    pub apart: Option<Figure>,
    /// Each seating left out.
    pub takes: Vec<TakeLeftOut>,
}

/// A seating left out.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TakeLeftOut {
    /// Name of the take.
    pub take: String,
    /// Its side.
    pub side: Side,
    /// Its error with the sections that the others give, dB rms.
    pub error_db: f64,
}

/// The worst seating left out. More seatings have a worse worst one.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Tail {
    /// Name of the take.
    pub take: String,
    /// Its error, dB rms.
    pub error_db: f64,
    /// Share of the band within 1 dB, 0 to 1.
    pub within_1_db_share: f64,
    /// Share of the band within 3 dB, 0 to 1.
    pub within_3_db_share: f64,
    /// Its largest error that is too loud, dB.
    pub loudest_db: f64,
    /// Where that is, Hz.
    pub loudest_hz: f64,
}

/// Left and right.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Sides {
    /// What they differ in, whatever one EQ for both does: 100 Hz to 8 kHz without its level, dB rms.
    pub apart: Figure,
    /// What both are left with after one EQ for both, dB rms.
    pub with_one_db: f64,
    /// What an EQ for each would leave, dB rms; none (`null`) where no such fit could be made.
    pub with_two_db: Option<f64>,
}

/// Ears whose resonance lies up to a quarter of an octave beside the coupler's, 5 to 16 kHz.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct OtherEars {
    /// Their error on average, dB rms.
    pub mean_db: f64,
    /// The largest of theirs, dB rms.
    pub worst_db: f64,
    /// Where the resonance of that ear lies, octaves above the coupler's.
    pub worst_octaves: f64,
}

/// What the preset costs in loudness.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Loudness {
    /// How much quieter pink noise is heard with preamp and sections, dB.
    pub lost: Figure,
    /// That for each dB that the sections take off the residual; none (`null`) where they take nothing off.
    pub per_removed_db: Option<f64>,
}

/// How many sections it takes.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Thrift {
    /// The typical error of a seating left out with so many sections at most; empty with a single take.
    pub by_count: Vec<Counted>,
    /// The fewest sections that leave 0.5 dB or less; none (`null`) where none do.
    pub for_half_db: Option<usize>,
    /// The fewest that leave 1 dB or less; none (`null`) where none do.
    pub for_one_db: Option<usize>,
}

/// An error for a count of sections.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Counted {
    /// Most sections.
    pub sections: usize,
    /// The typical error of a seating left out, dB rms.
    pub left_out_db: f64,
}

/// The level that is left with the preset.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LevelLeft {
    /// Pink noise with peaks at full scale through preamp and sections, at the volume of the source, or with 1 V at full scale
    /// where no source is known, dBA at the eardrum; none (`null`) where something is missing. Not a level to listen at.
    pub most_dba: Option<f64>,
    /// Name of the source; none (`null`) where none is known.
    pub source: Option<String>,
    /// Room of the source then, dB; none (`null`) where no source is known.
    pub source_margin_db: Option<f64>,
    /// What is missing, in words; none (`null`) where nothing is.
    pub missing: Option<String>,
}

/// Distortion where the preset boosts, turned up to the loudness without EQ.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Strain {
    /// The most, percent; none (`null`) where nothing was measured.
    pub percent: Option<f64>,
    /// Where that is, Hz; none (`null`) where nothing was measured.
    pub at_hz: Option<f64>,
    /// What is missing, in words; none (`null`) where nothing is.
    pub missing: Option<String>,
}

/// How narrow the correction is.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Narrowness {
    /// Share of the sections' work that peaking sections of q above 3 do, 0 to 1: squared dB over log frequency.
    pub share: f64,
    /// What is left without those, the gains of the others improved, dB rms.
    pub without_db: f64,
    /// What is left with all, dB rms.
    pub with_db: f64,
}

/// What no section mends.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct BeyondEq {
    /// Share of the wanted change that lies there, 0 to 1: squared dB over log frequency.
    pub share: f64,
    /// Where, by frequency.
    pub places: Vec<Place>,
}

/// A band that no section mends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Place {
    /// Lowest frequency, Hz.
    pub from_hz: f64,
    /// Highest frequency, Hz.
    pub to_hz: f64,
    /// The largest change that is wanted there, dB with its sign.
    pub wanted_db: f64,
    /// Why.
    pub why: Why,
}

/// Why no section mends a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// The excess delay is longer than half a period.
    Delay,
    /// The takes disagree: what is there moves with the seat.
    Wanders,
}

/// The preset that all figures are about.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Preset {
    /// Number of sections.
    pub sections: usize,
    /// Gain before them, dB.
    pub preamp_db: f64,
    /// What was left before, judged as all is here, dB rms.
    pub before_db: f64,
    /// What is left on the takes that it was made from, dB rms: it does not tell how good it is.
    pub after_db: f64,
}

/// Curves for a picture, one value a grid point, at the level of the target.
#[derive(Debug, Clone, PartialEq)]
pub struct Curves {
    /// Average less target, smoothed, dB.
    pub before: OnGrid,
    /// The same with the sections, dB.
    pub after: OnGrid,
    /// Every seating that is judged with the sections, dB.
    pub takes: Vec<OnGrid>,
    /// The points of the grid that are judged.
    pub judged: Vec<usize>,
}

/// Parts that the work on a unit is counted in: what leads by each table, and the error with each number of sections.
pub(super) fn parts(limits: &Limits, other_tables: &[Target]) -> usize {
    1 + other_tables.len() + most_counted(limits)
}

/// Most sections that the error is told for.
fn most_counted(limits: &Limits) -> usize {
    limits.available().min(MOST_COUNTED)
}

/// The figures of a unit that was opened for a wish, and those that lead by other `tables` of the target. What lies in
/// `distorted_hz` is not judged. Every one of its [`parts`] is counted in `share`.
///
/// # Errors
/// `Refused` where a side has no sound take; whatever the fit refuses, but for an answer that no section helps: then the
/// figures are those of no section.
pub(super) fn of_unit(
    opened: &Opened,
    prepared: &Prepared,
    tables: &[Target],
    distorted_hz: &[(f64, f64)],
    stop: &Stop,
    share: &Share<'_>,
) -> Result<UnitFigures> {
    let Opened {
        measured, limits, ..
    } = opened;
    let judged = prepared.judged();
    if let Some(side) = judged.sides.iter().find(|side| side.kept_for_want_of_better) {
        let fault = ComparisonFault::NoSoundTake(side.side);
        return Err(Error::of(fault, Source::name(&*measured.unit)));
    }
    let wish = &Wish {
        per_side: false,
        ..opened.wish.clone()
    };
    let asked = Asked {
        measured,
        prepared,
        wish,
        limits,
        stop,
    };
    let own_hz = judged.coupler_hz(&measured.judging.rig);
    let one_out = asked.one_out()?;
    let led = Led::of(&asked, &one_out, distorted_hz, own_hz, None)?;
    share.done();
    let Led { full, band, left_out, lost, luck } = &led;
    let sections = &full.channels[0].sections;
    let target_db = &full.channels[0].curves.target_db;
    let average = asked.driven(&judged.average.on_grid);
    let rate_hz = limits.rates_hz[0];
    let with = |sections: &[Section]| band::error_db(&average, &levels_db(sections, rate_hz), target_db);
    let rms_db = |sections: &[Section]| band::rms_db(&with(sections), &band.points).unwrap_or(0.0);

    let (before_db, after_db) = (rms_db(&[]), rms_db(sections));
    let removed_db = before_db - after_db;
    let known = opened.circumstances.as_ref();
    let costs = known.map(|known| cost_of(full, known)).transpose()?;
    let by_table = |table: &Target| {
        let wish = &Wish {
            target: Some(table.clone()),
            ..wish.clone()
        };
        let led = Led::of(&Asked { wish, ..asked }, &one_out, distorted_hz, own_hz, Some(*luck))?;
        share.done();
        Ok(ByTable {
            left_out: led.left_out_figure(),
            lost: led.lost,
        })
    };
    let tables: Result<Vec<ByTable>> = tables.par_iter().map(by_table).collect();
    Ok(UnitFigures {
        unit: measured.unit.clone(),
        judged_hz: band::JUDGED_HZ,
        apart_hz: own_hz,
        seal: seal(&asked),
        steadiness: steadiness(&led),
        tail: tail(left_out),
        sides: sides(&asked, full, left_out, band)?,
        other_ears: (measured.judging.rig != Rig::Flat)
            .then(|| other_ears(&average, &levels_db(sections, rate_hz), target_db))
            .flatten(),
        loudness: Loudness {
            per_removed_db: (removed_db > 0.05).then(|| lost.value_db / removed_db),
            lost: *lost,
        },
        thrift: thrift(&asked, &one_out, band, share)?,
        level: level(costs.as_deref()),
        strain: strain(costs.as_deref()),
        narrowness: narrowness(&asked, sections, &rms_db)?,
        beyond_eq: beyond_eq(&asked, &with(&[]), band),
        preset: Preset {
            sections: sections.len(),
            preamp_db: full.shared.headroom.preamp_db,
            before_db,
            after_db,
        },
        curves: curves(&asked, &with, sections, target_db, band, rate_hz),
        tables: tables?,
    })
}

/// A figure of the whole by its values with each seating left out ([`interval`]).
fn of_whole(
    value_db: f64,
    left_out: &[LeftOut],
    luck_db: f64,
    of: impl Fn(&Others) -> f64,
) -> Figure {
    let values_db = by_side(left_out, |take| take.others.as_ref().map(&of));
    let figure = interval::jackknifed(value_db, &values_db, luck_db);
    match left_out.iter().all(|take| take.others.is_some()) {
        true => figure,
        false => figure.of_unknown_error(),
    }
}

/// What leads a comparison: the fit, and what becomes of it with each seating left out.
struct Led {
    full: Outcome,
    band: Band,
    left_out: Vec<LeftOut>,
    lost: Figure,
    luck: Luck,
}

impl Led {
    /// Fits, and leaves each seating out. The luck of searches is measured where none is `known`: by another table of a
    /// target it is much the same.
    fn of(
        asked: &Asked<'_>,
        one_out: &[OneOut],
        distorted_hz: &[(f64, f64)],
        own_hz: Option<(f64, f64)>,
        known: Option<Luck>,
    ) -> Result<Self> {
        let full = asked.fitted(asked.wish, asked.limits, Effort::Normal)?;
        let band = Band::new(&full.shared.curves.support, distorted_hz, own_hz);
        if band.points.is_empty() {
            let fault = ComparisonFault::NothingJudged(asked.measured.unit.clone());
            return Err(Error::of(fault, Source::name(&*asked.measured.unit)));
        }
        let sections = &full.channels[0].sections;
        let target_db = &full.channels[0].curves.target_db;
        let left_out = asked.left_out(one_out, sections, target_db, &band)?;
        let lost_db = -full.shared.heard.total_db;
        if left_out.is_empty() {
            return Ok(Self {
                full,
                band,
                left_out,
                lost: Figure::alone(lost_db),
                luck: Luck::default(),
            });
        }
        // The full answer is the loudest of equals, the others are not: they count by what they differ from the full one
        // improved likewise.
        let moved_db = lost_db - asked.lost_by_all_db(sections)?;
        let luck = match known {
            Some(luck) => luck,
            None if sections.is_empty() => Luck::default(),
            None => asked.luck(one_out, &left_out, target_db, &band, moved_db)?,
        };
        Ok(Self {
            lost: of_whole(lost_db, &left_out, luck.lost_db, |others| others.lost_db + moved_db),
            full,
            band,
            left_out,
            luck,
        })
    }

    /// The typical error of a seating left out; None with a single take.
    fn left_out_figure(&self) -> Option<Figure> {
        let errors_db = by_side(&self.left_out, |take| Some(take.error.rms_db));
        (!errors_db.is_empty()).then(|| interval::typical(&errors_db, self.luck.log_error))
    }
}

/// A number of each seating left out that has it, by side.
fn by_side<'a>(left_out: &'a [LeftOut], of: impl Fn(&'a LeftOut) -> Option<f64>) -> Vec<Vec<f64>> {
    let of_side = |side: Side| left_out.iter().filter(move |take| take.side == side);
    let sides = Side::ALL.map(|side| of_side(side).filter_map(&of).collect::<Vec<f64>>());
    sides.into_iter().filter(|side| !side.is_empty()).collect()
}

fn seal(asked: &Asked<'_>) -> Seal {
    let judged = asked.prepared.judged();
    let own = || judged.takes.iter().filter(|take| take.verdict != Verdict::Copy);
    let most_db = NO_SEAL * judged.leak_threshold_db;
    let sealed = asked.takes_that(|take| match &take.verdict {
        Verdict::Leaks(loss) => loss.worst_loss_db <= most_db,
        _ => !take.set_aside,
    });
    // Takes that share too little have no spread.
    let average = takes::average(&sealed).ok();
    let spread = average.and_then(|average| {
        let support = average.on_grid.support.clone();
        SpreadFigures::of(&average.spread_db?, &support, Some(SEAL_HZ))
    });
    Seal {
        kept: Side::ALL.map(|side| {
            let kept = judged.takes.iter().filter(|take| !take.set_aside);
            kept.filter(|take| take.side == side).count()
        }),
        leaking: own().filter(|take| matches!(take.verdict, Verdict::Leaks(_))).count(),
        of: own().count(),
        spread_db: spread.map(|spread| spread.rms_db),
    }
}

fn steadiness(led: &Led) -> Option<Steadiness> {
    let left_out = &led.left_out;
    let apart = left_out.iter().all(|take| take.apart_db.is_some());
    Some(Steadiness {
        left_out: led.left_out_figure()?,
        apart: apart.then(|| {
            interval::typical(&by_side(left_out, |take| take.apart_db), led.luck.log_error)
        }),
        takes: left_out
            .iter()
            .map(|take| TakeLeftOut {
                take: take.take.clone(),
                side: take.side,
                error_db: take.error.rms_db,
            })
            .collect(),
    })
}

fn tail(left_out: &[LeftOut]) -> Option<Tail> {
    let worst = left_out
        .iter()
        .max_by(|a, b| a.error.rms_db.total_cmp(&b.error.rms_db))?;
    Some(Tail {
        take: worst.take.clone(),
        error_db: worst.error.rms_db,
        within_1_db_share: worst.error.within.0,
        within_3_db_share: worst.error.within.1,
        loudest_db: worst.error.largest_db,
        loudest_hz: worst.error.largest_hz,
    })
}

fn sides(
    asked: &Asked<'_>,
    full: &Outcome,
    left_out: &[LeftOut],
    band: &Band,
) -> Result<Option<Sides>> {
    let judged = asked.prepared.judged();
    let Some(found) = &judged.matching else {
        return Ok(None);
    };
    let target_db = &full.channels[0].curves.target_db;
    let rate_hz = asked.limits.rates_hz[0];
    let means = Side::BOTH.map(|side| judged.sides.iter().find(|judged| judged.side == side));
    let [Some(left), Some(right)] = means else {
        return Ok(None);
    };
    // Both sides keep their levels beside each other, so they share the one that is removed.
    let left_with_db = |sections: [&[Section]; 2]| {
        let errors = [(left, sections[0]), (right, sections[1])].map(|(side, sections)| {
            let mean = asked.driven(&side.mean);
            band::error_db(&mean, &levels_db(sections, rate_hz), target_db)
        });
        let means_db = errors.each_ref().map(|error| band::mean_db(error, &band.points));
        let level_db = f64::midpoint(means_db[0], means_db[1]);
        let squares = errors.iter().filter_map(|error| {
            let figures = band::figures(error, &band.points, level_db)?;
            Some(figures.rms_db.powi(2))
        });
        (0.5 * squares.sum::<f64>()).sqrt()
    };
    let one = &full.channels[0].sections;
    let two = Wish {
        per_side: true,
        ..asked.wish.clone()
    };
    let two = match asked.prepared.fit(&two, asked.limits, Effort::Quick, asked.stop) {
        Ok(outcome) => Some(outcome),
        Err(error) if asked.stop.is_asked() => return Err(error),
        Err(_) => None,
    };
    // What sides differ in owes nothing to a search.
    let apart = |others: &Others| others.sides_apart_db.unwrap_or(found.rms_db);
    Ok(Some(Sides {
        apart: of_whole(found.rms_db, left_out, 0.0, apart),
        with_one_db: left_with_db([one, one]),
        with_two_db: two.map(|two| {
            left_with_db([&two.channels[0].sections, &two.channels[1].sections])
        }),
    }))
}

/// The curve as an ear gets it whose resonance lies so many octaves higher.
fn in_ear(curve: &OnGrid, octaves: f64) -> OnGrid {
    let f_hz = frequency_hz();
    let last = curve.support.end - 1;
    let level_db = (0..f_hz.len()).map(|i| {
        let whole = (MOVE_HZ.1 / MOVE_HZ.0).log2();
        let share = ((f_hz[i] / MOVE_HZ.0).log2() / whole).clamp(0.0, 1.0);
        let from = i as f64 - share * octaves * POINTS_PER_OCTAVE as f64;
        let from = from.clamp(curve.support.start as f64, last as f64);
        let (below, part) = (from.floor() as usize, from.fract());
        let above = (below + 1).min(last);
        curve.level_db[below] * (1.0 - part) + curve.level_db[above] * part
    });
    OnGrid {
        level_db: level_db.collect(),
        support: curve.support.clone(),
    }
}

fn other_ears(average: &OnGrid, sections_db: &[f64], target_db: &[f64]) -> Option<OtherEars> {
    let judged: Vec<usize> = band::points(band::JUDGED_HZ, &average.support).collect();
    let high: Vec<usize> = band::points(EARS_HZ, &average.support).collect();
    let errors = EARS_OCTAVES.map(|octaves| {
        let error = band::error_db(&in_ear(average, octaves), sections_db, target_db);
        let level_db = band::mean_db(&error, &judged);
        Some((octaves, band::figures(&error, &high, level_db)?.rms_db))
    });
    let errors: Vec<(f64, f64)> = errors.into_iter().collect::<Option<_>>()?;
    let worst = errors.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(OtherEars {
        mean_db: errors.iter().map(|(_, db)| db).sum::<f64>() / errors.len() as f64,
        worst_db: worst.1,
        worst_octaves: worst.0,
    })
}

fn thrift(
    asked: &Asked<'_>,
    one_out: &[OneOut],
    band: &Band,
    share: &Share<'_>,
) -> Result<Thrift> {
    let most = most_counted(asked.limits);
    let wish = Wish {
        least_gain_db: None,
        ..asked.wish.clone()
    };
    let of_count = |sections: usize| {
        let limits = asked.limits.with_sections(sections)?;
        let outcome = asked.fitted(&wish, &limits, Effort::Quick)?;
        let fitted = Asked {
            limits: &limits,
            wish: &wish,
            ..*asked
        };
        let channel = &outcome.channels[0];
        let target_db = &channel.curves.target_db;
        let left_out = fitted.left_out(one_out, &channel.sections, target_db, band)?;
        share.done();
        let errors = by_side(&left_out, |take| Some(take.error.rms_db));
        Ok((!errors.is_empty()).then(|| Counted {
            sections,
            left_out_db: interval::typical(&errors, 0.0).value_db,
        }))
    };
    let counted: Result<Vec<Option<Counted>>> = (1..=most).into_par_iter().map(of_count).collect();
    let by_count: Vec<Counted> = counted?.into_iter().flatten().collect();
    let fewest = |most_db: f64| {
        let enough = by_count.iter().find(|counted| counted.left_out_db <= most_db);
        enough.map(|counted| counted.sections)
    };
    Ok(Thrift {
        for_half_db: fewest(THRIFT_DB[0]),
        for_one_db: fewest(THRIFT_DB[1]),
        by_count,
    })
}

fn level(costs: Option<&[Cost]>) -> LevelLeft {
    let missing = |why: &str| LevelLeft {
        most_dba: None,
        source: None,
        source_margin_db: None,
        missing: Some(why.to_owned()),
    };
    let Some(costs) = costs else {
        return missing("nothing is known of the unit");
    };
    let told = &costs[0].drive;
    match told.known() {
        Some(drive) => LevelLeft {
            most_dba: Some(drive.after.level_dba),
            source: drive.source.clone(),
            source_margin_db: drive.source_margin_db,
            missing: None,
        },
        None => missing(told.missing().unwrap_or("nothing is known")),
    }
}

fn strain(costs: Option<&[Cost]>) -> Strain {
    let missing = |why: &str| Strain {
        percent: None,
        at_hz: None,
        missing: Some(why.to_owned()),
    };
    let Some(costs) = costs else {
        return missing("nothing is known of the unit");
    };
    let told = &costs[0].distortion;
    let Some(distortion) = told.known() else {
        return missing(told.missing().unwrap_or("it was not measured"));
    };
    let worst = distortion.sides.iter().filter_map(|side| {
        let worst = side.worst?;
        Some((worst.after.ratio_db?, worst.frequency_hz))
    });
    match worst.max_by(|a, b| a.0.total_cmp(&b.0)) {
        Some((ratio_db, at_hz)) => Strain {
            percent: Some(100.0 * amplitude_from_db(ratio_db)),
            at_hz: Some(at_hz),
            missing: None,
        },
        None => missing("it was not measured where the preset boosts"),
    }
}

fn narrowness(
    asked: &Asked<'_>,
    sections: &[Section],
    rms_db: &dyn Fn(&[Section]) -> f64,
) -> Result<Narrowness> {
    let is_narrow = |section: &Section| section.shape == Shape::Peaking && section.q > NARROW_Q;
    let rate_hz = asked.limits.rates_hz[0];
    let work = |section: &Section| {
        let levels_db = levels_db(std::slice::from_ref(section), rate_hz);
        levels_db.iter().map(|db| db * db).sum::<f64>()
    };
    let (narrow, broad): (Vec<Section>, Vec<Section>) = sections.iter().copied().partition(is_narrow);
    let with_db = rms_db(sections);
    if narrow.is_empty() {
        return Ok(Narrowness {
            share: 0.0,
            without_db: with_db,
            with_db,
        });
    }
    let without = match broad.is_empty() {
        true => Vec::new(),
        false => {
            let wish = started(asked.wish, &broad, Freedom::Gains);
            let outcome = asked.prepared.fit(&wish, asked.limits, Effort::Quick, asked.stop)?;
            outcome.channels[0].sections.clone()
        }
    };
    let all: f64 = sections.iter().map(work).sum();
    Ok(Narrowness {
        share: narrow.iter().map(work).sum::<f64>() / all,
        without_db: rms_db(&without),
        with_db,
    })
}

/// Bands without a section's help, with their share of `error`, the average less the target.
fn beyond_eq(asked: &Asked<'_>, error: &OnGrid, band: &Band) -> BeyondEq {
    let f_hz = frequency_hz();
    let wanted_db = |i: usize| band::mean_db(error, &band.points) - error.level_db[i];
    let judged: Vec<usize> = band::points(band::JUDGED_HZ, &error.support).collect();
    let delayed = |i: usize| {
        let bands = asked.measured.beyond_eq.iter();
        bands.clone().any(|band| (band.from_hz..=band.to_hz).contains(&f_hz[i]))
    };
    let spread_db = asked.prepared.judged().average.spread_db.as_deref();
    let wanders = |i: usize| {
        let in_band = band.points.binary_search(&i).is_ok();
        in_band && spread_db.is_some_and(|spread_db| spread_db[i] > WANDERING_DB)
    };
    let why = |i: usize| match () {
        () if delayed(i) => Some(Why::Delay),
        () if wanders(i) => Some(Why::Wanders),
        () => None,
    };
    let mut places: Vec<Place> = Vec::new();
    let mut before = None;
    let (mut there, mut all) = (0.0, 0.0);
    for &i in &judged {
        let (why, wanted_db) = (why(i), wanted_db(i));
        all += wanted_db.powi(2);
        if let Some(why) = why {
            there += wanted_db.powi(2);
            match places.last_mut().filter(|_| before == Some(why)) {
                Some(place) => {
                    place.to_hz = f_hz[i];
                    if wanted_db.abs() > place.wanted_db.abs() {
                        place.wanted_db = wanted_db;
                    }
                }
                None => places.push(Place {
                    from_hz: f_hz[i],
                    to_hz: f_hz[i],
                    wanted_db,
                    why,
                }),
            }
        }
        before = why;
    }
    BeyondEq {
        share: if all > 0.0 { there / all } else { 0.0 },
        places,
    }
}

fn curves(
    asked: &Asked<'_>,
    with: &dyn Fn(&[Section]) -> OnGrid,
    sections: &[Section],
    target_db: &[f64],
    band: &Band,
    rate_hz: f64,
) -> Curves {
    let levelled = |mut error: OnGrid| {
        let mean_db = band::mean_db(&error, &band.points);
        for i in error.support.clone() {
            error.level_db[i] -= mean_db;
        }
        error
    };
    let sections_db = levels_db(sections, rate_hz);
    let takes = asked.seatings().into_iter();
    let takes = takes.map(|take| {
        let driven = asked.driven(&take.on_grid);
        levelled(band::error_db(&driven, &sections_db, target_db))
    });
    Curves {
        before: levelled(with(&[])),
        after: levelled(with(sections)),
        takes: takes.collect(),
        judged: band.points.clone(),
    }
}
