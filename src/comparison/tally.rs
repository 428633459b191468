//! How far a comparison has come, for whoever waits for it on another thread.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Counts of parts that take about as long as each other. Clones share the counts.
#[derive(Debug, Clone, Default)]
pub struct Tally(Arc<Counts>);

#[derive(Debug, Default)]
struct Counts {
    done: AtomicUsize,
    known: AtomicUsize,
}

/// The parts of one piece of work. Those that are left when it is dropped count as done: where it fails, nothing more comes.
#[derive(Debug)]
pub(super) struct Share<'a> {
    tally: &'a Tally,
    left: AtomicUsize,
}

impl Tally {
    /// Parts that are done, and all parts that are known of so far.
    #[must_use]
    pub fn counts(&self) -> (usize, usize) {
        let done = self.0.done.load(Ordering::Relaxed);
        (done, self.0.known.load(Ordering::Relaxed))
    }

    /// Counts so many parts as known.
    pub(super) fn share(&self, parts: usize) -> Share<'_> {
        self.0.known.fetch_add(parts, Ordering::Relaxed);
        Share {
            tally: self,
            left: AtomicUsize::new(parts),
        }
    }
}

impl Share<'_> {
    /// Counts one part as done.
    ///
    /// # Panics
    /// In a build with checks, if more parts are done than were known.
    pub fn done(&self) {
        let left = self.left.fetch_sub(1, Ordering::Relaxed);
        debug_assert!(left > 0, "more parts than were known");
        self.tally.0.done.fetch_add(1, Ordering::Relaxed);
    }
}

impl Drop for Share<'_> {
    fn drop(&mut self) {
        let left = *self.left.get_mut();
        self.tally.0.done.fetch_add(left, Ordering::Relaxed);
    }
}
