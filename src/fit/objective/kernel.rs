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
//! A block is eight points of one column, except in the normal matrix: there it is eight sections at one point
//! ([`Rows`]), then eight variables ([`Square`]). The matrix is the sum over points of the outer product of each
//! point's row, so no sum across the lanes of a block is needed.

use std::f64::consts::{FRAC_PI_2, LN_10, PI};

use crate::filter::{Section, Shape};
use crate::fit::lanes::{LANES, Lanes, add, exp, ln_of_quotient, sin_in_quarter, splat, sum};
use crate::units::DB_PER_POWER_NEPER;

/// Groups of eight ratios multiplied before a logarithm is taken. 2: the product of 16 ratios of at most 1e15 cannot
/// overflow.
const GROUPS_A_LOGARITHM: usize = 2;

/// The points as the kernels use them, `tan^2(w/2)` and its inverse, padded to whole blocks of [`LANES`].
#[derive(Debug, Clone)]
pub struct Points {
    tan_squared: Vec<f64>,
    tan_squared_inverse: Vec<f64>,
}

impl Points {
    /// The points `frequency_hz`, each above 0 and below half of `rate_hz`. Padding repeats the last one.
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

    /// Number of points including padding, a multiple of [`LANES`].
    pub fn padded_len(&self) -> usize {
        self.tan_squared.len()
    }
}

/// Collects numbers and pads them with `fill` to a multiple of [`LANES`].
pub fn padded(numbers: impl Iterator<Item = f64>, fill: f64) -> Vec<f64> {
    let mut numbers: Vec<f64> = numbers.collect();
    numbers.resize(numbers.len().next_multiple_of(LANES), fill);
    numbers
}

/// A section as `level_db = offset_db + K ln((an T + bn / T + c_num) / (ad T + bd / T + c_den))`, with `K` = 10 / ln 10
/// dB.
#[derive(Debug, Clone, Copy)]
pub struct Ratio {
    offset_db: f64,
    num: [f64; 3],
    den: [f64; 3],
    slopes: SlopeNumbers,
}

/// Coefficients of the derivatives of the level, factor `K` included: each derivative is
/// `(a T + b/T + c) / num - (a' T + b'/T + c') / den`.
#[derive(Debug, Clone, Copy)]
struct SlopeNumbers {
    /// By ln f0: `b` and `-a`, then `b'` and `-a'`.
    f0: [f64; 4],
    /// By gain: a constant, `b` and `c`, then `a'` and `c'`.
    gain: [f64; 5],
    /// By ln q: `c` and `c'`.
    q: [f64; 2],
}

/// For a shape: ln of the amplitude `a` in [`Ratio::of`] per dB of gain, and the side: 1 for a low, -1 for a high
/// shelf, else 0.
fn shape_numbers(shape: Shape) -> (f64, f64) {
    match shape {
        Shape::Peaking => (LN_10 / 20.0, 0.0),
        Shape::LowShelf => (LN_10 / 40.0, 1.0),
        Shape::HighShelf => (-LN_10 / 40.0, -1.0),
    }
}

struct OneRatio {
    half_w0: f64,
    gain_db: f64,
    q_squared_inverse: f64,
    neper_per_db: f64,
    side: f64,
}

impl pulp::WithSimd for OneRatio {
    type Output = Ratio;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Ratio {
        let Self {
            half_w0,
            gain_db,
            q_squared_inverse,
            neper_per_db,
            side,
        } = self;
        Ratio::of(half_w0, gain_db, q_squared_inverse, neper_per_db, side)
    }
}

impl Ratio {
    /// The ratio of a section.
    pub fn new(section: &Section, rate_hz: f64) -> Self {
        let Section {
            shape,
            f0_hz,
            gain_db,
            q,
        } = *section;
        let (neper_per_db, side) = shape_numbers(shape);
        pulp::Arch::new().dispatch(OneRatio {
            half_w0: PI * f0_hz / rate_hz,
            gain_db,
            q_squared_inverse: (q * q).recip(),
            neper_per_db,
            side,
        })
    }

