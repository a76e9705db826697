//! Every fault leaves its signature, and the truth stays on the device's timeline.

use tickseam_sim::scenario::{Fault, LinkKind, StampField};
use tickseam_sim::{Packet, Scenario, Simulated, simulate};

/// Ten minutes of a link without errors; counters from zero, ticks of a microsecond.
fn base() -> Scenario {
    let mut scenario = Scenario::from_toml(
        "duration_s = 600\n\
         [device]\ntick_hz = 1e6\nfirst_tick = 0\nfirst_sequence = 0\n\
         [link]\nerror_rate = 0.0\n\
         [trials]\ninterval_s = [0.5, 0.9]\n",
    )
    .unwrap();
    scenario.device.queue_packets = 16;
    scenario
}

fn with(faults: Vec<Fault>) -> (Scenario, Simulated, Simulated) {
    let scenario = base();
    let without = simulate(&scenario, 1).unwrap();
    let scenario = Scenario { faults, ..scenario };
    let session = simulate(&scenario, 1).unwrap();
    (scenario, session, without)
}

fn host_s(scenario: &Scenario, packet: &Packet) -> f64 {
    (packet.host_ns - scenario.host.origin_ns) as f64 * 1e-9
}

/// Places where the sequence number does not follow the one before.
fn jumps(packets: &[Packet]) -> Vec<usize> {
    packets
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| pair[1].sequence != pair[0].sequence + 1)
        .map(|(place, _)| place + 1)
        .collect()
}

#[test]
fn a_reboot_restarts_the_counters_and_begins_a_segment() {
    let (scenario, session, _) = with(vec![Fault::Reboot { at_s: 200.0, off_s: 5.0 }]);
    let jumps = jumps(&session.packets);
    assert_eq!(jumps.len(), 1);
    let (last, first) = (&session.packets[jumps[0] - 1], &session.packets[jumps[0]]);
    assert!((9_900..=10_000).contains(&last.sequence), "{}", last.sequence);
    assert_eq!((first.sequence, first.tick), (0, Some(0)));
    assert!(host_s(&scenario, last) < 200.0 && host_s(&scenario, first) > 205.0);

    let clock = &session.truth.clock;
    let second_zero_s = clock.device_at_host(session.truth.first_sample_s[jumps[0]]);
    let (mut before, mut off, mut after) = (0, 0, 0);
    for (event, onset) in session.events.iter().zip(&session.truth.events) {
        let at_s = (event.host_ns - scenario.host.origin_ns) as f64 * 1e-9;
        match (onset.segment, onset.onset_s) {
            (0, Some(_)) => {
                assert!(at_s < 200.0);
                before += 1;
            }
            (0, None) => {
                assert!((200.0..205.0).contains(&at_s), "{at_s}");
                off += 1;
            }
            (1, Some(onset_s)) => {
                assert!(at_s >= 205.0);
                assert!((onset_s - (clock.device_at_host(at_s) - second_zero_s)).abs() < 1e-8);
                after += 1;
            }
            other => panic!("{other:?}"),
        }
    }
    assert!(before > 200 && off >= 4 && after > 400, "{before} {off} {after}");
}

#[test]
fn a_boot_without_a_packet_is_no_segment() {
    let (_, session, _) = with(vec![
        Fault::Reboot { at_s: 200.0, off_s: 5.0 },
        Fault::Silence { at_s: 199.0, for_s: 16.0 },
        Fault::Reboot { at_s: 210.0, off_s: 5.0 },
    ]);
    assert_eq!(jumps(&session.packets).len(), 1);
    let segments: Vec<u32> = session.truth.events.iter().map(|onset| onset.segment).collect();
    assert_eq!((segments.iter().min(), segments.iter().max()), (Some(&0), Some(&1)));
    assert!(segments.is_sorted());
}

