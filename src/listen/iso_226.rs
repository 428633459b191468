//! Sounds of equal loudness for an average ear: ISO 226:2003, tones in a free field, from memory (a test holds its 40-phon
//! contour to the published one).

use crate::measurement::pchip::Pchip;

/// Frequency (Hz), exponent of loudness, level of the transfer function relative to 1 kHz (dB), threshold (dB SPL).
const PARAMETERS: [[f64; 4]; 13] = [
    [800.0, 0.253, 0.5, 2.2],
    [1000.0, 0.250, 0.0, 2.4],
    [1250.0, 0.246, -2.7, 3.5],
    [1600.0, 0.244, -4.1, 1.7],
    [2000.0, 0.243, -1.0, -1.3],
    [2500.0, 0.243, 1.7, -4.2],
    [3150.0, 0.243, 2.5, -6.0],
    [4000.0, 0.242, 1.2, -5.4],
    [5000.0, 0.242, -2.1, -1.5],
    [6300.0, 0.245, -7.1, 6.0],
    [8000.0, 0.254, -11.2, 12.6],
    [10_000.0, 0.271, -10.7, 13.9],
    [12_500.0, 0.301, -3.1, 12.3],
];

/// The level (dB SPL) at which a tone from 800 Hz up is as loud as one of so many dB at 1 kHz, 20 to 80; above 12.5 kHz it is
/// held.
///
/// # Panics
/// Never: the frequencies rise.
#[must_use]
pub fn contour_db(phon: f64, frequency_hz: f64) -> f64 {
    let level_db = |[_, exponent, transfer_db, threshold_db]: &[f64; 4]| {
        let threshold = (0.4 * 10f64.powf((threshold_db + transfer_db) / 10.0 - 9.0)).powf(*exponent);
        let loudness = 4.47e-3 * (10f64.powf(0.025 * phon) - 1.15) + threshold;
        10.0 / exponent * loudness.log10() - transfer_db + 94.0
    };
    let log_f: Vec<f64> = PARAMETERS.iter().map(|row| row[0].ln()).collect();
    let level_db: Vec<f64> = PARAMETERS.iter().map(level_db).collect();
    let (first, last) = (log_f[0], log_f[log_f.len() - 1]);
    let pchip = Pchip::new(&log_f, &level_db).expect("rising frequencies");
    pchip.at(frequency_hz.ln().clamp(first, last))
}
