//! The live estimate: what is known from the packets that have come so far, in bounded memory.

use heapless::Vec;

use crate::block::{Arrival, Block, Blocks, Bound, Interval, Use, WorkingLine, bunched, lifted_us, unmet_us};
use crate::filter::{Bank, Bounds, Feasible, Prior, WIDEST_CURVATURE};
use crate::lattice::{self, LONGEST_US};
use crate::number::{between, greater, lesser, magnitude, single};
use crate::pair::SyncPair;
use crate::placement::{Knot, Shift};
use crate::replay::MISSED_REACH;
use crate::rise::{Rise, least_us};
use crate::scatter::{self, Scatter};
use crate::setup::{
    ALLOWANCE_US, CONGESTED_DEPTH_US, CONGESTED_LOSS, PAIR_DELAY_REACH, SILENCE_S, Setup, TOP_SCATTER,
    UNBOUNDED_US,
};
use crate::watch::BIN_S;

/// Block minima remembered to see how far they range.
const REMEMBERED: usize = 24;
/// Blocks before the scatter of minima is believed.
const BLOCKS_NEEDED: u32 = 8;
/// Blocks after which a grid that did not show counts as none, and one that did for the right one.
const BLOCKS_TO_KNOW_THE_LINK: u32 = 40;
/// The least allowance, µs.
const LEAST_ALLOWANCE_US: f64 = 100.0;
/// What a grid leaves open of the clock at the least, on either side, µs, and as a share of the mean lateness: as replays reckon with where packets
/// touch the clock.
const LEAST_OPEN_US: f64 = 60.0;
const LEAST_LATENESS: f64 = 0.5;
/// Slips from which on the allowance is taken from the data.
const SLIPS_NEEDED: f64 = 6.0;
/// Standard deviations of the minima by which the clock may lie below them, without a grid.
const REACH: f64 = 15.0;
/// Seconds after which the slope of the least residuals may contradict the declared tolerance.
const RATE_SPAN_S: f64 = 10.0;
/// Share of the way from the first block's least residual to the newest that one block may make if it is a rate: a clock that
/// was set makes all of it at once. Doubled: such a clock would be taken for one that runs off.
const STEADY: f64 = 0.6;
/// Share of a rate by which that of the grid's instants may differ from it and still bear it out.
const BORNE_OUT: f64 = 0.25;
/// Share of a block's loss that is taken into the running share, and the most of it that counts: one outage is no
/// congestion, five blocks in a row are; at the start, when nobody has seen the queue empty, two are.
const LOSS_GAIN: f64 = 0.1;
const LOSS_COUNTED: f64 = 0.15;
/// Share of a block's packets that a queue which fills or is full loses at the least, twice what an app does (own choice), as long as the link is not
/// known yet: what stamps rise by meanwhile is the queue rather than the clock. Doubled: such a queue passes for a device that runs off.
const FILLS_LOSS: f64 = 2.0 * CONGESTED_LOSS;
/// The least jump of the least delays that counts besides their scatter, µs.
const LEAST_JUMP_US: f64 = 1_000.0;
/// Multiple of a block's mean lateness by which packets that share deliveries may miss their first chance: a grid may be one of windows, in which a
/// packet may still catch the one under way, and these are twice as long as packets come late on the mean.
const LATENESS_REACH: f64 = 2.0;
/// How far below the first packet the clock may lie while no block of them has come, µs: the packets that a queue kept from before anybody
/// listened come first (own choice: fifty of 20 ms). Doubled: the first two seconds are twice as wide.
const COLD_DEPTH_US: f64 = 1e6;
/// Share of the packets that may seem late on a link that never sends again: as long as few came, a queue that fills seems one.
const LATE_NEVER: f64 = 0.003;
/// Upper bounds of exchanges and markers that lie so far below all that is known, µs (less is the crystal's wander), and that no lower bound
/// contradicts, after which the clock, not the bound, is taken to have changed (own choice: as many as the filter's lower ones). Doubled: twice
/// as long after a setting, the interval reaches over both clocks.
const REFUTED_US: f64 = 2_000.0;
const REFUTED_PAIRS: u8 = 4;
/// Greatest factor by which contradictions widen allowance and reach.
const WIDEST: f64 = 32.0;

/// The causal estimator of one device clock against the host's.
#[derive(Clone, Debug)]
pub struct Live {
    setup: Setup,
    blocks: Blocks,
    bank: Option<Bank>,
    scatter: Scatter,
    minima: Vec<Bound, REMEMBERED>,
    closed: u32,
    lost_share: f64,
    slips: f64,
    missed_us: f64,
    widened: f32,
    least: Option<Bound>,
    to_s: f64,
    /// What exchanges and markers, and arrivals with no fixed delay taken off, leave of the clock itself.
    clock: Option<Feasible>,
    /// Pairs have bounded the clock from below since its start.
    clock_bounded: bool,
    /// The newest lower bound of a pair, and the newest upper one that lay below all that is known, µs.
    pair_low_us: f32,
    refuted_us: f32,
    /// How many of these no lower bound has lain above since, and how far below what is known the clock may lie by them, µs; else 0.
    pairs_refuted: u8,
    fallen_us: f32,
    /// The first block's least stamp, which the rate is seen against, whatever a grid makes of it.
    first: Bound,
    /// The newest block's, µs.
    last_us: f64,
    /// The most by which one block's least stamp lay beside the one before, µs.
    leap_us: f32,
    /// Part of the host's step that no packet of the newest block met, µs.
    unmet_us: f32,
    /// How far the newest block's upper bound lies above what is known, if its lower bound contradicts that, µs; else 0.
    lifted_us: f32,
    /// The largest jump of the least delays that stayed, µs.
    jump_us: f32,
    /// The newest lower bound by a grid that no standard names, µs.
    low_us: f32,
    /// The most that the least stamp may be now if the queue is as empty as it ever was, µs.
    floor_us: f64,
    instants: Use,
    /// The link's queue overflowed, and has not been seen empty since.
    congested: bool,
    off_nominal: bool,
    rise: Rise,
}

