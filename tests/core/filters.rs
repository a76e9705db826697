//! A clock whose rate changes no faster than the limit is never excluded by bounds that it satisfies.

use tickseam::block::Bound;
use tickseam::filter::{Bounds, CURVATURES, Feasible, Outcome, Prior};
use tickseam_tests::Random;

const PRIOR: Prior = Prior { rate_ppm: 0.0, rate_half_width_ppm: 100.0, depth_us: 50_000.0 };
/// Wander is counted in steps of this length, s.
const STEP_S: f64 = 8.0;
/// Longest block here, s.
const LONGEST_S: usize = 4;

/// What the wander may do uncounted, µs: since the last step, and to the far end of a block.
fn uncounted_us(curvature: f64) -> f64 {
    let reach_s = STEP_S + LONGEST_S as f64;
    curvature * reach_s * reach_s / 2.0
}

/// The least that a bound is loose by, µs: more than goes uncounted, and more than a hundred-thousandth of what may be
/// feasible, which would be taken for a contradiction.
const ROOM_US: f64 = 10.0;

/// A clock with a rate that bends by at most `curvature`, known each second.
struct Clock {
    offsets_us: Vec<f64>,
    rates_ppm: Vec<f64>,
}

impl Clock {
    fn random(random: &mut Random, curvature: f64, seconds: usize) -> Self {
        let (mut offset_us, mut rate_ppm) =
            (-1_000.0 * random.uniform(), 60.0 * (2.0 * random.uniform() - 1.0));
        let (mut clock, mut bend) = (Self { offsets_us: vec![], rates_ppm: vec![] }, 0.0);
        for second in 0..=seconds {
            clock.offsets_us.push(offset_us);
            clock.rates_ppm.push(rate_ppm);
            if second % 37 == 0 {
                // As hard as it may, one way or the other, or not at all; never out of the prior.
                bend = [curvature, -curvature, 0.0][(random.uniform() * 3.0) as usize];
            }
            if rate_ppm.abs() > 80.0 {
                bend = -curvature * rate_ppm.signum();
            }
            offset_us += rate_ppm + bend / 2.0;
            rate_ppm += bend;
        }
        clock
    }

    fn at_us(&self, at_s: usize) -> f64 {
        self.offsets_us[at_s]
    }
}

/// One observation after another: where the knowledge is carried to, and the bounds at seconds near it.
fn bounds(random: &mut Random, clock: &Clock, at_s: usize, span_s: usize) -> Bounds {
    // From a random second of the block, as loose as chance has it; every third as tight as is allowed.
    let mut bound = |sign: f64| {
        let from_s = at_s - (random.uniform() * (span_s.min(at_s) + 1) as f64) as usize;
        let room_us = if random.uniform() < 0.33 { 0.0 } else { -300.0 * random.uniform().ln() };
        let residual_us = clock.at_us(from_s) + sign * (ROOM_US + room_us);
        Bound { at_s: from_s as f64, residual_us }
    };
    let (upper, lower) = (bound(1.0), bound(-1.0));
    Bounds { at_s: at_s as f64, upper: Some(upper), lower: Some(lower), ..Bounds::default() }
}

/// How far the true offset and rate lie outside of what is feasible, against what goes uncounted.
fn assert_inside(feasible: &Feasible, clock: &Clock, at_s: usize, what: &str) {
    let (low, high) = feasible.region().offset_range();
    let (slow, fast) = feasible.region().rate_range();
    let (offset_us, rate_ppm) = (clock.at_us(at_s), clock.rates_ppm[at_s]);
    let step_us = uncounted_us(feasible.curvature()) + 1e-6;
    let step_ppm = feasible.curvature() * STEP_S + 1e-6;
    assert!(
        low - step_us <= offset_us && offset_us <= high + step_us,
        "{what}, {at_s} s: {offset_us} µs outside of {low} to {high}"
    );
    assert!(
        slow - step_ppm <= rate_ppm && rate_ppm <= fast + step_ppm,
        "{what}, {at_s} s: {rate_ppm} ppm outside of {slow} to {fast}"
    );
}

