//! The recording that is built in: ambulance dispatchers hear two tones at the start of a night shift.
//!
//! It was simulated from `demonstration/scenario.toml`; a test simulates it again and compares every byte.

use std::io;
use std::path::Path;

/// The scenario that it was simulated from.
pub const SCENARIO: &str = include_str!("../demonstration/scenario.toml");

/// The seed that it was simulated with.
pub const SEED: u64 = 1;

/// The recording folder, packed.
pub const PACKED: &[u8] = include_bytes!("../demonstration/recording.packed");

/// Files of a recording folder in the order in which they are packed.
const FILES: [&str; 6] =
    ["recording.toml", "packets.csv", "events.csv", "exchanges.csv", "markers.csv", "truth.csv"];

/// Largest folder that is unpacked, bytes.
const LARGEST_BYTES: usize = 64 << 20;

/// Packs the files of a recording folder: for each a line with its name and its length in bytes, then the bytes; all
/// of it deflated (RFC 1951).
///
/// # Errors
/// Whatever the operating system refuses.
pub fn pack(folder: &Path) -> io::Result<Vec<u8>> {
    let mut plain = Vec::new();
    for name in FILES {
        match std::fs::read(folder.join(name)) {
            Ok(bytes) => {
                plain.extend_from_slice(format!("{name} {}\n", bytes.len()).as_bytes());
                plain.extend_from_slice(&bytes);
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
    }
    Ok(miniz_oxide::deflate::compress_to_vec(&plain, 9))
}

/// Names and contents of packed files; `None` where the bytes are no packed folder.
pub fn unpack(packed: &[u8]) -> Option<Vec<(String, Vec<u8>)>> {
    let plain = miniz_oxide::inflate::decompress_to_vec_with_limit(packed, LARGEST_BYTES).ok()?;
    let mut rest = plain.as_slice();
    let mut files = Vec::new();
    while !rest.is_empty() {
        let line_end = rest.iter().position(|&byte| byte == b'\n')?;
        let (name, length) = std::str::from_utf8(&rest[..line_end]).ok()?.split_once(' ')?;
        let known = FILES.into_iter().find(|known| *known == name)?;
        let (bytes, after) = rest.get(line_end + 1..)?.split_at_checked(length.parse().ok()?)?;
        files.push((known.to_owned(), bytes.to_vec()));
        rest = after;
    }
    Some(files)
}

/// Writes the built-in recording into an existing folder.
///
/// # Errors
/// Whatever the operating system refuses.
pub fn write_to(folder: &Path) -> io::Result<()> {
    let files = unpack(PACKED).ok_or_else(|| io::Error::from(io::ErrorKind::InvalidData))?;
    files.into_iter().try_for_each(|(name, bytes)| std::fs::write(folder.join(name), bytes))
}
