//! The live session in the caller's memory.

use core::mem::MaybeUninit;

use crate::arguments::{Call, Output, checked, input, plain, sized_output, status};
use crate::status::{
    TICKSEAM_COLD, TICKSEAM_ERROR_ALTERED, TICKSEAM_ERROR_MISALIGNED, TICKSEAM_ERROR_NO_MORE,
    TICKSEAM_ERROR_NO_SESSION, TICKSEAM_ERROR_NOT_SAVED, TICKSEAM_ERROR_NOT_YET, TICKSEAM_ERROR_NULL,
    TICKSEAM_ERROR_OTHER_BUILD, TICKSEAM_ERROR_SHORT_MEMORY, TICKSEAM_ERROR_STREAM, TICKSEAM_ERROR_VALUE,
    TICKSEAM_KNOWS_NOTHING, TICKSEAM_LINE_CURVATURE, TICKSEAM_LINE_FIXED_DELAY, TICKSEAM_LINE_HOLDOVER,
    TICKSEAM_LINE_LATENCY, TICKSEAM_LINE_LATTICE, TICKSEAM_LINE_LINK, TICKSEAM_LINE_RESOLUTION,
    TICKSEAM_LINE_STATISTICS, TICKSEAM_SIGHTING_BACKWARDS, TICKSEAM_SIGHTING_FAR_OFF,
    TICKSEAM_SIGHTING_NO_TICKS, TICKSEAM_SIGHTING_TOO_EARLY, TICKSEAM_SIGHTING_USED, TICKSEAM_TRACKING,
};
use crate::types::{
    STREAMS, config_error, size32, tickseam_answer, tickseam_config, tickseam_counters, tickseam_gap,
    tickseam_host_instant, tickseam_link, tickseam_map, tickseam_packet, tickseam_placement, tickseam_state,
};
use tickseam::placement::Shift;
use tickseam::session::{Knowledge, Session, Sighted, is_a_time};

/// Memory that one session needs, bytes.
pub const TICKSEAM_SESSION_SIZE: usize = 16896;
/// Alignment that it needs, bytes.
pub const TICKSEAM_SESSION_ALIGN: usize = 8;
/// Memory that a saved session needs, bytes: any alignment.
pub const TICKSEAM_SAVED_SIZE: usize = 16936;

/// Memory for one session: declare one where you like (static, in an object, on a heap of your own) and hand it to
/// `tickseam_session_init`.
#[repr(C)]
pub struct tickseam_session_memory {
    /// Nothing to read.
    pub words: [u64; 2112],
}

/// A live session, to be used through its functions only. It lives in the caller's memory and there is nothing to free. Copying
/// all of that memory to other aligned memory copies the session; the copy is used by the address of the copy.
pub struct tickseam_session {
    mark: u64,
    live: Session<STREAMS>,
}

const _: () = assert!(size_of::<tickseam_session>() <= TICKSEAM_SESSION_SIZE);
const _: () = assert!(align_of::<tickseam_session>() <= TICKSEAM_SESSION_ALIGN);
const _: () = assert!(size_of::<tickseam_session_memory>() == TICKSEAM_SESSION_SIZE);

/// "tickseam", as bytes of a number.
const MARK: u64 = 0x7469_636B_7365_616D;

/// What a saved session begins with.
#[repr(C)]
#[derive(Clone, Copy, PartialEq, Eq)]
struct Heading {
    mark: u64,
    /// Of what follows.
    bytes: u64,
    /// Compiler, target and version, on which the layout depends.
    layout: u64,
    version: u64,
    /// Of what follows.
    sum: u64,
}

const HEADING: Heading = Heading {
    mark: MARK ^ 1,
    bytes: size_of::<tickseam_session>() as u64,
    layout: decimal(env!("TICKSEAM_LAYOUT")),
    version: 1,
    sum: 0,
};
const _: () = assert!(TICKSEAM_SAVED_SIZE == TICKSEAM_SESSION_SIZE + size_of::<Heading>());
/// The sum is taken over whole words.
const WORDS: usize = TICKSEAM_SESSION_SIZE / size_of::<u64>();
const _: () = assert!(TICKSEAM_SESSION_SIZE.is_multiple_of(size_of::<u64>()));

