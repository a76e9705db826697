//! The closed form of the beat against what the simulator does.

use tickseam_sim::beat::Beat;
use tickseam_sim::scenario::{DeviceScenario, HostScenario, LinkScenario, StreamScenario};
use tickseam_sim::{Scenario, Simulated, simulate};

const RATE_HZ: f64 = 250.0;

fn scenario(samples_per_packet: u32, dither_samples: u32, interval_ms: f64, drift_ppm: f64) -> Scenario {
    Scenario {
        duration_s: 600.0,
        device: DeviceScenario {
            offset_ppm: drift_ppm,
            warm_up_ppm: 0.0,
            random_walk_per_sqrt_s: 0.0,
            ..DeviceScenario::default()
        },
        host: HostScenario { stack_delay_ms: 0.0, ..HostScenario::default() },
        link: LinkScenario { error_rate: 0.0, interval_ms, ..LinkScenario::default() },
        streams: vec![StreamScenario {
            rate_hz: RATE_HZ,
            samples_per_packet,
            dither_samples,
            value_octets: 20,
            ..StreamScenario::default()
        }],
        ..Scenario::default()
    }
}

/// Second of the first sample and wait beyond the fixed delay, in milliseconds, of every packet.
fn waits(scenario: &Scenario, session: &Simulated) -> Vec<(f64, f64)> {
    let usual = f64::from(scenario.streams[0].samples_per_packet);
    session
        .packets
        .iter()
        .zip(&session.truth.first_sample_s)
        .map(|(packet, &first_s)| {
            let stamp_ms = (packet.host_ns - scenario.host.origin_ns) as f64 * 1e-6;
            let longer_ms = (f64::from(packet.samples) - usual) / RATE_HZ * 1e3;
            (first_s, stamp_ms - first_s * 1e3 - session.truth.fixed_delay_ms[0] - longer_ms)
        })
        .collect()
}

// Closed form derived in the documentation of `tickseam_sim::beat`; simulated without repeats and delays, which it leaves out.
#[test]
fn the_shortest_wait_of_q_packets_is_the_saw_tooth_that_the_closed_form_says() {
    let (mut compared, mut slipped) = (0, 0);
    for samples_per_packet in [5, 8, 10, 12, 15] {
        for interval_ms in [7.5, 11.25, 15.0, 20.0, 30.0] {
            if f64::from(samples_per_packet) / RATE_HZ * 1e3 < interval_ms {
                continue;
            }
            for drift_ppm in [-40.0, 3.0, 25.0] {
                let scenario = scenario(samples_per_packet, 0, interval_ms, drift_ppm);
                let session = simulate(&scenario, u64::from(samples_per_packet)).unwrap();
                let beat = Beat::of_scenario(&scenario);
                let waits = waits(&scenario, &session);
                let windows: Vec<(f64, f64)> = waits
                    .chunks_exact(beat.phases as usize)
                    .filter_map(|window| window.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1)))
                    .collect();
                let (first_s, first_ms) = windows[0];
                assert!(
                    first_ms < beat.divisor_ms,
                    "{samples_per_packet} samples, {interval_ms} ms: {first_ms}"
                );
                // How far the clocks move while q packets pass, twice: the least of them may come first or last.
                let window_ms = waits[beat.phases as usize].0 - waits[0].0;
                let slack_ms = 2.0 * drift_ppm.abs() * 1e-3 * window_ms + 1e-4;
                let mut before_ms = first_ms;
                for &(at_s, wait_ms) in &windows {
                    let said_ms = beat.shortest_wait_ms(first_ms, drift_ppm, at_s - first_s);
                    let apart_ms = (wait_ms - said_ms).abs();
                    // At a slip one of the two may have jumped already.
                    let apart_ms = apart_ms.min((apart_ms - beat.divisor_ms).abs());
                    assert!(
                        apart_ms < slack_ms,
                        "{samples_per_packet} samples, {interval_ms} ms, {drift_ppm} ppm at {at_s} s: {wait_ms} for {said_ms}"
                    );
                    slipped += usize::from((wait_ms - before_ms).abs() > beat.divisor_ms / 2.0);
                    before_ms = wait_ms;
                    compared += 1;
                }
                let slips = 600.0 / beat.slip_period_s(drift_ppm);
                assert!((session.statistics.slips - slips).abs() < 0.01 * slips + 0.01);
            }
        }
    }
    assert!(compared > 10_000 && slipped > 100, "{compared} windows with {slipped} slips are too few");
}

// 250 Hz × 10 with 30 ms: 10 ms without dither and 2 ms with, as an independent simulation had it.
#[test]
fn dither_lets_packets_take_every_phase_that_one_sample_reaches() {
    for (dither_samples, expected_ms) in [(0, 10.0), (1, 2.0)] {
        let scenario = scenario(10, dither_samples, 30.0, 0.0);
        let beat = Beat::of_scenario(&scenario);
        assert!((beat.divisor_ms - expected_ms).abs() < 1e-9);
        let session = simulate(&scenario, 4).unwrap();
        assert_eq!(session.statistics.beat_ms, Some(beat.divisor_ms));
        let mut phases: Vec<f64> =
            waits(&scenario, &session).iter().map(|(_, wait_ms)| (wait_ms * 1e3).round() / 1e3).collect();
        phases.sort_by(f64::total_cmp);
        phases.dedup_by(|a, b| (*a - *b).abs() < 1e-2);
        assert_eq!(phases.len(), beat.phases as usize, "{phases:?}");
        assert!(phases[0] >= 0.0 && phases[0] < expected_ms);
    }
}

#[test]
fn dithered_packets_hold_what_the_counter_says_and_no_sample_twice() {
    let scenario = scenario(10, 2, 15.0, 0.0);
    let session = simulate(&scenario, 1).unwrap();
    let mut sizes = [0_u32; 16];
    for pair in session.packets.windows(2) {
        let ticks = pair[1].tick.unwrap().wrapping_sub(pair[0].tick.unwrap()) & u64::from(u32::MAX);
        let expected = f64::from(pair[0].samples) / RATE_HZ * 32_768.0;
        assert!((ticks as f64 - expected).abs() <= 1.0);
        sizes[pair[0].samples as usize] += 1;
    }
    assert!(sizes[8..=12].iter().all(|&count| count > 100), "{sizes:?}");
    assert_eq!(sizes.iter().sum::<u32>(), sizes[8..=12].iter().sum::<u32>());
}

#[test]
fn before_a_slip_the_middle_of_what_is_possible_is_wrong_by_half_a_beat_at_most() {
    let beat = Beat::new(250.0, 10, 0, 30.0);
    assert_eq!((beat.divisor_ms, beat.phases), (10.0, 3));
    assert!((beat.slip_period_s(25.0) - 400.0).abs() < 1e-9);
    assert_eq!(beat.slip_period_s(-25.0), beat.slip_period_s(25.0));
    assert!((beat.slip_probability(25.0, 300.0) - 0.75).abs() < 1e-12);
    assert_eq!(beat.slip_probability(25.0, 500.0), 1.0);
    assert!((beat.error_p95_before_slip_ms() - 4.75).abs() < 1e-12);
}
