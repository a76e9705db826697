//! Which counters seem to stand in the values of a characteristic, for a first draft of a layout. A guess, and said to be one.

use super::layout::{Field, Order};

/// Values that are looked at. A counter of 8 bits wraps some fifteen times in them, which tells it from the lower half of a wider one.
const LOOKED_AT: u64 = 4_000;

/// Bytes at the beginning of a value in which counters are looked for.
const SEARCHED_BYTES: usize = 24;

/// Share of steps by one from which a number is taken for a sequence number: packets are lost now and then.
const SEQUENCE_SHARE: f64 = 0.8;

/// Fewest steps from which anything is said.
const FEWEST_STEPS: u64 = 30;

/// Relative spread of its steps up to which a number is taken for a clock's counter.
const MOST_SPREAD: f64 = 1.5;

/// Steps of one number from value to value.
#[derive(Clone, Copy, Debug)]
struct Steps {
    field: Field,
    steps: u64,
    by_one: u64,
    least: u64,
    most: u64,
    sum: u128,
}

impl Steps {
    fn of(field: Field) -> Self {
        Self { field, steps: 0, by_one: 0, least: u64::MAX, most: 0, sum: 0 }
    }
}

/// Widths and orders of the numbers that are tried.
const WIDTHS: [(u8, Order); 5] =
    [(8, Order::Little), (16, Order::Little), (16, Order::Big), (32, Order::Little), (32, Order::Big)];

/// What was seen so far of the numbers in a characteristic's values.
#[derive(Clone, Debug, Default)]
pub struct Guess {
    looked_at: u64,
    before: Vec<u8>,
    first_ns: i64,
    last_ns: i64,
    numbers: Vec<Steps>,
}

/// A counter that seems to be there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Counter {
    /// Where it stands.
    pub field: Field,
    /// By how much it grows in a second.
    pub per_s: f64,
}

impl Guess {
    pub(crate) fn observe(&mut self, host_ns: i64, value: &[u8]) {
        if self.looked_at >= LOOKED_AT {
            return;
        }
        self.looked_at += 1;
        let value = &value[..value.len().min(SEARCHED_BYTES)];
        if self.looked_at == 1 {
            self.first_ns = host_ns;
            self.numbers = WIDTHS
                .into_iter()
                .flat_map(|(bits, order)| {
                    (0..=SEARCHED_BYTES - usize::from(bits) / 8)
                        .map(move |at| Steps::of(Field { bit: at * 8, bits, order }))
                })
                .collect();
        } else {
            self.last_ns = host_ns;
            for number in &mut self.numbers {
                let (before, now) = (number.field.read(&self.before), number.field.read(value));
                let (Some(before), Some(now)) = (before, now) else { continue };
                let step = now.wrapping_sub(before) & (u64::MAX >> (64 - number.field.bits));
                number.steps += 1;
                number.by_one += u64::from(step == 1);
                number.least = number.least.min(step);
                number.most = number.most.max(step);
                number.sum += u128::from(step);
            }
        }
        self.before.clear();
        self.before.extend_from_slice(value);
    }

    fn counter(&self, number: &Steps) -> Counter {
        let span_s = self.last_ns.saturating_sub(self.first_ns) as f64 / 1e9;
        Counter { field: number.field, per_s: if span_s > 0.0 { number.sum as f64 / span_s } else { 0.0 } }
    }

    /// A number that grows by one from value to value; of several the one that does so most often, of those the widest up to 16 bits.
    pub fn sequence(&self) -> Option<Counter> {
        let share = |number: &Steps| number.by_one as f64 / number.steps as f64;
        let enough = self.numbers.iter().filter(|number| number.steps >= FEWEST_STEPS);
        let found = enough.filter(|number| share(number) >= SEQUENCE_SHARE).max_by(|a, b| {
            // The upper half of a wide counter stands still as long as the lower one does not wrap: 16 bits say enough then.
            let width = |number: &Steps| (number.field.bits <= 16, number.field.bits);
            share(a).total_cmp(&share(b)).then(width(a).cmp(&width(b)))
        })?;
        Some(self.counter(found))
    }

    /// A number of 16 or 32 bits that grows evenly, by more than one; of several the most even one, of those the slowest.
    pub fn tick(&self) -> Option<Counter> {
        let sequence = self.sequence().map(|counter| counter.field);
        let apart = |field: Field| {
            sequence.is_none_or(|sequence| {
                let (begin, end) = (field.bit, field.bit + usize::from(field.bits));
                end <= sequence.bit || begin >= sequence.bit + usize::from(sequence.bits)
            })
        };
        let evenness = |number: &Steps| {
            let mean = number.sum as f64 / number.steps as f64;
            // Half of the counter in one step may as well be a step back.
            let turns = u64::MAX >> (65 - number.field.bits);
            (number.steps >= FEWEST_STEPS && mean > 1.0 && number.least > 0 && number.most < turns)
                .then(|| ((number.most - number.least) as f64 / mean, mean))
        };
        let mut found: Option<(&Steps, f64, f64)> = None;
        for number in self.numbers.iter().filter(|number| number.field.bits > 8 && apart(number.field)) {
            let Some((spread, mean)) = evenness(number) else { continue };
            let better = found.is_none_or(|(_, least, slowest)| {
                spread < least - 1e-9 || (spread < least + 1e-9 && mean <= slowest)
            });
            if spread <= MOST_SPREAD && better {
                found = Some((number, spread, mean));
            }
        }
        found.map(|(number, ..)| self.counter(number))
    }
}
