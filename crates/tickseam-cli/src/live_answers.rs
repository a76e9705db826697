//! What the causal estimator would have said, packet by packet.

use tickseam::frame::Frame;
use tickseam::gate::Gate;
use tickseam::live::Live;
use tickseam::placement::Shift;

use tickseam_record::{Exchange, Marker};

use crate::align::Captured;
use crate::changes::Watch;
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

/// The estimator of one segment, or of what came after the host's clock was set in it.
struct Session {
    segment: u32,
    frame: Frame,
    ground: Ground,
    gate: Gate,
    live: Live,
    watch: Watch,
}

impl Session {
    fn new(segment: u32, frame: Frame, ground: Ground) -> Self {
        Self {
            segment,
            frame,
            ground,
            gate: Gate::default(),
            live: Live::new(ground.setup),
            watch: Watch::new(ground.setup.period_s),
        }
    }

    fn observe(&mut self, device: i64, host_ns: i64, behind_us: f32) {
        let arrival = self.frame.arrival(device, host_ns).behind(behind_us);
        for arrival in self.gate.admit(arrival).into_iter().flatten() {
            if self.watch.observe(&arrival) {
                self.live = Live::new(self.ground.setup);
            }
            self.live.observe(arrival);
        }
    }

    fn observe_sighting(&mut self, sightings: &Sightings<'_>, sighting: Sighting<'_>) {
        let known = |device_s: f64| self.live.known_at(device_s).map_or(0.0, |(knot, _)| knot.offset_us);
        match sighting {
            Sighting::Exchange(exchange) => {
                for pair in sightings.of_exchange(exchange, known).into_iter().flatten() {
                    self.live.observe_pair(&pair);
                }
            }
            Sighting::Marker(marker) => {
                if let Some(pair) = sightings.of_marker(marker, known) {
                    self.live.observe_pair(&pair);
                }
            }
        }
    }

    /// Where an event falls; `excludes_nothing` asks for silence while nobody knows the fixed delay.
    fn answer(&self, host_ns: i64, latency: Shift, excludes_nothing: bool) -> Option<LiveAnswer> {
        self.live.known_at(0.0)?;
        let fixed_delay = self.live.fixed_delay();
        if fixed_delay.is_none() && excludes_nothing {
            return None;
        }
        let placement = self.ground.place(self.frame, fixed_delay, host_ns, latency, |device_s| {
            self.live.known_at(device_s).unwrap_or_default()
        });
        Some(LiveAnswer {
            segment: self.segment,
            device_s: placement.device_s,
            u95_ms: placement.u95_us / 1e3,
        })
    }
}

/// For each event: the answer from the packets of the reference stream received up to one second after its stamp.
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
    let mut waiting = order.into_iter().peekable();
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
            while let Some(event) = waiting
                .next_if(|&event| captured.events[event].host_ns.saturating_add(ASKED_AFTER_NS) < stamp_ns)
            {
                answers[event] = answer(event, &before, &now);
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
                session.observe(device, host_ns[row], behind_us[row]);
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
    for event in waiting {
        answers[event] = answer(event, &before, &now);
    }
    answers
}
