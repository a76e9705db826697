//! A recorded segment's timeline, once all its packets are known: what it counts by, where it begins, and where samples came.

use crate::frame::Frame;
use crate::intake::{CountClock, StreamConfig};
use crate::number::{float, nearest};

/// A packet with its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counted {
    /// Unwrapped sequence number.
    pub index: i64,
    /// Unwrapped tick at its first sample; `None` for a packet without one.
    pub tick: Option<i64>,
    /// Samples in it.
    pub samples: u32,
}

/// Where a segment's first sample lies on the device's counter, in two parts: a counter may be far from zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FirstTick {
    /// Whole ticks.
    pub whole: i64,
    /// The rest, 0 to 1.
    pub rest: f64,
}

/// What the device times of one stream in one segment are counted by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timeline {
    /// Ticks, each rounded down; or nominal samples, exact: there are no ticks, or the ticks are but these samples rounded
    /// down.
    pub clock: CountClock,
    /// Tick of the first sample of the earliest packet, where packets carry ticks: that of the earliest one and what is known of
    /// the part that its stamp was rounded down by.
    pub first_tick: Option<FirstTick>,
    /// Sequence number of the earliest packet.
    pub first_index: i64,
    stream: StreamConfig,
}

/// Whether the samples at an instant came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Samples {
    /// They were received.
    Received,
    /// They were lost.
    Lost,
    /// Before the first or after the last sample of the segment.
    Outside,
}

impl Timeline {
    /// Decides what a segment counts by, from its packets in any order; `None` without any.
    ///
    /// A tick is the device's counter rounded down, and so up to one tick early. Where one crystal drives both, tick − index ×
    /// ticks in a packet stays within one tick for the whole segment, and the sample count says the same without that error.
    /// A causal judge that used samples until they fail would have decided alike at every packet.
    pub fn of(
        packets: impl Iterator<Item = Counted> + Clone,
        stream: StreamConfig,
        tick_hz: Option<f64>,
    ) -> Option<Self> {
        let mut first_index: Option<i64> = None;
        let mut clocked: Option<(i64, i64)> = None;
        let mut usual = true;
        for packet in packets.clone() {
            usual &= packet.samples == stream.samples_per_packet;
            if first_index.is_none_or(|first| packet.index < first) {
                first_index = Some(packet.index);
            }
            if let Some(tick) = packet.tick
                && clocked.is_none_or(|(first, _)| packet.index < first)
            {
                clocked = Some((packet.index, tick));
            }
        }
        let first_index = first_index?;
        let of_samples = Self { clock: CountClock::Samples, first_tick: None, first_index, stream };
        let (Some(tick_hz), Some((clocked_index, zero))) = (tick_hz, clocked) else {
            return Some(of_samples);
        };
        let packet_ticks = stream.period_s() * tick_hz;
        let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
        for packet in packets {
            let Some(tick) = packet.tick else { continue };
            // Integers first, so that a counter far from zero loses nothing.
            let since = float(packet.index.saturating_sub(first_index));
            let beyond = float(tick.saturating_sub(zero)) - since * packet_ticks;
            least = if beyond < least { beyond } else { least };
            most = if beyond > most { beyond } else { most };
        }
        let follows = usual && most - least < 1.0;
        // The earliest packet's first sample lies at or after every `beyond`, and before each of them and one tick.
        let first_tick = if follows {
            (most + least + 1.0) / 2.0
        } else {
            0.5 - float(clocked_index.saturating_sub(first_index)) * packet_ticks
        };
        let whole = libm::floor(first_tick);
        Some(Self {
            clock: if follows { CountClock::Samples } else { CountClock::Ticks },
            first_tick: Some(FirstTick {
                whole: zero.saturating_add(nearest(whole)),
                rest: first_tick - whole,
            }),
            ..of_samples
        })
    }

    /// A packet's first sample on the segment's clock; `None` for a packet without a tick among those with one.
    pub fn count(&self, packet: Counted) -> Option<i64> {
        match self.clock {
            CountClock::Ticks => packet.tick,
            CountClock::Samples => Some(self.samples_to(packet.index)),
        }
    }

    fn samples_to(&self, index: i64) -> i64 {
        index.saturating_mul(i64::from(self.stream.samples_per_packet))
    }

    /// Where both clocks are counted from: the first sample of the earliest packet, stamped `host_ns`.
    pub fn frame(&self, host_ns: i64, tick_hz: Option<f64>) -> Frame {
        let (device_origin, counts_per_s) = match (self.clock, self.first_tick, tick_hz) {
            (CountClock::Ticks, Some(first), Some(tick_hz)) => (first.whole, tick_hz),
            _ => (self.samples_to(self.first_index), self.stream.rate_hz),
        };
        Frame { device_origin, counts_per_s, host_origin_ns: host_ns }
    }

    /// First sample of this stream on the timeline of the segment's reference stream, s; `None` where only their own arrivals could
    /// tell.
    pub fn begins_s(&self, reference: &Self, tick_hz: f64) -> Option<f64> {
        let (first, of_reference) = (self.first_tick?, reference.first_tick?);
        let whole = float(first.whole.saturating_sub(of_reference.whole));
        Some((whole + first.rest - of_reference.rest) / tick_hz)
    }

    /// Whether samples were received at a device time, s since the frame's origin. `packet` gives the `packets` packets of the
    /// segment by their place in the order of the sequence. Cost: O(log packets).
    pub fn samples_at(
        &self,
        frame: &Frame,
        device_s: f64,
        packets: usize,
        packet: impl Fn(usize) -> Option<Counted>,
    ) -> Samples {
        // Packets without a tick lie between those with one, by their number.
        let begins_s = |packet: Counted| match self.count(packet) {
            Some(count) => frame.device_s(count),
            None => float(packet.index.saturating_sub(self.first_index)) * self.stream.period_s(),
        };
        let (mut low, mut high) = (0, packets);
        while low < high {
            let middle = low.midpoint(high);
            let begun = packet(middle).is_some_and(|packet| begins_s(packet) <= device_s);
            (low, high) = if begun { (middle.saturating_add(1), high) } else { (low, middle) };
        }
        let Some(last) = low.checked_sub(1).and_then(&packet) else { return Samples::Outside };
        let ended = device_s >= begins_s(last) + f64::from(last.samples) / self.stream.rate_hz;
        match packet(low).filter(|_| low < packets) {
            None if ended => Samples::Outside,
            Some(next) if ended && next.index != last.index.saturating_add(1) => Samples::Lost,
            _ => Samples::Received,
        }
    }
}

#[cfg(test)]
mod tests;
