//! The packets of the run, drawn from whole numbers alone, so that every processor draws the same.

use tickseam::intake::PacketStamp;

/// Packets that the device sends.
pub const SENT: i64 = 6_000;
/// Host time from one packet to the next, ns, were the clocks equal: 8 samples at 256 Hz.
const PERIOD_NS: i64 = 31_250_000;
/// By how much the device's clock is fast, ppm.
const DRIFT_PPM: i64 = 23;
/// From one instant at which the link sends to the next, ns.
const GRID_NS: i64 = 30_000_000;
/// Least time from a packet's first sample to its stamp, ns.
const FIXED_DELAY_NS: i64 = 4_000_000;
/// The host's clock when the device begins.
const HOST_0_NS: i64 = 1_700_000_000_000_000;
/// The host receives nothing of these.
const OUTAGE: core::ops::Range<i64> = 1_500..1_620;
/// The device's counters begin again here, after a silence, ns.
const RESTART: (i64, i64) = (3_000, 700_000_000);
/// The host's clock is set forward here, by ns.
const HOST_SET: (i64, i64) = (4_400, 180_000_000);
/// Ticks at the first packet, of 24 bits: they wrap within the run.
const TICK_0: i64 = 16_000_000;
/// Ticks from one packet to the next.
const PERIOD_TICKS: i64 = 1_024;

/// A linear congruential generator with the multiplier and increment of Knuth's MMIX (from memory); its upper bits are used.
#[derive(Clone, Debug)]
struct Draws(u64);

impl Draws {
    fn below(&mut self, bound: u32) -> u32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let upper = self.0 >> 32;
        ((upper * u64::from(bound)) >> 32) as u32
    }
}

/// The stamps in the order in which the host received the packets: late by turns of the link, some lost, some twice, some after the
/// one behind them.
#[derive(Clone, Debug)]
pub struct Packets {
    draws: Draws,
    next: i64,
    event_ns: i64,
    held: Option<PacketStamp>,
    waiting: [Option<PacketStamp>; 2],
}

impl Default for Packets {
    fn default() -> Self {
        Self { draws: Draws(20), next: 0, event_ns: 0, held: None, waiting: [None; 2] }
    }
}

impl Packets {
    /// One more packet that the device sends; its stamp, unless it is lost.
    fn send(&mut self) -> Option<PacketStamp> {
        let n = self.next;
        self.next += 1;
        let (own, silence_ns) = if n < RESTART.0 { (n, 0) } else { (n - RESTART.0, RESTART.1) };
        let device_ns = n * PERIOD_NS + silence_ns;
        let ready_ns = device_ns - device_ns / 1_000_000 * DRIFT_PPM + FIXED_DELAY_NS;
        let mut event_ns = (ready_ns / GRID_NS + 1) * GRID_NS;
        while self.draws.below(10) == 0 {
            event_ns += GRID_NS;
        }
        // A packet does not overtake the one before it on the air.
        self.event_ns = self.event_ns.max(event_ns);
        let set_ns = if n < HOST_SET.0 { 0 } else { HOST_SET.1 };
        let jitter_ns = i64::from(self.draws.below(300)) * 1_000;
        let lost = self.draws.below(50) == 0 || OUTAGE.contains(&n);
        (!lost).then_some(PacketStamp {
            host_ns: HOST_0_NS + self.event_ns + set_ns + jitter_ns,
            sequence: (own & 0xFF).cast_unsigned(),
            tick: Some(((TICK_0 + own * PERIOD_TICKS) & 0xFF_FFFF).cast_unsigned()),
            samples: 8,
        })
    }

    /// Lets a packet in: at once, and what was held back behind it; or held back itself.
    fn receive(&mut self, stamp: PacketStamp) {
        if let Some(held) = self.held.take() {
            self.waiting = [Some(stamp), Some(held)];
        } else if self.draws.below(40) == 0 {
            self.held = Some(stamp);
        } else {
            let twice = self.draws.below(60) == 0;
            let later = PacketStamp { host_ns: stamp.host_ns + 2_000_000, ..stamp };
            self.waiting = [Some(stamp), twice.then_some(later)];
        }
    }
}

impl Iterator for Packets {
    type Item = PacketStamp;

    fn next(&mut self) -> Option<PacketStamp> {
        loop {
            if let Some(stamp) = self.waiting.iter_mut().find_map(Option::take) {
                return Some(stamp);
            }
            if self.next == SENT {
                return self.held.take();
            }
            if let Some(stamp) = self.send() {
                self.receive(stamp);
            }
        }
    }
}

/// Host stamp of an event placed when a packet has come: at times before what is known, at times ahead of it.
pub fn event_ns(packet: &PacketStamp, event: u32) -> i64 {
    packet.host_ns - 1_234_567_891 + i64::from(event % 5) * 500_000_000
}

#[cfg(test)]
mod tests {
    use super::Packets;

    #[test]
    fn the_run_has_losses_repeats_packets_out_of_order_and_late_ones() {
        let (mut before, mut received, mut repeats, mut backwards) = (None, 0_u32, 0_u32, 0_u32);
        for stamp in Packets::default() {
            received += 1;
            if let Some(before) = before.replace(stamp) {
                repeats += u32::from(before.sequence == stamp.sequence);
                backwards += u32::from(before.sequence == (stamp.sequence + 1) & 0xFF);
            }
        }
        assert!((5_700..5_950).contains(&received), "{received}");
        assert!(repeats > 50 && backwards > 80, "{repeats} {backwards}");
    }
}
