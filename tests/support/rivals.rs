//! Problems that other solvers get too, and our answers to them: on one core, with the time they took.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::Effort;
use bandwright::fit::Stop;
use bandwright::fit::random::Random;
use bandwright::fit::space::Space;
use bandwright::fit::{ChannelAnswer, Task, Wanted, fit, residual};
use bandwright::limits::{Limits, Setting, ShapeCounts};
use serde_json::{Value, json};

pub use super::planted::{RATE_HZ, limits, space};

/// A fit's points lie above 0 Hz and below half the rate. Sections above 20 Hz are level below this ...
const FIRST_HZ: f64 = 0.1;
/// ... and all sections are above this.
const LAST_HZ: f64 = 23_999.0;

/// What is wanted where, and what may be used for it.
pub struct Problem {
    pub name: String,
    pub frequency_hz: Vec<f64>,
    pub weight: Vec<f64>,
    pub wanted_db: Vec<f64>,
    pub limits: Limits,
}

/// Our answer to a problem.
pub struct Solved {
    pub sections: Vec<Section>,
    pub rms_db: f64,
    /// Before the numbers were rounded to those that one types.
    pub unrounded_rms_db: f64,
    pub cpu_ms: f64,
}

impl Problem {
    /// All that the limits allow.
    pub fn space(&self) -> Space {
        space(&self.limits)
    }

    /// Our answer, without economy.
    pub fn fit(&self, effort: Effort) -> ChannelAnswer {
        let inside = |f_hz: &f64| f_hz.clamp(FIRST_HZ, LAST_HZ);
        fit(&Task {
            frequency_hz: &self.frequency_hz.iter().map(inside).collect::<Vec<_>>(),
            weight: &self.weight,
            channels: &[Wanted {
                change_db: &self.wanted_db,
                kept: &[],
            }],
            limits: &self.limits,
            space: &self.space(),
            least_gain_db: None,
            playing: None,
            economy: 0.0,
            effort,
            seed: 0,
            stop: &Stop::default(),
        })
        .channels
        .swap_remove(0)
    }

    /// Root mean square of what `sections` leave, weighted, level-free, dB.
    pub fn rms_db(&self, sections: &[Section]) -> f64 {
        residual::weighted_rms_db(
            sections,
            RATE_HZ,
            &self.frequency_hz,
            &self.weight,
            &self.wanted_db,
        )
    }

    /// Our answer and its CPU time on one core.
    pub fn solve(&self, effort: Effort, core: &OneCore) -> Solved {
        let (answer, cpu_ms) = core.timed(|| self.fit(effort));
        let unrounded = &answer.search.levels[answer.search.levels.len() - 1];
        Solved {
            rms_db: self.rms_db(&answer.sections),
            unrounded_rms_db: unrounded.parts.residual.sqrt(),
            sections: answer.sections,
            cpu_ms,
        }
    }

    fn csv(&self) -> String {
        let mut text = "frequency_hz,weight,wanted_db\n".to_owned();
        for ((f_hz, w), db) in self
            .frequency_hz
            .iter()
            .zip(&self.weight)
            .zip(&self.wanted_db)
        {
            writeln!(text, "{f_hz},{w},{db}").unwrap();
        }
        text
    }
}

/// This thread alone, whatever the fit would like to use.
pub struct OneCore(rayon::ThreadPool);

impl OneCore {
    /// Once a thread.
    pub fn new() -> Self {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1);
        Self(pool.use_current_thread().build().unwrap())
    }

    /// Does the work here; returns what came of it and its CPU time, ms.
    pub fn timed<T: Send>(&self, work: impl FnOnce() -> T + Send) -> (T, f64) {
        let start = cpu_time::ThreadTime::now();
        let result = self.0.install(work);
        (result, start.elapsed().as_secs_f64() * 1e3)
    }
}

/// A random parametric equaliser at 48 kHz, after S. Nercessian, "Neural parametric equalizer matching
/// using differentiable biquads", DAFx 2020, drawn as `tests/reference/PROVENANCE.md` tells; its
/// response on 2,049 linear bins from 0 to 24 kHz.
pub fn random_equaliser(index: usize, allowed: ShapeCounts) -> Problem {
    let sections = draw(&mut Random::new(0x2020_0000 + index as u64));
    let frequency_hz: Vec<f64> = (0..=2048)
        .map(|bin| RATE_HZ / 2.0 * f64::from(bin) / 2048.0)
        .collect();
    Problem {
        name: format!("draw-{index:03}"),
        wanted_db: cascade::levels_db(&sections, RATE_HZ, &frequency_hz),
        weight: vec![1.0; frequency_hz.len()],
        frequency_hz,
        // Ranges that hold every draw.
        limits: Limits {
            q: Setting::Range { min: 0.1, max: 8.0 },
            shelf_q: Setting::Range { min: 0.2, max: 1.2 },
            ..limits(allowed)
        },
    }
}

