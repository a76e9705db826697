#![allow(clippy::arithmetic_side_effects, reason = "a test's numbers are small")]
extern crate std;
use super::*;
use crate::block::Block;
use crate::filter::Bounds;
use crate::number::magnitude;
use std::vec;
use std::vec::Vec;

#[test]
fn the_least_delays_jump_by_the_beat_where_the_grid_is_known_and_by_a_period_at_the_most() {
    let on_a_grid = Report { on_a_grid: true, beat_s: 0.005, ..Report::default() };
    assert_eq!(on_a_grid.longest_jump_s(0.020), 0.005);
    assert_eq!(on_a_grid.longest_jump_s(0.004), 0.004);
    assert_eq!(Report { shares_deliveries: true, ..on_a_grid }.longest_jump_s(0.020), 0.005);
    // What may hide a longer wait leaves a whole period.
    let unseen = Report { on_a_grid: false, doubt_us: 7_500.0, ..on_a_grid };
    for report in [
        Report { congested: true, ..on_a_grid },
        Report { grid_tells_little: true, ..on_a_grid },
        Report { collected_us: 15_000.0, ..on_a_grid },
        Report { shares_deliveries: true, ..unseen },
        Report { doubt_us: 30_000.0, ..unseen },
    ] {
        assert_eq!(report.longest_jump_s(0.020), 0.020, "{report:?}");
    }
    // Without a grid, the one that may be there unseen counts.
    assert_eq!(unseen.longest_jump_s(0.020), 0.007_5);
}

#[test]
fn packets_that_come_closer_than_a_radio_sends_them_were_collected() {
    let of = |apart_us: f64, interval_us: f64| {
        let block = Block { packets: 60, deliveries: 15, apart_us, interval_us, ..Block::default() };
        [Stage { block: Some(block), ..Stage::empty() }]
    };
    // At 50 ms: whether they are bunched tells, unless that was declared.
    assert!(link::collected(&of(20.0, 50_000.0), None));
    assert!(!link::collected(&of(450.0, 50_000.0), None));
    assert!(!link::collected(&of(20.0, 50_000.0), Some(50_000.0)));
    assert!(link::collected(&of(20.0, 50_000.0), Some(15_000.0)));
    // At a period that no radio has, they were in any case.
    assert!(link::collected(&of(450.0, 51_000.0), None));
    // Alone, none was.
    let alone = Block { packets: 60, deliveries: 58, interval_us: 50_000.0, ..Block::default() };
    assert!(!link::collected(&[Stage { block: Some(alone), ..Stage::empty() }], None));
}

#[test]
fn a_grid_hides_another_where_it_tells_and_leaves_a_doubt() {
    let polled = Report { on_a_grid: true, doubt_us: 3_000.0, ..Report::default() };
    assert!(polled.may_hide_a_grid());
    for other in [
        Report { doubt_us: 0.0, ..polled },
        Report { grid_tells_little: true, ..polled },
        Report { on_a_grid: false, ..polled },
    ] {
        assert!(!other.may_hide_a_grid());
    }
}

#[test]
fn stages_suffice_for_many_packets_and_for_much_time() {
    // A night of packets each 8 s, and a minute of packets each 10 ms.
    for (period_s, packets) in [(8.0, 4_000_u16), (0.010, 6_000)] {
        let arrivals: Vec<Arrival> =
            (0..packets).map(|n| Arrival::new(f64::from(n) * period_s, f64::from(n % 7) * 400.0)).collect();
        let span_s = f64::from(packets) * period_s;
        let lent = stages_needed(arrivals.len(), 0, span_s);
        let mut stages = vec![Stage::empty(); lent];
        let line = WorkingLine::default();
        let report = replay(&arrivals, &[], line, &Setup::new(50.0, period_s), &mut stages);
        assert!(report.stages > 0 && report.stages < lent, "{} of {lent}", report.stages);
        let end_s = stages.get(report.stages - 1).map_or(0.0, |stage| stage.knot.at_s);
        assert!(end_s >= span_s - 2.0 * period_s, "the last stage lies at {end_s} of {span_s} s");
    }
}

#[test]
fn a_few_packets_at_the_end_raise_no_floor() {
    // Seventy blocks three seconds apart whose least delays range over 600 µs in turn, and one of a few packets, all late by 8 ms.
    let of = |n: usize, packets: u16, residual_us: f64| {
        let minimum = Bound { at_s: 3.0 * count(n), residual_us };
        stage(minimum.at_s, Block { minimum, packets, ..Block::default() })
    };
    let last = |packets: u16| {
        let mut stages: Vec<Stage> = (0..70).map(|n| of(n, 48, 100.0 * count(n * 5 % 7))).collect();
        stages.push(of(70, packets, 8_000.0));
        link::measure_scatter(&mut stages);
        let report = Report { reach: 11.0, ..Report::default() };
        set_bounds(&mut stages, &Setup::new(50.0, 0.060), &report);
        let floors = stages.iter().filter(|s| s.bounds.lower.is_some()).count();
        (floors, stages.get(70).is_some_and(|s| s.bounds.lower.is_some()), stages)
    };
    // Of as many packets as the half, a block's least delay is still the least of many.
    let (all, of_last, _) = last(24);
    assert!(of_last && all > 60, "{all}");
    let (floors, of_last, stages) = last(23);
    assert_eq!((floors, of_last), (all - 1, false));
    // Seven at the end, which the last of the lines begins with, range as those before.
    let range_us = |n: usize| stages.get(n).map_or(0.0, |s| s.range_us);
    assert!(range_us(0) > 500.0 && range_us(63) == range_us(0), "{} {}", range_us(0), range_us(63));
    let late_us = |n: usize| if n < 64 { 100.0 * count(n * 5 % 7) } else { 0.0 };
    let mut even: Vec<Stage> = (0..70).map(|n| of(n, 48, late_us(n))).collect();
    link::measure_scatter(&mut even);
    assert_eq!(even.get(69).map(|s| s.range_us), even.first().map(|s| s.range_us));
}

