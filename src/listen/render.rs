//! A piece of music through sheets: measured once, then written as often as it is wanted, block by block.

use std::sync::atomic::{AtomicU64, Ordering};

use rayon::prelude::*;

use super::chain::Chain;
use super::ear::Ear;
use super::excerpt::{Block, Excerpt};
use super::level::{Levels, Meter};
use super::matched::{By, HIGHEST_PEAK_DB, gains_db};
use super::sound::{Sound, Source};
use super::wav::{Depth, Destination, Writer};
use crate::error::Result;
use crate::sheet::Sheet;
use crate::units::{amplitude_from_db, db_from_amplitude};

/// How the sounds are made as loud as each other.
#[derive(Debug, Clone, Copy)]
pub enum Matching<'a> {
    /// Not at all: each sheet at its own level, and no untouched file.
    Off,
    /// By BS.1770 of the files.
    Files,
    /// At the ear.
    AtTheEar(&'a Ear),
}

impl Matching<'_> {
    /// What levels are compared by.
    #[must_use]
    pub fn by(&self) -> By {
        match self {
            Self::Off => By::Nothing,
            Self::Files => By::Files,
            Self::AtTheEar(_) => By::AtTheEar,
        }
    }
}

/// A piece of music, and what is to become of it.
pub struct Job<'a> {
    /// Name of the music, for messages.
    pub music: &'a str,
    /// Where it comes from.
    pub source: Source<'a>,
    /// What it is played through.
    pub sheets: &'a [Sheet],
    /// Which part of it.
    pub excerpt: Excerpt,
    /// How loud.
    pub matching: Matching<'a>,
    /// How long a sample of the files is.
    pub depth: Depth,
    /// Milliseconds of music that went through, for whoever waits.
    pub done_ms: &'a AtomicU64,
}

/// One file to be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rendering {
    /// Its sheet by its place, None for the untouched music.
    pub sheet: Option<usize>,
    /// Seed of its dither.
    pub seed: u64,
}

/// One of the sounds that are compared.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct SoundFigures {
    /// Its sheet by its place from 0; none (`null`) for the untouched music.
    pub sheet: Option<usize>,
    /// Gain after the sheet's own preamp, dB, 0 or less.
    #[schemars(range(max = 0.0))]
    pub gain_db: f64,
    /// Its levels in the file; none (`null`) where nothing was matched.
    pub levels: Option<Levels>,
}

/// What became of a piece of music.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Heard {
    /// Its name.
    pub music: String,
    /// Its rate, Hz.
    pub rate_hz: u32,
    /// One or two.
    pub channels: usize,
    /// Length of the part, s.
    pub seconds: f64,
    /// By what its sounds are as loud as each other.
    pub by: By,
    /// The sounds: the untouched music, where it is among them, then each sheet.
    pub sounds: Vec<SoundFigures>,
}

impl Heard {
    /// The gain of a sheet, or of the untouched music, dB.
    #[must_use]
    pub fn gain_db(&self, sheet: Option<usize>) -> f64 {
        let sound = self.sounds.iter().find(|sound| sound.sheet == sheet);
        sound.map_or(0.0, |sound| sound.gain_db)
    }
}

/// Preamp and sections, or nothing.
type Line = Option<Chain>;

