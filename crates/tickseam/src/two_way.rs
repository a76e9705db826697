//! Exchanges alone: the clock from sync pairs without any arrival.
//!
//! `pairs → envelopes of both directions → rate → (rate, offset) forwards ∩ backwards → knots`. The bounds hold whatever the
//! asymmetry. The offset lies midway between the envelopes, each direction's least delay taken by itself, never that of
//! the best round trip; that the two least delays are alike is a guess, and the bounds say how far it can be wrong.
//!
//! The rate is common to both directions, and each is asked by itself: a straight line through its pairs, each weighed
//! by how short the round trip was, which tells how little it waited without any line being known. The two slopes
//! count by the inverse of their variance: a direction with a busy queue does not spoil what the other one shows.

use crate::block::{Arrival, Bound, WorkingLine};
use crate::filter::{Bank, Bounds, Feasible, Outcome, Prior};
use crate::line::{LineAccumulator, LineError};
use crate::number::{greater, lesser};
use crate::pair::SyncPair;
use crate::placement::Knot;
use crate::region::Region;
use crate::select::envelope_line;

/// Part of the mean that a round trip may lie above the shortest and still count half: about the shortest tenth of them where
/// waits fall off exponentially. Doubled: half as many pairs carry the rate, each better. This weighting was chosen among about
/// ten by the truth of the one capture it is tested on (`two-way`): that test guards against change and proves no accuracy.
const SHORT_ROUND_TRIPS: f64 = 8.0;

/// Scratch of one sync pair, which the caller lends.
#[derive(Clone, Debug)]
pub struct Step {
    region: Region,
    /// What is known at the pair's device time: of the clock itself.
    pub knot: Knot,
}

impl Step {
    /// An unused one.
    pub fn empty() -> Self {
        Self { region: Region::rectangle(0.0, 0.0, 0.0, 0.0), knot: Knot::default() }
    }
}

/// What was found on the way.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TwoWayReport {
    /// Line midway between the envelopes of both directions.
    pub line: WorkingLine,
    /// Limit chosen on the crystal's wander, ppm/s.
    pub curvature_ppm_per_s: f64,
    /// Pairs that contradicted the others and were left out.
    pub refuted: u32,
}

/// Why sync pairs gave no clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TwoWayError {
    /// One direction has too few pairs for a line through its envelope.
    Line(LineError),
    /// Fewer steps were lent than there are pairs.
    TooFewSteps {
        /// Steps needed.
        needed: usize,
    },
}

impl core::fmt::Display for TwoWayError {
    fn fmt(&self, out: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Line(error) => write!(out, "no line through one direction of the exchanges: {error}"),
            Self::TooFewSteps { needed } => write!(out, "{needed} steps are needed, one for each pair"),
        }
    }
}

impl core::error::Error for TwoWayError {}

