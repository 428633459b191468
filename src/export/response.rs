//! Gain and phase on the common grid, as delimited text.

use super::matrix::about;
use super::{Chain, Export};
use crate::filter::{cascade, phase};
use crate::measurement::grid;

/// First words of a table of gain and phase.
pub const RESPONSE_BEGINNING: &str = "# Equaliser response, format 1";

/// Gain and phase of a chain, preamp included where the export says so.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Response {
    /// The points of the common grid below half the rate, Hz, to 0.000001.
    pub frequency_hz: Vec<f64>,
    /// Gain, dB, to 0.000001.
    pub gain_db: Vec<f64>,
    /// Phase, degrees, to 0.000001: 0 at 0 Hz, without jumps; positive leads.
    pub phase_deg: Vec<f64>,
}

/// The response of every chain.
#[must_use]
pub fn responses(export: &Export) -> Vec<Response> {
    let of = |chain| response(export, chain);
    export.chains.iter().map(of).collect()
}

fn response(export: &Export, chain: &Chain) -> Response {
    // Adding 0 turns -0 into 0.
    let rounded = |x: f64| (x * 1e6).round() / 1e6 + 0.0;
    let preamp_db = if export.preamp_included {
        export.preamp_db
    } else {
        0.0
    };
    let (sections, rate_hz) = (&chain.sections, chain.rate_hz);
    // Frequencies are rounded first, so that gain and phase belong to the frequency as written.
    let frequency_hz: Vec<f64> = grid::frequency_hz()
        .iter()
        .map(|&f_hz| rounded(f_hz))
        .filter(|&f_hz| f_hz < rate_hz / 2.0)
        .collect();
    let gain_db = |&f_hz: &f64| rounded(preamp_db + cascade::level_db(sections, rate_hz, f_hz));
    let phase_deg = |&f_hz: &f64| {
        let each = sections.iter().map(|s| phase::phase_deg(s, rate_hz, f_hz));
        rounded(each.sum())
    };
    Response {
        gain_db: frequency_hz.iter().map(gain_db).collect(),
        phase_deg: frequency_hz.iter().map(phase_deg).collect(),
        frequency_hz,
    }
}

/// The table of all chains: columns `side`, `rate_hz`, `frequency_hz`, `gain_db`, `phase_deg`.
#[must_use]
pub fn response_csv(export: &Export) -> String {
    let mut text = format!(
        "{RESPONSE_BEGINNING}\n{}# phase_deg: 0 at 0 Hz, without jumps; positive leads\n\
         side,rate_hz,frequency_hz,gain_db,phase_deg\n",
        about(export, "part of gain_db")
    );
    for (chain, response) in export.chains.iter().zip(responses(export)) {
        let points = response.frequency_hz.iter().zip(&response.gain_db);
        for ((f_hz, gain_db), phase_deg) in points.zip(&response.phase_deg) {
            text.push_str(&format!(
                "{},{},{f_hz:.6},{gain_db:.6},{phase_deg:.6}\n",
                chain.side_name(),
                chain.rate_hz
            ));
        }
    }
    text
}
