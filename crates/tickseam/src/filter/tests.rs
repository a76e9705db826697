#![allow(clippy::arithmetic_side_effects, clippy::indexing_slicing, reason = "a test's numbers are small")]
extern crate std;
use super::*;

const PRIOR: Prior = Prior { rate_ppm: 5.0, rate_half_width_ppm: 60.0, depth_us: 50_000.0 };

fn bound(at_s: f64, residual_us: f64) -> Option<Bound> {
    Some(Bound { at_s, residual_us })
}

/// A filter that has seen a clock of 10 ppm for a while, each bound loose by 100 µs.
fn settled(curvature: f64) -> Feasible {
    let mut feasible = Feasible::new(&PRIOR, curvature, Bound { at_s: 0.0, residual_us: 100.0 });
    for i in 0..100_u32 {
        let at_s = 2.0 * f64::from(i);
        let _ = feasible.observe(&seen(at_s), &PRIOR);
    }
    feasible
}

fn seen(at_s: f64) -> Bounds {
    Bounds {
        at_s,
        upper: bound(at_s, 10.0 * at_s + 100.0),
        lower: bound(at_s, 10.0 * at_s - 100.0),
        ..Bounds::default()
    }
}

fn widths(feasible: &Feasible) -> (f64, f64) {
    let ((low, high), (slow, fast)) = (feasible.region().offset_range(), feasible.region().rate_range());
    (high - low, fast - slow)
}

#[test]
fn a_new_filter_knows_the_prior_and_one_upper_bound() {
    let feasible = Feasible::new(&PRIOR, 2e-3, Bound { at_s: 3.0, residual_us: 700.0 });
    assert_eq!(feasible.at_s(), 3.0);
    assert_eq!(feasible.region().rate_range(), (-55.0, 65.0));
    assert_eq!(feasible.region().offset_range(), (-49_300.0, 700.0));
}

#[test]
fn one_refuted_lower_bound_is_left_out() {
    let (mut with, mut without) = (settled(2e-3), settled(2e-3));
    let wrong = Bounds { lower: bound(200.0, 10.0 * 200.0 + 3_000.0), ..seen(200.0) };
    let outcome = with.observe(&wrong, &PRIOR);
    assert_eq!(outcome, Outcome { lower_refuted: true, ..Outcome::default() });
    let _ = without.observe(&Bounds { lower: None, ..wrong }, &PRIOR);
    assert_eq!(with.region(), without.region());
    // And what comes after it is taken as before.
    assert_eq!(with.observe(&seen(202.0), &PRIOR), Outcome::default());
}

#[test]
fn five_refuted_lower_bounds_in_a_row_reopen_what_is_known() {
    let mut feasible = settled(2e-3);
    // The clock jumps up by 10 ms.
    let jumped = |at_s: f64| Bounds {
        at_s,
        upper: bound(at_s, 10.0 * at_s + 10_100.0),
        lower: bound(at_s, 10.0 * at_s + 9_900.0),
        ..Bounds::default()
    };
    for i in 0..4_u32 {
        let outcome = feasible.observe(&jumped(200.0 + 2.0 * f64::from(i)), &PRIOR);
        assert_eq!(outcome, Outcome { lower_refuted: true, ..Outcome::default() });
    }
    let outcome = feasible.observe(&jumped(208.0), &PRIOR);
    assert_eq!(outcome, Outcome { lower_refuted: true, reopened: true, forgotten: false });
    let truth = 10.0 * 208.0 + 10_000.0;
    let (low, high) = feasible.region().offset_range();
    assert!(low < truth && truth < high, "{low} {high} {truth}");
    assert_eq!(feasible.region().rate_range(), (-55.0, 65.0));
    // From then on the new place is learnt.
    for i in 0..60_u32 {
        let outcome = feasible.observe(&jumped(210.0 + 2.0 * f64::from(i)), &PRIOR);
        assert_eq!(outcome, Outcome::default());
    }
    let truth = 10.0 * 328.0 + 10_000.0;
    let (low, high) = feasible.region().offset_range();
    assert!(low < truth && truth < high && high - low < 500.0, "{low} {high} {truth}");
}

#[test]
fn four_refuted_lower_bounds_and_a_good_one_reopen_nothing() {
    let mut feasible = settled(2e-3);
    for i in 0..20_u32 {
        let at_s = 200.0 + 2.0 * f64::from(i);
        let wrong = Bounds { lower: bound(at_s, 10.0 * at_s + 3_000.0), ..seen(at_s) };
        let outcome = feasible.observe(&if i % 5 == 4 { seen(at_s) } else { wrong }, &PRIOR);
        assert!(!outcome.reopened, "{i}");
    }
}

