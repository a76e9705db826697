//! The live estimate: what is known from the packets that have come so far, in bounded memory.

use heapless::Vec;

use crate::block::{Arrival, Block, Blocks, Bound, Interval, WorkingLine};
use crate::filter::{Bank, Bounds};
use crate::number::{greater, magnitude};
use crate::placement::Knot;
use crate::replay::Setup;
use crate::scatter::{self, Scatter};

/// Block minima remembered to see how far they range.
const REMEMBERED: usize = 24;
/// Blocks before the scatter of minima is believed.
const BLOCKS_NEEDED: u32 = 8;
/// By how much a packet may have missed its first chance while the slips have not told, µs.
const ALLOWANCE_US: f64 = 1_000.0;
/// The least allowance, µs.
const LEAST_ALLOWANCE_US: f64 = 100.0;
/// Slips from which on the allowance is taken from the data.
const SLIPS_NEEDED: f64 = 6.0;
/// Standard deviations of the minima by which the clock may lie below them, without a grid.
const REACH: f64 = 12.0;
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
    slips: f64,
    missed_us: f64,
    widened: f64,
    least: Option<Bound>,
    to_s: f64,
}

// The whole live state of the estimator has to fit a microcontroller.
const _: () = assert!(size_of::<Live>() <= 6 * 1024);

impl Live {
    /// Knows nothing yet but the setup.
    pub fn new(setup: Setup) -> Self {
        let line = WorkingLine { rate_ppm: setup.prior.rate_ppm, ..WorkingLine::default() };
        Self {
            setup,
            blocks: Blocks::new(line, setup.resolution_us, setup.interval_us.map(Interval::declared)),
            bank: None,
            scatter: Scatter::new(),
            minima: Vec::new(),
            closed: 0,
            slips: 0.0,
            missed_us: 0.0,
            widened: 1.0,
            least: None,
            to_s: 0.0,
        }
    }

    /// Takes one arrival. Cost: O(1), but for the packet that closes a block, about one in fifty.
    pub fn observe(&mut self, arrival: Arrival) {
        if let Some(block) = self.blocks.close_before(&arrival) {
            self.take(&block);
        }
        self.blocks.observe(arrival);
        if self.bank.is_none() {
            let upper =
                Bound { at_s: arrival.device_s, residual_us: arrival.residual_us + self.setup.resolution_us };
            if self.least.is_none_or(|l| upper.residual_us < l.residual_us) {
                self.least = Some(upper);
            }
        }
        self.to_s = greater(self.to_s, arrival.device_s);
    }

    fn take(&mut self, block: &Block) {
        let prior = self.setup.prior;
        let scatter_us = self.scatter.observe(block.minimum);
        if self.minima.is_full() {
            self.minima.rotate_left(1);
            let _ = self.minima.pop();
        }
        let _ = self.minima.push(block.minimum);
        self.closed = self.closed.saturating_add(1);
        let bank = self.bank.get_or_insert_with(|| Bank::new(&prior, block.upper));
        let before = Knot::of(bank.chosen().region(), bank.chosen().at_s());
        let mut bounds = Bounds { at_s: block.to_s, upper: Some(block.upper), lower: None };
        if block.interval_us > 0.0 {
            if let Some(lower) = block.lower {
                let open = block.upper.residual_us - lower.residual_us;
                let way = magnitude(block.stretch_ppm - before.rate_ppm) * (block.to_s - block.from_s);
                self.slips += way / greater(open, 50.0);
                if self.closed > 4 {
                    let high = before.high_us + before.rate_ppm * (lower.at_s - before.at_s);
                    self.missed_us = greater(lower.residual_us - high, self.missed_us);
                }
                let seen = 2.0 * self.missed_us + LEAST_ALLOWANCE_US;
                let allowance = if self.slips >= SLIPS_NEEDED { seen } else { greater(seen, ALLOWANCE_US) }
                    * self.widened;
                bounds.lower = Some(Bound { residual_us: lower.residual_us - allowance, ..lower });
            }
        } else if !self.blocks.found_a_grid() && self.closed >= BLOCKS_NEEDED {
            let (range, _) = scatter::range(self.minima.iter().copied());
            let depth = greater(REACH * scatter_us, REACH / 6.0 * range) * self.widened + 2.0;
            bounds.lower = Some(Bound { residual_us: block.minimum.residual_us - depth, ..block.minimum });
        }
        let outcome = bank.observe(&bounds, &prior);
        if (outcome.reopened || outcome.lower_refuted) && self.widened < WIDEST {
            self.widened *= 2.0;
        }
        let moments = bank.moments();
        self.blocks.follow(WorkingLine {
            origin_s: block.to_s,
            offset_us: moments.offset_us,
            rate_ppm: moments.rate_ppm,
        });
    }

    /// What is known at a device time, and how much of the half-width is holdover, µs. `None` before the first arrival.
    pub fn known_at(&self, device_s: f64) -> Option<(Knot, f64)> {
        let curvature = self.curvature_ppm_per_s();
        let Some(bank) = &self.bank else {
            let least = self.least?;
            let prior = &self.setup.prior;
            let cold = Knot {
                at_s: least.at_s,
                offset_us: least.residual_us - prior.depth_us / 2.0,
                low_us: least.residual_us - prior.depth_us,
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
        let chosen = bank.chosen();
        let now = Knot::of(chosen.region(), chosen.at_s());
        let mut knot = now.carried(device_s, curvature);
        // The region knows how rate and offset go together; the knot's ranges alone do not.
        let (low, high) = chosen.region().offset_range_at(device_s - now.at_s);
        let dx = device_s - now.at_s;
        let wander = curvature * dx * dx / 2.0;
        (knot.low_us, knot.high_us) = (low - wander, high + wander);
        Some((knot, greater(knot.half_width_us() - now.half_width_us(), 0.0)))
    }

    /// Limit on the change of rate that is reckoned with, ppm/s.
    pub fn curvature_ppm_per_s(&self) -> f64 {
        self.bank.as_ref().map_or(crate::filter::WIDEST_CURVATURE, |b| b.chosen().curvature())
    }

    /// Device time of the newest arrival, s.
    pub fn newest_s(&self) -> f64 {
        self.to_s
    }

    /// The grid that is believed in, if any.
    pub fn interval(&self) -> Option<Interval> {
        self.blocks.interval()
    }
}
