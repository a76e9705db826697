//! What trials have in common, and how sure that is.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use rayon::prelude::*;

/// Mean and scatter of trials, point by point, as they come in (Welford 1962, from memory).
#[derive(Clone, Debug, Default)]
pub struct Mean {
    /// Trials so far.
    pub count: usize,
    /// Their mean, point by point.
    pub mean: Vec<f64>,
    squares: Vec<f64>,
}

impl Mean {
    /// Takes a trial in; all have as many points.
    pub fn add(&mut self, trial: &[f64]) {
        self.mean.resize(trial.len(), 0.0);
        self.squares.resize(trial.len(), 0.0);
        self.count += 1;
        let count = self.count as f64;
        for ((mean, squares), value) in self.mean.iter_mut().zip(&mut self.squares).zip(trial) {
            let before = value - *mean;
            *mean += before / count;
            *squares += before * (value - *mean);
        }
    }

    /// Standard error of the mean, point by point: the trials' standard deviation ÷ √n. NaN for fewer than two trials.
    pub fn standard_error(&self) -> Vec<f64> {
        let count = self.count as f64;
        self.squares.iter().map(|squares| (squares / (count - 1.0) / count).sqrt()).collect()
    }
}

/// Where a peak is looked for: points of a grid, one row of channels for each.
#[derive(Clone, Copy, Debug)]
pub(super) struct PeakWindow {
    /// Points in it, those beside it that only bend the parabola included.
    pub(super) points: usize,
    /// Points before and after that are beside it, 0 or 1.
    pub(super) beside: [usize; 2],
    /// Channels.
    pub(super) channels: usize,
    /// 1 where the largest value is the peak, −1 where the smallest is.
    pub(super) sign: f64,
}

/// One channel's peak.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Peak {
    /// Place in the points of the window, with its fraction.
    pub(super) at: f64,
    /// The value there.
    pub(super) amplitude: f64,
    /// Mean of the values in the window.
    pub(super) mean: f64,
    /// Whether it lies at the window's edge and the values go on beyond: no peak then.
    pub(super) at_edge: bool,
}

impl PeakWindow {
    /// The largest value of a channel inside the window, then the vertex of the parabola through it and its two neighbours.
    pub(super) fn peak(&self, values: &[f64], channel: usize) -> Peak {
        let value = |point: usize| self.sign * values[point * self.channels + channel];
        let inside = self.beside[0]..self.points - self.beside[1];
        let largest = inside.clone().max_by(|&a, &b| value(a).total_cmp(&value(b))).unwrap_or(0);
        let mean = inside.clone().map(value).sum::<f64>() / inside.len().max(1) as f64;
        let neighbours = largest.checked_sub(1).zip(Some(largest + 1).filter(|&after| after < self.points));
        let (mut at, mut amplitude, mut at_edge) = (largest as f64, value(largest), true);
        if let Some((before, after)) = neighbours {
            let (before, after) = (value(before), value(after));
            at_edge = before > amplitude || after > amplitude;
            let bend = before - 2.0 * amplitude + after;
            if !at_edge && bend < 0.0 {
                let shift = (before - after) / (2.0 * bend);
                at += shift;
                amplitude -= (before - after) * shift / 4.0;
            }
        }
        Peak { at, amplitude: self.sign * amplitude, mean: self.sign * mean, at_edge }
    }
}

/// Peaks of means over trials drawn with replacement: for each round and channel.
///
/// The same trials are drawn for every set of `sets`, all of which hold as many trials: what they have in common cancels in a difference.
/// Round r of a seed is the same whatever runs beside it. Result: sets, then channels, then rounds.
pub(super) fn bootstrap(sets: &[&[f64]], window: &PeakWindow, rounds: u32, seed: u64) -> Vec<Vec<Vec<Peak>>> {
    let points = window.points * window.channels;
    let trials = sets.first().map_or(0, |set| set.len() / points.max(1));
    let mut key = [0_u8; 32];
    key[..8].copy_from_slice(&seed.to_le_bytes());
    let of_rounds: Vec<Vec<Peak>> = (0..rounds)
        .into_par_iter()
        .map_init(
            || (vec![0_u32; trials], vec![0.0; points]),
            |(drawn, mean), round| {
                let mut random = ChaCha8Rng::from_seed(key);
                random.set_stream(u64::from(round));
                drawn.fill(0);
                for _ in 0..trials {
                    // The high half of a product: even to 1 in 2^40 for a million trials.
                    let place = (u128::from(random.next_u64()) * trials as u128) >> 64;
                    drawn[place as usize] += 1;
                }
                let mut peaks = Vec::with_capacity(sets.len() * window.channels);
                for set in sets {
                    mean.fill(0.0);
                    for (trial, &times) in set.chunks_exact(points).zip(drawn.iter()) {
                        if times > 0 {
                            let times = f64::from(times);
                            mean.iter_mut().zip(trial).for_each(|(mean, value)| *mean += times * value);
                        }
                    }
                    mean.iter_mut().for_each(|mean| *mean /= trials as f64);
                    peaks.extend((0..window.channels).map(|channel| window.peak(mean, channel)));
                }
                peaks
            },
        )
        .collect();
    let column = |set: usize, channel: usize| {
        of_rounds.iter().map(|peaks| peaks[set * window.channels + channel]).collect()
    };
    (0..sets.len()).map(|set| (0..window.channels).map(|channel| column(set, channel)).collect()).collect()
}

