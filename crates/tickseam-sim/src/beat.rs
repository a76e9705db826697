//! The beat of packets against connection events, in closed form.
//!
//! A packet becomes ready each P (its period) and waits for the next event, which comes each C (the connection interval). On
//! nominal clocks P and C are whole multiples of one step, so they share a greatest common divisor g, P = p g and C = q g
//! with p and q coprime. Packet i is ready at i P after the first, and an event is due r(i) = (W − i P) mod C later, W being the
//! first packet's wait. Because p and q are coprime, i P mod C takes each of the q values 0, g, … (q − 1) g once in any q packets
//! that follow each other. So the waits of q packets are W mod g and that plus g, 2 g, … , and
//!
//! **the shortest wait among any q packets in a row is w = W mod g, which lies anywhere in \[0, g)**.
//!
//! Now the clocks drift: where the headset's clock runs fast by d against the radio that times the events (parts per
//! million, d > 0), packets come earlier against the events by d µs each second, and every wait grows by as much:
//!
//! **w(t) = (w(0) + d t) mod g: a saw-tooth of height g and period g ÷ |d|**, the slip period.
//!
//! Between two slips the shortest wait is a straight line of slope d, just as a constant wait and a clock without the drift would
//! look. So whoever goes by the earliest arrivals is wrong by w until the first slip shows where zero is: evenly between
//! 0 and g over phases that nobody chose, 0.95 g in the 95th percentile. Who knows of the beat and takes the middle of what is
//! possible is wrong by up to g ÷ 2, evenly: g ÷ √12 in root mean square, 0.475 g in the 95th percentile. A session of
//! length T sees a slip for sure if |d| T ≥ g, and with probability |d| T ÷ g before.
//!
//! With dither, a packet holds one sample more or fewer at random, so that its place wanders over all multiples of the sample
//! period s: every phase that s (rather than P) reaches occurs, and g is the divisor of s and C.
//!
//! What this leaves out: repeats (they only wait longer), the stack's own delays, and several packets in one event (P < C), where
//! the packet with the shortest wait may be sent second.

use crate::scenario::Scenario;

/// How packets and connection events beat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beat {
    /// g: greatest common divisor of packet period (with dither: sample period) and connection interval, in milliseconds.
    pub divisor_ms: f64,
    /// q: how many phases the packets take against the events.
    pub phases: u32,
}

impl Beat {
    /// For packets of `samples_per_packet` samples at `rate_hz`, sent at random up to `dither_samples` longer or shorter.
    pub fn new(rate_hz: f64, samples_per_packet: u32, dither_samples: u32, interval_ms: f64) -> Beat {
        let step_samples = if dither_samples > 0 { 1 } else { samples_per_packet };
        let divisor_ms = common_divisor_ms(f64::from(step_samples) / rate_hz * 1e3, interval_ms);
        Beat { divisor_ms, phases: (interval_ms / divisor_ms).round() as u32 }
    }

    /// For the reference stream of a scenario.
    pub fn of_scenario(scenario: &Scenario) -> Beat {
        let stream = &scenario.streams[0];
        Beat::new(stream.rate_hz, stream.samples_per_packet, stream.dither_samples, scenario.link.interval_ms)
    }

    /// Time from one slip to the next, in seconds; `drift_ppm` is the headset's clock against the radio's. Infinite without drift.
    pub fn slip_period_s(&self, drift_ppm: f64) -> f64 {
        self.divisor_ms * 1e3 / drift_ppm.abs()
    }

    /// Shortest wait among packets about `after_s` seconds after it was `first_ms`, in milliseconds, from 0 to g.
    pub fn shortest_wait_ms(&self, first_ms: f64, drift_ppm: f64, after_s: f64) -> f64 {
        let waited_ms = first_ms + drift_ppm * 1e-3 * after_s;
        waited_ms - self.divisor_ms * (waited_ms / self.divisor_ms).floor()
    }

    /// Probability that a session of this length sees a slip, 0 to 1.
    pub fn slip_probability(&self, drift_ppm: f64, session_s: f64) -> f64 {
        (session_s / self.slip_period_s(drift_ppm)).min(1.0)
    }

    /// 95th percentile of the error of the middle of what is possible before the first slip, in milliseconds: 0.475 g.
    pub fn error_p95_before_slip_ms(&self) -> f64 {
        0.475 * self.divisor_ms
    }
}

/// Greatest common divisor of two periods in milliseconds, to a nanosecond (Euclid).
pub fn common_divisor_ms(a_ms: f64, b_ms: f64) -> f64 {
    const TOLERANCE_MS: f64 = 1e-6;
    let (mut a, mut b) = if a_ms > b_ms { (a_ms, b_ms) } else { (b_ms, a_ms) };
    while b > TOLERANCE_MS {
        let rest = a - b * (a / b).floor();
        // A rest just below the divisor is a rounded zero.
        let rest = if b - rest < TOLERANCE_MS { 0.0 } else { rest };
        (a, b) = (b, rest);
    }
    a
}
