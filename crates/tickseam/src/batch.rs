//! A whole recording at once: packets in, placed events out, in memory that the caller lends.
//!
//! `packets → settling → arrivals of one segment → replayed estimate → the events that fell into it`, segment by segment.
//!
//! Not done here: a host clock that is set is not looked for, and exchanges and markers are not used.

use crate::block::Arrival;
use crate::frame::Frame;
use crate::gate::Gate;
use crate::intake::{IntakeCounters, PacketStamp};
use crate::live::Live;
use crate::placement::Shift;
use crate::replay::{Report, Stage, known_at, replay, stages_needed};
use crate::select::envelope_line;
use crate::session::{Ground, Placed, SessionConfig, SessionConfigError};
use crate::settling::{Settled, Settling, SettlingCounters};

/// What came of a whole recording.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BatchReport {
    /// What the intake answered, over all streams.
    pub intake: IntakeCounters,
    /// What became of packets that had no place at first.
    pub settling: SettlingCounters,
    /// Stamps that were nonsense and were not used for the clock.
    pub wild: u64,
    /// Segments that events can be placed on.
    pub segments: u32,
    /// Of the last segment.
    pub replayed: Option<Report>,
}

/// Why nothing was placed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BatchError {
    /// A configuration that cannot be.
    Config(SessionConfigError),
    /// Fewer arrivals than packets were lent, or too few stages: lend more.
    Room,
    /// No packet of the reference stream found its place.
    NoArrival,
}

impl core::fmt::Display for BatchError {
    fn fmt(&self, out: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Config(error) => error.fmt(out),
            Self::Room => out.write_str("too little memory was lent"),
            Self::NoArrival => out.write_str("no packet of the reference stream found its place"),
        }
    }
}

impl core::error::Error for BatchError {}

/// Stages that are enough for so many packets whose host stamps span so many seconds, unless a device's times run back and
/// forth by many seconds: then [`BatchError::Room`] asks for more.
pub fn stages_for(packets: usize, span_s: f64) -> usize {
    // Device time may be off host time by a nominal rate that is wrong, and each segment has a few stages more.
    stages_needed(packets, 0, 1.25 * span_s).saturating_add(64)
}

/// Packets as they were received, each with its stream.
pub trait Received {
    /// How many.
    fn count(&self) -> usize;
    /// The stream and the stamp of one; `None` beyond the last.
    fn packet(&self, place: usize) -> Option<(usize, PacketStamp)>;
}

/// Replays packets in the order of reception and gives each event its place: `place` is called once for each event of
/// `events` and each segment, in order, and the last call for an event holds. An event belongs to the newest segment that
/// had begun when it happened, or to the first.
///
/// Cost: some nine passes over the packets; events times segments for the rest.
///
/// # Errors
/// See [`BatchError`].
pub fn replay_packets<const STREAMS: usize>(
    config: &SessionConfig<'_>,
    received: &impl Received,
    events: usize,
    event: impl Fn(usize) -> (i64, Shift),
    arrivals: &mut [Arrival],
    stages: &mut [Stage],
    place: impl FnMut(usize, Placed),
) -> Result<BatchReport, BatchError> {
    let (ground, clock) = Ground::new(config).map_err(BatchError::Config)?;
    let mut settling = Settling::<STREAMS>::new(clock, config.streams)
        .map_err(|error| BatchError::Config(SessionConfigError::Intake(error)))?;
    let mut batch = Batch {
        ground,
        events,
        event,
        arrivals,
        stages,
        place,
        begun: None,
        filled: 0,
        gate: Gate::default(),
        report: BatchReport::default(),
        short: false,
    };
    for number in 0..received.count() {
        let Some((stream, stamp)) = received.packet(number) else { break };
        let _ = settling.observe(stream, batch.ground.stamp(stamp), |settled| batch.take(&settled));
    }
    batch.close();
    if batch.short {
        return Err(BatchError::Room);
    }
    if batch.report.segments == 0 {
        return Err(BatchError::NoArrival);
    }
    let (intake, settling) = (*settling.intake_counters(), *settling.counters());
    Ok(BatchReport { intake, settling, ..batch.report })
}