/// What the rounds of a bootstrap say of one number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// 2.5th and 97.5th percentile: the 95 % interval of the percentile method (Efron and Tibshirani 1993, chapter 13, from memory).
    pub interval: [f64; 2],
    /// Standard deviation over the rounds: the standard error.
    pub standard_error: f64,
}

impl Spread {
    pub(super) fn of(values: impl Iterator<Item = f64>) -> Self {
        let mut values: Vec<f64> = values.collect();
        values.sort_by(f64::total_cmp);
        let count = values.len() as f64;
        let mean = values.iter().sum::<f64>() / count;
        let squares = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>();
        let percentile = |share: f64| {
            let at = share * (count - 1.0);
            let below = at.floor();
            match (values.get(below as usize), values.get(below as usize + 1)) {
                (Some(a), Some(b)) => a + (b - a) * (at - below),
                (Some(a), None) => *a,
                _ => f64::NAN,
            }
        };
        Self {
            interval: [percentile(0.025), percentile(0.975)],
            standard_error: (squares / (count - 1.0)).sqrt(),
        }
    }

    /// The interval where a shift of all trials together may be added, known to ± `u95` (95 %): each arm grows by root sum of squares.
    pub fn with_shift(&self, about: f64, u95: f64) -> [f64; 2] {
        let arm = |end: f64| (end - about).max(0.0).hypot(u95);
        [about - arm(2.0 * about - self.interval[0]), about + arm(self.interval[1])]
    }
}

/// Share of its amplitude that the mean of a Gaussian component keeps whose latency scatters normally: s ÷ √(s² + j²).
///
/// The mean is the component convolved with the density of the scatter: a Gaussian of standard deviation √(s² + j²) and the same area.
pub fn amplitude_kept(component_sd_ms: f64, scatter_sd_ms: f64) -> f64 {
    component_sd_ms / component_sd_ms.hypot(scatter_sd_ms)
}

/// Weights of a Gaussian low-pass filter on a grid, the middle one first: half of the amplitude is left at `half_hz`, 98 % at a sixth
/// of it. It rings nowhere and shifts nothing; a Gaussian component is widened by it as by a scatter of its standard deviation.
pub(super) fn low_pass(half_hz: f64, rate_hz: f64) -> Vec<f64> {
    let sd = low_pass_sd_s(half_hz) * rate_hz;
    let reach = (4.5 * sd).ceil() as usize;
    let weight = |place: usize| (-0.5 * (place as f64 / sd).powi(2)).exp();
    let sum = weight(0) + 2.0 * (1..=reach).map(weight).sum::<f64>();
    (0..=reach).map(|place| weight(place) / sum).collect()
}

