#![expect(
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::cast_precision_loss,
    reason = "a test stops at the first surprise"
)]
extern crate std;

use super::*;
use crate::intake::Disposition;
use crate::live::Live;
use std::format;
use std::string::ToString;

const STREAM: StreamConfig = StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 16 };
const TICKS: TickCounter = TickCounter { hz: 32_768.0, bits: 32 };
const DELAY: Shift = Shift { us: 18_000.0, u_us: 200.0 };
const CONFIG: SessionConfig<'static> = SessionConfig {
    ticks: Some(TICKS),
    tolerance_ppm: 50.0,
    host_step_us: 0.001,
    fixed_delay: Some(DELAY),
    interval_us: None,
    streams: &[STREAM],
};
const HOST_0: i64 = 7_000_000_000;

/// Packet `n` of a headset whose clock began at host time `HOST_0` and agrees with the host's: sent on a grid of 15 ms.
fn packet(n: i64) -> PacketStamp {
    let host_ns = HOST_0 + (n * 20 + 18 + (14 - n * 20 % 15)) * 1_000_000;
    PacketStamp {
        host_ns,
        sequence: (n % 65_536).cast_unsigned(),
        tick: u64::try_from(n * 32_768 / 50).ok(),
        samples: 5,
    }
}

fn session(config: &SessionConfig<'_>) -> Session<4> {
    Session::new(config).unwrap()
}

fn fed(config: &SessionConfig<'_>, packets: core::ops::Range<i64>) -> Session<4> {
    let mut session = session(config);
    for n in packets {
        let _ = session.observe_packet(0, packet(n));
    }
    session
}

#[test]
fn an_event_is_placed_within_its_interval_and_back_again() {
    let session = fed(&CONFIG, 0..1_000);
    assert_eq!((session.knowledge(), session.segment()), (Knowledge::Tracking, 0));
    let placed = session.place(HOST_0 + 15_000_000_000, Shift::default()).unwrap();
    assert!(!placed.excludes_fixed_delay);
    let (at_s, u95_us) = (placed.placement.device_s, placed.placement.u95_us);
    assert!((at_s - 15.0).abs() * 1e6 < u95_us && u95_us < 10_000.0, "{placed:?}");
    let back = session.host_at(at_s).unwrap();
    assert!((back.host_ns - HOST_0 - 15_000_000_000).abs() < 1_000, "{back:?}");
    assert!((back.u95_us - u95_us).abs() < 1.0, "{back:?} {u95_us}");
    let by_map = session.map().unwrap().device_at(HOST_0 + 19_000_000_000);
    let direct = session.place(HOST_0 + 19_000_000_000, Shift::default()).unwrap().placement;
    assert!((by_map.device_s - direct.device_s).abs() < 1e-4, "{by_map:?} {direct:?}");
    let late = session.place(HOST_0 + 15_000_000_000, Shift { us: 2_000.0, u_us: 0.0 }).unwrap();
    assert!((late.placement.device_s - at_s - 0.002).abs() < 1e-6);
}

#[test]
fn the_session_says_what_its_parts_say_bit_for_bit() {
    let mut intake = Intake::<1>::new(
        DeviceClock { tick_hz: TICKS.hz, tick_bits: TICKS.bits, tolerance_ppm: 50.0 + HOST_TOLERANCE_PPM },
        &[STREAM],
    )
    .unwrap();
    let setup =
        Setup { fixed_delay: Some(DELAY), resolution_us: 0.001 + 1e6 / TICKS.hz, ..Setup::new(50.0, 0.02) };
    let (mut live, mut frame) = (Live::new(setup), None);
    for n in 0..2_000 {
        let at = intake.observe(0, packet(n)).resolved.unwrap();
        let host_ns = packet(n).host_ns;
        let origin = Frame { device_origin: at.device, counts_per_s: TICKS.hz, host_origin_ns: host_ns };
        live.observe(frame.get_or_insert(origin).arrival(at.device, host_ns));
    }
    let frame = frame.unwrap();
    let placing = Placing {
        frame,
        fixed_delay: DELAY,
        resolution_us: 0.001,
        curvature_ppm_per_s: crate::filter::WIDEST_CURVATURE,
    };
    let session = fed(&CONFIG, 0..2_000);
    for at_ns in [0, 12_345_678_901, 39_000_000_000, 50_000_000_000] {
        let host_ns = HOST_0 + at_ns;
        let by_parts =
            placing.place(host_ns, Shift::default(), |at_s| live.known_at(at_s).unwrap_or_default());
        let placed = session.place(host_ns, Shift::default()).unwrap().placement;
        let onset_s = by_parts.device_s - 0.5e6 / TICKS.hz * 1e-6;
        assert_eq!(placed.device_s.to_bits(), onset_s.to_bits());
        assert_eq!(placed.budget.link_us.to_bits(), by_parts.budget.link_us.to_bits());
        assert_eq!(placed.budget.holdover_us.to_bits(), by_parts.budget.holdover_us.to_bits());
    }
}

