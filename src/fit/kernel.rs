//! The inner loops: levels, derivatives and normal matrix of many sections at all points.
//!
//! With `T = tan^2(w/2)` at a point and `T0` at `f0`, the cookbook's squared magnitudes
//! (`filter::response`), divided by `u = T/T0`, are ratios of `alpha T + beta / T + c`:
//!
//! - peaking, `v = T/T0 + T0/T`: `(v - 2 + A^2/q^2) / (v - 2 + 1/(A^2 q^2))`
//! - low shelf, `c = A/q^2 - 2A`: `A^2 (A^2 T0/T + T/T0 + c) / (A^2 T/T0 + T0/T + c)`
//! - high shelf of gain `g`: `g` dB and a low shelf of `-g`
//!
//! so the level of many sections is one logarithm of a product of ratios, and the derivatives need
//! one division a section and point: `1/num - 1/den` and its like from `1/(num den)`.
//! `d(T/T0)/d(ln f0) = -tau T/T0` with `tau = 2 w0 / sin w0`.

use std::f64::consts::{LN_10, PI};

use super::lanes::{LANES, Lanes, ln, splat, sum};
use crate::filter::{Section, Shape};
use crate::units::DB_PER_POWER_NEPER;

/// So many ratios are multiplied before a logarithm is taken: 16 of at most 1e15 stay far from overflow.
const RATIOS_A_LOGARITHM: usize = 16;

/// The frequencies of a problem as the kernels want them, padded to whole blocks of [`LANES`].
#[derive(Debug, Clone)]
pub struct Points {
    tan_squared: Vec<f64>,
    tan_squared_inverse: Vec<f64>,
}

impl Points {
    /// Points at `frequency_hz`, each above 0 and below half of `rate_hz`. Padding repeats the last.
    pub fn new(frequency_hz: &[f64], rate_hz: f64) -> Self {
        let at = |f_hz: &f64| (PI * f_hz / rate_hz).tan().powi(2);
        let fill = frequency_hz.last().map_or(1.0, at);
        let tan_squared = padded(frequency_hz.iter().map(at), fill);
        let tan_squared_inverse = tan_squared.iter().map(|t| t.recip()).collect();
        Self {
            tan_squared,
            tan_squared_inverse,
        }
    }

    /// Number of points with the padding: a multiple of [`LANES`].
    pub fn padded_len(&self) -> usize {
        self.tan_squared.len()
    }
}

/// Numbers, filled up to a multiple of [`LANES`].
pub fn padded(numbers: impl Iterator<Item = f64>, fill: f64) -> Vec<f64> {
    let mut numbers: Vec<f64> = numbers.collect();
    numbers.resize(numbers.len().next_multiple_of(LANES), fill);
    numbers
}

/// A section as `level = offset + K ln((an T + bn/T + c_num) / (ad T + bd/T + c_den))`.
#[derive(Debug, Clone, Copy)]
pub struct Ratio {
    shape: Shape,
    offset_db: f64,
    tau: f64,
    num: [f64; 3],
    den: [f64; 3],
    /// What the derivatives want: peaking `A^2/q^2, 1/(A^2 q^2)`; shelves `A/q^2, c`.
    width: [f64; 2],
}

impl Ratio {
    /// The ratio of a section.
    pub fn new(section: &Section, rate_hz: f64) -> Self {
        let w0 = 2.0 * PI * section.f0_hz / rate_hz;
        let (sin, cos) = w0.sin_cos();
        // tan^2(w/2) = (1 - cos w)/(1 + cos w), and 1 - cos w = sin^2 w / (1 + cos w).
        let tan = sin / (1.0 + cos);
        let t0 = tan * tan;
        let t0_inverse = 1.0 / t0;
        let tau = 2.0 * w0 / sin;
        let q_squared_inverse = 1.0 / (section.q * section.q);
        match section.shape {
            Shape::Peaking => {
                let a_squared = (section.gain_db * (LN_10 / 20.0)).exp();
                let num_width = a_squared * q_squared_inverse;
                let den_width = q_squared_inverse / a_squared;
                Self {
                    shape: section.shape,
                    offset_db: 0.0,
                    tau,
                    num: [t0_inverse, t0, num_width - 2.0],
                    den: [t0_inverse, t0, den_width - 2.0],
                    width: [num_width, den_width],
                }
            }
            Shape::LowShelf | Shape::HighShelf => {
                let gain_db = if section.shape == Shape::LowShelf {
                    section.gain_db
                } else {
                    -section.gain_db
                };
                let a = (gain_db * (LN_10 / 40.0)).exp();
                let aa = a * a;
                let width = a * q_squared_inverse;
                let c = width - 2.0 * a;
                Self {
                    shape: section.shape,
                    // g/2 for a low shelf of g; g - g/2 for a high shelf of g.
                    offset_db: 0.5 * section.gain_db,
                    tau,
                    num: [t0_inverse, aa * t0, c],
                    den: [aa * t0_inverse, t0, c],
                    width: [width, c],
                }
            }
        }
    }

