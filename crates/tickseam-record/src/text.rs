//! Short files of text that somebody wrote by hand, read whole but never without a bound.

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;

use crate::error::{Malformed, Place, ReadError};
use crate::rows::{UTF_8, UTF_16};

/// Largest file accepted, bytes. A description with 255 streams and as many labels has some 50 000.
const LARGEST_FILE_BYTES: u64 = 1024 * 1024;

/// Reads a short file of UTF-8 text by its path: a scenario, a plan, criteria, a layout. A byte order mark is taken off.
/// `expected` says in a message what the file should be.
///
/// It may be a pipe, which is read to its end.
///
/// # Errors
/// What is absent, is a folder, cannot be read, has more than a mebibyte, a NUL byte or bytes that are no UTF-8, with the line.
pub fn read_text(path: &Path, expected: &'static str) -> Result<String, ReadError> {
    let absent = |found| ReadError::Absent { path: path.to_path_buf(), found, expected };
    // A folder can be opened like a file on some systems and not on others.
    if path.is_dir() {
        return Err(absent("a folder"));
    }
    match File::open(path) {
        Ok(file) => of(file, path, &path.display().to_string()),
        Err(error) if error.kind() == ErrorKind::NotFound => Err(absent("no such file")),
        Err(source) => Err(ReadError::Io { path: path.to_path_buf(), source }),
    }
}

/// The same of something that is open already and is called `name` in messages.
pub(crate) fn of(source: impl Read, path: &Path, name: &str) -> Result<String, ReadError> {
    let mut bytes = Vec::new();
    if let Err(source) = source.take(LARGEST_FILE_BYTES + 1).read_to_end(&mut bytes) {
        return Err(ReadError::Io { path: path.to_path_buf(), source });
    }
    let whole = |line, found: &str, expected: &str| Malformed {
        file: name.to_owned(),
        line,
        place: Place::Line,
        found: found.to_owned(),
        expected: expected.to_owned(),
    };
    if bytes.len() as u64 > LARGEST_FILE_BYTES {
        let found = format!("more than {LARGEST_FILE_BYTES} bytes");
        return Err(Malformed { place: Place::File, ..whole(0, &found, "a short text") }.into());
    }
    let line_of = |at: usize| bytes[..at].iter().filter(|&&byte| byte == b'\n').count() as u64 + 1;
    if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
        return Err(whole(1, UTF_16, UTF_8).into());
    }
    if let Some(at) = memchr::memchr(0, &bytes) {
        return Err(whole(line_of(at), "a NUL byte", "text").into());
    }
    let mut text = String::from_utf8(bytes).map_err(|error| {
        let valid = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..valid].iter().filter(|&&byte| byte == b'\n').count() as u64 + 1;
        whole(line, "bytes that are no UTF-8", "UTF-8 text")
    })?;
    if text.starts_with('\u{feff}') {
        text.drain(..'\u{feff}'.len_utf8());
    }
    Ok(text)
}