#[test]
fn without_ticks_samples_are_the_clock() {
    let config = SessionConfig { ticks: None, ..CONFIG };
    let mut session = fed(&config, 0..1_000);
    let placed = session.place(HOST_0 + 15_000_000_000, Shift::default()).unwrap().placement;
    assert!((placed.device_s - 15.0).abs() * 1e6 < placed.u95_us, "{placed:?}");
    assert_eq!(session.map().unwrap().frame.counts_per_s, 250.0);
    assert_eq!(session.observe_marker(HOST_0 + 15_000_000_000, 5), Sighted::NoTicks);
    assert_eq!(session.observe_exchange(0, 0, 0, 0), Sighted::NoTicks);
    let counters = session.counters();
    assert_eq!((counters.markers_refused, counters.exchanges_refused), (1, 1));
}

#[test]
fn nothing_is_placed_before_the_first_packet() {
    let mut session = session(&CONFIG);
    assert_eq!(session.place(HOST_0, Shift::default()), None);
    assert_eq!((session.host_at(0.0), session.map(), session.timeline_segment()), (None, None, None));
    assert_eq!(
        (session.knowledge(), session.newest_s(), session.link()),
        (Knowledge::Nothing, None, Link::default())
    );
    assert_eq!(session.observe_marker(HOST_0, 0), Sighted::TooEarly);
    let _ = session.observe_packet(0, packet(0));
    assert_eq!(session.knowledge(), Knowledge::Nothing, "one stamp alone may be nonsense");
    let _ = session.observe_packet(0, packet(1));
    assert_eq!(session.knowledge(), Knowledge::Cold);
    assert!(session.place(HOST_0, Shift::default()).unwrap().placement.u95_us > 50_000.0);
}

#[test]
fn a_restart_begins_a_timeline_and_events_before_it_stay_on_the_old_one() {
    let mut session = fed(&CONFIG, 0..1_000);
    let restarted = |n: i64| PacketStamp { host_ns: packet(n + 1_250).host_ns, ..packet(n) };
    for n in 0..500 {
        let _ = session.observe_packet(0, restarted(n));
    }
    assert_eq!((session.segment(), session.timeline_segment()), (1, Some(1)));
    assert_eq!(
        session.counters().settling.settled_later,
        1,
        "the first packet after the restart was settled by the second"
    );
    let after = session.place(HOST_0 + 30_000_000_000, Shift::default()).unwrap();
    assert_eq!(after.segment, 1);
    assert!((after.placement.device_s - 5.0).abs() * 1e6 < after.placement.u95_us, "{after:?}");
    let before = session.place(HOST_0 + 15_000_000_000, Shift::default()).unwrap();
    assert_eq!(before.segment, 0);
    assert!((before.placement.device_s - 15.0).abs() * 1e6 < before.placement.u95_us, "{before:?}");
}

#[test]
fn packets_that_settle_later_close_gaps_and_feed_the_clock() {
    // Eight bits turn in 5.12 s: after 7 s of silence several numbers of turns fit, until delivery has settled.
    let stream = StreamConfig { sequence_bits: 8, ..STREAM };
    let config = SessionConfig { ticks: None, streams: &[stream], ..CONFIG };
    let stamp = |n: i64| PacketStamp { sequence: (n % 256).cast_unsigned(), tick: None, ..packet(n) };
    let mut session = session(&config);
    for n in (0..500).chain(850..1_100) {
        let _ = session.observe_packet(0, stamp(n));
    }
    let counters = session.counters();
    assert!(counters.intake.ambiguous > 50, "{counters:?}");
    assert_eq!(counters.settling.settled_later, counters.intake.ambiguous);
    assert_eq!((counters.settling.forgotten, counters.settling.never_settled, session.segment()), (0, 0, 0));
    assert_eq!(session.next_gap(0, i64::MIN), Some(Gap { first_index: 500, count: 350 }));
    assert_eq!(session.next_gap(0, 850), None);
    assert_eq!((session.missing_packets(0), session.missing_packets(1)), (Some(350), None));
    assert_eq!((session.gaps(0), session.gaps(1)), (Some((0, 1)), None));
}

