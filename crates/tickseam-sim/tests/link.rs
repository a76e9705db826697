//! The simulated link behaves as its description says.

use std::collections::HashSet;

use tickseam_sim::scenario::{
    DeviceScenario, ExchangeScenario, Fault, HostScenario, LinkKind, LinkScenario, MarkerScenario, Noise,
    OtherLink, QueueFull, ReplyStamp, StreamScenario, TickStamp,
};
use tickseam_sim::{Class, Scenario, Simulated, simulate};

/// A link without errors, delays or drift: what a test adds is all there is.
fn quiet() -> Scenario {
    Scenario {
        duration_s: 600.0,
        device: DeviceScenario {
            tick_hz: 1e6,
            offset_ppm: 0.0,
            warm_up_ppm: 0.0,
            random_walk_per_sqrt_s: 0.0,
            ..DeviceScenario::default()
        },
        host: HostScenario { stack_delay_ms: 0.0, ..HostScenario::default() },
        link: LinkScenario { error_rate: 0.0, ..LinkScenario::default() },
        ..Scenario::default()
    }
}

/// Everything at once.
fn rough() -> Scenario {
    Scenario {
        duration_s: 900.0,
        device: DeviceScenario { jitter_ms: 2.0, queue_packets: 8, ..DeviceScenario::default() },
        host: HostScenario {
            tail_probability: 0.01,
            stalls_per_hour: 60.0,
            loss: 0.01,
            duplicates: 0.01,
            reordering: 0.02,
            ..HostScenario::default()
        },
        link: LinkScenario {
            burst_probability: 0.002,
            burst_events: 40.0,
            fades_per_hour: 20.0,
            radio_ppm: -7.0,
            ..LinkScenario::default()
        },
        exchanges: ExchangeScenario { period_s: 2.0, ..ExchangeScenario::default() },
        markers: MarkerScenario { period_s: 10.0, ..MarkerScenario::default() },
        streams: vec![
            StreamScenario::default(),
            StreamScenario {
                name: "optical".to_owned(),
                rate_hz: 50.0,
                samples_per_packet: 2,
                value_octets: 40,
                start_ms: 3.0,
                ..StreamScenario::default()
            },
        ],
        ..Scenario::default()
    }
}

/// Stamp minus first sample minus fixed delay for every packet of the reference stream, in milliseconds.
fn excess_ms(scenario: &Scenario, session: &Simulated) -> Vec<f64> {
    session
        .packets
        .iter()
        .zip(&session.truth.first_sample_s)
        .filter(|(packet, _)| packet.stream == 0)
        .map(|(packet, first_s)| {
            let stamp_ms = (packet.host_ns - scenario.host.origin_ns) as f64 * 1e-6;
            stamp_ms - first_s * 1e3 - session.truth.fixed_delay_ms[0]
        })
        .collect()
}

