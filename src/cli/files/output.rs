//! Outputs are written to their places, all or none.
//!
//! - Each file is whole at every moment, the old one or the new one: the new text is complete on the disk, in a hidden file
//!   beside its place, before it takes the place by one rename.
//! - Several files are a set. Where one of them cannot take its place, or what follows fails (a full disk behind standard
//!   output), those that did are put back. A signal that asks the program to end waits until the set is whole. Only a run
//!   that is killed outright (SIGKILL, a power cut) in the instant between two renames can leave a part of a set.
//! - A place that no rename can reach (a single file that is mounted into a container, a file in a folder that is closed for
//!   writing) is written in place, after its new text is complete elsewhere. That file alone may be found half written, by a
//!   run that is killed meanwhile.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read as _, Seek as _, Write as _};
use std::path::Path;

use bandwright::error::{Error, ReportedFault, Result};
use tempfile::NamedTempFile;

use super::super::option_names::option;
use super::hidden::{self, guard, new_file, second_name};
use super::place::{Place, failed_write};
use super::shown;

/// Writes every output to its place, then does what follows; where either fails, everything is as it was before.
pub fn write_all(outputs: Vec<(Place, Content)>, then: impl FnOnce() -> Result<()>) -> Result<()> {
    let mut staged = Vec::new();
    for (place, content) in outputs {
        place.refuse_occupied()?;
        let new = match content {
            Content::Bytes(bytes) => Staged::new(&place).and_then(|mut new| {
                new.file().write_all(&bytes)?;
                Ok(new)
            }),
            Content::Staged(new) => Ok(new),
        };
        let whole = new.and_then(|new| {
            new.finish(&place)?;
            Ok(new)
        });
        let whole = whole.map_err(|error| failed_write(place.typed(), &error))?;
        staged.push((place, whole));
    }
    let mut done = Vec::new();
    let mut taken = Ok(());
    {
        let _uninterrupted = guard();
        for (place, staged) in staged {
            match staged.take(place.real()) {
                Ok(undo) => done.push((place, undo)),
                Err(error) => {
                    taken = Err(failed_write(place.typed(), &error));
                    break;
                }
            }
        }
        if let Err(error) = taken {
            return Err(put_back(done, error));
        }
    }
    then().map_err(|error| {
        let _uninterrupted = guard();
        put_back(done, error)
    })
}

/// Puts back what was there before; says what could not be put back.
fn put_back(done: Vec<(Place, Undo)>, error: Box<Error>) -> Box<Error> {
    let undo = |(place, undo): (Place, Undo)| undo.run(place.real()).is_err().then_some(place);
    let lost: Vec<Place> = done.into_iter().rev().filter_map(undo).collect();
    if lost.is_empty() {
        return error;
    }
    error.within(|fault| {
        let mut words = fault.words(&option);
        for place in lost {
            words.found.push_str(&format!(
                "; `{}` is new already and could not be put back",
                shown(place.typed())
            ));
        }
        ReportedFault {
            kind: fault.kind(),
            words,
        }
    })
}

/// What an output holds.
pub enum Content {
    /// These bytes.
    Bytes(Vec<u8>),
    /// What was written to the disk already.
    Staged(Staged),
}

/// A new content on the disk, in a hidden file.
pub struct Staged {
    part: NamedTempFile,
    /// What is at the place now: a second name of it, or its bytes where it is to be written in place.
    before: Before,
}

enum Before {
    Nothing,
    SecondName(NamedTempFile<Option<File>>),
    Bytes(Vec<u8>),
}

/// What undoes an output.
enum Undo {
    Remove,
    Rename(NamedTempFile<Option<File>>),
    Write(Vec<u8>),
}

impl Staged {
    /// An empty one for a place, near it where that can be.
    pub fn new(place: &Place) -> io::Result<Self> {
        let real = place.real();
        let folder = real.parent().unwrap_or(Path::new("."));
        hidden::remove_leftovers(folder);
        let old = fs::metadata(real).ok();
        let (part, before) = match (new_file(folder), &old) {
            (Ok(part), None) => (part, Before::Nothing),
            (Ok(part), Some(_)) => (part, Before::SecondName(second_name(real)?)),
            (Err(error), Some(_)) if is_closed(&error) => {
                let elsewhere = std::env::temp_dir();
                hidden::remove_leftovers(&elsewhere);
                (new_file(&elsewhere)?, Before::Bytes(fs::read(real)?))
            }
            (Err(error), _) => return Err(error),
        };
        Ok(Self { part, before })
    }

    /// The file to write to.
    pub fn file(&mut self) -> &mut File {
        self.part.as_file_mut()
    }

    /// Sees that it is complete on the disk, with the mode of what it replaces.
    fn finish(&self, place: &Place) -> io::Result<()> {
        if let Ok(old) = fs::metadata(place.real()) {
            keep_mode(self.part.as_file(), &old)?;
        }
        self.part.as_file().sync_all()
    }

    /// Puts it where it belongs.
    fn take(self, real: &Path) -> io::Result<Undo> {
        let undo = match self.before {
            Before::Bytes(before) => return in_place(real, self.part, before),
            Before::Nothing => Undo::Remove,
            Before::SecondName(before) => Undo::Rename(before),
        };
        match self.part.persist(real) {
            Ok(_) => Ok(undo),
            // Something is mounted there, so that no other file can take its name.
            Err(error)
                if matches!(
                    error.error.kind(),
                    io::ErrorKind::ResourceBusy | io::ErrorKind::CrossesDevices
                ) =>
            {
                let before = fs::read(real)?;
                in_place(real, error.file, before)
            }
            Err(error) => Err(error.error),
        }
    }
}

impl Undo {
    fn run(self, real: &Path) -> io::Result<()> {
        match self {
            Self::Remove => fs::remove_file(real),
            Self::Rename(before) => Ok(before.into_temp_path().persist(real)?),
            Self::Write(before) => overwrite(real, &before),
        }
    }
}

/// Whether a folder lets no file be made in it.
fn is_closed(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem
    )
}

/// Replaces what is in the file; puts it back where that fails.
fn in_place(real: &Path, mut part: NamedTempFile, before: Vec<u8>) -> io::Result<Undo> {
    let mut bytes = Vec::new();
    part.rewind()?;
    part.read_to_end(&mut bytes)?;
    match overwrite(real, &bytes) {
        Ok(()) => Ok(Undo::Write(before)),
        Err(error) => {
            overwrite(real, &before)?;
            Err(error)
        }
    }
}

fn overwrite(real: &Path, bytes: &[u8]) -> io::Result<()> {
    // Not truncated first: the room that it has now then suffices to put it back.
    let mut file = OpenOptions::new().write(true).open(real)?;
    file.write_all(bytes)?;
    file.set_len(bytes.len() as u64)?;
    file.sync_all()
}

/// The mode of the file that is replaced; its owner too, where that is allowed.
fn keep_mode(file: &File, old: &fs::Metadata) -> io::Result<()> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::{MetadataExt as _, fchown};
        let new = file.metadata()?;
        if (new.uid(), new.gid()) != (old.uid(), old.gid()) {
            let _ = fchown(file, Some(old.uid()), Some(old.gid()));
        }
    }
    file.set_permissions(old.permissions())
}
