//! A sum of 64 bits over everything that was answered.

use std::fmt::{Debug, Write as _};

/// The finaliser of SplitMix64 (Steele, Lea and Flood 2014): each bit of a number changes about half of the bits of what comes out.
pub(crate) const fn mixed(number: u64) -> u64 {
    let once = (number ^ (number >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let twice = (once ^ (once >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    twice ^ (twice >> 31)
}

/// A sum that the order counts for.
#[derive(Default)]
pub(crate) struct Digest {
    sum: u64,
    text: String,
}

impl Digest {
    pub(crate) fn word(&mut self, word: u64) {
        self.sum = mixed(self.sum.rotate_left(5).wrapping_add(0x9e37_79b9_7f4a_7c15) ^ word);
    }

    pub(crate) fn whole(&mut self, number: i64) {
        self.word(number.cast_unsigned());
    }

    /// A number by its bits. All NaNs are one: processors make them of different bits.
    pub(crate) fn number(&mut self, number: f64) {
        self.word(if number.is_nan() { f64::NAN.to_bits() } else { number.to_bits() });
    }

    /// Any answer, as it is printed for programmers: that shows all digits of every number. Names of fields do not count, since they are
    /// no part of what is answered.
    pub(crate) fn answer(&mut self, answer: &dyn Debug) {
        let mut text = std::mem::take(&mut self.text);
        text.clear();
        let _ = write!(text, "{answer:?}");
        let bytes = text.as_bytes();
        let is_of_a_name = |byte: u8| byte == b'_' || byte.is_ascii_alphanumeric();
        let mut at = 0;
        while let Some(&byte) = bytes.get(at) {
            let named = if byte.is_ascii_alphabetic() {
                bytes[at..].iter().take_while(|byte| is_of_a_name(**byte)).count()
            } else {
                0
            };
            let until = at + named.max(1);
            if named == 0 || bytes.get(until) != Some(&b':') {
                bytes[at..until].iter().for_each(|byte| self.word(u64::from(*byte)));
            }
            at = until;
        }
        self.text = text;
    }

    pub(crate) const fn sum(&self) -> u64 {
        self.sum
    }
}

#[test]
fn names_of_fields_do_not_count_and_everything_else_does() {
    #[derive(Debug)]
    #[expect(dead_code, reason = "they are printed")]
    enum One {
        Of { here: f64, there: Option<i64> },
        Or { somewhere: f64, anywhere: Option<i64> },
    }
    let sum = |answer: &dyn Debug| {
        let mut digest = Digest::default();
        digest.answer(answer);
        digest.sum()
    };
    #[derive(Debug)]
    #[expect(dead_code, reason = "it is printed")]
    struct Of {
        elsewhere: f64,
        nowhere: Option<i64>,
    }
    let of = |here, there| sum(&One::Of { here, there });
    let usual = of(0.1, Some(7));
    assert_eq!(usual, sum(&Of { elsewhere: 0.1, nowhere: Some(7) }));
    for other in [
        of(0.1_f64.next_up(), Some(7)),
        of(0.1, Some(-7)),
        of(0.1, None),
        of(-0.1, Some(7)),
        sum(&One::Or { somewhere: 0.1, anywhere: Some(7) }),
    ] {
        assert_ne!(usual, other);
    }
    assert_ne!(of(0.0, None), of(-0.0, None));
    assert_eq!(of(f64::NAN, None), of(-f64::NAN, None));
}

#[test]
fn the_order_and_every_bit_of_a_number_count() {
    let of = |words: &[f64]| {
        let mut digest = Digest::default();
        words.iter().for_each(|word| digest.number(*word));
        digest.sum()
    };
    assert_eq!(of(&[f64::NAN]), of(&[-f64::NAN]));
    let mut sums = vec![of(&[]), of(&[0.0]), of(&[-0.0]), of(&[1.0, 2.0]), of(&[2.0, 1.0]), of(&[1.0])];
    sums.push(of(&[1.0_f64.next_up(), 2.0]));
    let all = sums.len();
    sums.sort_unstable();
    sums.dedup();
    assert_eq!(sums.len(), all);
}
