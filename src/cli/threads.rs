//! The threads that a search runs on. Their number changes no result.

use std::thread::available_parallelism;

use rayon::{ThreadPool, ThreadPoolBuilder};

/// The most threads, whatever is asked for: a search has no more parts to share out.
const MOST: usize = 64;
/// The stack of a thread, bytes: that of a program's first thread on most systems.
const STACK_BYTES: usize = 8 << 20;

/// Runs `job` on as many threads as `RAYON_NUM_THREADS` asks for, else as there are cores; where so many cannot be started
/// (a limit on processes), on the one that is running.
pub(super) fn on_threads<T: Send>(job: impl FnOnce() -> T + Send) -> T {
    let builder = || ThreadPoolBuilder::new().stack_size(STACK_BYTES);
    let pool: Result<ThreadPool, _> = builder()
        .num_threads(wanted())
        .build()
        .or_else(|_| builder().num_threads(1).use_current_thread().build());
    match pool {
        Ok(pool) => pool.install(job),
        Err(_) => job(),
    }
}

fn wanted() -> usize {
    let asked = std::env::var("RAYON_NUM_THREADS").ok();
    let asked = asked.and_then(|number| number.trim().parse().ok());
    asked
        .filter(|number| *number > 0)
        .unwrap_or_else(|| available_parallelism().map_or(1, usize::from))
        .min(MOST)
}