// The whole live state, the intake of four streams included, has to fit a microcontroller.
const _: () = assert!(size_of::<Live>() + size_of::<crate::intake::Intake<4>>() <= 8 * 1024);

impl Live {
    /// Knows nothing yet but the setup.
    pub fn new(setup: Setup) -> Self {
        let line = WorkingLine { rate_ppm: setup.prior.rate_ppm, ..WorkingLine::default() };
        Self {
            setup,
            blocks: Blocks::new(line, &setup, setup.interval_us.map(Interval::declared)),
            bank: None,
            scatter: Scatter::new(),
            minima: Vec::new(),
            closed: 0,
            lost_share: 0.0,
            slips: 0.0,
            missed_us: 0.0,
            widened: 1.0,
            least: None,
            to_s: 0.0,
            clock: None,
            clock_bounded: false,
            pair_low_us: 0.0,
            refuted_us: f32::INFINITY,
            pairs_refuted: 0,
            fallen_us: 0.0,
            first: Bound::default(),
            last_us: 0.0,
            leap_us: 0.0,
            unmet_us: 0.0,
            lifted_us: 0.0,
            jump_us: 0.0,
            low_us: f32::NEG_INFINITY,
            floor_us: f64::INFINITY,
            instants: Use::default(),
            congested: false,
            off_nominal: false,
            rise: Rise::default(),
        }
    }

    /// Takes one arrival. Cost: O(1), but for the packet that closes a block, about one in fifty.
    pub fn observe(&mut self, arrival: Arrival) {
        if let Some(block) = self.blocks.close_before(&arrival) {
            self.take(&block);
        }
        self.blocks.observe(arrival);
        let wait_s = self.longest_wait_s();
        self.rise.observe(&arrival, self.setup.resolution_us, wait_s);
        if self.bank.is_none() {
            let upper =
                Bound { at_s: arrival.device_s, residual_us: arrival.residual_us + self.setup.resolution_us };
            if self.least.is_none_or(|l| upper.residual_us < l.residual_us) {
                self.least = Some(upper);
            }
        }
        self.to_s = greater(self.to_s, arrival.device_s);
    }

    /// Takes a sync pair of an exchange or a marker, in the order in which they come.
    pub fn observe_pair(&mut self, pair: &SyncPair) {
        let prior = self.setup.prior;
        let mut bounds = Bounds {
            at_s: pair.at_s,
            upper: pair.high(),
            lower: pair.low(),
            doubtful: true,
            ..Bounds::default()
        };
        if let Some(clock) = &mut self.clock {
            // A pair from before the newest block is as good as one at it.
            bounds.at_s = greater(pair.at_s, clock.at_s());
            let _ = clock.observe(&bounds, &prior);
            self.clock_bounded |= pair.low_us.is_some();
            self.see_fall(pair);
        }
        if let (Some(bank), Some(delay)) = (&mut self.bank, self.setup.fixed_delay) {
            let reach = PAIR_DELAY_REACH * delay.u_us;
            let shifted = |b: Bound, us: f64| Bound { residual_us: b.residual_us + us, ..b };
            bounds.at_s = greater(pair.at_s, bank.chosen().at_s());
            bounds.upper = pair.high().map(|b| shifted(b, delay.us + reach));
            bounds.lower = pair.low().map(|b| shifted(b, delay.us - reach));
            let _ = bank.observe(&bounds, &prior);
        }
    }

    /// Where an upper bound of a pair lies below all that is known, it is wrong, or the clock was set back by less than packets may wait,
    /// which they do not show: until enough of them tell, or a lower bound lies above it, the clock may lie as low as the newest lower bound.
    fn see_fall(&mut self, pair: &SyncPair) {
        let Some(clock) = &mut self.clock else { return };
        if let Some(low_us) = pair.low_us {
            self.pair_low_us = single(low_us);
            if low_us > f64::from(self.refuted_us) {
                (self.pairs_refuted, self.fallen_us) = (0, 0.0);
            }
        }
        let Some(upper) = pair.high() else { return };
        let low_us = clock.region().offset_range_at(upper.at_s - clock.at_s()).0;
        if low_us - upper.residual_us < REFUTED_US {
            return;
        }
        self.refuted_us = single(upper.residual_us);
        self.pairs_refuted = self.pairs_refuted.saturating_add(1);
        self.fallen_us = single(greater(low_us - f64::from(self.pair_low_us), 0.0));
        if self.pairs_refuted > REFUTED_PAIRS {
            (self.pairs_refuted, self.fallen_us) = (0, 0.0);
            let deep = Prior { depth_us: CONGESTED_DEPTH_US, ..self.setup.prior };
            let lower = Some(Bound { residual_us: f64::from(self.pair_low_us), ..upper });
            let at_s = clock.at_s();
            *clock = Feasible::new(&deep, WIDEST_CURVATURE, Bound { at_s, ..upper });
            let _ = clock.observe(&Bounds { at_s, lower, ..Bounds::default() }, &deep);
        }
    }