#[test]
fn gaps_are_listed_one_after_the_other_and_late_packets_close_them() {
    let mut session = session(&CONFIG);
    for n in (0..10).chain(12..20).chain(21..30) {
        let _ = session.observe_packet(0, packet(n));
    }
    let first = session.next_gap(0, i64::MIN).unwrap();
    let second = session.next_gap(0, first.last_index() + 1).unwrap();
    assert_eq!((first, second), (Gap { first_index: 10, count: 2 }, Gap { first_index: 20, count: 1 }));
    assert_eq!(session.next_gap(0, second.last_index() + 1), None);
    let _ = session.observe_packet(0, packet(20));
    assert_eq!(session.next_gap(0, 12), None);
    assert_eq!((session.missing_packets(0), session.gaps(0)), (Some(2), Some((0, 1))));
    assert_eq!((session.samples_per_packet(0), session.samples_per_packet(1)), (Some(5), None));
    assert_eq!(session.rate_hz(), 250.0);
}

#[test]
fn exchanges_and_markers_bound_the_clock_and_nonsense_is_refused() {
    let config = SessionConfig { fixed_delay: None, ..CONFIG };
    let mut session = fed(&config, 0..1_000);
    let at = |ms: i64| HOST_0 + ms * 1_000_000;
    let tick = |ms: i64| (ms * 32_768 / 1_000).cast_unsigned();
    assert!(session.place(at(15_000), Shift::default()).unwrap().excludes_fixed_delay);
    assert_eq!(session.observe_exchange(at(19_990), tick(19_995), tick(19_996), at(20_001)), Sighted::Used);
    let placed = session.place(at(20_000), Shift::default()).unwrap();
    assert!(!placed.excludes_fixed_delay && session.link().rests_on_pairs);
    assert!((placed.placement.device_s - 20.0).abs() * 1e6 < placed.placement.u95_us);
    assert!(placed.placement.u95_us < 12_000.0, "{placed:?}");
    assert_eq!(session.observe_marker(at(20_010), tick(20_010)), Sighted::Used);
    assert!(session.place(at(20_000), Shift::default()).unwrap().placement.u95_us < 5_000.0);
    assert_eq!(session.observe_marker(at(20_010), tick(25_010)), Sighted::FarOff);
    assert_eq!(session.observe_marker(at(20_010), u64::MAX), Sighted::FarOff);
    assert_eq!(
        session.observe_exchange(at(20_001), tick(19_995), tick(19_996), at(19_990)),
        Sighted::Backwards
    );
    assert_eq!(
        session.observe_exchange(at(19_990), tick(19_996), tick(19_995), at(20_001)),
        Sighted::Backwards
    );
    for (receive, transmit) in [(tick(25_010), tick(25_011)), (tick(19_995), u64::MAX)] {
        assert_eq!(session.observe_exchange(at(19_990), receive, transmit, at(20_001)), Sighted::FarOff);
    }
    let counters = session.counters();
    assert_eq!((counters.exchanges_used, counters.exchanges_refused), (1, 4));
    assert_eq!((counters.markers_used, counters.markers_refused), (1, 2));
}

#[test]
fn a_refused_packet_changes_nothing_but_its_counter() {
    let mut session = fed(&CONFIG, 0..300);
    let mut before = session.clone();
    let bad = [
        (4, packet(300)),
        (0, PacketStamp { sequence: 65_536, ..packet(300) }),
        (0, PacketStamp { tick: Some(1 << 32), ..packet(300) }),
        (0, PacketStamp { samples: 0, ..packet(300) }),
        (0, PacketStamp { host_ns: i64::MIN, ..packet(300) }),
    ];
    for (stream, stamp) in bad {
        assert!(matches!(session.observe_packet(stream, stamp).disposition, Disposition::Rejected(_)));
    }
    let calls = |session: &Session<4>| session.counters().intake.calls();
    assert_eq!(calls(&session), calls(&before) + 5);
    for n in 300..600 {
        assert_eq!(session.observe_packet(0, packet(n)), before.observe_packet(0, packet(n)));
    }
    assert_eq!(format!("{:?}", session.running), format!("{:?}", before.running));
}

