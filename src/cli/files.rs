//! The only place that touches the file system.
//!
//! Outputs are written beside their place and renamed into it, all of them or none; a file that this
//! program did not write is never replaced.

use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use bandwright::error::{Error, ErrorKind, Result};
use bandwright::measurement::parse::MAX_FILE_BYTES;

/// Reads a whole input file.
pub fn read(path: &str) -> Result<Vec<u8>> {
    let failed = |error: std::io::Error| {
        Error::new(
            ErrorKind::File,
            path,
            error.to_string(),
            "a file that can be read",
            "check the path",
        )
    };
    let file = File::open(path).map_err(failed)?;
    if file.metadata().map_err(failed)?.is_dir() {
        return Err(Error::new(
            ErrorKind::File,
            path,
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

/// A file to write.
pub struct Output<'a> {
    /// Where.
    pub path: &'a str,
    /// What.
    pub text: String,
    /// How a file of this kind begins: only such a file is replaced.
    pub beginning: &'static str,
}

/// Refuses an output that would replace one of `inputs` or another output, before any work is done.
pub fn refuse_clashes(outputs: &[&str], inputs: &[&str]) -> Result<()> {
    for (index, output) in outputs.iter().enumerate() {
        let taken = outputs[..index].iter().chain(inputs);
        for other in taken {
            if same_file(output, other) {
                return Err(Error::new(
                    ErrorKind::File,
                    *output,
                    format!("the same file as `{other}`"),
                    "an output with a place of its own",
                    "choose another name for the output",
                ));
            }
        }
    }
    Ok(())
}

fn same_file(one: &str, other: &str) -> bool {
    let full = |path: &str| {
        fs::canonicalize(path).or_else(|_| {
            let path = Path::new(path);
            let folder = match path.parent() {
                Some(folder) if folder != Path::new("") => folder,
                _ => Path::new("."),
            };
            fs::canonicalize(folder).map(|folder| folder.join(path.file_name().unwrap_or_default()))
        })
    };
    match (full(one), full(other)) {
        (Ok(one), Ok(other)) => one == other,
        _ => one == other,
    }
}

/// Writes all outputs, or none of them.
pub fn write_all(outputs: &[Output<'_>]) -> Result<()> {
    let mut parts = Parts(Vec::new());
    for output in outputs {
        refuse_strangers(output)?;
        let part = beside(output.path);
        parts.0.push(part.clone());
        let written = File::create_new(&part).and_then(|mut file| {
            file.write_all(output.text.as_bytes())?;
            file.sync_all()
        });
        written.map_err(|error| failed_write(output.path, &error))?;
    }
    for (output, part) in outputs.iter().zip(&parts.0) {
        fs::rename(part, output.path).map_err(|error| failed_write(output.path, &error))?;
    }
    Ok(())
}

/// Half-written files, removed when dropped; those renamed into place are no longer there to remove.
struct Parts(Vec<PathBuf>);

impl Drop for Parts {
    fn drop(&mut self) {
        for part in &self.0 {
            let _ = fs::remove_file(part);
        }
    }
}

fn beside(path: &str) -> PathBuf {
    let path = Path::new(path);
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(format!(".{}.part", std::process::id()));
    path.with_file_name(name)
}

fn refuse_strangers(output: &Output<'_>) -> Result<()> {
    let Ok(metadata) = fs::metadata(output.path) else {
        return Ok(());
    };
    let mut beginning = vec![0; output.beginning.len()];
    let ours = metadata.is_file()
        && (metadata.len() == 0
            || File::open(output.path)
                .and_then(|mut file| file.read_exact(&mut beginning))
                .is_ok_and(|()| beginning == output.beginning.as_bytes()));
    if ours {
        return Ok(());
    }
    Err(Error::new(
        ErrorKind::File,
        output.path,
        "something there already that this program did not write",
        "a new file, or an earlier output of the same kind",
        "move it away or choose another name",
    ))
}

fn failed_write(path: &str, error: &std::io::Error) -> Box<Error> {
    Error::new(
        ErrorKind::File,
        path,
        error.to_string(),
        "a place that can be written to",
        "check that the folder exists and is writable",
    )
}