    fn take(&mut self, block: &Block) {
        self.see_congestion(block);
        self.see_rate(block);
        let prior = self.setup.prior;
        // Packets that come together waited for something, and the newest of them for up to a period: the next one missed it.
        let waited_us = if block.shares_deliveries() { self.setup.period_s * 1e6 } else { 0.0 };
        self.see_jump(block);
        // Less than what shows in the packets one by one, and more than what the least of them do of themselves.
        let (rise_us, late_us) = (least_us(self.longest_jump_s()), least_us(self.longest_wait_s()));
        let doubt_us = greater(self.doubt_us(), waited_us);
        self.unmet_us = single(unmet_us(block.met, self.setup.host_step_us()));
        let scatter_us = self.scatter.observe(block.minimum);
        if self.minima.is_full() {
            self.minima.rotate_left(1);
            let _ = self.minima.pop();
        }
        let _ = self.minima.push(block.minimum);
        self.closed = self.closed.saturating_add(1);
        let opened_us = self.may_be_set_us(block);
        let deep = Prior { depth_us: CONGESTED_DEPTH_US, ..prior };
        if self.congested {
            self.bank = Some(Bank::new(&deep, block.upper));
        }
        if self.blocks.sooner_us() > self.missed_us {
            // More than was allowed for in what bounds the clock from below so far.
            self.missed_us = self.blocks.sooner_us();
            self.bank = None;
        }
        let bank = self.bank.get_or_insert_with(|| Bank::new(&prior, block.upper));
        let before = Knot::of(bank.chosen().region(), bank.chosen().at_s());
        let mut bounds = Bounds {
            at_s: block.to_s,
            upper: Some(block.upper),
            by_halves: true,
            opened_us,
            ..Bounds::default()
        };
        // The lower bound with no more than what is allowed before anything has been contradicted.
        let mut strict = None;
        if self.congested || self.rise.is_doubted() {
            // Nothing bounds the clock from below.
        } else if block.interval_us > 0.0 {
            if let Some(mut lower) = block.lower {
                // Beacons and time slots are shared with others: what one block misreads the one before rarely did.
                let shared = !lattice::nominal(block.interval_us);
                let borne_out_us = f64::from(core::mem::replace(&mut self.low_us, single(lower.residual_us)));
                if shared && borne_out_us < lower.residual_us {
                    lower.residual_us = borne_out_us;
                }
                let open = block.upper.residual_us - lower.residual_us;
                let way = magnitude(block.stretch_ppm - before.rate_ppm) * (block.to_s - block.from_s);
                self.slips += way / greater(open, 50.0);
                if self.closed > 4 {
                    let high = before.high_us + before.rate_ppm * (lower.at_s - before.at_s);
                    self.missed_us = greater(lower.residual_us - high, self.missed_us);
                }
                let seen = MISSED_REACH * self.missed_us + LEAST_ALLOWANCE_US;
                let long_enough = !shared || self.closed >= BLOCKS_TO_KNOW_THE_LINK;
                let late_us = if shared { LATENESS_REACH * block.lateness_us } else { 0.0 };
                let known = self.slips >= SLIPS_NEEDED && long_enough;
                let unseen = if known { 0.0 } else { ALLOWANCE_US + late_us };
                let allowance = greater(seen, unseen) * f64::from(self.widened);
                let collected_us = if collected(block, &self.setup) {
                    self.setup.interval_us.unwrap_or(LONGEST_US)
                } else {
                    0.0
                };
                let hidden_us = lattice::hidden_us(
                    self.setup.period_s * 1e6,
                    (block.interval_us, block.stretch_ppm, block.rate_ppm),
                    self.setup.interval_us,
                    self.blocks.shares_deliveries(),
                    lattice::OF_RADIO_LIVE,
                );
                let waited_us =
                    greater(self.blocks.found_a_part_of_us().unwrap_or(0.0), hidden_us) + collected_us;
                let below = |us: f64| Some(Bound { residual_us: lower.residual_us - us, ..lower });
                bounds.lower = below(allowance + waited_us);
                strict = below(ALLOWANCE_US + waited_us);
            }
        } else if !self.blocks.found_a_grid() && self.closed >= BLOCKS_NEEDED {
            let (range, _) = scatter::range(self.minima.iter().copied(), scatter::LINE_S);
            let depth = greater(REACH * scatter_us, REACH / 6.0 * range);
            let rest = 2.0 + doubt_us - lifted_us(block, &self.setup);
            let below =
                |us: f64| Some(Bound { residual_us: block.minimum.residual_us - us, ..block.minimum });
            bounds.lower = below(depth * f64::from(self.widened) + rest);
            strict = below(depth + rest);
        }
        let known = bank.chosen();
        let high_us = |at_s: f64| known.region().offset_range_at(at_s - known.at_s()).1;
        // Either the packets missed their first chance, or the clock lies higher, and no higher than they came; until a lower bound agrees.
        let above_us = greater(block.upper.residual_us - high_us(block.upper.at_s), 0.0);
        let contradicted = match strict {
            Some(lower) => self.closed > 1 && lower.residual_us > high_us(lower.at_s),
            None => self.lifted_us > 0.0,
        } || above_us > rise_us && above_us < late_us;
        self.lifted_us = if contradicted { single(above_us) } else { 0.0 };
        let least_delay =
            self.setup.fixed_delay.map_or(0.0, |d| greater(d.us - PAIR_DELAY_REACH * d.u_us, 0.0));
        let clock_upper = Bound { residual_us: block.upper.residual_us - least_delay, ..block.upper };
        let clock_bounds = Bounds { upper: Some(clock_upper), lower: None, ..bounds };
        // Nothing but pairs bounds the clock from below, and what they leave of it must not rest on a queue that is not deep.
        let _ = self
            .clock
            .get_or_insert_with(|| Feasible::new(&deep, WIDEST_CURVATURE, clock_upper))
            .observe(&clock_bounds, &prior);
        let outcome = bank.observe(&bounds, &prior);
        if outcome.forgotten {
            // As little is known now as at the start.
            *bank = Bank::new(&prior, block.upper);
        }
        if (outcome.reopened || outcome.lower_refuted) && f64::from(self.widened) < WIDEST {
            self.widened *= 2.0;
        }
        let now = Knot::of(bank.chosen().region(), bank.chosen().at_s());
        self.rise.follow(&now);
        self.blocks.follow(WorkingLine {
            origin_s: block.to_s,
            offset_us: now.offset_us,
            rate_ppm: now.rate_ppm,
        });
    }

