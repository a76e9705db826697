//! A folder that is written whole or not at all.

use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};

use crate::error::WriteError;
use beside::Beside;

mod beside;
mod leftover;

pub use beside::exchange;

/// Collects files out of sight and shows them only when all are complete.
///
/// [`open`](Self::open) collects them in the folder `.<folder>.<process id>-<n>.partial` beside the one that is written. [`commit`](Self::commit)
/// adds links to the files that lie there already and are not written anew, and the two folders change places in one step: whoever looks,
/// and whenever the process is killed, sees the old folder or the new one, whole. Dropped without a commit, it removes what it wrote and
/// every folder that it made.
///
/// The folder itself is another one afterwards: a shell that stands in it has to enter it again. It is not replaced where it is this
/// process's own, a mount point, somebody else's, holds folders or has attributes of its own (access control lists), where nothing can be
/// made beside it, and where the system or the file system knows no exchange or no links. Then, and always after
/// [`open_in_place`](Self::open_in_place), each file goes to `.<name>.<process id>-<n>.partial` in the folder, and the names are given one
/// after the other: a process that is killed between two of them leaves some files new and some old, each of them whole. A name that
/// cannot be given gives the old files theirs back (without an exchange: all but those replaced before).
///
/// What killed processes left under such names goes when the same folder or file is written again; what is somebody's who still runs,
/// here or over a network, is known by its lock and stays. Systems other than Unix keep it all.
#[derive(Debug)]
pub struct OutputFolder {
    path: PathBuf,
    /// Where files are collected, unless it is the folder itself.
    beside: Option<Beside>,
    /// The files written so far.
    pending: Vec<Pending>,
    /// Names whose older files go.
    retired: Vec<OsString>,
    /// Folders made for this output, outermost first.
    made: Vec<PathBuf>,
}

/// A file that is complete and not seen yet.
#[derive(Debug)]
struct Pending {
    temporary: PathBuf,
    target: PathBuf,
    /// Its lock tells others that it is in use.
    _held: File,
}

/// How a file came to its name.
enum Given {
    /// Nothing had the name.
    Free,
    /// The older file of that name has the temporary one.
    Exchanged,
    /// The older file is gone.
    Over,
}

impl OutputFolder {
    /// Opens a folder to be replaced as a whole; its parents are made where they are absent.
    pub fn open(path: &Path) -> Result<Self, WriteError> {
        Self::open_as(path, true)
    }

    /// Opens a folder whose files are replaced one by one, for one that is not seen yet or holds more than results; it is made where it
    /// is absent, its parents included.
    pub fn open_in_place(path: &Path) -> Result<Self, WriteError> {
        Self::open_as(path, false)
    }

    fn open_as(path: &Path, whole: bool) -> Result<Self, WriteError> {
        let mut absent: Vec<PathBuf> = path
            .ancestors()
            .take_while(|ancestor| {
                !ancestor.as_os_str().is_empty() && fs::symlink_metadata(ancestor).is_err()
            })
            .map(Path::to_path_buf)
            .collect();
        absent.reverse();
        let mut folder = Self {
            path: path.to_path_buf(),
            beside: None,
            pending: Vec::new(),
            retired: Vec::new(),
            made: Vec::new(),
        };
        for directory in absent {
            if whole && directory == path {
                folder.beside = Beside::of_absent(path);
                if folder.beside.is_some() {
                    return Ok(folder);
                }
            }
            match fs::create_dir(&directory) {
                Ok(()) => folder.made.push(directory),
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
                Err(source) => {
                    // What stands in the way is said, not what could not be made behind it.
                    let other = WriteError::Io { path: directory, action: "created", source };
                    return Err(in_the_way_of(path).unwrap_or(other));
                }
            }
        }
        match fs::metadata(path) {
            Ok(metadata) if metadata.is_dir() => {
                if whole && folder.made.is_empty() {
                    folder.beside = Beside::of(path);
                }
                Ok(folder)
            }
            Ok(_) => Err(no_folder(path)),
            Err(source) => Err(WriteError::Io { path: path.to_path_buf(), action: "opened", source }),
        }
    }

