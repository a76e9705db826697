#![allow(
    clippy::arithmetic_side_effects,
    clippy::cast_precision_loss,
    clippy::indexing_slicing,
    reason = "a test's numbers are small"
)]
extern crate std;

use super::{Watch, without_backlogs};
use crate::block::Arrival;
use crate::setup::Setup;
use std::vec::Vec;

/// Packets are made and events come each so many s: the link carries one packet an event.
const PERIOD_S: f64 = 0.046_875;
const EVENT_S: f64 = 0.045;

/// Arrivals over a link on which nothing comes for a while from 60 s on, and then what waited, one packet an event, a share of which fail.
fn after_a_fade_of(fade_s: f64, failing: f64, until_s: f64) -> Vec<Arrival> {
    let (mut event_s, mut arrivals, mut random) = (0.003, Vec::new(), 1_u32);
    let mut fails = move || {
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(random >> 8) < failing * f64::from(1 << 24)
    };
    for n in 0.. {
        let device_s = f64::from(n) * PERIOD_S;
        while event_s < device_s || (60.0..60.0 + fade_s).contains(&event_s) || fails() {
            event_s += EVENT_S;
        }
        if event_s > until_s {
            return arrivals;
        }
        arrivals.push(Arrival::new(device_s, (event_s - device_s) * 1e6));
        event_s += EVENT_S;
    }
    arrivals
}

fn latest_us(arrivals: &[Arrival]) -> f64 {
    arrivals.iter().map(|a| a.residual_us).fold(0.0, f64::max)
}

#[test]
fn a_queue_that_drains_for_minutes_is_left_out_and_nothing_else() {
    let cases =
        [(1.0, 0.0, 200.0), (8.0, 0.0, 400.0), (8.0, 0.0, 180.0), (8.0, 0.02, 900.0), (8.0, 0.02, 200.0)];
    for (fade_s, failing, until_s) in cases {
        let mut arrivals = after_a_fade_of(fade_s, failing, until_s);
        // The link may have been bad for half a second before.
        let bad = arrivals.iter_mut().filter(|a| (59.5..60.0).contains(&a.device_s));
        bad.for_each(|a| a.residual_us = (60.0 - a.device_s) * 1e6 + 10e3);
        assert!(latest_us(&arrivals) > 0.9e6 * fade_s);
        let late = arrivals.iter().filter(|a| a.residual_us > 1e6 * EVENT_S).count();
        let all = arrivals.len();
        let kept = without_backlogs(&mut arrivals, &Setup::new(50.0, PERIOD_S));
        assert!(latest_us(&arrivals[..kept]) < 5e6 * PERIOD_S, "{}", latest_us(&arrivals[..kept]));
        // What is not late by an event is no backlog, but for the end of the drain, some 5 s.
        assert!(all - kept <= late + 110, "{fade_s} s: {} of {all}, {late} late", all - kept);
    }
}

#[test]
fn a_clock_that_is_set_leaves_no_backlog() {
    for by_us in [100e3, 3e6] {
        for back_s in [f64::INFINITY, 100.0, 65.0] {
            let mut arrivals = after_a_fade_of(0.0, 0.0, 200.0);
            for arrival in &mut arrivals {
                if (60.0..back_s).contains(&arrival.device_s) {
                    arrival.residual_us += by_us;
                }
            }
            let before = arrivals.clone();
            let kept = without_backlogs(&mut arrivals, &Setup::new(50.0, PERIOD_S));
            assert_eq!(arrivals[..kept], before, "{by_us} µs until {back_s} s");
        }
    }
}

#[test]
fn a_slow_drain_over_a_link_that_fails_now_and_then_tells_of_no_clock() {
    let mut watch = Watch::new();
    for arrival in after_a_fade_of(8.0, 0.02, 900.0) {
        assert_eq!(watch.observe(&arrival, PERIOD_S), None, "{arrival:?}");
    }
}