#[test]
fn an_upper_bound_below_what_is_known_makes_the_region_give_way() {
    for violation_us in [10.0, 500.0, 1_500.0, 30_000.0] {
        let mut feasible = settled(2e-3);
        let low = feasible.region().offset_range_at(200.0 - feasible.at_s()).0;
        let bounds = Bounds { at_s: 200.0, upper: bound(200.0, low - violation_us), ..Bounds::default() };
        let outcome = feasible.observe(&bounds, &PRIOR);
        assert_eq!(
            outcome,
            Outcome { reopened: true, forgotten: violation_us > 2_000.0, ..Outcome::default() }
        );
        let (low_now, high_now) = feasible.region().offset_range();
        assert!(high_now <= low - violation_us + 1e-6 && low_now < high_now, "{violation_us}");
    }
}

#[test]
fn a_clock_that_may_have_been_set_leaves_as_much_open_either_way_and_the_rate_as_it_was() {
    let mut feasible = settled(0.0);
    let (low, high) = feasible.region().offset_range_at(0.0);
    let rates = feasible.region().rate_range();
    let at_s = feasible.at_s();
    let _ = feasible.observe(&Bounds { at_s, opened_us: 15_000.0, ..Bounds::default() }, &PRIOR);
    let (lower, higher) = feasible.region().offset_range_at(0.0);
    assert!((low - lower - 15_000.0).abs() < 1e-6 && (higher - high - 15_000.0).abs() < 1e-6);
    let (slower, faster) = feasible.region().rate_range();
    assert!((slower - rates.0).abs() < 1e-9 && (faster - rates.1).abs() < 1e-9);
}

#[test]
fn a_doubtful_upper_bound_that_contradicts_is_left_out() {
    let mut feasible = settled(2e-3);
    let mut untouched = feasible.clone();
    let bounds = Bounds { at_s: 200.0, upper: bound(200.0, -5_000.0), doubtful: true, ..Bounds::default() };
    assert_eq!(feasible.observe(&bounds, &PRIOR), Outcome { lower_refuted: true, ..Outcome::default() });
    untouched.advance(200.0, &PRIOR);
    assert_eq!(feasible.region(), untouched.region());
}

#[test]
fn two_short_steps_equal_one_long_step() {
    for curvature in CURVATURES {
        for sign in [1.0, -1.0] {
            let start = {
                let mut start = settled(curvature);
                start.settle(&PRIOR);
                start
            };
            let (mut once, mut twice) = (start.clone(), start.clone());
            once.advance(start.at_s() + sign * 8.0, &PRIOR);
            twice.advance(start.at_s() + sign * 4.0, &PRIOR);
            twice.advance(start.at_s() + sign * 8.0, &PRIOR);
            // Within one step of the wander, nothing but rounding differs.
            let ((a, b), (c, d)) = (once.region().offset_range(), twice.region().offset_range());
            assert!((a - c).abs() < 1e-9 && (b - d).abs() < 1e-9, "{curvature} {sign}");
            once.advance(start.at_s() + sign * 24.0, &PRIOR);
            twice.advance(start.at_s() + sign * 16.0, &PRIOR);
            twice.advance(start.at_s() + sign * 24.0, &PRIOR);
            // Each is an outer bound of the same set, whose reach by wander over 16 s is κ · 16²/2; their corners for
            // up, then down differ by a quarter of it; simplifying adds less than a third of that, and 0.1 µs.
            let allowed = curvature * 16.0 * 16.0 / 6.0 + 0.1;
            let ((a, b), (c, d)) = (once.region().offset_range(), twice.region().offset_range());
            assert!(
                (a - c).abs() < allowed && (b - d).abs() < allowed,
                "{curvature} {sign}: {} {}",
                a - c,
                b - d
            );
            let ((a, b), (c, d)) = (once.region().rate_range(), twice.region().rate_range());
            let allowed = curvature * 16.0 / 8.0;
            assert!(
                (a - c).abs() < allowed && (b - d).abs() < allowed,
                "{curvature} {sign}: {} {}",
                a - c,
                b - d
            );
        }
    }
}

#[test]
fn what_is_not_observed_is_known_less_and_less_and_never_beyond_the_prior() {
    for curvature in CURVATURES {
        let mut feasible = settled(curvature);
        let from_s = feasible.at_s();
        let mut before = widths(&feasible);
        for i in 1..=400_u32 {
            feasible.advance(from_s + 10.0 * f64::from(i), &PRIOR);
            let now = widths(&feasible);
            assert!(now.0 > before.0 && now.1 >= before.1 - 2.0, "{curvature}: {before:?} {now:?}");
            let (slow, fast) = feasible.region().rate_range();
            // What simplifying adds beyond the prior is cut off again with the next step.
            let over = (-55.0 - slow).max(fast - 65.0);
            assert!(over < 2.0, "{curvature}: {slow} {fast}");
            before = now;
        }
    }
}

