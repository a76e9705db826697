//! The description of clocks, link and streams, with the checks that the reader of `recording.toml` has.

use pyo3::prelude::*;
use pyo3::types::{PyBool, PyDict, PyFloat, PyList, PyString, PyTuple};
use tickseam::intake::StreamConfig;
use tickseam::placement::Shift;
use tickseam::session::{SessionConfig, TickCounter};
use tickseam_record::{Description, FORMAT, Malformed, Place};

use crate::errors::DescriptionError;

/// A checked description.
#[pyclass(frozen, module = "tickseam._native")]
pub(crate) struct Described(pub(crate) Description);

/// What is wrong, by its key; a line of a text only where somebody wrote that text.
fn refused(fault: &Malformed, written: bool) -> PyErr {
    DescriptionError::new_err(match &fault.place {
        Place::Key { key, .. } if !written => {
            format!("description, key {key:?}: found {}, expected {}", fault.found, fault.expected)
        }
        _ => fault.to_string(),
    })
}

/// A Python value as one of TOML; keys of value `None` are left out.
fn toml_of(key: &str, value: &Bound<'_, PyAny>, depth: u8) -> PyResult<Option<toml::Value>> {
    let wrong = |expected: &str| {
        let found = value.get_type().name().map_or_else(|_| "something".to_owned(), |name| name.to_string());
        DescriptionError::new_err(format!("description, key {key:?}: found a {found}, expected {expected}"))
    };
    if depth == 0 {
        return Err(wrong("a value that is not so deeply nested"));
    }
    let inner = |name: &str| if key.is_empty() { name.to_owned() } else { format!("{key}.{name}") };
    if value.is_none() {
        return Ok(None);
    }
    let converted = if let Ok(flag) = value.cast::<PyBool>() {
        toml::Value::Boolean(flag.is_true())
    } else if let Ok(text) = value.cast::<PyString>() {
        toml::Value::String(text.to_cow()?.into_owned())
    } else if let Ok(number) = value.cast::<PyFloat>() {
        toml::Value::Float(number.value())
    } else if let Ok(table) = value.cast::<PyDict>() {
        let mut converted = toml::Table::new();
        for (name, value) in table {
            let name: String = name.extract().map_err(|_| wrong("keys that are text"))?;
            if let Some(value) = toml_of(&inner(&name), &value, depth - 1)? {
                converted.insert(name, value);
            }
        }
        toml::Value::Table(converted)
    } else if value.is_instance_of::<PyList>() || value.is_instance_of::<PyTuple>() {
        let items = value
            .try_iter()?
            .map(|item| toml_of(key, &item?, depth - 1)?.ok_or_else(|| wrong("a list without None")));
        toml::Value::Array(items.collect::<PyResult<_>>()?)
    } else if value.hasattr("__index__")? {
        // Beyond 64 bits nothing is in range; the reader's own check says so.
        value
            .extract::<i64>()
            .map(toml::Value::Integer)
            .or_else(|_| value.extract().map(toml::Value::Float))?
    } else if let Ok(number) = value.extract::<f64>() {
        toml::Value::Float(number)
    } else {
        return Err(wrong("a number, text, a list or a dict"));
    };
    Ok(Some(converted))
}

#[pymethods]
impl Described {
    /// From a dict with the keys of recording.toml; `format` may be left out.
    #[new]
    fn new(known: &Bound<'_, PyDict>) -> PyResult<Self> {
        let Some(toml::Value::Table(mut table)) = toml_of("", known, 8)? else {
            return Err(DescriptionError::new_err("description: found nothing, expected a dict"));
        };
        table.entry("format").or_insert(toml::Value::Integer(FORMAT.into()));
        let text = toml::to_string(&table)
            .map_err(|error| DescriptionError::new_err(format!("description: {error}")))?;
        let mut notes = Vec::new();
        let description =
            Description::from_toml(&text, &mut notes).map_err(|fault| refused(&fault, false))?;
        // A file may be from a later version; a program's own key is a slip of the pen.
        match notes.first() {
            None => Ok(Self(description)),
            Some(note) => Err(DescriptionError::new_err(format!(
                "description: {}",
                note.text.replace(" and was passed over", "")
            ))),
        }
    }

    /// From the text of recording.toml; also what was passed over.
    #[staticmethod]
    fn from_toml(text: &str) -> PyResult<(Self, Vec<String>)> {
        let mut notes = Vec::new();
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let description = Description::from_toml(text, &mut notes).map_err(|fault| refused(&fault, true))?;
        Ok((Self(description), notes.iter().map(ToString::to_string).collect()))
    }

    /// The text of recording.toml.
    fn to_toml(&self) -> PyResult<String> {
        self.0.to_toml().map_err(|error| DescriptionError::new_err(format!("description: {error}")))
    }

    /// The same as JSON, without `format`.
    fn to_json(&self) -> PyResult<String> {
        serde_json::to_string(&self.0)
            .map_err(|error| DescriptionError::new_err(format!("description: {error}")))
    }
}

impl Described {
    /// The streams in the core's words.
    pub(crate) fn streams(&self) -> Vec<StreamConfig> {
        let streams = self.0.streams.iter();
        streams
            .map(|stream| StreamConfig {
                rate_hz: stream.rate_hz,
                samples_per_packet: stream.samples_per_packet.into(),
                sequence_bits: stream.sequence_bits,
            })
            .collect()
    }

    /// What a session is told.
    pub(crate) fn config<'a>(&self, streams: &'a [StreamConfig]) -> SessionConfig<'a> {
        let Description { device_clock, host_clock, link, .. } = &self.0;
        SessionConfig {
            ticks: device_clock
                .tick_hz
                .zip(device_clock.tick_bits)
                .map(|(hz, bits)| TickCounter { hz, bits }),
            tolerance_ppm: device_clock.tolerance_ppm,
            host_step_us: host_clock.resolution_ns / 1e3,
            fixed_delay: link
                .fixed_delay_ms
                .map(|ms| Shift { us: ms * 1e3, u_us: link.fixed_delay_u_ms.unwrap_or(0.0) * 1e3 }),
            interval_us: link.connection_interval_ms.map(|ms| ms * 1e3),
            streams,
        }
    }
}