/// One low shelf, ten peaking sections, one high shelf; those of 0 dB are left out.
fn draw(random: &mut Random) -> Vec<Section> {
    let low_hz = 20.0 + 19980.0 * beta(random, 0.25, 5);
    let high_hz = 20.0 + 19980.0 * beta(random, 4.0, 5);
    let mut shapes = vec![Shape::Peaking; 12];
    (shapes[0], shapes[11]) = (Shape::LowShelf, Shape::HighShelf);
    let drawn = shapes.into_iter().map(|shape| {
        let (chance, f0_hz) = match shape {
            Shape::LowShelf => (0.5, low_hz),
            Shape::Peaking => (1.0 / 3.0, low_hz + (high_hz - low_hz) * random.unit()),
            Shape::HighShelf => (0.5, high_hz),
        };
        let heard = random.unit() < chance;
        let gain_db = -10.0 + 20.0 * beta(random, 5.0, 5);
        let width = beta(random, 1.0, 5);
        let q = if shape.is_shelf() {
            // The cookbook's shelf slope S: 1/Q = sqrt((A + 1/A)(1/S - 1) + 2).
            let (a, slope) = (10f64.powf(gain_db / 40.0), 0.1 + 0.9 * width);
            ((a + 1.0 / a) * (1.0 / slope - 1.0) + 2.0).sqrt().recip()
        } else {
            0.1 + 2.9 * width
        };
        let section = Section {
            shape,
            f0_hz,
            gain_db,
            q,
        };
        heard.then_some(section)
    });
    drawn.flatten().collect()
}

/// A deviate of Beta(a, b): the product of deviates of Beta(a + k, 1), k = 0..b, which are powers of
/// uniform ones; its moments `prod (a + k)/(a + k + t)` are those of Beta(a, b).
fn beta(random: &mut Random, a: f64, b: usize) -> f64 {
    (0..b)
        .map(|k| random.unit().powf(1.0 / (a + k as f64)))
        .product()
}

/// The middle of the numbers, or the upper one of the two in the middle.
pub fn median(mut numbers: Vec<f64>) -> f64 {
    numbers.sort_by(f64::total_cmp);
    numbers[numbers.len() / 2]
}

/// Where the problems are for others to read.
pub fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("target/rivals")
}

/// Writes a set of problems of equal limits: `SET/NAME.csv`, and `SET.json` with the limits and our
/// answers by problem and effort.
pub fn write(set: &str, solved: &[(Problem, Vec<(Effort, Solved)>)]) {
    let folder = folder();
    fs::create_dir_all(folder.join(set)).unwrap();
    let limits = &solved[0].0.limits;
    let range = |setting: &Setting| [setting.min(), setting.max()];
    let shapes: Vec<Value> = Shape::ALL
        .iter()
        .map(|&shape| {
            json!({
                "shape": shape.name(), "most": limits.shapes.of(shape), "f0_hz": range(&limits.f0_hz),
                "gain_db": range(&limits.gain_db), "q": range(limits.q_of(shape)),
            })
        })
        .collect();
    let mut answers = serde_json::Map::new();
    for (problem, by_effort) in solved {
        fs::write(
            folder.join(set).join(format!("{}.csv", problem.name)),
            problem.csv(),
        )
        .unwrap();
        let of = |s: &Solved| {
            json!({
                "rms_db": s.rms_db, "unrounded_rms_db": s.unrounded_rms_db, "cpu_ms": s.cpu_ms,
                "sections": s.sections,
            })
        };
        let by_effort: serde_json::Map<String, Value> = by_effort
            .iter()
            .map(|(effort, solved)| (effort.name().to_owned(), of(solved)))
            .collect();
        answers.insert(problem.name.clone(), by_effort.into());
    }
    let whole = json!({ "rate_hz": RATE_HZ, "shapes": shapes, "answers": answers });
    let text = serde_json::to_string_pretty(&whole).unwrap();
    fs::write(folder.join(format!("{set}.json")), text).unwrap();
}