    /// Where a radio's grid has another phase though hardly a packet is missing, which a new connection takes, by so much the host's clock may have been set
    /// either way, µs.
    fn may_be_set_us(&self, block: &Block) -> f64 {
        let sent_s = block.to_s - block.from_s + self.setup.period_s;
        let missing_s = sent_s - f64::from(block.packets) * self.setup.period_s;
        let doubted = block.rephased && lattice::usual(block.interval_us) && missing_s < SILENCE_S;
        if doubted && !block.shares_deliveries() { least_us(block.interval_us * 1e-6) } else { 0.0 }
    }

    /// A link that sends again and yet loses this much has a queue that overflows, and the queue stays as deep as it is until
    /// packets come as early again, to within an interval, as the earliest did. As long as the link is not known, one that loses twice as much counts too,
    /// whatever its grid, and so does one block that does while its packets come later.
    fn see_congestion(&mut self, block: &Block) {
        let sent = (block.to_s - block.from_s) / self.setup.period_s + 1.0;
        self.instants.add(block);
        let lost = if self.instants.never_again(LATE_NEVER) {
            0.0
        } else {
            1.0 - f64::from(block.packets) / greater(sent, 1.0)
        };
        let gain = greater(LOSS_GAIN, 1.0 / (f64::from(self.closed) + 1.0));
        self.lost_share += gain * (between(lost, 0.0, LOSS_COUNTED) - self.lost_share);
        let (stamped_us, prior) = (block.stamped.residual_us, &self.setup.prior);
        let since_s = self.bank.as_ref().map_or(0.0, |bank| block.to_s - bank.chosen().at_s());
        self.floor_us += (prior.rate_ppm + prior.rate_half_width_ppm) * greater(since_s, 0.0);
        let risen_us = stamped_us - self.floor_us;
        self.floor_us = lesser(stamped_us, self.floor_us);
        let young = self.closed < BLOCKS_TO_KNOW_THE_LINK;
        let usual_us = least_us(self.setup.period_s);
        let fills = young && lost > FILLS_LOSS && risen_us > block.interval_us + usual_us;
        let (overflows, stays_us) = if block.interval_us > 0.0 {
            (self.lost_share > CONGESTED_LOSS, block.interval_us + ALLOWANCE_US)
        } else {
            (young && !self.blocks.found_a_grid() && self.lost_share > FILLS_LOSS, usual_us)
        };
        self.congested = overflows || fills || self.congested && risen_us >= stays_us;
    }

    /// Begins again where the rate is, if the least stamps run away faster than the declared tolerance allows.
    fn see_rate(&mut self, block: &Block) {
        let stamped = block.stamped;
        if self.closed == 0 {
            (self.first, self.last_us) = (stamped, stamped.residual_us);
        }
        let leap_us = greater(f64::from(self.leap_us), magnitude(stamped.residual_us - self.last_us));
        self.leap_us = single(leap_us);
        self.last_us = stamped.residual_us;
        let first = self.first;
        let (span_s, way_us) = (stamped.at_s - first.at_s, stamped.residual_us - first.residual_us);
        if !self.congested
            && span_s > RATE_SPAN_S
            && leap_us < STEADY * magnitude(way_us - self.setup.prior.rate_ppm * span_s)
            && self.is_borne_out(way_us / span_s, block)
            && let Some(seen) = self.setup.with_rate_seen(way_us / span_s, span_s)
        {
            self.setup = seen;
            self.off_nominal = true;
            // What the stamps rose by may be a queue that fills, after all.
            let depth_us = seen.prior.depth_us + greater(way_us, 0.0);
            self.begin_again(&Prior { depth_us, ..seen.prior }, block);
        }
    }

    /// Forgets what was known of the clock before a block.
    #[inline(never)]
    fn begin_again(&mut self, prior: &Prior, block: &Block) {
        self.bank = Some(Bank::new(prior, block.upper));
        self.clock = None;
        self.clock_bounded = false;
        (self.pairs_refuted, self.fallen_us) = (0, 0.0);
        self.rise = Rise::default();
    }

    /// Whether what a grid makes of the stamps runs away at that rate too, ppm: an app's batches move the least stamps by the beat of
    /// their period and the packets'.
    fn is_borne_out(&self, rate_ppm: f64, block: &Block) -> bool {
        let Some(first) = self.minima.first() else { return false };
        let way_us = block.minimum.residual_us - first.residual_us;
        let expected_us = rate_ppm * (block.minimum.at_s - first.at_s);
        let usual_us = self.setup.prior.rate_ppm * (block.minimum.at_s - first.at_s);
        magnitude(way_us - expected_us) < BORNE_OUT * magnitude(expected_us - usual_us)
    }

