//! Which packets are missing, exactly.
//!
//! Live, a [`GapTable`] keeps the open gaps of one stream in bounded memory and lets late packets shrink, split and
//! close them. In replay, [`missing_in_sorted`] reads the gaps off the sorted packet indexes. Both count in packets
//! of one stream within one segment; what a gap means in samples is [`Gap::samples`].

use core::iter::FusedIterator;
use heapless::Vec;

/// A run of packets that are missing, one after the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// Unwrapped index of the first missing packet.
    pub first_index: i64,
    /// How many packets are missing in a row, at least 1.
    pub count: u64,
}

impl Gap {
    /// Unwrapped index of the last missing packet.
    #[must_use]
    pub const fn last_index(&self) -> i64 {
        self.first_index.saturating_add_unsigned(self.count.saturating_sub(1))
    }

    /// Samples missing at the nominal packet size; `u64::MAX` where that does not fit.
    #[must_use]
    pub fn samples(&self, samples_per_packet: u32) -> u64 {
        self.count.saturating_mul(u64::from(samples_per_packet))
    }

    /// The packets strictly between two received ones, the lower first; `None` where they are neighbours.
    fn between(lower: i64, upper: i64) -> Option<Self> {
        let count = upper.abs_diff(lower).saturating_sub(1);
        if count == 0 { None } else { Some(Self { first_index: lower.saturating_add(1), count }) }
    }
}

/// What a received packet did to the gaps of its stream.
#[must_use]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GapChange {
    /// The packet follows the newest one (or precedes the earliest): nothing is missing between.
    Unchanged,
    /// Packets are missing between this one and what was known.
    Opened(Gap),
    /// The packet was the first or last one missing in a gap, which is now one shorter.
    Shrunk,
    /// The packet lay inside a gap, which is now two.
    Split,
    /// The packet was the last one missing in its gap.
    Closed,
    /// The packet is not missing: it was received before.
    NotMissing,
    /// The packet lies before the last finalised gap, where nothing changes any more; if it was missing, it
    /// stays counted so.
    Finalised,
}

/// The open gaps of one stream, live, in bounded memory.
///
/// Feed it the index of each resolved packet, in order of arrival; begin a new table where a segment begins.
/// Indexes that an intake could only give provisionally may be fed once they are resolved; until then they count as
/// missing.
///
/// When all `N` places are taken, the oldest gap is finalised: it leaves the list, is counted as lost for good, and
/// a packet that turns up for it later is answered [`GapChange::Finalised`]. A packet that opens, extends, shrinks or
/// closes a gap is never refused for want of room. The totals count every gap, listed or finalised, and stay exact.
///
/// With `N` ≥ 32 no gap that the intake's reorder window of 62 packets can still reach is finalised early, because
/// 62 packets hold at most 31 gaps.
///
/// Cost: a binary search, and up to `N` moves where a gap opens before another or closes. Memory 16 `N` + 48 bytes.
#[derive(Clone, Debug)]
pub struct GapTable<const N: usize> {
    open: Vec<Gap, N>,
    span: Option<(i64, i64)>,
    finalised_before: Option<i64>,
    finalised_gaps: u64,
    finalised_packets: u64,
    open_packets: u64,
}

impl<const N: usize> Default for GapTable<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> GapTable<N> {
    /// A table for a stream of which nothing has been received.
    #[must_use]
    pub const fn new() -> Self {
        const { assert!(N > 0, "a gap table holds at least one gap") };
        Self {
            open: Vec::new(),
            span: None,
            finalised_before: None,
            finalised_gaps: 0,
            finalised_packets: 0,
            open_packets: 0,
        }
    }

