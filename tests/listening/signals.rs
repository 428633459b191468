//! Signals whose answer is known.

use approx::assert_abs_diff_eq;
use bandwright::listen::signals::{RATE_HZ, SECONDS, STEP_S, Signal, steps_hz};
use realfft::RealFftPlanner;

/// Power of every line of the whole signal.
fn spectrum(samples: &[f64]) -> Vec<f64> {
    let transform = RealFftPlanner::new().plan_fft_forward(samples.len());
    let (mut input, mut lines) = (samples.to_vec(), transform.make_output_vec());
    transform.process(&mut input, &mut lines).unwrap();
    lines.iter().map(|line| line.norm_sqr()).collect()
}

fn within_hz(power: &[f64], samples: usize, low_hz: f64, high_hz: f64) -> f64 {
    let line = |hz: f64| (hz * samples as f64 / f64::from(RATE_HZ)).round() as usize;
    power[line(low_hz)..line(high_hz)].iter().sum()
}

fn rms_db(samples: &[f64]) -> f64 {
    let power = samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64;
    10.0 * power.log10()
}

fn peak(samples: &[f64]) -> f64 {
    samples.iter().fold(0.0, |most: f64, x| most.max(x.abs()))
}

#[test]
fn pink_noise_has_the_same_power_in_every_octave_and_the_level_of_a_sine() {
    let samples = Signal::PinkNoise.samples(-30.0);
    assert_eq!(samples.len(), (SECONDS * f64::from(RATE_HZ)) as usize);
    // A sine of full scale has -3.01 dB.
    assert_abs_diff_eq!(rms_db(&samples), -33.0103, epsilon = 1e-3);
    let power = spectrum(&samples);
    let octave =
        |low_hz: f64| 10.0 * within_hz(&power, samples.len(), low_hz, 2.0 * low_hz).log10();
    for low_hz in [50.0, 400.0, 3200.0, 9000.0] {
        assert_abs_diff_eq!(octave(low_hz), octave(1000.0), epsilon = 0.02);
    }
    let outside = within_hz(&power, samples.len(), 0.0, 19.0);
    assert!(outside < 1e-12 * power.iter().sum::<f64>());
    // Even at the highest level that can be chosen, it stays below full scale.
    assert!(peak(&Signal::PinkNoise.samples(-12.0)) < 1.0);
}

#[test]
fn stepped_sines_stand_at_third_octaves_each_at_the_level() {
    let samples = Signal::SteppedSines.samples(-20.0);
    let step = (STEP_S * f64::from(RATE_HZ)) as usize;
    let steps: Vec<f64> = steps_hz().collect();
    assert_eq!((steps.len(), samples.len()), (31, 31 * step));
    assert_abs_diff_eq!(steps[17], 1000.0, epsilon = 1e-9);
    assert_abs_diff_eq!(steps[30], 19_952.6, epsilon = 0.1);
    for (f_hz, samples) in steps.iter().zip(samples.chunks(step)) {
        // Its frequency by its zero crossings, between the ends that rise and fall.
        let inside = &samples[step / 10..step * 9 / 10];
        let crossings = inside
            .windows(2)
            .filter(|pair| pair[0] < 0.0 && pair[1] >= 0.0)
            .count();
        let seconds = inside.len() as f64 / f64::from(RATE_HZ);
        assert!((crossings as f64 - f_hz * seconds).abs() <= 1.0, "{f_hz}");
        assert_abs_diff_eq!(
            rms_db(inside),
            -23.01,
            epsilon = if *f_hz < 100.0 { 0.3 } else { 0.05 }
        );
        assert!(samples[0].abs() < 1e-9 && samples[step - 1].abs() < 1e-3);
    }
}

#[test]
fn a_log_sweep_is_as_long_in_every_octave() {
    let samples = Signal::LogSweep.samples(-20.0);
    let power = spectrum(&samples);
    let octave =
        |low_hz: f64| 10.0 * within_hz(&power, samples.len(), low_hz, 2.0 * low_hz).log10();
    for low_hz in [40.0, 300.0, 2500.0, 8000.0] {
        assert_abs_diff_eq!(octave(low_hz), octave(1000.0), epsilon = 0.1);
    }
    assert!(peak(&samples) <= 0.1);
}
