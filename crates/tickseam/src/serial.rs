//! Counters that wrap: serial number arithmetic after RFC 1982 (August 1996), for any width of 2 to 64 bits.
//!
//! A counter of `bits` bits counts modulo 2^bits. Two of its values have an order only while they lie less than
//! half a turn, 2^(bits − 1), apart; at exactly half a turn the order is undefined, and every answer here says so
//! with `None` instead of picking a side.

use core::cmp::Ordering;
use core::fmt;

/// A counter width that serial number arithmetic has no meaning for.
///
/// RFC 1982 section 2 needs at least one bit more than the sign of a difference: 2 bits. More than 64 do not
/// fit a `u64`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SerialBitsError {
    /// The width asked for, bits.
    pub bits: u8,
}

impl fmt::Display for SerialBitsError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "a serial number has 2 to 64 bits, not {}", self.bits)
    }
}

impl core::error::Error for SerialBitsError {}

/// The numbers of a counter of a fixed width, and their arithmetic (RFC 1982 section 3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SerialSpace {
    bits: u8,
}

impl SerialSpace {
    /// A counter that wraps at 2^`bits`.
    ///
    /// # Errors
    /// `bits` outside 2..=64.
    pub const fn new(bits: u8) -> Result<Self, SerialBitsError> {
        if bits < 2 || bits > 64 { Err(SerialBitsError { bits }) } else { Ok(Self { bits }) }
    }

    /// Width of the counter, bits, 2..=64.
    #[must_use]
    pub const fn bits(self) -> u8 {
        self.bits
    }

    /// The largest number of this width: 2^bits − 1.
    #[must_use]
    pub const fn largest(self) -> u64 {
        u64::MAX.wrapping_shr(64_u32.wrapping_sub(self.bits as u32))
    }

    /// The largest addend that leaves the sum's order defined: 2^(bits − 1) − 1 (RFC 1982 section 3.1).
    #[must_use]
    pub const fn largest_addend(self) -> u64 {
        self.largest().wrapping_shr(1)
    }

    /// Whether a raw value fits the width.
    #[must_use]
    pub const fn contains(self, raw: u64) -> bool {
        raw <= self.largest()
    }

    /// The sum of a serial number and an addend, modulo 2^bits (RFC 1982 section 3.1).
    ///
    /// `None` where the sum is undefined: an addend above [`Self::largest_addend`], or a number out of range.
    #[must_use]
    pub const fn add(self, serial: u64, addend: u64) -> Option<u64> {
        if self.contains(serial) && addend <= self.largest_addend() {
            Some(serial.wrapping_add(addend) & self.largest())
        } else {
            None
        }
    }

    /// How `a` compares with `b` (RFC 1982 section 3.2).
    ///
    /// `None` where the order is undefined: exactly half a turn apart, or a number out of range.
    #[must_use]
    pub fn compare(self, a: u64, b: u64) -> Option<Ordering> {
        self.distance(b, a).map(|distance| distance.cmp(&0))
    }

    /// Steps from one number to another the shortest way round: positive when `to` is ahead.
    ///
    /// Range ±(2^(bits − 1) − 1). `None` at exactly half a turn, or for a number out of range.
    #[must_use]
    pub const fn distance(self, from: u64, to: u64) -> Option<i64> {
        if !self.contains(from) || !self.contains(to) {
            return None;
        }
        let ahead = to.wrapping_sub(from) & self.largest();
        let half = self.largest_addend().wrapping_add(1);
        if ahead < half {
            Some(ahead.cast_signed())
        } else if ahead == half {
            None
        } else {
            // Behind by less than half a turn: the bits above the width are filled with the sign.
            Some((ahead | !self.largest()).cast_signed())
        }
    }

    /// The number that an unwrapped count shows on a counter of this width.
    #[must_use]
    pub const fn reduce(self, unwrapped: i64) -> u64 {
        unwrapped.cast_unsigned() & self.largest()
    }

    /// The unwrapped count to begin with at a raw value.
    ///
    /// The raw value itself below 64 bits. At 64 bits the upper half reads as negative, the only representative
    /// an `i64` has, so that a wrap from 2^64 − 1 to 0 passes from −1 to 0.
    #[must_use]
    pub const fn begin(self, raw: u64) -> i64 {
        (raw & self.largest()).cast_signed()
    }

    /// The unwrapped count nearest to `reference` that shows `raw`.
    ///
    /// `None` when two are equally near (half a turn), when `raw` is out of range, or when the count leaves `i64`.
    #[must_use]
    pub const fn unwrap_near(self, reference: i64, raw: u64) -> Option<i64> {
        match self.distance(self.reduce(reference), raw) {
            Some(distance) => reference.checked_add(distance),
            None => None,
        }
    }

    /// The smallest unwrapped count not below `lower` that shows `raw`.
    ///
    /// `None` when `raw` is out of range or the count leaves `i64`.
    #[must_use]
    pub const fn first_from(self, lower: i64, raw: u64) -> Option<i64> {
        if !self.contains(raw) {
            return None;
        }
        lower.checked_add_unsigned(raw.wrapping_sub(self.reduce(lower)) & self.largest())
    }

