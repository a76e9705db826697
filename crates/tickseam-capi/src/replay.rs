//! The replayed estimate over the caller's arrays, in the caller's scratch memory.

use crate::arguments::{Array, Output, input, room_for, says_its_size, sized_output, status};
use crate::status::{
    TICKSEAM_ERROR_MISALIGNED, TICKSEAM_ERROR_NOT_YET, TICKSEAM_ERROR_NULL, TICKSEAM_ERROR_SHORT_MEMORY,
    TICKSEAM_ERROR_VALUE, TICKSEAM_IN_GAP, TICKSEAM_OUTSIDE, TICKSEAM_PLACED,
};
use crate::types::{
    STREAMS, config_error, size32, tickseam_config, tickseam_events, tickseam_packets, tickseam_placement,
    tickseam_replay_report, tickseam_sightings,
};
use tickseam::batch::{Asked, BatchError, Lent, Place, Received, replay_packets, stages_for};
use tickseam::block::Arrival;
use tickseam::intake::PacketStamp;
use tickseam::pair::SyncPair;
use tickseam::placement::Shift;
use tickseam::replay::Stage;
use tickseam::session::{Session, is_a_time};
use tickseam::sightings::{ExchangeStamps, MarkerStamps};
use tickseam::timeline::Samples;

/// Alignment of the scratch memory, bytes.
pub const TICKSEAM_SCRATCH_ALIGN: usize = 8;

/// Bytes of an array in the scratch memory, up to where the next one may begin.
fn piece<T>(count: usize) -> Option<usize> {
    const { assert!(align_of::<T>() <= TICKSEAM_SCRATCH_ALIGN) };
    count.checked_mul(size_of::<T>())?.checked_next_multiple_of(TICKSEAM_SCRATCH_ALIGN)
}

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

#[derive(Clone, Copy)]
struct Sightings<'a> {
    exchanges: usize,
    markers: usize,
    origin_ns: Array<'a, i64>,
    receive_tick: Array<'a, u64>,
    transmit_tick: Array<'a, u64>,
    destination_ns: Array<'a, i64>,
    marker_host_ns: Array<'a, i64>,
    marker_tick: Array<'a, u64>,
}

impl Sightings<'_> {
    /// None of them for a null pointer.
    fn new(sightings: *const tickseam_sightings) -> Result<Self, i32> {
        let none = core::ptr::null();
        let sightings = if sightings.is_null() {
            tickseam_sightings {
                struct_size: size32::<tickseam_sightings>(),
                reserved: 0,
                exchange_count: 0,
                marker_count: 0,
                origin_ns: none,
                receive_tick: none.cast(),
                transmit_tick: none.cast(),
                destination_ns: none,
                marker_host_ns: none,
                marker_tick: none.cast(),
            }
        } else {
            input(sightings)?
        };
        if sightings.reserved != 0 {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        let (exchanges, markers) = (length(sightings.exchange_count)?, length(sightings.marker_count)?);
        Ok(Self {
            exchanges,
            markers,
            origin_ns: Array::needed(sightings.origin_ns, exchanges)?,
            receive_tick: Array::needed(sightings.receive_tick, exchanges)?,
            transmit_tick: Array::needed(sightings.transmit_tick, exchanges)?,
            destination_ns: Array::needed(sightings.destination_ns, exchanges)?,
            marker_host_ns: Array::needed(sightings.marker_host_ns, markers)?,
            marker_tick: Array::needed(sightings.marker_tick, markers)?,
        })
    }
}

#[derive(Clone, Copy)]
struct Events<'a> {
    count: usize,
    host_ns: Array<'a, i64>,
    latency_us: Array<'a, f64>,
    latency_u_us: Array<'a, f64>,
}

impl Events<'_> {
    fn new(events: &tickseam_events) -> Result<Self, i32> {
        if events.reserved != 0 || !events.reserved_pointer.is_null() {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        let count = length(events.count)?;
        // So many placements must be possible before so many latencies are read.
        room_for::<tickseam_placement>(count)?;
        let found = Self {
            count,
            host_ns: Array::needed(events.host_ns, count)?,
            latency_us: Array::optional(events.latency_us, count)?,
            latency_u_us: Array::optional(events.latency_u_us, count)?,
        };
        if (0..count).any(|event| !is_a_time(found.latency(event))) {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        Ok(found)
    }

    fn latency(&self, event: usize) -> Shift {
        Shift {
            us: self.latency_us.at(event).unwrap_or(0.0),
            u_us: self.latency_u_us.at(event).unwrap_or(0.0),
        }
    }
}

struct Recording<'a> {
    packets: Packets<'a>,
    sightings: Sightings<'a>,
}

