//! Samples as NumPy keeps them: `<stream>.npy`, read a stretch of packets at a time.
//!
//! Format 1.0 to 3.0 of NumPy's own description ("A simple file format for NumPy arrays", NEP 1, and `numpy.lib.format`). Numbers of type
//! `i1 i2 i4 i8 u1 u2 u4 u8 f4 f8` in either byte order, arrays in C or Fortran order, of shape (packets, samples, channels), or
//! (packets, samples) for one channel. A number comes out as `f64`; whole numbers beyond 2^53 are rounded.

use std::fs::File;
use std::io::{self, ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::error::shown;
use crate::packets::Packets;

/// Why samples cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum NpyError {
    /// There is no such file.
    #[error("{}: found no such file, expected the samples of stream {stream:?}, {expected}", path.display())]
    Absent {
        /// The path that was tried.
        path: PathBuf,
        /// The stream.
        stream: String,
        /// Shape and kind of the array that should be there.
        expected: String,
    },
    /// The operating system refused to read.
    #[error("{}: cannot be read: {source}", path.display())]
    Io {
        /// The path that was tried.
        path: PathBuf,
        /// The cause, as the operating system names it.
        source: io::Error,
    },
    /// The file is no array, or one that does not fit the recording.
    #[error("{}, {place}: found {found}, expected {expected}", path.display())]
    Malformed {
        /// The file.
        path: PathBuf,
        /// Where in it: a byte, a key of the header, the shape.
        place: String,
        /// What stands there.
        found: String,
        /// What should.
        expected: String,
    },
}

/// Type of the numbers of an array.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NumberType {
    /// Signed whole numbers of so many bytes: 1, 2, 4 or 8.
    Signed(u8),
    /// Unsigned whole numbers of so many bytes.
    Unsigned(u8),
    /// Numbers of IEEE 754 of so many bytes: 4 or 8.
    Float(u8),
}

impl NumberType {
    fn bytes(self) -> u8 {
        match self {
            Self::Signed(bytes) | Self::Unsigned(bytes) | Self::Float(bytes) => bytes,
        }
    }

    /// True where every number of this type is whole.
    pub fn is_whole(self) -> bool {
        !matches!(self, Self::Float(_))
    }

    fn number(self, little_endian: &[u8]) -> f64 {
        match (self, little_endian) {
            (Self::Signed(_), &[a]) => f64::from(a as i8),
            (Self::Signed(_), &[a, b]) => f64::from(i16::from_le_bytes([a, b])),
            (Self::Signed(_), &[a, b, c, d]) => f64::from(i32::from_le_bytes([a, b, c, d])),
            (Self::Signed(_), &[a, b, c, d, e, f, g, h]) => {
                i64::from_le_bytes([a, b, c, d, e, f, g, h]) as f64
            }
            (Self::Unsigned(_), &[a]) => f64::from(a),
            (Self::Unsigned(_), &[a, b]) => f64::from(u16::from_le_bytes([a, b])),
            (Self::Unsigned(_), &[a, b, c, d]) => f64::from(u32::from_le_bytes([a, b, c, d])),
            (Self::Unsigned(_), &[a, b, c, d, e, f, g, h]) => {
                u64::from_le_bytes([a, b, c, d, e, f, g, h]) as f64
            }
            (Self::Float(_), &[a, b, c, d]) => f64::from(f32::from_le_bytes([a, b, c, d])),
            (Self::Float(_), &[a, b, c, d, e, f, g, h]) => f64::from_le_bytes([a, b, c, d, e, f, g, h]),
            _ => f64::NAN,
        }
    }
}

/// The samples of one stream, on disk.
///
/// Holds one open file and a buffer as large as the largest stretch that was asked for.
#[derive(Debug)]
pub struct SampleArray {
    path: PathBuf,
    file: File,
    numbers: NumberType,
    big_endian: bool,
    fortran_order: bool,
    data_at: u64,
    packets: u64,
    samples: u64,
    channels: u64,
    buffer: Vec<u8>,
}

/// Longest header that is read, bytes; NumPy's own limit is 10,000.
const LONGEST_HEADER: u64 = 64 * 1024;
const MAGIC: &[u8] = b"\x93NUMPY";

