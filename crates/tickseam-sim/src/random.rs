//! Random numbers that are the same on every machine: ChaCha with eight rounds, and mathematics from libm only.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// What a random number is for. Each purpose has a stream of its own, so that one option changed in a scenario leaves the
/// rest of the recording as it was. The numbers are part of what a seed means: never renumber.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Purpose {
    Crystal = 1,
    Phase = 2,
    DeviceJitter = 3,
    Channel = 4,
    Fades = 5,
    Noise = 6,
    Stack = 7,
    Stalls = 8,
    Loss = 9,
    Duplicates = 10,
    Reordering = 11,
    Trials = 12,
    Responses = 13,
    Latency = 14,
    FixedDelay = 15,
    Exchanges = 16,
    ReplyDither = 17,
    Downlink = 18,
    Markers = 19,
    Counters = 20,
    ReplyStack = 21,
    ReplyNoise = 22,
    Scenario = 23,
    Bursts = 24,
    PacketSizes = 25,
    Reconnection = 26,
    OtherLinks = 27,
    Background = 28,
    Rhythm = 29,
}

/// One stream of random numbers.
pub(crate) struct Random {
    rng: ChaCha8Rng,
}

impl Random {
    pub(crate) fn new(seed: u64, purpose: Purpose) -> Random {
        let mut key = [0_u8; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        let mut rng = ChaCha8Rng::from_seed(key);
        rng.set_stream(purpose as u64);
        Random { rng }
    }

    /// Passes over so many normal draws of a fresh stream: each takes two words of 64 bits, four of the generator's.
    pub(crate) fn skip_normals(&mut self, count: u128) {
        self.rng.set_word_pos(4 * count);
    }

    pub(crate) fn bits(&mut self) -> u64 {
        self.rng.next_u64()
    }

    /// Even in [0, 1), in steps of 2^-53.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / (1_u64 << 53) as f64)
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    /// One of `0..count`; the bias of about count ÷ 2^53 does not matter here.
    pub(crate) fn index(&mut self, count: usize) -> usize {
        ((self.uniform() * count as f64) as usize).min(count.saturating_sub(1))
    }

    pub(crate) fn exponential(&mut self, mean: f64) -> f64 {
        -mean * libm::log(1.0 - self.uniform())
    }

    /// Standard normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        radius * libm::cos(2.0 * core::f64::consts::PI * self.uniform())
    }

    pub(crate) fn lognormal(&mut self, median: f64, sigma: f64) -> f64 {
        median * libm::exp(sigma * self.normal())
    }

    /// Gamma with this shape and mean (Marsaglia and Tsang 2000; for a shape below one, their boost by a power of a uniform).
    pub(crate) fn gamma(&mut self, shape: f64, mean: f64) -> f64 {
        let boost = if shape < 1.0 { libm::pow(1.0 - self.uniform(), 1.0 / shape) } else { 1.0 };
        let d = if shape < 1.0 { shape + 1.0 } else { shape } - 1.0 / 3.0;
        let c = 1.0 / libm::sqrt(9.0 * d);
        loop {
            let x = self.normal();
            let root = 1.0 + c * x;
            if root > 0.0 {
                let v = root * root * root;
                if libm::log(1.0 - self.uniform()) < 0.5 * x * x + d - d * v + d * libm::log(v) {
                    return boost * d * v * mean / shape;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean and standard deviation of `draw` over 200,000 draws.
    fn moments(mut draw: impl FnMut(&mut Random) -> f64) -> (f64, f64) {
        let mut random = Random::new(1, Purpose::Noise);
        let count = 200_000;
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..count {
            let x = draw(&mut random);
            sum += x;
            squares += x * x;
        }
        let mean = sum / f64::from(count);
        (mean, (squares / f64::from(count) - mean * mean).sqrt())
    }

    fn near(measured: (f64, f64), mean: f64, deviation: f64) {
        // Five standard errors of a mean at 200,000 draws are 1.1 % of the deviation.
        assert!((measured.0 - mean).abs() < 0.012 * deviation, "{measured:?}, expected mean {mean}");
        assert!((measured.1 / deviation - 1.0).abs() < 0.03, "{measured:?}, expected deviation {deviation}");
    }

    // Textbook means and standard deviations, from memory.
    #[test]
    fn each_distribution_has_its_textbook_mean_and_deviation() {
        near(moments(|r| r.uniform()), 0.5, 1.0 / 12_f64.sqrt());
        near(moments(|r| r.exponential(3.0)), 3.0, 3.0);
        near(moments(|r| r.normal()), 0.0, 1.0);
        near(moments(|r| r.gamma(4.0, 2.0)), 2.0, 1.0);
        near(moments(|r| r.gamma(0.5, 2.0)), 2.0, 8_f64.sqrt());
        let sigma: f64 = 0.3;
        let mean = (sigma * sigma / 2.0).exp();
        near(moments(|r| r.lognormal(1.0, sigma)), mean, mean * ((sigma * sigma).exp() - 1.0).sqrt());
    }

    #[test]
    fn passing_over_draws_is_as_good_as_drawing_them() {
        let mut drawn = Random::new(3, Purpose::Background);
        let all: Vec<f64> = (0..40).map(|_| drawn.normal()).collect();
        for (from, expected) in all.into_iter().enumerate() {
            let mut skipped = Random::new(3, Purpose::Background);
            skipped.skip_normals(from as u128);
            assert_eq!(skipped.normal(), expected, "{from}");
        }
    }

    #[test]
    fn purposes_and_seeds_give_streams_of_their_own() {
        let first = |seed, purpose| Random::new(seed, purpose).bits();
        assert_eq!(first(1, Purpose::Stack), first(1, Purpose::Stack));
        assert_ne!(first(1, Purpose::Stack), first(1, Purpose::Loss));
        assert_ne!(first(1, Purpose::Stack), first(2, Purpose::Stack));
    }
}
