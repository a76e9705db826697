#![allow(clippy::arithmetic_side_effects, reason = "a test's numbers are small")]
extern crate std;
use super::*;

/// Evenly spread over 0 to 1, by SplitMix64 (Steele, Lea, Flood 2014; constants from memory).
fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut mixed = *state;
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    f64::from(u32::try_from((mixed ^ (mixed >> 31)) >> 32).unwrap_or(0)) / 4_294_967_296.0
}

#[test]
fn the_standard_deviation_of_normal_scatter_is_found_whatever_the_drift() {
    let mut state = 1;
    let mut normal = || {
        let radius = (-2.0 * (1.0 - uniform(&mut state)).ln()).sqrt();
        radius * (std::f64::consts::TAU * uniform(&mut state)).cos()
    };
    for drift_ppm in [0.0, -40.0, 10_000.0] {
        let mut scatter = Scatter::new();
        let (mut sum, mut n) = (0.0, 0.0);
        for i in 0..4_000_u32 {
            let at_s = 2.0 * f64::from(i);
            let seen = scatter.observe(Bound { at_s, residual_us: drift_ppm * at_s + 25.0 * normal() });
            if i >= 100 {
                sum += seen;
                n += 1.0;
            }
        }
        let mean = sum / n;
        // √6 · √(2/π) is 1.954: what second differences of independent values have for a mean magnitude.
        assert!((mean - 25.0).abs() < 0.75, "{drift_ppm} ppm: {mean}");
    }
}

#[test]
fn nothing_is_said_before_four_minima_nor_of_a_straight_line() {
    let mut scatter = Scatter::new();
    for (i, jag) in [(0_u32, 0.0), (1, 90.0), (2, 0.0)] {
        assert_eq!(scatter.observe(Bound { at_s: f64::from(i), residual_us: jag }), 0.0);
    }
    assert!(scatter.observe(Bound { at_s: 3.0, residual_us: 90.0 }) > 0.0);
    let mut scatter = Scatter::new();
    for i in 0..40_u32 {
        let at_s = 2.0 * f64::from(i);
        assert!(scatter.observe(Bound { at_s, residual_us: 30.0 * at_s }) < 1e-9);
    }
}

#[test]
fn the_range_about_a_line_is_that_of_the_saw_tooth() {
    // 5 ms of saw-tooth in 50 s, seen each 2 s, on a drift of 20 ppm.
    let minima = (0..60_u32).map(|i| {
        let at_s = 2.0 * f64::from(i);
        Bound { at_s, residual_us: 20.0 * at_s + 5_000.0 * (at_s / 50.0).fract() }
    });
    let (found, blocks) = range(minima.clone(), LINE_S);
    assert_eq!(blocks, 60);
    assert!(found > 4_800.0 && found < 7_500.0, "{found}");
    assert_eq!(range(minima.clone(), 20.0).1, 10);
    assert_eq!(range(minima.take(0), LINE_S), (0.0, 0));
}

#[test]
fn minima_that_lie_unevenly_in_time_count_up_to_eightfold() {
    for (long_s, told) in [(2.0, true), (12.0, true), (15.9, true), (16.1, false), (40.0, false)] {
        let mut scatter = Scatter::new();
        let mut at_s = 0.0;
        for i in 0..9_u32 {
            // Every other one lies 10 µs above its neighbours, wherever between them.
            let _ = scatter.observe(Bound { at_s, residual_us: if i % 2 == 0 { 0.0 } else { 10.0 } });
            at_s += if i % 2 == 0 { 2.0 } else { long_s };
        }
        // A second difference of 20 µs each time: by 1.954 (√6 · √(2/π)) their standard deviation.
        let want_us = if told { 20.0 / 1.954_410 } else { 0.0 };
        assert!((scatter.now_us() - want_us).abs() < 1e-3, "{long_s} s: {}", scatter.now_us());
        // Seven of nine minima have a neighbour on either side: all of them count, wherever the longer way lies, or none.
        assert_eq!(scatter.differences.len(), if told { 7 } else { 0 }, "{long_s} s");
    }
}

#[test]
fn what_touches_typically_scatter_by_does_not_hang_on_a_few_that_are_far_off() {
    let mut random = 1_u32;
    let mut of = |n: usize, off: &dyn Fn(usize) -> f64| {
        let mut touches = (0..n).map(|k| {
            // Twelve even spreads over [0, 1] less six: nearly normal, with a standard deviation of one.
            let sum: f64 = (0..12)
                .map(|_| {
                    random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    f64::from(random) / 4_294_967_296.0
                })
                .sum();
            Bound { at_s: 30.0 * count(k), residual_us: 7.0 * 30.0 * count(k) + 100.0 * (sum - 6.0) + off(k) }
        });
        typical_us(&mut touches, n)
    };
    for n in [60, 400, 5_000] {
        let (plain, some_off) = (of(n, &|_| 0.0), of(n, &|k| if k % 29 == 7 { -12_000.0 } else { 0.0 }));
        assert!((75.0..=130.0).contains(&plain), "{n}: {plain}");
        assert!((75.0..=150.0).contains(&some_off), "{n}: {some_off}");
    }
    assert_eq!(of(2, &|_| 0.0), f64::INFINITY);
}
