#![expect(clippy::indexing_slicing, reason = "a test stops at the first surprise")]
extern crate std;

use super::*;
use crate::placement::Shift;
use std::vec::Vec;

/// The clock's residual at a stage, µs.
fn clock_us(n: usize) -> f64 {
    20.0 * count(n)
}

/// A hundred stages whose knots lie `above_us` above the clock, `(below, above)` wide by their number.
fn stages(above_us: f64, wide_us: impl Fn(usize) -> (f64, f64)) -> Vec<Stage> {
    let knot = |n: usize| {
        let (below_us, beyond_us) = wide_us(n);
        let (low_us, high_us) = (clock_us(n) + above_us - below_us, clock_us(n) + above_us + beyond_us);
        Knot {
            at_s: count(n),
            low_us,
            high_us,
            offset_us: f64::midpoint(low_us, high_us),
            rate_ppm: 18.0,
            rate_low_ppm: 5.0,
            rate_high_ppm: 30.0,
            u_offset_us: (high_us - low_us) / 4.0,
            lattice_us: (high_us - low_us) / 2.0,
            ..Knot::default()
        }
    };
    (0..100).map(|n| Stage { knot: knot(n), ..Stage::empty() }).collect()
}

fn setup() -> Setup {
    Setup::new(50.0, 0.02)
}

/// Wide but for five stages.
fn seldom_seen(n: usize) -> (f64, f64) {
    if (50..55).contains(&n) { (100.0, 100.0) } else { (9_000.0, 3_000.0) }
}

#[test]
fn where_both_are_narrow_once_either_bounds_the_clock_for_both() {
    let (mut own, mut report) = (stages(0.0, seldom_seen), Report::default());
    let beside = stages(5_000.0, |_| (150.0, 150.0));
    assert!(join(&mut own, &mut report, (&beside, &Report::default()), &setup(), 4_000.0));
    assert_eq!((report.streams_joined, report.waited_us), (1, 0.0));
    for (n, stage) in own.iter().enumerate() {
        let (knot, true_us) = (&stage.knot, clock_us(n));
        // What either leaves of the lag adds to what the other leaves of the clock: 250 µs on either side, and 150.
        assert!(
            knot.low_us <= true_us && knot.high_us >= true_us && knot.width_us() <= 801.0,
            "{n}: {knot:?}"
        );
        assert!(
            (knot.offset_us - true_us).abs() < 100.0 && (knot.rate_ppm - 18.0).abs() < 1e-9,
            "{n}: {knot:?}"
        );
        assert!(knot.u_offset_us <= 801.0 / 4.0 && knot.lattice_us <= 801.0 / 2.0, "{n}: {knot:?}");
    }
}

#[test]
fn bounds_that_are_wrong_for_a_moment_move_nothing() {
    let mut own = stages(0.0, seldom_seen);
    let mut beside = stages(5_000.0, |_| (150.0, 150.0));
    for stage in &mut beside[20..22] {
        stage.knot.low_us += 2_000.0;
        stage.knot.high_us += 2_000.0;
    }
    assert!(join(&mut own, &mut Report::default(), (&beside, &Report::default()), &setup(), 4_000.0));
    let held =
        |(n, stage): (usize, &Stage)| stage.knot.low_us <= clock_us(n) && stage.knot.high_us >= clock_us(n);
    let missed: Vec<usize> = own.iter().enumerate().filter(|&all| !held(all)).map(|(n, _)| n).collect();
    assert!(missed.iter().all(|n| (20..22).contains(n)), "{missed:?}");
    assert!(own.iter().filter(|stage| stage.knot.width_us() < 801.0).count() > 95);
}

