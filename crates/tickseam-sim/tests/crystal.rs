//! The simulated crystal drifts as its formulas say.

use tickseam_sim::scenario::RateStep;
use tickseam_sim::{Scenario, TrueClock, simulate};

fn still(duration_s: f64) -> Scenario {
    let mut scenario = Scenario { duration_s, ..Scenario::default() };
    scenario.device.offset_ppm = 0.0;
    scenario.device.warm_up_ppm = 0.0;
    scenario.device.random_walk_per_sqrt_s = 0.0;
    // Few packets: the crystal is all that counts here.
    scenario.streams[0].samples_per_packet = 250;
    scenario
}

fn clock(scenario: &Scenario, seed: u64) -> TrueClock {
    simulate(scenario, seed).unwrap().truth.clock
}

// The integral of A exp(-t/tau) is A tau (1 - exp(-t/tau)).
#[test]
fn a_warm_up_gains_its_amplitude_times_its_time_constant() {
    let mut scenario = still(3600.0);
    scenario.device.offset_ppm = -10.0;
    scenario.device.warm_up_ppm = 9.0;
    scenario.device.warm_up_tau_s = 600.0;
    let clock = clock(&scenario, 1);
    for at_s in [60.0_f64, 600.0, 3000.0] {
        let expected_us = -10.0 * at_s + 9.0 * 600.0 * (1.0 - (-at_s / 600.0).exp());
        let gained_us = (clock.device_at_host(at_s) - at_s) * 1e6;
        assert!((gained_us - expected_us).abs() < 1e-4, "{gained_us} us, expected {expected_us}");
    }
    assert!((clock.drift_ppm(0.0) + 1.0).abs() < 0.01);
}

#[test]
fn a_rate_step_comes_when_it_is_due() {
    for (tau_s, after_60_s_ppm) in [(0.0, 4.0), (60.0, 4.0 * (1.0 - (-1.0_f64).exp()))] {
        let mut scenario = still(600.0);
        scenario.device.rate_step = Some(RateStep { at_s: 300.0, ppm: 4.0, tau_s });
        let clock = clock(&scenario, 1);
        assert!(clock.drift_ppm(299.0).abs() < 1e-6);
        let drift_ppm = clock.drift_ppm(360.0);
        assert!((drift_ppm - after_60_s_ppm).abs() < 0.02, "{drift_ppm}");
    }
}

// A random walk of frequency with q per sqrt(s) has moved by q sqrt(t), one standard deviation, after t seconds.
#[test]
fn a_random_walk_spreads_with_the_root_of_time() {
    let mut scenario = still(1000.0);
    scenario.device.random_walk_per_sqrt_s = 5e-9;
    let drifts: Vec<f64> = (0..400).map(|seed| clock(&scenario, seed).drift_ppm(900.0)).collect();
    let deviation = (drifts.iter().map(|drift| drift * drift).sum::<f64>() / 400.0).sqrt();
    let expected_ppm = 5e-3 * 30.0;
    // Five standard errors at 400 draws.
    assert!((deviation / expected_ppm - 1.0).abs() < 0.18, "{deviation} ppm, expected {expected_ppm}");
}

#[test]
fn both_directions_of_the_clock_agree() {
    let mut scenario = still(3600.0);
    scenario.device.offset_ppm = 10_000.0;
    scenario.device.tolerance_ppm = 20_000.0;
    scenario.device.random_walk_per_sqrt_s = 1e-7;
    let clock = clock(&scenario, 3);
    for step in 0..7200 {
        let host_s = f64::from(step) * 0.5 + 0.123;
        let back_s = clock.host_at_device(clock.device_at_host(host_s));
        assert!((back_s - host_s).abs() < 2e-12 * 3600.0, "{host_s} came back as {back_s}");
    }
}
