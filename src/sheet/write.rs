//! Writes a sheet as text that explains itself. The text is ASCII; every number is the shortest decimal that reads back
//! as the same number, so that the typed numbers are those that were computed.

use std::fmt::Write as _;

use super::{Channel, Guard, Knowledge, Sheet};
use crate::digest::with_digest;
use crate::error::Result;
use crate::filter::biquad::Biquad;
use crate::keys::text::{array, float, number, numbers, string};
use crate::limits::Limits;
use crate::measurement::takes::Side;

/// The value of `formulas`: the definition of the sections' numbers.
pub(super) const FORMULAS: &str = "Audio EQ Cookbook (W3C Group Note)";

/// First words of a sheet that was written by this program.
pub const BEGINNING: &str = "# Equaliser sheet";

const HEAD: &str = "\
# Equaliser sheet, format 1: parametric-EQ sections for one earphone. Plain TOML; lines that start with # explain.
#
# CARE  Start at a low volume, above all where a section boosts. Loud sound harms hearing: local rules and a
#       hearing professional come before any figure here.
#
# TO TYPE IT IN  Set the preamp (a plain gain) to preamp_db, then enter every [[section]]: its shape, frequency
#       f0_hz, gain gain_db and q. A shelf has half of its gain (in dB) at f0_hz. q is the Q of the formulas below;
#       an equaliser that asks for a bandwidth or a slope means something else and must be converted first.
#
# TO BUILD IT  Multiply every sample by 10^(preamp_db/20), then run it through all sections one after another, the
#       same for left and right. Each section is one second-order filter:
#         y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2]
#       Ready coefficients for each sample rate stand under [[coefficients]]. They come from the Audio EQ Cookbook
#       (R. Bristow-Johnson; W3C Group Note, 2021); at a rate f_s:
#         A = 10^(gain_db/40)   w0 = 2 pi f0_hz / f_s   c = cos(w0)   alpha = sin(w0) / (2 q)   r = 2 sqrt(A) alpha
#         peaking     b0 = 1 + alpha A                   a0 = 1 + alpha / A
#                     b1 = -2 c                          a1 = -2 c
#                     b2 = 1 - alpha A                   a2 = 1 - alpha / A
#         low-shelf   b0 =   A ((A+1) - (A-1) c + r)     a0 =      (A+1) + (A-1) c + r
#                     b1 = 2 A ((A-1) - (A+1) c)         a1 = -2 ((A-1) + (A+1) c)
#                     b2 =   A ((A+1) - (A-1) c - r)     a2 =      (A+1) + (A-1) c - r
#         high-shelf  b0 =    A ((A+1) + (A-1) c + r)    a0 =     (A+1) - (A-1) c + r
#                     b1 = -2 A ((A-1) + (A+1) c)        a1 = 2 ((A-1) - (A+1) c)
#                     b2 =    A ((A+1) + (A-1) c - r)    a2 =     (A+1) - (A-1) c - r
#       then all six are divided by a0.
#
# TO TEST IT  Without the preamp, the gain from input to output at every frequency of a [[checkpoint]] must be the
#       gain given there, within 0.001 dB for a computation.
#
# UNITS  _hz hertz, _db decibels (20 log10 of an amplitude ratio); q and coefficients have none.

format = 1
";

/// Passages of the head, and their replacement if each side has an EQ of its own.
const PER_SIDE_PASSAGES: [(&str, &str); 3] = [
    (
        "\
# TO TYPE IT IN  Set the preamp (a plain gain) to preamp_db, then enter every [[section]]: its shape, frequency
#       f0_hz, gain gain_db and q. A shelf",
        "\
# LEFT AND RIGHT  Each side has an EQ of its own: the sections with side = \"left\" are for the left side only, those
#       with side = \"right\" for the right side only. The preamp is one for both sides: set it the same on both, or
#       the sound image moves to one side. If the equaliser cannot treat the sides apart, this sheet is not for it.
#
# TO TYPE IT IN  Set the preamp (a plain gain) to preamp_db, then enter every [[section]] on its side: its shape, frequency
#       f0_hz, gain gain_db and q. A shelf",
    ),
    (
        "\
# TO BUILD IT  Multiply every sample by 10^(preamp_db/20), then run it through all sections one after another, the
#       same for left and right. Each section",
        "\
# TO BUILD IT  Multiply every sample of both sides by 10^(preamp_db/20), then run each side through all sections that
#       name it, one after another. Each section",
    ),
    (
        "\
# TO TEST IT  Without the preamp, the gain from input to output at every frequency of a [[checkpoint]] must be the
#       gain given there,",
        "\
# TO TEST IT  Without the preamp, the gain from input to output of a side at every frequency of a [[checkpoint]] that
#       names it must be the gain given there,",
    ),
];