fn least(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

#[test]
fn one_seed_is_one_recording_and_another_seed_another() {
    let scenario = rough();
    let first = simulate(&scenario, 7).unwrap();
    assert_eq!(first, simulate(&scenario, 7).unwrap());
    assert_ne!(first.packets, simulate(&scenario, 8).unwrap().packets);
}

#[test]
fn an_option_of_the_app_leaves_the_crystal_and_the_trials_alone() {
    let scenario = rough();
    let mut other = scenario.clone();
    other.host.loss = 0.2;
    let (first, second) = (simulate(&scenario, 7).unwrap(), simulate(&other, 7).unwrap());
    assert_eq!(first.truth.clock, second.truth.clock);
    assert_eq!(first.events, second.events);
    assert_eq!(first.exchanges, second.exchanges);
    assert_eq!(first.statistics.received, second.statistics.received);
    assert!(second.packets.len() < first.packets.len());
}

#[test]
fn the_fixed_delay_is_a_lower_bound_and_is_approached() {
    let mut scenarios = vec![("rough", rough(), 0.1)];
    for ppm in [-50.0, 50.0] {
        let mut scenario = quiet();
        scenario.device.offset_ppm = ppm;
        scenarios.push(("crystal alone", scenario, 0.01));
    }
    let mut fragments = quiet();
    fragments.device.offset_ppm = 25.0;
    fragments.link.largest_payload_octets = 27;
    fragments.link.packets_per_event = 8;
    scenarios.push(("six fragments a packet", fragments, 0.01));
    let mut late = rough();
    late.link.late_entry = true;
    scenarios.push(("late entry", late, 0.2));
    let mut slots = rough();
    slots.link.kind = LinkKind::TimeSlots;
    scenarios.push(("time slots", slots, 0.1));
    let mut constant = rough();
    constant.link.kind = LinkKind::Constant;
    scenarios.push(("constant", constant, 0.01));
    for noise in [Noise::Uniform, Noise::Exponential, Noise::Gamma] {
        let mut one_sided = rough();
        one_sided.link.kind = LinkKind::OneSided;
        one_sided.link.noise = noise;
        scenarios.push(("one-sided", one_sided, 0.15));
    }
    for (name, scenario, near_ms) in scenarios {
        let session = simulate(&scenario, 3).unwrap();
        let excess = excess_ms(&scenario, &session);
        let least_ms = least(&excess);
        // A stamp is rounded down to a nanosecond; the crystal's span over a packet is good to about as much.
        assert!(least_ms > -2e-6, "{name}: a packet came {least_ms} ms before the fixed delay");
        assert!(least_ms < near_ms, "{name}: the best of {} packets is {least_ms} ms late", excess.len());
    }
}

#[test]
fn every_stream_keeps_its_own_fixed_delay() {
    let mut scenario = rough();
    // Ready 6 and 14 ms from the packets of the other stream, more than one event of 7.5 ms or its length apart.
    scenario.link.interval_ms = 7.5;
    scenario.streams[1].start_ms = 10.0;
    let session = simulate(&scenario, 5).unwrap();
    for (stream, fixed_ms) in session.truth.fixed_delay_ms.iter().enumerate() {
        let least_ms = least(
            &session
                .packets
                .iter()
                .zip(&session.truth.first_sample_s)
                .filter(|(packet, _)| usize::from(packet.stream) == stream)
                .map(|(packet, first_s)| {
                    (packet.host_ns - scenario.host.origin_ns) as f64 * 1e-6 - first_s * 1e3 - fixed_ms
                })
                .collect::<Vec<f64>>(),
        );
        assert!((-2e-6..0.2).contains(&least_ms), "stream {stream}: {least_ms} ms");
    }
}

#[test]
fn the_declared_fixed_delay_errs_by_its_standard_uncertainty() {
    let mut scenario = quiet();
    scenario.duration_s = 1.0;
    scenario.declare.fixed_delay_u_ms = 0.2;
    let errors: Vec<f64> = (0..400)
        .map(|seed| {
            let session = simulate(&scenario, seed).unwrap();
            session.description.fixed_delay_ms.unwrap() - session.truth.fixed_delay_ms[0]
        })
        .collect();
    let mean = errors.iter().sum::<f64>() / 400.0;
    let deviation = (errors.iter().map(|error| error * error).sum::<f64>() / 400.0).sqrt();
    // Five standard errors at 400 draws: 0.05 of the mean, 18 % of the deviation.
    assert!(mean.abs() < 0.05, "{mean}");
    assert!((deviation / 0.2 - 1.0).abs() < 0.18, "{deviation}");
}

#[test]
fn host_stamps_are_rounded_down_to_a_resolution_that_need_not_be_whole() {
    let mut scenario = rough();
    scenario.host.origin_ns = 0;
    let exact = simulate(&scenario, 2).unwrap();
    // A clock of 1024 Hz: steps of 976562.5 ns.
    scenario.host.resolution_ns = 976_562.5;
    let coarse = simulate(&scenario, 2).unwrap();
    for (fine, rounded) in exact.packets.iter().zip(&coarse.packets) {
        let steps = (i128::from(fine.host_ns) * 2).div_euclid(1_953_125);
        assert_eq!(i128::from(rounded.host_ns), (steps * 1_953_125).div_euclid(2));
    }
}

#[test]
fn packets_add_up() {
    let mut small_queue = rough();
    small_queue.device.queue_packets = 3;
    let mut oldest = small_queue.clone();
    oldest.device.queue_full = QueueFull::DropOldest;
    let mut constant = rough();
    constant.link.kind = LinkKind::Constant;
    let mut slots = rough();
    slots.link.kind = LinkKind::TimeSlots;
    // A poll that carries a request and is lost leaves its slot empty: packets then wait.
    slots.exchanges.period_s = 0.0;
    for (scenario, drops) in
        [(rough(), true), (small_queue, true), (oldest, true), (constant, false), (slots, false)]
    {
        let session = simulate(&scenario, 11).unwrap();
        let counts = &session.statistics;
        let made: u64 = counts.made.iter().sum();
        assert_eq!(
            made,
            counts.received + counts.queue_drops + counts.outage_drops + counts.air_losses + counts.unsent
        );
        assert_eq!(session.packets.len() as u64, counts.received - counts.app_losses + counts.duplicates);
        assert_eq!(drops, counts.queue_drops > 0);
        assert_eq!(drops, counts.air_losses == 0);
        assert!(counts.app_losses > 0 && counts.duplicates > 0 && counts.reorderings > 0);

        let distinct: HashSet<(u16, u64)> =
            session.packets.iter().map(|packet| (packet.stream, packet.sequence)).collect();
        // 900 s stay below one turn of sixteen bits, so that a sequence number names one packet. A second copy of a packet
        // whose first the app lost is its only one: none here, as a lost packet is not doubled.
        assert_eq!(distinct.len() as u64, counts.received - counts.app_losses);
        assert!(session.packets.is_sorted_by_key(|packet| packet.host_ns));
    }
}

#[test]
fn a_queue_that_overflows_leaves_exact_gaps_in_the_sequence() {
    for queue_full in [QueueFull::DropNewest, QueueFull::DropOldest] {
        let mut scenario = quiet();
        scenario.device.first_sequence = Some(0);
        scenario.device.queue_packets = 5;
        scenario.device.queue_full = queue_full;
        scenario.link.fades_per_hour = 60.0;
        scenario.link.fade_s = 1.0;
        let session = simulate(&scenario, 4).unwrap();
        let counts = &session.statistics;
        let last = session.packets.last().unwrap().sequence;
        let missing = last + 1 - session.packets.len() as u64;
        assert!(counts.queue_drops > 100, "{queue_full:?}: {}", counts.queue_drops);
        assert_eq!(missing, counts.queue_drops, "{queue_full:?}");
        assert_eq!(counts.failures > 0, counts.queue_drops > 0);
    }
}

#[test]
fn failed_packets_are_sent_again_as_often_as_the_error_rate_says() {
    let mut scenario = quiet();
    scenario.link.error_rate = 0.1;
    scenario.link.interval_ms = 7.5;
    for close_on_failure in [false, true] {
        scenario.link.close_on_failure = close_on_failure;
        let session = simulate(&scenario, 9).unwrap();
        let counts = &session.statistics;
        let rate = counts.failures as f64 / counts.attempts as f64;
        // Five standard errors at 33,000 attempts.
        assert!((rate - 0.1).abs() < 0.009, "{rate}");
        assert_eq!(counts.queue_drops, 0);
        // An event that closes sends again in the next one: a tenth of the packets come an interval late.
        let late_share = 1.0 - counts.first_opportunity_share;
        if close_on_failure {
            assert!((late_share - 0.1).abs() < 0.012, "{late_share}");
        } else {
            assert!(late_share < 1e-3, "{late_share}");
        }
    }
}

// The waits of 20 ms packets for 15 ms events repeat over g = 5 ms; the device gains 25 ppm on the radio, so that the
// least wait slides through g in 5 ms ÷ 25 ppm = 200 s.
#[test]
fn the_least_wait_is_a_saw_tooth_of_the_common_divisor() {
    let mut scenario = quiet();
    scenario.duration_s = 1000.0;
    scenario.device.offset_ppm = 20.0;
    scenario.link.radio_ppm = -5.0;
    let session = simulate(&scenario, 1).unwrap();
    assert_eq!(session.statistics.beat_ms, Some(5.0));
    assert!((session.statistics.slips - 5.0).abs() < 0.01, "{}", session.statistics.slips);
    assert_eq!(session.statistics.class, Class::Slipping);

    let excess = excess_ms(&scenario, &session);
    let blocks: Vec<f64> = excess.chunks(50).map(least).collect();
    let most = blocks.iter().copied().fold(f64::MIN, f64::max);
    assert!(least(&blocks) >= -2e-6 && least(&blocks) < 0.03);
    assert!(most > 4.95 && most <= 5.0, "{most}");
    let jumps: Vec<usize> = blocks
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| (pair[1] - pair[0]).abs() > 2.5)
        .map(|(place, _)| place)
        .collect();
    assert_eq!(jumps.len(), 5);
    for pair in jumps.windows(2) {
        let apart_s = (pair[1] - pair[0]) as f64;
        assert!((apart_s - 200.0).abs() <= 2.0, "slips {apart_s} s apart");
    }
    // A device that gains on the radio is ready earlier before each anchor: between slips the wait grows.
    let rising = blocks.windows(2).filter(|pair| pair[1] > pair[0]).count();
    assert_eq!(rising, blocks.len() - 1 - jumps.len());
}

