//! Two-way time transfer: a question and its answer, each stamped when sent and when received.
//!
//! A asks at `t1` on its own clock, B receives at `t2` and answers at `t3` on *its* clock, A receives at `t4`. Whatever
//! the two directions' delays were, neither was negative, so the offset is bounded on both sides.
//!
//! Sign: the offset is *B's clock less A's clock*, positive when B's clock is ahead.
//! RFC 5905 lets A **add** it to its own clock. IEEE 1588 calls the asking party the master and lets the slave, which is
//! B, **subtract** the same number (`offsetFromMaster` = slave less master). Mixing the two doubles the error
//! instead of removing it, hence [`Exchange::correction_of_a_ns`] and [`Exchange::correction_of_b_ns`].

use libm::sqrt;

use crate::line::nearest_f64;

/// Rate at which a clock left alone may go wrong, in seconds per second (15 ppm): TOLERANCE of RFC 5905, section 7.2.
///
/// Doubling it doubles [`grown_dispersion_s`]'s growth. It suits disciplined computer clocks; a headset's crystal is
/// declared at up to 50 ppm.
pub const PHI_S_PER_S: f64 = 15e-6;

/// Why the four stamps of an exchange were refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExchangeError {
    /// A's `t4` lies before `t1`, or B's `t3` before `t2`: a clock was stepped, or the stamps are mixed up.
    Backwards,
    /// The stamps lie further apart than an `i64` of nanoseconds holds (292 years).
    OutOfRange,
    /// The two bounds contradict each other: the way there and back would have taken less than no time. Seen when the
    /// clocks' rates differ and B took long to answer.
    NegativeDelay {
        /// The impossible round trip, in ns, below zero.
        delay_ns: i64,
    },
}

impl core::fmt::Display for ExchangeError {
    fn fmt(&self, formatter: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Backwards => formatter.write_str("an exchange ends before it begins on its own clock"),
            Self::OutOfRange => formatter.write_str("the stamps of an exchange are too far apart"),
            Self::NegativeDelay { delay_ns } => {
                write!(formatter, "a round trip of {delay_ns} ns is impossible")
            }
        }
    }
}

impl core::error::Error for ExchangeError {}

/// A completed exchange between clock A, which asks, and clock B, which answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Exchange {
    lower_ns: i64,
    upper_ns: i64,
    delay_ns: i64,
}

impl Exchange {
    /// Takes the four stamps in ns: `t1_ns` and `t4_ns` on A's clock, `t2_ns` and `t3_ns` on B's. The two clocks may
    /// count from different origins.
    ///
    /// # Errors
    /// [`ExchangeError::Backwards`] and [`ExchangeError::OutOfRange`].
    ///
    /// Source: RFC 5905, section 8.
    pub fn new(t1_ns: i64, t2_ns: i64, t3_ns: i64, t4_ns: i64) -> Result<Self, ExchangeError> {
        if t4_ns < t1_ns || t3_ns < t2_ns {
            return Err(ExchangeError::Backwards);
        }
        let upper_ns = t2_ns.checked_sub(t1_ns).ok_or(ExchangeError::OutOfRange)?;
        let lower_ns = t3_ns.checked_sub(t4_ns).ok_or(ExchangeError::OutOfRange)?;
        let delay_ns = upper_ns.checked_sub(lower_ns).ok_or(ExchangeError::OutOfRange)?;
        Ok(Self { lower_ns, upper_ns, delay_ns })
    }

    /// Largest possible offset, in ns: `t2 − t1`, reached when the question took no time.
    #[must_use]
    pub const fn upper_ns(&self) -> i64 {
        self.upper_ns
    }

    /// Smallest possible offset, in ns: `t3 − t4`, reached when the answer took no time.
    #[must_use]
    pub const fn lower_ns(&self) -> i64 {
        self.lower_ns
    }

