//! What is read, and what is refused: by its content, by name, and without a file left behind.

use std::fs;
use std::path::Path;

use approx::assert_abs_diff_eq;
use assert_cmd::Command;
use bandwright::error::ErrorKind;
use bandwright::fit::random::Random;
use bandwright::sheet;
use tempfile::TempDir;

use crate::music::{decoded, noise, sections, sheet, wav_float};
use crate::support::impulses::wav_pcm;

/// The same invented tones in every format, see `samples/PROVENANCE.md`.
const SAMPLES: [(&str, &[u8]); 6] = [
    ("tone.wav", include_bytes!("samples/tone.wav")),
    ("tone.flac", include_bytes!("samples/tone.flac")),
    ("tone.mp3", include_bytes!("samples/tone.mp3")),
    ("tone.ogg", include_bytes!("samples/tone.ogg")),
    ("tone.m4a", include_bytes!("samples/tone.m4a")),
    ("tone.aac", include_bytes!("samples/tone.aac")),
];

#[test]
fn every_format_holds_the_same_sound() {
    let (expected, ..) = decoded(SAMPLES[0].1).unwrap();
    for (name, bytes) in SAMPLES {
        let (found, rate_hz, channels) = decoded(bytes).unwrap();
        assert_eq!((rate_hz, channels), (44_100, 2), "{name}");
        if name == "tone.flac" {
            assert_eq!(found, expected);
        }
        // AAC begins with what its encoder needed before the first sample; a delay of whole frames is sought.
        let apart = |delay: usize| {
            let pairs = found[2 * delay..]
                .iter()
                .zip(&expected)
                .skip(8000)
                .take(30_000);
            (pairs.map(|(a, b)| (a - b).powi(2)).sum::<f64>() / 30_000.0).sqrt()
        };
        let delays = [0, 1024, 2112];
        let least = delays
            .iter()
            .map(|delay| apart(*delay))
            .fold(f64::INFINITY, f64::min);
        // What the encoders lose: as ffmpeg decodes them, they are 0.0093 (MP3), 0.0025 (Ogg) and 0.0060 (AAC) apart.
        assert!(least < 0.0095, "{name}: {least}");
    }
}

#[test]
fn wav_is_read_at_every_depth() {
    let samples: Vec<f64> = noise(500, 0.9);
    for bits in [8, 16, 24, 32] {
        let (found, ..) = decoded(&wav_pcm(&samples, 2, 48_000, bits)).unwrap();
        for (found, sample) in found.iter().zip(&samples) {
            assert_abs_diff_eq!(*found, *sample, epsilon = 2f64.powi(1 - i32::from(bits)));
        }
    }
    let (found, ..) = decoded(&wav_float(&samples, 2, 48_000)).unwrap();
    for (found, sample) in found.iter().zip(&samples) {
        assert_abs_diff_eq!(*found, *sample, epsilon = 1e-7);
    }
    // 64-bit floating point: its header says 8 bytes a sample.
    let mut long =
        b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x03\0\x01\0\x80\xbb\0\0\0\xdc\x05\0\x08\0\x40\0data"
            .to_vec();
    long.extend((samples.len() as u32 * 8).to_le_bytes());
    long.extend(samples.iter().flat_map(|x| x.to_le_bytes()));
    let length = long.len() as u32 - 8;
    long[4..8].copy_from_slice(&length.to_le_bytes());
    assert_eq!(decoded(&long).unwrap(), (samples, 48_000, 1));
}

#[test]
fn samples_that_are_no_sound_are_refused_with_their_time() {
    let mut samples = noise(48_000, 0.5);
    samples[2 * 24_000] = f64::NAN;
    let refused = decoded(&wav_float(&samples, 2, 48_000)).unwrap_err();
    assert_eq!(refused.kind, ErrorKind::Number);
    assert!(
        refused.to_string().contains("no number at 0.500 s"),
        "{refused}"
    );
    samples[2 * 24_000] = 3e8;
    let refused = decoded(&wav_float(&samples, 2, 48_000)).unwrap_err();
    assert!(
        refused
            .to_string()
            .contains("120 dB above full scale at 0.500 s"),
        "{refused}"
    );
}

#[test]
fn more_channels_than_ears_no_samples_and_strangers_are_refused_by_name() {
    let said = |bytes: &[u8]| decoded(bytes).unwrap_err().to_string();
    assert!(said(&wav_float(&noise(600, 0.1), 3, 48_000)).contains("3 channels"));
    assert!(said(&wav_float(&[], 2, 48_000)).contains("no samples"));
    for stranger in [&b"frequency_hz,level_db\n20,90\n"[..], b"", &[0; 5000]] {
        let said = said(stranger);
        assert!(
            said.contains("no sound, by its first bytes") || said.contains("no sound"),
            "{said}"
        );
    }
}

#[test]
fn a_file_that_was_cut_off_is_refused_whatever_its_format() {
    for (name, bytes) in SAMPLES {
        let refused = decoded(&bytes[..bytes.len() * 3 / 5]);
        // A stream of AAC frames does not say how many there are; only a frame that is cut tells.
        let refused = refused.expect_err(name);
        assert!(
            [ErrorKind::Format, ErrorKind::Missing].contains(&refused.kind),
            "{name}: {refused}"
        );
    }
}

/// Runs `listen` on music in a folder of its own.
fn listen(folder: &Path, music: &str) -> (i32, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_bandwright"))
        .args(["listen", "my.sheet.toml", music, "-o", "out", "--quiet"])
        .current_dir(folder)
        .output()
        .unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

#[test]
fn no_mutated_file_panics_or_hangs_or_leaves_a_file_behind() {
    let folder = TempDir::new().unwrap();
    let path = folder.path();
    fs::write(
        path.join("my.sheet.toml"),
        sheet::write(&sheet(&[&sections()])).unwrap(),
    )
    .unwrap();
    fs::create_dir(path.join("out")).unwrap();
    let mut random = Random::new(26);
    let mut refused = 0;
    for round in 0..120 {
        let (_, bytes) = SAMPLES[round % SAMPLES.len()];
        let mut bytes = bytes.to_vec();
        match random.below(3) {
            0 => bytes.truncate(random.below(bytes.len())),
            kind => {
                // Half of them where formats keep their lengths.
                let end = if kind == 1 { 200 } else { bytes.len() };
                for _ in 0..1 + random.below(20) {
                    let at = random.below(end);
                    bytes[at] = random.below(256) as u8;
                }
            }
        }
        fs::write(path.join("music.bin"), &bytes).unwrap();
        let (code, error) = listen(path, "music.bin");
        let left: Vec<_> = fs::read_dir(path.join("out")).unwrap().flatten().collect();
        match code {
            0 => assert_eq!(left.len(), 2, "{round}"),
            2 => {
                refused += 1;
                assert!(left.is_empty(), "{round}: {left:?}");
                assert!(
                    error.contains("music.bin: found") && !error.contains("panicked"),
                    "{error}"
                );
            }
            _ => panic!("{round}: {code} {error}"),
        }
        for file in left {
            fs::remove_file(file.path()).unwrap();
        }
    }
    assert!((30..120).contains(&refused), "{refused}");
}
