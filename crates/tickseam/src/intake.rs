//! From packet stamps to unwrapped positions, causal and in bounded memory.
//!
//! A packet carries counters that wrap: always a sequence number, sometimes a tick of the device's clock. [`Intake`]
//! says for each packet where it lies on the device's own count, and what it did there: in order, late, a duplicate,
//! after a gap, the first after a restart. Where that cannot be known it says so and does not guess. Live use and
//! replay run this same code.
//!
//! # The rule, with its numbers
//! A packet's data cannot arrive before it was sampled. So the packets of the last 30 to 60 s that were delayed least
//! give, for every host time, the newest count that can have been reached: *live*. The numbers that a packet can have
//! lie between the newest one received (less the reorder window) and live:
//!
//! ```text
//! newest − window  ≤  number  ≤  live + min(2 s, turn ÷ 16) + tolerance × age
//! ```
//!
//! The lower end is a packet that waited while the link or the app stood still; the upper end, one that comes fresh
//! after others were lost. Every number there that shows the stamp's counters is a candidate. Where a tick is sent,
//! the counter with the longer turn lists the candidates and the other one has to agree: to half a packet + 2 ticks +
//! the uncertainty of the packet length in ticks (2 % until 64 packets have measured it, then 1 packet ÷ packets
//! seen, but not less than twice the crystal's tolerance).
//!
//! - **One candidate**: taken. While the silence on the host clock plus the window and the slack stay below one turn
//!   there is only one (below half a turn it is the nearest by RFC 1982): a 16-bit sequence at 50 packets/s has a turn of 22 min, a
//!   32-bit tick at 32768 Hz one of 36 h. An 8-bit sequence at 50 packets/s alone (turn 5.12 s, window 0.64 s, slack
//!   0.32 s) is safe up to a silence of 4.1 s.
//! - **Several**: [`Disposition::Ambiguous`]. A successor that waited and a stretch that was lost both fit. The packets
//!   are numbered provisionally, and delivery decides: when for 2 s no packet has come with a delay smaller by more
//!   than 20 ms than the smallest since the silence, the backlog has drained, and the least delayed packet must be
//!   live: within min(0.25 s, turn ÷ 16) + tolerance × silence. Exactly one number of turns fits:
//!   [`Disposition::Resumes`], and the provisional packets follow by a shift. None fits, but the first packet was within
//!   8 of the newest: the host clock was stepped, and it resumes too. None fits, but one that is later than live by no more than
//!   min(2 s, turn ÷ 4), and the first packet's number is none of 0 to 8, where counts begin: a queue may have yet to empty, and
//!   the answer waits for it, up to 60 s after the silence. Otherwise the count before and the count after
//!   cannot be tied: a new segment with [`SegmentCause::TurnsUnresolved`].
//!   Of a stream that begins after others, within min(2 s, turn ÷ 8) + tolerance × silence, and a packet more below: packets of other
//!   lengths are stamped by their first sample too.
//!   Where there are other streams, the one whose counters have the longest turn is asked first, from the fourth packet
//!   on: packets of one device come in the order in which they became ready, so a packet lies between those of this
//!   witness that came before and after it, give or take min(0.25 s, turn ÷ 16). Whatever the host clock did, and however
//!   long the backlog, one number of turns that fits there is it.
//! - **One, but as likely a restart**: a packet more than 8 numbers ahead, yet earlier than live by more than that same
//!   0.25 s, or later by more and by as much later than the newest one before it was, whose counters are both small enough to have started from
//!   zero during the silence, is ambiguous too.
//! - **One, at a number that devices begin with** (0 to 8), of several streams without ticks, after a silence of 0.5 s and two packets or with a jump of
//!   more than 8: it waits in the same way, since another stream may tell that the device restarted, and is what it seemed to be otherwise. Where two
//!   streams come to such numbers within 2 s of each other, and a loss, of whole turns too, does not explain both to within 0.25 s, the device restarted.
//! - **None**: [`Disposition::Quarantined`]. One more packet that continues the new numbering, before the old one goes
//!   on, makes it a new segment; a lone corrupt stamp never does. Where the old numbering has been over these numbers
//!   before, it may also be old data sent again, in a burst: the second packet then has to come at half the device's
//!   pace or slower, and lie ahead of the first; the fourth, where the numbers were new in the last 2 s. For 2 s after a restart, numbers within the window of the ones left behind may be left over from
//!   there, and it takes four of them at that pace. Four packets in a row that are late or duplicates, each ahead of
//!   the last, at that pace and with nothing new between, are a restart that landed inside the reorder window, if more than half of
//!   them had been received before or would be more than 2 s late: packets out of order fill gaps, and each but once.
//! - Whatever the host clock says, counters that continue within 8 packets (64 where a tick agrees) are a
//!   continuation: a step of the host clock opens no segment.
//!
//! A segment is the device's. When one stream has opened it, the others join it with their first packet that does not
//! belong to the old numbering, or that goes on from packets which a silence left without a number less than 2 s before; packets of
//! the old numbering may straggle in for 2 s.
//!
//! # What it cannot know
//! - A witness that comes by another way than the order in which packets became ready, by more than 0.25 s, tells nothing
//!   or the wrong turn. After the host clock was set by a whole turn or more, each packet waits for three more until the
//!   old pace is forgotten (60 s).
//! - Without a tick, a restart that lands on a number which a loss could have reached by then is taken for that loss.
//!   For an 8-bit sequence at 50 packets/s after a long silence that is one restart in eight.
//! - Within an ambiguous backlog, a loss of whole turns and up to 7 packets more looks like those 7 packets. A loss
//!   that makes the numbers jump further ends the run: what came before it stays ambiguous for good.
//! - The first packet of the device is taken on trust. If it was corrupt, the rest becomes segment 1.
//! - A device whose sample rate is off its nominal rate by more than the declared tolerance seems to come early
//!   after a long silence; by more than 2 s, it is taken for restarted.

use crate::number::{float, greater, lesser, magnitude};
use crate::serial::{SerialBitsError, SerialSpace};
use core::fmt;
use heapless::Vec;

/// How long a packet may be held back in ordinary delivery, ns. Own choice. Doubled: twice as many candidates for a
/// narrow counter after a reconnection, and stragglers of a left segment are accepted twice as long.
const HELD_BACK_NS: f64 = 2.0e9;

/// How many numbers behind the newest a packet may still take its place. Limited by the 64-bit map of what has
/// been seen, less one neighbour each side. Halved: packets reordered by more than 31 would be refused.
const WINDOW: i64 = 62;

/// How far ahead a count continues whatever the host clock says, packets, without and with a tick that agrees. Own
/// choice. Doubled: a restart is mistaken for a stepped host clock twice as often.
const NEAR_PACKETS: i64 = 8;
const AGREED_PACKETS: i64 = 64;

/// How long the delay must stay at its floor before delivery counts as live again, ns. Own choice. Doubled: ambiguity
/// lasts 2 s longer, and a backlog that drains in slow steps is told from live delivery more surely.
const SETTLE_NS: i64 = 2_000_000_000;

/// The longest wait for a settled delay, ns. Own choice. Doubled: a link that never catches up stays ambiguous longer.
const SETTLE_LIMIT_NS: i64 = 60_000_000_000;

/// A fall of the smallest delay that shows a backlog still draining, ns. Own choice, about one connection interval.
const FALL_NS: f64 = 20.0e6;

/// A device takes at least so long to restart, besides two packets, ns. Own choice. Doubled: quicker restarts at a number that goes on from the old
/// ones are seen a few packets later.
const RESTARTS_NS: f64 = 0.5e9;

/// How near to live the least delayed packet of a settled link is, ns. Own choice. Doubled: twice the risk that a
/// restart passes for a loss.
const SETTLED_NS: f64 = 0.25e9;

/// How long the least delayed packet is remembered, ns: once to twice this. Own choice. Doubled: a stepped host clock is
/// forgotten half as fast.
const ANCHOR_NS: i64 = 30_000_000_000;

/// The packets that a run of ambiguity has before the witness is asked: what a left numbering may still deliver while the
/// device restarts is seldom more. Own choice. Doubled: an answer takes twice as long.
const WITNESSED_PACKETS: u32 = 3;

/// How fast the closest that the witness came is forgotten, of a packet's length for each packet. Own choice: streams of two
/// crystals that differ by this much are still followed. Doubled: half as sharp where packets of both seldom meet.
const RELAXED: f64 = 0.01;

/// Counts beyond this are not told to a µs by an `f64`, ns (32 years).
const LONGEST_COUNT_NS: f64 = 1.0e18;

/// The most numbers of turns that are tried for one packet: the bound of the work of one call.
const TURNS_TRIED: u32 = 64;

/// Host stamps beyond ± this are no time of any clock, ns (146 years). Keeps every difference inside `i64`.
const HOST_LIMIT_NS: i64 = i64::MAX / 2;

/// The device counter that packets are stamped with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DeviceClock {
    /// Nominal rate of the counter, Hz, 0.001..=1e12. Only used where stamps carry a tick.
    pub tick_hz: f64,
    /// The counter wraps at 2^tick_bits; 16..=64.
    pub tick_bits: u8,
    /// Half-width of the tolerance of the device's rates against the host's, parts per million, 0..=100000.
    pub tolerance_ppm: f64,
}

/// One stream of packets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StreamConfig {
    /// Nominal sample rate, Hz, above 0.
    pub rate_hz: f64,
    /// Nominal samples in one packet, at least 1. One packet lasts 1 µs to 1000 s.
    pub samples_per_packet: u32,
    /// The packet sequence number wraps at 2^sequence_bits; 2..=64 (one bit has no serial order).
    pub sequence_bits: u8,
}

impl StreamConfig {
    /// Nominal time from a packet's first sample to its last, µs.
    pub fn fills_us(&self) -> f64 {
        f64::from(self.samples_per_packet.saturating_sub(1)) / self.rate_hz * 1e6
    }

    /// Nominal time from one packet's first sample to the next one's, s.
    pub fn period_s(&self) -> f64 {
        f64::from(self.samples_per_packet) / self.rate_hz
    }
}

/// What a received packet says of itself, and when it came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PacketStamp {
    /// Host clock at the stamp, ns from any origin.
    pub host_ns: i64,
    /// Sequence number as sent.
    pub sequence: u64,
    /// Device counter at the packet's first sample, as sent; `None` where the device sends none.
    pub tick: Option<u64>,
    /// Samples in the packet.
    pub samples: u32,
}

/// Which of the device's counts a position is counted by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CountClock {
    /// Ticks of the device clock, shared by all streams.
    Ticks,
    /// Nominal samples of the packet's own stream: index × samples per packet.
    Samples,
}

/// Where a packet lies on the device's own count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Resolved {
    /// 0, 1, …: a new one begins where the device's counters restarted.
    pub segment: u32,
    /// Unwrapped sequence number. It always shows the stamp's sequence number modulo 2^sequence_bits; the first packet of the
    /// stream in the segment has its sequence number as sent, and earlier ones may be negative.
    pub index: i64,
    /// Unwrapped count of the device at the packet's first sample, by `clock`. Ticks show the stamp's tick modulo
    /// 2^tick_bits.
    pub device: i64,
    /// What `device` counts.
    pub clock: CountClock,
}

/// What becomes of packets that could only be numbered provisionally.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Confirmed {
    /// How many of the stream's last packets are settled with this one: all those answered `Ambiguous` or `Quarantined`
    /// since the run began, repeats not counted. Where a restart landed inside the window, these are the last three
    /// packets, although they were answered as late or duplicates of the old numbering.
    pub packets: u32,
    /// The one of them with the highest index, in its final position.
    pub previous: Option<Resolved>,
    /// To add to the index that each of them was given.
    pub index_shift: i64,
    /// To add to the device count that each of them was given.
    pub device_shift: i64,
}

