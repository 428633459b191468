//! The fit of one channel with a free level: search, removal of idle sections, choice between mirrored shelves, steps.

use crate::fit::objective::Objective;
use crate::fit::search::mirror;
use crate::fit::search::reach::{self, Level, Reach, close_within};
use crate::fit::search::table::Table;
use crate::fit::search::{Candidate, Search};
use crate::fit::space::Space;
use crate::fit::{Answer, ChannelAnswer, IDLE_DB, Task, Wanted, steps};

/// Fits sections to the wanted change of one channel.
pub(in crate::fit) fn fit(task: &Task<'_>, wanted: Wanted<'_>) -> Answer {
    let objective = objective(task, wanted);
    let mut reach = reach::reach(&objective, task.space, task.effort, task.seed, task.stop);
    let mut allowed = reach.levels.len() - 1;
    if let Some(least_gain_db) = task.least_gain_db {
        allowed = fewest_needed(task, &objective, &mut reach, least_gain_db);
    }
    let table = Table::default();
    let mut judge = Search::new(objective.clone(), &table, task.space, 0);
    let mut answer = reach.levels[enough(&reach.levels[..=allowed], task.economy)]
        .answer
        .clone();
    let stopping = close_within(&objective, answer.len());
    // Counts below N were polished less closely (`CLOSE_ON_THE_WAY` of `reach`), so the answer is polished once more.
    judge.polish(&mut answer, &stopping);
    let answer = mirror::best_reading(answer, &mut judge, &stopping);
    let alike = |other: &&Candidate| other.len() == answer.len();
    let others = reach.others.iter().filter(alike).cloned();
    let starts: Vec<Candidate> = std::iter::once(answer.clone()).chain(others).collect();
    let (mut sections, value) =
        steps::on_steps(&starts, task.limits, task.space, task.effort, &mut judge);
    if value >= judge.value_of(&[]) {
        sections.clear();
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
    Objective::new(f_hz, weight, wanted.change_db, rate_hz, task.economy).beside(wanted.kept)
}

/// [`Reach::needed`], after that count and the next lower one were each searched with the full budget: counts below N
/// get only a small one.
fn fewest_needed(
    task: &Task<'_>,
    objective: &Objective,
    reach: &mut Reach,
    least_gain_db: f64,
) -> usize {
    let search = |sections: usize| {
        let space = Space {
            sections,
            ..task.space.clone()
        };
        reach::reach(objective, &space, task.effort, task.seed, task.stop)
    };
    let mut searched_for = reach.levels.len() - 1;
    let mut needed = reach.needed(least_gain_db);
    while needed > 0 && !task.stop.is_asked() {
        if needed < searched_for {
            let longer = search(needed);
            reach.learn(&longer);
            reach.report_as(&longer);
        }
        let fewer = search(needed - 1);
        reach.learn(&fewer);
        let now = reach.needed(least_gain_db);
        if now == needed {
            break;
        }
        searched_for = needed;
        needed = now;
    }
    needed
}

/// The fewest sections whose residual is within [`IDLE_DB`] of that of all of them; all of them if `economy` is 0.
pub(in crate::fit) fn enough(levels: &[Level], economy: f64) -> usize {
    let all = levels.len() - 1;
    let allowed_db = levels[all].parts.residual.sqrt() + IDLE_DB;
    let enough = |level: &Level| level.parts.residual.sqrt() <= allowed_db;
    let fewest = levels.iter().position(enough);
    fewest.filter(|_| economy > 0.0).unwrap_or(all)
}
