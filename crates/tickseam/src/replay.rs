//! The replayed estimate: the whole recording at once, forwards and backwards.

use crate::block::{Arrival, Block, Blocks, Bound, Interval, WorkingLine};
use crate::filter::{Bank, Bounds, Feasible, Prior};
use crate::lattice;
use crate::number::{between, count, greater, magnitude};
use crate::placement::Knot;
use crate::region::Region;
use crate::scatter::{self, Scatter};

/// Longest stretch of device time without a knot, s.
const KNOT_SPACING_S: f64 = 10.0;
/// Knots put into one gap at the most.
const GAP_KNOTS: u8 = 32;

/// Scratch of one block.
#[derive(Clone, Debug)]
pub struct Stage {
    block: Option<Block>,
    bounds: Bounds,
    scatter_us: f64,
    range_us: f64,
    touch_us: Option<f64>,
    lattice: Option<Bound>,
    region: Region,
    /// What came out.
    pub knot: Knot,
}

impl Stage {
    /// An unused one.
    pub fn empty() -> Self {
        Self {
            block: None,
            bounds: Bounds::default(),
            scatter_us: 0.0,
            range_us: 0.0,
            touch_us: None,
            lattice: None,
            region: Region::rectangle(0.0, 0.0, 0.0, 0.0),
            knot: Knot::default(),
        }
    }

    /// The block, unless this knot was put into a gap.
    pub fn block(&self) -> Option<&Block> {
        self.block.as_ref()
    }

    /// The bounds it gave.
    pub fn bounds(&self) -> &Bounds {
        &self.bounds
    }
}

/// What was found on the way.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Report {
    /// Stages filled.
    pub stages: usize,
    /// Lower bounds that were refuted.
    pub lower_refuted: u32,
    /// Times that the region had to give way.
    pub reopened: u32,
    /// Limit chosen on the crystal's wander, ppm/s.
    pub curvature_ppm_per_s: f64,
    /// By how much a packet may have missed its first chance and still be taken for one that did not, µs.
    pub allowance_us: f64,
    /// Multiple of the scatter of minima by which the clock may lie below them.
    pub reach: f64,
    /// Length of the stretches in each of which the grid passed over all phases of the packets, s; 0 where there are too
    /// few for that.
    pub touch_period_s: f64,
    /// Times that the grid slipped by one step against the packets.
    pub slips: f64,
    /// The grid that was believed in, if any.
    pub interval: Option<Interval>,
    /// A grid was found or declared: where it is lost, nothing bounds the clock from below.
    pub on_a_grid: bool,
    /// Period of a grid that may be there unseen, µs; 0 where that can be ruled out.
    pub doubt_us: f64,
    /// The link loses so much that its queue must be overflowing: nothing bounds the clock from below.
    pub congested: bool,
    /// The declared interval did not fit.
    pub declared_refuted: bool,
}

/// What is known before the arrivals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// The clock.
    pub prior: Prior,
    /// Step of the host stamps, µs: a stamp is the clock rounded down to it.
    pub resolution_us: f64,
    /// Connection interval that was declared, µs.
    pub interval_us: Option<f64>,
    /// Nominal time from one packet's first sample to the next one's, s.
    pub period_s: f64,
}

