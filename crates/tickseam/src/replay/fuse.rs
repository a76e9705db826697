//! Exchanges and markers against arrivals: what is known of the fixed delay, and which of the two says more.

use super::stage::Stage;
use super::{Ends, Report, both_ways};
use crate::block::Bound;
use crate::filter::Prior;
use crate::number::{between, count, greater, lesser};
use crate::placement::{Knot, Shift};
use crate::setup::{PAIR_DELAY_REACH, Setup};

/// Greatest fixed delay that is thought possible where none is declared, µs.
const LONGEST_DELAY_US: f64 = 1e6;
/// Share of sync pairs that are left out of the knots, above which pairs contradict each other and nobody knows which are right. A few are
/// beyond what a marker's noise is reckoned with by chance, or stale.
const MOST_LEFT_OUT: f64 = 0.1;
/// Coverage factor of a normal distribution for 95 %.
const NORMAL_95: f64 = crate::student::NORMAL_COVERAGE_FACTOR_95;

/// Bounds the fixed delay by the sync pairs, places the clock itself by them and by the arrivals less that delay, and keeps
/// whichever knots are narrower on the whole.
pub(super) fn fuse(stages: &mut [Stage], prior: &Prior, ends: Ends, setup: &Setup, report: &mut Report) {
    let declared = setup.fixed_delay;
    let reach = declared.map_or(0.0, |d| PAIR_DELAY_REACH * d.u_us);
    let (mut least, mut greatest) = match declared {
        Some(d) => (greater(d.us - reach, 0.0), d.us + reach),
        None => (0.0, LONGEST_DELAY_US),
    };
    let (from_pairs, to_pairs) = delay_by_pairs(stages);
    let contradiction = greater(from_pairs - greatest, least - to_pairs);
    report.fixed_delay_refuted = declared.is_some() && contradiction > 0.0;
    if contradiction > 0.0 {
        // One of them is wrong, and nothing says which.
        least = greater(lesser(from_pairs, least), 0.0);
        // Pairs of one direction alone leave the other end open: as far as they contradict, then.
        greatest = greater(if to_pairs < f64::INFINITY { to_pairs } else { from_pairs }, greatest);
    } else {
        least = greater(from_pairs, least);
        greatest = lesser(to_pairs, greatest);
    }
    if greatest < least {
        (least, greatest) = (greater(greatest, 0.0), least);
    }
    let by_arrivals = mean_half_width(stages, |knot| knot.half_width_us());
    // Between the bounds, markers say where the estimate lies above the clock.
    let us =
        delay_at_markers(stages).map_or(f64::midpoint(least, greatest), |us| between(us, least, greatest));
    let half = greater(greatest - us, us - least);
    let found = Shift { us, u_us: half / NORMAL_95 };
    let known = match declared {
        Some(d) if NORMAL_95 * d.u_us < half && !report.fixed_delay_refuted => d,
        _ => found,
    };

    // The clock itself: arrivals less the delay that is possible, and the pairs as they are.
    for stage in stages.iter_mut() {
        stage.by_arrivals = stage.knot;
        let shifted = |b: Bound, us: f64| Bound { residual_us: b.residual_us - us, ..b };
        match &stage.pair {
            Some(pair) => (stage.bounds.upper, stage.bounds.lower) = (pair.high(), pair.low()),
            None => {
                stage.bounds.upper = stage.bounds.upper.map(|b| shifted(b, least));
                stage.bounds.lower = stage.bounds.lower.map(|b| shifted(b, greatest));
            }
        }
    }
    let prior = Prior { depth_us: prior.depth_us + greatest - least, ..*prior };
    both_ways(stages, &prior, ends.lowered(least));
    let by_pairs = mean_half_width(stages, |knot| knot.half_width_us());
    let delay = NORMAL_95 * known.u_us;
    if by_pairs * by_pairs < by_arrivals * by_arrivals + delay * delay {
        report.by_pairs = true;
        report.pairs_contradict = left_out(stages) > MOST_LEFT_OUT;
        let apart_us = if report.pairs_contradict {
            greater(from_pairs - to_pairs, 0.0) + 2.0 * by_arrivals
        } else {
            0.0
        };
        if delay < by_pairs && !report.congested {
            // Arrivals tell where in what is possible the clock lies, the pairs did not need to.
            for stage in stages.iter_mut() {
                let arrivals = stage.by_arrivals;
                stage.knot.lie_at(arrivals.offset_us - known.us, arrivals.rate_ppm);
            }
        }
        // Bounds do not average, markers do: on the whole, the estimate lies as high as they do.
        if let Some(above_us) = delay_at_markers(stages) {
            for knot in stages.iter_mut().map(|s| &mut s.knot) {
                knot.offset_us = between(knot.offset_us - above_us, knot.low_us, knot.high_us);
            }
        }
        // Which of the two is wrong is not known, nor whether packets carry another sample's tick: both stay possible.
        let doubt = if report.fixed_delay_refuted { contradiction + reach + 2.0 * by_pairs } else { 0.0 };
        report.fixed_delay = Some(Shift { us: 0.0, u_us: (doubt + apart_us) / NORMAL_95 });
    } else {
        for stage in stages.iter_mut() {
            stage.knot = stage.by_arrivals;
        }
        report.fixed_delay = (known.u_us < LONGEST_DELAY_US / 8.0).then_some(known);
    }
}

/// Least and greatest fixed delay that the sync pairs allow, given what arrivals leave open, µs.
fn delay_by_pairs(stages: &[Stage]) -> (f64, f64) {
    let (mut least, mut greatest) = (f64::NEG_INFINITY, f64::INFINITY);
    for stage in stages {
        if let Some(pair) = &stage.pair {
            if let Some(high) = pair.high_us {
                least = greater(stage.knot.low_us - high, least);
            }
            if let Some(low) = pair.low_us {
                let most = stage.knot.high_us - low;
                greatest = lesser(most, greatest);
            }
        }
    }
    (least, greatest)
}

/// Share of the sync pairs that the knots leave out.
fn left_out(stages: &[Stage]) -> f64 {
    let pairs = || stages.iter().filter_map(|stage| Some((stage.pair?, stage.knot)));
    let out = pairs().filter(|(pair, knot)| {
        pair.low_us.is_some_and(|low| low > knot.high_us)
            || pair.high_us.is_some_and(|high| high < knot.low_us)
    });
    count(out.count()) / count(pairs().count())
}

/// Mean height of the estimate above the pairs that bound the clock on both sides, µs.
fn delay_at_markers(stages: &[Stage]) -> Option<f64> {
    let (mut sum, mut n) = (0.0, 0_usize);
    for stage in stages {
        if let Some((low, high)) = stage.pair.and_then(|pair| pair.low_us.zip(pair.high_us)) {
            sum += stage.knot.offset_us - f64::midpoint(low, high);
            n = n.saturating_add(1);
        }
    }
    (n > 0).then(|| sum / count(n))
}

/// Whether the sync pairs allow the declared fixed delay.
pub(super) fn agree(stages: &[Stage], declared: Shift) -> bool {
    let (least, greatest) = delay_by_pairs(stages);
    let reach = PAIR_DELAY_REACH * declared.u_us;
    declared.us + reach >= least && declared.us - reach <= greatest && least <= greatest
}

fn mean_half_width(stages: &[Stage], of: impl Fn(&Knot) -> f64) -> f64 {
    let sum: f64 = stages.iter().map(|s| of(&s.knot)).sum();
    sum / count(if stages.is_empty() { 1 } else { stages.len() })
}
