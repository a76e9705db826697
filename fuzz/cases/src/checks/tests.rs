//! Every promise can be broken: a broken answer is handed to the check, which has to say so; the whole one passes.

use super::*;
use tickseam::frame::Frame;
use tickseam::intake::{Disposition, IntakeCounters, Resolved};
use tickseam::placement::Budget;

use crate::scene::{Scene, Step};
use crate::session::Watched;

const KNOT: Knot = Knot {
    at_s: 3.0,
    offset_us: 20.0,
    low_us: -5.0,
    high_us: 45.0,
    rate_ppm: 1.0,
    rate_low_ppm: -2.0,
    rate_high_ppm: 4.0,
    u_offset_us: 8.0,
    u_rate_ppm: 1.0,
    covariance: -0.5,
    contradicted: false,
    curvature_us: 1.0,
    lattice_us: 2.0,
};

#[test]
fn a_knot_outside_of_its_bounds_or_without_an_uncertainty_is_noticed() {
    known(&KNOT, 3.0).unwrap();
    for (broken, holdover_us) in [
        (Knot { offset_us: 46.0, ..KNOT }, 3.0),
        (Knot { offset_us: -6.0, ..KNOT }, 3.0),
        (Knot { low_us: 21.0, ..KNOT }, 3.0),
        (Knot { high_us: f64::INFINITY, ..KNOT }, 3.0),
        (Knot { low_us: 50.0, high_us: 40.0, offset_us: 45.0, ..KNOT }, 3.0),
        (Knot { rate_ppm: 5.0, ..KNOT }, 3.0),
        (Knot { covariance: f64::NAN, ..KNOT }, 3.0),
        (Knot { u_offset_us: f64::NAN, ..KNOT }, 3.0),
        (Knot { u_rate_ppm: -1e-9, ..KNOT }, 3.0),
        (Knot { lattice_us: -1.0, ..KNOT }, 3.0),
        (KNOT, -1.0),
        (KNOT, 26.0),
    ] {
        assert!(known(&broken, holdover_us).is_err(), "{broken:?} with {holdover_us}");
    }
}

fn sound_placement() -> Placement {
    let budget = Budget {
        link_us: 60.0,
        statistics_us: 10.0,
        lattice_us: 20.0,
        curvature_us: 30.0,
        holdover_us: 5.0,
        fixed_delay_us: 7.0,
        resolution_us: 0.5,
        latency_us: 9.0,
    };
    Placement { device_s: 12.5, u_us: 30.0, u95_us: budget.u95_at_edge_us(), budget }
}

#[test]
fn a_placement_whose_budget_does_not_add_up_is_noticed() {
    let sound = sound_placement();
    placement(&sound, true).unwrap();
    placement(&Placement { u95_us: sound.budget.u95_us(), ..sound }, false).unwrap();
    let with = |budget| Placement { budget, ..sound };
    for broken in [
        Placement { device_s: f64::INFINITY, ..sound },
        Placement { u_us: -1.0, ..sound },
        Placement { u95_us: f64::NAN, ..sound },
        Placement { u95_us: sound.u95_us * 0.999, ..sound },
        Placement { u95_us: sound.budget.u95_us(), ..sound },
        with(Budget { statistics_us: 11.0, ..sound.budget }),
        with(Budget { lattice_us: -20.0, statistics_us: 50.0, ..sound.budget }),
        with(Budget { holdover_us: 6.0, ..sound.budget }),
        with(Budget { latency_us: f64::INFINITY, ..sound.budget }),
    ] {
        assert!(placement(&broken, true).is_err(), "{broken:?}");
    }
    assert!(placement(&sound, false).is_err(), "a replay's interval is not that of the bounds");
}

const MAP: ClockMap = ClockMap {
    frame: Frame { device_origin: 40, counts_per_s: 32_768.0, host_origin_ns: 7_000_000_000 },
    at_s: 60.0,
    offset_us: 1_500.0,
    rate_ppm: 25.0,
    u_offset_us: 40.0,
    u_rate_ppm: 0.2,
    covariance: -5.0,
    half_width_us: 120.0,
    growth_ppm: 0.6,
    curvature_ppm_per_s: 2e-3,
    valid_from_s: 0.0,
    valid_to_s: 120.0,
};

