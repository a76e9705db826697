//! How much packet delays vary, by the definitions of the Internet's standards; a constant clock offset cancels in all of
//! them.
//!
//! They describe a link. None of them says where the sample timeline lies, since a mean of delays is not their minimum.

use crate::line::nearest_f64;

/// Interarrival jitter of RFC 3550, section 6.4.1: a running mean of the change of transit time from packet to packet.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct InterarrivalJitter {
    transit: Option<i64>,
    jitter: f64,
}

impl InterarrivalJitter {
    /// Starts with no packet and zero jitter.
    #[must_use]
    pub const fn new() -> Self {
        Self { transit: None, jitter: 0.0 }
    }

    /// Takes the next packet in order of arrival: when it was sent and when it arrived, in the same unit, each on its own
    /// clock.
    ///
    /// Returns D, the change of transit time since the packet before, in that unit (positive: this one was later);
    /// `None` for the first packet.
    pub fn observe(&mut self, sent: i64, arrived: i64) -> Option<i64> {
        let transit = arrived.wrapping_sub(sent);
        let change = transit.wrapping_sub(self.transit.replace(transit)?);
        let signed = nearest_f64(change);
        let size = if signed < 0.0 { -signed } else { signed };
        self.jitter += (size - self.jitter) / 16.0;
        Some(change)
    }

    /// The jitter J, in the unit of the stamps, not negative; zero before the second packet.
    #[must_use]
    pub const fn jitter(&self) -> f64 {
        self.jitter
    }
}

/// Interarrival jitter in whole numbers as in RFC 3550, Appendix A.8, for 32-bit stamps that may wrap.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct InterarrivalJitterInteger {
    transit: Option<u32>,
    scaled: u64,
}

impl InterarrivalJitterInteger {
    /// Starts with no packet and zero jitter.
    #[must_use]
    pub const fn new() -> Self {
        Self { transit: None, scaled: 0 }
    }

    /// Takes the next packet in order of arrival: when it was sent and when it arrived, in the same unit.
    pub fn observe(&mut self, sent: u32, arrived: u32) {
        let transit = arrived.wrapping_sub(sent);
        if let Some(before) = self.transit.replace(transit) {
            let change = u64::from(transit.wrapping_sub(before).cast_signed().unsigned_abs());
            let forgotten = self.scaled.saturating_add(8) >> 4;
            self.scaled = self.scaled.saturating_add(change).saturating_sub(forgotten);
        }
    }

    /// Sixteen times the jitter, in the unit of the stamps: the state that the recursion carries, below 2³⁶.
    #[must_use]
    pub const fn scaled(&self) -> u64 {
        self.scaled
    }

    /// The jitter as a receiver report states it, in the unit of the stamps, rounded down.
    #[must_use]
    pub const fn reported(&self) -> u64 {
        self.scaled >> 4
    }
}

/// Packet delay variation of RFC 3393 (ipdv): a packet's one-way delay less that of the packet sent just before it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PacketDelayVariation {
    previous_ns: Option<i64>,
    extremes_ns: Option<(i64, i64)>,
}

impl PacketDelayVariation {
    /// Starts with no packet.
    #[must_use]
    pub const fn new() -> Self {
        Self { previous_ns: None, extremes_ns: None }
    }

    /// Takes the one-way delay, in ns, of the next packet in the order of sending; any constant clock offset may be in it.
    ///
    /// Returns the variation in ns, positive when this packet took longer than the one before; `None` for the first
    /// packet, and after a loss. A variation that an `i64` cannot hold stops at its limit.
    pub fn observe(&mut self, delay_ns: i64) -> Option<i64> {
        let variation_ns = delay_ns.saturating_sub(self.previous_ns.replace(delay_ns)?);
        let (smallest_ns, largest_ns) = self.extremes_ns.unwrap_or((variation_ns, variation_ns));
        self.extremes_ns = Some((smallest_ns.min(variation_ns), largest_ns.max(variation_ns)));
        Some(variation_ns)
    }

    /// Says that the next packet was lost: no variation is defined for it, nor for the packet after it.
    pub fn lost(&mut self) {
        self.previous_ns = None;
    }

    /// Largest less smallest variation so far, in ns; `None` before there is one.
    #[must_use]
    pub fn peak_to_peak_ns(&self) -> Option<i64> {
        self.extremes_ns.map(|(smallest_ns, largest_ns)| largest_ns.saturating_sub(smallest_ns))
    }
}

