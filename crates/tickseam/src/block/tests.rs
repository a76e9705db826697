#![allow(
    clippy::arithmetic_side_effects,
    clippy::cast_possible_truncation,
    clippy::expect_used,
    clippy::unwrap_used,
    reason = "a test stops at the first surprise, and its numbers are small"
)]
extern crate std;
use super::*;
use std::vec::Vec;

#[test]
fn a_delivery_is_over_after_a_pause_and_after_twelve_milliseconds() {
    let behind_us = |stamps_us: &[i64]| {
        let mut deliveries = Deliveries::default();
        stamps_us.iter().map(|us| deliveries.observe(us * 1_000)).collect::<Vec<f64>>()
    };
    assert_eq!(behind_us(&[7, 2_606, 5_206]), [0.0, 2_599.0, 0.0]);
    assert_eq!(behind_us(&[0, 2_500, 5_000, 7_500, 10_000, 11_999]).last(), Some(&11_999.0));
    assert_eq!(behind_us(&[0, 2_500, 5_000, 7_500, 10_000, 12_000]).last(), Some(&0.0));
    // A stamp from before the one before it begins anew.
    assert_eq!(behind_us(&[1_000, 999, 1_099]), [0.0, 0.0, 100.0]);
}

/// A block of packets each 20 ms that were delivered at the next instant of a grid of 15 ms, on a line of this rate.
fn on_a_grid(rate_ppm: f64) -> Blocks {
    sent_each(0.020, 15_000.0, rate_ppm)
}

/// Fifty packets, each that many seconds after the one before, delivered at the next instant of a grid of this period.
fn sent_each(period_s: f64, interval_us: f64, rate_ppm: f64) -> Blocks {
    let line = WorkingLine { rate_ppm, ..WorkingLine::default() };
    let mut blocks = Blocks::new(line, &Setup::new(50.0, period_s), None);
    for n in 0..50 {
        let at_s = f64::from(n) * period_s;
        let ready_us = at_s * 1e6 * (1.0 + rate_ppm * 1e-6) + 1.0;
        let wait_us = (libm::ceil(ready_us / interval_us) * interval_us - ready_us) as f32;
        let entry = Entry {
            at_s: at_s as f32,
            stamp_us: wait_us,
            delivery_us: wait_us,
            instant_us: f32::NAN,
            first: true,
        };
        blocks.entries.push(entry).expect("a block has room for fifty");
    }
    blocks
}

#[test]
fn deliveries_agree_with_the_period_of_their_grid_however_the_line_runs() {
    for rate_ppm in [0.0, 40.0, -5_000.0, 5_000.0] {
        let blocks = on_a_grid(rate_ppm);
        // Times of a second in single precision are good to 0.06 µs.
        let exact = blocks.agreement(15_000.0).unwrap();
        assert!((0.999..=1.0).contains(&exact), "{rate_ppm} ppm: {exact}");
        // A third more: the same differences lie a quarter turn off on the mean, which is what chance gives.
        let chance = blocks.agreement(19_700.0).unwrap();
        assert!(chance < 0.6, "{rate_ppm} ppm: {chance}");
    }
    // Nothing is said where hardly a packet waited longer than another.
    let mut alike = on_a_grid(0.0);
    alike.entries.iter_mut().for_each(|entry| entry.delivery_us = 100.0);
    assert_eq!(alike.agreement(15_000.0), None);
}

/// Counted, since time is not the same twice: a grid of ten seconds, the longest that a session takes, had 1,674 candidates a block.
#[test]
fn no_grid_has_more_than_so_many_candidates_and_a_usual_one_has_all_multiples_of_the_step() {
    for interval_us in [1.0, 4_000.0, 7_500.0, 100_000.0, 160_000.0, 180_000.0, 200_000.0, 2e6, 1e7, 1e300] {
        let all: Vec<f64> = candidates(interval_us).collect();
        assert!(all.len() <= 32, "{interval_us} µs: {} candidates", all.len());
        let apart = all.iter().zip(all.iter().skip(1)).map(|(before, after)| after - before);
        if interval_us <= 180_000.0 {
            assert!(apart.clone().all(|us| us == 1_250.0), "{interval_us} µs: {all:?}");
        }
        if (4_000.0..=1e7).contains(&interval_us) {
            let (first, last) = (all.first().unwrap(), all.last().unwrap());
            // From nine tenths of the period to eleven, and no two farther apart than a hundredth.
            let near = interval_us * 0.01 + 1_250.0;
            assert!(
                *first < interval_us / 1.11 + near && *last > interval_us * 1.11 - near,
                "{interval_us} µs: {all:?}"
            );
            assert!(apart.into_iter().all(|us| us <= near), "{interval_us} µs: {all:?}");
        }
    }
    assert_eq!(candidates(f64::NAN).count(), 1);
}

