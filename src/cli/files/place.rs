//! Where an output may go, settled before the work begins: never over an input, nor over a file that this program did not
//! write or that somebody changed since.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use bandwright::digest::Digest;
use bandwright::error::{Error, ErrorKind, Result};

use super::{in_words, input, shown};

/// Links that may lead on to one another, as many as Linux follows.
const MOST_LINKS: usize = 40;

/// A kind of output.
#[derive(Debug, Clone, Copy)]
pub struct Kind {
    /// What it is called in messages, such as `a sheet`.
    name: &'static str,
    /// The endings that its names have, in lower case, with the point.
    endings: &'static [&'static str],
    /// What a file of this kind has: only such a file is replaced.
    mark: Mark,
    /// Whether people change such files by hand, and a digest tells that they did.
    has_digest: bool,
}

/// What tells an output of this program.
#[derive(Debug, Clone, Copy)]
enum Mark {
    Beginning(&'static str),
    End(&'static [u8]),
}

impl Kind {
    /// Files that begin alike.
    pub const fn beginning(
        name: &'static str,
        endings: &'static [&'static str],
        beginning: &'static str,
    ) -> Self {
        Self {
            name,
            endings,
            mark: Mark::Beginning(beginning),
            has_digest: false,
        }
    }

    /// Files that end alike.
    pub const fn ending(
        name: &'static str,
        endings: &'static [&'static str],
        end: &'static [u8],
    ) -> Self {
        Self {
            mark: Mark::End(end),
            ..Self::beginning(name, endings, "")
        }
    }

    /// The same files, which people change by hand and which end with a digest.
    pub const fn with_digest(self) -> Self {
        Self {
            has_digest: true,
            ..self
        }
    }
}

impl Mark {
    /// Whether that is in a file of a length.
    fn is_in(self, path: &Path, length: u64) -> io::Result<bool> {
        let (mark, from) = match self {
            Self::Beginning(mark) => (mark.as_bytes(), 0),
            Self::End(mark) => (mark, length.saturating_sub(mark.len() as u64)),
        };
        let mut found = vec![0; mark.len()];
        let mut file = File::open(path)?;
        file.seek(SeekFrom::Start(from))?;
        file.read_exact(&mut found)?;
        Ok(found == mark)
    }
}

/// Where an output goes: a path that was checked before the work begins.
#[derive(Debug)]
pub struct Place {
    /// As it was typed.
    typed: PathBuf,
    /// With all links followed, so that a link stays one when the file behind it is replaced.
    real: PathBuf,
    kind: Kind,
    /// Whether a file that somebody changed or protected may be replaced too.
    overwrite: bool,
}

impl Place {
    /// The place `path` leads to, apart from `inputs` and `others`; with `overwrite`, also over a file of the same kind
    /// that somebody changed or protected from writing.
    ///
    /// # Errors
    /// `File` when that is no file, its folder does not exist, its ending is that of another kind, it is one of the others,
    /// or something is there that is not to be replaced.
    pub fn new(
        path: &Path,
        kind: Kind,
        overwrite: bool,
        inputs: &[&Path],
        others: &[&Self],
    ) -> Result<Self> {
        let place = Self {
            typed: path.to_owned(),
            real: follow(path)?,
            kind,
            overwrite,
        };
        // A clash is the better word than a file of another kind, and needs no look into the file.
        place.refuse_clash(inputs, others)?;
        place.refuse_occupied()?;
        Ok(place)
    }

    /// The path as it was typed, for reports.
    pub fn shown(&self) -> String {
        shown(&self.typed)
    }

    /// The path as it was typed.
    pub fn typed(&self) -> &Path {
        &self.typed
    }

    /// The path with all links followed.
    pub(super) fn real(&self) -> &Path {
        &self.real
    }

    /// Refuses a place that is also one of `inputs` or `others`.
    pub fn refuse_clash(&self, inputs: &[&Path], others: &[&Self]) -> Result<()> {
        let input = inputs
            .iter()
            .find(|input| fs::canonicalize(input).is_ok_and(|input| input == self.real));
        let other = others.iter().find(|other| other.real == self.real);
        match input.copied().or(other.map(|other| other.typed.as_path())) {
            None => Ok(()),
            Some(taken) => Err(self.error(
                format!("the same file as `{}`", shown(taken)),
                "an output with a place of its own",
                "choose another name for the output",
            )),
        }
    }