#[test]
fn a_disconnection_keeps_the_counters_and_leaves_a_gap() {
    let (scenario, session, without) =
        with(vec![Fault::Disconnection { at_s: 200.0, off_s: 5.0, interval_ms: Some(30.0) }]);
    let jumps = jumps(&session.packets);
    assert_eq!(jumps.len(), 1);
    let (last, first) = (&session.packets[jumps[0] - 1], &session.packets[jumps[0]]);
    let missing = first.sequence - last.sequence - 1;
    assert_eq!(missing, session.statistics.outage_drops);
    // Five seconds of 20 ms packets, and what was in the queue.
    assert!((249..=254).contains(&missing), "{missing}");
    assert!(host_s(&scenario, last) < 200.01 && host_s(&scenario, first) > 205.0);
    let ticks = first.tick.unwrap() - last.tick.unwrap();
    assert_eq!(ticks, (missing + 1) * 20_000);
    assert!(session.truth.events.iter().all(|onset| onset.segment == 0 && onset.onset_s.is_some()));
    assert_eq!(session.truth.events, without.truth.events);
    // The new interval shows: packets of 20 ms come at most every 30 ms.
    let tail = &session.packets[jumps[0] + 10..];
    let groups = tail.chunk_by(|a, b| b.host_ns - a.host_ns < 5_000_000).count() as f64;
    let span_s = host_s(&scenario, &tail[tail.len() - 1]) - host_s(&scenario, &tail[0]);
    assert!((span_s / groups - 0.030).abs() < 0.0002, "{}", span_s / groups);
}

#[test]
fn an_interval_change_loses_nothing() {
    let (scenario, session, without) = with(vec![Fault::IntervalChange { at_s: 200.0, interval_ms: 45.0 }]);
    assert!(jumps(&session.packets).is_empty());
    assert_eq!(session.statistics.made, without.statistics.made);
    let change = session.packets.partition_point(|packet| host_s(&scenario, packet) < 201.0);
    let tail = &session.packets[change..];
    let groups = tail.chunk_by(|a, b| b.host_ns - a.host_ns < 5_000_000).count() as f64;
    let span_s = host_s(&scenario, &tail[tail.len() - 1]) - host_s(&scenario, &tail[0]);
    assert!((span_s / groups - 0.045).abs() < 0.0002, "{}", span_s / groups);
    // Before the change all is as without it.
    let before = session.packets.partition_point(|packet| host_s(&scenario, packet) < 199.9);
    assert_eq!(session.packets[..before], without.packets[..before]);
}

#[test]
fn a_host_step_moves_every_later_stamp_and_no_truth() {
    for (step_s, return_after_s) in [(3.5, None), (-0.75, None), (3600.0, Some(60.0))] {
        let (scenario, session, without) =
            with(vec![Fault::HostStep { at_s: 200.0, step_s, return_after_s }]);
        let shift_ns = (step_s * 1e9) as i64;
        let stepped = |host_ns: i64| {
            let at_s = (host_ns - scenario.host.origin_ns) as f64 * 1e-9;
            let back_s = return_after_s.map_or(f64::INFINITY, |after_s| 200.0 + after_s);
            at_s >= 200.0 && at_s < back_s
        };
        let mut moved = 0;
        for (packet, plain) in session.packets.iter().zip(&without.packets) {
            let expected_ns = plain.host_ns + if stepped(plain.host_ns) { shift_ns } else { 0 };
            assert_eq!(packet.host_ns, expected_ns);
            assert_eq!((packet.sequence, packet.tick), (plain.sequence, plain.tick));
            moved += u32::from(packet.host_ns != plain.host_ns);
        }
        assert!(moved > 2900, "{moved}");
        for (place, event) in session.events.iter().enumerate() {
            let plain = &without.events[place];
            assert_eq!(event.host_ns, plain.host_ns + if stepped(plain.host_ns) { shift_ns } else { 0 });
            assert_eq!(session.truth.events[place].onset_s, without.truth.events[place].onset_s);
        }
    }
}

#[test]
fn a_suspended_host_stops_its_clock_while_the_device_goes_on() {
    let (scenario, session, without) = with(vec![Fault::HostSuspend { at_s: 200.0, for_s: 30.0 }]);
    let wake = session.packets.partition_point(|packet| host_s(&scenario, packet) < 199.9);
    assert_eq!(session.packets[..wake], without.packets[..wake]);
    // Long after, the clock lies 30 s behind, to the nanosecond of its rounding.
    let last = session.packets.last().unwrap();
    let plain = without.packets.iter().find(|packet| packet.sequence == last.sequence).unwrap();
    let behind_s = (plain.host_ns - last.host_ns) as f64 * 1e-9;
    assert!((behind_s - 30.0).abs() < 0.02, "{behind_s}");
    assert!(session.packets.is_sorted_by_key(|packet| packet.host_ns));
    // The queue keeps sixteen packets of thirty seconds' fifteen hundred.
    assert!((1480..=1486).contains(&session.statistics.queue_drops), "{}", session.statistics.queue_drops);
    let jump = jumps(&session.packets);
    assert_eq!(jump.len(), 1);
    // No event is shown by an app that sleeps; the truth knows the time that passed.
    let onsets: Vec<f64> = session.truth.events.iter().map(|onset| onset.onset_s.unwrap()).collect();
    let longest_s = onsets.windows(2).map(|pair| pair[1] - pair[0]).fold(0.0, f64::max);
    assert!(longest_s > 30.0 && longest_s < 33.0, "{longest_s}");
}

