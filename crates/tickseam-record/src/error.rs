//! What went wrong, where, and what was expected instead.

use std::fmt;
use std::io;
use std::path::PathBuf;

/// Something worth telling that did not stop the reading: a torn last line, an unknown key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// Name of the file inside the recording folder.
    pub file: String,
    /// Line in that file, counted from 1; 0 where the note is about the file as a whole.
    pub line: u64,
    /// The note itself, without file and line.
    pub text: String,
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            0 => write!(f, "{}: {}", self.file, self.text),
            line => write!(f, "{} line {line}: {}", self.file, self.text),
        }
    }
}

/// Where in a line the fault sits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// The line as a whole, or the file as a whole.
    Line,
    /// A column of a CSV file.
    Column {
        /// Its name in the header; empty where the fault is in the header itself.
        name: String,
        /// Its place in the line, counted from 1.
        number: usize,
    },
    /// A place in `recording.toml`.
    Key {
        /// The key with its table, such as `device_clock.tick_bits`; empty where the text is no TOML.
        key: String,
        /// Character in the line, counted from 1.
        character: usize,
    },
    /// A column of a Parquet file in the row that stands for the line.
    Cell {
        /// Its name in the file.
        column: String,
    },
    /// A column of a Parquet file as a whole.
    Schema {
        /// Its name in the file.
        column: String,
    },
    /// A Parquet file as a whole.
    File,
}

/// A file whose content breaks the format of recordings.
///
/// Its text reads `packets.csv line 17, column "tick" (4): found "99999999999", expected …`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Malformed {
    /// Name of the file inside the recording folder.
    pub file: String,
    /// Line in that file, counted from 1; the row, counted from 1, in a Parquet file, and 0 where that is at fault as a whole.
    pub line: u64,
    /// Where in the line.
    pub place: Place,
    /// What stands there, escaped and cut to a few characters.
    pub found: String,
    /// What the format asks for.
    pub expected: String,
}

impl fmt::Display for Malformed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        match &self.place {
            Place::Line | Place::Column { .. } | Place::Key { .. } => write!(f, " line {}", self.line)?,
            Place::Cell { .. } => write!(f, " row {}", self.line)?,
            Place::Schema { .. } | Place::File => {}
        }
        match &self.place {
            Place::Line | Place::File => {}
            Place::Cell { column } | Place::Schema { column } => write!(f, ", column {column:?}")?,
            Place::Column { name, number } if name.is_empty() => write!(f, ", column {number}")?,
            Place::Column { name, number } => write!(f, ", column {name:?} ({number})")?,
            Place::Key { key, character } if key.is_empty() => write!(f, ", character {character}")?,
            Place::Key { key, character } => write!(f, ", character {character}, key {key:?}")?,
        }
        write!(f, ": found {}, expected {}", self.found, self.expected)
    }
}

impl std::error::Error for Malformed {}

/// Why a recording folder could not be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// A file or folder is absent or is not of the right kind.
    #[error("{}: found {found}, expected {expected}", path.display())]
    Absent {
        /// The path that was tried.
        path: PathBuf,
        /// What is there instead.
        found: &'static str,
        /// What should be there.
        expected: &'static str,
    },
    /// The operating system refused to read.
    #[error("{}: cannot be read: {source}", path.display())]
    Io {
        /// The path that was tried.
        path: PathBuf,
        /// The cause, as the operating system names it.
        source: io::Error,
    },
    /// The content breaks the format.
    #[error(transparent)]
    Malformed(#[from] Malformed),
}

/// Why a folder of results or a recording could not be written. Nothing is left half-written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The operating system refused.
    #[error("{}: cannot be {action}: {source}", path.display())]
    Io {
        /// The path that was tried.
        path: PathBuf,
        /// What was tried: `opened`, `created`, `written`, `renamed`, `read`.
        action: &'static str,
        /// The cause, as the operating system names it.
        source: io::Error,
    },
    /// The output folder is the recording's own folder.
    #[error(
        "{}: found the recording that is being read, expected another folder for what is written",
        path.display()
    )]
    SameFolder {
        /// The folder.
        path: PathBuf,
    },
    /// Something that is not a folder, or not a file, is in the way.
    #[error("{}: found {found}, expected {expected}", path.display())]
    InTheWay {
        /// The path that is taken.
        path: PathBuf,
        /// What is there.
        found: &'static str,
        /// What could be written over.
        expected: &'static str,
    },
    /// The recording handed over breaks the format, so that it could not be read back.
    #[error("this recording cannot be written: {0}")]
    Unreadable(String),
}

/// Longest piece of foreign text that a message repeats, characters.
const SHOWN_CHARACTERS: usize = 32;

/// Foreign bytes made safe to print: quoted, escaped, cut to a few characters.
pub(crate) fn shown(bytes: &[u8]) -> String {
    if bytes.is_empty() {
        return "an empty field".to_owned();
    }
    let mut text = String::from("\"");
    let mut count = 0;
    for chunk in bytes.utf8_chunks() {
        for character in chunk.valid().chars() {
            if count == SHOWN_CHARACTERS {
                return text + "…\"";
            }
            text.extend(character.escape_debug());
            count += 1;
        }
        for byte in chunk.invalid() {
            if count == SHOWN_CHARACTERS {
                return text + "…\"";
            }
            text.push_str(&format!("\\x{byte:02x}"));
            count += 1;
        }
    }
    text.push('"');
    text
}