    /// Lower and upper bound of the offset, in ns; true however unequal the two directions were.
    ///
    /// They are [`offset_ns`](Self::offset_ns) less and plus half of [`delay_ns`](Self::delay_ns).
    ///
    /// # Errors
    /// [`ExchangeError::NegativeDelay`] when no offset fits both.
    pub const fn bounds_ns(&self) -> Result<(i64, i64), ExchangeError> {
        if self.delay_ns < 0 {
            Err(ExchangeError::NegativeDelay { delay_ns: self.delay_ns })
        } else {
            Ok((self.lower_ns, self.upper_ns))
        }
    }

    /// Offset θ, in ns: B's clock less A's, the middle of the bounds, rounded down to a whole ns.
    ///
    /// Its error is half the difference of the two directions' delays, forward less back.
    #[must_use]
    pub const fn offset_ns(&self) -> i64 {
        self.lower_ns.saturating_add(self.delay_ns.div_euclid(2))
    }

    /// Round trip δ, in ns: the two directions' delays together, without the time B took to answer.
    ///
    /// Below zero when the clocks' rates differ by more than the round trip can hide.
    #[must_use]
    pub const fn delay_ns(&self) -> i64 {
        self.delay_ns
    }

    /// Standard uncertainty of the offset, in ns, if nothing is known but the bounds: δ/√12.
    ///
    /// # Errors
    /// [`ExchangeError::NegativeDelay`].
    ///
    /// Source: JCGM 100:2008 (GUM), 4.3.7, rectangular distribution.
    pub fn u_ns(&self) -> Result<f64, ExchangeError> {
        self.bounds_ns()?;
        Ok(nearest_f64(self.delay_ns) / sqrt(12.0))
    }

    /// What A must **add** to its clock to agree with B, in ns: the offset itself, as in RFC 5905.
    #[must_use]
    pub const fn correction_of_a_ns(&self) -> i64 {
        self.offset_ns()
    }

    /// What B must **add** to its clock to agree with A, in ns: the offset with its sign turned.
    #[must_use]
    pub const fn correction_of_b_ns(&self) -> i64 {
        self.offset_ns().saturating_neg()
    }

    /// `offsetFromMaster` of IEEE 1588, in ns, with A as master and B as slave: slave less master, what the slave must
    /// **subtract**.
    ///
    /// Source: IEEE 1588-2019, 11.3, without correction fields.
    #[must_use]
    pub const fn offset_from_master_ns(&self) -> i64 {
        self.offset_ns()
    }

    /// `meanPathDelay` of IEEE 1588, in ns: half the round trip, rounded down to a whole ns.
    ///
    /// Source: IEEE 1588-2019, 11.3, without correction fields.
    #[must_use]
    pub const fn mean_path_delay_ns(&self) -> i64 {
        self.delay_ns.div_euclid(2)
    }
}

/// Dispersion of a fresh exchange, in seconds: the two clocks' reading precisions, and what A's clock may have gone wrong
/// by while it waited.
///
/// All arguments in seconds, not negative; `waited_s` is `t4 − t1`.
///
/// Source: RFC 5905, section 9.2.
#[must_use]
pub fn fresh_dispersion_s(b_precision_s: f64, a_precision_s: f64, waited_s: f64) -> f64 {
    grown_dispersion_s(b_precision_s + a_precision_s, waited_s)
}

/// Dispersion after a further `elapsed_s` without an exchange, in seconds: it grows at [`PHI_S_PER_S`].
///
/// Source: RFC 5905, sections 7.2 and 9.2.
#[must_use]
pub fn grown_dispersion_s(dispersion_s: f64, elapsed_s: f64) -> f64 {
    dispersion_s + PHI_S_PER_S * elapsed_s
}

