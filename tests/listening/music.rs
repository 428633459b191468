//! Sound for these tests, and sheets to send it through, all invented.

use std::io::Cursor;
use std::sync::atomic::AtomicU64;

use bandwright::error::Result;
use bandwright::filter::{Section, Shape};
use bandwright::listen::wav::{Depth, Destination};
use bandwright::listen::{Excerpt, Heard, Job, Matching, MediaSource, Sound};
use bandwright::sheet::Sheet;

use crate::support::impulses::section;
pub use crate::support::impulses::wav_float;
#[allow(dead_code, reason = "these tests need its sheets alone")]
use crate::support::promises;

/// A sheet with these sections for both sides, or with an EQ for each.
pub fn sheet(sides: &[&[Section]]) -> Sheet {
    let limits = promises::limits();
    match sides {
        [both] => promises::sheet_of(both, &limits),
        [left, right] => promises::sheet_per_side(left, right, &limits),
        _ => panic!("one side or two"),
    }
}

/// More bass, less glare.
pub fn sections() -> Vec<Section> {
    vec![
        section(Shape::LowShelf, 110.0, 4.0, 0.7),
        section(Shape::Peaking, 2800.0, -6.0, 1.5),
        section(Shape::HighShelf, 7000.0, 2.0, 0.7),
    ]
}

/// Two channels of noise between -`peak` and `peak`, the same at every call.
pub fn noise(frames: usize, peak: f64) -> Vec<f64> {
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        ((state >> 11) as f64 / 2f64.powi(53) * 2.0 - 1.0) * peak
    };
    (0..2 * frames).map(|_| next()).collect()
}

/// All samples of a file, its rate and channels.
pub fn decoded(bytes: &[u8]) -> Result<(Vec<f64>, u32, usize)> {
    let mut sound = Sound::open(Box::new(Cursor::new(bytes.to_vec())), "music")?;
    let mut samples = Vec::new();
    while let Some(block) = sound.next_block()? {
        samples.extend_from_slice(block);
    }
    Ok((samples, sound.rate_hz(), sound.channels()))
}

/// How music is sent through sheets.
pub struct Sending<'a> {
    pub sheets: &'a [Sheet],
    pub excerpt: Excerpt,
    pub matching: Matching<'a>,
    pub depth: Depth,
}

impl<'a> Sending<'a> {
    pub fn all(sheets: &'a [Sheet], matching: Matching<'a>) -> Self {
        Self {
            sheets,
            excerpt: Excerpt::default(),
            matching,
            depth: Depth::Float,
        }
    }

    /// What is told of it, and the files.
    pub fn send(&self, music: &[u8]) -> Result<(Heard, Vec<Vec<u8>>)> {
        let source = || Ok(Box::new(Cursor::new(music.to_vec())) as Box<dyn MediaSource>);
        let job = Job {
            music: "music",
            source: &source,
            sheets: self.sheets,
            excerpt: self.excerpt,
            matching: self.matching,
            depth: self.depth,
            done_ms: &AtomicU64::new(0),
        };
        let mut files = vec![Cursor::new(Vec::new()); job.renderings().len()];
        let mut outputs: Vec<Destination<'_>> = files
            .iter_mut()
            .map(|output| Destination {
                name: "a file",
                output,
            })
            .collect();
        let heard = job.run(&mut outputs)?;
        Ok((heard, files.into_iter().map(Cursor::into_inner).collect()))
    }
}
