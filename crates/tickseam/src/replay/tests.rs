#![allow(clippy::arithmetic_side_effects, reason = "a test's numbers are small")]
extern crate std;
use super::*;
use std::vec;
use std::vec::Vec;

#[test]
fn the_longest_wait_is_the_grids_where_the_grid_is_known_and_a_period_at_the_most() {
    let on_a_grid =
        Report { on_a_grid: true, interval: Some(Interval::declared(15_000.0)), ..Report::default() };
    assert_eq!(on_a_grid.longest_wait_s(0.020), 0.015);
    assert_eq!(on_a_grid.longest_wait_s(0.010), 0.010);
    // What may hide a longer wait leaves a whole period.
    for report in [
        Report { congested: true, ..on_a_grid },
        Report { grid_tells_little: true, ..on_a_grid },
        Report { shares_deliveries: true, ..on_a_grid },
        Report { on_a_grid: false, doubt_us: 30_000.0, ..on_a_grid },
    ] {
        assert_eq!(report.longest_wait_s(0.020), 0.020, "{report:?}");
    }
    // Without a grid, the one that may be there unseen counts.
    let unseen = Report { on_a_grid: false, doubt_us: 7_500.0, ..on_a_grid };
    assert_eq!(unseen.longest_wait_s(0.020), 0.007_5);
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
fn two_halves_that_contradict_each_other_leave_twice_the_narrower_one_as_far_as_the_other() {
    let of = |low_us, high_us| Region::rectangle(0.0, 10.0, low_us, high_us);
    // 100 to 140 µs and 200 to 300 µs: 20 µs more on either side, and then on to 200 µs; and the same upside down.
    let (narrow, wide, below) = (of(100.0, 140.0), of(200.0, 300.0), of(-60.0, 40.0));
    for (a, b, low_us, high_us) in [
        (&narrow, &wide, 80.0, 200.0),
        (&wide, &narrow, 80.0, 200.0),
        (&narrow, &below, 40.0, 160.0),
        (&below, &narrow, 40.0, 160.0),
        // So near that twice the width reaches into the other.
        (&narrow, &of(150.0, 250.0), 80.0, 160.0),
    ] {
        let knot = contradicted(7.0, a, b);
        assert!(knot.contradicted && knot.at_s == 7.0, "{knot:?}");
        assert!((knot.low_us - low_us).abs() < 1e-9 && (knot.high_us - high_us).abs() < 1e-9, "{knot:?}");
        assert!((knot.offset_us - 120.0).abs() < 1e-9, "{knot:?}");
    }
}
