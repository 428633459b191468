//! Ceilings: how far all sections together may boost, and how much quieter they may play.
//!
//! With `G` the sum of the section levels, the preamp that a sine needs is `max(0, max G)`, and what is heard changes by
//! `m = 10 log10 sum(a 10^(G / 10))`, `a` the share of each point in the power that is heard without sections. So the
//! sections play `max(0, max G) - m` quieter, preamp and all, wherever their level lies. What exceeds a ceiling adds to J
//!
//! `STIFFNESS * (integral of max(0, G - m - L)^2 + max(0, -m - L)^2 + integral of max(0, G - P)^2)`,
//!
//! `L` the most loss and `P` the most gain, the integrals over octaves. These are squares, so the local solver treats them
//! as it does the residual: with `d` the derivatives of `G` at a point and `v = sum(b d)`, `b` the shares `a 10^(G / 10)`
//! made 1 together, the derivatives of `G - m` are `d - v`. A [`Line`] adds `STIFFNESS * max(0, sum(k G) - K)^2`: what any
//! signal can gain, near an answer for which it was computed.
//!
//! A ceiling gives way a little, since the price of a small excess is small. Whoever needs it kept lowers it by what the
//! answer exceeds it.

/// Price of a square decibel above a ceiling, over one octave. So large that an excess of 0.05 dB over half an octave costs
/// about what a residual of 0.2 dB does. Our choice.
const STIFFNESS: f64 = 30.0;

/// What the sections may not exceed together. Infinite where there is no ceiling.
#[derive(Debug, Clone, PartialEq)]
pub struct Ceilings {
    /// Frequencies of `heard`, rising, hertz.
    pub frequency_hz: Vec<f64>,
    /// Power that is heard at each of them without sections, an octave; of any scale.
    pub heard: Vec<f64>,
    /// Most loss of loudness `L`, preamp and all, dB.
    pub most_loss_db: f64,
    /// Most gain `P`, dB.
    pub most_gain_db: f64,
    /// More ceilings, each on a sum of gains.
    pub lines: Vec<Line>,
}

/// A ceiling on the sum of the gains in bands, each times its slope.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Edges of the bands, rising, hertz.
    pub bands_hz: Vec<f64>,
    /// Slope of each band, dB per dB.
    pub slope: Vec<f64>,
    /// Most of the sum, dB.
    pub most_db: f64,
}

/// The edges of the bands around points: halfway between neighbours by ratio, and nothing beyond the outermost two.
#[must_use]
pub fn bands_around(frequency_hz: &[f64]) -> Vec<f64> {
    let between = frequency_hz.windows(2).map(|pair| (pair[0] * pair[1]).sqrt());
    let first = frequency_hz.first().copied();
    let last = frequency_hz.last().copied();
    first.into_iter().chain(between).chain(last).collect()
}

impl Line {
    /// The line for bands around other points: slopes are shared out by width in octaves.
    fn around(&self, frequency_hz: &[f64]) -> Self {
        let mut sums = vec![0.0];
        for slope in &self.slope {
            sums.push(sums[sums.len() - 1] + slope);
        }
        let up_to = |hz: f64| {
            let above = self.bands_hz.partition_point(|edge| *edge < hz);
            if above == 0 || above == self.bands_hz.len() {
                return sums[above.min(sums.len() - 1)];
            }
            let (low_hz, high_hz) = (self.bands_hz[above - 1], self.bands_hz[above]);
            let part = (hz / low_hz).ln() / (high_hz / low_hz).ln();
            sums[above - 1] + part * (sums[above] - sums[above - 1])
        };
        let bands_hz = bands_around(frequency_hz);
        let mut edges: Vec<f64> = bands_hz.iter().map(|hz| up_to(*hz)).collect();
        edges[0] = 0.0;
        *edges.last_mut().expect("bands have edges") = sums[sums.len() - 1];
        Self {
            slope: edges.windows(2).map(|edge| edge[1] - edge[0]).collect(),
            bands_hz,
            most_db: self.most_db,
        }
    }

    /// By how much the sum is too high, dB; 0 where it is not.
    fn over_db(&self, gains_db: impl Iterator<Item = f64>) -> f64 {
        let sum: f64 = self.slope.iter().zip(gains_db).map(|(slope, db)| slope * db).sum();
        (sum - self.most_db).max(0.0)
    }
}

impl Ceilings {
    /// Whether there is any ceiling.
    #[must_use]
    pub fn any(&self) -> bool {
        self.most_loss_db.is_finite() || self.most_gain_db.is_finite() || !self.lines.is_empty()
    }

    /// What is heard at a frequency, an octave.
    fn heard_at(&self, f_hz: f64) -> f64 {
        let above = self.frequency_hz.partition_point(|f| *f < f_hz);
        let last = self.heard.len() - 1;
        self.heard[above.min(last)]
    }

