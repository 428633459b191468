//! What the fit promises whatever it is given: never worse than no section, never worse for more sections
//! or more effort, no idle section, the same answer on any number of threads, no panic.

#[allow(dead_code, reason = "shared with other tests")]
use crate::support::corpus;
#[allow(dead_code, reason = "shared with other tests")]
use crate::support::planted;

use std::sync::mpsc;
use std::time::Duration;

use bandwright::filter::{Section, Shape, cascade};
use bandwright::fit::Stop;
use bandwright::fit::objective::{Objective, Placed, Workspace};
use bandwright::fit::random::Random;
use bandwright::fit::search::reach::{Effort, Reach};
use bandwright::fit::space::{Space, variables};
use bandwright::fit::{ChannelAnswer, Task, Wanted, fit, residual, search::shelf_reading};
use bandwright::limits::{Limits, ShapeCounts};
use planted::RATE_HZ;
use rayon::prelude::*;

const ECONOMY: f64 = 0.001;

/// What is fitted, with limits and space of one low shelf, six peaking sections and one high shelf.
#[derive(Clone)]
struct Problem {
    name: String,
    frequency_hz: Vec<f64>,
    weight: Vec<f64>,
    wanted_db: Vec<f64>,
    limits: Limits,
    space: Space,
}

impl Problem {
    fn new(name: String, frequency_hz: Vec<f64>, weight: Vec<f64>, wanted_db: Vec<f64>) -> Self {
        let limits = planted::limits(ShapeCounts {
            low_shelf: 1,
            peaking: 6,
            high_shelf: 1,
        });
        Self {
            name,
            frequency_hz,
            weight,
            wanted_db,
            space: planted::space(&limits),
            limits,
        }
    }

    /// All points alike.
    fn even(name: String, wanted_db: Vec<f64>) -> Self {
        Self::new(name, corpus::grid(), vec![1.0; 479], wanted_db)
    }

    fn fit(&self, sections: usize, economy: f64, effort: Effort, seed: u64) -> ChannelAnswer {
        let space = Space {
            sections,
            ..self.space.clone()
        };
        fit(&Task {
            frequency_hz: &self.frequency_hz,
            weight: &self.weight,
            channels: &[Wanted {
                change_db: &self.wanted_db,
                kept: &[],
            }],
            limits: &self.limits,
            space: &space,
            least_gain_db: None,
            playing: None,
            economy,
            effort,
            seed,
            stop: &Stop::default(),
        })
        .channels
        .swap_remove(0)
    }

    fn objective(&self, sections: &[Section], economy: f64) -> f64 {
        let objective = Objective::new(
            &self.frequency_hz,
            &self.weight,
            &self.wanted_db,
            RATE_HZ,
            economy,
        );
        let shapes: Vec<Shape> = sections.iter().map(|section| section.shape).collect();
        let x: Vec<f64> = sections.iter().flat_map(variables).collect();
        let mut room = Workspace::default();
        Placed::new(&objective, &shapes, &[], &[], &mut room)
            .parts(&x)
            .total()
    }

    fn rms_db(&self, sections: &[Section]) -> f64 {
        let Self {
            frequency_hz,
            weight,
            wanted_db,
            ..
        } = self;
        residual::weighted_rms_db(sections, RATE_HZ, frequency_hz, weight, wanted_db)
    }

    /// What holds for every answer.
    fn check(&self, answer: &ChannelAnswer, sections: usize, economy: f64) {
        let name = &self.name;
        assert!(answer.sections.len() <= sections, "{name}");
        for section in &answer.sections {
            assert!(self.space.holds(section), "{name}: {section:?}");
        }
        for shape in Shape::ALL {
            let used = answer.sections.iter().filter(|s| s.shape == shape).count();
            assert!(used <= self.limits.shapes.of(shape), "{name}: {shape}");
        }
        let j = answer.objective_db2;
        let said = self.objective(&answer.sections, economy);
        assert!((j - said).abs() <= 1e-9 * j + 1e-12, "{name}: {j} {said}");
        let nothing = self.objective(&[], economy);
        assert!(
            j <= nothing,
            "{name}: {j} against {nothing} with no section"
        );
        let levels = &answer.search.levels;
        assert_eq!(levels.len(), sections + 1, "{name}");
        for (count, pair) in levels.windows(2).enumerate() {
            let [fewer, more] = [&pair[0], &pair[1]].map(|level| level.answer.value);
            assert!(
                !is_worse(more, fewer),
                "{name}: J {fewer} with {count}, {more} with one more"
            );
        }
    }
}

fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * random.unit()
}

fn log_between(random: &mut Random, low: f64, high: f64) -> f64 {
    low * (high / low).powf(random.unit())
}

/// A smooth curve of some width on a random support, with weights that are even, random or 0 in places;
/// no section may have its f0 outside the support.
fn random_curve(index: u64) -> Problem {
    let r = &mut Random::new(0xc0_ffee + index);
    let start = r.below(150);
    let end = start + 60 + r.below(479 - start - 60);
    let frequency_hz = corpus::grid()[start..end].to_vec();
    let (low_hz, high_hz) = (frequency_hz[0], frequency_hz[end - start - 1]);
    let humps: Vec<(f64, f64, f64)> = (0..2 + r.below(9))
        .map(|_| {
            let centre_hz = log_between(r, low_hz, high_hz);
            (centre_hz, log_between(r, 0.08, 2.0), between(r, -9.0, 9.0))
        })
        .collect();
    let slope = between(r, -1.5, 1.5);
    let noise_db = [0.0, 0.05, 0.3][r.below(3)];
    let wanted_db = frequency_hz
        .iter()
        .map(|&f_hz| {
            let hump = |(centre_hz, octaves, db): &(f64, f64, f64)| {
                db * (-0.5 * ((f_hz / centre_hz).log2() / octaves).powi(2)).exp()
            };
            let smooth: f64 = humps.iter().map(hump).sum();
            smooth + slope * (f_hz / 1000.0).log2() + noise_db * between(r, -1.0, 1.0)
        })
        .collect();
    let kind = r.below(4);
    let weight = (0..frequency_hz.len())
        .map(|i| match kind {
            0 => 1.0,
            1 => r.unit(),
            2 => f64::from(u8::from(i % 97 < 70)),
            _ => 1.0 / (1.0 + i as f64 / 40.0),
        })
        .collect();
    let mut problem = Problem::new(format!("curve {index}"), frequency_hz, weight, wanted_db);
    for ranges in problem.space.boxes.iter_mut().flatten() {
        ranges.f0_hz = low_hz..=high_hz;
    }
    problem
}

/// Random curves and every so many cases of the corpus, in turn.
fn problems(curves: u64, step: usize) -> Vec<Problem> {
    let cases = corpus::cases()
        .into_iter()
        .step_by(step)
        .map(|case| Problem::new(case.name, corpus::grid(), case.weight, case.wanted_db));
    (0..curves).map(random_curve).chain(cases).collect()
}

