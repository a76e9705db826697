//! `packets.csv`, `events.csv`, `exchanges.csv` and `markers.csv`.

use std::path::Path;

use tickseam_record::{ColumnNames, Description, PacketRows, Recording, read, read_named, write_recording};

use crate::checks::{self, Written};
use crate::{Broken, Checked, holds};

/// The tables, with the header that most inputs get.
const TABLES: [(&str, &str); 4] = [
    ("packets.csv", "host_ns,stream,sequence,tick,samples\n"),
    ("events.csv", "host_ns,label,duration_ms\n"),
    ("exchanges.csv", "origin_ns,receive_tick,transmit_tick,destination_ns\n"),
    ("markers.csv", "host_ns,tick\n"),
];

/// The first byte says which table, whether its header is given, and whether its columns have other names; the rest is its text.
pub(crate) fn run(bytes: &[u8]) -> Checked {
    let Some((&first, rest)) = bytes.split_first() else { return Ok(()) };
    let (file, header) = TABLES[usize::from(first & 3)];
    let mut text = if first & 4 == 0 { header.as_bytes().to_vec() } else { Vec::new() };
    text.extend_from_slice(rest);
    let folder = super::folder()?;
    super::put(folder.path(), "recording.toml", super::DESCRIBED.as_bytes())?;
    if file != "packets.csv" {
        super::put(folder.path(), "packets.csv", super::ONE_PACKET.as_bytes())?;
    }
    super::put(folder.path(), file, &text)?;
    let written = [Written::text(file, &text)];
    let names: &[&str] = match file {
        "packets.csv" if first & 8 != 0 => &["host_ns=arrival:us", "sequence=n"],
        "events.csv" if first & 8 != 0 => &["events.host_ns=time:s", "events.label=code"],
        _ => &[],
    };
    if !names.is_empty() {
        return named(folder.path(), names, &written);
    }
    match read(folder.path()) {
        Ok(recording) => {
            check_recording(&recording, &written)?;
            if file == "packets.csv" {
                check_rows(&recording, &text)?;
            }
            Ok(())
        }
        Err(error) => checks::read_error(&error, &written),
    }
}

/// By other names and in other units.
fn named(folder: &Path, names: &[&str], written: &[Written]) -> Checked {
    let mut asked = ColumnNames::default();
    for name in names {
        asked.add(name).map_err(|error| Broken::new(format!("{name}: {error}")))?;
    }
    match read_named(folder, &asked) {
        Ok(recording) => check_recording(&recording, written),
        Err(error) => checks::read_error(&error, written),
    }
}

/// What was accepted fits its own description, and can be written and read again.
pub(super) fn check_recording(recording: &Recording, written: &[Written]) -> Checked {
    let misfit = recording.packets.first_misfit(&recording.description);
    holds!(misfit.is_none(), "accepted, and yet: {misfit:?}");
    for event in &recording.events {
        checks::uncertainties("duration, ms", &[event.duration_ms.unwrap_or(0.0)])?;
    }
    for note in &recording.notes {
        let of = written.iter().find(|of| of.file == note.file);
        let lines = of.map(|of| of.lines.unwrap_or(u64::MAX));
        holds!(lines.is_none_or(|lines| note.line <= lines), "{note} is a note about {written:?}");
    }
    let again = super::folder()?;
    write_recording(again.path(), recording)
        .map_err(|error| Broken::new(format!("accepted, and cannot be written: {error}")))?;
    let mut expected = recording.clone();
    expected.notes.clear();
    match read(again.path()) {
        Ok(back) => {
            holds!(back == expected, "comes back as {back:?}, was {expected:?}");
            Ok(())
        }
        Err(error) => Err(Broken::new(format!("accepted, and written is refused: {error}"))),
    }
}

/// Rows that come one by one are the same packets.
fn check_rows(recording: &Recording, text: &[u8]) -> Checked {
    let description = Description::from_toml(super::DESCRIBED, &mut Vec::new())
        .map_err(|fault| Broken::new(format!("the description: {fault}")))?;
    let mut packets = Vec::new();
    let mut rows = PacketRows::new(text, "packets.csv", &description)
        .map_err(|error| Broken::new(format!("read from a file, refused row by row: {error}")))?;
    rows.for_each(&mut Vec::new(), |packet| {
        packets.push(packet);
        true
    })
    .map_err(|error| Broken::new(format!("read from a file, refused row by row: {error}")))?;
    let whole: Vec<_> = recording.packets.iter().collect();
    holds!(whole == packets, "row by row {packets:?}, from the file {whole:?}");
    Ok(())
}
