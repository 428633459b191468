//! One model over all takes of a unit: the earphone's own curve, which stays, and the coupler's shape, which moves.
//!
//! Level of take j of side s at x octaves:
//!
//! `own(x) + of_side_s(x) + (1 + a_j) shape(x - u_j) + noise_j(x)`
//!
//! with `own` and `of_side` Gaussian processes in log frequency, `shape` the coupler's ([`shape`]) at the place `u_j` of
//! the take, and noise that is smooth in part. Own curves and noise are linear and Gaussian, so they are integrated out:
//! what is left depends on the numbers of the shape, the places and the `a_j` alone, and is minimised by
//! Levenberg-Marquardt. The curvature at the least is the precision of these numbers (Laplace's approximation).
//!
//! The differences of takes of one side contain nothing of the earphone's own, wherever its peaks are; sides are never
//! compared to find movement. The means of the sides tell what is left.

use nalgebra::{DMatrix, DVector};

use super::super::takes::median;
use super::shape::{self, FORM, Shape};

/// The takes of a unit as the model sees them.
pub struct Takes {
    /// Points, octaves over 1 kHz, rising, evenly spaced.
    pub x: Vec<f64>,
    /// Levels by side, take and point, dB, any common level.
    pub sides: Vec<Vec<Vec<f64>>>,
}

/// Everything that is expected before a take is seen, in one place. Octaves and dB. Our choice, as far as no source is
/// named; the bench of planted couplers holds the bands to the truth.
mod expected {
    /// The earphone's own curve: standard deviation and length of its parts; one for broad forms, one for narrow peaks.
    pub const OWN: [(f64, f64); 2] = [(3.0, 0.5), (2.0, 0.13)];
    /// Its level and slope (dB an octave), next to free.
    pub const OWN_LINE: (f64, f64) = (30.0, 10.0);
    /// What left and right differ in.
    pub const OF_SIDE: [(f64, f64); 2] = [(0.8, 0.4), (0.4, 0.12)];
    pub const OF_SIDE_LINE: (f64, f64) = (2.0, 1.0);
    /// What the shape's form leaves out: standard deviation and length; where it is largest, octaves above the peak, and
    /// over what width.
    pub const LEFT_OUT: (f64, f64, f64, f64) = (1.0, 0.15, 0.25, 0.6);
    /// Level and slope of a take beside its white and its smooth noise, and the length of the latter.
    pub const TAKE_LINE: (f64, f64) = (0.3, 0.3);
    pub const NOISE_OCTAVES: f64 = 0.15;
    /// The noises' least standard deviations, dB.
    pub const LEAST_NOISE_DB: f64 = 0.03;
    /// The smooth noise of the first round, dB.
    pub const SMOOTH_NOISE_DB: f64 = 0.1;
    /// Places of takes about the unit's.
    pub const SEAT: f64 = 0.06;
    /// How the strength of the shape differs by take.
    pub const STRENGTH: f64 = 0.08;
}

/// Noise of a take, standard deviations in dB.
#[derive(Debug, Clone)]
pub struct Noise {
    /// From point to point.
    pub white_db: f64,
    /// Over 0.15 octave.
    pub smooth_db: f64,
    /// Factor at each point, 1 or more: takes may differ more at some frequencies, as where a dip wanders.
    pub factor: Vec<f64>,
}

/// Where the unit's resonance is expected, octaves over 1 kHz.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Middle.
    pub at: f64,
    /// Standard deviation.
    pub within: f64,
}

/// The least that was found from one start.
#[derive(Debug, Clone)]
pub struct Fit {
    /// What was minimised, and the sizes of the noise: minus twice the logarithm of the posterior, up to a constant.
    pub cost: f64,
    /// The shape.
    pub shape: Vec<f64>,
    /// Place of each take, octaves over 1 kHz, sides in order.
    pub places: Vec<f64>,
    /// All unknowns, and the precision matrix of their posterior.
    unknowns: DVector<f64>,
    precision: DMatrix<f64>,
}

