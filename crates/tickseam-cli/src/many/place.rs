//! A results folder that is replaced whole, in one step.

use std::ffi::OsString;
use std::fs;
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use tickseam_record::{InputFile, OutputFolder, exchange, hash_files, hash_inputs};

use super::table::Row;
use crate::NUMERICS_REVISION;

/// What tells that a results folder is whole, and what it was made from.
pub const FILE: &str = "run.json";

/// Version of the layout of `run.json`.
const VERSION: u32 = 1;

/// All of `run.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// Version of this layout.
    pub version: u32,
    /// Version of the software.
    pub tickseam: String,
    /// Revision of the numerics.
    pub numerics_revision: u32,
    /// The options that results depend on, as they were given.
    pub options: Vec<String>,
    /// The files that were read.
    pub inputs: Vec<InputFile>,
    /// The files that were written beside this one.
    pub results: Vec<InputFile>,
    /// The recording's row of the table.
    pub row: Row,
}

impl Run {
    /// Of results made by this version.
    pub fn new(options: &[String], inputs: Vec<InputFile>, results: Vec<InputFile>, row: Row) -> Self {
        Self {
            version: VERSION,
            tickseam: env!("CARGO_PKG_VERSION").to_owned(),
            numerics_revision: NUMERICS_REVISION,
            options: options.to_vec(),
            inputs,
            results,
            row,
        }
    }

    /// What a results folder says of itself; `None` where it says nothing that can be read.
    pub fn of(results: &Path) -> Option<Self> {
        serde_json::from_slice(&fs::read(results.join(FILE)).ok()?).ok()
    }

    /// Whether the results that lie there are whole, and are what this version would make of the recording with these options.
    pub fn still_holds(&self, results: &Path, recording: &Path, options: &[String]) -> bool {
        let made_so = self.version == VERSION
            && self.tickseam == env!("CARGO_PKG_VERSION")
            && self.numerics_revision == NUMERICS_REVISION
            && self.options == options;
        let names: Vec<&str> = self.results.iter().map(|file| file.file.as_str()).collect();
        let plain = names.iter().all(|name| Path::new(name).file_name().is_some_and(|last| last == *name));
        made_so
            && plain
            && hash_files(results, &names).is_ok_and(|found| found == self.results)
            && sizes_agree(&self.inputs, recording)
            && hash_inputs(recording).is_ok_and(|found| found == self.inputs)
    }
}

/// Whether files have the sizes that are listed: saves reading them where one has not.
fn sizes_agree(listed: &[InputFile], folder: &Path) -> bool {
    listed
        .iter()
        .all(|file| fs::metadata(folder.join(&file.file)).is_ok_and(|found| found.len() == file.bytes))
}

/// The folders in which results are made and replaced.
#[derive(Clone, Debug)]
pub struct Place {
    target: PathBuf,
    new: PathBuf,
    ready: PathBuf,
    old: PathBuf,
}

impl Place {
    /// For a results folder, the parent of which exists or can be made.
    pub fn of(target: &Path) -> Self {
        let beside = |what: &str| {
            let mut name = OsString::from(".");
            name.push(target.file_name().unwrap_or_default());
            name.push(what);
            target.with_file_name(name)
        };
        Self {
            target: target.to_path_buf(),
            new: beside(".new"),
            ready: beside(".ready"),
            old: beside(".old"),
        }
    }

    /// Where the results will be.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// Brings what an earlier run left into order: the results that were there are there again, and nothing lies beside them. Nobody else
    /// may be writing there.
    ///
    /// # Errors
    /// Whatever the operating system refuses.
    pub fn tidy(&self) -> io::Result<()> {
        absent_is_fine(fs::remove_dir_all(&self.new))?;
        for left in [&self.old, &self.ready] {
            match fs::symlink_metadata(left) {
                Err(error) if error.kind() == ErrorKind::NotFound => {}
                Err(error) => return Err(error),
                Ok(_) if fs::symlink_metadata(&self.target).is_err() => fs::rename(left, &self.target)?,
                Ok(_) => fold(left, &self.target)?,
            }
        }
        Ok(())
    }

