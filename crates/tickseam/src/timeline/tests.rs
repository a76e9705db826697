#![allow(
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    reason = "a test stops at the first surprise, and its numbers are small"
)]
extern crate std;

use super::*;
use std::vec::Vec;

const STREAM: StreamConfig = StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 16 };
const HZ: f64 = 32_768.0;
/// The counter at the first sample of packet 0, which no tick shows exactly.
const FIRST_TICK: f64 = 9_000.6;

/// Packet `n` of a device whose samples come `ppm` slower than its counter says they should.
fn packet(n: u32, ppm: f64) -> Counted {
    let tick = (FIRST_TICK + f64::from(n) * 0.02 * HZ * (1.0 + ppm * 1e-6)) as i64;
    Counted { index: i64::from(n) + 70, tick: Some(tick), samples: 5 }
}

fn timeline(packets: &[Counted]) -> Timeline {
    Timeline::of(packets.iter().copied(), STREAM, Some(HZ)).unwrap()
}

fn first_tick(timeline: &Timeline) -> f64 {
    let FirstTick { whole, rest } = timeline.first_tick.unwrap();
    assert!((0.0..1.0).contains(&rest));
    float(whole) + rest
}

#[test]
fn one_crystal_for_both_lets_samples_count_and_tells_the_first_tick_closely() {
    let packets: Vec<Counted> = (0..1_000).rev().map(|n| packet(n, 0.0)).collect();
    let timeline = timeline(&packets);
    assert_eq!((timeline.clock, timeline.first_index), (CountClock::Samples, 70));
    // 655.36 ticks a packet: a thousand of them show what one tick was rounded down by.
    assert!((first_tick(&timeline) - FIRST_TICK).abs() < 0.05, "{timeline:?}");
    assert_eq!(timeline.count(packets[0]), Some((999 + 70) * 5));
    let frame = timeline.frame(4, Some(HZ));
    assert_eq!(frame, Frame { device_origin: 350, counts_per_s: 250.0, host_origin_ns: 4 });
}

#[test]
fn samples_of_a_crystal_of_their_own_are_placed_by_ticks() {
    let packets: Vec<Counted> = (0..1_000).map(|n| packet(n, 200.0)).collect();
    let timeline = timeline(&packets);
    assert_eq!(timeline.clock, CountClock::Ticks);
    assert_eq!(timeline.count(packets[7]), packets[7].tick);
    assert_eq!(timeline.count(Counted { tick: None, ..packets[7] }), None);
    let frame = timeline.frame(4, Some(HZ));
    assert_eq!(frame, Frame { device_origin: 9_000, counts_per_s: HZ, host_origin_ns: 4 });
    // Packets of another size than usual are no clock either, though both follow one crystal.
    let mut varying: Vec<Counted> = (0..1_000).map(|n| packet(n, 0.0)).collect();
    varying[500].samples = 4;
    assert_eq!(self::timeline(&varying).clock, CountClock::Ticks);
}

#[test]
fn the_first_tick_is_reckoned_back_where_the_earliest_packets_carry_none() {
    let mut packets: Vec<Counted> = (0..1_000).map(|n| packet(n, 200.0)).collect();
    for early in &mut packets[..3] {
        early.tick = None;
    }
    let timeline = timeline(&packets);
    assert_eq!((timeline.clock, timeline.first_index), (CountClock::Ticks, 70));
    // Half a tick of rounding, and three packets at a rate that is 200 ppm off: 0.4 ticks.
    assert!((first_tick(&timeline) - FIRST_TICK).abs() < 0.5 + 0.4 + 1e-6, "{timeline:?}");
}

#[test]
fn without_ticks_or_packets_there_is_little_to_decide() {
    let plain = |n: u32| Counted { tick: None, ..packet(n, 0.0) };
    let by_samples = Timeline::of((3..9).map(plain), STREAM, Some(HZ)).unwrap();
    assert_eq!((by_samples.clock, by_samples.first_tick), (CountClock::Samples, None));
    let unread = Timeline::of((3..9).map(|n| packet(n, 0.0)), STREAM, None).unwrap();
    assert_eq!(unread, by_samples);
    assert_eq!(Timeline::of(core::iter::empty(), STREAM, Some(HZ)), None);
}

#[test]
fn samples_that_came_are_told_from_lost_ones_also_around_packets_without_a_tick() {
    // Packets 0 to 99 but for 40 to 49; those from 60 on without a tick but the last.
    let packets: Vec<Counted> = (0..100)
        .filter(|n| !(40..50).contains(n))
        .map(|n| Counted { tick: packet(n, 200.0).tick.filter(|_| n < 60 || n == 99), ..packet(n, 200.0) })
        .collect();
    let timeline = timeline(&packets);
    assert_eq!(timeline.clock, CountClock::Ticks);
    let frame = timeline.frame(0, Some(HZ));
    let at =
        |device_s| timeline.samples_at(&frame, device_s, packets.len(), |place| packets.get(place).copied());
    for (device_s, came) in [
        (-0.001, Samples::Outside),
        (0.001, Samples::Received),
        (0.799, Samples::Received),
        (0.801, Samples::Lost),
        (0.999, Samples::Lost),
        (1.001, Samples::Received),
        (1.301, Samples::Received),
        (1.9, Samples::Received),
        (1.999, Samples::Received),
        (2.002, Samples::Outside),
    ] {
        assert_eq!(at(device_s), came, "{device_s} s");
    }
    assert_eq!(timeline.samples_at(&frame, 0.5, 0, |_| None), Samples::Outside);
}
