//! A folder that is made beside another one and takes its place in one step.

use std::ffi::OsString;
use std::fs::{self, File, Metadata};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use super::leftover;

/// Most folders of one process beside the same one.
const ATTEMPTS: u32 = 1000;

/// The new folder. Dropped before it is shown, it is removed.
#[derive(Debug)]
pub(super) struct Beside {
    path: PathBuf,
    target: PathBuf,
    /// Its lock tells others that the folder is in use.
    held: Option<File>,
    is_shown: bool,
}

impl Beside {
    /// For a folder that is not there yet; `None` where nothing can be made beside it.
    pub(super) fn of_absent(target: &Path) -> Option<Self> {
        let name = target.file_name()?;
        let parent = target.parent()?;
        let parent = if parent.as_os_str().is_empty() { Path::new(".") } else { parent };
        leftover::remove_folders(parent, name);
        let path = made(|name| parent.join(name), target)?;
        Some(Self::holding(path, target.to_path_buf()))
    }

    /// For a folder that is there; `None` where it has to be written in place.
    pub(super) fn of(target: &Path) -> Option<Self> {
        let target = fs::canonicalize(target).ok()?;
        if fs::canonicalize(".").is_ok_and(|own| own == target) || !can_be_replaced(&target).ok()? {
            return None;
        }
        let (parent, name) = (target.parent()?, target.file_name()?);
        leftover::remove_folders(parent, name);
        // Made inside and moved out: neither a mount point nor a folder that may not be written gets through.
        let inside = made(|name| target.join(name), &target)?;
        let path = parent.join(inside.file_name()?);
        // Never over anything but an empty folder.
        if fs::rename(&inside, &path).is_err() {
            let _ = fs::remove_dir(inside);
            return None;
        }
        Some(Self::holding(path, target))
    }

    fn holding(path: PathBuf, target: PathBuf) -> Self {
        let held = File::open(&path).ok();
        if let Some(held) = &held {
            leftover::hold(held);
        }
        Self { path, target, held, is_shown: false }
    }

    /// The folder to write into.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Takes the place of the target, with all files of the target that are neither of the new names nor of the retired ones. Handed back
    /// where that cannot be: the target is then as it was.
    pub(super) fn swap(mut self, new_names: &[OsString], retired: &[OsString]) -> Result<(), Self> {
        if self.try_swap(new_names, retired).is_err() {
            return Err(self);
        }
        self.is_shown = true;
        Ok(())
    }

    fn try_swap(&self, new_names: &[OsString], retired: &[OsString]) -> io::Result<()> {
        let Ok(old) = fs::symlink_metadata(&self.target) else {
            self.flush();
            return fs::rename(&self.path, &self.target);
        };
        if !old.is_dir() || !can_be_replaced(&self.target)? || !same_owner(&old, &fs::metadata(&self.path)?) {
            return Err(ErrorKind::Unsupported.into());
        }
        for entry in fs::read_dir(&self.target)? {
            let name = entry?.file_name();
            if !new_names.contains(&name) && !retired.contains(&name) {
                fs::hard_link(self.target.join(&name), self.path.join(&name))?;
            }
        }
        fs::set_permissions(&self.path, old.permissions())?;
        self.flush();
        exchange(&self.path, &self.target)?;
        // What came there after the links were made goes where it belongs; all else is there.
        for entry in fs::read_dir(&self.path).into_iter().flatten().flatten() {
            let name = entry.file_name();
            let beside = self.target.join(&name);
            let _ = if retired.contains(&name) || fs::symlink_metadata(&beside).is_ok() {
                fs::remove_file(entry.path())
            } else {
                fs::rename(entry.path(), beside)
            };
        }
        // Not where something of somebody's own could not be moved.
        let _ = fs::remove_dir(&self.path);
        Ok(())
    }

    /// The names in the folder reach the disk before the folder is shown, where the system can say so.
    fn flush(&self) {
        if let Some(held) = &self.held {
            let _ = held.sync_all();
        }
    }
}

impl Drop for Beside {
    fn drop(&mut self) {
        if !self.is_shown {
            leftover::remove_folder(&self.path);
        }
    }
}

/// A new folder by a hidden name that tells whose it is.
fn made(place: impl Fn(OsString) -> PathBuf, target: &Path) -> Option<PathBuf> {
    for attempt in 0..ATTEMPTS {
        let mut name = OsString::from(".");
        name.push(target.file_name()?);
        name.push(format!(".{}-{attempt}.partial", std::process::id()));
        let path = place(name);
        match fs::create_dir(&path) {
            Ok(()) => return Some(path),
            Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
            Err(_) => return None,
        }
    }
    None
}

/// Whether a folder holds nothing but files, and has nothing that another one would lose.
fn can_be_replaced(folder: &Path) -> io::Result<bool> {
    for entry in fs::read_dir(folder)? {
        if entry?.file_type()?.is_dir() {
            return Ok(false);
        }
    }
    Ok(!has_attributes(folder))
}

/// Whether a folder has extended attributes but those that the system gives every one.
#[cfg(any(target_os = "linux", target_os = "android"))]
fn has_attributes(folder: &Path) -> bool {
    let mut names = [0_u8; 4096];
    match rustix::fs::listxattr(folder, &mut names[..]) {
        Ok(length) => names
            .get(..length)
            .unwrap_or_default()
            .split(|byte| *byte == 0)
            .any(|name| !name.is_empty() && !name.starts_with(b"security.")),
        Err(error) => error == rustix::io::Errno::RANGE,
    }
}

#[cfg(not(any(target_os = "linux", target_os = "android")))]
fn has_attributes(_: &Path) -> bool {
    false
}

#[cfg(unix)]
fn same_owner(one: &Metadata, other: &Metadata) -> bool {
    use std::os::unix::fs::MetadataExt;
    (one.uid(), one.gid()) == (other.uid(), other.gid())
}

#[cfg(not(unix))]
fn same_owner(_: &Metadata, _: &Metadata) -> bool {
    true
}

/// Two files or folders change places in one step.
///
/// # Errors
/// Whatever the operating system refuses, and where it knows no such step.
#[cfg(any(target_os = "linux", target_os = "android", target_vendor = "apple"))]
pub fn exchange(one: &Path, other: &Path) -> io::Result<()> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    renameat_with(CWD, one, CWD, other, RenameFlags::EXCHANGE).map_err(io::Error::from)
}

/// Two files or folders change places in one step.
///
/// # Errors
/// Always: this system knows no such step.
#[cfg(not(any(target_os = "linux", target_os = "android", target_vendor = "apple")))]
pub fn exchange(_: &Path, _: &Path) -> io::Result<()> {
    Err(ErrorKind::Unsupported.into())
}
