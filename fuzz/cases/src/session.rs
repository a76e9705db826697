//! A live session, and beside it a twin that never hears of what the first one refused and is copied at every pause.

use std::fmt::Debug;

use tickseam::gaps::Gap;
use tickseam::intake::{Disposition, Intaken};
use tickseam::map::HostInstant;
use tickseam::placement::Shift;
use tickseam::session::{Placed, Session, Sighted};

use crate::checks::{self, Calls};
use crate::scene::{Known, Scene, Step};
use crate::{Checked, holds};

/// A session as it is observed from outside.
#[derive(Clone)]
pub struct Watched {
    /// The session.
    pub session: Session<4>,
    /// What was asked of it.
    pub calls: Calls,
    /// Newest host stamp of a packet, ns.
    pub newest_ns: i64,
}

/// What a step was answered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Answer {
    /// To a packet.
    Packet(Intaken),
    /// To an exchange or a marker.
    Sighted(Sighted),
    /// To the question where an event fell; changes nothing.
    Placed(Option<Placed>),
    /// To the question for the host's time of a device time; changes nothing.
    HostAt(Option<HostInstant>),
    /// All was asked; changes nothing.
    Asked,
}

impl Answer {
    /// The call was refused, and must have changed nothing but a counter.
    #[must_use]
    pub fn is_refusal(&self) -> bool {
        match self {
            Self::Packet(intaken) => matches!(intaken.disposition, Disposition::Rejected(_)),
            Self::Sighted(sighted) => *sighted != Sighted::Used,
            Self::Placed(_) | Self::HostAt(_) | Self::Asked => false,
        }
    }
}

impl Watched {
    /// A session that has seen nothing; `None` where the configuration cannot be.
    #[must_use]
    pub fn begun(known: &Known) -> Option<Self> {
        let session = Session::new(&known.config()).ok()?;
        Some(Self { session, calls: Calls::default(), newest_ns: 0 })
    }

    /// Takes a step and checks its answer.
    ///
    /// # Errors
    /// The promise that the answer breaks.
    pub fn take(&mut self, known: &Known, step: &Step) -> Result<Answer, crate::Broken> {
        let answer = match *step {
            Step::Packet(stream, stamp) => {
                let before = self.session.segment();
                let intaken = self.session.observe_packet(stream, stamp);
                self.calls.packets += 1;
                self.newest_ns = stamp.host_ns;
                if let Some(of) = known.streams.get(stream) {
                    checks::answer(&intaken, &stamp, of.sequence_bits, known.tick_bits())?;
                }
                let segment = self.session.segment();
                holds!(before <= segment, "segment {before} is followed by {segment}");
                if let Some(at) = intaken.resolved {
                    holds!(at.segment <= segment, "{at:?} lies in a segment after {segment}");
                }
                Answer::Packet(intaken)
            }
            Step::Exchange(origin_ns, receive, transmit, destination_ns) => {
                let sighted = self.session.observe_exchange(origin_ns, receive, transmit, destination_ns);
                self.calls.exchanges.0 += 1;
                self.calls.exchanges.1 += u64::from(sighted == Sighted::Used);
                Answer::Sighted(sighted)
            }
            Step::Marker(host_ns, tick) => {
                let sighted = self.session.observe_marker(host_ns, tick);
                self.calls.markers.0 += 1;
                self.calls.markers.1 += u64::from(sighted == Sighted::Used);
                Answer::Sighted(sighted)
            }
            Step::Place(host_ns, latency) => {
                let placed = self.session.place(host_ns, latency);
                if let Some(placed) = &placed {
                    checks::placement(&placed.placement, true)?;
                }
                Answer::Placed(placed)
            }
            Step::HostAt(device_s) => {
                let instant = self.session.host_at(device_s);
                if let Some(instant) = &instant {
                    checks::host_instant(device_s, instant)?;
                }
                Answer::HostAt(instant)
            }
            Step::Pause => {
                let _ = self.all()?;
                Answer::Asked
            }
        };
        checks::counters(&self.session.counters(), &self.calls)?;
        Ok(answer)
    }

    /// All that can be asked, checked: the counters apart, in words that tell any two different answers apart.
    ///
    /// # Errors
    /// The promise that an answer breaks.
    pub fn all(&self) -> Result<String, crate::Broken> {
        let session = &self.session;
        let map = session.map();
        if let Some(map) = &map {
            checks::map(map)?;
        }
        let mut placed = Vec::new();
        for back_ns in [0, 1_000_000_000, 60_000_000_000, -5_000_000_000, 3_600_000_000_000] {
            let host_ns = self.newest_ns.saturating_sub(back_ns);
            let at = session.place(host_ns, Shift { us: -250.0, u_us: 40.0 });
            if let Some(placed) = &at {
                checks::placement(&placed.placement, true)?;
            }
            let asked_s = session.newest_s().map_or(0.0, |newest_s| newest_s - back_ns as f64 * 1e-9);
            let instant = session.host_at(asked_s);
            if let Some(instant) = &instant {
                checks::host_instant(asked_s, instant)?;
            }
            placed.push((at, instant));
        }
        let link = session.link();
        checks::finite("link", &[link.interval_us.unwrap_or(0.0), link.interval_stretch_ppm])?;
        checks::uncertainties("beat, µs", &[link.beat_us])?;
        holds!(link.interval_us.is_none_or(|us| us > 0.0), "a grid of {:?} µs", link.interval_us);
        let mut missing = Vec::new();
        for stream in 0..5 {
            let Some(packets) = session.missing_packets(stream) else { continue };
            let (mut listed, mut from): (Vec<Gap>, i64) = (Vec::new(), i64::MIN);
            while let Some(gap) = session.next_gap(stream, from) {
                holds!(listed.len() < 64 && gap.last_index() >= from, "{gap:?} is listed again from {from}");
                from = gap.last_index().saturating_add(1);
                listed.push(gap);
            }
            checks::gaps(&listed, packets)?;
            missing.push((packets, session.gaps(stream), listed));
        }
        let stands = (session.knowledge(), session.segment(), session.timeline_segment(), session.newest_s());
        Ok(format!("{map:?} {placed:?} {link:?} {missing:?} {stands:?}"))
    }
}

/// A live session is fed and asked what the bytes stand for.
pub(crate) fn run(bytes: &[u8]) -> Checked {
    answers(bytes, &mut |_| ())
}

/// The same, and each answer is told.
///
/// # Errors
/// The promise that was not kept.
pub fn answers(bytes: &[u8], told: &mut dyn FnMut(&dyn Debug)) -> Checked {
    let scene = Scene::of(bytes);
    let known = &scene.known;
    let Some(mut one) = Watched::begun(known) else {
        holds!(Session::<4>::check(&known.config()).is_err(), "what can be begun is said to be impossible");
        return Ok(());
    };
    let mut twin = one.clone();
    for step in &scene.steps {
        let answer = one.take(known, step)?;
        told(&answer);
        if let Step::Pause = step {
            // As if saved and restored.
            twin = twin.clone();
            let all = one.all()?;
            told(&all);
            checks::same("all answers with and without what was refused", &all, &twin.all()?)?;
        } else if !answer.is_refusal() {
            let twins = twin.take(known, step)?;
            checks::equal("an answer with and without what was refused before", &answer, &twins)?;
            twin.newest_ns = one.newest_ns;
        } else {
            twin.newest_ns = one.newest_ns;
        }
    }
    let all = one.all()?;
    told(&(&all, one.session.counters()));
    checks::same("all answers with and without what was refused", &all, &twin.all()?)
}
