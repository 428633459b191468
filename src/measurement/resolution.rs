//! How finely levels are known.

/// Grid points to an octave, and the fewest that a curve must cover.
pub const POINTS_PER_OCTAVE: usize = 48;
