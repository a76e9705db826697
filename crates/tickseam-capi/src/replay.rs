//! The replayed estimate over the caller's arrays, in the caller's scratch memory.

use crate::arguments::{Array, Output, input, says_its_size, sized_output, status};
use crate::status::{
    TICKSEAM_ERROR_MISALIGNED, TICKSEAM_ERROR_NOT_YET, TICKSEAM_ERROR_NULL, TICKSEAM_ERROR_SHORT_MEMORY,
    TICKSEAM_ERROR_VALUE,
};
use crate::types::{
    STREAMS, config_error, size32, tickseam_config, tickseam_events, tickseam_packets, tickseam_placement,
    tickseam_replay_report,
};
use tickseam::batch::{BatchError, Received, replay_packets, stages_for};
use tickseam::block::Arrival;
use tickseam::intake::PacketStamp;
use tickseam::placement::Shift;
use tickseam::replay::Stage;
use tickseam::session::{Session, is_a_time};

/// Alignment of the scratch memory, bytes.
pub const TICKSEAM_SCRATCH_ALIGN: usize = 8;
const _: () = assert!(align_of::<Arrival>() <= 8 && align_of::<Stage>() <= 8);
const _: () = assert!(size_of::<Arrival>().is_multiple_of(8));

#[derive(Clone, Copy)]
struct Packets<'a> {
    count: usize,
    host_ns: Array<'a, i64>,
    stream: Array<'a, u32>,
    sequence: Array<'a, u64>,
    tick: Array<'a, u64>,
    has_tick: Array<'a, u8>,
    samples: Array<'a, u32>,
    nominal_samples: [u32; STREAMS],
}

fn length(count: u64) -> Result<usize, i32> {
    usize::try_from(count).map_err(|_| TICKSEAM_ERROR_VALUE)
}

impl Packets<'_> {
    fn new(packets: &tickseam_packets, config: &tickseam_config) -> Result<Self, i32> {
        if packets.reserved != 0 {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        let count = length(packets.count)?;
        let [a, b, c, d] = config.streams.map(|stream| stream.samples_per_packet);
        let found = Self {
            count,
            host_ns: Array::needed(packets.host_ns, count)?,
            stream: Array::optional(packets.stream, count)?,
            sequence: Array::needed(packets.sequence, count)?,
            tick: Array::optional(packets.tick, count)?,
            has_tick: Array::optional(packets.has_tick, count)?,
            samples: Array::optional(packets.samples, count)?,
            nominal_samples: [a, b, c, d],
        };
        if found.has_tick.values().iter().any(|&has| has > 1) {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        Ok(found)
    }

    /// Host time from the earliest to the latest stamp, s.
    fn span_s(&self) -> f64 {
        let stamps = self.host_ns.values();
        let (low, high) =
            stamps.iter().fold((i64::MAX, i64::MIN), |(low, high), &at| (low.min(at), high.max(at)));
        let ns = if high > low { high.abs_diff(low) } else { 0 };
        // Wild stamps tell nothing of the span: a week is reckoned with at the most.
        let ns = u32::try_from(ns / 1_000_000).unwrap_or(u32::MAX).min(604_800_000);
        f64::from(ns) / 1e3
    }
}

impl Received for Packets<'_> {
    fn count(&self) -> usize {
        self.count
    }

    fn packet(&self, place: usize) -> Option<(usize, PacketStamp)> {
        let stream = usize::try_from(self.stream.at(place).unwrap_or(0)).unwrap_or(usize::MAX);
        let ticked = self.has_tick.at(place).unwrap_or(1) == 1;
        let nominal = || self.nominal_samples.get(stream).copied().unwrap_or(1);
        let stamp = PacketStamp {
            host_ns: self.host_ns.at(place)?,
            sequence: self.sequence.at(place)?,
            tick: self.tick.at(place).filter(|_| ticked),
            samples: self.samples.at(place).unwrap_or_else(nominal),
        };
        Some((stream, stamp))
    }
}

/// Scratch memory that `tickseam_replay` needs for these packets, bytes, aligned to `TICKSEAM_SCRATCH_ALIGN`: 50 to 60 for each packet, and some 128 KiB.
/// Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE. Any thread; reads the host stamps once.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing; the arrays are as long as said.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_replay_scratch(
    config: *const tickseam_config,
    packets: *const tickseam_packets,
    scratch_size: *mut usize,
) -> i32 {
    status((|| {
        let (config, packets) = (input(config)?, input(packets)?);
        let scratch_size = Output::new(scratch_size)?;
        let packets = Packets::new(&packets, &config)?;
        let stages = stages_for(packets.count, packets.span_s());
        let arrivals = packets.count.checked_mul(size_of::<Arrival>());
        let stages = stages.checked_mul(size_of::<Stage>());
        let bytes = arrivals.zip(stages).and_then(|(arrivals, stages)| arrivals.checked_add(stages));
        scratch_size.write(bytes.ok_or(TICKSEAM_ERROR_VALUE)?);
        Ok(())
    })())
}