    /// Takes half of `w0` and what [`shape_numbers`] gives. It has no branch and no call, so that the compiler can
    /// vectorise a loop over it.
    #[inline(always)]
    fn of(
        half_w0: f64,
        gain_db: f64,
        q_squared_inverse: f64,
        neper_per_db: f64,
        side: f64,
    ) -> Self {
        // pi/2 minus its nearest f64.
        const PI_HALF_REST: f64 = 6.123_233_995_736_766e-17;
        let sin = sin_in_quarter(half_w0);
        let cos = sin_in_quarter((FRAC_PI_2 - half_w0) + PI_HALF_REST);
        let inverse = 1.0 / (sin * cos);
        let (tan, cot) = (sin * sin * inverse, cos * cos * inverse);
        let (t0, t0_inverse) = (tan * tan, cot * cot);
        let tau = 2.0 * DB_PER_POWER_NEPER * half_w0 * inverse;
        // `a` is A^2 for a peaking section, A for a low shelf, 1/A for a high shelf.
        let a = exp(gain_db * neper_per_db);
        let is_peaking = side == 0.0;
        let aa = if is_peaking { 1.0 } else { a * a };
        let twice = if is_peaking { 2.0 } else { 2.0 * a };
        let num_width = a * q_squared_inverse;
        let den_width = if is_peaking {
            q_squared_inverse / a
        } else {
            num_width
        };
        let (num_c, den_c) = (num_width - twice, den_width - twice);
        // Derivatives by gain. For a peak the widths change by ln 10 / 20 per dB, half of 1/K; A and c of a shelf by
        // half of that.
        let (num_by_gain, den_by_gain) = if is_peaking {
            (0.5 * num_width, -0.5 * den_width)
        } else {
            (0.25 * side * num_c, 0.25 * side * den_c)
        };
        let aa_by_gain = 0.5 * side * aa;
        // Derivative of all widths by ln q: a factor of -2.
        let by_q = -2.0 * DB_PER_POWER_NEPER;
        // The offset is half of the gain for both shelves: g/2 for a low shelf of g, g - g/2 for a high shelf of g.
        let half = if is_peaking { 0.0 } else { 0.5 };
        Self {
            offset_db: half * gain_db,
            num: [t0_inverse, aa * t0, num_c],
            den: [aa * t0_inverse, t0, den_c],
            slopes: SlopeNumbers {
                f0: [
                    tau * aa * t0,
                    tau * t0_inverse,
                    tau * t0,
                    tau * aa * t0_inverse,
                ],
                gain: [
                    half,
                    aa_by_gain * t0,
                    num_by_gain,
                    aa_by_gain * t0_inverse,
                    den_by_gain,
                ],
                q: [by_q * num_width, by_q * den_width],
            },
        }
    }

    #[inline(always)]
    fn num(&self, t: f64, ti: f64) -> f64 {
        value(&self.num, t, ti)
    }

    #[inline(always)]
    fn den(&self, t: f64, ti: f64) -> f64 {
        value(&self.den, t, ti)
    }

    /// The derivatives of the level by ln f0, gain and ln q, multiplied by `weight`.
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

    /// The offset as a factor of the ratio; their product is 1 where the level is 0 dB.
    fn scale(&self) -> f64 {
        exp(self.offset_db / DB_PER_POWER_NEPER)
    }
}

/// `a T + b/T + c`.
#[inline(always)]
fn value(numbers: &[f64; 3], t: f64, ti: f64) -> f64 {
    let [a, b, c] = *numbers;
    f64::mul_add(a, t, f64::mul_add(b, ti, c))
}

/// The sign of a section's level, for the economy term.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Sign {
    /// At or above 0 dB everywhere.
    #[default]
    Boost,
    /// At or below 0 dB everywhere.
    Cut,
    /// Above 0 dB at some frequencies and below at others: a shelf that overshoots.
    Mixed,
}

