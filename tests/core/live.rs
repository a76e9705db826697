//! What the live estimate says holds, from the first packet on.

use tickseam::live::Live;

use crate::arrivals::Session;

#[test]
fn nothing_is_known_before_the_first_packet_and_little_but_the_truth_after_it() {
    for seed in 1..=10 {
        let session = Session::simulated("duration_s = 5\n", seed);
        let mut live = Live::new(session.setup);
        assert!(live.known_at(0.0).is_none());
        for (i, arrival) in session.arrivals.iter().enumerate() {
            live.observe(*arrival);
            let (knot, _) = live.known_at(arrival.device_s).expect("a packet has come");
            let truth = session.soonest_us(arrival.device_s);
            let half_width = knot.half_width_us();
            assert!(
                (knot.offset_us - truth).abs() <= half_width,
                "seed {seed}, packet {i}: {knot:?} {truth}"
            );
            assert!(
                knot.low_us <= truth && truth <= knot.high_us,
                "seed {seed}, packet {i}: {knot:?} {truth}"
            );
            if arrival.device_s < 1.0 {
                // A declared interval is not yet a grid that was seen: all the depth of the prior is possible.
                assert!(half_width > 90_000.0, "seed {seed}, packet {i}: {half_width} µs");
            }
        }
    }
}

#[test]
fn what_is_known_wears_off_with_age() {
    let session = Session::simulated("duration_s = 600\n", 1);
    let mut live = Live::new(session.setup);
    session.arrivals.iter().for_each(|a| live.observe(*a));
    let (mut before, mut holdover_before) = (0.0, 0.0);
    for minutes in 0..120 {
        let at_s = live.newest_s() + 60.0 * f64::from(minutes);
        let (knot, holdover_us) = live.known_at(at_s).expect("packets have come");
        assert!(
            knot.half_width_us() > before && holdover_us >= holdover_before,
            "after {minutes} min: {knot:?}"
        );
        assert!(holdover_us <= knot.half_width_us());
        (before, holdover_before) = (knot.half_width_us(), holdover_us);
    }
    // Two hours on, more than 10 ppm of rate and the wander have been possible.
    assert!(before > 7_200.0, "{before}");
}

#[test]
fn the_state_fits_a_microcontroller() {
    let octets = size_of::<Live>();
    eprintln!("{octets} octets");
    assert!(octets <= 8 * 1024);
}

#[test]
fn the_same_packets_give_the_same_bits() {
    let session = Session::simulated("duration_s = 300\n", 2);
    let run = || {
        let mut live = Live::new(session.setup);
        let mut bits = vec![];
        for (i, arrival) in session.arrivals.iter().enumerate() {
            live.observe(*arrival);
            if i % 50 == 0 {
                let (knot, holdover) = live.known_at(arrival.device_s + 0.5).expect("packets have come");
                bits.extend(
                    [knot.offset_us, knot.low_us, knot.high_us, knot.rate_ppm, holdover].map(f64::to_bits),
                );
            }
        }
        bits
    };
    let bits = run();
    assert_eq!(bits, run());
    assert!(bits.len() > 1_000);
}

#[test]
fn a_saved_state_goes_on_as_if_never_interrupted() {
    let session = Session::simulated("duration_s = 120\n", 3);
    let (first, second) = session.arrivals.split_at(session.arrivals.len() / 2);
    let mut whole = Live::new(session.setup);
    first.iter().for_each(|a| whole.observe(*a));
    let mut restored = whole.clone();
    second.iter().for_each(|a| whole.observe(*a));
    second.iter().for_each(|a| restored.observe(*a));
    assert_eq!(whole.known_at(119.0), restored.known_at(119.0));
    assert_eq!(format!("{whole:?}"), format!("{restored:?}"));
}

#[test]
fn the_interval_holds_the_truth_on_nearly_all_instants_of_the_usual_session() {
    let (mut instants, mut held, mut widths) = (0_u32, 0_u32, 0.0);
    for seed in 1..=10 {
        let session = Session::simulated("", seed);
        let mut live = Live::new(session.setup);
        let mut held_here = 0_u32;
        let (mut here, mut due_s) = (0_u32, 1.0);
        for arrival in &session.arrivals {
            live.observe(*arrival);
            if arrival.device_s >= due_s {
                due_s += 1.0;
                let (knot, _) = live.known_at(arrival.device_s).expect("packets have come");
                let off = (knot.offset_us - session.soonest_us(arrival.device_s)).abs();
                here += 1;
                held_here += u32::from(off <= knot.half_width_us());
                widths += knot.half_width_us();
            }
        }
        assert!(here > 1_790, "seed {seed}: {here} instants");
        (instants, held) = (instants + here, held + held_here);
        eprintln!("seed {seed}: {held_here} of {here}");
    }
    let mean_us = widths / f64::from(instants);
    eprintln!("{held} of {instants} instants, mean half-width {mean_us} µs");
    assert!(f64::from(held) >= 0.95 * f64::from(instants), "{held} of {instants}");
    // Not by being wide for ever: the grid is 15 ms, and shares 5 ms with the packets.
    assert!(mean_us < 7_500.0, "{mean_us}");
}
