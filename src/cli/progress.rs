//! One line on the terminal while something takes longer than a second. It goes to standard error, and only where that is a
//! terminal, so pipes and logs stay clean.

use std::io::{self, IsTerminal as _, Write as _};
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// How long nothing is said, and how often the line is renewed.
const PERIOD: Duration = Duration::from_secs(1);

/// The line; it goes when this is dropped.
pub(super) struct Progress {
    /// Closed to end the thread.
    open: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Progress {
    /// Says `what` is being done and for how long, from one second on.
    pub(super) fn of(what: impl Fn() -> String + Send + 'static) -> Self {
        let (open, closed) = mpsc::channel::<()>();
        let start = Instant::now();
        let show = move || {
            let mut width = 0;
            while closed.recv_timeout(PERIOD) == Err(RecvTimeoutError::Timeout) {
                let line = format!("bandwright: {}, {} s", what(), start.elapsed().as_secs());
                // A line may be shorter than the one before.
                width = width.max(line.len());
                let mut stderr = io::stderr().lock();
                let _ = write!(stderr, "\r{line:width$}").and_then(|()| stderr.flush());
            }
            if width > 0 {
                let _ = write!(io::stderr().lock(), "\r{:width$}\r", "");
            }
        };
        let thread = io::stderr()
            .is_terminal()
            .then(|| thread::Builder::new().spawn(show).ok())
            .flatten();
        Self {
            open: Some(open),
            thread,
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        drop(self.open.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
