//! The plain structs at the edges.

use crate::arguments::Sized32;
use crate::status::{
    TICKSEAM_AMBIGUOUS, TICKSEAM_CLOSES_GAP, TICKSEAM_DUPLICATE, TICKSEAM_ERROR_STREAM, TICKSEAM_ERROR_VALUE,
    TICKSEAM_IN_ORDER, TICKSEAM_JOINS_SEGMENT, TICKSEAM_LATE, TICKSEAM_NEW_SEGMENT, TICKSEAM_OPENS_GAP,
    TICKSEAM_PLACED, TICKSEAM_QUARANTINED, TICKSEAM_REFUSAL_HOST, TICKSEAM_REFUSAL_NO_SAMPLES,
    TICKSEAM_REFUSAL_NONE, TICKSEAM_REFUSAL_OVERFLOW, TICKSEAM_REFUSAL_SEQUENCE, TICKSEAM_REFUSAL_TICK,
    TICKSEAM_REFUSAL_TOO_OLD, TICKSEAM_REFUSAL_UNKNOWN_STREAM, TICKSEAM_REJECTED, TICKSEAM_RESUMES,
};
use tickseam::frame::Frame;
use tickseam::intake::{Disposition, IntakeConfigError, Intaken, PacketStamp, Refusal, StreamConfig};
use tickseam::map::ClockMap;
use tickseam::placement::Shift;
use tickseam::session::{Placed, SessionConfig, SessionConfigError, TickCounter};

/// Streams that one session has room for.
pub const TICKSEAM_STREAMS_MAX: u32 = 4;
pub(crate) const STREAMS: usize = 4;

/// One stream of packets.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_stream {
    /// Nominal sample rate, Hz, above 0.
    pub rate_hz: f64,
    /// Nominal samples in one packet, at least 1; one packet lasts 1 us to 1000 s.
    pub samples_per_packet: u32,
    /// The sequence number wraps at 2^sequence_bits; 2 to 64.
    pub sequence_bits: u32,
}

/// What is known of the device before the first packet. Set all bytes to 0, then what is known.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_config {
    /// `sizeof(tickseam_config)`.
    pub struct_size: u32,
    /// The device's tick counter wraps at 2^tick_bits; 16 to 64; 0 where packets carry no tick: then the sample count is the
    /// clock, ticks are not looked at, and exchanges and markers are refused.
    pub tick_bits: u32,
    /// Nominal rate of the tick counter, Hz, 0.001 to 1e12; 0 without one.
    pub tick_hz: f64,
    /// Tolerance of the device's crystal, ppm, 0 to 99980. Crystals of watches and radios have 20 to 50.
    pub tolerance_ppm: f64,
    /// Step of the host's stamps, us, 0 to 1e6: 0.001 for a clock of nanoseconds.
    pub host_step_us: f64,
    /// Smallest time from the first sample of a packet of stream 0 to its host stamp, us; positive: the stamp is later. At most
    /// an hour. Not looked at unless `fixed_delay_known`.
    pub fixed_delay_us: f64,
    /// Its standard uncertainty, us, 0 or more.
    pub fixed_delay_u_us: f64,
    /// Connection interval, us, 100 to 1e7; 0 where it is not known: it is looked for.
    pub interval_us: f64,
    /// 1 if the fixed delay is known, else 0: then placements are late by it and say so in `excludes_fixed_delay`.
    pub fixed_delay_known: u32,
    /// Streams that are configured, 1 to `TICKSEAM_STREAMS_MAX`.
    pub stream_count: u32,
    /// The streams; stream 0 is the reference, whose samples events are placed on.
    pub streams: [tickseam_stream; 4],
}