#[test]
fn a_lone_wild_stamp_is_counted_and_does_not_move_the_clock() {
    let mut session = fed(&CONFIG, 0..500);
    let wild = PacketStamp { host_ns: packet(500).host_ns - 60_000_000_000, ..packet(500) };
    let _ = session.observe_packet(0, wild);
    for n in 501..1_000 {
        let _ = session.observe_packet(0, packet(n));
    }
    assert_eq!(session.counters().wild, 1);
    let placed = session.place(HOST_0 + 15_000_000_000, Shift::default()).unwrap().placement;
    assert!((placed.device_s - 15.0).abs() * 1e6 < placed.u95_us);
}

#[test]
fn a_configuration_that_cannot_be_is_refused() {
    let error = |config: SessionConfig<'_>| {
        let error = Session::<1>::new(&config).unwrap_err();
        // What cannot be, and NaN equals nothing: the words are compared.
        assert_eq!(Session::<1>::check(&config).unwrap_err().to_string(), error.to_string());
        error
    };
    assert_eq!(Session::<1>::check(&CONFIG), Ok(()));
    assert_eq!(error(SessionConfig { streams: &[], ..CONFIG }), SessionConfigError::NoStream);
    assert!(matches!(
        error(SessionConfig { streams: &[STREAM; 2], ..CONFIG }),
        SessionConfigError::Intake(_)
    ));
    for wrong in [f64::NAN, f64::INFINITY, -1.0, 1e9] {
        assert_eq!(error(SessionConfig { host_step_us: wrong, ..CONFIG }), SessionConfigError::HostStep);
        assert_eq!(error(SessionConfig { interval_us: Some(wrong), ..CONFIG }), SessionConfigError::Interval);
        assert!(matches!(
            error(SessionConfig { tolerance_ppm: wrong, ..CONFIG }),
            SessionConfigError::Intake(_)
        ));
    }
    for wrong in [(f64::NAN, 0.0), (f64::INFINITY, 0.0), (0.0, -1.0), (0.0, f64::NAN)] {
        let delay = Shift { us: wrong.0, u_us: wrong.1 };
        assert_eq!(
            error(SessionConfig { fixed_delay: Some(delay), ..CONFIG }),
            SessionConfigError::FixedDelay
        );
        assert_eq!(fed(&CONFIG, 0..10).place(HOST_0, delay), None);
    }
}

#[test]
fn a_refused_configuration_says_what_is_wrong_with_it() {
    let words = |config: SessionConfig<'_>| Session::<1>::new(&config).unwrap_err().to_string();
    assert!(words(SessionConfig { streams: &[], ..CONFIG }).contains("at least one stream"));
    assert!(words(SessionConfig { host_step_us: -1.0, ..CONFIG }).contains("0 to 1e6 µs"));
    assert!(words(SessionConfig { interval_us: Some(99.0), ..CONFIG }).contains("100 µs to 10 s"));
    let delay = Shift { us: 0.0, u_us: -1.0 };
    assert!(words(SessionConfig { fixed_delay: Some(delay), ..CONFIG }).contains("fixed delay"));
    let narrow = [StreamConfig { sequence_bits: 1, ..STREAM }];
    let narrow = words(SessionConfig { streams: &narrow, ..CONFIG });
    assert!(narrow.contains("stream 0") && narrow.contains("2 to 64 bits, not 1"), "{narrow}");
}

#[test]
fn another_stream_tells_which_delivery_a_packet_came_in() {
    let two = SessionConfig { streams: &[STREAM; 2], ..CONFIG };
    let mut session = session(&two);
    for n in 0..1_000 {
        let other = PacketStamp { host_ns: packet(n).host_ns - 1_500_000, ..packet(n) };
        let _ = session.observe_packet(1, other);
        let _ = session.observe_packet(0, packet(n));
    }
    let alone = fed(&CONFIG, 0..1_000);
    let placed =
        |session: &Session<4>| session.place(HOST_0 + 15_000_000_000, Shift::default()).unwrap().placement;
    assert!((placed(&session).device_s - 15.0).abs() * 1e6 < placed(&session).u95_us);
    // Packets that follow another stream's do not tell when the link sends, and the clock is known less closely.
    assert!(placed(&session).u95_us > placed(&alone).u95_us, "{:?} {:?}", placed(&session), placed(&alone));
}

