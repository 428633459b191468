//! The next steps after the takes of a unit were judged: findings as values, each with a step. Their `Display` in
//! [`crate::report::next_steps`] words both. The thresholds from which a finding is worth a step are our choice (common
//! practice, no source).

use std::fmt;

use super::{Inspection, spread_where};
use crate::measurement::judge::{Agreement, JudgedSide, JudgedTake, Seal, Verdict};
use crate::measurement::leak::JUDGED_HZ;
use crate::measurement::outlier::Kind;
use crate::measurement::takes::Side;

/// Least difference of the levels of left and right that is a finding, dB.
pub const LEVEL_DIFFERS_DB: f64 = 1.0;
/// Least difference of the shapes of left and right that is a finding, smoothed by 1/3 octave, dB.
pub const FORM_DIFFERS_DB: f64 = 1.5;
/// Least spread of the takes (one standard deviation) that is a finding, dB.
pub const WANDERS_DB: f64 = 1.2;
/// Least range of the depths of seating that is a finding, millimetres, standard errors taken off: with care it can be
/// kept smaller.
pub const DEPTH_MM: f64 = 1.3;
/// Least distance of the noise below an impulse response, dB. With less, noise changes the level by 0.1 dB or more.
pub const NOISE_DB: f64 = 40.0;

/// A take as people call it, `right take 3`, and its name.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct TakeName {
    /// Its side.
    pub side: Side,
    /// Its number within the side, from 1.
    pub number: usize,
    /// Its name, usually that of the file.
    pub name: String,
}

impl fmt::Display for TakeName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.side {
            Side::Unknown => write!(f, "take {} ({})", self.number, self.name),
            side => write!(
                f,
                "{} take {} ({})",
                side_name(side),
                self.number,
                self.name
            ),
        }
    }
}

/// `left`, `right`, `no side`.
#[must_use]
pub fn side_name(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
        Side::Unknown => "no side",
    }
}

/// The reason why it is unknown whether a side leaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyUnknown {
    /// The data do not reach down to 40 Hz, below which leaks are judged.
    NoBass,
    /// Its takes are alike, and there is no other side.
    NoOtherSide,
    /// Its takes are alike, and the other side differs otherwise than by a leak.
    AnotherDifference,
}

