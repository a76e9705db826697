//! What the tests share: reading the published numbers, comparing by digits, seeded random numbers, and the numbered scenarios with their
//! limits.

use std::fs;
use std::path::PathBuf;

use serde::de::DeserializeOwned;

mod cores;
pub mod matrix;

pub use cores::on_all_cores;

/// Path of a file of published numbers.
#[must_use]
pub fn published(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("published").join(name)
}

/// Reads a TOML file of published numbers.
///
/// # Panics
/// When the file is missing or is not what the test expects.
#[must_use]
pub fn read_toml<T: DeserializeOwned>(name: &str) -> T {
    let path = published(name);
    let text = fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Reads a CSV file of published numbers; lines that start with `#` are comments.
///
/// # Panics
/// When the file is missing, empty, or not what the test expects.
#[must_use]
pub fn read_csv<T: DeserializeOwned>(name: &str) -> Vec<T> {
    let path = published(name);
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_path(&path)
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let rows: Vec<T> = reader
        .deserialize()
        .map(|row| row.unwrap_or_else(|error| panic!("{}: {error}", path.display())))
        .collect();
    assert!(!rows.is_empty(), "{} has no rows", path.display());
    rows
}

/// Number of leading digits in which `got` agrees with `want`: minus the decimal logarithm of the relative error, at
/// most 17 (NIST calls it the log relative error). Zero or less: not even the first digit. NaN gives minus infinity.
#[must_use]
pub fn agreeing_digits(got: f64, want: f64) -> f64 {
    let error = if want == 0.0 { got.abs() } else { ((got - want) / want).abs() };
    if error.is_nan() { f64::NEG_INFINITY } else { (-error.log10()).min(17.0) }
}

/// Requires that `got` agrees with `want` in at least `digits` leading digits.
///
/// # Panics
/// When it does not.
#[track_caller]
pub fn assert_digits(what: &str, got: f64, want: f64, digits: f64) {
    let agreeing = agreeing_digits(got, want);
    assert!(
        agreeing >= digits,
        "{what}: {got:e} agrees with {want:e} in {agreeing:.1} digits, not in {digits}"
    );
}

/// Requires that `got` rounds to `printed`, a number printed with `decimals` decimals.
///
/// # Panics
/// When it does not.
#[track_caller]
pub fn assert_prints_as(what: &str, got: f64, printed: f64, decimals: usize) {
    let rounded = format!("{got:.decimals$}");
    let wanted = format!("{printed:.decimals$}");
    assert_eq!(rounded, wanted, "{what}: {got} does not print as {wanted}");
}

/// Requires that a simulated mean lies within five of its standard errors of what it should be.
///
/// # Panics
/// When it does not.
#[track_caller]
pub fn assert_within_scatter(what: &str, got: f64, want: f64, standard_error: f64) {
    let allowed = 5.0 * standard_error + 1e-12;
    assert!((got - want).abs() <= allowed, "{what}: simulated {got}, expected {want}, allowed ±{allowed:e}");
}

/// Seeded random numbers for simulations: the same on every machine.
///
/// The recurrence is SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, Fast splittable pseudorandom number
/// generators, OOPSLA 2014; constants from memory).
#[derive(Clone, Debug)]
pub struct Random {
    state: u64,
}

impl Random {
    /// Starts at a seed.
    #[must_use]
    pub const fn seeded(seed: u64) -> Self {
        Self { state: seed }
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.state;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// Evenly spread over 0 to 1, neither end included.
    pub fn uniform(&mut self) -> f64 {
        ((self.next() >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
    }

    /// Normally distributed with mean 0 and standard deviation 1 (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_are_counted_as_a_reader_would() {
        assert!((agreeing_digits(1.001, 1.0) - 3.0).abs() < 1e-6);
        assert!(agreeing_digits(2.0, 1.0) <= 0.0);
        assert_eq!(agreeing_digits(f64::NAN, 1.0), f64::NEG_INFINITY);
        assert_eq!(agreeing_digits(5.0, 5.0), 17.0);
    }

    #[test]
    fn random_numbers_have_the_moments_they_claim() {
        let mut random = Random::seeded(1);
        let count = 200_000;
        let (mut mean, mut variance, mut fourth, mut uniform) = (0.0, 0.0, 0.0, 0.0);
        for _ in 0..count {
            let normal = random.normal();
            mean += normal / f64::from(count);
            variance += normal.powi(2) / f64::from(count);
            fourth += normal.powi(4) / f64::from(count);
            uniform += (random.uniform() - 0.5).powi(2) / f64::from(count);
        }
        let root = f64::from(count).sqrt();
        assert_within_scatter("mean", mean, 0.0, 1.0 / root);
        assert_within_scatter("variance", variance, 1.0, 2.0_f64.sqrt() / root);
        assert_within_scatter("fourth moment", fourth, 3.0, 96.0_f64.sqrt() / root);
        assert_within_scatter("uniform variance", uniform, 1.0 / 12.0, (1.0_f64 / 180.0).sqrt() / root);
    }
}
