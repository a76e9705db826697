//! What the app makes of its log: packets read twice or not at all, nonsense in stamps. Nothing of it is the link's or a clock's doing.

use crate::device::mask;
use crate::host::HandedOver;
use crate::scenario::{Fault, LogScenario, Scenario, StampField};
use crate::simulate::Packet;

/// From one copy of a packet in the log to the next, where several subscriptions are told of it, in seconds: own choice.
const NEXT_SUBSCRIPTION_S: f64 = 20e-6;

/// The packets that the log holds, in the order of its rows.
pub(crate) fn kept(scenario: &Scenario, mut handed: Vec<HandedOver>) -> Vec<HandedOver> {
    let log = &scenario.log;
    if log.overwritten_within_ms > 0.0 {
        overwrite(log, scenario.streams.len(), &mut handed);
    }
    if log.subscriptions_pile_up {
        handed = piled_up(scenario, &handed);
    }
    let left_out = |packet: &HandedOver| {
        log.without_streams.contains(&scenario.streams[usize::from(packet.sent.id.stream)].name)
    };
    handed.retain(|packet| !left_out(packet));
    if let Some(most) = log.packets_at_most {
        handed.truncate(usize::try_from(most).unwrap_or(usize::MAX));
    }
    handed
}

/// Lets rows show the packet that came next, from the last one backwards: a burst shows its newest throughout.
fn overwrite(log: &LogScenario, streams: usize, handed: &mut [HandedOver]) {
    let mut next: Vec<Option<HandedOver>> = vec![None; streams];
    for packet in handed.iter_mut().rev() {
        let next = &mut next[usize::from(packet.sent.id.stream)];
        if let Some(newer) = next
            && newer.at_s - packet.at_s <= log.overwritten_within_ms * 1e-3
        {
            packet.sent = newer.sent;
        }
        *next = Some(*packet);
    }
}

/// Each packet once more for every reconnection before it.
fn piled_up(scenario: &Scenario, handed: &[HandedOver]) -> Vec<HandedOver> {
    let backs_s: Vec<f64> = scenario
        .faults
        .iter()
        .filter_map(|fault| match fault {
            Fault::Reboot { at_s, off_s } | Fault::Disconnection { at_s, off_s, .. } => Some(at_s + off_s),
            _ => None,
        })
        .collect();
    let mut all = Vec::with_capacity(handed.len());
    for packet in handed {
        let before = backs_s.iter().filter(|&&back_s| back_s <= packet.at_s).count();
        all.extend((0..=before).map(|copy| {
            let at_s = packet.at_s + copy as f64 * NEXT_SUBSCRIPTION_S;
            HandedOver { at_s, ..*packet }
        }));
    }
    all.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    all
}

/// Whether an exchange or marker of this true host second is in the log.
pub(crate) fn keeps_sighting(scenario: &Scenario, at_s: f64) -> bool {
    let log = &scenario.log;
    log.sightings_from_s.is_none_or(|from_s| at_s >= from_s)
        && log.sightings_to_s.is_none_or(|to_s| at_s <= to_s)
}

/// Puts nonsense into the stamps that the scenario asks for.
pub(crate) fn corrupt(scenario: &Scenario, handed: &[HandedOver], packets: &mut [Packet]) {
    let largest_tick = mask(scenario.device.tick_bits);
    for fault in &scenario.faults {
        let place = handed.partition_point(|packet| packet.at_s < fault.at_s());
        let from_here = packets.get_mut(place..).unwrap_or_default().iter_mut();
        match fault {
            Fault::CorruptStamp { field, value, .. } => {
                for packet in from_here.take(1) {
                    match field {
                        StampField::HostNs => packet.host_ns = *value,
                        StampField::Tick => packet.tick = Some(value.unsigned_abs() & largest_tick),
                    }
                }
            }
            Fault::StampOffset { field, by_ms, packets, .. } => {
                let ticks = (by_ms * 1e-3 * scenario.device.tick_hz).round() as i64;
                for packet in from_here.take(*packets as usize) {
                    match field {
                        StampField::HostNs => packet.host_ns += (by_ms * 1e6).round() as i64,
                        StampField::Tick => {
                            packet.tick =
                                packet.tick.map(|tick| tick.wrapping_add_signed(ticks) & largest_tick);
                        }
                    }
                }
            }
            _ => {}
        }
    }
}
