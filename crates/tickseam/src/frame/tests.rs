#![allow(clippy::arithmetic_side_effects, reason = "a test's numbers are small")]
extern crate std;
use super::*;

const DAY_NS: i64 = 86_400_000_000_000;

fn frame(counts_per_s: f64) -> Frame {
    Frame { device_origin: 5_000_000_000, counts_per_s, host_origin_ns: 1_700_000_000_000_000_123 }
}

#[test]
fn host_time_survives_the_way_through_the_frame_within_a_nanosecond_over_a_hundred_days() {
    for counts_per_s in [250.0, 32_768.0, 1e6] {
        let frame = frame(counts_per_s);
        for day in -100..=100_i64 {
            for odd_ns in [0, 1, 499_999_999, 86_399_999_999_999] {
                let host_ns = frame.host_origin_ns + day * DAY_NS + odd_ns;
                let count = frame.device_origin + (day * 86_400) * 250 + 7;
                let device_s = frame.device_s(count);
                let back_ns = frame.host_ns(device_s, frame.residual_us(host_ns, device_s));
                // Half a spacing of f64 at 100 days in µs is 0.5 ns; the sums round once more.
                assert!((back_ns - host_ns).abs() <= 1, "{counts_per_s} Hz, day {day}: {back_ns} {host_ns}");
            }
        }
    }
}

#[test]
fn a_device_count_survives_the_way_through_the_frame() {
    for counts_per_s in [250.0, 32_768.0, 1e6] {
        let frame = frame(counts_per_s);
        for count in [0, 1, 4_999_999_999, 5_000_000_000, 5_000_000_001, 8_640_000_000_000] {
            assert_eq!(frame.count(frame.device_s(count)), count);
        }
    }
}

#[test]
fn the_residual_grows_where_the_host_counts_more_than_the_device() {
    let frame = Frame { device_origin: 1_000, counts_per_s: 500.0, host_origin_ns: 77 };
    // 500 counts are one device second, in which the host counted one second and 25 µs.
    let arrival = frame.arrival(1_500, 77 + 1_000_025_000);
    assert_eq!(arrival.device_s, 1.0);
    assert!((arrival.residual_us - 25.0).abs() < 1e-9);
}

#[test]
fn a_constant_on_the_host_clock_is_absorbed_by_the_frame_to_the_bit() {
    let frame = frame(32_768.0);
    let shifted = Frame { host_origin_ns: frame.host_origin_ns + 123_456_789_012_345, ..frame };
    for i in 0..1_000_i64 {
        let (count, host_ns) = (frame.device_origin + 655 * i, frame.host_origin_ns + 19_999_731 * i);
        assert_eq!(frame.arrival(count, host_ns), shifted.arrival(count, host_ns + 123_456_789_012_345));
    }
}

#[test]
fn the_device_time_of_a_host_time_is_found_at_rates_within_one_percent() {
    let frame = frame(250.0);
    for rate_ppm in [-10_000.0, -50.0, 0.0, 10_000.0] {
        let residual_us = |device_s: f64| 3_000.0 + rate_ppm * device_s;
        for device_s in [0.0, 12.345, 3_600.0, 28_800.0] {
            let host_ns = frame.host_ns(device_s, residual_us(device_s));
            let found_s = frame.device_s_at(host_ns, 0.0, residual_us);
            // Each round leaves a hundredth of the one before, of 288 s at first.
            let allowed_s = 1e-9 + 1e-8 * device_s;
            assert!((found_s - device_s).abs() <= allowed_s, "{rate_ppm} ppm, {device_s} s: {found_s}");
        }
    }
}

#[test]
fn counts_and_stamps_at_the_ends_of_their_range_are_answered() {
    let frame = Frame { device_origin: i64::MIN, counts_per_s: 1.0, host_origin_ns: i64::MIN };
    assert!(frame.device_s(i64::MAX) > 1.8e19);
    assert!(frame.host_us(i64::MAX) > 1.8e16);
    let frame = Frame { host_origin_ns: 0, ..frame };
    assert_eq!((frame.host_ns(1e300, 0.0), frame.host_ns(-1e300, 0.0)), (i64::MAX, i64::MIN));
    let frame = Frame { device_origin: 0, ..frame };
    assert_eq!((frame.count(1e300), frame.count(-1e300)), (i64::MAX, i64::MIN));
}
