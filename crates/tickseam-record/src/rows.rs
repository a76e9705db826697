//! Rows of an RFC 4180 file, read in pieces so that memory stays bounded whatever the file holds.

use std::borrow::Cow;
use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use crate::columns::{TimeUnit, decimal_ns};
use crate::error::{Malformed, Note, Place, ReadError, shown};

/// Longest row accepted, bytes. A row of a recording has some 40; doubling it doubles what a file of
/// one endless line can make the reader hold.
pub const LONGEST_ROW_BYTES: usize = 64 * 1024;

/// What a file is whose first two bytes are the byte order mark of UTF-16, and what it should be.
pub(crate) const UTF_16: &str = "text in UTF-16";
pub(crate) const UTF_8: &str = "text in UTF-8: save it as such";

/// Bytes asked of the file at a time. It must exceed [`LONGEST_ROW_BYTES`], so that a row always fits.
const PIECE_BYTES: usize = 256 * 1024;

/// One record of the file, without its line end.
pub(crate) struct Row<'a> {
    pub(crate) bytes: &'a [u8],
    /// Line where the record begins, counted from 1.
    pub(crate) line: u64,
    /// False for a last record that the file ends without a line end.
    pub(crate) terminated: bool,
    /// True where the record has no quote and only ASCII without NUL: a comma is a comma.
    pub(crate) plain: bool,
    /// What stands between two fields.
    pub(crate) delimiter: u8,
}

/// Says what is wrong with one field; the column's name is added by who knows the header.
pub(crate) struct Fault {
    /// Place of the field in its row, counted from 0; `None` blames the row.
    pub(crate) index: Option<usize>,
    pub(crate) found: String,
    pub(crate) expected: String,
}

impl Fault {
    pub(crate) fn field(index: usize, found: &[u8], expected: impl Into<String>) -> Self {
        Self { index: Some(index), found: shown(found), expected: expected.into() }
    }
}

pub(crate) struct Rows<R> {
    source: R,
    path: PathBuf,
    name: &'static str,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    line: u64,
    exhausted: bool,
    ascii: bool,
    delimiter: u8,
    columns: Vec<String>,
}

impl Rows<File> {
    /// Opens a file of the folder and reads its header; `None` where the folder has no such file.
    pub(crate) fn open(folder: &Path, name: &'static str) -> Result<Option<Self>, ReadError> {
        Self::open_as(folder, name, name)
    }

    /// Opens a file that is named by another name than its own in messages.
    pub(crate) fn open_as(folder: &Path, file: &str, name: &'static str) -> Result<Option<Self>, ReadError> {
        let Some((file, path)) = open(folder, file)? else { return Ok(None) };
        let mut rows = Self::of(file, path, name);
        rows.read_header()?;
        Ok(Some(rows))
    }

    /// Size of the whole file now, bytes.
    pub(crate) fn bytes_total(&self) -> u64 {
        self.source.metadata().map_or(0, |metadata| metadata.len())
    }
}

impl<R: Read> Rows<R> {
    /// Over anything that can be read, which messages call `name`; its header is not read yet.
    pub(crate) fn of(source: R, path: PathBuf, name: &'static str) -> Self {
        Self {
            source,
            path,
            name,
            buffer: vec![0; PIECE_BYTES],
            start: 0,
            end: 0,
            line: 1,
            exhausted: false,
            ascii: true,
            delimiter: b',',
            columns: Vec::new(),
        }
    }

    /// The columns as somebody else read them: then the first line is a row.
    pub(crate) fn set_columns(&mut self, columns: Vec<String>) {
        self.columns = columns;
    }

    pub(crate) fn columns(&self) -> &[String] {
        &self.columns
    }

