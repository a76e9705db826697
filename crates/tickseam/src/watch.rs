//! Watches the lower envelope of the arrivals for settings of the host's clock and its sleep, from one packet to the next.
//!
//! The envelope, taken in bins of [`BIN_S`], stays on one level but for drift, beat and noise. A jump of it that stays is a
//! setting of the host's clock; a jump no higher than what packets may have to wait for the link, and some more for noise
//! ([`threshold_us`]), may as well be the beat's, or a new anchor of the link, and is never taken for one. A fall shows in the
//! first packet after it, since none comes before it was sent; a rise shows once levels have stayed.
//!
//! A queue that filled in a fade, or while the link lost much, raises the levels as a clock set forward does, and for minutes where the
//! link carries little more than what is sent. But it drains: levels fall faster than any crystal runs. Or it is full and loses
//! packets. Until levels stay without either, they tell of no clock, and falls are seen against the levels before.

use heapless::Vec;

use crate::block::Arrival;
use crate::number::{count, greater, lesser, magnitude, single};
use crate::rise::least_us;

/// Length of a bin, s of device time: a stall of the app or a fade of the link, commonly of 2 s at most, leaves the rest of it.
pub const BIN_S: f64 = 5.0;

/// Packets that a bin holds at least, unless the link stood still: the least wait of so few is late by chance seldom.
const BIN_PACKETS: u32 = 12;

/// A level has to stay for so many bins before and after a rise.
pub const DWELL: usize = 3;

/// The least jump that is looked for, besides the core's limits, in units of how much the envelope changes from bin to bin
/// anyway: congested and batched links, whose levels wander.
const SCATTERS: f64 = 8.0;

/// Multiple of the wait that a jump has to be, besides what the envelope wanders: stamps and instants are not exact.
const CLEAR: f64 = 1.04;

/// Share of the changes from bin to bin that are no greater than what is taken for their scatter: one change of the clock, which is two
/// of twelve, is left out.
const SCATTER_QUANTILE: f64 = 0.6;

/// From here on two bins before are enough for a fall, and one for a rise, µs, as long as the envelope does not wander so far.
pub const SURE_US: f64 = 1e6;

/// Packets that waited while the host slept are stamped as it wakes, each a period further below the one before: so far below all levels,
/// µs, they are told from the beat. Doubled: as many more of them are taken for the clock's before.
pub const RAMP_US: f64 = 300e3;

/// How far rates may be off that are not known yet, µs a second, for jumps across a silence.
pub const RATE_US_PER_S: f64 = 70.0;

/// After a rise, [`DWELL`] levels stay if they are no farther apart than this, µs: 600 ppm, which is far more than a crystal drifts.
const STEADY_US: f64 = 6e3;

/// All that are remembered stay if they are no farther apart than those before the rise were, and this, µs.
const WANDERS_US: f64 = 10e3;

/// Packets a second, as a share of those before a rise, below which a queue overflows.
const OVERFLOWS: f32 = 0.9;

/// Levels that are remembered.
const REMEMBERED: usize = 12;

/// The least jump that is believed, µs, for packets that wait for the link for up to `wait_s` and an envelope that wanders so much: more
/// than the wait, by what it wanders or by a quarter, whichever is less.
pub fn threshold_us(wait_s: f64, scatter_us: f64) -> f64 {
    let wanders_us = SCATTERS * scatter_us;
    let (clear_us, usual_us) = (CLEAR * wait_s * 1e6 + wanders_us, least_us(wait_s));
    greater(lesser(clear_us, usual_us), greater(least_us(0.0), wanders_us))
}

/// A stretch of arrivals.
#[derive(Clone, Copy, Debug)]
pub struct Bin {
    /// Device time of its first arrival, s.
    pub from_s: f64,
    /// Device time of its newest one, s.
    pub to_s: f64,
    /// Least residual, µs.
    pub least_us: f64,
    packets: u32,
}

impl Bin {
    /// One that begins with an arrival.
    pub const fn new(arrival: &Arrival) -> Self {
        let at_s = arrival.device_s;
        Self { from_s: at_s, to_s: at_s, least_us: arrival.residual_us, packets: 1 }
    }

    /// Whether an arrival belongs to the next one.
    pub fn ends_before(&self, arrival: &Arrival) -> bool {
        arrival.device_s >= self.from_s + BIN_S
            && (self.packets >= BIN_PACKETS || arrival.device_s - self.to_s > BIN_S)
    }

    /// Takes an arrival in.
    pub fn take(&mut self, arrival: &Arrival) {
        self.to_s = greater(self.to_s, arrival.device_s);
        if arrival.residual_us < self.least_us {
            self.least_us = arrival.residual_us;
        }
        self.packets = self.packets.saturating_add(1);
    }

    /// Packets a second.
    fn per_s(&self) -> f32 {
        single(f64::from(self.packets.saturating_sub(1)) / greater(self.to_s - self.from_s, 1e-3))
    }
}

