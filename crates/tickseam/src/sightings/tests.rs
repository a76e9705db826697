#![allow(
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    reason = "a test stops at the first surprise, and its numbers are small"
)]
extern crate std;

use super::*;
use std::vec;
use std::vec::Vec;

const HZ: f64 = 32_768.0;
/// A counter of 24 bits turns once in 512 s.
const BITS: u8 = 24;
const HOST_0: i64 = 5_000_000_000_000;
/// Near the counter's end: it wraps within the first seconds.
const TICK_0: i64 = (1 << BITS) - 40_000;
const TICK_US: f64 = 1e6 / HZ;

/// The clock's residual, µs, at a device time: what an ideal observer knows.
fn clock_us(device_s: f64) -> f64 {
    1_000.0 + 30.0 * device_s
}

fn sightings() -> Sightings {
    let ticks = Frame { device_origin: TICK_0, counts_per_s: HZ, host_origin_ns: HOST_0 };
    Sightings::new(BITS, ticks, 0.001).unwrap()
}

/// What the counter shows at a device time, and the host's stamp `later_us` after it.
fn seen(device_s: f64, later_us: f64) -> (u64, i64) {
    let tick = (TICK_0 + (device_s * HZ) as i64).rem_euclid(1 << BITS);
    let host_ns = HOST_0 + ((device_s * 1e6 + clock_us(device_s) + later_us) * 1e3) as i64;
    (tick.cast_unsigned(), host_ns)
}

/// A request that takes `there_us`, and its reply a millisecond later that takes `back_us`.
fn exchange(received_s: f64, there_us: f64, back_us: f64) -> ExchangeStamps {
    let ((receive_tick, origin_ns), (transmit_tick, destination_ns)) =
        (seen(received_s, -there_us), seen(received_s + 0.001, back_us));
    ExchangeStamps { origin_ns, receive_tick, transmit_tick, destination_ns }
}

fn marker(device_s: f64) -> MarkerStamps {
    let (tick, host_ns) = seen(device_s, 0.0);
    MarkerStamps { host_ns, tick }
}

#[test]
fn ticks_are_read_on_the_turn_that_the_hosts_clock_expects_and_bound_the_clock() {
    for at_s in [0.5, 2.0, 511.0, 513.5, 7_000.25] {
        let [request, reply] = sightings().of_exchange(exchange(at_s, 4_000.0, 9_000.0), &clock_us).unwrap();
        for (pair, true_s) in [(request, at_s), (reply, at_s + 0.001)] {
            assert!((true_s - pair.at_s).abs() < 1.1 / HZ, "{at_s} s: {pair:?}");
        }
        // Each bound is off by the way that its message took and by the ticks that were rounded down, those of the origin too.
        let (low_us, high_us) =
            (clock_us(at_s) - request.low_us.unwrap(), reply.high_us.unwrap() - clock_us(at_s));
        assert!((0.0..=1.1 * TICK_US).contains(&(low_us - 4_000.0)), "{at_s} s: {low_us}");
        assert!((0.0..=2.1 * TICK_US).contains(&(high_us - 9_000.0)), "{at_s} s: {high_us}");
        assert_eq!((request.high_us, reply.low_us), (None, None));

        let pair = sightings().of_marker(marker(at_s), &clock_us).unwrap();
        let (low_us, high_us) = (pair.low_us.unwrap(), pair.high_us.unwrap());
        assert!(low_us <= clock_us(at_s) && clock_us(at_s) <= high_us, "{pair:?}");
        assert!((0.0..2.1 * TICK_US).contains(&(high_us - low_us - 2.0 * MARKER_US)), "{pair:?}");
    }
}