/// The line with a channel's side; empty if it is for both.
fn side_line(channel: &Channel) -> String {
    channel.side.map_or_else(String::new, |side| {
        format!("side = {}\n", string(side.name()))
    })
}

/// The text of the sheet, a TOML file.
///
/// # Errors
/// If the sheet is not complete, see [`Sheet::check`].
pub fn write(sheet: &Sheet) -> Result<String> {
    sheet.check()?;
    let mut out = String::from(HEAD);
    if sheet.is_per_side() {
        for (usual, per_side) in PER_SIDE_PASSAGES {
            out = out.replace(usual, per_side);
        }
    }
    for part in [
        front(sheet),
        sections(sheet),
        checkpoints(sheet),
        coefficients(sheet),
    ] {
        out.push_str(&part);
    }
    let per_side = sheet.is_per_side();
    if let Some(known) = &sheet.knowledge {
        out.push_str(&knowledge(known, per_side));
    }
    if let Some(held) = &sheet.limits {
        out.push_str(&limits(held, per_side));
    }
    Ok(with_digest(out))
}

fn front(sheet: &Sheet) -> String {
    let level = &sheet.level;
    let guard = match level.guard {
        Guard::Sine => {
            "no steady tone at 0 dBFS can exceed 0 dBFS after the sections; one that is switched on abruptly can, slightly"
        }
        Guard::AnySignal => {
            "no signal of any kind that stays within 0 dBFS can exceed 0 dBFS after the sections"
        }
    };
    let margin = match level.true_peak_margin_db {
        0.0 => String::new(),
        margin_db => format!(
            "true_peak_margin_db = {}  # the preamp leaves so much more room, for the curve between the samples\n",
            float(margin_db)
        ),
    };
    let loudness = match level.loudness_change_lu {
        None => String::new(),
        Some(change_lu) => format!(
            "loudness_change_lu = {}  # pink noise with preamp and sections against without (ITU-R BS.1770); negative plays quieter\n",
            float(change_lu)
        ),
    };
    let [first, worst] = if sheet.is_per_side() {
        [
            "apply this gain first, the same to both sides, then each side's sections in order",
            "worst of both sides and of the rates below",
        ]
    } else {
        [
            "apply this gain first, then the sections in order",
            "worst of the rates below",
        ]
    };
    format!(
        "unit = {}
target = {}

[level]  # {first}
preamp_db = {}
guard = {}  # {guard}
{margin}peak_gain_db = {}  # the largest gain of all sections together for a steady tone, {worst}
any_signal_gain_db = {}  # no signal of any kind can rise by more than this through the sections
{loudness}
[equaliser]
formulas = {}
rates_hz = {}  # the sections were fitted at the first of these
",
        string(&sheet.unit),
        string(&sheet.target),
        float(level.preamp_db),
        string(level.guard.name()),
        float(level.peak_gain_db),
        float(level.any_signal_gain_db),
        string(FORMULAS),
        numbers(&sheet.rates_hz),
    )
}

fn sections(sheet: &Sheet) -> String {
    let mut out = String::new();
    for channel in &sheet.channels {
        let _ = match (channel.side.map(Side::name), channel.sections.len()) {
            (None, 0) => write!(
                out,
                "\n# No section: nothing needs to be changed but the preamp.\n"
            ),
            (Some(side), 0) => write!(
                out,
                "\n# No section for the {side} side: only the preamp.\n"
            ),
            (Some(side), _) => write!(out, "\n# The {side} side.\n"),
            (None, _) => Ok(()),
        };
        for section in &channel.sections {
            let _ = write!(
                out,
                "\n[[section]]\n{}shape = {}\nf0_hz = {}\ngain_db = {}\nq = {}\n",
                side_line(channel),
                string(section.shape.name()),
                float(section.f0_hz),
                float(section.gain_db),
                float(section.q),
            );
            if let Some(limits) = &sheet.limits
                && let Some(device_q) = limits.typed_q(section)
            {
                let meaning = limits.rules.meaning_of(section.shape).words();
                let _ = writeln!(
                    out,
                    "device_q = {}  # what the equaliser of these limits calls q: {meaning}",
                    float(device_q)
                );
            }
        }
        let idle_hz = sheet
            .limits
            .as_ref()
            .map(|limits| limits.idle_bands_hz(&channel.sections))
            .unwrap_or_default();
        if !idle_hz.is_empty() {
            let bands: Vec<String> = idle_hz.into_iter().map(number).collect();
            let lines: Vec<String> = bands.chunks(16).map(|line| line.join(", ")).collect();
            let lines = lines.join(",\n# ");
            let _ = write!(out, "\n# Bands that stay at 0 dB, Hz:\n# {lines}\n");
        }
    }
    out
}

