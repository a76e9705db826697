//! Where the least waits touch the clock, and how closely.

use super::Report;
use super::link::mean_lateness_us;
use super::stage::Stage;
use crate::block::{ANCHORS, Arrival, Block, Bound, longest_run, part_of_turn};
use crate::lattice;
use crate::number::{between, count, greater, lesser, magnitude};
use crate::scatter::{Scatter, typical_us};
use crate::setup::Setup;

/// Stretches that a recording must hold, each long enough for the grid to pass over all phases of the packets, before the least waits in
/// them say where the clock lies: so many that five end inside it.
const STRETCHES_NEEDED: f64 = 5.7;
/// Shortest such stretch, s, and the factor from one length to the next that is tried.
const STRETCH_S: f64 = 20.0;
const STRETCH_FACTOR: f64 = 1.4;
/// Phases left unvisited that are sought, µs, and those that are put up with, or as much as deliveries are late on
/// average, if that is more.
pub(super) const GAP_SOUGHT_US: f64 = 60.0;
const GAP_ALLOWED_US: f64 = 1_000.0;
/// How far a touch may lie above the clock however well the touches agree, since all may share it: by this share of
/// the mean lateness, and this much, µs. The least sum of wait and jitter at a slip is about √(2 δ τ P q), 30 µs at
/// 25 ppm, 0.3 ms, 20 ms and 3 phases, 0.35 ms at 50 ppm, 3 ms, 100 ms and 4.
pub(super) const TOUCH_LATENESS: f64 = 0.5;
/// The same where those packets alone touch that came first at their instants.
pub(super) const LEADS_LATENESS: f64 = 1.0;
pub(super) const TOUCH_US: f64 = 60.0;
/// Touches on either side over which the rate is read off.
const RATE_TOUCHES: usize = 4;
/// Touches that measure their own scatter, and standard deviations of it by which the clock may lie below one. The scatter
/// is taken from second differences of the touches, so that the bending of the clock between them counts as scatter too.
const TOUCHES_NEEDED: usize = 5;
const TOUCH_REACH: f64 = 5.0;
/// Touches for which it is twice that.
const FEW_TOUCHES: f64 = 4.0;

/// Different intervals of one recording that are told apart, each of them as long as this share of the blocks at least.
const INTERVALS: usize = 6;
const INTERVAL_SHARE: f64 = 0.02;

/// The shortest stretch in which packets visit the grid's phases so closely that a least wait is all but nothing, and
/// the largest phase left out, µs: of all intervals that the link had, the longest and the largest. The device's rate against the
/// grid is not known exactly, and the worst that is possible counts. `None` where the recording does not hold enough such
/// stretches.
#[inline(never)]
pub(super) fn stretch_between_touches(
    stages: &[Stage],
    intervals: &Intervals,
    report: &Report,
    setup: &Setup,
) -> Option<(f64, f64)> {
    let interval = report.interval?;
    let (first, last) = (stages.first()?, stages.last()?);
    let longest_s = (last.bounds.at_s - first.bounds.at_s) / STRETCHES_NEEDED;
    let known = slowest_and_fastest(stages, stages.len() / 4)?;
    let allowed_us = greater(GAP_ALLOWED_US, mean_lateness_us(stages));
    let blocks: f64 = intervals.iter().map(|i| i.blocks).sum();
    let mut found: Option<(f64, f64)> = None;
    for grid in intervals.iter().filter(|i| i.blocks >= INTERVAL_SHARE * blocks) {
        let (span_s, gap_us) = grid.stretch(interval.stretch_u_ppm, known, setup, longest_s, allowed_us)?;
        found = Some(found.map_or((span_s, gap_us), |(s, g)| (greater(s, span_s), greater(g, gap_us))));
    }
    found
}

/// Multiple of the interval by which a block may leave the clock open on a grid that is one: a packet waits for the next instant, and
/// what the instants scatter by comes on top.
const OPEN: f64 = 1.25;
/// Share of a stretch's blocks that may not keep to the grid. Above, the stretch tells nothing: its grid is not the one that its interval says.
const UNSTEADY_SHARE: f64 = 0.25;

