//! One run of the live estimator that gives the same bits on every processor: packets drawn from integers alone, events placed on the way,
//! and a sum over everything that was answered.
//!
//! `packets → live (the parts, or the session) → rows, sum`, with a [`Watcher`] around the calls that a chip is to be measured by.
#![no_std]

pub mod answers;
pub mod footprint;
pub mod packets;
pub mod parts;
pub mod session;

pub use answers::{Row, Sum};

use tickseam::intake::StreamConfig;
use tickseam::placement::Shift;

/// Ticks of the device's counter in a second.
pub const TICK_HZ: f64 = 32_768.0;
/// The one stream: 32 packets a second.
pub const STREAM: StreamConfig = StreamConfig { rate_hz: 256.0, samples_per_packet: 8, sequence_bits: 8 };
/// Width of the device's counter: it wraps after 512 s.
pub const TICK_BITS: u8 = 24;
/// Smallest time from a packet's first sample to its stamp.
pub const FIXED_DELAY: Shift = Shift { us: 4_000.0, u_us: 150.0 };
/// An event's latency.
pub const LATENCY: Shift = Shift { us: -150.25, u_us: 33.5 };
/// Tolerance of the device's crystal, ppm.
pub const TOLERANCE_PPM: f64 = 50.0;
/// Packets from one event that is placed to the next.
pub const EVENT_EACH: u32 = 48;

/// Stands around the calls of a run: does nothing more, or measures them.
pub trait Watcher {
    /// Makes what is to be watched begin.
    fn begin<R>(&mut self, call: impl FnOnce() -> R) -> R {
        call()
    }

    /// Takes one packet in.
    fn observe<R>(&mut self, call: impl FnOnce() -> R) -> R {
        call()
    }

    /// Places one event.
    fn place<R>(&mut self, call: impl FnOnce() -> R) -> R {
        call()
    }

    /// Takes the answer for one event.
    fn row(&mut self, row: &Row);
}

/// Hands the rows on and watches nothing.
#[derive(Debug)]
pub struct Printer<F>(pub F);

impl<F: FnMut(&Row)> Watcher for Printer<F> {
    fn row(&mut self, row: &Row) {
        (self.0)(row);
    }
}
