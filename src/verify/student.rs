//! Student's t distribution for whole degrees of freedom, by its finite series (M. Abramowitz, I. A. Stegun, Handbook of
//! Mathematical Functions, 1964, 26.7.3 and 26.7.4), and its quantiles by halving.

use std::f64::consts::{FRAC_2_PI, PI};

/// Probability that |t| is at most `t`, 0 or more.
fn within(t: f64, freedom: usize) -> f64 {
    let theta = (t / (freedom as f64).sqrt()).atan();
    let (sin, cos) = theta.sin_cos();
    let odd = freedom % 2 == 1;
    // cos, 2/3 cos^3, 2/3 4/5 cos^5 ...; or 1, 1/2 cos^2, 1/2 3/4 cos^4 ...
    let (mut term, mut number) = if odd { (cos, 3) } else { (1.0, 2) };
    let mut sum = 0.0;
    while number <= freedom {
        sum += term;
        term *= cos * cos * (number - 1) as f64 / number as f64;
        number += 2;
    }
    match odd {
        true => FRAC_2_PI * (theta + sin * sum),
        false => sin * sum,
    }
}

/// The value that t exceeds with probability `above` (0 to 0.5, both excluded), at `freedom` of at least 1.
#[must_use]
pub fn exceeded(above: f64, freedom: usize) -> f64 {
    /// Beyond this many, the distribution is the normal one for every use here.
    const MOST: usize = 2000;
    let freedom = freedom.clamp(1, MOST);
    // The widest distribution has t = 1 / tan(pi above).
    let (mut low, mut high) = (0.0, 1.0 + (PI * above).tan().recip());
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if 0.5 * (1.0 - within(middle, freedom)) > above {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
