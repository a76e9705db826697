//! Values that a server sends unasked, out of packets of the attribute protocol.
//!
//! Bluetooth Core Specification 5.4, Vol 3 Part F: notification 3.4.7.1, indication 3.4.7.2, several values in one 3.4.7.4.

use super::hci::number;

/// How a value was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sending {
    /// Without an answer; one value or several in a packet.
    Notification,
    /// Answered by a confirmation.
    Indication,
}

/// Hands on each value with its attribute handle; false where the packet's lengths contradict each other, after the values before that.
pub(crate) fn values<E>(
    packet: &[u8],
    mut take: impl FnMut(Sending, u16, &[u8]) -> Result<(), E>,
) -> Result<bool, E> {
    let Some((&opcode, mut rest)) = packet.split_first() else { return Ok(false) };
    match opcode {
        0x1b | 0x1d => {
            let (Some(handle), Some(value)) = (number(rest, 0), rest.get(2..)) else { return Ok(false) };
            take(if opcode == 0x1b { Sending::Notification } else { Sending::Indication }, handle, value)?;
            Ok(true)
        }
        0x23 => {
            while !rest.is_empty() {
                let (Some(handle), Some(length)) = (number(rest, 0), number(rest, 2)) else {
                    return Ok(false);
                };
                let end = 4 + usize::from(length);
                let Some(value) = rest.get(4..end) else { return Ok(false) };
                take(Sending::Notification, handle, value)?;
                rest = rest.get(end..).unwrap_or_default();
            }
            Ok(true)
        }
        _ => Ok(true),
    }
}