/// A number written in decimals by the build.
const fn decimal(text: &str) -> u64 {
    let mut bytes = text.as_bytes();
    let mut number = 0_u64;
    while let Some((digit, rest)) = bytes.split_first() {
        number = number.wrapping_mul(10).wrapping_add(digit.wrapping_sub(b'0') as u64);
        bytes = rest;
    }
    number
}

/// `TICKSEAM_SESSION_SIZE` of the library that is linked: compare before use where it is shared. Any thread; constant time.
#[unsafe(no_mangle)]
pub extern "C" fn tickseam_session_size() -> usize {
    TICKSEAM_SESSION_SIZE
}

/// `TICKSEAM_SESSION_ALIGN` of the library that is linked. Any thread; constant time.
#[unsafe(no_mangle)]
pub extern "C" fn tickseam_session_align() -> usize {
    TICKSEAM_SESSION_ALIGN
}

/// `TICKSEAM_SAVED_SIZE` of the library that is linked. Any thread; constant time.
#[unsafe(no_mangle)]
pub extern "C" fn tickseam_saved_size() -> usize {
    TICKSEAM_SAVED_SIZE
}

/// Room for a session.
fn room(memory: *mut u8, size: usize) -> Result<*mut tickseam_session, i32> {
    let place = memory.cast::<tickseam_session>();
    if memory.is_null() {
        return Err(TICKSEAM_ERROR_NULL);
    }
    if memory.align_offset(TICKSEAM_SESSION_ALIGN) != 0 || !place.is_aligned() {
        return Err(TICKSEAM_ERROR_MISALIGNED);
    }
    if size < TICKSEAM_SESSION_SIZE {
        return Err(TICKSEAM_ERROR_SHORT_MEMORY);
    }
    Ok(place)
}

/// The session at an address, if it bears the mark.
fn marked(session: *const tickseam_session) -> Result<(), i32> {
    let session = checked(session)?;
    // SAFETY: not null and aligned; the caller's contract is that a session's memory can be read there.
    let mark = unsafe { (&raw const (*session).mark).read() };
    if mark == MARK { Ok(()) } else { Err(TICKSEAM_ERROR_NO_SESSION) }
}

fn live<'a>(session: *const tickseam_session) -> Result<&'a Session<STREAMS>, i32> {
    marked(session)?;
    // SAFETY: it bears the mark, which only `init` and `restore` write.
    Ok(unsafe { &(*session).live })
}

fn live_mut<'a>(session: *mut tickseam_session) -> Result<&'a mut Session<STREAMS>, i32> {
    marked(session)?;
    // SAFETY: the same; one thread at a time by the contract.
    Ok(unsafe { &mut (*session).live })
}

/// Begins a session in the caller's memory, at least `TICKSEAM_SESSION_SIZE` bytes aligned to `TICKSEAM_SESSION_ALIGN`; it must stay
/// there, untouched, while the session is used. Whatever was there is overwritten: to begin again, call it again. Nothing is to be
/// freed. `session` gets the handle.
/// Errors: NULL, MISALIGNED, SHORT_MEMORY, STRUCT_SIZE, STREAM, VALUE; on any of them the memory is as it was. Any thread; about
/// 1 us; 40 KiB of stack.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing, as long as said.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_init(
    memory: *mut core::ffi::c_void,
    memory_size: usize,
    config: *const tickseam_config,
    session: *mut *mut tickseam_session,
) -> i32 {
    status((|| {
        let place = room(memory.cast(), memory_size)?;
        let config = input(config)?;
        let session = Output::new(session)?;
        let (streams, count) = config.streams()?;
        let streams = streams.get(..count).unwrap_or_default();
        let live = Session::new(&config.with(streams)?).map_err(config_error)?;
        // SAFETY: the caller's, aligned and long enough.
        unsafe { place.write(tickseam_session { mark: MARK, live }) };
        session.write(place);
        Ok(())
    })())
}

/// Takes a received packet, in the order of reception, from the radio's callback; host stamps need not ascend. A packet that cannot
/// be used is no error: `answer` says what it did, and a counter moves. Every call with status 0 counts.
/// Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE (of `answer`), VALUE (`has_tick` is not 0 or 1, `reserved` is not 0); on any
/// of them nothing has changed. The session's thread; 0.2 us on average, up to 100 us for the packet that closes a block, about one in
/// fifty; 12 KiB of stack.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_observe_packet(
    session: *mut tickseam_session,
    packet: *const tickseam_packet,
    answer: *mut tickseam_answer,
) -> i32 {
    status((|| {
        let live = live_mut(session)?;
        let packet = plain(packet)?;
        let answer = sized_output(answer)?;
        let stamp = packet.stamp()?;
        let stream = usize::try_from(packet.stream).unwrap_or(usize::MAX);
        answer.write(tickseam_answer::new(&live.observe_packet(stream, stamp)));
        Ok(())
    })())
}

