//! What the bounds of one block after another leave of (rate, offset), under several limits on the crystal's wander.

use crate::block::Bound;
use crate::number::{greater, lesser};
use crate::region::{Keep, Region};

/// Limits on how fast the rate may change that are weighed against each other, ppm/s, gentlest first.
/// Warm-up on the skin: 9 ppm with a time constant of 600 s is 1.5e-2 at its steepest. Random-walk frequency
/// noise of 5e-9 per √s over 480 s is 2.3e-4 on average. A temperature step beyond 5e-2 is met by the refutation path.
pub const CURVATURES: [f64; MODELS] = [5e-4, 2e-3, 1e-2, WIDEST_CURVATURE];
/// The widest of them, ppm/s.
pub const WIDEST_CURVATURE: f64 = 5e-2;
/// Number of limits weighed.
pub const MODELS: usize = 4;
/// Wander is allowed for in steps of this length, s, or of a block where that is longer: within one, at most 1.6 µs goes
/// uncounted in 8 s, 6.4 µs in 16 s.
const STEP_S: f64 = 8.0;
/// A cut that leaves less than this share of the area contradicts the region.
const COLLAPSE: f64 = 1e-5;
/// Weight, as a share of the greatest, below which a limit on the wander is given up: the odds that GUM-style 95 % leaves.
const GIVEN_UP: f64 = 0.05;
/// Refuted lower bounds in a row after which the clock, not the bound, is taken to have changed.
const REFUTED_IN_A_ROW: u8 = 5;

/// An upper bound that lies less than this below a region no higher than this contradicts it slightly, µs: the crystal wandered. Of a
/// higher region, all that a bound at its lower edge would leave is a sliver that says more than anybody knows.
const SLIGHT_US: f64 = 2_000.0;

/// What may be assumed of the clock before anything is observed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Middle of the possible rates, ppm of host residual.
    pub rate_ppm: f64,
    /// Half-width of the possible rates, ppm.
    pub rate_half_width_ppm: f64,
    /// How far below the first arrival's bound the offset may lie, µs.
    pub depth_us: f64,
}

/// What one block adds.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bounds {
    /// Device time that the knowledge is carried to, s.
    pub at_s: f64,
    /// Upper bound on the residual, if the block gives one.
    pub upper: Option<Bound>,
    /// Lower bound, if the block gives one.
    pub lower: Option<Bound>,
    /// The upper bound may be wrong too, as a marker's or an exchange's may, and is then left out like a lower one.
    pub doubtful: bool,
    /// Only half of what is known may be taken away at once: live, where no later block can tell that one was wrong.
    pub by_halves: bool,
    /// By so much either way the host's clock may have been set just before, µs.
    pub opened_us: f64,
}

/// What became of a block's bounds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outcome {
    /// The lower bound, or a doubtful upper one, contradicted what was known, and was left out.
    pub lower_refuted: bool,
    /// The upper bound contradicted what was known, and the region gave way.
    pub reopened: bool,
    /// It contradicted it so far that what was known is forgotten.
    pub forgotten: bool,
}

/// The feasible region under one limit on the wander.
#[derive(Clone, Debug)]
pub struct Feasible {
    region: Region,
    curvature: f64,
    pending_s: f64,
    at_s: f64,
    weight: f64,
    refuted: u8,
}

impl Feasible {
    /// Knows nothing but the prior, and that the residual at the bound's time is at most the bound.
    pub fn new(prior: &Prior, curvature: f64, upper: Bound) -> Self {
        let (rate, half) = (prior.rate_ppm, prior.rate_half_width_ppm);
        let region = Region::rectangle(rate, half, upper.residual_us - prior.depth_us, upper.residual_us);
        Self { region, curvature, pending_s: 0.0, at_s: upper.at_s, weight: 1.0, refuted: 0 }
    }

    /// The region, at the time of the last block.
    pub fn region(&self) -> &Region {
        &self.region
    }

    /// Device time of the region, s.
    pub fn at_s(&self) -> f64 {
        self.at_s
    }

    /// Limit on the change of rate, ppm/s.
    pub fn curvature(&self) -> f64 {
        self.curvature
    }