#[test]
fn two_halves_that_contradict_each_other_leave_twice_the_narrower_one_and_some_of_the_other() {
    let of = |low_us, high_us| Region::rectangle(0.0, 10.0, low_us, high_us);
    // 100 to 140 µs, 20 µs more on either side; and as far into the other as it lies away, twice, and no farther than it reaches.
    let narrow = of(100.0, 140.0);
    for (other, low_us, high_us) in [
        (of(200.0, 500.0), 80.0, 320.0),
        (of(200.0, 300.0), 80.0, 300.0),
        (of(-60.0, 40.0), -60.0, 160.0),
        (of(-200.0, 90.0), 70.0, 160.0),
        (of(150.0, 250.0), 80.0, 170.0),
    ] {
        for (a, b) in [(&narrow, &other), (&other, &narrow)] {
            let knot = contradicted(7.0, a, b);
            assert!(knot.contradicted && knot.at_s == 7.0, "{knot:?}");
            assert!((knot.low_us - low_us).abs() < 1e-9 && (knot.high_us - high_us).abs() < 1e-9, "{knot:?}");
            assert!((knot.offset_us - 120.0).abs() < 1e-9, "{knot:?}");
        }
    }
}

#[test]
fn two_halves_that_hardly_meet_leave_an_eighth_of_the_narrower_one() {
    let of = |low_us, high_us| Region::rectangle(0.0, 10.0, low_us, high_us);
    let both = |a: &Region, b: &Region| {
        let knot = more_than_a_sliver(
            Knot::of(&a.intersection(b).unwrap_or_else(|| a.clone()), 7.0),
            a.height_us(),
            b.height_us(),
        );
        (knot.low_us, knot.high_us, knot.contradicted)
    };
    // 2 µs in common, of 80: 10 µs are left around them. Half of it in common is as much as both say.
    assert_eq!(both(&of(0.0, 80.0), &of(78.0, 300.0)), (74.0, 84.0, false));
    assert_eq!(both(&of(78.0, 300.0), &of(0.0, 80.0)), (74.0, 84.0, false));
    assert_eq!(both(&of(0.0, 80.0), &of(40.0, 300.0)), (40.0, 80.0, false));
}

#[test]
fn the_clock_lies_as_far_below_the_top_as_least_delays_lie_apart_there() {
    // A hundred least delays above the top at 0, which scatter by 8 ms: in each hundredth of `spread_us`, or more and more farther up.
    let below = |height_us: fn(f64) -> f64| {
        let above = |n: usize| {
            let minimum = Bound { at_s: count(n), residual_us: height_us(count(n) / 100.0) };
            let knot = Knot { at_s: count(n), high_us: 0.0, ..Knot::default() };
            Stage { scatter_us: 8_000.0, knot, ..stage(count(n), Block { minimum, ..Block::default() }) }
        };
        let stages: Vec<Stage> = (0..100).map(above).collect();
        below_top_us(&stages, 50)
    };
    // One each 0.28 ms: of the fourteen and a half within half of the scatter, 15 are there.
    let even_us = below(|share| share * 28_000.0);
    assert!((even_us - 4_000.0 / 15.0).abs() < 1e-9, "{even_us}");
    // Four times as many within twice the distance: a density that begins at the top, where the first lies far above it.
    assert!(below(|share| libm::sqrt(share) * 28_000.0) > 2_500.0);
    // Three near the top tell nothing.
    assert_eq!(below(|share| if share < 0.03 { 100.0 } else { 28_000.0 }), 4_000.0);
}

#[test]
fn a_touch_bounds_the_clock_no_farther_than_the_one_before_or_after_bears_it_out() {
    // Five touches a minute apart on a clock of 2 ppm; the third waited for 3 ms.
    let at = |n: usize, waited_us: f64| {
        let (at_s, waited_us) = (60.0 * count(n), if n == 2 { waited_us } else { 0.0 });
        let minimum = Bound { at_s, residual_us: 2.0 * at_s + waited_us };
        let knot = Knot { at_s, rate_ppm: 2.0, ..Knot::default() };
        Stage {
            touch_us: Some(0.0),
            scatter_us: 50.0,
            knot,
            ..stage(at_s, Block { minimum, ..Block::default() })
        }
    };
    let doubted = |waited_us: f64, behind_first_us: f64, doubt_us: f64| -> Vec<f64> {
        let mut stages: Vec<Stage> = (0..5).map(|n| at(n, waited_us)).collect();
        let blocks = stages.iter_mut().filter_map(|stage| stage.block.as_mut());
        blocks.for_each(|block| block.behind_first_us = behind_first_us);
        let share = (touch::TOUCH_LATENESS, 0.0);
        touch::bound(&mut stages, &|_| 20.0, touch::BY_INSTANTS, share, doubt_us);
        let above_clock = |s: &Stage| s.bounds.lower.map(|l| l.residual_us - 2.0 * l.at_s);
        stages.iter().filter_map(above_clock).collect()
    };
    let lower = |waited_us: f64| doubted(waited_us, 0.0, 0.0);
    let even = lower(0.0);
    let least_us = even.first().copied().unwrap_or(f64::NAN);
    assert!(even.len() == 5 && even.iter().all(|us| (us - least_us).abs() < 1e-9), "{even:?}");
    // Five times 50 µs and four fifths more, the gap and 60 µs.
    assert!((least_us + 450.0 + 20.0 + 60.0).abs() < 1e-9, "{least_us}");
    assert_eq!(lower(3_000.0), even);
    // Those that came 4.3 ms behind another at their instant, or may have waited for 2 ms more, may have been ready as much sooner.
    let sooner = doubted(0.0, 4_300.0, 2_000.0);
    assert!(sooner.iter().all(|us| (us - least_us + 6_300.0).abs() < 1e-9), "{sooner:?}");
}

