//! Exchanges and markers bound the clock whatever the asymmetry, the rounding and the rates.

use proptest::prelude::*;
use tickseam::frame::Frame;
use tickseam::pair::SyncPair;

use crate::regions::fixed;

/// Two clocks: the host's in seconds since its origin for a device second, and both as they are read.
#[derive(Clone, Copy, Debug)]
struct Clocks {
    counts_per_s: f64,
    rate_ppm: f64,
    offset_s: f64,
    resolution_ns: i64,
}

const HOST_ORIGIN_NS: i64 = 1_700_000_000_000_000_000;
const DEVICE_ORIGIN: i64 = 123_456;

impl Clocks {
    fn frame(&self) -> Frame {
        Frame {
            device_origin: DEVICE_ORIGIN,
            counts_per_s: self.counts_per_s,
            host_origin_ns: HOST_ORIGIN_NS,
        }
    }

    fn residual_us(&self, device_s: f64) -> f64 {
        self.offset_s * 1e6 + self.rate_ppm * device_s
    }

    fn device_s(&self, host_s: f64) -> f64 {
        (host_s - self.offset_s) / (1.0 + self.rate_ppm * 1e-6)
    }

    /// The device's counter, rounded down.
    fn count(&self, host_s: f64) -> i64 {
        DEVICE_ORIGIN + (self.device_s(host_s) * self.counts_per_s).floor() as i64
    }

    /// The host's stamp, rounded down to its step.
    fn stamp_ns(&self, host_s: f64) -> i64 {
        HOST_ORIGIN_NS + ((host_s * 1e9) as i64).div_euclid(self.resolution_ns) * self.resolution_ns
    }
}

fn clocks() -> impl Strategy<Value = Clocks> {
    let counts = prop_oneof![Just(250.0), Just(1_000.0), Just(32_768.0), Just(1e6)];
    let resolution = prop_oneof![Just(1_i64), Just(1_000), Just(1_000_000)];
    (counts, -200.0..200.0_f64, -5.0..5.0_f64, resolution).prop_map(
        |(counts_per_s, rate_ppm, offset_s, resolution_ns)| Clocks {
            counts_per_s,
            rate_ppm,
            offset_s,
            resolution_ns,
        },
    )
}

/// A microsecond count of an hour has steps of half a nanosecond; rates act over a count.
const ROUNDING_US: f64 = 2e-3;

proptest! {
    #![proptest_config(fixed(20_000))]

    #[test]
    fn both_bounds_of_an_exchange_hold_whatever_the_delays(
        clocks in clocks(),
        asked_s in 0.0..3_600.0_f64,
        there_s in prop_oneof![Just(0.0), 0.0..0.5_f64],
        turn_s in prop_oneof![Just(0.0), 0.0..0.1_f64],
        back_s in prop_oneof![Just(0.0), 0.0..0.5_f64],
    ) {
        let (received_s, sent_s) = (asked_s + there_s, asked_s + there_s + turn_s);
        let [request, reply] = SyncPair::of_exchange(
            &clocks.frame(),
            clocks.resolution_ns as f64 / 1e3,
            clocks.stamp_ns(asked_s),
            clocks.count(received_s),
            clocks.count(sent_s),
            clocks.stamp_ns(sent_s + back_s),
        );
        let (low, high) = (request.low_us.unwrap_or(f64::NAN), reply.high_us.unwrap_or(f64::NAN));
        let (low_truth, high_truth) = (clocks.residual_us(request.at_s), clocks.residual_us(reply.at_s));
        // Over one count, the host gains up to 200 ppm of it.
        let tolerance = ROUNDING_US + 200.0 / clocks.counts_per_s;
        prop_assert!(low <= low_truth + tolerance, "{low} above {low_truth}");
        prop_assert!(high >= high_truth - tolerance, "{high} below {high_truth}");
        // And they are no wider than the delays and the steps of both clocks make them.
        let steps_us = 1e6 / clocks.counts_per_s + clocks.resolution_ns as f64 / 1e3;
        prop_assert!(low >= low_truth - there_s * 1e6 - 2.0 * steps_us - 200.0 * there_s - tolerance);
        prop_assert!(high <= high_truth + back_s * 1e6 + 2.0 * steps_us + 200.0 * back_s + tolerance);
    }

    #[test]
    fn a_marker_holds_the_clock_if_it_is_off_by_no_more_than_its_half_width(
        clocks in clocks(),
        at_s in 0.0..3_600.0_f64,
        half_width_us in 1.0..3_000.0_f64,
        share in -1.0..1.0_f64,
    ) {
        let stamped_ns = clocks.stamp_ns(at_s + share * half_width_us * 1e-6);
        let resolution_us = clocks.resolution_ns as f64 / 1e3;
        let pair =
            SyncPair::of_marker(&clocks.frame(), resolution_us, half_width_us, stamped_ns, clocks.count(at_s));
        let truth = clocks.residual_us(pair.at_s);
        let (low, high) = (pair.low_us.unwrap_or(f64::NAN), pair.high_us.unwrap_or(f64::NAN));
        let tolerance = ROUNDING_US + 200.0 / clocks.counts_per_s;
        prop_assert!(low <= truth + tolerance && high >= truth - tolerance, "{low} to {high}: {truth}");
        let width = 2.0 * half_width_us + 1e6 / clocks.counts_per_s + resolution_us;
        prop_assert!((high - low - width).abs() < 1e-3, "{low} to {high}, not {width} wide");
    }
}
