#![allow(clippy::arithmetic_side_effects, reason = "a test's numbers are small")]
extern crate std;
use super::*;

const FRAME: Frame = Frame { device_origin: 0, counts_per_s: 250.0, host_origin_ns: 5_000_000_000 };

fn placing() -> Placing {
    Placing { frame: FRAME, fixed_delay: Shift::default(), resolution_us: 0.0, curvature_ppm_per_s: 2e-3 }
}

fn knot() -> Knot {
    Knot {
        at_s: 100.0,
        offset_us: 20_000.0,
        low_us: 19_900.0,
        high_us: 20_060.0,
        rate_ppm: 30.0,
        rate_low_ppm: 28.0,
        rate_high_ppm: 33.0,
        u_offset_us: 45.0,
        u_rate_ppm: 1.2,
        covariance: -3.0,
        contradicted: false,
        ..Knot::default()
    }
}

fn at(knot: Knot) -> impl Fn(f64) -> (Knot, f64) {
    move |device_s| {
        (
            Knot {
                at_s: device_s,
                offset_us: knot.offset_us + knot.rate_ppm * (device_s - knot.at_s),
                ..knot
            },
            0.0,
        )
    }
}

#[track_caller]
fn assert_near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got}, not {want} within {tolerance:e}");
}

#[test]
fn an_event_at_a_knot_is_placed_at_the_knot() {
    let host_ns = FRAME.host_ns(100.0, 20_000.0);
    assert_eq!(host_ns, 105_020_000_000);
    let placed = placing().place(host_ns, Shift::default(), at(knot()));
    assert_near(placed.device_s, 100.0, 1e-9);
    // The farther of the two possible ends, in device microseconds.
    assert_near(placed.u95_us, 100.0 / 1.000_03, 1e-6);
    assert_near(placed.u_us, 45.0 / 1.000_03, 1e-6);
}

#[test]
fn a_positive_latency_places_the_event_later() {
    let host_ns = FRAME.host_ns(100.0, 20_000.0);
    for latency_us in [-35_000.0, 21_000.0] {
        let placed = placing().place(host_ns, Shift { us: latency_us, u_us: 0.0 }, at(knot()));
        assert_near((placed.device_s - 100.0) * 1e6, latency_us / 1.000_03, 1e-3);
    }
}

#[test]
fn a_fixed_delay_places_the_event_later_since_the_envelope_lies_above_the_clock() {
    let host_ns = FRAME.host_ns(100.0, 20_000.0);
    let placing = Placing { fixed_delay: Shift { us: 22_600.0, u_us: 0.0 }, ..placing() };
    let placed = placing.place(host_ns, Shift::default(), at(knot()));
    assert_near((placed.device_s - 100.0) * 1e6, 22_600.0 / 1.000_03, 1e-3);
}

#[test]
fn a_stamp_rounded_down_stands_for_half_a_step_later_give_or_take_half_a_step() {
    let host_ns = FRAME.host_ns(100.0, 20_000.0);
    let coarse = Placing { resolution_us: 1_000.0, ..placing() };
    let (fine, placed) = (
        placing().place(host_ns, Shift::default(), at(knot())),
        coarse.place(host_ns, Shift::default(), at(knot())),
    );
    assert_near((placed.device_s - fine.device_s) * 1e6, 500.0 / 1.000_03, 1e-3);
    assert_near(placed.budget.resolution_us, 500.0, 1e-12);
    // A rectangle of half-width a has the standard uncertainty a/√3 (JCGM 100:2008, 4.3.7).
    assert_near(placed.u_us * placed.u_us - fine.u_us * fine.u_us, 500.0 * 500.0 / 3.0, 1e-3);
}

#[test]
fn each_part_of_the_budget_alone_is_the_whole_of_it() {
    let host_ns = FRAME.host_ns(100.0, 20_000.0);
    let certain = Knot { low_us: 20_000.0, high_us: 20_000.0, u_offset_us: 0.0, rate_ppm: 0.0, ..knot() };
    let exact = |device_s: f64| (Knot { at_s: device_s, ..certain }, 0.0);
    let nothing = placing().place(host_ns, Shift::default(), exact);
    assert_eq!((nothing.u95_us, nothing.u_us, nothing.budget), (0.0, 0.0, Budget::default()));

    // Two-sided 95 % of a normal distribution: 1.96 standard uncertainties (JCGM 100:2008, table G.2).
    let delay = Placing { fixed_delay: Shift { us: 0.0, u_us: 200.0 }, ..placing() };
    let by_delay = delay.place(host_ns, Shift::default(), exact);
    assert_near(by_delay.u95_us, 1.959_964 * 200.0, 1e-3);
    assert_eq!(by_delay.budget, Budget { fixed_delay_us: by_delay.u95_us, ..Budget::default() });

    let by_latency = placing().place(host_ns, Shift { us: 0.0, u_us: 1_500.0 }, exact);
    assert_near(by_latency.u95_us, 1.959_964 * 1_500.0, 1e-2);
    assert_eq!(by_latency.budget, Budget { latency_us: by_latency.u95_us, ..Budget::default() });
    assert_near(by_latency.u_us, 1_500.0, 1e-9);

    let step = Placing { resolution_us: 1_000.0, ..placing() };
    let by_step = step.place(host_ns, Shift::default(), exact);
    assert_eq!(by_step.budget, Budget { resolution_us: 500.0, ..Budget::default() });
    assert_near(by_step.u95_us, 500.0, 1e-9);

    let wide = Knot { low_us: 19_700.0, ..certain };
    let by_link = placing().place(host_ns, Shift::default(), |_| (wide, 0.0));
    assert_eq!(by_link.budget, Budget { link_us: 300.0, statistics_us: 300.0, ..Budget::default() });
    let by_age = placing().place(host_ns, Shift::default(), |_| (wide, 1_000.0));
    assert_eq!(by_age.budget, Budget { holdover_us: 300.0, ..Budget::default() });
    assert_near(by_age.u95_us, 300.0, 1e-9);
}

