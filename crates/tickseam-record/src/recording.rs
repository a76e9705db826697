//! A recording folder, read and written whole.

use std::fs;
use std::io::{self, Read, Write};
use std::path::Path;

use sha2::{Digest, Sha256};

use crate::columns::ColumnNames;
use crate::description::{self, Description};
use crate::error::{Note, ReadError, WriteError};
use crate::output::OutputFolder;
use crate::packets::{self, Misfit, Packets};
use crate::results::InputFile;
use crate::tables::{self, Event, Exchange, Marker, Truth};

/// All that a recording folder holds, samples apart.
///
/// The samples themselves (`<stream>.npy`) are not read: aligning needs only how many there are.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// What is known of the clocks, the link and the streams.
    pub description: Description,
    /// The packets in the order in which the host received them.
    pub packets: Packets<'static>,
    /// What happened on the host's clock; empty where the folder has no `events.csv`.
    pub events: Vec<Event>,
    /// Two-way exchanges; empty where the folder has no `exchanges.csv`.
    pub exchanges: Vec<Exchange>,
    /// Instants that both clocks saw; empty where the folder has no `markers.csv`.
    pub markers: Vec<Marker>,
    /// Where simulated events truly fell; `None` where the folder has no `truth.csv`. Not for the estimator.
    pub truth: Option<Vec<Truth>>,
    /// What was passed over while reading: torn last lines, unknown keys.
    pub notes: Vec<Note>,
}

/// Files of a recording that this crate reads, in the order in which it reads them.
const FILES: [&str; 8] = [
    description::FILE,
    packets::FILE,
    packets::PARQUET_FILE,
    tables::EVENTS_FILE,
    tables::EVENTS_PARQUET_FILE,
    "exchanges.csv",
    "markers.csv",
    "truth.csv",
];

/// Reads a recording folder.
///
/// A last line that breaks off (the app crashed while writing) is left out and noted in [`Recording::notes`], as are
/// unknown keys of `recording.toml`. Unknown CSV columns are passed over.
///
/// # Errors
/// Everything else that breaks the format, with file, line, column, what was found and what was expected; files that
/// are absent or cannot be read.
///
/// # Cost
/// One pass over each file; 256 KiB of buffer, or one row group of a Parquet file as it is compressed, and the columns of [`Packets`]. Not
/// bounded in the number of rows.
pub fn read(folder: &Path) -> Result<Recording, ReadError> {
    read_named(folder, &ColumnNames::default())
}

/// The same for tables that were written with other column names.
///
/// # Errors
/// As [`read`]; and a column or a table that is named but not there.
pub fn read_named(folder: &Path, names: &ColumnNames) -> Result<Recording, ReadError> {
    let metadata = match fs::metadata(folder) {
        Ok(metadata) => metadata,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            return Err(ReadError::Absent {
                path: folder.to_path_buf(),
                found: "no such folder",
                expected: "a recording folder",
            });
        }
        Err(source) => return Err(ReadError::Io { path: folder.to_path_buf(), source }),
    };
    if !metadata.is_dir() {
        return Err(ReadError::Absent {
            path: folder.to_path_buf(),
            found: "something that is no folder",
            expected: "a recording folder",
        });
    }
    let mut notes = Vec::new();
    let description = description::read(folder, &mut notes)?;
    let packets = packets::read(folder, &description, names, &mut notes)?;
    let events = tables::read_events(folder, names, &mut notes)?;
    let exchanges = tables::read_exchanges(folder, &description, names, &mut notes)?;
    let markers = tables::read_markers(folder, &description, names, &mut notes)?;
    let truth = tables::read_truth(folder, &mut notes)?;
    Ok(Recording { description, packets, events, exchanges, markers, truth, notes })
}

/// Size and SHA-256 of each file that [`read`] takes in, so that a result can name what it came from.
///
/// `sha256sum` prints the same number. One pass over each file, 256 KiB of buffer; safe to run in a second thread.
pub fn hash_inputs(folder: &Path) -> Result<Vec<InputFile>, ReadError> {
    hash_files(folder, &FILES)
}

/// The same, given up where it is no longer wanted: `None`. Asked once for each piece of a file.
///
/// # Errors
/// As [`hash_inputs`].
pub fn hash_inputs_while(
    folder: &Path,
    wanted: impl Fn() -> bool,
) -> Result<Option<Vec<InputFile>>, ReadError> {
    hash_files_while(folder, &FILES, wanted)
}

