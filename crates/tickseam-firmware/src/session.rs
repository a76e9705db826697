//! The run through the session, as C and every binding go through it, with exchanges and markers on the way.

use tickseam::intake::PacketStamp;
use tickseam::session::{Session, SessionConfig, Sighted, TickCounter};

use crate::answers::{NUMBERS, bits};
use crate::packets::{Packets, event_ns};
use crate::parts::numbers;
use crate::{EVENT_EACH, FIXED_DELAY, LATENCY, Row, STREAM, Sum, TICK_BITS, TICK_HZ, TOLERANCE_PPM, Watcher};

/// The session's configuration.
pub const CONFIG: SessionConfig<'static> = SessionConfig {
    ticks: Some(TickCounter { hz: TICK_HZ, bits: TICK_BITS }),
    tolerance_ppm: TOLERANCE_PPM,
    host_step_us: 1.0,
    fixed_delay: Some(FIXED_DELAY),
    interval_us: None,
    streams: &[STREAM],
};
/// Packets from which on, and to which, some come with an exchange or a marker.
const SIGHTED: core::ops::Range<u32> = 2_000..2_600;

const fn code(sighted: Sighted) -> u64 {
    match sighted {
        Sighted::Used => 0,
        Sighted::NoTicks => 1,
        Sighted::TooEarly => 2,
        Sighted::FarOff => 3,
        Sighted::Backwards => 4,
    }
}

/// At times an exchange, at times a marker, beside a packet.
fn sight(session: &mut Session<1>, received: u32, stamp: &PacketStamp) -> Option<Sighted> {
    let tick = stamp.tick.filter(|_| SIGHTED.contains(&received))?;
    let at = |ticks: u64| tick.wrapping_add(ticks) & 0xFF_FFFF;
    match received % 100 {
        0 => Some(session.observe_exchange(stamp.host_ns - 50_000_000, at(100), at(120), stamp.host_ns)),
        50 => Some(session.observe_marker(stamp.host_ns - 20_000_000, at(0))),
        _ => None,
    }
}

/// Everything that a session says besides placements.
fn all_else(session: &Session<1>, sum: &mut Sum) {
    if let Some(map) = session.map() {
        for number in
            [map.at_s, map.offset_us, map.rate_ppm, map.u_offset_us, map.u_rate_ppm, map.half_width_us]
        {
            sum.number(bits(number));
        }
    }
    if let Some(back) = session.newest_s().and_then(|newest_s| session.host_at(newest_s - 1.0)) {
        sum.signed(back.host_ns);
        sum.number(bits(back.u95_us));
    }
    if let Some(gap) = session.next_gap(0, i64::MIN) {
        sum.signed(gap.first_index);
    }
    let link = session.link();
    for number in [link.interval_us.unwrap_or(f64::NAN), link.interval_stretch_ppm, link.beat_us] {
        sum.number(bits(number));
    }
    let counters = session.counters();
    for count in [counters.wild, counters.exchanges_used, counters.markers_used, counters.intake.late] {
        sum.number(count);
    }
}

/// The whole run; `None` if it cannot begin.
pub fn run(watcher: &mut impl Watcher) -> Option<Sum> {
    let mut session = watcher.begin(|| Session::<1>::new(&CONFIG).ok())?;
    let mut sum = Sum::default();
    for (received, stamp) in (1_u32..).zip(Packets::default()) {
        sum.intaken(&watcher.observe(|| session.observe_packet(0, stamp)));
        if let Some(sighted) = sight(&mut session, received, &stamp) {
            sum.number(code(sighted));
        }
        if received % EVENT_EACH != 0 {
            continue;
        }
        let at_ns = event_ns(&stamp, received / EVENT_EACH);
        let placed = watcher.place(|| session.place(at_ns, LATENCY));
        let row = Row {
            by: "session",
            packets: received,
            segment: placed.map(|placed| placed.segment),
            numbers: placed.map_or([0; NUMBERS], |placed| numbers(&placed.placement)),
        };
        sum.row(&row);
        all_else(&session, &mut sum);
        watcher.row(&row);
    }
    Some(sum)
}
