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
//!
//! A block is eight points of one column, but for the normal matrix: there it is eight sections at one point, and then
//! eight variables ([`Rows`], [`Square`]). The matrix is the sum of the outer products of the points' rows, so that nothing
//! has to be summed across a block.

use std::f64::consts::{LN_10, PI};

use super::lanes::{LANES, Lanes, add, ln_of_quotient, splat, sum};
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
    offset_db: f64,
    num: [f64; 3],
    den: [f64; 3],
    slopes: SlopeNumbers,
}

/// What the derivatives of a level want, `K` included: each is a sum of `(a T + b/T + c) / num` and `-(a T + b/T + c) / den`.
#[derive(Debug, Clone, Copy)]
struct SlopeNumbers {
    /// By ln f0: `b` and `-a` of num, then of den.
    f0: [f64; 4],
    /// By gain: what is the same everywhere, `b` and `c` of num, `a` and `c` of den.
    gain: [f64; 5],
    /// By ln q: `c` of num and of den.
    q: [f64; 2],
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
        let tau = DB_PER_POWER_NEPER * 2.0 * w0 / sin;
        let q_squared_inverse = 1.0 / (section.q * section.q);
        match section.shape {
            Shape::Peaking => {
                let a_squared = (section.gain_db * (LN_10 / 20.0)).exp();
                let num_width = a_squared * q_squared_inverse;
                let den_width = q_squared_inverse / a_squared;
                // The widths grow and fall by ln 10 / 20 a dB, half of 1/K, and both fall by twice ln q.
                let by_q = -2.0 * DB_PER_POWER_NEPER;
                Self {
                    offset_db: 0.0,
                    num: [t0_inverse, t0, num_width - 2.0],
                    den: [t0_inverse, t0, den_width - 2.0],
                    slopes: SlopeNumbers {
                        f0: [tau * t0, tau * t0_inverse, tau * t0, tau * t0_inverse],
                        gain: [0.0, 0.0, 0.5 * num_width, 0.0, -0.5 * den_width],
                        q: [by_q * num_width, by_q * den_width],
                    },
                }
            }
            Shape::LowShelf | Shape::HighShelf => {
                let sign = if section.shape == Shape::LowShelf {
                    1.0
                } else {
                    -1.0
                };
                let a = (sign * section.gain_db * (LN_10 / 40.0)).exp();
                let aa = a * a;
                let width = a * q_squared_inverse;
                let c = width - 2.0 * a;
                // A and c grow by ln 10 / 40 a dB, a quarter of 1/K.
                let quarter = 0.25 * sign;
                let by_q = -2.0 * DB_PER_POWER_NEPER * width;
                Self {
                    // g/2 for a low shelf of g; g - g/2 for a high shelf of g.
                    offset_db: 0.5 * section.gain_db,
                    num: [t0_inverse, aa * t0, c],
                    den: [aa * t0_inverse, t0, c],
                    slopes: SlopeNumbers {
                        f0: [
                            tau * aa * t0,
                            tau * t0_inverse,
                            tau * t0,
                            tau * aa * t0_inverse,
                        ],
                        gain: [
                            0.5,
                            2.0 * quarter * aa * t0,
                            quarter * c,
                            2.0 * quarter * aa * t0_inverse,
                            quarter * c,
                        ],
                        q: [by_q, by_q],
                    },
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

    /// The derivatives of the level by ln f0, gain and ln q, times `weight`.
    #[inline(always)]
    fn slopes(&self, t: f64, ti: f64, weight: f64) -> [f64; 3] {
        let (num, den) = (self.num(t, ti), self.den(t, ti));
        let both = weight / (num * den);
        let (num_inverse, den_inverse) = (both * den, both * num);
        let SlopeNumbers { f0, gain, q } = self.slopes;
        let num_by_f0 = f64::mul_add(f0[0], ti, -(f0[1] * t));
        let den_by_f0 = f64::mul_add(f0[2], ti, -(f0[3] * t));
        let num_by_gain = f64::mul_add(gain[1], ti, gain[2]);
        let den_by_gain = f64::mul_add(gain[3], t, gain[4]);
        let same = f64::mul_add(gain[0], weight, num_by_gain * num_inverse);
        [
            f64::mul_add(num_by_f0, num_inverse, -(den_by_f0 * den_inverse)),
            f64::mul_add(-den_by_gain, den_inverse, same),
            f64::mul_add(q[0], num_inverse, -(q[1] * den_inverse)),
        ]
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
}

impl pulp::WithSimd for Levels<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let (t, _) = self.points.tan_squared.as_chunks::<LANES>();
        let (ti, _) = self.points.tan_squared_inverse.as_chunks::<LANES>();
        let (boost_db, _) = self.boost_db.as_chunks_mut::<LANES>();
        let (cut_db, _) = self.cut_db.as_chunks_mut::<LANES>();
        let n = t.len();
        let (ti, boost_db, cut_db) = (&ti[..n], &mut boost_db[..n], &mut cut_db[..n]);
        boost_db.as_flattened_mut().fill(0.0);
        cut_db.as_flattened_mut().fill(0.0);
        let ratios = self.ratios.chunks(RATIOS_A_LOGARITHM);
        for (ratios, signs) in ratios.zip(self.signs.chunks(RATIOS_A_LOGARITHM)) {
            let some_cut = signs.iter().any(|sign| *sign != Sign::Boost);
            let (mut boost_offset_db, mut cut_offset_db) = (0.0, 0.0);
            let mut scales = [1.0; RATIOS_A_LOGARITHM];
            for ((ratio, sign), scale) in ratios.iter().zip(signs).zip(&mut scales) {
                match sign {
                    Sign::Boost => boost_offset_db += ratio.offset_db,
                    Sign::Cut => cut_offset_db += ratio.offset_db,
                    Sign::Mixed => *scale = ratio.scale(),
                }
            }
            for b in 0..n {
                let (t, ti) = (&t[b], &ti[b]);
                // Numerators and denominators of what is boosted, then of what is cut.
                let one = splat(1.0);
                let (mut bn, mut bd, mut cn, mut cd) = (one, one, one, one);
                for ((ratio, sign), scale) in ratios.iter().zip(signs).zip(&scales) {
                    match sign {
                        Sign::Boost => {
                            for l in 0..LANES {
                                bn[l] *= ratio.num(t[l], ti[l]);
                                bd[l] *= ratio.den(t[l], ti[l]);
                            }
                        }
                        Sign::Cut => {
                            for l in 0..LANES {
                                cn[l] *= ratio.num(t[l], ti[l]);
                                cd[l] *= ratio.den(t[l], ti[l]);
                            }
                        }
                        Sign::Mixed => {
                            for l in 0..LANES {
                                let num = scale * ratio.num(t[l], ti[l]);
                                let den = ratio.den(t[l], ti[l]);
                                // It boosts where num > den, and leaves 1 in what it does not count in.
                                bn[l] *= if num > den { num } else { den };
                                bd[l] *= den;
                                cn[l] *= if num > den { den } else { num };
                                cd[l] *= den;
                            }
                        }
                    }
                }
                let level_db = |num: f64, den: f64, offset_db: f64| {
                    f64::mul_add(DB_PER_POWER_NEPER, ln_of_quotient(num, den), offset_db)
                };
                for l in 0..LANES {
                    boost_db[b][l] += level_db(bn[l], bd[l], boost_offset_db);
                }
                if some_cut {
                    for l in 0..LANES {
                        cut_db[b][l] -= level_db(cn[l], cd[l], cut_offset_db);
                    }
                }
            }
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
            let (num, den) = (self.ratio.num(t[i], ti[i]), self.ratio.den(t[i], ti[i]));
            let ln = ln_of_quotient(num, den);
            level_db[i] = f64::mul_add(DB_PER_POWER_NEPER, ln, self.ratio.offset_db);
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
        for i in 0..n {
            [by_f0[i], by_gain[i], by_q[i]] = self.ratio.slopes(t[i], ti[i], weight[i]);
        }
    }
}

/// Eight sections side by side, or fewer and some that are none. It starts where a line of the cache does, since every number of
/// it is read again at every point.
#[derive(Debug, Clone)]
#[repr(align(64))]
pub struct Abreast {
    num: [Lanes; 3],
    den: [Lanes; 3],
    f0: [Lanes; 4],
    gain: [Lanes; 5],
    q: [Lanes; 2],
    /// It boosts where so many times `num` is `den` or more.
    threshold: Lanes,
}

impl Abreast {
    /// Up to [`LANES`] sections, and how each counts.
    pub fn new(ratios: &[Ratio], signs: &[Sign]) -> Self {
        let (zero, one) = (splat(0.0), splat(1.0));
        let mut all = Self {
            num: [zero, zero, one],
            den: [zero, zero, one],
            f0: [zero; 4],
            gain: [zero; 5],
            q: [zero; 2],
            threshold: zero,
        };
        for (l, (ratio, sign)) in ratios.iter().zip(signs).take(LANES).enumerate() {
            let SlopeNumbers { f0, gain, q } = ratio.slopes;
            put(&mut all.num, l, ratio.num);
            put(&mut all.den, l, ratio.den);
            put(&mut all.f0, l, f0);
            put(&mut all.gain, l, gain);
            put(&mut all.q, l, q);
            all.threshold[l] = match sign {
                Sign::Boost => f64::INFINITY,
                Sign::Mixed => ratio.scale(),
                Sign::Cut => 0.0,
            };
        }
        all
    }

    #[inline(always)]
    fn lane(&self, l: usize) -> Ratio {
        let ([n0, n1, n2], [d0, d1, d2]) = (&self.num, &self.den);
        let [f0, f1, f2, f3] = &self.f0;
        let [g0, g1, g2, g3, g4] = &self.gain;
        let [q0, q1] = &self.q;
        Ratio {
            offset_db: 0.0,
            num: [n0[l], n1[l], n2[l]],
            den: [d0[l], d1[l], d2[l]],
            slopes: SlopeNumbers {
                f0: [f0[l], f1[l], f2[l], f3[l]],
                gain: [g0[l], g1[l], g2[l], g3[l], g4[l]],
                q: [q0[l], q1[l]],
            },
        }
    }
}

fn put<const K: usize>(lanes: &mut [Lanes; K], l: usize, numbers: [f64; K]) {
    for (lanes, number) in lanes.iter_mut().zip(numbers) {
        lanes[l] = number;
    }
}

/// Derivatives of eight sections.
pub const OF_EIGHT: usize = 3 * LANES;

/// Sums over all points for the variables of up to eight sections: ln f0, gain, ln q.
#[derive(Debug, Clone, Copy)]
pub struct Sums {
    /// Products with what pulls: the gradient.
    pub gradient: [Lanes; 3],
    /// Products with the weights.
    pub level: [Lanes; 3],
}

/// Derivatives of up to eight sections at all points, weighted, in a row for each point, section by section. Those of eight are
/// written each time, so that some of what follows is written over: the last sections come first.
pub struct Rows<'a> {
    /// Points.
    pub points: &'a Points,
    /// The sections.
    pub abreast: &'a Abreast,
    /// Where in a row they begin.
    pub first: usize,
    /// Weight of each point.
    pub weight: &'a [f64],
    /// What pulls on boosts and on cuts at each point.
    pub pulls: [&'a [f64]; 2],
    /// Receives the rows, and has room for [`OF_EIGHT`] more.
    pub rows: &'a mut [f64],
    /// Numbers in a row.
    pub stride: usize,
}

impl pulp::WithSimd for Rows<'_> {
    type Output = Sums;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Sums {
        let n = self.points.padded_len();
        let (t, ti) = (
            &self.points.tan_squared[..n],
            &self.points.tan_squared_inverse[..n],
        );
        let weight = &self.weight[..n];
        let [boost, cut] = self.pulls.map(|pull| &pull[..n]);
        let zero = splat(0.0);
        let (mut gf, mut gg, mut gq) = (zero, zero, zero);
        let (mut lf, mut lg, mut lq) = (zero, zero, zero);
        for i in 0..n {
            let (mut by_f0, mut by_gain, mut by_q) = (zero, zero, zero);
            let mut pull = zero;
            // Read before one is chosen, not after.
            let (boost, cut) = (splat(boost[i]), splat(cut[i]));
            for l in 0..LANES {
                let ratio = self.abreast.lane(l);
                [by_f0[l], by_gain[l], by_q[l]] = ratio.slopes(t[i], ti[i], weight[i]);
                let boosts =
                    self.abreast.threshold[l] * ratio.num(t[i], ti[i]) >= ratio.den(t[i], ti[i]);
                pull[l] = if boosts { boost[l] } else { cut[l] };
            }
            fused(&mut gf, &pull, &by_f0);
            fused(&mut gg, &pull, &by_gain);
            fused(&mut gq, &pull, &by_q);
            add(&mut lf, weight[i], &by_f0);
            add(&mut lg, weight[i], &by_gain);
            add(&mut lq, weight[i], &by_q);
            let row = &mut self.rows[i * self.stride + self.first..][..OF_EIGHT];
            for l in 0..LANES {
                row[3 * l] = by_f0[l];
                row[3 * l + 1] = by_gain[l];
                row[3 * l + 2] = by_q[l];
            }
        }
        Sums {
            gradient: [gf, gg, gq],
            level: [lf, lg, lq],
        }
    }
}

/// The product of rows with themselves: `R^T R`, from the block on the diagonal on.
pub struct Square<'a> {
    /// Rows one after another.
    pub rows: &'a [Lanes],
    /// Blocks in a row, and in a row of the product.
    pub width: usize,
    /// Receives the rows of the product one after another, as many as it has room for.
    pub product: &'a mut [Lanes],
}

impl pulp::WithSimd for Square<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(mut self, _: S) {
        for i in 0..self.width {
            let mut j = i;
            while j < self.width {
                // So that none is left alone: one takes nearly as long as two.
                j += match self.width - j {
                    1 => self.blocks::<1>(i, j),
                    2 | 4 => self.blocks::<2>(i, j),
                    _ => self.blocks::<3>(i, j),
                };
            }
        }
    }
}

