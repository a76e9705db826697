//! Exchanges and markers of a recording, as one segment sees them.

use tickseam::frame::Frame;
use tickseam::pair::SyncPair;
use tickseam::sightings::{ExchangeStamps, MarkerStamps, Sightings as Read};
use tickseam_record::{Exchange, Marker};

/// The exchanges and markers of a recording as one segment sees them.
#[derive(Clone, Copy, Debug)]
pub struct Sightings<'a> {
    exchanges: &'a [Exchange],
    markers: &'a [Marker],
    read: Read,
    /// The segment's frame has this host time for its origin, ns.
    host_origin_ns: i64,
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

fn exchange_stamps(exchange: &Exchange) -> ExchangeStamps {
    ExchangeStamps {
        origin_ns: exchange.origin_ns,
        receive_tick: exchange.receive_tick,
        transmit_tick: exchange.transmit_tick,
        destination_ns: exchange.destination_ns,
    }
}

fn marker_stamps(marker: &Marker) -> MarkerStamps {
    MarkerStamps { host_ns: marker.host_ns, tick: marker.tick }
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
        let read = Read::new(tick_bits, ticks, host_step_us)?;
        let host_origin_ns = ticks.host_origin_ns;
        (!exchanges.is_empty() || !markers.is_empty()).then_some(Self {
            exchanges,
            markers,
            read,
            host_origin_ns,
        })
    }

    /// The two pairs of an exchange.
    pub fn of_exchange(
        &self,
        exchange: &Exchange,
        residual_us: impl Fn(f64) -> f64,
    ) -> Option<[SyncPair; 2]> {
        self.read.of_exchange(exchange_stamps(exchange), &residual_us)
    }

    /// The pair of a marker, before the scatter of the markers is known.
    pub fn of_marker(&self, marker: &Marker, residual_us: impl Fn(f64) -> f64) -> Option<SyncPair> {
        self.read.of_marker(marker_stamps(marker), &residual_us)
    }

    /// All pairs between two device times, the residual being known roughly.
    pub fn between(&self, from_s: f64, to_s: f64, residual_us: impl Fn(f64) -> f64) -> Pairs {
        self.stamped_between((from_s, to_s), (f64::NEG_INFINITY, f64::INFINITY), residual_us)
    }

    /// All pairs between two device times, s, of which all host stamps lie between two host times since the origin, µs; the residual being
    /// known roughly.
    pub fn stamped_between(
        &self,
        (from_s, to_s): (f64, f64),
        host_us: (f64, f64),
        residual_us: impl Fn(f64) -> f64,
    ) -> Pairs {
        let mut pairs = vec![SyncPair::default(); 2 * self.exchanges.len() + self.markers.len()];
        let within = |host_ns: i64| {
            let since_us = host_ns.saturating_sub(self.host_origin_ns) as f64 / 1e3;
            host_us.0 <= since_us && since_us <= host_us.1
        };
        let exchanges = self.exchanges.iter().filter(|e| within(e.origin_ns) && within(e.destination_ns));
        let exchanges = exchanges.map(exchange_stamps);
        let markers = self.markers.iter().filter(|marker| within(marker.host_ns)).map(marker_stamps);
        // There is room for all of them.
        let found = self
            .read
            .between(exchanges, markers, (from_s, to_s), &residual_us, &mut pairs)
            .unwrap_or_default();
        pairs.truncate(found.pairs);
        Pairs { pairs, exchanges: found.exchanges, markers: found.markers }
    }
}
