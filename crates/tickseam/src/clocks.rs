//! The host's clocks of one segment: the present one, and those before it. Where the host's clock was set or slept, what was
//! known of it speaks of the time before only, and near that moment nobody knows which of two clocks stamped an event.
//!
//! An event is placed by every clock that may have stamped it, and its interval reaches from one to the other. A clock begins
//! and ends at a *host time since the frame's origin*, give or take what the packets around the moment leave open.
//!
//! Not told apart: a clock that was set back by just the time for which no packets came looks as if it had slept; a clock that
//! was set forward and back again within some 16 s (a minute where levels wander) looks as if packets had been held back.

use heapless::Vec;

use crate::block::Arrival;
use crate::live::Live;
use crate::number::greater;
use crate::placement::{Knot, Shift};
use crate::rise::PACKETS;
use crate::setup::Setup;
use crate::watch::{Turn, Watch};

/// Clocks before the present one that are remembered: one that was set forward and back, and one before that (own choice). Doubled: so
/// many settings more are remembered, and half a KiB more of memory.
pub const FORMER: usize = 3;

/// Clocks that are remembered of a segment that ended, the newest ones.
const ENDED: usize = 2;

/// Packets stamped within this before the first that shows that the host slept may have come as it woke, and packets may be later
/// than the one before by so much, µs: some connection intervals (own choice). Doubled: so much less is known around the moment.
const BURST_US: f64 = 300e3;

/// A host that slept stamps its next packet soon after it wakes, µs.
const AWAKE_US: f64 = 2e6;

/// The moment is known to so many periods of the packets.
const SLACK_PERIODS: f64 = 2.0;

/// What a clock's arrivals tell, summed up.
#[derive(Clone, Copy, Debug)]
struct Summary {
    knot: Knot,
    fixed_delay: Option<Shift>,
    curvature_ppm_per_s: f64,
}

impl Summary {
    /// What a live estimate knows at a device time.
    fn of(live: &Live, at_s: f64) -> Option<Self> {
        let (knot, _) = live.known_at(at_s)?;
        let curvature_ppm_per_s = live.curvature_ppm_per_s();
        Some(Self { knot, fixed_delay: live.fixed_delay(), curvature_ppm_per_s })
    }

    fn known_at(&self, device_s: f64) -> (Knot, f64) {
        let knot = self.knot.carried(device_s, self.curvature_ppm_per_s);
        let grown_us = knot.half_width_us() - self.knot.half_width_us();
        // Before the last packet there were observations, though they are no longer at hand one by one.
        (knot, if device_s > self.knot.at_s { greater(grown_us, 0.0) } else { 0.0 })
    }
}

/// What is left of a clock that was set, or of a segment that ended.
#[derive(Clone, Copy, Debug)]
pub struct Former {
    known: Summary,
    from_us: f64,
    until_us: f64,
}

/// One clock.
#[derive(Clone, Copy, Debug)]
pub enum Clock<'a> {
    /// The one that stamps now, from a host time since the origin on, µs.
    Present(&'a Live, f64),
    /// One before it.
    Former(&'a Former),
}

impl Clock<'_> {
    /// What is known at a device time, and how much of the half-width is holdover, µs.
    pub fn known_at(&self, device_s: f64) -> (Knot, f64) {
        match self {
            Self::Present(live, _) => live.known_at(device_s).unwrap_or_default(),
            Self::Former(former) => former.known.known_at(device_s),
        }
    }

    /// The fixed delay that [`known_at`](Self::known_at) still holds: see [`Live::fixed_delay`].
    pub fn fixed_delay(&self) -> Option<Shift> {
        match self {
            Self::Present(live, _) => live.fixed_delay(),
            Self::Former(former) => former.known.fixed_delay,
        }
    }

    /// Host time since the origin from which it may have stamped, µs.
    pub const fn from_us(&self) -> f64 {
        match self {
            Self::Present(_, from_us) => *from_us,
            Self::Former(former) => former.from_us,
        }
    }

    /// Host time since the origin up to which it may have stamped, µs.
    pub const fn until_us(&self) -> f64 {
        match self {
            Self::Present(..) => f64::INFINITY,
            Self::Former(former) => former.until_us,
        }
    }
}