impl SampleArray {
    /// Opens `<stream>.npy` of a recording folder, the samples of its stream number `stream` (from 0).
    ///
    /// # Errors
    /// No such file; no array, or of another type; a shape that is not that of the stream's packets in `packets.csv`: as many packets, and as
    /// many samples as the largest of them holds (more only where their sizes vary); a file shorter than its shape says.
    pub fn open(folder: &Path, name: &str, stream: u8, packets: &Packets<'_>) -> Result<Self, NpyError> {
        let path = folder.join(format!("{name}.npy"));
        let (mut count, mut least, mut most) = (0_u64, u16::MAX, 0_u16);
        let mut most_line = 0;
        for (row, (&of, &samples)) in packets.stream().iter().zip(packets.samples()).enumerate() {
            if of == stream {
                count += 1;
                least = least.min(samples);
                if samples > most {
                    (most, most_line) = (samples, row + 2);
                }
            }
        }
        let malformed = |place: &str, found: String, expected: String| NpyError::Malformed {
            path: path.clone(),
            place: place.to_owned(),
            found,
            expected,
        };
        if name.contains(['/', '\\', '\0']) {
            let found = shown(name.as_bytes());
            return Err(malformed("name of the stream", found, "a name that a file can have".to_owned()));
        }
        // The kind is asked for before opening, because opening a named pipe would wait for its writer.
        if std::fs::metadata(&path).is_ok_and(|kind| !kind.is_file()) {
            let expected = format!("a NumPy array, the samples of stream {name:?}");
            return Err(malformed("as a whole", "no regular file".to_owned(), expected));
        }
        let file = match File::open(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == ErrorKind::NotFound => {
                return Err(NpyError::Absent {
                    path,
                    stream: name.to_owned(),
                    expected: format!("a NumPy array of shape ({count} packets, {most} samples, channels)"),
                });
            }
            Err(source) => return Err(NpyError::Io { path, source }),
        };
        let array = Self::of_file(path.clone(), file)?;
        let shape = format!("({}, {}, {})", array.packets, array.samples, array.channels);
        if array.packets != count {
            let expected =
                format!("({count}, {most}, channels): packets.csv has {count} packets of this stream");
            return Err(malformed("shape", shape, expected));
        }
        let most = u64::from(most);
        if array.samples < most || (array.samples > most && u64::from(least) == most) {
            let expected =
                format!("({count}, {most}, channels): line {most_line} of packets.csv has {most} samples");
            return Err(malformed("shape", shape, expected));
        }
        Ok(array)
    }

    /// Opens any array of two or three dimensions.
    fn of_file(path: PathBuf, mut file: File) -> Result<Self, NpyError> {
        let io = |source| NpyError::Io { path: path.clone(), source };
        let malformed = |place: String, found: String, expected: &str| NpyError::Malformed {
            path: path.clone(),
            place,
            found,
            expected: expected.to_owned(),
        };
        let bytes = file.metadata().map_err(io)?.len();
        let mut start = Vec::new();
        (&file).take(12).read_to_end(&mut start).map_err(io)?;
        let magic = &start[..start.len().min(6)];
        if !MAGIC.starts_with(magic) {
            return Err(malformed(
                "byte 0".to_owned(),
                shown(magic),
                "\"\\x93NUMPY\", the beginning of a NumPy array",
            ));
        }
        if start.len() < 10 {
            let found = format!("{} bytes in all", start.len());
            return Err(malformed("byte 0".to_owned(), found, "a NumPy array: was the file cut off?"));
        }
        let (length, header_at) = match (start[6], &start[8..]) {
            (1, length) => (u64::from(length[0]) | u64::from(length[1]) << 8, 10),
            (2 | 3, &[a, b, c, d]) => (u64::from(u32::from_le_bytes([a, b, c, d])), 12),
            (major, _) => {
                let found = format!("version {major}.{}", start[7]);
                return Err(malformed("byte 6".to_owned(), found, "version 1.0, 2.0 or 3.0 of the format"));
            }
        };
        let data_at = header_at + length;
        if length > LONGEST_HEADER || data_at > bytes {
            let found = format!("a header of {length} bytes in a file of {bytes}");
            return Err(malformed(
                "byte 8".to_owned(),
                found,
                "a header within the file, 65,536 bytes at most",
            ));
        }
        file.seek(SeekFrom::Start(header_at)).map_err(io)?;
        let mut header = vec![0; usize::try_from(length).unwrap_or(0)];
        file.read_exact(&mut header).map_err(io)?;
        let header = Header::parse(&header).map_err(|Fault { at, found, expected }| {
            malformed(format!("byte {}", header_at + at as u64), found, expected)
        })?;
        let (packets, samples, channels) = match header.shape[..] {
            [packets, samples, channels] => (packets, samples, channels),
            [packets, samples] => (packets, samples, 1),
            _ => {
                let count = header.shape.len();
                let found = format!("{count} dimension{}", if count == 1 { "" } else { "s" });
                let expected = "3: (packets, samples, channels); or 2: (packets, samples) for one channel";
                return Err(malformed("shape".to_owned(), found, expected));
            }
        };
        if channels == 0 {
            return Err(malformed("shape".to_owned(), "no channels".to_owned(), "1 channel or more"));
        }
        let needed = [samples, channels, u64::from(header.numbers.bytes())]
            .into_iter()
            .try_fold(packets, u64::checked_mul)
            .and_then(|needed| needed.checked_add(data_at));
        if needed.is_none_or(|needed| needed > bytes) {
            let found = format!("{} bytes of samples", bytes - data_at);
            let expected = match needed {
                Some(needed) => format!("{} of them for its shape: was the file cut off?", needed - data_at),
                None => "a shape that a file can hold".to_owned(),
            };
            return Err(malformed(format!("byte {data_at}"), found, &expected));
        }
        Ok(Self {
            path,
            file,
            numbers: header.numbers,
            big_endian: header.big_endian,
            fortran_order: header.fortran_order,
            data_at,
            packets,
            samples,
            channels,
            buffer: Vec::new(),
        })
    }