struct Batch<'a, E, P> {
    ground: Ground,
    events: usize,
    event: E,
    arrivals: &'a mut [Arrival],
    stages: &'a mut [Stage],
    place: P,
    /// The segment under way.
    begun: Option<(u32, Frame)>,
    filled: usize,
    gate: Gate,
    report: BatchReport,
    short: bool,
}

impl<E: Fn(usize) -> (i64, Shift), P: FnMut(usize, Placed)> Batch<'_, E, P> {
    fn take(&mut self, settled: &Settled) {
        if !self.ground.tells_the_clock(settled) {
            return;
        }
        let segment = settled.at.segment;
        if self.begun.is_none_or(|(begun, _)| begun < segment) {
            self.close();
            self.begun = Some((segment, self.ground.frame(settled)));
        }
        if let Some((_, frame)) = self.begun.filter(|&(begun, _)| begun == segment) {
            let arrival = frame.arrival(settled.at.device, settled.host_ns).behind(settled.behind_us);
            for arrival in self.gate.admit(arrival).into_iter().flatten() {
                self.push(arrival);
            }
        }
    }

    fn push(&mut self, arrival: Arrival) {
        match self.arrivals.get_mut(self.filled) {
            Some(slot) => {
                *slot = arrival;
                self.filled = self.filled.saturating_add(1);
            }
            None => self.short = true,
        }
    }

    /// Ends the segment under way: estimates it and places the events that may belong to it.
    fn close(&mut self) {
        if let Some(last) = self.gate.close() {
            self.push(last);
        }
        self.report.wild = self.report.wild.saturating_add(self.gate.dropped);
        self.gate = Gate::default();
        let filled = core::mem::take(&mut self.filled);
        let Some(begun) = self.begun.take().filter(|_| filled > 0) else { return };
        let Some(arrivals) = self.arrivals.get(..filled) else { return };
        let setup = &self.ground.setup;
        self.report.replayed = None;
        self.report.segments = self.report.segments.saturating_add(1);
        let events = (self.events, self.report.segments == 1);
        match envelope_line(arrivals.iter().copied()) {
            Ok(line) => {
                let report = replay(arrivals, &[], line.working(), setup, self.stages);
                self.short |= report.stages >= self.stages.len();
                let stages = self.stages.get(..report.stages).unwrap_or_default();
                self.report.replayed = Some(report);
                let known =
                    |at_s: f64| known_at(stages, at_s, report.curvature_ppm_per_s).unwrap_or_default();
                let (event, place) = (&self.event, &mut self.place);
                place_all(&self.ground, begun, report.fixed_delay, known, events, event, place);
            }
            // Too few arrivals for a line: what the causal estimator makes of them.
            Err(_) => {
                let mut live = Live::new(*setup);
                for &arrival in arrivals {
                    live.observe(arrival);
                }
                let known = |at_s: f64| live.known_at(at_s).unwrap_or_default();
                let (event, place) = (&self.event, &mut self.place);
                place_all(&self.ground, begun, live.fixed_delay(), known, events, event, place);
            }
        }
    }
}

/// Gives the events of one segment their places; in the first segment, all.
fn place_all(
    ground: &Ground,
    begun: (u32, Frame),
    fixed_delay: Option<Shift>,
    known: impl Fn(f64) -> (crate::placement::Knot, f64),
    (events, first): (usize, bool),
    event: &impl Fn(usize) -> (i64, Shift),
    place: &mut impl FnMut(usize, Placed),
) {
    for number in 0..events {
        let (host_ns, latency) = event(number);
        let placed = ground.place(begun, fixed_delay, host_ns, latency, &known);
        if first || placed.placement.device_s >= 0.0 {
            place(number, placed);
        }
    }
}

#[cfg(test)]
mod tests;