/// Whether a block keeps to a grid, so that the grid's interval and rate are what was there: not where its phase jumped, nor where the
/// packets of one grid are laid on another by a wait of several intervals.
pub(super) fn steady(block: &Block) -> bool {
    let open = block.lower.map_or(0.0, |lower| block.upper.residual_us - lower.residual_us);
    block.interval_us > 0.0 && !block.off_grid && !block.rephased && open < OPEN * block.interval_us
}

/// What the blocks on one interval say of it and of the device's rate, summed up.
#[derive(Clone, Copy, Default)]
pub(super) struct OneInterval {
    period_us: f64,
    blocks: f64,
    rate_low_ppm: f64,
    rate_high_ppm: f64,
    stretch_ppm: f64,
    stretch_squared: f64,
}

/// See [`intervals`].
pub(super) type Intervals = heapless::Vec<OneInterval, INTERVALS>;

/// By how much the rates of a grid that two blocks on end tell may differ, ppm (own choice): where it was laid anew, after a reconnection or a fade, the first
/// ones are off by hundreds, and a few of them would make the mean rate one at which the grid passes over phases that it leaves out.
const LAID_PPM: f64 = 50.0;

/// The intervals that the link had, in the order in which they came.
pub(super) fn intervals(stages: &[Stage]) -> Intervals {
    let mut intervals = Intervals::new();
    let mut before = (0.0, 0.0);
    for stage in stages {
        let Some(block) = stage.block.as_ref().filter(|b| steady(b)) else { continue };
        let (before_us, before_ppm) = core::mem::replace(&mut before, (block.interval_us, block.stretch_ppm));
        if !same_interval(before_us, block.interval_us)
            || magnitude(block.stretch_ppm - before_ppm) > LAID_PPM
        {
            continue;
        }
        let mut place = intervals.iter().position(|i| same_interval(i.period_us, block.interval_us));
        if place.is_none()
            && intervals.push(OneInterval { period_us: block.interval_us, ..OneInterval::default() }).is_ok()
        {
            place = intervals.len().checked_sub(1);
        }
        if let Some(interval) = place.and_then(|i| intervals.get_mut(i)) {
            interval.blocks += 1.0;
            interval.rate_low_ppm += stage.knot.rate_low_ppm;
            interval.rate_high_ppm += stage.knot.rate_high_ppm;
            // Against one period, whichever the block's own is reckoned from.
            let stretch_ppm = block.stretch_ppm + (block.interval_us / interval.period_us - 1.0) * 1e6;
            interval.stretch_ppm += stretch_ppm;
            interval.stretch_squared += stretch_ppm * stretch_ppm;
        }
    }
    intervals
}

/// Whether two periods are one interval, measured twice.
pub(super) fn same_interval(a_us: f64, b_us: f64) -> bool {
    magnitude(a_us - b_us) < 1e-3 * b_us
}

/// The largest phase of a grid that packets each `period_s` leave out in `span_s` at any of these rates, µs.
fn largest_gap_us(rates_ppm: [f64; 3], grid_us: f64, period_s: f64, span_s: f64) -> f64 {
    let gap_us = |rate_ppm: f64| {
        let period_us = period_s * 1e6 * (1.0 + rate_ppm * 1e-6);
        lattice::largest_gap_us(period_us, grid_us, span_s / period_s)
    };
    rates_ppm.into_iter().map(gap_us).fold(0.0, greater)
}

/// How far a stage's rate may be off, ppm, for the phases that packets around it leave out.
const NEAR_PPM: f64 = 2.0;