    /// The ceilings for the points of an objective: what is heard at each, and how many octaves it stands for.
    pub(super) fn at_points(&self, frequency_hz: &[f64], share: &[f64]) -> PointCeilings {
        let span_octaves = match frequency_hz {
            [first, .., last] => (last / first).log2(),
            _ => 1.0,
        };
        let octaves: Vec<f64> = share.iter().map(|share| share * span_octaves).collect();
        let points = frequency_hz.iter().zip(&octaves);
        let mut heard: Vec<f64> = points.map(|(f, width)| self.heard_at(*f) * width).collect();
        let total: f64 = heard.iter().sum();
        for heard in &mut heard {
            *heard /= total;
        }
        PointCeilings {
            heard,
            octaves,
            most_loss_db: self.most_loss_db,
            most_gain_db: self.most_gain_db,
            lines: self.lines.iter().map(|line| line.around(frequency_hz)).collect(),
        }
    }
}

/// [`Ceilings`] at the points of an objective.
#[derive(Debug, Clone)]
pub(super) struct PointCeilings {
    heard: Vec<f64>,
    octaves: Vec<f64>,
    most_loss_db: f64,
    most_gain_db: f64,
    lines: Vec<Line>,
}

/// The part of J above the ceilings, with what its derivatives take from each point.
#[derive(Debug, Default)]
pub(super) struct Excess {
    /// Change of what is heard, dB.
    heard_db: f64,
    /// Share `b` of each point in what is heard.
    shares: Vec<f64>,
}

impl Excess {
    /// Change of what is heard at the last evaluation, dB.
    pub fn heard_db(&self) -> f64 {
        self.heard_db
    }

    /// The part of J above the ceilings, dB^2, where the sections' levels are `boost_db - cut_db`.
    pub fn evaluate(&mut self, at: &PointCeilings, boost_db: &[f64], cut_db: &[f64]) -> f64 {
        let gains = || boost_db.iter().zip(cut_db).map(|(boost, cut)| boost - cut);
        self.shares.clear();
        let power = |(gain_db, heard): (f64, &f64)| heard * (gain_db * TO_LN).exp();
        self.shares.extend(gains().zip(&at.heard).map(power));
        let total: f64 = self.shares.iter().sum();
        for share in &mut self.shares {
            *share /= total;
        }
        self.heard_db = total.ln() / TO_LN;
        let line_db = self.heard_db + at.most_loss_db;
        let over = |(gain_db, octaves): (f64, &f64)| {
            octaves * ((gain_db - line_db).max(0.0).powi(2) + (gain_db - at.most_gain_db).max(0.0).powi(2))
        };
        let at_points: f64 = gains().zip(&at.octaves).map(over).sum();
        let over_line = |line: &Line| line.over_db(gains()).powi(2);
        let over_lines: f64 = at.lines.iter().map(over_line).sum();
        STIFFNESS * (at_points + (-line_db).max(0.0).powi(2) + over_lines)
    }

    /// Adds the derivatives of the last evaluation to `gradient` and `curvature`, rows of `stride` numbers. `rows` has the
    /// derivatives of each point's level times its weight.
    pub fn linearise(
        &self,
        at: &PointCeilings,
        levels_db: [&[f64]; 2],
        weighted: (&[f64], &[f64]),
        stride: usize,
        gradient: &mut [f64],
        curvature: &mut [f64],
    ) {
        let (rows, weight) = weighted;
        let count = gradient.len();
        let row = |i: usize| {
            let weight = weight[i];
            rows[i * stride..][..count].iter().map(move |d| d / weight)
        };
        let mut common = vec![0.0; count];
        if at.most_loss_db.is_finite() {
            for (i, share) in self.shares.iter().enumerate() {
                for (common, d) in common.iter_mut().zip(row(i)) {
                    *common += share * d;
                }
            }
        }
        let mut add = |slopes: &[f64], octaves: f64, over_db: f64| {
            let price = 2.0 * STIFFNESS * octaves;
            for (j, slope) in slopes.iter().enumerate() {
                gradient[j] += price * over_db * slope;
                for (other, sum) in slopes.iter().zip(&mut curvature[j * stride..]) {
                    *sum += price * slope * other;
                }
            }
        };
        let line_db = self.heard_db + at.most_loss_db;
        if line_db < 0.0 {
            let falling: Vec<f64> = common.iter().map(|common| -common).collect();
            add(&falling, 1.0, -line_db);
        }
        let [boost_db, cut_db] = levels_db;
        let mut slopes = vec![0.0; count];
        for line in &at.lines {
            let over_db = line.over_db(boost_db.iter().zip(cut_db).map(|(boost, cut)| boost - cut));
            if over_db > 0.0 {
                slopes.fill(0.0);
                for (i, of_line) in line.slope.iter().enumerate() {
                    for (slope, d) in slopes.iter_mut().zip(row(i)) {
                        *slope += of_line * d;
                    }
                }
                add(&slopes, 1.0, over_db);
            }
        }
        for (i, octaves) in at.octaves.iter().enumerate() {
            let gain_db = boost_db[i] - cut_db[i];
            if gain_db > line_db {
                for ((slope, d), common) in slopes.iter_mut().zip(row(i)).zip(&common) {
                    *slope = d - common;
                }
                add(&slopes, *octaves, gain_db - line_db);
            }
            if gain_db > at.most_gain_db {
                for (slope, d) in slopes.iter_mut().zip(row(i)) {
                    *slope = d;
                }
                add(&slopes, *octaves, gain_db - at.most_gain_db);
            }
        }
    }
}

/// From decibels of power to natural logarithms.
const TO_LN: f64 = std::f64::consts::LN_10 / 10.0;
