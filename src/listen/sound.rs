//! Sound from a file, decoded block by block by symphonia: what kind it is, its first bytes tell, not its name.

use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::codecs::audio::well_known::CODEC_ID_AAC;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as Failure;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::meta::MetadataOptions;

use super::error::ListenFault;
use crate::error::{Error, Result};

/// Most channels: an earphone has two.
const MOST_CHANNELS: usize = 2;
/// Samples above this, 120 dB above full scale, are no sound.
const LARGEST: f64 = 1e6;
/// Samples that are handed on at once: so many that threads which share the work seldom wait for each other.
const BLOCK: usize = 1 << 15;
/// AAC at this rate or less is most often the lower half of a sound at twice the rate, Hz: what doubles it is not decoded.
const HALF_RATE_HZ: u32 = 24_000;

/// Opens the same music as often as it is to be read.
pub type Source<'a> = &'a (dyn Fn() -> Result<Box<dyn MediaSource>> + Sync);

/// A file as it is decoded.
pub struct Sound {
    name: String,
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    rate_hz: u32,
    channels: usize,
    /// As the file says.
    expected: Option<u64>,
    frames: u64,
    /// Frame after frame, one sample a channel.
    block: Vec<f64>,
    /// What one packet holds.
    packet: Vec<f64>,
    /// True until the block that `open` decoded was given.
    is_first: bool,
}

impl Sound {
    /// A sound by its content; `name` is for messages.
    ///
    /// # Errors
    /// `Format` for what is no sound, of a kind that is not decoded, without a sample, or has more than two channels.
    pub fn open(source: Box<dyn MediaSource>, name: &str) -> Result<Self> {
        let refuse = |fault: ListenFault| Error::of(fault, name);
        let stream = MediaSourceStream::new(source, Default::default());
        let format = symphonia::default::get_probe()
            .probe(
                &Hint::new(),
                stream,
                FormatOptions::default(),
                MetadataOptions::default(),
            )
            .map_err(|_| refuse(ListenFault::UnknownKind))?;
        let no_sound = || refuse(ListenFault::NoSound("no track of sound".to_owned()));
        let track = format.default_track(TrackType::Audio).ok_or_else(no_sound)?;
        let known = track.codec_params.as_ref().and_then(|known| known.audio());
        let known = known.ok_or_else(no_sound)?;
        let is_aac = known.codec == CODEC_ID_AAC;
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(known, &AudioDecoderOptions::default())
            .map_err(|failure| refuse(opened(&failure)))?;
        let mut sound = Self {
            name: name.to_owned(),
            track: track.id,
            expected: track.num_frames,
            format,
            decoder,
            rate_hz: 0,
            channels: 0,
            frames: 0,
            block: Vec::new(),
            packet: Vec::new(),
            is_first: true,
        };
        if !sound.decode()? {
            return Err(refuse(ListenFault::Empty));
        }
        if sound.channels > MOST_CHANNELS {
            return Err(refuse(ListenFault::Channels(sound.channels)));
        }
        if is_aac && sound.rate_hz <= HALF_RATE_HZ {
            return Err(refuse(ListenFault::HalfRate(sound.rate_hz)));
        }
        Ok(sound)
    }

    /// Its rate, Hz.
    #[must_use]
    pub fn rate_hz(&self) -> u32 {
        self.rate_hz
    }

    /// One or two.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// The next samples, frame after frame, full scale being 1; None at the end.
    ///
    /// # Errors
    /// `Format` for what is damaged, breaks off or changes its rate; `Number` for samples that are none.
    pub fn next_block(&mut self) -> Result<Option<&[f64]>> {
        if !std::mem::take(&mut self.is_first) && !self.decode()? {
            return Ok(None);
        }
        Ok(Some(&self.block))
    }

    /// Decodes the next samples into the block; false at the end.
    fn decode(&mut self) -> Result<bool> {
        self.block.clear();
        while self.block.len() < BLOCK {
            let encoded = match self.format.next_packet() {
                Ok(Some(encoded)) => encoded,
                Ok(None) => break,
                Err(failure) => return Err(self.damaged(&failure)),
            };
            if encoded.track_id != self.track {
                continue;
            }
            let packet = &mut self.packet;
            let spec = match self.decoder.decode(&encoded) {
                Ok(decoded) => {
                    decoded.copy_to_vec_interleaved::<f64>(packet);
                    Ok(shape(&decoded))
                }
                Err(failure) => Err(failure),
            };
            let (rate_hz, channels) = spec.map_err(|failure| self.damaged(&failure))?;
            if self.packet.is_empty() {
                continue;
            }
            if self.frames == 0 {
                (self.rate_hz, self.channels) = (rate_hz, channels);
            } else if (self.rate_hz, self.channels) != (rate_hz, channels) {
                return Err(Error::of(ListenFault::Changes, &*self.name));
            }
            self.refuse_senseless()?;
            self.frames += (self.packet.len() / self.channels) as u64;
            self.block.extend_from_slice(&self.packet);
        }
        match self.block.is_empty() {
            true => self.ended(),
            false => Ok(true),
        }
    }

    /// That no more comes; refused where the file promises more.
    fn ended(&self) -> Result<bool> {
        match self.expected {
            Some(expected) if self.frames < expected && self.frames > 0 => {
                let fault = ListenFault::Truncated(self.frames, expected);
                Err(Error::of(fault, &*self.name))
            }
            _ => Ok(false),
        }
    }

    fn refuse_senseless(&self) -> Result<()> {
        let strange = self.packet.iter().position(|x| x.is_nan() || x.abs() > LARGEST);
        let Some(place) = strange else {
            return Ok(());
        };
        let at_s = self.seconds() + (place / self.channels) as f64 / f64::from(self.rate_hz);
        let fault = match self.packet[place].is_finite() {
            true => ListenFault::TooLarge(at_s),
            false => ListenFault::NotFinite(at_s),
        };
        Err(Error::of(fault, &*self.name))
    }

    fn seconds(&self) -> f64 {
        self.frames as f64 / f64::from(self.rate_hz.max(1))
    }

    fn damaged(&self, failure: &Failure) -> Box<Error> {
        let fault = match self.frames {
            0 => opened(failure),
            _ => ListenFault::Damaged(self.seconds(), failure.to_string()),
        };
        Error::of(fault, &*self.name)
    }
}

fn shape(decoded: &GenericAudioBufferRef<'_>) -> (u32, usize) {
    (decoded.spec().rate(), decoded.spec().channels().count())
}

/// Why a file cannot be decoded at all.
fn opened(failure: &Failure) -> ListenFault {
    match failure {
        Failure::Unsupported(why) => ListenFault::Unsupported((*why).to_owned()),
        other => ListenFault::NoSound(other.to_string()),
    }
}
