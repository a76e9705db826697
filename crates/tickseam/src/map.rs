//! The clock map: a small plain value that turns instants of one clock into instants of another, both ways, with
//! what is known of its error.

use crate::frame::Frame;
use crate::number::{between, magnitude};

/// Turns device counts into host time and back, over a stretch of time. Plain data: copy it to any thread.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockMap {
    /// The origin of both clocks.
    pub frame: Frame,
    /// Device time at which the map is centred, s since the frame's origin.
    pub at_s: f64,
    /// Residual there, µs.
    pub offset_us: f64,
    /// Host seconds gained per device second, ppm. See [`drift_ppm`](Self::drift_ppm) for the sign that is reported.
    pub rate_ppm: f64,
    /// Standard uncertainty of the residual at `at_s`, µs.
    pub u_offset_us: f64,
    /// Standard uncertainty of the rate, ppm.
    pub u_rate_ppm: f64,
    /// Covariance of residual and rate, µs · ppm.
    pub covariance: f64,
    /// Half-width of the 95 % interval of the residual at `at_s`, µs.
    pub half_width_us: f64,
    /// By how much the half-width grows for each second away from `at_s`, µs/s.
    pub growth_ppm: f64,
    /// By how fast the rate may change, ppm/s: half of it times the square of the age adds to the half-width.
    pub curvature_ppm_per_s: f64,
    /// First and last device time that observations stand behind, s; outside, the map is in holdover (ITU-T G.810).
    pub valid_from_s: f64,
    /// See `valid_from_s`.
    pub valid_to_s: f64,
}

/// An instant of the host clock with its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HostInstant {
    /// Host time, ns.
    pub host_ns: i64,
    /// Standard uncertainty, µs.
    pub u_us: f64,
    /// Half-width of the 95 % interval, µs.
    pub u95_us: f64,
}

/// An instant of the device clock with its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DeviceInstant {
    /// Device time, s since the frame's origin at the nominal rate.
    pub device_s: f64,
    /// Standard uncertainty, µs of device time.
    pub u_us: f64,
    /// Half-width of the 95 % interval, µs of device time.
    pub u95_us: f64,
}

impl ClockMap {
    /// By how much the device's clock runs fast against the host's, ppm: positive drift = the headset's clock runs
    /// fast against the phone's.
    pub fn drift_ppm(&self) -> f64 {
        -self.rate_ppm / (1.0 + self.rate_ppm * 1e-6)
    }

    fn residual_us(&self, device_s: f64) -> f64 {
        self.offset_us + self.rate_ppm * (device_s - self.at_s)
    }

    /// Standard uncertainty of the residual at a device time, µs: the line's, by its covariance, and the wander's,
    /// taken as uniform within its limit.
    pub fn u_us(&self, device_s: f64) -> f64 {
        let dx = device_s - self.at_s;
        let line = self.u_offset_us * self.u_offset_us
            + dx * (2.0 * self.covariance + dx * self.u_rate_ppm * self.u_rate_ppm);
        let wander = self.wander_us(dx);
        let variance = line + wander * wander / 3.0;
        if variance > 0.0 { libm::sqrt(variance) } else { 0.0 }
    }

    /// Half-width of the 95 % interval at a device time, µs: never narrower than at the centre, growing with distance.
    pub fn u95_us(&self, device_s: f64) -> f64 {
        let dx = magnitude(device_s - self.at_s);
        self.half_width_us + self.growth_ppm * dx + self.wander_us(dx)
    }

    /// How far the wander of the rate may have carried the residual over `dx` seconds, µs.
    fn wander_us(&self, dx: f64) -> f64 {
        self.curvature_ppm_per_s * dx * dx / 2.0
    }

    /// Seconds since observations last stood behind the map at a device time; 0 inside its stretch.
    pub fn age_s(&self, device_s: f64) -> f64 {
        magnitude(device_s - between(device_s, self.valid_from_s, self.valid_to_s))
    }

    /// Host time of a device count.
    pub fn host_at(&self, count: i64) -> HostInstant {
        self.host_at_s(self.frame.device_s(count))
    }