    /// From here on the rate may change by this much, ppm/s.
    pub fn set_curvature(&mut self, curvature_ppm_per_s: f64) {
        self.curvature = curvature_ppm_per_s;
    }

    /// Carries the region to another device time; backwards if that is earlier.
    pub fn advance(&mut self, at_s: f64, prior: &Prior) {
        let dt = at_s - self.at_s;
        if dt == 0.0 {
            return;
        }
        self.region.shear(dt);
        self.at_s = at_s;
        self.pending_s += dt;
        if self.pending_s >= STEP_S || self.pending_s <= -STEP_S {
            self.settle(prior);
        }
    }

    /// The region with the wander that is still pending allowed for.
    pub fn settled(&self, prior: &Prior) -> Region {
        let mut settled = self.clone();
        settled.settle(prior);
        settled.region
    }

    /// Allows for the wander that is still pending.
    pub fn settle(&mut self, prior: &Prior) {
        let sign = if self.pending_s < 0.0 { -1.0 } else { 1.0 };
        self.region.dilate(self.curvature * sign, self.pending_s);
        self.pending_s = 0.0;
        // A region wholly outside the prior stays as it is: the observations have spoken.
        let _ = self.region.cut_rates(prior.rate_ppm, prior.rate_half_width_ppm);
    }

    /// Takes a block's bounds in.
    pub fn observe(&mut self, bounds: &Bounds, prior: &Prior) -> Outcome {
        self.advance(bounds.at_s, prior);
        if bounds.opened_us > 0.0 {
            self.region.open(0.0, bounds.opened_us);
        }
        let mut outcome = Outcome::default();
        let (before, height_us) = (self.region.area(), self.region.height_us());
        let mut slightly = true;
        if let Some(upper) = bounds.upper
            && !self.narrow(upper, Keep::Below, before)
        {
            if bounds.doubtful {
                outcome.lower_refuted = true;
            } else {
                outcome.reopened = true;
                slightly = self.give_way(upper.at_s - self.at_s, upper.residual_us, prior);
                outcome.forgotten = !slightly;
            }
        }
        // Where all was wrong that was known, so was the line that the block was laid against to find its lower bound.
        if let Some(lower) = bounds.lower.filter(|_| slightly) {
            if self.narrow(lower, Keep::Above, before) {
                self.refuted = 0;
            } else {
                outcome.lower_refuted = true;
                self.refuted = self.refuted.saturating_add(1);
                if self.refuted >= REFUTED_IN_A_ROW {
                    // Five blocks agree that the clock lies higher than everything before allowed.
                    self.refuted = 0;
                    outcome.reopened = true;
                    let (low, _) = self.region.offset_range_at(lower.at_s - self.at_s);
                    let high = bounds.upper.map_or(lower.residual_us, |u| u.residual_us);
                    self.region = Region::rectangle(
                        prior.rate_ppm,
                        prior.rate_half_width_ppm,
                        lesser(low, lower.residual_us),
                        if high > lower.residual_us { high } else { lower.residual_us + 1.0 },
                    );
                }
            }
        }
        let after = self.region.area();
        let ratio = if before > 0.0 && after < before { after / before } else { 1.0 };
        self.weight *= if ratio < COLLAPSE || outcome.reopened { COLLAPSE } else { ratio };
        if bounds.by_halves {
            self.leave_half(bounds, height_us);
        }
        outcome
    }

    /// Opens the region downwards until half of the offsets that it had are left, or of those that the bounds leave by themselves. Where a grid slips
    /// a block may know more; as often it has a bound that is off, or comes after one that was, and the next few blocks tell. Its packets were
    /// there, and hold from above.
    fn leave_half(&mut self, bounds: &Bounds, had_us: f64) {
        let own_us = bounds.upper.zip(bounds.lower).map_or(had_us, |(u, l)| u.residual_us - l.residual_us);
        let missing_us = lesser(own_us, had_us) / 2.0 - self.region.height_us();
        if missing_us > 0.0 {
            self.region.open(0.0, missing_us);
            if let Some(upper) = bounds.upper {
                let _ = self.region.cut(upper.at_s - self.at_s, upper.residual_us, Keep::Below);
            }
        }
    }

