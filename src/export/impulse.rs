//! The impulse response of the filters as a WAV file.
//!
//! Poles and zeros of the cookbook's sections lie inside the unit circle, so the impulse response of the cascade is
//! minimum phase. It begins with the impulse and ends where a proven bound ([`crate::headroom::ringing`]) guarantees
//! that the rest is below [`REST_DB`].

use std::io::Cursor;

use hound::{SampleFormat, WavSpec, WavWriter};

use super::error::ExportFault;
use super::{Chain, Export};
use crate::error::{Error, Knob, Result, Source};
use crate::headroom::ringing::{ImpulseResponse, impulse_response};
use crate::units::{amplitude_from_db, db_from_amplitude};

/// Largest sum of magnitudes of the cut-off rest, relative to that of the kept part, dB. No gain changes by more, and
/// the file's numbers (24 bits of mantissa) are no finer.
pub const REST_DB: f64 = -140.0;

/// The chunk at the end of such a file, which names the software and format.
pub const WAV_END: &[u8] = b"ISFT\x28\0\0\0bandwright impulse response, format 1\0\0\0";

/// The impulse response of one chain, or of those of left and right.
#[derive(Debug, Clone, PartialEq)]
pub struct Impulse {
    /// Sample rate, whole hertz.
    pub rate_hz: u32,
    /// One channel, or left and right; of equal length, starting with the impulse.
    pub channels: Vec<Vec<f32>>,
    /// Upper bound of the sum of magnitudes of the rest relative to that of the kept part, dB; minus infinity if
    /// nothing was cut off.
    pub rest_db: f64,
}

impl Impulse {
    /// Number of samples of a channel.
    #[must_use]
    pub fn samples(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }
}

/// The impulse response of an export at one rate.
///
/// # Errors
/// `Setting` about `rate` if there are several rates or the rate is not a whole number; `Refused` if the response is
/// longer than [`BUDGET`](crate::headroom::ringing::BUDGET) samples, or too loud for the numbers of the file.
pub fn impulse(export: &Export) -> Result<Impulse> {
    let rate_hz = one_rate(export)?;
    let accuracy = amplitude_from_db(REST_DB);
    let mut kept = Vec::new();
    for Chain {
        sections, rate_hz, ..
    } in &export.chains
    {
        match impulse_response(sections, *rate_hz, accuracy)? {
            Some(response) => kept.push(response),
            None => {
                return Err(Error::of(ExportFault::Rings, Source::name("sheet")));
            }
        }
    }
    let samples = kept.iter().map(|response| response.samples.len()).max();
    let samples = samples.unwrap_or(0);
    let rest = kept.iter().map(|response| response.rest / response.sum);
    let rest_db = db_from_amplitude(rest.fold(0.0, f64::max));
    let channel = |response: &ImpulseResponse| {
        let gained = response.samples.iter().map(|x| (x * export.gain()) as f32);
        let mut channel: Vec<f32> = gained.collect();
        channel.resize(samples, 0.0);
        channel
    };
    let channels: Vec<Vec<f32>> = kept.iter().map(channel).collect();
    if channels.iter().flatten().any(|x| !x.is_finite()) {
        return Err(Error::of(ExportFault::TooLoud, Source::name("sheet")));
    }
    Ok(Impulse {
        rate_hz,
        channels,
        rest_db,
    })
}

fn one_rate(export: &Export) -> Result<u32> {
    let first_hz = export.chains.first().map_or(0.0, |chain| chain.rate_hz);
    let fault = if export.chains.iter().any(|chain| chain.rate_hz != first_hz) {
        let mut rates_hz: Vec<f64> = Vec::new();
        for chain in &export.chains {
            if !rates_hz.contains(&chain.rate_hz) {
                rates_hz.push(chain.rate_hz);
            }
        }
        ExportFault::SeveralRates(rates_hz)
    } else if first_hz.fract() != 0.0 {
        ExportFault::FractionalRate(first_hz)
    } else {
        return Ok(first_hz as u32);
    };
    Err(Error::of(fault, Knob::RateHz))
}

/// The response as a WAV file: 32-bit floating point, with a text chunk that states preamp, unit and rest.
///
/// # Panics
/// Never: writing to memory does not fail.
#[must_use]
pub fn wav(impulse: &Impulse, export: &Export) -> Vec<u8> {
    let spec = WavSpec {
        channels: impulse.channels.len() as u16,
        sample_rate: impulse.rate_hz,
        bits_per_sample: 32,
        sample_format: SampleFormat::Float,
    };
    let mut bytes = Vec::new();
    let written = WavWriter::new(Cursor::new(&mut bytes), spec).and_then(|mut writer| {
        for frame in 0..impulse.samples() {
            for channel in &impulse.channels {
                writer.write_sample(channel[frame])?;
            }
        }
        writer.finalize()
    });
    written.expect("a WAV file in memory");

    let mut comment = format!(
        "{}Minimum phase. Preamp of {:?} dB {}included. What is cut off is below {:.1} dB of the sum of magnitudes. {} toward {}",
        export.caution().map_or_else(String::new, |caution| format!("Caution: {caution} ")),
        export.preamp_db,
        if export.preamp_included { "" } else { "NOT " },
        impulse.rest_db.max(-999.0),
        export.unit,
        export.target,
    )
    .into_bytes();
    // Text chunks end with a zero byte and have even length.
    comment.push(0);
    comment.resize(comment.len().next_multiple_of(2), 0);
    let mut info = b"INFOICMT".to_vec();
    info.extend((comment.len() as u32).to_le_bytes());
    info.extend(comment);
    info.extend(WAV_END);
    bytes.extend(b"LIST");
    bytes.extend((info.len() as u32).to_le_bytes());
    bytes.extend(info);
    let size = bytes.len() as u32 - 8;
    bytes[4..8].copy_from_slice(&size.to_le_bytes());
    bytes
}
