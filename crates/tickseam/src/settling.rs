//! Packets in the order in which their places become known: the intake's answers, with those settled that waited for one.

use heapless::Vec;

use crate::block::Deliveries;
use crate::intake::{
    Confirmed, CountClock, DeviceClock, Disposition, Intake, IntakeConfigError, IntakeCounters, Intaken,
    PacketStamp, Resolved, SegmentCause, StreamConfig,
};

/// Packets remembered that have no place yet: two seconds of 50 packets a second, which is how long an ambiguity takes to settle,
/// and some more. Doubled: slower links lose none of them; 4 KiB more.
const WAITING: usize = 128;
/// Repeats in a row that a restart may turn out to have been, and one more.
const REPEATS_KEPT: usize = 4;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Ambiguous,
    Quarantined,
    Repeat,
}

/// A packet without a place.
#[derive(Clone, Copy, Debug)]
struct Waiting<Tag> {
    host_ns: i64,
    index: i64,
    device: i64,
    behind_us: f32,
    stream: u8,
    more_samples: i8,
    clock: CountClock,
    kind: Kind,
    tag: Tag,
}

/// A packet that has its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settled {
    /// Its stream.
    pub stream: usize,
    /// Its place.
    pub at: Resolved,
    /// Its host stamp, ns.
    pub host_ns: i64,
    /// How much later it was stamped than the first packet of its delivery, of whatever stream, µs.
    pub behind_us: f32,
    /// Samples in it beyond its stream's usual number, from -128 to 127.
    pub more_samples: i8,
}

/// What became of packets that had no place at first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SettlingCounters {
    /// Packets that got their place after others had come.
    pub settled_later: u64,
    /// Packets that were answered as ambiguous or quarantined and never got a place.
    pub never_settled: u64,
    /// Packets that waited for a place longer than there is room for: they count as missing.
    pub forgotten: u64,
}

/// An intake that remembers the packets it could only number provisionally, each with a tag of the caller's. Memory: the intake's
/// and 4 KiB, and the tags.
#[derive(Clone, Debug)]
pub struct Settling<const STREAMS: usize, Tag = ()> {
    intake: Intake<STREAMS>,
    deliveries: Deliveries,
    waiting: Vec<Waiting<Tag>, WAITING>,
    counters: SettlingCounters,
}

impl<const STREAMS: usize> Settling<STREAMS> {
    /// Takes a packet as [`Intake::observe`] does; `give` is called with each packet that has its place now: first those that
    /// waited, in the order of reception, then this one. Duplicates are not given.
    pub fn observe(&mut self, stream: usize, stamp: PacketStamp, mut give: impl FnMut(Settled)) -> Intaken {
        self.observe_tagged(stream, stamp, (), |settled, ()| give(settled))
    }
}

impl<const STREAMS: usize, Tag: Copy> Settling<STREAMS, Tag> {
    /// Has seen nothing yet.
    ///
    /// # Errors
    /// As [`Intake::new`].
    pub fn new(clock: DeviceClock, streams: &[StreamConfig]) -> Result<Self, IntakeConfigError> {
        Ok(Self {
            intake: Intake::new(clock, streams)?,
            deliveries: Deliveries::default(),
            waiting: Vec::new(),
            counters: SettlingCounters::default(),
        })
    }

    /// As [`observe`](Settling::observe); each packet is given with its tag.
    pub fn observe_tagged(
        &mut self,
        stream: usize,
        stamp: PacketStamp,
        tag: Tag,
        mut give: impl FnMut(Settled, Tag),
    ) -> Intaken {
        let intaken = self.intake.observe(stream, stamp);
        if matches!(intaken.disposition, Disposition::Rejected(_)) {
            return intaken;
        }
        let behind_us = crate::number::single(self.deliveries.observe(stamp.host_ns));
        let more_samples = self.intake.more_samples(stream, stamp.samples);
        let waits = |at: Resolved, kind: Kind| Waiting {
            more_samples,
            host_ns: stamp.host_ns,
            index: at.index,
            device: at.device,
            behind_us,
            stream: u8::try_from(stream).unwrap_or(u8::MAX),
            clock: at.clock,
            kind,
            tag,
        };
        match intaken.disposition {
            Disposition::InOrder | Disposition::OpensGap { .. } => {
                // The old numbering goes on: what was held to be a restart was none.
                self.give_up(stream, 0, |_| true);
            }
            Disposition::Duplicate => {
                if let Some(resolved) = intaken.resolved {
                    self.wait_as_repeat(stream, waits(resolved, Kind::Repeat));
                }
            }
            Disposition::Ambiguous { provisional, .. } => self.wait(waits(provisional, Kind::Ambiguous)),
            Disposition::Quarantined { provisional } => {
                let again = |w: &Waiting<Tag>| {
                    w.kind == Kind::Quarantined
                        && usize::from(w.stream) == stream
                        && (w.index, w.device, w.clock)
                            == (provisional.index, provisional.device, provisional.clock)
                };
                if !self.waiting.iter().any(again) {
                    self.wait(waits(provisional, Kind::Quarantined));
                }
            }
            Disposition::Resumes { confirmed, .. } => {
                self.settle(stream, &confirmed, Kind::Ambiguous, intaken.resolved, &mut give);
            }
            Disposition::JoinsSegment { confirmed } => {
                let kind = self.waited_as(stream, &confirmed).unwrap_or(Kind::Quarantined);
                self.settle(stream, &confirmed, kind, intaken.resolved, &mut give);
            }
            Disposition::NewSegment { cause, confirmed } => {
                let kind = match cause {
                    SegmentCause::TurnsUnresolved => Kind::Ambiguous,
                    SegmentCause::CountersRestarted => {
                        self.waited_as(stream, &confirmed).unwrap_or(Kind::Repeat)
                    }
                };
                self.settle(stream, &confirmed, kind, intaken.resolved, &mut give);
            }
            Disposition::Late | Disposition::ClosesGap | Disposition::Rejected(_) => {}
        }
        if intaken.disposition != Disposition::Duplicate
            && let Some(at) = intaken.resolved
        {
            give(Settled { stream, at, host_ns: stamp.host_ns, behind_us, more_samples }, tag);
        }
        intaken
    }

