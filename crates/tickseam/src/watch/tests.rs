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

/// The longest that a packet may wait for the link, s.
const WAIT_S: f64 = 0.015;

/// Turns that are seen in packets each 20 ms whose residuals are given by their device time, each with the time, s.
fn turns(until_s: f64, residual_us: impl Fn(f64) -> f64) -> Vec<(f64, Turn)> {
    turns_by(Watch::default(), until_s, residual_us)
}

fn turns_by(mut watch: Watch, until_s: f64, residual_us: impl Fn(f64) -> f64) -> Vec<(f64, Turn)> {
    let mut turns = Vec::new();
    let (mut device_s, mut beat) = (0.0, 0.0);
    while device_s < until_s {
        // Packets wait for 0 to 10 ms, in steps of 5.
        beat = if beat >= 10_000.0 { 0.0 } else { beat + 5_000.0 };
        let arrival = Arrival::new(device_s, residual_us(device_s) + beat);
        turns.extend(watch.observe(&arrival, WAIT_S).map(|turn| (device_s, turn)));
        device_s += 0.02;
    }
    turns
}

fn step(at_s: f64, by_us: f64) -> impl Fn(f64) -> f64 {
    move |device_s| 30.0 * device_s + if device_s >= at_s { by_us } else { 0.0 }
}

#[test]
fn a_clock_that_drifts_was_not_set() {
    assert_eq!(turns(600.0, |device_s| 70.0 * device_s), []);
    assert_eq!(turns(600.0, |device_s| -70.0 * device_s), []);
}

#[test]
fn a_fall_shows_in_the_first_packets_after_it_and_a_rise_once_levels_have_stayed() {
    for by_us in [100e3, 400e3, 3e6, 3_600e6] {
        let [(at_s, Turn::Back)] = turns(120.0, step(60.0, -by_us))[..] else { panic!("{by_us} µs back") };
        assert!((60.0..60.1).contains(&at_s), "{by_us} µs back: {at_s} s");
        let [(at_s, Turn::Forward)] = turns(120.0, step(60.0, by_us))[..] else {
            panic!("{by_us} µs forward")
        };
        // Three bins of 5 s, and the one that the step fell into.
        assert!(
            at_s > 60.0 + 3.0 * BIN_S && at_s <= 60.0 + 4.0 * BIN_S + 0.1,
            "{by_us} µs forward: {at_s} s"
        );
    }
}

#[test]
fn a_patient_watch_believes_no_rise_and_falls_as_others_do() {
    assert_eq!(turns_by(Watch::patient(), 120.0, step(60.0, 400e3)), []);
    let [(at_s, Turn::Back)] = turns_by(Watch::patient(), 120.0, step(60.0, -400e3))[..] else {
        panic!("no fall")
    };
    assert!((60.0..60.1).contains(&at_s), "{at_s} s");
}

#[test]
fn a_jump_that_a_wait_for_the_link_explains_is_not_taken_for_a_setting() {
    for by_us in [WAIT_S * 1e6, -WAIT_S * 1e6] {
        assert_eq!(turns(120.0, step(60.0, by_us)), [], "{by_us} µs");
    }
    // Nor are packets that were held back for two seconds.
    assert_eq!(
        turns(120.0, |device_s| if (60.0..62.0).contains(&device_s) { (62.0 - device_s) * 1e6 } else { 0.0 }),
        []
    );
}

/// How late packets come that a link holds back for so many seconds from 60 s on, and then carries so much faster than they are made.
fn backlog(fade_s: f64, faster: f64) -> impl Fn(f64) -> f64 {
    move |device_s| {
        let passed_s = device_s - 60.0;
        let late_s = if passed_s < 0.0 { 0.0 } else { fade_s - passed_s * (1.0 - 1.0 / faster) };
        1e6 * if late_s > 0.0 { late_s } else { 0.0 }
    }
}

#[test]
fn a_queue_that_drains_tells_of_no_clock() {
    for fade_s in [0.5, 1.0, 8.0, 20.0] {
        for faster in [1.01, 1.04, 1.1, 1.33, 2.0] {
            assert_eq!(turns(900.0, backlog(fade_s, faster)), [], "{fade_s} s, {faster}");
        }
    }
}

#[test]
fn a_full_queue_that_loses_packets_tells_of_no_clock() {
    let mut watch = Watch::default();
    for n in 0..10_000_u16 {
        let device_s = f64::from(n) * 0.02;
        // One of three packets gets no room, for half a minute.
        let full = (60.0..90.0).contains(&device_s);
        if !(full && n % 3 == 0) {
            let arrival = Arrival::new(device_s, if full { 540e3 } else { 0.0 });
            assert_eq!(watch.observe(&arrival, WAIT_S), None, "{device_s} s");
        }
    }
}

#[test]
fn a_bin_ends_after_five_seconds_once_it_has_a_dozen_packets_or_after_a_silence_as_long() {
    let at = |device_s| Arrival::new(device_s, 100.0);
    let of = |packets: u32, last_s: f64| {
        let mut bin = Bin::new(&at(10.0));
        for n in 1..packets {
            bin.take(&at(10.0 + (last_s - 10.0) * f64::from(n) / f64::from(packets - 1)));
        }
        bin
    };
    assert!(of(12, 14.0).ends_before(&at(15.0)) && !of(12, 14.0).ends_before(&at(14.9)));
    // With fewer it goes on, unless nothing came for longer than it lasts.
    assert!(!of(11, 14.0).ends_before(&at(15.0)) && !of(11, 14.0).ends_before(&at(19.0)));
    assert!(of(11, 14.0).ends_before(&at(19.1)));
}
