#![allow(
    clippy::arithmetic_side_effects,
    clippy::unwrap_used,
    reason = "a test's numbers are small and its rows are there"
)]
extern crate std;
use std::vec::Vec;

use super::*;

/// A packet each 20 ms, waiting by a saw-tooth of up to 12 ms; stamps of some of them moved, in ms.
fn stamped(moved: impl Fn(u32) -> f64) -> Vec<Arrival> {
    (0..200_u32)
        .map(|n| Arrival::new(f64::from(n) * 0.02, f64::from(n * 7 % 13) * 1e3 + moved(n) * 1e3))
        .collect()
}

fn left_out(moved: impl Fn(u32) -> f64) -> Vec<u32> {
    let mut arrivals = stamped(&moved);
    let used = without_early(&mut arrivals);
    let times: Vec<f64> = arrivals.get(..used).unwrap_or_default().iter().map(|a| a.device_s).collect();
    (0..200).filter(|&n| !times.contains(&(f64::from(n) * 0.02))).collect()
}

#[test]
fn a_few_stamps_before_their_packets_could_come_are_left_out() {
    for early_ms in [-40.0, -400.0] {
        for run in [1, 3, 8] {
            let moved = |n| if (100..100 + run).contains(&n) { early_ms } else { 0.0 };
            assert_eq!(left_out(moved), (100..100 + run).collect::<Vec<_>>(), "{early_ms} ms, {run}");
        }
    }
}

#[test]
fn a_clock_that_was_set_and_what_came_late_are_not() {
    let nothing: [u32; 0] = [];
    assert_eq!(left_out(|_| 0.0), nothing);
    // Set back for nine packets or for good, set forward, and back again at the very end.
    for (from, to, ms) in
        [(100, 109, -40.0), (100, 200, -40.0), (100, 103, 40.0), (100, 200, 40.0), (197, 200, -40.0)]
    {
        assert_eq!(left_out(|n| if (from..to).contains(&n) { ms } else { 0.0 }), nothing, "{from} {to} {ms}");
    }
    // Set back for good, and the fourth packet after it late, or the second of each three.
    let set_back = |n: u32| if n < 100 { 0.0 } else { -40.0 };
    for late in [[103, 103], [102, 105]] {
        let moved = |n| set_back(n) + if late.contains(&n) { 60.0 } else { 0.0 };
        assert!(left_out(moved).iter().all(|&n| n > 103), "{late:?}: {:?}", left_out(moved));
    }
    // A backlog of a second that is handed over at once, and a packet that comes ten places late.
    assert_eq!(left_out(|n| if (100..150).contains(&n) { f64::from(150 - n) * 20.0 } else { 0.0 }), nothing);
    let mut arrivals = stamped(|n| if n == 50 { 200.0 } else { 0.0 });
    arrivals.get_mut(50..61).unwrap().rotate_left(1);
    assert_eq!(without_early(&mut arrivals), 200);
}

/// The residuals of those that were let through, µs.
fn admitted(gate: &mut Gate, residuals_us: &[f64]) -> Vec<f64> {
    let arrivals = residuals_us.iter().map(|us| Arrival::new(0.0, *us));
    arrivals.flat_map(|arrival| gate.admit(arrival)).flatten().map(|arrival| arrival.residual_us).collect()
}

#[test]
fn a_lone_stamp_far_from_its_neighbours_is_kept_out_and_counted() {
    let mut gate = Gate::default();
    let through = admitted(&mut gate, &[0.0, 100.0, 6e6, 200.0, -9e6, 300.0]);
    assert_eq!((through.as_slice(), gate.dropped), ([0.0, 100.0, 200.0, 300.0].as_slice(), 2));
    assert_eq!(gate.close(), None);
    assert_eq!(gate.dropped, 2);
    // Five seconds are still believed.
    assert_eq!(admitted(&mut gate, &[300.0 + WILD_US]), [300.0 + WILD_US]);
}

#[test]
fn two_that_side_with_each_other_are_let_through_in_their_order() {
    let mut gate = Gate::default();
    let set = [0.0, 1.0, 3.6e9, 3.6e9 + 1.0, 3.6e9 + 2.0];
    assert_eq!((admitted(&mut gate, &set).as_slice(), gate.dropped), (set.as_slice(), 0));
}

#[test]
fn the_last_one_is_believed_only_if_it_is_the_only_one() {
    let mut only = Gate::default();
    assert!(admitted(&mut only, &[7.0]).is_empty());
    assert_eq!(only.close(), Some(Arrival::new(0.0, 7.0)));
    assert_eq!((only.close(), only.dropped), (None, 0));
    let mut after_others = Gate::default();
    let _ = admitted(&mut after_others, &[0.0, 1.0, 9e6]);
    assert_eq!((after_others.close(), after_others.dropped), (None, 1));
    // Of two that contradict each other nobody knows which is right.
    let mut two = Gate::default();
    assert!(admitted(&mut two, &[0.0, 9e6]).is_empty());
    assert_eq!((two.close(), two.dropped), (None, 2));
}
