//! The only place that touches the file system: [`input`] reads, [`place`] says where an output may go, [`output`]
//! writes.

mod hidden;
mod input;
mod output;
mod place;

pub use bandwright::files::shown;
pub use hidden::exit_on_signal;
pub use input::{Disk, open_music, read, same_file, with_near};
pub use output::{Content, Staged, write_all};
pub use place::failed_write;
pub use place::{Kind, Place, relative};

use std::io;

/// What the system says of a file, in words.
pub fn in_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "no such file".to_owned(),
        io::ErrorKind::PermissionDenied => "no permission".to_owned(),
        io::ErrorKind::ReadOnlyFilesystem => "a place that is read-only".to_owned(),
        io::ErrorKind::StorageFull => "a full disk".to_owned(),
        io::ErrorKind::QuotaExceeded => "a disk quota that is used up".to_owned(),
        io::ErrorKind::NotADirectory => "a file where a folder should be".to_owned(),
        _ if is_circle(error) => "a link that leads in a circle".to_owned(),
        _ => error.to_string(),
    }
}

/// Whether links lead on to one another without end (ELOOP, which the standard library does not name yet).
fn is_circle(error: &io::Error) -> bool {
    let number = if cfg!(any(target_os = "linux", target_os = "android")) {
        40
    } else {
        62
    };
    cfg!(unix) && error.raw_os_error() == Some(number)
}