    /// Take a received packet into account.
    pub fn receive(&mut self, index: i64) -> GapChange {
        let Some((earliest, newest)) = self.span else {
            self.span = Some((index, index));
            return GapChange::Unchanged;
        };
        if index > newest {
            self.span = Some((earliest, index));
            return self.open_between(newest, index);
        }
        if index < earliest {
            if self.finalised_before.is_some_and(|before| index < before) {
                return GapChange::Finalised;
            }
            self.span = Some((index, newest));
            return self.open_between(index, earliest);
        }
        self.fill(index)
    }

    fn open_between(&mut self, lower: i64, upper: i64) -> GapChange {
        match Gap::between(lower, upper) {
            None => GapChange::Unchanged,
            Some(gap) => {
                self.list(gap);
                GapChange::Opened(gap)
            }
        }
    }

    /// Put a gap in its place, finalising the oldest one first where there is no room.
    fn list(&mut self, gap: Gap) {
        self.open_packets = self.open_packets.saturating_add(gap.count);
        if self.open.is_full() {
            match self.open.first().copied() {
                Some(oldest) if oldest.first_index < gap.first_index => {
                    self.unlist(0);
                    self.finalise_one(oldest);
                }
                _ => {
                    self.finalise_one(gap);
                    return;
                }
            }
        }
        let place = self.open.partition_point(|listed| listed.first_index < gap.first_index);
        let mut carried = gap;
        for listed in self.open.iter_mut().skip(place) {
            core::mem::swap(listed, &mut carried);
        }
        // There is room: N is at least 1, and one gap has left a full list.
        let _ = self.open.push(carried);
    }

    /// Take one gap off the list; the later ones move down.
    fn unlist(&mut self, place: usize) {
        let Some(mut carried) = self.open.pop() else { return };
        for listed in self.open.iter_mut().skip(place).rev() {
            core::mem::swap(listed, &mut carried);
        }
    }

    fn finalise_one(&mut self, gap: Gap) {
        self.open_packets = self.open_packets.saturating_sub(gap.count);
        self.finalised_packets = self.finalised_packets.saturating_add(gap.count);
        self.finalised_gaps = self.finalised_gaps.saturating_add(1);
        let before = gap.last_index().saturating_add(1);
        self.finalised_before = Some(self.finalised_before.map_or(before, |known| known.max(before)));
    }

    fn fill(&mut self, index: i64) -> GapChange {
        let place = self.open.partition_point(|listed| listed.last_index() < index);
        let Some(gap) = self.open.get_mut(place).filter(|gap| gap.first_index <= index) else {
            return if self.finalised_before.is_some_and(|before| index < before) {
                GapChange::Finalised
            } else {
                GapChange::NotMissing
            };
        };
        let whole = *gap;
        self.open_packets = self.open_packets.saturating_sub(1);
        if whole.count == 1 {
            self.unlist(place);
            return GapChange::Closed;
        }
        if index == whole.first_index {
            gap.first_index = index.saturating_add(1);
            gap.count = whole.count.saturating_sub(1);
            return GapChange::Shrunk;
        }
        let below = index.abs_diff(whole.first_index);
        gap.count = below;
        let above = whole.count.saturating_sub(below).saturating_sub(1);
        if above == 0 {
            return GapChange::Shrunk;
        }
        self.open_packets = self.open_packets.saturating_sub(above);
        self.list(Gap { first_index: index.saturating_add(1), count: above });
        GapChange::Split
    }

    /// Give up waiting: every open gap is finalised, as at the end of a segment.
    pub fn finalise(&mut self) {
        while let Some(gap) = self.open.first().copied() {
            self.unlist(0);
            self.finalise_one(gap);
        }
    }

    /// The gaps that late packets may still close, oldest first.
    #[must_use]
    pub fn open(&self) -> &[Gap] {
        &self.open
    }

    /// All packets missing so far, in open and in finalised gaps.
    #[must_use]
    pub const fn missing_packets(&self) -> u64 {
        self.open_packets.saturating_add(self.finalised_packets)
    }

