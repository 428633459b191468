//! The only place that touches the file system.
//!
//! Outputs are written in full beside their places before the first is moved there; a file that this
//! program did not write is never replaced.

use std::fs::{self, File};
use std::io::{self, Read, Seek as _, SeekFrom, Write};
use std::path::{Path, PathBuf};

use bandwright::error::{Error, ErrorKind, Result, nearest_spelling};
use bandwright::measurement::parse::MAX_FILE_BYTES;

/// Links that may lead on to one another, as many as Linux follows.
const MOST_LINKS: usize = 40;

/// A path as messages and reports show it.
pub fn shown(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}

/// Reads a whole input file.
pub fn read(path: &Path) -> Result<Vec<u8>> {
    let failed = |error: io::Error| {
        Error::new(
            match error.kind() {
                io::ErrorKind::NotFound => ErrorKind::Missing,
                _ => ErrorKind::File,
            },
            shown(path),
            in_words(&error),
            "a file that can be read",
            "check the path and its permissions",
        )
    };
    let file = File::open(path).map_err(failed)?;
    if file.metadata().map_err(failed)?.is_dir() {
        return Err(Error::new(
            ErrorKind::File,
            shown(path),
            "a folder",
            "a file",
            "name the file in it",
        ));
    }
    let mut bytes = Vec::new();
    // One byte more than allowed, so that a parser can tell.
    file.take(MAX_FILE_BYTES as u64 + 1)
        .read_to_end(&mut bytes)
        .map_err(failed)?;
    Ok(bytes)
}

/// The name in the folder of `path` that is spelt most like its last part, where one is close.
pub fn near(path: &Path) -> Option<String> {
    /// More names than this are not looked through.
    const MOST_NAMES: usize = 10_000;
    let folder = match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let names = fs::read_dir(folder).ok()?.take(MOST_NAMES);
    let mut names: Vec<String> = names
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .collect();
    names.sort();
    let name = path.file_name()?.to_str()?;
    nearest_spelling(name, names.iter().map(String::as_str)).map(str::to_owned)
}

/// The way from the folder of `from` to `to`, both existing or not, over their common folders; absolute where they
/// have none.
pub fn relative(from: &Path, to: &Path) -> PathBuf {
    let real = |path: &Path| {
        let folder = match path.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => Path::new("."),
        };
        let folder = fs::canonicalize(folder).ok()?;
        Some((folder, path.file_name()?.to_owned()))
    };
    let (Some((from, _)), Some((to_folder, name))) = (real(from), real(to)) else {
        return to.to_owned();
    };
    let (from, to_parts): (Vec<_>, Vec<_>) = (
        from.components().collect(),
        to_folder.components().collect(),
    );
    let shared = from
        .iter()
        .zip(&to_parts)
        .take_while(|(a, b)| a == b)
        .count();
    if shared == 0 {
        return to_folder.join(name);
    }
    let up = std::iter::repeat_n(std::path::Component::ParentDir, from.len() - shared);
    let down = to_parts[shared..].iter().copied();
    up.chain(down).collect::<PathBuf>().join(name)
}

/// True when both paths lead to one existing file; hard links count as two.
pub fn same_file(one: &Path, other: &Path) -> bool {
    match (fs::canonicalize(one), fs::canonicalize(other)) {
        (Ok(one), Ok(other)) => one == other,
        _ => false,
    }
}

/// Where an output goes: a path that was checked before the work begins.
#[derive(Debug)]
pub struct Place {
    /// As it was typed.
    typed: PathBuf,
    /// With all links followed, so that a link stays one when the file behind it is replaced.
    real: PathBuf,
    /// What a file of this kind has: only such a file is replaced.
    mark: Mark,
}

