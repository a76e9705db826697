//! By how much the least delays of neighbouring blocks scatter, whatever the drift.

use heapless::Vec;

use crate::block::Bound;
use crate::number::{count, greater, lesser, magnitude, single};

/// Second differences remembered.
const REMEMBERED: usize = 16;
/// Mean absolute second difference of independent values, in their standard deviations: √6 · √(2/π).
const SECOND_DIFFERENCE: f64 = 1.954_410_047_611_68;

/// Twice the distance of the middle one from the line through its neighbours, as if they were evenly spaced, µs; `None` where they are far from that.
fn second_difference_us(a: Bound, b: Bound, c: Bound) -> Option<f64> {
    let (before, after) = (b.at_s - a.at_s, c.at_s - b.at_s);
    if before * after <= 0.0 || before >= 8.0 * after || after >= 8.0 * before {
        return None;
    }
    let share = before / (before + after);
    Some(2.0 * magnitude(b.residual_us - (a.residual_us + share * (c.residual_us - a.residual_us))))
}

/// Median absolute second difference of independent values, in their standard deviations: √6 · 0.6745.
const MEDIAN_SECOND_DIFFERENCE: f64 = 1.652_144;
/// Second differences that a median is taken of.
const DIFFERENCES: usize = 128;

/// Standard deviation of so many touches about a smooth curve as the median of their second differences tells it, whatever a few of them are off by, µs;
/// infinite where there are too few.
#[inline(never)]
pub(crate) fn typical_us(touches: &mut dyn Iterator<Item = Bound>, n: usize) -> f64 {
    let mut differences: Vec<f32, DIFFERENCES> = Vec::new();
    let every = n.checked_div(DIFFERENCES).unwrap_or(0).saturating_add(1);
    let (mut a, mut b) = (None, None);
    for (i, c) in touches.enumerate() {
        if let (Some(a), Some(b)) = (a, b)
            && i.is_multiple_of(every)
            && let Some(off) = second_difference_us(a, b, c)
        {
            let _ = differences.push(single(off));
        }
        (a, b) = (b, Some(c));
    }
    crate::sorting::sort(&mut differences, &|x: &f32, y: &f32| x < y);
    let middle = differences.get(differences.len() / 2).copied();
    middle.map_or(f64::INFINITY, |middle| f64::from(middle) / MEDIAN_SECOND_DIFFERENCE)
}

/// Standard deviation of block minima about a smooth curve, from their second differences.
#[derive(Clone, Debug)]
pub(crate) struct Scatter {
    last: Vec<Bound, 3>,
    differences: Vec<f32, REMEMBERED>,
}

impl Scatter {
    pub(crate) const fn new() -> Self {
        Self { last: Vec::new(), differences: Vec::new() }
    }

    /// Takes the next block's minimum; returns the standard deviation, µs, or 0 while it is not known.
    pub(crate) fn observe(&mut self, minimum: Bound) -> f64 {
        if self.last.is_full() {
            self.last.rotate_left(1);
            let _ = self.last.pop();
        }
        let _ = self.last.push(minimum);
        if let &[a, b, c] = self.last.as_slice()
            && let Some(off) = second_difference_us(a, b, c)
        {
            if self.differences.is_full() {
                self.differences.rotate_left(1);
                let _ = self.differences.pop();
            }
            let _ = self.differences.push(single(off));
        }
        self.now_us()
    }

    /// The standard deviation as the minima taken so far tell it, µs, or 0 while it is not known.
    pub(crate) fn now_us(&self) -> f64 {
        if self.differences.len() < 2 {
            return 0.0;
        }
        let mean =
            self.differences.iter().copied().map(f64::from).sum::<f64>() / count(self.differences.len());
        mean / SECOND_DIFFERENCE
    }
}

/// Straight lines are laid through the minima of at most this many blocks.
const LINE_BLOCKS: usize = 64;
/// Blocks that lie farther apart are not compared by a straight line, s: a crystal that warms up bends by 0.17 ms in it.
pub(crate) const LINE_S: f64 = 300.0;

/// How far the minima of neighbouring blocks range about a straight line, µs: what a slow saw-tooth in the delays
/// looks like. `minima` begins at the first block of the stretch, which lasts `longest_s`; returns the range and how many
/// blocks it spans.
pub(crate) fn range<I>(minima: I, longest_s: f64) -> (f64, usize)
where
    I: Iterator<Item = Bound> + Clone,
{
    let Some(first) = minima.clone().next() else { return (0.0, 0) };
    let stretch = minima.take_while(|m| m.at_s - first.at_s < longest_s).take(LINE_BLOCKS);
    let mut line = crate::line::LineAccumulator::new();
    let mut n = 0_usize;
    for m in stretch.clone() {
        let _ = line.add(m.at_s, m.residual_us, 1.0);
        n = n.saturating_add(1);
    }
    let Ok(fit) = line.fit() else { return (0.0, n) };
    let (mut least, mut greatest) = (0.0, 0.0);
    for m in stretch {
        let off = m.residual_us - fit.predict(m.at_s).value;
        least = lesser(off, least);
        greatest = greater(off, greatest);
    }
    (greatest - least, n)
}

#[cfg(test)]
mod tests;
