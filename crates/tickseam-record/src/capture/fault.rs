//! What is wrong with a log or a layout, and where.

use std::fmt;
use std::io;
use std::path::PathBuf;

use crate::error::{Malformed, ReadError, WriteError};

/// A log whose content breaks its format, or does not fit its layout.
///
/// Its text reads `phone.log byte 4096: found …, expected …`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broken {
    /// The log, as it was named.
    pub log: String,
    /// Where the faulty thing begins, bytes from the start of the log.
    pub byte: u64,
    /// What stands there.
    pub found: String,
    /// What the format or the layout asks for.
    pub expected: String,
}

impl fmt::Display for Broken {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} byte {}: found {}, expected {}", self.log, self.byte, self.found, self.expected)
    }
}

impl std::error::Error for Broken {}

/// Why a log could not be unpacked.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The operating system refused to read.
    #[error("{}: cannot be read: {source}", path.display())]
    Io {
        /// The path that was tried.
        path: PathBuf,
        /// The cause, as the operating system names it.
        source: io::Error,
    },
    /// The log breaks its format, or does not fit the layout.
    #[error(transparent)]
    Broken(#[from] Broken),
    /// The layout breaks its format.
    #[error(transparent)]
    Layout(Box<Malformed>),
    /// The log is whole, but holds nothing of what was asked for.
    #[error("{log}: found {found}, expected {expected}")]
    Nothing {
        /// The log, as it was named.
        log: String,
        /// What there is instead.
        found: String,
        /// What was looked for.
        expected: String,
    },
    /// Several devices send what the layout describes, or none of those that were asked for.
    #[error("{log}: found {found}, expected {expected}")]
    Choice {
        /// The log, as it was named.
        log: String,
        /// The devices that there are.
        found: String,
        /// What has to be said.
        expected: String,
    },
    /// The events could not be read.
    #[error(transparent)]
    Events(Box<ReadError>),
    /// The recording could not be written.
    #[error(transparent)]
    Write(#[from] WriteError),
}

impl From<Malformed> for CaptureError {
    fn from(error: Malformed) -> Self {
        Self::Layout(Box::new(error))
    }
}

impl From<ReadError> for CaptureError {
    fn from(error: ReadError) -> Self {
        Self::Events(Box::new(error))
    }
}