fn checkpoints(sheet: &Sheet) -> String {
    let every = if sheet.is_per_side() {
        "One checkpoint a side and rate: octaves from 31.5 Hz to 16 kHz and every f0 of the side; sum of its sections"
    } else {
        "One checkpoint a rate: octaves from 31.5 Hz to 16 kHz and every f0; sum of all sections"
    };
    let mut out = format!("\n# {every}, preamp not included.\n");
    for channel in &sheet.channels {
        for checkpoint in &channel.checkpoints {
            let _ = write!(
                out,
                "[[checkpoint]]\n{}rate_hz = {}\nfrequency_hz = {}\ngain_db = {}\n\n",
                side_line(channel),
                number(checkpoint.rate_hz),
                array(checkpoint.frequency_hz.iter().copied(), float),
                array(checkpoint.gain_db.iter().copied(), float),
            );
        }
    }
    out
}

fn coefficients(sheet: &Sheet) -> String {
    let every = if sheet.is_per_side() {
        "One set of coefficients a side, rate and section, sections of the side"
    } else {
        "One set of coefficients a rate and section, sections"
    };
    let mut out = format!(
        "# {every} in the order above, already divided by a0:
#   y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2]
# Mind the signs: where a1 and a2 are added instead of subtracted, both must be negated.
"
    );
    for channel in &sheet.channels {
        for at_rate in &channel.coefficients {
            let rows: String = at_rate
                .section
                .iter()
                .map(|&Biquad { b0, b1, b2, a1, a2 }| {
                    let [b0, b1, b2, a1, a2] = [b0, b1, b2, a1, a2].map(float);
                    format!("  {{ b0 = {b0}, b1 = {b1}, b2 = {b2}, a1 = {a1}, a2 = {a2} }},\n")
                })
                .collect();
            let _ = write!(
                out,
                "[[coefficients]]\n{}rate_hz = {}\nsection = [\n{rows}]\n\n",
                side_line(channel),
                number(at_rate.rate_hz),
            );
        }
    }
    out
}

fn knowledge(knowledge: &Knowledge, per_side: bool) -> String {
    let residual = &knowledge.residual_db;
    let mut out = format!(
        "[knowledge]  # what was known when the sections were fitted; nothing below is needed to play the sheet
takes = {}  # the measurements that were averaged
target_source = {}
",
        array(&knowledge.takes, |take| string(take)),
        string(&knowledge.target_source),
    );
    if let Some((lowest_hz, highest_hz)) = knowledge.trusted_band_hz {
        let _ = writeln!(
            out,
            "trusted_band_hz = [{}, {}]  # where the measurement can be believed",
            float(lowest_hz),
            float(highest_hz),
        );
    }
    if let Some(ratio) = knowledge.economy_ratio {
        let _ = writeln!(
            out,
            "economy_ratio = {}  # 1: no section works against another; larger: some do",
            float(ratio),
        );
    }
    let of_both = if per_side {
        ", of both sides together"
    } else {
        ""
    };
    let cautions: String = knowledge
        .cautions
        .iter()
        .map(|caution| format!("  {},\n", string(caution)))
        .collect();
    let _ = write!(
        out,
        "residual_by_rate_db = {}  # weighted residual with the sections at each of rates_hz
cautions = [\n{cautions}]

[knowledge.residual_db]  # equalised minus target, rms, level left free, at the first rate: without and with the sections{of_both}
weighted_before = {}  # with the weights of the fit
weighted_after = {}
",
        array(knowledge.residual_by_rate_db.iter().copied(), float),
        float(residual.weighted_before),
        float(residual.weighted_after),
    );
    if let Some((before, after)) = residual.trusted_band {
        let _ = write!(
            out,
            "trusted_band_before = {}  # without weights, over the trusted band\ntrusted_band_after = {}\n",
            float(before),
            float(after),
        );
    }
    let search = &knowledge.search;
    let _ = write!(
        out,
        "\n[knowledge.search]
searches = {}  # independent searches
agreeing = {}  # how many of them ended at these sections
stop = {}
",
        search.searches,
        search.agreeing,
        string(&search.stop),
    );
    for (index, side) in knowledge.sides.iter().enumerate() {
        let _ = write!(
            out,
            "\n[[knowledge.side]]{}\nside = {}\nweighted_before = {}\nweighted_after = {}\n",
            match index {
                0 => "  # residual of each side, at the level that both share",
                _ => "",
            },
            string(side.side.name()),
            float(side.weighted_before),
            float(side.weighted_after),
        );
    }
    out
}

fn limits(limits: &Limits, per_side: bool) -> String {
    let each = if per_side { " on each side" } else { "" };
    format!(
        "
# What the equaliser can do{each}. A setting takes any value from min to max; with a step, min + k * step, with
# digits as far as so many significant digits; with step_octaves, min * 2^(k * step_octaves). shelf_q is the q of shelves; shapes, the most sections of each.
[limits]
{}",
        limits.keys_as_toml("limits.shapes")
    )
}