/// What a received packet says of itself, and when it came.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_packet {
    /// The host's clock at the stamp, ns from any origin: a clock that never jumps, read as early in the callback as can be.
    pub host_ns: i64,
    /// Sequence number as sent.
    pub sequence: u64,
    /// The device's tick at the packet's first sample, as sent. Not looked at unless `has_tick`.
    pub tick: u64,
    /// Samples in the packet.
    pub samples: u32,
    /// Stream, from 0.
    pub stream: u32,
    /// 1 if the packet carries a tick, else 0.
    pub has_tick: u32,
    /// 0.
    pub reserved: u32,
}

/// What a packet did.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_answer {
    /// `sizeof(tickseam_answer)`, filled in by the caller.
    pub struct_size: u32,
    /// `TICKSEAM_IN_ORDER` to `TICKSEAM_REJECTED`.
    pub disposition: i32,
    /// `TICKSEAM_REFUSAL_...`: why it was rejected, if it was.
    pub refusal: i32,
    /// 1 if the packet has its place: then the next three hold. For a duplicate, where the earlier one lies.
    pub has_place: u32,
    /// Segment: 0, 1, ...; a new one begins where the device's counters restarted.
    pub segment: u32,
    /// Earlier packets of the stream that got their place with this one.
    pub settled: u32,
    /// Unwrapped sequence number.
    pub index: i64,
    /// Unwrapped tick at the packet's first sample; sample count for a packet without a tick.
    pub device_count: i64,
    /// Unwrapped sequence number of the first missing packet, for `TICKSEAM_OPENS_GAP` and `TICKSEAM_RESUMES`.
    pub missing_from: i64,
    /// Packets missing in a row there; else 0.
    pub missing_count: u64,
}

/// Where an event fell, and how surely.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_placement {
    /// `sizeof(tickseam_placement)`, filled in by the caller.
    pub struct_size: u32,
    /// Segment on whose timeline it fell.
    pub segment: u32,
    /// Time on the timeline of that segment, s at the nominal rate since the first sample of its first packet of stream 0.
    pub device_s: f64,
    /// The same in samples of stream 0, with a fraction.
    pub sample: f64,
    /// Standard uncertainty, us.
    pub u_us: f64,
    /// Half-width of the 95 % interval, us. Let the clock's part be `TICKSEAM_LINE_LINK` plus `TICKSEAM_LINE_HOLDOVER`, and the rest be the
    /// root of the sum of squares of the lines from `TICKSEAM_LINE_FIXED_DELAY` to `TICKSEAM_LINE_LATENCY`. From a session it is their sum,
    /// since a live clock may lie at the very edge of its bounds; replayed, the root of the sum of their squares.
    pub u95_us: f64,
    /// Half-widths of 95 %, us: see `TICKSEAM_LINE_LINK`.
    pub link_us: f64,
    /// See `TICKSEAM_LINE_HOLDOVER`.
    pub holdover_us: f64,
    /// See `TICKSEAM_LINE_FIXED_DELAY`.
    pub fixed_delay_us: f64,
    /// See `TICKSEAM_LINE_RESOLUTION`.
    pub resolution_us: f64,
    /// See `TICKSEAM_LINE_LATENCY`.
    pub latency_us: f64,
    /// The three parts of `link_us`, which add up to it: see `TICKSEAM_LINE_STATISTICS`.
    pub statistics_us: f64,
    /// See `TICKSEAM_LINE_LATTICE`.
    pub lattice_us: f64,
    /// See `TICKSEAM_LINE_CURVATURE`.
    pub curvature_us: f64,
    /// 1 if nobody knows the fixed delay: the event is placed late by it, and `u95_us` does not count it.
    pub excludes_fixed_delay: u32,
    /// `TICKSEAM_PLACED`; of a replay also `TICKSEAM_IN_GAP` or `TICKSEAM_OUTSIDE`.
    pub status: i32,
}

/// An instant of the host's clock.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_host_instant {
    /// Host time, ns.
    pub host_ns: i64,
    /// Standard uncertainty, us.
    pub u_us: f64,
    /// Half-width of the 95 % interval, us.
    pub u95_us: f64,
}