#[test]
fn what_belongs_to_another_segment_or_runs_backwards_is_refused() {
    let good = exchange(20.0, 4_000.0, 9_000.0);
    let refused = |exchange| sightings().of_exchange(exchange, &clock_us).is_none();
    assert!(!refused(good));
    assert!(refused(ExchangeStamps { destination_ns: good.origin_ns - 1, ..good }));
    let (receive_tick, transmit_tick) = (good.transmit_tick, good.receive_tick);
    assert!(refused(ExchangeStamps { receive_tick, transmit_tick, ..good }));
    // Two seconds are as far as a tick may be from where the arrivals expect it.
    for (apart_s, far) in [(1.9, false), (2.1, true), (-1.9, false), (-2.1, true)] {
        let off = MarkerStamps { tick: marker(20.0 + apart_s).tick, ..marker(20.0) };
        assert_eq!(sightings().of_marker(off, &clock_us).is_none(), far, "{apart_s} s");
    }
    let no_tick = 1 << BITS;
    assert!(refused(ExchangeStamps { receive_tick: no_tick, ..good }));
    assert!(refused(ExchangeStamps { transmit_tick: no_tick, ..good }));
    assert!(sightings().of_marker(MarkerStamps { tick: no_tick, ..marker(20.0) }, &clock_us).is_none());
    let ticks = Frame { device_origin: 0, counts_per_s: HZ, host_origin_ns: 0 };
    assert!(Sightings::new(1, ticks, 0.0).is_none() && Sightings::new(65, ticks, 0.0).is_none());
}

/// All pairs between two device times, s, with room for so many.
fn between(
    exchanges: &[ExchangeStamps],
    markers: &[MarkerStamps],
    span_s: (f64, f64),
    room: usize,
) -> Option<(Found, Vec<SyncPair>)> {
    let mut pairs = vec![SyncPair::default(); room];
    let (exchanges, markers) = (exchanges.iter().copied(), markers.iter().copied());
    let found = sightings().between(exchanges, markers, span_s, &clock_us, &mut pairs)?;
    pairs.truncate(found.pairs);
    Some((found, pairs))
}

#[test]
fn the_pairs_of_a_segment_come_in_the_order_of_device_time() {
    // Neither sort is in order; the last ones lie before and after the segment, one marker at the tick of a request.
    let exchanges = [30.0, 10.0, 50.0, 2.9, 107.5].map(|at_s| exchange(at_s, 4_000.0, 9_000.0));
    let markers = [40.0, 30.0, 20.0, 107.5, 2.9].map(marker);
    let span_s = (5.0, 105.0);
    let (found, pairs) = between(&exchanges, &markers, span_s, 9).unwrap();
    assert_eq!(found, Found { pairs: 9, exchanges: 3, markers: 3 });
    let shape: Vec<(i32, bool, bool)> =
        pairs.iter().map(|p| ((p.at_s + 1e-4) as i32, p.low_us.is_some(), p.high_us.is_some())).collect();
    let (request, reply, both) = ((true, false), (false, true), (true, true));
    let want = [(10, request), (10, reply), (20, both), (30, request), (30, both), (30, reply), (40, both)];
    let want = want.into_iter().chain([(50, request), (50, reply)]).map(|(s, (low, high))| (s, low, high));
    assert_eq!(shape, want.collect::<Vec<_>>());
    assert!(pairs.is_sorted_by(|a, b| a.at_s <= b.at_s));
    // Two seconds before the segment still belong to it.
    let (found, _) = between(&exchanges, &markers, (4.8, 105.6), 15).unwrap();
    assert_eq!(found, Found { pairs: 15, exchanges: 5, markers: 5 });
    // One pair too little room, for an exchange or for a marker.
    assert_eq!(between(&exchanges, &markers, span_s, 8), None);
    assert_eq!(between(&exchanges, &[], span_s, 5), None);
    assert_eq!(between(&[], &[], span_s, 0), Some((Found::default(), vec![])));
}

#[test]
fn enough_markers_that_scatter_little_are_believed_more_closely() {
    let markers: Vec<MarkerStamps> = (1..=20_u32).map(|i| marker(4.97 * f64::from(i))).collect();
    let (found, pairs) = between(&[], &markers, (0.0, 110.0), 20).unwrap();
    assert_eq!(found.markers, 20);
    for pair in pairs {
        let (low_us, high_us) = (pair.low_us.unwrap(), pair.high_us.unwrap());
        assert!(low_us <= clock_us(pair.at_s) && clock_us(pair.at_s) <= high_us, "{pair:?}");
        // They scatter by what ticks are rounded by.
        assert!(high_us - low_us < MARKER_US, "{pair:?}");
    }
}
