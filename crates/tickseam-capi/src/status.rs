//! What calls answer, and words for it.

use core::ffi::{CStr, c_char};

/// Number of this binary interface; it moves when a program has to be compiled anew.
pub const TICKSEAM_ABI: i32 = 0;

/// The call did what it says.
pub const TICKSEAM_OK: i32 = 0;
/// A pointer that must not be null is null.
pub const TICKSEAM_ERROR_NULL: i32 = -1;
/// A pointer is not aligned as its type has to be.
pub const TICKSEAM_ERROR_MISALIGNED: i32 = -2;
/// Memory that was lent is too short.
pub const TICKSEAM_ERROR_SHORT_MEMORY: i32 = -3;
/// `struct_size` is not the size of the struct.
pub const TICKSEAM_ERROR_STRUCT_SIZE: i32 = -4;
/// The memory holds no session: it was never initialised, or was overwritten.
pub const TICKSEAM_ERROR_NO_SESSION: i32 = -5;
/// A value is out of its range, not a number, or infinite.
pub const TICKSEAM_ERROR_VALUE: i32 = -6;
/// No such stream, none at all, or more than `TICKSEAM_STREAMS_MAX`.
pub const TICKSEAM_ERROR_STREAM: i32 = -7;
/// Nothing is known yet: no packet of the reference stream has found its place. Of an event: or the host's clock was set so often since
/// that what was known then is forgotten.
pub const TICKSEAM_ERROR_NOT_YET: i32 = -8;
/// There is no further one.
pub const TICKSEAM_ERROR_NO_MORE: i32 = -9;
/// These bytes are no saved session.
pub const TICKSEAM_ERROR_NOT_SAVED: i32 = -10;
/// The session was saved by another build of the library.
pub const TICKSEAM_ERROR_OTHER_BUILD: i32 = -11;

/// The saved session was altered since.
pub const TICKSEAM_ERROR_ALTERED: i32 = -12;

fn text(words: &'static CStr) -> *const c_char {
    words.as_ptr()
}

/// The binary interface that the library was built with: compare with `TICKSEAM_ABI`. Any thread; constant time.
#[unsafe(no_mangle)]
pub extern "C" fn tickseam_abi() -> i32 {
    TICKSEAM_ABI
}

/// Words for a status, for logs. Any integer has some. Never null, never to be freed, lives as long as the library. Any
/// thread; constant time.
#[unsafe(no_mangle)]
pub extern "C" fn tickseam_status_text(status: i32) -> *const c_char {
    text(match status {
        TICKSEAM_OK => c"ok",
        TICKSEAM_ERROR_NULL => c"a pointer that must not be null is null",
        TICKSEAM_ERROR_MISALIGNED => c"a pointer is not aligned as its type has to be",
        TICKSEAM_ERROR_SHORT_MEMORY => c"memory that was lent is too short",
        TICKSEAM_ERROR_STRUCT_SIZE => c"struct_size is not the size of the struct",
        TICKSEAM_ERROR_NO_SESSION => c"the memory holds no session",
        TICKSEAM_ERROR_VALUE => c"a value is out of its range, not a number, or infinite",
        TICKSEAM_ERROR_STREAM => c"no such stream, none at all, or too many",
        TICKSEAM_ERROR_NOT_YET => c"nothing is known yet",
        TICKSEAM_ERROR_NO_MORE => c"there is no further one",
        TICKSEAM_ERROR_NOT_SAVED => c"these bytes are no saved session",
        TICKSEAM_ERROR_OTHER_BUILD => c"the session was saved by another build of the library",
        TICKSEAM_ERROR_ALTERED => c"the saved session was altered since",
        _ => c"no status of this library",
    })
}

/// The successor of the newest packet, or the first of its stream.
pub const TICKSEAM_IN_ORDER: i32 = 0;
/// Older than the newest packet; used.
pub const TICKSEAM_LATE: i32 = 1;
/// Already received: keep the earlier one.
pub const TICKSEAM_DUPLICATE: i32 = 2;
/// Used; `missing_count` packets from `missing_from` on are missing.
pub const TICKSEAM_OPENS_GAP: i32 = 3;
/// Older than the newest packet; used; the last one that was missing in its gap.
pub const TICKSEAM_CLOSES_GAP: i32 = 4;
/// After an ambiguous silence the count goes on, `settled` packets before this one included.
pub const TICKSEAM_RESUMES: i32 = 5;
/// The device's counters restarted: a new segment begins with this packet or with the `settled` ones before it.
pub const TICKSEAM_NEW_SEGMENT: i32 = 6;
/// The stream's first packet in a segment that another stream opened.
pub const TICKSEAM_JOINS_SEGMENT: i32 = 7;
/// Several numbers of turns of the counters fit: the packet waits for its place.
pub const TICKSEAM_AMBIGUOUS: i32 = 8;
/// The counters fit nothing known, a corrupt stamp or the first packet after a restart: the packet waits for its place.
pub const TICKSEAM_QUARANTINED: i32 = 9;
/// Refused, for the reason in `refusal`: nothing has changed but a counter.
pub const TICKSEAM_REJECTED: i32 = 10;