/// Why a segment began.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SegmentCause {
    /// Two packets in a row agree on a numbering that the old one cannot have reached.
    CountersRestarted,
    /// After a long silence the number of turns could not be found, even with delivery settled.
    TurnsUnresolved,
}

/// Why a packet was refused. A refused packet changes nothing but its counter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// No such stream was configured.
    UnknownStream,
    /// The sequence number does not fit its width.
    SequenceOutOfRange,
    /// The tick does not fit its width.
    TickOutOfRange,
    /// The packet holds no sample.
    NoSamples,
    /// The host stamp is more than 146 years from the origin.
    HostOutOfRange,
    /// Within one window behind the reorder window of a stream whose newest packet came less than two packets ago.
    TooOld,
    /// The position does not fit an `i64`.
    CountOverflow,
}

/// What a packet did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Disposition {
    /// The successor of the newest packet, or the first of its stream.
    InOrder,
    /// Older than the newest packet; used. If it was missing, its gap is smaller but still there.
    Late,
    /// Already received: keep the earlier one.
    Duplicate,
    /// Used; packets before it are missing (after it, where it precedes the stream's first packet).
    OpensGap {
        /// Unwrapped index of the first missing packet.
        missing_from: i64,
        /// Packets missing in a row.
        missing_count: u64,
    },
    /// Older than the newest packet; used. The last one that was missing in its gap.
    ClosesGap,
    /// After an ambiguous silence the number of turns is known: the count goes on in the same segment.
    Resumes {
        /// Unwrapped index of the first packet missing before the ambiguous ones.
        missing_from: i64,
        /// Packets missing in a row there; packets lost among the ambiguous ones come on top.
        missing_count: u64,
        /// What becomes of the ambiguous packets.
        confirmed: Confirmed,
    },
    /// A new segment of the device begins with this packet or with those that it confirms.
    NewSegment {
        /// Why.
        cause: SegmentCause,
        /// What becomes of the packets before.
        confirmed: Confirmed,
    },
    /// The stream's first packet in a segment that another stream opened.
    JoinsSegment {
        /// What becomes of the packets before.
        confirmed: Confirmed,
    },
    /// Several numbers of turns fit; the packet has no position yet.
    Ambiguous {
        /// A position that is right among the ambiguous packets of this run only, until [`Confirmed`] gives the shift.
        provisional: Resolved,
        /// Numbers of turns that fitted at the run's first packet, at least; 1 where a restart fits as well.
        possible: u32,
    },
    /// The counters fit nothing known: a corrupt stamp, or the first packet after a restart. No position yet.
    Quarantined {
        /// The position it has if a new segment is confirmed.
        provisional: Resolved,
    },
    /// Refused.
    Rejected(Refusal),
}

/// The answer to one packet.
#[must_use]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Intaken {
    /// What the packet did.
    pub disposition: Disposition,
    /// Where the packet lies; `None` where it was refused or is not known yet. For a duplicate, where the earlier one
    /// lies.
    pub resolved: Option<Resolved>,
}

/// How often each disposition was given, over all streams. They add up to the number of calls.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct IntakeCounters {
    /// [`Disposition::InOrder`].
    pub in_order: u64,
    /// [`Disposition::Late`].
    pub late: u64,
    /// [`Disposition::Duplicate`].
    pub duplicate: u64,
    /// [`Disposition::OpensGap`].
    pub opens_gap: u64,
    /// [`Disposition::ClosesGap`].
    pub closes_gap: u64,
    /// [`Disposition::Resumes`].
    pub resumes: u64,
    /// [`Disposition::NewSegment`].
    pub new_segment: u64,
    /// [`Disposition::JoinsSegment`].
    pub joins_segment: u64,
    /// [`Disposition::Ambiguous`].
    pub ambiguous: u64,
    /// [`Disposition::Quarantined`].
    pub quarantined: u64,
    /// [`Refusal::UnknownStream`].
    pub unknown_stream: u64,
    /// [`Refusal::SequenceOutOfRange`].
    pub sequence_out_of_range: u64,
    /// [`Refusal::TickOutOfRange`].
    pub tick_out_of_range: u64,
    /// [`Refusal::NoSamples`].
    pub no_samples: u64,
    /// [`Refusal::HostOutOfRange`].
    pub host_out_of_range: u64,
    /// [`Refusal::TooOld`].
    pub too_old: u64,
    /// [`Refusal::CountOverflow`].
    pub count_overflow: u64,
    /// Not a disposition and not part of the sum: packets, refused ones apart, whose sample count is not the nominal
    /// one. Without a tick their stream's positions drift off its true sample count.
    pub varying_samples: u64,
}

impl IntakeCounters {
    /// The sum over all dispositions: the number of calls.
    #[must_use]
    pub fn calls(&self) -> u64 {
        [
            self.in_order,
            self.late,
            self.duplicate,
            self.opens_gap,
            self.closes_gap,
            self.resumes,
            self.new_segment,
            self.joins_segment,
            self.ambiguous,
            self.quarantined,
            self.unknown_stream,
            self.sequence_out_of_range,
            self.tick_out_of_range,
            self.no_samples,
            self.host_out_of_range,
            self.too_old,
            self.count_overflow,
        ]
        .into_iter()
        .fold(0, u64::saturating_add)
    }

    fn count(&mut self, disposition: &Disposition) {
        let counter = match disposition {
            Disposition::InOrder => &mut self.in_order,
            Disposition::Late => &mut self.late,
            Disposition::Duplicate => &mut self.duplicate,
            Disposition::OpensGap { .. } => &mut self.opens_gap,
            Disposition::ClosesGap => &mut self.closes_gap,
            Disposition::Resumes { .. } => &mut self.resumes,
            Disposition::NewSegment { .. } => &mut self.new_segment,
            Disposition::JoinsSegment { .. } => &mut self.joins_segment,
            Disposition::Ambiguous { .. } => &mut self.ambiguous,
            Disposition::Quarantined { .. } => &mut self.quarantined,
            Disposition::Rejected(Refusal::UnknownStream) => &mut self.unknown_stream,
            Disposition::Rejected(Refusal::SequenceOutOfRange) => &mut self.sequence_out_of_range,
            Disposition::Rejected(Refusal::TickOutOfRange) => &mut self.tick_out_of_range,
            Disposition::Rejected(Refusal::NoSamples) => &mut self.no_samples,
            Disposition::Rejected(Refusal::HostOutOfRange) => &mut self.host_out_of_range,
            Disposition::Rejected(Refusal::TooOld) => &mut self.too_old,
            Disposition::Rejected(Refusal::CountOverflow) => &mut self.count_overflow,
        };
        *counter = counter.saturating_add(1);
    }
}

/// A configuration that no device can have.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum IntakeConfigError {
    /// The tick rate lies outside 0.001..=1e12 Hz: a tick would be longer than any packet, or shorter than is told apart.
    TickRate {
        /// The rate given, Hz.
        tick_hz: f64,
    },
    /// The tick counter has fewer than 16 or more than 64 bits.
    TickBits {
        /// The width given, bits.
        bits: u8,
    },
    /// The tolerance lies outside 0..=100000 ppm.
    Tolerance {
        /// The tolerance given, parts per million.
        tolerance_ppm: f64,
    },
    /// More streams than the intake has room for.
    Streams {
        /// Streams given.
        given: usize,
        /// Streams there is room for.
        room: usize,
    },
    /// A stream has no samples in its packets, a rate that is not positive, or packets outside 1 µs to 1000 s.
    PacketLength {
        /// Which stream, from 0.
        stream: usize,
    },
    /// A stream's sequence number has a width without serial order.
    SequenceBits {
        /// Which stream, from 0.
        stream: usize,
        /// The width given, bits.
        bits: u8,
    },
}

impl fmt::Display for IntakeConfigError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TickRate { tick_hz } => {
                write!(out, "tick rate {tick_hz} Hz is not within 0.001 to 1e12 Hz")
            }
            Self::TickBits { bits } => write!(out, "a tick counter has 16 to 64 bits, not {bits}"),
            Self::Tolerance { tolerance_ppm } => {
                write!(out, "clock tolerance {tolerance_ppm} ppm is not within 0 to 100000 ppm")
            }
            Self::Streams { given, room } => write!(out, "{given} streams, but room for {room}"),
            Self::PacketLength { stream } => {
                write!(out, "stream {stream}: a packet must hold samples and last 1 µs to 1000 s")
            }
            Self::SequenceBits { stream, bits } => {
                write!(out, "stream {stream}: a sequence number has 2 to 64 bits, not {bits}")
            }
        }
    }
}

impl core::error::Error for IntakeConfigError {}

#[expect(clippy::cast_precision_loss, reason = "raw counters beyond 2^53 are only compared with tolerances")]
const fn float_raw(raw: u64) -> f64 {
    raw as f64
}

/// The count towards zero, held inside `i64`.
#[expect(clippy::cast_possible_truncation, reason = "saturates, and maps NaN to 0")]
const fn towards_zero(value: f64) -> i64 {
    value as i64
}

fn floor(value: f64) -> i64 {
    let whole = towards_zero(value);
    if float(whole) > value { whole.saturating_sub(1) } else { whole }
}

fn ceil(value: f64) -> i64 {
    let whole = towards_zero(value);
    if float(whole) < value { whole.saturating_add(1) } else { whole }
}

/// A count and the host time at which it came.
#[derive(Clone, Copy, Debug)]
struct Arrival {
    count: i64,
    host_ns: i64,
}

impl Arrival {
    /// How much later this packet came, against the count, than `other` did, ns.
    fn excess_ns(&self, other: &Self, step_ns: f64) -> f64 {
        float(self.host_ns.saturating_sub(other.host_ns))
            - float(self.count.saturating_sub(other.count)) * step_ns
    }
}

/// The least delayed packets of the last while: what tells which count is live.
#[derive(Clone, Copy, Debug)]
struct Anchor {
    held: Arrival,
    next: Arrival,
    next_since_ns: i64,
}

impl Anchor {
    const fn new(arrival: Arrival) -> Self {
        Self { held: arrival, next: arrival, next_since_ns: arrival.host_ns }
    }

    fn observe(&mut self, arrival: Arrival, step_ns: f64, tolerance: f64) {
        for kept in [&mut self.held, &mut self.next] {
            let age_ns = magnitude(float(arrival.host_ns.saturating_sub(kept.host_ns)));
            if arrival.excess_ns(kept, step_ns) <= tolerance * age_ns {
                *kept = arrival;
            }
        }
        if arrival.host_ns.saturating_sub(self.next_since_ns) >= ANCHOR_NS {
            self.held = self.next;
            self.next = arrival;
            self.next_since_ns = arrival.host_ns;
        }
    }

    /// How far the live count is ahead of `reference` at a host time, and how old the anchor is that says so, ns.
    fn live_ns(&self, reference: i64, host_ns: i64, step_ns: f64) -> (f64, f64) {
        let of = |arrival: &Arrival| {
            let elapsed_ns = float(host_ns.saturating_sub(arrival.host_ns));
            (float(arrival.count.saturating_sub(reference)) * step_ns + elapsed_ns, magnitude(elapsed_ns))
        };
        let (held, next) = (of(&self.held), of(&self.next));
        if next.0 > held.0 { next } else { held }
    }
}

/// One packet's index and tick.
#[derive(Clone, Copy, Debug)]
struct Tied {
    index: i64,
    tick: i64,
}

impl Tied {
    /// Holds the place of none.
    const NONE: Self = Self { index: 0, tick: 0 };
}

/// What an index is to a numbering.
enum Slot {
    Ahead { missing: u64 },
    Before { missing: u64 },
    Fills { closes: bool },
    Seen,
    TooOld,
}

