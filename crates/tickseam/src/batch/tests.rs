#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    reason = "a test stops at the first surprise"
)]
extern crate std;

use super::*;
use crate::intake::StreamConfig;
use crate::session::TickCounter;
use std::string::ToString;
use std::vec;
use std::vec::Vec;

const CONFIG: SessionConfig<'static> = SessionConfig {
    ticks: Some(TickCounter { hz: 32_768.0, bits: 32 }),
    tolerance_ppm: 50.0,
    host_step_us: 0.001,
    fixed_delay: Some(Shift { us: 18_000.0, u_us: 200.0 }),
    interval_us: None,
    streams: &[StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 16 }],
};

struct Packets(Vec<PacketStamp>);

impl Received for Packets {
    fn count(&self) -> usize {
        self.0.len()
    }
    fn packet(&self, place: usize) -> Option<(usize, PacketStamp)> {
        Some((0, *self.0.get(place)?))
    }
}

/// A headset that restarts after 60 s: packets on a grid of 15 ms.
fn received() -> Packets {
    let stamp = |at: i64, n: i64| PacketStamp {
        host_ns: (at * 20 + 18 + (14 - at * 20 % 15)) * 1_000_000,
        sequence: n.cast_unsigned(),
        tick: u64::try_from(n * 32_768 / 50).ok(),
        samples: 5,
    };
    Packets((0..3_000).map(|n| stamp(n, n)).chain((0..2_000).map(|n| stamp(n + 3_200, n))).collect())
}

fn run(
    packets: &Packets,
    events: &[i64],
    arrivals: usize,
    stages: usize,
) -> Result<(BatchReport, Vec<Asked>), BatchError> {
    let mut places = vec![Place::default(); arrivals];
    let mut arrivals = vec![Arrival::new(0.0, 0.0); arrivals];
    let mut stages = vec![Stage::empty(); stages];
    let mut asked: Vec<Asked> = events.iter().map(|&at| Asked::new(at, Shift::default())).collect();
    let lent = Lent { places: &mut places, arrivals: &mut arrivals, pairs: &mut [], stages: &mut stages };
    let report = replay_packets::<1>(&CONFIG, packets, &mut asked, lent)?;
    Ok((report, asked))
}

#[test]
fn events_fall_on_the_segment_that_had_begun() {
    let events = [-1_000_000_000, 30_000_000_000, 80_000_000_000];
    let (report, asked) = run(&received(), &events, 5_000, stages_for(1, 5_000, 0, 104.0)).unwrap();
    assert_eq!((report.segments, report.intake.calls(), report.settling.settled_later), (2, 5_000, 1));
    let all = [(0, -1.0, Samples::Outside), (0, 30.0, Samples::Received), (1, 16.0, Samples::Received)];
    for (at, (segment, true_s, samples)) in all.into_iter().enumerate() {
        let (Placed { segment: found, placement, excludes_fixed_delay }, came) = asked[at].answer.unwrap();
        assert_eq!((found, excludes_fixed_delay, came), (segment, false, samples));
        assert!((placement.device_s - true_s).abs() * 1e6 < placement.u95_us, "{placement:?}");
        assert!(placement.u95_us < 5_000.0, "{placement:?}");
    }
}

#[test]
fn an_event_among_lost_samples_is_told_from_one_beside_them() {
    // Ten packets of 20 ms are lost from 20 s on.
    let packets =
        Packets(received().0.into_iter().filter(|p| !(1_000..1_010).contains(&p.sequence)).collect());
    let events = [19_900_000_000, 20_100_000_000, 20_300_000_000, 200_000_000_000];
    let (_, asked) = run(&packets, &events, 5_000, stages_for(1, 5_000, 0, 104.0)).unwrap();
    let came: Vec<Samples> = asked.iter().map(|asked| asked.answer.unwrap().1).collect();
    assert_eq!(came, [Samples::Received, Samples::Lost, Samples::Received, Samples::Outside]);
}

#[test]
fn too_little_room_is_answered() {
    let packets = received();
    assert_eq!(run(&packets, &[0], 100, 1_000), Err(BatchError::Room));
    assert_eq!(run(&packets, &[0], 5_000, 10), Err(BatchError::Room));
    let nothing = run(&Packets(Vec::new()), &[0], 10, 10).unwrap_err();
    assert_eq!(nothing, BatchError::NoArrival);
    assert!(nothing.to_string().contains("no packet of the reference stream"), "{nothing}");
    assert!(BatchError::Room.to_string().contains("too little memory"));
}