/// True when `more` is above `fewer` by more than rounding.
fn is_worse(more: f64, fewer: f64) -> bool {
    more > fewer * (1.0 + 1e-9) && more > fewer + 1e-8
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

#[test]
fn no_answer_is_worse_than_no_section_and_the_reach_curve_never_rises() {
    for (index, problem) in problems(60, 6).iter().enumerate() {
        let economy = [0.0, ECONOMY, 0.1][index % 3];
        let sections = 1 + index % 8;
        let answer = problem.fit(sections, economy, Effort::Quick, index as u64);
        problem.check(&answer, sections, economy);
        assert_never_rises(problem, &answer);
    }
    // Exact with one section: what is left for the others is rounding.
    let peak = Section {
        shape: Shape::Peaking,
        f0_hz: 73.323_522_222_132_25,
        gain_db: 5.276_452_716_854_520_6,
        q: 2.897_633_945_815_196_7,
    };
    let problem = Problem::even("one peak".to_owned(), levels_db(&[peak]));
    assert_never_rises(&problem, &problem.fit(8, ECONOMY, Effort::Quick, 0));
}

/// J along the reach curve, to the last bit.
fn assert_never_rises(problem: &Problem, answer: &ChannelAnswer) {
    let values: Vec<f64> = answer
        .search
        .levels
        .iter()
        .map(|level| level.answer.value)
        .collect();
    let falling = values.is_sorted_by(|fewer, more| more <= fewer);
    assert!(falling, "{}: {values:?}", problem.name);
}

/// Levels of sections on the common grid.
fn levels_db(sections: &[Section]) -> Vec<f64> {
    cascade::levels_db(sections, RATE_HZ, &corpus::grid())
}

/// J before steps and before idle sections went.
fn reached(answer: &ChannelAnswer) -> f64 {
    answer
        .search
        .levels
        .last()
        .map_or(f64::NAN, |level| level.answer.value)
}

/// Fits with 1 to 8 sections allowed; every rise of J.
fn rises(problems: &[Problem], effort: Effort) -> (usize, Vec<String>) {
    let mut rises = Vec::new();
    let mut pairs = 0;
    for (index, problem) in problems.iter().enumerate() {
        let economy = [0.0, ECONOMY][index % 2];
        let mut fewer = problem.objective(&[], economy);
        let mut reached_fewer = fewer;
        for sections in 1..=8 {
            let answer = problem.fit(sections, economy, effort, 0);
            problem.check(&answer, sections, economy);
            let more = answer.objective_db2;
            let reached = reached(&answer);
            if is_worse(reached, reached_fewer) {
                rises.push(format!(
                    "{}, economy {economy}, {effort:?}: {} sections {fewer:.9}, {sections} sections {more:.9} dB^2; before steps {reached_fewer:.9}, {reached:.9}",
                    problem.name,
                    sections - 1,
                ));
            }
            pairs += 1;
            (fewer, reached_fewer) = (more, reached);
        }
    }
    (pairs, rises)
}

/// What is found, before idle sections go and numbers get few decimals. Within one fit the reach curve never
/// rises (tested above). Two fits search differently for their smaller
/// counts, so this is a goal, with the share that misses it bounded here.
#[test]
fn one_more_section_allowed_seldom_raises_the_objective() {
    let quick = rises(&problems(20, 9), Effort::Quick);
    let normal = rises(&problems(4, 36), Effort::Normal);
    for rise in quick.1.iter().chain(&normal.1) {
        println!("{rise}");
    }
    println!(
        "{} of {} rise at quick, {} of {} at normal",
        quick.1.len(),
        quick.0,
        normal.1.len(),
        normal.0
    );
    assert!(quick.1.len() * 20 <= quick.0, "more than 5 % at quick");
    assert!(normal.1.len() * 50 <= normal.0, "more than 2 % at normal");
}

/// The root of J with at most so many sections, dB; what is below 0.01 is as good.
fn root_db(reach: &Reach, count: usize) -> f64 {
    reach.levels[count].parts.total().sqrt().max(0.01)
}

#[test]
fn the_reach_curve_is_nearly_what_fits_for_each_count_find_and_more_effort_brings_it_nearer() {
    let counts = 1..8;
    let alone_db = |problem: &Problem| -> Vec<f64> {
        let of_count = |count| problem.fit(count, ECONOMY, Effort::Normal, 0).search;
        let alone = counts.clone().map(|count| root_db(&of_count(count), count));
        alone.collect()
    };
    let problems = problems(0, 4);
    let excess: Vec<[f64; 3]> = problems
        .par_iter()
        .map(|problem| {
            let alone_db = alone_db(problem);
            Effort::ALL.map(|effort| {
                let reach = problem.fit(8, ECONOMY, effort, 0).search;
                let pairs = counts.clone().zip(&alone_db);
                let excess = pairs.map(|(count, alone)| (root_db(&reach, count) / alone).ln());
                excess.sum::<f64>() / counts.len() as f64
            })
        })
        .collect();
    let mean =
        |effort: usize| excess.iter().map(|of| of[effort]).sum::<f64>() / excess.len() as f64;
    let [quick, normal, deep] = [0, 1, 2].map(mean);
    println!("above fits for each count: quick {quick:.4}, normal {normal:.4}, deep {deep:.4}");
    assert!(quick < 0.05 && normal < 0.025 && deep < 0.006);
    assert!(deep < normal && normal < quick);
}

/// What the search finds; idle sections then go and numbers get few decimals at every effort.
#[test]
fn a_higher_effort_never_raises_the_objective_of_what_is_found() {
    let mut rises = Vec::new();
    let (mut falls, mut pairs) = (0, 0);
    for (index, problem) in problems(30, 6).iter().enumerate() {
        let economy = [0.0, ECONOMY][index % 2];
        let sections = 3 + index % 6;
        let seed = index as u64 % 3;
        let efforts = if index % 12 == 0 { 3 } else { 2 };
        let (mut lower, mut reached_lower) = (f64::INFINITY, f64::INFINITY);
        for effort in &Effort::ALL[..efforts] {
            let answer = problem.fit(sections, economy, *effort, seed);
            let (value, reached) = (answer.objective_db2, reached(&answer));
            if is_worse(reached, reached_lower) {
                rises.push(format!(
                    "{}, {sections} sections, economy {economy}, seed {seed}: {lower:.9} before, {value:.9} dB^2 at {effort:?}; before steps {reached_lower:.9}, {reached:.9}",
                    problem.name,
                ));
            }
            pairs += 1;
            falls += usize::from(value < lower * (1.0 - 1e-3));
            (lower, reached_lower) = (value, reached);
        }
    }
    for rise in &rises {
        println!("{rise}");
    }
    println!("{} rises, {falls} falls of {pairs}", rises.len());
    assert!(rises.is_empty());
}

#[test]
fn the_answer_is_the_same_to_the_bit_on_1_2_and_8_threads() {
    let pools = [1, 2, 8].map(|threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
        pool.build().unwrap()
    });
    for (index, problem) in problems(6, 24).iter().enumerate() {
        let effort = if index == 0 {
            Effort::Deep
        } else {
            Effort::Normal
        };
        let answers = pools
            .each_ref()
            .map(|pool| pool.install(|| problem.fit(8, ECONOMY, effort, 0)));
        assert_eq!(answers[0], answers[1], "{}", problem.name);
        assert_eq!(answers[0], answers[2], "{}", problem.name);
        let bits = |answer: &ChannelAnswer| -> Vec<u64> {
            let numbers = answer
                .sections
                .iter()
                .flat_map(|s| [s.f0_hz, s.gain_db, s.q]);
            numbers.map(f64::to_bits).collect()
        };
        assert_eq!(bits(&answers[0]), bits(&answers[2]), "{}", problem.name);
    }
}

