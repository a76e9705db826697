//! Packets of another stream on the same ticks: what they tell of the same clock.
//!
//! They arrive above the clock as the reference stream's do, by a fixed delay of their own. How much longer that one is (the lag) is a
//! constant that nobody declares. It lies between the least and the most that the bounds by both streams leave of it at any time: where
//! both are narrow at once, that is little, and from then on either stream bounds the clock for both.

use super::stage::{Stage, known_at};
use super::{Report, more_than_a_sliver};
use crate::number::{between, count, greater, lesser};
use crate::placement::Knot;
use crate::setup::Setup;

/// Share of the time in which bounds may be wrong before what they leave of the lag is (own choice: twenty times what is met).
const MAY_MISS: f64 = 0.02;
/// Halvings in which a bound of the lag is found: to a nanosecond in a second.
const HALVINGS: usize = 30;
/// The lag is expected to be what packets take longer to fill, within this standard deviation, µs: they differ in their time on the air
/// too (own choice: some 2 ms for the longest packet at 1 Mbit/s). It moves the estimate and never the interval.
const AIR_US: f64 = 2_000.0;
/// What bounds leave open, over the standard deviation of what the estimates make of it (own choice; even density would be √12).
const WIDTH_OVER_SD: f64 = 12.0;
/// Share of what a grid that may be there unseen leaves open that estimates are not off by (own choice): most such grids are not there.
const NOT_THERE: f64 = 0.75;
/// Another stream's packets that come so much sooner than expected hardly do so for their time on the air alone: all of the reference
/// stream's have waited, or have farther to go than was declared, µs (own choice: the longest packets take 2.5 ms at 1 Mbit/s, seven
/// fragments of 27 octets 5 ms).
const SOONER_US: f64 = 5_000.0;

/// By how much more another stream's packets lie above the clock than the knots of the reference stream do, µs.
#[derive(Clone, Copy, Debug)]
struct Lag {
    least_us: f64,
    greatest_us: f64,
    us: f64,
}

/// Narrows the knots of the reference stream by those of another stream, whose device times and residuals count from the same origins; whose packets
/// take `fills_later_us` longer to fill. Both replays are as [`replay`](super::replay()) left them. Changes nothing where the two contradict
/// each other or have no time in common, nor where the link is congested. Returns whether they were joined.
pub fn join(
    stages: &mut [Stage],
    report: &mut Report,
    (other, of_other): (&[Stage], &Report),
    setup: &Setup,
    fills_later_us: f64,
) -> bool {
    let (Some(first), Some(last)) = (other.first(), other.last()) else { return false };
    if report.congested || of_other.congested {
        return false;
    }
    let (from_s, to_s) = (first.knot.at_s, last.knot.at_s);
    for stage in stages.iter_mut() {
        let at_s = stage.knot.at_s;
        let shared = at_s >= from_s && at_s <= to_s;
        let beside = if shared { known_at(other, at_s, of_other.curvature_ppm_per_s) } else { None };
        // The default knows nothing.
        stage.by_arrivals = beside.map_or_else(Knot::default, |(knot, _)| knot);
    }
    // Where the knots rest on exchanges and markers, they are the clock itself.
    let expected_us = if report.by_pairs {
        setup.fixed_delay.filter(|_| !report.fixed_delay_refuted).map(|delay| delay.us + fills_later_us)
    } else {
        Some(fills_later_us)
    };
    let doubts_us = (report.doubt_us, of_other.doubt_us);
    let Some(lag) = lag(stages, doubts_us, expected_us) else { return false };
    report.streams_joined = report.streams_joined.saturating_add(1);
    // Where the knots are the clock itself, no packet's wait is in them.
    let sooner = expected_us.filter(|us| !report.by_pairs && us - lag.greatest_us > SOONER_US);
    let (waited_us, likely_us) = sooner.map_or((0.0, 0.0), |us| (us - lag.least_us, us - lag.us));
    report.waited_us = greater(waited_us, report.waited_us);
    for stage in stages.iter_mut() {
        if let Some(joint) = joint(&stage.knot, &stage.by_arrivals, doubts_us, lag) {
            stage.knot = joint;
        }
        let knot = &mut stage.knot;
        knot.low_us -= waited_us;
        knot.lattice_us += waited_us;
        knot.offset_us -= likely_us;
    }
    true
}

