#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    reason = "a test's numbers are small"
)]
extern crate std;

use super::*;
use std::vec::Vec;

const PERIOD_S: f64 = 0.02;
const DELAY: Shift = Shift { us: 18_000.0, u_us: 200.0 };

fn setup() -> Setup {
    Setup { fixed_delay: Some(DELAY), resolution_us: 0.001, ..Setup::new(50.0, PERIOD_S) }
}

/// Packet `n`, stamped `host_us` after the host's origin.
fn stamped(n: u32, host_us: f64) -> Arrival {
    let device_s = f64::from(n) * PERIOD_S;
    Arrival::new(device_s, host_us - device_s * 1e6)
}

/// Packet `n` as it comes over a grid of 15 ms, by a host clock that agrees with the device's, µs.
fn in_time_us(n: u32) -> f64 {
    f64::from(n) * PERIOD_S * 1e6 + DELAY.us + f64::from(14_u32.saturating_sub(n * 20 % 15)) * 1e3
}

#[test]
fn all_that_waited_while_the_host_slept_is_one_awakening() {
    let mut clocks = Clocks::new(&setup());
    // A minute; then the host sleeps for 40 s, stamps within 200 ms what waited, every other two seconds of it lost, and goes on.
    let (asleep, awake) = (3_000, 5_000);
    let mut turns = Vec::new();
    let lost = |n: u32| (asleep..awake).contains(&n) && n / 100 % 2 == 1;
    for n in (0..8_000).filter(|&n| !lost(n)) {
        let host_us = match n {
            _ if n < asleep => in_time_us(n),
            _ if n < awake => in_time_us(asleep) + f64::from(n - asleep) * 100.0,
            _ => in_time_us(n) - 40e6 + 200e3,
        };
        turns.extend(clocks.observe(&setup(), stamped(n, host_us)));
    }
    assert!(turns.len() > 1, "each loss in the backlog looks like another sleep: {turns:?}");
    // Whatever the backlog looked like, there was one clock before it and one after.
    let all = clocks.all();
    let [present, former] = all.as_slice() else { panic!("{} clocks", all.len()) };
    for (clock, at_s, residual_us) in [(former, 50.0, 0.0), (present, 150.0, -39.8e6)] {
        let (knot, _) = clock.known_at(at_s);
        let off_us = knot.offset_us - DELAY.us - residual_us;
        assert!(
            off_us.abs() <= knot.half_width_us() + DELAY.u_us && off_us.abs() < 15e3,
            "{at_s} s: {knot:?}"
        );
    }
    // Events of the minute are the former clock's alone, events later on the present one's; at the awakening either may have stamped.
    let stamped_us = |at_s: f64| clocks.that_stamped(at_s * 1e6).len();
    assert_eq!((stamped_us(30.0), stamped_us(60.1), stamped_us(100.0)), (1, 2, 1));
    assert!(matches!(clocks.that_stamped(30e6).first(), Some(Clock::Former(_))));
    assert!(clocks.is_surely_present(100e6) && !clocks.is_surely_present(60.1e6));
    assert_eq!(former.fixed_delay(), Some(DELAY));
}

#[test]
fn a_backlog_at_the_very_beginning_leaves_no_clock_behind() {
    let mut clocks = Clocks::new(&setup());
    // What had waited for 40 s comes at once as the first of all.
    for n in 0..5_000 {
        let host_us =
            if n < 2_000 { in_time_us(2_000) + f64::from(n) * 100.0 } else { in_time_us(n) + 200e3 };
        let _ = clocks.observe(&setup(), stamped(n, host_us));
    }
    assert_eq!((clocks.all().len(), clocks.since_s()), (1, 0.0));
    let (knot, _) = clocks.live().known_at(99.0).unwrap();
    assert!((knot.offset_us - DELAY.us - 200e3).abs() < 15e3, "{knot:?}");
}

/// A packet of a device time, stamped at a host time, both in seconds.
fn stamped_at(device_s: f64, host_s: f64) -> Arrival {
    Arrival::new(device_s, (host_s - device_s) * 1e6)
}

#[test]
fn a_host_that_slept_leaves_open_what_its_own_clock_counted_meanwhile() {
    // Ten minutes of packets were lost, of which the host's clock counted half a second: it slept. By that clock the moment lies
    // within this half second, a burst of 0.3 s and two packets.
    let (until_us, from_us) = ambiguous_us(&stamped_at(100.0, 100.0), &stamped_at(700.0, 100.5), PERIOD_S);
    assert!((until_us - 100.84e6).abs() < 1.0 && (from_us - 99.66e6).abs() < 1.0, "{until_us} {from_us}");
}

#[test]
fn a_clock_that_was_set_leaves_open_what_the_device_counted_meanwhile() {
    // Set forward by an hour somewhere in ten seconds without packets, then back by an hour likewise.
    let (until_us, from_us) = ambiguous_us(&stamped_at(100.0, 100.0), &stamped_at(110.0, 3710.0), PERIOD_S);
    assert!((until_us - 110.34e6).abs() < 1.0 && (from_us - 3699.66e6).abs() < 1.0, "{until_us} {from_us}");
    let (until_us, from_us) = ambiguous_us(&stamped_at(100.0, 3700.0), &stamped_at(110.0, 110.0), PERIOD_S);
    assert!((until_us - 3710.34e6).abs() < 1.0 && (from_us - 99.66e6).abs() < 1.0, "{until_us} {from_us}");
    // A host that only lost packets, and whose clock ran: nothing is known of less than these ten seconds either.
    let (until_us, _) = ambiguous_us(&stamped_at(100.0, 100.0), &stamped_at(110.0, 110.0), PERIOD_S);
    assert!((until_us - 110.34e6).abs() < 1.0, "{until_us}");
}