#[test]
fn the_limit_on_the_wander_is_taken_one_wider_than_what_the_bounds_call_for() {
    let run = |bend_ppm_per_s: f64, blocks: u32| {
        let mut bank = Bank::new(&PRIOR, Bound { at_s: 0.0, residual_us: 30.0 });
        for i in 0..blocks {
            let at_s = 2.0 * f64::from(i);
            // The rate swings to and fro, changing by `bend` each second.
            let phase = at_s % 400.0;
            let swing = |t: f64| bend_ppm_per_s * t * t / 2.0;
            let curve = if phase < 200.0 {
                swing(phase) - bend_ppm_per_s * 100.0 * phase
            } else {
                -(swing(phase - 200.0) - bend_ppm_per_s * 100.0 * (phase - 200.0))
            };
            let truth = 10.0 * at_s + curve;
            let bounds = Bounds {
                at_s,
                upper: bound(at_s, truth + 30.0),
                lower: bound(at_s, truth - 30.0),
                ..Bounds::default()
            };
            let _ = bank.observe(&bounds, &PRIOR);
        }
        bank
    };
    // Ten blocks tell nothing, so the widest is reckoned with.
    assert_eq!(run(0.0, 10).chosen().curvature(), WIDEST_CURVATURE);
    // Twenty minutes of a quiet clock speak for the gentlest, and yet do not prove it.
    let quiet = run(0.0, 600);
    assert_eq!(quiet.weights()[0], 1.0);
    assert!(quiet.chosen().curvature() > CURVATURES[0], "{:?}", quiet.weights());
    let bending = run(8e-3, 600);
    let weights = bending.weights();
    assert!(weights[0] < 0.05, "{weights:?}");
    assert!(bending.chosen().curvature() >= 8e-3, "{weights:?}");
    assert!(weights.iter().all(|w| *w <= 1.0 && *w >= 1e-6), "{weights:?}");
}

#[test]
fn a_bound_just_below_a_high_region_leaves_no_sliver_that_says_more_than_is_known() {
    // 50 ms are open at rates of ±70 ppm, then everything lies 0.1 ms below the lower end.
    let mut feasible = Feasible::new(&PRIOR, 0.01, Bound { at_s: 0.0, residual_us: 0.0 });
    for block in 1..=10 {
        let at_s = 2.0 * f64::from(block);
        let bounds =
            Bounds { at_s, upper: bound(at_s, 0.0), lower: bound(at_s, -50_000.0), ..Bounds::default() };
        let _ = feasible.observe(&bounds, &PRIOR);
    }
    let (low_us, _) = feasible.region().offset_range();
    let below = Bounds { at_s: 22.0, upper: bound(22.0, low_us - 500.0), ..Bounds::default() };
    assert!(feasible.observe(&below, &PRIOR).reopened);
    let (low_after_us, high_after_us) = feasible.region().offset_range();
    assert!(
        high_after_us <= low_us && high_after_us - low_after_us > 40_000.0,
        "{low_after_us} {high_after_us}"
    );
}

#[test]
fn one_block_takes_away_half_of_what_is_known_at_the_most_unless_it_leaves_less_by_itself() {
    let known = || {
        let mut feasible = Feasible::new(&PRIOR, 0.01, Bound { at_s: 0.0, residual_us: 0.0 });
        let both =
            Bounds { at_s: 0.0, upper: bound(0.0, 0.0), lower: bound(0.0, -1_000.0), ..Bounds::default() };
        let _ = feasible.observe(&both, &PRIOR);
        feasible
    };
    let after = |upper: Option<Bound>, lower: Option<Bound>| {
        let mut feasible = known();
        let _ = feasible
            .observe(&Bounds { at_s: 0.0, upper, lower, by_halves: true, ..Bounds::default() }, &PRIOR);
        feasible.region().offset_range()
    };
    assert_eq!(known().region().offset_range(), (-1_000.0, 0.0));
    assert_eq!(after(bound(0.0, -400.0), None), (-1_000.0, -400.0));
    // What a packet leaves of the upper end holds; the lower one may have been off.
    assert_eq!(after(bound(0.0, -990.0), None), (-1_490.0, -990.0));
    let (low_us, high_us) = after(None, bound(0.0, -10.0));
    assert!(low_us <= -500.0 && high_us >= 0.0, "{low_us} {high_us}");
    // 200 µs by itself: no less than half of that is left of it.
    assert_eq!(after(bound(0.0, -300.0), bound(0.0, -500.0)), (-500.0, -300.0));
}