/// The largest phase that packets leave out in a stretch at a stage's own rate, µs: a crystal that warms up may keep step with the grid for a while, though
/// it does not on the whole.
#[inline(never)]
pub(super) fn gap_here_us(stage: &Stage, intervals: &Intervals, setup: &Setup, span_s: f64) -> f64 {
    let block_us = stage.block.as_ref().map_or(0.0, |block| block.interval_us);
    let Some(interval) = intervals.iter().find(|i| same_interval(i.period_us, block_us)) else { return 0.0 };
    let rate_ppm = stage.knot.rate_ppm;
    let (low, high) = (rate_ppm - NEAR_PPM, rate_ppm + NEAR_PPM);
    let still = between(interval.stretch_ppm / interval.blocks, low, high);
    largest_gap_us([low, high, still], interval.grid_us(), setup.period_s, span_s)
}

impl OneInterval {
    /// The mean period, µs.
    pub(super) fn grid_us(&self) -> f64 {
        self.period_us * (1.0 + self.stretch_ppm / self.blocks * 1e-6)
    }

    /// [`stretch_between_touches`] on this interval alone. `known` are the least and the greatest rate that is possible over a
    /// long part of the recording.
    fn stretch(
        &self,
        stretch_u_ppm: f64,
        known: (f64, f64),
        setup: &Setup,
        longest_s: f64,
        allowed_us: f64,
    ) -> Option<(f64, f64)> {
        let n = self.blocks;
        // Each block's rate of the grid is that of so many anchors. What the last one says of its own may be that of a grid laid anew.
        let stretch = self.stretch_ppm / n;
        let sd = libm::sqrt(greater(self.stretch_squared / n - stretch * stretch, 0.0));
        let anchors = count(ANCHORS);
        let u_stretch = if n < 2.0 * anchors { stretch_u_ppm } else { lesser(3.0 * sd, stretch_u_ppm) };
        let u_stretch = u_stretch / libm::sqrt(greater(n / anchors, 1.0)) + 0.2;
        let (low, high) = (self.rate_low_ppm / n, self.rate_high_ppm / n);
        let (low, high) = (greater(low, known.0), lesser(known.1, high));
        let (low, high) = (low - u_stretch, high + u_stretch);
        let grid_us = self.grid_us();
        let still = between(stretch, low, high);
        let gap_us = |span_s: f64| largest_gap_us([low, high, still], grid_us, setup.period_s, span_s);
        let mut span_s = STRETCH_S;
        while span_s < longest_s {
            let gap = gap_us(span_s);
            if gap <= GAP_SOUGHT_US {
                return Some((span_s, gap));
            }
            span_s *= STRETCH_FACTOR;
        }
        let gap = gap_us(longest_s);
        (longest_s >= STRETCH_S && gap <= allowed_us).then_some((longest_s, gap))
    }
}

/// The least and the greatest rate that is possible over so many stages, on average, ppm.
pub(super) fn slowest_and_fastest(stages: &[Stage], apart: usize) -> Option<(f64, f64)> {
    let (mut low, mut high, mut n) = (0.0, 0.0, 0.0);
    for (from, to) in stages.iter().zip(stages.get(apart..)?) {
        let span_s = to.knot.at_s - from.knot.at_s;
        if span_s > 0.0 {
            low += (to.knot.low_us - from.knot.high_us) / span_s;
            high += (to.knot.high_us - from.knot.low_us) / span_s;
            n += 1.0;
        }
    }
    (n > 0.0).then(|| (low / n, high / n))
}

/// What of a block is taken for the soonest that a packet of it could arrive.
pub(super) type Soonest = fn(&Block) -> Bound;
/// The same, and how far the clock may lie below for what came first of its delivery.
type Touching = (Soonest, fn(&Block) -> f64);
/// What touches by the stamps and by the grid's instants.
pub(super) const BY_STAMPS: Touching = (|block| block.stamped, |block| block.behind_us);
pub(super) const BY_INSTANTS: Touching = (|block| block.minimum, |block| block.behind_first_us);

/// What touches look like, where they are enough to tell.
#[derive(Clone, Copy)]
pub(super) struct Touches {
    /// What they scatter by, but for a few that are far off, µs.
    scatter_us: f64,
    /// Share of the stretches in which the grid bounds the clock from below above the touch: there, the touch came before its
    /// packet's first chance as the grid has it.
    pub(super) refuted: f64,
    /// Mean height above what was known, µs.
    height_us: f64,
    /// Share of them whose packet of the least stamp came first at its instant.
    lead: f64,
}

