#![expect(
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    reason = "a test stops at the first surprise"
)]
extern crate std;

use super::*;
use crate::intake::StreamConfig;
use crate::session::TickCounter;
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
    let (report, asked) = run(&received(), &events, 5_000, stages_for(5_000, 0, 104.0)).unwrap();
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
    let (_, asked) = run(&packets, &events, 5_000, stages_for(5_000, 0, 104.0)).unwrap();
    let came: Vec<Samples> = asked.iter().map(|asked| asked.answer.unwrap().1).collect();
    assert_eq!(came, [Samples::Received, Samples::Lost, Samples::Received, Samples::Outside]);
}

#[test]
fn too_little_room_is_answered() {
    let packets = received();
    assert_eq!(run(&packets, &[0], 100, 1_000), Err(BatchError::Room));
    assert_eq!(run(&packets, &[0], 5_000, 10), Err(BatchError::Room));
    assert_eq!(run(&Packets(Vec::new()), &[0], 10, 10), Err(BatchError::NoArrival));
}

#[test]
fn two_packets_are_placed_with_a_wide_interval() {
    let packets = Packets(received().0.into_iter().take(2).collect());
    let (report, asked) = run(&packets, &[0], 2, 100).unwrap();
    assert_eq!((report.segments, report.replayed), (1, None));
    assert!(asked[0].answer.unwrap().0.placement.u95_us > 50_000.0);
}
