//! The headset's crystal: how many seconds its clock counts while the phone's clock counts some.
//!
//! Positive drift = the headset's clock runs fast against the phone's.

use crate::random::Random;
use crate::scenario::{DeviceScenario, Temperature};

/// Relative frequency deviation of a tuning fork crystal at a temperature, in ppm: k (T − T0)², at most zero for k < 0.
pub fn tuning_fork_ppm(k_ppm_per_c2: f64, turnover_c: f64, temperature_c: f64) -> f64 {
    let off_c = temperature_c - turnover_c;
    k_ppm_per_c2 * off_c * off_c
}

impl Temperature {
    /// Temperature of the crystal `host_s` seconds after the session began, in °C: an exponential approach.
    pub fn at_c(&self, host_s: f64) -> f64 {
        self.to_c + (self.from_c - self.to_c) * libm::exp(-host_s.max(0.0) / self.tau_s)
    }
}

/// The true relation of the two clocks, known to the simulator alone.
///
/// Both sides are in seconds and zero when the session begins; the host side is the phone's clock before any fault of that
/// clock. Piecewise linear with a knot each second; beyond the ends it goes on at the last rate.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueClock {
    /// Device seconds at each whole host second.
    device_s: Vec<f64>,
    mean_rate: f64,
    fastest_rate: f64,
}

impl TrueClock {
    pub(crate) fn new(device: &DeviceScenario, duration_s: f64, random: &mut Random) -> TrueClock {
        let seconds = duration_s.ceil() as usize + 2;
        let mut device_s = Vec::with_capacity(seconds + 1);
        let (mut deviation_s, mut walk, mut fastest) = (0.0, 0.0, f64::MIN);
        device_s.push(deviation_s);
        for second in 0..seconds {
            let t = second as f64;
            // Simpson's rule over the second for what has a formula; the random walk is held over it.
            let formula_ppm = (systematic_ppm(device, t)
                + 4.0 * systematic_ppm(device, t + 0.5)
                + systematic_ppm(device, t + 1.0))
                / 6.0;
            let rate = formula_ppm * 1e-6 + walk;
            walk += device.random_walk_per_sqrt_s * random.normal();
            // Elapsed time and its deviation are summed apart: the deviation keeps its digits.
            deviation_s += rate;
            fastest = if rate > fastest { rate } else { fastest };
            device_s.push(t + 1.0 + deviation_s);
        }
        let mean_rate = device_s.last().copied().unwrap_or(1.0) / seconds as f64;
        TrueClock { device_s, mean_rate, fastest_rate: 1.0 + fastest }
    }

    /// Device seconds at this host second.
    pub fn device_at_host(&self, host_s: f64) -> f64 {
        let last = self.device_s.len() - 2;
        let knot = (host_s.max(0.0) as usize).min(last);
        let rate = self.device_s[knot + 1] - self.device_s[knot];
        self.device_s[knot] + rate * (host_s - knot as f64)
    }

    /// Host second at which the device's clock shows this many seconds.
    pub fn host_at_device(&self, device_s: f64) -> f64 {
        let last = self.device_s.len() - 2;
        let mut knot = ((device_s / self.mean_rate).max(0.0) as usize).min(last);
        while knot > 0 && self.device_s[knot] > device_s {
            knot -= 1;
        }
        while knot < last && self.device_s[knot + 1] <= device_s {
            knot += 1;
        }
        let rate = self.device_s[knot + 1] - self.device_s[knot];
        knot as f64 + (device_s - self.device_s[knot]) / rate
    }

    /// Drift over the second that holds `host_s`, in ppm.
    pub fn drift_ppm(&self, host_s: f64) -> f64 {
        let last = self.device_s.len() - 2;
        let knot = (host_s.max(0.0) as usize).min(last);
        (self.device_s[knot + 1] - self.device_s[knot] - 1.0) * 1e6
    }

    /// Largest number of device seconds that pass in a host second.
    pub(crate) fn fastest_rate(&self) -> f64 {
        self.fastest_rate
    }
}

/// The part of the rate that has a formula, in ppm.
fn systematic_ppm(device: &DeviceScenario, host_s: f64) -> f64 {
    let mut ppm = device.offset_ppm;
    if device.warm_up_ppm != 0.0 {
        ppm += device.warm_up_ppm * libm::exp(-host_s / device.warm_up_tau_s);
    }
    if let Some(temperature) = &device.temperature {
        ppm += tuning_fork_ppm(temperature.k_ppm_per_c2, temperature.turnover_c, temperature.at_c(host_s));
    }
    if let Some(step) = &device.rate_step {
        let since_s = host_s - step.at_s;
        if since_s > 0.0 {
            let arrived = if step.tau_s > 0.0 { 1.0 - libm::exp(-since_s / step.tau_s) } else { 1.0 };
            ppm += step.ppm * arrived;
        }
    }
    ppm
}