/// A packet may miss its first chance though its samples were ready, by the delays inside the device. Nothing in the
/// data tells by how much, and this much is allowed, µs: a microcontroller whose tasks run each millisecond has been
/// seen to miss by 0.9 ms.
const ALLOWANCE_US: f64 = 1_000.0;
/// Deliveries that come late against the grid may do so because the host is slow, or because the grid is one of windows
/// rather than of instants, in which a packet may still catch the one under way. The second moves the first chance by
/// as much, and the allowance grows by this multiple of the mean.
const LATENESS_REACH: f64 = 2.0;
/// Share of lost packets from which on a link that sends again counts as congested: its queue overflows, and no packet
/// has to have left at its first chance. What an app loses is less.
const CONGESTED_LOSS: f64 = 0.06;
/// How far the clock may lie below the arrivals of a congested link, µs: what a deep queue holds.
const CONGESTED_DEPTH_US: f64 = 1e7;
/// Share of the blocks on a grid from which on the link counts as one with a grid: a false finding is dropped again
/// after four blocks.
const GRID_SHARE: f64 = 0.1;
/// Packets after which an unseen grid is given up: some packet of so many would have missed its turn.
const PACKETS_FOR_CERTAINTY: usize = 6_000;
/// Packets that must be lost, and none later than this, µs, to rule a grid out.
const LOST_FOR_CERTAINTY: f64 = 10.0;
const LATE_US: f64 = 1_000.0;
/// Packets later than the shortest connection interval that rule a grid out if none was found with them.
const LATE_FOR_CERTAINTY: usize = 12;
/// Shortest connection interval (Bluetooth Core, Vol 6 Part B, 4.5.1), and the longest that is usual for streaming
/// (common practice, no source), µs.
const INTERVALS_US: (f64, f64) = (7_500.0, 60_000.0);
/// Stretches that a recording must hold, each long enough for the grid to pass over all phases of the packets, before
/// the least waits in them say where the clock lies.
const STRETCHES_NEEDED: f64 = 6.0;
/// Shortest such stretch, s, and the factor from one length to the next that is tried.
const STRETCH_S: f64 = 20.0;
const STRETCH_FACTOR: f64 = 1.4;
/// Phases left unvisited that are sought, µs, and those that are put up with.
const GAP_SOUGHT_US: f64 = 60.0;
const GAP_ALLOWED_US: f64 = 1_000.0;
/// How far a touch may lie above the clock however well the touches agree, since all may share it: by this share of
/// the mean lateness, and this much, µs. The least sum of wait and jitter at a slip is about √(2 δ τ P q), 30 µs at
/// 25 ppm, 0.3 ms, 20 ms and 3 phases, 0.35 ms at 50 ppm, 3 ms, 100 ms and 4.
const TOUCH_LATENESS: f64 = 0.5;
const TOUCH_US: f64 = 60.0;
/// Touches that are compared with each other.
const TOUCHES: f64 = 16.0;
/// Rounds of touches, each with a better idea of the rate.
const ROUNDS: usize = 3;
/// Standard deviations of the least waits by which the clock is reckoned to lie below what they touch.
const LEAN: f64 = 2.0;
/// Standard deviations of the minima by which the clock may lie below them.
const REACH: f64 = 10.0;
/// Times that the allowance and the reach are doubled when the bounds contradict each other.
const DOUBLINGS: usize = 5;

