//! What can be at fault with a comparison.

use crate::error::fault::faults;

faults! { ComparisonFault, names;
    /// Fewer units than two.
    TooFew(units: usize) => Setting,
        (format!("{units} unit{}", if *units == 1 { "" } else { "s" })),
        "two or more",
        "name the unit files of two units, or one with several variants";
    /// No target, or one that is what each unit has now.
    NoTarget => Setting,
        "no target that is the same for all units",
        "a target",
        "name one, such as diffuse-field";
    /// A unit was measured with another rig than the first.
    Rigs(rig: &'static str, first_rig: &'static str) => Setting,
        "the rig {rig}",
        "{first_rig}, as of the first unit",
        "compare units that were measured with one rig: what differs between rigs would count as the units'";
    /// Two units of one name.
    SameName(name: String) => Setting,
        "a second unit named `{name}`",
        "units of different names",
        "leave one out, or give it another name in its unit file";
    /// A unit with the same takes as one before.
    SameTakes(name: String) => Setting,
        "the takes of `{name}`",
        "takes of its own",
        "leave one of the two out";
    /// No take of a side is sound.
    NoSoundTake(side: crate::measurement::takes::Side) => Refused,
        "no sound take of the {side}",
        "one at least",
        "inspect the unit, and measure it anew";
    /// None of so many units has figures, the first for this error.
    AllFail(units: usize, first: String) => Coverage,
        "no unit of {units} with figures: {first}",
        "one that can be compared",
        "mend what is said of it, and inspect the others";
    /// A take or a unit that covers nothing of the band that is judged.
    NothingJudged(take: String) => Coverage,
        "no level of `{take}` from 100 Hz to 8 kHz",
        "takes that cover some of it",
        "leave the take out";
}