#[test]
fn another_seed_may_find_another_answer_but_no_absurd_one() {
    let mut ratios = Vec::new();
    for problem in problems(12, 12) {
        let values: Vec<f64> = (0..3)
            .map(|seed| problem.fit(6, 0.0, Effort::Normal, seed).objective_db2)
            .collect();
        // Below 0.01 dB an answer is exact for any listener.
        let least = values
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min)
            .max(1e-4);
        let most = values.iter().copied().fold(1e-4, f64::max);
        ratios.push((most / least).sqrt());
        assert!(most / least < 2.0, "{}: {values:?}", problem.name);
    }
    let worst = ratios.iter().copied().fold(1.0, f64::max);
    println!(
        "residuals of three seeds: worst over best {worst:.4}, median {:.4}",
        median(ratios)
    );
}

fn planted_section(r: &mut Random, shape: Shape) -> Section {
    Section {
        shape,
        f0_hz: log_between(r, 40.0, 12_000.0),
        gain_db: between(r, 1.0, 10.0) * if r.unit() < 0.5 { -1.0 } else { 1.0 },
        q: if shape.is_shelf() {
            between(r, 0.4, 1.2)
        } else {
            log_between(r, 0.4, 6.0)
        },
    }
}

fn assert_is(found: &Section, planted: &Section) {
    let near = |found: f64, planted: f64| (found - planted).abs() <= 0.002 * planted.abs();
    let same = found.shape == planted.shape
        && near(found.f0_hz, planted.f0_hz)
        && near(found.gain_db, planted.gain_db)
        && near(found.q, planted.q);
    assert!(same, "{found:?} for {planted:?}");
}

#[test]
fn one_planted_peak_gives_one_section_back() {
    let r = &mut Random::new(41);
    for index in 0..60 {
        let planted = planted_section(r, Shape::Peaking);
        let wanted_db = levels_db(&[planted]);
        let problem = Problem::even(format!("{planted:?}"), wanted_db);
        let effort = [Effort::Quick, Effort::Normal][index % 2];
        let answer = problem.fit(8, ECONOMY, effort, 0);
        problem.check(&answer, 8, ECONOMY);
        let [found] = answer.sections[..] else {
            panic!("{planted:?}: {:?}", answer.sections)
        };
        assert_is(&found, &planted);
    }
}