fn sighting(sighted: Sighted) -> i32 {
    match sighted {
        Sighted::Used => TICKSEAM_SIGHTING_USED,
        Sighted::NoTicks => TICKSEAM_SIGHTING_NO_TICKS,
        Sighted::TooEarly => TICKSEAM_SIGHTING_TOO_EARLY,
        Sighted::FarOff => TICKSEAM_SIGHTING_FAR_OFF,
        Sighted::Backwards => TICKSEAM_SIGHTING_BACKWARDS,
    }
}

/// Takes an exchange of time stamps (T1 to T4 of RFC 5905), when its reply has come: the request sent at host time `origin_ns`,
/// received at the device's tick `receive_tick`; the reply sent at `transmit_tick`, received at host time `destination_ns`. It
/// bounds the clock from both sides and needs no fixed delay. `sighted` gets `TICKSEAM_SIGHTING_...`.
/// Errors: NULL, MISALIGNED, NO_SESSION. The session's thread; some us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_observe_exchange(
    session: *mut tickseam_session,
    origin_ns: i64,
    receive_tick: u64,
    transmit_tick: u64,
    destination_ns: i64,
    sighted: *mut i32,
) -> i32 {
    status((|| {
        let live = live_mut(session)?;
        let sighted = Output::new(sighted)?;
        let answer = live.observe_exchange(origin_ns, receive_tick, transmit_tick, destination_ns);
        sighted.write(sighting(answer));
        Ok(())
    })())
}

/// Takes a marker: an instant that the host stamped `host_ns` and the device saw at tick `tick`, as a light sensor on the screen
/// does; believed to within 2 ms. `sighted` gets `TICKSEAM_SIGHTING_...`.
/// Errors: NULL, MISALIGNED, NO_SESSION. The session's thread; some us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_observe_marker(
    session: *mut tickseam_session,
    host_ns: i64,
    tick: u64,
    sighted: *mut i32,
) -> i32 {
    status((|| {
        let live = live_mut(session)?;
        let sighted = Output::new(sighted)?;
        sighted.write(sighting(live.observe_marker(host_ns, tick)));
        Ok(())
    })())
}

/// Places an event that the host stamped `host_ns` and whose physical instant was `latency_us` later (negative: earlier), with
/// standard uncertainty `latency_u_us`. Both in us, within an hour; 0 and 0 for an event stamped when it happened. May be asked again
/// later, when more is known. An event from before the running segment is placed on the one before it, one from before the host's clock was
/// set by what was known before.
/// Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE, VALUE (latency), NOT_YET. The session's thread; some us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_place(
    session: *const tickseam_session,
    host_ns: i64,
    latency_us: f64,
    latency_u_us: f64,
    placement: *mut tickseam_placement,
) -> i32 {
    status((|| {
        let live = live(session)?;
        let placement = sized_output(placement)?;
        let latency = Shift { us: latency_us, u_us: latency_u_us };
        if !is_a_time(latency) {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        let placed = live.place(host_ns, latency).ok_or(TICKSEAM_ERROR_NOT_YET)?;
        placement.write(tickseam_placement::new(&placed, live.rate_hz()));
        Ok(())
    })())
}

/// Host time of a time on the running segment's timeline, s, by the clock that the host had then: the way back from a placement.
/// Errors: NULL, MISALIGNED, NO_SESSION, VALUE (a time that is not finite), NOT_YET. The session's thread; some us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_host_at(
    session: *const tickseam_session,
    device_s: f64,
    instant: *mut tickseam_host_instant,
) -> i32 {
    status((|| {
        let live = live(session)?;
        let instant = Output::new(instant)?;
        if !device_s.is_finite() {
            return Err(TICKSEAM_ERROR_VALUE);
        }
        let at = live.host_at(device_s).ok_or(TICKSEAM_ERROR_NOT_YET)?;
        instant.write(tickseam_host_instant { host_ns: at.host_ns, u_us: at.u_us, u95_us: at.u95_us });
        Ok(())
    })())
}