/// Computes the sums of the boosts and of the cuts of all sections at all points.
pub struct Levels<'a> {
    /// Points.
    pub points: &'a Points,
    /// Sections.
    pub groups: &'a [SectionGroup],
    /// Receives the sum of the boosts, dB, 0 or more.
    pub boost_db: &'a mut [f64],
    /// Receives minus the sum of the cuts, dB, 0 or more.
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
        for groups in self.groups.chunks(GROUPS_A_LOGARITHM) {
            let all = Factors::of(groups);
            let mut b = 0;
            while b + 1 < n {
                // Two blocks at a time, so that the processor can overlap their dependent operations.
                all.levels::<2>(&t[b..], &ti[b..], &mut boost_db[b..], &mut cut_db[b..]);
                b += 2;
            }
            if b < n {
                all.levels::<1>(&t[b..], &ti[b..], &mut boost_db[b..], &mut cut_db[b..]);
            }
        }
    }
}

/// Numerators and denominators to be multiplied before a logarithm is taken, by sign. Kept contiguous, since they are
/// read again at every point.
struct Factors {
    ratios: [[([f64; 3], [f64; 3]); GROUPS_A_LOGARITHM * LANES]; 3],
    counts: [usize; 3],
    /// Sum of the offsets of the boosting sections, and of the cutting ones, dB.
    offset_db: [f64; 2],
    /// Factors of the numerators of the sections whose sign changes.
    scales: [f64; GROUPS_A_LOGARITHM * LANES],
}

impl Factors {
    #[inline(always)]
    fn of(groups: &[SectionGroup]) -> Self {
        let mut all = Self {
            ratios: [[([0.0; 3], [0.0; 3]); GROUPS_A_LOGARITHM * LANES]; 3],
            counts: [0; 3],
            offset_db: [0.0; 2],
            scales: [0.0; GROUPS_A_LOGARITHM * LANES],
        };
        for group in groups {
            for k in 0..group.count {
                let (ratio, sign) = (group.ratio(k), group.signs[k] as usize);
                let place = all.counts[sign];
                all.ratios[sign][place] = (ratio.num, ratio.den);
                all.counts[sign] += 1;
                match group.signs[k] {
                    Sign::Boost => all.offset_db[0] += ratio.offset_db,
                    Sign::Cut => all.offset_db[1] += ratio.offset_db,
                    Sign::Mixed => all.scales[place] = group.threshold[k],
                }
            }
        }
        all
    }

    /// Adds to the sums at the first `W` blocks of points.
    #[inline(always)]
    fn levels<const W: usize>(
        &self,
        t: &[Lanes],
        ti: &[Lanes],
        boost_db: &mut [Lanes],
        cut_db: &mut [Lanes],
    ) {
        let (t, ti) = (&t[..W], &ti[..W]);
        let (boost_db, cut_db) = (&mut boost_db[..W], &mut cut_db[..W]);
        let of_sign = |sign: Sign| &self.ratios[sign as usize][..self.counts[sign as usize]];
        // Products of numerators and denominators of the boosts (bn, bd) and of the cuts (cn, cd).
        let one = [splat(1.0); W];
        let (mut bn, mut bd, mut cn, mut cd) = (one, one, one, one);
        for (num, den) in of_sign(Sign::Boost) {
            for w in 0..W {
                for l in 0..LANES {
                    bn[w][l] *= value(num, t[w][l], ti[w][l]);
                    bd[w][l] *= value(den, t[w][l], ti[w][l]);
                }
            }
        }
        for (num, den) in of_sign(Sign::Cut) {
            for w in 0..W {
                for l in 0..LANES {
                    cn[w][l] *= value(num, t[w][l], ti[w][l]);
                    cd[w][l] *= value(den, t[w][l], ti[w][l]);
                }
            }
        }
        for ((num, den), scale) in of_sign(Sign::Mixed).iter().zip(&self.scales) {
            for w in 0..W {
                for l in 0..LANES {
                    let num = scale * value(num, t[w][l], ti[w][l]);
                    let den = value(den, t[w][l], ti[w][l]);
                    // It boosts where num > den; the other sum gets the factor 1.
                    bn[w][l] *= if num > den { num } else { den };
                    bd[w][l] *= den;
                    cn[w][l] *= if num > den { den } else { num };
                    cd[w][l] *= den;
                }
            }
        }
        let level_db = |num: f64, den: f64, offset_db: f64| {
            f64::mul_add(DB_PER_POWER_NEPER, ln_of_quotient(num, den), offset_db)
        };
        let [_, cuts, mixed] = self.counts;
        for w in 0..W {
            for l in 0..LANES {
                boost_db[w][l] += level_db(bn[w][l], bd[w][l], self.offset_db[0]);
            }
        }
        if cuts + mixed > 0 {
            for w in 0..W {
                for l in 0..LANES {
                    cut_db[w][l] -= level_db(cn[w][l], cd[w][l], self.offset_db[1]);
                }
            }
        }
    }
}