    pub(crate) fn read_header(&mut self) -> Result<(), ReadError> {
        let name = self.name;
        let header_fault = |index: Option<usize>, found: String, expected: &str| {
            let place = match index {
                Some(index) => Place::Column { name: String::new(), number: index + 1 },
                None => Place::Line,
            };
            Malformed { file: name.to_owned(), line: 1, place, found, expected: expected.to_owned() }
        };
        let delimiter;
        self.refill()?;
        if self.buffer[..self.end].starts_with(b"\xff\xfe")
            || self.buffer[..self.end].starts_with(b"\xfe\xff")
        {
            return Err(header_fault(None, UTF_16.to_owned(), UTF_8).into());
        }
        let columns: Vec<String> = match self.next()? {
            None => return Err(header_fault(None, "an empty file".to_owned(), "a header row").into()),
            Some(row) => {
                let bytes = row.bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(row.bytes);
                if bytes.is_empty() {
                    return Err(header_fault(None, "an empty line".to_owned(), "a header row").into());
                }
                if bytes.contains(&b'\r') && !bytes.contains(&b'"') {
                    let found = "a carriage return alone as the end of a line".to_owned();
                    return Err(header_fault(
                        None,
                        found,
                        "a line feed, or a carriage return and a line feed",
                    )
                    .into());
                }
                delimiter = delimiter_of(bytes);
                split(&Row { bytes, delimiter, ..row })
                    .map_err(|fault| header_fault(fault.index, fault.found, &fault.expected))?
                    .iter()
                    .map(|field| String::from_utf8_lossy(field).into_owned())
                    .collect()
            }
        };
        for (index, column) in columns.iter().enumerate() {
            if !column.is_empty() && columns[..index].contains(column) {
                let found = format!("{} a second time", shown(column.as_bytes()));
                return Err(header_fault(Some(index), found, "each column once").into());
            }
        }
        self.columns = columns;
        self.delimiter = delimiter;
        Ok(())
    }

    /// What is wrong with the file's header.
    pub(crate) fn header_fault(&self, found: String, expected: String) -> Malformed {
        Malformed { file: self.name.to_owned(), line: 1, place: Place::Line, found, expected }
    }

    /// Place of a column that the file must have.
    pub(crate) fn column(&self, wanted: &str) -> Result<usize, Malformed> {
        self.optional_column(wanted).ok_or_else(|| {
            let names = self.columns.join(",");
            self.header_fault(
                format!("the header {}", shown(names.as_bytes())),
                format!("a column {wanted:?} in it"),
            )
        })
    }

    pub(crate) fn optional_column(&self, wanted: &str) -> Option<usize> {
        self.columns.iter().position(|column| column == wanted)
    }