#[test]
fn a_map_that_is_none_is_noticed() {
    map(&MAP).unwrap();
    map(&ClockMap { rate_ppm: -40_000.0, ..MAP }).unwrap();
    for broken in [
        ClockMap { offset_us: f64::NAN, ..MAP },
        ClockMap { rate_ppm: f64::INFINITY, ..MAP },
        ClockMap { u_offset_us: -1.0, ..MAP },
        ClockMap { half_width_us: f64::INFINITY, ..MAP },
        ClockMap { curvature_ppm_per_s: -1.0, ..MAP },
        ClockMap { valid_from_s: 121.0, ..MAP },
        ClockMap { frame: Frame { counts_per_s: 0.0, ..MAP.frame }, ..MAP },
        ClockMap { frame: Frame { counts_per_s: f64::NAN, ..MAP.frame }, ..MAP },
    ] {
        assert!(map(&broken).is_err(), "{broken:?}");
    }
}

#[test]
fn an_instant_without_an_uncertainty_is_noticed() {
    let instant = |u_us, u95_us| HostInstant { host_ns: 5, u_us, u95_us };
    host_instant(60.0, &instant(1.0, 2.0)).unwrap();
    host_instant(1e200, &instant(f64::INFINITY, f64::INFINITY)).unwrap();
    for (at_s, broken) in [
        (60.0, instant(-1.0, 2.0)),
        (60.0, instant(1.0, f64::INFINITY)),
        (1e200, instant(f64::NAN, 2.0)),
        (1e200, instant(1.0, -2.0)),
    ] {
        assert!(host_instant(at_s, &broken).is_err(), "{broken:?} at {at_s} s");
    }
}

#[test]
fn the_bound_of_the_way_there_and_back_is_no_wider_than_it_has_to_be() {
    // Usual drifts for a day: a few nanoseconds.
    let bound_s = round_trip_s(86_400.0, 86_402.0);
    assert!(bound_s < 2.5e-9, "{bound_s}");
    // A way back that is off by a tenth of a microsecond is not within it.
    assert!(1e-7 > bound_s);
}

#[test]
fn counters_that_do_not_add_up_are_noticed() {
    let calls = Calls { packets: 9, exchanges: (3, 2), markers: (2, 2) };
    let sound = SessionCounters {
        intake: IntakeCounters { in_order: 6, duplicate: 2, too_old: 1, ..IntakeCounters::default() },
        exchanges_used: 2,
        exchanges_refused: 1,
        markers_used: 2,
        ..SessionCounters::default()
    };
    counters(&sound, &calls).unwrap();
    for broken in [
        SessionCounters { intake: IntakeCounters { in_order: 7, ..sound.intake }, ..sound },
        SessionCounters { intake: IntakeCounters { too_old: 0, ..sound.intake }, ..sound },
        SessionCounters { exchanges_used: 3, exchanges_refused: 0, ..sound },
        SessionCounters { exchanges_refused: 0, ..sound },
        SessionCounters { markers_used: 1, markers_refused: 1, ..sound },
        SessionCounters { markers_refused: 1, ..sound },
        SessionCounters { wild: 10, ..sound },
    ] {
        assert!(counters(&broken, &calls).is_err(), "{broken:?}");
    }
}

#[test]
fn a_position_that_does_not_show_its_stamp_is_noticed() {
    let stamp = PacketStamp { host_ns: 0, sequence: 7, tick: Some(9), samples: 5 };
    let at = |index, device| Intaken {
        disposition: Disposition::InOrder,
        resolved: Some(Resolved { segment: 0, index, device, clock: CountClock::Ticks }),
    };
    answer(&at(7, 9), &stamp, 8, Some(16)).unwrap();
    answer(&at(7 - 512, 9 - 65_536), &stamp, 8, Some(16)).unwrap();
    assert!(answer(&at(8, 9), &stamp, 8, Some(16)).is_err());
    assert!(answer(&at(7, 10), &stamp, 8, Some(16)).is_err());
    assert!(answer(&at(7 + 256, 9), &stamp, 64, Some(64)).is_err());
}

#[test]
fn gaps_that_touch_or_are_more_than_is_missing_are_noticed() {
    let gap = |first_index, count| Gap { first_index, count };
    gaps(&[gap(-4, 2), gap(7, 3)], 5).unwrap();
    for (broken, missing) in [
        (vec![gap(-4, 2), gap(7, 3)], 4),
        (vec![gap(7, 3), gap(-4, 2)], 5),
        (vec![gap(1, 2), gap(3, 1)], 5),
        (vec![gap(1, 2), gap(2, 2)], 5),
        (vec![gap(1, 0)], 5),
    ] {
        assert!(gaps(&broken, missing).is_err(), "{broken:?} of {missing}");
    }
}