/// The model with everything that does not depend on its unknowns.
pub struct Joint<'a> {
    takes: &'a Takes,
    place: Place,
    /// How many of the shape's numbers are free.
    numbers: usize,
    /// The side of each take.
    side_of: Vec<usize>,
    /// What the size of noise and means adds to the cost: logarithms of determinants.
    sizes: f64,
    /// Lower Cholesky factor of a take's noise.
    noise: DMatrix<f64>,
    /// Lower Cholesky factor of the sides' means.
    means: DMatrix<f64>,
    /// Covariance of the unit's own curve with the sides' means, and its own variance.
    own_with_means: DMatrix<f64>,
    own_variance: Vec<f64>,
}

/// An estimate at each point.
pub struct Own {
    /// Level, dB.
    pub level_db: Vec<f64>,
    /// Standard deviation, dB.
    pub sd_db: Vec<f64>,
    /// The same if nothing were known of the shape's numbers but what was expected, dB.
    pub expected_sd_db: Vec<f64>,
}

fn bell(distance: f64, (sd, length): (f64, f64)) -> f64 {
    sd * sd * (-0.5 * (distance / length).powi(2)).exp()
}

fn lower(covariance: DMatrix<f64>) -> Option<DMatrix<f64>> {
    Some(covariance.cholesky()?.unpack())
}

fn whitened(lower: &DMatrix<f64>, mut columns: DMatrix<f64>) -> Option<DMatrix<f64>> {
    lower.solve_lower_triangular_mut(&mut columns).then_some(columns)
}

impl<'a> Joint<'a> {
    /// The model near a place, octaves over 1 kHz, with so many free numbers of the shape. None if its matrices cannot be factored.
    pub fn new(
        takes: &'a Takes,
        noise: &Noise,
        place: Place,
        (start, numbers): (f64, usize),
    ) -> Option<Self> {
        use expected::*;
        let x = &takes.x;
        let points = x.len();
        let middle = 0.5 * (x[0] + x[points - 1]);
        let line = |i: usize, k: usize, (level, slope): (f64, f64)| {
            level * level + slope * slope * (x[i] - middle) * (x[k] - middle)
        };
        let sum = |i: usize, k: usize, parts: &[(f64, f64)]| -> f64 {
            parts.iter().map(|part| bell(x[i] - x[k], *part)).sum()
        };
        let of_take = |i: usize, k: usize| {
            let white = if i == k { noise.white_db.powi(2) } else { 0.0 };
            let smooth = bell(x[i] - x[k], (noise.smooth_db, NOISE_OCTAVES));
            noise.factor[i] * noise.factor[k] * (white + smooth) + line(i, k, TAKE_LINE)
        };
        let about = |i: usize| {
            (-0.5 * ((x[i] - start - LEFT_OUT.2) / LEFT_OUT.3).powi(2)).exp()
        };
        let own = |i: usize, k: usize| sum(i, k, &OWN) + line(i, k, OWN_LINE);
        let of_side = |i: usize, k: usize| sum(i, k, &OF_SIDE) + line(i, k, OF_SIDE_LINE);
        let left_out = |i: usize, k: usize| {
            about(i) * about(k) * bell(x[i] - x[k], (LEFT_OUT.0, LEFT_OUT.1))
        };
        let sides = takes.sides.len();
        let share = 1.0 / sides as f64;
        let means = DMatrix::from_fn(sides * points, sides * points, |r, c| {
            let (i, k, side) = (r % points, c % points, r / points);
            let common = own(i, k) + if numbers == FORM { left_out(i, k) } else { 0.0 };
            if side == c / points {
                common + of_side(i, k) + of_take(i, k) / takes.sides[side].len() as f64
            } else {
                common
            }
        });
        let noise = lower(DMatrix::from_fn(points, points, of_take))?;
        let means = lower(means)?;
        let size = |lower: &DMatrix<f64>| 2.0 * lower.diagonal().iter().map(|d| d.ln()).sum::<f64>();
        let freedom: usize = takes.sides.iter().map(|of| of.len() - 1).sum();
        let own_of_unit = |i: usize, k: usize| own(i, k) + share * of_side(i, k);
        Some(Self {
            takes,
            place,
            numbers,
            side_of: takes
                .sides
                .iter()
                .enumerate()
                .flat_map(|(side, of)| std::iter::repeat_n(side, of.len()))
                .collect(),
            sizes: freedom as f64 * size(&noise) + size(&means),
            noise,
            means,
            own_with_means: DMatrix::from_fn(sides * points, points, |r, k| {
                own_of_unit(r % points, k)
            }),
            own_variance: (0..points).map(|i| own_of_unit(i, i)).collect(),
        })
    }