/// Some clocks, the newest first.
pub type ClockList<'a> = Vec<Clock<'a>, { FORMER + 1 }>;

fn listed<'a>(clocks: impl Iterator<Item = Clock<'a>>) -> ClockList<'a> {
    let mut list = ClockList::new();
    for clock in clocks {
        // There is room for all.
        let _ = list.push(clock);
    }
    list
}

/// Those of some clocks, the newest first, that may have stamped an event at a host time since the origin; none where that one is
/// no longer remembered.
fn that_stamped<'a>(clocks: &ClockList<'a>, stamped_us: f64) -> ClockList<'a> {
    let begun = || clocks.iter().filter(|clock| clock.from_us() <= stamped_us);
    let mut those = listed(begun().filter(|clock| stamped_us <= clock.until_us()).copied());
    if those.is_empty() {
        // A time that no clock ever showed: between two.
        those = listed(begun().take(1).copied());
    }
    those
}

/// The clocks of the running segment.
#[derive(Clone, Debug)]
pub struct Clocks {
    live: Live,
    watch: Watch,
    /// [`Live::longest_jump_s`], which changes only with a block, s.
    jump_s: f64,
    from_us: f64,
    /// The present clock's first packet.
    first: Option<Arrival>,
    former: Vec<Former, FORMER>,
    /// What was known as one of the last two blocks closed, the older first: packets that waited while the host slept may lie in the
    /// newest before that shows.
    closed: [Option<Summary>; 2],
    /// The newest packet; the newest that came in time; the first after it from which on a rise is suspected.
    last: Option<Arrival>,
    in_time: Option<Arrival>,
    late: Option<Arrival>,
}

impl Clocks {
    /// Has seen nothing yet.
    pub fn new(setup: &Setup) -> Self {
        let live = Live::new(*setup);
        Self {
            jump_s: live.longest_jump_s(),
            live,
            watch: Watch::new(),
            from_us: f64::NEG_INFINITY,
            first: None,
            former: Vec::new(),
            closed: [None; 2],
            last: None,
            in_time: None,
            late: None,
        }
    }

    /// Takes one arrival, with the setup that it began with. Where the host's clock was set back or stood still before it: the host
    /// time since the origin from which events may have been stamped by another clock than was thought, µs. Cost: O(1), but for
    /// the packet that closes a block or shows a setting.
    pub fn observe(&mut self, setup: &Setup, arrival: Arrival) -> Option<f64> {
        // A queue that empties or fills looks like a clock that was set, and there is nothing to forget.
        let turn = self.watch.observe(&arrival, self.jump_s).filter(|_| !self.live.is_congested());
        if let Some(turn) = turn {
            let (last, first) = match turn {
                Turn::Back => (self.last, arrival),
                Turn::Forward => (self.in_time.or(self.last), self.late.unwrap_or(arrival)),
            };
            self.begin_another(setup, &last.unwrap_or(arrival), &first, turn);
        }
        let blocks = self.live.blocks_taken();
        self.live.observe(arrival);
        if self.live.blocks_taken() != blocks {
            self.jump_s = self.live.longest_jump_s();
            let [_, newest] = self.closed;
            self.closed = [newest, Summary::of(&self.live, self.live.newest_s())];
        }
        self.first = self.first.or(Some(arrival));
        self.last = Some(arrival);
        match self.live.packets_late() {
            0 => {
                self.late = None;
                if arrival.device_s >= self.live.in_time_s() {
                    self.in_time = Some(arrival);
                }
            }
            late if late >= PACKETS && self.late.is_none() => self.late = Some(arrival),
            _ => {}
        }
        turn.filter(|turn| *turn == Turn::Back).map(|_| self.from_us)
    }