#[test]
fn a_clock_within_the_limit_is_never_excluded_forwards_or_backwards() {
    let seconds = 3_000;
    for curvature in CURVATURES {
        for seed in 1..=12 {
            let mut random = Random::seeded(seed);
            let clock = Clock::random(&mut random, curvature, seconds);
            let mut at_s = 0;
            let mut observations = vec![];
            while at_s + 17 < seconds {
                let step_s = 1 + (random.uniform() * LONGEST_S as f64) as usize;
                at_s += step_s;
                observations.push((at_s, bounds(&mut random, &clock, at_s, step_s)));
            }
            for backwards in [false, true] {
                if backwards {
                    observations.reverse();
                }
                let what = format!("{curvature} ppm/s, seed {seed}, backwards {backwards}");
                let first = observations[0].1.upper.unwrap_or_default();
                let mut feasible = Feasible::new(&PRIOR, curvature, first);
                for (at_s, bounds) in &observations {
                    let outcome = feasible.observe(bounds, &PRIOR);
                    assert_eq!(outcome, Outcome::default(), "{what}, {at_s} s");
                    assert_inside(&feasible, &clock, *at_s, &what);
                }
                // It has learnt something: what it knew at first spanned 50 ms.
                let (low, high) = feasible.region().offset_range();
                assert!(high - low < 2_000.0, "{what}: {low} to {high}");
            }
        }
    }
}

#[test]
fn what_forwards_and_backwards_both_allow_holds_the_clock_and_is_no_wider_than_either() {
    let seconds = 2_000;
    for curvature in CURVATURES {
        for seed in 21..=24 {
            let mut random = Random::seeded(seed);
            let clock = Clock::random(&mut random, curvature, seconds);
            let observations: Vec<(usize, Bounds)> =
                (1..=seconds / 3).map(|i| (3 * i, bounds(&mut random, &clock, 3 * i, 3))).collect();
            let pass = |order: &mut dyn Iterator<Item = &(usize, Bounds)>| {
                let mut feasible: Option<Feasible> = None;
                let mut regions = vec![];
                for (_, bounds) in order {
                    let first = bounds.upper.unwrap_or_default();
                    let feasible = feasible.get_or_insert_with(|| Feasible::new(&PRIOR, curvature, first));
                    assert_eq!(feasible.observe(bounds, &PRIOR), Outcome::default());
                    // What is known at this time, the wander since the last step counted.
                    let mut counted = feasible.clone();
                    counted.settle(&PRIOR);
                    regions.push(counted.region().clone());
                }
                regions
            };
            let forwards = pass(&mut observations.iter());
            let mut backwards = pass(&mut observations.iter().rev());
            backwards.reverse();
            for (((at_s, _), a), b) in observations.iter().zip(&forwards).zip(&backwards) {
                let what = format!("{curvature} ppm/s, seed {seed}, {at_s} s");
                let both = a.intersection(b).unwrap_or_else(|| panic!("{what}: a contradiction"));
                let truth = clock.at_us(*at_s);
                let (low, high) = both.offset_range();
                let off = (low - truth).max(truth - high);
                assert!(off <= uncounted_us(curvature), "{what}: outside by {off} µs");
                let areas = [a, b, &both].map(|r| r.moments().area);
                assert!(areas[2] <= areas[0].min(areas[1]) * (1.0 + 1e-6), "{what}: {areas:?}");
            }
        }
    }
}

#[test]
fn more_bounds_never_widen_what_is_feasible() {
    let seconds = 1_500;
    let mut widest_us = 0.0_f64;
    for curvature in CURVATURES {
        for seed in 31..=34 {
            let mut random = Random::seeded(seed);
            let clock = Clock::random(&mut random, curvature, seconds);
            let first = Bound { at_s: 0.0, residual_us: clock.at_us(0) + 100.0 };
            let (mut all, mut every_other) =
                (Feasible::new(&PRIOR, curvature, first), Feasible::new(&PRIOR, curvature, first));
            for i in 1..=seconds / 4 {
                let bounds = bounds(&mut random, &clock, 4 * i, 4);
                let _ = all.observe(&bounds, &PRIOR);
                if i % 2 == 0 {
                    let _ = every_other.observe(&bounds, &PRIOR);
                    let ((a, b), (c, d)) = (all.region().offset_range(), every_other.region().offset_range());
                    widest_us = widest_us.max(c - a).max(b - d);
                    let (more, fewer) = (all.region().moments().area, every_other.region().moments().area);
                    assert!(
                        more <= fewer * 1.001,
                        "{curvature} ppm/s, seed {seed}: {more} with more, {fewer}"
                    );
                }
            }
        }
    }
    // Simplifying the outline may put a corner a little farther out than it was with fewer bounds.
    assert!(widest_us < 5.0, "wider by {widest_us} µs with more bounds");
    eprintln!("with more bounds at most {widest_us} µs farther out");
}