/// A clock map of the running segment's timeline as it is known now, of the host's present clock: valid from where that was last set.
/// Hand it to other threads by value.
/// Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE, NOT_YET. The session's thread; some us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_map(
    session: *const tickseam_session,
    map: *mut tickseam_map,
) -> i32 {
    status((|| {
        let live = live(session)?;
        let map = sized_output(map)?;
        let known = live.map().ok_or(TICKSEAM_ERROR_NOT_YET)?;
        map.write(tickseam_map::new(&known, live.timeline_segment().unwrap_or(0)));
        Ok(())
    })())
}

/// The first run of missing packets of a stream, in its present segment, that ends at or after unwrapped sequence number
/// `from_index`. Start with `INT64_MIN`; ask again from `first_index + packets`. Late packets may still close it. Some 32 runs are
/// listed for each stream, the newest ones; `tickseam_session_state` counts all.
/// Errors: NULL, MISALIGNED, NO_SESSION, STREAM, NO_MORE. The session's thread; below 1 us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_next_gap(
    session: *const tickseam_session,
    stream: u32,
    from_index: i64,
    gap: *mut tickseam_gap,
) -> i32 {
    status((|| {
        let live = live(session)?;
        let output = Output::new(gap)?;
        let stream = usize::try_from(stream).map_err(|_| TICKSEAM_ERROR_STREAM)?;
        let per_packet = live.samples_per_packet(stream).ok_or(TICKSEAM_ERROR_STREAM)?;
        let gap = live.next_gap(stream, from_index).ok_or(TICKSEAM_ERROR_NO_MORE)?;
        output.write(tickseam_gap {
            first_index: gap.first_index,
            packets: gap.count,
            samples: gap.samples(per_packet),
        });
        Ok(())
    })())
}

/// How the session stands: how much is known, segment, newest packet, what is missing.
/// Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE. The session's thread; below 1 us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_state(
    session: *const tickseam_session,
    state: *mut tickseam_state,
) -> i32 {
    status((|| {
        let live = live(session)?;
        let state = sized_output(state)?;
        let missing = |stream: usize| live.missing_packets(stream).unwrap_or(0);
        state.write(tickseam_state {
            struct_size: size32::<tickseam_state>(),
            knowledge: match live.knowledge() {
                Knowledge::Nothing => TICKSEAM_KNOWS_NOTHING,
                Knowledge::Cold => TICKSEAM_COLD,
                Knowledge::Tracking => TICKSEAM_TRACKING,
            },
            segment: live.segment(),
            timeline_segment: live.timeline_segment().unwrap_or(0),
            newest_s: live.newest_s().unwrap_or(0.0),
            missing_packets: [missing(0), missing(1), missing(2), missing(3)],
        });
        Ok(())
    })())
}

/// What the arrivals show of the link: its grid and the beat.
/// Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE. The session's thread; some us, at the worst as many steps as packets a minute.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_link(
    session: *const tickseam_session,
    link: *mut tickseam_link,
) -> i32 {
    status((|| {
        let live = live(session)?;
        let output = sized_output(link)?;
        let link = live.link();
        output.write(tickseam_link {
            struct_size: size32::<tickseam_link>(),
            has_interval: u32::from(link.interval_us.is_some()),
            interval_us: link.interval_us.unwrap_or(0.0),
            interval_stretch_ppm: link.interval_stretch_ppm,
            beat_us: link.beat_us,
            off_nominal: u32::from(link.off_nominal),
            rests_on_sightings: u32::from(link.rests_on_pairs),
        });
        Ok(())
    })())
}

/// What was counted since the session began.
/// Errors: NULL, MISALIGNED, NO_SESSION, STRUCT_SIZE. The session's thread; below 1 us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_counters(
    session: *const tickseam_session,
    counters: *mut tickseam_counters,
) -> i32 {
    status((|| {
        let live = live(session)?;
        let output = sized_output(counters)?;
        let counters = live.counters();
        let (intake, settling) = (counters.intake, counters.settling);
        output.write(tickseam_counters {
            struct_size: size32::<tickseam_counters>(),
            reserved: 0,
            in_order: intake.in_order,
            late: intake.late,
            duplicate: intake.duplicate,
            opens_gap: intake.opens_gap,
            closes_gap: intake.closes_gap,
            resumes: intake.resumes,
            new_segment: intake.new_segment,
            joins_segment: intake.joins_segment,
            ambiguous: intake.ambiguous,
            quarantined: intake.quarantined,
            unknown_stream: intake.unknown_stream,
            sequence_out_of_range: intake.sequence_out_of_range,
            tick_out_of_range: intake.tick_out_of_range,
            no_samples: intake.no_samples,
            host_out_of_range: intake.host_out_of_range,
            too_old: intake.too_old,
            count_overflow: intake.count_overflow,
            varying_samples: intake.varying_samples,
            settled_later: settling.settled_later,
            never_settled: settling.never_settled,
            forgotten: settling.forgotten,
            wild: counters.wild,
            exchanges_used: counters.exchanges_used,
            exchanges_refused: counters.exchanges_refused,
            markers_used: counters.markers_used,
            markers_refused: counters.markers_refused,
        });
        Ok(())
    })())
}

