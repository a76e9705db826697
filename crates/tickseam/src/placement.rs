//! Putting an event of the host's clock on the device's timeline, with everything counted that is not known exactly.

use crate::frame::Frame;
use crate::map::ClockMap;
use crate::number::{between, greater, magnitude};
use crate::region::Region;

/// Coverage factor of a normal distribution for 95 % (JCGM 100:2008, Table G.2, infinite degrees of freedom).
const NORMAL_95: f64 = crate::student::NORMAL_COVERAGE_FACTOR_95;

/// What is known of the residual at one device time. The default knows nothing: its interval has no end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Knot {
    /// Device time, s.
    pub at_s: f64,
    /// Estimated residual, µs.
    pub offset_us: f64,
    /// Least residual that is possible, µs.
    pub low_us: f64,
    /// Greatest residual that is possible, µs.
    pub high_us: f64,
    /// Estimated rate, ppm of host residual a device second.
    pub rate_ppm: f64,
    /// Least rate that is possible, ppm.
    pub rate_low_ppm: f64,
    /// Greatest rate that is possible, ppm.
    pub rate_high_ppm: f64,
    /// Standard uncertainties of offset (µs) and rate (ppm), and their covariance, under a uniform density.
    pub u_offset_us: f64,
    /// See `u_offset_us`.
    pub u_rate_ppm: f64,
    /// See `u_offset_us`.
    pub covariance: f64,
    /// The forward and the backward half contradict each other here.
    pub contradicted: bool,
    /// Parts of the half-width, µs: what the crystal may have wandered since the bounds that it rests on, and what the link's grid
    /// leaves open, one that does not show included.
    pub curvature_us: f64,
    /// See `curvature_us`.
    pub lattice_us: f64,
}

impl Default for Knot {
    fn default() -> Self {
        Self {
            at_s: 0.0,
            offset_us: 0.0,
            low_us: f64::NEG_INFINITY,
            high_us: f64::INFINITY,
            rate_ppm: 0.0,
            rate_low_ppm: 0.0,
            rate_high_ppm: 0.0,
            u_offset_us: f64::INFINITY,
            u_rate_ppm: 0.0,
            covariance: 0.0,
            contradicted: false,
            curvature_us: 0.0,
            lattice_us: 0.0,
        }
    }
}

impl Knot {
    /// What a region says at its time.
    pub fn of(region: &Region, at_s: f64) -> Self {
        let moments = region.moments();
        let ((low_us, high_us), (rate_low_ppm, rate_high_ppm)) = (region.offset_range(), region.rate_range());
        Self {
            at_s,
            offset_us: moments.offset_us,
            low_us,
            high_us,
            rate_ppm: moments.rate_ppm,
            rate_low_ppm,
            rate_high_ppm,
            u_offset_us: libm::sqrt(moments.offset_variance),
            u_rate_ppm: libm::sqrt(moments.rate_variance),
            covariance: moments.covariance,
            contradicted: false,
            curvature_us: 0.0,
            lattice_us: 0.0,
        }
    }

    /// Puts the estimate as near to a residual and a rate as what is possible allows.
    pub(crate) fn lie_at(&mut self, offset_us: f64, rate_ppm: f64) {
        self.offset_us = between(offset_us, self.low_us, self.high_us);
        self.rate_ppm = between(rate_ppm, self.rate_low_ppm, self.rate_high_ppm);
    }

    /// The knowledge carried to another device time, the rate changing by at most `curvature_ppm_per_s`.
    pub fn carried(&self, device_s: f64, curvature_ppm_per_s: f64) -> Self {
        let dx = device_s - self.at_s;
        let wander = curvature_ppm_per_s * dx * dx / 2.0;
        let (to_low, to_high) = if dx < 0.0 {
            (self.rate_high_ppm, self.rate_low_ppm)
        } else {
            (self.rate_low_ppm, self.rate_high_ppm)
        };
        let offset_us = self.offset_us + self.rate_ppm * dx;
        let reach = curvature_ppm_per_s * magnitude(dx);
        let variance = self.u_offset_us * self.u_offset_us
            + dx * (2.0 * self.covariance + dx * self.u_rate_ppm * self.u_rate_ppm)
            + wander * wander / 3.0;
        Self {
            at_s: device_s,
            offset_us,
            low_us: self.low_us + to_low * dx - wander,
            high_us: self.high_us + to_high * dx + wander,
            rate_low_ppm: self.rate_low_ppm - reach,
            rate_high_ppm: self.rate_high_ppm + reach,
            u_offset_us: libm::sqrt(greater(variance, 0.0)),
            ..*self
        }
    }