impl Job<'_> {
    fn chain(&self, sheet: Option<usize>, sound: &Sound) -> Result<Line> {
        let chain = |place: usize| {
            let rate_hz = f64::from(sound.rate_hz());
            Chain::new(&self.sheets[place], rate_hz, sound.channels(), self.music)
        };
        sheet.map(chain).transpose()
    }

    /// Plays the part once through every line, in parallel: `each` gets a line's own state and its samples.
    fn play<T: Send>(
        &self,
        mut sound: Sound,
        lines: Vec<(Line, T)>,
        each: impl Fn(&mut T, &[f64]) -> Result<()> + Sync,
    ) -> Result<(u64, Vec<T>)> {
        let (rate_hz, channels) = (sound.rate_hz(), sound.channels());
        let part = self.excerpt.at(rate_hz);
        let mut lines: Vec<(Line, T, Vec<f64>)> = lines
            .into_iter()
            .map(|(line, state)| (line, state, Vec::new()))
            .collect();
        let mut frames = 0;
        let through = |block: Block<'_>| {
            lines.par_iter_mut().try_for_each(|(line, state, played)| {
                match line {
                    Some(chain) => chain.run(block.samples, played),
                    None => {
                        played.clear();
                        played.extend_from_slice(block.samples);
                    }
                }
                let counts = &mut played[block.before..];
                part.fade(counts, channels, block.index);
                each(state, counts)
            })?;
            let now = frames + (block.samples.len() / channels) as u64;
            let ms = |frames: u64| frames * 1000 / u64::from(rate_hz);
            self.done_ms.fetch_add(ms(now) - ms(frames), Ordering::Relaxed);
            frames = now;
            Ok(())
        };
        let length = part.read(&mut sound, self.music, through)?;
        Ok((length, lines.into_iter().map(|(_, state, _)| state).collect()))
    }

    /// The files that are compared: the untouched music, unless nothing is matched, then each sheet.
    #[must_use]
    pub fn renderings(&self) -> Vec<Rendering> {
        let untouched = match self.matching {
            Matching::Off => None,
            Matching::Files | Matching::AtTheEar(_) => Some(None),
        };
        let sheets = untouched.into_iter().chain((0..self.sheets.len()).map(Some));
        let seeds = 0..;
        sheets.zip(seeds).map(|(sheet, seed)| Rendering { sheet, seed }).collect()
    }

    /// Writes what is compared, each to the output of its place in [`Self::renderings`].
    ///
    /// # Errors
    /// Those of [`Self::measured`] and [`Self::write`].
    pub fn run(&self, outputs: &mut [Destination<'_>]) -> Result<Heard> {
        let renderings = self.renderings();
        let Matching::Off = self.matching else {
            let heard = self.measured()?;
            self.write(&renderings, |sheet| heard.gain_db(sheet), outputs)?;
            return Ok(heard);
        };
        let mut written = self.write(&renderings, |_| 0.0, outputs)?;
        let mut gain_db = 0.0;
        if written.clipped > 0 {
            gain_db = HIGHEST_PEAK_DB - db_from_amplitude(written.peak);
            written = self.write(&renderings, |_| gain_db, outputs)?;
        }
        Ok(Heard {
            music: self.music.to_owned(),
            rate_hz: written.rate_hz,
            channels: written.channels,
            seconds: written.seconds,
            by: By::Nothing,
            sounds: (0..self.sheets.len())
                .map(|place| SoundFigures {
                    sheet: Some(place),
                    gain_db,
                    levels: None,
                })
                .collect(),
        })
    }

    fn open(&self) -> Result<Sound> {
        Sound::open((self.source)()?, self.music)
    }

    /// Measures the untouched music and that of each sheet, and finds their gains.
    ///
    /// # Errors
    /// Those of the music; `Coverage` where a section does not fit its rate, or a loudness cannot be told.
    pub fn measured(&self) -> Result<Heard> {
        let sound = self.open()?;
        let (rate_hz, channels) = (sound.rate_hz(), sound.channels());
        let ear = match self.matching {
            Matching::AtTheEar(ear) => Some(ear),
            Matching::Off | Matching::Files => None,
        };
        let sheets = std::iter::once(None).chain((0..self.sheets.len()).map(Some));
        let lines: Result<Vec<(Line, Meter)>> = sheets
            .clone()
            .map(|sheet| {
                let meter = Meter::new(rate_hz, channels, ear, self.music)?;
                Ok((self.chain(sheet, &sound)?, meter))
            })
            .collect();
        let (frames, meters) = self.play(sound, lines?, |meter: &mut Meter, samples| {
            meter.add(samples);
            Ok(())
        })?;
        let levels: Vec<Levels> = meters.into_iter().map(Meter::levels).collect();
        let by = self.matching.by();
        let gains_db = gains_db(&levels, by, self.music)?;
        let sounds = sheets.zip(levels).zip(gains_db);
        Ok(Heard {
            music: self.music.to_owned(),
            rate_hz,
            channels,
            seconds: frames as f64 / f64::from(rate_hz),
            by,
            sounds: sounds
                .map(|((sheet, levels), gain_db)| SoundFigures {
                    sheet,
                    gain_db,
                    levels: Some(levels.turned_up(gain_db)),
                })
                .collect(),
        })
    }

    /// Writes each rendering at the gain of its sheet to the output of its place. Gives the length in seconds, and the samples
    /// beyond full scale of each.
    ///
    /// # Errors
    /// Those of the music; `File` where an output cannot be written.
    pub fn write(
        &self,
        renderings: &[Rendering],
        gain_db: impl Fn(Option<usize>) -> f64,
        outputs: &mut [Destination<'_>],
    ) -> Result<Written> {
        let sound = self.open()?;
        let (rate_hz, channels) = (sound.rate_hz(), sound.channels());
        let lines: Result<Vec<(Line, (Writer<'_>, f64))>> = renderings
            .iter()
            .zip(outputs.iter_mut())
            .map(|(rendering, to)| {
                let (depth, seed) = (self.depth, rendering.seed);
                let to = Destination {
                    name: to.name,
                    output: &mut *to.output,
                };
                let writer = Writer::new(to, rate_hz, channels, depth, seed)?;
                let gain = amplitude_from_db(gain_db(rendering.sheet));
                Ok((self.chain(rendering.sheet, &sound)?, (writer, gain)))
            })
            .collect();
        let (frames, writers) = self.play(sound, lines?, |(writer, gain), samples| {
            writer.add(samples, *gain)
        })?;
        let ends: Result<Vec<(u64, f64)>> =
            writers.into_iter().map(|(writer, _)| writer.finish()).collect();
        let ends = ends?;
        Ok(Written {
            rate_hz,
            channels,
            seconds: frames as f64 / f64::from(rate_hz),
            clipped: ends.iter().map(|(clipped, _)| *clipped).sum(),
            peak: ends.iter().map(|(_, peak)| *peak).fold(0.0, f64::max),
        })
    }
}

/// What was written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Written {
    /// Rate of the files, Hz.
    pub rate_hz: u32,
    /// One or two.
    pub channels: usize,
    /// Length, s.
    pub seconds: f64,
    /// Samples beyond full scale, in all files.
    pub clipped: u64,
    /// Largest sample of all files, full scale being 1.
    pub peak: f64,
}