#[test]
fn positive_drift_means_the_headset_runs_fast() {
    let mut scenario = quiet();
    scenario.device.offset_ppm = 40.0;
    let session = simulate(&scenario, 1).unwrap();
    let first = session.packets.first().unwrap();
    let last = session.packets.last().unwrap();
    let ticks = last.tick.unwrap().wrapping_sub(first.tick.unwrap()) & 0xffff_ffff;
    let host_s = (last.host_ns - first.host_ns) as f64 * 1e-9;
    let drift_ppm = (ticks as f64 / 1e6 / host_s - 1.0) * 1e6;
    // Waits of up to 15 ms in 600 s are 25 ppm.
    assert!((drift_ppm - 40.0).abs() < 25.0, "{drift_ppm}");
    assert!((session.truth.clock.drift_ppm(300.0) - 40.0).abs() < 1e-4);
    let points = &session.truth.clock_points;
    let (a, b) = (points[0], points[500]);
    let true_ppm = ((b.onset_s - a.onset_s) / ((b.host_ns - a.host_ns) as f64 * 1e-9) - 1.0) * 1e6;
    assert!((true_ppm - 40.0).abs() < 1e-3, "{true_ppm}");
}

#[test]
fn true_onsets_count_from_the_first_packet_received() {
    for (loss, seed) in [(0.0, 6), (0.3, 1)] {
        let mut scenario = rough();
        scenario.device.first_tick = Some(0);
        scenario.device.first_sequence = Some(0);
        scenario.host.loss = loss;
        scenario.trials.stimuli[0].latency_ms = 21.0;
        let session = simulate(&scenario, seed).unwrap();
        let reference: Vec<_> = session
            .packets
            .iter()
            .zip(&session.truth.first_sample_s)
            .filter(|(packet, _)| packet.stream == 0)
            .collect();
        let (first, zero_s) = reference.iter().min_by_key(|(packet, _)| packet.sequence).unwrap();
        assert!(loss == 0.0 || first.sequence > 0, "no packet was lost at the start");
        assert!(session.events.len() > 400);
        for (event, onset) in session.events.iter().zip(&session.truth.events) {
            assert_eq!((event.host_ns, &event.label), (onset.host_ns, &onset.label));
            let latency_s = if event.label == "standard" { 0.021 } else { 0.0 };
            let physical_s = (event.host_ns - scenario.host.origin_ns) as f64 * 1e-9 + latency_s;
            let clock = &session.truth.clock;
            let expected_s = clock.device_at_host(physical_s) - clock.device_at_host(**zero_s);
            let onset_s = onset.onset_s.unwrap();
            assert!((onset_s - expected_s).abs() < 1e-8, "{onset_s}, expected {expected_s}");
            assert_eq!(onset.segment, 0);
        }
        // And so in samples: the packet whose first sample follows an event has the number that its onset says.
        let onset = &session.truth.events[100];
        let physical_s = session
            .truth
            .clock
            .host_at_device(onset.onset_s.unwrap() + session.truth.clock.device_at_host(**zero_s));
        let (next, _) = reference
            .iter()
            .filter(|(_, first_s)| **first_s > physical_s)
            .min_by(|a, b| a.1.total_cmp(b.1))
            .unwrap();
        let packets = (onset.onset_s.unwrap() * 250.0 / 5.0).floor() as u64 + 1;
        assert!(next.sequence >= first.sequence + packets);
        assert!(next.sequence <= first.sequence + packets + 8);
    }
}

