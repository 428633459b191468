//! Monotone cubic interpolation (PCHIP): no overshoot between the points.
//!
//! Source: F. N. Fritsch and J. Butland, "A method for constructing local monotone piecewise cubic interpolants", SIAM
//! J. Sci. Stat. Comput. 5 (1984). The slope at a point is the weighted harmonic mean of the secants on both sides, or
//! 0 if they differ in sign. At the ends a three-point formula is used, limited to keep the shape (C. Moler, "Numerical
//! Computing with MATLAB", 2004, section 3.6).

/// An interpolant through points with strictly increasing `x`.
#[derive(Debug, Clone)]
pub struct Pchip<'a> {
    x: &'a [f64],
    y: &'a [f64],
    slope: Vec<f64>,
}

impl<'a> Pchip<'a> {
    /// The interpolant; None for fewer than two points, unequal lengths, or `x` that do not increase.
    #[must_use]
    pub fn new(x: &'a [f64], y: &'a [f64]) -> Option<Self> {
        if x.len() != y.len()
            || x.len() < 2
            || x.windows(2)
                .any(|w| w[0].partial_cmp(&w[1]) != Some(std::cmp::Ordering::Less))
        {
            return None;
        }
        let step: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
        let secant: Vec<f64> = y
            .windows(2)
            .zip(&step)
            .map(|(w, h)| (w[1] - w[0]) / h)
            .collect();
        let last = step.len() - 1;
        let mut slope = vec![secant[0]; x.len()];
        if last > 0 {
            slope[0] = end_slope(step[0], step[1], secant[0], secant[1]);
            slope[last + 1] = end_slope(step[last], step[last - 1], secant[last], secant[last - 1]);
            for k in 1..=last {
                slope[k] = inner_slope(step[k - 1], step[k], secant[k - 1], secant[k]);
            }
        }
        Some(Self { x, y, slope })
    }

    /// The value at `x`. It is exact at the points; beyond the ends the end values are used.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        let last = self.x.len() - 1;
        let k = self.x.partition_point(|knot| *knot <= x);
        if k == 0 {
            return self.y[0];
        }
        if k > last {
            return self.y[last];
        }
        let k = k - 1;
        let h = self.x[k + 1] - self.x[k];
        let s = x - self.x[k];
        let secant = (self.y[k + 1] - self.y[k]) / h;
        let c = (3.0 * secant - 2.0 * self.slope[k] - self.slope[k + 1]) / h;
        let b = (self.slope[k] - 2.0 * secant + self.slope[k + 1]) / (h * h);
        self.y[k] + s * (self.slope[k] + s * (c + s * b))
    }
}

fn inner_slope(h0: f64, h1: f64, d0: f64, d1: f64) -> f64 {
    if d0 * d1 <= 0.0 {
        return 0.0;
    }
    let (w0, w1) = (2.0 * h1 + h0, h1 + 2.0 * h0);
    (w0 + w1) / (w0 / d0 + w1 / d1)
}

fn end_slope(h0: f64, h1: f64, d0: f64, d1: f64) -> f64 {
    let slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
    if slope * d0 <= 0.0 {
        0.0
    } else if d0 * d1 <= 0.0 && slope.abs() > 3.0 * d0.abs() {
        3.0 * d0
    } else {
        slope
    }
}