/// An instant of a device's timeline.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_device_instant {
    /// Time on the timeline, s.
    pub device_s: f64,
    /// Standard uncertainty, us of device time.
    pub u_us: f64,
    /// Half-width of the 95 % interval, us of device time.
    pub u95_us: f64,
}

/// A clock map: host time = host origin + device time + residual, where the residual is `offset_us + rate_ppm * (device time -
/// at_s)`. Plain data: copy it, keep it, read it on any thread; it does not change while the session goes on.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_map {
    /// `sizeof(tickseam_map)`, filled in by the caller.
    pub struct_size: u32,
    /// Segment of the timeline.
    pub segment: u32,
    /// Device count at the timeline's zero: ticks, or samples without ticks.
    pub device_origin: i64,
    /// Nominal counts per second, above 0.
    pub counts_per_s: f64,
    /// Host time at the origin, ns.
    pub host_origin_ns: i64,
    /// Device time at which the map is centred, s.
    pub at_s: f64,
    /// Residual there, us.
    pub offset_us: f64,
    /// Host seconds gained per device second, ppm: the drift, positive where the headset's clock runs fast, is its negative.
    pub rate_ppm: f64,
    /// Standard uncertainty of the residual at `at_s`, us.
    pub u_offset_us: f64,
    /// Standard uncertainty of the rate, ppm.
    pub u_rate_ppm: f64,
    /// Covariance of residual and rate, us ppm.
    pub covariance: f64,
    /// Half-width of the 95 % interval of the residual at `at_s`, us.
    pub half_width_us: f64,
    /// By how much it grows for each second away from `at_s`, us/s.
    pub growth_ppm: f64,
    /// By how fast the rate may change, ppm/s.
    pub curvature_ppm_per_s: f64,
    /// First device time that observations stand behind, s.
    pub valid_from_s: f64,
    /// Last one, s; outside the map is in holdover.
    pub valid_to_s: f64,
}

/// A run of missing packets.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_gap {
    /// Unwrapped sequence number of the first missing packet.
    pub first_index: i64,
    /// Packets missing in a row, at least 1.
    pub packets: u64,
    /// Samples missing at the nominal packet size.
    pub samples: u64,
}

/// How a session stands.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_state {
    /// `sizeof(tickseam_state)`, filled in by the caller.
    pub struct_size: u32,
    /// `TICKSEAM_KNOWS_NOTHING`, `TICKSEAM_COLD` or `TICKSEAM_TRACKING`.
    pub knowledge: i32,
    /// The device's segment.
    pub segment: u32,
    /// The segment that events are placed on: the same, or the one before while stream 0 has not joined.
    pub timeline_segment: u32,
    /// Time of the newest packet of stream 0 on its timeline, s; 0 before the first.
    pub newest_s: f64,
    /// Packets missing in each stream, over all segments; what is lost between two segments is not known.
    pub missing_packets: [u64; 4],
}

/// What the arrivals show of the link.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_link {
    /// `sizeof(tickseam_link)`, filled in by the caller.
    pub struct_size: u32,
    /// 1 if the link is believed to send at the instants of a grid, declared or found: then the next three hold.
    pub has_interval: u32,
    /// Period of the grid, us of the radio's own time.
    pub interval_us: f64,
    /// Rate of the grid against the host's clock, ppm: positive if its periods are longer than nominal.
    pub interval_stretch_ppm: f64,
    /// The beat, us: the longest stretch of the grid's period that no packet of a minute falls into. The shortest wait may hide as
    /// much. A value of several milliseconds calls for another packet period, an exchange or a marker.
    pub beat_us: f64,
    /// 1 if the device's rate lies outside the declared tolerance: look at the nominal rate.
    pub off_nominal: u32,
    /// 1 if exchanges and markers tell more than arrivals less the fixed delay.
    pub rests_on_sightings: u32,
}