/// Computes the level of one section at all points.
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

/// Computes the derivatives of one section by ln f0, gain and ln q at all points, multiplied by the weights.
pub struct Derivatives<'a> {
    /// Points.
    pub points: &'a Points,
    /// The section.
    pub ratio: &'a Ratio,
    /// Weight of each point.
    pub weight: &'a [f64],
    /// Receives the three columns.
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

/// Up to eight sections side by side in the lanes. Two or four sections are repeated to fill the lanes, for four or two
/// points at a time. Aligned to a cache line, since all of it is read again at every point.
#[derive(Debug, Clone, Default)]
#[repr(align(64))]
pub struct SectionGroup {
    offset_db: Lanes,
    num: [Lanes; 3],
    den: [Lanes; 3],
    f0: [Lanes; 4],
    gain: [Lanes; 5],
    q: [Lanes; 2],
    /// The section boosts where `threshold * num >= den`.
    threshold: Lanes,
    signs: [Sign; LANES],
    /// Number of sections.
    count: usize,
    /// Lanes of one point: 2, 4 or 8; some of them may belong to no section.
    lanes: usize,
}

impl SectionGroup {
    /// The sections and their signs.
    pub fn sections(&self) -> impl Iterator<Item = (Ratio, Sign)> {
        (0..self.count).map(|k| (self.ratio(k), self.signs[k]))
    }

    #[inline(always)]
    fn ratio(&self, l: usize) -> Ratio {
        let ([n0, n1, n2], [d0, d1, d2]) = (&self.num, &self.den);
        let [f0, f1, f2, f3] = &self.f0;
        let [g0, g1, g2, g3, g4] = &self.gain;
        let [q0, q1] = &self.q;
        Ratio {
            offset_db: self.offset_db[l],
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

/// Writes up to eight sections into a [`SectionGroup`].
pub struct FillGroup<'a> {
    /// Shape of each, [`LANES`] at most.
    pub shapes: &'a [Shape],
    /// Three variables of each: ln f0 (Hz), gain (dB), ln q.
    pub x: &'a [f64],
    /// Sign of each.
    pub signs: &'a [Sign],
    /// Sample rate, hertz.
    pub rate_hz: f64,
    /// Receives the sections.
    pub grouped: &'a mut SectionGroup,
}

impl pulp::WithSimd for FillGroup<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let Self {
            shapes,
            x,
            signs,
            rate_hz,
            grouped,
        } = self;
        grouped.count = shapes.len();
        grouped.lanes = shapes.len().next_power_of_two().clamp(2, LANES);
        let zero = splat(0.0);
        let (mut log_f0, mut gain_db, mut log_q) = (zero, zero, zero);
        let (mut neper_per_db, mut side) = (zero, zero);
        let (variables, _) = x.as_chunks();
        for (k, ((shape, sign), [x0, x1, x2])) in
            shapes.iter().zip(signs).zip(variables).enumerate()
        {
            grouped.signs[k] = *sign;
            let numbers = shape_numbers(*shape);
            for l in (k..LANES).step_by(grouped.lanes) {
                (log_f0[l], gain_db[l], log_q[l]) = (*x0, *x1, *x2);
                (neper_per_db[l], side[l]) = numbers;
            }
        }
        let half = PI / rate_hz;
        for l in 0..LANES {
            let ratio = Ratio::of(
                half * exp(log_f0[l]),
                gain_db[l],
                exp(-2.0 * log_q[l]),
                neper_per_db[l],
                side[l],
            );
            let SlopeNumbers { f0, gain, q } = ratio.slopes;
            grouped.offset_db[l] = ratio.offset_db;
            set_lane(&mut grouped.num, l, ratio.num);
            set_lane(&mut grouped.den, l, ratio.den);
            set_lane(&mut grouped.f0, l, f0);
            set_lane(&mut grouped.gain, l, gain);
            set_lane(&mut grouped.q, l, q);
        }
        for l in 0..LANES {
            grouped.threshold[l] = match signs.get(l % grouped.lanes) {
                Some(Sign::Boost) => f64::INFINITY,
                Some(Sign::Mixed) => grouped.ratio(l).scale(),
                Some(Sign::Cut) | None => 0.0,
            };
        }
    }
}

