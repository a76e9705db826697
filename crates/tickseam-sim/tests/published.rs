//! The simulator's constants against published values.

use tickseam_sim::air::{
    NOTIFICATION_OVERHEAD_OCTETS, Phy, exchange_us, fragments_octets, packet_duration_us, window_widening_us,
};
use tickseam_sim::scenario::{DeviceScenario, Temperature, TrialsScenario};
use tickseam_sim::{Scenario, simulate, tuning_fork_ppm};

// Bluetooth Core Specification, Vol 6 Part B 2.1, 2.2, 2.4: durations computed from the packet format.
#[test]
fn packets_last_as_long_on_the_air_as_the_specification_says() {
    let table = include_str!("check-values/ble-packet-duration.csv");
    let mut rows = 0;
    for line in table.lines().filter(|line| !line.starts_with('#') && !line.starts_with("phy,")) {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |place: usize| fields[place].parse::<u32>().unwrap();
        let phy = match fields[0] {
            "1M" => Phy::Le1M,
            "2M" => Phy::Le2M,
            "coded_s2" => Phy::CodedS2,
            "coded_s8" => Phy::CodedS8,
            other => panic!("a PHY that the table did not have: {other}"),
        };
        assert_eq!(packet_duration_us(phy, number(1), number(2)), number(4), "{line}");
        rows += 1;
    }
    assert_eq!(rows, 20);
}

// Data packet, T_IFS, empty reply, T_IFS (Vol 6 Part B 4.1.1); the count per interval ignores scheduling margins.
#[test]
fn exchanges_take_their_time_from_an_event() {
    for (phy, payload_octets, mic_octets, interval_us, expected_us, expected_count) in [
        (Phy::Le1M, 27, 0, 7_500, 676, 11),
        (Phy::Le1M, 251, 0, 7_500, 2_468, 3),
        (Phy::Le2M, 251, 0, 7_500, 1_392, 5),
        (Phy::Le1M, 251, 4, 15_000, 2_500, 6),
        (Phy::CodedS8, 251, 0, 30_000, 17_804, 1),
    ] {
        assert_eq!(exchange_us(phy, payload_octets, mic_octets), expected_us);
        assert_eq!(interval_us / exchange_us(phy, payload_octets, mic_octets), expected_count);
    }
}

// Vol 6 Part B 4.2.4 with the instantaneous deviation of 4.2.2; the last is a vendor's printed "2 * (16 + 16 + 250 + 250)".
#[test]
fn the_window_is_widened_by_both_sleep_clocks() {
    for (central_ppm, peripheral_ppm, since_anchor_us, expected_us) in [
        (50.0, 50.0, 1e6, 132.0),
        (250.0, 250.0, 1e6, 532.0),
        (20.0, 20.0, 7_500.0, 32.3),
        (500.0, 500.0, 4e6, 4_032.0),
        (50.0, 20.0, 150_000.0, 42.5),
    ] {
        let widening_us = window_widening_us(central_ppm, peripheral_ppm, since_anchor_us);
        assert!((widening_us - expected_us).abs() < 1e-9, "{widening_us} for {expected_us}");
    }
    assert!((2.0 * window_widening_us(250.0, 250.0, 1e6) - 1_064.0).abs() < 1e-9);
}

// Vol 3 Part F 3.4.7.1 and Vol 3 Part A 3.1: 20 octets of value fill a payload of 27, 244 one of 251.
#[test]
fn a_notification_is_cut_where_the_payload_ends() {
    assert_eq!(NOTIFICATION_OVERHEAD_OCTETS, 7);
    assert_eq!(fragments_octets(20, 27), [27]);
    assert_eq!(fragments_octets(21, 27), [27, 1]);
    assert_eq!(fragments_octets(244, 251), [251]);
    assert_eq!(fragments_octets(245, 251), [251, 1]);
}

// k = -0.034 ppm/°C² about 25 °C is quoted in public firmwares; the last row is the worked example printed in a
// datasheet (CTS TF20 series).
#[test]
fn a_tuning_fork_follows_its_parabola() {
    for (k, turnover_c, temperature_c, expected_ppm) in [
        (-0.034, 25.0, 20.0, -0.85),
        (-0.034, 25.0, 33.0, -2.176),
        (-0.035, 25.0, 20.0, -0.875),
        (-0.035, 25.0, 33.0, -2.24),
        (-0.0436, 20.0, 33.0, -7.3684),
        (-0.0264, 30.0, 20.0, -2.64),
        (-0.034, 25.0, -10.0, -41.65),
        (-0.030, 25.0, 45.0, -12.0),
    ] {
        let ppm = tuning_fork_ppm(k, turnover_c, temperature_c);
        assert!((ppm - expected_ppm).abs() < 1e-9, "{ppm} ppm, expected {expected_ppm}");
    }
}

// Integral of k (T - T0)² while T goes from 20 to 33 °C with a time constant of 600 s: closed form, and confirmed by
// quadrature outside this project's code.
#[test]
fn a_warming_crystal_accumulates_the_time_error_of_the_closed_form() {
    let scenario = Scenario {
        duration_s: 3700.0,
        device: DeviceScenario {
            offset_ppm: 0.0,
            warm_up_ppm: 0.0,
            random_walk_per_sqrt_s: 0.0,
            temperature: Some(Temperature {
                k_ppm_per_c2: -0.034,
                turnover_c: 25.0,
                from_c: 20.0,
                to_c: 33.0,
                tau_s: 600.0,
            }),
            ..DeviceScenario::default()
        },
        trials: TrialsScenario { stimuli: Vec::new(), ..TrialsScenario::default() },
        ..Scenario::default()
    };
    let clock = simulate(&scenario, 1).unwrap().truth.clock;
    for (at_s, expected_us) in [
        (60.0, -39.238060054358535),
        (600.0, -113.895_083_535_391_1),
        (1800.0, -1604.3836154963828),
        (3600.0, -5324.707249842776),
    ] {
        let error_us = (clock.device_at_host(at_s) - at_s) * 1e6;
        assert!((error_us - expected_us).abs() < 1e-4, "{error_us} us, expected {expected_us}");
    }
}