/// What was counted. The first seventeen add up to the packets observed.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_counters {
    /// `sizeof(tickseam_counters)`, filled in by the caller.
    pub struct_size: u32,
    /// 0.
    pub reserved: u32,
    /// `TICKSEAM_IN_ORDER`.
    pub in_order: u64,
    /// `TICKSEAM_LATE`.
    pub late: u64,
    /// `TICKSEAM_DUPLICATE`.
    pub duplicate: u64,
    /// `TICKSEAM_OPENS_GAP`.
    pub opens_gap: u64,
    /// `TICKSEAM_CLOSES_GAP`.
    pub closes_gap: u64,
    /// `TICKSEAM_RESUMES`.
    pub resumes: u64,
    /// `TICKSEAM_NEW_SEGMENT`.
    pub new_segment: u64,
    /// `TICKSEAM_JOINS_SEGMENT`.
    pub joins_segment: u64,
    /// `TICKSEAM_AMBIGUOUS`.
    pub ambiguous: u64,
    /// `TICKSEAM_QUARANTINED`.
    pub quarantined: u64,
    /// `TICKSEAM_REFUSAL_UNKNOWN_STREAM`.
    pub unknown_stream: u64,
    /// `TICKSEAM_REFUSAL_SEQUENCE`.
    pub sequence_out_of_range: u64,
    /// `TICKSEAM_REFUSAL_TICK`.
    pub tick_out_of_range: u64,
    /// `TICKSEAM_REFUSAL_NO_SAMPLES`.
    pub no_samples: u64,
    /// `TICKSEAM_REFUSAL_HOST`.
    pub host_out_of_range: u64,
    /// `TICKSEAM_REFUSAL_TOO_OLD`.
    pub too_old: u64,
    /// `TICKSEAM_REFUSAL_OVERFLOW`.
    pub count_overflow: u64,
    /// Packets with another number of samples than their stream's nominal one.
    pub varying_samples: u64,
    /// Packets that got their place after others had come.
    pub settled_later: u64,
    /// Packets that waited for a place and never got one.
    pub never_settled: u64,
    /// Packets that waited longer than there is room for: counted as missing, and not used for the clock.
    pub forgotten: u64,
    /// Stamps that were nonsense and were not used for the clock.
    pub wild: u64,
    /// Exchanges used.
    pub exchanges_used: u64,
    /// Exchanges refused.
    pub exchanges_refused: u64,
    /// Markers used.
    pub markers_used: u64,
    /// Markers refused.
    pub markers_refused: u64,
}

/// Packets of a recording in the order of reception or within 64 places of it, one array for each field, all of `count` elements.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_packets {
    /// `sizeof(tickseam_packets)`.
    pub struct_size: u32,
    /// 0.
    pub reserved: u32,
    /// Elements in each array.
    pub count: u64,
    /// See `tickseam_packet`.
    pub host_ns: *const i64,
    /// Null: all of stream 0.
    pub stream: *const u32,
    /// See `tickseam_packet`.
    pub sequence: *const u64,
    /// Null: no packet carries a tick.
    pub tick: *const u64,
    /// 0 or 1. Null: all carry a tick, if `tick` is not null.
    pub has_tick: *const u8,
    /// Null: the nominal number.
    pub samples: *const u32,
}

/// Events to be placed, one array for each field, all of `count` elements.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_events {
    /// `sizeof(tickseam_events)`.
    pub struct_size: u32,
    /// 0.
    pub reserved: u32,
    /// Elements in each array.
    pub count: u64,
    /// The host's clock at each event's stamp, ns.
    pub host_ns: *const i64,
    /// From the stamp to the physical event, us. Null: 0.
    pub latency_us: *const f64,
    /// Its standard uncertainty, us. Null: 0.
    pub latency_u_us: *const f64,
    /// Null.
    pub reserved_pointer: *const f64,
}

