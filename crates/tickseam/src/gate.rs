//! Keeps out lone host stamps that no link can have caused.

use crate::block::Arrival;
use crate::number::magnitude;

/// A lone host stamp farther than this from its neighbours is nonsense, µs (own choice; far above what a stall holds
/// one packet back alone). Doubled: so much worse a stamp is believed.
const WILD_US: f64 = 5e6;

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
mod tests {
    extern crate std;
    use super::*;
    use std::vec::Vec;

    /// The residuals of those that were let through, µs.
    fn admitted(gate: &mut Gate, residuals_us: &[f64]) -> Vec<f64> {
        let arrivals = residuals_us.iter().map(|us| Arrival::new(0.0, *us));
        arrivals
            .flat_map(|arrival| gate.admit(arrival))
            .flatten()
            .map(|arrival| arrival.residual_us)
            .collect()
    }

    #[test]
    fn a_lone_stamp_far_from_its_neighbours_is_kept_out_and_counted() {
        let mut gate = Gate::default();
        let through = admitted(&mut gate, &[0.0, 100.0, 6e6, 200.0, -9e6, 300.0]);
        assert_eq!((through.as_slice(), gate.dropped), ([0.0, 100.0, 200.0, 300.0].as_slice(), 2));
        assert_eq!(gate.close(), None);
        assert_eq!(gate.dropped, 2);
        // Five seconds are still believed.
        assert_eq!(admitted(&mut gate, &[300.0 + WILD_US]), [300.0 + WILD_US]);
    }

    #[test]
    fn two_that_side_with_each_other_are_let_through_in_their_order() {
        let mut gate = Gate::default();
        let set = [0.0, 1.0, 3.6e9, 3.6e9 + 1.0, 3.6e9 + 2.0];
        assert_eq!((admitted(&mut gate, &set).as_slice(), gate.dropped), (set.as_slice(), 0));
    }

    #[test]
    fn the_last_one_is_believed_only_if_it_is_the_only_one() {
        let mut only = Gate::default();
        assert!(admitted(&mut only, &[7.0]).is_empty());
        assert_eq!(only.close(), Some(Arrival::new(0.0, 7.0)));
        assert_eq!((only.close(), only.dropped), (None, 0));
        let mut after_others = Gate::default();
        let _ = admitted(&mut after_others, &[0.0, 1.0, 9e6]);
        assert_eq!((after_others.close(), after_others.dropped), (None, 1));
        // Of two that contradict each other nobody knows which is right.
        let mut two = Gate::default();
        assert!(admitted(&mut two, &[0.0, 9e6]).is_empty());
        assert_eq!((two.close(), two.dropped), (None, 2));
    }
}