    /// One whole turn, 2^bits. `None` where it does not fit an `i64` (63 and 64 bits).
    #[must_use]
    pub const fn turn(self) -> Option<i64> {
        if self.bits <= 62 { 1_i64.checked_shl(self.bits as u32) } else { None }
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]
    extern crate std;
    use super::*;
    use std::string::ToString;

    fn space(bits: u8) -> SerialSpace {
        SerialSpace::new(bits).unwrap()
    }

    #[test]
    fn a_width_without_meaning_is_refused() {
        for bits in [0, 1, 65, 255] {
            assert_eq!(SerialSpace::new(bits), Err(SerialBitsError { bits }));
            let words = SerialBitsError { bits }.to_string();
            assert!(words.contains("2 to 64 bits") && words.ends_with(&bits.to_string()), "{words}");
        }
        for bits in 2..=64 {
            assert_eq!((space(bits).bits(), space(bits).largest().count_ones()), (bits, u32::from(bits)));
        }
        assert_eq!(space(64).largest(), u64::MAX);
        assert_eq!(space(2).largest(), 3);
    }

    #[test]
    fn two_bits_behave_as_rfc_1982_section_5_1_says() {
        let two = space(2);
        assert_eq!(two.largest_addend(), 1);
        for (a, sum) in [(0, 1), (1, 2), (2, 3), (3, 0)] {
            assert_eq!(two.add(a, 1), Some(sum));
        }
        assert_eq!(two.add(0, 2), None);
        for (a, b) in [(1, 0), (2, 1), (3, 2), (0, 3)] {
            assert_eq!(two.compare(a, b), Some(Ordering::Greater));
            assert_eq!(two.compare(b, a), Some(Ordering::Less));
        }
        for (a, b) in [(2, 0), (0, 2), (1, 3), (3, 1)] {
            assert_eq!(two.compare(a, b), None);
        }
    }

    #[test]
    fn eight_bits_behave_as_rfc_1982_section_5_2_says() {
        let eight = space(8);
        assert_eq!(eight.largest_addend(), 127);
        assert_eq!(eight.add(255, 1), Some(0));
        assert_eq!(eight.add(100, 100), Some(200));
        assert_eq!(eight.add(200, 100), Some(44));
        assert_eq!(eight.add(5, 128), None);
        for (a, b) in
            [(1, 0), (44, 0), (100, 0), (100, 44), (200, 100), (255, 200), (0, 255), (100, 255), (0, 200)]
        {
            assert_eq!(eight.compare(a, b), Some(Ordering::Greater), "{a} {b}");
        }
        assert_eq!(eight.compare(44, 200), Some(Ordering::Greater));
        assert_eq!(eight.compare(44, 100), Some(Ordering::Less));
        for (a, b) in [(0, 128), (1, 129), (2, 130), (127, 255)] {
            assert_eq!(eight.compare(a, b), None);
        }
    }

    #[test]
    fn a_number_out_of_range_has_no_order_and_no_sum() {
        let eight = space(8);
        assert_eq!(eight.compare(256, 0), None);
        assert_eq!(eight.add(256, 1), None);
        assert_eq!(eight.unwrap_near(0, 256), None);
        assert_eq!(eight.first_from(0, 256), None);
    }

    #[test]
    fn every_pair_of_a_small_width_agrees_with_plain_counting() {
        for bits in 2..=6_u8 {
            let narrow = space(bits);
            let turn = narrow.turn().unwrap();
            for reference in -3 * turn..3 * turn {
                for raw in 0..turn.cast_unsigned() {
                    let mut nearest: Option<i64> = None;
                    let mut tie = false;
                    for count in reference - turn..=reference + turn {
                        if count.rem_euclid(turn).cast_unsigned() != raw {
                            continue;
                        }
                        let away = (count - reference).abs();
                        tie |= away * 2 == turn;
                        if nearest.is_none_or(|best: i64| away < (best - reference).abs()) {
                            nearest = Some(count);
                        }
                    }
                    let expected = if tie { None } else { nearest };
                    assert_eq!(narrow.unwrap_near(reference, raw), expected, "{bits} {reference} {raw}");
                    let first = narrow.first_from(reference, raw).unwrap();
                    assert!((reference..reference + turn).contains(&first));
                    assert_eq!(narrow.reduce(first), raw);
                }
            }
        }
    }

    #[test]
    fn a_sixty_four_bit_counter_wraps_through_minus_one() {
        let wide = space(64);
        assert_eq!(wide.begin(u64::MAX), -1);
        assert_eq!(wide.unwrap_near(-1, 0), Some(0));
        assert_eq!(wide.unwrap_near(0, u64::MAX), Some(-1));
        assert_eq!(wide.unwrap_near(i64::MAX, 1 << 63), None);
        assert_eq!(wide.turn(), None);
        assert_eq!(wide.distance(0, 1 << 63), None);
        assert_eq!(wide.distance(0, (1 << 63) - 1), Some(i64::MAX));
    }
}