/// Replays a whole recording and places its events, looking ahead as a live session cannot. `placements` has as many elements
/// as there are events; the caller fills in `struct_size` of the first one. Each event belongs to the newest segment that had begun
/// when it happened, or to the first one. The same input gives the same bits everywhere. A host clock that is set inside the recording
/// is not looked for; exchanges and markers are not used.
/// Errors: NULL, MISALIGNED, STRUCT_SIZE, STREAM, VALUE, SHORT_MEMORY (lend twice as much where device times run back and forth),
/// NOT_YET (no packet of stream 0 found its place); on any of them `placements` and `report` may have been written in part only
/// for SHORT_MEMORY, and not at all for the others. Any thread, as long as nobody else uses the same scratch memory; about 1 us a packet.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing; the arrays are as long as said.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_replay(
    config: *const tickseam_config,
    packets: *const tickseam_packets,
    events: *const tickseam_events,
    scratch: *mut core::ffi::c_void,
    scratch_size: usize,
    placements: *mut tickseam_placement,
    report: *mut tickseam_replay_report,
) -> i32 {
    status((|| {
        let (config, packets, events) = (input(config)?, input(packets)?, input(events)?);
        let report = sized_output(report)?;
        let (streams, count) = config.streams()?;
        let streams = streams.get(..count).unwrap_or_default();
        let core_config = config.with(streams)?;
        Session::<STREAMS>::check(&core_config).map_err(config_error)?;
        let packets = Packets::new(&packets, &config)?;
        if events.reserved != 0 || !events.reserved_pointer.is_null() {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        let event_count = length(events.count)?;
        let host_ns = Array::needed(events.host_ns, event_count)?;
        let latency_us = Array::optional(events.latency_us, event_count)?;
        let latency_u_us = Array::optional(events.latency_u_us, event_count)?;
        let latency = |event: usize| Shift {
            us: latency_us.at(event).unwrap_or(0.0),
            u_us: latency_u_us.at(event).unwrap_or(0.0),
        };
        if (0..event_count).any(|event| !is_a_time(latency(event))) {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        if event_count > 0 {
            says_its_size(placements.cast_const())?;
        }
        let (arrivals, stages) = lent(scratch, scratch_size, packets.count)?;
        let rate_hz = streams.first().map_or(0.0, |stream| stream.rate_hz);
        let came = replay_packets::<STREAMS>(
            &core_config,
            &packets,
            event_count,
            |event| (host_ns.at(event).unwrap_or(0), latency(event)),
            arrivals,
            stages,
            |event, placed| {
                // SAFETY: below the count, within the caller's array, which is aligned and not null.
                unsafe { placements.add(event).write(tickseam_placement::new(&placed, rate_hz)) };
            },
        )
        .map_err(|error| match error {
            BatchError::Config(error) => config_error(error),
            BatchError::Room => TICKSEAM_ERROR_SHORT_MEMORY,
            BatchError::NoArrival => TICKSEAM_ERROR_NOT_YET,
        })?;
        let intake = came.intake;
        let refused = [
            intake.unknown_stream,
            intake.sequence_out_of_range,
            intake.tick_out_of_range,
            intake.no_samples,
            intake.host_out_of_range,
            intake.too_old,
            intake.count_overflow,
            came.settling.never_settled,
            came.settling.forgotten,
        ];
        let placed = [
            intake.in_order,
            intake.late,
            intake.opens_gap,
            intake.closes_gap,
            intake.resumes,
            intake.new_segment,
            intake.joins_segment,
            came.settling.settled_later,
        ];
        let sum = |counts: &[u64]| counts.iter().fold(0, |sum: u64, &count| sum.saturating_add(count));
        let last = came.replayed.unwrap_or_default();
        report.write(tickseam_replay_report {
            struct_size: size32::<tickseam_replay_report>(),
            segments: came.segments,
            used: sum(&placed),
            rejected: sum(&refused),
            wild: came.wild,
            interval_us: last.interval.map_or(0.0, |interval| interval.period_us),
            slips: last.slips,
            congested: u32::from(last.congested),
            off_nominal: u32::from(last.off_nominal),
        });
        Ok(())
    })())
}

/// Divides the scratch memory: an arrival for each packet, stages in the rest.
fn lent<'a>(
    scratch: *mut core::ffi::c_void,
    size: usize,
    packets: usize,
) -> Result<(&'a mut [Arrival], &'a mut [Stage]), i32> {
    let start = scratch.cast::<u8>();
    if start.is_null() {
        return Err(TICKSEAM_ERROR_NULL);
    }
    let arrivals = start.cast::<Arrival>();
    if start.align_offset(TICKSEAM_SCRATCH_ALIGN) != 0 || !arrivals.is_aligned() {
        return Err(TICKSEAM_ERROR_MISALIGNED);
    }
    let short = || TICKSEAM_ERROR_SHORT_MEMORY;
    if isize::try_from(size).is_err() {
        return Err(TICKSEAM_ERROR_VALUE);
    }
    let taken = packets.checked_mul(size_of::<Arrival>()).ok_or_else(short)?;
    let rest = size.checked_sub(taken).ok_or_else(short)?;
    let room = rest.checked_div(size_of::<Stage>()).unwrap_or(0);
    if room == 0 {
        return Err(short());
    }
    // SAFETY: within the caller's memory, aligned; every element is written before a slice is made of it; nobody else uses
    // it during the call, by the contract.
    unsafe {
        for place in 0..packets {
            arrivals.add(place).write(Arrival::new(0.0, 0.0));
        }
        let stages = start.add(taken).cast::<Stage>();
        for place in 0..room {
            stages.add(place).write(Stage::empty());
        }
        Ok((
            core::slice::from_raw_parts_mut(arrivals, packets),
            core::slice::from_raw_parts_mut(stages, room),
        ))
    }
}