    #[inline(always)]
    fn num(&self, t: f64, ti: f64) -> f64 {
        let [a, b, c] = self.num;
        f64::mul_add(a, t, f64::mul_add(b, ti, c))
    }

    #[inline(always)]
    fn den(&self, t: f64, ti: f64) -> f64 {
        let [a, b, c] = self.den;
        f64::mul_add(a, t, f64::mul_add(b, ti, c))
    }

    /// The offset as a factor of the ratio: their product is 1 at 0 dB.
    fn scale(&self) -> f64 {
        (self.offset_db / DB_PER_POWER_NEPER).exp()
    }
}

/// How a section counts in the economy term.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// It is at or above 0 dB everywhere.
    Boost,
    /// It is at or below 0 dB everywhere.
    Cut,
    /// A shelf that overshoots: its sign changes with frequency.
    Mixed,
}

/// Levels of all sections at all points: boosts and cuts apart, both 0 or more.
pub struct Levels<'a> {
    /// Points.
    pub points: &'a Points,
    /// Sections.
    pub ratios: &'a [Ratio],
    /// How each counts.
    pub signs: &'a [Sign],
    /// Receives the sum of what is boosted, dB.
    pub boost_db: &'a mut [f64],
    /// Receives the sum of what is cut, dB, as positive numbers.
    pub cut_db: &'a mut [f64],
    /// Room for four numbers a point.
    pub scratch: &'a mut [Vec<f64>; 4],
}

impl pulp::WithSimd for Levels<'_> {
    type Output = ();

    // Flat loops over all points with slices of one length: what the compiler vectorises best.
    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let n = self.points.padded_len();
        let (t, ti) = (
            &self.points.tan_squared[..n],
            &self.points.tan_squared_inverse[..n],
        );
        let (boost_db, cut_db) = (&mut self.boost_db[..n], &mut self.cut_db[..n]);
        // Numerators and denominators of what is boosted, then of what is cut.
        let [bn, bd, cn, cd] = self.scratch;
        let (bn, bd, cn, cd) = (&mut bn[..n], &mut bd[..n], &mut cn[..n], &mut cd[..n]);
        boost_db.fill(0.0);
        cut_db.fill(0.0);
        let ratios = self.ratios.chunks(RATIOS_A_LOGARITHM);
        for (ratios, signs) in ratios.zip(self.signs.chunks(RATIOS_A_LOGARITHM)) {
            let some_boost = signs.iter().any(|sign| *sign != Sign::Cut);
            let some_cut = signs.iter().any(|sign| *sign != Sign::Boost);
            if some_boost {
                bn.fill(1.0);
                bd.fill(1.0);
            }
            if some_cut {
                cn.fill(1.0);
                cd.fill(1.0);
            }
            let (mut boost_offset_db, mut cut_offset_db) = (0.0, 0.0);
            for (ratio, sign) in ratios.iter().zip(signs) {
                let num = |i: usize| ratio.num(t[i], ti[i]);
                let den = |i: usize| ratio.den(t[i], ti[i]);
                match sign {
                    Sign::Boost => {
                        boost_offset_db += ratio.offset_db;
                        for i in 0..n {
                            bn[i] *= num(i);
                            bd[i] *= den(i);
                        }
                    }
                    Sign::Cut => {
                        cut_offset_db += ratio.offset_db;
                        for i in 0..n {
                            cn[i] *= num(i);
                            cd[i] *= den(i);
                        }
                    }
                    Sign::Mixed => {
                        let scale = ratio.scale();
                        for i in 0..n {
                            let (num, den) = (scale * num(i), den(i));
                            // It boosts where num > den, and leaves 1 in what it does not count in.
                            bn[i] *= if num > den { num } else { den };
                            bd[i] *= den;
                            cn[i] *= if num > den { den } else { num };
                            cd[i] *= den;
                        }
                    }
                }
            }
            let level = |num: f64, den: f64, offset_db: f64| {
                f64::mul_add(DB_PER_POWER_NEPER, ln(num / den), offset_db)
            };
            if some_boost {
                for i in 0..n {
                    boost_db[i] += level(bn[i], bd[i], boost_offset_db);
                }
            }
            if some_cut {
                for i in 0..n {
                    cut_db[i] -= level(cn[i], cd[i], cut_offset_db);
                }
            }
        }
    }
}

