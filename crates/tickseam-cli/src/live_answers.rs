//! What the causal estimator would have said, packet by packet.

use tickseam::clocks::Clocks;
use tickseam::frame::Frame;
use tickseam::gate::Gate;
use tickseam::placement::{Placement, Shift};

use tickseam_record::{Exchange, Marker};

use crate::align::Captured;
use crate::estimate::Ground;
use crate::pairs::Sightings;
use crate::resolve::{NOWHERE, Places};

/// How long after an event's stamp the answer is asked for, ns of the host's clock.
const ASKED_AFTER_NS: i64 = 1_000_000_000;

/// A host stamp above both its neighbours by more than this is nonsense and does not tell the time, ns (own choice).
const SPIKE_NS: i64 = 5_000_000_000;

/// An answer of the causal estimator.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LiveAnswer {
    /// Segment that it speaks of.
    pub(crate) segment: u32,
    /// Device time of the event since that origin, s.
    pub(crate) device_s: f64,
    /// Half-width of the 95 % interval, ms.
    pub(crate) u95_ms: f64,
}

/// What both clocks saw.
#[derive(Clone, Copy)]
enum Sighting<'a> {
    Exchange(&'a Exchange),
    Marker(&'a Marker),
}

/// The estimator of one segment.
struct Session {
    segment: u32,
    frame: Frame,
    ground: Ground,
    gate: Gate,
    clocks: Clocks,
}

impl Session {
    fn new(segment: u32, frame: Frame, ground: Ground) -> Self {
        let clocks = Clocks::new(&ground.setup);
        Self { segment, frame, ground, gate: Gate::default(), clocks }
    }

    /// Returns the host time since the frame's origin from which events may have been stamped by another clock than was thought, µs.
    fn observe(&mut self, device: i64, host_ns: i64, behind_us: f32) -> Option<f64> {
        let arrival = self.frame.arrival(device, host_ns).behind(behind_us);
        let mut doubtful_from_us = None;
        for arrival in self.gate.admit(arrival).into_iter().flatten() {
            doubtful_from_us = self.clocks.observe(&self.ground.setup, arrival).or(doubtful_from_us);
        }
        doubtful_from_us
    }

    fn observe_sighting(&mut self, sightings: &Sightings<'_>, sighting: Sighting<'_>) {
        let surely_present = |host_ns: i64| self.clocks.is_surely_present(self.frame.host_us(host_ns));
        let live = self.clocks.live();
        let known = |device_s: f64| live.known_at(device_s).map_or(0.0, |(knot, _)| knot.offset_us);
        let pairs = match sighting {
            Sighting::Exchange(exchange)
                if surely_present(exchange.origin_ns) && surely_present(exchange.destination_ns) =>
            {
                sightings.of_exchange(exchange, known).map_or([None; 2], |pairs| pairs.map(Some))
            }
            Sighting::Marker(marker) if surely_present(marker.host_ns) => {
                [sightings.of_marker(marker, known), None]
            }
            // Another clock may have stamped it.
            _ => return,
        };
        for pair in pairs.into_iter().flatten() {
            self.clocks.live_mut().observe_pair(&pair);
        }
    }

    /// Where an event falls; `excludes_nothing` asks for silence while nobody knows the fixed delay.
    fn answer(&self, host_ns: i64, latency: Shift, excludes_nothing: bool) -> Option<LiveAnswer> {
        self.clocks.live().known_at(0.0)?;
        let mut answer: Option<Placement> = None;
        for clock in self.clocks.that_stamped(self.frame.host_us(host_ns)) {
            let fixed_delay = clock.fixed_delay();
            if fixed_delay.is_none() && excludes_nothing {
                return None;
            }
            let known = |device_s: f64| clock.known_at(device_s);
            let by = self.ground.place(self.frame, fixed_delay, host_ns, latency, known);
            answer = Some(answer.map_or(by, |answer| answer.or(&by)));
        }
        let placement = answer?;
        Some(LiveAnswer {
            segment: self.segment,
            device_s: placement.device_s,
            u95_ms: placement.u95_us / 1e3,
        })
    }
}

/// For each event: the answer from the packets of the reference stream received up to one second after its stamp. Where the host's
/// clock was set back, that moment comes twice, and an event of which nobody knows which clock stamped it is answered the second
/// time.
///
/// `session_of` gives, for a segment, its frame and its ground, which are but where its clocks are counted from and what
/// was declared; `count_of` the count of a packet's first sample on that clock, if the packet tells it; `behind_us` how far each
/// packet came behind the first of its delivery.
pub(crate) fn live_answers<'a>(
    captured: &Captured<'a>,
    places: &Places,
    latencies: &[Shift],
    behind_us: &[f32],
    session_of: impl Fn(u32) -> Option<(Frame, Ground)>,
    count_of: impl Fn(u32, usize) -> Option<i64>,
    sightings_of: impl Fn(u32) -> Option<Sightings<'a>>,
) -> Vec<Option<LiveAnswer>> {
    let packets = captured.packets;
    // Exchanges and markers in the order in which the host knows of them.
    let exchanges = captured.exchanges.iter().map(|e| (e.destination_ns, Sighting::Exchange(e)));
    let markers = captured.markers.iter().map(|m| (m.host_ns, Sighting::Marker(m)));
    let mut seen: Vec<(i64, Sighting<'_>)> = exchanges.chain(markers).collect();
    seen.sort_by_key(|&(host_ns, _)| host_ns);
    // With any of them, the replay finds the fixed delay, and an answer without it would be another quantity.
    let excludes_nothing = !seen.is_empty();
    let mut seen = seen.into_iter().peekable();
    let mut order: Vec<usize> = (0..captured.events.len()).collect();
    order.sort_by_key(|&event| captured.events[event].host_ns);
    // Events before this place of the order have been answered.
    let mut asked = 0;
    let mut answers = vec![None; captured.events.len()];
    let (mut before, mut now): (Option<Session>, Option<Session>) = (None, None);

    let answer = |event: usize, before: &Option<Session>, now: &Option<Session>| {
        let host_ns = captured.events[event].host_ns;
        let latest =
            now.as_ref().and_then(|session| session.answer(host_ns, latencies[event], excludes_nothing));
        match (latest, before) {
            // Before the newest segment's first sample: the one before has the better claim.
            (Some(LiveAnswer { device_s, .. }), Some(before)) if device_s < 0.0 => {
                before.answer(host_ns, latencies[event], excludes_nothing).or(latest)
            }
            _ => latest,
        }
    };
    let host_ns = packets.host_ns();
    let mut later: Vec<u32> = places.settled_later.iter().map(|&(_, row)| row).collect();
    later.sort_unstable();
    let mut later = later.into_iter().peekable();
    let mut settled = places.settled_later.iter().copied().peekable();
    let mut sightings: Option<Sightings<'_>> = None;
    for (row, &stamp_ns) in host_ns.iter().enumerate() {
        let neighbour_ns = |at: Option<usize>| at.and_then(|at| host_ns.get(at)).copied();
        let highest_ns = neighbour_ns(row.checked_sub(1)).max(neighbour_ns(Some(row + 1)));
        let spike = highest_ns.is_some_and(|highest_ns| stamp_ns.saturating_sub(highest_ns) > SPIKE_NS);
        if !spike {
            let due = |event: usize| captured.events[event].host_ns.saturating_add(ASKED_AFTER_NS) < stamp_ns;
            while let Some(&event) = order.get(asked).filter(|&&event| due(event)) {
                answers[event] = answer(event, &before, &now);
                asked += 1;
            }
        }
        while let Some((_, sighting)) = seen.next_if(|&(host_ns, _)| !spike && host_ns <= stamp_ns) {
            if let (Some(session), Some(sightings)) = (&mut now, &sightings) {
                session.observe_sighting(sightings, sighting);
            }
        }
        let mut observe = |row: usize| {
            let segment = places.segment[row];
            if packets.stream()[row] != 0 || segment == NOWHERE {
                return;
            }
            let Some(device) = count_of(segment, row) else { return };
            if now.as_ref().is_none_or(|session| session.segment < segment) {
                let Some((frame, ground)) = session_of(segment) else { return };
                before = now.replace(Session::new(segment, frame, ground));
                sightings = sightings_of(segment);
            }
            if let Some(session) = now.as_mut().filter(|session| session.segment == segment) {
                let doubtful_from_us = session.observe(device, host_ns[row], behind_us[row]);
                if let Some(from_us) = doubtful_from_us {
                    let frame = session.frame;
                    let answered = &order[..asked];
                    asked = answered
                        .partition_point(|&event| frame.host_us(captured.events[event].host_ns) < from_us);
                }
            }
        };
        // What this packet settles came before it; what is settled later is not known yet.
        while let Some((_, earlier)) = settled.next_if(|&(at, _)| at as usize == row) {
            observe(earlier as usize);
        }
        if later.next_if(|&later| later as usize == row).is_none() {
            observe(row);
        }
    }
    for &event in &order[asked..] {
        answers[event] = answer(event, &before, &now);
    }
    answers
}
