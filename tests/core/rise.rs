//! A host clock that is set forward: until it can be told from delays, the interval reaches to where the clock may be.

use tickseam::live::Live;
use tickseam::setup::Setup;

use crate::arrivals::Link;

const SET_AT: usize = 4_000;

/// An estimator that was told the link's interval.
fn begun(link: &Link) -> Live {
    Live::new(Setup { interval_us: Some(link.interval_us), ..Setup::new(50.0, link.period_s) })
}

/// Whether what is known holds the truth for each packet after a setting by `step_us`, asked for once a second of packets
/// more has come.
fn reaches(step_us: f64, seed: u64) -> bool {
    let link = Link { jitter_us: 200.0, again: 0.1, ..Link::default() };
    let mut arrivals = link.arrivals(seed);
    arrivals[SET_AT..].iter_mut().for_each(|arrival| arrival.residual_us += step_us);
    let mut live = begun(&link);
    let mut reached = true;
    for (i, arrival) in arrivals.iter().enumerate() {
        live.observe(*arrival);
        if i >= SET_AT + 50 {
            let at_s = arrivals[i - 50].device_s;
            let (knot, _) = live.known_at(at_s).expect("packets have come");
            reached &=
                knot.low_us <= link.truth_us(at_s) + step_us && link.truth_us(at_s) + step_us <= knot.high_us;
        }
    }
    reached
}

#[test]
fn a_clock_set_forward_is_held_from_its_first_second() {
    for seed in 1..=10 {
        for step_us in [0.0, 50e3, 250e3, 3e6] {
            assert!(reaches(step_us, seed), "seed {seed}, {step_us} µs");
        }
    }
}

#[test]
fn packets_before_the_setting_are_placed_as_sharply_as_before() {
    let link = Link::default();
    let mut arrivals = link.arrivals(1);
    arrivals[SET_AT..].iter_mut().for_each(|arrival| arrival.residual_us += 250e3);
    let mut live = begun(&link);
    arrivals[..SET_AT + 50].iter().for_each(|arrival| live.observe(*arrival));
    let half_width_us =
        |i: usize| live.known_at(arrivals[i].device_s).expect("packets have come").0.half_width_us();
    assert!(half_width_us(SET_AT - 10) < 100e3);
    assert!(half_width_us(SET_AT + 10) > 200e3);
    let (_, holdover_us) = live.known_at(arrivals[SET_AT + 10].device_s).expect("packets have come");
    assert!(holdover_us > 200e3);
}