/// Scatter of touches by stamps, as a share of that by the grid's instants, below which the estimate goes by the stamps: chosen on the simulator's seeds
/// 14001 to 14700, where packets that may enter events late lie below as a rule, and others above.
const STAMPS_SHARPER: f64 = 0.6;
/// Share of the stretches in which the grid refutes the touch by its instants, above which the estimate goes by the stamps too: a
/// packet that enters an event late was not ready at the instant that it is counted to.
const REFUTED_SHARE: f64 = 0.5;
/// Scatter of the touches by the grid's instants up to which they are as good as any, µs, and from which on they are not, whatever else.
const GOOD_US: f64 = 100.0;
const BAD_US: f64 = 1_000.0;

impl Touches {
    /// Whether these, of the stamps, keep closer to each other than those of the grid's instants.
    fn sharper_than(&self, instants: &Self) -> bool {
        instants.scatter_us > GOOD_US && self.scatter_us < STAMPS_SHARPER * instants.scatter_us
    }
}

/// Whether the stamps' touches tell more than those of the grid's instants: packets may enter an event that is under way, which leaves its instant too
/// early for them, and not for those that the grid's other packets refute.
pub(super) fn stamps_tell_more(instants: Option<Touches>, stamps: Option<Touches>) -> bool {
    let (Some(instants), Some(stamps)) = (instants, stamps) else { return false };
    let scattered = instants.refuted > 0.0 || instants.scatter_us > BAD_US;
    instants.refuted > REFUTED_SHARE || scattered && stamps.sharper_than(&instants)
}

/// Whether packets enter events that are under way for certain: the grid refutes most touches of its instants, and none of the stamps', which are closer.
/// Then these bound the clock too. Where the grid refutes them as well, it is not the one that the packets wait for; where packets are sent closer than its
/// instants are and yet lead there, those that wait less come behind them, and are passed over.
pub(super) fn packets_enter(
    instants: Option<Touches>,
    stamps: Option<Touches>,
    one_an_instant: bool,
) -> bool {
    let (Some(instants), Some(stamps)) = (instants, stamps) else { return false };
    let passes_over = stamps.lead > LEAD_SHARE && !one_an_instant;
    !passes_over && instants.refuted > REFUTED_SHARE && stamps.refuted < FEW && stamps.sharper_than(&instants)
}

/// Whether the grid refutes most touches, by its instants and by the stamps: it is not the one that packets wait for.
pub(super) fn tell_nothing(instants: Option<Touches>, stamps: Option<Touches>) -> bool {
    [instants, stamps].iter().all(|touches| touches.is_none_or(|t| t.refuted > REFUTED_SHARE))
}

/// Whether packets that came first at their instants touch the clock, by their stamps, and those of the grid's instants lie well below: the instants are
/// those of packets that entered events under way. Were they right, packets that lead would come close to them by chance alone, and lie apart by as much
/// as they lie above. Only where packets are sent no closer than the grid's instants: else those that wait least come behind the one before, each time.
pub(super) fn leads_touch(
    instants: Option<Touches>,
    stamps: Option<Touches>,
    one_an_instant: bool,
    setup: &Setup,
) -> bool {
    let (Some(instants), Some(stamps)) = (instants, stamps) else { return false };
    // Stamps are taken to be rounded down.
    let above_us = stamps.height_us - setup.resolution_us - instants.height_us;
    one_an_instant
        && stamps.lead > LEAD_SHARE
        && stamps.refuted < FEW
        && stamps.scatter_us + setup.host_step_us() < LEADS_SHARPER * above_us
}

/// Whether next to no block has packets that did not wait for the grid and came sooner than those that did.
pub(super) fn hardly_any_sooner(stages: &[Stage]) -> bool {
    let sooner = stages.iter().filter(|stage| stage.sooner_us > 0.0).count();
    count(sooner) < HARDLY_ANY * count(stages.len())
}

