//! Whole recordings: read from a folder, replayed as the command does.

use std::path::PathBuf;

use numpy::{IntoPyArray, PyReadonlyArray1};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use tickseam_cli::align::{Aligned, Captured, align as align_captured};
use tickseam_cli::compare::compare;
use tickseam_record::{
    Alignment, Columns, Description, Event, Exchange, Gap, InputFile, Marker, Misfit, Packets, Truth,
    hash_inputs,
};

use crate::columns::{PacketArrays, slice};
use crate::described::Described;
use crate::errors::{ArgumentError, DescriptionError, RecordingError};

type Labelled<'py> = (PyReadonlyArray1<'py, i64>, Vec<String>, PyReadonlyArray1<'py, f64>);
type Exchanges<'py> = (
    PyReadonlyArray1<'py, i64>,
    PyReadonlyArray1<'py, u64>,
    PyReadonlyArray1<'py, u64>,
    PyReadonlyArray1<'py, i64>,
);
type Markers<'py> = (PyReadonlyArray1<'py, i64>, PyReadonlyArray1<'py, u64>);
type Truths<'py> =
    (PyReadonlyArray1<'py, i64>, Vec<String>, PyReadonlyArray1<'py, u32>, PyReadonlyArray1<'py, f64>);

fn same_length(table: &str, lengths: &[(&str, usize)]) -> PyResult<usize> {
    let Some(&(first, count)) = lengths.first() else { return Ok(0) };
    match lengths.iter().find(|(_, length)| *length != count) {
        None => Ok(count),
        Some((name, length)) => Err(ArgumentError::new_err(format!(
            "{table}, array {name}: found {length} rows, expected {count} as in {first}"
        ))),
    }
}

fn events((host_ns, labels, duration_ms): Labelled<'_>) -> PyResult<Vec<Event>> {
    let (host_ns, duration_ms) = (slice("host_ns", &host_ns)?, slice("duration_ms", &duration_ms)?);
    same_length(
        "events",
        &[("host_ns", host_ns.len()), ("label", labels.len()), ("duration_ms", duration_ms.len())],
    )?;
    let rows = host_ns.iter().zip(labels).zip(duration_ms).enumerate();
    rows.map(|(row, ((&host_ns, label), &duration_ms))| {
        if duration_ms < 0.0 || duration_ms.is_infinite() {
            return Err(ArgumentError::new_err(format!(
                "events, array duration_ms, row {row}: found {duration_ms}, expected a finite number, 0 or more, or NaN"
            )));
        }
        Ok(Event { host_ns, label, duration_ms: (!duration_ms.is_nan()).then_some(duration_ms) })
    })
    .collect()
}

/// Ticks mean nothing without a counter, and beyond its bits.
fn check_ticks(table: &str, name: &str, ticks: &[u64], description: &Description) -> PyResult<()> {
    let largest = description.device_clock.largest_tick();
    match ticks.iter().position(|&tick| largest.is_none_or(|largest| tick > largest)) {
        None => Ok(()),
        Some(row) => Err(ArgumentError::new_err(match largest {
            Some(largest) => format!(
                "{table}, array {name}, row {row}: found {}, expected a whole number from 0 to {largest}",
                ticks[row]
            ),
            None => format!(
                "{table}: found ticks, expected tick_hz and tick_bits under device_clock to go with them"
            ),
        })),
    }
}

fn exchanges(columns: Exchanges<'_>, description: &Description) -> PyResult<Vec<Exchange>> {
    let (origin, destination) = (slice("origin_ns", &columns.0)?, slice("destination_ns", &columns.3)?);
    let (receive, transmit) = (slice("receive_tick", &columns.1)?, slice("transmit_tick", &columns.2)?);
    same_length(
        "exchanges",
        &[
            ("origin_ns", origin.len()),
            ("receive_tick", receive.len()),
            ("transmit_tick", transmit.len()),
            ("destination_ns", destination.len()),
        ],
    )?;
    check_ticks("exchanges", "receive_tick", receive, description)?;
    check_ticks("exchanges", "transmit_tick", transmit, description)?;
    let rows = origin.iter().zip(receive).zip(transmit).zip(destination);
    Ok(rows
        .map(|(((&origin_ns, &receive_tick), &transmit_tick), &destination_ns)| Exchange {
            origin_ns,
            receive_tick,
            transmit_tick,
            destination_ns,
        })
        .collect())
}

fn markers(columns: Markers<'_>, description: &Description) -> PyResult<Vec<Marker>> {
    let (host_ns, ticks) = (slice("host_ns", &columns.0)?, slice("tick", &columns.1)?);
    same_length("markers", &[("host_ns", host_ns.len()), ("tick", ticks.len())])?;
    check_ticks("markers", "tick", ticks, description)?;
    Ok(host_ns.iter().zip(ticks).map(|(&host_ns, &tick)| Marker { host_ns, tick }).collect())
}

fn truths(columns: Truths<'_>) -> PyResult<Vec<Truth>> {
    let (host_ns, segment, onset_s) =
        (slice("host_ns", &columns.0)?, slice("segment", &columns.2)?, slice("onset_s", &columns.3)?);
    same_length(
        "truth",
        &[
            ("host_ns", host_ns.len()),
            ("label", columns.1.len()),
            ("segment", segment.len()),
            ("onset_s", onset_s.len()),
        ],
    )?;
    let rows = host_ns.iter().zip(columns.1).zip(segment).zip(onset_s);
    Ok(rows
        .map(|(((&host_ns, label), &segment), &onset_s)| Truth { host_ns, label, segment, onset_s })
        .collect())
}

/// Aligns packets that lie in the caller's arrays; without the interpreter's lock.
#[pyfunction]
#[expect(clippy::too_many_arguments, reason = "the tables of a recording")]
#[pyo3(signature = (description, packets, events, exchanges, markers, truth, inputs, notes))]
pub(crate) fn align<'py>(
    py: Python<'py>,
    description: &Bound<'py, Described>,
    packets: PacketArrays<'py>,
    events: Labelled<'py>,
    exchanges: Exchanges<'py>,
    markers: Markers<'py>,
    truth: Option<Truths<'py>>,
    inputs: Vec<(String, u64, String)>,
    notes: Vec<String>,
) -> PyResult<Bound<'py, PyDict>> {
    let description = &description.get().0;
    let columns = Columns {
        host_ns: slice("host_ns", &packets.0)?,
        stream: slice("stream", &packets.1)?,
        sequence: slice("sequence", &packets.2)?,
        tick: packets.3.as_ref().map(|tick| slice("tick", tick)).transpose()?,
        without_tick: packets.4.as_ref().map(|without| slice("tick", without)).transpose()?,
        samples: slice("samples", &packets.5)?,
    };
    // Rows are counted in 32 bits.
    if u32::try_from(columns.host_ns.len()).is_err() {
        return Err(ArgumentError::new_err(format!(
            "packets: found {} rows, expected fewer than 2**32",
            columns.host_ns.len()
        )));
    }
    let events = self::events(events)?;
    let exchanges = self::exchanges(exchanges, description)?;
    let markers = self::markers(markers, description)?;
    let truth = truth.map(truths).transpose()?;
    let inputs = inputs.into_iter().map(|(file, bytes, sha256)| InputFile { file, bytes, sha256 }).collect();
    let done = py.detach(|| -> Result<(Aligned, Alignment), Refused> {
        let packets = Packets::lent(&columns).ok_or(Refused::Lengths)?;
        if let Some(misfit) = packets.first_misfit(description) {
            return Err(Refused::Misfit(misfit));
        }
        let captured = Captured {
            description,
            packets: &packets,
            events: &events,
            exchanges: &exchanges,
            markers: &markers,
        };
        let aligned = align_captured(&captured).map_err(|error| Refused::Description(error.to_string()))?;
        let comparison = truth.as_ref().and_then(|truth| compare(&aligned, truth));
        let alignment = tickseam_cli::alignment(&aligned, &captured, comparison.as_ref(), inputs, notes);
        Ok((aligned, alignment))
    });
    let (aligned, alignment) = done.map_err(|refused| match refused {
        Refused::Lengths => {
            ArgumentError::new_err("packets: found arrays of different lengths, expected one")
        }
        Refused::Misfit(Misfit { row, column, found, expected }) => ArgumentError::new_err(format!(
            "packets, array {column}, row {row}: found {found}, expected {expected}"
        )),
        Refused::Description(error) => DescriptionError::new_err(format!("description: {error}")),
    })?;
    let out = PyDict::new(py);
    out.set_item("events", events_dict(py, &aligned)?)?;
    out.set_item("gaps", gaps_dict(py, &aligned.gaps)?)?;
    let mut text = Vec::new();
    alignment.write(&mut text)?;
    out.set_item("summary", String::from_utf8_lossy(&text).into_owned())?;
    Ok(out)
}