    /// Like [`open`](Self::open), but refuses the folder of the recording that is being read, by whatever path.
    pub fn open_apart_from(recording: &Path, path: &Path) -> Result<Self, WriteError> {
        refuse_recording(recording, path)?;
        Self::open(path)
    }

    /// Like [`open_in_place`](Self::open_in_place), but refuses the folder of the recording that is being read, by whatever path.
    pub fn open_in_place_apart_from(recording: &Path, path: &Path) -> Result<Self, WriteError> {
        refuse_recording(recording, path)?;
        Self::open_in_place(path)
    }

    /// Where the files will be.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes one file under a temporary name. `name` is a plain file name.
    ///
    /// After an error the file is gone and the folder may still be committed or dropped.
    pub fn write<F>(&mut self, name: &str, fill: F) -> Result<(), WriteError>
    where
        F: FnOnce(&mut dyn Write) -> io::Result<()>,
    {
        let target = self.path.join(name);
        if target.parent() != Some(&self.path) || target.file_name().is_none_or(|last| last != name) {
            return Err(WriteError::InTheWay {
                path: target,
                found: "a path into another folder",
                expected: "a plain file name",
            });
        }
        refuse_other_than_file(&target)?;
        leftover::remove_files(&self.path, name);
        if let Some(earlier) = self.pending.iter().position(|pending| pending.target == target) {
            let _ = fs::remove_file(self.pending.remove(earlier).temporary);
        }
        let (temporary, file) = self.temporary(name)?;
        leftover::hold(&file);
        let mut writer = BufWriter::with_capacity(64 * 1024, file);
        let outcome = fill(&mut writer)
            .and_then(|()| writer.into_inner().map_err(io::IntoInnerError::into_error))
            .and_then(|file| file.sync_all().map(|()| file));
        match outcome {
            Ok(_held) => {
                self.pending.push(Pending { temporary, target, _held });
                Ok(())
            }
            Err(source) => {
                let _ = fs::remove_file(temporary);
                Err(WriteError::Io { path: target, action: "written", source })
            }
        }
    }

    /// An older file of this name goes when the new ones are shown: it would not belong to them. Written after all, it stays.
    pub fn retire(&mut self, name: &str) {
        self.retired.push(name.into());
    }

    /// Shows the new files, over older ones of the same names, and says where they are.
    ///
    /// # Errors
    /// Whatever is in the way and whatever the operating system refuses; the old files are then there as before.
    pub fn commit(mut self) -> Result<Vec<PathBuf>, WriteError> {
        for Pending { target, .. } in &self.pending {
            refuse_other_than_file(target)?;
        }
        let mut retired = std::mem::take(&mut self.retired);
        retired.retain(|name| self.pending.iter().all(|pending| pending.target.file_name() != Some(name)));
        for name in &retired {
            refuse_other_than_file(&self.path.join(name))?;
        }
        let written: Vec<PathBuf> = self.pending.iter().map(|pending| pending.target.clone()).collect();
        let names: Vec<OsString> =
            written.iter().filter_map(|target| target.file_name().map(OsString::from)).collect();
        if let Some(beside) = self.beside.take() {
            match beside.swap(&names, &retired) {
                Ok(()) => {
                    self.pending.clear();
                    self.made.clear();
                    return Ok(written);
                }
                Err(beside) => self.beside = Some(beside),
            }
            if fs::symlink_metadata(&self.path).is_err() {
                fs::create_dir(&self.path).map_err(|source| WriteError::Io {
                    path: self.path.clone(),
                    action: "created",
                    source,
                })?;
                self.made.push(self.path.clone());
            }
        }
        self.give_names()?;
        self.made.clear();
        for name in retired {
            let path = self.path.join(name);
            match fs::remove_file(&path) {
                Err(error) if error.kind() == ErrorKind::NotFound => {}
                outcome => outcome.map_err(|source| WriteError::Io { path, action: "removed", source })?,
            }
        }
        Ok(written)
    }

