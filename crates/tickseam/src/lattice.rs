//! Whether arrivals sit on a grid of the link's own, and which.
//!
//! A link that sends only at its own instants (connection events, beacon or slot frames) delivers on a grid of
//! period C in *host* time. Steady arrivals alone do not show one: a packet every 250 ms is on every grid that
//! divides 250 ms. What shows it is structure in the scatter that the sending period does not explain:
//! two packets of which one waited longer by more than a quarter of C must still lie a whole number of C apart.
//! Only such pairs are counted here, so that no grid is found where delays are constant or merely noisy.

/// Pairs of arrivals that are remembered, all of them scattered.
const PAIRS: usize = 64;
/// Scattered pairs that a period needs before it is judged.
const PAIRS_NEEDED: u32 = 24;
/// Mean agreement that a period must reach: 1 is exact, 0 is chance. With 24 pairs chance has a standard
/// deviation of 0.12 (the triangular score has a variance of 1/3); doubling this leaves only links without jitter.
const AGREEMENT: f64 = 0.6;
/// Agreement, as a share of the best, at which a longer period is preferred: the true period's divisors agree as well.
const NEAR_BEST: f64 = 0.85;
/// Least difference of waiting time, µs, for a pair to count as scattered.
const SCATTER_US: f64 = 1_500.0;
/// Step of the connection interval in Bluetooth LE, µs (Bluetooth Core, Vol 6 Part B, 4.5.1).
const INTERVAL_STEP_US: f64 = 1_250.0;
/// Multiples of that step that are tried first, from 7.5 ms to 100 ms.
const STEPS: core::ops::RangeInclusive<u16> = 6..=80;
/// Further periods: from 4 ms to 160 ms, each longer by this share; neighbours overlap for two teeth of difference.
const FURTHER: u16 = 740;
const FURTHER_RATIO: f64 = 1.005;
const FURTHER_FROM_US: f64 = 4_000.0;

/// Candidates tried for each packet in the first rounds, and how many rounds are the first.
const EAGER: u8 = 16;
const EAGER_ROUNDS: u8 = 8;

/// Looks for the period of the link's grid, a few candidates for each packet.
#[derive(Clone, Debug)]
pub(crate) struct Detector {
    /// Scattered pairs: difference of arrival (µs), difference of wait (µs).
    pairs: [(f32, f32); PAIRS],
    filled: usize,
    next: usize,
    fresh: u32,
    last: [(f64, f64); 3],
    seen: u32,
    candidate: u16,
    further_us: f64,
    best: f64,
    best_us: f64,
    longest: Option<(f64, f64)>,
    proposal: Option<f64>,
    rounds: u8,
}

impl Detector {
    pub(crate) const fn new() -> Self {
        Self {
            pairs: [(0.0, 0.0); PAIRS],
            filled: 0,
            next: 0,
            fresh: 0,
            last: [(0.0, 0.0); 3],
            seen: 0,
            candidate: *STEPS.start(),
            further_us: FURTHER_FROM_US,
            best: 0.0,
            best_us: 0.0,
            longest: None,
            proposal: None,
            rounds: 0,
        }
    }

    /// Takes the first arrival of a delivery: host time and residual against the working line, µs.
    pub(crate) fn observe(&mut self, host_us: f64, wait_us: f64) {
        let known = if self.seen < 3 { self.seen } else { 3 };
        for (_, &(host_before, wait_before)) in (0..known).zip(self.last.iter()) {
            let (apart, scatter) = (host_us - host_before, wait_us - wait_before);
            if (scatter > SCATTER_US || scatter < -SCATTER_US) && apart > 0.0 && apart < 5e6 {
                if let Some(slot) = self.pairs.get_mut(self.next) {
                    *slot = (crate::number::single(apart), crate::number::single(scatter));
                }
                self.next = self.next.wrapping_add(1) & (PAIRS - 1);
                self.filled = if self.filled < PAIRS { self.filled.saturating_add(1) } else { PAIRS };
                self.fresh = self.fresh.saturating_add(1);
            }
        }
        self.last.rotate_right(1);
        if let Some(first) = self.last.first_mut() {
            *first = (host_us, wait_us);
        }
        self.seen = self.seen.saturating_add(1);
    }

    /// How well the remembered pairs agree with a period, and how many of them say anything about it.
    pub(crate) fn agreement(&self, period_us: f64) -> (f64, u32) {
        let mut sum = 0.0;
        let mut n = 0_u32;
        for &(apart, scatter) in self.pairs.iter().take(self.filled) {
            let (apart, scatter) = (f64::from(apart), f64::from(scatter));
            let scatter = if scatter < 0.0 { -scatter } else { scatter };
            if scatter * 4.0 > period_us {
                let turns = apart / period_us;
                let off = turns - libm::round(turns);
                sum += 1.0 - 4.0 * if off < 0.0 { -off } else { off };
                n = n.saturating_add(1);
            }
        }
        (if n > 0 { sum / f64::from(n) } else { 0.0 }, n)
    }

    /// Tries the next candidates; at the end of a round that repeats the last one's finding, returns the period.
    pub(crate) fn search(&mut self) -> Option<f64> {
        if self.fresh < PAIRS_NEEDED {
            return None;
        }
        let effort = if self.rounds < EAGER_ROUNDS { EAGER } else { 1 };
        (0..effort).find_map(|_| self.try_next())
    }

    fn try_next(&mut self) -> Option<f64> {
        let steps = *STEPS.end();
        let period = if self.candidate <= steps {
            f64::from(self.candidate) * INTERVAL_STEP_US
        } else {
            self.further_us *= FURTHER_RATIO;
            self.further_us
        };
        let (agreement, n) = self.agreement(period);
        if n >= PAIRS_NEEDED && agreement >= AGREEMENT {
            if agreement > self.best {
                self.best = agreement;
                self.best_us = period;
            }
            let nominal = self.candidate <= steps;
            self.longest = Some(match self.longest {
                // The same tooth: the better fit, but a nominal interval holds its place against its neighbours.
                Some((longest, had)) if period < longest * 1.03 && period > longest * 0.97 => {
                    if agreement > had + if nominal { 0.0 } else { 0.03 } {
                        (period, agreement)
                    } else {
                        (longest, had)
                    }
                }
                Some((longest, had)) if period < longest => (longest, had),
                Some(shorter) if agreement < self.best * NEAR_BEST => shorter,
                _ => (period, agreement),
            });
        }
        self.candidate = self.candidate.saturating_add(1);
        if self.candidate <= steps.saturating_add(FURTHER) {
            return None;
        }
        let found = self.longest.map(
            |(longest, agreement)| {
                if agreement >= self.best * NEAR_BEST { longest } else { self.best_us }
            },
        );
        self.restart();
        self.rounds = self.rounds.saturating_add(1);
        match (found, self.proposal) {
            (Some(found), Some(before)) if found > before * 0.99 && found < before * 1.01 => {
                self.proposal = None;
                Some(found)
            }
            _ => {
                self.proposal = found;
                self.fresh = 0;
                None
            }
        }
    }

    fn restart(&mut self) {
        self.candidate = *STEPS.start();
        self.further_us = FURTHER_FROM_US;
        self.best = 0.0;
        self.best_us = 0.0;
        self.longest = None;
    }
}