/// Packets received under one unwrapped count.
#[derive(Clone, Copy, Debug)]
struct Numbering {
    newest: i64,
    earliest: i64,
    /// Bit k: packet `newest − k` was received.
    seen: u64,
    /// When the newest packet came.
    newest_host_ns: i64,
    /// The newest packet that carried a tick.
    tied: Option<Tied>,
}

impl Numbering {
    fn new(index: i64, tick: Option<i64>, host_ns: i64) -> Self {
        Self {
            newest: index,
            earliest: index,
            seen: 1,
            newest_host_ns: host_ns,
            tied: tick.map(|tick| Tied { index, tick }),
        }
    }

    fn has(&self, index: i64) -> bool {
        let age = self.newest.abs_diff(index);
        index <= self.newest
            && u32::try_from(age).is_ok_and(|age| self.seen.checked_shr(age).unwrap_or(0) & 1 == 1)
    }

    fn slot(&self, index: i64, window: i64) -> Slot {
        if index > self.newest {
            return Slot::Ahead { missing: index.abs_diff(self.newest).saturating_sub(1) };
        }
        if self.newest.abs_diff(index) > window.unsigned_abs() {
            return Slot::TooOld;
        }
        if index < self.earliest {
            return Slot::Before { missing: index.abs_diff(self.earliest).saturating_sub(1) };
        }
        if self.has(index) {
            return Slot::Seen;
        }
        Slot::Fills { closes: self.has(index.saturating_sub(1)) && self.has(index.saturating_add(1)) }
    }

    /// Take in a packet that has a slot.
    fn place(&mut self, index: i64, tick: Option<i64>, host_ns: i64) {
        let apart = u32::try_from(self.newest.abs_diff(index)).unwrap_or(u32::MAX);
        if index > self.newest {
            self.seen = self.seen.checked_shl(apart).unwrap_or(0) | 1;
            self.newest = index;
            self.newest_host_ns = host_ns;
        } else {
            self.seen |= 1_u64.checked_shl(apart).unwrap_or(0);
        }
        if index < self.earliest {
            self.earliest = index;
        }
        if let Some(tick) = tick
            && self.tied.is_none_or(|tied| tied.index < index)
        {
            self.tied = Some(Tied { index, tick });
        }
    }

    /// Host time since the newest packet came, ns; 0 where the host clock went back.
    fn silence_ns(&self, host_ns: i64) -> f64 {
        greater(float(host_ns.saturating_sub(self.newest_host_ns)), 0.0)
    }

    /// The tick of the newest packet, where it had one.
    fn newest_tick(&self) -> Option<i64> {
        self.tied.filter(|tied| tied.index == self.newest).map(|tied| tied.tick)
    }

    fn shifted(mut self, index_shift: i64, tick_shift: i64) -> Option<Self> {
        self.newest = self.newest.checked_add(index_shift)?;
        self.earliest = self.earliest.checked_add(index_shift)?;
        if let Some(tied) = &mut self.tied {
            tied.index = tied.index.checked_add(index_shift)?;
            tied.tick = tied.tick.checked_add(tick_shift)?;
        }
        Some(self)
    }
}

/// Ticks that one packet can last.
#[derive(Clone, Copy, Debug)]
struct Relation {
    least: f64,
    most: f64,
    /// Relative uncertainty of both.
    relative: f64,
}

impl Relation {
    /// Index advances that a tick advance allows.
    fn indexes(&self, ticks: i64) -> (i64, i64) {
        let ticks = float(ticks);
        let (near, far) = (ticks / self.most, ticks / self.least);
        let (low, high) = if ticks < 0.0 { (far, near) } else { (near, far) };
        let slack = 0.5 + 2.0 / self.least + self.relative * magnitude(far);
        (ceil(low - slack), floor(high + slack))
    }

    /// Tick advances that an index advance allows.
    fn ticks(&self, indexes: i64) -> (i64, i64) {
        let indexes = float(indexes);
        let (near, far) = (indexes * self.least, indexes * self.most);
        let (low, high) = if indexes < 0.0 { (far, near) } else { (near, far) };
        let slack = 0.5 * self.most + 2.0 + self.relative * magnitude(far);
        (ceil(low - slack), floor(high + slack))
    }
}

/// The counters of a stamp as sent.
#[derive(Clone, Copy, Debug)]
struct Shown {
    sequence: u64,
    tick: Option<u64>,
}

/// The numbers that a stamp can have.
#[derive(Clone, Copy, Debug)]
enum Found {
    None,
    One { index: i64, tick: Option<i64> },
    Many { index: i64, tick: Option<i64>, possible: u32 },
}

/// Candidates while they are being collected: the lowest, and how many.
#[derive(Default)]
struct Tally {
    lowest: Option<(i64, Option<i64>)>,
    possible: u32,
}

impl Tally {
    fn add(&mut self, index: i64, tick: Option<i64>) {
        if self.lowest.is_none() {
            self.lowest = Some((index, tick));
        }
        self.possible = self.possible.saturating_add(1);
    }

    fn found(self) -> Found {
        match self.lowest {
            None => Found::None,
            Some((index, tick)) if self.possible == 1 => Found::One { index, tick },
            Some((index, tick)) => Found::Many { index, tick, possible: self.possible },
        }
    }
}

/// The two counters of a stream and how they go together.
#[derive(Clone, Copy, Debug)]
struct Frame {
    sequence: SerialSpace,
    ticks: SerialSpace,
    packet_ns: f64,
    tick_ns: f64,
    relation: Relation,
}

impl Frame {
    /// The counters that a packet with these counts shows.
    const fn shown(&self, index: i64, tick: Option<i64>) -> Shown {
        let tick = match tick {
            Some(tick) => Some(self.ticks.reduce(tick)),
            None => None,
        };
        Shown { sequence: self.sequence.reduce(index), tick }
    }

    fn sequence_turn_ns(&self) -> f64 {
        (float_raw(self.sequence.largest()) + 1.0) * self.packet_ns
    }

    fn tick_turn_ns(&self) -> f64 {
        (float_raw(self.ticks.largest()) + 1.0) * self.tick_ns
    }

    /// The longest turn of the counters that a stamp shows, ns.
    fn turn_ns(&self, ticked: bool) -> f64 {
        if ticked { greater(self.sequence_turn_ns(), self.tick_turn_ns()) } else { self.sequence_turn_ns() }
    }

    /// The reorder window: an eighth of a turn at most, so that a narrow counter keeps room to tell a restart.
    fn window(&self) -> i64 {
        let eighth = towards_zero(float_raw(self.sequence.largest()) / 8.0 + 0.125);
        if eighth < WINDOW { eighth } else { WINDOW }
    }

    /// From the numbering's reference to half a packet beyond a number, ns. `side` −0.5 below, +0.5 above.
    fn beyond_reference_ns(&self, numbering: &Numbering, reference: i64, packets: i64, side: f64) -> f64 {
        (float(numbering.newest.saturating_add(packets).saturating_sub(reference)) + side) * self.packet_ns
    }

    /// The number that distances in [`Self::find`] are counted from.
    fn reference(numbering: &Numbering, shown: Shown) -> i64 {
        match (numbering.tied, shown.tick) {
            (Some(tied), Some(_)) => tied.index,
            _ => numbering.newest,
        }
    }

    /// The numbers between `low_ns` and `high_ns` from the reference that show these counters.
    ///
    /// Work: at most 64 turns.
    fn find(&self, numbering: &Numbering, shown: Shown, low_ns: f64, high_ns: f64) -> Found {
        match (numbering.tied, shown.tick) {
            (Some(tied), Some(tick)) => {
                self.find_tied(numbering, tied, shown.sequence, tick, low_ns, high_ns)
            }
            _ => {
                let low = numbering.newest.saturating_add(ceil(low_ns / self.packet_ns));
                let high = numbering.newest.saturating_add(floor(high_ns / self.packet_ns));
                count_turns(self.sequence, shown.sequence, low, high, |index| (index, None))
            }
        }
    }

    fn find_tied(
        &self,
        numbering: &Numbering,
        tied: Tied,
        sequence: u64,
        tick: u64,
        low_ns: f64,
        high_ns: f64,
    ) -> Found {
        let by_tick = self.tick_turn_ns() >= self.sequence_turn_ns();
        // `outer` lists the candidates, `inner` has to agree.
        let (outer, outer_raw, outer_at, outer_ns) = if by_tick {
            (self.ticks, tick, tied.tick, self.tick_ns)
        } else {
            (self.sequence, sequence, tied.index, self.packet_ns)
        };
        let (inner, inner_raw, inner_at) =
            if by_tick { (self.sequence, sequence, tied.index) } else { (self.ticks, tick, tied.tick) };
        let low = outer_at.saturating_add(ceil(low_ns / outer_ns));
        let high = outer_at.saturating_add(floor(high_ns / outer_ns));
        let mut tally = Tally::default();
        let mut candidate = outer.first_from(low, outer_raw);
        for _ in 0..TURNS_TRIED {
            let Some(count) = candidate.filter(|count| *count <= high) else { return tally.found() };
            let advance = count.saturating_sub(outer_at);
            let (from, to) =
                if by_tick { self.relation.indexes(advance) } else { self.relation.ticks(advance) };
            let to = inner_at.saturating_add(to);
            if let Some(agreeing) = inner.first_from(inner_at.saturating_add(from), inner_raw)
                && agreeing <= to
            {
                let (index, tick) = if by_tick { (agreeing, count) } else { (count, agreeing) };
                tally.add(index, Some(tick));
                if inner.turn().and_then(|turn| agreeing.checked_add(turn)).is_some_and(|next| next <= to) {
                    tally.add(index, Some(tick));
                }
            }
            candidate = outer.turn().and_then(|turn| count.checked_add(turn));
        }
        if candidate.is_none_or(|count| count > high) {
            return tally.found();
        }
        // More turns fit than are tried: ambiguous, with any number that shows the counters to go on from.
        let lowest = tally.lowest.or_else(|| {
            let index = self.sequence.first_from(numbering.newest.checked_add(1)?, sequence)?;
            let tick = self.ticks.first_from(tied.tick.checked_add(1)?, tick)?;
            Some((index, Some(tick)))
        });
        match lowest {
            Some((index, tick)) => Found::Many { index, tick, possible: TURNS_TRIED },
            None => Found::None,
        }
    }
}

/// The numbers of one counter within bounds.
fn count_turns(
    space: SerialSpace,
    raw: u64,
    low: i64,
    high: i64,
    position: impl Fn(i64) -> (i64, Option<i64>),
) -> Found {
    let Some(first) = space.first_from(low, raw).filter(|first| *first <= high) else { return Found::None };
    let (index, tick) = position(first);
    let further = space.turn().and_then(|turn| high.saturating_sub(first).checked_div(turn)).unwrap_or(0);
    match u32::try_from(further.saturating_add(1)).unwrap_or(u32::MAX) {
        1 => Found::One { index, tick },
        possible => Found::Many { index, tick, possible },
    }
}

/// Whether a provisional numbering comes at the device's pace, which data sent again in a burst does not.
#[derive(Clone, Copy, Debug)]
struct Pace {
    since: Arrival,
}

impl Pace {
    fn keeps(&mut self, arrival: Arrival, packet_ns: f64) -> bool {
        let device_ns = float(arrival.count.saturating_sub(self.since.count)) * packet_ns;
        let host_ns = float(arrival.host_ns.saturating_sub(self.since.host_ns));
        if device_ns - host_ns > HELD_BACK_NS {
            // A backlog this long says nothing of the pace: measure from here.
            self.since = arrival;
            return false;
        }
        host_ns >= 0.5 * device_ns
    }
}

