//! Clock maps: values that need no session.

use numpy::{IntoPyArray, PyArray1};
use pyo3::exceptions::PyTypeError;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use tickseam::frame::Frame;
use tickseam::map;

use crate::columns::{I64, exact, slice, whole};
use crate::errors::ArgumentError;
use crate::values::plain;

plain! {
    /// An instant of the host's clock. Read-only.
    HostInstant {
        /// Host time, ns.
        host_ns: i64,
        /// Standard uncertainty, us.
        u_us: f64,
        /// Half-width of the 95 % interval, us.
        u95_us: f64,
    }
}

plain! {
    /// An instant of a device's timeline. Read-only.
    DeviceInstant {
        /// Time on the timeline, s.
        device_s: f64,
        /// Standard uncertainty, us of device time.
        u_us: f64,
        /// Half-width of the 95 % interval, us of device time.
        u95_us: f64,
    }
}

/// Instants of the host's clock, one array of shape (n,) for each quantity. Read-only.
#[pyclass(frozen, get_all, module = "tickseam")]
pub(crate) struct HostInstants {
    /// Host times, ns, int64.
    host_ns: Py<PyArray1<i64>>,
    /// Standard uncertainties, us, float64.
    u_us: Py<PyArray1<f64>>,
    /// Half-widths of the 95 % intervals, us, float64.
    u95_us: Py<PyArray1<f64>>,
}

/// Instants of a device's timeline, one array of shape (n,) for each quantity. Read-only.
#[pyclass(frozen, get_all, module = "tickseam")]
pub(crate) struct DeviceInstants {
    /// Times on the timeline, s, float64.
    device_s: Py<PyArray1<f64>>,
    /// Standard uncertainties, us of device time, float64.
    u_us: Py<PyArray1<f64>>,
    /// Half-widths of the 95 % intervals, us of device time, float64.
    u95_us: Py<PyArray1<f64>>,
}

/// Which host time belongs to which device time, as a session knew it when the map was taken.
///
/// A value: it does not change while the session goes on, and any thread may use it. Device times are seconds on the map's timeline;
/// outside `valid_from_s` to `valid_to_s` the map is in holdover and its uncertainty grows. Maps compare equal by all their numbers and
/// can be pickled.
///
/// host time = host_origin_ns + device time + residual, where the residual is offset_us + rate_ppm * (device time - at_s).
///
/// Raises ArgumentError for numbers that are no map: not finite, or a rate with which a clock would stand still.
#[pyclass(frozen, eq, module = "tickseam")]
#[derive(Clone, PartialEq)]
pub(crate) struct ClockMap {
    map: map::ClockMap,
    segment: u32,
}

impl ClockMap {
    pub(crate) fn new(map: map::ClockMap, segment: u32) -> Self {
        Self { map, segment }
    }

    /// The map, if all of it are numbers and the rate leaves the clocks running forwards; as the C interface asks.
    fn checked(self) -> PyResult<Self> {
        let map = &self.map;
        let numbers = [
            ("counts_per_s", map.frame.counts_per_s),
            ("at_s", map.at_s),
            ("offset_us", map.offset_us),
            ("rate_ppm", map.rate_ppm),
            ("u_offset_us", map.u_offset_us),
            ("u_rate_ppm", map.u_rate_ppm),
            ("covariance", map.covariance),
            ("half_width_us", map.half_width_us),
            ("growth_ppm", map.growth_ppm),
            ("curvature_ppm_per_s", map.curvature_ppm_per_s),
            ("valid_from_s", map.valid_from_s),
            ("valid_to_s", map.valid_to_s),
        ];
        if let Some((name, number)) = numbers.iter().find(|(_, number)| !number.is_finite()) {
            return Err(ArgumentError::new_err(format!("{name}: found {number}, expected a finite number")));
        }
        if map.frame.counts_per_s <= 0.0 {
            let found = map.frame.counts_per_s;
            return Err(ArgumentError::new_err(format!(
                "counts_per_s: found {found}, expected a number above 0"
            )));
        }
        if !(map.rate_ppm > -5e5 && map.rate_ppm < 1e6) {
            let found = map.rate_ppm;
            return Err(ArgumentError::new_err(format!(
                "rate_ppm: found {found}, expected one above -5e5 and below 1e6"
            )));
        }
        Ok(self)
    }
}