    /// Refuses a place where something is that is not to be replaced, and a name for another kind of file.
    pub(super) fn refuse_occupied(&self) -> Result<()> {
        let metadata = match fs::metadata(&self.real) {
            Ok(metadata) => Some(metadata),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => return Err(failed_write(&self.typed, &error)),
        };
        let new_or_ours = "a new file, or an earlier output of the same kind";
        if metadata.as_ref().is_some_and(fs::Metadata::is_dir) {
            return Err(self.error("a folder", new_or_ours, "name a file in it"));
        }
        if metadata
            .as_ref()
            .is_some_and(|metadata| !metadata.is_file())
        {
            return Err(self.error(
                "a device or pipe",
                new_or_ours,
                "name a file; leave the option out for no output",
            ));
        }
        let Some(metadata) = metadata else {
            return self.refuse_ending();
        };
        let length = metadata.len();
        if length > 0 && !self.kind.mark.is_in(&self.real, length).unwrap_or(false) {
            return Err(self.error(
                "something there already that this program did not write",
                new_or_ours,
                "move it away or choose another name",
            ));
        }
        self.refuse_ending()?;
        self.refuse_protected(&metadata)?;
        if length > 0 && self.kind.has_digest && !self.overwrite {
            self.refuse_edited()?;
        }
        Ok(())
    }

    fn refuse_ending(&self) -> Result<()> {
        let name = self.shown().to_lowercase();
        if self.kind.endings.iter().any(|end| name.ends_with(end)) {
            return Ok(());
        }
        let found = match self.typed.extension() {
            Some(ending) => format!("the ending .{}", ending.to_string_lossy()),
            None => "a name without an ending".to_owned(),
        };
        let names = self.kind.endings.iter().map(|end| format!("NAME{end}"));
        Err(self.error(
            found,
            format!(
                "{} for {}",
                names.collect::<Vec<_>>().join(" or "),
                self.kind.name
            ),
            "choose a name with that ending",
        ))
    }

    fn refuse_protected(&self, metadata: &fs::Metadata) -> Result<()> {
        if self.overwrite {
            return Ok(());
        }
        // The owner of a computer may write to anything, so what the file says of itself counts too.
        let opened = OpenOptions::new().write(true).open(&self.real);
        let is_protected = match &opened {
            Ok(_) => metadata.permissions().readonly(),
            Err(error) if error.kind() == io::ErrorKind::PermissionDenied => true,
            Err(error) => return Err(failed_write(&self.typed, error)),
        };
        if !is_protected {
            return Ok(());
        }
        Err(self.error(
            "a file that is protected from writing",
            "a file that can be written to",
            if self.kind.has_digest {
                "choose another name, take the protection off, or replace it with --overwrite"
            } else {
                "choose another name, or take the protection off"
            },
        ))
    }

    fn refuse_edited(&self) -> Result<()> {
        let found = match Digest::of(&input::read(&self.real)?) {
            Digest::Intact => return Ok(()),
            Digest::Edited => format!("{} that was changed since it was written", self.kind.name),
            Digest::Missing => format!(
                "{} without a digest, so that nothing tells whether it was changed by hand",
                self.kind.name
            ),
        };
        Err(self.error(
            found,
            "a new file, or one that is as this program wrote it",
            "choose another name, or replace it with --overwrite",
        ))
    }

    fn error(
        &self,
        found: impl Into<String>,
        expected: impl Into<String>,
        next_step: &str,
    ) -> Box<Error> {
        Error::new(ErrorKind::File, self.shown(), found, expected, next_step)
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
        let folder = input::folder(&now);
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

pub fn failed_write(path: &Path, error: &io::Error) -> Box<Error> {
    let next_step = match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "free some space, or choose a place on another disk"
        }
        _ => "check that the folder exists and is writable",
    };
    Error::new(
        ErrorKind::File,
        shown(path),
        in_words(error),
        "a place that can be written to",
        next_step,
    )
}

/// The way from the folder of `from` to `to`, both existing or not, over their common folders; none where they have no
/// folder in common but the root: that way would name every folder down to `to`.
pub fn relative(from: &Path, to: &Path) -> Option<PathBuf> {
    let real = |path: &Path| {
        let folder = fs::canonicalize(input::folder(path)).ok()?;
        Some((folder, path.file_name()?.to_owned()))
    };
    let ((from, _), (to_folder, name)) = (real(from)?, real(to)?);
    let (from, to_parts): (Vec<_>, Vec<_>) = (
        from.components().collect(),
        to_folder.components().collect(),
    );
    let shared = from
        .iter()
        .zip(&to_parts)
        .take_while(|(a, b)| a == b)
        .count();
    let named = |part: &std::path::Component<'_>| matches!(part, std::path::Component::Normal(_));
    // At the root itself nothing lies above.
    if from != to_parts && !from[..shared].iter().any(named) {
        return None;
    }
    let up = std::iter::repeat_n(std::path::Component::ParentDir, from.len() - shared);
    let down = to_parts[shared..].iter().copied();
    Some(up.chain(down).collect::<PathBuf>().join(name))
}
