//! The replayed estimate: the whole recording at once, forwards and backwards.

use crate::block::{Arrival, Block, Blocks, Bound, Interval, WorkingLine};
use crate::filter::{Bank, Bounds, Feasible, Prior};
use crate::number::{count, greater};
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
    /// Times that the grid slipped by one step against the packets.
    pub slips: f64,
    /// The grid that was believed in, if any.
    pub interval: Option<Interval>,
    /// A grid was found or declared: where it is lost, nothing bounds the clock from below.
    pub on_a_grid: bool,
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
}

/// A packet may miss its first chance though its samples were ready, by the delays inside the device. Without slips
/// nothing in the data tells by how much, and this much is allowed, µs: a microcontroller whose tasks run each
/// millisecond has been seen to miss by 0.9 ms.
const ALLOWANCE_US: f64 = 1_000.0;
/// The least allowance, µs, however well the slips agree.
const LEAST_ALLOWANCE_US: f64 = 60.0;
/// A grid whose phase scatters by more than this share of its period is a grid of windows, not of instants, and
/// the allowance grows by this many standard deviations.
const LOOSE: f64 = 0.005;
const LOOSE_REACH: f64 = 6.0;
/// The allowance that the slips are judged with, µs.
const GENEROUS_ALLOWANCE_US: f64 = 8_000.0;
/// Slips from which on the allowance is taken from the data.
const SLIPS_NEEDED: f64 = 4.0;
/// Standard deviations of the minima by which the clock may lie below them, without a grid.
const REACH: f64 = 10.0;
/// Times that the allowance and the reach are doubled when the bounds contradict each other.
const DOUBLINGS: usize = 5;

/// Runs the estimator over a segment's arrivals (in the order of reception). Fills as many stages as are needed.
pub fn replay(arrivals: &[Arrival], line: WorkingLine, setup: &Setup, stages: &mut [Stage]) -> Report {
    let prior = &setup.prior;
    let mut report = Report::default();
    // Once to find the grid, again with it; a third time where most packets came late against it, as they do when
    // it is only half of the true one.
    let (used, blocks) = fill(arrivals, line, setup, setup.interval_us.map(Interval::declared), stages);
    report.declared_refuted = blocks.given_refuted();
    report.interval = blocks.interval();
    report.on_a_grid = blocks.found_a_grid() || report.interval.is_some();
    let mut used = used;
    for _ in 0..2 {
        let Some(interval) = report.interval else { break };
        (used, _) = fill(arrivals, line, setup, Some(interval), stages);
        if on_time_share(stages.get(..used).unwrap_or_default()) > 0.6 {
            break;
        }
        report.interval = Some(Interval {
            period_us: 2.0 * interval.period_us,
            phase_sd_us: 2.0 * interval.phase_sd_us,
            ..interval
        });
    }
    report.stages = used;
    let Some(stages) = stages.get_mut(..used) else { return report };
    measure_scatter(stages);
    report.slips = slips(stages, line.rate_ppm);

    let Some(first) = stages.iter().find_map(|s| s.block.as_ref().map(|b| b.upper)) else { return report };
    let Some(last) = stages.iter().rev().find_map(|s| s.block.as_ref().map(|b| b.upper)) else {
        return report;
    };
    report.allowance_us = GENEROUS_ALLOWANCE_US;
    report.reach = REACH;
    if report.on_a_grid {
        lower_bounds(stages, &report);
        report.curvature_ppm_per_s = weigh(stages, prior, first).curvature_ppm_per_s;
        both_ways(stages, prior, report.curvature_ppm_per_s, first, last);
        let missed = 2.0 * missed_us(stages);
        let least = if report.slips >= SLIPS_NEEDED { LEAST_ALLOWANCE_US } else { ALLOWANCE_US };
        report.allowance_us =
            if missed + LEAST_ALLOWANCE_US > least { missed + LEAST_ALLOWANCE_US } else { least };
        if let Some(interval) = report.interval
            && interval.phase_sd_us > LOOSE * interval.period_us
        {
            report.allowance_us += LOOSE_REACH * interval.phase_sd_us;
        }
    }
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
            stage.bounds.lower = if block.interval_us > 0.0 {
                block.lower.map(|l| Bound { residual_us: l.residual_us - report.allowance_us, ..l })
            } else if report.on_a_grid {
                None
            } else {
                floor_bound(block, stage.scatter_us, stage.range_us, report.reach)
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

/// By how much packets are seen to have missed their first chance: the farthest that a grid's lower bound, taken
/// literally, lies above the greatest offset that is possible, µs.
fn missed_us(stages: &[Stage]) -> f64 {
    let mut farthest = 0.0;
    for stage in stages {
        if let Some(lower) = stage.block.as_ref().and_then(|b| b.lower) {
            let knot = &stage.knot;
            let high = knot.high_us + knot.rate_ppm * (lower.at_s - knot.at_s);
            farthest = greater(lower.residual_us - high, farthest);
        }
    }
    farthest
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
        let (range, blocks) = scatter::range(minima);
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
