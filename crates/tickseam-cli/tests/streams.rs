//! Several streams on one device clock: those beside the reference stream bound the clock too.

use tickseam_cli::align::{Captured, align};
use tickseam_cli::compare::{Comparison, compare};
use tickseam_cli::simulated;
use tickseam_record::{Packet, Packets, Recording, SegmentSummary, Truth};
use tickseam_sim::{Class, Scenario, random_scenario, simulate};

/// A recording and its truth.
fn recorded(scenario: &Scenario, seed: u64) -> (Recording, Vec<Truth>) {
    let mut recording = simulated::recording(&simulate(scenario, seed).unwrap()).unwrap();
    let truth = recording.truth.take().unwrap();
    (recording, truth)
}

/// The same packets, those of other streams without the ticks that relate them to the reference stream.
fn without_ticks_of_others(recording: &Recording) -> Recording {
    let tick = |packet: &Packet| packet.tick.filter(|_| packet.stream == 0);
    let packets: Packets<'static> =
        recording.packets.iter().map(|packet| Packet { tick: tick(&packet), ..packet }).collect();
    Recording { packets, ..recording.clone() }
}

fn aligned(recording: &Recording, truth: &[Truth]) -> (Comparison, Vec<SegmentSummary>, Vec<String>) {
    let aligned = align(&Captured::of(recording)).unwrap();
    (compare(&aligned, truth).unwrap(), aligned.segments, aligned.remarks)
}

#[test]
fn other_streams_bring_events_nearer_and_intervals_still_hold() {
    let (mut together, mut alone, mut joined, mut nearer) = (0.0, 0.0, 0_u32, 0_u32);
    for (seed, class) in (1..=60).flat_map(|seed| [(seed, Class::Partly), (seed, Class::Locked)]) {
        let (mut scenario, _) = random_scenario(seed, Some(class));
        scenario.duration_s = scenario.duration_s.min(1_800.0);
        if scenario.streams.len() < 2 || !scenario.device.ticks || !scenario.declare.fixed_delay {
            continue;
        }
        let (recording, truth) = recorded(&scenario, seed);
        let (both, segments, _) = aligned(&recording, &truth);
        if segments[0].streams_joined.is_empty() {
            continue;
        }
        let (one, segments, _) = aligned(&without_ticks_of_others(&recording), &truth);
        assert!(segments.iter().all(|segment| segment.streams_joined.is_empty()), "seed {seed}");
        let held = |of: &Comparison| of.errors.interval_held_share;
        assert!(held(&both) >= held(&one).min(0.95), "seed {seed}: {} and {} held", held(&both), held(&one));
        let squared = |of: &Comparison| of.errors.placement.p95_ms.powi(2);
        together += squared(&both);
        alone += squared(&one);
        joined += 1;
        nearer += u32::from(squared(&both) < squared(&one));
    }
    println!("{joined} recordings, {nearer} nearer: {alone} ms² alone, {together} ms² together");
    assert!(joined >= 30 && 3 * nearer > 2 * joined, "{nearer} of {joined}");
    assert!(together < 0.95 * alone, "{together} ms² together, {alone} ms² alone");
}

/// An event has room for eleven fragments, and five of another stream's go first: a packet of seven ends one interval later than it could, always.
const NEVER_AT_ONCE: &str = "duration_s = 900\n\
    [declare]\nfixed_delay_u_ms = 0.1\n\
    [link]\ninterval_ms = 26.25\nlargest_payload_octets = 27\npackets_per_event = 11\nlate_entry = false\nerror_rate = 0.0\n\
    [[stream]]\nname = \"eeg\"\nrate_hz = 250.0\nsamples_per_packet = 20\nvalue_octets = 180\n\
    [[stream]]\nname = \"optical\"\nrate_hz = 50.0\nsamples_per_packet = 1\nvalue_octets = 126\n";

#[test]
fn where_all_packets_of_the_reference_stream_wait_once_more_another_stream_tells() {
    for seed in 1..=5 {
        let (recording, truth) = recorded(&Scenario::from_toml(NEVER_AT_ONCE).unwrap(), seed);
        let (one, ..) = aligned(&without_ticks_of_others(&recording), &truth);
        assert!(one.errors.interval_held_share < 0.5, "seed {seed}: its packets alone tell already");
        let (both, segments, remarks) = aligned(&recording, &truth);
        assert_eq!(segments[0].streams_joined, ["optical"]);
        assert!(both.errors.interval_held_share > 0.95, "seed {seed}: {:?}", both.errors);
        assert!(both.errors.placement.p95_ms < 3.0, "seed {seed}: {:?}", both.errors.placement);
        assert!(remarks.iter().any(|remark| remark.contains("may all have waited")), "{remarks:?}");
    }
}