/// Of two numbers a point, the first where a section boosts and the second where it cuts.
pub struct BySign<'a> {
    /// Points.
    pub points: &'a Points,
    /// The section.
    pub ratio: &'a Ratio,
    /// The numbers where it boosts, and where it cuts.
    pub numbers: [&'a [f64]; 2],
    /// Receives them.
    pub chosen: &'a mut [f64],
}

impl pulp::WithSimd for BySign<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let n = self.points.padded_len();
        let (t, ti) = (
            &self.points.tan_squared[..n],
            &self.points.tan_squared_inverse[..n],
        );
        let [boost, cut] = self.numbers.map(|numbers| &numbers[..n]);
        let chosen = &mut self.chosen[..n];
        let scale = self.ratio.scale();
        for i in 0..n {
            let boosts = scale * self.ratio.num(t[i], ti[i]) >= self.ratio.den(t[i], ti[i]);
            chosen[i] = if boosts { boost[i] } else { cut[i] };
        }
    }
}

/// Level of one section at all points.
pub struct OneLevel<'a> {
    /// Points.
    pub points: &'a Points,
    /// The section.
    pub ratio: &'a Ratio,
    /// Receives the level, dB.
    pub level_db: &'a mut [f64],
}

impl pulp::WithSimd for OneLevel<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let n = self.points.padded_len();
        let (t, ti) = (
            &self.points.tan_squared[..n],
            &self.points.tan_squared_inverse[..n],
        );
        let level_db = &mut self.level_db[..n];
        for i in 0..n {
            let ratio = self.ratio.num(t[i], ti[i]) / self.ratio.den(t[i], ti[i]);
            level_db[i] = f64::mul_add(DB_PER_POWER_NEPER, ln(ratio), self.ratio.offset_db);
        }
    }
}

/// Derivatives of one section in (ln f0, gain, ln q), each multiplied by the weights.
pub struct Derivatives<'a> {
    /// Points.
    pub points: &'a Points,
    /// The section.
    pub ratio: &'a Ratio,
    /// Weight of each point.
    pub weight: &'a [f64],
    /// Receives the three weighted columns.
    pub columns: [&'a mut [f64]; 3],
}

impl pulp::WithSimd for Derivatives<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let n = self.points.padded_len();
        let (t, ti) = (
            &self.points.tan_squared[..n],
            &self.points.tan_squared_inverse[..n],
        );
        let weight = &self.weight[..n];
        let [by_f0, by_gain, by_q] = self.columns;
        let (by_f0, by_gain, by_q) = (&mut by_f0[..n], &mut by_gain[..n], &mut by_q[..n]);
        let Ratio {
            num: [an, bn, cn],
            den: [ad, bd, cd],
            ..
        } = *self.ratio;
        let f0_scale = DB_PER_POWER_NEPER * self.ratio.tau;
        if self.ratio.shape == Shape::Peaking {
            let [num_width, den_width] = self.ratio.width;
            let q_scale = 2.0 * DB_PER_POWER_NEPER;
            for i in 0..n {
                let low = bn * ti[i];
                let v = f64::mul_add(an, t[i], low);
                let (num, den) = (v + cn, v + cd);
                let both = weight[i] / (num * den);
                let (num_inverse, den_inverse) = (both * den, both * num);
                let (boosted, cut) = (num_width * num_inverse, den_width * den_inverse);
                // 2 low - v = T0/T - T/T0, and 1/num - 1/den = (den - num)/(num den).
                by_f0[i] = f0_scale * f64::mul_add(2.0, low, -v) * (cd - cn) * both;
                by_gain[i] = 0.5 * (boosted + cut);
                by_q[i] = q_scale * (cut - boosted);
            }
        } else {
            let [width, c] = self.ratio.width;
            let sign = if self.ratio.shape == Shape::LowShelf {
                0.25
            } else {
                -0.25
            };
            let q_scale = 2.0 * DB_PER_POWER_NEPER * width;
            for i in 0..n {
                let (num_t, num_ti) = (an * t[i], bn * ti[i]);
                let (den_t, den_ti) = (ad * t[i], bd * ti[i]);
                let (num, den) = (num_t + num_ti + cn, den_t + den_ti + cd);
                let both = weight[i] / (num * den);
                let (num_inverse, den_inverse) = (both * den, both * num);
                by_f0[i] =
                    f0_scale * ((num_ti - num_t) * num_inverse - (den_ti - den_t) * den_inverse);
                // A high shelf is g dB and a low shelf of -g: 1 - (0.5 + x) = 0.5 - x.
                let bend = f64::mul_add(2.0, num_ti, c) * num_inverse
                    - f64::mul_add(2.0, den_t, c) * den_inverse;
                by_gain[i] = f64::mul_add(sign, bend, 0.5 * weight[i]);
                by_q[i] = q_scale * (den_inverse - num_inverse);
            }
        }
    }
}

