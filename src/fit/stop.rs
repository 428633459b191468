//! A request to end a fit early, from another thread.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A flag that ends a search between two proposals. Clones share the flag.
#[derive(Debug, Clone, Default)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Asks all fits that hold this flag, or a clone of it, to end. This cannot be undone.
    pub fn ask(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// True once [`Self::ask`] was called.
    #[must_use]
    pub fn is_asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}