#[test]
fn a_silence_is_a_gap_and_then_a_burst() {
    let (scenario, session, _) = with(vec![Fault::Silence { at_s: 200.0, for_s: 60.0 }]);
    let jump = jumps(&session.packets);
    assert_eq!(jump.len(), 1);
    let (before, after) = (&session.packets[jump[0] - 1], &session.packets[jump[0]]);
    assert_eq!(after.sequence - before.sequence - 1, session.statistics.queue_drops);
    // The queue's sixteen packets of before come first.
    let resumed: Vec<f64> =
        session.packets[jump[0] - 16..jump[0]].iter().map(|p| host_s(&scenario, p)).collect();
    assert!(resumed.iter().all(|at_s| (260.0..260.2).contains(at_s)), "{resumed:?}");
}

#[test]
fn a_corrupt_stamp_is_one_field_of_one_packet() {
    for (field, value) in [(StampField::Tick, 0), (StampField::HostNs, 0), (StampField::Tick, 0x1234_5678)] {
        let (_, session, without) = with(vec![Fault::CorruptStamp { at_s: 200.0, field, value }]);
        let differing: Vec<usize> = (0..session.packets.len())
            .filter(|place| session.packets[*place] != without.packets[*place])
            .collect();
        assert_eq!(differing.len(), 1);
        let packet = &session.packets[differing[0]];
        match field {
            StampField::Tick => assert_eq!(packet.tick, Some(value.unsigned_abs())),
            StampField::HostNs => assert_eq!(packet.host_ns, value),
        }
        assert_eq!(session.truth, without.truth);
    }
}

#[test]
fn a_tick_step_moves_the_counter_and_not_the_samples() {
    for step_s in [2.0, -2.0] {
        let (_, session, without) = with(vec![Fault::TickStep { at_s: 200.0, step_s }]);
        assert_eq!(session.truth, without.truth);
        for (place, packet) in session.packets.iter().enumerate() {
            let plain = &without.packets[place];
            let stepped = session.truth.first_sample_s[place] >= 200.0;
            let shift = if stepped { (step_s * 1e6) as i64 } else { 0 };
            assert_eq!(packet.tick.unwrap(), plain.tick.unwrap().wrapping_add_signed(shift));
            assert_eq!((packet.host_ns, packet.sequence), (plain.host_ns, plain.sequence));
        }
    }
}

#[test]
fn faults_reach_links_without_a_grid() {
    let mut scenario = base();
    scenario.link.kind = LinkKind::OneSided;
    scenario.faults = vec![
        Fault::Disconnection { at_s: 100.0, off_s: 5.0, interval_ms: None },
        Fault::Reboot { at_s: 200.0, off_s: 5.0 },
        Fault::Silence { at_s: 300.0, for_s: 5.0 },
    ];
    let session = simulate(&scenario, 1).unwrap();
    assert_eq!(jumps(&session.packets).len(), 3);
    assert!((249..=251).contains(&session.statistics.outage_drops));
    assert!((249..=251).contains(&session.statistics.air_losses));
    assert_eq!(session.truth.events.last().unwrap().segment, 1);
}

// The exchanges of a session with a reboot pair counters of one boot only.
#[test]
fn no_exchange_spans_a_reboot() {
    let mut scenario = base();
    scenario.exchanges.period_s = 0.1;
    scenario.exchanges.reply_dither_ms = 80.0;
    scenario.faults = vec![Fault::Reboot { at_s: 300.0, off_s: 2.0 }];
    let session = simulate(&scenario, 1).unwrap();
    assert!(session.exchanges.len() > 5000, "{}", session.exchanges.len());
    for exchange in &session.exchanges {
        assert!(exchange.transmit_tick >= exchange.receive_tick);
        assert!(exchange.transmit_tick - exchange.receive_tick < 90_000);
        let at_s = (exchange.origin_ns - scenario.host.origin_ns) as f64 * 1e-9;
        assert!(!(300.0..301.9).contains(&at_s));
        let restarted = exchange.receive_tick < 299_000_000 && at_s > 302.0;
        assert!(restarted || at_s < 300.0, "{at_s} {exchange:?}");
    }
}