#[test]
fn a_fault_that_does_not_name_its_file_and_line_is_noticed() {
    let sound = Malformed {
        file: "packets.csv".to_owned(),
        line: 17,
        place: Place::Column { name: "tick".to_owned(), number: 4 },
        found: "\"x\"".to_owned(),
        expected: "a whole number".to_owned(),
    };
    let check = |fault: &Malformed, lines| malformed(fault, "packets.csv", lines);
    check(&sound, Some(17)).unwrap();
    for broken in [
        Malformed { file: "events.csv".to_owned(), ..sound.clone() },
        Malformed { line: 0, ..sound.clone() },
        Malformed { line: 18, ..sound.clone() },
        // Its words leave the line out.
        Malformed { place: Place::File, ..sound.clone() },
        Malformed { found: String::new(), ..sound.clone() },
        Malformed { found: "x".repeat(5_000), ..sound.clone() },
    ] {
        assert!(check(&broken, Some(17)).is_err(), "{broken}");
    }
    let row = Malformed { place: Place::Cell { column: "tick".to_owned() }, ..sound };
    check(&row, None).unwrap();
    assert!(check(&Malformed { line: 0, ..row.clone() }, None).is_err());
    assert!(check(&Malformed { place: Place::File, ..row.clone() }, None).is_err());
    // A fault in a file that nobody wrote, and an error that is none of the content's.
    let other = [Written::text("events.csv", b"\n")];
    assert!(read_error(&ReadError::Malformed(row), &other).is_err());
    let absent = ReadError::Absent { path: "x".into(), found: "nothing", expected: "a file" };
    assert!(read_error(&absent, &other).is_err());
}

#[test]
fn lines_are_counted_with_the_one_behind_the_last_line_end() {
    for (text, lines) in [("", 1), ("a", 1), ("a\n", 2), ("a\r\nb", 2)] {
        assert_eq!(Written::text("events.csv", text.as_bytes()).lines, Some(lines), "{text:?}");
    }
}

/// Runs of packets with all else as usual.
fn scene() -> Scene {
    Scene::of(&[0, 0, 255, 0, 255, 19, 0, 200, 17, 3, 0, 0, 0, 0, 19])
}

#[test]
fn one_bit_of_a_difference_between_two_answers_is_noticed() {
    same("numbers", &[1.0, -0.0], &[1.0, -0.0]).unwrap();
    assert!(same("numbers", &1.0, &1.0_f64.next_up()).is_err());
    assert!(same("numbers", &0.0, &-0.0).is_err());
    equal("counts", &7, &7).unwrap();
    assert!(equal("counts", &7, &8).is_err());
}

#[test]
fn a_session_that_heard_one_packet_less_is_told_from_one_that_heard_all() {
    let scene = scene();
    let mut all = Watched::begun(&scene.known).unwrap();
    let mut less = all.clone();
    assert!(scene.steps.len() > 500, "{} steps", scene.steps.len());
    for (place, step) in scene.steps.iter().enumerate() {
        let _ = all.take(&scene.known, step).unwrap();
        if place != 300 {
            let _ = less.take(&scene.known, step).unwrap();
        }
        less.newest_ns = all.newest_ns;
    }
    assert!(same("all answers", &all.all().unwrap(), &less.all().unwrap()).is_err());
    // What was refused is not heard of, and a copy hears the same.
    let refused =
        Step::Packet(9, PacketStamp { host_ns: all.newest_ns, sequence: 0, tick: None, samples: 5 });
    let copy = all.clone();
    let answer = all.take(&scene.known, &refused).unwrap();
    assert!(answer.is_refusal());
    same("all answers", &all.all().unwrap(), &copy.all().unwrap()).unwrap();
}

#[test]
fn a_call_that_is_not_counted_is_noticed() {
    let scene = scene();
    let mut watched = Watched::begun(&scene.known).unwrap();
    watched.calls.packets += 1;
    assert!(scene.steps.iter().any(|step| watched.take(&scene.known, step).is_err()));
}