#[inline(always)]
fn set_lane<const K: usize>(lanes: &mut [Lanes; K], l: usize, numbers: [f64; K]) {
    for (lanes, number) in lanes.iter_mut().zip(numbers) {
        lanes[l] = number;
    }
}

/// Number of derivatives of eight sections.
pub const OF_EIGHT: usize = 3 * LANES;

/// Sums over the points for the three variables of up to eight sections: by ln f0, by gain, by ln q.
#[derive(Debug, Clone, Copy)]
pub struct Sums {
    /// Sums of the weighted derivatives times the derivative of J by boosts or cuts: the gradient.
    pub gradient: [Lanes; 3],
    /// Sums of the weighted derivatives times the weights.
    pub level: [Lanes; 3],
    /// Distance of lanes that belong to the same section.
    sections: usize,
}

impl Sums {
    /// Adds up the lanes of each section; the totals are in the first lanes.
    #[must_use]
    pub fn over_all_points(mut self) -> Self {
        for sums in self.gradient.iter_mut().chain(&mut self.level) {
            for l in self.sections..LANES {
                sums[l % self.sections] += sums[l];
            }
        }
        self
    }
}

/// Computes the weighted derivatives of up to eight sections at all points: one row for each point, section by section.
/// Whole blocks are written, so the numbers behind a group are overwritten; groups must be written last to first.
pub struct Rows<'a> {
    /// Points.
    pub points: &'a Points,
    /// The sections.
    pub grouped: &'a SectionGroup,
    /// Index in a row of the group's first derivative.
    pub first: usize,
    /// Weight of each point.
    pub weight: &'a [f64],
    /// Derivatives of J by boosts and by cuts at each point, divided by the weights.
    pub pulls: [&'a [f64]; 2],
    /// Receives the rows; must have room for [`OF_EIGHT`] numbers more.
    pub rows: &'a mut [f64],
    /// Numbers in a row.
    pub stride: usize,
}

impl pulp::WithSimd for Rows<'_> {
    type Output = Sums;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Sums {
        match self.grouped.lanes {
            2 => self.write::<2, 4, LANES>(),
            4 => self.write::<4, 2, { 2 * LANES }>(),
            _ => self.write::<LANES, 1, OF_EIGHT>(),
        }
    }
}

