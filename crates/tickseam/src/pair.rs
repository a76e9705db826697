//! Sync pairs: what one observation says of both clocks at once.
//!
//! - An **arrival** ([`Arrival`](crate::block::Arrival)): a packet was stamped at `h`, so its first sample lies at least the fixed delay before it:
//!   one-sided, and the mean of its error tells nothing.
//! - An **exchange** (RFC 5905): the request cannot have been received before it was sent, nor the reply been handed over
//!   before it left: two one-sided pairs that need no fixed delay and hold whatever the asymmetry. Their midpoint is no
//!   better than half the round trip, since request and reply may ride the same grid.
//! - A **marker**: both clocks saw one instant: two-sided, with the small error of whatever showed it to them.

use crate::block::Bound;
use crate::frame::Frame;
use crate::number::greater;
use crate::scatter::Scatter;

/// Half-width of a marker while too few have come to measure their scatter, µs: a light sensor sampled each millisecond, and
/// as much again.
pub const MARKER_US: f64 = 2_000.0;
/// Markers that measure their own scatter.
const MARKERS_NEEDED: u32 = 6;
/// Standard deviations of the markers' scatter that their half-width is, once it is measured, and the least half-width, µs.
const MARKER_REACH: f64 = 5.0;
const LEAST_MARKER_US: f64 = 30.0;

/// Bounds on the residual of the clocks themselves, no fixed delay in it, at one device time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SyncPair {
    /// Device time, s since the frame's origin.
    pub at_s: f64,
    /// Least residual, µs, if the pair bounds it.
    pub low_us: Option<f64>,
    /// Greatest residual, µs, if the pair bounds it.
    pub high_us: Option<f64>,
}

impl SyncPair {
    /// The two pairs of an exchange: the request, sent at `origin_ns` and received at device count `receive`; the reply, sent at
    /// `transmit` and handed over at `destination_ns`. Counts are rounded down by the device, host stamps to `resolution_us`.
    pub fn of_exchange(
        frame: &Frame,
        resolution_us: f64,
        origin_ns: i64,
        receive: i64,
        transmit: i64,
        destination_ns: i64,
    ) -> [Self; 2] {
        let (received_s, sent_s) = (frame.device_s(receive), frame.device_s(transmit));
        let count_us = 1e6 / frame.counts_per_s;
        [
            // The count is the device's time rounded down: the request may have come up to one count later.
            Self {
                at_s: received_s,
                low_us: Some(frame.residual_us(origin_ns, received_s) - count_us),
                high_us: None,
            },
            Self {
                at_s: sent_s,
                low_us: None,
                high_us: Some(frame.residual_us(destination_ns, sent_s) + resolution_us),
            },
        ]
    }

    /// A marker seen at device count `count` and stamped `host_ns`, believed to within `half_width_us`.
    pub fn of_marker(
        frame: &Frame,
        resolution_us: f64,
        half_width_us: f64,
        host_ns: i64,
        count: i64,
    ) -> Self {
        let at_s = frame.device_s(count);
        let residual_us = frame.residual_us(host_ns, at_s);
        let count_us = 1e6 / frame.counts_per_s;
        Self {
            at_s,
            low_us: Some(residual_us - half_width_us - count_us),
            high_us: Some(residual_us + half_width_us + resolution_us),
        }
    }

    pub(crate) fn low(&self) -> Option<Bound> {
        self.low_us.map(|residual_us| Bound { at_s: self.at_s, residual_us })
    }

    pub(crate) fn high(&self) -> Option<Bound> {
        self.high_us.map(|residual_us| Bound { at_s: self.at_s, residual_us })
    }
}

/// How far a recording's markers may be believed, µs: five standard deviations of how they scatter about a smooth curve,
/// or 2 ms while they are fewer than six.
pub fn marker_half_width_us(frame: &Frame, markers: impl Iterator<Item = (i64, i64)>) -> f64 {
    let mut scatter = Scatter::new();
    let (mut widest, mut n) = (0.0, 0_u32);
    for (host_ns, count) in markers {
        let at_s = frame.device_s(count);
        let seen = scatter.observe(Bound { at_s, residual_us: frame.residual_us(host_ns, at_s) });
        widest = greater(seen, widest);
        n = n.saturating_add(1);
    }
    if n >= MARKERS_NEEDED && widest > 0.0 {
        greater(MARKER_REACH * widest, LEAST_MARKER_US)
    } else {
        MARKER_US
    }
}

#[cfg(test)]
mod tests;