#[test]
fn a_new_phase_without_a_silence_may_be_a_clock_that_was_set() {
    // Blocks of two seconds, packets each 20 ms but where `silent` says so, a new phase of the grid in the blocks of `places`.
    let doubted = |interval_us: f64, places: &[usize], silent: fn(f64) -> bool| -> Vec<(bool, f64)> {
        let of = |n: usize| {
            let rephased = places.contains(&n);
            stage(2.0 * count(n), Block { interval_us, rephased, ..Block::default() })
        };
        let mut stages: Vec<Stage> = (1..=20).map(of).collect();
        let sent_s = (0..2_000).map(|n| 0.02 * count(n)).filter(|&at_s| !silent(at_s));
        let arrivals: Vec<Arrival> = sent_s.map(|at_s| Arrival::new(at_s, 5_000.0)).collect();
        link::doubt_new_phases(&mut stages, &arrivals, 0.02);
        stages.iter().map(|s| (s.another_phase, s.bounds.opened_us)).collect()
    };
    let sure = std::vec![(false, 0.0); 20];
    // The block that has it and the one before bind nothing, and between what lies before and after both a step is possible that is no higher than those that
    // are seen otherwise: of 20 ms, or an interval and a quarter.
    let in_two = |opened_us: f64| {
        let mut doubted = sure.clone();
        doubted.splice(8..10, [(true, opened_us), (true, 0.0)]);
        doubted
    };
    assert_eq!(doubted(15_000.0, &[10], |_| false), in_two(20_000.0));
    assert_eq!(doubted(48_000.0, &[10], |_| false), in_two(60_000.0));
    // Packets were missing for a second and more, or for less; the first block, before which nothing is known.
    assert_eq!(doubted(15_000.0, &[10], |at_s| at_s > 17.1 && at_s < 18.2), sure);
    assert_eq!(doubted(15_000.0, &[18], |at_s| at_s > 5.1 && at_s < 6.2), sure);
    assert_eq!(doubted(15_000.0, &[10], |at_s| at_s > 17.1 && at_s < 18.0), in_two(20_000.0));
    assert_eq!(doubted(15_000.0, &[1], |_| false), sure);
    // An interval that changes soon after has a phase of its own.
    let mut stages: Vec<Stage> = (1..=20_u8)
        .map(|n| {
            let interval_us = if n < 14 { 15_000.0 } else { 30_000.0 };
            stage(2.0 * f64::from(n), Block { interval_us, rephased: n == 10, ..Block::default() })
        })
        .collect();
    link::doubt_new_phases(&mut stages, &[], 0.02);
    assert!(stages.iter().all(|stage| !stage.another_phase));
    // So has one of which twice the period was there before: a third of the packets had come behind another.
    let parted = |deliveries: u16| {
        let of = |n: u16| {
            let deliveries = if n < 10 { deliveries } else { 90 };
            let block = Block { packets: 90, deliveries, interval_us: 15_000.0, ..Block::default() };
            stage(2.0 * f64::from(n), Block { rephased: n == 10, ..block })
        };
        let mut stages: Vec<Stage> = (1..=20).map(of).collect();
        link::doubt_new_phases(&mut stages, &[], 0.02);
        stages.iter().any(|stage| stage.another_phase)
    };
    assert!(!parted(60) && parted(85));
    // Four are believed in a short recording, and five are none.
    let four = doubted(15_000.0, &[3, 7, 11, 15], |_| false);
    assert_eq!(four.iter().filter(|(another, _)| *another).count(), 8);
    assert_eq!(doubted(15_000.0, &[3, 7, 11, 15, 19], |_| false), sure);
}

/// A stage with a block of two seconds that ends at `to_s`.
fn stage(to_s: f64, block: Block) -> Stage {
    let bounds = Bounds { at_s: to_s, ..Bounds::default() };
    Stage { block: Some(Block { from_s: to_s - 2.0, to_s, ..block }), bounds, ..Stage::empty() }
}

#[test]
fn how_late_deliveries_are_on_a_grid_is_the_mean_of_the_blocks_that_keep_to_one() {
    let late = |lateness_us, interval_us, off_grid| {
        stage(2.0, Block { lateness_us, interval_us, off_grid, ..Block::default() })
    };
    let stages = [
        late(100.0, 15_000.0, false),
        late(400.0, 15_000.0, false),
        late(9_000.0, 15_000.0, true),
        late(7_000.0, 0.0, false),
    ];
    assert_eq!(link::mean_lateness_us(&stages), 250.0);
    assert_eq!(link::mean_lateness_us(&[]), 0.0);
}

#[test]
fn packets_missed_their_first_chance_by_as_much_as_bounds_around_contradict_each_other_at_any_rate() {
    let prior = Prior { rate_ppm: 10.0, rate_half_width_ppm: 70.0, depth_us: 200_000.0 };
    let of = |to_s: f64, lower_us: f64, stamped_us: f64| {
        let bound = |residual_us: f64| Bound { at_s: to_s, residual_us: residual_us + 10.0 * to_s };
        let mut stage = stage(to_s, Block { stamped: bound(stamped_us), ..Block::default() });
        stage.lattice = Some(bound(lower_us));
        stage
    };
    // A stage each ten seconds, all alike but those that are named: a rate within 70 ppm of the middle makes up for 700 µs from one to the next.
    let missed_us = |named: &[(u8, f64, f64)]| {
        let stage = |n: u8| {
            let (lower_us, stamped_us) = named
                .iter()
                .find(|named| named.0 == n)
                .map_or((1_000.0, 9_000.0), |&(_, lower_us, stamped_us)| (lower_us, stamped_us));
            of(10.0 * f64::from(n), lower_us, stamped_us)
        };
        link::missed_us(&(0..8).map(stage).collect::<Vec<Stage>>(), &prior)
    };
    let late = (3, 6_000.0, 9_000.0);
    assert_eq!(missed_us(&[late]), 0.0);
    for beside in [2, 4] {
        assert!((missed_us(&[late, (beside, -1_000.0, 3_000.0)]) - 4_600.0).abs() < 1e-9);
    }
    // Five stages away, nobody compares; those beside say 1000 + 5000 µs less 700, and twice that is believed.
    let far = missed_us(&[(0, 6_000.0, 9_000.0), (5, -9_000.0, -5_000.0)]);
    assert!((far - 10_600.0).abs() < 1e-9, "{far}");
}