#[test]
fn ticks_and_sequence_numbers_wrap() {
    let mut scenario = quiet();
    scenario.device.tick_bits = 16;
    scenario.device.first_tick = Some(65_535);
    scenario.device.first_sequence = Some(250);
    scenario.streams[0].sequence_bits = 8;
    let session = simulate(&scenario, 1).unwrap();
    for (place, packet) in session.packets.iter().enumerate() {
        assert_eq!(packet.sequence, (250 + place as u64) % 256);
        // 20 ms packets at 1 MHz.
        assert_eq!(packet.tick, Some((65_535 + 20_000 * place as u64) % 65_536));
    }
    scenario.device.ticks = false;
    assert!(simulate(&scenario, 1).unwrap().packets.iter().all(|packet| packet.tick.is_none()));
}

#[test]
fn a_stall_and_a_batch_deliver_many_packets_with_one_stamp() {
    let mut stalls = quiet();
    stalls.host.stalls_per_hour = 120.0;
    stalls.host.stall_ms = 400.0;
    let session = simulate(&stalls, 3).unwrap();
    let bursts =
        session.packets.chunk_by(|a, b| a.host_ns == b.host_ns).filter(|burst| burst.len() >= 8).count();
    // Twenty stalls are expected in 600 s.
    assert!((8..40).contains(&bursts), "{bursts}");

    let mut batches = quiet();
    batches.host.batching_ms = 1000.0;
    let session = simulate(&batches, 3).unwrap();
    let groups: Vec<_> = session.packets.chunk_by(|a, b| a.host_ns == b.host_ns).collect();
    assert!((598..=601).contains(&groups.len()), "{}", groups.len());
    for pair in groups.windows(2) {
        // The period comes out of floating point: a nanosecond either way.
        let apart_ns = pair[1][0].host_ns - pair[0][0].host_ns;
        assert!((apart_ns - 1_000_000_000).abs() <= 1, "{apart_ns}");
    }
}

