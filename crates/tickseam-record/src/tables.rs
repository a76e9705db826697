//! The short tables of a recording: exchanges, markers, events, truth.

use std::io::Read;
use std::path::Path;

use crate::columns::{ColumnNames, Table, TimeUnit, decimal_ms};
use crate::description::Description;
use crate::error::{Malformed, Note, Place, ReadError};
use crate::parquet_in::{self, ParquetTable};
use crate::rows::{Fault, Rows, instant, split_as_header, whole_number};

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
    names: &ColumnNames,
    notes: &mut Vec<Note>,
) -> Result<Vec<Exchange>, ReadError> {
    const FILE: &str = "exchanges.csv";
    let Some(mut rows) = Rows::open(folder, FILE)? else {
        return none_of(folder, FILE, names.mention(Table::Exchanges));
    };
    let wanted = ["origin_ns", "receive_tick", "transmit_tick", "destination_ns"]
        .map(|ours| names.of(Table::Exchanges, ours));
    let columns = distinct(&rows, wanted.map(|wanted| wanted.name))?;
    let largest = largest_tick("exchanges.csv", description)?;
    let count = rows.columns().len();
    let mut exchanges = Vec::new();
    rows.for_each(notes, |row| {
        let fields = split_as_header(row, count)?;
        let [origin, receive, transmit, destination] = columns;
        exchanges.push(Exchange {
            origin_ns: instant(origin, &fields[origin], wanted[0].unit)?,
            receive_tick: whole_number(receive, &fields[receive], 0, largest)?,
            transmit_tick: whole_number(transmit, &fields[transmit], 0, largest)?,
            destination_ns: instant(destination, &fields[destination], wanted[3].unit)?,
        });
        Ok(())
    })?;
    Ok(exchanges)
}

pub(crate) fn read_markers(
    folder: &Path,
    description: &Description,
    names: &ColumnNames,
    notes: &mut Vec<Note>,
) -> Result<Vec<Marker>, ReadError> {
    const FILE: &str = "markers.csv";
    let Some(mut rows) = Rows::open(folder, FILE)? else {
        return none_of(folder, FILE, names.mention(Table::Markers));
    };
    let wanted = ["host_ns", "tick"].map(|ours| names.of(Table::Markers, ours));
    let [host, tick] = distinct(&rows, wanted.map(|wanted| wanted.name))?;
    let largest = largest_tick("markers.csv", description)?;
    let count = rows.columns().len();
    let mut markers = Vec::new();
    rows.for_each(notes, |row| {
        let fields = split_as_header(row, count)?;
        markers.push(Marker {
            host_ns: instant(host, &fields[host], wanted[0].unit)?,
            tick: whole_number(tick, &fields[tick], 0, largest)?,
        });
        Ok(())
    })?;
    Ok(markers)
}

pub(crate) const EVENTS_FILE: &str = "events.csv";
pub(crate) const EVENTS_PARQUET_FILE: &str = "events.parquet";

const DURATION: &str = "a finite number, 0 or more, or an empty field";

pub(crate) fn read_events(
    folder: &Path,
    names: &ColumnNames,
    notes: &mut Vec<Note>,
) -> Result<Vec<Event>, ReadError> {
    if let Some(table) = ParquetTable::open(folder, EVENTS_PARQUET_FILE)? {
        crate::rows::refuse_both(folder, EVENTS_FILE, "both events.csv and events.parquet")?;
        return read_events_parquet(table, names);
    }
    let Some(rows) = Rows::open(folder, EVENTS_FILE)? else {
        return none_of(folder, EVENTS_FILE, names.mention(Table::Events));
    };
    events_of(rows, names, notes)
}

/// Reads a file of events that lies anywhere; messages and notes name it by its path.
pub(crate) fn read_events_file(path: &Path, notes: &mut Vec<Note>) -> Result<Vec<Event>, ReadError> {
    let named = path.display().to_string();
    let absent =
        ReadError::Absent { path: path.to_path_buf(), found: "no such file", expected: "a file of events" };
    let (Some(folder), Some(name)) = (path.parent(), path.file_name().and_then(|name| name.to_str())) else {
        return Err(absent);
    };
    let Some(rows) = Rows::open_as(folder, name, EVENTS_FILE).map_err(|error| renamed(error, &named))? else {
        return Err(absent);
    };
    let mut found = Vec::new();
    let events =
        events_of(rows, &ColumnNames::default(), &mut found).map_err(|error| renamed(error, &named))?;
    notes.extend(found.into_iter().map(|note| Note { file: named.clone(), ..note }));
    Ok(events)
}

