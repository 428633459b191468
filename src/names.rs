//! Names of files as sheets, pictures and cautions have them: without the folders above, which are nobody's business. And
//! the path that one file means when it names another.

use std::path::{Component, Path, PathBuf};

/// The name of a file without its folders.
#[must_use]
pub fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// For each path its file's name, or where another has that too, as much of the path's end as no other one has. The same
/// path twice (two channels of one file) keeps one name.
#[must_use]
pub fn told_apart(paths: &[&Path]) -> Vec<String> {
    let parts: Vec<Vec<String>> = paths.iter().map(|path| parts(path)).collect();
    let name = |own: &Vec<String>| {
        let alone = |count: &usize| {
            let others = parts.iter().filter(|other| *other != own);
            let end = end(own, *count);
            others
                .filter(|other| self::end(other, *count) == end)
                .count()
                == 0
        };
        let count = (1..=own.len()).find(alone).unwrap_or(own.len());
        end(own, count).join("/")
    };
    parts.iter().map(name).collect()
}

/// The name of the folder that a file is in, without those above; none at the root, and none where only the disk knows.
#[must_use]
pub fn folder_name(path: &Path) -> Option<String> {
    let mut folders: Vec<String> = Vec::new();
    for part in parts(path) {
        match part.as_str() {
            ".." => drop(folders.pop()),
            _ => folders.push(part),
        }
    }
    folders.pop()?;
    folders.pop()
}

/// A path as a recipe beside it means it.
pub(crate) fn beside(recipe: &str, base: &str) -> String {
    let folder = Path::new(recipe).parent().unwrap_or_else(|| Path::new(""));
    // Without `.` parts, so that one file has one name and a circle shows.
    let parts = Path::new(base)
        .components()
        .filter(|part| *part != Component::CurDir);
    folder
        .join(parts.collect::<PathBuf>())
        .to_string_lossy()
        .into_owned()
}

/// Folders and file, from the root on, without `.`.
fn parts(path: &Path) -> Vec<String> {
    path.components()
        .filter_map(|part| match part {
            Component::Normal(name) => Some(name.to_string_lossy().into_owned()),
            Component::ParentDir => Some("..".to_owned()),
            Component::Prefix(_) | Component::RootDir | Component::CurDir => None,
        })
        .collect()
}

fn end(parts: &[String], count: usize) -> &[String] {
    &parts[parts.len().saturating_sub(count)..]
}
