//! The replay from C answers what the command answers, bit for bit: simulated recordings with exchanges, markers, gaps, restarts.
#![expect(
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::cast_possible_truncation,
    reason = "a test"
)]

use std::ptr::{null, null_mut};

use tickseam_capi::*;
use tickseam_cli::align::{Aligned, Captured, align};
use tickseam_record::{Recording, Status};
use tickseam_sim::{Scenario, random_scenario, simulate};

fn recorded(scenario: &Scenario, seed: u64) -> Recording {
    let mut recording = tickseam_cli::simulated::recording(&simulate(scenario, seed).unwrap()).unwrap();
    recording.truth = None;
    recording
}

fn config(recording: &Recording) -> tickseam_config {
    let description = &recording.description;
    let nothing = tickseam_stream { rate_hz: 0.0, samples_per_packet: 0, sequence_bits: 0 };
    let mut streams = [nothing; 4];
    for (to, from) in streams.iter_mut().zip(&description.streams) {
        *to = tickseam_stream {
            rate_hz: from.rate_hz,
            samples_per_packet: u32::from(from.samples_per_packet),
            sequence_bits: u32::from(from.sequence_bits),
        };
    }
    let (clock, link) = (&description.device_clock, &description.link);
    tickseam_config {
        struct_size: size_of::<tickseam_config>() as u32,
        tick_bits: clock.tick_bits.map_or(0, u32::from),
        tick_hz: clock.tick_hz.unwrap_or(0.0),
        tolerance_ppm: clock.tolerance_ppm,
        host_step_us: description.host_clock.resolution_ns / 1e3,
        fixed_delay_us: link.fixed_delay_ms.unwrap_or(0.0) * 1e3,
        fixed_delay_u_us: link.fixed_delay_u_ms.unwrap_or(0.0) * 1e3,
        interval_us: link.connection_interval_ms.unwrap_or(0.0) * 1e3,
        fixed_delay_known: u32::from(link.fixed_delay_ms.is_some()),
        stream_count: description.streams.len() as u32,
        streams,
    }
}

/// What C gets for a recording.
fn from_c(recording: &Recording) -> (Vec<tickseam_placement>, tickseam_replay_report) {
    let config = config(recording);
    let rows: Vec<_> = recording.packets.iter().collect();
    let host_ns: Vec<i64> = rows.iter().map(|row| row.host_ns).collect();
    let stream: Vec<u32> = rows.iter().map(|row| u32::from(row.stream)).collect();
    let sequence: Vec<u64> = rows.iter().map(|row| u64::from(row.sequence)).collect();
    let tick: Vec<u64> = rows.iter().map(|row| row.tick.unwrap_or(0)).collect();
    let has_tick: Vec<u8> = rows.iter().map(|row| u8::from(row.tick.is_some())).collect();
    let samples: Vec<u32> = rows.iter().map(|row| u32::from(row.samples)).collect();
    let packets = tickseam_packets {
        struct_size: size_of::<tickseam_packets>() as u32,
        reserved: 0,
        count: rows.len() as u64,
        host_ns: host_ns.as_ptr(),
        stream: stream.as_ptr(),
        sequence: sequence.as_ptr(),
        tick: tick.as_ptr(),
        has_tick: has_tick.as_ptr(),
        samples: samples.as_ptr(),
    };
    let (exchanges, markers) = (&recording.exchanges, &recording.markers);
    let origin_ns: Vec<i64> = exchanges.iter().map(|exchange| exchange.origin_ns).collect();
    let receive_tick: Vec<u64> = exchanges.iter().map(|exchange| exchange.receive_tick).collect();
    let transmit_tick: Vec<u64> = exchanges.iter().map(|exchange| exchange.transmit_tick).collect();
    let destination_ns: Vec<i64> = exchanges.iter().map(|exchange| exchange.destination_ns).collect();
    let marker_host_ns: Vec<i64> = markers.iter().map(|marker| marker.host_ns).collect();
    let marker_tick: Vec<u64> = markers.iter().map(|marker| marker.tick).collect();
    let sightings = tickseam_sightings {
        struct_size: size_of::<tickseam_sightings>() as u32,
        reserved: 0,
        exchange_count: exchanges.len() as u64,
        marker_count: markers.len() as u64,
        origin_ns: origin_ns.as_ptr(),
        receive_tick: receive_tick.as_ptr(),
        transmit_tick: transmit_tick.as_ptr(),
        destination_ns: destination_ns.as_ptr(),
        marker_host_ns: marker_host_ns.as_ptr(),
        marker_tick: marker_tick.as_ptr(),
    };
    let event_ns: Vec<i64> = recording.events.iter().map(|event| event.host_ns).collect();
    let latencies = &recording.description.event_latency;
    let of =
        |label: &str| latencies.get(label).map_or((0.0, 0.0), |l| (l.latency_ms * 1e3, l.latency_u_ms * 1e3));
    let latency_us: Vec<f64> = recording.events.iter().map(|event| of(&event.label).0).collect();
    let latency_u_us: Vec<f64> = recording.events.iter().map(|event| of(&event.label).1).collect();
    let events = tickseam_events {
        struct_size: size_of::<tickseam_events>() as u32,
        reserved: 0,
        count: event_ns.len() as u64,
        host_ns: event_ns.as_ptr(),
        latency_us: latency_us.as_ptr(),
        latency_u_us: latency_u_us.as_ptr(),
        reserved_pointer: null(),
    };
    let mut bytes = 0_usize;
    // SAFETY: all arrays live to the end of this function and are as long as said.
    let asked = unsafe { tickseam_replay_scratch(&config, &packets, &sightings, &events, &mut bytes) };
    assert_eq!(asked, TICKSEAM_OK);
    let mut scratch = vec![u64::MAX; bytes.div_ceil(8)];
    // SAFETY: plain numbers.
    let mut placements: Vec<tickseam_placement> = vec![unsafe { std::mem::zeroed() }; event_ns.len() + 1];
    placements.first_mut().unwrap().struct_size = size_of::<tickseam_placement>() as u32;
    // SAFETY: plain numbers.
    let mut report: tickseam_replay_report = unsafe { std::mem::zeroed() };
    report.struct_size = size_of::<tickseam_replay_report>() as u32;
    let lent: *mut core::ffi::c_void =
        if scratch.is_empty() { null_mut() } else { scratch.as_mut_ptr().cast() };
    // SAFETY: the same; the scratch memory is as long as was asked for.
    let replayed = unsafe {
        tickseam_replay(
            &config,
            &packets,
            &sightings,
            &events,
            lent,
            bytes,
            placements.as_mut_ptr(),
            &mut report,
        )
    };
    assert_eq!(replayed, TICKSEAM_OK);
    placements.truncate(event_ns.len());
    (placements, report)
}