enum Refused {
    Lengths,
    Misfit(Misfit),
    Description(String),
}

/// A number as `events.tsv` has it: NaN where the file says `n/a`.
fn number(value: Option<f64>) -> f64 {
    value.filter(|value| value.is_finite()).unwrap_or(f64::NAN)
}

fn events_dict<'py>(py: Python<'py>, aligned: &Aligned) -> PyResult<Bound<'py, PyDict>> {
    let table = &aligned.events;
    let rows = &table.rows;
    let numbers = |of: fn(&tickseam_record::EventRow) -> Option<f64>| {
        rows.iter().map(|row| number(of(row))).collect::<Vec<f64>>().into_pyarray(py)
    };
    let out = PyDict::new(py);
    out.set_item("onset", numbers(|row| row.onset_s))?;
    out.set_item("duration", numbers(|row| row.duration_s))?;
    out.set_item("trial_type", rows.iter().map(|row| row.label.as_str()).collect::<Vec<_>>())?;
    out.set_item("sample", numbers(|row| row.sample))?;
    out.set_item("host_ns", rows.iter().map(|row| row.host_ns).collect::<Vec<_>>().into_pyarray(py))?;
    let segments: Vec<i64> = rows.iter().map(|row| row.segment.map_or(-1, i64::from)).collect();
    out.set_item("segment", segments.into_pyarray(py))?;
    out.set_item("u95_ms", numbers(|row| row.u95_ms))?;
    out.set_item("status", rows.iter().map(|row| row.status.as_str()).collect::<Vec<_>>())?;
    out.set_item("live_onset", numbers(|row| row.live_onset_s))?;
    out.set_item("live_u95_ms", numbers(|row| row.live_u95_ms))?;
    for (further, name) in table.further_streams.iter().enumerate() {
        let samples: Vec<f64> =
            rows.iter().map(|row| number(row.further_samples.get(further).copied().flatten())).collect();
        out.set_item(format!("sample_{name}"), samples.into_pyarray(py))?;
    }
    let excludes = |row: &tickseam_record::EventRow| row.excludes_fixed_delay.then_some("fixed-delay");
    out.set_item("excludes", rows.iter().map(excludes).collect::<Vec<_>>())?;
    Ok(out)
}