/// Share of the touches that packets have to lead for that.
const LEAD_SHARE: f64 = 0.7;
/// Scatter of touches by packets that lead, as a share of their height above those by the grid's instants, up to which they are no chance.
const LEADS_SHARPER: f64 = 0.25;
/// Share of the stretches, and of the blocks, that counts as next to none.
const FEW: f64 = 0.05;
const HARDLY_ANY: f64 = 0.02;

/// At each slip the least wait passes through its minimum, like the delays of a link without a grid, only more
/// slowly. Marks the block with the least in each stretch; returns what these are like, or nothing where they are too few to
/// tell.
#[inline(never)]
pub(super) fn find(stages: &mut [Stage], period_s: f64, soonest: Soonest) -> Option<Touches> {
    let from_s = stages.first()?.bounds.at_s;
    // The touch of each period: the least upper bound against what is known so far.
    let mut best: Option<(f64, usize)> = None;
    let mut highest = f64::NEG_INFINITY;
    let (mut refuted, mut stretches) = (0_usize, 0_usize);
    let mut period_end = from_s + period_s;
    let mut interval_us = 0.0;
    let (mut blocks, mut unsteady) = (0_u32, 0_u32);
    for i in 0..stages.len() {
        let Some(stage) = stages.get_mut(i) else { break };
        stage.touch_us = None;
        let Some(block) = &stage.block else { continue };
        if block.interval_us > 0.0 && !same_interval(interval_us, block.interval_us) {
            // What is left of a stretch is too short to have passed over all phases of one interval.
            interval_us = block.interval_us;
            (best, highest, blocks, unsteady) = (None, f64::NEG_INFINITY, 0, 0);
            period_end = stage.bounds.at_s + period_s;
        }
        if stage.bounds.at_s > period_end {
            if f64::from(unsteady) <= UNSTEADY_SHARE * f64::from(blocks) {
                mark(stages, best);
                stretches = stretches.saturating_add(1);
                refuted = refuted.saturating_add(usize::from(best.is_some_and(|(above, _)| highest > above)));
            }
            (best, highest, blocks, unsteady) = (None, f64::NEG_INFINITY, 0, 0);
            period_end = stages.get(i).map_or(period_end, |s| s.bounds.at_s) + period_s;
        }
        let Some(stage) = stages.get(i) else { break };
        if let Some(block) = &stage.block {
            blocks = blocks.saturating_add(1);
            unsteady = unsteady.saturating_add(u32::from(!steady(block) || stage.congested));
            if stage.congested || stage.another_phase {
                // Packets that waited in a queue touch nothing, nor do those whose clock nobody knows.
                continue;
            }
            let knot = &stage.knot;
            let above = |b: Bound| b.residual_us - knot.offset_us - knot.rate_ppm * (b.at_s - knot.at_s);
            highest = stage.lattice.map_or(highest, |l| greater(above(l), highest));
            let above = above(soonest(block));
            if best.is_none_or(|(had, _)| above < had) {
                best = Some((above, i));
            }
        }
    }
    // What is left over is too short to have passed over all phases.
    for backwards in [false, true] {
        let mut scatter = Scatter::new();
        let mut each = |stage: &mut Stage| {
            if let (Some(_), Some(block)) = (stage.touch_us, &stage.block) {
                let seen = scatter.observe(soonest(block));
                stage.scatter_us = if backwards { greater(seen, stage.scatter_us) } else { seen };
            }
        };
        if backwards {
            stages.iter_mut().rev().for_each(&mut each);
        } else {
            stages.iter_mut().for_each(&mut each);
        }
    }
    // Every knot takes the scatter of the touch before it, the first ones that of the first.
    let mut carried = stages.iter().find(|s| s.touch_us.is_some()).map_or(0.0, |s| s.scatter_us);
    for stage in stages.iter_mut() {
        if stage.touch_us.is_some() {
            carried = stage.scatter_us;
        }
        stage.scatter_us = carried;
    }
    let touches = || stages.iter().filter(|s| s.touch_us.is_some());
    let n = touches().count();
    let leads = touches().filter_map(|s| s.block.as_ref()).filter(|block| block.leads).count();
    (n >= TOUCHES_NEEDED).then(|| Touches {
        height_us: touches().filter_map(|s| s.touch_us).sum::<f64>() / count(n),
        lead: count(leads) / count(n),
        scatter_us: typical_us(&mut touches().filter_map(|s| s.block.as_ref().map(soonest)), n),
        refuted: count(refuted) / count(if stretches > 0 { stretches } else { 1 }),
    })
}