#[test]
fn what_packets_left_unmet_of_a_step_is_asked_of_a_minute_at_a_time() {
    // Sixteenths of a step of 1.6 ms, half of which each block met: together the first two met all of it. What begins a minute after the
    // first is of the next minute, and there the packets at the ends may lie anywhere in their own parts.
    let met = |to_s, met| stage(to_s, Block { met, ..Block::default() });
    let mut stages = [met(0.0, 0x00ff), met(59.0, 0xff00), met(60.0, 0x00ff), met(119.0, 0x00ff)];
    link::measure_unmet(&mut stages, 1_600.0);
    assert_eq!(stages.map(|stage| stage.unmet_us), [100.0, 100.0, 900.0, 900.0]);
}

/// Blocks each 2 s on a grid of this period; the least wait of each stretch of 12 s is 100 µs, and `lattice_us` gives what the grid bounds the
/// clock by in one of its blocks.
fn touched(intervals_us: impl Fn(f64) -> f64, lattice_us: [f64; 5]) -> Vec<Stage> {
    (0..=30_u8)
        .map(|place| {
            let to_s = 2.0 * f64::from(place);
            let bound = |residual_us| Bound { at_s: to_s, residual_us };
            let upper = bound(if place % 6 == 2 { 100.0 } else { 300.0 });
            let mut stage = stage(to_s, Block { interval_us: intervals_us(to_s), upper, ..Block::default() });
            stage.lattice =
                lattice_us.get(usize::from(place / 6)).filter(|_| place % 6 == 4).map(|us| bound(*us));
            stage
        })
        .collect()
}

#[test]
fn a_touch_is_refuted_where_the_grid_has_its_first_chance_later() {
    let mut stages = touched(|_| 15_000.0, [99.0, 100.0, 101.0, 100.0, 101.0]);
    let touches = touch::find(&mut stages, 10.0, |block| block.upper).map(|of| of.refuted);
    assert_eq!(touches, Some(0.4));
    let places: Vec<f64> =
        stages.iter().filter(|of| of.touch_us.is_some()).map(|of| of.bounds.at_s).collect();
    assert_eq!(places, [4.0, 16.0, 28.0, 40.0, 52.0]);
}

#[test]
fn two_periods_are_one_interval_where_they_are_less_than_a_thousandth_apart() {
    // Where the interval changes after 6 s, stretches begin there, and one fewer than is needed is over in the end.
    let found = |before_us| {
        let mut stages = touched(|to_s| if to_s < 6.0 { before_us } else { 15_000.0 }, [0.0; 5]);
        touch::find(&mut stages, 10.0, |block| block.upper).is_some()
    };
    assert!(found(15_014.0) && found(14_986.0));
    assert!(!found(15_015.0) && !found(14_985.0));
}

#[test]
fn an_app_hands_over_batches_where_several_packets_come_at_once_and_rarer_than_the_grid() {
    let of = |packets, deliveries, interval_us| {
        [stage(2.0, Block { packets, deliveries, interval_us, ..Block::default() })]
    };
    // 100 packets, one each 20 ms. In 10 deliveries: one each 200 ms, on a grid of 15 ms.
    assert!(link::batched(&of(100, 10, 15_000.0), 0.020));
    // The radio's own grid of 200 ms brings ten at once too, and so does no other.
    assert!(!link::batched(&of(100, 10, 200_000.0), 0.020));
    // Alone, however far apart against the grid: no batch.
    assert!(!link::batched(&of(100, 90, 7_500.0), 0.020));
}

#[test]
fn a_link_that_never_sends_again_is_congested_where_it_loses_far_more_than_a_radio_does() {
    // Twenty blocks of 100 packets each 20 ms on a grid of 15 ms, all of those on time that came: 90, 65 and 50 of them.
    let share = |packets: u16| {
        let of = |i: usize| {
            let (from_s, to_s) = (2.0 * count(i), 2.0 * count(i) + 1.98);
            let deliveries = packets;
            let block = Block { from_s, to_s, packets, deliveries, on_time: packets, ..on_a_grid() };
            stage(to_s, block)
        };
        link::mark_congested(&mut core::array::from_fn::<_, 20, _>(of), 0.020)
    };
    assert_eq!((share(90), share(65), share(50)), (0.0, 0.0, 1.0));
}

/// A block on a grid of 15 ms.
fn on_a_grid() -> Block {
    Block { interval_us: 15_000.0, ..Block::default() }
}

#[test]
fn a_link_is_congested_where_more_than_half_the_blocks_around_lose_packets() {
    // 100 packets each 20 ms were sent in a block, its last one included: 101. Where more than six in a hundred are lost, it counts.
    let of = |packets: &[u16]| -> Vec<Stage> {
        (1_u32..)
            .zip(packets)
            .map(|(n, &packets)| stage(2.0 * f64::from(n), Block { packets, ..Block::default() }))
            .collect()
    };
    let share = |packets: &[u16]| link::mark_congested(&mut of(packets), 0.020);
    assert_eq!(share(&[101; 8]), 0.0);
    assert_eq!(share(&[90; 8]), 1.0);
    assert_eq!(share(&[95; 8]), 0.0);
    // 47 of 50 are just six in a hundred lost: not more.
    let just = |packets| {
        let block = Block { from_s: 0.0, to_s: 98.0, packets, ..Block::default() };
        link::mark_congested(&mut [Stage { block: Some(block), ..Stage::empty() }], 2.0)
    };
    assert_eq!((just(47), just(46)), (0.0, 1.0));
    // Half of them is not more than half. Each sees ten on either side.
    assert_eq!(share(&[101, 90, 101, 90]), 0.0);
    assert_eq!(share(&[101, 90, 90]), 1.0);
    let mut far = std::vec![101; 40];
    if let Some(end) = far.get_mut(30..) {
        end.fill(90);
    }
    // The last ten of forty lose. The 31st sees twenty blocks, ten of which lose; the 32nd sees nineteen.
    let mut stages = of(&far);
    let marked = link::mark_congested(&mut stages, 0.020);
    let first = stages.iter().position(|stage| stage.congested);
    assert_eq!((first, marked), (Some(31), 0.225));
}