/// What a provisional numbering waits for.
#[derive(Clone, Copy, Debug)]
enum Waiting {
    /// As many packets more as `needed`, to tell a restart from a corrupt stamp; at the device's pace where it may be
    /// old data.
    Restart { pace: Pace, needed: u32, at_pace: bool },
    /// More old numbers in a row, to tell a restart inside the window from late packets and repeats.
    /// `strange` of them are numbers that have been received, or that are too old for late delivery.
    GoingBack { pace: Pace, strange: u32, index_shift: i64, device_shift: i64 },
    /// Delivery to settle, to tell the number of turns.
    Turns(Turns),
}

/// A run of packets whose number of turns is open.
#[derive(Clone, Copy, Debug)]
struct Turns {
    /// When the run began.
    since_ns: i64,
    /// When the smallest delay last fell, and packets since that came near to it.
    fell_ns: i64,
    steady: u32,
    /// The packet with the smallest delay, and its tick.
    floor: Arrival,
    floor_tick: Option<i64>,
    possible: u32,
    /// Whether the first packet could be a near successor of the newest one, or is explained by a loss.
    near: bool,
    /// Whether its number is one that devices begin with, and whether a loss explains it.
    fresh: bool,
    explained: bool,
    /// Packets in a row that did not continue the run.
    misfits: u8,
    /// Where the run's newest packet lies at least by the witness, ns of samples from number 0; minus infinity where the
    /// witness says nothing.
    after_ns: f64,
}

/// What is to be added to provisional counts.
#[derive(Clone, Copy, Debug)]
struct Shift {
    indexes: i64,
    ticks: i64,
}

/// What the other streams tell of a run of ambiguity: what is to be added to its counts, or that the device restarted.
#[derive(Clone, Copy, Debug)]
struct Told {
    shift: Option<Shift>,
    restarted: bool,
}

#[derive(Clone, Copy, Debug)]
struct Provisional {
    numbering: Numbering,
    packets: u32,
    waiting: Waiting,
}

/// The count of ticks that all streams share, in the current segment.
#[derive(Clone, Copy, Debug)]
struct Timeline {
    anchor: Anchor,
    earliest: i64,
}

#[derive(Clone, Copy, Debug)]
struct Device {
    tick_ns: f64,
    /// Relative tolerance of the device's rates.
    tolerance: f64,
    ticks: SerialSpace,
    timeline: Option<Timeline>,
    segment: u32,
    /// The stream whose counters have the longest turn: it tells the others how long a silence was.
    witness: u8,
    /// Whether there is but one stream.
    alone: bool,
    segment_host_ns: i64,
}

impl Device {
    /// The ticks that a first packet of a stream can have: between the segment's earliest and live.
    fn find_tick(&self, shown: Shown, host_ns: i64) -> Found {
        let (Some(tick), Some(timeline)) = (shown.tick, self.timeline) else { return Found::None };
        let turn_ns = (float_raw(self.ticks.largest()) + 1.0) * self.tick_ns;
        let (live_ns, age_ns) = timeline.anchor.live_ns(timeline.earliest, host_ns, self.tick_ns);
        let below_ns = lesser(HELD_BACK_NS, turn_ns / 8.0);
        let above_ns = lesser(HELD_BACK_NS, turn_ns / 16.0) + self.tolerance * age_ns;
        let low = timeline.earliest.saturating_sub(floor(below_ns / self.tick_ns));
        let high = timeline.earliest.saturating_add(floor((live_ns + above_ns) / self.tick_ns));
        count_turns(self.ticks, tick, low, high, |tick| (0, Some(tick)))
    }
}

#[derive(Clone, Copy, Debug)]
struct Stream {
    packet_ns: f64,
    sequence: SerialSpace,
    samples_per_packet: u32,
    least_samples: u32,
    most_samples: u32,
    segment: u32,
    main: Option<Numbering>,
    provisional: Option<Provisional>,
    anchor: Anchor,
    /// The first packet of the segment that carried a tick, if there was one: what the packet length in ticks is measured
    /// from.
    origin: Tied,
    has_origin: bool,
    /// The newest sequence number of the numbering that was left at the last change of segment, if there was one.
    left: u64,
    has_left: bool,
    /// By how much the witness's count is ahead of this stream's when a packet of the witness follows one of this stream
    /// as closely as it does, ns of samples; infinite before the first time.
    ahead_ns: f64,
}

impl Stream {
    fn frame(&self, device: &Device) -> Frame {
        let nominal = self.packet_ns / device.tick_ns;
        let per_sample = nominal / f64::from(self.samples_per_packet);
        let mut relation = Relation {
            least: per_sample * f64::from(self.least_samples),
            most: per_sample * f64::from(self.most_samples),
            relative: 0.02,
        };
        if self.least_samples == self.most_samples
            && self.has_origin
            && let Some(tied) = self.main.and_then(|main| main.tied)
        {
            let packets = tied.index.saturating_sub(self.origin.index);
            let ticks = tied.tick.saturating_sub(self.origin.tick);
            if packets >= 64 && ticks > 0 {
                let measured = float(ticks) / float(packets);
                relation = Relation {
                    least: measured,
                    most: measured,
                    relative: greater(2.0 * device.tolerance, 1.0 / float(packets)),
                };
            }
        }
        Frame {
            sequence: self.sequence,
            ticks: device.ticks,
            packet_ns: self.packet_ns,
            tick_ns: device.tick_ns,
            relation,
        }
    }

    fn position(&self, segment: u32, index: i64, tick: Option<i64>) -> Option<Resolved> {
        let samples = index.checked_mul(i64::from(self.samples_per_packet))?;
        Some(match tick {
            Some(tick) => Resolved { segment, index, device: tick, clock: CountClock::Ticks },
            None => Resolved { segment, index, device: samples, clock: CountClock::Samples },
        })
    }

    /// The shift of a device count, by what a stamp counts by.
    fn device_shift(&self, ticked: bool, index_shift: i64, tick_shift: i64) -> i64 {
        if ticked { tick_shift } else { index_shift.saturating_mul(i64::from(self.samples_per_packet)) }
    }

    fn confirmed(
        &self,
        segment: u32,
        numbering: &Numbering,
        packets: u32,
        index_shift: i64,
        device_shift: i64,
    ) -> Confirmed {
        Confirmed {
            packets,
            previous: self.position(segment, numbering.newest, numbering.newest_tick()),
            index_shift,
            device_shift,
        }
    }

    /// What is to be added to a numbering's indexes for its first one to be as it was sent.
    fn shift_to_as_sent(&self, numbering: &Numbering) -> Option<i64> {
        let first = self.sequence.begin(self.sequence.reduce(numbering.earliest));
        first.checked_sub(numbering.earliest)
    }

    /// Learn from a packet that has its place: which count is live, and how long a packet lasts in ticks.
    fn learn(&mut self, device: &mut Device, index: i64, tick: Option<i64>, host_ns: i64) {
        self.anchor.observe(Arrival { count: index, host_ns }, self.packet_ns, device.tolerance);
        let Some(tick) = tick else { return };
        if !self.has_origin {
            (self.origin, self.has_origin) = (Tied { index, tick }, true);
        }
        if self.segment != device.segment {
            return;
        }
        let arrival = Arrival { count: tick, host_ns };
        match &mut device.timeline {
            Some(timeline) => {
                timeline.anchor.observe(arrival, device.tick_ns, device.tolerance);
                if tick < timeline.earliest {
                    timeline.earliest = tick;
                }
            }
            None => device.timeline = Some(Timeline { anchor: Anchor::new(arrival), earliest: tick }),
        }
    }

    /// Begin to count in the device's segment.
    fn begin(&mut self, device: &Device, numbering: Numbering, host_ns: i64) {
        if let Some(main) = self.main {
            self.leave(&main);
        }
        self.main = Some(numbering);
        self.provisional = None;
        self.segment = device.segment;
        self.anchor = Anchor::new(Arrival { count: numbering.newest, host_ns });
        self.has_origin = numbering.tied.is_some();
        self.origin = numbering.tied.unwrap_or(Tied::NONE);
        self.ahead_ns = f64::INFINITY;
    }

    fn leave(&mut self, main: &Numbering) {
        (self.left, self.has_left) = (self.sequence.reduce(main.newest), true);
    }

    /// The time on the stream's own count, ns of samples.
    fn count_ns(&self, index: i64) -> f64 {
        float(index) * self.packet_ns
    }

    /// Whether its count is a time: packets of one size, numbered in the device's segment, with nothing open.
    fn is_timed(&self, device: &Device) -> bool {
        self.least_samples == self.most_samples
            && self.segment == device.segment
            && self.main.is_some_and(|main| magnitude(self.count_ns(main.newest)) < LONGEST_COUNT_NS)
    }

    /// The longest turn of its counters, ns.
    fn turn_ns(&self, device: &Device) -> f64 {
        self.frame(device).turn_ns(self.main.is_some_and(|main| main.tied.is_some()))
    }
}

const fn unplaced(disposition: Disposition) -> Intaken {
    Intaken { disposition, resolved: None }
}

const fn refused(refusal: Refusal) -> Intaken {
    unplaced(Disposition::Rejected(refusal))
}

/// The intake of one device: up to `STREAMS` streams of packets, and the clock that may stamp them all.
///
/// See the [module](self) for the rule it follows. Memory is fixed: at most 1.5 KiB for 4 streams. One call does a
/// bounded amount of work: up to 64 numbers of turns are tried after a long silence, one in ordinary running.
///
/// # Example
/// ```
/// use tickseam::intake::{DeviceClock, Disposition, Intake, PacketStamp, StreamConfig};
///
/// let clock = DeviceClock { tick_hz: 32768.0, tick_bits: 32, tolerance_ppm: 50.0 };
/// let stream = StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 8 };
/// let mut intake = Intake::<1>::new(clock, &[stream])?;
/// let stamp = |host_ns, sequence| PacketStamp { host_ns, sequence, tick: None, samples: 5 };
/// let _ = intake.observe(0, stamp(0, 254));
/// assert_eq!(intake.observe(0, stamp(20_000_000, 255)).disposition, Disposition::InOrder);
/// let after_loss = intake.observe(0, stamp(60_000_000, 1));
/// assert_eq!(after_loss.disposition, Disposition::OpensGap { missing_from: 256, missing_count: 1 });
/// assert_eq!(after_loss.resolved.map(|resolved| resolved.index), Some(257));
/// # Ok::<(), tickseam::intake::IntakeConfigError>(())
/// ```
#[derive(Clone, Debug)]
pub struct Intake<const STREAMS: usize> {
    device: Device,
    streams: Vec<Stream, STREAMS>,
    counters: IntakeCounters,
}

const _: () = assert!(size_of::<Intake<4>>() <= 1536, "the intake of 4 streams fits 1.5 KiB");