/// One finding and its step.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum NextStep {
    /// There is only one take, so nothing to compare.
    OnlyTake,
    /// A take leaks.
    Leaks {
        /// The take.
        take: TakeName,
        /// Its worst loss from 20 to 40 Hz, dB.
        loss_db: f64,
        /// Frequency of that loss, hertz.
        at_hz: f64,
    },
    /// A take has the same data as another.
    Copy {
        /// The take.
        take: TakeName,
        /// The other.
        original: TakeName,
        /// True where it counts all the same, because its side has nothing else.
        counts: bool,
    },
    /// A take of which nothing tells whether it belongs resembles the other side.
    ResemblesOtherSide {
        /// The take.
        take: TakeName,
    },
    /// A take does not belong.
    DoesNotBelong {
        /// The take.
        take: TakeName,
        /// What is probably wrong.
        kind: Kind,
        /// Distance from its side's reference, dB rms.
        distance_db: Option<f64>,
        /// Largest deviation, dB.
        largest_db: Option<f64>,
        /// Frequency of that deviation, hertz.
        largest_hz: Option<f64>,
    },
    /// A take shares too little with the others of its side.
    SharesTooLittle {
        /// The take.
        take: TakeName,
    },
    /// Two takes of a side differ in level, and it is unknown which is right.
    TwoLevels {
        /// The side.
        side: Side,
    },
    /// The takes of a side contradict each other, and it is unknown which are right.
    Contradict {
        /// The side.
        side: Side,
        /// Number of its takes.
        takes: usize,
    },
    /// Two takes of a side lose the same bass against the third: leaks that are alike, or a vent blocked in the third.
    LeakOrVent {
        /// The side.
        side: Side,
    },
    /// The takes of a side contradict each other, and comparison with the other side decided which are right.
    OtherSideDecided {
        /// The side.
        side: Side,
    },
    /// No take of a side is sound, so all were kept.
    NoneSound {
        /// The side.
        side: Side,
    },
    /// All (sound) takes of a side have less bass than the other side's: a leak in all of them, or a vent.
    LessBass {
        /// The side.
        side: Side,
        /// Their worst loss from 20 to 40 Hz, dB.
        loss_db: f64,
        /// Frequency of that loss, hertz.
        at_hz: f64,
        /// Corner frequency of the high-pass, hertz.
        corner_hz: f64,
        /// True where other takes of the side leak even more.
        sound_ones: bool,
        /// Number of takes of the side.
        takes: usize,
    },
    /// It is unknown whether a side leaks.
    SealUnknown {
        /// The side.
        side: Side,
        /// The reason.
        why: WhyUnknown,
    },
    /// A side has one take.
    OneTake {
        /// The side.
        side: Side,
    },
    /// Takes without a stated side.
    NoSide {
        /// Number of such takes.
        takes: usize,
    },
    /// Only one side was measured.
    OneSide {
        /// The measured side.
        side: Side,
    },
    /// Left and right differ in level.
    SidesDifferInLevel {
        /// Left minus right, dB.
        level_db: f64,
    },
    /// Left and right differ in shape.
    SidesDifferInForm {
        /// The largest difference, left minus right, dB.
        worst_db: f64,
        /// Frequency of that difference, hertz.
        worst_hz: f64,
    },
    /// The spread of the takes is large at a frequency outside the guarded band of the coupler's resonance.
    Wanders {
        /// One standard deviation, dB.
        spread_db: f64,
        /// Frequency of the largest spread, hertz.
        at_hz: f64,
    },
    /// The depth of the seating varies.
    DepthVaries {
        /// Range, millimetres.
        range_mm: f64,
    },
    /// The excess delay of a band is longer than an equaliser can undo.
    BeyondEq {
        /// Lowest frequency, hertz.
        from_hz: f64,
        /// Highest frequency, hertz.
        to_hz: f64,
    },
    /// An impulse response is noisy, or ends before it has decayed.
    NoisyTail {
        /// The take.
        take: TakeName,
        /// Approximate distance of the noise below the response, dB.
        noise_below_db: f64,
    },
    /// The rig is trusted at no frequency of the data.
    NothingTrusted,
}

impl NextStep {
    /// The name of its kind in documents.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Self::OnlyTake => "only-take",
            Self::Leaks { .. } => "leaks",
            Self::Copy { .. } => "copy",
            Self::ResemblesOtherSide { .. } => "resembles-other-side",
            Self::LeakOrVent { .. } => "leak-or-vent",
            Self::DoesNotBelong { .. } => "does-not-belong",
            Self::SharesTooLittle { .. } => "shares-too-little",
            Self::TwoLevels { .. } => "two-levels",
            Self::Contradict { .. } => "contradict",
            Self::OtherSideDecided { .. } => "other-side-decided",
            Self::NoneSound { .. } => "none-sound",
            Self::LessBass { .. } => "less-bass",
            Self::SealUnknown { .. } => "seal-unknown",
            Self::OneTake { .. } => "one-take",
            Self::NoSide { .. } => "no-side",
            Self::OneSide { .. } => "one-side",
            Self::SidesDifferInLevel { .. } => "sides-differ-in-level",
            Self::SidesDifferInForm { .. } => "sides-differ-in-form",
            Self::Wanders { .. } => "wanders",
            Self::DepthVaries { .. } => "depth-varies",
            Self::BeyondEq { .. } => "beyond-eq",
            Self::NoisyTail { .. } => "noisy-tail",
            Self::NothingTrusted => "nothing-trusted",
        }
    }

    /// The take that it concerns, if it concerns one.
    #[must_use]
    pub fn take(&self) -> Option<&TakeName> {
        match self {
            Self::Leaks { take, .. }
            | Self::Copy { take, .. }
            | Self::ResemblesOtherSide { take }
            | Self::DoesNotBelong { take, .. }
            | Self::SharesTooLittle { take }
            | Self::NoisyTail { take, .. } => Some(take),
            _ => None,
        }
    }

    /// The side that it concerns, if it concerns one.
    #[must_use]
    pub fn side(&self) -> Option<Side> {
        match self {
            Self::TwoLevels { side }
            | Self::Contradict { side, .. }
            | Self::LeakOrVent { side }
            | Self::OtherSideDecided { side }
            | Self::NoneSound { side }
            | Self::LessBass { side, .. }
            | Self::SealUnknown { side, .. }
            | Self::OneTake { side }
            | Self::OneSide { side } => Some(*side),
            step => step.take().map(|take| take.side),
        }
    }
}