    /// Least delays that jump by less than a period, and stay there, slip against a grid that does not show otherwise; or the clock was set, and
    /// forward if they rose: then as little is known as at the start.
    fn see_jump(&mut self, block: &Block) {
        let mut newest = self.minima.iter().rev();
        let (Some(after), Some(before)) = (newest.next(), newest.next()) else { return };
        let apart_us = |a: &Bound, b: &Bound| {
            magnitude(a.residual_us - b.residual_us - self.setup.prior.rate_ppm * (a.at_s - b.at_s))
        };
        let (way_us, stays_us) = (apart_us(after, before), apart_us(&block.minimum, after));
        let noise_us = 4.0 * self.scatter.now_us() + LEAST_JUMP_US;
        if way_us > noise_us && way_us < self.setup.period_s * 1e6 && stays_us < way_us / 4.0 {
            self.jump_us = single(greater(way_us, f64::from(self.jump_us)));
            if after.residual_us > before.residual_us && way_us > least_us(0.0) && !self.blocks.found_a_grid()
            {
                let prior = self.setup.prior;
                self.begin_again(&prior, block);
            }
        }
    }

    /// Period of a grid that may be there unseen, µs.
    #[inline(never)]
    fn doubt_us(&self) -> f64 {
        let known_us = greater(self.setup.interval_us.unwrap_or(0.0), self.blocks.unseen_interval_us(true));
        if self.blocks.found_a_grid() { known_us } else { greater(f64::from(self.jump_us), known_us) }
    }

    /// How long a packet that left at its first chance may have waited for the link at the most, s: one period of the packets, unless the
    /// link's grid is known to be shorter, or that there can be none.
    pub fn longest_wait_s(&self) -> f64 {
        let period_s = self.setup.period_s;
        if self.congested || self.closed < BLOCKS_TO_KNOW_THE_LINK || self.blocks.shares_deliveries() {
            return period_s;
        }
        let wait_us = match self.blocks.interval() {
            Some(interval) if lattice::usual(interval.period_us) => interval.period_us,
            None if !self.blocks.found_a_grid() => self.doubt_us(),
            _ => f64::INFINITY,
        };
        lesser(wait_us * 1e-6, period_s)
    }

    /// By how much the least delays of [`BIN_S`] may jump at the most though no clock was set, s: the longest wait, unless the link's grid is
    /// known to move them by less.
    #[inline(never)]
    pub fn longest_jump_s(&self) -> f64 {
        let wait_s = self.longest_wait_s();
        let known = !self.congested && self.closed >= BLOCKS_TO_KNOW_THE_LINK;
        match self.blocks.interval() {
            Some(interval) if known && lattice::usual(interval.period_us) => {
                let beat_s = lattice::beat_s(self.setup.period_s, interval.period_us, BIN_S);
                lesser(beat_s, wait_s)
            }
            _ => wait_s,
        }
    }

    /// What is known at a device time, and how much of the half-width is holdover, µs. `None` before the first arrival.
    /// The knot lies [`fixed_delay`](Self::fixed_delay) above the clock.
    ///
    /// While packets come later than the link explains, or contradict what was known from below, its upper end lies as much higher as the
    /// host's clock may have been set forward, and that counts as holdover: no packet that came in time has confirmed the clock since.
    pub fn known_at(&self, device_s: f64) -> Option<(Knot, f64)> {
        let (mut knot, mut holdover_us) = match self.by_pairs() {
            Some(clock) => carried(clock, device_s, clock.curvature()),
            None => self.by_arrivals_at(device_s)?,
        };
        let fallen_us = f64::from(self.fallen_us);
        if fallen_us > 0.0 && self.by_pairs().is_some() {
            let before_us = knot.half_width_us();
            knot.low_us -= fallen_us;
            knot.u_offset_us = libm::sqrt(knot.u_offset_us * knot.u_offset_us + fallen_us * fallen_us / 3.0);
            holdover_us += knot.half_width_us() - before_us;
        }
        let rise_us = greater(self.rise.by_us(device_s), f64::from(self.lifted_us));
        if rise_us > 0.0 {
            let before_us = knot.half_width_us();
            knot.high_us += rise_us;
            // Anywhere from no step to all of it, the estimate staying where it is.
            let variance = knot.u_offset_us * knot.u_offset_us + rise_us * rise_us / 3.0;
            knot.u_offset_us = libm::sqrt(variance);
            return Some((knot, holdover_us + knot.half_width_us() - before_us));
        }
        Some((knot, holdover_us))
    }

    /// Smallest time from a packet's first sample to its stamp that [`known_at`](Self::known_at) still holds: the declared
    /// one; zero where exchanges and markers tell more than it does; `None` where nobody knows it.
    pub fn fixed_delay(&self) -> Option<Shift> {
        if self.by_pairs().is_some() { Some(Shift::default()) } else { self.setup.fixed_delay }
    }

    /// The clock itself, where pairs know it better than arrivals less the fixed delay do.
    fn by_pairs(&self) -> Option<&Feasible> {
        let clock = self.clock.as_ref().filter(|_| self.clock_bounded)?;
        let Some(delay) = self.setup.fixed_delay else { return Some(clock) };
        let half = |region: &crate::region::Region| {
            let (low, high) = region.offset_range();
            (high - low) / 2.0
        };
        let arrivals = half(self.bank.as_ref()?.chosen().region());
        let delay = crate::student::NORMAL_COVERAGE_FACTOR_95 * delay.u_us;
        let pairs = half(clock.region());
        (pairs * pairs < arrivals * arrivals + delay * delay).then_some(clock)
    }

