#![allow(clippy::arithmetic_side_effects, reason = "a test's numbers are small")]
extern crate std;
use super::*;

const DAY_S: i64 = 86_400;

fn map(rate_ppm: f64) -> ClockMap {
    ClockMap {
        frame: Frame {
            device_origin: 40_000,
            counts_per_s: 32_768.0,
            host_origin_ns: 1_700_000_000_000_000_000,
        },
        at_s: 900.0,
        offset_us: -1_234.5,
        rate_ppm,
        u_offset_us: 40.0,
        u_rate_ppm: 0.2,
        covariance: -5.0,
        half_width_us: 120.0,
        growth_ppm: 0.6,
        curvature_ppm_per_s: 2e-3,
        valid_from_s: 0.0,
        valid_to_s: 1_800.0,
    }
}

/// A map whose device is the host of the others, in nanoseconds.
fn onward() -> ClockMap {
    ClockMap {
        frame: Frame { device_origin: 1_700_000_000_500_000_000, counts_per_s: 1e9, host_origin_ns: 12_000 },
        at_s: 1_000.0,
        offset_us: 987_654.3,
        rate_ppm: 14.0,
        u_offset_us: 300.0,
        u_rate_ppm: 0.4,
        covariance: 12.0,
        half_width_us: 800.0,
        growth_ppm: 1.1,
        curvature_ppm_per_s: 5e-4,
        valid_from_s: 0.0,
        valid_to_s: 4_000.0,
    }
}

#[test]
fn host_to_device_and_back_is_the_same_to_the_step_of_a_float_over_a_hundred_days() {
    for rate_ppm in [-50.0, -0.01, 0.0, 25.0, 80.0] {
        let map = map(rate_ppm);
        for day in -100..=100_i64 {
            let count = map.frame.device_origin + day * DAY_S * 32_768 + 11;
            let device_s = map.frame.device_s(count);
            let there = map.host_at(count);
            let back = map.device_at(there.host_ns);
            // Device seconds have steps of 0.9 ns up to 48 days (2^22 s), of 1.9 ns up to 97 and beyond.
            let step_ns = if day.abs() < 48 { 1 } else { 2 };
            assert!((back.device_s - device_s).abs() <= 2e-9, "day {day}: {} {device_s}", back.device_s);
            let again = map.frame.host_ns(back.device_s, map.residual_us(back.device_s));
            assert!((again - there.host_ns).abs() <= step_ns, "day {day}: {again} {}", there.host_ns);
            assert_eq!(map.frame.count(back.device_s), count);
        }
    }
}

#[test]
fn positive_drift_means_that_the_headset_runs_fast_against_the_phone() {
    // In 1 000 000 phone seconds the headset counts 1 000 025.
    let counted = 1_000_025.0;
    let rate_ppm = (1_000_000.0 / counted - 1.0) * 1e6;
    let map = ClockMap { offset_us: 0.0, at_s: 0.0, ..map(rate_ppm) };
    assert!((map.drift_ppm() - 25.0).abs() < 1e-6, "{}", map.drift_ppm());
    let origin_ns = map.frame.host_origin_ns;
    let later = map.device_at(origin_ns + 1_000_000_000_000_000);
    assert!((later.device_s - counted).abs() < 1e-6, "{}", later.device_s);
    assert!(
        map.host_at(map.frame.device_origin + 32_768 * 1_000_025).host_ns - origin_ns >= 999_999_999_999_000
    );
}

#[test]
fn a_chain_of_two_maps_is_one_conversion_after_the_other() {
    for rate_ppm in [-50.0, 0.0, 30.0] {
        let (first, second) = (map(rate_ppm), onward());
        let chained = first.chain(&second);
        let expected_rate = (1.0 + rate_ppm * 1e-6) * (1.0 + 14e-6) - 1.0;
        assert!((chained.rate_ppm - expected_rate * 1e6).abs() < 1e-9);
        for s in [-3_600_i64, 0, 1, 900, 1_800, 7_200, DAY_S] {
            let count = first.frame.device_origin + 32_768 * s + 5;
            let two_steps_ns = second.host_at(first.host_at(count).host_ns).host_ns;
            let one_step = chained.host_at(count);
            assert!(
                (one_step.host_ns - two_steps_ns).abs() <= 1_000,
                "{s} s: {} {two_steps_ns}",
                one_step.host_ns
            );
            let back = chained.device_at(one_step.host_ns);
            assert!((back.device_s - first.frame.device_s(count)).abs() <= 2e-9);
        }
    }
}