    /// What the intake answered.
    pub const fn intake_counters(&self) -> &IntakeCounters {
        self.intake.counters()
    }

    /// What became of packets that had no place at first.
    pub const fn counters(&self) -> &SettlingCounters {
        &self.counters
    }

    /// The device's current segment: 0 before any restart.
    pub const fn segment(&self) -> u32 {
        self.intake.segment()
    }

    fn wait(&mut self, packet: Waiting<Tag>) {
        if self.waiting.is_full() {
            self.waiting.rotate_left(1);
            let oldest = self.waiting.pop();
            if oldest.is_some_and(|w| w.kind != Kind::Repeat) {
                self.counters.forgotten = self.counters.forgotten.saturating_add(1);
            }
        }
        let _ = self.waiting.push(packet);
    }

    fn wait_as_repeat(&mut self, stream: usize, packet: Waiting<Tag>) {
        let repeat = |w: &Waiting<Tag>| w.kind == Kind::Repeat && usize::from(w.stream) == stream;
        if self.waiting.iter().filter(|w| repeat(w)).count() >= REPEATS_KEPT {
            let mut passed = false;
            self.waiting.retain(|w| {
                let oldest = !passed && repeat(w);
                passed |= oldest;
                !oldest
            });
        }
        self.wait(packet);
    }

    /// As what the packets of a stream waited that are confirmed; `None` where they are remembered no more.
    fn waited_as(&self, stream: usize, confirmed: &Confirmed) -> Option<Kind> {
        let previous = confirmed.previous?;
        let waited = |kind: &Kind| {
            self.waiting.iter().any(|w| {
                let shifted = w.index.saturating_add(confirmed.index_shift);
                usize::from(w.stream) == stream && w.kind == *kind && shifted == previous.index
            })
        };
        [Kind::Quarantined, Kind::Ambiguous, Kind::Repeat].into_iter().find(waited)
    }

    /// The last `confirmed.packets` packets that waited for this get their place.
    fn settle(
        &mut self,
        stream: usize,
        confirmed: &Confirmed,
        kind: Kind,
        resolved: Option<Resolved>,
        give: &mut impl FnMut(Settled, Tag),
    ) {
        let Some(Resolved { segment, .. }) = resolved else { return };
        let of = |w: &Waiting<Tag>| w.kind == kind && usize::from(w.stream) == stream;
        let mut left = confirmed.packets;
        let mut first = if left == 0 { self.waiting.len() } else { 0 };
        for (place, _) in self.waiting.iter().enumerate().rev().filter(|(_, w)| of(w)) {
            if left == 0 {
                break;
            }
            first = place;
            left = left.saturating_sub(1);
        }
        let mut place = first;
        while let Some(&w) = self.waiting.get(place) {
            place = place.saturating_add(1);
            if of(&w) {
                let settled = Resolved {
                    segment,
                    index: w.index.saturating_add(confirmed.index_shift),
                    device: w.device.saturating_add(confirmed.device_shift),
                    clock: w.clock,
                };
                self.counters.settled_later = self.counters.settled_later.saturating_add(1);
                let Waiting { host_ns, behind_us, more_samples, tag, .. } = w;
                give(Settled { stream, at: settled, host_ns, behind_us, more_samples }, tag);
            }
        }
        self.give_up(stream, first, |other| other != kind);
    }

    /// Empties the list of those of a stream that wait: those before `first` never got a place, of the others those that
    /// `lost` names.
    fn give_up(&mut self, stream: usize, first: usize, lost: impl Fn(Kind) -> bool) {
        let (mut place, mut never) = (0_usize, 0_u64);
        self.waiting.retain(|w| {
            let before = place < first;
            place = place.saturating_add(1);
            if usize::from(w.stream) != stream {
                return true;
            }
            if w.kind != Kind::Repeat && (before || lost(w.kind)) {
                never = never.saturating_add(1);
            }
            false
        });
        self.counters.never_settled = self.counters.never_settled.saturating_add(never);
    }
}

#[cfg(test)]
mod tests;
