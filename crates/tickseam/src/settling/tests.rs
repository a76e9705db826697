#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    reason = "a test stops at the first surprise, and its numbers are small"
)]
extern crate std;

use super::*;
use std::vec::Vec;

const MS: i64 = 1_000_000;
/// 250 Hz, 5 samples: one packet each 20 ms.
const PACKET_NS: i64 = 20 * MS;

fn stream(sequence_bits: u8) -> StreamConfig {
    StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits }
}

/// Up to two streams without ticks, and what was given of each: segment, index, tag.
struct Fed {
    settling: Settling<2, i64>,
    given: [Vec<(u32, i64, i64)>; 2],
}

impl Fed {
    fn new(streams: &[StreamConfig]) -> Self {
        let clock = DeviceClock { tick_hz: 32_768.0, tick_bits: 32, tolerance_ppm: 50.0 };
        Self { settling: Settling::new(clock, streams).unwrap(), given: [Vec::new(), Vec::new()] }
    }

    /// A packet of a stream with a sequence number as sent, tagged with a number of its own.
    fn take(&mut self, stream: usize, sequence: i64, host_ns: i64, tag: i64) -> Disposition {
        let stamp = PacketStamp { host_ns, sequence: sequence.cast_unsigned(), tick: None, samples: 5 };
        self.observe(stream, stamp, tag)
    }

    fn observe(&mut self, stream: usize, stamp: PacketStamp, tag: i64) -> Disposition {
        let given = &mut self.given;
        let intaken = self.settling.observe_tagged(stream, stamp, tag, |settled, tag| {
            given[settled.stream].push((settled.at.segment, settled.at.index, tag));
        });
        intaken.disposition
    }

    fn counters(&self) -> SettlingCounters {
        *self.settling.counters()
    }
}

/// What was given in a segment: index and tag.
fn of_segment(given: &[(u32, i64, i64)], segment: u32) -> Vec<(i64, i64)> {
    given.iter().filter(|(of, ..)| *of == segment).map(|&(_, index, tag)| (index, tag)).collect()
}

#[test]
fn a_packet_after_a_restart_is_given_once_though_it_came_twice() {
    let mut fed = Fed::new(&[stream(16)]);
    for number in 0..500 {
        assert_eq!(fed.take(0, 20_000 + number, number * PACKET_NS, number), Disposition::InOrder);
    }
    let at_ns = 520 * PACKET_NS;
    for tag in [500, 501] {
        assert!(matches!(fed.take(0, 0, at_ns, tag), Disposition::Quarantined { .. }));
    }
    assert_eq!(fed.given[0].len(), 500, "it waits");
    assert!(matches!(fed.take(0, 1, at_ns + PACKET_NS, 502), Disposition::NewSegment { .. }));
    assert_eq!(of_segment(&fed.given[0], 1), [(0, 500), (1, 502)]);
    assert_eq!((fed.settling.segment(), fed.settling.intake_counters().calls()), (1, 503));
    assert_eq!(fed.counters(), SettlingCounters { settled_later: 1, ..SettlingCounters::default() });
}

#[test]
fn what_seemed_a_restart_and_was_none_never_gets_a_place() {
    let mut fed = Fed::new(&[stream(16)]);
    for number in 0..100 {
        let _ = fed.take(0, 20_000 + number, number * PACKET_NS, number);
    }
    assert!(matches!(fed.take(0, 0, 100 * PACKET_NS, 100), Disposition::Quarantined { .. }));
    assert_eq!(fed.take(0, 20_100, 100 * PACKET_NS, 101), Disposition::InOrder);
    assert_eq!(fed.given[0].last(), Some(&(0, 20_100, 101)));
    assert_eq!(fed.counters(), SettlingCounters { never_settled: 1, ..SettlingCounters::default() });
}

#[test]
fn repeats_that_were_a_restart_are_given_in_the_new_segment_and_older_ones_stay_repeats() {
    let mut fed = Fed::new(&[stream(16)]);
    for number in 0..30 {
        assert_eq!(fed.take(0, number, number * PACKET_NS, number), Disposition::InOrder);
        if number > 20 {
            // An app that hears each of some packets twice.
            assert_eq!(fed.take(0, number, number * PACKET_NS + MS, 1_000 + number), Disposition::Duplicate);
        }
    }
    // More repeats of the newest than can turn out to be a restart.
    for copy in 0..6 {
        let host_ns = 30 * PACKET_NS + copy * MS;
        assert_eq!(fed.take(0, 29, host_ns, 2_000 + copy), Disposition::Duplicate);
    }
    let at_ns = 30 * PACKET_NS + 200 * MS;
    for number in 0..3 {
        let again = fed.take(0, number, at_ns + number * PACKET_NS, 3_000 + number);
        assert_eq!(again, Disposition::Duplicate, "{number}");
    }
    let confirming = fed.take(0, 3, at_ns + 3 * PACKET_NS, 3_003);
    assert!(matches!(confirming, Disposition::NewSegment { .. }), "{confirming:?}");
    assert_eq!(of_segment(&fed.given[0], 0), (0..30).map(|number| (number, number)).collect::<Vec<_>>());
    assert_eq!(of_segment(&fed.given[0], 1), [(0, 3_000), (1, 3_001), (2, 3_002), (3, 3_003)]);
    // A repeat is no packet that waits for a place.
    assert_eq!(fed.counters(), SettlingCounters { settled_later: 3, ..SettlingCounters::default() });
}

