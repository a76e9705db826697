//! What a region may never do, over random sequences of steps: exclude the truth, stop being convex, lose corners.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use tickseam::region::{Corner, Keep, Region};

/// So many cases, the same ones in each run; `PROPTEST_RNG_SEED` and `PROPTEST_CASES` give others.
pub(crate) fn fixed(cases: u32) -> ProptestConfig {
    let given = ProptestConfig::default();
    let rng_seed = if given.rng_seed == RngSeed::Random { RngSeed::Fixed(1) } else { given.rng_seed };
    let cases = if std::env::var_os("PROPTEST_CASES").is_some() { given.cases } else { cases };
    ProptestConfig { cases, rng_seed, failure_persistence: None, ..given }
}

/// A true clock at one instant.
#[derive(Clone, Copy, Debug)]
struct Truth {
    rate_ppm: f64,
    offset_us: f64,
}

#[derive(Clone, Debug)]
enum Step {
    /// Time passes, and the rate changes by these shares of what is admissible in the first and the second part.
    Pass { dt_s: f64, curvature: f64, split: f64, shares: [f64; 2] },
    /// A bound at some seconds away that the truth satisfies with some room.
    Bound { dx_s: f64, room_us: f64, keep: Keep },
    /// A band of rates that holds the true one.
    Rates { share: f64, half_ppm: f64 },
    /// What another observer knows of the same clock.
    Other { half_ppm: f64, half_us: f64, shares: [f64; 2], dt_s: f64 },
    /// The region gives way.
    Open { rate_ppm: f64, offset_us: f64 },
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let share = -1.0..1.0_f64;
    // Bounds are often exact: rounding then decides on which side of them the truth lies.
    let room = prop_oneof![Just(0.0), 0.0..10.0_f64, 0.0..2_000.0_f64];
    let step = prop_oneof![
        4 => (prop_oneof![-16.0..16.0_f64, Just(2.0), Just(-2.0)], prop_oneof![Just(5e-4), Just(2e-3), Just(5e-2)],
              0.0..1.0_f64, [prop_oneof![Just(1.0), Just(-1.0), Just(0.0), share.clone()], prop_oneof![Just(1.0), Just(-1.0), Just(0.0), share.clone()]])
            .prop_map(|(dt_s, curvature, split, shares)| Step::Pass { dt_s, curvature, split, shares }),
        6 => (prop_oneof![Just(0.0), -8.0..8.0_f64, -600.0..600.0_f64], room, prop_oneof![Just(Keep::Below), Just(Keep::Above)])
            .prop_map(|(dx_s, room_us, keep)| Step::Bound { dx_s, room_us, keep }),
        1 => (share.clone(), 0.1..60.0_f64).prop_map(|(share, half_ppm)| Step::Rates { share, half_ppm }),
        1 => (0.1..60.0_f64, 0.1..5_000.0_f64, [share.clone(), share], -30.0..30.0_f64)
            .prop_map(|(half_ppm, half_us, shares, dt_s)| Step::Other { half_ppm, half_us, shares, dt_s }),
        1 => (0.0..1.0_f64, 0.0..200.0_f64).prop_map(|(rate_ppm, offset_us)| Step::Open { rate_ppm, offset_us }),
    ];
    prop::collection::vec(step, 1..120)
}

/// How far outside the region a point lies, at the worst over its edges, in units of the region's extent.
fn outside(region: &Region, truth: Truth) -> f64 {
    let corners = region.corners();
    let extent = extent(region);
    let mut worst = f64::NEG_INFINITY;
    for (i, a) in corners.iter().enumerate() {
        let b = &corners[(i + 1) % corners.len()];
        let (dx, dy) = scaled(extent, a, b);
        let (px, py) = scaled(extent, a, &Corner { rate_ppm: truth.rate_ppm, offset_us: truth.offset_us });
        let length = dx.hypot(dy);
        // An edge that is all rounding has no direction.
        if length > 1e-7 {
            worst = worst.max((dy * px - dx * py) / length);
        }
    }
    worst
}

fn extent(region: &Region) -> (f64, f64) {
    let ((slow, fast), (low, high)) = (region.rate_range(), region.offset_range());
    // A region narrower than any clock is known has no extent to speak of.
    ((fast - slow).max(1e-3), (high - low).max(1e-2))
}

fn scaled(extent: (f64, f64), from: &Corner, to: &Corner) -> (f64, f64) {
    ((to.rate_ppm - from.rate_ppm) / extent.0, (to.offset_us - from.offset_us) / extent.1)
}