/// Runs the estimator over a segment's arrivals (in the order of reception). Fills as many stages as are needed.
pub fn replay(arrivals: &[Arrival], line: WorkingLine, setup: &Setup, stages: &mut [Stage]) -> Report {
    let prior = &setup.prior;
    let mut report = Report::default();
    // Once to find the grid, again with it; a third time where most packets came late against it, as they do when
    // it is only half of the true one.
    let (mut used, mut blocks) = fill(arrivals, line, setup, setup.interval_us.map(Interval::declared), stages);
    report.declared_refuted = blocks.given_refuted();
    report.interval = blocks.interval();
    for _ in 0..2 {
        let Some(interval) = report.interval else { break };
        let declared = setup.interval_us.is_some() && !report.declared_refuted;
        let doubled_fits = blocks.doubled_fits() && !declared;
        (used, blocks) = fill(arrivals, line, setup, Some(interval), stages);
        if !doubled_fits || on_time_share(stages.get(..used).unwrap_or_default()) > 0.6 {
            break;
        }
        report.interval =
            Some(Interval { period_us: 2.0 * interval.period_us, phase_sd_us: 2.0 * interval.phase_sd_us, ..interval });
    }
    report.stages = used;
    let Some(stages) = stages.get_mut(..used) else { return report };
    measure_scatter(stages);
    report.slips = slips(stages, line.rate_ppm);

    let Some(first) = stages.iter().find_map(|s| s.block.as_ref().map(|b| b.upper)) else { return report };
    let Some(last) = stages.iter().rev().find_map(|s| s.block.as_ref().map(|b| b.upper)) else { return report };
    report.allowance_us = ALLOWANCE_US;
    report.reach = REACH;
    report.on_a_grid = grid_share(stages) > GRID_SHARE;
    if !report.on_a_grid {
        report.doubt_us = doubt_us(arrivals, line, setup);
    }
    let congested = Prior { depth_us: CONGESTED_DEPTH_US, ..*prior };
    report.congested = report.on_a_grid && lost_share(stages, setup.period_s) > CONGESTED_LOSS;
    let prior = if report.congested { &congested } else { prior };
    let lateness = mean_lateness_us(stages);
    report.allowance_us += LATENESS_REACH * lateness;
    clip_outliers(stages);
    for _ in 0..DOUBLINGS {
        lower_bounds(stages, &report);
        let found = weigh(stages, prior, first);
        report.curvature_ppm_per_s = found.curvature_ppm_per_s;
        (report.lower_refuted, report.reopened) = (found.lower_refuted, found.reopened);
        let contradictions = f64::from(report.lower_refuted) + f64::from(report.reopened);
        if contradictions <= 1.0 + count(used) / 300.0 {
            break;
        }
        report.allowance_us *= 2.0;
        report.reach *= 2.0;
    }
    both_ways(stages, prior, report.curvature_ppm_per_s, first, last);
    let lean_us = (TOUCH_LATENESS * lateness + TOUCH_US) / 4.0;
    for _ in 0..if report.congested { 0 } else { ROUNDS } {
        let Some((period_s, gap_us)) = stretch_between_touches(stages, &report, setup) else { break };
        report.touch_period_s = period_s;
        lower_bounds(stages, &report);
        touches(stages, &report, period_s, gap_us);
        let found = weigh(stages, prior, first);
        report.curvature_ppm_per_s = found.curvature_ppm_per_s;
        (report.lower_refuted, report.reopened) = (found.lower_refuted, found.reopened);
        both_ways(stages, prior, report.curvature_ppm_per_s, first, last);
        // The least waits touch the clock from above, so it lies near the top of what is possible.
        for stage in stages.iter_mut() {
            let knot = &mut stage.knot;
            let near = knot.high_us - gap_us / 2.0 - LEAN * stage.scatter_us - lean_us;
            knot.offset_us = greater(near, knot.offset_us);
        }
    }
    if !report.on_a_grid {
        for stage in stages.iter_mut() {
            let on_line = line.at(stage.bounds.at_s);
            let knot = &mut stage.knot;
            knot.offset_us = if on_line < knot.low_us {
                knot.low_us
            } else if on_line > knot.high_us {
                knot.high_us
            } else {
                on_line
            };
        }
    }
    report
}

/// Sets the lower bounds as the allowance and the reach have it.
fn lower_bounds(stages: &mut [Stage], report: &Report) {
    for stage in stages {
        if let Some(block) = &stage.block {
            stage.bounds.lower = if report.congested {
                None
            } else if block.interval_us > 0.0 {
                stage.lattice.map(|l| Bound { residual_us: l.residual_us - report.allowance_us, ..l })
            } else if report.on_a_grid {
                None
            } else {
                floor_bound(block, stage.scatter_us, stage.range_us, report.reach)
                    .map(|l| Bound { residual_us: l.residual_us - report.doubt_us, ..l })
            };
        }
    }
}

/// One pass under every limit on the wander: which limit to use, and how many bounds contradict the others.
fn weigh(stages: &[Stage], prior: &Prior, first: Bound) -> Report {
    let mut found = Report::default();
    let mut bank = Bank::new(prior, first);
    for stage in stages {
        let outcome = bank.observe(&stage.bounds, prior);
        found.lower_refuted = found.lower_refuted.saturating_add(u32::from(outcome.lower_refuted));
        found.reopened = found.reopened.saturating_add(u32::from(outcome.reopened));
    }
    found.curvature_ppm_per_s = bank.chosen().curvature();
    found
}

/// Forwards, then backwards, and what both allow.
fn both_ways(stages: &mut [Stage], prior: &Prior, curvature: f64, first: Bound, last: Bound) {
    let mut forward = Feasible::new(prior, curvature, first);
    for stage in stages.iter_mut() {
        let _ = forward.observe(&stage.bounds, prior);
        stage.region = forward.region().clone();
    }
    let mut backward = Feasible::new(prior, curvature, last);
    for stage in stages.iter_mut().rev() {
        let _ = backward.observe(&stage.bounds, prior);
        let at_s = stage.bounds.at_s;
        stage.knot = match stage.region.intersection(backward.region()) {
            Some(both) => Knot::of(&both, at_s),
            None => contradicted(at_s, &stage.region, backward.region()),
        };
    }
}