impl Square<'_> {
    /// Eight rows of the product, `W` blocks of each.
    #[inline(always)]
    fn blocks<const W: usize>(&mut self, i: usize, j: usize) -> usize {
        let zero = [splat(0.0); W];
        let (mut s0, mut s1, mut s2, mut s3) = (zero, zero, zero, zero);
        let (mut s4, mut s5, mut s6, mut s7) = (zero, zero, zero, zero);
        for row in self.rows.chunks_exact(self.width) {
            let [a0, a1, a2, a3, a4, a5, a6, a7] = row[i];
            let columns = &row[j..j + W];
            add_all(&mut s0, a0, columns);
            add_all(&mut s1, a1, columns);
            add_all(&mut s2, a2, columns);
            add_all(&mut s3, a3, columns);
            add_all(&mut s4, a4, columns);
            add_all(&mut s5, a5, columns);
            add_all(&mut s6, a6, columns);
            add_all(&mut s7, a7, columns);
        }
        for (k, sums) in [s0, s1, s2, s3, s4, s5, s6, s7].iter().enumerate() {
            let at = (LANES * i + k) * self.width + j;
            // The last rows may be none.
            if let Some(product) = self.product.get_mut(at..at + W) {
                product.copy_from_slice(sums);
            }
        }
        W
    }
}

#[inline(always)]
fn add_all<const W: usize>(sums: &mut [Lanes; W], factor: f64, columns: &[Lanes]) {
    for (sum, column) in sums.iter_mut().zip(columns) {
        add(sum, factor, column);
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