    fn points(&self) -> usize {
        self.takes.x.len()
    }

    fn count(&self) -> usize {
        self.side_of.len()
    }

    fn levels(&self) -> impl Iterator<Item = &Vec<f64>> {
        self.takes.sides.iter().flatten()
    }

    /// The unknowns in their order: the shape's numbers, the unit's place, the places of the takes, their strengths.
    fn unknowns(&self) -> usize {
        self.numbers + 1 + 2 * self.count()
    }

    /// Where the search starts: the expected shape, every take at `start`.
    fn first(&self, start: f64) -> DVector<f64> {
        DVector::from_fn(self.unknowns(), |k, _| match k {
            k if k < self.numbers => shape::expected(k).0,
            k if k <= self.numbers + self.count() => start,
            _ => 0.0,
        })
    }

    /// The unknowns of a fit whose shape may have had other free numbers.
    fn taken_over(&self, fit: &Fit) -> DVector<f64> {
        let others = fit.unknowns.len() - 1 - 2 * self.count();
        DVector::from_fn(self.unknowns(), |k, _| match k {
            k if k >= self.numbers => fit.unknowns[others + k - self.numbers],
            k if k < others => fit.unknowns[k],
            _ => 0.0,
        })
    }

    /// The shape's numbers among the unknowns.
    fn numbers_of<'u>(&self, unknowns: &'u DVector<f64>) -> &'u [f64] {
        &unknowns.as_slice()[..self.numbers]
    }

    /// Distances from what is expected, each over its standard deviation, as (unknown, factor) pairs and their sum.
    fn expectations(&self, unknowns: &DVector<f64>) -> Vec<(Vec<(usize, f64)>, f64)> {
        let n = self.count();
        let mut all = Vec::with_capacity(self.numbers + 1 + 2 * n);
        for k in 0..self.numbers {
            let (mean, sd) = shape::expected(k);
            all.push((vec![(k, 1.0 / sd)], (unknowns[k] - mean) / sd));
        }
        let (ratio, sd) = shape::SECOND_TO_FIRST;
        let off = (unknowns[shape::SECOND] - unknowns[shape::FIRST] - ratio) / sd;
        all.push((vec![(shape::SECOND, 1.0 / sd), (shape::FIRST, -1.0 / sd)], off));
        let unit = self.numbers;
        let within = self.place.within;
        all.push((vec![(unit, 1.0 / within)], (unknowns[unit] - self.place.at) / within));
        for j in 0..n {
            let (place, strength) = (unit + 1 + j, unit + 1 + n + j);
            let seat = 1.0 / expected::SEAT;
            let off = seat * (unknowns[place] - unknowns[unit]);
            all.push((vec![(place, seat), (unit, -seat)], off));
            let share = 1.0 / expected::STRENGTH;
            all.push((vec![(strength, share)], share * unknowns[strength]));
        }
        all
    }

    /// What is left of each take without the coupler, one column a take.
    fn rests(&self, unknowns: &DVector<f64>) -> DMatrix<f64> {
        let (n, shape) = (self.count(), Shape::new(self.numbers_of(unknowns)));
        let mut rests = DMatrix::zeros(self.points(), n);
        for (j, levels) in self.levels().enumerate() {
            let (place, strength) = (unknowns[self.numbers + 1 + j], 1.0 + unknowns[self.numbers + 1 + n + j]);
            for (i, x) in self.takes.x.iter().enumerate() {
                rests[(i, j)] = levels[i] - strength * shape.level_db(x - place);
            }
        }
        rests
    }

    /// Means of the columns of each side, stacked.
    fn side_means(&self, columns: &DMatrix<f64>) -> DMatrix<f64> {
        let points = self.points();
        let mut means = DMatrix::zeros(self.takes.sides.len() * points, 1);
        for (j, side) in self.side_of.iter().enumerate() {
            let share = 1.0 / self.takes.sides[*side].len() as f64;
            for i in 0..points {
                means[(side * points + i, 0)] += share * columns[(i, j)];
            }
        }
        means
    }

    /// Takes from each column the mean of its side.
    fn centre(&self, columns: &mut DMatrix<f64>) {
        let points = self.points();
        let means = self.side_means(columns);
        for (j, side) in self.side_of.iter().enumerate() {
            for i in 0..points {
                columns[(i, j)] -= means[(side * points + i, 0)];
            }
        }
    }

    /// What is minimised.
    fn cost(&self, unknowns: &DVector<f64>) -> Option<f64> {
        let rests = self.rests(unknowns);
        let means = whitened(&self.means, self.side_means(&rests))?;
        let mut within = whitened(&self.noise, rests)?;
        self.centre(&mut within);
        let expected: f64 = self.expectations(unknowns).iter().map(|(_, off)| off * off).sum();
        Some(within.norm_squared() + means.norm_squared() + expected)
    }

    /// Half the second derivatives of the cost (Gauss and Newton's) and half its gradient.
    fn curvature(&self, unknowns: &DVector<f64>) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let (points, n) = (self.points(), self.count());
        let shape = Shape::new(self.numbers_of(unknowns));
        let (size, sides) = (self.unknowns(), self.takes.sides.len());
        // Columns of one take: the numbers, its place, its strength.
        let own_columns = self.numbers + 2;
        let mut slopes = DMatrix::zeros(points, own_columns * n);
        let mut of_means = DMatrix::zeros(sides * points, size + 1);
        let rests = self.rests(unknowns);
        for (j, side) in self.side_of.iter().enumerate() {
            let share = 1.0 / self.takes.sides[*side].len() as f64;
            let (at_place, at_strength) = (self.numbers + 1 + j, self.numbers + 1 + n + j);
            let (place, strength) = (unknowns[at_place], 1.0 + unknowns[at_strength]);
            for (i, x) in self.takes.x.iter().enumerate() {
                let at = shape.at(x - place);
                let row = side * points + i;
                for k in 0..self.numbers {
                    let slope = strength * at.by_number[k];
                    slopes[(i, own_columns * j + k)] = slope;
                    of_means[(row, k)] += share * slope;
                }
                slopes[(i, own_columns * j + self.numbers)] = -strength * at.slope;
                slopes[(i, own_columns * j + self.numbers + 1)] = at.level_db;
                of_means[(row, at_place)] = -share * strength * at.slope;
                of_means[(row, at_strength)] = share * at.level_db;
                of_means[(row, size)] += share * rests[(i, j)];
            }
        }
        let of_means = whitened(&self.means, of_means)?;
        let slopes = whitened(&self.noise, slopes)?;
        let mut rests = whitened(&self.noise, rests)?;
        self.centre(&mut rests);
        // The numbers' columns about the mean of the side.
        let mut centred = DMatrix::zeros(points, self.numbers * n);
        for k in 0..self.numbers {
            let mut of_number = DMatrix::from_fn(points, n, |i, j| slopes[(i, own_columns * j + k)]);
            self.centre(&mut of_number);
            for j in 0..n {
                centred.set_column(self.numbers * j + k, &of_number.column(j));
            }
        }

        let mut curvature = DMatrix::zeros(size, size);
        let mut gradient = DVector::zeros(size);
        for a in 0..size {
            for b in 0..=a {
                curvature[(a, b)] = of_means.column(a).dot(&of_means.column(b));
            }
            gradient[a] = -of_means.column(a).dot(&of_means.column(size));
        }
        for j in 0..n {
            for a in 0..self.numbers {
                let column = centred.column(self.numbers * j + a);
                for b in 0..=a {
                    curvature[(a, b)] += column.dot(&centred.column(self.numbers * j + b));
                }
                gradient[a] -= column.dot(&rests.column(j));
            }
            let share = 1.0 / self.takes.sides[self.side_of[j]].len() as f64;
            for (own, at) in [(self.numbers, self.numbers + 1 + j), (self.numbers + 1, self.numbers + 1 + n + j)] {
                let column = slopes.column(own_columns * j + own);
                for a in 0..self.numbers {
                    curvature[(at, a)] += column.dot(&centred.column(self.numbers * j + a));
                }
                gradient[at] -= column.dot(&rests.column(j));
                for k in (0..n).filter(|k| self.side_of[*k] == self.side_of[j]) {
                    let same = if j == k { 1.0 } else { 0.0 };
                    for (other, its) in [(self.numbers, self.numbers + 1 + k), (self.numbers + 1, self.numbers + 1 + n + k)] {
                        if its <= at {
                            let product = column.dot(&slopes.column(own_columns * k + other));
                            curvature[(at, its)] += (same - share) * product;
                        }
                    }
                }
            }
        }
        for (factors, off) in self.expectations(unknowns) {
            for (a, of_a) in &factors {
                for (b, of_b) in &factors {
                    if b <= a {
                        curvature[(*a, *b)] += of_a * of_b;
                    }
                }
                gradient[*a] += of_a * off;
            }
        }
        curvature.fill_upper_triangle_with_lower_triangle();
        Some((curvature, gradient))
    }

    /// The least of the cost that is reached from `start` (octaves over 1 kHz) or from another model's fit.
    pub fn fitted(&self, start: f64, from: Option<&Fit>, rounds: usize) -> Option<Fit> {
        let mut unknowns = from.map_or_else(|| self.first(start), |fit| self.taken_over(fit));
        let mut cost = self.cost(&unknowns)?;
        let mut damping = 0.01;
        let (mut precision, mut gradient) = self.curvature(&unknowns)?;
        for _ in 0..rounds {
            let mut damped = precision.clone();
            for k in 0..damped.nrows() {
                damped[(k, k)] *= 1.0 + damping;
            }
            let step = damped.cholesky()?.solve(&gradient);
            let tried = &unknowns - step;
            match self.cost(&tried).filter(|tried| *tried < cost) {
                Some(less) => {
                    let gain = cost - less;
                    (unknowns, cost) = (tried, less);
                    damping *= 0.2;
                    (precision, gradient) = self.curvature(&unknowns)?;
                    if gain < 0.1 {
                        break;
                    }
                }
                None => damping *= 8.0,
            }
            if damping > 1e6 {
                break;
            }
        }
        let finite = cost.is_finite() && unknowns.iter().all(|value| value.is_finite());
        finite.then(|| Fit {
            cost: cost + self.sizes,
            shape: self.numbers_of(&unknowns).to_vec(),
            places: unknowns.as_slice()[self.numbers + 1..=self.numbers + self.count()].to_vec(),
            unknowns,
            precision,
        })
    }

    /// Noise as the rest of a fit shows it.
    pub fn noise_of(&self, fit: &Fit) -> Noise {
        let mut rests = self.rests(&fit.unknowns);
        self.centre(&mut rests);
        noise(&rests, self.takes)
    }

    /// By how much the places of a fit bring its rest down, against takes of a side that share one place.
    pub fn moved(&self, fit: &Fit) -> Option<f64> {
        let n = self.count();
        let left = |unknowns: &DVector<f64>| -> Option<(DMatrix<f64>, f64)> {
            let mut within = whitened(&self.noise, self.rests(unknowns))?;
            self.centre(&mut within);
            let sum = within.norm_squared();
            Some((within, sum))
        };
        let (_, moving) = left(&fit.unknowns)?;
        let mut still = fit.unknowns.clone();
        for (side, takes) in self.takes.sides.iter().enumerate() {
            let of_side: Vec<usize> = (0..n).filter(|j| self.side_of[*j] == side).collect();
            let mean = of_side.iter().map(|j| fit.places[*j]).sum::<f64>() / takes.len() as f64;
            for j in of_side {
                still[self.numbers + 1 + j] = mean;
                still[self.numbers + 1 + n + j] = 0.0;
            }
        }
        let (within, still_sum) = left(&still)?;
        // What another strength of each take explains is no movement.
        let shape = Shape::new(self.numbers_of(&still));
        let forms = DMatrix::from_fn(self.points(), n, |i, j| {
            shape.level_db(self.takes.x[i] - still[self.numbers + 1 + j])
        });
        let forms = whitened(&self.noise, forms)?;
        let by_strength: f64 = (0..n)
            .map(|j| {
                let form = forms.column(j);
                let along = form.dot(&within.column(j));
                along * along / (form.norm_squared() + expected::STRENGTH.powi(-2))
            })
            .sum();
        Some(still_sum - by_strength - moving)
    }

    /// Standard errors of the places of the takes, octaves.
    pub fn place_errors(&self, fit: &Fit) -> Option<Vec<f64>> {
        let covariance = fit.precision.clone().cholesky()?.inverse();
        let of = |j: usize| covariance[(self.numbers + 1 + j, self.numbers + 1 + j)].max(0.0).sqrt();
        Some((0..self.count()).map(of).collect())
    }

    /// The unit's own curve, the mean of its sides', without the coupler.
    pub fn own(&self, fit: &Fit) -> Option<Own> {
        let (points, n, size) = (self.points(), self.count(), self.unknowns());
        let rests = self.rests(&fit.unknowns);
        let shape = Shape::new(&fit.shape);
        let mut slopes = DMatrix::zeros(self.takes.sides.len() * points, size);
        for (j, side) in self.side_of.iter().enumerate() {
            let share = 1.0 / self.takes.sides[*side].len() as f64;
            let (at_place, at_strength) = (self.numbers + 1 + j, self.numbers + 1 + n + j);
            let (place, strength) = (fit.unknowns[at_place], 1.0 + fit.unknowns[at_strength]);
            for (i, x) in self.takes.x.iter().enumerate() {
                let at = shape.at(x - place);
                let row = side * points + i;
                for k in 0..self.numbers {
                    slopes[(row, k)] += share * strength * at.by_number[k];
                }
                slopes[(row, at_place)] = -share * strength * at.slope;
                slopes[(row, at_strength)] = share * at.level_db;
            }
        }
        let gains = whitened(&self.means, self.own_with_means.clone())?;
        let means = whitened(&self.means, self.side_means(&rests))?;
        let slopes = whitened(&self.means, slopes)?;
        let precision = fit.precision.clone().cholesky()?;
        let covariance_root = precision.l();
        let mut own = Own { level_db: Vec::new(), sd_db: Vec::new(), expected_sd_db: Vec::new() };
        for i in 0..points {
            let gain = gains.column(i);
            let rest = (self.own_variance[i] - gain.norm_squared()).max(0.0);
            let by_unknown = DVector::from_fn(size, |k, _| gain.dot(&slopes.column(k)));
            let mut rooted = by_unknown.clone();
            covariance_root.solve_lower_triangular_mut(&mut rooted);
            let expected: f64 = (0..self.numbers)
                .map(|k| (by_unknown[k] * shape::expected(k).1).powi(2))
                .sum();
            own.level_db.push(gain.dot(&means.column(0)));
            own.sd_db.push((rest + rooted.norm_squared()).sqrt());
            own.expected_sd_db.push((rest + expected).sqrt());
        }
        Some(own)
    }
}

