//! The short tables of a recording: exchanges, markers, events, truth.

use std::path::Path;

use crate::description::Description;
use crate::error::{Malformed, Note, Place, ReadError};
use crate::rows::{Fault, Rows, split_as_header, whole_number};

/// A two-way timestamp exchange: T1 to T4 of RFC 5905, two from each clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Exchange {
    /// T1: host clock when the request left, nanoseconds.
    pub origin_ns: i64,
    /// T2: device counter when the request arrived, modulo 2^`tick_bits`.
    pub receive_tick: u64,
    /// T3: device counter when the reply left, modulo 2^`tick_bits`.
    pub transmit_tick: u64,
    /// T4: host clock when the reply arrived, nanoseconds.
    pub destination_ns: i64,
}

/// One instant that both clocks saw.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Marker {
    /// Host clock, nanoseconds.
    pub host_ns: i64,
    /// Device counter, modulo 2^`tick_bits`.
    pub tick: u64,
}

/// Something that happened on the host's clock: a stimulus, a tap.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Host clock, nanoseconds.
    pub host_ns: i64,
    /// What happened; any text, and the key into [`Description::event_latency`].
    pub label: String,
    /// How long it lasted, milliseconds, 0 or more; `None` where unsaid.
    pub duration_ms: Option<f64>,
}

/// Where a simulated event truly fell. The estimator must never see it.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// Host clock of the event's stamp, nanoseconds.
    pub host_ns: i64,
    /// The event's label.
    pub label: String,
    /// Segment, counted from 0.
    pub segment: u32,
    /// True onset in seconds of the device's own timeline in that segment.
    pub onset_s: f64,
}

const I64: (i64, i64) = (i64::MIN, i64::MAX);

pub(crate) fn read_exchanges(
    folder: &Path,
    description: &Description,
    notes: &mut Vec<Note>,
) -> Result<Vec<Exchange>, ReadError> {
    let Some(mut rows) = Rows::open(folder, "exchanges.csv")? else { return Ok(Vec::new()) };
    let columns = [
        rows.column("origin_ns")?,
        rows.column("receive_tick")?,
        rows.column("transmit_tick")?,
        rows.column("destination_ns")?,
    ];
    let largest = largest_tick("exchanges.csv", description)?;
    let count = rows.columns().len();
    let mut exchanges = Vec::new();
    rows.for_each(notes, |row| {
        let fields = split_as_header(row, count)?;
        let [origin, receive, transmit, destination] = columns;
        exchanges.push(Exchange {
            origin_ns: whole_number(origin, &fields[origin], I64.0, I64.1)?,
            receive_tick: whole_number(receive, &fields[receive], 0, largest)?,
            transmit_tick: whole_number(transmit, &fields[transmit], 0, largest)?,
            destination_ns: whole_number(destination, &fields[destination], I64.0, I64.1)?,
        });
        Ok(())
    })?;
    Ok(exchanges)
}

pub(crate) fn read_markers(
    folder: &Path,
    description: &Description,
    notes: &mut Vec<Note>,
) -> Result<Vec<Marker>, ReadError> {
    let Some(mut rows) = Rows::open(folder, "markers.csv")? else { return Ok(Vec::new()) };
    let (host, tick) = (rows.column("host_ns")?, rows.column("tick")?);
    let largest = largest_tick("markers.csv", description)?;
    let count = rows.columns().len();
    let mut markers = Vec::new();
    rows.for_each(notes, |row| {
        let fields = split_as_header(row, count)?;
        markers.push(Marker {
            host_ns: whole_number(host, &fields[host], I64.0, I64.1)?,
            tick: whole_number(tick, &fields[tick], 0, largest)?,
        });
        Ok(())
    })?;
    Ok(markers)
}

pub(crate) fn read_events(folder: &Path, notes: &mut Vec<Note>) -> Result<Vec<Event>, ReadError> {
    let Some(rows) = Rows::open(folder, "events.csv")? else { return Ok(Vec::new()) };
    events_of(rows, notes)
}

