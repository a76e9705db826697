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

/// Trials that are drawn from, at most: where there are more, as many neighbours as it takes are drawn together. The spread of a mean of a thousand
/// is told as well by a thousand sums of several; and what neighbours share is in it. Doubled: twice the memory and the time.
const MOST_DRAWN: usize = 1000;

/// What of the trials a bootstrap draws from: their values in the peak window.
#[derive(Clone, Debug)]
pub(super) struct Drawn {
    together: usize,
    /// Sums of so many trials that are drawn together, one after the other.
    sums: Vec<f64>,
    counts: Vec<u32>,
}

impl Drawn {
    /// For at most so many trials.
    pub(super) fn new(trials: usize) -> Self {
        Self { together: trials.div_ceil(MOST_DRAWN).max(1), sums: Vec::new(), counts: Vec::new() }
    }

    /// Takes a trial in; all have as many values.
    pub(super) fn add(&mut self, values: &[f64]) {
        match self.counts.last_mut().filter(|count| (**count as usize) < self.together) {
            Some(count) => {
                *count += 1;
                let begins = self.sums.len() - values.len();
                self.sums[begins..].iter_mut().zip(values).for_each(|(sum, value)| *sum += value);
            }
            None => {
                self.counts.push(1);
                self.sums.extend_from_slice(values);
            }
        }
    }

    /// Mean over all trials.
    pub(super) fn mean(&self) -> Vec<f64> {
        let mut mean = vec![0.0; self.sums.len() / self.counts.len().max(1)];
        self.mean_of(&mut mean, |_| 1);
        mean
    }

    /// Mean over trials of which each is there so many times.
    fn mean_of(&self, mean: &mut [f64], times: impl Fn(usize) -> u32) {
        mean.fill(0.0);
        let mut trials = 0.0;
        for (place, (sums, &count)) in self.sums.chunks_exact(mean.len().max(1)).zip(&self.counts).enumerate()
        {
            let times = f64::from(times(place));
            if times > 0.0 {
                trials += times * f64::from(count);
                mean.iter_mut().zip(sums).for_each(|(mean, sum)| *mean += times * sum);
            }
        }
        mean.iter_mut().for_each(|mean| *mean /= trials);
    }
}

/// Peaks of means over trials drawn with replacement: for each round and channel.
///
/// The same trials are drawn for every set of `sets`, all of which hold as many trials: what they have in common cancels in a difference.
/// Round r of a seed is the same whatever runs beside it. Result: sets, then channels, then rounds.
pub(super) fn bootstrap(sets: &[&Drawn], window: &PeakWindow, rounds: u32, seed: u64) -> Vec<Vec<Vec<Peak>>> {
    let points = window.points * window.channels;
    let blocks = sets.first().map_or(0, |set| set.counts.len());
    let mut key = [0_u8; 32];
    key[..8].copy_from_slice(&seed.to_le_bytes());
    let of_rounds: Vec<Vec<Peak>> = (0..rounds)
        .into_par_iter()
        .map_init(
            || (vec![0_u32; blocks], vec![0.0; points]),
            |(times, mean), round| {
                let mut random = ChaCha8Rng::from_seed(key);
                random.set_stream(u64::from(round));
                times.fill(0);
                for _ in 0..blocks {
                    // The high half of a product: even to 1 in 2^54 for a thousand.
                    let place = (u128::from(random.next_u64()) * blocks as u128) >> 64;
                    times[place as usize] += 1;
                }
                let mut peaks = Vec::with_capacity(sets.len() * window.channels);
                for set in sets {
                    set.mean_of(mean, |place| times[place]);
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

    fn drawn(heights: impl ExactSizeIterator<Item = f64>) -> Drawn {
        let mut drawn = Drawn::new(heights.len());
        heights.for_each(|height| drawn.add(&[0.0, height, 0.0]));
        drawn
    }

    const ONE_POINT: PeakWindow = PeakWindow { points: 3, beside: [1, 1], channels: 1, sign: 1.0 };

    fn spread(drawn: &Drawn, seed: u64) -> Spread {
        let rounds = bootstrap(&[drawn], &ONE_POINT, 4000, seed);
        Spread::of(rounds[0][0].iter().map(|peak| peak.amplitude))
    }

    #[test]
    fn rounds_are_the_same_for_a_seed_and_their_spread_is_the_standard_error() {
        // Triangles whose height is drawn from 0 … 49; the mean's standard error is known.
        let heights = drawn((0..50).map(f64::from));
        let found = spread(&heights, 1);
        assert_eq!(found, spread(&heights, 1));
        assert_ne!(found, spread(&heights, 2));
        assert_eq!(heights.mean(), [0.0, 24.5, 0.0]);
        // Population deviation of 0 … 49 is √((50² − 1) ÷ 12); of 4000 rounds, 1.1 % is one standard error.
        let expected = ((2500.0_f64 - 1.0) / 12.0).sqrt() / 50_f64.sqrt();
        assert!((found.standard_error / expected - 1.0).abs() < 0.04, "{found:?}, expected {expected}");
        for (end, sign) in found.interval.into_iter().zip([-1.0, 1.0]) {
            assert!((end - (24.5 + sign * 1.96 * expected)).abs() < 0.25, "{found:?}");
        }
    }

    #[test]
    fn many_trials_are_drawn_several_together_with_the_same_spread() {
        // 2,501 trials: 834 blocks, the last one of a single trial but for rounding up.
        let heights = drawn((0..2501_u32).map(|trial| f64::from(trial * 7919 % 2501)));
        assert_eq!((heights.counts.len(), heights.counts.last()), (834, Some(&2)));
        assert!((heights.mean()[1] - 1250.0).abs() < 1e-9);
        let found = spread(&heights, 3);
        let expected = ((2501.0_f64.powi(2) - 1.0) / 12.0 / 2501.0).sqrt();
        // Of 834 blocks the deviation has a standard error of 2.5 %, and neighbours here are not quite independent.
        assert!((found.standard_error / expected - 1.0).abs() < 0.2, "{found:?}, expected {expected}");
    }

    #[test]
    fn what_two_sets_share_cancels_in_their_difference() {
        let a = drawn((0..40_u32).map(|trial| f64::from(trial % 7)));
        let mut b = Drawn::new(40);
        (0..40_u32).for_each(|trial| b.add(&[3.0, 3.0 + f64::from(trial % 7), 3.0]));
        let rounds = bootstrap(&[&a, &b], &ONE_POINT, 50, 3);
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
