//! Eight numbers at a time, in plain Rust that the compiler turns into vector instructions.
//!
//! Everything here works on blocks of [`LANES`] numbers with a fixed order of operations, so the
//! result is the same to the last bit on every instruction set: `pulp` only chooses, at run time,
//! which instructions the compiler may use, and `mul_add` is correctly rounded with or without
//! hardware for it.

/// Numbers in a block.
pub const LANES: usize = 8;

/// A block: one number for each of eight neighbouring grid points.
pub type Lanes = [f64; LANES];

/// The same number in every lane.
#[inline(always)]
pub fn splat(value: f64) -> Lanes {
    [value; LANES]
}

/// Room for `count` numbers that starts where a line of the cache does, so that no block of it lies across two lines: that
/// would take twice as long to read. What is in it is of earlier use.
pub fn aligned(room: &mut Vec<f64>, count: usize) -> &mut [f64] {
    room.resize(count + LANES - 1, 0.0);
    let start = room.as_ptr().align_offset(size_of::<Lanes>());
    // Where the address cannot be told, any place will do.
    let start = start.min(LANES - 1);
    &mut room[start..start + count]
}

/// The sum of the lanes, in a fixed order.
#[inline(always)]
pub fn sum(x: &Lanes) -> f64 {
    ((x[0] + x[4]) + (x[2] + x[6])) + ((x[1] + x[5]) + (x[3] + x[7]))
}

/// Natural logarithm of a positive normal number, within 2 units in the last place near 1 and
/// relative 1e-15 elsewhere; other input gives a meaningless number.
///
/// `x = 2^k m` with `m` in `[1/sqrt 2, sqrt 2)`, `ln m = 2 artanh s`, `s = (m - 1)/(m + 1)`,
/// `s^2 <= 0.0295`: eleven terms of the artanh series leave less than 1e-17. No branch and no call,
/// so that a loop over it becomes vector instructions.
#[inline(always)]
pub fn ln(x: f64) -> f64 {
    const SQRT_HALF_BITS: u64 = 0x3fe6_a09e_667f_3bcd;
    const TWO_POW_52: f64 = 4_503_599_627_370_496.0;
    const LN_2_HI: f64 = 6.931_471_803_691_238e-1;
    const LN_2_LO: f64 = 1.908_214_929_270_587_7e-10;
    // Counted from sqrt(1/2), the exponent field is k + 1023 and the rest is m.
    let shifted = x
        .to_bits()
        .wrapping_add(0x3ff0_0000_0000_0000 - SQRT_HALF_BITS);
    let k = f64::from_bits((shifted >> 52) | TWO_POW_52.to_bits()) - (TWO_POW_52 + 1023.0);
    let m = f64::from_bits((shifted & 0x000f_ffff_ffff_ffff) + SQRT_HALF_BITS);
    let s = (m - 1.0) / (m + 1.0);
    let z = s * s;
    let mut series = 2.0 / 23.0;
    series = f64::mul_add(series, z, 2.0 / 21.0);
    series = f64::mul_add(series, z, 2.0 / 19.0);
    series = f64::mul_add(series, z, 2.0 / 17.0);
    series = f64::mul_add(series, z, 2.0 / 15.0);
    series = f64::mul_add(series, z, 2.0 / 13.0);
    series = f64::mul_add(series, z, 2.0 / 11.0);
    series = f64::mul_add(series, z, 2.0 / 9.0);
    series = f64::mul_add(series, z, 2.0 / 7.0);
    series = f64::mul_add(series, z, 2.0 / 5.0);
    series = f64::mul_add(series, z, 2.0 / 3.0);
    let small = f64::mul_add(series * z, s, k * LN_2_LO);
    f64::mul_add(k, LN_2_HI, 2.0 * s + small)
}
