//! Files that are read: of a bounded size, and never waited for without end.

use std::fs::{self, File};
use std::io::{self, IsTerminal as _, Read};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use bandwright::error::{Error, ErrorKind, Result, nearest_spelling};
use bandwright::files::{Files, shown};
use bandwright::listen::MediaSource;
use bandwright::measurement::parse::MAX_FILE_BYTES;

use super::in_words;

/// Streams that were read; what came through one is gone.
static STREAMS_READ: Mutex<Vec<String>> = Mutex::new(Vec::new());

/// Reads a whole input file. `-`, `/dev/stdin` and `/dev/fd/N` are streams that were opened by whoever calls, and are
/// read to their end, once. Other pipes, sockets and devices are refused: nobody need ever write to them.
pub fn read(path: &Path) -> Result<Vec<u8>> {
    let refuse = |found: &str, expected: &str, next_step: &str| {
        Error::new(ErrorKind::File, shown(path), found, expected, next_step)
    };
    let failed = |error: io::Error| {
        let kind = match error.kind() {
            io::ErrorKind::NotFound => ErrorKind::Missing,
            _ => ErrorKind::File,
        };
        Error::new(
            kind,
            shown(path),
            in_words(&error),
            "a file that can be read",
            "check the path and its permissions",
        )
    };
    if let Some(stream) = stream(path) {
        let mut read = STREAMS_READ.lock().unwrap_or_else(|e| e.into_inner());
        if read.contains(&stream) {
            return Err(refuse(
                "a stream that was read already",
                "a stream named once",
                "write it to a file, and name that as often as needed",
            ));
        }
        let bytes = if stream == "0" {
            let stdin = io::stdin().lock();
            if stdin.is_terminal() {
                return Err(refuse(
                    "a terminal",
                    "a file or a pipe on standard input",
                    "redirect a file to it: < FILE",
                ));
            }
            bounded(stdin)
        } else {
            File::open(path).and_then(bounded)
        };
        read.push(stream);
        return bytes.map_err(failed);
    }
    // Asked before the file is opened: to open a pipe already waits for its other end.
    let kind = fs::metadata(path).map_err(failed)?.file_type();
    if kind.is_dir() {
        return Err(refuse("a folder", "a file", "name the file in it"));
    }
    if !kind.is_file() {
        return Err(refuse(
            of_kind(kind),
            "a file",
            "write its contents to a file first, or pipe them in and name `-`",
        ));
    }
    File::open(path).and_then(bounded).map_err(failed)
}

/// One byte more than allowed, so that a parser can tell.
fn bounded(from: impl Read) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    from.take(MAX_FILE_BYTES as u64 + 1)
        .read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// The number of the stream that a path names, where it names one.
fn stream(path: &Path) -> Option<String> {
    match path.to_str()? {
        "-" | "/dev/stdin" => Some("0".to_owned()),
        path => {
            let number = ["/dev/fd/", "/proc/self/fd/"]
                .iter()
                .find_map(|folder| path.strip_prefix(folder))?;
            // One number, one name: `03` is no other stream than `3`.
            Some(number.parse::<u32>().ok()?.to_string())
        }
    }
}

#[cfg(unix)]
fn of_kind(kind: fs::FileType) -> &'static str {
    use std::os::unix::fs::FileTypeExt as _;
    if kind.is_fifo() {
        "a named pipe"
    } else if kind.is_socket() {
        "a socket"
    } else {
        "a device"
    }
}

#[cfg(not(unix))]
fn of_kind(_: fs::FileType) -> &'static str {
    "no file"
}

/// A missing file may be a misspelt one.
pub fn with_near(error: Box<Error>, missing: Option<PathBuf>) -> Box<Error> {
    let missing = missing.filter(|_| error.kind == ErrorKind::Missing);
    match missing.and_then(|path| Some(path.with_file_name(near(&path)?))) {
        Some(near) => error.misspelt(shown(&near)),
        None => error,
    }
}

/// The name in the folder of `path` that is spelt most like its last part, where one is close.
fn near(path: &Path) -> Option<String> {
    /// More names than this are not looked through.
    const MOST_NAMES: usize = 10_000;
    let names = fs::read_dir(folder(path)).ok()?.take(MOST_NAMES);
    let mut names: Vec<String> = names
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .collect();
    names.sort();
    let name = path.file_name()?.to_str()?;
    nearest_spelling(name, names.iter().map(String::as_str)).map(str::to_owned)
}

/// The folder that a file is in.
pub(super) fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    }
}

/// True when both paths lead to one existing file; hard links count as two.
pub fn same_file(one: &Path, other: &Path) -> bool {
    match (fs::canonicalize(one), fs::canonicalize(other)) {
        (Ok(one), Ok(other)) => one == other,
        _ => false,
    }
}

/// The files of this machine.
pub struct Disk;

impl Files for Disk {
    fn read(&self, path: &Path) -> Result<Vec<u8>> {
        read(path)
    }

    fn is_same(&self, one: &Path, other: &Path) -> bool {
        same_file(one, other)
    }

    /// The path from the root on, links as they are named.
    fn whole(&self, path: &Path) -> PathBuf {
        std::path::absolute(path).unwrap_or_else(|_| path.to_owned())
    }
}

/// Opens music, to be read in parts; not from a pipe, since it is read twice.
pub fn open_music(path: &Path) -> Result<Box<dyn MediaSource>> {
    let refuse = |kind: ErrorKind, found: String| {
        let (expected, next_step) = ("a file of sound", "check the path and its permissions");
        Error::new(kind, shown(path), found, expected, next_step)
    };
    let failed = |error: io::Error| match error.kind() {
        io::ErrorKind::NotFound => refuse(ErrorKind::Missing, in_words(&error)),
        _ => refuse(ErrorKind::File, in_words(&error)),
    };
    match fs::metadata(path).map_err(failed)? {
        found if found.is_dir() => Err(refuse(ErrorKind::File, "a folder".to_owned())),
        found if !found.is_file() => Err(refuse(ErrorKind::File, "a device or pipe".to_owned())),
        _ => Ok(Box::new(File::open(path).map_err(failed)?)),
    }
}