#[test]
fn a_chain_promises_no_more_than_either_part() {
    let (first, second) = (map(-50.0), onward());
    let chained = first.chain(&second);
    for s in [-3_600_i64, 0, 1, 900, 1_800, 7_200, DAY_S] {
        let count = first.frame.device_origin + 32_768 * s;
        let (one, middle) = (chained.host_at(count), first.host_at(count));
        let last = second.host_at(middle.host_ns);
        // 14 ppm between the two hosts' microseconds.
        let less = 1.0 - 20e-6;
        assert!(one.u95_us >= less * middle.u95_us && one.u95_us >= less * last.u95_us, "{s} s: {one:?}");
        assert!(one.u95_us >= less * less * (middle.u95_us + last.u95_us - 1.0), "{s} s: {one:?}");
        assert!(one.u_us >= less * middle.u_us, "{s} s: {one:?} {middle:?}");
    }
    // At the centre the parts are independent: variances add, by hand. The other map is 99.499 s away there.
    let count = first.frame.device_origin + 32_768 * 900;
    let dx = 900.0 - 0.5 - 0.001_234_5 - 1_000.0;
    let onward_variance =
        300.0 * 300.0 + dx * (2.0 * 12.0 + dx * 0.16) + (5e-4 * dx * dx / 2.0_f64).powi(2) / 3.0;
    let want = (40.0 * 40.0 + onward_variance).sqrt();
    let got = chained.host_at(count).u_us;
    // The rate of −50 ppm shifts the middle by 45 µs, which is nothing here.
    assert!((got - want).abs() < 1e-3 * want, "{got} {want}");
}

#[test]
fn age_counts_from_the_stretch_that_observations_stand_behind() {
    let map = map(0.0);
    assert_eq!(map.age_s(-7.5), 7.5);
    assert_eq!(map.age_s(0.0), 0.0);
    assert_eq!(map.age_s(1_000.0), 0.0);
    assert_eq!(map.age_s(1_800.0), 0.0);
    assert_eq!(map.age_s(2_100.0), 300.0);
}

#[test]
fn uncertainty_is_least_at_the_centre_and_grows_with_distance() {
    let map = map(0.0);
    assert_eq!(map.u95_us(900.0), 120.0);
    // 0.6 ppm over 100 s, and half of 0.002 ppm/s times 100² s².
    assert!((map.u95_us(1_000.0) - (120.0 + 60.0 + 10.0)).abs() < 1e-9);
    assert_eq!(map.u95_us(800.0), map.u95_us(1_000.0));
    // 40² + 2 · 100 · (−5) + 100² · 0.04 and a rectangle of half-width 10.
    let want = (1_600.0 - 1_000.0 + 400.0 + 100.0 / 3.0_f64).sqrt();
    assert!((map.u_us(1_000.0) - want).abs() < 1e-9, "{} {want}", map.u_us(1_000.0));
    let mut before = 0.0;
    for step in 0..100_u32 {
        let wide = map.u95_us(900.0 + 50.0 * f64::from(step));
        assert!(wide > before);
        before = wide;
    }
}

#[test]
fn device_uncertainty_is_the_host_one_in_device_microseconds() {
    let map = map(10_000.0);
    let there = map.host_at(map.frame.device_origin + 32_768 * 1_000);
    let back = map.device_at(there.host_ns);
    assert!((back.u95_us * 1.01 - there.u95_us).abs() < 1e-6);
    assert!((back.u_us * 1.01 - there.u_us).abs() < 1e-6);
}

#[test]
fn an_inverted_map_gives_the_way_back_with_its_uncertainty() {
    let map = ClockMap {
        frame: Frame { device_origin: 77, counts_per_s: 32_768.0, host_origin_ns: 5_000_000_000 },
        at_s: 100.0,
        offset_us: 1_500.0,
        rate_ppm: 5_000.0,
        u_offset_us: 10.0,
        u_rate_ppm: 1.0,
        covariance: 2.0,
        half_width_us: 30.0,
        growth_ppm: 3.0,
        curvature_ppm_per_s: 0.01,
        valid_from_s: 0.0,
        valid_to_s: 100.0,
    };
    let inverted = map.inverted();
    for device_s in [0.0, 55.5, 100.0, 400.0] {
        let host = map.host_at_s(device_s);
        let back = inverted.host_at(host.host_ns);
        assert!((crate::number::float(back.host_ns) - device_s * 1e9).abs() <= 2.0, "{back:?}");
        let direct = map.device_at(host.host_ns);
        assert!((back.u95_us - direct.u95_us).abs() < 1e-6 * direct.u95_us, "{back:?} {direct:?}");
        assert!((back.u_us - direct.u_us).abs() < 1e-6 * direct.u_us, "{back:?} {direct:?}");
        assert!(
            (inverted.age_s(inverted.frame.device_s(host.host_ns)) - map.age_s(device_s) * 1.005).abs()
                < 1e-6
        );
    }
    let twice = inverted.inverted();
    assert!((twice.rate_ppm - map.rate_ppm).abs() < 1e-9 && (twice.offset_us - map.offset_us).abs() < 1e-9);
}
