//! How long a Bluetooth LE packet is on the air.
//!
//! Bluetooth Core Specification, Vol 6 Part B: packet format 2.1 (uncoded) and 2.2 (coded), data PDU 2.4, inter
//! frame space 4.1.1. Section numbers as in versions 5.x.

use serde::{Deserialize, Serialize};

/// Inter frame space between two packets of one connection event, in microseconds (Vol 6 Part B 4.1.1).
pub const INTER_FRAME_SPACE_US: u32 = 150;

/// Octets that a notification adds to its value: ATT opcode 1 and handle 2 (Vol 3 Part F 3.4.7.1), L2CAP length 2
/// and channel 2 (Vol 3 Part A 3.1).
pub const NOTIFICATION_OVERHEAD_OCTETS: u32 = 7;

/// The radio's modulation and coding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Phy {
    /// LE 1M, uncoded.
    #[serde(rename = "1M")]
    Le1M,
    /// LE 2M, uncoded.
    #[serde(rename = "2M")]
    Le2M,
    /// LE Coded with two symbols a bit.
    #[serde(rename = "coded_s2")]
    CodedS2,
    /// LE Coded with eight symbols a bit.
    #[serde(rename = "coded_s8")]
    CodedS8,
}

/// Time from the first to the last bit of one data packet without Constant Tone Extension, in microseconds.
///
/// `payload_octets` is the link layer payload, 0 to 251; `mic_octets` is 4 on an encrypted link with a payload, else 0.
pub fn packet_duration_us(phy: Phy, payload_octets: u32, mic_octets: u32) -> u32 {
    const ACCESS_ADDRESS_OCTETS: u32 = 4;
    const HEADER_OCTETS: u32 = 2;
    const CRC_OCTETS: u32 = 3;
    let body_octets = HEADER_OCTETS + payload_octets + mic_octets + CRC_OCTETS;
    match phy {
        Phy::Le1M => (1 + ACCESS_ADDRESS_OCTETS + body_octets) * 8,
        Phy::Le2M => (2 + ACCESS_ADDRESS_OCTETS + body_octets) * 4,
        Phy::CodedS2 => coded_us(body_octets, 2),
        Phy::CodedS8 => coded_us(body_octets, 8),
    }
}

/// A coded packet: preamble, access address, coding indicator and first terminator always at eight symbols a bit.
fn coded_us(body_octets: u32, symbols_per_bit: u32) -> u32 {
    const PREAMBLE_US: u32 = 80;
    const FIRST_BLOCK_BITS: u32 = 32 + 2 + 3;
    const TERMINATOR_BITS: u32 = 3;
    PREAMBLE_US + FIRST_BLOCK_BITS * 8 + (body_octets * 8 + TERMINATOR_BITS) * symbols_per_bit
}

/// Time that one exchange takes from an event: a packet each way and both inter frame spaces, in microseconds.
pub fn exchange_us(phy: Phy, payload_octets: u32, mic_octets: u32) -> u32 {
    packet_duration_us(phy, 0, 0)
        + packet_duration_us(phy, payload_octets, mic_octets)
        + 2 * INTER_FRAME_SPACE_US
}

/// How much earlier than expected, and later, the headset listens for an event, in microseconds: both sleep clocks may have
/// run off since the last anchor, and each edge by 16 µs (Vol 6 Part B 4.2.4 with 4.2.2, from version 5.1 on).
///
/// `central_ppm` and `peripheral_ppm` are the declared sleep clock accuracies, 20 to 500.
pub fn window_widening_us(central_ppm: f64, peripheral_ppm: f64, since_anchor_us: f64) -> f64 {
    const SLEEP_CLOCK_EDGE_US: f64 = 16.0;
    (central_ppm + peripheral_ppm) * 1e-6 * since_anchor_us + 2.0 * SLEEP_CLOCK_EDGE_US
}

/// Link layer payloads that one notification of `value_octets` is cut into, each at most `largest_payload_octets`.
pub fn fragments_octets(value_octets: u32, largest_payload_octets: u32) -> Vec<u32> {
    let mut left = value_octets + NOTIFICATION_OVERHEAD_OCTETS;
    let mut fragments = Vec::new();
    while left > 0 {
        let fragment = left.min(largest_payload_octets.max(1));
        fragments.push(fragment);
        left -= fragment;
    }
    fragments
}
