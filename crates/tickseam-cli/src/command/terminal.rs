//! What every verb of the command shares: how it fails, prints, shows progress and replaces a file.

use std::io::{self, ErrorKind, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use tickseam_record::WriteError;

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

/// A time with its unit, in ms.
pub(crate) fn time_ms(text: &str) -> Result<f64, String> {
    signed_time_ms(text)
        .filter(|ms| *ms > 0.0)
        .ok_or_else(|| "expected a time above 0 with its unit: 1ms, 500us".to_owned())
}

fn signed_time_ms(text: &str) -> Option<f64> {
    let units = [("ms", 1.0), ("us", 1e-3), ("µs", 1e-3), ("s", 1e3)];
    let (number, ms) = units.into_iter().find_map(|(unit, ms)| Some((text.strip_suffix(unit)?, ms)))?;
    Some(number.trim().parse::<f64>().ok()? * ms).filter(|ms| ms.is_finite())
}

/// Two times with their units and a colon between, the earlier first, in ms.
pub(crate) fn range_ms(text: &str) -> Result<[f64; 2], String> {
    let expected = || "expected two times with their units, the earlier first: -200ms:800ms".to_owned();
    let (from, to) = text.split_once(':').ok_or_else(expected)?;
    let range = signed_time_ms(from).zip(signed_time_ms(to)).filter(|(from, to)| from < to);
    range.map(|(from, to)| [from, to]).ok_or_else(expected)
}

/// A frequency with its unit, in Hz.
pub(crate) fn frequency_hz(text: &str) -> Result<f64, String> {
    let (number, factor) = match text.strip_suffix("kHz") {
        Some(number) => (Some(number), 1e3),
        None => (text.strip_suffix("Hz"), 1.0),
    };
    let value = number.and_then(|number| number.trim().parse::<f64>().ok()).map(|value| value * factor);
    value
        .filter(|value| *value > 0.0 && value.is_finite())
        .ok_or_else(|| "expected a frequency above 0 with its unit: 30Hz, 0.5kHz".to_owned())
}