#[test]
fn the_parts_of_the_budget_make_up_the_interval() {
    let host_ns = FRAME.host_ns(100.0, 20_000.0);
    let placing =
        Placing { fixed_delay: Shift { us: 9_000.0, u_us: 150.0 }, resolution_us: 1_000.0, ..placing() };
    let known = |device_s: f64| (Knot { at_s: device_s, ..knot() }, 30.0);
    let placed = placing.place(host_ns, Shift { us: 4_000.0, u_us: 700.0 }, known);
    let budget = placed.budget;
    assert_near(budget.link_us + budget.holdover_us, 100.0 / 1.000_03, 1e-6);
    assert_near(budget.holdover_us, 30.0 / 1.000_03, 1e-6);
    let clock = budget.link_us + budget.holdover_us;
    let squares = clock.powi(2)
        + budget.fixed_delay_us.powi(2)
        + budget.resolution_us.powi(2)
        + budget.latency_us.powi(2);
    assert_near(placed.u95_us, squares.sqrt(), 1e-9);
    assert_near(placed.u95_us, budget.u95_us(), 1e-12);
    assert!(placed.u95_us > 1.959_9 * 700.0 && placed.u95_us < 100.0 + 300.0 + 500.0 + 1_400.0);
}

#[test]
fn a_knot_carried_on_allows_every_rate_that_was_possible_and_the_wander() {
    let knot = knot();
    for dx in [-50.0_f64, 20.0] {
        let carried = knot.carried(100.0 + dx, 2e-3);
        let wander = 2e-3 * dx * dx / 2.0;
        let (least, greatest) = if dx > 0.0 { (28.0, 33.0) } else { (33.0, 28.0) };
        assert_near(carried.offset_us, 20_000.0 + 30.0 * dx, 1e-9);
        assert_near(carried.low_us, 19_900.0 + least * dx - wander, 1e-9);
        assert_near(carried.high_us, 20_060.0 + greatest * dx + wander, 1e-9);
        assert_near(carried.rate_low_ppm, 28.0 - 2e-3 * dx.abs(), 1e-9);
        assert_near(carried.rate_high_ppm, 33.0 + 2e-3 * dx.abs(), 1e-9);
        let variance = 45.0 * 45.0 + 2.0 * dx * -3.0 + dx * dx * 1.44 + wander * wander / 3.0;
        assert_near(carried.u_offset_us, variance.sqrt(), 1e-9);
    }
    assert_eq!(knot.carried(100.0, 2e-3), knot);
}

#[test]
fn between_two_knots_the_estimate_is_straight_and_the_range_allows_for_a_bow() {
    let earlier = knot();
    let later = Knot { at_s: 110.0, offset_us: 20_400.0, low_us: 20_350.0, high_us: 20_500.0, ..knot() };
    assert_eq!(earlier.towards(&later, 100.0, 0.05), earlier);
    assert_eq!(earlier.towards(&later, 110.0, 0.05), later);
    let middle = earlier.towards(&later, 105.0, 0.05);
    // A parabola of 0.05 ppm/s lies 0.05 · 10² / 8 µs off its chord in the middle.
    assert_near(middle.offset_us, 20_200.0, 1e-9);
    assert_near(middle.low_us, (19_900.0 + 20_350.0) / 2.0 - 0.625, 1e-9);
    assert_near(middle.high_us, (20_060.0 + 20_500.0) / 2.0 + 0.625, 1e-9);
    let odd = Knot { contradicted: true, ..later };
    assert!(earlier.towards(&odd, 105.0, 0.05).contradicted);
}

#[test]
fn the_half_width_reaches_the_farther_end() {
    assert_near(knot().half_width_us(), 100.0, 1e-12);
    assert_near(Knot { high_us: 20_300.0, ..knot() }.half_width_us(), 300.0, 1e-12);
}

