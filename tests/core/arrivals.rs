//! Arrivals whose truth is known: made by hand, where no simulator shall stand between a test and what it claims, and
//! simulated.

use tickseam::block::{Arrival, Deliveries};
use tickseam::filter::Prior;
use tickseam::frame::Frame;
use tickseam::pair::{SyncPair, marker_half_width_us};
use tickseam::placement::Shift;
use tickseam::setup::Setup;
use tickseam_sim::{Scenario, Simulated, simulate};
use tickseam_tests::Random;

/// A link on a grid of instants in host time, or without one.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Link {
    pub(crate) packets: u32,
    /// Sending period by the device's clock, s.
    pub(crate) period_s: f64,
    /// Period of the grid, µs; 0 for none.
    pub(crate) interval_us: f64,
    /// Rate of the grid against the host, ppm.
    pub(crate) stretch_ppm: f64,
    /// Host seconds gained per device second, ppm.
    pub(crate) rate_ppm: f64,
    /// Share of packets that have to be sent again, an interval later.
    pub(crate) again: f64,
    /// Mean of the exponential time from the instant to the stamp, µs.
    pub(crate) jitter_us: f64,
    /// Time that each further packet of a delivery takes, µs.
    pub(crate) air_us: f64,
    /// From this packet on, the grid lies this much later, µs.
    pub(crate) rephase: Option<(u32, f64)>,
}

impl Default for Link {
    fn default() -> Self {
        Self {
            packets: 6_000,
            period_s: 0.020,
            interval_us: 15_000.0,
            stretch_ppm: 0.0,
            rate_ppm: 25.0,
            again: 0.0,
            jitter_us: 0.0,
            air_us: 600.0,
            rephase: None,
        }
    }
}

/// The smallest possible time from a packet's first sample to its stamp, µs, with the offset of the clocks in it.
pub(crate) const SOONEST_US: f64 = 22_600.0;

impl Link {
    /// The residual of a packet that arrives at the soonest, µs.
    pub(crate) fn truth_us(&self, device_s: f64) -> f64 {
        SOONEST_US + self.rate_ppm * device_s
    }

    /// The arrivals in order.
    pub(crate) fn arrivals(&self, seed: u64) -> Vec<Arrival> {
        let mut random = Random::seeded(seed);
        let phase_us = random.uniform() * self.interval_us;
        let period_us = self.interval_us * (1.0 + self.stretch_ppm * 1e-6);
        let (mut last_instant, mut ahead) = (i64::MIN, 0_u32);
        let mut last_us = f64::NEG_INFINITY;
        (0..self.packets)
            .map(|i| {
                let device_s = f64::from(i) * self.period_s;
                let ready_us = device_s * 1e6 + self.truth_us(device_s);
                let mut host_us = ready_us;
                if self.interval_us > 0.0 {
                    let shift = self.rephase.map_or(0.0, |(from, us)| if i >= from { us } else { 0.0 });
                    let phase_us = phase_us + shift;
                    let mut instant = ((ready_us - phase_us) / period_us).ceil() as i64;
                    // The queue is served in order.
                    instant = instant.max(last_instant);
                    while random.uniform() < self.again {
                        instant += 1;
                    }
                    ahead = if instant == last_instant { ahead + 1 } else { 0 };
                    last_instant = instant;
                    host_us = phase_us + instant as f64 * period_us + f64::from(ahead) * self.air_us;
                }
                // The stack hands over in order, too.
                host_us = (host_us - self.jitter_us * random.uniform().ln()).max(last_us);
                last_us = host_us;
                Arrival::new(device_s, host_us - device_s * 1e6)
            })
            .collect()
    }
}

/// A simulated session as the core sees it, and what it may not see.
pub(crate) struct Session {
    pub(crate) frame: Frame,
    pub(crate) setup: Setup,
    pub(crate) arrivals: Vec<Arrival>,
    pub(crate) simulated: Simulated,
    /// Device seconds that had passed at the counter's zero.
    zero_s: f64,
}

impl Session {
    /// Simulates a scenario whose counters neither wrap nor restart; the arrivals are the first stream's.
    pub(crate) fn simulated(overrides: &str, seed: u64) -> Self {
        let mut scenario = Scenario::from_toml(overrides).expect("the scenario holds together");
        scenario.device.first_tick = Some(0);
        let simulated = simulate(&scenario, seed).expect("the scenario can be simulated");
        let description = &simulated.description;
        let frame = Frame {
            device_origin: 0,
            counts_per_s: description.tick_hz,
            host_origin_ns: scenario.host.origin_ns,
        };
        let mut deliveries = Deliveries::default();
        let behind_us: Vec<f64> = simulated.packets.iter().map(|p| deliveries.observe(p.host_ns)).collect();
        let arrivals: Vec<Arrival> = simulated
            .packets
            .iter()
            .zip(&behind_us)
            .filter(|(packet, _)| packet.stream == 0)
            .map(|(packet, &us)| {
                let tick = packet.tick.expect("packets carry ticks");
                frame.arrival(tick as i64, packet.host_ns).behind(us as f32)
            })
            .collect();
        let setup = Setup {
            prior: Prior {
                rate_ppm: 0.0,
                rate_half_width_ppm: description.tolerance_ppm + 50.0,
                depth_us: 200_000.0,
            },
            resolution_us: description.resolution_ns / 1e3 + 1e6 / description.tick_hz,
            device_step_us: 1e6 / description.tick_hz,
            fixed_delay: description
                .fixed_delay_ms
                .zip(description.fixed_delay_u_ms)
                .map(|(ms, u_ms)| Shift { us: ms * 1e3, u_us: u_ms * 1e3 }),
            interval_us: description.connection_interval_ms.map(|ms| ms * 1e3),
            period_s: scenario.streams[0].packet_period_ms() / 1e3,
        };
        // Ticks are rounded down, some of them by next to nothing.
        let truth = &simulated.truth;
        let rows = simulated.packets.iter().zip(&truth.first_sample_s);
        let zero_s = arrivals
            .iter()
            .map(|a: &Arrival| a.device_s)
            .zip(rows.filter(|(packet, _)| packet.stream == 0).map(|(_, host_s)| host_s))
            .map(|(device_s, host_s)| truth.clock.device_at_host(*host_s) - device_s)
            .fold(f64::INFINITY, f64::min);
        Self { frame, setup, arrivals, simulated, zero_s }
    }

    /// The markers, believed as far as they scatter.
    pub(crate) fn markers(&self) -> Vec<SyncPair> {
        let seen = || self.simulated.markers.iter().map(|m| (m.host_ns, m.tick as i64));
        let half_width_us = marker_half_width_us(&self.frame, seen());
        let resolution_us = self.setup.resolution_us;
        seen()
            .map(|(ns, tick)| SyncPair::of_marker(&self.frame, resolution_us, half_width_us, ns, tick))
            .collect()
    }

    /// The residual of the clocks themselves at a device time, µs.
    pub(crate) fn clock_us(&self, device_s: f64) -> f64 {
        (self.simulated.truth.clock.host_at_device(device_s + self.zero_s) - device_s) * 1e6
    }

    /// The residual of a packet that arrives at the soonest, µs.
    pub(crate) fn soonest_us(&self, device_s: f64) -> f64 {
        self.clock_us(device_s) + self.simulated.truth.fixed_delay_ms[0] * 1e3
    }
}
