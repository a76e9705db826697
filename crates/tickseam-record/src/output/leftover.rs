//! What killed processes left under hidden names, and how it is told from what is in use.

use std::ffi::OsStr;
use std::fs::{self, File};
use std::path::Path;

/// Marks a file or folder as in use for as long as it is open.
pub(super) fn hold(file: &File) {
    // Some file systems have no locks: then nothing of theirs is ever taken for left over.
    if cfg!(unix) {
        let _ = file.try_lock();
    }
}

/// Removes files that a killed process was about to give this name.
pub(super) fn remove_files(folder: &Path, name: &str) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let is_file = entry.file_type().is_ok_and(|kind| kind.is_file());
        if is_file && is_temporary(&entry.file_name(), OsStr::new(name)) && is_free(&entry.path()) {
            // It is in nobody's way.
            let _ = fs::remove_file(entry.path());
        }
    }
}

/// Removes folders that a killed process was about to put in the place of this one, or had just taken from there.
pub(super) fn remove_folders(beside: &Path, name: &OsStr) {
    for entry in fs::read_dir(beside).into_iter().flatten().flatten() {
        let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
        if is_folder && is_temporary(&entry.file_name(), name) && is_free(&entry.path()) {
            remove_folder(&entry.path());
        }
    }
}

/// Removes a folder and the files in it. It never held folders of ours: one that does is left.
pub(super) fn remove_folder(folder: &Path) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        // A folder is refused, rightly.
        let _ = fs::remove_file(entry.path());
    }
    let _ = fs::remove_dir(folder);
}

/// Whether nobody who runs holds it.
fn is_free(path: &Path) -> bool {
    cfg!(unix) && File::open(path).is_ok_and(|file| file.try_lock().is_ok())
}

/// Whether it is `.<name>.<process id>-<n>.partial`.
fn is_temporary(found: &OsStr, name: &OsStr) -> bool {
    let number = |text: &[u8]| !text.is_empty() && text.iter().all(u8::is_ascii_digit);
    found
        .as_encoded_bytes()
        .strip_prefix(b".")
        .and_then(|rest| rest.strip_prefix(name.as_encoded_bytes()))
        .and_then(|rest| rest.strip_prefix(b"."))
        .and_then(|rest| rest.strip_suffix(b".partial"))
        .is_some_and(|rest| {
            let mut parts = rest.split(|byte| *byte == b'-');
            parts.next().is_some_and(number) && parts.next().is_some_and(number) && parts.next().is_none()
        })
}
