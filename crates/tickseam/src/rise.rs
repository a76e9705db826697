//! Arrivals that all come later than anything known explains: the host's clock may have been set forward.
//!
//! A packet that comes late proves nothing. Packets that come late one after the other, each by more than a wait for the
//! next connection event, are either held back somewhere or stamped by a clock that was set; at first nobody can tell which. Since
//! an arrival never comes before its packet, the least of them says how far the clock may have been set at the most.

use crate::block::Arrival;
use crate::number::greater;
use crate::placement::Knot;

/// The least rise that is looked for, µs: stacks and threads hold packets back by some tens of ms (own choice). Doubled:
/// clocks set forward by less than twice as much are believed in silence.
const LEAST_US: f64 = 20e3;

/// The same in longest waits for the link. The beat's saw-tooth and a new anchor move the least wait by the common divisor of packet
/// period and interval at the most, which is the interval, or one packet period, or less; a quarter is left for noise.
pub const PERIODS: f64 = 1.25;

/// The least rise that is believed of packets that wait for the link for up to `wait_s`: their period where its interval is not known, µs.
pub fn least_us(wait_s: f64) -> f64 {
    greater(LEAST_US, PERIODS * wait_s * 1e6)
}

/// Late packets in a row from which on a rise is suspected: retransmissions seldom hold so many back. Doubled: answers
/// given within half a second of the step leave it out on slow links.
pub const PACKETS: u32 = 5;

/// Watches for it.
#[derive(Clone, Copy, Debug)]
pub struct Rise {
    /// The most that the residual was known to be when the last block closed, µs, at which device time, s, and its least
    /// rate from there on, ppm.
    high_us: f64,
    at_s: f64,
    rate_ppm: f64,
    /// Device time of the newest packet that came when it could be expected, s.
    expected_s: f64,
    /// Least by which one of the last few packets since came too late, µs, and the greatest of that: the first few may
    /// have been sent again before the clock was set.
    least_us: f64,
    late_us: f64,
    late: u32,
}

impl Default for Rise {
    /// Knows nothing, and suspects nothing.
    fn default() -> Self {
        Self {
            high_us: f64::INFINITY,
            at_s: 0.0,
            rate_ppm: 0.0,
            expected_s: f64::NEG_INFINITY,
            least_us: f64::INFINITY,
            late_us: 0.0,
            late: 0,
        }
    }
}

impl Rise {
    /// What is known from now on of the residual. While packets come too late, what was known before goes on to tell which do not: what is
    /// known grows without them, until they would seem to be in time again.
    pub fn follow(&mut self, known: &Knot) {
        if self.is_doubted() {
            return;
        }
        (self.high_us, self.at_s, self.rate_ppm) = (known.high_us, known.at_s, known.rate_low_ppm);
    }

    /// Takes an arrival, the stamp of which was rounded down by up to `resolution_us`, and which may have waited for the link for up to
    /// `wait_s` though it left at its first chance. Cost: O(1).
    pub fn observe(&mut self, arrival: &Arrival, resolution_us: f64, wait_s: f64) {
        // One sent before a packet that came in time says nothing new of the clock now.
        if arrival.device_s <= self.expected_s {
            return;
        }
        let high_us = self.high_us + self.rate_ppm * (arrival.device_s - self.at_s);
        let late_us = arrival.residual_us + resolution_us - high_us;
        if late_us > least_us(wait_s) {
            self.late = self.late.saturating_add(1);
            if late_us < self.least_us {
                self.least_us = late_us;
            }
            if self.late.is_multiple_of(PACKETS) {
                self.late_us = greater(self.late_us, self.least_us);
                self.least_us = f64::INFINITY;
            }
        } else {
            self.expected_s = arrival.device_s;
            (self.least_us, self.late_us, self.late) = (f64::INFINITY, 0.0, 0);
        }
    }

    /// Device time of the newest packet that came when it could be expected, s, and packets since then that came too late.
    pub const fn in_time(&self) -> (f64, u32) {
        (self.expected_s, self.late)
    }

    /// Whether the newest packet came too late: such packets bound nothing from below.
    pub fn is_doubted(&self) -> bool {
        self.late > 0
    }

    /// By how much the residual at a device time may lie above what is known, µs; 0 unless a rise is suspected.
    pub fn by_us(&self, device_s: f64) -> f64 {
        if device_s > self.expected_s { self.late_us } else { 0.0 }
    }
}