/// Two minutes and a half of a headset whose packets and events are stamped by a host clock that shows `host` at real time, both ns since
/// the start; packets that come while it sleeps wait until `awake_at`, and there are no events then. Each event is asked for a second after it and
/// once more in the end, and has to be held both times. Returns the session and, for each event, real time, s, and half-width, µs.
fn held_by_a_host(
    host: impl Fn(i64) -> i64,
    awake_at: impl Fn(i64) -> i64,
) -> (Session<4>, std::vec::Vec<(f64, f64)>) {
    const EVENT_NS: i64 = 130_000_000;
    let mut session = session(&CONFIG);
    let held = |session: &Session<4>, at_ns: i64| {
        let placed = session.place(HOST_0 + host(at_ns), Shift::default()).unwrap().placement;
        let at_s = at_ns as f64 / 1e9;
        assert!((placed.device_s - at_s).abs() * 1e6 <= placed.u95_us, "at {at_s} s: {placed:?}");
        (at_s, placed.u95_us)
    };
    let (mut asked, mut events) = (0, std::vec::Vec::new());
    for n in 0..7_500 {
        let stamp = packet(n);
        let came_ns = awake_at(stamp.host_ns - HOST_0);
        let _ = session.observe_packet(0, PacketStamp { host_ns: HOST_0 + host(came_ns), ..stamp });
        while asked + 1_000_000_000 < came_ns {
            if awake_at(asked) == asked && asked >= EVENT_NS {
                let _ = held(&session, asked);
                events.push(asked);
            }
            asked += EVENT_NS;
        }
    }
    let events = events.iter().map(|&at_ns| held(&session, at_ns)).collect();
    (session, events)
}

const S: i64 = 1_000_000_000;

/// A clock that is set by so much, ns, at each of some real times, s.
fn set(steps: &[(i64, i64)]) -> impl Fn(i64) -> i64 {
    move |at_ns| {
        let by = steps.iter().filter(|(at_s, _)| at_ns >= at_s * S).map(|(_, by_ns)| by_ns);
        at_ns + by.sum::<i64>()
    }
}

/// Events at least so far from some moments, s, are placed as sharply as ever.
fn sharp_away_from(moments_s: &[f64], reach_s: f64, events: &[(f64, f64)]) {
    let away = |at_s: f64| moments_s.iter().all(|moment_s| (at_s - moment_s).abs() > reach_s);
    let sharp = events.iter().filter(|(at_s, _)| *at_s > 5.0 && away(*at_s));
    let widest = sharp.map(|(_, u95_us)| *u95_us).fold(0.0, f64::max);
    assert!(widest < 25_000.0, "{widest} µs");
}

#[test]
fn a_host_clock_that_is_set_back_leaves_each_event_to_the_clock_that_stamped_it() {
    for back_ns in [60_000_000, 300_000_000, 3 * S, 3_600 * S] {
        let (_, events) = held_by_a_host(set(&[(60, -back_ns)]), |at_ns| at_ns);
        sharp_away_from(&[60.0], back_ns as f64 / 1e9 + 0.8, &events);
    }
}

#[test]
fn a_host_clock_that_is_set_forward_is_known_before_and_after() {
    for forward_ns in [60_000_000, 300_000_000, 3 * S, 3_600 * S] {
        let (session, events) = held_by_a_host(set(&[(60, forward_ns)]), |at_ns| at_ns);
        sharp_away_from(&[60.0], 0.8, &events);
        let map = session.map().unwrap();
        assert!(map.valid_from_s > 59.9 && map.valid_from_s < 60.5, "{map:?}");
    }
}

#[test]
fn a_host_clock_that_is_set_and_set_back_again_leaves_three_clocks() {
    for by_ns in [300_000_000, 3 * S] {
        let (_, events) = held_by_a_host(set(&[(50, by_ns), (90, -by_ns)]), |at_ns| at_ns);
        sharp_away_from(&[50.0, 90.0], by_ns as f64 / 1e9 + 0.8, &events);
        let (_, events) = held_by_a_host(set(&[(50, -by_ns), (90, by_ns)]), |at_ns| at_ns);
        sharp_away_from(&[50.0, 90.0], by_ns as f64 / 1e9 + 0.8, &events);
    }
}

