//! Second-order sections and coefficients as delimited text.

use super::{Chain, Export};
use crate::filter::{Section, biquad::Biquad};
use crate::message::one_line;

/// First words of a file of second-order sections.
pub const SOS_BEGINNING: &str = "# Equaliser second-order sections, format 1";
/// First words of a file of coefficients.
pub const COEFFICIENTS_BEGINNING: &str = "# Equaliser coefficients, format 1";

/// The recursion in which the coefficients are used.
pub const RECURSION: &str =
    "y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2], a0 = 1";

/// A row of a chain.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Row {
    /// Counted from 1; 0 is the preamp.
    #[serde(skip)]
    pub number: usize,
    /// The section's numbers; none (`null`) for the preamp.
    pub section: Option<Section>,
    /// Its coefficients. Those of sections are never scaled: at high rates one rounding more could be seen at 20 Hz.
    #[serde(flatten)]
    pub biquad: Biquad,
}

impl Row {
    /// `b0 b1 b2 a0 a1 a2`.
    #[must_use]
    pub fn sos(&self) -> [f64; 6] {
        let Biquad { b0, b1, b2, a1, a2 } = self.biquad;
        [b0, b1, b2, 1.0, a1, a2]
    }
}

impl Export {
    /// The rows of a chain in the order of application. The preamp, if included, comes first. Without preamp and
    /// without sections there is one row that changes nothing.
    #[must_use]
    pub fn rows(&self, chain: &Chain) -> Vec<Row> {
        let preamp = Row {
            number: 0,
            section: None,
            biquad: Biquad {
                b0: self.gain(),
                b1: 0.0,
                b2: 0.0,
                a1: 0.0,
                a2: 0.0,
            },
        };
        let sections = chain.sections.iter().zip(&chain.biquads).enumerate();
        let sections = sections.map(|(index, (&section, &biquad))| Row {
            number: index + 1,
            section: Some(section),
            biquad,
        });
        let is_needed = self.preamp_included || chain.sections.is_empty();
        is_needed
            .then_some(preamp)
            .into_iter()
            .chain(sections)
            .collect()
    }
}

/// The matrices of all chains: columns `side`, `rate_hz`, `section` (from 1; 0 is the preamp), then
/// `b0,b1,b2,a0,a1,a2`. Numbers are the shortest decimals that read back unchanged.
#[must_use]
pub fn sos_csv(export: &Export) -> String {
    let mut text = head(export, SOS_BEGINNING);
    text.push_str("side,rate_hz,section,b0,b1,b2,a0,a1,a2\n");
    for chain in &export.chains {
        for row in export.rows(chain) {
            text.push_str(&line(chain, &row, &row.sos()));
        }
    }
    text
}

/// [`sos_csv`] without the column `a0`.
#[must_use]
pub fn coefficients_csv(export: &Export) -> String {
    let mut text = head(export, COEFFICIENTS_BEGINNING);
    text.push_str("side,rate_hz,section,b0,b1,b2,a1,a2\n");
    for chain in &export.chains {
        for row in export.rows(chain) {
            let [b0, b1, b2, _, a1, a2] = row.sos();
            text.push_str(&line(chain, &row, &[b0, b1, b2, a1, a2]));
        }
    }
    text
}

fn line(chain: &Chain, row: &Row, numbers: &[f64]) -> String {
    let numbers: Vec<String> = numbers.iter().map(|x| format!("{x:?}")).collect();
    let (side, rate_hz) = (chain.side_name(), chain.rate_hz);
    format!("{side},{rate_hz},{},{}\n", row.number, numbers.join(","))
}

fn head(export: &Export, beginning: &str) -> String {
    format!(
        "{beginning}\n{}# Rows of a side and rate are applied one after another, the output of one to the next:\n\
         #   {RECURSION}\n\
         # Mind the signs: where a1 and a2 are added instead of subtracted, both must be negated.\n",
        about(export, "section 0 of each side and rate")
    )
}

/// The comment lines about the sheet at the head of each text file; `included` says how the preamp is included.
pub(super) fn about(export: &Export, included: &str) -> String {
    let preamp = if export.preamp_included {
        format!("included: {included}")
    } else {
        format!(
            "NOT included: first multiply every sample by {:?}",
            crate::units::amplitude_from_db(export.preamp_db)
        )
    };
    let caution = export.caution().map_or_else(String::new, |caution| {
        format!("# caution: {}\n", one_line(&caution.to_string()))
    });
    format!(
        "{caution}# unit: {}\n# target: {}\n# preamp: {:?} dB, {preamp}\n\
         # side: both (the same for left and right), left or right\n",
        one_line(&export.unit),
        one_line(&export.target),
        export.preamp_db,
    )
}
