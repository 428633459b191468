//! How likely everything is before anything was measured: the one place of all priors. They are our own choice (common
//! practice, no source); kinds that do not apply to a sheet or to its takes leave the rest in proportion.

/// Of the kinds, each shared out among what it can happen to: the sections, the meanings, the pairs of rates.
pub const NOTHING: f64 = 0.5;
/// Another seal after than before, of one side or both.
pub const SEAL: f64 = 0.03;
/// Another depth of the seat.
pub const SEAT: f64 = 0.03;
/// Another output impedance of what drives the earphone; only where the unit's impedance is known by frequency.
pub const SOURCE: f64 = 0.02;
/// A section left out.
pub const MISSING: f64 = 0.07;
/// A gain of the wrong sign.
pub const SIGN: f64 = 0.06;
/// Another f0.
pub const F0: f64 = 0.07;
/// Another gain.
pub const GAIN: f64 = 0.07;
/// Another q.
pub const Q: f64 = 0.02;
/// A low shelf entered as a high shelf, or the reverse.
pub const MIRRORED: f64 = 0.02;
/// Another meaning of q.
pub const Q_READ: f64 = 0.05;
/// All gains halved.
pub const HALVED: f64 = 0.01;
/// No section plays.
pub const BYPASSED: f64 = 0.03;
/// Every section plays twice.
pub const TWICE: f64 = 0.02;
/// One side has its EQ, the other none.
pub const ONE_SIDE: f64 = 0.02;
/// The EQs of the sides mixed up.
pub const WRONG_SIDE: f64 = 0.03;
/// Coefficients of one rate at another.
pub const RATE: f64 = 0.03;
/// The sections without the preamp; only where levels compare.
pub const PREAMP: f64 = 0.04;
/// The takes of before given as those of after.
pub const EXCHANGED: f64 = 0.01;
/// None of these.
pub const ELSE: f64 = 0.02;

/// Of a wrong number: that it is one slip of the printed one; else it is spread about it.
pub const SLIP: f64 = 0.6;
/// Standard deviations of a number that is no slip: octaves of f0, dB, natural logarithm of q.
pub const F0_OCTAVES: f64 = 1.0;
/// Of a gain, dB.
pub const GAIN_DB: f64 = 4.0;
/// Of ln q.
pub const LN_Q: f64 = 0.9;
/// After a mistake with one section: that another section has one as well.
pub const AGAIN: f64 = 0.1;
/// Of seals and seats that differ: that both sides do, each in its own way.
pub const BOTH_SIDES: f64 = 0.6;
/// Standard deviation of the depth of a seat that differs, mm.
pub const DEPTH_MM: f64 = 0.8;
