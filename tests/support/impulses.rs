//! Impulse responses of known cascades: played sample by sample, and their exact complex response.

#![allow(dead_code, reason = "each test uses its part")]

use std::f64::consts::{PI, TAU};
use std::io::Cursor;

use bandwright::filter::biquad::Biquad;
use bandwright::filter::{Section, Shape};

/// A second-order recursion: a section, or an all-pass.
pub type Recursion = Biquad;

/// The cookbook's all-pass (Audio EQ Cookbook, W3C Group Note, 2021).
pub fn all_pass(f0_hz: f64, q: f64, rate_hz: f64) -> Recursion {
    let w0 = TAU * f0_hz / rate_hz;
    let alpha = w0.sin() / (2.0 * q);
    let a0 = 1.0 + alpha;
    let (first, second) = ((1.0 - alpha) / a0, -2.0 * w0.cos() / a0);
    Biquad {
        b0: first,
        b1: second,
        b2: 1.0,
        a1: second,
        a2: first,
    }
}

pub fn section(shape: Shape, f0_hz: f64, gain_db: f64, q: f64) -> Section {
    Section {
        shape,
        f0_hz,
        gain_db,
        q,
    }
}

pub fn recursions(sections: &[Section], rate_hz: f64) -> Vec<Recursion> {
    sections
        .iter()
        .map(|section| Biquad::new(section, rate_hz).unwrap())
        .collect()
}

/// The response of the cascade to one sample of 1 after `delay` samples of silence, `length` samples in all.
pub fn played(cascade: &[Recursion], delay: usize, length: usize) -> Vec<f64> {
    let mut x = vec![0.0; length];
    x[delay] = 1.0;
    for c in cascade {
        let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
        for sample in &mut x {
            let y = c.b0 * *sample + c.b1 * x1 + c.b2 * x2 - c.a1 * y1 - c.a2 * y2;
            (x2, x1, y2, y1) = (x1, *sample, y1, y);
            *sample = y;
        }
    }
    x
}

/// Level (dB) and phase (degrees, -180 to 180 a section, summed) of the cascade at a frequency.
pub fn exact(cascade: &[Recursion], rate_hz: f64, f_hz: f64) -> (f64, f64) {
    let w = TAU * f_hz / rate_hz;
    let polynomial = |c0: f64, c1: f64, c2: f64| {
        let re = c0 + c1 * w.cos() + c2 * (2.0 * w).cos();
        let im = -c1 * w.sin() - c2 * (2.0 * w).sin();
        (re.hypot(im), im.atan2(re))
    };
    cascade.iter().fold((0.0, 0.0), |(db, deg), c| {
        let (num, num_rad) = polynomial(c.b0, c.b1, c.b2);
        let (den, den_rad) = polynomial(1.0, c.a1, c.a2);
        (
            db + 20.0 * (num / den).log10(),
            deg + (num_rad - den_rad).to_degrees(),
        )
    })
}

/// Group delay of the cookbook's all-pass at a sample rate, seconds: that of the analog all-pass
/// `(s^2 - s w0/q + w0^2) / (s^2 + s w0/q + w0^2)`, `2 (w0/q) (w0^2 + w^2) / ((w0^2 - w^2)^2 + (w0 w / q)^2)`, at the
/// frequency that the bilinear transform maps to this one, times the change of that frequency.
pub fn all_pass_delay_s(f0_hz: f64, q: f64, rate_hz: f64, f_hz: f64) -> f64 {
    let warped = |f: f64| 2.0 * rate_hz * (PI * f / rate_hz).tan();
    let (w0, w) = (warped(f0_hz), warped(f_hz));
    let analog =
        2.0 * (w0 / q) * (w0 * w0 + w * w) / ((w0 * w0 - w * w).powi(2) + (w0 * w / q).powi(2));
    analog / (PI * f_hz / rate_hz).cos().powi(2)
}

/// `a - b` in degrees, nearest 0.
pub fn degrees_apart(a: f64, b: f64) -> f64 {
    let d = a - b;
    d - 360.0 * (d / 360.0).round()
}

fn spec(channels: u16, rate_hz: u32, bits: u16) -> hound::WavSpec {
    hound::WavSpec {
        channels,
        sample_rate: rate_hz,
        bits_per_sample: bits,
        sample_format: hound::SampleFormat::Int,
    }
}

/// A WAV file of whole numbers; interleaved samples, full scale is 1.
pub fn wav_pcm(samples: &[f64], channels: u16, rate_hz: u32, bits: u16) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec(channels, rate_hz, bits)).unwrap();
    let full_scale = (f64::from(bits) - 1.0).exp2();
    for x in samples {
        writer
            .write_sample((x * full_scale).round() as i32)
            .unwrap();
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

/// A WAV file of 32-bit floating point; interleaved samples.
pub fn wav_float(samples: &[f64], channels: u16, rate_hz: u32) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    let spec = hound::WavSpec {
        sample_format: hound::SampleFormat::Float,
        ..spec(channels, rate_hz, 32)
    };
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    for x in samples {
        writer.write_sample(*x as f32).unwrap();
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}