/// Parts of a grid's interval that are told apart.
const PHASES: u32 = u64::BITS;
/// Share of the packets that come behind others in their deliveries, up to which those matter to no phase.
const FEW_BEHIND: f64 = 0.02;

/// How much more of the grid's phases packets leave out in stretches of `span_s` that came first in their deliveries than all together do, at the
/// most, µs. Where the streams of a device and the grid keep step, packets of some phases come behind those of another stream each time: the least wait of
/// those that lead is longer by that.
#[inline(never)]
pub(super) fn led_us(arrivals: &[Arrival], intervals: &Intervals, span_s: f64) -> f64 {
    let behind = arrivals.iter().filter(|arrival| arrival.behind_us > 0.0).count();
    let longest = intervals.iter().fold(None, |longest: Option<&OneInterval>, interval| {
        if longest.is_none_or(|longest| longest.blocks < interval.blocks) { Some(interval) } else { longest }
    });
    let Some(interval) = longest.filter(|_| count(behind) > FEW_BEHIND * count(arrivals.len())) else {
        return 0.0;
    };
    let grid_us = interval.grid_us();
    // Packets' times are the device's, and the grid's period is by the host's clock.
    let rate_ppm = f64::midpoint(interval.rate_low_ppm, interval.rate_high_ppm) / interval.blocks;
    let per_s = (1e6 + rate_ppm) / grid_us;
    let mut more = 0_u32;
    let (mut met, mut led) = (0_u64, 0_u64);
    let mut until_s = arrivals.first().map_or(0.0, |first| first.device_s) + span_s;
    for arrival in arrivals {
        if arrival.device_s > until_s {
            more = more.max(longest_run(!led).saturating_sub(longest_run(!met)));
            (met, led) = (0, 0);
            until_s = arrival.device_s + span_s;
        }
        let bit = 1_u64.rotate_left(part_of_turn(arrival.device_s * per_s, PHASES));
        met |= bit;
        led |= if arrival.behind_us > 0.0 { 0 } else { bit };
    }
    // Both ends of a run lie somewhere in their own parts.
    let parts = if more > 0 { more.saturating_add(1) } else { 0 };
    grid_us / f64::from(PHASES) * f64::from(parts)
}

/// Where touches have been found, they bound the clock from below too, to within what they scatter by, such a share of the mean lateness or [`led_us`], and
/// what the report doubts.
#[inline(never)]
pub(super) fn bound(
    stages: &mut [Stage],
    gap_us: &dyn Fn(&Stage) -> f64,
    (soonest, behind): Touching,
    (lateness_share, led_us): (f64, f64),
    doubt_us: f64,
) {
    let above_us = greater(lateness_share * mean_lateness_us(stages), led_us);
    // Few touches know their scatter badly.
    let n = stages.iter().filter(|s| s.touch_us.is_some()).count();
    let reach = TOUCH_REACH * (1.0 + FEW_TOUCHES / count(if n > 0 { n } else { 1 }));
    let mut touches = stages.iter_mut().filter(|s| s.touch_us.is_some()).filter_map(|stage| {
        let block = stage.block.as_ref()?;
        let least = soonest(block);
        let (behind_us, gap_us) = (behind(block), gap_us(stage));
        stage.touch_reach_us = greater(reach * stage.scatter_us, above_us);
        let low_us = least.residual_us - stage.touch_reach_us - behind_us - gap_us - TOUCH_US - doubt_us;
        Some((stage, Bound { residual_us: low_us, ..least }))
    });
    // No farther than the touch before or after bears it out: not each stretch has a packet that waited for next to nothing.
    let (mut before, mut next, mut after) = (None, touches.next(), touches.next());
    while let Some((stage, low)) = next {
        let rate_ppm = stage.knot.rate_ppm;
        let here_us = |b: Bound| b.residual_us + rate_ppm * (low.at_s - b.at_s);
        let neighbours = before.into_iter().chain(after.as_ref().map(|&(_, b)| b));
        let low_us = lesser(neighbours.map(here_us).fold(f64::NEG_INFINITY, greater), low.residual_us);
        if low_us > stage.bounds.lower.map_or(f64::NEG_INFINITY, here_us) {
            stage.bounds.lower = Some(Bound { residual_us: low_us, ..low });
        }
        (before, next, after) = (Some(low), after, touches.next());
    }
}