    /// Cuts the region by a bound; false, and the region as it was, if that left next to nothing of the area it had
    /// `before` the block.
    fn narrow(&mut self, bound: Bound, keep: Keep, before: f64) -> bool {
        let dx = bound.at_s - self.at_s;
        let (low, high) = self.region.offset_range_at(dx);
        let within = match keep {
            Keep::Below => high <= bound.residual_us,
            Keep::Above => low >= bound.residual_us,
        };
        if within {
            return true;
        }
        let mut cut = self.region.clone();
        let stands = cut.cut(dx, bound.residual_us, keep) && cut.area() > COLLAPSE * before;
        if stands {
            self.region = cut;
        }
        stands
    }

    /// Opens the region just enough for an upper bound that it refutes; forgets it where that does not help, and returns false then.
    fn give_way(&mut self, dx_s: f64, bound_us: f64, prior: &Prior) -> bool {
        let (low, high) = self.region.offset_range_at(dx_s);
        let violation = low - bound_us;
        let violation = if violation > 0.0 { violation } else { 0.0 };
        if violation < SLIGHT_US && high - low < SLIGHT_US {
            self.region.open(0.3, violation / 2.0 + 40.0);
            if self.region.cut(dx_s, bound_us, Keep::Below) {
                return true;
            }
            self.region.open(1.0, violation + 100.0);
            if self.region.cut(dx_s, bound_us, Keep::Below) {
                return true;
            }
        }
        let depth = high - low + violation;
        self.region =
            Region::rectangle(prior.rate_ppm, prior.rate_half_width_ppm, bound_us - depth, bound_us);
        false
    }
}

/// The same bounds under every limit on the wander, weighed by how well each foretold them.
#[derive(Clone, Debug)]
pub struct Bank {
    models: [Feasible; MODELS],
}

impl Bank {
    /// Starts from the prior and a first upper bound.
    #[inline(never)]
    pub fn new(prior: &Prior, upper: Bound) -> Self {
        Self { models: CURVATURES.map(|curvature| Feasible::new(prior, curvature, upper)) }
    }

    /// Takes a block's bounds in; a bound counts as refuted when every limit refutes it.
    pub fn observe(&mut self, bounds: &Bounds, prior: &Prior) -> Outcome {
        let mut outcome = Outcome { lower_refuted: true, reopened: true, forgotten: true };
        for model in &mut self.models {
            let one = model.observe(bounds, prior);
            outcome.lower_refuted &= one.lower_refuted;
            outcome.reopened &= one.reopened;
            outcome.forgotten &= one.forgotten;
        }
        let greatest = self.models.iter().map(|m| m.weight).fold(0.0, greater);
        for model in &mut self.models {
            let weight = if greatest > 0.0 { model.weight / greatest } else { 1.0 };
            model.weight = if weight < 1e-6 { 1e-6 } else { weight };
        }
        outcome
    }

    /// The limit on the wander next above the widest that the observations have not made improbable, and its region: a
    /// quiet stretch does not prove a quiet crystal.
    pub fn chosen(&self) -> &Feasible {
        let [first, rest @ ..] = &self.models;
        let mut chosen = first;
        let mut given_up = first.weight < GIVEN_UP;
        for model in rest {
            let probable = model.weight >= GIVEN_UP;
            if probable || !given_up {
                chosen = model;
            }
            given_up = !probable;
        }
        chosen
    }

    /// What the gentlest limit on the wander leaves, whether or not it is probable.
    pub fn gentlest(&self) -> &Feasible {
        let [first, ..] = &self.models;
        first
    }

    /// Forgets how well each limit foretold what came so far, but not what it left of the region.
    pub fn reweigh(&mut self) {
        for model in &mut self.models {
            model.weight = 1.0;
        }
    }

    /// Weight of each limit, the greatest being 1.
    pub fn weights(&self) -> [f64; MODELS] {
        let mut weights = [0.0; MODELS];
        for (weight, model) in weights.iter_mut().zip(&self.models) {
            *weight = model.weight;
        }
        weights
    }
}

#[cfg(test)]
mod tests;
