//! Samples through sections: what comes out is what the response says.

use bandwright::filter::run::Cascade;
use bandwright::filter::{Section, Shape, biquad::Biquad, cascade};
use proptest::prelude::*;

const RATE_HZ: f64 = 48_000.0;

fn any_section() -> impl Strategy<Value = Section> {
    let shape = prop::sample::select(Shape::ALL.to_vec());
    let log = |low: f64, high: f64| (low.ln()..high.ln()).prop_map(f64::exp);
    (shape, log(200.0, 18_000.0), -15.0..15.0, log(0.3, 5.0)).prop_map(
        |(shape, f0_hz, gain_db, q)| Section {
            shape,
            f0_hz,
            gain_db,
            q,
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// The Fourier sum of what one impulse leaves is the response.
    #[test]
    fn an_impulse_leaves_the_response_of_all_sections(
        sections in prop::collection::vec(any_section(), 0..6),
        f_hz in 100.0..20_000.0_f64,
    ) {
        let biquads: Vec<Biquad> = sections
            .iter()
            .map(|section| Biquad::new(section, RATE_HZ).unwrap())
            .collect();
        let mut cascade = Cascade::new(&biquads);
        let step = std::f64::consts::TAU * f_hz / RATE_HZ;
        let (mut re, mut im) = (0.0, 0.0);
        for n in 0..1 << 14 {
            let sample = cascade.run(f64::from(u8::from(n == 0)));
            re += sample * (step * f64::from(n)).cos();
            im -= sample * (step * f64::from(n)).sin();
        }
        let level_db = 20.0 * f64::hypot(re, im).log10();
        let predicted_db = cascade::level_db(&sections, RATE_HZ, f_hz);
        prop_assert!((level_db - predicted_db).abs() < 1e-6, "{} {}", level_db, predicted_db);
        // At 200 Hz and q 5 nothing is left of it by now.
        prop_assert!(cascade.states().all(|[s1, s2]| s1.abs() + s2.abs() < 1e-9));
    }
}
