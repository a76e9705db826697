//! Exchanges and markers, laid on a segment's timeline.

use tickseam::frame::Frame;
use tickseam::pair::{MARKER_US, SyncPair, marker_half_width_us};
use tickseam::serial::SerialSpace;
use tickseam_record::{Exchange, Marker};

/// How far a tick may lie from where the arrivals expect it, s (own choice): farther, it belongs to another segment or
/// is nonsense.
const FAR_S: f64 = 2.0;

/// The exchanges and markers of a recording as one segment sees them.
#[derive(Clone, Copy, Debug)]
pub struct Sightings<'a> {
    exchanges: &'a [Exchange],
    markers: &'a [Marker],
    space: SerialSpace,
    /// Counts ticks from the segment's origin.
    ticks: Frame,
    /// Step of the host's stamps and one tick, µs: the origin's tick is rounded too.
    resolution_us: f64,
}

/// Sync pairs of a stretch of device time.
#[derive(Clone, Debug, Default)]
pub struct Pairs {
    /// Sorted by device time.
    pub pairs: Vec<SyncPair>,
    /// Exchanges they come from.
    pub exchanges: u64,
    /// Markers they come from.
    pub markers: u64,
}

impl<'a> Sightings<'a> {
    /// `ticks` has its origin at the tick of the segment's first sample, rounded down, and at the same host time as the
    /// segment's frame. `None` without exchanges and markers, or for a counter that cannot be.
    pub fn new(
        exchanges: &'a [Exchange],
        markers: &'a [Marker],
        tick_bits: u8,
        ticks: Frame,
        host_step_us: f64,
    ) -> Option<Self> {
        let space = SerialSpace::new(tick_bits).ok()?;
        let resolution_us = host_step_us + 1e6 / ticks.counts_per_s;
        (!exchanges.is_empty() || !markers.is_empty()).then_some(Self {
            exchanges,
            markers,
            space,
            ticks,
            resolution_us,
        })
    }

    /// The unwrapped tick nearest to where the host's clock expects it; `residual_us` as known so far.
    fn tick(&self, host_ns: i64, raw: u64, residual_us: &impl Fn(f64) -> f64) -> Option<i64> {
        let expected_s = self.ticks.device_s_at(host_ns, 0.0, residual_us);
        let tick = self.space.unwrap_near(self.ticks.count(expected_s), raw)?;
        ((self.ticks.device_s(tick) - expected_s).abs() < FAR_S).then_some(tick)
    }

    /// The two pairs of an exchange.
    pub fn of_exchange(
        &self,
        exchange: &Exchange,
        residual_us: impl Fn(f64) -> f64,
    ) -> Option<[SyncPair; 2]> {
        let receive = self.tick(exchange.origin_ns, exchange.receive_tick, &residual_us)?;
        let transmit = self.tick(exchange.destination_ns, exchange.transmit_tick, &residual_us)?;
        (exchange.origin_ns <= exchange.destination_ns && receive <= transmit).then(|| {
            SyncPair::of_exchange(
                &self.ticks,
                self.resolution_us,
                exchange.origin_ns,
                receive,
                transmit,
                exchange.destination_ns,
            )
        })
    }

    /// The pair of a marker, before the scatter of the markers is known.
    pub fn of_marker(&self, marker: &Marker, residual_us: impl Fn(f64) -> f64) -> Option<SyncPair> {
        let tick = self.tick(marker.host_ns, marker.tick, &residual_us)?;
        Some(SyncPair::of_marker(&self.ticks, self.resolution_us, MARKER_US, marker.host_ns, tick))
    }

    /// All pairs between two device times, the residual being known roughly.
    pub fn between(&self, from_s: f64, to_s: f64, residual_us: impl Fn(f64) -> f64) -> Pairs {
        let inside = |pair: &SyncPair| pair.at_s >= from_s - FAR_S && pair.at_s <= to_s + FAR_S;
        let mut found = Pairs::default();
        for exchange in self.exchanges {
            if let Some(pairs) = self.of_exchange(exchange, &residual_us)
                && pairs.iter().all(inside)
            {
                found.pairs.extend(pairs);
                found.exchanges += 1;
            }
        }
        let markers: Vec<(i64, i64)> = self
            .markers
            .iter()
            .filter_map(|marker| {
                Some((marker.host_ns, self.tick(marker.host_ns, marker.tick, &residual_us)?))
            })
            .collect();
        let half_width_us = marker_half_width_us(&self.ticks, markers.iter().copied());
        for (host_ns, tick) in markers {
            let pair = SyncPair::of_marker(&self.ticks, self.resolution_us, half_width_us, host_ns, tick);
            if inside(&pair) {
                found.pairs.push(pair);
                found.markers += 1;
            }
        }
        found.pairs.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        found
    }
}