    fn by_arrivals_at(&self, device_s: f64) -> Option<(Knot, f64)> {
        let curvature = self.curvature_ppm_per_s();
        let Some(bank) = &self.bank else {
            let least = self.least?;
            let prior = &self.setup.prior;
            let cold = Knot {
                at_s: least.at_s,
                offset_us: least.residual_us - prior.depth_us / 2.0,
                low_us: least.residual_us - greater(COLD_DEPTH_US, prior.depth_us),
                high_us: least.residual_us,
                rate_ppm: prior.rate_ppm,
                rate_low_ppm: prior.rate_ppm - prior.rate_half_width_ppm,
                rate_high_ppm: prior.rate_ppm + prior.rate_half_width_ppm,
                u_offset_us: prior.depth_us / libm::sqrt(12.0),
                u_rate_ppm: prior.rate_half_width_ppm / libm::sqrt(3.0),
                ..Knot::default()
            };
            return Some((cold.carried(device_s, curvature), 0.0));
        };
        let (mut knot, mut holdover_us) = carried(bank.chosen(), device_s, curvature);
        let missing_us = greater(self.least_half_width_us() - knot.half_width_us(), 0.0);
        knot.low_us -= missing_us;
        knot.high_us += missing_us;
        if self.blocks.interval().is_none() && !self.blocks.found_a_grid() {
            // Without a grid, the least delayed packets touch the clock, as far as they scatter.
            let mut now = Knot::of(bank.chosen().region(), bank.chosen().at_s());
            let scatter_us = self.scatter.now_us();
            let below_us = TOP_SCATTER * scatter_us
                + self.setup.below_us(f64::from(self.unmet_us))
                + self.setup.beside_step_us(scatter_us);
            now.lie_at(now.high_us - below_us, now.rate_ppm);
            knot.lie_at(now.offset_us + now.rate_ppm * (device_s - now.at_s), now.rate_ppm);
            holdover_us = greater(knot.half_width_us() - now.half_width_us(), 0.0);
        }
        let width = |feasible: &Feasible| {
            let (low, high) = feasible.region().offset_range();
            high - low
        };
        let (chosen, gentlest) = (width(bank.chosen()), width(bank.gentlest()));
        let share = if chosen > 0.0 { between(1.0 - gentlest / chosen, 0.0, 1.0) } else { 0.0 };
        let now_us = greater(knot.half_width_us() - holdover_us, 0.0);
        knot.curvature_us = share * now_us;
        // A grid, or one that may be there, leaves up to one interval open; the rest is scatter.
        let open_us = now_us - knot.curvature_us;
        let interval_us = self.blocks.interval().map_or_else(|| self.doubt_us(), |i| i.period_us);
        knot.lattice_us = between(interval_us, 0.0, open_us);
        Some((knot, holdover_us))
    }

    /// What a grid leaves open of the clock at the least, µs: bounds that are off by a little, one after the other, would leave less.
    fn least_half_width_us(&self) -> f64 {
        if self.blocks.interval().is_none() {
            return 0.0;
        }
        LEAST_OPEN_US + LEAST_LATENESS * self.blocks.lateness_us()
    }

    /// Limit on the change of rate that is reckoned with, ppm/s.
    pub fn curvature_ppm_per_s(&self) -> f64 {
        self.bank.as_ref().map_or(WIDEST_CURVATURE, |b| b.chosen().curvature())
    }

    /// Device time of the newest arrival, s.
    pub fn newest_s(&self) -> f64 {
        self.to_s
    }

    /// Device time of the newest arrival that came when it could be expected, s.
    pub const fn in_time_s(&self) -> f64 {
        self.rise.in_time().0
    }

    /// Packets since then that came later than the link explains: the host's clock may have been set forward.
    pub const fn packets_late(&self) -> u32 {
        self.rise.in_time().1
    }

    /// Blocks of arrivals taken so far: 0 while nothing but the first arrivals and the prior is known.
    pub fn blocks_taken(&self) -> u32 {
        self.closed
    }

    /// Whether the answers rest on exchanges and markers rather than on arrivals less the fixed delay.
    pub fn rests_on_pairs(&self) -> bool {
        self.by_pairs().is_some()
    }

    /// Whether the device's rate lies outside the declared tolerance.
    pub fn off_nominal(&self) -> bool {
        self.off_nominal
    }

    /// Whether the link's queue overflowed and has not been seen empty since. Its packets bound the clock from above only, and
    /// the newest alone do: neither late packets nor early ones tell of a host clock that was set.
    pub fn is_congested(&self) -> bool {
        self.congested
    }

    /// The grid that is believed in, if any.
    pub fn interval(&self) -> Option<Interval> {
        self.blocks.interval()
    }
}

/// Whether the grid of a block is an app's that collects packets: each may have waited for the radio before. A block says so by itself, or
/// by instants that are farther apart than its packets are sent.
fn collected(block: &Block, setup: &Setup) -> bool {
    let shared = block.shares_deliveries() || block.interval_us > setup.period_s * 1e6;
    let bunched = block.times_between() > 0.0 && bunched(block.apart_us);
    shared && !lattice::of_radio(block.interval_us, setup.interval_us, bunched)
}