    /// Packets in the array, as many as the stream has in `packets.csv`.
    pub fn packets(&self) -> u64 {
        self.packets
    }

    /// Samples that each packet has room for.
    pub fn samples(&self) -> usize {
        self.samples as usize
    }

    /// Channels, 1 or more.
    pub fn channels(&self) -> usize {
        self.channels as usize
    }

    /// Type of its numbers.
    pub fn numbers(&self) -> NumberType {
        self.numbers
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Reads a stretch of packets: (packets, samples, channels) in C order, in place of what `into` held.
    ///
    /// # Errors
    /// Packets beyond the array, and whatever the operating system refuses.
    pub fn read_packets(&mut self, first: u64, count: usize, into: &mut Vec<f64>) -> Result<(), NpyError> {
        into.clear();
        let end = first.checked_add(count as u64).filter(|&end| end <= self.packets);
        if end.is_none() {
            return Err(NpyError::Malformed {
                path: self.path.clone(),
                place: format!("packet {first}"),
                found: format!("{} packets", self.packets),
                expected: format!("{count} more from there"),
            });
        }
        let of_packet = self.samples as usize * self.channels as usize;
        into.resize(count * of_packet, 0.0);
        if self.fortran_order {
            // Channel by channel, sample by sample, the packets lie side by side.
            for channel in 0..self.channels {
                for sample in 0..self.samples {
                    let at = first + self.packets * (sample + self.samples * channel);
                    let place = sample as usize * self.channels as usize + channel as usize;
                    self.read_numbers(at, count, into.iter_mut().skip(place).step_by(of_packet.max(1)))?;
                }
            }
            return Ok(());
        }
        self.read_numbers(first * of_packet as u64, count * of_packet, into.iter_mut())
    }

    /// Reads numbers that lie side by side, from the one at `at` on.
    fn read_numbers<'n>(
        &mut self,
        at: u64,
        count: usize,
        into: impl Iterator<Item = &'n mut f64>,
    ) -> Result<(), NpyError> {
        let size = usize::from(self.numbers.bytes());
        self.buffer.resize(count * size, 0);
        let read = self
            .file
            .seek(SeekFrom::Start(self.data_at + at * size as u64))
            .and_then(|_| self.file.read_exact(&mut self.buffer));
        read.map_err(|source| NpyError::Io { path: self.path.clone(), source })?;
        for (number, bytes) in into.zip(self.buffer.chunks_exact_mut(size)) {
            if self.big_endian {
                bytes.reverse();
            }
            *number = self.numbers.number(bytes);
        }
        Ok(())
    }
}

/// What the header of an array says.
#[derive(Debug, PartialEq)]
struct Header {
    numbers: NumberType,
    big_endian: bool,
    fortran_order: bool,
    shape: Vec<u64>,
}

/// A header that cannot be understood, at one of its bytes.
#[derive(Debug, PartialEq)]
struct Fault {
    at: usize,
    found: String,
    expected: &'static str,
}

/// Reads the Python literal that a header is: a dictionary of three keys.
struct Literal<'t> {
    text: &'t [u8],
    at: usize,
}

impl<'t> Literal<'t> {
    fn fault<T>(&self, expected: &'static str) -> Result<T, Fault> {
        let rest = self.text.get(self.at..).unwrap_or_default().trim_ascii_end();
        let found = if rest.is_empty() { "the header's end".to_owned() } else { shown(rest) };
        Err(Fault { at: self.at, found, expected })
    }