/// Words for a disposition; any integer has some. Never null, never to be freed. Any thread; constant time.
#[unsafe(no_mangle)]
pub extern "C" fn tickseam_disposition_text(disposition: i32) -> *const c_char {
    text(match disposition {
        TICKSEAM_IN_ORDER => c"in order",
        TICKSEAM_LATE => c"late, used",
        TICKSEAM_DUPLICATE => c"duplicate",
        TICKSEAM_OPENS_GAP => c"opens a gap",
        TICKSEAM_CLOSES_GAP => c"closes a gap",
        TICKSEAM_RESUMES => c"resumes after an ambiguous silence",
        TICKSEAM_NEW_SEGMENT => c"begins a segment",
        TICKSEAM_JOINS_SEGMENT => c"joins a segment",
        TICKSEAM_AMBIGUOUS => c"ambiguous, waits for its place",
        TICKSEAM_QUARANTINED => c"fits nothing known, waits for its place",
        TICKSEAM_REJECTED => c"rejected",
        _ => c"no disposition of this library",
    })
}

/// Not refused.
pub const TICKSEAM_REFUSAL_NONE: i32 = 0;
/// No such stream was configured.
pub const TICKSEAM_REFUSAL_UNKNOWN_STREAM: i32 = 1;
/// The sequence number does not fit its width.
pub const TICKSEAM_REFUSAL_SEQUENCE: i32 = 2;
/// The tick does not fit its width.
pub const TICKSEAM_REFUSAL_TICK: i32 = 3;
/// The packet holds no sample.
pub const TICKSEAM_REFUSAL_NO_SAMPLES: i32 = 4;
/// The host stamp is more than 146 years from the origin of its clock.
pub const TICKSEAM_REFUSAL_HOST: i32 = 5;
/// Older than the reorder window.
pub const TICKSEAM_REFUSAL_TOO_OLD: i32 = 6;
/// The position does not fit 64 bits.
pub const TICKSEAM_REFUSAL_OVERFLOW: i32 = 7;

/// What the link's delays leave open of the clock, within the observed stretch.
pub const TICKSEAM_LINE_LINK: i32 = 0;
/// What the age of the last observation adds to it (holdover, ITU-T G.810), and what is open while the host's clock may have been
/// set: no observation tells by which clock the event was stamped.
pub const TICKSEAM_LINE_HOLDOVER: i32 = 1;
/// The link's fixed delay.
pub const TICKSEAM_LINE_FIXED_DELAY: i32 = 2;
/// The steps of host stamps and device ticks.
pub const TICKSEAM_LINE_RESOLUTION: i32 = 3;
/// From the event's stamp to the physical event.
pub const TICKSEAM_LINE_LATENCY: i32 = 4;
/// Of `TICKSEAM_LINE_LINK`: what the scatter of delays, exchanges and markers leaves open.
pub const TICKSEAM_LINE_STATISTICS: i32 = 5;
/// Of `TICKSEAM_LINE_LINK`: what the link's grid leaves open, one that does not show included.
pub const TICKSEAM_LINE_LATTICE: i32 = 6;
/// Of `TICKSEAM_LINE_LINK`: what the crystal's wander between the bounds leaves open.
pub const TICKSEAM_LINE_CURVATURE: i32 = 7;
/// Lines of a budget: they run from 0 to this, less one. The last three add up to `TICKSEAM_LINE_LINK`.
pub const TICKSEAM_LINES: i32 = 8;

/// Words for a line of the uncertainty budget; any integer has some. Never null, never to be freed. Any thread; constant
/// time.
#[unsafe(no_mangle)]
pub extern "C" fn tickseam_line_text(line: i32) -> *const c_char {
    text(match line {
        TICKSEAM_LINE_LINK => c"link",
        TICKSEAM_LINE_HOLDOVER => c"holdover",
        TICKSEAM_LINE_FIXED_DELAY => c"fixed delay",
        TICKSEAM_LINE_RESOLUTION => c"resolution of stamps and ticks",
        TICKSEAM_LINE_LATENCY => c"latency of the event",
        TICKSEAM_LINE_STATISTICS => c"of the link: scatter",
        TICKSEAM_LINE_LATTICE => c"of the link: grid",
        TICKSEAM_LINE_CURVATURE => c"of the link: wander of the crystal",
        _ => c"no line of a budget",
    })
}

/// Of an event: its samples came, as far as is known.
pub const TICKSEAM_PLACED: i32 = 0;
/// Its time is known, the samples there were lost.
pub const TICKSEAM_IN_GAP: i32 = 1;
/// It lies before the first or after the last sample of its segment.
pub const TICKSEAM_OUTSIDE: i32 = 2;

/// Nothing can be placed yet.
pub const TICKSEAM_KNOWS_NOTHING: i32 = 0;
/// The first packets: bounded by the declared tolerance and the usual delays only. Tell the user to wait some seconds.
pub const TICKSEAM_COLD: i32 = 1;
/// Blocks of arrivals bound the clock.
pub const TICKSEAM_TRACKING: i32 = 2;

/// The exchange or marker bounds the clock.
pub const TICKSEAM_SIGHTING_USED: i32 = 0;
/// Refused: the device's ticks are not configured.
pub const TICKSEAM_SIGHTING_NO_TICKS: i32 = 1;
/// Refused: no packet of the reference stream has found its place yet.
pub const TICKSEAM_SIGHTING_TOO_EARLY: i32 = 2;
/// Refused: a tick does not fit its width, or lies more than 2 s from where the arrivals expect it; or a stamp may be of before the
/// host's clock was set.
pub const TICKSEAM_SIGHTING_FAR_OFF: i32 = 3;
/// Refused: the reply came before the request, on either clock.
pub const TICKSEAM_SIGHTING_BACKWARDS: i32 = 4;
