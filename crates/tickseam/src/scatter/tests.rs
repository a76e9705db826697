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