/// That nothing is left out of packets each 20 ms on a clock that is set forward after 400 s and drifts back meanwhile.
fn assert_none_is_left_out(packets: u32, set_us: f64, drift_ppm: f64, setup: &Setup) {
    let late_us = |device_s: f64| if device_s < 400.0 { 0.0 } else { set_us } - drift_ppm * device_s;
    let mut arrivals: Vec<Arrival> = (0..packets)
        .map(|n| f64::from(n) * 0.02)
        .map(|device_s| Arrival::new(device_s, late_us(device_s)))
        .collect();
    let all = arrivals.len();
    assert_eq!(without_backlogs(&mut arrivals, setup), all);
}

#[test]
fn a_clock_that_was_set_and_drifts_back_leaves_no_backlog() {
    assert_none_is_left_out(90_000, 50e3, 25.0, &Setup::new(50.0, 0.02));
}

#[test]
fn a_clock_that_was_set_leaves_no_backlog_where_the_rate_may_be_far_off() {
    // The device counts samples, 1,850 ppm fast, as its tolerance allows.
    assert_none_is_left_out(40_000, 7.3e6, 1_850.0, &Setup::new(3_500.0, 0.02));
}

#[test]
fn a_clock_that_is_set_back_leaves_no_backlog_though_the_first_packets_after_it_are_late() {
    let mut arrivals = after_a_fade_of(0.0, 0.0, 200.0);
    for arrival in &mut arrivals {
        if (60.0..100.0).contains(&arrival.device_s) {
            arrival.residual_us += 3e6;
        } else if (100.0..100.3).contains(&arrival.device_s) {
            arrival.residual_us = 100.3e6 - arrival.device_s * 1e6;
        }
    }
    let before = arrivals.clone();
    let kept = without_backlogs(&mut arrivals, &Setup::new(50.0, PERIOD_S));
    assert_eq!(arrivals[..kept], before);
}

#[test]
fn packets_that_waited_while_the_host_slept_make_no_backlog_of_those_before() {
    // Set forward by 3 s at 60 s, the host slept from 100 to 130 s; what waited is stamped as it wakes.
    let mut arrivals = after_a_fade_of(0.0, 0.0, 200.0);
    arrivals.retain(|arrival| !(104.0..130.0).contains(&arrival.device_s));
    for arrival in &mut arrivals {
        match arrival.device_s {
            60.0..100.0 => arrival.residual_us += 3e6,
            100.0..104.0 => arrival.residual_us = 103e6 - arrival.device_s * 1e6,
            130.0.. => arrival.residual_us -= 27e6,
            _ => {}
        }
    }
    let before = arrivals.clone();
    let kept = without_backlogs(&mut arrivals, &Setup::new(50.0, PERIOD_S));
    assert_eq!(arrivals[..kept], before);
}

#[test]
fn a_drain_that_ends_just_before_the_clock_is_set_back_leaves_all_in_between() {
    let setup = Setup::new(50.0, PERIOD_S);
    // From 50 s on packets come 0.4 s late, after two seconds all that waited at once, and from 54 s on 3 s earlier.
    let residual_us = |at_s: f64| match at_s {
        ..50.0 => 0.0,
        ..52.0 => 400e3,
        ..52.4 => (52.4 - at_s) * 1e6,
        ..54.0 => 0.0,
        _ => -3e6,
    };
    let arrival = |n: u32| {
        let at_s = f64::from(n) * PERIOD_S;
        Arrival::new(at_s, residual_us(at_s) + 100.0 * f64::from(n % 7))
    };
    let mut arrivals: Vec<Arrival> = (0..2_000).map(arrival).collect();
    let kept = without_backlogs(&mut arrivals, &setup);
    let left = |from_s: f64, to_s: f64| {
        arrivals[..kept].iter().filter(|a| (from_s..to_s).contains(&a.device_s)).count()
    };
    assert_eq!(left(50.0, 52.0), 0);
    assert!(left(52.4, 54.0) >= 33, "{}", left(52.4, 54.0));
}
