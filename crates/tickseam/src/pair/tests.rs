#![allow(clippy::arithmetic_side_effects, clippy::unwrap_used, reason = "a test stops at the first surprise")]
extern crate std;
use super::*;
use std::vec::Vec as List;

fn frame() -> Frame {
    Frame { device_origin: 0, counts_per_s: 1_000.0, host_origin_ns: 0 }
}

#[test]
fn an_exchange_bounds_the_clock_from_both_sides() {
    // Both clocks agree; 3 ms there, 2 ms of turnaround, 5 ms back.
    let [request, reply] = SyncPair::of_exchange(&frame(), 0.0, 0, 3, 5, 10_000_000);
    assert_eq!((request.at_s, reply.at_s), (0.003, 0.005));
    // Received no later than one count after its count: the host was at 0 ms then or later, so the residual is −4 ms or more.
    assert!((request.low_us.unwrap() + 4_000.0).abs() < 1e-9);
    assert!((reply.high_us.unwrap() - 5_000.0).abs() < 1e-9);
    assert_eq!((request.high_us, reply.low_us), (None, None));
}

#[test]
fn a_step_of_the_host_stamps_widens_the_upper_bound_of_the_reply_only() {
    let [fine_request, fine_reply] = SyncPair::of_exchange(&frame(), 0.0, 0, 3, 5, 10_000_000);
    let [request, reply] = SyncPair::of_exchange(&frame(), 1_000.0, 0, 3, 5, 10_000_000);
    assert_eq!(request, fine_request);
    assert!((reply.high_us.unwrap() - fine_reply.high_us.unwrap() - 1_000.0).abs() < 1e-9);
}

#[test]
fn a_marker_bounds_by_its_half_width_and_the_steps_of_both_clocks() {
    let pair = SyncPair::of_marker(&frame(), 7.0, 50.0, 2_000_123_000, 2_000);
    assert_eq!(pair.at_s, 2.0);
    // The count was rounded down, so the instant may be a count later and the residual a count less; the stamp likewise.
    assert!((pair.low_us.unwrap() - (123.0 - 50.0 - 1_000.0)).abs() < 1e-6);
    assert!((pair.high_us.unwrap() - (123.0 + 50.0 + 7.0)).abs() < 1e-6);
}

#[test]
fn few_markers_are_believed_to_two_milliseconds() {
    let frame = frame();
    let markers: List<(i64, i64)> = (0..5)
        .map(|i| (i * 10_000_000_000 + if i % 2 == 0 { 40_000 } else { -40_000 }, i * 10_000))
        .collect();
    assert_eq!(marker_half_width_us(&frame, core::iter::empty()), 2_000.0);
    assert_eq!(marker_half_width_us(&frame, markers.iter().copied()), 2_000.0);
    let more = markers.iter().copied().chain([(50_000_040_000, 50_000), (60_000_040_000, 60_000)]);
    let measured = marker_half_width_us(&frame, more);
    // Markers that jump by ±40 µs: second differences of 160 µs, 82 µs of standard deviation by them, five times.
    assert!(measured > 160.0 && measured < 2_000.0, "{measured}");
}

#[test]
fn exact_markers_are_still_not_believed_to_less_than_thirty_microseconds() {
    let frame = frame();
    let exact = (0..20).map(|i| (i * 10_000_000_000 + (i % 2) * 1_000, i * 10_000));
    assert_eq!(marker_half_width_us(&frame, exact), 30.0);
}