/// Synchronization distance λ, in seconds: the largest error that the offset of an exchange can have, half the
/// round trip and the dispersion together.
///
/// Source: RFC 5905, section 10.
#[must_use]
pub fn synchronization_distance_s(delay_s: f64, dispersion_s: f64) -> f64 {
    delay_s / 2.0 + dispersion_s
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::arithmetic_side_effects)]
    extern crate std;
    use super::*;
    use std::string::ToString;

    /// Stamps of an exchange with the given truth.
    fn exchange(offset_ns: i64, forward_ns: i64, back_ns: i64) -> Exchange {
        let (t1, asked, answered) = (1_000, 1_000 + forward_ns, 1_700 + forward_ns);
        Exchange::new(t1, asked + offset_ns, answered + offset_ns, answered + back_ns).unwrap()
    }

    #[test]
    fn the_truth_lies_within_the_bounds_however_unequal_the_directions_are() {
        for offset_ns in [-5_000_000_000, -1, 0, 7, 1_700_000_000_000_000_000] {
            for (forward_ns, back_ns) in [(0, 0), (1, 0), (0, 9_001), (40, 3), (5_000_000, 2)] {
                let exchange = exchange(offset_ns, forward_ns, back_ns);
                let (lower_ns, upper_ns) = exchange.bounds_ns().unwrap();
                assert!(lower_ns <= offset_ns && offset_ns <= upper_ns);
                assert_eq!((exchange.lower_ns(), exchange.upper_ns()), (lower_ns, upper_ns));
                assert_eq!(upper_ns - offset_ns, forward_ns, "the upper bound misses by the way there");
                assert_eq!(offset_ns - lower_ns, back_ns, "the lower bound misses by the way back");
                assert_eq!(exchange.delay_ns(), forward_ns + back_ns);
                assert_eq!(exchange.offset_ns() - offset_ns, (forward_ns - back_ns).div_euclid(2));
            }
        }
    }

    #[test]
    fn stamps_that_cannot_be_are_refused() {
        assert_eq!(Exchange::new(10, 0, 0, 9), Err(ExchangeError::Backwards));
        assert_eq!(Exchange::new(0, 10, 9, 5), Err(ExchangeError::Backwards));
        assert_eq!(Exchange::new(i64::MIN, 1, 1, i64::MAX), Err(ExchangeError::OutOfRange));
        assert_eq!(Exchange::new(-1, i64::MAX, i64::MAX, 0), Err(ExchangeError::OutOfRange));
        assert_eq!(Exchange::new(0, i64::MIN, i64::MIN, 1), Err(ExchangeError::OutOfRange));
        assert_eq!(Exchange::new(0, i64::MIN, i64::MAX, 0), Err(ExchangeError::OutOfRange));
    }

    #[test]
    fn an_impossible_round_trip_gives_no_bounds_and_no_uncertainty() {
        let exchange = Exchange::new(0, 0, 101, 100).unwrap();
        assert_eq!(exchange.bounds_ns(), Err(ExchangeError::NegativeDelay { delay_ns: -1 }));
        assert_eq!(exchange.u_ns(), Err(ExchangeError::NegativeDelay { delay_ns: -1 }));
        // The two sides stay readable: they show by how much they contradict each other.
        assert_eq!((exchange.lower_ns(), exchange.upper_ns()), (1, 0));
    }

    #[test]
    fn a_refusal_says_what_cannot_be() {
        let backwards = Exchange::new(10, 0, 0, 9).unwrap_err().to_string();
        assert!(backwards.contains("ends before it begins"), "{backwards}");
        let far = Exchange::new(i64::MIN, 1, 1, i64::MAX).unwrap_err().to_string();
        assert!(far.contains("too far apart"), "{far}");
        let impossible = Exchange::new(0, 0, 1_234, 100).unwrap().bounds_ns().unwrap_err().to_string();
        assert!(impossible.contains("-1134 ns"), "{impossible}");
    }

    #[test]
    fn the_uncertainty_is_that_of_a_rectangle_as_wide_as_the_round_trip() {
        assert!((exchange(0, 6, 6).u_ns().unwrap() - 12.0_f64.sqrt()).abs() < 1e-15);
    }
}
