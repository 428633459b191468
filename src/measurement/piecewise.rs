//! Straight lines in log frequency, for the few curves that are typed in by hand.

/// The value at `frequency_hz` of points `(frequency_hz, value)` with increasing frequencies: linear in
/// log frequency between them, held at both ends; 0 where there are no points.
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
