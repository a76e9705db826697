//! The order in which packets were received, where whoever logged them wrote them down in another one.
//!
//! Threads of an app may write their packets one before the other though the stamps were taken in time. A packet goes before those that have
//! later stamps *and* later numbers: where only one of both is so, a packet came late or the host's clock was set, and nothing is moved. Nor are
//! packets of one stamp, the order of which tells whether they came together or past each other.

use core::cmp::Ordering;

use heapless::Deque;

use crate::intake::PacketStamp;
use crate::serial::SerialSpace;

/// Packets that one may move past, of all streams together.
pub const PLACES: usize = 64;
/// How much later the stamp of one that is passed may be, ns: clocks are set by more, hands of a scheduler slower than that are unknown.
const FARTHEST_NS: u64 = 2_000_000_000;

/// Hands packets on in the order of their stamps, each of them [`PLACES`] packets later. Cost: one comparison for a packet that is in order.
#[derive(Debug, Default)]
pub struct Reception {
    held: Deque<Row, PLACES>,
}

#[derive(Clone, Copy, Debug)]
struct Row {
    host_ns: i64,
    sequence: u64,
    row: usize,
    stream: usize,
    space: Option<SerialSpace>,
}

/// Where a packet belongs that was written behind another one.
enum Belongs {
    Behind,
    Before,
    /// Stamps and numbers contradict each other.
    Nobody,
}

impl Row {
    fn belongs(&self, other: &Self) -> Belongs {
        if self.host_ns >= other.host_ns {
            return Belongs::Behind;
        }
        let later_ns = other.host_ns.abs_diff(self.host_ns);
        if later_ns > FARTHEST_NS {
            return Belongs::Nobody;
        }
        if self.stream != other.stream {
            return Belongs::Before;
        }
        match self.space.and_then(|space| space.compare(self.sequence, other.sequence)) {
            Some(Ordering::Less | Ordering::Equal) => Belongs::Before,
            _ => Belongs::Nobody,
        }
    }
}

impl Reception {
    /// Takes the packet that was written down next, of a stream whose sequence numbers have so many bits; returns the number `row` of the one
    /// that is next in the order of reception, once there is one.
    #[inline(never)]
    pub fn observe(
        &mut self,
        stream: usize,
        sequence_bits: u8,
        stamp: &PacketStamp,
        row: usize,
    ) -> Option<usize> {
        let first = if self.held.is_full() { self.pop() } else { None };
        let space = SerialSpace::new(sequence_bits).ok();
        let new = Row { host_ns: stamp.host_ns, sequence: stamp.sequence, row, stream, space };
        let mut passed = 0_usize;
        for held in self.held.iter().rev() {
            match new.belongs(held) {
                Belongs::Behind => break,
                Belongs::Before => passed = passed.saturating_add(1),
                Belongs::Nobody => {
                    passed = 0;
                    break;
                }
            }
        }
        let mut moved = new;
        let place = self.held.len().saturating_sub(passed);
        for slot in self.held.iter_mut().skip(place) {
            core::mem::swap(slot, &mut moved);
        }
        // There is room: it was made above.
        let _ = self.held.push_back(moved);
        first
    }

    /// The next of those that are left when no more packets come; `None` behind the last.
    pub fn pop(&mut self) -> Option<usize> {
        self.held.pop_front().map(|held| held.row)
    }
}

#[cfg(test)]
mod tests;
