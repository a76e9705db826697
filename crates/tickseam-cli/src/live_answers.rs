//! What the causal estimator would have said, packet by packet.

use tickseam::block::Arrival;
use tickseam::frame::Frame;
use tickseam::gate::Gate;
use tickseam::live::Live;
use tickseam::placement::Shift;

use tickseam_record::{Exchange, Marker};

use crate::align::Captured;
use crate::changes::{BURST_US, Watch, host_us};
use crate::estimate::Ground;
use crate::pairs::Sightings;
use crate::resolve::{NOWHERE, Places};

/// How long after an event's stamp the answer is asked for, ns of the host's clock.
const ASKED_AFTER_NS: i64 = 1_000_000_000;

/// A host stamp above both its neighbours by more than this is nonsense and does not tell the time, ns (own choice).
const SPIKE_NS: i64 = 5_000_000_000;

/// The host's clock may have been set back or stood still between two packets, give or take so many of their periods.
const SLACK_PERIODS: f64 = 2.0;

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

/// What was known of the host's clock before it was set back or stood still.
struct Earlier {
    live: Live,
    /// Host time since the frame's origin up to which that clock may have stamped events, µs.
    until_us: f64,
    /// The same from which the clock after it may have.
    from_us: f64,
}

/// The estimator of one segment, or of what came after the host's clock was set in it.
struct Session {
    segment: u32,
    frame: Frame,
    ground: Ground,
    gate: Gate,
    live: Live,
    watch: Watch,
    last: Option<Arrival>,
    earlier: Option<Box<Earlier>>,
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
            last: None,
            earlier: None,
        }
    }

    /// Returns the host time since the frame's origin from which events may have been stamped by another clock than was thought, µs.
    fn observe(&mut self, device: i64, host_ns: i64, behind_us: f32) -> Option<f64> {
        let arrival = self.frame.arrival(device, host_ns).behind(behind_us);
        let mut doubtful_from_us = None;
        for arrival in self.gate.admit(arrival).into_iter().flatten() {
            // A queue that empties or fills looks like a clock that was set, and there is nothing to forget.
            if self.watch.observe(&arrival) && !self.live.is_congested() {
                let known = std::mem::replace(&mut self.live, Live::new(self.ground.setup));
                let fell = self.last.filter(|last| arrival.residual_us < last.residual_us);
                self.earlier = fell.map(|last| {
                    let (until_us, from_us) = ambiguous_us(&last, &arrival, self.ground.setup.period_s);
                    doubtful_from_us = Some(from_us);
                    Box::new(Earlier { live: known, until_us, from_us })
                });
            }
            self.live.observe(arrival);
            self.last = Some(arrival);
        }
        doubtful_from_us
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

    /// Where an event falls; `excludes_nothing` asks for silence while nobody knows the fixed delay. Where two clocks may have
    /// stamped it, the answer reaches from one to the other.
    fn answer(&self, host_ns: i64, latency: Shift, excludes_nothing: bool) -> Option<LiveAnswer> {
        let by = |live: &Live| self.answer_by(live, host_ns, latency, excludes_nothing);
        let stamped_us = self.frame.host_us(host_ns);
        match &self.earlier {
            Some(earlier) if stamped_us < earlier.from_us => by(&earlier.live),
            Some(earlier) if stamped_us <= earlier.until_us => {
                let (one, other) = (by(&earlier.live)?, by(&self.live)?);
                let apart_s = (other.device_s - one.device_s).abs();
                Some(LiveAnswer {
                    device_s: f64::midpoint(one.device_s, other.device_s),
                    u95_ms: one.u95_ms.max(other.u95_ms) + apart_s * 1e3 / 2.0,
                    ..other
                })
            }
            _ => by(&self.live),
        }
    }

    fn answer_by(
        &self,
        live: &Live,
        host_ns: i64,
        latency: Shift,
        excludes_nothing: bool,
    ) -> Option<LiveAnswer> {
        live.known_at(0.0)?;
        let fixed_delay = live.fixed_delay();
        if fixed_delay.is_none() && excludes_nothing {
            return None;
        }
        let known = |device_s: f64| live.known_at(device_s).unwrap_or_default();
        let placement = self.ground.place(self.frame, fixed_delay, host_ns, latency, known).by_bounds();
        Some(LiveAnswer {
            segment: self.segment,
            device_s: placement.device_s,
            u95_ms: placement.u95_us / 1e3,
        })
    }
}

/// Between which host times since the origin, µs, events may belong to the clock before two arrivals or to the one after them,
/// as long as it was set back or stood still between the two: until when the first, and from when the second.
fn ambiguous_us(last: &Arrival, first: &Arrival, period_s: f64) -> (f64, f64) {
    let (last_us, first_us) = (host_us(last), host_us(first));
    let passed_us = first_us - last_us;
    let reach_us = if passed_us >= 0.0 {
        // It slept, and packets that came meanwhile were stamped as it woke.
        passed_us + BURST_US
    } else {
        ((first.device_s - last.device_s) * 1e6).max(0.0)
    } + SLACK_PERIODS * period_s * 1e6;
    (last_us + reach_us, first_us - reach_us)
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