/// Columns in a tile of the normal matrix.
pub const TILE: usize = 4;

/// Inner products of the first columns with all columns: their rows from the tile on the diagonal on.
pub struct Products<'a> {
    /// Columns of equal length, a multiple of [`LANES`]; their number is a multiple of [`TILE`].
    pub columns: &'a [&'a [f64]],
    /// Receives the products, row by row, as many rows as it has room for, a multiple of [`TILE`]; what is left of the tiles on
    /// the diagonal is not written.
    pub products: &'a mut [f64],
}

impl pulp::WithSimd for Products<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let count = self.columns.len();
        let (tiles, _) = self.columns.as_chunks::<TILE>();
        let rows = self.products.chunks_exact_mut((TILE * count).max(1));
        for ((first, tile_rows), products) in tiles.iter().enumerate().zip(rows) {
            let rows = tile_rows.map(blocks);
            for (column, others) in tiles.iter().enumerate().skip(first) {
                let tile = tile(rows, others.map(blocks), rows[0].len());
                for (i, tile_row) in tile.iter().enumerate() {
                    for (j, lanes) in tile_row.iter().enumerate() {
                        products[i * count + column * TILE + j] = sum(lanes);
                    }
                }
            }
        }
    }
}

#[inline(always)]
fn blocks(column: &[f64]) -> &[Lanes] {
    column.as_chunks().0
}

/// The sixteen inner products of four columns with four.
#[inline(always)]
fn tile(rows: [&[Lanes]; TILE], others: [&[Lanes]; TILE], blocks: usize) -> [[Lanes; TILE]; TILE] {
    let [r0, r1, r2, r3] = rows.map(|column| &column[..blocks]);
    let [c0, c1, c2, c3] = others.map(|column| &column[..blocks]);
    let zero = [splat(0.0); TILE];
    let (mut t0, mut t1, mut t2, mut t3) = (zero, zero, zero, zero);
    for b in 0..blocks {
        let columns = [&c0[b], &c1[b], &c2[b], &c3[b]];
        accumulate(&mut t0, &r0[b], columns);
        accumulate(&mut t1, &r1[b], columns);
        accumulate(&mut t2, &r2[b], columns);
        accumulate(&mut t3, &r3[b], columns);
    }
    [t0, t1, t2, t3]
}

#[inline(always)]
fn accumulate(sums: &mut [Lanes; TILE], row: &Lanes, columns: [&Lanes; TILE]) {
    fused(&mut sums[0], row, columns[0]);
    fused(&mut sums[1], row, columns[1]);
    fused(&mut sums[2], row, columns[2]);
    fused(&mut sums[3], row, columns[3]);
}

#[inline(always)]
fn fused(sum: &mut Lanes, a: &Lanes, b: &Lanes) {
    for l in 0..LANES {
        sum[l] = f64::mul_add(a[l], b[l], sum[l]);
    }
}

/// The inner product of two columns of equal length, a multiple of [`LANES`], in a fixed order.
pub struct Product<'a>(pub &'a [f64], pub &'a [f64]);

impl pulp::WithSimd for Product<'_> {
    type Output = f64;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> f64 {
        let mut total = splat(0.0);
        for (a, b) in self.0.as_chunks().0.iter().zip(self.1.as_chunks().0) {
            fused(&mut total, a, b);
        }
        sum(&total)
    }
}