    /// Gives the files their names one by one, or none of them.
    fn give_names(&mut self) -> Result<(), WriteError> {
        let mut given = Vec::new();
        for Pending { temporary, target, .. } in &self.pending {
            match give_name(temporary, target) {
                Ok(how) => given.push(how),
                Err(source) => {
                    for (how, Pending { temporary, target, .. }) in given.iter().zip(&self.pending).rev() {
                        // Of two faults the first is the one to tell.
                        let _ = match how {
                            Given::Free => fs::rename(target, temporary),
                            Given::Exchanged => exchange(temporary, target),
                            Given::Over => Ok(()),
                        };
                    }
                    return Err(WriteError::Io { path: target.clone(), action: "renamed", source });
                }
            }
        }
        for (how, Pending { temporary, .. }) in given.iter().zip(self.pending.drain(..)) {
            if matches!(how, Given::Exchanged) {
                // It is in nobody's way, and the next run removes it.
                let _ = fs::remove_file(temporary);
            }
        }
        Ok(())
    }

    fn temporary(&self, name: &str) -> Result<(PathBuf, File), WriteError> {
        let process = std::process::id();
        let mut attempt = 0;
        loop {
            let path = match &self.beside {
                Some(beside) => beside.path().join(name),
                None => self.path.join(format!(".{name}.{process}-{attempt}.partial")),
            };
            match OpenOptions::new().write(true).create_new(true).open(&path) {
                Ok(file) => return Ok((path, file)),
                // Left over by an earlier process that had the same number and was killed.
                Err(error)
                    if error.kind() == ErrorKind::AlreadyExists
                        && self.beside.is_none()
                        && attempt < 1000 =>
                {
                    attempt += 1;
                }
                Err(source) => {
                    return Err(WriteError::Io { path: self.path.join(name), action: "created", source });
                }
            }
        }
    }
}

/// What stands in the way of a folder at a path: a file there or above.
pub fn in_the_way_of(path: &Path) -> Option<WriteError> {
    let file = path.ancestors().find(|path| fs::metadata(path).is_ok_and(|found| !found.is_dir()))?;
    Some(no_folder(file))
}

fn give_name(temporary: &Path, target: &Path) -> io::Result<Given> {
    if fs::symlink_metadata(target).is_err() {
        return fs::rename(temporary, target).map(|()| Given::Free);
    }
    if exchange(temporary, target).is_ok() {
        return Ok(Given::Exchanged);
    }
    fs::rename(temporary, target).map(|()| Given::Over)
}

fn refuse_recording(recording: &Path, path: &Path) -> Result<(), WriteError> {
    // A folder that is not there yet cannot be the recording, which is.
    if let Ok(output) = fs::canonicalize(path) {
        let input = fs::canonicalize(recording).map_err(|source| WriteError::Io {
            path: recording.to_path_buf(),
            action: "read",
            source,
        })?;
        if input == output {
            return Err(WriteError::SameFolder { path: path.to_path_buf() });
        }
    }
    Ok(())
}

fn no_folder(path: &Path) -> WriteError {
    WriteError::InTheWay {
        path: path.to_path_buf(),
        found: "something that is no folder",
        expected: "a folder, or a name that is free",
    }
}

impl Drop for OutputFolder {
    fn drop(&mut self) {
        for Pending { temporary, .. } in self.pending.drain(..) {
            let _ = fs::remove_file(temporary);
        }
        // Its folder goes before those that were made to hold it.
        self.beside = None;
        for directory in self.made.drain(..).rev() {
            // Fails, rightly, where someone else has put something there meanwhile.
            let _ = fs::remove_dir(directory);
        }
    }
}

/// A file may be replaced; a folder or a device of the same name may not.
fn refuse_other_than_file(target: &Path) -> Result<(), WriteError> {
    match fs::symlink_metadata(target) {
        Ok(metadata) if !metadata.is_file() && !metadata.is_symlink() => Err(WriteError::InTheWay {
            path: target.to_path_buf(),
            found: "something that is no file",
            expected: "a file, or a name that is free",
        }),
        _ => Ok(()),
    }
}