#[test]
fn a_configuration_that_cannot_be_is_refused_by_name() {
    let mut asked = [Asked::new(0, Shift::default())];
    let lent = Lent { places: &mut [], arrivals: &mut [], pairs: &mut [], stages: &mut [] };
    let config = SessionConfig { host_step_us: f64::NAN, ..CONFIG };
    let error = replay_packets::<1>(&config, &received(), &mut asked, lent).unwrap_err();
    assert_eq!(error, BatchError::Config(SessionConfigError::HostStep));
    assert_eq!(error.to_string(), SessionConfigError::HostStep.to_string());
    assert_eq!(asked[0].answer, None);
}

/// The first stream of some packets, and another one that shares its stamps.
struct TwoStreams(Packets);

impl Received for TwoStreams {
    fn count(&self) -> usize {
        2 * self.0.count()
    }
    fn packet(&self, place: usize) -> Option<(usize, PacketStamp)> {
        Some((place % 2, self.0.packet(place / 2)?.1))
    }
}

#[test]
fn another_stream_takes_no_part_in_the_reference_streams_timeline() {
    let events = [30_000_000_000, 80_000_000_000];
    let (alone, _) = run(&received(), &events, 5_000, stages_for(1, 5_000, 0, 104.0)).unwrap();
    let [stream] = CONFIG.streams else { panic!("one stream") };
    let streams = [*stream, StreamConfig { rate_hz: 50.0, samples_per_packet: 1, ..*stream }];
    let of_two = |ticks: Option<TickCounter>, packets: usize, stages: usize| {
        let config = SessionConfig { streams: &streams, ticks, ..CONFIG };
        let mut places = vec![Place::default(); packets];
        let mut arrivals = vec![Arrival::new(0.0, 0.0); packets];
        let mut stages = vec![Stage::empty(); stages];
        let mut asked = events.map(|at| Asked::new(at, Shift::default()));
        let lent = Lent { places: &mut places, arrivals: &mut arrivals, pairs: &mut [], stages: &mut stages };
        let report = replay_packets::<2>(&config, &TwoStreams(received()), &mut asked, lent);
        report.map(|report| (report, asked))
    };
    let enough = stages_for(2, 10_000, 0, 104.0);
    // With ticks, the other stream bounds the clock too; without, nothing is kept of it.
    let with_ticks = of_two(CONFIG.ticks, 10_000, enough).unwrap();
    let without = of_two(None, 5_000, enough).unwrap();
    for ((report, asked), joined) in [(with_ticks, 1), (without, 0)] {
        assert_eq!((report.segments, report.intake.calls()), (2, 10_000));
        let found = report.replayed.unwrap();
        assert_eq!((Some(found.stages), found.streams_joined), (alone.replayed.map(|r| r.stages), joined));
        for (event, true_s) in asked.iter().zip([30.0, 16.0]) {
            let placement = event.answer.unwrap().0.placement;
            assert!((placement.device_s - true_s).abs() * 1e6 < placement.u95_us, "{placement:?}");
        }
    }
    // Enough for the places of one stream, and for the stages of one.
    assert_eq!(of_two(CONFIG.ticks, 9_999, enough).unwrap_err(), BatchError::Room);
    let stages = alone.replayed.unwrap().stages + 2;
    assert_eq!(of_two(CONFIG.ticks, 10_000, stages).unwrap_err(), BatchError::Room);
}

#[test]
fn where_ticks_and_samples_run_apart_events_are_placed_by_ticks() {
    // Samples come 300 ppm slower than the counter says: after 60 s they would place an event 18 ms off.
    let mut packets = received().0;
    packets.truncate(3_000);
    for (n, stamp) in (0_i64..).zip(&mut packets) {
        stamp.tick = u64::try_from(n * 32_768 / 50 + n * 32_768 * 3 / 500_000).ok();
        let ready_ns = n * 20_006_000;
        stamp.host_ns = ready_ns + 18_000_000 + (14_000_000 - ready_ns).rem_euclid(15_000_000);
    }
    let (report, asked) =
        run(&Packets(packets), &[55_000_000_000], 3_000, stages_for(1, 3_000, 0, 61.0)).unwrap();
    assert_eq!(report.segments, 1);
    let placement = asked[0].answer.unwrap().0.placement;
    assert!((placement.device_s - 55.0).abs() * 1e6 < placement.u95_us, "{placement:?}");
    assert!(placement.u95_us < 8_000.0, "{placement:?}");
}

#[test]
fn of_two_stamps_that_contradict_each_other_neither_is_believed() {
    let mut packets = received().0;
    packets.truncate(2);
    packets[1].host_ns += 60_000_000_000;
    assert_eq!(run(&Packets(packets), &[0], 2, 100), Err(BatchError::NoArrival));
}

#[test]
fn two_packets_are_placed_with_a_wide_interval() {
    let packets = Packets(received().0.into_iter().take(2).collect());
    let (report, asked) = run(&packets, &[0], 2, 100).unwrap();
    assert_eq!((report.segments, report.replayed), (1, None));
    assert!(asked[0].answer.unwrap().0.placement.u95_us > 50_000.0);
}