/// Reads a file of events that lies anywhere; messages and notes name it by its path.
pub(crate) fn read_events_file(path: &Path, notes: &mut Vec<Note>) -> Result<Vec<Event>, ReadError> {
    let named = path.display().to_string();
    let absent =
        ReadError::Absent { path: path.to_path_buf(), found: "no such file", expected: "a file of events" };
    let (Some(folder), Some(name)) = (path.parent(), path.file_name().and_then(|name| name.to_str())) else {
        return Err(absent);
    };
    let Some(rows) = Rows::open_as(folder, name, "events.csv").map_err(|error| renamed(error, &named))?
    else {
        return Err(absent);
    };
    let mut found = Vec::new();
    let events = events_of(rows, &mut found).map_err(|error| renamed(error, &named))?;
    notes.extend(found.into_iter().map(|note| Note { file: named.clone(), ..note }));
    Ok(events)
}

fn renamed(error: ReadError, file: &str) -> ReadError {
    match error {
        ReadError::Malformed(malformed) => Malformed { file: file.to_owned(), ..malformed }.into(),
        other => other,
    }
}

fn events_of<R: std::io::Read>(mut rows: Rows<R>, notes: &mut Vec<Note>) -> Result<Vec<Event>, ReadError> {
    let (host, label) = (rows.column("host_ns")?, rows.column("label")?);
    let duration = rows.optional_column("duration_ms");
    let count = rows.columns().len();
    let mut events = Vec::new();
    rows.for_each(notes, |row| {
        let fields = split_as_header(row, count)?;
        let duration_ms = match duration {
            Some(index) if !fields[index].is_empty() => {
                let milliseconds =
                    finite(index, &fields[index], "a finite number, 0 or more, or an empty field")?;
                if milliseconds < 0.0 {
                    return Err(Fault::field(
                        index,
                        &fields[index],
                        "a finite number, 0 or more, or an empty field",
                    ));
                }
                Some(milliseconds)
            }
            _ => None,
        };
        events.push(Event {
            host_ns: whole_number(host, &fields[host], I64.0, I64.1)?,
            label: text(&fields[label]),
            duration_ms,
        });
        Ok(())
    })?;
    Ok(events)
}

pub(crate) fn read_truth(folder: &Path, notes: &mut Vec<Note>) -> Result<Option<Vec<Truth>>, ReadError> {
    let Some(mut rows) = Rows::open(folder, "truth.csv")? else { return Ok(None) };
    let (host, label) = (rows.column("host_ns")?, rows.column("label")?);
    let (segment, onset) = (rows.column("segment")?, rows.column("onset_s")?);
    let count = rows.columns().len();
    let mut truth = Vec::new();
    rows.for_each(notes, |row| {
        let fields = split_as_header(row, count)?;
        truth.push(Truth {
            host_ns: whole_number(host, &fields[host], I64.0, I64.1)?,
            label: text(&fields[label]),
            segment: whole_number(segment, &fields[segment], 0, u32::MAX)?,
            onset_s: finite(onset, &fields[onset], "a finite number")?,
        });
        Ok(())
    })?;
    Ok(Some(truth))
}

/// Ticks mean nothing without a described counter, so a table of ticks asks for one.
fn largest_tick(file: &str, description: &Description) -> Result<u64, Malformed> {
    description.device_clock.largest_tick().ok_or_else(|| Malformed {
        file: file.to_owned(),
        line: 1,
        place: Place::Line,
        found: "a table of ticks".to_owned(),
        expected: "tick_hz and tick_bits under [device_clock] of recording.toml to go with it".to_owned(),
    })
}

fn finite(index: usize, field: &[u8], expected: &str) -> Result<f64, Fault> {
    let number = std::str::from_utf8(field).ok().and_then(|text| text.parse::<f64>().ok());
    match number {
        Some(number) if number.is_finite() => Ok(number),
        _ => Err(Fault::field(index, field, expected)),
    }
}

/// Splitting has already checked that a field is UTF-8.
fn text(field: &[u8]) -> String {
    String::from_utf8_lossy(field).into_owned()
}