#[test]
fn a_host_that_slept_leaves_each_event_to_the_clock_that_stamped_it() {
    let stopped = |at_ns: i64| at_ns - (at_ns - 60 * S).clamp(0, 30 * S);
    let awake_at = |at_ns: i64| if (60 * S..90 * S).contains(&at_ns) { 90 * S } else { at_ns };
    let (session, events) = held_by_a_host(stopped, awake_at);
    assert_eq!(session.segment(), 0);
    sharp_away_from(&[60.0, 90.0], 0.8, &events);
    // Near it nobody knows on which side an event fell.
    assert!(events.iter().any(|(_, u95_us)| *u95_us > 10e6));
}

#[test]
fn a_budget_adds_up_where_two_clocks_may_have_stamped_an_event() {
    let host = set(&[(60, -3 * S)]);
    let (session, _) = held_by_a_host(&host, |at_ns| at_ns);
    let placed = session.place(HOST_0 + host(60 * S), Shift { us: 0.0, u_us: 50.0 }).unwrap().placement;
    let budget = placed.budget;
    assert!(placed.u95_us > 1.4e6 && budget.holdover_us > 1.4e6, "{placed:?}");
    assert_eq!(placed.u95_us.to_bits(), budget.u95_at_edge_us().to_bits());
    assert!((budget.statistics_us + budget.lattice_us + budget.curvature_us - budget.link_us).abs() < 1e-6);
    assert!(placed.u_us > 1.4e6 && placed.u_us <= placed.u95_us, "{placed:?}");
}

#[test]
fn the_way_back_goes_by_the_clock_that_the_host_had() {
    let host = set(&[(60, 3 * S)]);
    let (session, _) = held_by_a_host(&host, |at_ns| at_ns);
    for at_s in [20, 55, 65, 120] {
        let back = session.host_at(at_s as f64).unwrap();
        let off_ns = (back.host_ns - HOST_0 - host(at_s * S)).abs();
        assert!(off_ns as f64 / 1e3 <= back.u95_us && back.u95_us < 25_000.0, "{at_s} s: {back:?}");
    }
    let between = session.host_at(60.0).unwrap();
    assert!(between.u95_us > 1.4e6, "{between:?}");
}

#[test]
fn a_clock_that_was_set_too_often_since_is_not_guessed() {
    let host = set(&[(30, 3 * S), (55, 3 * S), (80, 3 * S), (105, 3 * S)]);
    let mut session = session(&CONFIG);
    for n in 0..7_500 {
        let stamp = packet(n);
        let host_ns = HOST_0 + host(stamp.host_ns - HOST_0);
        let _ = session.observe_packet(0, PacketStamp { host_ns, ..stamp });
    }
    let place = |at_s: i64| session.place(HOST_0 + host(at_s * S), Shift::default());
    assert_eq!(place(10), None);
    for at_s in [40, 65, 90, 115] {
        let placed = place(at_s).unwrap().placement;
        assert!((placed.device_s - at_s as f64).abs() * 1e6 <= placed.u95_us, "{placed:?}");
    }
}

#[test]
fn a_segment_that_ended_remembers_that_the_host_clock_was_set_in_it() {
    let host = set(&[(40, -3 * S)]);
    let mut session = session(&CONFIG);
    for n in (0..4_000).chain(4_250..6_000) {
        let own = if n < 4_000 { n } else { n - 4_250 };
        let host_ns = HOST_0 + host(packet(n).host_ns - HOST_0);
        let _ = session.observe_packet(0, PacketStamp { host_ns, ..packet(own) });
    }
    assert_eq!(session.timeline_segment(), Some(1));
    for at_s in [20, 30, 50, 70] {
        let placed = session.place(HOST_0 + host(at_s * S), Shift::default()).unwrap();
        let off_s = placed.placement.device_s - at_s as f64;
        assert!(placed.segment == 0 && off_s.abs() * 1e6 <= placed.placement.u95_us, "{placed:?}");
        assert!(placed.placement.u95_us < 25_000.0, "{placed:?}");
    }
}

#[test]
fn exchanges_and_markers_of_a_clock_that_was_set_since_are_refused() {
    let host = set(&[(60, -3 * S)]);
    let (mut session, _) = held_by_a_host(&host, |at_ns| at_ns);
    let tick = |at_s: i64| (at_s * 32_768).cast_unsigned();
    for at_s in [30, 61] {
        assert_eq!(session.observe_marker(HOST_0 + host(at_s * S), tick(at_s)), Sighted::FarOff);
    }
    assert_eq!(session.observe_marker(HOST_0 + host(140 * S), tick(140)), Sighted::Used);
}