/// The shortest stretch in which packets visit the grid's phases so closely that a least wait is all but nothing, and
/// the largest phase left out, µs. The device's rate against the grid is not known exactly, and the worst that is
/// possible counts. `None` where the recording does not hold enough such stretches.
fn stretch_between_touches(stages: &[Stage], report: &Report, setup: &Setup) -> Option<(f64, f64)> {
    let interval = report.interval?;
    let (first, last) = (stages.first()?, stages.last()?);
    let longest_s = (last.bounds.at_s - first.bounds.at_s) / STRETCHES_NEEDED;
    let (mut low, mut high, mut stretch, mut n) = (0.0, 0.0, 0.0, 0.0);
    for stage in stages {
        if let Some(block) = &stage.block
            && block.interval_us > 0.0
        {
            low += stage.knot.rate_low_ppm;
            high += stage.knot.rate_high_ppm;
            stretch += block.stretch_ppm;
            n += 1.0;
        }
    }
    if n == 0.0 {
        return None;
    }
    let (low, high, stretch) = (low / n, high / n, stretch / n);
    let grid_us = interval.period_us * (1.0 + stretch * 1e-6);
    let still = between(stretch, low, high);
    let gap_us = |span_s: f64| {
        [low, high, still]
            .iter()
            .map(|rate| {
                let period_us = setup.period_s * 1e6 * (1.0 + rate * 1e-6);
                lattice::largest_gap_us(period_us, grid_us, span_s / setup.period_s)
            })
            .fold(0.0, greater)
    };
    let mut span_s = STRETCH_S;
    while span_s < longest_s {
        let gap = gap_us(span_s);
        if gap <= GAP_SOUGHT_US {
            return Some((span_s, gap));
        }
        span_s *= STRETCH_FACTOR;
    }
    let gap = gap_us(longest_s);
    (longest_s >= STRETCH_S && gap <= GAP_ALLOWED_US).then_some((longest_s, gap))
}

