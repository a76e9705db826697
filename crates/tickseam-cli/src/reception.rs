//! Packets in the order of reception, of a log whose writer mixed it up.

use tickseam::intake::PacketStamp;
use tickseam::reception::Reception;
use tickseam_record::{Description, Packets};

/// The rows of the packets in the order of reception; `None` where they are in it as they stand.
pub(crate) fn order(description: &Description, packets: &Packets<'_>) -> Option<Vec<u32>> {
    let ascending = |pair: &[i64]| pair[0] < pair[1];
    if packets.host_ns().windows(2).all(ascending) {
        return None;
    }
    let bits: Vec<u8> = description.streams.iter().map(|stream| stream.sequence_bits).collect();
    let mut reception = Reception::default();
    let mut order = Vec::with_capacity(packets.len());
    let columns = packets.host_ns().iter().zip(packets.stream()).zip(packets.sequence());
    for (row, ((&host_ns, &stream), &sequence)) in columns.enumerate() {
        let stamp = PacketStamp { host_ns, sequence: u64::from(sequence), tick: None, samples: 1 };
        let stream = usize::from(stream);
        order.extend(reception.observe(stream, bits[stream], &stamp, row).map(|row| row as u32));
    }
    order.extend(std::iter::from_fn(|| reception.pop()).map(|row| row as u32));
    let moved = order.iter().enumerate().any(|(place, &row)| place != row as usize);
    moved.then_some(order)
}

/// How many packets stand behind one that was received after them.
pub(crate) fn misplaced(order: &[u32]) -> usize {
    let mut place = vec![0; order.len()];
    for (at, &row) in order.iter().enumerate() {
        place[row as usize] = at;
    }
    let mut latest = 0;
    let mut misplaced = 0;
    for at in place {
        misplaced += usize::from(at < latest);
        latest = latest.max(at);
    }
    misplaced
}