#[test]
fn the_uncertainty_of_a_place_is_the_root_of_its_parts_rounding_among_them() {
    let ticks = Some(TickCounter { hz: 1_000.0, bits: 32 });
    let (ground, _) = Ground::new(&SessionConfig { ticks, host_step_us: 600.0, ..CONFIG }).unwrap();
    let knot = Knot { u_offset_us: 300.0, ..Knot::default() };
    let frame = Frame { device_origin: 0, counts_per_s: 1_000.0, host_origin_ns: HOST_0 };
    let (delay, latency) = (Shift { us: 0.0, u_us: 200.0 }, Shift { us: 0.0, u_us: 100.0 });
    let placed = ground.place((0, frame), Some(delay), HOST_0 + S, latency, |_| (knot, 0.0)).placement;
    // Half a step and half a tick, 300 and 500 µs either way, count as evenly spread (GUM 4.3.7).
    let want_us =
        (300.0_f64.powi(2) + 200.0_f64.powi(2) + 100.0_f64.powi(2) + 800.0_f64.powi(2) / 3.0).sqrt();
    assert!((placed.u_us - want_us).abs() < 1e-6, "{placed:?}");
    assert!((placed.budget.resolution_us - 800.0).abs() < 1e-9, "{placed:?}");
}

#[test]
fn packets_each_20_ms_visit_phases_of_a_15_ms_grid_that_lie_5_ms_apart() {
    let link = fed(&CONFIG, 0..2_000).link();
    assert!(link.interval_us.is_some_and(|us| (us - 15_000.0).abs() < 1.0), "{link:?}");
    assert!((link.beat_us - 5_000.0).abs() < 50.0, "{link:?}");
}

#[test]
fn the_instant_of_either_of_two_clocks_reaches_over_both_intervals() {
    let one = HostInstant { host_ns: 0, u_us: 10.0, u95_us: 20.0 };
    // 100 µs later and 30 µs either way: both together reach from −20 to 130 µs.
    let other = HostInstant { host_ns: 100_000, u_us: 5.0, u95_us: 30.0 };
    for both in [either(&one, &other), either(&other, &one)] {
        assert_eq!((both.host_ns, both.u95_us), (55_000, 75.0));
        // The greater of both, and half of what lies between them: 10² + 50².
        assert!((both.u_us * both.u_us - 2_600.0).abs() < 1e-9, "{both:?}");
    }
    // One that lies within the other changes nothing of its interval.
    let wide = HostInstant { host_ns: 40_000, u_us: 60.0, u95_us: 200.0 };
    for both in [either(&one, &wide), either(&wide, &one)] {
        assert_eq!((both.host_ns, both.u95_us), (40_000, 200.0));
    }
}

#[test]
fn packets_of_other_lengths_are_late_by_their_samples_not_by_the_clock() {
    // Packets of 4, 5 and 6 samples, each sent when its last one is there and stamped 2 ms later: the usual packet's delay is 18 ms.
    let mut session = session(&CONFIG);
    let (mut samples_before, mut random) = (0_i64, 1_u64);
    for n in 0..3_000_i64 {
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let samples = 4 + i64::from(random >> 33 & 0xff != 0) + i64::from(random >> 45 & 1 != 0)
            - i64::from(random >> 50 & 1 != 0);
        let waited_ns = (random >> 20).cast_signed() % 3_000_000;
        let stamp = PacketStamp {
            host_ns: HOST_0 + (samples_before + samples - 1) * 4_000_000 + 2_000_000 + waited_ns,
            sequence: (n % 65_536).cast_unsigned(),
            tick: u64::try_from(samples_before * 32_768 / 250).ok(),
            samples: u32::try_from(samples).unwrap(),
        };
        let _ = session.observe_packet(0, stamp);
        samples_before += samples;
    }
    let at_ns = samples_before * 4_000_000 - 5_000_000_000;
    let placed = session.place(HOST_0 + at_ns, Shift::default()).unwrap().placement;
    let error_us = (placed.device_s - at_ns as f64 * 1e-9) * 1e6;
    // By the first sample alone it would be 4 ms, the shortest packet's.
    assert!(error_us.abs() < placed.u95_us.min(1_500.0), "{error_us} {placed:?}");
}
