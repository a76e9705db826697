//! What a session answers, as frozen values; names and numbers are those of `include/tickseam.h`.

use pyo3::prelude::*;
use pyo3::types::PyDict;
use tickseam::intake::{self, Intaken};
use tickseam::session::{Placed, SessionCounters, Sighted};

/// A pyclass of named numbers with words for each.
macro_rules! named {
    ($(#[$doc:meta])* $name:ident { $($(#[$text:meta])* $variant:ident = $value:literal $upper:literal $words:literal,)* }) => {
        $(#[$doc])*
        #[pyclass(frozen, eq, eq_int, hash, from_py_object, rename_all = "SCREAMING_SNAKE_CASE", module = "tickseam")]
        #[derive(Clone, Copy, PartialEq, Eq, Hash)]
        pub(crate) enum $name { $($(#[$text])* $variant = $value,)* }

        #[pymethods]
        impl $name {
            /// Its name, such as it is written in a program.
            #[getter]
            fn name(&self) -> &'static str {
                match self { $(Self::$variant => $upper,)* }
            }

            /// Its number, the same as in C.
            #[getter]
            fn value(&self) -> u8 {
                *self as u8
            }

            /// Its meaning in words.
            #[getter]
            fn text(&self) -> &'static str {
                match self { $(Self::$variant => $words,)* }
            }
        }
    };
}

named! {
    /// What a packet did.
    Disposition {
        /// The successor of the newest packet, or the first of its stream.
        InOrder = 0 "IN_ORDER" "in order",
        /// Older than the newest packet; used.
        Late = 1 "LATE" "late, used",
        /// Already received: keep the earlier one.
        Duplicate = 2 "DUPLICATE" "duplicate",
        /// Used; packets are missing.
        OpensGap = 3 "OPENS_GAP" "opens a gap",
        /// Older than the newest packet; used; the last one that was missing in its gap.
        ClosesGap = 4 "CLOSES_GAP" "closes a gap",
        /// After an ambiguous silence the count goes on.
        Resumes = 5 "RESUMES" "resumes after an ambiguous silence",
        /// The device's counters restarted.
        NewSegment = 6 "NEW_SEGMENT" "begins a segment",
        /// The stream's first packet in a segment that another stream opened.
        JoinsSegment = 7 "JOINS_SEGMENT" "joins a segment",
        /// Several numbers of turns of the counters fit.
        Ambiguous = 8 "AMBIGUOUS" "ambiguous, waits for its place",
        /// The counters fit nothing known.
        Quarantined = 9 "QUARANTINED" "fits nothing known, waits for its place",
        /// Refused: nothing has changed but a counter.
        Rejected = 10 "REJECTED" "rejected",
    }
}

named! {
    /// Why a packet was refused.
    Refusal {
        /// Not refused.
        None = 0 "NONE" "not refused",
        /// No such stream was described.
        UnknownStream = 1 "UNKNOWN_STREAM" "no such stream",
        /// The sequence number does not fit its width.
        Sequence = 2 "SEQUENCE" "the sequence number does not fit its width",
        /// The tick does not fit its width.
        Tick = 3 "TICK" "the tick does not fit its width",
        /// The packet holds no sample.
        NoSamples = 4 "NO_SAMPLES" "no samples",
        /// The host stamp is more than 146 years from the origin of its clock.
        Host = 5 "HOST" "the host stamp is no time of any clock",
        /// Older than the reorder window.
        TooOld = 6 "TOO_OLD" "too old",
        /// The position does not fit 64 bits.
        Overflow = 7 "OVERFLOW" "the position does not fit 64 bits",
    }
}

named! {
    /// What became of an exchange or a marker.
    Sighting {
        /// It bounds the clock.
        Used = 0 "USED" "used",
        /// The device's ticks are not described.
        NoTicks = 1 "NO_TICKS" "no ticks are described",
        /// No packet of the reference stream has found its place yet.
        TooEarly = 2 "TOO_EARLY" "too early",
        /// A tick does not fit its width, or lies more than 2 s from where the arrivals expect it.
        FarOff = 3 "FAR_OFF" "far off",
        /// The reply came before the request, on either clock.
        Backwards = 4 "BACKWARDS" "backwards",
    }
}

named! {
    /// How much a session knows.
    Knowledge {
        /// No two packets of the reference stream that agree have found their place: nothing can be placed.
        KnowsNothing = 0 "KNOWS_NOTHING" "nothing is known",
        /// The first packets: bounded by the declared tolerance and the usual delays only.
        Cold = 1 "COLD" "cold",
        /// Blocks of arrivals bound the clock.
        Tracking = 2 "TRACKING" "tracking",
    }
}

impl From<Sighted> for Sighting {
    fn from(sighted: Sighted) -> Self {
        match sighted {
            Sighted::Used => Self::Used,
            Sighted::NoTicks => Self::NoTicks,
            Sighted::TooEarly => Self::TooEarly,
            Sighted::FarOff => Self::FarOff,
            Sighted::Backwards => Self::Backwards,
        }
    }
}

impl From<intake::Refusal> for Refusal {
    fn from(refusal: intake::Refusal) -> Self {
        match refusal {
            intake::Refusal::UnknownStream => Self::UnknownStream,
            intake::Refusal::SequenceOutOfRange => Self::Sequence,
            intake::Refusal::TickOutOfRange => Self::Tick,
            intake::Refusal::NoSamples => Self::NoSamples,
            intake::Refusal::HostOutOfRange => Self::Host,
            intake::Refusal::TooOld => Self::TooOld,
            intake::Refusal::CountOverflow => Self::Overflow,
        }
    }
}

impl From<&intake::Disposition> for Disposition {
    fn from(disposition: &intake::Disposition) -> Self {
        match disposition {
            intake::Disposition::InOrder => Self::InOrder,
            intake::Disposition::Late => Self::Late,
            intake::Disposition::Duplicate => Self::Duplicate,
            intake::Disposition::OpensGap { .. } => Self::OpensGap,
            intake::Disposition::ClosesGap => Self::ClosesGap,
            intake::Disposition::Resumes { .. } => Self::Resumes,
            intake::Disposition::NewSegment { .. } => Self::NewSegment,
            intake::Disposition::JoinsSegment { .. } => Self::JoinsSegment,
            intake::Disposition::Ambiguous { .. } => Self::Ambiguous,
            intake::Disposition::Quarantined { .. } => Self::Quarantined,
            intake::Disposition::Rejected(_) => Self::Rejected,
        }
    }
}

/// A frozen class of plain fields, with a repr that names them; what follows the fields are further methods.
macro_rules! plain {
    ($(#[$doc:meta])* $name:ident { $($(#[$text:meta])* $field:ident: $kind:ty,)* } $($more:tt)*) => {
        $(#[$doc])*
        #[pyclass(frozen, eq, get_all, module = "tickseam")]
        #[derive(Clone, PartialEq)]
        pub(crate) struct $name { $($(#[$text])* pub(crate) $field: $kind,)* }

        #[pymethods]
        impl $name {
            $($more)*

            /// All fields by name.
            fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
                let fields = PyDict::new(py);
                $(fields.set_item(stringify!($field), self.$field.clone())?;)*
                Ok(fields)
            }

            fn __repr__(&self, py: Python<'_>) -> PyResult<String> {
                let mut text = String::new();
                for (name, value) in self.to_dict(py)? {
                    let before = if text.is_empty() { "" } else { ", " };
                    text.push_str(&format!("{before}{name}={}", value.repr()?));
                }
                Ok(format!("{}({text})", stringify!($name)))
            }
        }
    };
}
pub(crate) use plain;

plain! {
    /// What a packet did, and where it lies. Read-only.
    Answer {
        /// What it did.
        disposition: Disposition,
        /// Why it was rejected, if it was.
        refusal: Refusal,
        /// Segment: 0, 1, ...; a new one begins where the device's counters restarted. None while the packet has no place.
        segment: Option<u32>,
        /// Unwrapped sequence number; for a duplicate, that of the earlier one. None while the packet has no place.
        index: Option<i64>,
        /// Unwrapped tick at the first sample, or the count of samples for a packet without a tick. None while it has no place.
        device_count: Option<i64>,
        /// Unwrapped sequence number of the first missing packet, for OPENS_GAP and RESUMES; else None.
        missing_from: Option<i64>,
        /// Packets missing in a row there; else 0.
        missing_count: u64,
        /// Earlier packets of the stream that got their place with this one.
        settled: u32,
    }

    /// True where the packet lies somewhere; a duplicate lies where the earlier one does.
    #[getter]
    fn has_place(&self) -> bool {
        self.index.is_some()
    }
}

impl From<Intaken> for Answer {
    fn from(intaken: Intaken) -> Self {
        use intake::Disposition::{JoinsSegment, NewSegment, OpensGap, Rejected, Resumes};
        let missing = match intaken.disposition {
            OpensGap { missing_from, missing_count } | Resumes { missing_from, missing_count, .. } => {
                Some((missing_from, missing_count))
            }
            _ => None,
        };
        Self {
            disposition: Disposition::from(&intaken.disposition),
            refusal: match intaken.disposition {
                Rejected(refusal) => refusal.into(),
                _ => Refusal::None,
            },
            segment: intaken.resolved.map(|at| at.segment),
            index: intaken.resolved.map(|at| at.index),
            device_count: intaken.resolved.map(|at| at.device),
            missing_from: missing.map(|(from, _)| from),
            missing_count: missing.map_or(0, |(_, count)| count),
            settled: match intaken.disposition {
                Resumes { confirmed, .. } | NewSegment { confirmed, .. } | JoinsSegment { confirmed } => {
                    confirmed.packets
                }
                _ => 0,
            },
        }
    }
}

plain! {
    /// Where an event fell, and how surely. Read-only.
    Placement {
        /// Segment on whose timeline it fell.
        segment: u32,
        /// Time on that timeline, s at the nominal rate since the first sample of its first packet of the reference stream.
        device_s: f64,
        /// The same in samples of the reference stream, with a fraction.
        sample: f64,
        /// Standard uncertainty, us.
        u_us: f64,
        /// Half-width of the 95 % interval, us.
        u95_us: f64,
        /// What the delays of the link leave open of the clock: half-width of 95 %, us.
        link_us: f64,
        /// What the age of the last observation adds, us.
        holdover_us: f64,
        /// The fixed delay's part, us.
        fixed_delay_us: f64,
        /// The part of the steps of stamps and ticks, us.
        resolution_us: f64,
        /// The part of the event's latency, us.
        latency_us: f64,
        /// Of link_us: what the scatter of delays, exchanges and markers leaves open, us. With the next two it adds up to link_us.
        statistics_us: f64,
        /// Of link_us: what the link's grid leaves open, us.
        lattice_us: f64,
        /// Of link_us: what the crystal's wander leaves open, us.
        curvature_us: f64,
        /// True where nobody knows the fixed delay: the event is placed late by it, and `u95_us` does not count it.
        excludes_fixed_delay: bool,
    }

    /// The uncertainty budget (GUM), line by line: name -> half-width of 95 %, us. `link` and `holdover` add up; `fixed_delay`,
    /// `resolution` and `latency` join them in root sum of squares, which gives `u95_us`. `statistics`, `lattice` and `curvature` add up to
    /// `link`.
    #[getter]
    fn budget<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let lines = PyDict::new(py);
        for (line, half_width_us) in [
            ("link", self.link_us),
            ("holdover", self.holdover_us),
            ("fixed_delay", self.fixed_delay_us),
            ("resolution", self.resolution_us),
            ("latency", self.latency_us),
            ("statistics", self.statistics_us),
            ("lattice", self.lattice_us),
            ("curvature", self.curvature_us),
        ] {
            lines.set_item(line, half_width_us)?;
        }
        Ok(lines)
    }
}

impl Placement {
    pub(crate) fn new(placed: &Placed, rate_hz: f64) -> Self {
        let Placed { segment, excludes_fixed_delay, placement } = *placed;
        let budget = placement.budget;
        Self {
            segment,
            device_s: placement.device_s,
            sample: placement.device_s * rate_hz,
            u_us: placement.u_us,
            u95_us: placement.u95_us,
            link_us: budget.link_us,
            holdover_us: budget.holdover_us,
            fixed_delay_us: budget.fixed_delay_us,
            resolution_us: budget.resolution_us,
            latency_us: budget.latency_us,
            statistics_us: budget.statistics_us,
            lattice_us: budget.lattice_us,
            curvature_us: budget.curvature_us,
            excludes_fixed_delay,
        }
    }
}

plain! {
    /// A run of missing packets. Read-only.
    Gap {
        /// Unwrapped sequence number of the first missing packet.
        first_index: i64,
        /// Packets missing in a row, at least 1.
        packets: u64,
        /// Samples missing at the nominal packet size.
        samples: u64,
    }
}

plain! {
    /// How a session stands. Read-only.
    State {
        /// How much is known.
        knowledge: Knowledge,
        /// The device's segment: 0 before any restart.
        segment: u32,
        /// The segment that events are placed on; None before the first packet of the reference stream.
        timeline_segment: Option<u32>,
        /// Time of the newest packet of the reference stream on its timeline, s; None before the first.
        newest_s: Option<f64>,
        /// Packets missing in each stream, over all segments; what is lost between two segments is not known.
        missing_packets: Vec<u64>,
    }
}

plain! {
    /// What the arrivals show of the link: its grid and the beat. Read-only.
    LinkDiagnosis {
        /// Period of the grid that is believed in, declared or found, us of the radio's own time; None without one.
        interval_us: Option<f64>,
        /// Rate of the grid against the host's clock, ppm: positive if its periods are longer than nominal.
        interval_stretch_ppm: f64,
        /// The beat, us: the longest stretch of the grid's period that no packet of a minute falls into. The shortest wait may hide as
        /// much; several milliseconds call for another packet period, an exchange or a marker.
        beat_us: f64,
        /// True where the device's rate lies outside the declared tolerance.
        off_nominal: bool,
        /// True where exchanges and markers tell more than arrivals less the fixed delay.
        rests_on_sightings: bool,
    }
}

/// The counters, each by its name in the header.
macro_rules! counters {
    ($($(#[$text:meta])* $name:ident = $($part:ident).+,)*) => {
        plain! {
            /// What was counted since the session began; in_order to count_overflow add up to the packets observed. Read-only.
            Counters { $($(#[$text])* $name: u64,)* }
        }

        impl From<SessionCounters> for Counters {
            fn from(counters: SessionCounters) -> Self {
                Self { $($name: counters.$($part).+,)* }
            }
        }
    };
}

counters! {
    /// Packets in order.
    in_order = intake.in_order,
    /// Packets older than the newest one, used.
    late = intake.late,
    /// Packets that had come before.
    duplicate = intake.duplicate,
    /// Packets before which others are missing.
    opens_gap = intake.opens_gap,
    /// Packets that closed a gap.
    closes_gap = intake.closes_gap,
    /// Packets with which the count went on after an ambiguous silence.
    resumes = intake.resumes,
    /// Packets with which a segment began.
    new_segment = intake.new_segment,
    /// Packets with which a stream joined a segment.
    joins_segment = intake.joins_segment,
    /// Packets that several numbers of turns fit.
    ambiguous = intake.ambiguous,
    /// Packets that fit nothing known.
    quarantined = intake.quarantined,
    /// Packets refused: no such stream.
    unknown_stream = intake.unknown_stream,
    /// Packets refused: sequence number beyond its width.
    sequence_out_of_range = intake.sequence_out_of_range,
    /// Packets refused: tick beyond its width.
    tick_out_of_range = intake.tick_out_of_range,
    /// Packets refused: no samples.
    no_samples = intake.no_samples,
    /// Packets refused: host stamp beyond 146 years.
    host_out_of_range = intake.host_out_of_range,
    /// Packets refused: too old.
    too_old = intake.too_old,
    /// Packets refused: position beyond 64 bits.
    count_overflow = intake.count_overflow,
    /// Packets with another number of samples than their stream's nominal one.
    varying_samples = intake.varying_samples,
    /// Packets that got their place after others had come.
    settled_later = settling.settled_later,
    /// Packets that waited for a place and never got one.
    never_settled = settling.never_settled,
    /// Packets that waited longer than there is room for.
    forgotten = settling.forgotten,
    /// Stamps that were nonsense and were not used for the clock.
    wild = wild,
    /// Exchanges used.
    exchanges_used = exchanges_used,
    /// Exchanges refused.
    exchanges_refused = exchanges_refused,
    /// Markers used.
    markers_used = markers_used,
    /// Markers refused.
    markers_refused = markers_refused,
}