    /// Between two knots, `self` the earlier: what either, carried there, allows.
    pub fn towards(&self, later: &Self, device_s: f64, curvature_ppm_per_s: f64) -> Self {
        let span = later.at_s - self.at_s;
        let share = if span > 0.0 { between((device_s - self.at_s) / span, 0.0, 1.0) } else { 1.0 };
        let mix = |a: f64, b: f64| a + share * (b - a);
        // A straight line between the two misses a curve by at most this.
        let bow = curvature_ppm_per_s * span * span / 8.0 * 4.0 * share * (1.0 - share);
        Self {
            at_s: device_s,
            offset_us: mix(self.offset_us, later.offset_us),
            low_us: mix(self.low_us, later.low_us) - bow,
            high_us: mix(self.high_us, later.high_us) + bow,
            rate_ppm: mix(self.rate_ppm, later.rate_ppm),
            rate_low_ppm: mix(self.rate_low_ppm, later.rate_low_ppm),
            rate_high_ppm: mix(self.rate_high_ppm, later.rate_high_ppm),
            u_offset_us: mix(self.u_offset_us, later.u_offset_us),
            u_rate_ppm: mix(self.u_rate_ppm, later.u_rate_ppm),
            covariance: mix(self.covariance, later.covariance),
            contradicted: self.contradicted || later.contradicted,
            curvature_us: mix(self.curvature_us, later.curvature_us),
            lattice_us: mix(self.lattice_us, later.lattice_us),
        }
    }

    /// What is possible from the least to the greatest residual, µs.
    pub(crate) fn width_us(&self) -> f64 {
        self.high_us - self.low_us
    }

    /// Half-width of an interval around the estimate that holds everything possible, µs.
    pub fn half_width_us(&self) -> f64 {
        greater(self.high_us - self.offset_us, self.offset_us - self.low_us)
    }
}

/// A quantity that shifts every placement, with its standard uncertainty.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shift {
    /// The shift, µs.
    pub us: f64,
    /// Its standard uncertainty, µs.
    pub u_us: f64,
}

/// What the uncertainty of a placement is made of: half-widths of 95 %, µs, combined by root sum of squares.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Budget {
    /// What the link's delays leave open of the clock, within the observed stretch.
    pub link_us: f64,
    /// Of this, what the scatter of delays, exchanges and markers leaves open.
    pub statistics_us: f64,
    /// Of this, what the link's grid leaves open.
    pub lattice_us: f64,
    /// Of this, what the crystal's wander between the bounds leaves open.
    pub curvature_us: f64,
    /// What the age of the last observation adds to it (holdover, ITU-T G.810).
    pub holdover_us: f64,
    /// The link's fixed delay.
    pub fixed_delay_us: f64,
    /// The step of the host's stamps.
    pub resolution_us: f64,
    /// From the event's stamp to the physical event.
    pub latency_us: f64,
}

impl Budget {
    /// Half-width of the 95 % interval, µs: link and holdover are bounds and add; the rest is independent of them.
    pub fn u95_us(&self) -> f64 {
        let clock = self.link_us + self.holdover_us;
        libm::sqrt(
            clock * clock
                + self.fixed_delay_us * self.fixed_delay_us
                + self.resolution_us * self.resolution_us
                + self.latency_us * self.latency_us,
        )
    }

    /// The same where the clock may lie at the very edge of its bounds all the time, µs. There, half of what the rest may be
    /// off leads out of the interval, however small it is against the bounds, and so it adds to them in full (the worst case
    /// of Imbens and Manski 2004, from memory).
    pub fn u95_at_edge_us(&self) -> f64 {
        let clock = self.link_us + self.holdover_us;
        clock + Self { link_us: 0.0, holdover_us: 0.0, ..*self }.u95_us()
    }
}

/// Where an event fell on the device's timeline.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Placement {
    /// Device time, s since the frame's origin at the nominal rate.
    pub device_s: f64,
    /// Standard uncertainty, µs.
    pub u_us: f64,
    /// Half-width of the 95 % interval, µs.
    pub u95_us: f64,
    /// What it is made of.
    pub budget: Budget,
}

impl Placement {
    /// Where an event fell of which nobody knows which of two clocks stamped it, each of which says one placement
    /// by its bounds ([`by_bounds`](Self::by_bounds)): the interval reaches over both. What lies between them counts as holdover, since no packet tells which clock it was.
    #[must_use]
    pub fn or(&self, other: &Self) -> Self {
        let wider = if other.u95_us > self.u95_us { other } else { self };
        let (half_s, other_half_s) = (self.u95_us * 1e-6, other.u95_us * 1e-6);
        let high_s = greater(self.device_s + half_s, other.device_s + other_half_s);
        let low_s = -greater(half_s - self.device_s, other_half_s - other.device_s);
        let u95_us = greater((high_s - low_s) / 2.0 * 1e6, wider.u95_us);
        let mut budget = wider.budget;
        budget.holdover_us += u95_us - wider.u95_us;
        let (u_us, apart_us) = (greater(self.u_us, other.u_us), (self.device_s - other.device_s) * 1e6);
        Self {
            device_s: low_s + (high_s - low_s) / 2.0,
            // Either of two places.
            u_us: libm::sqrt(u_us * u_us + apart_us * apart_us / 4.0),
            u95_us: budget.u95_at_edge_us(),
            budget,
        }
    }