impl<const STREAMS: usize> Intake<STREAMS> {
    /// An intake that has seen nothing yet.
    ///
    /// # Errors
    /// A value outside the range that [`DeviceClock`] and [`StreamConfig`] state, or more than `STREAMS` streams.
    pub fn new(clock: DeviceClock, streams: &[StreamConfig]) -> Result<Self, IntakeConfigError> {
        let DeviceClock { tick_hz, tick_bits, tolerance_ppm } = clock;
        if !(1.0e-3..=1.0e12).contains(&tick_hz) {
            return Err(IntakeConfigError::TickRate { tick_hz });
        }
        let bits_error = IntakeConfigError::TickBits { bits: tick_bits };
        let ticks = SerialSpace::new(tick_bits).map_err(|_: SerialBitsError| bits_error)?;
        if tick_bits < 16 {
            return Err(bits_error);
        }
        if !(0.0..=100_000.0).contains(&tolerance_ppm) {
            return Err(IntakeConfigError::Tolerance { tolerance_ppm });
        }
        let mut kept = Vec::new();
        for (stream, config) in streams.iter().enumerate() {
            let sequence = SerialSpace::new(config.sequence_bits)
                .map_err(|error| IntakeConfigError::SequenceBits { stream, bits: error.bits })?;
            let packet_ns = f64::from(config.samples_per_packet) / config.rate_hz * 1.0e9;
            if !(config.rate_hz > 0.0 && (1.0e3..=1.0e12).contains(&packet_ns)) {
                return Err(IntakeConfigError::PacketLength { stream });
            }
            kept.push(Stream {
                packet_ns,
                sequence,
                samples_per_packet: config.samples_per_packet,
                least_samples: config.samples_per_packet,
                most_samples: config.samples_per_packet,
                segment: 0,
                main: None,
                provisional: None,
                anchor: Anchor::new(Arrival { count: 0, host_ns: 0 }),
                origin: Tied::NONE,
                has_origin: false,
                left: 0,
                has_left: false,
                ahead_ns: f64::INFINITY,
            })
            .map_err(|_: Stream| IntakeConfigError::Streams { given: streams.len(), room: STREAMS })?;
        }
        Ok(Self {
            device: Device {
                tick_ns: 1.0e9 / tick_hz,
                tolerance: tolerance_ppm / 1.0e6,
                ticks,
                timeline: None,
                segment: 0,
                witness: 0,
                alone: streams.len() < 2,
                segment_host_ns: 0,
            },
            streams: kept,
            counters: IntakeCounters::default(),
        })
    }

    /// Say where a received packet lies and what it did.
    ///
    /// `stream` counts from 0 in the order of configuration. Call in the order in which the host received the
    /// packets; their host stamps need not ascend. Never fails: what cannot be used is refused with its reason.
    pub fn observe(&mut self, stream: usize, stamp: PacketStamp) -> Intaken {
        let alone = self.device.alone;
        let told = if alone {
            Told { shift: None, restarted: false }
        } else {
            Told { shift: self.witnessed(stream), restarted: self.restarts_with_another(stream) }
        };
        let before = if alone { None } else { self.witness().and_then(|witness| witness.main) };
        let intaken = match self.streams.get_mut(stream) {
            Some(stream) => judge(&mut self.device, stream, &stamp, told),
            None => refused(Refusal::UnknownStream),
        };
        if !alone {
            self.compare(stream, before, &intaken.disposition);
        }
        self.counters.count(&intaken.disposition);
        if !matches!(intaken.disposition, Disposition::Rejected(_))
            && let Some(stream) = self.streams.get_mut(stream)
            && stamp.samples != stream.samples_per_packet
        {
            self.counters.varying_samples = self.counters.varying_samples.saturating_add(1);
            stream.least_samples = stream.least_samples.min(stamp.samples);
            stream.most_samples = stream.most_samples.max(stamp.samples);
        }
        intaken
    }

    /// By how many samples a packet exceeds its stream's usual number; at the bounds where by more.
    #[inline(never)]
    pub(crate) fn more_samples(&self, stream: usize, samples: u32) -> i8 {
        let usual = self.streams.get(stream).map_or(samples, |stream| stream.samples_per_packet);
        let more = i64::from(samples).saturating_sub(i64::from(usual));
        i8::try_from(more).unwrap_or(if more < 0 { i8::MIN } else { i8::MAX })
    }

    fn witness(&self) -> Option<&Stream> {
        self.streams.get(usize::from(self.device.witness))
    }

    /// What the witness says of a run of ambiguity, once it has sent packets before and after the run's newest packet.
    fn witnessed(&self, place: usize) -> Option<Shift> {
        let stream = self.streams.get(place)?;
        let run = stream.provisional.as_ref()?;
        let Waiting::Turns(Turns { after_ns, .. }) = run.waiting else { return None };
        let (main, witness) = (stream.main?, self.witness()?);
        let told = witness.main.filter(|told| told.newest_host_ns > run.numbering.newest_host_ns)?;
        if run.packets < WITNESSED_PACKETS
            || !witness.is_timed(&self.device)
            || !stream.is_timed(&self.device)
        {
            return None;
        }
        // The witness follows this stream's packets by up to one packet of its own more than at the closest.
        let before_ns = witness.count_ns(told.newest) - stream.ahead_ns + witness.packet_ns;
        let frame = stream.frame(&self.device);
        let (newest, newest_tick) = (run.numbering.newest, run.numbering.newest_tick());
        let shown = frame.shown(newest, newest_tick);
        let slack_ns = settled_ns(frame.turn_ns(shown.tick.is_some() && main.tied.is_some()));
        let from_ns = stream.count_ns(Frame::reference(&main, shown));
        let found = frame.find(&main, shown, after_ns - slack_ns - from_ns, before_ns + slack_ns - from_ns);
        let Found::One { index, tick } = found else { return None };
        if index <= main.newest {
            return None;
        }
        let ticks = match (tick, newest_tick) {
            (Some(tick), Some(newest_tick)) => tick.checked_sub(newest_tick)?,
            _ => 0,
        };
        Some(Shift { indexes: index.checked_sub(newest)?, ticks })
    }

    /// Whether a stream whose silence ended at a number that counts begin with, and another one likewise at the same time, restarted: a loss does not
    /// explain both.
    fn restarts_with_another(&self, place: usize) -> bool {
        // Where ticks are sent, they tell.
        let fresh = |stream: &Stream| match stream.provisional.map(|run| run.waiting) {
            Some(Waiting::Turns(turns)) if turns.fresh && turns.floor_tick.is_none() => {
                (stream.segment == self.device.segment).then_some(turns)
            }
            _ => None,
        };
        let Some(own) = self.streams.get(place).and_then(fresh) else { return false };
        self.streams.iter().enumerate().filter(|&(other, _)| other != place).any(|(_, stream)| {
            fresh(stream).is_some_and(|turns| {
                let apart_ns = magnitude(float(turns.since_ns.saturating_sub(own.since_ns)));
                apart_ns <= HELD_BACK_NS && !(own.explained && turns.explained)
            })
        })
    }

    /// Learn from a packet how the counts of the witness and of the other streams go together. `before`: the witness's
    /// numbering before it.
    fn compare(&mut self, place: usize, before: Option<Numbering>, disposition: &Disposition) {
        let device = self.device;
        let Some(&witness) = self.witness() else { return };
        if place != usize::from(device.witness) {
            let Some(stream) = self.streams.get_mut(place) else { return };
            if stream.turn_ns(&device) > witness.turn_ns(&device) {
                self.device.witness = u8::try_from(place).unwrap_or(device.witness);
                for stream in &mut self.streams {
                    stream.ahead_ns = f64::INFINITY;
                }
                return;
            }
            if let (Disposition::Ambiguous { provisional, .. }, Some(main)) = (disposition, witness.main)
                && witness.is_timed(&device)
                && let ahead_ns = stream.ahead_ns
                && let Some(Provisional { numbering, waiting: Waiting::Turns(turns), .. }) =
                    &mut stream.provisional
                && numbering.newest == provisional.index
            {
                turns.after_ns = witness.count_ns(main.newest) - ahead_ns;
            }
            return;
        }
        let (Some(before), Some(main)) = (before, witness.main) else { return };
        if main.newest <= before.newest || !witness.is_timed(&device) {
            return;
        }
        let witness_ns = witness.count_ns(main.newest);
        for (other, stream) in self.streams.iter_mut().enumerate() {
            let Some(newest) = stream.main.filter(|newest| newest.newest_host_ns >= before.newest_host_ns)
            else {
                continue;
            };
            if other == place || !stream.is_timed(&device) {
                continue;
            }
            let relaxed_ns = stream.ahead_ns + RELAXED * greater(stream.packet_ns, witness.packet_ns);
            stream.ahead_ns = lesser(witness_ns - stream.count_ns(newest.newest), relaxed_ns);
        }
    }

    /// How often each disposition was given.
    #[must_use]
    pub const fn counters(&self) -> &IntakeCounters {
        &self.counters
    }

    /// The device's current segment: 0 before any restart.
    #[must_use]
    pub const fn segment(&self) -> u32 {
        self.device.segment
    }
}

fn judge(device: &mut Device, stream: &mut Stream, stamp: &PacketStamp, told: Told) -> Intaken {
    if !stream.sequence.contains(stamp.sequence) {
        return refused(Refusal::SequenceOutOfRange);
    }
    if stamp.tick.is_some_and(|tick| !device.ticks.contains(tick)) {
        return refused(Refusal::TickOutOfRange);
    }
    if stamp.samples == 0 {
        return refused(Refusal::NoSamples);
    }
    if stamp.host_ns.unsigned_abs() > HOST_LIMIT_NS.unsigned_abs() {
        return refused(Refusal::HostOutOfRange);
    }
    let shown = Shown { sequence: stamp.sequence, tick: stamp.tick };
    if stream.main.is_none() {
        stream.segment = device.segment;
    }
    if stream.segment != device.segment {
        return judge_behind(device, stream, shown, stamp.host_ns);
    }
    if let Some(Provisional { waiting: Waiting::Turns(_), .. }) = stream.provisional {
        if let Some(intaken) = judge_ambiguous(device, stream, shown, stamp.host_ns, told) {
            return intaken;
        }
        let run = stream.provisional.take();
        let intaken = judge_located(device, stream, shown, stamp.host_ns);
        if matches!(intaken.disposition, Disposition::Rejected(_)) {
            stream.provisional = run;
        }
        return intaken;
    }
    judge_located(device, stream, shown, stamp.host_ns)
}

#[inline(never)]
fn judge_located(device: &mut Device, stream: &mut Stream, shown: Shown, host_ns: i64) -> Intaken {
    match locate(device, stream, shown, host_ns) {
        Found::One { index, .. } if goes_on_anew(device, stream, shown, index, host_ns) => {
            judge_unexplained(device, stream, shown, host_ns)
        }
        Found::One { index, tick } if !device.alone && may_begin(device, stream, shown, index, host_ns) => {
            begin_ambiguous(device, stream, (index, tick), 1, host_ns, true)
        }
        Found::One { index, tick } => judge_placed(device, stream, shown, index, tick, host_ns),
        Found::Many { index, tick, possible } => {
            begin_ambiguous(device, stream, (index, tick), possible, host_ns, false)
        }
        Found::None => judge_unexplained(device, stream, shown, host_ns),
    }
}

/// Whether a packet that a loss explains may as well be the first after a restart, which only another stream can tell: after a silence, at a number
/// that counts begin with.
#[inline(never)]
fn may_begin(device: &Device, stream: &Stream, shown: Shown, index: i64, host_ns: i64) -> bool {
    let is_silence = |silence_ns: f64| silence_ns > RESTARTS_NS + 2.0 * stream.packet_ns;
    stream.main.is_some_and(|main| {
        let ahead = index.saturating_sub(main.newest);
        (ahead > NEAR_PACKETS || ahead > 0 && is_silence(main.silence_ns(host_ns)))
            && shown.tick.is_none()
            && is_fresh(shown.sequence)
            && may_have_restarted(&stream.frame(device), &main, shown, host_ns)
    })
}

/// Whether a packet that a loss explains goes on from others just before it which none explained.
#[inline(never)]
fn goes_on_anew(device: &Device, stream: &Stream, shown: Shown, index: i64, host_ns: i64) -> bool {
    let jumps = stream.main.is_some_and(|main| index.saturating_sub(main.newest) > NEAR_PACKETS);
    let Some(run) = stream.provisional.filter(|run| jumps && matches!(run.waiting, Waiting::Restart { .. }))
    else {
        return false;
    };
    let (frame, numbering) = (stream.frame(device), &run.numbering);
    let found = follow(&frame, numbering, shown, numbering.silence_ns(host_ns));
    matches!(found, Found::One { index, .. } if index > numbering.newest)
}

/// Whether a number is one that devices begin with.
const fn is_fresh(sequence: u64) -> bool {
    sequence <= NEAR_PACKETS.unsigned_abs()
}

