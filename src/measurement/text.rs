//! Decoding of bytes to text: the kind of file and its encoding.

use std::borrow::Cow;

use chardetng::{EncodingDetector, Iso2022JpDetection, Utf8Detection};
use encoding_rs::{Encoding, UTF_16BE, UTF_16LE};

use super::error::MeasurementFault as Fault;
use crate::error::{Error, Result};
use crate::keys::BYTE_ORDER_MARK;

/// The largest text file that is read, in bytes.
pub const MAX_FILE_BYTES: usize = 16 << 20;

/// Number of bytes from which the encoding is guessed.
const SAMPLE_BYTES: usize = 1 << 16;

const KINDS: [(&[u8], &str); 8] = [
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"PK\x03\x04", "a ZIP archive or spreadsheet"),
    (b"\x1f\x8b", "a GZIP archive"),
    (b"%PDF", "a PDF document"),
    (b"RIFF", "a WAV or other RIFF file"),
    (b"RF64", "a WAV file"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet or document"),
];

/// The text of a file in UTF-8, UTF-16 or an eight-bit encoding. A byte order mark decides first; line ends become
/// `\n`.
///
/// # Errors
/// `Format` for a file that is empty, too large or not text.
pub(crate) fn decode<'a>(bytes: &'a [u8], source_name: &str) -> Result<Cow<'a, str>> {
    let refuse = |fault| Err(Error::of(fault, source_name));
    if bytes.len() > MAX_FILE_BYTES {
        return refuse(Fault::TextTooLarge(MAX_FILE_BYTES));
    }
    if let Some((_, kind)) = KINDS.iter().find(|(head, _)| bytes.starts_with(head)) {
        return refuse(Fault::NotText(kind));
    }
    let text = match Encoding::for_bom(bytes) {
        Some((encoding, _)) => encoding.decode_with_bom_removal(bytes).0,
        None => without_mark(bytes),
    };
    let text = match text {
        Cow::Borrowed(text) => Cow::Borrowed(text.trim_start_matches(BYTE_ORDER_MARK)),
        Cow::Owned(text) => match text.strip_prefix(BYTE_ORDER_MARK) {
            Some(rest) => Cow::Owned(rest.trim_start_matches(BYTE_ORDER_MARK).to_owned()),
            None => Cow::Owned(text),
        },
    };
    if text.contains('\0') {
        return refuse(Fault::NotText("a binary file (it holds zero bytes)"));
    }
    if text.trim().is_empty() {
        return refuse(Fault::NotText("an empty file"));
    }
    Ok(if text.contains('\r') {
        Cow::Owned(text.replace("\r\n", "\n").replace('\r', "\n"))
    } else {
        text
    })
}

fn without_mark(bytes: &[u8]) -> Cow<'_, str> {
    if let Some(encoding) = utf_16_by_zeros(bytes) {
        return encoding.decode_without_bom_handling(bytes).0;
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => Cow::Borrowed(text),
        // Eight-bit text has no zero bytes: the caller refuses such bytes without an expensive guess.
        Err(_) if bytes.contains(&0) => Cow::Borrowed("\0"),
        Err(error) => {
            let odd = error.valid_up_to();
            let sample = &bytes[odd.saturating_sub(SAMPLE_BYTES / 2)..];
            let mut detector = EncodingDetector::new(Iso2022JpDetection::Deny);
            detector.feed(&sample[..sample.len().min(SAMPLE_BYTES)], true);
            let encoding = detector.guess(None, Utf8Detection::Deny);
            encoding.decode_without_bom_handling(bytes).0
        }
    }
}

/// Digits and separators are ASCII, so about every other byte of a curve in UTF-16 is zero.
fn utf_16_by_zeros(bytes: &[u8]) -> Option<&'static Encoding> {
    let pairs = &bytes[..bytes.len().min(SAMPLE_BYTES) & !1];
    let zeros = |offset: usize| {
        pairs
            .iter()
            .skip(offset)
            .step_by(2)
            .filter(|b| **b == 0)
            .count()
    };
    let (even, odd, half) = (zeros(0), zeros(1), pairs.len() / 2);
    let (most, none) = (half * 8 / 10, half / 20);
    match half {
        // Too short to contain a curve.
        ..8 => None,
        _ if odd > most && even <= none => Some(UTF_16LE),
        _ if even > most && odd <= none => Some(UTF_16BE),
        _ => None,
    }
}
