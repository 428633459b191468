//! Hidden files beside an output, which live while it is written: its new text, and what was there before.
//!
//! Their names are chosen at random, so runs that share a process number (each is number 1 in its own container) never
//! meet. Each run holds an advisory lock on its own. A hidden file that nobody holds belongs to a run that was killed, and
//! the next run that writes into that folder removes it. Where the file system has no locks, nothing is removed.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard};

use tempfile::{Builder, NamedTempFile};

const BEGINNING: &str = ".bandwright-";
const END: &str = ".part";
/// Characters of chance in a name.
const CHANCE: usize = 12;
/// More names of a folder than this are not looked through.
const MOST_NAMES: usize = 100_000;
/// How often a name is tried that another run takes for a leftover and removes.
const TRIES: usize = 20;

/// The hidden files of this run. Whoever holds the guard is not interrupted: a signal waits for it.
static OWN: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

pub(super) fn guard() -> MutexGuard<'static, Vec<PathBuf>> {
    OWN.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
}

fn builder() -> Builder<'static, 'static> {
    let mut builder = Builder::new();
    builder.prefix(BEGINNING).suffix(END).rand_bytes(CHANCE);
    builder
}

/// A new empty file in `folder`, held by this run and removed when dropped.
pub(super) fn new_file(folder: &Path) -> io::Result<NamedTempFile> {
    let mut own = guard();
    let mut builder = builder();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        // As for any new file; the system takes off what the user's mask says.
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    for _ in 0..TRIES {
        let file = builder.tempfile_in(folder)?;
        let is_held = file.as_file().lock().is_ok();
        // Between the two lines above another run may have found it without a lock.
        if !is_held || file.path().exists() {
            own.push(file.path().to_owned());
            return Ok(file);
        }
    }
    Err(io::Error::other("files that vanish as they are made"))
}

/// A second name for the file at `path`, in its own folder, held by this run; a copy where the file system has no second
/// names. Removed when dropped.
pub(super) fn second_name(path: &Path) -> io::Result<NamedTempFile<Option<File>>> {
    let folder = path.parent().unwrap_or(Path::new("."));
    let mut own = guard();
    let link = builder().make_in(folder, |name| {
        // The lock is on the file, whatever its name. Who may not read it cannot hold it.
        let held = File::open(path)
            .ok()
            .filter(|file| file.try_lock_shared().is_ok());
        fs::hard_link(path, name).map(|()| held)
    });
    if let Ok(link) = link {
        own.push(link.path().to_owned());
        return Ok(link);
    }
    drop(own);
    let copy = new_file(folder)?;
    fs::copy(path, copy.path())?;
    let (file, path) = copy.into_parts();
    Ok(NamedTempFile::from_parts(Some(file), path))
}

/// Removes the hidden files in `folder` that no living run holds.
pub(super) fn remove_leftovers(folder: &Path) {
    let Ok(names) = fs::read_dir(folder) else {
        return;
    };
    for entry in names.take(MOST_NAMES).flatten() {
        let name = entry.file_name();
        let is_hidden = name.to_str().is_some_and(|name| {
            let chance = name
                .strip_prefix(BEGINNING)
                .and_then(|n| n.strip_suffix(END));
            chance
                .is_some_and(|c| c.len() == CHANCE && c.bytes().all(|b| b.is_ascii_alphanumeric()))
        });
        if !is_hidden || !entry.file_type().is_ok_and(|kind| kind.is_file()) {
            continue;
        }
        // Held until the file is gone, so that its maker, should it be about to take the lock, sees that it is.
        if let Ok(file) = File::open(entry.path())
            && file.try_lock().is_ok()
        {
            let _ = fs::remove_file(entry.path());
        }
    }
}

/// Removes what this run holds, for an end that drops nothing.
#[cfg(unix)]
fn remove_at_exit() {
    /// How long a write that is under way may take to become whole, in steps of 10 ms.
    const STEPS: usize = 300;
    for _ in 0..STEPS {
        if let Ok(mut own) = OWN.try_lock() {
            for path in own.drain(..) {
                let _ = fs::remove_file(path);
            }
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
}

/// On SIGINT, SIGTERM and SIGHUP: removes the hidden files and exits with 128 and the signal's number. A signal that whoever
/// started this run wanted ignored (`nohup`, a job in the background of a script) stays ignored.
#[cfg(unix)]
pub fn exit_on_signal() {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    let ignored = ignored_signals();
    let heard = [SIGHUP, SIGINT, SIGTERM]
        .into_iter()
        .filter(move |signal| ignored >> (signal - 1) & 1 == 0);
    // The thread comes first: where none can be started, signals keep their usual effect.
    let listener = std::thread::Builder::new().name("signals".to_owned());
    let _ = listener.spawn(move || {
        let Ok(mut signals) = signal_hook::iterator::Signals::new(heard) else {
            return;
        };
        if let Some(signal) = signals.forever().next() {
            remove_at_exit();
            std::process::exit(128 + signal);
        }
    });
}

#[cfg(not(unix))]
pub fn exit_on_signal() {}

/// The signals that are ignored from the start, a bit each, as Linux tells; none elsewhere.
#[cfg(unix)]
fn ignored_signals() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok())
        .unwrap_or(0)
}
