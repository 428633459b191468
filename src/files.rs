//! Where files come from: this library opens none itself.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use crate::digest;
use crate::error::{Error, ErrorKind, Result};

/// A place that has files: a disk, what was sent to a page, the memory of a test.
pub trait Files {
    /// All bytes of a file.
    ///
    /// # Errors
    /// `Missing` where there is none of that name; `File` where it cannot be read.
    fn read(&self, path: &Path) -> Result<Vec<u8>>;

    /// Whether two paths lead to one file.
    fn is_same(&self, one: &Path, other: &Path) -> bool {
        one == other
    }

    /// The path with all folders above it, by which files of one name are told apart.
    fn whole(&self, path: &Path) -> PathBuf {
        path.to_owned()
    }
}

/// Files by what reads them.
impl<F: Fn(&Path) -> Result<Vec<u8>>> Files for F {
    fn read(&self, path: &Path) -> Result<Vec<u8>> {
        self(path)
    }
}

/// Files in memory.
impl Files for BTreeMap<PathBuf, Vec<u8>> {
    fn read(&self, path: &Path) -> Result<Vec<u8>> {
        self.get(path).cloned().ok_or_else(|| {
            Error::new(
                ErrorKind::Missing,
                shown(path),
                "no such file",
                "a file that is there",
                "check its name",
            )
        })
    }
}

/// The files of another place, and what of them was asked for. A path that is no Unicode has a name that leads nowhere
/// by itself: asked for by that name, it is found among those that were `named` as paths.
pub struct Recorded<'a> {
    files: &'a dyn Files,
    named: Vec<&'a Path>,
    read: RefCell<Vec<(PathBuf, String)>>,
    missing: RefCell<Option<PathBuf>>,
}

impl<'a> Recorded<'a> {
    /// These files, none asked for yet.
    #[must_use]
    pub fn new(files: &'a dyn Files, named: Vec<&'a Path>) -> Self {
        Self {
            files,
            named,
            read: RefCell::default(),
            missing: RefCell::default(),
        }
    }

    /// All paths that were read, in order.
    #[must_use]
    pub fn read_so_far(&self) -> Vec<PathBuf> {
        self.read.borrow().iter().map(|(path, _)| path.clone()).collect()
    }

    /// What was read, each with the SHA-256 of its bytes, in order of names and once: the path as it was asked for where
    /// that is relative, else the file's name, so that no path of the machine is told.
    #[must_use]
    pub fn inputs(&self) -> Vec<(String, String)> {
        let read = self.read.borrow();
        let named = read.iter().map(|(path, digest)| (without_machine(path), digest.clone()));
        named.collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// The last path that was asked for and led nowhere.
    #[must_use]
    pub fn last_missing(&self) -> Option<PathBuf> {
        self.missing.borrow().clone()
    }
}

impl Files for Recorded<'_> {
    fn read(&self, path: &Path) -> Result<Vec<u8>> {
        let named = self.named.iter().find(|named| shown(named) == shown(path));
        let path = named.copied().unwrap_or(path);
        let bytes = self.files.read(path);
        match &bytes {
            Ok(bytes) => self.read.borrow_mut().push((path.to_owned(), digest::hex(bytes))),
            Err(error) if error.kind == ErrorKind::Missing => {
                *self.missing.borrow_mut() = Some(path.to_owned());
            }
            Err(_) => {}
        }
        bytes
    }

    fn is_same(&self, one: &Path, other: &Path) -> bool {
        self.files.is_same(one, other)
    }

    fn whole(&self, path: &Path) -> PathBuf {
        self.files.whole(path)
    }
}

/// A path as reports for others name it: a relative one as it is, of an absolute one the file's name.
#[must_use]
pub fn without_machine(path: &Path) -> String {
    match path.file_name() {
        Some(name) if path.is_absolute() => shown(Path::new(name)),
        _ => shown(path),
    }
}

/// A path as messages and reports show it.
#[must_use]
pub fn shown(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}