/// The same for files of a folder by name; those that are absent are left out.
///
/// # Errors
/// What is no regular file or cannot be read.
pub fn hash_files(folder: &Path, names: &[&str]) -> Result<Vec<InputFile>, ReadError> {
    hash_files_while(folder, names, || true).map(Option::unwrap_or_default)
}

fn hash_files_while(
    folder: &Path,
    names: &[&str],
    wanted: impl Fn() -> bool,
) -> Result<Option<Vec<InputFile>>, ReadError> {
    let mut hashed = Vec::new();
    let mut buffer = vec![0; 256 * 1024];
    for &name in names {
        let Some((mut file, path)) = crate::rows::open(folder, name)? else { continue };
        let mut hash = Sha256::new();
        let mut bytes = 0;
        loop {
            if !wanted() {
                return Ok(None);
            }
            match file.read(&mut buffer) {
                Ok(0) => break,
                Ok(count) => {
                    hash.update(&buffer[..count]);
                    bytes += count as u64;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(source) => return Err(ReadError::Io { path, source }),
            }
        }
        let sha256 = hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        hashed.push(InputFile { file: name.to_owned(), bytes, sha256 });
    }
    Ok(Some(hashed))
}

/// Writes a recording folder that [`read`] gives back equal, its notes apart. `truth.csv` is written where there is a
/// truth, the other optional files where they have rows. An older table of a recording in the same folder goes, with or without a newer
/// one in its place.
///
/// # Errors
/// What breaks the format (a stream that is not described, a number beyond its bits) and whatever the operating system
/// refuses. Nothing is then left behind.
pub fn write_recording(folder: &Path, recording: &Recording) -> Result<(), WriteError> {
    write_recording_with(folder, recording, |_| Ok(()))
}

/// [`write_recording`] with further files, the samples for one: all of the folder or nothing.
///
/// # Errors
/// Those of [`write_recording`] and of `further`.
pub fn write_recording_with(
    folder: &Path,
    recording: &Recording,
    further: impl FnOnce(&mut OutputFolder) -> Result<(), WriteError>,
) -> Result<(), WriteError> {
    let mut output = OutputFolder::open(folder)?;
    FILES.iter().for_each(|name| output.retire(name));
    write_into(&mut output, recording)?;
    further(&mut output)?;
    output.commit()?;
    Ok(())
}

/// Writes the files of a recording into a folder that may get others beside them, and says which.
pub(crate) fn write_into(
    output: &mut OutputFolder,
    recording: &Recording,
) -> Result<Vec<&'static str>, WriteError> {
    let text = checked_toml(recording)?;
    let mut names = vec![description::FILE, packets::FILE];
    output.write(description::FILE, |out| out.write_all(text.as_bytes()))?;
    output.write(packets::FILE, |out| write_packets(out, recording))?;
    if !recording.events.is_empty() {
        names.push(tables::EVENTS_FILE);
        output.write(tables::EVENTS_FILE, |out| write_events(out, &recording.events))?;
    }
    if !recording.exchanges.is_empty() {
        names.push("exchanges.csv");
        output.write("exchanges.csv", |out| {
            out.write_all(b"origin_ns,receive_tick,transmit_tick,destination_ns\n")?;
            for Exchange { origin_ns, receive_tick, transmit_tick, destination_ns } in &recording.exchanges {
                writeln!(out, "{origin_ns},{receive_tick},{transmit_tick},{destination_ns}")?;
            }
            Ok(())
        })?;
    }
    if !recording.markers.is_empty() {
        names.push("markers.csv");
        output.write("markers.csv", |out| {
            out.write_all(b"host_ns,tick\n")?;
            recording
                .markers
                .iter()
                .try_for_each(|Marker { host_ns, tick }| writeln!(out, "{host_ns},{tick}"))
        })?;
    }
    if let Some(truth) = &recording.truth {
        names.push("truth.csv");
        output.write("truth.csv", |out| {
            out.write_all(b"host_ns,label,segment,onset_s\n")?;
            for Truth { host_ns, label, segment, onset_s } in truth {
                writeln!(out, "{host_ns},{},{segment},{onset_s}", csv_field(label))?;
            }
            Ok(())
        })?;
    }
    Ok(names)
}