fn gaps_dict<'py>(py: Python<'py>, gaps: &[Gap]) -> PyResult<Bound<'py, PyDict>> {
    let numbers = |of: fn(&Gap) -> Option<f64>| {
        gaps.iter().map(|gap| number(of(gap))).collect::<Vec<f64>>().into_pyarray(py)
    };
    let out = PyDict::new(py);
    out.set_item("stream", gaps.iter().map(|gap| gap.stream.as_str()).collect::<Vec<_>>())?;
    out.set_item(
        "segment",
        gaps.iter().map(|gap| i64::from(gap.segment)).collect::<Vec<_>>().into_pyarray(py),
    )?;
    let whole = |of: fn(&Gap) -> i64| gaps.iter().map(of).collect::<Vec<i64>>().into_pyarray(py);
    let count = |of: fn(&Gap) -> u64| gaps.iter().map(of).collect::<Vec<u64>>().into_pyarray(py);
    out.set_item("first_missing_sequence", whole(|gap| gap.first_missing_sequence))?;
    out.set_item("packets_missing", count(|gap| gap.packets_missing))?;
    out.set_item("first_missing_sample", whole(|gap| gap.first_missing_sample))?;
    out.set_item("samples_missing", count(|gap| gap.samples_missing))?;
    out.set_item("onset_s", numbers(|gap| gap.onset_s))?;
    out.set_item("duration_s", numbers(|gap| gap.duration_s))?;
    out.set_item("host_before_ns", gaps.iter().map(|gap| gap.host_before_ns).collect::<Vec<_>>())?;
    out.set_item("host_after_ns", gaps.iter().map(|gap| gap.host_after_ns).collect::<Vec<_>>())?;
    Ok(out)
}