/// How often the outline goes round: once for a convex polygon. And its sharpest turn to the right, rad.
fn winding(region: &Region) -> (f64, f64) {
    let extent = extent(region);
    let corners = region.corners();
    let edges: Vec<(f64, f64)> = (0..corners.len())
        .map(|i| scaled(extent, &corners[i], &corners[(i + 1) % corners.len()]))
        .filter(|(dx, dy)| dx.hypot(*dy) > 1e-7)
        .collect();
    let (mut sum, mut sharpest) = (0.0, 0.0_f64);
    for (i, (ux, uy)) in edges.iter().enumerate() {
        let (vx, vy) = edges[(i + 1) % edges.len()];
        let turn = (ux * vy - uy * vx).atan2(ux * vx + uy * vy);
        sum += turn;
        sharpest = sharpest.min(turn);
    }
    (sum / std::f64::consts::TAU, sharpest)
}

/// Takes a step with both; the truth satisfies every bound. Checks what must hold for the step alone.
fn take(region: &mut Region, truth: &mut Truth, step: &Step) -> Result<(), TestCaseError> {
    match *step {
        Step::Pass { dt_s, curvature, split, shares } => {
            region.shear(dt_s);
            let before = region.moments().area;
            region.dilate(curvature * dt_s.signum(), dt_s);
            prop_assert!(region.moments().area >= before * (1.0 - 1e-9), "dilation lost area");
            let accelerations = shares.map(|s| s * curvature);
            for (acceleration, part_s) in accelerations.into_iter().zip([split * dt_s, (1.0 - split) * dt_s])
            {
                truth.offset_us += truth.rate_ppm * part_s + acceleration * part_s * part_s / 2.0;
                truth.rate_ppm += acceleration * part_s;
            }
        }
        Step::Bound { dx_s, room_us, keep } => {
            let sign = if keep == Keep::Below { 1.0 } else { -1.0 };
            let bound_us = truth.offset_us + truth.rate_ppm * dx_s + sign * room_us;
            let before = region.clone();
            if region.cut(dx_s, bound_us, keep) {
                let (had, has) = (before.moments().area, region.moments().area);
                prop_assert!(has <= had * (1.0 + 1e-6) + 1e-9, "a bound widened {had} to {has}");
                // What all but nothing is left of is contradicted, not known: the filter does not take such a cut.
                if has <= 1e-5 * had {
                    *region = before;
                }
            } else {
                // Rounding may leave nothing where the region is a sliver; then nothing may have changed.
                prop_assert_eq!(&*region, &before);
            }
        }
        Step::Rates { share, half_ppm } => {
            let _ = region.cut_rates(truth.rate_ppm + share * half_ppm, half_ppm);
        }
        Step::Other { half_ppm, half_us, shares, dt_s } => {
            let earlier_us = truth.offset_us - truth.rate_ppm * dt_s + shares[1] * half_us;
            let mut other = Region::rectangle(
                truth.rate_ppm + shares[0] * half_ppm,
                half_ppm,
                earlier_us - half_us,
                earlier_us + half_us,
            );
            other.shear(dt_s);
            if let Some(both) = region.intersection(&other) {
                let (a, b) = (region.moments().area, other.moments().area);
                prop_assert!(
                    both.moments().area <= a.min(b) * (1.0 + 1e-6) + 1e-9,
                    "{a} {b} {:?}",
                    both.moments()
                );
                *region = both;
            }
        }
        Step::Open { rate_ppm, offset_us } => region.open(rate_ppm, offset_us),
    }
    Ok(())
}

proptest! {
    #![proptest_config(fixed(4_000))]

    #[test]
    fn the_truth_is_never_excluded_and_the_outline_stays_convex(
        rate_ppm in -50.0..50.0_f64,
        depth_us in 0.0..20_000.0_f64,
        steps in steps(),
    ) {
        let mut truth = Truth { rate_ppm, offset_us: -depth_us };
        let mut region = Region::rectangle(0.0, 100.0, -20_000.0, 0.0);
        for (i, step) in steps.iter().enumerate() {
            take(&mut region, &mut truth, step)?;
            let off = outside(&region, truth);
            prop_assert!(off < 1e-6, "step {i}, {step:?}: outside by {off} of the extent of {region:?}");
            prop_assert!(region.corners().len() <= 16, "{} corners", region.corners().len());
            let (turns, sharpest) = winding(&region);
            prop_assert!((turns - 1.0).abs() < 1e-6, "step {i}, {step:?}: the outline goes round {turns} times: {region:?}");
            prop_assert!(sharpest > -1e-5, "step {i}, {step:?}: a turn to the right by {sharpest}: {region:?}");
        }
    }
}