impl Rows<'_> {
    /// Handles `SECTIONS` sections at `POINTS` points at a time; their derivatives take `WIDTH` numbers of a row, whole
    /// blocks.
    #[inline(always)]
    fn write<const SECTIONS: usize, const POINTS: usize, const WIDTH: usize>(self) -> Sums {
        let t = self.points.tan_squared.as_chunks::<POINTS>().0;
        let n = t.len();
        let ti = &self.points.tan_squared_inverse.as_chunks::<POINTS>().0[..n];
        let weight = &self.weight.as_chunks::<POINTS>().0[..n];
        let [boost, cut] = self.pulls.map(|pull| &pull.as_chunks::<POINTS>().0[..n]);
        let zero = splat(0.0);
        let (mut gf, mut gg, mut gq) = (zero, zero, zero);
        let (mut lf, mut lg, mut lq) = (zero, zero, zero);
        for i in 0..n {
            let (t, ti) = (grouped(&t[i]), grouped(&ti[i]));
            let weight = grouped(&weight[i]);
            let (boost, cut) = (grouped(&boost[i]), grouped(&cut[i]));
            let (mut by_f0, mut by_gain, mut by_q) = (zero, zero, zero);
            let mut pull = zero;
            for l in 0..LANES {
                let ratio = self.grouped.ratio(l);
                [by_f0[l], by_gain[l], by_q[l]] = ratio.slopes(t[l], ti[l], weight[l]);
                let boosts =
                    self.grouped.threshold[l] * ratio.num(t[l], ti[l]) >= ratio.den(t[l], ti[l]);
                let chosen = if boosts { u64::MAX } else { 0 };
                pull[l] = f64::from_bits(boost[l].to_bits() & chosen | cut[l].to_bits() & !chosen);
            }
            multiply_add(&mut gf, &pull, &by_f0);
            multiply_add(&mut gg, &pull, &by_gain);
            multiply_add(&mut gq, &pull, &by_q);
            multiply_add(&mut lf, &weight, &by_f0);
            multiply_add(&mut lg, &weight, &by_gain);
            multiply_add(&mut lq, &weight, &by_q);
            for p in 0..POINTS {
                let row = &mut self.rows[(POINTS * i + p) * self.stride + self.first..][..WIDTH];
                for s in 0..SECTIONS {
                    let l = p * SECTIONS + s;
                    row[3 * s] = by_f0[l];
                    row[3 * s + 1] = by_gain[l];
                    row[3 * s + 2] = by_q[l];
                }
                row[3 * SECTIONS..].fill(0.0);
            }
        }
        Sums {
            gradient: [gf, gg, gq],
            level: [lf, lg, lq],
            sections: SECTIONS,
        }
    }
}

/// Repeats each number in as many neighbouring lanes as a point has.
#[inline(always)]
fn grouped<const POINTS: usize>(numbers: &[f64; POINTS]) -> Lanes {
    std::array::from_fn(|l| numbers[l * POINTS / LANES])
}

/// Computes the product `R^T R` of rows, from the diagonal block of each row on.
pub struct Square<'a> {
    /// Rows of `R`, one after another.
    pub rows: &'a [Lanes],
    /// Blocks in a row, and in a row of the product.
    pub width: usize,
    /// Receives the rows of the product, one after another, as many as it has room for.
    pub product: &'a mut [Lanes],
}

impl pulp::WithSimd for Square<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(mut self, _: S) {
        for i in 0..self.width {
            let mut j = i;
            while j < self.width {
                // Split such that no single block is left over: one takes nearly as long as two.
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
    /// Computes eight rows of the product, `W` blocks of each.
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
            // The last rows may lie outside of `product`.
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

/// Computes the inner products of the first columns with all columns, each row from its diagonal tile on.
pub struct Products<'a> {
    /// Columns of equal length, a multiple of [`LANES`]; their number is a multiple of [`TILE`].
    pub columns: &'a [&'a [f64]],
    /// Receives the products row by row, as many rows as it has room for, a multiple of [`TILE`]. The elements left of
    /// the diagonal tiles are not written.
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

/// The sixteen inner products of four columns with four others.
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
    multiply_add(&mut sums[0], row, columns[0]);
    multiply_add(&mut sums[1], row, columns[1]);
    multiply_add(&mut sums[2], row, columns[2]);
    multiply_add(&mut sums[3], row, columns[3]);
}

#[inline(always)]
fn multiply_add(sum: &mut Lanes, a: &Lanes, b: &Lanes) {
    for l in 0..LANES {
        sum[l] = f64::mul_add(a[l], b[l], sum[l]);
    }
}