    /// All gaps so far, open and finalised. A gap that was finalised in parts counts once for each part.
    #[must_use]
    pub fn gaps(&self) -> u64 {
        self.finalised_gaps.saturating_add(self.open.iter().map(|_| 1_u64).sum())
    }

    /// Samples missing so far at the nominal packet size; `u64::MAX` where that does not fit.
    #[must_use]
    pub fn missing_samples(&self, samples_per_packet: u32) -> u64 {
        self.missing_packets().saturating_mul(u64::from(samples_per_packet))
    }
}

/// The gaps between received packets whose indexes are given in ascending order, duplicates allowed.
///
/// An index below one that came before it is passed over, as a duplicate is: sort first. Cost: constant for each index.
pub fn missing_in_sorted<I>(indexes: I) -> MissingInSorted<I::IntoIter>
where
    I: IntoIterator<Item = i64>,
{
    MissingInSorted { indexes: indexes.into_iter().fuse(), newest: None }
}

/// The iterator of [`missing_in_sorted`].
#[derive(Clone, Debug)]
pub struct MissingInSorted<I> {
    indexes: core::iter::Fuse<I>,
    newest: Option<i64>,
}

impl<I: Iterator<Item = i64>> Iterator for MissingInSorted<I> {
    type Item = Gap;

    fn next(&mut self) -> Option<Gap> {
        for index in self.indexes.by_ref() {
            let gap = match self.newest {
                Some(newest) if index <= newest => continue,
                Some(newest) => Gap::between(newest, index),
                None => None,
            };
            self.newest = Some(index);
            if gap.is_some() {
                return gap;
            }
        }
        None
    }
}

