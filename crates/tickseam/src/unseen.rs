//! A grid of the link that arrivals may be locked to without showing it.
//!
//! If the sending period is a multiple of the grid's, all packets wait alike, and nothing but a packet that missed its
//! turn and came one period later shows the grid. A link that tries again within the same event hardly ever misses a turn,
//! however many packets come, and what an app holds back hides those that do. So each connection interval that divides the
//! sending period stays possible until the arrivals speak against it.

use heapless::Vec;

use crate::lattice::{self, INTERVAL_STEP_US, STEPS};
use crate::number::{greater, lesser, magnitude};

/// Intervals that are looked at: of the usual ones, at most about this many divide a sending period.
const CANDIDATES: usize = 8;
/// Late packets that an interval is judged by at least.
const LATE_NEEDED: u32 = 12;
/// Mean agreement of late packets with whole intervals from which on an interval is taken for the true one: 0 is chance,
/// with a standard deviation of 1/√3 a packet.
const HINT: f64 = 0.25;
const HINT_DEVIATIONS: f64 = 3.0;
/// Share of packets later than half an interval above which they speak against it, if they do not agree with it: what
/// a busy host holds back is fewer.
const LATE_SHARE: f64 = 0.15;
/// Packets that must be lost, and none later than this, µs, to tell that the link never sends again.
const LOST_FOR_CERTAINTY: f64 = 10.0;
/// Packets lost, for each that came, from which on it is not the link that loses them: a device that sends every second or third one alone.
const MOST_LOST: f64 = 0.8;
const LATE_US: f64 = 1_000.0;
/// Intervals at which a USB host polls a device, µs, longest first: in frames of 1 ms, rounded down to powers of two (USB 2.0, 5.7.4 and 9.6.6;
/// that hosts round down, and seldom poll more slowly, is common practice, no source).
const POLLS_US: [f64; 5] = [16_000.0, 8_000.0, 4_000.0, 2_000.0, 1_000.0];
/// Such polls and the packets are timed by two crystals, and show as soon as these have moved by one interval against each other. Rates, µs/s, that
/// one pair in twenty is closer than, if they may be 70 ppm apart.
const ALIKE_US_PER_S: f64 = 3.5;
/// Bluetooth BR/EDR sends in every second slot of 625 µs at the earliest (Bluetooth Core, Vol 2 Part B, 2.2): what is polled at irregular
/// times still comes at multiples of this, µs. It is reckoned with where late packets show it, and nothing longer is possible.
const SLOTS_US: f64 = 1_250.0;
/// Packets of one delivery from which on they may have waited for each other.
const GROUPED: f64 = 1.1;

#[derive(Clone, Copy, Debug, Default)]
struct Candidate {
    interval_us: f32,
    late: u32,
    agreement: f32,
}

/// Watches how late packets come after the least delayed ones around them.
#[derive(Clone, Debug)]
pub(crate) struct Unseen {
    /// Longest first.
    candidates: Vec<Candidate, CANDIDATES>,
    period_s: f64,
    from_s: f64,
    to_s: f64,
    packets: u32,
    deliveries: u32,
    late: u32,
}

impl Unseen {
    /// For packets that are sent each `period_s` seconds.
    pub(crate) fn new(period_s: f64) -> Self {
        let period_us = period_s * 1e6;
        let candidate = |interval_us: f64| Candidate {
            interval_us: crate::number::single(interval_us),
            ..Candidate::default()
        };
        let divides = |interval_us: f64| lattice::divides(interval_us, period_us);
        let mut candidates = Vec::new();
        // The period itself, usual or not: several packets may share an event, and then any interval that it divides will do.
        let _ = candidates.push(candidate(period_us));
        let mut poll_us = POLLS_US.into_iter().find(|&us| us < 0.99 * period_us && divides(us));
        for steps in STEPS.rev() {
            let interval_us = f64::from(steps) * INTERVAL_STEP_US;
            if let Some(us) = poll_us.filter(|&us| us > interval_us) {
                let _ = candidates.push(candidate(us));
                poll_us = None;
            }
            if interval_us < 0.99 * period_us && divides(interval_us) {
                // Where more divide it than there is room for, the shortest are left out.
                let _ = candidates.push(candidate(interval_us));
            }
        }
        if let Some(us) = poll_us {
            let _ = candidates.push(candidate(us));
        }
        if divides(SLOTS_US) {
            let _ = candidates.push(candidate(SLOTS_US));
        }
        Self {
            candidates,
            period_s,
            from_s: f64::INFINITY,
            to_s: f64::NEG_INFINITY,
            packets: 0,
            deliveries: 0,
            late: 0,
        }
    }