#[test]
fn the_least_of_many_waits_for_radio_and_app_lie_above_the_clock_by_what_their_order_tells() {
    // Sums of two even spreads, of which the n-th least of many is distributed about c Γ(n + ½)/Γ(n); the knots' top is the least one.
    let mut state = 7_u64;
    let mut even_us = |up_to_us: f64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        up_to_us * f64::from(u32::try_from(state >> 32).unwrap_or(0)) / 4_294_967_296.0
    };
    let (mut sum_us, mut raw_us) = (0.0, 0.0);
    for _ in 0..200 {
        let waits_us: Vec<f64> = (0..128).map(|_| even_us(90_000.0) + even_us(40_000.0)).collect();
        let top_us = waits_us.iter().copied().fold(f64::INFINITY, lesser);
        let stages: Vec<Stage> = (0_u32..)
            .zip(&waits_us)
            .map(|(n, &residual_us)| {
                let at_s = 4.0 * f64::from(n);
                let bound = Bound { at_s, residual_us };
                let knot = Knot { at_s, low_us: -1e5, high_us: top_us, ..Knot::default() };
                Stage {
                    upper: Some(bound),
                    knot,
                    ..stage(at_s, Block { minimum: bound, ..Block::default() })
                }
            })
            .collect();
        sum_us += top_us - newest::below_us(&stages, 64);
        raw_us += top_us;
    }
    // √(90 · 40 ÷ 128 · 2) ms · Γ(3/2) is 6.65 ms; what is left is chance.
    assert!((5_500.0..8_000.0).contains(&(raw_us / 200.0)), "{}", raw_us / 200.0);
    assert!((sum_us / 200.0).abs() < 600.0, "{}", sum_us / 200.0);
    assert_eq!(newest::below_us(&[], 0), 0.0);
}

#[test]
fn a_grid_that_was_just_laid_does_not_tell_its_rate() {
    let of = |stretches_ppm: &[f64]| -> Vec<Stage> {
        let on = |stretch_ppm: f64| Block {
            stretch_ppm,
            interval_us: 30_000.0,
            lower: Some(Bound { at_s: 0.0, residual_us: -20_000.0 }),
            ..Block::default()
        };
        (0_u32..).zip(stretches_ppm).map(|(n, &ppm)| stage(2.0 * f64::from(n), on(ppm))).collect()
    };
    let grid_us = |stretches_ppm: &[f64]| touch::intervals(&of(stretches_ppm)).first().map(|i| i.grid_us());
    let settled = [14.0; 20];
    assert_eq!(grid_us(&settled), Some(30_000.0 * (1.0 + 14e-6)));
    let mut laid_anew = std::vec![-3_000.0, -1_500.0, -400.0];
    laid_anew.extend(settled);
    assert_eq!(grid_us(&laid_anew), grid_us(&settled));
}

#[test]
fn least_delays_run_away_steadily_where_they_do_all_along() {
    let of = |device_s: &[f64], rate_ppm: f64| -> Vec<Arrival> {
        device_s.iter().map(|&at_s| Arrival::new(at_s, rate_ppm * at_s)).collect()
    };
    let all_along: Vec<f64> = (0..80_u32).map(|n| 10.0 * f64::from(n)).collect();
    assert!(link::runs_away_steadily(&of(&all_along, 160.0), 160.0));
    assert!(!link::runs_away_steadily(&of(&all_along, 0.0), 160.0));
    // What lies between the ends was left out: two or three of eight parts have packets.
    let ends: Vec<f64> = all_along.iter().copied().filter(|&s| !(90.0..650.0).contains(&s)).collect();
    assert!(!link::runs_away_steadily(&of(&ends, 160.0), 160.0));
    assert!(!link::runs_away_steadily(&[], 160.0));
}

#[test]
fn a_grid_slips_as_often_as_it_moves_by_what_a_block_leaves_open() {
    // Each two seconds a grid that runs 40 ppm off moves by 80 µs; a block leaves 20 µs open: four steps for each of five.
    let bound = |residual_us| Bound { at_s: 0.0, residual_us };
    let block =
        |stretch_ppm| Block { upper: bound(20.0), lower: Some(bound(0.0)), stretch_ppm, ..Block::default() };
    let stages = |stretch_ppm: f64| -> Vec<Stage> {
        (1..=6_u8).map(|n| stage(2.0 * f64::from(n), block(stretch_ppm))).collect()
    };
    assert!((link::slips(&stages(30.0), -10.0) - 20.0).abs() < 1e-9);
    assert!((link::slips(&stages(-50.0), -10.0) - 20.0).abs() < 1e-9);
    assert_eq!(link::slips(&stages(-10.0), -10.0), 0.0);
}

#[test]
fn a_block_has_a_floor_as_deep_as_scatter_and_range_make_it() {
    let depth = |scatter_us, range_us| link::depth_us(scatter_us, range_us, 12.0);
    // Twelve standard deviations of 10 µs; a sixth of that for the range; two more in either case.
    assert_eq!(depth(10.0, 0.0), Some(122.0));
    assert_eq!(depth(10.0, 100.0), Some(202.0));
    assert_eq!(depth(0.0, 100.0), None);
}

#[test]
fn a_declared_delay_agrees_with_pairs_where_three_of_its_uncertainties_reach_what_they_allow() {
    // Arrivals leave 18.0 to 18.6 ms, a pair −0.2 to 0.1 ms: the delay lies between 17.9 and 18.8 ms.
    let pair = SyncPair { at_s: 2.0, low_us: Some(-200.0), high_us: Some(100.0) };
    let knot = Knot { low_us: 18_000.0, high_us: 18_600.0, ..Knot::default() };
    let stages = [Stage { pair: Some(pair), knot, ..Stage::empty() }];
    let agree = |us, u_us| fuse::agree(&stages, Shift { us, u_us });
    assert!(agree(18_300.0, 0.0) && agree(17_900.0, 0.0) && agree(18_800.0, 0.0));
    assert!(!agree(17_890.0, 0.0) && !agree(18_810.0, 0.0));
    assert!(agree(17_611.0, 100.0) && !agree(17_590.0, 100.0));
    assert!(agree(19_090.0, 100.0) && !agree(19_110.0, 100.0));
    // Pairs that contradict the arrivals agree with none.
    let knot = Knot { low_us: 18_400.0, ..knot };
    let far = SyncPair { low_us: Some(400.0), ..pair };
    let stages = [Stage { pair: Some(far), knot, ..Stage::empty() }];
    assert!(!fuse::agree(&stages, Shift { us: 18_250.0, u_us: 100.0 }));
}

