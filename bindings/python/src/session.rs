//! The live session.

use std::sync::{Mutex, MutexGuard, PoisonError, TryLockError};

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyTuple};
use tickseam::intake::PacketStamp;
use tickseam::placement::Shift;
use tickseam::session::{self, Knowledge as Known, is_a_time};

use crate::columns::{I64, PacketArrays, U32, U64, slice, whole};
use crate::described::Described;
use crate::errors::{ArgumentError, DescriptionError, NotYetError};
use crate::map::{ClockMap, HostInstant, finite};
use crate::values::{
    Answer, Counters, Disposition, Gap, Knowledge, LinkDiagnosis, Placement, Sighting, State,
};

/// Streams that one session has room for, as in C.
const STREAMS: usize = 4;
type Live = session::Session<STREAMS>;

/// A live session: observes packets, exchanges and markers while the headset runs; places events.
///
/// Session(description): a Description, or a dict with the keys of recording.toml; at most 4 streams, the first is the reference whose
/// samples events are placed on. Raises DescriptionError.
///
/// Times of the host are int nanoseconds of one clock that never jumps (time.monotonic_ns()), stamped as early in the callback as can be.
/// Device times are seconds at the nominal rate since the first sample of the segment's first packet. The same packets give the same bits
/// as in Rust and C. Memory is fixed, 16.5 KiB. Calls from several threads wait for each other, without holding the interpreter's lock.
#[pyclass(frozen, module = "tickseam")]
pub(crate) struct Session {
    described: Py<Described>,
    live: Mutex<Live>,
}