/// One line of a placement's budget, half-width of 95 % in us: `line` from 0 to `TICKSEAM_LINES` less 1; `tickseam_line_text` names
/// it. Errors: NULL, MISALIGNED, STRUCT_SIZE, VALUE (no such line). Any thread; constant time.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_placement_line(
    placement: *const tickseam_placement,
    line: i32,
    half_width_us: *mut f64,
) -> i32 {
    status((|| {
        let placement = input(placement)?;
        let half_width_us = Output::new(half_width_us)?;
        half_width_us.write(match line {
            TICKSEAM_LINE_LINK => placement.link_us,
            TICKSEAM_LINE_HOLDOVER => placement.holdover_us,
            TICKSEAM_LINE_FIXED_DELAY => placement.fixed_delay_us,
            TICKSEAM_LINE_RESOLUTION => placement.resolution_us,
            TICKSEAM_LINE_LATENCY => placement.latency_us,
            TICKSEAM_LINE_STATISTICS => placement.statistics_us,
            TICKSEAM_LINE_LATTICE => placement.lattice_us,
            TICKSEAM_LINE_CURVATURE => placement.curvature_us,
            _ => return Err(TICKSEAM_ERROR_VALUE),
        });
        Ok(())
    })())
}

/// Bytes of a saved session that say something; the rest of the memory is 0.
const SAVED_BYTES: usize = size_of::<Heading>() + size_of::<tickseam_session>();
const SAVED_REST: usize = TICKSEAM_SAVED_SIZE - SAVED_BYTES;

/// A sum (FNV-1a, in words of 64 bits) that any single altered word changes, as each step can be undone.
///
/// # Safety
/// `TICKSEAM_SESSION_SIZE` bytes can be read there.
#[inline(never)]
unsafe fn sum(bytes: *const u8) -> u64 {
    // What lies in memory is read as it lies there, padding included.
    let words = core::hint::black_box(bytes).cast::<u64>();
    let mut sum = 0xCBF2_9CE4_8422_2325_u64;
    for place in 0..WORDS {
        // SAFETY: within what can be read; any bytes are a word.
        let word = unsafe { words.add(place).read_unaligned() };
        sum = (sum ^ word).wrapping_mul(0x0100_0000_01B3);
    }
    sum
}

/// Saves a session to `TICKSEAM_SAVED_SIZE` bytes.
///
/// # Safety
/// Both are there, for reading and for writing.
#[inline(never)]
unsafe fn save(session: *const tickseam_session, saved: *mut MaybeUninit<u8>) {
    // SAFETY: promised by the caller; bytes have no alignment, and may be padding.
    unsafe {
        let state = saved.add(size_of::<Heading>());
        core::ptr::copy(session.cast::<MaybeUninit<u8>>(), state, size_of::<tickseam_session>());
        core::ptr::write_bytes(saved.add(SAVED_BYTES), 0, SAVED_REST);
        let heading = Heading { sum: sum(state.cast::<u8>()), ..HEADING };
        saved.cast::<Heading>().write_unaligned(heading);
    }
}

/// Whether bytes are a saved session of this build as it was written.
///
/// # Safety
/// So many bytes can be read there.
unsafe fn is_saved(saved: *const MaybeUninit<u8>, size: usize) -> Call {
    if size < size_of::<Heading>() {
        return Err(TICKSEAM_ERROR_NOT_SAVED);
    }
    // SAFETY: long enough; any bytes are a heading.
    let heading = unsafe { saved.cast::<Heading>().read_unaligned() };
    if heading.mark != HEADING.mark {
        return Err(TICKSEAM_ERROR_NOT_SAVED);
    }
    if heading != (Heading { sum: heading.sum, ..HEADING }) {
        return Err(TICKSEAM_ERROR_OTHER_BUILD);
    }
    if size < TICKSEAM_SAVED_SIZE {
        return Err(TICKSEAM_ERROR_NOT_SAVED);
    }
    // SAFETY: long enough.
    let now = unsafe { sum(saved.add(size_of::<Heading>()).cast::<u8>()) };
    if now == heading.sum { Ok(()) } else { Err(TICKSEAM_ERROR_ALTERED) }
}