    /// Hands each data row to `take` until the file ends. An empty line is accepted at the end only. A last line
    /// without a line end that `take` refuses was torn off: it is left out and noted.
    pub(crate) fn for_each(
        &mut self,
        notes: &mut Vec<Note>,
        mut take: impl FnMut(&Row<'_>) -> Result<(), Fault>,
    ) -> Result<(), ReadError> {
        self.while_some(notes, |row| take(row).map(|()| true))
    }

    /// The same until `take` wants no more, which it says by `false`.
    pub(crate) fn while_some(
        &mut self,
        notes: &mut Vec<Note>,
        mut take: impl FnMut(&Row<'_>) -> Result<bool, Fault>,
    ) -> Result<(), ReadError> {
        let mut empty_line = None;
        loop {
            let (name, fields) = (self.name, self.columns.len());
            let note = |line, text: &str| Note { file: name.to_owned(), line, text: text.to_owned() };
            let Some(row) = self.next()? else { return Ok(()) };
            let (line, terminated) = (row.line, row.terminated);
            if row.bytes.is_empty() {
                empty_line = empty_line.or(Some(line));
                continue;
            }
            let torn = !terminated && !row.bytes.contains(&b'\n');
            let wanted = match take(&row) {
                Ok(wanted) => wanted,
                Err(_) if torn => {
                    notes.push(note(line, "the last line breaks off without a line end and was left out"));
                    return Ok(());
                }
                Err(fault) => return Err(self.malformed(line, fault).into()),
            };
            if let Some(line) = empty_line {
                let fault = Fault {
                    index: None,
                    found: "an empty line".to_owned(),
                    expected: format!("a row of {fields} fields"),
                };
                return Err(self.malformed(line, fault).into());
            }
            if torn {
                notes.push(note(
                    line,
                    "the last line has no line end; it is complete and was kept, but its last field may be cut short",
                ));
            }
            if !wanted {
                return Ok(());
            }
        }
    }

    fn malformed(&self, line: u64, fault: Fault) -> Malformed {
        let place = match fault.index {
            Some(index) => Place::Column {
                name: self.columns.get(index).cloned().unwrap_or_default(),
                number: index + 1,
            },
            None => Place::Line,
        };
        Malformed { file: self.name.to_owned(), line, place, found: fault.found, expected: fault.expected }
    }

    /// The next record, empty lines included; `None` at the end of the file.
    fn next(&mut self) -> Result<Option<Row<'_>>, ReadError> {
        let (length, plain, terminated) = loop {
            let held = &self.buffer[self.start..self.end];
            let end = match memchr::memchr2(b'\n', b'"', held) {
                Some(at) if held[at] == b'\n' => Some((at, true)),
                Some(_) => quoted_record_end(held).map(|at| (at, false)),
                None => None,
            };
            let too_long = end.map_or(held.len(), |(at, _)| at) > LONGEST_ROW_BYTES;
            if too_long {
                let fault = Fault {
                    index: None,
                    found: format!("a row of more than {LONGEST_ROW_BYTES} bytes"),
                    expected: "a shorter one (is a quote left open?)".to_owned(),
                };
                return Err(self.malformed(self.line, fault).into());
            }
            match end {
                Some((at, plain)) => break (at, plain, true),
                None if !self.exhausted => self.refill()?,
                None if held.is_empty() => return Ok(None),
                None => break (held.len(), !held.contains(&b'"'), false),
            }
        };
        let whole = &self.buffer[self.start..self.start + length];
        let line = self.line;
        self.start += length + usize::from(terminated);
        self.line += u64::from(terminated);
        if !plain {
            self.line += memchr::memchr_iter(b'\n', whole).count() as u64;
        }
        let bytes = whole.strip_suffix(b"\r").unwrap_or(whole);
        Ok(Some(Row { bytes, line, terminated, plain: plain && self.ascii, delimiter: self.delimiter }))
    }

    /// Moves what is held to the front and reads on behind it.
    fn refill(&mut self) -> Result<(), ReadError> {
        self.buffer.copy_within(self.start..self.end, 0);
        self.end -= self.start;
        self.start = 0;
        let room = &mut self.buffer[self.end..];
        let count = loop {
            match self.source.read(room) {
                Ok(count) => break count,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(source) => return Err(ReadError::Io { path: self.path.clone(), source }),
            }
        };
        let fresh = &room[..count];
        self.ascii &= fresh.is_ascii() && memchr::memchr(0, fresh).is_none();
        self.exhausted = count == 0;
        self.end += count;
        Ok(())
    }
}

/// Opens a regular file of the folder; `None` where there is none of that name.
pub(crate) fn open(folder: &Path, name: &str) -> Result<Option<(File, PathBuf)>, ReadError> {
    let path = folder.join(name);
    match std::fs::symlink_metadata(&path) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        Err(source) => return Err(ReadError::Io { path, source }),
        Ok(_) => {}
    }
    // The kind is asked for before opening, because opening a named pipe would wait for its writer.
    match std::fs::metadata(&path) {
        Err(source) => return Err(ReadError::Io { path, source }),
        Ok(metadata) if !metadata.is_file() => {
            return Err(ReadError::Absent { path, found: "no regular file", expected: "one" });
        }
        Ok(_) => {}
    }
    match File::open(&path) {
        Ok(file) => Ok(Some((file, path))),
        Err(source) => Err(ReadError::Io { path, source }),
    }
}

/// Refuses a folder that has a table twice: nobody could tell which of the two is meant. `found` says so.
pub(crate) fn refuse_both(folder: &Path, text: &str, found: &'static str) -> Result<(), ReadError> {
    match std::fs::symlink_metadata(folder.join(text)) {
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(()),
        _ => Err(ReadError::Absent {
            path: folder.to_path_buf(),
            found,
            expected: "one of them: remove the .parquet file to have the text read, or the .csv file to have the Parquet one read",
        }),
    }
}

/// Where a record with quotes in it ends: the first line end outside quotes.
fn quoted_record_end(held: &[u8]) -> Option<usize> {
    let mut inside = false;
    memchr::memchr2_iter(b'\n', b'"', held).find(|&at| {
        inside ^= held[at] == b'"';
        held[at] == b'\n' && !inside
    })
}

/// What stands between the fields of a file: a comma, unless its header has none and has semicolons or tabs instead. Every table has two
/// columns or more, so that a header without a comma can mean nothing else.
fn delimiter_of(header: &[u8]) -> u8 {
    let mut inside = false;
    let mut other = None;
    for &byte in header {
        match byte {
            b'"' => inside = !inside,
            b',' if !inside => return b',',
            b';' | b'\t' if !inside => other = other.or(Some(byte)),
            _ => {}
        }
    }
    other.unwrap_or(b',')
}