/// Exchanges and markers of a recording, in any order; each array as long as its count says, null only where that is 0.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_sightings {
    /// `sizeof(tickseam_sightings)`.
    pub struct_size: u32,
    /// 0.
    pub reserved: u32,
    /// Exchanges.
    pub exchange_count: u64,
    /// Markers.
    pub marker_count: u64,
    /// Of each exchange: the host's clock when the request was sent, ns.
    pub origin_ns: *const i64,
    /// The device's counter when it was received.
    pub receive_tick: *const u64,
    /// The device's counter when the reply was sent.
    pub transmit_tick: *const u64,
    /// The host's clock when it was received, ns.
    pub destination_ns: *const i64,
    /// Of each marker, an instant that both clocks saw: the host's clock, ns.
    pub marker_host_ns: *const i64,
    /// The device's counter.
    pub marker_tick: *const u64,
}

/// What a replay found on its way.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct tickseam_replay_report {
    /// `sizeof(tickseam_replay_report)`, filled in by the caller.
    pub struct_size: u32,
    /// Segments that events were placed on, at least 1.
    pub segments: u32,
    /// Packets that have a place of their own.
    pub used: u64,
    /// Packets that were refused or never got a place.
    pub rejected: u64,
    /// Stamps that were nonsense and were not used for the clock.
    pub wild: u64,
    /// Of the last segment: the grid that was believed in, us; 0 without one.
    pub interval_us: f64,
    /// Of the last segment: times that the grid slipped by one step against the packets.
    pub slips: f64,
    /// Of the last segment: 1 if the link loses so much that nothing bounds the clock from below.
    pub congested: u32,
    /// Of the last segment: 1 if the device's rate lies outside the declared tolerance.
    pub off_nominal: u32,
    /// Exchanges that bounded the clock: those whose ticks lie within 2 s of a segment's packets and of where these expect them.
    pub exchanges_used: u64,
    /// Markers that did.
    pub markers_used: u64,
}

/// Makes a struct one that begins with its size, and holds its layout to the numbers of the header.
macro_rules! sized {
    ($($name:ident $size:literal $last:ident $at:literal;)*) => { $(
        // SAFETY: `repr(C)`, plain numbers and pointers only.
        unsafe impl Sized32 for $name {}
        const _: () = assert!(size_of::<$name>() == $size && core::mem::offset_of!($name, $last) == $at);
    )* };
}

sized! {
    tickseam_config 128 streams 64;
    tickseam_answer 56 missing_count 48;
    tickseam_placement 112 status 108;
    tickseam_map 120 valid_to_s 112;
    tickseam_state 56 missing_packets 24;
    tickseam_link 40 rests_on_sightings 36;
    tickseam_counters 216 markers_refused 208;
    tickseam_replay_report 72 markers_used 64;
}

// SAFETY: `repr(C)`, plain numbers and pointers only.
unsafe impl Sized32 for tickseam_packets {}
// SAFETY: the same.
unsafe impl Sized32 for tickseam_events {}
// SAFETY: the same.
unsafe impl Sized32 for tickseam_sightings {}

const _: () = assert!(size_of::<tickseam_packets>() == 16 + 6 * size_of::<*const u8>());
const _: () = assert!(size_of::<tickseam_events>() == 16 + 4 * size_of::<*const u8>());
const _: () = assert!(size_of::<tickseam_sightings>() == 24 + 6 * size_of::<*const u8>());
const _: () = assert!(size_of::<tickseam_packet>() == 40 && size_of::<tickseam_gap>() == 24);
const _: () = assert!(size_of::<tickseam_host_instant>() == 24 && size_of::<tickseam_device_instant>() == 24);

/// A flag that is 0 or 1.
pub(crate) fn flag(value: u32) -> Result<bool, i32> {
    match value {
        0 => Ok(false),
        1 => Ok(true),
        _ => Err(TICKSEAM_ERROR_VALUE),
    }
}