#[test]
fn bounds_lie_as_far_below_the_grid_the_floor_and_the_pairs_as_the_report_allows() {
    let bound = |residual_us| Bound { at_s: 2.0, residual_us };
    let block = Block { minimum: bound(18_000.0), interval_us: 15_000.0, ..Block::default() };
    let on_a_grid = Stage {
        lattice: Some(bound(17_500.0)),
        upper: Some(bound(18_100.0)),
        scatter_us: 10.0,
        ..stage(2.0, block)
    };
    let pair = SyncPair { at_s: 2.0, low_us: Some(-50.0), high_us: Some(70.0) };
    let report = Report {
        on_a_grid: true,
        allowance_us: 1_000.0,
        collected_us: 30_000.0,
        doubt_us: 7_500.0,
        reach: 12.0,
        fixed_delay: Some(Shift { us: 18_000.0, u_us: 100.0 }),
        ..Report::default()
    };
    let set = |stage: &Stage, report: &Report| {
        let mut stages = [stage.clone()];
        set_bounds(&mut stages, &Setup::new(50.0, 0.02), report);
        let [Stage { bounds, .. }] = &stages;
        (bounds.upper.map(|b| b.residual_us), bounds.lower.map(|b| b.residual_us))
    };
    // A millisecond for missed chances, 30 for what an app collects, 7.5 for a grid beneath. Whose clock it was nobody knows: nothing.
    assert_eq!(set(&on_a_grid, &report), (Some(18_100.0), Some(-21_000.0)));
    let another = Stage { another_phase: true, ..on_a_grid.clone() };
    assert_eq!(set(&another, &report), (None, None));
    // Twelve times the scatter, two more, and a grid that may be there unseen.
    let open = Report { on_a_grid: false, collected_us: 0.0, ..report };
    let without = Stage { lattice: None, ..on_a_grid.clone() };
    assert_eq!(set(&without, &open), (Some(18_100.0), Some(18_000.0 - 122.0 - 7_500.0)));
    assert_eq!(set(&without, &report), (Some(18_100.0), None));
    // Batches without a grid: a period of the packets, what they may have waited, and a millisecond, below the soonest.
    let batches = Stage { soonest: bound(18_050.0), ..without.clone() };
    let collected = Report { on_a_grid: false, ..report };
    assert_eq!(set(&batches, &collected), (Some(18_100.0), Some(18_050.0 - 20_000.0 - 30_000.0 - 1_000.0)));
    // What the newest packets of many tell is taken where it is more.
    let newest = |us| Stage { newest: Some(bound(us)), ..batches.clone() };
    assert_eq!(set(&newest(9_000.0), &collected), (Some(18_100.0), Some(9_000.0)));
    assert_eq!(set(&newest(-90_000.0), &collected).1, set(&batches, &collected).1);
    assert_eq!(set(&on_a_grid, &Report { congested: true, ..report }), (Some(18_100.0), None));
    // Pairs, where they agree with the delay: it may be off by three times its 0.1 ms.
    let paired = Stage { pair: Some(pair), ..Stage::empty() };
    assert_eq!(set(&paired, &report), (None, None));
    let agreed = Report { pairs_agree: true, ..report };
    assert_eq!(set(&paired, &agreed), (Some(18_370.0), Some(17_650.0)));
}

#[test]
fn on_a_grid_all_that_lateness_or_touches_do_not_explain_is_owed_to_the_grid() {
    let bound = |at_s, residual_us| Bound { at_s, residual_us };
    let mut stages: Vec<Stage> = [2.0, 4.0, 6.0]
        .map(|to_s| {
            let (upper, lower) = (Some(bound(to_s, 18_000.0)), Some(bound(to_s, 16_000.0)));
            let bounds = Bounds { at_s: to_s, upper, lower, ..Bounds::default() };
            Stage { bounds, ..stage(to_s, Block { interval_us: 15_000.0, ..Block::default() }) }
        })
        .into();
    let prior = Setup::new(50.0, 0.02).prior;
    let ends = Ends::new(bound(2.0, 18_000.0), bound(6.0, 18_000.0), core::iter::empty(), &prior);
    both_ways(&mut stages, &prior, ends);
    let on_a_grid = Report { on_a_grid: true, ..Report::default() };
    attribute(&mut stages, &prior, ends, 300.0, &on_a_grid);
    for Stage { knot, .. } in &stages {
        assert!((knot.half_width_us() - 1_000.0).abs() < 50.0, "{knot:?}");
        // Deliveries are late by 0.3 ms on the mean.
        assert!(
            (knot.lattice_us - (knot.half_width_us() - 300.0)).abs() < 1e-6 && knot.curvature_us == 0.0,
            "{knot:?}"
        );
    }
    // A touch says it more exactly, in the stages that it bounds.
    if let Some(touched) = stages.get_mut(1) {
        touched.touch_reach_us = 120.0;
    }
    attribute(&mut stages, &prior, ends, 300.0, &on_a_grid);
    let scattered: Vec<f64> =
        stages.iter().map(|stage| (stage.knot.half_width_us() - stage.knot.lattice_us).round()).collect();
    assert_eq!(scattered, [300.0, 120.0, 300.0]);
    // Without a grid, and none that may be there unseen, nothing is owed to one.
    attribute(&mut stages, &prior, ends, 300.0, &Report { reach: 11.0, ..Report::default() });
    assert!(stages.iter().all(|stage| stage.knot.lattice_us == 0.0));
}