#[test]
fn a_quick_fit_ends_where_less_than_an_idle_section_is_left_to_gain() {
    // A ripple too fast for eight sections.
    let ripple_db = |f_hz: &f64| 3.0 * (9.0 * f_hz.log2()).sin();
    let ripple_db = corpus::grid().iter().map(ripple_db).collect();
    let at_work = Problem::even("ripple".to_owned(), ripple_db);
    let budget = at_work.fit(8, 0.0, Effort::Quick, 0).search;
    assert!(!budget.enough && !budget.exact);
    let left_db = |reach: &Reach| reach.levels[8].parts.residual.sqrt();
    let (mut ended, mut not_exact) = (0, 0);
    for planted in planted::cases(60, &[3, 5, 8]) {
        let sections = &planted.sections;
        let problem = Problem::even(format!("{sections:?}"), levels_db(sections));
        let quick = problem.fit(8, 0.0, Effort::Quick, 0).search;
        assert_eq!(quick.enough, left_db(&quick) <= 0.005, "{sections:?}");
        if !quick.enough {
            continue;
        }
        ended += 1;
        if !quick.exact {
            not_exact += 1;
            assert!(quick.evaluations < budget.evaluations, "{sections:?}");
        }
        let normal = problem.fit(8, 0.0, Effort::Normal, 0).search;
        // What is left of exact answers is rounding.
        let is_as_good = normal.exact || left_db(&normal) <= left_db(&quick);
        assert!(is_as_good, "{sections:?}");
    }
    println!("{ended} of 60 ended early, {not_exact} of them not at an exact answer");
    assert!(ended >= 40 && not_exact >= 5, "{ended}, {not_exact}");
}

#[test]
fn one_planted_shelf_gives_itself_or_its_mirror_back_whichever_boosts_less() {
    let r = &mut Random::new(42);
    for index in 0..40 {
        let planted = planted_section(r, [Shape::LowShelf, Shape::HighShelf][index % 2]);
        let wanted_db = levels_db(&[planted]);
        let problem = Problem::even(format!("{planted:?}"), wanted_db);
        let answer = problem.fit(8, ECONOMY, Effort::Normal, 0);
        problem.check(&answer, 8, ECONOMY);
        let [found] = answer.sections[..] else {
            panic!("{planted:?}: {:?}", answer.sections)
        };
        let other = shelf_reading::mirrored(&planted).unwrap();
        assert_is(
            &found,
            if found.shape == planted.shape {
                &planted
            } else {
                &other
            },
        );
        assert!(
            found.gain_db < 0.0,
            "{found:?} for {planted:?}: its mirror boosts less"
        );
    }
}

#[test]
fn two_planted_peaks_far_apart_give_two_sections_back() {
    let r = &mut Random::new(43);
    for index in 0..40 {
        let mut low = planted_section(r, Shape::Peaking);
        let mut high = planted_section(r, Shape::Peaking);
        low.f0_hz = log_between(r, 40.0, 400.0);
        high.f0_hz = low.f0_hz * log_between(r, 16.0, 30.0);
        let wanted_db = levels_db(&[low, high]);
        let problem = Problem::even(format!("{low:?} {high:?}"), wanted_db);
        let effort = [Effort::Quick, Effort::Normal][index % 2];
        let answer = problem.fit(8, ECONOMY, effort, 0);
        problem.check(&answer, 8, ECONOMY);
        assert_eq!(
            answer.sections.len(),
            2,
            "{low:?} {high:?}: {:?}",
            answer.sections
        );
    }
}

#[test]
fn economy_keeps_sections_from_fighting_at_little_cost() {
    let mut ratios = Vec::new();
    let mut costs = Vec::new();
    let mut without = Vec::new();
    for case in corpus::cases() {
        let problem = Problem::new(case.name, corpus::grid(), case.weight, case.wanted_db);
        let ratio = |answer: &ChannelAnswer| {
            let Problem {
                frequency_hz,
                weight,
                ..
            } = &problem;
            residual::economy_ratio(&answer.sections, RATE_HZ, frequency_hz, weight)
        };
        let free = problem.fit(8, 0.0, Effort::Normal, 0);
        let thrifty = problem.fit(8, ECONOMY, Effort::Normal, 0);
        problem.check(&free, 8, 0.0);
        problem.check(&thrifty, 8, ECONOMY);
        // Below 0.01 dB an answer is exact for any listener.
        let [least, cost] = [&free, &thrifty].map(|a| problem.rms_db(&a.sections).max(0.01));
        println!(
            "{:16} residual {least:.4} -> {cost:.4} dB, E {:.2} -> {:.2}",
            problem.name,
            ratio(&free),
            ratio(&thrifty)
        );
        ratios.push(ratio(&thrifty));
        without.push(ratio(&free));
        costs.push(cost / least);
    }
    let worst = ratios.iter().copied().fold(1.0, f64::max);
    let worst_without = without.iter().copied().fold(1.0, f64::max);
    let (median_ratio, cost) = (median(ratios), median(costs));
    println!(
        "E {median_ratio:.3} median, {worst:.3} worst (without economy {:.3}, {worst_without:.3}); residual {cost:.4} times, median",
        median(without)
    );
    assert!(median_ratio <= 1.6, "{median_ratio}");
    assert!(worst <= worst_without, "{worst}");
    assert!(cost <= 1.03, "{cost}");
}