/// All next steps: about takes, then sides, then the unit.
pub(super) fn next_steps(inspection: &Inspection) -> Vec<NextStep> {
    let judged = &inspection.judged;
    let mut steps = Vec::new();
    for (i, take) in judged.takes.iter().enumerate() {
        steps.extend(of_take(take, take_name(inspection, i), inspection));
    }
    if judged.takes.len() == 1 {
        steps.push(NextStep::OnlyTake);
    } else {
        for side in &judged.sides {
            of_side(side, inspection, &mut steps);
        }
        of_sides(inspection, &mut steps);
    }
    of_unit(inspection, &mut steps);
    steps
}

fn take_name(inspection: &Inspection, i: usize) -> TakeName {
    let take = &inspection.judged.takes[i];
    TakeName {
        side: take.side,
        number: inspection.numbers[i],
        name: take.name.clone(),
    }
}

fn of_take(take: &JudgedTake, name: TakeName, inspection: &Inspection) -> Option<NextStep> {
    let side = inspection.side(take.side)?;
    match take.verdict {
        Verdict::Leaks(loss) => Some(NextStep::Leaks {
            take: name,
            loss_db: loss.worst_loss_db,
            at_hz: loss.worst_loss_hz,
        }),
        Verdict::Copy => {
            let takes = &inspection.judged.takes;
            let original = take.copy_of.as_ref()?;
            // Of takes with one name, that which is no copy.
            let is_original =
                |of: &&JudgedTake| of.name == *original && of.verdict != Verdict::Copy;
            let same_name = || takes.iter().position(|of| of.name == *original);
            let at = takes.iter().position(|of| is_original(&of)).or_else(same_name)?;
            Some(NextStep::Copy {
                take: name,
                original: take_name(inspection, at),
                counts: !take.set_aside,
            })
        }
        Verdict::Outlier(outlier) => Some(NextStep::DoesNotBelong {
            take: name,
            kind: outlier.kind,
            distance_db: outlier.distance_db,
            largest_db: outlier.largest_db,
            largest_hz: outlier.largest_hz,
        }),
        // If the whole side cannot be judged, there is one step for the side.
        Verdict::Undecided {
            other_side: true, ..
        } => Some(NextStep::ResemblesOtherSide { take: name }),
        Verdict::Undecided {
            distance_db: None, ..
        } if side.agreement != Agreement::CannotBeTold => {
            Some(NextStep::SharesTooLittle { take: name })
        }
        Verdict::Undecided { .. } | Verdict::Sound => None,
    }
}

fn of_side(judged: &JudgedSide, inspection: &Inspection, steps: &mut Vec<NextStep>) {
    let side = judged.side;
    let takes = || {
        inspection
            .judged
            .takes
            .iter()
            .filter(|take| take.side == side)
    };
    if judged.kept_for_want_of_better {
        steps.push(NextStep::NoneSound { side });
    }
    let less = match judged.seal {
        Seal::LessThanTheOtherSide(loss) => Some((loss, false)),
        _ => judged.sound_takes_lose.map(|loss| (loss, true)),
    };
    if let Some((loss, sound_ones)) = less {
        steps.push(NextStep::LessBass {
            side,
            loss_db: loss.worst_loss_db,
            at_hz: loss.worst_loss_hz,
            corner_hz: loss.leak.corner_hz,
            sound_ones,
            takes: judged.takes,
        });
    }
    match judged.agreement {
        Agreement::CannotBeTold => steps.push(NextStep::Contradict {
            side,
            takes: judged.takes,
        }),
        Agreement::LeakOrVent => steps.push(NextStep::LeakOrVent { side }),
        Agreement::ByTheOtherSide => steps.push(NextStep::OtherSideDecided { side }),
        Agreement::OneTake if judged.takes == 1 => steps.push(NextStep::OneTake { side }),
        Agreement::OneTake | Agreement::Agree => {
            let two_levels = |take: &JudgedTake| {
                matches!(
                    take.verdict,
                    Verdict::Undecided {
                        distance_db: Some(_),
                        other_side: false,
                    }
                )
            };
            if takes().any(two_levels) {
                steps.push(NextStep::TwoLevels { side });
            }
        }
    }
    if judged.seal == Seal::CannotBeTold {
        let why = why_unknown(side, inspection);
        steps.push(NextStep::SealUnknown { side, why });
    }
}