#[test]
fn a_period_that_is_doubled_has_a_phase_known_half_as_well() {
    // A grid of 30 ms; each packet in `misses` on average waits for the instant after its first chance; 0.3 ms of jitter.
    let found = |misses: Option<u64>| {
        let (grid_us, period_us) = (30_000.0, 70_000.0);
        let mut state = 7_u64;
        let arrivals: Vec<Arrival> = (0..6_000_u16)
            .map(|n| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let ready = f64::from(n) * period_us * 1.000_03 + 3_000.0;
                let late = misses.is_some_and(|every| (state >> 40).is_multiple_of(every));
                let jitter_us = u16::try_from((state >> 50) % 300).unwrap_or(0);
                let host_us =
                    ((ready / grid_us).ceil() + f64::from(u8::from(late))) * grid_us + f64::from(jitter_us);
                Arrival::new(f64::from(n) * period_us * 1e-6, host_us - f64::from(n) * period_us)
            })
            .collect();
        let setup = Setup::new(50.0, period_us * 1e-6);
        let mut stages = vec![Stage::empty(); stages_needed(arrivals.len(), 0, 420.0)];
        let line = WorkingLine { offset_us: 18_000.0, rate_ppm: 30.0, ..WorkingLine::default() };
        let report = replay(&arrivals, &[], line, &setup, &mut stages);
        report.interval.map_or((0.0, 0.0), |interval| (interval.period_us, interval.phase_sd_us))
    };
    // With half of them late, twice twice the period looks likelier; what its instants scatter by is stretched with it.
    let ((once_us, once_sd_us), (four_us, four_sd_us)) = (found(None), found(Some(2)));
    assert_eq!((once_us, four_us), (30_000.0, 120_000.0));
    assert!(once_sd_us > 1.0 && (four_sd_us / once_sd_us - 4.0).abs() < 0.2, "{once_sd_us} {four_sd_us} µs");
}

#[test]
fn beyond_the_outer_knots_what_is_known_grows_and_that_is_holdover() {
    // ± 100 µs at 10 s and ± 120 µs at 20 s, the rate known to ± 2 ppm.
    let at = |at_s, half_us: f64| {
        let knot = Knot {
            at_s,
            low_us: -half_us,
            high_us: half_us,
            offset_us: 0.0,
            rate_ppm: 0.0,
            rate_low_ppm: -2.0,
            rate_high_ppm: 2.0,
            ..Knot::default()
        };
        Stage { knot, ..Stage::empty() }
    };
    let stages = [at(10.0, 100.0), at(20.0, 120.0)];
    for (device_s, half_us, holdover_us) in
        [(5.0, 110.0, 10.0), (10.0, 100.0, 0.0), (15.0, 110.0, 0.0), (20.0, 120.0, 0.0), (30.0, 140.0, 20.0)]
    {
        let known = known_at(&stages, device_s, 0.0);
        let off = |(knot, holdover): (Knot, f64)| (knot.half_width_us() - half_us, holdover - holdover_us);
        let (half, holdover) = known.map_or((f64::NAN, f64::NAN), off);
        assert!(magnitude(half) < 1e-9 && magnitude(holdover) < 1e-9, "{device_s} s: {known:?}");
    }
}

/// Blocks of 50 packets each 2 s on a grid of 15 ms, `late` of which are late; the latest packet of each bounds a clock of 3 ppm to `below_us`.
fn bounded(late: u16, below_us: &[f64]) -> Vec<Stage> {
    (1_u32..)
        .zip(below_us)
        .map(|(n, below_us)| {
            let at_s = 2.0 * f64::from(n);
            let likely = Some(Bound { at_s, residual_us: 3.0 * at_s - below_us });
            let block = Block {
                from_s: at_s - 2.0,
                likely,
                interval_us: 15_000.0,
                rate_ppm: 3.0,
                packets: 50,
                on_time: 50 - late,
                ..Block::default()
            };
            let lattice = Some(Bound { at_s, residual_us: 3.0 * at_s - 9_000.0 });
            Stage { lattice, ..stage(at_s, block) }
        })
        .collect()
}

#[test]
fn blocks_in_a_row_bear_out_a_bound_as_far_as_all_of_them_do() {
    let raised = |late, below_us: &[f64]| -> Vec<f64> {
        let mut stages = bounded(late, below_us);
        link::raise(&mut stages);
        let below = |s: &Stage| s.lattice.map(|l| (3.0 * l.at_s - l.residual_us).round());
        stages.iter().filter_map(below).collect()
    };
    // A tenth late: by chance four packets in a row are less than once in a thousand times. Of five blocks, the fifth is far off.
    assert_eq!(raised(5, &[100.0, 200.0, 300.0, 400.0, 8_000.0]), [400.0, 400.0, 400.0, 400.0, 8_000.0]);
    // Three are too few, and no bound is lowered.
    assert_eq!(raised(5, &[100.0, 200.0, 300.0]), [9_000.0; 3]);
    assert_eq!(raised(5, &[9_500.0; 4]), [9_000.0; 4]);
    // None late: two in a row do. Half of them: eleven would be needed.
    assert_eq!(raised(0, &[100.0, 200.0, 300.0]), [200.0, 200.0, 300.0]);
    assert_eq!(raised(25, &[100.0; 10]), [9_000.0; 10]);
    assert_eq!(raised(25, &[100.0; 11]), [100.0; 11]);
    // Over another interval, nothing is borne out.
    let mut stages = bounded(0, &[100.0, 200.0]);
    if let Some(block) = stages.get_mut(1).and_then(|s| s.block.as_mut()) {
        block.interval_us = 30_000.0;
    }
    link::raise(&mut stages);
    assert_eq!(stages.first().and_then(|s| s.lattice).map(|l| l.residual_us), Some(3.0 * 2.0 - 9_000.0));
}

