//! The fit of one channel with a free level: search, removal of idle sections, choice between mirrored shelves, loudness,
//! steps.

use super::fewest::fewest_needed;
use crate::filter::Section;
use crate::fit::objective::Objective;
use crate::fit::search::shelf_reading::best_reading;
use crate::fit::search::reach::{self, Level, Reach, close_within};
use crate::fit::search::table::Table;
use crate::fit::search::{Candidate, Search};
use crate::fit::search::loudest::loudest;
use crate::fit::search::stacked::apart;
use crate::fit::{Answer, Ceilings, ChannelAnswer, IDLE_DB, Playing, Task, Wanted, steps};

/// Fits sections to the wanted change of one channel.
pub(in crate::fit) fn fit(task: &Task<'_>, wanted: Wanted<'_>) -> Answer {
    let objective = objective(task, wanted);
    let mut reach = match task.least_gain_db {
        None => reach::reach(&objective, task.space, task.effort, task.seed, task.stop),
        Some(least_gain_db) => fewest_needed(
            task,
            |task| reach::reach(&objective, task.space, task.effort, task.seed, task.stop),
            |known: &Reach| known.needed(least_gain_db),
            |longer, mut known| {
                known.learn(&longer);
                known.report_as(&longer);
                known
            },
        ),
    };
    let allowed = match task.least_gain_db {
        None => reach.levels.len() - 1,
        Some(least_gain_db) => reach.needed(least_gain_db),
    };
    let table = Table::default();
    let mut judge = Search::new(objective.clone(), &table, task.space, 0);
    let mut answer = reach.levels[enough(&reach.levels[..=allowed], task.economy)]
        .answer
        .clone();
    let stopping = close_within(&objective, answer.len());
    // Counts below N were polished less closely (`CLOSE_ON_THE_WAY` of `reach`), so the answer is polished once more.
    judge.polish(&mut answer, &stopping);
    let answer = best_reading(answer, &mut judge, &stopping);
    let alike = |other: &&Candidate| other.len() == answer.len();
    let others = reach.others.iter().filter(alike).cloned();
    let mut starts: Vec<Candidate> = std::iter::once(answer.clone()).chain(others).collect();
    if let Some(playing) = task.playing.filter(|playing| playing.as_good_db > 0.0) {
        let fewer = reach.levels[..answer.len()].iter();
        let fewer: Vec<Candidate> = fewer.map(|level| level.answer.clone()).collect();
        starts = apart(starts, &fewer, &mut judge, &stopping);
        let Playing {
            ceilings,
            as_good_db,
        } = playing;
        let (louder, most_loss_db) =
            loudest(&starts, &mut judge, ceilings, *as_good_db, &stopping);
        let ceilings = Ceilings {
            most_loss_db,
            ..ceilings.clone()
        };
        judge.aim(objective.clone().below(Some(&ceilings)));
        starts = louder;
    }
    let (mut sections, value) =
        steps::on_steps(&starts, task.limits, task.space, task.effort, &mut judge);
    if value >= judge.value_of(&[]) {
        sections.clear();
    }
    if task.economy > 0.0 {
        sections.retain(does_something);
    }
    sections.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz).then(a.shape.cmp(&b.shape)));
    let objective_db2 = judge.value_of(&sections);
    reach.evaluations += judge.room.evaluations;
    reach.polishes += judge.polishes;
    Answer {
        allowed,
        objective_db2,
        evaluations: reach.evaluations,
        polishes: reach.polishes,
        channels: vec![ChannelAnswer {
            sections,
            objective_db2,
            levels: reach.levels.clone(),
            search: reach,
        }],
    }
}

/// The given sections, in their order, settled and on steps; and the number of local solutions. One that cannot be typed
/// is missing.
pub(in crate::fit) fn settled(
    task: &Task<'_>,
    wanted: Wanted<'_>,
    given: &[Section],
) -> (Vec<Vec<Section>>, u64) {
    let table = Table::default();
    let mut judge = Search::new(objective(task, wanted), &table, task.space, 0);
    let mut candidate = Candidate::of(&task.space.clamped(given));
    let stopping = close_within(judge.objective(), candidate.len());
    judge.polish(&mut candidate, &stopping);
    let (sections, _) =
        steps::on_steps(&[candidate], task.limits, task.space, task.effort, &mut judge);
    (vec![sections], judge.polishes)
}

/// The answer of [`fit`] with J computed for another wanted change than the one that was fitted.
pub(in crate::fit) fn judged_by(answer: &mut Answer, task: &Task<'_>, wanted: Wanted<'_>) {
    let table = Table::default();
    let mut judge = Search::new(objective(task, wanted), &table, task.space, 0);
    for channel in &mut answer.channels {
        for level in &mut channel.levels {
            level.parts = judge.parts(&level.answer);
            level.answer.value = level.parts.total();
        }
        channel.objective_db2 = judge.value_of(&channel.sections);
        answer.objective_db2 = channel.objective_db2;
    }
}

fn objective(task: &Task<'_>, wanted: Wanted<'_>) -> Objective {
    let rate_hz = task.limits.rates_hz[0];
    let (f_hz, weight) = (task.frequency_hz, task.weight);
    let ceilings = task.playing.map(|playing| &playing.ceilings);
    Objective::new(f_hz, weight, wanted.change_db, rate_hz, task.economy)
        .beside(wanted.kept)
        .below(ceilings.filter(|ceilings| ceilings.any()))
}

/// False for a section whose gain the steps have made 0 dB, so that it leaves every signal as it is.
pub(in crate::fit) fn does_something(section: &Section) -> bool {
    section.gain_db != 0.0
}

/// The fewest sections whose residual is within [`IDLE_DB`] of that of all of them; all of them if `economy` is 0.
pub(in crate::fit) fn enough(levels: &[Level], economy: f64) -> usize {
    let all = levels.len() - 1;
    let allowed_db = levels[all].parts.residual.sqrt() + IDLE_DB;
    let enough = |level: &Level| level.parts.residual.sqrt() <= allowed_db;
    let fewest = levels.iter().position(enough);
    fewest.filter(|_| economy > 0.0).unwrap_or(all)
}
