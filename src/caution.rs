//! Findings that are not errors: what the reader should know, and what to try next.

use std::fmt;

use crate::knob::{Knob, Names, plain};

/// A setting of the volume.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Volume {
    /// As the source stands.
    InUse,
    /// Turned so that the programme is as loud as without EQ.
    AsLoud,
    /// What a wished level takes.
    Wished,
}

/// How loud it gets at a setting of the volume.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct LoudLevel {
    /// The setting.
    pub volume: Volume,
    /// A-weighted, in a diffuse field or at the eardrum.
    pub level_dba: f64,
    /// True at the eardrum: what that is in a field is not known.
    pub at_the_eardrum: bool,
}

impl fmt::Display for LoudLevel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{:.1} dBA {} {}",
            self.level_dba,
            if self.at_the_eardrum {
                "at the eardrum"
            } else {
                "in a diffuse field"
            },
            match self.volume {
                Volume::InUse => "at the volume in use",
                Volume::AsLoud => "at the loudness of before",
                Volume::Wished => "as wished",
            }
        )
    }
}

/// One caution. `Display` gives the sentence, and the next step where there is one.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(tag = "caution", rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Caution {
    /// A take was left out of the average.
    TakeSetAside {
        /// Its name.
        take: String,
        /// What is wrong with it, in words, with figures.
        finding: String,
    },
    /// Every take of a side was found wanting, and all were kept.
    NoSoundTake {
        /// Which side, in words.
        side: &'static str,
    },
    /// Takes of a side contradict each other, and nothing tells which is right.
    TakesContradict {
        /// Which side, in words.
        side: &'static str,
    },
    /// A side has less bass than the other.
    SideLosesBass {
        /// Which side, in words.
        side: &'static str,
        /// How much less, where it is most from 20 to 40 Hz.
        loss_db: f64,
        /// That frequency.
        at_hz: f64,
    },
    /// What was fitted is what the one ear gets whose resonance is known.
    OwnEar {
        /// Where its resonance lies.
        peak_hz: f64,
    },
    /// What was fitted is what other ears are expected to get, not what this one got.
    OtherEars {
        /// From here on they differ.
        above_hz: f64,
    },
    /// The response was taken as the source in use bends it.
    SourceBends {
        /// Name of the source.
        source: String,
        /// The largest change of the level, its mean taken out.
        largest_db: f64,
        /// Its frequency.
        at_hz: f64,
    },
    /// The preamp is what a boost needs that lies where the rig knows little of the ear.
    PreampFromUnknown {
        /// The boost.
        gain_db: f64,
        /// Its frequency.
        at_hz: f64,
    },
    /// Sections work against each other.
    SectionsOppose {
        /// One by one they move so many times what they move together.
        economy_ratio: f64,
    },
    /// The phase shows a delay that belongs to no minimum-phase filter, so that an equaliser cannot undo what made it.
    BeyondEq {
        /// Lowest frequency.
        from_hz: f64,
        /// Highest frequency.
        to_hz: f64,
        /// The longest excess delay there.
        excess_ms: f64,
    },
    /// Bass below 100 Hz is trusted only if the seal is.
    Seal,
    /// One take a side: the spread is unknown.
    SpreadUnknown,
    /// The curve or the target ends inside the audible range; nothing was fitted beyond.
    Covers {
        /// Lowest frequency that both curve and target have.
        lowest_hz: f64,
        /// Highest frequency that both have.
        highest_hz: f64,
    },
    /// The target comes from a published table, and such tables differ.
    TargetTable {
        /// The target's own warning.
        text: String,
    },
    /// The target holds at the eardrum, and the rig has no ear.
    EardrumTarget,
    /// A boost asks for care with loudness.
    Boost {
        /// The largest gain of all sections together.
        peak_gain_db: f64,
    },
    /// A level harms hearing.
    HarmfulLevel {
        /// The levels above the limit: in use, loudness kept, wish.
        levels: Vec<LoudLevel>,
        /// The limit, in a diffuse field.
        limit_dba: f64,
    },
    /// It plays so much quieter than no EQ that one is tempted to turn up.
    Quieter {
        /// How much quieter, preamp and all.
        loss_db: f64,
    },
    /// Turned up to be as loud as before, it plays more somewhere than without EQ: where sections boost, or cut less than
    /// elsewhere.
    BoostOnceTurnedUp {
        /// How much more is played there than without EQ, once it is as loud.
        rise_db: f64,
        /// Where that is most.
        at_hz: f64,
    },
    /// Filters were exported without the preamp that they need.
    PreampLeftOut {
        /// The preamp, below 0.
        preamp_db: f64,
    },
    /// Small gains of peaking sections have no width between -3 dB points, by which the equaliser reads q.
    GainsWithoutWidth {
        /// The smallest gain that has one.
        least_gain_db: f64,
    },
    /// Boosts were limited so that the preamp stays within what the equaliser has.
    PreampBound {
        /// The smallest preamp of the equaliser.
        preamp_min_db: f64,
    },
    /// Given sections bring the curve no closer to the target.
    NoImprovement {
        /// Weighted residual without them.
        before_db: f64,
        /// Weighted residual with them.
        after_db: f64,
    },
    /// Given sections lie beyond limits that nobody asked for, and these were widened.
    BeyondLimits {
        /// Where the first number beyond them stands: file, line, key.
        place: String,
        /// What stands there.
        found: String,
        /// What the limits have.
        expected: String,
        /// Name of the limits.
        limits: String,
    },
    /// Boosts were held back, for the wished loudness.
    LoudnessBound {
        /// The most loss that was wished.
        most_loss_db: f64,
        /// The loss of the best fit without the wish.
        free_loss_db: f64,
        /// Its weighted residual.
        free_residual_db: f64,
    },
    /// The residual at another rate is worse than at the rate of the fit.
    RateDiffers {
        /// The other rate.
        rate_hz: f64,
        /// Weighted residual there.
        residual_db: f64,
    },
    /// What remains is larger than what was fitted for.
    LargeResidual {
        /// Frequency of the largest remaining deviation in the trusted band.
        frequency_hz: f64,
        /// The deviation there: positive is too loud.
        residual_db: f64,
    },
    /// The same for one side of two that have an EQ each.
    SideLargeResidual {
        /// Which side, in words.
        side: &'static str,
        /// Frequency of the largest remaining deviation in the trusted band.
        frequency_hz: f64,
        /// The deviation there: positive is too loud.
        residual_db: f64,
    },
}