/// The fields of a row with their quotes taken off (RFC 4180, section 2).
pub(crate) fn split<'a>(row: &Row<'a>) -> Result<Vec<Cow<'a, [u8]>>, Fault> {
    let mut fields = Vec::new();
    let mut rest = row.bytes;
    loop {
        let index = fields.len();
        let (field, next) = match rest.split_first() {
            Some((b'"', inner)) => unquote(inner, index, row.delimiter)?,
            _ => {
                let end = memchr::memchr(row.delimiter, rest).unwrap_or(rest.len());
                let (field, next) = rest.split_at(end);
                if field.contains(&b'"') {
                    return Err(Fault::field(index, field, "quotes only around a whole field"));
                }
                (Cow::Borrowed(field), next)
            }
        };
        if field.contains(&0) {
            return Err(Fault::field(index, &field, "text without NUL bytes"));
        }
        if std::str::from_utf8(&field).is_err() {
            return Err(Fault::field(index, &field, "UTF-8 text"));
        }
        fields.push(field);
        match next.split_first() {
            Some((_, after_delimiter)) => rest = after_delimiter,
            None => return Ok(fields),
        }
    }
}

/// Takes a quoted field whose opening quote is already gone; gives it and what follows it.
fn unquote(inner: &[u8], index: usize, delimiter: u8) -> Result<(Cow<'_, [u8]>, &[u8]), Fault> {
    let mut text: Cow<'_, [u8]> = Cow::Borrowed(&[]);
    let mut rest = inner;
    loop {
        let Some(quote) = memchr::memchr(b'"', rest) else {
            return Err(Fault::field(index, inner, "a closing quote"));
        };
        let (piece, next) = (&rest[..quote], &rest[quote + 1..]);
        if text.is_empty() {
            text = Cow::Borrowed(piece);
        } else {
            text.to_mut().extend_from_slice(piece);
        }
        match next.split_first() {
            Some((b'"', after)) => {
                text.to_mut().push(b'"');
                rest = after;
            }
            None => return Ok((text, next)),
            Some((&after, _)) if after == delimiter => return Ok((text, next)),
            Some(_) => {
                let name = match delimiter {
                    b';' => "semicolon",
                    b'\t' => "tab",
                    _ => "comma",
                };
                let expected = format!("a {name} or the line's end after a closing quote");
                return Err(Fault::field(index, next, expected));
            }
        }
    }
}

/// The fields of a row, exactly as many as the header has.
pub(crate) fn split_as_header<'a>(row: &Row<'a>, header: usize) -> Result<Vec<Cow<'a, [u8]>>, Fault> {
    let fields = split(row)?;
    if fields.len() == header {
        return Ok(fields);
    }
    let count = fields.len();
    Err(Fault {
        index: None,
        found: if count == 1 { "1 field".to_owned() } else { format!("{count} fields") },
        expected: format!("{header} as in the header"),
    })
}

/// A whole number written in digits alone, with a minus where the range has one.
pub(crate) fn whole_number<T>(index: usize, field: &[u8], least: T, largest: T) -> Result<T, Fault>
where
    T: Copy + PartialOrd + std::str::FromStr + std::fmt::Display,
{
    let digits = field.strip_prefix(b"-").unwrap_or(field);
    let number = std::str::from_utf8(field).ok().and_then(|text| text.parse::<T>().ok());
    match number {
        Some(number) if digits.iter().all(u8::is_ascii_digit) && (least..=largest).contains(&number) => {
            Ok(number)
        }
        _ => Err(Fault::field(index, field, whole_expected(least, largest))),
    }
}

/// An instant in ns: a whole number of them, or a decimal number of another unit.
pub(crate) fn instant(index: usize, field: &[u8], unit: Option<TimeUnit>) -> Result<i64, Fault> {
    match unit {
        None | Some(TimeUnit::Nanoseconds) => whole_number(index, field, i64::MIN, i64::MAX),
        Some(unit) => decimal_ns(field, unit.exponent()).ok_or_else(|| {
            let expected =
                format!("a decimal number of {} such as 12.345, whose nanoseconds fit 64 bits", unit.word());
            Fault::field(index, field, expected)
        }),
    }
}

pub(crate) fn whole_expected(least: impl std::fmt::Display, largest: impl std::fmt::Display) -> String {
    format!("a whole number from {least} to {largest}")
}