/// Reads a recording folder and takes the sums of its files, without the interpreter's lock.
#[pyfunction]
pub(crate) fn read(py: Python<'_>, folder: PathBuf) -> PyResult<Bound<'_, PyDict>> {
    let done = py.detach(|| {
        std::thread::scope(|scope| {
            let inputs = scope.spawn(|| hash_inputs(&folder));
            let recording = tickseam_record::read(&folder);
            let inputs = inputs.join();
            // Reading says more about what is wrong than hashing does.
            recording.map(|recording| (recording, inputs))
        })
    });
    let (recording, inputs) = done.map_err(|error| RecordingError::new_err(error.to_string()))?;
    let inputs = match inputs {
        Ok(inputs) => inputs.map_err(|error| RecordingError::new_err(error.to_string()))?,
        Err(_) => {
            return Err(RecordingError::new_err("the sums of the recording's files could not be taken"));
        }
    };
    let out = PyDict::new(py);
    let packets = PyDict::new(py);
    let rows = recording.packets.len();
    let ticks = recording.packets.any_tick();
    let mut without: Vec<bool> = Vec::new();
    if ticks {
        without = (0..rows).map(|row| recording.packets.tick(row).is_none()).collect();
    }
    let (host_ns, stream, sequence, tick, samples) = recording.packets.into_columns();
    packets.set_item("host_ns", host_ns.into_pyarray(py))?;
    packets.set_item("stream", stream.into_pyarray(py))?;
    packets.set_item("sequence", sequence.into_pyarray(py))?;
    packets.set_item("tick", ticks.then(|| tick.into_pyarray(py)))?;
    packets.set_item("without_tick", without.contains(&true).then(|| without.into_pyarray(py)))?;
    packets.set_item("samples", samples.into_pyarray(py))?;
    out.set_item("packets", packets)?;
    let events = PyDict::new(py);
    let list = recording.events;
    events
        .set_item("host_ns", list.iter().map(|event| event.host_ns).collect::<Vec<_>>().into_pyarray(py))?;
    events.set_item("label", list.iter().map(|event| event.label.as_str()).collect::<Vec<_>>())?;
    let durations: Vec<f64> = list.iter().map(|event| number(event.duration_ms)).collect();
    events.set_item("duration_ms", durations.into_pyarray(py))?;
    out.set_item("events", events)?;
    let exchanges = PyDict::new(py);
    let list = recording.exchanges;
    exchanges.set_item("origin_ns", list.iter().map(|e| e.origin_ns).collect::<Vec<_>>().into_pyarray(py))?;
    exchanges
        .set_item("receive_tick", list.iter().map(|e| e.receive_tick).collect::<Vec<_>>().into_pyarray(py))?;
    exchanges.set_item(
        "transmit_tick",
        list.iter().map(|e| e.transmit_tick).collect::<Vec<_>>().into_pyarray(py),
    )?;
    exchanges.set_item(
        "destination_ns",
        list.iter().map(|e| e.destination_ns).collect::<Vec<_>>().into_pyarray(py),
    )?;
    out.set_item("exchanges", exchanges)?;
    let markers = PyDict::new(py);
    let list = recording.markers;
    markers
        .set_item("host_ns", list.iter().map(|marker| marker.host_ns).collect::<Vec<_>>().into_pyarray(py))?;
    markers.set_item("tick", list.iter().map(|marker| marker.tick).collect::<Vec<_>>().into_pyarray(py))?;
    out.set_item("markers", markers)?;
    let truth = match recording.truth {
        None => None,
        Some(list) => {
            let truth = PyDict::new(py);
            truth.set_item(
                "host_ns",
                list.iter().map(|truth| truth.host_ns).collect::<Vec<_>>().into_pyarray(py),
            )?;
            truth.set_item("label", list.iter().map(|truth| truth.label.as_str()).collect::<Vec<_>>())?;
            truth.set_item(
                "segment",
                list.iter().map(|truth| truth.segment).collect::<Vec<_>>().into_pyarray(py),
            )?;
            truth.set_item(
                "onset_s",
                list.iter().map(|truth| truth.onset_s).collect::<Vec<_>>().into_pyarray(py),
            )?;
            Some(truth)
        }
    };
    out.set_item("truth", truth)?;
    let notes = recording.notes.iter().map(ToString::to_string);
    out.set_item("notes", notes.collect::<Vec<_>>())?;
    let inputs = inputs.into_iter().map(|input| (input.file, input.bytes, input.sha256));
    out.set_item("inputs", inputs.collect::<Vec<_>>())?;
    out.set_item("description", Described(recording.description))?;
    Ok(out)
}

/// Writes the built-in demonstration, simulated, into an existing folder.
#[pyfunction]
pub(crate) fn write_demonstration(folder: PathBuf) -> PyResult<()> {
    tickseam_cli::demonstration::write_to(&folder)
        .map_err(|error| RecordingError::new_err(format!("{}: cannot be written: {error}", folder.display())))
}