#[test]
fn stamps_tell_more_than_instants_where_packets_are_seen_to_enter_events_late() {
    // Touches each minute: those of the stamps `stamps_us` off in turn, those of the instants `instants_us`, which the grid refutes in as many of six.
    let of = |instants_us: f64, stamps_us: f64, refuted: usize, leads: bool, one_an_instant: bool| {
        let of = |off_us: f64, refuted: usize| {
            let mut stages: Vec<Stage> = (0..=36_u8)
                .map(|n| {
                    let at_s = 10.0 * f64::from(n);
                    let touch = n % 6 == 3;
                    let turn = if (n / 6) % 2 == 0 { 1.0 } else { -1.0 };
                    let residual_us = if touch { off_us * turn } else { 50_000.0 };
                    let minimum = Bound { at_s, residual_us };
                    stage(at_s, Block { minimum, leads, interval_us: 15_000.0, ..Block::default() })
                })
                .collect();
            let above = |n: usize| if n < refuted { 20_000.0 } else { -20_000.0 };
            for (n, stage) in stages
                .iter_mut()
                .filter(|s| s.block.is_some_and(|b| b.minimum.residual_us < 40_000.0))
                .enumerate()
            {
                stage.lattice = Some(Bound { at_s: stage.bounds.at_s, residual_us: above(n) });
            }
            touch::find(&mut stages, 59.0, |block| block.minimum)
        };
        let (instants, stamps) = (of(instants_us, refuted), of(stamps_us, 0));
        (touch::stamps_tell_more(instants, stamps), touch::packets_enter(instants, stamps, one_an_instant))
    };
    let told = |instants_us, stamps_us, refuted| of(instants_us, stamps_us, refuted, false, false);
    // Six even differences of 4 × 600 µs are 1,453 µs: far off each other, and the stamps are not.
    assert_eq!(told(600.0, 60.0, 6), (true, true));
    assert_eq!(told(600.0, 60.0, 0), (true, false));
    // Packets that lead though they are sent closer than the instants are: those that wait less come behind them.
    assert_eq!(of(600.0, 60.0, 6, true, false), (true, false));
    assert_eq!(of(600.0, 60.0, 6, true, true), (true, true));
    // Some 484 µs: only where the grid refutes one at least.
    assert_eq!(told(200.0, 60.0, 0), (false, false));
    assert_eq!(told(200.0, 60.0, 1), (true, false));
    // Some 97 µs are good, unless most are refuted; stamps that scatter as widely bound nothing.
    assert_eq!(told(40.0, 4.0, 2), (false, false));
    assert_eq!(told(40.0, 4.0, 6), (true, false));
    assert_eq!(told(600.0, 600.0, 6), (true, false));
}

#[test]
fn packets_that_lead_touch_the_clock_where_they_are_close_to_each_other_and_far_above_the_instants() {
    // Touches of a minute each; the stamps `above_us` above the instants, and 30 µs off in turn.
    let of = |above_us: f64, touches: u8, led: u8, resolution_us: f64, one_an_instant: bool| {
        let mut stages: Vec<Stage> = (0..=6 * touches)
            .map(|n| {
                let at_s = 10.0 * f64::from(n);
                let turn = if (n / 6) % 2 == 0 { 30.0 } else { -30.0 };
                let waited_us = if n % 6 == 3 { 0.0 } else { 50_000.0 };
                let minimum = Bound { at_s, residual_us: waited_us };
                let stamped = Bound { at_s, residual_us: waited_us + above_us + turn };
                let leads = n / 6 < led;
                stage(at_s, Block { minimum, stamped, leads, interval_us: 15_000.0, ..Block::default() })
            })
            .collect();
        let stamps = touch::find(&mut stages, 59.0, |block| block.stamped);
        let instants = touch::find(&mut stages, 59.0, |block| block.minimum);
        let setup = Setup { resolution_us, ..Setup::new(50.0, 0.02) };
        touch::leads_touch(instants, stamps, one_an_instant, &setup)
    };
    let told = |above_us, touches, led, resolution_us| of(above_us, touches, led, resolution_us, true);
    // 60 µs from one to the next scatter by some 73 µs: a quarter of 292 µs and more.
    assert!(told(320.0, 12, 12, 0.0) && !told(250.0, 12, 12, 0.0));
    // Of eleven, eight have to lead; four alone tell nothing.
    assert!(told(600.0, 12, 9, 0.0) && !told(600.0, 12, 7, 0.0) && !told(600.0, 4, 4, 0.0));
    // Where two packets come at one instant now and then, the later one waits least, and never leads.
    assert!(!of(320.0, 12, 12, 0.0, false));
    // Stamps of a millisecond keep to each other by nature.
    assert!(told(6_000.0, 12, 12, 1_000.0) && !told(4_500.0, 12, 12, 1_000.0));
}

#[test]
fn packets_that_keep_step_with_the_grid_for_a_while_leave_phases_out_there() {
    // A packet each thirtieth of a second and a grid of 11.25 ms meet each 27 packets, 416.7 µs apart in phase; for 107 s.
    let here_us = |rate_ppm: f64| {
        let of = |rate_ppm: f64| {
            let block = Block { interval_us: 11_250.0, stretch_ppm: -19.0, ..Block::default() };
            Stage { knot: Knot { rate_ppm, ..Knot::default() }, ..stage(2.0, block) }
        };
        let stages: Vec<Stage> = (0..40).map(|_| of(15.0)).collect();
        let setup = Setup::new(50.0, 1.0 / 30.0);
        touch::gap_here_us(&of(rate_ppm), &touch::intervals(&stages), &setup, 107.0)
    };
    assert!((here_us(-19.0) - 416.67).abs() < 0.1, "{}", here_us(-19.0));
    // 34 ppm apart, each of 27 phases moves by eight of its steps; a rate is good to 2 ppm.
    assert!(here_us(15.0) < 10.0, "{}", here_us(15.0));
    // Where they move by half a step, about half of it is left out.
    assert!((100.0..=350.0).contains(&here_us(-16.0)), "{}", here_us(-16.0));
    // A grid that is none of the link's leaves nothing to ask.
    let stages: Vec<Stage> = Vec::new();
    assert_eq!(
        touch::gap_here_us(
            &stage(2.0, Block::default()),
            &touch::intervals(&stages),
            &Setup::new(50.0, 0.02),
            107.0
        ),
        0.0
    );
}
