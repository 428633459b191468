//! As few sections as are needed, for one channel or two: a search for all of them with a lower effort tells how many that
//! is, and only that many are searched for with the whole effort.
//!
//! Both searches know something of every count below their own. What the longer one adds can change how many are needed; then
//! that count is searched for too.

use crate::fit::Task;
use crate::fit::search::reach::Effort;
use crate::fit::space::Space;

/// What is known after the search for the count that is `needed`. `search` fits a task; `learning` joins what a longer search
/// for fewer sections found with what was known before.
pub(super) fn fewest_needed<T>(
    task: &Task<'_>,
    search: impl Fn(&Task<'_>) -> T,
    needed: impl Fn(&T) -> usize,
    learning: impl Fn(T, T) -> T,
) -> T {
    let effort = match task.effort {
        Effort::Quick | Effort::Normal => Effort::Quick,
        Effort::Deep => Effort::Normal,
    };
    let mut known = search(&Task { effort, ..*task });
    let mut searched_for = None;
    loop {
        let sections = needed(&known);
        if sections == 0 || searched_for == Some(sections) || task.stop.is_asked() {
            return known;
        }
        let space = &Space {
            sections,
            ..task.space.clone()
        };
        known = learning(search(&Task { space, ..*task }), known);
        // What is learned lowers a count by more than those above it at most once each, so this ends.
        if searched_for.is_some_and(|before| before < sections) {
            return known;
        }
        searched_for = Some(sections);
    }
}
