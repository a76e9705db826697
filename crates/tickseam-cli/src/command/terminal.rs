//! What every verb of the command shares: how it fails, prints, shows progress and replaces a file.

use std::io::{self, ErrorKind, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use tickseam_record::{ReadError, WriteError};

pub(crate) use crate::unit::{frequency_hz, range_ms, time_ms, whole};

/// Why the command ends without having done its work.
#[derive(Debug)]
pub(crate) enum Failure {
    /// The data or the machine: exit status 1.
    Data(String),
    /// What was asked for: exit status 2.
    Usage(String),
    /// Nobody reads on: exit status 0, and silence.
    NobodyReads,
}

impl From<WriteError> for Failure {
    fn from(error: WriteError) -> Self {
        match error {
            WriteError::SameFolder { .. } => Self::Usage(error.to_string()),
            WriteError::Io { .. } | WriteError::InTheWay { .. } | WriteError::Unreadable(_) => {
                Self::Data(error.to_string())
            }
        }
    }
}

impl From<ReadError> for Failure {
    fn from(error: ReadError) -> Self {
        Self::Data(error.to_string())
    }
}

/// Writes to standard output.
pub(crate) fn print(text: &str) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Err(Failure::NobodyReads),
        Err(error) => Err(Failure::Data(format!("standard output cannot be written: {error}"))),
        Ok(()) => Ok(()),
    }
}

/// What is being done, on a terminal; nothing elsewhere.
pub(crate) struct Progress(pub(crate) Option<ProgressBar>);

impl Progress {
    pub(crate) fn new() -> Self {
        Self(io::stderr().is_terminal().then(|| {
            let bar = ProgressBar::new_spinner();
            if let Ok(style) = ProgressStyle::with_template("{spinner} {msg} {elapsed}") {
                bar.set_style(style);
            }
            bar.enable_steady_tick(Duration::from_millis(100));
            bar
        }))
    }

    pub(crate) fn say(&self, what: &'static str) {
        if let Some(bar) = &self.0 {
            bar.set_message(what);
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(bar) = &self.0 {
            bar.finish_and_clear();
        }
    }
}

/// Refuses a path that no file can have, before anything is worked out for it.
pub(crate) fn refuse_no_place_for_a_file(path: &Path) -> Result<(), Failure> {
    let refused = |path: &Path, found: &str, expected: &str| {
        Err(Failure::Data(format!("{}: found {found}, expected {expected}", path.display())))
    };
    if path.is_dir() {
        return refused(path, "a folder", "a file, or a name that is free");
    }
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() && !parent.is_dir() => {
            let found = if parent.exists() { "something that is no folder" } else { "no such folder" };
            refused(parent, found, "a folder that is there")
        }
        _ => Ok(()),
    }
}

/// Puts a whole file in the place of another, or leaves that as it was.
pub(crate) fn replace_file(path: &Path, text: &str) -> io::Result<()> {
    let mut beside = path.as_os_str().to_owned();
    beside.push(format!(".{}.part", std::process::id()));
    let beside = PathBuf::from(beside);
    let done = std::fs::write(&beside, text).and_then(|()| std::fs::rename(&beside, path));
    if done.is_err() {
        // Of two faults the first is the one to tell.
        let _ = std::fs::remove_file(&beside);
    }
    done
}