/// The numbers that a packet can have between the newest one and live.
fn locate(device: &Device, stream: &Stream, shown: Shown, host_ns: i64) -> Found {
    let Some(main) = stream.main else {
        let index = stream.sequence.begin(shown.sequence);
        return match (shown.tick, device.timeline) {
            (Some(_), Some(_)) => with_index(device.find_tick(shown, host_ns), index),
            (tick, _) => Found::One { index, tick: tick.map(|tick| device.ticks.begin(tick)) },
        };
    };
    let frame = stream.frame(device);
    let reference = Frame::reference(&main, shown);
    let tied = main.tied.filter(|_| shown.tick.is_some());
    let (live_ns, age_ns) = live_ns(device, stream, &main, shown, host_ns);
    let turn_ns = frame.turn_ns(tied.is_some());
    let window = frame.window();
    let near = if tied.is_some() { AGREED_PACKETS } else { NEAR_PACKETS };
    let low_ns = frame.beyond_reference_ns(&main, reference, window.saturating_neg(), -0.5);
    let high_ns = greater(
        live_ns + lesser(HELD_BACK_NS, turn_ns / 16.0) + device.tolerance * age_ns,
        frame.beyond_reference_ns(&main, reference, near, 0.5),
    );
    let found = frame.find(&main, shown, low_ns, high_ns);
    let found = match found {
        Found::One { index, .. } if main.newest.saturating_sub(index) > window => Found::None,
        Found::One { index, tick }
            if index.saturating_sub(main.newest) > NEAR_PACKETS
                && comes_otherwise(device, stream, &main, (live_ns, age_ns), shown, index, tick)
                && may_have_restarted(&frame, &main, shown, host_ns) =>
        {
            Found::Many { index, tick, possible: 1 }
        }
        found => found,
    };
    match (shown.tick, main.tied) {
        // The stream's first tick: the sequence alone gave the index.
        (Some(raw), None) => match (found, device.timeline) {
            (Found::One { index, .. }, None) => Found::One { index, tick: Some(device.ticks.begin(raw)) },
            (Found::One { index, .. }, Some(_)) => with_index(device.find_tick(shown, host_ns), index),
            (Found::Many { index, possible, .. }, _) => {
                Found::Many { index, tick: Some(device.ticks.begin(raw)), possible }
            }
            (Found::None, _) => Found::None,
        },
        _ => found,
    }
}

fn with_index(found: Found, index: i64) -> Found {
    match found {
        Found::None => Found::None,
        Found::One { tick, .. } => Found::One { index, tick },
        Found::Many { tick, possible, .. } => Found::Many { index, tick, possible },
    }
}

/// How far live is ahead of the numbering's reference, and the age of what says so, ns.
fn live_ns(device: &Device, stream: &Stream, main: &Numbering, shown: Shown, host_ns: i64) -> (f64, f64) {
    match (main.tied.filter(|_| shown.tick.is_some()), device.timeline) {
        (Some(tied), Some(timeline)) => timeline.anchor.live_ns(tied.tick, host_ns, device.tick_ns),
        _ => stream.anchor.live_ns(Frame::reference(main, shown), host_ns, stream.packet_ns),
    }
}

fn settled_ns(turn_ns: f64) -> f64 {
    lesser(SETTLED_NS, turn_ns / 16.0)
}

/// Whether a packet comes earlier or later than live, as after a restart, and not merely as late as the newest one before it did or less.
fn comes_otherwise(
    device: &Device,
    stream: &Stream,
    main: &Numbering,
    live: (f64, f64),
    shown: Shown,
    index: i64,
    tick: Option<i64>,
) -> bool {
    let frame = stream.frame(device);
    let reference = Frame::reference(main, shown);
    let late_ns = |live_ns, index, tick| live_ns - advance_ns(&frame, main, reference, index, tick);
    let (before_ns, _) = live_ns(device, stream, main, shown, main.newest_host_ns);
    let before_ns = late_ns(before_ns, main.newest, main.newest_tick());
    let turn_ns = frame.turn_ns(shown.tick.is_some() && main.tied.is_some());
    let (now_ns, slack_ns) = (late_ns(live.0, index, tick), settled_ns(turn_ns) + device.tolerance * live.1);
    now_ns < -slack_ns || now_ns > slack_ns && now_ns - before_ns > slack_ns
}

fn advance_ns(frame: &Frame, main: &Numbering, reference: i64, index: i64, tick: Option<i64>) -> f64 {
    match (main.tied, tick) {
        (Some(tied), Some(tick)) => float(tick.saturating_sub(tied.tick)) * frame.tick_ns,
        _ => float(index.saturating_sub(reference)) * frame.packet_ns,
    }
}

/// Whether counters that started from zero after the newest packet came could show these numbers by now.
fn may_have_restarted(frame: &Frame, main: &Numbering, shown: Shown, host_ns: i64) -> bool {
    let reach_ns = main.silence_ns(host_ns) + SETTLED_NS;
    float_raw(shown.sequence) * frame.packet_ns <= reach_ns
        && shown.tick.is_none_or(|tick| float_raw(tick) * frame.tick_ns <= reach_ns)
}

#[inline(never)]
fn judge_placed(
    device: &mut Device,
    stream: &mut Stream,
    shown: Shown,
    index: i64,
    tick: Option<i64>,
    host_ns: i64,
) -> Intaken {
    let Some(resolved) = stream.position(stream.segment, index, tick) else {
        return refused(Refusal::CountOverflow);
    };
    let window = stream.frame(device).window();
    let placed = |disposition| Intaken { disposition, resolved: Some(resolved) };
    let Some(main) = stream.main else {
        stream.begin(device, Numbering::new(index, tick, host_ns), host_ns);
        stream.learn(device, index, tick, host_ns);
        return placed(Disposition::InOrder);
    };
    let newest = main.newest;
    let slot = main.slot(index, window);
    let behind_ns = float(newest.saturating_sub(index)) * stream.packet_ns;
    let strange = matches!(slot, Slot::Seen) || behind_ns > HELD_BACK_NS;
    if index <= newest
        && stream.segment == device.segment
        && let Some(intaken) = judge_going_back(device, stream, shown, &resolved, host_ns, strange)
    {
        return intaken;
    }
    let disposition = match slot {
        Slot::Seen => return placed(Disposition::Duplicate),
        Slot::TooOld => return refused(Refusal::TooOld),
        Slot::Ahead { missing: 0 } => Disposition::InOrder,
        Slot::Ahead { missing } => {
            Disposition::OpensGap { missing_from: newest.saturating_add(1), missing_count: missing }
        }
        Slot::Before { missing: 0 } => Disposition::Late,
        Slot::Before { missing } => {
            Disposition::OpensGap { missing_from: index.saturating_add(1), missing_count: missing }
        }
        Slot::Fills { closes: true } => Disposition::ClosesGap,
        Slot::Fills { closes: false } => Disposition::Late,
    };
    if let Some(main) = &mut stream.main {
        main.place(index, tick, host_ns);
    }
    if index > newest {
        // The numbering goes on, so what did not fit it was no restart.
        stream.provisional = None;
    }
    stream.learn(device, index, tick, host_ns);
    placed(disposition)
}

/// How a packet continues a provisional numbering: at most 8 numbers further than `elapsed_ns` accounts for.
#[inline(never)]
fn follow(frame: &Frame, numbering: &Numbering, shown: Shown, elapsed_ns: f64) -> Found {
    let reference = Frame::reference(numbering, shown);
    let window = frame.window();
    let low_ns = frame.beyond_reference_ns(numbering, reference, window.saturating_neg(), -0.5);
    let high_ns = frame.beyond_reference_ns(numbering, reference, NEAR_PACKETS, 0.5) + elapsed_ns;
    match frame.find(numbering, shown, low_ns, high_ns) {
        // A tick on one packet only cannot be followed.
        Found::One { tick, .. } if tick.is_some() != shown.tick.is_some() => Found::None,
        Found::One { index, .. } if numbering.newest.saturating_sub(index) > window => Found::None,
        found => found,
    }
}

/// Whether a packet that is not ahead of the newest belongs to a restart instead. `None`: as far as is known, no. `strange`: its number has
/// been received, or is too old for late delivery; packets that fill gaps of late come out of order, however many.
fn judge_going_back(
    device: &mut Device,
    stream: &mut Stream,
    shown: Shown,
    resolved: &Resolved,
    host_ns: i64,
    strange: bool,
) -> Option<Intaken> {
    let frame = stream.frame(device);
    let followed = stream.provisional.and_then(|run| {
        match follow(&frame, &run.numbering, shown, run.numbering.silence_ns(host_ns)) {
            Found::One { index, tick } if index > run.numbering.newest => Some((run, index, tick)),
            _ => None,
        }
    });
    match followed {
        Some((Provisional { waiting: Waiting::Restart { .. }, .. }, ..)) => {
            return Some(judge_unexplained(device, stream, shown, host_ns));
        }
        Some((
            Provisional {
                mut numbering,
                packets,
                waiting: Waiting::GoingBack { mut pace, strange: before_strange, index_shift, device_shift },
            },
            index,
            tick,
        )) => {
            let cause = SegmentCause::CountersRestarted;
            let position = stream.position(device.segment.saturating_add(1), index, tick)?;
            let before = numbering;
            numbering.place(index, tick, host_ns);
            let paced = pace.keeps(Arrival { count: index, host_ns }, frame.packet_ns);
            let strange = before_strange.saturating_add(u32::from(strange));
            if packets >= 3 && paced && strange.saturating_mul(2) > packets {
                let confirmed =
                    stream.confirmed(position.segment, &before, packets, index_shift, device_shift);
                open_segment(device, stream, numbering, cause, host_ns);
                return Some(Intaken {
                    disposition: Disposition::NewSegment { cause, confirmed },
                    resolved: Some(position),
                });
            }
            stream.provisional = Some(Provisional {
                numbering,
                packets: packets.saturating_add(1),
                waiting: Waiting::GoingBack { pace, strange, index_shift, device_shift },
            });
            return None;
        }
        _ => {}
    }
    if matches!(stream.provisional, Some(Provisional { waiting: Waiting::Restart { .. }, .. })) {
        return None;
    }
    let (index, tick) = fresh(device, stream, shown);
    let restarted = stream.position(device.segment, index, tick)?;
    stream.provisional = Some(Provisional {
        numbering: Numbering::new(index, tick, host_ns),
        packets: 1,
        waiting: Waiting::GoingBack {
            pace: Pace { since: Arrival { count: index, host_ns } },
            strange: u32::from(strange),
            index_shift: index.saturating_sub(resolved.index),
            device_shift: restarted.device.saturating_sub(resolved.device),
        },
    });
    None
}

/// The counts that a new segment begins with.
#[inline(never)]
fn fresh(device: &Device, stream: &Stream, shown: Shown) -> (i64, Option<i64>) {
    (stream.sequence.begin(shown.sequence), shown.tick.map(|tick| device.ticks.begin(tick)))
}

#[inline(never)]
fn open_segment(
    device: &mut Device,
    stream: &mut Stream,
    numbering: Numbering,
    cause: SegmentCause,
    host_ns: i64,
) {
    device.segment = device.segment.saturating_add(1);
    device.segment_host_ns = host_ns;
    match (numbering.tied, cause) {
        (Some(tied), _) => {
            let packets = float(tied.index.saturating_sub(numbering.earliest));
            let earliest = tied.tick.saturating_sub(ceil(packets * stream.packet_ns / device.tick_ns));
            let anchor = Anchor::new(Arrival { count: tied.tick, host_ns });
            device.timeline = Some(Timeline { anchor, earliest });
        }
        (None, SegmentCause::CountersRestarted) => device.timeline = None,
        // The ticks of the other streams may well go on.
        (None, SegmentCause::TurnsUnresolved) => {}
    }
    stream.begin(device, numbering, host_ns);
}

