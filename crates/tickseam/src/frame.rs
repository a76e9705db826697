//! Whole numbers from the two clocks, and the frame in which the estimator works on their differences.

use crate::block::Arrival;
use crate::number::{difference, nearest};

/// One pair of instants that both clocks are counted from, so that what remains is small enough for `f64`.
///
/// Inside the frame, device time is seconds at the nominal rate since the origin, and the *residual* is host time
/// since the origin less device time, in microseconds: 0 for ever if the clocks agreed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// Device count at the origin: ticks, or samples where the device sends no ticks.
    pub device_origin: i64,
    /// Nominal counts per second, > 0.
    pub counts_per_s: f64,
    /// Host time at the origin, ns.
    pub host_origin_ns: i64,
}

/// Guesses of a device time that come closer by less than this share tell nothing of where they go.
const STEEPEST: f64 = 0.95;

impl Frame {
    /// Device time of a count, s.
    pub fn device_s(&self, count: i64) -> f64 {
        difference(count, self.device_origin) / self.counts_per_s
    }

    /// Residual of a host stamp against a device time, µs.
    pub fn residual_us(&self, host_ns: i64, device_s: f64) -> f64 {
        self.host_us(host_ns) - device_s * 1e6
    }

    /// Host time since the origin, µs.
    pub fn host_us(&self, host_ns: i64) -> f64 {
        difference(host_ns, self.host_origin_ns) / 1e3
    }

    /// A packet's stamp inside the frame.
    pub fn arrival(&self, count: i64, host_ns: i64) -> Arrival {
        let device_s = self.device_s(count);
        Arrival::new(device_s, self.residual_us(host_ns, device_s))
    }

    /// Host time of a device time with its residual, ns, rounded to the nearest; saturates.
    pub fn host_ns(&self, device_s: f64, residual_us: f64) -> i64 {
        // Whole seconds apart, so that the sum keeps a nanosecond over years.
        let whole = libm::floor(device_s);
        let rest_ns = (device_s - whole) * 1e9 + residual_us * 1e3;
        self.host_origin_ns
            .saturating_add(nearest(whole).saturating_mul(1_000_000_000))
            .saturating_add(nearest(rest_ns))
    }

    /// Counts since the origin at a device time.
    pub fn counts(&self, device_s: f64) -> f64 {
        device_s * self.counts_per_s
    }

    /// Device count at a device time, to the nearest; saturates.
    pub fn count(&self, device_s: f64) -> i64 {
        self.device_origin.saturating_add(nearest(self.counts(device_s)))
    }

    /// Device time that belongs to a host time, where `residual_us` gives the residual at a device time. Exact to the last bits where that
    /// is a straight line of any rate; elsewhere, what the line between two guesses leaves is as small as the square of a rate's change.
    pub fn device_s_at(&self, host_ns: i64, extra_us: f64, residual_us: impl Fn(f64) -> f64) -> f64 {
        let host_s = (self.host_us(host_ns) + extra_us) / 1e6;
        let better = |device_s: f64| host_s - residual_us(device_s) / 1e6;
        let mut device_s = host_s;
        for _ in 0..2 {
            let once = better(device_s);
            let twice = better(once);
            let (first, second) = (once - device_s, twice - once);
            let slope = if first == 0.0 { 0.0 } else { second / first };
            // Steffensen's step; where guesses do not come closer, the second one.
            device_s = if slope > -1.0 && slope < STEEPEST { once + second / (1.0 - slope) } else { twice };
        }
        device_s
    }
}

#[cfg(test)]
mod tests;