/// Standard deviation of the filter's weights, s: √(ln 2 ÷ 2) ÷ πf, from exp(−2π²f²σ²) = ½.
pub fn low_pass_sd_s(half_hz: f64) -> f64 {
    (std::f64::consts::LN_2 / 2.0).sqrt() / (std::f64::consts::PI * half_hz)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_and_standard_error_are_those_of_the_textbook() {
        let mut mean = Mean::default();
        for trial in [[1.0, 10.0], [2.0, 10.0], [3.0, 10.0], [6.0, 10.0]] {
            mean.add(&trial);
        }
        assert_eq!(mean.mean, [3.0, 10.0]);
        // Sum of squares 14, n − 1 = 3.
        let error = mean.standard_error();
        assert!((error[0] - (14.0_f64 / 3.0 / 4.0).sqrt()).abs() < 1e-15);
        assert_eq!(error[1], 0.0);
    }

    #[test]
    fn the_peak_of_a_gaussian_is_found_between_its_points() {
        // Components of 15 ms on a grid of 4 ms: the parabola errs by less than 0.02 ms and 0.04 %.
        for (sd_ms, most_ms, most_share) in [(15.0, 0.02, 4e-4), (40.0, 0.003, 1e-5), (6.0, 0.12, 0.0125)] {
            for tenth in 0..40 {
                let true_ms = 100.0 + f64::from(tenth) / 10.0;
                let value = |point: i32| (-0.5 * ((f64::from(point) * 4.0 - true_ms) / sd_ms).powi(2)).exp();
                for sign in [1.0, -1.0] {
                    let values: Vec<f64> = (0..50).map(|point| sign * 8.0 * value(point)).collect();
                    let window = PeakWindow { points: 50, beside: [1, 1], channels: 1, sign };
                    let peak = window.peak(&values, 0);
                    assert!((peak.at * 4.0 - true_ms).abs() < most_ms, "{sd_ms} {true_ms}: {peak:?}");
                    assert!((peak.amplitude * sign / 8.0 - 1.0).abs() < most_share, "{sd_ms}: {peak:?}");
                    assert!(!peak.at_edge);
                }
            }
        }
    }

    #[test]
    fn a_slope_without_a_peak_is_said_to_lie_at_the_edge() {
        let values: Vec<f64> = (0..10).map(f64::from).collect();
        let window = PeakWindow { points: 10, beside: [1, 1], channels: 1, sign: 1.0 };
        assert_eq!(window.peak(&values, 0), Peak { at: 8.0, amplitude: 8.0, mean: 4.5, at_edge: true });
        let window = PeakWindow { beside: [0, 0], ..window };
        assert_eq!(window.peak(&values, 0), Peak { at: 9.0, amplitude: 9.0, mean: 4.5, at_edge: true });
    }

    #[test]
    fn rounds_are_the_same_for_a_seed_and_their_spread_is_the_standard_error() {
        // 50 trials of one channel: a triangle whose height is drawn from 0 … 49; the mean's standard error is known.
        let trials: Vec<f64> = (0..50).flat_map(|trial| [0.0, f64::from(trial), 0.0]).collect();
        let window = PeakWindow { points: 3, beside: [1, 1], channels: 1, sign: 1.0 };
        let amplitudes = |seed| {
            let rounds = bootstrap(&[&trials], &window, 4000, seed);
            Spread::of(rounds[0][0].iter().map(|peak| peak.amplitude))
        };
        let spread = amplitudes(1);
        assert_eq!(spread, amplitudes(1));
        assert_ne!(spread, amplitudes(2));
        // Population deviation of 0 … 49 is √((50² − 1) ÷ 12); of 4000 rounds, 1.1 % is one standard error.
        let expected = ((2500.0_f64 - 1.0) / 12.0).sqrt() / 50_f64.sqrt();
        assert!((spread.standard_error / expected - 1.0).abs() < 0.04, "{spread:?}, expected {expected}");
        for (end, sign) in spread.interval.into_iter().zip([-1.0, 1.0]) {
            assert!((end - (24.5 + sign * 1.96 * expected)).abs() < 0.25, "{spread:?}");
        }
    }

    #[test]
    fn what_two_sets_share_cancels_in_their_difference() {
        let a: Vec<f64> = (0..40).flat_map(|trial| [0.0, f64::from(trial % 7), 0.0]).collect();
        let b: Vec<f64> = a.iter().map(|value| value + 3.0).collect();
        let window = PeakWindow { points: 3, beside: [1, 1], channels: 1, sign: 1.0 };
        let rounds = bootstrap(&[&a, &b], &window, 50, 3);
        let difference = |(a, b): (&Peak, &Peak)| b.amplitude - a.amplitude;
        assert!(rounds[0][0].iter().zip(&rounds[1][0]).all(|pair| (difference(pair) - 3.0).abs() < 1e-12));
    }

    #[test]
    fn a_shared_shift_widens_both_arms_by_root_sum_of_squares() {
        let spread = Spread { interval: [97.0, 104.0], standard_error: 1.0 };
        assert_eq!(spread.with_shift(100.0, 0.0), [97.0, 104.0]);
        assert_eq!(spread.with_shift(100.0, 4.0), [95.0, 100.0 + 32_f64.sqrt()]);
        // An interval that does not hold the estimate is not turned inside out.
        assert_eq!(spread.with_shift(96.0, 0.5), [95.5, 96.0 + (64.25_f64).sqrt()]);
    }
}