/// What tells an output of this program.
#[derive(Debug, Clone, Copy)]
enum Mark {
    Beginning(&'static [u8]),
    End(&'static [u8]),
}

impl Mark {
    /// Whether that is in a file of a length.
    fn is_in(self, path: &Path, length: u64) -> io::Result<bool> {
        let (mark, from) = match self {
            Self::Beginning(mark) => (mark, 0),
            Self::End(mark) => (mark, length.saturating_sub(mark.len() as u64)),
        };
        let mut found = vec![0; mark.len()];
        let mut file = File::open(path)?;
        file.seek(SeekFrom::Start(from))?;
        file.read_exact(&mut found)?;
        Ok(found == mark)
    }
}

impl Place {
    /// The place `path` leads to.
    ///
    /// # Errors
    /// `File` when that is no file, or its folder does not exist.
    pub fn new(path: &Path) -> Result<Self> {
        Ok(Self {
            typed: path.to_owned(),
            real: follow(path)?,
            mark: Mark::Beginning(&[]),
        })
    }

    /// The same place, where only a file that begins so is replaced.
    ///
    /// # Errors
    /// `File` when there is another.
    pub fn for_files_that_begin(mut self, beginning: &'static str) -> Result<Self> {
        self.mark = Mark::Beginning(beginning.as_bytes());
        self.refuse_strangers().map(|()| self)
    }

    /// The same place, where only a file that ends so is replaced.
    ///
    /// # Errors
    /// `File` when there is another.
    pub fn for_files_that_end(mut self, end: &'static [u8]) -> Result<Self> {
        self.mark = Mark::End(end);
        self.refuse_strangers().map(|()| self)
    }

    /// The path as it was typed, for reports.
    pub fn shown(&self) -> String {
        shown(&self.typed)
    }

    /// Refuses a place that is also one of `inputs` or `others`.
    pub fn refuse_clash(&self, inputs: &[&Path], others: &[&Self]) -> Result<()> {
        let input = inputs
            .iter()
            .find(|input| fs::canonicalize(input).is_ok_and(|input| input == self.real));
        let other = others.iter().find(|other| other.real == self.real);
        match input.copied().or(other.map(|other| other.typed.as_path())) {
            None => Ok(()),
            Some(taken) => Err(Error::new(
                ErrorKind::File,
                self.shown(),
                format!("the same file as `{}`", shown(taken)),
                "an output with a place of its own",
                "choose another name for the output",
            )),
        }
    }

    fn refuse_strangers(&self) -> Result<()> {
        let refuse = |found: &str, next_step: &str| {
            Err(Error::new(
                ErrorKind::File,
                self.shown(),
                found,
                "a new file, or an earlier output of the same kind",
                next_step,
            ))
        };
        let metadata = match fs::metadata(&self.real) {
            Ok(metadata) => metadata,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
            Err(error) => return Err(failed_write(&self.typed, &error)),
        };
        if metadata.is_dir() {
            return refuse("a folder", "name a file in it");
        }
        if !metadata.is_file() {
            return refuse(
                "a device or pipe",
                "name a file; leave the option out for no output",
            );
        }
        let length = metadata.len();
        let ours = length == 0 || self.mark.is_in(&self.real, length).unwrap_or(false);
        if ours {
            return Ok(());
        }
        refuse(
            "something there already that this program did not write",
            "move it away or choose another name",
        )
    }
}

/// The path behind all links; its last part need not exist.
fn follow(path: &Path) -> Result<PathBuf> {
    let refuse = |found: &str, expected: &str, next_step: &str| {
        Err(Error::new(
            ErrorKind::File,
            shown(path),
            found,
            expected,
            next_step,
        ))
    };
    if path.as_os_str().is_empty() {
        return refuse("an empty name", "the name of a file", "name the file");
    }
    if path.as_os_str() == "-" {
        return refuse(
            "`-`",
            "the name of a file",
            "use --json for a document on standard output, or write ./- for a file of that name",
        );
    }
    let mut now = path.to_owned();
    for _ in 0..MOST_LINKS {
        let Some(name) = now.file_name() else {
            return refuse("a folder", "the name of a file", "name a file in it");
        };
        let folder = match now.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => Path::new("."),
        };
        let folder = match fs::canonicalize(folder) {
            Ok(folder) => folder,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return refuse(
                    &format!("no folder `{}`", shown(folder)),
                    "a place in a folder that exists",
                    "make the folder first",
                );
            }
            Err(error) => return Err(failed_write(path, &error)),
        };
        // What lies there are not files but the streams of running programs.
        if folder.starts_with("/proc") {
            return refuse(
                "a stream of a running program",
                "the name of a file",
                "use --json for a document on standard output",
            );
        }
        let real = folder.join(name);
        match fs::read_link(&real) {
            Ok(behind) => now = folder.join(behind),
            Err(_) => return Ok(real),
        }
    }
    refuse(
        "a link that leads in a circle",
        "the name of a file",
        "remove the link or choose another name",
    )
}

/// Writes every output to its place, or none of them.
pub fn write_all<T: AsRef<[u8]>>(outputs: &[(Place, T)]) -> Result<()> {
    let mut parts = Parts(Vec::new());
    for (index, (place, bytes)) in outputs.iter().enumerate() {
        place.refuse_strangers()?;
        let name = format!(".bandwright-{}-{index}.part", std::process::id());
        let part = place.real.with_file_name(name);
        let written = File::create_new(&part).and_then(|mut file| {
            parts.0.push(part);
            file.write_all(bytes.as_ref())?;
            file.sync_all()
        });
        written.map_err(|error| failed_write(&place.typed, &error))?;
    }
    for ((place, _), part) in outputs.iter().zip(&parts.0) {
        fs::rename(part, &place.real).map_err(|error| failed_write(&place.typed, &error))?;
    }
    Ok(())
}

/// Half-written files, removed when dropped; those moved into place are no longer there to remove.
struct Parts(Vec<PathBuf>);

impl Drop for Parts {
    fn drop(&mut self) {
        for part in &self.0 {
            let _ = fs::remove_file(part);
        }
    }
}

fn failed_write(path: &Path, error: &io::Error) -> Box<Error> {
    Error::new(
        ErrorKind::File,
        shown(path),
        in_words(error),
        "a place that can be written to",
        "check that the folder exists and is writable",
    )
}

fn in_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "no such file".to_owned(),
        io::ErrorKind::PermissionDenied => "no permission".to_owned(),
        io::ErrorKind::ReadOnlyFilesystem => "a place that is read-only".to_owned(),
        io::ErrorKind::StorageFull => "a full disk".to_owned(),
        io::ErrorKind::NotADirectory => "a file where a folder should be".to_owned(),
        _ => error.to_string(),
    }
}