#[test]
fn a_stream_that_joins_a_restart_loses_none_and_leaves_the_others_alone() {
    let mut fed = Fed::new(&[stream(16); 2]);
    for number in 0..500 {
        for stream in 0..2 {
            assert_eq!(fed.take(stream, number, number * PACKET_NS, number), Disposition::InOrder);
        }
    }
    let at_ns = 500 * PACKET_NS + 300 * MS;
    let mut dispositions = Vec::new();
    for number in 0..6 {
        for stream in [0, 1] {
            dispositions.push(fed.take(stream, number, at_ns + number * PACKET_NS, 1_000 + number));
        }
    }
    let joined = |disposition: &Disposition| matches!(disposition, Disposition::JoinsSegment { .. });
    assert_eq!(dispositions.iter().filter(|d| joined(d)).count(), 1, "{dispositions:?}");
    for given in &fed.given {
        assert_eq!(of_segment(given, 1), (0..6).map(|number| (number, 1_000 + number)).collect::<Vec<_>>());
    }
    assert_eq!((fed.counters().settled_later, fed.counters().never_settled), (2, 0));
}

#[test]
fn packets_of_an_open_silence_are_given_in_the_segment_that_another_stream_opens() {
    // 8 bits turn in 5.12 s, so that a silence of 30 s leaves their turns open; 16 bits tell that the device restarted.
    let mut fed = Fed::new(&[stream(8), stream(16)]);
    for number in 0..200 {
        for stream in 0..2 {
            assert_eq!(fed.take(stream, number, number * PACKET_NS, number), Disposition::InOrder);
        }
    }
    let at_ns = 200 * PACKET_NS + 30_000 * MS;
    for number in 0..6 {
        for stream in 0..2 {
            let _ = fed.take(stream, number, at_ns + number * PACKET_NS, 1_000 + number);
        }
    }
    for given in &fed.given {
        assert_eq!(of_segment(given, 1), (0..6).map(|number| (number, 1_000 + number)).collect::<Vec<_>>());
    }
    assert_eq!(fed.settling.intake_counters().ambiguous, 2);
    assert_eq!((fed.counters().settled_later, fed.counters().never_settled), (3, 0));
}

#[test]
fn packets_that_wait_longer_than_there_is_room_count_as_forgotten() {
    // Packets each 8 ms and ten bits, which turn in 8.2 s. 24 s are lost while the host's clock is set by half a turn: nothing tells how
    // many turns passed, and two seconds of packets wait until that is sure.
    let quick = StreamConfig { samples_per_packet: 2, ..stream(10) };
    let mut fed = Fed::new(&[quick]);
    let take = |fed: &mut Fed, number: i64, late_ns: i64| {
        let stamp = PacketStamp {
            host_ns: number * 8 * MS + late_ns,
            sequence: (number % 1_024).cast_unsigned(),
            tick: None,
            samples: 2,
        };
        fed.observe(0, stamp, number)
    };
    for number in 0..1_000 {
        assert_eq!(take(&mut fed, number, 0), Disposition::InOrder);
    }
    let mut number = 4_000;
    let end = loop {
        let disposition = take(&mut fed, number, 4_096 * MS);
        number += 1;
        if !matches!(disposition, Disposition::Ambiguous { .. }) {
            break disposition;
        }
    };
    let unresolved = SegmentCause::TurnsUnresolved;
    assert!(matches!(end, Disposition::NewSegment { cause, .. } if cause == unresolved), "{end:?}");
    let (counters, waited) = (fed.counters(), fed.settling.intake_counters().ambiguous);
    assert!(waited > 128, "{waited}");
    assert_eq!((counters.settled_later, counters.forgotten), (128, waited - 128));
    assert_eq!(counters.never_settled, 0);
    // Those that were remembered are the newest, and lie one after the other.
    let given = of_segment(&fed.given[0], 1);
    assert_eq!((given.len(), given.last().unwrap().1), (129, number - 1));
    assert!(given.windows(2).all(|two| two[1].0 == two[0].0 + 1 && two[1].1 == two[0].1 + 1));
}