#[test]
fn peripheral_latency_held_with_data_makes_bursts() {
    let mut scenario = quiet();
    scenario.link.peripheral_latency = 3;
    let eager = simulate(&scenario, 1).unwrap();
    scenario.link.latency_with_data = true;
    let lazy = simulate(&scenario, 1).unwrap();
    assert!(eager.statistics.mean_wait_ms < 12.0, "{}", eager.statistics.mean_wait_ms);
    // Three packets of 20 ms share an event each 60 ms: they wait w, w + 20 and w + 40 ms, 0 <= w < 20, and their turn.
    assert!((20.0..45.0).contains(&lazy.statistics.mean_wait_ms), "{}", lazy.statistics.mean_wait_ms);
    let groups = lazy.packets.chunk_by(|a, b| b.host_ns - a.host_ns < 5_000_000).count();
    assert!((groups as f64 - 600.0 / 0.060).abs() < 3.0, "{groups}");
}

#[test]
fn an_exchange_brackets_the_truth() {
    for (kind, reply_stamp) in [
        (LinkKind::ConnectionEvents, ReplyStamp::Enqueue),
        (LinkKind::ConnectionEvents, ReplyStamp::Radio),
        (LinkKind::OneSided, ReplyStamp::Enqueue),
    ] {
        let mut scenario = rough();
        scenario.device.tick_hz = 1e6;
        scenario.device.first_tick = Some(0);
        scenario.link.kind = kind;
        scenario.exchanges.period_s = 1.0;
        scenario.exchanges.reply_stamp = reply_stamp;
        let session = simulate(&scenario, 2).unwrap();
        assert!(session.exchanges.len() > 700, "{}", session.exchanges.len());
        let zero_s = session
            .packets
            .iter()
            .zip(&session.truth.first_sample_s)
            .map(|(packet, first_s)| {
                session.truth.clock.device_at_host(*first_s) - packet.tick.unwrap() as f64 * 1e-6
            })
            .fold(f64::INFINITY, f64::min);
        let true_ns = |tick: u64| {
            let device_s = zero_s + tick as f64 * 1e-6;
            (session.truth.clock.host_at_device(device_s) * 1e9) as i64 + scenario.host.origin_ns
        };
        let mut waits_ms = Vec::new();
        for exchange in &session.exchanges {
            let (received_ns, replied_ns) = (true_ns(exchange.receive_tick), true_ns(exchange.transmit_tick));
            // A tick is a microsecond, and rounded down.
            assert!(exchange.origin_ns < received_ns + 2_000);
            assert!(received_ns <= replied_ns + 2_000);
            assert!(replied_ns < exchange.destination_ns);
            waits_ms.push((exchange.destination_ns - replied_ns) as f64 * 1e-6);
        }
        // Stamped when queued, the reply's way back hides the wait for the next event.
        waits_ms.sort_by(f64::total_cmp);
        let median_ms = waits_ms[waits_ms.len() / 2];
        match (kind, reply_stamp) {
            (LinkKind::ConnectionEvents, ReplyStamp::Enqueue) => assert!(median_ms > 10.0, "{median_ms}"),
            (LinkKind::ConnectionEvents, ReplyStamp::Radio) => assert!(median_ms < 3.0, "{median_ms}"),
            _ => assert!(median_ms > 5.0, "{median_ms}"),
        }
    }
}