#[test]
fn streams_that_contradict_each_other_or_lose_what_a_queue_does_not_hold_change_nothing() {
    let told = |report: &mut Report, of_other: &Report, beside: &[Stage]| {
        let mut own = stages(0.0, |_| (100.0, 100.0));
        let before: Vec<Knot> = own.iter().map(|stage| stage.knot).collect();
        let joined = join(&mut own, report, (beside, of_other), &setup(), 0.0);
        assert!(own.iter().map(|stage| stage.knot).eq(before));
        (joined, report.streams_joined)
    };
    // The other runs off by 10 ms.
    let mut runs_off = stages(0.0, |_| (100.0, 100.0));
    for (n, stage) in runs_off.iter_mut().enumerate() {
        let away_us = 100.0 * count(n);
        stage.knot.low_us += away_us;
        stage.knot.high_us += away_us;
        stage.knot.offset_us += away_us;
    }
    let mut report = Report::default();
    assert_eq!(told(&mut report, &Report::default(), &runs_off), (false, 0));
    // It lies elsewhere in time, or nowhere.
    let mut later = stages(0.0, |_| (10.0, 10.0));
    later.iter_mut().for_each(|stage| stage.knot.at_s += 100.0);
    assert_eq!(told(&mut report, &Report::default(), &later), (false, 0));
    assert_eq!(told(&mut report, &Report::default(), &[]), (false, 0));
    let congested = Report { congested: true, ..Report::default() };
    let narrow = stages(0.0, |_| (10.0, 10.0));
    assert_eq!(told(&mut report, &congested, &narrow), (false, 0));
    assert_eq!(told(&mut Report { congested: true, ..report }, &Report::default(), &narrow), (false, 0));
}

#[test]
fn where_another_stream_comes_sooner_than_air_explains_all_packets_may_have_waited() {
    // The reference stream's packets always come 16 ms late, and look sharp.
    let waited = |report: &mut Report, fills_later_us: f64| {
        let mut own = stages(16_000.0, |_| (100.0, 100.0));
        let beside = stages(0.0, |_| (100.0, 100.0));
        assert!(join(&mut own, report, (&beside, &Report::default()), &setup(), fills_later_us));
        let doubted = report.waited_us > 0.0;
        let lies_us = own[50].knot.offset_us - clock_us(50);
        assert!((lies_us - if doubted { 0.0 } else { 16_000.0 }).abs() < 150.0, "{lies_us}");
        let lowest_us = own.iter().enumerate().map(|(n, stage)| stage.knot.low_us - clock_us(n) - 16_000.0);
        lowest_us.fold(0.0, f64::min)
    };
    let mut report = Report::default();
    let low_us = waited(&mut report, 0.0);
    // As far as that goes, and what both leave open of it.
    assert!((16_000.0..16_201.0).contains(&report.waited_us), "{report:?}");
    assert!((low_us + 100.0 + report.waited_us).abs() < 1.0, "{low_us}");
    // Its packets are shorter by as much, or exchanges tell the clock itself: no doubt.
    assert!(waited(&mut Report::default(), -16_000.0) >= -101.0);
    assert!(waited(&mut Report { by_pairs: true, ..Report::default() }, 0.0) >= -101.0);
}

#[test]
fn as_long_as_bounds_leave_the_lag_open_it_is_expected_to_be_what_packets_take_longer_to_fill() {
    let lies_us = |report: Report, fixed_delay: Option<Shift>| {
        let (mut own, mut report) = (stages(0.0, |_| (29_000.0, 1_000.0)), report);
        let beside = stages(3_000.0, |_| (100.0, 100.0));
        let setup = Setup { fixed_delay, ..setup() };
        assert!(join(&mut own, &mut report, (&beside, &Report::default()), &setup, 3_000.0));
        assert!(own.iter().enumerate().all(|(n, stage)| stage.knot.low_us <= clock_us(n) - 28_000.0));
        own[50].knot.offset_us - clock_us(50)
    };
    // Its own bounds alone have their centre 14 ms below.
    let told = lies_us(Report::default(), None);
    assert!((-6_000.0..0.0).contains(&told), "{told}");
    // Knots that rest on exchanges are the clock itself: then the lag is the other's own fixed delay, and unknown without one.
    let by_pairs = Report { by_pairs: true, ..Report::default() };
    let delay = Some(Shift { us: 0.0, u_us: 100.0 });
    assert!((lies_us(by_pairs, delay) - told).abs() < 1e-6);
    assert!(lies_us(by_pairs, None) < -13_000.0);
    let refuted = Report { fixed_delay_refuted: true, ..by_pairs };
    assert!(lies_us(refuted, delay) < -13_000.0);
}