/// Noise of takes whose levels about their side's mean are the columns of `about_db`.
fn noise(about_db: &DMatrix<f64>, takes: &Takes) -> Noise {
    /// Points on each side over which the size of the noise is averaged, and the largest factor.
    const AROUND: usize = 2;
    const LARGEST_FACTOR: f64 = 30.0;
    let points = about_db.nrows();
    let mut bends = Vec::new();
    let mut variance = vec![0.0; points];
    let mut freedom = 0.0;
    let mut first = 0;
    for of in &takes.sides {
        if of.len() >= 2 {
            let lost = 1.0 - 1.0 / of.len() as f64;
            for j in first..first + of.len() {
                let column = about_db.column(j);
                for i in 1..points - 1 {
                    let bend = column[i] - 0.5 * (column[i - 1] + column[i + 1]);
                    bends.push(bend * bend / (1.5 * lost));
                }
                let mean = column.mean();
                for (sum, db) in variance.iter_mut().zip(column.iter()) {
                    *sum += (db - mean).powi(2);
                }
            }
            freedom += of.len() as f64 - 1.0;
        }
        first += of.len();
    }
    let local: Vec<f64> = (0..points)
        .map(|i| {
            let around = &variance[i.saturating_sub(AROUND)..(i + AROUND + 1).min(points)];
            around.iter().sum::<f64>() / (around.len() as f64 * freedom)
        })
        .collect();
    let all = median(local.clone());
    // The median of the square of a normal number is 0.455 of its variance.
    let white = median(bends) / 0.455;
    let at_least = |variance: f64| variance.max(0.0).sqrt().max(expected::LEAST_NOISE_DB);
    let (white_db, smooth_db) = (at_least(white), at_least(all - white));
    let usual = white_db.powi(2) + smooth_db.powi(2);
    let factor = |local: &f64| (local / usual).sqrt().clamp(1.0, LARGEST_FACTOR);
    Noise {
        white_db,
        smooth_db,
        factor: local.iter().map(factor).collect(),
    }
}