/// Packet delay variation of RFC 5481 (PDV): a packet's one-way delay less the smallest delay of the interval.
///
/// The smallest delay is only known at the end of an interval: observe all, then ask for each.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DelayAboveMinimum {
    minimum_ns: Option<i64>,
}

impl DelayAboveMinimum {
    /// Starts with no packet.
    #[must_use]
    pub const fn new() -> Self {
        Self { minimum_ns: None }
    }

    /// Takes the one-way delay of a packet, in ns; any constant clock offset may be in it.
    pub fn observe(&mut self, delay_ns: i64) {
        self.minimum_ns = Some(self.minimum_ns.map_or(delay_ns, |minimum_ns| minimum_ns.min(delay_ns)));
    }

    /// Smallest delay observed, in ns.
    #[must_use]
    pub const fn minimum_ns(&self) -> Option<i64> {
        self.minimum_ns
    }

    /// By how much a delay exceeds the smallest observed, in ns; `None` while nothing was observed. Negative for a delay
    /// that was not observed and is smaller still.
    #[must_use]
    pub fn variation_ns(&self, delay_ns: i64) -> Option<i64> {
        self.minimum_ns.map(|minimum_ns| delay_ns.saturating_sub(minimum_ns))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn jitter_takes_in_a_sixteenth_of_each_change_and_forgets_as_much() {
        let mut jitter = InterarrivalJitter::new();
        assert_eq!((jitter.observe(0, 1_000), jitter.jitter()), (None, 0.0));
        // RFC 3550, section 6.4.1: J grows by (|D| − J) ÷ 16.
        assert_eq!((jitter.observe(160, 1_000), jitter.jitter()), (Some(-160), 10.0));
        assert_eq!((jitter.observe(320, 1_160), jitter.jitter()), (Some(0), 9.375));
        let mut whole = InterarrivalJitterInteger::new();
        for (sent, arrived) in [(0, 1_000), (160, 1_000), (320, 1_160)] {
            whole.observe(sent, arrived);
        }
        // Sixteen times 9.375; a report says whole units.
        assert_eq!((whole.scaled(), whole.reported()), (150, 9));
    }

    #[test]
    fn integer_jitter_does_not_notice_that_the_stamps_wrap() {
        let (mut plain, mut wrapped) = (InterarrivalJitterInteger::new(), InterarrivalJitterInteger::new());
        let shift = u32::MAX - 200;
        for (sent, arrived) in [(0, 1000), (160, 1165), (320, 1330), (480, 1478), (640, 1650)] {
            plain.observe(sent, arrived);
            wrapped.observe(shift.wrapping_add(sent), shift.wrapping_add(arrived));
        }
        assert_eq!(plain.scaled(), wrapped.scaled());
        assert!(plain.scaled() > 0);
    }

    #[test]
    fn integer_jitter_stays_in_range_at_the_largest_changes() {
        let mut jitter = InterarrivalJitterInteger::new();
        for packet in 0..10_000_u32 {
            jitter.observe(0, if packet % 2 == 0 { 0 } else { 1 << 31 });
        }
        assert!(jitter.scaled() < 1 << 36);
        assert!(jitter.reported() > (1 << 31) - 2);
    }

    #[test]
    fn a_loss_interrupts_the_chain_of_variations() {
        let mut variation = PacketDelayVariation::new();
        assert_eq!(variation.peak_to_peak_ns(), None);
        assert_eq!(variation.observe(10), None);
        assert_eq!(variation.observe(14), Some(4));
        variation.lost();
        assert_eq!(variation.observe(100), None);
        assert_eq!(variation.observe(99), Some(-1));
        assert_eq!(variation.peak_to_peak_ns(), Some(5));
    }

    #[test]
    fn delays_are_counted_from_the_smallest_of_all() {
        let mut above = DelayAboveMinimum::new();
        for delay_ns in [7, -3, 5] {
            above.observe(delay_ns);
        }
        assert_eq!(
            (above.minimum_ns(), above.variation_ns(7), above.variation_ns(-5)),
            (Some(-3), Some(10), Some(-2))
        );
    }

    #[test]
    fn nothing_observed_gives_no_minimum() {
        assert_eq!(DelayAboveMinimum::new().variation_ns(3), None);
        assert_eq!(DelayAboveMinimum::new().minimum_ns(), None);
        assert_eq!(InterarrivalJitter::new().observe(0, 5), None);
    }
}
