//! Keeps out host stamps that no link can have caused.

use crate::block::Arrival;
use crate::number::{lesser, magnitude};

/// A lone host stamp farther than this from its neighbours is nonsense, µs (own choice; far above what a stall holds
/// one packet back alone). Doubled: so much worse a stamp is believed.
const WILD_US: f64 = 5e6;

/// Arrivals in a row that are taken for stamped too early rather than for those of a clock that was set back and forth, at the most.
const EARLY_RUN: usize = 8;
/// Arrivals before them that they are compared with.
const BEFORE: usize = 16;
/// How much earlier than all of these their stamps have to be, and than the last one, µs: more than the coarsest usual step of stamps.
const EARLY_US: f64 = 1_000.0;

/// Leaves out arrivals that were stamped before they could come, and returns how many are left, at the slice's beginning: no link hands
/// over a packet before the one that was sent before it. So a stamp that goes back, and lies before what all others make possible, is wrong if
/// the next few do not go on from there. In the order of reception. Cost: one pass.
pub fn without_early(arrivals: &mut [Arrival]) -> usize {
    let (mut kept, mut at) = (0_usize, 0_usize);
    while let Some(&arrival) = arrivals.get(at) {
        let before = arrivals.get(kept.saturating_sub(BEFORE)..kept).unwrap_or_default();
        let goes_back = before.last().is_some_and(|last| arrival.host_us() < last.host_us() - EARLY_US);
        if goes_back {
            let least_us = before.iter().map(|a| a.residual_us).fold(f64::INFINITY, lesser);
            let is_early = |a: &Arrival| a.residual_us < least_us - EARLY_US;
            let rest = arrivals.get(at..).unwrap_or_default();
            let run = rest.iter().take(EARLY_RUN.saturating_add(1)).take_while(|a| is_early(a)).count();
            // At the end nothing tells which of the two it was.
            let after = || rest.iter().skip(run).take(EARLY_RUN);
            // A clock that was set back goes on so, but for a packet that comes late.
            let goes_on = after().filter(|a| is_early(a)).count().saturating_mul(2) > after().count();
            if run > 0 && run <= EARLY_RUN && run < rest.len() && !goes_on {
                at = at.saturating_add(run);
                continue;
            }
        }
        if let Some(slot) = arrivals.get_mut(kept) {
            *slot = arrival;
        }
        kept = kept.saturating_add(1);
        at = at.saturating_add(1);
    }
    kept
}

/// Keeps lone nonsense out: an arrival far from the one before is held until the next one sides with it.
#[derive(Clone, Debug, Default)]
pub struct Gate {
    last_us: Option<f64>,
    held: Option<Arrival>,
    /// Arrivals that were dropped.
    pub dropped: u64,
}

impl Gate {
    /// Takes one arrival; gives those that may be used now, in their order.
    pub fn admit(&mut self, arrival: Arrival) -> [Option<Arrival>; 2] {
        let near = |us: f64| magnitude(arrival.residual_us - us) <= WILD_US;
        if let Some(held) = self.held.take() {
            if near(held.residual_us) {
                self.last_us = Some(arrival.residual_us);
                return [Some(held), Some(arrival)];
            }
            self.dropped = self.dropped.saturating_add(1);
        }
        if self.last_us.is_some_and(near) {
            self.last_us = Some(arrival.residual_us);
            [Some(arrival), None]
        } else {
            self.held = Some(arrival);
            [None, None]
        }
    }

    /// At the end: the only arrival there was, if there was only one.
    pub fn close(&mut self) -> Option<Arrival> {
        let held = self.held.take()?;
        if self.last_us.is_none() && self.dropped == 0 {
            return Some(held);
        }
        self.dropped = self.dropped.saturating_add(1);
        None
    }
}

#[cfg(test)]
mod tests;