/// Noise before anything is known of the coupler: what bends from point to point; the smooth part as expected.
pub fn first_noise(takes: &Takes) -> Noise {
    let points = takes.x.len();
    let count: usize = takes.sides.iter().map(Vec::len).sum();
    let mut about_db = DMatrix::zeros(points, count);
    let mut j = 0;
    for of in &takes.sides {
        for levels in of {
            for i in 0..points {
                let mean = of.iter().map(|other| other[i]).sum::<f64>() / of.len() as f64;
                about_db[(i, j)] = levels[i] - mean;
            }
            j += 1;
        }
    }
    Noise {
        smooth_db: expected::SMOOTH_NOISE_DB,
        factor: vec![1.0; points],
        ..noise(&about_db, takes)
    }
}

/// How much of the takes' differences within sides a resonance of the expected shape would explain by moving, for each
/// place in `starts` (octaves over 1 kHz).
pub fn scores(takes: &Takes, noise: &Noise, starts: &[f64]) -> Option<Vec<f64>> {
    let any = Place { at: 3.0, within: 1.0 };
    let model = Joint::new(takes, noise, any, (3.0, FORM))?;
    let mut levels = DMatrix::from_fn(model.points(), model.count(), |_, _| 0.0);
    for (j, of) in model.levels().enumerate() {
        levels.set_column(j, &DVector::from_column_slice(of));
    }
    let mut within = whitened(&model.noise, levels)?;
    model.centre(&mut within);
    let numbers: Vec<f64> = (0..FORM).map(|k| shape::expected(k).0).collect();
    let shape = Shape::new(&numbers);
    let forms = DMatrix::from_fn(model.points(), starts.len(), |i, k| {
        shape.at(takes.x[i] - starts[k]).slope
    });
    let forms = whitened(&model.noise, forms)?;
    let score = |form: nalgebra::DVectorView<'_, f64>| -> f64 {
        let along = within.column_iter().map(|take| form.dot(&take).powi(2));
        along.sum::<f64>() / form.norm_squared()
    };
    Some(forms.column_iter().map(score).collect())
}
