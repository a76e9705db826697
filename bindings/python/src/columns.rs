//! Arguments: single numbers, and arrays of the exact type.

use numpy::{Element, PyReadonlyArray1};
use pyo3::exceptions::PyTypeError;
use pyo3::prelude::*;

use crate::errors::ArgumentError;

/// Packets as `_columns.packets` hands them over: host_ns, stream, sequence, tick, without_tick, samples.
pub(crate) type PacketArrays<'py> = (
    PyReadonlyArray1<'py, i64>,
    PyReadonlyArray1<'py, u8>,
    PyReadonlyArray1<'py, u32>,
    Option<PyReadonlyArray1<'py, u64>>,
    Option<PyReadonlyArray1<'py, bool>>,
    PyReadonlyArray1<'py, u16>,
);

/// A lent array as a slice. `_columns.exact` has seen to it that it lies in one piece.
pub(crate) fn slice<'a, T: Element>(name: &str, array: &'a PyReadonlyArray1<'_, T>) -> PyResult<&'a [T]> {
    array.as_slice().map_err(|_| {
        ArgumentError::new_err(format!("{name}: found an array with strides, expected one in one piece"))
    })
}

/// What somebody gave as an array, of the exact type and in one piece: as it is where it already is so, else a copy.
pub(crate) fn exact<'py, T: Element>(
    name: &str,
    value: &Bound<'py, PyAny>,
    dtype: &str,
) -> PyResult<PyReadonlyArray1<'py, T>> {
    let array = value.py().import("tickseam._columns")?.call_method1("exact", (name, value, dtype))?;
    array.extract()
}

/// A whole number within the range of its type.
pub(crate) fn whole<'py, T>(name: &str, value: &Bound<'py, PyAny>, range: &str) -> PyResult<T>
where
    T: for<'a> FromPyObject<'a, 'py>,
{
    let refused = |found: String| format!("{name}: found {found}, expected a whole number {range}");
    value.extract::<T>().map_err(|_| {
        let found = value.repr().map_or_else(|_| "something else".to_owned(), |text| text.to_string());
        let is_whole = value.hasattr("__index__").unwrap_or(false);
        if is_whole { ArgumentError::new_err(refused(found)) } else { PyTypeError::new_err(refused(found)) }
    })
}

pub(crate) const I64: &str = "from -2**63 to 2**63 - 1";
pub(crate) const U64: &str = "from 0 to 2**64 - 1";
pub(crate) const U32: &str = "from 0 to 2**32 - 1";
