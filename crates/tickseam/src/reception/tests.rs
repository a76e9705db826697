#![allow(clippy::arithmetic_side_effects, clippy::indexing_slicing, reason = "a test's numbers are small")]
extern crate std;
use std::vec::Vec;

use super::*;

/// Stream, sequence number of 8 bits, host stamp in ms.
type Written = (usize, u64, i64);

fn order(written: &[Written]) -> Vec<usize> {
    let mut reception = Reception::default();
    let mut order = Vec::new();
    for (row, &(stream, sequence, host_ms)) in written.iter().enumerate() {
        let stamp = PacketStamp { host_ns: host_ms * 1_000_000, sequence, tick: None, samples: 1 };
        order.extend(reception.observe(stream, 8, &stamp, row));
    }
    order.extend(core::iter::from_fn(|| reception.pop()));
    order
}

/// Packets of two streams, the second of which sends a third as often; numbers turn after 256.
fn in_time(count: u32) -> Vec<Written> {
    let packet = |stream, n: u32, at_ms: u32| (stream, u64::from(n % 256), i64::from(at_ms));
    let mut written: Vec<Written> = (0..count).map(|n| packet(0, n, 20 * n)).collect();
    written.extend((0..count / 3).map(|n| packet(1, n, 60 * n + 7)));
    written.sort_by_key(|&(_, _, host_ms)| host_ms);
    written
}

#[test]
fn what_is_in_order_stays_in_order() {
    let written = in_time(1_000);
    assert_eq!(order(&written), (0..written.len()).collect::<Vec<_>>());
}

#[test]
fn every_order_within_the_places_is_put_right() {
    let written = in_time(1_000);
    for stretch in [2, 3, 17, 40, PLACES] {
        // Each stretch back to front: no packet is farther from its place than the stretch is long.
        let mut rows: Vec<usize> = (0..written.len()).collect();
        rows.chunks_mut(stretch).for_each(<[usize]>::reverse);
        let mixed: Vec<Written> = rows.iter().map(|&row| written[row]).collect();
        let put_right: Vec<Written> = order(&mixed).into_iter().map(|row| mixed[row]).collect();
        assert!(put_right == written, "{stretch}");
    }
}

#[test]
fn a_clock_that_was_set_and_a_packet_that_came_late_move_nothing() {
    for set_ms in [-3_600_000, -3_000, -50, -1, 50, 3_000] {
        let mut written = in_time(300);
        written.iter_mut().skip(200).for_each(|row| row.2 += set_ms);
        assert_eq!(order(&written), (0..written.len()).collect::<Vec<_>>(), "{set_ms} ms");
    }
    let late = [(0, 1, 20), (0, 3, 60), (0, 2, 61), (0, 4, 80)];
    assert_eq!(order(&late), [0, 1, 2, 3]);
}

#[test]
fn copies_go_by_their_stamps_and_equal_stamps_keep_their_order() {
    assert_eq!(order(&[(0, 7, 50), (0, 7, 40)]), [1, 0]);
    assert_eq!(order(&[(0, 7, 40), (0, 7, 50)]), [0, 1]);
    assert_eq!(order(&[(0, 9, 40), (0, 8, 40), (0, 255, 40), (0, 10, 40)]), [0, 1, 2, 3]);
    assert_eq!(order(&[(1, 9, 40), (0, 8, 40)]), [0, 1]);
}