/// Some levels of the envelope, one beside the other.
#[derive(Clone, Copy, Debug)]
pub struct Levels {
    low_us: f64,
    high_us: f64,
    count: usize,
}

impl Levels {
    /// None at all.
    pub const NONE: Self = Self { low_us: f64::INFINITY, high_us: f64::NEG_INFINITY, count: 0 };

    /// Of levels in any order, µs.
    pub fn of(levels: impl IntoIterator<Item = f64>) -> Self {
        levels.into_iter().fold(Self::NONE, Self::and)
    }

    /// With one more.
    #[must_use]
    pub fn and(self, level_us: f64) -> Self {
        Self {
            low_us: lesser(level_us, self.low_us),
            high_us: greater(level_us, self.high_us),
            count: self.count.saturating_add(1),
        }
    }

    /// The least one, µs.
    pub const fn low_us(&self) -> f64 {
        self.low_us
    }

    /// The clear distance from these levels to the ones after, µs, positive upwards, if it stands out of both by the threshold.
    pub fn jump_to(&self, after: &Self, threshold_us: f64) -> Option<f64> {
        if self.count == 0 || after.count == 0 {
            return None;
        }
        let (up, down) = (after.low_us - self.high_us, self.low_us - after.high_us);
        let clear = greater(up, down);
        let spread = greater(self.high_us - self.low_us, after.high_us - after.low_us);
        // Queues raise levels at the ends of a recording; nothing lowers them below what they were.
        let dwelt = if up > down { DWELL } else { 2 };
        let enough = (self.count >= dwelt && after.count >= dwelt) || clear > SURE_US;
        let stands_out = clear > threshold_us && spread < clear / 2.0 && enough;
        stands_out.then_some(if up > down { up } else { -down })
    }
}

/// What became of the host's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// It was set back, or stood still, just before this packet.
    Back,
    /// It was set forward before the levels that made it sure.
    Forward,
}

/// Watches one segment.
#[derive(Clone, Debug)]
pub struct Watch {
    levels: Vec<f64, REMEMBERED>,
    /// Of the levels: how much they change from one to the next, µs, and the newest ones.
    scatter_us: f64,
    newest: Levels,
    lowest_us: f64,
    bin: Option<Bin>,
    /// Device time of the newest arrival that the levels rest on, s, and packets a second there.
    seen_s: f64,
    per_s: f32,
    /// Bins since levels rose above those, and nobody knows yet whether for good; how far the newest that a full queue does not explain lie above
    /// the highest of the newest of those, but for the usual drift, µs.
    risen: u32,
    above: Vec<f32, REMEMBERED>,
    /// Nothing is taken for a setting forward.
    patient: bool,
}

impl Default for Watch {
    fn default() -> Self {
        Self::new()
    }
}

impl Watch {
    /// Nothing seen yet.
    pub const fn new() -> Self {
        Self {
            levels: Vec::new(),
            scatter_us: 0.0,
            newest: Levels::NONE,
            lowest_us: f64::INFINITY,
            bin: None,
            seen_s: 0.0,
            per_s: 0.0,
            risen: 0,
            above: Vec::new(),
            patient: false,
        }
    }

    /// Nothing seen yet, and no rise is ever believed: levels stay what they were before it.
    pub fn patient() -> Self {
        Self { patient: true, ..Self::new() }
    }

    /// The least jump that is believed after the silence before an arrival, µs; after the time since levels rose, if they have.
    fn threshold_us(&self, arrival: &Arrival, wait_s: f64) -> f64 {
        let last_s = self.bin.filter(|_| self.risen == 0).map_or(self.seen_s, |bin| bin.to_s);
        threshold_us(wait_s, self.scatter_us) + RATE_US_PER_S * greater(arrival.device_s - last_s, 0.0)
    }

    /// Whether an arrival that is yet to be taken comes later than the levels explain, and by how much more, µs.
    pub fn late_us(&self, arrival: &Arrival, wait_s: f64) -> Option<f64> {
        let late_us = arrival.residual_us - self.newest.high_us - self.threshold_us(arrival, wait_s);
        (self.is_above(late_us) && late_us > 0.0).then_some(late_us)
    }

    /// Below this no packet of the same clock comes before it has been sent, µs, as far as the levels tell.
    pub(crate) fn floor_us(&self, arrival: &Arrival, wait_s: f64) -> f64 {
        self.newest.low_us - self.threshold_us(arrival, wait_s)
    }

    /// Whether there are levels enough for something so far above them to stand out.
    fn is_above(&self, by_us: f64) -> bool {
        self.levels.len() >= DWELL || !self.levels.is_empty() && by_us > SURE_US
    }

