//! Samples at fractional positions: a sinc under a Kaiser window.
//!
//! Between samples at the instants 0, 1, 2 … a signal without content above half the sampling rate is the sum of its samples times
//! sin(πu) ÷ πu (Shannon 1949, from memory). Here the sum ends after [`HALF_WIDTH`] samples to either side, and a Kaiser window
//! (Kaiser 1974, from memory) brings it to zero there: up to [`PASS_BAND`] of the sampling rate a sinusoid comes out with an error below
//! [`PASS_ERROR`] of its amplitude, at any fraction. Above that, up to half the rate, it fades. A constant comes out exactly.

use std::f64::consts::PI;

/// Samples to either side that one value rests on, at full bandwidth. Doubled: the pass band ends at 0.46 of the sampling rate, and
/// trials must keep twice the distance from gaps.
pub const HALF_WIDTH: usize = 16;

/// Where the pass band ends, in parts of the sampling rate: 102 Hz at 250 Hz.
pub const PASS_BAND: f64 = 0.41;

/// Largest error in the pass band, in parts of a sinusoid's amplitude: 80 dB down, and what is folded back onto it.
pub const PASS_ERROR: f64 = 2e-4;

/// Stop band attenuation that the window is made for, dB; its shape parameter is 0.1102 (A − 8.7) (Kaiser 1974, from memory).
const ATTENUATION_DB: f64 = 80.0;

/// Entries of the table in one sample: a straight line between two misses the kernel by less than 1e-7.
const STEPS: usize = 2048;

/// A windowed sinc, tabulated.
#[derive(Clone, Debug)]
pub struct Kernel {
    half_width: usize,
    /// Values at 0, 1 ÷ [`STEPS`], … samples from the middle, to `half_width` and one step beyond.
    table: Vec<f64>,
}

impl Kernel {
    /// A kernel that passes this part of the samples' bandwidth, above 0 to 1: less than 1 where the values are taken at a lower rate
    /// than the samples.
    pub fn new(bandwidth: f64) -> Self {
        let bandwidth = bandwidth.clamp(1e-3, 1.0);
        let half_width = (HALF_WIDTH as f64 / bandwidth).ceil() as usize;
        let beta = 0.1102 * (ATTENUATION_DB - 8.7);
        let at = |step: usize| {
            let u = step as f64 / STEPS as f64;
            let inside = 1.0 - (u / half_width as f64).powi(2);
            if inside <= 0.0 {
                return 0.0;
            }
            let window = bessel_i0(beta * inside.sqrt()) / bessel_i0(beta);
            let x = PI * bandwidth * u;
            bandwidth * window * if x == 0.0 { 1.0 } else { x.sin() / x }
        };
        Self { half_width, table: (0..half_width * STEPS + 2).map(at).collect() }
    }

    /// Samples to either side that a value rests on.
    pub fn half_width(&self) -> usize {
        self.half_width
    }

    /// Weights of the samples around a position, `fraction` (0 to 1) after a sample: the first belongs to the sample `half_width − 1` before
    /// that one. They add up to 1.
    pub fn weights(&self, fraction: f64, weights: &mut Vec<f64>) {
        weights.clear();
        let first = fraction + (self.half_width - 1) as f64;
        weights.extend((0..2 * self.half_width).map(|place| {
            let x = (first - place as f64).abs() * STEPS as f64;
            let step = x as usize;
            match (self.table.get(step), self.table.get(step + 1)) {
                (Some(a), Some(b)) => a + (b - a) * (x - step as f64),
                _ => 0.0,
            }
        }));
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|weight| *weight /= sum);
    }
}

/// Modified Bessel function of the first kind, order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > sum * 1e-17 {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Largest error of a sinusoid of unit amplitude, over fractions and phases.
    fn worst(kernel: &Kernel, cycles_per_sample: f64) -> f64 {
        let mut weights = Vec::new();
        let mut worst: f64 = 0.0;
        for fraction in 0..=50 {
            let fraction = f64::from(fraction) / 50.0;
            kernel.weights(fraction, &mut weights);
            for phase in 0..8 {
                let phase = f64::from(phase) * PI / 8.0;
                let wave = |at: f64| (2.0 * PI * cycles_per_sample * at + phase).sin();
                let first = 1.0 - kernel.half_width() as f64;
                let sum: f64 = weights.iter().enumerate().map(|(j, w)| w * wave(first + j as f64)).sum();
                worst = worst.max((sum - wave(fraction)).abs());
            }
        }
        worst
    }

    #[test]
    fn sinusoids_of_the_pass_band_come_out_as_they_are_at_any_fraction() {
        let kernel = Kernel::new(1.0);
        assert!(worst(&kernel, 0.0) < 1e-12);
        for thousandth in 1..=410 {
            let cycles = f64::from(thousandth) / 1000.0;
            let worst = worst(&kernel, cycles);
            assert!(worst < PASS_ERROR, "{cycles} cycles in a sample: {worst:.2e}");
        }
        // The bound is not idle: near half the rate a sinusoid is lost.
        assert!(worst(&kernel, 0.49) > 0.1);
    }

    #[test]
    fn a_narrower_kernel_passes_less_and_stops_what_would_be_folded_back() {
        let kernel = Kernel::new(0.25);
        assert_eq!(kernel.half_width(), 64);
        assert!(worst(&kernel, 0.25 * PASS_BAND) < PASS_ERROR);
        let mut weights = Vec::new();
        kernel.weights(0.3, &mut weights);
        let gain = |cycles: f64| {
            let parts = weights.iter().enumerate().map(|(j, w)| {
                let angle = 2.0 * PI * cycles * j as f64;
                (w * angle.cos(), w * angle.sin())
            });
            let (re, im) = parts.fold((0.0, 0.0), |sum: (f64, f64), part| (sum.0 + part.0, sum.1 + part.1));
            re.hypot(im)
        };
        for cycles in [0.25 * 0.59, 0.2, 0.3, 0.45] {
            assert!(gain(cycles) < PASS_ERROR, "{cycles}: {}", gain(cycles));
        }
    }

    // numpy.i0 of numpy 2; Abramowitz and Stegun, table 9.8, gives e^−x I0(x) = 0.4657596 at 1 (from memory).
    #[test]
    fn the_bessel_function_is_numpys() {
        assert!((bessel_i0(1.0) * (-1.0_f64).exp() - 0.465_759_607_593_640_4).abs() < 1e-15);
        assert!((bessel_i0(7.857_26) / 374.1645627486728 - 1.0).abs() < 1e-14, "{}", bessel_i0(7.857_26));
    }
}