#[test]
fn a_better_period_is_found_to_a_hundredth_among_the_few_that_are_tried_of_a_long_one() {
    // Fifteen seconds of a grid of one second, taken for one of 0.93 s.
    let blocks = sent_each(0.31, 1e6, 0.0);
    let found_us = blocks.better_period_us(&Grid::new(Interval::declared(930_000.0))).unwrap();
    assert!((990_000.0..=1_010_000.0).contains(&found_us), "{found_us} µs");
    assert_eq!(blocks.better_period_us(&Grid::new(Interval::declared(1e6))), None);
}

#[test]
fn a_step_that_the_stamps_keep_to_is_met_where_packets_came_and_any_other_is_not() {
    let met = |stamped: &dyn Fn(f64) -> f64| {
        let setup = Setup { resolution_us: 1_600.0, ..Setup::new(50.0, 0.020) };
        // The middle of a sixteenth, where rounding does not matter.
        let line = WorkingLine { offset_us: 50.0, ..WorkingLine::default() };
        let mut blocks = Blocks::new(line, &setup, None);
        for n in 0..40 {
            // 20.1 ms apart: each nine sixteenths of the step later in it than the one before.
            let at_s = f64::from(n) * 0.020_1;
            blocks.observe(Arrival::new(at_s, stamped(at_s * 1e6 + 5_050.0) - at_s * 1e6));
        }
        blocks.close().unwrap().met
    };
    assert_eq!(met(&|us| libm::floor(us / 1_600.0) * 1_600.0).count_ones(), 16);
    assert_eq!(met(&|us| us), 0);
}

/// Packets each 60 ms, ready 5 ms after their samples and sent at the next of instants 25.7 ms apart; those that `free` names are sent at once
/// instead, `free_us` after their samples. What was seen of packets that came sooner, block by block.
fn sooner_us(free: impl Fn(u32) -> bool, free_us: f64) -> Vec<f64> {
    const INTERVAL_US: f64 = 25_700.0;
    let setup = Setup { interval_us: Some(INTERVAL_US), ..Setup::new(50.0, 0.060) };
    let interval = Interval::declared(INTERVAL_US);
    let mut blocks = Blocks::new(WorkingLine::default(), &setup, Some(interval));
    let mut seen = Vec::new();
    for n in 0..600 {
        let device_us = f64::from(n) * 60_000.0;
        let host_us = if free(n) {
            device_us + free_us
        } else {
            libm::ceil((device_us + 5_000.0) / INTERVAL_US) * INTERVAL_US
        };
        let arrival = Arrival::new(device_us * 1e-6, host_us - device_us);
        if blocks.close_before(&arrival).is_some() {
            seen.push(blocks.sooner_us());
        }
        blocks.observe(arrival);
    }
    seen
}

#[test]
fn a_packet_that_did_not_wait_for_the_grid_says_how_late_those_were_that_did() {
    assert!(sooner_us(|_| false, 0.0).iter().all(|&us| us == 0.0));
    // One of a hundred is sent at once, 2 ms after its sample: the others are ready 3 ms later, and those that waited least for up to
    // another 8.6 ms, by which the grid meets the packets the sooner each time.
    let mut seen = sooner_us(|n| n % 100 == 77, 2_000.0);
    seen.retain(|&us| us != 0.0);
    assert!(seen.len() > 3 && seen.iter().all(|us| (2_999.0..11_601.0).contains(us)), "{seen:?}");
    // Where it comes later than those that waited, it was held up.
    assert!(sooner_us(|n| n % 100 == 77, 24_000.0).iter().all(|&us| us == 0.0));
}