#[pymethods]
impl ClockMap {
    #[new]
    #[pyo3(signature = (*, segment, device_origin, counts_per_s, host_origin_ns, at_s, offset_us, rate_ppm, u_offset_us, u_rate_ppm,
        covariance, half_width_us, growth_ppm, curvature_ppm_per_s, valid_from_s, valid_to_s))]
    #[expect(clippy::too_many_arguments, reason = "as many as the map has numbers, all by name")]
    fn from_numbers(
        segment: u32,
        device_origin: i64,
        counts_per_s: f64,
        host_origin_ns: i64,
        at_s: f64,
        offset_us: f64,
        rate_ppm: f64,
        u_offset_us: f64,
        u_rate_ppm: f64,
        covariance: f64,
        half_width_us: f64,
        growth_ppm: f64,
        curvature_ppm_per_s: f64,
        valid_from_s: f64,
        valid_to_s: f64,
    ) -> PyResult<Self> {
        let frame = Frame { device_origin, counts_per_s, host_origin_ns };
        let map = map::ClockMap {
            frame,
            at_s,
            offset_us,
            rate_ppm,
            u_offset_us,
            u_rate_ppm,
            covariance,
            half_width_us,
            growth_ppm,
            curvature_ppm_per_s,
            valid_from_s,
            valid_to_s,
        };
        Self { map, segment }.checked()
    }

    /// Device time of a host time.
    ///
    /// host_ns: int, ns, or an integer array of shape (n,). Add half a step of the host's stamps where they round down.
    /// Returns a DeviceInstant for one time, DeviceInstants for an array. Raises ArgumentError for values that are no int64.
    fn device_at<'py>(&self, py: Python<'py>, host_ns: &Bound<'py, PyAny>) -> PyResult<Bound<'py, PyAny>> {
        if is_scalar(host_ns)? {
            let at = self.map.device_at(whole("host_ns", host_ns, I64)?);
            let instant = DeviceInstant { device_s: at.device_s, u_us: at.u_us, u95_us: at.u95_us };
            return Ok(Bound::new(py, instant)?.into_any());
        }
        let array = exact::<i64>("host_ns", host_ns, "int64")?;
        let stamps = slice("host_ns", &array)?;
        let (mut device_s, mut u_us, mut u95_us) = columns(stamps.len());
        py.detach(|| {
            for &host_ns in stamps {
                let at = self.map.device_at(host_ns);
                device_s.push(at.device_s);
                u_us.push(at.u_us);
                u95_us.push(at.u95_us);
            }
        });
        let instants = DeviceInstants {
            device_s: device_s.into_pyarray(py).unbind(),
            u_us: u_us.into_pyarray(py).unbind(),
            u95_us: u95_us.into_pyarray(py).unbind(),
        };
        Ok(Bound::new(py, instants)?.into_any())
    }

    /// Host time of a device time.
    ///
    /// device_s: float, s on the map's timeline, or an array of shape (n,); finite.
    /// Returns a HostInstant for one time, HostInstants for an array. Raises ArgumentError for a time that is not finite.
    fn host_at<'py>(&self, py: Python<'py>, device_s: &Bound<'py, PyAny>) -> PyResult<Bound<'py, PyAny>> {
        if is_scalar(device_s)? {
            let at = self.map.host_at_s(finite("device_s", device_s)?);
            let instant = HostInstant { host_ns: at.host_ns, u_us: at.u_us, u95_us: at.u95_us };
            return Ok(Bound::new(py, instant)?.into_any());
        }
        let array = exact::<f64>("device_s", device_s, "float64")?;
        let times = slice("device_s", &array)?;
        if let Some(row) = times.iter().position(|time| !time.is_finite()) {
            return Err(ArgumentError::new_err(format!(
                "device_s, row {row}: found {}, expected a finite number",
                times[row]
            )));
        }
        let (mut u_us, mut u95_us, mut host_ns) = (Vec::new(), Vec::new(), Vec::new());
        py.detach(|| {
            for &device_s in times {
                let at = self.map.host_at_s(device_s);
                host_ns.push(at.host_ns);
                u_us.push(at.u_us);
                u95_us.push(at.u95_us);
            }
        });
        let instants = HostInstants {
            host_ns: host_ns.into_pyarray(py).unbind(),
            u_us: u_us.into_pyarray(py).unbind(),
            u95_us: u95_us.into_pyarray(py).unbind(),
        };
        Ok(Bound::new(py, instants)?.into_any())
    }

    /// The map the other way: its device is this one's host, counted in ns; its host time is this one's device time since zero, ns.
    fn invert(&self) -> PyResult<Self> {
        Self { map: self.map.inverted(), segment: self.segment }.checked()
    }

    /// From this map's device to the host of `onward`, whose device is this one's host counted in ns: headset to phone to server.
    ///
    /// Half-widths add, standard uncertainties as if independent.
    fn chain(&self, onward: &Self) -> PyResult<Self> {
        Self { map: self.map.chain(&onward.map), segment: self.segment }.checked()
    }

    /// By how much the device's clock runs fast against the host's, ppm. Positive: the headset's clock runs fast.
    #[getter]
    fn drift_ppm(&self) -> f64 {
        self.map.drift_ppm()
    }

    /// Segment of the timeline.
    #[getter]
    fn segment(&self) -> u32 {
        self.segment
    }

    /// Device count at the timeline's zero: ticks, or samples without ticks.
    #[getter]
    fn device_origin(&self) -> i64 {
        self.map.frame.device_origin
    }

    /// Nominal counts per second, above 0.
    #[getter]
    fn counts_per_s(&self) -> f64 {
        self.map.frame.counts_per_s
    }

    /// Host time at the origin, ns.
    #[getter]
    fn host_origin_ns(&self) -> i64 {
        self.map.frame.host_origin_ns
    }

    /// Device time at which the map is centred, s.
    #[getter]
    fn at_s(&self) -> f64 {
        self.map.at_s
    }

    /// Residual there, us.
    #[getter]
    fn offset_us(&self) -> f64 {
        self.map.offset_us
    }

    /// Host seconds gained per device second, ppm: the drift's negative, nearly.
    #[getter]
    fn rate_ppm(&self) -> f64 {
        self.map.rate_ppm
    }

    /// Standard uncertainty of the residual at `at_s`, us.
    #[getter]
    fn u_offset_us(&self) -> f64 {
        self.map.u_offset_us
    }

    /// Standard uncertainty of the rate, ppm.
    #[getter]
    fn u_rate_ppm(&self) -> f64 {
        self.map.u_rate_ppm
    }

    /// Covariance of residual and rate, us ppm.
    #[getter]
    fn covariance(&self) -> f64 {
        self.map.covariance
    }

    /// Half-width of the 95 % interval of the residual at `at_s`, us.
    #[getter]
    fn half_width_us(&self) -> f64 {
        self.map.half_width_us
    }

    /// By how much it grows for each second away from `at_s`, us/s.
    #[getter]
    fn growth_ppm(&self) -> f64 {
        self.map.growth_ppm
    }

    /// By how fast the rate may change, ppm/s.
    #[getter]
    fn curvature_ppm_per_s(&self) -> f64 {
        self.map.curvature_ppm_per_s
    }

    /// First device time that observations stand behind, s.
    #[getter]
    fn valid_from_s(&self) -> f64 {
        self.map.valid_from_s
    }

    /// Last device time that observations stand behind, s.
    #[getter]
    fn valid_to_s(&self) -> f64 {
        self.map.valid_to_s
    }

    /// All numbers by name; ClockMap(**numbers) is the same map.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let fields = PyDict::new(py);
        let map = &self.map;
        fields.set_item("segment", self.segment)?;
        fields.set_item("device_origin", map.frame.device_origin)?;
        fields.set_item("counts_per_s", map.frame.counts_per_s)?;
        fields.set_item("host_origin_ns", map.frame.host_origin_ns)?;
        for (name, number) in [
            ("at_s", map.at_s),
            ("offset_us", map.offset_us),
            ("rate_ppm", map.rate_ppm),
            ("u_offset_us", map.u_offset_us),
            ("u_rate_ppm", map.u_rate_ppm),
            ("covariance", map.covariance),
            ("half_width_us", map.half_width_us),
            ("growth_ppm", map.growth_ppm),
            ("curvature_ppm_per_s", map.curvature_ppm_per_s),
            ("valid_from_s", map.valid_from_s),
            ("valid_to_s", map.valid_to_s),
        ] {
            fields.set_item(name, number)?;
        }
        Ok(fields)
    }

    fn __getnewargs_ex__<'py>(&self, py: Python<'py>) -> PyResult<((), Bound<'py, PyDict>)> {
        Ok(((), self.to_dict(py)?))
    }

    fn __repr__(&self) -> String {
        let (drift, half_width) = (self.map.drift_ppm(), self.map.half_width_us / 1e3);
        let (from, to) = (self.map.valid_from_s, self.map.valid_to_s);
        format!(
            "<ClockMap of segment {}, {from:.3} to {to:.3} s: drift {drift:+.3} ppm, ±{half_width:.3} ms>",
            self.segment
        )
    }
}

fn columns(count: usize) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    (Vec::with_capacity(count), Vec::with_capacity(count), Vec::with_capacity(count))
}

/// A single number rather than something with a length.
fn is_scalar(value: &Bound<'_, PyAny>) -> PyResult<bool> {
    // Arrays of shape () have a length that raises.
    Ok(value.len().is_err())
}

/// A finite number.
pub(crate) fn finite(name: &str, value: &Bound<'_, PyAny>) -> PyResult<f64> {
    let refused =
        || -> PyResult<String> { Ok(format!("{name}: found {}, expected a finite number", value.repr()?)) };
    match value.extract::<f64>() {
        Ok(number) if number.is_finite() => Ok(number),
        Ok(_) => Err(ArgumentError::new_err(refused()?)),
        Err(_) => Err(PyTypeError::new_err(refused()?)),
    }
}