/// Saves the whole session to at least `TICKSEAM_SAVED_SIZE` bytes of any alignment, to go on later as if nothing had been between,
/// to the same bits. `written` gets the bytes used. The bytes are of use to the same build of the library only. Padding of the state is
/// saved as it lies: a memory checker may call it uninitialised.
/// Errors: NULL, MISALIGNED, NO_SESSION, SHORT_MEMORY. The session's thread; some us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing, as long as said.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_save(
    session: *const tickseam_session,
    saved: *mut core::ffi::c_void,
    saved_size: usize,
    written: *mut usize,
) -> i32 {
    status((|| {
        marked(session)?;
        let written = Output::new(written)?;
        if saved.is_null() {
            return Err(TICKSEAM_ERROR_NULL);
        }
        if saved_size < TICKSEAM_SAVED_SIZE {
            return Err(TICKSEAM_ERROR_SHORT_MEMORY);
        }
        // SAFETY: the caller's, long enough for both.
        unsafe { save(session, saved.cast()) };
        written.write(TICKSEAM_SAVED_SIZE);
        Ok(())
    })())
}

/// Puts a saved session into memory, as `tickseam_session_init` begins one.
///
/// What is checked: that the bytes were written by `tickseam_session_save` of a library of the same version, compiler and target (mark,
/// length, and a sum of these three), and by a sum over all of them that none was altered since by accident. What is not: whether somebody
/// who altered them made the sum fit again. Use saved bytes with the very library that wrote them, and keep them where nobody else writes:
/// forged bytes are as dangerous as any other memory of the program that was overwritten.
/// Errors: NULL, MISALIGNED, SHORT_MEMORY, NOT_SAVED, OTHER_BUILD, ALTERED; on any of them the memory is as it was. Any thread; some us.
///
/// # Safety
/// The pointers are null or the caller's, for reading and for writing, as long as said; nobody has forged the bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn tickseam_session_restore(
    memory: *mut core::ffi::c_void,
    memory_size: usize,
    saved: *const core::ffi::c_void,
    saved_size: usize,
    session: *mut *mut tickseam_session,
) -> i32 {
    status((|| -> Call {
        let place = room(memory.cast(), memory_size)?;
        let session = Output::new(session)?;
        if saved.is_null() {
            return Err(TICKSEAM_ERROR_NULL);
        }
        let from = saved.cast::<MaybeUninit<u8>>();
        // SAFETY: the caller's, as long as said; both are long enough, and the bytes are a session of this build.
        unsafe {
            is_saved(from, saved_size)?;
            let to = place.cast::<MaybeUninit<u8>>();
            core::ptr::copy(from.add(size_of::<Heading>()), to, size_of::<tickseam_session>());
        }
        session.write(place);
        Ok(())
    })())
}

/// The bytes that `tickseam_session_save` writes of a session, for the bindings that are written in Rust.
pub fn saved(live: &Session<STREAMS>) -> [u8; TICKSEAM_SAVED_SIZE] {
    let session = tickseam_session { mark: MARK, live: live.clone() };
    let mut bytes = [0; TICKSEAM_SAVED_SIZE];
    // SAFETY: both are there.
    unsafe { save(&raw const session, core::hint::black_box(bytes.as_mut_ptr()).cast()) };
    bytes
}

/// The session of such bytes.
///
/// # Errors
/// The status that `tickseam_session_restore` answers.
///
/// # Safety
/// Nobody has forged the bytes: altered by accident they are refused.
pub unsafe fn restored(bytes: &[u8]) -> Result<Session<STREAMS>, i32> {
    // SAFETY: a slice can be read; the bytes are a session of this build by the check and the caller's promise.
    unsafe {
        is_saved(bytes.as_ptr().cast(), bytes.len())?;
        let session = bytes.as_ptr().add(size_of::<Heading>()).cast::<tickseam_session>();
        Ok(session.read_unaligned().live)
    }
}
