//! What a run answers, as bits that compare.

use core::fmt::{Display, Formatter, Result};

use tickseam::intake::{Confirmed, Disposition, Intaken, Resolved};

/// The bits of a number, all NaNs the same: which NaN comes of a calculation is left to the processor (IEEE 754-2019, 6.2.3).
pub fn bits(number: f64) -> u64 {
    if number.is_nan() { 0x7FF8_0000_0000_0000 } else { number.to_bits() }
}

/// Numbers in a row.
pub const NUMBERS: usize = 8;

/// The answer for one event.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// What answered.
    pub by: &'static str,
    /// Packets received before.
    pub packets: u32,
    /// Segment on whose timeline the event fell; `None` if it was not placed.
    pub segment: Option<u32>,
    /// What was answered, as [`bits`].
    pub numbers: [u64; NUMBERS],
}

impl Display for Row {
    fn fmt(&self, out: &mut Formatter<'_>) -> Result {
        write!(out, "{} {}", self.by, self.packets)?;
        match self.segment {
            Some(segment) => write!(out, " {segment}")?,
            None => out.write_str(" -")?,
        }
        self.numbers.iter().try_for_each(|number| write!(out, " {number:016x}"))
    }
}

/// FNV-1a of 64 bits over all answers, each number as its eight bytes, the lowest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sum(u64);

impl Default for Sum {
    fn default() -> Self {
        Self(0xCBF2_9CE4_8422_2325)
    }
}

impl Sum {
    /// The sum.
    pub const fn value(self) -> u64 {
        self.0
    }

    /// Takes bytes in.
    pub fn bytes(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.0 = (self.0 ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01B3);
        }
    }

    /// Takes a number in.
    pub fn number(&mut self, number: u64) {
        self.bytes(&number.to_le_bytes());
    }

    /// Takes a signed number in.
    pub fn signed(&mut self, number: i64) {
        self.number(number.cast_unsigned());
    }

    /// Takes a row in.
    pub fn row(&mut self, row: &Row) {
        self.number(u64::from(row.packets));
        self.number(row.segment.map_or(u64::MAX, u64::from));
        row.numbers.iter().for_each(|number| self.number(*number));
    }

    /// Takes in what became of a packet.
    pub fn intaken(&mut self, intaken: &Intaken) {
        self.disposition(&intaken.disposition);
        self.resolved(intaken.resolved.as_ref());
    }

    fn resolved(&mut self, at: Option<&Resolved>) {
        self.number(at.map_or(u64::MAX, |at| u64::from(at.segment)));
        self.signed(at.map_or(i64::MIN, |at| at.index));
        self.signed(at.map_or(i64::MIN, |at| at.device));
    }

    fn confirmed(&mut self, confirmed: &Confirmed) {
        self.number(u64::from(confirmed.packets));
        self.resolved(confirmed.previous.as_ref());
        self.signed(confirmed.index_shift);
        self.signed(confirmed.device_shift);
    }

    fn disposition(&mut self, disposition: &Disposition) {
        match disposition {
            Disposition::InOrder => self.number(0),
            Disposition::Late => self.number(1),
            Disposition::Duplicate => self.number(2),
            Disposition::OpensGap { missing_from, missing_count } => {
                self.number(3);
                self.signed(*missing_from);
                self.number(*missing_count);
            }
            Disposition::ClosesGap => self.number(4),
            Disposition::Resumes { missing_from, missing_count, confirmed } => {
                self.number(5);
                self.signed(*missing_from);
                self.number(*missing_count);
                self.confirmed(confirmed);
            }
            Disposition::NewSegment { cause: _, confirmed } => {
                self.number(6);
                self.confirmed(confirmed);
            }
            Disposition::JoinsSegment { confirmed } => {
                self.number(7);
                self.confirmed(confirmed);
            }
            Disposition::Ambiguous { provisional, possible } => {
                self.number(8);
                self.resolved(Some(provisional));
                self.number(u64::from(*possible));
            }
            Disposition::Quarantined { provisional } => {
                self.number(9);
                self.resolved(Some(provisional));
            }
            Disposition::Rejected(_) => self.number(10),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Sum, bits};

    #[test]
    fn sums_are_those_of_the_published_test_vectors() {
        // FNV-1a, 64 bits: test vectors of draft-eastlake-fnv (RFC 9923), quoted from memory.
        for (text, expected) in
            [("", 0xCBF2_9CE4_8422_2325), ("a", 0xAF63_DC4C_8601_EC8C), ("foobar", 0x8594_4171_F739_67E8)]
        {
            let mut sum = Sum::default();
            sum.bytes(text.as_bytes());
            assert_eq!(sum.value(), expected, "{text}");
        }
    }

    #[test]
    fn every_nan_has_the_same_bits_and_nothing_else_is_touched() {
        for raw in [0x7FF8_0000_0000_0000, 0xFFF8_0000_0000_0000, 0x7FF0_0000_0000_0001] {
            assert_eq!(bits(f64::from_bits(raw)), 0x7FF8_0000_0000_0000);
        }
        assert_eq!(bits(-0.0), 1 << 63);
        assert_eq!(bits(f64::INFINITY), 0x7FF0_0000_0000_0000);
    }
}