/// At each slip the least wait passes through its minimum, like the delays of a link without a grid, only more
/// slowly. Where there are enough slips, the least upper bound in each slip period bounds the clock from below too, to
/// within what these scatter by.
fn touches(stages: &mut [Stage], report: &Report, period_s: f64, gap_us: f64) {
    let Some(first) = stages.first() else { return };
    let from_s = first.bounds.at_s;
    let lateness = mean_lateness_us(stages);
    // The touch of each period: the least upper bound against what is known so far.
    let mut best: Option<(f64, usize)> = None;
    let mut period_end = from_s + period_s;
    for i in 0..stages.len() {
        let Some(stage) = stages.get_mut(i) else { break };
        stage.touch_us = None;
        if stage.block.is_none() {
            continue;
        }
        if stage.bounds.at_s > period_end {
            mark(stages, best);
            best = None;
            period_end = stages.get(i).map_or(period_end, |s| s.bounds.at_s) + period_s;
        }
        let Some(stage) = stages.get(i) else { break };
        if let Some(block) = &stage.block {
            let (least, knot) = (block.minimum, &stage.knot);
            let above = least.residual_us - knot.offset_us - knot.rate_ppm * (least.at_s - knot.at_s);
            if best.is_none_or(|(had, _)| above < had) {
                best = Some((above, i));
            }
        }
    }
    mark(stages, best);
    for backwards in [false, true] {
        let mut scatter = Scatter::new();
        let mut each = |stage: &mut Stage| {
            if let (Some(residual_us), Some(block)) = (stage.touch_us, &stage.block) {
                let seen = scatter.observe(Bound { residual_us, ..block.minimum });
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
    let touching = |s: &Stage| {
        s.touch_us.zip(s.block.as_ref()).map(|(residual_us, b)| Bound { residual_us, ..b.minimum })
    };
    let mut from = 0_usize;
    while let Some(rest) = stages.get_mut(from..)
        && !rest.is_empty()
    {
        let (range, touches) = scatter::range(rest.iter().filter_map(touching), TOUCHES * period_s);
        let mut left = if touches > 0 { touches } else { usize::MAX };
        for stage in rest.iter_mut() {
            from = from.saturating_add(1);
            if stage.touch_us.is_none() {
                continue;
            }
            if let Some(block) = &stage.block
                && stage.scatter_us > 0.0
                && touches >= 4
            {
                let least = block.minimum;
                let seen = greater(report.reach * stage.scatter_us, report.reach / 6.0 * range);
                let depth = greater(seen, TOUCH_LATENESS * lateness) + gap_us + TOUCH_US;
                let low = least.residual_us - depth;
                let known = stage.bounds.lower.map_or(f64::NEG_INFINITY, |l| {
                    l.residual_us + stage.knot.rate_ppm * (least.at_s - l.at_s)
                });
                if low > known {
                    stage.bounds.lower = Some(Bound { residual_us: low, ..least });
                }
            }
            left = left.saturating_sub(1);
            if left == 0 {
                break;
            }
        }
    }
}

fn mark(stages: &mut [Stage], best: Option<(f64, usize)>) {
    if let Some((above, i)) = best
        && let Some(stage) = stages.get_mut(i)
    {
        stage.touch_us = Some(above);
    }
}

/// Fills the stages with the blocks of all arrivals; returns how many, and the collector as it ended.
fn fill(
    arrivals: &[Arrival],
    line: WorkingLine,
    setup: &Setup,
    interval: Option<Interval>,
    stages: &mut [Stage],
) -> (usize, Blocks) {
    let mut blocks = Blocks::new(line, setup.resolution_us, interval);
    let mut used = 0_usize;
    for &arrival in arrivals {
        if let Some(block) = blocks.close_before(&arrival) {
            used = keep(stages, used, block);
        }
        blocks.observe(arrival);
    }
    if let Some(block) = blocks.close() {
        used = keep(stages, used, block);
    }
    (used, blocks)
}

/// Mean lateness of the deliveries on a grid, µs.
fn mean_lateness_us(stages: &[Stage]) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for block in stages.iter().filter_map(Stage::block).filter(|b| b.interval_us > 0.0 && !b.off_grid) {
        sum += block.lateness_us;
        n += 1.0;
    }
    if n > 0.0 { sum / n } else { 0.0 }
}

/// A bound that rests on a grid is taken no farther than the blocks before and after bear it out, since what one
/// block misreads its neighbours rarely do.
fn clip_outliers(stages: &mut [Stage]) {
    let mut before: Option<Block> = None;
    for i in 0..stages.len() {
        let after = stages.get(i.saturating_add(1)).and_then(|s| s.block);
        let Some(stage) = stages.get_mut(i) else { return };
        let Some(block) = stage.block else { continue };
        let neighbours = || before.iter().chain(&after);
        let rate = block.rate_ppm;
        stage.lattice = block.lower.and_then(|lower| {
            let borne_out = neighbours()
                .filter_map(|b| b.lower)
                .map(|l| l.residual_us + rate * (lower.at_s - l.at_s))
                .fold(f64::NEG_INFINITY, greater);
            let residual_us = if borne_out < lower.residual_us { borne_out } else { lower.residual_us };
            residual_us.is_finite().then_some(Bound { residual_us, ..lower })
        });
        let borne_out = neighbours()
            .map(|b| b.upper.residual_us + rate * (block.upper.at_s - b.upper.at_s))
            .fold(f64::INFINITY, |a, b| if b < a { b } else { a });
        if block.upper.residual_us < borne_out {
            let stamped = block.stamped.residual_us + rate * (block.upper.at_s - block.stamped.at_s);
            stage.bounds.upper = Some(if borne_out < stamped {
                Bound { residual_us: borne_out, ..block.upper }
            } else {
                block.stamped
            });
        }
        before = Some(block);
    }
}

/// Share of the packets that are missing inside the blocks.
fn lost_share(stages: &[Stage], period_s: f64) -> f64 {
    let (mut sent, mut received) = (0.0, 0.0);
    for block in stages.iter().filter_map(Stage::block) {
        sent += (block.to_s - block.from_s) / period_s + 1.0;
        received += f64::from(block.packets);
    }
    if sent > received { 1.0 - received / sent } else { 0.0 }
}

/// Share of the blocks that a grid was believed in for.
fn grid_share(stages: &[Stage]) -> f64 {
    let on_a_grid = stages.iter().filter_map(Stage::block).filter(|b| b.interval_us > 0.0).count();
    let blocks = stages.iter().filter_map(Stage::block).count();
    if blocks > 0 { count(on_a_grid) / count(blocks) } else { 0.0 }
}

/// Period of a grid that the arrivals may be locked to without showing it, µs; 0 where there can be none.
///
/// If the sending period is a multiple of the grid's, all packets wait alike, and nothing but a packet that missed its
/// turn and came one period later shows the grid. A short recording may hold none. The longest connection interval of
/// Bluetooth LE that divides the sending period is what has to be reckoned with, unless many packets came, or late
/// packets lie off every grid, or packets are lost and none came late, which no link does that sends again.
fn doubt_us(arrivals: &[Arrival], line: WorkingLine, setup: &Setup) -> f64 {
    let n = arrivals.len();
    if n >= PACKETS_FOR_CERTAINTY {
        return 0.0;
    }
    let above = |a: &Arrival| a.residual_us - line.at(a.device_s);
    let least = arrivals.iter().map(above).fold(f64::INFINITY, |a, b| if b < a { b } else { a });
    let late = |us: f64| arrivals.iter().filter(|a| above(a) - least > us).count();
    let (mut from_s, mut to_s) = (f64::INFINITY, f64::NEG_INFINITY);
    for a in arrivals {
        from_s = if a.device_s < from_s { a.device_s } else { from_s };
        to_s = greater(to_s, a.device_s);
    }
    let lost = (to_s - from_s) / setup.period_s + 1.0 - count(n);
    let loses_and_is_never_late = lost > LOST_FOR_CERTAINTY && late(LATE_US) == 0;
    if loses_and_is_never_late || late(INTERVALS_US.0) >= LATE_FOR_CERTAINTY {
        return 0.0;
    }
    let period_us = setup.period_s * 1e6;
    let mut longest = 0.0;
    let mut part = 1.0;
    while period_us / part >= INTERVALS_US.0 {
        let interval = period_us / part;
        let steps = interval / 1_250.0;
        if interval <= INTERVALS_US.1 && magnitude(steps - libm::round(steps)) < 1e-6 {
            longest = interval;
            break;
        }
        part += 1.0;
    }
    longest
}

/// Share of the packets on a grid that left at their first chance.
fn on_time_share(stages: &[Stage]) -> f64 {
    let (mut on_time, mut packets) = (0.0, 0.0);
    for block in stages.iter().filter_map(Stage::block).filter(|b| b.interval_us > 0.0 && !b.off_grid) {
        on_time += f64::from(block.on_time);
        packets += f64::from(block.packets);
    }
    if packets > 0.0 { on_time / packets } else { 1.0 }
}

/// Puts a block into the next free stage, and knots without a block into the gap before it.
fn keep(stages: &mut [Stage], mut used: usize, block: Block) -> usize {
    let before = used.checked_sub(1).and_then(|i| stages.get(i)).map(|s| s.bounds.at_s);
    if let Some(before) = before {
        let gap = block.to_s - before;
        if gap > 2.0 * KNOT_SPACING_S {
            let spacing = gap / f64::from(GAP_KNOTS);
            let spacing = if spacing > KNOT_SPACING_S { spacing } else { KNOT_SPACING_S };
            let mut at_s = before + spacing;
            while at_s < block.to_s - spacing / 2.0 {
                if let Some(stage) = stages.get_mut(used) {
                    *stage = Stage::empty();
                    stage.bounds.at_s = at_s;
                    used = used.saturating_add(1);
                }
                at_s += spacing;
            }
        }
    }
    if let Some(stage) = stages.get_mut(used) {
        *stage = Stage::empty();
        stage.block = Some(block);
        stage.bounds = Bounds { at_s: block.to_s, upper: Some(block.upper), lower: block.lower };
        used = used.saturating_add(1);
    }
    used
}

/// Scatter of the minima, from before and from after; the larger of the two.
fn measure_scatter(stages: &mut [Stage]) {
    let mut before = Scatter::new();
    for stage in stages.iter_mut() {
        if let Some(block) = &stage.block {
            stage.scatter_us = before.observe(block.minimum);
        }
    }
    let mut after = Scatter::new();
    for stage in stages.iter_mut().rev() {
        if let Some(block) = &stage.block {
            let scatter = after.observe(block.minimum);
            stage.scatter_us = if scatter > stage.scatter_us { scatter } else { stage.scatter_us };
        }
    }
    let mut from = 0_usize;
    while let Some(rest) = stages.get_mut(from..)
        && !rest.is_empty()
    {
        let minima = rest.iter().filter_map(|s| s.block.as_ref()).map(|b| b.minimum);
        let (range, blocks) = scatter::range(minima, scatter::LINE_S);
        let mut left = if blocks > 0 { blocks } else { 1 };
        for stage in rest.iter_mut() {
            stage.range_us = range;
            from = from.saturating_add(1);
            left = left.saturating_sub(usize::from(stage.block.is_some()));
            if left == 0 {
                break;
            }
        }
    }
}

/// How often the grid slipped: the way that it moved against the packets, in steps of what one block leaves open.
fn slips(stages: &[Stage], rate_ppm: f64) -> f64 {
    let (mut moved, mut open, mut n) = (0.0, 0.0, 0.0);
    let mut last: Option<&Block> = None;
    for block in stages.iter().filter_map(Stage::block) {
        if let (Some(before), Some(lower)) = (last, block.lower) {
            let way = (block.stretch_ppm - rate_ppm) * (block.to_s - before.to_s);
            moved += if way < 0.0 { -way } else { way };
            open += block.upper.residual_us - lower.residual_us;
            n += 1.0;
        }
        last = Some(block);
    }
    if n > 0.0 && open > n { moved * n / open } else { 0.0 }
}

/// Lower bound where delays return to their minimum to within what the minima scatter by.
fn floor_bound(block: &Block, scatter_us: f64, range_us: f64, reach: f64) -> Option<Bound> {
    let by_scatter = reach * scatter_us;
    let by_range = reach / 6.0 * range_us;
    let depth = if by_scatter > by_range { by_scatter } else { by_range } + 2.0;
    (scatter_us > 0.0).then(|| Bound { residual_us: block.minimum.residual_us - depth, ..block.minimum })
}

/// Neither half can be trusted alone: the narrower one, twice as wide, stretched until it touches the other.
fn contradicted(at_s: f64, a: &Region, b: &Region) -> Knot {
    let (ka, kb) = (Knot::of(a, at_s), Knot::of(b, at_s));
    let (mut near, far) = if ka.high_us - ka.low_us < kb.high_us - kb.low_us { (ka, kb) } else { (kb, ka) };
    let half = (near.high_us - near.low_us) / count(2);
    near.low_us -= half;
    near.high_us += half;
    if far.high_us < near.low_us {
        near.low_us = far.high_us;
    }
    if far.low_us > near.high_us {
        near.high_us = far.low_us;
    }
    near.contradicted = true;
    near
}

/// What a replay knows at a device time, and how much of the half-width there is holdover, µs. `stages` are those
/// that [`replay`] filled; `curvature_ppm_per_s` is the report's. `None` for a recording without blocks.
pub fn known_at(stages: &[Stage], device_s: f64, curvature_ppm_per_s: f64) -> Option<(Knot, f64)> {
    let after = stages.partition_point(|s| s.knot.at_s < device_s);
    let last = stages.last().map(|s| &s.knot)?;
    let Some(later) = stages.get(after).map(|s| &s.knot) else {
        let knot = last.carried(device_s, curvature_ppm_per_s);
        return Some((knot, knot.half_width_us() - last.half_width_us()));
    };
    let Some(earlier) = after.checked_sub(1).and_then(|i| stages.get(i)).map(|s| &s.knot) else {
        let knot = later.carried(device_s, curvature_ppm_per_s);
        return Some((knot, knot.half_width_us() - later.half_width_us()));
    };
    let knot = earlier.towards(later, device_s, curvature_ppm_per_s);
    // Inside a gap between observations, the knots that were put there grew; what they grew by is holdover.
    Some((knot, 0.0))
}