/// What the knots of both streams leave of the lag; `None` where that is nothing.
fn lag(stages: &[Stage], doubts_us: (f64, f64), expected_us: Option<f64>) -> Option<Lag> {
    let may_miss = MAY_MISS * count(shared(stages).count());
    let least_us = all_but(stages, may_miss, |own, beside| beside.low_us - own.high_us)?;
    let greatest_us = -all_but(stages, may_miss, |own, beside| own.low_us - beside.high_us)?;
    if greatest_us < least_us {
        return None;
    }
    let (mut sum, mut weights) = (0.0, 0.0);
    for (own, beside) in shared(stages) {
        let weight = 1.0 / (square(spread_us(own, doubts_us.0)) + square(spread_us(beside, doubts_us.1)));
        sum += weight * (beside.offset_us - own.offset_us);
        weights += weight;
    }
    let seen_us = sum / weights;
    let open_us = lesser(greatest_us - least_us, libm::sqrt(count(shared(stages).count()) / weights));
    let seen_variance = square(open_us / WIDTH_OVER_SD);
    let us = match expected_us {
        Some(us) => seen_us + seen_variance / (seen_variance + square(AIR_US)) * (us - seen_us),
        None => seen_us,
    };
    Some(Lag { least_us, greatest_us, us: between(us, least_us, greatest_us) })
}

/// The knots of both streams where both have one.
fn shared(stages: &[Stage]) -> impl Iterator<Item = (&Knot, &Knot)> {
    let knots = stages.iter().map(|stage| (&stage.knot, &stage.by_arrivals));
    knots.filter(|(_, beside)| beside.high_us < f64::INFINITY)
}

/// The least number that no more than `may_miss` of what the knots of both streams say exceed; `None` without any.
fn all_but(stages: &[Stage], may_miss: f64, say: fn(&Knot, &Knot) -> f64) -> Option<f64> {
    let said = || shared(stages).map(|(own, beside)| say(own, beside));
    let (mut below, mut above) = (said().reduce(lesser)?, said().reduce(greater)?);
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(below, above);
        if count(said().filter(|&number| number > middle).count()) > may_miss {
            below = middle;
        } else {
            above = middle;
        }
    }
    Some(above)
}

/// What both allow; `None` where they contradict each other, or the other knows nothing.
fn joint(own: &Knot, beside: &Knot, doubts_us: (f64, f64), lag: Lag) -> Option<Knot> {
    let (low_us, high_us) = (beside.low_us - lag.greatest_us, beside.high_us - lag.least_us);
    let mut joint = *own;
    (joint.low_us, joint.high_us) = (greater(own.low_us, low_us), lesser(own.high_us, high_us));
    if high_us == f64::INFINITY || joint.high_us < joint.low_us {
        return None;
    }
    let mut joint = more_than_a_sliver(joint, own.width_us(), high_us - low_us);
    let weight = |own: f64, beside: f64| square(own) / (square(own) + square(beside) + 1e-9);
    let to_beside_us = beside.offset_us - lag.us - own.offset_us;
    joint.offset_us += weight(spread_us(own, doubts_us.0), spread_us(beside, doubts_us.1)) * to_beside_us;
    joint.offset_us = between(joint.offset_us, joint.low_us, joint.high_us);
    // The rate's bounds stay those of its own packets: nothing else bears out the other's.
    let open_ppm = |knot: &Knot| knot.rate_high_ppm - knot.rate_low_ppm;
    let rate_ppm = own.rate_ppm + weight(open_ppm(own), open_ppm(beside)) * (beside.rate_ppm - own.rate_ppm);
    joint.rate_ppm = between(rate_ppm, own.rate_low_ppm, own.rate_high_ppm);
    // What is left in proportion.
    let share = lesser(joint.width_us() / greater(own.width_us(), 1e-9), 1.0);
    joint.u_offset_us *= share;
    joint.covariance *= share;
    joint.curvature_us *= share;
    joint.lattice_us *= share;
    Some(joint)
}

/// What bounds leave open, most of what is doubted not counted, µs.
fn spread_us(knot: &Knot, doubt_us: f64) -> f64 {
    greater(knot.width_us() - NOT_THERE * doubt_us, 1.0)
}

fn square(value: f64) -> f64 {
    value * value
}

#[cfg(test)]
mod tests;