impl Caution {
    /// The same sentences; `names` says what settings are called.
    #[must_use]
    pub fn worded(&self, names: Names<'_>) -> String {
        match self {
            Self::TakeSetAside { take, finding } => format!(
                "{take} {finding}, so it was set aside. Measure again; `{} all` counts it nevertheless.",
                names(Knob::Takes)
            ),
            _ => self.to_string(),
        }
    }
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TakeSetAside { .. } => f.write_str(&self.worded(&plain)),
            Self::NoSoundTake { side } => write!(
                f,
                "no take of the {} is sound; all were kept for want of a better one. Measure this side again.",
                side
            ),
            Self::TakesContradict { side } => write!(
                f,
                "takes of the {} contradict each other and nothing tells which is right; all were kept. Measure once more: the odd one then stands alone.",
                side
            ),
            Self::SideLosesBass {
                side,
                loss_db,
                at_hz,
            } => write!(
                f,
                "the {} has {loss_db:.1} dB less at {at_hz:.0} Hz than the other: a leak in all its takes, or a vent. Reseat it with another tip before you boost bass.",
                side
            ),
            Self::OwnEar { peak_hz } => write!(
                f,
                "above 5000 Hz this preset is for the one ear whose resonance lies at {peak_hz:.0} Hz: for others it can be worse than without EQ. Judge the treble by ear."
            ),
            Self::OtherEars { above_hz } => write!(
                f,
                "above {above_hz:.0} Hz peaks and dips lie elsewhere in each ear: fitted is what other ears are expected to get on average. Judge the treble by ear."
            ),
            Self::SourceBends {
                source,
                largest_db,
                at_hz,
            } => write!(
                f,
                "the output impedance of {source} changes the response by up to {largest_db:+.1} dB (at {at_hz:.0} Hz): fitted is what comes of it. With another source it is another preset."
            ),
            Self::PreampFromUnknown { gain_db, at_hz } => write!(
                f,
                "the preamp is what a boost of {gain_db:.1} dB at {at_hz:.0} Hz needs, where ears differ and the rig knows little: try it without that section before you give up so much level."
            ),
            Self::SectionsOppose { economy_ratio } => write!(
                f,
                "sections work against each other: one by one they move {economy_ratio:.1} times what they move together. Fewer sections leave little more, and forgive an ear that differs."
            ),
            Self::BeyondEq {
                from_hz,
                to_hz,
                excess_ms,
            } => write!(
                f,
                "from {from_hz:.0} to {to_hz:.0} Hz the phase shows an excess delay of up to {excess_ms:+.2} ms: an equaliser changes the level there, but cannot undo what made it. Judge the result by ear."
            ),
            Self::Seal => write!(
                f,
                "20-100 Hz is the earphone's own only if the seal was good: a leak looks like missing bass. Compare takes before you boost bass."
            ),
            Self::SpreadUnknown => write!(
                f,
                "one take a side, so the spread is unknown and counts as 0. Reseat and measure again to know how far the curve repeats."
            ),
            Self::Covers {
                lowest_hz,
                highest_hz,
            } => write!(
                f,
                "curve and target share only {lowest_hz:.0}-{highest_hz:.0} Hz; nothing was fitted outside. Do not read the equaliser's effect there as a correction."
            ),
            Self::EardrumTarget => write!(
                f,
                "this target is a response at the eardrum, but the rig counts as one without an ear: the ear's own rise near 3 kHz is then boosted a second time. Name the ear simulator as the rig, or take another target."
            ),
            Self::TargetTable { text } => f.write_str(text),
            Self::Boost { peak_gain_db } => write!(
                f,
                "the sections boost by up to {peak_gain_db:.1} dB. Start at a low volume; loud sound harms hearing, and local rules and a hearing professional come before any figure here."
            ),
            Self::HarmfulLevel { levels, limit_dba } => {
                let levels: Vec<String> = levels.iter().map(ToString::to_string).collect();
                write!(
                    f,
                    "this harms hearing: {}. Above {limit_dba} dBA the rules for work allow less than 8 hours a day, half of that for every 3 dB more (NIOSH 1998), and what is lost does not come back. Turn down.",
                    levels.join(", ")
                )
            }
            Self::Quieter { loss_db } => write!(
                f,
                "it plays {loss_db:.1} dB quieter than without EQ. If you turn up to make up for it, removing or bypassing the preset afterwards makes everything {loss_db:.1} dB louder at once: turn down first."
            ),
            Self::BoostOnceTurnedUp { rise_db, at_hz } => write!(
                f,
                "turned up to be as loud as before, it plays {rise_db:.1} dB more than without EQ at {at_hz:.0} Hz, whether sections boost there or only cut less than elsewhere: the earphone is driven that much harder there."
            ),
            Self::PreampLeftOut { preamp_db } => write!(
                f,
                "the preamp of {preamp_db} dB is not included: apply it before the filters, or the result can clip and plays {} dB louder.",
                -preamp_db
            ),
            Self::GainsWithoutWidth { least_gain_db } => write!(
                f,
                "q is read as the width between -3 dB points, which a peaking section of less than {least_gain_db} dB does not have: none boosts or cuts by less. Choose another q_meaning where the equaliser can."
            ),
            Self::PreampBound { preamp_min_db } => write!(
                f,
                "boosts were held back so that the preamp stays at or above {preamp_min_db:.1} dB, the least that these limits allow."
            ),
            Self::NoImprovement {
                before_db,
                after_db,
            } => write!(
                f,
                "these sections bring the curve no closer to the target: {before_db:.2} dB without, {after_db:.2} dB with them. Improve them, fit anew, or leave them out."
            ),
            Self::BeyondLimits {
                place,
                found,
                expected,
                limits,
            } => write!(
                f,
                "{place}: {found}, but \"{limits}\" has {expected}. The sections stand as they are, and the limits were widened to hold them. Name the limits of your equaliser."
            ),
            Self::LoudnessBound {
                most_loss_db,
                free_loss_db,
                free_residual_db,
            } => write!(
                f,
                "the fit gives way so that it plays no more than {most_loss_db:.1} dB quieter than no EQ, as wished. The best fit plays {free_loss_db:.1} dB quieter and leaves {free_residual_db:.2} dB."
            ),
            Self::RateDiffers {
                rate_hz,
                residual_db,
            } => write!(
                f,
                "at {rate_hz:.0} Hz the residual is {residual_db:.2} dB: sections change shape near half the sample rate. Fit for that rate if you use it most."
            ),
            Self::LargeResidual {
                frequency_hz,
                residual_db,
            } => write!(
                f,
                "the largest deviation left in the trusted band is {residual_db:+.1} dB at {frequency_hz:.0} Hz. More sections, a wider q range or another target may help; a deep narrow notch is better left alone."
            ),
            Self::SideLargeResidual {
                side,
                frequency_hz,
                residual_db,
            } => write!(
                f,
                "the largest deviation left on the {side} in the trusted band is {residual_db:+.1} dB at {frequency_hz:.0} Hz. More sections, a wider q range or another target may help; a deep narrow notch is better left alone."
            ),
        }
    }
}