#[inline(never)]
fn judge_unexplained(device: &mut Device, stream: &mut Stream, shown: Shown, host_ns: i64) -> Intaken {
    let frame = stream.frame(device);
    if is_just_too_old(stream, &frame, shown, host_ns) {
        return refused(Refusal::TooOld);
    }
    let segment = device.segment.saturating_add(1);
    if let Some(Provisional {
        mut numbering,
        packets,
        waiting: Waiting::Restart { mut pace, needed, at_pace },
    }) = stream.provisional
        && let Found::One { index, tick } = follow(&frame, &numbering, shown, numbering.silence_ns(host_ns))
        // Old data out of order continue nothing.
        && (index > numbering.newest || numbering.has(index) || !at_pace)
    {
        let Some(position) = stream.position(segment, index, tick) else {
            return refused(Refusal::CountOverflow);
        };
        let quarantined = unplaced(Disposition::Quarantined { provisional: position });
        if numbering.has(index) {
            return quarantined;
        }
        let before = numbering;
        numbering.place(index, tick, host_ns);
        let paced = pace.keeps(Arrival { count: index, host_ns }, frame.packet_ns);
        if packets >= needed && (paced || !at_pace) {
            let confirmed = stream.confirmed(segment, &before, packets, 0, 0);
            open_segment(device, stream, numbering, SegmentCause::CountersRestarted, host_ns);
            return Intaken {
                disposition: Disposition::NewSegment { cause: SegmentCause::CountersRestarted, confirmed },
                resolved: Some(position),
            };
        }
        stream.provisional = Some(Provisional {
            numbering,
            packets: packets.saturating_add(1),
            waiting: Waiting::Restart { pace, needed, at_pace },
        });
        return quarantined;
    }
    let (index, tick) = fresh(device, stream, shown);
    let Some(provisional) = stream.position(segment, index, tick) else {
        return refused(Refusal::CountOverflow);
    };
    let left_over = is_left_over(device, stream, &frame, shown, host_ns);
    let was_there = |main: &Numbering, since: i64| {
        let reference = Frame::reference(main, shown);
        let span = since.saturating_sub(main.newest);
        let low_ns = frame.beyond_reference_ns(main, reference, span, -0.5);
        let high_ns = frame.beyond_reference_ns(main, reference, 0, 0.5);
        !matches!(frame.find(main, shown, low_ns, high_ns), Found::None)
    };
    let been_there = stream.main.is_some_and(|main| was_there(&main, main.earliest));
    // Copies of packets may come as late as packets.
    let copied = been_there
        && stream.main.is_some_and(|main| {
            let held_back = floor(HELD_BACK_NS / frame.packet_ns).saturating_add(frame.window());
            was_there(&main, main.newest.saturating_sub(held_back))
        });
    stream.provisional = Some(Provisional {
        numbering: Numbering::new(index, tick, host_ns),
        packets: 1,
        waiting: Waiting::Restart {
            pace: Pace { since: Arrival { count: index, host_ns } },
            needed: if left_over || copied { 3 } else { 1 },
            at_pace: left_over || been_there,
        },
    });
    unplaced(Disposition::Quarantined { provisional })
}

/// Whether a packet continues the numbering that a recent restart ended.
fn is_left_over(device: &Device, stream: &Stream, frame: &Frame, shown: Shown, host_ns: i64) -> bool {
    let since_ns = float(host_ns.saturating_sub(device.segment_host_ns));
    magnitude(since_ns) <= HELD_BACK_NS
        && stream.has_left
        && stream
            .sequence
            .distance(stream.left, shown.sequence)
            .is_some_and(|distance| distance.unsigned_abs() <= frame.window().unsigned_abs())
}

/// Whether a packet lies within one window behind the reorder window of a stream that is running.
fn is_just_too_old(stream: &Stream, frame: &Frame, shown: Shown, host_ns: i64) -> bool {
    stream.main.is_some_and(|main| {
        let reference = Frame::reference(&main, shown);
        let window = frame.window();
        let low_ns = frame.beyond_reference_ns(&main, reference, window.saturating_mul(-2), -0.5);
        let high_ns = frame.beyond_reference_ns(&main, reference, window.saturating_neg(), -0.5);
        float(host_ns.saturating_sub(main.newest_host_ns)) < 2.0 * frame.packet_ns
            && matches!(frame.find(&main, shown, low_ns, high_ns), Found::One { .. })
    })
}

/// A packet of a stream that has not yet joined the device's segment.
fn judge_behind(device: &mut Device, stream: &mut Stream, shown: Shown, host_ns: i64) -> Intaken {
    let Some(main) = stream.main else { return refused(Refusal::TooOld) };
    stream.provisional = stream.provisional.filter(|run| may_join(device, run));
    let frame = stream.frame(device);
    // A silence that left several turns open was the restart's, if others saw it then: so it goes on from there.
    let carried = carried_over(stream, &frame, shown, host_ns);
    let of_silence = carried.as_ref().is_some_and(|carried| matches!(carried.run.waiting, Waiting::Turns(_)));
    let straggler = {
        let reference = Frame::reference(&main, shown);
        let low_ns = frame.beyond_reference_ns(&main, reference, frame.window().saturating_neg(), -0.5);
        let high_ns = frame.beyond_reference_ns(&main, reference, 0, 0.5) + HELD_BACK_NS;
        let recent = magnitude(float(host_ns.saturating_sub(device.segment_host_ns))) <= HELD_BACK_NS;
        match frame.find(&main, shown, low_ns, high_ns) {
            Found::One { index, tick }
                if recent
                    && tick.is_some() == shown.tick.is_some()
                    && !matches!(main.slot(index, frame.window()), Slot::Seen | Slot::TooOld) =>
            {
                Some((index, tick))
            }
            _ => None,
        }
    };
    let joining = match (shown.tick, device.timeline) {
        (Some(_), Some(_)) => device.find_tick(shown, host_ns),
        _ if straggler.is_some() && !of_silence => Found::None,
        (tick, _) => Found::One { index: 0, tick: tick.map(|tick| device.ticks.begin(tick)) },
    };
    let index = stream.sequence.begin(shown.sequence);
    match (joining, straggler) {
        (Found::One { tick, .. }, _) => join_segment(device, stream, (index, tick), carried, host_ns),
        (_, Some((index, tick))) => judge_placed(device, stream, shown, index, tick, host_ns),
        (Found::Many { tick, possible, .. }, None) => {
            if stream.position(device.segment, index, tick).is_none() {
                return refused(Refusal::CountOverflow);
            }
            stream.leave(&main);
            stream.main = None;
            stream.segment = device.segment;
            begin_ambiguous(device, stream, (index, tick), possible, host_ns, false)
        }
        (Found::None, None) => judge_unexplained(device, stream, shown, host_ns),
    }
}

/// Whether packets that have no place yet, or seem to have been received before, may be a stream's first of the segment that another one opened.
fn may_join(device: &Device, run: &Provisional) -> bool {
    let recent =
        |since_ns: i64| magnitude(float(device.segment_host_ns.saturating_sub(since_ns))) <= HELD_BACK_NS;
    match run.waiting {
        Waiting::Restart { .. } => true,
        Waiting::Turns(turns) => recent(turns.since_ns),
        Waiting::GoingBack { pace, strange, .. } => strange == run.packets && recent(pace.since.host_ns),
    }
}

/// Packets without a place that a packet goes on from.
struct Carried {
    run: Provisional,
    /// What is to be added to the run's numbering where a segment begins with it, and to the index and, besides that, the device count that its
    /// packets were given.
    shift: i64,
    given: (i64, i64),
    /// The packet's own index and tick in the run.
    next: i64,
    tick: Option<i64>,
}

/// The packets without a place that a packet goes on from.
#[inline(never)]
fn carried_over(stream: &Stream, frame: &Frame, shown: Shown, host_ns: i64) -> Option<Carried> {
    let run = stream.provisional?;
    let numbering = &run.numbering;
    let Found::One { index, tick } = follow(frame, numbering, shown, numbering.silence_ns(host_ns)) else {
        return None;
    };
    let (shift, given) = match run.waiting {
        Waiting::Turns(_) => {
            let shift = stream.shift_to_as_sent(numbering)?;
            (shift, (shift, 0))
        }
        Waiting::Restart { .. } => (0, (0, 0)),
        Waiting::GoingBack { index_shift, device_shift, .. } => (0, (index_shift, device_shift)),
    };
    (!numbering.has(index)).then_some(Carried { run, shift, given, next: index, tick })
}

fn join_segment(
    device: &mut Device,
    stream: &mut Stream,
    (index, tick): (i64, Option<i64>),
    carried: Option<Carried>,
    host_ns: i64,
) -> Intaken {
    let mut numbering = Numbering::new(index, tick, host_ns);
    let mut confirmed = Confirmed { packets: 0, previous: None, index_shift: 0, device_shift: 0 };
    let mut joined = index;
    if let Some(Carried { run, shift, given, next, tick: next_tick }) = carried {
        let tick_shift = match (tick, next_tick) {
            (Some(tick), Some(next_tick)) => tick.saturating_sub(next_tick),
            _ => 0,
        };
        if let Some(mut shifted) = run.numbering.shifted(shift, tick_shift)
            && let Some(next) = next.checked_add(shift)
        {
            let (index_shift, device_shift) = given;
            let device_shift =
                device_shift.saturating_add(stream.device_shift(tick.is_some(), shift, tick_shift));
            confirmed = stream.confirmed(device.segment, &shifted, run.packets, index_shift, device_shift);
            shifted.place(next, tick, host_ns);
            numbering = shifted;
            joined = next;
        }
    }
    let Some(resolved) = stream.position(device.segment, joined, tick) else {
        return refused(Refusal::CountOverflow);
    };
    stream.begin(device, numbering, host_ns);
    stream.learn(device, joined, tick, host_ns);
    Intaken { disposition: Disposition::JoinsSegment { confirmed }, resolved: Some(resolved) }
}

/// `explained`: the position is the packet's, unless another stream tells of a restart.
#[inline(never)]
fn begin_ambiguous(
    device: &Device,
    stream: &mut Stream,
    (index, tick): (i64, Option<i64>),
    possible: u32,
    host_ns: i64,
    explained: bool,
) -> Intaken {
    let Some(provisional) = stream.position(device.segment, index, tick) else {
        return refused(Refusal::CountOverflow);
    };
    let first = Arrival { count: index, host_ns };
    let near = explained
        || stream.main.is_some_and(|main| (1..=NEAR_PACKETS).contains(&index.saturating_sub(main.newest)));
    let explained = near || find_shift(device, stream, &stream.frame(device), first, tick).is_some();
    stream.provisional = Some(Provisional {
        numbering: Numbering::new(index, tick, host_ns),
        packets: 1,
        waiting: Waiting::Turns(Turns {
            since_ns: host_ns,
            fell_ns: host_ns,
            steady: 0,
            floor: first,
            floor_tick: tick,
            possible,
            near,
            explained,
            fresh: is_fresh(stream.sequence.reduce(index)),
            misfits: 0,
            after_ns: f64::NEG_INFINITY,
        }),
    });
    unplaced(Disposition::Ambiguous { provisional, possible })
}

