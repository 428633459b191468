//! Answers in which no two sections stand on one another.
//!
//! Two large sections of one sign at nearly one frequency are what a wider choice of shapes would do with one. They add up to
//! more than the limits let one section do, and whoever types them in takes the second for a mistake. So an answer without
//! such a pair is taken where it leaves little more.

use super::{Candidate, Search};
use crate::filter::Section;
use crate::fit::solver::Stopping;

/// Sections nearer than this stand on one another, octaves. Our choice.
const NEAR_OCTAVES: f64 = 1.0 / 6.0;
/// If both gains are larger than this, dB. Our choice.
const LARGE_DB: f64 = 3.0;
/// What an answer without such a pair may leave more, dB. Our choice: on real ears, what is left of such pairs then is a
/// narrow cut within a broad one; for ears that the fit has not seen (tests/benches/listeners.rs) it costs nothing.
const WORTH_DB: f64 = 0.4;

/// Two sections that stand on one another, by index.
fn stacked(sections: &[Section]) -> Option<(usize, usize)> {
    let pairs = (0..sections.len()).flat_map(|i| (i + 1..sections.len()).map(move |j| (i, j)));
    let mut pairs = pairs.filter(|(i, j)| {
        let (one, other) = (&sections[*i], &sections[*j]);
        let is_near = (one.f0_hz / other.f0_hz).log2().abs() < NEAR_OCTAVES;
        let is_same_sign = one.gain_db * other.gain_db > 0.0;
        is_near && is_same_sign && one.gain_db.abs().min(other.gain_db.abs()) > LARGE_DB
    });
    pairs.next()
}

/// `answers`, best first, without those that have stacked sections; where the best has some, also the answers of `fewer`
/// sections, and those from which one of the two was taken. The same as given where all of them leave too much.
pub(in crate::fit) fn apart(
    answers: Vec<Candidate>,
    fewer: &[Candidate],
    judge: &mut Search<'_>,
    stopping: &Stopping,
) -> Vec<Candidate> {
    let is_stacked = |answer: &Candidate| stacked(&answer.sections()).is_some();
    let Some(best) = answers.first().filter(|best| is_stacked(best)) else {
        return answers;
    };
    let allowed_db2 = (judge.parts(best).residual.sqrt() + WORTH_DB).powi(2);
    let mut found: Vec<Candidate> = answers.iter().skip(1).cloned().collect();
    for answer in fewer {
        let mut answer = answer.clone();
        judge.polish(&mut answer, stopping);
        found.push(answer);
    }
    found.extend(unstacked(best, judge, stopping));
    found.retain(|answer| !is_stacked(answer) && judge.parts(answer).residual <= allowed_db2);
    found.sort_by(|a, b| a.value.total_cmp(&b.value));
    let Some(least) = found.first().map(Candidate::len) else {
        return answers;
    };
    found.retain(|answer| answer.len() == least);
    found
}

/// The answer with one section of each stacked pair taken out, the one that is missed less, and the rest settled.
fn unstacked(answer: &Candidate, judge: &mut Search<'_>, stopping: &Stopping) -> Option<Candidate> {
    let mut left = answer.clone();
    for _ in 0..answer.len() {
        let sections = left.sections();
        let Some((one, other)) = stacked(&sections) else {
            return Some(left);
        };
        let without = [one, other].map(|index| {
            let mut rest = sections.clone();
            rest.remove(index);
            let mut rest = Candidate::of(&rest);
            judge.polish(&mut rest, stopping);
            rest
        });
        left = without.into_iter().min_by(|a, b| a.value.total_cmp(&b.value))?;
    }
    None
}
