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
