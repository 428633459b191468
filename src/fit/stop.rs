//! A request to end a fit early, from another thread.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Ends a search between two proposals once it was asked to; its clones are one and the same.
#[derive(Debug, Clone, Default)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Asks all fits that have this stop, or a clone of it, to end. It cannot be taken back.
    pub fn ask(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether that was asked.
    #[must_use]
    pub fn is_asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}