/// Fills one step for each pair; the pairs are sorted by device time, and bound the residual from below (questions of
/// the host to the device), from above (the device's to the host) or, as markers do, from both sides.
///
/// Cost: O(pairs), eight passes.
///
/// # Errors
/// [`TwoWayError`].
pub fn replay_pairs(
    pairs: &[SyncPair],
    prior: &Prior,
    steps: &mut [Step],
) -> Result<TwoWayReport, TwoWayError> {
    let needed = pairs.len();
    let steps = steps.get_mut(..needed).ok_or(TwoWayError::TooFewSteps { needed })?;
    let above = envelope_line(pairs.iter().filter_map(|pair| arrival(pair.at_s, pair.high_us?)));
    let above = above.map_err(TwoWayError::Line)?;
    // Turned upside down, the bounds from below are delays too.
    let below = envelope_line(pairs.iter().filter_map(|pair| arrival(pair.at_s, -pair.low_us?)));
    let below = below.map_err(TwoWayError::Line)?;
    let (above, below) = (above.working(), below.working());
    let origin_s = f64::midpoint(above.origin_s, below.origin_s);
    let rate_ppm = f64::midpoint(above.rate_ppm, -below.rate_ppm);
    let mut report = TwoWayReport {
        line: WorkingLine {
            origin_s,
            offset_us: f64::midpoint(above.at(origin_s), -below.at(origin_s)),
            rate_ppm: common_rate_ppm(pairs, rate_ppm).unwrap_or(rate_ppm),
        },
        ..TwoWayReport::default()
    };
    let highs = || pairs.iter().filter_map(SyncPair::high);
    let (Some(first), Some(last)) = (highs().next(), highs().next_back()) else { return Ok(report) };
    let apart_us = above.at(origin_s) + below.at(origin_s);
    // What came first or last may have waited for longer than what is nearest to the envelope.
    let waited_us = |end: Bound| greater(end.residual_us - above.at(end.at_s), 0.0);
    let waited_us = greater(waited_us(first), waited_us(last));
    let prior = Prior { depth_us: greater(4.0 * apart_us, prior.depth_us) + waited_us, ..*prior };

    let mut bank = Bank::new(&prior, first);
    for pair in pairs {
        let Outcome { lower_refuted, .. } = bank.observe(&bounds(pair), &prior);
        report.refuted = report.refuted.saturating_add(u32::from(lower_refuted));
    }
    report.curvature_ppm_per_s = bank.chosen().curvature();
    let mut forward = Feasible::new(&prior, report.curvature_ppm_per_s, first);
    for (pair, step) in pairs.iter().zip(steps.iter_mut()) {
        let _ = forward.observe(&bounds(pair), &prior);
        step.region = forward.settled(&prior);
    }
    let mut backward = Feasible::new(&prior, report.curvature_ppm_per_s, last);
    for (pair, step) in pairs.iter().zip(steps.iter_mut()).rev() {
        let _ = backward.observe(&bounds(pair), &prior);
        let after = backward.settled(&prior);
        step.knot = match step.region.intersection(&after) {
            Some(both) => Knot::of(&both, pair.at_s),
            // Neither pass can be trusted alone.
            None => either(&Knot::of(&step.region, pair.at_s), &Knot::of(&after, pair.at_s)),
        };
        step.knot.lie_at(report.line.at(pair.at_s), report.line.rate_ppm);
    }
    Ok(report)
}

/// Slope of both directions together, given a first idea of it, ppm; `None` where either has too few pairs.
fn common_rate_ppm(pairs: &[SyncPair], rate_ppm: f64) -> Option<f64> {
    let rooms = || {
        let neighbours = pairs.iter().zip(pairs.iter().skip(1));
        neighbours.filter_map(move |(a, b)| Some((a, b, room_us(a, b, rate_ppm)?)))
    };
    let least = rooms().map(|(_, _, room)| room).fold(f64::INFINITY, lesser);
    let (mut sum, mut n) = (0.0, 0.0);
    for (_, _, room) in rooms() {
        sum += room - least;
        n += 1.0;
    }
    let scale = sum / n / SHORT_ROUND_TRIPS + 1e-3;
    let (mut above, mut below) = (LineAccumulator::new(), LineAccumulator::new());
    for (a, b, room) in rooms() {
        let weight = scale * scale / (scale * scale + (room - least) * (room - least));
        for pair in [a, b] {
            if let Some(high) = pair.high_us {
                above.add(pair.at_s, high, weight).ok()?;
            }
            if let Some(low) = pair.low_us {
                below.add(pair.at_s, low, weight).ok()?;
            }
        }
    }
    let (above, below) = (above.fit().ok()?.slope(), below.fit().ok()?.slope());
    let (a, b) = (below.u * below.u, above.u * above.u);
    let rate_ppm = (a * above.value + b * below.value) / (a + b);
    rate_ppm.is_finite().then_some(rate_ppm)
}

/// What two neighbouring pairs of opposite directions leave open between them, µs: the round trip.
fn room_us(a: &SyncPair, b: &SyncPair, rate_ppm: f64) -> Option<f64> {
    let moved = rate_ppm * (b.at_s - a.at_s);
    match (a.low_us, a.high_us, b.low_us, b.high_us) {
        (Some(low), None, None, Some(high)) => Some(high - moved - low),
        (None, Some(high), Some(low), None) => Some(high - low + moved),
        _ => None,
    }
    .filter(|room| room.is_finite())
}

