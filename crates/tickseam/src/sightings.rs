//! Exchanges and markers of a recording, laid on the timeline of one segment.
//!
//! `raw ticks → the turn that the host's clock expects → sync pairs between two device times, in their order`.

use crate::frame::Frame;
use crate::number::magnitude;
use crate::pair::{MARKER_US, SyncPair, marker_half_width_us};
use crate::serial::SerialSpace;
use crate::sorting::sort;

/// How far a tick may lie from where the arrivals expect it, s (own choice): farther, it belongs to another segment or
/// is nonsense.
const FAR_S: f64 = 2.0;

/// The four time stamps of an exchange (T1 to T4 of RFC 5905), two from each clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ExchangeStamps {
    /// The request was sent at this host time, ns.
    pub origin_ns: i64,
    /// It was received at this tick, as the device's counter stood.
    pub receive_tick: u64,
    /// The reply was sent at this tick.
    pub transmit_tick: u64,
    /// It was received at this host time, ns.
    pub destination_ns: i64,
}

/// An instant that both clocks saw.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MarkerStamps {
    /// Host time, ns.
    pub host_ns: i64,
    /// The device's counter.
    pub tick: u64,
}

/// How one segment reads the ticks of exchanges and markers.
#[derive(Clone, Copy, Debug)]
pub struct Sightings {
    space: SerialSpace,
    ticks: Frame,
    /// Step of the host's stamps and one tick, µs: the origin's tick is rounded too.
    resolution_us: f64,
}

/// How many sync pairs were found, and what they come from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// Sync pairs: two for each exchange, one for each marker.
    pub pairs: usize,
    /// Exchanges.
    pub exchanges: u64,
    /// Markers.
    pub markers: u64,
}

impl Sightings {
    /// `ticks` has its origin at the tick of the segment's first sample, rounded down, and at the same host time as the
    /// segment's frame. `None` for a counter that cannot be.
    pub fn new(tick_bits: u8, ticks: Frame, host_step_us: f64) -> Option<Self> {
        let space = SerialSpace::new(tick_bits).ok()?;
        Some(Self { space, ticks, resolution_us: host_step_us + 1e6 / ticks.counts_per_s })
    }

    /// The unwrapped tick nearest to where the host's clock expects it; `residual_us` as known so far.
    fn tick(&self, host_ns: i64, raw: u64, residual_us: &dyn Fn(f64) -> f64) -> Option<i64> {
        let expected_s = self.ticks.device_s_at(host_ns, 0.0, residual_us);
        let tick = self.space.unwrap_near(self.ticks.count(expected_s), raw)?;
        (magnitude(self.ticks.device_s(tick) - expected_s) < FAR_S).then_some(tick)
    }

    /// The two pairs of an exchange; `None` for one that belongs to another segment or runs backwards.
    pub fn of_exchange(
        &self,
        exchange: ExchangeStamps,
        residual_us: &dyn Fn(f64) -> f64,
    ) -> Option<[SyncPair; 2]> {
        let ExchangeStamps { origin_ns, receive_tick, transmit_tick, destination_ns } = exchange;
        let receive = self.tick(origin_ns, receive_tick, residual_us)?;
        let transmit = self.tick(destination_ns, transmit_tick, residual_us)?;
        (origin_ns <= destination_ns && receive <= transmit).then(|| {
            let resolution_us = self.resolution_us;
            SyncPair::of_exchange(&self.ticks, resolution_us, origin_ns, receive, transmit, destination_ns)
        })
    }

    /// The pair of a marker, before the scatter of the markers is known.
    pub fn of_marker(&self, marker: MarkerStamps, residual_us: &dyn Fn(f64) -> f64) -> Option<SyncPair> {
        let tick = self.tick(marker.host_ns, marker.tick, residual_us)?;
        Some(SyncPair::of_marker(&self.ticks, self.resolution_us, MARKER_US, marker.host_ns, tick))
    }

    /// Fills in all pairs between two device times, s, sorted by device time, the residual being known roughly. `None` where
    /// there is room for fewer: two for each exchange and one for each marker always suffice.
    pub fn between(
        &self,
        exchanges: impl Iterator<Item = ExchangeStamps>,
        markers: impl Iterator<Item = MarkerStamps> + Clone,
        (from_s, to_s): (f64, f64),
        residual_us: &dyn Fn(f64) -> f64,
        room: &mut [SyncPair],
    ) -> Option<Found> {
        let inside = |pair: &SyncPair| pair.at_s >= from_s - FAR_S && pair.at_s <= to_s + FAR_S;
        let mut found = Found::default();
        let mut push = |pair: SyncPair, pairs: &mut usize| {
            *room.get_mut(*pairs)? = pair;
            *pairs = pairs.saturating_add(1);
            Some(())
        };
        for exchange in exchanges {
            if let Some(pairs) = self.of_exchange(exchange, residual_us)
                && pairs.iter().all(inside)
            {
                for pair in pairs {
                    push(pair, &mut found.pairs)?;
                }
                found.exchanges = found.exchanges.saturating_add(1);
            }
        }
        let seen = markers.filter_map(|marker| {
            Some((marker.host_ns, self.tick(marker.host_ns, marker.tick, residual_us)?))
        });
        let half_width_us = marker_half_width_us(&self.ticks, seen.clone());
        for (host_ns, tick) in seen {
            let pair = SyncPair::of_marker(&self.ticks, self.resolution_us, half_width_us, host_ns, tick);
            if inside(&pair) {
                push(pair, &mut found.pairs)?;
                found.markers = found.markers.saturating_add(1);
            }
        }
        // At one tick: the request, its reply, then a marker; equal ones may change places.
        let kind = |pair: &SyncPair| match (pair.low_us, pair.high_us) {
            (_, None) => 0_u8,
            (None, Some(_)) => 1,
            (Some(_), Some(_)) => 2,
        };
        let key = |pair: &SyncPair| (pair.at_s, kind(pair), pair.low_us, pair.high_us);
        sort(room.get_mut(..found.pairs)?, &|a, b| key(a) < key(b));
        Some(found)
    }
}

#[cfg(test)]
mod tests;