    /// Takes the packets of one block: each one's lateness after the block's least delayed one, µs.
    pub(crate) fn observe(
        &mut self,
        (from_s, to_s): (f64, f64),
        deliveries: u16,
        waits_us: impl Iterator<Item = f32>,
    ) {
        self.from_s = lesser(from_s, self.from_s);
        self.to_s = greater(self.to_s, to_s);
        self.deliveries = self.deliveries.saturating_add(u32::from(deliveries));
        for wait_us in waits_us {
            self.packets = self.packets.saturating_add(1);
            self.late = self.late.saturating_add(u32::from(f64::from(wait_us) > LATE_US));
            for candidate in &mut self.candidates {
                let turns = f64::from(wait_us) / f64::from(candidate.interval_us);
                if turns > 0.5 {
                    candidate.late = candidate.late.saturating_add(1);
                    let score = 1.0 - 4.0 * magnitude(turns - libm::round(turns));
                    candidate.agreement += crate::number::single(score);
                }
            }
        }
    }

    /// Whether packets may be locked to an interval: a usual one, or any that the sending period is a part of, where several
    /// packets share an event.
    fn usual(&self, candidate: &Candidate) -> bool {
        (self.grouped() && !Self::of_slots(candidate)) || lattice::usual(f64::from(candidate.interval_us))
    }

    /// Whether packets may be locked to an interval of polls, for as long as two crystals may be that much alike.
    fn polled(&self, candidate: &Candidate) -> bool {
        let interval_us = f64::from(candidate.interval_us);
        POLLS_US.iter().any(|us| magnitude(us - interval_us) < 1e-3)
            && (self.to_s - self.from_s) * ALIKE_US_PER_S < interval_us
    }

    /// Whether several packets come at once often enough that they may have waited for each other.
    pub(crate) fn grouped(&self) -> bool {
        f64::from(self.packets) > GROUPED * f64::from(self.deliveries)
    }

    fn of_slots(candidate: &Candidate) -> bool {
        magnitude(f64::from(candidate.interval_us) - SLOTS_US) < 1e-3
    }

    /// Whether late packets come by whole intervals.
    #[inline(never)]
    fn shows(candidate: &Candidate) -> bool {
        let n = f64::from(candidate.late);
        let chance = HINT_DEVIATIONS / libm::sqrt(3.0 * greater(n, 1.0));
        candidate.late >= LATE_NEEDED && f64::from(candidate.agreement) > greater(HINT, chance) * n
    }

    /// Period of the longest grid that late packets agree with, µs. No poll's: coarse stamps agree with the short ones.
    #[inline(never)]
    pub(crate) fn hinted_us(&self) -> Option<f64> {
        self.candidates.iter().find(|c| Self::shows(c) && self.usual(c)).map(|c| f64::from(c.interval_us))
    }

    /// Period of the longest grid that has to be reckoned with, µs; 0 where there can be none. `loses_polls`: a dongle that lost packets may be
    /// locked to polls all the same, which a whole recording would show by a slip and a few minutes do not.
    #[inline(never)]
    pub(crate) fn interval_us(&self, loses_polls: bool) -> f64 {
        if let Some(hinted_us) = self.hinted_us() {
            return hinted_us;
        }
        let packets = f64::from(self.packets);
        let lost = (self.to_s - self.from_s) / self.period_s + 1.0 - packets;
        // A radio on a grid sends again what was lost. What a dongle lost never comes to be polled, and what a device never sent was not lost.
        let sends_again = lost <= LOST_FOR_CERTAINTY || lost >= MOST_LOST * packets || self.late > 0;
        let possible = |c: &&Candidate| {
            let n = f64::from(c.late);
            let speaks_against = n > LATE_SHARE * packets && f64::from(c.agreement) <= HINT * n;
            let polled = (sends_again || loses_polls) && self.polled(c);
            !speaks_against && (sends_again && self.usual(c) || polled)
        };
        let slots = || self.candidates.iter().find(|c| Self::of_slots(c) && Self::shows(c));
        let longest = self.candidates.iter().find(possible).or_else(slots);
        longest.map_or(0.0, |c| f64::from(c.interval_us))
    }
}

#[cfg(test)]
mod tests;