fn mark(stages: &mut [Stage], best: Option<(f64, usize)>) {
    if let Some((above, i)) = best
        && let Some(stage) = stages.get_mut(i)
    {
        stage.touch_us = Some(above);
    }
}

/// Lays the estimate through the touches, `lean_us` below them: straight between two, and on from the outer ones with the
/// slope of those next to them, as far as what is possible allows.
#[inline(never)]
pub(super) fn through_touches(stages: &mut [Stage], lean_us: f64, soonest: Soonest) {
    let touch = |s: &Stage| s.touch_us.and(s.block.as_ref()).map(soonest);
    let n = stages.iter().filter_map(touch).count();
    let at = |stages: &[Stage], k: usize| stages.iter().filter_map(touch).nth(k);
    if n < 3 {
        return;
    }
    // The outer slopes are those over two stretches, which halves what one touch misses the clock by.
    let slope = |a: Bound, b: Bound| (b.residual_us - a.residual_us) / (b.at_s - a.at_s);
    let (Some(first), Some(third)) = (at(stages, 0), at(stages, 2)) else { return };
    let (Some(third_last), Some(last)) = (at(stages, n.saturating_sub(3)), at(stages, n.saturating_sub(1)))
    else {
        return;
    };
    let (rising, falling) = (slope(first, third), slope(third_last, last));
    // The touches ahead, nearest first, and behind.
    let mut ahead: [Option<Bound>; RATE_TOUCHES] = [None; RATE_TOUCHES];
    let farthest = |touches: &[Option<Bound>; RATE_TOUCHES]| touches.iter().rev().find_map(|t| *t);
    for stage in stages.iter_mut().rev() {
        push(&mut ahead, touch(stage));
        stage.touch_after = ahead.first().copied().flatten();
        stage.touch_far = farthest(&ahead);
    }
    let mut behind: [Option<Bound>; RATE_TOUCHES] = [None; RATE_TOUCHES];
    for stage in stages.iter_mut() {
        push(&mut behind, touch(stage));
        let before = behind.first().copied().flatten();
        let (from, rate) = match (before, stage.touch_after) {
            (Some(a), Some(b)) if b.at_s > a.at_s => (a, slope(a, b)),
            (Some(a), Some(_)) => (a, stage.knot.rate_ppm),
            (None, Some(b)) => (b, rising),
            (Some(a), None) => (a, falling),
            (None, None) => return,
        };
        let through = from.residual_us + rate * (stage.bounds.at_s - from.at_s) - lean_us;
        // The rate itself is read off over more touches than the next two, each being off by its own chance.
        let rate = match (farthest(&behind), stage.touch_far.or(before)) {
            (Some(a), Some(b)) if b.at_s > a.at_s => slope(a, b),
            _ => rate,
        };
        stage.knot.lie_at(through, rate);
    }
}

fn push(touches: &mut [Option<Bound>; RATE_TOUCHES], touch: Option<Bound>) {
    if touch.is_some() {
        touches.rotate_right(1);
        if let Some(first) = touches.first_mut() {
            *first = touch;
        }
    }
}
