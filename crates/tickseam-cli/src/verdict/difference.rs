//! By how much the difference of two labels' latencies may be off.
//!
//! Let e(t) be what the clock is off at device time t. The averages of two labels A and B are shifted by the means of e over their
//! trials, so the difference is off by Σ aᵢ e(tᵢ) − Σ bⱼ e(tⱼ), a and b the shares of the trials. What is known: |e(t)| ≤ u(t), and e
//! changes by at most r(t) a second, r being what the rate may be off; nothing from one setting of a clock to the next. Time is cut
//! into bins of length w. With A and B the shares of both labels in a bin, min(A, B) of each may be paired within it, at most w apart,
//! and leaves min(A, B) r w; the rest |A − B| is as far off as the clock: |A − B| u. The sum over all bins is a bound for every w, and the least
//! of several is taken. What a label's own latency is uncertain by is added in quadrature, being one number for all its trials.
//! Derived here; the tests hold it against random errors that keep to u and r.

use std::collections::BTreeMap;

/// A placed event.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trial {
    /// Segment and piece: within these the clock's error changes slowly.
    pub stretch: (u32, usize),
    /// Device time, s.
    pub at_s: f64,
    /// Half-width of what the clock may be off then, ms.
    pub clock_ms: f64,
    /// Half-width of what the clock's rate may be off then, ppm.
    pub rate_ppm: f64,
    /// Half-width of what the label's latency may be off, ms.
    pub latency_ms: f64,
}

/// Lengths of bins that are tried, s.
const BINS_S: [f64; 8] = [0.5, 2.0, 10.0, 30.0, 120.0, 600.0, 3600.0, 1e9];

#[derive(Clone, Copy, Debug, Default)]
struct Bin {
    share: [f64; 2],
    clock_ms: f64,
    rate_ppm: f64,
}

/// Half-width of the 95 % interval of the difference of the two averages' latencies, as far as placement goes, ms; `None` where one
/// label has no trial.
pub fn latency_difference_ms(a: &[Trial], b: &[Trial]) -> Option<f64> {
    if a.is_empty() || b.is_empty() {
        return None;
    }
    let latency_of = |trials: &[Trial]| trials.iter().map(|trial| trial.latency_ms).fold(0.0, f64::max);
    let clock_ms = BINS_S.iter().map(|&bin_s| in_bins(a, b, bin_s)).fold(f64::INFINITY, f64::min);
    Some(clock_ms.hypot(latency_of(a)).hypot(latency_of(b)))
}

fn in_bins(a: &[Trial], b: &[Trial], bin_s: f64) -> f64 {
    let mut bins: BTreeMap<(u32, usize, i64), Bin> = BTreeMap::new();
    for (side, trials) in [a, b].into_iter().enumerate() {
        let share = 1.0 / trials.len() as f64;
        for trial in trials {
            let number = (trial.at_s / bin_s).floor() as i64;
            let bin = bins.entry((trial.stretch.0, trial.stretch.1, number)).or_default();
            bin.share[side] += share;
            bin.clock_ms = bin.clock_ms.max(trial.clock_ms);
            bin.rate_ppm = bin.rate_ppm.max(trial.rate_ppm);
        }
    }
    bins.values()
        .map(|bin| {
            let [of_a, of_b] = bin.share;
            let within_ms = (bin.rate_ppm * 1e-3 * bin_s).min(2.0 * bin.clock_ms);
            (of_a - of_b).abs() * bin.clock_ms + of_a.min(of_b) * within_ms
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trial(at_s: f64) -> Trial {
        Trial { stretch: (0, 0), at_s, clock_ms: 3.0, rate_ppm: 2.0, latency_ms: 0.0 }
    }

    fn every(from: usize, step: usize, count: usize) -> Vec<Trial> {
        (0..count).map(|number| trial((from + number * step) as f64)).collect()
    }

    #[test]
    fn labels_that_are_mixed_well_lose_what_is_common_and_blocks_do_not() {
        let mixed = latency_difference_ms(&every(0, 2, 300), &every(1, 2, 300)).unwrap();
        assert!(mixed < 0.03, "{mixed}");
        let blocks = latency_difference_ms(&every(0, 1, 300), &every(300, 1, 300)).unwrap();
        // Two ppm over 600 s is the tighter bound than twice 3 ms.
        assert!((1.1..=1.3).contains(&blocks), "{blocks}");
        let far: Vec<Trial> =
            every(0, 1, 300).iter().map(|one| Trial { at_s: one.at_s + 1e6, ..*one }).collect();
        let sum = |a: &[Trial], b: &[Trial]| latency_difference_ms(a, b).unwrap();
        assert!((sum(&every(0, 1, 300), &far) - 6.0).abs() < 1e-9);
        let restarted: Vec<Trial> =
            every(1, 2, 300).iter().map(|one| Trial { stretch: (1, 0), ..*one }).collect();
        assert!((sum(&every(0, 2, 300), &restarted) - 6.0).abs() < 1e-9);
        assert_eq!(latency_difference_ms(&every(0, 2, 300), &[]), None);
    }

    #[test]
    fn no_error_that_keeps_to_its_bounds_exceeds_the_bound() {
        // Errors of one sinusoid each, whose height and slope keep to what the trials state; labels at random times.
        let mut state = 0x9e37_79b9_7f4a_7c15_u64;
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        let mut closest: f64 = 0.0;
        for _ in 0..2_000 {
            let span_s = 10.0_f64.powf(1.0 + 3.0 * random());
            let (lean_a, lean_b) = (random() * 3.0, random() * 3.0);
            let mut of = |lean: f64, count: usize| -> Vec<Trial> {
                (0..count).map(|_| trial(span_s * random().powf(lean.exp2() / 2.0))).collect()
            };
            let (a, b) = (of(lean_a, 40), of(lean_b, 25));
            // |e| ≤ 3 ms and |e'| ≤ 2 ppm.
            let turn_s = (span_s * 10.0_f64.powf(random() * 1.5 - 0.5)).max(0.1);
            let height_ms = 3.0_f64.min(2.0e-3 * turn_s / std::f64::consts::TAU);
            let phase = random();
            let error_ms = |at_s: f64| height_ms * (std::f64::consts::TAU * (at_s / turn_s + phase)).sin();
            let mean = |trials: &[Trial]| {
                trials.iter().map(|one| error_ms(one.at_s)).sum::<f64>() / trials.len() as f64
            };
            let bound_ms = latency_difference_ms(&a, &b).unwrap();
            let off_ms = (mean(&a) - mean(&b)).abs();
            assert!(off_ms <= bound_ms, "{off_ms} of {bound_ms}");
            closest = closest.max(off_ms / bound_ms);
        }
        assert!(closest > 0.2, "the bound is never come near: {closest}");
    }
}
