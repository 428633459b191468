//! Second-order sections and bare coefficients as delimited text.

use super::{Chain, Export};

/// How a file of second-order sections begins.
pub const SOS_BEGINNING: &str = "# Equaliser second-order sections, format 1";
/// How a file of bare coefficients begins.
pub const COEFFICIENTS_BEGINNING: &str = "# Equaliser coefficients, format 1";

/// The recursion that coefficients are for.
pub const RECURSION: &str =
    "y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2], a0 = 1";

impl Chain {
    /// Rows `b0 b1 b2 a0 a1 a2` to apply one after another, `gain` in the first. No section: one row that only applies
    /// the gain.
    #[must_use]
    pub fn sos(&self, gain: f64) -> Vec<[f64; 6]> {
        let mut rows: Vec<[f64; 6]> = self
            .biquads
            .iter()
            .map(|c| [c.b0, c.b1, c.b2, 1.0, c.a1, c.a2])
            .collect();
        if rows.is_empty() {
            rows.push([1.0, 0.0, 0.0, 1.0, 0.0, 0.0]);
        }
        for b in &mut rows[0][..3] {
            *b *= gain;
        }
        rows
    }
}

/// The matrices of all chains, one row a section: columns `side`, `rate_hz`, `section` (counted from 1), then
/// `b0,b1,b2,a0,a1,a2`. Numbers are the shortest decimals that read back as the same.
#[must_use]
pub fn sos_csv(export: &Export) -> String {
    let mut text = head(export, SOS_BEGINNING);
    text.push_str("side,rate_hz,section,b0,b1,b2,a0,a1,a2\n");
    for chain in &export.chains {
        for (index, row) in chain.sos(export.gain()).iter().enumerate() {
            text.push_str(&line(chain, index, row));
        }
    }
    text
}

/// As [`sos_csv`] without `a0`.
#[must_use]
pub fn coefficients_csv(export: &Export) -> String {
    let mut text = head(export, COEFFICIENTS_BEGINNING);
    text.push_str("side,rate_hz,section,b0,b1,b2,a1,a2\n");
    for chain in &export.chains {
        for (index, [b0, b1, b2, _, a1, a2]) in chain.sos(export.gain()).into_iter().enumerate() {
            text.push_str(&line(chain, index, &[b0, b1, b2, a1, a2]));
        }
    }
    text
}

fn line(chain: &Chain, index: usize, numbers: &[f64]) -> String {
    let numbers: Vec<String> = numbers.iter().map(|x| format!("{x:?}")).collect();
    let (side, rate_hz) = (chain.side_name(), chain.rate_hz);
    format!("{side},{rate_hz},{},{}\n", index + 1, numbers.join(","))
}

fn head(export: &Export, beginning: &str) -> String {
    format!(
        "{beginning}\n{}# Rows of a side and rate are applied one after another, the output of one to the next:\n\
         #   {RECURSION}\n\
         # Mind the signs: where a1 and a2 are added instead of subtracted, both must be negated.\n",
        about(export, "part of the first row of each side and rate")
    )
}

/// What every file of text says of its sheet; `included` says how the preamp is part of it.
pub(super) fn about(export: &Export, included: &str) -> String {
    // A comment is one line.
    let line = |words: &str| {
        let words: String = words
            .chars()
            .filter(|c| !c.is_control() || c.is_whitespace())
            .collect();
        words.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let preamp = if export.preamp_included {
        format!("included: {included}")
    } else {
        format!(
            "NOT included: first multiply every sample by {:?}",
            crate::units::amplitude_from_db(export.preamp_db)
        )
    };
    format!(
        "# unit: {}\n# target: {}\n# preamp: {:?} dB, {preamp}\n\
         # side: both (the same for left and right), left or right\n",
        line(&export.unit),
        line(&export.target),
        export.preamp_db,
    )
}
