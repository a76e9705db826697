//! Scratch that the caller lends: one stage for each block of arrivals, each sync pair, and each knot in a gap.

use crate::block::{Arrival, Block, Blocks, Bound, Interval, WorkingLine};
use crate::filter::Bounds;
use crate::number::greater;
use crate::pair::SyncPair;
use crate::placement::Knot;
use crate::region::Region;
use crate::setup::Setup;

/// Longest stretch of device time without a knot, s.
const KNOT_SPACING_S: f64 = 10.0;
/// Knots put into one gap at the most.
const GAP_KNOTS: u8 = 32;

/// Scratch of one block.
#[derive(Clone, Debug)]
pub struct Stage {
    pub(super) block: Option<Block>,
    pub(super) pair: Option<SyncPair>,
    pub(super) bounds: Bounds,
    /// Scatter of the minima around here, and their range about a straight line, µs.
    pub(super) scatter_us: f64,
    pub(super) range_us: f64,
    /// Part of the host's step that no packet around here met, µs.
    pub(super) unmet_us: f64,
    /// Height of the least wait above what was known, where this block has the least of its stretch, µs.
    pub(super) touch_us: Option<f64>,
    /// How far the clock may lie below the touch for its scatter, as it was bounded; 0 where it is none, µs.
    pub(super) touch_reach_us: f64,
    /// The next touch, this one's included.
    pub(super) touch_after: Option<Bound>,
    /// The touch some way ahead, for the rate.
    pub(super) touch_far: Option<Bound>,
    /// The grid's bounds as far as the neighbours bear them out.
    pub(super) lattice: Option<Bound>,
    pub(super) likely: Option<Bound>,
    /// How low the clock may lie below the newest packets of an app's batches around, where this block has the least of them.
    pub(super) newest: Option<Bound>,
    /// The least stamp of this block and its neighbours.
    pub(super) soonest: Bound,
    pub(super) upper: Option<Bound>,
    /// How much later its packets came than what the others leave of the clock, µs.
    pub(super) raised_us: f64,
    /// By how much packets between the grid's instants came sooner than those at them, µs.
    pub(super) sooner_us: f64,
    /// Most blocks around here lose packets, or its own all waited in a queue.
    pub(super) congested: bool,
    /// The grid's phase jumped in this block or the one before or after, though no packet was missing: whose clock stamped its packets nobody knows.
    pub(super) another_phase: bool,
    pub(super) region: Region,
    /// Limit on the wander around here, ppm/s.
    pub(super) curvature_ppm_per_s: f64,
    /// The knot that rests on arrivals, while another is tried.
    pub(super) by_arrivals: Knot,
    /// What came out.
    pub knot: Knot,
}

impl Stage {
    /// An unused one.
    pub fn empty() -> Self {
        Self {
            block: None,
            pair: None,
            bounds: Bounds::default(),
            scatter_us: 0.0,
            range_us: 0.0,
            unmet_us: 0.0,
            touch_us: None,
            touch_reach_us: 0.0,
            touch_after: None,
            touch_far: None,
            lattice: None,
            likely: None,
            newest: None,
            soonest: Bound::default(),
            upper: None,
            region: Region::rectangle(0.0, 0.0, 0.0, 0.0),
            congested: false,
            another_phase: false,
            raised_us: 0.0,
            sooner_us: 0.0,
            curvature_ppm_per_s: 0.0,
            by_arrivals: Knot::default(),
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

/// Fills the stages with the blocks of all arrivals and the sync pairs between them, which are sorted by device time;
/// returns how many stages, and the collector as it ended.
pub(super) fn fill(
    arrivals: &[Arrival],
    pairs: &[SyncPair],
    line: WorkingLine,
    setup: &Setup,
    interval: Option<Interval>,
    stages: &mut [Stage],
) -> (usize, Blocks) {
    let mut blocks = Blocks::new(line, setup, interval);
    let mut filling = Filling { stages, used: 0, pairs };
    for &arrival in arrivals {
        if let Some(block) = blocks.close_before(&arrival) {
            filling.take(block, blocks.sooner_us());
        }
        blocks.observe(arrival);
    }
    if let Some(block) = blocks.close() {
        filling.take(block, blocks.sooner_us());
    }
    while let Some((&pair, rest)) = filling.pairs.split_first() {
        filling.pairs = rest;
        filling.take_pair(pair);
    }
    (filling.used, blocks)
}

struct Filling<'a, 'b> {
    stages: &'a mut [Stage],
    used: usize,
    pairs: &'b [SyncPair],
}

impl Filling<'_, '_> {
    fn take(&mut self, block: Block, sooner_us: f64) {
        while let Some((&pair, rest)) = self.pairs.split_first()
            && pair.at_s <= block.to_s
        {
            self.pairs = rest;
            self.take_pair(pair);
        }
        self.bridge(block.to_s);
        let bounds = Bounds { at_s: block.to_s, ..Bounds::default() };
        let upper = Some(block.upper);
        self.push(Stage { block: Some(block), bounds, upper, sooner_us, ..Stage::empty() });
    }

    fn take_pair(&mut self, pair: SyncPair) {
        self.bridge(pair.at_s);
        let bounds = Bounds { at_s: pair.at_s, doubtful: true, ..Bounds::default() };
        self.push(Stage { pair: Some(pair), bounds, ..Stage::empty() });
    }

    /// Puts knots into the gap before a stage at `to_s`.
    fn bridge(&mut self, to_s: f64) {
        let before = self.used.checked_sub(1).and_then(|i| self.stages.get(i)).map(|s| s.bounds.at_s);
        let Some(before) = before else { return };
        let gap = to_s - before;
        if gap <= 2.0 * KNOT_SPACING_S {
            return;
        }
        let spacing = greater(gap / f64::from(GAP_KNOTS), KNOT_SPACING_S);
        let mut at_s = before + spacing;
        while at_s < to_s - spacing / 2.0 {
            self.push(Stage { bounds: Bounds { at_s, ..Bounds::default() }, ..Stage::empty() });
            at_s += spacing;
        }
    }

    fn push(&mut self, mut stage: Stage) {
        // Device time may run back inside a reordered burst; the knots have to be in order.
        if let Some(before) = self.used.checked_sub(1).and_then(|i| self.stages.get(i)) {
            stage.bounds.at_s = greater(before.bounds.at_s, stage.bounds.at_s);
        }
        if let Some(slot) = self.stages.get_mut(self.used) {
            *slot = stage;
            self.used = self.used.saturating_add(1);
        }
    }
}

/// What a replay knows at a device time, and how much of the half-width there is holdover, µs. `stages` are those
/// that [`replay`](super::replay()) filled; `curvature_ppm_per_s` is the report's. `None` for a recording without blocks.
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