    /// Makes new results and puts them in the place of the old ones. `fill` writes them into a folder, and says how they were made.
    ///
    /// # Errors
    /// What `fill` fails with, and what the operating system refuses, in words. The old results are then as they were.
    pub fn replace(&self, fill: impl FnOnce(&Path) -> Result<Filled, String>) -> Result<Run, String> {
        let outcome = self.make(fill).and_then(|run| {
            let cannot = |error: io::Error| format!("{}: cannot be replaced: {error}", self.target.display());
            self.swap().map_err(cannot)?;
            Ok(run)
        });
        if outcome.is_err() {
            // Of two faults the first is the one to tell; the next run tidies up.
            let _ = fs::remove_dir_all(&self.new);
        }
        outcome
    }

    fn make(&self, fill: impl FnOnce(&Path) -> Result<Filled, String>) -> Result<Run, String> {
        if fs::symlink_metadata(&self.target).is_ok_and(|found| !found.is_dir()) {
            return Err(format!(
                "{}: found something that is no folder, expected a folder, or a name that is free",
                self.target.display()
            ));
        }
        let cannot =
            |path: &Path, error: io::Error| format!("{}: cannot be created: {error}", path.display());
        fs::create_dir_all(&self.new).map_err(|error| cannot(&self.new, error))?;
        let Filled { options, inputs, row } = fill(&self.new)?;
        let names = file_names(&self.new).map_err(|error| cannot(&self.new, error))?;
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let results = hash_files(&self.new, &names).map_err(|error| error.to_string())?;
        let run = Run::new(&options, inputs, results, row);
        let mut last = OutputFolder::open_in_place(&self.new).map_err(|error| error.to_string())?;
        let write = |out: &mut dyn Write| {
            serde_json::to_writer_pretty(&mut *out, &run)?;
            writeln!(out)
        };
        last.write(FILE, write).and_then(|()| last.commit()).map_err(|error| error.to_string())?;
        Ok(run)
    }

    /// New results are complete: they and the old ones change places.
    fn swap(&self) -> io::Result<()> {
        fs::rename(&self.new, &self.ready)?;
        if fs::symlink_metadata(&self.target).is_err() {
            return fs::rename(&self.ready, &self.target);
        }
        if exchange(&self.ready, &self.target).is_ok() {
            return fold(&self.ready, &self.target);
        }
        fs::rename(&self.target, &self.old)?;
        fs::rename(&self.ready, &self.target)?;
        fold(&self.old, &self.target)
    }
}

/// How results were made.
#[derive(Clone, Debug)]
pub struct Filled {
    /// The options that they depend on.
    pub options: Vec<String>,
    /// The files that were read.
    pub inputs: Vec<InputFile>,
    /// The recording's row of the table.
    pub row: Row,
}

fn absent_is_fine(outcome: io::Result<()>) -> io::Result<()> {
    outcome.or_else(|error| if error.kind() == ErrorKind::NotFound { Ok(()) } else { Err(error) })
}

/// Names of the files in a folder, sorted.
fn file_names(folder: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_file() {
            // Results have names of ours, which are text.
            names.extend(entry.file_name().into_string().ok());
        }
    }
    names.sort();
    Ok(names)
}

/// Empties a folder of results that others took the place of: what it lists and what the others bring too goes; all else is somebody's own
/// and moves to them.
fn fold(left: &Path, target: &Path) -> io::Result<()> {
    let listed: Vec<String> =
        Run::of(left).into_iter().flat_map(|run| run.results).map(|file| file.file).collect();
    for entry in fs::read_dir(left)? {
        let entry = entry?;
        let name = entry.file_name();
        let beside = target.join(&name);
        let is_ours = name == FILE || listed.iter().any(|listed| name == listed.as_str());
        let replaced = fs::symlink_metadata(&beside).is_ok();
        if !is_ours && !replaced {
            fs::rename(entry.path(), beside)?;
        } else if entry.file_type()?.is_dir() {
            // Somebody's own folder by the name of a result: nobody can decide for them.
            return Err(io::Error::new(
                ErrorKind::AlreadyExists,
                format!("{} has the name of a result, and was left there", entry.path().display()),
            ));
        } else {
            fs::remove_file(entry.path())?;
        }
    }
    fs::remove_dir(left)
}

#[cfg(test)]
mod tests;
