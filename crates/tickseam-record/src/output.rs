//! A folder that is written whole or not at all.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};

use crate::error::WriteError;

/// Collects files under temporary names and gives them their own names only when all are complete.
///
/// Each file goes to `.<name>.<process id>-<n>.partial` in the same folder, is flushed to the disk, and is renamed by
/// [`commit`](Self::commit). Dropped without a commit, it removes what it wrote and every folder that it made. The
/// renames follow each other in the order of writing: a machine that dies between two of them leaves some files new and
/// some old, but each of them whole.
#[derive(Debug)]
pub struct OutputFolder {
    path: PathBuf,
    /// Temporary and final path of each file written so far.
    pending: Vec<(PathBuf, PathBuf)>,
    /// Folders made for this output, outermost first.
    made: Vec<PathBuf>,
}

impl OutputFolder {
    /// Opens a folder for writing and makes it where it is absent, its parents included.
    pub fn open(path: &Path) -> Result<Self, WriteError> {
        let mut absent: Vec<PathBuf> = path
            .ancestors()
            .take_while(|ancestor| {
                !ancestor.as_os_str().is_empty() && fs::symlink_metadata(ancestor).is_err()
            })
            .map(Path::to_path_buf)
            .collect();
        absent.reverse();
        let mut folder = Self { path: path.to_path_buf(), pending: Vec::new(), made: Vec::new() };
        for directory in absent {
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
            Ok(metadata) if metadata.is_dir() => Ok(folder),
            Ok(_) => Err(no_folder(path)),
            Err(source) => Err(WriteError::Io { path: path.to_path_buf(), action: "opened", source }),
        }
    }

    /// Like [`open`](Self::open), but refuses the folder of the recording that is being read, by whatever path.
    pub fn open_apart_from(recording: &Path, path: &Path) -> Result<Self, WriteError> {
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
        Self::open(path)
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
        let (temporary, file) = self.temporary(name)?;
        self.pending.push((temporary, target));
        let mut writer = BufWriter::with_capacity(64 * 1024, file);
        let outcome = fill(&mut writer)
            .and_then(|()| writer.into_inner().map_err(io::IntoInnerError::into_error))
            .and_then(|file| file.sync_all());
        if let Err(source) = outcome {
            let (temporary, target) = self.pending.pop().unwrap_or_default();
            let _ = fs::remove_file(temporary);
            return Err(WriteError::Io { path: target, action: "written", source });
        }
        Ok(())
    }

    /// Gives every file its own name, over an older file of that name, and says where they are.
    pub fn commit(mut self) -> Result<Vec<PathBuf>, WriteError> {
        for (_, target) in &self.pending {
            refuse_other_than_file(target)?;
        }
        let mut written = Vec::new();
        // Should one rename fail, those after it are still pending and dropping removes them.
        while !self.pending.is_empty() {
            let (temporary, target) = &self.pending[0];
            fs::rename(temporary, target).map_err(|source| WriteError::Io {
                path: target.clone(),
                action: "renamed",
                source,
            })?;
            written.push(self.pending.remove(0).1);
        }
        self.made.clear();
        Ok(written)
    }

    fn temporary(&self, name: &str) -> Result<(PathBuf, File), WriteError> {
        let process = std::process::id();
        let mut attempt = 0;
        loop {
            let path = self.path.join(format!(".{name}.{process}-{attempt}.partial"));
            match OpenOptions::new().write(true).create_new(true).open(&path) {
                Ok(file) => return Ok((path, file)),
                // Left over by an earlier process that had the same number and was killed.
                Err(error) if error.kind() == ErrorKind::AlreadyExists && attempt < 1000 => attempt += 1,
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

fn no_folder(path: &Path) -> WriteError {
    WriteError::InTheWay {
        path: path.to_path_buf(),
        found: "something that is no folder",
        expected: "a folder, or a name that is free",
    }
}

impl Drop for OutputFolder {
    fn drop(&mut self) {
        for (temporary, _) in self.pending.drain(..) {
            let _ = fs::remove_file(temporary);
        }
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