impl Received for Recording<'_> {
    fn count(&self) -> usize {
        self.packets.count
    }

    fn packet(&self, place: usize) -> Option<(usize, PacketStamp)> {
        let packets = &self.packets;
        let stream = usize::try_from(packets.stream.at(place).unwrap_or(0)).unwrap_or(usize::MAX);
        let ticked = packets.has_tick.at(place).unwrap_or(1) == 1;
        let nominal = || packets.nominal_samples.get(stream).copied().unwrap_or(1);
        let stamp = PacketStamp {
            host_ns: packets.host_ns.at(place)?,
            sequence: packets.sequence.at(place)?,
            tick: packets.tick.at(place).filter(|_| ticked),
            samples: packets.samples.at(place).unwrap_or_else(nominal),
        };
        Some((stream, stamp))
    }

    fn exchange(&self, place: usize) -> Option<ExchangeStamps> {
        Some(ExchangeStamps {
            origin_ns: self.sightings.origin_ns.at(place)?,
            receive_tick: self.sightings.receive_tick.at(place)?,
            transmit_tick: self.sightings.transmit_tick.at(place)?,
            destination_ns: self.sightings.destination_ns.at(place)?,
        })
    }

    fn marker(&self, place: usize) -> Option<MarkerStamps> {
        Some(MarkerStamps {
            host_ns: self.sightings.marker_host_ns.at(place)?,
            tick: self.sightings.marker_tick.at(place)?,
        })
    }
}

/// How much of everything the scratch memory holds.
struct Room {
    streams: usize,
    events: usize,
    packets: usize,
    pairs: usize,
    /// Bytes besides the stages, which take the rest.
    bytes: usize,
}

impl Room {
    fn new(config: &tickseam_config, recording: &Recording<'_>, events: &Events<'_>) -> Result<Self, i32> {
        let streams = usize::try_from(config.stream_count).unwrap_or(STREAMS);
        let (packets, events) = (recording.packets.count, events.count);
        let Sightings { exchanges, markers, .. } = recording.sightings;
        let room = || {
            let pairs = exchanges.checked_mul(2)?.checked_add(markers)?;
            let bytes = piece::<Asked>(events)?
                .checked_add(piece::<Place>(packets)?)?
                .checked_add(piece::<Arrival>(packets)?)?
                .checked_add(piece::<SyncPair>(pairs)?)?;
            isize::try_from(bytes).is_ok().then_some(Self { streams, events, packets, pairs, bytes })
        };
        room().ok_or(TICKSEAM_ERROR_VALUE)
    }
}

/// Scratch memory that `tickseam_replay` needs for the same arguments, bytes, aligned to `TICKSEAM_SCRATCH_ALIGN`: about 100 for
/// each packet and each exchange, 150 for each event, and some 128 KiB; of several streams, 360 more for each second and 70 KiB. `sightings`
/// may be null.
/// Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE. Any thread; reads the host stamps once.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing; the arrays are as long as said.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_replay_scratch(
    config: *const tickseam_config,
    packets: *const tickseam_packets,
    sightings: *const tickseam_sightings,
    events: *const tickseam_events,
    scratch_size: *mut usize,
) -> i32 {
    status((|| {
        let (config, packets) = (input(config)?, input(packets)?);
        let sightings = Sightings::new(sightings)?;
        let events = Events::new(&input(events)?)?;
        let scratch_size = Output::new(scratch_size)?;
        let recording = Recording { packets: Packets::new(&packets, &config)?, sightings };
        let room = Room::new(&config, &recording, &events)?;
        let stages = stages_for(room.streams, room.packets, room.pairs, recording.packets.span_s());
        let bytes = stages.checked_mul(size_of::<Stage>()).and_then(|stages| stages.checked_add(room.bytes));
        scratch_size.write(bytes.ok_or(TICKSEAM_ERROR_VALUE)?);
        Ok(())
    })())
}