#[test]
fn a_marker_is_one_instant_on_both_clocks() {
    let mut scenario = rough();
    scenario.device.tick_hz = 1e6;
    scenario.device.first_tick = Some(0);
    scenario.markers = MarkerScenario { period_s: 1.0, noise_ms: 0.0 };
    let session = simulate(&scenario, 2).unwrap();
    assert!(session.markers.len() > 800);
    let (first, first_s) = (&session.packets[0], session.truth.first_sample_s[0]);
    let clock = &session.truth.clock;
    for marker in &session.markers {
        let host_s = (marker.host_ns - scenario.host.origin_ns) as f64 * 1e-9;
        let passed_s = clock.device_at_host(host_s) - clock.device_at_host(first_s);
        let ticks = marker.tick as f64 - first.tick.unwrap() as f64;
        assert!((passed_s * 1e6 - ticks).abs() < 1.01, "{} us, {ticks} ticks", passed_s * 1e6);
    }
}

#[test]
fn a_congested_link_says_so() {
    let mut scenario = quiet();
    scenario.link.error_rate = 0.6;
    scenario.link.packets_per_event = 1;
    scenario.link.interval_ms = 18.75;
    let session = simulate(&scenario, 1).unwrap();
    assert_eq!(session.statistics.class, Class::Congested);
    assert!(session.statistics.queue_drops > 0);
}

// Links that send every 5 ms and take 5 to 10 ms, evenly spread: common practice, no source.
#[test]
fn a_link_that_takes_five_to_ten_milliseconds_does() {
    let scenario = Scenario::from_toml(
        "duration_s = 60\n\
         [device]\nprocessing_ms = 0.0\noffset_ppm = 0.0\nwarm_up_ppm = 0.0\nrandom_walk_per_sqrt_s = 0.0\n\
         [host]\nfixed_delay_ms = 0.0\nstack_delay_ms = 0.0\n\
         [link]\nkind = \"one-sided\"\nleast_ms = 5.0\nnoise = \"uniform\"\nnoise_ms = 5.0\nin_order = false\nerror_rate = 0.0\n\
         [[stream]]\nrate_hz = 200.0\nsamples_per_packet = 1\n",
    )
    .unwrap();
    let session = simulate(&scenario, 1).unwrap();
    assert_eq!(session.statistics.class, Class::OneSided);
    assert!(session.packets.len() > 11_900);
    let excess = excess_ms(&scenario, &session);
    assert!(least(&excess) > -2e-6 && least(&excess) < 0.01);
    let most = excess.iter().copied().fold(f64::MIN, f64::max);
    assert!(most < 5.0 && most > 4.99, "{most}");
    let mean = excess.iter().sum::<f64>() / excess.len() as f64;
    assert!((mean - 2.5).abs() < 0.07, "{mean}");
}

// A Gilbert-Elliott channel is bad for 1 ÷ (leaving probability) events on average, and in the long run for the share
// p L ÷ (1 + p L) of the time (Gilbert 1960; a two-state Markov chain's stationary share).
#[test]
fn bursts_have_their_length_and_their_share() {
    let mut scenario = quiet();
    scenario.duration_s = 6000.0;
    scenario.device.first_sequence = Some(0);
    scenario.streams[0].sequence_bits = 32;
    scenario.streams[0].samples_per_packet = 5;
    // One packet in each slot, the device and the radio on one clock: a slot's state is a packet's fate.
    scenario.link.kind = LinkKind::TimeSlots;
    scenario.link.interval_ms = 20.0;
    scenario.link.burst_probability = 0.01;
    scenario.link.burst_events = 8.0;
    scenario.link.burst_error_rate = 1.0;
    let session = simulate(&scenario, 1).unwrap();
    let gaps: Vec<u64> = session
        .packets
        .windows(2)
        .map(|pair| pair[1].sequence - pair[0].sequence - 1)
        .filter(|missing| *missing > 0)
        .collect();
    let lost: u64 = gaps.iter().sum();
    let mean = lost as f64 / gaps.len() as f64;
    // Geometric lengths: a standard deviation of about 7.5, some 2780 bursts, five standard errors.
    assert!((mean - 8.0).abs() < 0.75, "{mean} events in {} bursts", gaps.len());
    let share = session.statistics.air_losses as f64 / session.statistics.made[0] as f64;
    assert!((share - 0.08 / 1.08).abs() < 0.008, "{share}");
}

