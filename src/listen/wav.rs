//! Sound files as WAV, sample by sample.
//!
//! Whole numbers are shorter than what comes out of the sections. What rounding leaves would depend on the music, so dither is
//! added first: noise of triangular distribution, two steps wide (Lipshitz, Wannamaker and Vanderkooy 1992; from memory), by
//! which the rest has no mean and no power that follow the music. It comes from a seed.

use std::io::{self, Seek, SeekFrom, Write};

use hound::{SampleFormat, WavSpec};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{RngCore as _, SeedableRng as _};

use super::error::ListenFault;
use crate::error::{Error, ErrorKind, Result};

/// The chunk at the end of such a file, which names the software and format.
pub const SOUND_END: &[u8] = b"ISFT\x1c\0\0\0bandwright sound, format 1\0\0";
/// Most bytes of samples: the lengths in the file have 32 bits.
const MOST_BYTES: u64 = u32::MAX as u64 - 4096;

/// How long a sample is.
#[derive(
    Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize, schemars::JsonSchema, clap::ValueEnum,
)]
pub enum Depth {
    /// 16 bits, with dither
    #[value(name = "16")]
    #[serde(rename = "16")]
    Bits16,
    /// 24 bits, with dither
    #[default]
    #[value(name = "24")]
    #[serde(rename = "24")]
    Bits24,
    /// 32-bit floating point
    #[value(name = "float")]
    #[serde(rename = "float")]
    Float,
}

impl Depth {
    fn bits(self) -> u16 {
        match self {
            Self::Bits16 => 16,
            Self::Bits24 => 24,
            Self::Float => 32,
        }
    }
}

/// What a file is written to.
pub trait Output: Write + Seek + Send {}

impl<T: Write + Seek + Send> Output for T {}

/// A place that a file is written to.
pub struct Destination<'a> {
    /// Its name, for messages.
    pub name: &'a str,
    /// What its bytes go to.
    pub output: &'a mut dyn Output,
}

/// A file as it is written.
pub struct Writer<'a> {
    output: &'a mut dyn Output,
    depth: Depth,
    chance: Xoshiro256PlusPlus,
    header: Vec<u8>,
    /// Of all samples so far.
    bytes: u64,
    encoded: Vec<u8>,
    clipped: u64,
    peak: f64,
    name: &'a str,
}

impl<'a> Writer<'a> {
    /// A file at a rate.
    ///
    /// # Errors
    /// `File` where it cannot be written.
    pub fn new(
        to: Destination<'a>,
        rate_hz: u32,
        channels: usize,
        depth: Depth,
        seed: u64,
    ) -> Result<Self> {
        let Destination { name, output } = to;
        let spec = WavSpec {
            channels: channels as u16,
            sample_rate: rate_hz,
            bits_per_sample: depth.bits(),
            sample_format: match depth {
                Depth::Float => SampleFormat::Float,
                Depth::Bits16 | Depth::Bits24 => SampleFormat::Int,
            },
        };
        // Its lengths are set at the end.
        let header = spec.into_header_for_infinite_file();
        let start = output.seek(SeekFrom::Start(0)).and_then(|_| output.write_all(&header));
        start.map_err(|failure| failed(&failure, name))?;
        Ok(Self {
            output,
            depth,
            chance: Xoshiro256PlusPlus::seed_from_u64(seed),
            header,
            bytes: 0,
            encoded: Vec::new(),
            clipped: 0,
            peak: 0.0,
            name,
        })
    }

    /// Adds samples times a gain, frame after frame.
    ///
    /// # Errors
    /// `File` where they cannot be written; `Format` for more than a WAV file holds.
    pub fn add(&mut self, samples: &[f64], gain: f64) -> Result<()> {
        let peak = samples.iter().fold(0.0, |peak: f64, sample| peak.max(sample.abs()));
        self.peak = self.peak.max(peak * gain);
        self.encoded.clear();
        match self.depth {
            Depth::Float => {
                let floats = samples.iter().map(|sample| (sample * gain) as f32);
                self.encoded.extend(floats.flat_map(f32::to_le_bytes));
            }
            Depth::Bits16 => self.encode::<2>(samples, gain),
            Depth::Bits24 => self.encode::<3>(samples, gain),
        }
        self.bytes += self.encoded.len() as u64;
        if self.bytes > MOST_BYTES {
            return Err(Error::of(ListenFault::TooLong, self.name));
        }
        let written = self.output.write_all(&self.encoded);
        written.map_err(|failure| failed(&failure, self.name))
    }

    /// Samples as whole numbers of so many bytes, with dither.
    fn encode<const BYTES: usize>(&mut self, samples: &[f64], gain: f64) {
        let full = f64::from(1_u32 << (8 * BYTES - 1));
        let scale = full * gain;
        for sample in samples {
            let wanted = nearest(sample * scale + dither(&mut self.chance));
            let held = wanted.clamp(-full, full - 1.0);
            self.clipped += u64::from(held != wanted);
            self.encoded.extend_from_slice(&(held as i32).to_le_bytes()[..BYTES]);
        }
    }

    /// Ends the file with its lengths and what names the software; says how many samples were beyond full scale, and the
    /// largest, full scale being 1.
    ///
    /// # Errors
    /// `File` where it cannot be written.
    pub fn finish(self) -> Result<(u64, f64)> {
        let mut chunk = if self.bytes % 2 == 1 { vec![0] } else { Vec::new() };
        chunk.extend(b"LIST");
        chunk.extend((SOUND_END.len() as u32 + 4).to_le_bytes());
        chunk.extend(b"INFO");
        chunk.extend(SOUND_END);
        let header = self.header.len() as u64;
        let length = header + self.bytes + chunk.len() as u64 - 8;
        let lengths = [(4, length), (header - 4, self.bytes)];
        let output = self.output;
        let end = output.write_all(&chunk).and_then(|()| {
            lengths.into_iter().try_for_each(|(place, length)| {
                output.seek(SeekFrom::Start(place))?;
                output.write_all(&(length as u32).to_le_bytes())
            })
        });
        let end = end.and_then(|()| output.flush());
        end.map_err(|failure| failed(&failure, self.name))?;
        Ok((self.clipped, self.peak))
    }
}

/// The nearest whole number, for magnitudes below 2^51: a sum of this size has no room for a fraction. Faster than `round`, which
/// calls a function where the processor is not known to have an instruction for it.
fn nearest(x: f64) -> f64 {
    const NO_FRACTION: f64 = 6_755_399_441_055_744.0;
    (x + NO_FRACTION) - NO_FRACTION
}

/// Between -1 and 1, in steps of the last place; likeliest at 0.
fn dither(chance: &mut Xoshiro256PlusPlus) -> f64 {
    let bits = chance.next_u64();
    let (one, other) = (bits >> 32, bits & u64::from(u32::MAX));
    (one as f64 - other as f64) / f64::from(u32::MAX)
}

fn failed(failure: &io::Error, name: &str) -> Box<Error> {
    let found = match failure.kind() {
        io::ErrorKind::StorageFull => "a full disk".to_owned(),
        io::ErrorKind::QuotaExceeded => "a disk quota that is used up".to_owned(),
        _ => failure.to_string(),
    };
    Error::new(
        ErrorKind::File,
        name,
        found,
        "a place that can be written to",
        "free some space, or choose a place on another disk",
    )
}
