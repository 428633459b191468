//! The loudest of the answers that are as good to the ear.
//!
//! What is played loses `max(0, max G) - m` of its loudness, preamp and all (see [`crate::fit::objective::ceilings`]): the
//! highest gain sets the preamp. Answers whose residuals differ by less than can be heard differ in that by decibels.
//!
//! 1. Of the best answers, those that lose least settle again under ever lower ceilings of the loss, by halving, as long as
//!    the residual stays within what is allowed.
//! 2. Those that then lose no more than `EQUAL_LOSS_DB` above the least are taken, that of least J first.
//!
//! How the shelves read is settled after that, once it is known what is played (`crate::job::reading`).
//!
//! Guaranteed: the residual of what is taken is at most `as_good_db` above the root of J of the best.

use super::{Candidate, Search};
use crate::fit::objective::ceilings::Ceilings;
use crate::fit::objective::Objective;
use crate::fit::solver::Stopping;

/// Losses this near each other sound alike, dB. Our choice.
pub(in crate::fit) const EQUAL_LOSS_DB: f64 = 0.2;
/// A ceiling gives way by less than this, dB.
const CEILING_GIVES_DB: f64 = 0.05;
/// Most answers that are tried, and most of these that settle under lower ceilings. Our choice.
const MOST_ANSWERS: usize = 5;
const MOST_LOWERED: usize = 3;
/// Halvings of the loss of each. Our choice.
pub(in crate::fit) const HALVINGS: usize = 7;

/// An answer, how much quieter it plays, and its J without ceilings, dB^2.
struct Played {
    candidate: Candidate,
    loss_db: f64,
    objective_db2: f64,
}

/// The loudest answers, best first, and the ceiling of the loss that holds them, dB. `answers` are settled under the
/// objective of `judge`, best first; `ceilings` are those that hold already.
pub(in crate::fit) fn loudest(
    answers: &[Candidate],
    judge: &mut Search<'_>,
    ceilings: &Ceilings,
    as_good_db: f64,
    stopping: &Stopping,
) -> (Vec<Candidate>, f64) {
    let free = judge.objective().clone();
    let mut lowering = Lowering {
        allowed_db2: (answers[0].value.max(0.0).sqrt() + as_good_db).powi(2),
        free: &free,
        ceilings,
        judge,
        stopping,
    };
    let mut found: Vec<Played> = Vec::new();
    for answer in answers.iter().take(MOST_ANSWERS) {
        found.extend(lowering.under(ceilings.most_loss_db, answer.clone()));
    }
    found.sort_by(|a, b| a.loss_db.total_cmp(&b.loss_db));
    found.truncate(MOST_LOWERED);
    for played in &mut found {
        lowering.lower(played);
    }
    let mut best_loss_db = f64::INFINITY;
    for played in &found {
        best_loss_db = best_loss_db.min(played.loss_db);
    }
    let most_loss_db = ceilings.most_loss_db.min(best_loss_db + EQUAL_LOSS_DB);
    found.retain(|played| played.loss_db <= best_loss_db + EQUAL_LOSS_DB + CEILING_GIVES_DB);
    found.sort_by(|a, b| a.objective_db2.total_cmp(&b.objective_db2));
    match found.is_empty() {
        true => (answers.to_vec(), ceilings.most_loss_db),
        false => {
            let loudest = found.into_iter().map(|played| played.candidate);
            (loudest.collect(), most_loss_db)
        }
    }
}

struct Lowering<'a, 'b> {
    allowed_db2: f64,
    free: &'a Objective,
    ceilings: &'a Ceilings,
    judge: &'a mut Search<'b>,
    stopping: &'a Stopping,
}

impl Lowering<'_, '_> {
    /// The candidate settled under a ceiling of the loss; None if its residual is not allowed.
    fn under(&mut self, most_loss_db: f64, mut candidate: Candidate) -> Option<Played> {
        let ceilings = Ceilings {
            most_loss_db,
            ..self.ceilings.clone()
        };
        self.judge.aim(self.free.clone().below(Some(&ceilings)));
        self.judge.polish(&mut candidate, self.stopping);
        let (parts, loss_db) = self.judge.parts_and_loss(&candidate);
        (parts.residual <= self.allowed_db2).then_some(Played {
            candidate,
            loss_db,
            objective_db2: parts.residual + parts.economy,
        })
    }

    /// Lowers the loss as far as the residual allows.
    fn lower(&mut self, played: &mut Played) {
        let mut too_low_db = 0.0;
        for _ in 0..HALVINGS {
            let between_db = f64::midpoint(too_low_db, played.loss_db);
            let lower = self.under(between_db, played.candidate.clone());
            match lower.filter(|lower| lower.loss_db < played.loss_db) {
                Some(lower) => *played = lower,
                None => too_low_db = between_db,
            }
        }
    }
}
