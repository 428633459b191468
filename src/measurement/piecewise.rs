//! Piecewise linear interpolation in log frequency, for short tables.

/// The value at `frequency_hz`, interpolated linearly in log frequency between points `(frequency_hz, value)` with
/// increasing frequencies; beyond the ends the end values are used. 0 if there are no points.
pub(super) fn linear_in_log_f(points: &[(f64, f64)], frequency_hz: f64) -> f64 {
    let after = points.partition_point(|(f_hz, _)| *f_hz <= frequency_hz);
    match (points.get(after.wrapping_sub(1)), points.get(after)) {
        (Some(&(f0_hz, v0)), Some(&(f1_hz, v1))) => {
            v0 + (v1 - v0) * (frequency_hz / f0_hz).ln() / (f1_hz / f0_hz).ln()
        }
        (Some(&(_, held)), None) | (None, Some(&(_, held))) => held,
        (None, None) => 0.0,
    }
}