/// Replays a whole recording and places its events, looking ahead as a live session cannot. `sightings`, which may be null, are
/// exchanges and markers. `placements` has as many elements as there are events; the caller fills in `struct_size` of the first one.
/// Each event belongs to the newest segment with packets of stream 0 before and after it; without one, to the newest that had begun when it
/// happened, or to the first one; `status` says whether the samples there came. Where packets carry ticks, those of the other streams bound
/// the clock too. The timeline begins at the first sample of the
/// segment's earliest packet, and counts samples where ticks say no more than these do. The answers are those of the command
/// `tickseam replay`, bit for bit, but for recordings in which the host's clock was set or slept, or the device's tick jumped: these are
/// not looked for, and a sleep may open a segment. The same input gives the same bits everywhere.
/// Errors: NULL, MISALIGNED, STRUCT_SIZE, STREAM, VALUE, SHORT_MEMORY (lend twice as much where device times run back and forth),
/// NOT_YET (no packet of stream 0 found its place). Any thread, as long as nobody else uses the same scratch memory; about 1 us a packet.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing; the arrays are as long as said.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_replay(
    config: *const tickseam_config,
    packets: *const tickseam_packets,
    sightings: *const tickseam_sightings,
    events: *const tickseam_events,
    scratch: *mut core::ffi::c_void,
    scratch_size: usize,
    placements: *mut tickseam_placement,
    report: *mut tickseam_replay_report,
) -> i32 {
    status((|| {
        let (config, packets, events) = (input(config)?, input(packets)?, input(events)?);
        let sightings = Sightings::new(sightings)?;
        let report = sized_output(report)?;
        let (streams, count) = config.streams()?;
        let streams = streams.get(..count).unwrap_or_default();
        let core_config = config.with(streams)?;
        Session::<STREAMS>::check(&core_config).map_err(config_error)?;
        let recording = Recording { packets: Packets::new(&packets, &config)?, sightings };
        let events = Events::new(&events)?;
        if events.count > 0 {
            says_its_size(placements.cast_const())?;
        }
        let room = Room::new(&config, &recording, &events)?;
        let (asked, lent) = lent(scratch, scratch_size, &room)?;
        for (place, asked) in asked.iter_mut().enumerate() {
            *asked = Asked::new(events.host_ns.at(place).unwrap_or(0), events.latency(place));
        }
        let came =
            replay_packets::<STREAMS>(&core_config, &recording, asked, lent).map_err(
                |error| match error {
                    BatchError::Config(error) => config_error(error),
                    BatchError::Room => TICKSEAM_ERROR_SHORT_MEMORY,
                    BatchError::NoArrival => TICKSEAM_ERROR_NOT_YET,
                },
            )?;
        let rate_hz = streams.first().map_or(0.0, |stream| stream.rate_hz);
        for (place, asked) in asked.iter().enumerate() {
            let Some((placed, samples)) = &asked.answer else { continue };
            let status = match samples {
                Samples::Received => TICKSEAM_PLACED,
                Samples::Lost => TICKSEAM_IN_GAP,
                Samples::Outside => TICKSEAM_OUTSIDE,
            };
            let placement = tickseam_placement { status, ..tickseam_placement::new(placed, rate_hz) };
            // SAFETY: below the count, within the caller's array, which is aligned and not null.
            unsafe { placements.add(place).write(placement) };
        }
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
            exchanges_used: came.exchanges,
            markers_used: came.markers,
        });
        Ok(())
    })())
}

/// Divides the scratch memory; the stages take what is left.
fn lent<'a>(
    scratch: *mut core::ffi::c_void,
    size: usize,
    room: &Room,
) -> Result<(&'a mut [Asked], Lent<'a>), i32> {
    let start = scratch.cast::<u8>();
    if start.is_null() {
        return Err(TICKSEAM_ERROR_NULL);
    }
    if !start.cast::<u64>().is_aligned() || start.align_offset(TICKSEAM_SCRATCH_ALIGN) != 0 {
        return Err(TICKSEAM_ERROR_MISALIGNED);
    }
    if isize::try_from(size).is_err() {
        return Err(TICKSEAM_ERROR_VALUE);
    }
    let rest = size.checked_sub(room.bytes).ok_or(TICKSEAM_ERROR_SHORT_MEMORY)?;
    let stages = rest.checked_div(size_of::<Stage>()).unwrap_or(0);
    if stages == 0 {
        return Err(TICKSEAM_ERROR_SHORT_MEMORY);
    }
    let mut next = start;
    // SAFETY: one after the other within the caller's memory, each as long as `room` reckons with `piece` and so aligned; nobody else
    // uses it during the call, by the contract.
    unsafe {
        let asked = filled(&mut next, room.events, || Asked::new(0, Shift::default()));
        let places = filled(&mut next, room.packets, Place::default);
        let arrivals = filled(&mut next, room.packets, || Arrival::new(0.0, 0.0));
        let pairs = filled(&mut next, room.pairs, SyncPair::default);
        let stages = filled(&mut next, stages, Stage::empty);
        Ok((asked, Lent { places, arrivals, pairs, stages }))
    }
}

/// Makes an array of the memory at `next`, which moves behind it.
///
/// # Safety
/// There is room for the array, aligned, and nobody else uses it as long as the slice lives.
unsafe fn filled<'a, T>(next: &mut *mut u8, count: usize, value: impl Fn() -> T) -> &'a mut [T] {
    let first = next.cast::<T>();
    // SAFETY: promised by the caller; every element is written before the slice is made.
    unsafe {
        for place in 0..count {
            first.add(place).write(value());
        }
        *next = next.wrapping_add(piece::<T>(count).unwrap_or(0));
        core::slice::from_raw_parts_mut(first, count)
    }
}