fn arrival(device_s: f64, residual_us: f64) -> Option<Arrival> {
    residual_us.is_finite().then_some(Arrival::new(device_s, residual_us))
}

fn bounds(pair: &SyncPair) -> Bounds {
    Bounds { at_s: pair.at_s, upper: pair.high(), lower: pair.low(), doubtful: true, ..Bounds::default() }
}

/// All that one of two contradicting knots allows.
fn either(a: &Knot, b: &Knot) -> Knot {
    let (low_us, high_us) = (lesser(a.low_us, b.low_us), greater(a.high_us, b.high_us));
    let (rate_low_ppm, rate_high_ppm) =
        (lesser(a.rate_low_ppm, b.rate_low_ppm), greater(a.rate_high_ppm, b.rate_high_ppm));
    // Evenly spread over all of it (GUM 4.3.7): neither side's own uncertainty knows of the other.
    let even = |low: f64, high: f64| (high - low) / libm::sqrt(12.0);
    Knot {
        low_us,
        high_us,
        rate_low_ppm,
        rate_high_ppm,
        u_offset_us: even(low_us, high_us),
        u_rate_ppm: even(rate_low_ppm, rate_high_ppm),
        covariance: 0.0,
        contradicted: true,
        ..*a
    }
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::unwrap_used,
        clippy::arithmetic_side_effects,
        clippy::indexing_slicing,
        clippy::cast_precision_loss
    )]
    extern crate std;
    use super::*;
    use std::string::ToString;

    const PRIOR: Prior = Prior { rate_ppm: 0.0, rate_half_width_ppm: 70.0, depth_us: 200_000.0 };

    /// An exchange each second over a link of at least 5 ms there and 9 ms back; the clock's residual is
    /// 1000 µs + 30 ppm.
    fn pairs(n: u32) -> std::vec::Vec<SyncPair> {
        let mut state = 7_u64;
        let mut wait_us = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / f64::from(1 << 24) * 4_000.0
        };
        let mut pairs = std::vec::Vec::new();
        for second in 0..n {
            let at_s = f64::from(second);
            let clock_us = |x: f64| 1_000.0 + 30.0 * x;
            let (there, back) = (5_000.0 + wait_us(), 9_000.0 + wait_us());
            pairs.push(SyncPair { at_s, low_us: Some(clock_us(at_s) - there), high_us: None });
            let at_s = at_s + 0.01;
            pairs.push(SyncPair { at_s, low_us: None, high_us: Some(clock_us(at_s) + back) });
        }
        pairs
    }

    #[test]
    fn the_clock_lies_within_the_bounds_and_the_rate_is_that_of_both_envelopes() {
        let pairs = pairs(600);
        let mut steps = std::vec![Step::empty(); pairs.len()];
        let report = replay_pairs(&pairs, &PRIOR, &mut steps).unwrap();
        assert!((report.line.rate_ppm - 30.0).abs() < 0.5, "{report:?}");
        assert_eq!(report.refuted, 0);
        for (pair, step) in pairs.iter().zip(&steps) {
            let clock_us = 1_000.0 + 30.0 * pair.at_s;
            let knot = &step.knot;
            assert!(knot.low_us <= clock_us && clock_us <= knot.high_us, "{knot:?}");
            assert!(knot.rate_low_ppm <= 30.0 && knot.rate_high_ppm >= 30.0, "{knot:?}");
            // Never wider than the least delays of both directions and what the wander adds within some seconds.
            assert!(knot.high_us - knot.low_us < 14_000.0 + 2_000.0, "{knot:?}");
            // Half the difference of the least delays, which nothing can tell.
            assert!((knot.offset_us - clock_us - 2_000.0).abs() < 300.0, "{knot:?}");
        }
    }

    #[test]
    fn requests_without_a_reply_and_markers_among_them_leave_the_rate_alone() {
        let mut pairs = pairs(600);
        let mut random = 3_u64;
        pairs.retain(|pair| {
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            pair.low_us.is_some() || random >> 62 != 0
        });
        for second in [60.5, 300.5, 540.5] {
            let place = pairs.partition_point(|pair| pair.at_s < second);
            let clock_us = 1_000.0 + 30.0 * second;
            let (low_us, high_us) = (Some(clock_us - 300.0), Some(clock_us + 300.0));
            pairs.insert(place, SyncPair { at_s: second, low_us, high_us });
        }
        assert!((1_000..1_100).contains(&pairs.len()), "{}", pairs.len());
        let mut steps = std::vec![Step::empty(); pairs.len()];
        let report = replay_pairs(&pairs, &PRIOR, &mut steps).unwrap();
        assert!((report.line.rate_ppm - 30.0).abs() < 0.5, "{report:?}");
        for (pair, step) in pairs.iter().zip(&steps) {
            let (clock_us, knot) = (1_000.0 + 30.0 * pair.at_s, &step.knot);
            assert!(knot.low_us <= clock_us && clock_us <= knot.high_us, "{knot:?}");
            let marked = pair.low_us.is_some() && pair.high_us.is_some();
            assert!(!marked || knot.high_us - knot.low_us < 602.0, "{knot:?}");
        }
    }

    #[test]
    fn where_the_clock_was_set_each_answer_holds_the_clock_of_its_time_and_is_said_to_be_contradicted() {
        let mut pairs = pairs(600);
        for pair in pairs.iter_mut().filter(|pair| pair.at_s > 300.0) {
            pair.low_us = pair.low_us.map(|us| us - 500_000.0);
            pair.high_us = pair.high_us.map(|us| us - 500_000.0);
        }
        let mut steps = std::vec![Step::empty(); pairs.len()];
        let report = replay_pairs(&pairs, &PRIOR, &mut steps).unwrap();
        assert!(report.refuted > 0, "{report:?}");
        for (pair, Step { knot, .. }) in pairs.iter().zip(&steps) {
            let before_us = 1_000.0 + 30.0 * pair.at_s;
            let clock_us = if pair.at_s > 300.0 { before_us - 500_000.0 } else { before_us };
            assert!(knot.contradicted, "{knot:?}");
            assert!(knot.low_us <= clock_us && clock_us <= knot.high_us, "{clock_us} µs: {knot:?}");
            assert!(knot.rate_low_ppm <= 30.0 && 30.0 <= knot.rate_high_ppm, "{knot:?}");
            // Evenly spread, since either may be it: 1/√12 of the interval.
            let even_us = (knot.high_us - knot.low_us) / 12.0_f64.sqrt();
            assert!((knot.u_offset_us - even_us).abs() < 1.0, "{knot:?}");
        }
    }

    #[test]
    fn one_direction_alone_and_too_few_steps_are_refused() {
        let pairs = pairs(20);
        let one: std::vec::Vec<_> = pairs.iter().copied().filter(|pair| pair.low_us.is_some()).collect();
        let mut steps = std::vec![Step::empty(); pairs.len()];
        let alone = replay_pairs(&one, &PRIOR, &mut steps).unwrap_err();
        assert!(matches!(alone, TwoWayError::Line(_)));
        assert!(alone.to_string().starts_with("no line through one direction"), "{alone}");
        let few = replay_pairs(&pairs, &PRIOR, &mut steps[1..]).unwrap_err();
        assert_eq!(few, TwoWayError::TooFewSteps { needed: 40 });
        assert!(few.to_string().starts_with("40 steps are needed"), "{few}");
    }

    #[test]
    fn a_pair_that_contradicts_the_others_is_left_out() {
        let mut pairs = pairs(300);
        pairs[301].high_us = Some(-900_000.0);
        let mut steps = std::vec![Step::empty(); pairs.len()];
        let report = replay_pairs(&pairs, &PRIOR, &mut steps).unwrap();
        assert_eq!(report.refuted, 1);
        let knot = &steps[301].knot;
        assert!(knot.low_us <= 1_000.0 + 30.0 * knot.at_s && 1_000.0 + 30.0 * knot.at_s <= knot.high_us);
    }
}
