//! Arithmetic on eight numbers at a time, in plain Rust that the compiler turns into vector instructions.
//!
//! All functions work on blocks of [`LANES`] numbers in a fixed order of operations, so results are the same to the
//! last bit on every instruction set. `pulp` only chooses at run time which instructions the compiler may use, and
//! `mul_add` is correctly rounded with or without hardware support.

/// Numbers in a block.
pub const LANES: usize = 8;

/// A block of [`LANES`] numbers, usually one for each of eight neighbouring points.
pub type Lanes = [f64; LANES];

/// The same number in every lane.
#[inline(always)]
pub fn splat(value: f64) -> Lanes {
    [value; LANES]
}

/// A slice of `count` numbers in `room`, aligned to a cache line so that no block straddles two lines (reading such a
/// block takes twice as long). The contents are unspecified.
pub fn aligned(room: &mut Vec<f64>, count: usize) -> &mut [f64] {
    let needed = count + LANES - 1;
    if room.len() < needed {
        room.resize(needed, 0.0);
    }
    let start = room.as_ptr().align_offset(size_of::<Lanes>());
    // `align_offset` may give up and return `usize::MAX`; the data is then used unaligned.
    let start = start.min(LANES - 1);
    &mut room[start..start + count]
}

/// The sum of the lanes, in a fixed order.
#[inline(always)]
pub fn sum(x: &Lanes) -> f64 {
    ((x[0] + x[4]) + (x[2] + x[6])) + ((x[1] + x[5]) + (x[3] + x[7]))
}

/// Adds `factor * block` to `sum`, lane by lane.
#[inline(always)]
pub fn add(sum: &mut Lanes, factor: f64, block: &Lanes) {
    for (sum, element) in sum.iter_mut().zip(block) {
        *sum = f64::mul_add(factor, *element, *sum);
    }
}

/// `ln(num / den)` for positive normal numbers whose quotient is normal too; other input gives a meaningless number.
/// Error: 2 units in the last place where `num` and `den` are close, otherwise 1e-15 relative.
///
/// With `k` such that `num` is within a factor of 3/2 of `2^k den`: `ln(num / den) = k ln 2 + 2 artanh s`, where
/// `s = (num - 2^k den) / (num + 2^k den)` and `s^2 <= 0.04`. Eleven terms of the artanh series after the first leave
/// less than 1e-18. The code has one division, no branch and no call, so that the compiler can vectorise a loop over
/// it.
#[inline(always)]
pub fn ln_of_quotient(num: f64, den: f64) -> f64 {
    const ONE_BITS: u64 = 0x3ff0_0000_0000_0000;
    const HALF_AN_EXPONENT: u64 = 1 << 51;
    const EXPONENT: u64 = 0x7ff0_0000_0000_0000;
    const LARGEST: u64 = EXPONENT - 1;
    const TWO_POW_52: f64 = 4_503_599_627_370_496.0;
    const LN_2_HI: f64 = 6.931_471_803_691_238e-1;
    const LN_2_LO: f64 = 1.908_214_929_270_587_7e-10;
    // The bits of a float, read as an integer, grow nearly linearly with its logarithm. The exponent field is k + 1023.
    let near = num
        .to_bits()
        .wrapping_sub(den.to_bits())
        .wrapping_add(ONE_BITS + HALF_AN_EXPONENT)
        // The exponent may not reach 1024 (infinity). At that end of the range the series is slightly less accurate.
        .min(LARGEST);
    let k = f64::from_bits((near >> 52) | TWO_POW_52.to_bits()) - (TWO_POW_52 + 1023.0);
    let scaled = den * f64::from_bits(near & EXPONENT);
    // Both are halved so that their sum cannot overflow.
    let (num, scaled) = (0.5 * num, 0.5 * scaled);
    let s = (num - scaled) / (num + scaled);
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

/// `e^x` within about 1 unit in the last place where that is a normal number; x is clamped to the range -708 to 709.
///
/// With `x = k ln 2 + r`, `|r| <= ln 2 / 2`, the Taylor series of `e^r` up to the 13th power leaves less than 1e-17.
#[inline(always)]
pub fn exp(x: f64) -> f64 {
    const LN_2_HI: f64 = 6.931_471_803_691_238e-1;
    const LN_2_LO: f64 = 1.908_214_929_270_587_7e-10;
    // Adding this number (1.5 * 2^52) rounds to the nearest integer and leaves it in the lowest bits.
    const SHIFT: f64 = 6_755_399_441_055_744.0;
    let x = x.clamp(-708.0, 709.0);
    let shifted = f64::mul_add(x, std::f64::consts::LOG2_E, SHIFT);
    let k = shifted - SHIFT;
    let r = f64::mul_add(-k, LN_2_LO, f64::mul_add(-k, LN_2_HI, x));
    let mut series = 1.0 / 6_227_020_800.0;
    series = f64::mul_add(series, r, 1.0 / 479_001_600.0);
    series = f64::mul_add(series, r, 1.0 / 39_916_800.0);
    series = f64::mul_add(series, r, 1.0 / 3_628_800.0);
    series = f64::mul_add(series, r, 1.0 / 362_880.0);
    series = f64::mul_add(series, r, 1.0 / 40_320.0);
    series = f64::mul_add(series, r, 1.0 / 5_040.0);
    series = f64::mul_add(series, r, 1.0 / 720.0);
    series = f64::mul_add(series, r, 1.0 / 120.0);
    series = f64::mul_add(series, r, 1.0 / 24.0);
    series = f64::mul_add(series, r, 1.0 / 6.0);
    series = f64::mul_add(series, r, 0.5);
    let small = f64::mul_add(series * r, r, r);
    let power = f64::from_bits((shifted.to_bits() << 52).wrapping_add(1.0_f64.to_bits()));
    f64::mul_add(power, small, power)
}

/// `sin(x)` for x from 0 to pi/2; relative error 3e-16 or less. The Taylor series up to the 21st power leaves less than
/// 2e-18.
#[inline(always)]
pub fn sin_in_quarter(x: f64) -> f64 {
    let z = x * x;
    let mut series = 1.0 / 51_090_942_171_709_440_000.0;
    series = f64::mul_add(series, z, -1.0 / 121_645_100_408_832_000.0);
    series = f64::mul_add(series, z, 1.0 / 355_687_428_096_000.0);
    series = f64::mul_add(series, z, -1.0 / 1_307_674_368_000.0);
    series = f64::mul_add(series, z, 1.0 / 6_227_020_800.0);
    series = f64::mul_add(series, z, -1.0 / 39_916_800.0);
    series = f64::mul_add(series, z, 1.0 / 362_880.0);
    series = f64::mul_add(series, z, -1.0 / 5_040.0);
    series = f64::mul_add(series, z, 1.0 / 120.0);
    series = f64::mul_add(series, z, -1.0 / 6.0);
    f64::mul_add(x * z, series, x)
}