    /// Takes an arrival, which may have waited for the link for up to `wait_s` though it left at its first chance; tells whether the host's
    /// clock was set or slept before it. Whatever was known of the clock before is void then. Cost: O(1), but for the packet that
    /// closes a bin.
    pub fn observe(&mut self, arrival: &Arrival, wait_s: f64) -> Option<Turn> {
        let threshold_us = self.threshold_us(arrival, wait_s);
        let turn = if self.fell(arrival.residual_us, threshold_us) {
            Some(Turn::Back)
        } else {
            self.rose(arrival, threshold_us).then_some(Turn::Forward)
        };
        if turn.is_some() {
            *self = Self { bin: Some(Bin::new(arrival)), patient: self.patient, ..Self::new() };
        }
        turn
    }

    /// Whether a packet comes earlier than any could.
    fn fell(&self, residual_us: f64, threshold_us: f64) -> bool {
        let bin = self.bin.filter(|_| self.risen == 0);
        let before = bin.map_or(self.newest, |bin| self.newest.and(bin.least_us));
        let here = Levels { low_us: residual_us, high_us: residual_us, count: 2 };
        before.jump_to(&here, threshold_us).is_some_and(|us| us < 0.0)
            || before.count > 0 && before.low_us - residual_us > SURE_US
            || self.levels.len() >= DWELL && self.lowest_us - residual_us > greater(RAMP_US, threshold_us)
    }

    /// Takes an arrival into its bin; tells whether the levels have risen for good.
    fn rose(&mut self, arrival: &Arrival, threshold_us: f64) -> bool {
        let closed = match &mut self.bin {
            Some(bin) if !bin.ends_before(arrival) => {
                bin.take(arrival);
                return false;
            }
            bin => bin.replace(Bin::new(arrival)),
        };
        let Some(closed) = closed else { return false };
        let above_us = closed.least_us - self.newest.high_us;
        if above_us > threshold_us && self.is_above(above_us) {
            self.risen = self.risen.saturating_add(1);
            return self.stays(&closed, threshold_us) && !self.patient;
        }
        self.risen = 0;
        self.above.clear();
        (self.seen_s, self.per_s) = (closed.to_s, closed.per_s());
        push(&mut self.levels, closed.least_us);
        self.newest = Levels::of(self.levels.iter().rev().take(DWELL).copied());
        self.lowest_us = Levels::of(self.levels.iter().copied()).low_us();
        self.scatter_us = scatter_us(&self.levels);
        false
    }

    /// Takes a bin above the levels; tells whether the last few stay, rather than that a queue drains or is full.
    fn stays(&mut self, closed: &Bin, threshold_us: f64) -> bool {
        if closed.per_s() < OVERFLOWS * self.per_s {
            self.above.clear();
            return false;
        }
        // Levels drift by far more than a crystal does where the nominal rate is far off.
        let (first_us, last_us) = (self.levels.first().unwrap_or(&0.0), self.levels.last().unwrap_or(&0.0));
        let drift_us = (last_us - first_us) / greater(count(self.levels.len()) - 1.0, 1.0);
        let above_us = closed.least_us - drift_us * f64::from(self.risen) - self.newest.high_us;
        push(&mut self.above, single(above_us));
        let spread_us = |levels: Levels| levels.high_us - levels.low_us;
        let levels = || self.above.iter().rev().map(|&us| self.newest.high_us + f64::from(us));
        let newest = Levels::of(levels().take(DWELL));
        let steady = newest.count == DWELL && spread_us(newest) < STEADY_US;
        let before = self.levels.iter().enumerate().map(|(n, us)| us - drift_us * count(n));
        let wander_us = spread_us(Levels::of(before)) + WANDERS_US;
        let wanders = self.above.is_full() && spread_us(Levels::of(levels())) < wander_us;
        (steady || wanders) && self.newest.jump_to(&newest, threshold_us).is_some_and(|us| us > 0.0)
    }
}

/// Remembers a level, and forgets the oldest where there is no room.
fn push<Level: Copy>(levels: &mut Vec<Level, REMEMBERED>, level_us: Level) {
    if levels.is_full() {
        levels.rotate_left(1);
        let _ = levels.pop();
    }
    let _ = levels.push(level_us);
}

/// How much levels change from one to the next anyway, µs; 0 while there are none to tell.
fn scatter_us(levels: &[f64]) -> f64 {
    let changes = || levels.iter().zip(levels.iter().skip(1)).map(|(a, b)| magnitude(b - a));
    // The change that a share of them lies below: the least one with as many no greater.
    let rank = SCATTER_QUANTILE * count(levels.len().saturating_sub(1));
    let no_greater = |us: f64| count(changes().filter(|&other| other <= us).count());
    let enough = changes().filter(|&us| no_greater(us) > rank);
    let scatter_us = enough.fold(f64::INFINITY, lesser);
    if scatter_us < f64::INFINITY { scatter_us } else { 0.0 }
}

#[cfg(test)]
mod tests;