    /// Of the clock up to one packet, what is known stays; from another one on, nothing is known.
    fn begin_another(&mut self, setup: &Setup, last: &Arrival, first: &Arrival, turn: Turn) {
        let (until_us, from_us) = ambiguous_us(last, first, setup.period_s);
        let passed_us = self.first.map_or(f64::INFINITY, |begun| first.host_us() - begun.host_us());
        let waking = turn == Turn::Back && (-BURST_US..BURST_US).contains(&passed_us);
        match self.former.last_mut().filter(|_| waking) {
            // Still the packets of one awakening: there was no clock in between.
            Some(former) => {
                former.until_us = greater(former.until_us, until_us);
                self.from_us = -greater(-self.from_us, -from_us);
            }
            // All that came before was a backlog: it tells of no clock that was another one.
            None if waking => {}
            None => {
                let known = match turn {
                    Turn::Back => {
                        let [older, newer] = self.closed;
                        older.or(newer).or_else(|| Summary::of(&self.live, self.live.newest_s()))
                    }
                    // The packets since were stamped by the clock as it was set.
                    Turn::Forward => Summary::of(&self.live, last.device_s),
                };
                if self.former.is_full() {
                    self.former.rotate_left(1);
                    let _ = self.former.pop();
                }
                if let Some(known) = known {
                    let _ = self.former.push(Former { known, from_us: self.from_us, until_us });
                }
                self.from_us = from_us;
            }
        }
        self.live = Live::new(*setup);
        self.jump_s = self.live.longest_jump_s();
        self.first = Some(*first);
        (self.in_time, self.late, self.closed) = (None, None, [None; 2]);
    }

    /// What the present clock's arrivals tell.
    pub const fn live(&self) -> &Live {
        &self.live
    }

    /// The same, to be told of exchanges and markers.
    pub const fn live_mut(&mut self) -> &mut Live {
        &mut self.live
    }

    /// Device time from which the present clock has stamped packets, s.
    pub fn since_s(&self) -> f64 {
        self.first.map_or(0.0, |first| if self.former.is_empty() { 0.0 } else { first.device_s })
    }

    /// Whether no clock but the present one may have stamped at a host time since the origin, µs.
    pub fn is_surely_present(&self, stamped_us: f64) -> bool {
        stamped_us >= self.from_us && !self.former.iter().any(|former| stamped_us <= former.until_us)
    }

    /// All of them.
    pub fn all(&self) -> ClockList<'_> {
        let present = Clock::Present(&self.live, self.from_us);
        listed(core::iter::once(present).chain(self.former.iter().rev().map(Clock::Former)))
    }

    /// Those that may have stamped an event at a host time since the origin, µs; none where that one is no longer remembered.
    pub fn that_stamped(&self, stamped_us: f64) -> ClockList<'_> {
        that_stamped(&self.all(), stamped_us)
    }

    /// What is left of them where the segment ends.
    pub fn end(&self) -> Ended {
        let mut former = Vec::new();
        let known = Summary::of(&self.live, self.live.newest_s());
        let newest = known.map(|known| Former { known, from_us: self.from_us, until_us: f64::INFINITY });
        for clock in newest.into_iter().chain(self.former.iter().rev().copied()).take(ENDED) {
            let _ = former.push(clock);
        }
        Ended { former }
    }
}

/// The clocks of a segment that ended.
#[derive(Clone, Debug)]
pub struct Ended {
    /// The newest first.
    former: Vec<Former, ENDED>,
}

impl Ended {
    /// As [`Clocks::that_stamped`].
    pub fn that_stamped(&self, stamped_us: f64) -> ClockList<'_> {
        that_stamped(&listed(self.former.iter().map(Clock::Former)), stamped_us)
    }
}

/// Between which host times since the origin, µs, events may belong to the clock before two arrivals or to the one after them,
/// as long as it was set or stood still between the two: until when the first, and from when the second.
fn ambiguous_us(last: &Arrival, first: &Arrival, period_s: f64) -> (f64, f64) {
    let (last_us, first_us) = (last.host_us(), first.host_us());
    let passed_us = first_us - last_us;
    let slept = first.residual_us < last.residual_us && (0.0..AWAKE_US).contains(&passed_us);
    let between_us = if slept {
        // Packets that came meanwhile were stamped as it woke.
        passed_us
    } else {
        greater((first.device_s - last.device_s) * 1e6, 0.0)
    };
    let reach_us = between_us + BURST_US + SLACK_PERIODS * period_s * 1e6;
    (last_us + reach_us, first_us - reach_us)
}

#[cfg(test)]
mod tests;
