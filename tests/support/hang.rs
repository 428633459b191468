//! Work that must come to an end.

use std::time::{Duration, Instant};

/// Far more than any of it takes on a busy machine; what grows with the square of these files takes hours.
const HANG: Duration = Duration::from_secs(120);

/// What `work` gives; printed with it is how long that took, since times are read, not asserted.
///
/// # Panics
/// Where it took so long that a user would take it for a hang.
pub fn ends<T>(what: &str, work: impl FnOnce() -> T) -> T {
    let start = Instant::now();
    let result = work();
    println!("{what}: {:?}", start.elapsed());
    assert!(start.elapsed() < HANG, "{what}: {:?}", start.elapsed());
    result
}