/// The text of the description, once it and the rows are known to be readable again.
fn checked_toml(recording: &Recording) -> Result<String, WriteError> {
    let unreadable = |text: String| WriteError::Unreadable(text);
    let text = recording.description.to_toml().map_err(|error| unreadable(error.to_string()))?;
    Description::from_toml(&text, &mut Vec::new()).map_err(|fault| unreadable(fault.to_string()))?;
    if let Some(Misfit { row, column, found, expected }) =
        recording.packets.first_misfit(&recording.description)
    {
        let text = format!(
            "packet {row} does not fit the description, column \"{column}\": found {found}, expected {expected}"
        );
        return Err(unreadable(text));
    }
    let largest_tick = recording.description.device_clock.largest_tick();
    let tick_fits = |tick: u64| largest_tick.is_some_and(|largest| tick <= largest);
    let ticks_fit = recording.markers.iter().all(|marker| tick_fits(marker.tick))
        && recording
            .exchanges
            .iter()
            .all(|exchange| tick_fits(exchange.receive_tick) && tick_fits(exchange.transmit_tick));
    if !ticks_fit {
        return Err(unreadable("the tick of a marker or exchange is beyond the device's counter".to_owned()));
    }
    let durations_fit = recording
        .events
        .iter()
        .filter_map(|event| event.duration_ms)
        .all(|milliseconds| milliseconds.is_finite() && milliseconds >= 0.0);
    let onsets_fit = recording.truth.iter().flatten().all(|truth| truth.onset_s.is_finite());
    if !durations_fit || !onsets_fit {
        return Err(unreadable(
            "a duration or a true onset is not finite, or a duration is negative".to_owned(),
        ));
    }
    let labels = recording.events.iter().map(|event| &event.label);
    let mut labels = labels.chain(recording.truth.iter().flatten().map(|truth| &truth.label));
    if let Some(label) = labels.find(|label| label.contains('\0') || label.len() > LONGEST_LABEL_BYTES) {
        let shown = crate::error::shown(label.as_bytes());
        return Err(unreadable(format!("the label {shown} is too long or has a NUL byte")));
    }
    Ok(text)
}

/// Longest label written, bytes: even with each byte a quote, its row stays within the longest that is read.
const LONGEST_LABEL_BYTES: usize = crate::rows::LONGEST_ROW_BYTES / 2 - 200;

fn write_packets(out: &mut dyn Write, recording: &Recording) -> io::Result<()> {
    let names: Vec<String> =
        recording.description.streams.iter().map(|stream| csv_field(&stream.name)).collect();
    out.write_all(b"host_ns,stream,sequence,tick,samples\n")?;
    let mut number = itoa::Buffer::new();
    let mut row = Vec::with_capacity(256);
    for packet in recording.packets.iter() {
        row.clear();
        row.extend_from_slice(number.format(packet.host_ns).as_bytes());
        row.push(b',');
        row.extend_from_slice(names[usize::from(packet.stream)].as_bytes());
        row.push(b',');
        row.extend_from_slice(number.format(packet.sequence).as_bytes());
        row.push(b',');
        if let Some(tick) = packet.tick {
            row.extend_from_slice(number.format(tick).as_bytes());
        }
        row.push(b',');
        row.extend_from_slice(number.format(packet.samples).as_bytes());
        row.push(b'\n');
        out.write_all(&row)?;
    }
    Ok(())
}

fn write_events(out: &mut dyn Write, events: &[Event]) -> io::Result<()> {
    let durations = events.iter().any(|event| event.duration_ms.is_some());
    out.write_all(if durations { b"host_ns,label,duration_ms\n" } else { b"host_ns,label\n" })?;
    for Event { host_ns, label, duration_ms } in events {
        write!(out, "{host_ns},{}", csv_field(label))?;
        match duration_ms {
            Some(milliseconds) => writeln!(out, ",{milliseconds}")?,
            None if durations => writeln!(out, ",")?,
            None => writeln!(out)?,
        }
    }
    Ok(())
}

/// Text as a CSV field: in quotes where RFC 4180 asks for them.
pub fn csv_field(text: &str) -> String {
    if text.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}
