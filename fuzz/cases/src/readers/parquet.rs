//! `packets.parquet` and `events.parquet`.

use tickseam_record::read;

use crate::checks::{self, Written};
use crate::{Checked, holds};

/// The first byte says which table; the rest is the file.
pub(crate) fn run(bytes: &[u8]) -> Checked {
    let Some((&first, rest)) = bytes.split_first() else { return Ok(()) };
    let folder = super::folder()?;
    super::put(folder.path(), "recording.toml", super::DESCRIBED.as_bytes())?;
    let file = if first & 1 == 0 { "packets.parquet" } else { "events.parquet" };
    if first & 1 != 0 {
        super::put(folder.path(), "packets.csv", super::ONE_PACKET.as_bytes())?;
    }
    super::put(folder.path(), file, rest)?;
    let written = [Written { file, lines: None }];
    match read(folder.path()) {
        Ok(recording) => {
            holds!(rest.len() > 12, "a table of {} bytes", rest.len());
            super::tables::check_recording(&recording, &written)
        }
        Err(error) => checks::read_error(&error, &written),
    }
}