/// Compares both answers; returns how many events are placed, in a gap, and outside.
fn compared(recording: &Recording) -> (Aligned, tickseam_replay_report, [usize; 3]) {
    let aligned = align(&Captured::of(recording)).unwrap();
    let (placements, report) = from_c(recording);
    assert_eq!(aligned.events.rows.len(), placements.len());
    let mut counts = [0; 3];
    for (row, placement) in aligned.events.rows.iter().zip(&placements) {
        let bits = |value: f64| value.to_bits();
        let status = match row.status {
            Status::Placed => TICKSEAM_PLACED,
            Status::InGap => TICKSEAM_IN_GAP,
            _ => TICKSEAM_OUTSIDE,
        };
        assert_eq!(
            (Some(placement.segment), placement.status, placement.excludes_fixed_delay == 1),
            (row.segment, status, row.excludes_fixed_delay),
            "{row:?}"
        );
        let answers = [placement.device_s, placement.sample, placement.u95_us / 1e3];
        assert_eq!(
            Some(answers.map(bits)),
            all(row.onset_s, row.sample, row.u95_ms).map(|a| a.map(bits)),
            "{row:?}"
        );
        *counts.get_mut(usize::try_from(status).unwrap()).unwrap() += 1;
    }
    let used: u64 = aligned.streams.iter().map(|stream| stream.packets_received).sum();
    let exchanges: u64 = aligned.segments.iter().map(|segment| segment.exchanges_used).sum();
    let markers: u64 = aligned.segments.iter().map(|segment| segment.markers_used).sum();
    assert_eq!((report.used, report.exchanges_used, report.markers_used), (used, exchanges, markers));
    assert_eq!(report.segments as usize, aligned.segments.len());
    (aligned, report, counts)
}

fn all(a: Option<f64>, b: Option<f64>, c: Option<f64>) -> Option<[f64; 3]> {
    Some([a?, b?, c?])
}

const BUSY: &str = "duration_s = 600.0
[device]
tick_hz = 31250.0
[link]
interval_ms = 15.0
error_rate = 0.1
[exchanges]
period_s = 5.0
[markers]
period_s = 17.0
noise_ms = 0.3
[[fault]]
kind = \"silence\"
at_s = 120.0
for_s = 6.0
[[fault]]
kind = \"reboot\"
at_s = 300.0
off_s = 4.0
";

#[test]
fn with_exchanges_markers_gaps_and_a_restart_c_answers_what_the_command_answers() {
    let scenario = Scenario::from_toml(BUSY).unwrap();
    for seed in 1..=4 {
        let (aligned, report, [placed, in_gap, outside]) = compared(&recorded(&scenario, seed));
        assert_eq!(report.segments, 2);
        assert!(report.exchanges_used > 80 && report.markers_used > 25, "seed {seed}");
        assert!(placed > 200 && in_gap > 0 && outside > 0, "seed {seed}: {placed}, {in_gap}, {outside}");
        assert!(aligned.segments.iter().all(|segment| segment.fixed_delay_known));
    }
}

#[test]
fn without_a_declared_delay_exchanges_and_markers_are_what_fixes_the_clock() {
    let mut scenario = Scenario::from_toml(BUSY).unwrap();
    scenario.declare.fixed_delay = false;
    let recording = recorded(&scenario, 5);
    compared(&recording);
    let mut without = recording;
    (without.exchanges, without.markers) = (Vec::new(), Vec::new());
    let (placements, _) = from_c(&without);
    compared(&without);
    assert!(placements.iter().all(|placement| placement.excludes_fixed_delay == 1));
}

/// Where the command finds no step of the host's clock, which the replay from C does not look for.
#[test]
fn over_random_recordings_c_answers_what_the_command_answers() {
    let (mut alike, mut events) = (0, 0);
    for seed in 9_001..=9_040 {
        let (mut scenario, class) = random_scenario(seed, None);
        scenario.duration_s = scenario.duration_s.min(400.0);
        scenario.faults.clear();
        let recording = recorded(&scenario, seed);
        println!("seed {seed}, {class:?}");
        let aligned = align(&Captured::of(&recording)).unwrap();
        let cut =
            aligned.segments.iter().flat_map(|segment| &segment.changes).any(|change| change.step_ms != 0.0);
        if !cut && !recording.events.is_empty() {
            compared(&recording);
            alike += 1;
            events += recording.events.len();
        }
    }
    println!("{alike} recordings with {events} events: the same bits");
    assert!(alike >= 30 && events > 5_000);
}