impl tickseam_config {
    /// The streams in the core's words; those beyond the count are not looked at.
    pub(crate) fn streams(&self) -> Result<([StreamConfig; STREAMS], usize), i32> {
        let count = usize::try_from(self.stream_count).map_err(|_| TICKSEAM_ERROR_STREAM)?;
        if count == 0 || count > STREAMS {
            return Err(TICKSEAM_ERROR_STREAM);
        }
        let converted = self.streams.map(|stream| StreamConfig {
            rate_hz: stream.rate_hz,
            samples_per_packet: stream.samples_per_packet,
            sequence_bits: u8::try_from(stream.sequence_bits).unwrap_or(u8::MAX),
        });
        Ok((converted, count))
    }

    pub(crate) fn with<'a>(&self, streams: &'a [StreamConfig]) -> Result<SessionConfig<'a>, i32> {
        let delay = Shift { us: self.fixed_delay_us, u_us: self.fixed_delay_u_us };
        let ticks = if self.tick_bits == 0 {
            None
        } else {
            let bits = u8::try_from(self.tick_bits).map_err(|_| TICKSEAM_ERROR_VALUE)?;
            Some(TickCounter { hz: self.tick_hz, bits })
        };
        Ok(SessionConfig {
            ticks,
            tolerance_ppm: self.tolerance_ppm,
            host_step_us: self.host_step_us,
            fixed_delay: flag(self.fixed_delay_known)?.then_some(delay),
            interval_us: (self.interval_us != 0.0).then_some(self.interval_us),
            streams,
        })
    }
}

pub(crate) fn config_error(error: SessionConfigError) -> i32 {
    match error {
        SessionConfigError::NoStream | SessionConfigError::Intake(IntakeConfigError::Streams { .. }) => {
            TICKSEAM_ERROR_STREAM
        }
        _ => TICKSEAM_ERROR_VALUE,
    }
}