    /// Host time of a device time, s since the frame's origin.
    pub fn host_at_s(&self, device_s: f64) -> HostInstant {
        HostInstant {
            host_ns: self.frame.host_ns(device_s, self.residual_us(device_s)),
            u_us: self.u_us(device_s),
            u95_us: self.u95_us(device_s),
        }
    }

    /// Device time of a host time.
    pub fn device_at(&self, host_ns: i64) -> DeviceInstant {
        let device_s = self.frame.device_s_at(host_ns, 0.0, |x| self.residual_us(x));
        let scale = 1.0 + self.rate_ppm * 1e-6;
        DeviceInstant { device_s, u_us: self.u_us(device_s) / scale, u95_us: self.u95_us(device_s) / scale }
    }

    /// The map the other way: its device clock is this map's host clock, counted in nanoseconds; its host time is this map's device
    /// time since the origin, ns.
    pub fn inverted(&self) -> Self {
        let scale = 1.0 + self.rate_ppm * 1e-6;
        let host_s = |device_s: f64| device_s + self.residual_us(device_s) * 1e-6;
        Self {
            frame: Frame { device_origin: self.frame.host_origin_ns, counts_per_s: 1e9, host_origin_ns: 0 },
            at_s: self.at_s + self.offset_us * 1e-6,
            offset_us: -self.offset_us,
            rate_ppm: -self.rate_ppm / scale,
            u_offset_us: self.u_offset_us / scale,
            u_rate_ppm: self.u_rate_ppm / (scale * scale),
            covariance: self.covariance / (scale * scale * scale),
            half_width_us: self.half_width_us / scale,
            growth_ppm: self.growth_ppm / (scale * scale),
            curvature_ppm_per_s: self.curvature_ppm_per_s / (scale * scale * scale),
            valid_from_s: host_s(self.valid_from_s),
            valid_to_s: host_s(self.valid_to_s),
        }
    }

    /// This map followed by `onward`, whose device clock is this map's host clock in nanoseconds: a map from this
    /// map's device to the other's host. Uncertainties are taken as independent; half-widths add, so that the chain
    /// promises no more than its parts. Centred where this map is; cost O(1).
    pub fn chain(&self, onward: &Self) -> Self {
        let middle_ns = self.frame.host_ns(self.at_s, self.offset_us);
        let (first, second) = (self.rate_ppm * 1e-6, onward.rate_ppm * 1e-6);
        let rate = first + second + first * second;
        let middle_s = onward.frame.device_s(middle_ns);
        let far_ns = onward.frame.host_ns(middle_s, onward.residual_us(middle_s));
        let dx = middle_s - onward.at_s;
        let (u_onward, scale) = (onward.u_us(middle_s), 1.0 + second);
        let far = Frame {
            device_origin: self.frame.device_origin,
            counts_per_s: self.frame.counts_per_s,
            host_origin_ns: far_ns,
        };
        let square = |v: f64| v * v;
        // The onward map's wander goes on growing from its own centre, as if its rate were less sure.
        let u_onward_rate_square = square(onward.u_rate_ppm) + square(onward.curvature_ppm_per_s * dx) / 3.0;
        Self {
            frame: far,
            at_s: self.at_s,
            offset_us: -self.at_s * 1e6,
            rate_ppm: rate * 1e6,
            u_offset_us: libm::sqrt(square(scale * self.u_offset_us) + square(u_onward)),
            u_rate_ppm: libm::sqrt(square(self.u_rate_ppm) + u_onward_rate_square),
            covariance: self.covariance + onward.covariance + dx * u_onward_rate_square,
            half_width_us: scale * self.half_width_us + onward.u95_us(middle_s),
            growth_ppm: self.growth_ppm + onward.growth_ppm + onward.curvature_ppm_per_s * magnitude(dx),
            curvature_ppm_per_s: self.curvature_ppm_per_s + onward.curvature_ppm_per_s,
            valid_from_s: self.valid_from_s,
            valid_to_s: self.valid_to_s,
        }
    }
}

#[cfg(test)]
mod tests;