#[test]
fn a_packet_may_join_a_running_event_only_where_the_firmware_lets_it() {
    let mut scenario = quiet();
    scenario.device.offset_ppm = 50.0;
    scenario.duration_s = 1800.0;
    scenario.streams.push(StreamScenario {
        name: "optical".to_owned(),
        rate_hz: 50.0,
        samples_per_packet: 1,
        // Ready one millisecond after the reference stream's packet, while that is on the air at times.
        start_ms: 17.0,
        ..StreamScenario::default()
    });
    let waits = |late_entry: bool| {
        let mut scenario = scenario.clone();
        scenario.link.late_entry = late_entry;
        let session = simulate(&scenario, 1).unwrap();
        (session.statistics.mean_wait_ms, session.packets.len())
    };
    let (strict, lenient) = (waits(false), waits(true));
    assert!(lenient.0 < strict.0 - 0.3, "{strict:?}, {lenient:?}");
    assert!(lenient.1.abs_diff(strict.1) <= 2);
}

#[test]
fn a_connection_is_lost_when_nothing_was_heard_for_the_supervision_timeout() {
    let silent_for = |for_s: f64| {
        let mut scenario = quiet();
        scenario.link.supervision_timeout_ms = Some(4_000.0);
        scenario.link.reconnection_s = 2.0;
        scenario.faults = vec![Fault::Silence { at_s: 100.0, for_s }];
        simulate(&scenario, 3).unwrap()
    };
    let phase_ms = |session: &Simulated, from_s: f64| {
        // The anchors' phase shows in the least wait: packets' periods are four thirds of the interval.
        let packets = session.packets.iter().zip(&session.truth.first_sample_s);
        let late = |(packet, sample_s): (&tickseam_sim::Packet, &f64)| {
            packet.host_ns as f64 * 1e-6 - 86_400_000.0 - sample_s * 1e3
        };
        packets.filter(|(_, sample_s)| **sample_s > from_s).map(late).fold(f64::INFINITY, f64::min)
    };
    let (short, long) = (silent_for(3.9), silent_for(5.0));
    assert_eq!((short.statistics.connections_lost, short.statistics.outage_drops), (0, 0));
    assert_eq!(long.statistics.connections_lost, 1);
    // The silence's four seconds until the loss, and the 1 to 3 s until the new connection, at 50 packets a second.
    let dropped = long.statistics.outage_drops + long.statistics.queue_drops;
    assert!((250..=360).contains(&dropped), "{dropped}");
    assert!((phase_ms(&short, 120.0) - phase_ms(&long, 120.0)).abs() > 0.1);
}

// Bluetooth Core Specification, Vol 6 Part B 4.5.2: the timeout is longer than (1 + latency) × interval × 2.
#[test]
fn a_supervision_timeout_has_to_be_longer_than_two_of_the_longest_times_between_events() {
    for (interval_ms, latency, timeout_ms, valid) in [
        (7.5, 0, 100.0, true),
        (15.0, 4, 2_000.0, true),
        (4_000.0, 0, 8_000.0, false),
        (4_000.0, 0, 8_010.0, true),
        (4_000.0, 3, 32_000.0, false),
        (7.5, 499, 7_500.0, false),
        (7.5, 499, 7_510.0, true),
        (30.0, 0, 105.0, false),
        (30.0, 0, 90.0, false),
        (30.0, 0, 32_010.0, false),
    ] {
        let mut scenario = quiet();
        scenario.link.interval_ms = interval_ms;
        scenario.link.peripheral_latency = latency;
        scenario.link.supervision_timeout_ms = Some(timeout_ms);
        scenario.duration_s = 10.0;
        assert_eq!(scenario.check().is_ok(), valid, "{interval_ms} ms, latency {latency}, {timeout_ms} ms");
    }
}

#[test]
fn packets_fail_more_often_on_bad_channels() {
    let mut scenario = quiet();
    scenario.link.close_on_failure = true;
    scenario.link.bad_channels = (0..9).collect();
    let share = |scenario: &Scenario| {
        let statistics = simulate(scenario, 1).unwrap().statistics;
        statistics.failures as f64 / statistics.attempts as f64
    };
    // Half of the attempts in 9 of 37 events.
    let expected = 0.5 * 9.0 / 37.0;
    assert!((share(&scenario) - expected).abs() < 0.01, "{}", share(&scenario));
    // A phone that leaves them out.
    scenario.link.unused_channels = (0..9).collect();
    assert_eq!(share(&scenario), 0.0);
}

