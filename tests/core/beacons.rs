//! A network that hands packets over at its beacons: what it holds back is ready much later than what it sends on at once, now and then.
//!
//! The shape is that of a hardware capture (`esp-udp` of wireless-bench: beacons 102.4 ms apart, six packets of a thousand that did not wait
//! for them and came up to 13 ms sooner); the numbers here are drawn, and most are not that capture's.

use tickseam::block::Arrival;
use tickseam::live::Live;
use tickseam::placement::Shift;
use tickseam::replay::{Stage, known_at, replay, stages_needed};
use tickseam::select::envelope_line;
use tickseam::setup::Setup;
use tickseam_tests::Random;

const BEACON_US: f64 = 102_400.0;
/// The least time from a sample to its packet's stamp, µs.
const LEAST_US: f64 = 9_000.0;

#[derive(Clone, Copy)]
struct Network {
    period_s: f64,
    packets: u32,
    /// Share of the packets that are sent on at once.
    at_once: f64,
    /// How much later those are ready that wait for a beacon, at the least and on the mean beyond that, µs.
    held_us: (f64, f64),
}

impl Network {
    /// Arrivals, and the clock: its offset, µs, and rate, ppm.
    fn drawn(&self, seed: u64) -> (Vec<Arrival>, f64, f64) {
        let mut random = Random::seeded(seed);
        let (rate_ppm, offset_us) = (60.0 * random.uniform() - 30.0, BEACON_US * random.uniform());
        let mut exponential = |mean_us: f64| -mean_us * random.uniform().ln();
        let packet = |number: u32| {
            let device_s = f64::from(number) * self.period_s;
            let soonest_us = device_s * 1e6 + rate_ppm * device_s + offset_us + LEAST_US;
            let at_once = exponential(1.0) < -(1.0 - self.at_once).ln();
            let host_us = if at_once {
                soonest_us + exponential(5_000.0)
            } else {
                let ready_us = soonest_us + self.held_us.0 + exponential(self.held_us.1);
                (ready_us / BEACON_US).ceil() * BEACON_US + exponential(1_200.0)
            };
            Arrival::new(device_s, host_us - device_s * 1e6)
        };
        ((0..self.packets).map(packet).collect(), offset_us + LEAST_US, rate_ppm)
    }

    /// Share of the packets' instants that the interval holds, replayed and live.
    fn held(&self, seed: u64) -> (f64, f64) {
        let (arrivals, offset_us, rate_ppm) = self.drawn(seed);
        let fixed_delay = Some(Shift { us: LEAST_US, u_us: 0.0 });
        let setup = Setup { fixed_delay, ..Setup::new(50.0, self.period_s) };
        let line = envelope_line(arrivals.iter().copied()).unwrap().working();
        let span_s = f64::from(self.packets) * self.period_s;
        let mut stages = vec![Stage::empty(); stages_needed(arrivals.len(), 0, span_s)];
        let report = replay(&arrivals, &[], line, &setup, &mut stages);
        stages.truncate(report.stages);
        let mut live = Live::new(setup);
        let (mut replayed, mut online) = (0_u32, 0_u32);
        for arrival in &arrivals {
            live.observe(*arrival);
            let at_s = arrival.device_s;
            let truth_us = offset_us + rate_ppm * at_s;
            let holds = |knot: tickseam::placement::Knot| {
                u32::from((knot.offset_us - truth_us).abs() <= knot.half_width_us())
            };
            replayed +=
                known_at(&stages, at_s, report.curvature_ppm_per_s).map_or(0, |(knot, _)| holds(knot));
            online += live.known_at(at_s).map_or(0, |(knot, _)| holds(knot));
        }
        let share = |held: u32| f64::from(held) / f64::from(self.packets);
        (share(replayed), share(online))
    }
}

#[test]
fn packets_that_did_not_wait_for_a_beacon_tell_how_late_the_others_were_ready() {
    let network = Network { period_s: 0.3, packets: 1_000, at_once: 0.006, held_us: (13_000.0, 4_000.0) };
    for (network, live_least) in [
        (network, 0.95),
        (Network { held_us: (13_000.0, 1_000.0), ..network }, 0.95),
        (Network { at_once: 0.03, ..network }, 0.99),
        (Network { period_s: 0.25, at_once: 0.01, held_us: (5_000.0, 2_000.0), ..network }, 0.99),
        (Network { period_s: 0.1, at_once: 0.01, ..network }, 0.99),
        (Network { packets: 500, at_once: 0.01, ..network }, 0.99),
        (Network { period_s: 0.25, packets: 3_000, at_once: 0.01, ..network }, 0.97),
    ] {
        let (mut replayed, mut live, mut bad) = (0.0, 0.0, 0);
        for seed in 1..=20 {
            let (held, held_live) = network.held(seed);
            (replayed, live) = (replayed + held / 20.0, live + held_live / 20.0);
            bad += u32::from(held < 0.95);
        }
        let Network { period_s, at_once, .. } = network;
        println!(
            "each {period_s} s, {at_once} at once: {:.2} % replayed, {:.2} % live",
            replayed * 100.0,
            live * 100.0
        );
        // One recording of twenty is known to miss, some of them all along; why has not been traced.
        assert!(bad <= 1, "each {period_s} s, {at_once} at once: {bad} of 20 below 95 %, {replayed} of all");
        assert!(live > live_least, "each {period_s} s, {at_once} at once: {live} live");
    }
}
