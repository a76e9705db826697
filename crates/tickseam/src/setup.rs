//! What is known of the clocks and the link before anything has arrived.

use crate::filter::Prior;
use crate::intake::StreamConfig;
use crate::number::{greater, lesser, magnitude};
use crate::placement::Shift;

/// How far a phone's own clock may be off its nominal rate, ppm: temperature-compensated reference oscillators of phones are
/// specified to a few ppm, plain ones to 10 to 20 (common practice, no source). Doubled: a cold start is a little wider.
pub const HOST_TOLERANCE_PPM: f64 = 20.0;

/// How far below the first arrivals the clock may lie while nothing else is known, µs: an arrival held back by 200 ms.
/// Doubled: the first seconds of a live session are twice as wide.
pub const DEPTH_US: f64 = 200_000.0;

/// A packet may miss its first chance though its samples were ready, by the delays inside the device. Nothing in the
/// data tells by how much, and this much is allowed, µs: a microcontroller whose tasks run each millisecond has been
/// seen to miss by 0.9 ms (a hardware capture). Doubled: locked links are a millisecond wider.
pub(crate) const ALLOWANCE_US: f64 = 1_000.0;

/// Standard uncertainties of the fixed delay by which exchanges and markers may be off against the arrivals.
pub(crate) const PAIR_DELAY_REACH: f64 = 3.0;

/// A link is silent for so long before a new connection gives it other instants, s (own choice: Bluetooth LE gives a connection up after 0.1 s without an
/// answer at the earliest, common hosts after seconds, and then it has to be found again).
pub(crate) const SILENCE_S: f64 = 1.0;
/// Share of lost packets in a block from which on, if most blocks around have it, a link that sends again counts as
/// congested: its queue overflows, and no packet has to have left at its first chance. What an app loses is less.
pub const CONGESTED_LOSS: f64 = 0.06;

/// How far the clock may lie below the arrivals of a congested link, µs: what a deep queue holds.
pub const CONGESTED_DEPTH_US: f64 = 1e7;

/// Width of the offsets that are possible above which the clock counts as unbounded from below, µs.
pub(crate) const UNBOUNDED_US: f64 = 60_000.0;

/// Standard deviations of the minima that the clock is reckoned to lie below the top of what is possible without a grid.
pub(crate) const TOP_SCATTER: f64 = 0.5;

/// Change of the least delay over a recording that may pass for a rate, µs: more than any queue's.
const EXPLAINED_US: f64 = 100_000.0;

/// A slope just outside the declared tolerance may be the beat's. Over this long, s, it is taken in all the same, with this
/// much beyond, ppm.
const BEAT_SPAN_S: f64 = 30.0;
const BEYOND_PPM: f64 = 50.0;

/// Farthest from its nominal rate that a clock is believed to run, ppm: three times what has been met in the field. A steeper slope
/// is that of a queue which fills, or of counters that were misread.
const FARTHEST_PPM: f64 = 30_000.0;

/// What is known before the arrivals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// The clock.
    pub prior: Prior,
    /// Step of the host stamps and of the device's counter together, µs: either clock is rounded down to its own.
    pub resolution_us: f64,
    /// The device's share of it, µs.
    pub device_step_us: f64,
    /// Smallest time from a packet's first sample to its host stamp, if it is known.
    pub fixed_delay: Option<Shift>,
    /// Connection interval that was declared, µs.
    pub interval_us: Option<f64>,
    /// Nominal time from one packet's first sample to the next one's, s.
    pub period_s: f64,
}

impl Setup {
    /// For a device crystal within `tolerance_ppm` of its nominal rate that sends a packet each `period_s` seconds; host stamps
    /// to the nanosecond, fixed delay and connection interval unknown.
    pub const fn new(tolerance_ppm: f64, period_s: f64) -> Self {
        Self {
            prior: Prior {
                rate_ppm: 0.0,
                rate_half_width_ppm: tolerance_ppm + HOST_TOLERANCE_PPM,
                depth_us: DEPTH_US,
            },
            resolution_us: 0.001,
            device_step_us: 0.0,
            fixed_delay: None,
            interval_us: None,
            period_s,
        }
    }

    /// The same for another stream on the same clocks, of whose own fixed delay nothing was declared.
    #[must_use]
    pub fn of_another(&self, stream: &StreamConfig) -> Self {
        Self { fixed_delay: None, period_s: stream.period_s(), ..*self }
    }

    /// Step of the host stamps alone, µs.
    pub(crate) fn host_step_us(&self) -> f64 {
        greater(self.resolution_us - self.device_step_us, 0.0)
    }

    /// How far the clock is reckoned to lie below the least stamps, each of them lifted by the [`resolution_us`](Self::resolution_us),
    /// for what rounding leaves: where packets met all parts of the host's step, some of them were rounded down by all of it.
    pub(crate) fn below_us(&self, unmet_us: f64) -> f64 {
        unmet_us / 2.0 + self.device_step_us
    }

    /// What the least sum of a delay that scatters and of what is left of the host's step lies above the least of either, µs.
    pub(crate) fn beside_step_us(&self, scatter_us: f64) -> f64 {
        let quarter_us = self.host_step_us() / 4.0;
        lesser(scatter_us, quarter_us)
    }

    /// The same after a slope of the lower envelope of `rate_ppm` was seen over `span_s` seconds, where that lies outside what
    /// was declared: looked for around the slope if delays cannot explain it, else as far as the slope and some more.
    /// `None` where the declaration stands, and where no clock runs like that.
    pub fn with_rate_seen(&self, rate_ppm: f64, span_s: f64) -> Option<Self> {
        let prior = self.prior;
        let explained_ppm = EXPLAINED_US / span_s;
        let away = magnitude(rate_ppm - prior.rate_ppm);
        if away > FARTHEST_PPM {
            return None;
        }
        let beyond = away - prior.rate_half_width_ppm;
        if beyond > explained_ppm {
            let rate_half_width_ppm = prior.rate_half_width_ppm + explained_ppm;
            Some(Self { prior: Prior { rate_ppm, rate_half_width_ppm, ..prior }, ..*self })
        } else if beyond > 0.0 && span_s > BEAT_SPAN_S {
            Some(Self { prior: Prior { rate_half_width_ppm: away + BEYOND_PPM, ..prior }, ..*self })
        } else {
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Setup;

    #[test]
    fn a_rate_outside_the_tolerance_is_looked_for_as_far_as_delays_explain_it() {
        let setup = Setup::new(50.0, 0.02);
        let seen = |rate_ppm, span_s| {
            setup
                .with_rate_seen(rate_ppm, span_s)
                .map(|seen| (seen.prior.rate_ppm, seen.prior.rate_half_width_ppm))
        };
        // Crystal and phone together: 70 ppm were declared.
        assert_eq!(seen(69.0, 600.0), None);
        // A tenth of a second of delay in 500 s feigns 200 ppm, and no more.
        assert_eq!(seen(300.0, 500.0), Some((300.0, 270.0)));
        assert_eq!(seen(-300.0, 500.0), Some((-300.0, 270.0)));
        // What delays can explain moves nothing, but a rate as far as the slope and 50 ppm becomes possible.
        assert_eq!(seen(-250.0, 500.0), Some((0.0, 300.0)));
        // Over less than half a minute it may be the beat of packets and connection.
        assert_eq!((seen(250.0, 29.0), seen(250.0, 31.0)), (None, Some((0.0, 300.0))));
        // No clock runs like that.
        assert_eq!(seen(30_001.0, 500.0), None);
    }
}