/// What a region says of another device time, and how much of the half-width there is holdover, µs.
fn carried(feasible: &Feasible, device_s: f64, curvature_ppm_per_s: f64) -> (Knot, f64) {
    let now = Knot::of(feasible.region(), feasible.at_s());
    let mut knot = now.carried(device_s, curvature_ppm_per_s);
    // The region knows how rate and offset go together; the knot's ranges alone do not.
    let dx = device_s - now.at_s;
    let (low, high) = feasible.region().offset_range_at(dx);
    let wander = curvature_ppm_per_s * dx * dx / 2.0;
    (knot.low_us, knot.high_us) = (low - wander, high + wander);
    if high - low > UNBOUNDED_US {
        // Nothing bounds the clock from below; arrivals bound it from above.
        knot.offset_us = high;
    }
    (knot, greater(knot.half_width_us() - now.half_width_us(), 0.0))
}

#[cfg(test)]
mod tests {
    use super::{Arrival, Live, Setup, Shift, SyncPair};

    #[test]
    fn a_pair_narrows_what_arrivals_leave_with_the_declared_delay_between_them() {
        let delay = Shift { us: 18_000.0, u_us: 100.0 };
        let mut live = Live::new(Setup { fixed_delay: Some(delay), ..Setup::new(50.0, 0.02) });
        // Half a minute of packets, the soonest of which wait for 2 ms, give or take what changes every two seconds.
        for n in 0..1_500_u16 {
            let least_us =
                [0.0, 400.0, 100.0, 500.0, 200.0].get(usize::from(n / 100 % 5)).copied().unwrap_or(0.0);
            let waited_us = 2_000.0 + least_us + f64::from(n % 7) * 1_300.0 + f64::from(n % 3) * 170.0;
            live.observe(Arrival::new(f64::from(n) * 0.02, delay.us + waited_us));
        }
        let by_arrivals = live.known_at(29.98).map(|(knot, _)| knot).unwrap_or_default();
        assert!(by_arrivals.low_us < 18_000.0 && by_arrivals.high_us > 19_500.0, "{by_arrivals:?}");
        // The clock lies 0.5 ms below the most that a pair allows, and far above the least.
        live.observe_pair(&SyncPair { at_s: 29.98, low_us: Some(-60_000.0), high_us: Some(500.0) });
        assert_eq!(live.fixed_delay(), Some(delay), "arrivals tell the more");
        let knot = live.known_at(29.98).map(|(knot, _)| knot).unwrap_or_default();
        // The delay may be off by three times its 0.1 ms.
        assert!((knot.high_us - 18_800.0).abs() < 1.0, "{knot:?}");
        assert!((knot.low_us - by_arrivals.low_us).abs() < 1.0, "{knot:?}, before {by_arrivals:?}");
    }

    #[test]
    fn a_clock_set_back_by_less_than_packets_may_wait_is_told_by_exchanges() {
        let mut live = Live::new(Setup { interval_us: Some(50_000.0), ..Setup::new(50.0, 0.03) });
        for n in 0..10_000_u16 {
            let device_s = f64::from(n) * 0.03;
            let clock_us = if device_s < 150.0 { 0.0 } else { -50_000.0 };
            // Each packet waits for the next instant of a grid that the clock's setting does not move.
            let host_us = libm::ceil((device_s * 1e6 + 60_000.0) / 50_000.0) * 50_000.0 + clock_us;
            live.observe(Arrival::new(device_s, host_us - device_s * 1e6));
            // Each 3 s an exchange, 5 ms before and 8 ms behind the clock.
            if n % 100 == 50 {
                let [low, high] = [clock_us - 5_000.0, clock_us + 8_000.0];
                live.observe_pair(&SyncPair { at_s: device_s, low_us: Some(low), high_us: None });
                live.observe_pair(&SyncPair { at_s: device_s, low_us: None, high_us: Some(high) });
                let knot = live.known_at(device_s).map(|(knot, _)| knot).unwrap_or_default();
                assert!(knot.low_us <= clock_us && clock_us <= knot.high_us, "{device_s} s: {knot:?}");
                if device_s > 30.0 {
                    let wide = (150.0..162.0).contains(&device_s);
                    assert_eq!(knot.half_width_us() > 25_000.0, wide, "{device_s} s: {knot:?}");
                }
            }
        }
    }

    #[test]
    fn an_upper_bound_that_fell_counts_as_holdover_by_what_it_adds_to_the_half_width() {
        // Exchanges of 1 ms, then some whose reply says that the clock lies 20 ms lower.
        let mut live = Live::new(Setup::new(50.0, 0.02));
        let mut answer = |from: u16, to: u16, low_us: f64, high_us: f64| {
            for n in from..to {
                let device_s = f64::from(n) * 0.02;
                live.observe(Arrival::new(device_s, 30_000.0 + f64::from(n % 7) * 300.0));
                if n % 50 == 10 {
                    live.observe_pair(&SyncPair {
                        at_s: device_s,
                        low_us: Some(low_us),
                        high_us: Some(high_us),
                    });
                }
            }
            live.known_at(f64::from(to) * 0.02)
        };
        let before = answer(0, 3_000, 0.0, 1_000.0).unwrap_or_default();
        let (knot, holdover_us) = answer(3_000, 3_060, -20_500.0, -20_000.0).unwrap_or_default();
        let grown_us = knot.half_width_us() - before.0.half_width_us();
        assert!(grown_us > 15_000.0, "{knot:?}, before {before:?}");
        assert!(holdover_us > 15_000.0 && holdover_us <= knot.half_width_us(), "{holdover_us}: {knot:?}");
    }