impl tickseam_packet {
    pub(crate) fn stamp(&self) -> Result<PacketStamp, i32> {
        if self.reserved != 0 {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        Ok(PacketStamp {
            host_ns: self.host_ns,
            sequence: self.sequence,
            tick: flag(self.has_tick)?.then_some(self.tick),
            samples: self.samples,
        })
    }
}

impl tickseam_answer {
    /// What the header says of an answer of the core.
    pub fn new(intaken: &Intaken) -> Self {
        let (mut refusal, mut settled, mut missing) = (TICKSEAM_REFUSAL_NONE, 0, (0, 0));
        let disposition = match intaken.disposition {
            Disposition::InOrder => TICKSEAM_IN_ORDER,
            Disposition::Late => TICKSEAM_LATE,
            Disposition::Duplicate => TICKSEAM_DUPLICATE,
            Disposition::OpensGap { missing_from, missing_count } => {
                missing = (missing_from, missing_count);
                TICKSEAM_OPENS_GAP
            }
            Disposition::ClosesGap => TICKSEAM_CLOSES_GAP,
            Disposition::Resumes { missing_from, missing_count, confirmed } => {
                missing = (missing_from, missing_count);
                settled = confirmed.packets;
                TICKSEAM_RESUMES
            }
            Disposition::NewSegment { confirmed, .. } => {
                settled = confirmed.packets;
                TICKSEAM_NEW_SEGMENT
            }
            Disposition::JoinsSegment { confirmed } => {
                settled = confirmed.packets;
                TICKSEAM_JOINS_SEGMENT
            }
            Disposition::Ambiguous { .. } => TICKSEAM_AMBIGUOUS,
            Disposition::Quarantined { .. } => TICKSEAM_QUARANTINED,
            Disposition::Rejected(reason) => {
                refusal = match reason {
                    Refusal::UnknownStream => TICKSEAM_REFUSAL_UNKNOWN_STREAM,
                    Refusal::SequenceOutOfRange => TICKSEAM_REFUSAL_SEQUENCE,
                    Refusal::TickOutOfRange => TICKSEAM_REFUSAL_TICK,
                    Refusal::NoSamples => TICKSEAM_REFUSAL_NO_SAMPLES,
                    Refusal::HostOutOfRange => TICKSEAM_REFUSAL_HOST,
                    Refusal::TooOld => TICKSEAM_REFUSAL_TOO_OLD,
                    Refusal::CountOverflow => TICKSEAM_REFUSAL_OVERFLOW,
                };
                TICKSEAM_REJECTED
            }
        };
        let at = intaken.resolved;
        Self {
            struct_size: size32::<Self>(),
            disposition,
            refusal,
            has_place: u32::from(at.is_some()),
            segment: at.map_or(0, |at| at.segment),
            settled,
            index: at.map_or(0, |at| at.index),
            device_count: at.map_or(0, |at| at.device),
            missing_from: missing.0,
            missing_count: missing.1,
        }
    }
}

impl tickseam_placement {
    pub(crate) fn new(placed: &Placed, rate_hz: f64) -> Self {
        let Placed { segment, excludes_fixed_delay, placement } = *placed;
        let budget = placement.budget;
        Self {
            struct_size: size32::<Self>(),
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
            excludes_fixed_delay: u32::from(excludes_fixed_delay),
            status: TICKSEAM_PLACED,
        }
    }
}

impl tickseam_map {
    pub(crate) fn new(map: &ClockMap, segment: u32) -> Self {
        Self {
            struct_size: size32::<Self>(),
            segment,
            device_origin: map.frame.device_origin,
            counts_per_s: map.frame.counts_per_s,
            host_origin_ns: map.frame.host_origin_ns,
            at_s: map.at_s,
            offset_us: map.offset_us,
            rate_ppm: map.rate_ppm,
            u_offset_us: map.u_offset_us,
            u_rate_ppm: map.u_rate_ppm,
            covariance: map.covariance,
            half_width_us: map.half_width_us,
            growth_ppm: map.growth_ppm,
            curvature_ppm_per_s: map.curvature_ppm_per_s,
            valid_from_s: map.valid_from_s,
            valid_to_s: map.valid_to_s,
        }
    }

    /// The core's map, if all of it are numbers and the rate leaves the clocks running forwards.
    pub(crate) fn core(&self) -> Result<ClockMap, i32> {
        let numbers = [
            self.counts_per_s,
            self.at_s,
            self.offset_us,
            self.rate_ppm,
            self.u_offset_us,
            self.u_rate_ppm,
            self.covariance,
            self.half_width_us,
            self.growth_ppm,
            self.curvature_ppm_per_s,
            self.valid_from_s,
            self.valid_to_s,
        ];
        let sensible = self.counts_per_s > 0.0 && self.rate_ppm > -5e5 && self.rate_ppm < 1e6;
        if !sensible || !numbers.iter().all(|number| number.is_finite()) {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        Ok(ClockMap {
            frame: Frame {
                device_origin: self.device_origin,
                counts_per_s: self.counts_per_s,
                host_origin_ns: self.host_origin_ns,
            },
            at_s: self.at_s,
            offset_us: self.offset_us,
            rate_ppm: self.rate_ppm,
            u_offset_us: self.u_offset_us,
            u_rate_ppm: self.u_rate_ppm,
            covariance: self.covariance,
            half_width_us: self.half_width_us,
            growth_ppm: self.growth_ppm,
            curvature_ppm_per_s: self.curvature_ppm_per_s,
            valid_from_s: self.valid_from_s,
            valid_to_s: self.valid_to_s,
        })
    }
}

/// The size of a struct as it stands in its first field.
#[expect(clippy::cast_possible_truncation, reason = "every struct is shorter than 4 GiB")]
pub(crate) const fn size32<T>() -> u32 {
    size_of::<T>() as u32
}