/// Fits in a thread of its own and fails when that takes absurdly long.
fn fit_in_time(problem: &Problem, sections: usize, economy: f64, effort: Effort) -> ChannelAnswer {
    let (sender, receiver) = mpsc::channel();
    let owned = problem.clone();
    std::thread::spawn(move || {
        let _ = sender.send(owned.fit(sections, economy, effort, 0));
    });
    match receiver.recv_timeout(Duration::from_secs(60)) {
        Ok(answer) => answer,
        Err(error) => panic!("{}: {error}", problem.name),
    }
}

#[test]
fn odd_problems_neither_panic_nor_hang() {
    let grid = corpus::grid();
    let hump: Vec<f64> = grid
        .iter()
        .map(|f_hz| 6.0 * (-(f_hz / 1000.0).log2().powi(2)).exp())
        .collect();
    let mut one_weight = vec![0.0; 479];
    one_weight[200] = 0.7;
    let mut two_weights = one_weight.clone();
    two_weights[310] = 1e-200;
    let named = |name: &str, grid: &[f64], weight: Vec<f64>, wanted_db: Vec<f64>| {
        Problem::new(name.to_owned(), grid.to_vec(), weight, wanted_db)
    };
    let zigzag = |size: f64| {
        (0..479)
            .map(|i| size * f64::from(i % 2))
            .collect::<Vec<_>>()
    };
    let problems = [
        named("tiny weights", &grid, vec![1e-300; 479], hump.clone()),
        named("huge weights", &grid, vec![1e300; 479], hump.clone()),
        named("one weight", &grid, one_weight, hump.clone()),
        named("two weights", &grid, two_weights, hump.clone()),
        named("one point", &grid[240..241], vec![1.0], vec![3.0]),
        named("two points", &grid[240..242], vec![1.0; 2], vec![3.0, -4.0]),
        named(
            "two far points",
            &[20.0, 20_000.0],
            vec![1.0; 2],
            vec![3.0, -4.0],
        ),
        named(
            "three points",
            &[50.0, 1e3, 9e3],
            vec![1.0; 3],
            vec![3.0, -4.0, 8.0],
        ),
        named("constant", &grid, vec![1.0; 479], vec![-37.5; 479]),
        named("nothing", &grid, vec![1.0; 479], vec![0.0; 479]),
        named(
            "high level",
            &grid,
            vec![1.0; 479],
            hump.iter().map(|d| d + 1e6).collect(),
        ),
        named(
            "huge",
            &grid,
            vec![1.0; 479],
            hump.iter().map(|d| d * 1e6).collect(),
        ),
        named("huge zigzag", &grid, vec![1.0; 479], zigzag(1e6)),
        named(
            "minute",
            &grid,
            vec![1.0; 479],
            hump.iter().map(|d| d * 1e-12).collect(),
        ),
        named("zigzag", &grid, vec![1.0; 479], zigzag(10.0)),
    ];
    for problem in &problems {
        for economy in [0.0, ECONOMY, 1e6] {
            for (sections, effort) in [(1, Effort::Quick), (8, Effort::Quick), (5, Effort::Normal)]
            {
                let answer = fit_in_time(problem, sections, economy, effort);
                let finite = answer.objective_db2.is_finite()
                    && answer
                        .search
                        .levels
                        .iter()
                        .all(|level| level.parts.total().is_finite());
                assert!(finite, "{}: {answer:?}", problem.name);
                problem.check(&answer, sections, economy);
            }
        }
    }
}

#[test]
fn what_needs_no_section_gets_none() {
    for level_db in [0.0, -37.5, 1e6] {
        let problem = Problem::even(format!("{level_db} dB"), vec![level_db; 479]);
        for economy in [0.0, ECONOMY] {
            let answer = problem.fit(8, economy, Effort::Normal, 0);
            assert!(
                answer.sections.is_empty(),
                "{level_db}: {:?}",
                answer.sections
            );
        }
    }
}