fn renamed(error: ReadError, file: &str) -> ReadError {
    match error {
        ReadError::Malformed(malformed) => Malformed { file: file.to_owned(), ..malformed }.into(),
        other => other,
    }
}

fn events_of<R: Read>(
    mut rows: Rows<R>,
    names: &ColumnNames,
    notes: &mut Vec<Note>,
) -> Result<Vec<Event>, ReadError> {
    let of = |ours| names.of(Table::Events, ours);
    let (wanted, wanted_duration) = ([of("host_ns"), of("label")], of("duration_ms"));
    let [host, label] = distinct(&rows, wanted.map(|wanted| wanted.name))?;
    let duration = if wanted_duration.asked {
        Some(rows.column(wanted_duration.name)?)
    } else {
        rows.optional_column(wanted_duration.name)
    };
    refuse_shared(&rows, duration, &[host, label])?;
    let unit = wanted_duration.unit.unwrap_or(TimeUnit::Milliseconds);
    let count = rows.columns().len();
    let mut events = Vec::new();
    rows.for_each(notes, |row| {
        let fields = split_as_header(row, count)?;
        let duration_ms = match duration.map(|index| (index, &fields[index])) {
            Some((index, field)) if !field.is_empty() => {
                let number = std::str::from_utf8(field).ok().and_then(|text| decimal_ms(text, unit));
                let milliseconds = number.filter(|milliseconds| *milliseconds >= 0.0);
                Some(milliseconds.ok_or_else(|| Fault::field(index, field, DURATION))?)
            }
            _ => None,
        };
        events.push(Event {
            host_ns: instant(host, &fields[host], wanted[0].unit)?,
            label: text(&fields[label]),
            duration_ms,
        });
        Ok(())
    })?;
    Ok(events)
}

fn read_events_parquet(mut table: ParquetTable, names: &ColumnNames) -> Result<Vec<Event>, ReadError> {
    let of = |ours| names.of(Table::Events, ours);
    let (host, label) = (table.column(of("host_ns"))?, table.column(of("label"))?);
    let wanted = of("duration_ms");
    let duration = table.optional_column(wanted)?;
    if duration.is_none() && wanted.asked {
        return Err(table.without(wanted.name).into());
    }
    let instants = table.instants(host, of("host_ns"))?;
    let unit = wanted.unit.unwrap_or(TimeUnit::Milliseconds);
    let mut events = Vec::new();
    table.for_each(|cells| {
        let at = |column: usize| move |fault: parquet_in::Fault| (column, fault);
        let duration_ms = match duration {
            Some(column) => parquet_in::duration_ms(cells[column], unit).map_err(at(column))?,
            None => None,
        };
        events.push(Event {
            host_ns: instants.ns(cells[host]).map_err(at(host))?,
            label: parquet_in::text(cells[label]).map_err(at(label))?.into_owned(),
            duration_ms,
        });
        Ok(())
    })?;
    Ok(events)
}

/// A table that the folder does not have: no rows, unless somebody named its columns.
fn none_of<T>(folder: &Path, file: &str, named: bool) -> Result<Vec<T>, ReadError> {
    if named {
        return Err(ReadError::Absent {
            path: folder.join(file),
            found: "no such file",
            expected: "one, since its columns were named",
        });
    }
    Ok(Vec::new())
}

/// The places of columns that the file must have, each its own.
fn distinct<R: Read, const COUNT: usize>(
    rows: &Rows<R>,
    names: [&str; COUNT],
) -> Result<[usize; COUNT], Malformed> {
    let mut places = [0; COUNT];
    for (at, name) in names.into_iter().enumerate() {
        places[at] = rows.column(name)?;
        refuse_shared(rows, Some(places[at]), &places[..at])?;
    }
    Ok(places)
}

fn refuse_shared<R: Read>(rows: &Rows<R>, place: Option<usize>, others: &[usize]) -> Result<(), Malformed> {
    match place {
        Some(place) if others.contains(&place) => {
            let found = format!("{:?} for two of the columns that are looked for", rows.columns()[place]);
            Err(rows.header_fault(found, "a column of its own for each".to_owned()))
        }
        _ => Ok(()),
    }
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
