//! What can be at fault with music, and with a trial.

use crate::error::Knob;
use crate::error::fault::{Show, faults};
use crate::message::Number;

faults! { ListenFault, names;
    /// What is wrong with a file that is no sound, as its decoder says it.
    NoSound(why: String) => Format,
        (format!("no sound that can be decoded ({why})")),
        "WAV, FLAC, MP3, Ogg Vorbis, or AAC (LC) in M4A or ADTS",
        "check that it plays elsewhere, or convert it to WAV or FLAC";
    /// A file that begins like no kind of sound.
    UnknownKind => Format,
        "no sound, by its first bytes",
        "WAV, FLAC, MP3, Ogg Vorbis, or AAC (LC) in M4A or ADTS",
        "check that it plays elsewhere, or convert it to WAV or FLAC";
    /// A kind of sound that is not decoded, as its decoder says it.
    Unsupported(why: String) => Format,
        (format!("a kind of sound that is not decoded here ({why})")),
        "WAV, FLAC, MP3, Ogg Vorbis, or AAC (LC) in M4A or ADTS",
        "convert it to WAV or FLAC";
    /// A sound that breaks off or is damaged after so many seconds, as its decoder says it.
    Damaged(after_s: f64, why: String) => Format,
        (format!("damage after {:.2} s ({why})", after_s)),
        "a whole file",
        "fetch or convert it again";
    /// So many frames where the file says that there are more.
    Truncated(found: u64, expected: u64) => Format,
        "{found} samples a channel",
        (format!("{expected}, as the file itself says")),
        "fetch or convert it again";
    /// A file without a sample.
    Empty => Format,
        "no samples",
        "some sound",
        "choose another file";
    /// A sample that is no number, at a time in seconds.
    NotFinite(at_s: f64) => Number,
        (format!("a sample that is no number at {at_s:.3} s")),
        "finite samples",
        "make the file again; it was written by something broken";
    /// A sample beyond all measure, at a time in seconds.
    TooLarge(at_s: f64) => Number,
        (format!("a sample more than 120 dB above full scale at {at_s:.3} s")),
        "samples near full scale, which is 1",
        "scale the file: it may hold whole numbers as floating point";
    /// More or fewer channels than ears.
    Channels(channels: usize) => Format,
        (format!("{channels} channels")),
        "one or two",
        "mix it down to two channels first";
    /// One channel for an EQ of each side.
    OneChannel => Format,
        "one channel, and a sheet with an EQ for each side",
        "two channels",
        "make it two channels, or use a sheet for both sides";
    /// A rate or a number of channels that changes within a file.
    Changes => Format,
        "a rate or a number of channels that changes within the file",
        "one of each",
        "convert it to WAV or FLAC";
    /// A rate of AAC that most often is half the true one, in hertz.
    HalfRate(rate_hz: u32) => Format,
        (format!("AAC at {rate_hz} Hz: most often the lower half of HE-AAC, whose upper half is not decoded here")),
        "AAC of the kind LC, at 32000 Hz or more",
        "convert it to WAV or FLAC";
    /// A section above half the rate, in hertz.
    BeyondRate(f0_hz: f64, rate_hz: f64) => Coverage,
        (format!("{} Hz, too low a rate for a section at {} Hz", Number(*rate_hz), Number(*f0_hz))),
        (format!("more than {} Hz", Number(2.0 * f0_hz))),
        "choose music of a higher rate";
    /// An excerpt that begins at a time in seconds, after the end.
    AfterTheEnd(from_s: f64, end_s: f64) => Setting,
        (format!("{} s, where the music has ended", from_s.show())),
        (format!("less than {end_s:.2} s")),
        "begin earlier";
    /// Music that no loudness can be told of.
    Silent => Coverage,
        "silence, or less than 0.4 s of sound",
        "music whose loudness can be told",
        (format!("choose a longer or louder excerpt, or add {}", names(Knob::Unmatched)));
    /// More bytes than a WAV file can hold.
    TooLong => Format,
        "more sound than one WAV file holds (4 GiB)",
        "less",
        "choose an excerpt";
    /// A trial that does not fit its sheets.
    Trial(sheets: usize) => Setting,
        (format!("{sheets} sheets for a blind trial")),
        "one, which is tried against no EQ, or two",
        "name one or two sheets";
    /// A seal that is not of these trials.
    Seal => Format,
        "a seal that does not fit the trials",
        "the file as it was written, but for the answers",
        "make the trial again: its order is lost";
    /// An answer that is none.
    Answer(found: String, choices: String) => Setting,
        "`{found}`",
        "{choices}, or nothing where a trial was left out",
        "answer again";
    /// A sweep that is none of those to be listened to.
    NoSweep(file: String) => Name,
        "`{file}`, which is none of the sweeps",
        "a file that was written with this one",
        "write the sweeps again, and note their times in the file beside them";
    /// What is no time of a sweep of so many seconds.
    NoTime(found: String, seconds: f64) => Setting,
        "`{found}`",
        (format!("a time from 0 to {seconds} s, such as 12.5 or 0:12, or nothing")),
        "note the time at which it was loudest";
    /// No answer at all.
    NoAnswer => Setting,
        "no answers",
        "at least one",
        "listen, and write what you hear into this file";
}