/// What the grid's lower bounds lie above the clock by, block by block, µs: packets each 38 ms, ready 5 ms after their samples and sent at the next of
/// instants 15 ms apart, or as many later as `late` says.
fn above_us(late: impl Fn(u32) -> u32) -> Vec<Option<f64>> {
    const INTERVAL_US: f64 = 15_000.0;
    let setup = Setup { interval_us: Some(INTERVAL_US), ..Setup::new(50.0, 0.038) };
    let mut blocks = Blocks::new(WorkingLine::default(), &setup, Some(Interval::declared(INTERVAL_US)));
    let mut seen = Vec::new();
    for n in 0..1_000 {
        // 8 µs later each time against the grid, so that all phases are met in a while.
        let device_us = f64::from(n) * 38_008.0;
        let instant = libm::ceil((device_us + 5_000.0) / INTERVAL_US) + f64::from(late(n));
        let arrival = Arrival::new(device_us * 1e-6, instant * INTERVAL_US - device_us);
        if let Some(block) = blocks.close_before(&arrival) {
            seen.push(block.lower.map(|lower| lower.residual_us - 5_000.0));
        }
        blocks.observe(arrival);
    }
    seen
}

#[test]
fn a_grid_bounds_the_clock_to_within_its_period_however_many_of_its_events_fail() {
    let settled = |all: &[Option<f64>]| all.iter().skip(4).copied().collect::<Vec<_>>();
    // Of the 75 phases of 0.2 ms, a block of 53 packets meets 15 or so.
    let none_late = settled(&above_us(|_| 0));
    assert!(none_late.iter().all(|us| us.is_some_and(|us| (-4_500.0..=0.0).contains(&us))), "{none_late:?}");
    // Half of the packets late, by what a generator says that has nothing to do with their phases.
    let half = settled(&above_us(|n| (n.wrapping_mul(2_654_435_769) >> 31) & 1));
    assert!(half.iter().all(|us| us.is_some_and(|us| (-12_000.0..=0.0).contains(&us))), "{half:?}");
    // All that come at every second instant: the grid may have twice the period, and the bound lies as much deeper.
    let twice = settled(&above_us(|n| {
        let instant = libm::ceil((f64::from(n) * 38_008.0 + 5_000.0) / 15_000.0);
        u32::from(instant % 2.0 > 0.0)
    }));
    assert!(twice.iter().flatten().all(|&us| us <= 0.0), "{twice:?}");
}

#[test]
fn as_many_packets_are_late_at_once_by_chance_as_their_share_says() {
    // 0.02³ < 0.001; 0.12⁴ < 0.001 ≤ 0.12³; 0.52¹¹ < 0.001 ≤ 0.52¹⁰; 0.92 to the 83rd, which is more than a block holds twice.
    let all = [0.0, 0.1, 0.5, 0.9, f64::NAN].map(improbable);
    assert_eq!(all, [Some(2), Some(4), Some(11), None, None]);
}

#[test]
fn a_period_next_to_one_of_the_standards_is_that_one_once_its_rate_is_known() {
    let of = |interval_us: f64, stretch_ppm: f64, anchors: usize| {
        let mut grid = Grid { stretch_ppm, ..Grid::new(Interval::found(interval_us)) };
        (0..anchors).for_each(|n| grid.anchors.push((count(n), 0.0)).unwrap());
        grid.standard_us()
    };
    // 27.4707 ms that run 1,080 ppm long are 27.500 ms and 14 ppm.
    assert_eq!(of(27_470.7, 1_080.0, 12), Some(27_500.0));
    assert_eq!(of(27_470.7, 1_080.0, 5), None);
    // 102.4 ms are none, however close 102.5 lies, nor is what runs 200 ppm beside one, nor one that is nominal already.
    assert_eq!(of(102_397.2, 28.0, 12), None);
    assert_eq!(of(27_470.7, 1_280.0, 12), None);
    assert_eq!(of(27_500.0, 14.0, 12), None);
}
