//! Every packet's place on the device's own count, once all that settles late is settled.

use std::collections::HashSet;

use tickseam::intake::{
    Confirmed, CountClock, DeviceClock, Disposition, Intake, IntakeConfigError, PacketStamp, Resolved,
    SegmentCause, StreamConfig,
};
use tickseam::setup::HOST_TOLERANCE_PPM;
use tickseam_record::{Description, MOST_STREAMS, Packets, Stream};

use crate::continued::{ON_TIME_S, TickStep, rejoin};

/// Segment of a packet that has no place: a duplicate, a refused one, one that was never settled.
pub const NOWHERE: u32 = u32::MAX;

/// Where each packet lies; one element for each row of `packets.csv`.
#[derive(Debug, Default)]
pub struct Places {
    /// Segment, or [`NOWHERE`].
    pub segment: Vec<u32>,
    /// Unwrapped sequence number.
    pub index: Vec<i64>,
    /// Unwrapped count of the device at the packet's first sample: ticks where the packet carries a tick, else samples.
    pub device: Vec<i64>,
    /// Packets whose place was known only later: the row at which it became known, and the packet's own row. In the order
    /// of the first.
    pub settled_later: Vec<(u32, u32)>,
    /// What became of the packets of each stream.
    pub counts: Vec<StreamCounts>,
    /// Segments that began because the number of turns of a counter could not be found.
    pub unresolved_segments: u32,
    /// Packets with another number of samples than their stream's usual one.
    pub varying_samples: u64,
    /// Jumps of the device's tick, which the counts do not have.
    pub tick_steps: Vec<TickStep>,
}

/// The packets of one stream that have no place yet, and those that a restart left without one.
#[derive(Default)]
struct Held {
    waiting: Vec<(u32, Waiting, Resolved)>,
    before_restarts: Vec<BeforeRestart>,
}

impl Held {
    /// As what the packets waited that are confirmed; `None` where they are remembered no more.
    fn waited_as(&self, confirmed: &Confirmed) -> Option<Waiting> {
        let previous = confirmed.previous?;
        let waited = |&kind: &Waiting| {
            let is = |w: &(u32, Waiting, Resolved)| {
                w.1 == kind && w.2.index.saturating_add(confirmed.index_shift) == previous.index
            };
            self.waiting.iter().any(is)
        };
        [Waiting::Quarantined, Waiting::Ambiguous, Waiting::Repeat].into_iter().find(waited)
    }
}

/// Packets without a place, received before those that showed that the device had restarted: out of order, or by a bad chance late.
#[derive(Debug)]
struct BeforeRestart {
    /// The packet that made the restart sure, the first one that it settled, and where that one lies.
    sure: u32,
    first: u32,
    at: Resolved,
    /// Rows, and sequence numbers as sent.
    rows: Vec<(u32, i64)>,
}

/// What became of the packets of one stream.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StreamCounts {
    /// Packets with a place of their own.
    pub used: u64,
    /// Packets that had come before.
    pub duplicates: u64,
    /// Packets that came after a later one, and were used.
    pub late: u64,
    /// Packets refused, or never settled.
    pub rejected: u64,
}