#[test]
fn a_map_around_a_knot_has_the_fixed_delay_taken_off_and_reaches_as_far() {
    let placing = Placing { fixed_delay: Shift { us: 9_000.0, u_us: 150.0 }, ..placing() };
    let map = placing.map(&knot(), 0.0, 200.0);
    assert_near(map.offset_us, 11_000.0, 1e-9);
    assert_near(map.u_offset_us, (45.0_f64.powi(2) + 150.0_f64.powi(2)).sqrt(), 1e-9);
    assert_near(map.half_width_us, (100.0_f64.powi(2) + (1.959_964 * 150.0_f64).powi(2)).sqrt(), 1e-3);
    assert_near(map.growth_ppm, 3.0, 1e-12);
    // The map and the placement are one and the same answer.
    let host_ns = FRAME.host_ns(100.0, 20_000.0);
    let placed = placing.place(host_ns, Shift::default(), at(knot()));
    assert_near(map.device_at(host_ns).device_s, placed.device_s, 1e-9);
}

#[test]
fn what_the_link_leaves_open_is_the_sum_of_its_causes() {
    let frame = Frame { device_origin: 0, counts_per_s: 1000.0, host_origin_ns: 0 };
    let placing =
        Placing { frame, fixed_delay: Shift::default(), resolution_us: 0.0, curvature_ppm_per_s: 0.0 };
    let open = |curvature_us: f64, lattice_us: f64| Knot {
        low_us: -500.0,
        high_us: 500.0,
        u_offset_us: 1.0,
        curvature_us,
        lattice_us,
        ..Knot::default()
    };
    for (curvature_us, lattice_us, expected) in [
        (0.0, 0.0, [400.0, 0.0, 0.0]),
        (50.0, 200.0, [150.0, 200.0, 50.0]),
        (300.0, 900.0, [0.0, 100.0, 300.0]),
    ] {
        let budget = placing
            .place(1_000_000_000, Shift::default(), |_| (open(curvature_us, lattice_us), 100.0))
            .budget;
        assert_near(budget.link_us, 400.0, 1e-9);
        for (part, expected) in
            [budget.statistics_us, budget.lattice_us, budget.curvature_us].into_iter().zip(expected)
        {
            assert_near(part, expected, 1e-9);
        }
    }
}

#[test]
fn at_the_edge_of_its_bounds_the_clock_leaves_the_rest_its_full_width() {
    // The clock lies at the upper bound all the time, and the fixed delay is off by up to 1.96 standard uncertainties.
    let host_ns = FRAME.host_ns(100.0, 20_000.0);
    let placing = Placing { fixed_delay: Shift { us: 9_000.0, u_us: 150.0 }, ..placing() };
    let known = |device_s: f64| (Knot { at_s: device_s, rate_ppm: 0.0, ..knot() }, 30.0);
    let placed = placing.place(host_ns, Shift::default(), known);
    let at_edge = placed.by_bounds();
    assert_near(at_edge.u95_us, 100.0 + 1.959_964 * 150.0, 1e-3);
    assert_eq!(Placement { u95_us: placed.u95_us, ..at_edge }, placed);
    // By root sum of squares, half of what the delay may be off would lead out of the interval.
    assert!(placed.u95_us < 100.0 + 1.645 * 150.0);
    let exact = Budget { link_us: 0.0, holdover_us: 0.0, ..placed.budget };
    assert_eq!(exact.u95_at_edge_us(), exact.u95_us());
}

#[test]
fn an_event_of_either_of_two_clocks_reaches_over_what_both_say() {
    let of = |device_s: f64, u_us: f64, link_us: f64| {
        let budget = Budget { link_us, statistics_us: link_us, ..Budget::default() };
        Placement { device_s, u_us, u95_us: link_us, budget }
    };
    // 10.000 s ± 2 ms or 10.006 s ± 1 ms: from 9.998 s to 10.007 s. Each place lies 3 ms from the middle of the two.
    let (early, late) = (of(10.0, 1_000.0, 2_000.0), of(10.006, 400.0, 1_000.0));
    for either in [early.or(&late), late.or(&early)] {
        assert_near(either.device_s, 10.002_5, 1e-12);
        assert_near(either.u95_us, 4_500.0, 1e-6);
        assert_near(either.u_us, 1_000.0 * 10.0_f64.sqrt(), 1e-6);
        assert_eq!(either.budget.link_us, 2_000.0);
        assert_near(either.budget.holdover_us, 2_500.0, 1e-6);
    }
    // One that lies within the other adds nothing but its place: 10 s ± 5 ms or 10.002 s ± 1 ms.
    let (wide, within) = (of(10.0, 2_000.0, 5_000.0), of(10.002, 400.0, 1_000.0));
    for either in [wide.or(&within), within.or(&wide)] {
        assert_near(either.device_s, 10.0, 1e-12);
        assert_near(either.u95_us, 5_000.0, 1e-6);
        assert_near(either.u_us, 1_000.0 * 5.0_f64.sqrt(), 1e-6);
        assert_near(either.budget.holdover_us, 0.0, 1e-6);
    }
}