/// The reason why it is unknown whether a side leaks.
fn why_unknown(side: Side, inspection: &Inspection) -> WhyUnknown {
    let (lowest_hz, _) = inspection.judged.average.on_grid.band_hz();
    let other = match side {
        Side::Left => inspection.side(Side::Right),
        Side::Right => inspection.side(Side::Left),
        Side::Unknown => None,
    };
    if lowest_hz > JUDGED_HZ.1 {
        WhyUnknown::NoBass
    } else if other.is_none() {
        WhyUnknown::NoOtherSide
    } else {
        WhyUnknown::AnotherDifference
    }
}

fn of_sides(inspection: &Inspection, steps: &mut Vec<NextStep>) {
    match (
        inspection.side(Side::Left),
        inspection.side(Side::Right),
        inspection.side(Side::Unknown),
    ) {
        (.., Some(unknown)) => steps.push(NextStep::NoSide {
            takes: unknown.takes,
        }),
        (Some(_), None, None) => steps.push(NextStep::OneSide { side: Side::Left }),
        (None, Some(_), None) => steps.push(NextStep::OneSide { side: Side::Right }),
        _ => {}
    }
    let Some(matching) = &inspection.judged.matching else {
        return;
    };
    if matching.level_db.abs() >= LEVEL_DIFFERS_DB {
        steps.push(NextStep::SidesDifferInLevel {
            level_db: matching.level_db,
        });
    }
    if matching.worst_db.abs() >= FORM_DIFFERS_DB {
        steps.push(NextStep::SidesDifferInForm {
            worst_db: matching.worst_db,
            worst_hz: matching.worst_hz,
        });
    }
}

fn of_unit(inspection: &Inspection, steps: &mut Vec<NextStep>) {
    let resonance = inspection.judged.resonance.as_ref();
    if let Some((lowest_hz, highest_hz)) = inspection.trusted_band_hz {
        let guarded = |f_hz: f64| {
            let within = |(low_hz, high_hz): (f64, f64)| (low_hz..=high_hz).contains(&f_hz);
            inspection.guard_hz.is_some_and(within)
        };
        let beside = |f_hz: f64| (lowest_hz..=highest_hz).contains(&f_hz) && !guarded(f_hz);
        let wanders = spread_where(&inspection.judged, beside)
            .filter(|spread| spread.largest_db >= WANDERS_DB);
        steps.extend(wanders.map(|spread| NextStep::Wanders {
            spread_db: spread.largest_db,
            at_hz: spread.largest_hz,
        }));
    } else {
        steps.push(NextStep::NothingTrusted);
    }
    let varies = resonance.filter(|r| r.moves && r.depth_range_mm >= DEPTH_MM);
    steps.extend(varies.map(|r| NextStep::DepthVaries {
        range_mm: r.depth_range_mm,
    }));
    steps.extend(
        inspection
            .beyond_eq
            .iter()
            .map(|shared| NextStep::BeyondEq {
                from_hz: shared.band.from_hz,
                to_hz: shared.band.to_hz,
            }),
    );
    for (i, impulse) in inspection.impulses.iter().enumerate() {
        let noise_below_db = impulse.and_then(|impulse| impulse.noise_below_db());
        steps.extend(
            noise_below_db
                .filter(|db| *db < NOISE_DB)
                .map(|db| NextStep::NoisyTail {
                    take: take_name(inspection, i),
                    noise_below_db: db,
                }),
        );
    }
}