/// A described stream as the core takes it.
pub(crate) fn stream_config(stream: &Stream) -> StreamConfig {
    StreamConfig {
        rate_hz: stream.rate_hz,
        samples_per_packet: u32::from(stream.samples_per_packet),
        sequence_bits: stream.sequence_bits,
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Waiting {
    Ambiguous,
    Quarantined,
    Repeat,
}

/// Repeats in a row that a restart may turn out to have been, and one more.
const REPEATS_KEPT: usize = 4;

impl Places {
    /// Runs all packets through the intake, in the order of reception.
    ///
    /// # Errors
    /// A stream or counter that no device can have, as `recording.toml` describes it.
    pub fn find(description: &Description, packets: &Packets<'_>) -> Result<Self, IntakeConfigError> {
        let clock = &description.device_clock;
        let device = DeviceClock {
            // Without a described counter no tick is looked at, nor are these two.
            tick_hz: clock.tick_hz.unwrap_or(1000.0),
            tick_bits: clock.tick_bits.unwrap_or(32),
            tolerance_ppm: clock.tolerance_ppm + HOST_TOLERANCE_PPM,
        };
        let streams: Vec<StreamConfig> = description.streams.iter().map(stream_config).collect();
        let mut intake = Box::new(Intake::<MOST_STREAMS>::new(device, &streams)?);
        let rows = packets.len();
        let mut places = Self {
            segment: vec![NOWHERE; rows],
            index: vec![0; rows],
            device: vec![0; rows],
            counts: vec![StreamCounts::default(); streams.len()],
            ..Self::default()
        };
        let mut held: Vec<Held> = streams.iter().map(|_| Held::default()).collect();
        for (row, packet) in packets.iter().enumerate() {
            let stream = usize::from(packet.stream);
            let stamp = PacketStamp {
                host_ns: packet.host_ns,
                sequence: u64::from(packet.sequence),
                tick: packet.tick.filter(|_| clock.tick_hz.is_some()),
                samples: u32::from(packet.samples),
            };
            let intaken = intake.observe(stream, stamp);
            let row = u32::try_from(row).unwrap_or(NOWHERE);
            places.take(row, stream, &intaken.disposition, intaken.resolved, &mut held[stream]);
        }
        for (counts, held) in places.counts.iter_mut().zip(&held) {
            counts.rejected +=
                held.waiting.iter().filter(|(_, kind, _)| *kind != Waiting::Repeat).count() as u64;
        }
        places.varying_samples = intake.counters().varying_samples;
        for (stream, held) in held.into_iter().enumerate() {
            let before_restarts = held.before_restarts.into_iter();
            before_restarts.for_each(|before| places.adopt(stream, before, description, packets));
        }
        places.settled_later.sort_unstable();
        rejoin(description, packets, &mut places);
        Ok(places)
    }

    /// Opens a segment at each of these packets, in the order of reception: how many packets were lost before it is not known after all.
    pub(crate) fn restart_at(&mut self, rows: &[u32]) {
        for first in rows.iter().map(|&row| row as usize) {
            let split = self.segment[first];
            for (row, segment) in self.segment.iter_mut().enumerate() {
                if *segment != NOWHERE && (*segment > split || (*segment == split && row >= first)) {
                    *segment += 1;
                }
            }
            self.unresolved_segments += 1;
        }
    }

    fn take(
        &mut self,
        row: u32,
        stream: usize,
        disposition: &Disposition,
        resolved: Option<Resolved>,
        held: &mut Held,
    ) {
        let waiting = &mut held.waiting;
        match *disposition {
            Disposition::InOrder | Disposition::OpensGap { .. } => {
                // The old numbering goes on: what was held to be a restart was none.
                if !waiting.is_empty() {
                    self.give_up(stream, waiting, |_| true);
                }
                self.place(row, stream, resolved);
            }
            Disposition::Late | Disposition::ClosesGap => {
                self.counts[stream].late += 1;
                self.place(row, stream, resolved);
            }
            Disposition::Duplicate => {
                self.counts[stream].duplicates += 1;
                if let Some(resolved) = resolved {
                    if waiting.iter().filter(|w| w.1 == Waiting::Repeat).count() >= REPEATS_KEPT
                        && let Some(oldest) = waiting.iter().position(|w| w.1 == Waiting::Repeat)
                    {
                        waiting.remove(oldest);
                    }
                    waiting.push((row, Waiting::Repeat, resolved));
                }
            }
            Disposition::Ambiguous { provisional, .. } => {
                waiting.push((row, Waiting::Ambiguous, provisional));
            }
            Disposition::Quarantined { provisional } => {
                let twice = waiting.iter().any(|w| w.1 == Waiting::Quarantined && w.2 == provisional);
                if twice {
                    self.counts[stream].duplicates += 1;
                } else {
                    waiting.push((row, Waiting::Quarantined, provisional));
                }
            }
            Disposition::Resumes { confirmed, .. } => {
                self.settle(row, stream, &confirmed, Waiting::Ambiguous, resolved, held);
            }
            Disposition::JoinsSegment { confirmed } => {
                let kind = held.waited_as(&confirmed).unwrap_or(Waiting::Quarantined);
                self.settle(row, stream, &confirmed, kind, resolved, held);
            }
            Disposition::NewSegment { cause, confirmed } => {
                let kind = match cause {
                    SegmentCause::TurnsUnresolved => {
                        self.unresolved_segments += 1;
                        Waiting::Ambiguous
                    }
                    // What was confirmed had been answered as quarantined, as ambiguous, or as a run of duplicates.
                    SegmentCause::CountersRestarted => held.waited_as(&confirmed).unwrap_or(Waiting::Repeat),
                };
                self.settle(row, stream, &confirmed, kind, resolved, held);
            }
            Disposition::Rejected(_) => self.counts[stream].rejected += 1,
        }
    }

    fn place(&mut self, row: u32, stream: usize, resolved: Option<Resolved>) {
        let Some(Resolved { segment, index, device, .. }) = resolved else { return };
        let row = row as usize;
        (self.segment[row], self.index[row], self.device[row]) = (segment, index, device);
        self.counts[stream].used += 1;
    }

    /// The last `confirmed.packets` packets that waited for this get their place, then the packet that settled it.
    fn settle(
        &mut self,
        row: u32,
        stream: usize,
        confirmed: &Confirmed,
        kind: Waiting,
        resolved: Option<Resolved>,
        held: &mut Held,
    ) {
        let Held { waiting, before_restarts } = held;
        let segment = resolved.map_or(0, |resolved| resolved.segment);
        let mut left = confirmed.packets;
        let first = waiting.iter().rposition(|w| {
            left = left.saturating_sub(u32::from(w.1 == kind));
            left == 0
        });
        let first = if confirmed.packets == 0 { waiting.len() } else { first.unwrap_or(0) };
        for &(earlier, waited, provisional) in waiting[first..].iter().filter(|w| w.1 == kind) {
            if waited == Waiting::Repeat {
                self.counts[stream].duplicates -= 1;
            }
            let settled = Resolved {
                segment,
                index: provisional.index.saturating_add(confirmed.index_shift),
                device: provisional.device.saturating_add(confirmed.device_shift),
                ..provisional
            };
            self.place(earlier, stream, Some(settled));
            self.settled_later.push((row, earlier));
        }
        let by_samples =
            |w: &&(u32, Waiting, Resolved)| w.1 == Waiting::Quarantined && w.2.clock == CountClock::Samples;
        if let Some(&(earliest, _, at)) = waiting[first..].iter().find(by_samples)
            && kind == Waiting::Quarantined
        {
            let rows = waiting[..first].iter().filter(by_samples).map(|w| (w.0, w.2.index)).collect();
            let at = Resolved { segment, index: at.index.saturating_add(confirmed.index_shift), ..at };
            before_restarts.push(BeforeRestart { sure: row, first: earliest, at, rows });
        }
        let mut place = 0;
        self.give_up(stream, waiting, |kept| {
            place += 1;
            place <= first || kept != kind
        });
        self.place(row, stream, resolved);
    }

    /// Gives the packets received before a restart's first settled one their places, where they came as their numbers are apart.
    fn adopt(
        &mut self,
        stream: usize,
        before: BeforeRestart,
        description: &Description,
        packets: &Packets<'_>,
    ) {
        let BeforeRestart { sure, first, at, rows } = before;
        let host_ns = packets.host_ns();
        let described = &description.streams[stream];
        let turn = 1_i64 << described.sequence_bits;
        let period_s = stream_config(described).period_s();
        let slack_s = ON_TIME_S.min(turn as f64 * period_s / 16.0);
        let mut taken = HashSet::new();
        for (row, sequence) in rows {
            let behind = (at.index - sequence + turn / 2).rem_euclid(turn) - turn / 2;
            let passed_s = host_ns[first as usize].saturating_sub(host_ns[row as usize]) as f64 / 1e9;
            let on_time = (passed_s - behind as f64 * period_s).abs() < slack_s;
            if behind == 0 || !on_time || !taken.insert(behind) {
                continue;
            }
            let index = at.index - behind;
            let device = index * i64::from(described.samples_per_packet);
            self.place(row, stream, Some(Resolved { index, device, ..at }));
            self.counts[stream].rejected -= 1;
            self.settled_later.push((sure, row));
        }
    }

    /// Empties the list of those that wait, counting those that `lost` says never got a place.
    fn give_up(
        &mut self,
        stream: usize,
        waiting: &mut Vec<(u32, Waiting, Resolved)>,
        mut lost: impl FnMut(Waiting) -> bool,
    ) {
        for (_, kind, _) in waiting.drain(..) {
            if lost(kind) && kind != Waiting::Repeat {
                self.counts[stream].rejected += 1;
            }
        }
    }
}