    #[test]
    fn a_grid_leaves_half_the_mean_lateness_open_at_the_least() {
        // Packets each 20 ms, on a grid of 15 ms, late by 0 to 0.6 ms, 0.3 ms on the mean.
        let of = |interval_us: Option<f64>| {
            let mut live = Live::new(Setup { interval_us, ..Setup::new(50.0, 0.02) });
            for n in 0..3_000_u16 {
                let device_s = f64::from(n) * 0.02;
                let late_us = f64::from(n.wrapping_mul(40_503) >> 6) * 0.6;
                let host_us = libm::ceil((device_s * 1e6 + 21_000.0) / 15_000.0) * 15_000.0 + late_us;
                live.observe(Arrival::new(device_s, host_us - device_s * 1e6));
            }
            let half_us = live.known_at(60.0).map_or(0.0, |(knot, _)| knot.half_width_us());
            (live.least_half_width_us(), half_us)
        };
        let (least_us, half_us) = of(Some(15_000.0));
        assert!(
            (60.0 + 120.0..60.0 + 180.0).contains(&least_us) && half_us >= least_us,
            "{least_us} {half_us}"
        );
        let live = Live::new(Setup::new(50.0, 0.02));
        assert_eq!(live.least_half_width_us(), 0.0);
    }

    #[test]
    fn a_device_that_runs_far_off_its_nominal_rate_is_followed() {
        let mut live = Live::new(Setup::new(50.0, 0.02));
        for n in 0..3_000_u16 {
            let device_s = f64::from(n) * 0.02;
            live.observe(Arrival::new(device_s, 18_000.0 + 5_000.0 * device_s + f64::from(n % 7) * 300.0));
        }
        let knot = live.known_at(59.98).map(|(knot, _)| knot).unwrap_or_default();
        let rates_ppm = knot.rate_low_ppm..knot.rate_high_ppm;
        assert!(live.off_nominal() && rates_ppm.contains(&5_000.0) && rates_ppm.start > 70.0, "{knot:?}");
        let truth_us = 18_000.0 + 5_000.0 * 59.98;
        assert!(knot.low_us <= truth_us && truth_us <= knot.high_us, "{knot:?}");
    }

    /// Packets sent each `period_us`, one in four of which is lost, wait for the next instant of a grid of `interval_us` and for a queue before it, which holds
    /// them for up to `full_us`, by `fills_us` a second more: for how many of two minutes' answers, one a second, the interval leaves the clock out.
    fn left_out_by_a_queue(
        (period_us, interval_us, declared): (f64, f64, bool),
        (full_us, fills_us): (f64, f64),
    ) -> usize {
        let told_us = declared.then_some(interval_us);
        let mut live = Live::new(Setup { interval_us: told_us, ..Setup::new(50.0, period_us * 1e-6) });
        let (mut left_out, mut asked_s, mut device_s) = (0_usize, 1.0, 0.0);
        for n in 0.. {
            let waits_us = libm::fmin(full_us, fills_us * device_s);
            if n % 4 != 3 {
                let host_us = libm::ceil((device_s * 1e6 + 18_000.0 + waits_us) / interval_us) * interval_us;
                live.observe(Arrival::new(device_s, host_us - device_s * 1e6));
            }
            if device_s > asked_s {
                let knot = live.known_at(device_s).map(|(knot, _)| knot).unwrap_or_default();
                let holds = knot.low_us <= 18_000.0 && 18_000.0 <= knot.high_us;
                left_out = left_out.saturating_add(usize::from(!holds));
                asked_s += 1.0;
            }
            if asked_s > 120.0 {
                break;
            }
            device_s += period_us * 1e-6;
        }
        left_out
    }

    #[test]
    fn a_queue_that_fills_or_is_full_from_the_start_tells_of_no_clock() {
        for link in [(20e3, 40e3), (80e3, 32.5e3), (38e3, 92.5e3)] {
            for declared in [true, false] {
                for queue in [(700e3, 24e3), (400e3, 200e3), (300e3, f64::INFINITY), (100e3, f64::INFINITY)] {
                    let link = (link.0, link.1, declared);
                    assert_eq!(left_out_by_a_queue(link, queue), 0, "{link:?} {queue:?}");
                }
            }
        }
    }

    #[test]
    fn on_a_grid_that_slips_packets_show_how_little_has_to_be_allowed() {
        let setup = Setup { interval_us: Some(15_000.0), ..Setup::new(50.0, 0.02) };
        let mut live = Live::new(setup);
        // Ready 18 ms after its samples, sent at the next multiple of 15 ms. The device runs 60 ppm fast: 3 ms in a minute.
        let (ready_us, rate_ppm) = (18_000.0, -60.0);
        for n in 0..60_000_u16 {
            let device_s = f64::from(n) * 0.02;
            let host_us = (device_s * (1e6 + rate_ppm) + ready_us) / 15_000.0;
            live.observe(Arrival::new(device_s, libm::ceil(host_us) * 15_000.0 - device_s * 1e6));
        }
        let at_s = 1_199.98;
        let knot = live.known_at(at_s).map(|(knot, _)| knot).unwrap_or_default();
        let truth_us = ready_us + rate_ppm * at_s;
        assert!(knot.low_us <= truth_us && truth_us <= knot.high_us, "{truth_us} {knot:?}");
        // A millisecond is allowed for packets that miss their first chance as long as nobody knows.
        assert!(knot.half_width_us() < 300.0, "{knot:?}");
    }
}
