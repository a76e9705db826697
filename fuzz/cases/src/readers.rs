//! The readers of files: what they accept can be written and read again, and what they refuse is refused with file and place.

use std::fs;
use std::path::Path;

use tempfile::TempDir;

use crate::Broken;

pub(crate) mod arrays;
pub(crate) mod captures;
pub(crate) mod descriptions;
pub(crate) mod parquet;
pub(crate) mod tables;

/// A folder for one input; `TMPDIR` says where, best in memory.
fn folder() -> Result<TempDir, Broken> {
    tempfile::tempdir().map_err(|error| Broken::new(format!("no folder to try in: {error}")))
}

fn put(folder: &Path, file: &str, bytes: &[u8]) -> Result<(), Broken> {
    fs::write(folder.join(file), bytes).map_err(|error| Broken::new(format!("{file} cannot be put: {error}")))
}

/// What a folder of three streams says of itself: one of a narrow counter, one whose name has to be quoted.
const DESCRIBED: &str = "format = 1\n[device_clock]\ntick_hz = 32768.0\ntick_bits = 32\n\
    [[stream]]\nname = \"eeg\"\nrate_hz = 250.0\nsamples_per_packet = 5\nsequence_bits = 16\n\
    [[stream]]\nname = \"7\"\nrate_hz = 50\nsamples_per_packet = 2\nsequence_bits = 8\n\
    [[stream]]\nname = \"a, \\\"b\\\"\"\nrate_hz = 1000.0\nsamples_per_packet = 20\nsequence_bits = 32\n";

/// One packet, for folders in which another file is of interest.
const ONE_PACKET: &str = "host_ns,stream,sequence,tick,samples\n1000000000,eeg,0,0,5\n";