    fn pass_blanks(&mut self) {
        while self.text.get(self.at).is_some_and(u8::is_ascii_whitespace) {
            self.at += 1;
        }
    }

    fn accepts(&mut self, word: &str) -> bool {
        self.pass_blanks();
        let found = self.text.get(self.at..).is_some_and(|rest| rest.starts_with(word.as_bytes()));
        self.at += if found { word.len() } else { 0 };
        found
    }

    fn expect(&mut self, word: &str, expected: &'static str) -> Result<(), Fault> {
        if self.accepts(word) { Ok(()) } else { self.fault(expected) }
    }

    fn string(&mut self, expected: &'static str) -> Result<&'t [u8], Fault> {
        let quote = if self.accepts("'") {
            b'\''
        } else if self.accepts("\"") {
            b'"'
        } else {
            return self.fault(expected);
        };
        let rest = self.text.get(self.at..).unwrap_or_default();
        let Some(length) = rest.iter().position(|&byte| byte == quote) else { return self.fault(expected) };
        self.at += length + 1;
        Ok(&rest[..length])
    }

    fn shape(&mut self) -> Result<Vec<u64>, Fault> {
        const EXPECTED: &str = "a shape such as (1200, 5, 8)";
        self.expect("(", EXPECTED)?;
        let mut shape = Vec::new();
        loop {
            if self.accepts(")") {
                return Ok(shape);
            }
            let digits = self.text.get(self.at..).unwrap_or_default();
            let length = digits.iter().take_while(|byte| byte.is_ascii_digit()).count();
            let number = std::str::from_utf8(&digits[..length]).ok().and_then(|digits| digits.parse().ok());
            let Some(number) = number.filter(|_| shape.len() < 32) else { return self.fault(EXPECTED) };
            shape.push(number);
            self.at += length;
            // Python 2 marked long integers so.
            self.accepts("L");
            if !self.accepts(",") {
                self.expect(")", EXPECTED)?;
                return Ok(shape);
            }
        }
    }
}

impl Header {
    fn parse(text: &[u8]) -> Result<Self, Fault> {
        const EXPECTED: &str = "the keys 'descr', 'fortran_order' and 'shape', once each";
        const TYPES: &str = "numbers of type i1, i2, i4, i8, u1, u2, u4, u8, f4 or f8";
        let mut literal = Literal { text, at: 0 };
        let (mut descr, mut fortran_order, mut shape) = (None, None, None);
        literal.expect("{", "a dictionary")?;
        while !literal.accepts("}") {
            let begins = literal.at;
            match literal.string(EXPECTED)? {
                b"descr" if descr.is_none() => {
                    literal.expect(":", "a colon")?;
                    let at = literal.at;
                    let Some(found) = number_type(literal.string(TYPES)?) else {
                        literal.at = at;
                        return literal.fault(TYPES);
                    };
                    descr = Some(found);
                }
                b"fortran_order" if fortran_order.is_none() => {
                    literal.expect(":", "a colon")?;
                    fortran_order = Some(literal.accepts("True"));
                    if fortran_order == Some(false) {
                        literal.expect("False", "True or False")?;
                    }
                }
                b"shape" if shape.is_none() => {
                    literal.expect(":", "a colon")?;
                    shape = Some(literal.shape()?);
                }
                _ => {
                    literal.at = begins;
                    return literal.fault(EXPECTED);
                }
            }
            if !literal.accepts(",") {
                literal.expect("}", "a comma or the dictionary's end")?;
                break;
            }
        }
        let (Some((numbers, big_endian)), Some(fortran_order), Some(shape)) = (descr, fortran_order, shape)
        else {
            return literal.fault(EXPECTED);
        };
        Ok(Self { numbers, big_endian, fortran_order, shape })
    }
}

/// Type and byte order as NumPy abbreviates them: `<f4`.
fn number_type(descr: &[u8]) -> Option<(NumberType, bool)> {
    let (order, kind, size) = match *descr {
        [order, kind, size] => (order, kind, size),
        [kind, size] => (b'=', kind, size),
        _ => return None,
    };
    let bytes = size.checked_sub(b'0').filter(|bytes| matches!(bytes, 1 | 2 | 4 | 8))?;
    let numbers = match kind {
        b'i' => NumberType::Signed(bytes),
        b'u' => NumberType::Unsigned(bytes),
        b'f' if bytes >= 4 => NumberType::Float(bytes),
        _ => return None,
    };
    match order {
        b'<' => Some((numbers, false)),
        b'>' => Some((numbers, true)),
        b'=' | b'|' => Some((numbers, cfg!(target_endian = "big") && bytes > 1)),
        _ => None,
    }
}

/// Writes the header of an array in C order, version 1.0: its numbers follow. `descr` is NumPy's word for their type, `<f4`.
///
/// # Errors
/// Whatever the operating system refuses.
pub fn write_npy_header(out: &mut dyn Write, descr: &str, shape: &[usize]) -> io::Result<()> {
    let mut text = format!("{{'descr': '{descr}', 'fortran_order': False, 'shape': (");
    for length in shape {
        text.push_str(&format!("{length}, "));
    }
    if shape.len() > 1 {
        text.truncate(text.len() - 2);
    }
    text.push_str("), }");
    // The numbers begin at a multiple of 64 bytes; the header ends with a line.
    let unpadded = MAGIC.len() + 4 + text.len() + 1;
    text.push_str(&" ".repeat(unpadded.next_multiple_of(64) - unpadded));
    text.push('\n');
    let length = u16::try_from(text.len()).map_err(|_| io::Error::from(ErrorKind::InvalidInput))?;
    out.write_all(MAGIC)?;
    out.write_all(&[1, 0])?;
    out.write_all(&length.to_le_bytes())?;
    out.write_all(text.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(text: &str) -> Result<Header, Fault> {
        Header::parse(text.as_bytes())
    }

    #[test]
    fn headers_are_read_in_any_order_and_with_either_quote() {
        let expected = Header {
            numbers: NumberType::Float(4),
            big_endian: false,
            fortran_order: false,
            shape: vec![10, 5, 8],
        };
        // The first as numpy 2 writes it, the last as Python 2 did.
        for text in [
            "{'descr': '<f4', 'fortran_order': False, 'shape': (10, 5, 8), }    \n",
            "{\"shape\": (10,5,8), \"fortran_order\":False,\"descr\": \"<f4\"}",
            "{'descr': '<f4', 'fortran_order': False, 'shape': (10L, 5L, 8L), }",
        ] {
            assert_eq!(header(text).unwrap(), expected, "{text}");
        }
        assert_eq!(header("{'descr':'>i2','fortran_order':True,'shape':(3,)}").unwrap().shape, [3]);
        assert!(header("{'descr':'|u1','fortran_order':True,'shape':()}").unwrap().shape.is_empty());
    }

    #[test]
    fn what_is_no_array_of_plain_numbers_is_refused_where_it_stands() {
        for (text, at, found) in [
            ("", 0, "the header's end"),
            ("[1]", 0, "\"[1]\""),
            ("{'descr': [('a', '<f4')], 'fortran_order': False, 'shape': (1,)}", 10, "\"[("),
            ("{'descr': '<c8', 'fortran_order': False, 'shape': (1,)}", 9, "\" \\'<c8"),
            ("{'descr': '<f2', 'fortran_order': False, 'shape': (1,)}", 9, "\" \\'<f2"),
            ("{'descr': '<f4', 'fortran_order': 0, 'shape': (1,)}", 34, "\"0, "),
            ("{'descr': '<f4', 'fortran_order': False, 'shape': (-1,)}", 51, "\"-1,)}\""),
            ("{'descr': '<f4', 'fortran_order': False, 'shape': (99999999999999999999,)}", 51, "\"9999"),
            ("{'descr': '<f4', 'descr': '<f4'}", 17, "\"\\'descr"),
            ("{'descr': '<f4', 'fortran_order': False}", 40, "the header's end"),
            ("{'descr': '<f4", 11, "\"<f4\""),
        ] {
            let fault = header(text).unwrap_err();
            assert_eq!(fault.at, at, "{text}: {fault:?}");
            assert!(fault.found.starts_with(found), "{text}: {fault:?}");
        }
    }

    #[test]
    fn numbers_begin_at_a_multiple_of_64_bytes() {
        for shape in [&[7][..], &[120, 5, 8], &[usize::MAX, 1, 1]] {
            let mut bytes = Vec::new();
            write_npy_header(&mut bytes, "<f8", shape).unwrap();
            assert_eq!((bytes.len() % 64, bytes.last()), (0, Some(&b'\n')));
            let read = Header::parse(&bytes[10..]).unwrap();
            assert_eq!(read.shape, shape.iter().map(|&length| length as u64).collect::<Vec<_>>());
            assert_eq!((read.numbers, read.fortran_order), (NumberType::Float(8), false));
        }
    }
}