    /// The same with a half-width of at least `u95_us`, what it is wider by put down to the scatter of delays, which left the clock so far open.
    #[must_use]
    pub fn reaching(self, u95_us: f64) -> Self {
        let u95_us = greater(u95_us, self.u95_us);
        let mut budget = self.budget;
        let rest = Budget { link_us: 0.0, holdover_us: 0.0, ..budget }.u95_us();
        let clock_us = libm::sqrt(greater(u95_us * u95_us - rest * rest, 0.0));
        let wider_us = greater(clock_us - budget.link_us - budget.holdover_us, 0.0);
        budget.link_us += wider_us;
        budget.statistics_us += wider_us;
        Self { u95_us, budget, ..self }
    }

    /// The same with the interval of [`Budget::u95_at_edge_us`]: for a clock that is known by its bounds alone.
    #[must_use]
    pub fn by_bounds(self) -> Self {
        Self { u95_us: self.budget.u95_at_edge_us(), ..self }
    }
}

/// What is constant about placing events in one recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placing {
    /// The origin of both clocks.
    pub frame: Frame,
    /// Smallest time from a packet's first sample to its host stamp; zero, and said to be unknown, where nobody knows it.
    pub fixed_delay: Shift,
    /// Step of the host's stamps, µs: an event's stamp is the clock rounded down to it.
    pub resolution_us: f64,
    /// By how fast the rate may change, ppm/s.
    pub curvature_ppm_per_s: f64,
}

impl Placing {
    /// Places an event stamped `host_ns` whose physical instant is `latency` later. `known` gives the knot at a device
    /// time, and how much of its half-width is holdover, µs.
    pub fn place(&self, host_ns: i64, latency: Shift, known: impl Fn(f64) -> (Knot, f64)) -> Placement {
        let half_step = self.resolution_us / 2.0;
        // An arrival's envelope lies the fixed delay above the clock.
        let extra_us = latency.us + half_step + self.fixed_delay.us;
        let device_s = self.frame.device_s_at(host_ns, extra_us, |x| known(x).0.offset_us);
        let (knot, holdover_us) = known(device_s);
        let scale = 1.0 / (1.0 + knot.rate_ppm * 1e-6);
        let half_width = knot.half_width_us() * scale;
        let holdover_us = between(holdover_us * scale, 0.0, half_width);
        let link_us = half_width - holdover_us;
        let curvature_us = between(knot.curvature_us * scale, 0.0, link_us);
        let lattice_us = between(knot.lattice_us * scale, 0.0, link_us - curvature_us);
        let budget = Budget {
            link_us,
            statistics_us: link_us - curvature_us - lattice_us,
            lattice_us,
            curvature_us,
            holdover_us,
            fixed_delay_us: NORMAL_95 * self.fixed_delay.u_us,
            resolution_us: half_step,
            latency_us: NORMAL_95 * latency.u_us,
        };
        let u_clock = knot.u_offset_us * scale;
        let u_us = libm::sqrt(
            u_clock * u_clock
                + self.fixed_delay.u_us * self.fixed_delay.u_us
                + half_step * half_step / 3.0
                + latency.u_us * latency.u_us,
        );
        Placement { device_s, u_us, u95_us: budget.u95_us(), budget }
    }

    /// A clock map around a knot, the fixed delay taken off.
    pub fn map(&self, knot: &Knot, valid_from_s: f64, valid_to_s: f64) -> ClockMap {
        let fixed = self.fixed_delay;
        let half_width = knot.half_width_us();
        let delay = NORMAL_95 * fixed.u_us;
        ClockMap {
            frame: self.frame,
            at_s: knot.at_s,
            offset_us: knot.offset_us - fixed.us,
            rate_ppm: knot.rate_ppm,
            u_offset_us: libm::sqrt(knot.u_offset_us * knot.u_offset_us + fixed.u_us * fixed.u_us),
            u_rate_ppm: knot.u_rate_ppm,
            covariance: knot.covariance,
            half_width_us: libm::sqrt(half_width * half_width + delay * delay),
            growth_ppm: greater(knot.rate_high_ppm - knot.rate_ppm, knot.rate_ppm - knot.rate_low_ppm),
            curvature_ppm_per_s: self.curvature_ppm_per_s,
            valid_from_s,
            valid_to_s,
        }
    }
}

#[cfg(test)]
mod tests;