impl Session {
    /// The session's state. Nobody waits here with the interpreter's lock held, or two threads could wait for each other.
    fn lock(&self, py: Python<'_>) -> MutexGuard<'_, Live> {
        loop {
            match self.live.try_lock() {
                Ok(guard) => return guard,
                Err(TryLockError::Poisoned(poisoned)) => return poisoned.into_inner(),
                Err(TryLockError::WouldBlock) => py.detach(|| drop(self.wait())),
            }
        }
    }

    fn wait(&self) -> MutexGuard<'_, Live> {
        self.live.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn not_yet(what: &str) -> PyErr {
    NotYetError::new_err(format!(
        "{what}: found fewer than two packets of the reference stream that agree, expected at least two; or the host's clock was set \
         so often since that what was known then is forgotten"
    ))
}

fn latency(latency_us: f64, latency_u_us: f64) -> PyResult<Shift> {
    let latency = Shift { us: latency_us, u_us: latency_u_us };
    if is_a_time(latency) {
        return Ok(latency);
    }
    Err(ArgumentError::new_err(format!(
        "latency_us, latency_u_us: found {latency_us} and {latency_u_us}, expected at most an hour (3.6e9 us) either way, and an \
         uncertainty of 0 to an hour"
    )))
}

#[pymethods]
impl Session {
    #[new]
    fn new(description: &Bound<'_, PyAny>) -> PyResult<Self> {
        let py = description.py();
        let native = py.import("tickseam._description")?.call_method1("native", (description,))?;
        let described: Bound<'_, Described> = native.cast_into::<Described>()?;
        let streams = described.get().streams();
        if streams.len() > STREAMS {
            return Err(DescriptionError::new_err(format!(
                "description, key \"stream\": found {} of them, expected at most {STREAMS} in a live session",
                streams.len()
            )));
        }
        let live = Live::new(&described.get().config(&streams))
            .map_err(|error| DescriptionError::new_err(format!("description: {error}")))?;
        Ok(Self { described: described.unbind(), live: Mutex::new(live) })
    }

    /// Takes a received packet, in the order of reception; host stamps need not ascend.
    ///
    /// host_ns: int, the host's clock at the stamp, ns. sequence: int, as sent. tick: int or None, the device's counter at the packet's
    /// first sample, as sent; None where the packet carries none. samples: int, samples in the packet. stream: int, from 0.
    ///
    /// Returns an Answer. A packet that cannot be used is no error: its disposition is REJECTED, and a counter moves. Raises
    /// ArgumentError or TypeError for what is no packet at all, and nothing has changed. About 1 us.
    #[pyo3(signature = (host_ns, sequence, tick, samples, stream = None))]
    fn observe_packet(
        &self,
        py: Python<'_>,
        host_ns: &Bound<'_, PyAny>,
        sequence: &Bound<'_, PyAny>,
        tick: Option<&Bound<'_, PyAny>>,
        samples: &Bound<'_, PyAny>,
        stream: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<Answer> {
        let stamp = PacketStamp {
            host_ns: whole("host_ns", host_ns, I64)?,
            sequence: whole("sequence", sequence, U64)?,
            tick: tick.map(|tick| whole("tick", tick, U64)).transpose()?,
            samples: whole("samples", samples, U32)?,
        };
        let stream = stream.map_or(Ok(0), |stream| whole::<u32>("stream", stream, U32))?;
        let stream = usize::try_from(stream).unwrap_or(usize::MAX);
        Ok(self.lock(py).observe_packet(stream, stamp).into())
    }

    /// Takes many packets in the order of reception, without the interpreter's lock.
    ///
    /// packets: a DataFrame or a mapping with the columns of packets.csv, or the columns by keyword: host_ns int64, stream uint8 (or
    /// names; left out: all of the first), sequence uint32, tick uint64 (left out, None, NaN or masked: no tick), samples uint16 (left
    /// out: the usual number); shape (n,) each. Arrays of these types in one piece are used where they lie; others are converted, which
    /// is a copy. Do not write to them meanwhile.
    ///
    /// Returns the dispositions, uint8 of shape (n,): Disposition.X.value. Raises ArgumentError, naming array and row, for values that
    /// do not fit; nothing has changed then.
    #[pyo3(signature = (packets = None, *, host_ns = None, stream = None, sequence = None, tick = None, samples = None))]
    #[expect(clippy::too_many_arguments, reason = "the columns of packets.csv, all by name")]
    fn observe_packets<'py>(
        &self,
        py: Python<'py>,
        packets: Option<Bound<'py, PyAny>>,
        host_ns: Option<Bound<'py, PyAny>>,
        stream: Option<Bound<'py, PyAny>>,
        sequence: Option<Bound<'py, PyAny>>,
        tick: Option<Bound<'py, PyAny>>,
        samples: Option<Bound<'py, PyAny>>,
    ) -> PyResult<Bound<'py, PyArray1<u8>>> {
        let description = self.described.bind(py);
        let arguments = (description, packets, host_ns, stream, sequence, tick, samples);
        let arrays = py.import("tickseam._columns")?.call_method1("packets", arguments.into_pyobject(py)?)?;
        let arrays: PacketArrays<'py> = arrays.cast_into::<PyTuple>()?.extract()?;
        let (host_ns, stream) = (slice("host_ns", &arrays.0)?, slice("stream", &arrays.1)?);
        let (sequence, samples) = (slice("sequence", &arrays.2)?, slice("samples", &arrays.5)?);
        let tick = arrays.3.as_ref().map(|tick| slice("tick", tick)).transpose()?;
        let without = arrays.4.as_ref().map(|without| slice("tick", without)).transpose()?;
        let answers: Vec<u8> = py.detach(|| {
            let mut live = self.wait();
            let rows = host_ns.iter().zip(stream).zip(sequence).zip(samples).enumerate();
            rows.map(|(row, (((&host_ns, &stream), &sequence), &samples))| {
                let has_tick = without.is_none_or(|without| without.get(row) != Some(&true));
                let stamp = PacketStamp {
                    host_ns,
                    sequence: sequence.into(),
                    tick: tick.and_then(|tick| tick.get(row)).copied().filter(|_| has_tick),
                    samples: samples.into(),
                };
                Disposition::from(&live.observe_packet(stream.into(), stamp).disposition) as u8
            })
            .collect()
        });
        Ok(answers.into_pyarray(py))
    }

    /// Takes an exchange of time stamps (T1 to T4 of RFC 5905), when its reply has come.
    ///
    /// origin_ns: int, host time at which the request was sent. receive_tick, transmit_tick: int, the device's ticks at which it was
    /// received and the reply sent. destination_ns: int, host time at which the reply came. It bounds the clock from both sides and
    /// needs no fixed delay. Returns a Sighting. Raises ArgumentError, TypeError.
    fn observe_exchange(
        &self,
        py: Python<'_>,
        origin_ns: &Bound<'_, PyAny>,
        receive_tick: &Bound<'_, PyAny>,
        transmit_tick: &Bound<'_, PyAny>,
        destination_ns: &Bound<'_, PyAny>,
    ) -> PyResult<Sighting> {
        let (origin_ns, destination_ns) =
            (whole("origin_ns", origin_ns, I64)?, whole("destination_ns", destination_ns, I64)?);
        let (receive, transmit) =
            (whole("receive_tick", receive_tick, U64)?, whole("transmit_tick", transmit_tick, U64)?);
        Ok(self.lock(py).observe_exchange(origin_ns, receive, transmit, destination_ns).into())
    }

    /// Takes a marker: an instant that the host stamped host_ns (int, ns) and the device saw at its tick (int); believed to within 2 ms.
    ///
    /// Returns a Sighting. Raises ArgumentError, TypeError.
    fn observe_marker(
        &self,
        py: Python<'_>,
        host_ns: &Bound<'_, PyAny>,
        tick: &Bound<'_, PyAny>,
    ) -> PyResult<Sighting> {
        let (host_ns, tick) = (whole("host_ns", host_ns, I64)?, whole("tick", tick, U64)?);
        Ok(self.lock(py).observe_marker(host_ns, tick).into())
    }

    /// Places an event.
    ///
    /// host_ns: int, its stamp, ns. latency_us: float, from the stamp to the physical event, us; negative where the event came first (a
    /// tap); at most an hour. latency_u_us: float, its standard uncertainty, us. Ask a second or more after the event; ask again later,
    /// when more is known. An event from before the running segment is placed on the one before it.
    ///
    /// Returns a Placement. Raises NotYetError before two packets that agree, or for an event from so far back that the host's clock was
    /// set more often since than is remembered; ArgumentError for a latency beyond an hour.
    #[pyo3(signature = (host_ns, latency_us = 0.0, latency_u_us = 0.0))]
    fn place(
        &self,
        py: Python<'_>,
        host_ns: &Bound<'_, PyAny>,
        latency_us: f64,
        latency_u_us: f64,
    ) -> PyResult<Placement> {
        let (host_ns, shift) = (whole("host_ns", host_ns, I64)?, latency(latency_us, latency_u_us)?);
        let live = self.lock(py);
        let placed = live.place(host_ns, shift).ok_or_else(|| not_yet("place"))?;
        Ok(Placement::new(&placed, live.rate_hz()))
    }

    /// Host time of a time on the running segment's timeline: the way back from a placement.
    ///
    /// device_s: float, s, finite. Returns a HostInstant. Raises NotYetError, ArgumentError.
    fn host_at(&self, py: Python<'_>, device_s: &Bound<'_, PyAny>) -> PyResult<HostInstant> {
        let device_s = finite("device_s", device_s)?;
        let at = self.lock(py).host_at(device_s).ok_or_else(|| not_yet("host_at"))?;
        Ok(HostInstant { host_ns: at.host_ns, u_us: at.u_us, u95_us: at.u95_us })
    }

    /// The running segment's clock map as it is known now: a value for any thread.
    ///
    /// Raises NotYetError. Some microseconds: take it as often as somebody looks at it, not for each packet.
    fn map(&self, py: Python<'_>) -> PyResult<ClockMap> {
        let live = self.lock(py);
        let map = live.map().ok_or_else(|| not_yet("map"))?;
        Ok(ClockMap::new(map, live.timeline_segment().unwrap_or(0)))
    }

    /// The first run of missing packets of a stream, in its present segment, that ends at or after an unwrapped sequence number.
    ///
    /// stream: int, from 0. from_index: int; ask again from gap.first_index + gap.packets. Returns a Gap, or None where there is no
    /// further one. Late packets may still close it. Some 32 runs are listed for each stream, the newest ones. Raises ArgumentError for
    /// a stream that is not described.
    #[pyo3(signature = (stream = 0, from_index = i64::MIN))]
    fn next_gap(&self, py: Python<'_>, stream: i64, from_index: i64) -> PyResult<Option<Gap>> {
        let live = self.lock(py);
        let place = usize::try_from(stream).unwrap_or(usize::MAX);
        let per_packet = live.samples_per_packet(place).ok_or_else(|| {
            ArgumentError::new_err(format!(
                "stream: found {stream}, expected the place of a described stream, from 0"
            ))
        })?;
        Ok(live.next_gap(place, from_index).map(|gap| Gap {
            first_index: gap.first_index,
            packets: gap.count,
            samples: gap.samples(per_packet),
        }))
    }

    /// All runs of missing packets that are listed for a stream, in order: see next_gap. Raises ArgumentError.
    #[pyo3(signature = (stream = 0))]
    fn gaps(&self, py: Python<'_>, stream: i64) -> PyResult<Vec<Gap>> {
        let mut gaps: Vec<Gap> = Vec::new();
        let mut from_index = i64::MIN;
        while let Some(gap) = self.next_gap(py, stream, from_index)? {
            from_index = gap.first_index.saturating_add(i64::try_from(gap.packets).unwrap_or(i64::MAX));
            gaps.push(gap);
        }
        Ok(gaps)
    }

    /// The device's segment, int: 0 before any restart. The reference stream may not have joined it yet: see state().
    #[getter]
    fn segment(&self, py: Python<'_>) -> u32 {
        self.lock(py).segment()
    }

    /// How much is known: a Knowledge.
    #[getter]
    fn knowledge(&self, py: Python<'_>) -> Knowledge {
        knowledge(&self.lock(py))
    }

    /// How the session stands: a State.
    fn state(&self, py: Python<'_>) -> State {
        let live = self.lock(py);
        State {
            knowledge: knowledge(&live),
            segment: live.segment(),
            timeline_segment: live.timeline_segment(),
            newest_s: live.newest_s(),
            missing_packets: (0..STREAMS).map_while(|stream| live.missing_packets(stream)).collect(),
        }
    }

    /// What the arrivals show of the link, its grid and the beat: a LinkDiagnosis.
    fn link(&self, py: Python<'_>) -> LinkDiagnosis {
        let link = self.lock(py).link();
        LinkDiagnosis {
            interval_us: link.interval_us,
            interval_stretch_ppm: link.interval_stretch_ppm,
            beat_us: link.beat_us,
            off_nominal: link.off_nominal,
            rests_on_sightings: link.rests_on_pairs,
        }
    }

    /// What was counted since the session began: Counters.
    fn counters(&self, py: Python<'_>) -> Counters {
        self.lock(py).counters().into()
    }

    /// The whole session as bytes, for restore() with the same build of the package: after the app was restarted, on the same clock of the
    /// host. Some 20 us.
    fn save<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyBytes>> {
        let sum = described_sum(self.described.bind(py).get());
        let state = tickseam_capi::saved(&self.lock(py));
        PyBytes::new_with(py, SUM_BYTES + state.len(), |bytes| {
            let (front, rest) = bytes.split_at_mut(SUM_BYTES);
            front.copy_from_slice(&sum.to_le_bytes());
            rest.copy_from_slice(&state);
            Ok(())
        })
    }

    /// Goes on where a session was saved, as if nothing had been between, to the same bits.
    ///
    /// description: the one that it was begun with. saved: bytes, what save() gave. Bytes that were altered by accident are refused; forged
    /// ones are not noticed and can do anything in the process, as with pickle: keep them where nobody else writes. Raises ArgumentError for
    /// bytes that are no saved session, of another build or description, or altered; DescriptionError.
    #[staticmethod]
    fn restore(description: &Bound<'_, PyAny>, saved: &[u8]) -> PyResult<Self> {
        let new = Self::new(description)?;
        let found =
            |what: &str| ArgumentError::new_err(format!("saved: found {what}, expected what save() gave"));
        let (sum, state) = saved.split_first_chunk().ok_or_else(|| found("too few bytes"))?;
        #[expect(
            unsafe_code,
            reason = "bytes become a session again; the caller was told to restore nothing forged"
        )]
        // SAFETY: altered bytes are refused; that they are not forged is the caller's promise, by the documentation above.
        let live = unsafe { tickseam_capi::restored(state) }.map_err(|status| match status {
            tickseam_capi::TICKSEAM_ERROR_OTHER_BUILD => {
                found("a session that another build of the package saved")
            }
            tickseam_capi::TICKSEAM_ERROR_ALTERED => found("a session that was altered since"),
            _ => found("bytes that are no saved session"),
        })?;
        if u64::from_le_bytes(*sum) != described_sum(new.described.get()) {
            return Err(found("a session of another description"));
        }
        Ok(Self { live: Mutex::new(live), ..new })
    }

    /// A snapshot: both go on from here, each for itself, to the same bits.
    fn copy(&self, py: Python<'_>) -> Self {
        Self { described: self.described.clone_ref(py), live: Mutex::new(self.lock(py).clone()) }
    }

    fn __copy__(&self, py: Python<'_>) -> Self {
        self.copy(py)
    }

    fn __deepcopy__(&self, py: Python<'_>, _memo: &Bound<'_, PyAny>) -> Self {
        self.copy(py)
    }

    fn __repr__(&self, py: Python<'_>) -> String {
        let live = self.lock(py);
        let calls = live.counters().intake.calls();
        format!(
            "<Session in segment {}: {}, {calls} packets observed>",
            live.segment(),
            match live.knowledge() {
                Known::Nothing => "nothing is known",
                Known::Cold => "cold",
                Known::Tracking => "tracking",
            }
        )
    }
}

/// Bytes of a saved session that say which description it had.
const SUM_BYTES: usize = size_of::<u64>();

/// Tells descriptions apart (FNV-1a).
fn described_sum(described: &Described) -> u64 {
    let text = format!("{:?}", described.config(&described.streams()));
    let step = |sum: u64, byte: u8| (sum ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
    text.bytes().fold(0xCBF2_9CE4_8422_2325, step)
}

fn knowledge(live: &Live) -> Knowledge {
    match live.knowledge() {
        Known::Nothing => Knowledge::KnowsNothing,
        Known::Cold => Knowledge::Cold,
        Known::Tracking => Knowledge::Tracking,
    }
}
