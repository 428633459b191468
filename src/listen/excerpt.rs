//! A part of a piece of music, with gentle ends.

use std::f64::consts::PI;

use super::error::ListenFault;
use super::sound::Sound;
use crate::error::{Error, Result};

/// How long a cut end rises or falls, seconds. Our choice: no click, and hardly heard as a fade.
pub const FADE_S: f64 = 0.05;
/// How long before an excerpt the sections hear the music, seconds: those of the lowest and narrowest have settled by then.
pub const BEFORE_S: f64 = 1.0;

/// Which part.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Excerpt {
    /// Where it begins, seconds from the beginning, 0 or more.
    pub from_s: f64,
    /// How long it is, seconds, more than 0; None: to the end.
    pub for_s: Option<f64>,
}

/// The part of one sound, in frames.
#[derive(Debug, Clone, Copy)]
pub struct Part {
    first: u64,
    /// None: to the end.
    end: Option<u64>,
    before: u64,
    fade: u64,
}

/// Frames that were read, and which of them count.
#[derive(Debug, Clone, Copy)]
pub struct Block<'a> {
    /// Frame after frame; those before the part too, for filters to settle.
    pub samples: &'a [f64],
    /// How many samples of these come before the part.
    pub before: usize,
    /// Index of the first frame of the part among these, counted from the beginning of the part.
    pub index: u64,
}

impl Excerpt {
    /// In frames at a rate.
    #[must_use]
    pub fn at(self, rate_hz: u32) -> Part {
        let frames = |seconds: f64| (seconds * f64::from(rate_hz)).round() as u64;
        let first = frames(self.from_s);
        Part {
            first,
            end: self.for_s.map(|for_s| first.saturating_add(frames(for_s).max(1))),
            before: frames(BEFORE_S),
            fade: frames(FADE_S),
        }
    }
}

impl Part {
    /// Reads a sound and hands on what counts, with what comes before it; gives the number of frames of the part.
    ///
    /// # Errors
    /// Those of the sound and of `each`; `Setting` where it ends before the part begins.
    pub fn read(
        &self,
        sound: &mut Sound,
        name: &str,
        mut each: impl FnMut(Block<'_>) -> Result<()>,
    ) -> Result<u64> {
        let channels = sound.channels();
        let rate_hz = f64::from(sound.rate_hz());
        let start = self.first.saturating_sub(self.before);
        let end = self.end.unwrap_or(u64::MAX);
        let mut at = 0;
        while at < end {
            let Some(block) = sound.next_block()? else {
                break;
            };
            let next = at + (block.len() / channels) as u64;
            let (from, to) = (at.max(start), next.min(end));
            if from < to {
                let inside = |frame: u64| (frame - at) as usize * channels;
                let counts = self.first.clamp(from, to);
                each(Block {
                    samples: &block[inside(from)..inside(to)],
                    before: (counts - from) as usize * channels,
                    index: counts.saturating_sub(self.first),
                })?;
            }
            at = next;
        }
        if at <= self.first {
            let fault = ListenFault::AfterTheEnd(self.first as f64 / rate_hz, at as f64 / rate_hz);
            return Err(Error::of(fault, name));
        }
        Ok(at.min(end) - self.first)
    }

    /// Lets the cut ends rise and fall: a raised cosine. `index` is that of the first frame.
    pub fn fade(&self, samples: &mut [f64], channels: usize, index: u64) {
        let frames = self.end.map(|end| end - self.first);
        let fade = self.fade.min(frames.unwrap_or(u64::MAX) / 2);
        let gain = |from_end: u64| match from_end < fade {
            true => 0.5 - 0.5 * (PI * (from_end as f64 + 0.5) / fade as f64).cos(),
            false => 1.0,
        };
        for (frame, index) in samples.chunks_exact_mut(channels).zip(index..) {
            let rise = if self.first > 0 { gain(index) } else { 1.0 };
            let fall = frames.map_or(1.0, |frames| gain(frames - 1 - index));
            for sample in frame {
                *sample *= rise * fall;
            }
        }
    }
}

/// Seconds from what people type: `12.5`, `20s`, `1:05`, `1:02:03`; None for what is no time of 0 to a million seconds.
#[must_use]
pub fn seconds(text: &str) -> Option<f64> {
    const MOST_S: f64 = 1e6;
    let text = text.trim();
    let text = text.strip_suffix('s').unwrap_or(text);
    let (before, last) = text.rsplit_once(':').map_or((None, text), |(before, last)| (Some(before), last));
    let last: f64 = last.trim().parse().ok()?;
    let Some(before) = before else {
        return (0.0..=MOST_S).contains(&last).then_some(last);
    };
    let minutes = before.split(':').try_fold(0.0, |sum, part| {
        let part: u16 = part.trim().parse().ok()?;
        Some(60.0 * sum + f64::from(part))
    })?;
    let all = 60.0 * minutes + last;
    ((0.0..60.0).contains(&last) && all <= MOST_S).then_some(all)
}