#[test]
fn another_link_takes_its_turns() {
    let mut scenario = quiet();
    scenario.duration_s = 60.0;
    scenario.link.other_links = vec![OtherLink { interval_ms: 20.0, event_ms: 5.0 }];
    let mut yielded = 0.0;
    for seed in 1..=60 {
        let statistics = simulate(&scenario, seed).unwrap().statistics;
        assert_eq!(statistics.queue_drops, 0);
        yielded += statistics.events_yielded as f64 / (60.0 / 0.015) / 60.0;
    }
    // The other link holds a quarter of the time, and they take turns.
    assert!((yielded - 0.125).abs() < 0.02, "{yielded}");
}

#[test]
fn the_counter_is_read_where_the_firmware_reads_it() {
    let with = |tick_stamp: TickStamp| {
        let mut scenario = quiet();
        scenario.duration_s = 60.0;
        scenario.device.tick_stamp = tick_stamp;
        simulate(&scenario, 5).unwrap().packets
    };
    let first = with(TickStamp::FirstSample);
    let later_us = |tick_stamp: TickStamp| -> Vec<u64> {
        let packets = with(tick_stamp);
        assert_eq!(packets.len(), first.len());
        packets
            .iter()
            .zip(&first)
            .map(|(packet, other)| packet.tick.unwrap().wrapping_sub(other.tick.unwrap()) & 0xffff_ffff)
            .collect()
    };
    // Five samples at 250 Hz; half a millisecond of processing; an interval of 15 ms. Counts are rounded down.
    assert!(later_us(TickStamp::LastSample).iter().all(|us| us.abs_diff(16_000) <= 1));
    assert!(later_us(TickStamp::Enqueue).iter().all(|us| us.abs_diff(16_500) <= 1));
    let events = later_us(TickStamp::RadioEvent);
    assert!(events.iter().all(|us| (16_499..=31_501).contains(us)));
    assert!(events.iter().max().unwrap() - events.iter().min().unwrap() > 8_000);
}

#[test]
fn the_newest_event_of_the_radio_can_be_sent_along() {
    let session = simulate(&quiet(), 2).unwrap();
    let mut events = 0;
    let mut previous: Option<tickseam_sim::RadioEvent> = None;
    for packet in &session.packets {
        let Some(event) = packet.newest_event else { continue };
        // It lies before the packet was full, by less than an interval.
        let age_us = packet.tick.unwrap().wrapping_add(16_500).wrapping_sub(event.anchor_tick) & 0xffff_ffff;
        assert!(age_us <= 15_001, "{age_us}");
        if let Some(previous) = previous {
            let us = event.anchor_tick.wrapping_sub(previous.anchor_tick) & 0xffff_ffff;
            let count = u64::from(event.counter.wrapping_sub(previous.counter));
            assert!(us.abs_diff(count * 15_000) <= 1);
        }
        previous = Some(event);
        events += 1;
    }
    assert!(events > session.packets.len() - 3);
}

// FNV-1a, 64 bits, over all numbers of a session: any change of them shows, on any machine.
#[test]
fn a_recording_is_the_same_bits_on_every_machine() {
    let mut scenario = rough();
    scenario.duration_s = 300.0;
    scenario.host.resolution_ns = 976_562.5;
    let session = simulate(&scenario, 42).unwrap();
    let mut hash = 0xcbf2_9ce4_8422_2325_u64;
    let mut add = |value: u64| {
        for byte in value.to_le_bytes() {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
    };
    for packet in &session.packets {
        add(packet.host_ns.cast_unsigned());
        add(packet.sequence);
        add(packet.tick.unwrap());
    }
    for (event, onset) in session.events.iter().zip(&session.truth.events) {
        add(event.host_ns.cast_unsigned());
        add(onset.onset_s.unwrap().to_bits());
    }
    for exchange in &session.exchanges {
        add(exchange.receive_tick);
        add(exchange.destination_ns.cast_unsigned());
    }
    for marker in &session.markers {
        add(marker.host_ns.cast_unsigned());
    }
    assert_eq!(hash, 0xa7e9_f831_033a_3b92, "{hash:#x}");
}