/// A packet while the number of turns is open. `None`: this run of ambiguity is over without an answer.
///
/// Within a backlog the host clock says nothing of how much was lost, so a run ends where its numbers jump.
fn judge_ambiguous(
    device: &mut Device,
    stream: &mut Stream,
    shown: Shown,
    host_ns: i64,
    told: Told,
) -> Option<Intaken> {
    let mut run = stream.provisional?;
    if let Some(shift) = told.shift
        && let Some(intaken) = resume(device, stream, &run, shift, shown, host_ns)
    {
        return Some(intaken);
    }
    let Waiting::Turns(turns) = &mut run.waiting else { return None };
    let frame = stream.frame(device);
    let turn_ns = frame.turn_ns(shown.tick.is_some());
    if run.numbering.silence_ns(host_ns) > turn_ns / 4.0 {
        return None;
    }
    let followed = match follow(&frame, &run.numbering, shown, 0.0) {
        Found::One { index, tick } => Some((index, tick)),
        Found::Many { .. } => return None,
        Found::None => None,
    };
    let Some((index, tick)) = followed.filter(|(index, _)| !run.numbering.has(*index)) else {
        if turns.misfits >= 2 {
            return None;
        }
        let disposition = if followed.is_some() {
            Disposition::Duplicate
        } else {
            let (index, tick) = fresh(device, stream, shown);
            match stream.position(device.segment.saturating_add(1), index, tick) {
                Some(provisional) => Disposition::Quarantined { provisional },
                None => return Some(refused(Refusal::CountOverflow)),
            }
        };
        turns.misfits = turns.misfits.saturating_add(1);
        stream.provisional = Some(run);
        return Some(unplaced(disposition));
    };
    let Some(provisional) = stream.position(device.segment, index, tick) else {
        return Some(refused(Refusal::CountOverflow));
    };
    if told.restarted
        && let Some(shift) = stream.shift_to_as_sent(&run.numbering)
        && let cause = SegmentCause::CountersRestarted
        && let Some(intaken) = begin_with(device, stream, &run, shift, (index, tick), cause, host_ns)
    {
        return Some(intaken);
    }
    let Waiting::Turns(turns) = &mut run.waiting else { return None };
    turns.misfits = 0;
    let arrival = Arrival { count: index, host_ns };
    let excess_ns = arrival.excess_ns(&turns.floor, frame.packet_ns);
    if excess_ns < -FALL_NS {
        turns.fell_ns = host_ns;
        turns.steady = 0;
    }
    if excess_ns < 0.0 {
        turns.floor = arrival;
        turns.floor_tick = tick;
    }
    if excess_ns <= settled_ns(turn_ns) {
        turns.steady = turns.steady.saturating_add(1);
        let settled = turns.steady >= 3 && host_ns.saturating_sub(turns.fell_ns) >= SETTLE_NS;
        if settled {
            let (floor, floor_tick) = (turns.floor, turns.floor_tick);
            let shift = find_shift(device, stream, &frame, floor, floor_tick);
            let waits = shift.is_none() && !turns.near && !turns.fresh;
            if !(waits && is_still_late(device, stream, &frame, floor, floor_tick)) {
                return Some(resolve(device, stream, &run, shift, index, tick, host_ns));
            }
        }
    }
    let possible = turns.possible;
    if host_ns.saturating_sub(turns.since_ns) >= SETTLE_LIMIT_NS {
        return Some(resolve(device, stream, &run, None, index, tick, host_ns));
    }
    run.numbering.place(index, tick, host_ns);
    run.packets = run.packets.saturating_add(1);
    stream.provisional = Some(run);
    Some(unplaced(Disposition::Ambiguous { provisional, possible }))
}

/// How far live is ahead of the numbering's reference, how near to it the least delayed packet of a settled link is, and the longest turn of the counters
/// that it shows, ns.
fn settled_at(
    device: &Device,
    stream: &Stream,
    frame: &Frame,
    main: &Numbering,
    shown: Shown,
    host_ns: i64,
) -> (f64, f64, f64) {
    let (live_ns, age_ns) = live_ns(device, stream, main, shown, host_ns);
    let turn_ns = frame.turn_ns(shown.tick.is_some() && main.tied.is_some());
    (live_ns, settled_ns(turn_ns) + device.tolerance * age_ns, turn_ns)
}

/// Whether the least delayed packet may be one that waits in a queue which has yet to empty: later than live by no more
/// than a packet may be held back.
#[inline(never)]
fn is_still_late(
    device: &Device,
    stream: &Stream,
    frame: &Frame,
    least_delayed: Arrival,
    tick: Option<i64>,
) -> bool {
    let Some(main) = stream.main else { return false };
    let shown = frame.shown(least_delayed.count, tick);
    let (live_ns, band_ns, turn_ns) = settled_at(device, stream, frame, &main, shown, least_delayed.host_ns);
    let late_ns = lesser(HELD_BACK_NS, turn_ns / 4.0);
    !matches!(frame.find(&main, shown, live_ns - band_ns - late_ns, live_ns - band_ns), Found::None)
}

/// The shift from provisional to true counts, once the least delayed packet must be live.
fn find_shift(
    device: &Device,
    stream: &Stream,
    frame: &Frame,
    least_delayed: Arrival,
    tick: Option<i64>,
) -> Option<Shift> {
    let shown = frame.shown(least_delayed.count, tick);
    if let Some(main) = stream.main {
        let (live_ns, band_ns, _) = settled_at(device, stream, frame, &main, shown, least_delayed.host_ns);
        return match frame.find(&main, shown, live_ns - band_ns, live_ns + band_ns) {
            Found::One { index, tick: found } if index > main.newest => {
                let tick_shift = match (found, tick) {
                    (Some(found), Some(tick)) => found.checked_sub(tick)?,
                    _ => 0,
                };
                Some(Shift { indexes: index.checked_sub(least_delayed.count)?, ticks: tick_shift })
            }
            _ => None,
        };
    }
    let (tick, timeline) = (tick?, device.timeline?);
    // Other streams' packets told what is live: longer ones begin earlier before their stamp, and this one's may be as much longer.
    let (live_ns, age_ns) = timeline.anchor.live_ns(tick, least_delayed.host_ns, device.tick_ns);
    let band_ns = lesser(HELD_BACK_NS, frame.tick_turn_ns() / 8.0) + device.tolerance * age_ns;
    let low = tick.checked_add(ceil((live_ns - band_ns - frame.packet_ns) / device.tick_ns))?;
    let high = tick.checked_add(floor((live_ns + band_ns) / device.tick_ns))?;
    match count_turns(device.ticks, shown.tick?, low, high, |tick| (0, Some(tick))) {
        Found::One { tick: Some(found), .. } => Some(Shift { indexes: 0, ticks: found.checked_sub(tick)? }),
        _ => None,
    }
}

/// The count before and the count after an ambiguous silence cannot be tied: say so with a new segment.
fn leave_unresolved(
    device: &mut Device,
    stream: &mut Stream,
    run: &Provisional,
    index: i64,
    tick: Option<i64>,
    host_ns: i64,
) -> Intaken {
    begin_with(device, stream, run, 0, (index, tick), SegmentCause::TurnsUnresolved, host_ns)
        .unwrap_or(refused(Refusal::CountOverflow))
}

/// Begin a segment with a run of ambiguity, its indexes shifted by so much, and a packet that goes on from it.
#[inline(never)]
fn begin_with(
    device: &mut Device,
    stream: &mut Stream,
    run: &Provisional,
    shift: i64,
    (index, tick): (i64, Option<i64>),
    cause: SegmentCause,
    host_ns: i64,
) -> Option<Intaken> {
    let segment = device.segment.saturating_add(1);
    let mut numbering = run.numbering.shifted(shift, 0)?;
    let index = index.checked_add(shift)?;
    let resolved = stream.position(segment, index, tick)?;
    let device_shift = stream.device_shift(tick.is_some(), shift, 0);
    let confirmed = stream.confirmed(segment, &numbering, run.packets, shift, device_shift);
    numbering.place(index, tick, host_ns);
    open_segment(device, stream, numbering, cause, host_ns);
    stream.learn(device, index, tick, host_ns);
    Some(Intaken { disposition: Disposition::NewSegment { cause, confirmed }, resolved: Some(resolved) })
}

/// End a run of ambiguity of which the witness tells the shift, with a packet that goes on from there; its numbers may jump.
fn resume(
    device: &mut Device,
    stream: &mut Stream,
    run: &Provisional,
    shift: Shift,
    shown: Shown,
    host_ns: i64,
) -> Option<Intaken> {
    let shifted = run.numbering.shifted(shift.indexes, shift.ticks)?;
    let going_on = Stream { main: Some(shifted), ..*stream };
    let found = match follow(&stream.frame(device), &shifted, shown, 0.0) {
        Found::None => locate(device, &going_on, shown, host_ns),
        near => near,
    };
    let Found::One { index, tick } = found else { return None };
    if index <= shifted.newest || tick.is_some() != shown.tick.is_some() {
        return None;
    }
    let tick = match tick {
        Some(tick) => Some(tick.checked_sub(shift.ticks)?),
        None => None,
    };
    let index = index.checked_sub(shift.indexes)?;
    Some(resolve(device, stream, run, Some(shift), index, tick, host_ns))
}

/// End a run of ambiguity: the count goes on by a known shift, or cannot be tied.
#[inline(never)]
fn resolve(
    device: &mut Device,
    stream: &mut Stream,
    run: &Provisional,
    fitting: Option<Shift>,
    index: i64,
    tick: Option<i64>,
    host_ns: i64,
) -> Intaken {
    let Waiting::Turns(Turns { floor, floor_tick, near, .. }) = run.waiting else {
        return leave_unresolved(device, stream, run, index, tick, host_ns);
    };
    let stepped = fitting.is_none() && near;
    let shift = fitting.or(if near { Some(Shift { indexes: 0, ticks: 0 }) } else { None });
    let resumed = shift.and_then(|Shift { indexes: index_shift, ticks: tick_shift }| {
        let numbering = run.numbering.shifted(index_shift, tick_shift)?;
        let index = index.checked_add(index_shift)?;
        let tick = match tick {
            Some(tick) => Some(tick.checked_add(tick_shift)?),
            None => None,
        };
        let resolved = stream.position(device.segment, index, tick)?;
        Some((numbering, resolved, index, tick, index_shift, tick_shift))
    });
    let Some((mut numbering, resolved, index, tick, index_shift, tick_shift)) = resumed else {
        return leave_unresolved(device, stream, run, index, tick, host_ns);
    };
    let device_shift = stream.device_shift(tick.is_some(), index_shift, tick_shift);
    let confirmed = stream.confirmed(device.segment, &numbering, run.packets, index_shift, device_shift);
    numbering.place(index, tick, host_ns);
    let (missing_from, missing_count) = match stream.main {
        Some(main) => {
            let from = main.newest.saturating_add(1);
            let apart = u32::try_from(numbering.newest.saturating_sub(main.newest)).unwrap_or(u32::MAX);
            numbering.seen |= main.seen.checked_shl(apart).unwrap_or(0);
            let count = u64::try_from(numbering.earliest.saturating_sub(from)).unwrap_or(0);
            numbering.earliest = numbering.earliest.min(main.earliest);
            numbering.tied = numbering.tied.or(main.tied);
            (from, count)
        }
        None => (numbering.earliest, 0),
    };
    let least_delayed = Arrival { count: floor.count.saturating_add(index_shift), host_ns: floor.host_ns };
    if stepped || stream.main.is_none() {
        stream.anchor = Anchor::new(least_delayed);
    }
    if stepped && let (Some(tick), Some(timeline)) = (floor_tick, &mut device.timeline) {
        timeline.anchor =
            Anchor::new(Arrival { count: tick.saturating_add(tick_shift), host_ns: floor.host_ns });
    }
    stream.main = Some(numbering);
    stream.provisional = None;
    stream.learn(device, least_delayed.count, None, least_delayed.host_ns);
    stream.learn(device, index, tick, host_ns);
    Intaken {
        disposition: Disposition::Resumes { missing_from, missing_count, confirmed },
        resolved: Some(resolved),
    }
}

#[cfg(test)]
mod tests;