impl<I: Iterator<Item = i64>> FusedIterator for MissingInSorted<I> {}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::collections::BTreeSet;
    use std::vec;
    use std::vec::Vec;

    #[test]
    fn sorted_indexes_give_exactly_the_missing_runs() {
        let gaps: Vec<Gap> = missing_in_sorted([-2, -2, -1, 3, 4, 4, 6, 10]).collect();
        assert_eq!(
            gaps,
            vec![
                Gap { first_index: 0, count: 3 },
                Gap { first_index: 5, count: 1 },
                Gap { first_index: 7, count: 3 }
            ]
        );
        assert_eq!(gaps.iter().map(|gap| gap.samples(5)).sum::<u64>(), 35);
        assert_eq!(gaps.first().map(Gap::last_index), Some(2));
        assert_eq!(missing_in_sorted([]).count(), 0);
        assert_eq!(missing_in_sorted([7]).count(), 0);
    }

    #[test]
    fn the_widest_gap_there_is_is_counted_without_overflow() {
        let gaps: Vec<Gap> = missing_in_sorted([i64::MIN, i64::MAX]).collect();
        assert_eq!(gaps, vec![Gap { first_index: i64::MIN + 1, count: u64::MAX - 1 }]);
        assert_eq!(gaps.first().map(Gap::last_index), Some(i64::MAX - 1));
    }

    #[test]
    fn late_packets_shrink_split_and_close_a_gap() {
        let mut table = GapTable::<4>::new();
        assert_eq!(table.receive(10), GapChange::Unchanged);
        assert_eq!(table.receive(11), GapChange::Unchanged);
        assert_eq!(table.receive(17), GapChange::Opened(Gap { first_index: 12, count: 5 }));
        assert_eq!(table.receive(14), GapChange::Split);
        assert_eq!(table.open(), [Gap { first_index: 12, count: 2 }, Gap { first_index: 15, count: 2 }]);
        assert_eq!(table.receive(12), GapChange::Shrunk);
        assert_eq!(table.receive(16), GapChange::Shrunk);
        assert_eq!(table.receive(13), GapChange::Closed);
        assert_eq!(table.receive(13), GapChange::NotMissing);
        assert_eq!(table.open(), [Gap { first_index: 15, count: 1 }]);
        assert_eq!(table.receive(8), GapChange::Opened(Gap { first_index: 9, count: 1 }));
        assert_eq!((table.missing_packets(), table.gaps(), table.missing_samples(5)), (2, 2, 10));
    }

    #[test]
    fn a_full_table_finalises_the_oldest_gap_and_still_closes_the_first_listed() {
        let mut table = GapTable::<2>::new();
        for index in [0, 2, 4] {
            let _ = table.receive(index);
        }
        assert_eq!(table.receive(6), GapChange::Opened(Gap { first_index: 5, count: 1 }));
        assert_eq!(table.open().len(), 2);
        assert_eq!((table.missing_packets(), table.gaps()), (3, 3));
        assert_eq!(table.receive(3), GapChange::Closed);
        assert_eq!(table.receive(1), GapChange::Finalised);
        assert_eq!((table.missing_packets(), table.gaps()), (2, 2));
    }

    #[test]
    fn a_full_table_finalises_a_gap_that_opens_before_all_others() {
        let mut table = GapTable::<1>::default();
        let _ = table.receive(10);
        assert_eq!(table.receive(12), GapChange::Opened(Gap { first_index: 11, count: 1 }));
        // A packet from before all of them opens a gap for which there is no room but at the front.
        assert_eq!(table.receive(7), GapChange::Opened(Gap { first_index: 8, count: 2 }));
        assert_eq!(table.open(), [Gap { first_index: 11, count: 1 }]);
        assert_eq!((table.missing_packets(), table.gaps()), (3, 2));
        for index in [9, 8, 5, 6] {
            assert_eq!(table.receive(index), GapChange::Finalised, "{index}");
        }
        assert_eq!((table.receive(11), table.missing_packets(), table.gaps()), (GapChange::Closed, 2, 1));
    }

    #[test]
    fn a_split_in_a_full_table_finalises_the_older_part() {
        let mut table = GapTable::<1>::new();
        let _ = table.receive(0);
        let _ = table.receive(10);
        assert_eq!(table.receive(5), GapChange::Split);
        assert_eq!(table.open(), [Gap { first_index: 6, count: 4 }]);
        assert_eq!((table.missing_packets(), table.gaps()), (8, 2));
        table.finalise();
        assert_eq!(table.open(), []);
        assert_eq!((table.missing_packets(), table.gaps()), (8, 2));
    }

    #[test]
    fn what_comes_from_before_the_first_once_gaps_were_finalised_is_too_late() {
        let mut table = GapTable::<1>::new();
        for index in [5, 7] {
            let _ = table.receive(index);
        }
        assert_eq!(table.receive(2), GapChange::Opened(Gap { first_index: 3, count: 2 }));
        // There was no room for the older gap: it was given up at once, and with it all that lies before it.
        assert_eq!(
            (table.open(), table.missing_packets()),
            ([Gap { first_index: 6, count: 1 }].as_slice(), 3)
        );
        assert_eq!(table.receive(0), GapChange::Finalised);
        assert_eq!((table.missing_packets(), table.gaps()), (3, 2));
    }

    /// Any order of arrival, with repeats, ends in what sorting gives, as long as nothing had to be finalised.
    #[test]
    fn live_and_replayed_gaps_agree_for_shuffled_arrivals() {
        let mut state = 1_u64;
        let mut draw = |below: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % below
        };
        for _ in 0..300 {
            let mut table = GapTable::<64>::new();
            let mut received = BTreeSet::new();
            for _ in 0..draw(120) {
                let index = draw(100).cast_signed() - 50;
                let fresh = received.insert(index);
                let change = table.receive(index);
                assert_eq!(change == GapChange::NotMissing, !fresh);
            }
            let replayed: Vec<Gap> = missing_in_sorted(received.iter().copied()).collect();
            assert_eq!(table.open(), replayed);
            assert_eq!(table.missing_packets(), replayed.iter().map(|gap| gap.count).sum::<u64>());
        }
    }
}
