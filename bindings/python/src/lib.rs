//! The extension module `tickseam._native`: the core's live session, and the command's replay over arrays that Python holds.
//!
//! Nothing here decides anything: arguments are checked, the core is called without the interpreter's lock where a call may be long, and
//! what it answers becomes Python's values. Conversions of arrays live in `tickseam/_columns.py`, so that only arrays of the exact type
//! come here, and those are lent, not copied.

#![deny(unsafe_code)]

mod columns;
mod described;
mod map;
mod replay;
mod session;
mod values;

use pyo3::prelude::*;

mod errors {
    pyo3::import_exception!(tickseam._errors, ArgumentError);
    pyo3::import_exception!(tickseam._errors, DescriptionError);
    pyo3::import_exception!(tickseam._errors, NotYetError);
    pyo3::import_exception!(tickseam._errors, RecordingError);
}

/// What the Python package stands on; use `tickseam` instead.
#[pymodule]
fn _native(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add("__version__", env!("CARGO_PKG_VERSION"))?;
    module.add("NUMERICS_REVISION", tickseam_cli::NUMERICS_REVISION)?;
    module.add_class::<described::Described>()?;
    module.add_class::<values::Disposition>()?;
    module.add_class::<values::Refusal>()?;
    module.add_class::<values::Sighting>()?;
    module.add_class::<values::Knowledge>()?;
    module.add_class::<values::Answer>()?;
    module.add_class::<values::Placement>()?;
    module.add_class::<values::Gap>()?;
    module.add_class::<values::State>()?;
    module.add_class::<values::LinkDiagnosis>()?;
    module.add_class::<values::Counters>()?;
    module.add_class::<map::HostInstant>()?;
    module.add_class::<map::HostInstants>()?;
    module.add_class::<map::DeviceInstant>()?;
    module.add_class::<map::DeviceInstants>()?;
    module.add_class::<map::ClockMap>()?;
    module.add_class::<session::Session>()?;
    module.add_function(wrap_pyfunction!(replay::align, module)?)?;
    module.add_function(wrap_pyfunction!(replay::read, module)?)?;
    module.add_function(wrap_pyfunction!(replay::write_demonstration, module)?)?;
    Ok(())
}
